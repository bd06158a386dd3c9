"""The commands that judge layouts among others, as people and scripts meet them: codes, streams, files, bytes, Ctrl-C.

Exit codes as in README: 0 done, 2 bad input, 3 no layout, 4 stopped early. Numbers of the small demo that
stand here were summed by hand from its price list (README of that example); everything in it is invented.
"""

import contextlib
import csv
import dataclasses
import io
import json
import math
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple

import pytest
from rich.cells import cell_len

import siting
from siting import api, cli
from siting.judging.frontier import even_budgets
from siting.judging.search import Found, Search
from siting.options import alternatives_options, frontier_options, stress_options
from siting.outputs.documents import plain
from siting.outputs.folder import MARKS, RESULT_NAMES
from siting.region import read_region
from siting.region.faults import InputError
from siting.region.layouts import read_layout
from siting.region.schema.tables import LayoutRow
from siting.selection.program import Ended

SMALLSEA = Path(__file__).parents[1] / "regions" / "smallsea"
RUN = "from siting.cli import main; main()"
# By the price list of the demo: an analyzer and two flask sites for 40,000; three flask sites for 38,000 crowns.
A = "id,plan,start_year\nmaroth,analyzer,2030\npellarne,flask,2030\nquillas,flask,2030\n"
B = "id,plan,start_year\nmaroth,flask,2030\novenne,flask,2030\npellarne,flask,2030\n"
COMMANDS = {
    "compare": ("compare", "sea", "a.csv", "b.csv"),
    "frontier": ("frontier", "sea", "--points", "3"),
    "changes": ("frontier", "sea", "--changes", "--from", "36000", "--to", "42000"),
    "both": ("frontier", "sea", "--by", "both", "--points", "2", "--gap", "0.1"),
    "order": ("order", "sea"),
    "alternatives": ("alternatives", "sea", "--ties", "2", "--within", "0.2", "--site", "dabrin", "--site", "maroth"),
    "stress": ("stress", "sea", "a.csv", "--futures", "3", "--workers", "1"),
}
FILES = {
    "compare": "comparison.csv comparison.geojson comparison.json comparison.txt costs.csv report.html sites.csv "
    "tables",
    "frontier": "frontier.csv frontier.json frontier.txt layouts.csv margins.csv sites.csv",
    "changes": "frontier.csv frontier.json frontier.txt layouts.csv margins.csv sites.csv",
    "both": "frontier.csv frontier.json frontier.txt layouts.csv",
    "order": "layout.csv order.csv order.json order.txt schedule.csv",
    "alternatives": "alternatives.json alternatives.txt near_ties.csv why_in.csv why_not.csv",
    "stress": "cuts.csv futures.csv losses.csv sites.csv stress.json stress.txt targets.csv",
}
FILES = {name: {*files.split(), "run.log"} for name, files in FILES.items()}
FOLDERS = {
    "compare": "comparison-a-b",
    "frontier": "frontier-by-score",
    "changes": "frontier-by-score-changes",
    "both": "frontier-by-both",
    "order": "order-by-score",
    "alternatives": "alternatives-by-score",
    "stress": "stress-by-score-a",
}
ALL = sorted(COMMANDS)


class Done(NamedTuple):
    returncode: int
    stdout: str
    stderr: str


def inside(here, *args, columns=80):
    """Run a command in this process, in a folder, at so many columns."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", write_through=True) for _ in range(2))
    code = 0
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        patch.chdir(here)
        patch.setenv("COLUMNS", str(columns))
        patch.setattr(sys, "argv", ["siting", *map(str, args)])
        try:
            cli.main()
        except SystemExit as left:
            code = left.code or 0
    return Done(code, *(stream.buffer.getvalue().decode("utf-8") for stream in (out, err)))


def environment(**more):
    base = {k: v for k, v in os.environ.items() if k not in ("PYTHONIOENCODING", "PYTHONHASHSEED")}
    return base | {"PYTHONPATH": str(Path(siting.__file__).parents[1]), "COLUMNS": "80", "PYTHONUTF8": "1"} | more


def sea(here, name="sea", toml=(), cells=()):
    """Copy the small demo to a folder, changed by (old text, new text), with two layouts beside it."""
    folder = here / name
    folder.mkdir(parents=True)
    for file, changes in (("region.toml", toml), ("candidates.csv", cells)):
        text = (SMALLSEA / file).read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        (folder / file).write_text(text, encoding="utf-8")
    (here / "a.csv").write_text(A)
    (here / "b.csv").write_text(B)
    return folder


@pytest.fixture
def here(tmp_path):
    """A working folder with the small demo in `sea` and two layouts."""
    sea(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """Every command run once with --json: the working folder and, by name, what came out."""
    base = tmp_path_factory.mktemp("ran")
    sea(base)
    return base, {name: inside(base, *args, "--json") for name, args in COMMANDS.items()}


def folder_of(ran, name):
    return ran[0] / "outputs" / "sea" / FOLDERS[name]


def document_of(ran, name):
    return json.loads(ran[1][name].stdout)


def table(path):
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def number(cell):
    return None if cell == "" else float(cell)


def near(cell, value):
    """Say whether a cell holds a number of the document: tables keep ten digits."""
    return number(cell) is None if value is None else number(cell) == pytest.approx(value, rel=1e-9, abs=1e-12)


def kept(folder):
    """Return the bytes of every file of a result but run.log, which tells the clock."""
    return {path.relative_to(folder): path.read_bytes() for path in every(folder) if path.name != "run.log"}


def every(folder):
    """Return all files of a result, those in its folders too."""
    return [path for path in sorted(folder.rglob("*")) if path.is_file()]


def untouched(here):
    """Say that nothing stands in a working folder but the input."""
    return {path.name for path in here.iterdir()} <= {"sea", "a.csv", "b.csv"}


def said(done):
    return " ".join(done.stderr.split())


def narrow(text):
    return all(cell_len(line) <= 80 for line in text.splitlines())


def strict(text):
    """Read JSON and refuse what JSON does not have."""

    def refuse(word):
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


# -- codes, streams, files -------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALL)
def test_a_command_that_is_done_leaves_with_0_and_writes_the_files_it_promises(ran, name):
    done = ran[1][name]
    assert done.returncode == cli.DONE, done.stderr
    assert {path.name for path in folder_of(ran, name).iterdir()} == FILES[name]
    assert all(path.stat().st_size > 0 for path in folder_of(ran, name).iterdir())
    assert f"Wrote {len(every(folder_of(ran, name)))} files to outputs/sea/{FOLDERS[name]}: " in said(done)
    assert all(file in said(done) for file in FILES[name])


def test_nothing_but_result_folders_is_left_behind(ran):
    assert {path.name for path in (ran[0] / "outputs" / "sea").iterdir()} == set(FOLDERS.values())
    assert {path.name for path in ran[0].iterdir()} == {"sea", "a.csv", "b.csv", "outputs"}
    assert {path.name for path in (ran[0] / "sea").iterdir()} == {"region.toml", "candidates.csv"}


def test_every_written_name_is_known_to_the_folder_that_guards_it():
    assert set().union(*FILES.values()) <= RESULT_NAMES
    assert all(files & set(MARKS) for files in FILES.values()), "each result has a file that marks it as one"


@pytest.mark.parametrize("name", ALL)
def test_json_on_stdout_is_one_strict_document_equal_to_the_file(ran, name):
    (file,) = (file for file in FILES[name] if file.endswith(".json"))
    text = (folder_of(ran, name) / file).read_text(encoding="utf-8")
    assert strict(ran[1][name].stdout) == strict(text)
    assert ran[1][name].stdout == text
    assert {"region", "title", "currency", "inputs", "versions"} <= set(strict(text))


@pytest.mark.parametrize("name", ALL)
def test_the_text_fits_80_columns_and_begins_with_the_title(ran, name):
    (file,) = (file for file in FILES[name] if file.endswith(".txt"))
    text = (folder_of(ran, name) / file).read_text(encoding="utf-8")
    assert narrow(text)
    assert text.startswith("Small Sea, an invented teaching region: ")
    assert narrow("\n".join(line for line in ran[1][name].stderr.splitlines() if " " in line.strip()))
    assert "nan" not in re.findall(r"[a-z]+", text.lower())


@pytest.mark.parametrize("name", ["compare", "frontier", "order", "alternatives"])
def test_without_json_the_text_goes_to_stdout_and_talk_to_stderr(ran, name):
    again = inside(ran[0], *COMMANDS[name])
    (file,) = (file for file in FILES[name] if file.endswith(".txt"))
    assert again.stdout == (folder_of(ran, name) / file).read_text(encoding="utf-8")
    assert "Wrote" not in again.stdout
    assert "Wrote" in again.stderr


@pytest.mark.parametrize("columns", [40, 60])
@pytest.mark.parametrize("name", ["frontier", "order", "alternatives"])
def test_a_narrow_terminal_gets_narrow_lines(ran, name, columns):
    done = inside(ran[0], *COMMANDS[name], "--out", f"narrow-{name}", columns=columns)
    assert max(cell_len(line) for line in done.stdout.splitlines()) <= columns
    assert kept(ran[0] / f"narrow-{name}") == kept(folder_of(ran, name)), "files do not depend on the terminal"
    shutil.rmtree(ran[0] / f"narrow-{name}")


def test_the_same_input_gives_the_same_bytes_under_another_hash_seed_and_replaces_the_folder(ran):
    base = ran[0]
    before = {name: kept(folder_of(ran, name)) for name in ALL}
    stamps = {name: (folder_of(ran, name) / "run.log").stat().st_ino for name in ALL}
    code = (
        "import sys\nfrom siting.cli import main\n"
        "for line in sys.stdin.read().splitlines():\n"
        "    sys.argv = ['siting', *line.split()]\n"
        "    try:\n        main()\n"
        "    except SystemExit as left:\n        assert not left.code, line\n"
    )
    lines = "\n".join(" ".join((*args, "--json")) for args in COMMANDS.values())
    done = subprocess.run(
        [sys.executable, "-c", code],
        input=lines,
        cwd=base,
        env=environment(PYTHONHASHSEED="7"),
        capture_output=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == "".join(ran[1][name].stdout for name in COMMANDS)
    for name in ALL:
        assert kept(folder_of(ran, name)) == before[name], name
        assert (folder_of(ran, name) / "run.log").stat().st_ino != stamps[name], "the folder was written anew"
    assert "siting stress sea a.csv" in (folder_of(ran, "stress") / "run.log").read_text()


def test_help_of_each_command_names_its_options_and_fits(here):
    for name in ("compare", "frontier", "order", "alternatives", "stress"):
        done = inside(here, name, "--help")
        assert done.returncode == cli.DONE
        assert narrow(done.stdout)
        assert "--json" in done.stdout
        assert "--out" in done.stdout


# -- tables, documents and the Python interface tell the same -----------------------------------------


def test_the_comparison_tells_costs_as_summed_by_hand_in_every_file(ran):
    found = document_of(ran, "compare")
    assert [(one["name"], one["cost_total"]) for one in found["layouts"]] == [("a", 40000.0), ("b", 38000.0)]
    rows = {(row["group"], row["quantity"]): row for row in table(folder_of(ran, "compare") / "comparison.csv")}
    for one in found["layouts"]:
        column = f"layout {one['name']}"
        assert near(rows["cost", "total"][column], one["cost_total"])
        assert near(rows["targets", "shortfall"][column], one["shortfall"])
        assert near(rows["score", "total"][column], one["score"]["total"])
    costs = table(folder_of(ran, "compare") / "costs.csv")
    sums = {name: sum(float(row["amount"]) for row in costs if row["layout"] == name) for name in "ab"}
    assert sums == {"a": 40000.0, "b": 38000.0}
    sites = {row["id"]: row for row in table(folder_of(ran, "compare") / "sites.csv")}
    assert set(sites) == {"maroth", "ovenne", "pellarne", "quillas"}
    assert (sites["maroth"]["plan in a"], sites["maroth"]["plan in b"]) == ("analyzer", "flask")
    region = read_region(ran[0] / "sea")
    given = [read_layout(region, str(ran[0] / f"{name}.csv")) for name in "ab"]
    result = api.compare(region, given)
    frame = result.to_frame()
    assert list(frame.index) == ["a", "b"]
    assert frame["cost_total"].tolist() == [40000.0, 38000.0]
    assert frame["score"].tolist() == [one["score"]["total"] for one in found["layouts"]]
    assert frame["shortfall"].tolist() == [one["shortfall"] for one in found["layouts"]]
    assert frame["conditions_broken"].tolist() == [0, 0]
    for tracer, target in (("CO2", "growth"), ("CO2", "north minus south")):
        assert frame[f"error {tracer} {target}"].tolist() == [one.shown[tracer, target].error for one in result.judged]
    refuses_changes(result)


def refuses_changes(result):
    name = dataclasses.fields(result)[0].name
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(result, name, None)


@pytest.mark.parametrize("name", ["frontier", "changes"])
def test_a_frontier_is_the_same_in_table_document_frame_and_fields(ran, name):
    found = document_of(ran, name)
    rows = table(folder_of(ran, name) / "frontier.csv")
    assert len(rows) == len(found["points"])
    region = read_region(ran[0] / "sea")
    if name == "frontier":
        result = api.frontier(region, points=3)
        assert [p.budget_cents for p in result.points] == [2_000_000, 4_000_000, 6_000_000]
    else:
        result = api.frontier(region, low=0.9, high=1.05, every_change=True)
        assert all(3_600_000 <= p.budget_cents <= 4_200_000 for p in result.points)
    frame = result.to_frame()
    assert list(frame.columns) == [
        *("budget", "cost", "value", "bound", "gap", "proved", "sites"),
        *("error CO2 growth", "error CO2 north minus south", "layout"),
    ]
    assert len(frame) == len(result.points) == len(rows)
    for k, (row, told, point) in enumerate(zip(rows, found["points"], result.points, strict=True)):
        assert told == plain(point)
        for column in ("budget", "cost", "value", "bound", "gap"):
            assert near(row[column], told[column]), column
        assert (row["proved"], row["ended"], int(row["sites"])) == ("yes", told["ended"], len(told["layout"]))
        assert float(frame["budget"][k]) == told["budget"] == point.budget_cents / 100
        assert float(frame["cost"][k]) == told["cost"] <= told["budget"]
        assert (frame["value"][k], frame["bound"][k], frame["gap"][k]) == (point.value, point.bound, point.gap)
        assert frame["sites"][k] == len(point.layout)
        assert frame["layout"][k] == "; ".join(f"{i} {plan} {year}" for i, plan, year in point.layout)
        for target in point.targets:
            head = f"error {target.tracer} {target.target}"
            assert near(row[head], target.error)
            assert frame[head][k] == target.error
        # A layout of the frontier is what `assess` would say of it: money and value.
        given = dataclasses.replace(read_layout(region, str(ran[0] / "a.csv")), rows=rows_of(region, point.layout))
        judged = api.assess(region, given, state=False).assessment
        assert judged.money.total == point.cents
        assert judged.score.total == pytest.approx(point.value, abs=1e-9)
    refuses_changes(result)


def rows_of(region, layout):
    return tuple(LayoutRow(id=site, plan=plan, start_year=str(year)) for site, plan, year in layout)


def test_margins_are_differences_of_neighbouring_points_and_sites_stand_at_their_budgets(ran):
    found, folder = document_of(ran, "frontier"), folder_of(ran, "frontier")
    points = {p["budget"]: p for p in found["points"]}
    margins = table(folder / "margins.csv")
    assert len(margins) == 2
    for row in margins:
        low, high = points[float(row["from"])], points[float(row["to"])]
        assert near(row["gain"], high["value"] - low["value"])
        errors = [{t["target"]: t["error"] for t in p["targets"]} for p in (low, high)]
        assert near(row["change of error CO2 growth"], errors[1]["growth"] - errors[0]["growth"])
    rows = table(folder / "layouts.csv")
    layouts = {(float(row["budget"]), row["id"], row["plan"], int(row["start_year"])) for row in rows}
    assert layouts == {(b, *pick) for b, p in points.items() for pick in p["layout"]}
    for row in table(folder / "sites.csv"):
        for budget, p in points.items():
            cell = next((f"{plan} {year}" for site, plan, year in p["layout"] if site == row["id"]), "")
            assert row[f"{budget:.2f}"] == cell


def test_the_frontier_of_changes_begins_below_each_change_and_has_the_own_budget(ran):
    points = document_of(ran, "changes")["points"]
    assert len(points) >= 3
    values = [p["value"] for p in points]
    assert values == sorted(set(values)), "every change buys something"
    assert 40000.0 in [p["budget"] for p in points], "the layout found by hand changes at the own budget exactly"
    assert all(p["cost"] == p["budget"] for p in points[1:]), "a layout begins where it can be paid"


def test_the_frontier_of_both_tells_a_trade_in_every_file(ran):
    found, folder = document_of(ran, "both"), folder_of(ran, "both")
    rows = table(folder / "frontier.csv")
    assert len(rows) == len(found["points"]) >= 2
    for row, point in zip(rows, found["points"], strict=True):
        for column in ("score", "shortfall", "shortfall_bound", "score_bound", "gap"):
            assert near(row[column], point[column]), column
        assert int(row["sites"]) == len(point["layout"])
    scores, shortfalls = [p["score"] for p in found["points"]], [p["shortfall"] for p in found["points"]]
    assert scores == sorted(scores)
    assert "seconds" not in found, "no clock times, so that the bytes are the same"
    assert shortfalls == sorted(shortfalls)
    assert all(p["shortfall_bound"] <= p["shortfall"] + 1e-9 for p in found["points"])
    # By hand (README of the example) the best score at this budget is that of layout A, 72.16.
    assert max(scores) == pytest.approx(72.16, abs=0.01)


def test_the_order_can_be_assessed_and_has_the_value_it_tells(ran):
    found, folder = document_of(ran, "order"), folder_of(ran, "order")
    done = inside(ran[0], "assess", "sea", folder / "layout.csv", "--json", "--out", "judged")
    assert done.returncode == cli.DONE, done.stderr
    judged = json.loads(done.stdout)
    last = found["steps"][-1]
    assert judged["rules_broken"] == []
    assert judged["value"] == pytest.approx(last["value"], abs=1e-9)
    assert judged["cost_total"] == last["committed"]
    picked = [(p["id"], p["plan"], p["start_year"]) for p in judged["picked"]]
    assert picked == [(p["id"], p["plan"], p["start_year"]) for p in found["picked"]]
    errors = {t["id"]: t["error"] for t in judged["targets"]}
    assert errors == pytest.approx({t["target"]: t["error"] for t in last["targets"]}, rel=1e-9)
    shutil.rmtree(ran[0] / "judged")


def test_an_order_is_the_same_in_table_document_frame_and_fields(ran):
    found = document_of(ran, "order")
    result = api.build_order(read_region(ran[0] / "sea"))
    made, frame = result.order, result.order.to_frame()
    heads = ["year", "opens", "sites", "value", "bound", "gap", "free_value", "spent", "committed"]
    assert [c for c in frame.columns if c != "proved"] == heads
    rows = table(folder_of(ran, "order") / "order.csv")
    assert len(frame) == len(rows) == len(made.steps) == 2
    for k, (row, told, step) in enumerate(zip(rows, found["steps"], made.steps, strict=True)):
        assert told == plain(step)
        assert (frame["year"][k], int(row["year"])) == (step.year, step.year)
        assert frame["sites"][k] == int(row["sites"]) == len(step.stands)
        for column in ("value", "bound", "gap", "free_value"):
            assert frame[column][k] == getattr(step, column) == told[column]
            assert near(row[column], told[column])
        for column in ("spent", "committed"):
            assert frame[column][k] == told[column] == getattr(step, f"{column}_cents") / 100
            assert near(row[column], told[column])
    assert [s["spent"] for s in found["steps"]] == [33500.0, 6500.0], "the yearly sums of layout A by the price list"
    refuses_changes(result)
    refuses_changes(made)


def test_reasons_are_the_same_in_table_document_frame_and_fields(ran):
    found, folder = document_of(ran, "alternatives"), folder_of(ran, "alternatives")
    region = read_region(ran[0] / "sea")
    result = api.alternatives(region, ties=2, within=0.2, sites=["dabrin", "maroth"])
    frame = result.to_frame()
    assert list(frame.columns) == ["id", "picked", "loss", "loss_after", "least_loss"]
    assert frame["id"].tolist() == ["maroth", "dabrin"]
    assert frame["picked"].tolist() == [True, False]
    (why_in,), (why_not,) = result.why_in, result.why_not
    assert frame["loss"][0] == why_in.loss
    assert math.isnan(frame["loss"][1])
    assert frame["loss_after"].tolist() == [why_in.after.loss, why_not.best.loss]
    assert frame["least_loss"].tolist() == [why_in.after.least_loss, why_not.best.least_loss]
    assert found["why_in"] == plain(result.why_in)
    assert found["why_not"] == plain(result.why_not)
    assert found["ties"] == plain(result.ties)
    tables = {name: table(folder / f"{name}.csv") for name in ("why_in", "why_not", "near_ties")}
    told = {
        "why_in": [w["after"] for w in found["why_in"]],
        "why_not": [w["best"] for w in found["why_not"]],
        "near_ties": found["ties"],
    }
    assert len(found["ties"]) == 2
    for name, rows in tables.items():
        for row, one in zip(rows, told[name], strict=True):
            assert near(row["loss_after"], one["loss"])
            assert near(row["least_loss"], one["least_loss"])
            assert near(row["value"], one["value"])
            assert near(row["cost"], one["cost"])
            assert row["comes"] == " ".join(one["comes"])
            assert row["goes"] == " ".join(one["goes"])
            assert row["layout"] == "; ".join(f"{i} {plan} {year}" for i, plan, year in one["layout"])
    # Losses are differences of values: of the base and of the layout that was found instead.
    for one in (*told["why_in"], *told["why_not"], *told["near_ties"]):
        assert one["loss"] == pytest.approx(found["base"]["value"] - one["value"], abs=1e-9)
    for tie in found["ties"]:
        assert len(tie["comes"]) + len(tie["goes"]) >= 2
        assert tie["loss"] <= 0.2 * found["base"]["value"] + 1e-9
    refuses_changes(result)


def test_a_stress_test_is_the_same_in_table_document_frame_and_fields(ran):
    found, folder = document_of(ran, "stress"), folder_of(ran, "stress")
    region = read_region(ran[0] / "sea")
    result = api.stress(region, read_layout(region, str(ran[0] / "a.csv")), futures=3)
    frame, rows = result.to_frame(), table(folder / "futures.csv")
    plain_heads = ["future", "price", "noise", "down", "value", "cost", "within_rules", "kept_value", "kept_sites"]
    errors = ["error CO2 growth", "error CO2 north minus south"]
    assert list(frame.columns) == [*plain_heads, "best_value", "best_bound", "regret", *errors, "best"]
    assert len(frame) == len(rows) == len(result.outcomes) == found["futures"] == found["futures_done"] == 3
    for k, (row, one) in enumerate(zip(rows, result.outcomes, strict=True)):
        assert frame["future"][k] == int(row["future"]) == k + 1
        expected = {
            "price": one.price,
            "noise": one.noise,
            "down": one.down,
            "value": one.given.value,
            "cost": one.given.cents / 100,
            "kept_value": one.kept.value,
            "best_value": one.best.value,
            "best_bound": one.bound,
            "regret": one.regret,
        } | {f"error {tracer} {target}": error for tracer, target, error in one.given.errors}
        for column, value in expected.items():
            assert near(row[column], value), column
            cell = frame[column][k]
            assert (value is None and cell != cell) or cell == value, column
        assert row["within_rules"] == ("no" if one.broken else "yes")
        assert frame["within_rules"][k] == (not one.broken)
        if one.regret is not None:
            assert one.regret == pytest.approx(one.best.value - one.kept.value, abs=1e-9)
    known = [one.given.cents / 100 for one in result.outcomes]
    assert found["costs"]["mean"] == pytest.approx(sum(known) / 3)
    assert (found["costs"]["least"], found["costs"]["greatest"]) == (min(known), max(known))
    assert found["within"] == pytest.approx(sum(not one.broken for one in result.outcomes) / 3)
    for row, one in zip(table(folder / "losses.csv"), [*found["single"], *found["double"]], strict=True):
        assert row["sites"] == " ".join(one["sites"])
        assert near(row["value"], one["value"])
        assert near(row["loss"], one["loss"])
    for row, one in zip(table(folder / "cuts.csv"), found["cuts"], strict=True):
        assert near(row["share"], one["share"])
        assert row["found"] == ("yes" if one["found"] else "no")
        assert near(row["loss"], one["loss"])
    for row, one in zip(table(folder / "targets.csv"), found["targets"], strict=True):
        assert (row["target"], float(row["goal"])) == (one["target"], one["goal"])
        assert near(row["mean"], one["spread"]["mean"])
        assert near(row["q90"], one["spread"]["high"])
        assert near(row["share_met"], one["met"])
    for row, one in zip(table(folder / "sites.csv"), found["sites"], strict=True):
        assert (row["id"], near(row["share_of_best"], one["share"])) == (one["id"], True)
    refuses_changes(result)
    refuses_changes(result.outcomes[0])


def shortfall(errors):
    """Return the sum over targets of (error / goal)^2 - 1 where that is above 0; all weights of the demo are 1."""
    goals = {"growth": 0.2, "north minus south": 1.2}
    return sum(max(0.0, (error / goals[target]) ** 2 - 1.0) for target, error in errors)


@pytest.mark.parametrize(
    "args",
    [
        ("frontier", "sea", "--points", "2"),
        ("alternatives", "sea", "b.csv", "--ties", "0", "--site", "dabrin"),
        ("stress", "sea", "b.csv", "--futures", "1", "--workers", "1"),
    ],
)
def test_by_precision_every_value_told_is_the_shortfall_of_the_errors_told(here, args):
    done = inside(here, *args, "--by", "precision", "--gap", "0.5", "--json", "--out", "r")
    assert done.returncode == cli.DONE, done.stderr
    found = strict(done.stdout)
    assert {path.name for path in (here / "r").iterdir()} == FILES[args[0]]
    assert narrow((here / "r" / f"{args[0]}.txt").read_text(encoding="utf-8"))
    if args[0] == "frontier":
        told = [(p["value"], p["targets"]) for p in found["points"]]
        for row, (value, _) in zip(table(here / "r" / "frontier.csv"), told, strict=True):
            assert near(row["value"], value)
    elif args[0] == "alternatives":
        told = [(one["value"], one["targets"]) for one in (found["base"], *(w["best"] for w in found["why_not"]))]
        assert found["why_not"][0]["best"]["loss"] == pytest.approx(told[1][0] - told[0][0], abs=1e-9)
    else:
        told = [(found["value"], found["targets_now"])]
        told += [(one["value"], one["targets"]) for one in (*found["single"], *found["double"])]
        (row,) = table(here / "r" / "futures.csv")
        errors = [(head.removeprefix("error CO2 "), float(row[head])) for head in row if head.startswith("error ")]
        assert float(row["value"]) == pytest.approx(shortfall(errors), rel=1e-6)
    assert told
    for value, targets in told:
        assert value == pytest.approx(shortfall([(t["target"], t["error"]) for t in targets]), rel=1e-6, abs=1e-9)


def test_further_futures_leave_the_first_ones_as_they_are_and_another_seed_does_not(ran):
    base = ran[0]
    longer = inside(base, "stress", "sea", "a.csv", "--futures", "4", "--workers", "1", "--out", "longer")
    other = inside(base, "stress", "sea", "a.csv", "--futures", "1", "--workers", "1", "--seed", "5", "--out", "other")
    assert longer.returncode == other.returncode == cli.DONE, longer.stderr + other.stderr
    first = table(folder_of(ran, "stress") / "futures.csv")
    assert table(base / "longer" / "futures.csv")[:3] == first
    assert table(base / "other" / "futures.csv")[0] != first[0]
    for name in ("longer", "other"):
        shutil.rmtree(base / name)


# -- wrong input -------------------------------------------------------------------------------------

WRONG = {
    "unknown layout": (("compare", "sea", "a.csv", "nope"), [("nope", None)]),
    "two unknown layouts": (("compare", "sea", "nope", "neither"), [("neither", None), ("nope", None)]),
    "one layout": (("compare", "sea", "a.csv"), [("LAYOUT", None)]),
    "unknown id": (("compare", "sea", "a.csv", "bad.csv"), [("bad.csv", "marot")]),
    "negative points": (("frontier", "sea", "--points", "-3"), [("--points", "-3")]),
    "budgets fall": (("frontier", "sea", "--from", "50000", "--to", "20000.5"), [("--to", "20000.50")]),
    "to alone": (("frontier", "sea", "--to", "1234"), [("--to", "1234")]),
    "no money": (("frontier", "sea", "--from", "0", "--to", "-1"), [("--from", "0"), ("--to", "-1")]),
    "changes by precision": (("frontier", "sea", "--by", "precision", "--changes"), [("--changes", "precision")]),
    "both with ends": (("frontier", "sea", "--by", "both", "--to", "50000"), [("--to", "50000")]),
    "much": (
        ("frontier", "sea", "--by", "nonsense", "--points", "x", "--gap", "2", "--time-limit", "-1", "--from", "9",
         "--to", "8"),
        [("--by", "nonsense"), ("--gap", "2"), ("--points", "x"), ("--time-limit", "-1"), ("--to", "8")],
    ),
    "order by": (("order", "sea", "--by", "cheapest", "--gap", "-0.1"), [("--by", "cheapest"), ("--gap", "-0.1")]),
    "order gap": (("order", "sea", "--gap", "nan"), [("--gap", "nan")]),
    "order time": (("order", "sea", "--time-limit", "soon"), [("--time-limit", "soon")]),
    "sites": (("alternatives", "sea", "--site", "marot", "--site", "zzz"), [("--site", "marot"), ("--site", "zzz")]),
    "alternatives layout": (("alternatives", "sea", "bad.csv"), [("bad.csv", "marot")]),
    "alternatives options": (
        ("alternatives", "sea", "--ties", "-1", "--apart", "0", "--within", "5 %"),
        [("--apart", "0"), ("--ties", "-1"), ("--within", "5 %")],
    ),
    "stress options": (
        ("stress", "sea", "nope", "--seed", "x", "--futures", "0", "--workers", "0", "--nodes", "1.5", "--gap", "2"),
        [("--futures", "0"), ("--gap", "2"), ("--nodes", "1.5"), ("--seed", "x"), ("--workers", "0")],
    ),
    "stress layout": (("stress", "sea", "bad.csv"), [("bad.csv", "marot")]),
    "stress seed": (("stress", "sea", "a.csv", "--seed", "-1"), [("--seed", "-1")]),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(WRONG))
def test_what_is_wrong_is_said_at_once_with_option_value_and_mend_and_nothing_is_written(here, name):
    args, expected = WRONG[name]
    (here / "bad.csv").write_text("id,plan\nmarot,flask\npellarne,flask\n")
    done = inside(here, *args, "--json", "--out", "r")
    assert done.returncode == cli.BAD_INPUT
    faults = json.loads(done.stdout)["faults"]
    assert sorted((f["file"], f["value"]) for f in faults) == sorted(expected, key=str)
    assert all(f["problem"] and f["allowed"] and f["mend"] for f in faults)
    assert f"{len(faults)} fault{'s' * (len(faults) > 1)}, nothing written." in said(done)
    for fault in faults:
        assert fault["problem"] in said(done)
        assert fault["value"] is None or f"(found '{fault['value']}')" in said(done)
    assert "Traceback" not in done.stderr
    assert narrow(done.stderr)
    (here / "bad.csv").unlink()
    assert untouched(here)
    plainly = inside(here, *args, "--out", "r")
    assert (plainly.returncode, plainly.stdout) == (cli.BAD_INPUT, "")


def test_a_misspelt_site_is_told_the_near_one(here):
    assert "'maroth'" in said(inside(here, "alternatives", "sea", "--site", "marot"))


def test_a_region_with_faults_is_refused_by_every_command_with_all_of_them(tmp_path):
    sea(tmp_path, toml=[("years = 2", "years = 0")], cells=[("18.2,-161.4", "118.2,-161.4")])
    for name in ALL:
        done = inside(tmp_path, *COMMANDS[name], "--json")
        assert done.returncode == cli.BAD_INPUT
        assert {f["file"] for f in json.loads(done.stdout)["faults"]} == {"region.toml", "candidates.csv"}
    assert untouched(tmp_path)


def test_a_scheduler_that_is_not_there_is_a_plain_fault(here, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("siting.futures.pool.CONNECT_SECONDS", 1)
    done = inside(here, "stress", "sea", "a.csv", "--scheduler", "tcp://127.0.0.1:1", "--json")
    assert done.returncode == cli.BAD_INPUT
    (fault,) = json.loads(done.stdout)["faults"]
    assert (fault["file"], fault["value"]) == ("--scheduler", "tcp://127.0.0.1:1")
    assert "no Dask scheduler answers there" in fault["problem"]
    assert "tcp://HOST:PORT" in fault["allowed"]
    assert untouched(here)


def test_a_start_outside_the_window_is_a_fault_of_every_command_that_takes_a_layout(here):
    (here / "b.csv").write_text(B.replace("ovenne,flask,2030", "ovenne,flask,2040"))
    for args in (("compare", "sea", "a.csv", "b.csv"), ("alternatives", "sea", "b.csv"), ("stress", "sea", "b.csv")):
        done = inside(here, *args)
        assert done.returncode == cli.BAD_INPUT
        assert "b.csv, row 3, start_year" in said(done)
        assert "2040" in said(done)
    assert untouched(here)


@pytest.mark.parametrize("name", ["compare", "order", "alternatives", "stress", "frontier"])
def test_a_foreign_folder_is_never_replaced(here, name):
    (here / "mine").mkdir()
    (here / "mine" / "thesis.txt").write_text("three years")
    done = inside(here, *COMMANDS[name], "--out", "mine")
    assert done.returncode == cli.BAD_INPUT
    assert "holds thesis.txt" in said(done)
    assert done.stdout == ""
    assert [path.name for path in (here / "mine").iterdir()] == ["thesis.txt"]
    assert not (here / ".mine.siting-done").exists()


def test_a_result_of_another_command_is_replaced_whole(here):
    for name in ("order", "compare"):
        assert inside(here, *COMMANDS[name], "--out", "r").returncode == cli.DONE
        assert {path.name for path in (here / "r").iterdir()} == FILES[name]
    (here / "r" / "comparison.json").unlink()
    done = inside(here, *COMMANDS["order"], "--out", "r")
    assert done.returncode == cli.BAD_INPUT, "without the file that marks a result it belongs to somebody"
    assert "is not replaced" in said(done)


def test_a_folder_that_holds_the_layout_just_read_is_not_replaced(here):
    assert inside(here, *COMMANDS["order"], "--out", "r").returncode == cli.DONE
    before = kept(here / "r")
    for args in (("compare", "sea", "a.csv", "r/layout.csv"), ("alternatives", "sea", "r/layout.csv"),
                 ("stress", "sea", "r/layout.csv")):  # fmt: skip
        done = inside(here, *args, "--out", "r")
        assert done.returncode == cli.BAD_INPUT
        assert "holds the layout that was just read" in said(done)
    assert kept(here / "r") == before


def test_options_that_are_read_are_those_that_are_used():
    options = frontier_options("score", "4", "1000", "2500.5", False, "0.02", "3")
    assert (options.points, options.gap, options.time_limit) == (4, 0.02, 3.0)
    assert options.ends(4000.0) == (1000.0, 2500.5)
    assert frontier_options("score", "4", "", "", False, "0.02", None).ends(4000.0) == (2000.0, 6000.0)
    assert frontier_options("score", "4", "9000", "", False, "0.02", None).ends(4000.0) == (9000.0, 13500.0)
    assert even_budgets(400_000, 5, 0.5, 1.5) == (200_000, 300_000, 400_000, 500_000, 600_000)
    asked = alternatives_options("precision", "0", "3", "1", "0", None)
    assert (asked.by, asked.ties, asked.apart, asked.within, asked.gap) == ("precision", 0, 3, 1.0, 0.0)
    assert stress_options("score", None, "4294967295", "0.1", "7", None).seed == 2**32 - 1
    with pytest.raises(InputError) as caught:
        stress_options("score", None, "4294967296", "0.1", "7", None)
    assert caught.value.faults[0].file == "--seed"


# -- no layout, stopped early --------------------------------------------------------------------------


POOR = [("total = 40000 ", "total = 10000 ")]


@pytest.mark.parametrize(
    "args",
    [
        # The cheapest site costs 8,000 (README of the example), so 10,000 do not pay one in each of three bands.
        ("frontier", "sea", "--points", "2", "--from", "5000", "--to", "10000"),
        ("frontier", "sea", "--changes", "--from", "5000", "--to", "10000"),
        ("frontier", "sea", "--by", "both", "--points", "2"),
        ("order", "sea"),
        ("order", "sea", "--time-limit", "100"),
        ("alternatives", "sea"),
    ],
)
def test_where_no_layout_keeps_the_rules_the_code_is_3_and_nothing_is_written(tmp_path, args):
    sea(tmp_path, toml=POOR)
    done = inside(tmp_path, *args)
    assert (done.returncode, done.stdout) == (cli.NO_LAYOUT, "")
    assert "NO LAYOUT keeps the rules" in said(done)
    assert "Nothing written" in said(done)
    found = inside(tmp_path, *args, "--json")
    assert found.returncode == cli.NO_LAYOUT
    assert strict(found.stdout) == {"status": "no layout"}
    assert untouched(tmp_path)


def test_budgets_that_pay_no_layout_are_named_beside_those_that_do(here):
    done = inside(here, "frontier", "sea", "--points", "2", "--from", "10000", "--to", "40000")
    assert done.returncode == cli.DONE
    assert "At 10,000 crowns no layout keeps the rules." in " ".join(done.stdout.split())
    rows = table(here / "outputs" / "sea" / "frontier-by-score" / "frontier.csv")
    assert (rows[0]["cost"], rows[0]["value"], rows[0]["sites"]) == ("", "", "0")
    assert rows[0]["ended"] == "no layout satisfies the rules"
    assert float(rows[1]["cost"]) == 40000.0


def test_a_layout_that_breaks_rules_can_be_asked_about(tmp_path):
    sea(tmp_path, toml=POOR)
    done = inside(tmp_path, "alternatives", "sea", "a.csv", "--ties", "0", "--site", "maroth", "--json")
    assert "Traceback" not in done.stderr
    found = strict(done.stdout)
    assert found["given"] is True
    assert found["base"]["cost"] == 40000.0
    assert done.returncode == cli.DONE


@pytest.mark.parametrize(
    ("args", "target"),
    [
        (("frontier", "sea", "--by", "precision", "--points", "2", "--gap", "0"), "frontier-by-precision"),
        (("frontier", "sea", "--by", "both", "--points", "2", "--gap", "0"), "frontier-by-both"),
        (("order", "sea", "--by", "precision", "--gap", "0"), "order-by-precision"),
        (("alternatives", "sea", "a.csv"), "alternatives-by-score-a"),
    ],
)
def test_a_time_limit_keeps_what_was_found_and_says_so_with_code_4(tmp_path, args, target):
    # Goals that no layout meets: so no search is proved at its first look.
    sea(tmp_path, toml=[("goal = 1.2 ", "goal = 0.9 "), ("goal = 0.2 ", "goal = 0.1 ")])
    done = inside(tmp_path, *args, "--time-limit", "0", "--json")
    assert done.returncode == cli.STOPPED, done.stderr
    assert "Traceback" not in done.stderr
    folder = tmp_path / "outputs" / "sea" / target
    name = f"{args[0]}.json"
    assert strict(done.stdout) == strict((folder / name).read_text(encoding="utf-8"))
    text = (folder / f"{args[0]}.txt").read_text(encoding="utf-8")
    assert "NOT every" in text or "was stopped" in text


@pytest.mark.parametrize(("ended", "code"), [(Ended.TIME, 4), (Ended.INTERRUPTED, 4), (Ended.INFEASIBLE, 3)])
def test_a_search_that_ended_before_a_first_layout_is_not_told_as_proof_that_there_is_none(
    here, monkeypatch, ended, code
):
    def nothing(self, *args, **more):
        return Found((), None, -math.inf, math.inf, math.inf, 0, ended is Ended.INFEASIBLE, ended)

    monkeypatch.setattr(Search, "best", nothing)
    for args in (("frontier", "sea", "--points", "2"), ("alternatives", "sea"), ("order", "sea", "--time-limit", "0")):
        if args[0] == "order" and ended is not Ended.TIME:
            continue
        done = inside(here, *args, "--json")
        assert done.returncode == code, args
        expected = {"status": "no layout"} if code == 3 else {"status": "stopped", "ended": ended.value}
        assert strict(done.stdout) == expected
        assert ("NO LAYOUT" in said(done)) == (code == 3)
    assert untouched(here)


def test_a_budget_that_a_limit_left_undecided_is_no_proof_although_others_are_proved(here, monkeypatch):
    real = api.frontier

    def undecided(*args, **more):
        found = real(*args, **more)
        first = dataclasses.replace(
            found.points[0],
            layout=(),
            cents=0,
            value=-math.inf,
            gap=math.inf,
            proved=False,
            ended=Ended.TIME,
            targets=(),
        )
        return dataclasses.replace(found, points=(first, *found.points[1:]), margins=found.margins[1:], knee=None)

    monkeypatch.setattr(api, "frontier", undecided)
    done = inside(here, "frontier", "sea", "--points", "3")
    assert done.returncode == cli.STOPPED, done.stderr
    assert "At 20,000 crowns none was found." in " ".join(done.stdout.split())
    row = table(here / "outputs" / "sea" / "frontier-by-score" / "frontier.csv")[0]
    assert (row["cost"], row["value"], row["gap"], row["proved"]) == ("", "", "", "no")


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT of POSIX")
def test_ctrl_c_during_stress_keeps_the_futures_done_and_the_same_command_goes_on_to_the_same_bytes(here):
    command = ("stress", "sea", "b.csv", "--futures", "8", "--workers", "1", "--out", "r")
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, *command],
        cwd=here,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )
    store, patience = here / ".r.siting-done", time.monotonic() + 60.0
    while not (store.exists() and store.read_text().count("\n") >= 3):
        assert process.poll() is None
        assert time.monotonic() < patience
        time.sleep(0.02)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == cli.STOPPED, err
    assert "Traceback" not in err
    assert "Stopping; futures that are under way are waited for" in err
    assert "The same command goes on where this one stopped." in " ".join(err.split())
    assert {path.name for path in (here / "r").iterdir()} == FILES["stress"]
    first = table(here / "r" / "futures.csv")
    assert 2 <= len(first) < 8
    found = strict((here / "r" / "stress.json").read_text(encoding="utf-8"))
    assert (found["whole"], found["futures"], found["futures_done"]) == (False, 8, len(first))
    assert f"STOPPED after {len(first)} of 8 futures" in " ".join(out.split())
    on = inside(here, *command)
    assert on.returncode == cli.DONE, on.stderr
    assert f"Going on after {len(first)} futures that an earlier run has done." in said(on)
    assert not store.exists()
    assert inside(here, *command[:-1], "fresh").returncode == cli.DONE
    assert kept(here / "r") == kept(here / "fresh")
    assert table(here / "r" / "futures.csv")[: len(first)] == first


def test_futures_of_another_task_are_not_taken_for_done(here):
    command = ("stress", "sea", "b.csv", "--futures", "1", "--workers", "1", "--out", "r")
    assert inside(here, *command).returncode == cli.DONE
    rows = table(here / "r" / "futures.csv")
    (here / ".r.siting-done").write_text('{"key": "of another task"}\n{"number": 0}\n')
    done = inside(here, *command)
    assert "Going on" not in done.stderr
    assert table(here / "r" / "futures.csv") == rows
    (here / ".r.siting-done").write_bytes(b"\xff\xfe\x00")
    assert inside(here, *command).returncode == cli.DONE


# -- hostile names -------------------------------------------------------------------------------------

HOSTILE = {
    "formula and markup": "=1+1<script>\"x'</script>[red]",
    "long": "M" * 300,
    "right to left": "\u05de\u05e8\u05d5\u05ea\u202eabc",
    "newline and escape": "Maroth\nPoint\x1b[2J",
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_names_of_sites_titles_and_layouts_stay_harmless_in_every_file(tmp_path, name):
    text = HOSTILE[name]
    title = json.dumps(text)
    sea(tmp_path, toml=[('title = "Small Sea, an invented teaching region"', f"title = {title}")])
    path = tmp_path / "sea" / "candidates.csv"
    rows = table(path)
    for row in rows:
        if row["id"] == "maroth":
            row["name"] = text
    with open(path, "w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    layout = f"{text[:200].replace('/', '')}.csv"
    (tmp_path / layout).write_text(A)
    region_refused = inside(tmp_path, "check", "sea").returncode == cli.BAD_INPUT
    for args in (("compare", "sea", layout, "b.csv"), ("order", "sea"),
                 ("alternatives", "sea", layout, "--ties", "0", "--site", "maroth")):  # fmt: skip
        done = inside(tmp_path, *args)
        assert "Traceback" not in done.stderr
        if region_refused:
            assert done.returncode == cli.BAD_INPUT
            continue
        assert done.returncode == cli.DONE, done.stderr
        assert narrow(done.stdout)
        shown = done.stdout + done.stderr
        assert not re.search("[\x00-\x09\x0b-\x1f\u202a-\u202e\u2066-\u2069]", shown)
    if region_refused:
        return
    folders = sorted((tmp_path / "outputs" / "sea").iterdir())
    assert len(folders) == 3
    for folder in folders:
        assert re.fullmatch(r"[a-z0-9._-]{1,100}", folder.name), "folders have plain names"
        for file in every(folder):
            content = file.read_text(encoding="utf-8")
            if file.suffix in (".json", ".geojson"):
                strict(content)
            elif file.suffix == ".csv":
                cells = [cell for row in csv.reader(io.StringIO(content)) for cell in row]
                assert not any(re.match("[=+@\t\r]", cell) for cell in cells)
                assert not any("\n" in cell or "\u202e" in cell or "\x1b" in cell for cell in cells)
                assert len({len(row) for row in csv.reader(io.StringIO(content))}) == 1
            elif file.suffix == ".txt":
                assert narrow(content)
                assert not re.search("[\x1b\u202e]", content)


def test_a_long_name_of_a_layout_gets_a_folder_and_a_stress_test(here):
    layout = f"{'x' * 230}.csv"
    (here / layout).write_text(B)
    done = inside(here, "stress", "sea", layout, "--futures", "1", "--workers", "1")
    assert done.returncode == cli.DONE, done.stderr
    (folder,) = (here / "outputs" / "sea").iterdir()
    assert folder.name.startswith("stress-by-score-xxx")
    assert len(folder.name) < 100


# -- a gas of which nothing is known ---------------------------------------------------------------------


@pytest.fixture
def unknown(tmp_path):
    text = (SMALLSEA / "region.toml").read_text(encoding="utf-8")
    targets = text[text.index("# What the network must show") : text.index("[score]")]
    sea(tmp_path, toml=[('name = "CO2"', 'name = "H2"'), (targets, "")])
    return tmp_path


@pytest.mark.parametrize("name", ["compare", "frontier", "changes", "order", "alternatives", "stress"])
def test_an_unknown_gas_is_judged_by_score_and_what_cannot_be_told_is_said(unknown, name):
    args = list(COMMANDS[name])
    if name == "stress":
        args[args.index("--futures") + 1] = "2"
    done = inside(unknown, *args)
    assert done.returncode == cli.DONE, done.stderr
    (file,) = (file for file in FILES[name] if file.endswith(".json"))
    content = (unknown / "outputs" / "sea" / FOLDERS[name] / file).read_text(encoding="utf-8")
    strict(content)
    assert re.search("cannot be told: .*'H2'.*nothing is known", " ".join(done.stdout.split()))
    assert not any("error" in head for path in (unknown / "outputs" / "sea" / FOLDERS[name]).glob("*.csv")
                   for head in path.read_text(encoding="utf-8").splitlines()[0].split(","))  # fmt: skip


@pytest.mark.parametrize(
    "args",
    [
        ("frontier", "sea", "--by", "precision"),
        ("frontier", "sea", "--by", "both"),
        ("order", "sea", "--by", "precision"),
        ("alternatives", "sea", "--by", "precision"),
        ("alternatives", "sea", "a.csv", "--by", "precision"),
        ("stress", "sea", "a.csv", "--by", "precision", "--futures", "1"),
    ],
)
def test_an_unknown_gas_is_refused_by_precision_with_the_way_out(unknown, args):
    done = inside(unknown, *args)
    assert done.returncode == cli.BAD_INPUT
    assert "tracer 'H2': nothing is known of this gas beforehand" in said(done)
    assert "mend: " in said(done)
    assert untouched(unknown)
