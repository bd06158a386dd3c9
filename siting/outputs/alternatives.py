"""What people see and keep of why and why not: each site's worth, each other site's price, and near ties."""

from __future__ import annotations

from typing import Any

from siting.judging.reasons import Alternative, Reasons
from siting.outputs.columns import text_table
from siting.outputs.documents import (
    VALUE,
    content,
    document,
    finite,
    headed,
    joined,
    loss_words,
    money,
    picks_words,
    section,
    target_words,
    value_words,
)
from siting.outputs.lines import counted, wrapped
from siting.outputs.tables import amount, csv_text
from siting.region.model import Region
from siting.region.plain import listed

# Sites that the terminal lists of each kind; the tables have all.
MOST_SHOWN = 40


def alternatives_content(region: Region, found: Reasons) -> dict[str, Any]:
    """Return what alternatives.json holds."""
    return content(region, found)


def alternatives_files(region: Region, found: Reasons) -> dict[str, str]:
    """Return the files by name."""
    targets = list(dict.fromkeys((t.tracer, t.target) for t in found.base.targets))
    errors = [f"error {tracer} {target}" for tracer, target in targets]

    def told(one: Alternative) -> list[object]:
        known = {(t.tracer, t.target): t.error for t in one.targets}
        if not one.found:
            return [None] * (9 + len(targets))
        facts: list[object] = [finite(one.loss), finite(one.least_loss), finite(one.value)]
        facts += [one.proved, amount(one.cents)]
        return [
            *facts,
            " ".join(one.comes),
            " ".join(one.goes),
            " ".join(one.changes),
            picks_words(one.layout),
            *map(known.get, targets),
        ]

    heads = ["loss_after", "least_loss", "value", "proved", "cost", "comes", "goes", "changes", "layout", *errors]
    return {
        "alternatives.json": document(alternatives_content(region, found)),
        "why_in.csv": csv_text(
            ["id", "loss", "rules_broken", *heads],
            ([w.id, finite(w.loss), "; ".join(w.broken), *told(w.after)] for w in found.why_in),
        ),
        "why_not.csv": csv_text(["id", "reason", *heads], ([w.id, w.reason, *told(w.best)] for w in found.why_not)),
        "near_ties.csv": csv_text(["number", *heads], ([k + 1, *told(t)] for k, t in enumerate(found.ties))),
        "alternatives.txt": alternatives_lines(region, found, 80),
    }


def alternatives_lines(region: Region, found: Reasons, width: int) -> str:
    """Return the whole for the terminal, words first."""
    by, what, base = found.by, VALUE[found.by], found.base
    which = "the layout asked about" if found.given else "the best layout"
    title = headed(region, f"why these sites and not others, by {by}.")
    if not base.found:
        return section(title, [f"No layout was found: {base.ended.value}."], width) + "\n"
    lines = [
        f"{which[0].upper()}{which[1:]} has {counted(len(base.layout), 'site')}, a {what} of "
        f"{value_words(by, base.value)} and costs {money(base.cents)} {region.settings.currency}; "
        f"{target_words(base.targets)}.",
        *_summary(found),
        f"Searches went to a gap of {100 * found.asked_gap:.3g} %; losses smaller than that may be none.",
    ]
    if found.unstated:
        lines.append(f"Errors of targets cannot be told: {found.unstated}")
    if not found.whole:
        lines.append("The work was stopped: sites and near ties that are missing below were not looked at.")
    return joined([section(title, lines, width), _why_in(found, width), _why_not(found, width), _ties(found, width)])


def _summary(found: Reasons) -> list[str]:
    by, lines = found.by, []
    if found.why_in:
        known = [w for w in found.why_in if w.after.found]
        fixed = [w.id for w in found.why_in if not w.after.found]
        if known:
            most, least = max(known, key=lambda w: w.after.loss), min(known, key=lambda w: w.after.loss)
            lines.append(
                f"Hardest to replace: {most.id}, whose place other sites can fill only at a loss of "
                f"{loss_words(by, most.after.loss)}."
                + (f" Easiest: {least.id}, {loss_words(by, least.after.loss)}." if len(known) > 1 else "")
            )
        if fixed:
            lines.append(f"Without these no layout keeps the rules: {listed(fixed)}.")
    near = [w for w in found.why_not if w.best.found]
    if near:
        first = min(near, key=lambda w: (w.best.loss, w.id))
        lines.append(f"Nearest to being in: {first.id}, at a loss of {loss_words(by, first.best.loss)}.")
    share = f"within {100 * found.within:.3g} % that differ in {counted(found.apart, 'site')} or more"
    more = "" if found.ties_whole else " (there may be more)"
    lines.append(f"Other layouts {share}: {len(found.ties)}{more}.")
    return lines


def _why_in(found: Reasons, width: int) -> str:
    if not found.why_in:
        return ""
    ranked = sorted(found.why_in, key=lambda w: (-w.after.loss, -w.loss, w.id))[:MOST_SHOWN]
    rows = [
        [
            w.id,
            loss_words(found.by, w.loss) + (" (breaks rules)" if w.broken else ""),
            loss_words(found.by, w.after.loss),
            listed(w.after.comes, 3) or "-",
        ]
        for w in ranked
    ]
    heads = ["site picked", "loss if it goes", "after a new search", "what comes then"]
    table = text_table(heads, rows, width, left=4, fold=(0, 1, 2, 3))
    title = wrapped("Why each site is in, the hardest to replace first", width)
    return f"{title}\n{table}{_rest(found.why_in, 'why_in.csv')}"


def _why_not(found: Reasons, width: int) -> str:
    if not found.why_not:
        return ""
    ranked = sorted(found.why_not, key=lambda w: (w.best.loss, w.id))[:MOST_SHOWN]
    rows = [
        [
            w.id,
            w.reason or loss_words(found.by, w.best.loss),
            listed([s for s in w.best.comes if s != w.id], 2) or "-",
            listed(w.best.goes, 3) or "-",
            listed(w.best.changes, 2) or "-",
        ]
        for w in ranked
    ]
    heads = ["site left out", "loss if it must be in", "also comes", "goes", "other plan or year"]
    table = text_table(heads, rows, width, left=5, fold=(0, 1, 2, 3, 4))
    title = wrapped("Why others are not, the nearest first", width)
    return f"{title}\n{table}{_rest(found.why_not, 'why_not.csv')}"


def _ties(found: Reasons, width: int) -> str:
    lines = [
        f"{k + 1}: loss of {loss_words(found.by, t.loss)}, {money(t.cents)} in all; comes "
        f"{listed(t.comes, 6) or 'nothing'}; goes {listed(t.goes, 6) or 'nothing'}; other plan or year "
        f"at {listed(t.changes, 6) or 'none'}; {target_words(t.targets)}."
        for k, t in enumerate(found.ties)
    ]
    return section("Near ties, best first", lines, width) if lines else ""


def _rest(every: tuple[Any, ...], file: str) -> str:
    more = len(every) - MOST_SHOWN
    return f"\nAnd {more} more in {file}." if more > 0 else ""
