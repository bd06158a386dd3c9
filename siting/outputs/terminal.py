"""What the commands print: plain text for a terminal of 80 columns, words first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from siting.assessment.assumed import AssumedColumn, assumed_columns
from siting.assessment.coverage import Coverage, reach
from siting.assessment.layout import Assessment, Pick
from siting.deployments import LeftOut
from siting.outputs.answer import SCORE, goals_sentence, proof_sentence, search_sentence
from siting.outputs.cautions import cautions
from siting.outputs.columns import UNITS, fits, text_table
from siting.outputs.ladder import MIN_WIDTH, LadderBand, LadderSite, ladder
from siting.outputs.lines import counted, month_spans, what_if_words, wrapped
from siting.outputs.manifest import Certificate
from siting.outputs.shown import sentences
from siting.outputs.supply import supply_text
from siting.planning import Planning
from siting.region.derived import PRICES, derivable
from siting.region.model import Origin, Region
from siting.region.plain import listed
from siting.region.schema.settings import Settings

_MARKS = {"analyzer": "A", "flask": "f", "both": "B", "flask_then_analyzer": "B"}
MOST_NAMED = 5
MOST_NOTES = 12


def layout_text(
    planning: Planning,
    assessment: Assessment,
    certificate: Certificate | None,
    *,
    width: int = 80,
    ascii_only: bool = False,
) -> str:
    """Return the whole report of a layout for the terminal, no line wider than `width` (at least 40)."""
    width = max(width, MIN_WIDTH)
    broken = bool(assessment.broken)
    parts = [
        wrapped(headline(planning, assessment, certificate), width),
        wrapped(_assumed(assessment), width) if assessment.assumed else "",
        _rules(assessment, width) if broken else "",
        _sites(assessment, width),
        wrapped(_score(planning, assessment, certificate), width),
        _money(assessment, width),
        supply_text(planning, assessment.supply, width),
        _bands(assessment, width),
        "\n".join(_ladder(planning, assessment, width, ascii_only)),
        _profiles(assessment.coverage, width),
        _shown(assessment, width),
        "" if broken else _rules(assessment, width),
        "Cautions\n" + "\n".join(wrapped(f"- {line}", width) for line in cautions(planning, assessment)),
    ]
    return "\n\n".join(part.rstrip("\n") for part in parts if part) + "\n"


def headline(planning: Planning, assessment: Assessment, certificate: Certificate | None) -> str:
    """Return the region's title, what was changed, and the answer."""
    what_if = what_if_words(planning.region.what_ifs)
    title = planning.region.settings.title
    answer = answer_words(planning, assessment, certificate)
    return f"{title}, {what_if}: {answer}" if what_if else f"{title}: {answer}"


def answer_words(planning: Planning, assessment: Assessment, certificate: Certificate | None) -> str:
    """Return the answer in a few sentences: sites, money, goals met, what was proved or which rules it breaks."""
    money, settings = assessment.money, planning.region.settings
    words = (
        f"{counted(len(assessment.picks), 'new site')} for {money.total / 100:,.0f} of "
        f"{settings.budget.total:,.0f} {settings.currency}, {money.years[0]}-{money.years[-1]}."
    )
    if certificate is None:
        broken = len({_rule_of(judgement.label, settings) for judgement in assessment.broken})
        verdict = "It holds every rule." if not broken else f"IT BREAKS {counted(broken, 'RULE', 'S')}."
        return f"{words} {verdict} Network score {assessment.score.total:.2f}."
    if certificate.objective == SCORE:
        return f"{words} {proof_sentence(certificate)}"
    shown = assessment.statement.precision.shown if assessment.statement is not None else ()
    return f"{words} {goals_sentence(certificate, shown)} {proof_sentence(certificate, settings.currency)}"


def _rule_of(label: str, settings: Settings) -> str:
    """Return the rule to which a condition belongs: a rule for each band or year has several."""
    names = ["budget.per_year", *(rule.name or f"{rule.kind} (rule {i + 1})" for i, rule in enumerate(settings.rules))]
    return max((name for name in names if label.startswith(f"{name}, ")), key=len, default=label)


def _assumed(assessment: Assessment) -> str:
    """Name the columns of picked sites that nobody filled in and that count."""
    count = len(assessment.picks)

    def share(ids: Sequence[str]) -> str:
        return f"at all {count}" if len(ids) == count else f"at {len(ids)} of {count}"

    parts = [f"{column} {share(ids)}" for column, ids in assessment.assumed.items()]
    return f"Rests on assumed values ({counted(count, 'picked site')}): {', '.join(parts)}."


def check_text(planning: Planning, *, width: int = 80) -> str:
    """Return what `check` says of a sound region: what it holds, and what cannot be picked and why."""
    region, d = planning.region, planning.deployments
    settings, width = region.settings, max(width, MIN_WIDTH)
    count = {
        origin: sum(int((codes == origin).sum()) for codes in region.candidates.origin.values()) for origin in Origin
    }
    cells = sum(count.values())
    parts = [f"{count[Origin.GIVEN]:,} of {counted(cells, 'cell')} of the candidates are given"]
    for origin, words in ((Origin.DERIVED, "derived"), (Origin.ASSUMED, "assumed"), (Origin.DEFAULTED, "defaults")):
        if count[origin]:
            parts.append(f"{count[origin]:,} {words}")
    lines = [
        f"{settings.title}: {counted(len(region.candidates), 'candidate')}, {counted(len(settings.plans), 'plan')}, "
        f"{counted(len(settings.rules), 'rule')}; no fault.",
        f"{', '.join(parts)}.",
        f"Choice of {counted(len(d), 'way')} to use them (site, plan, start year).",
    ]
    n = len(region.candidates)
    if region.legs:
        supply = planning.supply
        served = np.unique(supply.candidate[supply.owner[supply.round_of >= 0]]).size
        more = "" if supply.whole else "; some places have more ways than could be looked at, dear ones were left out"
        most = region.settings.supply.routes
        words = f"{counted(len(region.legs), 'leg')} and {counted(len(region.hubs), 'hub')} supply {served} of {n} "
        lines.append(f"{words}candidates, by up to {counted(most, 'way')} each{more}.")
    filled = derivable(region)
    if filled:
        parts = [f"{_column_words(column, region.tracers)} of {number}" for column, number in filled.items()]
        lines.append(f"`siting derive` could fill: {', '.join(parts)}.")
    for assumed in assumed_columns(region):
        if assumed.column in PRICES:
            lines.append(f"- assumed: {_price_words(region, assumed)}")
            continue
        where = f"at {len(assumed.ids)} of {counted(n, 'candidate')}: {listed(assumed.ids)}"
        if len(assumed.ids) == n:
            where = "at every candidate"
        lines.append(f"- assumed: {assumed.column} {assumed.value} {where}")
    reasons: dict[tuple[str, str], list[str]] = {}
    for left in d.left_out:
        reasons.setdefault((left.plan, left.reason), []).append(left.candidate)
    if reasons:
        lines.append("Not on offer:")
    for (plan, reason), ids in sorted(reasons.items()):
        lines.append(f"- {plan or 'any plan'}, {reason}: {', '.join(sorted(set(ids)))}")
    return "".join(f"{wrapped(line, width)}\n" for line in lines)


def _column_words(column: str, tracers: Sequence[str]) -> str:
    """Return a column in words: "contamination_size.co2" is the contamination size (CO2)."""
    name, _, gas = column.removesuffix("_m").partition(".")
    spelt = next((tracer for tracer in tracers if tracer.lower() == gas), gas)
    return name.replace("_", " ") + (f" ({spelt})" if gas else "")


def _price_words(region: Region, assumed: AssumedColumn) -> str:
    """Return the prices that a derived file assumed: they differ from place to place."""
    c = region.candidates
    prices = getattr(c, assumed.column)[[c.index(name) for name in assumed.ids]]
    low, high = float(prices.min()), float(prices.max())
    worth = f"{low:,.0f}" if low == high else f"{low:,.0f} to {high:,.0f}"
    where = f"at {len(assumed.ids)} of {counted(len(c), 'candidate')}: {listed(assumed.ids)}"
    if len(assumed.ids) == len(c):
        where = "at every candidate"
    return f"{assumed.column} {worth} {where}"


def notes_lines(region: Region, most: int = MOST_NOTES) -> list[str]:
    """Return the notes on the inputs that can change an answer, those of `siting check` but what is not used yet."""
    notes = [f"note: {note.sentence()}" for note in region.warnings if note.may_change_answer]
    more = len(notes) - most
    return notes if more <= 0 else [*notes[:most], f"... and {more} more, siting check shows them"]


def closing_lines(planning: Planning, certificate: Certificate | None, seconds: float) -> tuple[str, ...]:
    """Return the closing lines: rows read, what was dropped and why, how the search ended and its gap."""
    region, d = planning.region, planning.deployments
    read = f"Read {counted(region.rows_read, 'row')}: {counted(len(region.candidates), 'candidate')} (WGS 84)"
    whole = [left for left in d.left_out if not left.plan]
    lines = [f"{read}; {_dropped(whole)}."]
    unfit = len(d.left_out) - len(whole)
    ways = f"Choice of {counted(len(d), 'way')} to use them (site, plan, start year)"
    if unfit:
        fit = "it does" if unfit == 1 else "they do"
        ways += f"; {counted(unfit, 'plan')} left out where {fit} not fit (siting check says why)"
    lines.append(f"{ways}.")
    if certificate is not None:
        lines.append(search_sentence(certificate, seconds))
    unused = sum(not warning.may_change_answer for warning in region.warnings)
    if unused:
        lines.append(f"{counted(unused, 'note')} on inputs that are not used yet (siting check shows them).")
    return tuple(lines)


def _dropped(left: Sequence[LeftOut]) -> str:
    """Name the candidates that no plan can use, each with the reason."""
    reasons: dict[str, list[str]] = {}
    for item in left:
        reasons.setdefault(item.candidate, []).append(item.reason)
    if not reasons:
        return "none dropped"
    shown = [f"{name} ({', '.join(why)})" for name, why in sorted(reasons.items())]
    more = f" and {len(shown) - MOST_NAMED} more" if len(shown) > MOST_NAMED else ""
    return f"dropped {len(shown)}: {', '.join(shown[:MOST_NAMED])}{more}"


def _sites(assessment: Assessment, width: int) -> str:
    if not assessment.picks:
        return "New sites: none"
    rows = [
        (
            pick.id,
            pick.plan,
            f"{pick.first_month[0]}-{pick.first_month[1]:02d}",
            _where(pick),
            f"{pick.score:.0f}",
            f"{pick.samples:.3g}",
            f"{sum(pick.cost_by_year) / 100:,.0f}",
        )
        for pick in assessment.picks
    ]
    heads = ("site", "plan", "from", "latitude", "score", "samples", assessment.money.currency)
    title = "New sites (score 0-100; samples accepted in an open month; money in all)"
    table = text_table(heads, rows, width, left=3, fold=(0, 1), drop=(5, 3, 2, 4), instead="sites.csv")
    short = short_records(assessment)
    return f"{wrapped(title, width)}\n{table}" + (f"\n{wrapped(short, width)}" if short else "")


def short_records(assessment: Assessment) -> str:
    """Name picked sites whose record in the window is shorter than a year, though it is paid for; empty without any."""
    first, last = assessment.money.years[0], assessment.money.years[-1]
    found = []
    for pick in assessment.picks:
        year, month = pick.first_month
        months = range(12 * (year - first) + month - 1, 12 * (last - first + 1))
        count = sum(m % 12 + 1 in pick.open_months for m in months)
        if count < 12:
            found.append(f"{pick.id} ({counted(count, 'month')})")
    return f"Fewer than 12 months of record in the window: {', '.join(found)}." if found else ""


def _score(planning: Planning, assessment: Assessment, certificate: Certificate | None) -> str:
    score, worth_from = assessment.score, planning.region.settings.score.worth_from
    if certificate is not None and certificate.objective != SCORE:
        return f"By the way: network score {score.total:.2f}. It did not decide here; --by score makes it best."
    return (
        f"Network score {score.total:.2f} = {score.worth:.2f} from the sites (each site's score above {worth_from:g}, "
        "times the share of the window left from its first month) + "
        f"{sum(score.coverage):.2f} from covering the bands."
    )


def _money(assessment: Assessment, width: int) -> str:
    money = assessment.money
    bought = any(money.purchases)
    # Kinds of cost that nothing here has are left out.
    used = [k for k in range(len(money.kinds)) if k < 4 or any(c.by_kind[k] for c in money.sites)]
    fixed = bool(money.fixed)
    more = [*(["shared"] if fixed else []), *(["analyzers bought"] if bought else [])]
    heads = ["year", *(money.kinds[k] for k in used), *more, "total"]
    amounts: list[tuple[str, list[int]]] = []
    for y, year in enumerate(money.years):
        cells = [sum(c.by_kind[k] for c in money.sites if c.year == year) for k in used]
        cells += [sum(f.cents for f in money.fixed if f.year == year)] if fixed else []
        amounts.append((str(year), [*cells, *([money.purchases[y]] if bought else []), money.by_year[y]]))
    sums = [sum(cells[j] for _, cells in amounts) for j in range(len(heads) - 1)]
    amounts.append(("all", sums))
    for divisor, unit in UNITS:
        rows = [(year, *[f"{a / 100 / divisor:,.0f}{unit[:1]}" for a in cells]) for year, cells in amounts]
        if fits(heads, rows, width):
            break
    of_unit = f" ({unit})" if unit else ""
    title = f"Money by year, {money.currency}{of_unit}, with contingency, overhead and price growth"
    title += " (shared: fixed costs of transport)" if fixed else ""
    last = len(heads) - 1
    drop = [2, 4, 1, 3, *range(5, last)]
    return f"{wrapped(title, width)}\n{text_table(heads, rows, width, left=1, fold=(), drop=drop, instead='costs.csv')}"


def _bands(assessment: Assessment, width: int) -> str:
    rows = [
        (
            row.band,
            f"{100 * row.area_share:.0f} %",
            f"{row.sites:.3g}",
            f"{row.analyzers:.3g}",
            f"{row.flasks:.3g}",
            f"{row.both:.3g}",
            f"{row.running:.3g}",
            f"{row.baseline_hours:,.0f}",
            "-" if row.best_exposure is None else f"{row.best_exposure:.2f}",
        )
        for row in reversed(assessment.coverage.bands)
    ]
    heads = ("band", "area", "sites", "analyzer", "flask", "both", "running", "clean h", "best")
    title = (
        "Coverage by band (area: share of the earth; sites: new and running, a track by its share of time; clean h: "
        "hours a year of background air at them; best: share of background air at the best)"
    )
    table = text_table(heads, rows, width, left=1, drop=(1, 6, 8, 5, 3, 4, 7), instead="coverage.csv")
    part = [f"{p.id} {month_spans(p.open_months)}" for p in assessment.picks if len(p.open_months) < 12]
    note = f"Counted above, but open only part of the year: {listed(part)}." if part else ""
    return "\n".join([wrapped(title, width), table, *([wrapped(note, width)] if note else [])])


def _ladder(planning: Planning, assessment: Assessment, width: int, ascii_only: bool) -> list[str]:
    region = planning.region
    c = region.candidates
    kinds = {pick.id: pick.kind for pick in assessment.picks}
    south, north = reach(planning)
    rungs = []
    for i, candidate in enumerate(c.ids):
        if candidate not in kinds and c.status[i] != "running":
            continue
        mark = _MARKS.get(kinds.get(candidate, ""), "o")
        fixed = c.geometry[i].geom_type == "Point"
        rungs.append(LadderSite(float(south[i]), float(north[i]), mark if fixed else "=", c.names[i]))
    bands = [LadderBand(row.south, row.north, row.band) for row in assessment.coverage.bands]
    gap = assessment.coverage.gaps[0] if assessment.coverage.gaps else None
    return ["Latitude ladder", *ladder(rungs, bands, gap, width, ascii_only)]


def _profiles(coverage: Coverage, width: int) -> str:
    example = next((f"{100 * e.value:.1f}" for e in coverage.efficiencies if e.resolved), "50.0")
    title = (
        f"What these latitudes can say about a profile from pole to pole ({example} %: as good as that share of the "
        "same number of sites, best placed; all sites alike; profiles in the sine of latitude)"
    )
    column = max((len(e.name) for e in coverage.efficiencies), default=0)
    values = [f"{100 * e.value:5.1f} %" if e.resolved else "too few latitudes" for e in coverage.efficiencies]
    wide = column + max(map(len, values), default=0) + 4 <= width
    lines = [
        f"  {e.name:<{column}}  {value}" if wide else f"{e.name}: {value.strip()}"
        for e, value in zip(coverage.efficiencies, values, strict=True)
    ]
    return "\n".join([wrapped(title, width), *lines])


def _shown(assessment: Assessment, width: int) -> str:
    """Return what the network will show, words first."""
    if assessment.statement is None:
        words = f"What the network will show is not stated: {assessment.unstated}." if assessment.unstated else ""
        return wrapped(words, width)
    lines = [wrapped(f"- {line}", width) for line in sentences(assessment.statement, brief=True)]
    return "\n".join(["What the network will show", *lines])


def _rules(assessment: Assessment, width: int) -> str:
    broken = assessment.broken
    if not broken:
        return f"Rules: all {counted(len(assessment.rules), 'condition')} hold."
    lines = [wrapped(f"- {j.label}: {j.words}. Here: {j.found}.", width) for j in broken]
    title = f"RULES BROKEN, in {len(broken)} of {counted(len(assessment.rules), 'condition')}"
    return "\n".join([title, *lines])


def latitude(lat: float) -> str:
    """Return a latitude with one decimal and its hemisphere."""
    return f"{abs(lat):.1f} {'N' if lat >= 0 else 'S'}"


def _where(pick: Pick) -> str:
    """Return the latitude of a site, or both ends of a track."""
    if pick.south == pick.north:
        return latitude(pick.lat)
    return "-".join(f"{abs(lat):.0f} {'N' if lat >= 0 else 'S'}" for lat in (pick.south, pick.north))
