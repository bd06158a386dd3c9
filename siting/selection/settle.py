"""Choose auxiliary columns anew when the deployments are decided."""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp

from siting.arrays import Floats
from siting.selection.highs import Solver
from siting.selection.program import Program
from siting.selection.rows import INFINITY, Rows, scaled_rows


def filled(program: Program, gain: Floats, rows: Rows, point: Floats) -> Floats:
    """Return the point with its continuous columns at their best (greatest `gain`) for the whole ones.

    A solver that stops early, or was asked for something else, may leave them below that.
    """
    free = np.flatnonzero(~program.integer)
    if free.size == 0:
        return point
    held = np.where(program.integer, point, 0.0)
    part = sp.csr_array(rows.matrix[:, free])
    touching = np.flatnonzero(np.diff(part.indptr))
    used = (rows.matrix @ held)[touching]
    inner = Rows(sp.csr_array(part[touching]), rows.low[touching] - used, rows.high[touching] - used)
    result = Solver(gain[free], program.lower[free], program.upper[free], inner).solve_lp()
    if result.status != "optimal":
        return point
    better = held.copy()
    better[free] = np.clip(result.point, program.lower[free], program.upper[free])
    return better


def settled(program: Program, point: Floats) -> Floats:
    """Return the point with its whole auxiliary columns chosen anew: least cost, then least preference.

    The deployments stay. So a purchase falls in the year in which it is first needed, and an auxiliary
    column without a price takes the same value in every run.
    """
    d = program.deployments
    aux = np.flatnonzero(program.integer[d:]) + d
    if aux.size == 0:
        return point
    held = np.setdiff1d(np.arange(point.size), aux)
    priced = aux[program.cost[aux] != 0]
    every = scaled_rows(program)
    touching = np.flatnonzero(abs(every.matrix[:, aux]).sum(axis=1) > 0)
    rows = Rows(sp.csr_array(every.matrix[touching]), every.low[touching], every.high[touching])
    decided = point
    for wish in (program.cost, program.preference):
        if not wish[aux].any():
            continue
        if wish is program.preference and priced.size:
            # Half a cent of room: costs are whole cents.
            total = float(program.cost[priced] @ decided[priced])
            rows = rows.with_row(priced, program.cost[priced].astype(float), -INFINITY, total + 0.5)
        solver = Solver(wish.astype(float), program.lower, program.upper, rows, maximise=False)
        solver.fix(held, decided[held])
        solver.make_integer(program.integer)
        result = solver.solve_mip(gap=0.0)
        if result.point is None:
            return decided
        candidate = decided.copy()
        candidate[aux] = np.rint(result.point[aux])
        if program.broken(candidate):
            return decided
        decided = candidate
    return decided
