"""Which numbers of candidates nobody gave, and where a layout rests on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Ints
from siting.planning import Planning
from siting.record.air import Air, airs
from siting.record.own import OWN, OwnNoise, origins_at, own_noise
from siting.region.model import Origin, Region, frozen_mapping
from siting.region.schema.tables import CandidateRow


@dataclass(frozen=True)
class AssumedColumn:
    """A column that is assumed at some candidates: the value in words, and their ids in order."""

    column: str
    value: str
    ids: tuple[str, ...]


def assumed_columns(region: Region) -> tuple[AssumedColumn, ...]:
    """Return the columns whose values are assumed somewhere, by name."""
    ids = region.candidates.ids
    return tuple(
        AssumedColumn(column, _value(region, column), tuple(ids[i] for i in np.flatnonzero(there)))
        for column in sorted(region.candidates.origin)
        if (there := _assumed(region, column)).any()
    )


def assumed_at_picks(planning: Planning, picked: Ints) -> Mapping[str, tuple[str, ...]]:
    """Return the ids of the picked deployments (k,) at which an assumed value counts, by column.

    Only columns that enter the score, the dates, the supply or whether the plan can be had there: calls
    count where flasks are exchanged, power and people where the plan needs them.
    """
    region, d = planning.region, planning.deployments
    settings, ids = region.settings, region.candidates.ids
    weights = settings.score.weights
    plans = [settings.plans[p] for p in d.plan[picked]]
    everywhere = [True] * len(plans)
    counts: dict[str, list[bool]] = {
        "baseline_exposure": everywhere,
        "contamination_risk": [weights.contamination > 0.0 or settings.score.greatest_risk < 1.0] * len(plans),
        "data_return": everywhere,
        "host_strength": [weights.host > 0.0] * len(plans),
        "power": [plan.draws_power for plan in plans],
        "staffed": [plan.needs_staff for plan in plans],
        "visits_per_year": [plan.has_flask for plan in plans],
    }
    found: dict[str, tuple[str, ...]] = {}
    for column, enters in counts.items():
        there = _assumed(region, column)[d.candidate[picked]] & np.array(enters, dtype=bool)
        names = tuple(sorted({ids[i] for i in d.candidate[picked][there]}))
        if names:
            found[column] = names
    return frozen_mapping(found)


def noise_lines(planning: Planning, picked: Ints) -> tuple[str, ...]:
    """Return for each picked (k,) or running site with a record of its own where the numbers of its noise come from.

    Raises `UnknownGasError` where a tracer's numbers are neither given nor known beforehand.
    """
    region = planning.region
    if not region.records:
        return ()
    ids = region.candidates.ids
    counts = {*planning.deployments.candidate[picked].tolist(), *np.flatnonzero(region.candidates.running()).tolist()}
    names = {ids[i] for i in counts}
    return tuple(
        _noise_line(one, air)
        for air, told in zip(airs(region), own_noise(region), strict=True)
        for one in told
        if one.id in names
    )


def _noise_line(one: OwnNoise, air: Air) -> str:
    numbers = origins_at(one, air)
    own = [f"{where.name} {where.value:.3g}" for where in numbers if where.origin == OWN]
    kept = [f"{where.name} {where.value:.3g} ({where.origin})" for where in numbers if where.origin != OWN]
    why = "; ".join(dict.fromkeys(reason for _, reason in one.kept))
    start = f"noise of site {one.id} for {air.name}"
    if not own:
        return f"{start} not from its own record ({why}): {', '.join(kept)}."
    rest = f"; its record does not tell the rest ({why}), so {', '.join(kept)}" if kept else ""
    return f"{start} from its own record: {', '.join(own)}{rest}."


def _assumed(region: Region, column: str) -> Bools:
    """Mask (n,) of candidates whose value is assumed; exposure in at least one open month."""
    if column == "baseline_exposure":
        return np.asarray(((region.exposure_origin == Origin.ASSUMED) & region.open_months).any(axis=1), dtype=bool)
    return np.asarray(region.candidates.origin[column] == Origin.ASSUMED, dtype=bool)


def _value(region: Region, column: str) -> str:
    value = CandidateRow.model_fields[column].default
    if column == "visits_per_year":
        value = region.settings.supply.visits_per_year
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value if isinstance(value, str) else f"{value:g}"
