"""report.html of a comparison: differences first, then each layout on the same map."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from siting import __version__
from siting.geography.opendata import read_map_land
from siting.outputs.lines import what_if_words
from siting.outputs.mapcontent import Kind, MapBand, MapContent
from siting.outputs.picture import KINDS, marks_of
from siting.region.faults import Findings
from siting.report.page import script_json
from siting.report.panels import Map, panels_of
from siting.report.papers import latex, markdown
from siting.report.reading import COMPARISON, Content, Row, decoded, parsed, rows_in
from siting.report.rendering import rendered
from siting.report.tables import Cell, Head, Line, Table, pairs_table

NEEDED = (COMPARISON, "comparison.geojson", "comparison.csv", "comparison.txt")


@dataclass(frozen=True)
class Shown:
    """One layout on the page: number from 1, name, map."""

    number: int
    name: str
    panels: Map


def comparison_report(files: Mapping[str, str | bytes], where: str = "") -> dict[str, str | bytes]:
    """Return the page of a comparison and its tables by name, from the files of its folder.

    Raises `InputError` where a file is missing or cannot be read.
    """
    findings = Findings()
    texts: dict[str, str] = {}
    for name in NEEDED:
        if name in files:
            texts[name] = decoded(findings, f"{where}/{name}", files[name])
        else:
            mend = "make the comparison again with siting compare"
            findings.fault(
                f"{where}/{name}", None, None, None, "is missing", allowed="every file of the run", mend=mend
            )
    content = parsed(findings, f"{where}/{COMPARISON}", texts.get(COMPARISON, ""))
    places = parsed(findings, f"{where}/comparison.geojson", texts.get("comparison.geojson", ""))
    rows = rows_in(findings, f"{where}/comparison.csv", texts.get("comparison.csv", ""), ("group", "quantity"))
    findings.raise_if_any()
    made = [differences(rows), sites_table(content, places)]
    page = rendered(
        "comparison.html.j2",
        {
            "version": __version__,
            "title": content["title"],
            "changes": what_if_words(content["changes"]).removeprefix("what-if "),
            "words": _words(texts["comparison.txt"]),
            "differences": made[0],
            "same": alike(rows),
            "layouts": [_shown(content, places, number) for number in range(1, len(content["layouts"]) + 1)],
            "sites": made[1],
            "facts": _facts(content, places),
            "inputs": pairs_table("inputs", "Inputs", ("file", "SHA-256 of its content"), content["inputs"]),
            "versions": pairs_table("versions", "Versions", ("package", "version"), content["versions"]),
        },
    )
    out: dict[str, str | bytes] = {"report.html": page}
    for table in made:
        out |= {f"tables/{table.name}.md": markdown(table), f"tables/{table.name}.tex": latex(table)}
    return out


def names_of(content: Content) -> list[str]:
    """Return the names of the layouts in their order."""
    return [str(one["name"]) for one in content["layouts"]]


def _values(row: Row) -> list[str]:
    return [text for name, text in row.items() if name.startswith("layout ")]


def differences(rows: tuple[Row, ...]) -> Table:
    """Return the quantities in which layouts differ, the largest relative difference first."""
    unlike = [row for row in rows if len(set(_values(row))) > 1]
    return _quantities(
        "differences", ("Where the layouts differ, largest relative difference first"), sorted(unlike, key=_apart)
    )


def alike(rows: tuple[Row, ...]) -> Table:
    """Return the quantities that are the same in every layout."""
    found = [row for row in rows if len(set(_values(row))) == 1 and _values(row)[0]]
    return _quantities("alike", "What is the same in every layout", found)


def _apart(row: Row) -> tuple[float, str, str]:
    try:
        numbers = [float(text) for text in _values(row)]
    except ValueError:
        return -2.0, row["group"], row["quantity"]
    top = max(map(abs, numbers))
    return -(max(numbers) - min(numbers)) / top if top else 0.0, row["group"], row["quantity"]


def _quantities(name: str, title: str, rows: list[Row]) -> Table:
    heads = [Head("of"), Head("quantity"), Head("unit"), Head("goal", True)]
    layouts = [key.removeprefix("layout ") for key in (rows[0] if rows else {}) if key.startswith("layout ")]
    lines = [
        Line(
            (
                Cell(row["group"]),
                Cell(row["quantity"]),
                Cell(row["unit"]),
                _told(row["goal"]),
                *map(_told, _values(row)),
            )
        )
        for row in rows
    ]
    return Table(name, title, (*heads, *(Head(layout, True) for layout in layouts)), tuple(lines))


def _told(text: str) -> Cell:
    try:
        number = float(text)
    except ValueError:
        return Cell(text or "-", None if text else "")
    if not math.isfinite(number):
        return Cell(text, "Infinity" if number > 0.0 else "")
    return Cell(f"{number:,.2f}" if abs(number) >= 1000.0 else f"{number:.4g}", number)


def sites_table(content: Content, places: Content) -> Table:
    """Return every site of any layout with its plan in each, those that differ first."""
    lines = []
    for one in sorted(places["features"], key=lambda f: (_rank(f["properties"]), f["properties"]["id"])):
        told = one["properties"]
        cells = [Cell(str(told["name"])), Cell(str(told["id"])), Cell(_membership(told))]
        for number in range(1, len(content["layouts"]) + 1):
            plan = told[f"plan_{number}"]
            cells.append(Cell(f"{plan} from {told[f'start_year_{number}']}" if plan else "-"))
        lines.append(Line(tuple(cells), str(told["id"])))
    heads = [Head(text) for text in ("site", "id", "in", *names_of(content))]
    return Table(
        "sites", ("Sites: those that are not the same in every layout first"), tuple(heads), tuple(lines), picks=True
    )


def _rank(told: Content) -> int:
    """Return 0 for sites that differ, 1 for those that are alike in all, 2 for stations that run beside."""
    return 2 if told["membership"] is None else int(bool(told["same_in_all"]))


def _membership(told: Content) -> str:
    if told["membership"] is None:
        return "runs already"
    if told["same_in_all"]:
        return "all, alike"
    return {"all": "all, with differences", "some": "some", "one": "one only"}.get(
        str(told["membership"]), str(told["membership"])
    )


def _shown(content: Content, places: Content, number: int) -> Shown:
    """Return one layout's map: its sites by kind; sites of other layouts as candidates left out."""
    entries = []
    for one in places["features"]:
        told = one["properties"]
        kind: Kind = "left_out"
        if told[f"kind_{number}"]:
            kind = KINDS[told[f"kind_{number}"]]
        elif told["already_running"]:
            kind = "running"
        detail = f"{told[f'plan_{number}']} from {told[f'start_year_{number}']}" if told[f"plan_{number}"] else ""
        entries.append((one["geometry"], kind, str(told["name"]), detail, str(told["id"])))
    points, tracks = marks_of(entries)
    layout = content["layouts"][number - 1]
    bands = [
        MapBand(b["band"], float(b["south"]), float(b["north"]), f"{b['sites']:.3g} sites") for b in layout["coverage"]
    ]
    shown = MapContent(
        (f"{content['title']}: {layout['name']}"), "", points, tracks, tuple(bands), land=tuple(read_map_land())
    )
    return Shown(number, str(layout["name"]), panels_of(shown))


def _words(text: str) -> list[dict[str, Any]]:
    """Return the sections of comparison.txt that are sentences: a title and its lines."""
    parts = []
    for block in text.strip().split("\n\n"):
        lines = block.split("\n")
        heads = [i for i, line in enumerate(lines) if line.startswith("- ")]
        if not heads:
            continue
        title = " ".join(lines[: heads[0]])
        if title.startswith(("Side by side", "Sites in common")):
            continue  # both stand as tables below
        items: list[str] = []
        for line in lines[heads[0] :]:
            if line.startswith("- "):
                items.append(line[2:])
            else:
                items[-1] += " " + line.strip()
        parts.append({"title": title, "lines": items})
    return parts


def _facts(content: Content, places: Content) -> Any:
    names = names_of(content)
    facts = []
    for one in places["features"]:
        told = one["properties"]
        lines = [
            f"{name}: {told[f'plan_{n}']} from {told[f'start_year_{n}']}" if told[f"plan_{n}"] else f"{name}: not in it"
            for n, name in enumerate(names, start=1)
        ]
        facts.append({"id": told["id"], "name": told["name"], "lines": lines})
    return script_json(facts)
