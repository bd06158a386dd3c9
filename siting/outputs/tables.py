"""The CSV tables of a layout, safe to open in a table program."""

from __future__ import annotations

import csv
import io
import math
import re
import unicodedata
from collections.abc import Iterable, Sequence
from decimal import Decimal
from numbers import Integral, Real

from siting.assessment.layout import Assessment
from siting.deployments import SCORE_PARTS

# A table program runs text that begins like this as a formula, also in the wide forms of East Asian keyboards.
_SIGNS = "=+\\-@\uff1d\uff0b\uff0d\uff20"
_FORMULA = re.compile(f"[{_SIGNS}]")
# Where another separator is expected than the comma, a cell may begin in the midst of a text.
_INNER = re.compile(f"([;,\t|][\\s\"']*)([{_SIGNS}])")

_UNSEEN = frozenset("\u061c\u200b\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


def harmless(text: str) -> str:
    """Return text on one line that no table program takes for a formula: an apostrophe makes it plain text.

    Also within the text, after a character that separates cells elsewhere. Control characters become
    spaces; marks that turn the direction of writing or have no shape at all are left out.
    """
    kept = (" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in text if c not in _UNSEEN)
    flat = " ".join("".join(kept).split())
    flat = _INNER.sub(r"\1'\2", flat)
    return f"'{flat}" if _FORMULA.match(flat) else flat


def csv_text(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a CSV (comma, LF, UTF-8 text): numbers as they are, text made harmless, None empty.

    Raises ValueError for a number that is not finite.
    """
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
    if isinstance(value, Integral | Decimal):
        return str(value)
    if isinstance(value, Real):
        number = float(value)
        if not math.isfinite(number):
            raise ValueError(f"a table cannot hold {number}; give None for a missing value")
        return f"{number:.10g}"
    return harmless(str(value))


def amount(hundredths: int) -> Decimal:
    """Return hundredths as money with two decimals, exact."""
    return Decimal(int(hundredths)).scaleb(-2)


def sites(assessment: Assessment) -> str:
    """Return sites.csv: one row a picked deployment with every part of its score."""
    header = [
        "id",
        "name",
        "plan",
        "kind",
        "start_year",
        "first_month",
        "platform",
        "lat",
        "lon",
        "lat_south",
        "lat_north",
        "score",
        "worth",
        "share_of_window",
        "clean_samples_per_month",
    ]
    header += [f"{part}_{what}" for part in SCORE_PARTS for what in ("attribute", "value")]
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
            pick.platform,
            pick.lat,
            pick.lon,
            pick.south,
            pick.north,
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
    rows: list[list[object]] = [
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
        for band in assessment.coverage.bands
    ]
    rows += [
        ["gap", "gap in latitude", gap.from_lat, gap.to_lat, *[None] * 9, gap.width_deg, "degrees"]
        for gap in assessment.coverage.gaps
    ]
    for efficiency in assessment.coverage.efficiencies:
        note = "1: no design of latitudes does better" if efficiency.resolved else "cannot be resolved"
        rows.append(["efficiency", efficiency.name, *[None] * 11, efficiency.value, note])
    return csv_text(header, rows)


def costs(assessment: Assessment) -> str:
    """Return costs.csv: rows by site and year, by year with purchases, sums of years and of all."""
    money = assessment.money
    header = ["what", "id", "plan", "year", *money.kinds, "analyzers_bought", "purchases", "total"]
    rows: list[list[object]] = [
        [
            "site",
            cost.id,
            cost.plan,
            cost.year,
            *[amount(a) for a in cost.by_kind],
            0,
            amount(0),
            amount(sum(cost.by_kind)),
        ]
        for cost in money.sites
    ]
    for year, count, paid in zip(money.years, money.bought, money.purchases, strict=True):
        if count:
            rows.append(
                [
                    "purchase",
                    None,
                    None,
                    year,
                    *[amount(0)] * len(money.kinds),
                    count,
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
                money.bought[y],
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
            sum(money.bought),
            amount(sum(money.purchases)),
            amount(money.total),
        ]
    )
    return csv_text(header, rows)
