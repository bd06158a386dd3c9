"""What a network will show, in words and tables that a proposal can quote."""

from __future__ import annotations

import math
from collections.abc import Sequence

from siting.assessment.doubts import PairOffset
from siting.assessment.precision import ACROSS, BAND, BELIEFS, CIRCLE, QUANTITIES, Believed, Contrast, Precision, Shown
from siting.assessment.sensitivity import PRICES
from siting.assessment.statement import EVERY_GAS, Defaulted, Statement
from siting.outputs.choice import choice_sentences, plan_choice_csv
from siting.outputs.lines import number
from siting.outputs.tables import csv_text

SEEN = 2.0
# Sentences on plans where there is little room.
MOST_BRIEF = 3


def sentences(statement: Statement, *, brief: bool = False) -> list[str]:
    """Return the statement as paragraphs, words first, each with the assumption it rests on.

    If `brief`, what was believed beforehand takes one line a gas, plans and records of sites take three sentences
    at most each, and the sources of defaults are left out.
    """
    shown = statement.precision.shown
    out = []
    if any(s.default for s in shown):
        words = "The region names no targets; these are the defaults of its gases."
        if not any(s.default and s.kind == "level_difference" for s in shown):
            words += " A difference between bands is not among them, for that takes two bands."
        out.append(words)
    if not statement.whole:
        out.append(
            "With so many sites, years to detection, the test of assumed numbers and the choice of plans are left out."
        )
    out += [target_sentence(s) for s in shown]
    out += [_sources(s) for s in shown if s.kind != "monthly_anomaly"]
    out += _pair_sentences(statement.precision.contrasts)
    out += [_offset_sentence(offset) for offset in statement.offsets]
    out += _worth_sentences(statement.precision)
    choices = (
        choice_sentences(statement.choices, met=all(s.met for s in shown)) if statement.choices is not None else []
    )
    out += choices[:MOST_BRIEF] if brief else choices
    out += _assumption_sentences(statement)
    out += _noise_sentences(statement.noise, MOST_BRIEF if brief else None)
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
    out = []
    numbers = [m for m in statement.moved if m.name not in PRICES]
    weighty = [m for m in numbers if m.largest >= 0.01][:5]
    if weighty:
        told = "; ".join(
            f"{m.name} of {m.tracer} = {number(m.value)} ({m.origin}): up to {100 * m.largest:.0f} %" for m in weighty
        )
        out.append(f"What rests on a guess: halving or doubling changes an error by - {told}.")
    elif numbers:
        out.append("Halving or doubling any assumed number moves no error by 1 %.")
    prices = [m for m in statement.moved if m.name in PRICES and m.largest >= 0.01]
    if prices:
        told = "; ".join(f"{m.name} = {number(m.value)} ({m.origin}): up to {100 * m.largest:.0f} %" for m in prices)
        out.append(f"Prices that nobody gave, the mean of their sites: twice or half changes the cost by - {told}.")
    return out


def _noise_sentences(lines: Sequence[str], most: int | None) -> list[str]:
    told = [f"{line[0].upper()}{line[1:]}" for line in lines[:most]]
    if len(told) < len(lines):
        told.append(f"{len(lines) - len(told)} more sites with a record of their own: shown.txt.")
    return told


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


def assumptions_csv(statement: Statement) -> str:
    """Return assumptions.csv: each number or curve that was not given, its source, and how far it moves each error."""
    header = ["tracer", "name", "value", "origin", "target", "error_halved", "error_doubled", "largest_change_percent"]
    rows: list[list[object]] = []
    for m in statement.moved:
        doubled = dict(m.doubled)
        rows += [
            [
                *(m.tracer, m.name, m.value, m.origin),
                f"{target} (no error)" if m.name in PRICES else target,
                *(halved, doubled.get(target), 100.0 * m.largest),
            ]
            for target, halved in m.halved
        ]
    moved = {(m.tracer, m.name) for m in statement.moved}
    for d in statement.defaults:
        if (d.tracer, d.name) not in moved:
            rows.append([d.tracer, d.name, d.value, d.source, None, None, None, None])
    return csv_text(header, rows)
