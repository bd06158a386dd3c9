"""How often the wind blows from each sector at each speed: from monthly means, or from rows of winds.csv.

From monthly means the wind counts as a circular normal vector: a mean vector (u, v) plus scatter whose two components
are independent and normal with the same standard deviation sigma. Its speed then follows the Rice distribution.
Steadiness is the length of the mean vector over the mean speed: 1 for a wind that never changes, 0 for one without a
preferred direction. Source: Brooks & Carruthers, Handbook of Statistical Methods in Meteorology, 1953, on vector
winds (circular normal distribution and steadiness, from memory).

Speeds are m/s. A sector is named by where the wind comes from: of N sectors, number n is centred on n * 360/N degrees
clockwise from north. Of V speed classes each holds its lower edge, and the last is open above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import i0e, i1e, ndtr

from siting.geography.dispersion import LEAST_WIND_M_S, Flags, Floats, class_number, numbers

# Mean vector over sigma of the steadiest wind told apart: steadiness .9997, a scatter of 1.4 degrees.
STEADIEST_RATIO = 40.0
# Steadiness where the scalar mean speed is not known, a stated guess for land.
STEADINESS = 0.5
# Least scalar mean speed where it is not known: a mean vector of 0 tells nothing about the speed. Assumed.
LEAST_SCALAR_M_S = 1.0
# Holds the edges 2, 3, 5 and 6 m/s of Pasquill's table.
SPEED_EDGES_M_S = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 16.0)
# The open class counts as reaching this many times its lower edge when one speed must stand for it.
OPEN_CLASS = 1.25
SUM_TOLERANCE = 0.02

_LEAST_SHARE = 1e-12
_QUADRATURE_TOLERANCE = 1e-9
_VALUES_AT_A_TIME = 1 << 20
# Directions written in whole degrees, such as 23 for 22.5, still count as evenly spaced.
_ROUNDED_DEG = 1.0
_ROOT_HALF_PI, _ROOT_TWO_PI = np.sqrt(np.pi / 2.0), np.sqrt(2.0 * np.pi)


def rice_mean(ratio: ArrayLike) -> Floats:
    """Return the scalar mean speed of a circular normal wind over its sigma, from its mean vector over sigma.

    sqrt(pi/2) at ratio 0 (Rayleigh), and nearly the ratio itself when that is large.

    Raises ValueError for a ratio below 0 or not finite.

    Source: Rice, Mathematical Analysis of Random Noise, 1944-45 (mean of the envelope, from memory).
    """
    x = numbers(ratio, "a mean vector over sigma") ** 2 / 2.0
    return np.asarray(_ROOT_HALF_PI * ((1.0 + x) * i0e(x / 2.0) + x * i1e(x / 2.0)), dtype=np.float64)


_RATIOS = np.linspace(0.0, STEADIEST_RATIO, 2001)
_STEADINESSES = _RATIOS / rice_mean(_RATIOS)


def ratio_of_steadiness(steadiness: ArrayLike) -> Floats:
    """Return the mean vector over sigma of a circular normal wind from its steadiness.

    Steadiness rises with the ratio, so a table is read backwards and the reading refined by Newton's rule. Above
    .9997 the ratio stays at 40, where a speed and a direction are fixed as far as any sector can tell.

    Args:
        steadiness: length of the mean vector over the scalar mean speed, 0 to 1, any shape.

    Raises:
        ValueError: a steadiness is not within 0 to 1.

    Source: `rice_mean`; the slope of the mean is sqrt(pi/8) r (I0 + I1)(r^2/4) exp(-r^2/4).

    """
    q = _steady(steadiness)
    held = np.minimum(q, _STEADINESSES[-1])
    r = np.interp(held, _STEADINESSES, _RATIOS)
    for _ in range(3):
        x = r**2 / 4.0
        slope = _ROOT_HALF_PI / 2.0 * r * (i0e(x) + i1e(x))
        r = np.clip(r - (r - held * rice_mean(r)) / (1.0 - held * slope), 0.0, STEADIEST_RATIO)
    return np.asarray(r, dtype=np.float64)


def speed_edges(least_wind_m_s: float) -> Floats:
    """Return (V,) lower edges of the speed classes, from 0 up, among them the least wind that is accepted.

    With the least wind as an edge, no class lies on both sides of it.

    Raises ValueError for a speed below 0 or not finite.
    """
    return _sealed(np.union1d(SPEED_EDGES_M_S, numbers(least_wind_m_s, "a least wind")))


def class_speeds(edges_m_s: ArrayLike) -> Floats:
    """Return (V,) the speed that stands for each class: its harmonic mean where likelihood grows with the speed.

    Concentrations of a plume go with 1/u, and so does their mean over a class; an arithmetic mean would make them too
    small, most of all in the lowest class. Below its mean speed a circular normal wind spreads over the plane of
    (u, v), where a ring of speed u holds area in proportion to u: the harmonic mean of such a class is its middle,
    and that of the lowest, where winds below .5 m/s count as .5 m/s as in the plume formulas, lies above it (.67 m/s
    for 0 to 1). The mean of 1/u is then right to 3 % for mean speeds from 2 m/s, and 7 % for 1 m/s. The answer stays
    within its class; the open class counts as reaching 1.25 times its lower edge.

    Raises ValueError unless edges are at least two, start with 0 and rise.
    """
    low = _checked_edges(edges_m_s)
    high = np.append(low[1:], OPEN_CLASS * low[-1])
    calm = np.minimum(high, LEAST_WIND_M_S) ** 2 - np.minimum(low, LEAST_WIND_M_S) ** 2
    blown = np.maximum(high, LEAST_WIND_M_S) - np.maximum(low, LEAST_WIND_M_S)
    # The least number keeps a class from 0 to almost 0 from dividing 0 by 0.
    over = np.maximum(calm / LEAST_WIND_M_S + 2.0 * blown, np.finfo(np.float64).tiny)
    return _sealed(np.clip((high**2 - low**2) / over, low, high))


def sector_speed_shares(
    u_m_s: ArrayLike,
    v_m_s: ArrayLike,
    scalar_m_s: ArrayLike | None,
    sectors: int,
    edges_m_s: ArrayLike,
    *,
    steadiness: ArrayLike = STEADINESS,
) -> Floats:
    """Return how often the wind blows from each sector at each speed, from its monthly mean vector and mean speed.

    Where the mean speed is not known it is the mean vector over the given steadiness, and at least 1 m/s (assumed).
    A mean speed below the length of the mean vector, as when the two come from different data, is raised to it: the
    wind is then as steady as can be. A mean speed of 0 is calm all the time, spread evenly over the sectors.

    The integral over speed is exact; the one over direction is by Gauss-Legendre points, at least 4 in each sector
    and more where the wind is steady, with errors below 1e-9.

    Args:
        u_m_s: (S, 12) mean wind towards the east, January first.
        v_m_s: (S, 12) mean wind towards the north.
        scalar_m_s: mean of the speed itself, at least 0, one or (S, 12) or what broadcasts to it; NaN where it is not
            known, None if it is known nowhere.
        sectors: number N of wind sectors, at least 1.
        edges_m_s: (V,) lower edges of the speed classes, from 0 up.
        steadiness: above 0 to 1, used where the mean speed is not known; .5 is assumed.

    Returns:
        (S, 12, N, V) shares of the month's hours; sum to 1 over sectors and speed classes.

    Raises:
        ValueError: a value is out of range or not finite, or shapes do not agree.

    Source: circular normal distribution, see the head of this module.

    """
    u, v = numbers(u_m_s, "a mean wind", -np.inf), numbers(v_m_s, "a mean wind", -np.inf)
    if u.ndim != 2 or u.shape[1] != 12 or v.shape != u.shape:
        raise ValueError(f"mean winds must be (sites, 12) each, found {u.shape} and {v.shape}")
    _checked_sectors(sectors)
    edges = _checked_edges(edges_m_s)
    length = np.hypot(u, v)
    speed = _mean_speed(length, scalar_m_s, steadiness)
    ratio = ratio_of_steadiness(length / np.where(speed > 0.0, speed, 1.0))
    sigma = np.maximum(speed / rice_mean(ratio), np.finfo(np.float32).tiny)
    towards = np.arctan2(-u, -v)
    joint = np.empty((u.size, sectors, edges.size))
    # A ring of the distribution at speed s is about 1 / sqrt(r s) rad wide; 4 sigma above the mean nothing is left.
    # Even the weakest mean makes one wave round the circle, which few and wide sectors must follow.
    points = 4 + np.ceil(_width_rad(sectors) * (1.5 + 1.75 * np.sqrt(ratio * (ratio + 6.0)))).astype(np.intp)
    at_a_time = max(1, _VALUES_AT_A_TIME // (sectors * edges.size))
    for count in np.unique(points):
        found = np.flatnonzero(points == count)
        for start in range(0, found.size, at_a_time):
            rows = found[start : start + at_a_time]
            scaled = edges / sigma.flat[rows][:, None]
            joint[rows] = _circular_normal(ratio.flat[rows], towards.flat[rows], scaled, sectors, int(count))
    total = joint.sum(axis=(1, 2), keepdims=True)
    if (np.abs(total - 1.0) > _QUADRATURE_TOLERANCE).any():
        raise ArithmeticError("the shares of wind sectors do not sum to 1: a fault of the quadrature, please report it")
    return _sealed((joint / total).reshape(*u.shape, sectors, edges.size))


def conditional(joint: ArrayLike) -> Floats:
    """Return the share of each speed class in the hours of its sector, for `plumes.Winds`.

    Args:
        joint: (..., N, V) shares of all hours, at least 0.

    Returns:
        (..., N, V) shares that sum to 1 over the speed classes, or all 0 for a sector without wind (below 1e-12).

    Raises:
        ValueError: a share is below 0 or not finite.

    """
    share = numbers(joint, "a share of hours")
    if share.ndim < 2:
        raise ValueError("shares of hours must be given by sector and speed class")
    total = share.sum(axis=-1, keepdims=True)
    blows = total > _LEAST_SHARE
    return _sealed(np.where(blows, share / np.where(blows, total, 1.0), 0.0))


@dataclass(frozen=True, slots=True)
class GivenWinds:
    """The wind of one site as its user gave it.

    Attributes:
        joint: (12, N, V) share of the month's hours by sector and speed class; sums to 1, or to 0 if not given.
        stability_share: (12, N, V, 6) share of the classes A to F; sums to 1, or to 0 where the wind does not blow.
        given: (12,) whether the month was given.

    """

    joint: Floats
    stability_share: Floats
    given: Flags


def given_shares(
    month: ArrayLike,
    sector_deg: ArrayLike,
    speed_m_s: ArrayLike,
    stability: ArrayLike,
    frequency: ArrayLike,
    sectors: int,
    edges_m_s: ArrayLike,
) -> GivenWinds:
    """Return the wind of one site from its rows in winds.csv, in our sectors and speed classes.

    When the directions of a month are evenly spaced, or are more than half of an evenly spaced compass (of at least 3
    directions, whole degrees will do), each row stands for its share of the circle and is divided among our sectors
    by the angle that they cover: of 8 directions, the northerly one gives half to our sector 0 of 16 and a quarter to
    each neighbour. Otherwise a row goes to the nearest sector, the next one clockwise at an edge. A row of speed 0 is
    a calm, which has no direction: it is spread evenly over all sectors.

    Args:
        month: (R,) 1 to 12.
        sector_deg: (R,) direction the wind comes from, degrees clockwise from north, 0 to 360.
        speed_m_s: (R,) speed of the class, at least 0; goes to the class of ours that holds it.
        stability: (R,) Pasquill class, A to F or 0 to 5.
        frequency: (R,) share of the month's hours, 0 to 1.
        sectors: number N of wind sectors, at least 1.
        edges_m_s: (V,) lower edges of the speed classes, from 0 up.

    Raises:
        ValueError: a value is out of range, lengths differ, or the frequencies of a month do not sum to 1 within .02.

    """
    months, directions = (
        np.atleast_1d(numbers(month, "a month", 1.0)),
        np.atleast_1d(numbers(sector_deg, "a direction")),
    )
    speed, often = np.atleast_1d(numbers(speed_m_s, "a wind speed")), np.atleast_1d(numbers(frequency, "a frequency"))
    # An empty list has no type of its own.
    stable = class_number(stability) if months.size else np.zeros(0, dtype=np.intp)
    shape = months.shape
    if len(shape) != 1 or any(given.shape != shape for given in (directions, speed, stable, often)):
        raise ValueError("every row of wind needs a month, a direction, a speed, a stability class and a frequency")
    if ((months > 12.0) | (months != np.floor(months))).any():
        raise ValueError("a month of wind must be a whole number from 1 to 12")
    if (directions > 360.0).any():
        raise ValueError(f"a direction of wind must be from 0 to 360 degrees, found {directions.max():g}")
    _checked_sectors(sectors)
    edges = _checked_edges(edges_m_s)
    order = np.lexsort((often, stable, speed, directions, months))
    row, directions, often, stable = months[order].astype(np.intp) - 1, directions[order], often[order], stable[order]
    often = np.where(often > _LEAST_SHARE, often, 0.0)
    calm = speed[order] == 0.0
    column = np.searchsorted(edges, speed[order], side="right") - 1
    total = np.bincount(row, often, minlength=12)
    given = np.bincount(row, minlength=12) > 0
    # The allowance is for rounded figures; a sum on its very edge passes.
    wrong = np.flatnonzero(given & (np.abs(total - 1.0) > SUM_TOLERANCE + 1e-12))
    if wrong.size:
        sums = ", ".join(f"{total[m]:.4g} in month {m + 1}" for m in wrong)
        raise ValueError(
            f"frequencies of wind must sum to 1 in each month given (within {SUM_TOLERANCE:g}), but sum to {sums}; "
            "give each row as its share of the month's hours, with every direction and calms"
        )
    divided = np.empty((row.size, sectors))
    for m in np.flatnonzero(given):
        blown = (row == m) & ~calm
        divided[blown] = _divided(directions[blown], sectors)
    divided[calm] = 1.0 / sectors
    full = np.zeros((12, sectors, edges.size, 6))
    where = (row[:, None], np.arange(sectors), column[:, None], stable[:, None])
    np.add.at(full, where, (often / np.where(given, total, 1.0)[row])[:, None] * divided)
    joint = full.sum(axis=-1)
    blows = joint[..., None] > 0.0
    share = np.where(blows, full / np.where(blows, joint[..., None], 1.0), 0.0)
    given.flags.writeable = False
    return GivenWinds(_sealed(joint), _sealed(share), given)


def _mean_speed(length: Floats, scalar_m_s: ArrayLike | None, steadiness: ArrayLike) -> Floats:
    """(S, 12) scalar mean speeds, never below the length of the mean vector."""
    steady = np.broadcast_to(_steady(steadiness, above=True), length.shape)
    guess = np.maximum(length / steady, LEAST_SCALAR_M_S)
    if scalar_m_s is None:
        return np.asarray(guess)
    scalar = np.broadcast_to(np.asarray(scalar_m_s, dtype=np.float64), length.shape)
    known = ~np.isnan(scalar)
    numbers(scalar[known], "a mean speed")
    return np.asarray(np.where(known, np.maximum(scalar, length), guess))


def _circular_normal(ratio: Floats, towards: Floats, edges: Floats, sectors: int, points: int) -> Floats:
    """(R, N, V) shares of R winds, with edges (R, V) in units of sigma and `towards` the bearing of the mean.

    Along a bearing at the angle a to the mean the density of speed s is s exp(-(s - c)^2 / 2) exp(-(r sin a)^2 / 2)
    / 2 pi with c = r cos a; its integral from s up is exp(-(s - c)^2 / 2) + c sqrt(2 pi) Q(s - c), with the same
    factors and Q the upper tail of the normal distribution.
    """
    nodes, weights = np.polynomial.legendre.leggauss(points)
    width = _width_rad(sectors)
    above = np.zeros((ratio.size, sectors, edges.shape[1]))
    for node, weight in zip(nodes, weights, strict=True):
        angle = (np.arange(sectors) + node / 2.0) * width - towards[:, None]
        along = (ratio[:, None] * np.cos(angle))[..., None]
        left = along - edges[:, None, :]
        beyond = ndtr(left)
        beyond *= along * _ROOT_TWO_PI
        left *= left
        left *= -0.5
        beyond += np.exp(left)
        factor = np.exp(-0.5 * (ratio[:, None] * np.sin(angle)) ** 2) * (weight * width / 2.0 / (2.0 * np.pi))
        beyond *= factor[..., None]
        above += beyond
    above[..., :-1] -= above[..., 1:]
    return np.maximum(above, 0.0)


def _divided(directions: Floats, sectors: int) -> Floats:
    """(R, N) parts of the rows of one month that fall to each sector, summing to 1."""
    width = 360.0 / sectors
    centres, count = _compass(np.mod(directions, 360.0))
    if not count:
        nearest = np.mod(np.floor(centres / width + 0.5), sectors)
        return np.asarray(nearest[:, None] == np.arange(sectors), dtype=np.float64)
    wide = 360.0 / count
    away = np.abs(np.mod(centres[:, None] - np.arange(sectors) * width + 180.0, 360.0) - 180.0)
    # The second term is for wide sectors, which a row may reach round the far side as well.
    part = sum(np.clip((wide + width) / 2.0 - gap, 0.0, min(wide, width)) for gap in (away, 360.0 - away))
    part = np.where(part > 1e-9 * wide, part, 0.0)
    return np.asarray(part / part.sum(axis=1, keepdims=True), dtype=np.float64)


def _compass(directions: Floats) -> tuple[Floats, int]:
    """Directions set right on an evenly spaced compass and its number of directions; 0 if there is none."""
    distinct = np.unique(directions)
    for count in range(distinct.size, 2 * distinct.size) if distinct.size >= 3 else ():
        step = 360.0 / count
        turns = np.exp(2j * np.pi * distinct / step)
        offset = float(np.angle(turns.mean())) / (2.0 * np.pi) * step
        half = step / 2.0 * np.round(2.0 * offset / step)
        # A compass has a direction or an edge at north, unless the rows clearly say otherwise.
        offset = half if abs(offset - half) <= _ROUNDED_DEG / 2.0 else offset
        place = np.round((distinct - offset) / step)
        off = np.abs(distinct - offset - place * step)
        if off.max() <= _ROUNDED_DEG and np.unique(np.mod(place, count)).size == distinct.size:
            return offset + np.round((directions - offset) / step) * step, count
    return directions, 0


def _steady(values: ArrayLike, *, above: bool = False) -> Floats:
    q = numbers(values, "a steadiness", above=above)
    if (q > 1.0 + 1e-12).any():
        raise ValueError(f"a steadiness must be at most 1 (mean vector over mean speed), found {q.max():g}")
    return q


def _checked_edges(edges_m_s: ArrayLike) -> Floats:
    edges = np.atleast_1d(numbers(edges_m_s, "an edge of a speed class"))
    if edges.ndim != 1 or edges.size < 2 or edges[0] != 0.0 or (np.diff(edges) <= 0.0).any():
        raise ValueError("edges of speed classes must be at least two, start with 0 and rise")
    return edges


def _checked_sectors(sectors: int) -> None:
    if sectors < 1:
        raise ValueError("there must be at least one wind sector")


def _width_rad(sectors: int) -> float:
    return float(2.0 * np.pi / sectors)


def _sealed(values: Floats) -> Floats:
    values.flags.writeable = False
    return values
