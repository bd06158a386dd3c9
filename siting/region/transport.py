"""legs.csv and hubs.csv: read and checked against each other and against the candidates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import networkx as nx

from siting.geography.geodesy import distance_km
from siting.region.candidates import Entry, centre
from siting.region.faults import Findings
from siting.region.plain import Spelling, listed
from siting.region.references import KnownIds
from siting.region.rows import Raw, check_rows
from siting.region.schema.settings import Settings
from siting.region.schema.tables import HubRow, LegRow
from siting.region.settings_file import TOML

LABORATORY = "laboratory"
LEGS, HUBS = "legs.csv", "hubs.csv"
# The fastest that anybody travels by each mode, km/h (common practice, no single source).
FASTEST_KMH = {"ship": 60.0, "aircraft": 950.0, "rail": 300.0, "road": 130.0, "foot": 8.0}
# Hubs and ship positions stand for areas; a leg may be shorter than between its points by so much.
NEAR_KM = 25.0

Numbered = Sequence[tuple[int, LegRow]]


def read_hubs(raw: Raw, known: KnownIds, findings: Findings) -> tuple[HubRow, ...]:
    """Check the rows of hubs.csv and return them in the order of ids."""
    checked = check_rows(raw, HubRow, findings)
    first: dict[str, int] = {}
    for place, row in zip(checked.index, checked.rows, strict=True):
        number = raw.numbers[place]
        if row.id == LABORATORY or row.id in known.ids:
            problem = "is the name of the laboratory" if row.id == LABORATORY else "is the id of a candidate"
            findings.fault(raw.file, number, "id", row.id, problem, allowed="a name of its own", mend="rename the hub")
        elif first.setdefault(row.id, number) != number:
            problem = f"id stands in row {first[row.id]} already"
            findings.fault(
                raw.file, number, "id", row.id, problem, allowed="each id once", mend="rename one of the two"
            )
    return tuple(sorted(checked.rows, key=lambda hub: hub.id))


def read_legs(raw: Raw, hubs: Sequence[HubRow], known: KnownIds, findings: Findings) -> tuple[LegRow, ...]:
    """Check the rows of legs.csv and return them in the order of their ends."""
    checked = check_rows(raw, LegRow, findings)
    rows = [(raw.numbers[place], row) for place, row in zip(checked.index, checked.rows, strict=True)]
    places = {LABORATORY, *(hub.id for hub in hubs), *known.ids}
    spelling = Spelling(places)
    for number, row in rows:
        for column, name in (("from", row.from_), ("to", row.to)):
            if name in places or not known.unknown(name):
                continue
            mend = spelling.mend(name, "correct the name, or add the place to hubs.csv with lat and lon")
            findings.fault(
                raw.file,
                number,
                column,
                name,
                "no place of this name",
                allowed="a candidate, a hub of hubs.csv, or `laboratory`",
                mend=mend,
            )
        _check_leg(raw.file, number, row, findings)
    _check_voyages(raw.file, rows, findings)
    return tuple(
        sorted((row for _, row in rows), key=lambda leg: (leg.from_, leg.to, leg.mode, leg.days, leg.voyage or ""))
    )


def _check_leg(file: str, number: int, row: LegRow, findings: Findings) -> None:
    if row.from_ == row.to:
        findings.fault(
            file,
            number,
            "to",
            row.to,
            "a leg leads from a place to itself",
            allowed="another place than in `from`",
            mend="correct one of the two",
        )
    if row.departures and row.departures_a_year is not None:
        findings.fault(
            file,
            number,
            "departures_a_year",
            f"{row.departures_a_year:g}",
            "departures are given as a number and by name",
            allowed="one of the two, or neither (any day)",
            mend="empty one of the two cells",
        )
    closed = [day for day in row.departures if month_of(day) not in row.months_open]
    if closed:
        findings.fault(
            file,
            number,
            "departures",
            " ".join(f"{month_of(day):02d}-.." for day in closed),
            "departs in a month in which the leg is closed",
            allowed="days in the months of `months_open`",
            mend="correct one of the two",
        )
    if not row.months_open:
        problem = "is open in no month"
        findings.fault(file, number, "months_open", None, problem, allowed="months as 1-12", mend="take the leg out")


def _check_voyages(file: str, rows: Numbered, findings: Findings) -> None:
    """A voyage has one fixed cost; legs that give none take it from the others."""
    told: dict[str, tuple[int, float]] = {}
    for number, row in rows:
        if row.voyage is None or "fixed_cost_a_year" not in row.model_fields_set:
            continue
        first, cost = told.setdefault(row.voyage, (number, row.fixed_cost_a_year))
        if cost != row.fixed_cost_a_year:
            findings.fault(
                file,
                number,
                "fixed_cost_a_year",
                f"{row.fixed_cost_a_year:g}",
                f"voyage '{row.voyage}' costs {cost:g} a year in row {first}",
                allowed="one fixed cost for all legs of a voyage; a leg may leave the cell empty",
                mend="correct one of the two, or give the leg another voyage",
            )


def month_of(day: int) -> int:
    """Return the month (1-12) of a day of the year (0 for January 1)."""
    for month, end in enumerate((31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 365), 1):
        if day < end:
            return month
    raise ValueError(f"no day of the year: {day}")


def name_transport(
    settings: Settings, entries: Sequence[Entry], hubs: Sequence[HubRow], legs: Sequence[LegRow], findings: Findings
) -> None:
    """Warn of places that no way joins with the laboratory, of legs that are too fast, and of hubs that nobody has."""
    where = {hub.id: (hub.lat, hub.lon) for hub in hubs}
    for entry in entries:
        if entry.geometry is not None:
            lat, lon = centre(entry.geometry)
            where[entry.row.id] = (float(lat), float(lon))
    fixed = {e.row.id for e in entries if e.geometry is not None and e.geometry.geom_type == "Point"}
    fixed |= {hub.id for hub in hubs}
    laboratory = settings.laboratory
    if laboratory.lat is not None and laboratory.lon is not None:
        where[LABORATORY] = (laboratory.lat, laboratory.lon)
        fixed.add(LABORATORY)
    elif legs:
        problem = "the laboratory has no place, so maps cannot show the legs that lead to it"
        findings.warn(TOML, None, "laboratory.lat", None, problem, mend="give laboratory.lat and laboratory.lon")
    _name_fast_legs(legs, where, fixed, findings)
    _name_unreached(entries, legs, where, findings)
    named = {name for leg in legs for name in (leg.from_, leg.to)}
    for entry in entries:
        hub = entry.row.hub
        if legs and hub is not None and entry.row.id in named and hub not in named:
            problem = "no leg passes this hub, so it is not asked for"
            findings.warn(entry.file, entry.number, "hub", hub, problem, mend="name a hub of hubs.csv, or none")


def _name_fast_legs(
    legs: Sequence[LegRow], where: Mapping[str, tuple[float, float]], fixed: set[str], findings: Findings
) -> None:
    for leg in legs:
        if leg.from_ not in fixed or leg.to not in fixed:
            continue
        km = float(distance_km(*where[leg.from_], *where[leg.to]))
        least = max(0.0, km - NEAR_KM) / (24.0 * FASTEST_KMH[leg.mode])
        if leg.days < least:
            findings.warn(
                LEGS,
                None,
                "days",
                f"{leg.days:g}",
                f"{leg.from_} to {leg.to} by {leg.mode} is {km:,.0f} km as the crow flies, "
                f"which takes {least:.1f} days at {FASTEST_KMH[leg.mode]:g} km/h",
                mend="correct the days, the mode or a place",
            )


def _name_unreached(
    entries: Sequence[Entry],
    legs: Sequence[LegRow],
    where: Mapping[str, tuple[float, float]],
    findings: Findings,
) -> None:
    """Name candidates that legs do not join with the laboratory, each with the nearest place that they do."""
    if not legs:
        return
    graph = nx.DiGraph()
    graph.add_node(LABORATORY)
    for leg in legs:
        graph.add_edge(leg.from_, leg.to)
        if leg.both_ways:
            graph.add_edge(leg.to, leg.from_)
    joined = (nx.descendants(graph, LABORATORY) & nx.ancestors(graph, LABORATORY)) | {LABORATORY}
    reached = sorted(name for name in joined if name in where)
    alone = [e for e in entries if e.row.id not in joined and e.row.status not in ("running", "excluded")]
    words = []
    for entry in alone:
        name = entry.row.id
        if name not in where or not reached:
            words.append(name)
            continue
        km, near = min((float(distance_km(*where[name], *where[other])), other) for other in reached)
        words.append(f"{name} (nearest that has: {near}, {km:,.0f} km)")
    if words:
        findings.warn(
            LEGS,
            None,
            None,
            None,
            f"no way to the laboratory and back: {listed(words)}; they are supplied as without legs.csv",
            mend="add legs that lead there",
        )
