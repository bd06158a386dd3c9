"""Marks, pens and words of the world map: shapes by kind, colours that only repeat what the shapes say."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

import numpy as np

from siting.outputs.mapcontent import KIND_TEXT, NAMED, MapPoint
from siting.outputs.maplabels import LABEL_SIZE, Row, clean, text_width
from siting.outputs.mapplane import Array

INK, SOFT_INK, SEA, LAND, PAPER = "#1a1a1a", "#505050", "#f6f9fb", "#e3e0d6", "#ffffff"
COLOUR = {
    "analyzer": "#0072b2", "flask": "#c85400", "both": "#00735c",
    "running": INK, "left_out": "#6b6b6b", "excluded": "#595959",
}  # fmt: skip
DASH = {"analyzer": "", "flask": "7 3", "both": "9 2.5 1.5 2.5", "running": "1.5 2.5",
         "left_out": "", "excluded": "1 4"}  # fmt: skip
LINE_WIDTH = {"analyzer": 2.2, "flask": 2.2, "both": 2.2, "running": 1.6, "left_out": 0.8, "excluded": 0.8}
RADIUS = {"analyzer": 5.0, "flask": 5.4, "both": 6.6, "running": 5.4, "left_out": 1.5, "excluded": 2.2}

FONT = "Helvetica, Arial, 'Liberation Sans', 'Noto Sans', sans-serif"
SMALL_SIZE, LABEL_LIMIT = 9.0, 150.0
LEG_COLOUR = "#7a5a9e"
BAND_LINE = f'fill="none" stroke="{SOFT_INK}" stroke-width=".8" stroke-dasharray="12 3"'


def degree_words(value: float, positive: str, negative: str) -> str:
    """A number of degrees with its side, to a tenth."""
    number = f"{abs(value):.1f}".removesuffix(".0")
    undirected = number == "0" or (number == "180" and positive == "E")
    side = "" if undirected else positive if value > 0 else negative
    return f"{number}°{side}"


def pixel(value: float) -> str:
    """A pixel coordinate to a tenth, without a negative zero."""
    return f"{round(float(value) * 10.0) / 10.0 + 0.0:g}"


def text_element(x: float, y: float, text: str, *, size: float = LABEL_SIZE, anchor: str = "start", fill: str = INK,
          more: str = "", title: str = "") -> str:  # fmt: skip
    """A text with its style."""
    tip = f"<title>{escape(title)}</title>" if title else ""
    anchored = "" if anchor == "start" else f' text-anchor="{anchor}"'
    style = f'font-size="{size:g}" fill="{fill}"{anchored}{more}'
    return f'<text x="{pixel(x)}" y="{pixel(y)}" {style}>{tip}{escape(text)}</text>'


def mark(kind: str) -> str:
    """The shape of a kind about the origin, in pixels: square, ring, square in a ring, or open triangle."""
    colour = COLOUR[kind]
    if kind == "analyzer":
        return f'<path d="M-4.5-4.5h9v9h-9z" fill="{colour}" stroke="{PAPER}" stroke-width="1"/>'
    if kind == "flask":
        return f'<circle r="4.3" fill="{PAPER}" stroke="{colour}" stroke-width="2.2"/>'
    if kind == "both":
        return (f'<circle r="6" fill="{PAPER}" stroke="{colour}" stroke-width="1.5"/>'
                f'<path d="M-3-3h6v6h-6z" fill="{colour}"/>')  # fmt: skip
    return f'<path d="M0-5.4L5 3.6H-5z" fill="{PAPER}" stroke="{colour}" stroke-width="1.4"/>'


def specks(kind: str, pixels: Array, size: float) -> str:
    """All places of a kind without names as one short path: dots (round caps) or crosses, `size` 0 to 1."""
    if not len(pixels):
        return ""
    rows = sorted({(x, y) for x, y in np.rint(pixels * 10.0).astype(np.int64).tolist()})
    if kind == "left_out":
        path = "".join(f"M{x / 10:g} {y / 10:g}h0" for x, y in rows)
        style = f'stroke-width="{pixel(2.9 * size)}" stroke-linecap="round"'
    else:
        half = round(20.0 * size)
        arm = f"{2 * half / 10:g}"
        cross = f"l{arm} {arm}m-{arm} 0l{arm}-{arm}"
        path = "".join(f"M{(x - half) / 10:g} {(y - half) / 10:g}{cross}" for x, y in rows)
        style = f'stroke-width="{pixel(0.5 + 0.6 * size)}"'
    return f'<path class="wm-{kind}" fill="none" stroke="{COLOUR[kind]}" {style} d="{path}"/>'


def speck_size(points: tuple[MapPoint, ...]) -> float:
    """Smaller dots and crosses where there are thousands, so that the map below stays visible."""
    count = sum(p.kind not in NAMED for p in points)
    return float(np.clip(np.sqrt(4000.0 / max(count, 1)), 0.6, 1.0))


def keyed(key: str) -> str:
    """Return the attribute by which a page knows a mark, nothing without a key."""
    return f" data-site={quoteattr(key)}" if key else ""


def track_stroke(kind: str, path: str, tip: str = "", key: str = "") -> str:
    """Return a track's line; with a key also a broad unseen one below, so that a finger finds it."""
    title = f"<title>{escape(tip)}</title>" if tip else ""
    dash = f' stroke-dasharray="{DASH[kind]}"' if DASH[kind] else ""
    pen = f'fill="none" stroke="{COLOUR[kind]}" stroke-width="{LINE_WIDTH[kind]}"{dash}'
    if not key:
        return f'<path class="wm-track-{kind}" {pen} d="{path}">{title}</path>'
    broad = f'<path class="wm-hit" fill="none" stroke="{PAPER}" stroke-opacity="0" stroke-width="14" d="{path}"/>'
    return f'<g{keyed(key)}>{title}{broad}<path class="wm-track-{kind}" {pen} d="{path}"/></g>'


def text_box(x: float, y: float, text: str, size: float, anchor: str) -> Row:
    """The box that a text fills."""
    width = text_width(text, size)
    left = x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
    return left, y - 0.8 * size, left + width, y + 0.25 * size


def where_words(point: MapPoint) -> str:
    """Latitude and longitude of a place."""
    lon = point.lon - 360.0 if point.lon > 180.0 else point.lon
    return f"{degree_words(point.lat, 'N', 'S')} {degree_words(lon, 'E', 'W')}"


def tip_words(point: MapPoint) -> str:
    """What a hover tells of a place."""
    rows = [clean(point.name), f"{KIND_TEXT[point.kind]}, {where_words(point)}", clean(point.detail)]
    return "\n".join(row for row in rows if row)


def leg_stroke(shared: bool, path: str, tip: str = "") -> str:
    """A leg of supply's line."""
    title = f"<title>{escape(clean(tip))}</title>" if tip else ""
    kind, width = ("shared", 1.9) if shared else ("single", 1.0)
    pen = f'fill="none" stroke="{LEG_COLOUR}" stroke-width="{width}" stroke-linecap="round"'
    return f'<path class="wm-leg-{kind}" {pen} d="{path}">{title}</path>'
