"""Read and check a region folder: every fault of every file at once, or a frozen Region."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import shapely
from pydantic import ValidationError

from siting.region import candidates as candidate_files
from siting.region.crosschecks import TOML, check_against_candidates, check_layout_words, check_settings
from siting.region.faults import Findings
from siting.region.features import RawFeatures, read_features
from siting.region.model import Region, frozen_mapping
from siting.region.plain import nearest, plain
from siting.region.rows import Checked, Raw, check_rows
from siting.region.schema.common import Vocabulary
from siting.region.schema.lookups import field_limits, model_at, unused_settings
from siting.region.schema.settings import SCHEMA_VERSION, Settings
from siting.region.schema.tables import (
    TRACER_COLUMNS,
    CandidateRow,
    LayoutRow,
    LegRow,
    MonthlyRow,
    RecordRow,
    SourceRow,
    WindRow,
)
from siting.region.tables import read_table
from siting.region.toml import read_toml

Row = TypeVar("Row", bound=Vocabulary)
Line = Callable[[tuple[str | int, ...]], int | None]

CANDIDATE_FILES = ("candidates.csv", "candidates.geojson", "candidates.gpkg")
DERIVED_FILE = "candidates.derived.csv"
TABLE_FILES = ("monthly.csv", "winds.csv", "sources.csv", "legs.csv")


def read_region(folder: str | Path) -> Region:
    """Read a region folder.

    Raises `InputError` with every fault of every file (file, row, field, value, what is allowed, the
    mend). Warnings are kept on the Region.
    """
    path = Path(folder)
    findings = Findings()
    if not path.is_dir():
        problem = "is a file, not a region folder" if path.exists() else "no such folder"
        findings.fault(
            str(folder),
            None,
            None,
            None,
            problem,
            mend="name a folder that holds region.toml; `siting new NAME` makes one",
        )
        findings.raise_if_any()
    settings, line, content = _read_settings(path, findings)
    raws = _candidate_raws(path, findings)
    _unknown_files(path, findings)
    tracers = _tracer_names(settings, content)
    entries = candidate_files.read_entries(raws, tracers, findings)
    derived_raw = read_table(path / DERIVED_FILE, DERIVED_FILE, findings) if (path / DERIVED_FILE).exists() else None
    if derived_raw is not None:
        derived = check_rows(
            derived_raw, CandidateRow, findings, number_columns=candidate_files.number_columns(tracers)
        )
        candidate_files.fill_derived(entries, derived, findings, DERIVED_FILE)
    candidate_files.check_entries(entries, findings)
    entries.sort(key=lambda entry: entry.row.id)
    if raws and not entries and not findings.faults:
        findings.fault(raws[0].file, None, None, None, "no candidate in it", mend="add at least one row")

    tables: dict[str, Raw] = {}
    for name in TABLE_FILES:
        if (path / name).exists():
            raw = read_table(path / name, name, findings)
            if raw is not None:
                tables[name] = raw
    ids = [entry.row.id for entry in entries]
    months = _monthly(tables.get("monthly.csv"), tracers, ids, findings)
    winds = _table(tables.get("winds.csv"), WindRow, ids, "site", findings)
    sources = _table(tables.get("sources.csv"), SourceRow, None, "", findings, _tracer_columns("sources", tracers))
    legs = _table(tables.get("legs.csv"), LegRow, None, "", findings)
    if settings is not None:
        check_settings(settings, line, findings)
        check_against_candidates(settings, entries, line, findings)
        _name_unused(settings, line, findings)
    layouts: dict[str, tuple[LayoutRow, ...]] = {}
    for file in sorted((path / "layouts").glob("*.csv")) if (path / "layouts").is_dir() else []:
        name = f"layouts/{file.name}"
        raw = read_table(file, name, findings)
        if raw is not None:
            tables[name] = raw
            layouts[file.stem] = layout_rows(raw, settings, ids, findings)
    records: dict[str, tuple[RecordRow, ...]] = {}
    for file in sorted((path / "records").glob("*.csv")) if (path / "records").is_dir() else []:
        name = f"records/{file.name}"
        raw = read_table(file, name, findings)
        if raw is not None:
            tables[name] = raw
            records[file.stem] = _table(raw, RecordRow, None, "", findings, _tracer_columns("records", tracers))
            if file.stem not in ids:
                findings.warn(name, None, None, file.stem, "no candidate has this id")
    findings.raise_if_any()
    if settings is None:
        raise AssertionError("settings are missing although no fault was found")

    arrays = candidate_files.monthly_arrays(entries, tracers, months)
    _price_notes(entries, findings)
    inputs = [(TOML, _hash(content))]
    inputs += [(raw.file, _hash(_rows_content(raw))) for raw in [*raws, *tables.values()]]
    if derived_raw is not None:
        inputs.append((DERIVED_FILE, _hash(_rows_content(derived_raw))))
    return Region(
        name=path.resolve().name,
        settings=settings,
        candidates=candidate_files.build(entries, settings.supply.visits_per_year),
        winds=winds,
        sources=sources,
        legs=legs,
        layouts=frozen_mapping(layouts),
        records=frozen_mapping(records),
        inputs=tuple(sorted(inputs)),
        rows_read=sum(len(raw.rows) for raw in [*raws, *tables.values()]),
        warnings=tuple(findings.warnings),
        **arrays,
    )


def layout_rows(raw: Raw, settings: Settings | None, ids: Sequence[str], findings: Findings) -> tuple[LayoutRow, ...]:
    """Check the rows of a layout table against the region and return them in the order of ids."""
    checked = check_rows(raw, LayoutRow, findings)
    if settings is not None:
        rows = [
            (raw.numbers[place], row.id, row.plan, row.start_year)
            for place, row in zip(checked.index, checked.rows, strict=True)
        ]
        check_layout_words(settings, ids, rows, raw.file, findings)
    return tuple(sorted(checked.rows, key=lambda row: row.id))


def _read_settings(path: Path, findings: Findings) -> tuple[Settings | None, Line, dict[str, Any]]:
    """Return the settings (None if faulty), the finder of lines and the parsed content."""
    read = read_toml(path / TOML, TOML, findings)
    if read is None:
        return None, lambda _: None, {}
    content, index = read
    version = content.get("schema_version")
    if isinstance(version, int) and not isinstance(version, bool) and version > SCHEMA_VERSION:
        findings.fault(
            TOML,
            index.line_of(("schema_version",)),
            "schema_version",
            version,
            "the folder was written for a newer version of this program",
            allowed=f"1 to {SCHEMA_VERSION}",
            mend="install a newer version of siting",
        )
        return None, index.line_of, content
    try:
        return Settings.model_validate(_tuples(content)), index.line_of, content
    except ValidationError as error:
        for detail in error.errors():
            _settings_fault(detail, content, index.line_of, findings)
        return None, index.line_of, content


def _settings_fault(detail: Any, content: Mapping[str, Any], line: Line, findings: Findings) -> None:
    location = _without_tags(detail["loc"], content)
    parent = location[:-1]
    known = _known_names(parent, content) if detail["type"] == "extra_forbidden" else ()
    words = plain(detail, known=known, limits=_setting_limits(location, content))
    row = line(location)
    findings.fault(
        TOML,
        row,
        _place(location, content),
        words.value,
        words.problem,
        allowed=words.allowed,
        mend=words.mend,
    )


def _without_tags(loc: tuple[str | int, ...], content: Mapping[str, Any]) -> tuple[str | int, ...]:
    """Drop the kind that pydantic puts into the path of a rule, and the halves of unions."""
    path: list[str | int] = []
    for i, part in enumerate(loc):
        if i == 2 and loc[0] == "rules" and isinstance(part, str):
            continue
        if isinstance(part, str) and ("[" in part or "(" in part or part in ("float", "int", "tuple", "str")):
            continue
        path.append(part)
    return tuple(path)


def _place(location: tuple[str | int, ...], content: Mapping[str, Any]) -> str:
    """Return a setting's place in words: plan 'weekly', kind."""
    words: list[str] = []
    here: Any = content
    for part in location:
        if isinstance(part, int):
            here = here[part] if isinstance(here, list) and part < len(here) else None
            name = here.get("id") or here.get("name") if isinstance(here, dict) else None
            words[-1:] = [f"{words[-1]} '{name}'" if name else f"{words[-1]} no. {part + 1}"] if words else []
        else:
            words.append(part)
            here = here.get(part) if isinstance(here, dict) else None
    return ", ".join(words)


def _known_names(parent: tuple[str | int, ...], content: Mapping[str, Any]) -> tuple[str, ...]:
    model = model_at(parent, content)
    return tuple(model.model_fields) if model is not None else ()


def _setting_limits(location: tuple[str | int, ...], content: Mapping[str, Any]) -> str:
    model = model_at(location[:-1], content)
    if model is None or not issubclass(model, Vocabulary):
        return ""
    return field_limits(model).get(str(location[-1]), "")


def _tuples(value: Any) -> Any:
    """Turn lists into tuples all the way down, as the frozen models hold them."""
    if isinstance(value, list):
        return tuple(_tuples(item) for item in value)
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return value


def _tracer_names(settings: Settings | None, content: Mapping[str, Any]) -> list[str]:
    if settings is not None:
        return [tracer.name for tracer in settings.tracers]
    found = content.get("tracers")
    names = [t.get("name") for t in found if isinstance(t, dict)] if isinstance(found, list) else []
    return [name for name in names if isinstance(name, str)] or ["tracer"]


def _candidate_raws(path: Path, findings: Findings) -> list[Raw]:
    raws: list[Raw] = []
    names = [name for name in CANDIDATE_FILES if (path / name).exists()]
    if not names:
        findings.fault(
            "candidates.csv",
            None,
            None,
            None,
            "no file of candidates in the folder",
            allowed=", ".join(CANDIDATE_FILES),
            mend="add one; `siting new NAME` shows its columns",
        )
    for name in names:
        raw: Raw | None = (
            read_table(path / name, name, findings)
            if name.endswith(".csv")
            else read_features(path / name, name, findings)
        )
        if raw is not None:
            raws.append(raw)
    return raws


def _unknown_files(path: Path, findings: Findings) -> None:
    known = [TOML, *CANDIDATE_FILES, DERIVED_FILE, *TABLE_FILES]
    for file in sorted(path.iterdir()):
        name = file.name
        if (
            name in known
            or file.is_dir()
            or name.startswith((".", "~"))
            or file.suffix not in (".csv", ".geojson", ".gpkg", ".toml")
        ):
            continue
        near = nearest(name, known)
        findings.warn(
            name,
            None,
            None,
            None,
            "not read: no file of this name belongs to a region",
            mend=f"if you meant '{near}', rename it" if near else None,
        )


def _tracer_columns(file: str, tracers: Sequence[str]) -> dict[str, str]:
    base = TRACER_COLUMNS[file]
    return {f"{base}.{name.lower()}": base for name in tracers}


def _monthly(
    raw: Raw | None, tracers: Sequence[str], ids: Sequence[str], findings: Findings
) -> dict[tuple[str, int], dict[str, float]]:
    """Return the numbers of monthly.csv by (id, month)."""
    if raw is None:
        return {}
    checked: Checked[MonthlyRow] = check_rows(
        raw, MonthlyRow, findings, number_columns=_tracer_columns("monthly", tracers)
    )
    known = set(ids)
    found: dict[tuple[str, int], dict[str, float]] = {}
    first: dict[tuple[str, int], int] = {}
    for place, row in zip(checked.index, checked.rows, strict=True):
        number = raw.numbers[place]
        if row.id not in known:
            findings.fault(raw.file, number, "id", row.id, "no candidate has this id", mend="check the id")
            continue
        key = (row.id, row.month)
        if key in first:
            findings.fault(
                raw.file,
                number,
                "month",
                row.month,
                f"month stands already in row {first[key]}",
                mend="one row for each candidate and month",
            )
            continue
        first[key] = number
        numbers = {c: getattr(row, c) for c in ("exposure", "risk", "size") if getattr(row, c) is not None}
        numbers |= {c: cells[place] for c, cells in checked.numbers_of.items() if place in cells}
        found[key] = numbers
    return found


def _table(
    raw: Raw | None,
    model: type[Row],
    ids: Sequence[str] | None,
    id_column: str,
    findings: Findings,
    number_columns: Mapping[str, str] | None = None,
) -> tuple[Row, ...]:
    """Return the rows of an optional table; unknown candidates in `id_column` are faults."""
    if raw is None:
        return ()
    checked = check_rows(raw, model, findings, number_columns=number_columns)
    if ids is not None:
        known = set(ids)
        for place, row in zip(checked.index, checked.rows, strict=True):
            name = getattr(row, id_column)
            if name not in known:
                findings.fault(
                    raw.file,
                    raw.numbers[place],
                    id_column,
                    name,
                    "no candidate has this id",
                    mend="check the id",
                )
    findings.warn(raw.file, None, None, None, "read and checked, not used yet")
    return checked.rows


def _name_unused(settings: Settings, line: Line, findings: Findings) -> None:
    """Warn of settings that are accepted and checked but change no answer yet."""
    names = unused_settings(settings)
    if names:
        findings.warn(TOML, None, None, None, "not used yet: " + ", ".join(names))


def _price_notes(entries: Sequence[candidate_files.Entry], findings: Findings) -> None:
    """Say where costs were not given, since they then count as 0."""
    for column in ("setup_cost", "annual_cost"):
        bare = [e.row.id for e in entries if column not in e.row.model_fields_set and e.row.status != "running"]
        if bare:
            findings.warn(
                entries[0].file,
                None,
                column,
                None,
                f"not given for {len(bare)} candidates, counted as 0 there",
                mend="fill it in",
            )


def _rows_content(raw: Raw) -> Any:
    """Return a table's cells in an order and a form that editing without change does not alter."""
    rows = []
    shapes = raw.geometries if isinstance(raw, RawFeatures) else (None,) * len(raw.rows)
    for row, shape in zip(raw.rows, shapes, strict=True):
        cells = {column: cell for column, cell in zip(raw.columns, row, strict=True) if cell != ""}
        if shape is not None:
            cells["geometry"] = shapely.to_wkt(shape, rounding_precision=9)
        rows.append(cells)
    return sorted(rows, key=lambda cells: (cells.get("id", ""), json.dumps(cells, sort_keys=True)))


def _hash(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
