"""The parts of the search by precision one by one: directions, multipliers, splits, layouts (all numbers invented)."""

from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_problems import part_of, plain, sites_of

from siting.selection.precise.bounding import FAR, Bounding
from siting.selection.precise.choices import Choices
from siting.selection.precise.criteria import Variances, Weights
from siting.selection.precise.directions import FAIR_LOSS, directions
from siting.selection.precise.information import Group, Part
from siting.selection.precise.interior import Task, relax
from siting.selection.precise.layouts import LocalSearch
from siting.selection.precise.nodes import Point, alike
from siting.selection.precise.problem import build_problem, occupied
from siting.selection.precise.relaxing import Relaxing
from siting.selection.precise.stirring import Stirring
from siting.selection.precise.supports import Supports
from siting.selection.program import ProgramBuilder

SEEDS = st.integers(0, 10**6)


# ------------------------------------------------------------------------------------------------ local blocks
@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_a_block_that_one_taken_deployment_uses_is_integrated_out_without_loss(seed):
    # Source: the inverse of the whole information with every local block written out.
    rng = np.random.default_rng(seed)
    n = 7
    part = part_of(rng, n, 4, size=2, blocks=5)
    columns = np.sort(rng.choice(n, size=int(rng.integers(1, n)), replace=False))
    taken, old = part.take(columns)
    counts = np.bincount(part.block[columns], minlength=part.blocks)
    assert old.tolist() == np.flatnonzero(counts > 1).tolist()
    criterion = Variances((taken,), Weights(np.ones(2), np.full(2, -np.inf)))
    for size in range(columns.size + 1):
        for picked in combinations(range(columns.size), size):
            mine = np.array(picked, dtype=np.int64)
            assert np.allclose(criterion.whole(mine), plain(part, columns[mine]), rtol=1e-10)


# ------------------------------------------------------------------------------------------------ directions
def test_few_directions_are_right_angled_hold_the_prior_and_lose_little_of_layouts_near_the_best():
    rng = np.random.default_rng(3)
    n, k = 40, 90
    part = part_of(rng, n, k, rank=3, targets=2, scale=0.7)
    problem, _ = sites_of(rng, n, part, sites=n, most=8)
    best = np.zeros(n)
    best[rng.choice(n, 8, replace=False)] = 1.0
    y = np.full(n, 0.2)
    few, fine = directions(problem, [y, best], None, problem.lower, problem.upper, best)
    assert few is not None
    assert fine is not None
    assert few[0].shape[1] <= fine[0].shape[1] <= k
    assert few[0].shape[1] < k
    exact = problem.criterion
    for bases in (few, fine):
        basis = bases[0]
        assert np.abs(basis.T @ basis - np.eye(basis.shape[1])).max() < 1e-7
        near = exact.projected(bases)
        assert np.allclose(near.whole(np.array([], dtype=np.int64)), exact.whole(np.array([], dtype=np.int64)))
        losses = []
        for _ in range(20):
            out, add = rng.choice(np.flatnonzero(best), 3, replace=False), rng.choice(np.flatnonzero(best == 0), 3)
            picked = np.union1d(np.setdiff1d(np.flatnonzero(best), out), add)
            whole, held = exact.whole(picked), near.whole(picked)
            # What lies outside is taken as known, so that no value can rise.
            assert np.all(held <= whole * (1.0 + 1e-9))
            losses.append(float(exact.weights.kappa @ (whole - held)) / float(exact.weights.kappa @ whole))
        assert np.mean(losses) < 3.0 * FAIR_LOSS
    # Solutions at the best layout are among the directions, so that it loses nothing but digits.
    picked = np.flatnonzero(best)
    assert np.allclose(exact.projected(few).whole(picked), exact.whole(picked), rtol=1e-6)


# ------------------------------------------------------------------------------------------------ multipliers
@given(SEEDS)
@settings(max_examples=60, deadline=None)
def test_multipliers_of_one_a_site_are_the_best_of_all_and_the_bound_is_below_every_layout(seed):
    # Source: every layout written out; 40 other multipliers of every site's row.
    rng = np.random.default_rng(seed)
    n, sites = 9, 3
    part = part_of(rng, n, 3, size=2, blocks=4 if rng.random() < 0.5 else 0)
    problem, site = sites_of(rng, n, part, sites=sites, most=2)
    relaxing = Relaxing(problem)
    lower, upper = problem.lower.copy(), problem.upper.copy()
    shut = int(rng.integers(n))
    upper[shut] = 0.0
    y = occupied(problem, rng.uniform(0.0, 0.3, n) * upper[:n])
    used = np.flatnonzero(y)
    told = rng.uniform(0.0, 1.0, sites + 1) * (rng.random(sites + 1) < 0.7)
    point = Point(used, y[used], problem.criterion.weights.kappa, np.arange(sites + 1), told, np.empty(0))
    before, reduced, _ = relaxing.bound_at(point, problem, lower, upper)
    sharper = relaxing.sharpened(point, reduced, lower, upper)
    after, _, _ = relaxing.bound_at(sharper, problem, lower, upper)
    assert after >= before - 1e-9
    if not part.blocks:
        # Without local blocks nothing else moves with these multipliers.
        for _ in range(40):
            other = told.copy()
            other[:sites] = rng.uniform(0.0, 3.0, sites) * (rng.random(sites) < 0.8)
            trial = Point(used, y[used], point.theta, point.rows, other, np.empty(0))
            assert relaxing.bound_at(trial, problem, lower, upper)[0] <= after + 1e-9
    values = []
    for layout in product((0, 1), repeat=n):
        z = np.array(layout)
        if z[shut] == 0 and z.sum() <= 2 and np.bincount(site, weights=z).max() <= 1:
            values.append(float(problem.criterion.weights.kappa @ plain(part, np.flatnonzero(z))))
    assert after <= min(values) + 1e-9


def test_of_deployments_that_are_lacking_the_best_of_each_site_is_told_and_counted():
    rng = np.random.default_rng(0)
    problem, _ = sites_of(rng, 8, part_of(rng, 8, 3), sites=4, most=3)
    relaxing = Relaxing(problem)
    reduced = np.zeros(problem.width)
    reduced[:8] = [-1.0, -5.0, 0.5, -0.1, -3.0, -2.0, -4.0, -0.2]
    active = np.zeros(problem.width, dtype=bool)
    active[6] = True
    lacking, loss = relaxing.lacking(reduced, active, problem.lower, problem.upper)
    # Sites are (0, 4), (1, 5), (2, 6), (3, 7); 6 is looked at already and 2 promises nothing.
    assert lacking.tolist() == [1, 4, 7]
    assert loss == pytest.approx(5.0 + 3.0 + 0.2)


# ------------------------------------------------------------------------------------------------ splits
def relaxed_of(problem, sides=()):
    """Solve a relaxation to many digits, with further rows (columns, sign, limit)."""
    wide = problem.with_sides([(np.asarray(columns), sign, limit) for columns, sign, limit in sides])
    no_occupancy = np.full(problem.width, -1)
    task = Task(
        problem.criterion.measure,
        problem.criterion.weights,
        problem.cost,
        wide.matrix,
        wide.limits,
        problem.lower,
        problem.upper,
        no_occupancy,
        tolerance=1e-9,
    )
    return relax(task)


@pytest.mark.parametrize("seed", range(12))
def test_a_sum_held_a_little_away_costs_what_newtons_matrix_says(seed):
    # Source: the relaxation solved anew with the sum held lower, against d^2 / (2 give).
    rng = np.random.default_rng(seed)
    n, d = 8, 0.02
    problem, _ = sites_of(rng, n, part_of(rng, n, 6, rank=1, targets=3, scale=1.5), sites=n, most=3)
    free = relaxed_of(problem)
    sums = np.zeros((2, n))
    sums[0, :4] = sums[1, [1, 5]] = 1.0
    assert np.all((sums @ free.y > 2 * d) & (sums @ free.y < 4.0 - 2 * d))
    for one, far in zip(sums, free.give(sums), strict=True):
        held = relaxed_of(problem, [(np.flatnonzero(one), 1.0, float(one @ free.y) - d)])
        assert held.value - free.value == pytest.approx(d * d / (2.0 * far), rel=0.15)


@given(SEEDS)
@settings(max_examples=20, deadline=None)
def test_a_node_is_split_where_the_product_of_both_costs_is_greatest(seed):
    # Source: every group and every deployment tried.
    rng = np.random.default_rng(seed)
    n = 6
    problem, _ = sites_of(rng, n, part_of(rng, n, 3), sites=n, most=2)
    groups = [[np.array([0, 1, 2]), np.array([3, 4, 5])], [np.array([0, 1]), np.array([2])]]
    bounding = Bounding(problem, groups)
    root = rng.normal(size=(n, n))
    root = root @ root.T + 0.1 * np.eye(n)
    y = rng.uniform(0.0, 1.0, n)
    chosen = bounding.split(y, np.ones(n, dtype=bool), lambda sums: np.einsum("ij,jk,ik->i", sums, root, sums))
    scores = {}
    for group in [*(g for level in groups for g in level if g.size > 1), *np.arange(n)[:, None]]:
        part = float(y[group].sum()) % 1.0
        if FAR < part < 1.0 - FAR:
            give = float(root[np.ix_(group, group)].sum())
            scores[tuple(group.tolist())] = part**2 / (2 * give) * (1.0 - part) ** 2 / (2 * give)
    if chosen is None:
        assert not scores
    else:
        assert scores[tuple(chosen.tolist())] == pytest.approx(max(scores.values()), rel=1e-12)


@given(SEEDS)
@settings(max_examples=25, deadline=None)
def test_nestings_of_alike_rows_part_every_level_and_keep_equal_rows_together(seed):
    rng = np.random.default_rng(seed)
    distinct = rng.normal(size=(5, 3))
    features = distinct[rng.integers(0, 5, 14)]
    plain_levels = alike(features)
    levels = alike(features, 2)
    assert len(levels) > len(plain_levels)
    again = alike(features, 2)
    assert [[g.tolist() for g in level] for level in levels] == [[g.tolist() for g in level] for level in again]
    assert [[g.tolist() for g in level] for level in levels[: len(plain_levels)]] == [
        [g.tolist() for g in level] for level in plain_levels
    ]
    above = None
    for level in levels:
        rows = np.concatenate(level)
        assert np.unique(rows).size == rows.size
        if level[0].size == 14 or above is None:
            assert rows.size == 14
        else:
            assert all(any(set(g.tolist()) <= set(big.tolist()) for big in above) for g in level)
        above = level
        for group in level:
            outside = np.setdiff1d(rows, group)
            assert not any((features[a] == features[b]).all() for a in group for b in outside)


# ------------------------------------------------------------------------------------------------ layouts
def dear_and_cheap():
    """Return a problem in which one dear deployment tells more than all cheap ones, and either fills the budget."""
    n = 6
    common = np.ones((n, 1, 1))
    common[0] = 10.0
    part = Part((Group(np.arange(n), common, np.zeros((n, 1, 0))),), np.full(n, -1), np.ones((1, 1)), 0)
    price = np.array([5, 1, 1, 1, 1, 1])
    builder = ProgramBuilder([f"d{i}" for i in range(n)], price)
    builder.add_row("budget", np.arange(n), price, upper=5)
    weights = Weights(np.ones(1), np.full(1, -np.inf))
    return build_problem(builder.build(), Variances((part,), weights))


def test_swaps_are_stuck_with_cheap_sites_where_stirring_finds_the_dear_one():
    problem = dear_and_cheap()
    search = LocalSearch(problem, np.arange(6), None)
    cheap = np.array([False, True, True, True, True, True])
    assert search.improved(cheap).tolist() == cheap.tolist()
    found = [cheap.astype(float)]

    def took(picked):
        point = np.zeros(6)
        point[picked] = 1.0
        assert not problem.program.broken(point)
        found.append(point)
        return True

    nothing = np.zeros(6, dtype=bool)
    used, promise = np.ones(6, dtype=bool), np.full(6, 0.5)
    Stirring(
        lambda: search, nothing, used, promise, Supports(problem), took, lambda: found[-1], np.random.default_rng(0)
    ).run(20, lambda: False)
    assert found[-1].tolist() == [1.0, 0.0, 0.0, 0.0, 0.0, 0.0]
    # 1 / (1 + 100) against 1 / (1 + 5).
    assert search.merit_of(found[-1] > 0.5) == pytest.approx(1.0 / 101.0)


@given(SEEDS)
@settings(max_examples=40, deadline=None)
def test_thinned_layouts_keep_the_rows_and_what_is_held_and_are_good(seed):
    # Source: every layout of the pool written out.
    rng = np.random.default_rng(seed)
    n = 9
    part = part_of(rng, n, 4)
    price = rng.integers(1, 10, n)
    builder = ProgramBuilder([f"d{i}" for i in range(n)], price)
    budget = int(price.sum() // 2)
    builder.add_row("budget", np.arange(n), price, upper=budget)
    weights = Weights(np.ones(2), np.full(2, -np.inf))
    search = LocalSearch(build_problem(builder.build(), Variances((part,), weights)), np.arange(n), None)
    held = np.arange(n) == int(np.argmin(price))
    thinned = search.thinned(np.ones(n, dtype=bool), held)
    assert search.keeps(thinned)
    assert thinned[held].all()
    assert price[thinned].sum() <= budget
    values = [
        float(plain(part, np.flatnonzero(z)).sum())
        for z in np.array(list(product((False, True), repeat=n)))
        if z[held].all() and price[z].sum() <= budget
    ]
    worst, best = max(values), min(values)
    reached = float(plain(part, np.flatnonzero(search.improved(thinned, held))).sum())
    assert reached <= best + 0.1 * (worst - best)


def ways_and_pairs():
    """Return a problem of three deployments: d0 has two ways, one of which needs a ship; a pair stands on d1 or d2."""
    builder = ProgramBuilder(["d0", "d1", "d2"], [1, 1, 1])
    slow, fast = builder.add_column("slow", cost=5), builder.add_column("fast", cost=1)
    ship, pair = builder.add_column("ship", cost=2), builder.add_column("pair")
    builder.add_row("", [slow, fast, 0], [-1, -1, 1], upper=0)
    builder.add_default(0, [slow])
    builder.add_row("", [fast, ship], [1, -1], upper=0)
    builder.add_row("", [pair, 1, 2], [1, -1, -1], upper=0)
    builder.add_row("a pair", [pair], [1], lower=1)
    rng = np.random.default_rng(1)
    weights = Weights(np.ones(2), np.full(2, -np.inf))
    problem = build_problem(builder.build(), Variances((part_of(rng, 3, 2),), weights))
    return problem, slow, fast, ship, pair


def test_a_deployment_brings_the_way_of_the_best_layout_else_the_cheapest_and_what_it_needs():
    problem, slow, fast, ship, _ = ways_and_pairs()
    choices = Choices(problem)
    prices = np.zeros(problem.width)
    prices[[slow, fast]] = 2.0, 1.0
    assert choices.preferred(prices, problem.upper, None)[0].tolist() == [fast, ship]
    shut = problem.upper.copy()
    shut[fast] = 0.0
    assert choices.preferred(prices, shut, None)[0].tolist() == [slow]
    best = np.zeros(len(problem.program.names))
    best[[0, slow]] = 1.0
    assert choices.preferred(prices, problem.upper, best)[0].tolist() == [slow]


def test_deployments_on_which_another_column_stands_are_told_and_others_are_not():
    problem, slow, _, _, pair = ways_and_pairs()
    supports = Supports(problem)
    assert supports.able.tolist() == [False, True, True]
    point = np.zeros(len(problem.program.names))
    point[[0, slow, 2, pair]] = 1.0
    assert supports.of(point).tolist() == [False, False, True]
    point[pair] = 0.0
    assert not supports.of(point).any()


def test_what_a_row_asks_comes_into_a_layout_and_stays_in_it():
    problem, _, _, _, _ = ways_and_pairs()
    supports, search = Supports(problem), LocalSearch(problem, np.arange(3), None)
    only_first, nothing = np.array([True, False, False]), np.zeros(3, dtype=bool)
    assert supports.lacking(only_first) == pytest.approx(1.0)
    assert supports.lacking(np.array([False, True, False])) == supports.lacking(np.array([True, True, True])) == 0.0
    # Either would do: the more promising one comes.
    picked, held = supports.mended(search, only_first, nothing, np.array([1.0, 0.2, 0.3]))
    assert (picked.tolist(), held.tolist()) == ([True, False, True], [False, False, True])
    # One of two has to stay, the more promising one; what is there already is not brought in.
    picked, held = supports.mended(search, np.array([False, True, True]), nothing, np.array([1.0, 0.5, 0.3]))
    assert (picked.tolist(), held.tolist()) == ([False, True, True], [False, True, False])


def test_others_leave_for_what_a_row_asks():
    rng = np.random.default_rng(2)
    builder = ProgramBuilder(["d0", "d1", "d2"], [2, 2, 2])
    pair = builder.add_column("pair")
    builder.add_row("", [pair, 2], [1, -1], upper=0)
    builder.add_row("a pair", [pair], [1], lower=1)
    builder.add_row("budget", np.arange(3), np.array([2, 2, 2]), upper=4)
    weights = Weights(np.ones(2), np.full(2, -np.inf))
    problem = build_problem(builder.build(), Variances((part_of(rng, 3, 2),), weights))
    search = LocalSearch(problem, np.arange(3), None)
    start = np.array([True, True, False])
    picked, held = Supports(problem).mended(search, start, np.array([True, False, False]), np.array([1.0, 1.0, 0.0]))
    assert (picked.tolist(), held.tolist()) == ([True, False, True], [True, False, True])
