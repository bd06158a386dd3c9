"""The vocabulary of the table files: one model per file, one field per column.

A cell reaches its field as text and is parsed by `siting.region.cells`; empty cells are left out
before, so that a field's default speaks for them.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from siting.region import cells
from siting.region.schema.common import Vocabulary, described

Number = Annotated[float, BeforeValidator(cells.number)]
Integer = Annotated[int, BeforeValidator(cells.integer)]
Flag = Annotated[bool, BeforeValidator(cells.flag)]
Months = Annotated[frozenset[int], BeforeValidator(cells.months)]
When = Annotated[datetime, BeforeValidator(cells.date)]
Identifier = Annotated[str, BeforeValidator(cells.id_text)]
YearDays = Annotated[tuple[int, ...], BeforeValidator(cells.days_of_year)]
Words = Annotated[tuple[str, ...], BeforeValidator(cells.words)]
CellText = Annotated[str, Field(max_length=1000)]


def _lower(text: str) -> str:
    return text.strip().lower()


Platform = Annotated[Literal["fixed", "ship", "drifting", "moored"], BeforeValidator(_lower)]
Status = Annotated[Literal["open", "running", "required", "excluded"], BeforeValidator(_lower)]
Mode = Annotated[Literal["ship", "aircraft", "rail", "road", "foot"], BeforeValidator(_lower)]
Power = Annotated[Literal["mains", "generator", "solar", "none"], BeforeValidator(_lower)]


class CandidateRow(Vocabulary):
    """candidates.csv, .geojson, .gpkg: one place, ship track or drifting platform."""

    id: Identifier = described(about="Short unique name, used by rules and layouts.")
    name: CellText | None = described(None, about="Name as maps show it; empty: the id.")
    lat: Number | None = described(None, about="Latitude, south negative.", unit="degrees north")
    lon: Number | None = described(None, about="Longitude, west negative or 0-360.", unit="degrees east")
    elevation_m: Number = described(0.0, about="Height of the ground above the sea.", unit="m", ge=-450.0, le=9000.0)
    intake_m: Number = described(
        10.0, about="Height of the intake above ground.", unit="m", why="assumed", ge=0.0, le=1000.0
    )
    platform: Platform = described("fixed", about="fixed, ship, drifting or moored.")
    status: Status = described("open", about="open, running, required or excluded.")
    running_since: Number | None = described(
        None,
        about="For a running station the year its record began, as 2019 or 2019.5.",
        unit="year",
        ge=1900.0,
        le=2200.0,
    )
    running_plan: Identifier | None = described(
        None, about="For a running station the plan that tells its kind, cadence and precision."
    )
    operator: CellText | None = described(None, about="Who runs it.")
    access: CellText | None = described(None, about="How one gets there, in words.")
    method: Identifier | None = described(None, about="Method of a running station's record.")
    plans: Words = described((), about="Plans offered here; empty: all that fit (none at a running station).")
    baseline_exposure: Number = described(
        0.5, about="Share of hours with background air.", why="assumed", ge=0.0, le=1.0
    )
    contamination_risk: Number = described(
        0.1, about="Share of accepted samples touched by local sources.", why="assumed", ge=0.0, le=1.0
    )
    contamination_size: Number = described(
        0.0, about="Mean size of a contamination.", unit="unit of the tracer", ge=0.0, le=1e6
    )
    accepted_hours: Number = described(
        1.0,
        about="Share of hours kept by a daily rule, such as downslope hours on a mountain.",
        ge=0.0,
        le=1.0,
    )
    data_return: Number = described(0.9, about="Share of planned data that come home.", why="assumed", ge=0.0, le=1.0)
    open_months: Months = described(
        frozenset(range(1, 13)),
        about="Months in which it can be worked, as Nov-Feb or 11-2; a ship: its season.",
    )
    sailings_per_year: Number | None = described(
        None, about="Sailings of a ship along its track in a year.", later="record", ge=0.0, le=1000.0
    )
    duty_cycle: Number = described(
        1.0, about="Share of its months that a platform is under way and sampling.", ge=0.0, le=1.0
    )
    visits_per_year: Number | None = described(
        None, about="Calls a year at which flasks are exchanged; empty: as `[supply]` says.", ge=0.1, le=366.0
    )
    lead_months: Integer = described(
        0, about="Months to prepare, from January of the start year.", unit="months", ge=0, le=600
    )
    permit_months: Integer = described(
        0, about="Months for permits, before the preparation.", unit="months", ge=0, le=600
    )
    power: Power = described("mains", about="mains, generator, solar or none.", why="assumed")
    staffed: Flag = described(True, about="Are people at the place: yes or no.", why="assumed")
    host: CellText | None = described(None, about="Who looks after it.")
    host_strength: Number = described(0.5, about="How much the host can carry, 0 to 1.", why="assumed", ge=0.0, le=1.0)
    group: Words = described((), about="One or more group names, for rules.")
    setup_cost: Number = described(0.0, about="Cost of opening the place.", unit="currency", ge=0.0, le=1e12)
    annual_cost: Number = described(
        0.0, about="Cost of the place in a full year.", unit="currency a year", ge=0.0, le=1e12
    )
    hub: CellText | None = described(None, about="Hub that its supplies pass, where legs.csv leads to the place.")


class MonthlyRow(Vocabulary):
    """monthly.csv: numbers of one candidate in one month, in place of the yearly ones."""

    id: Identifier = described(about="Candidate.")
    month: Integer = described(about="Month, 1 to 12.", ge=1, le=12)
    exposure: Number | None = described(
        None, about="Share of hours with background air; empty: the yearly one.", ge=0.0, le=1.0
    )
    risk: Number | None = described(None, about="Contamination risk; empty: the yearly one.", ge=0.0, le=1.0)
    size: Number | None = described(
        None, about="Size of a contamination; empty: the yearly one.", unit="unit of the tracer", ge=0.0
    )


class WindRow(Vocabulary):
    """winds.csv: how often the wind blows from a sector."""

    site: Identifier = described(about="Candidate.")
    month: Integer = described(about="Month, 1 to 12.", ge=1, le=12)
    sector: Number = described(about="Direction the wind comes from.", unit="degrees", ge=0.0, le=360.0)
    speed: Number = described(about="Speed of the class.", unit="m/s", ge=0.0, le=120.0)
    stability: Annotated[Literal["A", "B", "C", "D", "E", "F"], BeforeValidator(str.strip)] = described(
        "D", about="Pasquill class, A to F."
    )
    frequency: Number = described(about="Share of the month's hours.", ge=0.0, le=1.0)


class SourceRow(Vocabulary):
    """sources.csv: a local emitter."""

    id: Identifier = described(about="Short unique name.")
    lat: Number = described(about="Latitude.", unit="degrees north", ge=-90.0, le=90.0)
    lon: Number = described(about="Longitude.", unit="degrees east", ge=-180.0, le=360.0)
    height_m: Number = described(0.0, about="Height of release.", unit="m", ge=0.0, le=2000.0)
    strength: Number = described(about="Emission.", unit="kg/s", ge=0.0)


class HubRow(Vocabulary):
    """hubs.csv: a place that transport passes and where nothing is measured, such as a port or an airfield."""

    id: Identifier = described(about="Short unique name, as legs.csv and the column `hub` use it.")
    name: CellText | None = described(None, about="Name as maps show it; empty: the id.")
    lat: Number = described(about="Latitude.", unit="degrees north", ge=-90.0, le=90.0)
    lon: Number = described(about="Longitude.", unit="degrees east", ge=-180.0, le=360.0)


class LegRow(Vocabulary):
    """legs.csv: one leg of the transport, out and back."""

    from_: Identifier = described(about="Where it starts: a candidate, a hub or `laboratory`.", alias="from")
    to: Identifier = described(about="Where it ends.")
    mode: Mode = described(about="ship, aircraft, rail, road or foot.")
    days: Number = described(about="Days of the way.", unit="days", ge=0.0, le=400.0)
    departures_a_year: Number | None = described(
        None,
        about="Departures a year, evenly spread over the open months; empty, and no `departures`: any day.",
        gt=0.0,
        le=10000.0,
    )
    departures: YearDays = described(
        (), about="Named days of departure, as 01-15 08-01; the way back begins on arrival."
    )
    months_open: Months = described(frozenset(range(1, 13)), about="Months in which it departs.")
    cost_a_box: Number = described(0.0, about="Price of one box, one way.", unit="currency", ge=0.0, le=1e9)
    fixed_cost_a_year: Number = described(
        0.0,
        about="Cost of having the leg, or its voyage, at all; paid once a year by all who use it.",
        unit="currency a year",
        ge=0.0,
        le=1e12,
    )
    capacity_in_boxes: Number | None = described(
        None, about="Boxes that one departure carries each way; empty: enough.", ge=0.0, le=1e9
    )
    voyage: Identifier | None = described(
        None, about="Voyage that this leg is a part of; its legs share one fixed cost."
    )
    both_ways: Flag = described(True, about="Does it also lead back, at the same price: yes or no.")


class LayoutRow(Vocabulary):
    """layouts/*.csv: one picked deployment of a layout to be judged."""

    id: Identifier = described(about="Candidate.")
    plan: Identifier = described(about="Sampling plan.")
    start_year: Integer | None = described(None, about="Start year; empty: the first.", ge=1900, le=2200)


class RecordRow(Vocabulary):
    """records/*.csv: one measurement of a record, from which noise is estimated."""

    time: When = described(about="Time, ISO or decimal year.")
    value: Number = described(about="Mole fraction; may be empty in a flagged row.", unit="unit of the tracer")
    method: Identifier | None = described(None, about="Method.")
    flag: CellText | None = described(None, about="Anything but empty, 0 or ok: not used.")


# Numeric candidate columns whose spread the user may give as <column>_low and <column>_high.
SPREAD_COLUMNS: tuple[str, ...] = (
    "baseline_exposure",
    "contamination_risk",
    "contamination_size",
    "accepted_hours",
    "data_return",
    "lead_months",
    "permit_months",
    "setup_cost",
    "annual_cost",
    "host_strength",
    "duty_cycle",
)
# Columns of size, strength and value belong to the first tracer; for another one `.NAME` follows.
TRACER_COLUMNS: dict[str, str] = {
    "candidates": "contamination_size",
    "monthly": "size",
    "sources": "strength",
    "records": "value",
}
