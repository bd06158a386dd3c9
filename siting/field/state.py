"""The state of one tracer: field modes, changes between years, methods, cells, places; and its prior.

Records and targets are vectors over this state. The prior is kept as a factor S with P0 = S S', block by
block, so that nothing is ever divided by a variance that is nearly 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, Ints
from siting.field.prior import FieldPrior
from siting.record.air import FUNCTIONS
from siting.record.axis import Axis

LOW_MODES = 8
BLOCKS = ("field", "years", "methods", "cells", "places")


@dataclass(frozen=True, eq=False)
class State:
    """Where everything stands in the state vector, and the prior's factor.

    `methods` are names, `cells` numbers of occupied cells, `places` ids of groups of candidates within
    1 km of each other. `root` (n, n) has P0 = root root'. Positions: modes first (mode x function), then
    growth anomalies by year, level anomalies (mode x year), then offset and drift of each method, then
    six functions of each cell and of each place.
    """

    axis: Axis
    prior: FieldPrior
    methods: tuple[str, ...]
    cells: tuple[int, ...]
    places: tuple[int, ...]
    root: Floats

    @property
    def mode_count(self) -> int:
        """Number of field modes."""
        return (self.prior.degree + 1) ** 2

    @property
    def low_modes(self) -> int:
        """Number of modes whose level changes between years: those of degree 1 and 2."""
        return min(LOW_MODES, self.mode_count - 1)

    @property
    def size(self) -> int:
        """Length of the state vector."""
        return self.begin("end")

    def begin(self, block: str) -> int:
        """Return the first position of a block, or the length of the whole for "end"."""
        years = self.axis.all_years
        sizes = {
            "field": self.mode_count * FUNCTIONS,
            "growth_anomalies": years,
            "level_anomalies": self.low_modes * years,
            "methods": 2 * len(self.methods),
            "cells": FUNCTIONS * len(self.cells),
            "places": FUNCTIONS * len(self.places),
        }
        total = 0
        for name, size in sizes.items():
            if name == block:
                return total
            total += size
        return total

    def block_of(self) -> Ints:
        """Return (n,) the number of the block in BLOCKS that each position belongs to."""
        out = np.zeros(self.size, dtype=np.int64)
        out[self.begin("growth_anomalies") :] = 1
        out[self.begin("methods") :] = 2
        out[self.begin("cells") :] = 3
        out[self.begin("places") :] = 4
        return out

    def field_vector(self, weights: Floats, function: int) -> Floats:
        """Return the functional (n,) that sums one function of time over the modes with weights (modes,)."""
        out = np.zeros(self.size)
        out[function : self.mode_count * FUNCTIONS : FUNCTIONS] = weights
        return out

    def embed(
        self,
        factor: Floats,
        modes: Floats,
        methods: tuple[int, ...],
        cell: int | None,
        place: int | None = None,
        window_only: bool = True,
    ) -> Floats:
        """Return the factor A (n, r) with J = A A' from a record's U (r, k) at modes Y (modes,).

        U's columns are [F, ramps, indicators, offset and drift of each method]; with `window_only` ramps
        and indicators are those of the window's years, and older growth anomalies act as a level. `cell`
        and `place` are positions in the state's lists.
        """
        rank = factor.shape[0]
        years = self.axis.years if window_only else self.axis.all_years
        functions = factor[:, :FUNCTIONS]
        ramps = factor[:, FUNCTIONS : FUNCTIONS + years]
        indicators = factor[:, FUNCTIONS + years : FUNCTIONS + 2 * years]
        out = np.zeros((self.size, rank))
        out[: self.mode_count * FUNCTIONS] = (modes[:, None, None] * functions.T[None]).reshape(
            modes.size * FUNCTIONS, rank
        )
        begin, older = self.begin("growth_anomalies"), self.axis.all_years - years
        out[begin : begin + older] = modes[0] * functions[:, :1].T
        out[begin + older : begin + older + years] = modes[0] * ramps.T
        low = self.low_modes
        levels = out[self.begin("level_anomalies") : self.begin("methods")].reshape(low, self.axis.all_years, rank)
        levels[:, older:] = modes[1 : 1 + low, None, None] * indicators.T[None]
        for position, method in enumerate(methods):
            column = FUNCTIONS + 2 * years + 2 * position
            at = self.begin("methods") + 2 * method
            out[at : at + 2] += factor[:, column : column + 2].T
        for block, where in (("cells", cell), ("places", place)):
            if where is not None:
                at = self.begin(block) + FUNCTIONS * where
                out[at : at + FUNCTIONS] = functions.T
        return out


def build_state(
    axis: Axis,
    prior: FieldPrior,
    methods: dict[str, tuple[float, float]],
    cells: dict[int, Floats],
    places: dict[int, Floats],
) -> State:
    """Return the state; `methods` give (offset sd, drift sd), cells and places their prior covariance (6, 6)."""
    modes = (prior.degree + 1) ** 2
    n_field = modes * FUNCTIONS
    years = axis.all_years
    low = min(LOW_MODES, modes - 1)
    size = n_field + years + low * years + 2 * len(methods) + FUNCTIONS * (len(cells) + len(places))
    root = np.zeros((size, size))
    covariance = prior.modes.reshape(n_field, n_field)
    # The global level is worlds wider than all else; it is uncorrelated and stands alone.
    root[0, 0] = np.sqrt(covariance[0, 0])
    root[1:n_field, 1:n_field] = covariance_root(covariance[1:, 1:])
    at = n_field
    diagonal = np.concatenate(
        [
            np.full(years, prior.growth_anomaly_sd),
            np.repeat(prior.level_anomaly_sd, years),
            np.array([sd for name in sorted(methods) for sd in methods[name]]),
        ]
    )
    index = np.arange(at, at + diagonal.size)
    root[index, index] = diagonal
    at += diagonal.size
    for group in (cells, places):
        for key in sorted(group):
            root[at : at + FUNCTIONS, at : at + FUNCTIONS] = covariance_root(group[key])
            at += FUNCTIONS
    root.setflags(write=False)
    return State(axis, prior, tuple(sorted(methods)), tuple(sorted(cells)), tuple(sorted(places)), root)


def covariance_root(covariance: Floats) -> Floats:
    """Return a symmetric square root of a positive semidefinite matrix, scaled first; rounding below 0 is 0."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    safe = np.where(scale > 0.0, scale, 1.0)
    values, vectors = np.linalg.eigh(covariance / safe[:, None] / safe[None, :])
    return np.asarray(safe[:, None] * (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)
