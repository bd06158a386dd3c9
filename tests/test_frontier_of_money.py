"""The frontier of money against every layout of hundreds of small random regions (all invented).

The enumeration of `random_regions.py` is the outside check: rules, score and money by their sentences, no search.
"""

from __future__ import annotations

import functools
import importlib.util
import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from siting.judging.frontier import budget_frontier, change_frontier, even_budgets, knee, membership
from siting.judging.search import Search
from siting.selection.program import Ended, Limits
from siting.selection.score import layout_score


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# The latter enumerates ways of supply and legs.
regions, networks = _load("random_regions"), _load("test_supply_shared_costs")

# Regions, counted over the file; each is asked at several budgets, every fifth one at every change.
INSTANCES = 240
PARTS = 6
EXACT = Limits(gap=0.0)
# Values have nine decimals; scores nearer than this are one score.
CLOSE = 1e-9


def near(value):
    return pytest.approx(value, rel=CLOSE, abs=CLOSE)


@functools.lru_cache(maxsize=4)
def drawn(seed):
    """Return (every layout of a region whose budget was raised by half, its own budget in hundredths)."""
    planning = regions.random_region(seed)
    own = planning.region.settings.budget.total
    return regions.Every(regions.with_budget(planning, 1.5 * own)), round(100 * own)


def by_hand(points):
    """Return sites in all points, (site, budget) of those that come and stay, (site, budgets) of the others."""
    sets = [(p.budget_cents, {site for site, _, _ in p.layout}) for p in points if p.found]
    every = set().union(*(s for _, s in sets)) if sets else set()
    always = {x for x in every if all(x in s for _, s in sets)}
    stays, passing = set(), set()
    for x in every - always:
        has = [b for b, s in sets if x in s]
        if has == [b for b, _ in sets][-len(has) :]:
            stays.add((x, has[0]))
        else:
            passing.add((x, tuple(has)))
    return always, stays, passing


def check_knee(found, points):
    """Check the knee by areas of triangles with the ends: the largest one on the upper side of the line."""
    kept = [(k, float(p.budget_cents), p.value) for k, p in enumerate(points) if p.found]
    if len(kept) < 3:
        assert found is None
        return
    (_, x0, y0), (_, x1, y1) = kept[0], kept[-1]
    areas = {k: ((x1 - x0) * (y - y0) - (y1 - y0) * (x - x0)) / (x1 - x0) for k, x, y in kept}
    if found is None:
        assert max(areas.values()) == pytest.approx(0.0, abs=1e-6)
    else:
        assert areas[found] == near(max(areas.values()))
        assert areas[found] > 0.0


def check_budgets(seed, tally, gap=0.0):
    every, own = drawn(seed)
    rng = np.random.default_rng(10_000 + seed)
    low, high, count = float(rng.choice([0.1, 0.3, 0.6])), float(rng.choice([1.0, 1.25, 1.5])), int(rng.integers(2, 6))
    budgets = even_budgets(own, count, low, high)
    assert own in budgets
    # In any order and twice: they are sorted.
    asked = [*rng.permutation(budgets).tolist(), budgets[0]]
    frontier = budget_frontier(every.planning, asked, "score", Limits(gap=gap), own_cents=own)
    assert [p.budget_cents for p in frontier.points] == list(budgets)
    assert frontier.own_cents == own
    assert not frontier.every_change
    assert frontier.whole
    for point in frontier.points:
        tally["points"] += 1
        within = every.cents <= point.budget_cents
        if not within.any():
            tally["no layout"] += 1
            assert not point.found, seed
            assert point.value == -np.inf
            assert point.bound == -np.inf
            assert (point.layout, point.sites, point.cents, point.targets) == ((), (), 0, ())
            assert point.ended is Ended.INFEASIBLE
            continue
        best = float(every.value[within].max())
        size = CLOSE * max(1.0, abs(best))
        assert point.found, seed
        assert every.holds(point.layout)
        assert point.value == near(every.value_of(point.layout))
        assert point.cents == every.cents_of(point.layout) <= point.budget_cents
        assert point.value <= best + size <= point.bound + 2 * size, seed
        assert best - point.value <= gap * max(1.0, abs(point.value)) + size, (seed, point, best)
        assert point.proved
        assert point.gap <= gap
        assert point.ended is Ended.GAP
        assert [type(x) for x in (point.value, point.bound, point.gap, point.cents)] == [float, float, float, int]
        assert type(point.proved) is bool
    found = [p for p in frontier.points if p.found]
    for one, other in itertools.pairwise(found):
        tally["rising"] += other.value > one.value
        assert other.bound >= one.bound - CLOSE * max(1.0, abs(one.bound))
        assert gap > 0.0 or other.value >= one.value - CLOSE * max(1.0, abs(one.value))
    assert [(m.from_cents, m.to_cents, m.more_cents) for m in frontier.margins] == [
        (a.budget_cents, b.budget_cents, b.budget_cents - a.budget_cents) for a, b in itertools.pairwise(found)
    ]
    assert [m.gain for m in frontier.margins] == [near(b.value - a.value) for a, b in itertools.pairwise(found)]
    always, stays, passing = by_hand(frontier.points)
    assert (set(frontier.always), set(frontier.from_on), set(frontier.passing)) == (always, stays, passing)
    tally["passing"] += bool(passing)
    check_knee(frontier.knee, frontier.points)
    tally["knee"] += frontier.knee is not None
    yearly = every.planning.region.settings.budget.per_year
    assert frontier.capped_cents == (None if yearly is None else sum(round(100 * v) for v in yearly))
    assert frontier.asked_gap == gap
    frame = frontier.to_frame()
    assert frame["budget"].tolist() == [b / 100 for b in budgets]
    assert frame["value"].dropna().tolist() == [p.value for p in found]


def pareto(cents, value, low, high):
    """Return the (cost, score) of best layouts at every budget from `low` to `high`, where they change, rising."""
    steps = []
    for cost in np.unique(cents[cents <= high]).tolist():
        best = float(value[cents == cost].max())
        if not steps or best > steps[-1][1] + CLOSE * max(1.0, abs(best)):
            steps.append((int(cost), best))
    # A step counts if its layout is the best one at some budget in the range: from its cost to below the next.
    until = [*(cost - 1 for cost, _ in steps[1:]), high][: len(steps)]
    return [step for step, end in zip(steps, until, strict=True) if end >= low]


def check_changes(seed, tally):
    every, own = drawn(seed)
    low = int(np.random.default_rng(20_000 + seed).choice([0, own // 3, own]))
    planning = regions.with_budget(every.planning, own / 100)
    known = pareto(every.cents, every.value, low, own)
    frontier = change_frontier(planning, low, EXACT)
    found = [(p.cents, p.value) for p in frontier.points]
    assert [c for c, _ in found] == [c for c, _ in known], seed
    assert [v for _, v in found] == [near(v) for _, v in known], seed
    assert frontier.every_change
    assert frontier.whole
    assert frontier.own_cents == own
    for point in frontier.points:
        assert every.holds(point.layout)
        assert (point.cents, point.value) == (every.cents_of(point.layout), near(every.value_of(point.layout)))
        assert point.budget_cents == point.cents
        assert point.proved
        assert point.value <= point.bound <= point.value + CLOSE * max(1.0, abs(point.value))
    tally["changes"] += len(known)
    tally["many changes"] += len(known) >= 5
    for most in {len(known) // 2, len(known)} - {0}:
        some = change_frontier(planning, low, EXACT, most=most)
        assert [(p.cents, p.layout) for p in some.points] == [
            (p.cents, p.layout) for p in frontier.points[max(0, len(known) - most) :]
        ]
        assert some.whole is (len(known) <= most), (seed, most)


TALLY = Counter()


@pytest.mark.parametrize("part", range(PARTS))
def test_the_best_layout_at_each_budget_is_that_of_all_layouts_that_cost_no_more(part):
    for seed in range(part, INSTANCES, PARTS):
        check_budgets(seed, TALLY, gap=0.0 if seed % 4 else float(0.05 + 0.3 * (seed % 8 > 0)))


@pytest.mark.parametrize("part", range(PARTS))
def test_budgets_at_which_the_best_layout_changes_are_the_steps_of_cost_and_score_of_all_layouts(part):
    for seed in range(part, INSTANCES, 5 * PARTS):
        check_changes(seed, TALLY)


def test_what_a_frontier_can_be_took_part_more_than_once():
    """Runs on the tally of the tests above, or makes its own where some of them run in another process."""
    tally = TALLY
    least = {"no layout": 20, "rising": 40, "passing": 5, "knee": 10, "many changes": 5}
    if any(tally[name] < number for name, number in least.items()):
        tally = Counter()
        for seed in range(INSTANCES):
            check_budgets(seed, tally)
            if seed % (5 * PARTS) < PARTS:
                check_changes(seed, tally)
    for name, number in least.items():
        assert tally[name] >= number, (name, tally)


@pytest.mark.parametrize(
    ("own", "points", "low", "high", "known"),
    [
        (1000, 3, 0.5, 1.5, (500, 1000, 1500)),
        (1000, 4, 0.5, 1.5, (500, 1000, 1167, 1500)),  # 833 and 1167 lie as near; the lower one gives way
        (1000, 2, 0.4, 1.2, (400, 1000, 1200)),  # ends stay, so the own one is a third
        (1000, 3, 0.9, 2.0, (900, 1000, 2000)),  # the inner one gives way, though the end is nearer
        (1000, 3, 0.2, 0.6, (200, 400, 600)),  # the own budget lies outside
        (3, 7, 0.5, 2.0, (2, 3, 4, 5, 6)),  # hundredths that fall together are one: 1.5, 2.25, 3, 3.75, 4.5, 5.25, 6
    ],
)
def test_even_budgets_are_evenly_spaced_and_one_of_them_is_the_own(own, points, low, high, known):
    assert even_budgets(own, points, low, high) == known
    assert {type(b) for b in even_budgets(own, points, low, high)} == {int}


@given(st.integers(1, 10**9), st.integers(2, 40), st.floats(0.01, 1.0), st.floats(1.0, 5.0).filter(lambda x: x > 1.0))
def test_the_own_budget_is_always_among_even_budgets_that_reach_around_it(own, points, low, high):
    found = even_budgets(own, points, low, high)
    assert own in found
    assert list(found) == sorted(set(found))
    assert len(found) <= max(points, 3)


@pytest.mark.parametrize(("points", "low", "high"), [(1, 0.5, 1.5), (3, 0.0, 1.0), (3, 1.5, 0.5), (3, 1.0, 1.0)])
def test_even_budgets_without_two_rising_ends_are_refused(points, low, high):
    with pytest.raises(ValueError, match=r"points must be 2 or more, and the ends must rise from above 0"):
        even_budgets(1000, points, low, high)


def test_a_frontier_without_budgets_is_refused():
    every, _ = drawn(1)
    with pytest.raises(ValueError, match="there are no budgets"):
        budget_frontier(every.planning, [], "score", EXACT)


@pytest.mark.parametrize(
    ("x", "y", "known"),
    [
        ([0, 1, 4], [0, 3, 4], 1),  # 3 above a line that has 1 there
        ([0, 1, 2, 4], [0, 2, 3.5, 4], 2),  # heights 1 and 1.5
        ([0, 2, 4, 6], [0, 3, 5, 6], 1),  # heights 1 and 1: the first
        ([0, 1, 4], [0, 1, 4], None),  # a straight line
        ([0, 2, 4], [0, 1, 4], None),  # below it
        ([0, 4], [0, 4], None),  # two points
        ([5], [1], None),
        ([], [], None),
        ([1, 1, 1], [0, 2, 3], None),  # no money between the ends
        ([0, 2, 4], [-5, -2, -1], 1),  # values below 0: -2 above a line that has -3
        ([0, 1, 2], [3, 3, 3], None),  # nothing gained
    ],
)
def test_the_knee_is_the_point_farthest_above_the_line_through_the_ends(x, y, known):
    assert knee(np.array(x, dtype=float), np.array(y, dtype=float)) == known


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 50)), min_size=3, max_size=9))
def test_no_point_lies_farther_from_the_line_than_the_knee(pairs):
    x, y = (np.array(side, dtype=float) for side in zip(*sorted(pairs), strict=True))
    found = knee(x, y)
    # Distances from a line by the cross product, all divided by the same length.
    across = (x[-1] - x[0]) * (y - y[0]) - (y[-1] - y[0]) * (x - x[0])
    if found is None:
        assert x[-1] == x[0] or across.max() <= 0.0
    else:
        assert 0 < found < len(pairs) - 1
        assert across[found] == pytest.approx(across.max(), rel=1e-9)
        assert across[found] > 0.0


def test_sites_in_all_steps_sites_that_come_and_stay_and_sites_that_come_and_go():
    steps = [(10, ["a", "c"]), (20, ["a", "b"]), (30, ["d", "a", "b", "c"]), (40, ["a", "b", "d", "e"])]
    always, from_on, passing = membership(steps)
    assert always == ("a",)
    assert from_on == (("b", 20), ("d", 30), ("e", 40))
    assert passing == (("c", (10, 30)),)


def test_without_steps_or_sites_nothing_is_told_of_membership():
    assert membership([]) == ((), (), ())
    assert membership([(1, []), (2, [])]) == ((), (), ())


def test_a_site_that_only_the_first_step_has_comes_and_goes():
    assert membership([(1, ["a"]), (2, [])]) == ((), (), (("a", (1,)),))


def test_of_an_unknown_gas_no_errors_are_told_and_the_reason_is():
    every, own = drawn(1)
    frontier = budget_frontier(every.planning, [own], "score", EXACT)
    assert frontier.points[0].targets == ()
    assert "XX" in frontier.unstated


@pytest.mark.parametrize("seed", range(16))
def test_where_goods_share_ways_and_fixed_costs_the_steps_are_those_of_all_layouts_and_ways(seed):
    planning = regions.plan_region(networks.random_region(seed, sites=3 + seed % 2))
    own = round(100 * planning.region.settings.budget.total)
    every = []
    for picked in networks.every_layout(planning):
        choices = list(networks.every_choice(planning, picked))
        costs = [networks.cost_of(planning, picked, c) for c in choices if networks.keeps(planning, picked, c)]
        if costs:
            every.append((min(costs), layout_score(planning, picked).total))
    cents, value = (np.array(side) for side in zip(*every, strict=True))
    known = pareto(cents, value, 0, own)
    frontier = change_frontier(planning, 0, EXACT)
    assert [(p.cents, near(p.value)) for p in frontier.points] == known
    assert frontier.whole
    for point in budget_frontier(planning, even_budgets(own, 4, 0.1, 1.0), "score", EXACT).points:
        best = float(value[cents <= point.budget_cents].max())
        assert point.value == near(best)
        assert point.cents <= point.budget_cents
        assert point.proved


def test_a_first_layout_never_keeps_a_search_from_a_better_one():
    """In one of these the solver library gives its first layout back beside the value of a better one."""
    for seed in (9, 22, 35, 149):
        every, own = drawn(seed)
        search = Search(every.planning, "score")
        for low in (0.4, 0.6, 0.8):
            start = search.best(EXACT, most_cents=round(low * own))
            best = float(every.value[every.cents <= own].max())
            assert search.best(EXACT, most_cents=own, start=start).value == near(best), (seed, low)


@pytest.mark.parametrize("seed", range(5))
def test_by_precision_the_least_shortfall_at_each_budget_is_that_of_all_layouts_that_cost_no_more(seed):
    every = regions.EveryShortfall(regions.precise_region(seed))
    own = round(100 * every.planning.region.settings.budget.total)
    targets = every.planning.region.settings.targets
    frontier = budget_frontier(every.planning, even_budgets(own, 4, 0.25, 1.0), "precision", Limits(gap=1e-3))
    # The gap is relative to the shortfall, but to no less than a hundredth of the sum of weights.
    floor = 0.01 * sum(t.weight for t in targets)
    for point in frontier.points:
        within = every.cents <= point.budget_cents
        if not within.any():
            assert not point.found
            assert point.value == point.bound == np.inf
            assert point.ended is Ended.INFEASIBLE
            continue
        best = float(every.shortfall[within].min())
        size = 1e-7 * max(best, floor)
        assert every.holds(point.layout)
        assert point.cents == every.cents_of(point.layout) <= point.budget_cents
        own_row = (every.row(point.layout) == every.X).all(axis=1)
        assert point.value == pytest.approx(float(every.shortfall[own_row][0]), abs=size)
        assert point.bound <= best + size
        assert best <= point.value + size
        assert point.value - best <= 1e-3 * max(point.value, floor) + size
        assert point.proved
        assert [type(x) for x in (point.value, point.bound, point.gap)] == [float] * 3
        assert [(t.tracer, t.target, t.goal) for t in point.targets] == [("CO2", t.id, t.goal) for t in targets]
        over = [
            t.weight * max(0.0, (shown.error / t.goal) ** 2 - 1)
            for t, shown in zip(targets, point.targets, strict=True)
        ]
        assert sum(over) == pytest.approx(point.value, rel=1e-6, abs=size)
        assert {type(one.error) for one in point.targets} == {float}
        assert [one.met for one in point.targets] == [one.error <= one.goal for one in point.targets]
    found = [p for p in frontier.points if p.found]
    assert [m.gain for m in frontier.margins] == [a.value - b.value for a, b in itertools.pairwise(found)]
    for margin, (a, b) in zip(frontier.margins, itertools.pairwise(found), strict=True):
        assert margin.changes == tuple(
            (y.tracer, y.target, y.error - x.error) for x, y in zip(a.targets, b.targets, strict=True)
        )
    bounds = [p.bound for p in found]
    assert bounds == sorted(bounds, reverse=True)
    assert frontier.unstated == ""


def stopped_after(searches):
    """Return limits that end whatever runs, once so many layouts were looked for."""
    calls = itertools.count()
    return lambda: next(calls) >= searches


@pytest.mark.parametrize("calls", [0, 2, 4, 8, 16, 32, 64])
def test_a_frontier_that_was_stopped_says_so_and_its_bounds_still_hold(calls):
    # In the last two no first layout is found by a quick choice.
    for seed in (1, 9, 30, 114):
        every, own = drawn(seed)
        planning = regions.with_budget(every.planning, own / 100)
        known = pareto(every.cents, every.value, 0, own)
        frontier = change_frontier(planning, 0, Limits(gap=0.0, stop=stopped_after(calls)))
        found = [(p.cents, near(p.value)) for p in frontier.points]
        assert not frontier.whole or found == known
        budgets = even_budgets(own, 4, 0.4, 1.0)
        cut = budget_frontier(every.planning, budgets, "score", Limits(gap=0.0, stop=stopped_after(calls)))
        bounds = [p.bound for p in cut.points if p.found]
        assert bounds == sorted(bounds), "what no layout of more money betters, none of less does"
        for point in [*frontier.points, *cut.points]:
            within = every.cents <= point.budget_cents
            if point.ended is Ended.INFEASIBLE:
                assert not within.any()
            if not within.any():
                assert not point.found
                continue
            best = float(every.value[within].max())
            assert point.bound >= best - CLOSE * max(1.0, abs(best))
            assert point.value <= best + CLOSE * max(1.0, abs(best))
            if point.proved:
                assert point.value == near(best)


@pytest.mark.parametrize("calls", [2, 3, 5])
def test_a_bound_at_more_money_holds_at_less_where_the_search_was_cut_short(calls):
    """The first searches, of the small budgets, are interrupted; those of the large ones run to their end."""
    fell = 0
    for seed in (1, 9, 18, 24):
        every, own = drawn(seed)
        count = itertools.count()
        limits = Limits(gap=0.0, stop=lambda count=count: next(count) < calls)
        budgets = even_budgets(own, 6, 0.5, 1.0)
        found = [p for p in budget_frontier(every.planning, budgets, "score", limits).points if p.found]
        assert [p.bound for p in found] == sorted(p.bound for p in found)
        fell += sum(p.ended is Ended.INTERRUPTED and p.bound == found[-1].bound for p in found)
        for point in found:
            assert point.bound >= every.value[every.cents <= point.budget_cents].max() - 1e-7
    assert fell >= 2


@hypothesis_settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.lists(st.integers(0, 150), min_size=2, max_size=4, unique=True))
def test_more_money_never_makes_the_best_layout_worse(seed, shares):
    planning = regions.random_region(seed)
    own = planning.region.settings.budget.total
    planning = regions.with_budget(planning, 1.5 * own)
    budgets = [round(own * share) for share in shares]
    values = [p.value for p in budget_frontier(planning, budgets, "score", EXACT).points]
    assert all(b >= a - CLOSE * max(1.0, abs(a)) for a, b in itertools.pairwise(values) if np.isfinite(a))
    assert np.isfinite(values).tolist() == sorted(np.isfinite(values).tolist())


def test_the_cheapest_layout_of_a_score_is_the_cheapest_of_all_that_are_as_good():
    for seed in range(16):
        every, _ = drawn(seed)
        search = Search(every.planning, "score")
        for k in range(0, len(every.X), max(1, len(every.X) // 3)):
            start = search.given(np.flatnonzero(every.X[k]).tolist(), np.inf, EXACT)
            assert start.value == near(every.value[k])
            found = search.cheapest(start, EXACT)
            as_good = every.value >= every.value[k] - CLOSE * max(1.0, abs(every.value[k]))
            assert found.cents == every.cents[as_good].min(), (seed, k)
            assert found.value >= start.value - CLOSE * max(1.0, abs(start.value))
            assert found.ended is Ended.GAP


def test_the_cheapest_layout_of_a_score_is_asked_of_scores_only():
    planning = regions.precise_region(0)
    search = Search(planning, "precision")
    with pytest.raises(ValueError, match="only scores are linear"):
        search.cheapest(search.best(Limits(gap=1e-3)), EXACT)
