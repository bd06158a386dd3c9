"""What a network will show, in words and tables that a proposal can quote."""

from __future__ import annotations

import math
from collections.abc import Sequence

from siting.assessment.doubts import PairOffset
from siting.assessment.precision import Contrast, Precision, Shown
from siting.assessment.statement import Statement
from siting.outputs.tables import csv_text

SEEN = 2.0


def number(value: float) -> str:
    """Return a number with three digits that mean something."""
    if not math.isfinite(value):
        return "-"
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:,.0f}"


def sentences(statement: Statement) -> list[str]:
    """Return the statement as paragraphs, words first, each with the assumption it rests on."""
    shown = statement.precision.shown
    out = []
    if any(s.default for s in shown):
        out.append("The region names no targets; these are the defaults of its gases.")
    if not statement.whole:
        out.append("With so many sites, years to detection and the test of assumed numbers are left out.")
    out += [target_sentence(s) for s in shown]
    out += [_sources(s) for s in shown if s.kind != "monthly_anomaly"]
    out += _pair_sentences(statement.precision.contrasts)
    out += [_offset_sentence(offset) for offset in statement.offsets]
    out += _worth_sentences(statement.precision)
    out += _assumption_sentences(statement)
    return out


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


def statement_files(statement: Statement) -> dict[str, str]:
    """Return the files of a statement by name."""
    given = statement.precision
    return {
        "shown.txt": "".join(f"{line}\n" for line in sentences(statement)),
        "targets.csv": targets_csv(given),
        "detection.csv": detection_csv(given),
        "contrasts.csv": contrasts_csv(given),
        "why.csv": why_csv(statement),
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


def assumptions_csv(statement: Statement) -> str:
    """Return assumptions.csv: each number of the air that was not given, and how far it moves each error."""
    header = ["tracer", "name", "value", "origin", "target", "error_halved", "error_doubled", "largest_change_percent"]
    rows: list[list[object]] = []
    for m in statement.moved:
        doubled = dict(m.doubled)
        rows += [
            [m.tracer, m.name, m.value, m.origin, target, halved, doubled.get(target), 100.0 * m.largest]
            for target, halved in m.halved
        ]
    return csv_text(header, rows)
