"""What is kept of a comparison of layouts: JSON, tables and places side by side."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from typing import Any

from siting.assessment.comparison import Comparison, Held, Key, Loss, Member
from siting.outputs import tables
from siting.outputs.comparison import broken_labels, comparison_lines, letter
from siting.outputs.documents import document
from siting.outputs.geojson import dumps, feature, feature_collection
from siting.outputs.ladder import clean_text
from siting.outputs.manifest import versions
from siting.outputs.shown import target_content
from siting.outputs.tables import amount, csv_text, harmless


def comparison_content(comparison: Comparison) -> dict[str, Any]:
    """Return what comparison.json holds, of JSON's own types; None stands for what is not known or never."""
    region, advice = comparison.region, comparison.advice
    content = {
        "region": region.name,
        "title": region.settings.title,
        "changes": list(region.what_ifs),
        "currency": region.settings.currency,
        "layouts": [_layout(comparison, k) for k in range(len(comparison.judged))],
        "criteria": [
            {"kind": one.kind, "better": "less" if one.less else "more", "target": _target_name(one.target)}
            for one in comparison.criteria
        ],
        "dominated": [{"dominator": one, "dominated": other} for one, other in comparison.dominated],
        "sites": [
            {
                "id": member.id,
                "name": member.name,
                "membership": "all" if member.in_all else "some",
                "same": member.same,
                "held": [[{"plan": plan, "start_year": year} for plan, year in held] for held in member.held],
            }
            for member in comparison.members
        ],
        "advice": {
            "finding": advice.finding,
            "layout": advice.layout,
            "among": list(advice.among),
            "keepers": list(advice.keepers),
        },
        "inputs": dict(region.inputs),
        "versions": versions(),
    }
    return dict(json.loads(document(content, by_key=True)))


def _target_name(key: Key | None) -> dict[str, str] | None:
    return None if key is None else {"tracer": key[0], "id": key[1]}


def _layout(comparison: Comparison, position: int) -> dict[str, Any]:
    one = comparison.judged[position]
    a, given = one.assessment, one.precision
    money = a.money
    bands = [band.id for band in comparison.region.settings.bands]
    shown = {} if given is None else one.shown
    return {
        "name": one.name,
        "sign": letter(position),
        "picked": [{"id": p.id, "plan": p.plan, "start_year": p.start_year} for p in a.picks],
        "cost_total": money.total / 100,
        "cost_by_year": {str(y): c / 100 for y, c in zip(money.years, money.by_year, strict=True)},
        "score": {
            "worth": a.score.worth,
            "coverage": dict(zip(bands, a.score.coverage, strict=True)),
            "total": a.score.total,
        },
        "targets": [] if given is None else target_content(given),
        "shortfall": None if given is None else given.shortfall,
        "goals_met": None if given is None else sum(s.met for s in shown.values()),
        "unstated": one.unstated or None,
        "coverage": tables.band_rows(a),
        "gaps": tables.gap_rows(a),
        "efficiencies": tables.profile_rows(a),
        "keeps_every_rule": one.keeps,
        "rules_broken": [j.label for j in a.broken],
        "rules": [{"rule": j.label, "condition": j.words, "holds": j.holds, "found": j.found} for j in a.rules],
        "assumed": {column: list(ids) for column, ids in a.assumed.items()},
        "losses": [_loss_content(loss) for loss in one.losses],
        "worst_loss": None if one.worst is None else one.worst.id,
    }


def _loss_content(loss: Loss) -> dict[str, Any]:
    return {
        "id": loss.id,
        "score": loss.score,
        "shortfall": loss.shortfall,
        "errors": [{"tracer": key[0], "id": key[1], "error": error} for key, error in loss.errors],
        "missed": [_target_name(key) for key in loss.missed],
        "newly_missed": [_target_name(key) for key in loss.newly],
    }


def comparison_files(comparison: Comparison) -> dict[str, str]:
    """Return the files of a comparison by name; the same comparison gives the same bytes."""
    return {
        "comparison.csv": _quantities(comparison),
        "comparison.geojson": _places(comparison),
        "comparison.json": document(comparison_content(comparison), by_key=True),
        "comparison.txt": comparison_lines(comparison),
        "costs.csv": _costs(comparison),
        "sites.csv": _site_table(comparison),
    }


def _columns(comparison: Comparison, *before: str) -> list[str]:
    """Return headings of one column a layout, which no name can make look like one of ours or like a formula."""
    return [harmless(clean_text(f"{what} {name}")) for name in comparison.names for what in before]


def _quantities(comparison: Comparison) -> str:
    """Return comparison.csv: one row a quantity, one column a layout."""
    judged, settings = comparison.judged, comparison.region.settings
    rows: list[list[object]] = []

    def row(group: str, quantity: str, unit: str, values: Iterable[object], goal: float | None = None) -> None:
        rows.append([group, quantity, unit, goal, *values])

    given, known = [one.assessment for one in judged], [one.precision for one in judged]
    row("sites", "new sites", "", (len(a.picks) for a in given))
    for y, year in enumerate(given[0].money.years):
        row("cost", str(year), settings.currency, (amount(a.money.by_year[y]) for a in given))
    row("cost", "total", settings.currency, (amount(a.money.total) for a in given))
    row("score", "total", "points", (a.score.total for a in given))
    row("score", "from the sites", "points", (a.score.worth for a in given))
    for b, band in enumerate(settings.bands):
        row("score", f"band {band.id}", "points", (a.score.coverage[b] for a in given))
    content = [{(t["tracer"], t["id"]): t for t in target_content(p)} if p else {} for p in known]
    for s in comparison.targets:
        mine = [found.get((s.tracer, s.id), {}) for found in content]
        units = {"error": s.unit, "signal": s.unit, "detection_error": s.unit, "years": "years"}
        for name in ("error", "met", "signal", "detection_error", "probability", "years", "never"):
            goal = s.goal if name == "error" else None
            row(f"target {s.tracer} {s.id}", name, units.get(name, ""), (t.get(name) for t in mine), goal)
    row("targets", "goals met", "", (sum(s.met for s in p.shown) if p else None for p in known))
    row("targets", "shortfall", "", (p.shortfall if p else None for p in known))
    row("targets", "not told because", "", (one.unstated or None for one in judged))
    for b, covered in enumerate(given[0].coverage.bands):
        row(f"band {covered.band}", "sites", "", (a.coverage.bands[b].sites for a in given))
        row(f"band {covered.band}", "clean hours a year", "h", (a.coverage.bands[b].baseline_hours for a in given))
    gaps = [a.coverage.gaps[0] if a.coverage.gaps else None for a in given]
    row("latitude", "widest gap", "degrees", (g.width_deg if g else None for g in gaps))
    row("latitude", "its south end", "degrees", (g.from_lat if g else None for g in gaps))
    row("latitude", "its north end", "degrees", (g.to_lat if g else None for g in gaps))
    worst = [one.worst for one in judged]
    row("worst loss of one site", "site", "", (w.id if w else None for w in worst))
    row("worst loss of one site", "score", "points", (w.score if w else None for w in worst))
    row("worst loss of one site", "shortfall", "", (w.shortfall if w else None for w in worst))
    missed = (len(w.missed) if w and w.shortfall is not None else None for w in worst)
    row("worst loss of one site", "goals missed", "", missed)
    row("rules", "conditions", "", (len(a.rules) for a in given))
    row("rules", "conditions broken", "", (len(a.broken) for a in given))
    for label in broken_labels(comparison):
        found = ("; ".join(j.found for j in a.broken if j.label == label) for a in given)
        row("rule broken", label, "", (text or None for text in found))
    return csv_text(["group", "quantity", "unit", "goal", *_columns(comparison, "layout")], rows)


def _site_table(comparison: Comparison) -> str:
    """Return sites.csv: one row a site with plan and start year in each layout."""
    rows: list[list[object]] = []
    for member in comparison.members:
        cells: list[object] = []
        for held in member.held:
            cells += [" and ".join(plan for plan, _ in held) or None, " and ".join(str(y) for _, y in held) or None]
        membership = "same in all" if member.same else "all" if member.in_all else "some"
        rows.append([member.id, member.name, membership, *cells])
    return csv_text(["id", "name", "membership", *_columns(comparison, "plan in", "start year in")], rows)


def _costs(comparison: Comparison) -> str:
    """Return costs.csv: year, layout, kind, amount; the rows of a layout add up to its cost."""
    rows: list[list[object]] = []
    for y, year in enumerate(comparison.judged[0].assessment.money.years):
        for one in comparison.judged:
            money = one.assessment.money
            sums: Counter[str] = Counter()
            for site in money.sites:
                if site.year == year:
                    sums.update(dict(zip(money.kinds, site.by_kind, strict=True)))
            kinds = [(kind, sums[kind]) for kind in money.kinds]
            kinds.append(("transport_fixed", sum(f.cents for f in money.fixed if f.year == year)))
            kinds.append(("purchases", money.purchases[y]))
            rows += [[year, clean_text(one.name), kind, amount(cents)] for kind, cents in kinds]
    return csv_text(["year", "layout", "kind", "amount"], rows)


def _places(comparison: Comparison) -> str:
    """Return comparison.geojson: every site or track of any layout, and the running stations."""
    c = comparison.region.candidates
    members = {member.id: member for member in comparison.members}
    kinds = {plan.id: plan.kind for plan in comparison.region.settings.plans}

    def kind_of(held: Held) -> str:
        """Return the kind of what stands there: several plans of different kinds are both."""
        found = {kinds[plan] for plan, _ in held}
        return found.pop() if len(found) == 1 else "both"

    names = [clean_text(name) for name in comparison.names]
    features = []
    for i, candidate in enumerate(c.ids):
        runs = c.status[i] == "running"
        if candidate not in members and not runs:
            continue
        member = members.get(candidate, Member(candidate, c.names[i], ((),) * len(names)))
        properties: dict[str, Any] = {
            "id": candidate,
            "name": c.names[i],
            "role": "picked" if candidate in members else "running",
            "platform": c.platform[i],
            "already_running": runs,
            "membership": ("all" if member.in_all else "some") if candidate in members else None,
            "same_in_all": member.same if candidate in members else None,
            "layouts": "; ".join(name for name, held in zip(names, member.held, strict=True) if held) or None,
        }
        for k, (name, held) in enumerate(zip(names, member.held, strict=True), start=1):
            properties |= {
                f"layout_{k}": name,
                f"in_{k}": bool(held),
                f"plan_{k}": " and ".join(plan for plan, _ in held) or None,
                f"kind_{k}": kind_of(held) if held else None,
                f"start_year_{k}": held[0][1] if len(held) == 1 else " and ".join(str(y) for _, y in held) or None,
            }
        features.append(feature(c.geometry[i], properties, candidate))
    return dumps(feature_collection(features))
