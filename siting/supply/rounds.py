"""Rounds of a candidate: a way home joined with a way out, how often it is made, and how long glass is away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Floats
from siting.supply.circulation import even_circulation, mean_in_circulation, peak_in_circulation
from siting.supply.network import Arc
from siting.supply.timetable import CALENDAR, Timetable
from siting.supply.ways import EQUAL, Way

# Rounds of one candidate that are looked at further, the cheapest first and the fastest among them.
MOST_ROUNDS = 60


@dataclass(frozen=True, eq=False)
class Round:
    """One way home with one way out.

    `home` and `out` are arc numbers in the order of travel; `price` of a box for both ways (currency); `shared` fixed
    costs and `limited` arcs as in `Way`; `home_days`, `out_days` on the longest, `mean_days` of both together on
    average; `calls` the timetable of exchanges at the place.
    """

    home: tuple[int, ...]
    out: tuple[int, ...]
    price: float
    shared: frozenset[int]
    limited: frozenset[int]
    home_days: float
    out_days: float
    mean_days: float
    calls: Timetable


def rounds_of(home: Sequence[Way], out: Sequence[Way], arcs: Sequence[Arc]) -> tuple[Round, ...]:
    """Return the undominated rounds of a place, the cheapest first; `arcs` are those of the network."""
    every = [_joined(one, other, arcs[one.arcs[0]].leg == arcs[other.arcs[-1]].leg) for one in home for other in out]
    every.sort(key=lambda r: (r.price, len(r.home) + len(r.out), r.home, r.out))
    kept: list[Round] = []
    for one in every:
        if not any(_beats(other, one) for other in kept):
            kept.append(one)
    if len(kept) > MOST_ROUNDS:
        fastest = min(kept, key=lambda r: (r.home_days + r.out_days, r.price))
        kept = [*kept[: MOST_ROUNDS - 1], *([] if fastest in kept[: MOST_ROUNDS - 1] else [fastest])]
    return tuple(kept)


def _joined(home: Way, out: Way, same: bool) -> Round:
    """Join a way home with a way out; where they do not meet at the `same` leg, one waits for the other."""
    rare = min((home.timetable, out.timetable), key=lambda t: (t.departures, -t.longest_gap))
    home_days, out_days, mean = home.longest, out.longest, home.mean + out.mean
    if not same:
        # Flasks change when the rarer leg calls; the other way counts with its wait there.
        calls = np.ceil(rare.days() - EQUAL).astype(int)
        if rare is home.timetable:
            days = (CALENDAR - calls) % CALENDAR
            out_days, mean = float(out.wait[days].max()), home.mean + float(out.likely[days].mean())
        else:
            days = calls % CALENDAR
            home_days, mean = float(home.wait[days].max()), float(home.likely[days].mean()) + out.mean
    return Round(
        home.arcs,
        out.arcs,
        home.price + out.price,
        home.shared | out.shared,
        home.limited | out.limited,
        home_days,
        out_days,
        mean,
        rare,
    )


def _beats(one: Round, other: Round) -> bool:
    return (
        one.price <= other.price + EQUAL
        and one.shared <= other.shared
        and one.limited <= other.limited
        and one.home_days <= other.home_days + EQUAL
        and one.home_days + one.out_days <= other.home_days + other.out_days + EQUAL
        and one.calls.departures >= other.calls.departures
        and one.calls.longest_gap <= other.calls.longest_gap + EQUAL
    )


@dataclass(frozen=True)
class Turnaround:
    """How glass goes round at a place.

    `calls` a year, the wait of a sample for one on average, the longest time between them and the longest age of a
    sample when it reaches the laboratory (days), flasks in circulation on average and at the peak.
    """

    calls: float
    mean_wait: float
    longest_gap: float
    oldest: float
    mean: float
    peak: int


def turnaround(
    calls: Timetable, most: float, flasks: float, open_months: Bools, out: float, home: float, mean: float, stay: float
) -> Turnaround:
    """Return how `flasks` a year go round with at most `most` calls a year.

    `open_months` (12,) says when flasks are filled; `out` and `home` are days on the longest, `mean` both
    together on average, `stay` the days in the laboratory. Flasks are filled evenly over the open months.
    """
    if np.isinf(min(calls.departures, most)):
        raise ValueError("calls a year must be finite")
    exchanged = calls.thinned(most)
    times = min(exchanged.departures, most)
    gap = exchanged.longest_gap
    if exchanged.even:
        # Dates that nobody knows: every gap is alike. The peak goes by the longest ways, the mean by the usual ones.
        averages, peaks = even_circulation(
            np.array([flasks, flasks]), np.array([times, times]), np.array([mean + stay, out + home + stay])
        )
        return Turnaround(times, exchanged.mean_wait(), gap, gap + home, float(averages[0]), int(peaks[1]))
    days = exchanged.nominal()
    gaps = np.diff(days, append=days[0] + CALENDAR)
    sizes = flasks * _shares(days, gaps, open_months)
    peak = peak_in_circulation(sizes, days, gaps, out, home + stay, float(CALENDAR))
    average = mean_in_circulation(sizes, gaps, mean + stay, float(CALENDAR))
    return Turnaround(float(days.size), exchanged.mean_wait(), gap, gap + home, average, peak)


def _shares(days: Floats, gaps: Floats, open_months: Bools) -> Floats:
    """Return the share of a year's samples that falls into the gap after each call."""
    if not open_months.any():
        return np.zeros(days.size)
    worked = Timetable(months=frozenset((np.flatnonzero(open_months) + 1).tolist()))
    return np.asarray((worked.opened(days + gaps) - worked.opened(days)) / worked.open_days.sum())
