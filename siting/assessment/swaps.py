"""What the best replacement of each picked site would cost: one site out, one at another place in, all rules kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from siting.arrays import Ints
from siting.assessment.costchange import CostChange
from siting.assessment.values import RulesAfter, Value
from siting.planning import Planning
from siting.selection.kinds import SpacingKind
from siting.selection.standing import AnalyzersKind

# Replacements of one site that are judged by all rules, at most; the best come first.
MOST_JUDGED = 500


@dataclass(frozen=True)
class SiteSwap:
    """The best replacement of a picked site.

    `other` is the deployment (id, plan, start year) that keeps every rule which held before and leaves the layout
    the greatest value; None where none of those that were judged does. `change` is that of the value (score points,
    or by "error" minus the growth of the shortfall; below 0 the layout loses), `cents` that of the cost in the
    window in hundredths. `complete` says that no replacement was left unjudged that could be better.
    """

    id: str
    plan: str
    start_year: int
    by: Literal["score", "error"]
    other: tuple[str, str, int] | None
    change: float
    cents: int
    complete: bool


def site_swaps(
    planning: Planning, picked: Ints, money: CostChange, rules: RulesAfter, value: Value, by: Literal["score", "error"]
) -> tuple[SiteSwap, ...]:
    """Return the best replacement of each picked deployment (k,), in their order.

    By score every other deployment counts. By error the earliest one of each plan at each place does, for an
    earlier record never tells less: where one is turned away, a later start might have kept the rules, and the result
    says that it is not complete; nor is it where there are too many places to look at all. Ties go to the smaller id.
    """
    return tuple(_best(planning, int(k), money, rules, value, by) for k in picked)


def _best(
    planning: Planning, k: int, money: CostChange, rules: RulesAfter, value: Value, by: Literal["score", "error"]
) -> SiteSwap:
    there, gains, aside = value.replacements(k)
    # Too near at one time is too near at any: nothing is left aside by that. In another year an analyzer may be free.
    near, lacking = (rules.shut([k], of)[there] for of in (SpacingKind, AnalyzersKind))
    open_ = ~near & ~lacking
    there, gains, turned = there[open_], gains[open_], bool((lacking & ~near).any())
    order = there[np.argsort(-np.round(gains, 9), kind="stable")]
    change = dict(zip(there.tolist(), gains.tolist(), strict=True))
    # A replacement that costs too much is turned away before all rules are looked at.
    limited = rules.holds_money()
    judged, found = 0, None
    for j in order.tolist():
        if limited and money.change([k], [j]) > money.leftover:
            turned = True
            continue
        if judged >= MOST_JUDGED:
            break
        judged += 1
        if rules.keeps([k], [j]):
            found = j
            break
        turned = True
    seen = aside == "none" or (aside == "later starts" and not turned)
    complete = seen and (found is not None or judged < MOST_JUDGED)
    d, region = planning.deployments, planning.region

    def named(which: int) -> tuple[str, str, int]:
        plan = region.settings.plans[d.plan[which]].id
        return region.candidates.ids[d.candidate[which]], plan, int(d.start_year[which])

    other = None if found is None else named(found)
    gain, cents = (0.0, 0) if found is None else (change[found], money.change([k], [found]))
    return SiteSwap(*named(k), by, other, gain, int(cents), complete)
