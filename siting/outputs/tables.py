"""The CSV tables of a layout, safe to open in a table program."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from siting.assessment.layout import Assessment

# A table program runs text that begins like this as a formula; an apostrophe makes it plain text.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def harmless(text: str) -> str:
    """Return text that no table program takes for a formula, on one line."""
    flat = " ".join(text.split("\n")).replace("\r", " ").replace("\x00", "")
    return f"'{flat}" if flat.startswith(_FORMULA) else flat


def csv_text(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a CSV (comma, LF, UTF-8 text): numbers as they are, text made harmless, None empty."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return stream.getvalue()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value:.10g}"
    return harmless(str(value))


def amount(hundredths: int) -> str:
    """Return hundredths as money with two decimals."""
    sign = "-" if hundredths < 0 else ""
    return f"{sign}{abs(hundredths) // 100}.{abs(hundredths) % 100:02d}"


def sites(assessment: Assessment) -> str:
    """Return sites.csv: one row a picked deployment with every part of its score."""
    parts = [name for name, _, _ in assessment.picks[0].parts] if assessment.picks else []
    header = [
        "id",
        "name",
        "plan",
        "kind",
        "start_year",
        "first_month",
        "lat",
        "lon",
        "score",
        "worth",
        "share_of_window",
        "clean_samples_per_month",
    ]
    header += [f"{part}_{what}" for part in parts for what in ("attribute", "value")]
    header += ["cost_total", "flasks_at_peak", "samples_per_year"]
    rows = []
    for pick in assessment.picks:
        year, month = pick.first_month
        row: list[object] = [
            pick.id,
            pick.name,
            pick.plan,
            pick.kind,
            pick.start_year,
            f"{year}-{month:02d}",
            pick.lat,
            pick.lon,
            pick.score,
            pick.worth,
            pick.left,
            pick.samples,
        ]
        row += [number for _, attribute, value in pick.parts for number in (attribute, value)]
        rows.append([*row, amount(sum(pick.cost_by_year)), pick.flasks, pick.laboratory])
    return csv_text(header, rows)


def coverage(assessment: Assessment) -> str:
    """Return coverage.csv: bands, then gaps in latitude, then efficiencies, told apart by the first column."""
    header = [
        "what",
        "name",
        "south",
        "north",
        "area_share",
        "sites",
        "analyzers",
        "flasks",
        "both",
        "running",
        "baseline_hours_per_year",
        "best_exposure",
        "best_site",
        "value",
        "note",
    ]
    rows: list[list[object]] = []
    for band in assessment.coverage.bands:
        rows.append(
            [
                "band",
                band.band,
                band.south,
                band.north,
                band.area_share,
                band.sites,
                band.analyzers,
                band.flasks,
                band.both,
                band.running,
                band.baseline_hours,
                band.best_exposure,
                band.best_site,
                None,
                None,
            ]
        )
    for gap in assessment.coverage.gaps[:5]:
        rows.append(["gap", "gap in latitude", gap.from_lat, gap.to_lat, *[None] * 9, gap.width_deg, "degrees"])
    for efficiency in assessment.coverage.efficiencies:
        note = "share of the best continuous weights" if efficiency.resolved else "cannot be resolved"
        rows.append(["efficiency", efficiency.name, *[None] * 11, efficiency.value, note])
    return csv_text(header, rows)


def costs(assessment: Assessment) -> str:
    """Return costs.csv: one row a site and year by kind of cost, then purchases, then the sum of each year."""
    money = assessment.money
    header = ["what", "id", "plan", "year", *money.kinds, "purchases", "total"]
    rows: list[list[object]] = [
        [
            "site",
            cost.id,
            cost.plan,
            cost.year,
            *[amount(a) for a in cost.by_kind],
            amount(0),
            amount(sum(cost.by_kind)),
        ]
        for cost in money.sites
    ]
    for year, count, paid in zip(money.years, money.bought, money.purchases, strict=True):
        if count:
            rows.append(
                [
                    f"{count} bought analyzers",
                    None,
                    None,
                    year,
                    *[amount(0)] * len(money.kinds),
                    amount(paid),
                    amount(paid),
                ]
            )
    for y, year in enumerate(money.years):
        kinds = [sum(c.by_kind[k] for c in money.sites if c.year == year) for k in range(len(money.kinds))]
        rows.append(
            [
                "year",
                None,
                None,
                year,
                *[amount(a) for a in kinds],
                amount(money.purchases[y]),
                amount(money.by_year[y]),
            ]
        )
    kinds = [sum(c.by_kind[k] for c in money.sites) for k in range(len(money.kinds))]
    rows.append(
        [
            "total",
            None,
            None,
            None,
            *[amount(a) for a in kinds],
            amount(sum(money.purchases)),
            amount(money.total),
        ]
    )
    return csv_text(header, rows)
