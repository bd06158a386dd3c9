"""legs.csv and hubs.csv: read and checked against each other and against the candidates."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence

import networkx as nx
import numpy as np

from siting.geography.geodesy import distance_km
from siting.region.candidates import Entry, centre
from siting.region.cells import MONTH_LENGTHS, CellError, id_text
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
# Places that one warning names.
MOST_NAMED = 8

Numbered = Sequence[tuple[int, LegRow]]


def read_hubs(raw: Raw, known: KnownIds, findings: Findings) -> tuple[HubRow, ...]:
    """Check the rows of hubs.csv and return them in the order of ids, longitudes of 180-360 turned to west."""
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
    turned = sum(1 for hub in checked.rows if hub.lon > 180.0)
    if turned:
        problem = f"{turned} longitudes of 180-360 were read as degrees east and turned to west"
        findings.warn(raw.file, None, "lon", None, problem)
    hubs = [hub.model_copy(update={"lon": hub.lon - 360.0}) if hub.lon > 180.0 else hub for hub in checked.rows]
    return tuple(sorted(hubs, key=lambda hub: hub.id))


def hub_names(raw: Raw) -> frozenset[str] | None:
    """Return the ids in hubs.csv, also of rows with other faults; None if it has no column of them."""
    if "id" not in raw.columns:
        return None
    at = raw.columns.index("id")
    return frozenset(name for name in (_id(row[at]) for row in raw.rows) if name is not None)


def _id(text: str) -> str | None:
    """Return an id, None for a cell that is none: it has been named already."""
    try:
        return id_text(text)
    except CellError:
        return None


def read_legs(raw: Raw, hubs: Collection[str] | None, known: KnownIds, findings: Findings) -> tuple[LegRow, ...]:
    """Check the rows of legs.csv and return them in the order of their ends.

    `hubs` are the ids that hubs.csv names; None if they cannot be told, and then no end is called unknown.
    """
    checked = check_rows(raw, LegRow, findings)
    rows = [(raw.numbers[place], row) for place, row in zip(checked.index, checked.rows, strict=True)]
    _check_ends(raw, hubs, known, findings)
    for number, row in rows:
        _check_leg(raw.file, number, row, findings)
    _check_voyages(raw.file, rows, findings)
    return tuple(sorted((row for _, row in rows), key=_order))


def _order(leg: LegRow) -> tuple[str | float, ...]:
    """Return what legs are sorted by: all that they say, so that the order of rows changes nothing."""
    return (
        leg.from_,
        leg.to,
        leg.mode,
        leg.days,
        leg.voyage or "",
        leg.cost_a_box,
        leg.fixed_cost_a_year,
        leg.departures_a_year or 0.0,
        -1.0 if leg.capacity_in_boxes is None else leg.capacity_in_boxes,
        leg.both_ways,
        " ".join(f"{month:02d}" for month in sorted(leg.months_open)),
        " ".join(f"{day:03d}" for day in leg.departures),
        "fixed_cost_a_year" in leg.model_fields_set,
    )


def _check_ends(raw: Raw, hubs: Collection[str] | None, known: KnownIds, findings: Findings) -> None:
    """Check where legs begin and end, also in rows that have other faults."""
    places = {LABORATORY, *(hubs or ()), *known.ids}
    spelling = Spelling(places)
    at = {column: raw.columns.index(column) for column in ("from", "to") if column in raw.columns}
    twofold = LABORATORY in known.ids
    for number, row in zip(raw.numbers, raw.rows, strict=True):
        ends = {column: _id(row[k]) for column, k in at.items()}
        for column, name in ends.items():
            if name == LABORATORY and twofold:
                twofold = False
                findings.fault(
                    raw.file,
                    number,
                    column,
                    name,
                    "is the laboratory, and a candidate has this id too",
                    allowed="`laboratory` for the laboratory alone",
                    mend="rename the candidate",
                )
            if name is None or name in places or hubs is None or not known.unknown(name):
                continue
            findings.fault(
                raw.file,
                number,
                column,
                name,
                "no place of this name",
                allowed="a candidate, a hub of hubs.csv, or `laboratory`",
                mend=spelling.mend(name, "correct the name, or add the place to hubs.csv with lat and lon"),
            )
        if len(ends) == 2 and ends["from"] is not None and ends["from"] == ends["to"]:
            findings.fault(
                raw.file,
                number,
                "to",
                ends["to"],
                "a leg leads from a place to itself",
                allowed="another place than in `from`",
                mend="correct one of the two",
            )


def _check_leg(file: str, number: int, row: LegRow, findings: Findings) -> None:
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
            " ".join(day_words(day) for day in closed),
            "departs in a month in which the leg is closed",
            allowed="days in the months of `months_open`",
            mend="correct one of the two",
        )


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


_MONTH_ENDS = tuple(itertools.accumulate(MONTH_LENGTHS))


def month_of(day: int) -> int:
    """Return the month (1-12) of a day of the year (0 for January 1)."""
    for month, end in enumerate(_MONTH_ENDS, 1):
        if day < end:
            return month
    raise ValueError(f"no day of the year: {day}")


def day_words(day: int) -> str:
    """Return a day of the year (0 for January 1) as legs.csv writes it: 01-15."""
    month = month_of(day)
    return f"{month:02d}-{day - (0, *_MONTH_ENDS)[month - 1] + 1:02d}"


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
    idle = [hub.id for hub in hubs if hub.id not in named]
    if idle:
        problem = f"no leg passes {listed(idle, MOST_NAMED)}"
        findings.warn(HUBS, None, "id", None, problem, mend="add legs that lead there, or take the rows out")
    spelling = Spelling(named - {LABORATORY, *(entry.row.id for entry in entries)})
    for entry in entries:
        asked = entry.row.hub
        if asked is not None and entry.row.id in named and asked not in named:
            problem = "no leg passes this hub, so it is not asked for"
            mend = spelling.mend(asked, "name a hub of hubs.csv, or none")
            findings.warn(entry.file, entry.number, "hub", asked, problem, mend=mend)


def _name_fast_legs(
    legs: Sequence[LegRow], where: Mapping[str, tuple[float, float]], fixed: set[str], findings: Findings
) -> None:
    for leg in legs:
        if leg.from_ not in fixed or leg.to not in fixed:
            continue
        km = float(distance_km(*where[leg.from_], *where[leg.to]))
        least = max(0.0, km - NEAR_KM) / (24.0 * FASTEST_KMH[leg.mode])
        # 0 days: it arrives on the day on which it leaves
        if leg.days < least and (leg.days > 0.0 or least >= 1.0):
            findings.warn(
                LEGS,
                None,
                "days",
                f"{leg.days:g}",
                f"{leg.from_} to {leg.to} by {leg.mode} is {km:,.0f} km as the crow flies, "
                f"which takes {least:.2g} days at {FASTEST_KMH[leg.mode]:g} km/h",
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
    places = np.array([where[name] for name in reached]).reshape(-1, 2)
    alone = [e for e in entries if e.row.id not in joined and e.row.status not in ("running", "excluded")]
    words = [entry.row.id for entry in alone]
    for k, name in enumerate(words[:MOST_NAMED]):
        if name in where and reached:
            km = distance_km(*where[name], places[:, 0], places[:, 1])
            near = int(np.argmin(km))
            words[k] = f"{name} (nearest that has: {reached[near]}, {km[near]:,.0f} km)"
    if words:
        findings.warn(
            LEGS,
            None,
            None,
            None,
            f"no way to the laboratory and back: {listed(words, MOST_NAMED)}; "
            "they are supplied as if there were no legs.csv",
            mend="add legs that lead there",
        )
