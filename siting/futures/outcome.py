"""How a layout fares in one future, beside the best layout of that future."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from siting.arrays import Ints
from siting.assessment.precision import target_errors
from siting.futures.drawing import Future, applied, draw
from siting.judging.search import By, Found, Search, named
from siting.planning import Planning, plan_region
from siting.record.air import UnknownGasError
from siting.region.model import Region
from siting.selection.program import Limits
from siting.selection.registry import judge
from siting.selection.standing import cost_by_year, with_best_ways
from siting.supply.ways import Transport

Pick = tuple[str, str, int]


@dataclass(frozen=True, eq=False)
class Task:
    """What every future is asked: region and layout, what is best, the gap or number of nodes at which a search ends.

    `layout` are (candidate id, plan id, start year). Time never ends a search, so that answers do not depend on the
    machine.
    """

    region: Region
    layout: tuple[Pick, ...]
    by: By
    gap: float
    nodes: int | None
    seed: int


@dataclass(frozen=True)
class Stand:
    """A layout in one future: its value (None where there is none), cost in hundredths, sites, errors by target.

    `errors` are (tracer, target, standard error in the unit); empty where a gas is unknown, or nobody asked.
    """

    value: float | None
    cents: int
    layout: tuple[Pick, ...]
    errors: tuple[tuple[str, str, float], ...]

    @property
    def sites(self) -> tuple[str, ...]:
        """Ids of the sites."""
        return tuple(site for site, _, _ in self.layout)


NOTHING = Stand(None, 0, (), ())


@dataclass(frozen=True)
class Outcome:
    """One future: how the layout stands in it as it is, what of it keeps the rules, and the best layout.

    `price` and `noise` are the drawn factors; `down` the share of months that instruments of the layout lose to outages
    and lost shipments. `given` has every pick that can begin in the window, whatever it costs, `broken` the rules that
    it breaks by label. `kept` is the best part of it that keeps every rule, `best` the best layout of this future,
    chosen with knowledge of it; `bound` is what no layout of it betters. `regret` is by how much `kept` is worse
    than `best`.
    """

    number: int
    price: float
    noise: float
    down: float
    given: Stand
    broken: tuple[str, ...]
    kept: Stand
    best: Stand
    bound: float | None
    gap: float | None
    regret: float | None

    def as_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return asdict(self)

    @staticmethod
    def of_dict(data: Mapping[str, Any]) -> Outcome:
        """Return an outcome from what `as_dict` gave; raises KeyError or TypeError for anything else."""
        stands = {name: _stand(data[name]) for name in ("given", "kept", "best")}
        return Outcome(**{**data, **stands, "broken": tuple(data["broken"])})


def _stand(data: Mapping[str, Any]) -> Stand:
    layout = tuple((str(i), str(p), int(y)) for i, p, y in data["layout"])
    errors = tuple((str(t), str(g), float(e)) for t, g, e in data["errors"])
    return Stand(data["value"], int(data["cents"]), layout, errors)


def outcome(task: Task, number: int, transport: Transport | None = None) -> Outcome:
    """Return how a layout fares in the future of a number; the same task and number always give the same.

    `transport` is what legs say of the region, if it is known: no future changes it.
    """
    future = draw(task.region, number, task.seed)
    planning, picked = planned(applied(task.region, future), task.layout, transport)
    search = Search(planning, task.by)
    # Futures are worked on side by side already.
    limits = Limits(task.gap, None, task.nodes, workers=1)
    kept = search.fitted(picked.tolist(), limits)
    best = search.best(limits, start=kept)
    settled = with_best_ways(planning, picked)
    value = search.value_of(picked.tolist())
    return Outcome(
        number,
        future.price,
        future.noise,
        down_share(planning, picked, future),
        Stand(value, sum(cost_by_year(settled, picked)), named(planning, picked.tolist()), errors_of(planning, picked)),
        tuple(one.label for one in judge(settled, picked) if not one.holds),
        stand_of(planning, kept),
        Stand(float(best.value), best.cents, named(planning, best.picked), ()) if best.any else NOTHING,
        float(best.bound) if best.any else None,
        float(best.gap) if best.any else None,
        float(search.loss(best.value, kept.value)) if best.any and kept.any else None,
    )


def down_share(planning: Planning, picked: Ints, future: Future) -> float:
    """Return the share of months, from first to last, that instruments of picked deployments (k,) do not work."""
    d, lost, months = planning.deployments, 0.0, 0
    for k in picked:
        i = int(d.candidate[k])
        spans = [(0, int(d.analyzer_month[k]), future.working.shape[2])] if d.has_analyzer[k] else []
        spans += [(1, int(d.first_month[k]), int(d.flask_end[k]))] if d.has_flask[k] else []
        for row, begin, end in spans:
            lost += float((1.0 - future.working[row, i, begin:end]).sum())
            months += max(0, end - begin)
    return lost / months if months else 0.0


def planned(region: Region, layout: Sequence[Pick], transport: Transport | None = None) -> tuple[Planning, Ints]:
    """Return the planning of a region in which a layout can be judged, and those of its picks that can begin."""
    ids, plans = region.candidates.ids, [plan.id for plan in region.settings.plans]
    triples = [(ids.index(site), plans.index(plan), year) for site, plan, year in layout]
    planning = plan_region(region, frozenset((i, p) for i, p, _ in triples), transport)
    found = [planning.deployments.find(i, p, year) for i, p, year in triples]
    return planning, np.array(sorted(k for k in found if k is not None), dtype=np.int64)


def errors_of(planning: Planning, picked: Ints) -> tuple[tuple[str, str, float], ...]:
    """Return (tracer, target, standard error) of picked deployments, nothing where a gas is unknown."""
    try:
        errors = target_errors(planning, picked)
    except UnknownGasError:
        return ()
    return tuple((tracer, target, error) for (tracer, target), error in errors.items())


def stand_of(planning: Planning, found: Found) -> Stand:
    """Return a found layout as it stands, without a value where there is none."""
    if not found.any:
        return NOTHING
    picked = np.array(found.picked, dtype=np.int64)
    return Stand(float(found.value), found.cents, named(planning, found.picked), errors_of(planning, picked))
