"""The curve of a season from its harmonics: highest, lowest, when."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Season:
    """A season's size and time, with the slopes of both in its coefficients for the delta method.

    `month_of_maximum` runs from 1.0 (start of January) to below 13.0.
    """

    peak_to_trough: float
    month_of_maximum: float
    size_slopes: Floats
    month_slopes: Floats


def season_curve(coefficients: Floats) -> Season:
    """Return highest minus lowest point of a season, and its month, from (cos, sin) of 1, 2, ... cycles a year.

    Without harmonics, or with all of them 0, the size is 0 and the month 1.
    """
    c = np.asarray(coefficients, dtype=float)
    cycles = np.repeat(np.arange(1, c.size // 2 + 1), 2)
    if not np.any(c):
        return Season(0.0, 1.0, np.zeros(c.size), np.zeros(c.size))
    grid = np.arange(1440) / 1440.0
    curve = _rows(grid, cycles, 0) @ c
    top = _polished(float(grid[np.argmax(curve)]), c, cycles)
    bottom = _polished(float(grid[np.argmin(curve)]), c, cycles)
    at = np.array([top, bottom])
    rows = _rows(at, cycles, 0)
    size = rows[0] - rows[1]
    # The slope of the curve is 0 at its top: 0 = F' c, so d top = - F' dc / (F'' c).
    bend = float((_rows(at[:1], cycles, 2) @ c)[0])
    month = -12.0 * _rows(at[:1], cycles, 1)[0] / bend if bend < 0.0 else np.zeros(c.size)
    return Season(float(size @ c), 1.0 + 12.0 * (top % 1.0 % 1.0), size, month)


def _rows(phase: Floats, cycles: np.ndarray, derivative: int) -> Floats:
    """Cosines and sines (n, 2h) at phases in years, or their first or second derivative."""
    omega = 2.0 * np.pi * cycles
    # sin x = cos(x - pi/2); each derivative moves the phase on by a quarter turn and multiplies by omega
    sine = np.arange(cycles.size) % 2
    shift = 0.5 * np.pi * (derivative - sine)
    return np.asarray(omega**derivative * np.cos(omega * np.asarray(phase)[:, None] + shift))


def _polished(phase: float, c: Floats, cycles: np.ndarray) -> float:
    """Move a point of the grid to the turning point beside it (Newton's method)."""
    for _ in range(4):
        at = np.array([phase])
        slope = float((_rows(at, cycles, 1) @ c)[0])
        bend = float((_rows(at, cycles, 2) @ c)[0])
        if bend == 0.0:
            break
        phase -= float(np.clip(slope / bend, -1.0 / 1440.0, 1.0 / 1440.0))
    return phase
