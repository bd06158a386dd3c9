"""What was believed before any measurement, what the network removes of it, and where defaults come from."""

import csv
import importlib.util
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.assessment.precision import ACROSS, BAND, CIRCLE, precision
from siting.assessment.statement import defaulted, statement
from siting.field.harmonics import harmonics
from siting.field.prior import source_covariance
from siting.outputs import shown
from siting.outputs.lines import number
from siting.record.gases import GASES
from siting.region.schema.air import Mixing

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
dense_network = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(dense_network)
made, model_of, Dense = dense_network.made, dense_network.model_of, dense_network.Dense

PLACES = [
    {"id": "one", "lat": -70.0, "lon": 10.0},
    {"id": "two", "lat": -20.0, "lon": 100.0},
    {"id": "three", "lat": 15.0, "lon": -150.0},
    {"id": "four", "lat": 60.0, "lon": -40.0},
]


def rows(text):
    return list(csv.DictReader(io.StringIO(text)))


@pytest.fixture(scope="module")
def stated(small):
    model, picked = small
    return statement(model.planning, picked)


@pytest.fixture(scope="module")
def small():
    model = model_of(PLACES)
    picked = made.picks(model.planning, ("one", "f", 2030), ("two", "a", 2030), ("four", "f", 2031))
    return model, picked


def band_mean(south, north, degree):
    """Mean of every mode over a band by Gauss-Legendre in sin(lat) and 24 longitudes."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    a, b = np.sin(np.radians([south, north]))
    lat = np.degrees(np.arcsin((a + b) / 2 + (b - a) / 2 * nodes))
    lon = np.arange(24) * 15.0
    y = harmonics(np.repeat(lat, 24), np.tile(lon, 24), degree).reshape(24, 24, -1).mean(axis=1)
    return weights / 2 @ y


def test_beliefs_equal_a_dense_computation(small):
    """Source: c' P0 c and c' Sigma c with matrices written out in dense_network.py, band means by quadrature."""
    model, picked = small
    dense = Dense(model, picked)
    sigma, degree = dense.sigma(), model.mixing.degree
    edges = {b["id"]: (b["south"], b["north"]) for b in dense_network.BANDS}

    def season(lat):
        cos, sin = model.air.expected_season(np.array([lat]))[0, :2] / np.hypot(
            *model.air.expected_season(np.array([lat]))[0, :2]
        )
        return {2: 2 * cos, 3: 2 * sin}

    def vector(weights, quantity, lat):
        c = np.zeros(dense.n)
        for function, factor in ({"level": {0: 1.0}, "growth": {1: 1.0}, "season": season(lat)}[quantity]).items():
            for mode, weight in enumerate(weights):
                c[6 * mode + function] += factor * weight
        return c

    found = precision(model.planning, picked, model.mixing, years=False).believed
    assert len(found) == 3 * (3 + 3 + 3)
    for b in found:
        if b.what == BAND:
            south, north = edges[b.place]
            vectors = [vector(band_mean(south, north, degree), b.quantity, (south + north) / 2)]
        elif b.what == CIRCLE:
            lat = {"60 S": -60.0, "the equator": 0.0, "60 N": 60.0}[b.place]
            y = harmonics(np.full(4, lat), np.array([0.0, 90.0, 180.0, 270.0]), degree)
            vectors = [vector(y[(k + 1) % 4] - y[k], b.quantity, lat) for k in range(4)]
        else:
            (s1, n1), (s2, n2) = (edges[name] for name in b.place.split(" minus "))
            one = vector(band_mean(s1, n1, degree), b.quantity, (s1 + n1) / 2)
            vectors = [one - vector(band_mean(s2, n2, degree), b.quantity, (s2 + n2) / 2)]
        if b.quantity == "level":
            for c in vectors:
                c[0] = 0.0
        before = np.mean([c @ dense.p0 @ c for c in vectors])
        after = np.mean([c @ sigma @ c for c in vectors])
        assert b.before == pytest.approx(before**0.5, rel=1e-9), b
        assert b.after == pytest.approx(after**0.5, rel=1e-6), b
        assert b.removed == pytest.approx(1 - after / before, abs=1e-6)


def test_two_points_of_the_equator_in_closed_form():
    """Hand sum for degree 1: sqrt(3) (cos, sin) of longitude, decay 1 / tau_exchange + 1 / tau_zonal."""
    model = model_of(PLACES, degree=1)
    mixing = Mixing(degree=1)
    q = source_covariance(mixing)[3, 3]
    r = 1.0 / mixing.tau_exchange + 1.0 / mixing.tau_zonal
    level, growth, _ = model.air.source
    found = precision(model.planning, np.zeros(0, dtype=np.int64), mixing, years=False).believed
    (one,) = [b for b in found if (b.what, b.place, b.quantity) == (CIRCLE, "the equator", "level")]
    assert one.before == pytest.approx((6 * q * (level**2 / r**2 + growth**2 / r**4)) ** 0.5, rel=1e-9)


def test_nothing_measured_removes_nothing(small):
    model, _ = small
    for b in precision(model.planning, np.zeros(0, dtype=np.int64), years=False).believed:
        assert b.after == pytest.approx(b.before, rel=1e-9)
        assert b.removed == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=4))
def test_shares_removed_lie_between_0_and_1_and_more_sites_never_remove_less(small, seeds):
    model, _ = small
    d = model.planning.deployments
    picked = np.array(sorted({int(d.candidate[s % len(d)]): s % len(d) for s in seeds}.values()))
    more = precision(model.planning, picked, years=False).believed
    less = precision(model.planning, picked[1:], years=False).believed
    for one, other in zip(more, less, strict=True):
        assert 0.0 <= other.removed <= one.removed + 1e-9
        assert one.removed <= 1.0


def test_words_and_table_tell_the_same_numbers(stated):
    table = rows(shown.prior_csv(stated.precision))
    assert len(table) == len(stated.precision.believed)
    whole, short = shown.sentences(stated), shown.sentences(stated, brief=True)
    told = [line for line in whole if line.startswith("Before any measurement")]
    assert len(told) == 9
    assert sum(line.startswith("Believed before any measurement") for line in short) == 1
    assert not any(line.startswith("Before any measurement") for line in short)
    for row in table:
        assert 0.0 <= float(row["variance_removed"]) <= 1.0
        words = f"{row['place']} {number(float(row['sd_before']))} ("
        assert any(words in line for line in told), row


def test_no_difference_across_latitude_is_told_of_a_single_band():
    targets = ({"id": "growth", "kind": "realised_growth", "goal": 0.1},)
    model = model_of(PLACES, bands=[{"id": "earth", "south": -90.0, "north": 90.0}], targets=targets)
    found = precision(model.planning, np.zeros(0, dtype=np.int64), years=False).believed
    assert not [b for b in found if b.what == ACROSS]


def test_sources_are_told_of_what_was_defaulted_and_of_nothing_else():
    season = [{"lat": 0.0, "peak_to_trough": 5.0, "month_of_maximum": 4.0}]
    tracer = {"name": "CO2", "unit": "ppm", "scale": "invented", "season": season, "synoptic_sd": 0.9}
    region = made.region(PLACES, tracers=[tracer], bands=dense_network.BANDS)
    found = {(d.tracer, d.name): d.source for d in defaulted(region)}
    assert ("CO2", "season") not in found
    assert ("CO2", "synoptic_sd") not in found
    assert found["CO2", "gradient"] == GASES["CO2"].gradient_source
    assert found["CO2", "growth"] == GASES["CO2"].growth.source
    assert "Jacob 1999" in found["all gases", "mixing.tau_zonal"]
    plain = made.region(PLACES, tracers=[dense_network.CO2], bands=dense_network.BANDS)
    assert {(d.tracer, d.name): d.source for d in defaulted(plain)}["CO2", "season"] == GASES["CO2"].season_source


def test_each_default_stands_in_the_table_of_assumptions_and_in_the_words(stated):
    table = {(r["tracer"], r["name"]): r for r in rows(shown.assumptions_csv(stated))}
    told = " ".join(line for line in shown.sentences(stated) if line.startswith("Numbers of "))
    for d in stated.defaults:
        assert (d.tracer, d.name) in table
        assert d.name in told
        assert d.source in told
    assert table["CO2", "season"]["origin"] == GASES["CO2"].season_source
