"""Cells of one table file -> checked rows of the vocabulary, every fault named with its row and field."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from pydantic import TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from siting.region import cells
from siting.region.faults import NOT_USED, Findings
from siting.region.plain import listed, nearest, plain, swap_suspected
from siting.region.schema.common import Vocabulary
from siting.region.schema.lookups import column_names, later_fields
from siting.region.wanted import wanted

Row = TypeVar("Row", bound=Vocabulary)


class Raw(Protocol):
    """What the readers of tables and of features have in common."""

    @property
    def file(self) -> str: ...  # noqa: D102
    @property
    def columns(self) -> tuple[str, ...]: ...  # noqa: D102
    @property
    def rows(self) -> tuple[tuple[str, ...], ...]: ...  # noqa: D102
    @property
    def numbers(self) -> tuple[int, ...]: ...  # noqa: D102


@dataclass(frozen=True)
class Checked(Generic[Row]):
    """The rows of a file: `index` is their place in the raw table, `rows` the models.

    A row with a faulty cell is there without that cell, if it can be told without it, so that its other
    cells can be checked further; `faulty` names such columns by place. `numbers_of` holds the parsed
    cells of the columns named per tracer or as a spread, by column and place in the raw table; `extra`
    the cells of columns that the vocabulary does not know.
    """

    index: tuple[int, ...]
    rows: tuple[Row, ...]
    numbers_of: Mapping[str, Mapping[int, float]]
    extra: Mapping[str, tuple[str, ...]]
    faulty: Mapping[int, frozenset[str]]


def check_rows(
    raw: Raw,
    model: type[Row],
    findings: Findings,
    *,
    number_columns: Mapping[str, str] | None = None,
    optional: Collection[str] = (),
    hints: Collection[str] = (),
) -> Checked[Row]:
    """Check all cells of a file against its model; faults and warnings go to `findings`.

    `number_columns` maps further numeric columns that are allowed (per tracer, spreads) to the field
    whose limits they share; `optional` names columns that may be missing although the model asks for
    them, `hints` columns that may be there and are passed over.
    """
    extra_numbers = dict(number_columns or {})
    known = column_names(model)
    unknown = _check_heading(raw, model, [*known, *extra_numbers], optional, hints, findings)
    places = {column: i for i, column in enumerate(raw.columns)}
    used = [(column, places[column]) for column in raw.columns if column in known]
    records = [{column: row[i] for column, i in used if row[i] != ""} for row in raw.rows]
    faulty: dict[int, set[str]] = {}
    rows = _validated(raw, model, records, faulty, findings)
    numbers_of = {
        column: _number_column(raw, column, model, like, faulty, findings)
        for column, like in extra_numbers.items()
        if column in places
    }
    extra = {c: tuple(row[places[c]] for row in raw.rows) for c in unknown}
    columns = {place: frozenset(names) for place, names in faulty.items()}
    return Checked(tuple(rows), tuple(rows.values()), numbers_of, extra, columns)


def _check_heading(
    raw: Raw,
    model: type[Vocabulary],
    known: Sequence[str],
    optional: Collection[str],
    hints: Collection[str],
    findings: Findings,
) -> list[str]:
    """Check the heading of a file and return the columns that are not known."""
    for column, required in column_names(model).items():
        if required and column not in raw.columns and column not in optional:
            missing_column(raw, column, model, findings)
    unknown = [column for column in raw.columns if column not in known and column not in hints]
    for column in unknown:
        near = nearest(column, known)
        findings.warn(
            raw.file,
            1,
            column,
            None,
            "unknown column, kept as it is and not used",
            mend=f"if you meant '{near}', rename it" if near else None,
        )
    later = later_fields(model)
    waiting = [column for column in raw.columns if column in later]
    if waiting and len(later) < len(column_names(model)):
        findings.warn(raw.file, 1, None, None, f"{NOT_USED}: {listed(waiting)}")
    return unknown


def missing_column(raw: Raw, column: str, model: type[Vocabulary], findings: Findings) -> None:
    """Note that a column is not there; where another looks like it, that one is named."""
    known = column_names(model)
    near = nearest(column, [name for name in raw.columns if name not in known])
    mend = f"add a column '{column}'" + (f"; if '{near}' is meant for it, rename that" if near else "")
    findings.fault(raw.file, 1, column, None, "column missing", allowed=wanted(model, column), mend=mend)


def _validated(
    raw: Raw,
    model: type[Row],
    records: list[dict[str, str]],
    faulty: dict[int, set[str]],
    findings: Findings,
) -> dict[int, Row]:
    """Return the models by place, those with faulty cells without them where that is possible."""
    adapter = TypeAdapter(list[model])  # type: ignore[valid-type]
    try:
        return dict(enumerate(adapter.validate_python(records)))
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            place, column = int(detail["loc"][0]), str(detail["loc"][1])
            faulty.setdefault(place, set()).add(column)
            if not (detail["type"] == "missing" and column not in raw.columns):
                _cell_fault(raw, model, place, column, detail, records[place], findings)
    good = [place for place in range(len(records)) if place not in faulty]
    rows: dict[int, Row] = dict(zip(good, adapter.validate_python([records[place] for place in good]), strict=True))
    for place, columns in faulty.items():
        try:
            rows[place] = model.model_validate({c: text for c, text in records[place].items() if c not in columns})
        except ValidationError:
            continue  # it cannot be told without the faulty cell, such as an id
    return {place: rows[place] for place in sorted(rows)}


def _cell_fault(
    raw: Raw,
    model: type[Vocabulary],
    place: int,
    column: str,
    detail: ErrorDetails,
    record: Mapping[str, str],
    findings: Findings,
) -> None:
    words = plain(detail, wanted=wanted(model, column))
    problem, mend = words.problem, words.mend
    if detail["type"] == "missing":
        problem, mend = "cell is empty", "fill it in"
    elif column == "lat" and _swapped(record):
        problem, mend = f"{problem}; perhaps lat and lon are swapped", "swap lat and lon"
    found = record.get(column)
    findings.fault(raw.file, raw.numbers[place], column, found, problem, allowed=words.allowed, mend=mend)


def _swapped(record: Mapping[str, str]) -> bool:
    try:
        return swap_suspected(cells.number(record.get("lat", "")), cells.number(record.get("lon", "")))
    except cells.CellError:
        return False


def _number_column(
    raw: Raw,
    column: str,
    model: type[Vocabulary],
    like: str,
    faulty: dict[int, set[str]],
    findings: Findings,
) -> dict[int, float]:
    """Parse a numeric column that shares the limits of another field."""
    found: dict[int, float] = {}
    at = raw.columns.index(column)
    limits = [(getattr(m, "ge", None), getattr(m, "le", None)) for m in model.model_fields[like].metadata]
    for place, row in enumerate(raw.rows):
        text = row[at]
        if text == "":
            continue
        problem, mend = "out of range", "check the number and its unit"
        try:
            value = cells.number(text)
        except cells.CellError as error:
            problem, mend = error.problem, error.mend
        else:
            if all((low is None or value >= low) and (high is None or value <= high) for low, high in limits):
                found[place] = value
                continue
        faulty.setdefault(place, set()).add(column)
        findings.fault(raw.file, raw.numbers[place], column, text, problem, allowed=wanted(model, like), mend=mend)
    return found
