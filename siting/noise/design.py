"""The columns that a record is fitted with: level, growth, season, offsets of methods, change of growth by year."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, read_only

YEAR_DAYS = 365.25
MONTH_DAYS = YEAR_DAYS / 12.0
LEAST_VALUES = 24
LEAST_DAYS = 0.98 * YEAR_DAYS  # a full year of weekly or monthly samples ends one sample short of a year
LEVEL, GROWTH, SEASON = 0, 1, 2  # places of the first columns


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """A record in the order of time, with its columns.

    `days` and `values` are (n,); `columns` (n, p) holds 1, years from mid record, cosine and sine of
    each harmonic and one 0/1 column for each further method; `ramps` (n, years) the yearly anomalies of
    growth, each rising from 0 to 1 in its year of the record. `node` (n,) maps a sample to its place
    among the different times `node_days` (m,). `basis` (n, p) is an orthonormal basis of `columns`, with
    `columns` = `basis` @ `triangle`.
    """

    days: Floats
    values: Floats
    columns: Floats
    ramps: Floats
    node_days: Floats
    starts: np.ndarray
    counts: Floats
    basis: Floats
    triangle: Floats
    mid_day: float
    harmonics: int
    methods: tuple[str, ...]

    @property
    def span_years(self) -> float:
        """Years from the first sample to the last."""
        return float(self.days[-1] - self.days[0]) / YEAR_DAYS


def make_design(
    days: Floats,
    values: Floats,
    methods: Sequence[str] | None = None,
    *,
    harmonics: int = 2,
    anomalies: bool = True,
) -> Design:
    """Return the record in the order of time with its columns; the order of the samples given does not matter.

    `days` (n,) count from 1 January 1970 UTC, `values` (n,) are mole fractions, `methods` names the
    method of each sample (one method if None); the method with the most samples is the one that others
    are compared with. Raises ValueError for shapes that differ, NaN, or columns that the times cannot
    tell apart.
    """
    t, y = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    if t.ndim != 1 or t.shape != y.shape or t.size == 0:
        raise ValueError("days and values must be two lists of the same length")
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(y))):
        raise ValueError("days and values must be finite numbers: leave missing values out")
    names = np.array([""] * t.size if methods is None else list(methods), dtype=object)
    if names.shape != t.shape:
        raise ValueError("there must be one method for each value")
    order = np.lexsort((y, names.astype(str), t))
    t, y, names = t[order], y[order], names[order]
    kinds = sorted(set(names.tolist()), key=lambda name: (-int(np.sum(names == name)), name))

    mid = 0.5 * float(t[0] + t[-1])
    parts = [np.ones_like(t), (t - mid) / YEAR_DAYS, *season_columns(t, harmonics).T]
    parts += [(names == name).astype(float) for name in kinds[1:]]
    columns = np.column_stack(parts)
    basis, triangle = np.linalg.qr(columns)
    size = np.linalg.norm(columns, axis=0)
    if t.size <= columns.shape[1] or np.min(np.abs(np.diag(triangle)) / size) < 1e-7:
        raise ValueError("the times of the samples cannot tell level, growth, season and methods apart")
    node_days, starts = np.unique(t, return_index=True)
    counts = np.diff(np.append(starts, t.size)).astype(float)
    ramps = growth_ramps(t, float(t[0]), float(t[-1])) if anomalies else np.zeros((t.size, 0))
    for array in (t, y, columns, ramps, node_days, starts, counts, basis, triangle):
        read_only(array)
    return Design(t, y, columns, ramps, node_days, starts, counts, basis, triangle, mid, harmonics, tuple(kinds))


def season_columns(days: Floats, harmonics: int) -> Floats:
    """Cosine and sine (n, 2 harmonics) of 1, 2, ... cycles a year; phase 0 is 1 January, at most 1 day off."""
    phase = 2.0 * np.pi * np.asarray(days, dtype=float) / YEAR_DAYS
    parts = [f(k * phase) for k in range(1, harmonics + 1) for f in (np.cos, np.sin)]
    return np.column_stack(parts) if parts else np.zeros((phase.size, 0))


def growth_ramps(days: Floats, first: float, last: float) -> Floats:
    """Columns (n, years) clip(t - t_k, 0, 1), one for each year of the record, counted from its first day."""
    years = max(1, math.ceil((last - first) / YEAR_DAYS - 1e-9))
    since = (np.asarray(days, dtype=float) - first) / YEAR_DAYS
    return np.asarray(np.clip(since[:, None] - np.arange(years), 0.0, 1.0))
