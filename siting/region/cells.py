"""From the text of one cell to a value: numbers, flags, months, dates, ids and words.

Each function returns the value or raises `CellError`, which says what is wrong, what is allowed and how to
mend it; the slips that spreadsheets make (decimal commas, error values, cells turned into dates) are named.
Dates follow ISO 8601-1:2019 (calendar dates and their times, sections 5.2.2 and 5.4).
"""

from __future__ import annotations

import math
import re
import unicodedata
from datetime import UTC, datetime, timedelta, timezone

from siting.region.seen_dates import DateSeen, date_seen, serial_date, two_months
from siting.region.text import trimmed

ALLOWED_NUMBER = "a number with a decimal point"
ALLOWED_INTEGER = "a whole number"
ALLOWED_DEGREES = "decimal degrees, south and west negative"
ALLOWED_FLAG = "true or false, yes or no, 1 or 0"
ALLOWED_MONTHS = "months such as Nov-Feb, 11-2, 'Jan, Feb', 1,2,3 or all"
ALLOWED_DATE = "a date such as 2027-06-15, with or without a time, or a decimal year such as 2027.5"
ALLOWED_DAYS = "days as month-day with two digits each, separated by spaces, as 01-15 08-01"
ALLOWED_ID = "1 to 80 letters, digits, spaces and _ . -, a letter or digit first"


class CellError(ValueError):
    """The text of a cell is not a value of its kind; the three parts go into a fault unchanged."""

    def __init__(self, problem: str, allowed: str, mend: str) -> None:
        super().__init__(problem, allowed, mend)

    @property
    def problem(self) -> str:
        """What is wrong, as a predicate: 'is written with a decimal comma'."""
        return str(self.args[0])

    @property
    def allowed(self) -> str:
        """What may stand in the cell."""
        return str(self.args[1])

    @property
    def mend(self) -> str:
        """What the user should do."""
        return str(self.args[2])

    def __str__(self) -> str:
        return f"{self.problem}; allowed: {self.allowed}; mend: {self.mend}"


_LONGEST = 200  # a longer cell is no slip of the pen: it is not searched for one
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_PART = r"[+-]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
_ERROR_VALUE = re.compile(r"#(?:[A-Za-zÀ-ÿ_]+[/]?[A-Za-z0-9]*[!?]?|DIV/0!?|#+)|Err:[0-9]+", re.IGNORECASE)
_NO_VALUE = frozenset(
    "nan n/a na n.a. null none nil missing unknown nodata - -- --- – — ? . .. tbd tbc".split()  # noqa: SIM905
)
_INFINITE = re.compile(r"[+-]?(?:inf|infinity|∞)", re.IGNORECASE)
_SPACES = " \u00a0\u2007\u2009\u202f"
_THOUSANDS = re.compile(
    rf"(?P<head>[+-]?[1-9][0-9]{{0,2}})(?P<sep>[,_'’{_SPACES}])[0-9]{{3}}(?:(?P=sep)[0-9]{{3}})*"
    r"(?P<tail>[.,][0-9]+)?"
)
_POINTS = re.compile(r"[+-]?[1-9][0-9]{0,2}(?:\.[0-9]{3})+,[0-9]+|[+-]?[1-9][0-9]{0,2}(?:\.[0-9]{3}){2,}")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+(?:[eE][+-]?[0-9]+)?")
_PERCENT = re.compile(rf"(?P<number>{_PART})\s*%")
_UNIT = re.compile(
    rf"(?P<number>{_PART}|[+-]?[0-9][0-9.,'’{_SPACES}]*?)\s*(?P<unit>[^\W\d_][^,;]{{0,30}}|[°º%‰$€£µ][^,;]{{0,30}})"
)
_BEFORE = re.compile(rf"(?P<unit>[A-Za-z]{{1,3}}\$?|[$€£¥])\s*(?P<number>{_PART})")
_RANGE = re.compile(rf"{_PART}\s*(?:-|–|—|\.\.+|to|±|\+/-)\s*{_PART}")
_BOUND = re.compile(rf"(?:[<>≤≥~≈]=?|c\.|ca\.?|about)\s*(?P<number>{_PART})")
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?(?:\s*[AaPp][Mm])?")
_SIDE = r"[NSEWnsew]|[Nn]orth|[Ss]outh|[Ee]ast|[Ww]est|NORTH|SOUTH|EAST|WEST"
_VALUE = r"[0-9]{1,3}(?:[.,][0-9]+)?"
_ANGLE = re.compile(
    rf"(?P<before>{_SIDE})?\s*(?P<sign>[+-])?\s*(?P<degrees>{_VALUE})"
    r"(?:\s*(?P<mark>°|º|˚|deg(?:rees?)?\.?|d(?![A-Za-z])))?"
    rf"(?:(?:(?<=[°º˚dgse.])\s*|[\s:-]+)(?P<minutes>{_VALUE})\s*(?P<minute_mark>['′’‘´m]|min)?"
    rf"(?:(?:(?<=['′’‘´mn])\s*|[\s:-]+)(?P<seconds>{_VALUE})\s*(?P<second_mark>\"|″|”|“|''|′′|s)?)?)?"
    rf"\s*(?P<after>{_SIDE})?"
)


def number(text: str) -> float:
    """Return the finite number that a cell holds; the decimal mark is a point, `1e3` is allowed.

    Raises `CellError`, which names decimal commas, thousands separators, units, degrees with letters or
    minutes, error values, words for a missing value and dates that a spreadsheet made.
    """
    cell = trimmed(text).replace("\u2212", "-")
    if _NUMBER.fullmatch(cell):
        value = float(cell)
        if math.isfinite(value):
            return value
        raise CellError("is too large a number", ALLOWED_NUMBER, "correct the exponent or the digits")
    raise _not_a_number(cell)


def integer(text: str) -> int:
    """Return the whole number that a cell holds (`3.0` and `1e3` count as whole).

    Raises `CellError` as `number` does, and for a fraction or a magnitude above 2**53.
    """
    cell = trimmed(text)
    if re.fullmatch(r"[+-]?[0-9]{1,15}", cell):
        return int(cell)
    try:
        value = number(text)
    except CellError as error:
        if error.allowed != ALLOWED_NUMBER:
            raise
        raise CellError(error.problem, ALLOWED_INTEGER, error.mend) from None
    if value != math.floor(value):
        near = f"{value:.0f}"
        raise CellError("is not a whole number", ALLOWED_INTEGER, f"write a whole number, such as {near}")
    if abs(value) > 2.0**53:
        raise CellError("is too large a whole number", ALLOWED_INTEGER, "correct the digits")
    return int(value)


def flag(text: str) -> bool:
    """Return the truth value that a cell holds: true, yes, 1 or false, no, 0 in any case."""
    cell = trimmed(text).casefold()
    if cell in ("true", "yes", "1"):
        return True
    if cell in ("false", "no", "0"):
        return False
    if not cell:
        raise CellError("is empty", ALLOWED_FLAG, "write yes or no")
    if _ERROR_VALUE.fullmatch(cell):
        raise _error_value(ALLOWED_FLAG)
    raise CellError("is neither yes nor no", ALLOWED_FLAG, "write yes or no")


def _not_a_number(cell: str) -> CellError:
    def wrong(problem: str, mend: str, allowed: str = ALLOWED_NUMBER) -> CellError:
        return CellError(problem, allowed, mend)

    if not cell:
        return wrong("is empty", "write a number")
    if _ERROR_VALUE.fullmatch(cell):
        return _error_value(ALLOWED_NUMBER)
    if cell.casefold() in _NO_VALUE:
        return wrong("is not a number but a mark for a missing value", "leave the cell empty")
    if _INFINITE.fullmatch(cell):
        return wrong("is not a finite number", "write a finite number, or leave the cell empty")
    if cell.startswith("="):
        return wrong("is a formula", "save the file with the values of the formulas")
    if len(cell) > _LONGEST:
        return wrong("is not a number", "write a number, or leave the cell empty")
    seen = date_seen(cell)
    if seen is not None:
        guess = f", perhaps {seen.as_typed}" if seen.as_typed else ""
        return wrong(
            "is a date, perhaps a number that a spreadsheet turned into one",
            f"format the column as number or text and write the number again{guess}",
        )
    if (angle := _angle(cell)) is not None:
        return angle
    return _badly_written(cell) or wrong("is not a number", "write a number, or leave the cell empty")


def _error_value(allowed: str) -> CellError:
    return CellError("is an error value of a spreadsheet", allowed, "correct the formula, or empty the cell")


def _badly_written(cell: str) -> CellError | None:
    """Name a number that is there but not written as it should be; None if no number can be seen."""

    def wrong(problem: str, mend: str) -> CellError:
        return CellError(problem, ALLOWED_NUMBER, mend)

    if match := _THOUSANDS.fullmatch(cell):
        tail = match["tail"] or ""
        if match["sep"] == "," and tail.startswith(","):
            return wrong("has two commas", "write the number with a decimal point")
        whole = cell[: len(cell) - len(tail)].replace(match["sep"], "")
        comma = " and a decimal comma" if tail.startswith(",") else ""
        other = ""
        if match["sep"] == "," and not tail and cell.count(",") == 1:
            other = f", or {cell.replace(',', '.')} if the comma is a decimal comma"
        return wrong(f"has a thousands separator{comma}", f"write {whole}{tail.replace(',', '.')}{other}")
    if _POINTS.fullmatch(cell):
        comma = " and a decimal comma" if "," in cell else ""
        plain = cell.replace(".", "").replace(",", ".")
        return wrong(f"has points as thousands separators{comma}", f"write {plain}")
    if _DECIMAL_COMMA.fullmatch(cell):
        return wrong("is written with a decimal comma", f"write {_pointed(cell)}")
    if match := _PERCENT.fullmatch(cell):
        plain = _pointed(match["number"])
        share = _short(float(plain) / 100.0)
        return wrong("is a percentage", f"write {share} if a share from 0 to 1 is asked for, else {plain}")
    if _CLOCK.fullmatch(cell):
        return wrong("is a time of day", "format the column as number or text and write the number again")
    if _RANGE.fullmatch(cell):
        return wrong("is a range or a value with its error, not one number", "write one number")
    if match := _BOUND.fullmatch(cell):
        return wrong("is a bound or an estimate, not one number", f"write {_pointed(match['number'])}")
    if match := _UNIT.fullmatch(cell) or _BEFORE.fullmatch(cell):
        unit, part = trimmed(match["unit"]), trimmed(match["number"])
        plain = _pointed(part)
        if not _NUMBER.fullmatch(plain) or _THOUSANDS.fullmatch(part):
            inner = _badly_written(part)
            return wrong(f"is a number with a unit ('{unit}')", inner.mend if inner else "write the number alone")
        return wrong(f"is a number with a unit ('{unit}')", f"write {plain}")
    folded = "".join(
        str(unicodedata.digit(c)) if unicodedata.category(c) == "Nd" else c for c in unicodedata.normalize("NFKC", cell)
    )
    if folded != cell and _NUMBER.fullmatch(folded):
        return wrong("has other digits or signs than 0-9 and the plain point", f"write {folded}")
    if re.fullmatch(r"[–—][0-9.]+", cell) and _NUMBER.fullmatch(cell[1:]):
        return wrong("begins with a dash, not with a minus sign", f"write -{cell[1:]}")
    if re.fullmatch(rf"[+-]?[0-9.{_SPACES}]+", cell):
        return wrong("is more than one number", "write one number with a decimal point")
    return None


def _pointed(text: str) -> str:
    return text.replace(",", ".")


def _short(value: float) -> str:
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _angle(cell: str) -> CellError | None:
    """Name degrees with a compass letter, a degree sign or minutes, and compute the number if it is plain."""
    match = _ANGLE.fullmatch(cell)
    if match is None:
        return None
    before, after = match["before"] or "", match["after"] or ""
    sides = {side[0].upper() for side in (before, after) if side}
    marked = match["mark"] is not None or (match["minutes"] and (match["minute_mark"] or "m") != "m")
    lone_small = (before + after) in ("n", "s", "e", "w")
    if not marked and (not sides or lone_small or (match["minutes"] and len(sides) == 2)):
        # `12 s` and `5 w` are numbers with a unit, `12 30` is two numbers
        return None
    problem = "is written in degrees and minutes" if match["minutes"] else "is written with a degree sign"
    if sides:
        problem += " and a compass letter"
        if not match["minutes"] and match["mark"] is None:
            problem = "is written with a compass letter"
    degrees, minutes, seconds = (float(_pointed(match[part] or "0")) for part in ("degrees", "minutes", "seconds"))
    value = degrees + minutes / 60.0 + seconds / 3600.0
    mend = "write one number of degrees"
    sure = len(sides) <= 1 and minutes < 60.0 and seconds < 60.0 and value <= 360.0
    south_or_west = bool(sides & {"S", "W"})
    if sure and not (match["sign"] == "-" and sides and not south_or_west):
        negative = match["sign"] == "-" or south_or_west
        mend = f"write {_short(-value if negative else value)}"
        if sides == {"W"} and not marked and not match["minutes"]:
            mend += f" for degrees west, or {_short(value)} if W is a unit"
    return CellError(problem, ALLOWED_DEGREES, mend)


_MONTH_NAMES = (
    "january february march april may june july august september october november december".split()  # noqa: SIM905
)


def months(text: str) -> frozenset[int]:
    """Return the months (1 to 12) that a cell names: `Nov-Feb`, `11-2`, `1,2,3`, `Jan Feb`, `all`.

    A range whose end comes before its start goes over the new year; both ends belong to it. English
    names in full or cut to three letters or more. Raises `CellError`; a date is never taken for months,
    for a spreadsheet makes `02-Nov` of `11-2`.
    """
    cell = re.sub(r"[\u2010-\u2015\u2212]", "-", trimmed(text))
    if not cell:
        raise CellError("is empty", ALLOWED_MONTHS, "write months, or all")
    if _ERROR_VALUE.fullmatch(cell):
        raise _error_value(ALLOWED_MONTHS)
    if len(cell) > _LONGEST:
        raise CellError("is too long for a list of months", ALLOWED_MONTHS, "write months, or all")
    if cell.casefold() == "all":
        return frozenset(range(1, 13))
    seen = date_seen(cell) or serial_date(cell)
    if seen is not None:
        raise _months_turned_into_date(seen)
    joined = re.sub(r"\s*-\s*|(?<=\w)\s+to\s+(?=\w)", "-", cell.casefold())
    tokens = [token for token in re.split(r"[\s,;|]+", joined) if token]
    named = [any(c.isalpha() for c in token) for token in tokens]
    if any(named) and any(any(c.isdigit() for c in token) for token in tokens):
        raise CellError(
            "mixes names and numbers of months, so a date cannot be ruled out",
            ALLOWED_MONTHS,
            "write names only or numbers only",
        )
    found: set[int] = set()
    for token in tokens:
        ends = token.split("-")
        if len(ends) > 2 or not all(ends):
            raise CellError(f"'{token}' is not a range of months", ALLOWED_MONTHS, "write ranges such as Nov-Feb")
        first, last = _month(ends[0]), _month(ends[-1])
        found.update((first - 1 + step) % 12 + 1 for step in range((last - first) % 12 + 1))
    if not found:
        raise CellError("names no month", ALLOWED_MONTHS, "write months, or all")
    return frozenset(found)


def _month(word: str) -> int:
    if re.fullmatch(r"[0-9]{1,9}", word):
        value = int(word)
        if 1 <= value <= 12:
            return value
        raise CellError(f"month {value} is outside 1 to 12", ALLOWED_MONTHS, "write numbers from 1 to 12")
    name = word.removesuffix(".")
    if len(name) >= 3:
        for value, full in enumerate(_MONTH_NAMES, 1):
            if full.startswith(name) or (name == "sept" and value == 9):
                return value
    raise CellError(f"'{word}' is not a month", ALLOWED_MONTHS, "write English names of months or numbers from 1 to 12")


def _months_turned_into_date(seen: DateSeen) -> CellError:
    again = "format the column as text and write"
    pairs = two_months(seen)
    if not pairs:
        return CellError(
            "is a date, not months",
            ALLOWED_MONTHS,
            f"{again} month names such as Nov-Feb, or numbers such as 11-2",
        )
    ranges = [f"{first}-{last}" for first, last in pairs]
    names = [f"{_short_name(first)}-{_short_name(last)}" for first, last in pairs]
    made_of = " or ".join(f"'{text}'" for text in ranges)
    choice = " or ".join(f"{name} ({text})" for name, text in zip(names, ranges, strict=True))
    return CellError(f"is a date that a spreadsheet made of {made_of}", ALLOWED_MONTHS, f"{again} {choice}")


def _short_name(month: int) -> str:
    return _MONTH_NAMES[month - 1][:3].capitalize()


_ISO = re.compile(
    r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})"
    r"(?:[T ](?P<hour>[0-9]{2}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:\.(?P<part>[0-9]{1,9}))?)?"
    r"\s*(?P<zone>Z|UTC|[+-][0-9]{2}(?::?[0-9]{2})?)?)?",
    re.IGNORECASE,
)
_FIRST_YEAR, _LAST_YEAR = 1850, 2200


def date(text: str) -> datetime:
    """Return the moment that a cell names, in UTC: an ISO date or time, or a decimal year.

    A date without a time is its midnight, a time without a zone is UTC. A decimal year (`2027.54`) counts
    the share of its own year, of 365 or 366 days. Raises `CellError`; a bare year and dates whose day and
    month may be mistaken for each other are refused. Years 1850 to 2200.
    """
    cell = trimmed(text)
    if match := _ISO.fullmatch(cell):
        return _iso(match)
    if re.fullmatch(r"[0-9]{4}\.[0-9]{1,20}", cell):
        year = _year(int(cell[:4]))
        start, end = datetime(year, 1, 1, tzinfo=UTC), datetime(year + 1, 1, 1, tzinfo=UTC)
        return start + (end - start) * float("0" + cell[4:])
    if not cell:
        raise CellError("is empty", ALLOWED_DATE, "write a date")
    if _ERROR_VALUE.fullmatch(cell):
        raise _error_value(ALLOWED_DATE)
    if re.fullmatch(r"[0-9]{4}", cell):
        mend = f"write {cell}-01-01 for its start, {cell}.5 for its middle"
        raise CellError("is a year, not a date", ALLOWED_DATE, mend)
    if re.fullmatch(r"[0-9]{4},[0-9]+", cell):
        raise CellError("is written with a decimal comma", ALLOWED_DATE, f"write {_pointed(cell)}")
    if match := re.fullmatch(r"([0-9]{4})-([0-9]{1,2})", cell):
        mend = f"write the day too, such as {match[1]}-{int(match[2]):02d}-15"
        raise CellError("is a month, not a date", ALLOWED_DATE, mend)
    seen = date_seen(cell)
    if seen is not None:
        readings = " or ".join(reading.isoformat() for reading in seen.readings)
        mend = f"write {readings}" if readings else "write year, month and day, such as 2027-06-15"
        raise CellError("is not an ISO date", ALLOWED_DATE, mend)
    serial = serial_date(cell.split(".")[0])
    if serial is not None:
        mend = f"format the column as date (year-month-day); perhaps {serial.readings[0].isoformat()}"
        raise CellError("looks like the day number of a spreadsheet", ALLOWED_DATE, mend)
    raise CellError("is not a date", ALLOWED_DATE, "write year, month and day, such as 2027-06-15")


def _year(year: int) -> int:
    if _FIRST_YEAR <= year <= _LAST_YEAR:
        return year
    raise CellError(f"year {year} is outside {_FIRST_YEAR} to {_LAST_YEAR}", ALLOWED_DATE, "correct the year")


def _iso(match: re.Match[str]) -> datetime:
    year = _year(int(match["year"]))
    hour, minute, second = (int(match[part] or 0) for part in ("hour", "minute", "second"))
    micro = int((match["part"] or "0").ljust(6, "0")[:6])
    zone = (match["zone"] or "Z").upper()
    offset = timedelta()
    if zone not in ("Z", "UTC"):
        digits = zone[1:].replace(":", "").ljust(4, "0")
        offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:])) * (-1 if zone[0] == "-" else 1)
        if abs(offset) > timedelta(hours=14) or int(digits[2:]) > 59:
            raise CellError(f"has no possible time zone ({zone})", ALLOWED_DATE, "write times in UTC")
    try:
        moment = datetime(year, int(match["month"]), int(match["day"]), tzinfo=timezone(offset))
    except ValueError:
        raise CellError("names a day that is not in the calendar", ALLOWED_DATE, "correct the date") from None
    try:
        moment = moment.replace(hour=hour, minute=minute, second=second, microsecond=micro)
    except ValueError:
        raise CellError(
            "names a time that is not on the clock", ALLOWED_DATE, "write times from 00:00:00 to 23:59:59"
        ) from None
    return moment.astimezone(UTC)


def id_text(text: str) -> str:
    """Return an id of 1 to 80 characters, in Unicode normal form C so that equal looks are equal ids.

    Letters and digits of any script, spaces and `_ . -`; a letter or digit comes first. Raises `CellError`.
    """
    value = unicodedata.normalize("NFC", text)
    if not trimmed(value):
        raise CellError("is empty", ALLOWED_ID, "write an id")
    if value != trimmed(value):
        raise CellError(
            "has a space or an invisible character at its end or start", ALLOWED_ID, f"write {trimmed(value)}"
        )
    if _ERROR_VALUE.fullmatch(value):
        raise _error_value(ALLOWED_ID)
    wrong = next((c for c in value if not (_of_word(c) or c in " _.-")), None)
    if wrong is not None:
        shown = f"'{wrong}'" if wrong.isprintable() and wrong.strip() else f"U+{ord(wrong):04X} (invisible)"
        better = "".join(c if _of_word(c) or c in " _.-" else "_" for c in value).lstrip("_.- ")
        mend = f"write {better[:80]}" if better else "use other characters"
        raise CellError(f"has a character that an id may not have: {shown}", ALLOWED_ID, mend)
    if not value[0].isalnum():
        mend = f"write {value.lstrip(' _.-')}" if value.lstrip(" _.-") else "begin with a letter or digit"
        raise CellError(f"begins with '{value[0]}'", ALLOWED_ID, mend)
    if len(value) > 80:
        raise CellError(f"has {len(value)} characters", ALLOWED_ID, "shorten it")
    return value


def _of_word(character: str) -> bool:
    return unicodedata.category(character) in ("Lu", "Ll", "Lt", "Lm", "Lo", "Mn", "Mc", "Nd")


def words(text: str) -> tuple[str, ...]:
    """Return the words of a list in one cell, separated by spaces, `|`, `;` or `,` (none if empty)."""
    parts = tuple(part for part in (trimmed(piece) for piece in re.split(r"[\s|;,]+", text)) if part)
    for part in parts:
        wrong = next((c for c in part if not c.isprintable()), None)
        if wrong is not None:
            raise CellError(
                f"has the invisible character U+{ord(wrong):04X}",
                "words separated by spaces or |",
                "delete the invisible character",
            )
    return parts


MONTH_LENGTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def days_of_year(text: str) -> tuple[int, ...]:
    """Return days of the year, 0 for January 1, ascending, from words such as 01-15 (month-day).

    February 29 counts as February 28. Raises `CellError`, also for a cell that names no day.
    """
    found = set()
    for word in words(text):
        match = re.fullmatch(r"([0-9]{1,2})-([0-9]{1,2})", word)
        month, day = (int(match[1]), int(match[2])) if match else (0, 0)
        if not (1 <= month <= 12 and 1 <= day <= MONTH_LENGTHS[month - 1] + (month == 2)):
            shown = f"{word[:37]}..." if len(word) > 40 else word
            raise CellError(
                f"has '{shown}', which is no day of the year",
                ALLOWED_DAYS,
                "write the month first, then the day, and no year",
            )
        found.add(sum(MONTH_LENGTHS[: month - 1]) + min(day, MONTH_LENGTHS[month - 1]) - 1)
    if not found:
        raise CellError("names no day", ALLOWED_DAYS, "write days, or leave the cell empty for any day")
    return tuple(sorted(found))
