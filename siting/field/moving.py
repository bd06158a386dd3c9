"""The record of a ship or a drifting platform: one error covariance for the whole of it."""

from __future__ import annotations

import numpy as np
from scipy.linalg import cholesky, solve_triangular

from siting.deployments import parts_of
from siting.field.cells import cell_of
from siting.field.harmonics import harmonics
from siting.field.state import LOW_MODES, State
from siting.geography.places import Places
from siting.record.air import FUNCTIONS
from siting.record.months import instrument_months
from siting.record.place import contamination_columns, place_variance
from siting.record.records import RecordModel
from siting.region.model import Floats, Ints

# Slow variability of background air is alike over about this distance (common practice, no single source).
LIKENESS_KM = 800.0
EARTH_KM = 6371.0


def stops(places: Places, candidate: int) -> tuple[Ints, Floats, Floats, Floats]:
    """Return cell, latitude, longitude and share of time of a platform's stay in each cell on its way."""
    mine = places.owner == candidate
    lat, lon, weight = places.lat[mine], places.lon[mine], places.weight[mine]
    cells = cell_of(lat, lon)
    visited = np.unique(cells)
    share = np.array([weight[cells == cell].sum() for cell in visited])
    x = np.column_stack(
        [
            np.cos(np.radians(lat)) * np.cos(np.radians(lon)),
            np.cos(np.radians(lat)) * np.sin(np.radians(lon)),
            np.sin(np.radians(lat)),
        ]
    )
    middle = np.array([(x[cells == cell] * weight[cells == cell, None]).sum(axis=0) for cell in visited])
    middle /= np.linalg.norm(middle, axis=1)[:, None]
    return visited, np.degrees(np.arcsin(middle[:, 2])), np.degrees(np.arctan2(middle[:, 1], middle[:, 0])), share


def moving_factor(model: RecordModel, state: State, places: Places, k: int) -> Floats | None:
    """Return A (n, r) with J = A A' for a picked deployment k on a moving platform.

    Rows are months x stops with b(position) x F(time); R = own errors + slow^2 phi^|months|
    exp(-distance / 800 km) + F D F' over the whole record, so that its offset is drawn once. A month's
    samples are shared among the stops by time.
    """
    d, plans = model.deployments, model.region.settings.plans
    i = int(d.candidate[k])
    analyzer, flask = parts_of(plans[d.plan[k]], plans)
    part = analyzer if analyzer is not None and model.measures(analyzer) else flask
    if part is None or not model.measures(part):
        return None
    month = instrument_months(model.region, part, model.tracer, model.air)
    cells, lat, lon, share = stops(places, i)
    first = int(d.analyzer_month[k] if part.kind == "analyzer" else d.first_month[k])
    years = model.axis.years
    times = np.arange(12 * years)
    usable = (times >= first) & np.tile(model.region.open_months[i] & (month.empty[i] < 1.0), years)
    times = times[usable]
    if times.size == 0:
        return None
    rows = [(t, s) for t in times for s in range(cells.size)]
    when, where = np.array([t for t, _ in rows]), np.array([s for _, s in rows])
    air = model.air
    syn, slow = air.synoptic_sd**2, air.slow_sd**2
    calendar = when % 12
    left = 1.0 - month.empty[i][calendar]
    variance = (month.own[i] + syn * month.spread[i] + slow * month.empty[i])[calendar] / left / share[where]
    r = np.diag(variance)
    x = np.column_stack(
        [
            np.cos(np.radians(lat)) * np.cos(np.radians(lon)),
            np.cos(np.radians(lat)) * np.sin(np.radians(lon)),
            np.sin(np.radians(lat)),
        ]
    )
    apart = EARTH_KM * np.arccos(np.clip(x @ x.T, -1.0, 1.0))
    lag = np.abs(np.subtract.outer(when, when))
    r += slow * air.slow_phi**lag * np.exp(-apart[np.ix_(where, where)] / LIKENESS_KM)
    f = model.axis.functions()[model.axis.window()][when]
    own = np.sqrt(place_variance(model.region, air)[i])
    reach = np.concatenate([f * own, f @ contamination_columns(month.bias[[i]], air.local_growth)[0]], axis=1)
    r += reach @ reach.T
    h = _rows(model, state, lat, lon, cells, when, where, f, part.method or part.id)
    lower = cholesky(r, lower=True)
    whitened = solve_triangular(lower, h, lower=True)
    _, small = np.linalg.qr(whitened)
    return np.asarray(small.T, dtype=float)


def _rows(
    model: RecordModel,
    state: State,
    lat: Floats,
    lon: Floats,
    cells: Ints,
    when: Ints,
    where: Ints,
    f: Floats,
    method: str,
) -> Floats:
    """Return H (rows, n): what each monthly mean at each stop is made of."""
    y = harmonics(lat, lon, state.prior.degree)[where]
    out = np.zeros((when.size, state.size))
    out[:, : state.mode_count * FUNCTIONS] = (y[:, :, None] * f[:, None, :]).reshape(when.size, -1)
    window = model.axis.window()
    begin, years = state.begin("growth_anomalies"), state.axis.all_years
    out[:, begin : begin + years] = model.axis.ramps()[window][when]
    levels = model.axis.indicators()[window][when]
    begin = state.begin("level_anomalies")
    low = y[:, 1 : 1 + LOW_MODES, None] * levels[:, None, :]
    out[:, begin : begin + LOW_MODES * years] = low.reshape(when.size, -1)
    at = state.begin("methods") + 2 * state.methods.index(method)
    out[:, at : at + 2] = f[:, :2]
    for row in range(when.size):
        at = state.begin("cells") + FUNCTIONS * state.cells.index(int(cells[where[row]]))
        out[row, at : at + FUNCTIONS] = f[row]
    return out
