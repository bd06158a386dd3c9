"""One tracer of a region with everything that its records and its field need, for layouts of any kind."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from siting.deployments import parts_of
from siting.field.cells import cell_of
from siting.field.harmonics import harmonics
from siting.field.moving import moving_factor, stops
from siting.field.posterior import Posterior, posterior
from siting.field.prior import SECOND_HARMONIC, FieldPrior, field_prior
from siting.field.state import State, build_state
from siting.record.air import Air
from siting.record.axis import Axis, axis_of
from siting.record.records import Record, RecordModel
from siting.region.model import Floats, Ints
from siting.region.schema.air import Mixing
from siting.selection.planning import Planning


@dataclass(frozen=True, eq=False)
class LayoutState:
    """State and posterior of a layout: `names` and `candidates` of its records, running ones first.

    `position` gives for each picked deployment its place among the records, None where it adds nothing.
    """

    state: State
    given: Posterior
    candidates: tuple[int, ...]
    running: int
    position: tuple[int | None, ...]


@dataclass(frozen=True, eq=False)
class TracerModel:
    """The models of one tracer; `years` replaces the length of the window."""

    planning: Planning
    tracer: int
    air: Air
    mixing: Mixing
    years: int | None = None

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
        return RecordModel(self.planning.region, self.planning.deployments, self.tracer, self.air, self.axis)

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

    @cached_property
    def cell_covariance(self) -> Floats:
        """Prior (6, 6) of what a cell does not share with the field, with the air that its records share."""
        level, growth, season = self.air.cell**2 + self.air.beyond**2
        own = np.diag([level, growth, season, season, season * SECOND_HARMONIC**2, season * SECOND_HARMONIC**2])
        return own + self.records.shared_covariance()

    def method_sds(self, name: str) -> tuple[float, float]:
        """Return offset and drift sd of a method: its own for the leading tracer, else those of the gas."""
        given = next((m for m in self.planning.region.settings.methods if m.id == name), None)
        offset, drift = self.air.method_offset_sd, self.air.method_drift_sd
        if given is not None and self.tracer == 0:
            offset = offset if given.offset_sd is None else given.offset_sd
            drift = drift if given.drift_sd is None else given.drift_sd
        return offset, drift

    def _running(self) -> list[Record]:
        return self.records.running()

    def layout(self, picked: Ints) -> LayoutState:
        """Return state and posterior of picked deployments (k,) with the running stations."""
        d, region = self.planning.deployments, self.planning.region
        standing = self._running()
        runs = region.candidates.running()
        fixed = self.records.fixed(picked)
        records: list[Record | int | None] = []
        for k, one in zip(picked, fixed, strict=True):
            i = int(d.candidate[k])
            if runs[i]:
                records.append(self.records.upgrade(int(k)))
            elif self.is_moving[i]:
                records.append(int(k) if one is not None else None)
            else:
                records.append(one)
        state = self._state(
            [*standing, *[r for r in records if isinstance(r, Record)]], [r for r in records if isinstance(r, int)]
        )
        factors = [self._embedded(state, r) for r in standing]
        candidates = [r.candidate for r in standing]
        position: list[int | None] = []
        for r in records:
            factor = (
                moving_factor(self.records, state, self.planning.places, r)
                if isinstance(r, int)
                else (None if r is None else self._embedded(state, r))
            )
            if factor is None or r is None:
                position.append(None)
                continue
            position.append(len(factors))
            factors.append(factor)
            candidates.append(int(d.candidate[r]) if isinstance(r, int) else r.candidate)
        return LayoutState(state, posterior(state, factors), tuple(candidates), len(standing), tuple(position))

    def empty(self) -> State:
        """Return the state without any record of its own, for what the prior says."""
        return self._state([], [])

    def _state(self, records: list[Record], moving: list[int]) -> State:
        d, plans = self.planning.deployments, self.planning.region.settings.plans
        names = {name for record in records for name in record.methods}
        occupied = {int(self.cells[record.candidate]) for record in records}
        for k in moving:
            occupied |= set(stops(self.planning.places, int(d.candidate[k]))[0].tolist())
            names |= {self.records.method_of(p) for p in parts_of(plans[d.plan[k]], plans) if p is not None}
        return build_state(
            self.axis,
            self.prior,
            {name: self.method_sds(name) for name in names},
            dict.fromkeys(sorted(occupied), self.cell_covariance),
            {},
        )

    def _embedded(self, state: State, record: Record) -> Floats:
        factor = record.factor[np.any(record.factor != 0.0, axis=1)]
        methods = tuple(state.methods.index(name) for name in record.methods)
        return state.embed(
            factor,
            self.modes[record.candidate],
            methods,
            state.cells.index(int(self.cells[record.candidate])),
            None,
            record.window_only,
        )
