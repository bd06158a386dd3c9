"""The transport graph: places, arcs with their timetables, and the costs that are shared."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import networkx as nx

from siting.region.model import Region
from siting.region.schema.tables import LegRow
from siting.region.transport import LABORATORY
from siting.supply.timetable import Timetable


@dataclass(frozen=True)
class Arc:
    """One direction of a leg: `number` is its own, `leg` that of the region's leg; price of a box in the currency.

    `shared` is the number of the fixed cost that it belongs to, -1 without one; `capacity` boxes a year, None
    for enough.
    """

    number: int
    leg: int
    begin: str
    end: str
    mode: str
    days: float
    timetable: Timetable
    price: float
    shared: int
    capacity: float | None

    @property
    def words(self) -> str:
        """The arc for tables and messages."""
        return f"{self.begin} to {self.end} by {self.mode}"


@dataclass(frozen=True)
class Shared:
    """A fixed cost a year (currency) of a voyage or of a lone leg, and the legs that belong to it."""

    name: str
    cost_a_year: float
    legs: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Network:
    """The transport graph of a region.

    `graph` has places as nodes and arc numbers as edge keys; `where` gives (lat, lon) of places that are known
    (degrees, WGS 84), `capacities` the arcs whose capacity is limited.
    """

    graph: nx.MultiDiGraph
    arcs: tuple[Arc, ...]
    shared: tuple[Shared, ...]
    where: Mapping[str, tuple[float, float]]

    @property
    def capacities(self) -> tuple[Arc, ...]:
        """The arcs whose capacity is limited."""
        return tuple(arc for arc in self.arcs if arc.capacity is not None)

    def route_words(self, arcs: tuple[int, ...]) -> str:
        """Return the places of a way, as `laboratory > hub > site`; two arcs between the same places differ by mode."""
        if not arcs:
            return ""
        words = self.arcs[arcs[0]].begin
        for number in arcs:
            arc = self.arcs[number]
            alike = self.graph.number_of_edges(arc.begin, arc.end)
            words += f" > {arc.end}" + (f" ({arc.mode}, leg {arc.leg + 1})" if alike > 1 else "")
        return words


def build_network(region: Region) -> Network:
    """Return the transport graph of a region's legs; without legs it holds the laboratory alone."""
    shared = _shared(region.legs)
    number_of = {leg: s for s, one in enumerate(shared) for leg in one.legs}
    arcs: list[Arc] = []
    for k, leg in enumerate(region.legs):
        there = Timetable(tuple(float(day) for day in leg.departures), leg.departures_a_year, leg.months_open)
        ends = [(leg.from_, leg.to, there)]
        if leg.both_ways:
            # A named departure comes back on arrival; even ones go back as often as they come.
            ends.append((leg.to, leg.from_, there.arrivals(leg.days) if leg.departures else there))
        for begin, end, timetable in ends:
            capacity = None
            if leg.capacity_in_boxes is not None:
                capacity = leg.capacity_in_boxes * min(timetable.departures, 365.0)
            arcs.append(
                Arc(
                    len(arcs), k, begin, end, leg.mode, leg.days, timetable, leg.cost_a_box,
                    number_of.get(k, -1), capacity,
                )
            )  # fmt: skip
    graph = nx.MultiDiGraph()
    graph.add_node(LABORATORY)
    for arc in arcs:
        graph.add_edge(arc.begin, arc.end, key=arc.number)
    c, laboratory = region.candidates, region.settings.laboratory
    where = {hub.id: (hub.lat, hub.lon) for hub in region.hubs}
    where |= {name: (float(c.lat[i]), float(c.lon[i])) for i, name in enumerate(c.ids)}
    if laboratory.lat is not None and laboratory.lon is not None:
        # Candidates and hubs are turned to west where they are read.
        where[LABORATORY] = (laboratory.lat, laboratory.lon - 360.0 if laboratory.lon > 180.0 else laboratory.lon)
    return Network(graph, tuple(arcs), shared, {name: where[name] for name in sorted(where)})


def _shared(legs: tuple[LegRow, ...]) -> tuple[Shared, ...]:
    """Return the fixed costs: voyages by name, then lone legs in their order; those of 0 are left out."""
    voyages: dict[str, list[int]] = {}
    lone: list[Shared] = []
    for k, leg in enumerate(legs):
        if leg.voyage is not None:
            voyages.setdefault(leg.voyage, []).append(k)
        elif leg.fixed_cost_a_year > 0.0:
            lone.append(Shared(f"{leg.from_} to {leg.to} by {leg.mode}", leg.fixed_cost_a_year, (k,)))
    found = []
    for name in sorted(voyages):
        cost = max(legs[k].fixed_cost_a_year for k in voyages[name])
        if cost > 0.0:
            found.append(Shared(f"voyage {name}", cost, tuple(voyages[name])))
    names: dict[str, int] = {}
    for one in lone:
        names[one.name] = names.get(one.name, 0) + 1
        more = f", the {names[one.name]}." if names[one.name] > 1 else ""
        found.append(Shared(one.name + more, one.cost_a_year, one.legs))
    return tuple(found)
