"""What answers a doubter: offsets between methods that pairs would reveal, contamination that a site would show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Ints
from siting.deployments import parts_of, running_plan
from siting.field.model import TracerModel, tracer_models
from siting.field.posterior import NEEDED
from siting.field.targets import monthly_shares
from siting.planning import Planning
from siting.region.schema.network import Plan
from siting.selection.kinds import TOUCH_KM

MONTHS = 12


@dataclass(frozen=True)
class PairOffset:
    """The smallest offset between analyzer and flask that all comparison pairs together reveal in a year.

    With 90 % probability at 95 % confidence; infinite without a pair. `pairs` names the sites.
    """

    tracer: str
    unit: str
    pairs: tuple[str, ...]
    offset: float


@dataclass(frozen=True)
class Discovery:
    """The smallest steady local contamination that a year of a site's own record reveals.

    A year of all instruments that measure there at the end of the window, those that run already included.
    """

    tracer: str
    id: str
    size: float


def pair_offsets(planning: Planning, picked: Ints) -> tuple[PairOffset, ...]:
    """Return for each tracer what the comparison pairs of picked deployments (k,) would reveal."""
    return tuple(_offset(model, picked) for model in tracer_models(planning))


def discoveries(planning: Planning, picked: Ints) -> tuple[Discovery, ...]:
    """Return for each tracer and picked deployment the contamination that would be seen in a year."""
    ids = planning.region.candidates.ids
    found = []
    for model in tracer_models(planning):
        shares = monthly_shares(model, picked)
        for i in planning.deployments.candidate[picked].tolist():
            share = shares.get(i, 0.0)
            size = NEEDED / np.sqrt(MONTHS * share) if share > 0.0 else float("inf")
            found.append(Discovery(model.air.name, ids[i], float(size)))
    return tuple(found)


def _offset(model: TracerModel, picked: Ints) -> PairOffset:
    planning = model.planning
    region, d = planning.region, planning.deployments
    plans, c = region.settings.plans, region.candidates
    stands: dict[int, tuple[list[Plan], list[Plan]]] = {}
    lasting = planning.lasting_flasks()
    for k in picked:
        analyzer, flask = parts_of(plans[d.plan[k]], plans)
        _add(stands, int(d.candidate[k]), analyzer, flask if lasting[k] else None)
    for runs in np.flatnonzero(c.running()).tolist():
        plan = running_plan(region, runs)
        if plan is not None:
            _add(stands, runs, *parts_of(plan, plans))
    weight = 0.0
    names: list[str] = []
    for i in sorted(stands):
        partners: list[tuple[int, bool]] = [(i, True), *((j, False) for j in _near(planning, i, sorted(stands)))]
        for j, same in partners:
            for analyzer in stands[i][0]:
                for flask in stands[j][1]:
                    if model.records.measures(analyzer) and model.records.measures(flask):
                        weight += float(model.records.difference_weights(analyzer, i, flask, j, same).sum())
                        names.append(c.ids[i] if same else f"{c.ids[i]} with {c.ids[j]}")
    offset = NEEDED / np.sqrt(weight) if weight > 0.0 else float("inf")
    return PairOffset(model.air.name, model.air.unit, tuple(dict.fromkeys(names)), float(offset))


def _add(stands: dict[int, tuple[list[Plan], list[Plan]]], i: int, analyzer: Plan | None, flask: Plan | None) -> None:
    analyzers, flasks = stands.setdefault(i, ([], []))
    if analyzer is not None:
        analyzers.append(analyzer)
    if flask is not None:
        flasks.append(flask)


def _near(planning: Planning, i: int, sites: list[int]) -> list[int]:
    """Return the other sites within the region's `pair_km`."""
    km = planning.region.settings.pair_km
    if km == 0.0:
        return []
    near = set(planning.neighbours.within(np.array([i]), km + TOUCH_KM)[0].tolist())
    return [j for j in sites if j in near]
