"""How the variances of a layout move as one deployment leaves and another comes, from one factorisation.

With H = L(z) of the layout, F_j the factor of what comes and F_i of what leaves, let C_j = I + F_j' H^-1 F_j and
E = C_j^-1/2 F_j' H^-1 F_i. With j the matrix that has to be inverted for i to leave is I - F_i' H^-1 F_i + E' E, no
larger than F_i has rows (the matrix inversion lemma, twice). So every swap costs a product of two small factors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Floats
from siting.selection.precise.information import Group, Halves, Part, evaluate, halves_of

# Factors of more rows than this are worked out anew: the matrix to be inverted would be as large.
ROWS = 64


@dataclass(frozen=True, eq=False)
class _Comers:
    """Columns (m,) of a group with C^-1/2 before their factors `common` and `local`, and before their `rest`."""

    group: Group
    halves: Halves
    common: Floats
    local: Floats
    rest: Floats


class Swaps:
    """Swaps, losses and additions around a layout `picked` (N,) of the columns of a part."""

    def __init__(self, part: Part, picked: Bools) -> None:
        """Factor the layout's information once; blocks count as whole ones."""
        self._part, self._picked = part, picked
        at = evaluate(part, picked.astype(float), np.ones(part.blocks))
        self.values, self._inner = at.values, at.inner
        self._comers: list[_Comers] = []
        # What each column (N, T) does to the targets as it comes.
        self.joined = np.zeros((picked.size, at.values.size))
        for group in part.groups:
            halves = halves_of(part, at, group, np.arange(group.columns.size))
            root = np.linalg.cholesky(halves.own)
            turned = (np.linalg.solve(root, one) for one in (halves.common, group.local, halves.rest))
            comers = _Comers(group, halves, *turned)
            self._comers.append(comers)
            self.joined[group.columns] = -(comers.rest * comers.rest).sum(axis=1)

    def left(self, out: int) -> tuple[Floats, Floats]:
        """Return how the variances move if a picked column leaves: alone (T,), and as each column (N, T) comes."""
        for comers in self._comers:
            at = np.flatnonzero(comers.group.columns == out)
            if at.size:
                return self._anew(out) if comers.rest.shape[1] > ROWS else self._left(comers, int(at[0]))
        return np.zeros(self.values.size), self.joined

    def _left(self, leaver: _Comers, at: int) -> tuple[Floats, Floats]:
        common, rest = leaver.halves.common[at], leaver.halves.rest[at]
        block = int(self._part.block[leaver.group.columns[at]])
        # I - F_i' H^-1 F_i, as own is I + F_i' H^-1 F_i.
        open_ = 2.0 * np.eye(rest.shape[0]) - leaver.halves.own[at]
        alone = (rest * np.linalg.solve(open_, rest)).sum(axis=0)
        both = np.broadcast_to(alone, self.joined.shape).copy()
        for comers in self._comers:
            m, r, k = comers.common.shape
            shared = (comers.common.reshape(m * r, k) @ common.T).reshape(m, r, rest.shape[0])
            if block >= 0:
                same = np.flatnonzero(self._part.block[comers.group.columns] == block)
                shared[same] += comers.local[same] @ np.linalg.solve(self._inner[block], leaver.group.local[at].T)
            turned = shared.swapaxes(1, 2)
            left = rest - turned @ comers.rest
            both[comers.group.columns] = (left * np.linalg.solve(open_ + turned @ shared, left)).sum(axis=1)
        return alone, both + self.joined

    def _anew(self, out: int) -> tuple[Floats, Floats]:
        without = self._picked.copy()
        without[out] = False
        swaps = Swaps(self._part, without)
        alone = swaps.values - self.values
        return alone, alone + swaps.joined
