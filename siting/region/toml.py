"""From a TOML file to its tables, with the line of every key; slips in the syntax are named (TOML 1.0.0)."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from siting.region.faults import Findings
from siting.region.text import lines_of, read_text

Key = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class LineIndex:
    """The line (from 1) on which each key, table and array element of a TOML file stands."""

    lines: Mapping[Key, int]

    def line_of(self, path: Key) -> int | None:
        """Return the line of a key such as `("budget", "total")` or `("tracers", 0, "unit")`.

        A key that is not there has the line of the table it belongs to; None if that is the whole file.
        """
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return None


def read_toml(path: Path, name: str, findings: Findings) -> tuple[dict[str, Any], LineIndex] | None:
    """Return the content of a TOML file and the lines of its keys, or note every fault and return None."""
    text = read_text(path, name, findings)
    if text is None:
        return None
    text = "\n".join(lines_of(text))
    content = _parsed(text, name, findings)
    if content is None:
        return None
    scan = _Scan(text)
    return content, LineIndex(MappingProxyType(scan.lines))


_PLACE = re.compile(r"(?P<what>.*?) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$", re.DOTALL)
_MOST = 50


def _parsed(text: str, name: str, findings: Findings) -> dict[str, Any] | None:
    """Parse the text; after a fault in a one-line setting the line is left out and the rest tried again."""
    lines = text.split("\n")
    good = True
    for _ in range(_MOST):
        current = "\n".join(lines)
        try:
            content = tomllib.loads(current)
        except tomllib.TOMLDecodeError as error:
            good = False
            left_out = _syntax(str(error), current, name, findings)
            if left_out is None:
                return None
            lines[left_out - 1] = ""
        except RecursionError:
            findings.fault(name, None, None, None, "is nested too deeply", mend="use fewer brackets")
            return None
        except ValueError:
            # Python refuses integers of thousands of digits, and does not say where they stand
            findings.fault(name, None, None, None, "a number has too many digits", mend="shorten the number")
            return None
        else:
            return content if good else None
    return None


def _syntax(message: str, text: str, name: str, findings: Findings) -> int | None:
    """Note a syntax fault; return the line that can be left out to look for more faults, if there is one."""
    match = _PLACE.match(message)
    what = match["what"] if match else message
    lines = text.split("\n")
    scan = _Scan(text)
    if match and match["line"]:
        line, column = int(match["line"]), int(match["column"])
    else:
        line, column = _last_line(lines), 0
    begins = scan.statement_of(line)
    open_since = ""
    shown = lines[line - 1]
    if begins < line:
        in_text = re.search("escape|hex|unicode", what, re.IGNORECASE) is not None
        if not column or (not in_text and re.match(r"\s*(?:\[|[\w.\"'-]+\s*=)", shown)):
            # the next setting was swallowed by a bracket or a quote that is open: not its own fault
            reason = "a bracket or quotation marks opened here are not closed"
            mend = "close them: ] for a list, the same quotation marks for text"
            findings.fault(name, begins, None, _visible(lines[begins - 1]), f"is not valid TOML: {reason}", mend=mend)
            return None
        open_since = f", in the value that begins in line {begins}"
    if "unclosed array" in what.lower() and open_since:
        reason, mend = "a comma or the closing ] is missing", "separate the values by commas"
    else:
        reason, mend = _slip(what, shown, line, column, scan)
    where = f" at column {column}" if column else ""
    findings.fault(
        name,
        line,
        None,
        _visible(shown),
        f"is not valid TOML{where}{open_since}: {reason}",
        mend=mend,
    )
    setting = re.match(r"\s*[\w.\"'\s-]*[=:]", shown) is not None or "=" not in shown
    header = shown.lstrip().startswith("[")
    # left out, the first line of a value of several lines would make faults of the lines behind it
    several_lines = re.search("\"\"\"|'''", shown) is not None or any(
        shown.count(opens) != shown.count(closes) for opens, closes in ("[]", "{}")
    )
    return line if begins == line and not several_lines and setting and not header and shown.strip() else None


def _last_line(lines: list[str]) -> int:
    return max((number for number, line in enumerate(lines, 1) if line.strip()), default=1)


def _visible(line: str) -> str | None:
    return line.strip() or None


_DECIMAL_COMMA = re.compile(r"[=\[,]\s*(?P<number>[+-]?\d+,\d+)\s*(?:#.*)?$")
_GROUPED = re.compile(r"=\s*[+-]?\d{1,3}(?:[ '’]\d{3})+")
_BARE_WORD = re.compile(r"=\s*(?P<word>[^\W\d_][^\"'#=\[\]{}]*?)\s*(?:#.*)?$")
_WITH_UNIT = re.compile(r"=\s*(?P<number>[+-]?\d+(?:\.\d+)?)\s*(?P<unit>[^\W\d_%][^#]*?|%|°)\s*(?:#.*)?$")


def _slip(what: str, line: str, number: int, column: int, scan: _Scan) -> tuple[str, str]:
    """Return the reason and the mend for the usual slips, told from the offending line."""
    if any(word in what for word in ("overwrite", "twice", "mutate", "redefine")):
        first = scan.first_line_of_twice(number)
        before = f" (first in line {first})" if first else ""
        return f"this name is set a second time{before}", "delete or rename one of the two"
    code = _without_comment(line)
    if re.search("[“”„‘’«»]", code) and not re.search(r"=\s*[\"']", code):
        return "curly quotation marks", 'write straight quotation marks: "..."'
    unseen = next((c for c in code if not c.isprintable() and c != "\t"), None)
    unseen = unseen or next((c for c in code if c.isspace() and c not in " \t"), None)
    if unseen is not None:
        return f"the invisible character U+{ord(unseen):04X}", "delete it, or write a plain space"
    if "\\" in code and ("escape" in what.lower() or "hex" in what.lower() or "unicode" in what.lower()):
        return (
            "a backslash in double quotation marks",
            "write / or \\\\, or use single quotation marks: '...'",
        )
    if match := _DECIMAL_COMMA.search(code):
        comma = match["number"]
        plain = comma.replace(",", ".")
        if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", comma):
            return (
                "a comma in a number",
                f"write {comma.replace(',', '')}, or {plain} if it is a decimal comma",
            )
        return "a decimal comma", f"write {plain}"
    if _GROUPED.search(code):
        return "a thousands separator in a number", "write the digits without gaps (or with _: 1_200)"
    if re.match(r"\s*(?://|;|--)", line):
        return "this is no comment", "begin a comment with #"
    if re.fullmatch(r"[^=]*=\s*", code):
        return "the value is missing", "write a value after =, or delete the line"
    if "=" not in code and (match := re.match(r"\s*(?P<key>[\w.-]+)\s*:\s*(?P<value>.*)$", code)):
        return "a colon where = belongs", f"write {match['key']} = {match['value'].strip()}".rstrip()
    if "=" not in code and not code.lstrip().startswith("["):
        return "this is neither a setting nor a table", "write name = value, or begin a comment with #"
    if match := re.search(r"=\s*(?P<word>true|false|yes|no|on|off)\s*$", code, re.IGNORECASE):
        truth = match["word"].lower() in ("true", "yes", "on")
        return "true and false are small words", f"write {'true' if truth else 'false'}"
    if match := re.search(r"=\s*(\d{1,2})[./](\d{1,2})[./](\d{4})\s*$", code):
        return "a date in another form", "write dates as year-month-day: 2027-06-15"
    if re.search(r"=\s*[+-]?0\d", code) and re.search(r"=\s*[+-]?[\d.]+\s*$", code):
        return (
            "a number begins with 0",
            "delete the leading zeros, or put it in quotation marks if it is a name",
        )
    if re.search(r"=\s*[+-]?(?:\.\d+|\d+\.)\s*$", code):
        return "a digit is missing at the decimal point", "write 0.5 or 5.0"
    if match := _WITH_UNIT.search(code):
        unit = match["unit"].strip()
        if re.fullmatch(r"[eE][+-]?\d+", unit) is None:
            return (
                f"text follows the number ('{unit}')",
                f"write {match['number']}, or put it in quotation marks",
            )
    if match := _BARE_WORD.search(code):
        return "text without quotation marks", f'write "{match["word"].strip()}"'
    if code.count('"') % 2 or code.count("'") % 2:
        return "quotation marks are not closed", "close the text with the same mark, on the same line"
    if "{" in code and "}" not in code:
        return "a table in { } goes over several lines", "write it on one line, or as a [table]"
    where = "" if column else " at the end of the file"
    if code.lstrip().startswith("["):
        return f"{what[:1].lower()}{what[1:]}{where}", "write [name] for a table, [[name]] for one of several"
    if "date" in what.lower():
        return "no such date or time", "correct the date"
    return f"{what[:1].lower()}{what[1:]}{where}", "correct the line: name = value"


def _without_comment(line: str) -> str:
    match = re.match(r"(?:[^#\"']|\"(?:[^\"\\]|\\.)*\"|'[^']*')*", line)
    kept = match.group() if match else line
    # quotation marks that do not close hide where a comment begins: then the whole line counts
    return kept.rstrip() if len(kept) == len(line) or line[len(kept)] == "#" else line.rstrip()


class _Stop(Exception):  # noqa: N818
    """The scan meets what is not TOML."""


class _Scan:
    """One walk over the text of a TOML file that notes where keys and statements begin; it never raises."""

    def __init__(self, text: str) -> None:
        self.lines: dict[Key, int] = {}
        self._text = text
        self._ends = [match.start() for match in re.finditer("\n", text)]
        self._starts: list[int] = []
        self._keys: dict[int, Key] = {}
        self._tables: dict[Key, int] = {}
        self._at = 0
        self._walk()

    def statement_of(self, line: int) -> int:
        """Return the line in which the statement that reaches `line` begins."""
        place = bisect_right(self._starts, line)
        return self._starts[place - 1] if place else line

    def first_line_of_twice(self, line: int) -> int | None:
        """Return the earlier line that set the key of `line`."""
        key = self._keys.get(line)
        first = self.lines.get(key) if key is not None else None
        return first if first is not None and first < line else None

    def _line(self, at: int) -> int:
        # bisect over the line feeds: a position on the feed itself still belongs to the line it ends
        return bisect_right(self._ends, at - 1) + 1

    def _note(self, key: Key, line: int) -> None:
        for length in range(1, len(key) + 1):
            self.lines.setdefault(key[:length], line)

    def _walk(self) -> None:
        table: Key = ()
        text = self._text
        while True:
            self._skip(newlines=True)
            if self._at >= len(text):
                return
            line = self._line(self._at)
            self._starts.append(line)
            try:
                if text[self._at] == "[":
                    table = self._header(line)
                else:
                    self._setting(table, line)
                self._skip(newlines=False)
            except (_Stop, RecursionError):
                pass
            end = text.find("\n", self._at)
            self._at = len(text) if end < 0 else end

    def _skip(self, *, newlines: bool) -> None:
        pattern = r"(?:[ \t\n]|#[^\n]*)*" if newlines else r"[ \t]*"
        match = re.compile(pattern).match(self._text, self._at)
        if match:
            self._at = match.end()

    def _take(self, mark: str) -> bool:
        if self._text.startswith(mark, self._at):
            self._at += len(mark)
            return True
        return False

    def _header(self, line: int) -> Key:
        several = self._take("[[")
        if not several:
            self._take("[")
        parts = self._key()
        if not self._take("]]" if several else "]"):
            raise _Stop
        path: Key = ()
        for place, part in enumerate(parts):
            path = (*path, part)
            last = place == len(parts) - 1
            if last and several:
                self._note(path, line)
                count = self._tables[path] = self._tables.get(path, 0) + 1
                path = (*path, count - 1)
            elif path in self._tables:
                path = (*path, self._tables[path] - 1)
        self._keys[line] = path
        self._note(path, line)
        return path

    def _setting(self, table: Key, line: int) -> None:
        path = (*table, *self._key())
        self._keys.setdefault(line, path)
        self._note(path, line)
        if not self._take("="):
            raise _Stop
        self._value(path)

    def _key(self) -> Key:
        parts: list[str] = []
        while True:
            self._skip(newlines=False)
            match = re.compile(r"[A-Za-z0-9_-]+|\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'").match(self._text, self._at)
            if match is None:
                raise _Stop
            self._at = match.end()
            word = match.group()
            if word[0] in "\"'":
                try:
                    word = tomllib.loads(f"x = {word}")["x"]
                except ValueError:
                    raise _Stop from None
            parts.append(word)
            self._skip(newlines=False)
            if not self._take("."):
                return tuple(parts)

    def _value(self, path: Key) -> None:
        self._skip(newlines=False)
        if self._take("["):
            self._array(path)
        elif self._take("{"):
            self._inline_table(path)
        elif self._text.startswith(('"""', "'''"), self._at):
            self._long_text(self._text[self._at : self._at + 3])
        else:
            pattern = r"\"(?:[^\"\\\n]|\\.)*\"|'[^'\n]*'|[^\"'\s,\]}#=][^\n,\]}#=]*"
            match = re.compile(pattern).match(self._text, self._at)
            if match is None:
                raise _Stop
            self._at = match.end()

    def _array(self, path: Key) -> None:
        place = 0
        while True:
            self._skip(newlines=True)
            if self._take("]"):
                return
            self._note((*path, place), self._line(self._at))
            self._value((*path, place))
            place += 1
            self._skip(newlines=True)
            if not self._take(","):
                if self._take("]"):
                    return
                raise _Stop

    def _inline_table(self, path: Key) -> None:
        self._skip(newlines=False)
        if self._take("}"):
            return
        while True:
            self._skip(newlines=False)
            self._setting(path, self._line(self._at))
            self._skip(newlines=False)
            if self._take("}"):
                return
            if not self._take(","):
                raise _Stop

    def _long_text(self, mark: str) -> None:
        self._at += 3
        while self._at < len(self._text):
            if mark == '"""' and self._text[self._at] == "\\":
                self._at += 2
            elif self._take(mark):
                # up to two more marks belong to the text, before the three that end it
                for _ in range(2):
                    self._take(mark[0])
                return
            else:
                self._at += 1
        # never closed: all that follows was swallowed
        raise _Stop
