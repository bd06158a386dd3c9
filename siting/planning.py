"""What rules and objectives look at: region, deployments, places, and what already runs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from siting.deployments import MEAN_DECIMALS, Deployments, build_deployments, running_instruments
from siting.geography.geodesy import Neighbours
from siting.geography.places import Places, places
from siting.region.model import Bools, Floats, Ints, Region

INSTRUMENTS = ("analyzer", "flask")


@dataclass(frozen=True, eq=False)
class Planning:
    """A region with everything that follows from it before anything is picked.

    `band_share` (n, bands) is the share of each candidate's time in the region's bands; `running`
    (n, 2) says which running stations have an analyzer and flasks, all False elsewhere.
    """

    region: Region
    deployments: Deployments
    places: Places
    band_share: Floats
    running: Bools

    @cached_property
    def neighbours(self) -> Neighbours:
        """Candidates as near neighbours of each other; a track's nearest position counts."""
        return Neighbours(self.places.lat, self.places.lon, self.places.owner)

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


def plan_region(region: Region, forced: frozenset[tuple[int, int]] = frozenset()) -> Planning:
    """Return the planning of a region.

    `forced` pairs (candidate, plan) are offered although a veto or status says no, so that a given
    layout can be judged.
    """
    where = places(region.candidates.geometry)
    south, north = region.band_edges
    return Planning(
        region,
        build_deployments(region, forced),
        where,
        where.band_shares(south, north),
        running_instruments(region),
    )


def columns_at(planning: Planning, candidates: Bools, instrument: str | None = None) -> Ints:
    """Return the deployments at masked candidates (n,) that have an instrument."""
    d = planning.deployments
    return np.flatnonzero(candidates[d.candidate] & planning.has(instrument))
