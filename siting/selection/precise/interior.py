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

from siting.arrays import Floats, Ints
from siting.selection.highs import Solver
from siting.selection.precise.criteria import Measured, Weights
from siting.selection.rows import INFINITY, Rows

MOST_STEPS = 60
# The least share of the complementarity that a step aims at: less makes the bound unsteady.
LEAST = 0.1
INTERIOR = 2e-3
WIDENED = 1e-6
# A point that breaks no row by more than this counts as one of the relaxation.
KEPT = 1e-5
# However far the bound is from what would be enough, a relaxation is solved to this share of its value.
ROUGH = 0.01
# Steps without a better bound after which the search ends.
MOST_STALLED = 6
# A row with more than this share of the columns is a full one.
FULL = 0.1


@dataclass(frozen=True, eq=False)
class Relaxed:
    """A relaxation's best point: y, theta (T,) and row multipliers (R,), what was measured, and the bound.

    `give(sums)` says for sums of columns, (m, columns) of 0 and 1, how far a unit force moves each (m,): holding one a
    distance d away from where it is costs about d^2 / (2 give).
    """

    y: Floats
    theta: Floats
    rows: Floats
    measured: Measured
    bound: float
    value: float
    steps: int
    give: Callable[[Floats], Floats]


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


@dataclass(frozen=True, eq=False)
class Task:
    """A relaxation to solve: what is measured and how it counts, linear cost, rows, bounds of the columns.

    `occupancy_rows` is as in `steadied`; `enough` is a bound at which the search may end, as it may when it is
    accurate within `tolerance`, or within `gap_share` of the way from its bound to `enough`.
    """

    measure: Callable[[Floats], Measured]
    weights: Weights
    cost: Floats
    rows: sp.csr_array
    limits: Floats
    lower: Floats
    upper: Floats
    occupancy_rows: Ints
    enough: float = np.inf
    tolerance: float = 1e-6
    gap_share: float = 0.15


def relax(task: Task, start: tuple[Floats, Floats, Floats] | None = None) -> Relaxed:
    """Return the best point found of a relaxation; `start` are y, theta and row multipliers of a similar one."""
    method = _Method(task, start)
    for step in range(MOST_STEPS):
        if method.told(step):
            break
        if not method.step():
            break
    assert method.best is not None
    return method.best


@dataclass(frozen=True, eq=False)
class _Move:
    """A step in all variables: columns, row slacks, multipliers of bounds and rows, theta, excess, slack of values."""

    y: Floats
    slack: Floats
    z_low: Floats
    z_high: Floats
    rows: Floats
    theta: Floats
    eta: Floats
    sigma: Floats

    def whole(self) -> bool:
        """Say whether all numbers are finite."""
        every = (self.y, self.slack, self.z_low, self.z_high, self.rows, self.theta, self.eta, self.sigma)
        return all(bool(np.all(np.isfinite(one))) for one in every)


class _Method:
    """The iteration: predictor and corrector after Mehrotra 1992, SIAM J. Optimization 2, with penalised values.

    A value t has a slack sigma_t = gamma_t + eta_t - value_t >= 0 with multiplier theta_t, and an excess
    eta_t >= 0 at price kappa_t with multiplier kappa_t - theta_t; both are eliminated from Newton's matrix.
    """

    def __init__(self, task: Task, start: tuple[Floats, Floats, Floats] | None) -> None:
        self._task = task
        weights, lower, width = task.weights, task.lower, task.upper - task.lower
        self._hard = np.isinf(weights.kappa)
        self._kappa = weights.kappa
        self._gamma = np.where(weights.always, 0.0, weights.gamma)
        self._free = ~weights.always & (weights.kappa > 0.0)
        self._soft = self._free & ~self._hard
        self._dense = task.rows.toarray()
        # Most rows hold few columns: only the others are worth a product of whole matrices.
        full = np.diff(task.rows.indptr) > FULL * lower.size
        self._full, self._full_rows = full, self._dense[full]
        self._few_rows = sp.csr_array(task.rows[~full])
        self._few_turned = sp.csr_array(self._few_rows.T)
        # Rows that meet from both sides leave no interior; the bound is told for the limits as they are.
        self._limits = task.limits + WIDENED * (1.0 + np.abs(task.limits))
        x = self._first_shares(lower, width) if start is None else (start[0] - lower) / width
        x = x if start is None else np.clip(x, INTERIOR, 1.0 - INTERIOR)
        self.y = lower + x * width
        self.measured = task.measure(self.y)
        self.best: Relaxed | None = None
        self._stalled = 0
        self._factored = False
        self._low, self._high = x * width, (1.0 - x) * width
        self._first_multipliers(start, width)

    def _first_shares(self, lower: Floats, width: Floats) -> Floats:
        """Return shares of the box along its diagonal at which most rows hold."""
        x = np.full(width.size, 0.3)
        reach = self._dense @ (lower + x * width)
        if np.any(reach > self._limits):
            base = self._dense @ lower
            room = (self._limits - base) / np.maximum(reach - base, 1e-300)
            grow = np.where(reach > self._limits, room, 1.0)
            x *= float(np.clip(grow.min() * 0.9, 1e-4, 1.0))
            if np.any(self._dense @ (lower + x * width) > self._limits):
                return self._inner_shares(lower, width, x)
        return x

    def _inner_shares(self, lower: Floats, width: Floats, otherwise: Floats) -> Floats:
        """Return shares of the box that lie as far inside bounds and rows as a linear program can bring them."""
        size, rows = width.size, sp.csr_array(self._task.rows @ sp.diags_array(width))
        scale = np.maximum(np.abs(self._dense * width).max(axis=1, initial=0.0), 1e-12)
        inside = sp.vstack(
            [
                sp.hstack([sp.diags_array(1.0 / scale) @ rows, sp.csr_array(np.ones((scale.size, 1)))]),
                sp.hstack([-sp.eye_array(size), sp.csr_array(np.ones((size, 1)))]),
                sp.hstack([sp.eye_array(size), sp.csr_array(np.ones((size, 1)))]),
            ]
        )
        high = np.concatenate([(self._limits - self._dense @ lower) / scale, np.zeros(size), np.ones(size)])
        solver = Solver(
            np.append(np.zeros(size), 1.0),
            np.zeros(size + 1),
            np.append(np.ones(size), 0.3),
            Rows(sp.csr_array(inside), np.full(high.size, -INFINITY), high),
        )
        found = solver.solve_lp()
        if found.status != "optimal":
            return otherwise
        return np.clip(found.point[:size], 1e-4, 1.0 - 1e-4)

    def _first_multipliers(self, start: tuple[Floats, Floats, Floats] | None, width: Floats) -> None:
        task, kappa, gamma, hard = self._task, self._kappa, self._gamma, self._hard
        values, always = self.measured.values, task.weights.always
        scale = float(np.abs(kappa[~hard] @ values[~hard]) + np.abs(task.cost) @ np.abs(self.y)) or 1.0
        theta = np.where(always, kappa, np.where(hard, scale / np.maximum(np.abs(gamma), 1e-300), 0.5 * kappa))
        if start is not None:
            with np.errstate(invalid="ignore"):
                near = np.clip(start[1], 1e-3 * kappa, (1.0 - 1e-3) * kappa)
            theta = np.where(hard, start[1] + 1e-3 * theta, near)
            theta = np.where(always, kappa, theta)
        self.theta = np.where(kappa > 0.0, theta, 0.0)
        gradient = task.cost + self.theta @ self.measured.gradient
        mu = (
            float(np.abs(gradient * width).sum() / max(width.size, 1)) * (0.2 if start is None else 2e-3)
            + 1e-12 * scale
        )
        self._slack = np.maximum(self._limits - self._dense @ self.y, 0.1 if start is None else 0.02)
        self.rows = mu / self._slack if start is None else np.maximum(start[2], mu / self._slack)
        over = np.maximum(values - gamma, 0.0)
        self._eta = np.where(hard, 0.0, over + np.maximum(1e-3 * np.abs(gamma), mu / np.maximum(kappa, 1e-300)))
        self._sigma = np.maximum(gamma + self._eta - values, 1e-3 * np.maximum(np.abs(gamma), 1e-12))
        self._z_low, self._z_high = mu / self._low, mu / self._high
        if start is not None:
            reduced = gradient + self.rows @ self._dense
            self._z_low = self._z_low + np.maximum(reduced, 0.0)
            self._z_high = self._z_high + np.maximum(-reduced, 0.0)

    def told(self, step: int) -> bool:
        """Bound the problem at this point, keep the best, and say whether the search may end."""
        task, values = self._task, self.measured.values
        measured, rows = steadied(self.measured, self.theta, task.cost, task.rows, self.rows, task.occupancy_rows)
        bounded, _ = bound(
            measured, task.weights, self.theta, task.cost, task.rows, task.limits, rows, task.lower, task.upper
        )
        over = np.where(self._soft, np.maximum(values - self._gamma, 0.0), 0.0)
        counted = np.where(task.weights.always, values, over)
        value = float(task.cost @ self.y + (np.where(self._hard, 0.0, self._kappa) * counted).sum())
        if self.best is None or bounded > self.best.bound:
            little = self.best is not None and bounded - self.best.bound <= 1e-3 * abs(value - bounded)
            self._stalled = self._stalled + 1 if little else 0
            self.best = Relaxed(self.y, self.theta, rows, measured, bounded, value, step, self.give)
        else:
            self._stalled += 1
        best = self.best.bound
        if best >= task.enough or self._stalled > MOST_STALLED:
            return True
        if self._broken() >= KEPT:
            return False
        if value - best <= task.tolerance * max(abs(value), 1e-12):
            return True
        near = min(task.gap_share * (task.enough - best), ROUGH * abs(value))
        return np.isfinite(task.enough) and value < task.enough and value - best < near

    def _broken(self) -> float:
        """Return by how much rows, and relatively limits of values, are broken at most."""
        worst = float((self._dense @ self.y - self._limits).max(initial=0.0))
        if self._hard.any():
            over = np.maximum(self.measured.values - self._gamma, 0.0)[self._hard]
            worst = max(worst, float((over / np.abs(self._gamma[self._hard])).max()))
        return worst

    def step(self) -> bool:
        """Make one step; False if none can be made."""
        if not self._factorise():
            return False
        first = self._newton(0.0, None)
        reach = self._longest(first)
        pairs, count = self._pairs(None, 0.0)
        mu = pairs / count
        after, _ = self._pairs(first, reach)
        aim = mu * min(1.0, max((after / count / mu) ** 3, LEAST))
        move = self._newton(aim, first)
        reach = self._longest(move)
        if not (np.isfinite(reach) and move.whole()):
            return False
        for _ in range(30):
            try:
                self.measured = self._task.measure(self.y + reach * move.y)
                break
            except np.linalg.LinAlgError:
                reach *= 0.5
        else:
            return False
        self.y = self.y + reach * move.y
        self._low, self._high = self._low + reach * move.y, self._high - reach * move.y
        self._slack = self._slack + reach * move.slack
        self._z_low, self._z_high = self._z_low + reach * move.z_low, self._z_high + reach * move.z_high
        self.rows = self.rows + reach * move.rows
        self.theta = self.theta + reach * move.theta
        self._eta, self._sigma = self._eta + reach * move.eta, self._sigma + reach * move.sigma
        return True

    def give(self, sums: Floats) -> Floats:
        """Return a' N^-1 a (m,) of sums a (m, columns), N being Newton's matrix, in which bounds and rows count too."""
        if not self._factored:
            return np.ones(sums.shape[0])
        return np.asarray((sums * cho_solve(self._factor, sums.T, check_finite=False).T).sum(axis=1))

    def _factorise(self) -> bool:
        """Set up Newton's matrix with slacks and penalised values eliminated."""
        with np.errstate(divide="ignore", invalid="ignore"):
            self._other = np.where(self._hard, 1.0, self._kappa - self.theta)
            give = np.where(self._hard, 0.0, self.theta * self._eta / self._other)
            self._hold = np.where(self._free, self._sigma + give, 1.0)
            self._weight = np.where(self._free, self.theta / self._hold, 0.0)
        t = np.flatnonzero(self._free)
        slopes = self.measured.gradient[t]
        self._ratio = self.rows / self._slack
        matrix = self.measured.curvature(self.theta)
        wide = np.concatenate([slopes, self._full_rows])
        matrix += (wide.T * np.concatenate([self._weight[t], self._ratio[self._full]])) @ wide
        few = sp.coo_array(self._few_turned @ (sp.diags_array(self._ratio[~self._full]) @ self._few_rows))
        matrix[few.coords] += few.data
        matrix[np.diag_indices(self.y.size)] += self._z_low / self._low + self._z_high / self._high
        try:
            # Turned, it lies in memory as the library wants it, and nothing is copied.
            self._factor = cho_factor(matrix.T, lower=True, overwrite_a=True, check_finite=False)
        except np.linalg.LinAlgError:
            return False
        self._factored = True
        return True

    def _newton(self, aim: float, first: _Move | None) -> _Move:
        """Return the step towards complementarity `aim`, with the products of a first step taken off."""
        kappa, theta, eta, hard, free = self._kappa, self.theta, self._eta, self._hard, self._free
        gradient = self.measured.gradient
        left_rows = self._limits - self._dense @ self.y - self._slack
        left_values = self._gamma + eta - self.measured.values - self._sigma
        a_low, a_high, a_rows = aim / self._low, aim / self._high, aim / self._slack
        a_theta, a_eta = np.full(theta.size, aim), np.full(theta.size, aim)
        if first is not None:
            a_low = a_low - first.y * first.z_low / self._low
            a_high = a_high + first.y * first.z_high / self._high
            a_rows = a_rows - first.slack * first.rows / self._slack
            a_theta, a_eta = a_theta - first.theta * first.sigma, a_eta + first.theta * first.eta
        with np.errstate(divide="ignore", invalid="ignore"):
            push = np.where(hard, 0.0, theta * (a_eta / self._other - eta))
            constant = (a_theta - theta * self._sigma - theta * left_values - push) / self._hold
        constant = np.where(free, constant, 0.0)
        slope = self._task.cost + (theta + constant) @ gradient
        right = -slope + a_low - a_high - (a_rows - self._ratio * left_rows) @ self._dense
        dy = cho_solve(self._factor, right, check_finite=False)
        d_slack = left_rows - self._dense @ dy
        d_theta = np.where(free, constant + self._weight * (gradient @ dy), 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            d_eta = np.where(self._soft, (a_eta - (kappa - theta) * eta + eta * d_theta) / self._other, 0.0)
        return _Move(
            dy,
            d_slack,
            a_low - self._z_low - self._z_low / self._low * dy,
            a_high - self._z_high + self._z_high / self._high * dy,
            a_rows - self.rows - self._ratio * d_slack,
            d_theta,
            d_eta,
            np.where(free, left_values + d_eta - gradient @ dy, 0.0),
        )

    def _longest(self, move: _Move) -> float:
        """Return the longest share of a step that keeps everything above 0, 1 at most."""
        free, soft = self._free, self._soft
        pairs = (
            (self._low, move.y),
            (self._high, -move.y),
            (self._slack, move.slack),
            (self._z_low, move.z_low),
            (self._z_high, move.z_high),
            (self.rows, move.rows),
            (self.theta[free], move.theta[free]),
            (self._sigma[free], move.sigma[free]),
            (self._eta[soft], move.eta[soft]),
            ((self._kappa - self.theta)[soft], -move.theta[soft]),
        )
        worst = max((float((-change / now).max()) for now, change in pairs if now.size), default=0.0)
        return min(1.0, 0.99 / worst) if worst > 0.0 else 1.0

    def _pairs(self, move: _Move | None, a: float) -> tuple[float, int]:
        """Return the sum of all complementary products after a share of a step, and their number."""
        free, soft = self._free, self._soft
        low, high, slack, rows = self._low, self._high, self._slack, self.rows
        z_low, z_high, theta, sigma, eta = self._z_low, self._z_high, self.theta, self._sigma, self._eta
        if move is not None:
            low, high, slack, rows = low + a * move.y, high - a * move.y, slack + a * move.slack, rows + a * move.rows
            z_low, z_high = z_low + a * move.z_low, z_high + a * move.z_high
            theta, sigma, eta = theta + a * move.theta, sigma + a * move.sigma, eta + a * move.eta
        total = float(z_low @ low + z_high @ high + rows @ slack + (theta * sigma)[free].sum())
        total += float(((self._kappa - theta)[soft] * eta[soft]).sum())
        return total, 2 * low.size + slack.size + int(free.sum()) + int(soft.sum())
