"""map.svg: what the world map shows of a layout, from the GeoJSON files of its run alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from siting.geography.opendata import read_map_land
from siting.outputs.lines import what_if_words
from siting.outputs.mapcontent import Kind, MapBand, MapContent, MapLeg, MapPoint, MapTrack
from siting.outputs.mapplane import Array
from siting.outputs.worldmap import draw

Content = Mapping[str, Any]
Entry = tuple[Content, Kind, str, str, str]

KINDS: dict[str, Kind] = {
    "analyzer": "analyzer",
    "flask": "flask",
    "both": "both",
    "flask_then_analyzer": "both",
}
"""The mark of each kind of plan."""


def map_content(
    layout: Content, network: Content, candidates: Content, bands: Content, supply: Content | None
) -> MapContent:
    """Return what the map shows, from parsed layout.json and the GeoJSON layers; ids are the keys of marks.

    `supply` is None where no legs were given.
    """
    members = {one["properties"]["id"]: one["properties"] for one in network["features"]}
    entries: list[Entry] = []
    for one in candidates["features"]:
        told, shape = one["properties"], one["geometry"]
        member = members.get(told["id"])
        picked = member is not None and member["role"] == "picked"
        kind: Kind = "excluded" if told["status"] == "excluded" else "left_out"
        if member is not None:
            kind = KINDS[member["kind"]] if picked else "running"
        detail = ""
        if member is not None and picked:
            detail = f"{told['plan']} from {told['start_year']}, score {member['score']:.0f}"
        entries.append((shape, kind, told["name"], detail, told["id"] if member is not None else ""))
    points, tracks = marks_of(entries)
    return MapContent(
        layout["title"],
        _subtitle(layout),
        points,
        tracks,
        tuple(_band(one["properties"]) for one in bands["features"]),
        land=tuple(read_map_land()),
        legs=_legs(supply),
    )


def marks_of(entries: Iterable[Entry]) -> tuple[tuple[MapPoint, ...], tuple[MapTrack, ...]]:
    """Return places and tracks of entries (geometry, kind, name, detail, key); those with a key are named."""
    points: list[MapPoint] = []
    tracks: list[MapTrack] = []
    for shape, kind, name, detail, key in entries:
        if shape["type"] == "Point":
            lon, lat = shape["coordinates"][:2]
            points.append(MapPoint(float(lat), float(lon), kind, name, label=bool(key), detail=detail, key=key))
        else:
            parts, closed = _parts(shape)
            if parts:
                tracks.append(MapTrack(tuple(parts), kind, name, closed=closed, key=key))
    return tuple(points), tuple(tracks)


def map_svg(layout: Content, network: Content, candidates: Content, bands: Content, supply: Content | None) -> str:
    """Return the map of candidates, picks, tracks, running stations and bands as SVG."""
    return draw(map_content(layout, network, candidates, bands, supply))


def _subtitle(layout: Content) -> str:
    years = list(layout["cost_by_year"])
    subtitle = (
        f"{_count(len(layout['picked']), 'new site')}, {layout['cost_total']:,.0f} {layout['currency']}, "
        f"{years[0]}-{years[-1]}"
    )
    return f"{what_if_words(layout['changes'])}: {subtitle}" if layout["changes"] else subtitle


def _band(told: Content) -> MapBand:
    return MapBand(told["band"], float(told["south"]), float(told["north"]), _count(told["sites"], "site"))


def _legs(supply: Content | None) -> tuple[MapLeg, ...]:
    legs = []
    for one in supply["features"] if supply is not None else ():
        if one["geometry"] is None:
            continue
        told = one["properties"]
        users = told["sites"]
        words = f"{told['from']} - {told['to']} by {told['mode']}: {told['boxes_out_per_year']} boxes a year, for "
        parts, _ = _parts(one["geometry"])
        legs.append(MapLeg(tuple(parts), words + ", ".join(users), len(users) > 1))
    return tuple(legs)


def _count(number: float, what: str) -> str:
    return f"{number:.3g} {what}{'' if number == 1 else 's'}"


def _parts(shape: Content) -> tuple[list[Array], bool]:
    """Return the lines of a geometry, or the outer rings of its areas; and whether they are closed."""
    kind, given = shape["type"], shape["coordinates"]
    if kind == "GeometryCollection":
        raise ValueError("a track is a line or an area")
    lines = {"LineString": [given], "MultiLineString": given, "Polygon": given[:1]}.get(kind)
    if lines is None:
        lines = [polygon[0] for polygon in given]
    found = [np.array([position[:2] for position in line], dtype=np.float64) for line in lines]
    return [line for line in found if len(line) >= 2], kind.endswith("Polygon")
