"""What people see and keep of a frontier: of money, or between score and shortfall."""

from __future__ import annotations

import math
from typing import Any

from siting.judging.frontier import BudgetFrontier, FrontierPoint, Margin
from siting.outputs.columns import text_table
from siting.outputs.documents import (
    VALUE,
    content,
    document,
    finite,
    headed,
    joined,
    money,
    picks_words,
    section,
    value_words,
)
from siting.outputs.lines import counted, number, wrapped
from siting.outputs.tables import amount, csv_text
from siting.region.model import Region
from siting.region.plain import listed
from siting.selection.both import BothFrontier

NAME = "frontier"


def frontier_content(region: Region, found: BudgetFrontier | BothFrontier) -> dict[str, Any]:
    """Return what frontier.json holds: no clock times, no positions of deployments, which mean nothing outside."""
    told = content(region, found)
    if isinstance(found, BothFrontier):
        del told["seconds"]
        for point in told["points"]:
            del point["picked"]
    return told


def frontier_files(region: Region, found: BudgetFrontier) -> dict[str, str]:
    """Return the files of a frontier of money by name."""
    targets = _targets(found)
    heads = ["budget", "cost", "value", "bound", "gap", "proved", "ended", "sites"]
    rows: list[list[object]] = []
    for p in found.points:
        errors = {(t.tracer, t.target): t.error for t in p.targets}
        rows.append(
            [
                amount(p.budget_cents),
                amount(p.cents) if p.found else None,
                finite(p.value),
                finite(p.bound),
                finite(p.gap),
                p.proved,
                p.ended.value,
                len(p.layout),
                *(errors.get(key) for key in targets),
            ]
        )
    kept = [p for p in found.points if p.found]
    every = sorted({site for p in kept for site in p.sites})
    margins = [
        [amount(m.from_cents), amount(m.to_cents), m.gain, *(dict(_changes(m)).get(key) for key in targets)]
        for m in found.margins
    ]
    errors_of = [f"error {tracer} {target}" for tracer, target in targets]
    return {
        "frontier.json": document(frontier_content(region, found)),
        "frontier.csv": csv_text([*heads, *errors_of], rows),
        "margins.csv": csv_text(["from", "to", "gain", *(f"change of {name}" for name in errors_of)], margins),
        "layouts.csv": csv_text(
            ["budget", "id", "plan", "start_year"], ([amount(p.budget_cents), *pick] for p in kept for pick in p.layout)
        ),
        "sites.csv": csv_text(
            ["id", *(str(amount(p.budget_cents)) for p in kept)],
            (
                [site, *(next((f"{plan} {y}" for i, plan, y in p.layout if i == site), "") for p in kept)]
                for site in every
            ),
        ),
        "frontier.txt": frontier_lines(region, found, 80),
    }


def frontier_lines(region: Region, found: BudgetFrontier, width: int) -> str:
    """Return a frontier of money for the terminal, words first."""
    return joined([_opening(region, found, width), _table(region, found, width), _margins(region, found, width)])


def _opening(region: Region, found: BudgetFrontier, width: int) -> str:
    currency, kept = region.settings.currency, [p for p in found.points if p.found]
    what = VALUE[found.by]
    kind = " where the best layout changes" if found.every_change else ""
    title = headed(region, f"best layouts by {found.by} at {counted(len(found.points), 'budget')}{kind}.")
    lines: list[str] = []
    if not kept:
        return section(title, [f"No layout keeps the rules at any of them ({found.points[0].ended.value})."], width)
    lost = [p for p in found.points if not p.found]
    if lost:
        why = (
            "no layout keeps the rules"
            if all(p.ended.value.startswith("no layout") for p in lost)
            else "none was found"
        )
        lines.append(f"At {listed([money(p.budget_cents) for p in lost], 6)} {currency} {why}.")
    first, last = kept[0], kept[-1]
    ends = (
        f"From {money(first.budget_cents)} to {money(last.budget_cents)} {currency} the {what} goes from "
        f"{value_words(found.by, first.value)} to {value_words(found.by, last.value)}."
    )
    alone = f"At {money(first.budget_cents)} {currency} the {what} is {value_words(found.by, first.value)}."
    lines.append(ends if len(kept) > 1 else alone)
    own = next((p for p in kept if p.budget_cents == found.own_cents), None)
    if own is not None:
        lines.append(f"The region's own budget, {money(own.budget_cents)}: {what} {value_words(found.by, own.value)}.")
    if found.knee is not None:
        p = found.points[found.knee]
        lines.append(
            f"The knee lies at {money(p.budget_cents)} {currency} ({what} {value_words(found.by, p.value)}): farthest "
            "from the straight line between the ends; below it money counts more, above it less."
        )
    if found.capped_cents is not None and found.points[-1].budget_cents > found.capped_cents:
        lines.append(
            f"The yearly limits allow {money(found.capped_cents)} {currency} in all; more in the total buys nothing."
        )
    lines.append(f"In every layout: {listed(found.always, 20) or 'no site'}.")
    if found.from_on:
        told = [f"{site} ({money(cents)})" for site, cents in found.from_on]
        lines.append(f"Come with the money and stay: {listed(told, 20)}.")
    if found.passing:
        lines.append(f"Come and go: {listed([site for site, _ in found.passing], 20)}.")
    worst = max(p.gap for p in kept)
    proof = "every point is proved to it" if all(p.proved for p in kept) else "NOT every point reached it"
    lines.append(f"Largest gap {100 * worst:.3g} %, asked {100 * found.asked_gap:.3g} %: {proof}.")
    if not found.whole:
        lines.append("The row of changes was cut off: there are more at smaller budgets.")
    if found.unstated:
        lines.append(f"Errors of targets cannot be told: {found.unstated}")
    return section(title, lines, width)


def _table(region: Region, found: BudgetFrontier, width: int) -> str:
    targets = _targets(found)
    heads = ["budget", "cost", "sites", VALUE[found.by], "gap %", *(f"{g} error" for _, g in targets)]
    rows = []
    for k, p in enumerate(found.points):
        mark = " knee" if k == found.knee else " own" if p.budget_cents == found.own_cents else ""
        errors = {(t.tracer, t.target): t for t in p.targets}
        if not p.found:
            rows.append([money(p.budget_cents) + mark, "-", "-", "no layout", "-", *("-" for _ in targets)])
            continue
        told = [number(errors[key].error) + ("" if errors[key].met else "!") for key in targets]
        value = value_words(found.by, p.value)
        cells = [money(p.budget_cents) + mark, money(p.cents), str(len(p.layout)), value, f"{100 * p.gap:.2g}"]
        rows.append([*cells, *told])
    drop = list(range(len(heads) - 1, 4, -1))
    note = "Errors with ! miss their goals. " if targets else ""
    table = text_table(heads, rows, width, left=1, fold=range(5, len(heads)), drop=drop, instead="frontier.csv")
    return f"{table}\n{wrapped(f'{note}Money in {region.settings.currency}.', width)}"


def _margins(region: Region, found: BudgetFrontier, width: int) -> str:
    """Say what further money buys from budget to budget, for a round sum of money."""
    if not found.margins:
        return ""
    step = _round_sum(found)
    lines = []
    for m in found.margins:
        share = step / m.more_cents
        gain = m.gain * share
        moved = [
            f"error of {key[1]} {'less' if change < 0.0 else 'more'} by {number(abs(change) * share)}"
            for key, change in _changes(m)
            if abs(change) > 1e-12
        ]
        what = f"{VALUE[found.by]} {'better' if gain >= 0.0 else 'worse'} by {number(abs(gain))}"
        lines.append(f"{money(m.from_cents)} to {money(m.to_cents)}: {'; '.join([what, *moved])}")
    more = f"What {money(step)} {region.settings.currency} more buy"
    title = f"{more}, between one budget and the next" + (" (errors in their units)" if _targets(found) else "")
    return section(title, lines, width)


def _round_sum(found: BudgetFrontier) -> int:
    """Return a power of ten near a twentieth of the region's budget, in hundredths."""
    return int(10 ** max(2, round(math.log10(max(found.own_cents / 20.0, 100.0)))))


def _changes(m: Margin) -> list[tuple[tuple[str, str], float]]:
    return [((tracer, target), change) for tracer, target, change in m.changes]


def _targets(found: BudgetFrontier) -> list[tuple[str, str]]:
    return list(dict.fromkeys((t.tracer, t.target) for p in found.points for t in p.targets))


def both_files(region: Region, found: BothFrontier) -> dict[str, str]:
    """Return the files of a frontier between score and shortfall by name."""
    heads = ["score", "shortfall", "shortfall_bound", "score_bound", "gap", "proved", "sites"]
    return {
        "frontier.json": document(frontier_content(region, found)),
        "frontier.csv": csv_text(
            heads,
            (
                [p.score, p.shortfall, p.shortfall_bound, p.score_bound, finite(p.gap), p.proved, len(p.layout)]
                for p in found.points
            ),
        ),
        "layouts.csv": csv_text(
            ["point", "id", "plan", "start_year"],
            ([k + 1, *pick] for k, p in enumerate(found.points) for pick in p.layout),
        ),
        "frontier.txt": both_lines(region, found, 80),
    }


def both_lines(region: Region, found: BothFrontier, width: int) -> str:
    """Return a frontier between score and shortfall for the terminal, words first."""
    title = headed(region, f"score against shortfall at the region's budget, {counted(len(found.points), 'layout')}.")
    first, last = found.points[0], found.points[-1]
    lines = [
        f"The least shortfall, {number(first.shortfall)}, comes with a score of {first.score:.2f}; the best score, "
        f"{last.score:.2f}, with a shortfall of {number(last.shortfall)}.",
    ]
    sites = [{site for site, _, _ in p.layout} for p in found.points]
    lines.append(f"In every layout: {listed(sorted(set.intersection(*sites)), 20) or 'no site'}.")
    proof = "every point is proved to it" if all(p.proved for p in found.points) else "NOT every point reached it"
    lines.append(f"Asked gap {100 * found.asked_gap:.3g} %: {proof}.")
    rows = [
        [
            str(k + 1),
            f"{p.score:.2f}",
            number(p.shortfall),
            number(p.shortfall_bound),
            f"{100 * p.gap:.2g}",
            str(len(p.layout)),
        ]
        for k, p in enumerate(found.points)
    ]
    table = text_table(["point", "score", "shortfall", "at least", "gap %", "sites"], rows, width, left=0)
    names = section("Layouts", [f"{k + 1}: {picks_words(p.layout)}" for k, p in enumerate(found.points)], width)
    return joined([section(title, lines, width), table, names])


__all__ = ["FrontierPoint", "both_files", "both_lines", "frontier_content", "frontier_files", "frontier_lines"]
