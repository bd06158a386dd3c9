"""World map of a network as one SVG string, drawn by us and the same to the byte for the same content.

The world is in the Equal Earth projection; two insets show what lies poleward of 60 degrees, since polar
sites pile up at the rim of any world map. Kinds differ by shape and fill; colour (after Okabe and Ito 2008,
safe for colour-blind readers) only repeats what the shape says. The drawing has neither style sheet, script,
id nor link, so that a page may hold several.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Literal, get_args
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from siting.outputs.maplabels import LABEL_SIZE, Label, Request, Row, clean, place, shorten, text_width
from siting.outputs.mapplane import (
    INSET_LAT,
    INSET_RADIUS,
    MAP_TOP,
    MAP_WIDTH,
    WIDTH,
    Array,
    Panel,
    path_data,
    world_and_insets,
)  # fmt: skip

__all__ = ["KIND_TEXT", "Kind", "MapBand", "MapContent", "MapPoint", "MapTrack", "draw"]

Kind = Literal["analyzer", "flask", "both", "running", "left_out", "excluded"]

KIND_TEXT: dict[str, str] = {
    "analyzer": "Continuous analyzer",
    "flask": "Flask sampling",
    "both": "Analyzer and flasks",
    "running": "Already running",
    "left_out": "Candidate left out",
    "excluded": "Excluded",
}
_PICKED = ("analyzer", "flask", "both")
_NAMED = (*_PICKED, "running")
"""Kinds that get a mark of their own, a tooltip and, if asked, a label; the others are drawn as one path."""

INK, SOFT_INK, SEA, LAND, PAPER = "#1a1a1a", "#505050", "#f6f9fb", "#e3e0d6", "#ffffff"
_COLOUR = {
    "analyzer": "#0072b2", "flask": "#c85400", "both": "#00735c",
    "running": INK, "left_out": "#6b6b6b", "excluded": "#595959",
}  # fmt: skip
_DASH = {"analyzer": "", "flask": "7 3", "both": "9 2.5 1.5 2.5", "running": "1.5 2.5",
         "left_out": "", "excluded": "1 4"}  # fmt: skip
_LINE_WIDTH = {"analyzer": 2.2, "flask": 2.2, "both": 2.2, "running": 1.6, "left_out": 0.8, "excluded": 0.8}
_RADIUS = {"analyzer": 5.0, "flask": 5.4, "both": 6.6, "running": 5.4, "left_out": 1.5, "excluded": 2.2}

_FONT = "Helvetica, Arial, 'Liberation Sans', 'Noto Sans', sans-serif"
_SMALL_SIZE, _LABEL_LIMIT = 9.0, 150.0
_LEG_COLOUR = "#7a5a9e"
_BAND_LINE = f'fill="none" stroke="{SOFT_INK}" stroke-width=".8" stroke-dasharray="12 3"'


@dataclass(frozen=True, slots=True)
class MapPoint:
    """A place: degrees north and east (lon -180 to 360), kind, name, whether to show the name, detail."""

    lat: float
    lon: float
    kind: Kind
    name: str
    label: bool = False
    detail: str = ""

    def __post_init__(self) -> None:
        _check_kind(self.kind)
        if not (-90.0 <= self.lat <= 90.0 and -180.0 <= self.lon <= 360.0):
            raise ValueError(
                f"A map point needs lat in -90..90 and lon in -180..360 degrees; got {self.lat}, {self.lon}."
            )


@dataclass(frozen=True, slots=True, eq=False)
class MapTrack:
    """A track, or with `closed` an area: parts (n, 2) of lon and lat in degrees, already cut at 180."""

    parts: tuple[Array, ...]
    kind: Kind
    name: str
    closed: bool = False

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


def _degrees(value: float, positive: str, negative: str) -> str:
    number = f"{abs(value):.1f}".removesuffix(".0")
    undirected = number == "0" or (number == "180" and positive == "E")
    side = "" if undirected else positive if value > 0 else negative
    return f"{number}°{side}"


def _num(value: float) -> str:
    """A pixel coordinate to a tenth, without a negative zero."""
    return f"{round(float(value) * 10.0) / 10.0 + 0.0:g}"


def _text(x: float, y: float, text: str, *, size: float = LABEL_SIZE, anchor: str = "start", fill: str = INK,
          more: str = "", title: str = "") -> str:  # fmt: skip
    tip = f"<title>{escape(title)}</title>" if title else ""
    anchored = "" if anchor == "start" else f' text-anchor="{anchor}"'
    style = f'font-size="{size:g}" fill="{fill}"{anchored}{more}'
    return f'<text x="{_num(x)}" y="{_num(y)}" {style}>{tip}{escape(text)}</text>'


def _mark(kind: str) -> str:
    """The shape of a kind about the origin, in pixels: square, ring, square in a ring, or open triangle."""
    colour = _COLOUR[kind]
    if kind == "analyzer":
        return f'<path d="M-4.5-4.5h9v9h-9z" fill="{colour}" stroke="{PAPER}" stroke-width="1"/>'
    if kind == "flask":
        return f'<circle r="4.3" fill="{PAPER}" stroke="{colour}" stroke-width="2.2"/>'
    if kind == "both":
        return (f'<circle r="6" fill="{PAPER}" stroke="{colour}" stroke-width="1.5"/>'
                f'<path d="M-3-3h6v6h-6z" fill="{colour}"/>')  # fmt: skip
    return f'<path d="M0-5.4L5 3.6H-5z" fill="{PAPER}" stroke="{colour}" stroke-width="1.4"/>'


def _specks(kind: str, pixels: Array, size: float) -> str:
    """All places of a kind without names as one short path: dots (round caps) or crosses, `size` 0 to 1."""
    if not len(pixels):
        return ""
    rows = sorted({(x, y) for x, y in np.rint(pixels * 10.0).astype(np.int64).tolist()})
    if kind == "left_out":
        path = "".join(f"M{x / 10:g} {y / 10:g}h0" for x, y in rows)
        style = f'stroke-width="{_num(2.9 * size)}" stroke-linecap="round"'
    else:
        half = round(20.0 * size)
        arm = f"{2 * half / 10:g}"
        cross = f"l{arm} {arm}m-{arm} 0l{arm}-{arm}"
        path = "".join(f"M{(x - half) / 10:g} {(y - half) / 10:g}{cross}" for x, y in rows)
        style = f'stroke-width="{_num(0.5 + 0.6 * size)}"'
    return f'<path class="wm-{kind}" fill="none" stroke="{_COLOUR[kind]}" {style} d="{path}"/>'


def _speck_size(points: tuple[MapPoint, ...]) -> float:
    """Smaller dots and crosses where there are thousands, so that the map below stays visible."""
    count = sum(p.kind not in _NAMED for p in points)
    return float(np.clip(np.sqrt(4000.0 / max(count, 1)), 0.6, 1.0))


def _stroke(kind: str, path: str, tip: str = "") -> str:
    title = f"<title>{escape(tip)}</title>" if tip else ""
    dash = f' stroke-dasharray="{_DASH[kind]}"' if _DASH[kind] else ""
    pen = f'fill="none" stroke="{_COLOUR[kind]}" stroke-width="{_LINE_WIDTH[kind]}"{dash}'
    return f'<path class="wm-track-{kind}" {pen} d="{path}">{title}</path>'


def _box(x: float, y: float, text: str, size: float, anchor: str) -> Row:
    width = text_width(text, size)
    left = x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
    return left, y - 0.8 * size, left + width, y + 0.25 * size


def _parallel(panel: Panel, lat: float) -> str:
    return panel.strokes([np.array([[-180.0, lat], [180.0, lat]])], closed=False)[0]


def _rim(panel: Panel) -> Array:
    corners = np.array([[-180.0, -90.0], [180.0, -90.0], [180.0, 90.0], [-180.0, 90.0]])
    return panel.pixels(panel.trace(corners, closed=True))


def _ground(panel: Panel, content: MapContent, edges: list[float]) -> tuple[list[str], list[Row]]:
    """Sea, land, graticule with its labels and band edges of one panel, and the boxes of the labels."""
    out: list[str] = []
    boxes: list[Row] = []
    if panel.pole:
        circle = f'<circle cx="{_num(panel.x0)}" cy="{_num(panel.y0)}" r="{INSET_RADIUS:g}"'
        out.append(f'{circle} fill="{SEA}"/>')
    else:
        rim_path = path_data(_rim(panel), least=3) + "z"
        out.append(f'<path fill="{SEA}" d="{rim_path}"/>')
    land = panel.fills(content.land)
    if land:
        pen = 'stroke="#b5b1a3" stroke-width=".4" fill-rule="evenodd"'
        out.append(f'<path class="wm-land" fill="{LAND}" {pen} d="{land}"/>')
    grid = ""
    if panel.pole:
        grid += _parallel(panel, 70.0 * panel.pole) + _parallel(panel, 80.0 * panel.pole)
        inner = np.array([[90.0 if m % 90 == 0 else 80.0, m] for m in range(-180, 180, 30)])
        ends = [np.array([[m, INSET_LAT * panel.pole], [m, top * panel.pole]]) for top, m in inner]
    else:
        grid += "".join(_parallel(panel, lat) for lat in (-60.0, -30.0, 0.0, 30.0, 60.0))
        ends = [np.array([[float(m), -90.0], [float(m), 90.0]]) for m in range(-150, 180, 30)]
    grid += panel.strokes(ends, closed=False)[0]
    out.append(f'<path fill="none" stroke="#b4bcc2" stroke-width=".6" d="{grid}"/>')
    dashed = "".join(_parallel(panel, e) for e in edges if not panel.pole or panel.pole * e > INSET_LAT)
    if dashed:
        out.append(f'<path class="wm-bands" {_BAND_LINE} d="{dashed}"/>')
    if panel.pole:
        out.append(f'{circle} class="wm-inset" fill="none" stroke="{INK}" stroke-width="1"/>')
        name = f"Poleward of {_degrees(INSET_LAT * panel.pole, 'N', 'S')}, circles at 70° and 80°"
        texts = [(panel.x0, panel.y0 - INSET_RADIUS - 22.0, name, "middle", LABEL_SIZE)]
        for m in range(-150, 181, 30):
            x, y = panel.pixels(np.array([[float(m), INSET_LAT * panel.pole]]))[0]
            dx, dy = (x - panel.x0) / INSET_RADIUS, (y - panel.y0) / INSET_RADIUS
            anchor = "middle" if abs(dx) < 0.1 else "start" if dx > 0 else "end"
            texts.append((x + 5 * dx, y + 3 + 8 * dy, _degrees(m, "E", "W"), anchor, _SMALL_SIZE))
    else:
        out.append(f'<path class="wm-outline" fill="none" stroke="{INK}" stroke-width="1" d="{rim_path}"/>')
        texts = []
        for lat in (-60.0, -30.0, 0.0, 30.0, 60.0):
            x, y = panel.pixels(np.array([[-180.0, lat]]))[0]
            texts.append((x - 5, y + 3, _degrees(lat, "N", "S"), "end", _SMALL_SIZE))
        for m in range(-180, 181, 30):
            x, y = panel.pixels(np.array([[float(m), -90.0]]))[0]
            texts.append((x, y + 12, _degrees(m, "E", "W"), "middle", _SMALL_SIZE))
    for x, y, text, anchor, size in texts:
        out.append(_text(x, y, text, size=size, anchor=anchor, fill=SOFT_INK if size == _SMALL_SIZE else INK))
        boxes.append(_box(x, y, text, size, anchor))
    return out, boxes


def _band_names(panel: Panel, bands: list[MapBand]) -> tuple[list[str], list[Row]]:
    """Names of the bands beside the map, pushed apart where they would meet, with a line to the band."""
    out: list[str] = []
    boxes: list[Row] = []
    lats = np.linspace(-90.0, 90.0, 181)
    side = panel.pixels(np.column_stack([np.full(181, 180.0), lats]))[::-1]  # from the top of the page down
    top, bottom, line = float(side[0, 1]) - 4.0, float(side[-1, 1]) + 6.0, 11.5
    most = int((bottom - top) / (line + 2.0))
    left_over = len(bands) - most + 1 if len(bands) > most else 0
    shown = bands[: len(bands) - left_over]
    rows = next((n for n in (3, 2, 1) if len(shown) * (n * line + 5.0) <= bottom - top), 1)
    texts = []
    for band in shown:
        span = f"{_degrees(band.south, 'N', 'S')} to {_degrees(band.north, 'N', 'S')}"
        texts.append([t for t in (clean(band.name), span, clean(band.note)) if t][:rows])
    middles = panel.pixels(np.array([[180.0, (b.south + b.north) / 2.0] for b in shown]).reshape(-1, 2))
    if left_over:
        texts.append([f"and {left_over} more bands"])
        middles = np.vstack([middles, [middles[-1, 0], bottom]])
    heights = [len(t) * line + 1.0 for t in texts]
    starts: list[float] = []
    for (_, y), height in zip(middles.tolist(), heights, strict=True):
        starts.append(max(y - height / 2.0, starts[-1] + heights[len(starts) - 1] + 1.0 if starts else top))
    limit = bottom
    for i in range(len(starts) - 1, -1, -1):
        starts[i] = min(starts[i], limit - heights[i])
        limit = starts[i] - 1.0
    for i, (start, height) in enumerate(zip(starts, heights, strict=True)):
        ys = np.array([start, start + height / 2.0, start + height])
        x = float(np.interp(ys, side[:, 1], side[:, 0]).max()) + 14.0
        centre = start + height / 2.0
        if i < len(shown):
            edge = middles[i]
            out.append(f'<path stroke="{SOFT_INK}" stroke-width=".7" d="M{_num(edge[0] + 2)} {_num(edge[1])}'
                       f'L{_num(x - 3)} {_num(centre)}"/>')  # fmt: skip
            tip = ": ".join(t for t in (clean(shown[i].name), clean(shown[i].note)) if t)
        else:
            tip = ""
        for row, text in enumerate(texts[i]):
            size = LABEL_SIZE + 0.5 if row == 0 else _SMALL_SIZE + 0.5
            weight = ' font-weight="bold"' if row == 0 else ""
            width = (WIDTH - 8.0 - x) / (1.08 if row == 0 else 1.0)  # bold runs about 8 % wider
            out.append(_text(x, start + row * line + 9.0, shorten(text, width, size), size=size, title=tip,
                             fill=INK if row == 0 else SOFT_INK, more=weight))  # fmt: skip
        boxes.append((x - 4.0, start, WIDTH, start + height))
    return out, boxes


def _legend(content: MapContent, middle: float, zoom: float, dropped: int) -> tuple[list[str], float]:
    """Key with counts and notes on the projections, centred on a pixel row, and the lowest pixel used."""
    out: list[str] = []
    sites = {kind: sum(p.kind == kind for p in content.points) for kind in KIND_TEXT}
    tracks = {kind: sum(t.kind == kind for t in content.tracks) for kind in KIND_TEXT}
    left, y = 364.0, 12.0
    name_x, site_x, track_x = left + (64.0 if content.tracks else 30.0), left + 202.0, left + 272.0
    out.append(_text(left, y, "Key", size=13, more=' font-weight="bold"'))
    out.append(_text(site_x, y, "sites", size=9.5, fill=SOFT_INK, anchor="end"))
    if content.tracks:
        out.append(_text(track_x, y, "tracks, areas", size=9.5, fill=SOFT_INK, anchor="end"))
    y += 7.0
    end = track_x if content.tracks else site_x
    out.append(f'<path stroke="{INK}" stroke-width=".7" d="M{left:g} {y:g}H{end:g}"/>')
    for kind, text in KIND_TEXT.items():
        if not sites[kind] + tracks[kind]:
            continue
        y += 20.0
        if sites[kind] and kind in _NAMED:
            out.append(f'<g transform="translate({left + 11:g} {y - 4:g})">{_mark(kind)}</g>')
        elif sites[kind]:
            out.append(_specks(kind, np.array([[left + 11.0, y - 4.0]]), 1.0))
        if tracks[kind]:
            out.append(_stroke(kind, f"M{left + 26:g} {y - 4:g}h30"))
        out.append(_text(name_x, y, text, size=11))
        out.append(_text(site_x, y, f"{sites[kind]:,}", size=11, anchor="end"))
        if content.tracks:
            out.append(_text(track_x, y, f"{tracks[kind]:,}", size=11, anchor="end"))
    for shared, text in ((False, "Leg of supply for one site"), (True, "Leg of supply for several sites")):
        if any(leg.shared is shared for leg in content.legs):
            y += 20.0
            start, length = (left + 26.0, 30.0) if content.tracks else (left, 22.0)
            out.append(_leg_stroke(shared, f"M{start:g} {y - 4:g}h{length:g}"))
            out.append(_text(name_x, y, text, size=11))
    if content.bands:
        y += 20.0
        x, width = (left + 26.0, 30.0) if content.tracks else (left, 22.0)
        out.append(f'<path class="wm-bands" {_BAND_LINE} d="M{x:g} {y - 4:g}h{width:g}"/>')
        out.append(_text(name_x, y, "Edge of a latitude band", size=11))
    y += 10.0
    notes = ["Equal-area throughout: Equal Earth, WGS 84. Insets: Lambert",
             f"azimuthal, lengths {zoom:.1f} times those of the map."]  # fmt: skip
    if any(p.kind in _NAMED and abs(p.lat) >= INSET_LAT for p in content.points):
        notes.append("Sites poleward of 60° are small on the map, named in the insets.")
    if dropped:
        notes.append(f"{dropped:,} {'name' if dropped == 1 else 'names'} left out for want of room.")
    for note in notes:
        y += 12.5
        out.append(_text(left, y, note, size=_SMALL_SIZE, fill=SOFT_INK))
    top = middle - y / 2.0
    return [f'<g class="wm-key" transform="translate(0 {_num(top)})">', *out, "</g>"], top + y


def _point_key(point: MapPoint) -> tuple[int, float, float, str, str, bool]:
    return list(KIND_TEXT).index(point.kind), -point.lat, point.lon, point.name, point.detail, point.label


def _where(point: MapPoint) -> str:
    lon = point.lon - 360.0 if point.lon > 180.0 else point.lon
    return f"{_degrees(point.lat, 'N', 'S')} {_degrees(lon, 'E', 'W')}"


def _tip(point: MapPoint) -> str:
    rows = [clean(point.name), f"{KIND_TEXT[point.kind]}, {_where(point)}", clean(point.detail)]
    return "\n".join(row for row in rows if row)


def _description(content: MapContent) -> str:
    parts = []
    for kind, text in KIND_TEXT.items():
        count = sum(p.kind == kind for p in content.points) + sum(t.kind == kind for t in content.tracks)
        if count:
            parts.append(f"{text}: {count:,}")
    named = [f"{shorten(p.name, 300.0, LABEL_SIZE)} ({KIND_TEXT[p.kind].lower()}, {_where(p)})"
             for p in content.points if p.kind in _PICKED]  # fmt: skip
    more = f" and {len(named) - 60} more" if len(named) > 60 else ""
    picked = f" Picked sites: {'; '.join(named[:60])}{more}." if named else ""
    counts = "; ".join(parts) or "No sites"
    return f"World map of a network, with insets for both polar regions. {counts}.{picked}"


def _track_key(track: MapTrack) -> tuple[int, str, bool, list[bytes]]:
    parts = sorted(part.tobytes() for part in track.parts)
    return list(KIND_TEXT).index(track.kind), track.name, track.closed, parts


def _sorted(content: MapContent) -> MapContent:
    return replace(
        content,
        points=tuple(sorted(content.points, key=_point_key)),
        tracks=tuple(sorted(content.tracks, key=_track_key)),
        legs=tuple(sorted(content.legs, key=lambda g: (g.name, g.shared, [part.tobytes() for part in g.parts]))),
        bands=tuple(sorted(content.bands, key=lambda b: (-(b.south + b.north), b.south, b.name, b.note))),
    )


def _track_request(track: MapTrack, lines: list[Array], panel: Panel) -> Request:
    """Label of a track: at some vertex of its longest line in pixels, from the middle outwards."""
    longest = max(lines, key=lambda line: (float(np.hypot(*np.diff(line, axis=0).T).sum()), line.tobytes()))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(longest, axis=0).T))])
    at = np.searchsorted(along, along[-1] * np.array([0.5, 0.35, 0.65, 0.2, 0.8]))
    return Request(shorten(track.name, _LABEL_LIMIT, LABEL_SIZE), longest[at], 2.0, _frame(panel), italic=True)


def _frame(panel: Panel) -> Row:
    if panel.pole == 0:
        return 8.0, MAP_TOP - 6.0, WIDTH - 8.0, 2.0 * panel.y0 - MAP_TOP + 2.0
    low, high = panel.y0 - INSET_RADIUS - 16.0, panel.y0 + INSET_RADIUS + 16.0
    return (8.0, low, 358.0, high) if panel.pole > 0 else (WIDTH - 358.0, low, WIDTH - 8.0, high)


@dataclass(slots=True)
class _Sheet:
    """What has been drawn so far: layers of elements from below to above, and what labels have to mind."""

    ground: list[str] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)
    texts: list[Row] = field(default_factory=list)
    solid: list[Row] = field(default_factory=list)
    soft: list[Array] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)


def _add_legs(sheet: _Sheet, panel: Panel, legs: tuple[MapLeg, ...]) -> None:
    """Draw legs below tracks and places; labels keep off them where they can."""
    for leg in legs:
        path, lines = panel.strokes(leg.parts, False)
        if path:
            sheet.ground.append(_leg_stroke(leg.shared, path, leg.name))
            sheet.soft += lines


def _leg_stroke(shared: bool, path: str, tip: str = "") -> str:
    title = f"<title>{escape(clean(tip))}</title>" if tip else ""
    kind, width = ("shared", 1.9) if shared else ("single", 1.0)
    pen = f'fill="none" stroke="{_LEG_COLOUR}" stroke-width="{width}" stroke-linecap="round"'
    return f'<path class="wm-leg-{kind}" {pen} d="{path}">{title}</path>'


def _add_tracks(sheet: _Sheet, panel: Panel, tracks: tuple[MapTrack, ...]) -> None:
    for track in tracks:
        if track.closed and (area := panel.fills(track.parts)):
            tint = f'fill="{_COLOUR[track.kind]}" fill-opacity=".12" fill-rule="evenodd"'
            sheet.ground.append(f'<path {tint} d="{area}"/>')
        path, lines = panel.strokes(track.parts, track.closed)
        if not path:
            continue
        sheet.ground.append(_stroke(track.kind, path, f"{clean(track.name)}\n{KIND_TEXT[track.kind]}".strip()))
        sheet.soft += lines
        # A track is named once: in an inset if most of it lies poleward of its rim.
        inset = bool((np.abs(np.vstack(track.parts)[:, 1]) >= INSET_LAT).mean() > 0.5)
        if track.kind in _PICKED and clean(track.name) and inset == bool(panel.pole):
            sheet.requests.append(_track_request(track, lines, panel))


def _add_points(sheet: _Sheet, panel: Panel, points: tuple[MapPoint, ...]) -> None:
    places = np.array([[p.lon - 360.0 if p.lon > 180.0 else p.lon, p.lat] for p in points]).reshape(-1, 2)
    shown = np.flatnonzero(panel.inside(places[:, 1]))
    pixels = panel.pixels(places[shown])
    specks: dict[str, list[Array]] = {"left_out": [], "excluded": []}
    for index, pixel in zip(shown.tolist(), pixels, strict=True):
        point = points[index]
        if point.kind not in _NAMED:
            specks[point.kind].append(pixel)
            continue
        small = panel.pole == 0 and abs(point.lat) >= INSET_LAT
        size, radius = (" scale(.6)", 0.6 * _RADIUS[point.kind]) if small else ("", _RADIUS[point.kind])
        x, y = pixel.tolist()
        where = f'class="wm-{point.kind}" transform="translate({_num(x)} {_num(y)}){size}"'
        sheet.marks.append(f"<g {where}><title>{escape(_tip(point))}</title>{_mark(point.kind)}</g>")
        sheet.solid.append((x - radius, y - radius, x + radius, y + radius))
        if point.label and not small and clean(point.name):
            name = shorten(point.name, _LABEL_LIMIT, LABEL_SIZE)
            sheet.requests.append(Request(name, pixel[None, :], radius, _frame(panel)))
    speck_size = _speck_size(points)
    for kind, found in specks.items():
        if found:
            sheet.ground.append(_specks(kind, np.array(found), speck_size))
            sheet.soft.append(np.array(found))


def _draw_labels(labels: list[Label], marks: list[str]) -> list[str]:
    """Leaders, then the grounds of the names, then the marks, then the names."""
    out: list[str] = []
    leaders = [label.leader for label in labels if label.leader is not None]
    path = "".join(f"M{_num(a)} {_num(b)}L{_num(c)} {_num(d)}" for a, b, c, d in leaders)
    if path:
        out.append(f'<path fill="none" stroke="{PAPER}" stroke-opacity=".8" stroke-width="2.6" d="{path}"/>')
        out.append(f'<path class="wm-leaders" fill="none" stroke="{SOFT_INK}" stroke-width=".7" d="{path}"/>')
    names = []
    for label in labels:
        x0, y0, x1, y1 = label.box
        size = f'x="{_num(x0)}" y="{_num(y0)}" width="{_num(x1 - x0)}" height="{_num(y1 - y0)}" rx="2"'
        out.append(f'<rect class="wm-label" {size} fill="{PAPER}" fill-opacity=".82"/>')
        style = ' font-style="italic"' if label.request.italic else ""
        names.append(_text((x0 + x1) / 2.0, y0 + 9.8, label.request.text, anchor="middle", more=style))
    return [*out, *reversed(marks), *names]  # kinds are sorted, picked first: running sites come to lie below


def draw(content: MapContent) -> str:
    """Draw the map: an SVG document 1000 wide, the same for any order of points, tracks, bands and rings.

    Every picked or running site has its own mark and tooltip; those with `label` also a name where there is
    room (the key counts the names left out). Texts may hold anything: they are made harmless and shortened.
    Text and marks keep the contrast that WCAG 2.2 asks for (1.4.3: 4.5 to 1, 1.4.11: 3 to 1).
    """
    content = _sorted(content)
    panels = world_and_insets(54.0 if content.bands else (WIDTH - MAP_WIDTH) / 2.0)
    edges = sorted({edge for b in content.bands for edge in (b.south, b.north) if abs(edge) < 90.0})
    turn = np.radians(np.arange(0.0, 360.0, 3.0))
    circle = INSET_RADIUS * np.column_stack([np.cos(turn), np.sin(turn)])
    rims = [_rim(panels[0]), *(np.add(circle, (panel.x0, panel.y0)) for panel in panels[1:])]
    sheet = _Sheet(soft=rims)
    for panel in panels:
        pieces, boxes = _ground(panel, content, edges)
        sheet.ground += pieces
        sheet.texts += boxes
        _add_legs(sheet, panel, content.legs)
        _add_tracks(sheet, panel, content.tracks)
        _add_points(sheet, panel, content.points)
    bands: list[str] = []
    if content.bands:
        bands, boxes = _band_names(panels[0], list(content.bands))
        sheet.texts += boxes
    labels = place(sheet.requests, sheet.solid, sheet.texts, np.vstack(sheet.soft))
    dropped = len(sheet.requests) - len(labels)
    key, lowest = _legend(content, panels[1].y0, panels[1].scale / panels[0].scale, dropped)
    height = round(max(panels[1].y0 + INSET_RADIUS + 28.0, lowest + 16.0))
    title = clean(content.title) or "Map of the network"
    size = f'width="1000" height="{height}" viewBox="0 0 1000 {height}"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" font-family={quoteattr(_FONT)}>',
        f"<title>{escape(title)}</title>",
        f"<desc>{escape(_description(content))}</desc>",
        f'<rect width="1000" height="{height}" fill="{PAPER}"/>',
        _text(28, 34, shorten(title, 860.0, 19), size=19, more=' font-weight="bold"'),
        _text(28, 54, shorten(content.subtitle, 940.0, 12), size=12, fill=SOFT_INK),
        *sheet.ground, *_draw_labels(labels, sheet.marks), *bands, *key,
        "</svg>\n",
    ]  # fmt: skip
    return "\n".join(lines)
