"""When each picked deployment asks for permits, orders, ships, installs and samples, month by month."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Floats, Ints
from siting.calibration import calibration_plan
from siting.deployments import DAYS_PER_MONTH, parts_of
from siting.planning import Planning
from siting.region.transport import month_of
from siting.supply.estimate import estimates
from siting.supply.timetable import CALENDAR

APPLY, ORDER, SHIP, INSTALL, FIRST_SAMPLE = "apply for permits", "order", "ship", "install", "first sample"
FLASKS_ALONE = "flasks alone"
ORDER_ANALYZER, SHIP_ANALYZER, INSTALL_ANALYZER = "order analyzer", "ship analyzer", "install analyzer"
FLASKS_STOP = "flasks stop"
ACTIONS = (
    *(APPLY, ORDER, SHIP, INSTALL, FIRST_SAMPLE, FLASKS_ALONE),
    *(ORDER_ANALYZER, SHIP_ANALYZER, INSTALL_ANALYZER, FLASKS_STOP),
)
"""All actions, in the order in which they stand within a month."""

# A moment before midnight, in days.
_MOMENT = 1e-5


@dataclass(frozen=True)
class Step:
    """One thing to do for one picked deployment.

    `month` counts from January of the first year, from 0, `year` and `calendar_month` (1-12) are the same month in the
    calendar; `action` is one of `ACTIONS`; `until` is the last month of what takes longer, else None. `opens` holds
    the open months (1-12) of a place that had to be waited for, empty where nothing waits. `clash` says that the time
    is not enough, as the note tells.
    """

    month: int
    year: int
    calendar_month: int
    id: str
    plan: str
    action: str
    until: int | None
    note: str
    opens: tuple[int, ...] = ()
    clash: bool = False


@dataclass(frozen=True)
class RecordLength:
    """The record that a start leaves at the end of the window.

    `first_month` from January of the first year, from 0; `months` from then to the end of the window, `share` of the
    window's months; `open_months` of them open at the place, `open_share` of the open months of the whole window;
    `analyzer_months` from the analyzer's first on, 0 without one.
    """

    id: str
    name: str
    plan: str
    first_month: int
    months: int
    share: float
    open_months: int
    open_share: float
    analyzer_months: int

    @property
    def years(self) -> float:
        """Length in years."""
        return self.months / 12.0


@dataclass(frozen=True)
class Schedule:
    """The steps of a layout by month, then by the order of `ACTIONS`, then by id; one record a pick, in order of ids.

    The window begins in January of `first_year` and has `years`.
    """

    first_year: int
    years: int
    steps: tuple[Step, ...]
    records: tuple[RecordLength, ...]


@dataclass(frozen=True, eq=False)
class _Dates:
    """Months (k,) of picked deployments from January of the first year, and days (k,) of the way out."""

    start: Ints
    order: Ints
    ready: Ints
    first: Ints
    analyzer: Ints
    flask_end: Ints
    days: Floats
    way: Ints


def schedule_of(planning: Planning, picked: Ints) -> Schedule:
    """Return the schedule of picked deployments (k,), in any order, by the ways of supply chosen in the planning.

    Permits are asked for in January of the start year and take `permit_months`; then all is ordered, and ready after
    `lead_months`; it is installed in the next month in which the place is open. It leaves at the latest as many months
    before as the longest way out has, rounded up, but never before it is ordered. Raises ValueError where a deployment
    is picked twice or the days of a way are not finite.
    """
    picked = np.sort(np.asarray(picked, dtype=np.int64))
    if np.any(np.diff(picked) == 0):
        raise ValueError("a deployment is picked twice")
    settings = planning.region.settings
    dates, records = _dates(planning, picked), _records(planning, picked)
    steps = [
        step
        for j, (k, record) in enumerate(zip(picked.tolist(), records, strict=True))
        for step in _Pick(planning, dates, record, j, k).steps()
    ]
    return Schedule(
        first_year=settings.first_year,
        years=settings.years,
        steps=tuple(sorted(steps, key=lambda s: (s.month, ACTIONS.index(s.action), s.id, s.plan))),
        records=records,
    )


def month_words(month: int, first_year: int) -> str:
    """Return a month from January of the first year as 2028-03; months before it are below 0."""
    year, rest = divmod(month, 12)
    return f"{first_year + year}-{rest + 1:02d}"


def _dates(planning: Planning, picked: Ints) -> _Dates:
    d, c = planning.deployments, planning.region.candidates
    i = d.candidate[picked]
    start = 12 * (d.start_year[picked] - planning.region.settings.first_year)
    order = start + c.permit_months[i]
    days = planning.supply.out_days[planning.ways_of(picked)]
    if not np.all(np.isfinite(days)):
        raise ValueError("the days of a way out must be finite")
    # Cleared of float noise, so that a way of whole months is not a month longer.
    way = np.ceil(np.round(days / DAYS_PER_MONTH, 9)).astype(np.int64)
    return _Dates(
        start=start,
        order=order,
        ready=order + c.lead_months[i],
        first=d.first_month[picked],
        analyzer=d.analyzer_month[picked],
        flask_end=d.flask_end[picked],
        days=days,
        way=way,
    )


def _records(planning: Planning, picked: Ints) -> tuple[RecordLength, ...]:
    d, region = planning.deployments, planning.region
    c, window = region.candidates, 12 * region.settings.years
    owner, first = d.candidate[picked], d.first_month[picked]
    months = window - first
    is_open = np.tile(region.open_months[owner], (1, region.settings.years))
    opened = (is_open & (np.arange(window)[None, :] >= first[:, None])).sum(axis=1)
    share, open_share = months / window, opened / is_open.sum(axis=1)
    analyzer = np.where(d.has_analyzer[picked], window - d.analyzer_month[picked], 0)
    return tuple(
        RecordLength(
            id=c.ids[owner[j]],
            name=c.names[owner[j]],
            plan=region.settings.plans[d.plan[k]].id,
            first_month=int(first[j]),
            months=int(months[j]),
            share=float(share[j]),
            open_months=int(opened[j]),
            open_share=float(open_share[j]),
            analyzer_months=int(analyzer[j]),
        )
        for j, k in enumerate(picked.tolist())
    )


class _Pick:
    """Puts the steps of one picked deployment into words."""

    def __init__(self, planning: Planning, dates: _Dates, record: RecordLength, j: int, k: int) -> None:
        d, region = planning.deployments, planning.region
        self._planning, self._settings = planning, region.settings
        self._record = record
        self._i, self._k = int(d.candidate[k]), k
        self._plan = region.settings.plans[d.plan[k]]
        self._start, self._order, self._ready = int(dates.start[j]), int(dates.order[j]), int(dates.ready[j])
        self._first, self._analyzer = int(dates.first[j]), int(dates.analyzer[j])
        self._flask_end = int(dates.flask_end[j])
        self._days, self._way = float(dates.days[j]), int(dates.way[j])
        self._open = tuple(int(month) + 1 for month in np.flatnonzero(region.open_months[self._i]))

    def steps(self) -> list[Step]:
        """Return all steps."""
        two_phases = self._plan.kind == "flask_then_analyzer"
        found = []
        if self._order > self._start:
            note = f"takes {_months(self._order - self._start)}"
            found.append(self._step(self._start, APPLY, note, self._order - 1))
        said = f"flasks only, the analyzer comes in {self._date(self._analyzer)}" if two_phases else ""
        gas = "" if two_phases else self._gas()
        found += self._goods((ORDER, SHIP, INSTALL), self._order, self._ready, self._ready, self._first, said, gas)
        closed = self._record.months - self._record.open_months
        left = f"leaves {_months(self._record.months)} of record"
        left += f", {self._record.open_months} of them open" if closed else ""
        found.append(self._step(self._first, FIRST_SAMPLE, left))
        return found + (self._second_phase() if two_phases else [])

    def _second_phase(self) -> list[Step]:
        """Return the steps of an analyzer that comes after a time of flasks alone."""
        asked = self._plan.analyzer_after_months or 0
        trial = "trial year" if asked == 12 else f"trial of {_months(asked)}"
        alone = self._analyzer - self._first
        longer = f", {_months(alone)} as it turns out" if alone != asked else ""
        found = [self._step(self._first, FLASKS_ALONE, f"{trial} before the analyzer{longer}", self._analyzer - 1)]
        # The flasks were ready by their own first month, so the analyzer's lead never begins before the permits are in.
        lead = self._ready - self._order
        actions = (ORDER_ANALYZER, SHIP_ANALYZER, INSTALL_ANALYZER)
        stops = self._flask_end < 12 * self._settings.years
        found += self._goods(
            actions, self._analyzer - lead, self._analyzer, self._first + asked, self._analyzer, "", self._gas()
        )
        if stops:
            found.append(self._step(self._flask_end, FLASKS_STOP, f"{_months(alone)} of flasks alone"))
        else:
            found[-1] = replace(found[-1], note="; ".join(filter(None, [found[-1].note, "flasks go on beside it"])))
        return found

    def _goods(
        self, actions: tuple[str, str, str], order: int, ready: int, due: int, first: int, said: str, gas: str
    ) -> list[Step]:
        """Return the steps by which what is ordered in a month stands at the place in the month `first`.

        Preparing ends before `ready`; `due` is the month in which it would begin if the place were open. `said` is told
        of the order, `gas` of what travels along.
        """
        latest = first - self._way
        ship = max(order, latest)
        lead, under_way = ready - order, max(0, ready - ship)
        if lead == 0:
            notes = ["no lead time"]
        elif under_way == 0:
            notes = [f"lead time {_months(lead)}"]
        elif under_way == lead:
            notes = [f"lead time {_months(lead)}, all of it for the way"]
        else:
            notes = [f"lead time {_months(lead)}, {under_way} of them for the way"]
        last = max(order, min(ready, ship) - 1)
        ordered = self._step(
            order, actions[0], "; ".join([*notes, said] if said else notes), last if last > order else None
        )
        note, clash = self._way_words(order, latest, first)
        shipped = self._step(ship, actions[1], "; ".join(filter(None, [note, gas])), None, clash=clash)
        waits = first - due
        reached = "due" if actions[2] == INSTALL_ANALYZER else "ready"
        words = f"{reached} {self._date(due)}, waits {_months(waits)}" if waits else ""
        installed = self._step(first, actions[2], words, None, opens=self._open if waits else ())
        return [ordered, shipped, installed]

    def _way_words(self, order: int, latest: int, first: int) -> tuple[str, bool]:
        """Return what is to be said of a way out, and whether it is too long for the time there is."""
        way = int(self._planning.ways_of(np.array([self._k]))[0])
        by_legs = self._planning.supply.round_of[way] >= 0
        guessed = not by_legs and bool(estimates(self._planning.region).known[self._i])
        source = "by legs" if by_legs else "estimated" if guessed else "assumed"
        said = f"way out {self._days:.3g} {'day' if self._days == 1.0 else 'days'} ({source})"
        if latest < order:
            time = _months(first - order) if first > order else "no time"
            return (
                f"{said} but {time} from order to installation: leaves before the order, by {self._date(latest)}",
                True,
            )
        if by_legs:
            left = last_departure(self._planning, way, first)
            if left < order:
                return f"{said}; by the timetable of its legs it leaves before the order, by {self._date(left)}", True
            if left < latest:
                return f"{said}; by the timetable of its legs it leaves by {self._date(left)}", True
        return said, False

    def _gas(self) -> str:
        """Say which cylinders travel with the analyzer; empty without an analyzer or without cylinders."""
        part, _ = parts_of(self._plan, self._settings.plans)
        if part is None:
            return ""
        known = calibration_plan(part, self._settings.supply)
        if known is None:
            return "cylinders of calibration gas travel with it" if part.working_cylinders else ""
        if known.first_set == 0:
            return ""
        return f"{known.first_set} {'cylinder' if known.first_set == 1 else 'cylinders'} of calibration gas with it"

    def _step(
        self,
        month: int,
        action: str,
        note: str,
        until: int | None = None,
        opens: tuple[int, ...] = (),
        clash: bool = False,
    ) -> Step:
        year, rest = divmod(month, 12)
        return Step(
            month=month,
            year=self._settings.first_year + year,
            calendar_month=rest + 1,
            id=self._planning.region.candidates.ids[self._i],
            plan=self._plan.id,
            action=action,
            until=until,
            note=note,
            opens=opens,
            clash=clash,
        )

    def _date(self, month: int) -> str:
        return month_words(month, self._settings.first_year)


def last_departure(planning: Planning, way: int, month: int) -> int:
    """Return the last month in which goods that come by a way of legs may leave to arrive within a month, for certain.

    Departures and closed seasons of every leg count, walked backwards from the end of the month (months from January
    of the first year, from 0; one before it is below 0).
    """
    supply = planning.supply
    year, rest = divmod(month, 12)
    end = sum(month_of(day) <= rest + 1 for day in range(CALENDAR))
    # In a calendar that runs backwards the way begins at the place; what comes on the first of the next month is late.
    begin = np.array([CALENDAR - end + _MOMENT])
    time, dated = begin, False
    for number in reversed(supply.rounds[supply.round_of[way]].out):
        arc = supply.network.arcs[number]
        time = arc.timetable.arrivals(arc.days).turned().leaves(time) + arc.days
        dated = bool(arc.timetable.dates)
    leaves = float(np.round(end - _MOMENT - (time - begin)[0], 6))
    # A named day begins with its number; of an open season the end is its last day's, not the next day's.
    day = int(np.floor(leaves)) if dated else int(np.ceil(leaves)) - 1
    years, day_of_year = divmod(day, CALENDAR)
    return 12 * (year + years) + month_of(day_of_year) - 1


def _months(number: int) -> str:
    return f"{number} {'month' if number == 1 else 'months'}"
