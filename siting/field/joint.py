"""Every deployment of a region in one state: factors from which the information of any layout adds up.

Coordinates are chosen so that what is known before anything new is picked (prior and running stations)
is the identity. Cells and places that only new fixed sites use stay local: they are small blocks of
their own, so that thousands of them cost little.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import solve_triangular
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from siting.arrays import Floats, Ints
from siting.field.model import TracerModel
from siting.field.state import State, covariance_root
from siting.record.air import FUNCTIONS
from siting.record.records import Record

# Deployments whose factors are made at one time.
CHUNK = 2000


@dataclass(frozen=True, eq=False)
class Batch:
    """Factors of some deployments `columns` (m,): J = A A' with A = [common (m, r, k), local (m, r, l)]'."""

    columns: Ints
    common: Floats
    local: Floats


@dataclass(frozen=True, eq=False)
class JointState:
    """All deployments of one tracer in one state.

    `state` holds what is common to all: field, years, methods, and the cells and places of running
    stations and moving platforms. `block` (D,) numbers the local block of each deployment's cell and
    place, -1 where it has none.
    """

    model: TracerModel

    @cached_property
    def state(self) -> State:
        """The state of everything that is not local."""
        model = self.model
        d = model.planning.deployments
        moving = [k for k in range(len(d)) if model.is_moving[d.candidate[k]]]
        found = [model.picked(k, None) for k in moving]
        names = {method for _, record in self._records for method in record.methods}
        return model.state_of([*model.standing_records, *(f for f in found if f is not None)], names)

    @cached_property
    def _records(self) -> list[tuple[int, Record]]:
        """Records of the deployments at fixed candidates, upgrades of running stations among them."""
        model = self.model
        d = model.planning.deployments
        fixed = np.flatnonzero(~model.is_moving[d.candidate])
        found = [model.picked(int(k), one) for k, one in zip(fixed, model.records.fixed(fixed), strict=True)]
        return [(int(k), one) for k, one in zip(fixed, found, strict=True) if isinstance(one, Record)]

    @cached_property
    def whiten(self) -> Floats:
        """W (n, n): a functional c over the state becomes W' c in coordinates of unit prior."""
        state = self.state
        factors = [self.model.placed(state, one) for one in self.model.standing_records]
        known = [state.root.T @ factor for factor in factors if factor is not None]
        total = np.eye(state.size)
        if known:
            every = np.concatenate(known, axis=1)
            total += every @ every.T
        lower = np.linalg.cholesky(total)
        return np.asarray(solve_triangular(lower, state.root.T, lower=True).T)

    @cached_property
    def _local_of(self) -> tuple[Ints, dict[tuple[str, int], tuple[int, int]]]:
        """Block (n,) of each candidate and, by cell or place, its block and its begin within it."""
        model, state = self.model, self.state
        used = np.unique([record.candidate for _, record in self._records]).astype(np.int64)
        keys: list[tuple[str, int]] = []
        links: list[tuple[int, int]] = []
        index: dict[tuple[str, int], int] = {}
        mine: dict[int, list[int]] = {}
        for i in used:
            names = [("cell", int(model.cells[i]))] if int(model.cells[i]) not in state.cells else []
            group = int(model.place_groups[i])
            if group >= 0 and group not in state.places:
                names.append(("place", group))
            for name in names:
                if name not in index:
                    index[name] = len(keys)
                    keys.append(name)
            numbers = [index[name] for name in names]
            mine[int(i)] = numbers
            links += [(numbers[0], other) for other in numbers[1:]]
        block = np.full(model.cells.size, -1, dtype=np.int64)
        if not keys:
            return block, {}
        pairs = np.array(links, dtype=np.int64).reshape(-1, 2)
        graph = coo_array((np.ones(pairs.shape[0]), (pairs[:, 0], pairs[:, 1])), shape=(len(keys), len(keys)))
        _, label = connected_components(graph, directed=False)
        begin: dict[int, int] = {}
        where: dict[tuple[str, int], tuple[int, int]] = {}
        for key, number in zip(keys, label.tolist(), strict=True):
            where[key] = (number, begin.get(number, 0))
            begin[number] = begin.get(number, 0) + FUNCTIONS
        for i, numbers in mine.items():
            if numbers:
                block[i] = label[numbers[0]]
        return block, where

    @cached_property
    def block(self) -> Ints:
        """Local block (D,) of each deployment, -1 for none."""
        d = self.model.planning.deployments
        out = np.full(len(d), -1, dtype=np.int64)
        for k, record in self._records:
            out[k] = self._local_of[0][record.candidate]
        return out

    @cached_property
    def local_size(self) -> int:
        """Coordinates of the largest local block."""
        return max((begin for _, begin in self._local_of[1].values()), default=-FUNCTIONS) + FUNCTIONS

    @cached_property
    def _roots(self) -> dict[tuple[str, int], Floats]:
        """Square root (6, 6) of the prior of each local cell and place."""
        model, keys = self.model, self._local_of[1]
        covariances = model.cell_covariances({number for kind, number in keys if kind == "cell"})
        return {
            (kind, number): (
                covariance_root(covariances[number]) if kind == "cell" else np.diag(np.sqrt(model.shared_place[number]))
            )
            for kind, number in keys
        }

    def functional(self, vector: Floats) -> Floats:
        """Return a functional (n,) or (n, q) over the state in coordinates of unit prior."""
        return np.asarray(self.whiten.T @ vector)

    def batches(self, basis: Floats | None = None, columns: Ints | None = None) -> Iterator[Batch]:
        """Yield the factors of all deployments (or of some), projected on `basis` (n, k) if given."""
        wide = self.whiten if basis is None else self.whiten @ basis
        wanted = np.ones(len(self.model.planning.deployments), dtype=bool)
        if columns is not None:
            wanted[:] = False
            wanted[columns] = True
        groups: dict[tuple[tuple[str, ...], bool, int], list[tuple[int, Record]]] = {}
        for k, record in self._records:
            if wanted[k]:
                groups.setdefault((record.methods, record.window_only, record.told.shape[0]), []).append((k, record))
        for (methods, window_only, _), these in sorted(groups.items(), key=lambda item: item[0]):
            for at in range(0, len(these), CHUNK):
                yield self._batch(these[at : at + CHUNK], methods, window_only, wide)
        for k, factor in self._moving.items():
            if wanted[k]:
                common = (factor.T @ wide)[None]
                yield Batch(np.array([k]), common, np.zeros((1, common.shape[1], self.local_size)))

    def ranks(self) -> Ints:
        """Return (D,) the ranks of the factors that `batches` yields, 0 for deployments without one."""
        out = np.zeros(len(self.model.planning.deployments), dtype=np.int64)
        for k, record in self._records:
            out[k] = record.told.shape[0]
        for k, factor in self._moving.items():
            out[k] = factor.shape[1]
        return out

    @cached_property
    def _moving(self) -> dict[int, Floats]:
        """Factors (n, r) of the deployments that move and tell something."""
        model = self.model
        out: dict[int, Floats] = {}
        for k in np.flatnonzero(model.is_moving[model.planning.deployments.candidate]).tolist():
            found = model.picked(k, None)
            factor = None if found is None else model.placed(self.state, found)
            if factor is not None:
                out[k] = factor
        return out

    def _batch(
        self, these: list[tuple[int, Record]], methods: tuple[str, ...], window_only: bool, wide: Floats
    ) -> Batch:
        state, model, k = self.state, self.model, wide.shape[1]
        columns = np.array([k for k, _ in these], dtype=np.int64)
        sites = np.array([record.candidate for _, record in these], dtype=np.int64)
        u = np.stack([record.told for _, record in these])
        years = state.axis.years if window_only else state.axis.all_years
        f, ramps = u[:, :, :FUNCTIONS], u[:, :, FUNCTIONS : FUNCTIONS + years]
        indicators = u[:, :, FUNCTIONS + years : FUNCTIONS + 2 * years]
        y = model.modes[sites]
        modes, low = state.mode_count, state.low_modes
        field = wide[: modes * FUNCTIONS].reshape(modes, FUNCTIONS * k)
        common = f @ (y @ field).reshape(-1, FUNCTIONS, k)
        begin, older = state.begin("growth_anomalies"), state.axis.all_years - years
        # Older years of the axis act as a level on a record of the window only.
        common += y[:, :1, None] * (f[:, :, :1] * wide[begin : begin + older].sum(axis=0))
        common += y[:, :1, None] * (ramps @ wide[begin + older : begin + older + years])
        levels = wide[state.begin("level_anomalies") : state.begin("methods")].reshape(low, state.axis.all_years, k)
        late = np.ascontiguousarray(levels[:, older:]).reshape(low, years * k)
        common += indicators @ (y[:, 1 : 1 + low] @ late).reshape(-1, years, k)
        for position, method in enumerate(methods):
            column = FUNCTIONS + 2 * years + 2 * position
            at = state.begin("methods") + 2 * state.methods.index(method)
            common += u[:, :, column : column + 2] @ wide[at : at + 2]
        local = np.zeros((columns.size, u.shape[1], self.local_size))
        for position, i in enumerate(sites):
            cell, group = int(model.cells[i]), int(model.place_groups[i])
            if cell in state.cells:
                at = state.begin("cells") + FUNCTIONS * state.cells.index(cell)
                common[position] += f[position] @ wide[at : at + FUNCTIONS]
            else:
                at = int(self._local_of[1]["cell", cell][1])
                local[position, :, at : at + FUNCTIONS] = f[position] @ self._roots["cell", cell]
            if group >= 0 and group in state.places:
                at = state.begin("places") + FUNCTIONS * state.places.index(group)
                common[position] += f[position] @ wide[at : at + FUNCTIONS]
            elif group >= 0:
                at = self._local_of[1]["place", group][1]
                local[position, :, at : at + FUNCTIONS] = f[position] @ self._roots["place", group]
        return Batch(columns, common, local)
