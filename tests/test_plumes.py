"""Plumes of local sources against handbook values, integration, simulation and plain loops. Places are invented."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.integrate import quad

from siting.geography import dispersion as air
from siting.geography import plumes
from siting.geography.plumes import Sources, Winds, pairs_within_reach, sector_plumes, source_plumes

classes = st.sampled_from("ABCDEF")
metres = st.floats(100, 50_000)

# Briggs 1973 at 1 km, computed from the formulas as read.
OPEN_1KM = [(209.8, 200), (152.6, 120), (104.9, 73.0), (76.3, 37.9), (57.2, 23.1), (38.1, 12.3)]
# Urban: .32 .32 .22 .16 .11 .11 km / sqrt(1.4); .24*sqrt(2) twice, .20, .14/sqrt(1.3), .08/sqrt(2.5) twice (hand).
URBAN_1KM = [(270.4, 339.4), (270.4, 339.4), (185.9, 200), (135.2, 122.8), (93.0, 50.6), (93.0, 50.6)]


@pytest.mark.parametrize(("urban", "table"), [(False, OPEN_1KM), (True, URBAN_1KM)])
def test_widths_at_one_km_are_those_of_briggs(urban, table):
    assert_allclose(air.sigma_y_m(1000, list("ABCDEF"), urban=urban), [y for y, _ in table], atol=0.06)
    assert_allclose(air.sigma_z_m(1000, list("ABCDEF"), urban=urban), [z for _, z in table], atol=0.06)


def test_the_vertical_width_stops_at_eight_tenths_of_the_mixing_height_and_ten_km_is_the_limit():
    assert air.sigma_z_m(20_000, "A", mixing_height_m=800) == 640
    assert_array_equal(air.extrapolated([9_999, 10_000, 10_001]), [False, False, True])


# Turner, AP-26, 1970, problems 1 to 3: values from memory, arithmetic recomputed.
@pytest.mark.parametrize(
    ("q", "u", "sy", "sz", "h", "y", "printed", "exact"),
    [(3, 7, 190, 65, 0, 0, 1.1e-5, 1.105e-5), (80, 6, 36, 18.5, 60, 0, 3.3e-5, 3.313e-5),
     (80, 6, 36, 18.5, 60, 50, 1.3e-5, 1.263e-5)],
)  # fmt: skip
def test_turner_problems(q, u, sy, sz, h, y, printed, exact):
    found = air.concentration_kg_m3(q, u, sy, sz, across_m=y, height_m=h)  # grams in, grams out
    assert found == pytest.approx(exact, rel=1e-3)
    assert found == pytest.approx(printed, rel=0.04)


# De Visscher, Air Dispersion Modeling, 2014, pp. 24-25 (read, recomputed); micrograms.
@pytest.mark.parametrize(
    ("q", "h", "u", "x", "y", "value"),
    [(100, 90, 7, 1500, 0, 160.3), (100, 90, 7, 1500, 100, 107.5), (5, 30, 2, 1000, 0, 201.14)],
)
def test_de_visscher_examples(q, h, u, x, y, value):
    sy, sz = air.sigma_y_m(x, "D"), air.sigma_z_m(x, "D")
    assert air.concentration_kg_m3(q * 1e6, u, sy, sz, across_m=y, height_m=h) == pytest.approx(value, rel=5e-4)


def test_all_that_is_emitted_passes_through_a_plane_across_the_wind():
    z, y = np.linspace(0, 600, 1201), np.linspace(-600, 600, 1201)
    field = air.concentration_kg_m3(2.0, 4.0, 70, 40, across_m=y, height_m=50, receptor_m=z[:, None])
    assert 4.0 * np.trapezoid(np.trapezoid(field, y), z) == pytest.approx(2.0, rel=1e-6)


def test_the_axis_formula_integrated_over_the_arc_is_the_sector_mean():
    sy, sz = float(air.sigma_y_m(3000, "D")), float(air.sigma_z_m(3000, "D"))
    mean = air.sector_mean_kg_m3(3, 7, sz, 3000, 16)
    assert mean == pytest.approx(3.782e-6, rel=2e-4)  # checks of the standard formula, computed
    assert air.concentration_kg_m3(3, 7, sy, sz) == pytest.approx(8.444e-6, rel=2e-4)
    arc = 2 * math.pi * 3000 / 16
    whole = quad(lambda y: float(air.concentration_kg_m3(3, 7, sy, sz, across_m=y)), -8 * sy, 8 * sy)[0]
    assert whole / arc == pytest.approx(mean, rel=1e-7)
    assert air.sector_mean_kg_m3(1, 1, 1, 1, 16) == pytest.approx(2.0318, abs=3e-4)


@pytest.mark.parametrize(("stability", "threshold"), [("D", 1e-7), ("D", 1e-6), ("F", 1e-6), ("C", 1e-9)])
def test_hours_above_a_threshold_agree_with_a_plume_that_wanders_evenly(stability, threshold):
    x, n, u = 5000.0, 16, 4.0
    sy, sz = air.sigma_y_m(x, stability), air.sigma_z_m(x, stability)
    across = np.random.default_rng(7).uniform(-0.5, 0.5, 200_000) * 2 * math.pi * x / n
    simulated = np.mean(air.concentration_kg_m3(1.0, u, sy, sz, across_m=across) > threshold)
    axis = air.concentration_kg_m3(1.0, u, sy, sz)
    assert air.share_above(axis, threshold, sy, x, n) == pytest.approx(simulated, abs=0.005)


def test_an_axis_below_the_threshold_gives_no_hours():
    assert air.share_above(1e-7, 1.0001e-7, 100, 1000, 16) == 0


def test_one_ppm_of_co2_weighs_1_7989_mg_in_a_cubic_metre():
    assert plumes.mass_kg_m3(1, 44.0095) == pytest.approx(1.7989e-6, rel=5e-5)
    axis = air.concentration_kg_m3(1, 5, air.sigma_y_m(1000, "D"), air.sigma_z_m(1000, "D"))
    assert plumes.mole_fraction(axis, 44.0095) == pytest.approx(12.23, abs=0.01)  # computed
    assert plumes.mole_fraction(axis, 44.0095, unit="ppb") == pytest.approx(12_230, abs=10)
    with pytest.raises(ValueError, match="ppm"):
        plumes.mass_kg_m3(1, 44, unit="percent")


@given(st.floats(1, 30_000), classes, st.booleans())
def test_at_the_virtual_distance_the_plume_is_as_wide_as_the_town(width, stability, urban):
    x = air.virtual_distance_m(width, stability, urban=urban)
    assert air.sigma_y_m(x, stability, urban=urban) == pytest.approx(width / 4.3)  # Turner's rule, from memory
    assert air.virtual_distance_m(0, stability) == 0


def test_a_town_emits_people_times_emission_per_head():
    assert plumes.town_strength_kg_s(31_557.6, 1000) == pytest.approx(1.0)


@given(st.floats(0, 1e3), st.floats(0, 40), st.floats(0, 40), metres, classes, st.floats(0, 300))
def test_a_plume_is_linear_in_strength_and_falls_with_the_wind(q, u, faster, x, stability, h):
    sz = air.sigma_z_m(x, stability)
    one, two = (air.sector_mean_kg_m3(s, u, sz, x, 16, height_m=h) for s in (q, 2 * q))
    assert two == pytest.approx(2 * one)
    assert air.sector_mean_kg_m3(q, u + faster, sz, x, 16, height_m=h) <= one
    assert air.sector_mean_kg_m3(q, 0, sz, x, 16) == air.sector_mean_kg_m3(q, 0.5, sz, x, 16)


@given(st.floats(1e-9, 1e-3), st.floats(1e-9, 1e-3), st.floats(1e-9, 1e-3), metres, classes)
def test_a_higher_threshold_is_never_passed_more_often(axis, one, two, x, stability):
    low, high = sorted((one, two))
    shares = air.share_above(axis, [low, high], air.sigma_y_m(x, stability), x, 16)
    assert shares[0] >= shares[1]


# Solstice and equinox facts of any almanac; noon height = 90 - |lat - declination|.
@pytest.mark.parametrize(
    ("lat", "day", "hour", "height"), [(23.44, 172, 12, 90), (0, 80, 6, 0), (51.5, 355, 12, 15.06), (90, 172, 3, 23.44)]
)
def test_the_sun_stands_as_high_as_the_almanac_says(lat, day, hour, height):
    assert air.sun_elevation_deg(lat, day, hour) == pytest.approx(height, abs=0.4)


# Pasquill 1961, table, with Turner's sun heights (memory); half cloud.
@pytest.mark.parametrize(
    ("speed", "sun", "named"),
    [(1, 70, "A"), (1, 40, "AB"), (2.5, 70, "AB"), (2.5, 20, "C"), (4, 40, "BC"), (5.5, 70, "C"), (5.5, 40, "CD"),
     (7, 70, "C"), (7, 40, "D"), (1, -5, "F"), (2.5, -5, "E"), (4, -5, "D"), (4, 10, "D"), (9, -5, "D")],
)  # fmt: skip
def test_the_stability_class_is_that_of_pasquills_table(speed, sun, named):
    assert_allclose(air.pasquill_shares(speed, sun), [(c in named) / len(named) for c in "ABCDEF"])


@pytest.mark.parametrize("lat", [-90, -67.3, -20, 0, 35, 71, 90])
def test_stability_frequencies_agree_with_a_count_of_hours(lat):
    speeds = [1.0, 2.5, 4.0, 5.5, 9.0]
    found = air.stability_frequency([lat], speeds)[0]
    assert_allclose(found.sum(axis=-1), 1)
    ends = np.cumsum([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    day, hour = np.meshgrid(np.arange(1, 366), (np.arange(288) + 0.5) / 12, indexing="ij")
    shares = air.pasquill_shares(np.array(speeds), air.sun_elevation_deg(lat, day, hour)[..., None])
    counted = np.stack([part.mean(axis=(0, 1)) for part in np.split(shares, ends[:-1])])
    assert_allclose(found, counted, atol=0.006 if abs(lat) < 90 else 0.02)


def test_over_the_sea_every_hour_is_neutral():
    by_sector = air.stability_frequency([10, 50], [1, 8], [[True, False, True], [False, True, True]])
    assert by_sector.shape == (2, 12, 3, 2, 6)
    assert_array_equal(by_sector[0, :, 0, :, 3], 1)
    assert_array_equal(by_sector[0, :, 1], air.stability_frequency([10], [1, 8])[0])


def drawn(rng, n_sites=3, n_sources=9, n=16):
    sources = Sources.of(
        rng.uniform(0, 3, n_sources), height_m=rng.uniform(0, 80, n_sources),
        width_m=rng.choice([0, 1500], n_sources), urban=rng.random(n_sources) < 0.3,
    )  # fmt: skip
    site, source = (a.ravel() for a in np.meshgrid(np.arange(n_sites), np.arange(n_sources), indexing="ij"))
    km, bearing = rng.uniform(1, 60, site.size), rng.uniform(0, 360, site.size)
    speed = [0.3, 3, 8]
    stable = air.stability_frequency(rng.uniform(-90, 90, n_sites), speed)
    return sources, site, source, km, bearing, Winds.of(speed, rng.dirichlet([1, 1, 1], (n_sites, 12, n)), stable)


def test_the_sum_over_pairs_agrees_with_plain_loops():
    sources, site, source, km, bearing, winds = drawn(np.random.default_rng(3))
    pairs = pairs_within_reach(site, source, km, bearing, sources)
    found = sector_plumes(pairs, sources, winds, 1e-8, mixing_height_m=500)
    means, far = np.zeros((3, 12, 16)), np.zeros((3, 16), bool)
    for s, k, d, b in zip(site, source, km * 1000, bearing, strict=True):
        if d > 50_000:
            continue
        n = round(b / 22.5) % 16
        far[s, n] |= d > 10_000
        for m in range(12):
            for v, u in enumerate([0.5, 3, 8]):
                for c, letter in enumerate("ABCDEF"):
                    town = bool(sources.urban[k])
                    sz = air.sigma_z_m(d, letter, urban=town, mixing_height_m=500)
                    long = d + air.virtual_distance_m(sources.width_m[k], letter, urban=town)
                    one = math.exp(-(sources.height_m[k] ** 2) / (2 * sz**2)) * sources.strength_kg_s[k]
                    one *= math.sqrt(2 / math.pi) * 16 / (2 * math.pi) / (sz * u * long)
                    means[s, m, n] += one * winds.speed_share[s, m, n, v] * winds.stability_share[s, m, n, v, c]
    assert_allclose(found.mean_kg_m3, means, rtol=1e-9)
    assert_array_equal(found.extrapolated, far)
    for s in range(3):
        each = source_plumes(s, pairs, sources, winds, 1e-8, mixing_height_m=500)
        summed = np.zeros((12, 16))
        np.add.at(summed.T, each.pairs.sector, each.mean_kg_m3)
        assert_allclose(summed, means[s], rtol=1e-9, atol=1e-30)
        joint = found.share_above[s][:, each.pairs.sector].T
        assert (joint >= each.share_above - 1e-12).all()


@pytest.mark.parametrize(("threshold", "gap"), [(3e-8, 0.03), (1e-7, 0.03), (3e-7, 0.03)])
def test_overlapping_plumes_exceed_a_threshold_as_often_as_simulated(threshold, gap):
    rng = np.random.default_rng(5)
    bearing, km = rng.uniform(80, 100, 6), rng.uniform(4, 20, 6)
    winds = Winds.of([4.0], np.ones((1, 12, 16, 1)), np.broadcast_to(np.eye(6)[3], (1, 12, 1, 6)))
    sources = Sources.of(rng.uniform(0.05, 0.5, 6))
    pairs = pairs_within_reach(np.zeros(6, int), np.arange(6), km, bearing, sources)
    found = sector_plumes(pairs, sources, winds, threshold)
    blown, total = np.linspace(90 - 11.25, 90 + 11.25, 20_001), 0.0
    for q, x, b in zip(sources.strength_kg_s, km * 1000, bearing, strict=True):
        off = np.radians((blown - b + 11.25) % 22.5 - 11.25) * x
        sy, sz = air.sigma_y_m(x, "D"), air.sigma_z_m(x, "D")
        total = total + air.concentration_kg_m3(q, 4, sy, sz, across_m=off)
    assert found.share_above[0, 0, 4] == pytest.approx(np.mean(total > threshold), abs=gap)


def test_many_small_sources_pass_a_threshold_that_none_passes_alone():
    winds = Winds.of([4.0], np.ones((1, 12, 16, 1)), np.broadcast_to(np.eye(6)[3], (1, 12, 1, 6)))
    sources = Sources.of(np.full(50, 0.005))
    pairs = pairs_within_reach(np.zeros(50, int), np.arange(50), np.full(50, 8.0), np.linspace(79, 101, 50), sources)
    found = sector_plumes(pairs, sources, winds, 1e-8)
    assert found.mean_kg_m3[0, 0, 4] > 1.5e-8
    assert found.share_above[0, 0, 4] == pytest.approx(1)
    assert not source_plumes(0, pairs, sources, winds, 1e-8).share_above.any()


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 15))
def test_turning_all_sources_and_winds_by_whole_sectors_turns_the_answer(seed, by):
    sources, site, source, km, bearing, winds = drawn(np.random.default_rng(seed))
    bearing = np.round(bearing * 8) / 8  # exact under the turn
    turned = Winds.of(
        winds.speed_m_s, np.roll(winds.speed_share, by, axis=2), np.roll(winds.stability_share, by, axis=2)
    )
    one = sector_plumes(pairs_within_reach(site, source, km, bearing, sources), sources, winds, 1e-8)
    two = sector_plumes(pairs_within_reach(site, source, km, bearing + 22.5 * by, sources), sources, turned, 1e-8)
    assert_allclose(two.mean_kg_m3, np.roll(one.mean_kg_m3, by, axis=2), rtol=1e-12)
    assert_allclose(two.share_above, np.roll(one.share_above, by, axis=2), rtol=1e-9, atol=1e-12)


def test_the_order_of_pairs_changes_nothing_and_a_higher_threshold_is_passed_less():
    sources, site, source, km, bearing, winds = drawn(np.random.default_rng(11))
    o = np.random.default_rng(1).permutation(site.size)
    one = sector_plumes(pairs_within_reach(site, source, km, bearing, sources), sources, winds, 1e-8)
    two = sector_plumes(pairs_within_reach(site[o], source[o], km[o], bearing[o], sources), sources, winds, 1e-8)
    assert one.mean_kg_m3.tobytes() == two.mean_kg_m3.tobytes()
    assert one.share_above.tobytes() == two.share_above.tobytes()
    pairs = pairs_within_reach(site, source, km, bearing, sources)
    assert (sector_plumes(pairs, sources, winds, 2e-8).share_above <= one.share_above).all()


def test_a_site_within_a_town_gets_its_air_from_every_sector():
    sources = Sources.of([1.0], width_m=4000)
    pairs = pairs_within_reach([0], [0], [0.0], [123.0], sources, 8)
    assert_array_equal(pairs.sector, np.arange(8))
    assert pairs.too_near.all()
    assert_array_equal(pairs.distance_m, 1000)


def test_faults_are_named():
    sources = Sources.of([1.0, 2.0])
    with pytest.raises(ValueError, match="twice"):
        pairs_within_reach([0, 0], [1, 1], [3, 3], [10, 10], sources)
    with pytest.raises(ValueError, match="sum to 1"):
        Winds.of([4.0], np.full((1, 12, 4, 1), 0.5), np.full((1, 12, 1, 6), 1 / 6))
    with pytest.raises(ValueError, match="from A to F"):
        air.sigma_y_m(1000, "G")
    with pytest.raises(ValueError, match="finite"):
        Sources.of([math.nan])
