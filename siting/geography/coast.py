"""The coast as short great-circle pieces: which places lie on land, and how far the coast is.

Land is given as polygons in degrees of longitude and latitude (WGS 84). Edges along 180 degrees and along the
poles are seams of the map, no coast, and are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from siting.geography.geodesy import checked_latitudes, checked_longitudes, distance_km, unit_vectors

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]

# Edges are cut into pieces no longer than this, so that a great circle is as good as the map's straight line.
PIECE_KM = 10.0
# Mean radius of the earth, WGS 84 (2a + b)/3; finds what is near, distances that are told are geodesics.
RADIUS_KM = 6371.0088
_SEAM = 1e-6
# A degree of latitude on that sphere, and slack for the flattening where pieces are searched for by radius.
_DEGREE_KM = RADIUS_KM * np.pi / 180.0
_SLACK = 1.006


@dataclass(frozen=True, eq=False)
class Coast:
    """The outline of land: pieces `first` to `second` (m, 3), directions of verticals, and whose they are.

    `part` (m,) is the row of the polygon that a piece belongs to, `sea` (m,) whether it is that polygon's outline
    (the shores of lakes are not), `area_km2` (polygons,) areas on a sphere of the same size. Made by `coast_of`.
    """

    first: Floats
    second: Floats
    part: Indices
    sea: Flags
    area_km2: Floats
    polygons: NDArray[Any]
    _middles: cKDTree
    _outer: cKDTree
    _index: shapely.STRtree

    def on_land(self, lat: ArrayLike, lon: ArrayLike) -> Flags:
        """Return (n,) whether places lie on land or on its edge; degrees.

        Raises ValueError for places that are not finite or out of range.
        """
        out = np.zeros(np.size(lat), dtype=bool)
        out[self.parts_at(lat, lon)[0]] = True
        return out

    def parts_at(self, lat: ArrayLike, lon: ArrayLike) -> tuple[Indices, Indices]:
        """Return pairs of rows: places, and polygons that cover them."""
        phi, lam = checked_latitudes(np.atleast_1d(lat)), checked_longitudes(np.atleast_1d(lon))
        lam = (lam + 180.0) % 360.0 - 180.0
        place, part = self._index.query(shapely.points(lam, phi), predicate="intersects")
        return np.asarray(place, dtype=np.intp), np.asarray(part, dtype=np.intp)

    def within(self, place: Floats, km: float) -> Indices:
        """Return the pieces of which some point may lie within `km` of a place, a direction (3,)."""
        angle = min((km * _SLACK + PIECE_KM) / RADIUS_KM, np.pi)
        near = self._middles.query_ball_point(place, 2.0 * np.sin(angle / 2.0) + 1e-12, return_sorted=False)
        return np.asarray(near, dtype=np.intp)

    def distance_km(self, lat: ArrayLike, lon: ArrayLike) -> Floats:
        """Return (n,) the geodesic distance of places to the nearest coast of the sea, also from inland, in km.

        Raises ValueError for places that are not finite or out of range, and if there is no coast at all.
        """
        if not self.sea.any():
            raise ValueError("there is no coast to measure to")
        phi, lam = checked_latitudes(np.atleast_1d(lat)), checked_longitudes(np.atleast_1d(lon))
        here = unit_vectors(phi, lam)
        chord = np.atleast_1d(self._outer.query(here)[0])
        to_lat, to_lon = np.empty(phi.size), np.empty(phi.size)
        for i, place in enumerate(here):
            km = 2.0 * np.arcsin(min(float(chord[i]) / 2.0, 1.0)) * RADIUS_KM
            pieces = self.within(place, km)
            pieces = pieces[self.sea[pieces]]
            nearest = _nearest_point(place, self.first[pieces], self.second[pieces])
            to_lat[i], to_lon[i] = _degrees(nearest)
        return distance_km(phi, lam, to_lat, to_lon)

    def parts_near(self, place: Floats, km: float) -> Indices:
        """Return the polygons whose coast passes within `km` of a place, a direction (3,), on the sphere."""
        pieces = self.within(place, km)
        if pieces.size == 0:
            return np.empty(0, dtype=np.intp)
        angle = _angles(place, _nearest_points(place, self.first[pieces], self.second[pieces]))
        return np.unique(self.part[pieces[angle * RADIUS_KM <= km]])


def coast_of(polygons: Sequence[BaseGeometry]) -> Coast:
    """Return the coast of polygons in degrees (longitude, latitude), cut at 180 degrees, without overlaps.

    Raises ValueError for anything but valid, non-empty Polygons within -180 to 180 and -90 to 90.
    """
    shapes = np.asarray(list(polygons), dtype=object)
    for row, shape in enumerate(shapes):
        if shape.geom_type != "Polygon" or shape.is_empty:
            raise ValueError(f"land must be polygons, found {shape.geom_type} in row {row}")
    if shapes.size and not shapely.is_valid(shapes).all():
        raise ValueError(f"polygon {int(np.flatnonzero(~shapely.is_valid(shapes))[0])} is not valid; mend it first")
    rings, ring_part = shapely.get_rings(shapes, return_index=True) if shapes.size else (shapes, np.empty(0, int))
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    if xy.size and (np.abs(xy[:, 0]).max() > 180.0 or np.abs(xy[:, 1]).max() > 90.0):
        raise ValueError("land must lie within -180 to 180 degrees of longitude and -90 to 90 of latitude")
    follows = ring[1:] == ring[:-1]
    a, b, whose = xy[:-1][follows], xy[1:][follows], ring[:-1][follows]
    owner = np.asarray(ring_part)[whose]
    # The first ring of a polygon is its outline; that of an island in a lake is a lake's shore.
    outline = (np.diff(np.asarray(ring_part), prepend=-1)[whose] != 0) & ~_in_lakes(shapes)[owner]
    seam = (np.abs(np.abs(a[:, 0]) - 180.0) < _SEAM) & (a[:, 0] == b[:, 0])
    seam |= (np.abs(a[:, 1]) > 90.0 - _SEAM) & (np.abs(b[:, 1]) > 90.0 - _SEAM)
    a, b, owner, outline = a[~seam], b[~seam], owner[~seam], outline[~seam]
    # Degrees of longitude are never longer than those of latitude, so this cuts no piece too long.
    pieces = np.maximum(np.ceil(np.hypot(*(b - a).T) * _DEGREE_KM / PIECE_KM), 1.0).astype(np.intp)
    edge = np.repeat(np.arange(pieces.size), pieces)
    step = np.arange(edge.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = (step / pieces[edge])[:, None], ((step + 1) / pieces[edge])[:, None]
    start = a[edge] + share[0] * (b - a)[edge]
    # The last piece ends exactly where the next edge begins, so that no ray slips through.
    end = np.where(share[1] == 1.0, b[edge], a[edge] + share[1] * (b - a)[edge])
    first, second = unit_vectors(start[:, 1], start[:, 0]), unit_vectors(end[:, 1], end[:, 0])
    middle = first + second
    middle /= np.linalg.norm(middle, axis=1, keepdims=True)
    # Lambert's cylindrical projection keeps areas, and the straight edges of the map stay what they are at a pole.
    flat = shapely.transform(shapes, lambda p: np.column_stack([np.radians(p[:, 0]), np.sin(np.radians(p[:, 1]))]))
    area = np.asarray(shapely.area(flat), dtype=float) * RADIUS_KM**2
    arrays = (first, second, np.asarray(owner[edge], dtype=np.intp), outline[edge], area)
    for array in arrays:
        array.setflags(write=False)
    return Coast(*arrays, shapes, cKDTree(middle), cKDTree(middle[outline[edge]]), shapely.STRtree(shapes))


def _in_lakes(shapes: NDArray[Any]) -> Flags:
    """Return which polygons lie in a hole of another one."""
    out = np.zeros(shapes.size, dtype=bool)
    holed = np.flatnonzero([len(shape.interiors) > 0 for shape in shapes])
    holes = [shapely.Polygon(hole) for row in holed for hole in shapes[row].interiors]
    if holes:
        inside, _ = shapely.STRtree(holes).query(shapely.point_on_surface(shapes), predicate="within")
        out[inside] = True
    return out


def _degrees(direction: Floats) -> tuple[float, float]:
    """Return latitude and longitude of a vertical's direction."""
    lat = np.degrees(np.arctan2(direction[2], np.hypot(direction[0], direction[1])))
    return float(lat), float(np.degrees(np.arctan2(direction[1], direction[0])))


def _angles(place: Floats, points: Floats) -> Floats:
    """Return angles between a direction and others (m, 3), accurate for small ones."""
    return np.asarray(2.0 * np.arcsin(np.minimum(np.linalg.norm(points - place, axis=1) / 2.0, 1.0)))


def _nearest_points(place: Floats, first: Floats, second: Floats) -> Floats:
    """Return (m, 3) the nearest point of each short great-circle piece: its foot, held between the ends."""
    along = second - first
    length = np.maximum((along * along).sum(axis=1), 1e-300)
    share = np.clip(((place - first) * along).sum(axis=1) / length, 0.0, 1.0)
    points = first + share[:, None] * along
    return np.asarray(points / np.linalg.norm(points, axis=1, keepdims=True))


def _nearest_point(place: Floats, first: Floats, second: Floats) -> Floats:
    points = _nearest_points(place, first, second)
    return np.asarray(points[int(np.argmin(_angles(place, points)))])
