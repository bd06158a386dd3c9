"""A search by precision in several processes: the same answer bit for bit, whatever becomes of the processes.

All problems are invented. The reference is the same search in one process.
"""

import multiprocessing
import os
import signal
import subprocess
import sys
from concurrent.futures import Future
from functools import partial
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from siting import api, plan, read_region
from siting.options import plan_options
from siting.outputs.run import write_layout
from siting.region.faults import InputError
from siting.selection.precise import crew as crews
from siting.selection.precise.bounding import Bounding
from siting.selection.precise.crew import Crew
from siting.selection.precise.criteria import Variances, Weights
from siting.selection.precise.descent import descend
from siting.selection.precise.information import Group, Part
from siting.selection.precise.problem import build_problem
from siting.selection.precise.seek import Seeker
from siting.selection.precise.tree import AHEAD
from siting.selection.program import Ended, Exclusions, Limits, ProgramBuilder

# Processes are begun with the first question, however short the search.
AT_ONCE = -1.0
REGIONS = Path(__file__).parent.parent / "regions"


def problem_of(seed=0, n=40, near=None, gamma=None):
    """Return a problem of `n` picks of which 6 may stand; `near` says which clash."""
    rng = np.random.default_rng(seed)
    common = rng.normal(size=(n, 2, 8)) * rng.uniform(0.5, 3.0, (n, 1, 1))
    part = Part((Group(np.arange(n), common, np.zeros((n, 2, 0))),), np.full(n, -1), rng.normal(size=(8, 3)), 0)
    builder = ProgramBuilder([f"d{i}" for i in range(n)], np.full(n, 100))
    builder.add_row("most", np.arange(n), np.ones(n, dtype=np.int64), upper=6)
    if near is not None:
        builder.add_exclusions(Exclusions("apart", np.arange(n), np.arange(n), near))
    weights = Weights(np.array([1.0, 2.0, 0.5]), np.full(3, -np.inf if gamma is None else gamma))
    return build_problem(builder.build(), Variances((part,), weights))


def ring(n, reach=4):
    """Return what tells which of `n` places on a ring clash: those up to `reach` steps away."""
    steps = np.array([s for s in range(-reach, reach + 1) if s])
    return partial(np.take, np.sort((np.arange(n)[:, None] + steps) % n, axis=1), axis=0)


def facts(found):
    """Return everything a search found, number by number."""
    points = [
        [list(array) for array in (p.columns, p.y, p.theta, p.rows, p.multipliers, p.local)] + [p.basis]
        for node in found.proof.nodes
        for p in node.points
    ]
    nodes = [(node.number, node.parent, node.bound, node.children, node.closed) for node in found.proof.nodes]
    cliques = [list(row) for row in found.proof.cliques]
    return list(found.point), found.value, found.bound, found.ended, found.nodes, nodes, points, cliques


@pytest.fixture
def at_once(monkeypatch):
    monkeypatch.setattr(crews, "SOON_SECONDS", AT_ONCE)


@pytest.fixture
def asked_there(monkeypatch):
    """Return a list of the answers that came from other processes."""
    came = []
    answered = Crew.answered_there

    def kept(self, future, stopped):
        told = answered(self, future, stopped)
        came.append(told)
        return told

    monkeypatch.setattr(Crew, "answered_there", kept)
    return came


@pytest.mark.parametrize("name", ["plain", "kinks", "clashes"])
def test_two_processes_find_bit_for_bit_what_one_finds(name, at_once, asked_there):
    problem = {
        "plain": lambda: problem_of(1),
        "kinks": lambda: problem_of(2, gamma=0.12),
        "clashes": lambda: problem_of(3, near=ring(40)),
    }[name]()
    one = descend(problem, Limits(1e-5, nodes=150, workers=1), floor=1e-3)
    assert not asked_there
    two = descend(problem, Limits(1e-5, nodes=150, workers=2), floor=1e-3)
    assert len([told for told in asked_there if told is not None]) > AHEAD
    assert facts(one) == facts(two)
    if name == "clashes":
        # Nodes under way at the same time find rows that the others do not know.
        assert len(two.proof.cliques) > 3


def test_a_short_search_starts_no_other_process(monkeypatch, asked_there):
    monkeypatch.setattr(crews, "SOON_SECONDS", 1e9)
    descend(problem_of(1), Limits(1e-3, nodes=20, workers=2), floor=1e-3)
    assert not asked_there


def test_a_process_started_by_another_and_one_with_a_limit_of_memory_start_none(monkeypatch, at_once, asked_there):
    descend(problem_of(1), Limits(1e-3, nodes=20, workers=2, memory_mb=1e6), floor=1e-3)
    monkeypatch.setattr(crews, "parent_process", lambda: "some process")
    descend(problem_of(1), Limits(1e-3, nodes=20, workers=2), floor=1e-3)
    assert not asked_there


def test_a_problem_too_large_for_two_more_stays_in_one_process(monkeypatch, at_once, asked_there):
    monkeypatch.setattr(crews, "SPENT", 2 * crews.EACH)
    descend(problem_of(1), Limits(1e-3, nodes=20, workers=2), floor=1e-3)
    assert not asked_there


def test_the_search_goes_on_in_its_own_process_when_the_others_die(at_once):
    problem = problem_of(4)
    one = descend(problem, Limits(1e-5, nodes=60, workers=1), floor=1e-3)
    killed = []

    def progress(state):
        if state.nodes >= 5 and not killed:
            killed.extend(multiprocessing.active_children())
            for child in killed:
                os.kill(child.pid, signal.SIGKILL)

    two = descend(problem, Limits(1e-5, nodes=60, workers=2), floor=1e-3, progress=progress)
    assert killed
    assert facts(one) == facts(two)


def test_a_rule_that_cannot_be_sent_or_not_be_read_elsewhere_is_kept_to_one_process(monkeypatch, at_once):
    table = ring(40)

    class Elsewhere:
        """Can be written, but no other process knows this class."""

        def __call__(self, nodes):
            return table(nodes)

    Elsewhere.__qualname__ = Elsewhere.__name__
    monkeypatch.setattr(sys.modules[__name__], "Elsewhere", Elsewhere, raising=False)
    one = descend(problem_of(3, near=table), Limits(1e-5, nodes=40, workers=1), floor=1e-3)
    for near in (lambda nodes: table(nodes), Elsewhere()):
        two = descend(problem_of(3, near=near), Limits(1e-5, nodes=40, workers=2), floor=1e-3)
        assert facts(one) == facts(two)


def test_a_search_that_is_stopped_while_others_work_keeps_a_true_bound(at_once):
    problem = problem_of(5)
    best = descend(problem, Limits(1e-6, workers=1), floor=1e-3).value
    count = 0

    def stop():
        nonlocal count
        count += 1
        return count > 40

    found = descend(problem, Limits(1e-9, stop=stop, workers=2), floor=1e-3)
    assert found.ended is Ended.INTERRUPTED
    assert found.bound <= best * (1.0 + 1e-6)
    assert found.value >= best * (1.0 - 1e-6)


def test_a_process_that_runs_into_a_limit_of_time_of_its_own_is_not_waited_for_again():
    problem = problem_of(1)
    crew = Crew(Bounding(problem), 2, 0.0)
    future = Future()
    future.set_exception(TimeoutError("from afar"))
    assert crew.answered_there(future, lambda: False) is None


def test_searches_of_other_numbers_of_processes_follow_one_another_without_a_warning(at_once, asked_there, recwarn):
    problem = problem_of(1)
    found = [descend(problem, Limits(1e-5, nodes=30, workers=n), floor=1e-3) for n in (2, 3, 2)]
    assert len(asked_there) > 60
    assert not list(recwarn)
    assert facts(found[0]) == facts(found[1]) == facts(found[2])


def test_a_node_that_is_one_layout_is_not_closed_when_no_time_is_left_to_complete_it(monkeypatch):
    # Source: every layout written out. Nothing but the best is better than the start, the second best.
    problem = problem_of(7, n=9)
    layouts = [np.array(picked, dtype=np.int64) for picked in combinations(range(9), 6)]
    values = [float(problem.criterion.weights.kappa @ problem.criterion.whole(picked)) for picked in layouts]
    best, second = np.argsort(values)[:2]
    for name in ("near", "stir", "outer"):
        monkeypatch.setattr(Seeker, name, lambda *_: None)
    late = []
    monkeypatch.setattr(Seeker, "took", lambda self, picked: bool(late.append(picked)))
    start = np.zeros(9)
    start[layouts[second]] = 1.0
    found = descend(problem, Limits(1e-9, stop=lambda: bool(late), workers=1), floor=1e-3, start=start)
    # The one node that is a layout is the best one.
    assert len(late) == 1
    assert found.ended is Ended.INTERRUPTED
    assert found.bound <= values[best] * (1.0 + 1e-9)


def test_a_problem_comes_back_from_disk_as_it_was_its_arrays_in_one_piece_of_memory(tmp_path):
    problem = problem_of(6, near=ring(40))
    crews._write(tmp_path, Bounding(problem, [[np.arange(20), np.arange(20, 40)]]))
    back = crews._read(tmp_path)
    (group,), (other,) = problem.criterion.parts[0].groups, back.relaxing.problem.criterion.parts[0].groups
    assert np.array_equal(group.common, other.common)
    assert not other.common.flags.writeable
    assert other.common.ctypes.data % crews.ALIGNED == 0
    assert back.size == group.common.nbytes
    assert (tmp_path / crews.ARRAYS).stat().st_size >= group.common.nbytes


SCRIPT = """
import numpy as np
from siting.selection import RowLimits, WeightedVariance, exact_design
from siting.selection.precise import crew

crew.SOON_SECONDS = -1.0
rng = np.random.default_rng(0)
found = exact_design(
    rng.normal(size=(40, 2, 8)), np.ones(8), WeightedVariance(np.eye(8)), RowLimits(np.ones((1, 40)), [-np.inf], [6]),
    workers=2,
)
print("picked", len(found.picked), found.proved, found.nodes > 8)
"""


def test_a_plain_script_without_a_guard_may_search_in_several_processes(tmp_path):
    (tmp_path / "script.py").write_text(SCRIPT)
    done = subprocess.run([sys.executable, "script.py"], cwd=tmp_path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    # Processes that ran the script anew would say it again.
    assert done.stdout.splitlines() == ["picked 6 True True"]
    assert not done.stderr


def test_a_plan_made_in_two_processes_is_that_of_one_to_the_last_byte_of_its_proof_and_true(
    tmp_path, at_once, asked_there
):
    region = REGIONS / "smallsea"
    proofs = []
    for workers in (1, 2):
        result = plan(read_region(region), workers=workers)
        run = tmp_path / f"run{workers}"
        write_layout(run, result.planning, result.assessment, result.certificate, "", result.proven)
        proofs.append((run / "proof.json").read_bytes())
        assert bool(asked_there) == (workers > 1)
    assert proofs[0] == proofs[1]
    assert api.verify(run, region=region).true


@pytest.mark.parametrize("wrong", ["0", "-1", "two", "1.5"])
def test_workers_that_are_no_whole_number_above_0_are_refused(wrong):
    with pytest.raises(InputError, match="--workers"):
        plan_options("precision", None, None, None, None, None, wrong)


def test_limits_refuse_less_than_one_worker():
    with pytest.raises(ValueError, match="workers must be 1 or more"):
        Limits(workers=0)
