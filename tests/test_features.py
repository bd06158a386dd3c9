"""Reading of features: RFC 7946 (GeoJSON), OGC 12-128r19 (GeoPackage), EPSG Guidance Note 7-2."""

from __future__ import annotations

import json
import tempfile
import warnings
from datetime import date
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.region.faults import Findings
from siting.region.features import RawFeatures, read_features

KINDS = "Point, LineString, MultiLineString, Polygon or MultiPolygon"


def read(tmp_path: Path, content: object, name: str = "sites.geojson") -> tuple[RawFeatures | None, Findings]:
    path = tmp_path / name
    if content is not None:
        if not isinstance(content, bytes | str):
            content = json.dumps(content)
        path.write_bytes(content.encode("utf-8", "surrogatepass") if isinstance(content, str) else content)
    findings = Findings()
    return read_features(path, name, findings), findings


def sentences(findings: Findings) -> list[str]:
    return [fault.sentence() for fault in findings.ordered()]


def collection(*geometries: object, crs: str | None = None, properties: object = None) -> dict[str, object]:
    features = [{"type": "Feature", "properties": properties, "geometry": shape} for shape in geometries]
    named = {"crs": {"type": "name", "properties": {"name": crs}}} if crs else {}
    return {"type": "FeatureCollection", **named, "features": features}


def shape(kind: str, coordinates: object) -> dict[str, object]:
    return {"type": kind, "coordinates": coordinates}


# RFC 7946 appendix A
EXAMPLES = [
    ("Point", [100.0, 0.0], "POINT (100 0)"),
    ("LineString", [[100.0, 0.0], [101.0, 1.0]], "LINESTRING (100 0, 101 1)"),
    (
        "Polygon",
        [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]],
         [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]],
        "POLYGON ((100 0, 101 0, 101 1, 100 1, 100 0), (100.8 0.8, 100.8 0.2, 100.2 0.2, 100.2 0.8, 100.8 "
        "0.8))",
    ),
    (
        "MultiLineString",
        [[[100.0, 0.0], [101.0, 1.0]], [[102.0, 2.0], [103.0, 3.0]]],
        "MULTILINESTRING ((100 0, 101 1), (102 2, 103 3))",
    ),
    (
        "MultiPolygon",
        [[[[102.0, 2.0], [103.0, 2.0], [103.0, 3.0], [102.0, 3.0], [102.0, 2.0]]],
         [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]],
        "MULTIPOLYGON (((102 2, 103 2, 103 3, 102 3, 102 2)), ((100 0, 101 0, 101 1, 100 1, 100 0)))",
    ),
]  # fmt: skip


def test_the_examples_of_the_standard_are_read_and_nobody_is_blamed(tmp_path):
    raw, findings = read(tmp_path, collection(*[shape(kind, points) for kind, points, _ in EXAMPLES]))
    assert findings == Findings()
    assert raw is not None
    assert raw.numbers == (1, 2, 3, 4, 5)
    for found, (_, _, wkt) in zip(raw.geometries, EXAMPLES, strict=True):
        assert found is not None
        assert shapely.equals_identical(found, shapely.from_wkt(wkt))


def test_properties_become_cells_as_a_table_has_them(tmp_path):
    properties = {
        "ID": " a\u00a0", "Lead Months": 3, "x": 0.1, "ok": True, "no": False, "none": None, "list": [11,
         12, "b"],
    }  # fmt: skip
    raw, findings = read(tmp_path, collection(shape("Point", [1, 2]), properties=properties))
    assert findings == Findings()
    assert raw is not None
    assert raw.columns == ("id", "lead_months", "x", "ok", "no", "none", "list")
    assert raw.rows == (("a", "3", "0.1", "true", "false", "", "11, 12, b"),)


@settings(max_examples=50, deadline=None)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_reads_back_the_same(value):
    with tempfile.TemporaryDirectory() as folder:
        raw, _ = read(Path(folder), collection(shape("Point", [1, 2]), properties={"x": value}))
    assert raw is not None
    assert float(raw.rows[0][0]) == value


def test_columns_are_those_of_all_features_and_what_one_lacks_is_empty(tmp_path):
    content = collection(shape("Point", [1, 2]), shape("Point", [3, 4]))
    content["features"][0]["properties"] = {"a": 1}
    content["features"][1]["properties"] = {"b": 2}
    raw, findings = read(tmp_path, content)
    assert findings == Findings()
    assert raw is not None
    assert raw.columns == ("a", "b")
    assert raw.rows == (("1", ""), ("", "2"))


def test_the_id_beside_the_properties_counts_if_none_is_among_them(tmp_path):
    content = collection(shape("Point", [1, 2]))
    content["features"][0] |= {"id": "north", "properties": {"name": "n"}}
    raw, _ = read(tmp_path, content)
    assert raw is not None
    assert dict(zip(raw.columns, raw.rows[0], strict=True)) == {"id": "north", "name": "n"}
    content["features"][0]["properties"] = {"id": "own"}
    raw, _ = read(tmp_path, content)
    assert raw is not None
    assert (raw.columns, raw.rows) == (("id",), (("own",),))


@pytest.mark.parametrize(
    ("geometry", "said"),
    [
        (None, f"is missing or null; allowed: {KINDS}; mend: draw the geometry, or delete the feature"),
        (shape("Point", []), f"is empty; allowed: {KINDS}; mend: draw the geometry, or delete the feature"),
        (shape("Point", [1]), f"a position has fewer than 2 numbers; allowed: {KINDS}; mend: write [lon, "
                              f"lat]"),
        (shape("Point", ["1", 2]),
         f'a coordinate is not a number: "1"; allowed: {KINDS}; mend: write numbers without quotes'),
        (shape("Point", [12, 5, 45, 2]),
         f"a position has 4 numbers, perhaps for decimal commas; allowed: {KINDS}; mend: write [lon, lat] "
         f"with "
         "decimal points"),
        (shape("Point", [float("nan"), 2]),
         f"has a coordinate that is not a finite number; allowed: {KINDS}; mend: correct the coordinates"),
        (shape("MultiPoint", [[1, 2]]),
         f"is of a kind that cannot be used (found 'MultiPoint'); allowed: {KINDS}; mend: make a feature "
         f"of each part"),
        (shape("LineString", [[1, 2]]),
         f"a line has fewer than 2 points; allowed: {KINDS}; mend: draw the line, or make it a point"),
        (shape("LineString", [[1, 2], [1, 2, 9]]),
         "a line has fewer than 2 different points; mend: draw the line, or make it a point"),
        (shape("Polygon", [[[0, 0], [2, 2], [2, 0], [0, 2], [0, 0]]]),
         "the polygon crosses itself at 1, 1; mend: redraw the polygon, or repair it in a map program"),
        (shape("Polygon", [[[0, 0], [2, 0], [2, 2], [0, 2]]]),
         f"a ring of the polygon is not closed; allowed: {KINDS}; mend: repeat its first position at its "
         f"end"),
        (shape("Point", [-33.9, 151.2]),
         "latitude 151.2 is beyond 90; perhaps longitude and latitude are swapped (found '-33.9, 151.2'); "
         "allowed: "
         "longitude -180 to 180 (or 0 to 360), then latitude -90 to 90; mend: write the longitude first: "
         "[151.2, -33.9]"),
        (shape("Point", [-190, 5]),
         "longitude -190 is outside -180 to 360 (found '-190, 5'); allowed: longitude -180 to 180 (or 0 to "
         "360), "
         "then latitude -90 to 90; mend: write 170"),
        (shape("Point", [120, 95]),
         "latitude 95 is beyond 90 (found '120, 95'); allowed: longitude -180 to 180 (or 0 to 360), then "
         "latitude "
         "-90 to 90; mend: correct the coordinates"),
    ],
)  # fmt: skip
def test_a_bad_geometry_is_named_and_its_neighbours_are_not(tmp_path, geometry, said):
    good = shape("Point", [10, 20, 3000])
    raw, findings = read(tmp_path, collection(good, geometry, good, properties={"id": "a"}))
    assert sentences(findings) == [f"sites.geojson, row 2, geometry: {said}"]
    assert raw is not None
    assert raw.rows == (("a",),) * 3
    assert raw.geometries == (shapely.Point(10, 20), None, shapely.Point(10, 20))
    assert not raw.geometries[0].has_z


def test_all_bad_features_come_out_at_once(tmp_path):
    _, findings = read(tmp_path, collection(None, shape("Point", [1]), shape("Point", [0, 0]), shape("Point", [0, 99])))
    assert [fault.row for fault in findings.ordered()] == [1, 2, 4]


def test_longitudes_to_360_and_jumps_over_180_are_left_as_they_stand(tmp_path):
    line = [[179, 0], [-179, 0]]
    raw, findings = read(tmp_path, collection(shape("LineString", line), shape("Point", [200, 5])))
    assert not findings.faults
    assert [note.sentence() for note in findings.warnings] == [
        "sites.geojson, row 2, geometry: longitudes above 180 are read as degrees east of Greenwich, 0 to 360"
    ]
    assert raw is not None
    assert shapely.get_coordinates(raw.geometries).tolist() == [*line, [200, 5]]


# EPSG Guidance Note 7-2, Polar Stereographic variant A, worked example (WGS 84 / UPS North):
# 73 N, 44 E <-> easting 3320416.75 m, northing 632668.43 m (value from memory)
UPS = (3320416.75, 632668.43)


@pytest.mark.parametrize("named", ["EPSG:32661", "urn:ogc:def:crs:EPSG::5041"])
def test_another_reference_system_is_turned_to_degrees_with_a_warning(tmp_path, named):
    raw, findings = read(tmp_path, collection(shape("Point", [*UPS, 12.0]), crs=named))
    assert not findings.faults
    assert len(findings.warnings) == 1
    assert "was reprojected to WGS 84 longitude and latitude (EPSG:4326)" in findings.warnings[0].sentence()
    assert raw is not None
    lon, lat = shapely.get_coordinates(raw.geometries)[0]
    assert lon == pytest.approx(44.0, abs=1e-6)
    assert lat == pytest.approx(73.0, abs=1e-7)


@pytest.mark.parametrize("named", ["urn:ogc:def:crs:OGC:1.3:CRS84", "EPSG:4326", "urn:ogc:def:crs:EPSG::4326"])
def test_wgs84_by_any_of_its_names_is_no_reprojection(tmp_path, named):
    raw, findings = read(tmp_path, collection(shape("Point", [5, 46]), crs=named))
    assert findings == Findings()
    assert raw is not None
    assert raw.geometries == (shapely.Point(5, 46),)


def test_unknown_and_unfit_reference_systems_are_faults(tmp_path):
    def said(named: object) -> list[str]:
        content = collection(shape("Point", [5, 46]))
        return sentences(read(tmp_path, content | {"crs": named})[1])

    def name(text: str) -> object:
        return {"type": "name", "properties": {"name": text}}

    assert said(name("EPSG:999999")) == [
        "sites.geojson, crs: names a coordinate reference system that is not known (found 'EPSG:999999'); "
        "allowed: an "
        "EPSG code or its URN; mend: save the layer in WGS 84 (EPSG:4326)"
    ]
    assert "neither geographic nor projected" in said(name("EPSG:4978"))[0]
    assert said({"type": "link"})[0].startswith("sites.geojson, crs: does not name a coordinate reference system")
    assert said(None) == []


def test_metres_without_a_reference_system_are_one_fault(tmp_path):
    raw, findings = read(tmp_path, collection(shape("Point", UPS), shape("Point", UPS)))
    assert len(findings.faults) == 1
    assert (
        "row 1, geometry: has coordinates that cannot be degrees, and the file names no coordinate "
        "reference system" in findings.faults[0].sentence()
    )
    assert raw is not None
    assert raw.geometries == (None, None)


def test_a_point_that_its_projection_cannot_hold_is_a_fault(tmp_path):
    raw, findings = read(tmp_path, collection(shape("Point", [1e10, 0]), shape("Point", [5e5, 0]), crs="EPSG:32633"))
    assert len(findings.faults) == 1
    assert findings.faults[0].row == 1
    assert "WGS 84 / UTM zone 33N cannot place on the earth (found '10000000000, 0')" in sentences(findings)[0]
    assert raw is not None
    # the central meridian of zone 33 is 15 E, its false easting 500 km (EPSG Guidance Note 7-2)
    assert shapely.get_coordinates(raw.geometries[1])[0].tolist() == pytest.approx([15.0, 0.0], abs=1e-9)


def test_syntax_errors_name_line_column_and_mend(tmp_path):
    raw, findings = read(tmp_path, '{"type": "FeatureCollection",\n "features": [1,]}')
    assert raw is None
    assert len(findings.faults) == 1
    said = findings.faults[0].sentence()
    assert said.startswith("sites.geojson: is not valid JSON at line 2, column 1")
    assert said.endswith("allowed: a GeoJSON FeatureCollection; mend: delete the comma before the bracket")
    assert "the file ends too early" in sentences(read(tmp_path, '{"type": ')[1])[0]
    assert 'mend: write straight double quotes (")' in sentences(read(tmp_path, "{'type': 1}")[1])[0]


def test_other_json_is_named(tmp_path):
    def said(content: object) -> str:
        raw, findings = read(tmp_path, content)
        assert raw is None
        return sentences(findings)[0]

    wrap = 'mend: put it into {"type": "FeatureCollection", "features": [...]}'
    assert said(shape("Point", [1, 2])).endswith(wrap)
    assert "is not a FeatureCollection (found 'Topology')" in said({"type": "Topology"})
    assert "is not a FeatureCollection" in said([1])
    assert "the FeatureCollection has no list of features" in said({"type": "FeatureCollection"})
    assert said(collection()) == "sites.geojson: holds no features; mend: add features, or delete the file"
    assert "is nested too deeply" in said("[" * 100_000)


def test_objects_repeated_names_and_half_characters_in_properties_are_faults(tmp_path):
    raw, findings = read(
        tmp_path,
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": {"type": "Point", '
        '"coordinates": '
        '[1, 2]}, "properties": {"a": 1, "a": 2, "b": {"c": 1}, "d": [[1]], "e": "\\ud800", "lead months": '
        "1, "
        '"Lead_Months": 2, "fine": "x"}}]}',
    )
    assert [(fault.field, fault.problem) for fault in findings.ordered()] == [
        ("a", "two properties of the feature have this name"),
        ("b", "holds an object"),
        ("d", "holds a list of lists, objects or bytes"),
        ("e", "holds half a character or a NUL"),
        ("lead_months", "two properties of the feature have this name"),
    ]
    assert raw is not None
    assert raw.rows[0][raw.columns.index("fine")] == "x"


# --- GeoPackage -------------------------------------------------------------------------------------------


def frame(crs: object = 4326) -> gpd.GeoDataFrame:
    data = {
        "ID": ["a", "b"],
        "lead months": pd.array([3, None], dtype="Int64"),
        "x": [0.1, None],
        "ok": pd.array([True, None], dtype="boolean"),
        "since": [date(2027, 1, 2), None],
    }
    return gpd.GeoDataFrame(data, geometry=[shapely.Point(100, 5, 7), shapely.LineString([(0, 0), (1, 1)])], crs=crs)


def write(data: gpd.GeoDataFrame, path: Path, **more: object) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)
        data.to_file(path, driver="GPKG", **more)


def test_a_geopackage_gives_the_same_cells_as_a_table(tmp_path):
    write(frame(), tmp_path / "sites.gpkg")
    raw, findings = read(tmp_path, None, "sites.gpkg")
    assert findings == Findings()
    assert raw is not None
    assert raw.columns == ("id", "lead_months", "x", "ok", "since")
    assert raw.rows == (("a", "3", "0.1", "true", "2027-01-02"), ("b", "", "", "", ""))
    assert raw.geometries == (shapely.Point(100, 5), shapely.LineString([(0, 0), (1, 1)]))
    assert raw.numbers == (1, 2)


def test_a_geopackage_in_another_reference_system_is_reprojected(tmp_path):
    data = frame()[:1].set_geometry([shapely.Point(*UPS)]).set_crs(5041, allow_override=True)
    write(data, tmp_path / "sites.gpkg")
    raw, findings = read(tmp_path, None, "sites.gpkg")
    assert not findings.faults
    assert "was reprojected to WGS 84" in findings.warnings[0].problem
    assert raw is not None
    assert shapely.get_coordinates(raw.geometries)[0].tolist() == pytest.approx([44.0, 73.0], abs=1e-6)


def test_a_geopackage_without_a_reference_system_is_read_as_degrees_or_refused(tmp_path):
    write(frame(None), tmp_path / "sites.gpkg")
    assert read(tmp_path, None, "sites.gpkg")[1] == Findings()
    write(frame(None).set_geometry([shapely.Point(*UPS)] * 2), tmp_path / "metres.gpkg")
    assert "cannot be degrees" in sentences(read(tmp_path, None, "metres.gpkg")[1])[0]


def test_two_layers_with_features_are_a_fault_and_an_empty_one_is_not(tmp_path):
    path = tmp_path / "sites.gpkg"
    write(frame(), path, layer="ships")
    write(frame()[:0], path, layer="nothing")
    raw, findings = read(tmp_path, None, "sites.gpkg")
    assert findings == Findings()
    assert raw is not None
    write(frame(), path, layer="islets")
    assert sentences(read(tmp_path, None, "sites.gpkg")[1]) == [
        "sites.gpkg: has 2 layers with features (found 'islets, ships'); allowed: one layer with features; "
        "mend: keep "
        "one layer in the file and save the others elsewhere"
    ]


def test_a_missing_geometry_and_a_crossing_polygon_in_a_geopackage_are_named(tmp_path):
    bow = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    write(gpd.GeoDataFrame({"id": ["a", "b", "c"]}, geometry=[None, bow, shapely.Point(1, 2)], crs=4326),
          tmp_path / "sites.gpkg")  # fmt: skip
    raw, findings = read(tmp_path, None, "sites.gpkg")
    assert [(fault.row, fault.problem) for fault in findings.ordered()] == [
        (1, "is missing or damaged"),
        (2, "the polygon crosses itself at 1, 1"),
    ]
    assert raw is not None
    assert raw.geometries == (None, None, shapely.Point(1, 2))


def test_what_is_no_geopackage_is_said_so(tmp_path):
    assert sentences(read(tmp_path, b"junk", "a.gpkg")[1]) == [
        "a.gpkg: is not a GeoPackage; mend: save the layer again as GeoPackage or GeoJSON"
    ]
    said = sentences(read(tmp_path, b"SQLite format 3\x00junk", "b.gpkg")[1])[0]
    assert said.startswith("b.gpkg: cannot be read as a GeoPackage (")
    assert str(tmp_path) not in said
    assert "is no GeoJSON or GeoPackage file (found '.shp')" in sentences(read(tmp_path, b"x", "c.shp")[1])[0]
    assert "there is no such file" in sentences(read(tmp_path, None, "d.gpkg")[1])[0]


# --- anything -----------------------------------------------------------------------------------------------

_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=12,
)
_SHAPE = st.fixed_dictionaries(
    {"type": st.sampled_from(["Point", "LineString", "Polygon", "MultiLineString", "MultiPolygon", "x"])},
    optional={"coordinates": _JSON | st.lists(st.lists(st.lists(st.floats(), max_size=3), max_size=5), max_size=2)},
)
_FEATURE = st.fixed_dictionaries(
    {"type": st.just("Feature")}, optional={"id": _JSON, "properties": _JSON, "geometry": _SHAPE | _JSON}
)
_COLLECTION = st.fixed_dictionaries(
    {"type": st.just("FeatureCollection"), "features": st.lists(_FEATURE | _JSON, max_size=3)},
    optional={"crs": _JSON | st.fixed_dictionaries(
        {"type": st.just("name"),
         "properties": st.fixed_dictionaries({"name": st.text() | st.just("EPSG:3031")})})},
)  # fmt: skip


@settings(max_examples=250, deadline=None)
@given(st.binary() | st.text() | _JSON | _COLLECTION)
def test_no_content_whatever_makes_the_reader_of_geojson_fail(content):
    with tempfile.TemporaryDirectory() as folder:
        raw, findings = read(Path(folder), content)
    assert raw is not None or findings.faults
    if raw is not None:
        assert len(raw.rows) == len(raw.geometries) == len(raw.numbers)
        assert findings.faults or all(found is not None for found in raw.geometries)


@pytest.fixture(scope="module")
def package() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        write(frame(), Path(folder) / "a.gpkg")
        return (Path(folder) / "a.gpkg").read_bytes()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(16, 90_000), st.binary(min_size=1, max_size=200)), min_size=1, max_size=4))
def test_a_damaged_geopackage_gives_findings_not_an_exception(package, damages):
    content = bytearray(package)
    for place, damage in damages:
        content[place : place + len(damage)] = damage
    with tempfile.TemporaryDirectory() as folder:
        raw, findings = read(Path(folder), bytes(content), "a.gpkg")
    assert raw is not None or findings.faults
