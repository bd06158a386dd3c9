"""The whole search: the first node over all columns, then the tree over those that still matter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from siting.region.model import Floats, Ints
from siting.selection.precise.criteria import Variances
from siting.selection.precise.ledger import Ledger, judged
from siting.selection.precise.nodes import Node, Point, Side, alike
from siting.selection.precise.problem import Problem, occupied
from siting.selection.precise.relaxing import DIGITS, first_theta
from siting.selection.precise.tree import Search
from siting.selection.program import Ended, Limits, Progress, Report

# Numbers of directions of the common coordinates that are tried, and the share of a known layout's value that
# may be lost outside them; more where several directions are looked at, since each costs time.
DIRECTIONS = (40, 60, 80, 110, 150, 200, 250, 300)
SEVERAL, MOST_DIRECTIONS = 80, 300
LOSS, FAIR_LOSS = 1e-3, 1e-2
# Further nestings of groups of alike deployments.
TURNS = 2
# The same where bounds come near the target; LOSS where so many deployments are open, for the sake of memory.
FINE_LOSS, LARGE = 1e-5, 10_000


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
    bases, _ = _bases(problem, [_even(problem, *bounds)], None, *bounds, _known(problem, ledger.best))
    inner, columns, rows = problem.narrowed(*bounds, bases)
    first = Search(inner, ledger, _lift(problem, columns))
    if ledger.best is not None:
        first.relaxing.best = ledger.best[columns[columns < every]]
    found = first.run(only_root=True)
    root = _lifted(found.nodes[0], problem, columns, rows, problem.limits.size, 0)
    cliques = [columns[clique] for clique in first.relaxing.clique_rows]
    if found.ended is not None or found.root is None:
        nodes = (root, *(_lifted(node, problem, columns, rows, problem.limits.size, 0) for node in found.nodes[1:]))
        return _outcome(ledger, found.ended or Ended.GAP, root.bound, Proof((_fixed(bases),), tuple(cliques), nodes))
    y, lower, upper = (_widened(part, columns, problem.width) for part in found.root)
    whole = problem.with_cliques(cliques)
    # The first search holds factors of every column.
    del first, inner, found
    points = [y] if ledger.best is None else [y, occupied(problem, ledger.best)]
    theta = root.points[-1].theta if root.points else None
    closer, finer = _bases(problem, points, theta, lower, upper, _known(problem, ledger.best))
    inner, columns, rows = whole.narrowed(lower, upper, closer)
    search = Search(
        inner,
        ledger,
        _lift(problem, columns),
        _groups(inner, y[columns]),
        None if closer is None else whole.narrowed(lower, upper, finer)[0],
    )
    if ledger.best is not None:
        search.relaxing.best = ledger.best[columns[columns < every]]
    rest = search.run()
    nodes = tuple(_lifted(node, whole, columns, rows, whole.limits.size, 1) for node in rest.nodes)
    nodes[0].points[:0] = root.points
    cliques += [columns[clique] for clique in search.relaxing.clique_rows]
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


def _known(problem: Problem, point: Floats | None) -> list[Ints]:
    """Return the picks of a known layout, or of the most informative deployments one by one if none is known."""
    n = problem.deployments
    if point is not None:
        return [np.flatnonzero(point[:n] > 0.5)]
    generator = np.random.default_rng(0)
    return [np.sort(generator.choice(n, size=min(n, 15), replace=False))] if n else []


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


def _bases(
    problem: Problem,
    points: list[Floats],
    theta: Floats | None,
    lower: Floats,
    upper: Floats,
    layouts: list[Ints],
) -> tuple[list[Floats] | None, list[Floats] | None]:
    """Return for each part the directions in which the columns left move the targets at some points: few, and more."""
    criterion = problem.criterion
    if not isinstance(criterion, Variances):
        return None, None
    n, a = problem.deployments, problem.auxiliary
    keep = np.flatnonzero((upper[:n] > lower[:n]) | (lower[:n] > 0.5))
    if keep.size == 0:
        return None, None
    if theta is None:
        theta = first_theta(criterion.weights)
    taken, kept = criterion.take(keep)
    weights = np.maximum(theta, 1e-6 * theta.max(initial=0.0))
    found = [taken.spans(np.concatenate([point[keep], point[n + a + kept]]), weights) for point in points]
    out = []
    for part in range(len(criterion.parts)):
        total = sum((one[part] for one in found), np.zeros((criterion.parts[part].width,) * 2))
        values, vectors = np.linalg.eigh(total)
        values, vectors = values[::-1], vectors[:, ::-1]
        # The targets themselves stand first, so that nothing of their prior is lost.
        targets, _ = np.linalg.qr(criterion.parts[part].targets)
        rest = vectors - targets @ (targets.T @ vectors)
        basis, _ = np.linalg.qr(np.concatenate([targets, rest], axis=1))
        out.append(np.ascontiguousarray(basis[:, : basis.shape[0]]))
    fine = FINE_LOSS if keep.size < LARGE else LOSS
    return _short(criterion, out, layouts, LOSS, FAIR_LOSS), _short(criterion, out, layouts, fine, fine)


def _short(criterion: Variances, bases: list[Floats], layouts: list[Ints], loss: float, fair: float) -> list[Floats]:
    """Return the first columns of bases, as many as known layouts need to be worth what they are but for a share.

    The share is `loss`, from `SEVERAL` directions on `fair`.
    """
    weights = criterion.weights
    kappa = np.where(np.isfinite(weights.kappa), weights.kappa, 1.0 / np.maximum(np.abs(weights.gamma), 1e-300))
    exact = [criterion.whole(picked) for picked in layouts]
    counts = sorted({*DIRECTIONS, max(basis.shape[1] for basis in bases)})
    for count in counts:
        held = [basis[:, :count] for basis in bases]
        worst = 0.0
        for picked, values in zip(layouts, exact, strict=True):
            near, _ = criterion.take(np.sort(picked))
            lost = values - near.projected(held).whole(np.arange(picked.size))
            # What is lost of a target far below its goal costs nothing there.
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(weights.gamma > 0.0, values / weights.gamma, 1.0)
            counted = np.where(weights.always, 1.0, np.clip(share, 0.0, 1.0) ** 8)
            scale = (
                max(weights.total(values), 0.05 * float(kappa @ values)) if np.isfinite(weights.kappa).all() else 1.0
            )
            worst = max(worst, float((kappa * counted) @ lost) / max(scale, 1e-300))
        if worst < (loss if count < SEVERAL else fair) or count >= MOST_DIRECTIONS:
            return [_digits(basis) for basis in held]
    return [_digits(basis) for basis in bases]


def _digits(basis: Floats) -> Floats:
    """Return a basis with nine digits, as the proof file holds it; any basis gives valid bounds."""
    return np.array([[float(f"{x:.9g}") for x in row] for row in basis])


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
