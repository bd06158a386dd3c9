"""Facts about reading legs.csv and hubs.csv: every fault named at once, what is doubtful, what changes nothing.

Days of the year are compared with the calendar of the standard library (ISO 8601-1:2019, section 5.2.2.2, ordinal
dates), distances with the length of an arc of the equator of WGS 84 (semi-major axis 6378.137 km). Places are invented.
"""

import calendar
import csv
import datetime
import io
import json
import math
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import siting
from siting.region import InputError, Region, read_region
from siting.region.cells import CellError, days_of_year
from siting.region.transport import FASTEST_KMH, NEAR_KM, day_words, month_of
from siting.supply.network import build_network

COLUMNS = (
    "from",
    "to",
    "mode",
    "days",
    "departures_a_year",
    "departures",
    "months_open",
    "cost_a_box",
    "fixed_cost_a_year",
    "capacity_in_boxes",
    "voyage",
    "both_ways",
)
SOUND = {"from": "laboratory", "to": "alba", "mode": "ship", "days": "30"}
HUBS = "id,lat,lon\nharbour,10,20\n"
LABORATORY = "[laboratory]\nlat = 45.0\nlon = -30.0\n"
PLACES = "a candidate, a hub of hubs.csv, or `laboratory`"
DAYS = "days as month-day with two digits each, separated by spaces, as 01-15 08-01"
QUARTER_KM = math.pi / 2.0 * 6378.137  # of the equator


def table(*rows, columns=COLUMNS):
    """Return legs.csv of rows that change a sound one; None is a row of empty cells."""
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows({} if row is None else SOUND | row for row in rows)
    return out.getvalue()


def facts(fault):
    return fault.file, fault.row, fault.field, fault.value


def legs(make_region, *rows, hubs=HUBS, laboratory=LABORATORY):
    maker = make_region().file("legs.csv", table(*rows))
    if hubs is not None:
        maker.file("hubs.csv", hubs)
    return maker.append(laboratory) if laboratory else maker


def only(make_region, row, **more):
    """Return the one fault of a legs.csv with one row."""
    (fault,) = legs(make_region, row, **more).faults()
    assert fault.file == "legs.csv"
    assert fault.row == 2
    return fault


def warned(region, words):
    return [w for w in region.warnings if words in w.sentence()]


# -- faults of legs.csv ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "field", "value", "problem", "allowed", "mend"),
    [
        ({"from": "laboratry"}, "from", "laboratry", "no place of this name", PLACES, "write 'laboratory'"),
        ({"to": "Alba"}, "to", "Alba", "no place of this name", PLACES, "write 'alba'"),
        ({"to": "harbor"}, "to", "harbor", "no place of this name", PLACES, "write 'harbour'"),
        (
            {"to": "zzzz"},
            "to",
            "zzzz",
            "no place of this name",
            PLACES,
            "correct the name, or add the place to hubs.csv with lat and lon",
        ),
        (
            {"to": "laboratory"},
            "to",
            "laboratory",
            "a leg leads from a place to itself",
            "another place than in `from`",
            "correct one of the two",
        ),
        (
            {"departures_a_year": "4", "departures": "01-15"},
            "departures_a_year",
            "4",
            "departures are given as a number and by name",
            "one of the two, or neither (any day)",
            "empty one of the two cells",
        ),
        (
            {"departures": "01-15 06-30 07-01", "months_open": "Nov-Feb"},
            "departures",
            "06-30 07-01",
            "departs in a month in which the leg is closed",
            "days in the months of `months_open`",
            "correct one of the two",
        ),
        ({"days": "-1"}, "days", "-1", "out of range", "a number with a decimal point, 0 to 400", None),
        ({"days": "401"}, "days", "401", "out of range", "a number with a decimal point, 0 to 400", None),
        (
            {"days": "5,5"},
            "days",
            "5,5",
            "is written with a decimal comma",
            "a number with a decimal point, 0 to 400",
            "write 5.5",
        ),
        (
            {"mode": "rode"},
            "mode",
            "rode",
            "not one of the known words",
            "ship, aircraft, rail, road, foot",
            "write 'road'",
        ),
        (
            {"mode": "zeppelin"},
            "mode",
            "zeppelin",
            "not one of the known words",
            "ship, aircraft, rail, road, foot",
            "write one of these words",
        ),
        ({"mode": ""}, "mode", None, "cell is empty", "ship, aircraft, rail, road, foot", "fill it in"),
        (
            {"departures_a_year": "0"},
            "departures_a_year",
            "0",
            "out of range",
            "a number with a decimal point, more than 0 and 10000 or less",
            None,
        ),
        (
            {"capacity_in_boxes": "-3"},
            "capacity_in_boxes",
            "-3",
            "out of range",
            "a number with a decimal point, 0 to 1000000000",
            None,
        ),
        (
            {"both_ways": "maybe"},
            "both_ways",
            "maybe",
            "is neither yes nor no",
            "true or false, yes or no, 1 or 0",
            "write yes or no",
        ),
        (
            {"months_open": "13"},
            "months_open",
            "13",
            "month 13 is outside 1 to 12",
            "months such as Nov-Feb, 11-2, 'Jan, Feb', 1,2,3 or all",
            "write numbers from 1 to 12",
        ),
        ({"departures": ","}, "departures", ",", "names no day", DAYS, None),
    ],
)
def test_a_faulty_leg_is_told_with_field_value_what_is_allowed_and_the_mend(
    make_region, change, field, value, problem, allowed, mend
):
    fault = only(make_region, change)
    assert (fault.field, fault.value, fault.problem) == (field, value, problem)
    assert fault.allowed == allowed
    assert fault.mend == mend if mend else fault.mend


@pytest.mark.parametrize(
    "word",
    ["02-30", "13-01", "00-10", "01-00", "04-31", "1/15", "2027-01-15", "15-Jan", "0115", "01-15-", "-01-15", "x" * 99],
)
def test_a_word_that_is_no_day_of_the_year_is_named(make_region, word):
    fault = only(make_region, {"departures": f"03-01 {word}"})
    assert fault.field == "departures"
    assert fault.value == f"03-01 {word}"
    assert fault.problem.startswith(f"has '{word[:37]}")
    assert fault.problem.endswith(", which is no day of the year")
    assert fault.allowed == DAYS
    assert fault.mend == "write the month first, then the day, and no year"


@pytest.mark.parametrize("word", ["02-Nov", "2-Nov", "2026-11-02"])
def test_months_that_a_spreadsheet_made_a_date_are_told_from_what_they_were(make_region, word):
    fault = only(make_region, {"months_open": word})
    assert (fault.field, fault.value) == ("months_open", word)
    assert "date" in fault.problem
    assert "Nov-Feb" in fault.mend


def test_a_voyage_with_two_fixed_costs_names_both_rows(make_region):
    rows = [
        {"voyage": "v", "fixed_cost_a_year": "100"},
        {"to": "harbour", "voyage": "v"},
        {"to": "brisa", "voyage": "w", "fixed_cost_a_year": "200"},
        {"to": "dusk", "voyage": "v", "fixed_cost_a_year": "200"},
    ]
    (fault,) = legs(make_region, *rows).faults()
    assert facts(fault) == ("legs.csv", 5, "fixed_cost_a_year", "200")
    assert fault.problem == "voyage 'v' costs 100 a year in row 2"
    assert fault.allowed == "one fixed cost for all legs of a voyage; a leg may leave the cell empty"
    assert fault.mend == "correct one of the two, or give the leg another voyage"


def test_a_fixed_cost_of_0_contradicts_another_and_an_empty_cell_does_not(make_region):
    """The first leg says nothing, the second 100, the third that there is no cost."""
    rows = [{"voyage": "v"}, {"to": "brisa", "voyage": "v", "fixed_cost_a_year": "100"}]
    region = legs(make_region, *rows).read()
    assert [shared.cost_a_year for shared in build_network(region).shared] == [100.0]
    third = {"to": "dusk", "voyage": "v", "fixed_cost_a_year": "0"}
    assert [facts(f) for f in legs(make_region, *rows, third).faults()] == [("legs.csv", 4, "fixed_cost_a_year", "0")]


def test_all_faults_of_both_files_are_told_at_once_in_the_order_of_rows(make_region):
    rows = [
        {"from": "laboratry"},
        {"to": "laboratory"},
        {"departures_a_year": "4", "departures": "01-15"},
        {"departures": "06-30", "months_open": "Nov-Feb"},
        {"departures": "02-30"},
        {"days": "-1", "mode": "boat"},
        None,
        {"from": "nowhere", "days": "5,5", "both_ways": "maybe"},
    ]
    hubs = "id,lat,lon\nharbour,10,20\n,1,2\nalba,1,2\nharbour,11,21\nlaboratory,5,6\npier,95,-3\nquay,,7\nrock,1,361\n"
    faults = legs(make_region, *rows, hubs=hubs).faults()
    assert [facts(f)[:3] for f in faults] == [
        ("hubs.csv", 3, "id"),
        ("hubs.csv", 4, "id"),
        ("hubs.csv", 5, "id"),
        ("hubs.csv", 6, "id"),
        ("hubs.csv", 7, "lat"),
        ("hubs.csv", 8, "lat"),
        ("hubs.csv", 9, "lon"),
        ("legs.csv", 2, "from"),
        ("legs.csv", 3, "to"),
        ("legs.csv", 4, "departures_a_year"),
        ("legs.csv", 5, "departures"),
        ("legs.csv", 6, "departures"),
        ("legs.csv", 7, "mode"),
        ("legs.csv", 7, "days"),
        ("legs.csv", 9, "days"),
        ("legs.csv", 9, "both_ways"),
        ("legs.csv", 9, "from"),
    ]
    assert all(fault.allowed and fault.mend for fault in faults)


def test_blank_rows_are_passed_over_and_counted(make_region):
    text = table({}, None, {}).replace("\n", "\n\n", 1)
    maker = make_region().file("legs.csv", f"{text}laboratory,brisa,ship,-2{',' * 8}\n")
    assert [facts(f) for f in maker.faults()] == [("legs.csv", 6, "days", "-2")]


@pytest.mark.parametrize("name", ["legs.csv", "hubs.csv"])
def test_a_file_of_a_heading_alone_is_as_good_as_none(make_region, name):
    region = make_region().file(name, ",".join(COLUMNS) if name == "legs.csv" else "id,lat,lon").read()
    assert region.legs == region.hubs == ()
    assert not warned(region, name)


def test_missing_columns_are_told_with_what_they_hold_and_what_may_be_meant_for_them(make_region):
    maker = make_region().file("legs.csv", "from,too,mode\nlaboratory,alba,ship\n").file("hubs.csv", "name,lat\nx,1\n")
    faults = {(f.file, f.field): f for f in maker.faults()}
    assert set(faults) == {("legs.csv", "to"), ("legs.csv", "days"), ("hubs.csv", "id"), ("hubs.csv", "lon")}
    assert all(f.row == 1 and f.problem == "column missing" and f.value is None for f in faults.values())
    assert faults["legs.csv", "to"].mend == "add a column 'to'; if 'too' is meant for it, rename that"
    assert faults["legs.csv", "days"].allowed == "a number with a decimal point, 0 to 400"


def test_an_unknown_column_is_kept_out_and_named(make_region):
    maker = make_region().file("legs.csv", "from,to,mode,days,cost_per_box\nlaboratory,alba,ship,30,7\n")
    (warning,) = warned(maker.read(), "unknown column")
    assert facts(warning) == ("legs.csv", 1, "cost_per_box", None)
    assert warning.mend == "if you meant 'cost_a_box', rename it"


# -- faults of hubs.csv ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "field", "value", "problem", "allowed", "mend"),
    [
        ("harbour,1,2", "id", "harbour", "id stands in row 2 already", "each id once", "rename one of the two"),
        ("alba,1,2", "id", "alba", "is the id of a candidate", "a name of its own", "rename the hub"),
        ("laboratory,1,2", "id", "laboratory", "is the name of the laboratory", "a name of its own", "rename the hub"),
        (
            "pier,95,3",
            "lat",
            "95",
            "out of range; perhaps lat and lon are swapped",
            "a number with a decimal point, -90 to 90",
            "swap lat and lon",
        ),
        (
            "pier,5,361",
            "lon",
            "361",
            "out of range",
            "a number with a decimal point, -180 to 360",
            "check the number and its unit",
        ),
        (
            'pier,"5,5",3',
            "lat",
            "5,5",
            "is written with a decimal comma",
            "a number with a decimal point, -90 to 90",
            "write 5.5",
        ),
        ("pier,5,", "lon", None, "cell is empty", "a number with a decimal point, -180 to 360", "fill it in"),
    ],
)
def test_a_faulty_hub_is_told_with_field_value_what_is_allowed_and_the_mend(
    make_region, row, field, value, problem, allowed, mend
):
    (fault,) = legs(make_region, {}, hubs=f"{HUBS}{row}\n").faults()
    assert facts(fault) == ("hubs.csv", 3, field, value)
    assert (fault.problem, fault.allowed, fault.mend) == (problem, allowed, mend)


@pytest.mark.parametrize("hubs", ["id,lat,lon\npier,95,3\n", "name,lat,lon\npier,5,3\n", b"\xff\xfe\x00\x01", ""])
def test_legs_are_not_blamed_for_hubs_whose_file_is_faulty(make_region, hubs):
    faults = legs(make_region, {"to": "pier"}, {"from": "pier"}, hubs=hubs).faults()
    assert {fault.file for fault in faults} == {"hubs.csv"}


def test_legs_are_not_blamed_for_candidates_whose_row_is_faulty(make_region):
    maker = legs(make_region, {"to": "alba"}).cell("alba", "lat", "95").cell("alba", "power", "wind")
    assert {fault.file for fault in maker.faults()} == {"candidates.csv"}


def test_a_candidate_with_the_name_of_the_laboratory_is_told_from_it(make_region):
    maker = legs(make_region, {}, {"to": "brisa"}).candidate("laboratory", lat="1", lon="2")
    (fault,) = maker.faults()
    assert facts(fault) == ("legs.csv", 2, "from", "laboratory")
    assert fault.mend == "rename the candidate"


# -- days and longitudes ---------------------------------------------------------------------------


def test_every_day_of_a_common_year_is_its_ordinal_date():
    """Ordinal dates of ISO 8601-1:2019 begin with 1, ours with 0."""
    day = datetime.date(2027, 1, 1)
    for number in range(365):
        assert days_of_year(f"{day:%m-%d}") == (day.timetuple().tm_yday - 1,) == (number,)
        assert month_of(number) == day.month
        assert day_words(number) == f"{day:%m-%d}"
        day += datetime.timedelta(days=1)


def test_days_that_no_month_has_are_refused():
    """Month lengths of a leap year, from the standard library."""
    for month in range(1, 13):
        last = calendar.monthrange(2028, month)[1]
        assert days_of_year(f"{month}-{last}")
        with pytest.raises(CellError):
            days_of_year(f"{month}-{last + 1}")


def test_february_29_is_february_28(make_region):
    (leg,) = legs(make_region, {"departures": "02-29"}).read().legs
    (other,) = legs(make_region, {"departures": "02-28"}).read().legs
    assert leg.departures == other.departures == (58,)
    (both,) = legs(make_region, {"departures": "02-29 02-28 03-01"}).read().legs
    assert both.departures == (58, 59)


def test_a_leap_day_departs_in_february(make_region):
    fault = only(make_region, {"departures": "02-29", "months_open": "Mar"})
    assert (fault.field, fault.value) == ("departures", "02-28")


@pytest.mark.parametrize("separators", [" ", "; ", "|", ", "])
def test_days_may_be_separated_and_ordered_in_any_way(make_region, separators):
    (leg,) = legs(make_region, {"departures": separators.join(["12-31", "01-01", "1-1"])}).read().legs
    assert leg.departures == (0, 364)


def test_longitudes_of_0_to_360_are_turned_to_west_for_maps(make_region):
    hubs = "id,lat,lon\na,1,0\nb,2,180\nc,3,181\nd,4,360\ne,5,-180\n"
    rows = [{"to": "alba"}, *({"to": name} for name in "abcde")]
    region = legs(make_region, *rows, hubs=hubs, laboratory="[laboratory]\nlat = 45.0\nlon = 330.0\n").read()
    assert [hub.lon for hub in region.hubs] == [0.0, 180.0, -179.0, 0.0, -180.0]
    (warning,) = warned(region, "turned to west")
    assert facts(warning) == ("hubs.csv", None, "lon", None)
    assert warning.problem.startswith("2 longitudes")
    where = build_network(region).where
    assert where["laboratory"] == (45.0, -30.0)
    assert where["c"] == (3.0, -179.0)


# -- what changes nothing --------------------------------------------------------------------------


SEVERAL = (
    {"to": "harbour", "days": "20", "voyage": "v", "fixed_cost_a_year": "100", "cost_a_box": "3.5"},
    {"from": "harbour", "days": "20", "departures": "01-15 08-01", "months_open": "Jan, Aug"},
    {"from": "harbour", "days": "20", "departures": "01-16", "months_open": "Jan"},
    {"from": "harbour", "days": "20", "cost_a_box": "9", "both_ways": "no"},
    {"from": "harbour", "days": "20", "cost_a_box": "9", "capacity_in_boxes": "4"},
    {"from": "harbour", "days": "20", "cost_a_box": "9", "capacity_in_boxes": "0"},
    {"from": "harbour", "to": "brisa", "mode": "aircraft", "days": "1", "departures_a_year": "12"},
    {"from": "harbour", "to": "brisa", "mode": "aircraft", "days": "1", "departures_a_year": "24"},
    {"from": "harbour", "to": "brisa", "mode": "aircraft", "days": "1", "voyage": "v"},
)
SEVERAL_HUBS = ("harbour,10,20", "pier,11,200.5", "quay,-3,4")


def several(make_region, rows=SEVERAL, hubs=SEVERAL_HUBS, change=lambda text: text):
    maker = make_region().append(LABORATORY)
    heading = "id,lat,lon"
    maker.file("legs.csv", change(table(*rows))).file("hubs.csv", change("\n".join([heading, *hubs, ""])))
    return maker.read()


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.permutations(SEVERAL), hubs=st.permutations(SEVERAL_HUBS))
def test_the_order_of_rows_changes_nothing(make_region, rows, hubs):
    first, other = several(make_region), several(make_region, rows, hubs)
    assert other.inputs == first.inputs
    assert other.legs == first.legs
    assert other.hubs == first.hubs
    assert build_network(other).arcs == build_network(first).arcs
    assert [w.sentence() for w in other.warnings] == [w.sentence() for w in first.warnings]


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace('"Jan, Aug"', "Jan Aug").replace(",", ";").replace("Jan Aug", "Jan, Aug"),
        lambda text: text.replace("\n", "\n\n"),
    ],
    ids=["byte mark", "line ends", "semicolons", "blank rows"],
)
def test_separator_line_ends_byte_mark_and_blank_rows_change_nothing(make_region, change):
    first, other = several(make_region), several(make_region, change=change)
    assert other.inputs == first.inputs
    assert other.legs == first.legs
    assert other.hubs == first.hubs


def test_a_changed_cell_changes_the_hash_of_its_file_alone(make_region):
    first = dict(several(make_region).inputs)
    other = dict(several(make_region, [*SEVERAL[:-1], SEVERAL[-1] | {"days": "2"}]).inputs)
    assert {name for name in first if first[name] != other[name]} == {"legs.csv"}


# -- warnings --------------------------------------------------------------------------------------


def equator(make_region, mode, days):
    """Return the region of a leg over a quarter of the equator."""
    maker = make_region().append("[laboratory]\nlat = 0.0\nlon = 10.0\n").file("hubs.csv", "id,lat,lon\nfar,0,100\n")
    return maker.file("legs.csv", table({"to": "far", "mode": mode, "days": str(days)})).read()


@pytest.mark.parametrize("mode", FASTEST_KMH)
def test_a_leg_that_is_faster_than_its_mode_is_doubted_and_a_slower_one_is_not(make_region, mode):
    """A quarter of the equator is 10,019 km."""
    least = (QUARTER_KM - NEAR_KM) / (24.0 * FASTEST_KMH[mode])
    (warning,) = warned(equator(make_region, mode, round(least * 0.999, 6)), "crow flies")
    assert (warning.file, warning.field) == ("legs.csv", "days")
    assert f"laboratory to far by {mode} is 10,019 km" in warning.problem
    assert f"takes {least:.2g} days at {FASTEST_KMH[mode]:g} km/h" in warning.problem
    assert warning.mend == "correct the days, the mode or a place"
    assert not warned(equator(make_region, mode, round(least * 1.001, 6)), "crow flies")


def test_the_fastest_speeds_lie_between_what_vehicles_do_and_twice_that():
    """Container ships 24 knots, airliners 900 km/h, fast trains 300 km/h, roads 130 km/h, walkers 5 km/h.

    Common practice, no single source.
    """
    usual = {"ship": 24 * 1.852, "aircraft": 900.0, "rail": 300.0, "road": 130.0, "foot": 5.0}
    assert usual.keys() == FASTEST_KMH.keys()
    assert all(usual[mode] <= FASTEST_KMH[mode] <= 2.0 * usual[mode] for mode in usual)


def test_0_days_are_doubted_only_where_a_day_is_not_enough(make_region):
    assert not warned(equator(make_region, "aircraft", 0), "crow flies")
    assert warned(equator(make_region, "road", 0), "crow flies")


def test_a_leg_to_a_place_that_moves_is_not_doubted(make_region):
    line = {"type": "LineString", "coordinates": [[170, -40], [185, -20], [200, 0]]}
    ship = {"type": "Feature", "geometry": line, "properties": {"id": "tramp", "platform": "ship"}}
    document = json.dumps({"type": "FeatureCollection", "features": [ship]})
    region = legs(make_region, {"to": "tramp", "days": "0"}).file("candidates.geojson", document).read()
    assert not warned(region, "crow flies")


def test_sites_that_no_way_joins_are_named_with_the_nearest_place_that_has_one(make_region):
    """On the equator a degree is 111.319 km: 3 degrees are 334 km, 2 are 223 km."""
    maker = legs(make_region, {"to": "harbour"}, {}, {"to": "brisa"}, hubs="id,lat,lon\nharbour,0,20\n")
    maker.candidate("lone", lat="0", lon="23").candidate("west", lat="0", lon="18")
    region = maker.read()
    (warning,) = warned(region, "no way to the laboratory")
    assert "lone (nearest that has: harbour, 334 km)" in warning.problem
    assert "west (nearest that has: harbour, 223 km)" in warning.problem
    # those that run, or may not be picked, need no way
    assert "corvo" not in warning.problem
    assert "dusk" not in warning.problem
    assert warning.file == "legs.csv"


@pytest.mark.parametrize("back", ["yes", "no"])
def test_a_place_that_one_reaches_but_does_not_leave_has_no_way(make_region, back):
    """45 N 30 W to 51.5 N 12.25 W: haversine 1,494 km on a sphere of 6371 km, 1,498 km on the ellipsoid."""
    region = legs(make_region, {"both_ways": back}, {"to": "brisa"}).read()
    found = warned(region, "no way to the laboratory and back: alba (nearest that has: laboratory, 1,498 km)")
    assert bool(found) == (back == "no")


def test_two_legs_one_way_each_join_a_place(make_region):
    back = {"from": "alba", "to": "laboratory", "both_ways": "no"}
    assert not warned(legs(make_region, {"both_ways": "no"}, back, {"to": "brisa"}).read(), "no way")


def test_of_many_sites_without_a_way_eight_are_named_and_the_rest_counted(make_region):
    maker = legs(make_region, {}, {"to": "brisa"})
    for k in range(30):
        maker.candidate(f"x{k:02d}", lat=str(k), lon=str(2 * k))
    (warning,) = warned(maker.read(), "no way to the laboratory")
    assert "x07 (nearest" in warning.problem
    assert "x08" not in warning.problem
    assert "and 22 more" in warning.problem


def test_without_legs_nobody_is_warned_of_ways(make_region):
    region = make_region().append(LABORATORY).read()
    assert not warned(region, "no way")
    assert not warned(region, "laboratory has no place")


def test_legs_ask_for_the_place_of_the_laboratory(make_region):
    region = legs(make_region, {}, laboratory=None).read()
    (warning,) = warned(region, "the laboratory has no place")
    assert facts(warning) == ("region.toml", None, "laboratory.lat", None)
    assert warning.mend == "give laboratory.lat and laboratory.lon"
    assert "laboratory" not in build_network(region).where
    assert not warned(legs(make_region, {}).read(), "the laboratory has no place")


def test_a_site_far_from_a_laboratory_without_place_is_named_all_the_same(make_region):
    region = legs(make_region, {"to": "harbour"}, hubs=None, laboratory=None).file("hubs.csv", HUBS).read()
    assert warned(region, "alba (nearest that has: harbour")
    region = legs(make_region, {"both_ways": "no"}, laboratory=None).read()
    assert warned(region, "no way to the laboratory and back: alba, brisa;")


def test_a_hub_asked_for_that_no_leg_passes_is_named_with_its_row(make_region):
    maker = legs(make_region, {"to": "harbour"}, {"from": "harbour"}).cell("alba", "hub", "harbor")
    (warning,) = warned(maker.read(), "no leg passes this hub")
    assert facts(warning) == ("candidates.csv", 2, "hub", "harbor")
    assert warning.mend == "write 'harbour'"
    maker = legs(make_region, {"to": "harbour"}, {"from": "harbour"}).cell("alba", "hub", "harbour")
    assert not warned(maker.read(), "no leg passes")


def test_hubs_that_no_leg_passes_are_named(make_region):
    region = legs(make_region, {"to": "harbour"}, hubs=HUBS + "pier,1,2\nquay,3,4\n").read()
    (warning,) = warned(region, "no leg passes")
    assert facts(warning) == ("hubs.csv", None, "id", None)
    assert warning.problem == "no leg passes pier, quay"


# -- damage ----------------------------------------------------------------------------------------

CELL = st.one_of(
    st.text(max_size=10),
    st.text(alphabet="0123456789.,-+eE%° NSEW:/;|", max_size=12),
    st.sampled_from(
        [
            "",
            "nan",
            "-inf",
            "1e999",
            "1,5",
            "02-Nov",
            "02-29",
            "12-31 01-01",
            "#REF!",
            "\x00",
            "\u202e",
            "é",
            "a" * 3000,
        ]
    ),
    st.sampled_from(["laboratory", "alba", "brisa", "harbour", "pier", "ship", "foot", "yes", "no", "all", "v", "180"]),
    st.integers(-400, 400).map(str),
)


def written(rows):
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8", "replace")


@settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_cells_replaced_by_anything_give_a_region_or_faults(make_region, data):
    legs_rows = [list(row) for row in csv.reader(io.StringIO(table(*SEVERAL)))]
    hub_rows = [row.split(",") for row in ("id,lat,lon", *SEVERAL_HUBS)]
    for rows in (legs_rows, hub_rows):
        for _ in range(data.draw(st.integers(0, 3))):
            row = data.draw(st.sampled_from(rows if data.draw(st.integers(0, 9)) == 0 else rows[1:]))
            row[data.draw(st.integers(0, len(row) - 1))] = data.draw(CELL)
    maker = make_region().append(LABORATORY).cell("alba", "hub", "pier")
    folder = maker.file("legs.csv", written(legs_rows)).file("hubs.csv", written(hub_rows)).write()
    told = ()
    try:
        region = read_region(folder)
    except InputError as error:
        told = error.faults
    else:
        assert isinstance(region, Region)
        assert build_network(region).arcs
        told = region.warnings
    assert told
    for fault in told:
        assert "\n" not in fault.problem
        fault.sentence().encode()
        for word in ("Traceback", "pydantic", "Input should", "NoneType", "<class"):
            assert word not in fault.sentence().replace(fault.value or "\n", "")


# -- the command -----------------------------------------------------------------------------------


def run(*args, cwd):
    package = str(Path(siting.__file__).parents[1])
    environment = os.environ | {"PYTHONPATH": package, "COLUMNS": "300", "PYTHONUTF8": "1"}
    command = [sys.executable, "-c", "from siting.cli import main; main()", *map(str, args)]
    return subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, encoding="utf-8", timeout=100, check=False
    )


@pytest.fixture(scope="module")
def new_region(tmp_path_factory):
    """Return an empty folder in which `siting new` made the region `isles`, with legs.csv written into it."""
    folder = tmp_path_factory.mktemp("work")
    done = run("new", "isles", cwd=folder)
    assert done.returncode == 0, done.stderr
    with (folder / "isles" / "candidates.csv").open(encoding="utf-8-sig", newline="") as file:
        names = [row["id"] for row in csv.DictReader(file)]
    (folder / "isles" / "hubs.csv").write_text(HUBS, encoding="utf-8")
    rows = [{"to": "harbour"}, *({"from": "harbour", "to": name} for name in names)]
    (folder / "isles" / "legs.csv").write_text(table(*rows), encoding="utf-8")
    return folder


def files_in(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_new_region_with_legs_and_hubs_is_sound(new_region):
    done = run("check", "isles", cwd=new_region)
    assert done.returncode == 0, done.stderr


WRONG = {
    "legs to nowhere": ("legs.csv", table({"to": "nowhere", "days": "5,5"}, {"to": "laboratory"}), ["row 2", "row 3"]),
    "a hub without a place": ("hubs.csv", "id,lat,lon\nharbour,95,20\n", ["row 2", "lat", "95"]),
    "a file that is no table": ("legs.csv", "PK\x03\x04\x00\x00", []),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_legs_and_hubs_give_code_2_no_traceback_and_nothing_written(new_region, case):
    name, text, words = WRONG[case]
    file = new_region / "isles" / name
    sound = file.read_bytes()
    try:
        file.write_text(text, encoding="utf-8")
        before = files_in(new_region)
        done = run("plan", "isles", cwd=new_region)
        assert files_in(new_region) == before
    finally:
        file.write_bytes(sound)
    assert done.returncode == 2
    assert "Traceback" not in done.stdout + done.stderr
    for word in (name, *words):
        assert word in done.stderr
