"""How air spreads a plume: widths by distance, concentrations, and stability classes by wind and sun.

A stability class is written A to F (Pasquill: A very unstable, D neutral, F stable) or as its number 0 to 5.
Distances and widths here are metres, downwind of the source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Classes = NDArray[np.intp]

CLASSES = "ABCDEF"
# Briggs fitted his widths to releases followed from about 100 m to 10 km (Hanna, Briggs & Hosker, Handbook on
# Atmospheric Diffusion, DOE/TIC-11223, 1982, table 4.5; range from memory).
NEAREST_M = 100.0
FARTHEST_M = 10_000.0
# The plume cannot mix above the lid; its vertical width stops at this share of the mixing height.
LID_SHARE = 0.8
# Least wind for a formula with 1/u, which means nothing in calm air (common practice, no single source).
LEAST_WIND_M_S = 0.5
# Width of an evenly emitting strip that a Gaussian of one sigma stands for (Turner: sigma = width / 4.3).
WIDTHS_PER_SIGMA = 4.3

# sigma = slope x (1 + bend x)^power; the first row is open country, the second urban.
_Y_SLOPE = np.array([[0.22, 0.16, 0.11, 0.08, 0.06, 0.04], [0.32, 0.32, 0.22, 0.16, 0.11, 0.11]])
_Y_BEND = np.array([1e-4, 4e-4])
_Z_SLOPE = np.array([[0.20, 0.12, 0.08, 0.06, 0.03, 0.016], [0.24, 0.24, 0.20, 0.14, 0.08, 0.08]])
_Z_BEND = np.array([[0.0, 0.0, 2e-4, 1.5e-3, 3e-4, 3e-4], [1e-3, 1e-3, 0.0, 3e-4, 1.5e-3, 1.5e-3]])
_Z_POWER = np.array([[0.0, 0.0, -0.5, -0.5, -1.0, -1.0], [0.5, 0.5, 0.0, -0.5, -0.5, -0.5]])

_DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_SPEED_EDGES = np.array([2.0, 3.0, 5.0, 6.0])
_SUN_EDGES_DEG = np.array([0.0, 15.0, 35.0, 60.0])
# Rows: wind below 2, 2-3, 3-5, 5-6, from 6 m/s. Columns: night under half cloud, sun up to 15, 15-35, 35-60,
# above 60 degrees. A double letter counts half to each.
_PASQUILL = (
    ("F", "D", "B", "AB", "A"),
    ("E", "D", "C", "B", "AB"),
    ("D", "D", "C", "BC", "B"),
    ("D", "D", "D", "CD", "C"),
    ("D", "D", "D", "D", "C"),
)
_TABLE = np.array([[[cell.count(c) / len(cell) for c in CLASSES] for cell in row] for row in _PASQUILL])
_NEUTRAL = np.array([float(c == "D") for c in CLASSES])


def numbers(values: ArrayLike, what: str, least: float = 0.0, *, above: bool = False) -> Floats:
    """Return values as floats; raise ValueError unless all are finite and at least (or above) `least`."""
    found = np.asarray(values, dtype=np.float64)
    good = np.isfinite(found) & ((found > least) if above else (found >= least))
    if not good.all():
        wrong = found[~good].flat[0]
        raise ValueError(f"{what} must be {'above' if above else 'at least'} {least:g} and finite, found {wrong:g}")
    return found


def class_number(stability: ArrayLike) -> Classes:
    """Return the numbers 0 to 5 of stability classes given as letters A to F or as numbers.

    Raises ValueError for any other letter or number.
    """
    given = np.asarray(stability)
    if given.dtype.kind in "US":
        found = np.full(given.shape, -1, dtype=np.intp)
        for number, letter in enumerate(CLASSES):
            found[given.astype(str) == letter] = number
    elif given.dtype.kind in "iu":
        found = given.astype(np.intp)
    else:
        raise ValueError("a stability class is a letter from A to F or a whole number from 0 to 5")
    if ((found < 0) | (found > 5)).any():
        raise ValueError(f"a stability class is a letter from A to F or a number from 0 to 5, found {given.tolist()}")
    return found


def sigma_y_m(distance_m: ArrayLike, stability: ArrayLike, *, urban: ArrayLike = False) -> Floats:
    """Return the horizontal width (one standard deviation) of a plume across the wind, in m.

    Args:
        distance_m: way downwind, above 0; broadcasts with the others.
        stability: classes A to F, or 0 to 5.
        urban: True over towns, False over open country.

    Raises:
        ValueError: a distance is not above 0 or not finite, or a class is unknown.

    Source: Briggs, Diffusion Estimation for Small Emissions, ATDL contribution 79, 1973, interpolation
    formulas for sigma-y. Fitted from 100 m to 10 km; see `extrapolated`.

    """
    x, c, town = numbers(distance_m, "a distance", above=True), class_number(stability), _town(urban)
    return np.asarray(_Y_SLOPE[town, c] * x / np.sqrt(1.0 + _Y_BEND[town] * x), dtype=np.float64)


def sigma_z_m(
    distance_m: ArrayLike, stability: ArrayLike, *, urban: ArrayLike = False, mixing_height_m: ArrayLike = np.inf
) -> Floats:
    """Return the vertical width (one standard deviation) of a plume, in m, capped at .8 of the mixing height.

    Args:
        distance_m: way downwind, above 0; broadcasts with the others.
        stability: classes A to F, or 0 to 5.
        urban: True over towns, False over open country.
        mixing_height_m: height of the lid, above 0; infinite for none.

    Raises:
        ValueError: a distance or height is not above 0, or a class is unknown.

    Source: Briggs 1973, interpolation formulas for sigma-z; the cap is a usual simple stand-in for reflection at
    the lid (Turner, AP-26, 1970, ch. 3, changes over at about half that width; common practice).

    """
    x, c, town = numbers(distance_m, "a distance", above=True), class_number(stability), _town(urban)
    lid = np.asarray(mixing_height_m, dtype=np.float64)
    if not (lid > 0.0).all():
        raise ValueError("a mixing height must be above 0 m; leave it out for air without a lid")
    free = _Z_SLOPE[town, c] * x * (1.0 + _Z_BEND[town, c] * x) ** _Z_POWER[town, c]
    return np.asarray(np.minimum(free, LID_SHARE * lid), dtype=np.float64)


def extrapolated(distance_m: ArrayLike) -> Flags:
    """Return True beyond 10 km, where the widths go further than the releases they were fitted to."""
    return np.asarray(numbers(distance_m, "a distance") > FARTHEST_M, dtype=np.bool_)


def virtual_distance_m(width_m: ArrayLike, stability: ArrayLike, *, urban: ArrayLike = False) -> Floats:
    """Return how far upwind a point must lie for its plume to be as wide as an area source, in m.

    The distance at which sigma-y equals width / 4.3; it is added to the way downwind for sigma-y and for the
    spreading over a sector. Width 0 gives 0 exactly: a point source.

    Args:
        width_m: width of the area across the wind, at least 0; broadcasts with the others.
        stability: classes A to F, or 0 to 5.
        urban: True for the urban widths.

    Raises:
        ValueError: a width is below 0 or not finite, or a class is unknown.

    Source: Turner, Workbook of Atmospheric Dispersion Estimates, AP-26, 1970, ch. 5, area sources (rule from
    memory); the quadratic a^2 x^2 = s^2 (1 + b x) that inverts Briggs' sigma-y is solved exactly.

    """
    s = numbers(width_m, "a width") / WIDTHS_PER_SIGMA
    c, town = class_number(stability), _town(urban)
    ratio, bend = s / _Y_SLOPE[town, c], _Y_BEND[town]
    half = ratio * bend / 2.0
    return np.asarray(ratio * (half + np.sqrt(half**2 + 1.0)), dtype=np.float64)


def floored_wind_m_s(speed_m_s: ArrayLike) -> Floats:
    """Return wind speeds with a floor of .5 m/s, below which a plume formula with 1/u means nothing.

    Raises ValueError for speeds below 0 or not finite. The floor is common practice, no single source.
    """
    return np.asarray(np.maximum(numbers(speed_m_s, "a wind speed"), LEAST_WIND_M_S), dtype=np.float64)


def concentration_kg_m3(
    strength_kg_s: ArrayLike,
    speed_m_s: ArrayLike,
    sigma_y: ArrayLike,
    sigma_z: ArrayLike,
    *,
    across_m: ArrayLike = 0.0,
    height_m: ArrayLike = 0.0,
    receptor_m: ArrayLike = 0.0,
) -> Floats:
    """Return the concentration in a plume whose lower half the ground reflects, in kg/m3.

    Args:
        strength_kg_s: emission, at least 0; all arguments broadcast.
        speed_m_s: wind, at least 0; counts as .5 m/s at least.
        sigma_y: width across the wind, m, above 0.
        sigma_z: vertical width, m, above 0.
        across_m: distance of the receptor from the axis, m.
        height_m: effective height of release (stack and plume rise), m, at least 0.
        receptor_m: height of the receptor above the ground, m, at least 0.

    Raises:
        ValueError: a value is out of range or not finite.

    Source: Turner, Workbook of Atmospheric Dispersion Estimates, AP-26, 1970, eq. 3.1.

    """
    q, u = numbers(strength_kg_s, "a strength"), floored_wind_m_s(speed_m_s)
    sy, sz = numbers(sigma_y, "a width", above=True), numbers(sigma_z, "a width", above=True)
    y, h, z = numbers(across_m, "an offset", -np.inf), numbers(height_m, "a height"), numbers(receptor_m, "a height")
    vertical = np.exp(-0.5 * ((z - h) / sz) ** 2) + np.exp(-0.5 * ((z + h) / sz) ** 2)
    return np.asarray(q / (2.0 * np.pi * u * sy * sz) * np.exp(-0.5 * (y / sy) ** 2) * vertical, dtype=np.float64)


def sector_mean_kg_m3(
    strength_kg_s: ArrayLike,
    speed_m_s: ArrayLike,
    sigma_z: ArrayLike,
    distance_m: ArrayLike,
    sectors: ArrayLike,
    *,
    height_m: ArrayLike = 0.0,
    frequency: ArrayLike = 1.0,
) -> Floats:
    """Return the mean at the ground when the plume wanders evenly over its sector, in kg/m3.

    sqrt(2/pi) * N/(2 pi) * f Q exp(-H^2 / 2 sz^2) / (sz u x). What spills over the sector's edge is counted back
    into it, so in very unstable air, with a plume wider than its sector, it may exceed the value on the axis.

    Args:
        strength_kg_s: emission, at least 0; all arguments broadcast.
        speed_m_s: wind, at least 0; counts as .5 m/s at least.
        sigma_z: vertical width, m, above 0.
        distance_m: distance (for an area source, with its virtual distance), above 0.
        sectors: number of sectors round the compass, any number above 0.
        height_m: effective height of release, m, at least 0.
        frequency: share of hours in which the wind blows from the sector; 1 for the mean over those hours.

    Raises:
        ValueError: a value is out of range or not finite.

    Source: the standard long-term formula, e.g. EPA ISC3 user's guide vol. II, 1995, sec. 1.2 (from memory).

    """
    q, u, f = numbers(strength_kg_s, "a strength"), floored_wind_m_s(speed_m_s), numbers(frequency, "a frequency")
    sz, x = numbers(sigma_z, "a width", above=True), numbers(distance_m, "a distance", above=True)
    n, h = numbers(sectors, "a number of sectors", above=True), numbers(height_m, "a height")
    spread = np.sqrt(2.0 / np.pi) * n / (2.0 * np.pi)
    return np.asarray(spread * f * q * np.exp(-0.5 * (h / sz) ** 2) / (sz * u * x), dtype=np.float64)


def share_above(
    axis_kg_m3: ArrayLike, threshold_kg_m3: ArrayLike, sigma_y: ArrayLike, distance_m: ArrayLike, sectors: ArrayLike
) -> Floats:
    """Return the share of a sector's hours in which one plume that wanders evenly over it exceeds a threshold.

    min(1, 2 y N / (2 pi x)) with y = sigma_y sqrt(2 ln(axis/threshold)); 0 if the axis is not above the threshold.

    Args:
        axis_kg_m3: concentration on the axis, at least 0; all arguments broadcast.
        threshold_kg_m3: threshold, above 0.
        sigma_y: width across the wind, m, above 0.
        distance_m: distance (for an area source, with its virtual distance), above 0.
        sectors: number of sectors round the compass, any number above 0.

    Raises:
        ValueError: a value is out of range or not finite.

    Source: where a Gaussian crosses a level, over the arc 2 pi x / N of the sector.

    """
    axis, limit = numbers(axis_kg_m3, "a concentration"), numbers(threshold_kg_m3, "a threshold", above=True)
    sy, x = numbers(sigma_y, "a width", above=True), numbers(distance_m, "a distance", above=True)
    n = numbers(sectors, "a number of sectors", above=True)
    half = sy * np.sqrt(2.0 * np.log(np.maximum(axis / limit, 1.0)))
    return np.asarray(np.minimum(1.0, half * n / (np.pi * x)), dtype=np.float64)


def sun_elevation_deg(lat: ArrayLike, day_of_year: ArrayLike, solar_hour: ArrayLike) -> Floats:
    """Return the height of the sun's centre above the horizon, in degrees, without refraction.

    Args:
        lat: degrees north, -90 to 90; broadcasts with the others.
        day_of_year: 1 (1 January) to 365.
        solar_hour: true solar time in hours, 12 when the sun crosses the meridian.

    Raises:
        ValueError: a latitude is out of range or a value is not finite.

    Source: spherical triangle of pole, zenith and sun; declination by Spencer 1971 (Search 2, 172), good to
    .0006 rad (memory).

    """
    phi, delta = np.radians(_latitudes(lat)), _declination(numbers(day_of_year, "a day", 1.0))
    hour = np.radians(15.0 * (numbers(solar_hour, "an hour", -24.0) - 12.0))
    height = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(hour)
    return np.asarray(np.degrees(np.arcsin(np.clip(height, -1.0, 1.0))), dtype=np.float64)


def pasquill_shares(speed_m_s: ArrayLike, elevation_deg: ArrayLike) -> Floats:
    """Return the stability class under half cloud as shares of the classes A to F, (..., 6).

    One class has share 1, or two neighbours have .5 each where the table says A-B, B-C or C-D. Simplifications:
    half the sky (4/8) is clouded, too little to weaken the sun in the table and enough for its cloudier night
    column; night is the sun at or below the horizon, without the hour on either side; sun up to 15 degrees
    stands for the hours next to night and counts as D; a night wind below 2 m/s, which the table leaves open,
    counts as F; snow and water surfaces are not told apart from land.

    Args:
        speed_m_s: wind at 10 m, at least 0; broadcasts with the other.
        elevation_deg: height of the sun, -90 to 90.

    Raises:
        ValueError: a value is not finite or out of range.

    Source: Pasquill, Meteorological Magazine 90, 1961, 33, table; wind rows and sun heights (strong above 60,
    slight 15 to 35) as in Turner, AP-26, 1970, table 3-1 (memory).

    """
    row = np.searchsorted(_SPEED_EDGES, numbers(speed_m_s, "a wind speed"), side="right")
    column = np.searchsorted(_SUN_EDGES_DEG, numbers(elevation_deg, "a height of the sun", -90.0), side="left")
    return np.asarray(_TABLE[row, column], dtype=np.float64)


def stability_frequency(lat: ArrayLike, speed_m_s: ArrayLike, at_sea: ArrayLike = False) -> Floats:
    """Return how often each stability class occurs in each month, given the speed of the wind.

    All hours of all days of a month count alike, whatever the wind: the time of day is taken as independent of
    the speed. Over the sea every hour counts as D, since water hardly warms and cools within a day.

    Args:
        lat: (S,) latitudes of the sites, degrees north, -90 to 90.
        speed_m_s: (V,) wind speeds at 10 m, one per speed class, at least 0.
        at_sea: whether air comes over the sea: one flag, (S,) per site, or (S, N) per site and sector.

    Returns:
        (S, 12, V, 6) shares that sum to 1 over the classes A to F; (S, 12, N, V, 6) if `at_sea` is (S, N).

    Raises:
        ValueError: a value is not finite or out of range, or shapes do not agree.

    Source: `pasquill_shares`; the time that the sun spends above a height follows from its hour angle.

    """
    phi = np.radians(np.atleast_1d(_latitudes(lat)))
    speed = np.atleast_1d(numbers(speed_m_s, "a wind speed"))
    sea = np.asarray(at_sea, dtype=np.bool_)
    if phi.ndim != 1 or speed.ndim != 1 or sea.ndim > 2 or (sea.ndim and sea.shape[0] != phi.size):
        raise ValueError("give one latitude per site, a plain list of speeds, and sea flags by site (and sector)")
    delta = _declination(np.arange(1, 366, dtype=np.float64))
    # Half-day arc above height a: cos(hour angle) = (sin a - sin lat sin dec) / (cos lat cos dec).
    lift = np.sin(phi)[:, None, None] * np.sin(delta)[:, None]
    swing = np.maximum(np.cos(phi)[:, None, None] * np.cos(delta)[:, None], 1e-12)
    above = np.arccos(np.clip((np.sin(np.radians(_SUN_EDGES_DEG)) - lift) / swing, -1.0, 1.0)) / np.pi
    starts = np.concatenate(([0], np.cumsum(_DAYS)[:-1]))
    monthly = np.add.reduceat(above, starts, axis=1) / _DAYS[:, None]
    edge = np.ones((*monthly.shape[:2], 1))
    sun = np.concatenate((edge, monthly), axis=2) - np.concatenate((monthly, 0.0 * edge), axis=2)
    rows = _TABLE[np.searchsorted(_SPEED_EDGES, speed, side="right")]
    land = np.einsum("smh,vhc->smvc", sun, rows)
    if sea.ndim == 2:
        return np.where(sea[:, None, :, None, None], _NEUTRAL, land[:, :, None])
    return np.where(sea.reshape(-1, 1, 1, 1), _NEUTRAL, land)


def _town(urban: ArrayLike) -> Classes:
    return np.asarray(urban, dtype=np.bool_).astype(np.intp)


def _latitudes(lat: ArrayLike) -> Floats:
    values = np.asarray(lat, dtype=np.float64)
    if not (np.abs(values) <= 90.0).all():
        raise ValueError("latitudes must lie within -90 to 90 degrees north; fill or mend the others first")
    return values


def _declination(day_of_year: Floats) -> Floats:
    """Declination of the sun in radians (Spencer 1971), for days 1 to 365."""
    turn = 2.0 * np.pi * (day_of_year - 1.0) / 365.0
    cosines, sines = (-0.399912, -0.006758, -0.002697), (0.070257, 0.000907, 0.00148)
    found = np.full_like(turn, 0.006918)
    for k, (a, b) in enumerate(zip(cosines, sines, strict=True), start=1):
        found = found + a * np.cos(k * turn) + b * np.sin(k * turn)
    return found
