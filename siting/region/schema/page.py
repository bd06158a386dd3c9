"""The page of all files and fields, made from the vocabulary."""

from __future__ import annotations

import types
import typing
from typing import Any, Literal

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from siting.region.schema import tables
from siting.region.schema.common import Vocabulary
from siting.region.schema.lookups import extra_of, field_limits, kind_of, models_in
from siting.region.schema.rules import RULE_MODELS
from siting.region.schema.settings import SCHEMA_VERSION, Settings

TABLES: tuple[tuple[str, type[Vocabulary]], ...] = (
    ("candidates.csv, candidates.geojson, candidates.gpkg", tables.CandidateRow),
    ("monthly.csv", tables.MonthlyRow),
    ("winds.csv", tables.WindRow),
    ("sources.csv", tables.SourceRow),
    ("legs.csv", tables.LegRow),
    ("layouts/*.csv", tables.LayoutRow),
    ("records/*.csv", tables.RecordRow),
)


def page() -> str:
    """Return the page of all files and fields as Markdown, made from the models alone."""
    lines = [
        "# Files and fields of a region folder",
        "",
        "Made from the vocabulary by `python -m siting.region.schema`; do not edit by hand. "
        f"Version of the vocabulary: {SCHEMA_VERSION}.",
        "",
        "Tables are UTF-8, comma or semicolon separated, with a decimal point. Latitudes are north, longitudes east "
        '(WGS 84). An empty cell takes the default. "Later" marks a field that is accepted and checked and changes '
        "no answer yet.",
        "",
        "## region.toml",
        "",
    ]
    done: set[type[Vocabulary]] = set()
    _settings_section("", Settings, lines, done)
    lines += ["## Rules: `[[rules]]`", ""]
    for rule in RULE_MODELS:
        lines += [f'### kind = "{kind_of(rule)}"', "", _doc(rule), ""]
        lines += _field_table(rule, skip=("kind",))
    for title, model in TABLES:
        lines += [f"## {title}", "", _doc(model).partition(": ")[2].capitalize(), ""]
        lines += _field_table(model)
        if model is tables.CandidateRow:
            lines += [
                "Spread for many futures: " + ", ".join(f"`{c}_low`, `{c}_high`" for c in tables.SPREAD_COLUMNS) + ".",
                "",
                "A second tracer has its own columns with a point and its name behind: "
                + ", ".join(f"`{c}.NAME` ({file})" for file, c in tables.TRACER_COLUMNS.items())
                + ".",
                "",
            ]
    return "\n".join(lines).rstrip() + "\n"


def _settings_section(path: str, model: type[Vocabulary], lines: list[str], done: set[type[Vocabulary]]) -> None:
    if model in done:
        return
    done.add(model)
    if path:
        lines += [f"### `{path}`", "", _doc(model), ""]
    inner = {
        name: next(models_in(info.annotation), None) for name, info in model.model_fields.items() if name != "rules"
    }
    lines += _field_table(model, skip=tuple(n for n, m in inner.items() if m is not None and not path))
    for name, below in inner.items():
        if below is None:
            continue
        many = typing.get_origin(_bare(model.model_fields[name].annotation)) is tuple
        dotted = f"{path.strip('[]')}.{name}" if path else name
        _settings_section(f"[[{dotted}]]" if many else f"[{dotted}]", below, lines, done)


def _doc(model: type[Vocabulary]) -> str:
    return " ".join((model.__doc__ or "").split())


def _bare(annotation: Any) -> Any:
    """Strip Annotated and None from an annotation."""
    if typing.get_origin(annotation) is typing.Annotated:
        return _bare(typing.get_args(annotation)[0])
    return annotation


def _field_table(model: type[Vocabulary], skip: tuple[str, ...] = ()) -> list[str]:
    limits = field_limits(model)
    lines = ["| field | what | kind, limits | unit | default |", "|-|-|-|-|-|"]
    for name, info in model.model_fields.items():
        column = info.alias or name
        if name in skip:
            continue
        extra = extra_of(info)
        allowed = kind_words(info.annotation) + (f", {limits[column]}" if limits[column] else "")
        about = (info.description or "") + (" *Later.*" if extra.get("later") else "")
        default = default_words(info) + (f" ({extra['why']})" if extra.get("why") else "")
        lines.append(
            f"| `{column}` | {about} | {allowed} | {extra.get('unit', '')} | {default} |".replace("|  |", "| |")
        )
    return [*lines, ""]


def kind_words(annotation: Any) -> str:
    """Return what may stand in a field, in words."""
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return kind_words(args[0])
    if origin is Literal:
        return ", ".join(f"`{arg}`" for arg in args)
    if origin in (types.UnionType, typing.Union):
        return " or ".join(dict.fromkeys(kind_words(arg) for arg in args if arg is not type(None)))
    if origin is tuple:
        inner = [kind_words(arg) for arg in args if arg is not Ellipsis]
        return f"list of {inner[0]}" if Ellipsis in args else "pair (" + ", ".join(inner) + ")"
    if origin is frozenset:
        return "months"
    if isinstance(annotation, type) and issubclass(annotation, Vocabulary):
        return "table"
    return {
        "float": "number",
        "int": "whole number",
        "str": "text",
        "bool": "yes or no",
        "datetime": "time",
    }.get(getattr(annotation, "__name__", ""), str(annotation))


def default_words(info: FieldInfo) -> str:
    """Return a field's default as a user would write it, or that it must be given."""
    if info.is_required() or info.default is PydanticUndefined:
        return "must be given"
    default = info.default
    if default is None or default == ():
        return "empty"
    if isinstance(default, bool):
        return "yes" if default else "no"
    if isinstance(default, frozenset):
        return "all"
    if isinstance(default, Vocabulary) or (isinstance(default, tuple) and isinstance(default[0], Vocabulary)):
        return "see below"
    if isinstance(default, tuple):
        return str([list(item) if isinstance(item, tuple) else item for item in default])
    return f"{default:g}" if isinstance(default, float) else str(default)
