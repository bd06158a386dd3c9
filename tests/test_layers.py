"""The GeoJSON layers of a layout: strict RFC 7946, readable by GDAL, true to the assessment, safe with hostile names.

RFC 7946 (August 2016) is checked by the reader in rfc7946.py, which shares nothing with the writer; GDAL (through
pyogrio and geopandas) is the general reference reader.
"""

import csv
import dataclasses
import html.parser
import importlib.util
import io
import json
import math
from pathlib import Path
from xml.etree import ElementTree

import geopandas
import numpy as np
import pytest
import shapely
from pyproj import Geod

from siting import api
from siting.assessment.layout import assess_layout
from siting.outputs import layers, tables
from siting.outputs.run import layout_files
from siting.planning import plan_region
from siting.region import read_region
from siting.region.layouts import GivenLayout, read_layout
from siting.region.schema.tables import LayoutRow

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

REGIONS = Path(__file__).parents[1] / "regions"
LAYERS = ("network.geojson", "candidates.geojson", "bands.geojson")

# A ship track across 180 degrees, a mooring, a polar site, sites at both sides of 180: all in the invented demo.
FARWINDS = {
    "longhaul": "weekly-flask",
    "sundrift": "weekly-flask",
    "vrandholm": "analyzer-and-flask",
    "rimelok": "weekly-flask",
    "fenuasina": "analyzer",
    "hirunagi": "weekly-flask",
}
SMALLSEA = {"maroth": "analyzer", "pellarne": "flask", "quillas": "flask"}


@pytest.fixture(scope="module", params=["farwinds", "smallsea"])
def judged(request):
    region = read_region(REGIONS / request.param)
    wanted = FARWINDS if request.param == "farwinds" else SMALLSEA
    year = region.settings.first_year
    rows = tuple(LayoutRow(id=i, plan=p, start_year=str(year)) for i, p in sorted(wanted.items()))
    result = api.assess(region, GivenLayout("hand made", rows))
    return result.planning, result.assessment, layout_files(result.planning, result.assessment, None)


def members(text):
    return {f["id"]: f for f in json.loads(text)["features"]}


def read_by_gdal(text, tmp_path):
    path = tmp_path / "layer.geojson"
    path.write_text(text, encoding="utf-8")
    return geopandas.read_file(path)


@pytest.mark.parametrize("name", LAYERS)
def test_a_strict_reader_of_rfc_7946_finds_nothing(judged, strict_geojson, name):
    assert strict_geojson(judged[2][name]) == []


@pytest.mark.parametrize("name", LAYERS)
def test_gdal_reads_the_same_ids_in_the_same_order_with_valid_geometry(judged, tmp_path, name):
    frame = read_by_gdal(judged[2][name], tmp_path)
    key = "band" if name == "bands.geojson" else "id"
    assert frame[key].tolist() == list(members(judged[2][name]))
    assert frame.crs.to_epsg() == 4326
    assert frame.geometry.is_valid.all()
    assert not frame.geometry.is_empty.any()


def test_the_layers_hold_exactly_the_sites_they_are_named_for(judged):
    planning, assessment, files = judged
    c = planning.region.candidates
    assert list(members(files["candidates.geojson"])) == list(c.ids)
    running = {i for i, status in zip(c.ids, c.status, strict=True) if status == "running"}
    assert set(members(files["network.geojson"])) == {p.id for p in assessment.picks} | running
    assert list(members(files["bands.geojson"])) == [row.band for row in assessment.coverage.bands]


@pytest.mark.parametrize("judged", ["farwinds"], indirect=True)
def test_a_ship_track_is_cut_in_two_at_180_and_keeps_its_length(judged, tmp_path):
    planning, _, files = judged
    c = planning.region.candidates
    for name in ("network.geojson", "candidates.geojson"):
        shape = members(files[name])["longhaul"]["geometry"]
        assert shape["type"] == "MultiLineString"
        west, east = (np.array(part) for part in shape["coordinates"])
        assert west[-1][0] == -180.0
        assert east[0][0] == 180.0
        assert west[-1][1] == east[0][1]
        frame = read_by_gdal(files[name], tmp_path).set_index("id")
        cut = frame.geometry["longhaul"]
        # PROJ's geodesics, on the cut line and on the line of the input (joined the short way across 180).
        raw = shapely.get_coordinates(c.geometry[c.index("longhaul")])
        geod = Geod(ellps="WGS84")
        assert geod.geometry_length(cut) == pytest.approx(geod.line_length(raw[:, 0], raw[:, 1]), rel=2e-5)


def test_the_properties_of_picks_agree_with_the_assessment(judged, tmp_path):
    planning, assessment, files = judged
    frame = read_by_gdal(files["network.geojson"], tmp_path).set_index("id")
    for pick in assessment.picks:
        row = frame.loc[pick.id]
        assert (row["role"], row["plan"], row["kind"]) == ("picked", pick.plan, pick.kind)
        assert row["start_year"] == pick.start_year
        assert row["first_month"] == f"{pick.first_month[0]}-{pick.first_month[1]:02d}"
        assert row["score"] == pytest.approx(pick.score, abs=1e-6)
        assert row["worth"] == pytest.approx(pick.worth, abs=1e-6)
        assert round(100 * row["cost_total"]) == sum(pick.cost_by_year)
        assert (row["flasks_at_peak"], row["samples_per_year"]) == (pick.flasks, pick.laboratory)
        # The score is the weighted sum of its parts, from what the file alone says.
        weights = planning.region.settings.score.weights
        parts = ("exposure", "contamination", "clean_samples", "data_return", "host")
        total = 100 * sum(getattr(weights, part) * row[f"{part}_value"] for part in parts)
        assert row["score"] == pytest.approx(total, abs=1e-3)
        if planning.region.candidates.geometry[planning.region.candidates.index(pick.id)].geom_type == "Point":
            assert (row.geometry.x, row.geometry.y) == pytest.approx((pick.lon, pick.lat), abs=1e-6)


def test_every_feature_of_the_network_has_the_same_properties(judged):
    shown = [tuple(f["properties"]) for f in members(judged[2]["network.geojson"]).values()]
    assert len(set(shown)) == 1


def test_running_stations_are_told_from_picks(judged):
    planning, _, files = judged
    c = planning.region.candidates
    for i, status in enumerate(c.status):
        if status == "running":
            shown = members(files["network.geojson"])[c.ids[i]]["properties"]
            assert shown["role"] == "running"
            assert shown["already_running"] is True
            assert shown["plan"] is None
            assert shown["running_since"] == c.running_since[i]
            assert shown["running_plan"] in {plan.id for plan in planning.region.settings.plans}


def test_candidates_carry_attributes_origin_and_the_reason_why_one_is_not_offered(judged):
    planning, assessment, files = judged
    region, c = planning.region, planning.region.candidates
    shown = {i: f["properties"] for i, f in members(files["candidates.geojson"]).items()}
    picked = {p.id for p in assessment.picks}
    assert {i for i, p in shown.items() if p["picked"]} == picked
    for i, candidate in enumerate(c.ids):
        properties = shown[candidate]
        assert properties["elevation_m"] == c.elevation_m[i]
        assert properties["exposure"] == pytest.approx(region.mean_exposure()[i], abs=1e-6)
        assert properties["status"] == c.status[i]
        assert set(properties["origin"].values()) <= {"given", "derived", "assumed", "defaulted"}
        if properties["score"] is None:
            assert properties["not_offered"] or c.status[i] == "running"
        else:
            assert 0.0 <= properties["score"] <= 100.0
    left = {x.candidate for x in planning.deployments.left_out}
    assert left <= {i for i, p in shown.items() if p["not_offered"]}


def test_the_best_deployment_of_a_candidate_has_the_greatest_worth(judged):
    planning = judged[0]
    d = planning.deployments
    for i, k in layers.best_deployments(planning).items():
        assert d.candidate[k] == i
        assert d.worth[k] == max(d.worth[d.candidate == i])


def test_band_polygons_cover_the_sphere_once(judged, tmp_path):
    frame = read_by_gdal(judged[2]["bands.geojson"], tmp_path)
    world = shapely.box(-180, -90, 180, 90)
    union = shapely.union_all(frame.geometry.values)
    assert union.symmetric_difference(world).area == pytest.approx(0.0, abs=1e-9)
    assert shapely.area(frame.geometry.values).sum() == pytest.approx(360 * 180, abs=1e-6)
    assert frame["area_share"].sum() == pytest.approx(1.0, abs=1e-8)
    # Archimedes' hat-box theorem: the area between two parallels is 2 pi R^2 (sin north - sin south).
    for _, row in frame.iterrows():
        share = (math.sin(math.radians(row["north"])) - math.sin(math.radians(row["south"]))) / 2
        assert row["area_share"] == pytest.approx(share, abs=1e-8)
        assert row.geometry.bounds == (-180.0, row["south"], 180.0, row["north"])


def test_the_equal_area_size_of_a_band_polygon_is_its_share_of_the_earth(judged, tmp_path):
    # PROJ's Lambert cylindrical equal-area projection of a sphere, the earth that the shares are of.
    frame = read_by_gdal(judged[2]["bands.geojson"], tmp_path).to_crs("+proj=cea +lat_ts=30 +ellps=sphere")
    share = frame.geometry.area / frame.geometry.area.sum()
    assert np.abs(share - frame["area_share"]).max() < 1e-6


HOSTILE = {
    "html": "<script>alert(1)</script><img src=x onerror=alert(2)>",
    "quotes": "\"double\" and 'single' & ampersand; back\\slash",
    "newline": "two\nlines\r\nand a\ttab",
    "right": "\u202egnp.exe \u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627",
    "long": "An islet with a very long name " * 10,
    "formula": '=HYPERLINK("http://example.invalid","click")',
    "plus": "+1+1",
    "at": "@SUM(1,1)",
    "minus": "-2+3",
    "cdata": "]]><!-- --> <![CDATA[",
    "wide": "\uff1d1+1",
    "cells": "plain;=1+1",
}


@pytest.fixture(scope="module")
def hostile():
    places = [
        {"id": key, "lat": -80 + 14 * k, "lon": 25 * k - 150, "baseline_exposure": 0.6}
        for k, key in enumerate(sorted(HOSTILE))
    ]
    region = made.region(places)
    # Set past the checks of the reader, which may refuse some of it: the outputs must stand on their own.
    names = tuple(HOSTILE[i] for i in region.candidates.ids)
    candidates = dataclasses.replace(
        region.candidates, names=names, operator=names, extra={"note": names, "name": names}
    )
    planning = plan_region(dataclasses.replace(region, candidates=candidates))
    picked = made.picks(planning, *((i, "f", 2030) for i in sorted(HOSTILE)))
    assessment = assess_layout(planning, picked)
    return planning, assessment, layout_files(planning, assessment, None)


@pytest.mark.parametrize("name", LAYERS)
def test_hostile_names_do_not_break_geojson(hostile, strict_geojson, tmp_path, name):
    assert strict_geojson(hostile[2][name]) == []
    frame = read_by_gdal(hostile[2][name], tmp_path)
    if "name" in frame:
        assert dict(zip(frame["id"], frame["name"], strict=True)) == HOSTILE, "a name in GeoJSON is kept as it is"


def test_a_column_of_the_users_cannot_stand_in_for_one_of_ours(hostile):
    shown = members(hostile[2]["candidates.geojson"])["html"]["properties"]
    assert shown["own_name"] == HOSTILE["html"]
    assert shown["name"] == HOSTILE["html"]
    assert shown["picked"] is True


class _Tags(html.parser.HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags = set()

    def handle_starttag(self, tag, attrs):
        self.tags |= {tag, *(name for name, _ in attrs if name.startswith("on") or name in ("href", "xlink:href"))}


def test_hostile_names_do_not_break_the_map(hostile):
    text = hostile[2]["map.svg"]
    root = ElementTree.fromstring(text)  # well-formed XML
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert not tags & {"script", "img", "image", "foreignObject", "a", "use", "style", "iframe"}
    # Also where a page takes the drawing in and a parser of HTML reads it.
    page = _Tags()
    page.feed(text)
    assert not page.tags & {"script", "img", "a", "onerror", "onload", "href", "xlink:href"}
    shown = "".join(root.itertext())
    assert "alert(1)" in shown, "shown as text"
    assert "\u202e" not in shown, "nothing turns the direction of what follows"


def test_hostile_names_are_harmless_in_every_table(hostile):
    for name in ("sites.csv", "coverage.csv", "costs.csv"):
        text = hostile[2][name]
        rows = list(csv.reader(io.StringIO(text)))
        assert len({len(row) for row in rows}) == 1, name
        assert text.count("\n") == len(rows), "one line a row"
        for row in rows:
            for cell in row:
                try:
                    float(cell)
                except ValueError:
                    assert not cell.startswith(tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")), cell
                    assert ";=" not in cell


def test_the_map_counts_one_site_as_one():
    region = made.region([{"id": "p", "lat": 10, "lon": 20, "baseline_exposure": 0.6}])
    planning = plan_region(region)
    shown = layout_files(planning, assess_layout(planning, made.picks(planning, ("p", "f", 2030))), None)["map.svg"]
    assert "1 new site," in shown
    assert "1 sites" not in shown


def test_a_layout_in_geojson_reads_back_as_the_same_layout(judged, tmp_path):
    planning, assessment, files = judged
    path = tmp_path / "network.geojson"
    path.write_text(files["network.geojson"], encoding="utf-8")
    again = read_layout(planning.region, str(path))
    assert [(r.id, r.plan, r.start_year) for r in again.rows] == [
        (p.id, p.plan, p.start_year) for p in assessment.picks
    ]


def test_an_empty_layout_still_gives_sound_files(strict_geojson, tmp_path):
    planning = plan_region(made.region([{"id": "p", "lat": 10, "lon": 20}]))
    files = layout_files(planning, assess_layout(planning, np.empty(0, dtype=np.int64)), None)
    for name in LAYERS:
        assert strict_geojson(files[name]) == []
    assert json.loads(files["network.geojson"])["features"] == []
    head = files["sites.csv"].splitlines()
    assert len(head) == 1
    assert head[0].startswith("id,name,plan")
    assert tables.csv_text(["a"], []) == "a\n"
