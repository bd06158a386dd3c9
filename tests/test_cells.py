"""Cells: ISO 8601-1:2019 dates, decimal degrees, and the slips that spreadsheets are known for."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.region import cells
from siting.region.cells import CellError


def error(parse, text: str) -> CellError:
    with pytest.raises(CellError) as caught:
        parse(text)
    return caught.value


@pytest.mark.parametrize(
    ("text", "value"),
    [("12", 12), ("-0.5", -0.5), (".5", 0.5), ("5.", 5), ("1e3", 1000), ("+2E-2", 0.02), ("\u22125", -5),
     (" 7\u00a0", 7), ("0", 0), ("20270301", 20270301), ("007", 7)],
)  # fmt: skip
def test_plain_numbers_are_read(text, value):
    assert cells.number(text) == value


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_reads_back_as_it_was_written(value):
    assert cells.number(repr(value)) == value


@pytest.mark.parametrize(
    ("text", "problem", "mend"),
    [
        ("12,5", "is written with a decimal comma", "write 12.5"),
        ("-0,25", "is written with a decimal comma", "write -0.25"),
        ("0,123", "is written with a decimal comma", "write 0.123"),
        ("1 200", "has a thousands separator", "write 1200"),
        ("1\u202f200\u202f000", "has a thousands separator", "write 1200000"),
        ("1,200", "has a thousands separator", "write 1200, or 1.200 if the comma is a decimal comma"),
        ("1,200,300.5", "has a thousands separator", "write 1200300.5"),
        ("1'200", "has a thousands separator", "write 1200"),
        ("1.200,5", "has points as thousands separators and a decimal comma", "write 1200.5"),
        ("1.200.000", "has points as thousands separators", "write 1200000"),
        ("#N/A", "is an error value of a spreadsheet", "correct the formula, or empty the cell"),
        ("#REF!", "is an error value of a spreadsheet", "correct the formula, or empty the cell"),
        ("#DIV/0!", "is an error value of a spreadsheet", "correct the formula, or empty the cell"),
        ("####", "is an error value of a spreadsheet", "correct the formula, or empty the cell"),
        ("nan", "is not a number but a mark for a missing value", "leave the cell empty"),
        ("n/a", "is not a number but a mark for a missing value", "leave the cell empty"),
        ("-inf", "is not a finite number", "write a finite number, or leave the cell empty"),
        ("1e999", "is too large a number", "correct the exponent or the digits"),
        ("12 ppm", "is a number with a unit ('ppm')", "write 12"),
        ("5 m", "is a number with a unit ('m')", "write 5"),
        ("12,5 m/s", "is a number with a unit ('m/s')", "write 12.5"),
        ("1 200 m", "is a number with a unit ('m')", "write 1200"),
        ("-3 °C", "is a number with a unit ('°C')", "write -3"),
        ("€ 500", "is a number with a unit ('€')", "write 500"),
        ("12%", "is a percentage", "write 0.12 if a share from 0 to 1 is asked for, else 12"),
        ("5-10", "is a range or a value with its error, not one number", "write one number"),
        ("<5", "is a bound or an estimate, not one number", "write 5"),
        ("=A1*2", "is a formula", "save the file with the values of the formulas"),
        ("–5", "begins with a dash, not with a minus sign", "write -5"),
        ("\u0661\u0662", "has other digits or signs than 0-9 and the plain point", "write 12"),
        ("hill", "is not a number", "write a number, or leave the cell empty"),
        ("", "is empty", "write a number"),
    ],
)
def test_a_number_written_otherwise_is_named_and_mended(text, problem, mend):
    found = error(cells.number, text)
    assert (found.problem, found.allowed, found.mend) == (problem, "a number with a decimal point", mend)


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("45N", "write 45"),
        ("12.5° S", "write -12.5"),
        ("12,5°S", "write -12.5"),
        ("S 12.5", "write -12.5"),
        ("12°30'", "write 12.5"),
        ("-12°30'", "write -12.5"),
        ("12°30′36″W", "write -12.51"),
        ("12 30 36 S", "write -12.51"),
        ("12 deg", "write 12"),
        ("0°30'W", "write -0.5"),
        ("45 South", "write -45"),
        ("5 W", "write -5 for degrees west, or 5 if W is a unit"),
        ("12°75'", "write one number of degrees"),
        ("-12 N", "write one number of degrees"),
    ],
)
def test_degrees_are_asked_for_as_decimals_with_the_number_worked_out(text, mend):
    # sexagesimal notation: 1 degree = 60 minutes = 3600 seconds (SI Brochure, 9th edition, table 8)
    found = error(cells.number, text)
    assert found.allowed == "decimal degrees, south and west negative"
    assert found.mend == mend


@given(st.integers(0, 179), st.integers(0, 59), st.integers(0, 59), st.sampled_from("NSEW"))
def test_the_degrees_of_the_mend_are_those_of_the_sum(degrees, minutes, seconds, side):
    mend = error(cells.number, f"{degrees}°{minutes:02d}'{seconds:02d}\"{side}").mend
    value = float(mend.removeprefix("write ").split(" ")[0])
    total = (degrees * 3600 + minutes * 60 + seconds) / 3600
    assert math.isclose(value, -total if side in "SW" else total, abs_tol=1e-6)


@pytest.mark.parametrize(
    "text",
    ["2027-03-01", "01.03.2027", "3-Jan", "Jan-03", "03/01/2027", "03. Mrz", "1-Jan-27", "2027-03-01 "
    "00:00:00",
     "Jan 2027", "3. Jan 2027", "1.3.27"],
)  # fmt: skip
def test_a_number_that_a_spreadsheet_turned_into_a_date_is_named(text):
    found = error(cells.number, text)
    assert found.problem == "is a date, perhaps a number that a spreadsheet turned into one"
    assert found.mend.startswith("format the column as number or text and write the number again")


def test_the_number_that_became_a_date_is_guessed_where_the_day_comes_first():
    assert error(cells.number, "3-Jan").mend.endswith(", perhaps 3.1")
    assert error(cells.number, "01.03.2027").mend.endswith(", perhaps 1.3")
    assert error(cells.number, "Jan-03").mend.endswith("again")


def test_whole_numbers_may_be_written_as_floats_and_fractions_are_refused():
    assert [cells.integer(text) for text in ("3", "3.0", "1e3", "-4")] == [3, 3, 1000, -4]
    assert error(cells.integer, "3.7").problem == "is not a whole number"
    assert error(cells.integer, "3.7").mend == "write a whole number, such as 4"
    assert error(cells.integer, "3,0").allowed == "a whole number"
    assert error(cells.integer, "1e30").problem == "is too large a whole number"


def test_flags_in_any_case_and_nothing_else():
    assert all(cells.flag(text) for text in ("true", "TRUE", "Yes", "1"))
    assert not any(cells.flag(text) for text in ("false", "No", "0"))
    for text in ("maybe", "2", "y", "1.0"):
        assert error(cells.flag, text).allowed == "true or false, yes or no, 1 or 0"
        assert error(cells.flag, text).problem == "is neither yes nor no"


@pytest.mark.parametrize(
    ("text", "months"),
    [
        ("Nov-Feb", {11, 12, 1, 2}),
        ("November – February", {11, 12, 1, 2}),
        ("Nov to Feb", {11, 12, 1, 2}),
        ("11-2", {11, 12, 1, 2}),
        ("2-11", set(range(2, 12))),
        ("1,2,3", {1, 2, 3}),
        ("Jan Feb", {1, 2}),
        ("Nov-Feb, Apr", {11, 12, 1, 2, 4}),
        ("sept.; OCT", {9, 10}),
        ("5-5", {5}),
        ("12-1", {12, 1}),
        ("7", {7}),
        ("ALL", set(range(1, 13))),
    ],
)
def test_months_are_read_over_the_new_year(text, months):
    assert cells.months(text) == months


@given(st.integers(1, 12), st.integers(1, 12))
def test_a_range_of_months_is_a_walk_round_the_calendar(first, last):
    walk = {first}
    month = first
    while month != last:
        month = month % 12 + 1
        walk.add(month)
    assert cells.months(f"{first}-{last}") == walk
    names = [datetime(2027, m, 1).strftime("%b") for m in (first, last)]
    assert cells.months("-".join(names)) == walk


@pytest.mark.parametrize(
    "text",
    ["02-Nov", "2-Nov", "11-Feb", "2027-02-11", "2027-11-02 00:00:00", "11.02.2027", "Feb-11", "11/2/2027",
     "2 Nov",
     "11. Feb"],
)  # fmt: skip
def test_months_that_a_spreadsheet_turned_into_a_date_are_named_with_the_likely_range(text):
    found = error(cells.months, text)
    assert found.problem == "is a date that a spreadsheet made of '11-2' or '2-11'"
    assert found.mend == "format the column as text and write Nov-Feb (11-2) or Feb-Nov (2-11)"


def test_the_day_number_of_a_date_is_named_too():
    # day 45292 is 1 January 2024 in the spreadsheet count from 1899-12-30 (ECMA-376 part 1, 18.17.4.1)
    assert error(cells.months, "45292").problem == "is a date that a spreadsheet made of '1-1'"
    assert error(cells.date, "45292").mend.endswith("perhaps 2024-01-01")


def test_dates_that_cannot_come_from_a_range_and_other_words_are_named():
    assert error(cells.months, "15-Nov").problem == "is a date, not months"
    assert error(cells.months, "Nov 2027").problem == "is a date, not months"
    assert error(cells.months, "13").problem == "month 13 is outside 1 to 12"
    assert error(cells.months, "0-2").problem == "month 0 is outside 1 to 12"
    assert error(cells.months, "Nov-Foo").problem == "'foo' is not a month"
    assert error(cells.months, "3, Jan").problem.startswith("mixes names and numbers of months")
    assert error(cells.months, "Nov-").problem == "'nov-' is not a range of months"


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2027-06-15", datetime(2027, 6, 15, tzinfo=UTC)),
        ("2027-06-15T12:30:15Z", datetime(2027, 6, 15, 12, 30, 15, tzinfo=UTC)),
        ("2027-06-15 12:30", datetime(2027, 6, 15, 12, 30, tzinfo=UTC)),
        ("2027-06-15T02:00+05:30", datetime(2027, 6, 14, 20, 30, tzinfo=UTC)),
        ("2027-06-15T12:30:15.25Z", datetime(2027, 6, 15, 12, 30, 15, 250_000, tzinfo=UTC)),
        ("2027.0", datetime(2027, 1, 1, tzinfo=UTC)),
        ("2027.5", datetime(2027, 7, 2, 12, tzinfo=UTC)),  # 182.5 of 365 days
        ("2028.5", datetime(2028, 7, 2, tzinfo=UTC)),  # 183 of 366 days
    ],
)
def test_dates_are_read_as_moments_in_utc(text, moment):
    assert cells.date(text) == moment
    assert cells.date(text).utcoffset() == timedelta()


@pytest.mark.parametrize(
    ("text", "problem", "mend"),
    [
        ("2027", "is a year, not a date", "write 2027-01-01 for its start, 2027.5 for its middle"),
        ("2027-06", "is a month, not a date", "write the day too, such as 2027-06-15"),
        ("15.06.2027", "is not an ISO date", "write 2027-06-15"),
        ("03/01/2027", "is not an ISO date", "write 2027-01-03 or 2027-03-01"),
        ("3-Jan", "is not an ISO date", "write year, month and day, such as 2027-06-15"),
        ("2027-02-29", "names a day that is not in the calendar", "correct the date"),
        (
            "2027-02-01 25:00",
            "names a time that is not on the clock",
            "write times from 00:00:00 to 23:59:59",
        ),
        ("2027,5", "is written with a decimal comma", "write 2027.5"),
        ("1027-01-01", "year 1027 is outside 1850 to 2200", "correct the year"),
        ("soon", "is not a date", "write year, month and day, such as 2027-06-15"),
    ],
)
def test_a_date_written_otherwise_is_named_and_mended(text, problem, mend):
    found = error(cells.date, text)
    assert (found.problem, found.mend) == (problem, mend)


def test_ids_of_any_script_stand_and_equal_looks_are_equal():
    for text in ("A-1 b.c_d", "岛1", "остров", "7", "x" * 80):
        assert cells.id_text(text) == text
    # Unicode Standard Annex 15: U+0065 U+0301 composes to U+00E9
    assert cells.id_text("cafe\u0301") == cells.id_text("caf\u00e9")


@pytest.mark.parametrize(
    ("text", "problem", "mend"),
    [
        ("a,b", "has a character that an id may not have: ','", "write a_b"),
        ("a/b", "has a character that an id may not have: '/'", "write a_b"),
        ("=x", "has a character that an id may not have: '='", "write x"),
        ("@x", "has a character that an id may not have: '@'", "write x"),
        ("a\u00a0b", "has a character that an id may not have: U+00A0 (invisible)", "write a_b"),
        ("-a", "begins with '-'", "write a"),
        (" a", "has a space or an invisible character at its end or start", "write a"),
        ("x" * 81, "has 81 characters", "shorten it"),
        ("#REF!", "is an error value of a spreadsheet", "correct the formula, or empty the cell"),
    ],
)
def test_other_ids_are_refused(text, problem, mend):
    found = error(cells.id_text, text)
    assert (found.problem, found.mend) == (problem, mend)


def test_words_are_separated_by_spaces_bars_semicolons_or_commas():
    assert cells.words("a b|c; d,e") == ("a", "b", "c", "d", "e")
    assert cells.words("") == ()
    assert error(cells.words, "a\x07").problem == "has the invisible character U+0007"


def test_the_parts_of_an_error_cannot_be_changed():
    found = error(cells.number, "12,5")
    assert isinstance(found, ValueError)
    with pytest.raises(AttributeError):
        found.mend = "other"  # type: ignore[misc]


_PARSERS = [cells.number, cells.integer, cells.flag, cells.months, cells.date, cells.id_text, cells.words]


@pytest.mark.parametrize("parse", _PARSERS)
@given(
    text=st.one_of(
        st.text(),
        st.text(alphabet="0123456789.,-+/: °'\"NSWeEJanFb;%#TZ"),
        st.sampled_from(["9" * 5000, " 1" * 9000, "1" + " " * 9000 + "x"]),
    )
)
def test_any_text_is_a_value_or_a_cell_error(parse, text):
    try:
        parse(text)
    except CellError as caught:
        found = caught
    else:
        return
    assert all((found.problem, found.allowed, found.mend))
