"""Candidate files -> the frozen table of candidates and its monthly arrays, with the origin of each cell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siting.region.faults import Findings
from siting.region.features import RawFeatures
from siting.region.model import Candidates, Floats, Origin, frozen_mapping, read_only
from siting.region.rows import Checked, Raw, check_rows
from siting.region.schema.tables import SPREAD_COLUMNS, CandidateRow


@dataclass
class Entry:
    """One candidate while it is put together: its row, where it stands, its geometry and its numbers."""

    row: CandidateRow
    file: str
    number: int
    geometry: BaseGeometry
    numbers: dict[str, float]
    extra: dict[str, str]
    origins: dict[str, Origin] = field(default_factory=dict)


def read_entries(raws: Sequence[Raw], tracers: Sequence[str], findings: Findings) -> list[Entry]:
    """Check every candidate file and return its good rows, ids unique across files."""
    entries: list[Entry] = []
    for raw in raws:
        shaped = isinstance(raw, RawFeatures)
        checked = check_rows(
            raw,
            CandidateRow,
            findings,
            number_columns=number_columns(tracers),
            optional=("lat", "lon") if shaped else (),
        )
        if not shaped:
            _need_coordinates(raw, findings)
        turned = 0
        for place, row in zip(checked.index, checked.rows, strict=True):
            if isinstance(raw, RawFeatures):
                geometry: BaseGeometry | None = _turned(raw.geometries[place])
            else:
                geometry, was_turned = _point(raw, place, row, findings)
                turned += was_turned
            if geometry is not None:
                entries.append(_entry(raw, checked, place, row, geometry))
        if turned:
            findings.warn(
                raw.file,
                None,
                "lon",
                None,
                f"{turned} longitudes of 180-360 were read as degrees east and turned to west",
            )
    return _unique(entries, findings)


def number_columns(tracers: Sequence[str]) -> dict[str, str]:
    """Return the further numeric columns of the candidate files: per tracer, and low and high ends."""
    columns = {f"contamination_size.{name.lower()}": "contamination_size" for name in tracers}
    for column in SPREAD_COLUMNS:
        columns[f"{column}_low"] = column
        columns[f"{column}_high"] = column
    return columns


def _entry(raw: Raw, checked: Checked[CandidateRow], place: int, row: CandidateRow, shape: BaseGeometry) -> Entry:
    numbers = {column: found[place] for column, found in checked.numbers_of.items() if place in found}
    extra = {column: cells_of[place] for column, cells_of in checked.extra.items()}
    return Entry(row, raw.file, raw.numbers[place], shape, numbers, extra)


def _need_coordinates(raw: Raw, findings: Findings) -> None:
    for column in ("lat", "lon"):
        if column not in raw.columns:
            findings.fault(raw.file, 1, column, None, "column missing", mend=f"add a column '{column}'")


def _point(raw: Raw, place: int, row: CandidateRow, findings: Findings) -> tuple[BaseGeometry | None, bool]:
    """Return the point of a table's row and whether its longitude was turned from 180-360 to west."""
    number = raw.numbers[place]
    good = True
    for column in ("lat", "lon"):
        if getattr(row, column) is None:
            if column in raw.columns:
                findings.fault(raw.file, number, column, None, "cell is empty", mend="give decimal degrees")
            good = False
    if not good or row.lat is None or row.lon is None:
        return None, False
    if not -90.0 <= row.lat <= 90.0:
        swapped = -90.0 <= row.lon <= 90.0 and -180.0 <= row.lat <= 360.0
        findings.fault(
            raw.file,
            number,
            "lat",
            f"{row.lat:g}",
            "no latitude; perhaps lat and lon are swapped" if swapped else "no latitude",
            allowed="-90 to 90",
            mend="swap lat and lon" if swapped else "give decimal degrees, south negative",
        )
        good = False
    if not -180.0 <= row.lon <= 360.0:
        findings.fault(
            raw.file,
            number,
            "lon",
            f"{row.lon:g}",
            "no longitude",
            allowed="-180 to 180, or 0 to 360",
            mend="give decimal degrees, west negative",
        )
        good = False
    if not good:
        return None, False
    turned = row.lon > 180.0
    return shapely.Point(row.lon - 360.0 if turned else row.lon, row.lat), turned


def _turned(geometry: BaseGeometry | None) -> BaseGeometry | None:
    """Return a point of 180-360 degrees east as one of -180 to 0; longer shapes keep their way round."""
    if geometry is not None and geometry.geom_type == "Point" and geometry.x > 180.0:
        return shapely.Point(geometry.x - 360.0, geometry.y)
    return geometry


def _unique(entries: list[Entry], findings: Findings) -> list[Entry]:
    first: dict[str, Entry] = {}
    for entry in entries:
        other = first.setdefault(entry.row.id, entry)
        if other is not entry:
            findings.fault(
                entry.file,
                entry.number,
                "id",
                entry.row.id,
                f"id stands already in {other.file}, row {other.number}",
                allowed="ids unique across all files",
                mend="rename one of the two",
            )
    return list(first.values())


def fill_derived(
    entries: Sequence[Entry], derived: Checked[CandidateRow] | None, findings: Findings, file: str
) -> None:
    """Fill empty cells from candidates.derived.csv; what the user gave is never touched."""
    if derived is None:
        return
    by_id = {row.id: row for row in derived.rows}
    known = {entry.row.id for entry in entries}
    strange = sorted(set(by_id) - known)
    if strange:
        findings.warn(
            file, None, "id", ", ".join(strange[:5]), "derived rows of candidates that are not there any more"
        )
    for entry in entries:
        row = by_id.get(entry.row.id)
        if row is None:
            continue
        new = {
            column: getattr(row, column)
            for column in row.model_fields_set
            if column not in entry.row.model_fields_set and column not in ("id", "lat", "lon")
        }
        if new:
            entry.row = entry.row.model_copy(update=new)
            entry.origins.update(dict.fromkeys(new, Origin.DERIVED))


def check_entries(entries: Sequence[Entry], findings: Findings) -> None:
    """Check what one look at a row shows: platform against geometry, running stations, spreads."""
    for entry in entries:
        row, at = entry.row, (entry.file, entry.number)
        shape = entry.geometry.geom_type
        if "Line" in shape and row.platform not in ("ship", "drifting"):
            findings.fault(
                *at,
                "platform",
                row.platform,
                "a line is a ship track or a drift",
                allowed="ship, drifting",
                mend="set platform, or give a point",
            )
        if "Polygon" in shape and row.platform not in ("drifting", "moored"):
            findings.fault(
                *at,
                "platform",
                row.platform,
                "an area belongs to a drifting or moored platform",
                allowed="drifting, moored",
                mend="set platform, or give a point",
            )
        if shape == "Point" and row.platform == "ship":
            findings.warn(
                *at,
                "platform",
                row.platform,
                "a ship given as one point is counted there all the time",
                mend="give its track as a LineString in a .geojson file",
            )
        if row.status == "running" and row.running_since is None:
            findings.fault(
                *at,
                "running_since",
                None,
                "a running station needs the year its record began",
                allowed="a year such as 2019",
                mend="fill it in",
            )
        if row.status != "running":
            for column in ("running_since", "running_plan", "method"):
                if getattr(row, column) is not None:
                    findings.warn(
                        *at,
                        column,
                        str(getattr(row, column)),
                        "holds for running stations only and is not used here",
                    )
        _check_spread(entry, findings)


def _check_spread(entry: Entry, findings: Findings) -> None:
    for column in SPREAD_COLUMNS:
        value = float(getattr(entry.row, column))
        low = entry.numbers.get(f"{column}_low", value)
        high = entry.numbers.get(f"{column}_high", value)
        if not low <= value <= high:
            findings.fault(
                entry.file,
                entry.number,
                column,
                f"{value:g}",
                "does not lie between its low and high ends",
                allowed=f"{low:g} to {high:g}",
                mend=f"check {column}_low and {column}_high",
            )


def origin_of(entry: Entry, column: str) -> Origin:
    """Return where the number of a column comes from."""
    if column in entry.origins:
        return entry.origins[column]
    if column in entry.row.model_fields_set:
        return Origin.GIVEN
    extra = CandidateRow.model_fields[column].json_schema_extra
    assumed = isinstance(extra, dict) and str(extra.get("why", "")).startswith("assumed")
    return Origin.ASSUMED if assumed else Origin.DEFAULTED


def centre(geometry: BaseGeometry) -> tuple[float, float]:
    """Return latitude and longitude of the middle of a geometry's vertices on the sphere."""
    if geometry.geom_type == "Point":
        return float(geometry.y), float(geometry.x)
    lonlat = np.radians(shapely.get_coordinates(geometry))
    lon, lat = lonlat[:, 0], lonlat[:, 1]
    x, y, z = (np.cos(lat) * np.cos(lon)).mean(), (np.cos(lat) * np.sin(lon)).mean(), np.sin(lat).mean()
    return float(np.degrees(np.arctan2(z, np.hypot(x, y)))), float(np.degrees(np.arctan2(y, x)))


def build(entries: Sequence[Entry], visits_default: float) -> Candidates:
    """Return the frozen table; `entries` must be sorted by id."""
    rows = [entry.row for entry in entries]
    middles = [centre(entry.geometry) for entry in entries]
    origin = {
        column: read_only(np.array([origin_of(entry, column) for entry in entries], dtype=np.uint8))
        for column in CandidateRow.model_fields
        if column not in ("id", "lat", "lon")
    }
    visits_given = np.array([row.visits_per_year is not None for row in rows], dtype=bool)
    assumed = (origin["visits_per_year"] == Origin.DEFAULTED) & ~visits_given
    origin["visits_per_year"] = read_only(np.where(assumed, Origin.ASSUMED, origin["visits_per_year"]).astype(np.uint8))

    def array(column: str) -> Floats:
        return read_only(np.array([getattr(row, column) for row in rows], dtype=float))

    def texts(column: str) -> tuple[str, ...]:
        return tuple(str(getattr(row, column) or "") for row in rows)

    def end(column: str, which: str) -> Floats:
        nominal = array(column)
        return read_only(
            np.array(
                [entry.numbers.get(f"{column}_{which}", nominal[i]) for i, entry in enumerate(entries)],
                dtype=float,
            )
        )

    extra_names = sorted({column for entry in entries for column in entry.extra})
    return Candidates(
        ids=tuple(row.id for row in rows),
        names=tuple(row.name or row.id for row in rows),
        geometry=tuple(entry.geometry for entry in entries),
        lat=read_only(np.array([lat for lat, _ in middles], dtype=float)),
        lon=read_only(np.array([lon for _, lon in middles], dtype=float)),
        elevation_m=array("elevation_m"),
        intake_m=array("intake_m"),
        platform=texts("platform"),
        status=texts("status"),
        running_since=tuple(row.running_since for row in rows),
        running_plan=tuple(row.running_plan for row in rows),
        operator=texts("operator"),
        access=texts("access"),
        method=tuple(row.method for row in rows),
        plans=tuple(row.plans for row in rows),
        data_return=array("data_return"),
        duty_cycle=array("duty_cycle"),
        sailings_per_year=tuple(row.sailings_per_year for row in rows),
        visits_per_year=read_only(np.array([row.visits_per_year or visits_default for row in rows], dtype=float)),
        lead_months=read_only(np.array([row.lead_months for row in rows], dtype=np.int64)),
        permit_months=read_only(np.array([row.permit_months for row in rows], dtype=np.int64)),
        power=texts("power"),
        staffed=read_only(np.array([row.staffed for row in rows], dtype=bool)),
        host=texts("host"),
        host_strength=array("host_strength"),
        group=tuple(row.group for row in rows),
        setup_cost=array("setup_cost"),
        annual_cost=array("annual_cost"),
        hub=texts("hub"),
        origin=frozen_mapping(origin),
        low=frozen_mapping({column: end(column, "low") for column in SPREAD_COLUMNS}),
        high=frozen_mapping({column: end(column, "high") for column in SPREAD_COLUMNS}),
        extra=frozen_mapping(
            {column: tuple(entry.extra.get(column, "") for entry in entries) for column in extra_names}
        ),
        where=tuple((entry.file, entry.number) for entry in entries),
    )


def monthly_arrays(
    entries: Sequence[Entry], tracers: Sequence[str], months: Mapping[tuple[str, int], Mapping[str, float]]
) -> dict[str, np.ndarray]:
    """Return exposure, its origin, risk, size and open months of the entries.

    `months` maps (id, month 1-12) to the numbers of monthly.csv that replace the yearly ones, under
    `exposure`, `risk`, `size` (first tracer) and `size.<tracer>` in lower case.
    """
    n = len(entries)
    exposure = np.empty((n, 12))
    exposure_origin = np.empty((n, 12), dtype=np.uint8)
    risk = np.empty((len(tracers), n, 12))
    size = np.zeros((len(tracers), n, 12))
    open_months = np.zeros((n, 12), dtype=bool)
    for i, entry in enumerate(entries):
        row = entry.row
        exposure[i] = row.baseline_exposure
        exposure_origin[i] = origin_of(entry, "baseline_exposure")
        risk[:, i] = row.contamination_risk
        for t, tracer in enumerate(tracers):
            column = f"contamination_size.{tracer.lower()}"
            size[t, i] = entry.numbers.get(column, row.contamination_size if t == 0 else 0.0)
        open_months[i, [month - 1 for month in row.open_months]] = True
    place = {entry.row.id: i for i, entry in enumerate(entries)}
    for (candidate, month), numbers in months.items():
        i = place[candidate]
        if "exposure" in numbers:
            exposure[i, month - 1] = numbers["exposure"]
            exposure_origin[i, month - 1] = Origin.GIVEN
        if "risk" in numbers:
            risk[:, i, month - 1] = numbers["risk"]
        for t, tracer in enumerate(tracers):
            for column in (f"size.{tracer.lower()}", "size" if t == 0 else ""):
                if column in numbers:
                    size[t, i, month - 1] = numbers[column]
                    break
    accepted = np.array([entry.row.accepted_hours for entry in entries])
    exposure *= accepted[:, None]
    return {
        "exposure": read_only(exposure),
        "exposure_origin": read_only(exposure_origin),
        "risk": read_only(risk),
        "size": read_only(size),
        "open_months": read_only(open_months),
    }
