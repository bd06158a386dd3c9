"""Whole layouts on the way: a first one that keeps the rules, and additions, removals and swaps that improve it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.selection.highs import Solver
from siting.selection.precise.criteria import LogDeterminant, Variances
from siting.selection.precise.information import block_count, evaluate, lowered
from siting.selection.precise.problem import ROUNDING, Problem
from siting.selection.precise.swapping import Swaps
from siting.selection.rows import Rows

BETTER = 1e-10
MOST_PASSES = 6
# The share of its weight with which a target that is met counts when deployments have to leave.
MET = 0.01


def least_gain(now: float) -> float:
    """Return by how much a layout has to be better than another one that is worth `now`: by more than rounding."""
    return BETTER * max(1.0, abs(now))


class LocalSearch:
    """Improves layouts over a pool of deployments.

    Auxiliary columns that picked deployments bring with them are 1 and load their rows; all others stand where they
    help each row most.
    """

    def __init__(
        self, problem: Problem, pool: Ints, clash: Bools | None, brings: Mapping[int, Ints] | None = None
    ) -> None:
        """`clash` (pool, pool) says which may not stand together, `brings` replaces the defaults of deployments."""
        self.pool, self._clash = pool, clash
        criterion, _ = problem.criterion.take(pool)
        self.criterion = criterion
        self.cost = problem.cost[pool]
        n, a = problem.deployments, problem.auxiliary
        every = problem.matrix
        aux = sp.csr_array(every[:, n : n + a])
        low, high = problem.lower[n : n + a], problem.upper[n : n + a]
        help_of = aux.maximum(0) @ low + aux.minimum(0) @ high if a else np.zeros(every.shape[0])
        # Rows of occupancies hold for every layout.
        own = np.diff(sp.csr_array(every[:, n + a :]).indptr) == 0
        part = sp.csr_array(every[:, pool])
        room = problem.limits - help_of
        brought, self._brings = _brought(problem, pool, brings or {})
        burden = sp.csr_array(every[:, brought]).maximum(0)
        reach = part.maximum(0).sum(axis=1) + burden.sum(axis=1)
        rows = np.flatnonzero(own & (reach > room + ROUNDING))
        self._columns = part[rows].toarray()
        self._burden, self._burden_cost = burden[rows].toarray(), problem.cost[brought]
        self.room = room[rows] + ROUNDING * (1.0 + np.abs(problem.limits[rows]))
        self._price = float(np.abs(problem.cost).sum()) + 1.0

    def _brought(self, picked: Bools) -> Bools:
        """Return which default columns a layout brings with it."""
        return np.asarray(self._brings[picked].any(axis=0))

    def load(self, picked: Bools) -> Floats:
        """Return what a layout and its defaults put on each row."""
        return np.asarray(self._columns @ picked.astype(float) + self._burden @ self._brought(picked).astype(float))

    def cost_of(self, picked: Bools) -> float:
        """Return the linear cost of a layout and its defaults."""
        return float(self.cost[picked].sum() + self._burden_cost @ self._brought(picked))

    def cost_with(self, picked: Bools, add: Ints) -> Floats:
        """Return the linear cost (m,) of a layout with one more deployment."""
        more = (self._brings[add] & ~self._brought(picked)) @ self._burden_cost
        return np.asarray(self.cost_of(picked) + self.cost[add] + more)

    def more(self, picked: Bools) -> Floats:
        """Return (rows, pool) what each deployment would put on the rows beside a layout."""
        return np.asarray(self._columns + self._burden @ (self._brings & ~self._brought(picked)).T)

    def fits(self, picked: Bools) -> Bools:
        """Return the mask of the pool's deployments that may be added; a broken row may only be made better."""
        more = self.more(picked)
        after = self.load(picked)[:, None] + more
        worse = (after > self.room[:, None]) & (more > 0.0)
        out = ~worse.any(axis=0) & ~picked
        if self._clash is not None:
            out &= ~self._clash[:, picked].any(axis=1)
        return np.asarray(out)

    def keeps(self, picked: Bools) -> bool:
        """Say whether a layout keeps all rows."""
        held = bool(np.all(self.load(picked) <= self.room))
        return held and (self._clash is None or not self._clash[np.ix_(picked, picked)].any())

    def values(self, picked: Bools, add: Ints | None = None) -> tuple[Floats, Floats]:
        """Return the values (T,) of a layout and those (m, T) with one more deployment."""
        criterion = self.criterion
        z = picked.astype(float)
        add = np.empty(0, dtype=np.int64) if add is None else add
        if isinstance(criterion, LogDeterminant):
            k = criterion.common.shape[2]
            flat = criterion.common[picked].reshape(-1, k)
            lower = np.linalg.cholesky(np.eye(k) + flat.T @ flat)
            half = np.linalg.solve(lower, criterion.common[add].swapaxes(1, 2))
            more = np.linalg.slogdet(np.eye(half.shape[2]) + half.swapaxes(1, 2) @ half)[1]
            base = -2.0 * np.log(np.diag(lower)).sum()
            return np.array([base]), (base - more)[:, None]
        assert isinstance(criterion, Variances)
        here, there = [], []
        for part in criterion.parts:
            at = evaluate(part, z, np.ones(part.blocks))
            here.append(at.values)
            there.append(at.values - lowered(part, at, add))
        return np.concatenate(here), np.concatenate(there, axis=1)

    def changes(self, picked: Bools) -> Callable[[int], tuple[Floats, Floats]]:
        """Return what tells how a layout's values move as one deployment leaves, -1 for none.

        It gives (T,) for the loss alone and (pool, T) with each deployment that comes for it.
        """
        criterion = self.criterion
        if isinstance(criterion, Variances):
            swaps = [Swaps(part, picked) for part in criterion.parts]

            def told(out: int) -> tuple[Floats, Floats]:
                if out < 0:
                    return np.zeros(criterion.weights.kappa.size), np.concatenate([s.joined for s in swaps], axis=1)
                alone, both = zip(*(s.left(out) for s in swaps), strict=True)
                return np.concatenate(alone), np.concatenate(both, axis=1)

            return told
        base, _ = self.values(picked)
        every = np.arange(picked.size)

        def worked_out(out: int) -> tuple[Floats, Floats]:
            without = picked & (every != out)
            here, there = self.values(without, every)
            return here - base, there - base

        return worked_out

    def merit(self, values: Floats, cost: Floats) -> Floats:
        """Return what is made small for layouts with values (m, T) and linear cost (m,); a broken limit costs most."""
        weights = self.criterion.weights
        hard = np.isinf(weights.kappa)
        above = weights.above(values)
        out = cost + above @ np.where(hard, 0.0, weights.kappa)
        if hard.any():
            out = out + self._price * (above[:, hard] / np.abs(weights.gamma[hard])).sum(axis=1)
            out = out + np.where((above[:, hard] > 0.0).any(axis=1), self._price, 0.0)
        return np.asarray(out)

    def filled(self, picked: Bools) -> Bools:
        """Add deployments, the most improvement a unit of the tightest row first, while one helps."""
        picked = picked.copy()
        alone = self._columns + self._burden @ self._brings.T
        spent = np.maximum(alone, 0.0) / np.maximum(self.room, 1e-12)[:, None]
        price = np.maximum(spent.max(axis=0, initial=1e-9), 1e-9)
        while True:
            add = np.flatnonzero(self.fits(picked))
            if add.size == 0:
                return picked
            here, there = self.values(picked, add)
            now = float(self.merit(here[None], np.array([self.cost_of(picked)]))[0])
            gain = now - self.merit(there, self.cost_with(picked, add))
            best = int(np.argmax(gain / price[add]))
            if not gain[best] > least_gain(now):
                return picked
            picked[add[best]] = True

    def thinned(self, picked: Bools, held: Bools) -> Bools:
        """Drop deployments, those first whose loss moves the values least a unit of relief, until the rows hold.

        `held` deployments stay; rows may still be broken where nothing else can leave.
        """
        picked = picked.copy()
        if self._clash is not None:
            picked &= held | ~self._clash[:, held].any(axis=1)
        while not self.keeps(picked):
            over = self.load(picked) > self.room
            relief = (np.maximum(self._columns[over], 0.0) / np.maximum(self.room[over], 1e-12)[:, None]).sum(axis=0)
            if self._clash is not None:
                relief += self._clash[:, picked].sum(axis=1)
            loose = np.flatnonzero(picked & ~held & (relief > 0.0))
            if loose.size == 0:
                break
            worth = self._slopes(picked)[loose] / relief[loose]
            picked[loose[np.argmin(worth)]] = False
        return picked

    def _slopes(self, picked: Bools) -> Floats:
        """Return (pool,) how fast what is made small falls with each deployment, at a layout."""
        blocks = sum(block_count(block) for block in self.criterion.blocks)
        measured = self.criterion.measure(np.concatenate([picked.astype(float), np.ones(blocks)]))
        weights = self.criterion.weights
        limited = self._price / np.maximum(np.abs(weights.gamma), 1e-300)
        price = np.where(np.isinf(weights.kappa), limited, weights.kappa)
        # A target that is met may be missed when more has left.
        price = np.where(weights.above(measured.values[None])[0] > 0.0, price, MET * price)
        return np.asarray(-(price @ measured.gradient)[: picked.size] - self.cost)

    def improved(self, picked: Bools, held: Bools | None = None, passes: int = MOST_PASSES) -> Bools:
        """Swap, drop and add until nothing improves; `held` deployments stay."""
        picked = self.filled(picked)
        for _ in range(passes):
            before = now = self.merit_of(picked)
            for out in np.flatnonzero(picked if held is None else picked & ~held):
                if not picked[out]:
                    continue
                without = picked.copy()
                without[out] = False
                add = np.flatnonzero(self.fits(without))
                here, there = self.values(without, add)
                merits = self.merit(there, self.cost_with(without, add))
                merits[add == out] = np.inf
                best = int(np.argmin(merits)) if merits.size else -1
                cost = np.array([self.cost_of(without)])
                dropped = float(self.merit(here[None], cost)[0]) if self.keeps(without) else np.inf
                step = least_gain(now)
                if best >= 0 and merits[best] < min(now - step, dropped):
                    trial = without.copy()
                    trial[add[best]] = True
                    if self.keeps(trial) or not self.keeps(picked):
                        picked = self.filled(trial)
                        now = self.merit_of(picked)
                elif dropped < now - step:
                    picked = self.filled(without)
                    now = self.merit_of(picked)
            if not now < before - least_gain(before):
                break
        return picked

    def merit_of(self, picked: Bools) -> float:
        """Return what is made small for one layout."""
        here, _ = self.values(picked)
        return float(self.merit(here[None], np.array([self.cost_of(picked)]))[0])


def _brought(problem: Problem, pool: Ints, brings: Mapping[int, Ints]) -> tuple[Ints, Bools]:
    """Return the columns (c,) that a pool's deployments bring with them, and (pool, c) who brings which."""
    nothing = np.empty(0, dtype=np.int64)
    lists = [brings.get(k, problem.program.defaults.get(k, nothing)) for k in pool.tolist()]
    columns = np.unique(np.concatenate([np.empty(0, dtype=np.int64), *lists]))
    who = np.array([np.isin(columns, one) for one in lists], dtype=bool).reshape(pool.size, columns.size)
    return columns, who


def completed(problem: Problem, picked: Ints, seconds: float | None = None) -> Floats | None:
    """Return program columns with picked deployments and auxiliary columns that keep the rows; None if none do."""
    program = problem.program
    n, every = program.deployments, len(program.names)
    point = program.lower.copy()
    point[picked] = 1.0
    if every == n:
        return point if not program.broken(point) else None
    return linear_layout(problem, np.where(np.arange(every) < n, 0.0, problem.cost[:every]), picked, seconds)


def linear_layout(
    problem: Problem, cost: Floats, picked: Ints | None = None, seconds: float | None = None, keep: Ints | None = None
) -> Floats | None:
    """Return program columns that keep all rows at least linear cost (columns,); None if there are none.

    `picked` fixes the deployments, `keep` leaves only some of them to be chosen.
    """
    program = problem.program
    n, every = program.deployments, len(program.names)
    n_own = np.flatnonzero(np.diff(sp.csr_array(problem.matrix[:, every:]).indptr) == 0)
    rows = sp.csr_array(problem.matrix[n_own][:, :every])
    lower, upper = program.lower.copy(), program.upper.copy()
    if keep is not None:
        shut = np.ones(n, dtype=bool)
        shut[keep] = False
        upper[:n][shut] = lower[:n][shut]
    if picked is not None:
        upper[:n] = 0.0
        lower[:n] = 0.0
        lower[picked] = upper[picked] = 1.0
    solver = Solver(
        cost[:every],
        lower,
        upper,
        Rows(rows, np.full(n_own.size, -np.inf), problem.limits[n_own]),
        maximise=False,
    )
    solver.make_integer(program.integer)
    # With the deployments decided the auxiliary columns are to be at their best.
    result = solver.solve_mip(gap=1e-3 if picked is None else 0.0, seconds=seconds)
    if result.point is None:
        return None
    point = np.where(program.integer, np.rint(result.point), result.point)
    return None if program.broken(point) else np.asarray(point)
