"""Cutting at 180 degrees, against the examples of RFC 7946, shoelace areas and point-in-polygon counts."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from shapely.geometry import MultiPolygon, Point, Polygon

from siting.geography.antimeridian import cut_line, cut_polygon, longitude_span, unwrap_longitudes, winding


def joined(parts):
    """Return the cut parts as one valid geometry, after checking what every cut must keep."""
    for shell, holes in parts:
        for ring in [shell, *holes]:
            assert np.abs(ring[:, 0]).max() <= 180
            assert np.abs(ring[:, 1]).max() <= 90
            assert np.abs(np.diff(ring[:, 0])).max() <= 180
            assert (ring[0] == ring[-1]).all()
        assert shapely.is_ccw(shapely.LinearRing(shell))
        assert not any(shapely.is_ccw(shapely.LinearRing(h)) for h in holes)
    area = MultiPolygon([Polygon(s, h) for s, h in parts])
    assert area.is_valid
    return area


def same(parts, expected, tolerance=1e-9):
    return joined(parts).symmetric_difference(expected).area < tolerance


def box(west, south, east, north):
    return [(west, south), (east, south), (east, north), (west, north)]


# --- unwrapping -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("given_", "expected"),
    [
        ([170, -170, -160], [170, 190, 200]),
        ([-170, 170], [-170, -190]),
        ([350, 10, 20], [350, 370, 380]),
        # Twice round: the turns add up.
        ([0, 120, -120, 0, 120, -120, 0], [0, 120, 240, 360, 480, 600, 720]),
        # Half a turn goes as the numbers spell it.
        ([-90, 90, -90], [-90, 90, -90]),
        ([180, -180], [180, 180]),
        ([5], [5]),
        ([], []),
    ],
)
def test_consecutive_longitudes_join_the_short_way(given_, expected):
    assert unwrap_longitudes(given_).tolist() == expected


@given(st.lists(st.floats(-180, 360), min_size=2, max_size=30))
def test_unwrapped_steps_are_short_and_end_on_the_same_meridians(lon):
    found = unwrap_longitudes(lon)
    assert np.abs(np.diff(found)).max() <= 180 + 1e-9
    turns = (found - lon) / 360
    assert_allclose(turns, np.round(turns), atol=1e-12)


@pytest.mark.parametrize(
    ("lon", "expected"),
    [
        ([0, 90, 180, -90], 1),
        ([0, 90, 180, 270, 360], 1),
        ([0, -90, 180, 90, 0], -1),
        ([170, -170, -170, 170], 0),
        ([-180, 0, 180, 180, 0, -180], 0),
        ([], 0),
    ],
)
def test_a_ring_round_the_axis_is_told_from_one_that_is_not(lon, expected):
    assert winding(lon) == expected


def test_a_ring_twice_round_raises():
    with pytest.raises(ValueError, match="more than once"):
        winding([0, 120, 240] * 2)


# --- spans ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("intervals", "expected"),
    [
        # RFC 7946 section 5.2: an archipelago on both sides of 180.
        ([(177, 180), (-180, -178)], (177, -178)),
        ([(177, 177), (-178, -178)], (177, -178)),
        ([(10, 20), (15, 40)], (10, 40)),
        ([(-180, 180), (0, 10)], (-180, 180)),
        ([(170, 180)], (170, 180)),
        ([(-180, -170)], (-180, -170)),
        ([(-180, -20), (-30, 180)], (-180, 180)),
        # Equally short: the one that does not cross 180.
        ([(-90, -90), (90, 90)], (-90, 90)),
    ],
)
def test_the_shortest_arc_covers_all_intervals(intervals, expected):
    assert longitude_span(intervals) == expected


@given(st.lists(st.tuples(st.floats(-180, 180), st.floats(-180, 180)), min_size=1, max_size=8))
def test_no_arc_from_any_start_is_shorter(ends):
    intervals = [tuple(sorted(e)) for e in ends]
    west, east = longitude_span(intervals)
    width = (east - west) if west <= east else east - west + 360

    def needed(start):
        return max((a - start) % 360 + (b - a) for a, b in intervals)

    assert width <= min(360, *(needed(a) for a, _ in intervals)) + 1e-6
    for a, b in intervals:
        assert (west <= a and b <= east) if west <= east else (a >= west or b <= east)


@pytest.mark.parametrize(
    ("intervals", "words"), [([], "at least one"), ([(10, 5)], "west not above"), ([(0, 181)], "within -180")]
)
def test_intervals_that_make_no_sense_raise(intervals, words):
    with pytest.raises(ValueError, match=words):
        longitude_span(np.reshape(intervals, (-1, 2)))


# --- lines ------------------------------------------------------------------------------------------------


def test_the_line_of_the_standard_is_cut_in_two():
    # RFC 7946 section 3.1.9, first example (from memory).
    east, west = cut_line([(170, 45), (-170, 45)])
    assert east.tolist() == [[170, 45], [180, 45]]
    assert west.tolist() == [[-180, 45], [-170, 45]]


@pytest.mark.parametrize("lon", [-170, 190])
def test_the_latitude_of_a_cut_is_interpolated_along_the_short_way(lon):
    # 10 of 20 degrees on: by hand, half way from 0 to 10; 2 of 12 from the other start.
    assert [p.tolist() for p in cut_line([(170, 0), (lon, 10)])] == [
        [[170, 0], [180, 5]],
        [[-180, 5], [-170, 10]],
    ]
    assert cut_line([(178, 0), (lon, 12)])[0][-1].tolist() == [180, 2]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        # Touches 180 and turns back: no cut.
        ([(170, 0), (180, 1), (170, 2)], [[(170, 0), (180, 1), (170, 2)]]),
        # A vertex on the meridian, written with either sign, is the place of the cut.
        ([(170, 0), (180, 1), (-170, 2)], [[(170, 0), (180, 1)], [(-180, 1), (-170, 2)]]),
        ([(170, 0), (-180, 1), (-170, 2)], [[(170, 0), (180, 1)], [(-180, 1), (-170, 2)]]),
        # Already cut by hand.
        ([(170, 0), (180, 1), (-180, 1), (-170, 2)], [[(170, 0), (180, 1)], [(-180, 1), (-170, 2)]]),
        # Starts on the meridian: no part without length.
        ([(180, 0), (-170, 2)], [[(-180, 0), (-170, 2)]]),
        ([(-180, 0), (170, 2)], [[(180, 0), (170, 2)]]),
        ([(-170, 0), (180, 2)], [[(-170, 0), (-180, 2)]]),
        # Along the meridian: stays with the part before, or the first that leaves.
        ([(170, 0), (180, 0), (180, 9), (-170, 9)], [[(170, 0), (180, 0), (180, 9)], [(-180, 9), (-170, 9)]]),
        ([(180, 0), (180, 9), (-170, 9)], [[(-180, 0), (-180, 9), (-170, 9)]]),
        ([(180, 0), (180, 9)], [[(180, 0), (180, 9)]]),
        ([(-180, 0), (-180, 9)], [[(-180, 0), (-180, 9)]]),
        # Repeated positions vanish.
        ([(1, 1), (1, 1), (2, 2)], [[(1, 1), (2, 2)]]),
    ],
)
def test_lines_on_the_meridian_are_cut_only_where_they_cross(line, expected):
    found = cut_line(line)
    assert [[tuple(v) for v in p] for p in found] == expected


def test_a_line_three_times_round_is_cut_at_each_crossing():
    lon = (np.arange(0, 3 * 360 + 1, 90) + 180) % 360 - 180
    parts = cut_line(np.column_stack([lon, np.linspace(-60, 60, lon.size)]))
    assert [p[0, 0] for p in parts] == [0, -180, -180, -180]
    assert [p[-1, 0] for p in parts] == [180, 180, 180, 0]
    assert parts[1][0, 1] == pytest.approx(-40)


vertices = st.tuples(st.floats(-180, 360), st.floats(-90, 90))


@settings(max_examples=300)
@given(st.lists(vertices, min_size=2, max_size=20))
def test_cutting_a_line_keeps_its_length_and_its_order(line):
    xy = np.array(line)
    x = unwrap_longitudes(xy[:, 0])
    length = np.hypot(np.diff(x), np.diff(xy[:, 1])).sum()
    if length == 0:
        with pytest.raises(ValueError, match="two different positions"):
            cut_line(line)
        return
    parts = cut_line(line)
    found = sum(np.hypot(*np.diff(p, axis=0).T).sum() for p in parts)
    assert found == pytest.approx(length, rel=1e-9, abs=1e-9)
    for part in parts:
        assert len(part) >= 2
        assert np.abs(part[:, 0]).max() <= 180 + 1e-9
        assert (np.diff(part, axis=0) != 0).any(axis=1).all()
    for before, after in pairwise(parts):
        assert before[-1, 0] == -after[0, 0]
        assert abs(before[-1, 0]) == 180
        assert before[-1, 1] == after[0, 1]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ([(0, 0)], "two positions"),
        ([(180, 5), (-180, 5)], "two different positions"),
        ([(0, np.nan), (1, 1)], "latitudes must be finite"),
        ([(np.inf, 0), (1, 1)], "longitudes must be finite"),
        ([(0, 0), (400, 1)], "0 to 360"),
        ([(0, 0), (1, 95)], "-90 to 90"),
        ([(0, 0, 3), (1, 95, 3)], "rows of longitude and latitude"),
    ],
)
def test_lines_that_are_none_raise(line, words):
    with pytest.raises(ValueError, match=words):
        cut_line(line)


# --- polygons ---------------------------------------------------------------------------------------------


def test_the_polygon_of_the_standard_is_cut_in_two():
    # RFC 7946 section 3.1.9, second example (from memory).
    parts = cut_polygon([(170, 40), (-170, 40), (-170, 50), (170, 50), (170, 40)])
    expected = MultiPolygon([Polygon(box(170, 40, 180, 50)), Polygon(box(-180, 40, -170, 50))])
    assert len(parts) == 2
    assert joined(parts).normalize() == expected.normalize()


@pytest.mark.parametrize("step", [1, -1])
@pytest.mark.parametrize("start", [0, 2])
def test_neither_start_nor_direction_nor_turn_of_a_ring_matters(step, start):
    ring = np.roll(np.array(box(170, -40, 190, 50), dtype=float), start, axis=0)[::step]
    signed = np.where(ring > 180, ring - 360, ring)
    expected = MultiPolygon([Polygon(box(170, -40, 180, 50)), Polygon(box(-180, -40, -170, 50))])
    assert same(cut_polygon(ring), expected)
    assert same(cut_polygon(signed), expected)


def test_a_polygon_that_stays_on_one_side_is_left_alone():
    for ring in (box(10, 0, 20, 5), box(170, 0, 180, 5), box(-180, 0, -170, 5)):
        parts = cut_polygon(ring)
        assert len(parts) == 1
        assert joined(parts).normalize() == MultiPolygon([Polygon(ring)]).normalize()


def test_a_hole_across_180_becomes_a_notch_in_both_parts():
    parts = cut_polygon(box(160, -20, 200, 20), [box(170, -10, 190, 10)])
    # By hand: each half is 20 x 40 less 10 x 20.
    assert [Polygon(*p).area for p in parts] == [600, 600]
    assert all(not holes for _, holes in parts)
    assert not joined(parts).intersects(Point(-175, 0))


def test_a_hole_written_with_the_other_sign_is_found():
    found = cut_polygon(box(160, -20, 200, 20), [box(-170, -10, -165, 10)])
    assert [len(holes) for _, holes in found] == [1, 0]
    assert joined(found).area == 1600 - 100


@pytest.mark.parametrize(("lat", "pole"), [(-60, -90), (75, 90)])
def test_a_ring_round_a_pole_is_closed_along_180_and_the_pole(lat, pole):
    ring = [(20, lat), (110, lat), (-160, lat), (-70, lat)]
    expected = shapely.box(-180, min(lat, pole), 180, max(lat, pole))
    for way in (ring, ring[::-1], [(x % 360, y) for x, y in ring]):
        parts = cut_polygon(way)
        assert len(parts) == 1
        assert same(parts, expected)


def test_the_pole_is_the_one_nearer_to_the_mean_latitude_over_longitude():
    # Many vertices at 10 N on a short stretch, the long way round at 5 S: the mean over longitude is south.
    crowded = [(x, 10) for x in range(0, 40)] + [(60, -5), (150, -5), (-120, -5), (-30, -5)]
    assert joined(cut_polygon(crowded)).covers(Point(100, -89))


def test_a_ring_along_the_equator_does_not_tell_its_pole():
    with pytest.raises(ValueError, match="which pole"):
        cut_polygon([(0, 0), (120, 0), (-120, 0)])


def test_a_band_between_two_parallels_is_cut_at_180_once():
    ring = [(0, -10), (120, -10), (-120, -10)]
    hole = [(0, 10), (-120, 10), (120, 10)]
    assert same(cut_polygon(ring, [hole]), shapely.box(-180, -10, 180, 10))
    assert same(cut_polygon(hole, [ring]), shapely.box(-180, -10, 180, 10))
    # The hole on the far side from the nearer pole.
    outer, inner = ([(x, y) for x in (0, 100, -160, -60)] for y in (60, 30))
    assert same(cut_polygon(outer, [inner]), shapely.box(-180, 30, 180, 60))
    assert same(cut_polygon(inner, [outer]), shapely.box(-180, 30, 180, 60))


def test_a_polar_ring_drawn_for_a_flat_map_is_read_as_one_round_the_pole():
    # Closed along 180 to the pole and back, as flat maps have it.
    flat = [(-180, -90), (-180, -80), (-90, -70), (0, -70), (90, -70), (180, -80), (180, -90)]
    assert same(cut_polygon(flat), Polygon(flat))
    # The same on a map that begins at 0.
    flat = [(0, -90), (0, -80), (90, -70), (180, -70), (270, -70), (360, -80), (360, -90)]
    west = shapely.transform(Polygon(flat), lambda c: c - [360, 0])
    expected = shapely.union(Polygon(flat), west).intersection(shapely.box(-180, -90, 180, 90))
    assert same(cut_polygon(flat), expected)


def test_no_edge_along_a_pole_leaves_its_way_open():
    ((shell, _),) = cut_polygon([(20, 70), (110, 70), (-160, 70), (-70, 70)])
    # Half a turn can be read either way; a quarter cannot.
    assert np.abs(np.diff(shell[:, 0])).max() == 90
    ((band, _),) = cut_polygon([(-180, 30), (0, 30), (180, 30), (180, 60), (0, 60), (-180, 60)])
    assert np.abs(np.diff(band[:, 0])).max() == 90


def test_a_polar_ring_that_wanders_back_across_180_keeps_its_tongue():
    # Crosses 180 three times; the area north of it by hand: trapezoids under the unwrapped path.
    ring = np.array([(0, 60), (90, 60), (170, 60), (200, 70), (200, 75), (170, 80), (190, 85), (280, 60)], float)
    x = np.append(ring[:, 0], 360)
    y = np.append(ring[:, 1], 60)
    by_hand = np.sum((90 - (y[1:] + y[:-1]) / 2) * np.diff(x))
    found = joined(cut_polygon(ring))
    assert found.area == pytest.approx(by_hand, abs=1e-9)
    # At 185 E the path passes 65, 77.5 and 83.75 N, at 175 E 61.7, 79.2 and 81.25 N: inside, outside, inside.
    assert [found.covers(Point(-175, y)) for y in (64, 70, 80, 85)] == [False, True, False, True]
    assert [found.covers(Point(175, y)) for y in (61, 70, 80, 82)] == [False, True, False, True]


def test_a_spiral_of_more_than_one_turn_is_laid_into_one_world():
    turns = np.linspace(0, 900, 21)
    ring = np.vstack([np.column_stack([turns, turns / 15]), np.column_stack([turns[::-1], turns[::-1] / 15 + 5])])
    ring[:, 0] = (ring[:, 0] + 180) % 360 - 180
    found = joined(cut_polygon(ring))
    assert found.area == pytest.approx(900 * 5)
    # At 0 E after no, one and two turns: from 0, 24 and 48 N, each 5 degrees high.
    inside = [found.covers(Point(0, y)) for y in (2, 15, 26, 40, 50, 60)]
    assert inside == [True, False, True, False, True, False]


@st.composite
def star_rings(draw):
    """Rings seen whole from their middle, up to 340 degrees wide, anywhere, some with a hole."""
    n = draw(st.integers(3, 12))
    middle = (draw(st.floats(-180, 180)), draw(st.floats(-40, 40)))
    reach = np.array([draw(st.floats(0.2, 1)) for _ in range(n)])
    angle = 2 * np.pi * (np.arange(n) + draw(st.floats(0, 0.9))) / n
    width, height = draw(st.floats(1, 85)), draw(st.floats(1, 49))
    x, y = middle[0] + width * reach * np.cos(angle), middle[1] + height * reach * np.sin(angle)
    ring = np.column_stack([x, y])
    hole = middle + 0.3 * (ring - middle) if draw(st.booleans()) and n > 3 else None
    return ring, hole


@settings(max_examples=150, deadline=None)
@given(star_rings(), st.integers(0, 2**32 - 1))
def test_cutting_a_polygon_keeps_its_area_and_its_points(rings, seed):
    ring, hole = rings
    holes = [] if hole is None else [hole]
    plane = Polygon(ring, holes)
    wrapped = [np.column_stack([(r[:, 0] + 180) % 360 - 180, r[:, 1]]) for r in (ring, *holes)]
    found = joined(cut_polygon(wrapped[0], wrapped[1:]))
    assert found.area == pytest.approx(plane.area, rel=1e-6)
    # A place is inside if it or one of its copies a turn away is inside the uncut polygon.
    rng = np.random.default_rng(seed)
    lon, lat = rng.uniform(-180, 180, 60), rng.uniform(-89, 89, 60)
    points = [shapely.points(lon + turn, lat) for turn in (-360, 0, 360)]
    expected = np.any([shapely.contains(plane, p) for p in points], axis=0)
    clear = np.min([shapely.distance(plane.boundary, p) for p in points], axis=0) > 1e-6
    assert (shapely.contains(found, points[1]) == expected)[clear].all()


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.floats(20, 85), min_size=3, max_size=15),
    st.floats(-180, 180),
    st.sampled_from([1, -1]),
)
def test_the_cap_poleward_of_a_ring_keeps_its_area(lat, start, hemisphere):
    lat = hemisphere * np.array(lat)
    lon = start + np.arange(lat.size) * 360 / lat.size
    ring = np.column_stack([(lon + 180) % 360 - 180, lat])
    # Evenly spaced vertices: the trapezoids add up to 360 times the mean distance from the pole.
    by_hand = 360 * np.mean(90 - np.abs(lat))
    assert joined(cut_polygon(ring)).area == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize(
    ("shell", "holes", "words"),
    [
        ([(0, 0), (1, 1)], [], "three different positions"),
        # From -180 to 180 is no way at all; such a box needs vertices between.
        (box(-180, 60, 180, 80), [], "at most 179 degrees"),
        ([(0, 0), (1, 1), (2, 2)], [], "outer ring"),
        ([(170, 0), (-170, 10), (-170, 0), (170, 10)], [], "not a plain ring"),
        ([(0, 0), (1, np.nan), (1, 1)], [], "finite"),
        ([(0, 0), (10, 0), (10, 95)], [], "-90 to 90"),
        (box(0, 0, 10, 10), [box(20, 0, 30, 10)], "leaves the outer ring"),
        (box(0, 0, 10, 10), [[(0, 80), (120, 80), (-120, 80)]], "leaves the outer ring"),
        ([(0, 0), (90, 9), (-90, 9)], [[(0, 50), (120, 50), (-120, 50)]] * 2, "two holes"),
    ],
)
def test_polygons_that_are_none_raise(shell, holes, words):
    with pytest.raises(ValueError, match=words):
        cut_polygon(shell, holes)


def test_a_box_of_all_longitudes_with_vertices_between_is_kept():
    band = [(-180, 30), (0, 30), (180, 30), (180, 60), (0, 60), (-180, 60)]
    assert same(cut_polygon(band), shapely.box(-180, 30, 180, 60))
    assert math.isclose(joined(cut_polygon(band)).area, 360 * 30)
