"""What the commands print: plain text for a terminal of 80 columns, words first."""

from __future__ import annotations

import io
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from siting.assessment.layout import Assessment
from siting.geography.bands import Gap
from siting.outputs.cautions import cautions
from siting.outputs.ladder import LadderBand, LadderSite, clean_text, ladder
from siting.outputs.manifest import Certificate
from siting.selection.planning import Planning

_MARKS = {"analyzer": "A", "flask": "f", "both": "B", "flask_then_analyzer": "B"}


def layout_text(
    planning: Planning,
    assessment: Assessment,
    certificate: Certificate | None,
    *,
    width: int = 80,
    ascii_only: bool = False,
) -> str:
    """Return the whole report of a layout for the terminal, no line wider than `width`."""
    parts = [
        _wrapped(headline(planning, assessment, certificate), width),
        _sites(assessment, width),
        _money(assessment, width),
        _bands(assessment, width),
        "\n".join(_ladder(planning, assessment, width, ascii_only)),
        _profiles(assessment, width),
        _rules(assessment, width),
        "Cautions\n" + "\n".join(_wrapped(f"- {line}", width) for line in cautions(planning, assessment)),
    ]
    return "\n\n".join(part.rstrip("\n") for part in parts) + "\n"


def headline(planning: Planning, assessment: Assessment, certificate: Certificate | None) -> str:
    """Return the answer in one or two sentences."""
    money, settings = assessment.money, planning.region.settings
    budget = f"{settings.budget.total:,.0f} {settings.currency}"
    words = (
        f"{settings.title}: {len(assessment.picks)} new sites for {money.total / 100:,.0f} of {budget}, "
        f"{money.years[0]}-{money.years[-1]}."
    )
    if certificate is None:
        broken = len(assessment.broken)
        verdict = "It holds every rule." if not broken else f"It breaks {broken} rule{'s' if broken > 1 else ''}."
        return f"{words} Score {assessment.score.total:.2f}. {verdict}"
    return f"{words} {proof_sentence(certificate)}"


def proof_sentence(certificate: Certificate) -> str:
    """Return in one sentence how good the layout is and whether that is proved."""
    name = certificate.objective.capitalize()
    if certificate.gap == 0.0:
        return f"{name} {certificate.value:.2f}; no layout within the rules has a better one."
    if certificate.gap is None:
        return f"{name} {certificate.value:.2f}; no bound is known."
    percent = f"{100 * certificate.gap:.2g} %"
    if certificate.proved:
        return f"{name} {certificate.value:.2f}; no layout within the rules is better by more than {percent}."
    return (
        f"{name} {certificate.value:.2f}, stopped early ({certificate.ended}): a better layout may exist, but none "
        f"better by more than {percent}."
    )


def _sites(assessment: Assessment, width: int) -> str:
    rows = [
        (
            pick.id,
            pick.plan,
            f"{pick.first_month[0]}-{pick.first_month[1]:02d}",
            _latitude(pick.lat),
            f"{pick.score:.0f}",
            f"{pick.samples:.3g}",
            f"{sum(pick.cost_by_year) / 100:,.0f}",
        )
        for pick in assessment.picks
    ]
    heads = ("site", "plan", "from", "lat", "score", "samples", f"cost, {assessment.money.currency}")
    return "New sites (samples: accepted in an open month)\n" + _table(heads, rows, width, left=3)


def _money(assessment: Assessment, width: int) -> str:
    money = assessment.money
    heads = ["year", *money.kinds] + (["purchases"] if any(money.purchases) else []) + ["all"]
    rows = []
    for y, year in enumerate(money.years):
        kinds = [sum(c.by_kind[k] for c in money.sites if c.year == year) for k in range(len(money.kinds))]
        amounts = kinds + ([money.purchases[y]] if any(money.purchases) else []) + [money.by_year[y]]
        rows.append((str(year), *[f"{a / 100:,.0f}" for a in amounts]))
    return f"Money by year, {money.currency}\n" + _table(heads, rows, width, left=1)


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
    heads = ("band", "earth", "sites", "anal.", "flask", "both", "runs", "clean h/yr", "best exp.")
    return "Coverage by band (sites: new and running; clean h/yr: hours of baseline air)\n" + _table(
        heads, rows, width, left=1
    )


def _ladder(planning: Planning, assessment: Assessment, width: int, ascii_only: bool) -> list[str]:
    region = planning.region
    c = region.candidates
    kinds = {pick.id: pick.kind for pick in assessment.picks}
    rungs = []
    for i, candidate in enumerate(c.ids):
        if candidate not in kinds and c.status[i] != "running":
            continue
        lat = planning.places.lat[planning.places.owner == i]
        mark = _MARKS.get(kinds.get(candidate, ""), "o")
        fixed = c.geometry[i].geom_type == "Point"
        south, north = float(lat.min()), float(lat.max())
        rungs.append(LadderSite(south, north, mark if fixed else "=", c.names[i]))
    bands = [LadderBand(row.south, row.north, row.band) for row in assessment.coverage.bands]
    gap = assessment.coverage.gaps[0]
    return ["Latitude ladder", *ladder(rungs, bands, gap, width, ascii_only)]


def gap_sentence(gap: Gap) -> str:
    """Return the widest gap in words."""
    return f"Widest gap in latitude: {gap.width_deg:.0f} degrees, {_latitude(gap.from_lat)} to {_latitude(gap.to_lat)}."


def _profiles(assessment: Assessment, width: int) -> str:
    gap = _wrapped(gap_sentence(assessment.coverage.gaps[0]), width)
    words = "Efficiency against the best continuous weights, sites of equal error, x = sin(latitude)"
    lines = [
        f"  {e.name:<26} " + (f"{100 * e.value:5.1f} %" if e.resolved else "cannot be resolved")
        for e in assessment.coverage.efficiencies
    ]
    return "\n".join([gap, _wrapped(words, width), *lines])


def _rules(assessment: Assessment, width: int) -> str:
    broken = assessment.broken
    if not broken:
        return f"Rules: all {len(assessment.rules)} hold."
    lines = [_wrapped(f"- {j.label}: {j.words}; the layout has {j.found}", width) for j in broken]
    return "\n".join([f"Rules broken: {len(broken)} of {len(assessment.rules)}", *lines])


def _latitude(lat: float) -> str:
    return f"{abs(lat):.1f} {'N' if lat >= 0 else 'S'}"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int, left: int) -> str:
    """Return a table without lines; the first `left` columns stand left, the others right."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    for k, head in enumerate(heads):
        table.add_column(
            Text(head),
            justify="left" if k < left else "right",
            no_wrap=k >= left,
            overflow="ellipsis" if k < left else "fold",
        )
    for row in rows:
        table.add_row(*[Text(clean_text(cell)) for cell in row])
    stream = io.StringIO()
    Console(file=stream, width=width, color_system=None, markup=False, highlight=False, emoji=False).print(table)
    return "\n".join(line.rstrip() for line in stream.getvalue().rstrip("\n").split("\n"))


def _wrapped(text: str, width: int) -> str:
    """Return text broken at spaces to lines of at most `width` cells."""
    console = Console(file=io.StringIO(), width=width, color_system=None)
    indent = "  " if text.startswith("- ") else ""
    lines = Text(clean_text(text)).wrap(console, width - len(indent))
    return f"\n{indent}".join(line.plain.rstrip() for line in lines)
