"""The report of a finished run: made again from its folder alone, with what other commands found, and for hosts."""

import csv
import html
import importlib.util
import json
import re
import shutil
import struct
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
import shapely

from siting import api
from siting.assessment.layout import assess_layout
from siting.outputs.run import write_layout
from siting.planning import plan_region
from siting.region.faults import InputError
from siting.report import charts
from siting.report.making import make_report, report_files
from siting.report.reading import answers_beside, run_of
from siting.report.tables import target_rows
from siting.selection.standing import with_best_ways

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

REGIONS = Path(__file__).parents[1] / "regions"
pytestmark = pytest.mark.xdist_group("report")
RUN = [sys.executable, "-c", "from siting.cli import main; main()"]


def siting(here, *args):
    return subprocess.run([*RUN, *map(str, args)], cwd=here, capture_output=True, encoding="utf-8", check=False)


@pytest.fixture(scope="module")
def outputs(tmp_path_factory):
    """Everything that the commands write about the tiny example, by score."""
    here = tmp_path_factory.mktemp("all")
    shutil.copytree(REGIONS / "smallsea", here / "smallsea")
    layout = "outputs/smallsea/best-by-score/layout.json"
    (here / "other.csv").write_text("id,plan,start_year\ndabrin,flask,2031\n", encoding="utf-8")
    for args in (
        ("plan", "smallsea", "--by", "score"),
        ("frontier", "smallsea", "--by", "score"),
        ("stress", "smallsea", layout, "--futures", "3", "--workers", "1"),
        ("alternatives", "smallsea", "--ties", "1"),
        ("compare", "smallsea", layout, "other.csv"),
    ):
        done = siting(here, *args)
        assert done.returncode == 0, done.stderr
    shutil.rmtree(here / "smallsea")
    return here / "outputs" / "smallsea"


@pytest.fixture
def run(outputs, tmp_path):
    """A copy of the planned layout's folder, alone, without its region."""
    return Path(shutil.copytree(outputs / "best-by-score", tmp_path / "alone" / "best-by-score"))


def kept(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def rows_of(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def text_of(page):
    """What a page shows as text, roughly: tags away, entities read."""
    return html.unescape(re.sub(r"\s+", " ", re.sub("<[^>]*>", " ", page)))


def test_a_report_made_from_the_folder_alone_equals_the_one_that_the_run_made(run):
    before = kept(run)
    made = make_report(run).paths
    assert kept(run) == before
    assert {path.relative_to(run).as_posix().split("/")[0] for path in made} == {"report.html", "figures", "tables"}


def test_files_that_a_report_lost_come_back_and_those_of_an_older_one_go(run):
    before = kept(run)
    shutil.rmtree(run / "figures")
    (run / "report.html").unlink()
    (run / "tables" / "stages.md").write_text("older")
    (run / "tables" / "differences.md").write_text("of another kind of result")
    make_report(run)
    assert kept(run) == before


def test_a_file_that_somebody_put_among_the_figures_is_never_lost(run):
    (run / "figures" / "my-own.svg").write_text("mine")
    assert "figures/my-own.svg" in refused(run.parent, run.name)
    assert "--out" not in refused(run.parent, run.name)


def test_a_folder_that_a_killed_run_left_beside_its_place_is_put_back(run):
    before = kept(run)
    run.rename(run.with_name(f".{run.name}.siting-old"))
    make_report(run)
    assert kept(run) == before


def test_what_other_commands_found_on_the_same_inputs_comes_into_the_page(outputs, tmp_path):
    here = Path(shutil.copytree(outputs, tmp_path / "sea"))
    alone = (here / "best-by-score" / "report.html").read_text(encoding="utf-8")
    assert 'id="figure-frontier"' not in alone
    make_report(here / "best-by-score")
    page = (here / "best-by-score" / "report.html").read_text(encoding="utf-8")
    assert 'id="figure-frontier"' in page
    assert (here / "best-by-score" / "figures" / "frontier.svg").exists()
    frontier = json.loads((here / "frontier-by-score" / "frontier.json").read_text(encoding="utf-8"))
    assert frontier["inputs"] == json.loads((here / "best-by-score" / "layout.json").read_text())["inputs"]
    assert "3 futures" in text_of(page)


def test_an_answer_to_other_inputs_or_about_another_layout_is_left_out(outputs, tmp_path):
    here = Path(shutil.copytree(outputs, tmp_path / "sea"))
    layout = json.loads((here / "best-by-score" / "layout.json").read_text(encoding="utf-8"))
    found = answers_beside(here / "best-by-score", layout)
    assert set(found.found) == {"frontier.json", "stress.json", "alternatives.json"}
    assert found.left_out == ()
    other = answers_beside(here / "best-by-score", layout | {"picked": layout["picked"][1:]})
    assert set(other.found) == {"frontier.json"}
    assert [words.partition(" (")[2] for words in other.left_out] == ["about another layout)"] * 2
    changed = answers_beside(here / "best-by-score", layout | {"inputs": layout["inputs"] | {"region.toml": "0" * 64}})
    assert changed.found == {}
    assert changed.left_out[0] == "frontier-by-score (made from other inputs: region.toml)"
    more = layout | {"inputs": layout["inputs"] | {"layouts/an-idea.csv": "0" * 64}}
    assert answers_beside(here / "best-by-score", more) == found, "a layout to be judged is no input to another one"


@pytest.mark.parametrize("text", ["{", "[" * 50_000, "{}", '{"inputs": 3}'])
def test_an_answer_beside_that_cannot_be_read_spoils_nothing_and_is_named(outputs, tmp_path, text):
    here = Path(shutil.copytree(outputs, tmp_path / "sea"))
    (here / "frontier-by-score" / "frontier.json").write_text(text, encoding="utf-8")
    made = make_report(here / "best-by-score")
    assert made.left_out == ("frontier-by-score (cannot be read)",)
    page = (here / "best-by-score" / "report.html").read_text(encoding="utf-8")
    assert "left out: frontier-by-score (cannot be read)" in text_of(page)


def test_an_answer_beside_of_another_version_spoils_nothing_and_is_named(outputs, tmp_path):
    here = Path(shutil.copytree(outputs, tmp_path / "sea"))
    path = here / "frontier-by-score" / "frontier.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    del content["points"]
    path.write_text(json.dumps(content), encoding="utf-8")
    done = siting(here, "report", "best-by-score")
    assert done.returncode == 0, done.stderr
    assert "Left out: frontier-by-score (not as it was written" in " ".join(done.stderr.split())


def test_figures_are_sound_as_svg_and_wide_enough_for_a_page_as_png(run):
    captions = (run / "figures" / "captions.txt").read_text(encoding="utf-8")
    names = sorted(path.stem for path in (run / "figures").glob("*.svg"))
    assert {"ladder", "map", "money", "signals", "targets"} <= set(names)
    for name in names:
        root = ET.parse(run / "figures" / f"{name}.svg").getroot()
        assert root.tag.endswith("svg")
        assert next(child.text for child in root if child.tag.endswith("title"))
        head = (run / "figures" / f"{name}.png").read_bytes()[:24]
        assert head[:8] == b"\x89PNG\r\n\x1a\n"
        width, _ = struct.unpack(">II", head[16:24])
        assert width >= 750, "at least 120 dots an inch on a column of 16 cm"
        assert f"{name}: " in captions


def test_every_error_cost_and_picked_site_of_the_tables_stands_on_the_page(run):
    text = text_of((run / "report.html").read_text(encoding="utf-8"))
    for row in rows_of(run / "targets.csv"):
        assert f"{float(row['error']):.3g}" in text
    for row in rows_of(run / "sites.csv"):
        assert row["name"] in text
        assert f"{float(row['cost_total']):,.0f}" in text
    layout = json.loads((run / "layout.json").read_text(encoding="utf-8"))
    assert layout["answer"] in text
    for package, version in layout["versions"].items():
        assert package in text
        assert version in text
    for digest in layout["inputs"].values():
        assert digest in text


def test_a_page_names_no_address_that_a_browser_would_ask(run):
    page = (run / "report.html").read_text(encoding="utf-8")
    names = set(re.findall(r"https?://[^\s\"'<>)]+", page))
    assert names <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}, "names of the SVG standard only"
    assert "default-src 'none'" in page


# -- sheets for hosts -------------------------------------------------------------------------------------


def test_a_sheet_tells_a_host_what_stands_there_what_it_needs_and_who_pays(run):
    station = rows_of(run / "stations.csv")[0]
    before = kept(run)
    (path,) = make_report(run, station["id"]).paths
    assert {name: text for name, text in kept(run).items() if not name.startswith("sheets/")} == before
    text = text_of(path.read_text(encoding="utf-8"))
    assert station["name"] in text
    assert station["first_month"] in text
    paid = sum(float(row["total"]) for row in rows_of(run / "costs.csv") if row["id"] == station["id"])
    assert f"{paid:,.0f}" in text
    months = [row for row in rows_of(run / "signals.csv") if row["id"] == station["id"]]
    assert f"{len(months)} months of record" in text
    others = [row["name"] for row in rows_of(run / "stations.csv")[1:]]
    assert not any(name in text for name in others), "a host sees the own site only"
    make_report(run)
    assert path.exists(), "a sheet that was asked for before is made again"


def test_cautions_of_a_sheet_are_those_that_name_its_site(run):
    site = rows_of(run / "stations.csv")[0]["id"]
    (run / "cautions.txt").write_text(f"Height. Sites: {site}, x.\nGlass. All new sites.\nIce. Sites: x.\n")
    (path,) = make_report(run, site).paths
    text = text_of(path.read_text(encoding="utf-8"))
    assert "Height." in text
    assert "Glass." in text
    assert "Ice." not in text


# -- comparisons ------------------------------------------------------------------------------------------


def test_the_page_of_a_comparison_shows_differences_first_and_each_layout_on_the_same_map(outputs):
    (folder,) = outputs.glob("comparison*")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.index('id="table-differences"') < page.index('class="world"') < page.index('id="table-sites"')
    assert page.count('class="world"') == 2
    rows = rows_of(folder / "comparison.csv")
    text = text_of(page)
    unlike = [row for row in rows if len({v for name, v in row.items() if name.startswith("layout ")}) > 1]
    assert unlike
    for row in unlike:
        assert row["quantity"] in text


def test_the_page_of_a_comparison_is_made_again_from_its_folder(outputs, tmp_path):
    (folder,) = outputs.glob("comparison*")
    copy = Path(shutil.copytree(folder, tmp_path / "copy"))
    before = kept(copy)
    (copy / "report.html").unlink()
    make_report(copy)
    assert kept(copy) == before


# -- faults -----------------------------------------------------------------------------------------------


def refused(here, *args):
    """Run siting report; it must refuse in plain words, and write nothing."""
    before = kept(here)
    done = siting(here, "report", *args)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert kept(here) == before
    return " ".join(done.stderr.split())


def test_folders_that_are_no_run_are_refused_with_what_to_name_instead(outputs, tmp_path):
    here = Path(shutil.copytree(outputs, tmp_path / "sea"))
    assert "there is no such folder" in refused(here, "nowhere")
    assert "is a file" in refused(here, "best-by-score/layout.json")
    assert "frontier.json is shown on the page of the layout's own run" in refused(here, "frontier-by-score")
    assert "a comparison has no sheets" in refused(here, next(here.glob("comparison*")).name, "--site", "dabrin")
    site = rows_of(here / "best-by-score" / "stations.csv")[0]["id"]
    assert f"did you mean '{site}'?" in refused(here, "best-by-score", "--site", f"{site}x")


def test_all_missing_and_broken_files_are_named_at_once(run):
    (run / "sites.csv").unlink()
    (run / "network.geojson").write_text("{", encoding="utf-8")
    (run / "costs.csv").write_bytes(b"what,id\n\xff\xfe")
    said = refused(run.parent, run.name)
    for words in ("sites.csv: is missing", "network.geojson: is not JSON", "costs.csv: is not UTF-8"):
        assert words in said


def test_a_run_of_an_earlier_version_is_refused_with_the_keys_that_it_lacks(run):
    layout = json.loads((run / "layout.json").read_text(encoding="utf-8"))
    del layout["asked"], layout["answer"]
    (run / "layout.json").write_text(json.dumps(layout), encoding="utf-8")
    said = refused(run.parent, run.name)
    assert "asked, answer" in said
    assert "make the run again" in said


@pytest.mark.parametrize("name", ["sites.csv", "costs.csv", "targets.csv", "coverage.csv", "signals.csv"])
def test_a_table_that_was_changed_by_hand_is_a_plain_fault(run, name):
    lines = (run / name).read_text(encoding="utf-8").splitlines()
    (run / name).write_text("\n".join(["a,b", *lines[1:]]), encoding="utf-8")
    said = refused(run.parent, run.name)
    assert f"{run.name}/{name}, row 1, " in said
    assert "is missing" in said


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("targets.csv", lambda text: re.sub(r"(,)[\d.]+(,[\d.]+,no,)", r"\1x\2", text)),
        ("map.svg", lambda text: text.replace('width="', 'width="9', 1).replace('height="', 'height="99', 1)),
        ("map.svg", lambda text: ""),
        ("costs.csv", lambda text: ""),
        ("signals.csv", lambda text: text.replace("2030", "2" * 200_000)),
    ],
)
def test_a_value_that_was_changed_by_hand_is_a_plain_fault(run, name, change):
    path = run / name
    text = path.read_text(encoding="utf-8")
    path.write_text(change(text), encoding="utf-8")
    assert path.read_text(encoding="utf-8") != text
    refused(run.parent, run.name)


def test_a_table_saved_with_a_byte_mark_is_read_as_before(run):
    before = (run / "report.html").read_bytes()
    path = run / "sites.csv"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    make_report(run)
    assert (run / "report.html").read_bytes() == before


def test_the_python_face_returns_the_paths_and_raises_the_same_faults(run):
    made = api.make_report(run)
    assert run / "report.html" in made.paths
    with pytest.raises(InputError, match="is not picked"):
        api.make_report(run, site="nowhere")


def test_json_names_what_was_made(run):
    done = siting(run.parent, "report", run.name, "--json")
    assert done.returncode == 0
    told = json.loads(done.stdout)
    assert "report.html" in told["made"]
    assert all((run / name).exists() for name in told["made"])


def test_a_layout_given_by_hand_has_a_page_too(tmp_path):
    (tmp_path / "mine.csv").write_text("id,plan,start_year\ndabrin,flask,2030\n", encoding="utf-8")
    done = siting(tmp_path, "assess", REGIONS / "smallsea", "mine.csv")
    assert done.returncode == 0, done.stderr
    page = (tmp_path / "outputs/smallsea/assessed-mine/report.html").read_text(encoding="utf-8")
    assert "nothing was searched for" in text_of(page)


# -- unusual runs -------------------------------------------------------------------------------------------


CO2 = {"name": "CO2", "unit": "ppm", "scale": "invented"}
TRACK = shapely.MultiLineString([[(170.0, -10.0), (180.0, -10.0)], [(-180.0, -10.0), (-160.0, -10.0)]])


def written(folder, rows, *picks, **more):
    """A run of an invented region in memory, with its page; returns the folder."""
    planning = plan_region(made.region(rows, tracers=[CO2], **more))
    picked = made.picks(planning, *picks) if picks else np.empty(0, dtype=np.int64)
    planning = with_best_ways(planning, picked)
    write_layout(folder, planning, assess_layout(planning, picked, state=True), None, "log\n", None, report_files)
    return folder


def test_a_layout_without_any_new_site_has_a_page(tmp_path):
    run = written(tmp_path / "none", [{"id": "a", "lat": 10.0, "lon": 20.0}])
    text = text_of((run / "report.html").read_text(encoding="utf-8"))
    assert "0 new sites" in text
    make_report(run)


def test_running_stations_alone_have_a_page_with_what_they_see(tmp_path):
    rows = [{"id": "r", "lat": 10.0, "lon": 20.0, "status": "running", "running_since": 2025.0, "running_plan": "f"}]
    run = written(tmp_path / "running", rows)
    text = text_of((run / "report.html").read_text(encoding="utf-8"))
    assert "runs since 2025 " in text
    assert "CO2 as each site would see it" in text


def test_a_track_across_180_degrees_has_no_single_longitude_and_a_point_has_its_own(tmp_path):
    rows = [
        {"id": "t", "platform": "ship", "geometry": TRACK, "sailings_per_year": 12.0},
        {"id": "p", "lat": -40.0, "lon": 175.5},
    ]
    run = written(tmp_path / "track", rows, ("t", "f", 2030), ("p", "f", 2030))
    facts = json.loads(
        re.search(
            r'<script type="application/json" id="facts">(.*?)</script>', (run / "report.html").read_text()
        ).group(1)
    )
    told = {one["id"]: one["lines"][0] for one in facts}
    assert "° E" not in told["t"]
    assert "° W" not in told["t"]
    assert "40° S 175.5° E" in told["p"]


def test_two_targets_whose_names_begin_alike_keep_a_row_each_in_every_size(tmp_path):
    long = "far northern belt of the wide invented sea of many"
    bands = [
        {"id": f"{long} {end}", "south": south, "north": south + 20.0} for end, south in (("a", 10.0), ("b", 40.0))
    ]
    targets = [{"id": f"s{k}", "kind": "season", "band": band["id"], "goal": 1.0} for k, band in enumerate(bands)]
    run = written(
        tmp_path / "long", [{"id": "a", "lat": 20.0, "lon": 0.0}], ("a", "f", 2030), bands=bands, targets=targets
    )
    content = run_of({path.name: path.read_bytes() for path in run.iterdir() if path.is_file()})
    for wide in (True, False):
        chart = charts.targets(target_rows(content), wide)
        assert len({row["target"] for row in chart["data"]["values"]}) == 2


def test_an_id_that_ends_with_a_point_keeps_its_cautions(tmp_path):
    run = written(tmp_path / "point", [{"id": "a.", "lat": 20.0, "lon": 0.0, "elevation_m": 3000.0}], ("a.", "f", 2030))
    (path,) = make_report(run, "a.").paths
    assert "altitude sickness" in text_of(path.read_text(encoding="utf-8"))


def test_fewer_than_a_dozen_months_of_record_are_said(tmp_path):
    rows = [{"id": "late", "lat": 20.0, "lon": 0.0, "permit_months": 10}, {"id": "soon", "lat": -20.0, "lon": 0.0}]
    run = written(tmp_path / "late", rows, ("late", "f", 2032), ("soon", "f", 2030))
    text = text_of((run / "report.html").read_text(encoding="utf-8"))
    assert "Fewer than 12 months of record in the window: late (2 months)." in text


def test_the_frontier_by_the_layouts_own_measure_comes_before_that_of_both(outputs, tmp_path):
    here = Path(shutil.copytree(outputs, tmp_path / "sea"))
    shutil.copytree(here / "frontier-by-score", here / "frontier-by-both")
    path = here / "frontier-by-both" / "frontier.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(content | {"by": "both"}), encoding="utf-8")
    shutil.copytree(here / "frontier-by-both", here / ".frontier-by-score.siting-old")
    layout = json.loads((here / "best-by-score" / "layout.json").read_text(encoding="utf-8"))
    assert answers_beside(here / "best-by-score", layout).found["frontier.json"]["folder"] == "frontier-by-score"


def test_a_window_of_absurd_length_is_refused_at_once(run):
    layout = json.loads((run / "layout.json").read_text(encoding="utf-8"))
    layout["asked"]["years"] = 10**8
    (run / "layout.json").write_text(json.dumps(layout), encoding="utf-8")
    assert "asked.years" in refused(run.parent, run.name)


def test_a_sheet_marks_what_nobody_gave(tmp_path):
    rows = [{"id": "a", "lat": 20.0, "lon": 0.0, "elevation_m": 12.0}]
    run = written(tmp_path / "guessed", rows, ("a", "f", 2030))
    (path,) = make_report(run, "a").paths
    text = text_of(path.read_text(encoding="utf-8"))
    assert "10 m above the ground (assumed), at 12 m of height." in text
    assert "gas cylinders" not in text, "flasks alone need none"
