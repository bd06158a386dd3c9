"""Where each candidate is in the course of its time: one position for a fixed site, many for a track."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from siting.geography.bands import shares
from siting.geography.tracks import positions


@dataclass(frozen=True, eq=False)
class Places:
    """Positions of all candidates, sorted by candidate.

    `owner` (m,) is the index of the candidate, `lat` and `lon` (m,) are degrees WGS 84, `weight` (m,)
    is the share of the candidate's time and sums to 1 over each of the `count` candidates. Read-only.
    """

    owner: NDArray[np.int64]
    lat: NDArray[np.float64]
    lon: NDArray[np.float64]
    weight: NDArray[np.float64]
    count: int

    def band_shares(self, south: NDArray[np.float64], north: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the share (count, bands) of each candidate's time in bands with these edges (degrees), read-only."""
        found = shares(self.lat, self.weight, self.owner, self.count, south, north)
        found.setflags(write=False)
        return found


def places(geometries: Sequence[BaseGeometry], step_km: float = 100.0) -> Places:
    """Return the positions of candidates in the order given; lines and areas in steps of `step_km`.

    Raises ValueError for an empty geometry.
    """
    count = len(geometries)
    shapes = np.array(geometries, dtype=object)
    is_point = np.array([shape.geom_type == "Point" for shape in geometries], dtype=bool)
    plain = np.flatnonzero(is_point)
    owner, weight = [plain], [np.ones(plain.size)]
    lat = [shapely.get_y(shapes[plain]).astype(float) if plain.size else np.empty(0)]
    lon = [shapely.get_x(shapes[plain]).astype(float) if plain.size else np.empty(0)]
    for i in np.flatnonzero(~is_point).tolist():
        found = positions(geometries[i], step_km)
        owner.append(np.full(found.lat.size, i))
        lat.append(found.lat)
        lon.append(found.lon)
        weight.append(found.weight)
    owners = np.concatenate(owner).astype(np.int64)
    order = np.argsort(owners, kind="stable")
    arrays = [np.concatenate(part)[order] for part in (lat, lon, weight)]
    owners = owners[order]
    for array in (*arrays, owners):
        if not np.all(np.isfinite(array)):
            raise ValueError("a candidate's geometry is empty or has no finite coordinates")
        array.setflags(write=False)
    return Places(owners, arrays[0], arrays[1], arrays[2], count)
