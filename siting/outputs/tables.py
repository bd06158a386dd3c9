"""The CSV tables of a layout, safe to open in a table program."""

from __future__ import annotations

import csv
import io
import math
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
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


def table(rows: Sequence[Mapping[str, object]], header: Sequence[str]) -> str:
    """Return rows by column as CSV text."""
    return csv_text(header, ([row[column] for column in header] for row in rows))


_SITE_COLUMNS = (
    *("id", "name", "plan", "kind", "start_year", "first_month", "platform", "lat", "lon", "lat_south", "lat_north"),
    *("score", "worth", "share_of_window", "clean_samples_per_month", "months_open"),
    *(f"{part}_{what}" for part in SCORE_PARTS for what in ("attribute", "value")),
    *("cost_total", "flasks_at_peak", "samples_per_year"),
)
_BAND_COLUMNS = (
    *("band", "south", "north", "area_share", "sites", "analyzers", "flasks", "both", "running"),
    *("baseline_hours_per_year", "best_exposure", "best_site"),
)
_GAP_COLUMNS = ("south", "north", "degrees")
_PROFILE_COLUMNS = ("profile", "efficiency", "resolved")


def site_rows(assessment: Assessment) -> list[dict[str, object]]:
    """Return one row a picked deployment with every part of its score, by column."""
    rows = []
    for pick in assessment.picks:
        row: dict[str, object] = {
            "id": pick.id,
            "name": pick.name,
            "plan": pick.plan,
            "kind": pick.kind,
            "start_year": pick.start_year,
            "first_month": f"{pick.first_month[0]}-{pick.first_month[1]:02d}",
            "platform": pick.platform,
            "lat": pick.lat,
            "lon": pick.lon,
            "lat_south": pick.south,
            "lat_north": pick.north,
            "score": pick.score,
            "worth": pick.worth,
            "share_of_window": pick.left,
            "clean_samples_per_month": pick.samples,
            "months_open": len(pick.open_months),
            "cost_total": amount(sum(pick.cost_by_year)),
            "flasks_at_peak": pick.flasks,
            "samples_per_year": pick.laboratory,
        }
        for part, attribute, value in pick.parts:
            row |= {f"{part}_attribute": attribute, f"{part}_value": value}
        rows.append({column: row[column] for column in _SITE_COLUMNS})
    return rows


def band_rows(assessment: Assessment) -> list[dict[str, object]]:
    """Return one row a band with its coverage."""
    return [
        {
            "band": band.band,
            "south": band.south,
            "north": band.north,
            "area_share": band.area_share,
            "sites": band.sites,
            "analyzers": band.analyzers,
            "flasks": band.flasks,
            "both": band.both,
            "running": band.running,
            "baseline_hours_per_year": band.baseline_hours,
            "best_exposure": band.best_exposure,
            "best_site": band.best_site,
        }
        for band in assessment.coverage.bands
    ]


def gap_rows(assessment: Assessment) -> list[dict[str, object]]:
    """Return the gaps in latitude, the widest first; poles count as ends."""
    return [{"south": gap.from_lat, "north": gap.to_lat, "degrees": gap.width_deg} for gap in assessment.coverage.gaps]


def profile_rows(assessment: Assessment) -> list[dict[str, object]]:
    """Return the efficiency for each profile; at 1 no other latitudes of as many sites do better."""
    return [
        {"profile": e.name, "efficiency": e.value, "resolved": e.resolved} for e in assessment.coverage.efficiencies
    ]


def sites(assessment: Assessment) -> str:
    """Return sites.csv."""
    return table(site_rows(assessment), _SITE_COLUMNS)


def coverage(assessment: Assessment) -> str:
    """Return coverage.csv: the bands."""
    return table(band_rows(assessment), _BAND_COLUMNS)


def gaps(assessment: Assessment) -> str:
    """Return gaps.csv."""
    return table(gap_rows(assessment), _GAP_COLUMNS)


def profiles(assessment: Assessment) -> str:
    """Return profiles.csv."""
    return table(profile_rows(assessment), _PROFILE_COLUMNS)


def costs(assessment: Assessment) -> str:
    """Return costs.csv: rows by site, shared transport and purchase in each year, and sums."""
    money = assessment.money
    header = ["what", "id", "plan", "year", *money.kinds, "transport_fixed", "analyzers_bought", "purchases", "total"]
    nothing = [0] * len(money.kinds)

    def row(
        what: str, name: str | None, plan: str | None, year: int | None, kinds: Sequence[int], fixed: int, bought: int,
        paid: int,
    ) -> list[object]:  # fmt: skip
        parts = [*(amount(a) for a in kinds), amount(fixed), bought, amount(paid), amount(sum(kinds) + fixed + paid)]
        return [what, name, plan, year, *parts]

    rows = [row("site", c.id, c.plan, c.year, c.by_kind, 0, 0, 0) for c in money.sites]
    rows += [row("transport", f.name, None, f.year, nothing, f.cents, 0, 0) for f in money.fixed]
    bought = list(zip(money.years, money.bought, money.purchases, strict=True))
    rows += [row("purchase", None, None, year, nothing, 0, count, paid) for year, count, paid in bought if count]
    for year, count, paid in bought:
        kinds = [sum(c.by_kind[k] for c in money.sites if c.year == year) for k in range(len(money.kinds))]
        rows.append(
            row("year", None, None, year, kinds, sum(f.cents for f in money.fixed if f.year == year), count, paid)
        )
    kinds = [sum(c.by_kind[k] for c in money.sites) for k in range(len(money.kinds))]
    fixed = sum(f.cents for f in money.fixed)
    rows.append(row("total", None, None, None, kinds, fixed, sum(money.bought), sum(money.purchases)))
    return csv_text(header, rows)
