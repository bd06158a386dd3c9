"""Build order, reasons and near ties against every layout of hundreds of small random regions (all invented).

The enumerations of `random_regions.py` are the outside check: rules, score and money by their sentences; by precision
the errors of targets of one layout after the other, as they are assessed.
"""

from __future__ import annotations

import dataclasses
import functools
import importlib.util
import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.assessment.precision import target_errors
from siting.judging import search as searching
from siting.judging.frontier import budget_frontier, change_frontier
from siting.judging.order import build_order
from siting.judging.reasons import Asked, reasons
from siting.judging.search import FalseAnswerError, Search, shortfall_of
from siting.selection.program import Ended, Limits
from siting.selection.score import layout_score

_spec = importlib.util.spec_from_file_location("random_regions", Path(__file__).with_name("random_regions.py"))
regions = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(regions)
made = regions.made

# Random regions by score and by precision, counted over the file; those that no layout satisfies are some of them.
INSTANCES, PRECISE = 184, 20
PARTS = 6
EXACT = Limits(gap=0.0)
CLOSE = 1e-9
# By precision: how far a value of the search and the same value by plain matrices may lie apart (relative).
ROUNDING = 1e-7


class Judged:
    """Every layout of a region with its value, made large: the score, or the shortfall with its sign turned."""

    def __init__(self, by, planning):
        self.by, self.planning = by, planning
        self.gap = 0.0 if by == "score" else 1e-3
        self.every = regions.Every(planning) if by == "score" else regions.EveryShortfall(planning)
        self.sign = 1.0 if by == "score" else -1.0
        # Below this size the gap is no longer relative: 1 of the score, a hundredth of the sum of weights.
        self.floor = 1.0 if by == "score" else 0.01 * sum(t.weight for t in planning.region.settings.targets)
        self.limits = Limits(gap=self.gap)
        self.worth = self.values(self.every.X)

    def values(self, X):
        """Return the values (rows,) of layouts, whatever rules they break, larger is better."""
        return self.every.reading.value(X) if self.by == "score" else -self.every.shortfalls(X)

    def size(self, value):
        """Return what is rounding beside a value."""
        return (CLOSE if self.by == "score" else ROUNDING) * max(abs(value), self.floor)

    def same(self, value, known):
        """Check a told value against the same one, in the sense that larger is better."""
        assert self.sign * value == pytest.approx(known, abs=self.size(known), rel=0)

    def best(self, mask):
        """Return the best value of masked layouts, None without any."""
        return float(self.worth[mask].max()) if mask.any() else None

    def check_best(self, value, bound, best):
        """Check value and bound of a search that reached its gap against the best of all layouts."""
        value, bound = self.sign * value, self.sign * bound
        assert value <= best + self.size(best)
        assert best <= bound + 2 * self.size(best)
        assert best - value <= self.gap * max(abs(value), self.floor) + self.size(best)


@functools.lru_cache(maxsize=4)
def drawn(by, seed):
    return Judged(by, regions.random_region(seed) if by == "score" else regions.precise_region(seed))


# -- build order ---------------------------------------------------------------------------------------


def check_order(by, seed, tally):
    judged = drawn(by, seed)
    every, d = judged.every, judged.planning.deployments
    order = build_order(judged.planning, by, judged.limits)
    if not every.X.size:
        assert (order.steps, order.picked, order.free, order.whole) == ((), (), (), False)
        tally["no layout"] += 1
        return
    years = sorted(set(d.start_year.tolist())) or [judged.planning.region.settings.first_year]
    assert [step.year for step in order.steps] == years
    assert order.whole
    assert order.asked_gap == judged.gap
    chosen = np.zeros(len(d), dtype=bool)
    for step in order.steps:
        started = d.start_year <= step.year
        earlier = every.X[:, d.start_year < step.year]
        worth = judged.values(every.X & started)
        # Of all layouts that keep every rule to the end: those that begin as the order began.
        begun = (earlier == chosen[d.start_year < step.year]).all(axis=1)
        judged.check_best(step.value, step.bound, float(worth[begun].max()))
        judged.check_best(step.free_value, step.free_bound, float(worth.max()))
        assert step.proved
        assert step.gap <= judged.gap
        assert step.ended is Ended.GAP
        stands = every.row(step.stands)[0]
        assert (stands & chosen).sum() == chosen.sum(), "what was built is given up"
        opens = every.row(step.opens)[0]
        assert np.array_equal(stands, chosen | opens)
        assert set(d.start_year[opens].tolist()) <= {step.year}
        # A layout that keeps every rule goes on from here.
        assert (begun & (every.X[:, started] == stands[started]).all(axis=1)).any()
        judged.same(step.value, float(judged.values(stands[None])[0]))
        spent = every.reading.spent(stands[None])[0]
        assert step.spent_cents == spent[step.year - judged.planning.region.settings.first_year]
        assert step.committed_cents == spent.sum()
        assert [type(x) for x in (step.value, step.bound, step.gap, step.free_value)] == [float] * 4
        assert [type(x) for x in (step.year, step.spent_cents, step.committed_cents, step.proved)] == [*[int] * 3, bool]
        chosen = stands
    assert order.picked == tuple(np.flatnonzero(chosen).tolist())
    assert every.holds(order.steps[-1].stands)
    assert every.holds(order.free)
    last = judged.sign * order.steps[-1].value
    best = float(judged.worth.max())
    judged.check_best(order.free_value, order.steps[-1].free_bound, best)
    judged.same(order.free_value, float(judged.values(every.row(order.free))[0]))
    assert order.price >= 0.0
    assert type(order.price) is float
    assert order.price == pytest.approx(max(0.0, judged.sign * order.free_value - last), abs=judged.size(best))
    assert best - last == pytest.approx(order.price, abs=judged.gap * max(abs(best), judged.floor) + judged.size(best))
    assert order.to_frame()["value"].tolist() == [s.value for s in order.steps]
    budget = judged.planning.region.settings.budget
    if len(order.steps) > 1:
        tally["price"] += order.price > judged.size(best) + judged.gap * abs(best)
        tally["several years open"] += sum(bool(s.opens) for s in order.steps) > 1
        tally["carried over" if budget.carry_over else "each year alone"] += budget.per_year is not None


# -- reasons -------------------------------------------------------------------------------------------


def differing(judged, layouts, apart):
    """Say (L,) which layouts differ from all of some in at least so many sites, in one and not in the other."""
    mask = np.ones(len(judged.every.X), dtype=bool)
    for layout in layouts:
        theirs = judged.every.sites_of(judged.every.row(layout))
        mask &= (judged.every.sites ^ theirs).sum(axis=1) >= apart
    return mask


def check_alternative(judged, found, mask, base, reference):
    """Check a told alternative against the best of masked layouts; True if there is one."""
    every, best = judged.every, judged.best(mask)
    if best is None:
        assert not found.found
        assert found.ended is Ended.INFEASIBLE
        assert found.proved
        assert (found.layout, found.cents, found.comes, found.goes, found.targets) == ((), 0, (), (), ())
        assert found.loss == found.least_loss == np.inf
        assert found.value == found.bound == -judged.sign * np.inf
        return False
    judged.check_best(found.value, found.bound, best)
    assert found.proved
    assert found.ended is Ended.GAP
    row = every.row(found.layout)
    assert (every.X[mask] == row).all(axis=1).any(), "the layout breaks a rule or the condition"
    judged.same(found.value, float(judged.values(row)[0]))
    assert found.cents == every.cents_of(found.layout)
    size = judged.size(reference) + judged.size(best)
    assert found.loss == pytest.approx(reference - judged.sign * found.value, abs=size)
    assert found.least_loss == pytest.approx(reference - judged.sign * found.bound, abs=size)
    assert found.least_loss <= found.loss
    sites, before = {site for site, _, _ in found.layout}, {site for site, _, _ in base}
    assert (set(found.comes), set(found.goes)) == (sites - before, before - sites)
    assert [type(x) for x in (found.value, found.bound, found.loss, found.least_loss)] == [float] * 4
    assert [type(found.cents), type(found.proved)] == [int, bool]
    return True


def check_reasons(by, seed, tally, given_rows=None):
    """Check reasons for the best layout, or for a given one, as a row of True and False."""
    judged = drawn(by, seed)
    every, ids = judged.every, judged.planning.region.candidates.ids
    rng = np.random.default_rng(30_000 + seed)
    ties, apart, within = rng.choice([0, 2, 3, 5]), rng.choice([1, 2, 2, 3]), rng.choice([0.0, 0.05, 0.4, 1.0])
    asked = Asked(int(ties), int(apart), float(within))
    counted = []
    picked = None if given_rows is None else np.flatnonzero(given_rows).tolist()
    found = reasons(
        judged.planning, by, judged.limits, asked, picked, counter=lambda done, every: counted.append((done, every))
    )
    base = found.base.layout
    if picked is None and not every.X.size:
        tally["no layout"] += 1
        assert not found.base.found
        assert (found.why_in, found.why_not, found.ties) == ((), (), ())
        return
    best = judged.best(np.ones(len(every.X), dtype=bool))
    reference = float(judged.values(every.row(base))[0])
    judged.same(found.base.value, reference)
    if picked is None:
        judged.check_best(found.base.value, found.base.bound, best)
        assert every.holds(base)
    else:
        assert every.row(base)[0].tolist() == given_rows.tolist()
        limit = reference if best is None else max(reference, best)
        assert judged.sign * found.base.bound >= limit - judged.size(limit)
    assert found.given is (picked is not None)
    assert found.base.cents == every.cents_of(base)
    assert (found.base.loss, found.base.comes, found.base.goes) == (0.0, (), ())
    assert found.base.least_loss <= 0.0
    assert found.whole
    assert (found.apart, found.within, found.asked_gap) == (asked.apart, asked.within, judged.gap)

    assert [w.id for w in found.why_in] == sorted({site for site, _, _ in base})
    for why in found.why_in:
        rest = tuple(one for one in base if one[0] != why.id)
        after = float(judged.values(every.row(rest))[0])
        assert why.loss == pytest.approx(reference - after, abs=judged.size(reference) + judged.size(after))
        assert type(why.loss) is float
        assert set(why.broken) == every.broken(rest) - every.broken(base)
        tally["rest breaks a rule"] += bool(why.broken)
        tally["none without it"] += not check_alternative(judged, why.after, ~every.at(why.id), base, reference)
    offered = {ids[i] for i in judged.planning.deployments.candidate}
    assert [w.id for w in found.why_not] == sorted(offered - {site for site, _, _ in base})
    for why in found.why_not:
        there = check_alternative(judged, why.best, every.at(why.id), base, reference)
        assert why.reason == ("" if there else "no layout within the rules has it")
        tally["none has it"] += not there
        tally["some has it"] += there

    most, earlier = asked.within * max(abs(reference), judged.floor), [base]
    assert len(found.ties) <= asked.ties
    for tie in found.ties:
        assert check_alternative(judged, tie, differing(judged, earlier, asked.apart), base, reference)
        assert tie.loss <= most
        earlier.append(tie.layout)
    tally["ties"] += len(found.ties)
    if len(found.ties) < asked.ties:
        further = judged.best(differing(judged, earlier, asked.apart))
        lost = np.inf if further is None else reference - further
        # What the gap leaves open may have been missed, and is then told as not whole.
        assert lost > most - judged.size(reference) or (judged.gap > 0.0 and not found.ties_whole)
        assert found.ties_whole or judged.gap > 0.0
        tally["no further tie"] += 1
    else:
        assert not found.ties_whole
    assert counted[-1][0] == counted[-1][1] or asked.ties > len(found.ties)
    frame = found.to_frame()
    assert frame["id"].tolist() == [w.id for w in (*found.why_in, *found.why_not)]
    assert frame["loss"].dropna().tolist() == [w.loss for w in found.why_in]


def broken_row(judged, seed):
    """Return a layout that breaks a rule, None where there is none."""
    every = judged.every
    rows = np.flatnonzero(~every.allowed)
    return every.free[np.random.default_rng(seed).choice(rows)] if rows.size else None


TALLY = {by: Counter() for by in ("score", "precision")}


@pytest.mark.parametrize("part", range(PARTS))
def test_every_year_of_the_order_is_the_best_that_all_layouts_leave_after_the_years_before(part):
    for seed in range(part, INSTANCES, PARTS):
        check_order("score", seed, TALLY["score"])


@pytest.mark.parametrize("part", range(PARTS))
def test_reasons_and_ties_of_the_best_layout_are_those_of_all_layouts(part):
    for seed in range(part, INSTANCES, 3 * PARTS):
        check_reasons("score", seed, TALLY["score"])


@pytest.mark.parametrize("part", range(PARTS))
def test_reasons_of_a_layout_that_breaks_rules_are_told_against_it_all_the_same(part):
    for seed in range(part + PARTS, INSTANCES, 4 * PARTS):
        judged = drawn("score", seed)
        row = broken_row(judged, seed)
        if row is not None:
            check_reasons("score", seed, TALLY["score"], row)
            TALLY["score"]["given"] += 1


@pytest.mark.parametrize("seed", range(PRECISE))
def test_the_same_holds_by_precision(seed):
    if seed % 3:
        check_order("precision", seed, TALLY["precision"])
    else:
        row = broken_row(drawn("precision", seed), seed) if seed % 2 else None
        check_reasons("precision", seed, TALLY["precision"], row)


@pytest.mark.parametrize("by", ["score", "precision"])
def test_the_value_of_a_layout_is_its_plain_definition_in_a_plain_number(by):
    for seed in range(6 if by == "score" else 2):
        judged = drawn(by, seed)
        search = Search(judged.planning, by)
        for row in judged.every.free[:: max(1, len(judged.every.free) // 4)]:
            picked = np.flatnonzero(row)
            value = search.value_of(picked.tolist())
            assert type(value) is float
            judged.same(value, float(judged.values(row[None])[0]))
            if by == "score":
                assert value == layout_score(judged.planning, picked).total
            else:
                assert value == shortfall_of(judged.planning, target_errors(judged.planning, picked))


@pytest.mark.parametrize("by", ["score", "precision"])
def test_a_fitted_layout_is_the_best_part_of_it_that_the_rules_bear(by):
    for seed in range(20 if by == "score" else 2):
        judged = drawn(by, seed)
        every, search = judged.every, Search(judged.planning, by)
        for row in every.free[:: max(1, len(every.free) // 3)]:
            within = ~(every.X & ~row).any(axis=1)
            site = int(np.random.default_rng(seed).choice(judged.planning.deployments.candidate))
            for mask, conditions in [(within, []), (within & ~every.sites[:, site], [search.without(site)])]:
                found = search.fitted(np.flatnonzero(row).tolist(), judged.limits, conditions)
                if not mask.any():
                    assert (found.any, found.ended) == (False, Ended.INFEASIBLE)
                    continue
                judged.same(found.value, judged.best(mask))
                assert (every.X[mask] == np.isin(np.arange(row.size), found.picked)).all(axis=1).any()


def test_what_orders_and_reasons_can_be_took_part_more_than_once():
    """Runs on the tally of the tests above, or makes its own where some of them run in another process."""
    tally = TALLY["score"]
    least = {
        "no layout": 10,
        "price": 3,
        "several years open": 10,
        "carried over": 5,
        "each year alone": 5,
        "rest breaks a rule": 10,
        "none without it": 10,
        "none has it": 10,
        "some has it": 20,
        "ties": 10,
        "no further tie": 10,
    }
    if any(tally[name] < number for name, number in least.items()):
        tally = Counter()
        for seed in range(INSTANCES):
            check_order("score", seed, tally)
            if seed % (3 * PARTS) < PARTS:
                check_reasons("score", seed, tally)
    for name, number in least.items():
        assert tally[name] >= number, (name, tally)


# -- single facts --------------------------------------------------------------------------------------


def two_sites(**given):
    """Return a planning where the money of the first year builds a poor site, that of the second one a good one."""
    offered = {"plans": ["f"], "contamination_risk": 0.0, "annual_cost": 0}
    return regions.plan_region(
        made.region(
            [
                {"id": "good", "lat": 10.0, "lon": 90.0, "baseline_exposure": 0.9, "setup_cost": 300, **offered},
                {"id": "poor", "lat": 20.0, "lon": 0.0, "baseline_exposure": 0.2, "setup_cost": 100, **offered},
            ],
            years=3,
            budget={"total": 1000.0, "per_year": [150.0, 450.0, 0.0]},
            score={"worth_from": 0.0, "coverage_weight": 0.0},
            **given,
        )
    )


def test_an_order_that_begins_with_a_poor_site_tells_what_the_nesting_costs():
    planning = two_sites(rules=[{"kind": "at_most_sites", "count": 1}])
    order = build_order(planning, "score", EXACT)
    worth = {(site, y): layout_score(planning, made.picks(planning, (site, "f", y))).total
             for site, y in [("poor", 2030), ("good", 2031)]}  # fmt: skip
    assert order.steps[0].opens == order.steps[2].stands == (("poor", "f", 2030),)
    assert order.free == (("good", "f", 2031),)
    assert order.free_value == worth["good", 2031] > worth["poor", 2030]
    assert order.price == worth["good", 2031] - worth["poor", 2030]
    assert [s.free_value for s in order.steps] == [worth["poor", 2030], worth["good", 2031], worth["good", 2031]]
    assert [(s.spent_cents, s.committed_cents) for s in order.steps] == [(10000, 10000), (0, 10000), (0, 10000)]


def test_where_both_sites_may_stand_the_order_costs_nothing():
    order = build_order(two_sites(), "score", EXACT)
    assert [s.opens for s in order.steps] == [(("poor", "f", 2030),), (("good", "f", 2031),), ()]
    assert [(s.spent_cents, s.committed_cents) for s in order.steps] == [(10000, 10000), (30000, 40000), (0, 40000)]
    assert order.price == 0.0
    assert order.free == order.steps[-1].stands


def test_a_given_layout_with_two_deployments_at_a_site_counts_it_as_one_site():
    planning = two_sites()
    picked = made.picks(planning, ("poor", "f", 2030), ("poor", "f", 2031))
    found = reasons(planning, "score", EXACT, Asked(ties=5, apart=1, within=10.0), picked.tolist())
    assert [w.id for w in found.why_in] == ["poor"]
    # Only the poor site, whenever it starts, is no other layout: no site differs.
    assert {frozenset(site for site, _, _ in t.layout) for t in found.ties} == {
        frozenset({"good"}),
        frozenset({"good", "poor"}),
        frozenset(),
    }
    assert found.ties_whole


def test_an_empty_layout_that_breaks_rules_nobody_can_keep_is_judged_as_it_is():
    planning = two_sites(rules=[{"kind": "at_least", "count": 2, "sites": ["good"]}])
    found = reasons(planning, "score", EXACT, picked=[])
    assert found.base.value == 0.0
    assert found.base.found
    assert [w.reason for w in found.why_not] == ["no layout within the rules has it"] * 2
    assert found.ties == ()
    assert found.ties_whole


def test_only_the_sites_that_were_asked_for_are_told():
    planning = two_sites()
    every = reasons(planning, "score", EXACT)
    some = reasons(planning, "score", EXACT, Asked(sites=("poor",)))
    assert {w.id for w in every.why_in} == {"good", "poor"}
    assert [w.id for w in some.why_in] == ["poor"]
    assert some.why_in[0].loss == next(w.loss for w in every.why_in if w.id == "poor")
    assert some.why_not == ()


@pytest.mark.parametrize("asked", [Asked(apart=0), Asked(within=-0.1), Asked(ties=-1)])
def test_ties_that_need_not_differ_or_must_gain_are_refused(asked):
    with pytest.raises(ValueError, match="apart must be 1 or more, within and ties 0 or more"):
        reasons(two_sites(), "score", EXACT, asked)


# -- what ends early, and what must not pass -----------------------------------------------------------


@pytest.mark.parametrize("calls", [0, 3, 10, 30, 100])
def test_reasons_that_were_stopped_say_so_and_claim_nothing_that_was_not_looked_at(calls):
    for seed in (22, 30):
        judged = drawn("score", seed)
        count = itertools.count()
        limits = Limits(gap=0.0, stop=lambda count=count: next(count) >= calls)
        found = reasons(judged.planning, "score", limits, Asked(ties=3, within=1.0))
        whole = reasons(judged.planning, "score", EXACT, Asked(ties=3, within=1.0))
        assert not found.whole or [w.id for w in found.why_in + found.why_not] == [
            w.id for w in whole.why_in + whole.why_not
        ]
        assert not (found.ties_whole and found.base.found) or len(found.ties) < 3
        assert not found.base.proved or found.base.value == pytest.approx(judged.worth.max(), rel=CLOSE)
        for site, told in [(w.id, w.after) for w in found.why_in] + [(w.id, w.best) for w in found.why_not]:
            picked = any(w.id == site for w in found.why_in)
            best = judged.best(~judged.every.at(site) if picked else judged.every.at(site))
            if told.ended is Ended.INFEASIBLE:
                assert best is None
            elif best is not None:
                # The bound holds for what was not found in time, too.
                assert told.bound >= best - judged.size(best)
                assert told.least_loss <= found.base.value - best + judged.size(best)
        for why in found.why_not:
            assert why.best.found or why.reason


@pytest.mark.parametrize("calls", [0, 1, 3, 10, 30])
def test_an_order_that_was_stopped_tells_bounds_that_hold_and_proves_no_more_than_it_knows(calls):
    for seed in (4, 9, 15, 22):
        judged = drawn("score", seed)
        every, d = judged.every, judged.planning.deployments
        count = itertools.count()
        order = build_order(judged.planning, "score", Limits(gap=0.0, stop=lambda count=count: next(count) >= calls))
        assert order.whole is (len(order.steps) == len(set(d.start_year.tolist())))
        chosen = np.zeros(len(d), dtype=bool)
        for step in order.steps:
            worth = judged.values(every.X & (d.start_year <= step.year))
            earlier = d.start_year < step.year
            best = float(worth[(every.X[:, earlier] == chosen[earlier]).all(axis=1)].max())
            assert best <= step.bound + judged.size(best)
            assert float(worth.max()) <= step.free_bound + judged.size(best)
            if step.proved:
                judged.same(step.value, best)
            chosen = every.row(step.stands)[0]


def broken_answers(monkeypatch, change):
    """Let both searches hand back changed answers."""
    engine, precise = searching.LinearEngine, searching.least_shortfall

    class Changed(engine):
        def search(self, start=None):
            answer = super().search(start)
            return answer if answer.values is None else change(answer, self.program)

    def changed(*args):
        proven = precise(*args)
        return dataclasses.replace(proven, selection=change(proven.selection, args[0]))

    monkeypatch.setattr(searching, "LinearEngine", Changed)
    monkeypatch.setattr(searching, "least_shortfall", changed)


def everything(answer, program):
    """Return the answer with all deployments picked, which are two or more at some site."""
    return dataclasses.replace(answer, picked=tuple(range(program.deployments)))


def worth_more(answer, program):
    """Return the answer with a better value than its layout has."""
    del program
    return dataclasses.replace(answer, value=answer.value * 1.01 + 0.01)


QUESTIONS = {
    "budgets": lambda planning, by: budget_frontier(planning, [100_000], by, Limits(gap=1e-3)),
    "order": lambda planning, by: build_order(planning, by, Limits(gap=1e-3)),
    "reasons": lambda planning, by: reasons(planning, by, Limits(gap=1e-3)),
    "reasons of a given layout": lambda planning, by: reasons(planning, by, Limits(gap=1e-3), picked=[0]),
}


@pytest.mark.parametrize("by", ["score", "precision"])
@pytest.mark.parametrize("question", QUESTIONS)
def test_a_search_that_returns_a_broken_layout_is_found_out(monkeypatch, by, question):
    planning = drawn(by, 1).planning
    broken_answers(monkeypatch, everything)
    with pytest.raises(FalseAnswerError, match="the layout breaks one deployment a candidate"):
        QUESTIONS[question](planning, by)


@pytest.mark.parametrize("by", ["score", "precision"])
@pytest.mark.parametrize("question", QUESTIONS)
def test_a_search_that_tells_a_wrong_value_is_found_out(monkeypatch, by, question):
    planning = drawn(by, 1).planning
    broken_answers(monkeypatch, worth_more)
    with pytest.raises(FalseAnswerError, match=r"the layout is worth .*, the search said"):
        QUESTIONS[question](planning, by)


def test_a_broken_layout_among_the_changes_of_the_frontier_is_found_out(monkeypatch):
    """Of the two searches of each step only that for the least cost is made to fail."""
    planning = drawn("score", 1).planning

    def change(answer, program):
        return everything(answer, program) if answer.stages[0].name == "cost" else answer

    broken_answers(monkeypatch, change)
    with pytest.raises(FalseAnswerError, match="the layout breaks one deployment a candidate"):
        change_frontier(planning, 0, Limits(gap=0.0))


# -- a property ----------------------------------------------------------------------------------------


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0.0, 1e-3, 0.05, 0.3]))
def test_a_loss_after_a_new_search_is_never_below_what_is_told_at_least_nor_a_gain_beyond_the_gap(seed, gap):
    found = reasons(regions.random_region(seed), "score", Limits(gap=gap), Asked(ties=2, within=1.0))
    again = [w.after for w in found.why_in] + [w.best for w in found.why_not] + list(found.ties)
    size = CLOSE * max(1.0, abs(found.base.value)) if found.base.found else 0.0
    for other in again:
        assert other.loss >= other.least_loss
        if other.found:
            # No layout beats the base's bound, and that is within the gap.
            assert other.loss >= found.base.least_loss - size
            assert other.loss >= -gap * max(1.0, abs(found.base.value)) - size
            assert other.value <= found.base.bound + size
