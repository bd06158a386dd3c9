"""How well a layout covers the earth from pole to pole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from siting.arrays import Floats, Ints
from siting.assessment.profiles import Efficiency, profile_efficiencies
from siting.geography.bands import Gap, area_share, gaps
from siting.planning import Planning
from siting.sampling import HOURS_PER_MONTH


@dataclass(frozen=True)
class BandCoverage:
    """What a layout has in one band; counts are in sites, a track counts by its share of time.

    `baseline_hours` are the hours a year in which background air reaches open sites of the band,
    picked and running; `best_exposure` the greatest mean exposure among them (None without a site),
    `best_site` where it is; `area_share` the band's share of the earth's area.
    """

    band: str
    south: float
    north: float
    area_share: float
    analyzers: float
    flasks: float
    both: float
    running: float
    sites: float
    baseline_hours: float
    best_exposure: float | None
    best_site: str | None


@dataclass(frozen=True)
class Coverage:
    """Coverage by band, gaps in latitude (widest first, poles counted as ends), and profile efficiencies.

    A track or area leaves no gap between its southern and its northern end.
    """

    bands: tuple[BandCoverage, ...]
    gaps: tuple[Gap, ...]
    efficiencies: tuple[Efficiency, ...]


def reach(planning: Planning) -> tuple[Floats, Floats]:
    """Return the southernmost and the northernmost latitude (n,) of each candidate, equal for a fixed site."""
    where = planning.places
    bounds = shapely.bounds(np.array(planning.region.candidates.geometry, dtype=object)).reshape(-1, 4)
    south, north = bounds[:, 1].copy(), bounds[:, 3].copy()
    # An area round a pole reaches beyond all vertices of its ring.
    np.minimum.at(south, where.owner, where.lat)
    np.maximum.at(north, where.owner, where.lat)
    return south, north


def coverage(planning: Planning, picked: Ints) -> Coverage:
    """Return the coverage of picked deployments (k,) together with the running stations.

    In the efficiencies every site weighs the same; a track's positions share its weight.
    """
    d, region = planning.deployments, planning.region
    c = region.candidates
    new = d.candidate[picked]
    runs = np.flatnonzero(c.running())
    members = np.union1d(new, runs).astype(np.int64)
    exposure = region.mean_exposure()
    hours = HOURS_PER_MONTH * c.duty_cycle * (region.exposure * region.open_months).sum(axis=1)
    fresh = np.setdiff1d(new, runs)
    kind = np.zeros((len(c), 3), dtype=bool)
    for k in picked:
        both = bool(d.has_analyzer[k] and d.has_flask[k])
        kind[d.candidate[k]] = (bool(d.has_analyzer[k]) and not both, bool(d.has_flask[k]) and not both, both)
    rows = []
    for b, band in enumerate(region.settings.bands):
        if not band.coverage:
            continue
        share = planning.band_share[:, b]
        there = members[share[members] > 0.0]
        best = min(there.tolist(), key=lambda i: (-exposure[i], c.ids[i]), default=None)
        counts = [float(share[fresh[kind[fresh, j]]].sum()) for j in range(3)]
        running = float(share[runs].sum())
        rows.append(
            BandCoverage(
                band=band.id,
                south=band.south,
                north=band.north,
                area_share=float(area_share(np.array([band.south]), np.array([band.north]))[0]),
                analyzers=counts[0],
                flasks=counts[1],
                both=counts[2],
                running=running,
                sites=sum(counts) + running,
                baseline_hours=float((share * hours)[members].sum()),
                best_exposure=None if best is None else float(exposure[best]),
                best_site=None if best is None else c.ids[best],
            )
        )
    where = np.isin(planning.places.owner, members)
    lat, weight = planning.places.lat[where], planning.places.weight[where]
    return Coverage(tuple(rows), _gaps(planning, members), profile_efficiencies(lat, weight))


def _gaps(planning: Planning, members: Ints) -> tuple[Gap, ...]:
    """Return the gaps between the spans of latitude that members (k,) reach."""
    south, north = (ends[members] for ends in reach(planning))
    # Between two neighbouring ends lies either one whole gap, or nothing but the inside of some track.
    return tuple(
        gap
        for gap in gaps(np.concatenate([south, north]))
        if not np.any((south <= gap.from_lat) & (gap.to_lat <= north))
    )
