"""Gaussian plumes of local sources: what they add to the air of a site, by wind sector and month.

A sector is named by where the wind comes from: of N sectors, number n is centred on n * 360/N degrees, so number 0
on north. A plume reaches a site when the wind blows from the sector in which the source lies as seen from the site.
Concentrations are enhancements above the air upwind, in kg/m3, at the ground unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.geography.dispersion import (
    NEAREST_M,
    Classes,
    Flags,
    Floats,
    concentration_kg_m3,
    extrapolated,
    floored_wind_m_s,
    numbers,
    sector_mean_kg_m3,
    share_above,
    sigma_y_m,
    sigma_z_m,
    virtual_distance_m,
)

SECONDS_A_YEAR = 365.25 * 86400.0
GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
PARTS = {"mol/mol": 1.0, "ppm": 1e6, "ppb": 1e9, "ppt": 1e12}
# Directions, all round, in which overlapping plumes are added up: .7 degree, below the width of all but the
# farthest stable plumes.
_DIRECTIONS = 512
_PAIRS_AT_A_TIME = 16384
_SUM_TOLERANCE = 1e-6


def town_strength_kg_s(population: ArrayLike, kg_per_head_a_year: ArrayLike) -> Floats:
    """Return the emission of towns, people times a stated emission per head and year of 365.25 days, in kg/s.

    Raises ValueError for a value below 0 or not finite.
    """
    people, each = numbers(population, "a population"), numbers(kg_per_head_a_year, "an emission per head")
    return np.asarray(people * each / SECONDS_A_YEAR, dtype=np.float64)


def mole_fraction(
    mass_kg_m3: ArrayLike,
    molar_mass_g_mol: float,
    *,
    unit: str = "ppm",
    temperature_k: ArrayLike = 298.15,
    pressure_hpa: ArrayLike = 1013.25,
) -> Floats:
    """Return the mole fraction of a gas from its mass in a cubic metre of air, in ppm, ppb, ppt or mol/mol.

    All the air counts as dry: moisture makes the dry-air mole fraction larger by up to 4 %.

    Raises ValueError for an unknown unit, or a molar mass, temperature or pressure that is not above 0.

    Source: ideal gas law.
    """
    return np.asarray(
        numbers(mass_kg_m3, "a concentration") / _kg_m3_of_one(molar_mass_g_mol, unit, temperature_k, pressure_hpa)
    )


def mass_kg_m3(
    fraction: ArrayLike,
    molar_mass_g_mol: float,
    *,
    unit: str = "ppm",
    temperature_k: ArrayLike = 298.15,
    pressure_hpa: ArrayLike = 1013.25,
) -> Floats:
    """Return the mass of a gas in a cubic metre of air from its mole fraction, in kg/m3: `mole_fraction` undone."""
    return np.asarray(
        numbers(fraction, "a mole fraction") * _kg_m3_of_one(molar_mass_g_mol, unit, temperature_k, pressure_hpa)
    )


def _kg_m3_of_one(molar_mass_g_mol: float, unit: str, temperature_k: ArrayLike, pressure_hpa: ArrayLike) -> Floats:
    if unit not in PARTS:
        raise ValueError(f"a unit of mole fraction is one of {', '.join(PARTS)}; found {unit!r}")
    molar = numbers(molar_mass_g_mol, "a molar mass", above=True) / 1000.0
    t, p = numbers(temperature_k, "a temperature", above=True), numbers(pressure_hpa, "a pressure", above=True) * 100.0
    return np.asarray(molar * p / (GAS_CONSTANT * t) / PARTS[unit])


def sector_of(bearing_deg: ArrayLike, sectors: int) -> Classes:
    """Return the sector, 0 to N - 1, of each bearing in degrees clockwise from north; an edge belongs to the next.

    Raises ValueError for a bearing that is not finite, or less than one sector.
    """
    return _place(bearing_deg, sectors)[0]


def _place(bearing_deg: ArrayLike, sectors: int) -> tuple[Classes, Floats]:
    """Sector of each bearing, and its offset clockwise from the middle of that sector in radians."""
    if sectors < 1:
        raise ValueError("there must be at least one wind sector")
    width = 360.0 / sectors
    turns = np.mod(numbers(bearing_deg, "a bearing", -np.inf), 360.0) / width
    nearest = np.floor(turns + 0.5)
    return np.mod(nearest, sectors).astype(np.intp), np.asarray(np.radians((turns - nearest) * width))


@dataclass(frozen=True, slots=True)
class Sources:
    """K local sources, in the order of their ids; a single value stands for all of them.

    Attributes:
        strength_kg_s: emission, at least 0.
        height_m: effective height of release, at least 0.
        width_m: width of an area source such as a town, 0 for a point.
        urban: whether the plume spreads over a town (urban widths) or open country.

    """

    strength_kg_s: Floats
    height_m: Floats
    width_m: Floats
    urban: Flags

    @classmethod
    def of(
        cls, strength_kg_s: ArrayLike, *, height_m: ArrayLike = 0.0, width_m: ArrayLike = 0.0, urban: ArrayLike = False
    ) -> Sources:
        """Return checked sources; raise ValueError for a value below 0 or not finite, or lengths that differ."""
        q, h, w, u = np.broadcast_arrays(
            np.atleast_1d(numbers(strength_kg_s, "a strength")),
            numbers(height_m, "a height of release"),
            numbers(width_m, "a width"),
            np.asarray(urban, dtype=np.bool_),
        )
        if q.ndim != 1:
            raise ValueError("sources are a plain list, one value each")
        return cls(*(_fixed(values) for values in (q, h, w, u)))


@dataclass(frozen=True, slots=True)
class Winds:
    """The wind of S sites in 12 months, N sectors and V speed classes.

    Attributes:
        speed_m_s: (V,) speed that stands for each class.
        speed_share: (S, 12, N, V) share of each speed class in the hours of a sector; sums to 1, or to 0 for a
            sector from which no wind blows.
        stability_share: (S, 12, V, 6), or (S, 12, N, V, 6) by sector: share of the classes A to F in the hours of a
            speed class; sums to 1, or to 0 where the speed class does not occur.

    """

    speed_m_s: Floats
    speed_share: Floats
    stability_share: Floats

    @classmethod
    def of(cls, speed_m_s: ArrayLike, speed_share: ArrayLike, stability_share: ArrayLike) -> Winds:
        """Return checked winds; raise ValueError for a value out of range, shapes that disagree, or wrong sums."""
        speed = np.atleast_1d(numbers(speed_m_s, "a wind speed"))
        share = numbers(speed_share, "a share of a speed class")
        stable = numbers(stability_share, "a share of a stability class")
        if share.ndim != 4 or share.shape[1] != 12 or share.shape[3:] != speed.shape or not share.shape[2]:
            raise ValueError(f"shares of speed classes must be (sites, 12, sectors, {speed.size}), found {share.shape}")
        sites, _, sectors, classes = share.shape
        if stable.shape == (sites, 12, classes, 6):
            stable = stable[:, :, None]
        elif stable.shape != (sites, 12, sectors, classes, 6):
            raise ValueError(
                f"shares of stability classes must be ({sites}, 12, {classes}, 6), or by sector "
                f"({sites}, 12, {sectors}, {classes}, 6); found {stable.shape}"
            )
        for what, sums in (("speed", share.sum(axis=-1)), ("stability", stable.sum(axis=-1))):
            if (np.minimum(np.abs(sums - 1.0), sums) > _SUM_TOLERANCE).any():
                raise ValueError(f"shares of {what} classes must sum to 1, or be all 0 where no wind blows")
        if ((stable.sum(axis=-1) < 0.5) & (share > 0.0)).any():
            raise ValueError("a speed class that occurs needs its shares of stability classes")
        wide = np.broadcast_to(stable, (sites, 12, sectors, classes, 6))
        return cls(_fixed(speed), _fixed(share), _view(wide))


@dataclass(frozen=True, slots=True)
class Pairs:
    """Sites and sources within reach, sorted by site, sector and source; P rows.

    A site nearer to a town's middle than half its width stands in it: the pair is then listed once for every
    sector, with no less than a quarter of the width as its distance, the mean way to the upwind half.

    Attributes:
        site: row of the site.
        source: row of the source.
        sector: sector in which the source lies as seen from the site.
        offset_rad: bearing of the source from the middle of that sector, clockwise.
        distance_m: distance used in the formulas, at least 100 m.
        extrapolated: farther than 10 km, where Briggs' widths are an extrapolation.
        too_near: nearer than 100 m, or within the town; counted as said above.

    """

    site: Classes
    source: Classes
    sector: Classes
    offset_rad: Floats
    distance_m: Floats
    extrapolated: Flags
    too_near: Flags


@dataclass(frozen=True, slots=True)
class SectorPlumes:
    """What all sources together add to S sites in 12 months and N sectors.

    Attributes:
        mean_kg_m3: (S, 12, N) mean enhancement while the wind blows from the sector.
        share_above: (S, 12, N) share of the sector's hours above the threshold.
        extrapolated: (S, N) some source of the sector lies beyond 10 km.
        too_near: (S, N) some source is nearer than 100 m, or the site stands in a town.

    """

    mean_kg_m3: Floats
    share_above: Floats
    extrapolated: Flags
    too_near: Flags


@dataclass(frozen=True, slots=True)
class SourcePlumes:
    """What each source alone adds to one site, P rows in the order of `pairs`; means add up to the sector's mean.

    Attributes:
        pairs: the site's sources by sector.
        mean_kg_m3: (P, 12) mean enhancement while the wind blows from the source's sector.
        share_above: (P, 12) share of the sector's hours in which this source alone exceeds the threshold.

    """

    pairs: Pairs
    mean_kg_m3: Floats
    share_above: Floats


def pairs_within_reach(
    site: ArrayLike,
    source: ArrayLike,
    distance_km: ArrayLike,
    bearing_deg: ArrayLike,
    sources: Sources,
    sectors: int = 16,
    *,
    reach_km: float = 50.0,
) -> Pairs:
    """Return the pairs of sites and sources within reach, placed in their sectors and sorted.

    Args:
        site: (P,) rows of sites, from 0.
        source: (P,) rows of sources.
        distance_km: (P,) geodesic distances, at least 0.
        bearing_deg: (P,) bearings from the site to the source, degrees clockwise from north.
        sources: the sources.
        sectors: number of wind sectors.
        reach_km: pairs farther apart are left out; 50 km is assumed.

    Raises:
        ValueError: a row or value is out of range, lengths differ, or a pair is listed twice.

    """
    rows, ids = (np.atleast_1d(np.asarray(values)) for values in (site, source))
    away, bearing = np.atleast_1d(numbers(distance_km, "a distance")), np.atleast_1d(bearing_deg)
    if not (rows.shape == ids.shape == away.shape == bearing.shape and rows.ndim == 1):
        raise ValueError("every pair needs a site, a source, a distance and a bearing")
    if rows.size and not (rows.dtype.kind in "iu" and ids.dtype.kind in "iu"):
        raise ValueError("sites and sources of pairs must be whole numbers (rows of their tables)")
    if (rows < 0).any() or (ids < 0).any() or (ids >= sources.strength_kg_s.size).any():
        raise ValueError(f"pairs must name sites from 0 and sources from 0 to {sources.strength_kg_s.size - 1}")
    sector, offset = _place(bearing, sectors)
    near = away <= numbers(reach_km, "a reach")
    rows, ids, x = rows[near].astype(np.intp), ids[near].astype(np.intp), away[near] * 1000.0
    sector, offset = sector[near], offset[near]
    width = sources.width_m[ids]
    within = 2.0 * x < width
    used = np.maximum(np.where(within, np.maximum(x, width / 4.0), x), NEAREST_M)
    times = np.where(within, sectors, 1)
    sector = np.where(np.repeat(within, times), _counted(times), np.repeat(sector, times))
    offset = np.repeat(np.where(within, 0.0, offset), times)
    columns = [np.repeat(values, times) for values in (rows, ids, used, extrapolated(x), within | (x < NEAREST_M))]
    order = np.lexsort((columns[1], sector, columns[0]))
    rows, ids, used, far, nigh = (values[order] for values in columns)
    sector = sector[order]
    if ((rows[1:] == rows[:-1]) & (ids[1:] == ids[:-1]) & (sector[1:] == sector[:-1])).any():
        raise ValueError("a pair of site and source is listed twice; list each once")
    return Pairs(*(_view(v) for v in (rows, ids, sector, offset[order], used, far, nigh)))


def sector_plumes(
    pairs: Pairs, sources: Sources, winds: Winds, threshold_kg_m3: ArrayLike, *, mixing_height_m: float = 800.0
) -> SectorPlumes:
    """Return what all sources together add to each site, by month and sector.

    The mean adds up the sector means. Hours above the threshold count where the sum of all plumes of the sector,
    each a Gaussian about the bearing of its source, exceeds it for a wind that turns evenly over the sector (parts
    that leave at one edge come back at the other, as in the sector mean), and never less than the hours of one
    source alone. The sum is taken at steps of about .7 degree, so narrower plumes count a little short together.

    Args:
        pairs: from `pairs_within_reach`, with the number of sectors that `winds` has.
        sources: the same sources.
        winds: the winds of the S sites.
        threshold_kg_m3: threshold, above 0, one or (S,).
        mixing_height_m: height of the lid, above 0; 800 m is assumed.

    Raises:
        ValueError: a pair names a site or sector without wind, or a value is out of range.

    Source: `sector_mean_kg_m3`, `share_above`.

    """
    sites, _, sectors, classes, _ = winds.stability_share.shape
    _agree(pairs, winds)
    limit = np.broadcast_to(numbers(threshold_kg_m3, "a threshold", above=True), (sites,))
    wind = floored_wind_m_s(winds.speed_m_s)
    cells = sites * sectors
    cell = pairs.site * sectors + pairs.sector
    held, count = np.unique(cell, return_counts=True)
    slot = np.repeat(np.arange(held.size), count)
    crowded = count[slot] > 1
    steps = max(8, -(-_DIRECTIONS // sectors))
    round_trip = 2.0 * np.pi / sectors
    middle = (np.arange(steps) + 0.5) / steps * round_trip
    mean_of_one = np.zeros((cells, 6))
    above = np.zeros((cells, classes, 6))
    for stability in np.flatnonzero(winds.stability_share.any(axis=(0, 1, 2, 3))):
        total, summed = np.zeros(held.size), np.zeros((held.size, steps))
        most = np.zeros((held.size, classes))
        for start in range(0, cell.size, _PAIRS_AT_A_TIME):
            part = slice(start, start + _PAIRS_AT_A_TIME)
            plume = _one_metre_a_second(pairs, part, sources, int(stability), sectors, mixing_height_m)
            groups, begin = np.unique(slot[part], return_index=True)
            total[groups] += np.add.reduceat(plume.mean, begin)
            alone = plume.share_above(wind, limit[pairs.site[part]], sectors)
            most[groups] = np.maximum(most[groups], np.maximum.reduceat(alone, begin))
            many = crowded[part]
            if many.any():
                turn = middle - pairs.offset_rad[part][many, None]
                turn -= round_trip * np.round(turn / round_trip)
                turn *= (plume.arc / plume.sigma_y)[many, None]
                turn *= turn
                turn *= -0.5
                np.exp(turn, out=turn)
                turn *= plume.axis[many, None]
                groups, begin = np.unique(slot[part][many], return_index=True)
                summed[groups] += np.add.reduceat(turn, begin)
        mean_of_one[held, stability] = total
        # Between neighbouring directions the logarithm of the sum counts as straight.
        level = np.log(np.maximum(summed, np.finfo(np.float64).tiny))
        for v in range(classes):
            over = level - np.log(limit[held // sectors] * wind[v])[:, None]
            after = np.roll(over, -1, axis=1)
            up = np.maximum(over, 0.0) + np.maximum(after, 0.0)
            span = np.maximum(np.abs(over) + np.abs(after), np.finfo(np.float64).tiny)
            above[held, v, stability] = np.maximum(most[:, v], np.mean(up / span, axis=1))
    flags = [np.zeros(cells, dtype=np.bool_) for _ in range(2)]
    for flag, of_pair in zip(flags, (pairs.extrapolated, pairs.too_near), strict=True):
        flag[cell[of_pair]] = True
    mean = np.einsum(
        "smnv,smnvc,snc,v->smn",
        winds.speed_share,
        winds.stability_share,
        mean_of_one.reshape(sites, sectors, 6),
        1 / wind,
    )
    share = np.einsum(
        "smnv,smnvc,snvc->smn", winds.speed_share, winds.stability_share, above.reshape(sites, sectors, classes, 6)
    )
    return SectorPlumes(
        _view(mean), _view(np.minimum(share, 1.0)), *(_view(flag.reshape(sites, sectors)) for flag in flags)
    )


def source_plumes(
    site: int, pairs: Pairs, sources: Sources, winds: Winds, threshold_kg_m3: float, *, mixing_height_m: float = 800.0
) -> SourcePlumes:
    """Return what each source alone adds to one site; arguments and errors as for `sector_plumes`."""
    _agree(pairs, winds)
    rows = np.flatnonzero(pairs.site == site)
    own = Pairs(*(_view(getattr(pairs, field.name)[rows]) for field in fields(Pairs)))
    limit = np.broadcast_to(numbers(threshold_kg_m3, "a threshold", above=True), rows.shape)
    sectors, wind = winds.speed_share.shape[2], floored_wind_m_s(winds.speed_m_s)
    mean, share = np.zeros((rows.size, 12)), np.zeros((rows.size, 12))
    for stability in range(6):
        plume = _one_metre_a_second(own, slice(None), sources, stability, sectors, mixing_height_m)
        joint = (winds.speed_share[site] * winds.stability_share[site, ..., stability])[:, own.sector]
        mean += np.einsum("mpv,p,v->pm", joint, plume.mean, 1.0 / wind)
        share += np.einsum("mpv,pv->pm", joint, plume.share_above(wind, limit, sectors))
    return SourcePlumes(own, _view(mean), _view(np.minimum(share, 1.0)))


@dataclass(frozen=True, slots=True)
class _Plumes:
    """Plumes of some pairs in one stability class at 1 m/s; concentrations go with 1/u."""

    arc: Floats
    sigma_y: Floats
    axis: Floats
    mean: Floats

    def share_above(self, wind: Floats, limit: Floats, sectors: int) -> Floats:
        axis = self.axis[:, None] / wind
        return share_above(axis, limit[:, None], self.sigma_y[:, None], self.arc[:, None], sectors)


def _one_metre_a_second(
    pairs: Pairs, part: slice, sources: Sources, stability: int, sectors: int, mixing_height_m: float
) -> _Plumes:
    k, x = pairs.source[part], pairs.distance_m[part]
    q, h, town = sources.strength_kg_s[k], sources.height_m[k], sources.urban[k]
    arc = x + virtual_distance_m(sources.width_m[k], stability, urban=town)
    sy = sigma_y_m(arc, stability, urban=town)
    sz = sigma_z_m(x, stability, urban=town, mixing_height_m=mixing_height_m)
    axis = concentration_kg_m3(q, 1.0, sy, sz, height_m=h)
    return _Plumes(arc, sy, axis, sector_mean_kg_m3(q, 1.0, sz, arc, sectors, height_m=h))


def _agree(pairs: Pairs, winds: Winds) -> None:
    sites, _, sectors, _ = winds.speed_share.shape
    if pairs.site.size and (pairs.site.max() >= sites or pairs.sector.max() >= sectors):
        raise ValueError(f"pairs name a site or sector beyond the {sites} sites and {sectors} sectors with wind")


def _counted(times: Classes) -> Classes:
    """0, 1, ... times - 1 for each entry, one after the other."""
    return np.asarray(np.arange(times.sum()) - np.repeat(np.cumsum(times) - times, times), dtype=np.intp)


def _fixed(values: NDArray[Any]) -> NDArray[Any]:
    return _view(values.copy())


def _view(values: NDArray[Any]) -> NDArray[Any]:
    values.flags.writeable = False
    return values
