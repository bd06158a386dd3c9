"""One node of a search: its bound, what its reduced costs fix, and how it is split.

An answer depends on its question alone, so that it does not matter when, in which order or in which process
questions are answered.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.criteria import Criterion
from siting.selection.precise.layouts import completed
from siting.selection.precise.nodes import Point, Side
from siting.selection.precise.problem import Problem
from siting.selection.precise.relaxing import Relaxing, breaks, first_theta
from siting.selection.rows import packing

MOST_PRICINGS = 12
# Columns priced in at one time, and the share of the way to the target that may be lost to those left out.
PRICED_IN, SPARE = 120, 0.5
INTEGRAL = 1e-6
# A relaxation that breaks rows by more than this is looked at as one that may have no point at all.
BROKEN = 1e-3
# Bounds within this share of the target are worked out in more directions, too.
NEAR = 0.2
# What is no farther than this from whole is not split.
FAR = 0.05


@dataclass(frozen=True, eq=False)
class Start:
    """Where a relaxation begins: y (columns,), theta (T,), multipliers of the rows (R,) and of the sides."""

    y: Floats
    theta: Floats
    multipliers: Floats
    local: Floats


@dataclass(frozen=True, eq=False)
class Place:
    """Where a node stands: the bounds of its columns, where its relaxation begins, and the sides from the root to it.

    `active` columns are looked at first.
    """

    lower: Floats
    upper: Floats
    start: Start | None
    active: Bools
    sides: tuple[Side, ...]


@dataclass(frozen=True, eq=False)
class Question:
    """A node to be bounded: its place, the `bound` of its parent, and the `target` that closes it.

    `cliques` are the rows found so far, `open_ways` is as in `Choices`; `seconds` are those left, None without a limit.
    """

    place: Place
    bound: float
    target: float
    cliques: tuple[Ints, ...]
    open_ways: Bools
    seconds: float | None


@dataclass(frozen=True, eq=False)
class Open:
    """What is left of a node that its bound does not close: bounds, its relaxed point, and its two sides.

    `y`, `reduced` (columns,) and `theta` (T,) are those of the relaxation. A side comes with the bounds that it forces,
    None where no point keeps the rows; no sides at all say that everything is decided.
    """

    lower: Floats
    upper: Floats
    start: Start | None
    active: Bools
    y: Floats
    reduced: Floats
    theta: Floats
    sides: tuple[tuple[Side, tuple[Floats, Floats] | None], ...]


@dataclass(frozen=True, eq=False)
class Answer:
    """The bound of a node with its points, how it was closed ("" if it was not), and what is left of it.

    `cliques` are rows found on the way; they stand after those of the question. `open_ways` is as in `Choices`.
    """

    points: tuple[Point, ...]
    bound: float
    closed: str
    left: Open | None
    cliques: tuple[Ints, ...]
    open_ways: Bools


class Bounding:
    """Answers questions about the nodes of one problem.

    `groups` are nested groups of deployments that may be split by their number; `finer` is the problem's
    criterion in more directions, for bounds that come near the target.
    """

    def __init__(
        self, problem: Problem, groups: list[list[Ints]] | None = None, finer: Criterion | None = None
    ) -> None:
        self.relaxing = Relaxing(problem)
        self._problem, self._finer = problem, finer
        several = [group for level in groups or [] for group in level if group.size > 1]
        # Auxiliary columns are held by rows, not by curvature, which would make each of them look dear.
        self._sums = packing([*several, *np.arange(problem.deployments)[:, None]], problem.width)

    @property
    def size(self) -> int:
        """Bytes of the factors that it holds."""
        return sum(one.size for one in (self._problem.criterion, self._finer) if one is not None)

    def answer(self, question: Question) -> Answer:
        """Bound a node, fix what its reduced costs allow, and say how to split what is left."""
        return _Turns(self, question).answer()

    def sides(
        self,
        y: Floats,
        slopes: Floats,
        lower: Floats,
        upper: Floats,
        give: Callable[[Floats], Floats] | None,
        seconds: float | None,
    ) -> tuple[Side, Side] | None:
        """Choose how to split a node: how many of a group are picked, or one column; None if all is decided."""
        problem = self._problem
        n = problem.deployments
        free = (upper > lower) & problem.integer
        # Ways of what is not picked need no decision, nor any way where only deployments count and some ways do.
        free[self.relaxing.choices.idle(upper < 0.5)] = False
        if not free[:n].any() and not problem.cost[n : n + problem.auxiliary].any():
            picked = np.flatnonzero(lower[:n] > 0.5)
            if not free.any() or completed(problem, picked, seconds) is not None:
                return None
        if not free.any():
            return None
        group = None if give is None else self.split(y, free, give)
        if group is not None:
            low = np.floor(float(y[group].sum()))
            return Side(group, 1.0, low), Side(group, -1.0, -(low + 1.0))
        away = np.minimum(y - np.floor(y + INTEGRAL), np.ceil(y - INTEGRAL) - y)
        score = np.where(free, np.maximum(away, 0.0) * (np.abs(slopes) + 1e-12), -1.0)
        column = int(np.argmax(score)) if score.max() > 0.0 else int(np.argmax(np.where(free, np.abs(slopes), -1.0)))
        middle = np.floor(min(max(y[column], lower[column]), upper[column] - 0.5))
        only = np.array([column], dtype=np.int64)
        return Side(only, 1.0, float(middle)), Side(only, -1.0, -float(middle + 1.0))

    def split(self, y: Floats, free: Bools, give: Callable[[Floats], Floats]) -> Ints | None:
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

    def finer_bound(
        self, point: Point, problem: Problem, lower: Floats, upper: Floats
    ) -> tuple[float, Floats, Floats] | None:
        """Return what `Relaxing.bound_at` says of a point in more directions, None where there are none."""
        if self._finer is None:
            return None
        return self.relaxing.bound_at(point, problem, lower, upper, self._finer)


class _Turns:
    """The turns of one node: relax, bound, fix, price in what was left out, until nothing more is to be had."""

    def __init__(self, bounding: Bounding, question: Question) -> None:
        self._bounding, self._relaxing = bounding, bounding.relaxing
        self._question, place = question, question.place
        self._lower, self._upper, self._active = place.lower, place.upper, place.active
        self._start, self._bound = place.start, question.bound
        self._cliques = list(question.cliques)
        self._points: list[Point] = []
        self._relaxing.choices.open = question.open_ways.copy()

    def answer(self) -> Answer:
        relaxing, target = self._relaxing, self._question.target
        sides = self._question.place.sides
        y: Floats | None = None
        give: Callable[[Floats], Floats] | None = None
        width = self._lower.size
        slopes, reduced = np.zeros(width), np.zeros(width)
        theta = first_theta(relaxing.problem.criterion.weights)
        for turn in range(MOST_PRICINGS):
            lower, upper = self._lower, self._upper
            problem = relaxing.rows_with(self._cliques, sides)
            solved = relaxing.relax(problem, lower, upper, self._active, self._padded(problem), len(sides), target)
            if solved is None or breaks(problem, solved[1]) > BROKEN:
                ray = relaxing.infeasible(problem, lower, upper, len(sides), target, self._question.seconds)
                if ray is not None:
                    self._points.append(ray)
                    self._bound = relaxing.bound_at(ray, problem, lower, upper)[0]
                    return self._answer("bound")
            if solved is None:
                break
            point, theta, give = solved[1], solved[1].theta, solved[0].give
            bounded, reduced, slopes = relaxing.bound_at(point, problem, lower, upper)
            lacking, loss = relaxing.lacking(reduced, self._active, lower, upper)
            sharper = relaxing.sharpened(point, reduced, lower, upper)
            if sharper is not point:
                point = sharper
                bounded, reduced, slopes = relaxing.bound_at(point, problem, lower, upper)
            if bounded < target < bounded + NEAR * abs(target):
                fine = self._bounding.finer_bound(point, problem, lower, upper)
                if fine is not None and fine[0] > bounded:
                    bounded, reduced, slopes = fine
                    point = replace(point, basis=point.basis + 1)
            self._points.append(point)
            self._bound = max(self._bound, bounded)
            y = np.zeros(width)
            y[point.columns] = point.y
            multipliers = np.zeros(problem.limits.size - len(sides))
            multipliers[point.rows] = point.multipliers
            self._start = Start(y, point.theta, multipliers, point.local)
            if self._bound >= target:
                return self._answer("bound")
            shut = relaxing.fixed(problem, bounded, reduced, lower, upper, target)
            if shut is None:
                return self._answer("rows")
            self._lower, self._upper = lower, upper = shut
            found = self._fresh(y) if turn < MOST_PRICINGS - 1 else []
            # A point stands for the rows it was made with; later rows have multiplier 0 there.
            self._cliques += found
            room = SPARE * max(target - self._bound, 0.0) + 1e-9 * abs(target)
            wide = loss > room
            cheaper = relaxing.better_ways(y, reduced, self._active, lower, upper) > room
            if wide:
                active = self._active.copy()
                active[lacking[:PRICED_IN]] = True
                self._active = relaxing.with_blocks(active, upper > lower)
            if not (wide or found or cheaper):
                break
        lower, upper = self._lower, self._upper
        if y is None:
            y = lower.copy()
        free = upper > lower
        active = relaxing.with_blocks(relaxing.interesting(y, reduced, free), free)
        halves = self._bounding.sides(y, slopes, lower, upper, give, self._question.seconds)
        told = []
        for side in halves or ():
            rows = relaxing.rows_with(self._cliques, (*sides, side))
            told.append((side, rows.propagated(lower, upper)))
        return self._answer("", Open(lower, upper, self._start, active, y, reduced, theta, tuple(told)))

    def _padded(self, problem: Problem) -> tuple[Floats, Floats, Floats] | None:
        """Return the start with multipliers of all rows, 0 for those that it does not know."""
        start = self._start
        if start is None:
            return None
        rows = np.zeros(problem.limits.size)
        rows[: start.multipliers.size] = start.multipliers
        begin = rows.size - len(self._question.place.sides)
        rows[begin : begin + start.local.size] = start.local
        return start.y, start.theta, rows

    def _fresh(self, y: Floats) -> list[Ints]:
        """Return rows of cliques that a point breaks and that are not known yet."""
        found = {row.tobytes(): row for cliques in self._relaxing.cliques for row in cliques.separate(y)}
        known = {row.tobytes() for row in self._cliques} if found else set()
        return [row for key, row in found.items() if key not in known]

    def _answer(self, closed: str, left: Open | None = None) -> Answer:
        fresh = tuple(self._cliques[len(self._question.cliques) :])
        return Answer(tuple(self._points), self._bound, closed, left, fresh, self._relaxing.choices.open)
