"""GeoJSON as RFC 7946 has it, from shapely geometry to text.

The library that reads and writes most formats adds a `crs` member and leaves lines across 180 degrees uncut,
so the writing is done here.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from siting.geography.antimeridian import cut_line, cut_polygon, longitude_span
from siting.geography.geodesy import checked_latitudes, checked_longitudes

FloatArray = NDArray[np.float64]
Extent = tuple[float, float, float, float]

# RFC 7946 section 11.2: six decimals are about 10 centimetres.
DECIMALS = 6
_WRITTEN = ("Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon")


def feature(geometry: Any, properties: Mapping[str, Any], feature_id: str | int) -> dict[str, Any]:
    """Return a GeoJSON Feature with `bbox`, ready for `feature_collection` and `dumps`.

    `geometry` is a shapely Point, LineString, Polygon or one of their Multi forms, in degrees of longitude
    (-180 to 180 or 0 to 360) and latitude, WGS 84, or None for a feature without a place. Heights (z) are
    left out. Lines and polygons that cross 180 degrees become MultiLineString and MultiPolygon (section
    3.1.9), a polygon round a pole is closed along 180 and the pole (see `cut_polygon`), rings are closed and
    follow the right-hand rule (section 3.1.6), coordinates have six decimals; parts that vanish by this are
    left out.
    Property values may be text, numbers, true and false, None, dates, arrays, and lists and mappings of
    these; numpy scalars are converted. Order is kept.

    Raises ValueError for an empty or invalid geometry, another type, coordinates that are not finite or out
    of range, a property that is NaN or infinite (give None for null) or of another type, and an id that is
    neither text nor a whole number.
    """
    if isinstance(feature_id, np.integer):
        feature_id = int(feature_id)
    if isinstance(feature_id, bool) or not isinstance(feature_id, str | int):
        raise ValueError(f"a feature's id must be text or a whole number, found {feature_id!r}")
    place = f"feature {feature_id!r}"
    written: dict[str, Any] = {"type": "Feature", "id": _plain(feature_id, f"the id of {place}")}
    shape: dict[str, Any] | None = None
    if geometry is not None:
        try:
            shape = _geometry(geometry)
        except ValueError as error:
            raise ValueError(f"{place}: {error}") from error
        written["bbox"] = _bbox(_extents(shape))
    written["properties"] = _plain(dict(properties), place)
    written["geometry"] = shape
    return written


def feature_collection(features: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Return a GeoJSON FeatureCollection of features made by `feature`, in the given order.

    It has a `bbox` (section 5) unless no feature has a place: the smallest one, west greater than east if it
    crosses 180 degrees; if it reaches a pole, from -180 to 180.
    Raises ValueError for two features of one id.
    """
    members = [dict(f) for f in features]
    seen: set[tuple[bool, Any]] = set()
    for member in members:
        key = (isinstance(member["id"], str), member["id"])
        if key in seen:
            raise ValueError(f"two features have the id {member['id']!r}; ids must be unique")
        seen.add(key)
    extents = [e for m in members if m["geometry"] is not None for e in _extents(m["geometry"])]
    collection: dict[str, Any] = {"type": "FeatureCollection"}
    if extents:
        collection["bbox"] = _bbox(extents)
    collection["features"] = members
    return collection


def dumps(obj: Mapping[str, Any]) -> str:
    """Return GeoJSON text, a line for each feature, ending with a line break; same object, same text.

    Coordinates and bbox are rounded to six decimals; other numbers are written in full. Characters stand for
    themselves: write the text as UTF-8.
    Raises ValueError for numbers that are not finite, and for text that UTF-8 cannot hold.
    """
    plain = _plain(_rounded(obj), "the GeoJSON object")
    if plain.get("type") != "FeatureCollection":
        return _compact(plain) + "\n"
    head = {k: v for k, v in plain.items() if k != "features"}
    rows = ",\n".join(_compact(f) for f in plain["features"])
    return f'{_compact(head)[:-1]}, "features": [\n{rows}\n]}}\n'


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _tidy(values: FloatArray) -> FloatArray:
    """Round to six decimals; no negative zero."""
    return np.round(values, DECIMALS) + 0.0


def _rounded(value: Any, in_coordinates: bool = False) -> Any:
    """Return a copy with the numbers under `coordinates` and `bbox` rounded, those in properties not."""
    if isinstance(value, Mapping):
        return {k: v if k == "properties" else _rounded(v, k in ("coordinates", "bbox")) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return _rounded(value.tolist(), in_coordinates)
    if isinstance(value, list | tuple):
        return [_rounded(v, in_coordinates) for v in value]
    if in_coordinates and isinstance(value, float | np.floating):
        return round(float(value), DECIMALS) + 0.0
    return value


def _plain(value: Any, place: str) -> Any:
    """Return a value made of JSON's own types; raise ValueError, naming the place, for what has none."""
    if isinstance(value, np.generic):
        value = value.item()
    elif isinstance(value, np.ndarray):
        value = value.tolist()
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{place} holds {value}, which JSON cannot; give None for a missing value")
        return value
    if isinstance(value, str):
        try:
            value.encode("utf-8")
        except UnicodeEncodeError as error:
            raise ValueError(f"{place} holds text that UTF-8 cannot; correct {value!r}") from error
        return str(value)
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                raise ValueError(f"{place} has a member named {key!r}; names must be text")
        return {_plain(k, place): _plain(v, f"{place}, {k}") for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v, place) for v in value]
    raise ValueError(
        f"{place} holds a value of type {type(value).__name__};"
        " allowed are text, numbers, true, false, None, dates, lists and mappings"
    )


def _geometry(geometry: Any) -> dict[str, Any]:
    """Return a geometry as GeoJSON, cut, wound, rounded."""
    kind = getattr(geometry, "geom_type", None)
    if kind not in _WRITTEN:
        raise ValueError(f"the geometry must be one of {', '.join(_WRITTEN)}, found {kind}")
    if geometry.is_empty:
        raise ValueError(f"the {kind} is empty; give it coordinates, or None for no place")
    parts = [p for p in shapely.get_parts(geometry) if not p.is_empty]
    make: dict[str, Callable[[list[Any]], list[Any]]] = {
        "Point": _points,
        "LineString": _lines,
        "Polygon": _polygons,
    }
    single = kind.removeprefix("Multi")
    written = make[single](parts)
    if kind == single and len(written) == 1:
        return {"type": single, "coordinates": written[0]}
    return {"type": f"Multi{single}", "coordinates": written}


def _points(parts: list[Any]) -> list[Any]:
    xy = shapely.get_coordinates(parts)
    lon, lat = checked_longitudes(xy[:, 0]), checked_latitudes(xy[:, 1])
    if lon.min() < -180.0 or lon.max() > 360.0:
        raise ValueError("longitudes of a point must lie within -180 to 180 or 0 to 360 degrees")
    lon = np.where(lon > 180.0, lon - 360.0, lon)
    written: list[Any] = _tidy(np.column_stack([lon, lat])).tolist()
    return written


def _lines(parts: list[Any]) -> list[Any]:
    written: list[Any] = []
    for part in parts:
        for line in cut_line(shapely.get_coordinates(part)):
            xy = _tidy(line)
            keep = np.concatenate([[True], (np.diff(xy, axis=0) != 0.0).any(axis=1)])
            if keep.sum() > 1:
                written.append(xy[keep].tolist())
    if not written:
        raise ValueError("the line is shorter than GeoJSON's six decimals; give a point")
    return written


def _polygons(parts: list[Any]) -> list[Any]:
    cut: list[Any] = []
    for part in parts:
        rings = [shapely.get_coordinates(r) for r in (part.exterior, *part.interiors)]
        cut += [shapely.Polygon(s, h) for s, h in cut_polygon(rings[0], rings[1:])]
    area = shapely.MultiPolygon(cut)
    if not area.is_valid:
        # Parts of one MultiPolygon must not overlap.
        area = shapely.union_all(cut)
    fine = shapely.transform(area, _tidy)
    if not fine.is_valid:
        # Rounding made edges touch or cross; the library rounds again and mends it.
        fine = shapely.transform(shapely.set_precision(area, 10.0**-DECIMALS), _tidy)
    polygons = [shapely.geometry.polygon.orient(p, 1.0) for p in shapely.get_parts(fine) if p.area > 0.0]
    if not polygons:
        raise ValueError("the polygon is smaller than GeoJSON's six decimals; give a point")
    return [[_ring(p.exterior)] + [_ring(r) for r in p.interiors] for p in polygons]


def _ring(ring: Any) -> list[Any]:
    xy = _tidy(shapely.get_coordinates(ring))
    keep = np.concatenate([[True], (np.diff(xy, axis=0) != 0.0).any(axis=1)])
    written: list[Any] = xy[keep].tolist()
    return written


def _extents(geometry: Mapping[str, Any]) -> list[Extent]:
    """Return west, south, east, north of each part of a geometry; no part crosses 180."""
    kind, coordinates = geometry["type"], geometry["coordinates"]
    parts = coordinates if kind.startswith("Multi") else [coordinates]
    extents: list[Extent] = []
    for part in parts:
        xy = np.atleast_2d(np.asarray(part[0] if kind.endswith("Polygon") else part, dtype=np.float64))
        (west, south), (east, north) = xy.min(axis=0).tolist(), xy.max(axis=0).tolist()
        extents.append((west, south, east, north))
    return extents


def _bbox(extents: list[Extent]) -> list[float]:
    """Return the smallest bbox, west greater than east if it crosses 180 (section 5.2).

    One that reaches a pole extends from -180 to 180 (section 5.3): every meridian ends there.
    """
    table = np.array(extents)
    south, north = float(table[:, 1].min()), float(table[:, 3].max())
    if south == -90.0 or north == 90.0:
        return [-180.0, south, 180.0, north]
    west, east = longitude_span(table[:, [0, 2]])
    return [west, south, east, north]
