"""Candidate files -> checked entries -> the frozen table of candidates, with the origin of each cell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from siting.arrays import Codes, Floats, read_only
from siting.region import cells
from siting.region.faults import Findings
from siting.region.features import RawFeatures
from siting.region.model import Candidates, Origin, frozen_mapping
from siting.region.plain import swap_suspected
from siting.region.rows import Checked, Raw, check_rows, missing_column
from siting.region.schema.lookups import extra_of
from siting.region.schema.tables import SPREAD_COLUMNS, TRACER_COLUMNS, CandidateRow
from siting.region.tables import column_name

SIZE = TRACER_COLUMNS["candidates"]
SHARES = ("baseline_exposure", "contamination_risk")
# Numbers of a month by (id, month 1-12) and column of monthly.csv.
Months = Mapping[tuple[str, int], Mapping[str, float]]


@dataclass
class Entry:
    """One candidate while it is put together: its row, where it stands, its geometry and its numbers.

    `doubtful` names the columns whose cells are faulty (`geometry` among them) and not in `row`, `filled` those
    that are not the user's but were read from candidates.derived.csv.
    """

    row: CandidateRow
    file: str
    number: int
    geometry: BaseGeometry | None
    numbers: dict[str, float]
    extra: dict[str, str]
    doubtful: frozenset[str] = frozenset()
    origins: dict[str, Origin] = field(default_factory=dict)
    filled: frozenset[str] = frozenset()

    def gave(self, column: str) -> bool:
        """Say whether the user's own files give a number."""
        return (column in self.row.model_fields_set or column in self.numbers) and column not in self.filled


def read_entries(raws: Sequence[Raw], tracers: Sequence[str], findings: Findings) -> list[Entry]:
    """Check every candidate file and return its candidates in the order of ids, which are unique across files.

    A candidate with faulty cells is among them as long as it has an id, so that nothing which names it
    is blamed.
    """
    entries: list[Entry] = []
    first = tracer_column(SIZE, tracers[0])
    for raw in raws:
        checked = check_rows(raw, CandidateRow, findings, number_columns=number_columns(tracers))
        shapes = _shapes(raw, findings)
        for place, row in zip(checked.index, checked.rows, strict=True):
            entry = entry_of(raw, checked, place, row, shapes[place])
            first_tracer(entry, first, findings)
            entries.append(entry)
        if not raw.rows and all(fault.file != raw.file for fault in findings.faults):
            findings.fault(
                raw.file,
                None,
                None,
                None,
                "no candidate in it",
                allowed="one row for each candidate below the heading",
                mend="add a row, or delete the file",
            )
    return sorted(_unique(entries, findings), key=lambda entry: entry.row.id)


def number_columns(tracers: Sequence[str]) -> dict[str, str]:
    """Return the further numeric columns of the candidate files: per tracer, and low and high ends."""
    columns = {tracer_column(SIZE, name): SIZE for name in tracers}
    for column in SPREAD_COLUMNS:
        columns[f"{column}_low"] = column
        columns[f"{column}_high"] = column
    return columns


def tracer_column(base: str, tracer: str) -> str:
    """Return the column of a number that belongs to one tracer, as headings are read."""
    return column_name(f"{base}.{tracer}")


def entry_of(
    raw: Raw, checked: Checked[CandidateRow], place: int, row: CandidateRow, shape: BaseGeometry | None
) -> Entry:
    """Return the entry of a checked row."""
    numbers = {column: found[place] for column, found in checked.numbers_of.items() if place in found}
    extra = {column: cells_of[place] for column, cells_of in checked.extra.items()}
    doubtful = checked.faulty.get(place, frozenset()) | ({"geometry"} if shape is None else frozenset())
    return Entry(row, raw.file, raw.numbers[place], shape, numbers, extra, doubtful)


def first_tracer(entry: Entry, column: str, findings: Findings) -> None:
    """Take the size in the column named for the first tracer as the plain one, which belongs to it."""
    value = entry.numbers.pop(column, None)
    if value is None or SIZE in entry.doubtful:
        return
    if SIZE not in entry.row.model_fields_set:
        entry.row = entry.row.model_copy(update={SIZE: value})
    elif getattr(entry.row, SIZE) != value:
        findings.fault(
            entry.file,
            entry.number,
            column,
            f"{value:g}",
            f"differs from {SIZE}, which belongs to the same tracer",
            allowed=f"{getattr(entry.row, SIZE):g}, or an empty cell",
            mend="empty one of the two cells",
        )


def _shapes(raw: Raw, findings: Findings) -> Sequence[BaseGeometry | None]:
    """Return the geometry of each row, None where it is faulty."""
    if isinstance(raw, RawFeatures):
        _compare_with_geometry(raw, findings)
        return [_turned(shape) for shape in raw.geometries]
    for column in ("lat", "lon"):
        if column not in raw.columns:
            missing_column(raw, column, CandidateRow, findings)
    if "lat" not in raw.columns or "lon" not in raw.columns:
        return (None,) * len(raw.rows)
    lat_at, lon_at = raw.columns.index("lat"), raw.columns.index("lon")
    points = [
        _point(raw.file, number, row[lat_at], row[lon_at], findings)
        for number, row in zip(raw.numbers, raw.rows, strict=True)
    ]
    turned = sum(1 for point in points if point is not None and point[0] > 180.0)
    if turned:
        findings.warn(
            raw.file,
            None,
            "lon",
            None,
            f"{turned} longitudes of 180-360 were read as degrees east and turned to west",
        )
    return [None if point is None else _turned(shapely.Point(point)) for point in points]


def _point(file: str, number: int, lat: str, lon: str, findings: Findings) -> tuple[float, float] | None:
    """Return longitude and latitude of a row; cells that are no numbers have been named already."""
    for column, text in (("lat", lat), ("lon", lon)):
        if text == "":
            findings.fault(
                file, number, column, None, "cell is empty", allowed=cells.ALLOWED_DEGREES, mend="give decimal degrees"
            )
    try:
        x, y = cells.number(lon), cells.number(lat)
    except cells.CellError:
        return None
    if not -90.0 <= y <= 90.0:
        swapped = swap_suspected(y, x)
        findings.fault(
            file,
            number,
            "lat",
            lat,
            "not a latitude" + ("; perhaps lat and lon are swapped" if swapped else ""),
            allowed="-90 to 90",
            mend="swap lat and lon" if swapped else "give decimal degrees, south negative",
        )
    if not -180.0 <= x <= 360.0:
        findings.fault(
            file,
            number,
            "lon",
            lon,
            "not a longitude",
            allowed="-180 to 180, or 0 to 360",
            mend="give decimal degrees, west negative",
        )
    return (x, y) if -90.0 <= y <= 90.0 and -180.0 <= x <= 360.0 else None


def _turned(geometry: BaseGeometry | None) -> BaseGeometry | None:
    """Return a point of 180-360 degrees east as one of -180 to 0; longer shapes keep their way round."""
    if geometry is not None and geometry.geom_type == "Point" and geometry.x > 180.0:
        return shapely.Point(geometry.x - 360.0, geometry.y)
    return geometry


def _compare_with_geometry(raw: RawFeatures, findings: Findings) -> None:
    """Say where a feature's lat and lon contradict its point, which counts."""
    if "lat" not in raw.columns or "lon" not in raw.columns:
        return
    lat_at, lon_at = raw.columns.index("lat"), raw.columns.index("lon")
    for number, row, shape in zip(raw.numbers, raw.rows, raw.geometries, strict=True):
        if shape is None or shape.geom_type != "Point":
            continue
        try:
            lat, lon = cells.number(row[lat_at]), cells.number(row[lon_at])
        except cells.CellError:
            continue
        if abs(lat - shape.y) > 0.01 or abs((lon - shape.x + 180.0) % 360.0 - 180.0) > 0.01:
            findings.warn(
                raw.file,
                number,
                "lat",
                f"{row[lat_at]}, {row[lon_at]}",
                f"lat and lon are not those of the point, which counts ({shape.y:g}, {shape.x:g})",
                mend="correct one of the two",
            )


def _unique(entries: list[Entry], findings: Findings) -> Iterator[Entry]:
    first: dict[str, Entry] = {}
    for entry in entries:
        other = first.setdefault(entry.row.id, entry)
        if other is entry:
            yield entry
        else:
            id_twice(entry, other, findings)


def id_twice(entry: Entry, other: Entry, findings: Findings) -> None:
    """Note that an id stands in two rows."""
    findings.fault(
        entry.file,
        entry.number,
        "id",
        entry.row.id,
        f"id stands already in {other.file}, row {other.number}",
        allowed="each id once, across all candidate files",
        mend="rename one of the two",
    )


def check_entries(entries: Sequence[Entry], findings: Findings) -> None:
    """Check what one look at a row shows: platform against geometry, running stations, spreads."""
    for entry in entries:
        if entry.geometry is not None and "platform" not in entry.doubtful:
            _check_platform(entry, entry.geometry.geom_type, findings)
        if "status" not in entry.doubtful:
            _check_running(entry, findings)
        _check_spread(entry, findings)


def _check_platform(entry: Entry, shape: str, findings: Findings) -> None:
    row, at = entry.row, (entry.file, entry.number, "platform", entry.row.platform)
    if "Line" in shape and row.platform not in ("ship", "drifting"):
        findings.fault(
            *at, "a line is a ship track or a drift", allowed="ship, drifting", mend="set platform, or give a point"
        )
    if "Polygon" in shape and row.platform not in ("drifting", "moored"):
        findings.fault(
            *at,
            "an area belongs to a drifting or moored platform",
            allowed="drifting, moored",
            mend="set platform, or give a point",
        )
    if shape == "Point" and row.platform == "ship":
        findings.warn(
            *at,
            "a ship given as one point is counted there all the time",
            mend="give its track as a LineString in a .geojson file",
        )


def _check_running(entry: Entry, findings: Findings) -> None:
    row, at = entry.row, (entry.file, entry.number)
    if row.status == "running":
        if row.running_since is None and "running_since" not in entry.doubtful:
            findings.fault(
                *at,
                "running_since",
                None,
                "a running station needs the year its record began",
                allowed="a year such as 2019 or 2019.5",
                mend="fill it in",
            )
        return
    for column in ("running_since", "running_plan", "method"):
        value = getattr(row, column)
        if value is not None:
            shown = f"{value:g}" if isinstance(value, float) else str(value)
            findings.warn(*at, column, shown, "holds for running stations only and is not used here")


def _check_spread(entry: Entry, findings: Findings) -> None:
    for column in SPREAD_COLUMNS:
        ends = (f"{column}_low", f"{column}_high")
        if not any(end in entry.numbers for end in ends) or entry.doubtful.intersection((column, *ends)):
            continue
        value = float(getattr(entry.row, column))
        low, high = (entry.numbers.get(end, value) for end in ends)
        given = column in entry.row.model_fields_set
        if low > high:
            findings.fault(
                entry.file,
                entry.number,
                ends[0],
                f"{low:g}",
                f"the low end lies above {'the high end' if ends[1] in entry.numbers else column}",
                allowed=f"{high:g} or less",
                mend="swap them, or correct one",
            )
        elif not low <= value <= high:
            findings.fault(
                entry.file,
                entry.number,
                column,
                f"{value:g}" if given else None,
                "does not lie between its low and high ends"
                if given
                else f"is not given, and its default of {value:g} does not lie between its low and high ends",
                allowed=f"{low:g} to {high:g}",
                mend=f"check {ends[0]} and {ends[1]}" if given else f"give {column}",
            )


def _shape(entry: Entry) -> BaseGeometry:
    if entry.geometry is None:
        raise ValueError(f"candidate '{entry.row.id}' has no geometry; entries with faults cannot be built")
    return entry.geometry


def _origins(entries: Sequence[Entry], column: str, otherwise: Origin | None = None) -> Codes:
    """Return where the numbers (n,) of a column come from; `otherwise` is that of cells that are empty."""
    if otherwise is None:
        info = CandidateRow.model_fields.get(column)
        assumed = info is not None and extra_of(info).get("why", "").startswith("assumed")
        otherwise = Origin.ASSUMED if assumed else Origin.DEFAULTED
    codes = []
    for entry in entries:
        given = column in entry.row.model_fields_set or column in entry.numbers
        codes.append(entry.origins.get(column, Origin.GIVEN if given else otherwise))
    return read_only(np.array(codes, dtype=np.uint8))


def centre(geometry: BaseGeometry) -> tuple[float, float]:
    """Return latitude and longitude of the middle of a geometry's vertices on the sphere."""
    if geometry.geom_type == "Point":
        return float(geometry.y), float(geometry.x)
    lonlat = np.radians(shapely.get_coordinates(geometry))
    lon, lat = lonlat[:, 0], lonlat[:, 1]
    x, y, z = (np.cos(lat) * np.cos(lon)).mean(), (np.cos(lat) * np.sin(lon)).mean(), np.sin(lat).mean()
    return float(np.degrees(np.arctan2(z, np.hypot(x, y)))), float(np.degrees(np.arctan2(y, x)))


def build(
    entries: Sequence[Entry],
    visits_default: float,
    *,
    tracers: Sequence[str] = (),
    visits_origin: Origin = Origin.ASSUMED,
) -> Candidates:
    """Return the frozen table; `entries` must be sorted by id.

    A candidate without `visits_per_year` has `visits_default` calls a year, which come from `visits_origin`;
    `tracers` are those whose sizes have an origin of their own beside that of the first one.
    """
    rows = [entry.row for entry in entries]
    shapes = [_shape(entry) for entry in entries]
    middles = [centre(shape) for shape in shapes]
    columns = [*CandidateRow.model_fields, *(tracer_column(SIZE, name) for name in tracers[1:])]
    origin = {column: _origins(entries, column) for column in columns if column not in ("id", "lat", "lon")}
    origin["visits_per_year"] = _origins(entries, "visits_per_year", visits_origin)

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
        geometry=tuple(shapes),
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
    entries: Sequence[Entry], tracers: Sequence[str], months: Months, derived: Months | None = None
) -> dict[str, Any]:
    """Return exposure, risk and size of the entries with their origins, and their open months.

    `months` maps (id, month 1-12) to the numbers of monthly.csv that replace the yearly ones, by the
    columns of that file; `derived` those of monthly.derived.csv, which count where neither monthly.csv nor
    the candidate's own row gives the number.
    """
    rows = [entry.row for entry in entries]
    exposure = np.repeat(np.array([row.baseline_exposure for row in rows], dtype=float)[:, None], 12, axis=1)
    exposure_origin = np.repeat(_origins(entries, "baseline_exposure")[:, None], 12, axis=1)
    risk = np.empty((len(tracers), len(rows), 12))
    risk[:] = np.array([row.contamination_risk for row in rows], dtype=float)[:, None]
    size = np.empty_like(risk)
    for t, tracer in enumerate(tracers):
        column = tracer_column(SIZE, tracer)
        sizes = [e.row.contamination_size if t == 0 else e.numbers.get(column, 0.0) for e in entries]
        size[t] = np.array(sizes, dtype=float)[:, None]
    risk_origin = np.repeat(_origins(entries, "contamination_risk")[:, None], 12, axis=1)
    columns = ["contamination_size" if t == 0 else tracer_column(SIZE, tracer) for t, tracer in enumerate(tracers)]
    size_origin = np.repeat(np.array([_origins(entries, column) for column in columns])[:, :, None], 12, axis=2)
    open_months = np.zeros((len(rows), 12), dtype=bool)
    for i, row in enumerate(rows):
        open_months[i, [month - 1 for month in row.open_months]] = True

    sizes_of = [(tracer_column("size", tracer), "size" if t == 0 else "") for t, tracer in enumerate(tracers)]
    place = {row.id: i for i, row in enumerate(rows)}
    for numbers_of, origin in ((derived or {}, Origin.DERIVED), (months, Origin.GIVEN)):
        for (candidate, month), numbers in numbers_of.items():
            i, m = place[candidate], month - 1
            kept = [origin == Origin.DERIVED and entries[i].gave(column) for column in (*SHARES, *columns)]
            if "exposure" in numbers and not kept[0]:
                exposure[i, m], exposure_origin[i, m] = numbers["exposure"], origin
            if "risk" in numbers and not kept[1]:
                risk[:, i, m], risk_origin[i, m] = numbers["risk"], origin
            for t, names in enumerate(sizes_of):
                named = [numbers[name] for name in names if name in numbers]
                if named and not kept[2 + t]:
                    size[t, i, m], size_origin[t, i, m] = named[0], origin
    accepted = np.array([row.accepted_hours for row in rows], dtype=float)
    exposure *= accepted[:, None]
    return {
        "exposure": read_only(exposure),
        "exposure_origin": read_only(exposure_origin),
        "accepted_hours": read_only(accepted),
        "risk": read_only(risk),
        "risk_origin": read_only(risk_origin),
        "size": read_only(size),
        "size_origin": read_only(size_origin),
        "open_months": read_only(open_months),
    }
