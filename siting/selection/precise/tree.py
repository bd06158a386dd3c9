"""Best-first branch and bound over the relaxations of a convex criterion, with bounds that need no trust.

Every node is bounded by multipliers of its relaxation (see `interior.bound`); columns whose reduced cost lifts
that bound above the best layout are fixed. What is needed to check the proof without searching again is
kept node by node.
"""

from __future__ import annotations

import heapq
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import scipy.sparse as sp

from siting.region.model import Bools, Floats, Ints
from siting.selection.cliques import Cliques
from siting.selection.highs import Solver
from siting.selection.precise.criteria import Measured, Weights
from siting.selection.precise.interior import Relaxed, bound, relax, steadied
from siting.selection.precise.layouts import LocalSearch, completed, linear_layout
from siting.selection.precise.outer import layout_of_cuts
from siting.selection.precise.problem import Problem, occupied
from siting.selection.program import Ended, Limits, Progress, Report, relative_gap
from siting.selection.rows import Rows

# Columns that the first relaxation of a large problem looks at; others are priced in.
FIRST_COLUMNS = 700
MOST_PRICINGS = 12
# Deployments among which whole layouts are improved.
POOL = 500
# Whole layouts are looked for at the first nodes and then now and then.
EARLY, EVERY = 12, 25
# Rounds of random changes to the best layout before the tree, and deployments among which they are made.
ROUNDS, STIRRED = 30, 120
# Rounds of tangent planes, and deployments that they may choose from.
OUTER_ROUNDS, OUTER = 6, 250
INTEGRAL = 1e-6
# A relaxation that breaks rows by more than this is looked at as one that may have no point at all.
BROKEN = 1e-3
IN_USE = 1e-4
DIGITS = 7
# Columns that a node looks at first beside those that its parent used.
NEXT_COLUMNS = 60
# A group is split where the number picked of it is farther than this from whole.
FAR = 0.2


@dataclass(frozen=True, eq=False)
class Point:
    """What bounds a node: a sparse point over all columns, theta (T,), sparse row multipliers.

    `local` (m,) are the multipliers of the sides on the way from the root, m of them; `basis` numbers the
    basis in which its targets were solved for.
    """

    columns: Ints
    y: Floats
    theta: Floats
    rows: Ints
    multipliers: Floats
    local: Floats
    basis: int = 0


@dataclass(frozen=True, eq=False)
class Side:
    """What tells a node from its parent: sum of sign x columns <= limit (whole columns only)."""

    columns: Ints
    sign: float
    limit: float


@dataclass(eq=False)
class Node:
    """One node: its parent, what tells it from its parent (None for the root), its bound and its points."""

    number: int
    parent: int
    side: Side | None
    bound: float
    points: list[Point] = field(default_factory=list)
    children: tuple[int, ...] = ()
    closed: str = ""


@dataclass(frozen=True, eq=False)
class Found:
    """The result of a search: columns of the program, value, bound, and the tree."""

    point: Floats | None
    value: float
    bound: float
    ended: Ended | None
    nodes: tuple[Node, ...]
    count: int
    cliques: tuple[Ints, ...]
    problem: Problem
    log: tuple[Progress, ...]
    root_bound: float


@dataclass(frozen=True, eq=False)
class _Open:
    lower: Floats
    upper: Floats
    start: tuple[Floats, Floats, Floats, Floats] | None
    active: Bools
    sides: tuple[Side, ...]


class Search:
    """One search for the least value of a problem."""

    def __init__(
        self,
        problem: Problem,
        limits: Limits,
        *,
        floor: float,
        gap: Callable[[float, float], float] | None = None,
        target: Callable[[float], float] | None = None,
        progress: Report | None = None,
        started: float | None = None,
        lift: Callable[[Floats], None | tuple[Floats, float]] | None = None,
    ) -> None:
        """`lift` turns a point of the program into what the whole problem says of it: (its point, its value).

        It is for a search within part of a problem; None means that the whole refuses the point.
        """
        self.problem, self.limits = problem, limits
        self._lift = lift or (lambda point: judged(problem, point))
        self._gap = gap or (lambda value, bounded: relative_gap(value, bounded, floor))
        self._target = target or (lambda value: value - 0.999 * limits.gap * max(abs(value), floor))
        self._progress = progress
        self._began = time.monotonic() if started is None else started
        self.best: Floats | None = None
        self.lifted: Floats | None = None
        self.value = np.inf
        self.bound = -np.inf
        self.nodes: list[Node] = []
        self.processed = 0
        self._log: list[Progress] = []
        self._cliques = [Cliques(e, np.ones(problem.width)) for e in problem.program.exclusions]
        self.clique_rows: list[Ints] = []
        self._occupancy_rows = _occupancy_rows(problem)
        self._last_told = -np.inf
        self.root_state: tuple[Floats, Floats, Floats] | None = None
        self.groups: list[list[Ints]] | None = None

    # -- layouts ----------------------------------------------------------------------------------

    def accept(self, point: Floats | None) -> bool:
        """Take a layout (program columns,) if it keeps every rule and is the best so far."""
        judged = None if point is None else self._lift(point)
        if point is None or judged is None or not judged[1] < self.value:
            return False
        self.best, self.value, self.lifted = point, judged[1], judged[0]
        self._tell()
        return True

    def _tell(self) -> None:
        now = time.monotonic() - self._began
        value = self.value if np.isfinite(self.value) else None
        state = Progress(now, value, self.bound if np.isfinite(self.bound) else None, self.processed)
        self._log.append(state)
        if self._progress is not None:
            self._progress(state)

    def _stopped(self) -> Ended | None:
        if self.limits.stop is not None and self.limits.stop():
            return Ended.INTERRUPTED
        if self.limits.seconds is not None and time.monotonic() - self._began > self.limits.seconds:
            return Ended.TIME
        if self.limits.nodes is not None and self.processed >= self.limits.nodes:
            return Ended.NODES
        return None

    def _left(self) -> float | None:
        if self.limits.seconds is None:
            return None
        return max(0.01, self.limits.seconds - (time.monotonic() - self._began))

    # -- search -----------------------------------------------------------------------------------

    def offer(self, point: Floats) -> None:
        """Take a first layout if it keeps the rules."""
        self.accept(point)

    def run(self, *, only_root: bool = False) -> Found:
        """Search within the limits and return what was found; `only_root` ends after the first node."""
        problem = self.problem
        bounds = problem.propagated(problem.lower, problem.upper)
        root = Node(0, -1, None, -np.inf)
        self.nodes.append(root)
        if bounds is None:
            root.closed = "rows"
            return self._found(Ended.INFEASIBLE)
        lower, upper = bounds
        if self.best is None:
            self._first_layout(lower, upper)
            if self.best is None and self._stopped() is None:
                root.closed = "rows"
                return self._found(Ended.INFEASIBLE)
        active = self._first_active(lower, upper)
        opened: dict[int, _Open] = {0: _Open(lower, upper, None, active, ())}
        heap: list[tuple[float, int]] = [(-np.inf, 0)]
        ended: Ended | None = None
        pruned = np.inf
        while heap:
            bounded, number = heap[0]
            self._bounded(min(bounded, pruned))
            if self._gap(self.value, self.bound) <= self.limits.gap:
                ended = Ended.GAP
                break
            ended = self._stopped()
            if ended is not None:
                break
            heapq.heappop(heap)
            node = self.nodes[number]
            if bounded >= self._target(self.value):
                pruned = min(pruned, bounded)
                continue
            state = opened.pop(number)
            for child, new in self._branch(node, state):
                opened[child.number] = new
                heapq.heappush(heap, (child.bound, child.number))
            if node.closed in ("bound", "whole"):
                pruned = min(pruned, node.bound)
            if only_root and heap:
                self._bounded(min(node.bound, pruned))
                return self._found(None)
        if ended is None:
            self._bounded(pruned)
            ended = Ended.GAP
        self._tell()
        return self._found(ended)

    def _bounded(self, bounded: float) -> None:
        # Columns were fixed and nodes closed at the target, so no more than that is proven.
        fresh = min(bounded, self._target(self.value)) if np.isfinite(self.value) else bounded
        if fresh > self.bound:
            self.bound = fresh
            now = time.monotonic()
            if now - self._last_told > 0.2:
                self._last_told = now
                self._tell()

    def _found(self, ended: Ended | None) -> Found:
        root = self.nodes[0].bound
        return Found(
            self.lifted,
            self.value,
            self.bound,
            ended,
            tuple(self.nodes),
            self.processed,
            tuple(self.clique_rows),
            self.problem,
            tuple(self._log),
            root,
        )

    def _first_layout(self, lower: Floats, upper: Floats) -> None:
        """Reach a first layout: greedy choice from what is required, else an integer program of the first slopes."""
        problem = self.problem
        n, every = problem.deployments, len(problem.program.names)
        y = np.zeros(problem.width)
        y[problem.lower > 0.0] = problem.lower[problem.lower > 0.0]
        slopes = self._measure_all(y)
        worth = -(first_theta(problem.criterion.weights) @ slopes.gradient)
        free = np.flatnonzero(upper[:n] > lower[:n])
        must = np.flatnonzero(lower[:n] > 0.5)
        pool = np.union1d(must, free[np.argsort(-worth[free], kind="stable")[:POOL]])
        search = self._local(pool)
        picked = search.filled(np.isin(pool, must))
        point = completed(problem, pool[picked], self._left()) if search.keeps(picked) else None
        if not self.accept(point):
            cost = problem.cost[:every].copy()
            cost[:n] -= (
                worth[:n] / max(float(np.abs(worth[:n]).max(initial=0.0)), 1e-300) * (1.0 if not cost.any() else 0.0)
            )
            for _ in range(30):
                point = linear_layout(problem.with_cliques(self.clique_rows), cost, seconds=self._left())
                if point is not None or not self._missing_pairs():
                    break
            while point is None and self._repair(cost):
                point = linear_layout(problem.with_cliques(self.clique_rows), cost, seconds=self._left())
            if not self.accept(point):
                return
        if self.best is not None:
            chosen = np.flatnonzero(self.best[:n] > 0.5)
            pool = np.union1d(chosen, pool)
            self._improve(self._local(pool), np.isin(pool, chosen))

    def _missing_pairs(self) -> bool:
        return False

    def _repair(self, cost: Floats) -> bool:
        """Add the clique rows that cover all clashes once; say whether that is new."""
        del cost
        if not self._cliques or getattr(self, "_covered", False):
            return False
        self._covered = True
        every = np.arange(self.problem.deployments)
        self.clique_rows += [row for cliques in self._cliques for row in cliques.cover(every)]
        return True

    def _improve(self, search: LocalSearch, picked: Bools, held: Bools | None = None, passes: int = 6) -> None:
        better = search.improved(picked, held, passes)
        if search.keeps(better):
            self.accept(completed(self.problem, search.pool[better], self._left()))

    def stir(self, y: Floats, rounds: int) -> None:
        """Look for better layouts around the best one: take a few sites out at random, fill up, swap, go on from it."""
        n = self.problem.deployments
        if self.best is None or n == 0:
            return
        generator = np.random.default_rng(self.limits.seed)
        measured = self._measure_all(y)
        slopes = first_theta(self.problem.criterion.weights) @ measured.gradient
        promise = np.where(y[:n] > 1e-3, 1e9 * y[:n], -slopes[:n])
        chosen = np.flatnonzero(self.best[:n] > 0.5)
        pool = np.union1d(np.argsort(-promise, kind="stable")[:STIRRED], chosen)
        search = self._local(pool)
        must = self.problem.lower[pool] > 0.5
        best = np.isin(pool, chosen)
        value = search.merit_of(best)
        for _ in range(rounds):
            if self._stopped() is not None:
                return
            trial = best.copy()
            loose = np.flatnonzero(trial & ~must)
            if loose.size < 2:
                return
            out = generator.choice(loose, size=min(loose.size, int(generator.integers(2, 5))), replace=False)
            trial[out] = False
            # One site that would not have been chosen next brings the search elsewhere.
            fits = np.flatnonzero(search.fits(trial))
            fits = fits[~np.isin(fits, out)]
            if fits.size:
                trial[generator.choice(fits)] = True
            trial = search.improved(trial, must, 2)
            now = search.merit_of(trial)
            if now < value and search.keeps(trial):
                best, value = trial, now
                self.accept(completed(self.problem, pool[trial], self._left()))

    def outer(self, y: Floats, point: Point, lower: Floats, upper: Floats, rounds: int) -> None:
        """Look for layouts by tangent planes at a relaxed point and at every layout found so."""
        problem = self.problem
        n = problem.deployments
        problem = self._rows_with(())
        _, reduced, _ = self._bound_at(point, problem, lower, upper)
        cost = np.where(y[:n] > IN_USE, -1e9 * y[:n], np.maximum(reduced[:n], 0.0))
        keep = np.ones(problem.width, dtype=bool)
        keep[:n] = False
        keep[np.argsort(cost, kind="stable")[:OUTER]] = True
        if self.best is not None:
            keep[:n] |= self.best[:n] > 0.5
        keep &= upper > lower
        chosen = np.flatnonzero(keep[:n] | (lower[:n] > 0.5))
        problem = problem.with_cliques([row for cliques in self._cliques for row in cliques.cover(chosen)])
        theta = np.maximum(point.theta, 1e-3 * first_theta(problem.criterion.weights))
        places = [y] + ([] if self.best is None else [occupied(problem, self.best)])
        cuts = [self._cut(place, theta) for place in places]
        seen: set[bytes] = set()
        for _ in range(rounds):
            if self._stopped() is not None:
                return
            layout = layout_of_cuts(problem, cuts, lower, upper, keep, self._left())
            if layout is None or layout[:n].tobytes() in seen:
                return
            seen.add(layout[:n].tobytes())
            cuts.append(self._cut(occupied(problem, layout), theta))
            before = self.value
            self.accept(completed(self.problem, np.flatnonzero(layout[:n] > 0.5), self._left()))
            if self.value < before:
                chosen = np.flatnonzero(layout[:n] > 0.5)
                pool = np.union1d(np.argsort(cost, kind="stable")[:STIRRED], chosen)
                self._improve(self._local(pool), np.isin(pool, chosen), self.problem.lower[pool] > 0.5, 2)

    def _cut(self, y: Floats, theta: Floats) -> tuple[Floats, Floats]:
        measured = self._measure_all(y)
        gradient, _ = measured.idle(theta, np.zeros(y.size))
        return measured.constants, gradient

    def _local(self, pool: Ints) -> LocalSearch:
        exclusions = self.problem.program.exclusions
        clash: Bools | None = None
        if exclusions:
            clash = np.zeros((pool.size, pool.size), dtype=bool)
            for exclusion, cliques in zip(exclusions, self._cliques, strict=True):
                node = np.full(self.problem.width, -1)
                node[exclusion.columns] = exclusion.node
                mine = node[pool]
                seen = np.unique(mine[mine >= 0])
                for one, near in zip(seen, cliques.near(seen), strict=True):
                    clash[np.ix_(mine == one, np.isin(mine, near) & (mine >= 0) & (mine != one))] = True
        return LocalSearch(self.problem, pool, clash)

    # -- relaxations ------------------------------------------------------------------------------

    def _first_active(self, lower: Floats, upper: Floats) -> Bools:
        """Return the columns that the first relaxation looks at: all, or those that promise most."""
        problem = self.problem
        n = problem.deployments
        active = upper > lower
        if int(active[:n].sum()) <= FIRST_COLUMNS:
            return active
        y = np.zeros(problem.width)
        if self.best is not None:
            y[: self.best.size] = self.best
        slopes = self._measure_all(y)
        worth = -(first_theta(problem.criterion.weights) @ slopes.gradient)[:n]
        price = np.maximum(problem.program.cost[:n], 1)
        order = np.lexsort((np.arange(n), -worth / price))
        rank = np.empty(n, dtype=np.int64)
        rank[order] = np.arange(n)
        few = rank < FIRST_COLUMNS
        if self.best is not None:
            few |= self.best[:n] > 0.5
        active[:n] &= few
        return self._with_blocks(active, upper > lower)

    def _with_blocks(self, active: Bools, free: Bools) -> Bools:
        """Return active columns with the occupancies of exactly the blocks that active deployments use."""
        problem = self.problem
        out = active.copy()
        begin = problem.deployments + problem.auxiliary
        for block in problem.criterion.blocks:
            count = int(block.max(initial=-1)) + 1
            used = np.zeros(count, dtype=bool)
            mine = block[: problem.deployments]
            used[mine[(mine >= 0) & active[: problem.deployments]]] = True
            out[begin : begin + count] = used & free[begin : begin + count]
            begin += count
        return out

    def _measure_all(self, y: Floats) -> Measured:
        """Measure all columns at a point over all columns; auxiliary columns have no slope."""
        problem = self.problem
        seen = problem.seen()
        measured = problem.criterion.measure(y[seen])
        if problem.auxiliary == 0:
            return measured
        gradient = np.zeros((measured.values.size, problem.width))
        gradient[:, seen] = measured.gradient

        def idle(weights: Floats, prices: Floats) -> tuple[Floats, Ints]:
            inner, columns = measured.idle(weights, prices[seen])
            out = np.zeros_like(gradient)
            out[:, seen] = inner
            return out, seen[columns]

        return Measured(measured.values, gradient, measured.constants, measured.curvature, idle)

    def _rows_with(self, sides: tuple[Side, ...]) -> Problem:
        """Return the problem with the cliques found so far and the sides of a node as its last rows."""
        return self.problem.with_cliques(self.clique_rows).with_sides(
            [(side.columns, side.sign, side.limit) for side in sides]
        )

    def _bound_at(self, point: Point, problem: Problem, lower: Floats, upper: Floats) -> tuple[float, Floats, Floats]:
        """Return bound, reduced costs and slopes over all columns at a stored point."""
        y = np.zeros(problem.width)
        y[point.columns] = point.y
        multipliers = _spread(point, problem)
        measured, multipliers = steadied(
            self._measure_all(y), point.theta, problem.cost, problem.matrix, multipliers, self._occupancy_rows
        )
        weights = problem.criterion.weights
        bounded, reduced = bound(
            measured, weights, point.theta, problem.cost, problem.matrix, problem.limits, multipliers, lower, upper
        )
        return bounded, reduced, point.theta @ measured.gradient

    def _relax(
        self,
        problem: Problem,
        lower: Floats,
        upper: Floats,
        active: Bools,
        start: tuple[Floats, Floats, Floats] | None,
        sides: int,
    ) -> tuple[Relaxed, Point] | None:
        """Solve a relaxation over active columns, the other free ones at their lower bounds."""
        n, a = problem.deployments, problem.auxiliary
        free = np.flatnonzero(active & (upper > lower))
        stands = np.flatnonzero((lower[:n] > 0.5))
        deployments = np.union1d(free[free < n], stands)
        criterion, kept = problem.criterion.take(deployments)
        occupancies = n + a + kept
        # Occupied for certain: blocks of deployments that stand; their occupancy is fixed at 1.
        columns = np.concatenate([deployments, occupancies])
        inner_low, inner_high = lower[columns], upper[columns]
        free_inner = inner_high > inner_low
        aux = np.flatnonzero((upper > lower) & active)
        aux = aux[(aux >= n) & (aux < n + a)]
        every = np.concatenate([columns[free_inner], aux])
        base = lower[columns].copy()

        def measure(x: Floats) -> Measured:
            y = base.copy()
            y[free_inner] = x[: int(free_inner.sum())]
            measured = criterion.measure(y)
            constants = measured.constants + measured.gradient[:, ~free_inner] @ y[~free_inner]
            gradient = np.concatenate(
                [measured.gradient[:, free_inner], np.zeros((measured.values.size, aux.size))], axis=1
            )

            def curvature(weights: Floats) -> Floats:
                inner = measured.curvature(weights)[np.ix_(free_inner, free_inner)]
                out = np.zeros((every.size, every.size))
                out[: inner.shape[0], : inner.shape[0]] = inner
                return out

            def idle(weights: Floats, prices: Floats) -> tuple[Floats, Ints]:
                full = np.zeros(columns.size)
                full[free_inner] = prices[: int(free_inner.sum())]
                inner, changed = measured.idle(weights, full)
                place = np.cumsum(free_inner) - 1
                moved = np.concatenate([inner[:, free_inner], np.zeros((measured.values.size, aux.size))], axis=1)
                return moved, place[changed]

            return Measured(measured.values, gradient, constants, curvature, idle)

        offset = lower.copy()
        offset[every] = 0.0
        part = sp.csr_array(problem.matrix[:, every])
        limits = problem.limits - problem.matrix @ offset
        reach = part.maximum(0) @ upper[every] + part.minimum(0) @ lower[every]
        rows = np.flatnonzero(reach > limits + 1e-9)
        where = np.full(problem.limits.size, -1)
        where[rows] = np.arange(rows.size)
        occupancy = np.where(self._occupancy_rows[every] >= 0, where[self._occupancy_rows[every]], -1)
        begun = None
        if start is not None:
            begun = (start[0][every], start[1], start[2][rows])
        constant = float(problem.cost @ offset)
        relaxed = relax(
            measure,
            problem.criterion.weights,
            problem.cost[every],
            sp.csr_array(part[rows]),
            limits[rows],
            lower[every],
            upper[every],
            occupancy,
            start=begun,
            enough=self._target(self.value) - constant if np.isfinite(self.value) else np.inf,
        )
        if relaxed is None:
            return None
        y = lower.copy()
        # Points are kept short, and whoever checks the proof starts from the same digits.
        y[every] = np.round(relaxed.y, DIGITS)
        used = np.flatnonzero(y > 0.0)
        multipliers = np.zeros(problem.limits.size)
        multipliers[rows] = relaxed.rows
        return relaxed, Point(used, y[used], relaxed.theta, *_split(multipliers, sides))

    def _branch(self, node: Node, state: _Open) -> list[tuple[Node, _Open]]:
        """Bound a node, fix what its reduced costs allow, and return its children."""
        self.processed += 1
        lower, upper, active, start = state.lower, state.upper, state.active, state.start
        target = self._target(self.value)
        y: Floats | None = None
        slopes, reduced = np.zeros(lower.size), np.zeros(lower.size)
        for turn in range(MOST_PRICINGS):
            problem = self._rows_with(state.sides)
            padded = None
            if start is not None:
                rows = np.zeros(problem.limits.size)
                rows[: start[2].size] = start[2]
                begin = rows.size - len(state.sides)
                rows[begin : begin + start[3].size] = start[3]
                padded = (start[0], start[1], rows)
            solved = self._relax(problem, lower, upper, active, padded, len(state.sides))
            broken = solved is None or _breaks(problem, solved[1]) > BROKEN
            if broken:
                ray = self._infeasible(problem, lower, upper, len(state.sides))
                if ray is not None:
                    node.points.append(ray)
                    node.bound = self._bound_at(ray, problem, lower, upper)[0]
                    node.closed = "bound"
                    return []
            if solved is None:
                break
            relaxed, point = solved
            bounded, reduced, slopes = self._bound_at(point, problem, lower, upper)
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
            shut = self._fixed(problem, bounded, reduced, lower, upper, target)
            if shut is None:
                node.closed = "rows"
                return []
            lower, upper = shut
            missing = (reduced < 0.0) & ~active & (upper > lower)
            missing[problem.deployments :] = False
            loss = -float((reduced * (upper - lower))[missing].sum())
            found = [row for cliques in self._cliques for row in cliques.separate(y)]
            if found and turn < MOST_PRICINGS - 1:
                self.clique_rows += found
                # A point stands for the rows it was made with; later rows have multiplier 0 there.
            wide = loss > 0.05 * max(target - node.bound, 0.0) + 1e-9 * abs(target)
            if wide:
                order = np.argsort(reduced + np.where(missing, 0.0, np.inf), kind="stable")
                active = active.copy()
                active[order[: min(int(missing.sum()), FIRST_COLUMNS // 2)]] = True
                active = self._with_blocks(active, upper > lower)
            if not wide and not found:
                break
        if y is None:
            y = lower.copy()
        free = upper > lower
        active = self._with_blocks(self._interesting(y, reduced, free), free)
        self._layouts_near(y, lower, upper, slopes)
        target = self._target(self.value)
        if node.bound >= target:
            node.closed = "bound"
            return []
        if node.number == 0:
            self.root_state = (y, lower, upper)
            self.outer(y, node.points[-1], lower, upper, OUTER_ROUNDS)
            target = self._target(self.value)
        sides = self._sides(y, slopes, lower, upper)
        if sides is None:
            # Everything is decided: the node is one layout.
            self.accept(completed(self.problem, np.flatnonzero(lower[: self.problem.deployments] > 0.5), self._left()))
            node.closed = "whole"
            node.bound = max(node.bound, min(self.value, self._target(self.value)))
            return []
        children: list[tuple[Node, _Open]] = []
        for side in sides:
            child = Node(len(self.nodes), node.number, side, node.bound)
            self.nodes.append(child)
            node.children += (child.number,)
            path = (*state.sides, side)
            bounds = self._rows_with(path).propagated(lower, upper)
            if bounds is None:
                child.closed = "rows"
                continue
            children.append((child, _Open(*bounds, start, active, path)))
        return children

    def _interesting(self, y: Floats, reduced: Floats, free: Bools) -> Bools:
        """Return the free columns that children should look at first: those in use and the nearest to it."""
        n = self.problem.deployments
        out = free.copy()
        cost = np.where(y[:n] > IN_USE, -np.inf, np.maximum(reduced[:n], 0.0))
        cost[~free[:n]] = np.inf
        used = int((y[:n] > IN_USE).sum())
        if int(free[:n].sum()) > used + NEXT_COLUMNS:
            order = np.argsort(cost, kind="stable")
            out[:n] = False
            out[order[: used + NEXT_COLUMNS]] = True
            out[:n] &= free[:n]
        return out

    def _infeasible(self, problem: Problem, lower: Floats, upper: Floats, sides: int) -> Point | None:
        """Return multipliers that prove that no point keeps the rows, None if some point does.

        The least t with rows . y <= limits + t is above 0; its multipliers, made large, lift any bound.
        """
        columns = np.flatnonzero(upper > lower)
        part = sp.csr_array(problem.matrix[:, columns])
        limits = problem.limits - problem.matrix @ lower + part @ lower[columns]
        rows = np.flatnonzero(part.maximum(0) @ upper[columns] + part.minimum(0) @ lower[columns] > limits + 1e-9)
        wide = sp.csr_array(sp.hstack([part[rows], -np.ones((rows.size, 1))]))
        solver = Solver(
            np.append(np.zeros(columns.size), 1.0),
            np.append(lower[columns], 0.0),
            np.append(upper[columns], 1e6),
            Rows(wide, np.full(rows.size, -np.inf), limits[rows]),
            maximise=False,
        )
        result = solver.solve_lp(self._left())
        if result.status != "optimal" or result.point[-1] < 1e-7:
            return None
        multipliers = np.zeros(problem.limits.size)
        multipliers[rows] = np.maximum(-result.duals, 0.0)
        t = problem.criterion.weights.kappa.size
        none = Point(np.empty(0, dtype=np.int64), np.empty(0), np.zeros(t), *_split(multipliers, sides))
        plain = self._bound_at(none, problem, lower, upper)[0] - float(
            np.minimum(problem.cost * lower, problem.cost * upper).sum()
        )
        if plain <= 0.0:
            return None
        wanted = (
            2.0 * (abs(self._target(self.value)) if np.isfinite(self.value) else 1.0)
            + float(np.abs(problem.cost * upper).sum())
            + 1.0
        )
        return Point(
            none.columns, none.y, none.theta, none.rows, none.multipliers * wanted / plain, none.local * wanted / plain
        )

    def _fixed(
        self, problem: Problem, bounded: float, reduced: Floats, lower: Floats, upper: Floats, target: float
    ) -> tuple[Floats, Floats] | None:
        """Fix whole columns whose other value would lift the bound above the target."""
        free = (upper > lower) & problem.integer & (upper - lower < 1.5)
        to_high = bounded + np.maximum(reduced, 0.0)
        to_low = bounded + np.maximum(-reduced, 0.0)
        new_lower, new_upper = lower.copy(), upper.copy()
        new_upper[free & (to_high >= target)] = lower[free & (to_high >= target)]
        new_lower[free & (to_low >= target)] = upper[free & (to_low >= target)]
        if np.any(new_lower > new_upper):
            return None
        return problem.propagated(new_lower, new_upper)

    def _layouts_near(self, y: Floats, lower: Floats, upper: Floats, slopes: Floats) -> None:
        if not (self.processed <= EARLY or self.processed % EVERY == 0):
            return
        n = self.problem.deployments
        free = np.flatnonzero(upper[:n] > lower[:n])
        promise = np.where(y[:n] > 1e-3, 1e9 * y[:n], -slopes[:n])
        pool = free[np.argsort(-promise[free], kind="stable")[: POOL if self.processed <= 3 else POOL // 3]]
        pool = np.union1d(pool, np.flatnonzero(lower[:n] > 0.5))
        search = self._local(pool)
        picked = np.zeros(pool.size, dtype=bool)
        for position in np.argsort(-y[pool], kind="stable"):
            if y[pool[position]] < 0.3:
                break
            if search.fits(picked)[position]:
                picked[position] = True
        held = lower[pool] > 0.5
        self._improve(search, picked, held, 3 if self.processed <= 3 else 1)

    def _sides(self, y: Floats, slopes: Floats, lower: Floats, upper: Floats) -> tuple[Side, Side] | None:
        """Choose how to split a node: how many of a group are picked, or one column; None if all is decided."""
        problem = self.problem
        free = (upper > lower) & problem.integer
        if not free.any():
            return None
        group = self._group(y, free)
        if group is not None:
            total = float(y[group].sum())
            low = np.floor(total)
            return Side(group, 1.0, low), Side(group, -1.0, -(low + 1.0))
        away = np.minimum(y - np.floor(y + INTEGRAL), np.ceil(y - INTEGRAL) - y)
        score = np.where(free, np.maximum(away, 0.0) * (np.abs(slopes) + 1e-12), -1.0)
        column = int(np.argmax(score)) if score.max() > 0.0 else int(np.argmax(np.where(free, np.abs(slopes), -1.0)))
        middle = np.floor(min(max(y[column], lower[column]), upper[column] - 0.5))
        only = np.array([column], dtype=np.int64)
        return Side(only, 1.0, float(middle)), Side(only, -1.0, -float(middle + 1.0))

    def _group(self, y: Floats, free: Bools) -> Ints | None:
        """Return the largest group of alike deployments whose picked number is far from whole."""
        if self.groups is None:
            return None
        n = self.problem.deployments
        for level in self.groups:
            best, which = 0.0, None
            for group in level:
                if not free[group].any():
                    continue
                total = float(y[group].sum())
                away = abs(total - round(total))
                if away > best:
                    best, which = away, group
            if which is not None and best > FAR and which.size > 1:
                return which
        del n
        return None


def _split(multipliers: Floats, sides: int) -> tuple[Ints, Floats, Floats]:
    """Return the rows with a multiplier, those multipliers, and the multipliers of the sides."""
    common = multipliers[: multipliers.size - sides]
    rows = np.flatnonzero(common > 0.0)
    return rows, common[rows], multipliers[multipliers.size - sides :]


def _breaks(problem: Problem, point: Point) -> float:
    """Return by how much a point breaks the rows at most."""
    return float((problem.matrix[:, point.columns] @ point.y - problem.limits).max(initial=0.0))


def judged(problem: Problem, point: Floats) -> tuple[Floats, float] | None:
    """Return a layout (program columns,) and its value by plain matrices, None if it breaks a rule."""
    if problem.program.broken(point):
        return None
    picked = np.flatnonzero(point[: problem.deployments] > 0.5)
    values = problem.criterion.whole(picked)
    return point, problem.criterion.weights.total(values) + float(problem.cost[: point.size] @ point)


def first_theta(weights: Weights) -> Floats:
    """Return multipliers (T,) to begin with: every value counts fully, limits relative to their size."""
    hard = np.isinf(weights.kappa)
    gamma = np.where(weights.always, 1.0, weights.gamma)
    return np.asarray(np.where(hard, 1.0 / np.maximum(np.abs(gamma), 1e-300), np.where(hard, 0.0, weights.kappa)))


def _spread(point: Point, problem: Problem) -> Floats:
    """Return the row multipliers of a point over all rows of a problem, the sides last."""
    out = np.zeros(problem.limits.size)
    out[point.rows] = point.multipliers
    begin = out.size - point.local.size
    out[begin:] = point.local
    return out


def alike(features: Floats, leaf: int = 2) -> list[list[Ints]]:
    """Return nested groups of rows of `features` (n, f), halves of halves along the widest direction, coarse first."""
    levels: list[list[Ints]] = []
    level = [np.arange(features.shape[0])]
    while level:
        levels.append([np.sort(group) for group in level])
        following: list[Ints] = []
        for group in level:
            if group.size <= leaf:
                continue
            mine = features[group]
            widest = int(np.argmax(mine.max(axis=0) - mine.min(axis=0)))
            order = group[np.argsort(mine[:, widest], kind="stable")]
            following += [order[: order.size // 2], order[order.size // 2 :]]
        level = following
    return levels


def _occupancy_rows(problem: Problem) -> Ints:
    """Return (columns,) the row that holds each occupancy below the sum of its block, -1 elsewhere."""
    out = np.full(problem.width, -1, dtype=np.int64)
    begin = problem.deployments + problem.auxiliary
    part = sp.csc_array(problem.matrix[:, begin:])
    for position in range(problem.width - begin):
        rows = part.indices[part.indptr[position] : part.indptr[position + 1]]
        data = part.data[part.indptr[position] : part.indptr[position + 1]]
        out[begin + position] = int(rows[data > 0][0])
    return out
