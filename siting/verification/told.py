"""What layout.json tells of a layout, worked out again from the region and the picks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from siting.arrays import Ints
from siting.assessment.assumed import assumed_at_picks
from siting.assessment.precision import precision
from siting.outputs.lines import counted
from siting.outputs.manifest import asked_content
from siting.outputs.shown import target_content
from siting.planning import Planning
from siting.record.air import UnknownGasError
from siting.region.model import Region, bearing
from siting.selection.registry import judge
from siting.selection.score import layout_score
from siting.verification.verdict import Check

# Two computations of one number agree to this, relative to its size.
SAME = 1e-7
MOST_NAMED = 3


class MissingError(Exception):
    """layout.json lacks something that it must tell, or tells it in another form."""


def key(told: dict[str, Any], name: str) -> Any:
    """Return what layout.json holds under a name; raises `MissingError` where it holds nothing."""
    if name not in told:
        raise MissingError(f"layout.json does not tell {name!r}")
    return told[name]


def number(told: Any, name: str) -> float:
    """Return a number; raises `MissingError` for anything else."""
    if isinstance(told, bool) or not isinstance(told, int | float) or not math.isfinite(told):
        raise MissingError(f"layout.json tells no number as {name!r}")
    return float(told)


def same(one: float, other: float, size: float = 1.0) -> bool:
    """Say whether two computations agree, relative to the larger of them and a size."""
    return abs(one - other) <= SAME * max(abs(one), abs(other), size)


def pairs_of(told: dict[str, Any], region: Region) -> list[tuple[int, int, int]]:
    """Return (candidate, plan, start year) of the picks; raises `MissingError` for what the region does not know."""
    ids, plans = region.candidates.ids, [plan.id for plan in region.settings.plans]
    found = []
    for one in key(told, "picked"):
        if not isinstance(one, dict) or set(one) - {"way_out", "way_home"} != {"id", "plan", "start_year"}:
            raise MissingError("layout.json tells a pick without exactly id, plan and start_year, and ways of supply")
        name, plan, year = one["id"], one["plan"], one["start_year"]
        if name not in ids or plan not in plans or isinstance(year, bool) or not isinstance(year, int):
            raise MissingError(f"the region knows no {plan!r} at {name!r} from {year!r}")
        found.append((ids.index(name), plans.index(plan), year))
    if len(set(found)) != len(found):
        raise MissingError("layout.json tells a pick twice")
    return found


def inputs_check(told: dict[str, Any], region: Region) -> Check:
    """Compare the hashes of the inputs with those that the run wrote down."""
    before, now = key(told, "inputs"), bearing(dict(region.inputs))
    if not isinstance(before, dict):
        raise MissingError("layout.json tells no hashes of its inputs")
    before = bearing(before)
    wrong = sorted(name for name in {*before, *now} if before.get(name) != now.get(name))
    if wrong or key(told, "title") != region.settings.title:
        return Check("inputs", False, f"changed since the run: {', '.join(wrong) or 'the title'}")
    return Check("inputs", True, f"unchanged, {len(now)} file{'s' if len(now) != 1 else ''}")


def layout_checks(told: dict[str, Any], planning: Planning, picked: Ints) -> list[Check]:
    """Judge the picks by every rule and compare what they cost, score and show with what is told."""
    judged = judge(planning, picked)
    broken = [j.label for j in judged if not j.holds]
    rules = [{"rule": j.label, "condition": j.words, "holds": j.holds, "found": j.found} for j in judged]
    searched = told.get("objective") is not None
    checks = []
    if broken and searched:
        checks.append(Check("rules", False, f"broken: {'; '.join(broken)}"))
    else:
        words = f"all {len(judged)} conditions hold" if not broken else f"broken, as told: {'; '.join(broken)}"
        checks.append(_compared("rules", told, {"rules": rules, "rules_broken": broken}, words))
    checks.append(
        _compared("asked", told, {"asked": asked_content(planning)}, "the same window, money, stock and choice")
    )
    total, by_year = cost_cents(planning, picked)
    settings = planning.region.settings
    cost = {
        "currency": settings.currency,
        "cost_total": total / 100,
        "cost_by_year": {str(settings.first_year + y): amount / 100 for y, amount in enumerate(by_year)},
    }
    checks.append(_compared("cost", told, cost, f"{total / 100:,.2f} {settings.currency}, added up again"))
    years = f"{settings.first_year}-{settings.first_year + settings.years - 1}"
    first = (
        f"{counted(picked.size, 'new site')} for {total / 100:,.0f} of {settings.budget.total:,.0f} "
        f"{settings.currency}, {years}."
    )
    begins = str(key(told, "answer")).startswith(first)
    checks.append(
        Check("answer", begins, "its sites, money and years are these" if begins else f"does not begin: {first}")
    )
    score = layout_score(planning, picked)
    coverage = dict(zip((band.id for band in settings.bands), score.coverage, strict=True))
    content = {"score": {"worth": score.worth, "coverage": coverage, "total": score.total}}
    checks.append(_compared("score", told, content, f"{score.total:.4f}, worked out again"))
    shown: dict[str, Any] = {"targets": [], "shortfall": None}
    words = "no target can be stated, as told"
    try:
        given = precision(planning, picked)
    except UnknownGasError:
        pass
    else:
        shown = {"targets": target_content(given), "shortfall": given.shortfall}
        words = f"{len(given.shown)} errors worked out again; shortfall {given.shortfall:.6g}"
    checks.append(_compared("targets", told, shown, words))
    guessed = {column: list(ids) for column, ids in assumed_at_picks(planning, picked).items()}
    checks.append(_compared("assumed", told, {"assumed": guessed}, "the same inputs are named as assumed"))
    return checks


def cost_cents(planning: Planning, picked: Ints) -> tuple[int, list[int]]:
    """Return the cost of picks in hundredths, in all and by year, each analyzer beyond stock bought when needed."""
    d, settings = planning.deployments, planning.region.settings
    budget, stock = settings.budget, settings.stock
    by_year = []
    owned = stock.analyzers - stock.spare_analyzers
    for y in range(settings.years):
        amount = sum(int(part) for k in picked for part in d.cost_cents[k, y]) + _transport_cents(planning, picked, y)
        needed = sum(int(d.analyzers[k, y]) for k in picked)
        if stock.buy_price is not None and needed > owned:
            price = stock.buy_price * (1.0 + budget.contingency) * (1.0 + budget.overhead)
            price *= (1.0 + budget.price_growth) ** y
            amount += (needed - owned) * math.floor(round(price * 100.0, 6) + 0.5)
            owned = needed
        by_year.append(amount)
    return sum(by_year), by_year


def _transport_cents(planning: Planning, picked: Ints, y: int) -> int:
    """Return what supply costs in a year, in hundredths: freight of each pick, and each fixed cost once."""
    supply = planning.supply
    amount, paid = 0, set()
    for k, way in zip(picked.tolist(), planning.ways_of(picked).tolist(), strict=True):
        amount += int(supply.cents[way, y])
        if planning.deployments.first_month[k] < 12 * (y + 1):
            paid |= set(np.flatnonzero(supply.uses[way]).tolist())
    return amount + sum(int(supply.shared_cents[s, y]) for s in paid)


def ways_of(told: dict[str, Any], planning: Planning, pairs: list[tuple[int, int, int]]) -> Planning:
    """Return the planning with the ways of supply that the run tells for its picks, `pairs` in the same order.

    Raises `MissingError` for a way that is not there.
    """
    found: dict[int, int] = {}
    for one, pair in zip(key(told, "picked"), pairs, strict=True):
        k = planning.deployments.find(*pair)
        assert k is not None, "picks were looked up before"
        way = planning.supply.find(k, one.get("way_out", ""), one.get("way_home", ""))
        if way is None:
            raise MissingError(f"{one['id']!r} has no way out {one.get('way_out')!r} and home {one.get('way_home')!r}")
        found[k] = way
    return planning.with_ways(found)


def _compared(name: str, told: dict[str, Any], found: dict[str, Any], words: str) -> Check:
    wrong = [place for k, value in found.items() for place in differences(key(told, k), value, k)]
    if not wrong:
        return Check(name, True, words)
    more = f" and {len(wrong) - MOST_NAMED} more" if len(wrong) > MOST_NAMED else ""
    return Check(name, False, f"not as worked out again: {'; '.join(wrong[:MOST_NAMED])}{more}")


def differences(told: Any, found: Any, where: str) -> list[str]:
    """Name where two contents differ, numbers beyond what two computations may."""
    if isinstance(found, np.generic):
        found = found.item()
    if isinstance(found, dict) and isinstance(told, dict):
        if set(found) != set(told):
            return [f"{where} names {', '.join(sorted(map(str, set(found) ^ set(told))))} on one side only"]
        return [place for k in found for place in differences(told[k], found[k], f"{where}.{k}")]
    if isinstance(found, list | tuple) and isinstance(told, list):
        if len(found) != len(told):
            return [f"{where} has {len(told)} entries, not {len(found)}"]
        pairs = enumerate(zip(told, found, strict=True))
        return [place for i, (a, b) in pairs for place in differences(a, b, f"{where}[{i}]")]
    plain = [isinstance(x, int | float) and not isinstance(x, bool) for x in (told, found)]
    if all(plain):
        return [] if same(float(told), float(found), 1e-9) else [f"{where} is {told!r}, not {found!r}"]
    return [] if type(told) is type(found) and told == found else [f"{where} is {told!r}, not {found!r}"]
