"""What a layout costs, by year and kind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Ints
from siting.deployments import COST_KINDS
from siting.planning import Planning
from siting.selection.standing import bought_by_year, cost_by_year, purchase_cents

KINDS = (*COST_KINDS, "transport")


@dataclass(frozen=True)
class SiteCost:
    """Cost of one deployment in one year by kind, in hundredths of the currency."""

    id: str
    plan: str
    year: int
    by_kind: tuple[int, ...]


@dataclass(frozen=True)
class FixedCost:
    """A fixed cost of transport, a voyage or a leg, in one year, in hundredths; paid once by the `users`."""

    name: str
    year: int
    cents: int
    users: tuple[str, ...]


@dataclass(frozen=True)
class Money:
    """Cost of a layout in hundredths of the currency.

    `kinds` names the kinds of a site's cost, the last of them what its transport costs by the box; `sites` has one
    entry a deployment and year with any cost; `fixed` has the fixed costs of transport; `bought` counts analyzers
    bought by year and `purchases` their cost; `by_year` and `total` hold all of it.
    """

    currency: str
    years: tuple[int, ...]
    kinds: tuple[str, ...]
    sites: tuple[SiteCost, ...]
    fixed: tuple[FixedCost, ...]
    bought: tuple[int, ...]
    purchases: tuple[int, ...]
    by_year: tuple[int, ...]
    total: int


def money_of(planning: Planning, picked: Ints) -> Money:
    """Return the cost of picked deployments (k,)."""
    d, region = planning.deployments, planning.region
    settings = region.settings
    ways = planning.ways_of(picked)
    years = tuple(range(settings.first_year, settings.first_year + settings.years))
    sites = tuple(
        SiteCost(
            region.candidates.ids[d.candidate[k]],
            settings.plans[d.plan[k]].id,
            year,
            (*(int(amount) for amount in d.cost_cents[k, y]), int(freight[y])),
        )
        for k, freight in zip(picked, planning.supply.cents[ways], strict=True)
        for y, year in enumerate(years)
        if d.cost_cents[k, y].any() or freight[y]
    )
    bought = tuple(bought_by_year(planning, picked))
    prices = purchase_cents(planning) or [0] * len(years)
    by_year = tuple(cost_by_year(planning, picked))
    return Money(
        settings.currency,
        years,
        KINDS,
        sites,
        _fixed(planning, picked, ways, years),
        bought,
        tuple(n * price for n, price in zip(bought, prices, strict=True)),
        by_year,
        sum(by_year),
    )


def _fixed(planning: Planning, picked: Ints, ways: Ints, years: tuple[int, ...]) -> tuple[FixedCost, ...]:
    supply, d, ids = planning.supply, planning.deployments, planning.region.candidates.ids
    asks = supply.asks(ways)
    found = []
    for s, shared in enumerate(supply.network.shared):
        for y in np.flatnonzero(asks[:, s].any(axis=0)).tolist():
            users = sorted(ids[d.candidate[k]] for k in picked[asks[:, s, y]])
            found.append(FixedCost(shared.name, years[y], int(supply.shared_cents[s, y]), tuple(users)))
    return tuple(found)
