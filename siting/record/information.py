"""What the record of each fixed deployment tells, as small information matrices; vectorised over deployments.

A record's rows are K x = [F, ramps, indicators, method columns] x + error. KᵀR⁻¹K is found without ever
forming R: the month-to-month part of the air is an AR(1) process with a tridiagonal precision, the
drift of cylinders and the place's own level, growth and season are few columns that are integrated out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats
from siting.record.air import FUNCTIONS

# Deployments that are worked on at a time, so that memory stays small.
CHUNK = 2000
# Nearer to 1 than this, what a cell shares is all that a record knows, to rounding.
NEARLY = 1e-10


@dataclass(frozen=True, eq=False)
class Instrument:
    """Rows of one instrument at D sites: precision ingredients by month and its columns.

    `variance` (D, M) is the variance of a monthly mean that is not shared with another instrument,
    `shared` (D, M) the synoptic part that all instruments at the place have in common (that of the one
    with the most samples), `present` (D, M) says which months have a row; `columns` (M, k).
    """

    variance: Floats
    shared: Floats
    present: np.ndarray
    columns: Floats


def information(instruments: list[Instrument], slow_variance: Floats, slow_phi: Floats) -> Floats:
    """Return KᵀR⁻¹K (D, k, k) for R = diagonal + shared synoptic part + slow variance x AR(1).

    One or two instruments; with two, R holds [[s + v_a, s], [s, s + v_f]] for each month. `slow_variance`
    and `slow_phi` (D,) describe the slow air of each site.

    Raises ValueError where a month that is present has no error at all beside the slow air, or where two
    instruments have none but their shared part: R⁻¹ does not exist there.
    """
    count, months = instruments[0].present.shape
    k = instruments[0].columns.shape[1]
    out = np.empty((count, k, k))
    for begin in range(0, count, CHUNK):
        part = slice(begin, min(begin + CHUNK, count))
        out[part] = _chunk(instruments, part, slow_variance[part], slow_phi[part], months)
    return out


def _chunk(instruments: list[Instrument], part: slice, slow_variance: Floats, slow_phi: Floats, months: int) -> Floats:
    precision = _precisions(instruments, part)
    k = instruments[0].columns.shape[1]
    count = precision[0][0].shape[0]
    total = np.zeros((count, k * k))
    weight = np.zeros((count, months))
    for i, one in enumerate(instruments):
        for j, other in enumerate(instruments):
            outer = (one.columns[:, :, None] * other.columns[:, None, :]).reshape(months, k * k)
            total += precision[i][j] @ outer
            weight += precision[i][j]
    result = total.reshape(count, k, k)
    slow = np.flatnonzero(slow_variance > 0.0)
    if slow.size:
        right = np.zeros((slow.size, months, k))
        for j, other in enumerate(instruments):
            mass = sum(precision[i][j][slow] for i in range(len(instruments)))
            right += np.asarray(mass)[:, :, None] * other.columns[None]
        solved = _tridiagonal(weight[slow], slow_variance[slow], slow_phi[slow], right)
        result[slow] -= right.transpose(0, 2, 1) @ solved
    return np.asarray((result + result.transpose(0, 2, 1)) / 2.0, dtype=float)


def _precisions(instruments: list[Instrument], part: slice) -> list[list[Floats]]:
    """Return the inverse of each month's error covariance between instruments, [i][j] of (D, M)."""
    first = instruments[0]
    if len(instruments) == 1:
        has = first.present[part]
        total = np.where(has, first.variance[part] + first.shared[part], 1.0)
        _refuse_errorless(total)
        return [[np.where(has, 1.0 / total, 0.0)]]
    second = instruments[1]
    has_a, has_b = first.present[part], second.present[part]
    shared = np.where(has_a & has_b, first.shared[part], 0.0)
    a = np.where(has_a, first.variance[part] + first.shared[part], 1.0)
    b = np.where(has_b, second.variance[part] + second.shared[part], 1.0)
    # a b - s^2 without the difference of two large numbers where both instruments are there
    own_a, own_b = a - shared, b - shared
    determinant = own_a * own_b + shared * (own_a + own_b)
    _refuse_errorless(determinant)
    return [
        [np.where(has_a, b / determinant, 0.0), -shared / determinant],
        [-shared / determinant, np.where(has_b, a / determinant, 0.0)],
    ]


def _refuse_errorless(size: Floats) -> None:
    if not np.all(size > 0.0):
        raise ValueError("every month with a sample must have an error above 0: give the instrument one")


def _tridiagonal(weight: Floats, variance: Floats, phi: Floats, right: Floats) -> Floats:
    """Solve (diag(weight) + precision of AR(1)) X = right (D, M, k) by the Thomas algorithm over months."""
    months = weight.shape[1]
    scale = 1.0 / (variance * (1.0 - phi**2))
    diagonal = weight + (scale * (1.0 + phi**2))[:, None]
    diagonal[:, 0] = weight[:, 0] + scale
    diagonal[:, -1] = weight[:, -1] + scale
    if months == 1:
        diagonal[:, 0] = weight[:, 0] + 1.0 / variance
    off = -scale * phi
    x = right.copy()
    for m in range(1, months):
        factor = off / diagonal[:, m - 1]
        diagonal[:, m] -= factor * off
        x[:, m] -= factor[:, None] * x[:, m - 1]
    x[:, -1] /= diagonal[:, -1][:, None]
    for m in range(months - 2, -1, -1):
        x[:, m] = (x[:, m] - off[:, None] * x[:, m + 1]) / diagonal[:, m][:, None]
    return x


def integrate_out(matrix: Floats, begin: int, variance: Floats) -> Floats:
    """Return the information (D, k, k) on the first `begin` columns after the others are integrated out.

    `variance` (c,) or (D, c) is the prior variance of the c columns from `begin` on (drifts of cylinders).
    """
    rest = matrix[:, begin:, begin:] + _diagonal(1.0 / np.broadcast_to(variance, matrix[:, begin:, 0].shape))
    cross = matrix[:, :begin, begin:]
    return np.asarray(matrix[:, :begin, :begin] - cross @ np.linalg.solve(rest, cross.transpose(0, 2, 1)))


def with_place(matrix: Floats, place: Floats) -> Floats:
    """Return KᵀR⁻¹K from KᵀR₀⁻¹K (D, k, k) for R = R₀ + F D Fᵀ, with D = E Eᵀ, E (D, 6, c), at any rank.

    M - M E (I + Eᵀ M E)⁻¹ Eᵀ M (for D on columns of full rank the covariance
    then is that of R₀ plus D).
    """
    reach = matrix[:, :, :FUNCTIONS] @ place
    inner = np.eye(place.shape[2]) + place.transpose(0, 2, 1) @ reach[:, :FUNCTIONS]
    less = reach @ np.linalg.solve(inner, reach.transpose(0, 2, 1))
    result = matrix - less
    return np.asarray((result + result.transpose(0, 2, 1)) / 2.0, dtype=float)


def without_shared(matrix: Floats, shared: Floats) -> Floats:
    """Return KᵀR₀⁻¹K from KᵀR⁻¹K (D, k, k) for R₀ = R - F C Fᵀ, with C = E Eᵀ, E (D, 6, c), at any rank.

    M + M E (I - Eᵀ M E)⁻¹ Eᵀ M (Woodbury), M = KᵀR⁻¹K. No eigenvalue of Eᵀ M E exceeds 1 where R₀ is positive
    semidefinite; where one does by rounding, C is made smaller in that direction until it does not. R₀ then
    is larger than asked for, so information is never overstated.
    """
    reach = matrix[:, :, :FUNCTIONS] @ shared
    known, axes = np.linalg.eigh(shared.transpose(0, 2, 1) @ reach[:, :FUNCTIONS])
    kept = np.minimum(1.0, (1.0 - NEARLY) / np.maximum(known, NEARLY))
    turned = reach @ axes
    result = matrix + (turned * (kept / (1.0 - kept * known))[:, None, :]) @ turned.transpose(0, 2, 1)
    return np.asarray((result + result.transpose(0, 2, 1)) / 2.0, dtype=float)


def factor(matrix: Floats, tolerance: float = 1e-12) -> Floats:
    """Return U (D, k, k) with Uᵀ U = matrix (D, k, k) positive semidefinite; rows below the rank are 0.

    Columns differ in size by orders of magnitude, so the matrix is scaled to a unit diagonal first;
    directions below `tolerance` of the largest one are rounding and count as unknown.
    """
    scale = np.sqrt(np.maximum(np.einsum("dkk->dk", matrix), 0.0))
    safe = np.where(scale > 0.0, scale, 1.0)
    values, vectors = np.linalg.eigh(matrix / safe[:, :, None] / safe[:, None, :])
    floor = tolerance * np.maximum(values[:, -1:], 0.0)
    root = np.where(values > floor, np.sqrt(np.maximum(values, 0.0)), 0.0)
    return np.asarray((vectors * root[:, None, :]).transpose(0, 2, 1) * safe[:, None, :] * (scale > 0.0)[:, None, :])


def _diagonal(values: Floats) -> Floats:
    """Return (D, c, c) diagonal matrices from (D, c)."""
    out = np.zeros((*values.shape, values.shape[-1]))
    index = np.arange(values.shape[-1])
    out[..., index, index] = values
    return out
