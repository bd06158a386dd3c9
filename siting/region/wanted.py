"""What may stand in a field, in words, told from the vocabulary's own types and limits."""

from __future__ import annotations

import types
import typing
from collections.abc import Sequence
from functools import cache
from typing import Any

from pydantic import BaseModel, BeforeValidator
from pydantic.fields import FieldInfo

from siting.region.cells import CellError
from siting.region.schema.limits import bounds_among, bounds_words

_PLAIN = {bool: "true or false", int: "a whole number", float: "a number"}


@cache
def wanted(model: type[BaseModel], field: str) -> str:
    """Return what may stand in a field of a model, such as 'a number, 0 or more'; '' for an unknown field."""
    for name, info in model.model_fields.items():
        if field in (name, info.alias):
            return _words(info.annotation, info.metadata)
    return ""


def wanted_inside(model: type[BaseModel], path: Sequence[str | int]) -> str:
    """Return what may stand at a place below a table: `path` is a field and the places in its list."""
    if not path:
        return "a table of settings"
    info = model.model_fields.get(str(path[0]))
    if info is None or len(path) == 1:
        return wanted(model, str(path[0]))
    annotation: Any = info.annotation
    metadata: Sequence[Any] = ()
    for place in path[1:]:
        annotation, metadata = _item(annotation, int(place)), ()
    return _words(annotation, metadata)


def _item(annotation: Any, place: int) -> Any:
    """Return the annotation of an entry of the list that an annotation allows."""
    origin = typing.get_origin(annotation)
    if origin is tuple:
        args = typing.get_args(annotation)
        return args[0] if len(args) == 2 and args[1] is ... else args[min(place, len(args) - 1)]
    for part in typing.get_args(annotation):
        found = _item(part, place)
        if found is not None:
            return found
    return None


def _words(annotation: Any, metadata: Sequence[Any]) -> str:
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        inner = [item for part in args[1:] for item in (part.metadata if isinstance(part, FieldInfo) else [part])]
        return _words(args[0], [*inner, *metadata])
    if origin in (typing.Union, types.UnionType):
        parts = [_words(part, metadata) for part in args if part is not type(None)]
        parts = list(dict.fromkeys(part for part in parts if part))
        return (", or " if any("," in part for part in parts) else " or ").join(parts)
    if origin is typing.Literal:
        return ", ".join(str(word) for word in args)
    if origin is tuple:
        return _list_words(args)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "a table of settings"
    base = _cell_words(metadata) or _PLAIN.get(annotation) or ("a text" if annotation is str else "")
    limits = _limits(metadata)
    return f"{base}, {limits}" if base and limits else base


def _list_words(args: tuple[Any, ...]) -> str:
    if len(args) == 2 and args[1] is ...:
        inner = _words(args[0], ())
        return f"a list, each entry {inner}" if inner else "a list"
    return f"a list of {len(args)}: {' and '.join(_words(part, ()) for part in args)}"


def _cell_words(metadata: Sequence[Any]) -> str:
    """Return what the reader of a cell allows; it says so when it refuses an empty cell."""
    for item in metadata:
        if isinstance(item, BeforeValidator):
            try:
                item.func("")  # type: ignore[call-arg]
            except CellError as error:
                return error.allowed
    return ""


def _limits(metadata: Sequence[Any]) -> str:
    bounds = bounds_among(metadata)
    parts = [bounds_words(bounds, _written)] if bounds else []
    least = max((item.min_length for item in metadata if getattr(item, "min_length", None)), default=0)
    most = min((item.max_length for item in metadata if getattr(item, "max_length", None)), default=0)
    if most:
        parts.append(f"{least} to {most} characters" if least else f"at most {most} characters")
    if any(getattr(item, "pattern", None) for item in metadata):
        parts.append("letters, digits, spaces and _ . -, a letter or digit first")
    return ", ".join(parts)


def _written(bound: float) -> str:
    """Return a limit as it may be typed into a file: without commas."""
    return f"{bound:.0f}" if bound.is_integer() else f"{bound:g}"
