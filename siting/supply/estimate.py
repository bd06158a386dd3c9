"""A first guess of ways and freight from distances, where no leg leads: assumed, and said to be so.

A box costs, one way, a fixed price, a price for each 1,000 km of great circle to the laboratory, and a price for
each km to the nearest airport or supply port; it takes the days of a way by air where an airport is near, else
those of a way by ship. Prices and days are settings of [supply], all assumed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Floats
from siting.geography.geodesy import distance_km
from siting.region.model import Region

RULE = (
    "a box, one way: {box:g} + {far:g} for each 1,000 km to the laboratory + {near:g} for each km to the nearest "
    "airport or supply port; {air:g} days by air where an airport is within {within:g} km, else {ship:g} by ship"
)


@dataclass(frozen=True, eq=False)
class Estimates:
    """Guessed days of one way (n,) and price of a box one way (n,), in the currency, where `known` (n,)."""

    known: Bools
    days: Floats
    box_price: Floats


def estimates(region: Region) -> Estimates:
    """Return the guesses for a region's candidates; none without `siting derive` or a place of the laboratory."""
    supply, laboratory, c = region.settings.supply, region.settings.laboratory, region.candidates
    n = len(c)
    airport, port = region.distances_km[:, 0], region.distances_km[:, 1]
    known = np.isfinite(airport) & np.isfinite(port)
    if not supply.estimate or laboratory.lat is None or laboratory.lon is None or not known.any():
        nothing = np.zeros(n)
        return Estimates(np.zeros(n, dtype=bool), nothing, nothing)
    far = distance_km(c.lat, c.lon, np.full(n, laboratory.lat), np.full(n, laboratory.lon))
    near = np.minimum(np.where(known, airport, 0.0), np.where(known, port, 0.0))
    price = (
        supply.estimate_box + supply.estimate_box_per_1000_km * far / 1000.0 + supply.estimate_box_per_local_km * near
    )
    by_air = np.where(known, airport, np.inf) <= supply.estimate_air_within_km
    days = np.where(by_air, supply.estimate_air_days, supply.estimate_ship_days)
    return Estimates(known, days, np.where(known, price, 0.0))


def rule_words(region: Region) -> str:
    """Return the rule of the guess in words."""
    supply = region.settings.supply
    return RULE.format(
        box=supply.estimate_box,
        far=supply.estimate_box_per_1000_km,
        near=supply.estimate_box_per_local_km,
        air=supply.estimate_air_days,
        within=supply.estimate_air_within_km,
        ship=supply.estimate_ship_days,
    )
