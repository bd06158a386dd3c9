"""An independent check of finished runs: true ones pass, whatever is touched in a run makes it fail.

All regions are invented. The reference for bounds is brute force over every layout of a small region.
"""

import hashlib
import itertools
import json
import shutil

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from siting import api
from siting.cli import app
from siting.outputs.run import write_layout
from siting.planning import plan_region
from siting.region import read_region
from siting.region.faults import InputError
from siting.selection.precision import aims_of, picked_errors
from siting.selection.registry import judge
from siting.verification.certificate import FalseProofError, read_proof
from siting.verification.verify import rederived

TOML = """\
schema_version = 1
title = "Six isles, invented"
currency = "crowns"
first_year = 2030
years = 1

[budget]
total = 3000.0

[[tracers]]
name = "CO2"
unit = "ppm"
scale = "invented scale"

[[plans]]
id = "weekly"
kind = "flask"
samples_per_month = 4.35

[[bands]]
id = "south"
south = -90.0
north = 0.0

[[bands]]
id = "north"
south = 0.0
north = 90.0

[[targets]]
id = "contrast"
kind = "level_difference"
band = "north"
minus = "south"
goal = GOAL
"""
SITES = """\
id,lat,lon,baseline_exposure,contamination_risk,annual_cost
alba,62,-20,0.7,0.05,1100
brisa,38,150,0.8,0.05,900
cala,21,-60,0.6,0.1,800
dorn,-12,80,0.7,0.05,850
eider,-41,170,0.8,0.02,1000
fjell,-66,-60,0.9,0.01,1300
"""


def write_region(folder, goal=0.1):
    folder.mkdir(parents=True)
    (folder / "region.toml").write_text(TOML.replace("GOAL", str(goal)))
    (folder / "candidates.csv").write_text(SITES)
    return folder


def write_run(folder, region, **asked):
    result = api.plan(read_region(region), state=True, **asked)
    write_layout(folder, result.planning, result.assessment, result.certificate, "", result.proven)
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A region folder and a run of it by precision."""
    base = tmp_path_factory.mktemp("verify")
    region = write_region(base / "isles")
    return region, write_run(base / "run", region, gap=1e-3, time_limit=20)


@pytest.fixture
def copied(made, tmp_path):
    """The region and a run that may be spoilt."""
    region, run = made
    return region, shutil.copytree(run, tmp_path / "run")


def change(run, edit, proof=None):
    """Edit layout.json, and proof.json with its hash, in place."""
    told = json.loads((run / "layout.json").read_text())
    if proof is not None:
        content = json.loads((run / "proof.json").read_text())
        proof(content)
        text = json.dumps(content)
        (run / "proof.json").write_text(text)
        told["proof_sha256"] = hashlib.sha256(text.encode()).hexdigest()
    edit(told)
    (run / "layout.json").write_text(json.dumps(told))


def test_a_true_run_passes_and_its_bound_is_worked_out_again(made):
    region, run = made
    found = api.verify(run, region=region)
    assert found.true, found.lines()
    assert found.stages[0].bound == pytest.approx(found.stages[0].claimed, rel=1e-6)
    assert any("no layout has a shortfall below" in line for line in found.lines())


FIELDS = {
    "value": lambda t: t.update(value=t["value"] * 0.99),
    "bound": lambda t: t.update(bound=t["bound"] * 1.0001),
    "stage bound": lambda t: t["stages"][0].update(bound=t["stages"][0]["bound"] * 1.0001),
    "gap": lambda t: t.update(gap=0.0),
    "proved": lambda t: t.update(proved=not t["proved"]),
    "picks": lambda t: t["picked"].pop(),
    "a pick twice": lambda t: t["picked"].append(t["picked"][0]),
    "unknown site": lambda t: t["picked"][0].update(id="nowhere"),
    "cost": lambda t: t.update(cost_total=t["cost_total"] - 1),
    "cost by year": lambda t: t["cost_by_year"].update({"2030": 1.0}),
    "score": lambda t: t["score"].update(total=99.0),
    "target error": lambda t: t["targets"][0].update(error=0.01),
    "shortfall": lambda t: t.update(shortfall=0.0),
    "rule": lambda t: t["rules"][0].update(holds=False),
    "what-ifs": lambda t: t.update(changes=["--budget 5000"]),
    "hash of the proof": lambda t: t.update(proof_sha256="0" * 64),
    "hash of an input": lambda t: t["inputs"].update({"candidates.csv": "0" * 64}),
    "objective": lambda t: t.update(objective="cheapest"),
    "no objective": lambda t: t.update(objective=None),
    "a field gone": lambda t: t.pop("gap"),
    "title": lambda t: t.update(title="another"),
    "assumed": lambda t: t.update(assumed={}),
    "answer": lambda t: t.update(answer=t["answer"].replace(" for ", " for only ")),
    "what was asked for": lambda t: t["asked"].update(budget_total=1.0),
}


@pytest.mark.parametrize("name", FIELDS)
def test_a_touched_field_of_layout_json_is_found(copied, name):
    region, run = copied
    change(run, FIELDS[name])
    assert not api.verify(run, region=region).true


def test_a_proof_touched_anywhere_is_not_the_one_that_was_named(copied):
    region, run = copied
    text = (run / "proof.json").read_text()
    (run / "proof.json").write_text(text.replace("1", "2", 1))
    assert not api.verify(run, region=region).true
    (run / "proof.json").unlink()
    assert not api.verify(run, region=region).true


def test_a_changed_input_is_named(copied, tmp_path):
    region, run = copied
    other = shutil.copytree(region, tmp_path / "isles")
    (other / "candidates.csv").write_text(SITES.replace("1100", "1101"))
    found = api.verify(run, region=other)
    assert not found.true
    assert "candidates.csv" in found.checks[0].words


def test_a_claim_above_what_the_tree_gives_is_found_although_its_hash_is_right(copied):
    region, run = copied
    value = json.loads((run / "layout.json").read_text())["value"]

    def told(t):
        t["bound"] = t["stages"][0]["bound"] = value
        t["gap"] = t["stages"][0]["gap"] = 0.0

    def proof(c):
        c["stages"][0]["bound"] = value
        for node in c["stages"][0]["nodes"]:
            node["points"] = node["points"][:1]
            for point in node["points"]:
                point[5] = [0.0 for _ in point[5]]

    change(run, told, proof)
    assert not api.verify(run, region=region).true


@pytest.mark.parametrize(
    "spoil",
    [
        lambda s: s["cliques"].append([0, 1]),
        lambda s: s["nodes"][0]["points"][0].__setitem__(5, [-1.0 for _ in s["nodes"][0]["points"][0][5]]),
        lambda s: s["nodes"][0]["points"][0].__setitem__(3, [1e9]),
        lambda s: s["nodes"][0]["points"][0].__setitem__(0, 99),
        lambda s: s["nodes"][0]["children"].append(0),
        lambda s: s["nodes"].append({"parent": 0, "side": [[0], 1, 0], "points": [], "children": []}),
    ],
    ids=["clique that is none", "multiplier below 0", "theta above kappa", "no such basis", "cycle", "stray node"],
)
def test_a_proof_of_wrong_form_is_refused_although_its_hash_is_right(copied, spoil):
    region, run = copied
    change(run, lambda told: None, lambda content: spoil(content["stages"][0]))
    assert not api.verify(run, region=region).true


def _tree(children, sides):
    nodes = [{"parent": -1, "side": None, "points": [], "children": children}]
    nodes += [{"parent": 0, "side": side, "points": [], "children": []} for side in sides]
    stage = {
        "name": "shortfall", "value": 1.0, "bound": 0.5, "most_cost": None, "bases": [], "cliques": [], "nodes": nodes,
    }  # fmt: skip
    return json.dumps({"format": 1, "stages": [stage]})


def test_children_that_leave_layouts_out_are_refused():
    assert len(read_proof(_tree([1, 2], [[[0, 3], 1, 0], [[0, 3], -1, -1]]))[0].nodes) == 3
    for sides in (
        [[[0, 3], 1, 0], [[0, 3], -1, -2]],
        [[[0, 3], 1, -1], [[0, 3], -1, -1]],
        [[[0, 3], 1, 0], [[0, 2], -1, -1]],
        [[[0, 3], 1, 0], [[0, 3], 1, -1]],
    ):
        with pytest.raises(FalseProofError):
            read_proof(_tree([1, 2], sides))
    with pytest.raises(FalseProofError):
        read_proof(_tree([1], [[[0, 3], 1, 0]]))


@pytest.fixture(scope="module")
def brute(made):
    """The planning, its aims, the least shortfall of all its layouts, and the proof."""
    region, run = made
    planning = plan_region(read_region(region))
    aims = aims_of(planning)
    least = np.inf
    for size in range(len(planning.deployments) + 1):
        for picked in itertools.combinations(range(len(planning.deployments)), size):
            chosen = np.array(picked, dtype=np.int64)
            if all(j.holds for j in judge(planning, chosen)):
                excess = (picked_errors(aims, chosen) / aims.goals) ** 2 - 1.0
                least = min(least, float(aims.weights @ np.maximum(0.0, excess)))
    return planning, aims, least, json.loads((run / "proof.json").read_text())


def test_the_bound_stands_below_brute_force_over_every_layout(made, brute):
    region, run = made
    *_, least, _ = brute
    told = json.loads((run / "layout.json").read_text())
    assert told["value"] == pytest.approx(least, rel=1e-3)
    assert api.verify(run, region=region).stages[0].bound <= least * (1.0 + 1e-9)


def _numbers(content, path=()):
    if isinstance(content, dict | list):
        for name, part in content.items() if isinstance(content, dict) else enumerate(content):
            yield from _numbers(part, (*path, name))
    elif isinstance(content, int | float) and not isinstance(content, bool) and "bases" not in path:
        yield path


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_changed_number_makes_a_bound_true_that_brute_force_refutes(brute, data):
    planning, aims, least, content = brute
    places = list(_numbers(content))
    path = data.draw(st.sampled_from(places))
    spoilt = json.loads(json.dumps(content))
    inner = spoilt
    for name in path[:-1]:
        inner = inner[name]
    old = inner[path[-1]]
    new = [old + 1, old - 1] if isinstance(old, int) else [old * 2.0, old * 0.5, old + 0.1, -old, 1e6, 0.0]
    inner[path[-1]] = data.draw(st.sampled_from(new))
    stage = spoilt["stages"][0]
    # Claimed is more than is true: whatever the proof says, that must not come out.
    if path[-1] != "bound":
        stage["bound"] = data.draw(st.sampled_from([stage["bound"], least * 1.001, least * 2.0]))
    try:
        found = rederived(read_proof(json.dumps(spoilt))[0], planning, aims, 0.01 * float(aims.weights.sum()))
    except (FalseProofError, KeyError, ValueError, np.linalg.LinAlgError):
        return
    assert not found.holds or found.claimed <= least * (1.0 + 2e-6)


def test_runs_by_score_and_at_least_cost_are_checked_too(tmp_path):
    region = write_region(tmp_path / "isles", goal=2.0)
    score = api.verify(write_run(tmp_path / "score", region, by="score"), region=region)
    assert score.true, score.lines()
    assert [stage.stage for stage in score.stages] == ["score"]
    cheap = api.verify(write_run(tmp_path / "cheap", region, by="cheapest", time_limit=20), region=region)
    assert cheap.true, cheap.lines()
    assert cheap.stages[0].stage == "cost"


def test_the_command_tells_true_false_and_bad_input_by_its_exit_code(copied, tmp_path, monkeypatch):
    region, run = copied
    runner = CliRunner()
    assert runner.invoke(app, ["verify", str(run), "--region", str(region), "--json"]).exit_code == 0
    monkeypatch.chdir(region.parent)
    assert runner.invoke(app, ["verify", str(run)]).exit_code == 0
    change(run, FIELDS["cost"])
    assert runner.invoke(app, ["verify", str(run)]).exit_code == 1
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="--region"):
        api.verify(run)
    with pytest.raises(InputError):
        api.verify(tmp_path / "nothing")
