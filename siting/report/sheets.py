"""One page for the host of a site: what will stand there, what it needs, who pays, what the record will show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from siting import __version__
from siting.outputs.lines import counted, number
from siting.outputs.naming import folder_name
from siting.region.faults import Findings
from siting.region.plain import nearest
from siting.report import charts, tables
from siting.report.drawing import svg
from siting.report.members import Member, members
from siting.report.page import where
from siting.report.reading import Row, Run
from siting.report.rendering import Figure, rendered

FOLDER = "sheets"


def sheet_name(site: str) -> str:
    """Return the file of a site's sheet, safe whatever the id holds."""
    return f"{FOLDER}/{folder_name('host', [site])}.html"


def site_sheet(run: Run, site: str) -> dict[str, str | bytes]:
    """Return the sheet for the host of a picked site, by name.

    Raises `InputError` where the site is not picked.
    """
    found = {m.id: m for m in members(run) if m.picked}
    if site not in found:
        findings = Findings()
        near = nearest(site, tuple(found))
        mend = f"did you mean '{near}'?" if near else "name one of the picked sites"
        allowed = f"a picked site: {', '.join(sorted(found)[:12])}{', ...' if len(found) > 12 else ''}"
        findings.fault("--site", None, None, site, "is not picked in this run", allowed=allowed, mend=mend)
        findings.raise_if_any()
    return {sheet_name(site): _sheet(run, found[site])}


def sheets_again(run: Run, files: Mapping[str, object]) -> dict[str, str | bytes]:
    """Return the sheets that a folder holds already, made anew for the sites that are still picked."""
    made: dict[str, str | bytes] = {}
    for m in members(run):
        if m.picked and sheet_name(m.id) in files:
            made |= site_sheet(run, m.id)
    return made


def _sheet(run: Run, member: Member) -> str:
    layout, station = run.layout, member.station
    currency = str(layout["currency"])
    signals = _figures(run, member)
    context: dict[str, Any] = {
        "version": __version__,
        "title": layout["title"],
        "name": member.name,
        "where": where(member),
        "stands": _stands(member, station),
        "needs": _needs(station),
        "travels": _travels(member, station),
        "costs": _costs(run, member, currency),
        "shows": _shows(run, member),
        "signals": signals,
        "cautions": _cautions(run, member),
    }
    return rendered("sheet.html.j2", context)


def _stands(member: Member, station: Row) -> list[str]:
    lines = [f"{member.kind_words}: {station.get('instruments') or member.plan} (plan {member.plan})."]
    if station.get("gases"):
        lines.append(f"Measures {station['gases']}.")
    if station.get("intake_m"):
        lines.append(
            f"Air is drawn {number(float(station['intake_m']))} m above the ground{_guess(station, 'intake_m')}, at "
            f"{number(float(station['elevation_m']))} m of height{_guess(station, 'elevation_m')}."
        )
    if station.get("flask_samples_per_month"):
        each = station["flasks_per_sample"]
        lines.append(
            f"{number(float(station['flask_samples_per_month']))} samples a month, {each} glass flasks for each."
        )
    if station.get("calibrations_per_month"):
        lines.append(
            f"{number(float(station['calibrations_per_month']))} calibrations a month from gas cylinders at the site."
        )
    lines.append(
        f"First sample {member.first_month}; work in {station.get('open_months') or 'all months'}"
        f"{_guess(station, 'open_months')}; planned until {station.get('last_month') or 'the end of the window'}."
    )
    if station.get("analyzer_from"):
        lines.append(f"The analyzer comes in {station['analyzer_from']}.")
    return lines


def _guess(station: Row, name: str) -> str:
    """Return a mark for what nobody gave."""
    return " (assumed)" if name in station.get("assumed", "").split() else ""


def _needs(station: Row) -> list[str]:
    needs_power, power = station.get("needs_power") == "yes", station.get("power") or "not told"
    lines = [
        f"Power: {'needed all the time' if needs_power else 'none needed by the instruments'}; at the site: {power}"
        f"{_guess(station, 'power')}."
    ]
    people = f"Are people at the place: {station.get('staffed') or 'not told'}{_guess(station, 'staffed')}"
    lines.append(
        people + (("; someone has to look after the instruments.") if station.get("needs_staff") == "yes" else ".")
    )
    if float(station.get("crew_days_per_year") or 0.0):
        lines.append(f"{number(float(station['crew_days_per_year']))} days of work by a crew each year.")
    permit, lead = int(station.get("permit_months") or 0), int(station.get("lead_months") or 0)
    if permit or lead:
        lines.append(
            f"Before the first sample: {counted(permit, 'month')} for permits, {counted(lead, 'month')} to "
            "order and ship."
        )
    for name, words in (("host", "Host"), ("operator", "Operator"), ("access", "Access"), ("hub", "Reached by way of")):
        if station.get(name):
            lines.append(f"{words}: {station[name]}.")
    return lines


def _travels(member: Member, station: Row) -> list[str]:
    lines = []
    cylinders = float(station.get("cylinders_per_year") or 0.0) > 0.0
    goods = [word for word, there in (("flasks", member.kind != "analyzer"), ("gas cylinders", cylinders)) if there]
    if station.get("calls_per_year") and goods:
        lines.append(
            f"{number(float(station['calls_per_year']))} visits a year bring and fetch {' and '.join(goods)}"
            f"{_guess(station, 'visits_per_year')}."
        )
    if float(station.get("boxes_per_year") or 0.0):
        lines.append(f"{station['boxes_per_year']} boxes a year each way.")
    if float(station.get("flasks_at_peak") or 0.0):
        lines.append(f"{station['flasks_at_peak']} flasks on the road and on site at the peak.")
    if station.get("cylinders_per_year") and float(station["cylinders_per_year"]):
        lines.append(f"{number(float(station['cylinders_per_year']))} gas cylinders a year.")
    return lines or ["Nothing has to be carried regularly."]


def _costs(run: Run, member: Member, currency: str) -> tables.Table:
    """Return what the programme pays at the site by kind; what the host gives is not in the region's files."""
    rows = [row for row in run.rows("costs.csv") if row["what"] == "site" and row["id"] == member.id]
    kinds = [kind for kind in tables.money_kinds(run) if any(float(row[kind]) for row in rows)]
    sums = {kind.replace("_", " "): sum(float(row[kind]) for row in rows) for kind in kinds}
    lines = [tables.Line((tables.Cell(kind), tables.Cell(tables.money_text(paid)))) for kind, paid in sums.items()]
    total = sum(float(row["total"]) for row in rows)
    lines.append(tables.Line((tables.Cell("in all"), tables.Cell(tables.money_text(total)))))
    heads = (tables.Head("kind"), tables.Head(currency, True))
    years = f" in {rows[0]['year']}-{rows[-1]['year']}" if rows else ""
    note = (
        f"Paid by the programme{years}, with reserve, overhead and growth of prices. What the host gives (room, power, "
        "hands) is not counted here and is to be agreed."
    )
    return tables.Table("costs", "Who pays: the programme's share", heads, tuple(lines), sortable=False, note=note)


def _shows(run: Run, member: Member) -> list[str]:
    lines = []
    rows = [row for row in run.rows("signals.csv") if row["id"] == member.id]
    for tracer in dict.fromkeys(row["tracer"] for row in rows):
        mine = [row for row in rows if row["tracer"] == tracer]
        values, errors = [float(row["expected"]) for row in mine], [float(row["error"]) for row in mine]
        lines.append(
            f"{tracer}: {counted(len(mine), 'month')} of record, over which the expected value moves by "
            f"{number(max(values) - min(values))} {mine[0]['unit']}; one month is known to "
            f"{number(sorted(errors)[len(errors) // 2])} "
            f"{mine[0]['unit']} (one standard error, the median month)."
        )
    if member.losses:
        told = "; ".join(f"{loss.target} by {loss.percent:.2g} %" for loss in member.losses)
        lines.append(f"Without this site the errors of the network's targets would grow: {told}.")
    return lines or ["What the record will show was not worked out."]


def _figures(run: Run, member: Member) -> list[Figure]:
    figures: list[Figure] = []
    rows = [row for row in run.rows("signals.csv") if row["id"] == member.id]
    for tracer in dict.fromkeys(row["tracer"] for row in rows):
        mine = [row for row in rows if row["tracer"] == tracer]
        title = f"{tracer} as {member.name} would see it"
        caption = (
            "Expected monthly mean about the mean of the record, with one standard error of a month on both sides."
        )
        drawn = {wide: svg(charts.signal(mine, member, wide), title, caption, [member.id]) for wide in (True, False)}
        figures.append(Figure(f"signal-{len(figures) + 1}", title, f"{title}. {caption}", drawn[True], drawn[False]))
    return figures


def _cautions(run: Run, member: Member) -> list[str]:
    """Return the cautions that name this site or all sites, without the list of sites."""
    found = []
    for line in run.texts.get("cautions.txt", "").splitlines():
        words, mark, sites = line.partition(" Sites: ")
        if mark and member.id not in {one.strip() for one in sites.removesuffix(".").split(",")}:
            continue
        found.append(words.removesuffix(" All new sites."))
    return found
