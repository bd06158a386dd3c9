"""Lines of plain text for a terminal."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from rich.cells import cell_len, chop_cells

from siting.outputs.ladder import clean_text


def counted(number: int, what: str, plural: str = "s") -> str:
    """Return a number with its noun."""
    return f"{number:,} {what}{'' if number == 1 else plural}"


def number(value: float) -> str:
    """Return a number with three digits that mean something."""
    if not math.isfinite(value):
        return "-"
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:,.0f}"


def what_if_words(what_ifs: Sequence[str], most: int = 6) -> str:
    """Return the changes of a what-if for a headline, empty without any."""
    if not what_ifs:
        return ""
    more = f" and {len(what_ifs) - most} more" if len(what_ifs) > most else ""
    return f"what-if {', '.join(what_ifs[:most])}{more}"


def month_spans(months: Collection[int]) -> str:
    """Return months (1-12) as spans that may run over the new year: "Nov-Feb", "Jan-Mar, Jul"."""
    if len(set(months)) == 12:
        return "Jan-Dec"
    begins = sorted(m for m in set(months) if (m - 2) % 12 + 1 not in months)
    spans = []
    for begin in begins:
        end = begin
        while end % 12 + 1 in months:
            end = end % 12 + 1
        spans.append(_MONTHS[begin - 1] + (f"-{_MONTHS[end - 1]}" if end != begin else ""))
    return ", ".join(spans)


_MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split()  # noqa: SIM905


def wrapped(text: str, width: int, *, fold: bool = True) -> str:
    """Return text on one or more lines of at most `width` cells, broken at spaces.

    A word that is wider than a line is cut if `fold`, else left whole, so that a path can be copied.
    A text that begins with `- ` hangs under its first word.
    """
    indent = "  " if text.startswith("- ") else ""
    room = max(1, width - len(indent))
    lines: list[str] = []
    line = ""
    for word in clean_text(text).split(" "):
        longer = f"{line} {word}" if line else word
        if cell_len(longer) <= room:
            line = longer
            continue
        if line:
            lines.append(line)
        line = word
        if fold and cell_len(word) > room:
            *full, line = chop_cells(word, room)
            lines += full
    return f"\n{indent}".join([*lines, line])
