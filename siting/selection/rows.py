"""A program's rows as a solver with absolute tolerances takes them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from siting.arrays import Floats, Ints
from siting.selection.program import NO_LIMIT, Program

# What the solver libraries take for "no limit".
INFINITY = float("inf")


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows low <= matrix (M, N) . y <= high, infinite where there is no limit."""

    matrix: sp.csr_array
    low: Floats
    high: Floats

    def with_cliques(self, cliques: list[Ints]) -> Rows:
        """Return the rows with further ones: the columns of each clique sum to at most 1."""
        if not cliques:
            return self
        more = packing(cliques, self.matrix.shape[1])
        return Rows(
            sp.csr_array(sp.vstack([self.matrix, more])),
            np.concatenate([self.low, np.full(len(cliques), -INFINITY)]),
            np.concatenate([self.high, np.ones(len(cliques))]),
        )

    def with_row(self, columns: Ints, coefficients: Floats, low: float, high: float) -> Rows:
        """Return the rows with one more."""
        row = sp.csr_array(
            (coefficients, (np.zeros(columns.size, dtype=int), columns)), shape=(1, self.matrix.shape[1])
        )
        return Rows(sp.csr_array(sp.vstack([self.matrix, row])), np.append(self.low, low), np.append(self.high, high))


def scaled_rows(program: Program) -> Rows:
    """Return a program's rows scaled for a solver that works with absolute tolerances."""
    scale = row_scale(program.matrix)
    return Rows(
        sp.csr_array(sp.diags_array(scale) @ program.matrix.astype(float)),
        np.where(program.row_lower == -NO_LIMIT, -INFINITY, program.row_lower * scale),
        np.where(program.row_upper == NO_LIMIT, INFINITY, program.row_upper * scale),
    )


def row_scale(matrix: sp.csr_array) -> Floats:
    """Return a power of two for each row that brings its greatest coefficient to 512-1024.

    A power of two changes no digit; the solver's tolerance then stays far below one cent of a row.
    """
    if 0 in matrix.shape:
        return np.ones(matrix.shape[0])
    greatest = np.asarray(abs(matrix).max(axis=1).todense()).ravel().astype(float)
    return np.where(greatest > 1024.0, 2.0 ** (9.0 - np.floor(np.log2(np.maximum(greatest, 1.0)))), 1.0)


def packing(rows: list[Ints], width: int) -> sp.csr_array:
    """Return rows (m, width) with ones at the given columns."""
    sizes = [row.size for row in rows]
    index = np.concatenate(rows) if rows else np.empty(0, dtype=np.int64)
    pointers = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    return sp.csr_array((np.ones(index.size), index, pointers), shape=(len(rows), width))
