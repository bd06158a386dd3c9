"""The map in panels for a page, candidates thinned, and the land under it."""

import importlib.util
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.geography.opendata import read_land, read_map_land
from siting.outputs.mapcontent import NAMED, MapContent, MapPoint
from siting.outputs.mappanels import draw_panels, thinned

_spec = importlib.util.spec_from_file_location("test_worldmap", Path(__file__).with_name("test_worldmap.py"))
worldmap = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(worldmap)


def left_out(content):
    return [point for point in content.points if point.kind == "left_out"]


def test_few_candidates_are_all_drawn():
    content = worldmap.invented(left_out=2000)
    assert thinned(content) == (content, 0)


def test_of_many_candidates_an_even_share_is_drawn_and_the_rest_counted():
    content = worldmap.invented(left_out=10_000)
    few, hidden = thinned(content)
    assert hidden == 10_000 - len(left_out(few))
    assert 1200 < len(left_out(few)) <= 2000
    assert [p for p in few.points if p.kind != "left_out"] == [p for p in content.points if p.kind != "left_out"]
    assert set(left_out(few)) <= set(left_out(content))
    # Source: counts of an even scatter in 12 strips of equal area, within six standard deviations.
    strips = np.histogram([math.sin(math.radians(p.lat)) for p in left_out(few)], bins=12, range=(-1, 1))[0]
    mean = len(left_out(few)) / 12
    assert (abs(strips - mean) < 6 * math.sqrt(mean)).all()


def test_a_crowd_does_not_hide_a_lonely_place():
    crowd = [MapPoint(40 + 0.001 * (k % 90), 10 + 0.001 * (k // 90), "left_out", f"p{k}") for k in range(9000)]
    lonely = MapPoint(-50.0, -120.0, "left_out", "lonely")
    few, _ = thinned(MapContent("x", "", (*crowd, lonely)))
    assert lonely in few.points


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 60))
def test_thinning_keeps_to_its_number_whatever_the_order(seed, most):
    content = worldmap.invented(seed=seed, left_out=300)
    mixed = list(content.points)
    np.random.default_rng(seed).shuffle(mixed)
    few, hidden = thinned(content, most)
    assert 1 <= len(left_out(few)) <= most
    assert hidden + len(left_out(few)) == 300
    assert set(thinned(replace(content, points=tuple(mixed)), most)[0].points) == set(few.points)


def test_each_drawing_is_sound_and_shows_a_site_once():
    content = worldmap.invented()
    content = replace(content, points=tuple(replace(p, key=f"k{i}") for i, p in enumerate(content.points)))
    made = draw_panels(content)
    for drawing in (made.world, made.north, made.south):
        root = ET.fromstring(drawing)
        assert root.get("viewBox")
        assert root.get("role") == "img"
    keys = re.findall(r'data-site="([^"]*)"', made.world)
    marks = [key for key in keys if key in {p.key for p in content.points if p.kind in NAMED}]
    assert len(set(marks)) == len({p.key for p in content.points if p.kind in NAMED})
    polar = {p.key for p in content.points if p.lat > 62 and p.kind in ("analyzer", "flask", "both")}
    assert polar <= set(re.findall(r'data-site="([^"]*)"', made.north))


def test_the_key_counts_what_is_there():
    content = worldmap.invented(left_out=12)
    counts = {row.text: row.count for row in draw_panels(content).key}
    assert counts["Candidate left out"] == "12"
    assert counts["Continuous analyzer"] == "7"


# -- land -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def rings():
    return [shapely.Polygon(ring) for ring in read_map_land()]


def is_land_at(tree, lat, lon):
    """By the even-odd rule, as the map is filled."""
    at = shapely.points(lon, lat)
    return np.bincount(tree.query(at, predicate="within")[0], minlength=at.size) % 2 == 1


@pytest.mark.parametrize(
    ("lat", "lon", "is_land"),
    [
        (50.0, 100.0, True),
        (0.0, -140.0, False),
        (-80.0, 90.0, True),
        (-25.0, 135.0, True),
        (90.0 - 1.0, 0.0, False),
        (45.0, -35.0, False),
        (72.0, -40.0, True),
    ],
)
def test_land_and_sea_are_where_an_atlas_has_them(rings, lat, lon, is_land):
    # Source: common practice, no single source (inner continents, ice sheets and open oceans of any atlas).
    assert is_land_at(shapely.STRtree(rings), np.array([lat]), np.array([lon]))[0] == is_land


def test_the_land_of_the_map_covers_as_much_of_the_earth_as_handbooks_say(rings):
    # Source: land is 29.2 % of the earth's surface (148.9 of 510.1 million km2), of which floating ice of the far south
    # is .3 % and large lakes .2 %: both are sea on this map (common practice, no single source; from memory).
    # Points of a Fibonacci lattice, each for an equal area.
    k = np.arange(40_000)
    lat = np.degrees(np.arcsin(2 * (k + 0.5) / k.size - 1))
    lon = (k * 137.50776405003785) % 360.0 - 180.0
    assert is_land_at(shapely.STRtree(rings), lat, lon).mean() == pytest.approx(0.287, abs=0.003)


def test_the_land_of_the_map_is_the_land_on_which_fetch_is_measured_but_for_its_coasts(rings):
    # Source: the finer land of the same data set, at 20,000 places drawn evenly.
    rng = np.random.default_rng(8)
    lat, lon = np.degrees(np.arcsin(rng.uniform(-1, 1, 20_000))), rng.uniform(-180, 180, 20_000)
    fine = np.zeros(lat.size, dtype=bool)
    fine[shapely.STRtree(read_land()).query(shapely.points(lon, lat), predicate="within")[0]] = True
    assert (is_land_at(shapely.STRtree(rings), lat, lon) != fine).mean() < 0.01
