"""Doubtful places: two candidates at one point, a point at exactly 0, 0."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from siting.region.candidates import Entry, centre
from siting.region.faults import Findings
from siting.region.plain import quoted

# Mean radius of the earth (IUGG R1); what is nearer than this distance is one place.
_RADIUS_M = 6371008.8
_SAME_M = 1.0


def name_doubtful_places(entries: Sequence[Entry], findings: Findings) -> None:
    """Warn of points within 1 m of an earlier one, and of points at exactly 0, 0.

    `entries` are in the order of ids; a point is compared with all of a smaller id and blamed once.
    """
    points = [entry for entry in entries if entry.geometry is not None and entry.geometry.geom_type == "Point"]
    if not points:
        return
    places = np.array([centre(entry.geometry) for entry in points if entry.geometry is not None])
    for k in np.flatnonzero((places == 0.0).all(axis=1)):
        entry = points[k]
        problem = "lies at exactly 0, 0; perhaps its coordinates are missing"
        findings.warn(entry.file, entry.number, "lat", "0, 0", problem, mend="check lat and lon")
    lat, lon = np.radians(places).T
    xyz = _RADIUS_M * np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    pairs = cKDTree(xyz).query_pairs(_SAME_M, output_type="ndarray")
    first: dict[int, int] = {}
    for a, b in pairs:
        low, high = (int(a), int(b)) if a < b else (int(b), int(a))
        first[high] = min(low, first.get(high, low))
    for at in sorted(first):
        entry, other = points[at], points[first[at]]
        findings.warn(
            entry.file,
            entry.number,
            "lat",
            f"{places[at][0]:g}, {places[at][1]:g}",
            f"the same place as {quoted(other.row.id)} ({other.file}, row {other.number}); they count as two",
            mend="take one of the two out, or correct its coordinates",
        )
