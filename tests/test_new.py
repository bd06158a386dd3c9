"""`siting new`: a template in step with the vocabulary, copies of examples, and regions from a list of places."""

from __future__ import annotations

import csv
import os
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from siting.region import template
from siting.region.faults import InputError
from siting.region.reading import read_region
from siting.region.schema.common import Vocabulary, described
from siting.region.schema.lookups import column_names, extra_of, kind_of, models_in
from siting.region.schema.page import page
from siting.region.schema.rules import RULE_MODELS
from siting.region.schema.settings import Settings
from siting.region.schema.tables import CandidateRow
from siting.region.template import examples, new_region
from siting.region.template_text import DEFAULT, SAMPLE, _table, region_text, toml_value

TEMPLATE_FILES = ("FIELDS.md", "README.md", "candidates.csv", "region.toml")


def tuples(value: object) -> object:
    """The frozen models hold tuples where TOML has lists."""
    if isinstance(value, dict):
        return {key: tuples(item) for key, item in value.items()}
    return tuple(map(tuples, value)) if isinstance(value, list) else value


def read(text: str) -> Settings:
    return Settings.model_validate(tuples(tomllib.loads(text)))


def with_defaults(text: str) -> str:
    """Take the mark of defaults away, everywhere."""
    return re.sub(rf"(?m)^{DEFAULT}(?!e\.g\.)(?=[a-z\[])", "", text)


def faults_of(act: Callable[[], object]) -> str:
    with pytest.raises(InputError) as caught:
        act()
    return str(caught.value)


def rows_of(path: Path, separator: str = ",") -> list[dict[str, str]]:
    return list(csv.DictReader(path.open(encoding="utf-8-sig", newline=""), delimiter=separator))


# --- the template -------------------------------------------------------------------------------------------


def test_the_template_reads_without_a_fault(tmp_path):
    names = new_region(tmp_path / "mine", demo=None, sites=None)
    assert names == TEMPLATE_FILES
    assert sorted(p.name for p in (tmp_path / "mine").iterdir()) == list(TEMPLATE_FILES)
    region = read_region(tmp_path / "mine")
    assert 6 <= len(region.candidates) <= 9
    assert {plan.kind for plan in region.settings.plans} == {"flask", "analyzer"}
    assert all("not used yet" in w.problem and "row 1" in w.sentence() for w in region.warnings)


def test_taking_every_default_mark_away_changes_no_setting():
    text = region_text("a", "b")
    bare = with_defaults(text)
    assert bare.count("\n[") > text.count("\n[")
    assert len(tomllib.loads(bare)) > len(tomllib.loads(text))
    assert read(bare).model_dump() == read(text).model_dump()


def test_a_region_with_every_default_mark_taken_away_reads_without_a_fault(tmp_path):
    new_region(tmp_path / "mine")
    before = read_region(tmp_path / "mine")
    file = tmp_path / "mine" / "region.toml"
    file.write_text(with_defaults(file.read_text(encoding="utf-8")), encoding="utf-8")
    after = read_region(tmp_path / "mine")
    assert after.settings.model_dump() == before.settings.model_dump()


def test_every_default_alone_can_be_taken_from_its_mark_in_the_table_where_it_stands():
    # a user changes one line: it must land in the table that its section names
    text = region_text("a", "b")
    lines = text.splitlines()
    base = read(text).model_dump()
    waiting = ""
    tried = 0
    for i, line in enumerate(lines):
        if re.match(rf"{DEFAULT}\[", line):
            waiting = line
        elif re.match(r"\[", line):
            waiting = ""
        elif re.match(rf"{DEFAULT}[a-z_]+ = ", line) and not waiting:
            tried += 1
            assert read("\n".join([*lines[:i], line[1:], *lines[i + 1 :]])).model_dump() == base, line
    assert tried > 30


def test_every_sample_line_holds_a_value_that_the_vocabulary_accepts():
    text = region_text("quellamar", "darromere")
    bare = with_defaults(text)
    read(re.sub(rf"(?m)^{re.escape(SAMPLE)}(?![#\s])", "", bare))
    # and the samples behind a second mark, which only refine a block
    full = re.sub(rf"(?m)^{re.escape(SAMPLE)}#?", "", bare)
    given = read(full)
    assert {rule.kind for rule in given.rules} == {kind_of(rule) for rule in RULE_MODELS}
    wanted = next(models_in(Settings.model_fields["targets"].annotation)).model_fields["kind"].annotation.__args__
    assert {target.kind for target in given.targets} == set(wanted)


def test_the_samples_of_rules_targets_and_plans_make_a_region_without_a_fault(tmp_path):
    new_region(tmp_path / "mine")
    file = tmp_path / "mine" / "region.toml"
    text = file.read_text(encoding="utf-8")
    for table in ("rules", "targets", "plans", "methods"):
        begin = text.index(f" {table} -")
        end = text.find("\n# ---", begin)
        section = text[begin : end if end > 0 else len(text)]
        # whole sample blocks only: single samples inside an active block say what a user may add
        blocks = section[section.index(f"{SAMPLE}[[") :]
        text = text.replace(blocks, re.sub(rf"(?m)^{re.escape(SAMPLE)}(?!#)", "", blocks))
    file.write_text(text, encoding="utf-8")
    region = read_region(tmp_path / "mine")
    assert len(region.settings.rules) == len(RULE_MODELS)
    assert len(region.settings.targets) == 7
    assert {plan.kind for plan in region.settings.plans} == {"flask", "analyzer", "both", "flask_then_analyzer"}


def settings_models() -> list[type[Vocabulary]]:
    found: list[type[Vocabulary]] = []
    waiting: list[type[Vocabulary]] = [Settings]
    while waiting:
        model = waiting.pop()
        if model not in found:
            found.append(model)
            waiting += [inner for info in model.model_fields.values() for inner in models_in(info.annotation)]
    return found


def test_every_setting_of_every_table_stands_in_the_template_with_its_explanation():
    text = region_text("a", "b")
    flat = " ".join(re.sub(r"(?m)^# *", "", text).split())
    for model in settings_models():
        for name, info in model.model_fields.items():
            table = next(models_in(info.annotation), None)
            spellings = rf"(?:\[[\w.]*{name}\]|\b{name} = |# +{name}: )" if table else rf"(?:\b{name} = |# +{name}: )"
            assert re.search(spellings, text), f"{model.__name__}.{name}"
            if info.description and not (table and model is Settings):
                assert " ".join(info.description.split()) in flat, f"{model.__name__}.{name}"
            unit = extra_of(info).get("unit")
            if unit and table is None:
                where = flat.index(" ".join((info.description or "").split()))
                assert unit in flat[where : where + 400], f"{model.__name__}.{name}"


def test_a_new_field_of_the_vocabulary_comes_into_the_template_by_itself():
    class Fresh(Vocabulary):
        """A table of tomorrow."""

        depth: float | None = described(None, about="How deep.", unit="m", ge=2.0, le=4.0)
        mood: str = described("calm", about="What mood.", why="assumed")
        needed: int = described(about="How many.", gt=6)

    class Home(Vocabulary):
        """Its home."""

        fresh: Fresh = described(Fresh(needed=7), about="A table.")

    text = "\n".join(_table("fresh", Home.model_fields["fresh"], Fresh, {}))
    assert "# How deep. [number, 2 to 4; unit: m; default: empty]\n#e.g. depth = 3.0" in text
    assert '# What mood. [text; default: calm (assumed)]\n#mood = "calm"' in text
    assert "# How many. [whole number, more than 6; must be given]\nneeded = 7" in text


def test_all_columns_of_candidates_are_in_the_heading(tmp_path):
    new_region(tmp_path / "mine")
    rows = rows_of(tmp_path / "mine" / "candidates.csv")
    assert list(rows[0]) == list(column_names(CandidateRow))
    ever = {column for row in rows for column, cell in row.items() if cell}
    assert {"baseline_exposure", "open_months", "setup_cost", "running_since", "power"} <= ever


def test_the_folder_says_that_its_samples_are_invented_and_holds_the_page(tmp_path):
    new_region(tmp_path / "mine")
    assert "invented" in (tmp_path / "mine" / "README.md").read_text(encoding="utf-8")
    assert "invented" in (tmp_path / "mine" / "region.toml").read_text(encoding="utf-8")[:400]
    assert (tmp_path / "mine" / "FIELDS.md").read_text(encoding="utf-8") == page()


def test_a_plan_on_the_template_finds_a_network_of_both_hemispheres_within_the_money(tmp_path):
    from siting import api

    new_region(tmp_path / "mine")
    result = api.plan(read_region(tmp_path / "mine"), by="score")
    region, picked = result.planning.region, result.assessment.picks
    assert result.selection.proved
    assert min(p.lat for p in picked) < -30 < 30 < max(p.lat for p in picked)
    assert 4 <= len(picked) < len(region.candidates) - 1
    # the analyzer does not go to the dirtiest place, which is not worth a visit at all
    assert "ennisquay" not in {p.id for p in picked}


def test_lines_are_short_enough_for_a_window():
    assert max(len(line) for line in region_text("a", "b").splitlines()) <= 120


@pytest.mark.parametrize(
    "value",
    [
        'a "quoted" \\ text',
        "line\nbreak\ttab",
        "é ü 東",
        "\x7f",
        1,
        1.5,
        1e6,
        1e-7,
        True,
        ["a", 2],
        {"a": {"b": []}},
        [],
    ],
)
def test_a_value_comes_back_from_toml(value):
    # TOML 1.0.0, read by the standard library
    assert tomllib.loads(f"x = {toml_value(value)}")["x"] == value


# --- examples -----------------------------------------------------------------------------------------------


def test_an_example_is_copied_byte_for_byte(tmp_path):
    source = examples()["farwinds"]
    names = new_region(tmp_path / "copy", demo="farwinds", sites=None)
    assert names == tuple(sorted(p.relative_to(source).as_posix() for p in source.rglob("*") if p.is_file()))
    for name in names:
        assert (tmp_path / "copy" / name).read_bytes() == (source / name).read_bytes()
    assert read_region(tmp_path / "copy").inputs == read_region(source).inputs


def test_an_unknown_example_is_a_fault_that_lists_the_known_ones(tmp_path):
    text = faults_of(lambda: new_region(tmp_path / "copy", demo="farwind", sites=None))
    assert "farwinds, smallsea" in text
    assert "write 'farwinds'" in text
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["../regions/farwinds", "", ".", "/"])
def test_an_example_is_a_name_and_never_a_path(tmp_path, name):
    assert "no example of this name" in faults_of(lambda: new_region(tmp_path / "copy", demo=name))


# --- from a list of places ----------------------------------------------------------------------------------


def test_a_bare_list_becomes_a_region_with_all_columns(tmp_path):
    (tmp_path / "sites.csv").write_text("id,lat,lon\nfirst,10,20\nsecond,-10.50,340\n", encoding="utf-8")
    assert new_region(tmp_path / "mine", demo=None, sites=tmp_path / "sites.csv") == TEMPLATE_FILES
    rows = rows_of(tmp_path / "mine" / "candidates.csv")
    assert list(rows[0]) == list(column_names(CandidateRow))
    assert [(r["id"], r["lat"], r["lon"]) for r in rows] == [("first", "10", "20"), ("second", "-10.50", "340")]
    assert all(cell == "" for row in rows for name, cell in row.items() if name not in ("id", "lat", "lon"))
    region = read_region(tmp_path / "mine")
    assert region.candidates.ids == ("first", "second")
    assert 'sites = ["first", "second"]' in (tmp_path / "mine" / "region.toml").read_text(encoding="utf-8")
    assert "2 places" in (tmp_path / "mine" / "README.md").read_text(encoding="utf-8")


def test_values_separator_and_byte_mark_of_the_user_are_kept(tmp_path):
    text = 'sep=;\nName;ID;Lat;Lon;setup_cost;my notes\n"Île ""haute""; nord";a1;+07.250;-0.0;1200;=A1\n;007;1e1;2;;\n'
    (tmp_path / "liste é.csv").write_bytes(b"\xef\xbb\xbf" + text.encode())
    new_region(tmp_path / "mine", sites=tmp_path / "liste é.csv")
    assert (tmp_path / "mine" / "candidates.csv").read_bytes().startswith(b"\xef\xbb\xbfid;name;")
    rows = rows_of(tmp_path / "mine" / "candidates.csv", ";")
    assert [(r["id"], r["name"], r["lat"], r["lon"]) for r in rows] == [
        ("a1", 'Île "haute"; nord', "+07.250", "-0.0"),
        ("007", "", "1e1", "2"),
    ]
    assert [(r["setup_cost"], r["my_notes"]) for r in rows] == [("1200", "=A1"), ("", "")]
    assert read_region(tmp_path / "mine").candidates.names == ("007", 'Île "haute"; nord')


def test_all_faults_of_a_list_come_at_once_and_nothing_is_written(tmp_path):
    (tmp_path / "sites.csv").write_text(
        'id,lat,lon,baseline_exposure\na,95,20,0.5\na,10,"20,5",0.5\nb,10,20,1.5\nc,,3,\n', encoding="utf-8"
    )
    text = faults_of(lambda: new_region(tmp_path / "deep" / "mine", sites=tmp_path / "sites.csv"))
    for words in ("row 2, lat", "row 3, lon", "row 4, baseline_exposure", "row 5, lat"):
        assert words in text
    assert [p.name for p in tmp_path.iterdir()] == ["sites.csv"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("id,lat\na,1\n", "lon: column missing"),
        ("id,lat,lon\n", "no candidate in it"),
        ("", "is empty"),
        ("name\tlat\tlon\nx\t1\t2\n", "separated by a tab"),
        ("id,lat,lon\na,1,2\na,3,4\n", "id stands already"),
    ],
)
def test_a_list_that_cannot_be_used_is_named(tmp_path, content, words):
    (tmp_path / "sites.csv").write_text(content, encoding="utf-8")
    assert words in faults_of(lambda: new_region(tmp_path / "mine", sites=tmp_path / "sites.csv"))
    assert not (tmp_path / "mine").exists()


def test_a_list_that_is_not_there_is_a_fault(tmp_path):
    assert "there is no such file" in faults_of(lambda: new_region(tmp_path / "mine", sites=tmp_path / "none.csv"))
    assert "is a folder" in faults_of(lambda: new_region(tmp_path / "mine", sites=tmp_path))


# --- the target ---------------------------------------------------------------------------------------------


def test_both_options_together_are_a_fault_with_all_others(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "keep.txt").write_text("mine")
    text = faults_of(lambda: new_region(tmp_path / "mine", demo="nosuch", sites=tmp_path / "none.csv"))
    for words in ("both asked for", "holds something", "no example", "no such file"):
        assert words in text


def test_a_folder_that_holds_something_is_not_touched(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / ".hidden").write_text("mine")
    assert "holds something" in faults_of(lambda: new_region(tmp_path / "mine"))
    assert [p.name for p in (tmp_path / "mine").iterdir()] == [".hidden"]


def test_a_file_or_a_broken_link_in_the_place_is_not_touched(tmp_path):
    (tmp_path / "file").write_text("mine")
    assert "is not a folder" in faults_of(lambda: new_region(tmp_path / "file"))
    assert (tmp_path / "file").read_text() == "mine"
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    assert "is not a folder" in faults_of(lambda: new_region(tmp_path / "link"))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "link"]


def test_an_empty_folder_is_filled_also_when_it_is_the_working_folder(tmp_path, monkeypatch):
    (tmp_path / "mine").mkdir()
    monkeypatch.chdir(tmp_path / "mine")
    new_region(Path("."), demo="farwinds")
    assert {"region.toml", "layouts"} <= set(os.listdir("."))
    assert not [name for name in os.listdir(".") if name.startswith(".")]
    assert len(read_region(".").candidates) > 60


def test_missing_folders_above_are_made_and_names_may_have_spaces_and_accents(tmp_path):
    target = tmp_path / "my regions" / "Grönland Süd" / "海 é"
    new_region(target)
    assert read_region(target).name == "海 é"
    assert [p.name for p in target.parent.iterdir()] == ["海 é"]


@pytest.mark.parametrize("step", ["write_bytes", "rename"])
@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_nothing_stays_behind_when_writing_fails(tmp_path, monkeypatch, step, error):
    calls = []

    def fail(*args, **kwargs):
        calls.append(args)
        if len(calls) == (2 if step == "write_bytes" else 1):
            raise error
        return real(*args, **kwargs)

    real = Path.write_bytes if step == "write_bytes" else os.rename
    monkeypatch.setattr(*((Path, step, fail) if step == "write_bytes" else (template.os, step, fail)))
    if isinstance(error, OSError):
        text = faults_of(lambda: new_region(tmp_path / "a" / "b" / "mine"))
        assert "cannot be written (no space left on device); mend:" in text
    else:
        with pytest.raises(KeyboardInterrupt):
            new_region(tmp_path / "a" / "b" / "mine")
    assert calls
    assert list(tmp_path.iterdir()) == []


def test_a_failed_fill_leaves_the_folder_empty(tmp_path, monkeypatch):
    (tmp_path / "mine").mkdir()
    real, calls = os.rename, []

    def fail(old, new):
        calls.append(new)
        if len(calls) == 3:
            raise OSError(5, "Input/output error")
        real(old, new)

    monkeypatch.setattr(template.os, "rename", fail)
    assert "cannot be written" in faults_of(lambda: new_region(tmp_path / "mine", demo="farwinds"))
    assert len(calls) == 3
    assert list((tmp_path / "mine").iterdir()) == []


def test_a_folder_that_came_meanwhile_is_not_replaced(tmp_path, monkeypatch):
    real = Path.write_bytes

    def meanwhile(self, content):
        (tmp_path / "mine").mkdir(exist_ok=True)
        (tmp_path / "mine" / "theirs.txt").write_text("theirs")
        return real(self, content)

    monkeypatch.setattr(Path, "write_bytes", meanwhile)
    assert "cannot be written" in faults_of(lambda: new_region(tmp_path / "mine"))
    assert [p.name for p in tmp_path.iterdir()] == ["mine"]
    assert [p.name for p in (tmp_path / "mine").iterdir()] == ["theirs.txt"]


@pytest.mark.parametrize("name", ["x" * 300, "file/mine", "nul\0"])
def test_a_place_that_cannot_be_written_is_a_fault_with_its_mend(tmp_path, name):
    (tmp_path / "file").write_text("mine")
    text = faults_of(lambda: new_region(Path(f"{tmp_path}/{name}")))
    assert "mend:" in text
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


# --- the command --------------------------------------------------------------------------------------------


def test_the_command_makes_a_folder_that_check_and_plan_accept(tmp_path, monkeypatch):
    from siting.cli import app

    monkeypatch.chdir(tmp_path)
    run = CliRunner()
    made = run.invoke(app, ["new", "mine"])
    assert (made.exit_code, made.stdout) == (0, "")
    assert "region.toml" in made.stderr
    assert run.invoke(app, ["check", "mine"]).exit_code == 0
    again = run.invoke(app, ["new", "mine"])
    assert again.exit_code == 2
    assert "holds something" in again.stderr
    assert "is a folder" in run.invoke(app, ["new", "other", "--sites", ""]).stderr
    spaced = run.invoke(app, ["new", "two words", "--from", "smallsea"])
    assert 'siting check "two words"' in " ".join(spaced.stderr.split())
    both = run.invoke(app, ["new", "other", "--from", "smallsea", "--sites", "sites.csv"])
    assert both.exit_code == 2
    assert "2 faults, nothing written" in both.stderr
    assert sorted(os.listdir(tmp_path)) == ["mine", "two words"]
