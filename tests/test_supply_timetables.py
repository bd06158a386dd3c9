"""Timetables: waits against renewal theory and plain simulations, gaps and days against day-by-day searches.

Waiting of unscheduled arrivals for the next of departures with gaps I averages sum(I^2) / (2 sum I), half the interval
where they are even (renewal theory; common practice, no single source). Timetables are invented.
"""

import datetime
import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.supply.timetable import Timetable

MONTHS = st.sets(st.integers(1, 12), min_size=1).map(frozenset)
DATES = st.sets(st.integers(0, 364), min_size=1, max_size=12).map(lambda days: tuple(float(d) for d in sorted(days)))
TIMETABLES = st.one_of(
    st.builds(lambda dates: Timetable(dates=dates), DATES),
    st.builds(
        lambda rate, months: Timetable(a_year=rate, months=months),
        st.one_of(st.none(), st.floats(0.25, 400.0)),
        MONTHS,
    ),
)
SEASON = frozenset({11, 12, 1, 2})


def month(day):
    """Return the month of a day of a common year, by the calendar of the standard library."""
    return (datetime.date(2030, 1, 1) + datetime.timedelta(days=day % 365)).month


def is_open(timetable, day):
    return month(day) in timetable.months


def simulated_wait(dates, seed, arrivals=200_000):
    """Return the mean wait of arrivals at random for the next of the dates, one arrival at a time counted."""
    rng = np.random.default_rng(seed)
    every = np.array([*dates, dates[0] + 365.0])
    t = rng.uniform(dates[0], dates[0] + 365.0, arrivals)
    return float(np.mean(every[np.searchsorted(every, t)] - t))


@pytest.mark.parametrize("k", [1, 2, 4, 12, 52, 365])
def test_unscheduled_arrivals_wait_half_the_interval_of_even_departures(k):
    assert Timetable(a_year=float(k)).mean_wait() == pytest.approx(365.25 / k / 2)


@pytest.mark.parametrize(
    ("dates", "wait"),
    [
        ((0.0,), 182.5),
        ((10.0, 110.0), (100**2 + 265**2) / (2 * 365)),
        ((0.0, 73.0, 146.0, 219.0, 292.0), 36.5),
        ((0.0, 30.0, 90.0), (30**2 + 60**2 + 275**2) / (2 * 365)),
    ],
)
def test_uneven_departures_make_the_mean_wait_longer_than_half_the_mean_gap(dates, wait):
    found = Timetable(dates=dates).mean_wait()
    assert found == pytest.approx(wait)
    assert found >= 365 / len(dates) / 2 - 1e-9


@pytest.mark.parametrize("seed", range(5))
def test_the_mean_wait_for_named_days_is_that_of_a_simulation_of_many_arrivals(seed):
    rng = np.random.default_rng(seed)
    dates = tuple(float(d) for d in sorted(rng.choice(365, int(rng.integers(1, 9)), replace=False)))
    assert Timetable(dates=dates).mean_wait() == pytest.approx(simulated_wait(dates, seed), rel=0.01)


@pytest.mark.parametrize("k", [1, 2, 3, 6])
@pytest.mark.parametrize("months", [frozenset({6, 7}), SEASON])
def test_the_mean_wait_with_closed_months_is_that_of_departures_at_a_random_place_in_the_season(k, months):
    """k - 1 gaps of I = open / k and one of I with the closed days, wherever in the season the first one falls."""
    timetable = Timetable(a_year=float(k), months=months)
    opened = sum(is_open(timetable, day) for day in range(365))
    gap, closed = opened / k, 365 - opened
    wait = ((k - 1) * gap**2 + (gap + closed) ** 2) / (2 * 365)
    assert timetable.mean_wait() == pytest.approx(wait, rel=0.01)


def test_the_mean_wait_for_a_road_that_is_open_half_the_year_is_that_of_its_closed_half():
    """April to September, any day: nobody waits in 183 days, the others wait half of 182 days on average."""
    timetable = Timetable(months=frozenset(range(4, 10)))
    assert timetable.mean_wait() == pytest.approx(182 / 2 * 182 / 365, abs=0.1)


def test_one_departure_in_a_season_leaves_in_the_coming_season_for_certain():
    """June and July (days 151 to 211): what is ready on May 1 has left by August 1, and each gap is a year."""
    timetable = Timetable(a_year=1.0, months=frozenset({6, 7}))
    assert timetable.leaves(np.array([120.0, 151.0])).tolist() == [212.0, 212.0]
    assert timetable.leaves(np.array([212.0]))[0] == 365 + 212
    assert timetable.longest_gap == pytest.approx(365.0)


def test_a_closed_season_is_part_of_the_longest_gap():
    """Any day from June to July: a year less 61 days pass without a departure."""
    assert Timetable(months=frozenset({6, 7})).longest_gap == 365 - 61
    assert Timetable(months=frozenset({6, 7})).arrivals(10).turned().longest_gap == 365 - 61
    assert Timetable(a_year=2.0, months=frozenset({6, 7})).longest_gap == pytest.approx(365 - 61 + 30.5)


@given(DATES)
def test_the_longest_gap_of_named_days_is_that_of_a_day_by_day_search(dates):
    longest, since = 0, 0
    for day in range(int(dates[0]) + 1, int(dates[0]) + 366):
        since += 1
        if day % 365 in dates:
            longest, since = max(longest, since), 0
    assert Timetable(dates=dates).longest_gap == longest


def gone_by(timetable, day, interval):
    """Return when something ready at the beginning of a day has left: whole open days are counted one by one."""
    if interval == 0:
        while not is_open(timetable, day):
            day += 1
        return day
    passed = 0
    while passed < interval:
        passed += is_open(timetable, day)
        day += 1
    return day


@given(MONTHS, st.integers(1, 40), st.integers(0, 3000))
def test_even_departures_and_closed_months_leave_as_a_count_of_open_days_says(months, interval, day):
    opened = sum(month(k) in months for k in range(365))
    total = 365.25 if months == frozenset(range(1, 13)) else opened
    timetable = Timetable(a_year=total / interval, months=months)
    assert timetable.leaves(np.array([float(day)]))[0] == pytest.approx(gone_by(timetable, day, interval))
    free = Timetable(months=months)
    assert free.leaves(np.array([float(day)]))[0] == gone_by(free, day, 0)


@pytest.mark.parametrize("months", [frozenset({6, 7}), SEASON, frozenset({1, 4, 9})])
@pytest.mark.parametrize("interval", [1, 7, 30])
def test_the_longest_gap_with_closed_months_is_that_of_a_day_by_day_search(months, interval):
    opened = [day for day in range(365) if month(day) in months]
    timetable = Timetable(a_year=len(opened) / interval, months=months)
    longest = max(gone_by(timetable, day + 1, interval) - day - 1 for day in opened)
    assert timetable.longest_gap == pytest.approx(longest)


@given(DATES, st.integers(0, 2000))
def test_a_named_departure_is_the_next_of_its_days(dates, day):
    wanted = next(d for d in itertools.count(day) if d % 365 in dates)
    assert Timetable(dates=dates).leaves(np.array([float(day)]))[0] == wanted


@given(TIMETABLES, st.floats(0.0, 60.0), st.booleans(), st.lists(st.floats(-800.0, 1500.0), min_size=2, max_size=40))
def test_what_is_ready_later_never_leaves_earlier_and_nothing_leaves_before_it_is_ready(timetable, days, back, times):
    """First in, first out, which time-dependent shortest ways ask for (Dreyfus 1969, Operations Research 17, 395)."""
    timetable = timetable.arrivals(days)
    timetable = timetable.turned() if back else timetable
    t = np.sort(np.array([*times, *np.round(times)]))
    for left in (timetable.leaves(t), timetable.mean_leaves(t)):
        assert np.all(left >= t - 1e-9)
        assert np.all(np.diff(left) >= -1e-6)
    assert np.all(timetable.mean_leaves(t) <= timetable.leaves(t) + 1e-6)


@given(TIMETABLES)
def test_nobody_waits_longer_than_the_longest_gap(timetable):
    t = np.arange(365.0)
    waits = timetable.leaves(t) - t
    slack = 0.0 if timetable.dates else timetable.interval + 1.0
    assert waits.max() <= timetable.longest_gap + slack + 1e-6


@given(DATES, st.integers(0, 700))
def test_arrivals_come_so_many_days_after_departures(dates, days):
    assert set(Timetable(dates=dates).arrivals(days).dates) == {(date + days) % 365 for date in dates}


@given(MONTHS, st.integers(0, 700))
def test_arrivals_of_a_season_are_open_so_many_days_later(months, days):
    shifted = Timetable(months=months).arrivals(days).open_days
    assert shifted.tolist() == [month(day - days) in months for day in range(365)]


@given(DATES, st.integers(1, 2000))
def test_turned_named_days_give_the_last_departure_before_a_deadline(dates, deadline):
    wanted = next(d for d in itertools.count(deadline, -1) if d % 365 in dates)
    back = Timetable(dates=dates).turned()
    assert -back.leaves(np.array([-float(deadline)]))[0] == wanted


@given(MONTHS, st.integers(0, 90), st.integers(1, 2000))
def test_turned_seasons_give_the_last_arrival_by_a_deadline(months, days, deadline):
    """A whole day is a moment at which one may set out if that day is open, or the day that it ends was."""
    wanted = next(
        d for d in itertools.count(deadline, -1) if month(d - days) in months or month(d - days - 1) in months
    )
    back = Timetable(months=months).arrivals(days).turned()
    assert -back.leaves(np.array([-float(deadline)]))[0] == wanted


@given(MONTHS, st.integers(0, 90), st.integers(1, 30), st.integers(1, 2000))
def test_turned_even_departures_give_the_last_arrival_that_is_certain(months, days, interval, deadline):
    """One of the even ships surely came within so many open days before the deadline."""
    opened = sum(month(k) in months for k in range(365))
    total = 365.25 if opened == 365 else opened
    back = Timetable(a_year=total / interval, months=months).arrivals(days).turned()
    day, passed = deadline, 0
    while passed < interval:
        day -= 1
        passed += month(day - days) in months
    assert -back.leaves(np.array([-float(deadline)]))[0] == pytest.approx(day)


@given(TIMETABLES)
def test_turning_time_round_twice_changes_nothing(timetable):
    t = np.arange(0.0, 365.0, 0.25)
    again = timetable.turned().turned()
    np.testing.assert_allclose(again.leaves(t), timetable.leaves(t), rtol=0, atol=1e-9)
    assert again.longest_gap == pytest.approx(timetable.longest_gap)


@given(DATES, st.floats(0.3, 15.0))
def test_thinned_named_days_are_some_of_the_days_and_no_more_than_asked_for(dates, most):
    thinned = Timetable(dates=dates).thinned(most)
    assert set(thinned.dates) <= set(dates)
    assert len(thinned.dates) == min(len(dates), max(1, int(most)))
    # Left out evenly: of n days with m kept, at most one more than n / m lie from one kept day to the next.
    kept = [dates.index(day) for day in thinned.dates]
    steps = np.diff(kept, append=kept[0] + len(dates))
    assert steps.max() - steps.min() <= 1


def test_thinned_even_departures_are_even_with_fewer_a_year():
    assert Timetable(a_year=52.0).thinned(12.0).mean_wait() == pytest.approx(365.25 / 24)
    assert Timetable().thinned(4.0).longest_gap == pytest.approx(365.25 / 4)
    assert Timetable(a_year=2.0).thinned(12.0).departures == 2.0


def test_every_second_of_twelve_monthly_sailings_is_kept():
    sailings = tuple(float(day) for day in range(0, 360, 30))
    assert Timetable(dates=sailings).thinned(6.5).dates == sailings[::2]


@pytest.mark.parametrize("k", [1, 4, 12])
def test_even_departures_stand_for_days_in_the_open_months_with_equal_open_days_between_them(k):
    timetable = Timetable(a_year=float(k), months=SEASON)
    days = timetable.nominal()
    assert len(days) == k
    opened = [sum(is_open(timetable, day) for day in range(int(end))) for end in days]
    assert all(is_open(timetable, int(np.ceil(day)) - 1) for day in days)
    assert np.ptp(np.diff(opened)) <= 1.0 if k > 2 else True


@pytest.mark.parametrize(
    "wrong", [lambda: Timetable(months=frozenset()), lambda: Timetable(a_year=0.0), lambda: Timetable().thinned(0.0)]
)
def test_timetables_without_any_departure_are_refused(wrong):
    with pytest.raises(ValueError, match=r"some month|above 0"):
        wrong()
