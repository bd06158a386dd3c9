"""Reading of text and CSV: RFC 3629 (UTF-8), RFC 4180 (quoting), and what spreadsheets are known to write."""

from __future__ import annotations

import csv
import io
import tempfile
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.region.faults import Findings
from siting.region.tables import RawTable, column_letter, column_name, read_table
from siting.region.text import read_text


def table(tmp_path: Path, content: bytes | str, name: str = "sites.csv") -> tuple[RawTable | None, list[str]]:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    findings = Findings()
    raw = read_table(path, name, findings)
    return raw, [fault.sentence() for fault in findings.ordered()]


def text(tmp_path: Path, content: bytes, name: str = "notes.toml") -> tuple[str | None, Findings]:
    path = tmp_path / name
    path.write_bytes(content)
    findings = Findings()
    return read_text(path, name, findings), findings


# --- text -------------------------------------------------------------------------------------------------


def test_a_byte_mark_is_taken_off_and_line_ends_are_left(tmp_path):
    # RFC 3629 section 6: the byte mark EF BB BF
    read, findings = text(tmp_path, b"\xef\xbb\xbfa\r\nb\r")
    assert read == "a\r\nb\r"
    assert not findings.faults


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_wide_encodings_are_named_with_the_mend(tmp_path, encoding):
    raw, faults = table(tmp_path, "id,lat\na,1\n".encode(encoding))
    assert raw is None
    assert len(faults) == 1
    assert ("UTF-32" if "32" in encoding else "UTF-16") in faults[0]
    assert faults[0].endswith('mend: save it again as "CSV UTF-8"')


def test_the_first_bad_byte_is_named_with_its_row(tmp_path):
    # Windows-1252 table: 0xE9 is e with acute, 0xFC u with diaeresis
    raw, faults = table(tmp_path, "id,name\r\na,plain\r\nb,caf\u00e9\r\nc,m\u00fcll\r\n".encode("cp1252"))
    assert raw is None
    assert faults == [
        "sites.csv, row 3: is not UTF-8: here stands the byte 0xE9, which is 'é' in Windows-1252; 2 rows are "
        'affected; allowed: UTF-8 text, with or without a byte mark; mend: save it again as "CSV UTF-8"'
    ]


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n"])
def test_rows_before_a_bad_byte_are_counted_for_every_line_end(tmp_path, end):
    _, findings = text(tmp_path, end.join([b"one", b"two", b"\xff"]))
    assert [fault.row for fault in findings.faults] == [3]


def test_nul_bytes_a_folder_a_missing_an_empty_and_a_blank_file_are_faults(tmp_path):
    assert text(tmp_path, b"a\nb\x00c")[1].faults[0].sentence().startswith("notes.toml, line 2: holds NUL bytes;")
    assert text(tmp_path, b"")[1].faults[0].problem == "is empty (0 bytes)"
    assert text(tmp_path, b"\xef\xbb\xbf \r\n\t\xc2\xa0")[1].faults[0].problem == "is blank"
    for path, said in ((tmp_path, "is a folder, not a file"), (tmp_path / "no", "there is no such file")):
        findings = Findings()
        assert read_text(path, "x.csv", findings) is None
        assert findings.faults[0].sentence().startswith(f"x.csv: {said}; mend: ")


def test_a_workbook_with_the_wrong_name_is_named(tmp_path):
    # the local file header signature of zip archives is PK\x03\x04
    _, faults = table(tmp_path, b"PK\x03\x04rest")
    assert "is a spreadsheet workbook or another zip archive" in faults[0]


# --- tables -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [",", ";"])
def test_separators_and_line_ends_give_the_same_table(tmp_path, end, mark):
    lines = [f"id{mark}note", f'a{mark}"x{mark} ""y"""', "", f"b{mark}z"]
    raw, faults = table(tmp_path, end.join(lines) + end)
    assert faults == []
    assert raw == RawTable("sites.csv", ("id", "note"), (("a", f'x{mark} "y"'), ("b", "z")), (2, 4))


def test_mixed_line_ends_and_a_line_break_in_quotes_count_rows_as_a_spreadsheet_does(tmp_path):
    raw, faults = table(tmp_path, 'id,note\r\na,"one\ntwo\r\nthree"\nb,x\rc,y')
    assert faults == []
    assert raw is not None
    assert raw.numbers == (2, 3, 4)
    assert raw.rows[0] == ("a", "one\ntwo\r\nthree")


def test_a_separator_line_is_obeyed_and_not_counted(tmp_path):
    raw, faults = table(tmp_path, "\ufeffsep=;\r\nid;lat, lon\r\na;b\r\n")
    assert faults == []
    assert raw == RawTable("sites.csv", ("id", "lat,_lon"), (("a", "b"),), (2,))


def test_a_separator_line_that_the_heading_contradicts_is_a_fault(tmp_path):
    assert table(tmp_path, "sep=;\nid,lat\na,1\n") == (
        None,
        [
            "sites.csv, row 1: its first line declares a semicolon between the cells, the heading has a "
            "comma "
            "(found 'sep=;'); mend: write sep=, or delete that line"
        ],
    )


@pytest.mark.parametrize(("mark", "called"), [("\t", "tab"), ("|", "vertical bar")])
def test_tabs_and_bars_are_faults_with_a_mend(tmp_path, mark, called):
    raw, faults = table(tmp_path, f"id{mark}lat\na{mark}1\n")
    assert raw is None
    assert faults == [
        f"sites.csv, row 1: the cells are separated by a {called}; allowed: comma or semicolon between the "
        f"cells; "
        'mend: save it again as "CSV UTF-8" with commas or semicolons'
    ]


def test_headings_are_trimmed_unquoted_lowered_and_joined():
    assert column_name(' "Lead Months" ') == "lead_months"
    assert column_name("\ufeffLat") == "lat"
    assert column_name("“Annual-Cost”\u00a0") == "annual_cost"
    assert column_name("contamination_size.CH4") == "contamination_size.ch4"


def test_column_letters_are_those_of_a_spreadsheet():
    # common practice, no single source
    assert [column_letter(place) for place in (0, 25, 26, 51, 52, 701, 702)] == [
        "A", "Z", "AA", "AZ", "BA", "ZZ", "AAA",
    ]  # fmt: skip


def test_invisible_ends_are_trimmed_and_curly_quotes_inside_kept(tmp_path):
    raw, faults = table(tmp_path, "id,note\n\u200ba\u00a0,\u2003say “so”\ufeff\n")
    assert faults == []
    assert raw is not None
    assert raw.rows == (("a", "say “so”"),)


def test_twice_used_and_missing_headings_are_faults_and_empty_columns_are_not(tmp_path):
    raw, faults = table(tmp_path, "id,Lat,lat,,,\na,1,2,,x,\nb,3,4,,,\n")
    assert faults == [
        "sites.csv, row 1, lat: two columns have this heading: B and C; allowed: each heading once "
        "(capitals, "
        "spaces and hyphens make no difference); mend: rename or delete one of them",
        "sites.csv, row 2: column E has cells but no heading (found 'x'); mend: name the column in row 1, or empty it",
    ]
    assert raw is not None
    assert raw.rows == (("a", "1"), ("b", "3"))


def test_trailing_empty_columns_and_wholly_empty_rows_are_no_fault(tmp_path):
    raw, faults = table(tmp_path, ",,\nid,lat,,\n\na,1,,\n,,,\nb,2\nc,3,,,,\n")
    assert faults == []
    assert raw == RawTable("sites.csv", ("id", "lat"), (("a", "1"), ("b", "2"), ("c", "3")), (4, 6, 7))


def test_every_row_of_wrong_width_is_named_with_what_fits_and_the_others_stand(tmp_path):
    raw, faults = table(tmp_path, "id,note,lat\na,x,1\nb,x,12,5\nc,x,1,200\nd,left, right,3\ne,x\nf;x;4\ng,x,7\n")
    assert raw is not None
    assert raw.rows == (("a", "x", "1"), ("g", "x", "7"))
    assert raw.numbers == (2, 8)
    head = [fault.split("; mend: ")[0] for fault in faults]
    assert head == [
        "sites.csv, row 3: has 4 cells where the heading has 3; perhaps '12,5' is a number with a decimal comma",
        "sites.csv, row 4: has 4 cells where the heading has 3; perhaps '1,200' is a number with a decimal "
        "comma or "
        "a thousands separator",
        "sites.csv, row 5: has 4 cells where the heading has 3; perhaps a cell holds a comma without quotes",
        "sites.csv, row 6: has 2 cells where the heading has 3; perhaps the row is cut short",
        "sites.csv, row 7: has 1 cell where the heading has 3; perhaps this row is separated by a semicolon",
    ]
    assert faults[2].endswith('put a cell that holds a comma in double quotes ("...")')


def test_a_decimal_comma_is_not_suspected_where_semicolons_separate(tmp_path):
    _, faults = table(tmp_path, "id;lat\na;12;5\n")
    assert "perhaps a cell holds a semicolon without quotes" in faults[0]
    assert "decimal" not in faults[0]


@pytest.mark.parametrize("tail", ["", 'c,"x, y"\n'])
def test_an_open_quote_is_named_where_it_opens_and_later_faults_come_out_too(tmp_path, tail):
    raw, faults = table(tmp_path, f'id,note\na,x\nb,"open\n{tail}d,1\ne,1,2\n')
    row = 5 + bool(tail)
    assert [fault.split(";")[0] for fault in faults] == [
        "sites.csv, row 3: a quote that opens in this row is not closed",
        f"sites.csv, row {row}: has 3 cells where the heading has 2",
    ]
    assert raw is not None
    assert raw.rows[0] == ("a", "x")
    assert raw.rows[-1] == ("d", "1")


def test_text_after_a_closing_quote_blames_its_row_only(tmp_path):
    raw, faults = table(tmp_path, 'id,note\na,"x"y\nb,"z"\n')
    assert faults == [
        'sites.csv, row 2: text follows a closing quote; mend: close the quote; a quote inside a cell is written ""'
    ]
    assert raw is not None
    assert raw.rows == (("b", "z"),)


def test_inches_inside_a_cell_are_no_quotes(tmp_path):
    raw, faults = table(tmp_path, 'id,pipe 5" wide,c\na,5" pipe,1\n')
    assert faults == []
    assert raw is not None
    assert raw.rows == (("a", '5" pipe', "1"),)


def test_a_heading_in_one_quoted_cell_is_named(tmp_path):
    raw, faults = table(tmp_path, '"id,lat"\n"a,1"\n')
    assert raw is None
    assert faults[0].startswith("sites.csv, row 1: the whole heading stands in one quoted cell (found 'id,lat')")


_CELL = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Z"]), min_size=1, max_size=8)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(_CELL, _CELL, _CELL), min_size=1, max_size=5), st.sampled_from(",;"))
def test_what_the_standard_writer_writes_is_read_back(rows, mark):
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=mark, quoting=csv.QUOTE_ALL)
    writer.writerows([("one", "two", "three"), *rows])
    with tempfile.TemporaryDirectory() as folder:
        raw, faults = table(Path(folder), stream.getvalue())
    assert faults == []
    assert raw is not None
    assert list(raw.rows) == rows
    assert raw.numbers == tuple(range(2, len(rows) + 2))


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.binary(), st.text(), st.text(alphabet='a1,;"\r\n\t| ='), st.just('"' * 200_000)))
def test_no_content_whatever_makes_the_table_reader_fail(content):
    with tempfile.TemporaryDirectory() as folder:
        raw, faults = table(
            Path(folder), content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
        )
    assert raw is not None or faults
    if raw is not None:
        assert all(len(row) == len(raw.columns) for row in raw.rows)
        assert len(raw.rows) == len(raw.numbers)


def test_ten_thousand_rows_are_read_within_half_a_second(tmp_path):
    heading = ",".join(f"column_{place}" for place in range(30))
    content = "\n".join([heading, *[",".join(["12.345"] * 30)] * 10_000])
    begin = time.process_time()
    raw, faults = table(tmp_path, content)
    assert time.process_time() - begin < 0.5
    assert faults == []
    assert raw is not None
    assert len(raw.rows) == 10_000
