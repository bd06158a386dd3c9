"""The best replacement of each picked site, against every layout of small random regions, counted out."""

import csv
import importlib.util
import io
from pathlib import Path

import numpy as np
import pytest

from siting.assessment.costchange import CostChange
from siting.assessment.swaps import site_swaps
from siting.assessment.tradeoff import choices_and_swaps
from siting.assessment.values import RulesAfter, ScoreValue
from siting.outputs.stations import swaps_csv
from siting.selection.kinds import SpacingKind
from siting.selection.registry import RULE_KINDS
from siting.selection.standing import AnalyzersKind

_spec = importlib.util.spec_from_file_location("random_regions", Path(__file__).with_name("random_regions.py"))
regions = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(regions)

EQUAL = 1e-7


def layouts_to_try(every, seed, most=3):
    """A few layouts that keep all rules and pick something."""
    picks = np.flatnonzero(every.X.any(axis=1))
    return every.X[np.random.default_rng(seed).permutation(picks)[:most]]


def swaps_by_score(planning, picked):
    money, rules = CostChange(planning, picked), RulesAfter(planning, picked, RULE_KINDS)
    return site_swaps(planning, picked, money, rules, ScoreValue(planning, picked), "score")


def replacements(every, row, k):
    """Rows of `every.X` in which one deployment at a place that was not picked stands for k."""
    candidate = every.planning.deployments.candidate
    taken = candidate[np.flatnonzero(row)]
    gone, come = row & ~every.X, every.X & ~row
    swapped = (gone.sum(axis=1) == 1) & gone[:, k] & (come.sum(axis=1) == 1)
    return np.flatnonzero(swapped & ~np.isin(candidate[come.argmax(axis=1)], taken))


def changes_of(every, row, swap, value):
    k = regions.made.picks(every.planning, (swap.id, swap.plan, swap.start_year))[0]
    rows = replacements(every, row, k)
    before = np.flatnonzero((row == every.X).all(axis=1))[0]
    return {tuple(np.flatnonzero(every.X[r])): value[r] - value[before] for r in rows}, every.cents[before]


@pytest.mark.parametrize("seed", range(60))
def test_by_score_no_layout_with_one_site_replaced_is_better_than_the_one_that_is_told(seed):
    every = regions.Every(regions.random_region(seed))
    for row in layouts_to_try(every, seed):
        picked = np.flatnonzero(row)
        swaps = swaps_by_score(every.planning, picked)
        assert len(swaps) == picked.size
        for swap in swaps:
            others, cents = changes_of(every, row, swap, every.value)
            assert swap.complete
            if swap.other is None:
                assert others == {}
                continue
            k = regions.made.picks(every.planning, (swap.id, swap.plan, swap.start_year))[0]
            after = tuple(sorted([*picked[picked != k], *regions.made.picks(every.planning, swap.other)]))
            assert swap.change == pytest.approx(others[after], abs=EQUAL), "it keeps all rules and its value is true"
            assert swap.change == pytest.approx(max(others.values()), abs=EQUAL)
            at = np.flatnonzero((np.isin(np.arange(row.size), after) == every.X).all(axis=1))[0]
            assert swap.cents == every.cents[at] - cents


@pytest.mark.parametrize("seed", range(25))
def test_by_error_a_replacement_said_to_be_the_best_is_the_best_of_all(seed):
    every = regions.EveryShortfall(regions.precise_region(seed))
    told = 0
    for row in layouts_to_try(every, seed, 2):
        picked = np.flatnonzero(row)
        for swap in choices_and_swaps(every.planning, picked, by="error")[1]:
            others, _ = changes_of(every, row, swap, -every.shortfall)
            if swap.other is None:
                assert not swap.complete or others == {}
                continue
            k = regions.made.picks(every.planning, (swap.id, swap.plan, swap.start_year))[0]
            after = tuple(sorted([*picked[picked != k], *regions.made.picks(every.planning, swap.other)]))
            assert swap.change == pytest.approx(others[after], rel=1e-6, abs=EQUAL)
            assert swap.change <= max(others.values()) + EQUAL
            if swap.complete:
                told += 1
                assert swap.change == pytest.approx(max(others.values()), rel=1e-6, abs=EQUAL)


@pytest.mark.parametrize("seed", range(60))
def test_what_is_shut_beforehand_is_what_the_rules_of_spacing_and_stock_turn_away(seed):
    # Source: the rules themselves, asked about each deployment in turn.
    every = regions.Every(regions.random_region(seed))
    planning = every.planning
    for row in layouts_to_try(every, seed, 2):
        picked = np.flatnonzero(row)
        for kind in RULE_KINDS.values():
            if not isinstance(kind, (SpacingKind, AnalyzersKind)):
                continue
            for demand in kind.demands(planning):
                if not kind.judge(planning, picked, demand).holds:
                    continue
                shut = kind.shut(planning, picked, demand)
                for j in np.setdiff1d(np.arange(row.size), picked):
                    if planning.deployments.candidate[j] in planning.deployments.candidate[picked]:
                        continue
                    after = np.sort(np.append(picked, j))
                    assert shut[j] == (not kind.judge(planning, after, demand).holds)


def test_the_file_has_a_row_for_each_site_and_leaves_empty_what_is_not_there():
    every = regions.Every(regions.random_region(2))
    picked = np.flatnonzero(layouts_to_try(every, 2, 1)[0])
    swaps = swaps_by_score(every.planning, picked)
    rows = list(csv.DictReader(io.StringIO(swaps_csv(swaps))))
    assert [row["id"] for row in rows] == [swap.id for swap in swaps]
    for row, swap in zip(rows, swaps, strict=True):
        assert (row["other_id"] == "") == (row["value_change"] == "") == (swap.other is None)
        if swap.other is not None:
            assert float(row["cost_change"]) == pytest.approx(swap.cents / 100.0)
