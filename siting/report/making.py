"""All files of a report, from the files of a run: page, figures with captions, tables for a proposal."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from siting.outputs.folder import FolderError, alone, heal, write_folder
from siting.region.faults import Findings, InputError
from siting.report.comparing import comparison_report
from siting.report.drawing import png
from siting.report.page import report_page
from siting.report.papers import latex, markdown
from siting.report.reading import LAYOUT, Beside, answers_beside, read_files, run_of
from siting.report.rendering import Figure
from siting.report.sheets import sheets_again, site_sheet
from siting.report.tables import Table

PAGE = "report.html"
MADE = (PAGE, "figures", "tables", "sheets")
"""What a report makes, as names at the top of the folder: older ones go when a new one is made."""

ON_PAPER = ("sites", "bands", "targets", "money", "why", "supply", "assumptions", "stages")
"""Tables that a proposal puts in."""


_UNSOUND = (KeyError, ValueError, TypeError, AttributeError, IndexError, ArithmeticError, RuntimeError)
"""What a page meets in files that were changed since a run wrote them."""
_Files = dict[str, str | bytes]


def without_report(files: Mapping[str, str | bytes]) -> dict[str, str | bytes]:
    """Return a run's files without those that a report makes."""
    return {name: text for name, text in files.items() if name.split("/", 1)[0] not in MADE}


def report_files(
    files: Mapping[str, str | bytes], beside: Beside | None = None, where: str = ""
) -> dict[str, str | bytes]:
    """Return page, figures and tables of a layout by name.

    `files` are those of its run, `beside` what other commands found on the same inputs, `where` the run's name
    in messages. Raises `InputError` where a file is missing or cannot be read.
    """
    run = run_of(files, beside, where)
    page = report_page(run)
    made: dict[str, str | bytes] = {PAGE: page.html}
    made |= _figures(page.figures, run.texts.get("map.svg"))
    made |= paper_tables([table for table in page.tables if table.name in ON_PAPER])
    return made


def _figures(figures: tuple[Figure, ...], map_svg: str | None) -> dict[str, str | bytes]:
    """Return each figure as SVG and PNG, and one text with all captions."""
    made: dict[str, str | bytes] = {}
    captions = []
    if map_svg is not None:
        made |= {"figures/map.svg": map_svg, "figures/map.png": png(map_svg, MAP_SCALE)}
        captions.append("map: " + MAP_CAPTION)
    for figure in figures:
        made |= {f"figures/{figure.name}.svg": figure.drawing, f"figures/{figure.name}.png": png(figure.drawing)}
        captions.append(f"{figure.name}: {figure.title}. {figure.caption}")
    made["figures/captions.txt"] = "\n\n".join(captions) + "\n"
    return made


MAP_SCALE = 1.8
"""The map is 1,000 units wide: 1,800 pixels, as the charts of 720 units are."""
MAP_CAPTION = (
    "The network on an equal-area map (Equal Earth, WGS 84), with insets poleward of 60 degrees: picked sites by kind, "
    "stations that run already, candidates left out, legs of supply and limits of latitude bands."
)


def paper_tables(given: list[Table]) -> dict[str, str | bytes]:
    """Return tables in Markdown and LaTeX by name."""
    made: dict[str, str | bytes] = {}
    for table in given:
        made |= {f"tables/{table.name}.md": markdown(table), f"tables/{table.name}.tex": latex(table)}
    return made


@dataclass(frozen=True)
class Made:
    """The files that a report made, and in words the answers beside that did not fit the run."""

    paths: tuple[Path, ...]
    left_out: tuple[str, ...]


def make_report(folder: Path, site: str | None = None) -> Made:
    """Make the report of a finished run anew from its folder, and write it there.

    With `site` only the sheet for the host of that site is made, and the rest stays as it is. The folder is replaced
    whole, as when it was written. Raises `InputError` where the folder is no run, a file is missing or cannot be
    read, or the site is not picked; `FolderError` where the folder cannot be written.
    """
    try:
        # From reading to writing nobody else may replace the run; a killed one may have left it beside its place.
        with alone(folder):
            heal(Path(os.path.realpath(folder)))
            files = read_files(folder)
            kept, made, left_out = _again(folder, files, site)
            write_folder(folder, {**kept, **made})
    except FolderError as error:
        mend = "work in the folder above it, move what is not of the run elsewhere, check the permissions"
        raise InputError([replace(fault, file=str(folder), mend=mend) for fault in error.faults]) from error
    except _UNSOUND as error:
        # What a run writes is sound: a column or a value that is not there was changed since.
        findings = Findings()
        findings.fault(
            str(folder),
            *(None, None, None),
            f"holds files that are not as the run wrote them ({type(error).__name__}: {error})",
            allowed="every file as it was written",
            mend="make the run again with siting plan, assess or compare",
        )
        raise InputError(findings.faults) from error
    root = Path(os.path.realpath(folder))
    return Made(tuple(root / name for name in sorted(made)), left_out)


def _again(folder: Path, files: Mapping[str, bytes], site: str | None) -> tuple[_Files, _Files, tuple[str, ...]]:
    """Return the files of a folder that stay, those that are made, and the answers that did not fit."""
    if LAYOUT not in files:
        if site is not None:
            findings = Findings()
            problem = "a comparison has no sheets for hosts"
            findings.fault("--site", None, None, site, problem, allowed="a layout's run", mend="name a layout's folder")
            findings.raise_if_any()
        kept = without_report(files)
        return kept, comparison_report(kept, str(folder)), ()
    if site is not None:
        return {**files}, site_sheet(run_of(files, None, str(folder)), site), ()
    kept = without_report(files)
    run = run_of(kept, None, str(folder))
    beside = _shown(kept, answers_beside(folder, run.layout), str(folder))
    # Sheets that were asked for before are made again, with the rest.
    return kept, {**report_files(kept, beside, str(folder)), **sheets_again(run, files)}, beside.left_out


def _shown(files: Mapping[str, str | bytes], beside: Beside, where: str) -> Beside:
    """Return the answers without those that a page cannot show, as of another version, so that none spoils the rest."""
    found, left_out = dict(beside.found), list(beside.left_out)
    for mark, content in beside.found.items():
        try:
            report_page(run_of(files, Beside({mark: content}), where))
        except _UNSOUND as error:
            del found[mark]
            left_out.append(f"{content['folder']} (not as it was written: {type(error).__name__}: {error})")
    return Beside(found, tuple(left_out))
