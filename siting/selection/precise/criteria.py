"""What is made small: sums of kappa_t max(0, value_t - gamma_t) of convex values, or values below limits.

`Measured` is what every criterion gives at a point: values, their gradient over the columns, and
constants such that value_t(y) >= constant_t + gradient_t . y for every y between the bounds.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
from scipy.linalg import solve_triangular

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.information import (
    At,
    Part,
    common_rests,
    curvature,
    evaluate,
    idle,
    pushes,
    rests,
    span,
    squares,
)


@dataclass(frozen=True, eq=False)
class Measured:
    """Values (T,), gradient (T, columns), constants (T,) and the curvature (columns, columns) for weights (T,).

    `idle(weights, prices)` returns a gradient that is as valid but steadier where local blocks are hardly
    used, and which occupancy columns it changed.
    """

    values: Floats
    gradient: Floats
    constants: Floats
    curvature: Callable[[Floats], Floats]
    idle: Callable[[Floats, Floats], tuple[Floats, Ints]]


@dataclass(frozen=True, eq=False)
class Weights:
    """How values count: kappa (T,) per unit above gamma (T,); infinite kappa makes gamma a limit.

    gamma = -inf makes a value count throughout (kappa x value, without a kink).
    """

    kappa: Floats
    gamma: Floats

    @property
    def always(self) -> Bools:
        """Mask (T,) of values that count throughout."""
        return np.asarray(np.isneginf(self.gamma), dtype=bool)

    def total(self, values: Floats) -> float:
        """Return the sum; infinite where a limit is broken."""
        finite = np.isfinite(self.kappa)
        if np.any(values[~finite] > self.gamma[~finite]):
            return np.inf
        return float((self.kappa[finite] * self.above(values)[finite]).sum())

    def above(self, values: Floats) -> Floats:
        """Return what counts of values (..., T): all of those without a kink, else what lies above gamma."""
        gamma = np.where(self.always, 0.0, self.gamma)
        return np.asarray(np.where(self.always, values, np.maximum(0.0, values - gamma)))


class Criterion(Protocol):
    """Convex values of an information; columns are deployments first, then the occupancies of local blocks."""

    @property
    def weights(self) -> Weights:
        """How the values count."""

    @property
    def count(self) -> int:
        """Number of deployments."""

    @property
    def blocks(self) -> tuple[Ints, ...]:
        """Local block (N,) of every deployment, part by part, -1 for none."""

    @property
    def size(self) -> int:
        """Bytes of the factors."""

    def take(self, columns: Ints) -> tuple[Criterion, Ints]:
        """Return the criterion of some deployments, and which occupancies stay."""

    def measure(self, y: Floats) -> Measured:
        """Return values and slopes at y (deployments, occupancies)."""

    def whole(self, picked: Ints) -> Floats:
        """Return the values (T,) of picked deployments, computed from them alone."""


@dataclass(frozen=True, eq=False)
class Variances:
    """Variances of targets, part by part side by side (tracers, single months)."""

    parts: tuple[Part, ...]
    weights: Weights

    @property
    def count(self) -> int:
        """Number of deployments."""
        return int(self.parts[0].block.size)

    @property
    def blocks(self) -> tuple[Ints, ...]:
        """Local block (N,) of every deployment, part by part."""
        return tuple(part.block for part in self.parts)

    @property
    def size(self) -> int:
        """Bytes of the factors."""
        return sum(group.common.nbytes + group.local.nbytes for part in self.parts for group in part.groups)

    def take(self, columns: Ints, bases: Sequence[Floats] | None = None) -> tuple[Variances, Ints]:
        """Return the criterion of some deployments, and which occupancies stay; `bases` are as in `projected`."""
        taken, kept, begin = [], [], 0
        for number, part in enumerate(self.parts):
            one, old = part.take(columns, None if bases is None else bases[number])
            taken.append(one)
            kept.append(begin + old)
            begin += part.blocks
        return Variances(tuple(taken), self.weights), np.concatenate(kept).astype(np.int64)

    def projected(self, bases: Sequence[Floats]) -> Variances:
        """Return the criterion with the common coordinates of each part held to the span of a basis (k, j).

        Coordinates outside are taken as known, so values can only fall: bounds stay bounds.
        """
        parts = tuple(part.projected(basis) for part, basis in zip(self.parts, bases, strict=True))
        return Variances(parts, self.weights)

    def features(self, y: Floats) -> Floats:
        """Return (N, f) what each deployment sees of the targets at y, the weightiest directions first."""
        z, occupied = self.split(y)
        found = []
        for part, s in zip(self.parts, occupied, strict=True):
            at = evaluate(part, z, s)
            push = np.zeros((self.count, part.width * part.targets.shape[1]))
            for group, rest in zip(part.groups, rests(part, at), strict=True):
                push[group.columns] = (group.common.swapaxes(1, 2) @ rest).reshape(group.columns.size, -1)
            size = np.linalg.norm(push, axis=1, keepdims=True)
            found.append(push / np.where(size > 0.0, size, 1.0))
        every = np.concatenate(found, axis=1)
        every = every - every.mean(axis=0)
        _, values, vectors = np.linalg.svd(every, full_matrices=False)
        return np.asarray(every @ vectors[: min(6, values.size)].T)

    def spans(self, y: Floats, theta: Floats) -> list[Floats]:
        """Return for each part (k, k) the sum of squares of what columns do to the targets at y."""
        z, occupied = self.split(y)
        out, begin = [], 0
        for part, s in zip(self.parts, occupied, strict=True):
            at = evaluate(part, z, s)
            mine = np.sqrt(theta[begin : begin + at.values.size])
            begin += at.values.size
            out.append(span(part, at, mine))
        return out

    def solutions(self, picked: Ints) -> list[Floats]:
        """Return for each part (k, T) what the common coordinates are when the targets are solved for, at a layout."""
        taken, _ = self.take(np.sort(picked))
        return [evaluate(part, np.ones(picked.size), np.ones(part.blocks)).u for part in taken.parts]

    def split(self, y: Floats) -> tuple[Floats, list[Floats]]:
        """Return deployments and, part by part, occupancies of a point."""
        sizes = np.cumsum([self.count] + [part.blocks for part in self.parts])
        return y[: self.count], [y[a:b] for a, b in pairwise(sizes)]

    def measure(self, y: Floats) -> Measured:
        """Return values and slopes at y (deployments, occupancies)."""
        z, occupied = self.split(y)
        width, n = y.size, self.count
        values, gradients, constants, every = [], [], [], []
        begin = n
        for part, s in zip(self.parts, occupied, strict=True):
            at = evaluate(part, z, s)
            seen = common_rests(part, at)
            rest = rests(part, at, seen)
            gradient = np.zeros((at.values.size, width))
            gradient[:, :n] = -squares(part, rest).T
            gradient[:, begin : begin + part.blocks] = -(at.v * at.v).sum(axis=1).T
            values.append(at.values)
            gradients.append(gradient)
            constants.append(2.0 * (part.targets * at.u).sum(axis=0) - (at.u * at.u).sum(axis=0))
            every.append((part, at, seen, rest, np.r_[0:n, begin : begin + part.blocks]))
            begin += part.blocks
        return Measured(
            np.concatenate(values),
            np.concatenate(gradients),
            np.concatenate(constants),
            lambda weights: _curvature(every, weights, width),
            lambda weights, prices: _idle(every, occupied, weights, prices, np.concatenate(gradients)),
        )

    def whole(self, picked: Ints) -> Floats:
        """Return the values (T,) of picked deployments by plain matrices, every local block written out."""
        return np.concatenate([_plain(part, picked) for part in self.parts])


# A part at a point, what its columns see of the common solutions and of all, and its columns among those measured.
_Seen = tuple[Part, At, list[Floats], list[Floats], Ints]


def _curvature(every: Sequence[_Seen], weights: Floats, width: int) -> Floats:
    out = np.zeros((width, width))
    begin = 0
    for part, at, _, rest, columns in every:
        mine = weights[begin : begin + at.values.size]
        begin += at.values.size
        if mine.any():
            out[np.ix_(columns, columns)] += curvature(pushes(part, at, rest), mine)
    return out


def _idle(
    every: Sequence[_Seen],
    occupied: Sequence[Floats],
    weights: Floats,
    prices: Floats,
    gradient: Floats,
) -> tuple[Floats, Ints]:
    changed: list[Ints] = []
    begin = 0
    for (part, at, common, _, columns), s in zip(every, occupied, strict=True):
        rows = slice(begin, begin + at.values.size)
        begin += at.values.size
        numbers, own, inside, seen = idle(part, at, common, s, weights[rows], prices[: part.block.size])
        where = columns[part.block.size + numbers]
        gradient[rows, where] = -own.T
        gradient[rows, inside] = -seen.T
        changed.append(where)
    return gradient, np.concatenate(changed)


def _plain(part: Part, picked: Ints) -> Floats:
    k, size = part.width, part.size
    numbers = sorted({int(part.block[d]) for d in picked if part.block[d] >= 0})
    total = np.eye(k + size * len(numbers))
    for group in part.groups:
        for position in np.flatnonzero(np.isin(group.columns, picked)):
            block = int(part.block[group.columns[position]])
            rows = np.zeros((group.common.shape[1], total.shape[0]))
            rows[:, :k] = group.common[position]
            if block >= 0:
                at = k + size * numbers.index(block)
                rows[:, at : at + size] = group.local[position]
            total += rows.T @ rows
    targets = np.zeros((total.shape[0], part.targets.shape[1]))
    targets[:k] = part.targets
    return np.asarray((targets * np.linalg.solve(total, targets)).sum(axis=0))


@dataclass(frozen=True, eq=False)
class LogDeterminant:
    """-ln det (I + sum of z_d A_d A_d'): one value, small for much information (D-optimal design)."""

    common: Floats
    weights: Weights

    @property
    def count(self) -> int:
        """Number of deployments."""
        return int(self.common.shape[0])

    @property
    def blocks(self) -> tuple[Ints, ...]:
        """No local blocks."""
        return ()

    @property
    def size(self) -> int:
        """Bytes of the factors."""
        return int(self.common.nbytes)

    def take(self, columns: Ints) -> tuple[LogDeterminant, Ints]:
        """Return the criterion of some deployments."""
        return LogDeterminant(self.common[columns], self.weights), np.empty(0, dtype=np.int64)

    def measure(self, y: Floats) -> Measured:
        """Return value and slopes at y (N,)."""
        n, r, k = self.common.shape
        used = np.flatnonzero(y > 0.0)
        flat = (self.common[used] * np.sqrt(y[used])[:, None, None]).reshape(-1, k)
        lower = np.linalg.cholesky(np.eye(k) + flat.T @ flat)
        value = -2.0 * float(np.log(np.diag(lower)).sum())
        half = solve_triangular(lower, self.common.reshape(n * r, k).T, lower=True, check_finite=False)
        half = half.T.reshape(n, r, k)
        gradient = -(half * half).sum(axis=(1, 2))[None]

        def second(weights: Floats) -> Floats:
            gram = (half.swapaxes(1, 2) @ half).reshape(n, k * k)
            return np.asarray(weights[0] * (gram @ gram.T))

        # ln det L <= ln det M + tr(M^-1 L) - k for every positive definite M.
        constant = np.array([value - float(gradient[0] @ y)])
        return Measured(
            np.array([value]), gradient, constant, second, lambda *_: (gradient, np.empty(0, dtype=np.int64))
        )

    def whole(self, picked: Ints) -> Floats:
        """Return the value (1,) of picked deployments."""
        flat = self.common[picked].reshape(-1, self.common.shape[2])
        return np.array([-np.linalg.slogdet(np.eye(self.common.shape[2]) + flat.T @ flat)[1]])
