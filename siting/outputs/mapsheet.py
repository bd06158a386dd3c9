"""What is drawn on one panel of the world map, in layers from below to above, and where names find room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

import numpy as np

from siting.outputs.mapcontent import KIND_TEXT, NAMED, PICKED, MapBand, MapContent, MapLeg, MapPoint, MapTrack
from siting.outputs.maplabels import LABEL_SIZE, Label, Request, Row, clean, place, shorten
from siting.outputs.mapmarks import (
    BAND_LINE,
    COLOUR,
    INK,
    LABEL_LIMIT,
    LAND,
    PAPER,
    RADIUS,
    SEA,
    SMALL_SIZE,
    SOFT_INK,
    degree_words,
    keyed,
    leg_stroke,
    mark,
    pixel,
    speck_size,
    specks,
    text_box,
    text_element,
    tip_words,
    track_stroke,
)  # fmt: skip
from siting.outputs.mapplane import (
    INSET_LAT,
    INSET_RADIUS,
    MAP_TOP,
    WIDTH,
    Array,
    Panel,
    path_data,
)  # fmt: skip


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
        circle = f'<circle cx="{pixel(panel.x0)}" cy="{pixel(panel.y0)}" r="{INSET_RADIUS:g}"'
        out.append(f'{circle} fill="{SEA}"/>')
    else:
        rim_path = path_data(_rim(panel), least=3) + "z"
        out.append(f'<path fill="{SEA}" d="{rim_path}"/>')
    land = panel.fills(content.land, coarse=True)
    if land:
        pen = 'fill-rule="evenodd"'
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
        out.append(f'<path class="wm-bands" {BAND_LINE} d="{dashed}"/>')
    if panel.pole:
        out.append(f'{circle} class="wm-inset" fill="none" stroke="{INK}" stroke-width="1"/>')
        name = f"Poleward of {degree_words(INSET_LAT * panel.pole, 'N', 'S')}, circles at 70° and 80°"
        texts = [(panel.x0, panel.y0 - INSET_RADIUS - 22.0, name, "middle", LABEL_SIZE)]
        for m in range(-150, 181, 30):
            x, y = panel.pixels(np.array([[float(m), INSET_LAT * panel.pole]]))[0]
            dx, dy = (x - panel.x0) / INSET_RADIUS, (y - panel.y0) / INSET_RADIUS
            anchor = "middle" if abs(dx) < 0.1 else "start" if dx > 0 else "end"
            texts.append((x + 5 * dx, y + 3 + 8 * dy, degree_words(m, "E", "W"), anchor, SMALL_SIZE))
    else:
        out.append(f'<path class="wm-outline" fill="none" stroke="{INK}" stroke-width="1" d="{rim_path}"/>')
        texts = []
        for lat in (-60.0, -30.0, 0.0, 30.0, 60.0):
            x, y = panel.pixels(np.array([[-180.0, lat]]))[0]
            texts.append((x - 5, y + 3, degree_words(lat, "N", "S"), "end", SMALL_SIZE))
        for m in range(-180, 181, 30):
            x, y = panel.pixels(np.array([[float(m), -90.0]]))[0]
            texts.append((x, y + 12, degree_words(m, "E", "W"), "middle", SMALL_SIZE))
    for x, y, text, anchor, size in texts:
        out.append(text_element(x, y, text, size=size, anchor=anchor, fill=SOFT_INK if size == SMALL_SIZE else INK))
        boxes.append(text_box(x, y, text, size, anchor))
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
        span = f"{degree_words(band.south, 'N', 'S')} to {degree_words(band.north, 'N', 'S')}"
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
            out.append(f'<path stroke="{SOFT_INK}" stroke-width=".7" d="M{pixel(edge[0] + 2)} {pixel(edge[1])}'
                       f'L{pixel(x - 3)} {pixel(centre)}"/>')  # fmt: skip
            tip = ": ".join(t for t in (clean(shown[i].name), clean(shown[i].note)) if t)
        else:
            tip = ""
        for row, text in enumerate(texts[i]):
            size = LABEL_SIZE + 0.5 if row == 0 else SMALL_SIZE + 0.5
            weight = ' font-weight="bold"' if row == 0 else ""
            width = (WIDTH - 8.0 - x) / (1.08 if row == 0 else 1.0)  # bold runs about 8 % wider
            out.append(text_element(x, start + row * line + 9.0, shorten(text, width, size), size=size, title=tip,
                             fill=INK if row == 0 else SOFT_INK, more=weight))  # fmt: skip
        boxes.append((x - 4.0, start, WIDTH, start + height))
    return out, boxes


def _track_request(track: MapTrack, lines: list[Array], panel: Panel) -> Request:
    """Label of a track: at some vertex of its longest line in pixels, from the middle outwards."""
    longest = max(lines, key=lambda line: (float(np.hypot(*np.diff(line, axis=0).T).sum()), line.tobytes()))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(longest, axis=0).T))])
    at = np.searchsorted(along, along[-1] * np.array([0.5, 0.35, 0.65, 0.2, 0.8]))
    return Request(shorten(track.name, LABEL_LIMIT, LABEL_SIZE), longest[at], 2.0, _frame(panel), italic=True)


def _frame(panel: Panel) -> Row:
    if panel.pole == 0:
        return 8.0, MAP_TOP - 6.0, WIDTH - 8.0, 2.0 * panel.y0 - MAP_TOP + 2.0
    low, high = panel.y0 - INSET_RADIUS - 16.0, panel.y0 + INSET_RADIUS + 16.0
    return (8.0, low, 358.0, high) if panel.pole > 0 else (WIDTH - 358.0, low, WIDTH - 8.0, high)


@dataclass(slots=True)
class Sheet:
    """What has been drawn so far: layers of elements from below to above, and what labels have to mind."""

    ground: list[str] = field(default_factory=list)
    bands: list[str] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)
    texts: list[Row] = field(default_factory=list)
    solid: list[Row] = field(default_factory=list)
    soft: list[Array] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)


def sheet_of(panels: Sequence[Panel], content: MapContent) -> Sheet:
    """Draw panels in their order on one sheet, with the names of bands beside the world."""
    edges = sorted({edge for b in content.bands for edge in (b.south, b.north) if abs(edge) < 90.0})
    turn = np.radians(np.arange(0.0, 360.0, 3.0))
    circle = INSET_RADIUS * np.column_stack([np.cos(turn), np.sin(turn)])
    sheet = Sheet()
    for panel in panels:
        sheet.soft.append(np.add(circle, (panel.x0, panel.y0)) if panel.pole else _rim(panel))
        pieces, boxes = _ground(panel, content, edges)
        sheet.ground += pieces
        sheet.texts += boxes
        _add_legs(sheet, panel, content.legs)
        _add_tracks(sheet, panel, content.tracks)
        _add_points(sheet, panel, content.points)
        if content.bands and not panel.pole:
            sheet.bands, boxes = _band_names(panel, list(content.bands))
            sheet.texts += boxes
    return sheet


def elements(sheet: Sheet) -> tuple[list[str], int]:
    """Return the elements of a sheet from below to above, names where they find room, and how many found none."""
    labels = place(sheet.requests, sheet.solid, sheet.texts, np.vstack(sheet.soft))
    return [*sheet.ground, *_draw_labels(labels, sheet.marks), *sheet.bands], len(sheet.requests) - len(labels)


def _add_legs(sheet: Sheet, panel: Panel, legs: tuple[MapLeg, ...]) -> None:
    """Draw legs below tracks and places; labels keep off them where they can."""
    for leg in legs:
        path, lines = panel.strokes(leg.parts, False)
        if path:
            sheet.ground.append(leg_stroke(leg.shared, path, leg.name))
            sheet.soft += lines


def _add_tracks(sheet: Sheet, panel: Panel, tracks: tuple[MapTrack, ...]) -> None:
    for track in tracks:
        if track.closed and (area := panel.fills(track.parts)):
            tint = f'fill="{COLOUR[track.kind]}" fill-opacity=".12" fill-rule="evenodd"'
            sheet.ground.append(f'<path {tint} d="{area}"/>')
        path, lines = panel.strokes(track.parts, track.closed)
        if not path:
            continue
        words = f"{clean(track.name)}\n{KIND_TEXT[track.kind]}".strip()
        sheet.ground.append(track_stroke(track.kind, path, words, track.key))
        sheet.soft += lines
        # A track is named once: in an inset if most of it lies poleward of its rim.
        inset = bool((np.abs(np.vstack(track.parts)[:, 1]) >= INSET_LAT).mean() > 0.5)
        if track.kind in PICKED and clean(track.name) and inset == bool(panel.pole):
            sheet.requests.append(_track_request(track, lines, panel))


def _add_points(sheet: Sheet, panel: Panel, points: tuple[MapPoint, ...]) -> None:
    places = np.array([[p.lon - 360.0 if p.lon > 180.0 else p.lon, p.lat] for p in points]).reshape(-1, 2)
    shown = np.flatnonzero(panel.inside(places[:, 1]))
    pixels = panel.pixels(places[shown])
    places_of: dict[str, list[Array]] = {"left_out": [], "excluded": []}
    for index, at in zip(shown.tolist(), pixels, strict=True):
        point = points[index]
        if point.kind not in NAMED:
            places_of[point.kind].append(at)
            continue
        small = panel.pole == 0 and abs(point.lat) >= INSET_LAT
        size, radius = (" scale(.6)", 0.6 * RADIUS[point.kind]) if small else ("", RADIUS[point.kind])
        x, y = at.tolist()
        where = f'class="wm-{point.kind}"{keyed(point.key)} transform="translate({pixel(x)} {pixel(y)}){size}"'
        hit = f'<circle class="wm-hit" r="12" fill="{PAPER}" fill-opacity="0"/>' if point.key else ""
        shape = f'{hit}<g class="wm-mark">{mark(point.kind)}</g>'
        sheet.marks.append(f"<g {where}><title>{escape(tip_words(point))}</title>{shape}</g>")
        sheet.solid.append((x - radius, y - radius, x + radius, y + radius))
        if point.label and not small and clean(point.name):
            name = shorten(point.name, LABEL_LIMIT, LABEL_SIZE)
            sheet.requests.append(Request(name, at[None, :], radius, _frame(panel)))
    size_of = speck_size(points)
    for kind, found in places_of.items():
        if found:
            sheet.ground.append(specks(kind, np.array(found), size_of))
            sheet.soft.append(np.array(found))


def _draw_labels(labels: list[Label], marks: list[str]) -> list[str]:
    """Leaders, then the grounds of the names, then the marks, then the names."""
    out: list[str] = []
    leaders = [label.leader for label in labels if label.leader is not None]
    path = "".join(f"M{pixel(a)} {pixel(b)}L{pixel(c)} {pixel(d)}" for a, b, c, d in leaders)
    if path:
        halo = f'stroke="{PAPER}" stroke-opacity=".8" stroke-width="2.6"'
        out.append(f'<path class="wm-halo" fill="none" {halo} d="{path}"/>')
        out.append(f'<path class="wm-leaders" fill="none" stroke="{SOFT_INK}" stroke-width=".7" d="{path}"/>')
    names = []
    for label in labels:
        x0, y0, x1, y1 = label.box
        size = f'x="{pixel(x0)}" y="{pixel(y0)}" width="{pixel(x1 - x0)}" height="{pixel(y1 - y0)}" rx="2"'
        out.append(f'<rect class="wm-label" {size} fill="{PAPER}" fill-opacity=".82"/>')
        style = ' class="wm-name"' + (' font-style="italic"' if label.request.italic else "")
        names.append(text_element((x0 + x1) / 2.0, y0 + 9.8, label.request.text, anchor="middle", more=style))
    return [*out, *reversed(marks), *names]  # kinds are sorted, picked first: running sites come to lie below
