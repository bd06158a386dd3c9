"""What records leave unknown of the field, against a dense implementation that knows no factor and no elimination."""

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.field.posterior import (
    NEEDED,
    detection_error,
    detection_information,
    detection_probability,
    season_probability,
)
from siting.field.targets import ask
from siting.region.schema.air import Mixing, Target

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
net = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(net)
made, model_of, vectors, errors, Dense = net.made, net.model_of, net.vectors, net.errors, net.Dense
BANDS, DIRTY, SITES, PICKS, TARGETS = net.BANDS, net.DIRTY, net.SITES, net.PICKS, net.TARGETS


@pytest.fixture(scope="module")
def large():
    model = model_of(SITES, methods=[{"id": "elder", "offset_sd": 0.3}, {"id": "laser"}, {"id": "glass"}])
    return model, made.picks(model.planning, *PICKS)


@pytest.fixture(scope="module")
def large_dense(large):
    return Dense(*large)


def test_all_targets_equal_the_dense_implementation(large, large_dense):
    # Source: plain numpy from the region's own numbers; running stations with older years, an upgrade in two
    # phases, analyzer with flasks, flasks on condition, a season of four months, a late start, a ship, two in a place.
    model, picked = large
    layout = model.layout(picked)
    sigma = large_dense.sigma()
    assert layout.state.size == large_dense.n
    mine = layout.state.root @ layout.state.root.T
    assert mine == pytest.approx(large_dense.p0, rel=1e-9, abs=1e-9)
    for target, c, v in zip(TARGETS, large_dense.functionals(), vectors(model, layout.state), strict=True):
        assert v == pytest.approx(c, abs=1e-4 * np.abs(c).max()), target.kind
        assert layout.given.variance(v) == pytest.approx(v @ sigma @ v, rel=1e-8), target.kind


def test_shares_of_an_error_add_up(large):
    # Source: Sigma = Sigma Lambda Sigma, an identity.
    model, picked = large
    layout = model.layout(picked)
    for c in vectors(model, layout.state):
        blocks, records = layout.given.shares(c)
        assert blocks.sum() + records.sum() == pytest.approx(layout.given.variance(c), rel=1e-10)
        assert blocks.min() >= 0.0
        assert records.min() >= 0.0


def test_a_record_taken_away_is_a_layout_without_it(large):
    # Source: the layout built anew.
    model, picked = large
    layout = model.layout(picked)
    c = np.column_stack(vectors(model, layout.state))
    for number, position in enumerate(layout.position):
        less = errors(model, np.delete(picked, number))
        assert np.sqrt(layout.given.without(position, c)) == pytest.approx(less, rel=1e-8)


def test_the_only_record_taken_away_leaves_the_prior():
    model = model_of([s for s in SITES if s["id"] == "both"])
    layout = model.layout(made.picks(model.planning, ("both", "b", 2030)))
    c = np.column_stack(vectors(model, layout.state))
    assert layout.given.without(0, c) == pytest.approx(errors(model, np.array([], dtype=int)) ** 2, rel=1e-8)


def test_an_instrument_that_runs_already_adds_nothing_and_an_unknown_beginning_is_the_first_year():
    # Source: J(both) - J(running) = 0 when both are the same; the dense implementation knows no older years either.
    sites = [{"id": "r", "lat": 10.0, "lon": 0.0, "status": "running", "running_plan": "f", "plans": "f b"}]
    model = model_of(sites)
    same = model.layout(made.picks(model.planning, ("r", "f", 2030)))
    assert same.position == (None,)
    added = errors(model, made.picks(model.planning, ("r", "b", 2030)))
    fresh = model_of([{"id": "r", "lat": 10.0, "lon": 0.0}])
    assert added == pytest.approx(errors(fresh, made.picks(fresh.planning, ("r", "b", 2030))), rel=1e-8)


def test_a_ship_that_sails_already_has_one_record_for_its_whole_way():
    # Source: a picked ship with the same plan over the same window.
    way = shapely.LineString([(10.0, 40.0), (20.0, 5.0), (25.0, -30.0)])
    ship = {"id": "s", "platform": "ship", "geometry": way}
    new = model_of([ship])
    old = model_of([{**ship, "status": "running", "running_since": 2030.0, "running_plan": "f", "plans": "b"}])
    none = np.array([], dtype=int)
    assert errors(old, none) == pytest.approx(errors(new, made.picks(new.planning, ("s", "f", 2030))), rel=1e-8)
    both = errors(new, made.picks(new.planning, ("s", "b", 2030)))
    assert errors(old, made.picks(old.planning, ("s", "b", 2030))) == pytest.approx(both, rel=1e-8)


def test_an_empty_network_detects_nothing(large):
    # Source: a test at 95 % confidence finds what is not there once in twenty times.
    model, _ = large
    sites = [{k: v for k, v in s.items() if not k.startswith("running")} | {"status": "open"} for s in SITES]
    model = model_of(sites)
    layout = model.layout(np.array([], dtype=int))
    for target in TARGETS:
        one = ask(layout.state, model.planning.region, model.air, target)
        found = detection_information(layout.state, layout.given, one.vector[:, None])
        assert not found.any()
        assert np.isinf(detection_error(float(found[0, 0])))
        assert detection_probability(one.signal, np.inf) == pytest.approx(0.05, abs=1e-12)
        if one.harmonics is not None:
            information = detection_information(layout.state, layout.given, one.harmonics)
            assert season_probability(one.expected, information) == 0.05


def test_detection_does_not_use_the_prior_on_the_target():
    # Source: records alone. With the prior sd of global growth a hundred times as wide the detection error stays.
    model = model_of(SITES)
    picked = made.picks(model.planning, *PICKS)
    wide = dataclasses.replace(model, air=dataclasses.replace(model.air, growth=model.air.growth * 100.0))
    found = []
    for m in (model, wide):
        layout = m.layout(picked)
        c = ask(layout.state, m.planning.region, m.air, TARGETS[2]).vector
        found.append(detection_error(float(detection_information(layout.state, layout.given, c[:, None])[0, 0])))
    assert found[0] == pytest.approx(found[1], rel=1e-6)
    assert found[0] > errors(model, picked)[2]


def test_detection_at_the_needed_ratio_has_the_agreed_power():
    # Source: 90 % power at 95 % confidence: 1.960 + 1.282 (normal tables).
    assert pytest.approx(3.2415, abs=1e-3) == NEEDED
    assert detection_probability(NEEDED, 1.0) == pytest.approx(0.9, abs=1e-4)
    assert detection_probability(-NEEDED, 1.0) == pytest.approx(0.9, abs=1e-4)
    # One harmonic alone: the chi-square with one degree of freedom is the two-sided normal test.
    one = season_probability(np.array([2.0, 0.0, 0.0, 0.0]), np.diag([1.0, 0.0, 0.0, 0.0]))
    assert one == pytest.approx(detection_probability(2.0, 1.0), abs=1e-9)


@given(st.integers(0, 10**6))
@settings(max_examples=15, deadline=None)
def test_more_data_never_raise_a_standard_error(seed):
    # Source: property of conditioning.
    rng = np.random.default_rng(seed)
    sites = [{"id": f"s{k}", "lat": float(rng.uniform(-80, 80)), "lon": float(rng.uniform(0, 12)),
              "baseline_exposure": float(rng.uniform(0.05, 1.0)), "lead_months": int(rng.integers(0, 20)),
              **DIRTY} for k in range(5)]  # fmt: skip
    model = model_of(sites, degree=2)
    d = model.planning.deployments
    offers = [rng.choice(np.flatnonzero(d.candidate == k)) for k in rng.permutation(5)]
    before = errors(model, np.array([], dtype=int))
    for count in range(1, 5):
        after = errors(model, np.sort(offers[:count]))
        assert np.all(after <= before * (1 + 1e-9))
        before = after


def turned(sites, angle):
    return [
        {**s, "geometry": shapely.affinity.translate(s["geometry"], angle)} if "geometry" in s
        else {**s, "lon": (s["lon"] + angle + 180.0) % 360.0 - 180.0}
        for s in sites
    ]  # fmt: skip


def test_a_quarter_turn_of_the_earth_changes_no_number(large):
    # Source: symmetry, cells included.
    _, picked = large
    wanted = errors(model_of(SITES), picked)
    for angle in (90.0, -90.0):
        other = model_of(turned(SITES, angle))
        assert errors(other, made.picks(other.planning, *PICKS)) == pytest.approx(wanted, rel=1e-9)


def test_any_turn_changes_no_number_without_variance_of_cells():
    # Source: symmetry; fixed sites, with nothing that the air of a cell has of its own.
    numbers = {"cell": np.zeros(3), "beyond": np.zeros(3), "slow_sd": 0.0, "synoptic_sd": 0.0}
    sites = [s for s in SITES if s["id"] != "ship"]
    picks = [p for p in PICKS if p[0] != "ship"]
    model, other = (model_of(turned(sites, angle), numbers=numbers) for angle in (0.0, 33.7))
    found = [errors(m, made.picks(m.planning, *picks)) for m in (model, other)]
    assert found[1] == pytest.approx(found[0], rel=1e-9)


def test_the_hemispheres_may_be_swapped():
    # Source: symmetry; places, bands, the expected season (half a year later) and levels are mirrored.
    def mirrored(s):
        if "geometry" in s:
            return {**s, "geometry": shapely.LineString([(x, -y) for x, y in s["geometry"].coords])}
        return {**s, "lat": -s["lat"]}

    model = model_of(SITES)
    season, gradient = model.air.season, model.air.gradient
    later = (season[:, 2] - 1.0 + 6.0) % 12.0 + 1.0
    numbers = {
        "season": np.column_stack([-season[:, 0], season[:, 1], later])[::-1],
        "gradient": np.column_stack([-gradient[:, 0], gradient[:, 1]])[::-1],
    }
    bands = [{"id": "north", "south": -90.0, "north": -30.0}, BANDS[1], {"id": "south", "south": 30.0, "north": 90.0}]
    other = model_of([mirrored(s) for s in SITES], bands=bands, numbers=numbers)
    layouts = [m.layout(made.picks(m.planning, *PICKS)) for m in (model, other)]
    for target in TARGETS:
        one, two = (
            ask(x.state, m.planning.region, m.air, target) for x, m in zip(layouts, (model, other), strict=True)
        )
        assert two.signal == pytest.approx(one.signal, rel=1e-9)
        found = [x.given.variance(c.vector) for x, c in zip(layouts, (one, two), strict=True)]
        assert found[1] == pytest.approx(found[0], rel=1e-9), target.kind


def quiet(sd):
    """A site on the equator over which the air is mixed along the circle at once, so that it sees the global mode.

    Monthly flasks for two years with method errors of `sd`; no other noise, no place of its own; a season of 6.3 ppm
    everywhere and a growth of .75 ppm a year that varies by .5 (computed from the
    open weekly record that ships with statsmodels).
    """
    zero = ("synoptic_sd", "slow_sd", "method_offset_sd", "method_drift_sd", "intake_level_sd", "altitude_level_sd")
    numbers = dict.fromkeys(zero, 0.0) | {name: np.zeros(3) for name in ("representation", "cell", "beyond")}
    numbers |= {"growth": 0.75, "season": np.array([[-90.0, 6.3, 5.0], [90.0, 6.3, 5.0]])}
    plan = {"id": "f", "kind": "flask", "samples_per_month": 1.0, "repeatability": sd, "calibration_error": 0.0}
    site = {"id": "x", "lat": 0.0, "lon": 0.0, "baseline_exposure": 1.0, "data_return": 1.0, "contamination_risk": 0.0}
    model = model_of([site], plans=[plan], numbers=numbers, degree=1, years=2)
    model = dataclasses.replace(model, mixing=Mixing(degree=1, tau_zonal=1e-7))
    layout = model.layout(made.picks(model.planning, ("x", "f", 2030)))
    found = {}
    for target in (TARGETS[0], TARGETS[2], Target(id="s", kind="season", band="middle", goal=0.1)):
        one = ask(layout.state, model.planning.region, model.air, target)
        error = detection_error(float(detection_information(layout.state, layout.given, one.vector[:, None])[0, 0]))
        chance = detection_probability(one.signal, error)
        if one.harmonics is not None:
            information = detection_information(layout.state, layout.given, one.harmonics)
            chance = season_probability(one.expected, information)
        found[one.kind] = (one.signal / error, chance)
    return found


def test_a_method_of_six_ppm_shows_neither_season_nor_growth():
    # Source: common practice, no single source.
    found = quiet(6.0)
    assert all(chance < 0.5 for _, chance in found.values())


def test_a_method_of_a_third_of_a_ppm_shows_both():
    # Source: common practice, no single source; computed apart: realised growth 6.3 sigma, underlying growth 2.0.
    found = quiet(0.3)
    assert found["realised_growth"][0] == pytest.approx(6.3, abs=0.1)
    assert found["realised_growth"][1] > 0.99
    assert found["season"][1] > 0.99
    assert found["underlying_growth"][0] == pytest.approx(2.0, abs=0.1)


def test_ten_analyzers_on_one_islet_learn_little_more_of_growth_than_one():
    # Source: common practice: neighbours breathe the same air; a naive sum would divide by the root of ten.
    sites = [{"id": f"i{k}", "lat": -8.0 + 0.02 * k, "lon": -14.4, "baseline_exposure": 0.8} for k in range(10)]
    model = model_of(sites, plans=[{"id": "a", "kind": "analyzer"}], years=10, numbers={"representation": np.zeros(3)})
    one, ten = (errors(model, made.picks(model.planning, *[(f"i{k}", "a", 2030) for k in range(n)])) for n in (1, 10))
    assert ten[0] <= one[0]
    assert ten[0] > 0.95 * one[0]
    assert ten[0] > 2.0 * one[0] / np.sqrt(10.0)


def test_analyzer_and_flask_at_one_place_know_the_air_together_no_better_than_they_may():
    # Source: brute force on the stacked rows; a sum of two records would claim too much of the air.
    site = {"id": "x", "lat": 10.0, "lon": 0.0, "baseline_exposure": 0.8}
    plans = [
        {"id": "a", "kind": "analyzer", "method": "laser"},
        {"id": "f", "kind": "flask", "samples_per_month": 4.35, "method": "glass"},
        {"id": "b", "kind": "both", "analyzer_plan": "a", "flask_plan": "f"},
    ]
    model = model_of([site], plans=plans)
    layouts = {p: model.layout(made.picks(model.planning, ("x", p, 2030))) for p in ("a", "f", "b")}
    alone = {p: errors(model, made.picks(model.planning, ("x", p, 2030))) for p in ("a", "f", "b")}
    assert np.all(alone["b"] <= np.minimum(alone["a"], alone["f"]) * (1 + 1e-9))
    dense = Dense(model, made.picks(model.planning, ("x", "b", 2030)))
    sigma, state = dense.sigma(), layouts["b"].state
    at = state.begin("methods")
    difference = np.zeros(state.size)
    difference[at], difference[at + 2] = 1.0, -1.0
    variance = layouts["b"].given.variance(difference)
    assert variance == pytest.approx(difference @ sigma @ difference, rel=1e-8)
    before = 2 * model.air.method_offset_sd**2
    assert variance < 0.3 * before
    # By hand: 36 months of what the flasks miss of the air, with the errors of both instruments.
    own = [dense.numbers(model.planning.region.settings.plans[k], 0, 0) for k in (0, 1)]
    month = own[0][0] + own[1][0] + model.air.synoptic_sd**2 * (own[1][1] - own[0][1])
    assert variance == pytest.approx(1.0 / (1.0 / before + 36.0 / month), rel=0.1)


def test_realised_growth_is_the_slope_of_the_histories_that_the_prior_draws():
    # Source: simulation; lines are fitted to monthly global means summed up month by month, without the season.
    model = model_of(SITES, degree=1)
    layout = model.layout(np.array([], dtype=int))
    axis, state = model.axis, layout.state
    c = vectors(model, state, TARGETS[:1])[0]
    rng = np.random.default_rng(1)
    fine = 600
    for _ in range(20):
        x = state.root @ rng.normal(size=state.size)
        rate = x[1] + np.repeat(x[state.begin("growth_anomalies") :][: axis.all_years], fine)
        history = np.cumsum(rate) / fine
        monthly = history.reshape(-1, fine // 12).mean(axis=1)[12 * axis.older :]
        slope = np.polyfit(np.arange(monthly.size) / 12.0, monthly, 1)[0]
        # Means over a month round the two corners of a year's ramp a little.
        assert slope == pytest.approx(c @ x, abs=2e-3)


def test_simulated_networks_err_as_much_as_the_posterior_says():
    # Source: Monte Carlo, 2,000 worlds with fields, methods and noise drawn from the prior; 4 standard errors.
    sites = [s for s in SITES if s["id"] in ("cond", "late", "run", "summer")]
    model = model_of(sites, degree=2)
    picked = made.picks(model.planning, *[p for p in PICKS if p[0] in ("cond", "late", "summer")])
    layout, dense = model.layout(picked), Dense(model, picked)
    rng = np.random.default_rng(9)
    draws = 2000
    # The global level is free of any target; a narrow one keeps the digits of the estimate.
    x = np.array(layout.state.root @ rng.normal(size=(layout.state.size, draws)))
    x[0] = rng.normal(size=draws)
    sigma = dense.sigma()
    gathered = np.zeros_like(x)
    for r, h in zip(dense.r, dense.h, strict=True):
        y = h @ x + np.linalg.cholesky(r) @ rng.normal(size=(len(r), draws))
        gathered += h.T @ np.linalg.solve(r, y)
    estimate = sigma @ gathered
    for target, c in zip(TARGETS, vectors(model, layout.state), strict=True):
        found = c @ (estimate - x)
        assert found.std() == pytest.approx(np.sqrt(layout.given.variance(c)), rel=4 / np.sqrt(2 * draws)), target.kind
        assert abs(found.mean()) < 4 * found.std() / np.sqrt(draws)


def test_a_fitted_peak_to_trough_is_biased_upward_and_the_season_at_expected_dates_is_not():
    # Source: delta method against simulation of estimates with the errors that the records alone leave.
    plans = [{"id": "f", "kind": "flask", "samples_per_month": 2.0, "repeatability": 1.5}]
    sites = [{"id": f"s{k}", "lat": -45.0 - 10 * k, "lon": 90.0 * k} for k in range(3)]
    model = model_of(sites, plans=plans, degree=2)
    layout = model.layout(made.picks(model.planning, *[(f"s{k}", "f", 2030) for k in range(3)]))
    one = ask(layout.state, model.planning.region, model.air, Target(id="s", kind="season", band="south", goal=0.1))
    covariance = np.linalg.inv(detection_information(layout.state, layout.given, one.harmonics))
    rng = np.random.default_rng(10)
    seen = rng.multivariate_normal(one.expected, covariance, 4000)
    t = 2 * np.pi * np.arange(365) / 365
    curve = seen @ np.array([np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)])
    fitted = curve.max(axis=1) - curve.min(axis=1)
    true = one.expected @ np.array([np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)])
    angle = np.arctan2(one.expected[1], one.expected[0])
    at_dates = 2 * (seen[:, 0] * np.cos(angle) + seen[:, 1] * np.sin(angle))
    assert true.max() - true.min() == pytest.approx(one.signal, rel=1e-3)
    error = at_dates.std()
    assert at_dates.mean() == pytest.approx(one.signal, abs=4 * error / np.sqrt(4000))
    d = np.array([2 * np.cos(angle), 2 * np.sin(angle), 0.0, 0.0])
    assert error == pytest.approx(np.sqrt(d @ covariance @ d), rel=4 / np.sqrt(8000))
    assert fitted.mean() > one.signal + 10 * fitted.std() / np.sqrt(4000)


def test_a_target_that_loads_on_the_global_level_is_refused(large, monkeypatch):
    # Source: the prior of the global level is arbitrary.
    model, _ = large
    state = model.empty()
    assert all(c[0] == 0.0 for c in vectors(model, state))
    level = np.eye(1, state.mode_count)[0]
    monkeypatch.setattr("siting.field.targets._growth_vector", lambda s: s.field_vector(level, 0))
    with pytest.raises(ValueError, match="target 'u' loads on the global level"):
        ask(state, model.planning.region, model.air, TARGETS[2])
