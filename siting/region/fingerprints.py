"""A hash of what an input file says, that editing without change of content does not alter.

SHA-256 follows FIPS 180-4; the order of rows and columns, separators, line ends and a byte mark do not
enter it, any changed cell does.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import shapely

from siting.region.features import RawFeatures
from siting.region.rows import Raw


def of_settings(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a parsed TOML file as hexadecimal digits; comments and order of keys do not count."""
    return _hash(content)


def of_rows(raw: Raw) -> str:
    """Return the SHA-256 of the cells of a table, in an order of their own, as hexadecimal digits."""
    shapes = raw.geometries if isinstance(raw, RawFeatures) else (None,) * len(raw.rows)
    rows: list[dict[str, str]] = []
    for row, shape in zip(raw.rows, shapes, strict=True):
        cells = {column: cell for column, cell in zip(raw.columns, row, strict=True) if cell != ""}
        if shape is not None:
            # No column is nameless. A billionth of a degree is a tenth of a millimetre: finer digits come from
            # reprojection only.
            cells[""] = shapely.to_wkt(shape, rounding_precision=9)
        rows.append(cells)
    return _hash(sorted(rows, key=lambda cells: (cells.get("id", ""), sorted(cells.items()))))


def _hash(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()
