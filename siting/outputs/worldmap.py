"""World map of a network as one SVG string, drawn by us and the same to the byte for the same content.

The world is in the Equal Earth projection; two insets show what lies poleward of 60 degrees, since polar
sites pile up at the rim of any world map. Kinds differ by shape and fill; colour (after Okabe and Ito 2008,
safe for colour-blind readers) only repeats what the shape says. The drawing has neither style sheet, script,
id nor link, so that a page may hold several.
"""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr

import numpy as np

from siting.outputs.mapcontent import (
    KIND_TEXT,
    NAMED,
    PICKED,
    Kind,
    MapBand,
    MapContent,
    MapLeg,
    MapPoint,
    MapTrack,
    ordered,
)  # fmt: skip
from siting.outputs.maplabels import LABEL_SIZE, clean, shorten
from siting.outputs.mapmarks import (
    BAND_LINE,
    FONT,
    INK,
    PAPER,
    SMALL_SIZE,
    SOFT_INK,
    leg_stroke,
    mark,
    pixel,
    specks,
    text_element,
    track_stroke,
    where_words,
)  # fmt: skip
from siting.outputs.mapplane import INSET_LAT, INSET_RADIUS, MAP_WIDTH, WIDTH, world_and_insets
from siting.outputs.mapsheet import elements, sheet_of

__all__ = ["KIND_TEXT", "Kind", "MapBand", "MapContent", "MapLeg", "MapPoint", "MapTrack", "draw"]


def _legend(content: MapContent, middle: float, zoom: float, dropped: int) -> tuple[list[str], float]:
    """Key with counts and notes on the projections, centred on a pixel row, and the lowest pixel used."""
    out: list[str] = []
    sites = {kind: sum(p.kind == kind for p in content.points) for kind in KIND_TEXT}
    tracks = {kind: sum(t.kind == kind for t in content.tracks) for kind in KIND_TEXT}
    left, y = 364.0, 12.0
    name_x, site_x, track_x = left + (64.0 if content.tracks else 30.0), left + 202.0, left + 272.0
    out.append(text_element(left, y, "Key", size=13, more=' font-weight="bold"'))
    out.append(text_element(site_x, y, "sites", size=9.5, fill=SOFT_INK, anchor="end"))
    if content.tracks:
        out.append(text_element(track_x, y, "tracks, areas", size=9.5, fill=SOFT_INK, anchor="end"))
    y += 7.0
    end = track_x if content.tracks else site_x
    out.append(f'<path stroke="{INK}" stroke-width=".7" d="M{left:g} {y:g}H{end:g}"/>')
    for kind, text in KIND_TEXT.items():
        if not sites[kind] + tracks[kind]:
            continue
        y += 20.0
        if sites[kind] and kind in NAMED:
            out.append(f'<g transform="translate({left + 11:g} {y - 4:g})">{mark(kind)}</g>')
        elif sites[kind]:
            out.append(specks(kind, np.array([[left + 11.0, y - 4.0]]), 1.0))
        if tracks[kind]:
            out.append(track_stroke(kind, f"M{left + 26:g} {y - 4:g}h30"))
        out.append(text_element(name_x, y, text, size=11))
        out.append(text_element(site_x, y, f"{sites[kind]:,}", size=11, anchor="end"))
        if content.tracks:
            out.append(text_element(track_x, y, f"{tracks[kind]:,}", size=11, anchor="end"))
    for shared, text in ((False, "Leg of supply for one site"), (True, "Leg of supply for several sites")):
        if any(leg.shared is shared for leg in content.legs):
            y += 20.0
            start, length = (left + 26.0, 30.0) if content.tracks else (left, 22.0)
            out.append(leg_stroke(shared, f"M{start:g} {y - 4:g}h{length:g}"))
            out.append(text_element(name_x, y, text, size=11))
    if content.bands:
        y += 20.0
        x, width = (left + 26.0, 30.0) if content.tracks else (left, 22.0)
        out.append(f'<path class="wm-bands" {BAND_LINE} d="M{x:g} {y - 4:g}h{width:g}"/>')
        out.append(text_element(name_x, y, "Edge of a latitude band", size=11))
    y += 10.0
    notes = ["Equal-area throughout: Equal Earth, WGS 84. Insets: Lambert",
             f"azimuthal, lengths {zoom:.1f} times those of the map."]  # fmt: skip
    if any(p.kind in NAMED and abs(p.lat) >= INSET_LAT for p in content.points):
        notes.append("Sites poleward of 60° are small on the map, named in the insets.")
    if dropped:
        notes.append(f"{dropped:,} {'name' if dropped == 1 else 'names'} left out for want of room.")
    for note in notes:
        y += 12.5
        out.append(text_element(left, y, note, size=SMALL_SIZE, fill=SOFT_INK))
    top = middle - y / 2.0
    return [f'<g class="wm-key" transform="translate(0 {pixel(top)})">', *out, "</g>"], top + y


def description(content: MapContent) -> str:
    """Return in words what a map shows."""
    parts = []
    for kind, text in KIND_TEXT.items():
        count = sum(p.kind == kind for p in content.points) + sum(t.kind == kind for t in content.tracks)
        if count:
            parts.append(f"{text}: {count:,}")
    named = [f"{shorten(p.name, 300.0, LABEL_SIZE)} ({KIND_TEXT[p.kind].lower()}, {where_words(p)})"
             for p in content.points if p.kind in PICKED]  # fmt: skip
    more = f" and {len(named) - 60} more" if len(named) > 60 else ""
    picked = f" Picked sites: {'; '.join(named[:60])}{more}." if named else ""
    counts = "; ".join(parts) or "No sites"
    return f"World map of a network, with insets for both polar regions. {counts}.{picked}"


def draw(content: MapContent) -> str:
    """Draw the map: an SVG document 1000 wide, the same for any order of points, tracks, bands and rings.

    Every picked or running site has its own mark and tooltip; those with `label` also a name where there is
    room (the key counts the names left out). Texts may hold anything: they are made harmless and shortened.
    Text and marks keep the contrast that WCAG 2.2 asks for (1.4.3: 4.5 to 1, 1.4.11: 3 to 1).
    """
    content = ordered(content)
    panels = world_and_insets(54.0 if content.bands else (WIDTH - MAP_WIDTH) / 2.0)
    drawn, dropped = elements(sheet_of(panels, content))
    key, lowest = _legend(content, panels[1].y0, panels[1].scale / panels[0].scale, dropped)
    height = round(max(panels[1].y0 + INSET_RADIUS + 28.0, lowest + 16.0))
    title = clean(content.title) or "Map of the network"
    size = f'width="1000" height="{height}" viewBox="0 0 1000 {height}"'
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" font-family={quoteattr(FONT)}>',
        f"<title>{escape(title)}</title>",
        f"<desc>{escape(description(content))}</desc>",
        f'<rect width="1000" height="{height}" fill="{PAPER}"/>',
        text_element(28, 34, shorten(title, 860.0, 19), size=19, more=' font-weight="bold"'),
        text_element(28, 54, shorten(content.subtitle, 940.0, 12), size=12, fill=SOFT_INK),
        *drawn, *key,
        "</svg>\n",
    ]  # fmt: skip
    return "\n".join(lines)
