"""How far each answer moves when an assumed number is halved or doubled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from siting.assessment.precision import Precision, target_errors
from siting.record.air import Air, airs
from siting.region.model import Ints
from siting.selection.planning import Planning

FACTORS = (0.5, 2.0)
_TRIPLES = {
    "representation_sd": "representation", "cell_sd": "cell", "beyond_degree_sd": "beyond", "source_sd": "source",
}  # fmt: skip
_PARTS = ("level", "growth", "season")
_UNUSED = ("growth", "spell_days")
# Standard errors by (tracer, target).
Errors = dict[tuple[str, str], float]


@dataclass(frozen=True)
class Moved:
    """One assumed number and the error of each target with half and with double of it.

    `halved` and `doubled` hold (target, error); `largest` is the greatest relative change of any error.
    """

    tracer: str
    name: str
    value: float
    origin: str
    halved: tuple[tuple[str, float], ...]
    doubled: tuple[tuple[str, float], ...]
    largest: float


def sensitivity(planning: Planning, picked: Ints, base: Precision) -> tuple[Moved, ...]:
    """Return every assumed number of the air and of the mixing with what it changes, the most weighty first.

    `base` is the layout's precision as it stands.
    """
    region = planning.region
    all_airs = airs(region)
    now = {(s.tracer, s.id): s.error for s in base.shown}
    found = []
    for tracer, air in enumerate(all_airs):
        for where in air.origins:
            if where.origin == "given in region.toml" or where.value == 0.0 or where.name in _UNUSED:
                continue
            results = []
            for factor in FACTORS:
                other = list(all_airs)
                other[tracer] = scaled(air, where.name, factor)
                results.append(target_errors(planning, picked, given_airs=other))
            found.append(_moved(air.name, where.name, where.value, where.origin, now, results))
    mixing = region.settings.mixing
    for name in ("tau_exchange", "tau_zonal"):
        if name in mixing.model_fields_set:
            continue
        value = float(getattr(mixing, name))
        results = [
            target_errors(planning, picked, mixing=mixing.model_copy(update={name: value * factor}))
            for factor in FACTORS
        ]
        found.append(_moved("all gases", f"mixing.{name}", value, "assumed", now, results))
    return tuple(sorted(found, key=lambda moved: (-moved.largest, moved.tracer, moved.name)))


def scaled(air: Air, name: str, factor: float) -> Air:
    """Return the air with one of its numbers multiplied; raises KeyError for an unknown name."""
    table, point, part = name.partition(".")
    if point:
        field = _TRIPLES[table]
        values = np.array(getattr(air, field))
        values[_PARTS.index(part)] *= factor
        arrays: dict[str, Any] = {field: values}
        return replace(air, **arrays)
    if name not in air.__dataclass_fields__:
        raise KeyError(name)
    value = float(getattr(air, name)) * factor
    # A correlation stays below 1.
    number: dict[str, Any] = {name: min(value, 0.95) if name == "slow_phi" else value}
    return replace(air, **number)


def _moved(tracer: str, name: str, value: float, origin: str, now: Errors, results: list[Errors]) -> Moved:
    errors = [tuple((target, error) for (_, target), error in result.items()) for result in results]
    changes = [abs(error / now[key] - 1.0) for result in results for key, error in result.items() if now[key] > 0.0]
    return Moved(tracer, name, value, origin, errors[0], errors[1], max(changes, default=0.0))
