"""Sector and speed frequencies of the wind against simulation, integration and the Rice law. Places are invented."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import dblquad
from scipy.stats import norm, rice

from siting.geography import winds
from siting.geography.dispersion import floored_wind_m_s
from siting.geography.plumes import Winds
from siting.geography.winds import class_speeds, conditional, given_shares, sector_speed_shares, speed_edges

EDGES = (0.0, 2.0, 5.0, 10.0)
months = np.ones((1, 12))


def shares(u, v, scalar, sectors=16, edges=EDGES, **more):
    """One month's (N, V) of one site."""
    every = None if scalar is None else scalar * months
    found = sector_speed_shares(u * months, v * months, every, sectors, edges, **more)
    assert found.shape == (1, 12, sectors, len(edges))
    assert_array_equal(found, found[:, :1].repeat(12, axis=1))
    return found[0, 0]


# The Rice law --------------------------------------------------------------------------------------------------------


def test_the_mean_speed_is_that_of_the_rice_distribution_of_a_reference_library():
    ratios = np.array([0.0, 0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0])
    assert_allclose(winds.rice_mean(ratios), rice(ratios).mean(), rtol=1e-9)


@given(st.floats(0, 0.9996))
def test_the_ratio_found_gives_back_the_steadiness(q):
    ratio = float(winds.ratio_of_steadiness(q))
    assert math.isclose(ratio / winds.rice_mean(ratio), q, abs_tol=1e-11)


def test_steadiness_has_the_limits_of_a_weak_and_a_strong_mean_wind():
    # Rayleigh: V / (sigma sqrt(pi/2)). Strong: mean speed V + sigma^2 / 2V (textbook limits of the Rice mean).
    weak = winds.ratio_of_steadiness(1e-4)
    assert_allclose(weak, 1e-4 * math.sqrt(math.pi / 2), rtol=1e-6)
    strong = winds.ratio_of_steadiness(0.995)
    assert_allclose(1 / 0.995 - 1, 1 / (2 * strong**2), rtol=0.01)
    assert_array_equal(winds.ratio_of_steadiness([0, 1]), [0, winds.STEADIEST_RATIO])
    assert (np.diff(winds.ratio_of_steadiness(np.linspace(0, 1, 5001)[:-1])) >= 0).all()


@pytest.mark.parametrize("q", [-0.1, 1.01, np.nan])
def test_a_steadiness_outside_0_to_1_is_refused(q):
    with pytest.raises(ValueError, match="steadiness must be at"):
        winds.ratio_of_steadiness(q)


# From monthly means --------------------------------------------------------------------------------------------------


def test_without_a_mean_vector_sectors_are_alike_and_speeds_follow_rayleigh():
    found = shares(0, 0, 5.0)
    sigma = 5.0 / math.sqrt(math.pi / 2)
    beyond = np.exp(-0.5 * (np.array([0, 2, 5, 10]) / sigma) ** 2)
    assert_allclose(found, np.tile((beyond - np.append(beyond[1:], 0)) / 16, (16, 1)), atol=1e-12)


@pytest.mark.parametrize(("u", "v", "sector"), [(0, -7, 0), (-7, 0, 4), (0, 7, 8), (7, 0, 12), (-5, -5, 2)])
def test_a_steady_wind_comes_from_the_one_sector_it_does_not_blow_to(u, v, sector):
    found = shares(u, v, math.hypot(u, v))
    assert found[sector, 2] > 1 - 1e-9


def test_a_steady_wind_along_the_edge_of_two_sectors_is_halved():
    found = shares(-7 * math.sin(math.pi / 16), -7 * math.cos(math.pi / 16), 7)
    assert_allclose(found[:2, 2], 0.5, atol=1e-9)


def ratio_and_sigma(u, v, scalar):
    ratio = float(winds.ratio_of_steadiness(math.hypot(u, v) / scalar))
    # The library overflows for steady winds; there the series of the Rice mean for a large ratio is exact enough.
    mean = rice(ratio).mean() if ratio < 30 else ratio + 1 / (2 * ratio) + 1 / (8 * ratio**3) + 3 / (16 * ratio**5)
    return ratio, scalar / mean


CASES = [(3.0, -4.0, 6.0, 16), (-1.0, 0.3, 5.0, 12), (0.5, 8.0, 8.3, 8), (2.0, 2.0, 9.0, 7)]


@pytest.mark.parametrize(("u", "v", "scalar", "sectors"), CASES)
def test_shares_are_those_of_a_simulated_wind(u, v, scalar, sectors):
    _, sigma = ratio_and_sigma(u, v, scalar)
    draws = 400_000
    rng = np.random.default_rng(sectors)
    east, north = rng.normal(u, sigma, draws), rng.normal(v, sigma, draws)
    origin = np.degrees(np.arctan2(-east, -north))
    sector = np.round(origin / (360 / sectors)).astype(int) % sectors
    speed = np.hypot(east, north)
    assert_allclose(speed.mean(), scalar, rtol=0.004)
    counted = np.zeros((sectors, len(EDGES)))
    np.add.at(counted, (sector, np.searchsorted(EDGES, speed, side="right") - 1), 1 / draws)
    found = shares(u, v, scalar, sectors)
    assert (np.abs(counted - found) < 5 * np.sqrt(found / draws) + 2 / draws).all()


@pytest.mark.parametrize(("u", "v", "scalar", "sectors"), CASES)
def test_shares_are_the_double_integral_of_the_normal_vector(u, v, scalar, sectors):
    _, sigma = ratio_and_sigma(u, v, scalar)
    found = shares(u, v, scalar, sectors)
    width = 2 * math.pi / sectors

    def density(speed, origin):
        east, north = -speed * math.sin(origin) - u, -speed * math.cos(origin) - v
        return speed * math.exp(-(east**2 + north**2) / (2 * sigma**2)) / (2 * math.pi * sigma**2)

    for n, k in [(0, 0), (int(found.sum(1).argmax()), 2), (2, 1), (sectors - 1, 3)]:
        top = EDGES[k + 1] if k < 3 else 10 + 12 * sigma
        whole, _ = dblquad(density, (n - 0.5) * width, (n + 0.5) * width, EDGES[k], top, epsabs=1e-11)
        assert_allclose(found[n, k], whole, atol=2e-9)


# The library's distribution fails at a ratio of about 1e-160, so the weakest wind here is .01 m/s or none.
@given(
    st.just(0.0) | st.floats(0.01, 12),
    st.floats(0, 2 * math.pi),
    st.floats(0.01, 1),
    st.sampled_from([1, 2, 5, 16, 36]),
)
@settings(max_examples=60, deadline=None)
def test_all_sectors_together_follow_the_rice_distribution(length, towards, q, sectors):
    scalar = length / q if length else 3.0
    u, v = length * math.sin(towards), length * math.cos(towards)
    ratio, sigma = ratio_and_sigma(u, v, max(scalar, math.hypot(u, v)))
    found = shares(u, v, scalar, sectors)
    assert (found >= 0).all()
    assert_allclose(found.sum(), 1, atol=1e-12)
    below = np.append(rice.cdf(EDGES, ratio, scale=sigma), 1)
    assert_allclose(found.sum(0), np.diff(below), atol=3e-9)


@pytest.mark.parametrize("sectors", [1, 2, 3, 8, 16, 36])
@pytest.mark.parametrize("q", [0.0, 1e-3, 0.03, 0.3, 0.8, 0.97, 0.999, 1.0])
def test_three_thin_sectors_joined_make_one_wide_sector(sectors, q):
    u, v = 6 * q * math.sin(1.3), 6 * q * math.cos(1.3)
    thin = shares(u, v, 6, 3 * sectors)
    joined = np.roll(thin, 1, axis=0).reshape(sectors, 3, -1).sum(1)
    assert_allclose(shares(u, v, 6, sectors), joined, atol=1e-9)


@given(st.floats(0, 15), st.floats(0, 7), st.floats(0.02, 1), st.integers(1, 24), st.integers(0, 23))
@settings(max_examples=60, deadline=None)
def test_turning_the_wind_by_whole_sectors_turns_the_answer(length, towards, q, sectors, turns):
    angle = towards + turns * 2 * math.pi / sectors
    scalar = max(length / q, 0.5)
    before = shares(length * math.sin(towards), length * math.cos(towards), scalar, sectors)
    after = shares(length * math.sin(angle), length * math.cos(angle), scalar, sectors)
    assert_allclose(after, np.roll(before, turns, axis=0), atol=1e-8)


def test_each_site_and_month_is_worked_out_alone_and_in_its_place():
    rng = np.random.default_rng(3)
    u, v = rng.normal(0, 4, (2, 5, 12))
    scalar = np.hypot(u, v) / rng.uniform(0.2, 1, u.shape)
    scalar[2, 4] = np.nan
    found = sector_speed_shares(u, v, scalar, 16, EDGES)
    for s, m in [(0, 0), (2, 4), (4, 11), (3, 6)]:
        alone = shares(u[s, m], v[s, m], None if np.isnan(scalar[s, m]) else scalar[s, m])
        assert_allclose(found[s, m], alone, atol=1e-13)
    assert not found.flags.writeable


def test_an_unknown_mean_speed_follows_from_the_steadiness_and_is_at_least_1_m_s():
    assert_allclose(shares(3, 0, None), shares(3, 0, 6.0), atol=1e-12)
    assert_allclose(shares(3, 0, np.nan, steadiness=0.75), shares(3, 0, 4.0), atol=1e-12)
    assert_allclose(shares(0, 0, None), shares(0, 0, 1.0), atol=1e-12)
    assert_allclose(shares(0.2, 0, None), shares(0.2, 0, 1.0), atol=1e-12)


def test_a_mean_speed_below_the_mean_vector_gives_the_steadiest_wind():
    assert_array_equal(shares(6, 3, 2.0), shares(6, 3, math.hypot(6, 3)))


def test_a_mean_speed_of_0_is_calm_all_round():
    assert_allclose(shares(0, 0, 0.0), np.outer(np.ones(16), [1 / 16, 0, 0, 0]), atol=1e-12)


@pytest.mark.parametrize(
    ("change", "words"),
    [({"u": np.nan * months}, "mean wind"), ({"u": np.ones((1, 11))}, "sites, 12"), ({"scalar": -months}, "mean speed"),
     ({"sectors": 0}, "one wind sector"), ({"edges": (1, 2)}, "start with 0"), ({"edges": (0, 3, 3)}, "rise"),
     ({"steadiness": 0.0}, "steadiness must be above 0"), ({"steadiness": 1.1}, "at most 1")],
)  # fmt: skip
def test_wrong_means_are_refused_in_words(change, words):
    args = {"u": months, "v": months, "scalar": 2 * months, "sectors": 8, "edges": EDGES, "steadiness": 0.5} | change
    with pytest.raises(ValueError, match=words):
        sector_speed_shares(*(args[k] for k in ("u", "v", "scalar", "sectors", "edges")), steadiness=args["steadiness"])


# Speed classes -------------------------------------------------------------------------------------------------------


def test_the_least_wind_is_an_edge_and_so_are_those_of_pasquills_table():
    # Pasquill, Meteorological Magazine 90, 1961, 33: wind rows 2, 3, 5, 6 m/s.
    assert_array_equal(speed_edges(2.0), [0, 1, 2, 3, 4, 5, 6, 8, 10, 12, 16])
    assert_array_equal(speed_edges(2.5), [0, 1, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 16])
    assert speed_edges(20.0)[-1] == 20
    with pytest.raises(ValueError, match="least wind"):
        speed_edges(-1.0)


@given(st.floats(0, 30))
def test_the_speed_of_a_class_lies_in_it(least):
    edges = speed_edges(least)
    speeds = class_speeds(edges)
    assert (speeds >= edges).all()
    assert (speeds[:-1] <= edges[1:]).all()


def test_the_speed_of_a_class_is_the_harmonic_mean_over_it():
    fine = (np.arange(400_000) + 0.5) / 400_000
    for low, high, found in zip((0, 2, 6, 12), (2, 6, 12, 15), class_speeds((0, 2, 6, 12)), strict=True):
        speed = low + (high - low) * fine
        assert_allclose(found, speed.sum() / (speed / np.maximum(speed, 0.5)).sum(), rtol=1e-6)
    assert_allclose(class_speeds((0, 1, 2))[:2], [2 / 3, 1.5])


@pytest.mark.parametrize("scalar", [2.0, 4.0, 8.0, 12.0])
@pytest.mark.parametrize("q", [0.1, 0.5, 0.9])
def test_the_mean_of_one_over_u_survives_the_classes_within_three_percent(scalar, q):
    edges = speed_edges(2.0)
    found = shares(q * scalar, 0, scalar, edges=edges)
    from_classes = (found.sum(0) / floored_wind_m_s(class_speeds(edges))).sum()
    ratio, sigma = ratio_and_sigma(q * scalar, 0, scalar)
    speeds = rice.ppf((np.arange(20_000) + 0.5) / 20_000, ratio, scale=sigma)
    assert_allclose(from_classes, np.mean(1 / np.maximum(speeds, 0.5)), rtol=0.03)


# Rows of winds.csv ---------------------------------------------------------------------------------------------------


def rows(month, joint, stable, degrees, speeds):
    """Rows (month, direction, speed, class, frequency) of an (N, V) table with (N, V, 6) stability shares."""
    return [
        (month, degrees[n], speeds[v], "ABCDEF"[c], joint[n, v] * stable[n, v, c])
        for n, v, c in np.ndindex(stable.shape)
    ]


def read(listed, sectors=16, edges=EDGES):
    return given_shares(*(np.array(column) for column in zip(*listed, strict=True)), sectors, edges)


def rose(directions, month=1, speed=6.0):
    return [(month, d, speed, "D", f) for d, f in directions.items()]


@pytest.mark.parametrize("sectors", [8, 12, 16, 36])
def test_given_rows_come_back_as_they_were_whatever_their_order(sectors):
    rng = np.random.default_rng(sectors)
    joint, stable = rng.random((2, sectors, 4)), rng.random((2, sectors, 4, 6))
    joint /= joint.sum((1, 2), keepdims=True)
    stable /= stable.sum(-1, keepdims=True)
    degrees = np.arange(sectors) * 360 / sectors
    listed = [r for m in (0, 1) for r in rows((3, 11)[m], joint[m], stable[m], degrees, class_speeds(EDGES))]
    found = read(listed, sectors)
    assert_array_equal(np.flatnonzero(found.given), [2, 10])
    assert_allclose(found.joint[[2, 10]], joint, atol=1e-12)
    assert_allclose(found.stability_share[[2, 10]], stable, atol=1e-12)
    assert not found.joint[~found.given].any()
    shuffled = read([listed[k] for k in rng.permutation(len(listed))], sectors)
    assert_array_equal(shuffled.joint, found.joint)
    assert_array_equal(shuffled.stability_share, found.stability_share)
    # They are what plumes need.
    Winds.of(class_speeds(EDGES), conditional(found.joint)[None], found.stability_share[None])


def test_eight_directions_are_divided_among_sixteen_sectors_by_angle():
    found = read(rose({0: 0.6, 45: 0.4} | dict.fromkeys((90, 135, 180, 225, 270, 315), 0.0)))
    sums = found.joint[0].sum(1)
    assert_allclose(sums[[15, 0, 1, 2, 3]], [0.15, 0.3, 0.15 + 0.1, 0.2, 0.1], atol=1e-12)
    assert_allclose(sums.sum(), 1)


@given(st.integers(3, 40), st.integers(1, 40))
@settings(max_examples=60, deadline=None)
def test_an_even_wind_stays_even_whatever_the_number_of_directions(directions, sectors):
    found = read(rose({360 / directions * k: 1 / directions for k in range(directions)}), sectors)
    assert_allclose(found.joint[0].sum(1), 1 / sectors, atol=1e-12)


def test_directions_in_whole_degrees_and_360_for_north_are_understood():
    whole = [360, 23, 45, 68, 90, 113, 135, 158, 180, 203, 225, 248, 270, 293, 315, 338]
    often = np.arange(1, 17) / 136
    assert_allclose(read(rose(dict(zip(whole, often, strict=True)))).joint[0].sum(1), often, atol=1e-12)


def test_a_few_directions_go_to_the_nearest_sector():
    found = read(rose({10: 0.25, 200: 0.5, 355: 0.25}))
    assert_allclose(found.joint[0].sum(1)[[0, 9]], [0.5, 0.5])
    # One direction tells nothing of the width that it stands for.
    assert read(rose({250: 1.0})).joint[0, 11, 2] == 1


def test_a_compass_with_missing_directions_is_still_a_compass():
    found = read(rose({0: 0.5, 45: 0.25, 90: 0.0, 180: 0.0, 225: 0.25}), 8)
    assert_allclose(found.joint[0].sum(1)[[0, 1, 5]], [0.5, 0.25, 0.25])
    assert_allclose(read(rose({0: 1.0, 45: 0, 90: 0, 180: 0, 225: 0})).joint[0].sum(1)[[15, 0, 1]], [0.25, 0.5, 0.25])


def test_calms_have_no_direction():
    # A calm is reported without a direction, written 00 (common practice, no single source).
    found = read([(1, 0, 0, "F", 0.16), (1, 90, 5, "D", 0.84)])
    assert_allclose(found.joint[0, :, 0], 0.01)
    assert_allclose(found.joint[0, 4, 2], 0.84)
    assert_allclose(found.stability_share[0, :, 0, 5], 1)


def test_a_speed_on_an_edge_belongs_to_the_class_above():
    found = read([(1, 0, 1.99, "D", 0.25), (1, 0, 2, "D", 0.25), (1, 0, 10, "D", 0.25), (1, 0, 99, "D", 0.25)])
    assert_allclose(found.joint[0, 0], [0.25, 0.25, 0, 0.5])


def test_a_small_rounding_of_the_sum_is_mended():
    found = read(rose({0: 0.33, 120: 0.33, 240: 0.33}))
    assert_allclose(found.joint[0].sum(), 1, atol=1e-12)


def test_a_month_that_does_not_sum_to_1_is_named_with_its_sum():
    listed = rose({0: 1.0}, 2) + rose({0: 0.5, 180: 0.37}, 4) + rose({90: 1.03}, 12)
    with pytest.raises(ValueError, match=r"0\.87 in month 4, 1\.03 in month 12; give each row"):
        read(listed)


@pytest.mark.parametrize(
    ("row", "words"),
    [((13, 0, 3, "D", 1), "month"), ((1.5, 0, 3, "D", 1), "month"), ((1, 361, 3, "D", 1), "direction"),
     ((1, 0, -3, "D", 1), "wind speed"), ((1, 0, 3, "G", 1), "stability class"), ((1, 0, 3, "D", -1), "frequency"),
     ((1, np.nan, 3, "D", 1), "direction")],
)  # fmt: skip
def test_wrong_rows_are_refused_in_words(row, words):
    with pytest.raises(ValueError, match=words):
        read([row])


def test_lists_of_different_lengths_are_refused_and_no_rows_give_no_month():
    with pytest.raises(ValueError, match="every row of wind needs"):
        given_shares([1, 1], [0], [3], ["D"], [1], 8, EDGES)
    empty = given_shares([], [], [], [], [], 8, EDGES)
    assert not empty.given.any()
    assert not empty.joint.any()


# Shares given the sector ---------------------------------------------------------------------------------------------


def test_shares_given_the_sector_sum_to_1_or_0_where_no_wind_blows():
    found = conditional([[0.1, 0.3], [0.0, 0.0], [0.6, 0.0]])
    assert_allclose(found, [[0.25, 0.75], [0, 0], [1, 0]])
    with pytest.raises(ValueError, match="share of hours"):
        conditional([[-0.1, 1.1]])


def test_sector_and_class_of_a_standard_normal_vector_by_hand():
    # V = 0, sigma 1: a quarter of the circle holds a quarter; P(speed < 1) = 1 - exp(-1/2), P(component < 0) = 1/2.
    found = shares(0, 0, math.sqrt(math.pi / 2), 4, (0, 1))
    assert_allclose(found[:, 0], (1 - math.exp(-0.5)) / 4, atol=1e-12)
    # A mean of 1 sigma from the north: the two sectors of a half circle part at the east-west line.
    ratio = 1.0
    half = shares(0, -ratio, float(rice(ratio).mean()), 2, (0, 1))
    assert_allclose(half[0].sum(), norm.cdf(1), atol=1e-9)
