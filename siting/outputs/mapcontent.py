"""What the world map shows, as frozen content: places, tracks, bands, legs of supply and land."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from siting.outputs.mapplane import Array

__all__ = ["KIND_TEXT", "NAMED", "PICKED", "Kind", "MapBand", "MapContent", "MapLeg", "MapPoint", "MapTrack", "ordered"]

Kind = Literal["analyzer", "flask", "both", "running", "left_out", "excluded"]

KIND_TEXT: dict[str, str] = {
    "analyzer": "Continuous analyzer",
    "flask": "Flask sampling",
    "both": "Analyzer and flasks",
    "running": "Already running",
    "left_out": "Candidate left out",
    "excluded": "Excluded",
}
PICKED = ("analyzer", "flask", "both")
NAMED = (*PICKED, "running")
"""Kinds that get a mark of their own, a tooltip and, if asked, a label; the others are drawn as one path."""


@dataclass(frozen=True, slots=True)
class MapPoint:
    """A place: degrees north and east (lon -180 to 360), kind, name, whether to show the name, detail.

    `key` is what a page knows it by; it stands on the mark as `data-site`.
    """

    lat: float
    lon: float
    kind: Kind
    name: str
    label: bool = False
    detail: str = ""
    key: str = ""

    def __post_init__(self) -> None:
        _check_kind(self.kind)
        if not (-90.0 <= self.lat <= 90.0 and -180.0 <= self.lon <= 360.0):
            raise ValueError(
                f"A map point needs lat in -90..90 and lon in -180..360 degrees; got {self.lat}, {self.lon}."
            )


@dataclass(frozen=True, slots=True, eq=False)
class MapTrack:
    """A track, or with `closed` an area: parts (n, 2) of lon and lat in degrees, already cut at 180; key as a place."""

    parts: tuple[Array, ...]
    kind: Kind
    name: str
    closed: bool = False
    key: str = ""

    def __post_init__(self) -> None:
        _check_kind(self.kind)
        object.__setattr__(self, "parts", _vertices(self.parts, 3 if self.closed else 2))


@dataclass(frozen=True, slots=True)
class MapBand:
    """A latitude band: name, southern and northern edge in degrees north (south < north), a short note."""

    name: str
    south: float
    north: float
    note: str = ""

    def __post_init__(self) -> None:
        if not -90.0 <= self.south < self.north <= 90.0:
            raise ValueError(f"A band needs -90 <= south < north <= 90 degrees; got {self.south} and {self.north}.")


@dataclass(frozen=True, slots=True, eq=False)
class MapLeg:
    """A leg of supply: parts (n, 2) of lon and lat in degrees, already cut at 180; words; do several sites share it."""

    parts: tuple[Array, ...]
    name: str
    shared: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "parts", _vertices(self.parts, 2))


@dataclass(frozen=True, slots=True, eq=False)
class MapContent:
    """What `draw` needs: texts, places, tracks, bands, legs of supply and land as rings (n, 2) of lon, lat."""

    title: str
    subtitle: str
    points: tuple[MapPoint, ...] = ()
    tracks: tuple[MapTrack, ...] = ()
    bands: tuple[MapBand, ...] = ()
    land: tuple[Array, ...] = ()
    legs: tuple[MapLeg, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "land", _vertices(self.land, 3))


def _check_kind(kind: str) -> None:
    if kind not in get_args(Kind):
        raise ValueError(f"The kind of a place on the map is one of {', '.join(get_args(Kind))}; got {kind!r}.")


def _vertices(parts: Iterable[Array], least: int) -> tuple[Array, ...]:
    """Read-only copies of arrays (n, 2) of lon and lat; ValueError on a wrong shape, NaN or out of range."""
    result = []
    for part in parts:
        xy = np.array(part, dtype=np.float64)
        if xy.ndim != 2 or xy.shape[1] != 2 or len(xy) < least:
            raise ValueError(
                f"A part of a line or area on the map needs shape (n, 2) with n >= {least}; got {xy.shape}."
            )
        if not (np.abs(xy) <= (180.0, 90.0)).all():  # false for NaN too
            raise ValueError("Lines on the map need lon in -180..180 and lat in -90..90: cut them at 180 first.")
        xy.setflags(write=False)
        result.append(xy)
    return tuple(result)


def _point_key(point: MapPoint) -> tuple[int, float, float, str, str, bool, str]:
    return list(KIND_TEXT).index(point.kind), -point.lat, point.lon, point.name, point.detail, point.label, point.key


def _track_key(track: MapTrack) -> tuple[int, str, bool, list[bytes], str]:
    parts = sorted(part.tobytes() for part in track.parts)
    return list(KIND_TEXT).index(track.kind), track.name, track.closed, parts, track.key


def ordered(content: MapContent) -> MapContent:
    """Return content in an order of its own, so that the order in which it came does not matter."""
    return replace(
        content,
        points=tuple(sorted(content.points, key=_point_key)),
        tracks=tuple(sorted(content.tracks, key=_track_key)),
        legs=tuple(sorted(content.legs, key=lambda g: (g.name, g.shared, [part.tobytes() for part in g.parts]))),
        bands=tuple(sorted(content.bands, key=lambda b: (-(b.south + b.north), b.south, b.name, b.note))),
    )
