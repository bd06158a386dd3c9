"""The air that a cell carries for its records: a site alone has its own R, nothing is overstated (invented places)."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.field.state import covariance_root
from siting.record.information import with_place
from siting.record.shared import lesser

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
net = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(net)
made, model_of, errors, Dense = net.made, net.model_of, net.errors, net.Dense

GROWTH_OF_A_YEAR = next(k for k, target in enumerate(net.TARGETS) if target.kind == "year_growth")
LONE = {"id": "x", "lat": 52.0, "lon": -10.0, **net.DIRTY}
RUNS = {**LONE, "status": "running", "running_plan": "f", "plans": "a b"}


def both_ways(site, plan, own=(), others=()):
    """Return K' R^-1 K of a site by model and by its own R; also the dense rows. `others` are offered, not picked."""
    model = model_of([site, *others], own=own)
    picked = np.array([], dtype=int) if plan is None else made.picks(model.planning, ("x", plan, 2030))
    (record,) = model.records.running() if plan is None else model.records.fixed(picked)
    dense = Dense(model, picked)
    before = 0 if plan is None else 12 * dense.older
    months = np.concatenate([np.array(e[1]) - before for e in dense.records[0]])
    columns = model.records.columns(plan is None, 0)[months]
    f = columns[:, :6]
    cell = int(model.cells[0])
    covariance = model.cell_covariances({cell})[cell]
    level, growth, season = model.air.cell**2 + model.air.beyond**2
    prior = np.diag([level, growth, season, season, season / 4, season / 4])
    whole = dense.r[0] + f @ (dense.common_air(0, cell) + prior) @ f.T
    found = with_place((record.factor.T @ record.factor)[None], covariance_root(covariance)[None])[0]
    found = found[: columns.shape[1], : columns.shape[1]]
    return found, columns.T @ np.linalg.solve(whole, columns), dense


@pytest.mark.parametrize("plan", ["a", "f", "b", "p"])
@pytest.mark.parametrize("own", [{}, {"x": {"synoptic_sd": 1.1, "memory_days": 6.0, "slow_sd": 0.9, "slow_phi": 0.8}}])
@pytest.mark.parametrize("months", ["", "11-2"])
def test_a_site_alone_in_its_cell_has_exactly_its_own_error_covariance(plan, own, months):
    # Source: R of the record's rows written out densely, with place and cell; nothing of the cell's state.
    site = {**LONE, "open_months": months} if months else LONE
    found, wanted, _ = both_ways(site, plan, own)
    size = np.sqrt(np.diag(wanted))
    assert np.all(np.abs(found - wanted) <= 1e-9 * np.outer(size, size))


def test_single_years_of_two_lone_analyzers_feel_the_slow_air():
    # Source: generalised least squares with R = slow^2 phi^|i-j| + diag + place written out here.
    plans = [{"id": "a", "kind": "analyzer", "method": "laser"}]
    sites = [{"id": "x", "lat": 30.0, "lon": 0.0}, {"id": "y", "lat": -30.0, "lon": 100.0}]
    model = model_of(sites, plans=plans)
    picked = made.picks(model.planning, ("x", "a", 2030), ("y", "a", 2030))
    dense, air = Dense(model, picked), model.air
    n, cells = dense.n, [int(cell) for cell in sorted(model.cells)]
    level, growth, season = air.cell**2 + air.beyond**2
    own = np.diag([level, growth, season, season, season / 4, season / 4])
    for k in range(len(cells)):
        at = slice(n - 6 * len(cells) + 6 * k, n - 6 * len(cells) + 6 * k + 6)
        dense.p0[at, at] = own
    lag = np.abs(np.subtract.outer(np.arange(len(dense.f)), np.arange(len(dense.f))))
    for i in range(2):
        months = [dense.numbers(model.planning.region.settings.plans[0], i, m) for m in range(12)]
        alone = np.tile([v + air.synoptic_sd**2 * spread for v, spread, _, _ in months], model.axis.years)
        place = np.diag(dense.place(i)) + dense.contamination(i, dense.records[i])
        dense.r[i] = np.diag(alone) + air.slow_sd**2 * air.slow_phi**lag + dense.f @ place @ dense.f.T
    sigma = dense.sigma()
    wanted = np.sqrt([v @ sigma @ v for v in net.vectors(model, model.layout(picked).state)])
    assert errors(model, picked) == pytest.approx(wanted, rel=1e-8)
    # The slow air alone, in a mean of twelve months against another and two sites, is more than this.
    assert errors(model, picked)[GROWTH_OF_A_YEAR] > 0.5 * air.slow_sd / np.sqrt(2.0)


@given(
    slow=st.floats(0.2, 3.0),
    phi=st.floats(0.0, 0.95),
    fast=st.floats(0.3, 2.0),
    since=st.sampled_from([None, 2016.0, 2024.5, 2031.25]),
)
@settings(max_examples=12, deadline=None)
def test_whatever_its_noise_and_its_age_a_record_never_says_more_than_its_own_r(slow, phi, fast, since):
    # Source: property. A neighbour that is offered makes the cell's noise another one than the site's.
    own = {"x": {"slow_sd": 0.3 * slow, "slow_phi": phi, "synoptic_sd": 0.5 * fast}}
    site = LONE if since is None else {**RUNS, "running_since": since}
    near = [{"id": "y", "lat": 52.5, "lon": -9.5}]
    found, wanted, dense = both_ways(site, "b" if since is None else None, own, near)
    size = np.sqrt(np.diag(wanted))
    # Years before a record begins have empty columns.
    size[size == 0.0] = 1.0
    assert np.linalg.eigvalsh((wanted - found) / np.outer(size, size)).min() > -1e-9
    assert np.linalg.eigvalsh(dense.r[0]).min() > 0.0


def test_an_older_station_gains_from_its_older_years():
    # Source: property; what is taken out for the cell is less where a long record knows better than the window.
    near = {"id": "y", "lat": 52.5, "lon": -9.5}
    for others, kept in (([], list(range(6))), ([near], [2, 3, 4, 5])):
        found = []
        for since in (2030.0, 2029.0, 2025.0, 2018.0):
            model = model_of([{**RUNS, "running_since": since}, *others])
            found.append(errors(model, np.array([], dtype=int))[kept])
        assert np.all(np.diff(found, axis=0) < 0.0), found


def test_a_cell_shares_what_all_of_its_sites_can_have_months_of():
    # Source: definition; a station is exactly its own R where it is alone, however old.
    both = [{**RUNS, "running_since": 2021.0}, {**RUNS, "id": "y", "lat": 52.5, "running_since": 2024.5}]
    for sites, begin in ((both[:1], 0), (both, 42), ([*both, {"id": "z", "lat": 53.0, "lon": -9.5}], 108)):
        model = model_of(sites)
        assert model.axis.older == 9
        assert model.cell_air.of(int(model.cells[0]))[3] == begin


@pytest.mark.parametrize("since", [2016.0, 2024.5, 2029.0])
def test_a_running_station_alone_in_its_cell_has_exactly_its_own_error_covariance(since):
    # Source: R of the record's rows written out densely, older years included.
    found, wanted, _ = both_ways({**RUNS, "running_since": since}, None, {"x": {"slow_phi": 0.7}})
    size = np.sqrt(np.diag(wanted))
    assert np.all(np.abs(found - wanted) <= 1e-9 * np.outer(size, size))


@given(st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_the_lesser_of_two_covariances_is_below_both_and_is_one_of_them_where_one_is_less(seed):
    # Source: property.
    rng = np.random.default_rng(seed)
    a, b = (m @ m.T + 0.05 * np.eye(6) for m in rng.normal(size=(2, 6, 6)))
    low = lesser(a, b)
    for other in (a, b):
        assert np.linalg.eigvalsh(other - low).min() > -1e-9
    assert lesser(a, a + b) == pytest.approx(a, abs=1e-9)
    assert lesser(a + b, a) == pytest.approx(a, abs=1e-9)
    assert lesser(b, a) == pytest.approx(low, abs=1e-9)
    assert not lesser(a, np.zeros((6, 6))).any()
    assert lesser(np.diag([4.0, 1.0]), np.diag([2.0, 3.0])) == pytest.approx(np.diag([2.0, 1.0]), abs=1e-12)
