"""How much memory this process holds, and a watch on it for searches."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

# The system is asked at most this often.
ASKED_EVERY_SECONDS = 0.02
MEGABYTE = 1024.0 * 1024.0


def resident_mb() -> float | None:
    """Return the resident memory of this process in megabytes (2^20 bytes), None where the system does not tell it.

    Where there is no /proc the greatest it ever was stands for it.
    """
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / MEGABYTE
    except (OSError, ValueError, IndexError, AttributeError):
        return _peak_mb()


def _peak_mb() -> float | None:
    try:
        import resource
    except ImportError:
        return None
    # Kilobytes, but bytes on macOS (manual pages of getrusage(2)).
    peak = float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    return peak / MEGABYTE if sys.platform == "darwin" else peak / 1024.0


class MemoryWatch:
    """Says whether the memory has passed a limit in megabytes since the watch began; None is no limit."""

    def __init__(self, limit_mb: float | None) -> None:
        self._limit, self._passed, self._asked = limit_mb, False, -float("inf")

    def passed(self) -> bool:
        """Say whether the limit was passed; once passed it stays so, even if memory is given back."""
        if self._limit is None or self._passed:
            return self._passed
        now = time.monotonic()
        if now - self._asked >= ASKED_EVERY_SECONDS:
            self._asked = now
            held = resident_mb()
            self._passed = held is not None and held > self._limit
        return self._passed
