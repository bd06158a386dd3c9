"""What all processes that work side by side share: how many there may be, and that Ctrl-C is not theirs."""

from __future__ import annotations

import os
import signal


def cores() -> int:
    """Return how many processes this machine can run at one time."""
    return os.cpu_count() or 1


def leave_interrupts() -> None:
    """Leave Ctrl-C to the process that started this one."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
