"""Distances on the ellipsoid and neighbours, against formulas and worked examples from outside."""

import math
import time
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import quad

from siting.geography import geodesy
from siting.geography.geodesy import Neighbours, distance_km, unit_vectors

# WGS 84 (NIMA TR 8350.2, table 3.1; values from memory): semi-major axis and flattening.
A_KM, F = 6378.137, 1 / 298.257223563
E2 = F * (2 - F)

latitudes = st.floats(-90, 90)
longitudes = st.floats(-180, 180)


def haversine_km(lat1, lon1, lat2, lon2, radius_km=6371.0088):
    p, q = np.radians(lat1), np.radians(lat2)
    h = np.sin((q - p) / 2) ** 2
    h = h + np.cos(p) * np.cos(q) * np.sin(np.radians(lon2 - lon1) / 2) ** 2
    return 2 * radius_km * np.arcsin(np.sqrt(np.clip(h, 0, 1)))


# Length of one degree along the meridian, WGS 84, to the metre: handbook values, from memory.
@pytest.mark.parametrize(("south", "north", "km"), [(-0.5, 0.5, 110.574), (89, 90, 111.694)])
def test_one_degree_along_the_meridian_has_the_handbook_length(south, north, km):
    assert distance_km(south, 17, north, 17) == pytest.approx(km, abs=0.0006)


def test_one_degree_along_the_equator_is_an_arc_of_the_semi_major_axis():
    assert distance_km(0, 10, 0, 11) == pytest.approx(A_KM * math.pi / 180, abs=1e-6)


def test_longitude_and_latitude_are_not_swapped():
    # A short step east at 60 N follows the parallel: radius N cos(lat), N = a / sqrt(1 - e2 sin2(lat)).
    phi = math.radians(60)
    parallel = A_KM / math.sqrt(1 - E2 * math.sin(phi) ** 2) * math.cos(phi) * math.radians(0.1)
    assert distance_km(60, 5, 60, 5.1) == pytest.approx(parallel, rel=1e-6)
    assert distance_km(5, 60, 5.1, 60) == pytest.approx(11.0577, abs=0.002)


@pytest.mark.parametrize(
    ("place", "other", "metres"),
    [
        # The example of an inverse problem in the manual of GeographicLib's GeodSolve (from memory).
        ((40.6, -73.8), (51.6, -0.5), 5551759.400),
        # Karney 2013, the worked example of nearly antipodal places (from memory).
        ((-30.0, 0.0), (29.9, 179.8), 19989832.827610),
        # A quarter of the meridian, 10,001,965.729 m (WGS 84, from memory).
        ((0.0, 33.0), (90.0, 33.0), 10001965.729),
    ],
)
def test_published_geodesics_are_met(place, other, metres):
    assert distance_km(*place, *other) * 1000 == pytest.approx(metres, abs=0.002)


@pytest.mark.parametrize(("south", "north"), [(-12.0, 48.0), (0.0, 89.0), (-80.0, 80.0)])
def test_meridian_distances_are_the_integral_of_the_radius_of_curvature(south, north):
    arc, _ = quad(
        lambda p: A_KM * (1 - E2) / (1 - E2 * math.sin(p) ** 2) ** 1.5,
        math.radians(south),
        math.radians(north),
    )
    assert distance_km(south, -170, north, 190) == pytest.approx(arc, abs=1e-6)


@given(latitudes, longitudes, latitudes, longitudes)
def test_the_sphere_is_never_wrong_by_more_than_six_in_a_thousand(lat1, lon1, lat2, lon2):
    sphere = haversine_km(lat1, lon1, lat2, lon2)
    exact = float(distance_km(lat1, lon1, lat2, lon2))
    # Nearly antipodal places: the haversine loses digits (about 10 m there), the ellipsoid shortens the way.
    assert abs(exact - sphere) <= 0.006 * sphere + 1e-3
    assert exact == pytest.approx(float(distance_km(lat2, lon2, lat1, lon1)), abs=1e-8)


def test_distances_broadcast_and_scalars_give_a_scalar():
    table = distance_km(np.zeros((3, 1)), np.zeros((3, 1)), np.zeros(4), np.arange(4.0))
    assert table.shape == (3, 4)
    assert_allclose(table[0], np.arange(4) * A_KM * math.pi / 180)
    assert distance_km(0, 0, 0, 1).shape == ()


@pytest.mark.parametrize("wrong", [float("nan"), float("inf"), 90.001, -91.0])
def test_a_latitude_that_is_none_raises(wrong):
    with pytest.raises(ValueError, match="latitudes must"):
        distance_km([0.0, wrong], 0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="latitudes must"):
        unit_vectors([wrong], [0.0])


def test_a_longitude_that_is_no_number_raises():
    with pytest.raises(ValueError, match="longitudes must be finite"):
        distance_km(0.0, 0.0, 0.0, np.nan)


def test_unit_vectors_point_along_the_axes():
    found = unit_vectors([0, 0, 90, -90, 45], [0, 90, 13, 77, -90])
    half = math.sqrt(0.5)
    assert_allclose(found, [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, -1], [0, -half, half]], atol=1e-15)


@settings(max_examples=300)
@given(latitudes, longitudes, latitudes, longitudes)
def test_the_turn_of_the_vertical_bounds_the_distance(lat1, lon1, lat2, lon2):
    # Radii of curvature of an ellipsoid lie within b2/a and a2/b; Neighbours rests on it.
    b = A_KM * (1 - F)
    u, v = unit_vectors([lat1, lat2], [lon1, lon2])
    angle = math.atan2(float(np.linalg.norm(np.cross(u, v))), float(u @ v))
    exact = float(distance_km(lat1, lon1, lat2, lon2))
    assert b**2 / A_KM * angle - 1e-6 <= exact <= A_KM**2 / b * angle + 1e-6


def brute_force(lat, lon, owner, km):
    n = owner.max() + 1
    table = np.zeros((n, n), dtype=bool)
    d = distance_km(lat[:, None], lon[:, None], lat[None], lon[None])
    for i, j in np.argwhere(d < km):
        table[owner[i], owner[j]] = True
    np.fill_diagonal(table, False)
    return table


def awkward_places(seed, n):
    """Places all over, with knots at both poles, on 180 degrees, in one spot and at its antipode."""
    rng = np.random.default_rng(seed)
    lat = np.degrees(np.arcsin(rng.uniform(-1, 1, n)))
    lon = rng.uniform(-180, 180, n)
    lat[:8] = [90, 90, -90, -89.99, 10, 10, 10, -10]
    lon[:8] = [0, 120, 5, -60, 180, -180, 179.9, 0]
    return lat, lon


@pytest.mark.parametrize("km", [0.0, 1.0, 500.0, 3000.0, 10000.0, 19990.0, 20004.0, 25000.0])
def test_neighbours_are_those_of_brute_force(km):
    lat, lon = awkward_places(1, 150)
    table = brute_force(lat, lon, np.arange(150), km)
    near = Neighbours(lat, lon)
    for found, row in zip(near.within(np.arange(150), km), table, strict=True):
        assert_array_equal(found, np.flatnonzero(row))
    assert_array_equal(near.pairs(km), np.argwhere(np.triu(table)))


@pytest.mark.parametrize("at_a_time", [1, 700, 4_000_000])
@pytest.mark.parametrize("km", [40.0, 800.0, 6000.0])
def test_tracks_are_near_if_their_nearest_positions_are(monkeypatch, at_a_time, km):
    monkeypatch.setattr(geodesy, "_PAIRS_AT_A_TIME", at_a_time)
    rng = np.random.default_rng(5)
    lat, lon = awkward_places(2, 160)
    owner = np.concatenate([np.arange(30), rng.integers(0, 30, 130)])
    table = brute_force(lat, lon, owner, km)
    near = Neighbours(lat, lon, owner)
    assert near.n_sites == 30
    for found, row in zip(near.within(np.arange(30), km), table, strict=True):
        assert_array_equal(found, np.flatnonzero(row))
    assert_array_equal(near.pairs(km), np.argwhere(np.triu(table)))


@pytest.mark.parametrize(("lat", "lon"), [((0, 0), (0, 9)), ((50, 59), (7, 7)), ((0, 1), (0, 179.5))])
def test_a_pair_exactly_at_the_distance_is_not_near(lat, lon):
    exact = float(distance_km(lat[0], lon[0], lat[1], lon[1]))
    near = Neighbours(np.array(lat), np.array(lon))
    assert near.pairs(exact).shape == (0, 2)
    assert near.pairs(exact * (1 + 1e-12)).tolist() == [[0, 1]]


def test_within_keeps_the_order_asked_and_a_site_is_not_its_own_neighbour():
    near = Neighbours([0.0, 0.0, 0.0, 50.0], [0.0, 0.0, 1.0, 0.0])
    assert [a.tolist() for a in near.within([2, 0, 3, 0], 200)] == [[0, 1], [1, 2], [], [1, 2]]
    assert [a.tolist() for a in near.within(1, 200)] == [[0, 2]]
    assert near.within([], 200) == []


def test_no_sites_have_no_pairs():
    assert Neighbours([], []).pairs(100.0).shape == (0, 2)


def test_ten_thousand_sites_are_searched_fast_and_in_little_memory():
    rng = np.random.default_rng(3)
    lat, lon = np.degrees(np.arcsin(rng.uniform(-1, 1, 10_000))), rng.uniform(-180, 180, 10_000)
    near = Neighbours(lat, lon)
    asked = rng.choice(10_000, 500, replace=False)
    start = time.perf_counter()
    found = near.within(asked, 1000.0)
    # Takes .03 s on a quiet machine; all pairs by geodesics would take minutes.
    assert time.perf_counter() - start < 1.0
    # Expected by area: a cap of 1,000 km holds (1 - cos(1000/6371))/2 of the sphere.
    expected = 10_000 * (1 - math.cos(1000 / 6371)) / 2
    assert np.mean([f.size for f in found]) == pytest.approx(expected, rel=0.03)
    crowd = Neighbours(lat / 60, lon / 60)
    tracemalloc.start()
    sizes = [f.size for f in crowd.within(asked, 1000.0)]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert min(sizes) == 9_999
    assert peak < 400e6


def test_neighbours_cannot_be_changed():
    lat = np.array([1.0, 2.0])
    near = Neighbours(lat, [0.0, 0.0])
    lat[0] = 50.0
    assert near.lat[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        near.lat[0] = 5.0
    with pytest.raises(AttributeError):
        near.lat = lat


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([0.0, np.nan], [0.0, 0.0]), "latitudes must be finite"),
        (([0.0, 1.0], [0.0]), "equal length"),
        (([0.0, 1.0], [0.0, 0.0], [0]), "for each position"),
        (([0.0, 1.0], [0.0, 0.0], [0.0, 1.0]), "whole number"),
        (([0.0, 1.0], [0.0, 0.0], [-1, 0]), "0 or more"),
        (([0.0, 1.0], [0.0, 0.0], [0, 2]), "site 1 has no position"),
    ],
)
def test_positions_that_do_not_fit_raise(arguments, words):
    with pytest.raises(ValueError, match=words):
        Neighbours(*arguments)


@pytest.mark.parametrize(
    ("sites", "km", "words"),
    [
        (2, 10.0, "from 0 to 1"),
        (-1, 10.0, "from 0 to 1"),
        (0.5, 10.0, "whole number"),
        ([True, False], 10.0, "whole number"),
        (0, np.nan, "finite number of km"),
        (0, -1.0, "0 or more, found -1"),
    ],
)
def test_questions_that_make_no_sense_raise(sites, km, words):
    with pytest.raises(ValueError, match=words):
        Neighbours([0.0, 1.0], [0.0, 0.0]).within(sites, km)
