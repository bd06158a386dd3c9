"""Read a layout that is to be judged: a name from the region's layouts, a CSV, a layout.json or a GeoJSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from siting.region.expected import missing_air
from siting.region.faults import Findings
from siting.region.further_tables import Context, layout_rows
from siting.region.model import Region
from siting.region.references import KnownIds
from siting.region.rows import Raw
from siting.region.schema.tables import LayoutRow
from siting.region.tables import RawTable, read_table
from siting.region.text import read_text, trimmed

_COLUMNS = ("id", "plan", "start_year")
_PICKS = '`picked`: a list of {"id", "plan", "start_year"}, or GeoJSON features with these properties'


@dataclass(frozen=True)
class GivenLayout:
    """A layout as the user gave it: its name and picks in the order of ids, start years filled in.

    `path` is the file that was read, None for a layout of the region.
    """

    name: str
    rows: tuple[LayoutRow, ...]
    path: Path | None = None


def read_layout(region: Region, given: str, *, state: bool = True) -> GivenLayout:
    """Return a layout by its name in the region's `layouts` folder or by its path.

    A missing start year is the first year of the window. With `state` the layout is to be judged by what it
    will show, too, and the region must give the numbers that this needs. Raises `InputError` with all faults.
    """
    findings = Findings()
    if state:
        findings.faults += missing_air(region)
    if given in region.layouts:
        numbers: dict[str, int] = {}
        name, rows = given, region.layouts[given]
        file = f"layouts/{given}.csv"
    else:
        file = given
        name, rows, numbers = _from_file(region, given, findings)
    _check_running(region, file, rows, numbers, findings)
    findings.raise_if_any()
    first = region.settings.first_year
    filled = tuple(row if row.start_year is not None else row.model_copy(update={"start_year": first}) for row in rows)
    return GivenLayout(name, filled, None if given in region.layouts else Path(given))


def _from_file(region: Region, given: str, findings: Findings) -> tuple[str, tuple[LayoutRow, ...], dict[str, int]]:
    """Return the name of a layout in a file, its rows and the row number of each id."""
    path = Path(given)
    name = path.absolute().parent.name if _in_a_result(path) else path.stem
    if not _is_there(path):
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
    is_table = path.suffix.lower() == ".csv"
    raw: Raw | None = read_table(path, given, findings) if is_table else _from_json(path, given, findings)
    if raw is None:
        return name, (), {}
    settings = region.settings
    window = (settings.first_year, settings.first_year + settings.years - 1)
    context = Context(region.tracers, KnownIds(region.candidates.ids), {p.id for p in settings.plans}, window)
    rows = layout_rows(raw, context, findings)
    at = raw.columns.index("id") if "id" in raw.columns else None
    numbers = {} if at is None else {row[at]: n for n, row in zip(raw.numbers, raw.rows, strict=True)}
    return name, rows, numbers


def _in_a_result(path: Path) -> bool:
    """Say whether a file is part of a result folder, whose name then names the layout."""
    return path.name in ("layout.json", "network.geojson", "sites.csv") and _is_there(path.parent / "layout.json")


def _is_there(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name that the file system cannot hold
        return False


def _check_running(
    region: Region, file: str, rows: Sequence[LayoutRow], numbers: dict[str, int], findings: Findings
) -> None:
    """Refuse layouts that pick nothing, or a station that counts without being picked."""
    if not rows and not findings.faults:
        problem, mend = "the layout picks nothing", "add at least one row"
        findings.fault(file, None, None, None, problem, allowed="one row for each pick", mend=mend)
    c = region.candidates
    status = dict(zip(c.ids, zip(c.status, c.plans, strict=True), strict=True))
    for row in rows:
        if status.get(row.id) == ("running", ()):
            findings.fault(
                file,
                numbers.get(row.id),
                "id",
                row.id,
                "this station already runs and counts without being picked",
                allowed="candidates that do not run yet, or offer plans",
                mend="take it out",
            )


def _from_json(path: Path, name: str, findings: Findings) -> RawTable | None:
    """Return the picks of a layout.json (`picked`) or of a GeoJSON as a table, so that the same checks follow."""
    text = read_text(path, name, findings)
    if text is None:
        return None
    try:
        content = json.loads(text)
    except (ValueError, RecursionError) as error:
        problem = f"not JSON: {getattr(error, 'msg', 'nested too deep, or a number too long').lower()}"
        mend = "write it again with `siting plan`, or give a CSV of id, plan, start_year"
        findings.fault(name, getattr(error, "lineno", None), None, None, problem, allowed=_PICKS, mend=mend)
        return None
    picks = _picks(content)
    if picks is None:
        mend = "give a layout.json, a network.geojson or a CSV of id, plan, start_year"
        findings.fault(name, None, "picked", None, "holds no picks", allowed=_PICKS, mend=mend)
        return None
    rows = tuple(tuple(_cell(pick.get(column)) for column in _COLUMNS) for pick in picks)
    return RawTable(name, _COLUMNS, rows, tuple(range(1, len(rows) + 1)))


def _picks(content: Any) -> list[dict[str, Any]] | None:
    """Return the picks of a JSON document, None if it has no list of them."""
    if not isinstance(content, dict):
        return None
    picks: Any = content.get("picked")
    if content.get("type") == "FeatureCollection":
        features = content.get("features")
        if not isinstance(features, list):
            return None
        properties = [f.get("properties") for f in features if isinstance(f, dict)]
        # features without a plan are tracks of running stations and other things to look at
        picks = [p for p in properties if isinstance(p, dict) and p.get("plan")]
    if isinstance(picks, list) and all(isinstance(pick, dict) for pick in picks):
        return picks
    return None


def _cell(value: object) -> str:
    if value is None:
        return ""
    return trimmed(value) if isinstance(value, str) else json.dumps(value)
