"""Designs whose best choice is known exactly, found from a fine grid of latitudes, and the face on arrays itself.

Regressions in x = sin(latitude), every pick with an error of sd 1. The best weights are published for continuous
designs; with as many equal picks as the weights ask for they are the best picks as well.
"""

from itertools import combinations, product

import numpy as np
import pytest
import scipy.sparse as sp

from siting.selection import LogDet, RowLimits, Shortfall, WeightedVariance, exact_design
from siting.selection.program import Ended

FLAT = 1e-8
# Support of D-optimal designs for polynomials of degree p - 1 on [-1, 1]: the ends and the roots of P'(x), P the
# Legendre polynomial of degree p - 1. Sources: Guest 1958 and Hoel 1958, Ann. Math. Stat. 29 (citations from memory);
# determinants of the information of one pick with these weights 1/p: Hoel 1958, computed anew from the formula.
D_OPTIMAL = {
    2: ([-1.0, 1.0], 1.0),
    3: ([-1.0, 0.0, 1.0], 4.0 / 27.0),
    4: ([-1.0, -np.sqrt(1 / 5), np.sqrt(1 / 5), 1.0], 0.00512),
    5: ([-1.0, -np.sqrt(3 / 7), 0.0, np.sqrt(3 / 7), 1.0], 4.29722e-5),
    6: ([-1.0, -0.7650553239, -0.2852315165, 0.2852315165, 0.7650553239, 1.0], 8.8735e-8),
}


def grid(support, copies, step=4.5):
    """Return x = sin(latitude) of a grid with the support in it, each value `copies` times."""
    x = np.concatenate([np.sin(np.radians(np.arange(-90.0, 90.0 + step / 2, step))), support])
    return np.repeat(np.unique(np.round(x, 12)), copies)


def polynomial(x, degree):
    """Return factors (N, 1, degree + 1) of picks of sd 1."""
    return np.vander(x, degree + 1, increasing=True)[:, None, :]


def count(n, picks):
    """Return the row "at most so many picks"."""
    return RowLimits(np.ones((1, n)), [-np.inf], [picks])


def information(factors, picked):
    return sum(factors[d].T @ factors[d] for d in picked)


@pytest.mark.parametrize("p", D_OPTIMAL)
def test_as_many_picks_as_coefficients_stand_where_the_determinant_is_greatest(p):
    support, of_one = D_OPTIMAL[p]
    x = grid(support, p)
    factors = polynomial(x, p - 1)
    found = exact_design(factors, np.full(p, FLAT), LogDet(), count(x.size, p), gap=1e-5)
    assert found.proved
    assert x[list(found.picked)] == pytest.approx(support, abs=1e-9)
    # p picks: p^p times the determinant of one.
    assert np.linalg.det(information(factors, found.picked)) == pytest.approx(of_one * p**p, rel=1e-5)
    assert found.value == pytest.approx(np.log(of_one * p**p), abs=1e-5)
    assert found.value <= found.bound <= found.value + p * 1.0001e-5


@pytest.mark.parametrize("p", D_OPTIMAL)
def test_the_worst_prediction_of_a_d_optimal_design_has_one_unit_of_variance_a_coefficient(p):
    # Source: Kiefer and Wolfowitz 1960, The equivalence of two extremum problems, Canad. J. Math. 12 (from memory):
    # max over x of N f(x)' M^-1 f(x) = number of coefficients for N picks.
    support, _ = D_OPTIMAL[p]
    x = grid(support, p)
    factors = polynomial(x, p - 1)
    found = exact_design(factors, np.full(p, FLAT), LogDet(), count(x.size, p))
    fine = polynomial(np.linspace(-1.0, 1.0, 2001), p - 1)[:, 0]
    variance = np.einsum("nk,kl,nl->n", fine, np.linalg.inv(information(factors, found.picked)), fine)
    assert p * variance.max() == pytest.approx(p, rel=1e-6)


def test_four_picks_of_a_quadratic_stand_1_to_2_to_1_where_the_trace_is_least():
    # Source: Pukelsheim 1993, chapter 9 (A-optimal quadratic, weights 1/4, 1/2, 1/4; trace of M^-1 = 8 for one pick);
    # value from memory, computed anew.
    x = grid([-1.0, 0.0, 1.0], 4)
    factors = polynomial(x, 2)
    found = exact_design(factors, np.full(3, FLAT), WeightedVariance(np.eye(3)), count(x.size, 4), gap=1e-6)
    assert found.proved
    assert x[list(found.picked)] == pytest.approx([-1.0, 0.0, 0.0, 1.0], abs=1e-12)
    assert found.value == pytest.approx(8.0 / 4.0, rel=1e-6)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_the_difference_between_the_poles_is_measured_best_at_the_poles(degree):
    # Source: arithmetic; a difference of two means of N / 2 picks each has variance 4 sd^2 / N, and no unbiased
    # estimate of values at -1 and 1 under a polynomial does better (Hoel and Levine 1964, Ann. Math. Stat. 35,
    # extrapolation and interpolation in polynomial prediction; citation from memory).
    x = grid([-1.0, 1.0], 4)
    c = (1.0 - (-1.0) ** np.arange(degree + 1)).astype(float)
    found = exact_design(
        polynomial(x, degree), np.full(degree + 1, FLAT), WeightedVariance(c), count(x.size, 4), gap=1e-5
    )
    assert found.proved
    assert x[list(found.picked)] == pytest.approx([-1.0, -1.0, 1.0, 1.0])
    assert found.value == pytest.approx(4.0 / 4.0, rel=1e-5)


def test_the_mean_of_the_globe_is_known_as_well_as_the_mean_of_all_picks():
    # Source: Gauss-Legendre nodes at x = 1/sqrt(3) (35.26 degrees) integrate a cubic exactly with equal weights, so
    # that the area mean is the plain mean: variance sd^2 / N; no unbiased estimate of a constant does better.
    x = grid([-np.sqrt(1 / 3), np.sqrt(1 / 3)], 4)
    mean = np.array([1.0, 0.0, 1.0 / 3.0, 0.0])
    found = exact_design(polynomial(x, 3), np.full(4, FLAT), WeightedVariance(mean), count(x.size, 4), gap=1e-5)
    assert found.proved
    assert found.value == pytest.approx(1.0 / 4.0, rel=1e-5)


def test_eighteen_picks_for_the_slope_of_a_cubic_stand_8_and_1_a_side():
    # Source: Elfving 1952, Ann. Math. Stat. 23 (c-optimal designs); +-1/2 with weights 4/9, +-1 with 1/18, variance 9
    # for one pick (Pukelsheim 1993, chapter 9; citations from memory, value computed anew from the formula).
    x = np.repeat(np.round(np.linspace(-1.0, 1.0, 17), 12), 8)
    slope = np.array([0.0, 1.0, 0.0, 0.0])
    found = exact_design(polynomial(x, 3), np.full(4, FLAT), WeightedVariance(slope), count(x.size, 18), gap=1e-3)
    assert found.proved
    assert found.value == pytest.approx(9.0 / 18.0, rel=1e-3)
    assert found.bound <= 9.0 / 18.0 * (1 + 1e-9)


@pytest.mark.parametrize("picks", [4, 5])
def test_few_picks_for_the_slope_of_a_cubic_are_the_best_of_all_choices(picks):
    x = np.linspace(-1.0, 1.0, 11)
    factors, slope = polynomial(x, 3), np.array([0.0, 1.0, 0.0, 0.0])
    found = exact_design(factors, np.full(4, FLAT), WeightedVariance(slope), count(x.size, picks), gap=1e-4)
    every = np.array([information(factors, c) for c in combinations(range(x.size), picks)]) + FLAT * np.eye(4)
    best = np.linalg.inv(every)[:, 1, 1].min()
    assert found.proved
    assert found.value == pytest.approx(best, rel=1.01e-4)
    assert found.bound <= best * (1 + 1e-9)


# Greatest determinants of n x n matrices of entries -1 and 1: On-Line Encyclopedia of Integer Sequences A003433,
# n = 1, 2, ... (1, 2, 4, 16, 48, 160, 576); value from memory.
@pytest.mark.parametrize(("n", "greatest"), [(1, 1), (2, 2), (3, 4), (4, 16), (5, 48), (6, 160)])
def test_picked_sign_vectors_have_the_greatest_determinant(n, greatest):
    # Six are proven to a share of 6 % here, wholly in the benchmark.
    gap = 1e-4 if n < 6 else 0.06
    # A vector and its negative say the same, so that the first sign may be +.
    signs = np.array(list(product([1.0, -1.0], repeat=n - 1))).reshape(2 ** (n - 1), n - 1)
    vectors = np.concatenate([np.ones((signs.shape[0], 1)), signs], axis=1)
    found = exact_design(vectors[:, None, :], np.full(n, FLAT), LogDet(), count(len(vectors), n), gap=gap)
    assert len(found.picked) == n
    assert abs(np.linalg.det(vectors[list(found.picked)])) == pytest.approx(greatest)
    assert found.proved
    assert found.bound >= 2.0 * np.log(greatest)


def random_factors(seed, n=9, k=3):
    rng = np.random.default_rng(seed)
    return [rng.normal(size=(int(rng.integers(1, 4)), k)) for _ in range(n)], rng


@pytest.mark.parametrize("seed", range(6))
def test_picks_of_several_rows_and_a_full_prior_are_the_best_of_all_subsets(seed):
    factors, rng = random_factors(seed)
    root = rng.normal(size=(3, 3))
    prior, targets, goals = root @ root.T + 0.1 * np.eye(3), rng.normal(size=(3, 2)), np.array([0.3, 0.5])
    price = rng.integers(1, 9, len(factors)) / 8
    rows = RowLimits(sp.csr_array(price[None]), [-np.inf], [price.sum() * 0.4])
    subsets = [s for r in range(len(factors) + 1) for s in combinations(range(len(factors)), r)]
    fine = [s for s in subsets if price[list(s)].sum() <= price.sum() * 0.4]
    every = np.array([prior + (information(factors, s) if s else 0.0) for s in fine])
    scaled = np.einsum("kt,mkl,lt->mt", targets, np.linalg.inv(every), targets) / goals**2
    weights = np.array([1.0, 2.0])
    for criterion, values in [
        (Shortfall(targets, goals, weights), np.maximum(scaled - 1.0, 0.0) @ weights),
        (WeightedVariance(targets, weights, goals), scaled @ weights),
        (LogDet(), -np.linalg.slogdet(every)[1]),
    ]:
        found = exact_design(factors, prior, criterion, rows, gap=1e-6)
        turn = -1.0 if isinstance(criterion, LogDet) else 1.0
        assert found.proved
        assert turn * found.value == pytest.approx(values.min(), rel=3e-6, abs=3e-6)
        assert turn * found.bound <= values.min() + 1e-9
        mine = fine.index(found.picked)
        assert turn * found.value == pytest.approx(values[mine], rel=1e-9, abs=1e-12)


def test_a_diagonal_prior_is_the_full_one_with_that_diagonal():
    factors, _ = random_factors(1)
    rows, prior = count(len(factors), 3), np.array([0.5, 1.0, 4.0])
    one = exact_design(factors, prior, LogDet(), rows)
    other = exact_design(factors, np.diag(prior), LogDet(), rows)
    assert one.picked == other.picked
    assert (
        one.value
        == other.value
        == pytest.approx(np.linalg.slogdet(np.diag(prior) + information(factors, one.picked))[1], rel=1e-12)
    )


def test_auxiliary_columns_and_rows_from_below_are_kept():
    # Picks 0 to 3 need the opened column 9, which takes two of four units; at least one of them is wanted.
    factors, _ = random_factors(2)
    n = len(factors)
    opens = np.zeros((4, n + 1))
    opens[np.arange(4), np.arange(4)], opens[:, n] = 1.0, -1.0
    budget = np.append(np.ones(n), 2.0)
    wanted = np.zeros(n + 1)
    wanted[:4] = 1.0
    rows = RowLimits(np.vstack([opens, budget, wanted]), [-np.inf] * 5 + [1.0], [0.0] * 4 + [4.0, np.inf], [0.0], [1.0])
    found = exact_design(factors, np.ones(3), LogDet(), rows, gap=1e-6)
    choices = [s for s in combinations(range(n), 2) if min(s) < 4]
    best = max(np.linalg.slogdet(np.eye(3) + information(factors, s))[1] for s in choices)
    assert found.value == pytest.approx(best, abs=1e-5)
    assert found.auxiliary.tolist() == [1.0]


@pytest.mark.parametrize("prices", [[0.1, 0.2, 0.3], [0.125, 0.5, 0.25], [1e15, 2e15, 3e15], [12.5, 0.01, 3.0]])
def test_real_prices_are_counted_exactly(prices):
    # 0.1 + 0.2 is above 0.3 in doubles; as decimals both together cost 0.3 and may be picked.
    factors = np.eye(3)[:, None, :]
    rows = RowLimits([prices], [-np.inf], [sum(sorted(prices)[:2]) if prices[0] != 0.1 else 0.3])
    found = exact_design(factors, np.ones(3), LogDet(), rows, gap=0.0)
    assert found.picked == tuple(sorted(np.argsort(prices)[:2].tolist()))


def test_prices_with_too_many_digits_are_refused():
    with pytest.raises(ValueError, match="round them to fewer digits"):
        exact_design(np.eye(2)[:, None, :], np.ones(2), LogDet(), RowLimits([[1e12, np.pi]], [-np.inf], [1e12]))


def test_a_start_is_taken_and_one_that_breaks_the_rows_is_refused():
    factors, _ = random_factors(3)
    rows = count(len(factors), 3)
    best = exact_design(factors, np.ones(3), LogDet(), rows)
    again = exact_design(factors, np.ones(3), LogDet(), rows, start=best.picked, time_limit=0.0)
    assert again.picked == best.picked
    assert again.bound >= best.value - 1e-9
    with pytest.raises(ValueError, match="start breaks the rows"):
        exact_design(factors, np.ones(3), LogDet(), rows, start=range(4))


def test_rows_that_nothing_keeps_give_no_design():
    factors, _ = random_factors(4)
    found = exact_design(factors, np.ones(3), LogDet(), RowLimits(np.ones((1, 9)), [10.0], [np.inf]))
    assert found.ended is Ended.INFEASIBLE
    assert (found.picked, found.value, found.gap, found.proved) == ((), None, None, False)


def test_progress_is_told_in_the_units_of_the_answer():
    factors, _ = random_factors(5)
    told = []
    found = exact_design(factors, np.full(3, 0.01), LogDet(), count(9, 4), progress=told.append)
    assert told
    assert [(p.seconds, p.value, p.bound) for p in told] == list(found.log)
    assert told[-1].value == found.value
    assert all(p.bound is None or p.bound >= found.value - 1e-9 for p in told)
    assert all(p.value is None or p.value <= found.value + 1e-12 for p in told)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"prior_precision": [1.0, 0.0]}, "positive definite"),
        ({"prior_precision": [[1.0, 0.5], [0.2, 1.0]]}, "symmetric"),
        ({"factors": np.ones((3, 1, 4))}, "must be"),
        ({"factors": np.full((3, 1, 2), np.nan)}, "not finite"),
        ({"criterion": Shortfall(np.eye(2), 0.0)}, "goals above 0"),
        ({"criterion": WeightedVariance(np.eye(3))}, "targets have shape"),
        ({"criterion": WeightedVariance(np.eye(2), [1.0, 1.0, 1.0])}, "weights must be"),
        ({"rows": count(4, 1)}, "must be 3 columns"),
        ({"rows": RowLimits(np.ones((1, 3)), [np.nan], [1.0])}, "numbers"),
        ({"gap": 1.0}, "below 1"),
        ({"start": [7]}, "from 0 to 2"),
    ],
)
def test_what_does_not_fit_is_told_in_a_sentence(changed, words):
    given = {
        "factors": np.ones((3, 1, 2)),
        "prior_precision": [1.0, 1.0],
        "criterion": LogDet(),
        "rows": count(3, 1),
    } | changed
    with pytest.raises(ValueError, match=words):
        exact_design(**given)
