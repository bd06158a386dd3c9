"""Numeric limits of a field: found among its marks, and in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

_SAYINGS = {"ge": "{} or more", "gt": "more than {}", "le": "{} or less", "lt": "less than {}"}


def bounds_among(marks: Iterable[Any]) -> dict[str, float]:
    """Return the limits `ge`, `gt`, `le`, `lt` that marks of a field set; of several of a kind the last one."""
    return {
        key: float(value)
        for mark in marks
        for part in (mark, *getattr(mark, "metadata", ()))
        for key in _SAYINGS
        if isinstance(value := getattr(part, key, None), int | float)
    }


def bounds_words(bounds: dict[str, float], written: Callable[[float], str]) -> str:
    """Return limits in words, such as `0 to 1` or `more than 0 and 31 or less`; empty for none."""
    numbers = {key: written(bound) for key, bound in bounds.items()}
    if numbers.keys() == {"ge", "le"}:
        return f"{numbers['ge']} to {numbers['le']}"
    return " and ".join(saying.format(numbers[key]) for key, saying in _SAYINGS.items() if key in numbers)
