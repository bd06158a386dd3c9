"""The shipped open data: whole, sound, and true where everybody knows the answer."""

from __future__ import annotations

import hashlib
from importlib import resources

import numpy as np
import pytest
import shapely

from siting.derive.earth import read_earth
from siting.geography.opendata import read_ice_shelves, read_land

DATA = resources.files("siting") / "data"
FILES = ("land.npz", "land_map.npz", "overrides.csv", "elevation.npz", "winds.npz", "towns.csv.gz", "ports.csv.gz")


@pytest.fixture(scope="module")
def earth():
    return read_earth()


def test_every_file_is_the_one_that_its_list_of_sources_names_and_all_are_small():
    listed = (DATA / "SOURCES.md").read_text(encoding="utf-8")
    total = 0
    for name in FILES:
        raw = (DATA / name).read_bytes()
        total += len(raw)
        assert hashlib.sha256(raw).hexdigest() in listed, name
    assert total < 3.5e6


def test_the_land_is_sound_and_as_large_as_handbooks_say(earth):
    land = np.array(read_land(), dtype=object)
    assert shapely.is_valid(land).all()
    assert shapely.is_valid(np.array(read_ice_shelves(), dtype=object)).all()
    # Land without large lakes: 148.9 million km2 of land in handbooks less some 2.5 of lakes, and less the shelves
    # of the far south, 1.5 (common practice, no single source).
    assert earth.coast.area_km2.sum() == pytest.approx(145.5e6, rel=0.015)


@pytest.mark.parametrize(
    ("what", "lat", "lon", "land"),
    [
        ("middle of the largest continent", 50.0, 85.0, True),
        ("middle of the largest desert", 23.0, 13.0, True),
        ("ice cap of the far south", -80.0, 90.0, True),
        ("ice cap of the far north Atlantic", 72.0, -40.0, True),
        ("middle of the largest ocean", 0.0, -150.0, False),
        ("north pole", 90.0, 0.0, False),
        ("south pole", -90.0, 0.0, True),
        ("largest inland sea, middle", 42.0, 50.5, False),
        ("strait between two continents", 35.95, -5.6, False),
    ],
)
def test_land_and_sea_are_where_every_atlas_has_them(earth, what, lat, lon, land):
    # Common practice, no single source.
    assert bool(earth.coast.on_land([lat], [lon])[0]) is land, what


def test_the_most_remote_point_of_the_ocean_is_as_far_from_land_as_published(earth):
    # About 2,690 km by published computations; the point from memory.
    assert earth.coast.distance_km([-48.877], [-123.393])[0] == pytest.approx(2690.0, abs=15.0)


def test_the_most_inland_point_of_the_largest_continent_lies_2400_to_2650_km_from_the_sea(earth):
    # Published estimates run from 2,500 to 2,645 km, by the coast that was taken; this coast follows gulfs further in.
    assert 2380.0 < earth.coast.distance_km([46.28], [86.67])[0] < 2650.0


@pytest.mark.parametrize(
    ("what", "lat", "lon", "month", "u", "v"),
    [
        ("north-east trades, middle of the largest ocean", 15.0, -150.0, 0, -1, -1),
        ("north-east trades, second ocean", 15.0, -40.0, 6, -1, -1),
        ("south-east trades, largest ocean", -12.0, -110.0, 6, -1, 1),
        ("south-east trades, second ocean", -15.0, -10.0, 6, -1, 1),
        ("south-east trades, third ocean", -15.0, 80.0, 6, -1, 1),
        ("westerlies of the south, third ocean", -47.0, 60.0, 6, 1, 0),
        ("westerlies of the south, largest ocean", -48.0, -140.0, 0, 1, 0),
        ("westerlies of the north in winter, second ocean", 45.0, -35.0, 0, 1, 0),
        ("westerlies of the north in winter, largest ocean", 42.0, 170.0, 0, 1, 0),
        ("summer monsoon off the horn, third ocean", 10.0, 60.0, 6, 1, 1),
        ("winter monsoon, third ocean", 12.0, 62.0, 0, -1, -1),
        ("winter monsoon off the east of the largest continent", 18.0, 116.0, 0, -1, -1),
    ],
)
def test_the_great_winds_blow_from_where_any_climate_textbook_says(earth, what, lat, lon, month, u, v):
    # Common practice, no single source; 0 where the textbook says nothing of that component.
    east, north, steadiness = earth.climate.at([lat], [lon])
    assert u * east[0, month] > 0.5, what
    assert v == 0 or v * north[0, month] > 0.3, what
    assert 0.2 < steadiness[0, month] <= 1.0


def test_the_trades_are_steadier_than_the_westerlies_of_the_north(earth):
    steady = earth.climate.at([15.0, 50.0], [-150.0, -30.0])[2]
    assert steady[0].mean() > steady[1].mean() + 0.15


def test_high_ground_is_high_and_the_sea_has_no_height(earth):
    heights = earth.elevation.at([28.0, -90.0, 0.0], [87.0, 0.0, -150.0])
    assert heights[0] > 4000.0
    assert 2600.0 < heights[1] < 3000.0
    assert heights[2] == 0.0


def test_winds_meet_round_the_world_and_places_are_found_across_180_degrees(earth):
    here, there = earth.climate.at([10.0], [19.9999]), earth.climate.at([10.0], [20.0001])
    for a, b in zip(here, there, strict=True):
        np.testing.assert_allclose(a, b, atol=0.01)
    _, km = earth.airports.nearest([-17.0], [180.0])
    assert km[0] < 400.0
