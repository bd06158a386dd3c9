"""The page of all files and fields, made from the vocabulary, and its words for one field."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from typing import Any, Literal

from pydantic.fields import FieldInfo

from siting.region import cells
from siting.region.schema import tables
from siting.region.schema.common import Vocabulary
from siting.region.schema.limits import bounds_among, bounds_words
from siting.region.schema.lookups import extra_of, kind_of, models_in
from siting.region.schema.rules import RULE_MODELS
from siting.region.schema.settings import SCHEMA_VERSION, Settings

TABLES: tuple[tuple[str, type[Vocabulary]], ...] = (
    ("candidates.csv, candidates.geojson, candidates.gpkg", tables.CandidateRow),
    ("monthly.csv", tables.MonthlyRow),
    ("winds.csv", tables.WindRow),
    ("sources.csv", tables.SourceRow),
    ("legs.csv", tables.LegRow),
    ("hubs.csv", tables.HubRow),
    ("layouts/*.csv", tables.LayoutRow),
    ("records/*.csv", tables.RecordRow),
)
# What the marks of fields that wait for their use mean.
LATER_WORDS = {
    "record": "what a network can show",
}
_PLURALS = {"number": "numbers", "name": "names", "text": "texts", "whole number": "whole numbers", "table": "tables"}

_INTRODUCTION = f"""\
# Files and fields of a region folder

Made from the vocabulary by `python -m siting.region.schema`; do not edit by hand. `schema_version` is {SCHEMA_VERSION}.

A region folder holds `region.toml` and at least one file of candidates. The other tables are optional.

- Files are UTF-8 text. Tables have a heading and are separated by commas or semicolons; numbers have a decimal point,
  never a decimal comma. The order of columns and rows does not matter.
- Latitudes are degrees north, longitudes degrees east (WGS 84). Money is in the `currency` of the region. Mole
  fractions are in the `unit` of their tracer. Shares and chances run from 0 to 1.
- A setting that is left out, or an empty cell, takes its default. The default may carry its reason in brackets:
  "assumed" is a guess that you should replace. "Empty" means that nothing is set; the text of the field says what
  then holds.
- A name (also an id) has 1 to 80 letters, digits, spaces or `_ . -`, a letter or digit first.
- `siting derive` writes `candidates.derived.csv` and `monthly.derived.csv`, with the columns of `candidates.csv` and
  `monthly.csv`. They count only where your own files say nothing.
- *Later* marks a field that is accepted and checked and changes no answer yet. The word in brackets says what it waits
  for: {"; ".join(f"{mark}, {words}" for mark, words in LATER_WORDS.items())}.
"""


def page() -> str:
    """Return the page of all files and fields as Markdown, made from the models alone."""
    lines = [_INTRODUCTION, "## region.toml", ""]
    inner = _inner_models(Settings)
    lines += ["### At the top, before the first table", ""]
    lines += _field_table(Settings, skip=tuple(inner))
    lines += ["### Tables", "", "| table | what | must it be there |", "|-|-|-|"]
    for name, info in Settings.model_fields.items():
        if name in inner:
            needed = "yes" if info.is_required() else "no"
            lines.append(_table_row(f"`{heading(name, info)}`", _about(info), needed))
    lines.append("")
    done: dict[type[Vocabulary], str] = {}
    for name, model in inner.items():
        info = Settings.model_fields[name]
        if name == "rules":
            lines += _rules_section()
        else:
            _settings_section(heading(name, info), model, info, lines, done)
    for title, model in TABLES:
        lines += _table_file(title, model)
    return "\n".join(lines).rstrip() + "\n"


def heading(path: str, info: FieldInfo) -> str:
    """Return the heading of a table in region.toml: `[name]`, or `[[name]]` where there may be several."""
    return f"[[{path}]]" if typing.get_origin(_bare(info.annotation)) is tuple else f"[{path}]"


def _inner_models(model: type[Vocabulary]) -> dict[str, type[Vocabulary]]:
    """Return the tables below a table, by name."""
    found = {name: next(models_in(info.annotation), None) for name, info in model.model_fields.items()}
    return {name: inner for name, inner in found.items() if inner is not None}


def _settings_section(
    title: str, model: type[Vocabulary], info: FieldInfo, lines: list[str], done: dict[type[Vocabulary], str]
) -> None:
    done[model] = title
    lines += [f"### `{title}`", "", _doc(model), ""]
    default = info.default
    if isinstance(default, tuple) and default:
        lines += ["Where none is given:", ""]
        lines += ["- " + ", ".join(f"`{n}` {default_words(v)}" for n, v in _given(item)) for item in default]
        lines.append("")
    inner = _inner_models(model)
    path = title.strip("[]")
    titles = {name: heading(f"{path}.{name}", model.model_fields[name]) for name in inner}
    fresh = list(dict.fromkeys(below for below in inner.values() if below not in done))
    first = {below: next(titles[n] for n, m in inner.items() if m is below) for below in fresh}
    places = {name: done.get(below) or first[below] for name, below in inner.items()}
    lines += _field_table(model, places=places)
    for below in fresh:
        name = next(n for n, m in inner.items() if m is below)
        _settings_section(titles[name], below, model.model_fields[name], lines, done)


def _given(item: Vocabulary) -> list[tuple[str, Any]]:
    return [(name, getattr(item, name)) for name in type(item).model_fields if name in item.model_fields_set]


def _rules_section() -> list[str]:
    lines = ["### `[[rules]]`", "", "Conditions that a layout must meet. The setting `kind` says which:", ""]
    for rule in RULE_MODELS:
        lines += [f'#### `kind = "{kind_of(rule)}"`', "", _doc(rule), ""]
        lines += _field_table(rule, skip=("kind",))
    return lines


def _table_file(title: str, model: type[Vocabulary]) -> list[str]:
    words = _doc(model).partition(": ")[2]
    shown = ", ".join(f"`{name}`" for name in title.split(", "))
    lines = [f"## {shown}", "", words[:1].upper() + words[1:], ""]
    if model is tables.CandidateRow:
        lines += [
            "In a `.csv` each row is a point and needs `lat` and `lon`; in the other two the geometry stands in their "
            "place, and a ship track is a line. Several of the three may stand side by side, with ids unique across "
            "them. Columns that are not listed here are kept and shown, and change no answer.",
            "",
        ]
    lines += _field_table(model, in_table=True)
    if model is tables.CandidateRow:
        spread = ", ".join(f"`{c}`" for c in tables.SPREAD_COLUMNS)
        lines += [
            f"A spread may be given beside each of {spread}: two more columns with `_low` and `_high` behind the name. "
            "`siting stress` draws from between them, as `[stress]` says.",
            "",
        ]
    own = next((c for file, c in tables.TRACER_COLUMNS.items() if title.startswith(file)), None)
    if own:
        lines += [
            f"`{own}` belongs to the first tracer; for another tracer add a column `{own}.NAME` with its name.",
            "",
        ]
    return lines


def _doc(model: type[Vocabulary]) -> str:
    return " ".join((model.__doc__ or "").split())


def _bare(annotation: Any) -> Any:
    """Strip Annotated from an annotation."""
    if typing.get_origin(annotation) is typing.Annotated:
        return _bare(typing.get_args(annotation)[0])
    return annotation


def _about(info: FieldInfo) -> str:
    later = extra_of(info).get("later")
    return (info.description or "") + (f" *Later ({later}).*" if later else "")


def _table_row(*cells: str) -> str:
    """Return a row of a Markdown table; a pipe in a cell would end the cell and is escaped."""
    shown = [" ".join(cell.split()).replace("|", r"\|") for cell in cells]
    return "|" + "|".join(f" {cell} " if cell else " " for cell in shown) + "|"


def _field_table(
    model: type[Vocabulary],
    *,
    skip: tuple[str, ...] = (),
    places: dict[str, str] | None = None,
    in_table: bool = False,
) -> list[str]:
    """Return the table of a model's fields; `places` names the section that describes an inner table."""
    lines = ["| field | what | kind, limits | unit | default |", "|-|-|-|-|-|"]
    for name, info in model.model_fields.items():
        if name in skip:
            continue
        allowed = allowed_words(info, in_table=in_table)
        if places and name in places:
            allowed += f", see `{places[name]}`"
        default = default_of(info, in_table=in_table)
        lines.append(_table_row(f"`{info.alias or name}`", _about(info), allowed, extra_of(info)["unit"], default))
    return [*lines, ""]


def allowed_words(info: FieldInfo, *, in_table: bool = False) -> str:
    """Return what may stand in a field and within which limits, in words.

    `in_table` says that the field is a cell of a table: there a list is written as words.
    """
    kind = _kind_of_field(info)
    if in_table and typing.get_origin(_bare(info.annotation)) is tuple:
        kind = "words separated by spaces"
    if in_table and kind == "true or false":
        kind = "yes or no"
    limits = limits_words(info)
    return f"{kind}, {limits}" if limits else kind


def _kind_of_field(info: FieldInfo) -> str:
    # pydantic moves the marks of a field's own Annotated into its metadata
    return kind_words(typing.Annotated[info.annotation, *info.metadata] if info.metadata else info.annotation)


def kind_words(annotation: Any) -> str:
    """Return what may stand in a field, in words."""
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        named = any(getattr(mark, "func", None) is cells.id_text or getattr(mark, "pattern", None) for mark in args[1:])
        return "name" if named and args[0] is str else kind_words(args[0])
    if origin is Literal:
        return ", ".join(f"`{arg}`" for arg in args)
    if origin in (types.UnionType, typing.Union):
        kinds = dict.fromkeys(kind_words(arg) for arg in args if arg is not type(None))
        return "table" if "table" in kinds else " or ".join(kinds)
    if origin is tuple:
        inner = [kind_words(arg) for arg in args if arg is not Ellipsis]
        if Ellipsis not in args:
            return "pair [" + ", ".join(inner) + "]"
        if inner[0].startswith("`"):
            return f"list with any of {inner[0]}"
        return f"list of {_PLURALS.get(inner[0], inner[0].replace('pair', 'pairs', 1))}"
    if origin is frozenset:
        return "months"
    if isinstance(annotation, type) and issubclass(annotation, Vocabulary):
        return "table"
    return {
        "float": "number",
        "int": "whole number",
        "str": "text",
        "bool": "true or false",
        "datetime": "time",
    }.get(getattr(annotation, "__name__", ""), str(annotation))


def bounds_of(info: FieldInfo) -> dict[str, float]:
    """Return a field's numeric limits under `ge`, `gt`, `le`, `lt`, also those of its type (as of a share)."""
    return bounds_among([*_marks(info.annotation), *info.metadata])


def _marks(annotation: Any) -> Iterator[Any]:
    """Yield what Annotated says of a field's own value, not of the entries of a list."""
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        yield from _marks(args[0])
        yield from args[1:]
    elif origin in (types.UnionType, typing.Union):
        for arg in args:
            yield from _marks(arg)


def limits_words(info: FieldInfo) -> str:
    """Return a field's limits in words, empty if it has none: `0 to 1`, `more than 0`, `1 to 20 entries`."""
    bounds = bounds_words(bounds_of(info), number_words)
    words = [bounds] if bounds else []
    least = next((m.min_length for m in info.metadata if getattr(m, "min_length", None)), None)
    most = next((m.max_length for m in info.metadata if getattr(m, "max_length", None)), None)
    if kind_words(info.annotation).startswith("list"):
        if least and most:
            words.append(f"{least} to {most} entries")
        elif least or most:
            words.append(f"at least {least} entries" if least else f"at most {number_words(most or 0)} entries")
    return ", ".join(words)


def number_words(value: float) -> str:
    """Return a number as a reader wants it: 0.5, 2200, 10,000,000."""
    text = f"{value:.15g}"
    return f"{int(text):,}" if text.lstrip("-").isdigit() and abs(value) >= 10_000 else text


def default_of(info: FieldInfo, *, in_table: bool = False) -> str:
    """Return a field's default with its reason, or that the field must be given."""
    if info.is_required():
        return "must be given"
    default = info.default
    toml_bool = isinstance(default, bool) and not in_table
    words = str(default).lower() if toml_bool else default_words(default)
    why = extra_of(info).get("why")
    return f"{words} ({why})" if why else words


def _says_nothing(default: Any) -> bool:
    return isinstance(default, Vocabulary) and all(value is None for _, value in default)


def default_words(default: Any) -> str:
    """Return a default as a user would write it; an inner table says its own."""
    if default is None or default in ((), "") or _says_nothing(default):
        return "empty"
    if isinstance(default, bool):
        return "yes" if default else "no"
    if isinstance(default, frozenset):
        return "all" if len(default) == 12 else " ".join(str(month) for month in sorted(default))
    if isinstance(default, Vocabulary) or (isinstance(default, tuple) and isinstance(default[0], Vocabulary)):
        return "its own defaults"
    if isinstance(default, tuple):
        return "[" + ", ".join(default_words(item) for item in default) + "]"
    return number_words(default) if isinstance(default, int | float) else str(default)
