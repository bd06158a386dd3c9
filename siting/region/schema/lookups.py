"""Look things up in the vocabulary: models by place, limits in words, what is not used yet."""

from __future__ import annotations

import typing
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from siting.region.schema.common import Vocabulary
from siting.region.schema.rules import RULE_MODELS
from siting.region.schema.settings import Settings


def models_in(annotation: Any) -> Iterator[type[Vocabulary]]:
    """Yield the models that a field's annotation mentions."""
    if isinstance(annotation, type) and issubclass(annotation, Vocabulary):
        yield annotation
    for part in typing.get_args(annotation):
        yield from models_in(part)


def model_at(location: tuple[str | int, ...], content: Mapping[str, Any]) -> type[BaseModel] | None:
    """Return the model of the table at a place of region.toml, None if there is none."""
    model: type[BaseModel] = Settings
    here: Any = content
    for part in location:
        if isinstance(part, int):
            here = here[part] if isinstance(here, list) and part < len(here) else None
            if isinstance(here, dict) and model in RULE_MODELS:
                kinds = {kind_of(rule): rule for rule in RULE_MODELS}
                model = kinds.get(str(here.get("kind")), model)
            continue
        info = model.model_fields.get(part)
        inner = list(models_in(info.annotation)) if info is not None else []
        if not inner:
            return None
        model = inner[0]
        here = here.get(part) if isinstance(here, dict) else None
    return model


def kind_of(rule: type[Vocabulary]) -> str:
    """Return the `kind` by which region.toml calls a rule."""
    return str(typing.get_args(rule.model_fields["kind"].annotation)[0])


def extra_of(info: FieldInfo) -> dict[str, str]:
    """Return what `described` noted about a field: unit, why, later, shown."""
    extra = info.json_schema_extra
    return {key: str(value) for key, value in extra.items()} if isinstance(extra, dict) else {}


def unused_settings(settings: Vocabulary, prefix: str = "") -> list[str]:
    """Return the settings that the user gave and that change no answer yet, each name once."""
    names: list[str] = []
    for name in sorted(settings.model_fields_set):
        info = type(settings).model_fields[name]
        label = f"{prefix}{name}"
        value = getattr(settings, name)
        if extra_of(info).get("later"):
            if not isinstance(value, Vocabulary) or value.model_fields_set:
                names.append(label)
            continue
        for item in value if isinstance(value, tuple) else (value,):
            if isinstance(item, Vocabulary):
                names += unused_settings(item, f"{label}.")
    return list(dict.fromkeys(names))


def column_names(model: type[Vocabulary]) -> dict[str, bool]:
    """Return the columns of a file and whether each must be there."""
    return {info.alias or name: info.is_required() for name, info in model.model_fields.items()}


def later_fields(model: type[Vocabulary]) -> dict[str, str]:
    """Return the columns that are accepted and checked but not used yet."""
    later = {}
    for name, info in model.model_fields.items():
        if extra_of(info).get("later"):
            later[info.alias or name] = extra_of(info)["later"]
    return later
