"""How well latitudes support a profile: exact optimal designs of the literature, independent optimisers.

Citations are from memory; every value was computed anew from the stated formula.
"""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from siting.assessment.profiles import (
    contrast_efficiency,
    contrast_optimum,
    d_efficiency,
    d_optimal_support,
    information,
    pole_to_pole_efficiency,
    profile_efficiencies,
)

DEGREES = range(1, 9)

# Guest 1958, Ann. Math. Stat. 29, 294-299, and Hoel 1958, Ann. Math. Stat. 29, 1134-1145: roots of
# (1 - x^2) P'_d(x), equal weights (citations from memory). Exact roots by hand: 1/sqrt(5), sqrt(3/7),
# sqrt((7 -+ 2 sqrt 7)/21). Latitudes and determinants computed from them, to the digits shown.
D_OPTIMAL = {
    1: ([1.0], [90.0], 1.0, 1e-12),
    2: ([0.0, 1.0], [0.0, 90.0], 4 / 27, 1e-12),
    3: ([5**-0.5, 1.0], [26.57, 90.0], 0.00512, 1e-12),
    4: ([0.0, (3 / 7) ** 0.5, 1.0], [0.0, 40.89, 90.0], 4.29722e-5, 2e-6),
    5: (
        [((7 - 2 * 7**0.5) / 21) ** 0.5, ((7 + 2 * 7**0.5) / 21) ** 0.5, 1.0],
        [16.57, 49.91, 90.0],
        8.8735e-8,
        1e-6,
    ),
}

designs = st.lists(st.tuples(st.integers(-90, 90).map(float), st.integers(1, 12).map(float)), min_size=1, max_size=12)


def sines(lat):
    return np.sin(np.radians(np.asarray(lat, dtype=float)))


def values(efficiencies):
    return np.array([entry.value for entry in efficiencies])


def monomial_determinant(x, weight, degree):
    """Return det of sum w x^(i+j) by exact elimination in rational numbers: shares no code with ours."""
    points = [Fraction(value) for value in map(float, x)]
    weights = [Fraction(value) for value in map(float, weight)]
    total = sum(weights)
    size = degree + 1
    rows = [
        [sum(w * p ** (i + j) for p, w in zip(points, weights, strict=True)) / total for j in range(size)]
        for i in range(size)
    ]
    determinant = Fraction(1)
    for k in range(size):
        if rows[k][k] == 0:  # a Gram matrix: a zero pivot means that it is singular
            return 0.0
        determinant *= rows[k][k]
        for i in range(k + 1, size):
            factor = rows[i][k] / rows[k][k]
            rows[i] = [a - factor * b for a, b in zip(rows[i], rows[k], strict=True)]
    return float(determinant)


# --- the D-optimal designs -------------------------------------------------------------------------------


@pytest.mark.parametrize("degree", D_OPTIMAL)
def test_d_optimal_support_weights_and_determinant_are_those_of_guest_and_hoel(degree):
    half, lat, determinant, tolerance = D_OPTIMAL[degree]
    x, weight = d_optimal_support(degree)
    np.testing.assert_allclose(x, sorted({0.0 - value for value in half} | set(half)), atol=1e-14)
    np.testing.assert_allclose(np.degrees(np.arcsin(x[x >= 0])), lat, atol=0.005)
    np.testing.assert_allclose(weight, 1 / (degree + 1), rtol=1e-15)
    found = np.linalg.det(information(x, weight, degree, basis="monomial"))
    assert found == pytest.approx(determinant, rel=max(tolerance, 1e-12))
    assert monomial_determinant(x, weight, degree) == pytest.approx(determinant, rel=max(tolerance, 1e-12))


@pytest.mark.parametrize("degree", DEGREES)
def test_greatest_prediction_variance_of_the_d_optimal_design_is_the_number_of_coefficients(degree):
    # Kiefer & Wolfowitz 1960, Canad. J. Math. 12, 363-366: equivalence of D- and G-optimality.
    inverse = np.linalg.inv(information(*d_optimal_support(degree), degree, basis="monomial"))
    powers = np.vander(np.linspace(-1, 1, 20_001), degree + 1, increasing=True)
    variance = np.einsum("ni,ij,nj->n", powers, inverse, powers)
    assert variance.max() == pytest.approx(degree + 1, rel=1e-8)
    assert variance.max() <= (degree + 1) * (1 + 1e-8)


@pytest.mark.parametrize("degree", range(1, 6))
def test_a_multiplicative_algorithm_on_a_grid_brackets_the_best_determinant(degree):
    # w <- w d(x)/p (Silvey, Titterington & Torsney 1978, citation from memory) from equal weights. For any
    # design log det M* - log det M <= max d - p, as log det is concave: a proof from both sides.
    x = np.linspace(-1, 1, 801)
    powers = np.vander(x, degree + 1, increasing=True)
    weight = np.full(x.size, 1 / x.size)
    for _ in range(1500):
        inverse = np.linalg.inv((powers * weight[:, None]).T @ powers)
        variance = np.einsum("ni,ij,nj->n", powers, inverse, powers)
        weight *= variance / (degree + 1)
    moments = (powers * weight[:, None]).T @ powers
    log_det = np.linalg.slogdet(moments)[1]
    variance = np.einsum("ni,ij,nj->n", powers, np.linalg.inv(moments), powers)
    gap = variance.max() - (degree + 1)
    assert gap < 0.02
    best = np.log(D_OPTIMAL[degree][2])
    ours = np.linalg.slogdet(information(*d_optimal_support(degree), degree, basis="monomial"))[1]
    assert ours == pytest.approx(best, rel=1e-6)
    # The best design on the grid falls short of the continuous one by the grid's rounding only.
    assert log_det - 1e-9 <= ours <= log_det + gap + 1e-4
    efficiency = d_efficiency(x, weight, degree)
    assert efficiency == pytest.approx(math.exp((log_det - best) / (degree + 1)), rel=1e-6)


@pytest.mark.parametrize("degree", DEGREES)
def test_a_general_optimiser_finds_no_better_positions(degree):
    # p points of equal weight have det M = p^-p prod (x_i - x_j)^2 (Vandermonde); maximised by SLSQP.
    size = degree + 1
    pairs = np.triu_indices(size, 1)

    def negative_log_det(x):
        distance = np.abs(x[pairs[0]] - x[pairs[1]])
        return size * np.log(size) - 2 * np.log(np.maximum(distance, 1e-12)).sum()

    start = np.linspace(-0.98, 0.97, size)
    found = minimize(negative_log_det, start, bounds=[(-1, 1)] * size, method="SLSQP", options={"ftol": 1e-13})
    x, weight = d_optimal_support(degree)
    np.testing.assert_allclose(np.sort(found.x), x, atol=2e-4)
    assert -found.fun == pytest.approx(-negative_log_det(x), abs=1e-7)
    assert monomial_determinant(x, weight, degree) >= math.exp(-found.fun) * (1 - 1e-9)


# --- D-efficiency ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("degree", range(1, 6))
def test_equal_sites_on_the_exact_support_reach_efficiency_one_and_a_shifted_one_does_not(degree):
    # Guest 1958: with as many equal sites as coefficients the support is the exact answer.
    half = D_OPTIMAL[degree][0]
    support = np.array(sorted({0.0 - value for value in half} | set(half)))
    lat = np.degrees(np.arcsin(support))
    assert d_efficiency(support, np.ones(degree + 1), degree) == pytest.approx(1.0, abs=1e-9)
    assert profile_efficiencies(lat, np.ones(degree + 1))[degree].value == pytest.approx(1.0, abs=1e-9)
    for site in range(degree + 1):
        shifted = support.copy()
        shifted[site] += 0.03 if site == 0 else -0.03
        assert d_efficiency(shifted, np.ones(degree + 1), degree) < 1 - 1e-5


@pytest.mark.parametrize("degree", range(1, 6))
def test_too_few_different_latitudes_give_zero(degree):
    x = np.repeat(sines(np.linspace(-70, 80, degree)), 7)
    assert d_efficiency(x, np.ones(x.size), degree) == 0.0


def test_d_efficiency_of_two_sites_for_a_line_by_hand():
    # Equal sites at 30 S and 30 N: M = diag(1, 1/4), det M* = 1, so (1/4)^(1/2) = .5.
    assert d_efficiency([-0.5, 0.5], [3, 3], 1) == pytest.approx(0.5, rel=1e-14)
    assert d_efficiency(sines([-30, 30]), [1, 1], 1) == pytest.approx(0.5, rel=1e-14)


@given(designs, st.integers(1, 5))
def test_d_efficiency_agrees_with_exact_rational_arithmetic(design, degree):
    lat, weight = zip(*design, strict=True)
    x = sines(lat)
    exact = (monomial_determinant(x, weight, degree) / D_OPTIMAL[degree][2]) ** (1 / (degree + 1))
    found = d_efficiency(x, weight, degree)
    assert 0.0 <= found <= 1.0
    # Below 1e-4 the design is singular to rounding and the function may say 0.
    assert found == pytest.approx(exact, rel=1e-4 if exact < 1e-2 else 2e-6, abs=1e-4)


def test_legendre_and_monomial_information_tell_the_same_prediction_variance():
    # c' M^-1 c does not depend on the basis.
    x, weight = sines([-80, -41, -8, 19, 50, 82]), [1, 1, 0.5, 0.5, 1, 1]
    at = np.linspace(-1, 1, 41)
    powers = np.vander(at, 5, increasing=True)
    legendre = np.polynomial.legendre.legvander(at, 4) * np.sqrt(2 * np.arange(5) + 1)
    one, other = (
        np.einsum("ni,ij,nj->n", f, np.linalg.inv(information(x, weight, 4, basis)), f)
        for f, basis in ((powers, "monomial"), (legendre, "legendre"))
    )
    np.testing.assert_allclose(one, other, rtol=1e-9)


def test_the_legendre_basis_is_orthonormal_on_the_sphere():
    # Gauss-Legendre nodes and weights (numpy) integrate products up to degree 2 x 20 - 1 exactly.
    x, weight = np.polynomial.legendre.leggauss(20)
    np.testing.assert_allclose(information(x, weight, 8), np.eye(9), atol=1e-13)


def test_a_optimal_quadratic_has_trace_8():
    # Support -1, 0, 1 with weights 1/4, 1/2, 1/4 (computed by hand: det 1/8, trace of the adjugate 1).
    inverse = np.linalg.inv(information([-1, 0, 1], [1, 2, 1], 2, basis="monomial"))
    assert np.trace(inverse) == pytest.approx(8.0, rel=1e-14)


# --- contrasts -------------------------------------------------------------------------------------------


def pole_contrast(degree):
    return [0.0] + [2.0 if power % 2 else 0.0 for power in range(1, degree + 1)]


@pytest.mark.parametrize("degree", DEGREES)
def test_pole_to_pole_difference_cannot_be_better_than_4(degree):
    # Two independent means of N/2 values each: variance 4 sd^2/N (textbook). Any degree: Elfving 1952.
    assert contrast_optimum(degree, pole_contrast(degree)) == pytest.approx(4.0, rel=1e-9)
    found = pole_to_pole_efficiency([-1, 1], [1, 1], degree)
    assert found.resolved
    assert found.value == pytest.approx(1.0, abs=1e-12)
    assert pole_to_pole_efficiency(sines([-90, 90]), [1, 1], degree).value == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("c", "wanted"),
    [
        ([0, 1], 1.0),
        ([0, 1, 0], 1.0),
        ([0, 1, 0, 0], 9.0),
        ([1, 0, 1 / 3, 0], 1.0),
        ([1, 0, 1 / 3, 0, 1 / 5, 0], 1.0),
    ],
    ids=["slope of line", "slope of quadratic", "linear of cubic", "mean, cubic", "mean, quintic"],
)
def test_best_variance_of_known_contrasts(c, wanted):
    # Elfving 1952; the area mean of x^k is 1/(k+1) for even k. Values as in the tables of the literature.
    assert contrast_optimum(len(c) - 1, c) == pytest.approx(wanted, rel=1e-8)


@pytest.mark.parametrize("degree", DEGREES)
@pytest.mark.parametrize("at", [1.0, 1.25, -2.0])
def test_extrapolation_costs_the_square_of_the_chebyshev_polynomial(degree, at):
    # Hoel & Levine 1964, Ann. Math. Stat. 35, 1553-1560: the least variance at |x| >= 1 is T_d(x)^2.
    chebyshev = math.cosh(degree * math.acosh(abs(at)))
    c = [at**power for power in range(degree + 1)]
    assert contrast_optimum(degree, c) == pytest.approx(chebyshev**2, rel=1e-7)


@pytest.mark.parametrize("degree", range(2, 7))
@pytest.mark.parametrize("at", [0.1234, -0.7071, 0.98765])
def test_the_level_at_one_latitude_costs_the_variance_of_one_site_there(degree, at):
    # One site at x gives 1, and nothing gives less: a parabola that peaks at x with value 1 (Elfving 1952).
    c = [at**power for power in range(degree + 1)]
    assert contrast_optimum(degree, c) == pytest.approx(1.0, rel=1e-8)
    assert contrast_efficiency([at], [1], degree, c).value == pytest.approx(1.0, abs=1e-8)


@pytest.mark.parametrize("degree", DEGREES)
def test_leading_coefficient_costs_the_square_of_chebyshevs_leading_coefficient(degree):
    # Among monic polynomials 2^(1-d) T_d is the smallest on [-1, 1] (Chebyshev): variance 4^(d-1).
    c = np.eye(degree + 1)[degree]
    assert contrast_optimum(degree, c) == pytest.approx(4.0 ** (degree - 1), rel=1e-7)


@pytest.mark.parametrize(
    ("x", "weight", "c"),
    [
        ([-1, 1], [1, 1], [0, 1]),
        ([-1, 1], [1, 1], [0, 1, 0]),
        ([-1, -0.5, 0.5, 1], [1 / 18, 4 / 9, 4 / 9, 1 / 18], [0, 1, 0, 0]),
        ([-(3**-0.5), 3**-0.5], [1, 1], [1, 0, 1 / 3, 0]),
        ([-(0.6**0.5), 0, 0.6**0.5], [5, 8, 5], [1, 0, 1 / 3, 0, 1 / 5, 0]),
    ],
    ids=["slope of line", "slope of quadratic", "linear of cubic", "mean, cubic", "mean, quintic"],
)
def test_the_known_best_designs_have_efficiency_one(x, weight, c):
    # Elfving 1952; the last two are the two- and three-point Gauss-Legendre rules, at 35.26 and 50.77
    # degrees: singular designs that determine the area mean all the same.
    found = contrast_efficiency(x, weight, len(c) - 1, c, name="invented contrast")
    assert (found.name, found.degree, found.resolved) == ("invented contrast", len(c) - 1, True)
    assert found.value == pytest.approx(1.0, abs=1e-8)


def test_pole_to_pole_efficiency_of_a_line_by_hand():
    # var(2 b) = 4 / (sum w (x - mean)^2): 30 S and 30 N give 4 / (1/4) = 16, efficiency 1/4;
    # 90 S, 0, 90 N equal: 4 / (2/3), efficiency 2/3.
    assert pole_to_pole_efficiency([-0.5, 0.5], [1, 1], 1).value == pytest.approx(0.25, rel=1e-13)
    assert pole_to_pole_efficiency([-1, 0, 1], [1, 1, 1], 1).value == pytest.approx(2 / 3, rel=1e-13)


def test_one_latitude_leaves_the_difference_open():
    for lat in (-90.0, -12.0, 0.0, 45.0, 90.0):
        found = pole_to_pole_efficiency(sines([lat, lat, lat]), [1, 2, 3], 1)
        assert (found.value, found.resolved) == (0.0, False)


def test_two_latitudes_off_the_poles_leave_the_difference_of_a_quadratic_open():
    assert pole_to_pole_efficiency(sines([-80, 80]), [1, 1], 2).resolved  # odd part alone is wanted
    assert not pole_to_pole_efficiency(sines([-80, 70]), [1, 1], 2).resolved


@given(designs, st.integers(1, 4))
def test_contrast_variance_agrees_with_least_squares_by_pinv(design, degree):
    lat, weight = (np.array(column) for column in zip(*design, strict=True))
    if np.unique(lat).size <= degree or np.ptp(lat) < 40:
        return
    x = sines(lat)
    powers = np.vander(x, degree + 1, increasing=True)
    moments = (powers * weight[:, None]).T @ powers / weight.sum()
    if np.linalg.cond(moments) > 1e9:
        return
    c = np.array(pole_contrast(degree))
    wanted = 4.0 / float(c @ np.linalg.pinv(moments, rcond=1e-14, hermitian=True) @ c)
    found = pole_to_pole_efficiency(x, weight, degree)
    assert found.resolved
    assert found.value == pytest.approx(wanted, rel=1e-5)
    assert 0.0 <= found.value <= 1.0


@settings(max_examples=25)
@given(designs, st.lists(st.integers(-3, 3).map(float), min_size=4, max_size=4))
def test_a_contrast_efficiency_never_exceeds_one(design, c):
    lat, weight = zip(*design, strict=True)
    if any(c):
        variance_free = contrast_efficiency(sines(lat), weight, 3, c)
        assert 0.0 <= variance_free.value <= 1.0
        assert variance_free.resolved == (variance_free.value > 0)


# --- the whole answer ------------------------------------------------------------------------------------


def test_the_answer_is_told_in_plain_words():
    found = profile_efficiencies([-90, -20, 10, 45, 71], [1, 1, 1, 1, 1])
    assert [(entry.name, entry.degree) for entry in found] == [
        ("pole-to-pole difference", 1),
        ("linear profile", 1),
        ("quadratic profile", 2),
        ("cubic profile", 3),
        ("quartic profile", 4),
        ("quintic profile", 5),
    ]
    assert [entry.resolved for entry in found] == [True] * 5 + [False]
    assert found[-1].value == 0.0


@given(designs, st.randoms())
def test_swapping_hemispheres_shuffling_and_idle_positions_change_nothing(design, random):
    lat, weight = zip(*design, strict=True)
    plain = profile_efficiencies(lat, weight)
    assert ((values(plain) >= 0) & (values(plain) <= 1)).all()
    assert profile_efficiencies([-value for value in lat], weight) == plain
    shuffled = list(design)
    random.shuffle(shuffled)
    assert profile_efficiencies(*zip(*shuffled, strict=True)) == plain
    assert profile_efficiencies([*lat, 33.3, -90.0], [*weight, 0.0, 0.0]) == plain


@given(designs, st.sampled_from([0.001, 3.0, 1e6]))
def test_only_relative_weights_matter(design, factor):
    lat, weight = zip(*design, strict=True)
    scaled = profile_efficiencies(lat, [factor * value for value in weight])
    np.testing.assert_allclose(values(scaled), values(profile_efficiencies(lat, weight)), rtol=1e-6, atol=1e-4)


def test_a_track_that_keeps_to_one_latitude_counts_like_a_fixed_site():
    fixed = profile_efficiencies([-90, -15, 20, 82], [1, 1, 1, 1])
    track = profile_efficiencies([-90, -15, -15, -15, 20, 82], [1, 0.5, 0.25, 0.25, 1, 1])
    np.testing.assert_allclose(values(track), values(fixed), rtol=1e-13)


def test_a_layout_without_sites_resolves_nothing():
    for found in (profile_efficiencies([], []), profile_efficiencies([10.0], [0.0])):
        assert {(entry.value, entry.resolved) for entry in found} == {(0.0, False)}
        assert len(found) == 6


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: information([0.5], [1.0], 0), "whole number from 1 to 8; found 0"),
        (lambda: d_optimal_support(9), "whole number from 1 to 8; found 9"),
        (lambda: d_efficiency([1.5], [1.0], 1), "numbers from -1 to 1"),
        (lambda: d_efficiency([math.nan], [1.0], 1), "numbers from -1 to 1"),
        (lambda: d_efficiency([0.5], [-1.0], 1), "numbers of 0 or more"),
        (lambda: d_efficiency([0.5], [math.inf], 1), "numbers of 0 or more"),
        (lambda: d_efficiency([0.5, 0.1], [1.0], 1), "found 2 and 1"),
        (lambda: information([], [], 1), "at least one position"),
        (lambda: information([0.5], [1.0], 1, basis="fourier"), "found 'fourier'"),
        (lambda: contrast_optimum(2, [0, 1]), "needs 3 numbers; found 2"),
        (lambda: contrast_optimum(1, [0, 0]), "not all 0"),
        (lambda: profile_efficiencies([91.0], [1.0]), "found 91.0 at position 0"),
    ],
)
def test_impossible_input_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
