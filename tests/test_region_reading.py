"""Facts about reading a sound region: what is read, where numbers come from, what stays the same."""

import json
import time
from dataclasses import FrozenInstanceError, fields
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from siting.region import Origin, read_region


def given_in(region, column):
    return [Origin(code).name.lower() for code in region.candidates.origin[column]]


def warned(region, words):
    return [w.sentence() for w in region.warnings if words in w.sentence()]


def feature(geometry, **properties):
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def collection(*features, **members):
    return json.dumps({"type": "FeatureCollection", "features": list(features), **members})


LINE = {"type": "LineString", "coordinates": [[170, -40], [185, -20], [200, 0]]}
SHIP = feature(LINE, id="ship", platform="ship", status="open", setup_cost=1, annual_cost=2)


def test_candidates_are_sorted_by_id_and_every_array_follows_them(make_region):
    maker = make_region()
    maker.rows.reverse()
    region = maker.read()
    assert region.candidates.ids == ("alba", "brisa", "corvo", "dusk")
    assert region.candidates.names[1] == "Brisa Key"
    assert region.candidates.lat.tolist() == [51.5, 14.0, -33.25, -75.0]
    assert region.candidates.status == ("open", "required", "running", "excluded")
    assert region.candidates.where[0] == ("candidates.csv", 5)
    assert [region.candidates.index(name) for name in region.candidates.ids] == [0, 1, 2, 3]


def test_an_id_that_is_not_there_has_no_index(make_region):
    candidates = make_region().read().candidates
    for absent in ("", "aaa", "brisa ", "zzz", "Alba"):
        with pytest.raises(KeyError):
            candidates.index(absent)


def test_ids_differ_by_capitals_as_the_file_writes_them(make_region):
    region = make_region().candidate("Alba", lat="1", lon="2").read()
    assert region.candidates.ids == ("Alba", "alba", "brisa", "corvo", "dusk")


def test_exposure_is_monthly_and_holds_the_accepted_hours_once(make_region):
    region = make_region().cell("alba", "accepted_hours", "0.5").read()
    assert region.exposure.shape == (4, 12)
    np.testing.assert_allclose(region.exposure[0], 0.35)
    np.testing.assert_allclose(region.exposure[2], 0.8)


def test_monthly_numbers_replace_the_yearly_ones_of_that_month_only(make_region):
    monthly = "id,month,exposure,risk,size,size.co2\nalba,2,0.1,0.3,9,\nalba,3,,,,7\nbrisa,12,0.6,,,\n"
    region = make_region().file("monthly.csv", monthly).read()
    np.testing.assert_allclose(region.exposure[0, :3], [0.7, 0.1, 0.7])
    np.testing.assert_allclose(region.risk[:, 0, 1], [0.3, 0.3])
    np.testing.assert_allclose(region.size[0, 0, :3], [3.0, 9.0, 3.0])
    np.testing.assert_allclose(region.size[1, 0, :3], [0.5, 0.5, 7.0])
    np.testing.assert_allclose(region.exposure[1], [0.5] * 11 + [0.6])
    assert region.exposure_origin[1].tolist() == [Origin.ASSUMED] * 11 + [Origin.GIVEN]


def test_each_tracer_has_the_size_of_its_own_column_and_shares_the_risk(make_region):
    region = make_region().read()
    assert region.tracers == ("CH4", "CO2")
    assert region.size.shape == region.risk.shape == (2, 4, 12)
    np.testing.assert_allclose(region.size[:, :, 0], [[3.0, 0.0, 1.0, 0.0], [0.5, 0.0, 0.1, 0.0]])
    np.testing.assert_allclose(region.risk[0], region.risk[1])


def test_a_size_named_for_the_first_tracer_is_the_plain_size(make_region):
    region = make_region().cell("brisa", "contamination_size.CH4", "4").read()
    assert region.size[0, 1, 0] == 4.0
    assert given_in(region, "contamination_size")[1] == "given"


@pytest.mark.parametrize("name", ["delta-13C", "CO2 total", "N2O.a"])
def test_a_tracer_may_be_named_with_gaps_and_points(make_region, name):
    maker = make_region().setting('name = "CO2"', f'name = "{name}"')
    maker.columns[maker.columns.index("contamination_size.co2")] = f"contamination_size.{name}"
    for row in maker.rows:
        row[f"contamination_size.{name}"] = row.pop("contamination_size.co2")
    region = maker.read()
    assert region.size[1, 0, 0] == 0.5
    assert not warned(region, "unknown column")


def test_origins_tell_given_from_assumed_and_defaulted(make_region):
    region = make_region().read()
    assert given_in(region, "baseline_exposure") == ["given", "assumed", "given", "given"]
    assert given_in(region, "elevation_m") == ["given", "defaulted", "given", "given"]
    assert given_in(region, "data_return") == ["assumed"] * 4
    assert given_in(region, "contamination_size.co2") == ["given", "defaulted", "given", "given"]
    assert given_in(region, "visits_per_year") == ["assumed"] * 4
    assert region.candidates.visits_per_year.tolist() == [12.0] * 4


def test_visits_given_for_the_region_or_the_candidate_are_given(make_region):
    region = make_region().append("[supply]\nvisits_per_year = 6.0").cell("alba", "visits_per_year", "2").read()
    assert region.candidates.visits_per_year.tolist() == [2.0, 6.0, 6.0, 6.0]
    assert given_in(region, "visits_per_year") == ["given"] * 4


def test_derived_cells_fill_empty_cells_only_and_say_so(make_region):
    derived = (
        "id,baseline_exposure,elevation_m,contamination_size.co2,baseline_exposure_low,baseline_exposure_high\n"
        "alba,0.2,7,9,0.1,0.3\nbrisa,0.4,8,2,0.3,0.6\n"
    )
    region = make_region().file("candidates.derived.csv", derived).read()
    np.testing.assert_allclose(region.exposure[:2, 0], [0.7, 0.4])
    assert region.candidates.elevation_m.tolist()[:2] == [40.0, 8.0]
    assert given_in(region, "baseline_exposure")[:2] == ["given", "derived"]
    assert region.exposure_origin[1].tolist() == [Origin.DERIVED] * 12
    np.testing.assert_allclose(region.size[1, :2, 0], [0.5, 2.0])
    assert given_in(region, "contamination_size.co2")[:2] == ["given", "derived"]
    # a derived spread belongs to the derived number, not to the one that was given
    assert region.candidates.low["baseline_exposure"].tolist()[:2] == [0.7, 0.3]
    assert region.candidates.high["baseline_exposure"].tolist()[:2] == [0.7, 0.6]


def test_derived_rows_of_candidates_that_are_gone_are_named_but_do_no_harm(make_region):
    region = make_region().file("candidates.derived.csv", "id,elevation_m\nold place,5\n").read()
    (said,) = warned(region, "not there any more")
    assert "old place" in said
    assert "siting derive" in said


def test_low_and_high_ends_are_the_number_itself_where_none_is_given(make_region):
    region = make_region().cell("alba", "setup_cost_low", "4000").cell("alba", "setup_cost_high", "8000").read()
    assert region.candidates.low["setup_cost"].tolist() == [4000.0, 7000.0, 0.0, 90000.0]
    assert region.candidates.high["setup_cost"].tolist() == [8000.0, 7000.0, 0.0, 90000.0]
    assert region.candidates.low["lead_months"].tolist() == region.candidates.lead_months.tolist()


def test_months_are_read_as_people_write_them(make_region):
    maker = make_region()
    for name, text in (("alba", "Nov-Feb"), ("brisa", "11-2"), ("corvo", "jan MARCH Dec"), ("dusk", "all")):
        maker.cell(name, "open_months", text)
    open_months = maker.read().open_months
    winter = {1, 2, 11, 12}
    assert [set((np.flatnonzero(row) + 1).tolist()) for row in open_months] == [
        winter,
        winter,
        {1, 3, 12},
        set(range(1, 13)),
    ]


def test_longitudes_of_0_to_360_are_turned_to_west_with_a_note(make_region):
    region = make_region().cell("alba", "lon", "347.75").cell("brisa", "lon", "180").read()
    assert region.candidates.lon.tolist()[:2] == [-12.25, 180.0]
    assert len(warned(region, "1 longitudes of 180-360")) == 1


VARIANTS = {
    "byte mark": lambda maker: "\ufeff" + maker.csv(),
    "semicolons": lambda maker: maker.csv(";"),
    "declared semicolons": lambda maker: "sep=;\r\n" + maker.csv(";", "\r\n"),
    "Windows line ends": lambda maker: maker.csv(line_end="\r\n"),
    "old Mac line ends": lambda maker: maker.csv(line_end="\r"),
    "blank rows": lambda maker: maker.csv().replace("\nbrisa", "\n\n,,,\nbrisa") + "\n\n",
    "spaces around cells": lambda maker: maker.csv().replace(",", " , "),
    "capitals and gaps in the heading": lambda maker: maker.csv().replace("baseline_exposure", "Baseline Exposure"),
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_a_file_as_a_spreadsheet_writes_it_is_the_same_region_with_the_same_hashes(make_region, variant):
    plain, maker = make_region().read(), make_region()
    region = maker.file("candidates.csv", VARIANTS[variant](maker)).read()
    assert region.inputs == plain.inputs
    assert region.candidates.ids == plain.candidates.ids
    np.testing.assert_array_equal(region.exposure, plain.exposure)
    np.testing.assert_array_equal(region.open_months, plain.open_months)


def test_order_of_rows_and_columns_does_not_change_the_hashes(make_region):
    plain, maker = make_region().read(), make_region()
    maker.rows.reverse()
    maker.columns.reverse()
    assert maker.read().inputs == plain.inputs


def test_comments_and_the_order_of_keys_do_not_change_the_hash_of_the_settings(make_region):
    plain = dict(make_region().read().inputs)
    maker = make_region().setting("first_year = 2030\nyears = 4", "years = 4 # four\n\nfirst_year = 2030")
    assert dict(maker.read().inputs) == plain


def test_any_changed_cell_changes_the_hash_of_its_own_file_only(make_region):
    plain = dict(make_region().read().inputs)
    assert set(plain) == {"region.toml", "candidates.csv"}
    for column in make_region().columns:
        if column == "id":
            continue
        maker = make_region()
        row = next(row for row in maker.rows if row["id"] == "alba")
        new = {"open_months": "1-3", "status": "required", "running_since": "2020", "name": "X", "group": "isles q"}
        row[column] = new.get(column, "0.25")
        if column == "lead_months":
            row[column] = "5"
        changed = dict(maker.read().inputs)
        assert changed["candidates.csv"] != plain["candidates.csv"], column
        assert changed["region.toml"] == plain["region.toml"]


def test_any_changed_setting_changes_the_hash_of_the_settings(make_region):
    plain = dict(make_region().read().inputs)["region.toml"]
    for old, new in (("total = 100000.0", "total = 100001.0"), ('"few"', '"fewer"'), ("2030", "2031")):
        assert dict(make_region().setting(old, new).read().inputs)["region.toml"] != plain


def test_a_moved_vertex_changes_the_hash_of_a_feature_file(make_region):
    def hashed(x):
        line = {"type": "LineString", "coordinates": [[170, -40], [x, 0]]}
        ship = feature(line, id="ship", platform="ship")
        return dict(make_region().file("candidates.geojson", collection(ship)).read().inputs)["candidates.geojson"]

    assert hashed(175) == hashed(175.0) != hashed(175.0001)


def test_every_file_that_was_read_is_among_the_inputs(make_region):
    maker = make_region().file("monthly.csv", "id,month,exposure\nalba,1,0.5\n")
    maker.file("layouts/one.csv", "id,plan\nalba,weekly\n").file("records/corvo.csv", "time,value\n2027-01-01,1900\n")
    maker.file("candidates.derived.csv", "id,elevation_m\nbrisa,3\n").file("notes.txt", "not an input")
    region = maker.read()
    names = ["candidates.csv", "candidates.derived.csv", "layouts/one.csv", "monthly.csv"]
    assert [name for name, _ in region.inputs] == [*names, "records/corvo.csv", "region.toml"]
    assert all(len(digest) == 64 for _, digest in region.inputs)
    assert region.rows_read == 4 + 1 + 1 + 1


def test_candidate_files_stand_side_by_side(make_region):
    maker = make_region().file("candidates.geojson", collection(SHIP))
    folder = maker.write()
    mooring = gpd.GeoDataFrame(
        {"id": ["buoy"], "platform": ["moored"]}, geometry=[shapely.box(5, 5, 6, 6)], crs="EPSG:4326"
    )
    mooring.to_file(folder / "candidates.gpkg", driver="GPKG")
    region = read_region(folder)
    assert region.candidates.ids == ("alba", "brisa", "buoy", "corvo", "dusk", "ship")
    assert region.candidates.geometry[-1].geom_type == "LineString"
    assert region.candidates.geometry[2].geom_type == "Polygon"
    assert region.candidates.where[-1] == ("candidates.geojson", 1)


def test_a_track_over_180_keeps_its_way_and_its_middle_lies_on_it(make_region):
    region = make_region().file("candidates.geojson", collection(SHIP)).read()
    ship = region.candidates.index("ship")
    assert shapely.get_coordinates(region.candidates.geometry[ship])[:, 0].tolist() == [170, 185, 200]
    assert abs(region.candidates.lon[ship]) > 170
    assert -25 < region.candidates.lat[ship] < -15


def test_a_geojson_with_another_declared_crs_is_reprojected(make_region):
    # EPSG:3857: 20037508.34 m is half the equator (common practice), so a quarter is 90 degrees.
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::3857"}}
    point = feature({"type": "Point", "coordinates": [10018754.17, 0]}, id="webby", setup_cost=1, annual_cost=1)
    region = make_region().file("candidates.geojson", collection(point, crs=crs)).read()
    assert region.candidates.lon[region.candidates.index("webby")] == pytest.approx(90.0, abs=1e-6)
    assert warned(region, "reprojected")


def test_a_geopackage_in_a_national_grid_is_reprojected(make_region):
    folder = make_region().write()
    frame = gpd.GeoDataFrame({"id": ["nord"]}, geometry=[shapely.Point(10.75, 59.9)], crs="EPSG:4326").to_crs(25832)
    frame.to_file(folder / "candidates.gpkg", driver="GPKG")
    candidates = read_region(folder).candidates
    at = candidates.index("nord")
    assert (candidates.lon[at], candidates.lat[at]) == pytest.approx((10.75, 59.9), abs=1e-6)


def test_lat_and_lon_that_contradict_a_point_are_named_and_the_point_counts(make_region):
    def read(lat, lon):
        point = feature({"type": "Point", "coordinates": [20, 10]}, id="mark", lat=lat, lon=lon)
        return make_region().file("candidates.geojson", collection(point)).read()

    assert warned(read(11, 20), "which counts (10, 20)")
    assert not warned(read(10, 20), "which counts")
    assert not warned(read(10, 380 - 360), "which counts")
    assert read(11, 20).candidates.lat[-1] == 10


def test_unknown_columns_are_kept_and_named_with_the_nearest_spelling(make_region):
    maker = make_region().cell("alba", "basline_exposure", "0.9").cell("dusk", "Favourite Colour", "blue")
    region = maker.read()
    assert dict(region.candidates.extra) == {
        "basline_exposure": ("0.9", "", "", ""),
        "favourite_colour": ("", "", "", "blue"),
    }
    (said,) = warned(region, "basline_exposure")
    assert said == (
        "candidates.csv, row 1, basline_exposure: unknown column, kept as it is and not used; "
        "mend: if you meant 'baseline_exposure', rename it"
    )
    (said,) = warned(region, "favourite_colour")
    assert "if you meant" not in said


def test_the_frame_is_in_wgs_84_with_ids_as_index_and_own_columns_beside_ours(make_region):
    maker = make_region().cell("alba", "mean_exposure", "mine").cell("alba", "geometry", "round").cell("alba", "x", "y")
    frame = maker.read().to_frame()
    assert frame.crs.to_epsg() == 4326
    assert frame.index.name == "id"
    assert frame.index.tolist() == ["alba", "brisa", "corvo", "dusk"]
    assert frame.loc["alba"].geometry.equals(shapely.Point(-12.25, 51.5))
    assert frame.loc["alba", "mean_exposure"] == pytest.approx(0.7)
    assert frame.loc["alba", "mean_exposure (own column)"] == "mine"
    assert frame.loc["alba", "geometry (own column)"] == "round"
    assert frame.loc["alba", "x"] == "y"
    assert frame.loc["brisa", "months_open"] == 4
    assert frame.loc["brisa", "group"] == "isles reef"


def test_a_region_cannot_be_changed(make_region):
    region = make_region().read()
    with pytest.raises(FrozenInstanceError):
        region.name = "other"
    with pytest.raises(FrozenInstanceError):
        region.candidates.ids = ()
    with pytest.raises(TypeError):
        region.candidates.origin["lat"] = None
    arrays = [getattr(region, f.name) for f in fields(region)] + [
        getattr(region.candidates, f.name) for f in fields(region.candidates)
    ]
    mappings = [region.candidates.origin, region.candidates.low, region.candidates.high]
    arrays += [array for mapping in mappings for array in mapping.values()]
    arrays = [array for array in arrays if isinstance(array, np.ndarray)]
    assert len(arrays) > 30
    for array in arrays:
        assert not array.flags.writeable
        assert array.base is None or not array.base.flags.writeable


def test_mean_exposure_counts_open_months_only(make_region):
    monthly = "id,month,exposure\n" + "".join(
        f"brisa,{m},{0.2 if m in (11, 12, 1, 2) else 0.9}\n" for m in range(1, 13)
    )
    region = make_region().file("monthly.csv", monthly).read()
    assert region.mean_exposure()[1] == pytest.approx(0.2)


def test_strange_files_are_named_with_what_may_have_been_meant(make_region):
    maker = make_region().file("Monthly.CSV", "id,month\n").file("notes.md", "anything").file("map.png", b"\x89PNG")
    maker.file("layout/one.csv", "id,plan\n").file("layouts/two.xlsx", b"PK").file("candidates.csv~", "x")
    region = maker.read()
    assert "rename it" in warned(region, "Monthly.CSV")[0]
    assert "if you meant 'monthly.csv'" in warned(region, "Monthly.CSV")[0]
    assert "if you meant 'layouts'" in warned(region, "layout: ")[0]
    assert "only .csv files belong here" in warned(region, "layouts/two.xlsx")[0]
    assert not [w for w in region.warnings if w.file in ("notes.md", "map.png", "candidates.csv~")]


def test_settings_of_many_futures_are_read_and_no_longer_named_as_waiting(make_region):
    region = make_region().append('[stress]\nfutures = 10\nrepair_months = 2.0\nspread = "ends"\n').read()
    assert warned(region, "not used yet") == []
    assert (region.settings.stress.futures, region.settings.stress.spread) == (10, "ends")


def test_prices_that_are_missing_are_counted_by_file(make_region):
    maker = make_region().cell("alba", "setup_cost", "").file("candidates.geojson", collection(SHIP))
    assert warned(maker.read(), "counted as 0") == [
        "candidates.csv, setup_cost: not given for 1 candidate, counted as 0 there; mend: fill it in"
    ]


def test_winds_sources_legs_and_records_are_read_as_rows(make_region):
    maker = make_region().file("winds.csv", "site,month,sector,speed,frequency\nalba,1,0,5,0.5\nalba,1,90,5,0.5\n")
    maker.file("sources.csv", "id,lat,lon,strength,strength.co2\nkiln,1,2,0.5,3\n")
    maker.file("legs.csv", "from,to,mode,days\nalba,laboratory,ship,12\n")
    maker.file("records/corvo.csv", "time,value,value.co2,flag\n2027-06-15T12:00Z,1900.5,400,\n2027.5,1901,,x\n")
    region = maker.read()
    assert [(w.sector, w.frequency) for w in region.winds] == [(0.0, 0.5), (90.0, 0.5)]
    assert region.sources[0].strength == 0.5
    assert (region.legs[0].from_, region.legs[0].to, region.legs[0].days) == ("alba", "laboratory", 12.0)
    assert [row.value for row in region.records["corvo"]] == [1900.5, 1901.0]


def test_a_row_of_a_record_that_its_flag_puts_aside_may_lack_a_value(make_region):
    text = "time,value,value.co2,flag\n2027.5,1901,,x\n2027.6,,,x\n2027.7,,400,bad\n2027.8,1902,401,\n"
    region = make_region().file("records/corvo.csv", text).read()
    assert [row.value for row in region.records["corvo"]] == [1901.0, 1902.0]
    assert region.record_values["corvo"][1, 1] == 401.0
    assert not [w for w in region.warnings if w.file == "records/corvo.csv"]


def test_numbers_of_every_tracer_come_from_sources_and_records_in_an_order_of_their_own(make_region):
    maker = make_region().file("sources.csv", "id,lat,lon,strength,strength.co2\nmill,1,2,0.5,\nkiln,1,2,0.25,3\n")
    maker.file("records/corvo.csv", "time,value,value.co2\n2027.5,1901,\n2027-06-15T12:00Z,1900.5,400\n")
    region = maker.read()
    assert region.tracers == ("CH4", "CO2")
    assert [source.id for source in region.sources] == ["kiln", "mill"]
    assert region.source_strength.tolist() == [[0.25, 0.5], [3.0, 0.0]]
    assert [row.value for row in region.records["corvo"]] == [1900.5, 1901.0]
    np.testing.assert_array_equal(region.record_values["corvo"], [[1900.5, 1901.0], [400.0, np.nan]])
    assert not region.source_strength.flags.writeable
    assert not region.record_values["corvo"].flags.writeable


def test_both_examples_that_ship_are_sound():
    for name in ("smallsea", "farwinds"):
        region = read_region(Path(__file__).parents[1] / "regions" / name)
        assert len(region.candidates) >= 10


def test_10_000_candidates_are_read_and_checked_in_seconds(make_region):
    """The aim is 3 s (tests/benchmarks/bench_reading.py prints the time); 6 s leave room for a busy machine."""
    maker = make_region()
    for i in range(10_000):
        where = {"lat": f"{(i * 7) % 180 - 90}", "lon": f"{(i * 13) % 360 - 180}"}
        maker.candidate(f"place{i}", **where, elevation_m=str(i % 4000), open_months="Nov-Feb", status="open")
    folder = maker.write()
    start = time.perf_counter()
    region = read_region(folder)
    assert time.perf_counter() - start < 6.0
    assert len(region.candidates) == 10_004


def test_two_candidates_at_one_place_and_a_place_at_0_0_are_doubtful(make_region):
    maker = make_region().cell("alba", "lat", "0").cell("alba", "lon", "0")
    maker.cell("brisa", "lat", "0").cell("brisa", "lon", "0.000005")
    said = [note.sentence() for note in maker.read().warnings]
    assert sum("lies at exactly 0, 0; perhaps its coordinates are missing" in text for text in said) == 1
    assert sum("the same place as 'alba'" in text for text in said) == 1


def test_cylinders_with_a_price_but_without_a_life_are_named(make_region):
    analyzer = '[[plans]]\nid = "box"\nkind = "analyzer"\n'
    for more, named in (("", True), ("flow_l_per_minute = 0.3\n", False), ("cylinder_life_months = 9.0\n", False)):
        maker = make_region().append(f"{analyzer}{more}[supply]\ncylinder_cost = 900.0\n")
        said = [one for one in warned(maker.read(), "how long cylinders last") if "'box'" in one]
        assert len(said) == int(named), said
        assert all("give cylinder_life_months, or flow_l_per_minute" in one for one in said)
