"""layout.json: what was picked, how good it is, what it rests on; no clock times."""

from __future__ import annotations

import importlib.metadata
import json
import math
import platform
from dataclasses import dataclass
from typing import Any

from siting import __version__
from siting.assessment.layout import Assessment, Pick
from siting.outputs.shown import target_content
from siting.planning import Planning

PACKAGES = ("numpy", "scipy", "shapely", "pyproj", "highspy", "pydantic")


@dataclass(frozen=True)
class Certificate:
    """How a layout was found: objective, value, bound, gap, proof, in words why the search ended, its stages.

    `ways` is the power of ten of the number of ways to choose at most one deployment a candidate;
    `proof_sha256` that of proof.json, None where there is none.
    """

    objective: str
    value: float
    bound: float | None
    gap: float | None
    asked_gap: float | None
    proved: bool
    ended: str
    ties: str
    nodes: int
    stages: tuple[dict[str, Any], ...]
    seed: int
    ways: float = 0.0
    proof_sha256: str | None = None


def _pick(pick: Pick) -> dict[str, Any]:
    """Return a pick as layout.json names it; ways of supply only where legs lead."""
    content: dict[str, Any] = {"id": pick.id, "plan": pick.plan, "start_year": pick.start_year}
    return content | ({"way_out": pick.way_out, "way_home": pick.way_home} if pick.way_home else {})


def known(number: float | None) -> float | None:
    """Return a number, None for one that is not known: a search that stops early may have no bound yet."""
    return number if number is not None and math.isfinite(number) else None


def versions() -> dict[str, str]:
    """Return the versions of Python, of this program and of the packages that the numbers rest on."""
    found = {"python": platform.python_version(), "siting": __version__}
    for name in PACKAGES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def layout_json(planning: Planning, assessment: Assessment, certificate: Certificate | None, answer: str) -> str:
    """Return the text of layout.json."""
    content = layout_content(planning, assessment, certificate, answer)
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def asked_content(planning: Planning) -> dict[str, Any]:
    """Return what a layout was asked for: window, money, stock, tracers, bands and what there was to choose from."""
    settings = planning.region.settings
    money, stock, laboratory = settings.budget, settings.stock, settings.laboratory
    return {
        "first_year": settings.first_year,
        "years": settings.years,
        "budget_total": money.total,
        "budget_per_year": list(money.per_year) if isinstance(money.per_year, tuple | list) else money.per_year,
        "carry_over": money.carry_over,
        "contingency": money.contingency,
        "overhead": money.overhead,
        "price_growth": money.price_growth,
        "analyzers": stock.analyzers,
        "spare": stock.spare_analyzers,
        "buy_price": stock.buy_price,
        "flask_stock": stock.flasks,
        "laboratory": {"lat": laboratory.lat, "lon": laboratory.lon},
        "tracers": [{"name": one.name, "unit": one.unit, "scale": one.scale} for one in settings.tracers],
        "bands": [{"id": band.id, "south": band.south, "north": band.north} for band in settings.bands],
        "candidates": len(planning.region.candidates),
        "offered": len(planning.deployments),
    }


def layout_content(
    planning: Planning, assessment: Assessment, certificate: Certificate | None, answer: str
) -> dict[str, Any]:
    """Return what layout.json holds; without a certificate the layout was given, not searched for.

    `answer` says in words what was found.
    """
    region, money = planning.region, assessment.money
    return {
        "region": region.name,
        "title": region.settings.title,
        "changes": list(region.what_ifs),
        "answer": answer,
        "asked": asked_content(planning),
        "picked": [_pick(p) for p in assessment.picks],
        "objective": certificate.objective if certificate else None,
        "value": certificate.value if certificate else assessment.score.total,
        "bound": known(certificate.bound) if certificate else None,
        "gap": known(certificate.gap) if certificate else None,
        "asked_gap": certificate.asked_gap if certificate else None,
        "proved": certificate.proved if certificate else False,
        "ended": certificate.ended if certificate else "given, not searched for",
        "ties": certificate.ties if certificate else None,
        "nodes": certificate.nodes if certificate else None,
        "stages": [
            {key: known(part) if isinstance(part, float) else part for key, part in stage.items()}
            for stage in (certificate.stages if certificate else ())
        ],
        "proof_sha256": certificate.proof_sha256 if certificate else None,
        "score": {
            "worth": assessment.score.worth,
            "coverage": dict(zip((band.id for band in region.settings.bands), assessment.score.coverage, strict=True)),
            "total": assessment.score.total,
        },
        "currency": money.currency,
        "cost_total": money.total / 100,
        "cost_by_year": {str(y): c / 100 for y, c in zip(money.years, money.by_year, strict=True)},
        "rules_broken": [j.label for j in assessment.broken],
        "rules": [
            {"rule": j.label, "condition": j.words, "holds": j.holds, "found": j.found} for j in assessment.rules
        ],
        "targets": target_content(assessment.statement.precision) if assessment.statement else [],
        "unstated": assessment.unstated,
        "shortfall": assessment.statement.precision.shortfall if assessment.statement else None,
        "assumed": {column: list(ids) for column, ids in assessment.assumed.items()},
        "inputs": dict(region.inputs),
        "versions": versions(),
        "random_seed": certificate.seed if certificate else None,
    }
