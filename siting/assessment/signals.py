"""What each site would see of a gas month by month: the expected value, and the error with which a month shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, Ints, read_only
from siting.field.model import TracerModel, tracer_models
from siting.planning import Planning
from siting.record.air import Air
from siting.record.records import Equipment

# Rows of equal area over which the mean of the whole earth is taken.
AREAS = 20_000


@dataclass(frozen=True, eq=False)
class Signal:
    """The record that one site is expected to give of one tracer; all numbers in the tracer's `unit`.

    `month` (k,) are months with a chance of a sample, from 0 in January of the window's first year. `expected` (k,)
    is what is expected in the middle of them, against the mean of the whole earth at the window's beginning: gradient,
    growth and season as assumed of the tracer. `error` (k,) is the standard error of the mean of a month against the
    air there: repeatability, calibration, the weather that samples miss, contamination, and the chance of an empty
    month; of several instruments the better one in each month. `scatter` (k,) holds besides how background air
    varies from month to month, which no number of samples lowers.
    """

    tracer: str
    unit: str
    id: str
    picked: bool
    month: Ints
    expected: Floats
    error: Floats
    scatter: Floats


def signals(planning: Planning, picked: Ints) -> tuple[Signal, ...]:
    """Return for each tracer what picked deployments (k,) and running stations see, by tracer and candidate.

    A track counts by its share of time at each position, in every month alike. Raises `UnknownGasError` where a
    tracer's numbers are missing.
    """
    candidates = planning.region.candidates
    at = {int(planning.deployments.candidate[k]): int(k) for k in picked}
    runs = set(np.flatnonzero(candidates.running()).tolist())
    found = []
    for model in tracer_models(planning):
        for i in sorted(runs | set(at)):
            if i not in at:
                equipment = model.records.standing(i)
            elif i in runs:
                equipment = model.records.together(at[i])
            else:
                equipment = model.records.added(at[i])
            one = _signal(model, i, i in at, equipment)
            if one is not None:
                found.append(one)
    return tuple(found)


def expected_record(air: Air, lat: Floats, weight: Floats, months: int) -> Floats:
    """Return what is expected (months,) at latitudes (n,) of weights (n,) that sum to 1, from January on.

    In the tracer's unit, in the middle of each month, against the mean of the whole earth at the beginning.
    """
    rows = np.degrees(np.arcsin((np.arange(AREAS) + 0.5) / AREAS * 2.0 - 1.0))
    level = float(air.expected_level(lat) @ weight) - float(air.expected_level(rows).mean())
    season = air.expected_season(lat).T @ weight
    years = (np.arange(months) + 0.5) / 12.0
    phase = 2.0 * np.pi * years
    return np.asarray(level + air.growth * years + season[0] * np.cos(phase) + season[1] * np.sin(phase), dtype=float)


def _signal(model: TracerModel, i: int, picked: bool, equipment: Sequence[Equipment]) -> Signal | None:
    """Return what one candidate sees with some equipment, None without any sample."""
    planning, axis, air = model.planning, model.axis, model.air
    months = 12 * axis.years
    slow = float(model.records.here.slow_variance[i])
    synoptic = float(model.records.here.synoptic_variance[i])
    best = np.full(months, np.inf)
    for one in equipment:
        month = model.records.months_of(one.part)
        own, spread, empty = (np.resize(getattr(month, name)[i], months) for name in ("own", "spread", "empty"))
        there = one.present[12 * axis.older :] & (empty < 1.0)
        some = np.where(there, 1.0 - empty, 1.0)
        variance = (own + synoptic * spread + slow * empty) / some
        best = np.where(there, np.minimum(best, variance), best)
    seen = np.flatnonzero(np.isfinite(best))
    if not seen.size:
        return None
    where = planning.places.owner == i
    record = expected_record(air, planning.places.lat[where], planning.places.weight[where], months)
    return Signal(
        tracer=air.name,
        unit=air.unit,
        id=planning.region.candidates.ids[i],
        picked=picked,
        month=read_only(seen),
        expected=read_only(record[seen]),
        error=read_only(np.sqrt(best[seen])),
        scatter=read_only(np.sqrt(best[seen] + slow)),
    )
