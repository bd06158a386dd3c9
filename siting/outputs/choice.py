"""Why the plans of picked sites win over others, and what would turn that: sentences and a table."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from siting.assessment.tradeoff import BETTER, DEAR, FORBIDDEN, NOTHING, SPARES, Move, PlanChoice, PlanChoices
from siting.assessment.values import MONEY, Change
from siting.outputs.lines import counted, number
from siting.outputs.tables import csv_text

# Sites for which the choice of plan is told in words, beside one sentence on all of them.
MOST_CHOICES = 4
# Relative changes of an error from which a swap of plans is said to change it, and a month's anomaly to be telling.
FELT, TELLING = 0.001, 0.05

_KINDS = {
    "flask": "flasks",
    "analyzer": "an analyzer",
    "both": "an analyzer with flasks",
    "flask_then_analyzer": "flasks and later an analyzer",
}


def choice_sentences(choices: PlanChoices, *, met: bool = False) -> list[str]:
    """Return why picked plans win over others and what would turn that: a sentence on all, then the most telling.

    `met` says whether every goal is met: then errors count below their goals, too.
    """
    if not choices.choices:
        return []
    flask_sites = {c.id for c in choices.choices if c.kind == "flask"}
    gains = [c for c in choices.choices if c.kind == "flask" and c.gain > 0.0]
    value = "the score" if choices.by == "score" else _sum(met)
    out = []
    if flask_sites:
        ids = {c.id for c in gains}
        stops: dict[str, set[str]] = {}
        for c in gains:
            for judgement in c.broken:
                if not judgement.label.startswith(MONEY):
                    stops.setdefault(f"'{judgement.label}' ({judgement.words})", set()).add(c.id)
        most = min(stops, key=lambda label: (-len(stops[label]), label), default="")
        words = (
            f"Flasks or analyzers: at {counted(len(flask_sites), 'picked flask site')} an analyzer is on offer; it "
            f"would better {value} at {len(ids)} of them"
        )
        if most:
            words += f", and at {len(stops[most])} of these rule {most} stands against it"
        out.append(f"{words} (each site by itself; assumed: all else as it is).")
    return out + [choice_sentence(choices, c, met=met) for c in _telling(choices.choices)]


def _sum(met: bool) -> str:
    """Return what stands for the errors of all targets where plans are compared by them."""
    return "the sum of weight x (error / goal)^2" if met else "the shortfall"


def _telling(choices: Sequence[PlanChoice]) -> list[PlanChoice]:
    """Return the swaps nearest to turning, one a site, half of them where flasks were picked and half elsewhere."""

    def far(c: PlanChoice) -> tuple[float, str, str]:
        if c.turn_cents is None:
            distance = 0.0 if c.pays else math.inf
        else:
            distance = abs(c.turn_cents / c.plan_cents - 1.0) if c.plan_cents else math.inf
        return distance + (1.0 if c.gain == 0.0 else 0.0), c.id, c.other

    best: dict[str, PlanChoice] = {}
    for c in sorted(choices, key=far):
        best.setdefault(c.id, c)
    ordered = sorted(best.values(), key=far)
    flasks, others = ([c for c in ordered if (c.kind == "flask") == wanted] for wanted in (True, False))
    half = MOST_CHOICES // 2
    ones = flasks[: max(half, MOST_CHOICES - len(others))]
    rest = others[: MOST_CHOICES - len(ones)]
    # Turn about, so that the first few sentences tell of both.
    turns = itertools.zip_longest(ones, rest)
    return [c for pair in turns for c in pair if c is not None]


def choice_sentence(choices: PlanChoices, c: PlanChoice, *, met: bool = False) -> str:
    """Return in words why one picked plan wins over another, what would turn it, and what that assumes."""
    points = _points(choices, c.gain, met)
    amount = f"{_money(abs(c.cents))} {choices.currency}"
    more = f"{amount} {'more' if c.cents > 0 else 'less'} in all ({_money(abs(c.cents_a_year))} a year)"
    errors = [change for change in c.changes if change.asked]
    first = f"{c.id} has {_KINDS[c.kind]} ({c.plan}); {_KINDS[c.other_kind]} there ({c.other}) would {points}"
    words = f"{first} and {_error_words(errors)}, for {more}."
    return (
        f"{words} {_why(choices, c)} What would turn it: {turning(choices, c)}. Assumed: all other "
        "prices, rules and numbers as they are."
    )


def _points(choices: PlanChoices, gain: float, met: bool) -> str:
    if choices.by == "score":
        if gain == 0.0:
            return "leave the score as it is"
        return f"{'add' if gain > 0 else 'take'} {number(abs(gain))} points {'to' if gain > 0 else 'off'} the score"
    if gain == 0.0:
        return f"leave {_sum(met)} as it is"
    return f"{'lower' if gain > 0 else 'raise'} {_sum(met)} by {number(abs(gain))}"


def _error_words(changes: Sequence[Change]) -> str:
    felt = [change for change in changes if abs(change.share) >= FELT]
    if not felt:
        return "change no target's error by as much as 0.1 %"
    most = max(felt, key=lambda change: (abs(change.share), change.tracer, change.target))
    return f"{'lower' if most.share < 0 else 'raise'} the error of {most.words} by {100 * abs(most.share):.1f} %"


def _money(hundredths: float) -> str:
    return f"{hundredths / 100:,.0f}"


def _move(choices: PlanChoices, move: Move) -> str:
    what = f"{move.id} with {move.plan} from {move.start_year}"
    if move.instead is not None:
        plan, year = move.instead
        what += f" in place of {plan} from {year}" if plan != move.plan else f" rather than {year}"
    size = f"{number(move.gain)} {'points' if choices.by == 'score' else 'less'}"
    return f"{what} ({size} for {_money(move.cents)} {choices.currency})"


def _why(choices: PlanChoices, c: PlanChoice) -> str:
    rules = [f"'{j.label}' ({j.words})" for j in c.broken if not j.label.startswith(MONEY)]
    against = (
        f"; rule {' and rule '.join(rules)} {'stand' if len(rules) > 1 else 'stands'} against it too" if rules else ""
    )
    if c.verdict == BETTER:
        return "No rule stands against it, so the other plan would be the better choice."
    if c.verdict == SPARES:
        assert c.rival is not None
        return f"The money saved would do more elsewhere: {_move(choices, c.rival)}."
    if c.verdict == FORBIDDEN:
        if rules:
            return f"What was picked stands because of rule {' and rule '.join(rules)}."
        return "What was picked stands because the budget has no money for it."
    if c.verdict == DEAR:
        assert c.rival is not None
        return f"What was picked wins since the same money does more elsewhere: {_move(choices, c.rival)}{against}."
    if c.verdict == NOTHING:
        gains = "the other plan gains nothing by the score" if choices.by == "score" else "the other plan gains nothing"
        return f"What was picked wins since {gains}{against}."
    if c.rival is None:
        return f"What was picked wins since nothing that the money saved could buy makes up for the loss{against}."
    return (
        "What was picked wins since the money saved is too little for what would make up for the loss: "
        f"{_move(choices, c.rival)}{against}."
    )


def turning(choices: PlanChoices, c: PlanChoice) -> str:
    """Return what price or target would turn the choice of a plan, and what rules and money it needs besides."""
    if c.verdict in (BETTER, SPARES):
        return "nothing, it pays as it is"
    first = []
    if c.turn_cents is not None:
        limit = f"{_money(c.turn_cents)} {choices.currency} in all for {c.other} at {c.id}"
        now = _money(c.plan_cents)
        first.append(
            f"no other price, it pays up to {limit} (now {now})" if c.pays else f"a price below {limit} (now {now})"
        )
    elif not c.pays:
        first.append("no price does")
    if not c.pays:
        better = [x for x in c.changes if x.asked and x.share <= -FELT] if choices.by == "score" else []
        if better:
            most = min(better, key=lambda x: (x.share, x.tracer, x.target))
            first.append(f"a choice by the error of {most.words}, {100 * -most.share:.1f} % less, instead of the score")
        first += [
            f"a choice by the {x.words} as a target, its error {100 * -x.share:.0f} % less"
            for x in c.changes
            if not x.asked and x.share <= -TELLING
        ]
    needs = [f"rule '{j.label}' lifted (with it: {j.found})" for j in c.broken if not j.label.startswith(MONEY)]
    labels = [j.label for j in c.broken if j.label.startswith(MONEY)]
    if labels:
        lacking = c.cents - max(0, choices.leftover_cents)
        amount = f"{_money(lacking)} {choices.currency} more budget" if lacking > 0 else "more money in time"
        needs.append(f"{amount} at the present price ({', '.join(labels)})")
    words = ", or ".join(first)
    if needs:
        words += f"{'; and besides ' if first else ''}{', '.join(needs)}"
    return words


def plan_choice_csv(choices: PlanChoices | None) -> str:
    """Return plan_choice.csv: one row a picked site, other plan and target; money over the window."""
    header = [
        "id",
        "plan",
        "other_plan",
        "start_year",
        "tracer",
        "target",
        "asked",
        "error_now",
        "error_then",
        "error_change_percent",
        "score_change",
        "cost_change",
        "cost_change_a_year",
        "rules_broken",
        "verdict",
        "other_plan_cost",
        "turning_cost",
        "other_use_of_money",
        "what_would_turn_it",
    ]
    rows: list[list[object]] = []
    for c in choices.choices if choices is not None else ():
        assert choices is not None
        last = [
            c.score,
            c.cents / 100,
            round(c.cents_a_year) / 100,
            "; ".join(judgement.label for judgement in c.broken) or None,
            c.verdict,
            c.plan_cents / 100,
            None if c.turn_cents is None else round(c.turn_cents) / 100,
            None if c.rival is None else _move(choices, c.rival),
            turning(choices, c),
        ]
        first = [c.id, c.plan, c.other, c.start_year]
        rows += [[*first, x.tracer, x.target, x.asked, x.now, x.then, 100.0 * x.share, *last] for x in c.changes] or [
            [*first, None, None, None, None, None, None, *last]
        ]
    return csv_text(header, rows)
