"""What proves the bound of a linear search: multipliers of its relaxation, and a small tree where those are not enough.

The integer program's own tree stays inside the solver library, so its bound cannot be checked without it. Here
a tree of linear programs is kept small enough to be written down: any multipliers bound a node (see
`relaxation.judged`), so whoever checks it needs neither the solver nor its tolerances. Where the tree ends before
it reaches the search's bound, it proves less, and says how much.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.selection.highs import LpResult, Solver
from siting.selection.linear import EQUAL, LinearEngine
from siting.selection.precise.descent import Proof
from siting.selection.precise.nodes import Node, Point, Side, split_multipliers
from siting.selection.relaxation import Relaxation
from siting.selection.rows import INFINITY, Rows, packing

# Counts, not seconds, end the tree: the same search must give the same proof.
MOST_LEAVES = 200
# Leaves times columns of their linear programs, about as much as a few seconds can do.
MOST_WORK = 150_000
FRACTION = 1e-6
# A row that may be broken costs this many times the greatest gain a unit; so a program without a point has a bound too.
STEEP = 1e4


@dataclass(frozen=True, eq=False)
class Certificate:
    """A proof, and the value that by it no layout exceeds (`value` in the sense of the objective)."""

    proof: Proof
    bound: float


@dataclass(frozen=True, eq=False)
class _Bounded:
    """A node's linear program, solved: its bound, point over the kept columns and the multipliers of rows and sides."""

    bound: float
    point: Floats
    multipliers: Floats


def certify(engine: LinearEngine) -> Certificate | None:
    """Return what proves the bound of a search that has ended, None where it solved no relaxation.

    The tree is left out where the search was stopped or ran out of time.
    """
    relaxation = engine.relaxation
    if relaxation is None or engine.best is None:
        return None
    tree = _Tree(engine, relaxation)
    if not engine.out_of_time():
        tree.grow()
    # What the solver proved is no worse than what is claimed here.
    gain = max(tree.bound(), engine.bound)
    bound = engine.objective.constant + engine.sign * gain
    cliques = _used(tree.nodes, tree.cliques, tree.own_rows)
    return Certificate(Proof((None,), tuple(cliques), tuple(tree.nodes)), bound)


class _Tree:
    """Best-first branch and bound by linear programs, over the columns that the relaxation leaves open."""

    def __init__(self, engine: LinearEngine, relaxation: Relaxation) -> None:
        program = engine.program
        self._engine, self._target = engine, engine.bound
        self._rows = relaxation.rows
        self.cliques = list(relaxation.cliques)
        root = Node(0, -1, None, relaxation.bound)
        root.points.append(_point(self._at_most(relaxation.multipliers), 0))
        self.nodes = [root]
        enough = relaxation.bound <= self._target + EQUAL * max(1.0, abs(self._target))
        self._open: list[tuple[float, int]] = [] if enough else [(-relaxation.bound, 0)]
        self._closed = self._target if enough else -np.inf
        # A column whose other value would bring the bound below the target keeps its value.
        binary = program.integer & (program.upper - program.lower == 1.0)
        shut = binary & (relaxation.bound - relaxation.to_one < self._target)
        full = binary & (relaxation.bound - relaxation.to_zero < self._target)
        self._kept = np.flatnonzero(~(shut | full))
        held = np.where(full, program.upper, program.lower)
        held[self._kept] = 0.0
        self._constant = float(engine.gain @ held)
        moved = self._rows.matrix @ held
        part = sp.csr_array(self._rows.matrix[:, self._kept])
        self._part = Rows(part, self._rows.low - moved, self._rows.high - moved)
        self._lower, self._upper = program.lower[self._kept], program.upper[self._kept]
        self._gain = engine.gain[self._kept]
        self._integer = program.integer[self._kept]
        self._groups = _sums(part, self._integer, self._kept >= program.deployments)
        self._solved: dict[int, _Bounded] = {}

    @property
    def own_rows(self) -> int:
        """Number of rows "at most" before the cliques."""
        count = self._rows.low.size - len(self.cliques)
        return int(np.isfinite(self._rows.high[:count]).sum() + np.isfinite(self._rows.low[:count]).sum())

    def bound(self) -> float:
        """Return the gain that no layout exceeds."""
        return max([self._closed, *(-worst for worst, _ in self._open)])

    def grow(self) -> None:
        """Split the node of greatest bound until the target is proved or the tree is large enough."""
        leaves, most = 1, min(MOST_LEAVES, MOST_WORK // max(1, self._kept.size))
        while self._open and leaves < most and not self._engine.out_of_time():
            _, number = heapq.heappop(self._open)
            sides = self._sides(number)
            known = self._solved.pop(number, None) or self._solve(sides)
            branch = None if known is None else self._branch(known, sides)
            if branch is None:
                self._closed = max(self._closed, self.nodes[number].bound)
                continue
            leaves += 1
            node = self.nodes[number]
            if number:
                node.points.clear()
            children = []
            for side, solved in branch:
                child = Node(len(self.nodes), number, side, min(node.bound, solved.bound))
                child.points.append(_point(self._at_most(solved.multipliers), len(sides) + 1))
                self.nodes.append(child)
                children.append(child.number)
                if child.bound <= self._target:
                    self._closed = max(self._closed, child.bound)
                else:
                    self._solved[child.number] = solved
                    heapq.heappush(self._open, (-child.bound, child.number))
            node.children = tuple(children)

    def _at_most(self, multipliers: Floats) -> Floats:
        """Return multipliers of rows and sides as those of rows "at most".

        Upper limits come first, then lower ones, then cliques, then sides.
        """
        count = self._rows.low.size
        own = np.arange(count) < count - len(self.cliques)
        above, below = own & np.isfinite(self._rows.high), own & np.isfinite(self._rows.low)
        first, rest = multipliers[:count], multipliers[count:]
        parts = [first[above], -first[below], first[~own], rest]
        return np.maximum(np.concatenate(parts), 0.0)

    def _sides(self, number: int) -> list[Side]:
        out: list[Side] = []
        while number >= 0:
            node = self.nodes[number]
            if node.side is not None:
                out.append(node.side)
            number = node.parent
        return out[::-1]

    def _branch(self, known: _Bounded, sides: list[Side]) -> list[tuple[Side, _Bounded]] | None:
        """Return both children of a node, solved; None where its point is whole or the solver gives no answer."""
        split = self._fractional(known.point)
        if split is None:
            return None
        columns, floor = split
        pair = []
        for sign, limit in ((1.0, floor), (-1.0, -floor - 1.0)):
            side = Side(self._kept[columns], sign, limit)
            solved = self._solve([*sides, side])
            if solved is None:
                return None
            pair.append((side, solved))
        return pair

    def _fractional(self, point: Floats) -> tuple[Ints, float] | None:
        """Return the sum of whole columns that is farthest from whole, the first of equals, and the number below it."""
        best, found = 0.5 - FRACTION, None
        for columns in self._groups:
            total = float(point[columns].sum())
            away = abs(total - np.floor(total) - 0.5)
            if away < best - FRACTION:
                best, found = away, (columns, float(np.floor(total)))
        return found

    def _solve(self, sides: list[Side]) -> _Bounded | None:
        """Solve the linear program of a node, None if the solver gives no multipliers for it."""
        place = np.full(self._engine.gain.size, -1)
        place[self._kept] = np.arange(self._kept.size)
        rows = self._part
        if sides:
            signs = np.array([side.sign for side in sides])
            more = sp.diags_array(signs) @ packing([place[side.columns] for side in sides], self._kept.size)
            limits = np.array([side.limit for side in sides])
            rows = Rows(
                sp.csr_array(sp.vstack([rows.matrix, more])),
                np.concatenate([rows.low, np.full(limits.size, -INFINITY)]),
                np.concatenate([rows.high, limits]),
            )
        result = Solver(self._gain, self._lower, self._upper, rows).solve_lp()
        if result.status == "infeasible":
            result = _elastic(self._gain, self._lower, self._upper, rows)
        if result.status != "optimal" or result.duals.size != rows.low.size:
            return None
        lam = result.duals
        lam = np.where(lam > 0.0, np.where(rows.high < INFINITY, lam, 0.0), np.where(rows.low > -INFINITY, lam, 0.0))
        limits = np.where(lam > 0.0, rows.high, np.where(lam < 0.0, rows.low, 0.0))
        reduced = self._gain - rows.matrix.T @ lam
        best = np.maximum(reduced * self._lower, reduced * self._upper)
        margin = 1e-12 * float(np.abs(lam * limits).sum() + np.abs(best).sum() + abs(self._constant))
        bound = self._constant + float(lam @ limits + best.sum()) + margin
        return _Bounded(bound, result.point[: self._kept.size], lam)


def _elastic(gain: Floats, lower: Floats, upper: Floats, rows: Rows) -> LpResult:
    """Solve a linear program in which every row may be broken at a steep price: its multipliers bound what is left.

    Where no point keeps the rows, their bound is low instead of missing.
    """
    count = rows.low.size
    eye = sp.eye_array(count)
    matrix = sp.csr_array(sp.hstack([rows.matrix, eye, -eye]))
    steep = STEEP * float(np.abs(gain).max(initial=1e-3))
    result = Solver(
        np.concatenate([gain, np.full(2 * count, -steep)]),
        np.concatenate([lower, np.zeros(2 * count)]),
        np.concatenate([upper, np.full(2 * count, INFINITY)]),
        Rows(matrix, rows.low, rows.high),
    ).solve_lp()
    return LpResult(result.status, result.point[: gain.size], result.duals)


def _sums(matrix: sp.csr_array, integer: Bools, auxiliary: Bools) -> list[Ints]:
    """Return the columns of sums to split at: whole auxiliary columns, plain sums of whole columns, deployments."""
    found = [np.array([column]) for column in np.flatnonzero(integer & auxiliary)]
    for begin, end in zip(matrix.indptr[:-1], matrix.indptr[1:], strict=True):
        columns = matrix.indices[begin:end]
        if end - begin > 1 and np.all(matrix.data[begin:end] == 1.0) and integer[columns].all():
            found.append(np.sort(columns))
    return found + [np.array([column]) for column in np.flatnonzero(integer & ~auxiliary)]


def _point(multipliers: Floats, sides: int) -> Point:
    rows, common, local = split_multipliers(multipliers, sides)
    none = np.zeros(0)
    return Point(np.zeros(0, dtype=np.int64), none, none, rows, common, local)


def _used(nodes: list[Node], cliques: list[Ints], own: int) -> list[Ints]:
    """Return the cliques with a multiplier somewhere, and number them anew in the points; `own` rows stand before."""
    used = sorted({int(row) - own for node in nodes for point in node.points for row in point.rows if row >= own})
    place = np.arange(own + len(cliques))
    place[own + np.array(used, dtype=np.int64)] = own + np.arange(len(used))
    for node in nodes:
        node.points = [replace(point, rows=place[point.rows]) for point in node.points]
    return [cliques[k] for k in used]
