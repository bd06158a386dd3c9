"""Lines of plain text for a terminal."""

from __future__ import annotations

from rich.cells import cell_len, chop_cells

from siting.outputs.ladder import clean_text


def counted(number: int, what: str, plural: str = "s") -> str:
    """Return a number with its noun."""
    return f"{number:,} {what}{'' if number == 1 else plural}"


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
