"""Rows by which other columns stand on deployments, as a comparison pair does on an analyzer and on flasks.

A local search looks at deployments alone. It is told here what has to come into a layout, and to stay in it, so that
such rows can be kept.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.layouts import LocalSearch
from siting.selection.precise.problem import ROUNDING, Problem


class Supports:
    """Which deployments other columns stand on, by rows "another column at most the sum of these deployments"."""

    def __init__(self, problem: Problem) -> None:
        n, every = problem.deployments, len(problem.program.names)
        level = problem.level_rows
        rows = sp.csr_array(problem.matrix[level][:, :every])
        self._asks = sp.csr_array(rows[:, n:]).maximum(0)
        gives = sp.csr_array(rows[:, :n]) < 0
        asked = np.diff(self._asks.indptr) > 0
        self._gives = sp.csr_array(sp.diags_array(asked.astype(float)) @ gives.astype(float))
        self.able = np.asarray(self._gives.sum(axis=0) > 0.0).ravel()
        # Rows of whole columns that stand on deployments alone, and what other rows ask of those columns.
        aux = sp.csr_array(rows[:, n:])
        self._stands = np.flatnonzero((np.diff(aux.indptr) == 1) & asked)
        self._column = aux.indices[aux.indptr[self._stands]].astype(np.int64)
        standing = np.zeros(every - n)
        standing[self._column] = (problem.integer & (problem.upper == 1.0))[n + self._column]
        matrix = sp.csr_array(problem.matrix[: problem.program_rows][:, :every])
        asking = np.flatnonzero(sp.csr_array(matrix[:, n:]).minimum(0) @ standing < 0.0)
        asking = np.setdiff1d(asking, level)
        part = matrix[asking]
        self._deployed, self._helped = sp.csr_array(part[:, :n]), sp.csr_array(part[:, n:]).minimum(0)
        burden = sp.csr_array(part[:, n:]).maximum(0) @ problem.lower[n:every]
        self._room = problem.limits[asking] - burden + ROUNDING * (1.0 + np.abs(problem.limits[asking]))

    def of(self, point: Floats) -> Bools:
        """Return the deployments (n,) of a layout (program columns,) that its other columns stand on."""
        n = self.able.size
        used = self._asks @ (point[n:] > 0.5).astype(float) > 0.0
        return np.asarray((self._gives.T @ used.astype(float) > 0.0) & (point[:n] > 0.5))

    def lacking(self, picked: Bools) -> float:
        """Return by how much rows cannot be kept by a layout (n,) because nothing stands for what they ask, in all."""
        return float(self._lack(self._gives, self._deployed, picked[None])[0])

    def lacks(self, pool: Ints, trials: Bools) -> Floats:
        """Return the same (m,) of layouts (m, p) over a pool of deployments (p,)."""
        return self._lack(self._gives[:, pool], self._deployed[:, pool], trials)

    def _lack(self, gives: sp.csr_array, deployed: sp.csr_array, trials: Bools) -> Floats:
        chosen = trials.T.astype(float)
        most = np.ones((self._helped.shape[1], trials.shape[0]))
        np.minimum.at(most, self._column, np.minimum(1.0, (gives @ chosen)[self._stands]))
        over = deployed @ chosen + self._helped @ most - self._room[:, None]
        return np.asarray(np.maximum(over, 0.0).sum(axis=0))

    def mended(self, search: LocalSearch, picked: Bools, held: Bools, promise: Floats) -> tuple[Bools, Bools]:
        """Return a layout over a search's pool (p,) with what such rows ask, and what has to stay in it.

        What comes in is what helps most, the most promising (p,) of equals; others leave for it unless they are held.
        """
        if self._room.size == 0:
            return picked, held
        picked, held, pool = picked.copy(), held.copy(), search.pool
        able = np.flatnonzero(self.able[pool])

        def lack(trial: Bools) -> float:
            whole = np.zeros(self.able.size, dtype=bool)
            whole[pool[trial]] = True
            return self.lacking(whole)

        now = lack(picked)
        for _ in range(able.size):
            if now <= 0.0:
                break
            left = []
            for add in able[~picked[able]]:
                trial = picked.copy()
                trial[add] = True
                left.append((lack(trial), -promise[add], int(add)))
            least, _, add = min(left, default=(np.inf, 0.0, -1))
            if not least < now:
                break
            picked[add] = held[add] = True
            picked = search.thinned(picked, held)
            now = lack(picked)
        stay = picked.copy()
        for out in able[np.argsort(promise[able], kind="stable")]:
            if stay[out] and not held[out]:
                stay[out] = False
                if lack(stay) > now:
                    stay[out] = held[out] = True
        return picked, held
