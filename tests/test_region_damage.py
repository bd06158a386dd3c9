"""A region damaged in any way gives a Region or an InputError whose faults are whole, never anything else."""

import json
import random
import re
import string

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from siting.region import InputError, Region, read_region

QUICK = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
CELL = st.one_of(
    st.text(max_size=12),
    st.text(alphabet="0123456789.,-+eE%° NSEW:/", max_size=10),
    st.sampled_from(
        ["", "nan", "-inf", "1e999", "9" * 400, "1,5", "02-Nov", "#REF!", "=1+1", "\x00", "\u202e", "é", "a" * 3000]
    ),
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.integers(-400, 400).map(str),
)
VALUE = st.one_of(
    st.sampled_from(["nan", "inf", "true", "[]", "{}", "[[]]", '""', "1979-05-27", "07:32:00", "0x" + "f" * 5000]),
    st.integers(-(10**20), 10**20).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(lambda x: repr(x)),
    st.text(string.printable, max_size=8).map(json.dumps),
    st.sampled_from(["[1, 'a']", "{ a = 1 }", "[{ id = 'x' }]", "[[0, 1], [1]]", "{ level = -1 }", "'each'"]),
)


def checked(maker):
    """Read the maker's region and check what comes out; return the faults."""
    folder = maker.write()
    try:
        region = read_region(folder)
    except InputError as error:
        faults = error.faults
    else:
        assert isinstance(region, Region)
        for warning in region.warnings:
            whole(warning)
        return ()
    assert faults
    for fault in faults:
        whole(fault)
    return faults


def whole(fault):
    sentence = fault.sentence()
    assert sentence.startswith(fault.file)
    assert fault.problem
    assert "\n" not in fault.problem
    sentence.encode("utf-8")
    json.dumps(fault.as_dict())
    for word in ("Traceback", "Annotated[", "pydantic", "constrained-", "Input should", "NoneType", "<class"):
        assert word not in fault.problem + (fault.allowed or "") + (fault.mend or "")
    if fault.file == "region.toml" and fault.problem != "there is no such file" and fault.row is None:
        assert re.search("empty|blank|folder|not used yet|nested too deep|too many digits", fault.problem)


@QUICK
@given(data=st.data())
def test_cells_replaced_by_anything(make_region, data):
    maker = make_region()
    for _ in range(data.draw(st.integers(1, 4))):
        row = data.draw(st.sampled_from(maker.rows))
        row[data.draw(st.sampled_from(maker.columns))] = data.draw(CELL)
    checked(maker)


@QUICK
@given(data=st.data())
def test_headings_replaced_by_anything(make_region, data):
    maker = make_region()
    lines = maker.csv().split("\n")
    heading = lines[0].split(",")
    heading[data.draw(st.integers(0, len(heading) - 1))] = data.draw(CELL)
    checked(maker.file("candidates.csv", "\n".join([",".join(heading), *lines[1:]]).encode("utf-8", "replace")))


@QUICK
@given(data=st.data())
def test_values_of_settings_replaced_by_anything(make_region, data):
    maker = make_region()
    lines = maker.toml.split("\n")
    keys = [i for i, line in enumerate(lines) if "=" in line]
    for i in data.draw(st.lists(st.sampled_from(keys), min_size=1, max_size=3)):
        lines[i] = f"{lines[i].split('=')[0]}= {data.draw(VALUE)}"
    maker.toml = "\n".join(lines)
    checked(maker)


@QUICK
@given(data=st.data())
def test_keys_of_settings_renamed_or_removed_and_tables_doubled(make_region, data):
    maker = make_region()
    lines = maker.toml.split("\n")
    for _ in range(data.draw(st.integers(1, 3))):
        i = data.draw(st.integers(0, len(lines) - 1))
        act = data.draw(st.sampled_from(["remove", "rename", "double", "unbracket", "bracket"]))
        if act == "remove":
            lines[i] = ""
        elif act == "rename" and "=" in lines[i]:
            key = data.draw(st.sampled_from(["x", "kind", "id", "name", "str", "int", '"a b"', '""', "a.b", "budget"]))
            lines[i] = f"{key} = {lines[i].split('=', 1)[1]}"
        elif act == "double":
            lines.insert(i, lines[i])
        elif act == "unbracket":
            lines[i] = lines[i].replace("[[", "[").replace("]]", "]")
        elif act == "bracket" and lines[i].startswith("["):
            lines[i] = f"[{lines[i]}]"
    maker.toml = "\n".join(lines)
    checked(maker)


@QUICK
@given(name=st.sampled_from(["region.toml", "candidates.csv", "monthly.csv", "layouts/a.csv"]), seed=st.integers(0))
def test_bytes_flipped_and_lines_lost(make_region, name, seed):
    maker, draw = make_region(), random.Random(seed)
    maker.file("monthly.csv", "id,month,exposure\nalba,1,0.5\nbrisa,2,0.25\n")
    maker.file("layouts/a.csv", "id,plan,start_year\nalba,weekly,2031\nbrisa,both,\n")
    content = {"region.toml": maker.toml, "candidates.csv": maker.csv()}.get(name)
    content = bytearray(maker.files.get(name) or content.encode())
    for _ in range(draw.randint(1, 5)):
        content[draw.randrange(len(content))] = draw.randrange(256)
    lines = bytes(content).split(b"\n")
    if draw.random() < 0.5:
        del lines[draw.randrange(len(lines))]
    checked(maker.file(name, b"\n".join(lines)))


GEOJSON = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": [[170, -40], [185, -20]]},
            "properties": {"id": "ship", "platform": "ship", "setup_cost": 5, "group": ["a", "b"]},
        },
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [5, 6]},
            "properties": {"id": "mast", "lat": 6, "lon": 5, "staffed": True, "name": None},
        },
    ],
}
JUNK = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=4), inner, max_size=3)),
    max_leaves=6,
)


@QUICK
@given(data=st.data())
def test_any_member_of_a_feature_file_replaced_by_anything(make_region, data):
    document = json.loads(json.dumps(GEOJSON))
    here, path = document, []
    while isinstance(here, dict | list) and here and (not path or data.draw(st.booleans())):
        path.append((here, data.draw(st.sampled_from(list(here) if isinstance(here, dict) else range(len(here))))))
        here = path[-1][0][path[-1][1]]
    parent, key = path[-1]
    parent[key] = data.draw(JUNK)
    checked(make_region().file("candidates.geojson", json.dumps(document)))


@pytest.mark.parametrize("name", ["region.toml", "candidates.csv", "monthly.csv", "layouts/a.csv", "candidates.gpkg"])
@pytest.mark.parametrize(
    "content", [b"", b"\x00" * 50, b"PK\x03\x04", b"\xff\xfe\x00", b"SQLite format 3\x00junk", b"["]
)
def test_a_file_that_is_something_else_is_a_fault(make_region, name, content):
    faults = checked(make_region().file(name, content))
    assert name in {fault.file for fault in faults}


@pytest.mark.parametrize("name", ["region.toml", "candidates.csv", "monthly.csv", "layouts/a.csv", "candidates.gpkg"])
def test_a_folder_in_place_of_a_file_is_a_fault(make_region, name):
    faults = checked(make_region().remove(name).file(f"{name}/inside", b"x"))
    assert name in {fault.file for fault in faults}


@pytest.mark.parametrize(
    "toml",
    [
        "x = " + "[" * 5000,
        "x = " + "1" * 6000,
        "schema_version = 0x" + "f" * 6000,
        "first_year = 0x" + "f" * 6000,
        "[budget]\ntotal = 0x" + "f" * 6000,
        "[laboratory]\nlat = 0x" + "f" * 6000 + "\nlon = 3",
        "rules = [1, 'a', {}, { kind = [] }, { kind = {} }, { kind = 'at_most', at_most = 3, count = 'x' }]",
        "plans = []\ntracers = []\nbands = []",
        "plans = {}\ntracers = 3\nbands = [{ id = 'a' }]",
        "tracers = [{ name = 'a', unit = 'ppm', scale = 's', season = [{ lat = 95 }, 3], cell_sd = { level = 'x' } }]",
        "[score]\nvalues = { host = [[0, 2], [1], 3, [0.5, 1, 2]] }\nweights = 3",
        "budget = { total = 1, per_year = [1, -2, 'x', nan] }",
        '"a\\u001b[31m\\nb" = 1',
        "\n".join(f"[[rules]]\nkind = 'spacing'\nkm = -{i}" for i in range(1500)),
    ],
)
def test_settings_written_with_malice_are_told_in_faults(make_region, toml):
    maker = make_region()
    maker.toml = toml
    faults = checked(maker)
    assert any(fault.file == "region.toml" for fault in faults)
    assert len({(fault.row, fault.field, fault.problem) for fault in faults}) == len(faults)
