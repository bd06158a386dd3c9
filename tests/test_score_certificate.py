"""Runs by score keep a proof that is worked out again without the solver; all regions are invented.

The reference for bounds is brute force over every layout of a small region, judged by every rule.
"""

import hashlib
import importlib.util
import itertools
import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siting import api
from siting.outputs.proof import proof_json
from siting.outputs.run import write_layout
from siting.planning import plan_region
from siting.region import read_region
from siting.selection import certificate
from siting.selection.program import Limits
from siting.selection.registry import judge, start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.solve import solve_proven
from siting.verification.certificate import FalseProofError, read_proof
from siting.verification.verify import rederived_score

_spec = importlib.util.spec_from_file_location("verify_region", Path(__file__).with_name("test_verify.py"))
isles = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(isles)
FARWINDS = Path(__file__).parents[1] / "regions" / "farwinds"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A region folder and a run of it by score."""
    base = tmp_path_factory.mktemp("score")
    region = isles.write_region(base / "isles", goal=2.0)
    return region, isles.write_run(base / "run", region, by="score")


@pytest.fixture
def copied(made, tmp_path):
    region, run = made
    return region, shutil.copytree(run, tmp_path / "run")


@pytest.fixture(scope="module")
def brute(made):
    """The planning, the greatest score of all its layouts, and the proof."""
    region, run = made
    planning = plan_region(read_region(region))
    best = -np.inf
    for size in range(len(planning.deployments) + 1):
        for picked in itertools.combinations(range(len(planning.deployments)), size):
            chosen = np.array(picked, dtype=np.int64)
            if all(j.holds for j in judge(planning, chosen)):
                best = max(best, layout_score(planning, chosen).total)
    return planning, best, json.loads((run / "proof.json").read_text())


def test_the_bound_of_a_score_is_worked_out_again(made, brute):
    region, run = made
    found = api.verify(run, region=region)
    assert found.true, found.lines()
    (bound,) = [check for check in found.checks if check.name == "bound"]
    assert bound.holds
    assert found.stages[0].bound == pytest.approx(brute[1], rel=1e-6)
    assert found.stages[0].bound >= brute[1] * (1.0 - 1e-9)


@pytest.fixture(scope="module")
def shallow(tmp_path_factory):
    """A run of the larger example whose tree is kept too small to reach the solver's bound."""
    folder = tmp_path_factory.mktemp("far") / "run"
    before, certificate.MOST_LEAVES = certificate.MOST_LEAVES, 8
    try:
        result = api.plan(read_region(FARWINDS), by="score")
    finally:
        certificate.MOST_LEAVES = before
    write_layout(folder, result.planning, result.assessment, result.certificate, "", result.proven)
    return folder, result


def test_a_tree_that_proves_less_than_the_solver_passes_and_says_how_much(shallow):
    folder, result = shallow
    found = api.verify(folder, region=FARWINDS)
    assert found.true, found.lines()
    (bound,) = [check for check in found.checks if check.name == "bound"]
    assert bound.holds is None
    assert "the solver's bound, re-derived to" in bound.words
    stage = found.stages[0]
    assert stage.leaves >= 8
    # No better than the solver's own bound; better than the root of the same tree alone.
    root = json.loads((folder / "proof.json").read_text())
    root["stages"][0]["nodes"] = [root["stages"][0]["nodes"][0] | {"children": []}]
    (alone,) = read_proof(json.dumps(root))
    assert result.selection.bound <= stage.bound <= rederived_score(alone, result.planning).bound
    told = float(bound.words.split("re-derived to ")[1].split(" %")[0])
    gap = 100.0 * (stage.bound - stage.value) / stage.value
    assert gap <= told <= gap + 1.1e-3


def test_the_same_search_gives_the_same_proof(made):
    planning = plan_region(read_region(made[0]))
    texts = set()
    for _ in range(2):
        builder = start_program(planning)
        objective = score_objective(builder, planning)
        texts.add(proof_json(solve_proven(builder.build(), objective, Limits(1e-3))))
    assert texts == {(made[1] / "proof.json").read_text()}


def _times(factor):
    """Multiply every multiplier of a stage by a factor."""

    def spoil(stage):
        for node in stage["nodes"]:
            for point in node["points"]:
                point[5] = [factor * x for x in point[5]]

    return spoil


SPOILS = {
    "multipliers gone": _times(0.0),
    "multipliers below 0": _times(-1.0),
    "a row that is not there": lambda s: s["nodes"][0]["points"][0][4].__setitem__(0, 10**6),
    "a clique that is none": lambda s: s["cliques"].append([0, 1]),
    "a bound below the solver's": lambda s: s.update(bound=s["bound"] - 1e-3),
    "a cost cap": lambda s: s.update(most_cost=1),
    "another value": lambda s: s.update(value=s["value"] + 1.0),
    "another name": lambda s: s.update(name="shortfall"),
    "no points": lambda s: [node["points"].clear() for node in s["nodes"]],
}  # fmt: skip


@pytest.mark.parametrize("name", SPOILS)
def test_a_spoilt_proof_fails_although_its_hash_is_right(copied, name):
    region, run = copied
    isles.change(run, lambda told: None, lambda content: SPOILS[name](content["stages"][0]))
    assert not api.verify(run, region=region).true


@pytest.mark.parametrize("factor", [0.5, 0.99, 1.01, 2.0])
def test_multipliers_that_prove_less_than_the_proof_says_fail(shallow, tmp_path, factor):
    run = shutil.copytree(shallow[0], tmp_path / "run")
    isles.change(run, lambda told: None, lambda content: _times(factor)(content["stages"][0]))
    found = api.verify(run, region=FARWINDS)
    assert [check.name for check in found.checks if check.holds is False] == ["bound"]
    assert found.stages[0].bound > found.stages[0].claimed


def test_a_changed_or_missing_file_fails_by_its_hash(copied):
    region, run = copied
    text = (run / "proof.json").read_text()
    (run / "proof.json").write_text(text + " ")
    assert not api.verify(run, region=region).true
    (run / "proof.json").unlink()
    assert not api.verify(run, region=region).true


def test_a_run_without_any_proof_is_said_to_rest_on_the_solver(copied):
    region, run = copied
    (run / "proof.json").unlink()
    isles.change(run, lambda told: told.update(proof_sha256=None))
    found = api.verify(run, region=region)
    assert found.true
    assert any("not re-derived" in check.words for check in found.checks)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_changed_number_makes_a_bound_true_that_brute_force_refutes(brute, data):
    planning, best, content = brute
    spoilt = json.loads(json.dumps(content))
    path = data.draw(st.sampled_from(list(isles._numbers(content))))
    inner = spoilt
    for name in path[:-1]:
        inner = inner[name]
    old = inner[path[-1]]
    new = [old + 1, old - 1] if isinstance(old, int) else [old * 2.0, old * 0.5, old + 0.1, -old, 1e6, 0.0]
    inner[path[-1]] = data.draw(st.sampled_from(new))
    # Claimed is less than the best layout has: whatever the proof says, that must not come out.
    if path[-1] != "bound":
        spoilt["stages"][0]["bound"] = data.draw(st.sampled_from([best, best * 0.999, best * 0.5]))
    try:
        found = rederived_score(read_proof(json.dumps(spoilt))[0], planning)
    except FalseProofError:
        return
    assert math.isfinite(found.bound)
    assert found.bound >= best * (1.0 - 1e-6)
    assert not found.holds or found.claimed >= best * (1.0 - 2e-6)


def test_numbers_of_a_proof_are_read_back_as_they_were(shallow):
    folder, result = shallow
    text = (folder / "proof.json").read_text()
    (stage,) = read_proof(text)
    kept = result.proven.proofs[0].nodes
    for node, mine in zip(kept, stage.nodes, strict=True):
        for point, read in zip(node.points, mine.points, strict=True):
            assert np.array_equal(point.multipliers, read.multipliers)
            assert np.array_equal(point.local, read.local)
    assert hashlib.sha256(text.encode()).hexdigest() == json.loads((folder / "layout.json").read_text())["proof_sha256"]
