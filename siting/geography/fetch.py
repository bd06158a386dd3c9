"""Way over water upwind of a place, by wind sector: geodesic rays until they meet the coast.

Rays leave a place evenly all round; the fetch of a sector is the median of its rays. Sector n of N is centred
on n x 360/N degrees clockwise from north. At a pole, where every direction is south or north, directions are counted
from the meridian of the place's own longitude.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from siting.geography.coast import RADIUS_KM, Coast
from siting.geography.geodesy import checked_latitudes, checked_longitudes, distance_km, unit_vectors

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LIMIT_KM = 2000.0
# A station this near to the coast stands on it: so much land does not end the fetch at its beginning.
SNAP_KM = 2.0
# A slanting ray from such a station crosses more land than that.
LEAVES_KM = 5.0
# Islets so near to a place count as its own group.
GROUP_KM = 25.0
# Rays a sector; an odd number has one in its middle.
RAYS = 5
ISLET_KM2 = 200.0


@dataclass(frozen=True, eq=False)
class Fetch:
    """Fetch of n places: `km` (n, N) by sector, `rays_km` (n, N, rays), `on_land` and `islet` (n,).

    `on_land` says whether a place stands on land other than a small island, `islet` whether it stands on a small
    one or within 2 km of it. Fetch is at most the limit it was asked for.
    """

    km: Floats
    rays_km: Floats
    on_land: Flags
    islet: Flags


def fetch(
    coast: Coast,
    lat: ArrayLike,
    lon: ArrayLike,
    *,
    sectors: int = 16,
    limit_km: float = LIMIT_KM,
    islet_km2: float = ISLET_KM2,
    rays: int = RAYS,
) -> Fetch:
    """Return the over-water fetch of places (n,) in degrees, by wind sector.

    A ray ends where it first meets land. From a place on land it is 0, unless the coast lies within 2 km of the
    place and the ray leaves the land within 5 km: then it counts from there. Islands smaller than `islet_km2`
    within 25 km are left out: neither its own shore nor a skerry off it shelters a station.

    Raises ValueError for places out of range, and for less than one sector or ray, or a limit that is not above 0.
    """
    phi, lam = checked_latitudes(np.atleast_1d(lat)), checked_longitudes(np.atleast_1d(lon))
    if sectors < 1 or rays < 1:
        raise ValueError("there must be at least one sector and one ray a sector")
    if not (np.isfinite(limit_km) and 0.0 < limit_km <= 15_000.0):
        raise ValueError(f"the limit of a fetch must be above 0 and at most 15,000 km, found {limit_km:g}")
    n, count = phi.size, sectors * rays
    place, part = coast.parts_at(phi, lam)
    here = unit_vectors(phi, lam)
    out = np.empty((n, count))
    on_land, islet = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    end = np.full((n, count, 3), np.nan)
    begin = np.full((n, count, 3), np.nan)
    for i in range(n):
        under = part[place == i]
        near = coast.parts_near(here[i], SNAP_KM)
        own = np.union1d(under, near)
        islet[i] = bool((coast.area_km2[own] <= islet_km2).any())
        group = np.union1d(own, coast.parts_near(here[i], GROUP_KM))
        small = group[coast.area_km2[group] <= islet_km2]
        on_land[i] = bool((coast.area_km2[under] > islet_km2).any())
        pieces = coast.within(here[i], limit_km)
        pieces = pieces[~np.isin(coast.part[pieces], small)]
        ray, angle, point = _crossings(phi[i], lam[i], coast.first[pieces], coast.second[pieces], count, rays)
        order = np.lexsort((angle, ray))
        ray, angle, point = ray[order], angle[order], point[order]
        first = np.searchsorted(ray, np.arange(count))
        met = np.searchsorted(ray, np.arange(count), side="right") - first
        if on_land[i]:
            at = np.minimum(first, max(ray.size - 1, 0))
            leaves = (met > 0) & (angle[at] * RADIUS_KM <= LEAVES_KM) if ray.size else np.zeros(count, dtype=bool)
            leaves &= bool(np.isin(under, near).any())
            begin[i, leaves] = point[first[leaves]]
            first, met = first + 1, met - 1
            out[i] = np.where(leaves, limit_km, 0.0)
            ends = leaves & (met > 0)
        else:
            out[i] = limit_km
            ends = met > 0
        end[i, ends] = point[first[ends]]
    _measure(phi, lam, begin, end, out, limit_km)
    by_ray = out.reshape(n, sectors, rays)
    return Fetch(*(_fixed(a) for a in (np.median(by_ray, axis=2), by_ray, on_land, islet)))


def _crossings(
    lat: float, lon: float, first: Floats, second: Floats, count: int, rays: int
) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Return for every crossing of a ray with a piece of coast: the ray, the angle to it, and the point (3,).

    Ray j leaves at (j - (rays - 1)/2) steps clockwise from north, so that each sector's middle is that of its
    rays. Along a great circle the bearing from a place turns one way and by less than half a turn, so the rays
    between the bearings of both ends are those that cross.
    """
    up = unit_vectors(lat, lon)[0]
    phi, lam = np.radians(lat), np.radians(lon)
    north = np.array([-np.sin(phi) * np.cos(lam), -np.sin(phi) * np.sin(lam), np.cos(phi)])
    east = np.array([-np.sin(lam), np.cos(lam), 0.0])
    step, shift = 2.0 * np.pi / count, (rays - 1) / 2.0
    turn1 = np.arctan2(first @ east, first @ north) / step + shift
    turn2 = np.arctan2(second @ east, second @ north) / step + shift
    way = (turn2 - turn1 + count / 2.0) % count - count / 2.0
    # A piece that begins where another ends begins at the very same number, or a ray could slip between them.
    end = np.where(np.abs(turn1 + way - turn2) < 1e-6, turn2, turn1 + way)
    wraps = end != turn2
    end = np.where(wraps, turn2 + np.where(end > turn2, count, -count), end)
    begin, last = np.floor(np.minimum(turn1, end)), np.floor(np.maximum(turn1, end))
    times = (last - begin).astype(np.intp)
    row = np.repeat(np.arange(times.size), times)
    number = begin[row] + 1.0 + (np.arange(row.size) - np.repeat(np.cumsum(times) - times, times))
    bearing = (number - shift) * step
    # Normal of the ray's plane: the direction at right angles to it, on its left.
    normal = np.sin(bearing)[:, None] * north - np.cos(bearing)[:, None] * east
    side1, side2 = (normal * first[row]).sum(axis=1), (normal * second[row]).sum(axis=1)
    point = first[row] * np.abs(side2)[:, None] + second[row] * np.abs(side1)[:, None]
    flat = np.linalg.norm(point, axis=1) < 1e-15  # a piece that lies along the ray
    point[flat] = first[row[flat]]
    point /= np.linalg.norm(point, axis=1, keepdims=True)
    ahead = np.cos(bearing) * (point @ north) + np.sin(bearing) * (point @ east)
    angle = np.arctan2(ahead, point @ up)
    angle = np.where(angle < 0.0, angle + 2.0 * np.pi, angle)
    return np.mod(number, count).astype(np.intp), np.asarray(angle), point


def _measure(lat: Floats, lon: Floats, begin: Floats, end: Floats, out: Floats, limit_km: float) -> None:
    """Set the fetch of the rays that end at a coast, from the place itself or from where the ray left the land."""
    place, ray = np.nonzero(np.isfinite(end[:, :, 0]))
    if place.size == 0:
        return
    to = end[place, ray]
    from_lat, from_lon = lat[place].copy(), lon[place].copy()
    left = np.isfinite(begin[place, ray, 0])
    from_lat[left], from_lon[left] = _degrees(begin[place, ray][left])
    out[place, ray] = np.minimum(distance_km(from_lat, from_lon, *_degrees(to)), limit_km)


def _degrees(directions: Floats) -> tuple[Floats, Floats]:
    lat = np.degrees(np.arctan2(directions[:, 2], np.hypot(directions[:, 0], directions[:, 1])))
    return np.clip(lat, -90.0, 90.0), np.degrees(np.arctan2(directions[:, 1], directions[:, 0]))


def _fixed(array: NDArray[Any]) -> NDArray[Any]:
    array = np.ascontiguousarray(array)
    array.setflags(write=False)
    return array
