"""Rows "a deployment is at most the sum of its ways": their best multipliers, and which ways a relaxation looks at.

A way is an auxiliary column that no other row asks for. Given the multipliers of all other rows, the best one of such a
row is the least reduced cost among its ways, since the bound grows with it until there and no further. So most
ways never enter a relaxation: a deployment with one open way is joined with it into one column.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.problem import Problem

# A way that is cheaper than the open ones by less than this, relative, is left shut.
CHEAPER = 1e-9
# A way that a relaxed point uses by no more than this may be shut.
LITTLE = 1e-3


class Choices:
    """Rows (Q,) by which deployments `owner` (Q,) choose among two ways or more, and the ways open so far.

    `ways` (W,) are columns, row by row; those of row q are `ways[first[q]:first[q + 1]]`.
    """

    def __init__(self, problem: Problem) -> None:
        n, every = problem.deployments, len(problem.program.names)
        matrix = problem.matrix[: problem.program_rows]
        aux = sp.csr_array(matrix[:, n:every])
        asked = np.asarray((aux < 0).sum(axis=0)).ravel()
        rows, owner, ways = [], [], []
        for row in problem.level_rows.tolist():
            span = slice(matrix.indptr[row], matrix.indptr[row + 1])
            columns, data = matrix.indices[span], matrix.data[span]
            mine, others = columns[data > 0.0], columns[data < 0.0]
            plain = mine.size == 1 and mine[0] < n and bool(np.all(np.abs(data) == 1.0)) and others.size > 1
            if plain and np.all((others >= n) & (others < every)) and np.all(asked[others - n] == 1):
                rows.append(row)
                owner.append(int(mine[0]))
                ways.append(np.sort(others))
        self.rows = np.array(rows, dtype=np.int64)
        self.owner = np.array(owner, dtype=np.int64)
        self.first = np.concatenate([[0], np.cumsum([one.size for one in ways])]).astype(np.int64)
        self.ways = np.concatenate([np.empty(0, dtype=np.int64), *ways]).astype(np.int64)
        self.row_of = np.repeat(np.arange(self.rows.size), np.diff(self.first))
        self.open = np.zeros(self.ways.size, dtype=bool)
        level = sp.csc_array(matrix[problem.level_rows])
        uses = sp.csr_array((level[:, self.ways] > 0).T.astype(float) @ (level < 0).astype(float))
        self._needs = [uses.indices[a:b].astype(np.int64) for a, b in pairwise(uses.indptr)]

    def multipliers(self, prices: Floats, lower: Floats, upper: Floats) -> Floats:
        """Return the best multipliers (Q,) where columns have reduced costs `prices` without these rows."""
        if self.rows.size == 0:
            return np.zeros(0)
        taken = lower[self.ways] > 0.5
        least = self._least(np.where(upper[self.ways] > 0.5, prices[self.ways], np.inf))
        stands = np.logical_or.reduceat(taken, self.first[:-1])
        return np.where(stands | ~np.isfinite(least), 0.0, np.maximum(least, 0.0))

    def _least(self, values: Floats) -> Floats:
        return np.asarray(np.minimum.reduceat(values, self.first[:-1]))

    def widen(self, prices: Floats, wanted: Bools, lower: Floats, upper: Floats) -> Floats:
        """Open the cheapest way of each wanted deployment (columns,) if it is cheaper than those open.

        Returns by how much (Q,), 0 where nothing was opened or nothing had been open.
        """
        if self.rows.size == 0:
            return np.zeros(0)
        usable = upper[self.ways] > 0.5
        self.open |= lower[self.ways] > 0.5
        every = np.where(usable, prices[self.ways], np.inf)
        best, known = self._least(every), self._least(np.where(self.open, every, np.inf))
        with np.errstate(invalid="ignore"):
            gain = known - best
            better = wanted[self.owner] & np.isfinite(best) & ~(gain <= CHEAPER * (1.0 + np.abs(best)))
        for q in np.flatnonzero(better).tolist():
            span = slice(int(self.first[q]), int(self.first[q + 1]))
            self.open[span.start + int(np.argmin(every[span]))] = True
        return np.where(better & np.isfinite(gain), gain, 0.0)

    def close(self, y: Floats, prices: Floats, upper: Floats) -> None:
        """Shut the ways that a point hardly uses, but for the cheapest one of each deployment."""
        if self.rows.size == 0:
            return
        every = np.where(upper[self.ways] > 0.5, prices[self.ways], np.inf)
        cheapest = every <= self._least(every)[self.row_of]
        self.open &= cheapest | (y[self.ways] > LITTLE)

    def joined(self, wanted: Bools, lower: Floats, upper: Floats) -> tuple[Ints, Ints, Ints]:
        """Return (owners, ways) of wanted deployments with one open way, and the open ways of all others wanted."""
        usable = self.open & (upper[self.ways] > 0.5) & wanted[self.owner][self.row_of]
        counts = np.bincount(self.row_of[usable], minlength=self.rows.size)
        single = usable & (counts == 1)[self.row_of] & (lower[self.ways] < 0.5)
        return self.owner[self.row_of[single]], self.ways[single], self.ways[usable & ~single]

    def preferred(self, prices: Floats, upper: Floats, best: Floats | None) -> dict[int, Ints]:
        """Return by deployment the way that is best at `prices` (columns,), or taken by the best layout, and its needs.

        A way needs the columns that stand against it in rows "way at most what it uses".
        """
        if self.rows.size == 0:
            return {}
        every = np.where(upper[self.ways] > 0.5, prices[self.ways], np.inf)
        if best is not None:
            every = np.where(best[self.ways] > 0.5, -np.inf, every)
        first = np.lexsort((self.ways, every, self.row_of))[self.first[:-1]]
        return {
            owner: np.append(self.ways[place], self._needs[place])
            for owner, place in zip(self.owner.tolist(), first.tolist(), strict=True)
        }

    def idle(self, shut: Bools) -> Ints:
        """Return the ways of deployments (columns,) that are shut."""
        return self.ways[shut[self.owner][self.row_of]]
