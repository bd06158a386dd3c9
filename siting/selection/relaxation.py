"""What the multipliers of a relaxation prove about every column."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, Ints
from siting.selection.program import Program
from siting.selection.rows import INFINITY, Rows


@dataclass(frozen=True, eq=False)
class Relaxation:
    """The solved relaxation in the sense "maximise": a bound and what each column would cost against it.

    `bound` holds for every layout; a layout with column j at 1 (0) is at most `bound - to_one[j]`
    (`bound - to_zero[j]`). `rows` are the program's rows, then those of `cliques`; `multipliers` are theirs, above 0
    of an upper limit, below 0 of a lower one.
    """

    status: str
    point: Floats
    bound: float
    to_one: Floats
    to_zero: Floats
    rows: Rows
    cliques: tuple[Ints, ...]
    multipliers: Floats


def judged(
    program: Program,
    gain: Floats,
    own: Rows,
    cliques: Sequence[Ints],
    duals: Floats,
    point: Floats,
    status: str,
) -> Relaxation:
    """Turn multipliers into a bound that holds for any multipliers, not read off the solver.

    Sense "maximise": lam . limits + sum over all columns of the best of (gain - lam rows)_j y_j within
    the bounds of y_j; multipliers of the wrong sign are set to 0. `duals` are those of the program's `own` rows,
    then of the cliques.
    """
    rows = own.with_cliques(list(cliques))
    matrix, low, high = rows.matrix, rows.low, rows.high
    lam = duals if duals.size == matrix.shape[0] else np.zeros(matrix.shape[0])
    # A positive multiplier belongs to an upper limit, a negative one to a lower limit.
    lam = np.where(lam > 0.0, np.where(high < INFINITY, lam, 0.0), np.where(low > -INFINITY, lam, 0.0))
    limits = np.where(lam > 0.0, np.where(high < INFINITY, high, 0.0), np.where(low > -INFINITY, low, 0.0))
    reduced = gain - matrix.T @ lam
    best = np.maximum(reduced * program.lower, reduced * program.upper)
    # Rounding in the sums: a generous multiple of the unit roundoff of their terms.
    margin = 1e-13 * float(np.abs(lam * limits).sum() + np.abs(best).sum())
    return Relaxation(
        status,
        point,
        float(lam @ limits + best.sum()) + margin,
        best - reduced * program.upper,
        best - reduced * program.lower,
        rows,
        tuple(cliques),
        lam,
    )
