"""How the flasks and cylinders of a layout travel, what that costs, and who shares it with whom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, Ints
from siting.deployments import hundredths, price_factors
from siting.planning import Planning
from siting.selection.shipping import best_ways, paid_by_year, supply_by_year


@dataclass(frozen=True)
class SiteSupply:
    """The supply of one picked site.

    `way_out`, `way_home` are places, empty where no legs lead; `calls` a year, `mean_wait` days of a sample for one,
    `longest_gap` days between them, `out_days`, `home_days` on the longest, `oldest` age of a sample in days when it
    comes home; `mean_flasks` and `peak_flasks` in circulation; `flasks`, `broken`, `cylinders` of a whole year and
    `boxes` each way of the busiest; money over the window in hundredths: `freight` by itself, `alone` all of its
    transport if nobody shared it, `beside` what it adds to that of the other sites, both by the cheapest ways.
    `shared_with` are the sites that pay fixed costs together with it. `affordable_alone` is False where the budget
    would not hold if it paid alone.
    """

    id: str
    plan: str
    way_out: str
    way_home: str
    estimated: bool
    calls: float
    mean_wait: float
    longest_gap: float
    out_days: float
    home_days: float
    oldest: float
    mean_flasks: float
    peak_flasks: int
    flasks: float
    broken: float
    cylinders: float
    boxes: int
    freight: int
    alone: int
    beside: int
    shared_with: tuple[str, ...]
    affordable_alone: bool


@dataclass(frozen=True)
class LegUse:
    """One leg in use: ends with their (lat, lon) (None where unknown), boxes a year out and home, money, users.

    `freight` and `fixed` in hundredths over the window; the fixed cost of a voyage is shared evenly by its legs in
    use. `users` are the sites whose goods pass.
    """

    number: int
    begin: str
    end: str
    mode: str
    days: float
    voyage: str
    begin_at: tuple[float, float] | None
    end_at: tuple[float, float] | None
    boxes_out: int
    boxes_home: int
    freight: int
    fixed: int
    users: tuple[str, ...]


@dataclass(frozen=True)
class SupplyStatement:
    """The supply of a layout: sites in the order of ids, legs in use, flasks on the road and what there are.

    `fixed_by_name` tells for each fixed cost of transport its sum over the window (hundredths) and its users.
    """

    sites: tuple[SiteSupply, ...]
    legs: tuple[LegUse, ...]
    fixed_by_name: tuple[tuple[str, int, tuple[str, ...]], ...]
    mean_flasks: float
    peak_flasks: int
    stock: int | None

    @property
    def any_legs(self) -> bool:
        """Say whether legs lead to some site."""
        return bool(self.legs)


def supply_statement(planning: Planning, picked: Ints) -> SupplyStatement:
    """Return the supply of picked deployments (k,), ascending, by the ways chosen in the planning."""
    supply = planning.supply
    ways = planning.ways_of(picked)
    paid, least = paid_by_year(planning, ways), transport_cents(planning, picked)
    ids = [planning.region.candidates.ids[planning.deployments.candidate[k]] for k in picked]
    fixed = []
    for s, shared in enumerate(supply.network.shared):
        users = tuple(sorted(ids[j] for j in np.flatnonzero(supply.uses[ways, s])))
        if users:
            fixed.append((shared.name, int((paid[s] * supply.shared_cents[s]).sum()), users))
    return SupplyStatement(
        sites=tuple(_site(planning, picked, int(k), int(way), least) for k, way in zip(picked, ways, strict=True)),
        legs=_legs(planning, ways, ids, paid),
        fixed_by_name=tuple(fixed),
        mean_flasks=float(supply.mean_flasks[ways].sum()),
        peak_flasks=int(supply.flasks[ways].sum(axis=0).max(initial=0)),
        stock=planning.region.settings.stock.flasks,
    )


def transport_cents(planning: Planning, picked: Ints) -> int:
    """Return what the transport of picked deployments (k,) costs in the window, ways chosen to be cheapest."""
    freight, fixed = supply_by_year(planning.with_ways(best_ways(planning, picked)), picked)
    return int(freight.sum() + fixed.sum())


def _site(planning: Planning, picked: Ints, k: int, way: int, least: int) -> SiteSupply:
    supply, d, settings = planning.supply, planning.deployments, planning.region.settings
    ids = planning.region.candidates.ids
    others = picked[picked != k]
    freight, fixed = supply_by_year(planning, picked)
    # Both sums with the cheapest ways: those of the layout may be dearer where stock or capacity asks for it.
    beside = least - transport_cents(planning, others)
    alone = transport_cents(planning, np.array([k], dtype=np.int64))
    partners = sorted(
        ids[d.candidate[o]]
        for o, w in zip(others, planning.ways_of(others), strict=True)
        if (supply.uses[w] & supply.uses[way]).any()
    )
    spent = int(d.cost_cents[picked].sum() + freight.sum() + fixed.sum())
    words = supply.words(way)
    flasks = float(d.full_year_flasks[k])
    cylinders = float(d.cylinders[k, -1])
    return SiteSupply(
        id=ids[d.candidate[k]],
        plan=settings.plans[d.plan[k]].id,
        way_out=words[0],
        way_home=words[1],
        estimated=bool(supply.estimated[k]),
        calls=float(supply.calls[way]),
        mean_wait=float(supply.mean_wait[way]),
        longest_gap=float(supply.longest_gap[way]),
        out_days=float(supply.out_days[way]),
        home_days=float(supply.home_days[way]),
        oldest=float(supply.oldest[way]),
        mean_flasks=float(supply.mean_flasks[way]),
        peak_flasks=int(supply.flasks[way].max(initial=0)),
        flasks=flasks,
        broken=settings.supply.breakage * flasks,
        cylinders=cylinders,
        boxes=int(supply.boxes[way].max(initial=0)),
        freight=int(supply.cents[way].sum()),
        alone=alone,
        beside=beside,
        shared_with=tuple(partners),
        affordable_alone=not partners or spent - beside + alone <= round(100.0 * settings.budget.total),
    )


def _legs(planning: Planning, ways: Ints, ids: list[str], paid: Ints) -> tuple[LegUse, ...]:
    supply, network = planning.supply, planning.supply.network
    factors = price_factors(planning.region.settings)
    count = len(planning.region.legs)
    boxes = {True: np.zeros((count, factors.size)), False: np.zeros((count, factors.size))}
    users: dict[int, set[str]] = {}
    money = np.zeros(count)
    for name, way in zip(ids, ways.tolist(), strict=True):
        if supply.round_of[way] < 0:
            continue
        one = supply.rounds[supply.round_of[way]]
        for arcs, out in ((one.out, True), (one.home, False)):
            for number in arcs:
                arc = network.arcs[number]
                boxes[out][arc.leg] += supply.boxes[way]
                money[arc.leg] += float((supply.boxes[way] * factors).sum()) * arc.price
                users.setdefault(arc.leg, set()).add(name)
    fixed = _fixed_of_legs(planning, sorted(users), paid)
    found = []
    for leg in sorted(users):
        row = planning.region.legs[leg]
        found.append(
            LegUse(
                number=leg + 1,
                begin=row.from_,
                end=row.to,
                mode=row.mode,
                days=row.days,
                voyage=row.voyage or "",
                begin_at=network.where.get(row.from_),
                end_at=network.where.get(row.to),
                boxes_out=int(boxes[True][leg].max()),
                boxes_home=int(boxes[False][leg].max()),
                freight=int(hundredths(money[leg])),
                fixed=int(fixed[leg]),
                users=tuple(sorted(users[leg])),
            )
        )
    return tuple(found)


def _fixed_of_legs(planning: Planning, used: list[int], paid: Ints) -> Floats:
    """Return (legs,) the fixed costs in hundredths; a voyage's is divided among its legs in use."""
    supply = planning.supply
    out = np.zeros(len(planning.region.legs))
    for s, shared in enumerate(supply.network.shared):
        mine = [leg for leg in shared.legs if leg in used]
        total = int((paid[s] * supply.shared_cents[s]).sum())
        for position, leg in enumerate(mine):
            out[leg] += total // len(mine) + (position < total % len(mine))
    return out
