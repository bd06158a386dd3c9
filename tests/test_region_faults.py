"""Every kind of fault: its whole sentence, nobody else blamed, and all of them in one go."""

import json
import os

import geopandas as gpd
import pytest
import shapely

from siting.region import InputError, read_region

NUMBER = "a number with a decimal point"
SHARE = f"{NUMBER}, 0 to 1"
MONTHS = "months such as Nov-Feb, 11-2, 'Jan, Feb', 1,2,3 or all"
ID = "1 to 80 letters, digits, spaces and _ . -, a letter or digit first"
NAME = "a text, 1 to 80 characters, letters, digits, spaces and _ . -, a letter or digit first"

BUDGET = "a number, more than 0 and 1000000000000 or less"
# column, what stands in the cell of brisa (row 3) -> problem, allowed, mend
CELLS = [
    ("elevation_m", "high", "is not a number", f"{NUMBER}, -450 to 9000", "write a number, or leave the cell empty"),
    ("elevation_m", "9001", "out of range", f"{NUMBER}, -450 to 9000", "check the number and its unit"),
    ("baseline_exposure", "0,75", "is written with a decimal comma", SHARE, "write 0.75"),
    ("baseline_exposure", "1.01", "out of range", SHARE, "check the number and its unit"),
    ("baseline_exposure", "-0.1", "out of range", SHARE, "check the number and its unit"),
    (
        "baseline_exposure",
        "70%",
        "is a percentage",
        SHARE,
        "write 0.7 if a share from 0 to 1 is asked for, else 70",
    ),
    (
        "contamination_risk",
        "NaN",
        "is not a number but a mark for a missing value",
        SHARE,
        "leave the cell empty",
    ),
    (
        "contamination_size",
        "inf",
        "is not a finite number",
        f"{NUMBER}, 0 to 1000000",
        "write a finite number, or leave the cell empty",
    ),
    (
        "contamination_size.co2",
        "-inf",
        "is not a finite number",
        f"{NUMBER}, 0 to 1000000",
        "write a finite number, or leave the cell empty",
    ),
    ("contamination_size.co2", "-2", "out of range", f"{NUMBER}, 0 to 1000000", "check the number and its unit"),
    ("setup_cost_low", "1e13", "out of range", f"{NUMBER}, 0 to 1000000000000", "check the number and its unit"),
    ("lead_months", "2.5", "is not a whole number", "a whole number, 0 to 600", "write a whole number, such as 2"),
    ("lead_months", "-1", "out of range", "a whole number, 0 to 600", "check the number and its unit"),
    ("open_months", "13", "month 13 is outside 1 to 12", MONTHS, "write numbers from 1 to 12"),
    ("open_months", "0-3", "month 0 is outside 1 to 12", MONTHS, "write numbers from 1 to 12"),
    ("open_months", "Now-Feb", "'now' is not a month", MONTHS, "write English names of months or numbers from 1 to 12"),
    (
        "open_months",
        "02-Nov",
        "is a date that a spreadsheet made of '11-2' or '2-11'",
        MONTHS,
        "format the column as text and write Nov-Feb (11-2) or Feb-Nov (2-11)",
    ),
    (
        "status",
        "requird",
        "not one of the known words",
        "open, running, required, excluded",
        "write 'required'",
    ),
    ("platform", "tent", "not one of the known words", "fixed, ship, drifting, moored", "write one of these words"),
    ("staffed", "maybe", "is neither yes nor no", "true or false, yes or no, 1 or 0", "write yes or no"),
    ("lat", "91", "not a latitude", "-90 to 90", "give decimal degrees, south negative"),
    ("lon", "361", "not a longitude", "-180 to 180, or 0 to 360", "give decimal degrees, west negative"),
    (
        "lat",
        "14 S",
        "is written with a compass letter",
        "decimal degrees, south and west negative",
        "write -14",
    ),
    ("plans", "weakly", "no plan of this name", "both, line, weekly", "write 'weekly'"),
    ("name", "x" * 1001, "too long, with 1001 characters", "a text, at most 1000 characters", "shorten it"),
    ("method", "<b>", "has a character that an id may not have: '<'", ID, "write b_"),
]


@pytest.mark.parametrize(("column", "text", "problem", "allowed", "mend"), CELLS)
def test_a_faulty_cell_is_named_with_row_field_value_allowed_and_mend(
    make_region, column, text, problem, allowed, mend
):
    found = text if len(text) <= 60 else text[:57] + "..."
    assert make_region().cell("brisa", column, text).sentences() == [
        f"candidates.csv, row 3, {column}: {problem} (found '{found}'); allowed: {allowed}; mend: {mend}"
    ]


def test_swapped_coordinates_are_said_as_a_suspicion(make_region):
    assert make_region().cell("brisa", "lat", "170.5").cell("brisa", "lon", "14").sentences() == [
        "candidates.csv, row 3, lat: not a latitude; perhaps lat and lon are swapped (found '170.5'); "
        "allowed: -90 to 90; mend: swap lat and lon"
    ]


def test_a_latitude_beside_an_impossible_longitude_is_not_called_swapped(make_region):
    found = make_region().cell("brisa", "lat", "170.5").cell("brisa", "lon", "200").sentences()
    assert [s for s in found if "swapped" in s] == []
    assert len(found) == 1


def test_swapped_coordinates_of_sources_and_laboratory_are_suspected_too(make_region):
    maker = make_region().append("[laboratory]\nlat = 170.0\nlon = 10.0")
    maker.file("sources.csv", "id,lat,lon,strength\nkiln,-120,40,1\nmill,95,200,1\n")
    assert maker.sentences() == [
        f"region.toml, line {maker.line_of('lat = 170.0')}, laboratory, lat: out of range; perhaps lat and lon are "
        "swapped (found '170.0'); allowed: a number, -90 to 90; mend: swap lat and lon",
        "sources.csv, row 2, lat: out of range; perhaps lat and lon are swapped (found '-120'); "
        f"allowed: {NUMBER}, -90 to 90; mend: swap lat and lon",
        f"sources.csv, row 3, lat: out of range (found '95'); allowed: {NUMBER}, -90 to 90; "
        "mend: check the number and its unit",
    ]


def test_missing_cells_are_told_from_missing_columns(make_region):
    maker = make_region().cell("brisa", "lat", "").cell("dusk", "id", "")
    assert maker.sentences() == [
        "candidates.csv, row 3, lat: cell is empty; allowed: decimal degrees, south and west negative; "
        "mend: give decimal degrees",
        f"candidates.csv, row 5, id: cell is empty; allowed: {ID}; mend: fill it in",
    ]
    maker = make_region()
    maker.columns[maker.columns.index("lat")] = "latt"
    for row in maker.rows:
        row["latt"] = row.pop("lat")
    assert maker.sentences() == [
        f"candidates.csv, row 1, lat: column missing; allowed: {NUMBER}; "
        "mend: add a column 'lat'; if 'latt' is meant for it, rename that"
    ]


def test_a_file_without_ids_blames_the_column_and_nobody_who_names_them(make_region):
    maker = make_region().append('[[rules]]\nkind = "at_most"\ncount = 1\nsites = ["alba"]')
    maker.file("layouts/one.csv", "id,plan\nbrisa,weekly\n")
    assert maker.file("candidates.csv", maker.csv().replace("id,", "ids,", 1)).sentences() == [
        f"candidates.csv, row 1, id: column missing; allowed: {ID}; "
        "mend: add a column 'id'; if 'ids' is meant for it, rename that"
    ]


def test_an_id_that_stands_twice_is_named_with_its_first_place(make_region):
    line = {"type": "LineString", "coordinates": [[0, 0], [9, 9]]}
    ship = {"type": "Feature", "geometry": line, "properties": {"id": "dusk", "platform": "ship"}}
    maker = make_region().cell("brisa", "id", "alba")
    maker.file("candidates.geojson", json.dumps({"type": "FeatureCollection", "features": [ship]}))
    allowed = "allowed: each id once, across all candidate files; mend: rename one of the two"
    assert maker.sentences() == [
        f"candidates.csv, row 3, id: id stands already in candidates.csv, row 2 (found 'alba'); {allowed}",
        f"candidates.geojson, row 1, id: id stands already in candidates.csv, row 5 (found 'dusk'); {allowed}",
    ]


def test_rows_are_numbered_as_the_spreadsheet_shows_them(make_region):
    maker = make_region().cell("dusk", "lat", "x")
    text = maker.csv().replace("\nbrisa", "\n\n\nbrisa").replace("Corvo Rock", '"Corvo\nRock"')
    assert [fault.row for fault in maker.file("candidates.csv", text).faults()] == [7]


def test_bytes_of_another_encoding_are_named_and_no_rule_is_blamed_for_the_lost_ids(make_region):
    maker = make_region().append('[[rules]]\nkind = "only_with"\nsite = "alba"\nneeds = "corvo"')
    maker.file("candidates.csv", maker.csv().replace("Brisa Key", "Brisá").encode("cp1252"))
    assert maker.sentences() == [
        "candidates.csv, row 3: is not UTF-8: here stands the byte 0xE1, which is 'á' in Windows-1252; "
        'allowed: UTF-8 text, with or without a byte mark; mend: save it again as "CSV UTF-8"; '
        "ids of candidates in the other files are not checked before that"
    ]


def test_a_row_with_a_decimal_comma_too_many_is_named_and_its_id_still_known(make_region):
    maker = make_region().append('[[rules]]\nkind = "at_least"\ncount = 1\nsites = ["brisa"]')
    maker.file("monthly.csv", "id,month,exposure\nbrisa,1,0.5\nbirsa,2,0.5\n")
    maker.file("candidates.csv", maker.csv().replace("\nbrisa,Brisa Key,14,", "\nbrisa,Brisa Key,14,25,"))
    found = maker.sentences()
    assert len(found) == 2
    assert found[0].startswith("candidates.csv, row 3: has 17 cells where the heading has 16")
    assert "decimal comma" in found[0]
    assert found[1].startswith("monthly.csv, row 3, id: no candidate has this id (found 'birsa')")


UNCHECKED = "; ids of candidates in the other files are not checked before that"


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "candidates.csv: is empty (0 bytes); mend: fill it, or delete it" + UNCHECKED),
        (b" \n\n", "candidates.csv: is blank; mend: fill it, or delete it" + UNCHECKED),
        (
            b"id,lat,lon\n",
            "candidates.csv: no candidate in it; allowed: one row for each candidate below the heading; "
            "mend: add a row, or delete the file",
        ),
    ],
)
def test_an_empty_file_is_named_beside_the_faults_of_other_files(make_region, content, sentence):
    maker = make_region().setting("years = 4", "years = 0").file("candidates.csv", content)
    first, second = maker.sentences()
    assert first.startswith("region.toml, line 5, years: out of range (found '0')")
    assert second == sentence


def test_missing_files_are_named(make_region, tmp_path):
    assert make_region().remove("candidates.csv").sentences() == [
        "candidates.csv: no file of candidates in the folder; "
        "allowed: candidates.csv, candidates.geojson, candidates.gpkg; "
        "mend: add one; `siting new NAME` shows its columns"
    ]
    assert make_region().remove("region.toml").sentences() == [
        "region.toml: there is no such file; mend: add it, or correct its name"
    ]
    maker = make_region().remove("candidates.csv")
    assert "if 'Candidates.xlsx' is meant, save it" in maker.file("Candidates.xlsx", b"PK").sentences()[0]
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(InputError) as error:
        read_region(empty)
    assert [fault.file for fault in error.value.faults] == ["region.toml", "candidates.csv"]


@pytest.mark.parametrize("name", ["nowhere", "x" * 300, "a\0b"])
def test_a_folder_that_is_not_there_is_said_so(tmp_path, name):
    with pytest.raises(InputError) as error:
        read_region(tmp_path / name)
    (fault,) = error.value.faults
    assert fault.mend == "name such a folder; `siting new NAME` makes one"


def test_a_file_in_place_of_a_folder_is_said_so(make_region):
    with pytest.raises(InputError, match="is a file, not a region folder"):
        read_region(make_region().write() / "region.toml")


@pytest.mark.skipif(os.geteuid() == 0 if hasattr(os, "geteuid") else True, reason="the superuser may read everything")
def test_a_folder_that_may_not_be_read_is_said_so(make_region):
    folder = make_region().write()
    folder.chmod(0)
    try:
        with pytest.raises(InputError, match="cannot be opened"):
            read_region(folder)
    finally:
        folder.chmod(0o700)


# what stands in region.toml, what replaces it -> field, value found, problem, allowed, mend
SETTINGS = [
    ("total = 100000.0", "total = -1.0", "budget, total", "-1.0", "out of range", BUDGET,
     "check the number and its unit"),
    ("total = 100000.0", "total = 0", "budget, total", "0", "out of range", BUDGET,
     "check the number and its unit"),
    ("total = 100000.0", "total = nan", "budget, total", "nan", "not a finite number", BUDGET,
     "write a finite number"),
    ("total = 100000.0", "total = inf", "budget, total", "inf", "not a finite number", BUDGET,
     "write a finite number"),
    ("total = 100000.0", 'total = "100000"', "budget, total", "100000", "not a number", BUDGET,
     "write 100000 without quotes"),
    ("total = 100000.0", 'total = "1000,5"', "budget, total", "1000,5", "not a number", BUDGET,
     "write 1000.5, without quotes"),
    ("total = 100000.0", "total = true", "budget, total", "true", "not a number", BUDGET,
     "write a number"),
    ("total = 100000.0", "total = 2030-01-01", "budget, total", "2030-01-01", "not a number",
     BUDGET, "write a number"),
    ("per_year = 40000.0", "per_year = -3.0", "budget, per_year", "-3.0", "out of range",
     f"{BUDGET}, or a list, each entry a number, 0 to 1000000000000", "check the number and its unit"),
    ("per_year = 40000.0", 'per_year = "much"', "budget, per_year", "much", "not a number",
     f"{BUDGET}, or a list, each entry a number, 0 to 1000000000000", "write a number"),
    ("per_year = 40000.0", "per_year = [1, 2, -3, 4]", "budget, per_year no. 3", "-3", "out of range",
     "a number, 0 to 1000000000000", "check the number and its unit"),
    ("years = 4", "years = 4.5", "years", "4.5", "not a whole number", "a whole number, 1 to 50",
     "write a whole number"),
    ("years = 4", "years = 51", "years", "51", "out of range", "a whole number, 1 to 50",
     "check the number and its unit"),
    ('currency = "crowns"', "currency = 5", "currency", "5", "not a text", "a text, 1 to 2000 characters",
     "put it in double quotes"),
    ('currency = "crowns"', 'currency = ""', "currency", None, "empty", "a text, 1 to 2000 characters",
     "fill it in"),
    ('unit = "ppm"', 'unit = "pm"', "tracer 'CO2', unit", "pm", "not one of the known words", "ppm, ppb, ppt",
     "write 'ppm'"),
    ('kind = "analyzer"', 'kind = "analyser"', "plan 'line', kind", "analyser", "not one of the known words",
     "analyzer, flask, both, flask_then_analyzer", "write 'analyzer'"),
    ('kind = "at_most"', 'kind = "atmost"', "rule 'few', kind", "atmost", "not one of the known words",
     "at_most, at_least, only_with, band_at_least, spacing, comparison, at_most_sites", "write 'at_most'"),
    ("count = 3", "count = 3.5", "rule 'few', count", "3.5", "not a whole number", "a whole number, 0 to 100000",
     "write a whole number"),
    ('id = "south"', 'id = " south"', "band ' south', id", " south", "not a good name", NAME, "rename it"),
    ("goal = 0.5", "goal = 0", "target 'growth', goal", "0", "out of range", "a number, more than 0",
     "check the number and its unit"),
    ("[budget]", "[[budget]]", "budget", None, "not a table", "a table of settings",
     "write it once, in single brackets"),
    ("[[targets]]", "[targets]", "targets", None, "not a list", "a list, each entry a table of settings",
     "write it as a list: [[...]] in double brackets for each table"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "field", "value", "problem", "allowed", "mend"), SETTINGS)
def test_a_faulty_setting_is_named_with_line_field_value_allowed_and_mend(
    make_region, old, new, field, value, problem, allowed, mend
):
    maker = make_region().setting(old, new)
    (fault,) = maker.faults()
    assert (fault.file, fault.row, fault.field) == ("region.toml", maker.line_of(new), field)
    if value is not None:
        assert fault.value == value
    assert (fault.problem, fault.allowed, fault.mend) == (problem, allowed, mend)


@pytest.mark.parametrize(
    ("old", "row", "field", "allowed"),
    [
        ('title = "Test region, invented"\n', 1, "title", "a text, 1 to 2000 characters"),
        ("years = 4\n", 1, "years", "a whole number, 1 to 50"),
        ("total = 100000.0\n", 7, "budget, total", BUDGET),
        ('unit = "ppm"\n', 20, "tracer 'CO2', unit", "ppm, ppb, ppt"),
        ('kind = "analyzer"\n', 34, "plan 'line', kind", "analyzer, flask, both, flask_then_analyzer"),
        ("goal = 0.5\n", 65, "target 'growth', goal", "a number, more than 0"),
        ("count = 3\n", 54, "rule 'few', count", "a whole number, 0 to 100000"),
    ],
)
def test_a_missing_setting_has_the_line_of_its_table(make_region, old, row, field, allowed):
    assert make_region().setting(old, "").sentences() == [
        f"region.toml, line {row}, {field}: missing; allowed: {allowed}; mend: add it"
    ]


def test_a_rule_without_kind_is_told_the_kinds(make_region):
    (fault,) = make_region().setting('kind = "at_most"\n', "").faults()
    assert (fault.row, fault.field, fault.problem) == (54, "rule 'few', kind", "missing")
    assert fault.allowed.startswith("at_most, at_least, only_with")


def test_an_unknown_setting_is_named_with_the_nearest_known_one(make_region):
    maker = make_region().setting("spare_analyzers = 1", "spare_analysers = 1").append("[weather]\nsun = true")
    found = maker.sentences()
    assert found[0] == (
        f"region.toml, line {maker.line_of('spare_analysers')}, stock, spare_analysers: not a setting that is known "
        "here; allowed: analyzers, buy_most, buy_price, flasks, spare_analyzers; "
        "mend: if you meant 'spare_analyzers', write that"
    )
    assert found[1].startswith(f"region.toml, line {maker.line_of('[weather]')}, weather: not a setting")
    assert len(found) == 2


@pytest.mark.parametrize("key", ["str", "int", "float", "tuple", '"a(b"', '"a[b"', "at_most", '"\\u001B[31m"', '""'])
def test_a_key_of_any_name_is_called_unknown_wherever_it_stands(make_region, key):
    for piece in ("[budget]", "[stock]", 'kind = "at_most"'):
        maker = make_region().setting(piece, f"{piece}\n{key} = 5")
        (fault,) = maker.faults()
        assert fault.problem == "not a setting that is known here"
        assert fault.row == maker.line_of(piece) + 1
        assert fault.field.isprintable()


def test_a_syntax_fault_names_its_line_and_the_tables_are_checked_all_the_same(make_region):
    maker = make_region().setting('currency = "crowns"', "currency = crowns").cell("brisa", "lat", "x")
    assert maker.sentences() == [
        "region.toml, line 3: is not valid TOML at column 12: text without quotation marks "
        "(found 'currency = crowns'); mend: write \"crowns\"",
        f"candidates.csv, row 3, lat: is not a number (found 'x'); allowed: {NUMBER}; "
        "mend: write a number, or leave the cell empty",
    ]


def test_a_newer_version_is_named_and_names_that_it_may_have_added_are_not_blamed(make_region):
    maker = make_region().setting("schema_version = 1", "schema_version = 2")
    maker.setting("[stock]", "[moon]\nphase = 1\n\n[stock]").setting('kind = "at_most"', 'kind = "at_any_time"')
    maker.setting("years = 4", "years = 0")
    first, second = maker.sentences()
    assert first == (
        "region.toml, line 1, schema_version: the folder was written for a newer version of this program (found '2'); "
        "allowed: 1; mend: install a newer version of siting"
    )
    assert second.startswith("region.toml, line 5, years: out of range")


def test_all_faults_of_all_files_come_out_together(make_region):
    maker = make_region().setting("total = 100000.0", "total = 0").setting('unit = "ppm"', 'unit = "mol"')
    maker.append('[[rules]]\nkind = "only_with"\nsite = "abla"\nneeds = "dusk"')
    maker.append('[[targets]]\nid = "s"\nkind = "season"\nband = "nroth"\ngoal = -1')
    maker.cell("alba", "lat", "95").cell("alba", "setup_cost", "5.000,00").cell("dusk", "open_months", "13")
    maker.cell("brisa", "plans", "wekly")
    maker.file("monthly.csv", "id,month,exposure\nalba,14,0.5\nabla,1,0.5\n")
    maker.file("winds.csv", "site,month,sector,speed,frequency\ndsk,1,400,3,0.5\n")
    maker.file("legs.csv", "from,to,mode,days\nalba,laboratory,ship,\n")
    maker.file("layouts/a.csv", "id,plan,start_year\nalba,weekly,2040\n").file("records/corvo.csv", "time,value\n1,2\n")
    places = [(fault.file, fault.row, fault.field) for fault in maker.faults()]
    lines = {piece: maker.line_of(piece) for piece in ("total = 0", '"mol"', '"abla"', '"nroth"', "goal = -1")}
    assert sorted(places, key=str) == sorted(
        [
            ("region.toml", lines["total = 0"], "budget, total"),
            ("region.toml", lines['"mol"'], "tracer 'CO2', unit"),
            ("region.toml", lines['"abla"'], "rule 3 (only_with), site"),
            ("region.toml", lines['"nroth"'], "target 's', band"),
            ("region.toml", lines["goal = -1"], "target 's', goal"),
            ("candidates.csv", 2, "lat"),
            ("candidates.csv", 2, "setup_cost"),
            ("candidates.csv", 3, "plans"),
            ("candidates.csv", 5, "open_months"),
            ("monthly.csv", 2, "month"),
            ("monthly.csv", 3, "id"),
            ("winds.csv", 2, "sector"),
            ("winds.csv", 2, "site"),
            ("legs.csv", 2, "days"),
            ("layouts/a.csv", 2, "start_year"),
            ("records/corvo.csv", 2, "time"),
        ],
        key=str,
    )


INNOCENT = [
    # a faulty plan is still a plan: neither the plan that joins it nor the candidate that names it is blamed
    (lambda m: m.setting("samples_per_month = 4.35", "samples_per_month = 0").cell("alba", "plans", "weekly"), 1),
    (lambda m: m.setting('kind = "flask"', 'kind = "flsk"').cell("alba", "plans", "weekly"), 1),
    # a faulty window blames no year
    (lambda m: m.setting("first_year = 2030", 'first_year = "soon"').file("layouts/a.csv", "id,plan,start_year\n"
     "alba,weekly,2031\n"), 1),
    (lambda m: m.setting("years = 4", "years = 400").setting("per_year = 40000.0", "per_year = [1, 2, 3]"), 1),
    # a faulty stock blames no spare analyzer
    (lambda m: m.setting("\nanalyzers = 2", "\nanalyzers = -2"), 1),
    # a faulty tracer or band is still named
    (lambda m: m.setting('unit = "ppm"', 'unit = "x"').setting('id = "weekly"', 'id = "weekly"\ngases = ["CO2"]'), 1),
    (lambda m: m.setting("south = -90.0", "south = -91").setting("goal = 0.5", 'goal = 0.5\nband = "south"'), 1),
    # a faulty weight makes no wrong sum
    (lambda m: m.append("[score.weights]\nexposure = 2.0"), 1),
    # faulty cells of a candidate blame no rule that counts it
    (lambda m: m.cell("brisa", "group", "isles\x07").cell("alba", "group", "").append(""), 1),
    (lambda m: m.cell("alba", "status", "opne").append('[[rules]]\nkind = "at_least"\ncount = 1\nsites = ["alba"]'), 1),
    (lambda m: m.cell("alba", "setup_cost", "x").cell("alba", "setup_cost_low", "9").cell("alba", "setup_cost_high",
     "10"), 1),
    (lambda m: m.cell("corvo", "running_since", "long ago"), 1),
]  # fmt: skip


@pytest.mark.parametrize("case", range(len(INNOCENT)))
def test_what_rests_on_a_faulty_thing_is_not_blamed(make_region, case):
    change, count = INNOCENT[case]
    maker = make_region()
    change(maker)
    found = maker.sentences()
    assert len(found) == count, found


def test_faults_of_a_feature_file_carry_the_number_of_the_feature(make_region):
    def point(name, x, y, **more):
        return {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [x, y]},
            "properties": {"id": name, **more},
        }

    features = [point("one", 1, 2), point("two", 10, 95), point("three", 3, 4, setup_cost=-1, staffed="perhaps")]
    maker = make_region().file("candidates.geojson", json.dumps({"type": "FeatureCollection", "features": features}))
    assert [(f.row, f.field) for f in maker.faults()] == [(2, "geometry"), (3, "staffed"), (3, "setup_cost")]
    assert "perhaps longitude and latitude are swapped" in maker.faults()[0].problem


@pytest.mark.filterwarnings("ignore:.crs. was not provided")
def test_coordinates_that_cannot_be_degrees_are_refused_without_a_declared_crs(make_region):
    folder = make_region().write()
    frame = gpd.GeoDataFrame({"id": ["far"]}, geometry=[shapely.Point(600000, 5000000)])
    frame.to_file(folder / "candidates.gpkg", driver="GPKG")
    with pytest.raises(InputError, match="cannot be degrees") as error:
        read_region(folder)
    assert "WGS 84" in error.value.faults[0].mend


@pytest.mark.parametrize(
    ("name", "content", "row", "field", "problem"),
    [
        ("monthly.csv", "id,month\nalba,0\n", 2, "month", "out of range"),
        ("monthly.csv", "id,month\nalba,1\nbrisa,1\nalba,1\n", 4, "month",
         "this month of 'alba' stands in row 2 already"),
        ("monthly.csv", "id,month,exposure\nalba,1,1.5\n", 2, "exposure", "out of range"),
        ("monthly.csv", "id,month,size.co2\nalba,1,\"1,5\"\n", 2, "size.co2", "is written with a decimal comma"),
        ("monthly.csv", "id,month\nnobody,1\n", 2, "id", "no candidate has this id"),
        ("monthly.csv", "id,exposure\nalba,1\n", 1, "month", "column missing"),
        ("winds.csv", "site,month,sector,speed,frequency\nalba,1,0,3,0.7\nalba,1,90,3,0.4\n", 3, "frequency",
         "the shares of month 1 of 'alba' do not sum to 1"),
        ("winds.csv", "site,month,sector,speed,frequency,stability\nalba,1,0,3,0.7,G\n", 2, "stability",
         "not one of the known words"),
        ("sources.csv", "id,lat,lon,strength\na,1,2,3\na,4,5,6\n", 3, "id", "id stands in row 2 already"),
        ("sources.csv", "id,lat,lon,strength\na,1,2,-3\n", 2, "strength", "out of range"),
        ("legs.csv", "from,to,mode,days\nalba,alba,ship,3\n", 2, "to", "a leg leads from a place to itself"),
        ("legs.csv", "from,to,mode\nalba,laboratory,ship\n", 1, "days", "column missing"),
        ("records/corvo.csv", "time,value\n2027,1900\n", 2, "time", "is a year, not a date"),
        ("records/corvo.csv", "time,value,value.co2\n2027-01-01,1900,x\n", 2, "value.co2", "is not a number"),
        ("candidates.derived.csv", "id,baseline_exposure\nbrisa,1.5\n", 2, "baseline_exposure", "out of range"),
        ("candidates.derived.csv", "id,elevation_m\nbrisa,1\nbrisa,2\n", 3, "id",
         "id stands already in candidates.derived.csv, row 2"),
    ],
)  # fmt: skip
def test_the_further_tables_are_checked_as_strictly(make_region, name, content, row, field, problem):
    (fault,) = make_region().file(name, content).faults()
    assert (fault.file, fault.row, fault.field, fault.problem) == (name, row, field, problem)
    assert fault.allowed
    assert fault.mend


def test_every_fault_of_settings_and_cells_says_what_is_allowed_and_how_to_mend_it(make_region):
    inner = ("Annotated", "Literal", "NoneType", "constrained", "tuple[", "Vocabulary", "frozenset", "_type", "Row")
    for old, new, *_ in SETTINGS:
        for fault in make_region().setting(old, new).faults():
            assert fault.allowed
            assert fault.mend
            assert fault.row is not None
            assert not [word for word in inner if word in fault.sentence()]
    for column, text, *_ in CELLS:
        for fault in make_region().cell("brisa", column, text).faults():
            assert fault.allowed
            assert fault.mend
            assert not [word for word in inner if word in fault.sentence()]


def test_thousands_of_faults_are_told_in_a_few_seconds(make_region):
    maker = make_region()
    maker.file("monthly.csv", "id,month\n" + "".join(f"place{i},{i % 12 + 1}\n" for i in range(5000)))
    maker.file("layouts/a.csv", "id,plan\n" + "".join(f"site{i},plan{i}\n" for i in range(3000)))
    found = maker.faults()
    assert len(found) == 1 + 5000 + 2 * 3000
    assert "is candidates.geojson or candidates.gpkg missing?" in found[0].problem


def test_the_command_refuses_with_exit_code_2_and_no_traceback(make_region):
    from typer.testing import CliRunner

    from siting.cli import app

    folder = make_region().cell("alba", "lat", "95").setting("years = 4", "years = 0").write()
    before = sorted(path.name for path in folder.iterdir())
    result = CliRunner().invoke(app, ["check", str(folder)])
    assert result.exit_code == 2
    assert "Traceback" not in result.output
    assert "candidates.csv, row 2, lat" in result.output.replace("\n", " ")
    assert "region.toml, line 5, years" in result.output.replace("\n", " ")
    assert sorted(path.name for path in folder.iterdir()) == before


def test_what_is_said_to_be_allowed_is_what_the_vocabulary_lets_through():
    from siting.region.schema.network import Budget, Plan, Stock
    from siting.region.schema.settings import Settings
    from siting.region.schema.tables import CandidateRow, MonthlyRow
    from siting.region.wanted import wanted

    assert wanted(Settings, "years") == "a whole number, 1 to 50"
    assert wanted(Settings, "rules") == "a list, each entry a table of settings"
    assert wanted(Budget, "carry_over") == "true or false"
    assert wanted(Plan, "platforms") == "a list, each entry fixed, ship, drifting, moored"
    assert wanted(Stock, "buy_price") == BUDGET
    assert wanted(CandidateRow, "open_months") == MONTHS
    assert wanted(CandidateRow, "id") == ID
    assert wanted(CandidateRow, "nothing") == ""
    for share in ("exposure", "risk"):
        assert wanted(MonthlyRow, share) == SHARE
        for text, good in (("0", True), ("1", True), ("-0.001", False), ("1.001", False)):
            cells = {"id": "a", "month": "1", share: text}
            try:
                MonthlyRow.model_validate(cells)
            except ValueError:
                assert not good
            else:
                assert good


@pytest.mark.parametrize("other", ["line", "Line"])
def test_two_plans_of_one_id_are_one_fault(make_region, other):
    maker = make_region().setting('id = "weekly"', f'id = "{other}"')
    (sentence,) = maker.sentences()
    assert "an earlier one has this id already" in sentence


def test_ids_are_not_checked_where_a_file_of_candidates_cannot_be_read(make_region):
    maker = make_region().file("candidates.geojson", "{").file("monthly.csv", "id,month,exposure\nnobody,1,0.5\n")
    (sentence,) = maker.sentences()
    assert sentence.startswith("candidates.geojson")
    assert sentence.endswith("ids of candidates in the other files are not checked before that")
