"""The numerical core of `siting noise`: likelihood, least squares, season, against dense algebra and published errors.

Sources: dense Gaussian algebra with numpy (independent arithmetic); Weatherhead et al. 1998, J. Geophys. Res. 103,
17149, eq. 2 (formula from memory); the table of exact slope errors was computed apart from this program from
F = [1, t] and R = phi^|i-j|.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.noise.chain import eliminate_chains
from siting.noise.design import GROWTH, MONTH_DAYS, make_design
from siting.noise.likelihood import (
    Noise,
    generalised_least_squares,
    prepare,
    restricted_log_likelihood,
    restricted_log_likelihoods,
)
from siting.noise.season import season_curve

NOISES = [
    Noise(0.4, 0.6, 0.5, 3.0, 0.1, 0.3),
    Noise(0.0, 0.5, 0.5, 3.0, 0.2, 0.0),
    Noise(0.4, 0.9, 0.0, 3.0, 0.05, 0.7),
    Noise(0.0, 0.5, 0.0, 1.0, 0.3, 0.2),
    Noise(0.4, 0.0, 0.3, 8.0, 0.3, 0.2),
]


def record(seed, count=60):
    rng = np.random.default_rng(seed)
    once = rng.uniform(0.0, 1300.0, count)
    days = 18000.0 + np.concatenate([once, once[: count // 3]])
    methods = ["a" if u < 0.6 else "b" for u in rng.random(days.size)]
    return days, rng.normal(400.0, 1.0, days.size), methods


def dense(design, noise):
    """Covariance of the samples, written out."""
    apart = np.abs(design.days[:, None] - design.days)
    same = (apart == 0.0).astype(float)
    slow = noise.slow_phi ** (apart / MONTH_DAYS) if noise.slow_phi > 0.0 else same
    return (
        noise.slow_sd**2 * slow
        + noise.synoptic_sd**2 * np.exp(-apart / noise.memory_days)
        + noise.white_sd**2 * np.eye(design.days.size)
        + noise.growth_anomaly_sd**2 * design.ramps @ design.ramps.T
    )


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize("seed", [0, 1])
def test_the_restricted_likelihood_is_that_of_the_dense_covariance(noise, seed):
    design = make_design(*record(seed))
    v, x, y = dense(design, noise), design.columns, design.values
    inverse = np.linalg.inv(v)
    left = x.T @ inverse @ x
    beta = np.linalg.solve(left, x.T @ inverse @ y)
    rest = y - x @ beta
    log_dets = [np.linalg.slogdet(m)[1] for m in (v, left, x.T @ x)]
    n, p = x.shape
    expected = -0.5 * (
        (n - p) * math.log(2.0 * math.pi) + log_dets[0] + log_dets[1] - log_dets[2] + rest @ inverse @ rest
    )
    assert restricted_log_likelihood(prepare(design), noise) == pytest.approx(expected, rel=1e-10, abs=1e-8)
    found, covariance = generalised_least_squares(prepare(design), noise)
    np.testing.assert_allclose(found[:p], beta, rtol=1e-8, atol=1e-8)
    np.testing.assert_allclose(covariance[:p, :p], np.linalg.inv(left), rtol=1e-7, atol=1e-10)
    # anomalies: best linear unbiased prediction, s^2 Z^T V^-1 (y - X beta)
    anomalies = noise.growth_anomaly_sd**2 * design.ramps.T @ inverse @ rest
    np.testing.assert_allclose(found[p:], anomalies, rtol=1e-7, atol=1e-9)


def test_many_likelihoods_at_once_are_those_one_by_one():
    prepared = prepare(make_design(*record(3)))
    np.testing.assert_allclose(
        restricted_log_likelihoods(prepared, NOISES), [restricted_log_likelihood(prepared, x) for x in NOISES]
    )


@settings(max_examples=40, deadline=None)
@given(places=st.integers(1, 20), size=st.integers(1, 2), seed=st.integers(0, 10**6))
def test_a_chain_is_eliminated_as_the_whole_matrix_is(places, size, seed):
    rng = np.random.default_rng(seed)
    lower = np.zeros((2, places * size, places * size))
    for i in range(places):
        here = slice(i * size, (i + 1) * size)
        lower[:, here, here] = np.tril(rng.normal(0.0, 0.3, (size, size))) + np.eye(size) * rng.uniform(0.5, 2.0)
        if i:
            lower[:, here, (i - 1) * size : i * size] = rng.normal(0.0, 0.5, (size, size))
    whole = lower @ lower.swapaxes(1, 2)
    right = rng.normal(size=(2, places * size, 3))
    blocks = np.array([[w[i * size :, i * size :][:size, :size] for i in range(places)] for w in whole])
    ties = np.array([[w[(i + 1) * size :, i * size :][:size, :size] for i in range(places - 1)] for w in whole])
    product, log_det = eliminate_chains(
        blocks, ties.reshape(2, places - 1, size, size), right.reshape(2, places, size, 3)
    )
    np.testing.assert_allclose(product, right.swapaxes(1, 2) @ np.linalg.solve(whole, right), rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(log_det, np.linalg.slogdet(whole)[1], rtol=1e-8, atol=1e-8)


def slope_error(years, phi):
    days = np.arange(12 * years) * MONTH_DAYS
    design = make_design(days, np.zeros_like(days), harmonics=0, anomalies=False)
    # sd 1; a white part that is as good as nothing
    _, covariance = generalised_least_squares(prepare(design), Noise(1.0, phi, 0.0, 1.0, 1e-3))
    return math.sqrt(covariance[GROWTH, GROWTH])


@pytest.mark.parametrize(
    ("years", "phi", "exact", "approximate"),
    [
        (10, 0.0, 0.031624, 0.031623),
        (10, 0.5, 0.053433, 0.054772),
        (5, 0.8, 0.22268, 0.2683),
        (10, 0.8, 0.086132, 0.09487),
        (20, 0.8, 0.031932, 0.03354),
        (30, 0.8, 0.017666, 0.01826),
    ],
)
def test_the_error_of_a_trend_in_monthly_red_noise_is_the_published_one(years, phi, exact, approximate):
    # Weatherhead's n^(-3/2) sqrt((1 + phi)/(1 - phi)) is meant for long records: pessimistic for short red ones, by
    # at most a fifth here
    found = slope_error(years, phi)
    assert found == pytest.approx(exact, rel=1e-4)
    formula = years**-1.5 * math.sqrt((1.0 + phi) / (1.0 - phi))
    assert formula == pytest.approx(approximate, rel=5e-4)
    assert 0.999 < formula / found < 1.21


def test_more_memory_never_makes_a_trend_better_known():
    errors = [slope_error(10, phi) for phi in (0.0, 0.2, 0.4, 0.6, 0.8, 0.9)]
    assert errors == sorted(errors)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-5.0, 5.0), min_size=4, max_size=4).filter(lambda c: np.hypot(c[0], c[1]) > 0.1))
def test_the_season_of_two_harmonics_is_that_of_a_fine_grid(coefficients):
    phase = np.arange(365_000) / 365_000
    angle = 2.0 * np.pi * phase
    curve = np.column_stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]) @ coefficients
    found = season_curve(np.array(coefficients))
    assert found.peak_to_trough == pytest.approx(np.ptp(curve), rel=1e-6)
    at = np.interp(found.month_of_maximum, 1.0 + 12.0 * phase, curve)
    assert at == pytest.approx(np.max(curve), abs=1e-6 * np.ptp(curve))


def test_the_slopes_of_a_season_are_those_of_small_changes():
    c = np.array([-2.0, 1.0, 0.6, -0.4])
    here = season_curve(c)
    for i in range(4):
        step = np.eye(4)[i] * 1e-5
        ahead, behind = season_curve(c + step), season_curve(c - step)
        assert (ahead.peak_to_trough - behind.peak_to_trough) / 2e-5 == pytest.approx(here.size_slopes[i], abs=1e-5)
        assert (ahead.month_of_maximum - behind.month_of_maximum) / 2e-5 == pytest.approx(
            here.month_slopes[i], abs=1e-4
        )


def test_a_cosine_of_one_cycle_is_highest_at_new_year_and_spans_twice_its_amplitude():
    found = season_curve(np.array([3.0, 0.0]))
    assert (found.peak_to_trough, found.month_of_maximum) == pytest.approx((6.0, 1.0))


@pytest.mark.parametrize(
    "wrong", [{"white_sd": 0.0}, {"slow_sd": -1.0}, {"slow_phi": 1.0}, {"memory_days": 0.0}, {"synoptic_sd": math.nan}]
)
def test_noise_that_cannot_be_is_refused(wrong):
    good = {"slow_sd": 0.3, "slow_phi": 0.5, "synoptic_sd": 0.5, "memory_days": 3.0, "white_sd": 0.1}
    with pytest.raises(ValueError, match="must be"):
        Noise(**(good | wrong))
