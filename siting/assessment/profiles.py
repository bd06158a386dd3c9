"""How well a set of latitudes supports a polynomial profile from pole to pole.

The profile is y(x) = b_0 + b_1 x + ... + b_d x^d in x = sin(latitude), seen with equal, independent errors.
A set of positions with weights is a design; it is measured against the best design that continuous
weights anywhere from pole to pole allow. Everything is computed in Legendre polynomials scaled to unit mean
square on the sphere, sqrt(2k+1) P_k(x): a change of basis cancels in every efficiency, and these keep the
matrices well conditioned where monomials would not.

Singular values below `RANK_TOLERANCE` times the largest count as zero when a contrast is estimated, and a
contrast is resolved if at most `RANGE_TOLERANCE` of its length lies outside the range of the information.
For D-efficiency, whose value fades to zero by itself, only singular values at rounding level do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.polynomial import Legendre, legendre
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linprog

from siting.geography.bands import checked_latitudes

Floats = NDArray[np.float64]

MAX_DEGREE = 8
"""Highest degree of a profile: far above what a network can carry, and still exact to 1e-9."""

RANK_TOLERANCE = 1e-10
"""Singular values of the weighted design below this share of the largest count as zero (contrasts)."""

RANGE_TOLERANCE = 1e-9
"""Share of a contrast's length that may lie outside the range of the information."""

_ELFVING_TOLERANCE = 1e-8
_PROFILE_NAMES = ("linear", "quadratic", "cubic", "quartic", "quintic")
_POLE_TO_POLE = "pole-to-pole difference"


@dataclass(frozen=True, slots=True)
class Efficiency:
    """How much of the best possible information a design holds.

    Attributes:
        name: what is estimated, in plain words.
        degree: degree of the profile in sin(latitude).
        value: 0 to 1; 1/value times as many equal samples are needed as in the best design.
        resolved: False if the design cannot estimate it at all (value is then 0).

    """

    name: str
    degree: int
    value: float
    resolved: bool


def information(
    x: ArrayLike, weight: ArrayLike, degree: int, basis: Literal["legendre", "monomial"] = "legendre"
) -> Floats:
    """Return the normalised moment matrix sum w f(x) f(x)' / sum w of a design.

    Args:
        x: (n,) sines of latitude, -1 to 1.
        weight: (n,) weights, 0 or more, at least one above 0.
        degree: degree of the profile, 1 to 8.
        basis: `legendre` for f_k = sqrt(2k+1) P_k(x), `monomial` for f_k = x^k.

    Returns:
        (degree + 1, degree + 1) symmetric matrix.

    Raises:
        ValueError: a value is missing or out of range, lengths differ, or no weight is above 0.

    """
    points, weights = _measure(x, weight)
    _check_degree(degree)
    if basis not in ("legendre", "monomial"):
        raise ValueError(f"the basis must be 'legendre' or 'monomial'; found {basis!r}")
    if points.size == 0:
        raise ValueError("a moment matrix needs at least one position with a weight above 0")
    functions = _functions(points, degree) if basis == "legendre" else np.vander(points, degree + 1, increasing=True)
    return np.asarray((functions * weights[:, None]).T @ functions, dtype=np.float64)


def d_optimal_support(degree: int) -> tuple[Floats, Floats]:
    """Return the D-optimal design for a polynomial profile on -1 <= x <= 1.

    Its positions are the degree + 1 roots of (1 - x^2) P'_degree(x), its weights are equal.

    Args:
        degree: degree of the profile, 1 to 8.

    Returns:
        Sines of latitude from south to north and weights that sum to 1, both (degree + 1,).

    Raises:
        ValueError: degree is out of range.

    Source: Guest 1958, Ann. Math. Stat. 29, 294-299; Hoel 1958, Ann. Math. Stat. 29, 1134-1145.

    """
    _check_degree(degree)
    inner = np.sort(np.real(Legendre.basis(degree).deriv().roots()))
    inner = (inner - inner[::-1]) / 2.0  # the roots are symmetric; make them so to the last bit
    support = np.concatenate(([-1.0], inner, [1.0]))
    return support, np.full(degree + 1, 1.0 / (degree + 1))


def d_efficiency(x: ArrayLike, weight: ArrayLike, degree: int) -> float:
    """Return (det M / det M*)^(1/p), p = degree + 1: how well all coefficients together are determined.

    Args:
        x: (n,) sines of latitude, -1 to 1.
        weight: (n,) weights, 0 or more; their sum does not matter.
        degree: degree of the profile, 1 to 8.

    Returns:
        0 to 1; 0 if fewer than p different positions have weight, or M is singular to rounding.

    Raises:
        ValueError: a value is missing or out of range, or lengths differ.

    """
    points, weights = _facing_north(*_measure(x, weight))
    _check_degree(degree)
    log_det = _log_det(points, weights, degree)
    best = _log_det(*d_optimal_support(degree), degree)
    return min(1.0, float(np.exp((log_det - best) / (degree + 1))))


def contrast_optimum(degree: int, c: ArrayLike) -> float:
    """Return the least variance, per unit weight and unit error variance, of c_0 b_0 + ... + c_d b_d.

    By Elfving's theorem the standard error is the least sum |u| with sum u_i f(x_i) = c over positions in
    [-1, 1], and by duality the greatest value of the functional c over polynomials that stay within -1 to
    1 there. Solved as a linear program on a grid whose positions are added where the dual polynomial
    leaves that range, until both sides agree to 1e-8.

    Args:
        degree: degree of the profile, 1 to 8.
        c: (degree + 1,) coefficients of the contrast, by rising power of x, not all 0.

    Returns:
        The variance (the lower of the two sides, so that an efficiency never exceeds its true value).

    Raises:
        ValueError: degree or c is out of range.
        ArithmeticError: the two sides do not meet.

    Source: Elfving 1952, Ann. Math. Stat. 23, 255-262.

    """
    contrast = _legendre_contrast(degree, c)
    length = float(np.linalg.norm(contrast))
    unit = contrast / length
    points = np.cos(np.linspace(np.pi, 0.0, 64 * degree + 1))
    lower, upper = 0.0, np.inf
    for _ in range(40):
        functions = _functions(points, degree)
        solved = linprog(
            np.ones(2 * points.size),
            A_eq=np.hstack((functions.T, -functions.T)),
            b_eq=unit,
            bounds=(0.0, None),
            method="highs-ds",
            options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
        )
        if solved.status != 0 or solved.fun is None:
            break
        dual = np.asarray(solved.eqlin.marginals, dtype=np.float64)
        peaks = _peaks(dual, degree)
        heights = np.abs(_functions(peaks, degree) @ dual)
        upper = min(upper, float(solved.fun))
        lower = max(lower, float(unit @ dual) / float(heights.max()))
        if upper - lower <= _ELFVING_TOLERANCE / 10.0 * upper:
            break
        points = np.union1d(points, peaks[heights > 1.0])
    if not upper - lower <= _ELFVING_TOLERANCE * upper:
        raise ArithmeticError(f"the best design for this contrast of degree {degree} was not found")
    return (lower * length) ** 2


def contrast_efficiency(
    x: ArrayLike, weight: ArrayLike, degree: int, c: ArrayLike, name: str = "contrast"
) -> Efficiency:
    """Return how well a design determines one combination c of the profile's coefficients.

    The value is the least possible variance divided by c' M^- c, M^- a generalised inverse. The contrast
    is not resolved (value 0) if c is not in the range of M.

    Args:
        x: (n,) sines of latitude, -1 to 1.
        weight: (n,) weights, 0 or more; their sum does not matter.
        degree: degree of the profile, 1 to 8.
        c: (degree + 1,) coefficients of the contrast, by rising power of x, not all 0.
        name: what the contrast is called.

    Raises:
        ValueError: a value is missing or out of range, or lengths differ.
        ArithmeticError: the best design was not found (see `contrast_optimum`).

    """
    points, weights = _measure(x, weight)
    variance = _contrast_variance(points, weights, degree, _legendre_contrast(degree, c))
    optimum = contrast_optimum(degree, c)
    return _efficiency(name, degree, variance, optimum)


def pole_to_pole_efficiency(x: ArrayLike, weight: ArrayLike, degree: int) -> Efficiency:
    """Return how well a design determines the difference y(1) - y(-1) between the poles.

    The least variance is 4 per unit weight for every degree: half the weight at each pole gives
    1/.5 + 1/.5 = 4, and by Elfving's theorem nothing gives less than (p(1) - p(-1))^2 for a polynomial p
    with |p| <= 1 on [-1, 1]; p(x) = x (the Chebyshev polynomial T_1) makes that 4 too.

    Args:
        x: (n,) sines of latitude, -1 to 1.
        weight: (n,) weights, 0 or more; their sum does not matter.
        degree: degree of the profile, 1 to 8.

    Returns:
        The efficiency; not resolved (value 0) if the positions leave the difference open.

    Raises:
        ValueError: a value is missing or out of range, or lengths differ.

    Source: Elfving 1952, Ann. Math. Stat. 23, 255-262.

    """
    points, weights = _facing_north(*_measure(x, weight))
    _check_degree(degree)
    ends = _functions(np.array([-1.0, 1.0]), degree)
    variance = _contrast_variance(points, weights, degree, ends[1] - ends[0])
    return _efficiency(_POLE_TO_POLE, degree, variance, 4.0)


def profile_efficiencies(lat: ArrayLike, weight: ArrayLike) -> tuple[Efficiency, ...]:
    """Return what a set of latitudes can say about profiles from pole to pole, simplest first.

    First the pole-to-pole difference of a straight line, then the D-efficiency of the linear, quadratic,
    cubic, quartic and quintic profile. A fixed site enters as one position of weight 1, a track as its
    positions with weights that sum to 1; the total does not matter. Without any site nothing is resolved.

    Args:
        lat: (n,) latitudes of all positions, degrees north, -90 to 90.
        weight: (n,) weights, 0 or more.

    Raises:
        ValueError: a value is missing or out of range, or lengths differ.

    """
    x = np.sin(np.radians(checked_latitudes(lat)))
    found = [pole_to_pole_efficiency(x, weight, 1)]
    for degree, name in enumerate(_PROFILE_NAMES, start=1):
        value = d_efficiency(x, weight, degree)
        found.append(Efficiency(f"{name} profile", degree, value, value > 0.0))
    return tuple(found)


def _measure(x: ArrayLike, weight: ArrayLike) -> tuple[Floats, Floats]:
    """Check a design and return different positions from south to north with weights that sum to 1.

    Equal positions are joined and those without weight left out, so neither the order of the input nor
    an idle position can change an answer.
    """
    points = np.atleast_1d(np.asarray(x, dtype=np.float64))
    weights = np.atleast_1d(np.asarray(weight, dtype=np.float64))
    if points.ndim != 1 or points.shape != weights.shape:
        raise ValueError(f"every position needs one weight; found {points.size} and {weights.size}")
    if not (np.abs(points) <= 1.0).all():
        raise ValueError("positions must be sines of latitude, numbers from -1 to 1")
    if not ((weights >= 0.0) & np.isfinite(weights)).all():
        raise ValueError("weights of positions must be numbers of 0 or more")
    points, weights = points[weights > 0.0] + 0.0, weights[weights > 0.0]
    if points.size == 0:
        return points, weights
    weights = weights / weights.max()
    order = np.lexsort((weights, points))
    points, first = np.unique(points[order], return_index=True)
    weights = np.add.reduceat(weights[order], first)
    # fsum rounds once, so that a design and its mirror image get the same weights to the last bit.
    return points, weights / math.fsum(weights)


def _facing_north(points: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Return a design or its mirror image, the same one for both: the answer is then the same bits."""
    mirrored = -points[::-1] + 0.0, weights[::-1].copy()
    both = (points, weights), mirrored
    return max(both, key=lambda design: (tuple(design[0]), tuple(design[1])))


def _check_degree(degree: int) -> None:
    if not (isinstance(degree, (int, np.integer)) and 1 <= degree <= MAX_DEGREE):
        raise ValueError(f"the degree of a profile must be a whole number from 1 to {MAX_DEGREE}; found {degree}")


def _functions(points: Floats, degree: int) -> Floats:
    """Return (n, degree + 1) values of sqrt(2k+1) P_k."""
    scale = np.sqrt(2.0 * np.arange(degree + 1) + 1.0)
    return np.asarray(legendre.legvander(points, degree) * scale, dtype=np.float64)


def _legendre_contrast(degree: int, c: ArrayLike) -> Floats:
    """Turn a contrast of monomial coefficients into the same functional of the scaled Legendre ones."""
    _check_degree(degree)
    values = np.atleast_1d(np.asarray(c, dtype=np.float64))
    if values.shape != (degree + 1,):
        raise ValueError(f"a contrast of degree {degree} needs {degree + 1} numbers; found {values.size}")
    if not np.isfinite(values).all() or not values.any():
        raise ValueError("a contrast must be made of numbers that are not all 0")
    rows = [
        np.sqrt(2.0 * k + 1.0) * float(legendre.leg2poly(np.eye(k + 1)[k]) @ values[: k + 1]) for k in range(degree + 1)
    ]
    return np.asarray(rows, dtype=np.float64)


def _log_det(points: Floats, weights: Floats, degree: int) -> float:
    """Return log det M, -inf if singular; from singular values, which squares of M would halve in digits."""
    if points.size < degree + 1:
        return -np.inf
    root = np.sqrt(weights)[:, None] * _functions(points, degree)
    singular = np.linalg.svd(root, compute_uv=False)
    if singular[-1] <= singular[0] * max(root.shape) * np.finfo(np.float64).eps:
        return -np.inf
    return float(2.0 * np.log(singular).sum())


def _contrast_variance(points: Floats, weights: Floats, degree: int, contrast: Floats) -> float:
    """Return c' M^- c, infinite if c is not in the range of M."""
    if points.size == 0:
        return np.inf
    root = np.sqrt(weights)[:, None] * _functions(points, degree)
    _, singular, axes = np.linalg.svd(root, full_matrices=False)
    kept = singular > singular[0] * RANK_TOLERANCE
    along = axes[kept] @ contrast
    outside = contrast - along @ axes[kept]
    if np.linalg.norm(outside) > RANGE_TOLERANCE * np.linalg.norm(contrast):
        return np.inf
    return float(np.square(along / singular[kept]).sum())


def _efficiency(name: str, degree: int, variance: float, optimum: float) -> Efficiency:
    if np.isinf(variance):
        return Efficiency(name, degree, 0.0, False)
    return Efficiency(name, degree, min(1.0, optimum / variance), True)


def _peaks(dual: Floats, degree: int) -> Floats:
    """Return where on [-1, 1] a polynomial in scaled Legendre coefficients can be greatest or least."""
    series = Legendre(dual * np.sqrt(2.0 * np.arange(degree + 1) + 1.0))
    # Real parts of complex roots are harmless extra places to look.
    turns = np.real(series.deriv().trim(1e-13).roots()) if degree > 1 else np.empty(0)
    return np.concatenate(([-1.0], np.clip(turns, -1.0, 1.0), [1.0]))
