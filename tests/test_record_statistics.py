"""Small numbers behind one monthly mean, against brute-force sums and simulation."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from siting.record.statistics import contamination_variance, inverse_count, mean_variance

DAYS = 30.4375


def summed(n, tau, days=DAYS):
    """Variance of the mean of n evenly spaced AR(1) samples: the plain double sum over all pairs (Priestley 1981)."""
    at = np.arange(n) * days / n
    return float(np.exp(-np.abs(np.subtract.outer(at, at)) / tau).mean())


@pytest.mark.parametrize("n", [1, 2, 3, 4, 7, 30, 730])
@pytest.mark.parametrize("tau", [0.01, 0.3, 3.0, 30.0, 300.0, 3e4, 3.1e5, 1e7])
def test_the_variance_of_a_mean_is_the_sum_over_all_pairs(n, tau):
    # Source: definition of the variance of a mean, sum over all pairs of the correlation.
    assert mean_variance(n, tau) == pytest.approx(summed(n, tau), rel=1e-9)


@pytest.mark.parametrize("tau", [0.5, 3.0, 40.0])
def test_endless_samples_leave_the_double_integral_of_the_correlation(tau):
    # Source: definition; midpoint quadrature of (2/T) int (1 - s/T) exp(-s/tau) ds.
    s = (np.arange(200_000) + 0.5) / 200_000
    wanted = 2.0 * float(((1.0 - s) * np.exp(-s * DAYS / tau)).mean())
    assert mean_variance(np.inf, tau) == pytest.approx(wanted, rel=1e-7)
    assert mean_variance(1e7, tau) == pytest.approx(wanted, rel=1e-5)


def test_real_counts_lie_between_the_whole_ones_on_a_smooth_curve():
    # Source: V falls with the number of samples (common practice); no reference for fractions but monotony.
    n = np.linspace(1.0, 8.0, 141)
    v = mean_variance(n, 3.0)
    assert np.all(np.diff(v) < 0.0)
    assert v[::20] == pytest.approx([summed(k, 3.0) for k in range(1, 9)], rel=1e-12)
    assert np.all(np.diff(v, 2) > 0.0)


def test_extreme_memories_have_their_limits_and_no_warning():
    # Source: independent samples give 1/n, air that never changes gives 1 (arithmetic).
    assert mean_variance([5.0, 5.0, 1e200, 3.7], [1e-9, 1e-290, 1e-9, 1e-12]) == pytest.approx(
        [0.2, 0.2, 2e-9 / DAYS, 1 / 3.7], rel=1e-6
    )
    assert mean_variance([1.0, 5.0, np.inf, 1e9], 1e300) == pytest.approx([1.0] * 4, abs=1e-15)


@given(st.floats(1.0, 1000.0), st.floats(0.01, 1e5))
def test_the_series_and_the_closed_form_meet(n, tau):
    # Source: property; both forms hold where T/tau is small, and nothing exceeds one sample's variance.
    v = float(mean_variance(n, tau))
    assert 0.0 < v <= 1.0 + 1e-12
    near = DAYS / 1e-4
    both = mean_variance(n, [near * (1 - 1e-9), near * (1 + 1e-9)])
    assert both[0] == pytest.approx(both[1], rel=1e-9)


def test_a_count_below_one_or_no_memory_is_refused():
    with pytest.raises(ValueError, match="count must be 1 or more"):
        mean_variance(0.5, 3.0)
    with pytest.raises(ValueError, match="memory_days above 0"):
        mean_variance(2.0, 0.0)


def direct(visits, p):
    """E[1/n | n > 0] and P(n = 0) by the plain sum over the binomial law, whole numbers mixed for fractions."""
    low = math.floor(visits)
    parts = []
    for n, share in ((low, 1.0 - (visits - low)), (low + 1, visits - low)):
        k = np.arange(1, n + 1)
        parts.append(
            (
                share * float((binom.pmf(k, n, p) / k).sum()),
                share * float(binom.pmf(0, n, p)),
                share * float(binom.sf(0, n, p)),
            )
        )
    return sum(a for a, _, _ in parts) / sum(c for _, _, c in parts), sum(b for _, b, _ in parts)


@pytest.mark.parametrize("visits", [0.3, 1.0, 1.7, 2.0, 4.35, 12.5, 60.0])
@pytest.mark.parametrize("p", [1e-12, 0.01, 0.3, 0.77, 1.0])
def test_the_mean_of_one_over_a_random_count_is_the_sum_over_the_binomial_law(visits, p):
    # Source: binomial law as scipy.stats.binom has it; Grab and Savage 1954 for the formula used.
    wanted, empty = direct(visits, p)
    inverse, none = inverse_count(visits, p)
    assert none == pytest.approx(empty, abs=1e-14)
    assert inverse == pytest.approx(wanted, rel=1e-9)


def test_the_mean_of_one_over_a_random_count_is_that_of_a_simulation():
    # Source: simulation, 400,000 months of 2.4 visits on average, half of which succeed; 4 standard errors.
    rng = np.random.default_rng(5)
    visits = 2 + (rng.random(400_000) < 0.4)
    n = rng.binomial(visits, 0.5)
    inverse, empty = inverse_count(2.4, 0.5)
    seen = 1.0 / n[n > 0]
    assert inverse == pytest.approx(seen.mean(), abs=4 * seen.std() / np.sqrt(seen.size))
    assert empty == pytest.approx((n == 0).mean(), abs=4 * np.sqrt(0.2 / n.size))


def test_without_a_chance_every_month_is_empty():
    inverse, empty = inverse_count([0.0, 4.0, 0.0], [0.5, 0.0, 0.0])
    assert inverse.tolist() == [1.0, 1.0, 1.0]
    assert empty.tolist() == [1.0, 1.0, 1.0]


def test_more_visits_never_leave_more_months_empty():
    # Source: property of counts; the mean of 1/n itself may rise at first, since one success has n = 1.
    x = np.linspace(0.0, 20.0, 201)
    inverse, empty = inverse_count(x, 0.6)
    assert np.all(np.diff(empty) < 0.0)
    assert np.all((inverse > 0.0) & (inverse <= 1.0))
    assert inverse[-1] == pytest.approx(1.0 / 12.0, rel=0.06)


def test_wrong_chances_are_refused():
    with pytest.raises(ValueError, match="chance between 0 and 1"):
        inverse_count(3.0, 1.2)
    with pytest.raises(ValueError, match="visits must be 0 or more"):
        inverse_count(-1.0, 0.2)


def test_contamination_of_single_samples_has_the_variance_of_a_simulation():
    # Source: simulation; a share p of samples carries an exponential size, each on its own (V = 1/n).
    rng = np.random.default_rng(11)
    p, size, n = 0.15, 3.0, 6
    means = (rng.exponential(size, (300_000, n)) * (rng.random((300_000, n)) < p)).mean(axis=1)
    found = contamination_variance(p, size, mean_variance(n, 1e-6))
    assert found == pytest.approx(means.var(), rel=0.02)


def test_lasting_contamination_averages_down_as_its_memory_allows():
    # Source: simulation; contamination renewed at a rate of one per tau days has the correlation exp(-|t|/tau).
    rng = np.random.default_rng(12)
    p, size, tau, n, months = 0.2, 2.0, 4.0, 9, 120_000
    stay = np.exp(-DAYS / n / tau)

    def fresh():
        return rng.exponential(size, months) * (rng.random(months) < p)

    value = fresh()
    total = value.copy()
    for _ in range(n - 1):
        value = np.where(rng.random(months) < stay, value, fresh())
        total += value
    found = contamination_variance(p, size, mean_variance(n, tau))
    assert found == pytest.approx((total / n).var(), rel=0.03)
    assert found > 1.5 * contamination_variance(p, size, 1.0 / n)
