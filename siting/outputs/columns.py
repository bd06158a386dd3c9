"""Tables of plain text that fit a terminal: words fold, columns give way, digits are never cut."""

from __future__ import annotations

import io
from collections.abc import Collection, Sequence

from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

from siting.outputs.ladder import clean_text
from siting.outputs.lines import wrapped

_BETWEEN = 2
_NARROWEST = 8  # a folded column keeps this many cells
UNITS = ((1, ""), (1_000, "k: thousands"), (1_000_000, "M: millions"))
"""What amounts are divided by where they do not fit, and the mark behind them with the word for it."""


def text_table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int,
    *,
    left: int,
    fold: Collection[int] = (0,),
    drop: Sequence[int] = (),
    instead: str = "",
) -> str:
    """Return a table without lines of at most `width` cells.

    The first `left` columns stand left, the others right. Where room is short, the columns of `fold` are
    folded over several lines and heads broken at spaces; then columns are left out in the order of `drop`,
    and a closing line names them and the file (`instead`) that has them.
    """
    shown = list(range(len(heads)))
    least = [_least(heads[k], [row[k] for row in rows], k in fold) for k in shown]
    for k in drop:
        if _sum(least, shown) <= width:
            break
        shown.remove(k)
    widths = dict(zip(shown, [least[k] for k in shown], strict=True))
    room = max(0, width - _sum(least, shown))
    for k in sorted(shown, key=lambda k: (k not in fold, k)):
        more = min(room, _whole(heads[k], [row[k] for row in rows]) - widths[k])
        widths[k] += more
        room -= more
    table = Table(box=None, pad_edge=False, padding=(0, _BETWEEN, 0, 0), show_edge=False)
    for k in shown:
        justify = "left" if k < left else "right"
        table.add_column(Text(clean_text(heads[k])), justify=justify, width=widths[k], overflow="fold")  # type: ignore[arg-type]
    for row in rows:
        table.add_row(*[Text(clean_text(row[k])) for k in shown])
    stream = io.StringIO()
    Console(file=stream, width=width, color_system=None, markup=False, highlight=False, emoji=False).print(table)
    text = "\n".join(line.rstrip() for line in stream.getvalue().rstrip("\n").split("\n"))
    gone = [heads[k] for k in range(len(heads)) if k not in shown]
    if not gone:
        return text
    note = f"No room here for: {', '.join(gone)} (see {instead})."
    return f"{text}\n{wrapped(note, width)}"


def fits(heads: Sequence[str], rows: Sequence[Sequence[str]], width: int) -> bool:
    """Say whether all columns have room side by side, with heads broken at spaces."""
    columns = range(len(heads))
    return _sum([_least(heads[k], [row[k] for row in rows], False) for k in columns], columns) <= width


def _least(head: str, cells: Sequence[str], folded: bool) -> int:
    whole = max(cell_len(clean_text(text)) for text in [*clean_text(head).split(" "), *cells])
    return min(whole, _NARROWEST) if folded else whole


def _whole(head: str, cells: Sequence[str]) -> int:
    return max(cell_len(clean_text(text)) for text in [head, *cells])


def _sum(least: Sequence[int], shown: Collection[int]) -> int:
    return sum(least[k] for k in shown) + _BETWEEN * (len(shown) - 1)
