"""From a GeoJSON or GeoPackage file to cells and shapes in degrees, every doubtful coordinate named.

GeoJSON follows RFC 7946 (longitude before latitude, WGS 84, closed rings: sections 3.1 and 4); the member
`crs` of its 2008 predecessor is understood and answered with a reprojection.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError
from shapely.geometry.base import BaseGeometry

from siting.region.faults import Findings
from siting.region.geojson import read_geojson
from siting.region.geopackage import read_geopackage
from siting.region.shapes import Document
from siting.region.tables import column_name
from siting.region.text import trimmed

_ALLOWED_DEGREES = "longitude -180 to 180 (or 0 to 360), then latitude -90 to 90"


@dataclass(frozen=True, slots=True)
class RawFeatures:
    """Features as cells and shapes: `rows[k]` belongs to `geometries[k]` and to feature `numbers[k]`.

    Cells are text, as those of a table: nothing is an empty cell, truth is `true` or `false`, a number is
    written so that it reads back the same. Geometries are lon/lat WGS 84 in degrees, two-dimensional,
    longitudes -180 to 360 as they stand in the file; None where the geometry is a fault, so that the
    other cells of the feature can still be checked.
    """

    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    geometries: tuple[BaseGeometry | None, ...]


def read_features(path: Path, name: str, findings: Findings) -> RawFeatures | None:
    """Return the features of a `.geojson` (or `.json`) or `.gpkg` file, or note every fault.

    None if nothing can be told of its features. Another coordinate reference system is reprojected to
    WGS 84 with a warning; longitudes of 180 to 360 are kept with a warning.
    """
    suffix = path.suffix.lower()
    if suffix == ".gpkg":
        document = read_geopackage(path, name, findings)
    elif suffix in (".geojson", ".json"):
        document = read_geojson(path, name, findings)
    else:
        findings.fault(
            name,
            None,
            None,
            suffix or None,
            "is no GeoJSON or GeoPackage file",
            allowed=".geojson or .gpkg",
            mend="save the layer in one of these formats",
        )
        return None
    if document is None:
        return None
    if not document.features:
        findings.fault(name, None, None, None, "holds no features", mend="add features, or delete the file")
        return None
    columns, rows = _cells(document, findings)
    geometries = _in_degrees(document, findings)
    numbers = tuple(feature.number for feature in document.features)
    return RawFeatures(name, columns, rows, numbers, geometries)


def _cells(document: Document, findings: Findings) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    columns: dict[str, None] = {}
    cells: list[dict[str, str]] = []
    for feature in document.features:
        row: dict[str, str] = {}
        for key, value in feature.properties.items():
            column = column_name(key)
            text = _cell(value)
            if not column:
                if text != "":
                    problem, mend = "a property has no name", "name it, or delete it"
                    findings.fault(document.file, feature.number, None, text, problem, mend=mend)
                continue
            columns.setdefault(column)
            if column in row or key in feature.repeated:
                findings.fault(
                    document.file,
                    feature.number,
                    column,
                    None,
                    "two properties of the feature have this name",
                    allowed="each name once (capitals, spaces and hyphens make no difference)",
                    mend="rename or delete one of them",
                )
            if text is None:
                what = "an object" if isinstance(value, Mapping) else "a list of lists, objects or bytes"
                findings.fault(
                    document.file,
                    feature.number,
                    column,
                    None,
                    f"holds {what}",
                    allowed="text, a number, true or false, or a list of these",
                    mend="write the value as text",
                )
            elif any("\ud800" <= character <= "\udfff" or character == "\x00" for character in text):
                findings.fault(
                    document.file,
                    feature.number,
                    column,
                    ascii(text),
                    "holds half a character or a NUL",
                    allowed="Unicode text",
                    mend="write the text again",
                )
                text = None
            row.setdefault(column, text or "")
        cells.append(row)
    # The id that GeoJSON keeps beside the properties counts where no feature has it among them.
    if "id" not in columns and any(feature.id is not None for feature in document.features):
        columns = {"id": None, **columns}
        for row, feature in zip(cells, document.features, strict=True):
            row["id"] = _cell(feature.id) or ""
    return tuple(columns), tuple(tuple(row.get(column, "") for column in columns) for row in cells)


def _cell(value: object) -> str | None:
    """Return a property as the text of a cell; None if it is neither a scalar nor a list of scalars."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return trimmed(value)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        parts = [None if isinstance(part, list) else _cell(part) for part in value]
        kept = [part for part in parts if part is not None]
        return ", ".join(part for part in kept if part) if len(kept) == len(parts) else None
    return None


def _in_degrees(document: Document, findings: Findings) -> tuple[BaseGeometry | None, ...]:
    shapes = [feature.geometry for feature in document.features]
    if document.crs is not None:
        crs = _crs(document.crs, document.file, findings)
        if crs is None:
            return (None,) * len(shapes)
        if not _is_wgs84(crs):
            return _reprojected(document, crs, findings)
    elif _looks_projected(shapes):
        _no_crs(document, findings)
        return (None,) * len(shapes)
    checked = tuple(
        _checked(feature.geometry, feature.number, document.file, findings) for feature in document.features
    )
    _note_east(checked, document, findings)
    return checked


def _crs(named: str, file: str, findings: Findings) -> CRS | None:
    mend = "save the layer in WGS 84 (EPSG:4326)"
    try:
        crs = CRS.from_user_input(named)
    except (CRSError, ValueError):
        problem = "names a coordinate reference system that is not known"
        findings.fault(file, None, "crs", named, problem, allowed="an EPSG code or its URN", mend=mend)
        return None
    if not (crs.is_geographic or crs.is_projected):
        problem = "names a coordinate reference system that is neither geographic nor projected"
        findings.fault(file, None, "crs", crs.name, problem, mend=mend)
        return None
    return crs


def _is_wgs84(crs: CRS) -> bool:
    wgs84 = CRS.from_epsg(4326)
    return bool(crs.equals(wgs84, ignore_axis_order=True) or crs.to_2d().to_epsg(min_confidence=100) == 4326)


def _reprojected(document: Document, crs: CRS, findings: Findings) -> tuple[BaseGeometry | None, ...]:
    mend = "save the layer in WGS 84 (EPSG:4326)"
    try:
        transformer = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    except ProjError:
        problem = "no way is known from this coordinate reference system to WGS 84"
        findings.fault(document.file, None, "crs", crs.name, problem, mend=mend)
        return (None,) * len(document.features)

    def turned(points: NDArray[np.float64]) -> NDArray[np.float64]:
        lon, lat = transformer.transform(points[:, 0], points[:, 1])
        return np.column_stack([lon, lat])

    done: list[BaseGeometry | None] = []
    for feature in document.features:
        shape = feature.geometry
        if shape is not None:
            points = turned(shapely.get_coordinates(shape))
            if np.isfinite(points).all():
                shape = shapely.set_coordinates(shapely.force_2d(shape), points)
                shape = _checked(shape, feature.number, document.file, findings)
            else:
                x, y = shapely.get_coordinates(shape)[int(np.argmin(np.isfinite(points).all(axis=1)))]
                findings.fault(
                    document.file,
                    feature.number,
                    "geometry",
                    f"{x:.12g}, {y:.12g}",
                    f"has a point that the coordinate reference system {crs.name} cannot place on the earth",
                    mend=f"check the coordinates and their reference system, or {mend}",
                )
                shape = None
        done.append(shape)
    if any(shape is not None for shape in done):
        said = "was reprojected to WGS 84 longitude and latitude (EPSG:4326)"
        findings.warn(document.file, None, "crs", crs.name, said)
    return tuple(done)


def _looks_projected(shapes: Sequence[BaseGeometry | None]) -> bool:
    points = shapely.get_coordinates([shape for shape in shapes if shape is not None])
    # 540: a longitude of 0-360 with half a turn to spare; swapped degrees stay below it as well
    return bool(points.size and (np.abs(points) > 540.0).any())


def _no_crs(document: Document, findings: Findings) -> None:
    for feature in document.features:
        if feature.geometry is None:
            continue
        points = shapely.get_coordinates(feature.geometry)
        beyond = (np.abs(points) > 540.0).any(axis=1)
        if beyond.any():
            x, y = points[int(np.argmax(beyond))]
            findings.fault(
                document.file,
                feature.number,
                "geometry",
                f"{x:.12g}, {y:.12g}",
                "has coordinates that cannot be degrees, and the file names no coordinate reference system",
                allowed=_ALLOWED_DEGREES,
                mend="save the layer in WGS 84 (EPSG:4326), or let the file name its reference system",
            )
            return


def _checked(shape: BaseGeometry | None, number: int, file: str, findings: Findings) -> BaseGeometry | None:
    """Return the shape in two dimensions if all its points are longitudes and latitudes."""
    if shape is None:
        return None
    points = shapely.get_coordinates(shape)
    bad = (np.abs(points[:, 1]) > 90.0) | (points[:, 0] < -180.0) | (points[:, 0] > 360.0)
    if not bad.any():
        return shapely.force_2d(shape)
    lon, lat = (float(part) for part in points[int(np.argmax(bad))])
    mend = None
    if abs(lat) > 90.0:
        problem = f"latitude {lat:.12g} is beyond 90"
        if abs(lon) <= 90.0 and -180.0 <= lat <= 360.0:
            problem += "; perhaps longitude and latitude are swapped"
            mend = f"write the longitude first: [{lat:.12g}, {lon:.12g}]"
    else:
        problem = f"longitude {lon:.12g} is outside -180 to 360"
        mend = f"write {math.remainder(lon, 360.0):.12g}"
    findings.fault(
        file,
        number,
        "geometry",
        f"{lon:.12g}, {lat:.12g}",
        problem,
        allowed=_ALLOWED_DEGREES,
        mend=mend or "correct the coordinates",
    )
    return None


def _note_east(shapes: Sequence[BaseGeometry | None], document: Document, findings: Findings) -> None:
    beyond = [
        feature.number
        for feature, shape in zip(document.features, shapes, strict=True)
        if shape is not None and bool((shapely.get_coordinates(shape)[:, 0] > 180.0).any())
    ]
    if beyond:
        findings.warn(
            document.file,
            beyond[0],
            "geometry",
            None,
            "longitudes above 180 are read as degrees east of Greenwich, 0 to 360"
            + (f" ({len(beyond)} features)" if len(beyond) > 1 else ""),
        )
