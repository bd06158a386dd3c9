"""The search against the enumeration of all subsets, on hundreds of small random regions (all invented).

The rules are judged by `rules_by_sentence.py`, written from the sentences of the rules; the enumeration is
the outside check (no source but arithmetic).
"""

import importlib.util
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import shapely

from siting.planning import plan_region
from siting.selection.program import Ended, Limits
from siting.selection.registry import RULE_KINDS, judge, start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.solve import solve


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made, sentences = _load("made_region"), _load("rules_by_sentence")

INSTANCES = 360
MOST = 14
PARTS = 12
IDS = ("a1", "a2", "b1", "b2", "c1", "c2", "d1")
NEW_WAYS = (("f",), ("a",), ("f", "a"), ("b", "f"), ("ph",), ("a", "b"))
PLANS = [
    made.FLASK | {"setup_cost": 10.0, "annual_cost": 20.0, "sample_cost": 0.33},
    made.ANALYZER | {"capital_cost": 30.0, "setup_cost": 15.0, "annual_cost": 33.3},
    made.BOTH,
    {
        "id": "ph",
        "kind": "flask_then_analyzer",
        "analyzer_plan": "a",
        "flask_plan": "f",
        "analyzer_after_months": 7,
        "flasks_go_on": True,
    },
]


def _place(rng, name, alike):
    centre = [(-20.0, 178.5), (40.0, 10.0), (5.0, -60.0)][rng.integers(3)]
    lat, lon = centre[0] + rng.uniform(-6, 6), (centre[1] + rng.uniform(-6, 6) + 180) % 360 - 180
    place = {
        "id": name,
        "lat": round(float(lat), 3),
        "lon": round(float(lon), 3),
        "plans": list(NEW_WAYS[rng.integers(len(NEW_WAYS))]),
        "group": ["g"] if rng.random() < 0.5 else ["h"],
        "visits_per_year": int(rng.choice([2, 4, 12])),
    }
    if alike:
        place |= {"baseline_exposure": 0.6, "contamination_risk": 0.1, "setup_cost": 40, "annual_cost": 10}
        place |= {"lat": centre[0], "plans": ["f", "a"] if alike == 2 else ["f"], "visits_per_year": 4}
    else:
        place |= {
            "baseline_exposure": round(float(rng.uniform(0.1, 0.8)), 2),
            "contamination_risk": round(float(rng.uniform(0.0, 0.3)), 2),
            "setup_cost": int(rng.integers(0, 120)),
            "annual_cost": round(float(rng.uniform(0, 60)), 2),
            "lead_months": int(rng.choice([0, 0, 5, 9])),
        }
    kind = rng.random()
    if kind < 0.12:
        running = str(rng.choice(["f", "a", "b"]))
        place |= {"status": "running", "running_since": 2015, "running_plan": running}
        if rng.random() < 0.5:
            del place["plans"]
    elif kind < 0.18:
        place |= {"status": "required"}
    elif kind < 0.23:
        place |= {"status": "excluded"}
    elif kind < 0.35 and not alike:
        ends = [(lon - 3, lat - 12), (lon + 3, lat + 12)]
        place |= {"platform": "ship", "geometry": shapely.LineString(ends)}
    return place


def _rules(rng, ids):
    """Each kind in about a third of the regions, with numbers that often bind."""

    def some():
        return rng.random() < 0.3

    def pick(*options):
        return options[rng.integers(len(options))]

    rules = []
    if some():
        rules.append({"kind": "at_most", "count": pick(1, 2), "group": "g"} | pick({}, {"instrument": "flask"}))
    if some():
        rules.append(
            {"kind": "at_least", "count": pick(1, 2)}
            | pick({"group": "h"}, {"sites": list(ids[:3])}, {"instrument": "analyzer"})
        )
    if some() and len(ids) > 2:
        site, needs = rng.choice(len(ids), 2, replace=False)
        rules.append({"kind": "only_with", "site": ids[site], "needs": ids[needs]})
    if some():
        rules.append(
            {
                "kind": "band_at_least",
                "count": pick(0.3, 1.0, 2.0, 1.25),
                "band": pick("south", "north", "each", "middle"),
            }
            | pick({}, {"instrument": "analyzer"}, {"instrument": "flask"})
        )
    if some():
        rules.append(
            {"kind": "spacing", "km": float(pick(300, 700, 1200))}
            | pick({}, {"instrument": "analyzer"}, {"instrument": "flask"})
        )
    if some():
        rules.append({"kind": "comparison", "count": pick("all", 1, 2)} | pick({}, {"km": 900.0}))
    if some():
        rules.append({"kind": "at_most_sites", "count": pick(1, 2, 3)})
    return [rule | {"name": f"r{k} {rule['kind']}"} for k, rule in enumerate(rules)]


def random_region(seed):
    """Return a planning with at most 14 deployments."""
    rng = np.random.default_rng(seed)
    alike = int(rng.choice([0, 0, 0, 1, 2]))
    years = int(rng.choice([1, 2, 3]))
    count = int(rng.integers(3, len(IDS) + 1))
    places = [_place(rng, name, alike) for name in IDS[:count]]
    rules = _rules(rng, IDS[:count])
    per_year = None
    if rng.random() < 0.35:
        per_year = [float(rng.integers(60, 400)) for _ in range(years)]
    stock = {"analyzers": int(rng.integers(0, 3)), "flasks": int(rng.integers(20, 200)) if rng.random() < 0.4 else None}
    stock["spare_analyzers"] = int(rng.integers(0, stock["analyzers"] + 1))
    if rng.random() < 0.5:
        stock |= {"buy_price": float(rng.integers(20, 150)), "buy_most": int(rng.integers(1, 3))}
    laboratory = {"samples_per_year": int(rng.integers(40, 200)) if rng.random() < 0.35 else None}
    while True:
        region = made.region(
            places,
            years=years,
            plans=PLANS,
            rules=[
                r
                for r in rules
                if {r.get("site"), r.get("needs"), *r.get("sites", [])} - {None} <= {p["id"] for p in places}
            ],
            bands=[
                {"id": "south", "south": -90.0, "north": 0.0},
                {"id": "north", "south": 0.0, "north": 90.0},
                {"id": "middle", "south": -15.0, "north": 45.0, "coverage": False},
            ],
            budget={
                "total": float(rng.integers(150, 1500)),
                "per_year": per_year,
                "carry_over": bool(rng.random() < 0.5),
                "contingency": 0.1,
                "price_growth": float(rng.choice([0.0, 0.03, -0.05])),
            },
            stock=stock,
            laboratory=laboratory,
            score={"worth_from": 45.0, "coverage_weight": float(rng.choice([0.0, 20.0, 100.0]))},
        )
        planning = plan_region(region)
        if len(planning.deployments) <= MOST:
            return planning
        places = places[:-1]


def check(seed, tally):
    planning = random_region(seed)
    d = planning.deployments
    reading = sentences.Reading(planning.region, d)
    X = sentences.subsets(len(d))
    X = X[reading.one_each(X)]
    rules = reading.rules(X)
    value = reading.value(X)
    allowed = np.logical_and.reduce([good for _, good in rules.values()])
    best, picked, equal = sentences.best_subset(X, allowed, value, reading.spent(X).sum(axis=1))

    builder = start_program(planning)
    objective = score_objective(builder, planning)
    program = builder.build()
    selection = solve(program, objective, Limits(gap=0.0))

    for kind in {kind for kind, _ in rules.values()}:
        tally[kind, "occurred"] += 1
        others = [good for other, good in rules.values() if other != kind]
        freed, _, _ = sentences.best_subset(X, np.logical_and.reduce([np.ones(len(X), dtype=bool), *others]), value)
        tally[kind, "bound"] += best is None or (freed is not None and freed > best + 1e-6)
    if best is None:
        tally["no layout"] += 1
        assert selection.ended is Ended.INFEASIBLE, seed
        assert selection.value is None
        assert selection.picked == ()
        assert reading.clash_faults(X, selection.clash) == [], (seed, selection.clash)
        return
    tally["equal optima"] += equal > 1
    assert selection.ended is Ended.GAP, seed
    assert selection.value == pytest.approx(best, rel=1e-9, abs=1e-9), seed
    assert selection.proved
    assert selection.gap <= selection.asked_gap
    assert selection.picked == picked, (seed, selection.ties)
    assert selection.ties == (
        "among equal layouts the cheapest was taken, then the smaller ids"
        if equal > 1
        else "no other layout has this value"
    ), seed
    if seed % 3 == 0:
        near = solve(program, objective, Limits(gap=0.02))
        assert near.proved
        assert near.value <= best + 1e-9 * max(1.0, abs(best)) <= near.bound + 2e-9 * max(1.0, abs(best))
        assert near.bound - near.value <= 0.02 * max(1.0, abs(near.value))
    score = layout_score(planning, np.array(picked, dtype=np.int64))
    assert score.total == pytest.approx(best, rel=1e-9, abs=1e-9)
    assert score.worth + sum(score.coverage) == pytest.approx(score.total, abs=1e-12)
    assert all(j.holds for j in judge(planning, np.array(picked, dtype=np.int64))), seed
    assert program.broken(selection.values) == ()


TALLY = Counter()


@pytest.mark.parametrize("part", range(PARTS))
def test_the_search_finds_what_the_enumeration_of_all_subsets_finds(part):
    for seed in range(part, INSTANCES, PARTS):
        check(seed, TALLY)


def test_every_kind_of_rule_took_part_and_was_binding_more_than_once():
    """Runs on the tally of the tests above, or makes its own where they run in another process."""
    if TALLY["counted"] == 0 and sum(TALLY.values()) == 0:
        for seed in range(0, INSTANCES, 2):
            check(seed, TALLY)
    kinds = {
        "budget",
        "per_year, carried over",
        "per_year, each alone",
        "analyzers",
        "flasks",
        "laboratory",
        "required",
        "at_most",
        "at_least",
        "only_with",
        "band_at_least",
        "spacing",
        "comparison",
        "at_most_sites",
    }
    # One deployment a candidate and what is not offered shape the subsets and the table themselves; capacities
    # need legs and have their own enumeration.
    assert set(RULE_KINDS) - {"one_each", "offered", "capacity"} <= kinds | {"per_year"}
    for kind in kinds:
        assert TALLY[kind, "bound"] >= 5, (kind, TALLY)
    assert TALLY["no layout"] >= 10
    assert TALLY["equal optima"] >= 10
