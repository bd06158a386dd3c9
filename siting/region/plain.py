"""Turn what pydantic finds into our own plain sentences: problem, what is allowed, the mend."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from pydantic_core import ErrorDetails

from siting.region.cells import CellError


@dataclass(frozen=True)
class Plain:
    """The three parts of a sentence about one wrong value, and the value itself as text."""

    problem: str
    value: str | None
    allowed: str | None
    mend: str | None


_WRONG_TYPE = {
    "float_type": ("not a number", "a number with a decimal point"),
    "int_type": ("not a whole number", "a whole number"),
    "int_from_float": ("not a whole number", "a whole number"),
    "string_type": ("not a text", "a text in double quotes"),
    "bool_type": ("not true or false", "true or false"),
    "tuple_type": ("not a list", "a list in square brackets"),
    "model_type": ("not a table", "a table of settings"),
    "dict_type": ("not a table", "a table of settings"),
    "model_attributes_type": ("not a table", "a table of settings"),
    "finite_number": ("not a finite number", "a finite number"),
}
_BOUND = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known spelling nearest to a word, or None if none is near."""
    found = difflib.get_close_matches(word.lower(), sorted(known), n=1, cutoff=0.6)
    return found[0] if found else None


def listed(words: Iterable[str], most: int = 8) -> str:
    """Return words as a short list for a sentence, naming how many were left out."""
    all_words = list(words)
    shown = ", ".join(all_words[:most])
    return shown if len(all_words) <= most else f"{shown} and {len(all_words) - most} more"


def plain(error: ErrorDetails, *, known: Iterable[str] = (), limits: str = "") -> Plain:
    """Return one pydantic error in our words.

    `known` are the names that may stand beside the wrong one, `limits` the field's limits in words
    where the caller knows both ends.
    """
    kind = error["type"]
    context = error.get("ctx", {})
    value = None if kind in ("missing", "union_tag_not_found") else _value_text(error.get("input"))
    cause = context.get("error")
    if isinstance(cause, CellError):
        return Plain(cause.problem, value, cause.allowed or limits or None, cause.mend)
    if kind == "missing":
        return Plain("missing", None, limits or None, "add it")
    if kind == "extra_forbidden":
        name = str(error["loc"][-1])
        near = nearest(name, known)
        mend = f"the nearest known name is '{near}'" if near else "take it out, or check the spelling"
        return Plain("not a setting that is known here", None, listed(sorted(known), 30) or None, mend)
    if kind in _WRONG_TYPE:
        problem, wanted = _WRONG_TYPE[kind]
        mend = "give it without quotes" if isinstance(error.get("input"), str) and "number" in wanted else None
        if isinstance(error.get("input"), str) and _is_decimal_comma(error["input"]):
            mend = f"write {error['input'].strip().replace(',', '.')} (a decimal point, no quotes)"
        return Plain(problem, value, f"{wanted}{', ' + limits if limits else ''}", mend or f"give {wanted}")
    if kind in _BOUND:
        key, words = _BOUND[kind]
        bound = f"{context[key]:g}" if isinstance(context[key], int | float) else str(context[key])
        return Plain("out of range", value, limits or f"{words} {bound}", "check the number and its unit")
    if kind in ("literal_error", "union_tag_invalid", "enum"):
        expected = str(context.get("expected") or context.get("expected_tags"))
        choices = [word.strip(" '") for word in expected.replace(" or ", ", ").split(",")]
        near = nearest(str(value), choices)
        return Plain("not one of the known words", value, ", ".join(choices), f"write '{near}'" if near else None)
    if kind == "union_tag_not_found":
        return Plain("`kind` is missing", None, None, "say which kind of rule it is")
    if kind == "string_pattern_mismatch":
        return Plain(
            "not a good name",
            value,
            "letters, digits, spaces and _ . - , a letter or digit first",
            "rename it",
        )
    if kind == "string_too_long":
        return Plain("too long", value, f"at most {context['max_length']} characters", "shorten it")
    if kind == "string_too_short":
        return Plain("empty", None, "at least one character", "fill it in")
    if kind in ("too_short", "too_long"):
        least = kind == "too_short"
        allowed = f"at least {context.get('min_length')}" if least else f"at most {context.get('max_length')}"
        return Plain(f"has {context.get('actual_length')} entries", None, allowed, "check the list")
    return Plain(str(error["msg"]).lower(), value, limits or None, None)


def _is_decimal_comma(text: str) -> bool:
    head, comma, tail = text.strip().lstrip("+-").partition(",")
    return bool(comma) and head.isdigit() and tail.isdigit()


def _value_text(value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "[" + ", ".join(str(_value_text(item)) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_value_text(item)}" for key, item in value.items()) + "}"
    return str(value)
