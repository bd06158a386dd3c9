"""Latitude bands: their share of the earth's surface, which positions they hold, and the gaps between.

A band holds `south <= lat < north`; a band that ends at the north pole holds the pole too, so that bands
laid end to end from 90 S to 90 N hold each position exactly once. Bands may also overlap.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WEIGHT_SUM_TOLERANCE = 1e-9
"""How far the weights of one site's positions may be from 1 in sum."""

_TIE_DECIMALS = 9
"""Gaps whose widths agree to this many decimals of a degree count as equally wide."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A span of latitude without a position: from its south end to its north end, in degrees north."""

    from_lat: float
    to_lat: float
    width_deg: float


def checked_latitudes(lat: ArrayLike, what: str = "latitudes") -> Floats:
    """Return latitudes as a one-dimensional array of floats.

    Args:
        lat: one latitude or (n,) latitudes, degrees north, -90 to 90.
        what: what to call them in an error message.

    Raises:
        ValueError: a value is missing (NaN), infinite or outside -90 to 90, or there are several axes.

    """
    values = np.atleast_1d(np.asarray(lat, dtype=np.float64))
    if values.ndim != 1:
        raise ValueError(f"{what} must be a list of numbers; found an array with {values.ndim} axes")
    wrong = ~(np.abs(values) <= 90.0)
    if wrong.any():
        at = int(np.argmax(wrong))
        raise ValueError(
            f"{what} must lie between -90 and 90 degrees; found {values[at]} at position {at}; "
            "give degrees north, south negative"
        )
    return values


def _checked_bands(south: ArrayLike, north: ArrayLike) -> tuple[Floats, Floats]:
    low, high = (
        checked_latitudes(south, "south ends of bands"),
        checked_latitudes(north, "north ends of bands"),
    )
    if low.shape != high.shape:
        raise ValueError(f"every band needs a south and a north end; found {low.size} and {high.size}")
    wrong = low >= high
    if wrong.any():
        at = int(np.argmax(wrong))
        raise ValueError(
            f"a band must end north of where it begins; band {at} runs from {low[at]} to {high[at]}; "
            "swap or mend its ends"
        )
    return low, high


def area_share(south: ArrayLike, north: ArrayLike) -> Floats:
    """Return the share of the sphere's surface that lies in each band, (sin north - sin south) / 2.

    Evaluated as sin((north - south)/2) cos((north + south)/2), the same number without the cancellation
    that a narrow band would suffer. On the sphere; on the WGS 84 ellipsoid a share differs by less than .002.

    Args:
        south: south end of each band, (bands,), degrees north, -90 to 90.
        north: north end of each band, (bands,), degrees north, greater than `south`.

    Returns:
        (bands,) shares, above 0 and at most 1.

    Raises:
        ValueError: an end is missing or out of range, or a band does not end north of its beginning.

    Source: area of a spherical zone, 2 pi R h (Archimedes, On the Sphere and Cylinder I).

    """
    low, high = (np.radians(ends) for ends in _checked_bands(south, north))
    return np.asarray(np.sin((high - low) / 2.0) * np.cos((high + low) / 2.0), dtype=np.float64)


def band_of(lat: ArrayLike, south: ArrayLike, north: ArrayLike) -> NDArray[np.bool_]:
    """Return which bands hold which positions.

    A band holds south <= lat < north; one that ends at 90 holds 90 too.

    Args:
        lat: (n,) latitudes, degrees north, -90 to 90.
        south: (bands,) south ends, degrees north.
        north: (bands,) north ends, degrees north, greater than `south`.

    Returns:
        (n, bands) True where the band holds the position.

    Raises:
        ValueError: a latitude is missing or out of range, or a band does not end north of its beginning.

    """
    positions = checked_latitudes(lat)[:, None]
    low, high = _checked_bands(south, north)
    held = (positions >= low) & ((positions < high) | ((high == 90.0) & (positions == 90.0)))
    return np.asarray(held, dtype=np.bool_)


def shares(
    lat: ArrayLike, weight: ArrayLike, owner: ArrayLike, n_sites: int, south: ArrayLike, north: ArrayLike
) -> Floats:
    """Return the share of its time that each site spends in each band.

    A fixed site has one position of weight 1; a ship track has several, whose weights sum to 1. The order
    of the positions does not change the answer, not even in the last bit.

    Args:
        lat: (n,) latitudes of all positions, degrees north, -90 to 90.
        weight: (n,) share of its site's time spent at each position, 0 to 1.
        owner: (n,) row of the site that each position belongs to, whole numbers 0 to n_sites - 1.
        n_sites: number of sites.
        south: (bands,) south ends, degrees north.
        north: (bands,) north ends, degrees north, greater than `south`.

    Returns:
        (n_sites, bands) shares of time, 0 to 1; a row sums to 1 if the bands cover the earth once.

    Raises:
        ValueError: a value is missing or out of range, lengths differ, or the weights of a site do not
            sum to 1 within 1e-9 (a site without positions sums to 0).

    """
    inside = band_of(lat, south, north)
    positions = checked_latitudes(lat)
    weights = np.atleast_1d(np.asarray(weight, dtype=np.float64))
    owners = np.atleast_1d(np.asarray(owner))
    if owners.size == 0:
        owners = owners.astype(np.intp)
    if not positions.shape == weights.shape == owners.shape:
        raise ValueError(
            "every position needs a latitude, a weight and a site; "
            f"found {positions.size}, {weights.size} and {owners.size}"
        )
    if not np.issubdtype(owners.dtype, np.integer):
        raise ValueError("the sites of the positions must be whole numbers (rows of the table of sites)")
    if ((owners < 0) | (owners >= n_sites)).any():
        raise ValueError(f"the sites of the positions must be rows 0 to {n_sites - 1}")
    if not ((weights >= 0.0) & np.isfinite(weights)).all():
        raise ValueError("weights of positions must be numbers from 0 to 1")

    order = np.lexsort((weights, positions, owners))
    inside, weights, owners = inside[order], weights[order], owners[order]
    sums = np.bincount(owners, weights=weights, minlength=n_sites)
    wrong = np.abs(sums - 1.0) > WEIGHT_SUM_TOLERANCE
    if wrong.any():
        at = int(np.argmax(wrong))
        raise ValueError(
            f"the weights of a site's positions must sum to 1; site {at} sums to {sums[at]}; "
            "divide its weights by their sum"
        )
    held = np.zeros((n_sites, inside.shape[1]))
    np.add.at(held, owners, weights[:, None] * inside)
    return np.asarray(np.minimum(held, 1.0), dtype=np.float64)


def gaps(lat: ArrayLike) -> tuple[Gap, ...]:
    """Return the gaps between neighbouring latitudes, the widest first, equally wide ones south first.

    Both poles count as ends, so there is always a gap: without positions it is the whole way from -90 to
    90. Positions on the same latitude have no gap between them.

    Args:
        lat: (n,) latitudes of the positions, in any order, degrees north, -90 to 90.

    Raises:
        ValueError: a latitude is missing or out of range.

    """
    ends = np.unique(np.concatenate(([-90.0, 90.0], checked_latitudes(lat))))
    ends += 0.0  # turns -0.0 into 0.0
    found = [Gap(float(low), float(high), float(high - low)) for low, high in pairwise(ends)]
    # Rounding keeps the last bit of a subtraction from deciding which of two equal gaps comes first.
    return tuple(sorted(found, key=lambda gap: (-round(gap.width_deg, _TIE_DECIMALS), gap.from_lat)))


def largest_gap(lat: ArrayLike) -> Gap:
    """Return the widest gap between neighbouring latitudes, poles counted as ends; of equals the southern.

    Args:
        lat: (n,) latitudes of the positions, in any order, degrees north, -90 to 90.

    Raises:
        ValueError: a latitude is missing or out of range.

    """
    return gaps(lat)[0]
