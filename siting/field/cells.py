"""Cells of about 800 km: candidates of one cell breathe the same air."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from siting.region.model import Ints

ROWS = 25
ROW_DEGREES = 180.0 / ROWS
WIDTH_KM = 800.0
EQUATOR_KM = 40_075.0


def cells_per_row() -> Ints:
    """Return how many cells each row has: the multiple of 4 nearest to 800 km wide, polar caps one."""
    middle = -90.0 + ROW_DEGREES * (np.arange(ROWS) + 0.5)
    wanted = EQUATOR_KM * np.cos(np.radians(middle)) / WIDTH_KM
    counts = np.maximum(4, 4 * np.rint(wanted / 4.0)).astype(np.int64)
    counts[[0, -1]] = 1
    return np.asarray(counts, dtype=np.int64)


def cell_of(lat: ArrayLike, lon: ArrayLike) -> Ints:
    """Return the number of the cell (n,) of positions in degrees; edges are counted from 0 E."""
    la, lo = np.asarray(lat, dtype=float), np.asarray(lon, dtype=float)
    if not (np.all(np.abs(la) <= 90.0) and np.all(np.isfinite(lo))):
        raise ValueError("latitudes must lie between -90 and 90 degrees and longitudes be finite")
    counts = cells_per_row()
    begin = np.concatenate([[0], np.cumsum(counts)])
    # Rows are counted from the equator outwards, so that swapping the hemispheres swaps the rows.
    row = (ROWS // 2 + np.sign(la) * np.floor(np.abs(la) / ROW_DEGREES + 0.5)).astype(np.int64)
    row = np.clip(row, 0, ROWS - 1)
    column = np.floor((lo % 360.0) / 360.0 * counts[row]).astype(np.int64)
    return np.asarray(begin[row] + np.minimum(column, counts[row] - 1), dtype=np.int64)
