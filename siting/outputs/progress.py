"""A line on standard error that shows how a long search stands, and Ctrl-C as a wish to stop."""

from __future__ import annotations

import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any

from rich.console import Console

from siting.selection.program import Progress

QUIET_SECONDS = 1.0
PLAIN_EVERY_SECONDS = 10.0


class ProgressLine:
    """Shows time, value, bound and gap; one moving line on a terminal, else a line every ten seconds."""

    def __init__(self) -> None:
        self._console = Console(file=sys.stderr)
        self._status = self._console.status("", spinner="line") if self._console.is_terminal else None
        self._running = False
        self._last = 0.0

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._status is not None and self._running:
            self._status.stop()

    def update(self, state: Progress) -> None:
        """Show a state of the search; the first second stays quiet."""
        now = time.monotonic()
        if state.seconds < QUIET_SECONDS:
            return
        if self._status is not None:
            self._status.update(_words(state))
            if not self._running:
                self._status.start()
                self._running = True
        elif now - self._last > PLAIN_EVERY_SECONDS:
            self._last = now
            self._console.print(_words(state), markup=False, highlight=False)


class Counter:
    """A bar on standard error for work of known size; plain lines every ten seconds where there is no terminal."""

    def __init__(self, what: str) -> None:
        from rich.progress import Progress as Bar

        console = Console(file=sys.stderr)
        self._what, self._console = what, console
        self._bar = Bar(console=console, transient=True) if console.is_terminal else None
        self._task: Any = None
        self._last = time.monotonic()

    def __enter__(self) -> Counter:
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def update(self, done: int, whole: int) -> None:
        """Show that so many of the whole are done."""
        if self._bar is not None:
            if self._task is None:
                self._task = self._bar.add_task(self._what, total=whole)
            self._bar.update(self._task, completed=done)
        elif time.monotonic() - self._last > PLAIN_EVERY_SECONDS:
            self._last = time.monotonic()
            self._console.print(f"{self._what}: {done} of {whole}", markup=False, highlight=False)


def _words(state: Progress) -> str:
    stage = f"{state.stage}: " if state.stage else ""
    bound = "" if state.bound is None else f", bound {state.bound:.6g}"
    if state.value is None:
        return f"{state.seconds:6.0f} s: {stage}no layout yet{bound} (Ctrl-C stops)"
    share = state.gap
    if share is None and state.bound is not None:
        # A search that gives no gap is one by score, whose gap is relative to 1 at least.
        share = abs(state.bound - state.value) / max(abs(state.value), 1.0)
    gap = "" if share is None else f", gap {100 * share:.3g} %"
    return f"{state.seconds:6.0f} s: {stage}best so far {state.value:.6g}{bound}{gap} (Ctrl-C keeps it)"


class Interrupt:
    """Turns the first Ctrl-C into a wish that the search polls; a second one stops at once.

    `said` is called once, at the first Ctrl-C, to tell the user.
    """

    def __init__(self, said: Callable[[], None] | None = None) -> None:
        self._asked = threading.Event()
        self._said = said
        # What `signal.signal` returned: a function, one of its own constants, or None.
        self._before: Any = None

    def __enter__(self) -> Interrupt:
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self._handle)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _handle(self, number: int, frame: FrameType | None) -> None:
        if self._asked.is_set():
            raise KeyboardInterrupt
        self._asked.set()
        if self._said is not None:
            self._said()

    def asked(self) -> bool:
        """Say whether the user wants the search to end."""
        return self._asked.is_set()
