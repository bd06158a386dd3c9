"""What lies in a region folder: its files by name, those of candidates read, strange ones named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from siting.region.faults import Fault, Findings
from siting.region.features import read_features
from siting.region.plain import nearest
from siting.region.rows import Raw
from siting.region.settings_file import TOML
from siting.region.tables import RawTable, read_table

CANDIDATE_FILES = ("candidates.csv", "candidates.geojson", "candidates.gpkg")
DERIVED_FILE = "candidates.derived.csv"
DERIVED_MONTHS_FILE = "monthly.derived.csv"
TABLE_FILES = ("monthly.csv", "winds.csv", "sources.csv", "legs.csv", "hubs.csv")
FOLDERS = ("layouts", "records")
# Files of other kinds may lie in the folder as notes; these look as if they should be read.
_DATA = (".csv", ".geojson", ".json", ".gpkg", ".toml", ".txt", ".tsv", ".xls", ".xlsx", ".ods", ".shp")


def open_folder(folder: str | Path, findings: Findings) -> Path:
    """Return the folder's path; raises `InputError` if it is no folder that can be read."""
    path = Path(folder)
    problem = "no such folder"
    try:
        if path.is_dir():
            next(path.iterdir(), None)
            return path
        if path.exists():
            problem = "is a file, not a region folder"
    except OSError as error:
        problem = f"cannot be opened ({(error.strerror or type(error).__name__).lower()})"
    findings.fault(
        str(folder),
        None,
        None,
        None,
        problem,
        allowed="a folder that holds region.toml",
        mend="name such a folder; `siting new NAME` makes one",
    )
    findings.raise_if_any()
    return path


def read_candidate_files(path: Path, findings: Findings) -> tuple[list[Raw], str | None]:
    """Return the candidate files as cells, and the text of those whose rows could not all be told.

    The text is empty if every row was told, None if there is no candidate file at all, or one of which
    nothing could be read: then nobody knows which ids there are, and its fault says so.
    """
    names = [name for name in CANDIDATE_FILES if (path / name).exists()]
    if not names:
        present = [file.name for file in path.iterdir()]
        near = nearest("candidates.csv", [name for name in present if name != DERIVED_FILE])
        findings.fault(
            "candidates.csv",
            None,
            None,
            None,
            "no file of candidates in the folder",
            allowed=", ".join(CANDIDATE_FILES),
            mend=f"if '{near}' is meant, save it under one of these names"
            if near
            else "add one; `siting new NAME` shows its columns",
        )
        return [], None
    raws: list[Raw] = []
    lost: list[str] = []
    unread = False
    for name in names:
        before = len(findings.faults)
        raw: Raw | None = (
            read_table(path / name, name, findings)
            if name.endswith(".csv")
            else read_features(path / name, name, findings)
        )
        if raw is not None:
            raws.append(raw)
        if raw is None or "id" not in raw.columns:
            if not unread and len(findings.faults) > before:
                findings.faults[before] = _ids_unknown(findings.faults[before])
            unread = True
        elif len(findings.faults) > before:
            lost.append(_text(path / name))
    return raws, None if unread else "\n".join(lost)


def _ids_unknown(fault: Fault) -> Fault:
    """Return the fault of a file that could not be read, with what could not be checked for it."""
    mend = f"{fault.mend}; " if fault.mend else ""
    return replace(fault, mend=f"{mend}ids of candidates in the other files are not checked before that")


def _text(file: Path) -> str:
    """Return what can be read of a file that is faulty, to look for words in it."""
    try:
        return file.read_bytes().decode("utf-8", errors="replace") or " "
    except OSError:
        return " "


def read_optional(path: Path, name: str, findings: Findings) -> RawTable | None:
    """Return the cells of a table that need not be there; None if it is not, or cannot be read."""
    return read_table(path / name, name, findings) if (path / name).exists() else None


def tables_in(path: Path, folder: str, findings: Findings) -> Sequence[tuple[str, RawTable]]:
    """Return the tables of a folder inside the region folder, with the names that they give to their content."""
    found: list[tuple[str, RawTable]] = []
    try:
        files = sorted((path / folder).iterdir()) if (path / folder).is_dir() else []
    except OSError as error:
        problem = f"cannot be opened ({(error.strerror or type(error).__name__).lower()})"
        findings.fault(folder, None, None, None, problem, allowed="a folder of CSV files", mend="check its permissions")
        files = []
    for file in files:
        name = f"{folder}/{file.name}"
        if file.suffix.lower() == ".csv" and not file.name.startswith((".", "~")):
            raw = read_table(file, name, findings)
            if raw is not None:
                found.append((file.stem, raw))
        elif file.suffix.lower() in _DATA:
            findings.warn(name, None, None, None, "not read: only .csv files belong here", mend="save it as a CSV file")
    return found


def name_strange_files(path: Path, findings: Findings) -> None:
    """Warn of files that look like inputs but are not read, with the name that may have been meant."""
    known = [TOML, *CANDIDATE_FILES, DERIVED_FILE, *TABLE_FILES, DERIVED_MONTHS_FILE]
    for file in sorted(path.iterdir()):
        name = file.name
        if name in known or name.startswith((".", "~")) or (name in FOLDERS and file.is_dir()):
            continue
        names = FOLDERS if file.is_dir() else known
        near = nearest(name, names)
        if file.suffix.lower() in _DATA or (file.is_dir() and near) or name in FOLDERS:
            kind = "folder" if file.is_dir() else "file"
            mend = "make it a folder" if name in FOLDERS else f"if you meant '{near}', rename it" if near else None
            findings.warn(name, None, None, None, f"not read: no {kind} of this name belongs to a region", mend=mend)
