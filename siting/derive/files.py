"""Derive all candidates of a region in batches, reuse rows of unchanged inputs, and write both files whole."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from siting.derive.asked import Asked, asked_of
from siting.derive.attributes import Attributes, attributes
from siting.derive.earth import Earth, read_earth
from siting.derive.rows import Row, candidate_rows, month_rows
from siting.region.faults import Findings
from siting.region.folder import DERIVED_FILE, DERIVED_MONTHS_FILE
from siting.region.model import Region

BATCH = 25


@dataclass(frozen=True)
class Derived:
    """What a run derived: rows of both files, how many candidates were reused, and which columns it filled."""

    rows: tuple[Row, ...]
    months: tuple[Row, ...]
    reused: int
    filled: tuple[tuple[str, int], ...]


def derive_region(
    region: Region,
    old: tuple[Sequence[Row], Sequence[Row]] = ((), ()),
    progress: Callable[[int, int], None] | None = None,
    earth: Earth | None = None,
) -> Derived:
    """Derive what the geography tells of every candidate; `old` are rows of an earlier run, `progress(done, all)`."""
    asked = asked_of(region)
    ids = region.candidates.ids
    every = list(range(len(ids)))
    keys = dict(zip(ids, asked.keys(every), strict=True))
    months_of: dict[str, list[Row]] = {}
    for row in old[1]:
        months_of.setdefault(row.get("id", ""), []).append(row)
    kept = {
        row["id"]: row
        for row in old[0]
        if row.get("inputs")
        and keys.get(row.get("id", "")) == row["inputs"]
        and len(months_of.get(row["id"], [])) == 12
    }
    fresh = [i for i in every if ids[i] not in kept]
    made: dict[str, Row] = {}
    months: dict[str, list[Row]] = {}
    if fresh and earth is None:
        earth = read_earth()
    for begin in range(0, len(fresh), BATCH):
        part = fresh[begin : begin + BATCH]
        assert earth is not None
        found = attributes_of(asked, earth, part)
        made |= {row["id"]: row for row in candidate_rows(asked, earth, part, found)}
        for row in month_rows(asked, part, found):
            months.setdefault(row["id"], []).append(row)
        if progress is not None:
            progress(begin + len(part), len(fresh))
    rows = tuple(made.get(name) or kept[name] for name in ids)
    all_months = tuple(row for name in ids for row in (months.get(name) or months_of[name]))
    columns = [c for c in _heading(rows) if f"{c}_source" in _heading(rows)]
    filled = tuple((c, sum(1 for row in rows if row.get(c))) for c in columns)
    return Derived(rows, all_months, len(kept), filled)


def attributes_of(asked: Asked, earth: Earth, rows: Sequence[int]) -> Attributes:
    """Return what the geography tells of some candidates of a region."""
    return attributes(
        earth,
        asked.places(rows),
        asked.elevation_m[list(rows)],
        asked.rules,
        asked.tracers,
        asked.listed,
        asked.winds(rows),
    )


def old_rows(folder: Path) -> tuple[list[Row], list[Row]]:
    """Return the rows of both files of an earlier run, none where a file is missing or cannot be read."""
    out: list[list[Row]] = []
    for name in (DERIVED_FILE, DERIVED_MONTHS_FILE):
        try:
            with (folder / name).open(encoding="utf-8", newline="") as stream:
                out.append([{k: v for k, v in row.items() if k and v} for row in csv.DictReader(stream)])
        except (OSError, UnicodeError, csv.Error):
            out.append([])
    return out[0], out[1]


def write_derived(folder: Path, found: Derived) -> tuple[Path, Path]:
    """Write both files beside the region's own; each is whole or as it was.

    Raises `InputError` where the folder cannot be written.
    """
    paths = (folder / DERIVED_FILE, folder / DERIVED_MONTHS_FILE)
    beside = [path.with_name(path.name + ".new") for path in paths]
    try:
        for path, rows in zip(beside, (found.rows, found.months), strict=True):
            path.write_text(_csv(rows), encoding="utf-8", newline="")
        for path, new in zip(paths, beside, strict=True):
            os.replace(new, path)
    except OSError as error:
        findings = Findings()
        mend = "choose a folder that you may write to"
        findings.fault(str(folder), None, None, None, f"cannot be written ({error.strerror})", mend=mend)
        findings.raise_if_any()
    finally:
        for path in beside:
            path.unlink(missing_ok=True)
    return paths


def _heading(rows: Sequence[Row]) -> list[str]:
    """Return all columns in the order in which they first stand."""
    return list(dict.fromkeys(column for row in rows for column in row))


def _csv(rows: Sequence[Row]) -> str:
    heading = _heading(rows)
    # The hints stand last, whichever row comes first.
    heading.sort(key=lambda name: (name != "id", name in ("inputs",)))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, heading, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()
