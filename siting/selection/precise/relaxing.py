"""The relaxation of one node: which columns it looks at, its solution, its bound over all columns, what it fixes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.selection.cliques import Cliques
from siting.selection.highs import Solver
from siting.selection.precise.choices import Choices
from siting.selection.precise.criteria import Criterion, Measured, Weights
from siting.selection.precise.information import block_count
from siting.selection.precise.interior import Relaxed, Task, bound, steadied
from siting.selection.precise.interior import relax as solve_relaxation
from siting.selection.precise.nodes import Point, Side, split_multipliers, spread
from siting.selection.precise.problem import Problem, occupied
from siting.selection.rows import Rows

# Columns that the first relaxation of a large problem looks at; others are priced in.
FIRST_COLUMNS = 400
# Columns that a node looks at first beside those that its parent used.
NEXT_COLUMNS = 100
# With a greater share of open deployments than this, all are measured.
MOSTLY = 0.9
# Columns of one site that are priced in at one time.
FEW_OF_A_SITE = 1
# A column of more than this is used by a relaxed point.
IN_USE = 2e-3
# Digits after the point of relaxed points, as the proof keeps them.
DIGITS = 7
# A relaxation may end when it is this accurate as a share of what is left to the target: at the root, at other nodes.
ROOT_SHARE, SHARE = 0.02, 0.3


class Relaxing:
    """Relaxations of one problem, whose rows may be joined by those of cliques and of the sides of a node."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.cliques = [Cliques(e, np.ones(problem.width)) for e in problem.program.exclusions]
        self.choices = Choices(problem)
        self._occupancy_rows = _occupancy_rows(problem)
        self.sites = _sites(problem)

    def first_active(self, lower: Floats, upper: Floats, best: Floats | None) -> Bools:
        """Return the columns that the first relaxation looks at: all, or those that promise most.

        `best` (program columns,) is the best known layout.
        """
        problem = self.problem
        n = problem.deployments
        active = upper > lower
        if int(active[:n].sum()) <= FIRST_COLUMNS:
            return active
        y = np.zeros(problem.width)
        if best is not None:
            y[: best.size] = best
        slopes = self.measure(y)
        worth = -(first_theta(problem.criterion.weights) @ slopes.gradient)[:n]
        price = np.maximum(problem.program.cost[:n], 1)
        order = np.lexsort((np.arange(n), -worth / price))
        # The best of every site first, then the second best of each, so that every place has its say.
        turn = np.zeros(n, dtype=np.int64)
        seen: dict[int, int] = {}
        for column in order.tolist():
            site = int(self.sites[column])
            turn[column] = seen.get(site, 0)
            seen[site] = turn[column] + 1
        place = np.empty(n, dtype=np.int64)
        place[order] = np.arange(n)
        rank = np.empty(n, dtype=np.int64)
        rank[np.lexsort((place, turn))] = np.arange(n)
        few = rank < FIRST_COLUMNS
        if best is not None:
            few |= best[:n] > 0.5
        active[:n] &= few
        return self.with_blocks(active, upper > lower)

    def with_blocks(self, active: Bools, free: Bools) -> Bools:
        """Return active columns with the occupancies of exactly the blocks that active deployments use."""
        problem = self.problem
        out = active.copy()
        begin = problem.deployments + problem.auxiliary
        for block in problem.criterion.blocks:
            count = block_count(block)
            used = np.zeros(count, dtype=bool)
            mine = block[: problem.deployments]
            used[mine[(mine >= 0) & active[: problem.deployments]]] = True
            out[begin : begin + count] = used & free[begin : begin + count]
            begin += count
        return out

    def measure(self, y: Floats) -> Measured:
        """Measure all columns at a point over all columns; auxiliary columns have no slope."""
        problem = self.problem
        seen = problem.seen()
        measured = problem.criterion.measure(y[seen])
        return measured if problem.auxiliary == 0 else _scattered(measured, seen, problem.width)

    def _measure_open(self, y: Floats, upper: Floats, criterion: Criterion) -> Measured:
        """Measure the columns that are open or that a point uses; those shut at 0 need no slope."""
        problem = self.problem
        n, a = problem.deployments, problem.auxiliary
        opened = np.flatnonzero((upper[:n] > 0.0) | (y[:n] > 0.0))
        if opened.size > MOSTLY * n:
            # A copy of their factors would cost more than the few that are shut.
            opened = np.arange(n)
        taken, kept = criterion.take(opened)
        where = np.concatenate([opened, n + a + kept])
        return _scattered(taken.measure(y[where]), where, problem.width)

    def rows_with(self, cliques: list[Ints], sides: tuple[Side, ...] = ()) -> Problem:
        """Return the problem with rows of cliques and the sides of a node as its last rows."""
        return self.problem.with_cliques(cliques).with_sides([(side.columns, side.sign, side.limit) for side in sides])

    def bound_at(
        self, point: Point, problem: Problem, lower: Floats, upper: Floats, criterion: Criterion | None = None
    ) -> tuple[float, Floats, Floats]:
        """Return bound, reduced costs and slopes over all columns at a point; `criterion` replaces the own one."""
        y = np.zeros(problem.width)
        y[point.columns] = point.y
        multipliers = spread(point, problem.limits.size)
        multipliers[self.choices.rows] = 0.0
        if self.choices.rows.size:
            prices = problem.cost + problem.matrix.T @ multipliers
            multipliers[self.choices.rows] = self.choices.multipliers(prices, lower, upper)
        measured, multipliers = steadied(
            self._measure_open(y, upper, criterion or problem.criterion),
            point.theta,
            problem.cost,
            problem.matrix,
            multipliers,
            self._occupancy_rows,
        )
        # An occupancy between its ends that the relaxation did not look at takes over its whole worth, too.
        there = np.flatnonzero((self._occupancy_rows >= 0) & (y < 1.0))
        there = there[multipliers[self._occupancy_rows[there]] == 0.0]
        multipliers[self._occupancy_rows[there]] = -(point.theta @ measured.gradient[:, there])
        weights = problem.criterion.weights
        bounded, reduced = bound(
            measured, weights, point.theta, problem.cost, problem.matrix, problem.limits, multipliers, lower, upper
        )
        return bounded, reduced, point.theta @ measured.gradient

    def sharpened(self, point: Point, reduced: Floats, lower: Floats, upper: Floats) -> Point:
        """Return a point with the best multipliers of the rows by which at most one deployment of a site may stand.

        Given all other multipliers, a bound rises with such a row's until all but the least reduced cost of the site is
        above 0, and falls when the last one is. `reduced` (columns,) are those at the point.
        """
        n = self.problem.deployments
        told = np.zeros(self.problem.limits.size)
        known = point.rows < told.size
        told[point.rows[known]] = point.multipliers[known]
        mine = np.flatnonzero((self.sites >= 0) & (upper[:n] > 0.5))
        if mine.size == 0:
            return point
        mine = mine[np.lexsort((reduced[mine], self.sites[mine]))]
        rows, begin = np.unique(self.sites[mine], return_index=True)
        least = reduced[mine[begin]] - told[rows]
        after = np.append(mine[1:], mine[0])[begin]
        several = np.diff(np.append(begin, mine.size)) > 1
        second = np.where(several, reduced[after] - told[rows], np.inf)
        best = np.clip(told[rows], np.maximum(-second, 0.0), np.maximum(-least, 0.0))
        stands = np.bincount(np.searchsorted(rows, self.sites[mine]), weights=lower[mine], minlength=rows.size) > 0.5
        best = np.where(stands, told[rows], best)
        if not np.any(best != told[rows]):
            return point
        told[rows] = best
        used = np.flatnonzero(told)
        return replace(
            point,
            rows=np.concatenate([used, point.rows[~known]]),
            multipliers=np.concatenate([told[used], point.multipliers[~known]]),
        )

    def lacking(self, reduced: Floats, active: Bools, lower: Floats, upper: Floats) -> tuple[Ints, float]:
        """Return deployments (m,) that are not active but promise a lower value, best first, and what they may lose.

        At most one of a site can stand, so that the best of each site counts, and few of each are told.
        """
        n = self.problem.deployments
        missing = np.flatnonzero((reduced[:n] < 0.0) & ~active[:n] & (upper[:n] > lower[:n]))
        missing = missing[np.lexsort((reduced[missing], self.sites[missing]))]
        _, begin, count = np.unique(self.sites[missing], return_index=True, return_counts=True)
        loss = -float(reduced[missing[begin]].sum())
        few = np.arange(missing.size) - np.repeat(begin, count) < FEW_OF_A_SITE
        missing = missing[few]
        return missing[np.argsort(reduced[missing], kind="stable")], loss

    def relax(
        self,
        problem: Problem,
        lower: Floats,
        upper: Floats,
        active: Bools,
        start: tuple[Floats, Floats, Floats] | None,
        sides: int,
        target: float,
    ) -> tuple[Relaxed, Point] | None:
        """Solve a relaxation over active columns, the other free ones at their lower bounds.

        A bound of `target` is enough. What is returned gives for sums of all columns, but its y and rows are those of
        the active ones.
        """
        n, a = problem.deployments, problem.auxiliary
        free = np.flatnonzero(active & (upper > lower))
        stands = np.flatnonzero(lower[:n] > 0.5)
        deployments = np.union1d(free[free < n], stands)
        criterion, kept = problem.criterion.take(deployments)
        occupancies = n + a + kept
        # Occupied for certain: blocks of deployments that stand; their occupancy is fixed at 1.
        columns = np.concatenate([deployments, occupancies])
        inner_low, inner_high = lower[columns], upper[columns]
        free_inner = inner_high > inner_low
        wanted = np.zeros(problem.width, dtype=bool)
        wanted[deployments] = True
        owners, single, several = self._open_ways(problem, wanted, lower, upper, start)
        aux = np.flatnonzero((upper > lower) & active)
        aux = aux[(aux >= n) & (aux < n + a)]
        aux = np.union1d(np.setdiff1d(aux, self.choices.ways), several[upper[several] > lower[several]])
        every = np.concatenate([columns[free_inner], aux]).astype(np.int64)
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
        # The one way of a deployment that stands is taken, that of a free one goes with it.
        offset[single[lower[owners] > 0.5]] = 1.0
        owners, single = owners[lower[owners] < 0.5], single[lower[owners] < 0.5]
        place = np.full(problem.width, -1)
        place[every] = np.arange(every.size)
        join = sp.csr_array(
            (
                np.ones(every.size + single.size),
                (np.concatenate([every, single]), np.concatenate([np.arange(every.size), place[owners]])),
            ),
            shape=(problem.width, every.size),
        )
        part = sp.csr_array(problem.matrix @ join)
        part.eliminate_zeros()
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
        task = Task(
            measure,
            problem.criterion.weights,
            np.asarray(problem.cost @ join),
            sp.csr_array(part[rows]),
            limits[rows],
            lower[every],
            upper[every],
            occupancy,
            enough=target - constant,
            gap_share=ROOT_SHARE if sides == 0 else SHARE,
        )
        try:
            relaxed = solve_relaxation(task, begun)
        except np.linalg.LinAlgError:
            return None
        y = np.where(offset > lower, offset, lower)
        # Points are kept short, and whoever checks the proof starts from the same digits.
        y[every] = np.round(relaxed.y, DIGITS)
        y[single] = y[owners]
        y = np.round(occupied(problem, y), DIGITS)
        used = np.flatnonzero(y > 0.0)
        multipliers = np.zeros(problem.limits.size)
        multipliers[rows] = relaxed.rows
        multipliers[self.choices.rows] = 0.0
        wide = replace(relaxed, give=lambda sums: relaxed.give(sums[:, every]))
        return wide, Point(used, y[used], relaxed.theta, *split_multipliers(multipliers, sides))

    def _open_ways(
        self,
        problem: Problem,
        wanted: Bools,
        lower: Floats,
        upper: Floats,
        start: tuple[Floats, Floats, Floats] | None,
    ) -> tuple[Ints, Ints, Ints]:
        """Return owners with their one open way, and the open ways of the other wanted deployments (columns,)."""
        if self.choices.rows.size == 0:
            nothing = np.empty(0, dtype=np.int64)
            return nothing, nothing, nothing
        multipliers = np.zeros(problem.limits.size) if start is None else start[2].copy()
        multipliers[self.choices.rows] = 0.0
        self.choices.widen(problem.cost + problem.matrix.T @ multipliers, wanted, lower, upper)
        return self.choices.joined(wanted, lower, upper)

    def better_ways(self, y: Floats, reduced: Floats, active: Bools, lower: Floats, upper: Floats) -> float:
        """Open ways that are cheaper than the open ones of active deployments; return what that may be worth at y."""
        if self.choices.rows.size == 0:
            return 0.0
        wanted = (active & (upper > lower)) | (lower > 0.5)
        worth = float(self.choices.widen(reduced, wanted, lower, upper) @ y[self.choices.owner])
        self.choices.close(y, reduced, upper)
        return worth

    def interesting(self, y: Floats, reduced: Floats, free: Bools) -> Bools:
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

    def infeasible(
        self, problem: Problem, lower: Floats, upper: Floats, sides: int, target: float, seconds: float | None
    ) -> Point | None:
        """Return multipliers that prove that no point keeps the rows, None if some point does.

        The least t with rows . y <= limits + t is above 0; its multipliers, made large, lift any bound above `target`.
        """
        columns = np.flatnonzero(upper > lower)
        part = sp.csr_array(problem.matrix[:, columns])
        limits = problem.limits - problem.matrix @ lower + part @ lower[columns]
        rows = np.flatnonzero(part.maximum(0) @ upper[columns] + part.minimum(0) @ lower[columns] > limits + 1e-9)
        slack = sp.csr_array(-np.ones((rows.size, 1)))
        wide = sp.csr_array(sp.hstack([sp.csr_array(part[rows]), slack]))
        solver = Solver(
            np.append(np.zeros(columns.size), 1.0),
            np.append(lower[columns], 0.0),
            np.append(upper[columns], 1e6),
            Rows(wide, np.full(rows.size, -np.inf), limits[rows]),
            maximise=False,
        )
        result = solver.solve_lp(seconds)
        if result.status != "optimal" or result.point[-1] < 1e-7:
            return None
        multipliers = np.zeros(problem.limits.size)
        multipliers[rows] = np.maximum(-result.duals, 0.0)
        t = problem.criterion.weights.kappa.size
        none = Point(np.empty(0, dtype=np.int64), np.empty(0), np.zeros(t), *split_multipliers(multipliers, sides))
        plain = self.bound_at(none, problem, lower, upper)[0] - float(
            np.minimum(problem.cost * lower, problem.cost * upper).sum()
        )
        if plain <= 0.0:
            return None
        size = abs(target) if np.isfinite(target) else 1.0
        wanted = 2.0 * size + float(np.abs(problem.cost * upper).sum()) + 1.0
        return Point(
            none.columns, none.y, none.theta, none.rows, none.multipliers * wanted / plain, none.local * wanted / plain
        )

    def fixed(
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


def _scattered(measured: Measured, where: Ints, width: int) -> Measured:
    """Return what was measured of some columns as that of all; the others have no slope."""
    gradient = np.zeros((measured.values.size, width))
    gradient[:, where] = measured.gradient

    def idle(weights: Floats, prices: Floats) -> tuple[Floats, Ints]:
        inner, columns = measured.idle(weights, prices[where])
        out = np.zeros_like(gradient)
        out[:, where] = inner
        return out, where[columns]

    return Measured(measured.values, gradient, measured.constants, measured.curvature, idle)


def breaks(problem: Problem, point: Point) -> float:
    """Return by how much a point breaks the rows at most."""
    return float((problem.matrix[:, point.columns] @ point.y - problem.limits).max(initial=0.0))


def first_theta(weights: Weights) -> Floats:
    """Return multipliers (T,) to begin with: every value counts fully, limits relative to their size."""
    hard = np.isinf(weights.kappa)
    gamma = np.where(weights.always, 1.0, weights.gamma)
    return np.asarray(np.where(hard, 1.0 / np.maximum(np.abs(gamma), 1e-300), weights.kappa))


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


def _sites(problem: Problem) -> Ints:
    """Return (deployments,) a number that deployments share of which at most one may stand, by rows of the program."""
    n = problem.deployments
    out = -1 - np.arange(n)
    matrix = problem.matrix
    for row in np.flatnonzero(problem.limits == 1.0):
        columns = matrix.indices[matrix.indptr[row] : matrix.indptr[row + 1]]
        if np.all(matrix.data[matrix.indptr[row] : matrix.indptr[row + 1]] == 1.0) and np.all(columns < n):
            fresh = columns[out[columns] < 0]
            out[fresh] = row
    return out
