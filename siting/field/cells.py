"""Cells of about 800 km: candidates of one cell breathe the same air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats, Ints
from siting.geography.places import Places
from siting.record.own import SharedAir, SiteAir
from siting.record.shared import endless_variance

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


@dataclass(frozen=True, eq=False)
class CellAir:
    """The variability that all candidates of a cell breathe, each array (c,) in the order of `cells`.

    `slow_variance` with `slow_phi` from month to month and `endless`, what stays of the synoptic
    variability in a monthly mean of endless samples; `begin`, the first month from which all can have a record.
    """

    cells: Ints
    slow_variance: Floats
    slow_phi: Floats
    endless: Floats
    begin: Ints

    def of(self, cell: int) -> tuple[float, float, float, int]:
        """Return slow variance, phi, endless variance and first month of one cell."""
        k = int(np.searchsorted(self.cells, cell))
        return float(self.slow_variance[k]), float(self.slow_phi[k]), float(self.endless[k]), int(self.begin[k])

    def at(self, cells: Ints) -> SharedAir:
        """Return the air of cells (n,), one for each candidate."""
        k = np.searchsorted(self.cells, cells)
        return SharedAir(self.slow_variance[k], self.slow_phi[k], self.endless[k], self.begin[k])


def cell_air(places: Places, air: SiteAir, begin: Ints) -> CellAir:
    """Return the air of every cell that a candidate stands in or passes: the least of its candidates' (section 6 iv).

    Least slow variance with the phi that goes with it (the least phi among equals), and least endless
    synoptic variance, from the month on from which all of them can have a record (`begin` (n,) is that of each).
    Each candidate keeps whatever its own error exceeds what these leave in the cell. All candidates of the region
    count, picked or not, so that what a record tells does not hang on the others that are picked.
    """
    cell, owner = cell_of(places.lat, places.lon), places.owner
    slow, phi, endless = air.slow_variance[owner], air.slow_phi[owner], endless_variance(air)[owner]
    order = np.lexsort((phi, slow, cell))
    cells, first = np.unique(cell[order], return_index=True)
    least, latest = np.minimum.reduceat(endless[order], first), np.maximum.reduceat(begin[owner][order], first)
    return CellAir(cells, slow[order][first], phi[order][first], least, latest)
