"""When a leg departs: waits on the longest and on average, gaps, and days of departure over the year.

Times are days from January 1 of some year, of any size; the calendar repeats every 365 days. A timetable is
**dated** (named days) or **even**: departures evenly spread over the open days, whose dates nobody knows, or
on any open day. Waiting of unscheduled arrivals for the next of uneven calls with gaps I averages
sum(I^2) / (2 sum I), half the gap where they are even (renewal theory; common practice).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.deployments import DAYS_PER_YEAR
from siting.region.transport import month_of

CALENDAR = 365
ALWAYS = frozenset(range(1, 13))
# Points at which the wait for a departure of unknown date is averaged.
PHASES = 32
# Month (1-12) of each day of the year.
_MONTHS = np.array([month_of(day) for day in range(CALENDAR)])


@dataclass(frozen=True)
class Timetable:
    """Departures of one leg: named days `dates` (0-364, ascending) or `a_year` even ones in `months` (None: any day).

    `shift` is added to every day on which it is open (for arrivals), `mirrored` turns the calendar round.
    """

    dates: tuple[float, ...] = ()
    a_year: float | None = None
    months: frozenset[int] = ALWAYS
    shift: float = 0.0
    mirrored: bool = False

    def __post_init__(self) -> None:
        if not self.months:
            raise ValueError("a timetable must be open in some month")
        if self.a_year is not None and not self.a_year > 0.0:
            raise ValueError("departures a year must be above 0")

    @property
    def even(self) -> bool:
        """Say whether departures are evenly spread over the whole year, or on any day of it."""
        return not self.dates and self.months == ALWAYS

    @property
    def departures(self) -> float:
        """Departures a year, infinite for any day."""
        return float(len(self.dates)) if self.dates else np.inf if self.a_year is None else self.a_year

    @cached_property
    def open_days(self) -> Bools:
        """Mask (365,) of the days on which it departs."""
        days = np.isin(_MONTHS, sorted(self.months))
        days = np.roll(days, round(self.shift))
        return days[::-1].copy() if self.mirrored else days

    @cached_property
    def _cumulated(self) -> Floats:
        """Open days (366,) before each day of the year."""
        return np.concatenate([[0.0], np.cumsum(self.open_days)]).astype(float)

    @cached_property
    def _ahead(self) -> Ints:
        """Days (365,) from each day to the next open one, 0 on open ones."""
        twice = np.flatnonzero(np.concatenate([self.open_days, self.open_days]))
        days = np.arange(CALENDAR)
        return np.asarray(twice[np.searchsorted(twice, days)] - days, dtype=np.int64)

    @property
    def interval(self) -> float:
        """Open days between even departures, 0 for any day."""
        if self.a_year is None:
            return 0.0
        # A season of the calendar has whole days: with a quarter of a day more, the one departure of a season
        # could seem to fall into the season after the next.
        return (DAYS_PER_YEAR if self.even else float(self._cumulated[-1])) / self.a_year

    def opened(self, t: Floats) -> Floats:
        """Return the open days until times t (any shape)."""
        years, day = np.divmod(t, CALENDAR)
        return np.asarray(years * self._cumulated[-1] + np.interp(day, np.arange(CALENDAR + 1), self._cumulated))

    def _reached(self, opened: Floats) -> Floats:
        """Return the first time at which so many open days have passed."""
        total = self._cumulated[-1]
        years = np.ceil(opened / total) - 1.0
        rest = opened - years * total
        upper = np.searchsorted(self._cumulated, rest - 1e-9, side="left")
        upper = np.clip(upper, 1, CALENDAR)
        return np.asarray(years * CALENDAR + upper - (self._cumulated[upper] - rest))

    def _open_from(self, t: Floats) -> Floats:
        """Return t where it is open then, else the beginning of the next open day."""
        day = np.floor(t + 1e-9)
        wait = self._ahead[(day % CALENDAR).astype(int)]
        is_open = wait == 0
        if self.mirrored:
            # Backwards, the moment at which an open day begins is the end of that day, and belongs to it.
            is_open |= (np.abs(t - day) <= 1e-9) & self.open_days[((day - 1) % CALENDAR).astype(int)]
        return np.where(is_open, t, day + wait)

    def leaves(self, t: Floats, interval: float | None = None) -> Floats:
        """Return the times by which something ready at t (any shape) has left for certain.

        `interval`, open days between departures, replaces the timetable's own. Never decreases with t.
        """
        t = np.asarray(t, dtype=float)
        if self.dates:
            dates = np.array(self.dates)
            years, day = np.divmod(t - 1e-9, CALENDAR)
            place = np.searchsorted(dates, day, side="left")
            following = np.append(dates, dates[0] + CALENDAR)[place]
            return np.asarray(np.maximum(years * CALENDAR + following, t))
        interval = self.interval if interval is None else interval
        if interval == 0.0:
            return self._open_from(t)
        if self.even:
            return t + interval
        return np.asarray(np.maximum(t, self._reached(self.opened(t) + interval)))

    def mean_leaves(self, t: Floats) -> Floats:
        """Return the expected times at which something ready at t (any shape) leaves."""
        t = np.asarray(t, dtype=float)
        if self.dates or self.interval == 0.0:
            return self.leaves(t)
        if self.even:
            return t + self.interval / 2.0
        phases = (np.arange(PHASES) + 0.5) / PHASES * self.interval
        return np.asarray(np.mean([self.leaves(t, phase) for phase in phases], axis=0))

    def mean_wait(self) -> float:
        """Return the wait in days of something that comes at any time of the year, on average."""
        return self._mean_wait

    @cached_property
    def _mean_wait(self) -> float:
        if self.dates:
            gaps = np.diff(self.dates, append=self.dates[0] + CALENDAR)
            return float((gaps**2).sum() / (2.0 * gaps.sum()))
        if self.even:
            return self.interval / 2.0
        t = np.array([(k + 0.5) / 8.0 for k in range(8 * CALENDAR)])
        return float(np.mean(self.mean_leaves(t) - t))

    def days(self) -> Floats:
        """Return the days of the year on which it may depart: named days, or all open ones."""
        return np.array(self.dates) if self.dates else np.flatnonzero(self.open_days).astype(float)

    @cached_property
    def longest_gap(self) -> float:
        """The longest time in days from one departure to the next."""
        if self.mirrored:
            return self.turned().longest_gap
        if self.dates:
            return float(np.diff(self.dates, append=self.dates[0] + CALENDAR).max())
        if self.even:
            return self.interval
        ends = np.flatnonzero(self.open_days).astype(float) + 1.0
        return float((self.leaves(ends) - ends).max())

    def nominal(self) -> Floats:
        """Return days of departure: the named ones, or where even ones would be (at least one, every day at most)."""
        if self.dates:
            return np.array(self.dates)
        count = CALENDAR if self.a_year is None else int(np.clip(np.rint(self.a_year), 1, CALENDAR))
        step = self._cumulated[-1] / count
        return self._reached((np.arange(count) + 0.5) * step)

    def thinned(self, most: float) -> Timetable:
        """Return the timetable with at most so many departures a year; named days are left out evenly."""
        if not most > 0.0:
            raise ValueError("calls a year must be above 0")
        if self.departures <= most:
            return self
        if not self.dates:
            return replace(self, a_year=most)
        keep = max(1, int(np.floor(most)))
        chosen = np.unique(np.floor(np.arange(keep) * len(self.dates) / keep).astype(int))
        return replace(self, dates=tuple(self.dates[k] for k in chosen))

    def arrivals(self, days: float) -> Timetable:
        """Return the timetable of arrivals of a way that takes some days."""
        dates = tuple(sorted((date + days) % CALENDAR for date in self.dates))
        return replace(self, dates=dates, shift=self.shift + days)

    def turned(self) -> Timetable:
        """Return the timetable with time running backwards, for ways that must arrive in time."""
        dates = tuple(sorted((CALENDAR - date) % CALENDAR for date in self.dates))
        return replace(self, dates=dates, mirrored=not self.mirrored)
