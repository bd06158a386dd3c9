"""Where a candidate is: one place, places along a track, or places spread over an area.

A moving or drifting platform is represented by a few positions with shares of its time. The way between two
vertices is straight in longitude and latitude, the short way round (RFC 7946 sections 3.1.1 and 3.1.9), so
that the positions lie on the line that a map shows.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import box

from siting.geography.antimeridian import cut_polygon, longitude_span, unwrap_longitudes
from siting.geography.geodesy import checked_latitudes, checked_longitudes, distance_km

FloatArray = NDArray[np.float64]

MOST_POSITIONS = 400
# Steps of a line, in degrees, short enough that each is as good as a geodesic (checked in the tests).
_LINE_STEP = 0.25
_EDGE_STEP = 0.5
# Mean radius of the earth (2a + b)/3, WGS 84: areas only choose and weigh positions, so a sphere will do.
_RADIUS_KM = 6371.0088
# No cell is wider than this, so that the middle of a cell means something near a pole.
_WIDEST_CELL = 90.0


@dataclass(frozen=True, slots=True, eq=False)
class Positions:
    """Places that stand for a candidate: `lat`, `lon` in degrees (lon -180 to 180) and `weight`, all (p,).

    The weights are shares of time (lines) or of area (polygons), above 0, and add up to 1. Read-only.
    """

    lat: FloatArray
    lon: FloatArray
    weight: FloatArray

    def __post_init__(self) -> None:
        for name in ("lat", "lon", "weight"):
            values = np.array(getattr(self, name), dtype=np.float64)
            values.setflags(write=False)
            object.__setattr__(self, name, values)


def positions(geometry: Any, step_km: float = 100.0) -> Positions:
    """Return the positions that stand for a shapely geometry in degrees of longitude and latitude.

    - Point: the place itself.
    - LineString, MultiLineString: the way, all parts in order and gaps between parts left out, is divided
      into n equal lengths on the ellipsoid, none longer than `step_km`, with 2 <= n <= 400; a position stands
      in the middle of each, with weight 1/n.
    - Polygon, MultiPolygon: the area is divided by rows of latitude and columns into cells of about
      `step_km` squared (larger if there would be more than 400); a position stands inside each piece of the
      area, in its middle where that is inside, weighted by the piece's share of the area on the sphere.

    Lines and polygons may cross 180 degrees, cut or uncut, and polygons may contain a pole. Heights (z) are
    ignored. `step_km` is finite and above 0.

    Raises ValueError for an empty or invalid geometry, another type, coordinates that are not finite or out
    of range, and a wrong `step_km`.
    """
    if not (np.isfinite(step_km) and step_km > 0):
        raise ValueError(f"step_km must be a finite number above 0, found {step_km:g}")
    kind = getattr(geometry, "geom_type", None)
    if kind not in ("Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon"):
        raise ValueError(f"a place must be a Point, LineString, MultiLineString, Polygon or MultiPolygon, found {kind}")
    if geometry.is_empty:
        raise ValueError(f"the {kind} is empty; give it coordinates or drop the row")
    if kind == "Point":
        xy = shapely.get_coordinates(geometry)
        lat, lon = checked_latitudes(xy[:, 1]), _within_turn(checked_longitudes(xy[:, 0]))
        return Positions(lat, lon, np.ones(1))
    parts = [p for p in shapely.get_parts(geometry) if not p.is_empty]
    return _along(parts, step_km) if kind.endswith("LineString") else _over(parts, step_km)


def _within_turn(lon: FloatArray) -> FloatArray:
    """Return longitudes within -180 to 180; those that are already there stay as they are."""
    return np.where(np.abs(lon) <= 180.0, lon, np.mod(lon + 180.0, 360.0) - 180.0)


def _pieces(xy: FloatArray) -> FloatArray:
    """Return the line as short pieces (m, 4): longitude and latitude of the start, change of both."""
    x = unwrap_longitudes(checked_longitudes(xy[:, 0]))
    xy = np.column_stack([x, checked_latitudes(xy[:, 1])])
    change = np.diff(xy, axis=0)
    count = np.maximum(1, np.ceil(np.abs(change).max(axis=1) / _LINE_STEP)).astype(np.intp)
    edge = np.repeat(np.arange(len(change)), count)
    nth = np.arange(edge.size) - np.repeat(np.cumsum(count) - count, count)
    part = change[edge] / count[edge, None]
    return np.column_stack([xy[edge] + nth[:, None] * part, part])


def _along(lines: list[Any], step_km: float) -> Positions:
    """Return the middles of equal lengths along the lines, one after the other."""
    pieces = np.vstack([_pieces(shapely.get_coordinates(line)) for line in lines])
    x, y, dx, dy = pieces.T
    length = distance_km(y, x, np.clip(y + dy, -90.0, 90.0), x + dx)
    end = np.cumsum(length)
    if end[-1] < 1e-6:
        raise ValueError("the line has no length; give a point, or two positions that differ")
    n = int(np.clip(np.ceil(end[-1] / step_km), 2, MOST_POSITIONS))
    at = (np.arange(n) + 0.5) * (end[-1] / n)
    # The first piece that ends beyond: it has length, since the last middle lies before the end.
    piece = np.searchsorted(end, at, side="right")
    share = (at - (end[piece] - length[piece])) / length[piece]
    x, y, dx, dy = pieces[piece].T
    lat = np.clip(y + share * dy, -90.0, 90.0)
    return Positions(lat, _within_turn(x + share * dx), np.full(n, 1.0 / n))


def _equal_area(polygons: Any) -> Any:
    """Return polygons (an array) on the plane of longitude and 180/pi sin(latitude), where areas are true."""
    return shapely.transform(
        shapely.segmentize(polygons, _EDGE_STEP),
        lambda c: np.column_stack([c[:, 0], np.degrees(np.sin(np.radians(c[:, 1])))]),
    )


def _whole_area(polygons: list[Any]) -> Any:
    """Return the joined area in longitude and latitude, in one piece across 180, not cut there."""
    parts: list[Any] = []
    for polygon in polygons:
        rings = [shapely.get_coordinates(r) for r in (polygon.exterior, *polygon.interiors)]
        parts += [shapely.Polygon(shell, holes) for shell, holes in cut_polygon(rings[0], rings[1:])]
    west, east = longitude_span([(p.bounds[0], p.bounds[2]) for p in parts])
    if west > east:
        turn = np.array([360.0, 0.0])
        parts = [shapely.transform(p, lambda c: c + turn) if p.bounds[0] < west else p for p in parts]
    return shapely.union_all(parts)


def _cells(area: Any, step_km: float) -> list[Any]:
    """Return the pieces of an area, cut by rows and columns into cells of about `step_km` squared."""
    left, south, right, north = area.bounds
    rows = max(1, round(float(np.radians(north - south)) * _RADIUS_KM / step_km))
    found: list[Any] = []
    for bottom, top in pairwise(np.linspace(south, north, rows + 1).tolist()):
        row = shapely.intersection(area, box(left, bottom, right, top))
        if row.area <= 0.0:
            continue
        west, _, east, _ = row.bounds
        # Width of the row in its middle, on the sphere.
        width_km = float(np.radians(east - west) * np.cos(np.radians((bottom + top) / 2.0))) * _RADIUS_KM
        columns = max(1, round(width_km / step_km), int(np.ceil((east - west) / _WIDEST_CELL)))
        sides = np.linspace(west, east, columns + 1)
        cells = shapely.intersection(row, shapely.box(sides[:-1], bottom, sides[1:], top))
        found += [c for c in cells if c.area > 0.0]
    return found


def _inside(piece: Any, lon: float, lat: float) -> Any:
    """Return a place inside a piece: the given middle, or where that is outside, another."""
    middle = shapely.Point(lon, lat)
    return middle if piece.contains(middle) else piece.representative_point()


def _over(polygons: list[Any], step_km: float) -> Positions:
    """Return a position inside each piece of the area, weighted by area."""
    area = _whole_area(polygons)
    square_km = _equal_area(area).area * np.radians(1.0) ** 2 * _RADIUS_KM**2
    step = max(step_km, float(np.sqrt(square_km / MOST_POSITIONS)))
    cells = _cells(area, step)
    while len(cells) > MOST_POSITIONS:
        step *= 1.05 * np.sqrt(len(cells) / MOST_POSITIONS)
        cells = _cells(area, step)
    flat = _equal_area(np.array(cells, dtype=object))
    sizes = shapely.area(flat)
    middle = shapely.get_coordinates(shapely.centroid(flat))
    lat = np.degrees(np.arcsin(np.clip(np.radians(middle[:, 1]), -1.0, 1.0)))
    places = [_inside(c, x, y) for c, x, y in zip(cells, middle[:, 0].tolist(), lat.tolist(), strict=True)]
    xy = shapely.get_coordinates(np.array(places, dtype=object))
    return Positions(xy[:, 1], _within_turn(xy[:, 0]), sizes / sizes.sum())
