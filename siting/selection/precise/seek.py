"""Whole layouts for a search: a first one, others by tangent planes, near a relaxed point, and by stirring."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.exchanging import Exchange
from siting.selection.precise.layouts import LocalSearch, completed, linear_layout
from siting.selection.precise.ledger import Ledger
from siting.selection.precise.outer import layout_of_cuts
from siting.selection.precise.problem import occupied
from siting.selection.precise.relaxing import IN_USE, Relaxing, first_theta
from siting.selection.precise.stirring import Stirring
from siting.selection.precise.supports import Supports

# Deployments among which a first layout is chosen, and those among which layouts are improved later.
POOL, STIRRED = 250, 100
# Rounds of random changes without a better layout after which they end: usually, and while the gap is large.
ROUNDS, MORE_ROUNDS, LARGE_GAP = 10, 30, 0.15
# As much as this a deployment counts that the relaxed point does not use, when one is drawn.
UNUSED = 0.02
# Deployments that tangent planes may choose from, planes that are kept from one call to the next, and programs of
# them in a row without a better layout after which they end.
OUTER, KEPT_CUTS, OUTER_ROUNDS = 160, 16, 3
# A deployment with more than this of a relaxed point stands in the layout that is made from it.
ROUNDED_UP = 0.3


class Seeker:
    """Looks for whole layouts of the problem that a `Relaxing` works on; what it finds goes to the ledger.

    `lift` turns a point of the problem's program into (its point, its value) in the whole program, None if
    that refuses it. `cliques` are rows that the search has found so far; `best` (program columns,) is the best layout.
    """

    def __init__(
        self,
        relaxing: Relaxing,
        ledger: Ledger,
        lift: Callable[[Floats], tuple[Floats, float] | None],
        cliques: list[Ints],
    ) -> None:
        self._relaxing = relaxing
        self._problem, self._ledger = relaxing.problem, ledger
        self._lift, self._cliques = lift, cliques
        self.best: Floats | None = None
        self._supports = Supports(self._problem)
        self._cuts: list[tuple[Floats, Floats]] = []
        # The layout around which several changes at once were looked for last.
        self._exchanged: Floats | None = None

    def first(self, lower: Floats, upper: Floats) -> None:
        """Reach a first layout: greedy choice from what is required, else an integer program of the first slopes."""
        problem = self._problem
        n, every = problem.deployments, len(problem.program.names)
        y = np.zeros(problem.width)
        y[problem.lower > 0.0] = problem.lower[problem.lower > 0.0]
        slopes = self._relaxing.measure(y)
        worth = -(first_theta(problem.criterion.weights) @ slopes.gradient)
        free = np.flatnonzero(upper[:n] > lower[:n])
        must = np.flatnonzero(lower[:n] > 0.5)
        # Half of the pool by worth alone, half by worth for the money: where prices differ much, few of the one are
        # among the other.
        price = np.maximum(problem.program.prices.astype(float), 1.0)
        half = POOL // 2
        pool = np.union1d(must, free[np.argsort(-worth[free], kind="stable")[:half]])
        pool = np.union1d(pool, free[np.argsort(-(worth[:n] / price)[free], kind="stable")[:half]])
        search = self._local(pool)
        picked = search.filled(np.isin(pool, must))
        point = completed(problem, pool[picked], self._ledger.left()) if search.keeps(picked) else None
        if not self._accept(point):
            cost = problem.cost[:every].copy()
            cost[:n] -= (
                worth[:n] / max(float(np.abs(worth[:n]).max(initial=0.0)), 1e-300) * (1.0 if not cost.any() else 0.0)
            )
            point = linear_layout(problem.with_cliques(self._cliques), cost, seconds=self._ledger.left())
            if point is None and self._relaxing.cliques:
                every_one = np.arange(n)
                self._cliques += [row for cliques in self._relaxing.cliques for row in cliques.cover(every_one)]
                point = linear_layout(problem.with_cliques(self._cliques), cost, seconds=self._ledger.left())
            if not self._accept(point):
                return
        if self.best is not None:
            chosen = np.flatnonzero(self.best[:n] > 0.5)
            pool = np.union1d(chosen, pool)
            self._improve(self._local(pool), np.isin(pool, chosen))

    def _improve(self, search: LocalSearch, picked: Bools, held: Bools | None = None, passes: int = 6) -> None:
        better = search.improved(picked, held, passes)
        if search.keeps(better):
            self.took(search.pool[better])

    def took(self, picked: Ints) -> bool:
        """Complete a layout of picked deployments and offer it; say whether it is the best so far."""
        return self._accept(completed(self._problem, picked, self._ledger.left()))

    def _accept(self, point: Floats | None) -> bool:
        """Take a layout (program columns,) if it keeps every rule and is the best so far."""
        lifted = None if point is None else self._lift(point)
        if lifted is None or not self._ledger.offer(*lifted):
            return False
        self.best = point
        return True

    def stir(self, y: Floats, reduced: Floats) -> None:
        """Look for better layouts around the best one at random, until many rounds have found none."""
        n = self._problem.deployments
        if self.best is None or n == 0:
            return
        slopes = first_theta(self._problem.criterion.weights) @ self._relaxing.measure(y).gradient
        chosen = np.flatnonzero(self.best[:n] > 0.5)
        pool = np.union1d(_promising(y, reduced, np.arange(n)), chosen)
        promise = np.maximum(y[pool], UNUSED) * np.maximum(-slopes[pool], 0.0)
        stirring = Stirring(
            lambda: self._local(pool, reduced),
            self._problem.lower[pool] > 0.5,
            y[pool] > IN_USE,
            promise,
            self._supports,
            self.took,
            lambda: self.best,
            np.random.default_rng([self._ledger.limits.seed, self._ledger.processed]),
        )
        rounds = ROUNDS if self._ledger.gap < LARGE_GAP else MORE_ROUNDS
        stirring.run(rounds, lambda: self._ledger.stopped() is not None)

    def exchange(self, y: Floats, reduced: Floats) -> None:
        """Better the best layout by several changes at once, such as a site that opens sooner for one that opens later.

        This goes on while it finds something; a layout is looked at once.
        """
        n, place = self._problem.deployments, self._relaxing.sites
        while self.best is not None and self.best is not self._exchanged and self._ledger.stopped() is None:
            self._exchanged = self.best
            promising = _promising(y, reduced, np.arange(n))
            chosen = np.flatnonzero(self.best[:n] > 0.5)
            pool = np.union1d(np.flatnonzero(np.isin(place, place[chosen])), np.union1d(chosen, promising))
            search = self._local(pool, reduced)
            exchange = Exchange(search, np.isin(pool, chosen), self._problem.lower[pool] > 0.5, place[pool])
            for changes in (1, 2, 3):
                better = exchange.better(changes, partial(self._stand, pool))
                if any(self.took(pool[layout]) for layout in better):
                    break

    def _stand(self, pool: Ints, layouts: Bools) -> Bools:
        """Say which layouts (m, p) have what their other columns stand on."""
        return np.asarray(self._supports.lacks(pool, layouts) <= 0.0)

    def outer(self, y: Floats, reduced: Floats, theta: Floats, lower: Floats, upper: Floats) -> None:
        """Look for layouts by tangent planes at a relaxed point, at the best layout and at those found so.

        `reduced` (columns,) are the reduced costs of the relaxation and `theta` (T,) its multipliers of the targets.
        """
        problem = self._relaxing.rows_with(self._cliques)
        n = problem.deployments
        cost = np.where(y[:n] > IN_USE, -1e9 * y[:n], np.maximum(reduced[:n], 0.0))
        keep = np.ones(problem.width, dtype=bool)
        keep[:n] = False
        keep[np.argsort(cost, kind="stable")[:OUTER]] = True
        if self.best is not None:
            keep[:n] |= self.best[:n] > 0.5
        keep[self._relaxing.choices.idle(~keep)] = False
        keep &= upper > lower
        chosen = np.flatnonzero(keep[:n] | (lower[:n] > 0.5))
        problem = problem.with_cliques([row for cliques in self._relaxing.cliques for row in cliques.cover(chosen)])
        theta = np.maximum(theta, 1e-3 * first_theta(problem.criterion.weights))
        places = [y] + ([] if self.best is None else [occupied(problem, self.best)])
        cuts = self._cuts[-KEPT_CUTS:] + [self._cut(place, theta) for place in places]
        self._cuts = cuts
        pool = np.argsort(cost, kind="stable")[:STIRRED]
        seen: set[bytes] = set()
        failed = 0
        while failed < OUTER_ROUNDS and self._ledger.stopped() is None:
            layout = layout_of_cuts(problem, cuts, lower, upper, keep, self._ledger.left())
            if layout is None or layout.tobytes() in seen:
                # Its own plane is among the others: they know nothing better.
                return
            seen.add(layout.tobytes())
            cuts.append(self._cut(occupied(problem, layout), theta))
            chosen = np.flatnonzero(layout[:n] > 0.5)
            failed += 1
            if self.took(chosen):
                failed = 0
                wide = np.union1d(pool, chosen)
                held = self._problem.lower[wide] > 0.5
                self._improve(self._local(wide, reduced), np.isin(wide, chosen), held, 1)

    def _cut(self, y: Floats, theta: Floats) -> tuple[Floats, Floats]:
        measured = self._relaxing.measure(y)
        gradient, _ = measured.idle(theta, np.zeros(y.size))
        return measured.constants, gradient

    def _local(self, pool: Ints, reduced: Floats | None = None) -> LocalSearch:
        exclusions = self._problem.program.exclusions
        clash: Bools | None = None
        if exclusions:
            clash = np.zeros((pool.size, pool.size), dtype=bool)
            for exclusion, cliques in zip(exclusions, self._relaxing.cliques, strict=True):
                node = np.full(self._problem.width, -1)
                node[exclusion.columns] = exclusion.node
                mine = node[pool]
                seen = np.unique(mine[mine >= 0])
                for one, near in zip(seen, cliques.near(seen), strict=True):
                    clash[np.ix_(mine == one, np.isin(mine, near) & (mine >= 0) & (mine != one))] = True
        if reduced is None:
            return LocalSearch(self._problem, pool, clash)
        ways = self._relaxing.choices.preferred(reduced, self._problem.upper, self.best)
        return LocalSearch(self._problem, pool, clash, ways)

    def near(self, y: Floats, reduced: Floats, lower: Floats, upper: Floats) -> None:
        """Look for a layout near a relaxed point: round it up, fill it up, swap."""
        n = self._problem.deployments
        free = np.flatnonzero(upper[:n] > lower[:n])
        pool = np.union1d(_promising(y, reduced, free), np.flatnonzero(lower[:n] > 0.5))
        search = self._local(pool, reduced)
        picked = np.zeros(pool.size, dtype=bool)
        for position in np.argsort(-y[pool], kind="stable"):
            if y[pool[position]] < ROUNDED_UP:
                break
            if search.fits(picked)[position]:
                picked[position] = True
        picked, held = self._supports.mended(search, picked, lower[pool] > 0.5, y[pool])
        self._improve(search, picked, held, 1)


def _promising(y: Floats, reduced: Floats, deployments: Ints) -> Ints:
    """Return the deployments among some that a relaxed point uses most, then those of least reduced cost."""
    promise = np.where(y[deployments] > 1e-3, 1e9 * y[deployments], -reduced[deployments])
    return np.asarray(deployments[np.argsort(-promise, kind="stable")[:STIRRED]])
