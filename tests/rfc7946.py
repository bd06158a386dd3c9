"""A strict reader of GeoJSON, written from RFC 7946 (August 2016) alone; it shares nothing with the writer.

`check(text)` returns the rules that a text breaks, each with the section of the RFC. Where the RFC only
advises (SHOULD), the reader insists, as far as this file's comments say.
"""

from __future__ import annotations

import json
import math
from itertools import pairwise

GEOMETRIES = {
    "Point": 0,
    "MultiPoint": 1,
    "LineString": 1,
    "MultiLineString": 2,
    "Polygon": 2,
    "MultiPolygon": 3,
}
# Coordinates are written with six decimals.
TOLERANCE = 1.5e-6


class _TwiceError(ValueError):
    pass


def _members(pairs):
    names = [k for k, _ in pairs]
    if len(names) != len(set(names)):
        raise _TwiceError(f"a member name occurs twice among {names}")
    return dict(pairs)


def _no_constant(name):
    raise ValueError(f"{name} is not JSON")


def check(text: str) -> list[str]:
    """Return what breaks RFC 7946 in a GeoJSON text, in plain sentences, each with its section."""
    if text.startswith("\ufeff"):
        return ["section 1.2 (RFC 8259, 8.1): no byte order mark"]
    try:
        data = json.loads(text, object_pairs_hook=_members, parse_constant=_no_constant)
    except ValueError as error:
        return [f"section 2: a GeoJSON text is a JSON text: {error}"]
    if not isinstance(data, dict):
        return ["section 3: a GeoJSON text is a JSON object"]
    found: list[str] = []
    _object(data, "top", found)
    return found


def _object(o, where, found):
    kind = o.get("type")
    if kind == "FeatureCollection":
        _collection(o, where, found)
    elif kind == "Feature":
        _feature(o, where, found)
    elif kind in GEOMETRIES or kind == "GeometryCollection":
        _geometry(o, where, found)
    else:
        found.append(f"section 3: {where}: type is one of the nine GeoJSON types, found {kind!r}")


def _common(o, where, found, foreign):
    if "crs" in o:
        found.append(f"section 4: {where}: no crs member; coordinates are WGS 84")
    for name in foreign:
        if name in o:
            found.append(f"section 7.1: {where}: a {o['type']} must not have a member {name!r}")


def _collection(o, where, found):
    _common(o, where, found, ("coordinates", "geometries", "geometry", "properties"))
    features = o.get("features")
    if not isinstance(features, list):
        found.append(f"section 3.3: {where}: features is an array")
        return
    ids = set()
    for n, f in enumerate(features):
        here = f"feature {n}"
        if not isinstance(f, dict) or f.get("type") != "Feature":
            found.append(f"section 3.3: {here}: each member of features is a Feature")
            continue
        _feature(f, here, found)
        if "id" in f and not isinstance(f["id"], list | dict):
            # The RFC calls it "a commonly used identifier": one that names two features identifies neither.
            key = (type(f["id"]) is str, f["id"])
            if key in ids:
                found.append(f"section 3.2: {here}: the id {f['id']!r} occurs twice")
            ids.add(key)
    _bbox(o, where, found)


def _feature(o, where, found):
    _common(o, where, found, ("coordinates", "geometries", "features"))
    for name in ("geometry", "properties"):
        if name not in o:
            found.append(f"section 3.2: {where}: a Feature has a member {name!r}")
        elif not (o[name] is None or isinstance(o[name], dict)):
            found.append(f"section 3.2: {where}: {name} is an object or null")
    if "id" in o and (isinstance(o["id"], bool) or not isinstance(o["id"], str | int | float)):
        found.append(f"section 3.2: {where}: an id is a string or a number")
    if isinstance(o.get("geometry"), dict):
        shape = o["geometry"]
        if shape.get("type") not in GEOMETRIES and shape.get("type") != "GeometryCollection":
            found.append(f"section 3.2: {where}: geometry is a Geometry object")
        else:
            _geometry(shape, where, found)
    _bbox(o, where, found)


def _geometry(o, where, found):
    _common(o, where, found, ("geometry", "properties", "features"))
    kind = o["type"]
    if kind == "GeometryCollection":
        if not isinstance(o.get("geometries"), list):
            found.append(f"section 3.1.8: {where}: geometries is an array")
            return
        for part in o["geometries"]:
            if not isinstance(part, dict) or part.get("type") not in GEOMETRIES:
                # Nested collections are advised against; the reader insists.
                found.append(f"section 3.1.8: {where}: a GeometryCollection holds single geometries")
            else:
                _geometry(part, where, found)
        return
    if not isinstance(o.get("coordinates"), list):
        found.append(f"section 3.1: {where}: a Geometry has an array of coordinates")
        return
    before = len(found)
    _positions(o["coordinates"], GEOMETRIES[kind], where, found)
    if len(found) > before:
        return
    coordinates = o["coordinates"]
    if kind == "LineString":
        _line(coordinates, where, found)
    elif kind == "MultiLineString":
        for part in coordinates:
            _line(part, where, found)
    elif kind == "Polygon":
        _polygon(coordinates, where, found)
    elif kind == "MultiPolygon":
        for part in coordinates:
            _polygon(part, where, found)
    _bbox(o, where, found)


def _positions(c, depth, where, found):
    if depth:
        for part in c:
            if not isinstance(part, list):
                found.append(f"section 3.1: {where}: arrays of coordinates are nested too shallowly")
                return
            _positions(part, depth - 1, where, found)
        return
    # More than three elements are advised against; the reader insists.
    if not 2 <= len(c) <= 3 or not all(_number(v) for v in c):
        found.append(f"section 3.1.1: {where}: a position is two or three numbers, found {c}")
        return
    if abs(c[1]) > 90:
        found.append(f"section 4: {where}: a latitude within -90 to 90 comes second, found {c[1]}")
    if abs(c[0]) > 180:
        found.append(f"section 4: {where}: a longitude within -180 to 180 comes first, found {c[0]}")


def _number(v):
    return isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v)


def _edges(line, where, found):
    for a, b in pairwise(line):
        # A representation crosses the antimeridian if an edge is longer than half a turn.
        if abs(a[0] - b[0]) > 180:
            found.append(f"section 3.1.9: {where}: the edge {a} to {b} spans more than 180 degrees")


def _line(line, where, found):
    if len(line) < 2:
        found.append(f"section 3.1.4: {where}: a LineString has two positions or more")
    _edges(line, where, found)


def _polygon(rings, where, found):
    if not rings:
        found.append(f"section 3.1.6: {where}: a Polygon has an exterior ring")
    for n, ring in enumerate(rings):
        name = "exterior" if n == 0 else "interior"
        if len(ring) < 4:
            found.append(f"section 3.1.6: {where}: a linear ring has four positions or more")
            continue
        if ring[0] != ring[-1]:
            found.append(f"section 3.1.6: {where}: the {name} ring is closed, first and last identical")
        # Twice the signed area, from the first vertex, so that small rings far from 0 are told rightly.
        x0, y0 = ring[0][:2]
        area = math.fsum((a[0] - x0) * (b[1] - y0) - (b[0] - x0) * (a[1] - y0) for a, b in pairwise(ring))
        if area == 0 or (area > 0) != (n == 0):
            way = "counterclockwise" if n == 0 else "clockwise"
            found.append(f"section 3.1.6: {where}: right-hand rule, the {name} ring runs {way}")
        _edges(ring, where, found)


def _parts(o):
    """Return the positions of each connected part of an object."""
    kind = o.get("type")
    if kind == "FeatureCollection":
        return [p for f in o["features"] if isinstance(f, dict) for p in _parts(f)]
    if kind == "Feature":
        return _parts(o["geometry"]) if isinstance(o.get("geometry"), dict) else []
    if kind == "GeometryCollection":
        return [p for g in o["geometries"] for p in _parts(g)]
    c = o["coordinates"]
    if kind == "Point":
        return [[c]]
    if kind == "MultiPoint":
        return [[p] for p in c]
    if kind == "LineString":
        return [c]
    if kind == "MultiLineString":
        return c
    return [c[0]] if kind == "Polygon" else [p[0] for p in c]


def _bbox(o, where, found):
    if "bbox" not in o:
        return
    box = o["bbox"]
    if not isinstance(box, list) or len(box) not in (4, 6) or not all(_number(v) for v in box):
        found.append(f"section 5: {where}: a bbox is an array of 2n numbers")
        return
    half = len(box) // 2
    west, south, east, north = box[0], box[1], box[half], box[half + 1]
    if abs(west) > 180 or abs(east) > 180 or not -90 <= south <= north <= 90:
        found.append(f"section 5: {where}: a bbox runs from the southwest to the northeast corner, {box}")
        return
    if any("3.1" in f or "section 4" in f or "3.2" in f or "3.3" in f for f in found):
        return
    parts = [p for p in _parts(o) if p]
    if not parts:
        found.append(f"section 5: {where}: a bbox without coordinates")
        return
    lats = [c[1] for p in parts for c in p]
    if abs(min(lats) - south) > TOLERANCE or abs(max(lats) - north) > TOLERANCE:
        found.append(f"section 5: {where}: the latitudes of the bbox are the least and the greatest")
    if min(lats) == -90 or max(lats) == 90:
        if (west, east) != (-180, 180):
            found.append(f"section 5.3: {where}: a bbox that contains a pole extends from -180 to 180")
        return
    arcs = [(min(c[0] for c in p), max(c[0] for c in p)) for p in parts]
    width = east - west if west <= east else east - west + 360
    for a, b in arcs:
        if _ahead(west, a) + (b - a) > width + TOLERANCE:
            found.append(f"section 5: {where}: the bbox {box} leaves out longitudes {a} to {b}")
            return
    # Section 5.2 shows that a box across 180 has its west above its east, and is the small one. Brute
    # force: the shortest arc begins where some part begins.
    shortest = min(max(_ahead(w, a) + (b - a) for a, b in arcs) for w, _ in arcs)
    if width > min(shortest, 360) + 2 * TOLERANCE:
        found.append(f"section 5.2: {where}: the bbox is {width} degrees wide, {shortest} would do")


def _ahead(start, lon):
    """Return how far east of `start` a longitude lies, 0 to 360, a hair to the west counting as 0."""
    gap = (lon - start) % 360
    return 0.0 if gap > 360 - TOLERANCE else gap
