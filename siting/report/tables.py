"""The tables of a report, once for page and paper: cells as people read them, with what they are sorted by."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from siting.outputs.lines import counted, number
from siting.region.plain import listed
from siting.report.charts import where
from siting.report.members import Member
from siting.report.reading import Content, Row, Run


@dataclass(frozen=True)
class Head:
    """A column's head; `number` columns stand flush right."""

    text: str
    number: bool = False


@dataclass(frozen=True)
class Cell:
    """A cell: its text, what a number is sorted by ("" sorts last, None: by the text), and "good" or "bad"."""

    text: str
    order: float | str | None = None
    sign: str = ""


@dataclass(frozen=True)
class Line:
    """A row of cells, of a site where `site` is its id."""

    cells: tuple[Cell, ...]
    site: str = ""


@dataclass(frozen=True)
class Table:
    """A table by name with its title, heads and rows; `picks` puts a button for the site into the first cell."""

    name: str
    title: str
    heads: tuple[Head, ...]
    rows: tuple[Line, ...]
    sortable: bool = True
    picks: bool = False
    note: str = ""


def money_text(amount: float) -> str:
    """Return money in whole units."""
    return f"{amount:,.0f}"


def _number(value: float | None, told: Callable[[float], str] = number) -> Cell:
    if value is None or not math.isfinite(value):
        return Cell("-", "")
    return Cell(told(value), value)


def _chance(value: str | None) -> Cell:
    """Return a probability; one that is all but sure is not told as 1."""
    if not value:
        return Cell("-", "")
    return Cell("> 0.999", float(value)) if float(value) > 0.999 else _number(float(value))


def _count(value: str | None) -> Cell:
    """Return the cell of a number as a CSV file holds it, empty where it is."""
    return _number(float(value)) if value else Cell("-", "")


def _heads(*texts: str) -> tuple[Head, ...]:
    """Return heads; a text that begins with # is a column of numbers."""
    return tuple(Head(text.removeprefix("#"), text.startswith("#")) for text in texts)


def percent(share: float) -> str:
    """Return per cent of a share of error, with a sign."""
    return f"{'+' if share >= 0.0 else ''}{number(share)} %"


def sites_table(members: Sequence[Member], run: Run, currency: str) -> Table:
    """Return picked sites and running stations: what stands there, from when, and for how much."""
    records = {(row["id"], row["date"]) for row in run.rows("signals.csv")}
    months = Counter(name for name, _ in records)
    lines = []
    for m in members:
        loss = m.greatest
        lines.append(
            Line(
                (
                    Cell(m.name),
                    Cell(m.id),
                    Cell(where(m), m.lat),
                    Cell(m.kind_words),
                    Cell(m.plan),
                    Cell(_from(m)),
                    _number(m.score),
                    _number(m.cost, money_text),
                    Cell(f"{loss.target} {percent(loss.percent)}", loss.percent) if loss is not None else Cell("-", ""),
                ),
                m.id,
            )
        )
    heads = _heads(
        "site", "id", "#latitude", "what", "plan", "from", "#score", f"#{currency}", "#loss without it (error of)"
    )
    title = "Sites from north to south: picked ones and those that run already"
    short = [f"{m.id} ({counted(months[m.id], 'month')})" for m in members if m.picked and 0 < months[m.id] < 12]
    note = f"Fewer than 12 months of record in the window: {', '.join(short)}." if short else ""
    return Table("sites", title, heads, tuple(lines), picks=True, note=note)


def _from(member: Member) -> str:
    if member.picked:
        return member.first_month
    if not member.first_month:
        return "runs"
    since = float(member.first_month)
    return f"runs since {since:.0f}" if since.is_integer() else f"runs since {member.first_month}"


def bands_table(run: Run) -> Table:
    """Return the coverage of each latitude band."""
    lines = [
        Line(
            (
                Cell(row["band"]),
                Cell(f"{float(row['south']):g} to {float(row['north']):g}", float(row["south"])),
                _number(100.0 * float(row["area_share"])),
                *(
                    _count(row[name])
                    for name in ("sites", "analyzers", "flasks", "both", "running", "baseline_hours_per_year")
                ),
            )
        )
        for row in run.rows("coverage.csv")
    ]
    heads = _heads(
        "band",
        "#degrees north",
        "#% of the earth",
        "#sites",
        "#analyzer",
        "#flasks",
        "#both",
        "#running",
        "#clean hours a year",
    )
    note = (
        "A track counts by its share of time. Clean hours: hours of background air a year at all sites of the "
        "band together."
    )
    return Table("bands", "Coverage by latitude band", heads, tuple(lines), note=note)


def target_rows(run: Run) -> list[Row]:
    """Return the first row of each target of targets.csv, which has one for each source of error."""
    found: dict[tuple[str, str], Row] = {}
    for row in run.rows("targets.csv"):
        found.setdefault((row["tracer"], row["target"]), row)
    return list(found.values())


def targets_table(run: Run) -> Table:
    """Return each target with goal, error, expected signal, probability of detection and years."""
    detection = {(row["tracer"], row["target"]): row for row in run.rows("detection.csv")}
    lines = []
    for row in target_rows(run):
        seen = detection.get((row["tracer"], row["target"]), {})
        error, goal, met = float(row["error"]), float(row["goal"]), row["met"] == "yes"
        never = seen.get("never_because")
        years = f"never: {never}" if never else ""
        words = row["words"] + (" (default)" if row["default"] == "yes" else "")
        words += " (known well enough before)" if row["known_before"] == "yes" else ""
        lines.append(
            Line(
                (
                    Cell(words),
                    Cell(row["unit"]),
                    _number(goal),
                    _number(error),
                    Cell(
                        "met" if met else f"missed by {100.0 * (error / goal - 1.0):.3g} %",
                        error / goal,
                        "good" if met else "bad",
                    ),
                    _count(seen.get("signal")),
                    _count(seen.get("signal_to_error")),
                    _chance(seen.get("probability_95")),
                    Cell(years, "Infinity" if never else "")
                    if years or not seen.get("years_90")
                    else _count(seen["years_90"]),
                )
            )
        )
    heads = _heads(
        "target",
        "unit",
        "#goal",
        "#standard error",
        "goal is",
        "#expected signal",
        "#signal / its error",
        "#probability of detection",
        "#years to detect",
    )
    note = (
        "Signal over its error, probability of detection at 95 % confidence and years of record until that is 90 % "
        "rest on an error that makes no use of what was believed of the target before, so it is the larger one."
    )
    return Table("targets", "Targets against their goals", heads, tuple(lines), note=note)


def money_kinds(run: Run) -> list[str]:
    """Return the kinds of cost in costs.csv that any year has, in its order."""
    years = [row for row in run.rows("costs.csv") if row["what"] == "year"]
    idle = {"what", "id", "plan", "year", "analyzers_bought", "total"}
    return [name for name in (years[0] if years else ()) if name not in idle and any(float(row[name]) for row in years)]


def money_table(run: Run, currency: str) -> Table:
    """Return money by year and kind with sums."""
    kinds = money_kinds(run)
    lines = [
        Line(
            (
                Cell(row["year"] or "all years", "" if row["what"] == "total" else float(row["year"])),
                *(_number(float(row[kind]), money_text) for kind in kinds),
                _number(float(row["total"]), money_text),
            )
        )
        for row in run.rows("costs.csv")
        if row["what"] in ("year", "total")
    ]
    heads = _heads("year", *(f"#{kind.replace('_', ' ')}" for kind in kinds), "#total")
    note = "With reserve, overhead and growth of prices."
    if "transport_fixed" in kinds:
        note += " Transport fixed: paid once by all sites that share a leg or voyage."
    return Table("money", f"Money by year and kind, {currency}", heads, tuple(lines), note=note)


def why_table(members: Sequence[Member], run: Run, currency: str) -> Table | None:
    """Return what the network loses without each site, and its best replacement; None where nothing is known."""
    targets = [(row["tracer"], row["target"]) for row in target_rows(run)]
    several = len({tracer for tracer, _ in targets}) > 1
    picked = [m for m in members if m.picked]
    if not any(m.losses or m.swap for m in picked):
        return None
    by = next((m.swap.by for m in picked if m.swap), "")
    unit = "score" if by == "score" else "shortfall"
    lines = []
    for m in picked:
        losses = {(loss.tracer, loss.target): loss.percent for loss in m.losses}
        swap = m.swap
        lines.append(
            Line(
                (
                    Cell(m.name),
                    *(_number(losses.get(key), percent) for key in targets),
                    _number(m.shortfall_loss),
                    Cell(f"{swap.id}, {swap.plan} from {swap.start_year}" if swap else "none keeps the rules"),
                    _number(swap.change if swap else None, lambda value: f"{value:+.3g}"),
                    _number(swap.cost if swap else None, lambda value: f"{value:+,.0f}"),
                ),
                m.id,
            )
        )
    names = [f"#error of {target}{f' of {tracer}' if several else ''} without it" for tracer, target in targets]
    heads = _heads("site", *names, "#shortfall grows by", "best replacement", f"#changes the {unit} by", f"#{currency}")
    unsure = [m.id for m in picked if m.swap and not m.swap.complete]
    note = "Replacement: the one other site that keeps every rule in its place and costs the layout least."
    if unsure:
        which = "every site" if len(unsure) == len(picked) else listed(unsure)
        note += f" Not every place and start year was tried: for {which} a better one may exist."
    return Table(
        "why",
        "What the network loses without a site, and its best replacement",
        heads,
        tuple(lines),
        picks=True,
        note=note,
    )


def others_table(content: Content) -> Table:
    """Return why each other site is not in: the best layout that must contain it."""
    lines = []
    for one in content["why_not"]:
        best = one.get("best")
        loss = best.get("loss") if best else None
        goes = listed(best["goes"]) if best and best.get("goes") else ""
        lines.append(
            Line(
                (
                    Cell(one["id"]),
                    _number(loss),
                    Cell(goes or one.get("reason") or "-"),
                    _number(best.get("cost") if best else None, money_text),
                )
            )
        )
    heads = _heads(
        "site",
        f"#loss of the best layout with it ({content['by']})",
        "then goes, or why it cannot come",
        f"#{content['currency']}",
    )
    return Table("others", "Why not the others", heads, tuple(lines))


def rules_table(layout: Content) -> Table:
    """Return every condition with what was found."""
    lines = [
        Line(
            (
                Cell(rule["rule"]),
                Cell(rule["condition"]),
                Cell(rule["found"]),
                Cell("holds" if rule["holds"] else "BROKEN", None, "good" if rule["holds"] else "bad"),
            )
        )
        for rule in layout["rules"]
    ]
    return Table("rules", "Conditions", _heads("rule", "condition", "found", "holds"), tuple(lines))


def stages_table(layout: Content) -> Table | None:
    """Return value, bound and gap of each stage of the search; None where nothing was searched for."""
    if not layout["stages"]:
        return None
    lines = [
        Line(
            (
                Cell(stage["name"]),
                _number(stage["value"], lambda value: f"{value:.8g}"),
                _number(stage["bound"], lambda value: f"{value:.8g}"),
                _number(None if stage["gap"] is None else 100.0 * stage["gap"]),
                Cell("proved" if stage["proved"] else "not proved", None, "good" if stage["proved"] else "bad"),
            )
        )
        for stage in layout["stages"]
    ]
    heads = _heads(
        "decided by", "#value of this layout", "#no layout gets beyond", "#gap, %", "to the gap that was asked for"
    )
    return Table("stages", "What was proved", heads, tuple(lines), sortable=False)


ORIGINS = ("given", "derived", "assumed", "defaulted")


def origin_counts(features: Iterable[Content], ids: frozenset[str]) -> dict[str, dict[str, int]]:
    """Return by column how many cells of the candidates in `ids` are given, derived, assumed and defaulted."""
    found: dict[str, dict[str, int]] = {}
    for feature in features:
        told = feature["properties"]
        if told["id"] in ids:
            for column, origin in told["origin"].items():
                counts = found.setdefault(column, dict.fromkeys(ORIGINS, 0))
                counts[origin] = counts.get(origin, 0) + 1
    return found


def origins_table(counts: Mapping[str, Mapping[str, int]]) -> Table:
    """Return by column of the candidate files where the picked sites' numbers come from."""
    lines = [
        Line((Cell(column), *(_number(float(one[origin])) for origin in ORIGINS)))
        for column, one in sorted(counts.items())
    ]
    heads = _heads("column", *(f"#{origin}" for origin in ORIGINS))
    note = (
        "Given: in the files of the region. Derived: by siting derive from land, wind and towns. Assumed: a stated "
        "guess that counts. Defaulted: empty, and takes the neutral value."
    )
    return Table(
        "origins",
        "Where the numbers of the sites come from (cells of picked and running sites)",
        heads,
        tuple(lines),
        note=note,
    )


def assumptions_table(run: Run) -> Table | None:
    """Return numbers that nobody gave, with source and the largest change of an error if halved or doubled."""
    found: dict[tuple[str, str], Row] = {}
    for row in run.rows("assumptions.csv"):
        found.setdefault((row["tracer"], row["name"]), row)
    if not found:
        return None
    lines = [
        Line(
            (
                Cell(row["name"]),
                Cell(row["tracer"]),
                Cell(row["value"]),
                Cell(row["origin"]),
                _count(row["largest_change_percent"]),
            )
        )
        for row in found.values()
    ]
    heads = _heads("number", "of", "value", "source", "#largest change of an error if halved or doubled, %")
    return Table("assumptions", "Numbers that the region does not give", heads, tuple(lines))


def pairs_table(name: str, title: str, heads: tuple[str, str], content: Mapping[str, Any]) -> Table:
    """Return names with values."""
    lines = tuple(Line((Cell(str(key)), Cell(str(value)))) for key, value in content.items())
    return Table(name, title, _heads(*heads), lines, sortable=False)


def supply_table(run: Run, currency: str) -> Table | None:
    """Return how goods travel to each site and how often; None where nothing travels."""
    rows = run.rows("supply.csv")
    if not rows:
        return None
    lines = [
        Line(
            (
                Cell(row["id"]),
                Cell(row["way_home"] or row["source"]),
                *(
                    _count(row[name])
                    for name in ("calls_per_year", "oldest_sample_days", "flasks_at_peak", "boxes_per_year")
                ),
                _number(float(row["transport_alone"]), money_text) if row["transport_alone"] else Cell("-", ""),
            ),
            row["id"],
        )
        for row in rows
    ]
    heads = _heads(
        "site",
        "way home",
        "#calls a year",
        "#oldest sample, days",
        "#flasks at the peak",
        "#boxes a year",
        f"#transport if alone, {currency}",
    )
    return Table("supply", "How air comes home", heads, tuple(lines), picks=True)


def schedule_table(run: Run) -> Table | None:
    """Return the steps month by month."""
    rows = run.rows("schedule.csv")
    if not rows:
        return None
    lines = [
        Line((Cell(row["date"]), Cell(row["id"]), Cell(row["plan"]), Cell(row["action"]), Cell(row["note"])), row["id"])
        for row in rows
    ]
    return Table("schedule", "Steps", _heads("month", "site", "plan", "step", "note"), tuple(lines))


def order_table(content: Content) -> Table:
    """Return what opens in which year where the layout is built by the best beginning of each year."""
    lines = []
    for step in content["steps"]:
        opens = listed([f"{site} ({plan})" for site, plan, _ in step["opens"]], 40) if step["opens"] else "none"
        lines.append(
            Line(
                (
                    Cell(str(step["year"]), step["year"]),
                    Cell(opens),
                    _number(float(len(step["stands"]))),
                    _number(step["value"]),
                )
            )
        )
    heads = _heads("year", "opens", "#sites then", f"#{content['by']}")
    price = content.get("price")
    note = f"Deciding year by year costs {number(price)} against deciding all at once." if price else ""
    return Table("order", "Year by year", heads, tuple(lines), sortable=False, note=note)


def stress_table(content: Content) -> Table:
    """Return each target's error over the futures."""
    lines = []
    for one in content["targets"]:
        spread = one["spread"]
        lines.append(
            Line(
                (
                    Cell(f"{one['target']} ({one['tracer']})"),
                    _number(one["goal"]),
                    _number(one["nominal"]),
                    *(_number(spread[name] if spread else None) for name in ("low", "median", "high")),
                    _number(None if one["met"] is None else 100.0 * one["met"]),
                )
            )
        )
    heads = _heads(
        "target", "#goal", "#error as planned", "#10 % below", "#median", "#90 % below", "#goal met in % of futures"
    )
    return Table("stress", "Errors in many futures", heads, tuple(lines))
