"""The map of a report page, thinned where there are thousands of candidates."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from siting.outputs.mapcontent import MapContent
from siting.outputs.mappanels import draw_panels, thinned
from siting.outputs.picture import map_content
from siting.report.reading import Run


@dataclass(frozen=True)
class KeyEntry:
    """A row of the map's key."""

    text: str
    swatch: Markup
    count: str


@dataclass(frozen=True)
class Map:
    """The three drawings of a map, its key, and a note on what is not shown."""

    world: Markup
    north: Markup
    south: Markup
    key: tuple[KeyEntry, ...]
    note: str


def map_of(run: Run) -> Map:
    """Return the map of a layout."""
    layers = run.layers
    return panels_of(
        map_content(
            run.layout,
            layers["network.geojson"],
            layers["candidates.geojson"],
            layers["bands.geojson"],
            layers.get("supply.geojson"),
        )
    )


def panels_of(content: MapContent) -> Map:
    """Return a map's drawings as markup."""
    few, hidden = thinned(content)
    made = draw_panels(few)
    notes = [
        "Equal areas throughout (Equal Earth and Lambert's azimuthal projection, WGS 84); land from Natural Earth."
    ]
    if hidden:
        left = sum(point.kind == "left_out" for point in content.points)
        notes.append(
            f"Of {left:,} candidates left out {left - hidden:,} are drawn, spread evenly; all stand in "
            "candidates.geojson."
        )
    if made.unnamed:
        notes.append(f"{made.unnamed:,} names found no room.")
    # Every text in a drawing was escaped where it was drawn.
    key = tuple(KeyEntry(row.text, Markup(row.swatch), row.count) for row in made.key)
    return Map(Markup(made.world), Markup(made.north), Markup(made.south), key, " ".join(notes))
