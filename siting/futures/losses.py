"""What a layout loses with one site or two of them, and what goes first when money is cut."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Ints
from siting.futures.outcome import Pick, planned
from siting.judging.frontier import TargetAt, targets_at
from siting.judging.search import Search, named
from siting.planning import Planning
from siting.record.air import UnknownGasError
from siting.region.model import Region
from siting.selection.program import Limits

# Layouts of more sites than this are not asked for the loss of every pair.
MOST_IN_PAIRS = 60


@dataclass(frozen=True)
class Loss:
    """What goes with some sites: `loss` of the value (above 0 is worse), and (tracer, target) of goals then missed."""

    sites: tuple[str, ...]
    value: float
    loss: float
    targets: tuple[TargetAt, ...]
    missed: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Cut:
    """The best part of a layout that a share less of all money can pay.

    `goes` are the sites that it lacks; without a part that keeps the rules (`found` False) the rest is empty.
    `missed` are goals, (tracer, target), that the whole layout met and the part does not. The fields of `anew` tell of
    the best layout that the money left can pay, chosen freely.
    """

    share: float
    found: bool
    value: float
    loss: float
    cents: int
    stays: tuple[str, ...]
    goes: tuple[str, ...]
    targets: tuple[TargetAt, ...]
    missed: tuple[tuple[str, str], ...]
    anew_found: bool
    anew_loss: float
    anew_comes: tuple[str, ...]
    anew_goes: tuple[str, ...]


def losses(search: Search, picked: Ints) -> tuple[tuple[Loss, ...], tuple[Loss, ...] | None]:
    """Return the loss of each site and of each pair of sites of picked deployments (k,), the worst first.

    Rules are not asked: a site that fails takes its rules with it. Pairs are None beyond `MOST_IN_PAIRS` sites.
    """
    planning = search.planning
    before, known = search.value_of(picked.tolist()), _targets(planning, picked)
    sites = [site for site, _, _ in named(planning, picked.tolist())]

    def lost(gone: Sequence[int]) -> Loss:
        rest = np.delete(picked, list(gone))
        value = search.value_of(rest.tolist())
        targets = _targets(planning, rest)
        return Loss(
            tuple(sorted(sites[k] for k in gone)), value, search.loss(before, value), targets, missed(known, targets)
        )

    def worst_first(found: list[Loss]) -> tuple[Loss, ...]:
        return tuple(sorted(found, key=lambda one: (-one.loss, one.sites)))

    single = worst_first([lost([k]) for k in range(picked.size)])
    if picked.size > MOST_IN_PAIRS:
        return single, None
    return single, worst_first([lost(pair) for pair in itertools.combinations(range(picked.size), 2)])


def cuts(
    region: Region, layout: Sequence[Pick], search: Search, picked: Ints, shares: Sequence[float], limits: Limits
) -> tuple[Cut, ...]:
    """Return what of a layout the rules bear when every budget is cut by shares (0 to 1), total and yearly alike.

    `search` and `picked` (k,) are the layout in the region as it is.
    """
    before, known = search.value_of(picked.tolist()), _targets(search.planning, picked)
    sites = {site for site, _, _ in layout}
    found = []
    for share in shares:
        planning, there = planned(with_less_money(region, share), layout)
        less = Search(planning, search.by)
        part = less.fitted(there.tolist(), limits)
        anew = less.best(limits, start=part)
        targets = _targets(planning, np.array(part.picked, dtype=np.int64)) if part.any else ()
        stays = {site for site, _, _ in named(planning, part.picked)}
        chosen = {site for site, _, _ in named(planning, anew.picked)}
        found.append(
            Cut(
                share,
                part.any,
                part.value if part.any else np.nan,
                search.loss(before, part.value) if part.any else np.nan,
                part.cents,
                tuple(sorted(stays)),
                tuple(sorted(sites - stays)),
                targets,
                missed(known, targets),
                anew.any,
                search.loss(before, anew.value) if anew.any else np.nan,
                tuple(sorted(chosen - sites)),
                tuple(sorted(sites - chosen)) if anew.any else (),
            )
        )
    return tuple(found)


def with_less_money(region: Region, share: float) -> Region:
    """Return the region with its total and yearly budgets cut by a share (0 to below 1)."""
    if not 0.0 <= share < 1.0:
        raise ValueError(f"share is {share}; it must be 0 or more and below 1")
    budget, kept = region.settings.budget, 1.0 - share
    each = budget.per_year
    yearly = None if each is None else tuple(kept * a for a in each) if isinstance(each, tuple) else kept * each
    changed = budget.model_copy(update={"total": kept * budget.total, "per_year": yearly})
    return replace(region, settings=region.settings.model_copy(update={"budget": changed}))


def missed(before: Sequence[TargetAt], after: Sequence[TargetAt]) -> tuple[tuple[str, str], ...]:
    """Return (tracer, target) of goals that were met before and are not any more."""
    met = {(t.tracer, t.target) for t in before if t.met}
    return tuple((t.tracer, t.target) for t in after if not t.met and (t.tracer, t.target) in met)


def _targets(planning: Planning, picked: Ints) -> tuple[TargetAt, ...]:
    try:
        return targets_at(planning, picked)
    except UnknownGasError:
        return ()
