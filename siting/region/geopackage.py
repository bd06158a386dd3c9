"""From a GeoPackage to the features of its one layer (OGC 12-128r19: an SQLite file, clause 1.1.1)."""

from __future__ import annotations

import math
import warnings
from pathlib import Path
from typing import Any

import pyogrio
import shapely
from pyogrio.raw import read as read_raw
from shapely.geometry.base import BaseGeometry

from siting.region.faults import Findings
from siting.region.shapes import Document, Feature, sound_shape
from siting.region.text import check_file

_MARK = b"SQLite format 3\x00"


def read_geopackage(path: Path, name: str, findings: Findings) -> Document | None:
    """Return the features of the only layer with features, or note faults; None if it cannot be read."""
    if not check_file(path, name, findings):
        return None
    try:
        with path.open("rb") as stream:
            begins = stream.read(len(_MARK))
    except OSError as error:
        said = (error.strerror or type(error).__name__).lower()
        findings.fault(name, None, None, None, f"cannot be read ({said})", mend="check its permissions")
        return None
    if begins != _MARK:
        findings.fault(
            name,
            None,
            None,
            None,
            "is not a GeoPackage",
            mend="save the layer again as GeoPackage or GeoJSON",
        )
        return None
    try:
        # Warnings of the library are kept and told as findings: raised, they would be lost in its callback.
        with warnings.catch_warnings(record=True) as noted:
            warnings.simplefilter("always")
            document = _document(path, name, findings)
    except Exception as error:  # a damaged database raises whatever the library below meets
        reason = str(error).replace(str(path), name).strip().splitlines() or [type(error).__name__]
        findings.fault(
            name,
            None,
            None,
            None,
            f"cannot be read as a GeoPackage ({reason[0].split(';')[0].rstrip('.')[:120]})",
            mend="save the layer again as GeoPackage or GeoJSON",
        )
        return None
    for text in dict.fromkeys(str(note.message) for note in noted):
        findings.warn(name, None, None, None, f"the GeoPackage is doubtful: {text.replace(str(path), name)[:200]}")
    return document


def _document(path: Path, name: str, findings: Findings) -> Document | None:
    # An attribute table has no geometry type and is none of ours.
    layers = [str(layer) for layer, kind in pyogrio.list_layers(path) if kind is not None]
    counts = {layer: pyogrio.read_info(path, layer=layer, force_feature_count=True)["features"] for layer in layers}
    filled = sorted(layer for layer, count in counts.items() if count)
    if len(filled) > 1:
        findings.fault(
            name,
            None,
            None,
            ", ".join(filled),
            f"has {len(filled)} layers with features",
            allowed="one layer with features",
            mend="keep one layer in the file and save the others elsewhere",
        )
        return None
    if not filled:
        return Document(name, (), None)
    meta, _, shapes, fields = read_raw(path, layer=filled[0], force_2d=True, datetime_as_string=True)
    if shapes is None:
        return Document(name, (), None)
    columns = [str(field) for field in meta["fields"]]
    kinds = [str(kind) for kind in meta["dtypes"]]
    made: list[BaseGeometry | None] = list(shapely.from_wkb(shapes, on_invalid="ignore"))
    if len(made) != counts[filled[0]]:
        problem = f"only {len(made)} of {counts[filled[0]]} features can be read"
        findings.fault(name, None, None, None, problem, mend="save the layer again")
    features = []
    for place, shape in enumerate(made):
        properties = {
            column: _value(values[place], kind) for column, kind, values in zip(columns, kinds, fields, strict=True)
        }
        sound = sound_shape(shape, place + 1, name, findings)
        features.append(Feature(place + 1, properties, sound))
    return Document(name, tuple(features), _named(meta["crs"]))


def _named(crs: Any) -> str | None:
    # GeoPackage clause 1.1.2.1.2: srs_id 0 and -1 are the undefined geographic and Cartesian systems
    if crs is None or not str(crs).strip() or "undefined" in str(crs).lower():
        return None
    return str(crs)


def _value(value: Any, kind: str) -> object:
    """Return a field as Python has it; numbers and truth come back as they were before nulls made floats."""
    if value is None:
        return None
    if kind == "bool":
        return None if math.isnan(float(value)) else bool(value)
    if kind.startswith(("int", "uint")):
        return None if math.isnan(float(value)) else int(value)
    if kind == "float32":
        # the shortest decimal that is the same single-precision number, not its double expansion
        return None if math.isnan(float(value)) else float(str(value))
    if kind.startswith("float"):
        return None if math.isnan(float(value)) else float(value)
    text = str(value)
    return text.replace("/", "-") if kind.startswith("datetime") else text
