"""Tables for a proposal, in Markdown and LaTeX: text made harmless in both."""

from __future__ import annotations

from siting.outputs.maplabels import clean
from siting.report.tables import Table

_MARKDOWN = {ord(sign): f"\\{sign}" for sign in "\\`*_{}[]()#+|<>~!"}
_LATEX = {
    ord(sign): words
    for sign, words in {
        "\\": r"\textbackslash{}",
        "{": r"\{",
        "}": r"\}",
        "$": r"\$",
        "&": r"\&",
        "#": r"\#",
        "_": r"\_",
        "%": r"\%",
        "^": r"\textasciicircum{}",
        "~": r"\textasciitilde{}",
        "<": r"\textless{}",
        ">": r"\textgreater{}",
        "|": r"\textbar{}",
        '"': r"\textquotedbl{}",
        "°": r"\textdegree{}",
        "`": r"\textasciigrave{}",
        "'": r"\textquotesingle{}",
    }.items()
}


MOST_LETTERS = 2000


def _flat(text: str) -> str:
    """Return text on one line without control characters and marks that turn the direction of writing."""
    return clean(text, MOST_LETTERS)


def markdown(table: Table) -> str:
    """Return a table as a pipe table with its title above and its note below."""
    heads = [_flat(head.text).translate(_MARKDOWN) for head in table.heads]
    lines = [
        f"**{_flat(table.title).translate(_MARKDOWN)}**",
        "",
        f"| {' | '.join(heads)} |",
        f"|{'|'.join('---:' if head.number else '---' for head in table.heads)}|",
    ]
    lines += [f"| {' | '.join(_flat(cell.text).translate(_MARKDOWN) for cell in row.cells)} |" for row in table.rows]
    if table.note:
        lines += ["", _flat(table.note).translate(_MARKDOWN)]
    return "\n".join(lines) + "\n"


def latex(table: Table) -> str:
    """Return a table as a LaTeX `table` with a `tabular` of plain columns, ready to be put in."""
    columns = "".join(_column(table, index) for index in range(len(table.heads)))
    caption = f"{table.title}. {table.note}" if table.note else table.title
    lines = [
        "% needs \\usepackage[T1]{fontenc} and \\usepackage{textcomp}",
        "\\begin{table}",
        f"\\caption{{{_tex(caption)}}}",
        f"\\begin{{tabular}}{{{columns}}}",
        "\\hline",
        f"{' & '.join(_tex(head.text) for head in table.heads)} \\\\",
        "\\hline",
        *(f"{' & '.join(_tex(cell.text) for cell in row.cells)} \\\\" for row in table.rows),
        "\\hline",
        "\\end{tabular}",
        "\\end{table}",
    ]
    return "\n".join(lines) + "\n"


LONG_CELL = 45
"""A column with a longer text is set as a paragraph."""


def _column(table: Table, index: int) -> str:
    if table.heads[index].number:
        return "r"
    long = any(len(row.cells[index].text) > LONG_CELL for row in table.rows)
    return "p{0.3\\textwidth}" if long else "l"


def _tex(text: str) -> str:
    return _flat(text).translate(_LATEX).replace("--", "-{}-")
