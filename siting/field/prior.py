"""How much each mode of the field may vary: a prior from mixing times and sources.

Decay rates r_lm = (l (l + 1) - m^2) / tau_exchange + m^2 / tau_zonal; the hemispheric mode (1, 0) decays
with 2 / tau_exchange as the difference of two boxes does. At frequency w a source of covariance Q gives
the amplitudes P = D^-1 Q D^-H with D = r + i w.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats
from siting.field.harmonics import harmonics, orders
from siting.record.air import FUNCTIONS, Air
from siting.region.schema.air import Mixing

# Prior standard deviation of the global level, in units of the tracer: nothing is known beforehand.
LEVEL_SD = 1e4
# Sources at two cycles a year are taken as half as strong as at one (assumed).
SECOND_HARMONIC = 0.5
# The least strength of sources, at the poles, against that of the equator (assumed).
POLAR_STRENGTH = 0.05


@dataclass(frozen=True, eq=False)
class FieldPrior:
    """Prior of the field's modes and of its changes between years.

    `modes` (49, 6, 49, 6) for degree 6: covariance of [level, growth, cos, sin, cos, sin] of every mode;
    `growth_anomaly_sd` of the global growth of one year, `level_anomaly_sd` (8,) of one year's level of
    the modes l = 1, 2 (fewer where the degree is 1); `decay` (49,) rates a year.
    """

    degree: int
    modes: Floats
    decay: Floats
    growth_anomaly_sd: float
    level_anomaly_sd: Floats


def decay_rates(mixing: Mixing) -> Floats:
    """Return r (modes,) a year."""
    l, m = orders(mixing.degree)
    return np.asarray((l * (l + 1) - m**2) / mixing.tau_exchange + m**2 / mixing.tau_zonal, dtype=float)


def source_covariance(mixing: Mixing) -> Floats:
    """Return Q (modes, modes) of sources whose strength follows the envelope in latitude, trace 1.

    Q = S^1/2 [integral of Y Y' e over the sphere / 4 pi] S^1/2, S falling with the degree as
    l^-spectrum; e is symmetric about the equator: a given one is averaged with its mirror image.
    """
    degree = mixing.degree
    nodes, weights = np.polynomial.legendre.leggauss(8 * degree + 32)
    lat = np.degrees(np.arcsin(nodes))
    envelope = _envelope(mixing, lat)
    turns = 4 * degree + 4
    lon = np.arange(turns) * 360.0 / turns
    grid_lat, grid_lon = np.repeat(lat, turns), np.tile(lon, nodes.size)
    weight = np.repeat(weights * envelope / 2.0, turns) / turns
    y = harmonics(grid_lat, grid_lon, degree)
    l, _ = orders(degree)
    root = np.maximum(l, 1.0) ** (-mixing.spectrum / 2.0)
    q = (y * weight[:, None]).T @ y * root[:, None] * root[None, :]
    # The integral couples only modes of equal m and of degrees that differ by an even number.
    return _clean(q / np.trace(q), degree)


def _envelope(mixing: Mixing, lat: Floats) -> Floats:
    if not mixing.envelope:
        return np.asarray(POLAR_STRENGTH + (1.0 - POLAR_STRENGTH) * np.cos(np.radians(lat)) ** 2)
    points = np.array(sorted((p.lat, p.value) for p in mixing.envelope))
    here = np.interp(lat, points[:, 0], points[:, 1])
    mirrored = np.interp(-lat, points[:, 0], points[:, 1])
    return np.asarray((here + mirrored) / 2.0)


def _clean(q: Floats, degree: int) -> Floats:
    """Set to 0 what symmetry makes 0, so that rounding couples nothing."""
    l, m = orders(degree)
    allowed = (m[:, None] == m[None, :]) & ((l[:, None] - l[None, :]) % 2 == 0)
    q = np.where(allowed, q, 0.0)
    return np.asarray((q + q.T) / 2.0)


def season_covariance(q: Floats, decay: Floats, frequency: float) -> tuple[Floats, Floats]:
    """Return Re P and Im P for sources of covariance Q at a frequency in radians a year.

    For x = A cos + B sin and a random phase of the sources cov(A, A) = cov(B, B) = Re P,
    cov(A, B) = Im P, cov(B, A) = -Im P.
    """
    inverse = 1.0 / (decay + 1j * frequency)
    p = inverse[:, None] * q * np.conj(inverse)[None, :]
    return np.asarray(p.real, dtype=float), np.asarray(p.imag, dtype=float)


def field_prior(mixing: Mixing, air: Air) -> FieldPrior:
    """Return the prior of one tracer's field."""
    q, r = source_covariance(mixing), decay_rates(mixing)
    n = r.size
    modes = np.zeros((n, FUNCTIONS, n, FUNCTIONS))
    level, growth, season = air.source
    # Level and growth of the modes above l = 0; there is no steady state for the global mode.
    inner = q[1:, 1:]
    once = inner / r[1:, None] / r[None, 1:]
    twice = once / r[1:, None] / r[None, 1:]
    lagged = once / r[1:, None]
    modes[1:, 1, 1:, 1] = growth**2 * once
    modes[1:, 0, 1:, 0] = level**2 * once + growth**2 * twice
    modes[1:, 0, 1:, 1] = -(growth**2) * lagged
    modes[1:, 1, 1:, 0] = -(growth**2) * lagged.T
    modes[0, 0, 0, 0] = LEVEL_SD**2
    modes[0, 1, 0, 1] = (3.0 * max(abs(air.growth), air.growth_anomaly_sd)) ** 2
    for k, (cycles, share) in enumerate(((1, 1.0), (2, SECOND_HARMONIC))):
        real, imaginary = season_covariance(q, r, 2.0 * np.pi * cycles)
        strength = (season * share) ** 2
        a, b = 2 + 2 * k, 3 + 2 * k
        modes[:, a, :, a] = modes[:, b, :, b] = strength * real
        modes[:, a, :, b] = strength * imaginary
        modes[:, b, :, a] = -strength * imaginary
    # The global mode keeps its own variances, but says nothing of the others.
    modes[0, :, 1:, :] = 0.0
    modes[1:, :, 0, :] = 0.0
    low = slice(1, min(9, n))
    anomaly = air.growth_anomaly_sd * np.sqrt(np.diag(q)[low] / q[0, 0]) / r[low]
    return FieldPrior(mixing.degree, modes, r, air.growth_anomaly_sd, anomaly)
