"""How the variances of a layout move as one deployment leaves and another comes, from one factorisation.

With H = L(z) of the layout, F_j the factor of what comes and F_i of what leaves, let C_j = I + F_j' H^-1 F_j and
E = C_j^-1/2 F_j' H^-1 F_i. With j the matrix that has to be inverted for i to leave is I - F_i' H^-1 F_i + E' E, no
larger than F_i has rows (the matrix inversion lemma, twice). So every swap costs a product of two small factors.
"""

from __future__ import annotations

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.information import Halves, Part, evaluate, halves_of

# Factors of more rows than this are worked out anew: the matrix to be inverted would be as large.
ROWS = 64


class Swaps:
    """Swaps, losses and additions around a layout `picked` (N,) of the columns of a part."""

    def __init__(self, part: Part, picked: Bools) -> None:
        """Factor the layout's information once; blocks count as whole ones."""
        self._part, self._picked = part, picked
        at = evaluate(part, picked.astype(float), np.ones(part.blocks))
        self.values = at.values
        self._halves: list[tuple[Ints, Halves]] = []
        # What each column would add to each other one, and (N, T) to the targets.
        self._comes: list[tuple[Floats, Floats, Floats]] = []
        self.joined = np.zeros((picked.size, at.values.size))
        for group in part.groups:
            halves = halves_of(part, at, group, np.arange(group.columns.size))
            root = np.linalg.cholesky(halves.own)
            rest = np.linalg.solve(root, halves.rest)
            self._halves.append((group.columns, halves))
            self._comes.append((np.linalg.solve(root, halves.common), np.linalg.solve(root, halves.local), rest))
            self.joined[group.columns] = -(rest * rest).sum(axis=1)

    def left(self, out: int) -> tuple[Floats, Floats]:
        """Return how the variances move if a picked column leaves: alone (T,), and as each column (N, T) comes."""
        for columns, halves in self._halves:
            at = np.flatnonzero(columns == out)
            if at.size:
                if halves.own.shape[1] > ROWS:
                    return self._anew(out)
                return self._left(halves, int(at[0]))
        return np.zeros(self.values.size), self.joined

    def _left(self, halves: Halves, at: int) -> tuple[Floats, Floats]:
        common, local, block, rest = halves.common[at], halves.local[at], int(halves.block[at]), halves.rest[at]
        # I - F_i' H^-1 F_i, as own is I + F_i' H^-1 F_i.
        open_ = 2.0 * np.eye(rest.shape[0]) - halves.own[at]
        alone = (rest * np.linalg.solve(open_, rest)).sum(axis=0)
        both = np.broadcast_to(alone, self.joined.shape).copy()
        for (columns, others), (theirs, within, seen) in zip(self._halves, self._comes, strict=True):
            m, r, k = theirs.shape
            shared = (theirs.reshape(m * r, k) @ common.T).reshape(m, r, rest.shape[0])
            if block >= 0:
                same = np.flatnonzero(others.block == block)
                shared[same] += within[same] @ local.T
            turned = shared.swapaxes(1, 2)
            left = rest - turned @ seen
            both[columns] = (left * np.linalg.solve(open_ + turned @ shared, left)).sum(axis=1)
        return alone, both + self.joined

    def _anew(self, out: int) -> tuple[Floats, Floats]:
        without = self._picked.copy()
        without[out] = False
        swaps = Swaps(self._part, without)
        alone = swaps.values - self.values
        return alone, alone + swaps.joined
