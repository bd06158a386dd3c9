"""Lines and polygons that cross the 180th meridian or go round a pole: unwrapped, measured and cut.

Geometry lies on the plane of longitude and latitude (degrees east and north, WGS 84), as RFC 7946 section
3.1.1 has it: the way between two vertices is straight on that plane. Of the two ways between two longitudes
the short one is meant. Where both are 180 degrees long, the way that the numbers as given spell is kept
(from -90 to 90 passes through 0).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from siting.geography.geodesy import checked_latitudes, checked_longitudes

FloatArray = NDArray[np.float64]
Rings = tuple[FloatArray, list[FloatArray]]

_WORLD = shapely.box(-180.0, -90.0, 180.0, 90.0)
# Square degrees: what rounding leaves of a polygon, not a polygon (0.1 square metre).
_NO_AREA = 1e-11
# Square degrees of a hole that may lie outside its outer ring by rounding.
_HOLE_OUTSIDE = 1e-9


def _turns(lon: FloatArray) -> FloatArray:
    """Return the whole turns of 360 degrees to add to each longitude so that all steps go the short way."""
    steps = np.round(np.diff(lon) / 360.0)
    return np.concatenate([[0.0], -np.cumsum(steps)])


def unwrap_longitudes(lon: ArrayLike) -> FloatArray:
    """Return the longitudes of consecutive vertices without jumps, each step the short way round.

    `lon` (n,) is in degrees, any turn; the first stays, the others gain whole turns of 360 degrees, which add
    up. Raises ValueError for longitudes that are not finite, or for more than one axis.
    """
    values = checked_longitudes(lon)
    if values.ndim != 1:
        raise ValueError("longitudes must have one axis")
    return values + 360.0 * _turns(values) if values.size else values


def winding(lon_ring: ArrayLike) -> int:
    """Return how often a ring goes round the axis of the earth: 0, or 1 (eastward) or -1 round a pole.

    `lon_ring` (n,) is in degrees, any turn; the last vertex may or may not repeat the first.
    Raises ValueError for longitudes that are not finite, and for a ring that goes round more than once.
    """
    values = checked_longitudes(lon_ring)
    if values.size == 0:
        return 0
    closed = np.append(values, values[0])
    turns = round(float(_turns(closed)[-1]))
    if abs(turns) > 1:
        raise ValueError("a ring that goes round the earth more than once crosses itself; split the polygon")
    return turns


def longitude_span(intervals: ArrayLike) -> tuple[float, float]:
    """Return west and east of the shortest arc that covers all intervals of longitude.

    `intervals` (n, 2) holds west and east ends, degrees, -180 <= west <= east <= 180; 180 and -180 are the
    same meridian. West is greater than east if the arc crosses 180 (RFC 7946 section 5.2); equally short
    arcs: the one that does not cross. The whole circle is -180, 180.
    Raises ValueError for no interval, for values that are not finite or out of range, or west above east.
    """
    ends = checked_longitudes(intervals)
    if ends.ndim != 2 or ends.shape[1] != 2 or not len(ends):
        raise ValueError("intervals must be an array of n rows, west and east, with at least one row")
    if np.abs(ends).max() > 180.0 or (ends[:, 0] > ends[:, 1]).any():
        raise ValueError("intervals must lie within -180 to 180 degrees, west not above east")
    ends = ends[np.lexsort((ends[:, 1], ends[:, 0]))]
    reached = np.maximum.accumulate(ends[:, 1])
    west, east = float(ends[0, 0]), float(reached[-1])
    gaps = ends[1:, 0] - reached[:-1]
    # The free arc over 180, from the last east end on to the first west end, is left open unless another is
    # longer by more than rounding.
    if gaps.size and gaps.max() > (360.0 - (east - west)) + 1e-9:
        widest = int(np.argmax(gaps))
        return float(ends[widest + 1, 0]), float(reached[widest])
    return west, east


def _vertices(lonlat: ArrayLike, what: str) -> FloatArray:
    """Return the vertices as an (n, 2) array with a checked range."""
    xy = np.asarray(lonlat, dtype=np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"a {what} must be given as rows of longitude and latitude")
    checked_longitudes(xy[:, 0])
    checked_latitudes(xy[:, 1])
    if xy.size and (xy[:, 0].min() < -180.0 or xy[:, 0].max() > 360.0):
        raise ValueError(f"longitudes of a {what} must lie within -180 to 180 or 0 to 360 degrees")
    return xy


def _with_crossings(xy: FloatArray) -> FloatArray:
    """Add to an unwrapped line a vertex wherever it crosses 180 degrees, give or take whole turns."""
    low, high = np.minimum(xy[:-1, 0], xy[1:, 0]), np.maximum(xy[:-1, 0], xy[1:, 0])
    # No step is longer than 180, so a step crosses once at most.
    meridian = 360.0 * np.floor((low + 180.0) / 360.0) + 180.0
    at = np.flatnonzero((low < meridian) & (meridian < high))
    a, b = xy[at], xy[at + 1]
    share = (meridian[at] - a[:, 0]) / (b[:, 0] - a[:, 0])
    added = np.column_stack([meridian[at], a[:, 1] + share * (b[:, 1] - a[:, 1])])
    crossed: FloatArray = np.insert(xy, at + 1, added, axis=0)
    return crossed


def _without_repeats(xy: FloatArray) -> FloatArray:
    """Drop vertices that repeat the one before."""
    differs: NDArray[np.bool_] = (np.diff(xy, axis=0) != 0.0).any(axis=1)
    kept: FloatArray = xy[np.concatenate([[True], differs])]
    return kept


def cut_line(lonlat: ArrayLike) -> list[FloatArray]:
    """Return the parts of a line, (k, 2) each, in order, cut wherever it crosses 180 degrees.

    `lonlat` (n, 2) holds longitude (-180 to 180 or 0 to 360) and latitude in degrees, n >= 2. The parts have
    longitudes within -180 to 180; the latitude of a cut is interpolated along the short way. A line that only
    touches 180, or runs along it, is not cut there. No part is without length.
    Raises ValueError for values that are not finite or out of range, and for a line without length.
    Source: RFC 7946 section 3.1.9.
    """
    xy = _vertices(lonlat, "line")
    if len(xy) < 2:
        raise ValueError("a line needs two positions or more")
    xy = _without_repeats(np.column_stack([unwrap_longitudes(xy[:, 0]), xy[:, 1]]))
    if len(xy) < 2:
        raise ValueError("a line needs two different positions; give a point instead")
    xy = _with_crossings(xy)
    middle = (xy[:-1, 0] + xy[1:, 0]) / 2.0
    world = np.floor((middle + 180.0) / 360.0)
    # A step along 180 itself belongs to either side: it stays with the step before it, at the start of the
    # line with the first step that leaves the meridian.
    along = (xy[:-1, 0] == xy[1:, 0]) & (np.mod(middle, 360.0) == 180.0)
    free = np.flatnonzero(~along)
    if free.size:
        last_free = np.maximum.accumulate(np.where(along, -1, np.arange(along.size)))
        world = world[np.where(last_free < 0, free[0], last_free)]
    elif xy[0, 0] == 180.0:
        world = np.zeros_like(world)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(world)) + 1])
    ends = np.append(starts[1:], world.size)
    return [
        np.column_stack([xy[s : e + 1, 0] - 360.0 * world[s], xy[s : e + 1, 1]])
        for s, e in zip(starts, ends, strict=True)
    ]


def _clean_ring(lonlat: ArrayLike, what: str) -> FloatArray:
    """Return the vertices of a ring, open, without repeats and without spikes to a pole.

    Maps drawn on a plane often close a polar ring along a meridian to the pole and back: a spike of no width,
    that would only hide that the ring goes round.
    """
    xy = _vertices(lonlat, what)
    while len(xy) > 1:
        before = np.roll(xy, 1, axis=0)
        after = np.roll(xy, -1, axis=0)
        same_meridian_before = np.mod(xy[:, 0] - before[:, 0], 360.0) == 0.0
        same_meridian_after = np.mod(xy[:, 0] - after[:, 0], 360.0) == 0.0
        repeat = same_meridian_before & (xy[:, 1] == before[:, 1])
        spike = (np.abs(xy[:, 1]) == 90.0) & same_meridian_before & same_meridian_after
        drop = repeat if repeat.any() else spike
        if not drop.any():
            break
        if drop.all():
            xy = xy[:1]
            break
        xy = xy[~drop]
    if len(xy) < 3:
        raise ValueError(
            f"a {what} needs three different positions, each joined to the next the short way round;"
            " give a ring that goes round the earth vertices at most 179 degrees of longitude apart"
        )
    return xy


def _checked(polygon: Any, what: str) -> Any:
    """Return a shapely polygon on the unwrapped plane; raise ValueError if it crosses itself."""
    if not polygon.is_valid:
        raise ValueError(f"the {what} is not a plain ring: {shapely.is_valid_reason(polygon)}; redraw it")
    return polygon


def _plain_ring(xy: FloatArray, what: str) -> Any:
    """Return the polygon of a ring that contains no pole, on the unwrapped plane."""
    closed = np.vstack([xy, xy[:1]])
    return _checked(Polygon(_with_crossings(np.column_stack([unwrap_longitudes(closed[:, 0]), closed[:, 1]]))), what)


def _zonal_mean_latitude(xy: FloatArray) -> float:
    """Return the mean latitude, over longitude, of a ring that goes round once."""
    closed = np.vstack([xy, xy[:1]])
    x = unwrap_longitudes(closed[:, 0])
    mid = (closed[:-1, 1] + closed[1:, 1]) / 2.0
    return float(np.sum(mid * np.diff(x)) / (x[-1] - x[0]))


def _nearer_pole(xy: FloatArray) -> float:
    """Return 90 or -90, whichever is nearer to the mean latitude of a ring that goes round."""
    mean = _zonal_mean_latitude(xy)
    if abs(mean) < 1e-9:
        raise ValueError(
            "a ring round the earth with mean latitude 0 does not tell which pole it contains; split the polygon"
        )
    return 90.0 if mean > 0 else -90.0


def _polar_ring(xy: FloatArray, pole: float, what: str) -> Any:
    """Return the polygon between a ring that goes round and a pole, closed along 180 and the pole's latitude.

    The ring is opened at its most poleward point on the 180th meridian: from there the way to the pole is
    clear, so the closed polygon crosses itself nowhere and its copies, 360 degrees apart, tile the plane.
    """
    x = unwrap_longitudes(np.append(xy[:, 0], xy[0, 0]))
    ring = _with_crossings(np.column_stack([x, np.append(xy[:, 1], xy[0, 1])]))
    turn = 360.0 * winding(xy[:, 0])
    ring = ring[:-1]
    on_180 = np.flatnonzero(np.mod(ring[:, 0], 360.0) == 180.0)
    start = on_180[np.argmin(np.abs(ring[on_180, 1] - pole))]
    path = np.vstack([ring[start:], ring[: start + 1] + np.array([turn, 0.0])])
    edge = np.column_stack([path[[-1, 0], 0], [pole, pole]])
    return _checked(Polygon(_without_repeats(np.vstack([path, edge]))), what)


def _polygons_of(geometry: Any) -> list[Any]:
    """Return the polygons of a geometry that have area; points and lines left over by a cut are dropped."""
    parts = shapely.get_parts(geometry)
    if any(p.geom_type.startswith(("Multi", "Geometry")) for p in parts):
        parts = [q for p in parts for q in shapely.get_parts(p)]
    return [p for p in parts if p.geom_type == "Polygon" and p.area > _NO_AREA]


def _in_world(polygon: Any) -> Any:
    """Return the part of the plane within -180 to 180 that a polygon and its copies, 360 apart, cover."""
    west, _, east, _ = polygon.bounds
    first = int(np.floor((west + 180.0) / 360.0))
    last = max(first, int(np.ceil((east - 180.0) / 360.0)))
    pieces: list[Any] = []
    for world in range(first, last + 1):
        shift = np.array([360.0 * world, 0.0])
        moved = shapely.transform(polygon, lambda c, s=shift: c - s)
        if first != last:
            moved = shapely.intersection(moved, _WORLD)
        pieces += _polygons_of(moved)
    return pieces[0] if len(pieces) == 1 else shapely.union_all(pieces)


def _ring_out(ring: Any) -> FloatArray:
    """Return the coordinates of a ring, closed; an edge of half a turn or more is divided, 90 degrees at most.

    Such are the edges along a pole; a reader that joins vertices the short way would lose them.
    """
    xy: FloatArray = shapely.get_coordinates(ring)
    for at in np.flatnonzero(np.abs(np.diff(xy[:, 0])) >= 180.0)[::-1].tolist():
        pieces = int(np.ceil(abs(xy[at + 1, 0] - xy[at, 0]) / 90.0))
        xy = np.vstack([xy[:at], np.linspace(xy[at], xy[at + 1], pieces + 1), xy[at + 2 :]])
    return xy


def cut_polygon(shell: ArrayLike, holes: Sequence[ArrayLike] = ()) -> list[Rings]:
    """Return the parts of a polygon cut at 180 degrees, each an outer ring and a list of holes.

    `shell` (n, 2) and each hole (m, 2) hold longitude (-180 to 180 or 0 to 360) and latitude in degrees, in
    either direction, closed or not. The rings that come back are closed, (k, 2), with longitudes within -180
    to 180, outer rings counterclockwise and holes clockwise; parts go from west to east, then south to north.
    A ring that goes round the earth contains a pole: the one nearer to its mean latitude (over longitude),
    and the part is closed along 180 and that pole's latitude. If such a polygon has a hole that goes round
    too, the band between both is meant. A ring that wanders over several turns is laid into one world.

    Raises ValueError for values that are not finite or out of range, for rings that cross themselves or have
    no area, for holes that leave the outer ring, and for a ring round the earth along the equator.
    Source: RFC 7946 sections 3.1.6, 3.1.9.
    """
    outer = _clean_ring(shell, "outer ring")
    inner = [_clean_ring(h, "hole") for h in holes]
    round_holes = [h for h in inner if winding(h[:, 0])]
    if len(round_holes) > 1:
        raise ValueError("a polygon has two holes that go round the earth; split the polygon")
    pole: float | None = None
    if winding(outer[:, 0]):
        if round_holes:
            hole_is_north = _zonal_mean_latitude(round_holes[0]) > _zonal_mean_latitude(outer)
            pole = 90.0 if hole_is_north else -90.0
        else:
            pole = _nearer_pole(outer)
        area = _in_world(_polar_ring(outer, pole, "outer ring"))
    else:
        area = _in_world(_plain_ring(outer, "outer ring"))
    whole = area
    for ring in inner:
        if winding(ring[:, 0]):
            hole = _in_world(_polar_ring(ring, _nearer_pole(ring) if pole is None else pole, "hole"))
        else:
            hole = _in_world(_plain_ring(ring, "hole"))
        if shapely.difference(hole, whole).area > _HOLE_OUTSIDE:
            raise ValueError("a hole leaves the outer ring; give what lies outside as a polygon of its own")
        area = shapely.difference(area, hole)
    parts = [orient(p, 1.0) for p in _polygons_of(area)]
    if not parts:
        raise ValueError("a polygon has no area; give it as a point or line")
    parts.sort(key=lambda p: (p.bounds, p.wkb))
    return [(_ring_out(p.exterior), [_ring_out(r) for r in p.interiors]) for p in parts]
