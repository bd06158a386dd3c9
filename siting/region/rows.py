"""Cells of one table file -> checked rows of the vocabulary, every fault named with its row and field."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from pydantic import TypeAdapter, ValidationError

from siting.region import cells
from siting.region.faults import Findings
from siting.region.plain import listed, nearest, plain
from siting.region.schema.common import Vocabulary
from siting.region.schema.lookups import column_names, field_limits, later_fields

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
    """The rows of a file that passed: `index` is their place in the raw table, `rows` the models.

    `numbers_of` holds the parsed cells of the columns named per tracer or as a spread, by column and
    place in the raw table; `extra` the cells of columns that the vocabulary does not know.
    """

    index: tuple[int, ...]
    rows: tuple[Row, ...]
    numbers_of: Mapping[str, Mapping[int, float]]
    extra: Mapping[str, tuple[str, ...]]


def check_rows(
    raw: Raw,
    model: type[Row],
    findings: Findings,
    *,
    number_columns: Mapping[str, str] | None = None,
    optional: Collection[str] = (),
) -> Checked[Row]:
    """Check all cells of a file against its model; faults and warnings go to `findings`.

    `number_columns` maps further numeric columns that are allowed (per tracer, spreads) to the field
    whose limits they share; `optional` names columns that need not be there although the model asks
    for them (a geometry gives lat and lon).
    """
    extra_numbers = dict(number_columns or {})
    known = column_names(model)
    limits = field_limits(model)
    for column, required in known.items():
        if required and column not in raw.columns and column not in optional:
            findings.fault(raw.file, 1, column, None, "column missing", mend=f"add a column '{column}'")
    unknown = [c for c in raw.columns if c not in known and c not in extra_numbers]
    for column in unknown:
        near = nearest(column, [*known, *extra_numbers])
        findings.warn(
            raw.file,
            1,
            column,
            None,
            "unknown column, kept as it is and not used",
            mend=f"if you meant '{near}', rename it" if near else None,
        )
    later = later_fields(model)
    waiting = [c for c in raw.columns if c in later]
    if waiting and len(later) < len(known):
        findings.warn(raw.file, 1, None, None, f"not used yet: {listed(waiting)}")

    places = {column: i for i, column in enumerate(raw.columns)}
    used = [(column, places[column]) for column in raw.columns if column in known]
    records = [{column: row[i] for column, i in used if row[i] != ""} for row in raw.rows]
    adapter = TypeAdapter(list[model])  # type: ignore[valid-type]
    bad: set[int] = set()
    try:
        rows: Sequence[Row] = adapter.validate_python(records)
    except ValidationError as error:
        absent = {c for c, required in known.items() if required and c not in raw.columns}
        for detail in error.errors():
            place = int(detail["loc"][0])
            bad.add(place)
            column = str(detail["loc"][1]) if len(detail["loc"]) > 1 else ""
            if column in absent or (detail["type"] == "missing" and column in optional):
                continue
            words = plain(detail, limits=limits.get(column, ""))
            if detail["type"] == "missing":
                findings.fault(raw.file, raw.numbers[place], column, None, "cell is empty", mend="fill it in")
            else:
                findings.fault(
                    raw.file,
                    raw.numbers[place],
                    column,
                    words.value,
                    words.problem,
                    allowed=words.allowed,
                    mend=words.mend,
                )
        rows = adapter.validate_python([r for i, r in enumerate(records) if i not in bad])
    index = tuple(i for i in range(len(records)) if i not in bad)

    numbers_of: dict[str, dict[int, float]] = {}
    for column, like in extra_numbers.items():
        if column in places:
            numbers_of[column] = _number_column(raw, places[column], column, model, like, findings)
    extra = {c: tuple(row[places[c]] for row in raw.rows) for c in unknown}
    return Checked(index, tuple(rows), numbers_of, extra)


def _number_column(
    raw: Raw, place: int, column: str, model: type[Vocabulary], like: str, findings: Findings
) -> dict[int, float]:
    """Parse a numeric column that shares the limits of another field."""
    found: dict[int, float] = {}
    metadata = model.model_fields[like].metadata
    limits = field_limits(model)[like]
    for i, row in enumerate(raw.rows):
        text = row[place]
        if text == "":
            continue
        try:
            value = cells.number(text)
        except cells.CellError as error:
            findings.fault(
                raw.file,
                raw.numbers[i],
                column,
                text,
                error.problem,
                allowed=error.allowed or limits or None,
                mend=error.mend,
            )
            continue
        below = any(getattr(m, "ge", None) is not None and value < m.ge for m in metadata)
        above = any(getattr(m, "le", None) is not None and value > m.le for m in metadata)
        if below or above:
            findings.fault(
                raw.file,
                raw.numbers[i],
                column,
                text,
                "out of range",
                allowed=limits,
                mend="check the number and its unit",
            )
            continue
        found[i] = value
    return found
