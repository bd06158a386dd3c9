"""Flasks in circulation: mean and peak of what is on site, on the way and in the laboratory."""

from __future__ import annotations

import numpy as np

from siting.arrays import Floats
from siting.deployments import DAYS_PER_YEAR

# Intervals that differ by less than this share of a day are whole multiples.
WHOLE = 1e-6


def mean_in_circulation(sizes: Floats, gaps: Floats, away: float, year: float) -> float:
    """Return the mean of flasks in circulation.

    `sizes` (k,) flasks are exchanged at each of the year's calls and stay for the gap (k,) in days that follows,
    empty first and then full; `away` (days) is way out + way home + laboratory. Little's law: rate x time
    (Little 1961, Operations Research 9, 383). Raises ValueError if a gap or `away` is negative.
    """
    if np.any(gaps < 0.0) or away < 0.0:
        raise ValueError("gaps and days away must be 0 or more")
    return float((sizes * (gaps + away)).sum() / year)


def even_circulation(flasks: Floats, calls: Floats, away: Floats) -> tuple[Floats, Floats]:
    """Return the mean and the whole peak (k,) of `flasks` (k,) a year that are exchanged at even `calls` (k,) a year.

    `away` (k,) is way out + way home + laboratory, in days. With I the gap and W = I + away the mean is rate x W
    (Little 1961) and the peak (rate / calls) x ceil(W / I): whole intervals, since flasks are exchanged at calls.
    """
    gap = DAYS_PER_YEAR / calls
    batches = np.ceil(np.round((gap + away) / gap, 9))
    return flasks * (gap + away) / DAYS_PER_YEAR, np.ceil(np.round(flasks / calls * batches, 9))


def peak_in_circulation(sizes: Floats, calls: Floats, gaps: Floats, out: float, home: float, year: float) -> int:
    """Return the most flasks in circulation at one time, whole flasks.

    Flasks for the gap after call j leave `out` days before it and are back `home` days (way and laboratory) after
    its end; k calls at `calls` (k,) days, every year the same. For even calls this is the
    peak of `even_circulation`.
    """
    if np.any(gaps < 0.0) or out < 0.0 or home < 0.0:
        raise ValueError("gaps and days away must be 0 or more")
    begin, length = calls - out, gaps + out + home
    most = 0.0
    # The sum only grows where flasks leave, so the moments of leaving are enough.
    for moment in begin:
        since = np.mod(moment - begin + WHOLE, year) - WHOLE
        away = np.floor((length - since - WHOLE) / year) + 1.0
        most = max(most, float((sizes * np.maximum(away, 0.0)).sum()))
    return int(np.ceil(np.round(most, 6)))
