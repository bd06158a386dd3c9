"""Rule kinds that come from the tables of region.toml and from the status column: money, stock, laboratory."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Ints
from siting.deployments import hundredths, price_factors
from siting.planning import Planning
from siting.selection.kinds import Demand, Judgement, verdict
from siting.selection.program import ProgramBuilder, summed
from siting.selection.shipping import (
    add_yearly,
    best_ways,
    judged_yearly,
    money_terms,
    supply_by_year,
    supply_columns,
)

BOUGHT = "bought analyzers"


def cents(amount: float) -> int:
    """Return money in whole hundredths, rounded half up."""
    return int(hundredths(amount))


def money(hundredths: int) -> str:
    """Return hundredths as money for a sentence."""
    return f"{hundredths / 100:,.0f}" if hundredths % 100 == 0 else f"{hundredths / 100:,.2f}"


def purchase_cents(planning: Planning) -> list[int]:
    """Return what one more analyzer costs in each year of the window, empty where none can be bought."""
    settings = planning.region.settings
    if settings.stock.buy_price is None:
        return []
    return [int(price) for price in hundredths(settings.stock.buy_price * price_factors(settings))]


def bought_by_year(planning: Planning, picked: Ints) -> list[int]:
    """Return how many analyzers picked deployments (k,) make necessary to buy in each year."""
    settings = planning.region.settings
    free = settings.stock.analyzers - settings.stock.spare_analyzers
    needed = np.maximum(0, planning.deployments.analyzers[picked].sum(axis=0) - free)
    grown = np.maximum.accumulate(needed) if needed.size else needed
    return [int(b) for b in np.diff(grown, prepend=0)]


def cost_by_year(planning: Planning, picked: Ints) -> list[int]:
    """Return the cost of picked deployments (k,) in each year, bought analyzers included, in hundredths."""
    freight, fixed = supply_by_year(planning, picked)
    sites = planning.deployments.yearly_cents()[picked].sum(axis=0) + freight + fixed
    prices = purchase_cents(planning) or [0] * planning.region.settings.years
    return [int(s) + n * p for s, n, p in zip(sites, bought_by_year(planning, picked), prices, strict=True)]


def _purchases(builder: ProgramBuilder, planning: Planning) -> list[list[int]]:
    """Return the purchase columns [unit][year], made when first asked for; one binary a unit and year.

    Each unit is bought once at most, and unit k + 1 not before unit k, so that equal units are no
    different layouts. A unit is paid when it is first needed: never on stock in a year in which money is
    left or prices are lower, since `bought_by_year` counts it where the need arises.
    """
    prices = purchase_cents(planning)
    if not prices:
        return []
    stock, first_year = planning.region.settings.stock, planning.region.settings.first_year
    years, free = len(prices), stock.analyzers - stock.spare_analyzers
    found = builder.family(BOUGHT)
    if not found:
        for unit in range(stock.buy_most):
            for y in range(years):
                builder.add_column(
                    f"buy analyzer {unit + 1} in {first_year + y}",
                    cost=prices[y],
                    preference=years - y,
                    family=BOUGHT,
                )
        found = builder.family(BOUGHT)
        units = [found[k * years : (k + 1) * years] for k in range(stock.buy_most)]
        need = planning.deployments.analyzers
        for k, unit_columns in enumerate(units):
            builder.add_row("", unit_columns, [1] * years, upper=1)
            for y in range(years):
                so_far = unit_columns[: y + 1]
                if k:
                    both = units[k - 1][: y + 1] + so_far
                    builder.add_row("", both, [-1] * (y + 1) + [1] * (y + 1), upper=0)
                # Bought by this year only if as many analyzers as this unit makes are then in the field.
                users = np.flatnonzero(need[:, y])
                builder.add_row(
                    "",
                    np.concatenate([np.array(so_far, dtype=np.int64), users]),
                    np.concatenate([np.full(y + 1, free + k + 1, dtype=np.int64), -need[users, y]]),
                    upper=0,
                )
    return [found[k * years : (k + 1) * years] for k in range(stock.buy_most)]


@dataclass(frozen=True)
class OneEachKind:
    """One deployment a candidate; this defines what a layout is and is never given up."""

    def demands(self, planning: Planning) -> list[Demand]:
        """Return the one demand."""
        del planning
        return [Demand("one deployment a candidate", "at most one plan and start year at each candidate")]

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """One row for each candidate with more than one deployment."""
        del demand
        candidate = planning.deployments.candidate
        edges = np.flatnonzero(np.diff(candidate, prepend=-1, append=-1))
        for begin, end in itertools.pairwise(edges):
            if end - begin > 1:
                builder.add_row("", np.arange(begin, end), np.ones(end - begin, dtype=np.int64), upper=1)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Look for a candidate picked twice."""
        sites, counts = np.unique(planning.deployments.candidate[picked], return_counts=True)
        twice = [planning.region.candidates.ids[i] for i in sites[counts > 1]]
        return verdict(demand, not twice, "held" if not twice else f"twice: {', '.join(twice)}")


@dataclass(frozen=True)
class BudgetKind:
    """Total budget, and the budget of each year with or without carrying over."""

    def demands(self, planning: Planning) -> list[Demand]:
        """Return the total and, where given, each year."""
        settings = planning.region.settings
        budget, currency = settings.budget, settings.currency
        total = cents(budget.total)
        found = [Demand("budget.total", f"at most {money(total)} {currency} in all", (total, 0, settings.years))]
        if budget.per_year is None:
            return found
        yearly = budget.per_year if isinstance(budget.per_year, tuple) else (budget.per_year,) * settings.years
        limits = [cents(amount) for amount in yearly]
        for y in range(settings.years):
            year = settings.first_year + y
            if budget.carry_over:
                limit = sum(limits[: y + 1])
                words, span = f"at most {money(limit)} {currency} by the end of {year}", (limit, 0, y + 1)
            else:
                words, span = f"at most {money(limits[y])} {currency} in {year}", (limits[y], y, y + 1)
            found.append(Demand(f"budget.per_year, {year}", words, span))
        return found

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Cents of sites and purchases in the span of years."""
        limit, begin, end = demand.data
        amounts = planning.deployments.yearly_cents()[:, begin:end].sum(axis=1)
        columns = np.flatnonzero(amounts)
        purchases = [
            (unit[y], p)
            for unit in _purchases(builder, planning)
            for y, p in enumerate(purchase_cents(planning))
            if begin <= y < end
        ]
        carried, freight = money_terms(builder, planning, begin, end)
        terms = summed(
            np.concatenate([columns, carried, np.array([c for c, _ in purchases], dtype=np.int64)]),
            np.concatenate([amounts[columns], freight, np.array([p for _, p in purchases], dtype=np.int64)]),
        )
        builder.add_row(demand.label, *terms, upper=limit)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Add up the money."""
        limit, begin, end = demand.data
        spent = sum(cost_by_year(planning, picked)[begin:end])
        return verdict(demand, spent <= limit, money(spent))


@dataclass(frozen=True)
class AnalyzersKind:
    """Analyzers in stock less the spare ones, and those that are bought."""

    def demands(self, planning: Planning) -> list[Demand]:
        """Return the one demand, where any plan needs an analyzer."""
        stock = planning.region.settings.stock
        if not planning.deployments.has_analyzer.any():
            return []
        words = f"at most {stock.analyzers - stock.spare_analyzers} analyzers in the field"
        words += f" ({stock.analyzers} in stock, {stock.spare_analyzers} kept at home as reference)"
        if stock.buy_price is not None:
            words += f", {stock.buy_most} more may be bought"
        return [Demand("stock.analyzers", words)]

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """For each year in which the need can grow: analyzers in use less those bought by then."""
        stock = planning.region.settings.stock
        need = planning.deployments.analyzers
        purchases = _purchases(builder, planning)
        for y in range(need.shape[1]):
            if not purchases and y + 1 < need.shape[1]:
                continue  # an analyzer stays where it stands, so without purchases the last year says it all
            columns = np.flatnonzero(need[:, y])
            units = [column for unit in purchases for column in unit[: y + 1]]
            builder.add_row(
                demand.label,
                np.concatenate([columns, np.array(units, dtype=np.int64)]),
                np.concatenate([need[columns, y], -np.ones(len(units), dtype=np.int64)]),
                upper=stock.analyzers - stock.spare_analyzers,
            )

    def shut(self, planning: Planning, picked: Ints, demand: Demand) -> Bools:
        """Return a mask of the deployments for which no analyzer is left, nor can be bought, besides picked (k,)."""
        del demand
        stock, need = planning.region.settings.stock, planning.deployments.analyzers
        allowed = stock.analyzers - stock.spare_analyzers + (stock.buy_most if stock.buy_price is not None else 0)
        return np.asarray((need > 0).any(axis=1) & ((need + need[picked].sum(axis=0)).max(axis=1) > allowed))

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Count analyzers in the field and those that must be bought."""
        stock = planning.region.settings.stock
        used = int(planning.deployments.analyzers[picked].sum(axis=0).max(initial=0))
        bought = sum(bought_by_year(planning, picked))
        allowed = stock.buy_most if stock.buy_price is not None else 0
        more = f", {bought} of them to be bought" if allowed else f", {bought} too many and none can be bought"
        return verdict(demand, bought <= allowed, f"{used}" + (more if bought else ""))


@dataclass(frozen=True)
class FlasksKind:
    """Flasks in circulation at the peak, in every year, by the ways of supply."""

    def demands(self, planning: Planning) -> list[Demand]:
        """Return the one demand where there is a limit."""
        limit = planning.region.settings.stock.flasks
        words = f"at most {limit} flasks in circulation at the peak"
        return [] if limit is None else [Demand("stock.flasks", words, limit)]

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """One row a year, less those that another year's row implies."""
        columns = supply_columns(builder, planning).ways
        add_yearly(builder, demand.label, columns, planning.supply.flasks, demand.data)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Take the year of the greatest use."""
        return judged_yearly(demand, planning.supply.flasks[planning.ways_of(picked)], demand.data)


@dataclass(frozen=True)
class LaboratoryKind:
    """Samples that the laboratory can take in every year."""

    def demands(self, planning: Planning) -> list[Demand]:
        """Return the one demand where there is a limit."""
        limit = planning.region.settings.laboratory.samples_per_year
        words = f"at most {limit} samples a year to analyse"
        return [] if limit is None else [Demand("laboratory.samples_per_year", words, limit)]

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """One row a year, less those that another year's row implies."""
        use = planning.deployments.laboratory
        add_yearly(builder, demand.label, np.arange(use.shape[0]), use, demand.data)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Take the year of the greatest use."""
        return judged_yearly(demand, planning.deployments.laboratory[picked], demand.data)


@dataclass(frozen=True)
class RequiredKind:
    """Candidates that must be picked."""

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each required candidate; says why where nothing can be picked there."""
        c, d = planning.region.candidates, planning.deployments
        offered = set(d.candidate.tolist())
        found = []
        for i, candidate in enumerate(c.ids):
            if c.status[i] != "required":
                continue
            words = f"{candidate} must be picked"
            if i not in offered:
                reasons = sorted({left.reason for left in d.left_out if left.candidate == candidate})
                words += f", but nothing can be picked there: {'; '.join(reasons) or 'no plan fits'}"
            found.append(Demand(f"status required: {candidate}", words, i))
        return found

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Sum of its deployments at least 1."""
        columns = np.flatnonzero(planning.deployments.candidate == demand.data)
        builder.add_row(demand.label, columns, np.ones(columns.size, dtype=np.int64), lower=1)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Look it up among the picked."""
        there = demand.data in planning.deployments.candidate[picked]
        return verdict(demand, there, "in" if there else "out")


@dataclass(frozen=True)
class OfferedKind:
    """Nothing is picked that status, vetoes or fit rule out.

    Such deployments are not offered at all. They are in the table only where a given layout, or the
    search for clashing rules, asked for them; then each thing in their way is a rule of its own.
    """

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each thing in the way of a deployment in the table, or one that nothing is."""
        barred = self._barred(planning)
        if not barred:
            return [Demand("status and vetoes", "nothing is picked that status, vetoes or fit rule out", ())]
        return [
            Demand(
                rule, f"nothing is picked against it: {', '.join(sorted({name for _, name, _ in found})[:6])}", found
            )
            for rule, found in sorted(barred.items())
        ]

    @staticmethod
    def _barred(planning: Planning) -> dict[str, tuple[tuple[int, str, str], ...]]:
        """Return by rule the (column, candidate, reason) of deployments that should not be picked."""
        d, region = planning.deployments, planning.region
        if not d.left_out:
            return {}
        plans = region.settings.plans
        found: dict[str, list[tuple[int, str, str]]] = {}
        for left in d.left_out:
            # Deployments stand in the order of their candidates.
            i = region.candidates.index(left.candidate)
            for k in range(*np.searchsorted(d.candidate, [i, i + 1])):
                if left.plan in ("", plans[d.plan[k]].id):
                    found.setdefault(left.rule or "status and vetoes", []).append((int(k), left.candidate, left.reason))
        return {rule: tuple(entries) for rule, entries in found.items()}

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Close each such column."""
        for column, _, _ in demand.data:
            builder.add_row(demand.label, [column], [1], upper=0)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Name the picked deployments that should not be, with the reason."""
        chosen = set(picked.tolist())
        words = sorted({f"{name}: {reason}" for column, name, reason in demand.data if column in chosen})
        return verdict(demand, not words, "none" if not words else "; ".join(words))


def supply_limits(planning: Planning, picked: Ints) -> list[tuple[int, int, int]]:
    """Return (hundredths, first year, year after the last): what the budget leaves for supply of deployments (k,)."""
    sites = planning.deployments.yearly_cents()[picked].sum(axis=0)
    prices = purchase_cents(planning) or [0] * planning.region.settings.years
    bought = bought_by_year(planning, picked)
    own = [int(s) + n * p for s, n, p in zip(sites, bought, prices, strict=True)]
    return [
        (limit - sum(own[begin:end]), begin, end)
        for limit, begin, end in (d.data for d in BudgetKind().demands(planning))
    ]


def with_best_ways(planning: Planning, picked: Ints) -> Planning:
    """Return the planning with the cheapest ways of supply for picked deployments (k,), within the rules if any are."""
    flasks = planning.region.settings.stock.flasks
    return planning.with_ways(best_ways(planning, picked, supply_limits(planning, picked), flasks))
