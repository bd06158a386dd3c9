"""map.svg: what the world map shows of a layout."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siting.assessment.layout import Assessment
from siting.geography.antimeridian import cut_line, cut_polygon
from siting.outputs.lines import what_if_words
from siting.outputs.supply import leg_points
from siting.outputs.worldmap import Kind, MapBand, MapContent, MapLeg, MapPoint, MapTrack, draw
from siting.planning import Planning

_KINDS: dict[str, Kind] = {
    "analyzer": "analyzer",
    "flask": "flask",
    "both": "both",
    "flask_then_analyzer": "both",
}


def map_svg(planning: Planning, assessment: Assessment) -> str:
    """Return the map of candidates, picks, tracks, running stations and bands as SVG."""
    region = planning.region
    c = region.candidates
    picks = {pick.id: pick for pick in assessment.picks}
    points: list[MapPoint] = []
    tracks: list[MapTrack] = []
    for i, candidate in enumerate(c.ids):
        pick = picks.get(candidate)
        kind: Kind = "left_out"
        if pick is not None:
            kind = _KINDS[pick.kind]
        elif c.status[i] == "running":
            kind = "running"
        elif c.status[i] == "excluded":
            kind = "excluded"
        shape = c.geometry[i]
        if shape.geom_type == "Point":
            detail = f"{pick.plan} from {pick.start_year}, score {pick.score:.0f}" if pick else ""
            points.append(
                MapPoint(
                    float(c.lat[i]),
                    float(c.lon[i]),
                    kind,
                    c.names[i],
                    label=pick is not None or kind == "running",
                    detail=detail,
                )
            )
        else:
            parts, closed = _parts(shape)
            if parts:
                tracks.append(MapTrack(tuple(parts), kind, c.names[i], closed=closed))
    bands = tuple(
        MapBand(row.band, row.south, row.north, _count(row.sites, "site")) for row in assessment.coverage.bands
    )
    money = assessment.money
    subtitle = (
        f"{_count(len(assessment.picks), 'new site')}, {money.total / 100:,.0f} {money.currency}, "
        f"{money.years[0]}-{money.years[-1]}"
    )
    if region.what_ifs:
        subtitle = f"{what_if_words(region.what_ifs)}: {subtitle}"
    legs = []
    for leg in assessment.supply.legs:
        line = leg_points(leg)
        if line is not None:
            words = f"{leg.begin} - {leg.end} by {leg.mode}: {leg.boxes_out} boxes a year, for {', '.join(leg.users)}"
            pieces = tuple(np.asarray(piece) for piece in cut_line(np.array(line)))
            legs.append(MapLeg(pieces, words, len(leg.users) > 1))
    content = MapContent(region.settings.title, subtitle, tuple(points), tuple(tracks), bands, legs=tuple(legs))
    return draw(content)


def _count(number: float, what: str) -> str:
    return f"{number:.3g} {what}{'' if number == 1 else 's'}"


def _parts(shape: BaseGeometry) -> tuple[list[np.ndarray], bool]:
    """Return a line's parts cut at 180 degrees, or an area's outer rings; and whether they are closed."""
    found: list[np.ndarray] = []
    for part in getattr(shape, "geoms", [shape]):
        if part.geom_type == "Polygon":
            holes = [shapely.get_coordinates(ring) for ring in part.interiors]
            found += [np.asarray(shell) for shell, _ in cut_polygon(shapely.get_coordinates(part.exterior), holes)]
        else:
            found += [np.asarray(piece) for piece in cut_line(shapely.get_coordinates(part))]
    return found, "Polygon" in shape.geom_type
