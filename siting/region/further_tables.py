"""The tables that a region may have beside its candidates: months, winds, sources, hubs, legs, layouts, records."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import numpy as np

from siting.arrays import Floats, read_only
from siting.region.candidates import tracer_column
from siting.region.cells import CellError, id_text
from siting.region.derived import name_gone
from siting.region.faults import Findings
from siting.region.folder import DERIVED_MONTHS_FILE, read_optional, tables_in
from siting.region.recorded import without_blanks
from siting.region.references import KnownIds, check_layout_words
from siting.region.rows import Checked, Raw, check_rows
from siting.region.schema.common import Vocabulary
from siting.region.schema.tables import (
    TRACER_COLUMNS,
    HubRow,
    LayoutRow,
    LegRow,
    MonthlyRow,
    RecordRow,
    SourceRow,
    WindRow,
)
from siting.region.transport import HUBS, LEGS, hub_names, read_hubs, read_legs

Row = TypeVar("Row", bound=Vocabulary)
# Shares rounded to a few digits sum to a little more or less than 1.
SHARES_OFF = 0.02


@dataclass(frozen=True)
class Context:
    """What the tables are checked against; `window` is None where the years are faulty themselves."""

    tracers: Sequence[str]
    known: KnownIds
    plans: Collection[str]
    window: tuple[int, int] | None


@dataclass
class FurtherTables:
    """The checked rows of the further tables, in an order of their own, and their raw cells for the hashes.

    `source_strength` (tracers, sources) and `record_values` (tracers, rows) hold the numbers that belong to a tracer.
    `derived_months` and `derived_raw` come from monthly.derived.csv, whose rows nobody typed.
    """

    months: dict[tuple[str, int], dict[str, float]] = field(default_factory=dict)
    derived_months: dict[tuple[str, int], dict[str, float]] = field(default_factory=dict)
    derived_raw: Raw | None = None
    winds: tuple[WindRow, ...] = ()
    sources: tuple[SourceRow, ...] = ()
    source_strength: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    hubs: tuple[HubRow, ...] = ()
    legs: tuple[LegRow, ...] = ()
    layouts: dict[str, tuple[LayoutRow, ...]] = field(default_factory=dict)
    records: dict[str, tuple[RecordRow, ...]] = field(default_factory=dict)
    record_values: dict[str, Floats] = field(default_factory=dict)
    raws: list[Raw] = field(default_factory=list)


def read_further_tables(path: Path, context: Context, findings: Findings) -> FurtherTables:
    """Read and check the tables beside the candidates; faults and warnings go to `findings`."""
    tables = FurtherTables(source_strength=np.zeros((len(context.tracers), 0)))
    if (raw := read_optional(path, "monthly.csv", findings)) is not None:
        tables.raws.append(raw)
        _check_ids(raw, "id", context, findings)
        tables.months = _months(raw, context, findings)
    if (raw := read_optional(path, DERIVED_MONTHS_FILE, findings)) is not None:
        tables.derived_raw = raw
        derived = _months(raw, context, findings)
        name_gone(raw.file, {name for name, _ in derived} - context.known.ids, findings)
        tables.derived_months = {key: numbers for key, numbers in derived.items() if key[0] in context.known.ids}
    if (raw := read_optional(path, "winds.csv", findings)) is not None:
        tables.raws.append(raw)
        tables.winds = _winds(raw, context, findings)
    if (raw := read_optional(path, "sources.csv", findings)) is not None:
        tables.raws.append(raw)
        tables.sources, tables.source_strength = _sources(raw, context, findings)
    known = len(findings.faults)
    hubs: frozenset[str] | None = frozenset()
    if (raw := read_optional(path, HUBS, findings)) is not None:
        # of rows that could not be told nobody knows the names
        hubs = hub_names(raw) if len(findings.faults) == known else None
        tables.raws.append(raw)
        tables.hubs = read_hubs(raw, context.known, findings)
    elif len(findings.faults) > known:
        hubs = None
    if (raw := read_optional(path, LEGS, findings)) is not None:
        tables.raws.append(raw)
        tables.legs = read_legs(raw, hubs, context.known, findings)
    for name, raw in tables_in(path, "layouts", findings):
        tables.raws.append(raw)
        tables.layouts[name] = layout_rows(raw, context, findings)
    for name, raw in tables_in(path, "records", findings):
        tables.raws.append(raw)
        filled, _ = without_blanks(raw)
        checked = check_rows(filled, RecordRow, findings, number_columns=_tracer_columns("records", context))
        values = _by_tracer("records", checked, [row.value for row in checked.rows], context, np.nan)
        order = sorted(range(len(checked.rows)), key=lambda k: (checked.rows[k].time, checked.rows[k].method or "", k))
        tables.records[name] = tuple(checked.rows[k] for k in order)
        tables.record_values[name] = read_only(values[:, order])
        if context.known.unknown(name):
            findings.warn(raw.file, None, None, name, "no candidate has this id", mend=context.known.mend(name))
    return tables


def layout_rows(raw: Raw, context: Context, findings: Findings) -> tuple[LayoutRow, ...]:
    """Check the rows of a layout table against the region and return them in the order of ids."""
    checked = check_rows(raw, LayoutRow, findings)
    _check_ids(raw, "id", context, findings)
    check_layout_words(_numbered(raw, checked), raw.file, context.plans, context.window, findings)
    return tuple(sorted(checked.rows, key=lambda row: row.id))


def _check_ids(raw: Raw, column: str, context: Context, findings: Findings) -> None:
    """Note ids that no candidate has, also in rows that have other faults."""
    if column not in raw.columns:
        return
    at = raw.columns.index(column)
    named: list[tuple[int | None, str]] = []
    for number, row in zip(raw.numbers, raw.rows, strict=True):
        try:
            named.append((number, id_text(row[at])))
        except CellError:
            continue  # told already, with what an id may be
    context.known.check(raw.file, column, named, findings)


def _numbered(raw: Raw, checked: Checked[Row]) -> Sequence[tuple[int, Row]]:
    return [(raw.numbers[place], row) for place, row in zip(checked.index, checked.rows, strict=True)]


def _tracer_columns(file: str, context: Context) -> dict[str, str]:
    base = TRACER_COLUMNS[file]
    return {tracer_column(base, name): base for name in context.tracers}


def _by_tracer(file: str, checked: Checked[Row], first: Sequence[float], context: Context, absent: float) -> Floats:
    """Return (tracers, rows) numbers: the plain column is the first tracer's, unless it has one of its own."""
    found = np.full((len(context.tracers), len(checked.rows)), absent)
    found[0] = first
    for t, name in enumerate(context.tracers):
        cells = checked.numbers_of.get(tracer_column(TRACER_COLUMNS[file], name), {})
        for k, place in enumerate(checked.index):
            found[t, k] = cells.get(place, found[t, k])
    return found


def _months(raw: Raw, context: Context, findings: Findings) -> dict[tuple[str, int], dict[str, float]]:
    """Return the numbers of monthly.csv, or of monthly.derived.csv, by (id, month)."""
    checked = check_rows(raw, MonthlyRow, findings, number_columns=_tracer_columns("monthly", context))
    found: dict[tuple[str, int], dict[str, float]] = {}
    first: dict[tuple[str, int], int] = {}
    for place, row in zip(checked.index, checked.rows, strict=True):
        number = raw.numbers[place]
        key = (row.id, row.month)
        if first.setdefault(key, number) != number:
            findings.fault(
                raw.file,
                number,
                "month",
                row.month,
                f"this month of '{row.id}' stands in row {first[key]} already",
                allowed="one row for each candidate and month",
                mend="take one of the two out",
            )
            continue
        numbers = {c: getattr(row, c) for c in ("exposure", "risk", "size") if getattr(row, c) is not None}
        found[key] = numbers | {c: cells[place] for c, cells in checked.numbers_of.items() if place in cells}
    return found


def _winds(raw: Raw, context: Context, findings: Findings) -> tuple[WindRow, ...]:
    checked = check_rows(raw, WindRow, findings)
    shares: dict[tuple[str, int], list[float]] = defaultdict(list)
    last: dict[tuple[str, int], int] = {}
    _check_ids(raw, "site", context, findings)
    for number, row in _numbered(raw, checked):
        shares[row.site, row.month].append(row.frequency)
        last[row.site, row.month] = number
    # where a row is faulty, nobody knows to which month its share belongs
    whole = not checked.faulty
    for (site, month), parts in shares.items():
        total = math.fsum(parts)
        # rounded first: 0.49 + 0.49 is not quite 0.98
        off = round(total - 1.0, 9)
        if off > SHARES_OFF or (off < -SHARES_OFF and whole):
            findings.fault(
                raw.file,
                last[site, month],
                "frequency",
                f"a sum of {total:.6g}",
                f"the shares of month {month} of '{site}' do not sum to 1",
                allowed=f"shares of a month's hours that sum to 1 within {SHARES_OFF:g}, calm hours among them",
                mend="write shares from 0 to 1, not per cent, each class of wind once",
            )
    return tuple(sorted(checked.rows, key=lambda w: (w.site, w.month, w.sector, w.speed, w.stability, w.frequency)))


def _sources(raw: Raw, context: Context, findings: Findings) -> tuple[tuple[SourceRow, ...], Floats]:
    """Return the sources in the order of ids and their strengths (tracers, sources), 0 where none is given."""
    checked = check_rows(raw, SourceRow, findings, number_columns=_tracer_columns("sources", context))
    first: dict[str, int] = {}
    for number, row in _numbered(raw, checked):
        if first.setdefault(row.id, number) != number:
            findings.fault(
                raw.file,
                number,
                "id",
                row.id,
                f"id stands in row {first[row.id]} already",
                allowed="each id once",
                mend="rename one of the two",
            )
    strength = _by_tracer("sources", checked, [row.strength for row in checked.rows], context, 0.0)
    order = sorted(range(len(checked.rows)), key=lambda k: checked.rows[k].id)
    return tuple(checked.rows[k] for k in order), read_only(strength[:, order])
