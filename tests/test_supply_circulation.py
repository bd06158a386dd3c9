"""Flasks in circulation: a worked example, Little's law, and a day-by-day simulation.

Little's law, mean number = rate x mean time (Little 1961, Operations Research 9, 383). Whole intervals at the peak:
flasks are exchanged at calls only (common practice, no single source). Numbers are invented.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.supply.circulation import mean_in_circulation, peak_in_circulation
from siting.supply.rounds import turnaround
from siting.supply.timetable import Timetable

OPEN = np.ones(12, dtype=bool)
LENGTHS = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
WAYS = st.integers(0, 500)


def simulated(sizes, calls, out, home, year=365):
    """Return mean and peak of flasks away from the shelf: every day of a late year, every batch of every year.

    Flasks for the gap after a call leave the shelf `out` days before it and are back `home` days after the next call.
    """
    gaps = [b - a for a, b in zip(calls, [*calls[1:], calls[0] + year], strict=True)]
    late = year * 20
    counts = []
    for day in range(late, late + year):
        count = 0.0
        for size, call, gap in zip(sizes, calls, gaps, strict=True):
            for begun in range(0, late + 10 * year, year):
                count += size * (begun + call - out <= day < begun + call + gap + home)
        counts.append(count)
    return float(np.mean(counts)), max(counts)


def filled(open_months, calls):
    """Return the share of a year's open days that lie between each call and the next, day by day."""
    worked = [is_open for is_open, length in zip(open_months, LENGTHS, strict=True) for _ in range(length)]
    ends = [*calls[1:], calls[0] + 365]
    return [sum(worked[d % 365] for d in range(a, b)) / sum(worked) for a, b in zip(calls, ends, strict=True)]


def test_104_flasks_with_a_yearly_call_are_138_on_average_and_208_at_the_peak():
    """30 days each way and 60 in the laboratory: 104 x (365 + 120) / 365 = 138; two yearly sets at the peak."""
    sizes, calls, gaps = np.array([104.0]), np.array([0.0]), np.array([365.0])
    assert mean_in_circulation(sizes, gaps, 120.0, 365.0) == pytest.approx(138.19, abs=0.01)
    assert peak_in_circulation(sizes, calls, gaps, 30.0, 90.0, 365.0) == 208
    for timetable in (Timetable(a_year=1.0), Timetable(dates=(20.0,))):
        turn = turnaround(timetable, 12.0, 104.0, OPEN, 30.0, 30.0, 60.0, 60.0)
        assert round(turn.mean) == 138
        assert turn.peak == 208
        assert turn.calls == 1


def test_the_oldest_sample_has_waited_a_whole_gap_and_gone_home():
    turn = turnaround(Timetable(dates=(0.0, 100.0)), 12.0, 40.0, OPEN, 20.0, 25.0, 45.0, 10.0)
    assert turn.longest_gap == 265
    assert turn.oldest == 265 + 25


@pytest.mark.parametrize("k", [1, 2, 5, 12])
@pytest.mark.parametrize(("out", "home"), [(0, 0), (10, 15), (30, 90), (200, 260), (73, 292)])
def test_mean_and_peak_of_even_calls_are_those_of_a_simulation_day_by_day(k, out, home):
    calls = [73 * j for j in range(k)] if k == 5 else [365 // k * j for j in range(k)]
    sizes = [8.0] * k
    mean, peak = simulated(sizes, calls, out, home)
    gaps = np.diff(calls, append=calls[0] + 365).astype(float)
    assert mean_in_circulation(np.array(sizes), gaps, float(out + home), 365.0) == pytest.approx(mean)
    assert peak_in_circulation(np.array(sizes), np.array(calls, float), gaps, out, home, 365.0) == peak
    if np.ptp(gaps) == 0.0:
        assert peak == 8 * -(-(gaps[0] + out + home) // gaps[0])  # (rate / calls) x ceil(W / I)


@pytest.mark.parametrize("seed", range(12))
def test_mean_and_peak_of_uneven_calls_are_those_of_a_simulation_day_by_day(seed):
    rng = np.random.default_rng(seed)
    calls = sorted(rng.choice(365, int(rng.integers(1, 7)), replace=False).tolist())
    sizes = rng.integers(0, 30, len(calls)).astype(float)
    out, home = (int(v) for v in rng.integers(0, 400, 2))
    mean, peak = simulated(sizes, calls, out, home)
    gaps = np.diff(calls, append=calls[0] + 365).astype(float)
    assert mean_in_circulation(sizes, gaps, float(out + home), 365.0) == pytest.approx(mean)
    assert peak_in_circulation(sizes, np.array(calls, float), gaps, out, home, 365.0) == peak


@pytest.mark.parametrize("seed", range(12))
def test_glass_goes_round_on_named_days_as_a_simulation_with_open_months_says(seed):
    rng = np.random.default_rng(100 + seed)
    calls = sorted(rng.choice(365, int(rng.integers(1, 7)), replace=False).tolist())
    open_months = rng.random(12) < 0.6
    open_months[int(rng.integers(12))] = True
    out, home, stay = (int(v) for v in rng.integers(0, 150, 3))
    sizes = [120.0 * share for share in filled(open_months, calls)]
    mean, peak = simulated(sizes, calls, out, home + stay)
    timetable = Timetable(dates=tuple(float(c) for c in calls))
    turn = turnaround(timetable, 366.0, 120.0, open_months, out, home, float(out + home), stay)
    assert turn.mean == pytest.approx(mean)
    assert turn.peak == int(np.ceil(round(peak, 6)))
    assert turn.calls == len(calls)


@pytest.mark.parametrize("k", [1, 2, 4, 12, 52])
def test_even_calls_bind_a_call_of_flasks_for_each_interval_begun(k):
    turn = turnaround(Timetable(), float(k), 104.0, OPEN, 30.0, 30.0, 60.0, 60.0)
    interval = 365.25 / k
    assert turn.peak == int(np.ceil(104 / k * np.ceil((interval + 120) / interval) - 1e-9))
    assert turn.mean == pytest.approx(104 / 365.25 * (interval + 120))  # rate x time, Little 1961


def test_a_supply_by_named_days_thinned_to_yearly_calls_is_that_of_one_day():
    twelve = Timetable(dates=tuple(float(d) for d in range(0, 360, 30)))
    one = turnaround(twelve, 1.0, 104.0, OPEN, 30.0, 30.0, 60.0, 60.0)
    assert (one.calls, one.peak) == (1.0, 208)


def test_no_open_month_binds_no_flasks():
    turn = turnaround(Timetable(dates=(0.0,)), 1.0, 104.0, np.zeros(12, dtype=bool), 30.0, 30.0, 60.0, 60.0)
    assert (turn.mean, turn.peak) == (0.0, 0)


@given(
    st.lists(st.tuples(st.integers(0, 364), st.integers(0, 40)), min_size=1, max_size=8, unique_by=lambda c: c[0]),
    WAYS, WAYS, WAYS, WAYS,
)  # fmt: skip
def test_a_longer_way_never_lowers_mean_or_peak(given_calls, out, home, more_out, more_home):
    calls, sizes = (np.array(v, dtype=float) for v in zip(*sorted(given_calls), strict=True))
    gaps = np.diff(calls, append=calls[0] + 365.0)
    means = [mean_in_circulation(sizes, gaps, float(w), 365.0) for w in (out + home, out + home + more_out + more_home)]
    peaks = [
        peak_in_circulation(sizes, calls, gaps, float(a), float(b), 365.0)
        for a, b in ((out, home), (out + more_out, home), (out + more_out, home + more_home))
    ]
    assert means[0] <= means[1]
    assert peaks[0] <= peaks[1] <= peaks[2]
    # A peak is never below the mean, and no more than every batch with one more than the whole years it is away.
    assert peaks[0] >= means[0] - 1e-6


@given(st.sampled_from([1.0, 2.0, 3.5, 12.0, 26.0]), st.booleans(), st.integers(0, 300), st.integers(0, 300))
def test_a_longer_way_never_lowers_what_goes_round_at_a_place(most, dated, way, more):
    timetable = Timetable(dates=(5.0, 60.0, 200.0)) if dated else Timetable()
    short, long = (turnaround(timetable, most, 100.0, OPEN, w, w, 2.0 * w, 30.0) for w in (way, way + more))
    assert short.mean <= long.mean
    assert short.peak <= long.peak
    assert short.oldest <= long.oldest


def test_negative_days_are_refused():
    one = np.array([1.0])
    with pytest.raises(ValueError, match="0 or more"):
        mean_in_circulation(one, -one, 1.0, 365.0)
    with pytest.raises(ValueError, match="0 or more"):
        peak_in_circulation(one, one, one, -1.0, 0.0, 365.0)
    with pytest.raises(ValueError, match="finite"):
        turnaround(Timetable(), np.inf, 1.0, OPEN, 1.0, 1.0, 2.0, 1.0)
