"""Turn what pydantic finds into our own plain sentences: problem, what is allowed, the mend."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from pydantic_core import ErrorDetails

from siting.region.cells import CellError, number


@dataclass(frozen=True)
class Plain:
    """The three parts of a sentence about one wrong value, and the value itself as text."""

    problem: str
    value: str | None
    allowed: str | None
    mend: str | None


# What pydantic calls a wrong type -> what is wrong, and what the user should do.
_WRONG_TYPE = {
    "float_type": ("not a number", "write a number"),
    "int_type": ("not a whole number", "write a whole number"),
    "int_from_float": ("not a whole number", "write a whole number"),
    "string_type": ("not a text", "put it in double quotes"),
    "bool_type": ("not true or false", "write true or false, without quotes"),
    "tuple_type": ("not a list", "put it in square brackets: [ ]"),
    "model_type": ("not a table", "write it as a table of settings"),
    "model_attributes_type": ("not a table", "write it as a table of settings"),
    "finite_number": ("not a finite number", "write a finite number"),
}
_BOUNDS = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")
_WORDS = ("literal_error", "union_tag_invalid")
_MOST_SUGGESTIONS = 20


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known spelling nearest to a word whatever the case of letters, or None if none is near."""
    spelled = {name.lower(): name for name in sorted(known, reverse=True)}
    found = difflib.get_close_matches(word.lower()[:200], sorted(spelled), n=1, cutoff=0.6)
    return spelled[found[0]] if found else None


class Spelling:
    """Known names, and the mend for a word that is none of them.

    Only the first words get a suggestion, for comparing each of thousands with thousands of names takes
    minutes.
    """

    def __init__(self, known: Iterable[str]) -> None:
        self._known = tuple(sorted(set(known)))
        self._left = _MOST_SUGGESTIONS

    @property
    def allowed(self) -> str | None:
        """The known names as a short list, None if there are none."""
        return listed(self._known) or None

    def mend(self, word: str, otherwise: str) -> str:
        """Return the mend for a word that is not known: the nearest name, or `otherwise`."""
        self._left -= 1
        near = nearest(word, self._known) if self._left >= 0 else None
        return f"write '{near}'" if near else otherwise


def listed(words: Iterable[str], most: int = 8) -> str:
    """Return words as a short list for a sentence, naming how many were left out."""
    all_words = list(words)
    shown = ", ".join(all_words[:most])
    return shown if len(all_words) <= most else f"{shown} and {len(all_words) - most} more"


def quoted(name: object) -> str:
    """Return a name in quotes for a sentence: one line, at most 40 characters, control characters visible."""
    text = str(name)
    text = text if text.isprintable() else text.encode("unicode_escape").decode("ascii")
    return f"'{text}'" if len(text) <= 40 else f"'{text[:37]}...'"


def swap_suspected(lat: float, lon: float) -> bool:
    """Say whether a latitude that cannot be one would be right if it changed places with the longitude."""
    return abs(lat) > 90.0 and -90.0 <= lon <= 90.0 and -180.0 <= lat <= 360.0


def plain(error: ErrorDetails, *, wanted: str, known: Iterable[str] = ()) -> Plain:
    """Return one pydantic error in our words.

    `wanted` says in words what may stand at the place, `known` are the names that may stand beside a
    name that is not known.
    """
    kind, context, found = error["type"], error.get("ctx", {}), error.get("input")
    value, allowed = _value_text(found), wanted or None
    cause = context.get("error")
    if isinstance(cause, CellError):
        extra = wanted.removeprefix(cause.allowed) if wanted.startswith(cause.allowed) else ""
        return Plain(cause.problem, value, cause.allowed + extra, cause.mend)
    if kind == "missing":
        return Plain("missing", None, allowed, "add it")
    if kind == "extra_forbidden":
        name = str(error["loc"][-1])
        near = nearest(name, known)
        mend = f"if you meant '{near}', write that" if near else "take it out, or check the spelling"
        return Plain("not a setting that is known here", None, listed(sorted(known), 30) or None, mend)
    if kind in _WRONG_TYPE:
        problem, mend = _WRONG_TYPE[kind]
        return Plain(problem, value, allowed, _mend_of_type(kind, found) or mend)
    if kind in _BOUNDS:
        return Plain("out of range", value, allowed, "check the number and its unit")
    if kind in _WORDS:
        return _not_a_word(str(context.get("tag", value)), context, wanted)
    if kind == "union_tag_not_found":
        return Plain("missing", None, allowed, "say which kind of rule it is")
    if kind == "string_pattern_mismatch":
        return Plain("not a good name", value, allowed, "rename it")
    if kind == "string_too_long":
        return Plain(f"too long, with {len(str(found))} characters", value, allowed, "shorten it")
    if kind == "string_too_short":
        return Plain("empty", None, allowed, "fill it in")
    if kind in ("too_short", "too_long"):
        few = kind == "too_short"
        bound = f"at least {context['min_length']}" if few else f"at most {context['max_length']}"
        problem = f"has too {'few' if few else 'many'} entries"
        return Plain(problem, None, f"{bound} entries", "add entries" if few else "take entries out")
    return Plain("not a value that may stand here", value, allowed, "write what is allowed")


def _mend_of_type(kind: str, found: object) -> str | None:
    """Return the mend where the slip behind a wrong type can be seen."""
    if kind in ("float_type", "int_type") and isinstance(found, str):
        try:
            number(found)
        except CellError as slip:
            return f"{slip.mend}, without quotes" if re.match(r"write [+-]?[0-9.]", slip.mend) else None
        return f"write {found.strip()} without quotes"
    if kind == "tuple_type" and isinstance(found, dict):
        return "write it as a list: [[...]] in double brackets for each table"
    if kind in ("model_type", "model_attributes_type") and isinstance(found, tuple):
        return "write it once, in single brackets"
    return None


def _not_a_word(value: str, context: dict[str, object], wanted: str) -> Plain:
    expected = str(context.get("expected") or context.get("expected_tags"))
    choices = [word.strip(" '") for word in expected.replace(" or ", ", ").split(",")]
    near = nearest(value, choices)
    mend = f"write '{near}'" if near else "write one of these words"
    return Plain("not one of the known words", value, wanted or ", ".join(choices), mend)


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
