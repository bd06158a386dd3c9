"""Positions along tracks and over areas, against closed forms, brute-force walks and known means."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from pyproj import Geod
from shapely.geometry import (
    GeometryCollection,
    LineString,
    MultiLineString,
    MultiPoint,
    MultiPolygon,
    Point,
    Polygon,
)

from siting.geography.tracks import MOST_POSITIONS, positions

GEOD = Geod(ellps="WGS84")


def steps_km(found):
    return GEOD.inv(found.lon[:-1], found.lat[:-1], found.lon[1:], found.lat[1:])[2] / 1000


def test_a_point_stands_for_itself():
    found = positions(Point(190, -14))
    assert (found.lat.tolist(), found.lon.tolist(), found.weight.tolist()) == ([-14], [-170], [1])
    assert positions(Point(180, 5, 300)).lon.tolist() == [180]


def test_a_meridian_is_divided_into_equal_lengths_on_the_ellipsoid():
    # 0 to 90 N is 10,001.966 km (WGS 84, from memory): 101 pieces of 99.03 km, each at its middle.
    found = positions(LineString([(30, 0), (30, 90)]), step_km=100)
    assert found.lat.size == 101
    assert_allclose(steps_km(found), 10001.9657 / 101, atol=1e-3)
    from_equator = GEOD.inv(30, 0, 30, found.lat[0])[2] / 1000
    assert from_equator == pytest.approx(10001.9657 / 202, abs=1e-3)
    assert_allclose(found.weight, 1 / 101)


def test_a_parallel_is_divided_into_equal_arcs():
    found = positions(LineString([(-20, 60), (60, 60)]), step_km=250)
    # N cos(lat) times 80 degrees at 60 N: radius of curvature in the prime vertical, WGS 84.
    e2, phi = 0.00669437999014, math.radians(60)
    length = 6378.137 / math.sqrt(1 - e2 * math.sin(phi) ** 2) * math.cos(phi) * math.radians(80)
    n = math.ceil(length / 250)
    assert_allclose(found.lon, -20 + 80 * (np.arange(n) + 0.5) / n, atol=1e-9)
    assert_allclose(found.lat, 60, atol=1e-12)


@pytest.mark.parametrize("lon", [-170, 190])
def test_a_track_across_180_goes_the_short_way(lon):
    found = positions(LineString([(170, 0), (lon, 0)]), step_km=200)
    assert found.lat.size == math.ceil(20 * 111.3195 / 200)
    assert np.abs(found.lon).min() > 170
    assert np.abs(found.lon).max() <= 180
    assert_allclose(steps_km(found), 20 * 111.3195 / 12, rtol=1e-5)


def test_a_track_cut_at_180_has_the_positions_of_the_uncut_one():
    whole = positions(LineString([(170, -10), (-160, 20)]))
    cut = positions(MultiLineString([[(170, -10), (180, 0)], [(-180, 0), (-160, 20)]]))
    assert_allclose(cut.lat, whole.lat, atol=1e-6)
    assert_allclose(cut.lon, whole.lon, atol=1e-6)


def test_parts_are_sailed_in_order_and_gaps_are_not():
    found = positions(MultiLineString([[(0, 0), (10, 0)], [(50, 0), (60, 0)]]), step_km=111.3195 * 2.5)
    assert_allclose(found.lon, [1.25, 3.75, 6.25, 8.75, 51.25, 53.75, 56.25, 58.75], atol=1e-6)


def test_a_short_track_has_two_positions_and_a_long_one_no_more_than_the_limit():
    short = positions(LineString([(0, 0), (0.1, 0)]))
    assert_allclose(short.lon, [0.025, 0.075], atol=1e-9)
    long = positions(LineString([(0, 0), (90, 0), (180, 0), (-90, 0), (0, 0)]), step_km=10)
    assert long.lat.size == MOST_POSITIONS == 400
    assert_allclose(steps_km(long), 40075.0167 / 400, rtol=1e-6)


def test_a_vertex_on_the_pole_is_passed():
    found = positions(LineString([(0, 88), (0, 90), (120, 90), (120, 88)]), step_km=60)
    # 2 x 2 degrees of 111.694 km (from memory): 8 pieces; turning on the pole takes no time.
    assert found.lat.size == 8
    assert_allclose(found.lat, found.lat[::-1], atol=1e-6)
    assert_allclose(found.lon, [0] * 4 + [120] * 4, atol=1e-9)


def test_heights_are_ignored_and_positions_read_only():
    a = positions(LineString([(0, 0, 5), (9, 9, 10)]))
    b = positions(LineString([(0, 0), (9, 9)]))
    assert_allclose(a.lat, b.lat)
    with pytest.raises(ValueError, match="read-only"):
        a.lat[0] = 1


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-180, 180), st.floats(-85, 85)), min_size=2, max_size=6),
    st.floats(20, 3000),
)
def test_positions_are_evenly_spaced_along_a_walk_of_tiny_steps(line, step):
    # Brute force: walk each edge in 2,000 tiny straight steps and read off where each share of the length is.
    lon, lat, s = [], [], [0.0]
    for (x0, y0), (x1, y1) in pairwise(line):
        x1 = x0 + (x1 - x0 + 180) % 360 - 180 if abs(x1 - x0) > 180 else x1
        t = np.linspace(0, 1, 2001)
        lon += list(x0 + t * (x1 - x0))
        lat += list(y0 + t * (y1 - y0))
    lon, lat = np.array(lon), np.array(lat)
    d = GEOD.inv(lon[:-1], lat[:-1], lon[1:], lat[1:])[2] / 1000
    s = np.concatenate([[0], np.cumsum(d)])
    if s[-1] < 1:
        return
    found = positions(LineString(line), step_km=step)
    n = found.lat.size
    assert found.weight.sum() == pytest.approx(1)
    assert n in (2, 400) or s[-1] / n <= step * (1 + 1e-6)
    nearest = np.minimum(np.searchsorted(s, (np.arange(n) + 0.5) / n * s[-1]), lon.size - 1)
    off = GEOD.inv(found.lon, found.lat, lon[nearest], lat[nearest])[2] / 1000
    assert off.max() <= d.max() + 1e-4 * s[-1]


# --- areas ------------------------------------------------------------------------------------------------


def box(west, south, east, north):
    return Polygon([(west, south), (east, south), (east, north), (west, north)])


def mean(found, values):
    return float(found.weight @ values)


def test_a_small_area_is_its_middle():
    found = positions(box(10, 50, 10.2, 50.1))
    assert found.weight.tolist() == [1]
    assert_allclose([found.lon[0], found.lat[0]], [10.1, 50.05], atol=1e-3)


def test_a_small_bent_area_has_its_position_inside():
    # A narrow angle, whose middle lies outside it.
    bent = Polygon([(0, 0), (0.5, 0), (0.5, 0.02), (0.02, 0.02), (0.02, 0.5), (0, 0.5)])
    assert not bent.contains(bent.centroid)
    found = positions(bent)
    assert found.weight.tolist() == [1]
    assert bent.contains(Point(found.lon[0], found.lat[0]))


def test_a_small_area_across_180_is_its_middle_too():
    for polygon in (
        box(179.9, 0, 180.3, 0.1),
        Polygon([(179.9, 0), (-179.7, 0), (-179.7, 0.1), (179.9, 0.1)]),
        MultiPolygon([box(179.9, 0, 180, 0.1), box(-180, 0, -179.7, 0.1)]),
    ):
        found = positions(polygon)
        assert found.weight.tolist() == [1]
        assert_allclose([found.lon[0], found.lat[0]], [-179.9, 0.05], atol=1e-6)


def test_positions_lie_inside_and_sample_the_area_evenly():
    # Of a box, the mean of sin(latitude) is (sin n + sin s)/2, since the sphere's area goes with it.
    polygon = box(-30, 20, 40, 70)
    found = positions(polygon, step_km=400)
    assert shapely.contains_xy(polygon, found.lon, found.lat).all()
    expected = (math.sin(math.radians(70)) + math.sin(math.radians(20))) / 2
    assert mean(found, np.sin(np.radians(found.lat))) == pytest.approx(expected, abs=1e-5)
    assert mean(found, found.lon) == pytest.approx(5, abs=1e-6)
    # Cells of 400 km: about as many as the area holds.
    area = 6371.0088**2 * math.radians(70) * (math.sin(math.radians(70)) - math.sin(math.radians(20)))
    assert found.lat.size == pytest.approx(area / 400**2, rel=0.1)
    assert found.weight.max() / found.weight.min() < 1.6


@pytest.mark.parametrize("sign", [1, -1])
def test_a_cap_round_a_pole_is_sampled_all_round(sign):
    found = positions(Polygon([(x, sign * 70) for x in (10, 100, -170, -80)]), step_km=300)
    assert (sign * found.lat > 70).all()
    # Mean sine over a cap: half way between sin 70 and 1; the mean direction lies on the axis.
    expected = (1 + math.sin(math.radians(70))) / 2
    assert mean(found, np.sin(np.radians(sign * found.lat))) == pytest.approx(expected, abs=1e-5)
    for part in (np.cos, np.sin):
        assert abs(mean(found, np.cos(np.radians(found.lat)) * part(np.radians(found.lon)))) < 0.005


def test_a_small_cap_has_positions_on_all_sides_of_its_pole():
    found = positions(Polygon([(x, 89.8) for x in (10, 100, -170, -80)]))
    assert found.lon.tolist() == pytest.approx([-135, -45, 45, 135])
    assert found.weight.tolist() == pytest.approx([0.25] * 4)
    assert (found.lat > 89.8).all()


def test_an_area_across_180_has_the_positions_of_its_copy_elsewhere():
    shape = np.array([(-25, -10), (25, -20), (20, 15), (0, 0), (-10, 30)], float)
    here = positions(Polygon(shape))
    across = positions(Polygon(np.column_stack([(shape[:, 0] + 360) % 360 - 180, shape[:, 1]])))
    assert across.lat.size == here.lat.size
    order = [np.lexsort((np.round(p.lat, 6), np.round((p.lon + s) % 360, 6))) for p, s in ((here, 90), (across, 270))]
    assert_allclose(across.lat[order[1]], here.lat[order[0]], atol=1e-6)
    # The cut adds vertices, so curved edges are followed a little differently.
    assert_allclose(across.weight[order[1]], here.weight[order[0]], rtol=1e-5)


def test_a_hole_holds_no_position_and_a_bent_area_none_outside():
    ring = Polygon(Point(0, 0).buffer(20).exterior, [Point(0, 0).buffer(15).exterior])
    found = positions(ring, step_km=500)
    assert shapely.contains_xy(ring, found.lon, found.lat).all()
    assert mean(found, found.lon) == pytest.approx(0, abs=0.05)


def test_parts_count_by_their_area():
    found = positions(MultiPolygon([box(0, 0, 10, 10), box(50, -10, 80, 0)]))
    assert found.weight[found.lon > 40].sum() == pytest.approx(0.75, abs=1e-6)


def test_the_whole_earth_is_sampled_within_the_limit():
    world = [(-180, -90), (-90, -90), (0, -90), (90, -90), (180, -90)]
    found = positions(Polygon(world + [(x, 90) for x, _ in world[::-1]]))
    assert 300 <= found.lat.size <= 400
    assert mean(found, np.sin(np.radians(found.lat))) == pytest.approx(0, abs=1e-9)
    # The mean of sin squared over the sphere is a third.
    assert mean(found, np.sin(np.radians(found.lat)) ** 2) == pytest.approx(1 / 3, abs=0.005)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.floats(0.2, 1), min_size=3, max_size=9),
    st.floats(-180, 180),
    st.floats(-50, 50),
    st.floats(1, 35),
)
def test_every_position_of_any_area_lies_inside(reach, lon, lat, size):
    angle = 2 * np.pi * np.arange(len(reach)) / len(reach)
    x, y = lon + size * np.array(reach) * np.cos(angle), lat + size * np.array(reach) * np.sin(angle)
    plane = Polygon(np.column_stack([x, y]))
    found = positions(Polygon(np.column_stack([(x + 180) % 360 - 180, y])), step_km=300)
    assert 1 <= found.lat.size <= 400
    assert found.weight.min() > 0
    assert found.weight.sum() == pytest.approx(1)
    grown = plane.buffer(1e-6)
    turns = [shapely.contains_xy(grown, found.lon + t, found.lat) for t in (-360, 0, 360)]
    assert np.any(turns, axis=0).all()


@pytest.mark.parametrize(
    ("geometry", "words"),
    [
        (Point(), "the Point is empty"),
        (LineString(), "the LineString is empty"),
        (MultiPolygon(), "the MultiPolygon is empty"),
        (MultiPoint([(0, 0)]), "must be a Point, LineString"),
        (GeometryCollection([Point(0, 0)]), "must be a Point, LineString"),
        (None, "found None"),
        (Point(0, 91), "-90 to 90"),
        (LineString([(5, 5), (5, 5)]), "no length"),
        (LineString([(180, 5), (-180, 5)]), "no length"),
        (LineString([(0, 0), (0, 95)]), "-90 to 90"),
        (LineString([(0, 0), (np.inf, 5)]), "longitudes must be finite"),
        (Polygon([(0, 0), (10, 10), (10, 0), (0, 10)]), "not a plain ring"),
        (Polygon([(0, 0), (10, 10), (20, 20)]), "outer ring"),
    ],
)
def test_geometry_that_is_none_raises(geometry, words):
    with pytest.raises(ValueError, match=words):
        positions(geometry)


@pytest.mark.parametrize("step", [0, -5, math.nan, math.inf])
def test_a_step_that_is_none_raises(step):
    with pytest.raises(ValueError, match="step_km must be"):
        positions(Point(0, 0), step_km=step)
