"""Eliminate a chain: a positive matrix of small blocks, each tied to its two neighbours only."""

from __future__ import annotations

import math

import numpy as np

from siting.region.model import Floats


def eliminate_chain(blocks: Floats, ties: Floats, right: Floats) -> tuple[Floats, float]:
    """Return right^T M^-1 right (c, c) and log |M| for a symmetric positive block tridiagonal M, in O(m).

    `blocks` (m, k, k) stand on the diagonal, k 1 or 2; `ties` (m - 1, k, k) hold M[i + 1, i]; `right` is
    (m, k, c). Every second place is eliminated at once, then every second of the rest, and so on (cyclic
    reduction, Golub and Van Loan 1996, Matrix Computations, section 4.5.4): Cholesky's factor in another
    order, and whole arrays at a time. Raises ArithmeticError if M is not positive.
    """
    k, c = right.shape[1], right.shape[2]
    diagonal, tie, rest = blocks.copy(), ties, right.copy()
    product = np.zeros((c, c))
    log_det = 0.0
    while diagonal.shape[0]:
        last = diagonal.shape[0] == 1
        away = slice(None) if last else slice(1, None, 2)
        taken = diagonal[away]
        gone = taken.shape[0]
        links = 0 if last else tie[1::2].shape[0]
        sides = np.zeros((gone, k, 2 * k + c))
        if not last:
            sides[:, :, :k] = tie[0::2]
            sides[:links, :, k : 2 * k] = tie[1::2].transpose(0, 2, 1)
        sides[:, :, 2 * k :] = rest[away]
        log_det += _divide_by_factor(taken, sides)
        before, after, mine = sides[:, :, :k], sides[:links, :, k : 2 * k], sides[:, :, 2 * k :]
        flat = mine.reshape(gone * k, c)
        product += flat.T @ flat
        if last:
            break
        before_t, after_t = before.transpose(0, 2, 1), after.transpose(0, 2, 1)
        diagonal, rest = diagonal[0::2].copy(), rest[0::2].copy()
        diagonal[:gone] -= before_t @ before
        diagonal[1 : links + 1] -= after_t @ after
        rest[:gone] -= before_t @ mine
        rest[1 : links + 1] -= after_t @ mine[:links]
        tie = -(after_t @ before[:links])
    return product, log_det


def _divide_by_factor(taken: Floats, sides: Floats) -> float:
    """Divide each block's right sides by its Cholesky factor in place; return the sum of log determinants."""
    first = taken[:, 0, 0]
    if not np.all(first > 0.0):
        raise ArithmeticError("the covariance of the record is not positive")
    log_det = float(np.sum(np.log(first)))
    root = np.sqrt(first)
    sides[:, 0] /= root[:, None]
    if taken.shape[1] == 2:
        corner = taken[:, 1, 0] / root
        second = taken[:, 1, 1] - corner**2
        if not np.all(second > 0.0):
            raise ArithmeticError("the covariance of the record is not positive")
        log_det += float(np.sum(np.log(second)))
        sides[:, 1] -= corner[:, None] * sides[:, 0]
        sides[:, 1] /= np.sqrt(second)[:, None]
    if not math.isfinite(log_det):
        raise ArithmeticError("the covariance of the record is not finite")
    return log_det
