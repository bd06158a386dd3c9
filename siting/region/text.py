"""From the bytes of an input file to its text: UTF-8 or a plain word about what stands there instead."""

from __future__ import annotations

import re
import sys
from pathlib import Path

from siting.region.faults import Findings

# Marks that no editor shows: zero width, joiners, direction marks, soft hyphen, byte mark inside.
_UNSEEN = "\u00ad\u034f\u061c\u180e\u200b\u200c\u200d\u200e\u200f\u202a\u202b\u202c\u202d\u202e" + (
    "\u2060\u2061\u2062\u2063\u2064\u2066\u2067\u2068\u2069\ufeff"
)
_ENDS = "".join(chr(code) for code in range(sys.maxunicode + 1) if chr(code).isspace()) + _UNSEEN

_LINE_END = re.compile(r"\r\n|\r|\n")
_LINE_END_BYTES = re.compile(rb"\r\n|\r|\n")

# The first bytes by which well-known formats are told; longer marks first (UTF-32 begins as UTF-16 does).
_MARKS: tuple[tuple[bytes, str], ...] = (
    (b"\xff\xfe\x00\x00", "UTF-32 text"),
    (b"\x00\x00\xfe\xff", "UTF-32 text"),
    (b"\xff\xfe", "UTF-16 text"),
    (b"\xfe\xff", "UTF-16 text"),
    (b"PK\x03\x04", "a spreadsheet workbook or another zip archive"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"SQLite format 3\x00", "an SQLite or GeoPackage database"),
    (b"%PDF", "a PDF document"),
)


def trimmed(text: str) -> str:
    """Return `text` without white space and invisible characters at its two ends."""
    return text.strip(_ENDS)


def lines_of(text: str) -> list[str]:
    r"""Return the lines of `text`, split at CR, LF and CRLF only (not at form feeds or U+2028)."""
    return _LINE_END.split(text)


def check_file(path: Path, name: str, findings: Findings) -> bool:
    """Say whether `path` is a plain file that is not empty; if it is not, note a fault."""
    try:
        if path.is_dir():
            findings.fault(name, None, None, None, "is a folder, not a file", mend="put a file in its place")
            return False
        if not path.exists():
            findings.fault(name, None, None, None, "there is no such file", mend="add it, or correct its name")
            return False
        if not path.is_file():
            findings.fault(name, None, None, None, "is not a plain file", mend="put a file in its place")
            return False
        if path.stat().st_size == 0:
            findings.fault(name, None, None, None, "is empty (0 bytes)", mend="fill it, or delete it")
            return False
    except OSError as error:
        _unreadable(error, name, findings)
        return False
    return True


def read_text(path: Path, name: str, findings: Findings) -> str | None:
    """Return the text of a UTF-8 file, its byte mark removed; or note every fault and return None.

    `name` is how the file is called in messages: its name relative to the region folder. Line ends are
    left as they stand. Other encodings, NUL bytes, missing and blank files are faults.
    """
    if not check_file(path, name, findings):
        return None
    try:
        raw = path.read_bytes()
    except OSError as error:
        _unreadable(error, name, findings)
        return None
    return _decoded(raw, name, findings)


def _unreadable(error: OSError, name: str, findings: Findings) -> None:
    findings.fault(
        name,
        None,
        None,
        None,
        f"cannot be read ({(error.strerror or type(error).__name__).lower()})",
        mend="check the permissions of the file and of its folder",
    )


def _mend(name: str) -> str:
    if name.lower().endswith(".csv"):
        return 'save it again as "CSV UTF-8"'
    return 'save it again as text with the encoding "UTF-8"'


def _decoded(raw: bytes, name: str, findings: Findings) -> str | None:
    for mark, what in _MARKS:
        if raw.startswith(mark):
            findings.fault(name, 1, None, None, f"is {what}", allowed="UTF-8 text", mend=_mend(name))
            return None
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    if b"\x00" in raw:
        _nul(raw, name, findings)
        return None
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        _not_utf8(raw, error.start, name, findings)
        return None
    if not text.strip(_ENDS):
        findings.fault(name, None, None, None, "is blank", mend="fill it, or delete it")
        return None
    return text


def _row_of(raw: bytes, position: int) -> int:
    return sum(1 for end in _LINE_END_BYTES.finditer(raw) if end.end() <= position) + 1


def _nul(raw: bytes, name: str, findings: Findings) -> None:
    # Latin text in UTF-16 is NUL in every second byte; without a byte mark only that tells it.
    share = raw.count(b"\x00") / len(raw)
    looks = " (UTF-16 text without a byte mark has them)" if 0.3 < share < 0.7 else ""
    findings.fault(
        name,
        _row_of(raw, raw.index(b"\x00")),
        None,
        None,
        f"holds NUL bytes{looks}",
        allowed="UTF-8 text",
        mend=_mend(name),
    )


def _not_utf8(raw: bytes, start: int, name: str, findings: Findings) -> None:
    byte = raw[start]
    shown = bytes([byte]).decode("cp1252", errors="replace")
    as_western = f", which is '{shown}' in Windows-1252" if shown.isprintable() and shown != "\ufffd" else ""
    rows = 0
    for line in _LINE_END_BYTES.split(raw):
        try:
            line.decode("utf-8")
        except UnicodeDecodeError:
            rows += 1
    more = f"; {rows} rows are affected" if rows > 1 else ""
    findings.fault(
        name,
        _row_of(raw, start),
        None,
        None,
        f"is not UTF-8: here stands the byte 0x{byte:02X}{as_western}{more}",
        allowed="UTF-8 text, with or without a byte mark",
        mend=_mend(name),
    )
