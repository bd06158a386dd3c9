"""Ordinary least squares over a window of a record: line and harmonics, and what is left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats
from siting.noise.design import GROWTH, SEASON, make_design
from siting.noise.season import season_curve


@dataclass(frozen=True, slots=True)
class WindowFit:
    """A line and harmonics by least squares.

    `growth` is in unit a year, `growth_error` its standard error if the residuals were independent;
    `lag_one` is the autocorrelation of residuals one usual spacing apart (NaN if there are none).
    """

    level: float
    growth: float
    growth_error: float
    peak_to_trough: float
    month_of_maximum: float
    residual_sd: float
    lag_one: float
    count: int


def least_squares_window(
    days: Floats, values: Floats, methods: Sequence[str] | None = None, *, harmonics: int = 2
) -> WindowFit:
    """Fit a line and harmonics to a window of a record by least squares.

    `days` (n,) count from 1 January 1970 UTC, `values` (n,) are mole fractions. Raises ValueError as
    `make_design` does.
    """
    design = make_design(days, values, methods, harmonics=harmonics, anomalies=False)
    n, p = design.columns.shape
    coefficients = np.asarray(np.linalg.solve(design.triangle, design.basis.T @ design.values), dtype=float)
    residual = design.values - design.columns @ coefficients
    sd = math.sqrt(float(residual @ residual) / (n - p))
    inverse = np.linalg.inv(design.triangle)
    season = season_curve(coefficients[SEASON : SEASON + 2 * harmonics])
    gap = np.diff(design.days)
    near = (gap > 0.0) & (gap <= 1.5 * np.median(gap[gap > 0.0]))
    products = residual[1:][near] * residual[:-1][near]
    squares = float(np.mean(residual**2))
    return WindowFit(
        level=float(coefficients[0]),
        growth=float(coefficients[GROWTH]),
        growth_error=sd * float(np.linalg.norm(inverse[GROWTH])),
        peak_to_trough=season.peak_to_trough,
        month_of_maximum=season.month_of_maximum,
        residual_sd=sd,
        lag_one=float(np.mean(products)) / squares if products.size and squares > 0.0 else math.nan,
        count=n,
    )
