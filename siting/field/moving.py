"""The record of a ship or a drifting platform: one error covariance for the whole of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from siting.arrays import Floats, Ints
from siting.field.cells import cell_of
from siting.field.harmonics import harmonics
from siting.field.state import State
from siting.geography.geodesy import unit_vectors
from siting.geography.places import Places
from siting.record.air import FUNCTIONS
from siting.record.information import factor
from siting.record.months import Months
from siting.record.place import contamination_columns, place_variance
from siting.record.records import Equipment, RecordModel

# Slow variability of background air is alike over about this distance (common practice, no single source).
LIKENESS_KM = 800.0
EARTH_KM = 6371.0
# Rows of one platform beyond which its oldest months are left out.
MOST_ROWS = 4000


def stops(places: Places, candidate: int) -> tuple[Ints, Floats, Floats, Floats]:
    """Return cell, latitude, longitude and share of time of a platform's stay in each cell on its way."""
    mine = places.owner == candidate
    lat, lon, weight = places.lat[mine], places.lon[mine], places.weight[mine]
    cells = cell_of(lat, lon)
    visited = np.unique(cells)
    share = np.array([weight[cells == cell].sum() for cell in visited])
    x = unit_vectors(lat, lon)
    middle = np.array([(x[cells == cell] * weight[cells == cell, None]).sum(axis=0) for cell in visited])
    middle /= np.linalg.norm(middle, axis=1)[:, None]
    return visited, np.degrees(np.arcsin(middle[:, 2])), np.degrees(np.arctan2(middle[:, 1], middle[:, 0])), share


def moving_factor(
    model: RecordModel, state: State, places: Places, candidate: int, equipment: Sequence[Equipment]
) -> Floats | None:
    """Return A (n, r) with J = A A' for the instruments of a candidate on a moving platform; None without a row.

    Rows are instruments x months x stops with b(position) x F(time); R = own errors + slow^2 phi^|months|
    exp(-distance / 800 km) + F D F' over the whole record, so that its offset is drawn once. A month's
    samples are shared among the stops by time; what the better instrument misses of the air the other
    one misses too. The oldest months are left out where rows grow too many.
    """
    cells, lat, lon, share = stops(places, candidate)
    months = {e.part.id: model.months_of(e.part, whole=True) for e in equipment}
    kept = max(MOST_ROWS // max(1, cells.size * len(equipment)), 12 * model.axis.years)
    young = np.arange(model.axis.months) >= model.axis.months - kept
    found = []
    for number, e in enumerate(equipment):
        filled = months[e.part.id].empty[candidate] < 1.0
        possible = np.tile(filled, model.axis.months // filled.size)
        times = np.flatnonzero(e.present & young & possible)
        stop = np.tile(np.arange(cells.size), times.size)
        found.append(np.column_stack([np.repeat(times, cells.size), stop, np.full(stop.size, number)]))
    rows = np.concatenate(found) if found else np.empty((0, 3), dtype=np.int64)
    if rows.shape[0] == 0:
        return None
    when, where, which = rows.T
    r = _covariance(model, candidate, [months[e.part.id] for e in equipment], (lat, lon, share), rows)
    f = model.axis.functions()[when]
    # Without any row an instrument tells nothing of contamination.
    telling = [e for number, e in enumerate(equipment) if model.all_work or np.any(which == number)]
    bias = np.min([months[e.part.id].bias[candidate, :12] for e in telling], axis=0)
    own = np.sqrt(place_variance(model.region, model.air)[candidate])
    reach = [f * own, f @ contamination_columns(bias[None], model.air.local_growth)[0]]
    for number, e in enumerate(equipment):
        cylinder = model.cylinders(e.part, model.axis.months, e.first)
        if cylinder is not None:
            reach.append(cylinder[0][when] * (which == number)[:, None] * np.sqrt(cylinder[1]))
    wide = np.concatenate(reach, axis=1)
    h = _rows(model, state, (lat, lon, cells), when, where)
    for number, e in enumerate(equipment):
        at = state.begin("methods") + 2 * state.methods.index(e.method)
        h[:, at : at + 2] += f[:, :2] * (which == number)[:, None]
    lower = cholesky(r + wide @ wide.T, lower=True)
    _, small = np.linalg.qr(solve_triangular(lower, h, lower=True))
    return np.asarray(small.T, dtype=float)


def moving_difference(both: Floats, old: Floats | None) -> Floats:
    """Return A with A A' = J(both) - J(old), what an instrument adds to those that sail already."""
    if old is None:
        return both
    return np.asarray(factor((both @ both.T - old @ old.T)[None])[0].T)


def _covariance(
    model: RecordModel, candidate: int, months: list[Months], way: tuple[Floats, Floats, Floats], rows: Ints
) -> Floats:
    """Return R (rows, rows) without the place's part; rows are (month, stop, instrument)."""
    lat, lon, share = way
    when, where, which = rows.T
    air = model.here
    syn, slow = air.synoptic_variance[candidate], air.slow_variance[candidate]
    # Numbers of calendar months repeat each year; those of single months stand for themselves.
    column = when % months[0].own.shape[1]
    own, spread, empty = (
        np.array([getattr(m, name)[candidate] for m in months])[which, column] for name in ("own", "spread", "empty")
    )
    x = unit_vectors(lat, lon)
    apart = EARTH_KM * np.arccos(np.clip(x @ x.T, -1.0, 1.0))
    lag = np.abs(np.subtract.outer(when, when))
    r = slow * air.slow_phi[candidate] ** lag * np.exp(-apart[np.ix_(where, where)] / LIKENESS_KM)
    if len(months) > 1:
        together = (lag == 0) & (where[:, None] == where[None, :]) & (which[:, None] != which[None, :])
        least = syn * np.min([m.spread[candidate] for m in months], axis=0)[column] / share[where]
        r += np.where(together, least[:, None], 0.0)
    r[np.diag_indices_from(r)] += (own + syn * spread + slow * empty) / (1.0 - empty) / share[where]
    return np.asarray(r, dtype=float)


def _rows(model: RecordModel, state: State, way: tuple[Floats, Floats, Ints], when: Ints, where: Ints) -> Floats:
    """Return H (rows, n) without methods: what each monthly mean at each stop is made of."""
    lat, lon, cells = way
    y = harmonics(lat, lon, state.prior.degree)[where]
    f = model.axis.functions()[when]
    out = np.zeros((when.size, state.size))
    out[:, : state.mode_count * FUNCTIONS] = (y[:, :, None] * f[:, None, :]).reshape(when.size, -1)
    begin, years = state.begin("growth_anomalies"), state.axis.all_years
    out[:, begin : begin + years] = model.axis.ramps()[when]
    begin, count = state.begin("level_anomalies"), state.low_modes
    low = y[:, 1 : 1 + count, None] * model.axis.indicators()[when][:, None, :]
    out[:, begin : begin + count * years] = low.reshape(when.size, -1)
    for stop, cell in enumerate(cells):
        at = state.begin("cells") + FUNCTIONS * state.cells.index(int(cell))
        out[:, at : at + FUNCTIONS] += f * (where == stop)[:, None]
    return out
