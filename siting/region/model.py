"""A region as the rest of the program sees it: frozen, sorted by id, every cell with its origin."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely.geometry.base import BaseGeometry

from siting.arrays import Bools, Codes, Floats, Ints, read_only
from siting.region.faults import Fault
from siting.region.schema.settings import Settings
from siting.region.schema.tables import HubRow, LayoutRow, LegRow, RecordRow, SourceRow, WindRow

if TYPE_CHECKING:
    import geopandas as gpd

# Rows of `Region.working`.
INSTRUMENT_ROWS = ("analyzer", "flask")


class Origin(IntEnum):
    """Where a number comes from; pages print the name in lower case."""

    GIVEN = 0
    DERIVED = 1
    ASSUMED = 2
    DEFAULTED = 3


class _Pickled:
    """Lets a frozen dataclass go to other processes: views of dictionaries travel as dictionaries and are made again.

    Arrays arrive read-only, as they were sent; a plain pickle would forget that.
    """

    def __getstate__(self) -> dict[str, Any]:
        return {name: dict(one) if isinstance(one, MappingProxyType) else one for name, one in vars(self).items()}

    def __setstate__(self, state: dict[str, Any]) -> None:
        for name, one in state.items():
            object.__setattr__(self, name, _frozen(one))


def bearing(inputs: Mapping[str, str]) -> dict[str, str]:
    """Return the hashes of inputs by file without the layouts to judge: those change no answer but their own."""
    return {name: digest for name, digest in inputs.items() if not name.startswith("layouts/")}


@dataclass(frozen=True, eq=False)
class Candidates(_Pickled):
    """The places of a region in the order of their ids; every array has one entry a candidate.

    Texts are tuples, numbers read-only arrays; units are those of the column's name in the page of
    fields. `origin` maps a column to the `Origin` codes of its cells, `low` and `high` hold the
    spread of the columns that have one (equal to the nominal value where none was given), `extra`
    the user's own columns as text.
    """

    ids: tuple[str, ...]
    names: tuple[str, ...]
    geometry: tuple[BaseGeometry, ...]
    lat: Floats
    lon: Floats
    elevation_m: Floats
    intake_m: Floats
    platform: tuple[str, ...]
    status: tuple[str, ...]
    running_since: tuple[float | None, ...]
    running_plan: tuple[str | None, ...]
    operator: tuple[str, ...]
    access: tuple[str, ...]
    method: tuple[str | None, ...]
    plans: tuple[tuple[str, ...], ...]
    data_return: Floats
    duty_cycle: Floats
    sailings_per_year: tuple[float | None, ...]
    visits_per_year: Floats
    lead_months: Ints
    permit_months: Ints
    power: tuple[str, ...]
    staffed: Bools
    host: tuple[str, ...]
    host_strength: Floats
    group: tuple[tuple[str, ...], ...]
    setup_cost: Floats
    annual_cost: Floats
    hub: tuple[str, ...]
    origin: Mapping[str, Codes]
    low: Mapping[str, Floats]
    high: Mapping[str, Floats]
    extra: Mapping[str, tuple[str, ...]]
    where: tuple[tuple[str, int], ...]

    def __len__(self) -> int:
        return len(self.ids)

    def index(self, candidate_id: str) -> int:
        """Return the position of an id; raises KeyError if the region has no such candidate."""
        position = bisect_left(self.ids, candidate_id)
        if position >= len(self.ids) or self.ids[position] != candidate_id:
            raise KeyError(candidate_id)
        return position

    def running(self) -> Bools:
        """Return a mask (n,) of the stations that already run, own and partners'."""
        return np.array([status == "running" for status in self.status], dtype=bool)


@dataclass(frozen=True, eq=False)
class Region(_Pickled):
    """A region folder that was read and found free of faults.

    `exposure` (n, 12) is the share of a month's hours with background air, with `accepted_hours`
    already in it; `risk` and `size` are (tracers, n, 12). `exposure_origin`, `risk_origin` (n, 12) and
    `size_origin` (tracers, n, 12) tell where each comes from, exposure before `accepted_hours` (n,);
    `open_months` (n, 12) says when the place can be worked. Months run from January. `source_strength`
    (tracers, sources) is in kg/s, 0 where none is given; `record_values` (tracers, rows), in the unit of each
    tracer, is NaN where a row has none. Winds, sources, hubs, legs and records stand in the order of their site, id,
    id, ends and time. `inputs` names each file with the SHA-256 of its parsed content, `warnings` what the reader
    noticed. `distances_km` (n, 2) are those to the nearest airport and supply port, NaN where `siting derive` has not
    told them. `what_ifs` are the changes made since, as they are typed ("--budget 600000"); the region
    of a folder has none.

    `working` (2, n, months of the window) is one course that the window may take: the share (0 to 1) of each single
    month in which the analyzer (row 0) and the flasks (row 1) at a candidate work and what they sample comes home.
    An analyzer with 0.25 stands still for three weeks of that month, flasks with 0.25 lose three samples in four.
    It comes on top of `exposure`, `data_return` and `open_months`, which hold for every year, and touches neither
    older years of running records nor any cost. Without months, (2, 0, 0), all works; a folder's region has none.
    Raises ValueError where it has another shape, a NaN or a share outside 0 to 1.
    """

    name: str
    settings: Settings
    candidates: Candidates
    exposure: Floats
    exposure_origin: Codes
    accepted_hours: Floats
    risk: Floats
    risk_origin: Codes
    size: Floats
    size_origin: Codes
    open_months: Bools
    winds: tuple[WindRow, ...]
    sources: tuple[SourceRow, ...]
    legs: tuple[LegRow, ...]
    layouts: Mapping[str, tuple[LayoutRow, ...]]
    records: Mapping[str, tuple[RecordRow, ...]]
    inputs: tuple[tuple[str, str], ...]
    rows_read: int
    warnings: tuple[Fault, ...]
    source_strength: Floats = field(default_factory=lambda: read_only(np.zeros((1, 0))))
    record_values: Mapping[str, Floats] = field(default_factory=lambda: frozen_mapping({}))
    what_ifs: tuple[str, ...] = ()
    hubs: tuple[HubRow, ...] = ()
    distances_km: Floats = field(default_factory=lambda: read_only(np.zeros((0, 2))))
    working: Floats = field(default_factory=lambda: read_only(np.zeros((2, 0, 0))))

    def __post_init__(self) -> None:
        """Refuse shares of working months that do not fit the region."""
        if self.working.shape == (2, 0, 0):
            return
        wanted = (len(INSTRUMENT_ROWS), len(self.candidates), 12 * self.settings.years)
        if self.working.shape != wanted:
            raise ValueError(f"working must have the shape {wanted}, not {self.working.shape}")
        if not np.all((self.working >= 0.0) & (self.working <= 1.0)):
            raise ValueError("every share of working months must lie between 0 and 1")

    def work(self, instrument: str) -> Floats | None:
        """Return the share (n, months of the window) that an "analyzer" or "flask" works, None where all works.

        Raises ValueError for another word.
        """
        if instrument not in INSTRUMENT_ROWS:
            raise ValueError(f"an instrument is one of {', '.join(INSTRUMENT_ROWS)}, not {instrument}")
        row = INSTRUMENT_ROWS.index(instrument)
        return None if self.working.shape == (2, 0, 0) else np.asarray(self.working[row], dtype=float)

    @property
    def tracers(self) -> tuple[str, ...]:
        """Names of the tracers, the leading one first."""
        return tuple(tracer.name for tracer in self.settings.tracers)

    @property
    def band_edges(self) -> tuple[Floats, Floats]:
        """Southern and northern edges (bands,) of the region's bands, degrees north."""
        bands = self.settings.bands
        return np.array([band.south for band in bands]), np.array([band.north for band in bands])

    def mean_exposure(self) -> Floats:
        """Mean exposure (n,) over the months in which a place is open, 0 where none is."""
        return open_mean(self.exposure, self.open_months)

    def to_frame(self) -> gpd.GeoDataFrame:
        """Return the candidates as a GeoDataFrame in WGS 84, index `id`, one column an attribute.

        A column of the user's own that has the name of one of ours is called `<name> (own column)`.
        """
        import geopandas as gpd
        import pandas as pd

        c = self.candidates
        table: dict[str, Any] = {"name": c.names}
        table.update({column: getattr(c, column) for column in _FRAME_COLUMNS})
        table["plans"] = [" ".join(plans) for plans in c.plans]
        table["group"] = [" ".join(groups) for groups in c.group]
        table["mean_exposure"] = self.mean_exposure()
        table["mean_risk"] = open_mean(self.risk[0], self.open_months)
        table["months_open"] = self.open_months.sum(axis=1)
        for column, texts in c.extra.items():
            table[column if column not in table and column != "geometry" else f"{column} (own column)"] = texts
        index = pd.Index(c.ids, name="id", dtype=object)
        return gpd.GeoDataFrame(table, index=index, geometry=list(c.geometry), crs="EPSG:4326")


_FRAME_COLUMNS = (
    "lat",
    "lon",
    "elevation_m",
    "intake_m",
    "platform",
    "status",
    "running_since",
    "running_plan",
    "operator",
    "access",
    "method",
    "data_return",
    "duty_cycle",
    "sailings_per_year",
    "visits_per_year",
    "lead_months",
    "permit_months",
    "power",
    "staffed",
    "host",
    "host_strength",
    "setup_cost",
    "annual_cost",
    "hub",
)


def open_mean(monthly: Floats, open_months: Bools) -> Floats:
    """Mean (n,) of monthly numbers (n, 12) over the months that are open, 0 where none is."""
    months = open_months.sum(axis=1)
    mean = (monthly * open_months).sum(axis=1) / np.maximum(months, 1)
    # Twelve times 0.3, divided by twelve, must not fall below a threshold of 0.3.
    return np.asarray(np.round(mean, 12), dtype=float)


def frozen_mapping(items: dict[str, Any]) -> Mapping[str, Any]:
    """Return a read-only view of a dictionary with its keys sorted."""
    return MappingProxyType({key: items[key] for key in sorted(items)})


def _frozen(one: Any) -> Any:
    """Return a dictionary as a read-only view, an array read-only, anything else as it is."""
    if isinstance(one, dict):
        return frozen_mapping({key: _frozen(value) for key, value in one.items()})
    return read_only(one) if isinstance(one, np.ndarray) else one
