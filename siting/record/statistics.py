"""Small numbers behind one monthly mean: correlated air, random flask counts, lasting contamination."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats

# Below this ratio of month to memory the closed form cancels and its expansion is used.
SHORT = 1e-4


def mean_variance(count: ArrayLike, memory_days: ArrayLike, days: float = 30.4375) -> Floats:
    """Variance of the mean of `count` evenly spaced samples of unit-variance AR(1) air over `days`.

    V(n, tau) = [(1 + a)/(1 - a) - 2 a (1 - a^n) / (n (1 - a)^2)] / n with a = exp(-days / (n tau)), for
    real n >= 1 and tau > 0 (the sum over an AR(1) correlation, e.g. Priestley 1981, Spectral Analysis
    and Time Series, section 5.3; checked against brute-force sums). V(1) = 1 and V(inf) =
    2 x (1 - x (1 - exp(-1/x))) with x = tau / days; infinite counts are allowed. Raises ValueError for a
    count below 1 or a memory that is not positive.
    """
    n, tau = np.broadcast_arrays(np.asarray(count, dtype=float), np.asarray(memory_days, dtype=float))
    if not (np.all(n >= 1.0) and np.all(tau > 0.0)):
        raise ValueError("count must be 1 or more and memory_days above 0")
    ratio = days / tau
    finite = np.where(np.isfinite(n), n, 1.0)
    # Where the series is used the closed form is not, so it is kept away from 0 there.
    safe = np.maximum(ratio, SHORT)
    gap = -np.expm1(-safe / finite)  # 1 - a
    closed = ((2.0 - gap) / gap + 2.0 * (1.0 - gap) * np.expm1(-safe) / (finite * gap) / gap) / finite
    inverse = 1.0 / safe
    endless = 2.0 * inverse * (1.0 + inverse * np.expm1(-safe))
    series = 1.0 - ratio / 3.0 * (1.0 - np.where(np.isfinite(n), finite, np.inf) ** -2.0)
    return np.asarray(np.where(ratio < SHORT, series, np.where(np.isfinite(n), closed, endless)), dtype=float)


def inverse_count(visits: ArrayLike, chance: ArrayLike) -> tuple[Floats, Floats]:
    """Return E[1/n | n > 0] and the chance that n = 0, for n binomial (visits, chance).

    Fractional visits mix the two neighbouring whole numbers so that their mean is right. Where n is
    never above 0 the first number is 1 (it is not used then). Uses
    E[1/n; n > 0] = sum_j ((1 - p)^(N - j) - (1 - p)^N) / j, j = 1..N (Grab and Savage 1954, J. Amer.
    Statist. Assoc. 49, 169; checked against direct sums). Raises ValueError for negative visits or a
    chance outside 0 to 1.
    """
    x, p = np.broadcast_arrays(np.asarray(visits, dtype=float), np.asarray(chance, dtype=float))
    if not (np.all(x >= 0.0) and np.all((p >= 0.0) & (p <= 1.0))):
        raise ValueError("visits must be 0 or more and chance between 0 and 1")
    below = np.floor(x)
    fraction = x - below
    low, high = _whole(below.astype(int), p), _whole(below.astype(int) + 1, p)
    inverse, some, empty = ((1.0 - fraction) * a + fraction * b for a, b in zip(low, high, strict=True))
    found = np.where(some > 0.0, inverse / np.where(some > 0.0, some, 1.0), 1.0)
    return np.minimum(found, 1.0), np.asarray(empty, dtype=float)


def _whole(visits: np.ndarray, chance: Floats) -> tuple[Floats, Floats, Floats]:
    """Return E[1/n; n > 0], P(n > 0) and P(n = 0) for whole numbers of visits."""
    miss = 1.0 - chance
    empty = np.where(visits > 0, miss ** np.maximum(visits, 1), 1.0)
    # miss^(N - j) - miss^N = miss^(N - j) (1 - miss^j), which keeps its digits where the chance is small.
    rate = np.log1p(-np.minimum(chance, 1.0 - 1e-16))
    inverse = np.zeros(visits.shape)
    for j in range(1, int(visits.max(initial=0)) + 1):
        inverse += np.where(j <= visits, -(miss ** np.maximum(visits - j, 0)) * np.expm1(j * rate) / j, 0.0)
    return inverse, -np.expm1(visits * rate), empty


def contamination_variance(chance: ArrayLike, size: ArrayLike, spread: ArrayLike) -> Floats:
    """Variance of a monthly mean from contamination that passed the screening.

    Each accepted sample carries one with `chance` p; sizes are exponential of mean `size` s, so one
    sample has the variance s^2 p (2 - p); `spread` is V(n, episode length), the part that lasting
    episodes leave in a mean. Units: square of the unit of `size`.
    """
    p, s = np.asarray(chance, dtype=float), np.asarray(size, dtype=float)
    return np.asarray(s**2 * p * (2.0 - p) * np.asarray(spread, dtype=float), dtype=float)
