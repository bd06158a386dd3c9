"""What the commands print: plain text for a terminal of 80 columns, words first."""

from __future__ import annotations

import io
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from siting.assessment.coverage import Coverage, reach
from siting.assessment.layout import Assessment, Pick
from siting.deployments import LeftOut
from siting.outputs.cautions import cautions
from siting.outputs.ladder import MIN_WIDTH, LadderBand, LadderSite, clean_text, ladder
from siting.outputs.lines import counted, wrapped
from siting.outputs.manifest import Certificate
from siting.region.model import Origin
from siting.selection.planning import Planning

_MARKS = {"analyzer": "A", "flask": "f", "both": "B", "flask_then_analyzer": "B"}
MOST_NAMED = 5


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
        _rules(assessment, width) if broken else "",
        _sites(assessment, width),
        wrapped(_score(planning, assessment), width),
        _money(assessment, width),
        _bands(assessment, width),
        "\n".join(_ladder(planning, assessment, width, ascii_only)),
        _profiles(assessment.coverage, width),
        "" if broken else _rules(assessment, width),
        "Cautions\n" + "\n".join(wrapped(f"- {line}", width) for line in cautions(planning, assessment)),
    ]
    return "\n\n".join(part.rstrip("\n") for part in parts if part) + "\n"


def headline(planning: Planning, assessment: Assessment, certificate: Certificate | None) -> str:
    """Return the answer in a few sentences: sites, money, and how good it is or which rules it breaks."""
    money, settings = assessment.money, planning.region.settings
    words = (
        f"{settings.title}: {counted(len(assessment.picks), 'new site')} for {money.total / 100:,.0f} of "
        f"{settings.budget.total:,.0f} {settings.currency}, {money.years[0]}-{money.years[-1]}."
    )
    if certificate is None:
        broken = len(assessment.broken)
        verdict = "It holds every rule." if not broken else f"IT BREAKS {counted(broken, 'RULE', 'S')}."
        return f"{words} {verdict} Score {assessment.score.total:.2f}."
    return f"{words} {proof_sentence(certificate)}"


def proof_sentence(certificate: Certificate) -> str:
    """Return in one sentence how good the layout is and whether that is proved."""
    name = f"{certificate.objective.capitalize()} {certificate.value:.2f}"
    if certificate.gap == 0.0:
        return f"{name}; proved: no layout within the rules has a better one."
    if certificate.gap is None:
        return f"{name}; how much better a layout could be is not known."
    percent = f"{100 * certificate.gap:.2g} %"
    if certificate.proved:
        return f"{name}; proved: no layout within the rules is better by more than {percent}."
    return (
        f"{name}. NOT PROVED, the search stopped early ({certificate.ended}): a better layout may exist, but none "
        f"better by more than {percent}."
    )


def check_text(planning: Planning, *, width: int = 80) -> str:
    """Return what `check` says of a sound region: what it holds, and what cannot be picked and why."""
    region, d = planning.region, planning.deployments
    settings, width = region.settings, max(width, MIN_WIDTH)
    given = sum(int((codes == Origin.GIVEN).sum()) for codes in region.candidates.origin.values())
    cells = sum(codes.size for codes in region.candidates.origin.values())
    lines = [
        f"{settings.title}: {counted(len(region.candidates), 'candidate')}, {counted(len(settings.plans), 'plan')}, "
        f"{counted(len(settings.rules), 'rule')}; no fault.",
        f"{given:,} of {counted(cells, 'cell')} of the candidates are given, the others are derived or take defaults.",
        f"Choice of {counted(len(d), 'way')} to use them (site, plan, start year).",
    ]
    reasons: dict[tuple[str, str], list[str]] = {}
    for left in d.left_out:
        reasons.setdefault((left.plan, left.reason), []).append(left.candidate)
    if reasons:
        lines.append("Not on offer:")
    for (plan, reason), names in sorted(reasons.items()):
        lines.append(f"- {plan or 'any plan'}, {reason}: {', '.join(sorted(set(names)))}")
    return "".join(f"{wrapped(line, width)}\n" for line in lines)


def closing_lines(planning: Planning, certificate: Certificate | None, seconds: float) -> tuple[str, ...]:
    """Return the closing lines: rows read, what was dropped and why, how the search ended and its gap."""
    region, d = planning.region, planning.deployments
    read = f"Read {counted(region.rows_read, 'row')}: {counted(len(region.candidates), 'candidate')} (WGS 84)"
    whole = [left for left in d.left_out if not left.plan]
    lines = [f"{read}; {_dropped(whole)}."]
    unfit = len(d.left_out) - len(whole)
    ways = f"Choice of {counted(len(d), 'way')} to use them (site, plan, start year)"
    if unfit:
        ways += f"; {counted(unfit, 'plan')} left out where they do not fit (siting check says why)"
    lines.append(f"{ways}.")
    if certificate is not None:
        gap = "gap unknown" if certificate.gap is None else f"gap {100 * certificate.gap:.3g} %"
        asked = "" if certificate.asked_gap is None else f" (asked for: {100 * certificate.asked_gap:.3g} %)"
        lines.append(
            f"Search: {certificate.ended}, {gap}{asked}, {counted(certificate.nodes, 'search step')}, {seconds:.1f} s, "
            f"seed {certificate.seed}; {certificate.ties or 'ties were not examined'}."
        )
    if region.warnings:
        lines.append(f"{counted(len(region.warnings), 'note')} on the input files (siting check shows them).")
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
    return f"{wrapped(title, width)}\n{_table(heads, rows, width, left=3)}"


def _score(planning: Planning, assessment: Assessment) -> str:
    score, worth_from = assessment.score, planning.region.settings.score.worth_from
    return (
        f"Score {score.total:.2f} = {score.worth:.2f} from the sites (each site's score above {worth_from:g}, times "
        f"its share of the window) + {sum(score.coverage):.2f} from covering the bands."
    )


def _money(assessment: Assessment, width: int) -> str:
    money = assessment.money
    bought = any(money.purchases)
    heads = ["year", *money.kinds, *(["analyzers bought"] if bought else []), "total"]
    rows = []
    for y, year in enumerate(money.years):
        kinds = [sum(c.by_kind[k] for c in money.sites if c.year == year) for k in range(len(money.kinds))]
        amounts = [*kinds, *([money.purchases[y]] if bought else []), money.by_year[y]]
        rows.append((str(year), *[f"{a / 100:,.0f}" for a in amounts]))
    kinds = [sum(c.by_kind[k] for c in money.sites) for k in range(len(money.kinds))]
    amounts = [*kinds, *([sum(money.purchases)] if bought else []), money.total]
    rows.append(("all", *[f"{a / 100:,.0f}" for a in amounts]))
    title = f"Money by year, {money.currency}, with contingency, overhead and price growth"
    return f"{wrapped(title, width)}\n{_table(heads, rows, width, left=1)}"


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
    return f"{wrapped(title, width)}\n{_table(heads, rows, width, left=1)}"


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
    title = (
        "What these latitudes can say about a profile from pole to pole (100 %: as much as the best spread of the same "
        "number of equal sites; profiles in the sine of latitude)"
    )
    lines = [
        f"  {e.name:<26} " + (f"{100 * e.value:5.1f} %" if e.resolved else "too few latitudes")
        for e in coverage.efficiencies
    ]
    return "\n".join([wrapped(title, width), *lines])


def _rules(assessment: Assessment, width: int) -> str:
    broken = assessment.broken
    if not broken:
        return f"Rules: all {len(assessment.rules)} conditions hold."
    lines = [wrapped(f"- {j.label}: {j.words}. Here: {j.found}.", width) for j in broken]
    return "\n".join([f"RULES BROKEN: {len(broken)} of {len(assessment.rules)} conditions", *lines])


def latitude(lat: float) -> str:
    """Return a latitude with one decimal and its hemisphere."""
    return f"{abs(lat):.1f} {'N' if lat >= 0 else 'S'}"


def _where(pick: Pick) -> str:
    """Return the latitude of a site, or both ends of a track."""
    if pick.south == pick.north:
        return latitude(pick.lat)
    return "-".join(f"{abs(lat):.0f} {'N' if lat >= 0 else 'S'}" for lat in (pick.south, pick.north))


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int, left: int) -> str:
    """Return a table without lines; the first `left` columns stand left, the others right."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    for k, head in enumerate(heads):
        table.add_column(
            Text(clean_text(head)),
            justify="left" if k < left else "right",
            no_wrap=k >= left,
            overflow="ellipsis" if k < left else "fold",
        )
    for row in rows:
        table.add_row(*[Text(clean_text(cell)) for cell in row])
    stream = io.StringIO()
    Console(file=stream, width=width, color_system=None, markup=False, highlight=False, emoji=False).print(table)
    return "\n".join(line.rstrip() for line in stream.getvalue().rstrip("\n").split("\n"))
