"""The text of a new region.toml, walked from the vocabulary: every setting of every table, explained."""

from __future__ import annotations

import json
import re
import textwrap
import typing
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from pydantic.fields import FieldInfo

from siting.region.schema.common import Vocabulary
from siting.region.schema.lookups import extra_of, kind_of, models_in
from siting.region.schema.page import allowed_words, bounds_of, default_of, heading
from siting.region.schema.rules import RULE_MODELS
from siting.region.schema.settings import Settings
from siting.region.template_sample import BLOCKS, SHOWN_BLOCKS, TABLE_VALUES, Values, rule_values

DEFAULT = "#"
SAMPLE = "#e.g. "
_WIDTH = 110

_HEAD = """\
# The settings of a region, made by `siting new`. Samples of money, prices and gas are invented: put your own.
#
# How to read this file (TOML: text in double quotes, decimal point, true or false):
#   name = value        holds; change the value
#   #name = value       the default; taking away the # alone changes no answer
#   #e.g. name = value  empty as long as it stands so; the value is a sample, take away "#e.g. " and give your own
# A setting belongs to the [table] above it: where the heading has a mark too, take it away as well.
# Behind each explanation stand in brackets: what may be written, unit, default with its reason. "Assumed" is a
# guess. "Later" is accepted and checked, and changes no answer yet. FIELDS.md says the same in tables.
"""


def region_text(first: str, second: str) -> str:
    """Return the text of region.toml for a new region, made from the models alone.

    `first` and `second` are ids of two candidates, for the samples of rules.
    """
    inner = {name: model for name, info in Settings.model_fields.items() if (model := _inner(info)) is not None}
    lines = [*_HEAD.splitlines(), ""]
    for name, info in Settings.model_fields.items():
        if name not in inner:
            lines += [*_explained(name, info), _setting(name, info, TABLE_VALUES.get("", {})), ""]
    for name, model in inner.items():
        info = Settings.model_fields[name]
        lines += ["", f"# {f' {name} ':-^{_WIDTH - 2}}", *_wrapped(_words(info.description or "", model)), ""]
        if name == "rules":
            lines += _rules(rule_values(first, second))
        elif heading(name, info).startswith("[["):
            lines += _blocks(name, info, model)
        else:
            lines += _table(name, info, model, TABLE_VALUES.get(name, {}))
    return re.sub(r"\n{4,}", "\n\n\n", "\n".join(lines).rstrip()) + "\n"


def toml_value(value: Any) -> str:
    """Return a value as TOML 1.0.0 writes it: numbers, texts, lists and inline tables."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON escapes are those of a TOML basic string; DEL is allowed bare in JSON only
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Vocabulary):
        return toml_value({name: getattr(value, name) for name in _given(value)})
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {toml_value(item)}" for key, item in value.items()) + " }" if value else "{}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return repr(value)


def _inner(info: FieldInfo) -> type[Vocabulary] | None:
    return next(models_in(info.annotation), None)


def _words(about: str, model: type[Vocabulary]) -> str:
    """Return what a table is: its line in the vocabulary and, if it says more, its model's text."""
    doc = " ".join((model.__doc__ or "").split())
    if model in RULE_MODELS:
        return about
    return doc if doc.startswith(about.rstrip(".")) else f"{about} {doc}"


def _wrapped(text: str, indent: str = "# ") -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def _explained(name: str, info: FieldInfo) -> list[str]:
    """Return the comment above a setting: what it is, what may stand there, unit, default, reason."""
    lines = _wrapped(f"{info.description or name} [{_facts(info)}]")
    model = _inner(info)
    if model is not None:
        for part, below in model.model_fields.items():
            lines += _wrapped(f"{part}: {below.description} [{_facts(below)}]", "#     ")
    return lines


def _facts(info: FieldInfo) -> str:
    extra, allowed, default = extra_of(info), allowed_words(info), default_of(info)
    unit = extra.get("unit", "")
    facts = [
        f"one of {allowed}" if allowed.startswith("`") else allowed,
        unit if unit.startswith("unit") or not unit else f"unit: {unit}",
        default if info.is_required() else f"default: {default}",
        "later" if extra.get("later") else "",
    ]
    return "; ".join(fact for fact in facts if fact).replace("`", "")


def _setting(name: str, info: FieldInfo, values: Values, mark: str = "") -> str:
    """Return the line of a setting (several for a long list of tables), each with its mark."""
    line = _line(name, info, values, mark)
    head = line[: line.index(name)]
    if len(line) <= _WIDTH or " = [{" not in line:
        return line
    return line.replace("[{", f"[\n{head}    {{", 1).replace("}, {", f"}},\n{head}    {{")[:-1] + f",\n{head}]"


def _line(name: str, info: FieldInfo, values: Values, mark: str) -> str:
    """Return a setting on one line; `mark` stands before it where the whole block is a sample."""
    if name in values:
        return f"{mark}{name} = {toml_value(values[name])}"
    if info.is_required():
        return f"{mark}{name} = {_sample(info)}"
    default = info.default
    empty = default is None or (isinstance(default, Vocabulary) and not default.model_fields_set)
    if empty or (default in ("", ()) and extra_of(info).get("shown")):
        return f"{mark or SAMPLE}{DEFAULT if mark else ''}{name} = {_sample(info)}"
    return f"{mark if mark == DEFAULT else mark + DEFAULT}{name} = {toml_value(default)}"


def _sample(info: FieldInfo) -> str:
    """Return a value that may stand in a field, as TOML: the vocabulary's sample, else one within the limits."""
    shown = extra_of(info).get("shown")
    if shown:
        return shown
    kinds = [info.annotation, *typing.get_args(info.annotation)]
    if any(kind in (int, float) or typing.get_origin(kind) is typing.Annotated for kind in kinds):
        bounds = bounds_of(info)
        low, high = bounds.get("ge", bounds.get("gt")), bounds.get("le", bounds.get("lt"))
        ends = [end for end in (low, high) if end is not None]
        value = sum(ends) / 2 if len(ends) == 2 else ends[0] + (1 if low is not None else -1) if ends else 1
        return toml_value(int(value) if int in kinds else float(value))
    choices = [arg for kind in kinds for arg in typing.get_args(kind) if isinstance(arg, str)]
    if choices:
        return toml_value(choices[0])
    return "true" if bool in kinds else '"a text"' if str in kinds else "[]"


def _table(path: str, info: FieldInfo, model: type[Vocabulary], values: Values) -> list[str]:
    """Return a table that stands once, its inner tables behind its own settings."""
    # a heading alone would count as given, and a table that waits for its use would then be named at each check
    mark = DEFAULT if extra_of(info).get("later") else ""
    lines = [f"{mark}[{path}]", ""]
    below: list[str] = []
    for name, field in model.model_fields.items():
        inner = _inner(field)
        if inner is not None and heading(name, field).startswith("[") and not heading(name, field).startswith("[["):
            below += ["", *_wrapped(_words(field.description or "", inner))]
            below += _table(f"{path}.{name}", field, inner, values.get(name, {}))
        else:
            lines += [*_explained(name, field), _setting(name, field, values), ""]
    return lines + below


def _blocks(name: str, info: FieldInfo, model: type[Vocabulary]) -> list[str]:
    """Return the blocks of a table that may stand several times, each field explained once."""
    active = [("", words, values) for words, values in BLOCKS.get(name, ())]
    if isinstance(info.default, tuple):
        active += [(DEFAULT, "", {n: getattr(b, n) for n in _given(b)}) for b in info.default]
    shown = [(SAMPLE, words, values) for words, values in SHOWN_BLOCKS.get(name, ())]
    blocks = [*active, *shown] or [(SAMPLE, "", {})]
    # a field that only a later block may give is explained there: in the first block it would be a fault
    later = {field for _, _, values in blocks[1:] for field in values} - set(blocks[0][2])
    alone = {field for field in later if not model.model_fields[field].is_required()} if active and shown else set()
    explained: set[str] = set()
    lines: list[str] = []
    if isinstance(info.default, tuple) and info.default:
        lines += [
            *_wrapped(f"The blocks with {DEFAULT} are the default. Take the marks away from all of them together.")
        ]
    for place, (mark, words, values) in enumerate(blocks):
        if place or words:
            lines += ["", *_wrapped(words)]
        lines += _block(f"[[{name}]]", model, values, mark, explained, full=place == 0, leave_out=alone)
    return lines


def _given(item: Vocabulary) -> list[str]:
    return [name for name in type(item).model_fields if name in item.model_fields_set]


def _block(
    title: str,
    model: type[Vocabulary],
    values: Values,
    mark: str,
    explained: set[str],
    *,
    full: bool,
    leave_out: Collection[str] = (),
) -> list[str]:
    """Return one block; `full` lists the fields without a value too, except those of `leave_out`."""
    lines = [f"{mark}{title}"]
    ordered = sorted(model.model_fields.items(), key=lambda item: item[0] not in ("id", "kind"))
    for name, info in ordered:
        if name not in values and not info.is_required() and (not full or name in leave_out):
            continue
        if name not in explained and info.description:
            lines += ["", *_explained(name, info)]
            explained.add(name)
        lines.append(_setting(name, info, values, mark))
    return lines


def _rules(samples: Mapping[str, Values]) -> list[str]:
    lines: list[str] = []
    explained: set[str] = set()
    for rule in RULE_MODELS:
        kind = kind_of(rule)
        # a field that means something else in another kind is explained again
        known = {n for n, info in rule.model_fields.items() if f"{n}: {info.description}" in explained}
        lines += ["", *_wrapped(" ".join((rule.__doc__ or "").split()))]
        lines += _block("[[rules]]", rule, {"kind": kind, **samples.get(kind, {})}, SAMPLE, known, full=True)
        explained |= {f"{n}: {info.description}" for n, info in rule.model_fields.items()}
    return lines
