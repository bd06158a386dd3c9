"""What a region asks of deriving: its places, thresholds, gases, sources and winds as arrays; and a key of all that."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from importlib import resources

import numpy as np
import shapely

from siting.arrays import Floats
from siting.derive.attributes import Listed, Rules, Tracer
from siting.geography.places import Places, places
from siting.geography.winds import GivenWinds, given_shares, speed_edges
from siting.record.air import UnknownGasError, air_of
from siting.region.model import Origin, Region

# Grows when the method changes, so that rows of an older one are worked out anew.
METHOD = 1
# Gases of which nothing is known have no threshold, so nothing is derived of their contamination.
UNKNOWN = 0.0


@dataclass(frozen=True, eq=False)
class Asked:
    """One region's question: rules, tracers, listed sources, heights (n,) in m (NaN: not given)."""

    region: Region
    rules: Rules
    tracers: tuple[Tracer, ...]
    listed: Listed
    elevation_m: Floats

    def places(self, rows: Sequence[int]) -> Places:
        """Return the positions of some candidates, numbered from 0 in their order."""
        return places([self.region.candidates.geometry[i] for i in rows])

    def winds(self, rows: Sequence[int]) -> dict[int, GivenWinds]:
        """Return the winds that winds.csv gives for some candidates that stay at one place, by their number."""
        ids, shapes = self.region.candidates.ids, self.region.candidates.geometry
        number = {ids[i]: k for k, i in enumerate(rows) if shapes[i].geom_type == "Point"}
        mine: dict[int, list[int]] = {}
        for r, row in enumerate(self.region.winds):
            if row.site in number:
                mine.setdefault(number[row.site], []).append(r)
        edges = speed_edges(self.rules.least_wind)
        out = {}
        for k, these in sorted(mine.items()):
            table = [self.region.winds[r] for r in these]
            out[k] = given_shares(
                [w.month for w in table],
                [w.sector for w in table],
                [w.speed for w in table],
                [w.stability for w in table],
                [w.frequency for w in table],
                self.rules.sectors,
                edges,
            )
        return out

    def keys(self, rows: Sequence[int]) -> list[str]:
        """Return for some candidates a key of everything that their derived numbers rest on."""
        region = self.region
        geography = region.settings.geography.model_dump(mode="json")
        common = json.dumps(
            [
                METHOD,
                geography,
                [asdict(tracer) for tracer in self.tracers],
                [[s.id, s.lat, s.lon, s.height_m] for s in region.sources],
                region.source_strength.tolist(),
                hashlib.sha256((resources.files("siting") / "data" / "SOURCES.md").read_bytes()).hexdigest(),
            ]
        )
        winds: dict[str, list[list[object]]] = {}
        for w in region.winds:
            winds.setdefault(w.site, []).append([w.month, w.sector, w.speed, w.stability, w.frequency])
        c = region.candidates
        out = []
        for i in rows:
            own = [
                c.ids[i],
                shapely.to_wkb(c.geometry[i], hex=True),
                None if np.isnan(self.elevation_m[i]) else float(self.elevation_m[i]),
                region.open_months[i].tolist(),
                winds.get(c.ids[i], []),
            ]
            out.append(hashlib.sha256((common + json.dumps(own)).encode()).hexdigest()[:16])
        return out


def asked_of(region: Region) -> Asked:
    """Return what a region asks."""
    g = region.settings.geography
    rules = Rules(
        g.sectors,
        g.fetch_km,
        g.least_wind,
        g.source_reach_km,
        g.town_reach_km,
        g.mixing_height_m,
        g.land_steadiness,
        g.islet_km2,
        g.mountain_above_m,
        g.mountain_hours,
    )
    tracers = []
    for tracer in region.settings.tracers:
        try:
            scatter = air_of(tracer).synoptic_sd
        except UnknownGasError:
            scatter = UNKNOWN
        tracers.append(Tracer(tracer.name, tracer.unit, scatter))
    s = region.sources
    listed = Listed(
        tuple(row.id for row in s),
        np.array([row.lat for row in s], dtype=float),
        np.array([row.lon for row in s], dtype=float),
        np.array([row.height_m for row in s], dtype=float),
        region.source_strength if s else np.zeros((len(tracers), 0)),
    )
    given = region.candidates.origin["elevation_m"] == Origin.GIVEN
    return Asked(region, rules, tuple(tracers), listed, np.where(given, region.candidates.elevation_m, np.nan))
