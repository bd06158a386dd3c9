"""One site explained: fetch and wind by sector, plume by source, and the reasoning in words."""

from __future__ import annotations

import numpy as np

from siting.derive.asked import Asked
from siting.derive.attributes import STANDS_OUT, Attributes, plume_winds, threshold_kg_m3
from siting.derive.earth import Earth
from siting.derive.emissions import EMITTED, PER_HEAD
from siting.derive.files import attributes_of
from siting.geography.plumes import mole_fraction, source_plumes

POINTS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")
SEASONS = ((0, "Jan"), (3, "Apr"), (6, "Jul"), (9, "Oct"))
MOST_SOURCES = 12
# From here on land may be a mountain's foot, and winds of the grid mean little.
HIGH_LAND_M = 1000.0


def explanation(asked: Asked, earth: Earth, row: int) -> list[str]:
    """Return lines of at most 80 columns, prose unwrapped, that explain one candidate."""
    found = attributes_of(asked, earth, [row])
    return [
        *_place(asked, found, row),
        "",
        *_sectors(asked, found),
        "",
        *_sources(asked, found),
        "",
        *_reasoning(asked, found, float(asked.elevation_m[row])),
    ]


def _middle(found: Attributes) -> int:
    """Return the position that stands for a candidate: the middle one of its track."""
    return found.places.lat.size // 2


def _place(asked: Asked, found: Attributes, row: int) -> list[str]:
    c, p = asked.region.candidates, _middle(found)
    lat, lon = found.places.lat[p], found.places.lon[p]
    where = f"{abs(lat):.2f} {'N' if lat >= 0 else 'S'} {abs(lon):.2f} {'E' if lon >= 0 else 'W'}"
    count = found.places.lat.size
    lines = [f"{c.ids[row]} ({c.names[row]}), {where}" + (f", middle of {count} positions" if count > 1 else "")]
    if found.coast_km[0] <= 2.0 or found.fetch.islet[p]:
        stands = "on an islet" if found.fetch.islet[p] else "at the coast"
    else:
        stands = "inland" if found.fetch.on_land[p] else "at sea"
    height = asked.elevation_m[row]
    told = f"{height:.0f} m given" if np.isfinite(height) else "height not given"
    lines.append(
        f"Stands {stands}, {found.coast_km[0]:.1f} km from the coast; ground of the grid "
        f"{found.ground_m[0]:.0f} m, {told}."
    )
    return lines


def _sectors(asked: Asked, found: Attributes) -> list[str]:
    p, n = _middle(found), asked.rules.sectors
    hours = found.wind.joint[p].sum(axis=-1)
    lines = ["from    fetch km  " + "  ".join(f"{name:>5}" for _, name in SEASONS) + "   year  accepted"]
    for s in range(n):
        name = POINTS[s] if n == 16 else f"{360.0 * s / n:.0f}"
        months = "  ".join(f"{100 * hours[m, s]:4.0f}%" for m, _ in SEASONS)
        if found.accepted[p, s]:
            why = "yes"
        elif found.shut[p, s]:
            why = "no: listed source"
        else:
            why = "no: land"
        km = found.fetch.km[p, s]
        far = f"{km:8.0f}" if km < 1999.5 else "   2000+"
        lines.append(f"{name:<6}  {far}  {months}  {100 * hours[:, s].mean():4.0f}%  {why}")
    months = "  ".join(f"{100 * found.exposure[0, m]:4.0f}%" for m, _ in SEASONS)
    lines.append(f"clean hours       {months}  {100 * found.exposure[0].mean():4.0f}%")
    return lines


def _sources(asked: Asked, found: Attributes) -> list[str]:
    if not found.known.any():
        return ["Contamination: nothing is known of what towns emit of these gases, so nothing was derived."]
    t = int(np.argmax(found.known))
    tracer, p = asked.tracers[t], _middle(found)
    plumes = source_plumes(
        p,
        found.upwind.pairs,
        found.upwind.sources[t],
        plume_winds(found.wind),
        threshold_kg_m3(tracer),
        mixing_height_m=asked.rules.mixing_height_m,
    )
    if plumes.pairs.site.size == 0:
        return [f"No town or listed source lies within reach; no contamination by {tracer.name} is expected."]
    hours = found.wind.joint[p].sum(axis=-1)
    mean = mole_fraction(plumes.mean_kg_m3, EMITTED[tracer.name].molar_mass_g_mol, unit=tracer.unit)
    often = hours[:, plumes.pairs.sector].T
    year, above = (mean * often).mean(axis=1), (plumes.share_above * often).mean(axis=1)
    names = np.array(found.upwind.names, dtype=object)[plumes.pairs.source]
    totals: dict[str, list[float]] = {}
    for k, name in enumerate(names.tolist()):
        one = totals.setdefault(name, [0.0, 0.0, float(plumes.pairs.distance_m[k]), float(plumes.pairs.sector[k])])
        one[0] += float(year[k])
        one[1] += float(above[k])
    lines = [f"{'source':<28}  from    km  mean of all hours  hours above"]
    order = sorted(totals.items(), key=lambda item: (-item[1][0], item[0]))
    for name, (amount, share, metres, sector) in order[:MOST_SOURCES]:
        s = int(sector)
        point = POINTS[s] if asked.rules.sectors == 16 else f"{360.0 * s / asked.rules.sectors:.0f}"
        amounts = f"{amount:11.4f} {tracer.unit}  {100 * share:9.2f} %"
        lines.append(f"{name[:28]:<28}  {point:<4}  {metres / 1000:4.0f}  {amounts}")
    if len(order) > MOST_SOURCES:
        lines.append(f"and {len(order) - MOST_SOURCES} more")
    return lines


def _reasoning(asked: Asked, found: Attributes, height: float) -> list[str]:
    r, p = asked.rules, _middle(found)
    accepted = int(found.accepted[p].sum())
    lines = []
    if found.mountain[0]:
        lines.append(
            "A mountain: air from all sides counts, but only in hours without upslope air "
            f"({100 * r.mountain_hours:.0f} %, assumed). The grids here know no slope winds; ask someone who knows "
            "the place."
        )
    else:
        lines.append(
            f"{accepted} of {r.sectors} wind sectors have at least {r.fetch_km:g} km of water or polar ice upwind and "
            "no listed source. Fetch is the median of five rays a sector."
        )
    wind = "your winds.csv" if found.wind.given[p] else "a monthly climatology (2.5 degrees)"
    steady = found.wind.steadiness[p]
    rest = f"; steadiness {np.nanmin(steady):.2f} to {np.nanmax(steady):.2f}" if np.isfinite(steady).any() else ""
    lines.append(
        f"Wind from {wind}{rest}. Hours with less than {r.least_wind:g} m/s do not count: "
        f"{100 * found.exposure[0].mean():.0f} % of the year's hours are clean."
    )
    if not found.mountain[0] and found.ground_m[0] > HIGH_LAND_M and np.isnan(height):
        lines.append("If it is a mountain, give elevation_m: the grid cuts peaks, and a mountain is judged otherwise.")
    if not found.wind.given[p] and (found.mountain[0] or found.ground_m[0] > HIGH_LAND_M):
        lines.append("Over high ground the climatology is unreliable.")
    if found.known.any():
        t = int(np.argmax(found.known))
        tracer = asked.tracers[t]
        which = "clean" if found.exposure[0].any() else "year's"
        lines.append(
            f"Contamination counts above {STANDS_OUT * tracer.synoptic_sd:.3g} {tracer.unit} of {tracer.name}, half "
            f"the scatter of background air: {100 * found.risk[0].mean():.2f} % of the {which} hours, "
            f"which adds {(found.size[t, 0] * found.risk[0]).mean():.2g} {tracer.unit} on average; "
            f"{found.outside[t, 0].mean():.2g} {tracer.unit} on average in the hours that do not count. Emission per "
            f"head: {PER_HEAD}."
        )
    if found.rough[0]:
        lines.append("Some plumes reach beyond 10 km or begin very near, where their widths are an extrapolation.")
    return lines
