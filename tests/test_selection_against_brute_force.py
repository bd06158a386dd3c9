"""The search against the enumeration of all subsets, on hundreds of small random regions (all invented).

The rules are judged by `rules_by_sentence.py`, written from the sentences of the rules; the enumeration is
the outside check (no source but arithmetic).
"""

import importlib.util
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from siting.selection.program import Ended, Limits
from siting.selection.registry import RULE_KINDS, judge, start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.solve import solve


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


regions = _load("random_regions")
random_region, sentences = regions.random_region, regions.sentences

INSTANCES = 360
PARTS = 12


def check(seed, tally):
    planning = random_region(seed)
    d = planning.deployments
    reading = sentences.Reading(planning.region, d)
    X = sentences.subsets(len(d))
    X = X[reading.one_each(X)]
    rules = reading.rules(X)
    value = reading.value(X)
    allowed = np.logical_and.reduce([good for _, good in rules.values()])
    best, picked, equal = sentences.best_subset(X, allowed, value, reading.spent(X).sum(axis=1))

    builder = start_program(planning)
    objective = score_objective(builder, planning)
    program = builder.build()
    selection = solve(program, objective, Limits(gap=0.0))

    for kind in {kind for kind, _ in rules.values()}:
        tally[kind, "occurred"] += 1
        others = [good for other, good in rules.values() if other != kind]
        freed, _, _ = sentences.best_subset(X, np.logical_and.reduce([np.ones(len(X), dtype=bool), *others]), value)
        tally[kind, "bound"] += best is None or (freed is not None and freed > best + 1e-6)
    if best is None:
        tally["no layout"] += 1
        assert selection.ended is Ended.INFEASIBLE, seed
        assert selection.value is None
        assert selection.picked == ()
        assert reading.clash_faults(X, selection.clash) == [], (seed, selection.clash)
        return
    tally["equal optima"] += equal > 1
    assert selection.ended is Ended.GAP, seed
    assert selection.value == pytest.approx(best, rel=1e-9, abs=1e-9), seed
    assert selection.proved
    assert selection.gap <= selection.asked_gap
    assert selection.picked == picked, (seed, selection.ties)
    assert selection.ties == (
        "among equal layouts the cheapest was taken, then the smaller ids"
        if equal > 1
        else "no other layout has this value"
    ), seed
    if seed % 3 == 0:
        near = solve(program, objective, Limits(gap=0.02))
        assert near.proved
        assert near.value <= best + 1e-9 * max(1.0, abs(best)) <= near.bound + 2e-9 * max(1.0, abs(best))
        assert near.bound - near.value <= 0.02 * max(1.0, abs(near.value))
    score = layout_score(planning, np.array(picked, dtype=np.int64))
    assert score.total == pytest.approx(best, rel=1e-9, abs=1e-9)
    assert score.worth + sum(score.coverage) == pytest.approx(score.total, abs=1e-12)
    assert all(j.holds for j in judge(planning, np.array(picked, dtype=np.int64))), seed
    assert program.broken(selection.values) == ()


TALLY = Counter()


@pytest.mark.parametrize("part", range(PARTS))
def test_the_search_finds_what_the_enumeration_of_all_subsets_finds(part):
    for seed in range(part, INSTANCES, PARTS):
        check(seed, TALLY)
    TALLY["parts"] += 1


def test_every_kind_of_rule_took_part_and_was_binding_more_than_once():
    """Runs on the tally of the tests above, or makes its own where they run in another process."""
    tally = TALLY
    if TALLY["parts"] < PARTS:
        tally = Counter()
        for seed in range(0, INSTANCES, 2):
            check(seed, tally)
    kinds = {
        "budget",
        "per_year, carried over",
        "per_year, each alone",
        "analyzers",
        "flasks",
        "laboratory",
        "required",
        "at_most",
        "at_least",
        "only_with",
        "band_at_least",
        "spacing",
        "comparison",
        "at_most_sites",
    }
    # One deployment a candidate and what is not offered shape the subsets and the table themselves; capacities
    # need legs and have their own enumeration.
    assert set(RULE_KINDS) - {"one_each", "offered", "capacity"} <= kinds | {"per_year"}
    for kind in kinds:
        assert tally[kind, "bound"] >= 5, (kind, tally)
    assert tally["no layout"] >= 10
    assert tally["equal optima"] >= 10
