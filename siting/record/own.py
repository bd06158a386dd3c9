"""The noise of the air at each candidate: the tracer's numbers, or what a site's own record tells of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from siting.arrays import Floats, Ints, read_only
from siting.noise.fit import NoiseFit
from siting.noise.reading import fits_of_records
from siting.record.air import Air, Where
from siting.region.model import Region

NUMBERS = ("synoptic_sd", "memory_days", "slow_sd", "slow_phi")
OWN = "own record"
MOVED = "it was taken on the way, so that place and time mix"


@dataclass(frozen=True)
class OwnNoise:
    """What the record of one candidate tells: `values` by name, and why the rest of `NUMBERS` is `kept`.

    Names are those of `NUMBERS`; what is kept stays as the tracer has it.
    """

    id: str
    values: tuple[tuple[str, float], ...]
    kept: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, eq=False)
class SiteAir:
    """Variability of background air at n candidates, each array (n,).

    `synoptic_sd` and `slow_sd` in the tracer's unit, `memory_days` above 0, `slow_phi` from 0 to below 1;
    `own` tells the sites whose record gave some of the numbers.
    """

    synoptic_sd: Floats
    memory_days: Floats
    slow_sd: Floats
    slow_phi: Floats
    own: tuple[OwnNoise, ...] = ()

    def at(self, sites: Ints) -> SiteAir:
        """Return the rows of some sites."""
        return SiteAir(*(getattr(self, name)[sites] for name in NUMBERS))

    @property
    def synoptic_variance(self) -> Floats:
        """Square (n,) of the synoptic sd."""
        return np.asarray(self.synoptic_sd**2, dtype=float)

    @property
    def slow_variance(self) -> Floats:
        """Square (n,) of the slow sd."""
        return np.asarray(self.slow_sd**2, dtype=float)


@dataclass(frozen=True, eq=False)
class SharedAir:
    """The part of its air that each of n candidates shares with its cell, each array (n,).

    `slow_variance` with `slow_phi` from month to month, and `endless`, the synoptic variance of a monthly
    mean of endless samples, syn^2 V(inf, tau). Neither is larger than the candidate's own. `begin` is the first
    month of the axis from which all candidates of the cell can have a record.
    """

    slow_variance: Floats
    slow_phi: Floats
    endless: Floats
    begin: Ints


def site_air(region: Region, air: Air, own: Sequence[OwnNoise] = ()) -> SiteAir:
    """Return the air at every candidate: the tracer's numbers, replaced where a record tells better.

    Raises ValueError for a name that is not in `NUMBERS` or a value out of its range, KeyError for an
    unknown candidate.
    """
    arrays = {name: np.full(len(region.candidates), float(getattr(air, name))) for name in NUMBERS}
    for one in own:
        i = region.candidates.index(one.id)
        for name, value in one.values:
            if name not in NUMBERS:
                raise ValueError(f"a record gives {', '.join(NUMBERS)}, not {name}")
            low, high = (0.0, 1.0) if name == "slow_phi" else (0.0, np.inf)
            if not (low <= value < high) or (name == "memory_days" and value == 0.0):
                raise ValueError(f"{name} of site {one.id} is {value}: out of range")
            arrays[name][i] = value
    return SiteAir(**{name: read_only(array) for name, array in arrays.items()}, own=tuple(own))


# A fit is a pure function of a frozen region and takes a second for a few hundred values, while one assessment
# asks for it dozens of times.
@lru_cache(maxsize=2)
def own_noise(region: Region) -> tuple[tuple[OwnNoise, ...], ...]:
    """Return for each tracer what the records of a region's candidates tell, in the order of ids.

    Sites without a record are left out; a record that cannot be fitted, or of a moving platform, gives no
    number and says why.
    """
    return tuple(_of_tracer(region, tracer) for tracer in range(len(region.tracers)))


def _of_tracer(region: Region, tracer: int) -> tuple[OwnNoise, ...]:
    c = region.candidates
    moving = frozenset(name for name, shape in zip(c.ids, c.geometry, strict=True) if shape.geom_type != "Point")
    fits, unfit = fits_of_records(region, tracer, without=moving)
    none = dict(unfit) | {name: MOVED for name in region.records if name in moving}
    found = [_told(name, fit) for name, fit in fits.items()]
    found += [OwnNoise(name, (), tuple((number, why) for number in NUMBERS)) for name, why in none.items()]
    return tuple(sorted(found, key=lambda one: one.id))


def _told(name: str, fit: NoiseFit) -> OwnNoise:
    """Return the numbers that a fit determines, and the reasons why it does not give the others."""
    estimates = [(number, getattr(fit, number)) for number in NUMBERS]
    return OwnNoise(
        name,
        tuple((number, float(e.value)) for number, e in estimates if e.determined),
        tuple((number, str(e.reason)) for number, e in estimates if not e.determined),
    )


def origins_at(one: OwnNoise, air: Air) -> tuple[Where, ...]:
    """Return the numbers that hold at a site with a record, each with "own record" or the tracer's origin."""
    values = dict(one.values)
    tracers = {where.name: where for where in air.origins}
    return tuple(Where(n, values[n], OWN) if n in values else tracers[n] for n in NUMBERS)
