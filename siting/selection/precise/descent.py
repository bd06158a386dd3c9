"""The whole search: the first node over all columns, then the tree over those that still matter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from siting.arrays import Floats, Ints
from siting.selection.precise.criteria import Variances
from siting.selection.precise.directions import directions
from siting.selection.precise.ledger import Ledger, judged
from siting.selection.precise.nodes import Node, Point, Side, alike
from siting.selection.precise.problem import Problem, occupied
from siting.selection.precise.relaxing import DIGITS
from siting.selection.precise.tree import Search
from siting.selection.program import Ended, Limits, Progress, Report

# Further nestings of groups of alike deployments.
TURNS = 2


@dataclass(frozen=True, eq=False)
class Proof:
    """What proves a bound: bases (part by part; see `Point.basis`), cliques, and the tree's nodes over all columns."""

    bases: tuple[tuple[Floats, ...] | None, ...]
    cliques: tuple[Ints, ...]
    nodes: tuple[Node, ...]


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
    # Its matrices are small: threads of the linear algebra would only wait for one another.
    with threadpool_limits(limits=1, user_api="blas"):
        return _descend(problem, limits, floor, gap, target, progress, start)


def _descend(
    problem: Problem,
    limits: Limits,
    floor: float,
    gap: Callable[[float, float], float] | None,
    target: Callable[[float], float] | None,
    progress: Report | None,
    start: Floats | None,
) -> Outcome:
    bounds = problem.propagated(problem.lower, problem.upper)
    ledger = Ledger(limits, floor, gap, target, progress)
    if bounds is None:
        nothing = Node(0, -1, None, np.inf, [], (), "rows")
        return Outcome(None, np.inf, np.inf, Ended.INFEASIBLE, 1, (), np.inf, Proof((), (), (nothing,)))
    if start is not None:
        known = judged(problem, start)
        if known is not None:
            ledger.offer(*known)
    if isinstance(problem.criterion, Variances):
        # Variances are not below 0, whatever a first rough bound says.
        ledger.raise_bound(float(np.minimum(problem.cost * bounds[0], problem.cost * bounds[1]).sum()))
    every = len(problem.program.names)
    bases, _ = directions(problem, [_even(problem, *bounds)], None, *bounds, ledger.best)
    inner, columns, rows = problem.narrowed(*bounds, bases)
    first = Search(inner, ledger, _lift(problem, columns))
    if ledger.best is not None:
        first.seeker.best = ledger.best[columns[columns < every]]
    found = first.run(only_root=True)
    root = _lifted(found.nodes[0], problem, columns, rows, problem.limits.size, 0)
    cliques = [columns[clique] for clique in first.cliques]
    if found.ended is not None or found.root is None:
        nodes = (root, *(_lifted(node, problem, columns, rows, problem.limits.size, 0) for node in found.nodes[1:]))
        return _outcome(ledger, found.ended or Ended.GAP, root.bound, Proof((_fixed(bases),), tuple(cliques), nodes))
    y, lower, upper = (_widened(part, columns, problem.width) for part in found.root)
    whole = problem.with_cliques(cliques)
    # The first search holds factors of every column.
    del first, inner, found
    points = [y] if ledger.best is None else [y, occupied(problem, ledger.best)]
    theta = root.points[-1].theta if root.points else None
    closer, finer = directions(problem, points, theta, lower, upper, ledger.best)
    inner, columns, rows = whole.narrowed(lower, upper, closer)
    search = Search(
        inner,
        ledger,
        _lift(problem, columns),
        _groups(inner, y[columns]),
        None if closer is None else whole.narrowed(lower, upper, finer)[0].criterion,
    )
    if ledger.best is not None:
        search.seeker.best = ledger.best[columns[columns < every]]
    rest = search.run()
    nodes = tuple(_lifted(node, whole, columns, rows, whole.limits.size, 1) for node in rest.nodes)
    nodes[0].points[:0] = root.points
    cliques += [columns[clique] for clique in search.cliques]
    proof = Proof((_fixed(bases), _fixed(closer), _fixed(finer)), tuple(cliques), nodes)
    return _outcome(ledger, rest.ended or Ended.GAP, root.bound, proof)


def _lift(problem: Problem, columns: Ints) -> Callable[[Floats], tuple[Floats, float] | None]:
    """Return what turns a point of a part of a problem into (its point, its value) in the whole of it."""
    every = len(problem.program.names)
    inside = columns[columns < every]

    def lift(point: Floats) -> tuple[Floats, float] | None:
        wide = np.zeros(every)
        wide[inside] = point
        return judged(problem, wide)

    return lift


def _fixed(bases: list[Floats] | None) -> tuple[Floats, ...] | None:
    return None if bases is None else tuple(bases)


def _even(problem: Problem, lower: Floats, upper: Floats) -> Floats:
    """Return a point on the way from all lower to all upper bounds, as far as no row forbids it."""
    move = problem.matrix @ (upper - lower)
    room = problem.limits - problem.matrix @ lower
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = np.where(move > 0.0, np.maximum(room, 0.0) / move, 1.0)
    step = float(np.clip(reach[room > 0.0].min(initial=1.0), 1e-4, 1.0))
    y = lower + step * (upper - lower)
    return occupied(problem, y)


def _widened(values: Floats, columns: Ints, width: int) -> Floats:
    out = np.zeros(width)
    out[columns] = values
    return out


def _outcome(ledger: Ledger, ended: Ended, root_bound: float, proof: Proof) -> Outcome:
    return Outcome(
        ledger.best, ledger.value, ledger.bound, ended, ledger.processed, tuple(ledger.log), root_bound, proof
    )


def _groups(problem: Problem, y: Floats) -> list[list[Ints]] | None:
    """Return nested groups of deployments that push the targets alike at a point."""
    criterion = problem.criterion
    if not isinstance(criterion, Variances) or criterion.count == 0:
        return None
    features = criterion.features(y[problem.seen()])
    return alike(features, TURNS)


def _lifted(node: Node, whole: Problem, columns: Ints, rows: Ints, after: int, basis: int) -> Node:
    """Return a node of the inner search in the columns and rows of the whole problem.

    Rows that the inner search found later follow the known ones in both, from number `after` on in the whole. Blocks
    that were integrated out in the inner search get their occupancies back.
    """

    def row_of(inner: Ints) -> Ints:
        known = inner < rows.size
        return np.where(known, rows[np.minimum(inner, rows.size - 1)], after + inner - rows.size).astype(np.int64)

    def point_of(p: Point) -> Point:
        y = np.zeros(whole.width)
        y[columns[p.columns]] = p.y
        y = np.round(occupied(whole, y), DIGITS)
        used = np.flatnonzero(y)
        return Point(used, y[used], p.theta, row_of(p.rows), p.multipliers, p.local, basis + p.basis)

    points = [point_of(p) for p in node.points]
    side = None if node.side is None else Side(columns[node.side.columns], node.side.sign, node.side.limit)
    return Node(node.number, node.parent, side, node.bound, points, node.children, node.closed)
