"""The open data that comes with the program: land, elevation, winds, towns, ports; and airports from a package.

Every reader returns a fresh frozen result; whoever wants it twice keeps it. Origins, versions and licences stand in
`siting/data/SOURCES.md`.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from siting.geography.geodesy import checked_latitudes, checked_longitudes, distance_km, unit_vectors

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

# Units of the stored numbers.
_STEP = 1e-4
_ABSENT = -32768
_UNKNOWN = 255
_RADIUS_KM = 6371.0088
# Geodesics are at most so much longer than arcs on the sphere.
_SLACK = 1.006


@dataclass(frozen=True, eq=False)
class Named:
    """Named places: `names`, `lat`, `lon` (k,), and a number of each, `weight` (k,)."""

    names: tuple[str, ...]
    lat: Floats
    lon: Floats
    weight: Floats
    _tree: cKDTree

    @classmethod
    def of(cls, names: Sequence[str], lat: ArrayLike, lon: ArrayLike, weight: ArrayLike) -> Named:
        """Return named places; raise ValueError for places out of range."""
        a, b = checked_latitudes(lat), checked_longitudes(lon)
        vectors = unit_vectors(a, b) if a.size else np.zeros((0, 3))
        return cls(tuple(names), _fixed(a), _fixed(b), _fixed(np.asarray(weight, dtype=float)), cKDTree(vectors))

    def within(self, lat: ArrayLike, lon: ArrayLike, km: float) -> tuple[Indices, Indices]:
        """Return pairs of rows, places asked for and places here, nearer than `km` by geodesic (sorted by both)."""
        phi, lam = np.atleast_1d(checked_latitudes(lat)), np.atleast_1d(checked_longitudes(lon))
        reach = 2.0 * np.sin(min(km * _SLACK / _RADIUS_KM, np.pi) / 2.0)
        near = self._tree.query_ball_point(unit_vectors(phi, lam), reach, return_sorted=True) if self.names else []
        site = np.repeat(np.arange(len(near)), [len(one) for one in near]).astype(np.intp)
        found = np.array([k for one in near for k in one], dtype=np.intp)
        keep = distance_km(phi[site], lam[site], self.lat[found], self.lon[found]) <= km
        return site[keep], found[keep]

    def nearest(self, lat: ArrayLike, lon: ArrayLike) -> tuple[Indices, Floats]:
        """Return for each place the row of the nearest one here and its geodesic distance in km.

        Raises ValueError if there is none at all.
        """
        if not self.names:
            raise ValueError("there are no places to choose from")
        phi, lam = np.atleast_1d(checked_latitudes(lat)), np.atleast_1d(checked_longitudes(lon))
        # The sphere may take the second nearest for the nearest: the geodesic decides among a few.
        few = min(4, len(self.names))
        near = np.asarray(self._tree.query(unit_vectors(phi, lam), few)[1]).reshape(phi.size, few)
        km = distance_km(phi[:, None], lam[:, None], self.lat[near], self.lon[near])
        best = np.argmin(km, axis=1)
        rows = np.arange(phi.size)
        return near[rows, best].astype(np.intp), km[rows, best]


@dataclass(frozen=True, eq=False)
class Elevation:
    """Mean height of the land about each node of a 15-minute grid, m; 0 at sea."""

    height_m: Floats

    def at(self, lat: ArrayLike, lon: ArrayLike) -> Floats:
        """Return (m,) the height at the nearest node with land within 20 km or so, else 0, in m."""
        phi, lam = np.atleast_1d(checked_latitudes(lat)), np.atleast_1d(checked_longitudes(lon))
        row = np.clip(np.rint((phi + 90.0) * 4.0).astype(int), 0, 720)
        column = np.rint((lam + 180.0) * 4.0).astype(int) % 1440
        out = self.height_m[row, column]
        return np.where(np.isfinite(out), out, 0.0)


@dataclass(frozen=True, eq=False)
class Climate:
    """Monthly mean winds: `u`, `v` (12, 73, 144) eastward and northward, m/s, on 2.5 degrees from 90 S, 20 E.

    `ships_scalar`, `ships_vector` (12, 90, 180) are mean speeds of ships' reports on 2 degrees, NaN where none.
    """

    u: Floats
    v: Floats
    ships_scalar: Floats
    ships_vector: Floats

    def at(self, lat: ArrayLike, lon: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return eastward and northward mean wind in m/s and steadiness, each (m, 12); steadiness NaN if unknown.

        Winds are interpolated over four nodes, round the world; steadiness (vector over scalar mean speed) is that
        of the ships' cell.
        """
        phi, lam = np.atleast_1d(checked_latitudes(lat)), np.atleast_1d(checked_longitudes(lon))
        y, x = (phi + 90.0) / 2.5, ((lam - 20.0) % 360.0) / 2.5
        row, column = np.minimum(np.floor(y).astype(int), 71), np.floor(x).astype(int) % 144
        dy, dx, after = y - row, x - np.floor(x), (column + 1) % 144
        weights = ((1 - dy) * (1 - dx), (1 - dy) * dx, dy * (1 - dx), dy * dx)
        corners = ((row, column), (row, after), (row + 1, column), (row + 1, after))
        u, v = (
            sum((grid[:, a, b] * w for (a, b), w in zip(corners, weights, strict=True)), np.zeros((12, phi.size))).T
            for grid in (self.u, self.v)
        )
        cell = (
            np.clip(np.floor((phi + 90.0) / 2.0).astype(int), 0, 89),
            np.floor((lam - 20.0) % 360.0 / 2.0).astype(int),
        )
        scalar, vector = (grid[:, cell[0], cell[1] % 180].T for grid in (self.ships_scalar, self.ships_vector))
        steadiness = np.divide(vector, scalar, out=np.full(scalar.shape, np.nan), where=scalar > 0.0)
        return np.asarray(u), np.asarray(v), np.minimum(steadiness, 1.0)


def read_land() -> list[shapely.Polygon]:
    """Return the land polygons and the floating ice of the override table, in degrees, largest land first."""
    with _npz("land.npz") as file:
        lon, lat = _from_planes(file["lon"]) * _STEP, _from_planes(file["lat"]) * _STEP
        size, part = file["ring_size"], file["ring_part"]
    ring = np.repeat(np.arange(size.size), size)
    rings = shapely.linearrings(np.column_stack([lon, lat]), indices=ring)
    first = np.searchsorted(part, np.arange(int(part[-1]) + 1))
    # A part's first ring is its outline, the others are holes.
    outline = np.zeros(part.size, dtype=bool)
    outline[first] = True
    polygons = [
        shapely.Polygon(shell, [hole for hole in rings[a + 1 : b]])
        for shell, a, b in zip(rings[first], first, [*first[1:], part.size], strict=True)
    ]
    return polygons


def read_map_land() -> list[Floats]:
    """Return outlines of land and large lakes for a map of the whole earth: rings (n, 2) of lon and lat, degrees.

    Made from `read_land`, thinned to 0.06 degrees; drawn with the even-odd rule, lakes are holes.
    """
    with _npz("land_map.npz") as file:
        xy = np.column_stack([file["lon"], file["lat"]]) / 100.0
        return [_fixed(ring) for ring in np.split(xy, np.cumsum(file["ring_size"])[:-1])]


def read_ice_shelves() -> list[shapely.Polygon]:
    """Return floating ice that the land polygons leave out (coarse, from the override table)."""
    rows = csv.DictReader(io.StringIO(_bytes("overrides.csv").decode("utf-8")))
    out = []
    for row in rows:
        if row["polygon"]:
            numbers = np.array(row["polygon"].split(), dtype=float).reshape(-1, 2)
            out.append(shapely.Polygon(numbers))
    return out


def read_elevation() -> Elevation:
    """Return the elevation grid."""
    with _npz("elevation.npz") as file:
        stored = file["elevation_m"].astype(float)
    return Elevation(_fixed(np.where(stored == _ABSENT, np.nan, stored)))


def read_climate() -> Climate:
    """Return the monthly winds."""
    with _npz("winds.npz") as file:
        u, v = file["u"] / 8.0, file["v"] / 8.0
        ships = [
            np.where(file[name] == _UNKNOWN, np.nan, file[name] / 10.0) for name in ("ship_speed", "ship_vector_speed")
        ]
    return Climate(_fixed(u), _fixed(v), _fixed(ships[0]), _fixed(ships[1]))


def read_towns() -> Named:
    """Return towns; the weight is their population."""
    rows = _table("towns.csv.gz")
    return Named.of([r["name"] for r in rows], *(_column(rows, name) for name in ("lat", "lon", "population")))


def read_ports() -> Named:
    """Return supply ports: harbours with a trade code near a town; the weight is the population of that town."""
    rows = [row for row in _table("ports.csv.gz") if row["supply"] == "1"]
    return Named.of([r["name"] for r in rows], *(_column(rows, name) for name in ("lat", "lon", "town_population")))


def read_airports() -> Named:
    """Return airports with a passenger code; the weight is their elevation in m (the package has feet)."""
    import airportsdata

    rows = sorted(airportsdata.load("IATA").values(), key=lambda row: str(row["iata"]))
    metres = np.array([float(row["elevation"]) for row in rows]) * 0.3048
    return Named.of(
        [str(row["name"]) for row in rows],
        np.array([float(row["lat"]) for row in rows]),
        np.array([float(row["lon"]) for row in rows]),
        metres,
    )


def _from_planes(planes: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Undo four byte planes of folded differences."""
    folded = np.ascontiguousarray(planes.T).view("<u4").ravel().astype(np.int64)
    return np.cumsum((folded >> 1) ^ -(folded & 1))


def _column(rows: list[dict[str, str]], name: str) -> Floats:
    return np.array([float(row[name]) for row in rows], dtype=float)


def _table(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(gzip.decompress(_bytes(name)).decode("utf-8"))))


def _npz(name: str) -> Any:
    return np.load(io.BytesIO(_bytes(name)))


def _bytes(name: str) -> bytes:
    return (resources.files("siting") / "data" / name).read_bytes()


def _fixed(array: NDArray[Any]) -> NDArray[Any]:
    array = np.array(array)
    array.setflags(write=False)
    return array
