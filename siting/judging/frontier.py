"""The frontier of money: the best layout at each of several budgets, or at each budget where it changes."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from siting.arrays import Floats, Ints
from siting.assessment.precision import target_errors
from siting.judging.search import By, Found, Search, goals_of, named, shared
from siting.planning import Planning
from siting.record.air import UnknownGasError
from siting.selection.program import Ended, Limits, Report, relative_gap
from siting.selection.standing import cents

# Changes that are followed before the rest is left out.
MOST_CHANGES = 200


@dataclass(frozen=True)
class TargetAt:
    """Standard error of one target of one layout, and the goal, in the tracer's unit (for growth, a year)."""

    tracer: str
    target: str
    error: float
    goal: float

    @property
    def met(self) -> bool:
        """Whether the goal is met."""
        return self.error <= self.goal


@dataclass(frozen=True)
class FrontierPoint:
    """The best layout at one budget.

    `budget_cents` is the money allowed, `cents` what the layout costs (hundredths); `layout` its (candidate id, plan
    id, start year), `value` its score or shortfall, `bound` what no layout at this budget betters, `gap` the
    relative gap, `proved` that it is at most the asked one. `targets` is empty where errors cannot be told. Without a
    layout `layout` is empty and `value` infinite on the bad side; `ended` tells why.
    """

    budget_cents: int
    cents: int
    layout: tuple[tuple[str, str, int], ...]
    value: float
    bound: float
    gap: float
    proved: bool
    ended: Ended
    targets: tuple[TargetAt, ...]

    @property
    def found(self) -> bool:
        """Whether there is a layout."""
        return bool(np.isfinite(self.value))

    @property
    def sites(self) -> tuple[str, ...]:
        """Ids of the sites."""
        return tuple(site for site, _, _ in self.layout)


@dataclass(frozen=True)
class Margin:
    """What the money from one budget to the next buys.

    `gain` of the value is better above 0, `changes` by (tracer, target) of its error are better below 0.
    """

    from_cents: int
    to_cents: int
    gain: float
    changes: tuple[tuple[str, str, float], ...]

    @property
    def more_cents(self) -> int:
        """Money between the two budgets, hundredths."""
        return self.to_cents - self.from_cents


@dataclass(frozen=True, eq=False)
class BudgetFrontier:
    """Best layouts by rising budget, made best `by` score or precision.

    `every_change` says that the budgets are those where the best layout changes, `whole` that none of them was left
    out. `knee` is the position of the point farthest from the straight line between the ends, None where there
    is none; `always` are sites in every layout, `from_on` (site, budget) those that come at a budget and stay,
    `passing` (site, budgets) those that come and go. `own_cents` is the budget of the region, `capped_cents` what its
    yearly limits allow in all (None without them).
    """

    by: By
    points: tuple[FrontierPoint, ...]
    margins: tuple[Margin, ...]
    knee: int | None
    always: tuple[str, ...]
    from_on: tuple[tuple[str, int], ...]
    passing: tuple[tuple[str, tuple[int, ...]], ...]
    every_change: bool
    whole: bool
    own_cents: int
    capped_cents: int | None
    asked_gap: float
    unstated: str

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with one row a budget: money in the currency, value, bound, gap, errors."""
        import pandas as pd

        rows = []
        for p in self.points:
            row: dict[str, Any] = {
                "budget": p.budget_cents / 100.0,
                "cost": p.cents / 100.0 if p.found else np.nan,
                "value": p.value if p.found else np.nan,
                "bound": p.bound if np.isfinite(p.bound) else np.nan,
                "gap": p.gap if np.isfinite(p.gap) else np.nan,
                "proved": p.proved,
                "sites": len(p.layout),
            }
            row |= {f"error {t.tracer} {t.target}": t.error for t in p.targets}
            rows.append({**row, "layout": "; ".join(f"{i} {plan} {year}" for i, plan, year in p.layout)})
        return pd.DataFrame(rows)


def even_budgets(own_cents: int, points: int, low: float, high: float) -> tuple[int, ...]:
    """Return `points` budgets (hundredths) evenly from `low` to `high` times the region's own, which is one of them.

    The inner one nearest to the own budget gives way to it; without inner ones it is a further one. Raises ValueError
    for less than 2 points or ends that do not rise from above 0.
    """
    if points < 2 or not 0.0 < low < high:
        raise ValueError("points must be 2 or more, and the ends must rise from above 0")
    found = np.rint(own_cents * np.linspace(low, high, points)).astype(np.int64)
    if low <= 1.0 <= high and own_cents not in found:
        inner = np.abs(found[1:-1] - own_cents)
        if inner.size:
            found[1 + int(np.argmin(inner))] = own_cents
        else:
            found = np.append(found, own_cents)
    return tuple(sorted({int(b) for b in found}))


def budget_frontier(
    planning: Planning,
    budgets: Sequence[int],
    by: By,
    limits: Limits,
    progress: Report | None = None,
    own_cents: int | None = None,
) -> BudgetFrontier:
    """Return the best layouts at total budgets (hundredths), all other rules as they are.

    `planning` is that of the region with a budget of at least the largest of them; `own_cents` the budget that the
    region has of itself (the planning's if None). `limits` hold for all searches together, its gap for each.
    Raises ValueError without budgets, `FalseAnswerError` if an answer does not hold up.
    """
    if not budgets:
        raise ValueError("there are no budgets")
    began, search = time.monotonic(), Search(planning, by)
    rising = sorted(set(budgets))
    found: list[Found] = []
    for number, budget in enumerate(rising):
        start = found[-1] if found else None
        one = search.best(
            shared(limits, began, len(rising) - number), most_cents=budget, start=start, progress=progress
        )
        found.append(one)
    return _told(search, rising, _bounded(search, found, limits), limits, own_cents, every=False, whole=True)


def change_frontier(
    planning: Planning,
    low_cents: int,
    limits: Limits,
    progress: Report | None = None,
    own_cents: int | None = None,
    most: int = MOST_CHANGES,
) -> BudgetFrontier:
    """Return the best layouts by score at every budget, from the planning's down to `low_cents`, where they change.

    At each budget the best score, then the cheapest layout that has it; the next budget is one hundredth below its
    cost. With gap 0 that is every change; with a larger gap changes of less than the gap may be missed. At most
    `most` of them, the dearest first (`whole` tells). Raises `FalseAnswerError` if an answer does not hold up.
    """
    began, search = time.monotonic(), Search(planning, "score")
    budget = cents(planning.region.settings.budget.total)
    found: list[Found] = []
    budgets: list[int] = []
    whole = True
    while whole and budget >= low_cents:
        one = search.best(shared(limits, began, 4), most_cents=budget, progress=progress)
        if not one.any:
            whole = one.ended is Ended.INFEASIBLE
            break
        if len(found) == most:
            whole = False
            break
        cheap = search.cheapest(one, shared(limits, began, 4), progress)
        found.append(cheap)
        budgets.append(cheap.cents)
        whole = cheap.ended is Ended.GAP
        budget = cheap.cents - 1
    rising, points = budgets[::-1], found[::-1]
    return _told(search, rising, _bounded(search, points, limits), limits, own_cents, every=True, whole=whole)


def _bounded(search: Search, found: Sequence[Found], limits: Limits) -> list[Found]:
    """Return the layouts with the best bounds: what no layout at a larger budget betters, none does at this one."""
    out: list[Found] = []
    best = np.inf
    for one in reversed(found):
        best = min(best, search.sign * one.bound)
        if not one.any:
            out.append(one)
            continue
        # A bound from a larger budget may not lie below this layout's own value by rounding.
        bound = search.sign * max(best, search.sign * one.value)
        gap = relative_gap(one.value, bound, search.floor)
        out.append(replace(one, bound=bound, gap=gap, proved=bool(gap <= limits.gap)))
    return out[::-1]


def _told(
    search: Search,
    budgets: Sequence[int],
    found: Sequence[Found],
    limits: Limits,
    own_cents: int | None,
    *,
    every: bool,
    whole: bool,
) -> BudgetFrontier:
    planning, unstated = search.planning, ""
    points: list[FrontierPoint] = []
    known: dict[tuple[int, ...], tuple[TargetAt, ...]] = {}
    for budget, one in zip(budgets, found, strict=True):
        if one.any and one.picked not in known:
            try:
                known[one.picked] = targets_at(planning, np.array(one.picked, dtype=np.int64))
            except UnknownGasError as error:
                known[one.picked], unstated = (), str(error)
        points.append(
            FrontierPoint(
                budget,
                one.cents,
                named(planning, one.picked),
                one.value,
                one.bound,
                one.gap,
                one.proved,
                one.ended,
                known.get(one.picked, ()) if one.any else (),
            )
        )
    kept = [p for p in points if p.found]
    always, from_on, passing = membership([(p.budget_cents, p.sites) for p in kept])
    own = planning.region.settings.budget
    return BudgetFrontier(
        search.by,
        tuple(points),
        tuple(_margin(search, a, b) for a, b in pairwise(kept)),
        _knee_of(search, points),
        always,
        from_on,
        passing,
        every,
        whole,
        cents(own.total) if own_cents is None else own_cents,
        None if own.per_year is None else _capped(planning),
        limits.gap,
        unstated,
    )


def targets_at(planning: Planning, picked: Ints) -> tuple[TargetAt, ...]:
    """Return error and goal of every target; raises `UnknownGasError` where a tracer's numbers are missing."""
    goals, errors = goals_of(planning), target_errors(planning, picked)
    return tuple(TargetAt(tracer, target, errors[(tracer, target)], goal) for tracer, target, goal, _ in goals)


def membership(
    steps: Sequence[tuple[int, Sequence[str]]],
) -> tuple[tuple[str, ...], tuple[tuple[str, int], ...], tuple[tuple[str, tuple[int, ...]], ...]]:
    """Return sites in every step, those that come at one (site, step) and stay, and those that come and go.

    `steps` are (name of the step, sites) in order; the last are (site, names of the steps that have it).
    """
    always, from_on, passing = [], [], []
    for site in sorted({s for _, sites in steps for s in sites}):
        there = [site in sites for _, sites in steps]
        first = there.index(True)
        if all(there):
            always.append(site)
        elif all(there[first:]):
            from_on.append((site, steps[first][0]))
        else:
            passing.append((site, tuple(name for (name, _), has in zip(steps, there, strict=True) if has)))
    return tuple(always), tuple(sorted(from_on, key=lambda f: (f[1], f[0]))), tuple(passing)


def knee(x: Floats, y: Floats) -> int | None:
    """Return the position of the knee of a frontier (k,) with rising x and y that is better when larger.

    The point farthest above the straight line that joins the ends (Das 1999, Structural Optimization 18, 107-115;
    citation from memory), None for less than 3 points or where no point lies above that line.
    """
    if x.size < 3 or x[-1] <= x[0]:
        return None
    height = y - (y[0] + (y[-1] - y[0]) * (x - x[0]) / (x[-1] - x[0]))
    best = int(np.argmax(height))
    scale = max(abs(float(y[-1] - y[0])), 1e-300)
    return best if height[best] > 1e-9 * scale else None


def _knee_of(search: Search, points: Sequence[FrontierPoint]) -> int | None:
    kept = [k for k, p in enumerate(points) if p.found]
    money = np.array([points[k].budget_cents for k in kept], dtype=float)
    value = search.sign * np.array([points[k].value for k in kept], dtype=float)
    found = knee(money, value)
    return None if found is None else kept[found]


def _margin(search: Search, one: FrontierPoint, other: FrontierPoint) -> Margin:
    before = {(t.tracer, t.target): t.error for t in one.targets}
    changes = tuple(
        (t.tracer, t.target, t.error - before[(t.tracer, t.target)])
        for t in other.targets
        if (t.tracer, t.target) in before
    )
    return Margin(one.budget_cents, other.budget_cents, search.sign * (other.value - one.value), changes)


def _capped(planning: Planning) -> int:
    settings = planning.region.settings
    each = settings.budget.per_year
    years = each if isinstance(each, tuple) else (each or 0.0,) * settings.years
    return sum(cents(amount) for amount in years)
