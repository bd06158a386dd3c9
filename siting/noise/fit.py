"""Fit a record: growth, season and the parts of its noise by restricted likelihood, with standard errors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from siting.arrays import Floats
from siting.noise.design import (
    GROWTH,
    LEAST_DAYS,
    LEAST_VALUES,
    LEVEL,
    SEASON,
    YEAR_DAYS,
    Design,
    growth_ramps,
    make_design,
)
from siting.noise.likelihood import Noise, Prepared, generalised_least_squares, prepare
from siting.noise.season import season_curve
from siting.noise.separation import WHITE_WITHIN, Cadence, cadence_of, doubts, harmonics_told, reason_of_part
from siting.noise.variances import PHI, Variances, estimate_variances

ROBUST_SDS = 5.0
# Relative error of a standard deviation or a memory beyond which it counts as not determined.
LOOSE, LOOSE_PHI = 0.5, 0.9


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard error; `reason` says why it is not determined, if it is not.

    `scale` tells how an interval is formed: `plain`, `log` for what is above 0, `memory` for an
    autocorrelation (through the logarithm of its memory). `se` is None where the likelihood is flat.
    """

    value: float
    se: float | None
    reason: str | None = None
    scale: str = "plain"

    @property
    def determined(self) -> bool:
        """Whether the record tells this number."""
        return self.reason is None

    def interval(self, z: float = 2.0) -> tuple[float, float]:
        """Return the interval of z standard errors either way, (-inf, inf) or (0, inf) if there is none."""
        if self.scale == "plain":
            return (-math.inf, math.inf) if self.se is None else (self.value - z * self.se, self.value + z * self.se)
        if self.se is None or not 0.0 < self.value < math.inf:
            return 0.0, math.inf
        if self.scale == "log":
            factor = math.exp(min(z * self.se / self.value, 700.0))
            return self.value / factor, self.value * factor
        log = -math.log(self.value)
        factor = math.exp(min(z * self.se / (self.value * log), 700.0))
        return math.exp(-log * factor), math.exp(-log / factor)


@dataclass(frozen=True, slots=True)
class Outlier:
    """A value that lies `sds` robust standard deviations from the fitted curve; it was kept in the fit."""

    day: float
    value: float
    sds: float


@dataclass(frozen=True, slots=True, eq=False)
class NoiseFit:
    """What a record tells, in the unit of its values; days count from 1 January 1970 UTC.

    `level` at `mid_day` and `growth` (a year) are what the air did there in these years; `underlying_growth`
    is the growth around which the years vary. `harmonics` holds (cos, sin) of one and two cycles a year,
    `month_of_maximum` runs from 1.0 (start of January) to below 13. `fast_sd` is the root of the squares of
    synoptic and white part together, which the record may tell although it cannot split them. `offsets` are
    each further method minus `reference`. `noise` holds the values at which growth and season were fitted,
    also of parts that are not determined. `doubts` are plain sentences on what cannot be separated.
    """

    level: Estimate
    growth: Estimate
    underlying_growth: Estimate
    harmonics: tuple[Estimate, ...]
    peak_to_trough: Estimate
    month_of_maximum: Estimate
    growth_anomaly_sd: Estimate
    slow_sd: Estimate
    slow_phi: Estimate
    synoptic_sd: Estimate
    memory_days: Estimate
    white_sd: Estimate
    fast_sd: Estimate
    offsets: tuple[tuple[str, Estimate], ...]
    reference: str
    noise: Noise
    residual_sd: float
    restricted_log_likelihood: float
    count: int
    copies: int
    first_day: float
    last_day: float
    mid_day: float
    spacing_days: float
    gaps: tuple[tuple[float, float], ...]
    outliers: tuple[Outlier, ...]
    doubts: tuple[str, ...]


def fit_noise(days: Floats, values: Floats, *, methods: Sequence[str] | None = None) -> NoiseFit:
    """Fit growth, season and noise to a record.

    `days` (n,) count from 1 January 1970 UTC in any order, `values` (n,) are mole fractions, `methods`
    names the method of each sample, for which an offset is fitted. The model: level, growth, one and two
    cycles a year, offsets; yearly anomalies of growth (from 3 years on); a slow part and a synoptic part
    with memory, the latter only if samples stand within 10 days; a white part. Parameters by restricted
    maximum likelihood (Patterson and Thompson 1971, Biometrika 58, 545) from several starts, standard
    errors from the observed information; those of growth and season include the doubt about the noise.
    Samples at one time count as pairs, unless all of them are equal: then they are copies and count once.

    Raises ValueError, in a plain sentence, for NaN, fewer than 24 values, less than a year, or values that
    leave no noise.
    """
    t, y, names, copies = _without_copies(days, values, methods)
    if t.size < LEAST_VALUES:
        raise ValueError(f"a record needs {LEAST_VALUES} values or more; this one has {t.size}")
    span = float(np.max(t) - np.min(t))
    if span < LEAST_DAYS:
        raise ValueError(f"a record must be a year long or more; this one spans {span:.0f} days")
    cadence = cadence_of(t, names)
    prepared = prepare(make_design(t, y, names, harmonics=harmonics_told(t), anomalies=cadence.tells_anomalies))
    variances = estimate_variances(
        prepared,
        synoptic=cadence.tells_synoptic,
        anomalies=cadence.tells_anomalies,
        shortest_days=cadence.spacing_days,
    )
    estimates: dict[str, Any] = _parts(variances, cadence) | _curve(prepared, variances, cadence)
    residual, outliers = _outliers(prepared, variances.noise)
    design = prepared.design
    return NoiseFit(
        **estimates,
        reference=design.methods[0],
        noise=variances.noise,
        residual_sd=float(np.std(residual)),
        restricted_log_likelihood=variances.log_likelihood,
        count=design.days.size,
        copies=copies,
        first_day=float(design.days[0]),
        last_day=float(design.days[-1]),
        mid_day=design.mid_day,
        spacing_days=cadence.spacing_days,
        gaps=cadence.gaps,
        outliers=outliers,
        doubts=doubts(cadence, design),
    )


def _without_copies(
    days: Floats, values: Floats, methods: Sequence[str] | None
) -> tuple[Floats, Floats, tuple[str, ...], int]:
    """Check the values and take out copies of samples, if no time has two values that differ."""
    t, y = np.asarray(days, dtype=float), np.asarray(values, dtype=float)
    names = ("",) * t.size if methods is None else tuple(methods)
    if t.ndim != 1 or t.shape != y.shape or len(names) != t.size:
        raise ValueError("days, values and methods must have the same length")
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(y))):
        raise ValueError("days and values must be finite numbers: leave missing values out")
    samples = list(zip(t.tolist(), names, y.tolist(), strict=True))
    different = sorted(set(samples))
    if len(different) == len(samples) or len({(day, name) for day, name, _ in different}) < len(different):
        return t, y, names, 0
    kept = np.array([[day, value] for day, _, value in different])
    return kept[:, 0], kept[:, 1], tuple(name for _, name, _ in different), len(samples) - len(different)


def _parts(variances: Variances, cadence: Cadence) -> dict[str, Estimate]:
    """Return the estimates of the parts of the noise."""
    noise = variances.noise
    found: dict[str, Estimate] = {}

    def estimate(name: str, value: float, relative: float | None, told: bool = True) -> bool:
        told = told and relative is not None and relative <= LOOSE
        reason = None if told else reason_of_part(name, cadence, noise, variances.unseen_sd(name))
        found[name] = Estimate(value, None if relative is None else relative * value, reason, "log")
        return told

    def own(name: str, told: bool = True) -> bool:
        return estimate(name, float(getattr(noise, name)), variances.relative_error(name), told)

    fast = estimate("fast_sd", *variances.fast())
    own("growth_anomaly_sd")
    # Where nothing is left for the fast parts, the slow one has taken their place.
    slow = own("slow_sd", fast and cadence.tells_slow)
    # A memory at the end of what was sought says that two parts have changed places.
    synoptic = own("synoptic_sd", variances.relative_error("memory_days") is not None)
    own("memory_days", synoptic)
    close = WHITE_WITHIN * noise.memory_days if synoptic else 0.0
    own("white_sd", cadence.pairs_within(close) >= LEAST_VALUES)
    relative = variances.relative_error(PHI)
    # phi = exp(-month / memory): d phi = phi (-ln phi) d ln(memory)
    se = None if relative is None else -noise.slow_phi * math.log(noise.slow_phi) * relative
    told = slow and relative is not None and relative <= LOOSE_PHI
    reason = None if told else reason_of_part(PHI, cadence, noise, None, slow_told=slow)
    found[PHI] = Estimate(noise.slow_phi, se, reason, "memory")
    return found


def _curve(prepared: Prepared, variances: Variances, cadence: Cadence) -> dict[str, Any]:
    """Return the estimates of level, growth, season and offsets, with the doubt about the noise in their errors."""
    design = prepared.design
    functionals = _functionals(design)
    best, _ = generalised_least_squares(prepared, variances.noise)
    value = functionals @ best
    # Law of total variance over points that stand for the errors of the noise's parameters.
    spread = np.zeros((value.size, value.size))
    points = variances.points()
    for noise in points:
        there, inside = generalised_least_squares(prepared, noise)
        away = functionals @ there - value
        spread += (functionals @ inside @ functionals.T + np.outer(away, away)) / len(points)
    error = np.sqrt(np.diag(spread))
    short = None if cadence.tells_slow else "the record is shorter than 2 years: season and growth mix"
    found: dict[str, Any] = {
        "level": Estimate(float(value[0]), float(error[0])),
        "growth": Estimate(float(value[1]), float(error[1]), short),
        "underlying_growth": Estimate(
            float(value[2]), float(error[2]), cadence.why_no_anomalies or short or _one_growth(variances)
        ),
    }
    last = 3 + 2 * design.harmonics
    found["harmonics"] = tuple(Estimate(float(value[i]), float(error[i])) for i in range(3, last))
    season = season_curve(value[3:last])
    inner = spread[3:last, 3:last]
    size_error = math.sqrt(float(season.size_slopes @ inner @ season.size_slopes))
    month_error = math.sqrt(float(season.month_slopes @ inner @ season.month_slopes))
    flat = None
    if design.harmonics == 0:
        flat = "the samples stand in too few months of the year"
    elif season.peak_to_trough < 2.0 * size_error:
        flat = "the season is not larger than twice its error"
    found["peak_to_trough"] = Estimate(season.peak_to_trough, size_error, flat)
    found["month_of_maximum"] = Estimate(
        season.month_of_maximum,
        month_error,
        flat or ("the time of the maximum is known to no better than 1.5 months" if month_error > 1.5 else None),
    )
    found["offsets"] = tuple(
        (name, Estimate(float(value[last + i]), float(error[last + i]))) for i, name in enumerate(design.methods[1:])
    )
    return found


def _one_growth(variances: Variances) -> str | None:
    """Say why a growth around which years vary has no error of its own where no variation was seen."""
    return (
        "change of growth from year to year was not seen"
        if variances.unseen_sd("growth_anomaly_sd") is not None
        else None
    )


def _functionals(design: Design) -> Floats:
    """Rows for level at mid record, realised growth, underlying growth, harmonics and offsets.

    The realised growth is the slope of a line through the smooth curve (level, growth and anomalies) at
    even times over the record.
    """
    p, years = design.columns.shape[1], design.ramps.shape[1]
    rows = [np.zeros(p + years) for _ in range(3)]
    first, last = float(design.days[0]), float(design.days[-1])
    rows[0][LEVEL] = 1.0
    rows[1][GROWTH] = rows[2][GROWTH] = 1.0
    if years:
        rows[0][p:] = growth_ramps(np.array([design.mid_day]), first, last)[0]
        grid = np.linspace(first, last, 200 * years + 1)
        away = (grid - design.mid_day) / YEAR_DAYS
        rows[1][p:] = away @ growth_ramps(grid, first, last) / float(away @ away)
    return np.vstack([*rows, np.eye(p, p + years)[SEASON:]])


def _outliers(prepared: Prepared, noise: Noise) -> tuple[Floats, tuple[Outlier, ...]]:
    """Return the residuals from the fitted curve, and the samples that lie far off it."""
    design = prepared.design
    best, _ = generalised_least_squares(prepared, noise)
    residual = design.values - np.column_stack([design.columns, design.ramps]) @ best
    middle = float(np.median(residual))
    robust = 1.4826 * float(np.median(np.abs(residual - middle)))
    if robust == 0.0:
        return residual, ()
    far = (residual - middle) / robust
    return residual, tuple(
        Outlier(float(design.days[i]), float(design.values[i]), float(far[i]))
        for i in np.flatnonzero(np.abs(far) > ROBUST_SDS)
    )
