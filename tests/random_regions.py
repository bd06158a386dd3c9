"""Small random regions, and every layout of one with its score and cost; used by several tests.

All regions are invented. Rules, score and money are read by `rules_by_sentence.py`, written from the sentences
of the rules, so that nothing of a search stands in the enumeration.
"""

from __future__ import annotations

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import shapely

from siting.assessment.precision import target_errors
from siting.planning import plan_region


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made, sentences = _load("made_region"), _load("rules_by_sentence")

MOST = 14
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


def with_budget(planning, total):
    """Return the planning of the same region with another total budget, in the currency."""
    region = planning.region
    budget = region.settings.budget.model_copy(update={"total": total})
    settings = region.settings.model_copy(update={"budget": budget})
    return plan_region(dataclasses.replace(region, settings=settings))


class Every:
    """Every layout of a planning that keeps all rules: `X` (L, D) of True and False, `value` and `cents` (L,).

    `free` (A, D) are the layouts with one deployment a site at most, whatever other rules they break.
    """

    def __init__(self, planning):
        self.planning, self.reading = planning, sentences.Reading(planning.region, planning.deployments)
        X = sentences.subsets(len(planning.deployments))
        self.free = X[self.reading.one_each(X)]
        rules = self.reading.rules(self.free)
        self.allowed = np.logical_and.reduce([good for _, good in rules.values()])
        self.X = self.free[self.allowed]
        self.value, self.cents = self.reading.value(self.X), self.reading.spent(self.X).sum(axis=1)
        self.sites = self.sites_of(self.X)

    def sites_of(self, X):
        """Say (rows, candidates) where something is picked."""
        return self.reading.sites_in(X, np.ones(X.shape[1], dtype=bool))

    def at(self, candidate):
        """Say (L,) which layouts have a site, given by its id."""
        return self.sites[:, self.planning.region.candidates.ids.index(candidate)]

    def row(self, layout):
        """Return (1, D) of a layout given as (candidate id, plan id, start year)."""
        row = np.zeros((1, self.free.shape[1]), dtype=bool)
        row[0, made.picks(self.planning, *layout)] = True
        return row

    def value_of(self, layout):
        """Return the score of a layout, whatever rules it breaks."""
        return float(self.reading.value(self.row(layout))[0])

    def cents_of(self, layout):
        """Return the cost of a layout in hundredths."""
        return int(self.reading.spent(self.row(layout)).sum())

    def holds(self, layout):
        """Say whether a layout keeps every rule."""
        return bool((self.row(layout) == self.X).all(axis=1).any())

    def broken(self, layout):
        """Return the labels of the rules that a layout breaks."""
        return {label for label, (_, good) in self.reading.rules(self.row(layout)).items() if not good[0]}


def precise_region(seed):
    """Return a planning with at most 8 deployments and three targets of CO2."""
    rng = np.random.default_rng(seed)
    years = int(rng.choice([2, 2, 3]))
    plans = [
        made.FLASK | {"samples_per_month": 4.35, "method": "glass", "sample_cost": 2.0, "annual_cost": 30.0},
        made.ANALYZER | {"method": "laser", "capital_cost": 300.0, "annual_cost": 120.0},
    ]
    starts = int(rng.integers(1, years + 1))
    places: list[dict] = []
    for name in IDS[:4]:
        offered = [["f"], ["a"], ["f", "a"]][rng.integers(3)]
        if starts * (sum(len(p["plans"]) for p in places) + len(offered)) > 8:
            break
        places.append(
            {
                "id": name,
                "lat": round(float(rng.uniform(-75, 75)), 2),
                "lon": round(float(rng.uniform(-170, 170)), 2),
                "plans": offered,
                "baseline_exposure": round(float(rng.uniform(0.2, 0.95)), 2),
                "contamination_risk": round(float(rng.uniform(0.0, 0.3)), 2),
                "setup_cost": int(rng.integers(0, 300)),
                "annual_cost": round(float(rng.uniform(0, 100)), 2),
            }
        )
    rules = [{"kind": "at_least", "count": 1, "instrument": "flask"}] if rng.random() < 0.3 else []
    rules += [{"kind": "at_most_sites", "count": 2}] if rng.random() < 0.3 else []
    limits = [float(rng.integers(250, 900)) for _ in range(years)] if rng.random() < 0.5 else None
    return plan_region(
        made.region(
            places,
            years=years,
            last_start_year=2029 + starts,
            plans=plans,
            rules=rules,
            tracers=[{"name": "CO2", "unit": "ppm", "scale": "invented"}],
            bands=[
                {"id": "south", "south": -90.0, "north": 0.0},
                {"id": "north", "south": 0.0, "north": 90.0},
            ],
            targets=[
                {"id": "growth", "kind": "realised_growth", "goal": float(rng.uniform(0.05, 0.4))},
                {"id": "gradient", "kind": "level_difference", "band": "north", "minus": "south", "goal": 0.5},
                {
                    "id": "season",
                    "kind": "season",
                    "band": "north",
                    "goal": float(rng.uniform(0.1, 1.0)),
                    "weight": 2.0,
                },
            ],
            budget={"total": float(rng.integers(800, 3000)), "per_year": limits, "carry_over": bool(seed % 2)},
            stock={"analyzers": 2},
        )
    )


class EveryShortfall(Every):
    """Every layout of a planning that keeps all rules, with its `shortfall` (L,) by the errors of its targets."""

    def __init__(self, planning):
        super().__init__(planning)
        self._known: dict[tuple[int, ...], float] = {}
        self.shortfall = self.shortfalls(self.X)

    def shortfalls(self, X):
        """Return the shortfalls (rows,) of layouts, whatever rules they break."""
        return np.array([self._shortfall(tuple(np.flatnonzero(row).tolist())) for row in X])

    def _shortfall(self, picked):
        if picked not in self._known:
            errors = target_errors(self.planning, np.array(picked, dtype=np.int64))
            targets = self.planning.region.settings.targets
            over = [t.weight * max(0.0, (errors["CO2", t.id] / t.goal) ** 2 - 1.0) for t in targets]
            self._known[picked] = float(sum(over))
        return self._known[picked]
