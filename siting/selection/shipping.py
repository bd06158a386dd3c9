"""Ways of supply in the integer program: one way a deployment, fixed costs paid once, capacities shared.

A deployment with one way carries its cost on its own column; with several each way is a binary column, and the
deployment is at most their sum. A fixed cost that several candidates can share has one binary column for each span of
years in which the same deployments can use it, at least as large as every candidate's use of it; one that a single
candidate has is part of its ways.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from siting.arrays import Floats, Ints
from siting.planning import Planning
from siting.selection.highs import Solver
from siting.selection.kinds import Demand, Judgement, verdict
from siting.selection.program import ProgramBuilder, summed
from siting.selection.rows import INFINITY, Rows, row_scale

WAYS = "ways of supply"
FIXED = "fixed costs of supply"


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns of ways (R,), and of fixed costs as (fixed cost, first year, year after the last, column)."""

    ways: Ints
    fixed: tuple[tuple[int, int, int, int], ...]


def spans(planning: Planning) -> list[tuple[int, int, int]]:
    """Return (fixed cost that can be shared, first year, year after the last) by span of years with the same users."""
    supply, years = planning.supply, planning.region.settings.years
    found = []
    for s in np.flatnonzero(supply.joint).tolist():
        begins = np.unique(supply.since[supply.owner[supply.uses[:, s]]]).tolist()
        found += [(s, begin, end) for begin, end in itertools.pairwise([*begins, years])]
    return found


def supply_columns(builder: ProgramBuilder, planning: Planning) -> Columns:
    """Return the columns of ways and fixed costs, made with the rows that define them when first asked for."""
    supply = planning.supply
    counts = np.diff(supply.first)
    many = counts[supply.owner] > 1
    ways, parts = supply.owner.copy(), spans(planning)
    if not builder.family(WAYS) and not builder.family(FIXED):
        _make(builder, planning, np.flatnonzero(many), parts)
    ways[many] = builder.family(WAYS)
    return Columns(ways, tuple((s, a, b, c) for (s, a, b), c in zip(parts, builder.family(FIXED), strict=True)))


def _make(builder: ProgramBuilder, planning: Planning, chosen: Ints, parts: Sequence[tuple[int, int, int]]) -> None:
    supply, d = planning.supply, planning.deployments
    column = supply.owner.copy()
    total = supply.carried.sum(axis=1)
    for way in chosen.tolist():
        k = int(supply.owner[way])
        number = way - int(supply.first[k])
        column[way] = builder.add_column(
            f"{d.ids[k]}: way {number + 1}", cost=int(total[way]), preference=1 + number, family=WAYS
        )
    for k in np.unique(supply.owner[chosen]).tolist():
        mine = column[supply.first[k] : supply.first[k + 1]]
        builder.add_row("", np.append(mine, k), np.append(-np.ones(mine.size, dtype=np.int64), 1), upper=0)
        builder.add_default(k, [int(mine[0])])
    first = planning.region.settings.first_year
    candidate = d.candidate[supply.owner]
    for s, begin, end in parts:
        cost = int(supply.shared_cents[s, begin:end].sum())
        name = f"{supply.network.shared[s].name} in {first + begin}-{first + end - 1}"
        paid = builder.add_column(name, cost=cost, preference=1, family=FIXED)
        users = np.flatnonzero(supply.uses[:, s] & (supply.since[supply.owner] <= begin))
        for i in np.unique(candidate[users]).tolist():
            mine = column[users[candidate[users] == i]]
            builder.add_row("", np.append(mine, paid), np.append(np.ones(mine.size, dtype=np.int64), -1), upper=0)
        for way in users[users == supply.first[supply.owner[users]]].tolist():
            builder.add_default(int(supply.owner[way]), [paid])


def money_terms(builder: ProgramBuilder, planning: Planning, begin: int, end: int) -> tuple[Ints, Ints]:
    """Return columns and hundredths of all that supply costs in the years from `begin` until before `end`."""
    supply, columns = planning.supply, supply_columns(builder, planning)
    amounts = supply.carried[:, begin:end].sum(axis=1)
    used = np.flatnonzero(amounts)
    fixed = [
        (column, _span_cents(planning, (s, a, b), begin, end))
        for s, a, b, column in columns.fixed
        if max(a, begin) < min(b, end)
    ]
    return (
        np.concatenate([columns.ways[used], np.array([c for c, _ in fixed], dtype=np.int64)]),
        np.concatenate([amounts[used], np.array([m for _, m in fixed], dtype=np.int64)]),
    )


def _span_cents(planning: Planning, part: tuple[int, int, int], begin: int, end: int) -> int:
    """Return what a span of a fixed cost comes to in the years from `begin` until before `end`, in hundredths."""
    s, first, last = part
    return int(planning.supply.shared_cents[s, max(first, begin) : max(first, begin, min(last, end))].sum())


def own_cents(planning: Planning) -> Ints:
    """Return (D,) what the only way of a deployment costs in all, 0 where it has several."""
    supply = planning.supply
    single = np.diff(supply.first) == 1
    total = supply.carried.sum(axis=1)
    return np.where(single, total[supply.first[:-1]] if len(single) else 0, 0).astype(np.int64)


def supply_by_year(planning: Planning, picked: Ints) -> tuple[Ints, Ints]:
    """Return freight (Y,) and fixed costs (Y,) of picked deployments (k,) by the ways chosen, in hundredths."""
    supply, years = planning.supply, planning.region.settings.years
    ways = planning.ways_of(picked)
    freight = supply.cents[ways].sum(axis=0) if ways.size else np.zeros(years, dtype=np.int64)
    return freight, (paid_by_year(planning, ways) * supply.shared_cents).sum(axis=0).astype(np.int64)


def paid_by_year(planning: Planning, ways: Ints) -> Ints:
    """Return (S, Y) which fixed costs some ways (k,) make necessary in which years, 0 or 1."""
    return np.asarray(planning.supply.asks(ways).any(axis=0), dtype=np.int64)


@dataclass(frozen=True)
class CapacityKind:
    """Boxes a year on legs of limited capacity."""

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each arc that some way fills."""
        supply = planning.supply
        found = []
        for j, number in enumerate(supply.limited.tolist()):
            if supply.fills[:, j].any():
                words = supply.network.arcs[number].words
                limit = int(supply.capacity[j])
                found.append(Demand(f"capacity, {words}", f"at most {limit} boxes a year from {words}", j))
        return found

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """One row a year, less those that another year's row implies."""
        supply = planning.supply
        columns = supply_columns(builder, planning).ways
        ways = np.flatnonzero(supply.fills[:, demand.data])
        add_yearly(builder, demand.label, columns[ways], supply.boxes[ways], int(supply.capacity[demand.data]))

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Take the year with the most boxes."""
        supply = planning.supply
        ways = planning.ways_of(picked)
        ways = ways[supply.fills[ways, demand.data]]
        return judged_yearly(demand, supply.boxes[ways], int(supply.capacity[demand.data]))


def add_yearly(builder: ProgramBuilder, rule: str, columns: Ints, use: Ints, most: int) -> None:
    """Add "columns (k,) use at most so much in every year" of their use (k, Y), less rows that others imply."""
    for y in needed_years(use):
        builder.add_row(rule, *summed(columns, use[:, y]), upper=most)


def judged_yearly(demand: Demand, use: Ints, most: int) -> Judgement:
    """Judge the use (k, Y) of all that is picked by its greatest year."""
    found = int(use.sum(axis=0).max(initial=0))
    return verdict(demand, found <= most, f"{found}")


def needed_years(use: Ints) -> list[int]:
    """Return the years of use (k, Y) whose limit no other year's implies."""
    years = range(use.shape[1])
    return [
        y
        for y in years
        if use[:, y].any()
        and not any(
            np.all(use[:, other] >= use[:, y]) and (other > y or np.any(use[:, other] > use[:, y]))
            for other in years
            if other != y
        )
    ]


def best_ways(
    planning: Planning, picked: Ints, limits: Sequence[tuple[int, int, int]] = (), flasks: int | None = None
) -> Mapping[int, int]:
    """Return by picked deployment (k,) the way that makes all of them together cheapest.

    `limits` (hundredths, first year, year after the last) hold what supply may cost in spans of years, `flasks`
    the glass in circulation at the peak; capacities hold too. Where no ways keep all of that, the cheapest ones
    are taken that need not.
    """
    supply = planning.supply
    choice = np.array([way for k in picked for way in supply.of(int(k))], dtype=np.int64)
    if choice.size == picked.size:
        return {int(supply.owner[way]): int(way) for way in choice}
    for rules in (True, False):
        found = _cheapest(planning, picked, choice, limits if rules else (), flasks if rules else None, rules)
        if found is not None:
            return found
    raise AssertionError("ways without any rule cannot clash")


def _cheapest(
    planning: Planning,
    picked: Ints,
    choice: Ints,
    limits: Sequence[tuple[int, int, int]],
    flasks: int | None,
    capacities: bool,
) -> Mapping[int, int] | None:
    """Return the cheapest ways by a small integer program, None if no ways keep the limits."""
    supply = planning.supply
    parts = [part for part in spans(planning) if supply.uses[choice, part[0]].any()]
    m, width = choice.size, choice.size + len(parts)
    owner = supply.owner[choice]
    rows: list[tuple[Ints, Ints, float, float]] = []
    for k in picked.tolist():
        mine = np.flatnonzero(owner == k)
        rows.append((mine, np.ones(mine.size, dtype=np.int64), 1.0, 1.0))
    for p, (s, begin, _) in enumerate(parts):
        for k in picked.tolist():
            mine = np.flatnonzero((owner == k) & supply.uses[choice, s] & (supply.since[owner] <= begin))
            if mine.size:
                signs = np.append(np.ones(mine.size, dtype=np.int64), -1)
                rows.append((np.append(mine, m + p), signs, -INFINITY, 0.0))
    cost = np.concatenate(
        [supply.carried[choice].sum(axis=1), [supply.shared_cents[s, a:b].sum() for s, a, b in parts]]
    ).astype(np.int64)
    every = np.arange(width)
    for limit, begin, end in limits:
        amounts = np.concatenate(
            [
                supply.carried[choice, begin:end].sum(axis=1),
                [_span_cents(planning, part, begin, end) for part in parts],
            ]
        ).astype(np.int64)
        rows.append((every, amounts, -INFINITY, float(limit)))
    if flasks is not None:
        use = supply.flasks[choice]
        rows += [(np.arange(m), use[:, y], -INFINITY, float(flasks)) for y in needed_years(use)]
    if capacities:
        for j in range(supply.limited.size):
            mine = np.flatnonzero(supply.fills[choice, j])
            boxes, most = supply.boxes[choice[mine]], float(supply.capacity[j])
            rows += [(mine, boxes[:, y], -INFINITY, most) for y in needed_years(boxes)]
    solution = _solved(rows, cost, width)
    if solution is None:
        return None
    return {int(owner[j]): int(choice[j]) for j in np.flatnonzero(solution[:m] > 0.5)}


def _solved(rows: list[tuple[Ints, Ints, float, float]], cost: Ints, width: int) -> Floats | None:
    """Return the cheapest whole point; among those the one of the earliest ways."""
    matrix = sp.csr_array(
        (
            np.concatenate([amounts for _, amounts, _, _ in rows]),
            np.concatenate([columns for columns, _, _, _ in rows]),
            np.concatenate([[0], np.cumsum([columns.size for columns, _, _, _ in rows])]),
        ),
        shape=(len(rows), width),
    )
    scale = row_scale(matrix)
    low, high = (np.array([row[side] for row in rows]) * scale for side in (2, 3))
    scaled = Rows(sp.csr_array(sp.diags_array(scale) @ matrix.astype(float)), low, high)
    # The earliest ways win among equal ones: a weight too small to outdo a hundredth.
    tiny = np.arange(width) / (4.0 * width * max(width, 1))
    solver = Solver(cost + tiny, np.zeros(width), np.ones(width), scaled, maximise=False)
    solver.make_integer(np.ones(width, dtype=bool))
    result = solver.solve_mip(gap=0.0)
    return None if result.point is None else np.rint(result.point)
