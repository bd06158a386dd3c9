"""Best-first branch and bound over the relaxations of a convex criterion, with bounds that need no trust.

Every node is bounded by multipliers of its relaxation (see `interior.bound`); columns whose reduced cost lifts
that bound above the best layout are fixed. What is needed to check the proof without searching again is
kept node by node.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from siting.region.model import Bools, Floats, Ints
from siting.selection.precise.layouts import completed
from siting.selection.precise.ledger import Ledger
from siting.selection.precise.nodes import Node, Side
from siting.selection.precise.problem import Problem
from siting.selection.precise.relaxing import Relaxing, breaks, first_theta
from siting.selection.precise.seek import OUTER_ROUNDS, Seeker
from siting.selection.program import Ended
from siting.selection.rows import packing

MOST_PRICINGS = 12
# Columns priced in at one time, and the share of the way to the target that may be lost to those left out.
PRICED_IN, SPARE = 120, 0.15
# Whole layouts are looked for at the first nodes and then now and then.
EARLY, EVERY = 12, 4
# While the gap is as large as this, layouts are looked for farther away now and then, too.
FAR_GAP, FAR_EVERY = 0.05, 20
INTEGRAL = 1e-6
# A relaxation that breaks rows by more than this is looked at as one that may have no point at all.
BROKEN = 1e-3
# Bounds within this share of the target are worked out in more directions, too.
NEAR = 0.2
# What is no farther than this from whole is not split.
FAR = 0.05


@dataclass(frozen=True, eq=False)
class Found:
    """The tree of a search and why it ended, None after the root alone; `root` is what is left open after it."""

    ended: Ended | None
    nodes: tuple[Node, ...]
    root: tuple[Floats, Floats, Floats] | None


@dataclass(frozen=True, eq=False)
class _Open:
    lower: Floats
    upper: Floats
    start: tuple[Floats, Floats, Floats, Floats] | None
    active: Bools
    sides: tuple[Side, ...]


class Search:
    """One search for the least value of a problem.

    `groups` are nested groups of deployments that may be split by their number; `finer` is the same problem
    in more directions, for bounds that come near the target.
    """

    def __init__(
        self,
        problem: Problem,
        ledger: Ledger,
        lift: Callable[[Floats], tuple[Floats, float] | None],
        groups: list[list[Ints]] | None = None,
        finer: Problem | None = None,
    ) -> None:
        self.relaxing = Relaxing(problem, ledger, lift)
        self.seeker = Seeker(self.relaxing)
        self._problem, self._ledger = problem, ledger
        several = [group for level in groups or [] for group in level if group.size > 1]
        # Auxiliary columns are held by rows, not by curvature, which would make each of them look dear.
        self._sums = packing([*several, *np.arange(problem.deployments)[:, None]], problem.width)
        self._finer = finer
        self._nodes: list[Node] = []
        self._root: tuple[Floats, Floats, Floats] | None = None

    def run(self, *, only_root: bool = False) -> Found:
        """Search within the limits and return what was found; `only_root` ends after the first node."""
        problem = self._problem
        bounds = problem.propagated(problem.lower, problem.upper)
        root = Node(0, -1, None, -np.inf)
        self._nodes.append(root)
        if bounds is None:
            root.closed = "rows"
            return Found(Ended.INFEASIBLE, tuple(self._nodes), None)
        lower, upper = bounds
        if self.relaxing.best is None:
            self.seeker.first(lower, upper)
            if self.relaxing.best is None and self._ledger.stopped() is None:
                root.closed = "rows"
                return Found(Ended.INFEASIBLE, tuple(self._nodes), None)
        active = self.relaxing.first_active(lower, upper)
        opened: dict[int, _Open] = {0: _Open(lower, upper, None, active, ())}
        heap: list[tuple[float, int]] = [(-np.inf, 0)]
        ended: Ended | None = None
        pruned = np.inf
        while heap:
            bounded, number = heap[0]
            self._ledger.raise_bound(min(bounded, pruned))
            if self._ledger.gap <= self._ledger.limits.gap:
                ended = Ended.GAP
                break
            ended = self._ledger.stopped()
            if ended is not None:
                break
            heapq.heappop(heap)
            node = self._nodes[number]
            if bounded >= self._ledger.target:
                pruned = min(pruned, bounded)
                continue
            state = opened.pop(number)
            for child, new in self._branch(node, state):
                opened[child.number] = new
                heapq.heappush(heap, (child.bound, child.number))
            if node.closed in ("bound", "whole"):
                pruned = min(pruned, node.bound)
            if only_root and heap:
                self._ledger.raise_bound(min(node.bound, pruned))
                return Found(None, tuple(self._nodes), self._root)
        if ended is None:
            self._ledger.raise_bound(pruned)
            ended = Ended.GAP
        self._ledger.tell()
        return Found(ended, tuple(self._nodes), self._root)

    def _branch(self, node: Node, state: _Open) -> list[tuple[Node, _Open]]:
        """Bound a node, fix what its reduced costs allow, and return its children."""
        self._ledger.processed += 1
        lower, upper, active, start = state.lower, state.upper, state.active, state.start
        target = self._ledger.target
        y: Floats | None = None
        give: Callable[[Floats], Floats] | None = None
        slopes, reduced = np.zeros(lower.size), np.zeros(lower.size)
        theta = first_theta(self._problem.criterion.weights)
        for turn in range(MOST_PRICINGS):
            problem = self.relaxing.rows_with(state.sides)
            padded = None
            if start is not None:
                rows = np.zeros(problem.limits.size)
                rows[: start[2].size] = start[2]
                begin = rows.size - len(state.sides)
                rows[begin : begin + start[3].size] = start[3]
                padded = (start[0], start[1], rows)
            solved = self.relaxing.relax(problem, lower, upper, active, padded, len(state.sides))
            broken = solved is None or breaks(problem, solved[1]) > BROKEN
            if broken:
                ray = self.relaxing.infeasible(problem, lower, upper, len(state.sides))
                if ray is not None:
                    node.points.append(ray)
                    node.bound = self.relaxing.bound_at(ray, problem, lower, upper)[0]
                    node.closed = "bound"
                    return []
            if solved is None:
                break
            point, theta, give = solved[1], solved[1].theta, solved[0].give
            bounded, reduced, slopes = self.relaxing.bound_at(point, problem, lower, upper)
            lacking, loss = self.relaxing.lacking(reduced, active, lower, upper)
            sharper = self.relaxing.sharpened(point, reduced, lower, upper)
            if sharper is not point:
                point = sharper
                bounded, reduced, slopes = self.relaxing.bound_at(point, problem, lower, upper)
            if self._finer is not None and bounded < target < bounded + NEAR * abs(target):
                fine = self.relaxing.bound_at(point, problem, lower, upper, self._finer.criterion)
                if fine[0] > bounded:
                    bounded, reduced, slopes = fine
                    point = replace(point, basis=point.basis + 1)
            node.points.append(point)
            node.bound = max(node.bound, bounded)
            y = np.zeros(problem.width)
            y[point.columns] = point.y
            multipliers = np.zeros(problem.limits.size - len(state.sides))
            multipliers[point.rows] = point.multipliers
            start = (y, point.theta, multipliers, point.local)
            if node.bound >= target:
                node.closed = "bound"
                return []
            shut = self.relaxing.fixed(problem, bounded, reduced, lower, upper, target)
            if shut is None:
                node.closed = "rows"
                return []
            lower, upper = shut
            found = [row for cliques in self.relaxing.cliques for row in cliques.separate(y)]
            if found and turn < MOST_PRICINGS - 1:
                self.relaxing.clique_rows += found
                # A point stands for the rows it was made with; later rows have multiplier 0 there.
            room = SPARE * max(target - node.bound, 0.0) + 1e-9 * abs(target)
            wide = loss > room
            cheaper = self.relaxing.better_ways(y, reduced, active, lower, upper) > room
            if wide:
                active = active.copy()
                active[lacking[:PRICED_IN]] = True
                active = self.relaxing.with_blocks(active, upper > lower)
            if not (wide or found or cheaper):
                break
        if y is None:
            y = lower.copy()
        free = upper > lower
        active = self.relaxing.with_blocks(self.relaxing.interesting(y, reduced, free), free)
        if self._ledger.processed <= EARLY or self._ledger.processed % EVERY == 0:
            self.seeker.near(y, reduced, lower, upper)
        if self._ledger.processed % FAR_EVERY == 0 and self._ledger.gap > FAR_GAP:
            self.seeker.stir(y, reduced)
            self.seeker.outer(y, reduced, theta, lower, upper, 1)
        target = self._ledger.target
        if node.bound >= target:
            node.closed = "bound"
            return []
        if node.number == 0:
            self._root = (y, lower, upper)
            self._ledger.raise_bound(node.bound)
            self.seeker.stir(y, reduced)
            self.seeker.outer(y, reduced, theta, lower, upper, OUTER_ROUNDS)
            target = self._ledger.target
        sides = self._sides(y, slopes, lower, upper, give)
        if sides is None:
            # Everything is decided: the node is one layout.
            self.relaxing.accept(
                completed(self._problem, np.flatnonzero(lower[: self._problem.deployments] > 0.5), self._ledger.left())
            )
            node.closed = "whole"
            node.bound = max(node.bound, min(self._ledger.value, self._ledger.target))
            return []
        children: list[tuple[Node, _Open]] = []
        for side in sides:
            child = Node(len(self._nodes), node.number, side, node.bound)
            self._nodes.append(child)
            node.children += (child.number,)
            path = (*state.sides, side)
            bounds = self.relaxing.rows_with(path).propagated(lower, upper)
            if bounds is None:
                child.closed = "rows"
                continue
            children.append((child, _Open(*bounds, start, active, path)))
        return children

    def _sides(
        self, y: Floats, slopes: Floats, lower: Floats, upper: Floats, give: Callable[[Floats], Floats] | None
    ) -> tuple[Side, Side] | None:
        """Choose how to split a node: how many of a group are picked, or one column; None if all is decided."""
        problem = self._problem
        n = problem.deployments
        free = (upper > lower) & problem.integer
        # Ways of what is not picked need no decision, nor any way where only deployments count and some ways do.
        free[self.relaxing.choices.idle(upper < 0.5)] = False
        if not free[:n].any() and not problem.cost[n : n + problem.auxiliary].any():
            picked = np.flatnonzero(lower[:n] > 0.5)
            if not free.any() or completed(problem, picked, self._ledger.left()) is not None:
                return None
        if not free.any():
            return None
        group = None if give is None else self._split(y, free, give)
        if group is not None:
            low = np.floor(float(y[group].sum()))
            return Side(group, 1.0, low), Side(group, -1.0, -(low + 1.0))
        away = np.minimum(y - np.floor(y + INTEGRAL), np.ceil(y - INTEGRAL) - y)
        score = np.where(free, np.maximum(away, 0.0) * (np.abs(slopes) + 1e-12), -1.0)
        column = int(np.argmax(score)) if score.max() > 0.0 else int(np.argmax(np.where(free, np.abs(slopes), -1.0)))
        middle = np.floor(min(max(y[column], lower[column]), upper[column] - 0.5))
        only = np.array([column], dtype=np.int64)
        return Side(only, 1.0, float(middle)), Side(only, -1.0, -float(middle + 1.0))

    def _split(self, y: Floats, free: Bools, give: Callable[[Floats], Floats]) -> Ints | None:
        """Return the group of alike deployments, or the one column, that is dearest to hold at whole numbers.

        Held a distance d away from where it is, a sum costs about d^2 / (2 give); both children count, so the product
        of what the nearest whole numbers below and above cost is made large. The larger group wins a tie.
        """
        total = self._sums @ y
        part = total - np.floor(total)
        there = np.flatnonzero((np.minimum(part, 1.0 - part) > FAR) & (self._sums @ free > 0))
        if there.size == 0:
            return None
        part = part[there]
        score = (part * (1.0 - part)) ** 2 / np.maximum(give(self._sums[there].toarray()), 1e-12) ** 2
        best = there[int(np.argmax(score))]
        chosen = self._sums.indices[self._sums.indptr[best] : self._sums.indptr[best + 1]]
        return np.array(chosen, dtype=np.int64)
