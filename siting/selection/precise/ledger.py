"""What a search knows: the best layout so far, the bound, and how long it may go on."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from siting.arrays import Floats
from siting.selection.memory import MemoryWatch
from siting.selection.precise.problem import Problem
from siting.selection.program import Ended, Limits, Progress, Report, relative_gap

# Bounds that rise are told at most this often.
TOLD_EVERY_SECONDS = 0.2


class Ledger:
    """Best layout, value and bound of one search, its limits, its log, and when it began (of the monotonic clock).

    `gap(value, bound)` and `target(value)`, the bound at which a node is closed, say what the asked gap
    means.
    """

    def __init__(
        self,
        limits: Limits,
        floor: float,
        gap: Callable[[float, float], float] | None = None,
        target: Callable[[float], float] | None = None,
        progress: Report | None = None,
    ) -> None:
        self.limits = limits
        self._gap = gap or (lambda value, bounded: relative_gap(value, bounded, floor))
        self._target = target or (lambda value: value - 0.999 * limits.gap * max(abs(value), floor))
        self._progress = progress
        self._memory = MemoryWatch(limits.memory_mb)
        self.began = time.monotonic()
        self.best: Floats | None = None
        self.value = np.inf
        self.bound = -np.inf
        self.processed = 0
        self.log: list[Progress] = []
        self._last_told = -np.inf

    @property
    def target(self) -> float:
        """The bound at which a node is closed; infinite before a first layout."""
        return self._target(self.value) if np.isfinite(self.value) else np.inf

    @property
    def gap(self) -> float:
        """How far value and bound are apart, in the sense of the asked gap."""
        return self._gap(self.value, self.bound)

    def offer(self, point: Floats, value: float) -> bool:
        """Take a layout (columns of the whole program) that keeps every rule, if it is the best so far."""
        if not value < self.value:
            return False
        self.best, self.value = point, value
        self.tell()
        return True

    def raise_bound(self, bound: float) -> None:
        """Take a better bound; no more is proven than the target, at which columns are fixed and nodes closed."""
        fresh = min(bound, self.target)
        if fresh > self.bound:
            self.bound = fresh
            if time.monotonic() - self._last_told > TOLD_EVERY_SECONDS:
                self._last_told = time.monotonic()
                self.tell()

    def tell(self) -> None:
        """Log how the search stands and report it."""
        value = self.value if np.isfinite(self.value) else None
        bound = self.bound if np.isfinite(self.bound) else None
        gap = None if value is None or bound is None else self.gap
        state = Progress(time.monotonic() - self.began, value, bound, self.processed, gap)
        self.log.append(state)
        if self._progress is not None:
            self._progress(state)

    def stopped(self) -> Ended | None:
        """Say which limit ends the search, None if none does."""
        if self.limits.stop is not None and self.limits.stop():
            return Ended.INTERRUPTED
        if self.limits.seconds is not None and time.monotonic() - self.began > self.limits.seconds:
            return Ended.TIME
        if self._memory.passed():
            return Ended.MEMORY
        if self.limits.nodes is not None and self.processed >= self.limits.nodes:
            return Ended.NODES
        return None

    def left(self) -> float | None:
        """Return the seconds left, None without a limit."""
        if self.limits.seconds is None:
            return None
        return max(0.01, self.limits.seconds - (time.monotonic() - self.began))


def judged(problem: Problem, point: Floats) -> tuple[Floats, float] | None:
    """Return a layout (program columns,) and its value by plain matrices, None if it breaks a rule."""
    if problem.program.broken(point):
        return None
    picked = np.flatnonzero(point[: problem.deployments] > 0.5)
    values = problem.criterion.whole(picked)
    return point, problem.criterion.weights.total(values) + float(problem.cost[: point.size] @ point)
