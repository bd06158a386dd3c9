"""What one record tells, against dense covariance matrices and published tables."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.record.information import Instrument, factor, information, integrate_out, with_place, without_shared


def functions(months):
    """F of section 5 written out a second time: t from the middle, two harmonics of the calendar year."""
    t = (np.arange(months) + 0.5) / 12.0
    p = 2 * np.pi * t
    return np.column_stack([np.ones(months), t - months / 24.0, np.cos(p), np.sin(p), np.cos(2 * p), np.sin(2 * p)])


def ar1(months, phi):
    return phi ** np.abs(np.subtract.outer(np.arange(months), np.arange(months)))


def one(variance, present, columns, shared=0.0):
    there = np.atleast_2d(present)
    return Instrument(np.broadcast_to(variance, there.shape), np.full(there.shape, shared), there, columns)


def dense(variance, shared, present, columns, slow, phi):
    """K' R^-1 K by building R of all rows that are there; lists hold one entry an instrument."""
    rows = [(i, m) for i, there in enumerate(present) for m in np.flatnonzero(there)]
    r = np.empty((len(rows), len(rows)))
    for a, (i, m) in enumerate(rows):
        for b, (j, n) in enumerate(rows):
            r[a, b] = slow * phi ** abs(m - n)
            if m == n:
                r[a, b] += shared[m] + (variance[i][m] if i == j else 0.0)
    k = np.array([columns[i][m] for i, m in rows])
    return k.T @ np.linalg.solve(r, k)


@pytest.mark.parametrize(("slow", "phi"), [(0.0, 0.0), (0.3, 0.0), (0.5, 0.6), (2.0, 0.98)])
def test_one_instrument_with_gaps_equals_the_dense_matrix(slow, phi):
    # Source: brute force, R built month by month and inverted.
    rng = np.random.default_rng(3)
    f, months = functions(40), 40
    variance = rng.uniform(0.1, 2.0, (3, months))
    present = rng.random((3, months)) < [[1.0], [0.6], [0.1]]
    part = Instrument(variance, np.zeros((3, months)), present, f)
    found = information([part], np.full(3, slow), np.full(3, phi))
    for d in range(3):
        wanted = dense([variance[d]], np.zeros(months), [present[d]], [f], slow, phi)
        assert found[d] == pytest.approx(wanted, rel=1e-9, abs=1e-9 * np.abs(wanted).max())


@pytest.mark.parametrize(("slow", "phi"), [(0.0, 0.0), (0.4, 0.7)])
def test_two_instruments_with_gaps_equal_the_dense_matrix(slow, phi):
    # Source: brute force; the synoptic part that both see stands off the diagonal.
    rng = np.random.default_rng(4)
    months, f = 30, functions(30)
    columns = [np.column_stack([f, f[:, :2] * (i == 0), f[:, :2] * (i == 1)]) for i in range(2)]
    variance = rng.uniform(0.05, 1.0, (2, 2, months))
    shared = rng.uniform(0.1, 1.0, (2, months))
    present = rng.random((2, 2, months)) < 0.7
    parts = [Instrument(variance[i], shared, present[i], columns[i]) for i in range(2)]
    found = information(parts, np.full(2, slow), np.full(2, phi))
    for d in range(2):
        wanted = dense(variance[:, d], shared[d], present[:, d], columns, slow, phi)
        assert found[d] == pytest.approx(wanted, rel=1e-9, abs=1e-9 * np.abs(wanted).max())


def test_a_record_without_a_month_tells_nothing():
    part = one(1.0, np.zeros(24, dtype=bool), functions(24))
    assert not information([part], np.array([0.5]), np.array([0.5])).any()


def test_many_sites_are_told_one_by_one():
    # Source: each site alone; the work is done in pieces of 2,000.
    rng = np.random.default_rng(6)
    variance = rng.uniform(0.5, 1.0, (2003, 6))
    f = functions(6)[:, :2]
    part = Instrument(variance, np.zeros_like(variance), np.ones(variance.shape, dtype=bool), f)
    found = information([part], np.full(2003, 0.2), np.full(2003, 0.5))
    for d in (0, 1999, 2000, 2002):
        wanted = dense([variance[d]], np.zeros(6), [np.ones(6, dtype=bool)], [f], 0.2, 0.5)
        assert found[d] == pytest.approx(wanted, rel=1e-10)


def test_integrated_out_columns_equal_their_covariance_in_r():
    # Source: brute force, R + B V B' inverted densely.
    rng = np.random.default_rng(7)
    f, b = functions(36), np.repeat(np.eye(3), 12, axis=0)
    v = rng.uniform(0.5, 1.5, 36)
    matrix = information([one(v, np.ones(36, dtype=bool), np.hstack([f, b]))], np.zeros(1), np.zeros(1))
    found = integrate_out(matrix, 6, np.array([0.3, 0.1, 2.0]))[0]
    r = np.diag(v) + b @ np.diag([0.3, 0.1, 2.0]) @ b.T
    assert found == pytest.approx(f.T @ np.linalg.solve(r, f), rel=1e-10, abs=1e-10)


def test_what_a_place_does_not_share_adds_to_the_covariance_of_its_coefficients():
    # Source: identity of generalised least squares, (F'R^-1 F)^-1 = (F'R0^-1 F)^-1 + D at full rank.
    rng = np.random.default_rng(8)
    f = functions(48)
    r0 = np.diag(rng.uniform(0.2, 1.0, 48)) + 0.3 * ar1(48, 0.6)
    matrix = (f.T @ np.linalg.solve(r0, f))[None]
    e = rng.normal(size=(1, 6, 8))
    after = np.linalg.inv(with_place(matrix, e)[0])
    wanted = np.linalg.inv(matrix[0]) + e[0] @ e[0].T
    assert after == pytest.approx(wanted, rel=1e-10, abs=1e-10 * np.abs(wanted).max())
    r = r0 + f @ e[0] @ e[0].T @ f.T
    assert with_place(matrix, e)[0] == pytest.approx(f.T @ np.linalg.solve(r, f), rel=1e-8, abs=1e-9)


def test_the_place_holds_at_any_rank_and_touches_f_only():
    # Source: brute force, R0 + F D F' inverted densely for a record of three months and further columns.
    rng = np.random.default_rng(9)
    f = functions(36)
    k = np.column_stack([f, np.repeat(np.eye(3), 12, axis=0)])
    present = np.isin(np.arange(36), [6, 7, 19])
    matrix = information([one(0.5, present, k)], np.zeros(1), np.zeros(1))
    e = rng.normal(size=(1, 6, 8))
    rows, some = f[present], k[present]
    r = 0.5 * np.eye(3) + rows @ e[0] @ e[0].T @ rows.T
    assert with_place(matrix, e)[0] == pytest.approx(some.T @ np.linalg.solve(r, some), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("months", [[6, 7, 19], list(range(36))])
def test_the_air_that_a_cell_carries_is_taken_out_of_r_at_any_rank(months):
    # Source: brute force, R - F C F' inverted densely for a record of three months and a whole one.
    rng = np.random.default_rng(10)
    f = functions(36)
    k = np.column_stack([f, np.repeat(np.eye(3), 12, axis=0)])
    present = np.isin(np.arange(36), months)
    full = 0.1 * np.eye(36) + 0.4 * ar1(36, 0.6)
    c = np.linalg.inv(f.T @ np.linalg.solve(full, f))
    turn = np.linalg.qr(rng.normal(size=(6, 6)))[0]
    matrix = information([one(0.13, present, k)], np.array([0.4]), np.array([0.6]))
    r = (0.03 * np.eye(36) + full - f @ c @ f.T)[np.ix_(present, present)]
    wanted = k[present].T @ np.linalg.solve(r, k[present])
    found = without_shared(matrix, (np.linalg.cholesky(c) @ turn)[None])[0]
    assert found == pytest.approx(wanted, rel=1e-8, abs=1e-9 * np.abs(wanted).max())


def test_more_than_a_record_knows_cannot_be_taken_out():
    # Source: hand sum; the mean of 24 months with error 1 has the variance 1/24, and twice that was asked for.
    f = functions(24)[:, :6]
    matrix = information([one(1.0, np.ones(24, dtype=bool), f)], np.zeros(1), np.zeros(1))
    e = np.zeros((1, 6, 6))
    e[0, 0, 0] = np.sqrt(2.0 / 24.0)
    less, more = without_shared(matrix, e)[0], without_shared(matrix, e / np.sqrt(8.0))[0]
    assert np.isfinite(less).all()
    assert np.linalg.eigvalsh(less).min() > 0.0
    # A quarter of the variance taken out leaves three quarters; all of it leaves next to nothing.
    assert more[0, 0] == pytest.approx(24.0 / 0.75, rel=1e-12)
    assert less[0, 0] > 1e6 * more[0, 0]


@pytest.mark.parametrize(("open_months", "rank"), [(1, 2), (2, 3), (3, 4), (4, 5), (5, 6), (12, 6)])
def test_k_open_months_tell_at_most_k_and_one_of_the_six_functions(open_months, rank):
    # Source: linear algebra; k calendar months fix k combinations of mean and season, and the growth beside them.
    present = np.tile(np.arange(12) < open_months, 6)
    matrix = information([one(0.3, present, functions(72))], np.zeros(1), np.zeros(1))
    u = factor(with_place(matrix, np.eye(6)[None] * 0.1))[0]
    assert int(np.any(u != 0.0, axis=1).sum()) == rank
    assert np.linalg.matrix_rank(u) == rank


def test_a_site_open_in_summer_only_claims_no_season():
    # Source: with three open months the season's difference of January and July is not determined at all.
    f = functions(72)
    present = np.tile(np.isin(np.arange(12), [5, 6, 7]), 6)
    matrix = information([one(0.01, present, f)], np.zeros(1), np.zeros(1))
    u = factor(matrix)[0]
    season = f[6] - f[0]
    season[1] = 0.0
    # Only the part of the season inside the span of U is known; a prior of 1 stays nearly whole.
    left = season @ np.linalg.solve(np.eye(6) + u.T @ u, season)
    assert left > 0.15 * season @ season
    whole = factor(information([one(0.01, np.ones(72, dtype=bool), f)], np.zeros(1), np.zeros(1)))[0]
    assert season @ np.linalg.solve(np.eye(6) + whole.T @ whole, season) < 0.01 * left


@given(st.integers(0, 10**6), st.integers(1, 8))
@settings(max_examples=40, deadline=None)
def test_a_factor_gives_its_matrix_back_whatever_the_units(seed, rank):
    # Source: property; columns differ by up to eight orders of magnitude.
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(1, rank, 8)) * 10.0 ** rng.uniform(-4, 4, 8)
    matrix = a.transpose(0, 2, 1) @ a
    u = factor(matrix)[0]
    size = np.sqrt(np.diag(matrix[0]))
    assert np.abs(u.T @ u - matrix[0]).max() / 1.0 <= np.max(1e-9 * np.outer(size, size))
    assert np.all(np.abs(u.T @ u - matrix[0]) <= 1e-9 * np.outer(size, size))
    assert int(np.any(u != 0.0, axis=1).sum()) == rank


def slope_error(years, phi, columns=None, sd=1.0):
    """Error of the slope by `information`: noise sd is slow variability with almost no white part."""
    months = 12 * years
    f = functions(months)[:, :2] if columns is None else columns
    white = 1e-9 if phi else sd**2
    slow = sd**2 - white if phi else 0.0
    matrix = information([one(white, np.ones(months, dtype=bool), f)], np.array([slow]), np.array([phi]))
    return float(np.sqrt(np.linalg.inv(matrix[0])[1, 1]))


def approximation(years, phi, sd=1.0):
    """Weatherhead et al. 1998, J. Geophys. Res. 103, 17149, eq. 2 (as the project's table of checks has it)."""
    return sd * years**-1.5 * np.sqrt((1 + phi) / (1 - phi))


@pytest.mark.parametrize(
    ("years", "phi", "exact", "approximate"),
    [
        (10, 0.0, 0.031624, 0.031623),
        (10, 0.5, 0.053433, 0.054772),
        (5, 0.8, 0.22268, 0.2683),
        (10, 0.8, 0.086132, 0.09487),
        (20, 0.8, 0.031932, 0.03354),
        (30, 0.8, 0.017666, 0.01826),
    ],
)
def test_the_slope_error_is_that_of_exact_generalised_least_squares(years, phi, exact, approximate):
    # Source: exact values computed apart with dense generalised least squares;
    # approximation: Weatherhead et al. 1998, eq. 2 (from memory).
    assert slope_error(years, phi) == pytest.approx(exact, rel=1e-4)
    assert approximation(years, phi) == pytest.approx(approximate, rel=1e-3)
    assert slope_error(years, phi) <= approximation(years, phi) * 1.0001


def test_the_season_costs_the_slope_little():
    # Source: computed apart with dense generalised least squares: with two harmonics (10 years, phi 0) .031749.
    assert slope_error(10, 0.0, functions(120)) == pytest.approx(0.031749, rel=1e-4)


@pytest.mark.parametrize("years", [10, 20, 40])
@pytest.mark.parametrize("phi", [0.0, 0.3])
def test_the_published_approximation_holds_for_long_records_of_short_memory(years, phi):
    # Source: Weatherhead et al. 1998, eq. 2 (from memory): its range is many independent months.
    assert slope_error(years, phi) == pytest.approx(approximation(years, phi), rel=0.02)


@pytest.mark.parametrize(
    ("sd", "trend", "phi", "published"),
    [
        (0.5, 1.0, 0.0, 1.396), (0.5, 1.0, 0.5, 2.014), (0.5, 1.0, 0.8, 2.904), (1.0, 1.0, 0.0, 2.217),
        (1.0, 1.0, 0.8, 4.611), (10.0, 0.5, 0.0, 16.33), (10.0, 0.5, 0.3, 20.07), (10.0, 0.5, 0.6, 25.93),
        (5.0, 0.5, 0.3, 12.65),
    ],
)  # fmt: skip
def test_years_to_detect_follow_the_published_table_with_its_own_factor(sd, trend, phi, published):
    # Source: Weatherhead et al. 1998, eq. 3 with 3.3 taken literally; values computed apart.
    years = (3.3 * sd / trend * np.sqrt((1 + phi) / (1 - phi))) ** (2 / 3)
    assert years == pytest.approx(published, rel=1e-3)
    assert approximation(years, phi, sd) == pytest.approx(trend / 3.3, rel=1e-9)


def exact_years(sd, trend, phi):
    """Least whole number of months, in years, with slope error <= trend / 3.3 by `information`."""
    for months in range(6, 600):
        f = functions(months)[:, :2]
        white = 1e-9 if phi else sd**2
        slow = sd**2 - white if phi else 0.0
        matrix = information([one(white, np.ones(months, dtype=bool), f)], np.array([slow]), np.array([phi]))
        if np.sqrt(np.linalg.inv(matrix[0])[1, 1]) <= trend / 3.3:
            return months / 12.0
    raise AssertionError("never detected")


@pytest.mark.parametrize(
    ("sd", "phi", "years", "tolerance"),
    [(1.0, 0.8, 4.0, 0.005), (0.5, 0.8, 2.33, 0.005), (1.0, 0.0, 2.217, 0.03), (0.5, 0.0, 1.396, 0.03)],
)
def test_exact_least_squares_needs_as_many_years_or_fewer(sd, phi, years, tolerance):
    # Source: values computed apart: within 3 % at phi 0, 4.0 for 4.61 and 2.33 for 2.90 at phi .8.
    assert exact_years(sd, 1.0, phi) == pytest.approx(years, rel=tolerance)


@pytest.mark.parametrize(("share", "ratio"), [(0.1, 1.1704), (0.25, 1.5119), (0.5, 2.0)])
def test_a_level_shift_widens_the_slope_error_as_published(share, ratio):
    # Source: Weatherhead et al. 1998 (from memory): (1 - 3 f (1 - f))^(-1/2), white noise.
    years = 40
    step = (np.arange(12 * years) >= round(share * 12 * years)).astype(float)
    shifted = slope_error(years, 0.0, np.column_stack([functions(12 * years)[:, :2], step]))
    assert shifted / slope_error(years, 0.0) == pytest.approx(ratio, rel=1e-3)


@pytest.mark.parametrize(("years", "ratio"), [(10, 1.369), (20, 1.523), (30, 1.616)])
def test_a_level_shift_in_red_noise_costs_less(years, ratio):
    # Source: Weatherhead et al. 1998 (from memory); ratios computed apart for phi .8 and a shift in the middle.
    step = (np.arange(12 * years) >= 6 * years).astype(float)
    shifted = slope_error(years, 0.8, np.column_stack([functions(12 * years)[:, :2], step]))
    assert shifted / slope_error(years, 0.8) == pytest.approx(ratio, rel=2e-3)
