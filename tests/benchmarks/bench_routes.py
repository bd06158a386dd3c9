"""Compare routes to the least shortfall on invented regions: ours, greedy choice, swaps, and cuts in general solvers.

Run by hand with one BLAS thread: `OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_routes.py [CASE ...]`, a case
being `COUNT` or `COUNTd`, d for dominant analyzers; `--seconds S` sets what each route may take (default 60).

Regions are those of `bench_precision.py`. With dominant analyzers a flask sample repeats to 18 ppm only (far from real,
but so an analyzer lowers the weighted variances about 15 times as fast as a flask at the same place, as the table's
first lines say) and an analyzer costs about 5 times as much over the years; there is money for 4 analyzers and about
10 flasks.

The general routes get one epigraph column a target, cut from below by tangent planes: first in rounds of linear
programs, then either in one tree (SCIP, cuts added by a constraint handler) or in rounds of integer programs (HiGHS).
Both start from greedy choice with swaps; their clocks run from the start of that, as ours does for its own start.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import scipy.sparse as sp
from bench_precision import GAPS, TOML, write_region
from pyscipopt import Conshdlr, Eventhdlr, Expr, Heur, Model, quicksum
from pyscipopt.scip import PY_SCIP_EVENTTYPE, PY_SCIP_HEURTIMING, PY_SCIP_RESULT

from siting.arrays import Bools, Floats
from siting.planning import plan_region
from siting.region import read_region
from siting.selection.highs import Solver
from siting.selection.precise.descent import _even, descend
from siting.selection.precise.directions import directions
from siting.selection.precise.layouts import LocalSearch
from siting.selection.precise.ledger import judged
from siting.selection.precise.problem import Problem, build_problem, occupied
from siting.selection.precision import aims_of
from siting.selection.program import Limits, Progress, relative_gap
from siting.selection.registry import start_program
from siting.selection.rows import INFINITY, Rows

GAP = 1e-3
DOMINANT = (
    TOML.replace("sample_cost = 60", "sample_cost = 60\nrepeatability = 18.0")
    .replace("capital_cost = 30000\nannual_cost = 12000", "capital_cost = 160000\nannual_cost = 40000")
    .replace("total = 1200000", "total = 2400000")
)
# Rounds of linear programs end when the bound has risen by less than this share over so many of them, or at this
# share of the time.
LITTLE, ROUNDS, LINEAR_SHARE = 1e-3, 5, 0.3
# A point is cut off where its epigraph columns are below the values by more than this share of the best value.
SHORT = 1e-4


@dataclass
class Record:
    """What one route knows over time."""

    floor: float
    seconds: float
    began: float = field(default_factory=time.monotonic)
    value: float = np.inf
    bound: float = -np.inf
    layout: Floats | None = None
    reached: dict[float, float] = field(default_factory=dict)
    ended: float = 0.0
    note: str = ""

    @property
    def gap(self) -> float:
        return relative_gap(self.value, self.bound, self.floor) if np.isfinite([self.value, self.bound]).all() else 1e9

    def left(self) -> float:
        return self.seconds - (time.monotonic() - self.began)

    def tell(self, value: float | None = None, bound: float | None = None, layout: Floats | None = None) -> None:
        if value is not None and value < self.value:
            self.value, self.layout = value, layout
        if bound is not None and np.isfinite(bound):
            self.bound = max(self.bound, bound)
        for gap in GAPS:
            if self.gap <= gap:
                self.reached.setdefault(gap, time.monotonic() - self.began)


@dataclass(frozen=True, eq=False)
class Cuts:
    """Tangent planes of a problem: e_t >= a_t + g_t . y for e_t = kappa_t max(0, value_t - gamma_t).

    `rough` holds fewer directions of the common coordinates: quicker, and still valid from below.
    """

    problem: Problem
    rough: Problem

    def at(self, y: Floats) -> tuple[Floats, Floats]:
        """Return constants (T,) and gradients (T, columns) at a point over all columns."""
        weights = self.problem.criterion.weights
        measured = self.rough.criterion.measure(y[self.problem.seen()])
        inner, _ = measured.idle(weights.kappa, np.zeros(inner_width(self.rough)))
        gradient = np.zeros((measured.values.size, self.problem.width))
        gradient[:, self.problem.seen()] = inner
        return weights.kappa * (measured.constants - weights.gamma), weights.kappa[:, None] * gradient

    def excess(self, layout: Floats) -> Floats:
        """Return what each target of a whole layout (program columns,) costs, by plain matrices."""
        weights = self.problem.criterion.weights
        picked = np.flatnonzero(layout[: self.problem.deployments] > 0.5)
        return np.asarray(weights.kappa * weights.above(self.problem.criterion.whole(picked)))


def inner_width(problem: Problem) -> int:
    """Return the number of columns that the criterion looks at."""
    return int(problem.seen().size)


def cuts_of(problem: Problem, rough: bool) -> Cuts:
    """Return tangent planes over all directions, or over those that known layouts need."""
    if not rough:
        return Cuts(problem, problem)
    at = _even(problem, problem.lower, problem.upper)
    bases, _ = directions(problem, [at], None, problem.lower, problem.upper, None)
    assert bases is not None
    return Cuts(problem, replace(problem, criterion=problem.criterion.projected(bases)))  # type: ignore[attr-defined]


def by_swaps(problem: Problem, record: Record, swaps: bool) -> None:
    """Greedy choice over all deployments, then swaps until none helps."""
    search = LocalSearch(problem, np.arange(problem.deployments), None)
    picked = search.filled(np.zeros(problem.deployments, dtype=bool))
    _offer(problem, record, picked)
    if swaps:
        _offer(problem, record, search.improved(picked))


def _offer(problem: Problem, record: Record, picked: Bools) -> None:
    known = judged(problem, picked.astype(float))
    assert known is not None
    record.tell(known[1], 0.0, known[0])


def by_us(problem: Problem, record: Record) -> None:
    """Our own search."""

    def told(state: Progress) -> None:
        record.tell(state.value, state.bound)

    found = descend(problem, Limits(GAP, record.seconds, workers=1), floor=record.floor, progress=told)
    record.tell(found.value, found.bound, found.point)
    record.note = f"{found.nodes} nodes"


def _linear(cuts: Cuts, record: Record) -> tuple[Solver, list[tuple[Floats, Floats]]]:
    """Cut in rounds of linear programs, each time midway between the program's point and the mean of those so far."""
    problem = cuts.problem
    t, width = problem.criterion.weights.kappa.size, problem.width
    rows = Rows(
        sp.csr_array(sp.hstack([problem.matrix, sp.csr_array((problem.matrix.shape[0], t))])),
        np.full(problem.limits.size, -INFINITY),
        problem.limits,
    )
    solver = Solver(
        np.concatenate([problem.cost, np.ones(t)]),
        np.concatenate([problem.lower, np.zeros(t)]),
        np.concatenate([problem.upper, np.full(t, INFINITY)]),
        rows,
        maximise=False,
    )
    assert record.layout is not None
    made: list[tuple[Floats, Floats]] = []
    centre = _even(problem, problem.lower, problem.upper)
    for point in (centre, occupied(problem, record.layout)):
        made.append(cuts.at(point))
        _add(solver, *made[-1])
    bounds = [-np.inf]
    while record.left() > (1.0 - LINEAR_SHARE) * record.seconds:
        result = solver.solve_lp(record.left())
        if result.status != "optimal":
            break
        y = np.clip(result.point[:width], 0.0, 1.0)
        bounds.append(float(problem.cost @ y + result.point[width:].sum()))
        record.tell(bound=bounds[-1])
        if len(bounds) > ROUNDS and bounds[-1] - bounds[-1 - ROUNDS] < LITTLE * record.value:
            break
        centre = 0.5 * (centre + y)
        made.append(cuts.at(centre))
        _add(solver, *made[-1])
    return solver, made


def _add(solver: Solver, constants: Floats, gradient: Floats) -> None:
    t = constants.size
    solver.add_rows(sp.csr_array(np.hstack([gradient, -np.eye(t)])), np.full(t, -INFINITY), -constants)


def by_rounds(problem: Problem, record: Record, rough: bool) -> None:
    """Rounds of integer programs (HiGHS) with one more cut a target each; the asked gap shrinks with the known one."""
    by_swaps(problem, record, True)
    cuts = cuts_of(problem, rough)
    solver, made = _linear(cuts, record)
    t, width, every = problem.criterion.weights.kappa.size, problem.width, len(problem.program.names)
    solver.make_integer(np.concatenate([problem.integer, np.zeros(t, dtype=bool)]))
    linear, rounds = len(made), 0
    # The library's report of a round is a bound of ours too, since cuts are valid.
    solver._report = lambda value, bound, nodes: record.tell(bound=bound)
    while record.left() > 0.1 and record.gap > GAP:
        assert record.layout is not None
        start = np.concatenate([occupied(problem, record.layout), cuts.excess(record.layout)])
        result = solver.solve_mip(gap=max(GAP / 3.0, record.gap / 4.0), seconds=record.left(), start=start)
        rounds += 1
        record.tell(bound=result.bound)
        if result.point is None:
            break
        point = np.where(problem.integer, np.rint(result.point[:width]), result.point[:width])
        known = judged(problem, point[:every])
        if known is not None:
            record.tell(known[1], layout=known[0])
        _add(solver, *cuts.at(occupied(problem, point[:every])))
    record.note = f"{linear} linear rounds, {rounds} integer rounds"


class _Planes(Conshdlr):
    """Constraint handler: every epigraph column is at least its tangent planes."""

    def __init__(self, cuts: Cuts, record: Record, columns: list[Any], tops: list[Any]) -> None:
        self.cuts, self.record, self.columns, self.tops = cuts, record, columns, tops
        self.made = 0
        self.pending: Floats | None = None

    def point(self, solution: Any) -> tuple[Floats, Floats]:
        """Return columns and epigraph columns of a solution of the library, None for that of its linear program."""
        y = np.array([self.model.getSolVal(solution, one) for one in self.columns])
        return np.clip(y, 0.0, 1.0), np.array([self.model.getSolVal(solution, one) for one in self.tops])

    def whole(self, y: Floats) -> Floats | None:
        """Take a point's layout if it is whole; return what each target costs there."""
        problem = self.cuts.problem
        integer = problem.integer
        if np.abs(y - np.rint(y))[integer].max(initial=0.0) > 1e-6:
            return None
        layout = np.where(integer, np.rint(y), y)[: len(problem.program.names)]
        excess = self.cuts.excess(layout)
        known = judged(problem, layout)
        if known is not None and known[1] < self.record.value - 1e-9:
            self.record.tell(known[1], layout=known[0])
            self.pending = layout
        return excess

    def cut(self) -> bool:
        """Add the planes that cut the library's point off; say whether there are any."""
        self.record.tell(bound=self.model.getDualbound())
        y, tops = self.point(None)
        self.whole(y)
        constants, gradient = self.cuts.at(y)
        short = constants + gradient @ y - tops
        if np.maximum(short, 0.0).sum() <= SHORT * self.record.value:
            return False
        for target in np.flatnonzero(short > 0.1 * SHORT * self.record.value):
            self.model.addCons(_plane(self, int(target), constants, gradient), removable=True)
            self.made += 1
        return True

    def consenfolp(self, constraints: Any, useful: int, infeasible: bool) -> dict[str, Any]:
        return {"result": PY_SCIP_RESULT.CONSADDED if self.cut() else PY_SCIP_RESULT.FEASIBLE}

    def consenfops(self, constraints: Any, useful: int, infeasible: bool, objective_infeasible: bool) -> dict[str, Any]:
        return {"result": PY_SCIP_RESULT.CONSADDED if self.cut() else PY_SCIP_RESULT.FEASIBLE}

    def conssepalp(self, constraints: Any, useful: int) -> dict[str, Any]:
        # Planes at every node cost more than they bring; whole points are cut off by enforcing.
        if self.model.getDepth() > 0 and self.model.getNNodes() % 10:
            return {"result": PY_SCIP_RESULT.DIDNOTRUN}
        return {"result": PY_SCIP_RESULT.CONSADDED if self.cut() else PY_SCIP_RESULT.DIDNOTFIND}

    def conscheck(
        self, constraints: Any, solution: Any, integrality: bool, rows: bool, reason: bool, completely: bool
    ) -> dict[str, Any]:
        y, tops = self.point(solution)
        excess = self.whole(y)
        good = excess is not None and np.maximum(excess - tops, 0.0).sum() <= SHORT * self.record.value
        return {"result": PY_SCIP_RESULT.FEASIBLE if good else PY_SCIP_RESULT.INFEASIBLE}

    def conslock(self, constraint: Any, kind: Any, positive: int, negative: int) -> None:
        for one in (*self.columns, *self.tops):
            self.model.addVarLocksType(one, kind, positive + negative, positive + negative)


def _plane(planes: _Planes, target: int, constants: Floats, gradient: Floats) -> Any:
    used = np.flatnonzero(np.abs(gradient[target]) > 1e-9)
    slope: Expr = quicksum(float(gradient[target, i]) * planes.columns[i] for i in used)
    return planes.tops[target] - slope >= float(constants[target])


class _Offers(Heur):
    """Hands layouts found on the way back to the library with what they truly cost."""

    def __init__(self, planes: _Planes) -> None:
        self.planes = planes

    def heurexec(self, timing: Any, infeasible: bool) -> dict[str, Any]:
        layout, self.planes.pending = self.planes.pending, None
        if layout is None:
            return {"result": PY_SCIP_RESULT.DIDNOTRUN}
        taken = self.model.trySol(_solution(self.model, self.planes, layout, self))
        return {"result": PY_SCIP_RESULT.FOUNDSOL if taken else PY_SCIP_RESULT.DIDNOTFIND}


def _solution(model: Any, planes: _Planes, layout: Floats, heuristic: Any = None) -> Any:
    solution = model.createSol(heuristic)
    y = occupied(planes.cuts.problem, layout)
    values = np.concatenate([y, planes.cuts.excess(layout)])
    for one, value in zip((*planes.columns, *planes.tops), values, strict=True):
        model.setSolVal(solution, one, float(value))
    return solution


class _News(Eventhdlr):
    """Tells the bound after every node."""

    def __init__(self, record: Record) -> None:
        self.record = record

    def eventinit(self) -> None:
        self.model.catchEvent(PY_SCIP_EVENTTYPE.NODESOLVED, self)

    def eventexit(self) -> None:
        self.model.dropEvent(PY_SCIP_EVENTTYPE.NODESOLVED, self)

    def eventexec(self, event: Any) -> None:
        self.record.tell(bound=self.model.getDualbound())
        if self.record.gap <= GAP:
            self.model.interruptSolve()


def by_one_tree(problem: Problem, record: Record, rough: bool) -> None:
    """One tree (SCIP) to which a constraint handler adds cuts; the rounds of linear programs come first."""
    by_swaps(problem, record, True)
    cuts = cuts_of(problem, rough)
    _, made = _linear(cuts, record)
    t = problem.criterion.weights.kappa.size
    model = Model()
    model.hideOutput()
    for name, setting in (
        ("timing/clocktype", 2),
        ("limits/time", max(0.1, record.left())),
        ("misc/allowstrongdualreds", False),
        ("misc/allowweakdualreds", False),
        ("misc/usesymmetry", 0),
    ):
        model.setParam(name, setting)
    columns = [
        model.addVar(vtype="I" if whole else "C", lb=float(low), ub=float(high), obj=float(cost))
        for whole, low, high, cost in zip(problem.integer, problem.lower, problem.upper, problem.cost, strict=True)
    ]
    tops = [model.addVar(lb=0.0, obj=1.0) for _ in range(t)]
    for row, limit in enumerate(problem.limits):
        inside = slice(problem.matrix.indptr[row], problem.matrix.indptr[row + 1])
        entries = zip(problem.matrix.data[inside], problem.matrix.indices[inside], strict=True)
        model.addCons(quicksum(float(value) * columns[i] for value, i in entries) <= float(limit))
    planes = _Planes(cuts, record, columns, tops)
    for constants, gradient in made:
        for target in range(t):
            model.addCons(_plane(planes, target, constants, gradient), removable=True)
    # After integrality, so that only whole points come to be enforced.
    model.includeConshdlr(
        planes, "planes", "planes", sepapriority=1, enfopriority=-1, chckpriority=-1, sepafreq=1, needscons=False
    )
    model.includeHeur(
        _Offers(planes), "offers", "layouts found", "o", timingmask=PY_SCIP_HEURTIMING.AFTERLPNODE, usessubscip=False
    )
    model.includeEventhdlr(_News(record), "news", "bounds")
    assert record.layout is not None
    model.addSol(_solution(model, planes, record.layout))
    model.optimize()
    record.tell(bound=model.getDualbound())
    record.note = f"{len(made)} linear rounds, {model.getNTotalNodes()} nodes, {planes.made} cuts in the tree"


ROUTES: dict[str, Callable[[Problem, Record], None]] = {
    "ours": by_us,
    "greedy": lambda problem, record: by_swaps(problem, record, False),
    "greedy + swap": lambda problem, record: by_swaps(problem, record, True),
    "SCIP, one tree": lambda problem, record: by_one_tree(problem, record, False),
    "SCIP, few directions": lambda problem, record: by_one_tree(problem, record, True),
    "HiGHS, rounds": lambda problem, record: by_rounds(problem, record, False),
    "HiGHS, few directions": lambda problem, record: by_rounds(problem, record, True),
}


def dominance(problem: Problem) -> str:
    """Say how much more an analyzer tells and costs than a flask at the same place."""
    at = _even(problem, problem.lower, problem.upper)
    measured = problem.criterion.measure(at[problem.seen()])
    n = problem.deployments
    slope = -(problem.criterion.weights.kappa @ measured.gradient)[:n]
    cost = problem.program.cost[:n].astype(float)
    analyzer = np.array(["|analyzer|" in str(name) for name in problem.program.names[:n]])
    tells, costs = slope[analyzer] / slope[~analyzer], cost[analyzer] / cost[~analyzer]
    return f"analyzer / flask, medians over places: tells {np.median(tells):.1f}, costs {np.median(costs):.1f}"


def compare(word: str, seconds: float, routes: list[str]) -> None:
    """Print the table's rows for one case."""
    count, dominant = int(word.rstrip("d")), word.endswith("d")
    with tempfile.TemporaryDirectory() as name:
        write_region(Path(name) / "region", count, 2, toml=DOMINANT if dominant else TOML)
        planning = plan_region(read_region(Path(name) / "region"))
        aims = aims_of(planning)
    problem = build_problem(start_program(planning).build(), aims.shortfall())
    # The general routes write no rows for exclusions and see no values that count throughout.
    assert not problem.program.exclusions
    assert not problem.criterion.weights.always.any()
    print(f"\n{count:,} x 2{', dominant analyzers' if dominant else ''} ({dominance(problem)})\n", flush=True)
    floor = 0.01 * float(aims.weights.sum())
    records: dict[str, Record] = {}
    for route in routes:
        records[route] = Record(floor, seconds)
        ROUTES[route](problem, records[route])
        records[route].ended = time.monotonic() - records[route].began
        one = records[route]
        print(f"<!-- {route}: {one.value:.5f} {one.bound:.5f} {one.ended:.1f} s, {one.note} -->", flush=True)
    heads = "".join(f" {100 * gap:g} % |" for gap in GAPS)
    print(f"\n| route | value | bound | gap at the end | seconds |{heads} times ours | above best bound |")
    print("|-" * (7 + len(GAPS)) + "|")
    best = max(one.bound for one in records.values())
    for route, one in records.items():
        reached = "".join(f" {one.reached[gap]:.1f} |" if gap in one.reached else " - |" for gap in GAPS)
        end = f"{100 * one.gap:.2f} %" if one.bound > 0.0 else "no bound"
        bounded = f"{one.bound:.4f}" if one.bound > 0.0 else "-"
        print(
            f"| {route} | {one.value:.4f} | {bounded} | {end} | {one.ended:.0f} |{reached} {_ratio(one, records)} "
            f"| {100 * (one.value / best - 1.0):.2f} % |",
            flush=True,
        )


def _ratio(one: Record, records: dict[str, Record]) -> str:
    ours = records.get("ours")
    if ours is None or one is ours or not set(one.reached) & set(ours.reached):
        return "-"
    gap = min(set(one.reached) & set(ours.reached))
    return f"{one.reached[gap] / ours.reached[gap]:.1f} (at {100 * gap:g} %)"


def main() -> None:
    """Print one table a case."""
    parser = argparse.ArgumentParser()
    parser.add_argument("cases", nargs="*", default=["300", "300d", "1000"])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--routes", nargs="*", choices=list(ROUTES), default=list(ROUTES))
    asked = parser.parse_args()
    for word in asked.cases:
        compare(word, asked.seconds, asked.routes)


if __name__ == "__main__":
    main()
