"""The whole search: the first node over all columns, then the tree over those that still matter."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from siting.region.model import Floats, Ints
from siting.selection.precise.criteria import Variances
from siting.selection.precise.problem import Problem
from siting.selection.precise.tree import Found, Node, Point, Search
from siting.selection.program import Ended, Limits, Progress, Report

# Directions kept of each part's common coordinates: those whose tail is below this share of their sum.
TAIL = 1e-9
LEAST_DIRECTIONS, MOST_DIRECTIONS = 24, 140


@dataclass(frozen=True, eq=False)
class Proof:
    """What proves a bound: bases (by part), cliques, and the tree's nodes with points over all columns.

    Points of the first `whole` of the root's points were taken without a basis, all others with `bases`.
    """

    bases: tuple[Floats, ...] | None
    cliques: tuple[Ints, ...]
    nodes: tuple[Node, ...]
    whole: int


@dataclass(frozen=True, eq=False)
class Outcome:
    """Layout (program columns,), value, bound, why it ended, nodes, log and proof of one stage."""

    point: Floats | None
    value: float
    bound: float
    ended: Ended
    nodes: int
    log: tuple[Progress, ...]
    root_bound: float
    proof: Proof | None


def descend(
    problem: Problem,
    limits: Limits,
    *,
    floor: float,
    gap: Callable[[float, float], float] | None = None,
    target: Callable[[float], float] | None = None,
    progress: Report | None = None,
    start: Floats | None = None,
) -> Outcome:
    """Find the least value of a problem within limits.

    `floor`, `gap(value, bound)` and `target(value)`, the bound above which a node is closed, say what the
    asked gap means; `start` (program columns,) is a first layout.
    """
    began = time.monotonic()
    first = Search(problem, limits, floor=floor, gap=gap, target=target, progress=progress, started=began)
    found = first.run(start, only_root=True)
    if found.ended is not None or first.root_state is None:
        return _outcome(found, found.ended or Ended.GAP, Proof(None, found.cliques, found.nodes, len(found.nodes)))
    y, lower, upper = first.root_state
    whole = problem.with_cliques(first.clique_rows)
    bases = _bases(whole, y, found, lower, upper)
    inner, columns, rows = whole.narrowed(lower, upper, bases)
    every = len(problem.program.names)
    inside = columns[columns < every]

    def lift(point: Floats) -> tuple[Floats, float] | None:
        wide = problem.program.lower.copy()
        wide[:] = 0.0
        wide[inside] = point
        return first._judged(wide)

    search = Search(
        inner,
        limits,
        floor=floor,
        gap=gap,
        target=target,
        progress=progress,
        started=began,
        lift=lift,
    )
    search.processed = first.processed
    search.bound = first.bound
    search.best = None if first.best is None else first.best[inside]
    search.value, search.lifted = first.value, first.lifted
    rest = search.run()
    nodes = tuple(_lifted(node, columns, rows, inner.own_rows) for node in rest.nodes)
    root = nodes[0]
    root.points[:0] = found.nodes[0].points
    cliques = (*first.clique_rows, *(columns[clique] for clique in rest.cliques))
    proof = Proof(None if bases is None else tuple(bases), cliques, nodes, len(found.nodes[0].points))
    rest = replace(rest, log=(*found.log, *rest.log), root_bound=found.root_bound)
    return _outcome(rest, rest.ended or Ended.GAP, proof)


def _outcome(found: Found, ended: Ended, proof: Proof) -> Outcome:
    return Outcome(found.point, found.value, found.bound, ended, found.count, found.log, found.root_bound, proof)


def _bases(problem: Problem, y: Floats, found: Found, lower: Floats, upper: Floats) -> list[Floats] | None:
    """Return for each part the directions in which the columns left move the targets, at the root and at the best."""
    criterion = problem.criterion
    if not isinstance(criterion, Variances):
        return None
    n, a = problem.deployments, problem.auxiliary
    keep = np.flatnonzero((upper[:n] > lower[:n]) | (lower[:n] > 0.5))
    taken, kept = criterion.take(keep)
    points = [np.concatenate([y[keep], y[n + a + kept]])]
    if found.point is not None:
        points.append(np.concatenate([found.point[keep], np.ones(kept.size)]))
    weights = np.maximum(found.nodes[0].points[-1].theta, 1e-6 * found.nodes[0].points[-1].theta.max(initial=1.0))
    out = []
    for part in range(len(criterion.parts)):
        total: Floats | None = None
        for point in points:
            vectors, sizes = taken.spans(point, weights)[part]
            finite = np.where(np.isfinite(sizes), sizes, sizes[np.isfinite(sizes)].max(initial=1.0) * 10.0)
            one = (vectors * finite) @ vectors.T
            total = one if total is None else total + one
        assert total is not None
        values, vectors = np.linalg.eigh(total)
        values, vectors = values[::-1], vectors[:, ::-1]
        tail = np.cumsum(values[::-1])[::-1]
        count = int(np.clip((tail > TAIL * tail[0]).sum(), LEAST_DIRECTIONS, MOST_DIRECTIONS))
        out.append(np.ascontiguousarray(vectors[:, : min(count, vectors.shape[1])]))
    return out


def _lifted(node: Node, columns: Ints, rows: Ints, own_rows: int) -> Node:
    """Return a node of the inner search in the columns and rows of the whole problem."""
    beyond = rows.size - own_rows

    def row_of(inner: Ints) -> Ints:
        last = int(rows.max(initial=-1)) + 1 if beyond > 0 else None
        known = inner < rows.size
        out = np.empty(inner.size, dtype=np.int64)
        out[known] = rows[inner[known]]
        begin = last if last is not None else _next_row(rows, own_rows)
        out[~known] = begin + (inner[~known] - rows.size)
        return out

    points = [Point(columns[p.columns], p.y, p.theta, row_of(p.rows), p.multipliers) for p in node.points]
    column = int(columns[node.column]) if node.column >= 0 else -1
    return Node(
        node.number, node.parent, column, node.lower, node.upper, node.bound, points, node.children, node.closed
    )


def _next_row(rows: Ints, own_rows: int) -> int:
    del own_rows
    return int(rows.max(initial=-1)) + 1
