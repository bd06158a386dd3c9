"""Fetch over water and distance to the coast: hand sums, an independent count, and properties."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from shapely import box

from siting.geography.coast import coast_of
from siting.geography.fetch import fetch

GEOD = Geod(ellps="WGS84")


def test_the_fetch_to_a_straight_meridian_coast_is_the_geodesic_along_the_equator() -> None:
    coast = coast_of([box(10, -30, 40, 30)])
    found = fetch(coast, [0.0], [0.0], rays=1)
    assert found.km[0, 4] == pytest.approx(6378.137 * np.radians(10.0), abs=0.01)
    assert found.km[0, 12] == 2000.0


def test_a_ray_walked_step_by_step_meets_land_where_the_fetch_says() -> None:
    rng = np.random.default_rng(3)
    lands = [box(x, y, x + 3, y + 2) for x, y in [(3, 1), (-6, -4), (0, 5), (5, -6), (-9, 3)]]
    whole = shapely.union_all(lands)
    coast = coast_of(lands)
    lat, lon = rng.uniform(-8, 8, 12), rng.uniform(-10, 10, 12)
    found = fetch(coast, lat, lon, sectors=8, rays=1, limit_km=800.0, islet_km2=0.0)
    steps = np.arange(1.0, 800.0)
    for i in range(12):
        for sector in range(8):
            on, at, _ = GEOD.fwd(
                np.full(steps.size, lon[i]),
                np.full(steps.size, lat[i]),
                np.full(steps.size, sector * 45.0),
                steps * 1e3,
            )
            wet = ~shapely.contains_xy(whole, on, at)
            walked = 800.0 if wet.all() else float(steps[np.argmin(wet)])
            if found.on_land[i]:
                continue
            assert found.km[i, sector] == pytest.approx(walked, abs=1.1 + 0.006 * walked)


def test_in_the_middle_of_a_continent_there_is_no_fetch() -> None:
    assert np.all(fetch(coast_of([box(0, 0, 40, 40)]), [20.0], [20.0]).km == 0.0)


def test_a_station_half_a_kilometre_inland_sees_the_sea_on_one_side() -> None:
    coast = coast_of([box(0, -20, 20, 20)])
    found = fetch(coast, [0.0], [0.0045], rays=1)
    assert found.on_land[0]
    assert found.km[0, 12] == 2000.0
    assert found.km[0, 4] == 0.0


def test_a_small_island_of_its_own_does_not_shelter_a_station_but_a_large_one_does() -> None:
    small, large = box(0, 0, 0.1, 0.1), box(0, 0, 1, 1)
    assert np.all(fetch(coast_of([small]), [0.05], [0.05]).km == 2000.0)
    assert fetch(coast_of([small]), [0.05], [0.05]).islet[0]
    assert np.all(fetch(coast_of([large]), [0.5], [0.5]).km == 0.0)


def test_an_islet_smaller_than_the_way_between_rays_at_its_distance_ends_the_rays_that_meet_it() -> None:
    coast = coast_of([box(1.0, -0.01, 1.02, 0.01)])
    found = fetch(coast, [0.0], [0.0], rays=5)
    assert found.rays_km[0, 4, 2] == pytest.approx(111.32, abs=0.1)
    assert found.km[0, 4] == 2000.0


def test_fetch_reaches_over_180_degrees_without_a_coast_at_the_seam() -> None:
    coast = coast_of([box(170, -5, 180, 5), box(-180, -5, -170, 5)])
    west, east = fetch(coast, [0.0, 0.0], [160.0, -160.0], rays=1).km
    assert west[4] == pytest.approx(6378.137 * np.radians(10.0), abs=0.01)
    assert east[12] == pytest.approx(west[4], abs=1e-6)
    assert fetch(coast, [0.0], [180.0]).km.max() == 0.0


def test_at_a_pole_land_all_round_stops_every_ray_at_the_same_distance() -> None:
    ring = shapely.Polygon(
        shapely.box(-180, 60, 180, 80).exterior.coords,
    )
    found = fetch(coast_of([ring]), [90.0], [0.0])
    way = GEOD.inv(0.0, 90.0, 0.0, 80.0)[2] / 1000.0
    np.testing.assert_allclose(found.km, way, rtol=1e-4)
    south = fetch(coast_of([box(-180, -90, 180, -80)]), [-90.0], [12.0])
    assert np.all(south.km == 0.0)


def test_the_distance_to_the_coast_is_the_least_geodesic_to_it_from_either_side() -> None:
    coast = coast_of([box(0, -40, 20, 40)])
    found = coast.distance_km(np.array([0.0, 0.0, 0.0]), np.array([-5.0, 5.0, 0.0]))
    np.testing.assert_allclose(found, [556.597, 556.597, 0.0], atol=0.01)
    assert coast.on_land(np.array([0.0, 0.0]), np.array([-5.0, 365.0])).tolist() == [False, True]


@settings(max_examples=25, deadline=None)
@given(st.floats(-160.0, 160.0), st.floats(-60.0, 60.0), st.integers(1, 3))
def test_turning_the_earth_about_its_axis_changes_no_fetch(turn: float, lat: float, rays: int) -> None:
    lands = [(2.0, lat - 3.0, 9.0, lat + 4.0), (-8.0, lat - 8.0, -4.0, lat + 1.0)]
    here = fetch(coast_of([box(*land) for land in lands]), [lat], [0.0], rays=rays).km
    moved = [((a + turn, b, c + turn, d)) for a, b, c, d in lands]
    if any(abs(a) > 180.0 or abs(c) > 180.0 for a, _, c, _ in moved):
        return
    there = fetch(coast_of([box(*land) for land in moved]), [lat], [turn], rays=rays).km
    np.testing.assert_allclose(there, here, atol=0.5)


@settings(max_examples=25, deadline=None)
@given(st.floats(-70.0, 70.0), st.floats(-20.0, 20.0))
def test_more_land_never_lengthens_a_fetch(lat: float, lon: float) -> None:
    one = box(5, -10, 9, 10)
    two = box(-15, 20, -3, 33)
    few = fetch(coast_of([one]), [lat], [lon], islet_km2=0.0)
    more = fetch(coast_of([one, two]), [lat], [lon], islet_km2=0.0)
    assert np.all(more.rays_km <= few.rays_km + 1e-9)


def test_wrong_questions_are_refused_with_what_is_allowed() -> None:
    coast = coast_of([box(0, 0, 1, 1)])
    with pytest.raises(ValueError, match="above 0"):
        fetch(coast, [0.0], [0.0], limit_km=0.0)
    with pytest.raises(ValueError, match="at least one"):
        fetch(coast, [0.0], [0.0], sectors=0)
    with pytest.raises(ValueError, match="valid"):
        coast_of([shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])])
    with pytest.raises(ValueError, match="finite"):
        fetch(coast, [np.nan], [0.0])
