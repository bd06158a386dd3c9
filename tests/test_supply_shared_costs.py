"""Ways of supply and their shared costs in the integer program, against enumerations of every choice.

The instances are of the kind of Steiner trees in graphs with a fixed charge (Balakrishnan, Magnanti and Wong 1989,
Operations Research 37, 716, for fixed-charge network design); they are small enough to go through every layout, every
choice of ways and so every set of legs that is paid for. Places and prices are invented.
"""

import importlib.util
import itertools
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from siting import api
from siting.outputs.run import write_layout
from siting.planning import plan_region
from siting.region import read_region
from siting.selection.precision import aims_of
from siting.selection.program import Limits, LinearObjective
from siting.selection.registry import judge, start_program
from siting.selection.shipping import best_ways
from siting.selection.solve import solve
from siting.selection.stages import cheapest, least_shortfall
from siting.selection.standing import cost_by_year, with_best_ways

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

LAB = "laboratory"
REGIONS = Path(__file__).parents[1] / "regions"
PLANS = [made.FLASK | {"sample_cost": 0.25}]


def random_region(seed, *, sites=4, hubs=2, limits=True, fixed=True, **more):
    """Return a region of a few sites with legs through hubs, some with a fixed cost, some in one voyage."""
    rng = np.random.default_rng(seed)
    names, places = [f"s{k}" for k in range(sites)], [f"h{k}" for k in range(hubs)]
    legs = [
        {
            "from": LAB,
            "to": hub,
            "mode": "ship",
            "days": int(rng.integers(1, 20)),
            "cost_a_box": int(rng.integers(1, 9)),
        }
        for hub in places
    ]
    for name in names:
        for hub in rng.choice(places, size=int(rng.integers(1, hubs + 1)), replace=False):
            one = {"from": str(hub), "to": name, "mode": "ship", "days": 5, "cost_a_box": int(rng.integers(1, 30))}
            legs.append(one)
        if rng.random() < 0.5:
            legs.append(
                {"from": LAB, "to": name, "mode": "aircraft", "days": 2, "cost_a_box": int(rng.integers(20, 80))}
            )
    for a, b in itertools.pairwise(names):
        if rng.random() < 0.4:
            legs.append({"from": a, "to": b, "mode": "ship", "days": 3, "cost_a_box": int(rng.integers(1, 9))})
    voyage_cost = int(rng.integers(50, 2000))
    for leg in legs:
        kind = rng.random()
        if fixed and kind < 0.25:
            leg |= {"voyage": "v", "fixed_cost_a_year": voyage_cost}
        elif fixed and kind < 0.55:
            leg["fixed_cost_a_year"] = int(rng.integers(20, 900))
        if limits and rng.random() < 0.2:
            leg |= {"departures_a_year": 12, "capacity_in_boxes": int(rng.integers(1, 4))}
    candidates = [
        {"id": name, "lat": 10 * k - 20, "lon": 20 * k, "baseline_exposure": float(rng.uniform(0.4, 0.9)),
         "annual_cost": int(rng.integers(10, 400)), "visits_per_year": int(rng.choice([4, 6, 12]))}
        for k, name in enumerate(names)
    ]  # fmt: skip
    settings = {
        "years": int(rng.choice([1, 2])),
        "plans": PLANS,
        "supply": {"routes": 6, "box_flasks": int(rng.choice([2, 12]))},
        "stock": {"flasks": int(rng.integers(10, 60)) if limits and rng.random() < 0.4 else None},
        "budget": {"total": float(rng.integers(300, 9000)), "price_growth": float(rng.choice([0.0, 0.05]))},
    }
    return made.region(candidates, legs=legs, **(settings | more))


def every_layout(planning):
    """Yield every set of deployments with at most one a candidate."""
    d = planning.deployments
    per = [[None, *np.flatnonzero(d.candidate == i).tolist()] for i in range(len(planning.region.candidates))]
    for choice in itertools.product(*per):
        yield np.array([k for k in choice if k is not None], dtype=np.int64)


def every_choice(planning, picked):
    """Yield every choice of ways of picked deployments, as {deployment: way}."""
    for ways in itertools.product(*(planning.supply.of(int(k)) for k in picked)):
        yield dict(zip(picked.tolist(), ways, strict=True))


def cost_of(planning, picked, chosen):
    """Add up what a layout costs by a choice of ways: own costs, freight, and each fixed cost once a year."""
    supply, d = planning.supply, planning.deployments
    total = int(d.cost_cents[picked].sum())
    for y in range(planning.region.settings.years):
        paid = set()
        for k, way in chosen.items():
            total += int(supply.cents[way, y])
            if d.first_month[k] // 12 <= y:
                paid |= {s for s in range(supply.uses.shape[1]) if supply.uses[way, s]}
        total += sum(int(supply.shared_cents[s, y]) for s in paid)
    return total


def keeps(planning, picked, chosen):
    """Say whether a layout with a choice of ways keeps budget, stock of flasks and capacities, by plain sums."""
    supply, settings = planning.supply, planning.region.settings
    ways = list(chosen.values())
    if cost_of(planning, picked, chosen) > round(100 * settings.budget.total):
        return False
    if settings.stock.flasks is not None and (supply.flasks[ways].sum(axis=0) > settings.stock.flasks).any():
        return False
    full = supply.fills[ways].T.astype(int) @ supply.boxes[ways]
    return bool((full <= supply.capacity[:, None]).all())


@pytest.mark.parametrize("seed", range(200))
def test_the_best_layout_of_a_shared_network_is_that_of_an_enumeration_of_ways_and_legs(seed):
    planning = plan_region(random_region(seed, sites=3 + seed % 2))
    builder = start_program(planning)
    worth = np.round(np.random.default_rng(seed).uniform(1, 10, len(planning.deployments)), 6)
    layouts = sorted(every_layout(planning), key=lambda picked: -worth[picked].sum())
    best = next(
        float(worth[picked].sum())
        for picked in layouts
        if any(keeps(planning, picked, chosen) for chosen in every_choice(planning, picked))
    )
    program = builder.build()
    found = solve(
        program,
        LinearObjective("worth", np.concatenate([worth, np.zeros(len(program.names) - worth.size)])),
        Limits(gap=0.0),
    )
    assert found.proved
    assert found.value == pytest.approx(best, abs=1e-9)
    picked = np.array(found.picked, dtype=np.int64)
    assert all(one.holds for one in judge(with_best_ways(planning, picked), picked))


@pytest.mark.parametrize("seed", range(60))
def test_the_cheapest_ways_of_a_layout_are_those_of_an_enumeration(seed):
    planning = plan_region(random_region(seed, limits=False))
    d = planning.deployments
    picked = np.array([np.flatnonzero(d.candidate == i)[0] for i in np.unique(d.candidate)], dtype=np.int64)
    chosen = best_ways(planning, picked)
    least = min(cost_of(planning, picked, other) for other in every_choice(planning, picked))
    assert cost_of(planning, picked, chosen) == least
    assert sum(cost_by_year(planning.with_ways(chosen), picked)) == least


@pytest.mark.parametrize("seed", range(30))
def test_without_fixed_costs_every_deployment_takes_its_own_cheapest_way(seed):
    planning = plan_region(random_region(seed, limits=False, fixed=False))
    d, supply = planning.deployments, planning.supply
    picked = np.array([np.flatnonzero(d.candidate == i)[0] for i in np.unique(d.candidate)], dtype=np.int64)
    for k, way in best_ways(planning, picked).items():
        assert supply.cents[way].sum() == min(supply.cents[w].sum() for w in supply.of(k))


SHOWN = {
    "tracers": [{"name": "CO2", "unit": "ppm", "scale": "invented"}],
    "bands": [{"id": "south", "south": -90.0, "north": 0.0}, {"id": "north", "south": 0.0, "north": 90.0}],
    "targets": [
        {"kind": "realised_growth", "id": "growth", "tracer": "CO2", "goal": 0.05},
        {
            "kind": "level_difference",
            "id": "north-south",
            "tracer": "CO2",
            "band": "north",
            "minus": "south",
            "goal": 0.3,
        },
    ],
}


@pytest.mark.parametrize("seed", range(24))
def test_the_least_shortfall_with_ways_to_choose_is_that_of_an_enumeration(seed):
    planning = plan_region(random_region(seed, sites=4, **SHOWN))
    aims = aims_of(planning)
    shortfall = aims.shortfall()
    best = min(
        shortfall.weights.total(shortfall.whole(picked))
        for picked in every_layout(planning)
        if any(keeps(planning, picked, chosen) for chosen in every_choice(planning, picked))
    )
    found = least_shortfall(start_program(planning).build(), aims, Limits(gap=1e-4)).selection
    assert found.proved
    assert found.value == pytest.approx(best, rel=1e-4, abs=1e-9)
    assert found.bound <= best * (1.0 + 1e-9) + 1e-12
    picked = np.array(found.picked, dtype=np.int64)
    assert all(one.holds for one in judge(with_best_ways(planning, picked), picked))


@pytest.mark.parametrize("seed", range(8))
def test_the_cheapest_layout_that_meets_the_goals_counts_shared_costs_once(seed):
    loose = [target | {"goal": 40.0 * target["goal"]} for target in SHOWN["targets"]]
    planning = plan_region(random_region(seed, sites=3, **(SHOWN | {"targets": loose})))
    aims = aims_of(planning)
    shortfall = aims.shortfall()
    costs = [
        cost_of(planning, picked, chosen)
        for picked in every_layout(planning)
        if shortfall.weights.total(shortfall.whole(picked)) <= 0.0
        for chosen in every_choice(planning, picked)
        if keeps(planning, picked, chosen)
    ]
    found = cheapest(start_program(planning).build(), aims, Limits(gap=1e-4)).selection
    if not costs:
        assert found.value is None
        return
    assert found.stages[0].name == "cost"
    assert found.stages[0].value == pytest.approx(min(costs) / 100, abs=1.0)


def test_a_run_with_ways_of_supply_is_verified_and_a_changed_way_is_not(tmp_path):
    folder = tmp_path / "sea"
    shutil.copytree(REGIONS / "smallsea", folder)
    ids = [row.split(",")[0] for row in (folder / "candidates.csv").read_text().splitlines()[1:]]
    lines = ["from,to,mode,days,departures_a_year,cost_a_box,fixed_cost_a_year,voyage", "laboratory,port,road,1,,2,,"]
    for k, name in enumerate(ids):
        lines.append(
            f"port,{name},ship,6,{12 if k % 2 else 24},{5 + k},{300 if k < 4 else ''},{'round' if k < 4 else ''}"
        )
        lines.append(f"port,{name},aircraft,2,,{30 + 3 * k},,")
    (folder / "legs.csv").write_text("\n".join(lines) + "\n")
    (folder / "hubs.csv").write_text("id,lat,lon\nport,0,0\n")
    for by in ("precision", "score"):
        out = tmp_path / by
        result = api.plan(read_region(folder), by=by, gap=0.02)
        write_layout(out, result.planning, result.assessment, result.certificate, "", result.proven)
        checked = api.verify(out, region=folder)
        assert checked.true, [one for one in checked.checks if one.holds is False]
    told = json.loads((out / "layout.json").read_text())
    with_way = next(one for one in told["picked"] if "way_home" in one)
    with_way["way_home"] = "somewhere > else"
    (out / "layout.json").write_text(json.dumps(told))
    assert not api.verify(out, region=folder).true


def shared_leg(share=True):
    """Two islands behind one hub whose ship costs 1,000 a year; 48 samples, 96 flasks, 12 calls a year."""
    voyage = {"fixed_cost_a_year": 1000, "voyage": "v"}
    legs = [
        {"from": LAB, "to": "port", "mode": "road", "days": 1, "cost_a_box": 2},
        {"from": "port", "to": "a", "mode": "ship", "days": 3, "cost_a_box": 5} | voyage,
        {"from": "port", "to": "b", "mode": "ship", "days": 4, "cost_a_box": 6} | voyage,
    ]
    candidates = [{"id": "a", "lat": 0, "lon": 0}, {"id": "b", "lat": 5, "lon": 5}]
    supply = {"sharing": share, "breakage": 0.0}
    return plan_region(made.region(candidates, legs=legs, years=1, supply=supply))


def test_one_shared_leg_is_paid_once_by_hand_sum():
    """12 calls of a box each way: a pays 12 x 2 x 7 = 168, b 12 x 2 x 8 = 192, the ship 1,000 once."""
    planning = shared_leg()
    a, b = made.picks(planning, ("a", "f", 2030), ("b", "f", 2030)).tolist()
    cost = {
        name: sum(cost_by_year(planning, np.array(picked))) / 100
        for name, picked in {"a": [a], "b": [b], "both": [a, b]}.items()
    }
    assert cost == {"a": 1168.0, "b": 1192.0, "both": 1360.0}


def test_without_sharing_each_site_pays_the_whole_voyage():
    planning = shared_leg(share=False)
    both = made.picks(planning, ("a", "f", 2030), ("b", "f", 2030))
    assert sum(cost_by_year(planning, both)) / 100 == 2360.0
