"""How far each answer moves when a number that nobody gave is halved or doubled."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from siting.arrays import Bools, Codes, Floats, Ints, read_only
from siting.assessment.precision import Precision, target_errors
from siting.deployments import build_deployments
from siting.planning import Planning
from siting.record.air import Air, airs
from siting.region.model import Origin, Region
from siting.region.plain import listed
from siting.region.schema.tables import CandidateRow

FACTORS = (0.5, 2.0)
_TRIPLES = {
    "representation_sd": "representation", "cell_sd": "cell", "beyond_degree_sd": "beyond", "source_sd": "source",
}  # fmt: skip
_PARTS = ("level", "growth", "season")
_UNUSED = ("growth", "spell_days")
ALL_GASES = "all gases"
COST = "cost"
_SITES_IN_WORDS = 4
PRICES = ("setup_cost", "annual_cost")
_PLACE = ("elevation_m", "intake_m")
# Standard errors by (tracer, target).
Errors = dict[tuple[str, str], float]


@dataclass(frozen=True)
class Moved:
    """One assumed number and the error of each target with half and with double of it.

    `halved` and `doubled` hold (target, error); `largest` is the greatest relative change of any error. For a
    column of the candidates `value` is the mean of the cells that were not given; for a price (`setup_cost`,
    `annual_cost`) the one "target" is the cost of the layout's sites over the window, in the currency.
    """

    tracer: str
    name: str
    value: float
    origin: str
    halved: tuple[tuple[str, float], ...]
    doubled: tuple[tuple[str, float], ...]
    largest: float


def sensitivity(planning: Planning, picked: Ints, base: Precision) -> tuple[Moved, ...]:
    """Return every number that nobody gave with what it changes, the most weighty first.

    Numbers of the air and of the mixing, and columns of the candidates: all cells of a column at picked and
    running sites that were not given (monthly ones too) are halved or doubled together and kept within what
    the column allows. A column that says "no such limit" where it is empty (`accepted_hours`, the
    `duty_cycle` of a fixed site) counts only where it was derived; what is 0 stays 0 and is left out.
    `base` is the layout's precision as it stands.
    """
    region = planning.region
    all_airs = airs(region)
    now = {(s.tracer, s.id): s.error for s in base.shown}
    found = []
    for tracer, air in enumerate(all_airs):
        for where in air.origins:
            if where.origin == "given in region.toml" or where.value == 0.0 or where.name in _UNUSED:
                continue
            results = []
            for factor in FACTORS:
                other = list(all_airs)
                other[tracer] = scaled(air, where.name, factor)
                results.append(target_errors(planning, picked, given_airs=other))
            found.append(_moved(air.name, where.name, where.value, where.origin, now, results))
    mixing = region.settings.mixing
    for name in ("tau_exchange", "tau_zonal"):
        if name in mixing.model_fields_set:
            continue
        value = float(getattr(mixing, name))
        results = [
            target_errors(planning, picked, mixing=mixing.model_copy(update={name: value * factor}))
            for factor in FACTORS
        ]
        found.append(_moved(ALL_GASES, f"mixing.{name}", value, "assumed", now, results))
    found += _columns(planning, picked, now)
    found += _prices(planning, picked)
    return tuple(sorted(found, key=lambda moved: (-moved.largest, moved.tracer, moved.name)))


@dataclass(frozen=True, eq=False)
class _Cells:
    """The cells of a column that were not given, as a mask over `values`, the column's array in the region."""

    column: str
    tracer: str
    values: Floats
    mask: Bools
    origins: Codes
    low: float
    high: Floats

    def times(self, factor: float) -> Floats:
        """Return the whole column with the cells multiplied and kept within what is allowed."""
        moved = np.clip(self.values * factor, self.low, self.high)
        return read_only(np.where(self.mask, moved, self.values))


def _columns(planning: Planning, picked: Ints, now: Errors) -> list[Moved]:
    found = []
    for cells in _not_given(planning, picked):
        results = [
            target_errors(replace(planning, region=_with(planning.region, cells, factor)), picked) for factor in FACTORS
        ]
        origin = _origin_words(planning.region, cells)
        found.append(_moved(cells.tracer, cells.column, _mean(cells), origin, now, results))
    return found


def _not_given(planning: Planning, picked: Ints) -> list[_Cells]:
    """Return the columns that records and places depend on, as far as picked and running sites did not give them."""
    region, c = planning.region, planning.region.candidates
    here = c.running()
    here[planning.deployments.candidate[picked]] = True
    months = here[:, None] & region.open_months
    accepted = np.broadcast_to(region.accepted_hours[:, None], months.shape)
    monthly = [
        ("baseline_exposure", ALL_GASES, region.exposure, region.exposure_origin, accepted),
        ("contamination_risk", ALL_GASES, region.risk, np.broadcast_to(region.risk_origin, region.risk.shape), None),
    ]
    for t, name in enumerate(region.tracers):
        monthly.append(("contamination_size", name, region.size[t], region.size_origin[t], None))
    found = [
        _cells(column, tracer, values, np.broadcast_to(months, values.shape), origin, high)
        for column, tracer, values, origin, high in monthly
    ]
    derived = np.asarray(c.origin["accepted_hours"] == Origin.DERIVED, dtype=bool)
    found.append(
        _cells("accepted_hours", ALL_GASES, region.accepted_hours, here & derived, c.origin["accepted_hours"], None)
    )
    sails = np.array([platform in ("ship", "drifting") for platform in c.platform], dtype=bool)
    sails |= np.asarray(c.origin["duty_cycle"] == Origin.DERIVED, dtype=bool)
    for column, where in (("data_return", here), ("duty_cycle", here & sails), *((name, here) for name in _PLACE)):
        found.append(_cells(column, ALL_GASES, getattr(c, column), where, c.origin[column], None))
    return [cells for cells in found if cells.mask.any()]


def _cells(column: str, tracer: str, values: Floats, where: Bools, origins: Codes, high: Floats | None) -> _Cells:
    limits = CandidateRow.model_fields[column].metadata
    most = next((float(m.le) for m in limits if getattr(m, "le", None) is not None), np.inf)
    least = next((float(m.ge) for m in limits if getattr(m, "ge", None) is not None), -np.inf)
    top = np.full(values.shape, most) if high is None else np.broadcast_to(high, values.shape)
    mask = np.asarray(where & (origins != Origin.GIVEN) & (values != 0.0), dtype=bool)
    return _Cells(column, tracer, values, mask, origins, least, top)


def _with(region: Region, cells: _Cells, factor: float) -> Region:
    """Return the region with one column moved."""
    moved: Any = cells.times(factor)
    if cells.column == "baseline_exposure":
        return replace(region, exposure=moved)
    if cells.column == "contamination_risk":
        return replace(region, risk=moved)
    if cells.column == "contamination_size":
        size = np.array(region.size)
        size[region.tracers.index(cells.tracer)] = moved
        return replace(region, size=read_only(size))
    if cells.column == "accepted_hours":
        ratio = np.where(cells.mask, moved / np.where(cells.mask, cells.values, 1.0), 1.0)
        return replace(region, accepted_hours=moved, exposure=read_only(region.exposure * ratio[:, None]))
    column: dict[str, Any] = {cells.column: moved}
    return replace(region, candidates=replace(region.candidates, **column))


def _mean(cells: _Cells) -> float:
    """Return the mean of the cells; exposure as it was before the share of accepted hours."""
    values = cells.values
    if cells.column == "baseline_exposure":
        values = np.divide(values, cells.high, out=np.zeros_like(values), where=cells.high > 0.0)
    return float(values[cells.mask].mean())


def _origin_words(region: Region, cells: _Cells) -> str:
    """Return where the cells come from and at which sites: "assumed at alba, brisa"."""
    words = []
    for origin in (Origin.DERIVED, Origin.ASSUMED, Origin.DEFAULTED):
        mine = cells.mask & (cells.origins == origin)
        if mine.ndim > 1:
            mine = np.moveaxis(mine, -2, 0).reshape(len(region.candidates), -1).any(axis=1)
        names = [region.candidates.ids[i] for i in np.flatnonzero(mine)]
        if names:
            words.append(f"{origin.name.lower()} at {listed(names, _SITES_IN_WORDS)}")
    return ", ".join(words)


def _prices(planning: Planning, picked: Ints) -> list[Moved]:
    """Return the prices of picked sites that nobody gave, with what they change of the cost of these sites."""
    region, d = planning.region, planning.deployments
    here = np.zeros(len(region.candidates), dtype=bool)
    here[d.candidate[picked]] = True
    now = {(ALL_GASES, COST): float(d.cost_cents[picked].sum()) / 100.0}
    found = []
    for column in PRICES:
        cells = _cells(
            column, ALL_GASES, getattr(region.candidates, column), here, region.candidates.origin[column], None
        )
        if cells.mask.any():
            results = [_cost(planning, picked, _with(region, cells, factor)) for factor in FACTORS]
            found.append(_moved(ALL_GASES, column, _mean(cells), _origin_words(region, cells), now, results))
    return found


def _cost(planning: Planning, picked: Ints, region: Region) -> Errors:
    """Return the cost of picked deployments in a region with other prices; only they are built again."""
    d = planning.deployments
    keep = set(d.candidate[picked].tolist())
    status = tuple(
        word if i in keep or word == "running" else "excluded" for i, word in enumerate(region.candidates.status)
    )
    forced = frozenset(zip(d.candidate[picked].tolist(), d.plan[picked].tolist(), strict=True))
    again = build_deployments(replace(region, candidates=replace(region.candidates, status=status)), forced)
    total = 0.0
    for k in picked.tolist():
        same = again.find(int(d.candidate[k]), int(d.plan[k]), int(d.start_year[k]))
        total += float(again.cost_cents[same].sum()) if same is not None else 0.0
    return {(ALL_GASES, COST): total / 100.0}


def scaled(air: Air, name: str, factor: float) -> Air:
    """Return the air with one of its numbers multiplied; raises KeyError for an unknown name."""
    table, point, part = name.partition(".")
    if point:
        field = _TRIPLES[table]
        values = np.array(getattr(air, field))
        values[_PARTS.index(part)] *= factor
        arrays: dict[str, Any] = {field: values}
        return replace(air, **arrays)
    if name not in air.__dataclass_fields__:
        raise KeyError(name)
    value = float(getattr(air, name)) * factor
    # A correlation stays below 1.
    number: dict[str, Any] = {name: min(value, 0.95) if name == "slow_phi" else value}
    return replace(air, **number)


def _moved(tracer: str, name: str, value: float, origin: str, now: Errors, results: list[Errors]) -> Moved:
    errors = [tuple((target, error) for (_, target), error in result.items()) for result in results]
    changes = [abs(error / now[key] - 1.0) for result in results for key, error in result.items() if now[key] > 0.0]
    return Moved(tracer, name, value, origin, errors[0], errors[1], max(changes, default=0.0))
