"""The world map for a page: the world and both polar insets as drawings of their own, the key as rows.

A page that is 400 pixels wide can then put them one below the other and hide names that would be too small.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from siting.outputs.mapcontent import KIND_TEXT, NAMED, MapContent, MapPoint, ordered
from siting.outputs.maplabels import clean
from siting.outputs.mapmarks import BAND_LINE, FONT, leg_stroke, mark, specks, track_stroke
from siting.outputs.mapplane import INSET_RADIUS, MAP_TOP, WIDTH, Array, Panel, world_and_insets
from siting.outputs.mapsheet import elements, sheet_of
from siting.outputs.worldmap import description

MOST_LEFT_OUT = 2000
"""Candidates left out that a page draws; with more, one is drawn for each piece of the earth."""

_LEFT = 54.0
_POLES = {1: "Map of what lies poleward of 60 degrees north", -1: "Map of what lies poleward of 60 degrees south"}


@dataclass(frozen=True)
class KeyRow:
    """A row of the key: what it stands for, a small drawing, and how many there are (empty: not counted)."""

    text: str
    swatch: str
    count: str


@dataclass(frozen=True)
class Panels:
    """Drawings of the world and the regions poleward of 60 degrees, the key, and names without room in each."""

    world: str
    north: str
    south: str
    key: tuple[KeyRow, ...]
    unnamed: int


def draw_panels(content: MapContent) -> Panels:
    """Return the map in three drawings without size, so that they fill what a page gives them."""
    content = ordered(content)
    world, north, south = world_and_insets(_LEFT if content.bands else 0.0)
    bottom = 2.0 * world.y0 - MAP_TOP
    right = WIDTH if content.bands else 2.0 * world.x0
    boxes = {
        0: (0.0, MAP_TOP - 10.0, right, bottom - MAP_TOP + 32.0),
        1: _inset_box(north),
        -1: _inset_box(south),
    }
    drawn: dict[int, str] = {}
    unnamed = 0
    for panel in (world, north, south):
        pieces, without = elements(sheet_of([panel], content))
        unnamed += without
        title = _POLES.get(panel.pole) or clean(content.title) or "Map of the network"
        told = description(content) if not panel.pole else ""
        drawn[panel.pole] = _document(pieces, boxes[panel.pole], title, told)
    return Panels(drawn[0], drawn[1], drawn[-1], _key(content), unnamed)


def _inset_box(panel: Panel) -> tuple[float, float, float, float]:
    return (
        panel.x0 - INSET_RADIUS - 36.0,
        panel.y0 - INSET_RADIUS - 40.0,
        2 * INSET_RADIUS + 72.0,
        2 * INSET_RADIUS + 60.0,
    )


def _document(pieces: Sequence[str], box: tuple[float, float, float, float], title: str, told: str) -> str:
    view = " ".join(f"{number:g}" for number in box)
    desc = f"<desc>{escape(told)}</desc>" if told else ""
    head = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{view}" role="img" font-family={quoteattr(FONT)}>'
    return "\n".join([head, f"<title>{escape(title)}</title>{desc}", *pieces, "</svg>"])


def _swatch(inner: str) -> str:
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-15 -9 30 18">{inner}</svg>'


def _key(content: MapContent) -> tuple[KeyRow, ...]:
    rows = []
    for kind, text in KIND_TEXT.items():
        sites = sum(point.kind == kind for point in content.points)
        tracks = sum(track.kind == kind for track in content.tracks)
        if sites:
            inner = mark(kind) if kind in NAMED else specks(kind, np.zeros((1, 2)), 1.0)
            rows.append(KeyRow(text, _swatch(inner), f"{sites:,}"))
        if tracks:
            rows.append(KeyRow(f"{text}: track or area", _swatch(track_stroke(kind, "M-15 0h30")), f"{tracks:,}"))
    for shared, text in ((False, "Leg of supply for one site"), (True, "Leg of supply for several sites")):
        if any(leg.shared is shared for leg in content.legs):
            rows.append(KeyRow(text, _swatch(leg_stroke(shared, "M-15 0h30")), ""))
    if content.bands:
        rows.append(KeyRow("Edge of a latitude band", _swatch(f'<path {BAND_LINE} d="M-15 0h30"/>'), ""))
    return tuple(rows)


def thinned(content: MapContent, most: int = MOST_LEFT_OUT) -> tuple[MapContent, int]:
    """Return content with at most `most` (2 or more) candidates left out as points, and how many were taken away.

    One is kept for each cell of equal area (rows of equal height in the sine of latitude), of the finest grid that
    keeps few enough; the one that comes first by place and name. Whatever is picked, running or excluded stays, and
    neither order nor numbering of the points matters.
    """
    left = sorted((p for p in content.points if p.kind == "left_out"), key=lambda p: (p.lat, p.lon, p.name, p.key))
    if len(left) <= most:
        return content, 0
    at = np.array([[(p.lon + 180.0) % 360.0, np.sin(np.radians(p.lat))] for p in left])
    fewest, finest = 1, 4096
    while finest - fewest > 1:
        rows = (fewest + finest) // 2
        fewest, finest = (rows, finest) if _cells(at, rows).size <= most else (fewest, rows)
    kept = [left[i] for i in _cells(at, fewest).tolist()]
    stays: list[MapPoint] = [p for p in content.points if p.kind != "left_out"]
    return replace(content, points=(*stays, *kept)), len(left) - len(kept)


def _cells(at: Array, rows: int) -> np.ndarray:
    """Return the first point of each cell of a grid with so many rows, and twice as many columns."""
    row = np.minimum((at[:, 1] + 1.0) / 2.0 * rows, rows - 1).astype(np.int64)
    column = (at[:, 0] / 360.0 * 2 * rows).astype(np.int64)
    return np.sort(np.unique(row * 2 * rows + column, return_index=True)[1])
