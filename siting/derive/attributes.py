"""Exposure, contamination and heights of places from land, wind and sources: the chain of section 9, on arrays.

An hour counts as background air if the wind comes from an accepted sector (enough way over water or polar ice, or a
mountain far above its surroundings; no listed source upwind) and is not too weak.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from pyproj import Geod

from siting.derive.earth import Earth
from siting.derive.emissions import EMITTED, town_width_m
from siting.geography.dispersion import stability_frequency
from siting.geography.fetch import Fetch, fetch
from siting.geography.opendata import Named
from siting.geography.places import Places
from siting.geography.plumes import (
    Pairs,
    SectorPlumes,
    Sources,
    Winds,
    mass_kg_m3,
    mole_fraction,
    pairs_within_reach,
    sector_plumes,
    town_strength_kg_s,
)
from siting.geography.winds import GivenWinds, class_speeds, conditional, sector_speed_shares, speed_edges

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]

# Ground higher than this stands above the air near the surface for most of the day (common practice, no single source).
HIGH_M = 2500.0
# Plumes above this share of the air's own scatter (synoptic_sd) count as contamination.
STANDS_OUT = 0.5
# Wind that comes this far over water is neutral: water hardly warms and cools within a day.
SEA_KM = 20.0
_GEOD = Geod(ellps="WGS84")


@dataclass(frozen=True, eq=False)
class Rules:
    """What decides: thresholds of `[geography]`, as the page of fields tells them."""

    sectors: int
    fetch_km: float
    least_wind: float
    source_reach_km: float
    town_reach_km: float
    mixing_height_m: float
    land_steadiness: float
    islet_km2: float
    mountain_above_m: float
    mountain_hours: float


@dataclass(frozen=True, eq=False)
class Tracer:
    """A gas of the region: name, unit and the scatter of its background air (synoptic_sd)."""

    name: str
    unit: str
    synoptic_sd: float


@dataclass(frozen=True, eq=False)
class Listed:
    """Listed sources: ids, places (k,), heights (k,) in m, strengths (tracers, k) in kg/s."""

    ids: tuple[str, ...]
    lat: Floats
    lon: Floats
    height_m: Floats
    strength_kg_s: Floats


@dataclass(frozen=True, eq=False)
class Wind:
    """Wind of m positions: `joint` (m, 12, N, V) shares of hours, `edges` and `speed` (V,) of the speed classes.

    `stability` (m, 12, N, V, 6) are shares of the classes A to F; `given` (m,) tells where winds.csv gave it,
    `steadiness` (m, 12) of the vector over the scalar mean, NaN where given.
    """

    joint: Floats
    edges: Floats
    speed: Floats
    stability: Floats
    given: Flags
    steadiness: Floats


@dataclass(frozen=True, eq=False)
class Upwind:
    """Sources near positions: all of them, their pairs, the names, and which are listed."""

    sources: tuple[Sources, ...]
    pairs: Pairs
    names: tuple[str, ...]
    listed: Flags


@dataclass(frozen=True, eq=False)
class Attributes:
    """What was derived for n candidates at m positions; shares are 0 to 1, months run from January.

    By candidate: `exposure` (n, 12) before `accepted_hours` (n,), `risk` (n, 12), `size` (tracers, n, 12) in
    the tracers' units, `outside` (tracers, n, 12) mean enhancement in the hours that are not accepted, `coast_km`,
    `ground_m` (n,) of the elevation grid, `mountain`, `rough` (n,): some plume is extrapolated or too near.
    By position: `fetch`, `accepted` and `shut` (m, N; shut by a listed source), `wind`, `upwind`.
    `known` (tracers,) tells for which gases towns and plumes could be worked out.
    """

    places: Places
    exposure: Floats
    accepted_hours: Floats
    risk: Floats
    size: Floats
    outside: Floats
    coast_km: Floats
    ground_m: Floats
    mountain: Flags
    rough: Flags
    known: Flags
    fetch: Fetch
    accepted: Flags
    shut: Flags
    wind: Wind
    upwind: Upwind


def attributes(
    earth: Earth,
    places: Places,
    elevation_m: Floats,
    rules: Rules,
    tracers: tuple[Tracer, ...],
    listed: Listed,
    given: Mapping[int, GivenWinds],
) -> Attributes:
    """Return what the geography tells of candidates; `elevation_m` (n,) is NaN where nobody gave it.

    `given` holds the winds of candidates (by number, at one place) that the user gave; months without them take
    those of the climatology.

    Raises ValueError for places that are out of range.
    """
    lat, lon, owner = places.lat, places.lon, places.owner
    found = fetch(earth.green, lat, lon, sectors=rules.sectors, islet_km2=rules.islet_km2)
    ground = earth.elevation.at(lat, lon)
    mean_ground = _mean(ground, places)
    height = np.where(np.isfinite(elevation_m), elevation_m, mean_ground)
    mountain = (height - mean_ground >= rules.mountain_above_m) | (height >= HIGH_M)
    wind = _wind(earth, places, rules, found, given)
    upwind = sources_near(earth, lat, lon, rules, tracers, listed)
    shut = np.zeros((lat.size, rules.sectors), dtype=bool)
    mine = upwind.listed[upwind.pairs.source]
    shut[upwind.pairs.site[mine], upwind.pairs.sector[mine]] = True
    accepted = ((found.km >= rules.fetch_km) | mountain[owner][:, None]) & ~shut
    strong = wind.edges[: wind.speed.size] >= rules.least_wind - 1e-9
    hours = wind.joint[..., strong].sum(axis=-1)
    clean = hours * accepted[:, None, :]
    exposure = clean.sum(axis=2)
    wind_strong = replace(wind, joint=wind.joint * strong)
    plumes = [_plumes(t, k, upwind, wind_strong, rules) for k, t in enumerate(tracers)]
    known = np.array([p is not None for p in plumes])
    n = places.count
    risk, size, outside = np.zeros((n, 12)), np.zeros((len(tracers), n, 12)), np.zeros((len(tracers), n, 12))
    rough = np.zeros(n, dtype=bool)
    # Where no hour is accepted the numbers describe all hours, so that a plan that goes there all the same is warned.
    counted = np.where((_mean(exposure, places) > 0.0)[owner][:, :, None], clean, hours)
    weight = counted * places.weight[:, None, None]
    total = _sum(weight.sum(axis=2), places)
    rest = (hours - clean) * places.weight[:, None, None]
    rest_total = _sum(rest.sum(axis=2), places)
    first = int(np.argmax(known)) if known.any() else -1
    for k, plume in enumerate(plumes):
        if plume is None:
            continue
        if k == first:
            above = _sum((weight * plume.share_above).sum(axis=2), places)
            risk = np.divide(above, total, out=np.zeros_like(above), where=total > 0.0)
            risk = np.where(risk < 5e-5, 0.0, np.minimum(risk, 1.0))
            flags = (plume.extrapolated | plume.too_near) & (accepted | ~accepted.any(axis=1, keepdims=True))
            rough = np.bincount(owner, weights=flags.any(axis=1), minlength=n) > 0
        unit, molar = tracers[k].unit, EMITTED[tracers[k].name].molar_mass_g_mol
        mean = _share((weight * plume.mean_kg_m3).sum(axis=2), total, places)
        apart = _share((rest * plume.mean_kg_m3).sum(axis=2), rest_total, places)
        outside[k] = mole_fraction(apart, molar, unit=unit)
        added = mole_fraction(mean, molar, unit=unit)
        size[k] = np.divide(added, risk, out=np.zeros_like(added), where=risk > 0.0)
    return Attributes(
        places=places,
        exposure=np.clip(_mean(exposure, places), 0.0, 1.0),
        accepted_hours=np.where(mountain, rules.mountain_hours, 1.0),
        risk=risk,
        size=size,
        outside=outside,
        coast_km=_mean(earth.coast.distance_km(lat, lon), places),
        ground_m=mean_ground,
        mountain=mountain,
        rough=rough,
        known=known,
        fetch=found,
        accepted=accepted,
        shut=shut,
        wind=wind,
        upwind=upwind,
    )


def _wind(earth: Earth, places: Places, rules: Rules, found: Fetch, given: Mapping[int, GivenWinds]) -> Wind:
    """Return the wind at all positions: given, else a circular normal wind about the climatology's mean vector.

    Its steadiness over the sea is that of ships' reports, over land and where no ship passed the assumed one.
    """
    lat, lon = places.lat, places.lon
    u, v, steadiness = earth.climate.at(lat, lon)
    inland = found.on_land & (np.max(found.km, axis=1) < SEA_KM)
    steady = np.where(np.isfinite(steadiness) & ~inland[:, None], steadiness, rules.land_steadiness)
    steady = np.clip(steady, 0.01, 1.0)
    edges = speed_edges(rules.least_wind)
    joint = np.array(sector_speed_shares(u, v, None, rules.sectors, edges, steadiness=steady))
    classes = class_speeds(edges)
    stability = np.array(stability_frequency(lat, classes, found.km >= SEA_KM))
    told = np.zeros(lat.size, dtype=bool)
    for position, candidate in enumerate(places.owner.tolist()):
        if candidate in given:
            own = given[candidate]
            joint[position, own.given] = own.joint[own.given]
            stability[position, own.given] = own.stability_share[own.given]
            told[position] = True
            steady[position, own.given] = np.nan
    return Wind(joint, edges, classes, stability, told, steady)


def sources_near(
    earth: Earth, lat: Floats, lon: Floats, rules: Rules, tracers: tuple[Tracer, ...], listed: Listed
) -> Upwind:
    """Return listed sources and towns within their reach of positions (m,)."""
    site1, near1 = earth.towns.within(lat, lon, rules.town_reach_km)
    site2, near2 = Named.of(listed.ids, listed.lat, listed.lon, listed.height_m).within(lat, lon, rules.source_reach_km)
    towns = np.unique(near1)
    names = tuple(listed.ids) + tuple(earth.towns.names[k] for k in towns.tolist())
    k = len(listed.ids)
    people = earth.towns.weight[towns]
    height = np.concatenate([listed.height_m, np.zeros(towns.size)])
    width = np.concatenate([np.zeros(k), town_width_m(people)])
    urban = np.concatenate([np.zeros(k, dtype=bool), np.ones(towns.size, dtype=bool)])
    sources = []
    for t, tracer in enumerate(tracers):
        per_head = EMITTED[tracer.name].kg_per_head_a_year if tracer.name in EMITTED else 0.0
        strength = np.concatenate([listed.strength_kg_s[t], town_strength_kg_s(people, per_head)])
        sources.append(Sources.of(strength, height_m=height, width_m=width, urban=urban))
    site = np.concatenate([site2, site1])
    source = np.concatenate([near2, k + np.searchsorted(towns, near1)]).astype(np.intp)
    all_lat = np.concatenate([listed.lat, earth.towns.lat[towns]])
    all_lon = np.concatenate([listed.lon, earth.towns.lon[towns]])
    bearing, _, metres = _GEOD.inv(lon[site], lat[site], all_lon[source], all_lat[source])
    away = np.asarray(metres, dtype=float) / 1000.0
    pairs = pairs_within_reach(
        site,
        source,
        away,
        np.asarray(bearing, dtype=float),
        sources[0],
        rules.sectors,
        reach_km=max(rules.source_reach_km, rules.town_reach_km) + 0.001,
    )
    return Upwind(tuple(sources), pairs, names, np.arange(len(names)) < k)


def threshold_kg_m3(tracer: Tracer) -> float:
    """Return the enhancement above which air counts as contaminated: half the scatter of the background air."""
    molar = EMITTED[tracer.name].molar_mass_g_mol
    return float(mass_kg_m3(STANDS_OUT * tracer.synoptic_sd, molar, unit=tracer.unit))


def plume_winds(wind: Wind) -> Winds:
    """Return the wind as the plumes want it: speeds given the sector."""
    return Winds.of(wind.speed, conditional(wind.joint), wind.stability)


def _plumes(tracer: Tracer, k: int, upwind: Upwind, wind: Wind, rules: Rules) -> SectorPlumes | None:
    if tracer.name not in EMITTED or tracer.unit not in ("ppm", "ppb", "ppt"):
        return None
    return sector_plumes(
        upwind.pairs,
        upwind.sources[k],
        plume_winds(wind),
        threshold_kg_m3(tracer),
        mixing_height_m=rules.mixing_height_m,
    )


def _sum(values: Floats, places: Places) -> Floats:
    """Return sums (n, ...) over the positions of each candidate."""
    out = np.zeros((places.count, *values.shape[1:]))
    np.add.at(out, places.owner, values)
    return out


def _mean(values: Floats, places: Places) -> Floats:
    """Return means (n, ...) over the positions of each candidate, weighted with their time."""
    weight = places.weight.reshape(-1, *([1] * (values.ndim - 1)))
    return _sum(values * weight, places)


def _share(values: Floats, total: Floats, places: Places) -> Floats:
    part = _sum(values, places)
    return np.divide(part, total, out=np.zeros_like(part), where=total > 0.0)
