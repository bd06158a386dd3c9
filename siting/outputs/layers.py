"""The GeoJSON layers of a layout: network, candidates and bands."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from siting.assessment.layout import Assessment, Pick
from siting.deployments import SCORE_PARTS, running_plan
from siting.outputs.geojson import dumps, feature, feature_collection
from siting.planning import Planning
from siting.region.model import Origin, open_mean


def network(planning: Planning, assessment: Assessment) -> str:
    """Return network.geojson: picked sites and tracks, and the running stations; all with the same properties."""
    c = planning.region.candidates
    picks = {pick.id: pick for pick in assessment.picks}
    members = [i for i, candidate in enumerate(c.ids) if candidate in picks or c.status[i] == "running"]
    losses = _losses(assessment)
    targets = sorted({name for found in losses.values() for name in found})
    features = []
    for i in members:
        found = losses.get(c.ids[i], {})
        properties = _member(planning, i, picks.get(c.ids[i])) | {name: found.get(name) for name in targets}
        features.append(feature(c.geometry[i], properties, c.ids[i]))
    return dumps(feature_collection(features))


def _losses(assessment: Assessment) -> dict[str, dict[str, float]]:
    """Return by site what is lost without it: shortfall, and percent of each target's error."""
    if assessment.statement is None:
        return {}
    given = assessment.statement.precision
    now = {(s.tracer, s.id): s.error for s in given.shown}
    found: dict[str, dict[str, float]] = {}
    for worth in given.worth:
        mine = found.setdefault(worth.id, {"shortfall_loss": 0.0})
        mine["shortfall_loss"] = round(mine["shortfall_loss"] + worth.shortfall_loss, 9)
        for target, without in worth.without:
            mine[f"loss_percent {target}"] = round(100.0 * (without / now[worth.tracer, target] - 1.0), 6)
    return found


def _member(planning: Planning, i: int, pick: Pick | None) -> dict[str, Any]:
    """Return the properties of a picked candidate or a running station; a station may be both."""
    region = planning.region
    c = region.candidates
    runs = c.status[i] == "running"
    by = running_plan(region, i) if runs else None
    properties: dict[str, Any] = {
        "id": c.ids[i],
        "name": c.names[i],
        "role": "picked" if pick else "running",
        "platform": c.platform[i],
        "plan": pick.plan if pick else None,
        "kind": pick.kind if pick else None,
        "start_year": pick.start_year if pick else None,
        "first_month": f"{pick.first_month[0]}-{pick.first_month[1]:02d}" if pick else None,
        "score": round(pick.score, 6) if pick else None,
        "worth": round(pick.worth, 6) if pick else None,
        "share_of_window": round(pick.left, 6) if pick else None,
        "clean_samples_per_month": round(pick.samples, 6) if pick else None,
        "cost_total": sum(pick.cost_by_year) / 100 if pick else None,
        "flasks_at_peak": pick.flasks if pick else None,
        "samples_per_year": pick.laboratory if pick else None,
        "already_running": runs,
        "running_plan": by.id if by else None,
        "running_since": c.running_since[i] if runs else None,
        "operator": (c.operator[i] or None) if runs else None,
    }
    parts = {part: (attribute, value) for part, attribute, value in pick.parts} if pick else {}
    for part in SCORE_PARTS:
        attribute, value = parts.get(part, (None, None))
        properties[f"{part}_attribute"] = None if attribute is None else round(attribute, 6)
        properties[f"{part}_value"] = None if value is None else round(value, 6)
    return properties


def candidates(planning: Planning, assessment: Assessment) -> str:
    """Return candidates.geojson: every candidate with attributes, their origin, best score, worth and pick."""
    region, d = planning.region, planning.deployments
    c = region.candidates
    picks = {pick.id: pick for pick in assessment.picks}
    best = best_deployments(planning)
    exposure = region.mean_exposure()
    risk = open_mean(region.risk[0], region.open_months)
    reasons: dict[str, list[str]] = {}
    for left in d.left_out:
        reasons.setdefault(left.candidate, []).append(f"{left.plan}: {left.reason}" if left.plan else left.reason)
    features = []
    for i, candidate in enumerate(c.ids):
        k = best.get(i)
        pick = picks.get(candidate)
        properties: dict[str, Any] = {
            "id": candidate,
            "name": c.names[i],
            "status": c.status[i],
            "platform": c.platform[i],
            "picked": pick is not None,
            "plan": pick.plan if pick else None,
            "start_year": pick.start_year if pick else None,
            "exposure": round(float(exposure[i]), 6),
            "contamination_risk": round(float(risk[i]), 6),
            "data_return": float(c.data_return[i]),
            "host_strength": float(c.host_strength[i]),
            "elevation_m": float(c.elevation_m[i]),
            "months_open": int(region.open_months[i].sum()),
            "setup_cost": float(c.setup_cost[i]),
            "annual_cost": float(c.annual_cost[i]),
            "group": " ".join(c.group[i]) or None,
            "best_plan": region.settings.plans[d.plan[k]].id if k is not None else None,
            "score": round(float(d.score[k]), 6) if k is not None else None,
            "worth": round(float(d.worth[k]), 6) if k is not None else None,
            "not_offered": "; ".join(sorted(reasons.get(candidate, []))) or None,
            "origin": {column: Origin(int(codes[i])).name.lower() for column, codes in c.origin.items()},
        }
        # The user's own columns get a prefix, so that none can stand in for one of ours.
        properties |= {f"own_{column}": values[i] or None for column, values in c.extra.items()}
        features.append(feature(c.geometry[i], properties, candidate))
    return dumps(feature_collection(features))


def best_deployments(planning: Planning) -> dict[int, int]:
    """Return for each candidate its deployment of greatest worth, ties to the smaller id."""
    d = planning.deployments
    order = np.lexsort((np.arange(len(d)), -d.worth))
    found: dict[int, int] = {}
    for k in order:
        found.setdefault(int(d.candidate[k]), int(k))
    return found


def bands(assessment: Assessment) -> str:
    """Return bands.geojson: one polygon a band with its coverage."""
    features = []
    for row in assessment.coverage.bands:
        shape = shapely.Polygon(_band_ring(row.south, row.north))
        features.append(
            feature(
                shape,
                {
                    "band": row.band,
                    "south": row.south,
                    "north": row.north,
                    "area_share": round(row.area_share, 9),
                    "sites": round(row.sites, 3),
                    "analyzer_sites": round(row.analyzers, 3),
                    "flask_sites": round(row.flasks, 3),
                    "both_sites": round(row.both, 3),
                    "running_sites": round(row.running, 3),
                    "baseline_hours_per_year": round(row.baseline_hours, 1),
                    "best_exposure": row.best_exposure,
                    "best_site": row.best_site,
                },
                row.band,
            )
        )
    return dumps(feature_collection(features))


def _band_ring(south: float, north: float) -> list[tuple[float, float]]:
    """Return a rectangle in longitude and latitude with a vertex every 10 degrees of longitude."""
    east = [(float(lon), south) for lon in range(-180, 181, 10)]
    west = [(float(lon), north) for lon in range(180, -181, -10)]
    return east + west
