"""What people see of the supply: words and table for the terminal, supply.csv and supply.geojson."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from siting.assessment.supply import LegUse, SupplyStatement
from siting.geography.geodesy import great_circle
from siting.outputs.columns import text_table
from siting.outputs.geojson import dumps, feature, feature_collection
from siting.outputs.lines import counted, wrapped
from siting.outputs.tables import amount, table
from siting.planning import Planning
from siting.region.plain import listed
from siting.supply.estimate import rule_words

NAME = "supply.geojson"
TABLE = "supply.csv"


def supply_text(planning: Planning, supply: SupplyStatement, width: int) -> str:
    """Return the supply of a layout for the terminal: sentences, then the table of turnaround by site."""
    if not any(site.boxes for site in supply.sites):
        return ""
    lines = [wrapped(f"- {line}", width) for line in sentences(planning, supply)]
    rows = [
        (
            site.id,
            f"{site.calls:.3g}",
            f"{site.longest_gap:.0f}",
            f"{site.out_days:.0f}+{site.home_days:.0f}",
            f"{site.mean_flasks:.0f}",
            f"{site.peak_flasks}",
            f"{site.boxes}",
            _money(site.alone),
            _money(site.beside),
        )
        for site in supply.sites
        if site.boxes
    ]
    heads = ("site", "calls", "wait", "way", "mean", "peak", "boxes", "alone", "beside")
    title = (
        "Turnaround (calls a year; wait: longest days from call to call; way: days out + home on the longest; mean, "
        "peak: flasks in circulation; boxes a year each way; transport in the window: alone, and beside the others)"
    )
    shown = text_table(heads, rows, width, left=1, drop=(6, 2, 4, 3), instead=TABLE)
    return "\n".join(["Supply", *lines, wrapped(title, width), shown])


def sentences(planning: Planning, supply: SupplyStatement) -> list[str]:
    """Return what a planner should know of the supply, the most important first."""
    currency = planning.region.settings.currency
    of = "" if supply.stock is None else f" of {supply.stock:,} at hand"
    said = [
        f"{supply.mean_flasks:,.0f} flasks are in circulation on average, {supply.peak_flasks:,}{of} at the peak "
        "(on site, under way, in the laboratory)."
    ]
    oldest = max((s for s in supply.sites if s.flasks), key=lambda s: (s.oldest, s.id), default=None)
    if oldest is not None:
        said.append(f"The oldest sample is {oldest.oldest:.0f} days old when it comes home, from {oldest.id}.")
    if supply.any_legs:
        boxes = sum(site.boxes for site in supply.sites if site.way_home)
        freight = sum(site.freight for site in supply.sites)
        fixed = sum(cents for _, cents, _ in supply.fixed_by_name)
        said.append(
            f"{counted(len(supply.legs), 'leg')} in use carry {boxes:,} boxes a year each way; in the window freight "
            f"and broken flasks cost {_money(freight)} {currency}, fixed costs {_money(fixed)}."
        )
    for name, cents, users in supply.fixed_by_name:
        how = "shared by" if len(users) > 1 else "paid by"
        said.append(f"{name}: {_money(cents)} {currency}, {how} {listed(users)}.")
    for site in supply.sites:
        if site.shared_with and site.beside < site.alone:
            only = "" if site.affordable_alone else "; the budget would not bear it alone"
            said.append(
                f"{site.id}: transport costs {_money(site.alone)} alone, {_money(site.beside)} beside "
                f"{listed(site.shared_with)}{only}."
            )
    guessed = [site.id for site in supply.sites if site.estimated]
    if guessed:
        said.append(f"Assumed for {listed(guessed)}, where no leg leads: {rule_words(planning.region)}.")
    plain = [site.id for site in supply.sites if site.boxes and not site.way_home and not site.estimated]
    if plain:
        days = planning.region.settings.laboratory.way_days
        words = f"No leg leads to {listed(plain)}: {days:g} days each way, and no freight beside the site's costs"
        said.append(f"{words}{_estimate_hint(planning)}.")
    return said


def _estimate_hint(planning: Planning) -> str:
    """Say how an estimate would come about where only the place of the laboratory is missing for it."""
    region = planning.region
    laboratory = region.settings.laboratory
    if not region.settings.supply.estimate or not np.isfinite(region.distances_km).any():
        return ""
    return "" if laboratory.lat is not None else "; with laboratory.lat and laboratory.lon they would be estimated"


def supply_rows(supply: SupplyStatement) -> list[dict[str, object]]:
    """Return the rows of supply.csv."""
    return [
        {
            "id": site.id,
            "plan": site.plan,
            "way_out": site.way_out,
            "way_home": site.way_home,
            "source": "legs" if site.way_home else "estimated" if site.estimated else "assumed days",
            "calls_per_year": round(site.calls, 3),
            "mean_wait_days": round(site.mean_wait, 1),
            "longest_gap_days": round(site.longest_gap, 1),
            "out_days": round(site.out_days, 1),
            "home_days": round(site.home_days, 1),
            "oldest_sample_days": round(site.oldest, 1) if site.flasks else None,
            "flasks_per_year": round(site.flasks, 1),
            "flasks_mean": round(site.mean_flasks, 1),
            "flasks_at_peak": site.peak_flasks,
            "broken_per_year": round(site.broken, 2),
            "cylinders_per_year": round(site.cylinders, 2),
            "boxes_per_year": site.boxes,
            "freight": amount(site.freight),
            "transport_alone": amount(site.alone),
            "transport_beside_others": amount(site.beside),
            "shared_with": " ".join(site.shared_with),
            "affordable_alone": "yes" if site.affordable_alone else "no",
        }
        for site in supply.sites
    ]


def supply_csv(supply: SupplyStatement) -> str:
    """Return supply.csv: one row a picked site."""
    rows = supply_rows(supply)
    return table(rows, list(rows[0]) if rows else ["id"])


def supply_geojson(supply: SupplyStatement) -> str:
    """Return supply.geojson: the legs in use as great circles, cut at 180 degrees; both ends must be known."""
    found = []
    for leg in supply.legs:
        properties: Mapping[str, object] = {
            "leg": leg.number,
            "from": leg.begin,
            "to": leg.end,
            "mode": leg.mode,
            "days": leg.days,
            "voyage": leg.voyage or None,
            "boxes_out_per_year": leg.boxes_out,
            "boxes_home_per_year": leg.boxes_home,
            "freight": leg.freight / 100,
            "fixed_cost": leg.fixed / 100,
            "sites": list(leg.users),
            "fixed_cost_per_site": round(leg.fixed / 100 / len(leg.users), 2),
        }
        points = leg_points(leg)
        shape = None if points is None or len(points) < 2 else shapely.LineString(points)
        found.append(feature(shape, properties, leg.number))
    return dumps(feature_collection(found))


def leg_points(leg: LegUse) -> Sequence[tuple[float, float]] | None:
    """Return the great circle of a leg as (lon, lat), None where an end is unknown or both are one place."""
    if leg.begin_at is None or leg.end_at is None or leg.begin_at == leg.end_at:
        return None
    return [(float(lon), float(lat)) for lon, lat in great_circle(*leg.begin_at, *leg.end_at)]


def _money(cents: int) -> str:
    return f"{cents / 100:,.0f}"
