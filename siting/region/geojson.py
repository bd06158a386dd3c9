"""From the text of a GeoJSON file to its features, every fault in its structure named (RFC 7946)."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from pathlib import Path

import shapely
from shapely.geometry.base import BaseGeometry

from siting.region.faults import Findings
from siting.region.shapes import ALLOWED_SHAPES, SHAPES, Document, Feature, sound_shape
from siting.region.text import lines_of, read_text

_DEPTH = {"Point": 0, "LineString": 1, "MultiLineString": 2, "Polygon": 2, "MultiPolygon": 3}


class _Object(dict[str, object]):
    """A JSON object that remembers the keys that were given twice."""

    repeated: frozenset[str] = frozenset()


class _CoordinateError(ValueError):
    """The coordinates of a geometry are not as RFC 7946 has them; the arguments are problem and mend."""


def _object(pairs: Iterable[tuple[str, object]]) -> _Object:
    made = _Object()
    twice = set()
    for key, value in pairs:
        if key in made:
            twice.add(key)
        made[key] = value
    made.repeated = frozenset(twice)
    return made


def _integer(digits: str) -> int | float:
    # Python refuses to read integers of thousands of digits; as a float they are too large, and named so
    return int(digits) if len(digits) <= 40 else float(digits)


def read_geojson(path: Path, name: str, findings: Findings) -> Document | None:
    """Return the features of a GeoJSON FeatureCollection, or note faults and return None."""
    text = read_text(path, name, findings)
    if text is None:
        return None
    try:
        root = json.loads(text, object_pairs_hook=_object, parse_int=_integer)
    except json.JSONDecodeError as error:
        _syntax(error, text, name, findings)
        return None
    except RecursionError:
        findings.fault(name, None, None, None, "is nested too deeply", mend="save the layer again as GeoJSON")
        return None
    features = _features(root, name, findings)
    if features is None or not isinstance(root, dict):
        return None
    crs, usable = _declared_crs(root, name, findings)
    if not usable:
        return None
    read = tuple(_feature(item, number, name, findings) for number, item in enumerate(features, 1))
    return Document(name, read, crs)


def _syntax(error: json.JSONDecodeError, text: str, name: str, findings: Findings) -> None:
    lines = lines_of(text)
    before = lines_of(text[: error.pos])
    line, column = len(before), len(before[-1]) + 1
    shown = lines[line - 1] if line <= len(lines) else ""
    start = max(0, column - 31)
    rest = text[error.pos :].lstrip()
    left = text[: error.pos].rstrip()
    mend = "correct the file at this place, or save the layer again as GeoJSON"
    if not rest:
        mend = "the file ends too early: save the layer again"
    elif left.endswith(",") and rest[0] in "]}":
        mend = "delete the comma before the bracket"
    elif rest[0] in "'“”‘’":
        mend = 'write straight double quotes (")'
    elif rest[0] == "/" or rest[0] == "#":
        mend = "delete the comment: JSON has none"
    elif rest[0] == "+" or re.match(r"-?\.[0-9]", rest):
        mend = "write numbers as 0.5, without a plus sign"
    elif re.match(r"[,\s]*(?:None|True|False)\b", rest):
        mend = "write null, true or false"
    findings.fault(
        name,
        None,
        None,
        shown[start : start + 60].strip() or None,
        f"is not valid JSON at line {line}, column {column} ({error.msg.lower()})",
        allowed="a GeoJSON FeatureCollection",
        mend=mend,
    )


def _features(root: object, name: str, findings: Findings) -> list[object] | None:
    allowed = "a GeoJSON FeatureCollection"
    kind = root.get("type") if isinstance(root, dict) else None
    if isinstance(root, dict) and kind == "FeatureCollection":
        features = root.get("features")
        if isinstance(features, list):
            return features
        problem = "the FeatureCollection has no list of features"
        mend = 'give it a member "features": [...]'
        findings.fault(name, None, "features", None, problem, allowed=allowed, mend=mend)
        return None
    mend = "save the layer again as GeoJSON"
    value = kind if isinstance(kind, str) else None
    if kind == "Feature" or kind in SHAPES:
        mend = 'put it into {"type": "FeatureCollection", "features": [...]}'
    findings.fault(name, None, "type", value, "is not a FeatureCollection", allowed=allowed, mend=mend)
    return None


def _declared_crs(root: dict[str, object], name: str, findings: Findings) -> tuple[str | None, bool]:
    """Return the name of the `crs` member (None if there is none) and whether it can be understood."""
    crs = root.get("crs")
    if crs is None:
        return None, True
    properties = crs.get("properties") if isinstance(crs, dict) else None
    named = properties.get("name") if isinstance(properties, dict) else None
    if isinstance(crs, dict) and crs.get("type") == "name" and isinstance(named, str) and named.strip():
        return named.strip(), True
    findings.fault(
        name,
        None,
        "crs",
        json.dumps(crs)[:200],
        "does not name a coordinate reference system",
        allowed='a member such as {"type": "name", "properties": {"name": "EPSG:4326"}}',
        mend="save the layer in WGS 84 (EPSG:4326) and delete the member crs",
    )
    return None, False


def _feature(item: object, number: int, name: str, findings: Findings) -> Feature:
    if not isinstance(item, _Object) or item.get("type") != "Feature":
        problem, mend = "is not a Feature", 'write "type": "Feature" with properties and geometry'
        findings.fault(name, number, "type", None, problem, allowed="Feature", mend=mend)
        return Feature(number, {}, None)
    properties = item.get("properties")
    if properties is not None and not isinstance(properties, _Object):
        problem = "the properties are not an object"
        findings.fault(name, number, "properties", None, problem, mend='write "properties": {...}')
        properties = None
    known = properties if isinstance(properties, _Object) else _Object()
    marker = item.get("id")
    shape = _geometry(item.get("geometry"), number, name, findings)
    return Feature(number, known, shape, marker, known.repeated)


def _geometry(item: object, number: int, name: str, findings: Findings) -> BaseGeometry | None:
    def fault(problem: str, mend: str, value: object = None) -> None:
        findings.fault(name, number, "geometry", value, problem, allowed=ALLOWED_SHAPES, mend=mend)

    if item is None:
        fault("is missing or null", "draw the geometry, or delete the feature")
        return None
    kind = item.get("type") if isinstance(item, dict) else None
    if not isinstance(item, dict) or not isinstance(kind, str):
        fault("is not a geometry object", 'write {"type": "Point", "coordinates": [lon, lat]}')
        return None
    if kind not in SHAPES:
        one_each = kind in ("MultiPoint", "GeometryCollection")
        mend = "make a feature of each part" if one_each else "draw it as a point, a line or a polygon"
        fault("is of a kind that cannot be used", mend, kind)
        return None
    try:
        shape = _shape(kind, item.get("coordinates"))
    except _CoordinateError as error:
        problem, mend = error.args
        fault(problem, mend)
        return None
    return sound_shape(shape, number, name, findings)


def _shape(kind: str, coordinates: object) -> BaseGeometry:
    nested = _nested(coordinates, _DEPTH[kind], kind)
    if kind == "Point":
        return shapely.Point(nested)
    if kind == "LineString":
        return shapely.LineString(_line(nested))
    if kind == "MultiLineString":
        return shapely.MultiLineString([_line(part) for part in nested])
    if kind == "Polygon":
        return _polygon(nested)
    return shapely.MultiPolygon([_polygon(part) for part in nested])


def _nested(item: object, depth: int, kind: str) -> list:  # type: ignore[type-arg]
    """Return lists `depth` levels above positions of two numbers, an elevation cut off."""
    if not isinstance(item, list):
        raise _CoordinateError(f"the coordinates are not those of a {kind}", "write lists of [lon, lat]")
    if depth == 0:
        return _position(item, kind)
    if not item:
        raise _CoordinateError("is empty", "draw the geometry, or delete the feature")
    return [_nested(part, depth - 1, kind) for part in item]


def _position(item: list[object], kind: str) -> list[float]:
    if any(isinstance(part, list) for part in item):
        raise _CoordinateError(f"the coordinates are not those of a {kind}", "correct the brackets or the type")
    if not item:
        raise _CoordinateError("is empty", "draw the geometry, or delete the feature")
    if len(item) < 2:
        raise _CoordinateError("a position has fewer than 2 numbers", "write [lon, lat]")
    if len(item) > 3:
        raise _CoordinateError(
            f"a position has {len(item)} numbers, perhaps for decimal commas",
            "write [lon, lat] with decimal points",
        )
    position = []
    for part in item[:2]:
        if isinstance(part, bool) or not isinstance(part, int | float):
            shown = json.dumps(part)[:40]
            raise _CoordinateError(f"a coordinate is not a number: {shown}", "write numbers without quotes")
        if not math.isfinite(part):
            raise _CoordinateError("has a coordinate that is not a finite number", "correct the coordinates")
        position.append(float(part))
    return position


def _line(points: list[list[float]]) -> list[list[float]]:
    if len(points) < 2:
        raise _CoordinateError("a line has fewer than 2 points", "draw the line, or make it a point")
    return points


def _polygon(rings: list[list[list[float]]]) -> BaseGeometry:
    for ring in rings:
        if ring[0] != ring[-1]:
            raise _CoordinateError("a ring of the polygon is not closed", "repeat its first position at its end")
        if len(ring) < 4:
            raise _CoordinateError("a ring of the polygon has fewer than 4 positions", "draw the polygon again")
    return shapely.Polygon(rings[0], rings[1:])
