"""Ways between the laboratory and every place: all that no other way beats in price, shared costs and time.

Waiting for departures counts, on the longest, with closed months (time-dependent shortest ways: Dreyfus 1969,
Operations Research 17, 395; first in, first out holds, since what is ready later never leaves earlier). Ways are
built from the laboratory outwards, so that one run serves all places: a way home is put together from its end, and
a way out is a way home in a calendar that runs backwards, since it must arrive in time.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Floats
from siting.region.model import Region
from siting.region.transport import LABORATORY
from siting.supply.network import Arc, Network, build_network
from siting.supply.timetable import CALENDAR, Timetable

# Ways kept at one place; beyond that the dearer ones are left out, and `Ways.whole` says so.
MOST_AT_A_PLACE = 120
EQUAL = 1e-9
_DAYS = np.arange(CALENDAR, dtype=float)


@dataclass(frozen=True, eq=False)
class Way:
    """One way between a place and the laboratory, as it is read from the place.

    `arcs` in the order of travel away from the place (home) or towards it (out); `price` of a box; `shared`
    numbers of fixed costs, `limited` arcs with a capacity; `longest` and `mean` are days between leaving the place and
    reaching the laboratory (or the other way round), the wait at its beginning left out; `timetable` is that of
    the leg at the place. `wait` (365,) and `likely` (365,) hold the days to the laboratory of what is ready at
    the place on each day of the (home) calendar, on the longest and on average.
    """

    arcs: tuple[int, ...]
    price: float
    shared: frozenset[int]
    limited: frozenset[int]
    longest: float
    mean: float
    timetable: Timetable
    wait: Floats
    likely: Floats
    places: frozenset[str]


@dataclass(frozen=True, eq=False)
class Ways:
    """Ways by place, the cheapest first; `whole` is False where a place had more than could be kept."""

    at: dict[str, tuple[Way, ...]]
    whole: bool


@dataclass(frozen=True, eq=False)
class Transport:
    """What legs alone say: the graph, the ways home from every place and the ways out to it."""

    network: Network
    home: Ways
    out: Ways


def transport_of(region: Region) -> Transport:
    """Return what the legs of a region say."""
    network = build_network(region)
    return Transport(network, ways(network, home=True), ways(network, home=False))


def ways(network: Network, *, home: bool) -> Ways:
    """Return the undominated ways from every place home to the laboratory, or from there out to every place.

    A way is dominated by another of no greater price whose fixed costs and limited arcs are among its own, that
    is no slower on any day, calls no less often at the place and is no longer under way.
    """
    into: dict[str, list[tuple[Arc, Timetable]]] = {}
    for arc in network.arcs:
        near, timetable = (arc.end, arc.timetable) if home else (arc.begin, arc.timetable.arrivals(arc.days).turned())
        into.setdefault(near, []).append((arc, timetable))
    tables = {
        arc.number: (table.leaves(_DAYS), table.mean_leaves(_DAYS)) for arcs in into.values() for arc, table in arcs
    }
    nothing = np.zeros(CALENDAR)
    first = Way((), 0.0, frozenset(), frozenset(), 0.0, 0.0, Timetable(), nothing, nothing, frozenset({LABORATORY}))
    found: dict[str, list[Way]] = {}
    whole = True
    heap: list[tuple[float, int, tuple[int, ...], int, str]] = [(0.0, 0, (), 0, LABORATORY)]
    made = [first]
    while heap:
        _, _, _, k, place = heapq.heappop(heap)
        way = made[k]
        here = found.setdefault(place, [])
        if any(_beats(other, way) for other in here):
            continue
        if len(here) >= MOST_AT_A_PLACE:
            whole = False
            continue
        here.append(way)
        for arc, timetable in into.get(place, ()):
            far = arc.begin if home else arc.end
            if far in way.places:
                continue
            longer = _extended(way, arc, timetable, tables[arc.number], far)
            made.append(longer)
            heapq.heappush(heap, (longer.price, len(longer.arcs), longer.arcs, len(made) - 1, far))
    del found[LABORATORY]
    if home:
        return Ways({place: tuple(found[place]) for place in sorted(found)}, whole)
    return Ways({place: tuple(_outward(way) for way in found[place]) for place in sorted(found)}, whole)


def _extended(way: Way, arc: Arc, timetable: Timetable, leaves: tuple[Floats, Floats], far: str) -> Way:
    """Return the way with one arc more at its far end."""
    surely, likely = leaves
    days = timetable.days()
    begun = arc.days + _after(days + arc.days, way.wait)
    begun_likely = arc.days + _after(days + arc.days, way.likely)
    return Way(
        (arc.number, *way.arcs),
        way.price + arc.price,
        way.shared | {arc.shared} if arc.shared >= 0 else way.shared,
        way.limited | {arc.number} if arc.capacity is not None else way.limited,
        float(begun.max()),
        float(begun_likely.mean()),
        timetable,
        surely - _DAYS + arc.days + _after(surely + arc.days, way.wait),
        likely - _DAYS + arc.days + _after(likely + arc.days, way.likely),
        way.places | {far},
    )


def _after(t: Floats, wait: Floats) -> Floats:
    """Return the days still to go of what is ready at times t; between whole days the later one is taken."""
    if np.ptp(wait) == 0.0:
        return np.full(t.shape, wait[0])
    up = np.ceil(t - EQUAL)
    return np.asarray(up - t + wait[(up % CALENDAR).astype(int)])


def _beats(one: Way, other: Way) -> bool:
    return (
        one.price <= other.price + EQUAL
        and one.shared <= other.shared
        and one.limited <= other.limited
        and one.longest <= other.longest + EQUAL
        and one.timetable.departures >= other.timetable.departures
        and one.timetable.longest_gap <= other.timetable.longest_gap + EQUAL
        and bool(np.all(one.wait <= other.wait + EQUAL))
    )


def _outward(way: Way) -> Way:
    """Return a way of the mirrored calendar in the order in which it is travelled."""
    return replace(way, arcs=way.arcs[::-1], timetable=way.timetable.turned())
