"""`siting derive`: from a bare list to numbers with their sources, and what may never happen to a user's own."""

from __future__ import annotations

import csv
import json
import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point

from siting import cli, read_region
from siting.derive.asked import asked_of
from siting.derive.attributes import Listed, Rules, Tracer, attributes
from siting.derive.earth import read_earth
from siting.derive.files import derive_region, old_rows, write_derived
from siting.geography.places import places
from siting.geography.winds import given_shares, speed_edges
from siting.region.model import Origin
from siting.region.template import new_region

RULES = Rules(16, 300.0, 2.0, 50.0, 50.0, 800.0, 0.5, 200.0, 500.0, 0.45)
GASES = (Tracer("CO2", "ppm", 0.4), Tracer("CH4", "ppb", 9.0))
NOTHING = Listed((), np.zeros(0), np.zeros(0), np.zeros(0), np.zeros((2, 0)))
SITES = (
    "id,lat,lon,baseline_exposure\nislet,-7.97,-14.40,\ncoast,53.33,-9.90,\ncity,40.71,-74.0,\nsummit,19.54,-155.58,\n"
    "own,53.33,-9.90,0.33\n"
)


@pytest.fixture(scope="module")
def earth():
    return read_earth()


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sites.csv").write_text(SITES)
    new_region(tmp_path / "mine", sites=tmp_path / "sites.csv")
    return tmp_path / "mine"


def found_at(earth, *where, elevation=None, listed=NOTHING, winds=None, rules=RULES):
    made = places([Point(lon, lat) for lat, lon in where])
    height = np.full(len(where), np.nan) if elevation is None else np.array(elevation, dtype=float)
    return attributes(earth, made, height, rules, GASES, listed, winds or {})


def test_an_islet_sees_clean_air_a_city_none_and_a_west_coast_its_sea_sectors(earth):
    found = found_at(earth, (-7.97, -14.40), (40.71, -74.0), (53.33, -9.90))
    islet, city, coast = found.exposure.mean(axis=1)
    assert islet > 0.9
    assert city == 0.0
    assert 0.3 < coast < 0.7
    np.testing.assert_array_equal(found.accepted[2].nonzero()[0], [9, 10, 11, 12, 13])
    assert found.risk[1].mean() > 0.02
    assert found.risk[0].max() < 1e-3


def test_exposure_is_the_sum_of_the_hours_of_accepted_sectors_with_enough_wind(earth):
    found = found_at(earth, (53.33, -9.90))
    strong = found.wind.edges >= RULES.least_wind
    by_hand = [
        sum(found.wind.joint[0, m, s, v] for s in range(16) if found.accepted[0, s] for v in np.flatnonzero(strong))
        for m in range(12)
    ]
    np.testing.assert_allclose(found.exposure[0], by_hand, rtol=1e-12)


def test_a_mountain_takes_air_from_all_sides_in_its_share_of_hours(earth):
    found = found_at(earth, (19.54, -155.58), (19.54, -155.58), elevation=[3400.0, 100.0])
    assert found.mountain.tolist() == [True, False]
    assert found.accepted_hours.tolist() == [0.45, 1.0]
    assert found.accepted[0].all()


def test_polar_ice_counts_as_clean_as_water(earth):
    found = found_at(earth, (-78.0, 120.0), (-89.99, 0.0))
    assert found.accepted.all()
    assert found.risk.max() == 0.0


def test_a_listed_source_shuts_its_sector_and_no_other(earth):
    there = Listed(("mill",), np.array([53.33]), np.array([-10.2]), np.zeros(1), np.full((2, 1), 0.5))
    without, within = (found_at(earth, (53.33, -9.90), listed=listed) for listed in (NOTHING, there))
    assert within.shut[0].nonzero()[0].tolist() == [12]
    assert (without.accepted & ~within.accepted)[0].nonzero()[0].tolist() == [12]
    assert within.exposure.mean() < without.exposure.mean()


def test_given_winds_win_over_the_climatology_month_by_month(earth):
    edges = speed_edges(RULES.least_wind)
    winds = given_shares([1], [270.0], [6.0], ["D"], [1.0], 16, edges)
    found = found_at(earth, (53.33, -9.90), winds={0: winds})
    assert found.exposure[0, 0] == pytest.approx(1.0)
    assert found.exposure[0, 1:].max() < 0.9


def test_a_ship_has_the_mean_of_its_way(earth):
    line = places([LineString([(-30.0, 0.0), (-30.0, 10.0)])])
    found = attributes(earth, line, np.array([np.nan]), RULES, GASES, NOTHING, {})
    alone = found_at(earth, *zip(line.lat, line.lon, strict=True))
    np.testing.assert_allclose(found.exposure[0], (alone.exposure * line.weight[:, None]).sum(axis=0), rtol=1e-12)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 15))
def test_turning_all_winds_and_sources_leaves_a_site_on_the_open_ocean_as_it_was(turn):
    earth = read_earth_once()
    edges = speed_edges(RULES.least_wind)

    def one(shift):
        wind = given_shares(
            np.repeat(np.arange(1, 13), 2),
            np.tile([(90.0 + shift) % 360.0, (200.0 + shift) % 360.0], 12),
            np.full(24, 7.0),
            ["D"] * 24,
            np.tile([0.3, 0.7], 12),
            16,
            edges,
        )
        angle = np.radians(90.0 + shift)
        # Two hundredths of a degree at the equator: the plane is as good as the sphere.
        there = Listed(("s",), 0.02 * np.cos([angle]), -150.0 + 0.02 * np.sin([angle]), np.zeros(1), np.ones((2, 1)))
        return found_at(earth, (0.0, -150.0), listed=there, winds={0: wind})

    before, after = one(0.0), one(22.5 * turn)
    np.testing.assert_allclose(after.exposure, before.exposure, atol=1e-9)
    np.testing.assert_allclose(after.outside, before.outside, rtol=0.02)
    np.testing.assert_allclose(after.risk, before.risk, atol=0.01)


_EARTH = []


def read_earth_once():
    if not _EARTH:
        _EARTH.append(read_earth())
    return _EARTH[0]


def test_a_bare_list_becomes_a_region_in_which_every_derived_number_says_so(folder, earth):
    write_derived(folder, derive_region(read_region(folder), earth=earth))
    region = read_region(folder)
    c = region.candidates
    assert c.origin["baseline_exposure"][c.index("coast")] == Origin.DERIVED
    assert c.origin["baseline_exposure"][c.index("own")] == Origin.GIVEN
    assert region.exposure[c.index("own")] == pytest.approx(0.33)
    assert c.origin["setup_cost"][c.index("coast")] == Origin.ASSUMED
    assert region.exposure[c.index("city")].max() == 0.0
    assert np.ptp(region.exposure[c.index("coast")]) > 0.02
    with (folder / "candidates.derived.csv").open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            for column in row:
                if row.get(f"{column}_source") is not None:
                    assert bool(row[column]) == bool(row[f"{column}_source"])


def test_rows_are_used_again_until_something_they_rest_on_changes(folder, earth):
    write_derived(folder, derive_region(read_region(folder), earth=earth))
    before = (folder / "candidates.derived.csv").read_bytes()
    again = derive_region(read_region(folder), old_rows(folder), earth=earth)
    assert again.reused == 5
    write_derived(folder, again)
    assert (folder / "candidates.derived.csv").read_bytes() == before
    text = (folder / "candidates.csv").read_text().replace("-9.9", "-9.8", 1)
    (folder / "candidates.csv").write_text(text)
    assert derive_region(read_region(folder), old_rows(folder), earth=earth).reused == 4


def test_a_folder_that_cannot_be_written_keeps_its_old_files(folder, earth, monkeypatch):
    found = derive_region(read_region(folder), earth=earth)
    write_derived(folder, found)
    before = (folder / "monthly.derived.csv").read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    from siting.region.faults import InputError

    with pytest.raises(InputError, match="No space left"):
        write_derived(folder, found)
    assert (folder / "monthly.derived.csv").read_bytes() == before
    assert not list(folder.glob("*.new"))


def test_the_key_of_a_row_changes_with_the_thresholds(folder):
    region = read_region(folder)
    before = asked_of(region).keys([0])
    path = folder / "region.toml"
    text = path.read_text()
    assert "[geography]" in text
    path.write_text(
        text.replace("[geography]", "[geography]\nfetch_km = 100.0", 1).replace("\nfetch_km = 300", "\n# ", 1)
    )
    assert asked_of(read_region(folder)).keys([0]) != before


def run(monkeypatch, capsys, *words):
    import sys

    monkeypatch.setattr(sys, "argv", ["siting", *map(str, words)])
    monkeypatch.setenv("COLUMNS", "80")
    with pytest.raises(SystemExit) as left:
        cli.main()
    shown, said = capsys.readouterr()
    return left.value.code or 0, shown, said


def test_the_command_writes_two_files_and_explains_a_site_within_80_columns(folder, monkeypatch, capsys):
    code, shown, said = run(monkeypatch, capsys, "derive", folder, "--json")
    assert code == cli.DONE
    assert json.loads(shown)["derived"] == 5
    code, shown, said = run(monkeypatch, capsys, "derive", folder, "--explain", "city")
    assert code == cli.DONE
    assert max(map(len, shown.splitlines())) <= 80
    assert "no: land" in shown
    assert "hours above" in shown
    code, _, said = run(monkeypatch, capsys, "derive", folder, "--explain", "ciyt")
    assert code == cli.BAD_INPUT
    assert "did you mean 'city'" in " ".join(said.split())
