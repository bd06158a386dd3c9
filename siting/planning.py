"""What rules and objectives look at: region, deployments, places, and what already runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.deployments import MEAN_DECIMALS, Deployments, build_deployments, running_instruments
from siting.geography.geodesy import Neighbours
from siting.geography.places import Places, places
from siting.region.model import Region
from siting.supply.table import Supply, build_supply
from siting.supply.ways import Transport

INSTRUMENTS = ("analyzer", "flask")
# Candidates within this distance are one place.
SAME_PLACE_KM = 1.0


@dataclass(frozen=True, eq=False)
class Planning:
    """A region with everything that follows from it before anything is picked.

    `band_share` (n, bands) is the share of each candidate's time in the region's bands; `running`
    (n, 2) says which running stations have an analyzer and flasks, all False elsewhere. `supply` holds the
    ways of supply of every deployment, `chosen` those decided on, by deployment.
    """

    region: Region
    deployments: Deployments
    places: Places
    band_share: Floats
    running: Bools
    supply: Supply
    chosen: Mapping[int, int] = field(default_factory=dict)

    def ways_of(self, picked: Ints) -> Ints:
        """Return the ways of supply (k,) of deployments (k,): those chosen, else the ones that are cheapest alone."""
        ways = self.supply.first[picked]
        for j in np.flatnonzero(np.isin(picked, list(self.chosen))).tolist():
            ways[j] = self.chosen[int(picked[j])]
        return ways

    def with_ways(self, chosen: Mapping[int, int]) -> Planning:
        """Return the planning with ways of supply chosen by deployment; raises ValueError for another's way."""
        wrong = [k for k, way in chosen.items() if way not in self.supply.of(k)]
        if wrong:
            raise ValueError(f"deployments {wrong[:5]} have no such way of supply")
        return replace(self, chosen={k: chosen[k] for k in sorted(chosen)})

    @cached_property
    def neighbours(self) -> Neighbours:
        """Candidates as near neighbours of each other; a track's nearest position counts."""
        return Neighbours(self.places.lat, self.places.lon, self.places.owner)

    @cached_property
    def same_place(self) -> Ints:
        """Pairs (m, 2) of candidates within 1 km of each other, which share what a place has for itself."""
        return np.asarray(self.neighbours.pairs(SAME_PLACE_KM), dtype=np.int64)

    def has(self, instrument: str | None) -> Bools:
        """Mask (D,) of deployments with an instrument, or of all for None."""
        d = self.deployments
        if instrument is None:
            return np.ones(len(d), dtype=bool)
        return d.has_analyzer if instrument == "analyzer" else d.has_flask

    def lasting_flasks(self) -> Bools:
        """Mask (D,) of deployments whose flasks go on to the end of the window, beside any analyzer."""
        d = self.deployments
        return np.asarray(d.has_flask & (d.flask_end >= 12 * self.region.settings.years), dtype=bool)

    def runs(self, instrument: str | None) -> Bools:
        """Mask (n,) of running stations with an instrument, or of all that run for None."""
        if instrument is None:
            return self.region.candidates.running()
        return np.asarray(self.running[:, INSTRUMENTS.index(instrument)], dtype=bool)

    def counting(self) -> Bools:
        """Mask (n,) of candidates whose mean exposure is enough to count for coverage."""
        mean = np.round(self.region.mean_exposure(), MEAN_DECIMALS)
        return np.asarray(mean >= self.region.settings.score.counts_from, dtype=bool)


def plan_region(
    region: Region, forced: frozenset[tuple[int, int]] = frozenset(), transport: Transport | None = None
) -> Planning:
    """Return the planning of a region.

    `forced` pairs (candidate, plan) are offered although a veto or status says no, so that a given layout can be
    judged. `transport` is what legs alone say, worked out if None: regions that differ in neither legs, hubs nor
    places may share it.
    """
    where = places(region.candidates.geometry)
    south, north = region.band_edges
    deployments = build_deployments(region, forced)
    supply = build_supply(region, deployments, transport)
    if supply.too_long:
        kept = _within_storage(region, deployments, supply, forced)
        deployments, supply = deployments.take(kept, supply.too_long), supply.take(kept)
    return Planning(region, deployments, where, where.band_shares(south, north), running_instruments(region), supply)


def _within_storage(region: Region, d: Deployments, supply: Supply, forced: frozenset[tuple[int, int]]) -> Ints:
    """Return the deployments whose samples come home in time, and those that were asked for in spite of it."""
    ids, plans = region.candidates.ids, [plan.id for plan in region.settings.plans]
    late = {(left.candidate, left.plan) for left in supply.too_long}
    keep = np.array(
        [
            (int(i), int(p)) in forced or (ids[i], plans[p]) not in late
            for i, p in zip(d.candidate, d.plan, strict=True)
        ],
        dtype=bool,
    )
    return np.flatnonzero(keep)


def columns_at(planning: Planning, candidates: Bools, instrument: str | None = None) -> Ints:
    """Return the deployments at masked candidates (n,) that have an instrument."""
    d = planning.deployments
    return np.flatnonzero(candidates[d.candidate] & planning.has(instrument))
