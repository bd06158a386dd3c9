"""Charts drawn without a browser: a Vega-Lite chart as SVG text for page and paper, and SVG as PNG.

A chart is a plain dict in the open grammar of Vega-Lite. A mark that stands for a site has the `description`
"number|words" (`tip`): the drawing turns it into `data-site` (the site's id) and `data-tip` (the words), which the
page's script reads; without a script the drawing is whole all the same.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import unescape
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from siting.outputs.maplabels import clean

Chart = dict[str, Any]

FONT = "Helvetica, Arial, 'Liberation Sans', 'Noto Sans', sans-serif"
SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
INK, SOFT, RULE = "#1a1a1a", "#505050", "#d8dce0"
PNG_SCALE = 2.5
"""Pixels of a PNG figure for each unit of its SVG: 720 units are 1,800 pixels, 300 dots an inch over 15 cm."""

CONFIG: Chart = {
    "background": "white",
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "labelFontSize": 11,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
        "labelColor": INK,
        "titleColor": SOFT,
        "gridColor": "#e6e9ec",
        "domainColor": "#8a9096",
        "tickColor": "#8a9096",
        "labelLimit": 400,
    },
    "legend": {"labelFontSize": 11, "titleFontSize": 11, "titleFontWeight": "normal", "labelLimit": 400},
    "header": {"labelFontSize": 11, "labelFontWeight": "bold", "labelColor": INK, "labelLimit": 200},
    "text": {"fontSize": 11, "color": INK},
}

_TAG = re.compile(r"<[^>]*>")
_LABEL = re.compile(r' aria-label="([^"]*)"')
_GEOMETRY = re.compile(
    r' (?:d|transform|x|y|x1|y1|x2|y2|cx|cy|r|rx|ry|width|height|viewBox|points|stroke-dasharray)="[^"]*"'
)
_OTHER = re.compile(r' (?:role|aria-roledescription|aria-hidden|class|pointer-events)="[^"]*"')
_LONG = re.compile(r"-?\d+\.\d{2,}(?:e[-+]?\d+)?")
_SIZE = re.compile(r'<svg\b[^>]*? width="([\d.]+)(?:px)?" height="([\d.]+)(?:px)?"')
MOST_UNITS = 8000
"""Longest side of a drawing that is made into pixels."""
_HIDDEN = ' display="none"'
_TIP = re.compile(r"(\d*)\|(.*)", re.DOTALL)


def tip(number: int | None, words: Sequence[str]) -> str:
    """Return the description of a mark: the number of its site in the chart's list (None: no site), and its words."""
    return f"{'' if number is None else number}|{chr(10).join(clean(line) for line in words)}"


def svg(chart: Chart, title: str, description: str, ids: Sequence[str] = ()) -> str:
    """Return a chart as an SVG document with title and description; `ids` names the sites that tips number.

    Raises ValueError where the chart is not sound.
    """
    import vl_convert

    drawn: str = vl_convert.vegalite_to_svg({"$schema": SCHEMA, "config": CONFIG, **chart}, allowed_base_urls=[])
    drawn = _TAG.sub(lambda found: _plain(found.group(), ids), drawn)
    names = f"<title>{escape(clean(title))}</title><desc>{escape(clean(description, 2000))}</desc>"
    head, rest = drawn.split(">", 1)
    return f'{head} role="img">{names}{rest}\n'


def _plain(tag: str, ids: Sequence[str]) -> str:
    """Return a tag without roles and classes, with short numbers and our own attributes; texts are left alone."""
    if _HIDDEN in tag and tag.endswith("/>"):
        return ""
    # Only places and sizes are rounded: a label holds numbers that somebody reads.
    bare = _GEOMETRY.sub(lambda found: _LONG.sub(_rounded, found.group()), _OTHER.sub("", tag))
    return _LABEL.sub(lambda found: _marked(unescape(found.group(1)), ids), bare)


def _rounded(found: re.Match[str]) -> str:
    return f"{float(found.group()):.1f}".replace("-0.0", "0.0")


def _marked(label: str, ids: Sequence[str]) -> str:
    """Return the attributes of a mark whose description a chart gave, nothing for one that the library wrote."""
    found = _TIP.fullmatch(label)
    if found is None:
        return ""
    number, words = found.groups()
    site = f" data-site={quoteattr(ids[int(number)])}" if number else ""
    return f"{site} data-tip={quoteattr(words)}"


def png(drawing: str, scale: float = PNG_SCALE) -> bytes:
    """Return an SVG document as PNG, `scale` pixels for each of its units.

    Raises ValueError where the document names no size, or one that is not a page's.
    """
    import vl_convert

    size = _SIZE.search(drawing)
    if size is None or max(map(float, size.groups())) > MOST_UNITS:
        raise ValueError(f"a drawing must say its size, at most {MOST_UNITS} units each way")
    drawn: bytes = vl_convert.svg_to_png(drawing, scale=scale)
    return drawn
