"""Layouts that are to be judged: by name, as CSV, as layout.json, as GeoJSON."""

import json

import pytest

from siting.region import InputError
from siting.region.layouts import read_layout

CSV = "id,plan,start_year\nbrisa,both,2032\nalba,weekly,\n"
PICKS = [{"id": "brisa", "plan": "both", "start_year": 2032}, {"id": "alba", "plan": "weekly", "start_year": None}]
WANTED = [("alba", "weekly", 2030), ("brisa", "both", 2032)]


def picks(layout):
    return [(row.id, row.plan, row.start_year) for row in layout.rows]


def faults(region, given):
    with pytest.raises(InputError) as error:
        read_layout(region, str(given))
    return list(error.value.faults)


@pytest.fixture
def region(make_region):
    return make_region().file("layouts/first.csv", CSV).file("layouts/empty.csv", "id,plan\n").read()


def test_a_layout_of_the_region_is_found_by_name_sorted_and_years_filled_in(region):
    layout = read_layout(region, "first")
    assert layout.name == "first"
    assert picks(layout) == WANTED


@pytest.mark.parametrize(
    ("name", "content", "called"),
    [
        ("mine.csv", CSV, "mine"),
        ("MINE.CSV", CSV, "MINE"),
        ("mine.csv", "\ufeff" + CSV.replace(",", ";").replace("\n", "\r\n"), "mine"),
        ("mine.json", json.dumps({"picked": PICKS}), "mine"),
        ("best/layout.json", json.dumps({"picked": PICKS, "value": 3}), "best"),
        (
            "network.geojson",
            json.dumps(
                {
                    "type": "FeatureCollection",
                    "features": [
                        *({"type": "Feature", "geometry": None, "properties": pick} for pick in PICKS),
                        {"type": "Feature", "geometry": None, "properties": {"id": "corvo"}},
                        {"type": "Feature", "geometry": None, "properties": None},
                    ],
                }
            ),
            "network",
        ),
    ],
)
def test_a_layout_is_read_from_any_of_its_forms(region, tmp_path, name, content, called):
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(content, newline="")
    layout = read_layout(region, str(path))
    assert layout.name == called
    assert picks(layout) == WANTED


def test_all_faults_of_a_layout_come_out_at_once(region, tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text(
        "id,plan,start_year\nabla,weekly,2030\nalba,wekly,2034\nbrisa,both,2029\nbrisa,line,2030\ncorvo,line,\n,line,x\n"
    )
    found = {(f.row, f.field, f.value, f.problem) for f in faults(region, path)}
    assert found == {
        (2, "id", "abla", "no candidate has this id"),
        (3, "plan", "wekly", "no plan of this name"),
        (3, "start_year", "2034", "not in the window"),
        (4, "start_year", "2029", "not in the window"),
        (5, "id", "brisa", "stands in row 4 already"),
        (6, "id", "corvo", "this station already runs and counts without being picked"),
        (7, "id", None, "cell is empty"),
        (7, "start_year", "x", "is not a number"),
    }
    sentences = [fault.sentence() for fault in faults(region, path)]
    assert (
        f"{path}, row 2, id: no candidate has this id (found 'abla'); allowed: alba, brisa, corvo, dusk; "
        "mend: write 'alba'"
    ) in sentences
    assert (
        f"{path}, row 3, start_year: not in the window (found '2034'); allowed: 2030 to 2033; "
        "mend: name a year of the window"
    ) in sentences
    assert all(fault.allowed and fault.mend for fault in faults(region, path))


@pytest.mark.parametrize(
    ("content", "row", "problem"),
    [
        ("{", 1, "not JSON"),
        ('{"picked":\n\n[}', 3, "not JSON"),
        ("[" * 100000, None, "not JSON"),
        ("1" * 5000, None, "not JSON"),
        ("[]", None, "holds no picks"),
        ("{}", None, "holds no picks"),
        ('{"picked": 3}', None, "holds no picks"),
        ('{"picked": ["alba"]}', None, "holds no picks"),
        ('{"type": "FeatureCollection"}', None, "holds no picks"),
        ('{"picked": []}', None, "the layout picks nothing"),
        ('{"type": "FeatureCollection", "features": [3]}', None, "the layout picks nothing"),
        ('{"picked": [{"id": "alba", "plan": ["weekly"]}]}', 1, "has a character that an id may not have"),
        ('{"picked": [{"id": "alba", "plan": "weekly", "start_year": true}]}', 1, "is not a number"),
        ('{"picked": [{"id": "\\ud800", "plan": "weekly"}]}', 1, "has a character that an id may not have"),
        ('{"picked": [{"plan": "weekly"}]}', 1, "cell is empty"),
    ],
)
def test_a_json_that_is_no_layout_is_refused_in_plain_words(region, tmp_path, content, row, problem):
    path = tmp_path / "bad.json"
    path.write_text(content)
    (fault,) = faults(region, path)
    assert fault.problem.startswith(problem)
    assert fault.row == row
    assert fault.allowed
    assert fault.mend
    fault.sentence().encode()


def test_a_layout_that_is_not_there_names_those_that_are(region, tmp_path):
    for given in ("second", str(tmp_path / "second.csv"), str(tmp_path), "x" * 300, ""):
        (fault,) = faults(region, given)
        assert fault.problem == "no such layout"
        assert "(there: empty, first)" in fault.allowed


def test_a_layout_without_rows_picks_nothing(region):
    (fault,) = faults(region, "empty")
    assert fault.sentence() == (
        "layouts/empty.csv: the layout picks nothing; allowed: one row for each pick; mend: add at least one row"
    )


def test_a_layout_in_the_region_may_not_pick_a_station_that_only_runs(make_region):
    region = make_region().file("layouts/a.csv", "id,plan\ncorvo,weekly\n").read()
    (fault,) = faults(region, "a")
    assert fault.field == "id"
    region = make_region().file("layouts/a.csv", "id,plan\ncorvo,line\n").cell("corvo", "plans", "line").read()
    assert picks(read_layout(region, "a")) == [("corvo", "line", 2030)]


def test_faults_of_layouts_in_the_region_are_faults_of_the_region(make_region):
    maker = make_region().file("layouts/a.csv", "id,plan\nalba,wekly\n").file("layouts/b.csv", "id,plan\nalbb,line\n")
    assert [(f.file, f.row, f.field, f.mend) for f in maker.faults()] == [
        ("layouts/a.csv", 2, "plan", "write 'weekly'"),
        ("layouts/b.csv", 2, "id", "write 'alba'"),
    ]
