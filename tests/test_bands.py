"""Latitude bands: areas, membership, time shares and gaps, against closed forms and brute force."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Geod
from scipy.integrate import quad

from siting.geography.bands import Gap, area_share, band_of, gaps, largest_gap, shares

latitudes = st.floats(-90.0, 90.0)
whole_latitudes = st.integers(-90, 90).map(float)
limits = st.lists(st.integers(-89, 89), unique=True, max_size=6).map(lambda inner: [-90, *sorted(inner), 90])

# --- areas -----------------------------------------------------------------------------------------------


def test_half_the_earth_lies_within_30_degrees_of_the_equator():
    # Archimedes, On the Sphere and Cylinder I: the area of a zone is proportional to its height.
    np.testing.assert_allclose(area_share([-30, -90, -90, 0], [30, 90, 0, 90]), [0.5, 1.0, 0.5, 0.5], rtol=1e-15)


def test_poleward_of_60_degrees_lie_6_7_percent_of_the_earth():
    # By hand: (1 - sin 60) / 2 = (1 - sqrt(3)/2) / 2 = .0669873.
    np.testing.assert_allclose(area_share([60, -90], [90, -60]), (1 - math.sqrt(3) / 2) / 2, rtol=1e-14)


@pytest.mark.parametrize(("south", "north"), [(-90, -47.3), (-12.5, 3.25), (23.44, 66.56), (89.9, 90)])
def test_area_agrees_with_numerical_integration_of_the_cosine(south, north):
    wanted, _ = quad(lambda lat: math.cos(lat) / 2, math.radians(south), math.radians(north), epsabs=1e-14)
    np.testing.assert_allclose(area_share(south, north), [wanted], rtol=1e-9)


def test_area_agrees_with_random_directions():
    # Directions of a three-dimensional normal distribution are uniform on the sphere (Muller 1959,
    # Communications of the ACM 2(4), 19; citation from memory). 200,000 draws: standard error <= .0012.
    points = np.random.default_rng(7).standard_normal((200_000, 3))
    lat = np.degrees(np.arcsin(points[:, 2] / np.linalg.norm(points, axis=1)))
    south, north = np.array([-90, -60, -20, 0, 45]), np.array([-60, -20, 0, 45, 90])
    drawn = band_of(lat, south, north).mean(axis=0)
    np.testing.assert_allclose(area_share(south, north), drawn, atol=5 * 0.0012)


@pytest.mark.parametrize(("south", "north"), [(0, 45), (-30, 0), (60, 90)])
def test_area_on_the_ellipsoid_differs_by_less_than_two_thousandths(south, north):
    # pyproj's geodesic polygon area (Karney 2013, J. Geodesy 87, 43-55) of a wedge of one degree.
    geod = Geod(ellps="WGS84")

    def wedge(low: float, high: float) -> float:
        lon = np.linspace(0, 1, 101)
        ring_lon = np.concatenate((lon, lon[::-1]))
        ring_lat = np.concatenate((np.full(101, float(low)), np.full(101, float(high))))
        return abs(geod.polygon_area_perimeter(ring_lon, ring_lat)[0])

    assert abs(area_share(south, north)[0] - wedge(south, north) / wedge(-90, 90)) < 0.002


@given(limits)
def test_bands_laid_end_to_end_cover_the_earth_once(ends):
    assert area_share(ends[:-1], ends[1:]).sum() == pytest.approx(1.0, abs=1e-14)


@given(latitudes, latitudes)
def test_mirrored_bands_have_the_same_area(one, other):
    south, north = min(one, other), max(one, other)
    if south < north:
        np.testing.assert_array_equal(area_share(south, north), area_share(-north, -south))


@pytest.mark.parametrize(
    ("south", "north", "words"),
    [
        ([10], [10], "band 0 runs from 10.0 to 10.0"),
        ([0, 40], [40, 30], "band 1 runs from 40.0 to 30.0"),
        ([-91], [0], "south ends of bands must lie between -90 and 90 degrees; found -91.0 at position 0"),
        (
            [0, 0],
            [5, math.nan],
            "north ends of bands must lie between -90 and 90 degrees; found nan at position 1",
        ),
        ([0, 1], [5], "every band needs a south and a north end; found 2 and 1"),
    ],
)
def test_impossible_bands_are_named(south, north, words):
    with pytest.raises(ValueError, match=words):
        area_share(south, north)


# --- membership ------------------------------------------------------------------------------------------


def test_a_limit_belongs_to_the_band_north_of_it_and_the_pole_to_the_last_band():
    held = band_of([-90, -30, 30, 89.999, 90], [-90, -30, 30], [-30, 30, 90])
    wanted = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 0, 1], [0, 0, 1]]
    np.testing.assert_array_equal(held, np.array(wanted, dtype=bool))


def test_a_band_that_ends_short_of_the_pole_does_not_hold_it():
    np.testing.assert_array_equal(band_of([89, 90], [60, 60], [90, 89]), [[True, False], [True, False]])


@given(st.lists(latitudes, max_size=20), limits)
def test_bands_laid_end_to_end_hold_each_position_once(lat, ends):
    assert (band_of(lat, ends[:-1], ends[1:]).sum(axis=1) == 1).all()


def test_a_missing_latitude_is_an_error():
    with pytest.raises(ValueError, match="found nan at position 1"):
        band_of([1.0, math.nan], [-90], [90])


# --- time shares -----------------------------------------------------------------------------------------


def test_a_track_counts_in_each_band_by_its_time_there():
    # By hand: site 0 fixed at 12 S; site 1 a track, .25 at 40 N, .25 at 30 N, .4 at 5 N, .1 at 31 S.
    found = shares([40, -12, 30, 5, -31], [0.25, 1, 0.25, 0.4, 0.1], [1, 0, 1, 1, 1], 2, [-90, -30, 30], [-30, 30, 90])
    np.testing.assert_allclose(found, [[0, 1, 0], [0.1, 0.4, 0.5]], rtol=1e-15)


@given(
    st.lists(st.tuples(whole_latitudes, st.integers(1, 9), st.integers(0, 3)), min_size=1),
    st.randoms(),
    limits,
)
def test_shares_agree_with_plain_loops_and_do_not_depend_on_row_order(rows, random, ends):
    rows = rows + [(0.0, 1, site) for site in range(4)]
    totals = [sum(w for _, w, site in rows if site == k) for k in range(4)]

    def found(order):
        lat, weight, owner = zip(*[(a, w / totals[k], k) for a, w, k in order], strict=True)
        return shares(lat, weight, owner, 4, ends[:-1], ends[1:])

    wanted = np.zeros((4, len(ends) - 1))
    for lat, weight, site in rows:
        for band, (low, high) in enumerate(itertools.pairwise(ends)):
            if low <= lat < high or (lat == 90 == high):
                wanted[site, band] += weight / totals[site]
    result = found(rows)
    np.testing.assert_allclose(result, wanted, atol=1e-13)
    np.testing.assert_allclose(result.sum(axis=1), 1.0, atol=1e-13)
    shuffled = list(rows)
    random.shuffle(shuffled)
    np.testing.assert_array_equal(found(shuffled), result)


def test_no_sites_give_no_rows():
    assert shares([], [], [], 0, [-90, 0], [0, 90]).shape == (0, 2)


@pytest.mark.parametrize(
    ("lat", "weight", "owner", "words"),
    [
        ([0, 1], [0.5, 0.4], [0, 0], "site 0 sums to 0.9"),
        ([0], [1], [1], "rows 0 to 0"),
        ([0], [1.0], [-1], "rows 0 to 0"),
        ([0], [1], [0.5], "whole numbers"),
        ([0, 1], [1.5, -0.5], [0, 0], "from 0 to 1"),
        ([0], [math.nan], [0], "from 0 to 1"),
        ([0, 1], [1], [0], "found 2, 1 and 1"),
        ([], [], [], "site 0 sums to 0"),
    ],
)
def test_impossible_positions_are_named(lat, weight, owner, words):
    with pytest.raises(ValueError, match=words):
        shares(lat, weight, owner, 1, [-90], [90])


# --- gaps ------------------------------------------------------------------------------------------------


def test_without_positions_the_gap_is_the_whole_earth():
    assert gaps([]) == (Gap(-90.0, 90.0, 180.0),)


def test_gaps_of_a_small_set_by_hand():
    assert gaps([50, -10, 50]) == (Gap(-90.0, -10.0, 80.0), Gap(-10.0, 50.0, 60.0), Gap(50.0, 90.0, 40.0))


def test_equal_gaps_come_south_first_whatever_their_last_bit():
    # .3 - .2 is less than .2 - .1 in the last bit of double precision (IEEE 754).
    narrow = [gap for gap in gaps([-0.1, -0.2, -0.3]) if gap.width_deg < 1]
    assert [gap.from_lat for gap in narrow] == [-0.3, -0.2]
    assert narrow[0].width_deg < narrow[1].width_deg


def test_a_position_on_a_pole_leaves_no_gap_there():
    assert gaps([90.0, -90.0, 0.0]) == (Gap(-90.0, 0.0, 90.0), Gap(0.0, 90.0, 90.0))


@given(st.lists(whole_latitudes, max_size=25))
def test_gaps_agree_with_a_search_over_every_pair_of_ends(lat):
    ends = sorted({-90.0, 90.0, *lat})
    empty = [
        (low, high) for low, high in itertools.combinations(ends, 2) if not any(low < other < high for other in lat)
    ]
    found = gaps(lat)
    assert sorted((gap.from_lat, gap.to_lat) for gap in found) == sorted(empty)
    assert [gap.width_deg for gap in found] == sorted((high - low for low, high in empty), reverse=True)
    assert largest_gap(lat) == found[0]


@given(st.lists(latitudes, max_size=25))
def test_gaps_fill_the_way_from_pole_to_pole(lat):
    assert sum(gap.width_deg for gap in gaps(lat)) == pytest.approx(180.0, abs=1e-9)


@given(st.lists(latitudes, max_size=25), latitudes)
def test_one_more_position_never_widens_the_largest_gap(lat, more):
    assert largest_gap([*lat, more]).width_deg <= largest_gap(lat).width_deg


def test_gaps_refuse_a_missing_latitude():
    with pytest.raises(ValueError, match="latitudes must lie between -90 and 90 degrees; found nan"):
        gaps([0.0, math.nan])
