"""What the readers of feature files hand on, and the checks that every shape must pass in either format."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siting.region.faults import Findings

SHAPES = ("Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon")
ALLOWED_SHAPES = "Point, LineString, MultiLineString, Polygon or MultiPolygon"


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature as read: `geometry` is None where it is a fault, `repeated` the keys given twice."""

    number: int
    properties: Mapping[str, object]
    geometry: BaseGeometry | None
    id: object = None
    repeated: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Document:
    """All features of a file, and the coordinate reference system it names (None: it names none)."""

    file: str
    features: tuple[Feature, ...]
    crs: str | None


def sound_shape(shape: BaseGeometry | None, number: int, file: str, findings: Findings) -> BaseGeometry | None:
    """Return a shape of an allowed kind that is finite, not empty and not broken; else note a fault."""

    def fault(problem: str, mend: str, value: str | None = None, allowed: str | None = None) -> None:
        findings.fault(file, number, "geometry", value, problem, allowed=allowed, mend=mend)

    if shape is None:
        fault("is missing or damaged", "draw the geometry, or delete the feature", allowed=ALLOWED_SHAPES)
        return None
    if shape.geom_type not in SHAPES:
        fault("is of a kind that cannot be used", _one_each(shape.geom_type), shape.geom_type, ALLOWED_SHAPES)
        return None
    points = shapely.get_coordinates(shape)
    if not len(points):
        fault("is empty", "draw the geometry, or delete the feature", allowed=ALLOWED_SHAPES)
        return None
    if not np.isfinite(points).all():
        fault("has a coordinate that is not a finite number", "correct the coordinates")
        return None
    if "Line" in shape.geom_type:
        for part in shapely.get_parts(shape):
            if len(np.unique(shapely.get_coordinates(part), axis=0)) < 2:
                fault("a line has fewer than 2 different points", "draw the line, or make it a point")
                return None
    elif "Polygon" in shape.geom_type and not shapely.is_valid(shape):
        reason = str(shapely.is_valid_reason(shape))
        what, _, where = reason.partition("[")
        place = f" at {where.rstrip(']').replace(' ', ', ')}" if where else ""
        said = "crosses itself" if "intersection" in what.lower() else f"is not valid ({what.strip().lower()})"
        fault(f"the polygon {said}{place}", "redraw the polygon, or repair it in a map program")
        return None
    return shape


def _one_each(kind: str) -> str:
    if kind in ("MultiPoint", "GeometryCollection"):
        return "make a feature of each part"
    return "draw the geometry as a point, a line or a polygon"
