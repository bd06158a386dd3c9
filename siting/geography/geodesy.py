"""Distances on the WGS 84 ellipsoid, and which sites lie near which.

Latitudes are degrees north, longitudes degrees east; distances are kilometres along the geodesic.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Geod
from scipy.spatial import cKDTree

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_GEOD = Geod(ellps="WGS84")
_A_KM = _GEOD.a / 1000.0
_B_KM = _GEOD.b / 1000.0

# Send each place to the direction of its vertical, (cos lat cos lon, cos lat sin lon, sin lat). A short way
# of d km turns the vertical by d/M along the meridian and d/N across it, and both radii of curvature lie
# between b^2/a (along the meridian at the equator) and a^2/b (at the poles). So for any two places, however
# far apart, b^2/a * angle <= distance <= a^2/b * angle: outside this ring (0.56 % and 0.45 % of the mean
# radius) the angle alone decides, inside it the geodesic does.
_LEAST_RADIUS_KM = _B_KM**2 / _A_KM
_MOST_RADIUS_KM = _A_KM**2 / _B_KM
# Rounding of a chord between unit vectors, generously (6 micrometres on the earth).
_CHORD_SLACK = 1e-12
# Most candidate pairs held at a time (24 bytes each).
_PAIRS_AT_A_TIME = 4_000_000


def checked_latitudes(lat: ArrayLike) -> FloatArray:
    """Return latitudes as floats; raise ValueError unless all are finite and within -90 to 90."""
    values = np.asarray(lat, dtype=np.float64)
    if not np.isfinite(values).all():
        raise ValueError("latitudes must be finite numbers; fill or drop the empty ones first")
    wrong = values[np.abs(values) > 90.0]
    if wrong.size:
        raise ValueError(
            f"latitudes must lie within -90 to 90 degrees, found {wrong.flat[0]:g};"
            " check that latitude and longitude are not swapped"
        )
    return values


def checked_longitudes(lon: ArrayLike) -> FloatArray:
    """Return longitudes as floats; raise ValueError unless all are finite."""
    values = np.asarray(lon, dtype=np.float64)
    if not np.isfinite(values).all():
        raise ValueError("longitudes must be finite numbers; fill or drop the empty ones first")
    return values


def distance_km(lat1: ArrayLike, lon1: ArrayLike, lat2: ArrayLike, lon2: ArrayLike) -> FloatArray:
    """Return the length of the geodesic between places on the WGS 84 ellipsoid, in km.

    The four arguments broadcast against each other; the answer has the common shape (a 0-d array for four
    scalars). Latitudes are degrees north within -90 to 90, longitudes degrees east, any turn.

    Raises ValueError for values that are not finite, and for latitudes out of range.

    Source: C. F. F. Karney, Algorithms for geodesics, Journal of Geodesy 87 (2013), the inverse problem,
    as carried by PROJ; good to nanometres for any two places.
    """
    a, b, c, d = np.broadcast_arrays(
        checked_latitudes(lat1), checked_longitudes(lon1), checked_latitudes(lat2), checked_longitudes(lon2)
    )
    # PROJ takes longitude before latitude.
    metres = _GEOD.inv(b.ravel(), a.ravel(), d.ravel(), c.ravel())[2]
    return np.asarray(metres, dtype=np.float64).reshape(a.shape) / 1000.0


def unit_vectors(lat: ArrayLike, lon: ArrayLike) -> FloatArray:
    """Return the directions of the verticals of n places, (n, 3): x to 0 N 0 E, y to 0 N 90 E, z to the pole.

    `lat` and `lon` are degrees, shape (n,) or broadcast to it.
    Raises ValueError for values that are not finite, for latitudes out of range, and for more than one axis.
    """
    a, b = np.broadcast_arrays(np.atleast_1d(checked_latitudes(lat)), np.atleast_1d(checked_longitudes(lon)))
    if a.ndim != 1:
        raise ValueError("latitudes and longitudes must have one axis")
    phi, lam = np.radians(a), np.radians(b)
    return np.column_stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])


def great_circle(lat1: float, lon1: float, lat2: float, lon2: float, step_km: float = 200.0) -> FloatArray:
    """Return points (k, 2) of longitude and latitude on the great circle between two places.

    Steps are at most `step_km` long on a sphere of the equator's radius; between antipodes one of the many ways is
    taken.
    """
    one, other = unit_vectors([lat1], [lon1])[0], unit_vectors([lat2], [lon2])[0]
    angle = float(np.arctan2(np.linalg.norm(np.cross(one, other)), one @ other))
    count = max(1, int(np.ceil(angle * _A_KM / step_km)))
    if angle < 1e-12:
        return np.array([[lon1, lat1], [lon2, lat2]])
    if np.pi - angle < 1e-9:
        other = unit_vectors([lat2 + (1e-6 if lat2 < 0.0 else -1e-6)], [lon2])[0]
    share = np.linspace(0.0, 1.0, count + 1)[:, None]
    points = (np.sin((1.0 - share) * angle) * one + np.sin(share * angle) * other) / np.sin(angle)
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    lonlat = np.degrees(
        np.column_stack([np.arctan2(points[:, 1], points[:, 0]), np.arcsin(np.clip(points[:, 2], -1.0, 1.0))])
    )
    lonlat[0], lonlat[-1] = (lon1, lat1), (lon2, lat2)
    return np.asarray(lonlat)


def _chord(km: float, radius_km: float) -> float:
    """Return the chord on the unit sphere of `km` along a circle of this radius; 2 from half a turn on."""
    return float(2.0 * np.sin(min(km / radius_km, np.pi) / 2.0))


@dataclass(frozen=True, slots=True, eq=False)
class Neighbours:
    """Finds the sites near a site, on demand, among tens of thousands.

    `lat`, `lon` are degrees, shape (p,): the positions. `owner` (p,) tells to which site, 0 to n - 1, each
    position belongs (a track has several); left out, every position is a site of its own. Two sites are near
    if the geodesic between the nearest of their positions is strictly shorter than the asked distance; no
    site is its own neighbour. Memory grows with the positions and the answer asked for, not with the number
    of pairs.

    Raises ValueError for places that are not finite or out of range, for arrays of unequal length, and for
    a site between 0 and the largest owner that has no position.
    """

    lat: FloatArray
    lon: FloatArray
    owner: IntArray = None  # type: ignore[assignment]
    _tree: Any = field(init=False, repr=False)
    _vectors: FloatArray = field(init=False, repr=False)
    _first: IntArray = field(init=False, repr=False)
    _by_site: IntArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        lat, lon = checked_latitudes(self.lat).copy(), checked_longitudes(self.lon).copy()
        if lat.ndim != 1 or lat.shape != lon.shape:
            raise ValueError("latitudes and longitudes must be arrays of one axis and equal length")
        owner = np.arange(lat.size) if self.owner is None else np.array(self.owner)
        if owner.shape != lat.shape or (owner.size and owner.dtype.kind not in "iu"):
            raise ValueError("owner must hold one whole number, the index of a site, for each position")
        owner = owner.astype(np.intp)
        if owner.size and owner.min() < 0:
            raise ValueError("owner must hold indices of sites, 0 or more")
        counts = np.bincount(owner)
        if not counts.all():
            raise ValueError(f"site {int(np.argmin(counts))} has no position; number the sites without gaps")
        vectors = unit_vectors(lat, lon)
        values = {
            "lat": lat,
            "lon": lon,
            "owner": owner,
            "_vectors": vectors,
            "_first": np.concatenate([[0], np.cumsum(counts)]).astype(np.intp),
            "_by_site": np.argsort(owner, kind="stable"),
        }
        for name, value in values.items():
            value.setflags(write=False)
            object.__setattr__(self, name, value)
        object.__setattr__(self, "_tree", cKDTree(vectors))

    @property
    def n_sites(self) -> int:
        """Number of sites."""
        return int(self._first.size - 1)

    def within(self, sites: ArrayLike, km: float) -> list[IntArray]:
        """Return, for each asked site in the asked order, the sorted indices of the sites nearer than `km`.

        `sites` is one index or an array of indices (m,), 0 to n - 1; the answer has m arrays (1 for a single
        index). `km` is finite and not negative; at 0 nothing is near.
        Raises ValueError for an index or a distance out of range.
        """
        asked = np.atleast_1d(np.asarray(sites))
        if asked.size == 0:
            return []
        if asked.ndim != 1 or asked.dtype.kind not in "iu":
            raise ValueError("sites must be one whole number or an array of whole numbers with one axis")
        if asked.min() < 0 or asked.max() >= self.n_sites:
            raise ValueError(f"sites must be indices from 0 to {self.n_sites - 1}")
        answer: list[IntArray] = []
        for group, near in self._near_by_group(asked.astype(np.intp), km):
            row, column = np.nonzero(near)
            ends = np.searchsorted(row, np.arange(1, group.size))
            answer.extend(np.split(column, ends))
        return answer

    def pairs(self, km: float) -> IntArray:
        """Return all pairs of sites nearer than `km`, (m, 2), first index below second, rows sorted.

        `km` is finite and not negative. The whole answer is built: with n sites in one place it has
        n (n - 1) / 2 rows; ask `within` where that is too many.
        Raises ValueError for a distance out of range.
        """
        found = [np.empty((0, 2), dtype=np.intp)]
        for group, near in self._near_by_group(np.arange(self.n_sites), km):
            row, column = np.nonzero(near)
            first = group[row]
            keep = column > first
            found.append(np.column_stack([first[keep], column[keep]]))
        return np.concatenate(found)

    def _near_by_group(self, asked: IntArray, km: float) -> Iterator[tuple[IntArray, NDArray[np.bool_]]]:
        """Yield groups of the asked sites, each with its table (sites of the group, n) of who is near."""
        if not np.isfinite(km) or km < 0:
            raise ValueError(f"the distance must be a finite number of km, 0 or more, found {km:g}")
        limit = max(1, _PAIRS_AT_A_TIME // max(1, self.lat.size))
        sizes = (self._first[asked + 1] - self._first[asked]).tolist()
        start = 0
        while start < asked.size:
            stop, positions = start + 1, sizes[start]
            while stop < asked.size and positions + sizes[stop] <= limit:
                positions += sizes[stop]
                stop += 1
            group = asked[start:stop]
            near = np.zeros((group.size, self.n_sites), dtype=np.bool_)
            if km > 0:
                self._mark_near(group, km, limit, near)
                near[np.arange(group.size), group] = False
            yield group, near
            start = stop

    def _mark_near(self, group: IntArray, km: float, limit: int, near: NDArray[np.bool_]) -> None:
        """Set `near[g, j]` where site j has a position nearer than `km` to one of site `group[g]`."""
        surely = _chord(km, _MOST_RADIUS_KM) - _CHORD_SLACK
        possibly = _chord(km, _LEAST_RADIUS_KM) + _CHORD_SLACK
        mine = [self._by_site[self._first[s] : self._first[s + 1]] for s in group]
        row_of = np.repeat(np.arange(group.size), [m.size for m in mine])
        position = np.concatenate(mine)
        for start in range(0, position.size, limit):
            here, row = position[start : start + limit], row_of[start : start + limit]
            hits = cKDTree(self._vectors[here]).sparse_distance_matrix(self._tree, possibly, output_type="ndarray")
            i, j = hits["i"], hits["j"]
            sure = hits["v"] < surely
            near[row[i[sure]], self.owner[j[sure]]] = True
            i, j = i[~sure], j[~sure]
            open_still = ~near[row[i], self.owner[j]]
            i, j = i[open_still], j[open_still]
            if i.size:
                at = here[i]
                found = distance_km(self.lat[at], self.lon[at], self.lat[j], self.lon[j]) < km
                near[row[i[found]], self.owner[j[found]]] = True
