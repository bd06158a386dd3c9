"""Rows of records: which of them their flag puts aside."""

from __future__ import annotations

from siting.region.tables import RawTable

_USED = frozenset({"", "0", "ok"})


def is_used(flag: str | None) -> bool:
    """Say whether a row with this flag is used: empty, 0 or ok."""
    return (flag or "").strip().lower() in _USED


def without_blanks(raw: RawTable) -> tuple[RawTable, int]:
    """Return a record without the rows that their flag puts aside and that hold no value, and how many these are.

    Loggers write a flag in place of a value; nothing is missing there.
    """
    if "value" not in raw.columns or "flag" not in raw.columns:
        return raw, 0
    value, flag = raw.columns.index("value"), raw.columns.index("flag")
    kept = [k for k, row in enumerate(raw.rows) if row[value] != "" or is_used(row[flag])]
    table = RawTable(raw.file, raw.columns, tuple(raw.rows[k] for k in kept), tuple(raw.numbers[k] for k in kept))
    return table, len(raw.rows) - len(kept)
