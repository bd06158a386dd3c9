"""Exact Gaussian likelihood of an irregular record: two memories, white noise, yearly anomalies of growth.

The air's slow and synoptic parts are Ornstein-Uhlenbeck processes (AR(1) at any spacing). Their inverse
covariance at the times of the samples has three diagonals (Rue and Held 2005, Gaussian Markov Random
Fields, section 1.1.1 for AR(1)), so that eliminating a chain of small blocks gives the likelihood in O(n).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from siting.arrays import Floats
from siting.noise.chain import eliminate_chains
from siting.noise.design import MONTH_DAYS, Design

# Samples times noises that are worked on at once: small enough for the memory of any machine.
BATCH = 20_000


@dataclass(frozen=True, slots=True)
class Noise:
    """The parts of a record's noise, in the unit of its values; a part of sd 0 is not there.

    `slow_phi` is the autocorrelation of the slow part over one month (30.4375 days), `memory_days` the
    e-folding time of the synoptic part, `growth_anomaly_sd` the sd of the yearly anomalies of growth (unit
    a year), `white_sd` whatever has no memory between samples. A process that is constant within months,
    with the same sd and phi, has (1 + phi)/(1 - phi) in place of 2/(-ln phi) months of variance at the
    slowest changes: 4 % more at phi .5, less above.
    """

    slow_sd: float
    slow_phi: float
    synoptic_sd: float
    memory_days: float
    white_sd: float
    growth_anomaly_sd: float = 0.0

    def __post_init__(self) -> None:
        sizes = (self.slow_sd, self.synoptic_sd, self.growth_anomaly_sd)
        if not (all(0.0 <= s < math.inf for s in sizes) and 0.0 < self.white_sd < math.inf):
            raise ValueError("standard deviations must be 0 or more, the white one above 0")
        if not (0.0 <= self.slow_phi < 1.0 and 0.0 < self.memory_days < math.inf):
            raise ValueError("slow_phi must be from 0 to below 1, memory_days above 0")


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A design and what its likelihood needs again and again.

    The right sides stand side by side as `table` (n, c): basis, ramps, residual of least squares.
    """

    design: Design
    gaps: Floats
    table_squares: Floats
    node_sums: Floats
    ordinary: Floats
    residual: Floats


def prepare(design: Design) -> Prepared:
    """Return a design with its sums by time, for any number of likelihoods."""
    ordinary = design.basis.T @ design.values
    residual = design.values - design.basis @ ordinary
    table = np.column_stack([design.basis, design.ramps, residual])
    sums = np.add.reduceat(table, design.starts, axis=0)
    return Prepared(design, np.diff(design.node_days), table.T @ table, sums, ordinary, residual)


def _grams(prepared: Prepared, noises: Sequence[Noise]) -> tuple[Floats, Floats]:
    """Return table^T V^-1 table (b, c, c) and log |V| (b,), V the covariances without the anomalies."""
    n, m = prepared.design.days.size, prepared.gaps.size + 1
    slow = [-MONTH_DAYS / math.log(x.slow_phi) if x.slow_phi > 0.0 else 0.0 for x in noises]
    sds = np.array([[x.slow_sd, x.synoptic_sd] for x in noises])
    memories = np.array([[days, x.memory_days] for days, x in zip(slow, noises, strict=True)])
    precision = np.array([x.white_sd**-2 for x in noises])
    there = np.any(sds > 0.0, axis=0)
    sds, memories = sds[:, there], memories[:, there]
    squares = precision[:, None, None] * prepared.table_squares
    log_det = -n * np.log(precision)
    b, k = sds.shape
    if k == 0:
        return squares, log_det
    # Unit processes x at each time; sample = H x + white, H holding the sds. With Q the inverse covariance of x,
    # V^-1 = W - W H (Q + H^T W H)^-1 H^T W and |V| = |Q + H^T W H| |Q|^-1 |W|^-1.
    weight = precision[:, None] * prepared.design.counts
    blocks = weight[:, :, None, None] * (sds[:, :, None] * sds[:, None, :])[:, None]
    ties = np.zeros((b, m - 1, k, k))
    for j in range(k):
        rate = np.array([1.0 / days if days > 0.0 else np.inf for days in memories[:, j].tolist()])
        step = rate[:, None] * prepared.gaps
        fresh = -np.expm1(-2.0 * step)  # 1 - a^2
        inner = np.exp(-2.0 * step) / fresh
        blocks[:, :, j, j] += 1.0
        blocks[:, :-1, j, j] += inner
        blocks[:, 1:, j, j] += inner
        ties[:, :, j, j] = -np.exp(-step) / fresh
        log_det += np.log(fresh).sum(axis=-1)
    right = prepared.node_sums[None, :, None, :] * (sds * precision[:, None])[:, None, :, None]
    product, inside = eliminate_chains(blocks, ties, right)
    return squares - product, log_det + inside


def _mixed(prepared: Prepared, noises: Sequence[Noise]) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the left sides (b, q, q) of Henderson's mixed-model equations, right sides (b, q), y^T V^-1 y, log |V|.

    Unknowns: coefficients of the basis, then anomalies in units of their sd (Henderson 1975,
    Biometrics 31, 423).
    """
    grams, log_det = _grams(prepared, noises)
    p, years = prepared.design.basis.shape[1], prepared.design.ramps.shape[1]
    scale = np.ones((len(noises), p + years))
    scale[:, p:] = np.array([x.growth_anomaly_sd for x in noises])[:, None]
    left = grams[:, :-1, :-1] * scale[:, :, None] * scale[:, None, :]
    left[:, range(p, p + years), range(p, p + years)] += 1.0
    return left, grams[:, :-1, -1] * scale, grams[:, -1, -1], log_det


def restricted_log_likelihoods(prepared: Prepared, noises: Sequence[Noise]) -> Floats:
    """Return the restricted log-likelihood (b,) of the values of a record under each of `noises`.

    l = -[(n - p) ln 2 pi + ln |V| + ln |X^T V^-1 X| - ln |X^T X| + r^T V^-1 r] / 2 (Harville 1974,
    Biometrika 61, 383), V with the yearly anomalies in it, X the columns of level, growth, season, offsets.
    """
    n, p = prepared.design.columns.shape
    found = []
    size = max(1, BATCH // n)
    for start in range(0, len(noises), size):
        left, right, squares, log_det = _mixed(prepared, noises[start : start + size])
        factor = np.linalg.cholesky(left)
        inside = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=-1)
        solved = np.linalg.solve(factor, right[:, :, None])[:, :, 0]
        rest = squares - np.sum(solved**2, axis=-1)
        found.append(-0.5 * ((n - p) * math.log(2.0 * math.pi) + log_det + inside + rest))
    return np.concatenate(found)


def restricted_log_likelihood(prepared: Prepared, noise: Noise) -> float:
    """Return the restricted log-likelihood of the values of a record under one noise."""
    return float(restricted_log_likelihoods(prepared, [noise])[0])


def generalised_least_squares(prepared: Prepared, noise: Noise) -> tuple[Floats, Floats]:
    """Return the coefficients (p + years,) of a record under `noise` and the covariance of their errors.

    First the coefficients of the design's columns, then the yearly anomalies of growth (best linear
    unbiased predictions; their covariance is that of prediction minus truth).
    """
    left, right, _, _ = _mixed(prepared, [noise])
    factor = cho_factor(left[0], lower=True)
    design = prepared.design
    p, years = design.basis.shape[1], design.ramps.shape[1]
    back = np.zeros((p + years, p + years))
    back[:p, :p] = np.linalg.inv(design.triangle)
    back[range(p, p + years), range(p, p + years)] = noise.growth_anomaly_sd
    solution = cho_solve(factor, right[0])
    solution[:p] += prepared.ordinary
    covariance = back @ cho_solve(factor, back.T)
    return back @ solution, 0.5 * (covariance + covariance.T)
