"""The parameters of a record's noise by restricted likelihood, with their errors from the observed information."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import minimize

from siting.arrays import Floats
from siting.noise.design import MONTH_DAYS
from siting.noise.likelihood import Noise, Prepared, restricted_log_likelihoods

Losses = Callable[[Sequence[Floats]], Floats]
PHI = "slow_phi"
# Standard deviations are sought between these multiples of the residual's; the least counts as 0.
LEAST, MOST = 5e-3, 30.0
# Bounds of the memories in days: a synoptic memory ends where the slow one begins, else the two could swap.
SYNOPTIC_MOST, SLOW_LEAST, SLOW_MOST = 12.0, 13.0, 365.25
# The two best of a grid of starts are followed.
FOLLOWED = 2
NOT_MISSED = 1e-2  # fall of the log-likelihood without a part that counts as none
STEP = 5e-3  # of the numerical derivatives, in logarithms
FLAT = 5.0  # standard error of a logarithm beyond which the likelihood counts as flat
UNSEEN_SLOW_DAYS = 60.0  # memory (phi .6) that a slow part is given if it was not seen but may be there
CAP = 0.5  # largest standard error of a logarithm that enters the errors of growth and season


@dataclass(frozen=True, slots=True, eq=False)
class Variances:
    """Estimated parameters: `logs` (d,) of those named, `covariance` (f, f) of the `free` ones.

    The free ones are those that are neither at a bound nor a memory of a part that is not there. `unseen`
    holds the sd that a part may still have although its best value is 0: there the likelihood has fallen by
    exp(-1/2), as at one standard error.
    """

    noise: Noise
    names: tuple[str, ...]
    logs: Floats
    scale: float
    lower: Floats
    upper: Floats
    free: tuple[int, ...]
    covariance: Floats
    log_likelihood: float
    unseen: tuple[tuple[str, float], ...]

    def relative_error(self, name: str) -> float | None:
        """Standard error of the parameter's logarithm (of the slow memory for phi), None where it is flat."""
        if name not in self.names or self.names.index(name) not in self.free:
            return None
        place = self.free.index(self.names.index(name))
        error = math.sqrt(float(self.covariance[place, place]))
        if error >= FLAT * (1.0 - 1e-6):
            return None
        if name == "synoptic_sd":
            error = math.hypot(error, *self._taken(self.noise.synoptic_sd, ("slow_sd", "white_sd")))
        return error

    def _taken(self, sd: float, parts: Sequence[str]) -> list[float]:
        """Relative errors of an sd because parts that were not seen may be a share of its variance."""
        return [0.5 * (limit / sd) ** 2 for name, limit in self.unseen if name in parts]

    def fast(self) -> tuple[float, float | None]:
        """Root of the squares of the synoptic and the white part, and its relative error."""
        parts = [name for name in ("synoptic_sd", "white_sd") if name in self.names]
        total = math.hypot(*(float(getattr(self.noise, name)) for name in parts))
        slopes = np.zeros(len(self.free))
        for name in parts:
            place = self.names.index(name)
            if place in self.free:
                slopes[self.free.index(place)] = (float(getattr(self.noise, name)) / total) ** 2
        if not np.any(slopes):
            return total, None
        error = math.sqrt(float(slopes @ self.covariance @ slopes))
        return total, math.hypot(error, *self._taken(total, ("slow_sd",)))

    def points(self) -> list[Noise]:
        """Parameters that stand for their errors: two along each principal axis (third-degree cubature).

        Axes with a larger error than `CAP` are cut to it, and no point leaves the bounds. See Arasaratnam
        and Haykin 2009, IEEE Trans. Automat. Contr. 54, 1254, for the rule.
        """
        centre = self.logs.copy()
        for name, sd in self.unseen:
            if name == "white_sd":
                continue  # averages out of growth and season
            # of a half-normal spread above 0 the mean square is that of its one-sigma point
            centre[self.names.index(name)] = math.log(sd / self.scale)
            if name == "slow_sd":
                centre[self.names.index(PHI)] = math.log(UNSEEN_SLOW_DAYS)
        if not self.free:
            return [noise_of(self.names, centre, self.scale)]
        values, vectors = np.linalg.eigh(self.covariance)
        axes = vectors * np.minimum(np.sqrt(values), CAP) * math.sqrt(max(len(self.free), 1))
        found = []
        for axis in axes.T:
            # the sign of an eigenvector is free, the pair of points is not
            for sign in (1.0, -1.0):
                logs = centre.copy()
                logs[list(self.free)] += sign * axis
                found.append(noise_of(self.names, np.clip(logs, self.lower, self.upper), self.scale))
        return found

    def unseen_sd(self, name: str) -> float | None:
        """The one-sigma limit of a part that was not seen; None for a part that was."""
        return dict(self.unseen).get(name)


def noise_of(names: Sequence[str], logs: Floats, scale: float) -> Noise:
    """Return the noise that has these logarithms (sds in units of `scale`, memories in days)."""
    numbers = dict(zip(names, np.exp(logs).tolist(), strict=True))
    return Noise(
        slow_sd=scale * numbers["slow_sd"],
        slow_phi=math.exp(-MONTH_DAYS / numbers[PHI]),
        synoptic_sd=scale * numbers.get("synoptic_sd", 0.0),
        memory_days=numbers.get("memory_days", 1.0),
        white_sd=scale * numbers["white_sd"],
        growth_anomaly_sd=scale * numbers.get("growth_anomaly_sd", 0.0),
    )


def estimate_variances(prepared: Prepared, *, synoptic: bool, anomalies: bool, shortest_days: float) -> Variances:
    """Maximise the restricted likelihood over the parts that the record may tell.

    `shortest_days` is the usual distance of samples: a synoptic memory far below it is white noise.
    Deterministic: a grid of starts, of which the best are followed by L-BFGS-B within bounds. Raises
    ValueError if the values leave no noise.
    """
    scale = _scale(prepared)
    names = ["slow_sd", PHI, "white_sd"]
    names += ["synoptic_sd", "memory_days"] if synoptic else []
    names += ["growth_anomaly_sd"] if anomalies else []
    limits = {name: (math.log(LEAST), math.log(MOST)) for name in names}
    limits[PHI] = (math.log(SLOW_LEAST), math.log(SLOW_MOST))
    least_memory = min(max(0.05, shortest_days / 4.0), SYNOPTIC_MOST / 4.0)
    limits["memory_days"] = (math.log(least_memory), math.log(SYNOPTIC_MOST))
    lower, upper = (np.array([limits[name][side] for name in names]) for side in (0, 1))

    def losses(many: Sequence[Floats]) -> Floats:
        return -restricted_log_likelihoods(prepared, [noise_of(names, logs, scale) for logs in many])

    grid = [np.clip(x, lower, upper) for x in _starts(names, least_memory)]
    at_start = losses(grid)
    order = np.argsort(at_start, kind="stable")[:FOLLOWED]
    yardstick = max(1.0, abs(float(at_start[order[0]])))
    search: Any = minimize

    def followed(start: Floats, close: float) -> tuple[float, Floats]:
        end = search(
            lambda x: _with_gradient(losses, x, lower, upper, fine=close < 1e-5),
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=list(zip(lower, upper, strict=True)),
            options={"maxiter": 200, "ftol": close / yardstick, "gtol": 1e-4},
        )
        return float(end.fun), np.asarray(end.x, dtype=float)

    rough = [followed(grid[i], 1e-3) for i in order]
    _, logs = followed(min(rough, key=lambda end: end[0])[1], 1e-8)
    logs = _without_unseen(losses, logs, names, lower)
    free = _free(names, logs, lower, upper)
    covariance = _covariance(losses, logs, free)
    unseen = tuple(
        (name, scale * _limit(losses, logs, names, name, float(upper[names.index(name)])))
        for name in ("slow_sd", "synoptic_sd", "white_sd", "growth_anomaly_sd")
        if name in names and logs[names.index(name)] == lower[names.index(name)]
    )
    found = noise_of(names, logs, scale)
    return Variances(
        found, tuple(names), logs, scale, lower, upper, free, covariance, -float(losses([logs])[0]), unseen
    )


def _scale(prepared: Prepared) -> float:
    """Standard deviation of what columns and ramps leave, the yardstick of the search."""
    design = prepared.design
    both = np.column_stack([design.columns, design.ramps])
    rest = design.values - both @ np.linalg.lstsq(both, design.values, rcond=None)[0]
    scale = math.sqrt(float(rest @ rest) / max(1, design.days.size - both.shape[1]))
    size = float(np.std(design.values))
    if scale <= 1e-9 * max(size, 1e-3 * float(np.max(np.abs(design.values)))):
        raise ValueError("the values follow a line and a season without any noise; give measured values")
    return scale


def _starts(names: Sequence[str], least_memory: float) -> list[Floats]:
    """Return the grid of starts: how the variance is shared, and how long the memories are."""
    shares = [(0.3, 0.4, 0.3), (0.1, 0.7, 0.2), (0.7, 0.15, 0.15), (0.1, 0.1, 0.8)]
    found = []
    memories = [max(1.5, 1.5 * least_memory), max(5.0, 2.0 * least_memory)] if "memory_days" in names else [1.0]
    anomalies = [0.1, 1.0] if "growth_anomaly_sd" in names else [1.0]
    for share, phi, memory, anomaly in itertools.product(shares, (0.4, 0.8), memories, anomalies):
        slow, synoptic, white = share
        white += 0.0 if "synoptic_sd" in names else synoptic
        numbers = {
            "slow_sd": math.sqrt(slow),
            PHI: -MONTH_DAYS / math.log(phi),
            "white_sd": math.sqrt(white),
            "synoptic_sd": math.sqrt(synoptic),
            "memory_days": memory,
            "growth_anomaly_sd": anomaly,
        }
        found.append(np.log([numbers[name] for name in names]))
    return found


def _with_gradient(losses: Losses, at: Floats, lower: Floats, upper: Floats, *, fine: bool) -> tuple[float, Floats]:
    """Return the loss and its gradient: central differences if `fine`, else forward ones; never beyond a bound."""
    ahead = np.minimum(at + 1e-4, upper)
    behind = np.maximum(at - 1e-4, lower) if fine else np.where(ahead - at < 5e-5, at - 1e-4, at)
    points = [at]
    for ends in (ahead, behind):
        for i in range(at.size):
            point = at.copy()
            point[i] = ends[i]
            points.append(point)
    if not fine and np.array_equal(behind, at):
        found = losses(points[: at.size + 1])
        return float(found[0]), (found[1:] - found[0]) / (ahead - at)
    found = losses(points)
    return float(found[0]), (found[1 : at.size + 1] - found[at.size + 1 :]) / (ahead - behind)


def _without_unseen(losses: Losses, logs: Floats, names: Sequence[str], lower: Floats) -> Floats:
    """Put parts to 0 that the likelihood does not miss: where a search stops near 0 is chance."""
    for place, name in enumerate(names):
        if name in (PHI, "memory_days"):
            continue
        without = logs.copy()
        without[place] = lower[place]
        here, there = losses([logs, without])
        if there < here + NOT_MISSED:
            logs = without
    return logs


def _limit(losses: Losses, logs: Floats, names: Sequence[str], name: str, upper: float) -> float:
    """Return the sd (in units of the scale) at which the log-likelihood has fallen by 1/2 from its best at 0."""
    place = names.index(name)
    low, high = float(logs[place]), upper
    for _ in range(3):
        ladder = np.linspace(low, high, 16)
        points = np.tile(logs, (16, 1))
        points[:, place] = ladder
        if name == "slow_sd":
            points[:, names.index(PHI)] = math.log(UNSEEN_SLOW_DAYS)
        fallen = losses([logs, *points])
        over = np.flatnonzero(fallen[1:] > fallen[0] + 0.5)
        first = max(1, int(over[0])) if over.size else 15
        low, high = float(ladder[first - 1]), float(ladder[first])
    return math.exp(0.5 * (low + high))


def _free(names: Sequence[str], logs: Floats, lower: Floats, upper: Floats) -> tuple[int, ...]:
    """Return the parameters whose errors can be told: off their bounds, memories only of parts that are there."""
    inside = (logs > lower + 0.02) & (logs < upper - 0.02)
    for sd, memory in (("slow_sd", PHI), ("synoptic_sd", "memory_days")):
        if sd in names and not inside[names.index(sd)]:
            inside[names.index(memory)] = False
    return tuple(int(i) for i in np.flatnonzero(inside))


def _covariance(losses: Losses, logs: Floats, free: Sequence[int]) -> Floats:
    """Inverse of the observed information; directions in which it is flat get the largest error."""
    d = len(free)
    if d == 0:
        return np.zeros((0, 0))
    steps = [np.zeros(d)]
    for sign in (1.0, -1.0):
        steps += list(sign * np.eye(d))
        steps += [sign * (np.eye(d)[i] + np.eye(d)[j]) for i in range(d) for j in range(i)]
    points = np.tile(logs, (len(steps), 1))
    points[:, list(free)] += STEP * np.array(steps)
    found = losses(list(points))
    half = (len(steps) - 1) // 2
    # loss ahead plus loss behind, less twice the loss here, in each direction
    bend = found[1 : half + 1] + found[half + 1 :] - 2.0 * found[0]
    information = np.diag(bend[:d])
    pairs = [(i, j) for i in range(d) for j in range(i)]
    for (i, j), both in zip(pairs, bend[d:], strict=True):
        information[i, j] = information[j, i] = 0.5 * (both - bend[i] - bend[j])
    values, vectors = np.linalg.eigh(information / STEP**2)
    return np.asarray((vectors / np.maximum(values, FLAT**-2)) @ vectors.T)
