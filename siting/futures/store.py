"""Futures that are done, kept in a file so that an interrupted run goes on where it ended."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from types import TracebackType
from typing import IO

from siting.futures.outcome import Outcome, Task


def key_of(task: Task, version: str) -> str:
    """Return what tells one task from another: inputs, what-ifs, layout, objective, gap, nodes, seed and version."""
    told = [
        version,
        list(task.region.inputs),
        list(task.region.what_ifs),
        task.region.settings.budget.total,
        [list(pick) for pick in task.layout],
        task.by,
        task.gap,
        task.nodes,
        task.seed,
    ]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


class Store:
    """A file of one line a future; the first line names the task. A torn or strange line counts as not done.

    A file of another task is begun anew. `done` holds what the file had by number.
    """

    def __init__(self, path: Path, key: str) -> None:
        self._path, self._key = path, key
        self.done = self._read()
        self._file: IO[str] | None = None

    def __enter__(self) -> Store:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self._path.with_name(self._path.name + ".new")
        with fresh.open("w", encoding="utf-8") as file:
            file.write(json.dumps({"key": self._key}) + "\n")
            for number in sorted(self.done):
                file.write(json.dumps(self.done[number].as_dict()) + "\n")
        os.replace(fresh, self._path)
        self._file = self._path.open("a", encoding="utf-8")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()

    def add(self, found: Outcome) -> None:
        """Keep an outcome."""
        assert self._file is not None
        self.done[found.number] = found
        self._file.write(json.dumps(found.as_dict()) + "\n")
        self._file.flush()

    def remove(self) -> None:
        """Take the file away: its outcomes stand in the result."""
        if self._file is not None:
            self._file.close()
            self._file = None
        self._path.unlink(missing_ok=True)

    def _read(self) -> dict[int, Outcome]:
        try:
            lines = self._path.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError):
            return {}
        found: dict[int, Outcome] = {}
        try:
            if not lines or json.loads(lines[0]) != {"key": self._key}:
                return {}
        except ValueError:
            return {}
        for line in lines[1:]:
            try:
                one = Outcome.of_dict(json.loads(line))
            except (ValueError, KeyError, TypeError):
                continue
            found[one.number] = one
        return found
