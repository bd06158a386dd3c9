"""A primal-dual interior point method for the relaxation of one node of the search.

Minimise cost . y + sum of kappa_t max(0, value_t(y) - gamma_t) over lower <= y <= upper, rows y <= limits,
where infinite kappa asks for value_t(y) <= gamma_t. What it returns is never trusted: the multipliers
give a bound that holds whatever they are (see `bound`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp
from scipy.linalg import cho_factor, cho_solve

from siting.region.model import Floats, Ints
from siting.selection.precise.criteria import Measured, Weights

MOST_STEPS = 60
LEAST = 0.1
INTERIOR = 2e-3
WIDENED = 1e-5


@dataclass(frozen=True, eq=False)
class Relaxed:
    """A relaxation's best point: y, theta (T,) and row multipliers (R,), what was measured, and the bound."""

    y: Floats
    theta: Floats
    rows: Floats
    measured: Measured
    bound: float
    value: float
    steps: int


def bound(
    measured: Measured,
    weights: Weights,
    theta: Floats,
    cost: Floats,
    rows: sp.csr_array,
    limits: Floats,
    multipliers: Floats,
    lower: Floats,
    upper: Floats,
) -> tuple[float, Floats]:
    """Return a bound for every y between the bounds that keeps the rows, and the reduced costs (columns,).

    sum theta (constant - gamma) - multipliers . limits + sum of min over [lower, upper] of the reduced
    costs times y; theta between 0 and kappa, multipliers at least 0. Holds for any of them.
    """
    gamma = np.where(weights.always, 0.0, weights.gamma)
    reduced = cost + theta @ measured.gradient + rows.T @ multipliers
    terms = theta * (measured.constants - gamma)
    least = np.minimum(reduced * lower, reduced * upper)
    # Rounding: a generous multiple of the unit roundoff of the terms that cancel.
    size = np.abs(theta * measured.constants).sum() + np.abs(theta * gamma).sum() + np.abs(multipliers * limits).sum()
    spread = np.abs(theta) @ np.abs(measured.gradient) @ np.abs(upper) + np.abs(least).sum()
    margin = 1e-13 * float(size + spread)
    return float(terms.sum() - multipliers @ limits + least.sum()) - margin, reduced


def steadied(
    measured: Measured, theta: Floats, cost: Floats, rows: sp.csr_array, multipliers: Floats, occupancy_rows: Ints
) -> tuple[Measured, Floats]:
    """Return a point's slopes and multipliers made steady where local blocks are hardly used.

    `occupancy_rows` (columns,) is for an occupancy the row "occupancy <= sum of its block", else -1. Its
    multiplier then takes over the whole worth of the occupancy.
    """
    bare = multipliers.copy()
    bare[occupancy_rows[occupancy_rows >= 0]] = 0.0
    prices = cost + rows.T @ bare
    gradient, columns = measured.idle(theta, prices)
    if columns.size == 0:
        return measured, multipliers
    moved = multipliers.copy()
    moved[occupancy_rows[columns]] = -(theta @ gradient[:, columns])
    return replace(measured, gradient=gradient), moved


def relax(
    measure: Callable[[Floats], Measured],
    weights: Weights,
    cost: Floats,
    rows: sp.csr_array,
    limits: Floats,
    lower: Floats,
    upper: Floats,
    occupancy_rows: Ints,
    *,
    start: tuple[Floats, Floats, Floats] | None = None,
    enough: float = np.inf,
    tolerance: float = 1e-6,
    gap_share: float = 0.1,
) -> Relaxed | None:
    """Return the best point found; None where a step cannot be made from the start on.

    `start` are y, theta and row multipliers of a similar problem. The search ends when its bound passes
    `enough`, or when it is accurate within `tolerance`, or within `gap_share` of the way to `enough`.
    """
    width = upper - lower
    m, r = width.size, limits.size
    always, hard = weights.always, np.isinf(weights.kappa)
    kappa = np.where(hard, np.inf, weights.kappa)
    gamma = np.where(always, 0.0, weights.gamma)
    free = ~always & (weights.kappa > 0.0)
    dense = rows.toarray()
    # Rows that meet from both sides leave no interior; the bound is told for the limits as they are.
    exact, limits = limits, limits + WIDENED * (1.0 + np.abs(limits))
    if start is None:
        x = np.full(m, 0.3)
        # Along the diagonal of the box until most rows hold.
        reach = dense @ (lower + x * width)
        if np.any(reach > limits):
            base = dense @ lower
            grow = np.where(reach > limits, (limits - base) / np.maximum(reach - base, 1e-300), 1.0)
            x *= float(np.clip(grow.min() * 0.9, 1e-4, 1.0))
    else:
        x = np.clip((start[0] - lower) / width, INTERIOR, 1.0 - INTERIOR)
    y = lower + x * width
    measured = measure(y)
    grown = np.maximum(measured.values - gamma, 0.0)
    scale = float(np.abs(kappa[~hard] @ measured.values[~hard]) + np.abs(cost) @ np.abs(y)) or 1.0
    theta = np.where(always, kappa, np.where(hard, scale / np.maximum(np.abs(gamma), 1e-300), 0.5 * kappa))
    if start is not None:
        theta = np.where(hard, start[1] + 1e-3 * theta, np.clip(start[1], 1e-3 * kappa, (1 - 1e-3) * kappa))
        theta = np.where(always, kappa, theta)
    theta = np.where(weights.kappa > 0.0, theta, 0.0)
    gradient = cost + theta @ measured.gradient
    mu = float(np.abs(gradient * width).mean()) * (0.2 if start is None else 2e-3) + 1e-12 * scale
    slack = np.maximum(limits - dense @ y, 0.1 if start is None else 0.02)
    lam = mu / slack if start is None else np.maximum(start[2], mu / slack)
    eta = np.where(hard, 0.0, grown + np.maximum(1e-3 * np.abs(gamma), mu / np.maximum(kappa, 1e-300)))
    sigma = np.maximum(gamma + eta - measured.values, 1e-3 * np.maximum(np.abs(gamma), 1e-12))
    low, high = x * width, (1.0 - x) * width
    if start is None:
        z_low, z_high = mu / low, mu / high
    else:
        reduced = gradient + lam @ dense
        z_low = np.maximum(reduced, 0.0) + mu / low
        z_high = np.maximum(-reduced, 0.0) + mu / high
    best: Relaxed | None = None
    stalled = 0
    for step in range(MOST_STEPS):
        told = steadied(measured, theta, cost, rows, lam, occupancy_rows)
        bounded, _ = bound(told[0], weights, theta, cost, rows, exact, told[1], lower, upper)
        over = np.where(free & ~hard, np.maximum(measured.values - gamma, 0.0), 0.0)
        value = float(cost @ y + (np.where(hard, 0.0, kappa) * np.where(always, measured.values, over)).sum())
        broken = float(np.maximum(dense @ y - limits, 0.0).max(initial=0.0))
        if hard.any():
            broken = max(broken, float((np.maximum(measured.values - gamma, 0.0) / np.abs(gamma))[hard].max()))
        if best is None or bounded > best.bound:
            stalled = 0 if best is None or bounded - best.bound > 1e-3 * abs(value - bounded) else stalled + 1
            best = Relaxed(y, theta, told[1], told[0], bounded, value, step)
        else:
            stalled += 1
        if best.bound >= enough or stalled > 6:
            break
        if broken < 1e-6:
            if value - best.bound <= tolerance * max(abs(value), 1e-12):
                break
            if np.isfinite(enough) and value < enough and value - best.bound < gap_share * (enough - best.bound):
                break
        # Newton's matrix, the penalised values eliminated.
        t = np.flatnonzero(free)
        with np.errstate(divide="ignore", invalid="ignore"):
            other = np.where(hard, 1.0, kappa - theta)
            give = np.where(hard, 0.0, theta * eta / other)
        hold = np.where(free, sigma + give, 1.0)
        w = np.where(free, theta / hold, 0.0)
        h = measured.curvature(theta)
        v = measured.gradient[t]
        h += (v.T * w[t]) @ v
        d = z_low / low + z_high / high
        ratio = lam / slack
        h += (dense.T * ratio) @ dense
        h[np.diag_indices(m)] += d
        try:
            factor = cho_factor(h, lower=True, check_finite=False)
        except np.linalg.LinAlgError:
            break
        rest_rows = limits - dense @ y - slack
        rest_t = gamma + eta - measured.values - sigma
        pairs = float(z_low @ low + z_high @ high + lam @ slack)
        pairs += float((theta * sigma)[t].sum() + ((kappa - theta) * eta)[t][~hard[t]].sum())
        count = 2 * m + r + t.size + int((~hard[t]).sum())
        mu = pairs / count

        def newton(
            aim: float, second: tuple[Floats, ...] | None = None
        ) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats, Floats, Floats]:
            a_low, a_high = aim / low, aim / high
            a_rows = aim / slack
            a_theta, a_eta = np.full(theta.size, aim), np.full(theta.size, aim)
            if second is not None:
                a_low, a_high, a_rows = a_low - second[0] / low, a_high - second[1] / high, a_rows - second[2] / slack
                a_theta, a_eta = a_theta - second[3], a_eta - second[4]
            with np.errstate(divide="ignore", invalid="ignore"):
                push = np.where(hard, 0.0, theta * (a_eta / other - eta))
                c0 = np.where(free, (a_theta - theta * sigma - theta * rest_t - push) / hold, 0.0)
            slope = cost + (theta + c0) @ measured.gradient
            right = -slope + a_low - a_high - (a_rows - ratio * rest_rows) @ dense
            dy = cho_solve(factor, right, check_finite=False)
            d_slack = rest_rows - dense @ dy
            d_theta = np.where(free, c0 + w * (measured.gradient @ dy), 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                d_eta = np.where(free & ~hard, (a_eta - (kappa - theta) * eta + eta * d_theta) / other, 0.0)
            d_sigma = np.where(free, rest_t + d_eta - measured.gradient @ dy, 0.0)
            return (
                dy,
                d_slack,
                a_low - z_low - z_low / low * dy,
                a_high - z_high + z_high / high * dy,
                a_rows - lam - ratio * d_slack,
                d_theta,
                d_eta,
                d_sigma,
            )

        def longest(move: tuple[Floats, ...]) -> float:
            dy, d_slack, d_low, d_high, d_lam, d_theta, d_eta, d_sigma = move
            soft = free & ~hard
            pairs_of = [
                (low, dy),
                (high, -dy),
                (slack, d_slack),
                (z_low, d_low),
                (z_high, d_high),
                (lam, d_lam),
                (theta[free], d_theta[free]),
                (sigma[free], d_sigma[free]),
                (eta[soft], d_eta[soft]),
                ((kappa - theta)[soft], -d_theta[soft]),
            ]
            worst = max((float((-b / a).max()) for a, b in pairs_of if a.size), default=0.0)
            return min(1.0, 0.99 / worst) if worst > 0.0 else 1.0

        affine = newton(0.0)
        a = longest(affine)
        soft = free & ~hard
        after = float(
            (low + a * affine[0]) @ (z_low + a * affine[2])
            + (high - a * affine[0]) @ (z_high + a * affine[3])
            + (slack + a * affine[1]) @ (lam + a * affine[4])
            + ((theta + a * affine[5]) * (sigma + a * affine[7]))[free].sum()
            + (((kappa - theta) - a * affine[5])[soft] * (eta + a * affine[6])[soft]).sum()
        )
        aim = mu * min(1.0, max((after / count / mu) ** 3, LEAST))
        move = newton(
            aim,
            (
                affine[0] * affine[2],
                -affine[0] * affine[3],
                affine[1] * affine[4],
                affine[5] * affine[7],
                -affine[5] * affine[6],
            ),
        )
        a = longest(move)
        if not np.isfinite(a) or not all(np.all(np.isfinite(part)) for part in move):
            break
        for _ in range(30):
            try:
                new = measure(y + a * move[0])
                break
            except np.linalg.LinAlgError:
                a *= 0.5
        else:
            break
        y = y + a * move[0]
        low, high = low + a * move[0], high - a * move[0]
        slack, z_low, z_high, lam = slack + a * move[1], z_low + a * move[2], z_high + a * move[3], lam + a * move[4]
        theta, eta, sigma = theta + a * move[5], eta + a * move[6], sigma + a * move[7]
        measured = new
    return best
