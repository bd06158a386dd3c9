"""Planes of the world map: an equal-area world and two polar insets, with lines and areas as path data.

The world is in the Equal Earth projection (Savric, Patterson and Jenny 2018, Int. J. Geogr. Inf. Sci. 33,
454-465), the insets, poleward of 60 degrees, in Lambert's azimuthal equal-area projection (Snyder 1987, USGS
Professional Paper 1395, chapter 24). Between two vertices a line is straight in longitude and latitude
(RFC 7946, section 3.1.1); it is subdivided, so that it bends as the map does.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Proj

__all__ = ["INSET_LAT", "INSET_RADIUS", "MAP_TOP", "MAP_WIDTH", "WIDTH", "Array", "Panel", "path_data",
           "world_and_insets"]  # fmt: skip

Array = NDArray[np.float64]

WIDTH, MAP_WIDTH, MAP_TOP = 1000.0, 800.0, 74.0
INSET_RADIUS, INSET_LAT = 140.0, 60.0
_BARE = re.compile(r"(?<!\d)0\.")
_STEP_DEGREES, _SIMPLIFY_PX, _COARSE_PX = 2.0, 0.15, 0.4


@dataclass(frozen=True, slots=True)
class Panel:
    """One map: projection, pixel of its origin, pixels per metre; pole 0 (world), 1 (north) or -1 (south)."""

    proj: Proj
    x0: float
    y0: float
    scale: float
    pole: int

    def pixels(self, lonlat: Array) -> Array:
        """Pixels (n, 2), x to the right and y down, of lon and lat in degrees (n, 2)."""
        x, y = self.proj(lonlat[:, 0], lonlat[:, 1])
        return np.column_stack([self.x0 + self.scale * np.asarray(x), self.y0 - self.scale * np.asarray(y)])

    def inside(self, lat: Array) -> NDArray[np.bool_]:
        """Which latitudes (degrees north) this map shows."""
        return np.full(lat.shape, True) if self.pole == 0 else self.pole * lat >= INSET_LAT

    def trace(self, part: Array, closed: bool) -> Array:
        """The part with long steps divided and, in an inset, a vertex where it crosses the rim."""
        xy = np.vstack([part, part[:1]]) if closed and (part[0] != part[-1]).any() else part
        if self.pole and not self.inside(xy[:, 1]).any():
            return xy[:0]
        steps = np.diff(xy, axis=0)
        count = np.maximum(1, np.ceil(np.abs(steps).max(axis=1) / _STEP_DEGREES)).astype(np.int64)
        start = np.repeat(np.arange(len(steps)), count)
        share = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)) / count[start]
        xy = np.vstack([xy[start] + share[:, None] * steps[start], xy[-1:]])
        if self.pole:
            over = self.pole * xy[:, 1] - INSET_LAT
            at = np.flatnonzero(over[:-1] * over[1:] < 0.0)
            cross = xy[at] + (over[at] / (over[at] - over[at + 1]))[:, None] * (xy[at + 1] - xy[at])
            cross[:, 1] = self.pole * INSET_LAT
            xy = np.insert(xy, at + 1, cross, axis=0)
        return xy

    def fills(self, rings: Iterable[Array], coarse: bool = False) -> str:
        """Path data of the inside of rings; what lies beyond the rim of an inset is laid on it: no area.

        `coarse` keeps to half a pixel and leaves out what is smaller than a pixel: for a ground such as land.
        """
        paths = []
        for ring in rings:
            xy = self.trace(ring, closed=True).copy()
            if not len(xy):
                continue
            if self.pole:
                xy[:, 1] = self.pole * np.maximum(self.pole * xy[:, 1], INSET_LAT)
            pixels = self.pixels(xy)
            path = _coarse_path(pixels) if coarse else path_data(pixels, least=3)
            if path:
                paths.append(path + "z")
        return "".join(sorted(paths))

    def strokes(self, parts: Iterable[Array], closed: bool) -> tuple[str, list[Array]]:
        """Path data and pixel lines of parts, without the seams of areas cut at 180 or closed over a pole."""
        lines = []
        for part in parts:
            xy = self.trace(part, closed)
            if not len(xy):
                continue
            within = self.inside(xy[:, 1])
            keep = within[:-1] & within[1:]
            if closed:
                seam = np.abs(xy) >= (180.0 - 1e-9, 90.0 - 1e-9)
                keep &= ~(seam[:-1] & seam[1:]).any(axis=1)
            edges = np.flatnonzero(np.diff(np.concatenate([[False], keep, [False]]).astype(np.int8)))
            pixels = self.pixels(xy)
            lines += [pixels[a : b + 1] for a, b in zip(edges[::2], edges[1::2], strict=True)]
        return "".join(sorted(path_data(line, least=2) for line in lines)), lines


def path_data(pixels: Array, least: int) -> str:
    """Path data of a line to a tenth of a pixel, thinned unseen; empty if less than `least` vertices stay."""
    if np.ptp(pixels, axis=0).max() < 0.3:
        return ""
    thin = shapely.get_coordinates(shapely.simplify(shapely.linestrings(pixels), _SIMPLIFY_PX, preserve_topology=False))
    tenths = np.rint(thin * 10.0).astype(np.int64)
    tenths = tenths[np.concatenate([[True], (np.diff(tenths, axis=0) != 0).any(axis=1)])]
    if len(tenths) < least:
        return ""
    head = f"M{tenths[0, 0] / 10:g} {tenths[0, 1] / 10:g}"
    return head + "L" + " ".join(f"{x / 10:g} {y / 10:g}" for x, y in tenths[1:].tolist())


def _coarse_path(pixels: Array) -> str:
    """Path data of a ring to half a pixel, in steps from vertex to vertex, empty for one smaller than a pixel."""
    if np.ptp(pixels, axis=0).max() < 1.0:
        return ""
    thin = shapely.get_coordinates(shapely.simplify(shapely.linestrings(pixels), _COARSE_PX, preserve_topology=False))
    tenths = np.rint(thin * 5.0).astype(np.int64) * 2
    tenths = tenths[np.concatenate([[True], (np.diff(tenths, axis=0) != 0).any(axis=1)])]
    if len(tenths) < 3:
        return ""
    steps = " ".join(f"{x / 10:g} {y / 10:g}" for x, y in np.diff(tenths, axis=0).tolist())
    return f"M{tenths[0, 0] / 10:g} {tenths[0, 1] / 10:g}l" + _BARE.sub(".", steps.replace(" -", "-"))


def world_and_insets(left: float) -> tuple[Panel, Panel, Panel]:
    """World map with its left edge at a pixel column, and the north and south insets below it."""
    world = Proj("+proj=eqearth +ellps=WGS84")
    half_width, half_height = world(180.0, 0.0)[0], world(0.0, 90.0)[1]
    scale = MAP_WIDTH / 2.0 / half_width
    bottom = MAP_TOP + 2.0 * scale * half_height
    made = [Panel(world, left + MAP_WIDTH / 2.0, (MAP_TOP + bottom) / 2.0, scale, 0)]
    for pole, x in ((1, 182.0), (-1, WIDTH - 182.0)):
        proj = Proj(f"+proj=laea +lat_0={90 * pole} +lon_0=0 +ellps=WGS84")
        reach = float(np.hypot(*proj(0.0, pole * INSET_LAT)))
        made.append(Panel(proj, x, bottom + 72.0 + INSET_RADIUS, INSET_RADIUS / reach, pole))
    return made[0], made[1], made[2]
