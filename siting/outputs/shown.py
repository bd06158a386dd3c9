"""What a network will show, in words and tables that a proposal can quote."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from siting.assessment.doubts import PairOffset
from siting.assessment.precision import ACROSS, BAND, BELIEFS, CIRCLE, QUANTITIES, Believed, Contrast, Precision, Shown
from siting.assessment.statement import EVERY_GAS, Defaulted, Statement
from siting.assessment.tradeoff import (
    BETTER,
    DEAR,
    FORBIDDEN,
    MONEY,
    NOTHING,
    SPARES,
    Change,
    Move,
    PlanChoice,
    PlanChoices,
)
from siting.outputs.lines import counted
from siting.outputs.tables import csv_text

SEEN = 2.0
# Sites for which the choice of plan is told in words, beside one sentence on all of them.
MOST_CHOICES = 4
# Sentences on plans where there is little room.
MOST_BRIEF = 3
# Relative changes of an error from which a swap of plans is said to change it, and a month's anomaly to be telling.
FELT, TELLING = 0.001, 0.05


def number(value: float) -> str:
    """Return a number with three digits that mean something."""
    if not math.isfinite(value):
        return "-"
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:,.0f}"


def sentences(statement: Statement, *, brief: bool = False) -> list[str]:
    """Return the statement as paragraphs, words first, each with the assumption it rests on.

    If `brief`, what was believed beforehand takes one line a gas, plans take three sentences at most, and the
    sources of defaults are left out.
    """
    shown = statement.precision.shown
    out = []
    if any(s.default for s in shown):
        out.append("The region names no targets; these are the defaults of its gases.")
    if not statement.whole:
        out.append(
            "With so many sites, years to detection, the test of assumed numbers and the choice of plans are left out."
        )
    out += [target_sentence(s) for s in shown]
    out += [_sources(s) for s in shown if s.kind != "monthly_anomaly"]
    out += _pair_sentences(statement.precision.contrasts)
    out += [_offset_sentence(offset) for offset in statement.offsets]
    out += _worth_sentences(statement.precision)
    choices = choice_sentences(statement.choices) if statement.choices is not None else []
    out += choices[:MOST_BRIEF] if brief else choices
    out += _assumption_sentences(statement)
    believed = statement.precision.believed
    out += prior_lines(believed) if brief else prior_sentences(believed)
    return out if brief else out + default_sentences(statement.defaults)


def target_sentence(s: Shown) -> str:
    """Return what is shown of one target in one sentence."""
    goal = "met" if s.met else "not met"
    words = (
        f"{s.words[0].upper()}{s.words[1:]}: standard error {number(s.error)} {s.unit} (goal {number(s.goal)}, {goal})."
    )
    if s.kind == "season_timing":
        return words
    words += f" The expected {number(s.signal)} is {number(s.signal_to_error)} times its detection error"
    words += f" and would be found with probability {s.probability:.2f} at 95 % confidence"
    if s.kind == "monthly_anomaly":
        return f"{words}."
    if s.years is not None:
        words += f"; after {s.years:.1f} years with 90 % probability."
    else:
        words += f"; within 50 years never with 90 % probability ({s.never})." if s.never else "."
    if s.floor > 0.0:
        words += f" No network goes below {number(s.floor)} {s.unit}: drift of the scale."
    if s.known_before:
        words += " What was assumed beforehand meets the goal already, so this target asks for nothing."
    return words


def _sources(s: Shown) -> str:
    total = sum(share.variance for share in s.shares)
    if total <= 0.0:
        return f"{s.words}: no error is left."
    sampling = [share for share in s.shares if share.source.startswith("sampling")]
    others = [(share.source, share.variance) for share in s.shares if not share.source.startswith("sampling")]
    parts = [*others, ("sampling at all sites", sum(share.variance for share in sampling))]
    told = [f"{name} {100 * v / total:.0f} %" for name, v in sorted(parts, key=lambda p: -p[1]) if v >= 0.005 * total]
    return f"Of the variance of {s.words}: {', '.join(told)}."


def _pair_sentences(contrasts: Sequence[Contrast]) -> list[str]:
    out = []
    for tracer in dict.fromkeys(c.tracer for c in contrasts):
        mine = [c for c in contrasts if c.tracer == tracer]
        least = min(mine, key=lambda c: (c.significance, c.one, c.other))
        blind = sum(c.significance < SEEN for c in mine)
        words = (
            f"Of {len(mine)} pairs of sites {blind} would show no real difference of the yearly mean of {tracer}"
            if blind
            else f"Every pair of sites would show a real difference of the yearly mean of {tracer}"
        )
        out.append(
            f"{words}; the least significant is {least.one} against {least.other}: expected "
            f"{number(abs(least.expected))}, error {number(least.error)}."
        )
    return out


def _offset_sentence(offset: PairOffset) -> str:
    if not offset.pairs:
        return (
            f"No place compares flasks with an analyzer for {offset.tracer}: an offset between the methods would go "
            "unseen."
        )
    return (
        f"Flasks beside analyzers ({', '.join(offset.pairs)}) would reveal an offset between the methods of "
        f"{number(offset.offset)} {offset.unit} of {offset.tracer} within a year."
    )


def _worth_sentences(given: Precision) -> list[str]:
    now = {(s.tracer, s.id): s for s in given.shown}
    out = []
    for s in given.shown:
        losses = []
        for worth in given.worth:
            without = dict(worth.without).get(s.id)
            if worth.tracer == s.tracer and without is not None:
                losses.append((without / s.error - 1.0, worth.id))
        if losses:
            best = sorted(losses, key=lambda entry: (-entry[0], entry[1]))[:3]
            told = ", ".join(f"{name} (+{100 * loss:.1f} %)" for loss, name in best)
            out.append(f"For {now[s.tracer, s.id].words} the most is lost without {told}.")
    return out


def _assumption_sentences(statement: Statement) -> list[str]:
    moved = [m for m in statement.moved if m.largest >= 0.01][:5]
    if not statement.moved:
        return []
    if not moved:
        return ["Halving or doubling any assumed number moves no error by 1 %."]
    told = "; ".join(
        f"{m.name} of {m.tracer} = {number(m.value)} ({m.origin}): up to {100 * m.largest:.0f} %" for m in moved
    )
    return [f"What rests on a guess: halving or doubling changes an error by - {told}."]


def prior_lines(believed: Sequence[Believed]) -> list[str]:
    """Return what was believed before any measurement in one line for each gas."""
    out = []
    for tracer in dict.fromkeys(b.tracer for b in believed):
        mine = [b for b in believed if b.tracer == tracer]
        parts = []
        for what, words in (
            (BAND, "a band mean against the global mean"),
            (CIRCLE, "two points 90 degrees of longitude apart"),
            (ACROSS, "two bands"),
        ):
            levels = [b for b in mine if b.what == what and b.quantity == "level"]
            if levels:
                parts.append(f"{words} {_range([b.before for b in levels])} (removed: {_removed(levels)})")
        if parts:
            out.append(
                f"Believed before any measurement of {tracer} (from mixing times and source_sd; one standard "
                f"deviation of the level in {mine[0].unit}; in brackets how much of its variance the network removes): "
                f"{', '.join(parts)}. Growth and season: shown.txt."
            )
    return out


def prior_sentences(believed: Sequence[Believed]) -> list[str]:
    """Return what was believed before any measurement, each number with the share that the network removes."""
    points = "two points of one latitude, 90 degrees of longitude apart"
    words = {
        (BAND, "level"): "the yearly mean of a band against the global mean",
        (BAND, "growth"): "the growth of a band, that of the whole earth in it",
        (BAND, "season"): "the season of a band (highest minus lowest month at the expected dates)",
        (CIRCLE, "level"): f"the difference in yearly mean of {points}",
        (CIRCLE, "growth"): f"the difference in growth of {points}",
        (CIRCLE, "season"): f"the difference in season of {points}",
        (ACROSS, "level"): "the difference in yearly mean of two bands",
        (ACROSS, "growth"): "the difference in growth of two bands",
        (ACROSS, "season"): "the difference in season of two bands",
    }
    out = []
    for tracer in dict.fromkeys(b.tracer for b in believed):
        out.append(
            f"What was believed of {tracer} before any measurement follows from mixing times and source_sd: one "
            "standard deviation, and in brackets the share of its variance that the network removes. It is about large "
            "scales only; what is finer than the modes, cell_sd and beyond_degree_sd, comes on top."
        )
        for what in BELIEFS:
            for quantity in QUANTITIES:
                these = [b for b in believed if (b.tracer, b.what, b.quantity) == (tracer, what, quantity)]
                if these:
                    told = ", ".join(f"{b.place} {number(b.before)} ({_percent(b.removed)})" for b in these)
                    out.append(f"Before any measurement, {words[what, quantity]}, in {these[0].unit}: {told}.")
    return out


def _range(values: Sequence[float]) -> str:
    low, high = number(min(values)), number(max(values))
    return low if low == high else f"{low} to {high}"


def _percent(share: float) -> str:
    return f"{100 * share:.{1 if 0.99 <= share < 1.0 else 0}f} %"


def _removed(believed: Sequence[Believed]) -> str:
    low, high = _percent(min(b.removed for b in believed)), _percent(max(b.removed for b in believed))
    return low if low == high else f"{low.removesuffix(' %')} to {high}"


def default_sentences(defaults: Sequence[Defaulted]) -> list[str]:
    """Return by gas and source the numbers that the region left empty."""
    out = []
    for tracer in dict.fromkeys(d.tracer for d in defaults):
        by_source: dict[str, list[str]] = {}
        for d in defaults:
            if d.tracer == tracer:
                told = d.name if ":" in d.value else f"{d.name} {d.value}"
                by_source.setdefault(d.source, []).append(told)
        parts = "; ".join(f"{', '.join(names)} ({source})" for source, names in by_source.items())
        whose = "the air of all gases" if tracer == EVERY_GAS else tracer
        out.append(f"Numbers of {whose} that the region does not give, with their sources: {parts}.")
    return out


_KINDS = {
    "flask": "flasks",
    "analyzer": "an analyzer",
    "both": "an analyzer with flasks",
    "flask_then_analyzer": "flasks and later an analyzer",
}


def choice_sentences(choices: PlanChoices) -> list[str]:
    """Return why picked plans win over others and what would turn that: a sentence on all, then the most telling."""
    if not choices.choices:
        return []
    flask_sites = {c.id for c in choices.choices if c.kind == "flask"}
    gains = [c for c in choices.choices if c.kind == "flask" and c.gain > 0.0]
    value = "the score" if choices.by == "score" else "the errors over their goals"
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
    return out + [choice_sentence(choices, c) for c in _telling(choices.choices)]


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


def choice_sentence(choices: PlanChoices, c: PlanChoice) -> str:
    """Return in words why one picked plan wins over another, what would turn it, and what that assumes."""
    points = _points(choices, c.gain)
    amount = f"{_money(abs(c.cents))} {choices.currency}"
    more = f"{amount} {'more' if c.cents > 0 else 'less'} in all ({_money(abs(c.cents_a_year))} a year)"
    errors = [change for change in c.changes if change.asked]
    first = f"{c.id} has {_KINDS[c.kind]} ({c.plan}); {_KINDS[c.other_kind]} there ({c.other}) would {points}"
    words = f"{first} and {_error_words(errors)}, for {more}."
    return (
        f"{words} {_why(choices, c)} What would turn it: {turning(choices, c)}. Assumed: all other "
        "prices, rules and numbers as they are."
    )


def _points(choices: PlanChoices, gain: float) -> str:
    if choices.by == "score":
        if gain == 0.0:
            return "leave the score as it is"
        return f"{'add' if gain > 0 else 'take'} {number(abs(gain))} points {'to' if gain > 0 else 'off'} the score"
    if gain == 0.0:
        return "leave the errors over their goals as they are"
    return f"{'lower' if gain > 0 else 'raise'} the weighted squared errors over their goals by {number(abs(gain))}"


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
    size = f"{number(move.gain)} points" if choices.by == "score" else number(move.gain)
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


def statement_files(statement: Statement) -> dict[str, str]:
    """Return the files of a statement by name."""
    given = statement.precision
    return {
        "shown.txt": "".join(f"{line}\n" for line in sentences(statement)),
        "targets.csv": targets_csv(given),
        "detection.csv": detection_csv(given),
        "contrasts.csv": contrasts_csv(given),
        "why.csv": why_csv(statement),
        "prior.csv": prior_csv(given),
        "plan_choice.csv": plan_choice_csv(statement.choices),
        "assumptions.csv": assumptions_csv(statement),
    }


def target_content(given: Precision) -> list[dict[str, object]]:
    """Return the targets as layout.json holds them; None stands for never and for nothing seen."""
    return [
        {
            "tracer": s.tracer,
            "id": s.id,
            "kind": s.kind,
            "unit": s.unit,
            "goal": s.goal,
            "error": s.error,
            "met": s.met,
            "signal": s.signal,
            "detection_error": s.detection_error if math.isfinite(s.detection_error) else None,
            "probability": s.probability,
            "years": s.years,
            "never": s.never or None,
            "default": s.default,
        }
        for s in given.shown
    ]


def targets_csv(given: Precision) -> str:
    """Return targets.csv: one row a target with error, goal and where the error comes from."""
    header = [
        "tracer",
        "target",
        "kind",
        "words",
        "unit",
        "goal",
        "weight",
        "default",
        "error",
        "met",
        "prior_error",
        "known_before",
        "floor",
        "source",
        "variance_share",
    ]
    rows: list[list[object]] = []
    for s in given.shown:
        first = [
            s.tracer,
            s.id,
            s.kind,
            s.words,
            s.unit,
            s.goal,
            s.weight,
            s.default,
            s.error,
            s.met,
            s.prior_error,
            s.known_before,
            s.floor,
        ]
        total = sum(share.variance for share in s.shares)
        rows += [[*first, share.source, share.variance / total if total > 0.0 else 0.0] for share in s.shares]
    return csv_text(header, rows)


def detection_csv(given: Precision) -> str:
    """Return detection.csv: one row a target with signal, detection error, probability and years."""
    header = [
        "tracer",
        "target",
        "unit",
        "signal",
        "detection_error",
        "signal_to_error",
        "probability_95",
        "years_90",
        "never_because",
    ]
    rows = [
        [
            s.tracer,
            s.id,
            s.unit,
            s.signal,
            s.detection_error if math.isfinite(s.detection_error) else None,
            s.signal_to_error,
            s.probability,
            s.years,
            s.never or None,
        ]
        for s in given.shown
    ]
    return csv_text(header, rows)


def contrasts_csv(given: Precision) -> str:
    """Return contrasts.csv: every pair of picked sites with its expected difference and error."""
    header = ["tracer", "one", "other", "expected", "error", "significance", "visible"]
    rows = [
        [c.tracer, c.one, c.other, c.expected, c.error, c.significance, c.significance >= SEEN] for c in given.contrasts
    ]
    return csv_text(header, rows)


def why_csv(statement: Statement) -> str:
    """Return why.csv: one row a picked site and target with the error without the site."""
    given = statement.precision
    now = {(s.tracer, s.id): s.error for s in given.shown}
    seen = {(d.tracer, d.id): d.size for d in statement.discoveries}
    header = [
        "id",
        "tracer",
        "target",
        "error",
        "error_without",
        "loss_percent",
        "shortfall_loss",
        "contamination_seen_in_a_year",
    ]
    rows: list[list[object]] = []
    for worth in given.worth:
        size = seen.get((worth.tracer, worth.id), math.inf)
        for target, without in worth.without:
            error = now[worth.tracer, target]
            rows.append(
                [
                    worth.id,
                    worth.tracer,
                    target,
                    error,
                    without,
                    100.0 * (without / error - 1.0),
                    worth.shortfall_loss,
                    size if math.isfinite(size) else None,
                ]
            )
    return csv_text(header, rows)


def prior_csv(given: Precision) -> str:
    """Return prior.csv: what was believed before any measurement, what is left, and the share of variance removed."""
    header = ["tracer", "what", "place", "quantity", "unit", "sd_before", "sd_after", "variance_removed"]
    rows: list[list[object]] = [
        [b.tracer, b.what, b.place, b.quantity, b.unit, b.before, b.after, b.removed] for b in given.believed
    ]
    return csv_text(header, rows)


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


def assumptions_csv(statement: Statement) -> str:
    """Return assumptions.csv: each number or curve that was not given, its source, and how far it moves each error."""
    header = ["tracer", "name", "value", "origin", "target", "error_halved", "error_doubled", "largest_change_percent"]
    rows: list[list[object]] = []
    for m in statement.moved:
        doubled = dict(m.doubled)
        rows += [
            [m.tracer, m.name, m.value, m.origin, target, halved, doubled.get(target), 100.0 * m.largest]
            for target, halved in m.halved
        ]
    moved = {(m.tracer, m.name) for m in statement.moved}
    for d in statement.defaults:
        if (d.tracer, d.name) not in moved:
            rows.append([d.tracer, d.name, d.value, d.source, None, None, None, None])
    return csv_text(header, rows)
