"""Eliminate chains: positive matrices of small blocks, each tied to its two neighbours only."""

from __future__ import annotations

import numpy as np

from siting.arrays import Floats


def eliminate_chains(blocks: Floats, ties: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Return right^T M^-1 right (b, c, c) and log |M| (b,) of b symmetric positive block tridiagonal M, in O(m).

    `blocks` (b, m, k, k) stand on the diagonal, k 1 or 2; `ties` (b, m - 1, k, k) hold M[i + 1, i];
    `right` is (b, m, k, c). Every second place is eliminated at once, then every second of the rest, and so
    on (cyclic reduction, Golub and Van Loan 1996, Matrix Computations, section 4.5.4): Cholesky's factor in
    another order, whole arrays at a time. Raises ArithmeticError if an M is not positive.
    """
    b, _, k, c = right.shape
    diagonal, tie, rest = blocks, ties, right
    product = np.zeros((b, c, c))
    log_det = np.zeros(b)
    while True:
        last = diagonal.shape[1] == 1
        away = slice(None) if last else slice(1, None, 2)
        taken, before = diagonal[:, away], tie[:, 0::2]
        gone, links = taken.shape[1], 0 if last else tie[:, 1::2].shape[1]
        sides = np.zeros((b, gone, k, 2 * k + c))
        if not last:
            sides[..., :k] = before
            sides[:, :links, :, k : 2 * k] = tie[:, 1::2].swapaxes(-1, -2)
        sides[..., 2 * k :] = rest[:, away]
        log_det += _divide_by_factor(taken, sides)
        mine = sides[..., 2 * k :]
        flat = mine.reshape(b, gone * k, c)
        product += flat.swapaxes(-1, -2) @ flat
        if last:
            return product, log_det
        # what the eliminated place takes from the one before it and the one after it
        from_before = sides[..., :k].swapaxes(-1, -2) @ sides
        from_after = sides[:, :links, :, k : 2 * k].swapaxes(-1, -2) @ sides[:, :links]
        diagonal, rest = diagonal[:, 0::2].copy(), rest[:, 0::2].copy()
        diagonal[:, :gone] -= from_before[..., :k]
        diagonal[:, 1 : links + 1] -= from_after[..., k : 2 * k]
        rest[:, :gone] -= from_before[..., 2 * k :]
        rest[:, 1 : links + 1] -= from_after[..., 2 * k :]
        tie = -from_after[..., :k]


def _divide_by_factor(taken: Floats, sides: Floats) -> Floats:
    """Divide each block's right sides by its Cholesky factor in place; return sums (b,) of log determinants."""
    first = taken[..., 0, 0]
    _refuse_unless_positive(first)
    root = np.sqrt(first)
    sides[..., 0, :] /= root[..., None]
    log_det = np.log(first).sum(axis=-1)
    if taken.shape[-1] == 2:
        corner = taken[..., 1, 0] / root
        second = taken[..., 1, 1] - corner**2
        _refuse_unless_positive(second)
        log_det += np.log(second).sum(axis=-1)
        sides[..., 1, :] -= corner[..., None] * sides[..., 0, :]
        sides[..., 1, :] /= np.sqrt(second)[..., None]
    return np.asarray(log_det)


def _refuse_unless_positive(pivots: Floats) -> None:
    if not np.min(pivots) > 0.0:
        raise ArithmeticError("the covariance of the record is not positive")
