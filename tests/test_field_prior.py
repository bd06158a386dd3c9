"""The field's modes, how they decay, and how much each may vary."""

import numpy as np
import pytest
from scipy.special import sph_harm_y

from siting.field.cells import ROW_DEGREES, ROWS, cell_of, cells_per_row
from siting.field.harmonics import band_means, harmonics, orders
from siting.field.prior import decay_rates, field_prior, season_covariance, source_covariance
from siting.record.air import air_of
from siting.region.schema.air import LevelPoint, Mixing, Tracer

CO2 = air_of(Tracer(name="CO2", unit="ppm", scale="invented"))


def sphere(degree):
    """Nodes in latitude and longitude and weights that integrate products of two modes exactly (sum 1)."""
    x, w = np.polynomial.legendre.leggauss(degree + 2)
    lon = np.arange(2 * degree + 3) * 360.0 / (2 * degree + 3)
    lat = np.degrees(np.arcsin(x))
    return np.repeat(lat, lon.size), np.tile(lon, lat.size), np.repeat(w / 2.0, lon.size) / lon.size


def position(l, m):
    return l * l + l + m


@pytest.mark.parametrize("degree", [1, 6, 12])
def test_modes_are_orthonormal_over_the_sphere(degree):
    # Source: 4 pi normalisation (Heiskanen and Moritz 1967, section 1-14), by exact quadrature.
    lat, lon, weight = sphere(degree)
    y = harmonics(lat, lon, degree)
    assert (y * weight[:, None]).T @ y == pytest.approx(np.eye((degree + 1) ** 2), abs=1e-12)


def test_modes_equal_those_of_a_general_library():
    # Source: scipy.special.sph_harm_y (complex, unit norm, with the sign (-1)^m), made real and 4 pi normalised.
    rng = np.random.default_rng(1)
    lat, lon = np.degrees(np.arcsin(rng.uniform(-1, 1, 40))), rng.uniform(-180, 360, 40)
    y = harmonics(lat, lon, 7)
    for l in range(8):
        for m in range(l + 1):
            z = sph_harm_y(l, m, np.radians(90.0 - lat), np.radians(lon)) * np.sqrt(4 * np.pi) * (-1.0) ** m
            factor = 1.0 if m == 0 else np.sqrt(2.0)
            assert y[:, position(l, m)] == pytest.approx(factor * z.real, abs=1e-11)
            if m:
                assert y[:, position(l, -m)] == pytest.approx(factor * z.imag, abs=1e-11)


def test_band_means_equal_those_of_a_quadrature():
    # Source: Gauss-Legendre quadrature over the band and round the circle.
    for south, north in ((-90.0, -30.0), (-10.0, 45.0), (60.0, 90.0)):
        a, b = np.sin(np.radians([south, north]))
        x, w = np.polynomial.legendre.leggauss(20)
        lat = np.degrees(np.arcsin((a + b) / 2 + (b - a) / 2 * x))
        lon = np.arange(16) * 22.5
        y = harmonics(np.repeat(lat, 16), np.tile(lon, 20), 6)
        assert band_means(south, north, 6) == pytest.approx(np.repeat(w / 2, 16) / 16 @ y, abs=1e-12)


def test_over_the_whole_earth_only_the_global_mode_is_left():
    # Source: orthogonality to the constant.
    wanted = np.zeros(49)
    wanted[0] = 1.0
    assert band_means(-90.0, 90.0, 6) == pytest.approx(wanted, abs=1e-14)


def test_a_band_or_a_latitude_out_of_range_is_refused():
    with pytest.raises(ValueError, match="south < north"):
        band_means(10.0, 10.0, 6)
    with pytest.raises(ValueError, match="between -90 and 90"):
        harmonics([91.0], [0.0], 2)
    with pytest.raises(ValueError, match="finite"):
        harmonics([10.0], [np.nan], 2)


def test_the_difference_of_the_hemispheres_decays_as_that_of_two_boxes():
    # Source: two boxes that exchange in tau: d(N - S)/dt = -2 (N - S)/tau (Jacob 1999, ch. 4, exercise of the trade).
    for tau in (1.0, 1.3, 320 / 365.25):
        r = decay_rates(Mixing(tau_exchange=tau))
        step, boxes = 1e-4, np.array([1.0, 0.0])
        for _ in range(1000):
            flow = (boxes[0] - boxes[1]) / tau * step
            boxes = boxes + np.array([-flow, flow])
        assert np.exp(-r[position(1, 0)] * 0.1) == pytest.approx(boxes[0] - boxes[1], rel=1e-4)
        assert r[0] == 0.0


def test_the_steady_contrast_of_two_boxes_follows():
    # Source: two-box exchange (2.124 PgC a ppm is common practice), computed apart:
    # F (2 f - 1) tau / 2.124 ppm: 2.6 PgC a year, 95 % in the north, 1 year: 1.10 ppm.
    # Each box holds half the air: F f / (2.124 / 2) ppm a year go into the northern one.
    r = decay_rates(Mixing(tau_exchange=1.0))[position(1, 0)]
    for emitted, wanted in ((2.6, 1.10), (10.0, 4.24)):
        difference_of_sources = emitted * (2 * 0.95 - 1) * 2 / 2.124
        assert difference_of_sources / r == pytest.approx(wanted, abs=0.005)


def test_along_a_circle_air_mixes_in_about_two_weeks():
    # Source: Jacob 1999, ch. 4 (from memory): 2 weeks along a circle of latitude; e-folding of the mode m = 1.
    r = decay_rates(Mixing())
    l, m = orders(6)
    days = 365.25 / r[np.abs(m) == l][1:]
    assert days[0] == pytest.approx(14.0, rel=0.05)
    for size in range(1, 7):
        zonal = r[(l == size) & (np.abs(m) == size)] * 0.04
        assert zonal == pytest.approx(size**2 + size * 0.04, rel=1e-12)


def test_middle_latitudes_reach_the_pole_within_months():
    # Source: Jacob 1999, ch. 4 (from memory): mid-latitudes to pole or tropics in 1-2 months; degree 2 to 3, m = 0.
    r = decay_rates(Mixing())
    assert 0.8 < 12 / r[position(3, 0)] < 12 / r[position(2, 0)] < 2.2


def test_sources_have_a_covariance_that_is_symmetric_and_not_negative():
    q = source_covariance(Mixing())
    assert np.array_equal(q, q.T)
    assert np.linalg.eigvalsh(q).min() > -1e-14
    assert np.trace(q) == pytest.approx(1.0)


def test_sources_are_those_of_uncorrelated_points_under_the_envelope():
    # Source: Monte Carlo, white sources on the sphere with variance e(latitude), projected on the modes.
    mixing = Mixing(degree=2, spectrum=0.0)
    lat, lon, weight = sphere(40)
    strength = 0.05 + 0.95 * np.cos(np.radians(lat)) ** 2
    rng = np.random.default_rng(2)
    y = harmonics(lat, lon, 2)
    draws = rng.normal(size=(8000, lat.size)) * np.sqrt(strength * weight)
    seen = np.cov((draws @ y).T)
    seen /= np.trace(seen)
    assert source_covariance(mixing) == pytest.approx(seen, abs=0.008)


@pytest.mark.parametrize(
    "mixing", [Mixing(), Mixing(envelope=(LevelPoint(lat=0, value=1.0), LevelPoint(lat=70, value=0.2)))]
)
def test_the_prior_knows_no_hemisphere_and_no_longitude(mixing):
    # Source: symmetry: mirrored sources are as likely, and so are turned ones.
    q = source_covariance(mixing)
    l, m = orders(mixing.degree)
    mirror = (-1.0) ** (l - np.abs(m))
    assert mirror[:, None] * q * mirror[None, :] == pytest.approx(q, abs=1e-14)
    lat, lon, weight = sphere(mixing.degree)
    y = harmonics(lat, lon, mixing.degree)
    for angle in (90.0, 17.3):
        turn = (y * weight[:, None]).T @ harmonics(lat, lon + angle, mixing.degree)
        assert turn @ q @ turn.T == pytest.approx(q, abs=1e-13)


def test_season_modes_have_the_covariance_of_sources_with_random_phase():
    # Source: Monte Carlo. Sources s(t) = Re(z exp(i w t)), z complex with E z z^H = 2 Q and random phase, drive
    # dx/dt = -r x + s, stepped in time until the start is forgotten; A and B are then fitted as cos and sin parts.
    # Two slow modes, (1, 0) and (2, 0), that share sources.
    r = decay_rates(Mixing(degree=2))[[position(1, 0), position(2, 0)]]
    q = np.array([[1.0, 0.7], [0.7, 1.0]])
    w = 2 * np.pi
    rng = np.random.default_rng(3)
    draws = 20_000
    root = np.linalg.cholesky(q)
    z = (rng.normal(size=(draws, 2)) + 1j * rng.normal(size=(draws, 2))) @ root.T
    steps, dt = 200, 1.0 / 200
    x = np.zeros((draws, 2))
    a, b = np.zeros((draws, 2)), np.zeros((draws, 2))
    decay = np.exp(-r * dt)
    for k in range(8 * steps):
        # Exact step for a source that stays as it is in the middle of the step.
        x = x * decay + (z * np.exp(1j * w * (k + 0.5) * dt)).real * (1 - decay) / r
        if k >= 7 * steps:
            a += x * np.cos(w * (k + 1) * dt) * 2 / steps
            b += x * np.sin(w * (k + 1) * dt) * 2 / steps
    real, imaginary = season_covariance(q, r, w)
    scale = np.sqrt(np.outer(np.diag(real), np.diag(real)))
    assert np.abs(a.T @ a / draws - real).max() < 0.03 * scale.max()
    assert np.abs(b.T @ b / draws - real).max() < 0.03 * scale.max()
    cross = a.T @ b / draws
    assert np.abs(cross - imaginary).max() < 0.03 * scale.max()
    assert abs(imaginary[0, 1]) > 0.1 * scale[0, 1]
    assert np.sign(cross[0, 1]) == np.sign(imaginary[0, 1]) == -np.sign(imaginary[1, 0])


def test_level_and_growth_are_those_of_sources_that_rise_steadily():
    # Source: the solution of dx/dt = -r x + a + b t that has forgotten its start: level a/r - b/r^2, growth b/r.
    mixing = Mixing(degree=3)
    prior = field_prior(mixing, CO2)
    q, r = source_covariance(mixing)[1:, 1:], decay_rates(mixing)[1:]
    a = np.hstack([np.diag(1 / r), -np.diag(1 / r**2)])
    g = np.hstack([np.zeros_like(np.diag(r)), np.diag(1 / r)])
    sources = np.block([[CO2.source[0] ** 2 * q, np.zeros_like(q)], [np.zeros_like(q), CO2.source[1] ** 2 * q]])
    assert prior.modes[1:, 0, 1:, 0] == pytest.approx(a @ sources @ a.T, rel=1e-12, abs=1e-14)
    assert prior.modes[1:, 1, 1:, 1] == pytest.approx(g @ sources @ g.T, rel=1e-12, abs=1e-14)
    assert prior.modes[1:, 0, 1:, 1] == pytest.approx(a @ sources @ g.T, rel=1e-12, abs=1e-14)


@pytest.mark.parametrize("degree", [1, 2, 6])
def test_the_prior_is_a_covariance_and_the_global_mode_stands_alone(degree):
    prior = field_prior(Mixing(degree=degree), CO2)
    n = (degree + 1) ** 2 * 6
    p = prior.modes.reshape(n, n)
    scale = np.sqrt(np.diag(p))
    assert np.all(scale > 0.0)
    assert p == pytest.approx(p.T, abs=1e-9)
    assert np.linalg.eigvalsh(p / np.outer(scale, scale)).min() > -1e-12
    assert not prior.modes[0, :, 1:, :].any()
    assert not prior.modes[1:, :, 0, :].any()
    assert prior.level_anomaly_sd.shape == (min(8, (degree + 1) ** 2 - 1),)


def test_the_growth_of_contrasts_is_far_smaller_than_that_of_the_globe():
    # Source: computed from public records: far north minus far south 2.30 ppm about 1963, 5.91 in 2022, .06 ppm a year,
    # against a global growth of 2.4 ppm a year; the same records have a contrast of some 5 ppm.
    prior = field_prior(Mixing(), CO2)
    c = band_means(53.0, 90.0, 6) - band_means(-90.0, -53.0, 6)
    growth = np.sqrt(c @ prior.modes[:, 1, :, 1] @ c)
    level = np.sqrt(c @ prior.modes[:, 0, :, 0] @ c)
    assert 0.03 < growth < 0.3
    assert 2.0 < level < 12.0


def test_cells_are_as_near_to_800_km_as_a_multiple_of_four_can_be():
    # Source: arithmetic on the length of circles, equator 40,075 km; brute force over all multiples of 4.
    counts = cells_per_row()
    assert counts.size == ROWS == 25
    assert counts[0] == counts[-1] == 1
    assert np.array_equal(counts, counts[::-1])
    for row in range(1, 24):
        circle = 40_075.0 * np.cos(np.radians(-90.0 + ROW_DEGREES * (row + 0.5)))
        assert counts[row] % 4 == 0
        widths = circle / np.arange(4, 101, 4)
        assert abs(circle / counts[row] - 800.0) == pytest.approx(np.abs(widths - 800.0).min(), abs=1e-9)
    assert pytest.approx(800.0, rel=0.005) == ROW_DEGREES * 111.2


def test_cells_of_mirrored_places_are_mirrored():
    rng = np.random.default_rng(4)
    lat, lon = rng.uniform(-90, 90, 5000), rng.uniform(-180, 180, 5000)
    lat[:60] = np.repeat(np.arange(-25, 25, 2) * 3.6, 3)[:60]
    counts = cells_per_row()
    begin = np.concatenate([[0], np.cumsum(counts)])
    here, there = cell_of(lat, lon), cell_of(-lat, lon)
    row, mirrored = (np.searchsorted(begin, c, side="right") - 1 for c in (here, there))
    assert np.array_equal(row, 24 - mirrored)
    assert np.array_equal(here - begin[row], there - begin[mirrored])


def test_cells_keep_their_neighbours_when_longitudes_turn_by_a_quarter():
    rng = np.random.default_rng(5)
    lat, lon = rng.uniform(-90, 90, 400), rng.uniform(-180, 180, 400)
    same = cell_of(lat, lon)[:, None] == cell_of(lat, lon)[None, :]
    for turn in (90.0, 180.0, 270.0, 360.0, -90.0):
        turned = cell_of(lat, lon + turn)
        assert np.array_equal(turned[:, None] == turned[None, :], same)
    assert len(set(cell_of([-89.0, -87.0, -86.6], [0.0, 120.0, -60.0]).tolist())) == 1
