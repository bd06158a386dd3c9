"""Reading of TOML with the lines of its keys: TOML 1.0.0, the standard library as the reference parser."""

from __future__ import annotations

import tempfile
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.region.faults import Findings
from siting.region.toml import LineIndex, read_toml


def read(folder: Path, content: str | bytes) -> tuple[dict | None, LineIndex, list[str]]:
    path = folder / "region.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass"))
    findings = Findings()
    found = read_toml(path, "region.toml", findings)
    said = [fault.sentence() for fault in findings.ordered()]
    return (found[0], found[1], said) if found else (None, LineIndex({}), said)


EXAMPLE = '''# a comment with = and [brackets]
title = "x = [1]" # [no.table]

[budget]
total = 1_000
"per year" = 5
a.b.c = 1
text = """
total = 2
[nothing] \\"""
"""
points = [
  [1, 2], # first
  [3, 4],
]
inline = { one = 1, two = { three = "}" } }

[[tracers]]
unit = "ppm"
[tracers.noise]
sd = 1
[[tracers]]
unit = 'ppb'
[[tracers.parts]]
share = 1
[[tracers.parts]]
share = 2
[rules.'a b']
on = true
'''


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("title",), 2),
        (("budget",), 4),
        (("budget", "total"), 5),
        (("budget", "per year"), 6),
        (("budget", "a", "b", "c"), 7),
        (("budget", "a"), 7),
        (("budget", "text"), 8),
        (("budget", "points"), 12),
        (("budget", "points", 1, 0), 14),
        (("budget", "inline", "two", "three"), 16),
        (("tracers",), 18),
        (("tracers", 0, "unit"), 19),
        (("tracers", 0, "noise", "sd"), 21),
        (("tracers", 1), 22),
        (("tracers", 1, "unit"), 23),
        (("tracers", 1, "parts", 0, "share"), 25),
        (("tracers", 1, "parts", 1, "share"), 27),
        (("rules", "a b", "on"), 29),
        (("rules",), 28),
        (("budget", "absent", "deep"), 4),
        (("tracers", 0, "absent"), 18),
        (("absent",), None),
        ((), None),
    ],
)
def test_the_line_of_a_key_is_found_or_that_of_its_nearest_table(tmp_path, end, path, line):
    content, index, said = read(tmp_path, EXAMPLE.replace("\n", end))
    assert said == []
    assert content == tomllib.loads(EXAMPLE)
    assert index.line_of(path) == line


_WORD = st.text("abcxyz_-0123", min_size=1, max_size=4)
_VALUE = st.recursive(
    st.sampled_from(["1", "-2.5", "true", '"a # [b] = \\" x"', "'#\"'", '"""x\ny = 1\n"""', "2027-06-15", "'''\n'''"]),
    lambda inner: st.lists(inner, max_size=3).map(lambda parts: "[ # note ]\n" + ",\n".join(parts) + "\n]"),
    max_leaves=4,
)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["[[t]]", "[[t.u]]", "key"]), _WORD, _VALUE), max_size=8))
def test_every_key_of_a_written_file_has_the_line_it_was_written_on(parts):
    lines: list[str] = []
    expected: dict[tuple[str | int, ...], int] = {}
    table: tuple[str | int, ...] = ()
    outer, inner = -1, -1
    for place, (kind, word, value) in enumerate(parts):
        if kind == "[[t]]" or (kind == "[[t.u]]" and outer >= 0):
            if kind == "[[t]]":
                outer, inner = outer + 1, -1
                table = ("t", outer)
            else:
                inner += 1
                table = ("t", outer, "u", inner)
            expected[table] = len(lines) + 1
            lines.append(kind)
        else:
            key = f"k{place}{word}"
            expected[(*table, key)] = len(lines) + 1
            lines += f"{key} = {value}".split("\n")
    text = "\n".join(lines) + "\n# end"
    with tempfile.TemporaryDirectory() as folder:
        content, index, said = read(Path(folder), text)
    assert said == []
    assert content == tomllib.loads(text)
    assert {path: index.line_of(path) for path in expected} == expected


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("a = 12,5", "at column 7: a decimal comma (found 'a = 12,5'); mend: write 12.5"),
        ("a = 1,200 # x", "at column 6: a comma in a number (found 'a = 1,200 # x'); mend: write 1200, or "
                          "1.200 if it "
                          "is a decimal comma"),
        ("a = abc", "at column 5: text without quotation marks (found 'a = abc'); mend: write \"abc\""),
        ("a = “x”", "at column 5: curly quotation marks (found 'a = “x”'); mend: write straight quotation "
                    "marks: "
                    '"..."'),
        ("good = 2", "at column 9: this name is set a second time (first in line 1) (found 'good = 2'); "
                     "mend: delete "
                     "or rename one of the two"),
        ('a = "C:\\Users\\x"', "at column 10: a backslash in double quotation marks (found 'a = "
                               "\"C:\\Users\\x\"'); "
                               "mend: write / or \\\\, or use single quotation marks: '...'"),
        ('a = "open', "at column 10: quotation marks are not closed (found 'a = \"open'); mend: close the "
                      "text with "
                      "the same mark, on the same line"),
        ("a: 3", "at column 2: a colon where = belongs (found 'a: 3'); mend: write a = 3"),
        ("a =", "at column 4: the value is missing (found 'a ='); mend: write a value after =, or delete "
                "the line"),
        ("a = True", "at column 5: true and false are small words (found 'a = True'); mend: write true"),
        ("a = no", "at column 5: true and false are small words (found 'a = no'); mend: write false"),
        ("a = 5 m", "at column 7: text follows the number ('m') (found 'a = 5 m'); mend: write 5, or put "
                    "it in "
                    "quotation marks"),
        ("a = 01.03.2027", "at column 6: a date in another form (found 'a = 01.03.2027'); mend: write "
                           "dates as "
                           "year-month-day: 2027-06-15"),
        ("a = 2027-02-30", "at column 5: no such date or time (found 'a = 2027-02-30'); mend: correct the "
                           "date"),
        ("a = .5", "at column 5: a digit is missing at the decimal point (found 'a = .5'); mend: write 0.5 "
                   "or 5.0"),
        ("// note", "at column 1: this is no comment (found '// note'); mend: begin a comment with #"),
        ("a\u00a0= 1", "at column 2: the invisible character U+00A0 (found 'a\\xa0= 1'); mend: delete it, "
                       "or write a "
                       "plain space"),
    ],
)  # fmt: skip
def test_the_usual_slips_are_named_with_line_column_text_and_mend(tmp_path, line, said):
    # The columns are those of the standard library's parser.
    content, _, found = read(tmp_path, f"good = 1\n{line}\nlast = 3\n")
    assert content is None
    assert found == [f"region.toml, line 2: is not valid TOML {said}"]


def test_all_slips_of_a_file_come_out_at_once_and_innocent_lines_do_not(tmp_path):
    lines = ["a = 1,5", "b = 2", "c = abc", "[t]", "d = [1,", "  2]", "e = True", 'f = "x"', "f = 2"]
    _, _, said = read(tmp_path, "\n".join(lines))
    assert [text.split(":")[0] for text in said] == [f"region.toml, line {row}" for row in (1, 3, 7, 9)]


@pytest.mark.parametrize("first", ["x = [abc,", 'x = """\\a', "x = {a = b,"])
def test_the_lines_behind_a_broken_value_of_several_lines_are_not_blamed(tmp_path, first):
    _, _, said = read(tmp_path, f"{first}\n  2]\n")
    assert len(said) == 1
    assert said[0].startswith("region.toml, line 1: ")


@pytest.mark.parametrize("first", ["x = [1, 2", "x = [1, 2,", 'x = """abc', "x = '''abc", "x = [ # ]"])
@pytest.mark.parametrize("second", ["y = 3", "[y]"])
def test_what_is_left_open_is_blamed_where_it_opens(tmp_path, first, second):
    _, _, said = read(tmp_path, f"a = 1\n{first}\n{second}\nz = 4\n")
    shown = first.strip()
    assert said == [
        "region.toml, line 2: is not valid TOML: a bracket or quotation marks opened here are not closed "
        "(found "
        f"'{shown}'); mend: close them: ] for a list, the same quotation marks for text"
    ]


def test_a_missing_comma_in_a_long_list_is_named_in_its_own_line(tmp_path):
    _, _, said = read(tmp_path, "x = [\n  1\n  2,\n]\n")
    assert said == [
        "region.toml, line 3: is not valid TOML at column 3, in the value that begins in line 1: a comma or "
        "the "
        "closing ] is missing (found '2,'); mend: separate the values by commas"
    ]


def test_deep_nesting_long_numbers_and_bytes_are_faults(tmp_path):
    assert read(tmp_path, "x = " + "[" * 5000)[2] == ["region.toml: is nested too deeply; mend: use fewer brackets"]
    assert read(tmp_path, "x = " + "1" * 5000)[2] == [
        "region.toml: a number has too many digits; mend: shorten the number"
    ]
    assert "is not UTF-8" in read(tmp_path, "x = 'é'".encode("latin-1"))[2][0]
    assert read(tmp_path, b"\xef\xbb\xbfx = 1")[0] == {"x": 1}


_TOML_LIKE = st.lists(
    st.sampled_from(
        ["[", "]", "[[", "]]", "{", "}", "=", ",", ".", '"', "'", '"""', "'''", "\n", " ", "#", "\\", "a",
         "b1", "1",
         "1,5", "true", "“", "\ufeff", "\r", "x = 1\n", "[a]\n", "[[b]]\n", "2027-01-01"]
    ),
    max_size=25,
).map("".join)  # fmt: skip


@settings(max_examples=400, deadline=None)
@given(st.binary() | st.text() | _TOML_LIKE)
def test_no_content_whatever_makes_the_reader_fail(content):
    with tempfile.TemporaryDirectory() as folder:
        found, index, said = read(Path(folder), content)
    assert (found is None) == bool(said)
    if found is not None:
        # every top-level key has a line, however strange the file
        assert all(index.line_of((key,)) is not None for key in found)
