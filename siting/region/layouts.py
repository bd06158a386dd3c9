"""Read a layout that is to be judged: a name from the region's layouts, a CSV, a layout.json or a GeoJSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from siting.region.faults import Findings
from siting.region.model import Region
from siting.region.reading import layout_rows
from siting.region.schema.tables import LayoutRow
from siting.region.tables import read_table
from siting.region.text import read_text


@dataclass(frozen=True)
class GivenLayout:
    """A layout as the user gave it: its name and picks in the order of ids, start years filled in."""

    name: str
    rows: tuple[LayoutRow, ...]


@dataclass(frozen=True)
class _Cells:
    """Picks of a JSON file in the form of a table, so that they pass the same checks as a CSV."""

    file: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]


def read_layout(region: Region, given: str) -> GivenLayout:
    """Return a layout by its name in the region's `layouts` folder or by its path.

    A missing start year is the first year of the window. Raises `InputError` with all faults.
    """
    findings = Findings()
    path = Path(given)
    if given in region.layouts:
        rows: Sequence[LayoutRow] = region.layouts[given]
        name = given
    else:
        name = path.parent.name if path.name == "layout.json" and path.parent.name else path.stem
        if not path.is_file():
            known = ", ".join(region.layouts) or "none"
            findings.fault(
                given,
                None,
                None,
                None,
                "no such layout",
                allowed=f"a name in the region's layouts folder (there: {known}), or a .csv, .json or .geojson file",
                mend="check the name",
            )
            findings.raise_if_any()
        raw: Any = read_table(path, given, findings) if path.suffix == ".csv" else _json(path, given, findings)
        rows = layout_rows(raw, region.settings, region.candidates.ids, findings) if raw is not None else ()
    findings.raise_if_any()
    if not rows:
        findings.fault(given, None, None, None, "the layout picks nothing", mend="add at least one row")
    running = [
        row.id
        for row in rows
        if region.candidates.status[region.candidates.index(row.id)] == "running"
        and not region.candidates.plans[region.candidates.index(row.id)]
    ]
    for candidate in running:
        findings.fault(
            given,
            None,
            "id",
            candidate,
            "this station already runs and counts without being picked",
            mend="take it out",
        )
    findings.raise_if_any()
    first = region.settings.first_year
    filled = tuple(row if row.start_year is not None else row.model_copy(update={"start_year": first}) for row in rows)
    return GivenLayout(name, filled)


def _json(path: Path, name: str, findings: Findings) -> _Cells | None:
    """Return the picks of a layout.json (`picked`) or of the features of a GeoJSON."""
    text = read_text(path, name, findings)
    if text is None:
        return None
    try:
        content = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        line = getattr(error, "lineno", None)
        findings.fault(
            name,
            line,
            None,
            None,
            f"not JSON: {getattr(error, 'msg', 'nested too deep')}",
            mend="write it again with `siting plan`, or give a CSV of id, plan, start_year",
        )
        return None
    picks: Any = None
    if isinstance(content, dict):
        picks = content.get("picked")
        if content.get("type") == "FeatureCollection":
            features = content.get("features")
            picks = (
                [f.get("properties") for f in features if isinstance(f, dict)] if isinstance(features, list) else None
            )
            picks = [p for p in picks if isinstance(p, dict) and p.get("plan")] if picks is not None else None
    if not isinstance(picks, list) or not all(isinstance(pick, dict) for pick in picks):
        findings.fault(
            name,
            None,
            "picked",
            None,
            "holds no picks",
            allowed='`picked`: a list of {"id", "plan", "start_year"}, or GeoJSON features with these',
            mend="give a layout.json, a network.geojson or a CSV",
        )
        return None
    columns = ("id", "plan", "start_year")
    rows = tuple(tuple("" if pick.get(c) is None else str(pick[c]) for c in columns) for pick in picks)
    return _Cells(name, columns, rows, tuple(range(1, len(rows) + 1)))
