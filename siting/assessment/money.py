"""What a layout costs, by year and kind."""

from __future__ import annotations

from dataclasses import dataclass

from siting.deployments import COST_KINDS
from siting.planning import Planning
from siting.region.model import Ints
from siting.selection.standing import bought_by_year, cost_by_year, purchase_cents


@dataclass(frozen=True)
class SiteCost:
    """Cost of one deployment in one year by kind, in hundredths of the currency."""

    id: str
    plan: str
    year: int
    by_kind: tuple[int, ...]


@dataclass(frozen=True)
class Money:
    """Cost of a layout in hundredths of the currency.

    `kinds` names the kinds of a site's cost; `sites` has one entry a deployment and year with any
    cost; `bought` counts analyzers bought by year and `purchases` their cost; `by_year` and `total`
    hold all of it.
    """

    currency: str
    years: tuple[int, ...]
    kinds: tuple[str, ...]
    sites: tuple[SiteCost, ...]
    bought: tuple[int, ...]
    purchases: tuple[int, ...]
    by_year: tuple[int, ...]
    total: int


def money_of(planning: Planning, picked: Ints) -> Money:
    """Return the cost of picked deployments (k,)."""
    d, region = planning.deployments, planning.region
    settings = region.settings
    years = tuple(range(settings.first_year, settings.first_year + settings.years))
    sites = tuple(
        SiteCost(
            region.candidates.ids[d.candidate[k]],
            settings.plans[d.plan[k]].id,
            year,
            tuple(int(amount) for amount in d.cost_cents[k, y]),
        )
        for k in picked
        for y, year in enumerate(years)
        if d.cost_cents[k, y].any()
    )
    bought = tuple(bought_by_year(planning, picked))
    prices = purchase_cents(planning) or [0] * len(years)
    by_year = tuple(cost_by_year(planning, picked))
    return Money(
        settings.currency,
        years,
        COST_KINDS,
        sites,
        bought,
        tuple(n * price for n, price in zip(bought, prices, strict=True)),
        by_year,
        sum(by_year),
    )
