"""A small valid region, invented, that a test writes to a folder after changing single cells or settings."""

import csv
import io
from pathlib import Path

TOML = """\
schema_version = 1
title = "Test region, invented"
currency = "crowns"
first_year = 2030
years = 4

[budget]
total = 100000.0
per_year = 40000.0

[stock]
analyzers = 2
spare_analyzers = 1

[[tracers]]
name = "CH4"
unit = "ppb"
scale = "invented scale"

[[tracers]]
name = "CO2"
unit = "ppm"
scale = "another invented scale"

[[methods]]
id = "glass"

[[plans]]
id = "weekly"
kind = "flask"
method = "glass"
samples_per_month = 4.35

[[plans]]
id = "line"
kind = "analyzer"

[[plans]]
id = "both"
kind = "both"
analyzer_plan = "line"
flask_plan = "weekly"

[[bands]]
id = "south"
south = -90.0
north = 0.0

[[bands]]
id = "north"
south = 0.0
north = 90.0

[[rules]]
kind = "at_most"
name = "few"
count = 3
group = "isles"

[[rules]]
kind = "band_at_least"
band = "each"
count = 1

[[targets]]
id = "growth"
kind = "realised_growth"
goal = 0.5
"""
CANDIDATES = (
    {"id": "alba", "name": "Alba Head", "lat": "51.5", "lon": "-12.25", "elevation_m": "40", "status": "open",
     "running_since": "", "baseline_exposure": "0.7", "contamination_risk": "0.05", "contamination_size": "3",
     "contamination_size.co2": "0.5", "open_months": "", "lead_months": "3", "group": "isles",
     "setup_cost": "5000", "annual_cost": "1000"},
    {"id": "brisa", "name": "Brisa Key", "lat": "14", "lon": "170.5", "elevation_m": "", "status": "required",
     "running_since": "", "baseline_exposure": "", "contamination_risk": "0.1", "contamination_size": "",
     "contamination_size.co2": "", "open_months": "Nov-Feb", "lead_months": "", "group": "isles reef",
     "setup_cost": "7000", "annual_cost": "1500"},
    {"id": "corvo", "name": "Corvo Rock", "lat": "-33.25", "lon": "18", "elevation_m": "200", "status": "running",
     "running_since": "2019.5", "baseline_exposure": "0.8", "contamination_risk": "0.02", "contamination_size": "1",
     "contamination_size.co2": "0.1", "open_months": "", "lead_months": "", "group": "",
     "setup_cost": "", "annual_cost": ""},
    {"id": "dusk", "name": "Dusk Field", "lat": "-75", "lon": "123", "elevation_m": "3200", "status": "excluded",
     "running_since": "", "baseline_exposure": "0.9", "contamination_risk": "0.01", "contamination_size": "0",
     "contamination_size.co2": "0", "open_months": "11-2", "lead_months": "12", "group": "",
     "setup_cost": "90000", "annual_cost": "40000"},
)  # fmt: skip


class RegionMaker:
    """Changes a small valid region and writes it; every change returns the maker, so that changes chain.

    Candidates `alba` (open), `brisa` (required), `corvo` (running), `dusk` (excluded) stand in rows 2 to
    5 of candidates.csv; plans `weekly` (flask), `line` (analyzer), `both`; tracers CH4 and CO2; bands
    `south` and `north`; group `isles`.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.toml = TOML
        self.rows = [dict(row) for row in CANDIDATES]
        self.columns = list(CANDIDATES[0])
        self.files: dict[str, bytes] = {}
        self.without: set[str] = set()

    def cell(self, candidate: str, column: str, text: str) -> "RegionMaker":
        """Set one cell of candidates.csv; a new column is added at the right."""
        if column not in self.columns:
            self.columns.append(column)
        next(row for row in self.rows if row["id"] == candidate)[column] = text
        return self

    def candidate(self, candidate: str, **cells: str) -> "RegionMaker":
        """Add a candidate as a last row of candidates.csv."""
        self.rows.append({"id": candidate, **cells})
        return self

    def setting(self, old: str, new: str) -> "RegionMaker":
        """Replace a piece of region.toml that stands there once."""
        assert self.toml.count(old) == 1, f"{old!r} stands {self.toml.count(old)} times in region.toml"
        self.toml = self.toml.replace(old, new)
        return self

    def append(self, toml: str) -> "RegionMaker":
        """Add lines to the end of region.toml."""
        self.toml += "\n" + toml.strip() + "\n"
        return self

    def file(self, name: str, content: str | bytes) -> "RegionMaker":
        """Add a file, or give the whole content of one."""
        self.files[name] = content.encode() if isinstance(content, str) else content
        return self

    def remove(self, name: str) -> "RegionMaker":
        """Leave a file out."""
        self.without.add(name)
        return self

    def line_of(self, piece: str) -> int:
        """Return the line of region.toml, from 1, in which a piece of text stands first."""
        return self.toml[: self.toml.index(piece)].count("\n") + 1

    def csv(self, separator: str = ",", line_end: str = "\n") -> str:
        """Return candidates.csv as text."""
        out = io.StringIO()
        writer = csv.DictWriter(out, self.columns, restval="", delimiter=separator, lineterminator=line_end)
        writer.writeheader()
        writer.writerows(self.rows)
        return out.getvalue()

    def write(self) -> Path:
        """Write the folder and return its path."""
        files = {"region.toml": self.toml.encode(), "candidates.csv": self.csv().encode(), **self.files}
        for name, content in files.items():
            if name not in self.without:
                path = self.folder / name
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(content)
        return self.folder

    def read(self):
        """Write the folder and read it as a Region."""
        from siting.region import read_region

        return read_region(self.write())

    def faults(self):
        """Write the folder and return the faults that reading it finds, none if it is sound."""
        from siting.region import InputError, read_region

        try:
            read_region(self.write())
        except InputError as error:
            return list(error.faults)
        return []

    def sentences(self) -> list[str]:
        """Write the folder and return the faults that reading it finds, as sentences."""
        return [fault.sentence() for fault in self.faults()]
