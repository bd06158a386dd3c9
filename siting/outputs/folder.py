"""Write a result folder whole or not at all.

Everything goes to a folder beside; the old result is moved aside, the new one renamed into its place,
then the old one deleted. A killed run leaves the old result whole; the next run heals a half-made swap.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from siting.region.faults import Fault, InputError

MARKS = ("layout.json", "comparison.json", "frontier.json", "order.json", "alternatives.json", "stress.json")
"""Files of which any one makes a folder a result of ours."""

RESULT_NAMES = frozenset(
    {
        *MARKS,
        "alternatives.txt",
        "bands.geojson",
        "comparison.csv",
        "comparison.geojson",
        "comparison.txt",
        "assumptions.csv",
        "candidates.geojson",
        "contrasts.csv",
        "cuts.csv",
        "detection.csv",
        "cautions.txt",
        "costs.csv",
        "coverage.csv",
        "figures",
        "frontier.csv",
        "frontier.txt",
        "futures.csv",
        "gaps.csv",
        "layout.csv",
        "layouts.csv",
        "losses.csv",
        "map.svg",
        "margins.csv",
        "near_ties.csv",
        "network.geojson",
        "order.csv",
        "order.txt",
        "plan_choice.csv",
        "prior.csv",
        "profiles.csv",
        "proof.json",
        "report.html",
        "run.log",
        "schedule.csv",
        "sheets",
        "shown.txt",
        "signals.csv",
        "sites.csv",
        "stations.csv",
        "stress.txt",
        "supply.csv",
        "supply.geojson",
        "swaps.csv",
        "tables",
        "targets.csv",
        "why_in.csv",
        "why_not.csv",
        "why.csv",
    }
)
"""What a result folder may hold; anything else belongs to somebody and is never deleted."""

_NESTED = re.compile(
    r"figures/(?:captions\.txt|(?:map|ladder|targets|money|frontier|stress|signals(?:-\d+)?)\.(?:svg|png))"
    r"|tables/(?:sites|bands|targets|money|why|supply|assumptions|stages|differences)\.(?:md|tex)"
    r"|sheets/host-[a-z0-9._-]+\.html"
)
"""What the folders in a result may hold."""
_FOLDERS = ("figures", "tables", "sheets")

_ALLOWED = "a new or empty folder, or one that holds an earlier result and nothing else"
_DROPPINGS = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})


class FolderError(InputError):
    """The result folder cannot be written; its one fault says why and what to do."""

    def __init__(self, problem: str, mend: str, allowed: str = _ALLOWED) -> None:
        super().__init__([Fault("--out", None, None, None, problem, allowed, mend)])


def write_folder(target: Path, files: Mapping[str, str | bytes]) -> tuple[Path, ...]:
    """Write files (relative names with `/`) as the whole content of `target`; return their paths in order.

    A link to a folder is followed. Raises `FolderError` if the folder cannot be written, holds something
    that is not a result of ours, or is the current folder or one above it; then what was there stays.
    """
    made: list[Path] = []
    try:
        target = Path(os.path.realpath(target))
        _check_place(target)
        with alone(target):
            heal(target, files)
            _check_target(target, files)
            made = _make_parents(target.parent)
            _swap(target, files)
    except OSError as error:
        _drop_parents(made)
        raise _unwritable(target, str(error.strerror or error)) from error
    except BaseException:
        _drop_parents(made)
        raise
    return tuple(target / name for name in sorted(files))


def check_target(target: Path, layout: Path | None = None) -> None:
    """Raise `FolderError` if a result could not be written to `target`, as far as a look shows; nothing is changed.

    `layout` is a file that was read and must stay: the target may neither be it nor hold it.
    """
    try:
        target = Path(os.path.realpath(target))
        _check_place(target)
        if layout is not None and target in (read := Path(os.path.realpath(layout)), *read.parents):
            raise FolderError(
                f"{target} holds the layout that was just read, which would be lost", "name another folder with --out"
            )
        _check_beside(target, {})
        _check_target(target, {})
        above = next(path for path in target.parents if os.path.lexists(path))
        if not above.is_dir():
            raise _unwritable(target, f"{above} is a file")
        if not os.access(above, os.W_OK | os.X_OK):
            raise _unwritable(target, f"{above} may not be written to")
    except OSError as error:
        raise _unwritable(target, str(error.strerror or error)) from error


def heal(target: Path, files: Mapping[str, str | bytes] | None = None) -> None:
    """Finish or undo a swap that a killed run left half-made.

    `files` names what the new result holds beside the usual names. Raises `FolderError` where a
    folder with one of our names for passing use holds something else.
    """
    _check_beside(target, files or {})
    fresh, old = beside(target)
    if old.exists():
        if target.exists():
            shutil.rmtree(old)
        else:
            os.replace(old, target)
    if fresh.exists():
        shutil.rmtree(fresh)


@contextmanager
def alone(target: Path) -> Iterator[None]:
    """Keep other runs on this machine from a result while it is read and replaced; a killed run holds nothing.

    May be nested in one thread. Raises `FolderError` where another run does not leave it for a minute.
    """
    import filelock

    # In the folder for passing files, so that nothing stays beside the results.
    name = hashlib.sha256(os.path.realpath(target).encode("utf-8", "surrogateescape")).hexdigest()[:24]
    owner = os.getuid() if hasattr(os, "getuid") else 0
    held = Path(tempfile.gettempdir()) / f"siting-{owner}"
    held.mkdir(mode=0o700, exist_ok=True)
    path = held / f"{name}.lock"
    lock = filelock.FileLock(path, timeout=MOST_WAIT, is_singleton=True)
    try:
        with lock:
            yield
    except filelock.Timeout as error:
        raise FolderError(
            f"{target} is being written by another run", "wait until it has ended, or name another folder with --out"
        ) from error


MOST_WAIT = 60.0
"""Seconds that a run waits for another one to leave a folder."""


def beside(target: Path) -> tuple[Path, Path]:
    """Return the two folders beside a result that exist while it is written: the new one and the old one."""
    return target.with_name(f".{target.name}.siting-new"), target.with_name(f".{target.name}.siting-old")


def _swap(target: Path, files: Mapping[str, str | bytes]) -> None:
    """Write the new folder and put it in place of the old one; on any fault undo both."""
    fresh, old = beside(target)
    try:
        fresh.mkdir()
        for name in sorted(files):
            path = fresh / name
            if "/" in name:
                path.parent.mkdir(exist_ok=True)
            content = files[name]
            path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        if target.exists():
            os.replace(target, old)
        os.replace(fresh, target)
    except BaseException:
        if old.exists() and not target.exists():
            os.replace(old, target)
        shutil.rmtree(fresh, ignore_errors=True)
        raise
    # The new result is in place; an old one that some program holds open is left to the next run.
    shutil.rmtree(old, ignore_errors=True)


def _unwritable(target: Path, why: str) -> FolderError:
    return FolderError(
        f"{target} cannot be written: {why}",
        "close programs that use it, check the permissions and the space, or name another folder with --out",
        "a folder that can be written",
    )


def _check_beside(target: Path, files: Mapping[str, str | bytes]) -> None:
    """Refuse folders with our names for passing use that hold something else."""
    for folder in beside(target):
        strange = _foreign(folder, files)
        if strange:
            raise FolderError(
                f"{folder} is used while a result is written and holds {strange}",
                "move that elsewhere, or name another folder with --out",
            )


def _check_place(target: Path) -> None:
    """Refuse the current folder and those above it, which would vanish under the user's feet."""
    here = Path.cwd().resolve()
    if target == here or target in here.parents:
        raise FolderError(f"{target} is the folder you work in, or above it", "name a folder inside it with --out")


def _check_target(target: Path, files: Mapping[str, str | bytes]) -> None:
    if target.exists() and not target.is_dir():
        raise FolderError(f"{target} is a file", "name a folder with --out")
    if not target.is_dir():
        return
    strange = _foreign(target, files)
    if not strange and any(target.iterdir()) and not any((target / mark).is_file() for mark in MARKS):
        strange = f"files but no {MARKS[0]}"
    if strange:
        raise FolderError(
            f"{target} is not replaced, for it holds {strange}",
            "move that elsewhere, or name an empty or new folder with --out",
        )


def _foreign(folder: Path, files: Mapping[str, str | bytes]) -> str:
    """Name in a few words what a folder holds that is not ours, empty if nothing."""
    if not folder.exists():
        return ""
    if not folder.is_dir():
        return "a file"
    known = RESULT_NAMES | _DROPPINGS | {name.split("/", 1)[0] for name in files}
    strange = sorted(path.name for path in folder.iterdir() if path.name not in known)
    for name in _FOLDERS:
        if (folder / name).is_symlink():
            strange.append(f"{name}, a link")
            continue
        for path in sorted((folder / name).rglob("*")):
            inside = path.relative_to(folder).as_posix()
            if path.name not in _DROPPINGS and inside not in files and not _NESTED.fullmatch(inside):
                strange.append(inside)
    more = f" and {len(strange) - 3} more" if len(strange) > 3 else ""
    return ", ".join(strange[:3]) + more


def _make_parents(folder: Path) -> list[Path]:
    """Make a folder and those above it; return those that were missing, the deepest first."""
    missing = []
    for path in (folder, *folder.parents):
        if path.exists():
            break
        missing.append(path)
    folder.mkdir(parents=True, exist_ok=True)
    return missing


def _drop_parents(made: list[Path]) -> None:
    """Take away the folders that were made for a result that was not written, as far as they are empty."""
    for path in made:
        try:
            path.rmdir()
        except OSError:
            return
