"""What is said of goals and proofs: sentences against numbers given by hand.

The meaning of shortfall, gap and stages is that of README (see `siting.selection.program`); no outside source.
"""

import dataclasses
import math
from types import SimpleNamespace

import pytest

from siting.outputs.answer import (
    attainable_lines,
    below,
    goals_sentence,
    proof_sentence,
    search_sentence,
    share_above,
)
from siting.outputs.manifest import Certificate
from siting.outputs.progress import _words
from siting.selection.program import Progress

WAYS = " of 10^12 ways to choose"


def stage(name, value, bound, gap, proved=True):
    return {"name": name, "value": value, "bound": bound, "gap": gap, "proved": proved}


def certificate(*stages, objective="precision", ended="reached the asked gap"):
    return Certificate(
        objective=objective,
        value=stages[0]["value"],
        bound=stages[0]["bound"],
        gap=max(s["gap"] for s in stages),
        asked_gap=1e-3,
        proved=all(s["proved"] for s in stages),
        ended=ended,
        ties="",
        nodes=7,
        stages=stages,
        seed=0,
        ways=12.0,
    )


def shown(words, error, goal, prior=99.0):
    return SimpleNamespace(words=words, error=error, goal=goal, unit="ppb", met=error <= goal, prior_error=prior)


def test_a_share_is_rounded_up_so_that_at_most_stays_true():
    assert [share_above(x) for x in (0.25, 0.1, 0.00101, 0.0009999, 0.0, 1.234)] == [
        "25 %",
        "10 %",
        "0.11 %",
        "0.1 %",
        "0 %",
        "130 %",
    ]
    assert share_above(math.inf) == "an unknown share"


def test_a_bound_is_rounded_down_so_that_none_below_stays_true():
    assert [below(x) for x in (0.52199, 13.45999, 0.1, 28471.9)] == ["0.5219", "13.45", "0.1", "2.847e+04"]


def test_a_shortfall_and_its_bound_have_digits_enough_to_be_told_apart():
    close = proof_sentence(certificate(stage("shortfall", 0.198271621, 0.198073547, 9.99e-4)))
    assert close.startswith("Shortfall 0.19827 (")
    assert "has one below 0.19807 (0.1 % less)" in close
    assert below(0.198073547, 5) == "0.19807"
    wide = proof_sentence(certificate(stage("shortfall", 0.198271621, 0.15, 0.24, False), ended="time limit"))
    assert wide.startswith("Shortfall 0.1983 (")


def test_missed_goals_are_told_with_the_share_above_the_goal_or_as_a_multiple_of_it():
    c = certificate(stage("shortfall", 1.0, 0.9, 0.1))
    told = goals_sentence(
        c, [shown("a", 1.0, 1.0), shown("b", 1.1, 1.0), shown("c", 5.0, 2.0), shown("d", 9.0, 8.0, 9.0)]
    )
    assert told == (
        "1 of 4 goals is met. MISSED: b, by 10 % (standard error 1.1 ppb, goal 1); c, 2.5 times the goal (standard "
        "error 5 ppb, goal 2); d, of which no record tells anything (standard error 9 ppb, goal 8)."
    )
    many = goals_sentence(c, [shown(f"t{k}", 1.5, 1.0) for k in range(9)])
    assert many.startswith("0 of 9 goals are met.")
    assert many.endswith("; and 5 more.")


def test_met_goals_are_told_in_few_words():
    c = certificate(stage("shortfall", 0.0, 0.0, 0.0))
    assert goals_sentence(c, [shown("a", 1.0, 1.0)]) == "The one goal is met."
    assert goals_sentence(c, [shown("a", 1.0, 1.0)] * 3) == "Every goal is met, all 3."
    assert goals_sentence(c, []) == "Every goal is met."


@pytest.mark.parametrize(
    ("given", "ended", "words"),
    [
        (stage("shortfall", 2.0, 2.0, 0.0), "", f"proved: no layout within the rules{WAYS} has a smaller one"),
        (
            stage("shortfall", 2.0, 1.999, 5e-4),
            "",
            f"no layout within the rules{WAYS} has one below 1.999 (0.05 % less)",
        ),
        (
            stage("shortfall", 2.0, 1.5, 0.25, False),
            "time limit",
            "NOT PROVED, the search stopped early (time limit): a better layout may exist, but "
            f"none{WAYS} with one below 1.5 (25 % less)",
        ),
        (
            stage("shortfall", 2.0, -7.0, 4.5, False),
            "interrupted",
            "NOT PROVED, the search stopped early (interrupted): how much smaller it could be is not known",
        ),
        (stage("shortfall", 2.0, -math.inf, math.inf, False), "", "how much smaller it could be is not known"),
    ],
)
def test_a_shortfall_is_told_with_what_no_layout_can_be_below(given, ended, words):
    told = proof_sentence(certificate(given, ended=ended))
    assert told.startswith("Shortfall 2 (the sum over missed goals of weight x ((error / goal)^2 - 1))")
    assert words in told
    assert ("NOT PROVED" in told) == (not given["proved"])


def test_where_goals_are_met_cost_and_precision_are_told_stage_by_stage():
    met = stage("shortfall", 0.0, 0.0, 0.0)
    cost = stage("cost", 2000.0, 1999.2, 4e-4)
    variance = stage("variance", 1.0, 0.9995, 5e-4)
    assert proof_sentence(certificate(met, cost, variance), "crowns") == (
        "Proved: no layout within the rules of 10^12 ways to choose meets every goal for less than 1,999 crowns "
        "(0.04 % less). Of those as cheap none is more precise by more than 0.05 %, by the weighted squares of error "
        "over goal."
    )
    exact = proof_sentence(certificate(met, stage("cost", 2000.0, 2000.0, 0.0), stage("variance", 1.0, 1.0, 0.0)))
    assert "meets every goal for less. Of those as cheap none is more precise, by" in exact
    early = proof_sentence(certificate(met, stage("cost", 2000.0, 1500.5, 0.25, False), ended="time limit"), "crowns")
    assert early == (
        "NOT PROVED, the search stopped early (time limit): a cheaper layout may meet them too, but none of 10^12 ways "
        "to choose for less than 1,500 crowns (25 % less)."
    )
    late = proof_sentence(certificate(met, cost, stage("variance", 1.0, 0.5, 0.5, False), ended="time limit"), "crowns")
    assert late.startswith("Proved: no layout")
    assert "Whether one as cheap is more precise is NOT PROVED" in late
    assert "NOT PROVED" in proof_sentence(certificate(met, ended="time limit"), "crowns")


def test_the_score_keeps_its_own_words():
    c = dataclasses.replace(certificate(stage("score", 5.0, 5.0, 0.0), objective="score"), stages=())
    assert proof_sentence(c).startswith("Network score 5.00; proved: no layout within the rules")
    early = dataclasses.replace(c, gap=0.25, proved=False, ended="time limit")
    assert "none of 10^12 ways to choose better by more than 25 %" in proof_sentence(early)


def test_the_closing_line_tells_the_gap_of_each_stage():
    c = certificate(stage("cost", 2000.0, 1999.0, 5e-4), stage("variance", 1.0, 0.9999, 1e-4))
    assert search_sentence(c, 1.25) == (
        "Search ended: proved to 0.05 % (0.1 % was asked for) in 1.2 s, 7 steps; by stage: cost 0.05 %, variance "
        "0.01 %."
    )
    early = certificate(stage("shortfall", 1.0, -5.0, 6.0, False), ended="time limit")
    assert "how near it came is not known" in search_sentence(early, 1.0)


def test_what_can_be_had_of_a_target_alone_is_set_against_its_goal():
    row = {"tracer": "CO2", "target": "t", "unit": "ppm", "goal": 1.0}
    rows = [
        row | {"none_below": low, "reached": high} for low, high in ((0.5, 0.6), (0.9, 1.1), (1.2, 1.3), (0.0, 1.1))
    ]
    told = attainable_lines(rows)
    assert [words in line for words, line in zip(("can be met", "perhaps", "out of reach"), told, strict=False)] == [
        True
    ] * 3
    assert told[2] == "- target 't' (CO2), goal 1 ppm: out of reach; 1.3 can be reached, no layout is below 1.2."
    assert told[3].endswith("no layout is below 0.")


def test_the_progress_line_shows_the_gap_of_the_objective_and_the_stage():
    assert _words(Progress(7.0, 0.2, 0.1, 3, gap=0.5, stage="shortfall")) == (
        "     7 s: shortfall: best so far 0.2, bound 0.1, gap 50 % (Ctrl-C keeps it)"
    )
    # A search by score gives none; its gap is relative to 1 at least.
    assert "gap 10 %" in _words(Progress(7.0, 0.2, 0.3, 3))
    assert (
        _words(Progress(7.0, None, 0.1, 3, stage="cost")) == "     7 s: cost: no layout yet, bound 0.1 (Ctrl-C stops)"
    )
