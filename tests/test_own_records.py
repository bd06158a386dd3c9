"""A site's own record in place of the tracer's noise: models, cells, region folders (all places invented)."""

import csv
import dataclasses
import importlib.util
import io
import json
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import shapely

from siting.assessment.assumed import noise_lines
from siting.assessment.doubts import discoveries
from siting.assessment.precision import precision
from siting.assessment.statement import statement
from siting.field.cells import cell_air, cell_of
from siting.field.model import tracer_models
from siting.noise.fit import fit_noise
from siting.noise.reading import noise_of_records
from siting.outputs.shown import sentences
from siting.planning import plan_region
from siting.record.air import ErrorlessPlanError, airs
from siting.record.information import Instrument, information
from siting.record.own import MOVED, NUMBERS, OWN, OwnNoise, origins_at, own_noise, site_air
from siting.record.statistics import mean_variance

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
net = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(net)
made, model_of, vectors, errors, Dense = net.made, net.model_of, net.vectors, net.errors, net.Dense
SITES, PICKS, TARGETS = net.SITES, net.PICKS, net.TARGETS

NOISY = {"synoptic_sd": 1.1, "memory_days": 6.0, "slow_sd": 0.9, "slow_phi": 0.8}
QUIET = {"synoptic_sd": 0.15, "memory_days": 1.5, "slow_sd": 0.1, "slow_phi": 0.3}
# `near` stands 600 m from `both`; `up` and `run` run already, `phase` changes its instrument on the way.
OWNS = {
    "noisier record": {"near": NOISY},
    "quieter record": {"both": QUIET},
    "many records": {
        "both": NOISY,
        "near": {"slow_sd": 0.5, "slow_phi": 0.7},
        "phase": {"synoptic_sd": 0.8},
        "run": NOISY,
        "summer": {"memory_days": 9.0},
        "up": QUIET,
    },
}


# -- the numbers -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(OWNS))
def test_sites_with_noise_of_their_own_equal_the_dense_implementation(name):
    # Source: plain numpy from the numbers of each site (tests/dense_network.py).
    model = model_of(SITES, own=OWNS[name])
    picked = made.picks(model.planning, *PICKS)
    layout, dense = model.layout(picked), Dense(model, picked)
    sigma = dense.sigma()
    mine = layout.state.root @ layout.state.root.T
    assert mine == pytest.approx(dense.p0, rel=1e-9, abs=1e-9)
    plain = errors(model_of(SITES), picked)
    found = [layout.given.variance(v) for v in vectors(model, layout.state)]
    for target, v, variance in zip(TARGETS, vectors(model, layout.state), found, strict=True):
        assert variance == pytest.approx(v @ sigma @ v, rel=1e-8), target.kind
    assert np.all(np.abs(np.sqrt(found) / plain - 1.0) > 1e-6)


@pytest.mark.parametrize("plan", ["a", "f", "b"])
def test_one_site_alone_whose_record_gives_the_tracers_numbers_changes_nothing(plan):
    # Source: the same numbers by two ways.
    site = {"id": "x", "lat": 10.0, "lon": 0.0}
    air = model_of([site]).air
    same = {name: getattr(air, name) for name in NUMBERS}
    found = []
    for own in ({}, {"x": same}):
        model = model_of([site], own=own)
        found.append(errors(model, made.picks(model.planning, ("x", plan, 2030))))
    np.testing.assert_array_equal(found[0], found[1])


def with_factors(sites, site, name, picks, factors):
    """Return the errors (factors, targets) with one number of a site's own noise times each factor."""
    found = []
    for factor in factors:
        model = model_of(sites, own={site: {name: factor * getattr(model_of(sites).air, name)}})
        found.append(errors(model, made.picks(model.planning, *picks)))
    return np.array(found)


@pytest.mark.parametrize("name", ["synoptic_sd", "slow_sd"])
@pytest.mark.parametrize("plan", ["a", "f", "b", "p"])
def test_more_noise_of_its_own_raises_every_error_and_less_lowers_it(name, plan):
    # Source: property; covariances of rows grow with the noise. z is far away.
    sites = [{"id": "x", "lat": 10.0, "lon": 1.0}, {"id": "z", "lat": -60.0, "lon": 0.0}]
    found = with_factors(sites, "x", name, [("x", plan, 2030), ("z", "f", 2030)], (0.5, 0.9, 1.0, 1.1, 2.0))
    assert np.all(np.diff(found, axis=0) > 0.0)


@pytest.mark.parametrize("name", ["synoptic_sd", "slow_sd"])
@pytest.mark.parametrize("plan", ["a", "b"])
@pytest.mark.parametrize("site", ["x", "y"])
def test_so_it_does_beside_a_neighbour_in_the_same_cell(name, plan, site):
    # Source: property. Growth holds strictly, single years too. Of level and season the noise that two sites share can
    # help: it shows in the difference of their records. With a quieter site less is shared; at most 2 in 1,000.
    sites = [
        {"id": "x", "lat": 10.0, "lon": 1.0},
        {"id": "y", "lat": 10.5, "lon": 1.5},
        {"id": "z", "lat": -60.0, "lon": 0.0},
    ]
    model = model_of(sites)
    assert model.cells[0] == model.cells[1] != model.cells[2]
    picks = [("x", plan, 2030), ("y", "f", 2030), ("z", "f", 2030)]
    found = with_factors(sites, site, name, picks, (0.5, 0.9, 1.0, 1.1, 2.0))
    assert np.all(np.diff(found[2:], axis=0) > 0.0)
    growths = [k for k, target in enumerate(TARGETS) if target.kind.endswith("growth")]
    assert len(growths) == 3
    assert np.all(np.diff(found, axis=0)[:, growths] > 0.0)
    assert np.all(np.diff(found, axis=0) > -2e-3 * found[2])


def test_slow_air_with_a_longer_memory_raises_the_errors_of_growth():
    # Source: property; what lasts for months looks like growth (Weatherhead et al. 1998, eq. 2).
    site = {"id": "x", "lat": 10.0, "lon": 1.0}
    models = [model_of([site], own={"x": {"slow_phi": phi}}) for phi in (0.1, 0.5, 0.8)]
    found = [errors(m, made.picks(m.planning, ("x", "a", 2030)))[:3] for m in models]
    assert np.all(np.diff(found, axis=0) > 0.0)


def test_a_cell_has_the_least_noise_of_all_who_stand_in_it_or_pass():
    # Source: hand sums.
    way = shapely.LineString([(2.0, 9.0), (2.0, 40.0)])
    sites = [
        {"id": "a", "lat": 10.0, "lon": 1.0},
        {"id": "b", "lat": 10.5, "lon": 1.5},
        {"id": "far", "lat": -50.0, "lon": 90.0},
        {"id": "s", "platform": "ship", "geometry": way},
    ]
    own = {"a": {"slow_sd": 0.2, "slow_phi": 0.7}, "b": {"synoptic_sd": 0.3, "slow_sd": 0.25}, "far": NOISY}
    model = model_of(sites, own=own)
    there = cell_air(model.planning.places, model.site_air, np.zeros(4, dtype=int))
    slow, phi, endless, _ = there.of(int(cell_of(10.0, 1.0)))
    assert (slow, phi) == (pytest.approx(0.04), 0.7)
    assert endless == pytest.approx(0.09 * float(mean_variance(np.inf, model.air.memory_days)))
    slow, phi, endless, _ = there.of(int(cell_of(-50.0, 90.0)))
    assert (slow, phi) == (pytest.approx(0.81), 0.8)
    assert endless == pytest.approx(1.21 * float(mean_variance(np.inf, 6.0)))
    # The ship has the tracer's numbers where it is alone, and they bound a cell that it passes.
    slow, phi, *_ = there.of(int(cell_of(35.0, 2.0)))
    assert (slow, phi) == (pytest.approx(model.air.slow_sd**2), model.air.slow_phi)
    louder = model_of(sites, own={"a": NOISY, "b": NOISY})
    assert louder.cell_air.of(int(cell_of(10.0, 1.0)))[0] == pytest.approx(model.air.slow_sd**2)
    assert [int(x) for x in there.cells] == sorted(set(there.cells.tolist()))


def test_what_one_record_tells_does_not_hang_on_the_others_that_are_picked():
    # Source: definition; the search for layouts needs the information of each deployment by itself.
    model = model_of(SITES, own=OWNS["many records"])
    every = model.records.fixed(made.picks(model.planning, *PICKS))
    for (name, plan, year), together in zip(PICKS, every, strict=True):
        alone = model.records.fixed(made.picks(model.planning, (name, plan, year)))[0]
        wanted = together.factor.T @ together.factor
        size = np.sqrt(np.diag(wanted))
        assert np.all(np.abs(alone.factor.T @ alone.factor - wanted) <= 1e-9 * np.outer(size, size))


def test_a_record_that_is_taken_away_is_a_layout_without_it():
    # Source: the layout built anew.
    model = model_of(SITES, own=OWNS["many records"])
    picked = made.picks(model.planning, *PICKS)
    layout = model.layout(picked)
    c = np.column_stack(vectors(model, layout.state))
    for number in (0, 3, 7):
        less = errors(model, np.delete(picked, number))
        assert np.sqrt(layout.given.without(layout.position[number], c)) == pytest.approx(less, rel=1e-8)


def test_numbers_out_of_range_or_of_unknown_sites_are_refused():
    region = model_of(SITES).planning.region
    air = airs(region)[0]
    for name, value in (("slow_phi", 1.0), ("memory_days", 0.0), ("slow_sd", -1.0), ("synoptic_sd", np.nan)):
        with pytest.raises(ValueError, match=f"{name} of site both is .*: out of range"):
            site_air(region, air, [OwnNoise("both", ((name, value),))])
    with pytest.raises(ValueError, match="not growth"):
        site_air(region, air, [OwnNoise("both", (("growth", 1.0),))])
    with pytest.raises(KeyError):
        site_air(region, air, [OwnNoise("nobody", (("slow_sd", 1.0),))])


def test_a_sensitivity_moves_the_tracers_number_and_leaves_the_sites_own():
    model = model_of(SITES, own={"both": {"slow_sd": 0.7}})
    other = dataclasses.replace(model, air=dataclasses.replace(model.air, slow_sd=0.1))
    i = model.planning.region.candidates.index("both")
    assert other.site_air.slow_sd[i] == 0.7
    assert set(np.delete(other.site_air.slow_sd, i)) == {0.1}


# -- nothing without an error ----------------------------------------------------------------------


def test_months_without_any_error_are_refused_in_plain_words():
    f = np.ones((12, 1))
    there, zero = np.ones((2, 12), dtype=bool), np.zeros((2, 12))
    for slow in (0.0, 0.5):
        with pytest.raises(ValueError, match="must have an error above 0"):
            information([Instrument(zero, zero, there, f)], np.full(2, slow), np.full(2, 0.5))
        twins = [Instrument(zero, zero + 1.0, there, f)] * 2
        with pytest.raises(ValueError, match="must have an error above 0"):
            information(twins, np.full(2, slow), np.full(2, 0.5))
    # Months without a sample may hold anything.
    part = Instrument(zero, zero, np.zeros_like(there), f)
    assert not information([part], np.zeros(2), np.zeros(2)).any()
    one = [Instrument(zero + 0.5, zero + 1.0, there, f), Instrument(zero, zero + 1.0, there, f)]
    assert information(one, np.zeros(2), np.zeros(2))[0, 0, 0] == pytest.approx(12.0)


@pytest.mark.parametrize("kind", ["flask", "analyzer"])
def test_a_plan_without_any_error_is_named(kind):
    plan = {"id": "perfect", "kind": kind, "repeatability": 0.0, "calibration_error": 0.0}
    plan |= {"samples_per_month": 4.0} if kind == "flask" else {}
    model = model_of([{"id": "x", "lat": 0.0, "lon": 0.0, "contamination_risk": 0.0}], plans=[plan])
    with pytest.raises(ErrorlessPlanError, match=r"plan 'perfect' measures CO2 without any error.*give one of them"):
        model.layout(made.picks(model.planning, ("x", "perfect", 2030)))


def test_a_second_gas_of_a_plan_has_the_tracers_errors():
    # Source: stated in the docstring: a plan's numbers are in the unit of its first gas.
    tracers = [net.CO2, {"name": "CH4", "unit": "ppb", "scale": "invented"}]
    found = []
    for repeatability in (0.1, 0.9):
        plan = {"id": "f", "kind": "flask", "samples_per_month": 4.0, "repeatability": repeatability}
        region = made.region([{"id": "x", "lat": 0.0, "lon": 0.0}], plans=[plan], tracers=tracers, bands=net.BANDS)
        planning = plan_region(region)
        picked = made.picks(planning, ("x", "f", 2030))
        found.append([errors(model, picked) for model in tracer_models(planning)])
    assert np.all(found[1][0][:3] > 1.1 * found[0][0][:3])
    np.testing.assert_array_equal(found[0][1], found[1][1])


# -- a region folder -------------------------------------------------------------------------------


def simulated(sd, seed, years=4.0, step=1.0, memory=3.0, phi=0.5, start=datetime(2021, 1, 1)):
    """Rows (time, value) of an invented record: growth, season, weather with a memory, months with another."""
    rng = np.random.default_rng(seed)
    days = np.arange(0.0, years * 365.25, step)
    fast, slow = np.zeros(days.size), np.zeros(int(years * 13) + 1)
    a = np.exp(-step / memory)
    for i in range(1, days.size):
        fast[i] = a * fast[i - 1] + sd * np.sqrt(1 - a * a) * rng.standard_normal()
    for i in range(1, slow.size):
        slow[i] = phi * slow[i - 1] + 0.8 * sd * np.sqrt(1 - phi**2) * rng.standard_normal()
    values = 1900.0 + 8.0 * days / 365.25 + 12.0 * np.cos(2 * np.pi * days / 365.25)
    values += fast + slow[(days / 30.4375).astype(int)] + 0.2 * sd * rng.standard_normal(days.size)
    return [((start + timedelta(days=float(d))).isoformat(), f"{v:.3f}") for d, v in zip(days, values, strict=True)]


def text_of(rows, columns=("time", "value")):
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(columns)
    writer.writerows(rows)
    return stream.getvalue()


def shown(region):
    """Return planning, picks and errors of flasks at alba with the running station, without years to detection."""
    planning = plan_region(region)
    plans = [plan.id for plan in region.settings.plans]
    k = planning.deployments.find(region.candidates.index("alba"), plans.index("weekly"), 2030)
    picked = np.array([k], dtype=np.int64)
    given = precision(planning, picked, years=False)
    return planning, picked, {(s.tracer, s.id): s.error for s in given.shown}


def test_the_record_of_a_site_drives_the_assessment_of_its_region(make_region):
    # Source: the fit of the same rows by hand; more noise gives larger errors, less gives smaller ones.
    _, _, plain = shown(make_region().read())
    errors_of = {}
    for sd in (2.0, 40.0):
        rows = simulated(sd, seed=4, step=3.0)
        region = make_region().file("records/alba.csv", text_of(rows)).read()
        planning, picked, errors_of[sd] = shown(region)
        days = np.array([(datetime.fromisoformat(t) - datetime(1970, 1, 1)).total_seconds() / 86400 for t, _ in rows])
        fit = fit_noise(days, np.array([float(v) for _, v in rows]))
        ch4, co2 = tracer_models(planning)
        i = region.candidates.index("alba")
        told = 0
        for name in NUMBERS:
            estimate, tracers = getattr(fit, name), getattr(ch4.air, name)
            mine = getattr(ch4.site_air, name)
            assert mine[i] == (pytest.approx(estimate.value, rel=1e-6) if estimate.determined else tracers)
            assert set(np.delete(mine, i)) == {tracers}
            told += estimate.determined
        assert told >= 2
        assert ch4.site_air.synoptic_sd[i] == pytest.approx(sd, rel=0.3)
        # The record has values of the first tracer only.
        assert co2.site_air.own == ()
        (line,) = noise_lines(planning, picked)
        assert line.startswith("noise of site alba for CH4 from its own record: synoptic_sd ")
    for key, error in plain.items():
        if key[0] == "CH4":
            assert errors_of[2.0][key] < error < errors_of[40.0][key]
        else:
            assert errors_of[2.0][key] == errors_of[40.0][key] == error


def test_what_a_site_would_discover_rests_on_its_record(make_region):
    # Source: property; a steady contamination hides in noise that is five times as large.
    text = text_of(simulated(40.0, seed=12, step=5.0, years=3.5))
    found = []
    for maker in (make_region(), make_region().file("records/alba.csv", text)):
        planning, picked, _ = shown(maker.read())
        found.append({(d.tracer, d.id): d.size for d in discoveries(planning, picked)})
    assert found[1]["CH4", "alba"] > 2.0 * found[0]["CH4", "alba"]
    assert found[1]["CO2", "alba"] == found[0]["CO2", "alba"]


def test_the_statement_says_whose_noise_comes_from_a_record_of_its_own(make_region):
    text = text_of(simulated(15.0, seed=11, step=7.0, years=2.5))
    maker = make_region()
    for name in ("alba", "corvo"):
        maker.file(f"records/{name}.csv", text)
    planning, picked, _ = shown(maker.read())
    given = statement(planning, picked)
    assert given.noise == noise_lines(planning, picked)
    assert len(given.noise) == 2
    for brief in (True, False):
        told = sentences(given, brief=brief)
        assert [line for line in told if line.startswith("Noise of site")] == [f"N{x[1:]}" for x in given.noise]
    many = dataclasses.replace(given, noise=tuple(f"noise of site s{k} for CH4." for k in range(9)))
    assert sum(line.startswith("Noise of site") for line in sentences(many)) == 9
    short = [line for line in sentences(many, brief=True) if "of site" in line or "more sites with" in line]
    assert short[-1] == "6 more sites with a record of their own: shown.txt."
    assert len(short) == 4


def test_the_order_of_rows_in_records_and_candidates_is_irrelevant(make_region):
    rows = simulated(15.0, seed=5, step=7.0)
    mixed = [rows[k] for k in np.random.default_rng(0).permutation(len(rows))]
    one = make_region().file("records/alba.csv", text_of(rows)).file("records/corvo.csv", text_of(rows[::-1]))
    two = make_region().file("records/alba.csv", text_of(mixed)).file("records/corvo.csv", text_of(rows))
    two.rows.reverse()
    assert shown(one.read())[2] == shown(two.read())[2]


def test_what_a_record_cannot_separate_stays_the_tracers_and_says_why(make_region):
    # Source: samples a month apart cannot tell weather from white noise (siting/noise/separation.py).
    rows = simulated(15.0, seed=6, step=25.0, years=5.0)
    planning, picked, _ = shown(make_region().file("records/alba.csv", text_of(rows)).read())
    model = tracer_models(planning)[0]
    (one,) = model.site_air.own
    kept = dict(one.kept)
    assert {"synoptic_sd", "memory_days"} <= set(kept)
    assert "25 days apart" in kept["synoptic_sd"]
    i = planning.region.candidates.index("alba")
    assert model.site_air.synoptic_sd[i] == model.air.synoptic_sd
    origins = {where.name: where.origin for where in origins_at(one, model.air)}
    assert origins["synoptic_sd"] != OWN
    assert {n for n, origin in origins.items() if origin == OWN} == {n for n, _ in one.values}
    (line,) = noise_lines(planning, picked)
    assert "25 days apart" in line
    assert f"synoptic_sd {model.air.synoptic_sd:.3g} (" in line


def test_a_record_too_short_changes_nothing_and_says_so(make_region):
    _, _, plain = shown(make_region().read())
    text = text_of(simulated(15.0, seed=7, step=7.0, years=0.3))
    planning, picked, found = shown(make_region().file("records/alba.csv", text).read())
    assert found == plain
    (line,) = noise_lines(planning, picked)
    assert line.startswith("noise of site alba for CH4 not from its own record (a record needs 24 values or more")


def test_a_further_tracer_has_its_own_column_and_fit(make_region):
    rows = simulated(15.0, seed=8, step=7.0)
    second = simulated(0.9, seed=9, step=7.0)
    both = [(t, v, w if k % 5 else "") for k, ((t, v), (_, w)) in enumerate(zip(rows, second, strict=True))]
    region = make_region().file("records/alba.csv", text_of(both, ("time", "value", "value.co2"))).read()
    ch4, co2 = own_noise(region)
    assert [one.id for one in (*ch4, *co2)] == ["alba", "alba"]
    fits = [noise_of_records(region, tracer=tracer)["alba"] for tracer in (0, 1)]
    assert fits[0].count == len(rows)
    assert fits[1].count == sum(1 for row in both if row[2])
    assert 0.3 < fits[1].fast_sd.value < 2.0 < 5.0 < fits[0].fast_sd.value
    for one, fit in zip((*ch4, *co2), fits, strict=True):
        assert dict(one.values) == {n: getattr(fit, n).value for n in NUMBERS if getattr(fit, n).determined}


def test_the_record_of_a_ship_gives_no_noise_of_one_place(make_region):
    text = text_of(simulated(15.0, seed=10, step=7.0, years=2.5))
    feature = {
        "type": "Feature",
        "properties": {"id": "sail", "platform": "ship"},
        "geometry": {"type": "LineString", "coordinates": [[10, 40], [20, 0]]},
    }
    way = json.dumps({"type": "FeatureCollection", "features": [feature]})
    region = make_region().file("candidates.geojson", way).file("records/sail.csv", text).read()
    (one,) = own_noise(region)[0]
    assert (one.id, one.values) == ("sail", ())
    assert set(one.kept) == {(name, MOVED) for name in NUMBERS}


def test_sites_that_are_neither_picked_nor_running_are_not_spoken_of(make_region):
    text = text_of(simulated(15.0, seed=11, step=7.0, years=2.5))
    maker = make_region().file("records/brisa.csv", text).file("records/corvo.csv", text)
    planning, picked, _ = shown(maker.read())
    assert [line.split()[3] for line in noise_lines(planning, picked)] == ["corvo"]
