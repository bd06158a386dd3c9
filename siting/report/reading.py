"""A run folder's files as a report reads them: parsed, checked for what must be there, nothing worked out."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from siting.outputs.folder import RESULT_NAMES
from siting.region.faults import Findings
from siting.region.model import bearing

Row = Mapping[str, str]
Content = Mapping[str, Any]

LAYOUT, COMPARISON = "layout.json", "comparison.json"
NEEDED = ("network.geojson", "candidates.geojson", "bands.geojson", "sites.csv", "costs.csv", "coverage.csv")
"""What a layout's folder holds beside layout.json whatever was asked."""

_WRITTEN = "the file as it was written"
_AGAIN = "make the run again with this version: siting plan or siting assess"


@dataclass(frozen=True)
class Beside:
    """Answers of other commands about a run: parsed, by mark, and in words those that do not fit it."""

    found: Mapping[str, Content]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Run:
    """The files of one layout.

    `layout` is layout.json; `tables` the CSV files by name as rows of texts; `layers` the GeoJSON files by name;
    `texts` all others. `beside` holds the parsed answers of other commands on the same inputs, by mark (as
    "frontier.json"), which `siting report` found in folders beside, `left_out` says in words which it did not take.
    """

    layout: Content
    tables: Mapping[str, tuple[Row, ...]]
    layers: Mapping[str, Content]
    texts: Mapping[str, str]
    beside: Mapping[str, Content]
    left_out: tuple[str, ...] = ()

    def rows(self, name: str) -> tuple[Row, ...]:
        """Return the rows of a CSV file, none where the run has no such file."""
        return self.tables.get(name, ())


def run_of(files: Mapping[str, str | bytes], beside: Beside | None = None, where: str = "") -> Run:
    """Return the parsed files of a layout's folder.

    `where` is the folder's name in messages. Raises `InputError` naming every file that is missing or cannot be read.
    """
    findings = Findings()
    tables: dict[str, tuple[Row, ...]] = {}
    layers: dict[str, Content] = {}
    texts: dict[str, str] = {}
    layout: Content = {}
    for name in sorted({LAYOUT, *NEEDED, *files}):
        if name not in files:
            findings.fault(
                _place(where, name), None, None, None, "is missing", allowed="every file of the run", mend=_AGAIN
            )
        elif not name.endswith((".json", ".geojson", ".csv", ".txt", ".svg", ".log")) or name == "proof.json":
            continue
        else:
            text = decoded(findings, _place(where, name), files[name])
            if name.endswith((".json", ".geojson")):
                content = parsed(findings, _place(where, name), text)
                if name == LAYOUT:
                    layout = content
                else:
                    layers[name] = content
            elif name.endswith(".csv"):
                tables[name] = rows_in(findings, _place(where, name), text, _HEADS.get(name, ()))
            else:
                texts[name] = text
    _check_layout(findings, _place(where, LAYOUT), layout)
    findings.raise_if_any()
    return Run(layout, tables, layers, texts, beside.found if beside else {}, beside.left_out if beside else ())


def read_files(folder: Path) -> dict[str, bytes]:
    """Return the files of a result folder by name (with `/`), without those that a report makes anew.

    Raises `InputError` where there is no such folder or it holds no result that a report can show.
    """
    findings = Findings()
    mend = "name a folder that siting plan, assess or compare has written, as outputs/REGION/best-by-precision"
    allowed = "the result folder of a layout or a comparison"
    if not folder.is_dir():
        problem = "is a file" if folder.exists() else "there is no such folder"
        findings.fault(str(folder), None, None, None, problem, allowed=allowed, mend=mend)
    elif not any((folder / mark).is_file() for mark in (LAYOUT, COMPARISON)):
        others = [
            path.name for path in sorted(folder.iterdir()) if path.name in RESULT_NAMES and path.suffix == ".json"
        ]
        problem = f"holds neither {LAYOUT} nor {COMPARISON}"
        if others:
            problem += f"; {others[0]} is shown on the page of the layout's own run"
        findings.fault(str(folder), None, None, None, problem, allowed=allowed, mend=mend)
    findings.raise_if_any()
    files: dict[str, bytes] = {}
    try:
        for path in sorted(folder.rglob("*")):
            name = path.relative_to(folder).as_posix()
            if path.is_file() and name.split("/", 1)[0] in RESULT_NAMES:
                files[name] = path.read_bytes()
    except OSError as error:
        problem = f"cannot be read: {error.strerror}"
        findings.fault(str(folder), None, None, None, problem, allowed=allowed, mend="check the permissions")
    findings.raise_if_any()
    return files


MARKS = ("frontier.json", "order.json", "alternatives.json", "stress.json")


def answers_beside(folder: Path, layout: Content) -> Beside:
    """Return what frontier, order, alternatives and stress found beside a run, where it rests on the same inputs.

    By mark, as "frontier.json". An answer to other inputs, to another what-if or about another layout is left out, and
    so is one that cannot be read; where no other one by its name fits, it is told why. Of several that fit the folder
    that comes first counts. Layouts that stand in the region to be judged are no inputs to each other.
    """
    found: dict[str, Content] = {}
    unfit: dict[str, list[str]] = {}
    objective = layout["objective"] or "score"
    # What was searched for as this layout was comes before another measure.
    for path in sorted(folder.parent.glob("*/*.json"), key=lambda one: (objective not in one.parent.name, one)):
        mark = path.name
        if mark not in MARKS or mark in found or path.parent.name.startswith("."):
            continue
        try:
            content = json.loads(path.read_text(encoding="utf-8"))
            why = _unfit(mark, content, layout)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            why = "cannot be read"
        if why:
            unfit.setdefault(mark, []).append(f"{path.parent.name} ({why})")
        else:
            found[mark] = content | {"folder": path.parent.name}
    return Beside(found, tuple(words for mark in MARKS if mark not in found for words in unfit.get(mark, ())))


def _unfit(mark: str, content: Content, layout: Content) -> str:
    """Return why an answer does not belong to a run, empty where it does."""
    theirs, ours = bearing(content["inputs"]), bearing(layout["inputs"])
    unlike = sorted(name for name in {*theirs, *ours} if theirs.get(name) != ours.get(name))
    if unlike:
        return f"made from other inputs: {', '.join(unlike)}"
    if content["changes"] != layout["changes"]:
        return f"made with {', '.join(content['changes']) or 'no what-if'}"
    picks = sorted((pick["id"], pick["plan"], pick["start_year"]) for pick in layout["picked"])
    about = {"stress.json": lambda: content["layout"], "alternatives.json": lambda: content["base"]["layout"]}
    if mark in about:
        return "" if sorted(map(tuple, about[mark]())) == picks else "about another layout"
    objective = layout["objective"]
    fits = content["by"] in (objective, "both", "score" if objective is None else objective)
    return "" if fits else f"made by {content['by']}, this layout by {objective}"


def _place(where: str, name: str) -> str:
    return f"{where}/{name}" if where else name


def rows_in(findings: Findings, place: str, text: str, needed: Sequence[str]) -> tuple[Row, ...]:
    """Return the rows of a CSV file; one that cannot be read, or lacks a column, becomes a fault."""
    try:
        reader = csv.DictReader(io.StringIO(text, newline=""), strict=True)
        lacking = [name for name in needed if name not in (reader.fieldnames or ())]
        rows = tuple(reader)
    except csv.Error as error:
        findings.fault(place, None, None, None, f"is not CSV: {error}", allowed=_WRITTEN, mend=_AGAIN)
        return ()
    if lacking and rows:
        findings.fault(place, 1, ", ".join(lacking), None, "is missing", allowed=_WRITTEN, mend=_AGAIN)
    elif lacking and not text.strip():
        findings.fault(place, None, None, None, "is empty", allowed=_WRITTEN, mend=_AGAIN)
    return rows


def decoded(findings: Findings, place: str, content: str | bytes) -> str:
    """Return a file as text; one that is not UTF-8 becomes a fault."""
    if isinstance(content, str):
        return content
    try:
        # A table program may have put a byte mark before it.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        problem = f"is not UTF-8 text (byte {error.start})"
        findings.fault(place, None, None, None, problem, allowed=_WRITTEN, mend=_AGAIN)
        return ""


def parsed(findings: Findings, place: str, text: str) -> Content:
    """Return a JSON file's object; one that holds none becomes a fault."""
    try:
        content = json.loads(text or "{}")
    except (ValueError, RecursionError) as error:
        findings.fault(place, None, None, None, f"is not JSON: {error}", allowed=_WRITTEN, mend=_AGAIN)
        return {}
    if not isinstance(content, dict):
        findings.fault(place, None, None, None, "holds no object", allowed=_WRITTEN, mend=_AGAIN)
        return {}
    return content


_HEADS: Mapping[str, tuple[str, ...]] = {
    "sites.csv": ("id", "name", "plan", "lat", "lon", "lat_south", "lat_north", "score", "cost_total"),
    "costs.csv": ("what", "year", "id", "total"),
    "coverage.csv": ("band", "south", "north", "area_share", "sites"),
    "targets.csv": ("tracer", "target", "words", "unit", "goal", "error", "met", "prior_error"),
    "signals.csv": ("tracer", "id", "unit", "year", "month", "date", "expected", "error"),
    "swaps.csv": ("id", "other_id", "other_plan", "other_start_year", "value_change", "cost_change", "by", "complete"),
    "stations.csv": ("id", "name", "plan", "instruments", "first_month"),
    "why.csv": ("id", "tracer", "target", "loss_percent", "shortfall_loss"),
    "gaps.csv": ("south", "north"),
}
MOST_YEARS = 50
_LAYOUT_KEYS = (
    *("region", "title", "currency", "objective", "changes", "assumed", "asked", "answer"),
    *("picked", "rules", "rules_broken", "targets", "stages", "cost_total", "cost_by_year"),
    *("value", "bound", "gap", "proved", "ended", "ties", "inputs", "versions", "random_seed"),
)


def _check_layout(findings: Findings, place: str, layout: Content) -> None:
    """Name the keys that layout.json lacks: it was written by an earlier version, or changed by hand."""
    if not layout:
        return
    asked = layout.get("asked")
    years = asked.get("years") if isinstance(asked, dict) else None
    if years is not None and (isinstance(years, bool) or not isinstance(years, int) or not 1 <= years <= MOST_YEARS):
        findings.fault(place, None, "asked.years", years, "is no window", allowed=f"1 to {MOST_YEARS}", mend=_AGAIN)
    missing = [key for key in _LAYOUT_KEYS if key not in layout]
    if missing:
        named = ", ".join(missing)
        findings.fault(place, None, named, None, "is missing", allowed="every key that a run writes", mend=_AGAIN)
