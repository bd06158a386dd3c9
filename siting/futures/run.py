"""Many futures of one layout: the run of them, and what they say together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np

from siting.futures.losses import Cut, Loss, cuts, losses
from siting.futures.outcome import Outcome, Pick, Task, planned
from siting.futures.pool import packed, run
from siting.judging.frontier import TargetAt, targets_at
from siting.judging.search import By, Search
from siting.record.air import UnknownGasError
from siting.region.model import Region
from siting.selection.program import Limits
from siting.selection.registry import judge
from siting.selection.standing import with_best_ways

CUTS = (0.1, 0.2, 0.3)
QUANTILES = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Spread:
    """How a number lies over the futures: mean, the quantiles of `QUANTILES`, least and greatest; NaN without any."""

    mean: float
    low: float
    median: float
    high: float
    least: float
    greatest: float


@dataclass(frozen=True)
class TargetSpread:
    """Standard error of one target as the region is and over the futures, and in what share of them its goal is met."""

    tracer: str
    target: str
    goal: float
    nominal: float
    spread: Spread
    met: float


@dataclass(frozen=True)
class SiteShare:
    """How often a site is in the best layout of a future (0 to 1), and whether the layout has it."""

    id: str
    share: float
    picked: bool


@dataclass(frozen=True, eq=False)
class StressResult:
    """A layout over many futures; `outcomes` stand in the order of their numbers.

    `value` is that of the layout in the nominal region, `values` over the futures as it stands (whatever rules it
    breaks), `costs` its cost in the currency. `within` is the share of futures in which it keeps every rule, `broken`
    (rule, share) what it breaks how often. `regret` is how much worse its best part within the rules is than the best
    layout of each future; `unkept` futures have no such part, `without` no layout at all. `whole` is False for
    an interrupted run.
    """

    by: By
    layout: tuple[Pick, ...]
    seed: int
    asked_gap: float
    nodes: int | None
    futures: int
    outcomes: tuple[Outcome, ...]
    value: float
    broken_now: tuple[str, ...]
    values: Spread
    costs: Spread
    down: float
    targets: tuple[TargetSpread, ...]
    within: float
    broken: tuple[tuple[str, float], ...]
    regret: Spread
    unkept: int
    without: int
    sites: tuple[SiteShare, ...]
    single: tuple[Loss, ...]
    double: tuple[Loss, ...] | None
    cuts: tuple[Cut, ...]
    targets_now: tuple[TargetAt, ...]

    @property
    def whole(self) -> bool:
        """Whether every future was done."""
        return len(self.outcomes) == self.futures

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with one row a future."""
        import pandas as pd

        rows: list[dict[str, Any]] = []
        for one in self.outcomes:
            row: dict[str, Any] = {
                "future": one.number + 1,
                "price": one.price,
                "noise": one.noise,
                "down": one.down,
                "value": one.given.value,
                "cost": one.given.cents / 100.0,
                "within_rules": not one.broken,
                "kept_value": one.kept.value,
                "kept_sites": len(one.kept.layout),
                "best_value": one.best.value,
                "best_bound": one.bound,
                "regret": one.regret,
            }
            row |= {f"error {tracer} {target}": error for tracer, target, error in one.given.errors}
            rows.append({**row, "best": "; ".join(f"{i} {plan} {year}" for i, plan, year in one.best.layout)})
        return pd.DataFrame(rows)


def stress(
    region: Region,
    layout: Sequence[Pick],
    *,
    by: By = "score",
    futures: int | None = None,
    seed: int = 0,
    gap: float = 1e-2,
    nodes: int | None = None,
    workers: int = 1,
    make: Callable[[], Executor] | None = None,
    done: Iterable[Outcome] = (),
    keep: Callable[[Outcome], None] | None = None,
    stop: Callable[[], bool] | None = None,
    counter: Callable[[int, int], None] | None = None,
) -> StressResult:
    """Return how a layout fares in many futures of a region.

    `layout` are (candidate id, plan id, start year); `futures` as many as `[stress]` says if None. Each is searched to
    a relative `gap`, or through so many `nodes`, never for a time, so the result depends on neither machine nor
    number of `workers`. `make` returns an executor of `concurrent.futures` to use in place of local processes.
    `done` are outcomes of an earlier run of the same task, `keep` is told each new one, `counter(done, all)` how
    far it is; once `stop()` is True no further future is begun. Raises ValueError for an empty layout or a futures
    below 1, `PoolError` where workers keep dying.
    """
    count = region.settings.stress.futures if futures is None else futures
    if count < 1 or not layout:
        raise ValueError("futures must be 1 or more, and the layout must pick something")
    chosen = tuple(sorted(layout))
    task = Task(region, chosen, by, gap, nodes, seed)
    planning, picked = planned(region, chosen)
    search = Search(planning, by)
    found = {one.number: one for one in done if 0 <= one.number < count}
    todo = [number for number in range(count) if number not in found]
    if counter is not None:
        counter(len(found), count)
    for one in run(packed(task), todo, workers, make, stop):
        found[one.number] = one
        if keep is not None:
            keep(one)
        if counter is not None:
            counter(len(found), count)
    outcomes = tuple(found[number] for number in sorted(found))
    try:
        now = targets_at(planning, picked)
    except UnknownGasError:
        now = ()
    single, double = losses(search, picked)
    whole = max(1, len(outcomes))
    labels = sorted({label for one in outcomes for label in one.broken})
    settled = with_best_ways(planning, picked)
    return StressResult(
        by,
        chosen,
        seed,
        gap,
        nodes,
        count,
        outcomes,
        search.value_of(picked.tolist()),
        tuple(one.label for one in judge(settled, picked) if not one.holds),
        spread_of([one.given.value for one in outcomes]),
        spread_of([one.given.cents / 100.0 for one in outcomes]),
        float(np.mean([one.down for one in outcomes])) if outcomes else float("nan"),
        _targets(now, outcomes),
        sum(not one.broken for one in outcomes) / whole,
        tuple((label, sum(label in one.broken for one in outcomes) / whole) for label in labels),
        spread_of([one.regret for one in outcomes]),
        sum(one.kept.value is None for one in outcomes),
        sum(one.best.value is None for one in outcomes),
        _shares(chosen, outcomes),
        single,
        double,
        cuts(region, chosen, search, picked, CUTS, Limits(gap, None, nodes)),
        now,
    )


def spread_of(numbers: Iterable[float | None]) -> Spread:
    """Return how numbers lie, those that are None left out; all NaN without any."""
    known = np.array([x for x in numbers if x is not None], dtype=float)
    if known.size == 0:
        return Spread(*([float("nan")] * 6))
    low, median, high = (float(q) for q in np.quantile(known, QUANTILES))
    return Spread(float(known.mean()), low, median, high, float(known.min()), float(known.max()))


def _targets(now: Sequence[TargetAt], outcomes: Sequence[Outcome]) -> tuple[TargetSpread, ...]:
    found = []
    for target in now:
        errors = [e for one in outcomes for t, g, e in one.given.errors if (t, g) == (target.tracer, target.target)]
        met = sum(error <= target.goal for error in errors) / max(1, len(errors))
        found.append(TargetSpread(target.tracer, target.target, target.goal, target.error, spread_of(errors), met))
    return tuple(found)


def _shares(layout: Sequence[Pick], outcomes: Sequence[Outcome]) -> tuple[SiteShare, ...]:
    """Return how often each site is in a best layout, the most frequent first, those of the layout among them."""
    best = [set(one.best.sites) for one in outcomes if one.best.value is not None]
    own = {site for site, _, _ in layout}
    every = sorted(own.union(*best)) if best else sorted(own)
    shares = [SiteShare(site, sum(site in sites for sites in best) / max(1, len(best)), site in own) for site in every]
    return tuple(sorted(shares, key=lambda s: (-s.share, s.id)))
