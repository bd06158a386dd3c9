"""report.html: one page of a layout that needs no network, from the files of its run."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from siting import __version__
from siting.outputs.lines import counted, number, what_if_words
from siting.report import charts, moneycharts, tables
from siting.report.drawing import Chart, svg
from siting.report.members import Member, members
from siting.report.panels import map_of
from siting.report.reading import Content, Run
from siting.report.rendering import Figure, rendered

SURE = 0.9
"""Chance from which a signal counts as found, as in the years to detection."""
FEW_POINTS, FEW_FUTURES = 5, 20
"""Fewer budgets show no knee; fewer futures show no shares."""
MOST_GAPS = 3
"""Widest gaps in latitude that a ladder marks."""


@dataclass(frozen=True)
class Fact:
    """One number at the head of the page; `state` is "good", "bad" or nothing."""

    name: str
    value: str
    more: str
    state: str = ""


@dataclass(frozen=True)
class Page:
    """A page's parts: the text of report.html, figures by name and tables by name, for other uses."""

    html: str
    figures: tuple[Figure, ...]
    tables: tuple[tables.Table, ...]


def report_page(run: Run) -> Page:
    """Return the page of a layout with its figures and tables."""
    layout = run.layout
    found = members(run)
    currency = str(layout["currency"])
    figures = {figure.name: figure for figure in _figures(run, found, currency)}
    made = {table.name: table for table in _tables(run, found, currency)}
    signals = [figure for name, figure in sorted(figures.items()) if name.startswith("signals")]
    panels = map_of(run)
    beside = run.beside
    context: dict[str, Any] = {
        "version": __version__,
        "title": layout["title"],
        "kind": _kind(layout),
        "changes": what_if_words(layout["changes"]).removeprefix("what-if "),
        "parts": _parts(),
        "answer": layout["answer"],
        "facts": _facts(run, found),
        "asked": _asked(run),
        "broken": [
            f"{rule['rule']}: {rule['condition']}; found {rule['found']}"
            for rule in layout["rules"]
            if not rule["holds"]
        ],
        "panels": panels,
        "sites": made["sites"],
        "ladder": figures["ladder"],
        "bands": made["bands"],
        "supply": made.get("supply"),
        "schedule": made.get("schedule"),
        "unstated": layout.get("unstated") or "",
        "targets": figures.get("targets"),
        "target_table": made.get("targets"),
        "signals": signals,
        "said": run.texts.get("shown.txt", "").splitlines(),
        "money": figures["money"],
        "money_table": made["money"],
        "why": made.get("why"),
        "others": made.get("others"),
        "frontier": figures.get("frontier"),
        "frontier_words": _frontier_words(beside.get("frontier.json")),
        "order": made.get("order"),
        "stress": figures.get("stress"),
        "stress_table": made.get("stress"),
        "stress_words": _stress_words(run, beside.get("stress.json")),
        "missing": _missing(run),
        "proof_words": _proof_words(layout),
        "stages": made.get("stages"),
        "proof_check": _proof_check(layout),
        "rules": made["rules"],
        "held": sum(bool(rule["holds"]) for rule in layout["rules"]),
        "cautions": run.texts.get("cautions.txt", "").splitlines(),
        "origins": made.get("origins"),
        "origins_words": _origins_words(run, found),
        "assumptions": made.get("assumptions"),
        "inputs": made["inputs"],
        "versions": made["versions"],
        "seed": layout["random_seed"] if layout["random_seed"] is not None else "none (nothing was searched for)",
        "site_facts": _site_facts(found, currency),
    }
    return Page(rendered("report.html.j2", context), tuple(figures.values()), tuple(made.values()))


def _parts() -> list[dict[str, str]]:
    told = (
        ("answer", "Answer"),
        ("built", "Sites and map"),
        ("show", "What it shows"),
        ("money", "Cost"),
        ("why", "Why these sites"),
        ("proof", "Proof"),
        ("cautions", "Cautions"),
        ("rests", "What it rests on"),
    )
    return [{"id": name, "text": text} for name, text in told]


def _kind(layout: Content) -> str:
    asked = layout["asked"]
    window = f"{asked['first_year']}-{asked['first_year'] + asked['years'] - 1}"
    what = {
        "precision": "the network that comes nearest to its targets",
        "cheapest": "the cheapest network that meets its targets",
        "score": "the network with the best score",
    }.get(layout["objective"], "a given network, judged")
    return f"Plan of an observing network, {window}: {what}"


def _facts(run: Run, found: Sequence[Member]) -> list[Fact]:
    layout = run.layout
    picked = [m for m in found if m.picked]
    running = len(found) - len(picked)
    kinds = [
        f"{sum(m.kind == kind for m in picked)} {words}"
        for kind, words in _KINDS
        if any(m.kind == kind for m in picked)
    ]
    beside = f"; beside {counted(running, 'running station')}" if running else ""
    budget = layout["asked"]["budget_total"]
    within = layout["cost_total"] <= budget + 0.005
    facts = [
        Fact("New sites", f"{len(picked)}", ", ".join(kinds) + beside),
        Fact(
            f"Cost, {layout['currency']}",
            tables.money_text(layout["cost_total"]),
            f"of {tables.money_text(budget)}" + ("" if within else ", OVER THE BUDGET"),
            "" if within else "bad",
        ),
    ]
    targets = layout["targets"]
    if targets:
        met = sum(bool(t["met"]) for t in targets)
        facts.append(
            Fact(
                "Goals met",
                f"{met} of {len(targets)}",
                _closest(targets) + _found(run),
                "good" if met == len(targets) else "bad",
            )
        )
    if layout["objective"] is None:
        broken = sum(not rule["holds"] for rule in layout["rules"])
        facts.append(
            Fact(
                "Rules",
                "all hold" if not broken else f"{broken} broken",
                "given, not searched for",
                "bad" if broken else "good",
            )
        )
    else:
        gap = layout["gap"]
        more = "no better layout is possible by more than this" if layout["proved"] else "the search stopped early"
        told = "gap unknown" if gap is None else f"gap {100.0 * gap:.2g} %"
        facts.append(
            Fact("Proved" if layout["proved"] else "NOT PROVED", told, more, "good" if layout["proved"] else "bad")
        )
    return [*facts, _rests(run)]


def _rests(run: Run) -> Fact:
    """Tell how much was guessed, and which guess moves an error most."""
    guessed = run.layout["assumed"]
    columns = f"{counted(len(guessed), 'column')} of sites guessed" if guessed else "no column of a site guessed"
    rows = [row for row in run.rows("assumptions.csv") if row["largest_change_percent"]]
    if not rows:
        return Fact("Rests on", "guesses" if guessed else "what was given", columns)
    worst = max(rows, key=lambda row: (float(row["largest_change_percent"]), row["name"]))
    percent = float(worst["largest_change_percent"])
    words = f"most weighty: {worst['name']} ({worst['tracer']}), halved or doubled; {columns}"
    return Fact("A guess moves an error by up to", f"{number(percent)} %", words)


_KINDS = (("analyzer", "with an analyzer"), ("flask", "with flasks"), ("both", "with both"))


def _closest(targets: Sequence[Content]) -> str:
    """Name the target that misses its goal most, or meets it by least."""
    worst = max(targets, key=lambda t: (t["error"] / t["goal"], t["id"]))
    return (
        f"farthest from its goal: {worst['id']}, error {number(worst['error'])} {worst['unit']} (goal "
        f"{number(worst['goal'])})"
    )


def _found(run: Run) -> str:
    """Tell how many signals would be found, which is another question than whether goals are met."""
    seen = [float(row["probability_95"]) for row in run.rows("detection.csv") if row["probability_95"]]
    if not seen:
        return ""
    sure = sum(chance >= SURE for chance in seen)
    return f"; {sure} of {len(seen)} expected signals would be found within the window (probability {SURE:g} or more)"


def _asked(run: Run) -> list[str]:
    """Return in lines what the planner asked for."""
    asked, currency = run.layout["asked"], run.layout["currency"]
    lines = [
        f"{row['words']}: standard error of at most {row['goal']} {row['unit']}" for row in tables.target_rows(run)
    ]
    per_year = asked["budget_per_year"]
    each = ""
    if isinstance(per_year, list):
        each = f", by year at most {', '.join(tables.money_text(one) for one in per_year)}"
    elif per_year:
        each = f", at most {tables.money_text(per_year)} a year"
    stay = "stays" if asked["spare"] == 1 else "stay"
    spare = f", {asked['spare']} of them {stay} at home as reference" if asked["spare"] else ""
    last = asked["first_year"] + asked["years"] - 1
    lines.append(f"Budget {tables.money_text(asked['budget_total'])} {currency} in {asked['first_year']}-{last}{each}")
    flasks = "" if asked["flask_stock"] is None else f"; {asked['flask_stock']:,} flasks"
    lines.append(f"{counted(asked['analyzers'], 'analyzer')} in stock{spare}{flasks}")
    gases = ", ".join(
        f"{one['name']} ({one['unit']}{', ' + one['scale'] if one.get('scale') else ''})" for one in asked["tracers"]
    )
    lines.append(f"Measured: {gases}")
    lines.append(
        f"{counted(asked['candidates'], 'candidate')}, {counted(asked['offered'], 'way')} to use them (site, plan, "
        "start year)"
    )
    conditions = counted(len(run.layout["rules"]), "condition")
    lines.append(f"{conditions} of money, stock and rules, each with what was found under 'Proof'")
    return lines


def _figures(run: Run, found: Sequence[Member], currency: str) -> list[Figure]:
    layout, figures = run.layout, []
    bands = [(row["band"], float(row["south"]), float(row["north"])) for row in run.rows("coverage.csv")]
    gaps = [charts.Gap(float(row["south"]), float(row["north"])) for row in run.rows("gaps.csv")][:MOST_GAPS]
    caption = (
        "Sites from pole to pole on an axis of the sine of latitude, so that equal heights are equal areas of the "
        f"earth. Shaded: the {counted(len(gaps), 'widest gap')} without a site; dashed: limits of bands."
    )
    if not charts.has_names(found):
        caption += f" Names are left out: there are {len(found)} sites."
    ids = charts.ladder_ids(found)
    figures.append(
        _figure("ladder", "Ladder of latitudes", caption, lambda wide: charts.ladder(found, bands, gaps, wide), ids)
    )
    rows = tables.target_rows(run)
    if rows:
        caption = (
            "Standard error of each target in units of its goal, on a logarithmic axis: left of the line the goal is "
            "met. Grey bar: what the network adds to what was known before (its right end)."
        )
        figures.append(_figure("targets", "Targets against goals", caption, lambda wide: charts.targets(rows, wide)))
    years = [row for row in run.rows("costs.csv") if row["what"] == "year"]
    kinds = tables.money_kinds(run)
    limits = _year_limits(layout)
    caption = f"Money by year and kind, {currency}; with reserve, overhead and growth of prices."
    caption += " Black lines: what the year may cost." if limits else ""
    figures.append(
        _figure("money", "Money by year", caption, lambda wide: charts.money(years, kinds, currency, limits, wide))
    )
    figures += _signals(run, found)
    frontier, stress = run.beside.get("frontier.json"), run.beside.get("stress.json")
    if frontier is not None:
        figures.append(_frontier_figure(frontier))
    if stress is not None:
        features = run.layers["candidates.geojson"]["features"]
        names = {str(one["properties"]["id"]): str(one["properties"]["name"]) for one in features}
        caption = f"Share of {stress['futures_done']} futures in which a site is in the best layout of that future."
        figures.append(
            _figure(
                "stress",
                "How often a site is picked",
                caption,
                lambda wide: moneycharts.frequency(stress, names, ids, wide),
                ids,
            )
        )
    return figures


def _frontier_figure(content: Content) -> Figure:
    if content["by"] == "both":
        caption = "Layouts between the best score and the least shortfall at the region's budget."
        return _figure("frontier", "Score against shortfall", caption, lambda wide: moneycharts.both(content, wide))
    caption = (
        "The best layout at each total budget; ticks: what no layout at this budget gets beyond. Below: each "
        "target's error over its goal."
    )
    return _figure("frontier", "What money buys", caption, lambda wide: moneycharts.frontier(content, wide))


def _signals(run: Run, found: Sequence[Member]) -> list[Figure]:
    """Return for each gas what the sites would see."""
    rows = run.rows("signals.csv")
    figures = []
    for index, tracer in enumerate(dict.fromkeys(row["tracer"] for row in rows)):
        mine = [row for row in rows if row["tracer"] == tracer]
        seen = {row["id"] for row in mine}
        there = [m for m in found if m.id in seen]
        # Picked sites first, where not all can be drawn; then from north to south again.
        kept = sorted(sorted(there, key=lambda m: not m.picked)[: charts.MOST_SIGNALS], key=lambda m: (-m.lat, m.id))
        left = len(there) - len(kept)
        caption = (
            f"{tracer} as each site would see it: expected monthly mean about the mean of its record, growth and "
            "season together, and (blue) one standard error of a month on both sides."
        )
        caption += f" {left} more sites stand in signals.csv." if left else ""
        figures.append(
            _figure(
                f"signals-{index + 1}" if index else "signals",
                f"{tracer} as each site would see it",
                caption,
                _drawn(mine, kept),
                [m.id for m in kept],
            )
        )
    return figures


def _drawn(rows: Sequence[Mapping[str, str]], kept: Sequence[Member]) -> Callable[[bool], Chart]:
    return lambda wide: charts.signals(rows, kept, wide)


def _figure(name: str, title: str, caption: str, chart: Callable[[bool], Chart], ids: Sequence[str] = ()) -> Figure:
    return Figure(name, title, caption, svg(chart(True), title, caption, ids), svg(chart(False), title, caption, ids))


def _year_limits(layout: Content) -> dict[str, float]:
    """Return what each year may cost, where years stand alone."""
    asked = layout["asked"]
    per_year = asked["budget_per_year"]
    if per_year is None or asked["carry_over"]:
        return {}
    years = range(asked["first_year"], asked["first_year"] + asked["years"])
    each = per_year if isinstance(per_year, list) else [per_year] * asked["years"]
    return {str(year): float(one) for year, one in zip(years, each, strict=True)}


def _tables(run: Run, found: Sequence[Member], currency: str) -> list[tables.Table]:
    layout, beside = run.layout, run.beside
    counts = tables.origin_counts(run.layers["candidates.geojson"]["features"], frozenset(m.id for m in found))
    made: list[tables.Table | None] = [
        tables.sites_table(found, run, currency),
        tables.bands_table(run),
        tables.supply_table(run, currency),
        tables.schedule_table(run),
        tables.targets_table(run) if run.rows("targets.csv") else None,
        tables.money_table(run, currency),
        tables.why_table(found, run, currency),
        tables.others_table(beside["alternatives.json"]) if "alternatives.json" in beside else None,
        tables.order_table(beside["order.json"]) if "order.json" in beside else None,
        tables.stress_table(beside["stress.json"]) if "stress.json" in beside else None,
        tables.stages_table(layout),
        tables.rules_table(layout),
        tables.origins_table(counts) if counts else None,
        tables.assumptions_table(run),
        tables.pairs_table("inputs", "Inputs", ("file", "SHA-256 of its content"), layout["inputs"]),
        tables.pairs_table("versions", "Versions", ("package", "version"), layout["versions"]),
    ]
    return [table for table in made if table is not None]


def _origins_words(run: Run, found: Sequence[Member]) -> str:
    counts = tables.origin_counts(run.layers["candidates.geojson"]["features"], frozenset(m.id for m in found))
    total = {origin: sum(one[origin] for one in counts.values()) for origin in tables.ORIGINS}
    cells = sum(total.values())
    if not cells:
        return "Where the numbers of the sites come from is not told."
    told = ", ".join(f"{total[origin]:,} {origin}" for origin in tables.ORIGINS if total[origin])
    assumed = run.layout["assumed"]
    more = "No assumed value counts at a picked site."
    if assumed:
        more = (
            "Assumed values that count at picked sites: "
            f"{', '.join(f'{column} ({len(ids)})' for column, ids in assumed.items())}."
        )
    return f"Of {cells:,} cells of picked and running sites {told}. {more}"


def _proof_words(layout: Content) -> str:
    if layout["objective"] is None:
        return "This layout was given, not searched for: nothing is claimed about layouts that are better."
    ended = (
        f"The search {layout['ended']}"
        if layout["ended"].startswith("reached")
        else f"The search ended: {layout['ended']}"
    )
    ties = f" Ties: {layout['ties']}." if layout["ties"] else ""
    return f"{ended}, after {layout['nodes']:,} steps; a gap of {100.0 * layout['asked_gap']:g} % was asked for.{ties}"


def _proof_check(layout: Content) -> str:
    if layout["proof_sha256"] is None:
        return ""
    return (
        f"The tree of the search stands in proof.json (SHA-256 {layout['proof_sha256']}). siting verify on this "
        "folder works rules, money, value and bound out again without a search."
    )


def _frontier_words(content: Content | None) -> str:
    if content is None or content["by"] == "both":
        return ""
    words = []
    if content["always"]:
        words.append(f"In every layout of the frontier: {', '.join(content['always'])}.")
    if content["knee"] is not None and len(content["points"]) >= FEW_POINTS:
        budget = content["points"][content["knee"]]["budget"]
        words.append(
            f"Of the {len(content['points'])} budgets that were tried the knee is at {tables.money_text(budget)} "
            f"{content['currency']}: beyond it more money buys less."
        )
    most = max((len(p["targets"]) for p in content["points"]), default=0)
    if most > moneycharts.MOST_LINES:
        words.append(f"Of {most} targets {moneycharts.MOST_LINES} are drawn; frontier.csv holds all.")
    if not content["whole"]:
        words.append("The frontier was stopped early: some of its points are not proved.")
    return " ".join(words)


def _stress_words(run: Run, content: Content | None) -> str:
    if content is None:
        return ""
    words = [
        f"{content['futures_done']} futures of prices, failures, lost shipments, late starts and noise; the layout "
        f"stays within all rules in {100.0 * content['within']:.0f} % of them."
    ]
    if content["broken"]:
        rule, share = max(content["broken"], key=lambda pair: (pair[1], pair[0]))
        words.append(f"The rule broken most often: {rule}, in {100.0 * share:.0f} %.")
    if content["by"] != (run.layout["objective"] or content["by"]):
        words.append(f"The best layouts of these futures were searched for by {content['by']}, this layout was not.")
    if content["futures_done"] < FEW_FUTURES:
        words.append("So few futures tell no more than that nothing is grossly wrong.")
    worst = content["single"][0] if content["single"] else None
    if worst is not None:
        words.append(f"The loss of one site hurts most at {worst['sites'][0]}.")
    if not content["whole"]:
        words.append("Stopped early: not all futures that were asked for.")
    return " ".join(words)


_ASKED_BY = {
    "frontier.json": "siting frontier (what money buys)",
    "alternatives.json": "siting alternatives (why not the others)",
    "order.json": "siting order (year by year)",
    "stress.json": "siting stress (many futures)",
}


def _missing(run: Run) -> str:
    """Say what could be shown here if it were asked for, and what was found but does not fit."""
    absent = [words for mark, words in _ASKED_BY.items() if mark not in run.beside]
    if not absent:
        return ""
    words = f"Not on this page: {', '.join(absent)}. Run them on the same inputs, then siting report on this folder."
    return words + (f" Found beside, but left out: {'; '.join(run.left_out)}." if run.left_out else "")


def _site_facts(found: Sequence[Member], currency: str) -> Markup:
    """Return as JSON what the page tells of a chosen site; harmless inside a script element."""
    facts = []
    for m in found:
        lines = [f"{m.kind_words} ({m.plan}), {where(m)}" + (f", from {m.first_month}" if m.first_month else "")]
        if m.cost is not None:
            lines.append(f"Costs {tables.money_text(m.cost)} {currency} in all.")
        if m.losses:
            lost = ", ".join(f"{loss.target} {tables.percent(loss.percent)}" for loss in m.losses)
            lines.append(f"Without it the errors grow: {lost}.")
        if m.swap:
            unit = "the score" if m.swap.by == "score" else "the shortfall"
            lines.append(
                f"Best replacement: {m.swap.id} ({m.swap.plan} from {m.swap.start_year}), which changes {unit} by "
                f"{m.swap.change:+.3g} and the cost by {m.swap.cost:+,.0f} {currency}."
            )
        facts.append({"id": m.id, "name": m.name, "lines": lines})
    return script_json(facts)


def script_json(content: Any) -> Markup:
    """Return JSON that cannot end the script element it stands in."""
    text = json.dumps(content, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def where(member: Member) -> str:
    """Return where a member is, with its longitude if it stays in one place."""
    if not math.isfinite(member.lon) or member.north - member.south > 0.5 or member.spread > 0.5:
        return charts.where(member)
    east = f"{abs(member.lon):.4g}° {'E' if member.lon >= 0 else 'W'}"
    return f"{charts.where(member)} {east}"
