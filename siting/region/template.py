"""Make a new region folder: a template from the vocabulary, a copy of an example, or one from a list of places."""

from __future__ import annotations

import csv
import importlib.resources
import io
import itertools
import os
import shutil
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

import siting
from siting.region.candidates import check_entries, read_entries
from siting.region.faults import Fault, Findings, InputError
from siting.region.plain import listed, nearest
from siting.region.schema.lookups import column_names
from siting.region.schema.page import page
from siting.region.schema.tables import TRACER_COLUMNS, CandidateRow
from siting.region.tables import RawTable, column_name, read_table
from siting.region.template_sample import CANDIDATES, readme
from siting.region.template_text import region_text
from siting.region.text import trimmed

_BYTE_MARK = b"\xef\xbb\xbf"


def new_region(target: Path, *, demo: str | None = None, sites: Path | None = None) -> tuple[str, ...]:
    """Make a region folder and return the names of its files, sorted.

    Without options it is a template with invented samples; `demo` names a shipped example to copy;
    `sites` is a table with at least id, lat and lon whose rows become the candidates. The folder is
    written whole or not at all, missing folders above it are made. Raises `InputError`, with nothing
    written, if the target holds something, cannot be written, or if an option is wrong.
    """
    findings = Findings()
    if demo is not None and sites is not None:
        findings.fault(
            "siting new",
            None,
            None,
            None,
            "an example and a list of places were both asked for",
            allowed="one of --from and --sites",
            mend="leave one of them out",
        )
    _check_target(target, findings)
    if demo is not None:
        files = _example(demo, findings)
    if sites is not None:
        files = _from_sites(sites, findings)
    if demo is None and sites is None:
        files = _template()
    findings.raise_if_any()
    _write(target, files)
    return tuple(sorted(files))


def examples() -> dict[str, Path]:
    """Return the folders of the shipped examples by name."""
    installed = Path(str(importlib.resources.files(siting))) / "examples"
    beside = Path(siting.__file__).resolve().parent.parent / "regions"
    place = installed if installed.is_dir() else beside
    found = sorted(place.iterdir()) if place.is_dir() else []
    return {folder.name: folder for folder in found if (folder / "region.toml").is_file()}


def _example(name: str, findings: Findings) -> dict[str, bytes]:
    known = examples()
    if name not in known:
        near = nearest(name, known)
        findings.fault(
            "siting new",
            None,
            "--from",
            name,
            "no example of this name",
            allowed=listed(sorted(known)) or "none is installed",
            mend=f"write '{near}'" if near else "name one of these",
        )
        return {}
    folder = known[name]
    try:
        return {
            file.relative_to(folder).as_posix(): file.read_bytes()
            for file in sorted(folder.rglob("*"))
            if file.is_file() and not any(part.startswith((".", "__")) for part in file.relative_to(folder).parts)
        }
    except OSError as error:
        findings.fault(
            str(folder), None, None, None, f"cannot be read ({_reason(error)})", mend="install siting once more"
        )
        return {}


def _template() -> dict[str, bytes]:
    columns = list(column_names(CandidateRow))
    rows = [[place.get(column, "") for column in columns] for place in CANDIDATES]
    return _files(columns, rows, first=CANDIDATES[0]["id"], second=CANDIDATES[1]["id"], sites=None)


def _files(
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    first: str,
    second: str,
    sites: int | None,
    separator: str = ",",
    byte_mark: bool = False,
) -> dict[str, bytes]:
    table = _table_text(columns, rows, separator).encode()
    return {
        "FIELDS.md": page().encode(),
        "README.md": readme(sites).encode(),
        "candidates.csv": _BYTE_MARK * byte_mark + table,
        "region.toml": region_text(first, second).encode(),
    }


def _table_text(columns: Sequence[str], rows: Sequence[Sequence[str]], separator: str) -> str:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue()


def _from_sites(path: Path, findings: Findings) -> dict[str, bytes]:
    """Check a user's list of places with the readers of a region and return the files of its region."""
    name = str(path)
    known = len(findings.faults)
    raw = read_table(path, name, findings)
    if raw is None:
        return {}
    entries = read_entries([raw], _tracers(raw), findings)
    check_entries(entries, findings)
    if len(findings.faults) > known:
        return {}
    columns = list(column_names(CandidateRow))
    columns += [column for column in raw.columns if column not in columns]
    places = {column: i for i, column in enumerate(raw.columns)}
    rows = [[row[places[column]] if column in places else "" for column in columns] for row in raw.rows]
    ids = [entry.row.id for entry in entries]
    try:
        content = path.read_bytes()
    except OSError as error:
        findings.fault(name, None, None, None, f"cannot be read ({_reason(error)})", mend="check its permissions")
        return {}
    return _files(
        columns,
        rows,
        first=ids[0],
        second=ids[1] if len(ids) > 1 else "second-site",
        sites=len(ids),
        separator=_separator(content, raw),
        byte_mark=content.startswith(_BYTE_MARK),
    )


def _tracers(raw: RawTable) -> list[str]:
    """Return the tracer of the template, then those that further columns of the user's file are for."""
    names = [str(tracer["name"]) for tracer in tomllib.loads(region_text("a", "b"))["tracers"]]
    base = f"{TRACER_COLUMNS['candidates']}."
    known = [name.lower() for name in names]
    named = [column.removeprefix(base) for column in raw.columns if column.startswith(base)]
    return [*names, *(name for name in named if name not in known)]


def _separator(content: bytes, raw: RawTable) -> str:
    """Return the separator that the user's file has, so that the new table opens in the same program."""
    for line in content.removeprefix(_BYTE_MARK).decode("utf-8", "replace").splitlines():
        cells = next(csv.reader([line], delimiter=";"), [])
        if tuple(column_name(cell) for cell in cells if trimmed(cell)) == raw.columns:
            return ";"
    return ","


def _check_target(target: Path, findings: Findings) -> None:
    try:
        if not os.path.lexists(target):
            return
        if not target.is_dir():
            problem = "is there already and is not a folder"
        elif next(target.iterdir(), None) is not None:
            problem = "is there already and holds something"
        else:
            return
    except (OSError, ValueError) as error:
        _unwritable(target, error, findings)
        return
    findings.fault(str(target), None, None, None, problem, mend="name a new or an empty folder")


def _write(target: Path, files: Mapping[str, bytes]) -> None:
    """Write the files as the content of a new or empty folder, whole or not at all."""
    made: list[Path] = []
    fresh: Path | None = None
    try:
        place = Path(os.path.realpath(target))
        filled = place.is_dir()
        made = _make_parents(place.parent)
        # inside a folder that is there: it may be a mount point or the working folder, which cannot be swapped
        fresh = _fresh_folder(place if filled else place.parent)
        for name, content in files.items():
            path = fresh / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        if filled:
            _fill(place, fresh)
        else:
            # never onto a file or a full folder that came meanwhile: rename refuses both
            os.rename(fresh, place)
    except BaseException as error:
        if fresh is not None:
            shutil.rmtree(fresh, ignore_errors=True)
        for folder in reversed(made):
            _remove_empty(folder)
        if not isinstance(error, OSError | ValueError):
            raise
        findings = Findings()
        _unwritable(target, error, findings)
        raise InputError(findings.faults) from error


def _make_parents(folder: Path) -> list[Path]:
    """Make the missing folders and return them, the outermost first."""
    missing = list(itertools.takewhile(lambda path: not path.exists(), (folder, *folder.parents)))
    made: list[Path] = []
    try:
        for path in reversed(missing):
            path.mkdir()
            made.append(path)
    except OSError:
        for path in reversed(made):
            _remove_empty(path)
        raise
    return made


def _fresh_folder(place: Path) -> Path:
    for number in itertools.count():
        folder = place / f".new-{os.getpid()}-{number}"
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise AssertionError("numbers never end")


def _fill(place: Path, fresh: Path) -> None:
    """Move the content of `fresh` into the empty folder around it; region.toml comes last and makes it a region."""
    moved: list[Path] = []
    try:
        for item in sorted(fresh.iterdir(), key=lambda path: (path.name == "region.toml", path.name)):
            moved.append(place / item.name)
            os.rename(item, place / item.name)
        fresh.rmdir()
    except BaseException:
        for path in moved:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
        raise


def _remove_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError:
        # somebody else put something there meanwhile
        return


def _unwritable(target: Path, error: Exception, findings: Findings) -> None:
    findings.faults.append(
        Fault(
            str(target),
            None,
            None,
            None,
            f"cannot be written ({_reason(error)})",
            mend="name another place, or check permissions, free space and the length of the name",
        )
    )


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error).lower()
