"""From a CSV of measurements, or the records of a region, to a fitted noise."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from siting.arrays import Floats, read_only
from siting.noise.fit import NoiseFit, fit_noise
from siting.region.faults import Fault, Findings, InputError
from siting.region.model import Region, frozen_mapping
from siting.region.plain import listed
from siting.region.recorded import is_used, without_blanks
from siting.region.rows import check_rows
from siting.region.schema.tables import RecordRow
from siting.region.tables import RawTable, read_table

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
VALUE = "value"


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """The usable samples of a record: `days` (n,) from 1 January 1970 UTC, `values` (n,), a method each.

    `flagged` counts the rows that their flag put aside, `empty` those without a value of a further tracer.
    """

    days: Floats
    values: Floats
    methods: tuple[str, ...]
    flagged: int
    empty: int


def read_record(path: str | Path, *, column: str | None = None) -> tuple[Samples, tuple[Fault, ...]]:
    """Read a record from a CSV file with the columns time, value, method and flag; also return the warnings.

    `column` names another column of values, `value.<tracer>` or the tracer alone; rows where it is empty
    are passed over. Rows whose flag is not empty, 0 or ok are not used and may lack a value. Raises
    `InputError` with every fault of the file.
    """
    file = Path(path)
    findings = Findings()
    if not file.exists():
        findings.fault(str(path), None, None, None, "no such file", mend="check the name and the folder")
        findings.raise_if_any()
    raw = read_table(file, str(path), findings)
    if raw is None:
        findings.raise_if_any()
        raise AssertionError("a table could not be read although no fault was found")
    further = [name for name in raw.columns if name.startswith(f"{VALUE}.")]
    chosen = _chosen(raw, column, further, findings)
    empty = 0
    if chosen is None:
        check_rows(raw, RecordRow, findings, number_columns=dict.fromkeys(further, VALUE), optional=(VALUE,))
        findings.raise_if_any()
        raise AssertionError("no column of values although no fault was found")
    raw, aside = without_blanks(raw) if chosen == VALUE else (raw, 0)
    if chosen != VALUE:
        raw, empty = _as_value(raw, chosen)
        further = [name for name in further if name != chosen]
    own = Findings()
    checked = check_rows(raw, RecordRow, own, number_columns=dict.fromkeys(further, VALUE))
    findings.faults += [_named(fault, chosen) for fault in own.faults]
    findings.warnings += [w for w in own.warnings if w.field != _ASIDE]
    findings.raise_if_any()
    samples = samples_of(checked.rows)
    samples = replace(samples, flagged=samples.flagged + aside, empty=empty)
    return samples, tuple(findings.warnings)


_ASIDE = "value (not asked for)"


def _chosen(raw: RawTable, column: str | None, further: list[str], findings: Findings) -> str | None:
    """Return the column of values that is meant, or note that there is none."""
    if column is None:
        if VALUE in raw.columns or not further:
            return VALUE
        problem, wanted = "column missing", None
        mend = f"name one with --column: {listed(further)}"
    else:
        wanted = column.strip().lower()
        for name in (wanted, f"{VALUE}.{wanted}"):
            if name in raw.columns and (name == VALUE or name in further):
                return name
        problem = "no such column of values"
        there = [name for name in raw.columns if name == VALUE or name in further]
        mend = f"the file has {listed(there)}" if there else f"add a column {VALUE}.{wanted}"
    allowed = f"`{VALUE}`, or `{VALUE}.` and the name of a tracer"
    findings.fault(raw.file, 1, VALUE if wanted is None else wanted, None, problem, allowed=allowed, mend=mend)
    return None


def _as_value(raw: RawTable, chosen: str) -> tuple[RawTable, int]:
    """Return the table with the chosen column in the place of `value`, and the rows passed over as empty."""
    names = {chosen: VALUE, VALUE: _ASIDE}
    at = raw.columns.index(chosen)
    kept = [i for i, row in enumerate(raw.rows) if row[at] != ""]
    table = RawTable(
        raw.file,
        tuple(names.get(name, name) for name in raw.columns),
        tuple(raw.rows[i] for i in kept),
        tuple(raw.numbers[i] for i in kept),
    )
    return table, len(raw.rows) - len(kept)


def _named(fault: Fault, chosen: str) -> Fault:
    """Give a fault the name that the column of values has in the file, and the mend that a record allows."""
    if fault.field != VALUE:
        return fault
    mend = "fill it in, or take the row out" if fault.mend == "fill it in" else fault.mend
    return replace(fault, field=chosen, mend=mend)


def samples_of(rows: Iterable[RecordRow]) -> Samples:
    """Return the usable samples of checked rows."""
    found = list(rows)
    used = [row for row in found if is_used(row.flag)]
    days = np.array([(row.time - _EPOCH).total_seconds() / 86400.0 for row in used], dtype=float)
    values = np.array([row.value for row in used], dtype=float)
    methods = tuple(row.method or "" for row in used)
    return Samples(read_only(days), read_only(values), methods, len(found) - len(used), 0)


def noise_of_record(samples: Samples, file: str) -> NoiseFit:
    """Fit the noise of samples; raises `InputError` that names the file if they are too few or too short."""
    try:
        return fit_noise(samples.days, samples.values, methods=samples.methods)
    except ValueError as error:
        findings = Findings()
        flagged = f"; {samples.flagged} rows were put aside by their flag" if samples.flagged else ""
        findings.fault(file, None, None, None, f"{error}{flagged}", mend="give a longer record")
        findings.raise_if_any()
        raise AssertionError("unreachable") from error


def noise_of_records(region: Region, *, tracer: int = 0, findings: Findings | None = None) -> Mapping[str, NoiseFit]:
    """Return the noise of a tracer (the first one) at each candidate of a region that has a file in records/, by id.

    A record that cannot be fitted raises `InputError` with the faults of all such records; with `findings`
    they become warnings there and their sites are left out.
    """
    found, faults = _fitted(region, tracer, frozenset())
    if findings is not None:
        findings.warnings += [fault for _, fault in faults]
    elif faults:
        raise InputError([fault for _, fault in faults])
    return frozen_mapping(found)


def fits_of_records(
    region: Region, tracer: int, *, without: frozenset[str] = frozenset()
) -> tuple[Mapping[str, NoiseFit], Mapping[str, str]]:
    """Return the noise of a tracer by candidate, and by candidate why a record could not be fitted.

    Candidates in `without` are passed over, and so are records that hold no value of a further tracer.
    """
    found, faults = _fitted(region, tracer, without)
    return frozen_mapping(found), frozen_mapping({name: fault.problem for name, fault in faults})


def _fitted(
    region: Region, tracer: int, without: frozenset[str]
) -> tuple[dict[str, NoiseFit], list[tuple[str, Fault]]]:
    found: dict[str, NoiseFit] = {}
    faults: list[tuple[str, Fault]] = []
    # The reader has warned of records whose name no candidate has.
    known = frozenset(region.candidates.ids) - without
    for name, rows in region.records.items():
        if name not in known:
            continue
        samples = _samples_of_tracer(region, name, rows, tracer)
        if samples is None:
            continue
        try:
            found[name] = noise_of_record(samples, f"records/{name}.csv")
        except InputError as error:
            faults += [(name, fault) for fault in error.faults]
    return found, faults


def _samples_of_tracer(region: Region, name: str, rows: Sequence[RecordRow], tracer: int) -> Samples | None:
    """Return the usable samples of one tracer in a record of a region; None if a further tracer has no value."""
    if tracer == 0:
        return samples_of(rows)
    values = region.record_values.get(name)
    there = [] if values is None else [k for k in range(len(rows)) if np.isfinite(values[tracer, k])]
    if values is None or not there:
        return None
    kept = [rows[k].model_copy(update={"value": float(values[tracer, k])}) for k in there]
    return replace(samples_of(kept), empty=len(rows) - len(kept))
