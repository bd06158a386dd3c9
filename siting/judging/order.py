"""Build order: what opens in which year, so that whatever stands when new money stops is the best that could stand.

The nested order decides year by year. In the first year those deployments that start in it are chosen that are worth
most by themselves, among all beginnings of layouts that keep every rule to the end of the window; then they stay,
and the second year is decided in the same way, and so on. What stands runs on to the end of the window and is paid for,
so no beginning spends money that its own later years need.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import numpy as np

from siting.arrays import Ints
from siting.judging.frontier import TargetAt, targets_at
from siting.judging.search import By, Condition, Found, Search, named, shared
from siting.planning import Planning
from siting.record.air import UnknownGasError
from siting.selection.program import NO_LIMIT, Ended, Limits, Report
from siting.selection.standing import cost_by_year, with_best_ways


@dataclass(frozen=True)
class OrderStep:
    """What stands once a year has been decided.

    `opens` are the (candidate id, plan id, start year) that start in `year`, `stands` all that started by then;
    `value` is that of what stands (score, or shortfall), `bound` what no other choice of that year betters, given the
    years before; `gap` is relative, `free_value` that of the best that could stand by then had earlier years
    been free, with `free_bound`. `spent_cents` is the money of that year, `committed_cents` what all that stands
    costs to the end of the window. `targets` are empty where errors cannot be told.
    """

    year: int
    opens: tuple[tuple[str, str, int], ...]
    stands: tuple[tuple[str, str, int], ...]
    value: float
    bound: float
    gap: float
    proved: bool
    ended: Ended
    free_value: float
    free_bound: float
    spent_cents: int
    committed_cents: int
    targets: tuple[TargetAt, ...]


@dataclass(frozen=True, eq=False)
class BuildOrder:
    """A nested order, made best `by` score or precision, beside the best layout without nesting.

    `picked` are the positions of the deployments of the last step. `price` is by how much that layout is worse than the
    best one (0 or more, up to the gaps), `free` that best layout. Without `steps` there is no layout, and `ended` says
    why; `whole` says that every year was decided, `ended` why the first search ended that missed its gap.
    """

    by: By
    steps: tuple[OrderStep, ...]
    picked: tuple[int, ...]
    free: tuple[tuple[str, str, int], ...]
    free_value: float
    price: float
    asked_gap: float
    whole: bool
    ended: Ended
    unstated: str

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with one row a year."""
        import pandas as pd

        return pd.DataFrame(
            {
                "year": [s.year for s in self.steps],
                "opens": ["; ".join(f"{i} {plan}" for i, plan, _ in s.opens) for s in self.steps],
                "sites": [len(s.stands) for s in self.steps],
                "value": [s.value for s in self.steps],
                "bound": [s.bound for s in self.steps],
                "gap": [s.gap for s in self.steps],
                "proved": [s.proved for s in self.steps],
                "free_value": [s.free_value for s in self.steps],
                "spent": [s.spent_cents / 100.0 for s in self.steps],
                "committed": [s.committed_cents / 100.0 for s in self.steps],
            }
        )


def build_order(planning: Planning, by: By, limits: Limits, progress: Report | None = None) -> BuildOrder:
    """Return the nested order of a region: start years under its yearly budgets, decided year by year.

    `limits` hold for all searches together, its gap for each. Raises `FalseAnswerError` if an answer does not hold up.
    """
    began, settings = time.monotonic(), planning.region.settings
    d = planning.deployments
    years = sorted({int(y) for y in d.start_year}) or [settings.first_year]
    chosen: Ints = np.empty(0, dtype=np.int64)
    steps: list[OrderStep] = []
    unstated, left = "", 2 * len(years)
    nested: Found | None = None
    ended = Ended.GAP
    free: Found | None = None
    for year in years:
        search = Search(planning, by, d.start_year <= year)
        held = _held(planning, chosen, year)
        nested = search.best(shared(limits, began, left), held, start=nested, progress=progress)
        left -= 1
        if ended is Ended.GAP:
            ended = nested.ended
        if not nested.any:
            break
        start = nested if free is None else _better(search, nested, free)
        free = nested if not held else search.best(shared(limits, began, left), start=start, progress=progress)
        left -= 1
        every = np.array(nested.picked, dtype=np.int64)
        chosen = every[d.start_year[every] <= year]
        try:
            targets = targets_at(planning, chosen)
        except UnknownGasError as error:
            targets, unstated = (), str(error)
        money = cost_by_year(with_best_ways(planning, chosen), chosen)
        steps.append(
            OrderStep(
                year,
                named(planning, [int(k) for k in chosen if d.start_year[k] == year]),
                named(planning, chosen.tolist()),
                nested.value,
                nested.bound,
                nested.gap,
                nested.proved,
                nested.ended,
                free.value,
                free.bound,
                money[year - settings.first_year],
                sum(money),
                targets,
            )
        )
    whole = len(steps) == len(years)
    price = 0.0
    if whole and free is not None:
        price = max(0.0, Search(planning, by).loss(free.value, steps[-1].value))
    return BuildOrder(
        by,
        tuple(steps),
        tuple(int(k) for k in chosen) if steps else (),
        named(planning, free.picked) if whole and free is not None else (),
        free.value if whole and free is not None else np.nan,
        price,
        limits.gap,
        whole,
        ended,
        unstated,
    )


def _held(planning: Planning, chosen: Ints, year: int) -> list[Condition]:
    """Return the condition that exactly the chosen deployments start before a year, none before the first."""
    earlier = np.flatnonzero(planning.deployments.start_year < year)
    if earlier.size == 0:
        return []
    signs = np.where(np.isin(earlier, chosen), 1, -1).astype(np.int64)
    return [Condition(earlier, signs, lower=int(chosen.size), upper=NO_LIMIT)]


def _better(search: Search, nested: Found, free: Found) -> Found:
    """Return the better of two layouts as a start: both keep all rules."""
    gain = search.loss(search.value_of(nested.picked), search.value_of(free.picked))
    return nested if gain >= 0.0 or not free.any else free
