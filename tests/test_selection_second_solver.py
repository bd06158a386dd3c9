"""The search against a second general solver, SCIP, on regions too large to enumerate (all invented).

SCIP (through pyscipopt) shares no code with the solver library that the program uses; spacing is written
for it as one row a pair of sites, from PROJ geodesics.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from pyproj import Geod

from siting.planning import plan_region
from siting.selection.program import NO_LIMIT, Ended, Limits
from siting.selection.registry import judge, start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.solve import solve

pyscipopt = pytest.importorskip(
    "pyscipopt", reason="pyscipopt, the second solver, has no wheel for this machine or is not installed"
)

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

GEOD = Geod(ellps="WGS84")
PLANS = [
    made.FLASK | {"setup_cost": 9.0, "annual_cost": 21.0, "sample_cost": 0.37},
    made.ANALYZER | {"capital_cost": 80.0, "setup_cost": 25.0, "annual_cost": 44.0},
    made.BOTH,
]


def large_region(seed):
    """Return (planning, km of the spacing rule, its instruments) with 200 to 400 deployments."""
    rng = np.random.default_rng(1000 + seed)
    count, years = (int(rng.integers(52, 70)), 2) if seed % 2 else (int(rng.integers(36, 42)), 3)
    places = []
    for k in range(count):
        place = {
            "id": f"s{k:02d}",
            "lat": round(float(rng.uniform(-75, 75)), 3),
            "lon": round(float(rng.uniform(-180, 180)), 3),
            "baseline_exposure": round(float(rng.uniform(0.1, 0.8)), 2),
            "contamination_risk": round(float(rng.uniform(0.0, 0.3)), 2),
            "data_return": round(float(rng.uniform(0.6, 1.0)), 2),
            "setup_cost": int(rng.integers(0, 150)),
            "annual_cost": round(float(rng.uniform(0, 80)), 2),
            "lead_months": int(rng.integers(0, 10)),
            "visits_per_year": int(rng.choice([1, 2, 4, 12])),
            "group": "g" if rng.random() < 0.4 else "h",
            "plans": ["f a", "f a b", "f b"][rng.integers(3)],
        }
        if rng.random() < 0.08:
            place |= {"status": "running", "running_since": 2015, "running_plan": str(rng.choice(["f", "a"]))}
            del place["plans"]
        elif rng.random() < 0.03:
            place |= {"status": "required"}
        places.append(place)
    km = float(rng.choice([800, 1500, 2500]))
    instrument = [None, "flask", "analyzer"][rng.integers(3)]
    rules = [
        {"kind": "spacing", "name": "apart", "km": km} | ({"instrument": instrument} if instrument else {}),
        {"kind": "at_most", "count": 6, "group": "g"},
        {"kind": "at_least", "count": 1, "group": "h"},
        {"kind": "band_at_least", "band": "low north", "count": 1.0},
        {"kind": "comparison", "count": 1},
        {"kind": "at_most_sites", "count": 9},
    ]
    stock = {"analyzers": 4, "spare_analyzers": 1, "flasks": int(rng.integers(400, 900))}
    if seed % 3 == 0:
        stock |= {"buy_price": 150.0, "buy_most": 2}
    region = made.region(
        places,
        years=years,
        plans=PLANS,
        rules=rules,
        stock=stock,
        budget={
            "total": float(rng.integers(1200, 2500)),
            "per_year": float(rng.integers(900, 1500)),
            "carry_over": bool(seed % 2),
            "contingency": 0.1,
            "price_growth": 0.03,
        },
        laboratory={"samples_per_year": 500},
        score={"worth_from": 40.0},
    )
    return plan_region(region), km, [instrument] if instrument else ["analyzer", "flask"]


def pair_rows(planning, km, instruments):
    """Return pairs of columns that may not both be picked, and columns that may not be picked at all."""
    c, d = planning.region.candidates, planning.deployments
    i, j = np.triu_indices(len(c), 1)
    close = GEOD.inv(c.lon[i], c.lat[i], c.lon[j], c.lat[j])[2] < 1000.0 * km
    near = {(int(a), int(b)) for a, b in zip(i[close], j[close], strict=True)}
    near |= {(b, a) for a, b in near}
    pairs, shut = set(), set()
    for instrument in instruments:
        mine = np.flatnonzero(d.has_analyzer if instrument == "analyzer" else d.has_flask)
        runs = [
            status == "running" and plan == instrument[0] for status, plan in zip(c.status, c.running_plan, strict=True)
        ]
        for a in mine:
            if any(runs[other] and (int(d.candidate[a]), other) in near for other in range(len(c))):
                shut.add(int(a))
            pairs |= {(int(a), int(b)) for b in mine if a < b and (int(d.candidate[a]), int(d.candidate[b])) in near}
    return sorted(pairs), sorted(shut)


def by_scip(program, objective, pairs, shut):
    """Return (value, picked) of the program, proved optimal by SCIP; value None if it has no solution."""
    model = pyscipopt.Model()
    model.hideOutput()
    model.setParam("numerics/feastol", 1e-9)
    model.setParam("limits/gap", 0.0)
    columns = [
        model.addVar(vtype="I" if program.integer[k] else "C", lb=program.lower[k], ub=program.upper[k])
        for k in range(len(program.names))
    ]
    for row in range(program.matrix.shape[0]):
        span = slice(program.matrix.indptr[row], program.matrix.indptr[row + 1])
        terms = zip(program.matrix.indices[span], program.matrix.data[span], strict=True)
        total = pyscipopt.quicksum(int(value) * columns[k] for k, value in terms)
        if program.row_lower[row] != -NO_LIMIT:
            model.addCons(total >= int(program.row_lower[row]))
        if program.row_upper[row] != NO_LIMIT:
            model.addCons(total <= int(program.row_upper[row]))
    for a, b in pairs:
        model.addCons(columns[a] + columns[b] <= 1)
    for a in shut:
        model.addCons(columns[a] <= 0)
    used = np.flatnonzero(objective.coefficients)
    model.setObjective(pyscipopt.quicksum(float(objective.coefficients[k]) * columns[k] for k in used), "maximize")
    model.optimize()
    if model.getStatus() == "infeasible":
        return None, ()
    assert model.getStatus() == "optimal"
    picked = tuple(k for k in range(program.deployments) if model.getVal(columns[k]) > 0.5)
    return model.getObjVal(), picked


@pytest.mark.parametrize("seed", range(20))
def test_a_second_solver_finds_the_same_best_value(seed):
    planning, km, instruments = large_region(seed)
    assert 200 <= len(planning.deployments) <= 400
    builder = start_program(planning)
    objective = score_objective(builder, planning)
    program = builder.build()
    pairs, shut = pair_rows(planning, km, instruments)
    assert pairs
    value, theirs = by_scip(program, objective, pairs, shut)
    selection = solve(program, objective, Limits(gap=0.0))
    if value is None:
        assert selection.ended is Ended.INFEASIBLE
        return
    assert selection.ended is Ended.GAP
    assert selection.proved
    assert selection.value == pytest.approx(value, rel=1e-7)
    for picked in (selection.picked, theirs):
        chosen = np.array(picked, dtype=np.int64)
        assert all(j.holds for j in judge(planning, chosen))
        assert layout_score(planning, chosen).total == pytest.approx(value, rel=1e-7)
