"""GeoJSON as written, against RFC 7946 rule by rule, GDAL and shapely. All places are invented."""

import datetime
import json

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import (
    GeometryCollection,
    LineString,
    MultiLineString,
    MultiPoint,
    MultiPolygon,
    Point,
    Polygon,
    shape,
)

from siting.outputs.geojson import dumps, feature, feature_collection


def box(west, south, east, north):
    return [(west, south), (east, south), (east, north), (west, north)]


TRACK = LineString([(170, -10), (-170, 20)])
ACROSS = Polygon(box(160, -20, 200, 20))
HOLED = Polygon(box(160, -20, 200, 20), [box(170, -10, 190, 10)])
NORTH = Polygon([(0, 70), (90, 75), (180, 70), (-90, 65)])
SOUTH = Polygon([(10, -60), (-80, -65), (-170, -60), (100, -70)])
SHAPES = {
    "point": Point(-14.4, -8),
    "points": MultiPoint([(177, -17), (-178, -19)]),
    "track": TRACK,
    "tracks": MultiLineString([[(0, 0), (10, 5)], [(170, 0), (190, 5)]]),
    "across": ACROSS,
    "holed": HOLED,
    "north": NORTH,
    "south": SOUTH,
    "areas": MultiPolygon([Polygon(box(0, 0, 5, 5)), Polygon(box(175, 0, 185, 5))]),
    "nowhere": None,
}


def written(geometry):
    return feature(geometry, {}, "x")


def collection_text(shapes):
    return dumps(feature_collection(feature(g, {"n": i}, k) for i, (k, g) in enumerate(shapes.items())))


# --- against the strict reader and GDAL ------------------------------------------------------------


def test_a_collection_of_all_kinds_breaks_no_rule_of_the_standard(strict_geojson):
    assert strict_geojson(collection_text(SHAPES)) == []
    for geometry in SHAPES.values():
        assert strict_geojson(dumps(written(geometry))) == []


def test_gdal_reads_back_what_was_written(tmp_path):
    path = tmp_path / "network.geojson"
    path.write_text(collection_text(SHAPES), encoding="utf-8")
    frame = geopandas.read_file(path, engine="pyogrio").set_index("id")
    assert list(frame.index) == list(SHAPES)
    assert frame.crs.to_epsg() == 4326
    assert frame["n"].tolist() == list(range(len(SHAPES)))
    known = frame.geometry.dropna()
    assert known.is_valid.all()
    area = known.set_crs(None, allow_override=True).area
    # By hand: 40 x 40 square degrees, less 20 x 20, and caps of mean distance 20 and 26.25 degrees.
    assert area[["across", "holed", "north", "south", "areas"]].tolist() == pytest.approx(
        [1600, 1200, 360 * 20, 360 * 26.25, 75], rel=1e-9
    )
    assert known["track"].length == pytest.approx(np.hypot(20, 30))
    assert known["point"].equals(Point(-14.4, -8))


@pytest.mark.parametrize(
    ("geometry", "kind"),
    [
        (LineString([(0, 0), (1, 1)]), "LineString"),
        (TRACK, "MultiLineString"),
        (Polygon(box(0, 0, 1, 1)), "Polygon"),
        (ACROSS, "MultiPolygon"),
        (NORTH, "Polygon"),
        (MultiPoint([(0, 0)]), "MultiPoint"),
    ],
)
def test_only_what_crosses_180_becomes_a_multi_geometry(geometry, kind):
    assert written(geometry)["geometry"]["type"] == kind


def test_the_line_of_the_standard_comes_out_as_in_the_standard():
    # RFC 7946 section 3.1.9 (from memory).
    assert written(LineString([(170, 45), (-170, 45)]))["geometry"] == {
        "type": "MultiLineString",
        "coordinates": [[[170.0, 45.0], [180.0, 45.0]], [[-180.0, 45.0], [-170.0, 45.0]]],
    }


@pytest.mark.parametrize(
    ("geometry", "bbox"),
    [
        # RFC 7946 section 5.2: an archipelago astride 180, 16 to 20 S (from memory).
        (MultiPoint([(177, -20), (-178, -16)]), [177, -20, -178, -16]),
        (TRACK, [170, -10, -170, 20]),
        (HOLED, [160, -20, -160, 20]),
        # Section 5.3: a box with a pole in it goes all the way round.
        (NORTH, [-180, 65, 180, 90]),
        (SOUTH, [-180, -90, 180, -60]),
        (Point(17, -90), [-180, -90, 180, -90]),
        (Polygon(box(170, 0, 180, 5)), [170, 0, 180, 5]),
        (Point(190, 3), [-170, 3, -170, 3]),
    ],
)
def test_the_bbox_goes_from_southwest_to_northeast(geometry, bbox):
    assert written(geometry)["bbox"] == bbox


def test_the_bbox_of_a_collection_is_the_smallest_over_all_features():
    a, b = feature(Point(170, 5), {}, 1), feature(Point(-160, -5), {}, 2)
    assert feature_collection([a, b])["bbox"] == [170, -5, -160, 5]
    c = feature(Point(20, 0), {}, 3)
    assert feature_collection([a, c])["bbox"] == [20, 0, 170, 5]
    assert "bbox" not in feature_collection([feature(None, {}, 1)])
    assert feature_collection([]) == {"type": "FeatureCollection", "features": []}


def test_rings_follow_the_right_hand_rule_whichever_way_they_came():
    shell, hole = box(0, 0, 10, 10), box(2, 2, 4, 4)
    for s, h in ((shell, hole), (shell[::-1], hole[::-1])):
        outer, inner = written(Polygon(s, [h]))["geometry"]["coordinates"]
        assert shapely.is_ccw(shapely.LinearRing(outer))
        assert not shapely.is_ccw(shapely.LinearRing(inner))
        assert outer[0] == outer[-1]


def test_coordinates_have_six_decimals_and_no_negative_zero():
    line = written(LineString([(0.123456789, -0.00000001), (1, 1)]))["geometry"]["coordinates"]
    assert json.dumps(line) == "[[0.123457, 0.0], [1.0, 1.0]]"
    hand_made = {"type": "Point", "coordinates": [np.float64(-0.0000001), 1.00000049]}
    assert dumps(hand_made) == '{"type": "Point", "coordinates": [0.0, 1.0]}\n'


def test_properties_keep_their_digits():
    value = 0.1234567890123
    f = feature(Point(0, 0), {"bbox": [value], "coordinates": value}, 1)
    assert json.loads(dumps(feature_collection([f])))["features"][0]["properties"] == f["properties"]
    assert f["properties"] == {"bbox": [value], "coordinates": value}


def test_slivers_and_holes_too_small_to_write_are_left_out(strict_geojson):
    over = written(Polygon(box(170, 0, 180 + 1e-7, 5)))
    assert over["geometry"]["type"] == "MultiPolygon" or over["geometry"]["type"] == "Polygon"
    assert over["bbox"] == [170, 0, 180, 5]
    pricked = written(Polygon(box(0, 0, 5, 5), [box(1, 1, 1 + 1e-7, 1 + 1e-7)]))
    assert len(pricked["geometry"]["coordinates"]) == 1
    touch = written(LineString([(179, 0), (180 + 1e-8, 1)]))
    assert touch["geometry"]["type"] == "LineString"
    for f in (over, pricked, touch):
        assert strict_geojson(dumps(f)) == []


def test_edges_that_rounding_brings_together_part_the_polygon(strict_geojson):
    # The neck is a fifth of the last decimal wide; by hand: two triangles of 12.5 square degrees.
    f = written(Polygon([(0, 0), (10, 0), (10, 5), (5, 2e-7), (0, 5)]))
    assert [Polygon(*p).area for p in f["geometry"]["coordinates"]] == [12.5, 12.5]
    assert shape(f["geometry"]).is_valid
    assert strict_geojson(dumps(f)) == []


def test_parts_that_overlap_are_joined():
    f = written(MultiPolygon([Polygon(box(0, 0, 5, 5)), Polygon(box(3, 0, 8, 5))]))
    assert shape(f["geometry"]).is_valid
    assert shape(f["geometry"]).area == 40


def test_numpy_values_and_dates_become_plain_json():
    f = feature(
        Point(0, 0),
        {
            "a": np.float32(0.5),
            "b": np.int64(3),
            "c": np.bool_(True),
            "d": np.array([1.5, 2.5]),
            "e": None,
            "f": np.str_("mid-ocean islet Ø"),
            "g": [np.int8(1), {"h": (np.float64(2),)}],
            "i": datetime.date(2030, 1, 31),
        },
        np.int64(7),
    )
    text = dumps(f)
    assert "mid-ocean islet Ø" in text
    assert json.loads(text)["id"] == 7
    assert json.loads(text)["properties"] == {
        "a": 0.5,
        "b": 3,
        "c": True,
        "d": [1.5, 2.5],
        "e": None,
        "f": "mid-ocean islet Ø",
        "g": [1, {"h": [2.0]}],
        "i": "2030-01-31",
    }


@pytest.mark.parametrize("wrong", [float("nan"), np.float64("nan"), float("inf"), np.array([1, np.nan])])
def test_a_number_that_json_lacks_raises_and_names_its_property(wrong):
    with pytest.raises(ValueError, match=r"feature 'x', worth holds (nan|inf).*give None"):
        feature(Point(0, 0), {"worth": wrong}, "x")


@pytest.mark.parametrize(
    ("properties", "feature_id", "words"),
    [
        ({"a": {1}}, "x", "type set"),
        ({"a": "\ud800"}, "x", "UTF-8"),
        ({1: "a"}, "x", "names must be text"),
        ({}, None, "text or a whole number"),
        ({}, True, "text or a whole number"),
        ({}, 1.5, "text or a whole number"),
    ],
)
def test_properties_and_ids_that_json_lacks_raise(properties, feature_id, words):
    with pytest.raises(ValueError, match=words):
        feature(Point(0, 0), properties, feature_id)


@pytest.mark.parametrize(
    ("geometry", "words"),
    [
        (Point(), "the Point is empty"),
        (GeometryCollection([Point(0, 0)]), "must be one of"),
        ("POINT (0 0)", "must be one of"),
        (Point(0, 91), "-90 to 90"),
        (Point(400, 0), "0 to 360"),
        (LineString([(0, 0), (1e-8, 0)]), "give a point"),
        (Polygon(box(0, 0, 1e-7, 1e-7)), "feature 'x': "),
        (Polygon(box(0.1, 0.1, 0.1 + 1e-5, 0.1 + 1e-7)), "feature 'x': "),
        (Polygon([(0, 0), (5, 5), (5, 0), (0, 5)]), "feature 'x': the outer ring is not a plain ring"),
    ],
)
def test_geometry_that_cannot_be_written_raises(geometry, words):
    with pytest.raises(ValueError, match=words):
        feature(geometry, {}, "x")


def test_two_features_of_one_id_raise():
    with pytest.raises(ValueError, match="two features have the id 'a'"):
        feature_collection([feature(None, {}, "a"), feature(None, {}, "a")])
    assert len(feature_collection([feature(None, {}, "1"), feature(None, {}, 1)])["features"]) == 2


def test_dumps_refuses_numbers_that_are_not_finite():
    with pytest.raises(ValueError, match="nan"):
        dumps({"type": "Point", "coordinates": [float("nan"), 0.0]})


def test_same_input_gives_the_same_bytes_a_line_for_each_feature():
    text = collection_text(SHAPES)
    assert text == collection_text(SHAPES)
    lines = text.splitlines()
    assert len(lines) == len(SHAPES) + 2
    assert all(line.startswith('{"type": "Feature"') for line in lines[1:-1])
    assert json.loads(text)["type"] == "FeatureCollection"
    assert json.loads(dumps(feature_collection([])))["features"] == []


# --- properties ------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(-180, 360), st.floats(-90, 90)), min_size=2, max_size=15))
def test_any_line_is_written_by_the_rules_and_keeps_its_length(strict_geojson, line):
    xy = np.round(np.array(line), 3)
    dx = np.diff(xy[:, 0])
    dx = dx - 360 * np.round(dx / 360)
    length = np.hypot(dx, np.diff(xy[:, 1])).sum()
    if length < 1e-3:
        return
    f = written(LineString(xy))
    assert strict_geojson(dumps(f)) == []
    assert shape(f["geometry"]).length == pytest.approx(length, rel=1e-6, abs=1e-5)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.floats(0.1, 1), min_size=3, max_size=10),
    st.floats(-180, 180),
    st.floats(-40, 40),
    st.floats(0.01, 85),
    st.booleans(),
)
def test_any_polygon_is_written_by_the_rules_and_keeps_its_area(strict_geojson, reach, lon, lat, size, holed):
    angle = 2 * np.pi * (np.arange(len(reach)) + 0.25) / len(reach)
    x = lon + size * np.array(reach) * np.cos(angle)
    y = lat + size * 0.55 * np.array(reach) * np.sin(angle)
    rings = [np.column_stack([x, y])]
    if holed and len(reach) > 3:
        rings.append(np.array([lon, lat]) + 0.3 * (rings[0] - [lon, lat]))
    plane = Polygon(rings[0], rings[1:])
    wrapped = [np.column_stack([(r[:, 0] + 180) % 360 - 180, r[:, 1]]) for r in rings]
    f = written(Polygon(wrapped[0], wrapped[1:]))
    assert strict_geojson(dumps(f)) == []
    found = shape(f["geometry"])
    assert found.is_valid
    # Rounding to six decimals moves each edge by half of 1e-6 at most.
    assert found.area == pytest.approx(plane.area, rel=1e-6, abs=1e-6 * plane.length)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.floats(15, 89.5), min_size=3, max_size=12), st.floats(-180, 180), st.sampled_from([1, -1]))
def test_any_ring_round_a_pole_is_written_by_the_rules(strict_geojson, lat, start, hemisphere):
    lon = (start + np.arange(len(lat)) * 360 / len(lat) + 180) % 360 - 180
    f = written(Polygon(np.column_stack([lon, hemisphere * np.array(lat)])))
    assert strict_geojson(dumps(f)) == []
    assert shape(f["geometry"]).is_valid
    assert shape(f["geometry"]).area == pytest.approx(360 * (90 - np.mean(lat)), rel=1e-6)
    assert f["bbox"][::2] == [-180, 180]
    assert 90 * hemisphere in f["bbox"]


# --- the strict reader itself ------------------------------------------------------------

GOOD = {"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 9], [0, 9], [0, 0]]]}
HOLE = [[1, 1], [1, 2], [2, 2], [2, 1], [1, 1]]


def as_feature(geometry, **more):
    return {"type": "Feature", "geometry": geometry, "properties": None, **more}


def as_collection(*features, **more):
    return {"type": "FeatureCollection", "features": list(features), **more}


def line(*lonlat):
    return {"type": "LineString", "coordinates": [list(p) for p in lonlat]}


POINT = {"type": "Point", "coordinates": [10, 5]}
CAP = {
    "type": "Polygon",
    "coordinates": [[[-180, 60], [0, 60], [180, 60], [180, 90], [0, 90], [-180, 90], [-180, 60]]],
}


@pytest.mark.parametrize(
    "good",
    [
        GOOD,
        {"type": "Polygon", "coordinates": [GOOD["coordinates"][0], HOLE]},
        POINT | {"bbox": [10, 5, 10, 5]},
        POINT | {"title": "foreign members are allowed (section 6.1)"},
        as_feature(None, id=3),
        as_collection(),
        as_collection(as_feature(CAP, bbox=[-180, 60, 180, 90]), bbox=[-180, 60, 180, 90]),
        as_collection(as_feature(line((170, 0), (180, 1))), as_feature(line((-180, 1), (-170, 2)))),
        as_collection(
            as_feature(line((170, 0), (180, 1)), id="a"),
            as_feature(line((-180, 1), (-170, 2)), id="b"),
            bbox=[170, 0, -170, 2],
        ),
        {"type": "GeometryCollection", "geometries": [POINT, GOOD]},
    ],
)
def test_the_strict_reader_passes_good_text(strict_geojson, good):
    assert strict_geojson(json.dumps(good)) == []


@pytest.mark.parametrize(
    ("broken", "section"),
    [
        ({"type": "Topic"}, "section 3:"),
        ({"type": "point", "coordinates": [0, 0]}, "section 3:"),
        ({"type": "Point"}, "section 3.1:"),
        ({"type": "LineString", "coordinates": [0, 0]}, "section 3.1:"),
        ({"type": "Point", "coordinates": [0]}, "section 3.1.1"),
        ({"type": "Point", "coordinates": ["0", 0]}, "section 3.1.1"),
        ({"type": "Point", "coordinates": [0, 0, 0, 0]}, "section 3.1.1"),
        (line((0, 0)), "section 3.1.4"),
        ({"type": "Polygon", "coordinates": []}, "section 3.1.6"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [0, 0]]]}, "four positions"),
        ({"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 9], [0, 9]]]}, "closed"),
        ({"type": "Polygon", "coordinates": [GOOD["coordinates"][0][::-1]]}, "exterior ring runs counter"),
        (
            {"type": "Polygon", "coordinates": [GOOD["coordinates"][0], HOLE[::-1]]},
            "interior ring runs clock",
        ),
        (
            {"type": "GeometryCollection", "geometries": [{"type": "GeometryCollection", "geometries": []}]},
            "section 3.1.8",
        ),
        (line((170, 0), (-170, 0)), "section 3.1.9"),
        (
            {"type": "MultiPolygon", "coordinates": [[[[-179, 0], [179, 0], [0, 9], [-179, 0]]]]},
            "section 3.1.9",
        ),
        ({"type": "Feature", "geometry": None}, "section 3.2"),
        ({"type": "Feature", "properties": None}, "section 3.2"),
        (as_feature(POINT, id=True), "section 3.2"),
        (as_feature(as_feature(POINT)), "section 3.2"),
        (as_collection(as_feature(POINT, id=1), as_feature(POINT, id=1)), "occurs twice"),
        ({"type": "FeatureCollection"}, "section 3.3"),
        (as_collection(POINT), "section 3.3"),
        (as_collection(crs={"type": "name", "properties": {}}), "section 4"),
        ({"type": "Point", "coordinates": [10, 95]}, "section 4"),
        ({"type": "Point", "coordinates": [190, 5]}, "section 4"),
        (POINT | {"bbox": [10, 5]}, "section 5:"),
        (POINT | {"bbox": [10, 10, 5, 5]}, "section 5:"),
        (POINT | {"bbox": [5, 10, 5, 10]}, "section 5:"),
        (POINT | {"bbox": [10, 5, 10, 6]}, "section 5:"),
        (POINT | {"bbox": [11, 5, 12, 5]}, "section 5:"),
        (POINT | {"bbox": [0, 5, 12, 5]}, "section 5.2"),
        (
            as_collection(
                as_feature(line((170, 0), (180, 1))),
                as_feature(line((-180, 1), (-170, 2))),
                bbox=[-180, 0, 180, 2],
            ),
            "section 5.2",
        ),
        (
            as_collection(
                as_feature(line((170, 0), (180, 1))),
                as_feature(line((-180, 1), (-170, 2))),
                bbox=[-170, 0, 170, 2],
            ),
            "section 5:",
        ),
        (POINT | {"coordinates": [10, 90], "bbox": [10, 90, 10, 90]}, "section 5.3"),
        (as_feature(CAP, bbox=[-180, 60, 180, 89]), "section 5:"),
        (POINT | {"properties": {}}, "section 7.1"),
        (as_feature(POINT, coordinates=[0, 0]), "section 7.1"),
        (as_collection(geometry=None), "section 7.1"),
    ],
)
def test_the_strict_reader_names_the_rule_that_is_broken(strict_geojson, broken, section):
    found = strict_geojson(json.dumps(broken))
    assert found
    assert all(section in f for f in found)


@pytest.mark.parametrize(
    "text",
    [
        "[1, 2]",
        '{"type": "Point", "coordinates": [NaN, 0]}',
        '{"type": "Point", "type": "Point", "coordinates": [0, 0]}',
        '{"type": "Point", "coordinates": [0, 0]',
        '\ufeff{"type": "Point", "coordinates": [0, 0]}',
    ],
)
def test_the_strict_reader_rejects_what_is_no_json_object(strict_geojson, text):
    assert len(strict_geojson(text)) == 1


def test_what_gdal_writes_by_default_is_caught(strict_geojson, tmp_path):
    # The reason for a writer of our own: an older GeoJSON with a crs member, and the line left uncut.
    path = tmp_path / "plain.geojson"
    frame = geopandas.GeoDataFrame({"id": ["a"]}, geometry=[TRACK], crs="EPSG:4326")
    frame.to_file(path, driver="GeoJSON", engine="pyogrio")
    found = " ".join(strict_geojson(path.read_text(encoding="utf-8")))
    assert "section 4" in found
    assert "section 3.1.9" in found
