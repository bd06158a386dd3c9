"""Dates as spreadsheets write them, told apart so that a cell which was never meant as one can be named."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from siting.region.text import trimmed

# English names and those of a few other languages, as a spreadsheet set to them writes a date.
_MONTHS: dict[str, int] = {
    name: month
    for month, names in enumerate(
        (
            "jan january januar janvier janv enero ene gen januari",
            "feb february februar février févr fév febrero februari",
            "mar march märz mrz mär mars marzo maart mrt",
            "apr april avril avr abril abr aprile",
            "may mai mayo maggio mag mei maj",
            "jun june juni juin junio giugno giu",
            "jul july juli juillet juil julio luglio lug",
            "aug august août agosto ago augustus",
            "sep sept september septembre septiembre settembre",
            "oct october okt oktober octobre octubre ottobre ott",
            "nov november novembre noviembre",
            "dec december dez dezember déc décembre dic diciembre dicembre",
        ),
        1,
    )
    for name in names.split()
}
_NAME = r"(?P<name>[^\W\d_]{3,10})\.?"
_TIME = re.compile(r"(?:T|\s+)[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?(?:\s*[AaPp][Mm])?Z?$")
_YEAR_FIRST = re.compile(r"(?P<year>[0-9]{4})(?P<sep>[-/.])(?P<month>[0-9]{1,2})(?P=sep)(?P<day>[0-9]{1,2})\.?")
_YEAR_LAST = re.compile(
    r"(?P<one>[0-9]{1,2})(?P<sep>[-/.])\s*(?P<two>[0-9]{1,2})(?P=sep)\s*(?P<year>[0-9]{4}|[0-9]{2})\.?"
)
_NO_YEAR = re.compile(r"(?P<one>[0-9]{1,2})\.\s*(?P<two>[0-9]{1,2})\.")
_DAY_NAME = re.compile(rf"(?P<day>[0-9]{{1,2}})[-/.\s]+{_NAME}(?:[-/.,\s]+(?P<year>[0-9]{{4}}|[0-9]{{2}}))?")
_NAME_DAY = re.compile(
    rf"{_NAME}[-/.,\s]+(?P<day>[0-9]{{4}}|[0-9]{{1,2}})(?:[-/.,\s]+(?P<year>[0-9]{{4}}|[0-9]{{2}}))?"
)


@dataclass(frozen=True, slots=True)
class DateSeen:
    """A date as it stands in a cell: the two numbers that make its day and month, and how it may be read."""

    pair: tuple[int, int] | None
    """The two numbers below 32 that stand as day and month, in the order of a day-first reading."""
    as_typed: str | None
    """The number with a decimal point that a day-first spreadsheet may have turned into this date."""
    readings: tuple[date, ...]
    """The calendar days the cell may mean, if it names a year of four digits; day-first reading first."""


def date_seen(text: str) -> DateSeen | None:
    """Return the date that a spreadsheet may have written into a cell, or None if it is none."""
    cell = trimmed(text)
    if len(cell) > 60:
        return None
    cell = _TIME.sub("", cell)
    cell = re.sub(r"[\u2010-\u2015]", "-", cell)
    if match := _YEAR_FIRST.fullmatch(cell):
        return _numeric(match["year"], int(match["day"]), int(match["month"]), fixed=True)
    if match := _YEAR_LAST.fullmatch(cell):
        return _numeric(match["year"], int(match["one"]), int(match["two"]), fixed=match["sep"] == ".")
    if match := _NO_YEAR.fullmatch(cell):
        return _numeric(None, int(match["one"]), int(match["two"]), fixed=True)
    if match := _DAY_NAME.fullmatch(cell):
        return _with_name(match["year"], match["day"], match["name"], typed=True)
    if match := _NAME_DAY.fullmatch(cell):
        return _with_name(match["year"], match["day"], match["name"], typed=False)
    return None


def serial_date(text: str) -> DateSeen | None:
    """Return the date whose day number (counted from 1899-12-30) a spreadsheet wrote, for 1990 to 2100."""
    cell = trimmed(text)
    if not re.fullmatch(r"[0-9]{5}", cell) or not 32874 <= int(cell) <= 73415:
        return None
    day = date(1899, 12, 30) + timedelta(days=int(cell))
    return DateSeen((day.day, day.month), None, (day,))


def two_months(seen: DateSeen) -> tuple[tuple[int, int], ...]:
    """Return the ranges of months that may have become this date, the shorter one first.

    `11-2` becomes 11 February where the day comes first and 2 November where the month does, so that
    both orders are possible; open seasons are more often short than long.
    """
    if seen.pair is None or not all(1 <= part <= 12 for part in seen.pair):
        return ()
    one, two = seen.pair
    return tuple(sorted({(one, two), (two, one)}, key=lambda ends: ((ends[1] - ends[0]) % 12, ends)))


def _numeric(year: str | None, day: int, month: int, *, fixed: bool) -> DateSeen | None:
    orders = ((day, month),) if fixed else ((day, month), (month, day))
    valid = [(d, m) for d, m in orders if 1 <= d <= 31 and 1 <= m <= 12]
    if not valid:
        return None
    readings = [_day(year, d, m) for d, m in dict.fromkeys(valid)]
    return DateSeen((day, month), f"{day}.{month}", tuple(reading for reading in readings if reading))


def _with_name(year: str | None, day: str, name: str, *, typed: bool) -> DateSeen | None:
    month = _MONTHS.get(name.casefold())
    if month is None or int(day) < 0:
        return None
    if len(day) == 4 or not 1 <= int(day) <= 31:
        return DateSeen(None, None, ())
    reading = _day(year, int(day), month)
    return DateSeen((int(day), month), f"{int(day)}.{month}" if typed else None, (reading,) if reading else ())


def _day(year: str | None, day: int, month: int) -> date | None:
    if year is None or len(year) != 4:
        return None
    try:
        return date(int(year), month, day)
    except ValueError:
        return None
