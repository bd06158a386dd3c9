"""What a search found and proved, in words: the goals met and missed, stage by stage what no other layout can do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from siting.assessment.precision import Shown
from siting.field.targets import GROWTHS, targets_of
from siting.outputs.lines import counted, number
from siting.outputs.manifest import Certificate
from siting.planning import Planning
from siting.record.air import airs

SCORE = "score"
_SHORTFALL = "the sum over missed goals of weight x ((error / goal)^2 - 1)"
# Goals that are named in a headline; from this many times a goal on it is told as such and not in per cent.
MOST_NAMED, TIMES = 4, 2.0
# An error that fell by less than this share was not moved by any record.
UNMOVED = 1e-9
_STOPPED = "NOT PROVED, the search stopped early"


def proof_sentence(certificate: Certificate, currency: str = "") -> str:
    """Return in a few words how good the layout is by what decided, and whether that is proved."""
    if certificate.objective == SCORE:
        return _score_sentence(certificate)
    by_name = {str(stage["name"]): stage for stage in certificate.stages}
    shortfall = by_name.get("shortfall")
    if shortfall is not None and shortfall["value"] > 0.0:
        return _shortfall_sentence(certificate, shortfall)
    return " ".join(_refined_sentences(certificate, by_name, currency))


def goals_sentence(certificate: Certificate, shown: Sequence[Shown]) -> str:
    """Return in words whether every goal is met, else which are missed and by how much."""
    missed = [s for s in shown if not s.met]
    if not shown:
        shortfall = next((s["value"] for s in certificate.stages if s["name"] == "shortfall"), 0.0)
        return "Not every goal is met." if shortfall > 0.0 else "Every goal is met."
    if not missed:
        return "The one goal is met." if len(shown) == 1 else f"Every goal is met, all {len(shown)}."
    met = len(shown) - len(missed)
    told = "; ".join(map(_missed, missed[:MOST_NAMED]))
    more = f"; and {len(missed) - MOST_NAMED} more" if len(missed) > MOST_NAMED else ""
    return f"{met} of {counted(len(shown), 'goal')} {'is' if met == 1 else 'are'} met. MISSED: {told}{more}."


def _missed(s: Shown) -> str:
    """Tell of one target by how much it misses its goal."""
    ratio = s.error / s.goal
    if s.error >= s.prior_error * (1.0 - UNMOVED):
        by = "of which no record tells anything"
    else:
        by = f"{number(ratio)} times the goal" if ratio >= TIMES else f"by {share_above(ratio - 1.0)}"
    return f"{s.words}, {by} (standard error {number(s.error)} {s.unit}, goal {number(s.goal)})"


def share_above(share: float) -> str:
    """Return a share in per cent with two digits, rounded up, so that "by no more than" stays true."""
    if not math.isfinite(share):
        return "an unknown share"
    percent = 100.0 * share
    if percent <= 0.0:
        return "0 %"
    digit = 10.0 ** (math.floor(math.log10(percent)) - 1)
    return f"{math.ceil(percent / digit - 1e-6) * digit:.6g} %"


def _ways(certificate: Certificate) -> str:
    return f" of 10^{certificate.ways:.0f} ways to choose" if certificate.ways >= 1.0 else ""


def _score_sentence(certificate: Certificate) -> str:
    name, ways = f"Network score {certificate.value:.2f}", _ways(certificate)
    if certificate.gap is None or not math.isfinite(certificate.gap):
        return f"{name}; how much better a layout could be is not known."
    if certificate.gap == 0.0:
        return f"{name}; proved: no layout within the rules{ways} has a better one."
    percent = share_above(certificate.gap)
    if certificate.proved:
        return f"{name}; proved: no layout within the rules{ways} is better by more than {percent}."
    return (
        f"{name}. {_STOPPED} ({certificate.ended}): a better layout may exist, but none{ways} "
        f"better by more than {percent}."
    )


def _shortfall_sentence(certificate: Certificate, stage: dict[str, Any]) -> str:
    """Tell of missed goals: no layout can fall short by less than the bound; a shortfall is never below 0."""
    value, bound, ways = float(stage["value"]), _finite(stage["bound"]), _ways(certificate)
    if stage["gap"] == 0.0:
        return f"Shortfall {number(value)} ({_SHORTFALL}); proved: no layout within the rules{ways} has a smaller one."
    digits = apart(value, bound)
    name = f"Shortfall {value:.{digits}g} ({_SHORTFALL})"
    least = f"{below(bound, digits)} ({share_above(1.0 - bound / value)} less)" if bound > 0.0 else ""
    if stage["proved"]:
        told = f"has one below {least}" if least else f"is better by more than {share_above(stage['gap'])}"
        return f"{name}; proved: no layout within the rules{ways} {told}."
    told = (
        f"a better layout may exist, but none{ways} with one below {least}"
        if least
        else "how much smaller it could be is not known"
    )
    return f"{name}. {_STOPPED} ({certificate.ended}): {told}."


def _refined_sentences(certificate: Certificate, stages: dict[str, dict[str, Any]], currency: str) -> list[str]:
    """Tell of layouts that meet every goal: how cheap one could be, then how precise one of that cost could be."""
    cost, variance, ways = stages.get("cost"), stages.get("variance"), _ways(certificate)
    if cost is None:
        return [
            f"Whether a cheaper layout meets them too is NOT PROVED, the search stopped early ({certificate.ended})."
        ]
    bound = max(0.0, _finite(cost["bound"]))
    least = f"{math.floor(bound + 1e-6):,} {currency}".rstrip()
    if cost["gap"] == 0.0:
        out = [f"Proved: no layout within the rules{ways} meets every goal for less."]
    elif cost["proved"]:
        out = [
            f"Proved: no layout within the rules{ways} meets every goal for less than {least} "
            f"({share_above(cost['gap'])} less)."
        ]
    else:
        out = [
            f"{_STOPPED} ({certificate.ended}): a cheaper layout may meet them too, but none{ways} for less than "
            f"{least} ({share_above(cost['gap'])} less)."
        ]
    if variance is not None:
        precise = "by the weighted squares of error over goal"
        if variance["gap"] == 0.0:
            out.append(f"Of those as cheap none is more precise, {precise}.")
        elif variance["proved"]:
            out.append(
                f"Of those as cheap none is more precise by more than {share_above(variance['gap'])}, {precise}."
            )
        else:
            out.append(
                f"Whether one as cheap is more precise is {_STOPPED} ({certificate.ended}): by "
                f"{share_above(variance['gap'])} at most, {precise}."
            )
    return out


def _finite(bound: Any) -> float:
    return float(bound) if bound is not None and math.isfinite(bound) else -math.inf


def apart(value: float, bound: float) -> int:
    """Return how many digits tell a value above 0 from its bound: two more than they share, at least four."""
    share = 1.0 - max(bound, 0.0) / value
    return 4 if share <= 0.0 else min(12, max(4, 2 + round(-math.log10(share))))


def below(value: float, digits: int = 4) -> str:
    """Return a positive number with so many digits, rounded down, so that "none below" stays true."""
    digit = 10.0 ** (math.floor(math.log10(value)) - digits + 1)
    return f"{math.floor(value / digit + 1e-6) * digit:.{digits}g}"


def search_sentence(certificate: Certificate, seconds: float) -> str:
    """Return in one sentence how the search ended, how near it came, and what it took."""
    steps = f"in {seconds:.1f} s, {counted(certificate.nodes, 'step')}"
    asked = "" if certificate.asked_gap is None else f" ({100 * certificate.asked_gap:.3g} % was asked for)"
    if certificate.gap is None or not math.isfinite(certificate.gap):
        return f"Search stopped ({certificate.ended}) {steps}: how near it came is not known{asked}."
    gap = f"{100 * certificate.gap:.3g} %"
    parts = ""
    if len(certificate.stages) > 1:
        told = ", ".join(f"{stage['name']} {100 * stage['gap']:.3g} %" for stage in certificate.stages)
        parts = f"; by stage: {told}"
    if not certificate.proved:
        near = f"within {gap} of the best" if certificate.gap <= 1.0 else "how near it came is not known"
        return f"Search stopped ({certificate.ended}) {steps}: {near}{asked}{parts}."
    ties = f"; {certificate.ties}" if certificate.ties else ""
    return f"Search ended: proved to {gap}{asked} {steps}{parts}{ties}."


def attainable_rows(
    planning: Planning, attainable: Sequence[tuple[str, str, float, float]]
) -> list[dict[str, str | float]]:
    """Return by target its goal and the error that can be had of it alone, from (tracer, id, none below, reached)."""
    region = planning.region
    known = {}
    for position, air in enumerate(airs(region)):
        for target in targets_of(region, position, air)[0]:
            unit = f"{air.unit} a year" if target.kind in GROWTHS else air.unit
            known[air.name, target.id] = (target.goal, "days" if target.kind == "season_timing" else unit)
    return [
        {
            "tracer": tracer,
            "target": name,
            "unit": known[tracer, name][1],
            "goal": known[tracer, name][0],
            "none_below": low,
            "reached": high,
        }
        for tracer, name, low, high in attainable
    ]


def attainable_lines(rows: Sequence[dict[str, str | float]]) -> list[str]:
    """Return by target in words whether its goal can be met at all."""
    lines = []
    for row in rows:
        goal, low, high = (float(row[key]) for key in ("goal", "none_below", "reached"))
        if low > goal:
            can = "out of reach"
        elif high <= goal:
            can = "can be met alone"
        else:
            can = "perhaps out of reach"
        lines.append(
            f"- target '{row['target']}' ({row['tracer']}), goal {number(goal)} {row['unit']}: {can}; {number(high)} "
            f"can be reached, no layout is below {below(low) if low > 0.0 else '0'}."
        )
    return lines
