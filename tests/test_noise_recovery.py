"""Simulated records of many cadences: `fit_noise` finds what was put in, within the errors that it states.

The simulation is independent of the program: dense covariances, their Cholesky factor and numpy's random numbers.
"""

import functools

import numpy as np
import pytest

from siting.noise.fit import fit_noise

MONTH = 365.25 / 12.0
TRUTH = {"slow_sd": 0.3, "slow_phi": 0.6, "synoptic_sd": 0.5, "memory_days": 3.0, "white_sd": 0.1}
HARMONICS = np.array([-2.0, 1.0, 0.6, -0.4])
GROWTH, ANOMALY = 2.0, 0.3


def season(days):
    angle = 2.0 * np.pi * np.asarray(days) / 365.25
    return np.column_stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]) @ HARMONICS


def simulated(seed, days, anomaly):
    """Return times, values and the truth of one record."""
    rng = np.random.default_rng(seed)
    t = np.sort(days)
    apart = np.abs(t[:, None] - t)
    slow = TRUTH["slow_sd"] ** 2 * TRUTH["slow_phi"] ** (apart / MONTH)
    air = slow + TRUTH["synoptic_sd"] ** 2 * np.exp(-apart / TRUTH["memory_days"]) + 1e-10 * np.eye(t.size)
    values = np.linalg.cholesky(air) @ rng.standard_normal(t.size) + TRUTH["white_sd"] * rng.standard_normal(t.size)
    years = int(np.ceil((t[-1] - t[0]) / 365.25))
    yearly = anomaly * rng.standard_normal(years)

    def smooth(since):
        return 400.0 + GROWTH * since + np.clip(since[:, None] - np.arange(years), 0.0, 1.0) @ yearly

    values += smooth((t - t[0]) / 365.25) + season(t)
    even = np.linspace(0.0, (t[-1] - t[0]) / 365.25, 5001)
    grid = np.arange(0.0, 365.25, 0.01)
    truth = TRUTH | {
        "growth": np.polyfit(even, smooth(even), 1)[0],
        "underlying_growth": GROWTH,
        "level": smooth(even[[2500]])[0],
        "peak_to_trough": np.ptp(season(grid)),
        "month_of_maximum": 1.0 + 12.0 * grid[np.argmax(season(grid))] / 365.25,
        "growth_anomaly_sd": anomaly,
        "fast_sd": np.hypot(TRUTH["synoptic_sd"], TRUTH["white_sd"]),
    }
    return t, values, truth


def cadences(seed):
    """Times of records of many kinds, with the anomaly of growth that each gets."""
    rng = np.random.default_rng(1000 + seed)
    base = 18000.0
    daily = base + np.arange(0.0, 2.2 * 365.25)
    return {
        "monthly, 8 years": (base + np.arange(96) * MONTH + rng.uniform(-4.0, 4.0, 96), ANOMALY),
        "monthly, 4 years": (base + np.arange(48) * MONTH + rng.uniform(-4.0, 4.0, 48), ANOMALY),
        "weekly, 3 years": (base + np.arange(157) * 7.0, ANOMALY),
        "weekly, 6 years": (base + np.arange(313) * 7.0 + rng.uniform(-1.0, 1.0, 313), ANOMALY),
        "two days in five": (daily[rng.random(daily.size) < 0.4], 0.0),
        "weekly pairs": (base + np.repeat(np.arange(130) * 7.0, 2), 0.0),
        "at random, 5 years": (base + rng.uniform(0.0, 5.0 * 365.25, 250), ANOMALY),
        "every third day, 18 months": (base + np.arange(0.0, 1.5 * 365.25, 3.0), 0.0),
    }


@functools.cache
def fitted():
    """Return (cadence, fit, truth) of 48 records."""
    found = []
    for seed in range(6):
        for number, (name, (days, anomaly)) in enumerate(cadences(seed).items()):
            t, values, truth = simulated(100 * seed + number, days, anomaly)
            found.append((name, fit_noise(t, values), truth))
    return found


def determined(name):
    pairs = [(getattr(fit, name), truth[name]) for _, fit, truth in fitted()]
    return [(estimate, truth) for estimate, truth in pairs if estimate.determined]


@pytest.mark.parametrize(
    ("name", "least"),
    [
        ("level", 48),
        ("growth", 40),
        ("peak_to_trough", 48),
        ("month_of_maximum", 48),
        ("underlying_growth", 10),
        ("fast_sd", 40),
        ("synoptic_sd", 25),
        ("memory_days", 12),
        ("slow_sd", 12),
    ],
)
def test_two_standard_errors_hold_the_truth_about_as_often_as_they_should(name, least):
    cases = determined(name)
    assert len(cases) >= least
    held = [low <= truth <= high for (low, high), truth in ((e.interval(2.0), truth) for e, truth in cases)]
    # 95 % by right; with so few records anything from 85 to 100 %
    assert 0.85 <= np.mean(held) <= 1.0


@pytest.mark.parametrize(
    "name", ["level", "growth", "peak_to_trough", "month_of_maximum", "fast_sd", "synoptic_sd", "slow_sd"]
)
def test_what_is_determined_is_not_biased(name):
    cases = determined(name)
    miss = np.array([estimate.value - truth for estimate, truth in cases])
    errors = np.array([estimate.se for estimate, _ in cases])
    # a bias shows in the mean long before it shows in one record: less than half an error of one
    assert abs(np.mean(miss)) < 0.5 * np.sqrt(np.mean(errors**2))
    # and errors are not stated far too large
    assert np.sqrt(np.mean((miss / errors) ** 2)) > 0.5


def test_a_record_never_tells_what_its_cadence_cannot():
    for name, fit, _ in fitted():
        if name.startswith("monthly"):
            assert not fit.synoptic_sd.determined
            assert not fit.memory_days.determined
            assert not fit.white_sd.determined
            assert any("cannot tell the air's day-to-day variability" in line for line in fit.doubts)
        if name in ("two days in five", "weekly pairs", "every third day, 18 months"):
            assert not fit.growth_anomaly_sd.determined
            assert "shorter than 3 years" in fit.growth_anomaly_sd.reason
        if name.endswith("18 months"):
            assert not fit.growth.determined
            assert not fit.slow_sd.determined
            assert any("under 2 years" in line for line in fit.doubts)
        if name.startswith("weekly,"):
            assert not fit.white_sd.determined  # only pairs tell repeatability from weather


def test_pairs_of_flasks_tell_repeatability():
    # the sd of half the difference of a pair is white / sqrt(2): 130 pairs know it to 6 %
    for name, fit, _ in fitted():
        if name == "weekly pairs":
            assert fit.white_sd.determined
            assert fit.white_sd.value == pytest.approx(TRUTH["white_sd"], rel=0.25)
            assert fit.white_sd.se == pytest.approx(TRUTH["white_sd"] / np.sqrt(2 * 130), rel=0.3)
