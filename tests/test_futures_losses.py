"""What goes with single sites and pairs of them, and what stays when money is cut: against direct removal and against
all subsets of a layout.

Every place is invented.
"""

import dataclasses
import importlib.util
import itertools
import math
from pathlib import Path

import numpy as np
import pytest

from siting.assessment.precision import target_errors
from siting.futures import losses as losing
from siting.futures.losses import Loss, cuts, losses, missed, with_less_money
from siting.futures.run import CUTS, stress
from siting.judging.frontier import TargetAt
from siting.judging.search import Search, named
from siting.planning import plan_region
from siting.selection.program import Limits
from siting.selection.score import layout_score


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made, regions = _load("made_region"), _load("random_regions")

CLOSE = 1e-6
GOALS = {"difference": 0.28, "season": 0.6}


def precise(seed=0, **given):
    """Return a region of four places with goals for a difference and a season."""
    rng = np.random.default_rng(seed)
    places = [
        {
            "id": name,
            "lat": float(lat),
            "lon": round(float(rng.uniform(-170, 170)), 1),
            "baseline_exposure": round(float(rng.uniform(0.3, 0.9)), 2),
            "setup_cost": int(rng.integers(50, 150)),
            "plans": ["f"],
        }
        for name, lat in (("a", -60), ("b", -15), ("c", 20), ("d", 55))
    ]
    targets = [
        {"id": "difference", "kind": "level_difference", "band": "north", "minus": "south", "goal": 0.28},
        {"id": "season", "kind": "season", "band": "north", "goal": 0.6, "weight": 2.0},
    ]
    return made.region(
        places,
        **{
            "years": 1,
            "last_start_year": 2030,
            "plans": [made.FLASK | {"method": "glass"}],
            "mixing": {"degree": 2},
            "tracers": [{"name": "CO2", "unit": "ppm", "scale": "invented"}],
            "bands": [
                {"id": "south", "south": -90.0, "north": 0.0},
                {"id": "north", "south": 0.0, "north": 90.0},
            ],
            "targets": targets,
            "budget": {"total": 500.0},
        }
        | given,
    )


def shortfall(planning, picked):
    errors = target_errors(planning, picked)
    weights = {"difference": 1.0, "season": 2.0}
    return sum(w * max(0.0, (errors["CO2", name] / GOALS[name]) ** 2 - 1.0) for name, w in weights.items())


def free_row(planning, seed, least=2):
    """Return some layout with one deployment a site, whatever rules it breaks, None where there is none so large."""
    d, rng = planning.deployments, np.random.default_rng(seed)
    sites = np.unique(d.candidate)
    if sites.size < least:
        return None
    chosen = rng.choice(sites, int(rng.integers(least, sites.size + 1)), replace=False)
    return np.array(sorted(int(rng.choice(np.flatnonzero(d.candidate == i))) for i in chosen), dtype=np.int64)


def check_order(found):
    assert [(-one.loss, one.sites) for one in found] == sorted((-one.loss, one.sites) for one in found)


# -- single and double losses ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(8))
def test_losses_by_score_are_those_of_the_layout_without_the_sites(seed):
    planning = regions.random_region(seed)
    picked = free_row(planning, seed)
    if picked is None:
        planning = regions.random_region(seed + 100)
        picked = free_row(planning, seed)
    site_of = {int(k): named(planning, [int(k)])[0][0] for k in picked}
    whole = layout_score(planning, picked).total
    single, double = losses(Search(planning, "score"), picked)
    for found, size in ((single, 1), (double, 2)):
        want = {}
        for gone in itertools.combinations(picked.tolist(), size):
            rest = np.array([k for k in picked.tolist() if k not in gone], dtype=np.int64)
            want[tuple(sorted(site_of[k] for k in gone))] = layout_score(planning, rest).total
        assert {one.sites: one.value for one in found} == want
        assert len(found) == len(want) == math.comb(picked.size, size)
        assert all(one.loss == whole - one.value for one in found)
        check_order(found)


@pytest.mark.parametrize("seed", range(2))
def test_losses_by_precision_are_those_of_the_layout_without_the_sites(seed):
    planning = plan_region(precise(seed))
    picked = np.arange(len(planning.deployments))
    ids = [site for site, _, _ in named(planning, picked.tolist())]
    whole = shortfall(planning, picked)
    before = target_errors(planning, picked)
    single, double = losses(Search(planning, "precision"), picked)
    assert len(single) == 4
    assert len(double) == 6
    for one in (*single, *double):
        rest = np.array([k for k in picked if ids[k] not in one.sites])
        errors = target_errors(planning, rest)
        assert {t.target: t.error for t in one.targets} == {g: errors["CO2", g] for g in GOALS}
        assert {t.target: t.goal for t in one.targets} == GOALS
        assert one.value == pytest.approx(shortfall(planning, rest), rel=1e-12, abs=1e-12)
        assert one.loss == pytest.approx(one.value - whole, rel=1e-9, abs=1e-12)
        assert one.loss >= -1e-12
        gone = [g for g in GOALS if before["CO2", g] <= GOALS[g] < errors["CO2", g]]
        assert one.missed == tuple(("CO2", g) for g in gone)
    check_order(single)
    check_order(double)


def test_without_any_site_that_is_left_the_value_is_that_of_nothing():
    planning = plan_region(precise())
    picked = made.picks(planning, ("a", "f", 2030))
    single, double = losses(Search(planning, "score"), picked)
    assert [one.sites for one in single] == [("a",)]
    assert single[0].value == layout_score(planning, np.array([], dtype=np.int64)).total
    assert double == ()


def test_a_goal_is_missed_if_it_was_met_before_and_is_not_after_by_hand():
    """Met and lost: missed. Met and kept, never met, or met only after: not missed. The goal itself is met."""
    before = [TargetAt("x", name, error, 1.0) for name, error in (("p", 0.5), ("q", 0.5), ("r", 2.0), ("s", 2.0))]
    after = [TargetAt("x", name, error, 1.0) for name, error in (("p", 1.01), ("q", 1.0), ("r", 3.0), ("s", 0.5))]
    assert missed(before, after) == (("x", "p"),)
    assert missed([TargetAt("y", "p", 0.5, 1.0)], after) == ()
    assert missed(before, []) == ()


def test_goals_that_a_lost_site_takes_along_are_named():
    """With the goal just above the error of both sites, either one's loss misses it."""
    region = precise()
    planning = plan_region(region)
    both = made.picks(planning, ("a", "f", 2030), ("d", "f", 2030))
    error = target_errors(planning, both)["CO2", "difference"]
    goals = tuple(
        t.model_copy(update={"goal": error * 1.0001 if t.id == "difference" else 1e-6}) for t in region.settings.targets
    )
    close = dataclasses.replace(region, settings=region.settings.model_copy(update={"targets": goals}))
    single, (pair,) = losses(Search(plan_region(close), "precision"), both)
    assert [one.missed for one in (*single, pair)] == [(("CO2", "difference"),)] * 3


def test_pairs_are_not_asked_beyond_the_most_sites(monkeypatch):
    planning = plan_region(precise())
    picked = np.arange(4)
    monkeypatch.setattr(losing, "MOST_IN_PAIRS", 4)
    assert len(losses(Search(planning, "score"), picked)[1]) == 6
    monkeypatch.setattr(losing, "MOST_IN_PAIRS", 3)
    single, double = losses(Search(planning, "score"), picked)
    assert len(single) == 4
    assert double is None


def test_pairs_of_61_sites_are_not_asked():
    places = [
        {"id": f"p{k:02}", "lat": k, "lon": 2 * k, "plans": ["f"]} for k in range(losing.MOST_IN_PAIRS + 1)
    ]  # fmt: skip
    planning = plan_region(made.region(places, years=1))
    single, double = losses(Search(planning, "score"), np.arange(len(places)))
    assert len(single) == losing.MOST_IN_PAIRS + 1 == 61
    assert double is None


# -- money that is cut -------------------------------------------------------------------------------------


def poorer(region, share):
    """Return the region with budgets cut by hand, in decimal hundredths that are whole here."""
    budget = region.settings.budget
    each = budget.per_year
    if isinstance(each, tuple):
        each = tuple((1.0 - share) * one for one in each)
    elif each is not None:
        each = (1.0 - share) * each
    changed = budget.model_copy(update={"total": (1.0 - share) * budget.total, "per_year": each})
    return dataclasses.replace(region, settings=region.settings.model_copy(update={"budget": changed}))


def check_cuts(planning, every_of, picked, by, tally, shares=(0.1, 0.35, 0.6)):
    """Compare the cuts of a layout with all subsets of it, and the free choice with all layouts."""
    region, layout = planning.region, named(planning, picked.tolist())
    search = Search(planning, by)
    sign = 1.0 if by == "score" else -1.0
    before = search.value_of(picked.tolist())
    sites = {site for site, _, _ in layout}
    for share, cut in zip(shares, cuts(region, layout, search, picked, shares, Limits(gap=0.0)), strict=True):
        every = every_of(plan_region(poorer(region, share)))
        assert len(every.planning.deployments) == len(planning.deployments)
        worth = sign * (every.value if by == "score" else every.shortfall)
        others = np.setdiff1d(np.arange(len(planning.deployments)), picked)
        parts = ~every.X[:, others].any(axis=1)
        assert cut.share == share
        assert cut.found is bool(parts.any())
        assert cut.anew_found is bool(worth.size)
        tally["no part"] += not parts.any()
        if parts.any():
            best = worth[parts].max()
            size = CLOSE * max(1.0, abs(best))
            assert sign * cut.value == pytest.approx(best, abs=size)
            assert cut.loss == pytest.approx(sign * before - best, abs=size)
            # One of the parts that are as good has the sites that stay, at the cost that is told.
            as_good = parts & (worth >= best - size)
            there = [{layout_id(every, i) for i in np.flatnonzero(row)} for row in every.sites[as_good]]
            assert (set(cut.stays), cut.cents) in list(zip(there, every.cents[as_good].tolist(), strict=True))
            assert cut.goes == tuple(sorted(sites - set(cut.stays)))
            tally["all stays" if not cut.goes else "some goes"] += 1
        if worth.size:
            best, size = worth.max(), CLOSE * max(1.0, abs(worth.max()))
            assert cut.anew_loss == pytest.approx(sign * before - best, abs=size)
            there = [{layout_id(every, i) for i in np.flatnonzero(row)} for row in every.sites[worth >= best - size]]
            assert any(cut.anew_comes == tuple(sorted(t - sites)) and cut.anew_goes == tuple(sorted(sites - t))
                       for t in there)  # fmt: skip
            assert not parts.any() or cut.anew_loss <= cut.loss + size
            tally["other sites"] += bool(cut.anew_comes)
        else:
            assert cut.anew_comes == cut.anew_goes == ()
            assert math.isnan(cut.anew_loss)


def layout_id(every, i):
    return every.planning.region.candidates.ids[i]


def test_the_best_part_and_the_best_layout_of_less_money_are_those_of_all_subsets():
    """Random rules and budgets, yearly ones among them; every kind of answer must come up."""
    tally = {"no part": 0, "all stays": 0, "some goes": 0, "other sites": 0}
    yearly = 0
    for seed in range(14):
        planning = regions.random_region(seed)
        picked = free_row(planning, seed, 1)
        if picked is None:
            continue
        yearly += planning.region.settings.budget.per_year is not None
        check_cuts(planning, regions.Every, picked, "score", tally)
    assert all(tally.values()), tally
    assert yearly >= 2


def test_the_same_holds_by_precision():
    tally = dict.fromkeys(("no part", "all stays", "some goes", "other sites"), 0)

    class Every(regions.Every):
        def __init__(self, planning):
            super().__init__(planning)
            self.shortfall = np.array([shortfall(planning, np.flatnonzero(row)) for row in self.X])

    planning = plan_region(precise())
    picked = made.picks(planning, ("a", "f", 2030), ("b", "f", 2030), ("d", "f", 2030))
    check_cuts(planning, Every, picked, "precision", tally, (0.2, 0.6))
    assert tally["some goes"] >= 1


def test_yearly_budgets_are_cut_like_the_total():
    region = regions.random_region(0).region
    for each, want in ((None, None), (200.0, 150.0), ((100.0, 40.0, 0.0), (75.0, 30.0, 0.0))):
        budget = region.settings.budget.model_copy(update={"total": 1000.0, "per_year": each})
        told = dataclasses.replace(region, settings=region.settings.model_copy(update={"budget": budget}))
        cut = with_less_money(told, 0.25).settings.budget
        assert (cut.total, cut.per_year) == (750.0, want)
        assert cut.contingency == budget.contingency
        assert with_less_money(told, 0.0).settings.budget == budget


def two_years(per_year):
    places = [
        {"id": "early", "lat": 0.0, "lon": 0.0, "baseline_exposure": 0.8, "setup_cost": 100},
        {"id": "late", "lat": 30.0, "lon": 90.0, "baseline_exposure": 0.6, "setup_cost": 90},
    ]
    return made.region(
        [place | {"plans": ["f"], "annual_cost": 0.0, "contamination_risk": 0.1} for place in places],
        years=2,
        budget={"total": 1000.0, "per_year": per_year, "carry_over": False},
        score={"worth_from": 0.0, "coverage_weight": 0.0},
    )


def test_a_yearly_limit_that_is_cut_takes_the_site_of_its_year_by_hand():
    """Both stand within (100, 100). Cut by 5 % the first year has 95 and bears no site of 100; the second bears 90."""
    region = two_years((100.0, 100.0))
    planning = plan_region(region)
    layout = (("early", "f", 2030), ("late", "f", 2031))
    picked = made.picks(planning, *layout)
    (whole, cut) = cuts(region, layout, Search(planning, "score"), picked, (0.0, 0.05), Limits(gap=0.0))
    assert (whole.stays, whole.goes, whole.loss) == (("early", "late"), (), pytest.approx(0.0, abs=1e-9))
    assert whole.cents == 19_000
    assert (cut.stays, cut.goes, cut.cents) == (("late",), ("early",), 9_000)
    assert cut.loss == pytest.approx(
        layout_score(planning, picked).total - layout_score(planning, made.picks(planning, layout[1])).total
    )
    # Chosen anew, the cheaper site begins a year sooner.
    sooner = layout_score(planning, made.picks(planning, ("late", "f", 2030))).total
    assert cut.anew_loss == pytest.approx(layout_score(planning, picked).total - sooner)
    assert cut.anew_loss < cut.loss


def test_a_layout_of_which_nothing_may_stay_says_so():
    """A rule asks for two sites; half the money pays one."""
    region = two_years(None)
    rules = made.settings(rules=[{"kind": "at_least", "count": 2, "sites": ["early", "late"]}]).rules
    budget = region.settings.budget.model_copy(update={"total": 190.0})
    region = dataclasses.replace(
        region, settings=region.settings.model_copy(update={"rules": rules, "budget": budget})
    )  # fmt: skip
    planning = plan_region(region)
    layout = (("early", "f", 2030), ("late", "f", 2030))
    (cut,) = cuts(region, layout, Search(planning, "score"), made.picks(planning, *layout), (0.5,), Limits(gap=0.0))
    assert (cut.found, cut.anew_found) == (False, False)
    assert math.isnan(cut.value)
    assert math.isnan(cut.loss)
    assert math.isnan(cut.anew_loss)
    assert (cut.stays, cut.goes, cut.cents, cut.targets) == ((), ("early", "late"), 0, ())


@pytest.mark.parametrize("share", [-0.01, 1.0, 1.5, float("nan")])
def test_a_share_out_of_its_range_is_refused(share):
    with pytest.raises(ValueError, match=r"share is .*; it must be 0 or more and below 1"):
        with_less_money(two_years(None), share)


def test_a_run_of_futures_tells_the_same_losses_and_cuts():
    region = two_years((100.0, 100.0))
    planning = plan_region(region)
    layout = (("early", "f", 2030), ("late", "f", 2031))
    picked = made.picks(planning, *layout)
    result = stress(region, layout, futures=1, gap=0.0)
    search = Search(planning, "score")
    single, double = losses(search, picked)
    assert (result.single, result.double) == (single, double)
    assert all(isinstance(one, Loss) for one in (*single, *double))
    again = cuts(region, layout, search, picked, CUTS, Limits(gap=0.0))
    assert repr(result.cuts) == repr(again)
    assert [cut.share for cut in again] == [0.1, 0.2, 0.3]
