"""One tracer of a region with everything that its records and its field need, for layouts of any kind."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from siting.arrays import Floats, Ints
from siting.field.cells import CellAir, cell_air, cell_of
from siting.field.harmonics import harmonics
from siting.field.moving import moving_difference, moving_factor, stops
from siting.field.posterior import Posterior, posterior
from siting.field.prior import SECOND_HARMONIC, FieldPrior, field_prior
from siting.field.state import State, build_state
from siting.planning import Planning
from siting.record.air import Air, airs
from siting.record.axis import Axis, axis_of, first_months
from siting.record.months import leads
from siting.record.own import OwnNoise, SiteAir, own_noise, site_air
from siting.record.place import place_variance
from siting.record.records import Equipment, Record, RecordModel
from siting.record.shared import shared_covariance
from siting.region.schema.air import Mixing


@dataclass(frozen=True, eq=False)
class _Sailing:
    """A record on a moving platform: its instruments, and those of them that sail already in another record."""

    candidate: int
    equipment: tuple[Equipment, ...]
    old: tuple[Equipment, ...]

    @property
    def methods(self) -> tuple[str, ...]:
        return tuple(e.method for e in self.equipment)


_Found = Record | _Sailing


@dataclass(frozen=True, eq=False)
class LayoutState:
    """State and posterior of a layout, with the `candidates` of its records, running ones first.

    `position` gives for each picked deployment its place among the records, None where it adds nothing.
    """

    state: State
    given: Posterior
    candidates: tuple[int, ...]
    position: tuple[int | None, ...]


@dataclass(frozen=True, eq=False)
class TracerModel:
    """The models of one tracer; `years` replaces the length of the window.

    A region's `working` months then are those of the first years, and all works in years beyond its own window.
    `own` is what the records of single sites tell of their noise, that of the region's records/ if None.
    """

    planning: Planning
    tracer: int
    air: Air
    mixing: Mixing
    years: int | None = None
    own: tuple[OwnNoise, ...] | None = None

    @cached_property
    def axis(self) -> Axis:
        """The time axis."""
        return axis_of(self.planning.region, self.years)

    @cached_property
    def prior(self) -> FieldPrior:
        """The field's prior."""
        return field_prior(self.mixing, self.air)

    @cached_property
    def records(self) -> RecordModel:
        """The record model."""
        return RecordModel(
            self.planning.region,
            self.planning.deployments,
            self.tracer,
            self.air,
            self.axis,
            self.shared_place,
            self.site_air,
            self.cell_air.at(self.cells),
        )

    @cached_property
    def site_air(self) -> SiteAir:
        """The air at each candidate, from its own record where there is one that tells it."""
        region = self.planning.region
        return site_air(region, self.air, own_noise(region)[self.tracer] if self.own is None else self.own)

    @cached_property
    def cell_air(self) -> CellAir:
        """The air that the candidates of each cell share."""
        return cell_air(self.planning.places, self.site_air, first_months(self.planning.region, self.axis))

    @cached_property
    def modes(self) -> Floats:
        """Modes Y (n, modes) of each candidate, a track's averaged over its time."""
        where = self.planning.places
        here = harmonics(where.lat, where.lon, self.mixing.degree)
        out = np.zeros((where.count, here.shape[1]))
        np.add.at(out, where.owner, here * where.weight[:, None])
        return out

    @cached_property
    def cells(self) -> Ints:
        """Cell (n,) of each candidate's first position."""
        where = self.planning.places
        first = np.searchsorted(where.owner, np.arange(where.count))
        return np.asarray(cell_of(where.lat, where.lon)[first], dtype=np.int64)

    @cached_property
    def is_moving(self) -> np.ndarray:
        """Mask (n,) of candidates with more than one position."""
        return np.asarray(np.bincount(self.planning.places.owner, minlength=self.planning.places.count) > 1)

    def cell_covariances(self, occupied: Collection[int]) -> dict[int, Floats]:
        """Return by cell the prior (6, 6) of what it does not share with the field, with its records' common air."""
        level, growth, season = self.air.cell**2 + self.air.beyond**2
        own = np.diag([level, growth, season, season, season * SECOND_HARMONIC**2, season * SECOND_HARMONIC**2])
        kinds = {cell: self.cell_air.of(cell) for cell in sorted(occupied)}
        # Most cells have the tracer's numbers, so each set of numbers is worked out once.
        made = {kind: own + shared_covariance(self.axis, *kind) for kind in sorted(set(kinds.values()))}
        return {cell: made[kind] for cell, kind in kinds.items()}

    @cached_property
    def place_groups(self) -> Ints:
        """Group (n,) of each fixed candidate that has another one within 1 km, by its least member; -1 for none."""
        fixed = ~self.is_moving
        pairs = self.planning.same_place
        pairs = pairs[fixed[pairs].all(axis=1)]
        count = fixed.size
        graph = coo_array((np.ones(pairs.shape[0]), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
        _, label = connected_components(graph, directed=False)
        first = np.full(count, count)
        np.minimum.at(first, label, np.arange(count))
        return np.where(np.bincount(label, minlength=count)[label] > 1, first[label], -1).astype(np.int64)

    @cached_property
    def shared_place(self) -> Floats:
        """Variances (n, 6) of a place that candidates within 1 km have in common: the least of each."""
        every = place_variance(self.planning.region, self.air)
        out = np.zeros_like(every)
        for group in np.unique(self.place_groups[self.place_groups >= 0]):
            mine = self.place_groups == group
            out[mine] = every[mine].min(axis=0)
        return out

    def method_sds(self, name: str) -> tuple[float, float]:
        """Return offset and drift sd of a method: its own for the gas it is for, else those of the gas.

        A method is for the first gas of the plans that name it, and for the leading one if none does.
        """
        settings = self.planning.region.settings
        given = next((m for m in settings.methods if m.id == name), None)
        offset, drift = self.air.method_offset_sd, self.air.method_drift_sd
        region = self.planning.region
        using = [leads(region, p, self.air.name) for p in settings.plans if p.record_method == name]
        if given is not None and (any(using) if using else self.air.name == region.tracers[0]):
            offset = offset if given.offset_sd is None else given.offset_sd
            drift = drift if given.drift_sd is None else given.drift_sd
        return offset, drift

    @cached_property
    def standing_records(self) -> tuple[_Found, ...]:
        """Records of the running stations, by candidate."""
        runs = np.flatnonzero(self.planning.region.candidates.running())
        sailing = [self._sailing(int(i), self.records.standing(int(i)), None) for i in runs if self.is_moving[i]]
        standing: list[_Found] = [
            *self.records.running(runs[~self.is_moving[runs]]),
            *(one for one in sailing if one is not None),
        ]
        standing.sort(key=lambda one: one.candidate)
        return tuple(standing)

    def layout(self, picked: Ints) -> LayoutState:
        """Return state and posterior of picked deployments (k,) with the running stations."""
        standing = self.standing_records
        records = [self.picked(int(k), one) for k, one in zip(picked, self.records.fixed(picked), strict=True)]
        state = self.state_of([*standing, *(one for one in records if one is not None)])
        factors: list[Floats] = []
        candidates: list[int] = []
        position: list[int | None] = []
        for number, one in enumerate([*standing, *records]):
            made = None if one is None else self.placed(state, one)
            if number >= len(standing):
                position.append(None if made is None else len(factors))
            elif made is None:
                continue
            if made is not None and one is not None:
                factors.append(made)
                candidates.append(one.candidate)
        return LayoutState(state, posterior(state, factors), tuple(candidates), tuple(position))

    def empty(self) -> State:
        """Return the state without any record of its own, for what the prior says."""
        return self.state_of([])

    def picked(self, k: int, fixed: Record | None) -> _Found | None:
        """Return what one deployment adds, None where it adds nothing."""
        i = int(self.planning.deployments.candidate[k])
        runs = self.planning.region.candidates.status[i] == "running"
        if not self.is_moving[i]:
            return self.records.upgrade(k) if runs else fixed
        if not runs:
            return self._sailing(i, self.records.added(k), None)
        old, both = self.records.standing(i), self.records.together(k)
        return self._sailing(i, both, old) if len(both) > len(old) else None

    def _sailing(self, i: int, equipment: list[Equipment], old: list[Equipment] | None) -> _Sailing | None:
        return _Sailing(i, tuple(equipment), tuple(old or ())) if equipment else None

    def state_of(self, records: Sequence[_Found], methods: Collection[str] = ()) -> State:
        """Return the state in which some records stand; `methods` are further methods to have in it."""
        names = {name for record in records for name in record.methods} | set(methods)
        occupied: set[int] = set()
        groups: set[int] = set()
        for record in records:
            if isinstance(record, _Sailing):
                occupied |= set(stops(self.planning.places, record.candidate)[0].tolist())
            else:
                occupied.add(int(self.cells[record.candidate]))
                groups.add(int(self.place_groups[record.candidate]))
        return build_state(
            self.axis,
            self.prior,
            {name: self.method_sds(name) for name in names},
            self.cell_covariances(occupied),
            {group: np.diag(self.shared_place[group]) for group in sorted(groups - {-1})},
        )

    def placed(self, state: State, record: _Found) -> Floats | None:
        """Return A (n, r) of a record within a state, None if it has no row."""
        if isinstance(record, _Sailing):
            where, i = self.planning.places, record.candidate
            made = moving_factor(self.records, state, where, i, record.equipment)
            if made is None or not record.old:
                return made
            return moving_difference(made, moving_factor(self.records, state, where, i, record.old))
        methods = tuple(state.methods.index(name) for name in record.methods)
        group = int(self.place_groups[record.candidate])
        return state.embed(
            record.told,
            self.modes[record.candidate],
            methods,
            state.cells.index(int(self.cells[record.candidate])),
            state.places.index(group) if group >= 0 else None,
            record.window_only,
        )


def tracer_models(
    planning: Planning, mixing: Mixing | None = None, given_airs: Sequence[Air] | None = None
) -> tuple[TracerModel, ...]:
    """Return the models of all tracers of a region; `mixing` and `given_airs` replace the region's own.

    Raises `UnknownGasError` where a tracer's numbers are missing.
    """
    region = planning.region
    every = airs(region) if given_airs is None else given_airs
    return tuple(TracerModel(planning, t, air, mixing or region.settings.mixing) for t, air in enumerate(every))
