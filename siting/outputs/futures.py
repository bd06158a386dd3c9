"""What people see and keep of a layout in many futures."""

from __future__ import annotations

from typing import Any

from siting.futures.losses import Cut, Loss
from siting.futures.run import Spread, StressResult
from siting.outputs.columns import text_table
from siting.outputs.documents import (
    VALUE,
    content,
    document,
    finite,
    headed,
    joined,
    loss_words,
    picks_words,
    section,
    value_words,
)
from siting.outputs.lines import counted, number
from siting.outputs.tables import amount, csv_text
from siting.region.expected import missing_air
from siting.region.model import Region
from siting.region.plain import listed

# Sites, and losses of one and of two sites, that the terminal shows.
MOST_SITES, MOST_LOSSES = 30, 5


def futures_content(region: Region, found: StressResult) -> dict[str, Any]:
    """Return what stress.json holds, without the single futures (futures.csv)."""
    whole = content(region, found, drawn_from=region.settings.stress.model_dump())
    del whole["outcomes"]
    return whole | {"whole": found.whole, "futures_done": len(found.outcomes)}


def futures_files(region: Region, found: StressResult) -> dict[str, str]:
    """Return the files by name."""
    targets = [(t.tracer, t.target) for t in found.targets]
    errors = [f"error {tracer} {target}" for tracer, target in targets]
    heads = ["future", "price", "noise", "down", "value", "cost", "within_rules", "kept_value", "kept_sites"]
    rows = []
    for one in found.outcomes:
        known = {(tracer, target): error for tracer, target, error in one.given.errors}
        facts: list[object] = [one.number + 1, one.price, one.noise, one.down, one.given.value, amount(one.given.cents)]
        facts += [not one.broken, one.kept.value, len(one.kept.layout), one.best.value, one.bound, one.regret]
        rows.append([*facts, *map(known.get, targets), picks_words(one.best.layout)])
    return {
        "stress.json": document(futures_content(region, found)),
        "futures.csv": csv_text([*heads, "best_value", "best_bound", "regret", *errors, "best_layout"], rows),
        "targets.csv": csv_text(
            ["tracer", "target", "goal", "now", "mean", "q10", "median", "q90", "least", "greatest", "share_met"],
            ([t.tracer, t.target, t.goal, t.nominal, *_quantiles(t.spread), t.met] for t in found.targets),
        ),
        "sites.csv": csv_text(["id", "picked", "share_of_best"], ([s.id, s.picked, s.share] for s in found.sites)),
        "losses.csv": csv_text(
            ["sites", "value", "loss", "goals_missed", *errors],
            (
                [" ".join(x.sites), finite(x.value), finite(x.loss), _missed(x), *_errors(x, targets)]
                for x in _losses(found)
            ),
        ),
        "cuts.csv": csv_text(
            ["share", "found", "value", "loss", "cost", "stays", "goes", "goals_missed", *errors],
            (_cut_row(cut, targets) for cut in found.cuts),
        ),
        "stress.txt": futures_lines(region, found, 80),
    }


def futures_lines(region: Region, found: StressResult, width: int) -> str:
    """Return the whole for the terminal, words first."""
    return joined(
        [
            _opening(region, found, width),
            _targets(found, width),
            _sites(found, width),
            _loss_section(found, width),
            _cuts(region, found, width),
            _drawn(region, width),
        ]
    )


def _opening(region: Region, found: StressResult, width: int) -> str:
    by, what, currency = found.by, VALUE[found.by], region.settings.currency
    done = len(found.outcomes)
    title = headed(region, f"a layout of {counted(len(found.layout), 'site')} in {counted(done, 'future')}, by {by}.")
    lines = []
    if not found.whole:
        lines.append(f"STOPPED after {done} of {found.futures} futures; the same command goes on from there.")
    if not done:
        return section(title, lines, width)
    v, c, r = found.values, found.costs, found.regret
    lines.append(
        f"{what[0].upper()}{what[1:]}: now {value_words(by, found.value)}; in the futures {value_words(by, v.median)} "
        f"in the middle, {value_words(by, v.low)} to {value_words(by, v.high)} in eight of ten, "
        f"{value_words(by, v.least if by == 'score' else v.greatest)} at worst."
    )
    lines.append(
        f"Cost: {c.median:,.0f} {currency} in the middle, {c.low:,.0f} to {c.high:,.0f} in eight of ten. As it is it "
        f"keeps every rule in {100 * found.within:.0f} % of the futures."
    )
    if found.broken:
        told = [f"{label} in {100 * share:.0f} %" for label, share in sorted(found.broken, key=lambda b: (-b[1], b[0]))]
        lines.append(f"Breaks: {listed(told, 6)}.")
    lines.append(f"Outages and lost shipments take {100 * found.down:.1f} % of the months of its instruments.")
    if r.mean == r.mean:
        lines.append(
            f"Regret (the best layout of each future against the best part of this one that keeps its rules): "
            f"{loss_words(by, r.mean)} on average, {loss_words(by, r.high)} in one of ten, "
            f"{loss_words(by, r.greatest)} at most. The best layout is chosen with knowledge of its future, to a gap "
            f"of {100 * found.asked_gap:.3g} %."
        )
    if found.unkept:
        lines.append(f"In {counted(found.unkept, 'future')} no part of it keeps the rules.")
    if found.without:
        lines.append(f"In {counted(found.without, 'future')} no layout at all was found within the rules.")
    air = missing_air(region)
    if air and not found.targets:
        lines.append(f"Errors of targets cannot be told: {air[0].field}: {air[0].problem}.")
    return section(title, lines, width)


def _targets(found: StressResult, width: int) -> str:
    if not found.targets:
        return ""
    rows = [
        [
            t.target,
            number(t.goal),
            number(t.nominal),
            number(t.spread.low),
            number(t.spread.median),
            number(t.spread.high),
            number(t.spread.greatest),
            f"{100 * t.met:.0f}",
        ]
        for t in found.targets
    ]
    heads = ["target, error", "goal", "now", "10 %", "middle", "90 %", "worst", "met in %"]
    return text_table(heads, rows, width, left=1, drop=(6, 3), instead="targets.csv")


def _sites(found: StressResult, width: int) -> str:
    shown = [s for s in found.sites if s.share > 0.0 or s.picked][:MOST_SITES]
    own = [f"{s.id} {100 * s.share:.0f} %" for s in shown if s.picked]
    others = [f"{s.id} {100 * s.share:.0f} %" for s in shown if not s.picked]
    lines = [f"Of this layout: {listed(own, 40)}."]
    lines += [f"Not in it: {listed(others, 40)}."] if others else []
    return section("How often each site is in the best layout of a future", lines, width)


def _loss_section(found: StressResult, width: int) -> str:
    lines = []
    for words, every in (("One site lost", found.single), ("Two sites lost", found.double)):
        if every is None:
            lines.append(f"{words}: not asked, the layout has too many sites for every pair.")
            continue
        for x in every[:MOST_LOSSES]:
            missed = f"; then missed: {listed([name for _, name in x.missed])}" if x.missed else ""
            lines.append(f"{words}: {' and '.join(x.sites)}, {loss_words(found.by, x.loss)}{missed}.")
    return section("Worst losses, nothing put in their place", lines, width) if lines else ""


def _cuts(region: Region, found: StressResult, width: int) -> str:
    lines = []
    for cut in found.cuts:
        head = f"{100 * cut.share:.0f} % less"
        if not cut.found:
            lines.append(f"{head}: no part of the layout keeps the rules.")
        else:
            missed = f"; then missed: {listed([name for _, name in cut.missed])}" if cut.missed else ""
            gone = listed(cut.goes, 10) or "no site"
            lines.append(f"{head}: {gone} must go, a loss of {loss_words(found.by, cut.loss)}{missed}.")
        if cut.anew_found:
            lines.append(
                f"{head}, chosen anew: a loss of {loss_words(found.by, cut.anew_loss)}; comes "
                f"{listed(cut.anew_comes, 6) or 'nothing'}, goes {listed(cut.anew_goes, 6) or 'nothing'}."
            )
        else:
            lines.append(f"{head}, chosen anew: no layout keeps the rules.")
    return section("When all money is cut", lines, width) if lines else ""


def _drawn(region: Region, width: int) -> str:
    s = region.settings.stress
    spread = [
        column
        for column in region.candidates.low
        if (region.candidates.high[column] > region.candidates.low[column]).any()
    ]
    columns = (
        f"{listed(spread, 12)} between their low and high ends, {s.spread}" if spread else "no column has a spread"
    )
    lines = [
        f"Candidates: {columns}.",
        f"Prices: one factor for all, lognormal, spread {100 * s.price_sd:.3g} %. Air: noisier by a factor of 1 to "
        f"{s.noise_factor:g}, even.",
        f"Instruments fail with a chance of {100 * s.yearly_failure:.3g} % a year, repair takes {s.repair_months:g} "
        f"months on average, a spare analyzer is sent where one is at home; {100 * s.lost_shipments:.3g} % of "
        "shipments are lost.",
        f"Starts come late by the size of a normal number with {s.late_start_months:g} months.",
    ]
    return section("What the futures are drawn from ([stress] of region.toml)", lines, width)


def _losses(found: StressResult) -> list[Loss]:
    return [*found.single, *(found.double or ())]


def _missed(x: Loss | Cut) -> str:
    return "; ".join(f"{tracer} {target}" for tracer, target in x.missed)


def _errors(x: Loss | Cut, targets: list[tuple[str, str]]) -> list[float | None]:
    known = {(t.tracer, t.target): t.error for t in x.targets}
    return [known.get(key) for key in targets]


def _cut_row(cut: Cut, targets: list[tuple[str, str]]) -> list[object]:
    facts: list[object] = [cut.share, cut.found]
    facts += [finite(cut.value), finite(cut.loss), amount(cut.cents)] if cut.found else [None, None, None]
    return [*facts, " ".join(cut.stays), " ".join(cut.goes), _missed(cut), *_errors(cut, targets)]


def _quantiles(s: Spread) -> list[float | None]:
    return [finite(value) for value in (s.mean, s.low, s.median, s.high, s.least, s.greatest)]
