"""Among equal optima let the cheapest win, then the smaller ids, where that can be proved."""

from __future__ import annotations

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.linear import EQUAL, Cut, LinearEngine, differs
from siting.selection.relaxation import Relaxation
from siting.selection.rows import INFINITY

NOT_EXAMINED = "whether another layout is just as good was not examined"
# With a gap above 0 asked for, equal optima are looked for only while so few columns are undecided.
MOST_UNDECIDED = 240
# Columns decided in one integer program: their weights, powers of two, stay far from its tolerance.
BLOCK = 12
NODES = 5000


def break_ties(engine: LinearEngine, relaxation: Relaxation) -> str:
    """Choose the cheapest layout among those of equal value, then that of smaller ids, once the gap is closed.

    With gap 0 asked for this is done at any size; else only where the search closed the gap anyway and
    few columns are undecided. Of two layouts of equal value and cost the one wins that picks the first
    deployment (in the order of ids) in which they differ. Returns in words what was found; the engine's best layout
    is replaced.
    """
    slack = 1e-7 * max(1.0, abs(engine.best_gain))
    d = engine.program.deployments
    keep = relaxation.bound - relaxation.to_one >= engine.best_gain - slack
    keep[d:] = True
    undecided = keep & (relaxation.bound - relaxation.to_zero >= engine.best_gain - slack)
    free = np.flatnonzero(undecided[:d])
    if engine.limits.gap > 0.0 and (free.size > MOST_UNDECIDED or engine.gap() > 0.0):
        return NOT_EXAMINED
    if engine.gap() > 0.0:
        exact = engine.restricted(keep, 0.0, nodes=NODES)
        if exact.status != "optimal" or exact.point is None or not engine.accept(exact.point):
            return NOT_EXAMINED
        # A finished integer program leaves only the solver's own tolerance between value and bound.
        engine.bounded(engine.best_gain)
    if engine.best is None:
        return NOT_EXAMINED
    least = engine.best_gain - slack
    other = engine.restricted(
        keep, 0.0, cuts=[differs(engine.best, np.arange(d))], nodes=NODES, until=engine.best_gain - slack
    )
    if other.status in ("infeasible", "bound") or (other.status == "optimal" and (other.value or 0.0) < least):
        return "no other layout has this value"
    if other.status != "optimal" or free.size > MOST_UNDECIDED:
        return NOT_EXAMINED
    return _decide(engine, keep, free, least)


def _nonzero(values: Floats | Ints) -> Ints:
    return np.asarray(np.flatnonzero(values), dtype=np.int64)


def _decide(engine: LinearEngine, keep: Bools, free: Ints, least: float) -> str:
    """Go through the undecided columns in the order of ids, a block at a time."""
    used, priced = _nonzero(engine.gain), _nonzero(engine.program.cost)
    as_good: Cut = (used, engine.gain[used], least, INFINITY)
    cuts = [as_good]
    tolerance = EQUAL * max(1.0, abs(engine.best_gain))
    if priced.size:
        scale = 1.0 / float(engine.program.cost[priced].max())
        price: Floats = np.asarray(engine.program.cost * scale, dtype=float)
        cheapest = engine.restricted(keep, 0.0, wish=-price, cuts=cuts, nodes=NODES)
        if cheapest.status != "optimal" or cheapest.point is None:
            return NOT_EXAMINED
        point = engine.filled(cheapest.point)
        if abs(float(engine.gain @ point) - engine.best_gain) > tolerance:
            return f"{NOT_EXAMINED}: one is too near in value to be told apart"
        engine.replace_best(point)
        # Half a cent of room: costs are whole cents.
        cuts.append((priced, price[priced], -INFINITY, float(price @ np.rint(point)) + 0.5 * scale))
    columns, values = np.empty(0, dtype=np.int64), np.empty(0)
    for begin in range(0, free.size, BLOCK):
        block = free[begin : begin + BLOCK]
        wish = np.zeros_like(engine.gain)
        wish[block] = 2.0 ** np.arange(block.size - 1, -1, -1)
        found = engine.restricted(keep, 0.0, wish=wish, cuts=cuts, nodes=NODES, fixed=(columns, values))
        if found.status != "optimal" or found.point is None:
            return NOT_EXAMINED
        point = engine.filled(found.point)
        if abs(float(engine.gain @ point) - engine.best_gain) > tolerance:
            return f"{NOT_EXAMINED}: one is too near in value to be told apart"
        columns, values = np.concatenate([columns, block]), np.concatenate([values, point[block]])
        engine.replace_best(point)
    return "among equal layouts the cheapest was taken, then the smaller ids"
