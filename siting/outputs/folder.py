"""Write a result folder whole or not at all.

Everything goes to a folder beside; the old result is moved aside, the new one renamed into its place,
then the old one deleted. A killed run leaves the old result whole; the next run heals a half-made swap.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from pathlib import Path


class FolderError(Exception):
    """The result folder cannot be written; the message says why and what to do."""


def write_folder(target: Path, files: Mapping[str, str | bytes]) -> tuple[Path, ...]:
    """Write files (relative names with `/`) as the whole content of `target`; return their paths in order.

    Raises `FolderError` if the folder cannot be written or holds something that is not a result of
    ours (a folder without layout.json is not replaced).
    """
    target = Path(os.path.abspath(target))
    fresh = target.with_name(f".{target.name}.new")
    old = target.with_name(f".{target.name}.old")
    try:
        heal(target)
        if target.exists() and not target.is_dir():
            raise FolderError(f"{target} is a file; name a folder with --out")
        if target.is_dir() and any(target.iterdir()) and not (target / "layout.json").exists():
            raise FolderError(
                f"{target} holds other files and no layout.json; it is not replaced. Name an empty or new folder "
                "with --out"
            )
        target.parent.mkdir(parents=True, exist_ok=True)
        if fresh.exists():
            shutil.rmtree(fresh)
        fresh.mkdir()
        for name in sorted(files):
            path = fresh / name
            path.parent.mkdir(parents=True, exist_ok=True)
            content = files[name]
            path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        if target.exists():
            os.replace(target, old)
        try:
            os.replace(fresh, target)
        except OSError:
            if old.exists():
                os.replace(old, target)
            raise
        if old.exists():
            shutil.rmtree(old)
    except OSError as error:
        raise FolderError(
            f"{target} cannot be written: {error.strerror or error}. Close programs that use it, check the "
            "permissions and the space, or name another folder with --out"
        ) from error
    return tuple(target / name for name in sorted(files))


def heal(target: Path) -> None:
    """Finish or undo a swap that a killed run left half-made."""
    fresh = target.with_name(f".{target.name}.new")
    old = target.with_name(f".{target.name}.old")
    if old.exists():
        if target.exists():
            shutil.rmtree(old)
        else:
            os.replace(old, target)
    if fresh.exists():
        shutil.rmtree(fresh)
