"""The page of fields: made from the vocabulary alone, never stale, and a table that Markdown can show."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic.fields import FieldInfo

import siting
from siting.region.schema.common import Vocabulary, described
from siting.region.schema.lookups import extra_of, kind_of, models_in
from siting.region.schema.page import TABLES, allowed_words, default_of, kind_words, limits_words, number_words, page
from siting.region.schema.rules import RULE_MODELS
from siting.region.schema.settings import Settings
from siting.region.schema.tables import CandidateRow

FILE = Path(siting.__file__).parent / "region" / "FIELDS.md"
CELL_BREAK = re.compile(r"(?<!\\)\|")


def all_models() -> set[type[Vocabulary]]:
    found: set[type[Vocabulary]] = set(RULE_MODELS) | {model for _, model in TABLES}
    waiting: list[type[Vocabulary]] = [Settings]
    while waiting:
        model = waiting.pop()
        if model not in found:
            found.add(model)
            waiting += [inner for info in model.model_fields.values() for inner in models_in(info.annotation)]
    return found


def all_fields() -> Iterator[tuple[str, str, FieldInfo]]:
    for model in all_models():
        for name, info in model.model_fields.items():
            yield model.__name__, info.alias or name, info


def test_the_page_beside_the_code_is_the_one_that_the_vocabulary_makes():
    made = FILE.read_text(encoding="utf-8")
    assert made == page(), "stale: run `python -m siting.region.schema > siting/region/FIELDS.md`"


def test_the_module_prints_the_page():
    root = Path(siting.__file__).parents[1]
    done = subprocess.run([sys.executable, "-m", "siting.region.schema"], capture_output=True, check=True, cwd=root)
    assert done.stdout.decode("utf-8") == page()


def test_every_field_says_what_it_is_in_a_sentence():
    bare = [
        f"{model}.{name}"
        for model, name, info in all_fields()
        if not (model in {rule.__name__ for rule in RULE_MODELS} and name == "kind")
        and not re.fullmatch(r"\S.*\.", info.description or "")
    ]
    assert bare == []


def test_every_model_says_what_it_is():
    assert [
        model.__name__ for model in all_models() if model is not Settings and not (model.__doc__ or "").strip()
    ] == []


def test_every_field_of_the_vocabulary_stands_in_the_page():
    text = page()
    rows = {CELL_BREAK.split(line)[1].strip() for line in text.splitlines() if line.startswith("| `")}
    for model, name, info in all_fields():
        if name == "kind" and model in {rule.__name__ for rule in RULE_MODELS}:
            continue
        inner = next(models_in(info.annotation), None)
        names = {f"`{name}`", f"`[{name}]`", f"`[[{name}]]`"} if inner else {f"`{name}`"}
        assert rows & names, f"{model}.{name}"
    for rule in RULE_MODELS:
        assert f'`kind = "{kind_of(rule)}"`' in text


def test_every_row_of_a_table_has_as_many_cells_as_its_heading():
    # CommonMark tables (GitHub Flavored Markdown spec 0.29, section 4.10): a bare pipe ends a cell
    width = None
    for line in page().splitlines():
        if not line.startswith("|"):
            width = None
            continue
        cells = len(CELL_BREAK.findall(line))
        width = width or cells
        assert cells == width, line


def test_a_pipe_in_a_description_does_not_break_the_table():
    from siting.region.schema import page as module

    class Piped(Vocabulary):
        """A table with a pipe."""

        words: str = described(about="Words separated by | or a space.", unit="a|b")

    row = module._field_table(Piped)[2]
    assert len(CELL_BREAK.findall(row)) == 6
    assert r"by \| or" in row


def test_what_waits_for_its_use_is_marked():
    text = page()
    for model, name, info in all_fields():
        later = extra_of(info).get("later")
        if later:
            assert re.search(rf"^\| `\[*{re.escape(name)}\]*` \|.*\*Later \({later}\)\.\*", text, re.MULTILINE), (
                f"{model}.{name}"
            )


def test_every_table_that_a_field_refers_to_has_its_section():
    text = page()
    named = set(re.findall(r"see (`\[+[\w.]+\]+`)", text))
    assert named
    assert [name for name in named if f"### {name}\n" not in text] == []


@pytest.mark.parametrize(
    ("field", "allowed", "default"),
    [
        ("baseline_exposure", "number, 0 to 1", "0.5 (assumed)"),
        ("lead_months", "whole number, 0 to 600", "0"),
        ("elevation_m", "number, -450 to 9000", "0"),
        ("status", "`open`, `running`, `required`, `excluded`", "open"),
        ("open_months", "months", "all"),
        ("group", "words separated by spaces", "empty"),
        ("staffed", "yes or no", "yes (assumed)"),
        ("id", "name", "must be given"),
    ],
)
def test_kind_limits_and_default_of_a_column_in_words(field, allowed, default):
    info = CandidateRow.model_fields[field]
    assert allowed_words(info, in_table=True) == allowed
    assert default_of(info, in_table=True) == default


def test_limits_that_a_type_carries_are_named_too():
    plan = next(models_in(Settings.model_fields["plans"].annotation))
    assert limits_words(plan.model_fields["pass_chance"]) == "0 to 1"
    assert limits_words(plan.model_fields["samples_per_month"]) == "more than 0 and 3000 or less"
    assert limits_words(Settings.model_fields["tracers"]) == "1 to 20 entries"


def test_numbers_are_written_for_readers():
    assert [number_words(x) for x in (0.5, 2200.0, 20000.0, 1e7, -90.0, 0.02)] == [
        "0.5",
        "2200",
        "20,000",
        "10,000,000",
        "-90",
        "0.02",
    ]


def test_no_kind_is_left_as_python_writes_it():
    words = {kind_words(info.annotation) for _, _, info in all_fields()}
    assert [w for w in words if "class" in w or "typing" in w or "|" in w or "Optional" in w] == []
