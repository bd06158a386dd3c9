"""From a CSV file to rows of trimmed cells, with the row number that a spreadsheet shows for each."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice, pairwise
from pathlib import Path

from siting.region.faults import Findings
from siting.region.text import read_text, trimmed

_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar"}
_SEPARATOR_LINE = re.compile(r'\s*"?sep=(.)"?[ \t,;]*(?:\r\n|\r|\n|$)', re.IGNORECASE)
_QUOTES = "\"'“”„‘’«»"
_GAPS = re.compile(r"[\s\-\u2010\u2011\u2012\u2013\u2014]+")
_WHOLE = re.compile(r"[+-]?[0-9]{1,6}")
_DIGITS = re.compile(r"[0-9]{1,12}")


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as text: `rows[k]` has one cell for each of `columns` and stands in row `numbers[k]`."""

    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]


def column_name(heading: str) -> str:
    """Return a heading as the name of a column: trimmed, unquoted, lower case, gaps as underscores."""
    name = trimmed(trimmed(heading).strip(_QUOTES))
    return _GAPS.sub("_", name.lower())


def column_letter(position: int) -> str:
    """Return the letters that a spreadsheet shows above the column at `position` (0 is A, 26 is AA)."""
    letters = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def read_table(path: Path, name: str, findings: Findings) -> RawTable | None:
    """Return the cells of a CSV file, or note faults; None if nothing can be told of its rows.

    Comma or semicolon is told from the heading, or from a first line `sep=;`. A row that has too many or
    too few cells is a fault and left out, for its cells cannot be given to columns; so is a column with
    no heading and a second column of the same name. Rows count as a spreadsheet shows them: the heading
    is 1 (a line `sep=;` is not shown), wholly empty rows count, a line break inside quotes does not.
    """
    text = read_text(path, name, findings)
    if text is None:
        return None
    declared = _SEPARATOR_LINE.match(text)
    if declared:
        text = text[declared.end() :]
    separator = _separator(text, declared.group(1) if declared else None, name, findings)
    if separator is None:
        return None
    known = len(findings.faults)
    records = _records(text, separator, name, findings)
    heading_row, heading = next(records, (0, ()))
    if not heading:
        # a heading that cannot be read has been named already
        if len(findings.faults) == known:
            findings.fault(name, 1, None, None, "has no heading", mend="name the columns in the first row")
        return None
    if len(heading) == 1 and re.search("[,;\t]", heading[0]):
        findings.fault(
            name,
            heading_row,
            None,
            heading[0],
            "the whole heading stands in one quoted cell",
            mend="split the text into columns in the spreadsheet and save it again, or delete the quotes",
        )
        return None
    return _table(name, heading_row, heading, records, separator, findings)


def _separator(text: str, declared: str | None, name: str, findings: Findings) -> str | None:
    counts = _separators_in_heading(text)
    row = 1
    allowed = "comma or semicolon between the cells"
    mend = 'save it again as "CSV UTF-8" with commas or semicolons'
    if declared is not None and declared not in ",;":
        shown = _NAMES.get(declared, f"'{declared}'")
        problem = f"its first line declares a {shown} between the cells"
        findings.fault(name, row, None, f"sep={declared}", problem, allowed=allowed, mend=mend)
        return None
    if declared is not None:
        other = ";" if declared == "," else ","
        if not counts[declared] and counts[other]:
            findings.fault(
                name,
                row,
                None,
                f"sep={declared}",
                f"its first line declares a {_NAMES[declared]} between the cells, the heading has a {_NAMES[other]}",
                mend=f"write sep={other} or delete that line",
            )
            return None
        return declared
    best = max(counts, key=lambda mark: counts[mark])
    if best in ",;":
        return best
    problem = f"the cells are separated by a {_NAMES[best]}"
    findings.fault(name, row, None, None, problem, allowed=allowed, mend=mend)
    return None


def _separators_in_heading(text: str) -> dict[str, int]:
    """Count the separators outside quotes up to the end of the first row that is not empty."""
    counts = dict.fromkeys(_NAMES, 0)
    begun = quoted = closed = False
    at_start = True
    for character in text:
        if character == '"' and (quoted or at_start or closed):
            # a quote right after a closing quote was the first half of a quote inside the cell
            closed, quoted, at_start, begun = quoted, not quoted, False, True
            continue
        closed = False
        if quoted:
            continue
        if character in "\r\n":
            if begun:
                break
            at_start = True
        elif character in counts:
            # a row of nothing but separators is empty: the heading is still to come
            counts[character] += 1
            at_start = True
        elif trimmed(character):
            begun, at_start = True, False
    return counts


def _records(text: str, separator: str, name: str, findings: Findings) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield row number and trimmed cells of each row that is not wholly empty, from the heading on."""
    lines = list(io.StringIO(text, newline=""))
    start = row = 0
    begun = False
    while True:
        reader = csv.reader(islice(lines, start, None), delimiter=separator, strict=True, skipinitialspace=True)
        before = 0
        try:
            while True:
                row += 1
                before = reader.line_num
                cells = tuple([trimmed(cell) for cell in next(reader)])
                if any(cells):
                    begun = True
                    yield row, cells
        except StopIteration:
            return
        except csv.Error as error:
            _unread(error, reader.line_num - before > 1, name, row, findings)
        if not begun:
            return
        # A quote left open has swallowed the lines behind it. Its own line is lost; the next ones are read
        # again as rows, so that their faults come out as well.
        start += before + 1


def _unread(error: csv.Error, several_lines: bool, name: str, row: int, findings: Findings) -> None:
    if "unexpected end" in str(error) or "field limit" in str(error) or several_lines:
        problem = "a quote that opens in this row is not closed"
    elif "expected after" in str(error):
        problem = "text follows a closing quote"
    else:
        problem = f"the row cannot be read ({error})"
    findings.fault(name, row, None, None, problem, mend='close the quote; a quote inside a cell is written ""')


def _table(
    name: str,
    heading_row: int,
    heading: tuple[str, ...],
    records: Iterator[tuple[int, tuple[str, ...]]],
    separator: str,
    findings: Findings,
) -> RawTable:
    columns = [column_name(cell) for cell in heading]
    width = max((place for place, column in enumerate(columns, 1) if column), default=0)
    kept = _kept(columns, heading_row, name, findings)
    rows: list[tuple[str, ...]] = []
    numbers: list[int] = []
    unnamed: dict[int, tuple[int, str]] = {}
    nameless = [place for place, column in enumerate(columns) if not column]
    plain = kept == list(range(len(heading)))
    for number, cells in records:
        if len(cells) != len(heading):
            filled = len(cells)
            while filled and not cells[filled - 1]:
                filled -= 1
            if filled > len(heading) or len(cells) < width:
                _wrong_width(name, number, cells, width, separator, findings)
                continue
            cells = (cells + ("",) * (len(heading) - len(cells)))[: len(heading)]
        for place in nameless:
            if cells[place]:
                unnamed.setdefault(place, (number, cells[place]))
        rows.append(cells if plain else tuple([cells[place] for place in kept]))
        numbers.append(number)
    for place, (number, cell) in sorted(unnamed.items()):
        findings.fault(
            name,
            number,
            None,
            cell,
            f"column {column_letter(place)} has cells but no heading",
            mend=f"name the column in row {heading_row}, or empty it",
        )
    return RawTable(name, tuple(columns[place] for place in kept), tuple(rows), tuple(numbers))


def _kept(columns: list[str], heading_row: int, name: str, findings: Findings) -> list[int]:
    first: dict[str, int] = {}
    for place, column in enumerate(columns):
        if not column:
            continue
        if column in first:
            findings.fault(
                name,
                heading_row,
                column,
                None,
                f"two columns have this heading: {column_letter(first[column])} and {column_letter(place)}",
                allowed="each heading once (capitals, spaces and hyphens make no difference)",
                mend="rename or delete one of them",
            )
        else:
            first[column] = place
    return list(first.values())


def _wrong_width(
    name: str, number: int, cells: tuple[str, ...], width: int, separator: str, findings: Findings
) -> None:
    if len(cells) > width:
        while not cells[-1]:
            cells = cells[:-1]
        problem = f"has {len(cells)} cells where the heading has {width}"
        suspicion, mend = _too_many(cells, len(cells) - width, separator)
    else:
        problem = f"has {len(cells)} cell{'s' * (len(cells) != 1)} where the heading has {width}"
        suspicion, mend = _too_few(cells, width, separator)
    findings.fault(name, number, None, None, problem + suspicion, mend=mend)


def _too_many(cells: tuple[str, ...], extra: int, separator: str) -> tuple[str, str]:
    if any("\n" in cell or "\r" in cell for cell in cells):
        return _OPEN_QUOTE
    quote = f'put a cell that holds a {_NAMES[separator]} in double quotes ("...")'
    if separator == ",":
        pairs = [
            (left, right) for left, right in pairwise(cells) if _WHOLE.fullmatch(left) and _DIGITS.fullmatch(right)
        ]
        # each decimal comma makes one cell too many: fewer pairs than that cannot explain the row
        if len(pairs) >= extra:
            left, right = pairs[0]
            what = "decimal comma or a thousands separator" if len(right) == 3 else "decimal comma"
            return (
                f"; perhaps '{left},{right}' is a number with a {what}",
                f"write numbers with a decimal point and without a thousands separator; or {quote}",
            )
    return f"; perhaps a cell holds a {_NAMES[separator]} without quotes", quote


def _too_few(cells: tuple[str, ...], width: int, separator: str) -> tuple[str, str]:
    if any("\n" in cell or "\r" in cell for cell in cells):
        return _OPEN_QUOTE
    other = ";" if separator == "," else ","
    for mark in (other, "\t", "|"):
        if len(cells) == 1 and cells[0].count(mark) == width - 1:
            return (
                f"; perhaps this row is separated by a {_NAMES[mark]}",
                f"separate the cells by a {_NAMES[separator]}, as the heading does",
            )
    return (
        "; perhaps the row is cut short",
        f"add the missing cells (empty cells need their {_NAMES[separator]})",
    )


_OPEN_QUOTE = (
    "; a cell goes over several lines: perhaps a quote is not closed",
    'close the quote; a quote inside a cell is written ""',
)
