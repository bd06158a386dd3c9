"""Layouts that are better by several changes at once, and how values move by one (all numbers invented)."""

from itertools import combinations, product

import numpy as np
import pytest
import small_problems as small
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.selection.precise.criteria import LogDeterminant, Variances, Weights
from siting.selection.precise.exchanging import MOST, NEARLY, Exchange, moves_of
from siting.selection.precise.information import Group, Part
from siting.selection.precise.layouts import LocalSearch
from siting.selection.precise.ledger import Ledger, judged
from siting.selection.precise.problem import build_problem, occupied
from siting.selection.precise.relaxing import Relaxing
from siting.selection.precise.seek import Seeker
from siting.selection.precise.supports import Supports
from siting.selection.precise.swapping import ROWS, Swaps
from siting.selection.program import Limits, ProgramBuilder

SEEDS = st.integers(0, 10**6)
THROUGHOUT = Weights(np.ones(1), np.full(1, -np.inf))


def everything(trials):
    return np.ones(trials.shape[0], dtype=bool)


# ---------------------------------------------------------------------------------------------- one change
@given(SEEDS, st.sampled_from([1, 3, ROWS + 1]))
@settings(max_examples=40, deadline=None)
def test_values_after_a_swap_are_those_of_the_whole_information_written_out(seed, rank):
    # Source: the inverse of the whole information with every local block written out.
    rng = np.random.default_rng(seed)
    n = 7
    part = small.part_of(rng, n, 4, rank=rank, size=2, blocks=4, scale=10.0 ** rng.uniform(-1.0, 0.5))
    picked = rng.random(n) < 0.5
    swaps = Swaps(part, picked)
    now = small.plain(part, np.flatnonzero(picked))
    assert swaps.values == pytest.approx(now, rel=1e-8)
    for add in np.flatnonzero(~picked):
        assert now + swaps.joined[add] == pytest.approx(small.plain(part, [*np.flatnonzero(picked), add]), rel=1e-7)
    for out in np.flatnonzero(picked):
        rest = [d for d in np.flatnonzero(picked) if d != out]
        alone, both = swaps.left(int(out))
        assert now + alone == pytest.approx(small.plain(part, rest), rel=1e-7)
        for add in np.flatnonzero(~picked):
            assert now + both[add] == pytest.approx(small.plain(part, [*rest, add]), rel=1e-7)


def test_a_deployment_that_tells_nothing_comes_and_leaves_without_a_trace():
    rng = np.random.default_rng(0)
    (group,) = small.part_of(rng, 3, 4).groups
    part = Part((Group(np.array([0, 1, 3]), group.common, group.local),), np.full(4, -1), rng.normal(size=(4, 2)), 0)
    swaps = Swaps(part, np.array([True, False, True, False]))
    assert swaps.joined[2].tolist() == [0.0, 0.0]
    alone, both = swaps.left(2)
    assert alone.tolist() == [0.0, 0.0]
    assert both.tolist() == swaps.joined.tolist()
    assert swaps.left(0)[1][2] == pytest.approx(swaps.left(0)[0])


@pytest.mark.parametrize("kind", ["variances", "determinant"])
def test_what_a_change_does_to_values_cost_and_rows_is_the_difference_of_both_layouts(kind):
    # Source: both layouts evaluated whole, with the ways that they bring.
    rng = np.random.default_rng(3)
    n = 6
    builder = ProgramBuilder([f"d{i}" for i in range(n)], np.full(n, 3))
    ship = builder.add_column("ship", cost=7)
    for one in (0, 1, 4):
        builder.add_row("", [one, ship], [1, -1], upper=0)
        builder.add_default(one, [ship])
    builder.add_row("budget", np.arange(n + 1), np.array([3] * n + [7]), upper=17)
    part = small.part_of(rng, n, 4)
    (group,) = part.groups
    weights = Weights(np.array([1.0, 2.0]), np.full(2, -np.inf))
    criterion = Variances((part,), weights) if kind == "variances" else LogDeterminant(group.common, THROUGHOUT)
    search = LocalSearch(build_problem(builder.build(), criterion), np.arange(n), None)
    picked, held = np.array([True, True, True, False, False, False]), np.arange(n) == 2
    moves = moves_of(search, picked, held)
    # Nobody, d0 or d1 leaves; nobody or one of three comes; nothing at all is no change.
    assert sorted(zip(moves.out.tolist(), moves.add.tolist(), strict=True)) == sorted(
        {(out, add) for out in (-1, 0, 1) for add in (-1, 3, 4, 5)} - {(-1, -1)}
    )
    for k, (out, add) in enumerate(zip(moves.out, moves.add, strict=True)):
        after = np.append(picked, False)
        after[out], after[add] = False, True
        after = after[:n]
        assert moves.values[k] == pytest.approx(search.values(after)[0] - search.values(picked)[0], abs=1e-9)
        assert moves.costs[k] == pytest.approx(search.cost_of(after) - search.cost_of(picked))
        assert moves.loads[k] == pytest.approx(search.load(after) - search.load(picked))


# ------------------------------------------------------------------------------------------- several changes
def apart(rng, sites, plans, budget):
    """Return a problem in which each site sees a coordinate of its own, with a price and a worth for each plan."""
    n = sites * plans
    place = np.repeat(np.arange(sites), plans)
    common = np.zeros((n, 1, sites))
    common[np.arange(n), 0, place] = rng.uniform(0.2, 2.0, n)
    part = Part((Group(np.arange(n), common, np.zeros((n, 1, 0))),), np.full(n, -1), np.eye(sites), 0)
    price = rng.integers(1, 10, n)
    builder = ProgramBuilder([f"d{i}" for i in range(n)], price)
    for site in range(sites):
        builder.add_row("one", np.flatnonzero(place == site), np.ones(plans, dtype=np.int64), upper=1)
    builder.add_row("budget", np.arange(n), price, upper=budget)
    weights = Weights(rng.uniform(0.5, 2.0, sites), np.full(sites, -np.inf))
    return build_problem(builder.build(), Variances((part,), weights)), place


@given(SEEDS, st.sampled_from([2, 3]))
@settings(max_examples=30, deadline=None)
def test_where_sites_do_not_share_air_the_first_guess_is_the_best_of_all_combinations(seed, count):
    # Source: every layout that so many changes reach, written out; sites add up, so that the guess is exact.
    rng = np.random.default_rng(seed)
    sites, plans = 5, 2
    problem, place = apart(rng, sites, plans, 20)
    n = sites * plans
    search = LocalSearch(problem, np.arange(n), None)
    picked = search.improved(np.zeros(n, dtype=bool))
    now = search.merit_of(picked)
    best = now
    for choice in product(range(-1, plans), repeat=sites):
        trial = np.isin(np.arange(n), [s * plans + c for s, c in enumerate(choice) if c >= 0])
        moved = [s for s in range(sites) if np.any((trial ^ picked)[place == s])]
        came = [s for s in moved if not picked[place == s].any()]
        # Two changes: one within a site and another, be it a swap of two sites. Three: each within a site.
        if count == 3:
            reached = len(moved) == 3 and not came
        else:
            left = [s for s in moved if not trial[place == s].any()]
            others = [s for s in moved if s not in came]
            swapped = len(came) == 1 and len(others) == 2 and bool(left)
            reached = swapped or (len(moved) <= 2 and len(came) <= 1 and bool(others))
        if reached and search.keeps(trial):
            best = min(best, search.merit_of(trial))
    found = Exchange(search, picked, np.zeros(n, dtype=bool), place).better(count, everything)
    kept = [layout for layout in found if search.keeps(layout)]
    reached = search.merit_of(kept[0]) if kept else now
    # No single change helps any more, so that two changes are never the same as one.
    assert reached <= best + 1e-9


@given(SEEDS, st.sampled_from([1, 2, 3]))
@settings(max_examples=30, deadline=None)
def test_layouts_of_several_changes_are_better_keep_what_is_held_and_nearly_the_rows(seed, count):
    rng = np.random.default_rng(seed)
    n, sites = 12, 6
    part = small.part_of(rng, n, 4)
    problem, site = small.sites_of(rng, n, part, sites=sites, most=3)
    search = LocalSearch(problem, np.arange(n), None)
    picked = search.filled(np.arange(n) == int(rng.integers(n)))
    held = np.arange(n) == int(np.flatnonzero(picked)[0])
    allowed = rng.random(n) < 0.8
    found = Exchange(search, picked, held, site).better(
        count, lambda trials: ~trials[:, ~allowed & ~picked].any(axis=1)
    )
    for layout in found:
        assert search.merit_of(layout) < search.merit_of(picked)
        assert layout[held].all()
        assert np.all(search.load(layout) <= search.room + (1.0 + 1e-9) * MOST * NEARLY * np.abs(search.room))
        assert 1 <= (picked & ~layout).sum() <= count
        assert (layout & ~picked).sum() <= count
        assert not layout[~allowed & ~picked].any()


def early_and_late(worth, price, budget):
    """Return a problem of sites that open early or late: worth (sites, 2) and price (sites, 2)."""
    sites = worth.shape[0]
    n = 2 * sites
    common = np.zeros((n, 1, sites))
    common[np.arange(n), 0, np.repeat(np.arange(sites), 2)] = np.sqrt(worth.ravel())
    targets = np.ones((sites, 1))
    part = Part((Group(np.arange(n), common, np.zeros((n, 1, 0))),), np.full(n, -1), targets, 0)
    builder = ProgramBuilder([f"d{i}" for i in range(n)], price.ravel())
    for site in range(sites):
        builder.add_row("one", [2 * site, 2 * site + 1], [1, 1], upper=1)
    builder.add_row("budget", np.arange(n), price.ravel(), upper=budget)
    return build_problem(builder.build(), Variances((part,), THROUGHOUT))


def seeker_at(problem, chosen):
    """Return a seeker whose best layout is that of some deployments, with its ledger."""
    ledger = Ledger(Limits(gap=1e-3), 1e-9)
    seeker = Seeker(Relaxing(problem), ledger, lambda point: judged(problem, point), [])
    assert seeker.took(np.array(chosen))
    return seeker, ledger


TWO = (np.array([[4.0, 2.0], [9.0, 2.0]]), np.array([[5, 3], [6, 4]]), 9)
# The first site early costs as much more as both others early together, and is worth more than either.
THREE = (np.array([[2.0, 1.0], [4.0, 2.0], [4.0, 2.0]]), np.array([[7, 3], [5, 3], [5, 3]]), 13)


@pytest.mark.parametrize(
    ("case", "stuck", "best", "value"),
    [
        # 1/5 + 1/3 against 1/3 + 1/10.
        (TWO, [0, 3], [1, 2], 1.0 / 3.0 + 1.0 / 10.0),
        # 1/3 + 1/3 + 1/3 against 1/2 + 1/5 + 1/5.
        (THREE, [0, 3, 5], [1, 2, 4], 0.9),
    ],
)
def test_a_site_opens_sooner_as_another_opens_later_where_swaps_are_stuck(case, stuck, best, value):
    problem = early_and_late(*case)
    n = problem.deployments
    search = LocalSearch(problem, np.arange(n), None)
    here = np.isin(np.arange(n), stuck)
    assert search.improved(here).tolist() == here.tolist()
    seeker, ledger = seeker_at(problem, stuck)
    before = ledger.value
    seeker.exchange(occupied(problem, seeker.best), np.zeros(problem.width))
    assert np.flatnonzero(seeker.best[:n] > 0.5).tolist() == best
    assert ledger.value == pytest.approx(value)
    assert ledger.value < before
    every = [c for size in range(4) for c in combinations(range(n), size) if search.keeps(np.isin(np.arange(n), c))]
    assert ledger.value == pytest.approx(min(search.merit_of(np.isin(np.arange(n), c)) for c in every))


def test_what_another_column_stands_on_moves_to_another_site():
    # A comparison pair stands on an analyzer at the first or the second site, and another one is worth more there.
    worth = np.array([[4.0, 3.0], [4.0, 1.0], [1.0, 0.5]])
    n = 6
    common = np.zeros((n, 1, 3))
    common[np.arange(n), 0, np.repeat(np.arange(3), 2)] = np.sqrt(worth.ravel())
    part = Part((Group(np.arange(n), common, np.zeros((n, 1, 0))),), np.full(n, -1), np.ones((3, 1)), 0)
    builder = ProgramBuilder([f"d{i}" for i in range(n)], np.ones(n, dtype=np.int64))
    pairs = [builder.add_column(f"pair {site}") for site in range(3)]
    for site in range(3):
        builder.add_row("one", [2 * site, 2 * site + 1], [1, 1], upper=1)
    builder.add_row("", [pairs[0], 0], [1, -1], upper=0)
    builder.add_row("", [pairs[1], 2], [1, -1], upper=0)
    # Nobody can bring what a pair at the third site stands on.
    builder.add_row("", [pairs[2]], [1], upper=0)
    builder.add_row("a pair", pairs, [1, 1, 1], lower=1)
    builder.add_row("one analyzer", [0, 2, 4], [1, 1, 1], upper=1)
    problem = build_problem(builder.build(), Variances((part,), THROUGHOUT))
    supports = Supports(problem)
    layouts = np.array([[0, 1, 0, 1, 1, 0], [1, 0, 0, 1, 0, 1], [0, 1, 1, 0, 0, 1]], dtype=bool)
    assert supports.lacks(np.arange(n), layouts) == pytest.approx([1.0, 0.0, 0.0])
    assert [supports.lacking(layout) for layout in layouts] == pytest.approx([1.0, 0.0, 0.0])
    assert supports.lacks(np.arange(1, 4), layouts[:, 1:4]) == pytest.approx([1.0, 1.0, 0.0])
    # 1/5 + 1/2 + 1/1.5 becomes 1/4 + 1/5 + 1/1.5.
    seeker, ledger = seeker_at(problem, [0, 3, 5])
    seeker.exchange(occupied(problem, seeker.best), np.zeros(problem.width))
    assert np.flatnonzero(seeker.best[:n] > 0.5).tolist() == [1, 2, 5]
    assert ledger.value == pytest.approx(1.0 / 4.0 + 1.0 / 5.0 + 1.0 / 1.5)
