"""The open weekly CO2 record that ships with statsmodels (`statsmodels.datasets.co2`, 1958-2001) in windows.

The expected numbers were computed from that record apart from this program; each test says which.
"""

import functools

import numpy as np
import pytest
from statsmodels.datasets import co2

from siting.noise.fit import fit_noise
from siting.noise.windows import least_squares_window


@functools.cache
def weekly():
    series = co2.load_pandas().data["co2"]
    days = (series.index.to_numpy() - np.datetime64("1970-01-01")) / np.timedelta64(1, "D")
    good = series.notna().to_numpy()
    return days[good], series.to_numpy()[good]


def window(start, years=3.0):
    days, values = weekly()
    year = 1970.0 + days / 365.25
    inside = (year >= start) & (year < start + years)
    return days[inside], values[inside]


def whole(start):
    """Nine tenths of the weeks of three years are there."""
    return window(start)[0].size >= 0.9 * 156.5


def test_three_year_windows_show_the_season_growth_and_residuals_of_the_open_record():
    # season 6.29 ppm on average (5.55-7.03), residual sd 0.42, lag-1 autocorrelation 0.45
    fits = [least_squares_window(*window(start)) for start in range(1959, 1999) if whole(start)]
    assert len(fits) == 37
    seasons = [fit.peak_to_trough for fit in fits]
    assert np.mean(seasons) == pytest.approx(6.29, abs=0.01)
    assert (min(seasons), max(seasons)) == pytest.approx((5.55, 7.03), abs=0.01)
    assert np.mean([fit.residual_sd for fit in fits]) == pytest.approx(0.42, abs=0.01)
    assert np.mean([fit.lag_one for fit in fits]) == pytest.approx(0.45, abs=0.01)
    # growth 0.68-0.81 ppm a year in windows that start 1959-61
    early = [least_squares_window(*window(start)).growth for start in (1959, 1960, 1961)]
    assert min(early) >= 0.675
    assert max(early) <= 0.815


def test_thinning_a_window_adds_the_error_that_memory_predicts_and_years_differ_by_more():
    # Each thinned fit against its own window's full fit: scatter .0215 / .052 / .084 ppm/yr for every 2nd, 4th, 8th
    # week; predicted root of (variance thinned - variance full) about .025 / .053 / .093 with sd .42 and lag-1 .45.
    starts = [start for start in np.arange(1958.25, 1999.0, 0.5) if whole(start)]
    scatter = {2: [], 4: [], 8: []}
    full = []
    for start in starts:
        days, values = window(start)
        growth = least_squares_window(days, values).growth
        full.append(growth)
        for step, found in scatter.items():
            found += [
                least_squares_window(days[phase::step], values[phase::step]).growth - growth for phase in range(step)
            ]
    measured = {step: float(np.std(found)) for step, found in scatter.items()}
    predicted = {step: np.sqrt(slope_variance(step) - slope_variance(1)) for step in scatter}
    assert list(measured.values()) == pytest.approx([0.0215, 0.052, 0.084], rel=0.07)
    assert list(predicted.values()) == pytest.approx([0.025, 0.053, 0.093], rel=0.03)
    for step, found in measured.items():
        assert found == pytest.approx(predicted[step], rel=0.25)
    # Across windows (.42-.45 ppm/yr) the scatter is many times the error of any of them: growth itself changes.
    across = float(np.std(full, ddof=1))
    assert 0.37 <= across <= 0.47
    assert across > 3.0 * np.sqrt(slope_variance(8))


def slope_variance(step, sd=0.42, lag_one=0.45, weeks=157):
    """Variance of the least-squares growth of three years in AR(1) noise, mean over the phases of thinning."""
    found = []
    for phase in range(step):
        week = np.arange(phase, weeks, step)
        t = week * 7.0 / 365.25
        w = 2.0 * np.pi * t
        x = np.column_stack([np.ones_like(t), t, np.cos(w), np.sin(w), np.cos(2 * w), np.sin(2 * w)])
        row = np.linalg.pinv(x)[1]
        found.append(row @ (sd**2 * lag_one ** np.abs(week[:, None] - week)) @ row)
    return float(np.mean(found))


@pytest.fixture(scope="module")
def twenty_years():
    days, values = window(1980, 20.0)
    return fit_noise(days, values)


def test_change_of_growth_between_years_explains_the_scatter_across_windows(twenty_years):
    # sd of yearly growth about .5 ppm/yr in the open record
    low, high = twenty_years.growth_anomaly_sd.interval(2.0)
    assert twenty_years.growth_anomaly_sd.determined
    assert low < 0.5 < high
    # the slope of a line through three years with independent anomalies of sd s scatters by .605 s (by hand: the
    # three ramps have slopes 7/27, 13/27, 7/27): about .3 of the .42-.45 seen; slower changes make up the rest
    assert 0.2 < 0.6049 * twenty_years.growth_anomaly_sd.value < 0.45


def test_the_fit_of_twenty_years_agrees_with_least_squares_where_both_must(twenty_years):
    plain = least_squares_window(*window(1980, 20.0))
    assert twenty_years.growth.value == pytest.approx(plain.growth, abs=0.02)
    assert twenty_years.peak_to_trough.value == pytest.approx(plain.peak_to_trough, abs=0.1)
    assert twenty_years.month_of_maximum.value == pytest.approx(plain.month_of_maximum, abs=0.1)
    # highest in May (a fact of the northern record, common practice, no single source)
    assert 5.0 < twenty_years.month_of_maximum.value < 6.0
    assert twenty_years.growth.se < twenty_years.underlying_growth.se
    # week to week: synoptic and white together, below the residual sd of .42 that holds slow changes as well
    assert 0.25 < twenty_years.fast_sd.value < 0.42
