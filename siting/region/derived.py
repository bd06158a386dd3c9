"""What `siting derive` wrote beside the user's files, used only where these say nothing; what it could still fill."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from siting.arrays import Bools, Codes, Floats
from siting.region.candidates import (
    SHARES,
    SIZE,
    Entry,
    Months,
    entry_of,
    first_tracer,
    id_twice,
    number_columns,
    tracer_column,
)
from siting.region.faults import Findings
from siting.region.model import Origin, Region, frozen_mapping
from siting.region.plain import listed
from siting.region.rows import Raw, check_rows
from siting.region.schema.lookups import column_names
from siting.region.schema.tables import CandidateRow

PRICES = ("setup_cost", "annual_cost")
# Columns of candidates.derived.csv for people and for `siting derive` itself; they fill nothing.
HINT_COLUMNS = ("coast_km", "nearest_airport", "airport_km", "nearest_port", "port_km", "inputs")


def fill_derived(entries: Sequence[Entry], raw: Raw, tracers: Sequence[str], findings: Findings) -> None:
    """Fill empty cells from candidates.derived.csv; what the user gave is never touched."""
    numbers = number_columns(tracers)
    hints = {*HINT_COLUMNS, *(f"{column}_source" for column in (*column_names(CandidateRow), *numbers))}
    checked = check_rows(raw, CandidateRow, findings, number_columns=numbers, hints=hints)
    by_id: dict[str, Entry] = {}
    for place, row in zip(checked.index, checked.rows, strict=True):
        derived = entry_of(raw, checked, place, row, None)
        first_tracer(derived, tracer_column(SIZE, tracers[0]), findings)
        if row.id in by_id:
            id_twice(derived, by_id[row.id], findings)
        by_id[row.id] = derived
    name_gone(raw.file, by_id.keys() - {entry.row.id for entry in entries}, findings)
    for entry in entries:
        if entry.row.id in by_id:
            _fill(entry, by_id[entry.row.id])


def name_gone(file: str, ids: set[str], findings: Findings) -> None:
    """Warn of derived rows whose candidates are not in the region any more."""
    if ids:
        problem = "derived rows of candidates that are not there any more"
        findings.warn(file, None, "id", listed(sorted(ids)), problem, mend="run `siting derive` again")


def name_prices(entries: Sequence[Entry], derived: Raw | None, findings: Findings) -> None:
    """Say where prices of places were not given: they are assumed by `siting derive`, or count as 0."""
    new = [entry for entry in entries if entry.row.status != "running"]
    for file in dict.fromkeys(entry.file for entry in entries):
        for column in PRICES:
            bare = sum(1 for entry in new if entry.file == file and column not in entry.row.model_fields_set)
            if bare:
                problem = f"not given for {_candidates(bare)}, counted as 0 there"
                findings.warn(file, None, column, None, problem, mend="fill it in")
    if derived is None:
        return
    for column in PRICES:
        assumed = sum(1 for entry in new if column in entry.filled)
        if assumed:
            problem = f"assumed for {_candidates(assumed)}, by the rules of [geography], not asked from anybody"
            where = listed(sorted({entry.file for entry in new if column in entry.filled}))
            findings.warn(derived.file, None, column, None, problem, mend=f"give real prices in {where}")


def take_months(entries: Sequence[Entry], given: Months, derived: Months) -> None:
    """Count a yearly number as given, or as derived, where monthly tables have it for every open month."""
    for entry in entries:
        keys = [(entry.row.id, month) for month in entry.row.open_months]
        for column, name in zip(SHARES, ("exposure", "risk"), strict=True):
            told = [name in given.get(key, {}) for key in keys]
            found = [name in derived.get(key, {}) for key in keys]
            if keys and all(told):
                entry.origins[column] = Origin.GIVEN
            elif keys and not entry.gave(column) and all(np.logical_or(told, found)):
                entry.origins[column] = Origin.DERIVED


def derivable(region: Region) -> Mapping[str, int]:
    """Return by column for how many candidates neither the user nor a derived file gave the number.

    Columns for which there is none are left out; of exposure, risk and sizes the open months count, of prices the
    places that do not run already. Prices of a derived file are assumed ones, and so count as filled.
    """
    c, months = region.candidates, region.open_months
    missing = {
        "baseline_exposure": (_bare(region.exposure_origin) & months).any(axis=1),
        "contamination_risk": (_bare(region.risk_origin) & months).any(axis=1),
        "elevation_m": _bare(c.origin["elevation_m"]),
    }
    for t, tracer in enumerate(region.tracers):
        column = SIZE if t == 0 else tracer_column(SIZE, tracer)
        missing[column] = (_bare(region.size_origin[t]) & months).any(axis=1)
    for column in PRICES:
        missing[column] = (c.origin[column] == Origin.DEFAULTED) & ~c.running()
    return frozen_mapping({column: int(where.sum()) for column, where in missing.items() if where.any()})


def _fill(entry: Entry, derived: Entry) -> None:
    given = entry.row.model_fields_set | entry.doubtful
    new = {
        column: getattr(derived.row, column)
        for column in derived.row.model_fields_set
        if column not in given and column not in ("id", "lat", "lon")
    }
    numbers: dict[str, float] = {}
    for column, value in derived.numbers.items():
        # a derived spread belongs to the derived number, not to one that the user gave
        nominal = column.removesuffix("_low").removesuffix("_high")
        if column not in entry.numbers and column not in entry.doubtful and (nominal == column or nominal in new):
            numbers[column] = value
    entry.numbers |= numbers
    entry.row = entry.row.model_copy(update=new)
    entry.filled = frozenset((*new, *numbers))
    for column in entry.filled:
        entry.origins[column] = Origin.ASSUMED if column.startswith(PRICES) else Origin.DERIVED


def _bare(origins: Codes) -> Bools:
    """Mask the numbers that nobody gave and no file derived."""
    return np.asarray(origins >= Origin.ASSUMED, dtype=bool)


def _candidates(count: int) -> str:
    return f"{count} candidate{'s' * (count > 1)}"


def distances_of(entries: Sequence[Entry], raw: Raw | None) -> Floats:
    """Return kilometres (n, 2) to the nearest airport and supply port by candidates.derived.csv, NaN for none."""
    found = {}
    columns = ("airport_km", "port_km")
    if raw is not None and {"id", *columns} <= set(raw.columns):
        at = [raw.columns.index(name) for name in ("id", *columns)]
        for row in raw.rows:
            found[row[at[0]]] = [_kilometres(row[k]) for k in at[1:]]
    nothing = [float("nan")] * 2
    table = np.zeros((len(entries), 2))
    table[:] = [found.get(entry.row.id, nothing) for entry in entries] if entries else 0.0
    return table


def _kilometres(cell: str) -> float:
    """Return a distance, NaN for a cell that holds none: nobody but `siting derive` writes these."""
    try:
        value = float(cell)
    except ValueError:
        return float("nan")
    return value if 0.0 <= value < float("inf") else float("nan")
