"""Who answers a search's questions: this process, or several more once a search has gone on for a while.

Questions are asked some ahead of the answers that the search has taken in, always as many, however many processes
there are and however fast they are: what the search finds does not depend on them.
"""

from __future__ import annotations

import os
import pickle
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, wait
from contextlib import contextmanager
from dataclasses import replace
from functools import lru_cache
from multiprocessing import parent_process
from pathlib import Path
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from siting.processes import leave_interrupts
from siting.selection.precise.bounding import Answer, Bounding, Question

# The greatest number of further processes.
MOST = 8
# A search that is shorter than this would be over before other processes have begun.
SOON_SECONDS = 1.0
# Bytes that further processes may take in all, and that each takes beside about half of those that the problem has.
SPENT, EACH = 2_000_000_000, 150_000_000
# Processes without work end after so long: longer than a search may look for layouts without asking anything, since
# the pool warns of one that ends just when it is asked.
IDLE_SECONDS = 300
ASKED_EVERY_SECONDS = 0.05
# The two files in which a problem is handed over, and what the places of arrays in the one are multiples of.
ARRAYS, REST, ALIGNED = "arrays", "rest", 64
# The pool takes a process that has read a large problem for one that leaks; the memory is given back with the process.
ENVIRONMENT = (("OPENBLAS_NUM_THREADS", "1"), ("LOKY_MAX_MEMORY_LEAK_SIZE", "1e12"))


class Crew:
    """Answers questions for one `Bounding`; `workers` is the greatest number of processes that work on it.

    Further ones are begun once a search has gone on since `began` (of the monotonic clock) for a while.
    """

    def __init__(self, bounding: Bounding, workers: int, began: float) -> None:
        self._bounding, self._began = bounding, began
        # Processes that were started by others share the machine with these.
        self._workers = min(workers, MOST) if parent_process() is None else 1
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._executor: Any = None

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        if self._folder is not None:
            self._folder.cleanup()

    def ask(self, question: Question) -> Asked:
        """Ask a question; the answer is to be had from what is returned."""
        if self._executor is None and self._workers > 1 and time.monotonic() - self._began > SOON_SECONDS:
            self._begin()
        future = None
        if self._executor is not None and self._folder is not None:
            try:
                with _interrupts_held():
                    future = self._executor.submit(_answer, self._folder.name, question)
            except Exception:
                # All have died, or the system lets no more of them begin.
                self._lost()
        return Asked(self, question, future)

    def answered_here(self, question: Question) -> Answer:
        """Answer a question in this process."""
        return self._bounding.answer(question)

    def answered_there(self, future: Future[Answer], stopped: Callable[[], bool]) -> Answer | None:
        """Wait for another process; None if `stopped()` meanwhile or if no answer is to be had from there."""
        while not wait([future], ASKED_EVERY_SECONDS).done:
            if stopped():
                return None
        try:
            return future.result()
        except Exception:
            # It has died, or cannot read what a rule of the caller's own is made of. A fault of ours comes again
            # where the question is answered here.
            self._lost()
            return None

    def _begin(self) -> None:
        """Start processes, if the problem can be sent to them."""
        self._workers = min(self._workers, SPENT // (EACH + self._bounding.size // 2))
        if self._workers < 2:
            return
        folder = tempfile.TemporaryDirectory(prefix="siting-", ignore_cleanup_errors=True)
        try:
            # Most searches need none of this.
            from loky import get_reusable_executor

            _write(Path(folder.name), self._bounding)
            with _interrupts_held():
                self._executor = get_reusable_executor(
                    max_workers=self._workers,
                    timeout=IDLE_SECONDS,
                    initializer=leave_interrupts,
                    # With another environment the pool is made anew instead of being waited for until it is resized.
                    env=dict(ENVIRONMENT, SITING_WORKERS=str(self._workers)),
                    kill_workers=True,
                )
        except Exception:
            # A rule of the caller's own may know things that cannot be sent, the disk may be full, or the system
            # may not let other processes begin.
            folder.cleanup()
            self._lost()
            return
        self._folder = folder

    def _lost(self) -> None:
        """Go on in this process after others have died."""
        self._executor, self._workers = None, 1


class Asked:
    """A question under way."""

    def __init__(self, crew: Crew, question: Question, future: Future[Answer] | None) -> None:
        self.question = question
        self._crew, self._future = crew, future

    def answer(self, stopped: Callable[[], bool], left: Callable[[], float | None]) -> Answer | None:
        """Return the answer, None if `stopped()` before it has come; `left()` are the seconds left."""
        if self._future is not None:
            told = self._crew.answered_there(self._future, stopped)
            if told is not None or stopped():
                return told
        return self._crew.answered_here(replace(self.question, seconds=left()))

    def dropped(self) -> None:
        """Say that the answer is not wanted any more."""
        if self._future is not None:
            self._future.cancel()


def _answer(folder: str, question: Question) -> Answer:
    """Answer a question in another process, on one thread of linear algebra."""
    if not Path(folder).is_dir():
        raise FileNotFoundError(f"{folder} has been removed: nobody waits for the answer")
    with threadpool_limits(limits=1, user_api="blas"):
        return _bounding(folder).answer(question)


@lru_cache(maxsize=1)
def _bounding(folder: str) -> Bounding:
    """Return the problem of a search; a process keeps it from one question to the next."""
    return _read(Path(folder))


def _write(folder: Path, bounding: Bounding) -> None:
    """Write a problem in two files, its arrays apart so that all processes can look at the same memory."""
    arrays: list[pickle.PickleBuffer] = []
    packed = pickle.dumps(bounding, protocol=5, buffer_callback=arrays.append)
    spans = []
    with open(folder / ARRAYS, "wb") as file:
        for array in arrays:
            begin = file.tell()
            end = begin + file.write(array.raw())
            file.write(bytes(-end % ALIGNED))
            spans.append((begin, end))
    (folder / REST).write_bytes(pickle.dumps((packed, spans)))


def _read(folder: Path) -> Bounding:
    packed, spans = pickle.loads((folder / REST).read_bytes())
    # No problem is without columns, so that the file is never empty.
    arrays = np.memmap(folder / ARRAYS, dtype=np.uint8, mode="r")
    bounding: Bounding = pickle.loads(packed, buffers=[arrays[begin:end] for begin, end in spans])
    return bounding


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Keep Ctrl-C from processes that are starting: they take over which signals are held back."""
    if os.name != "posix":
        yield
        return
    held = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, held)
