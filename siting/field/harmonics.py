"""Real spherical harmonics, 4 pi normalised: the mean square of each over the sphere is 1."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import lpmv

from siting.arrays import Floats, Ints


def orders(degree: int) -> tuple[Ints, Ints]:
    """Return l and m of all modes up to a degree, l rising, m from -l to l; negative m are sines."""
    pairs = [(l, m) for l in range(degree + 1) for m in range(-l, l + 1)]
    return np.array([l for l, _ in pairs], dtype=np.int64), np.array([m for _, m in pairs], dtype=np.int64)


def harmonics(lat: ArrayLike, lon: ArrayLike, degree: int) -> Floats:
    """Return Y (n, (degree + 1)^2) at latitudes and longitudes (n,) in degrees.

    Y_lm = N P_l^|m|(sin lat) x (cos m lon or sin |m| lon), N^2 = (2 - [m = 0]) (2l + 1) (l - |m|)! /
    (l + |m|)! (e.g. Heiskanen and Moritz 1967, Physical Geodesy, section 1-14). Raises ValueError for
    NaN or a latitude outside -90 to 90.
    """
    la, lo = np.broadcast_arrays(np.asarray(lat, dtype=float), np.asarray(lon, dtype=float))
    if not (np.all(np.abs(la) <= 90.0) and np.all(np.isfinite(lo))):
        raise ValueError("latitudes must lie between -90 and 90 degrees and longitudes be finite")
    x, lam = np.sin(np.radians(la)), np.radians(lo)
    out = np.empty((la.size, (degree + 1) ** 2))
    for l in range(degree + 1):
        for m in range(l + 1):
            norm = math.sqrt((2 - (m == 0)) * (2 * l + 1) * math.factorial(l - m) / math.factorial(l + m))
            legendre = norm * (-1.0) ** m * lpmv(m, l, x)
            out[:, l * l + l + m] = legendre * np.cos(m * lam)
            if m:
                out[:, l * l + l - m] = legendre * np.sin(m * lam)
    return out


def band_means(south: float, north: float, degree: int) -> Floats:
    """Return the area means ((degree + 1)^2,) of all modes over a band; only the zonal ones are not 0.

    In closed form from the integral of Legendre polynomials, (P_{l+1} - P_{l-1}) / (2l + 1). Raises
    ValueError unless -90 <= south < north <= 90.
    """
    if not -90.0 <= south < north <= 90.0:
        raise ValueError("a band needs -90 <= south < north <= 90 degrees")
    a, b = math.sin(math.radians(south)), math.sin(math.radians(north))
    out = np.zeros((degree + 1) ** 2)
    out[0] = 1.0
    for l in range(1, degree + 1):
        upper = float(lpmv(0, l + 1, b) - lpmv(0, l - 1, b))
        lower = float(lpmv(0, l + 1, a) - lpmv(0, l - 1, a))
        out[l * l + l] = math.sqrt(2 * l + 1) * (upper - lower) / ((2 * l + 1) * (b - a))
    return out
