"""Whole layouts from linear cuts: an integer program of tangent planes, solved by a general library in a few rounds.

Nothing it returns bounds anything; every layout is judged anew. It reaches layouts that swaps do not, since it
sees all rules at once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats
from siting.selection.highs import Solver
from siting.selection.precise.problem import Problem
from siting.selection.rows import INFINITY, Rows

# Search effort of one round; counted, so that every run does the same.
NODES = 5
GAP = 3e-3
# Binary digits that are kept of slopes, counted from the greatest of their row.
DIGITS = 24


def layout_of_cuts(
    problem: Problem,
    cuts: Sequence[tuple[Floats, Floats]],
    lower: Floats,
    upper: Floats,
    keep: Bools,
    seconds: float | None,
) -> Floats | None:
    """Return program columns of a layout that is good by tangent planes (constants (T,), gradients (T, columns)).

    Only columns in `keep` may leave their lower bound. None if no layout was found.
    """
    weights = problem.criterion.weights
    columns = np.flatnonzero(keep | (lower > 0.0))
    m, t = columns.size, weights.kappa.size
    counted = np.flatnonzero(weights.kappa > 0.0)
    hard = np.isinf(weights.kappa)
    gamma = np.where(weights.always, 0.0, weights.gamma)
    penalty = 1e3 * (float(np.abs(problem.cost).max(initial=0.0)) + 1.0) / np.maximum(np.abs(gamma), 1e-12)
    price = np.where(hard, penalty, weights.kappa)
    offset = lower.copy()
    offset[columns] = 0.0
    base = sp.csr_array(problem.matrix[:, columns])
    limits = problem.limits - problem.matrix @ offset
    touched = np.flatnonzero(np.diff(base.indptr))
    blocks = [sp.hstack([base[touched], sp.csr_array((touched.size, t))])]
    highs = [limits[touched]]
    for constants, gradient in cuts:
        part = gradient[np.ix_(counted, columns)]
        scale = price[counted]
        # price x (constant + gradient . y - gamma) <= excess
        excess = sp.csr_array((-np.ones(counted.size), (np.arange(counted.size), counted)), shape=(counted.size, t))
        blocks.append(sp.hstack([sp.csr_array(_plain(part * scale[:, None])), excess]))
        fixed = gradient[counted] @ offset
        highs.append(scale * (gamma[counted] - constants[counted] - fixed))
    matrix = sp.csr_array(sp.vstack(blocks))
    high = np.concatenate(highs)
    solver = Solver(
        np.concatenate([problem.cost[columns], np.ones(t)]),
        np.concatenate([lower[columns], np.where(weights.always, -1e12, 0.0)]),
        np.concatenate([upper[columns], np.full(t, 1e12)]),
        Rows(matrix, np.full(high.size, -INFINITY), high),
        maximise=False,
    )
    solver.make_integer(np.concatenate([problem.integer[columns], np.zeros(t, dtype=bool)]))
    result = solver.solve_mip(gap=GAP, seconds=seconds, nodes=NODES)
    if result.point is None:
        return None
    point = lower.copy()
    point[columns] = result.point[:m]
    point = np.where(problem.integer, np.rint(point), point)
    return np.asarray(point[: len(problem.program.names)])


def _plain(slopes: Floats) -> Floats:
    """Return slopes (T, columns) with few digits and without those that are next to nothing in their row.

    The library was seen to go round in circles, deaf to its limit of time, over rows of 16 digits and 12 decades.
    """
    most = np.abs(slopes).max(axis=1, initial=0.0, keepdims=True)
    step = np.exp2(np.ceil(np.log2(np.maximum(most, 1e-300))) - DIGITS)
    return np.asarray(np.rint(slopes / step) * step)
