"""The time axis of a region's records and the functions of time that records are made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, Ints
from siting.record.air import FUNCTIONS
from siting.region.model import Region

# Older years of running records that are still looked at; beyond, they say nothing on the window.
MOST_OLDER_YEARS = 15


@dataclass(frozen=True)
class Axis:
    """`years` of the window from `first_year` on, after `older` years of running records."""

    first_year: int
    years: int
    older: int

    @property
    def all_years(self) -> int:
        """Older years and window together."""
        return self.older + self.years

    @property
    def months(self) -> int:
        """Months of the whole axis."""
        return 12 * self.all_years

    def time(self) -> Floats:
        """Return the middle of each month (months,) in years from the middle of the window."""
        return np.asarray((np.arange(self.months) + 0.5) / 12.0 - self.older - self.years / 2.0, dtype=float)

    def functions(self) -> Floats:
        """Return F (months, 6) = [1, t, cos 2 pi s, sin 2 pi s, cos 4 pi s, sin 4 pi s].

        t runs in years from the middle of the window, s is the calendar time, so that a season has the
        same coefficients whatever the window.
        """
        t = self.time()
        phase = 2.0 * np.pi * (np.arange(self.months) % 12 + 0.5) / 12.0
        out = np.empty((self.months, FUNCTIONS))
        out[:, 0], out[:, 1] = 1.0, t
        out[:, 2], out[:, 3] = np.cos(phase), np.sin(phase)
        out[:, 4], out[:, 5] = np.cos(2.0 * phase), np.sin(2.0 * phase)
        return out

    def ramps(self) -> Floats:
        """Return (months, years) columns clip(t - t_k, 0, 1): growth that is 1 in year k and 0 else."""
        t, begin = self.time(), np.arange(self.all_years) - self.older - self.years / 2.0
        return np.asarray(np.clip(t[:, None] - begin[None, :], 0.0, 1.0), dtype=float)

    def indicators(self) -> Floats:
        """Return (months, years) columns that are 1 in year k and 0 else."""
        return np.asarray(np.repeat(np.eye(self.all_years), 12, axis=0), dtype=float)

    def window(self) -> slice:
        """Return the months of the window."""
        return slice(12 * self.older, self.months)


def first_months(region: Region, axis: Axis) -> Ints:
    """Return the first month (n,) of the axis that a record of each candidate can have.

    That of the window, or that in which a station began that runs already.
    """
    out = np.full(len(region.candidates), 12 * axis.older, dtype=np.int64)
    for i in np.flatnonzero(region.candidates.running()):
        out[i] = min(out[i], max(0, beginning(region, axis, int(i))))
    return out


def beginning(region: Region, axis: Axis, i: int) -> int:
    """Return the month of the axis in which the record of a running station begins, below 0 if before it.

    A record without a beginning counts from the first year of the window: nothing older is known of it.
    """
    since = region.candidates.running_since[i]
    year = float(axis.first_year if since is None else since)
    return int(np.round(12.0 * (year - (axis.first_year - axis.older))))


def axis_of(region: Region, years: int | None = None) -> Axis:
    """Return the axis of a region, or of the same region with another length of window."""
    first = region.settings.first_year
    c = region.candidates
    begins = [s for s, runs in zip(c.running_since, c.running(), strict=True) if runs and s is not None]
    older = max(0, first - int(np.floor(min(begins)))) if begins else 0
    return Axis(first, region.settings.years if years is None else years, min(older, MOST_OLDER_YEARS))


def work_of(region: Region, axis: Axis, instrument: str) -> Floats | None:
    """Return the share (n, months of the axis) that an "analyzer" or "flask" works, None where all works.

    Older years are history and count in full. An axis with a shorter window than the region's has the first
    months of its shares; one with a longer window works in full after them.
    """
    share = region.work(instrument)
    if share is None:
        return None
    out = np.ones((share.shape[0], axis.months))
    told = share[:, : 12 * axis.years]
    out[:, 12 * axis.older : 12 * axis.older + told.shape[1]] = told
    return out
