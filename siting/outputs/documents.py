"""Results that judge layouts, as JSON documents and as text: what they all share."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from enum import Enum
from typing import Any

import numpy as np

from siting.judging.frontier import TargetAt
from siting.judging.search import By
from siting.outputs.lines import number, what_if_words, wrapped
from siting.outputs.manifest import versions
from siting.outputs.tables import amount
from siting.region.model import Region

VALUE = {"score": "score", "precision": "shortfall"}
"""What layouts are worth, by what is made best."""


def plain(value: Any) -> Any:
    """Return a result as JSON's own types: dataclasses as objects, numbers that are not finite as None.

    Fields in hundredths (named `cents` or `..._cents`) become money in the currency, without that ending.
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        found: dict[str, Any] = {}
        for field in dataclasses.fields(value):
            inner = getattr(value, field.name)
            if field.name.endswith("cents"):
                name = "cost" if field.name == "cents" else field.name.removesuffix("_cents")
                found[name] = None if inner is None else int(inner) / 100.0
            else:
                found[field.name] = plain(inner)
        return found
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, str | bool) or value is None:
        return value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    return [plain(inner) for inner in value]


def content(region: Region, result: Any, **more: Any) -> dict[str, Any]:
    """Return what the JSON document of a result holds, with what the region and the versions are."""
    return {
        "region": region.name,
        "title": region.settings.title,
        "changes": list(region.what_ifs),
        "currency": region.settings.currency,
        **plain(result),
        **{name: plain(value) for name, value in more.items()},
        "inputs": dict(region.inputs),
        "versions": versions(),
    }


def document(found: Mapping[str, Any], *, by_key: bool = False) -> str:
    """Return a JSON document as text, sorted by its keys if asked for; the same content gives the same bytes."""
    text = json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False, sort_keys=by_key)
    # A file name may hold bytes that are no text; they must not keep the file from being written.
    return text.encode("utf-8", "replace").decode("utf-8") + "\n"


def headed(region: Region, text: str) -> str:
    """Return a first line: the region's title, its what-ifs, and what follows."""
    what_if = what_if_words(region.what_ifs)
    return f"{region.settings.title}, {what_if}: {text}" if what_if else f"{region.settings.title}: {text}"


def section(title: str, lines: Sequence[str], width: int) -> str:
    """Return a title with its lines below as bullets, wrapped."""
    return "\n".join([wrapped(title, width), *(wrapped(f"- {line}", width) for line in lines)])


def joined(parts: Sequence[str]) -> str:
    """Return sections with an empty line between them."""
    return "\n\n".join(part.rstrip("\n") for part in parts if part) + "\n"


def finite(value: float | None) -> float | None:
    """Return a number for a table, None for one that is not known or not finite."""
    return value if value is not None and math.isfinite(value) else None


def money(hundredths: int) -> str:
    """Return hundredths as whole money."""
    return f"{amount(hundredths):,.0f}"


def value_words(by: By, value: float) -> str:
    """Return a score with two decimals, a shortfall with three digits that mean something."""
    return f"{value:,.2f}" if by == "score" else number(value)


def loss_words(by: By, loss: float) -> str:
    """Return a loss of value as points of the score or as shortfall that is added, no change as such."""
    if not math.isfinite(loss):
        return "no layout"
    if abs(loss) < 5e-7:
        return "nothing"
    amount_of = f"{abs(loss):,.2f} points" if by == "score" else f"{number(abs(loss))} of shortfall"
    return amount_of if loss > 0.0 else f"less than nothing, a gain of {amount_of}"


def target_words(targets: Sequence[TargetAt]) -> str:
    """Return how many goals are met and name those that are not."""
    missed = [f"{t.target} ({number(t.error)}, goal {number(t.goal)})" for t in targets if not t.met]
    if not targets:
        return "errors are not told"
    return "every goal is met" if not missed else f"missed: {', '.join(missed)}"


def picks_words(layout: Sequence[tuple[str, str, int]]) -> str:
    """Return picks as one text for a cell."""
    return "; ".join(f"{site} {plan} {year}" for site, plan, year in layout)
