"""Outages of stations as spells with a repair time, and shipments that never arrive."""

from __future__ import annotations

import numpy as np

from siting.arrays import Floats
from siting.region.model import Region

# Outages begin and end at any time; shares of a month are told in steps of so many parts.
PARTS = 8


def spare_chance(region: Region) -> float:
    """Return the chance (0 to 1) that a spare analyzer is at home when one in the field fails.

    Of the spare ones all but one can be sent, that one stays as reference. Failures of all analyzers in the field
    come at random and take repair; the chance that all spares are away is Erlang's loss formula B(s, load), load =
    analyzers in the field x failures a month x months to repair (Erlang 1917; Palm 1943 on spare parts: only
    the mean of the repair time matters; both citations from memory).
    """
    stress, stock = region.settings.stress, region.settings.stock
    spares = max(0, stock.spare_analyzers - 1)
    field = max(0, stock.analyzers - stock.spare_analyzers)
    return 1.0 - erlang_loss(spares, field * failures_a_month(stress.yearly_failure) * stress.repair_months)


def erlang_loss(servers: int, load: float) -> float:
    """Return Erlang's loss probability B(servers, load) by its recursion; `servers` and `load` are 0 or more."""
    blocked = 1.0
    for s in range(1, servers + 1):
        blocked = load * blocked / (s + load * blocked)
    return blocked


def failures_a_month(yearly: float) -> float:
    """Return failures a month of a station that works, from the chance (0 to 1) that it fails within a year.

    A chance of 1 is taken as 0.999999: failures without end are none that anything could be planned for.
    """
    return -float(np.log1p(-min(yearly, 0.999999))) / 12.0


def spells(
    stream: np.random.Generator,
    stations: int,
    months: int,
    yearly: float,
    repair_months: float,
    spare: float,
    shipping_months: float,
) -> list[list[tuple[float, float]]]:
    """Return for each station its outages as (begin, end) in months from 0, in order, within `months`.

    Working times are exponential with the failure rate, repairs exponential with mean `repair_months`; with chance
    `spare` a spare arrives after `shipping_months`, if that is sooner.
    """
    rate = failures_a_month(yearly)
    found: list[list[tuple[float, float]]] = []
    for _ in range(stations):
        mine: list[tuple[float, float]] = []
        now = 0.0
        while rate > 0.0:
            now += float(stream.exponential(1.0 / rate))
            repair, luck = float(stream.exponential(repair_months)), float(stream.uniform())
            if now >= months:
                break
            down = min(repair, shipping_months) if luck < spare else repair
            mine.append((now, min(float(months), now + down)))
            now += down
        found.append(mine)
    return found


def up_share(outages: list[list[tuple[float, float]]], months: int) -> Floats:
    """Return the share (stations, months) of each month in which a station works, in steps of 1 / `PARTS`."""
    lost = np.zeros((len(outages), months))
    begin = np.arange(months, dtype=float)
    for i, mine in enumerate(outages):
        for start, end in mine:
            lost[i] += np.clip(np.minimum(end, begin + 1.0) - np.maximum(start, begin), 0.0, 1.0)
    return _left_in_steps(lost)


def _left_in_steps(lost: Floats) -> Floats:
    """Return what lost shares (stations, months) of months leave, in steps of 1 / `PARTS`.

    What a step leaves is carried into the next month with a loss: many short outages add up, and the whole window is
    right to half a step. A month without a loss stays whole.
    """
    steps = np.diff(np.rint(np.round(PARTS * np.cumsum(lost, axis=1), 9)), axis=1, prepend=0.0)
    return np.asarray(1.0 - np.clip(steps, 0.0, PARTS) / PARTS)


def shipments_home(stream: np.random.Generator, visits_per_year: Floats, months: int, lost: float) -> Floats:
    """Return the share (stations, months) of each month's flasks that come home.

    Calls come evenly; each carries home what was filled since the last one, or with chance `lost` nothing of it.
    """
    lost_share = np.zeros((visits_per_year.size, months))
    for i, visits in enumerate(visits_per_year):
        interval = 12.0 / float(visits)
        calls = int(np.ceil(months / interval))
        gone = np.flatnonzero(stream.uniform(size=calls) < lost)
        begin = np.arange(months, dtype=float)
        for k in gone:
            start, end = k * interval, (k + 1) * interval
            lost_share[i] += np.clip(np.minimum(end, begin + 1.0) - np.maximum(start, begin), 0.0, 1.0)
    return _left_in_steps(lost_share)
