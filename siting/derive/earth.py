"""The earth as deriving needs it: coasts, winds, heights, towns, ports and airports, read once a run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.geography.coast import Coast, coast_of
from siting.geography.opendata import (
    Climate,
    Elevation,
    Named,
    read_airports,
    read_climate,
    read_elevation,
    read_land,
    read_ports,
    read_towns,
)

# South of this all land is ice without towns or plants, and wind over it is as clean as over the sea.
ICE_SOUTH_OF = -60.0


@dataclass(frozen=True, eq=False)
class Earth:
    """What is known of the earth; `green` is the coast of land that is not ice of the far south."""

    coast: Coast
    green: Coast
    elevation: Elevation
    climate: Climate
    towns: Named
    ports: Named
    airports: Named


def read_earth() -> Earth:
    """Read the open data that comes with the program."""
    land = read_land()
    north = np.array([shape.bounds[3] for shape in land])
    green = [shape for shape, top in zip(land, north, strict=True) if top > ICE_SOUTH_OF]
    return Earth(
        coast_of(land), coast_of(green), read_elevation(), read_climate(), read_towns(), read_ports(), read_airports()
    )
