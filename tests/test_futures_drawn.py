"""What futures are drawn from: distributions against a reference library and closed forms, outages against renewal
theory, and what a drawn future does to a region.

Every place and every number of a place is invented. Draws are seeded, so a bound of several standard errors is no game
of chance: it fails only where the mean is another one.
"""

import dataclasses
import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from siting.futures.drawing import applied, between, draw, nominal
from siting.futures.outages import (
    PARTS,
    erlang_loss,
    failures_a_month,
    shipments_home,
    spare_chance,
    spells,
    up_share,
)
from siting.planning import plan_region
from siting.record.air import air_of
from siting.region.model import Region, frozen_mapping
from siting.selection.standing import cost_by_year


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made = _load("made_region")

CALM = {
    "yearly_failure": 0.0,
    "lost_shipments": 0.0,
    "late_start_months": 0.0,
    "price_sd": 0.0,
    "noise_factor": 1.0,
}
# Five standard errors: for a fixed seed a right mean passes, and one that is wrong by a few per cent does not.
ERRORS = 5.0
PLACES = [
    {"id": "ash", "lat": 10.0, "lon": 20.0, "baseline_exposure": 0.4, "setup_cost": 300, "annual_cost": 40},
    {"id": "elm", "lat": -30.0, "lon": 60.0, "baseline_exposure": 0.9, "accepted_hours": 0.5, "lead_months": 4},
    {"id": "fir", "lat": 50.0, "lon": -70.0, "baseline_exposure": 0.6, "contamination_risk": 0.2},
    {"id": "oak", "lat": -60.0, "lon": 170.0, "status": "running", "running_since": 2015, "running_plan": "f"},
]
CO2 = {"name": "CO2", "unit": "ppm", "scale": "invented"}


def region(places=PLACES, stress=None, **given):
    given = {"plans": [made.FLASK, made.ANALYZER], "stock": {"analyzers": 3}, "tracers": [CO2]} | given
    return made.region(places, stress=CALM | (stress or {}), **given)


def with_ends(made_region, **columns):
    """Return the region with low and high ends of columns: {column: {id: (low, high)}}."""
    c = made_region.candidates
    low, high = dict(c.low), dict(c.high)
    for column, ends in columns.items():
        low[column], high[column] = low[column].copy(), high[column].copy()
        for name, (least, most) in ends.items():
            low[column][c.index(name)], high[column][c.index(name)] = least, most
    changed = dataclasses.replace(c, low=frozen_mapping(low), high=frozen_mapping(high))
    return dataclasses.replace(made_region, candidates=changed)


def wide(stress=None, **given):
    """Return a region in which everything has a spread."""
    everything = {
        "yearly_failure": 0.5,
        "lost_shipments": 0.2,
        "late_start_months": 3.0,
        "price_sd": 0.2,
        "noise_factor": 2.0,
    }
    return with_ends(
        region(stress=everything | (stress or {}), **given),
        baseline_exposure={"ash": (0.1, 0.6), "elm": (0.5, 1.0)},
        annual_cost={"ash": (20.0, 90.0)},
        lead_months={"elm": (2.0, 9.0)},
        contamination_risk={"fir": (0.05, 0.5)},
    )


def same_future(one, two):
    assert one.number == two.number
    assert (one.price, one.noise) == (two.price, two.noise)
    assert np.array_equal(one.delay, two.delay)
    assert np.array_equal(one.working, two.working)
    assert list(one.columns) == list(two.columns)
    for column in one.columns:
        assert np.array_equal(one.columns[column], two.columns[column])


def same_array(one, two):
    if one.dtype.kind in "OU":
        return list(one) == list(two)
    return one.dtype == two.dtype and np.array_equal(one, two, equal_nan=one.dtype.kind == "f")


def same_content(one, two, leave=()):
    """Say which fields of two frozen dataclasses differ."""
    differ = []
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(two, field.name)
        if field.name in leave:
            continue
        if isinstance(a, np.ndarray):
            if not same_array(a, b):
                differ.append(field.name)
        elif field.name in ("low", "high", "origin"):
            if not all(np.array_equal(a[k], b[k]) for k in {*a, *b}):
                differ.append(field.name)
        elif a != b:
            differ.append(field.name)
    return differ


def near(numbers, expected, errors=ERRORS):
    """Assert that the mean of draws lies within so many standard errors of what is expected."""
    numbers = np.asarray(numbers, dtype=float)
    assert abs(numbers.mean() - expected) <= errors * numbers.std(ddof=1) / math.sqrt(numbers.size)


# -- between low and high ---------------------------------------------------------------------------------


@pytest.mark.parametrize("middle", [2.0, 2.5, 4.0, 6.9, 7.0])
def test_the_triangular_distribution_is_that_of_a_reference_library(middle):
    """scipy.stats.triang, with its mode at the share (middle - low) / width; the mode may lie at either end."""
    low, high = 2.0, 7.0
    u = np.linspace(0.0, 1.0, 2001)
    found = between(*(np.full(u.size, x) for x in (low, middle, high)), u, "triangular")
    expected = stats.triang.ppf(u, (middle - low) / (high - low), loc=low, scale=high - low)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-12 * high)
    assert (found[0], found[-1]) == (low, high)
    assert np.all(np.diff(found) >= 0.0)


@settings(deadline=None)
@given(
    st.floats(-1e6, 1e6), st.floats(0.0, 1.0), st.floats(0.0, 1e6), st.floats(0.0, 1.0, exclude_max=True),
    st.sampled_from(["triangular", "uniform", "ends"]),
)  # fmt: skip
def test_what_is_drawn_lies_between_the_ends(low, share, width, u, spread):
    high = low + width
    middle = min(max(low + share * width, low), high)
    found = float(between(*(np.array([x]) for x in (low, middle, high, u)), spread)[0])
    assert low - 1e-9 * max(1.0, abs(low), width) <= found <= high + 1e-9 * max(1.0, abs(high), width)


def test_the_uniform_distribution_is_even_and_the_ends_have_half_each():
    u = np.linspace(0.0, 1.0, 1000, endpoint=False)
    low, middle, high = (np.full(u.size, x) for x in (-1.0, 2.0, 3.0))
    np.testing.assert_allclose(between(low, middle, high, u, "uniform"), -1.0 + 4.0 * u, atol=1e-15)
    ends = between(low, middle, high, u, "ends")
    assert np.count_nonzero(ends == -1.0) == np.count_nonzero(ends == 3.0) == 500


def test_another_name_of_a_distribution_is_refused():
    one = np.array([0.5])
    with pytest.raises(ValueError, match="spread is 'normal'; it must be triangular, uniform or ends"):
        between(one, one, one, one, "normal")


@pytest.mark.parametrize(
    ("spread", "reference"),
    [
        ("triangular", stats.triang((40.0 - 20.0) / 70.0, loc=20.0, scale=70.0)),
        ("uniform", stats.uniform(20.0, 70.0)),
    ],
)
def test_drawn_numbers_have_the_mean_and_the_quantiles_of_their_distribution(spread, reference):
    """Kolmogorov and Smirnov's test of the scipy library and the mean in its closed form."""
    made_region = with_ends(region(stress={"spread": spread}), annual_cost={"ash": (20.0, 90.0)})
    drawn = np.array([draw(made_region, k, 3).columns["annual_cost"][0] for k in range(1500)])
    near(drawn, reference.mean())
    assert stats.kstest(drawn, reference.cdf).pvalue > 1e-3
    for q in (0.1, 0.5, 0.9):
        share = np.mean(drawn <= reference.ppf(q))
        assert abs(share - q) <= ERRORS * math.sqrt(q * (1.0 - q) / drawn.size)


def test_numbers_drawn_at_the_ends_take_each_end_in_half_of_the_futures():
    made_region = with_ends(region(stress={"spread": "ends"}), annual_cost={"ash": (20.0, 90.0)})
    drawn = np.array([draw(made_region, k, 5).columns["annual_cost"][0] for k in range(1000)])
    assert set(drawn.tolist()) == {20.0, 90.0}
    assert abs(np.mean(drawn == 20.0) - 0.5) <= ERRORS * math.sqrt(0.25 / drawn.size)


def test_numbers_of_different_candidates_and_columns_are_drawn_independently():
    made_region = with_ends(
        region(stress={"spread": "uniform"}),
        annual_cost={"ash": (0.0, 1.0), "elm": (0.0, 1.0)},
        setup_cost={"ash": (0.0, 1.0)},
    )
    drawn = [draw(made_region, k, 1).columns for k in range(1000)]
    a = [one["annual_cost"][0] for one in drawn]
    for other in ([one["annual_cost"][1] for one in drawn], [one["setup_cost"][0] for one in drawn]):
        assert abs(np.corrcoef(a, other)[0, 1]) <= ERRORS / math.sqrt(len(a))
    for before, after in [(a[:-1], a[1:])]:
        assert abs(np.corrcoef(before, after)[0, 1]) <= ERRORS / math.sqrt(len(after))


# -- prices, air, starts ----------------------------------------------------------------------------------


@pytest.mark.parametrize("price_sd", [0.05, 0.5])
def test_prices_are_lognormal_with_median_1(price_sd):
    """The log is normal with sd log(1 + price_sd): one sd upwards multiplies prices by 1 + price_sd."""
    made_region = region(stress={"price_sd": price_sd})
    logs = np.log([draw(made_region, k, 11).price for k in range(2000)])
    sd = math.log(1.0 + price_sd)
    near(logs, 0.0)
    # Standard error of the sd of normal numbers: sd / sqrt(2 n).
    assert abs(logs.std(ddof=1) - sd) <= ERRORS * sd / math.sqrt(2 * logs.size)
    assert stats.kstest(logs / sd, "norm").pvalue > 1e-3


def test_the_noise_of_the_air_lies_evenly_between_1_and_its_factor():
    made_region = region(stress={"noise_factor": 3.0})
    noise = np.array([draw(made_region, k, 2).noise for k in range(1500)])
    assert stats.kstest(noise, stats.uniform(1.0, 2.0).cdf).pvalue > 1e-3
    assert noise.min() >= 1.0
    assert noise.max() <= 3.0


def test_delays_are_whole_months_of_half_a_normal_distribution():
    """Chance of a delay of m months: that of |N| x sd between m - 1/2 and m + 1/2."""
    made_region = region(stress={"late_start_months": 3.0})
    delays = np.concatenate([draw(made_region, k, 4).delay for k in range(1000)])
    assert delays.dtype == np.int64
    assert delays.min() == 0
    for m in range(8):
        low, high = max(0.0, m - 0.5) / 3.0, (m + 0.5) / 3.0
        chance = 2.0 * (stats.norm.cdf(high) - stats.norm.cdf(low))
        assert abs(np.mean(delays == m) - chance) <= ERRORS * math.sqrt(chance * (1.0 - chance) / delays.size)


# -- outages ----------------------------------------------------------------------------------------------


def time_down(outages):
    return np.array([sum(end - begin for begin, end in mine) for mine in outages])


@pytest.mark.parametrize(("yearly", "repair"), [(0.1, 4.0), (0.5, 2.0), (0.9, 12.0)])
def test_the_share_of_time_that_works_is_that_of_an_alternating_renewal_process(yearly, repair):
    """MTBF / (MTBF + MTTR): alternating renewal (Ross, Introduction to Probability Models; from memory).

    That is the long run. From a working start over T months it is A + (1 - A) (1 - exp(-s T)) / (s T) with
    s = 1/MTBF + 1/MTTR: two states with exponential times (same book, from memory).
    """
    months, stations = 240, 4000
    between_failures = -12.0 / math.log(1.0 - yearly)
    long_run = between_failures / (between_failures + repair)
    s = (1.0 / between_failures + 1.0 / repair) * months
    expected = long_run + (1.0 - long_run) * (1.0 - math.exp(-s)) / s
    outages = spells(np.random.default_rng(8), stations, months, yearly, repair, 0.0, 0.0)
    near(1.0 - time_down(outages) / months, expected)
    near(up_share(outages, months).mean(axis=1), expected)
    # Once the start is forgotten nothing but the long run is left.
    late = up_share(outages, months)[:, 120:]
    near(late.mean(axis=1), long_run)


def test_the_chance_to_fail_within_a_year_is_the_one_that_was_asked_for():
    outages = spells(np.random.default_rng(1), 6000, 12, 0.3, 4.0, 0.0, 0.0)
    failed = np.array([len(mine) > 0 for mine in outages])
    near(failed, 0.3)
    assert failures_a_month(0.3) * 12.0 == pytest.approx(-math.log(0.7), rel=1e-14)


def test_stations_that_surely_fail_still_work_now_and_then():
    """A chance of 1 would be failures without end; it is taken as 0.999999."""
    assert math.isfinite(failures_a_month(1.0))
    share = up_share(spells(np.random.default_rng(0), 50, 120, 1.0, 1.0, 0.0, 0.0), 120)
    assert 0.0 < share.mean() < 1.0


@settings(deadline=None, max_examples=60)
@given(
    st.integers(0, 10**6), st.floats(0.0, 1.0), st.floats(0.01, 30.0), st.floats(0.0, 1.0), st.floats(0.1, 6.0),
    st.integers(1, 40),
)  # fmt: skip
def test_outages_stand_in_order_within_the_window_and_shares_in_steps(seed, yearly, repair, spare, shipping, months):
    outages = spells(np.random.default_rng(seed), 5, months, yearly, repair, spare, shipping)
    for mine in outages:
        edges = [edge for outage in mine for edge in outage]
        assert edges == sorted(edges)
        assert all(0.0 <= edge <= months for edge in edges)
    for share, lost in (
        (up_share(outages, months), time_down(outages)),
        (shipments_home(np.random.default_rng(seed), np.array([1.0, 4.0, 7.0]), months, spare), None),
    ):
        assert np.all((share >= 0.0) & (share <= 1.0))
        assert np.array_equal(share * PARTS, np.rint(share * PARTS))
        if lost is not None:
            # What is left of a step is carried into the next month, so the window as a whole is right.
            assert np.all(np.abs((1.0 - share).sum(axis=1) - lost) <= 0.5 / PARTS + 1e-9)


def test_single_outages_take_their_months_by_hand():
    """Of month 0 a quarter, month 1 wholly, of month 2 half; months 3 to 5 none."""
    share = up_share([[(0.75, 2.5)], [], [(4.0, 6.0)]], 6)
    assert share.tolist() == [[0.75, 0.0, 0.5, 1.0, 1.0, 1.0], [1.0] * 6, [1.0] * 4 + [0.0] * 2]


def test_outages_too_short_for_a_step_add_up_instead_of_vanishing():
    """Forty outages of 0.05 months, one a month: 2 months in all, whatever the steps are."""
    share = up_share([[(m + 0.3, m + 0.35) for m in range(40)]], 40)
    assert (1.0 - share).sum() == pytest.approx(2.0, abs=0.5 / PARTS)


def test_a_spare_that_is_sure_to_be_there_ends_every_outage_after_its_journey():
    outages = spells(np.random.default_rng(3), 300, 120, 0.6, 6.0, 1.0, 1.5)
    lengths = np.array([end - begin for mine in outages for begin, end in mine])
    assert lengths.size > 500
    assert lengths.max() <= 1.5 + 1e-9
    assert np.mean(lengths > 1.4) > 0.5


def test_outages_with_a_spare_last_as_long_as_the_sooner_of_repair_and_journey():
    """Mean of min(repair, t) for exponential repair: m (1 - exp(-t/m)), with chance p; else m (integral by hand)."""
    repair, journey, chance = 4.0, 1.5, 0.6
    outages = spells(np.random.default_rng(4), 3000, 400, 0.5, repair, chance, journey)
    lengths = [end - begin for mine in outages for begin, end in mine if end < 400.0]
    sooner = repair * (1.0 - math.exp(-journey / repair))
    near(lengths, chance * sooner + (1.0 - chance) * repair)


def by_the_sum(servers, load):
    """Return B(n, a) = (a^n / n!) / sum of a^k / k! over k = 0..n (Erlang 1917, from memory)."""
    terms = [load**k / math.factorial(k) for k in range(servers + 1)]
    return terms[-1] / sum(terms)


@pytest.mark.parametrize(
    ("servers", "load", "lost"), [(0, 5.0, 1.0), (1, 1.0, 1 / 2), (2, 1.0, 1 / 5), (3, 2.0, 4 / 19), (5, 3.0, 0.11005)]
)
def test_erlangs_loss_is_that_of_its_tables_and_of_its_sum(servers, load, lost):
    """Values as tables of the formula have them, from memory; (5, 3) to five digits."""
    assert erlang_loss(servers, load) == pytest.approx(lost, abs=5e-6)
    assert erlang_loss(servers, load) == pytest.approx(by_the_sum(servers, load), rel=1e-13)


@given(st.integers(0, 30), st.floats(0.0, 40.0))
def test_erlangs_loss_is_its_sum_for_any_load(servers, load):
    assert erlang_loss(servers, load) == pytest.approx(by_the_sum(servers, load), rel=1e-10, abs=1e-300)


def test_the_chance_of_a_spare_is_what_the_formula_leaves_with_one_kept_as_reference():
    """7 analyzers, 3 of them spare: 4 in the field, 2 that can be sent; load 4 x rate x 4 months."""
    stock = {"analyzers": 7, "spare_analyzers": 3}
    load = 4 * (-math.log(0.8) / 12.0) * 4.0
    found = spare_chance(region(stress={"yearly_failure": 0.2}, stock=stock))
    assert found == pytest.approx(1.0 - by_the_sum(2, load), rel=1e-13)
    for few in (0, 1):
        assert spare_chance(region(stress={"yearly_failure": 0.2}, stock={"analyzers": 7, "spare_analyzers": few})) == 0


def test_with_spares_analyzers_work_more_and_flasks_as_before():
    """Journey of 30 days; three spares and one in the field: nearly always one is there."""
    stress = {"yearly_failure": 0.6, "repair_months": 12.0}
    without = [draw(region(stress=stress), k, 0).working for k in range(60)]
    spares = region(stress=stress, stock={"analyzers": 4, "spare_analyzers": 3})
    with_them = [draw(spares, k, 0).working for k in range(60)]
    assert np.mean([w[0] for w in with_them]) > np.mean([w[0] for w in without]) + 0.1
    assert abs(np.mean([w[1] for w in with_them]) - np.mean([w[1] for w in without])) < 0.05


@pytest.mark.parametrize("visits", [1.0, 4.0, 5.0, 12.0, 52.0, 365.0])
def test_the_share_of_flasks_that_never_come_home_is_the_chance_of_a_lost_shipment(visits):
    share = shipments_home(np.random.default_rng(6), np.full(3000, visits), 48, 0.07)
    # Up to half a step of a whole window may be left to the month after it.
    lost = 1.0 - share.mean(axis=1)
    assert abs(lost.mean() - 0.07) <= ERRORS * lost.std(ddof=1) / math.sqrt(lost.size) + 0.5 / PARTS / 48


def test_a_lost_shipment_takes_all_that_was_filled_since_the_last_call():
    """Four calls a year: a quarter of a year is there or gone as a whole."""
    share = shipments_home(np.random.default_rng(2), np.full(40, 4.0), 36, 0.3)
    quarters = share.reshape(40, 12, 3)
    assert set(np.unique(share)) == {0.0, 1.0}
    assert np.array_equal(quarters.min(axis=2), quarters.max(axis=2))


def test_every_shipment_or_none_may_be_lost():
    visits = np.array([1.0, 12.0])
    assert np.all(shipments_home(np.random.default_rng(0), visits, 30, 1.0) == 0.0)
    assert np.all(shipments_home(np.random.default_rng(0), visits, 30, 0.0) == 1.0)


# -- a future ---------------------------------------------------------------------------------------------


def test_a_future_depends_on_region_number_and_seed_alone():
    made_region = wide()
    want = draw(made_region, 7, 42)
    for other in (0, 3, 8):
        draw(made_region, other, 42)
    np.random.default_rng(0).normal(size=100)
    same_future(draw(made_region, 7, 42), want)
    same_future(draw(wide(), 7, 42), want)
    for number, seed in ((8, 42), (7, 43), (42, 7)):
        other = draw(made_region, number, seed)
        assert other.price != want.price
        assert other.noise != want.noise
        assert other.columns["annual_cost"][0] != want.columns["annual_cost"][0]


@pytest.mark.parametrize(
    ("off", "moves"),
    [
        ({"price_sd": 0.0}, {"price"}),
        ({"noise_factor": 1.0}, {"noise"}),
        ({"late_start_months": 0.0}, {"delay"}),
        ({"yearly_failure": 0.0}, {"working"}),
        ({"lost_shipments": 0.0}, {"flasks"}),
        ({"spread": "uniform"}, {"columns"}),
    ],
)
def test_an_aspect_that_is_switched_off_moves_no_other(off, moves):
    moved = set()
    for number in range(10):
        all_on, without = draw(wide(), number, 9), draw(wide(off), number, 9)
        moved |= {name for name in ("price", "noise") if getattr(all_on, name) != getattr(without, name)}
        moved |= {"delay"} if not np.array_equal(all_on.delay, without.delay) else set()
        moved |= {"working"} if not np.array_equal(all_on.working[0], without.working[0]) else set()
        moved |= {"flasks"} if not np.array_equal(all_on.working[1], without.working[1]) else set()
        differs = any(not np.array_equal(all_on.columns[c], without.columns[c]) for c in all_on.columns)
        moved |= {"columns"} if differs else set()
    # Flasks stand still with their station, so failures move them, too.
    assert moved == moves | ({"flasks"} if "working" in moves else set())


def test_a_column_without_a_spread_moves_no_other_column():
    made_region = wide({"spread": "uniform"})
    c = made_region.candidates
    for column in ("annual_cost", "baseline_exposure"):
        fixed = dataclasses.replace(c, high=frozen_mapping({**c.high, column: c.low[column]}))
        one, other = draw(made_region, 0, 0), draw(dataclasses.replace(made_region, candidates=fixed), 0, 0)
        assert column in one.columns
        assert set(other.columns) == set(one.columns) - {column}
        assert all(np.array_equal(one.columns[k], other.columns[k]) for k in other.columns)


def test_the_order_of_rows_in_the_files_moves_no_draw(make_region):
    def written(turned):
        maker = make_region()
        maker.cell("alba", "annual_cost_low", "500").cell("alba", "annual_cost_high", "3000")
        maker.cell("corvo", "baseline_exposure_low", "0.5").cell("corvo", "baseline_exposure_high", "0.95")
        maker.rows = maker.rows[::-1] if turned else maker.rows
        maker.columns = [maker.columns[0], *maker.columns[:0:-1]] if turned else maker.columns
        return maker.read()

    one, other = written(False), written(True)
    for number in range(5):
        want = draw(one, number, 1)
        assert set(want.columns) == {"annual_cost", "baseline_exposure"}
        same_future(draw(other, number, 1), want)


# -- a region in a future ---------------------------------------------------------------------------------


def test_without_any_spread_a_future_is_the_very_region():
    months = {("ash", m): {"exposure": 0.1 + 0.05 * m, "risk": 0.01 * m} for m in range(1, 13)}
    # Ends that are equal are no spread, whatever the rest is.
    made_region = with_ends(region(months=months), annual_cost={"ash": (40.0, 40.0)})
    for number in range(3):
        found = applied(made_region, draw(made_region, number, 5))
        assert same_content(made_region, found, leave=("candidates",)) == []
        assert same_content(made_region.candidates, found.candidates) == []


def test_candidates_without_a_spread_keep_their_numbers_to_the_last_digit():
    made_region = wide({"price_sd": 0.0, "noise_factor": 1.0, "late_start_months": 0.0})
    found = applied(made_region, draw(made_region, 2, 5))
    ash, elm, fir, oak = range(4)
    assert np.array_equal(found.exposure[[fir, oak]], made_region.exposure[[fir, oak]])
    assert np.array_equal(found.risk[:, [ash, elm, oak]], made_region.risk[:, [ash, elm, oak]])
    assert np.array_equal(found.candidates.annual_cost[1:], made_region.candidates.annual_cost[1:])
    assert found.candidates.annual_cost[ash] != made_region.candidates.annual_cost[ash]
    assert np.all(found.exposure[[ash, elm]] != made_region.exposure[[ash, elm]])


def test_exposures_move_in_proportion_and_keep_the_shape_of_their_months():
    """The mean becomes what was drawn, accepted hours in, and every month keeps its ratio to the mean."""
    months = {("ash", m): {"exposure": round(0.3 + 0.02 * m, 2)} for m in range(1, 13)}
    made_region = with_ends(region(months=months), baseline_exposure={"ash": (0.2, 0.6), "elm": (0.6, 1.0)})
    ash, elm = 0, 1
    seen = set()
    for number in range(20):
        future = draw(made_region, number, 3)
        drawn, found = future.columns["baseline_exposure"], applied(made_region, future)
        assert found.exposure[ash].mean() == pytest.approx(drawn[ash], rel=1e-12)
        assert found.exposure[elm].mean() == pytest.approx(0.5 * drawn[elm], rel=1e-12)
        shape = made_region.exposure[ash] / made_region.exposure[ash].mean()
        np.testing.assert_allclose(found.exposure[ash] / found.exposure[ash].mean(), shape, rtol=1e-12)
        assert found.exposure.flags.writeable is False
        seen.add(float(drawn[ash]))
    assert len(seen) == 20


def test_exposures_and_risks_never_leave_their_bounds():
    """One month near 1 cannot rise in proportion; accepted hours bound the exposure that holds them."""
    months = {("ash", 1): {"exposure": 0.95, "risk": 0.9}, ("elm", 2): {"exposure": 0.99}}
    made_region = with_ends(
        region(months=months, stress={"spread": "ends"}),
        baseline_exposure={"ash": (0.1, 1.0), "elm": (0.1, 1.0)},
        contamination_risk={"ash": (0.0, 1.0)},
    )
    reached = set()
    for number in range(12):
        found = applied(made_region, draw(made_region, number, 0))
        assert np.all((found.exposure >= 0.0) & (found.exposure <= found.accepted_hours[:, None] + 1e-15))
        assert np.all((found.risk >= 0.0) & (found.risk <= 1.0))
        reached |= {float(found.exposure[0, 0]), float(found.exposure[1, 1])}
    assert {1.0, 0.5} <= reached


def test_accepted_hours_and_exposure_may_move_together():
    made_region = with_ends(region(), accepted_hours={"elm": (0.25, 0.75)}, baseline_exposure={"elm": (0.5, 1.0)})
    for number in range(10):
        future = draw(made_region, number, 2)
        found = applied(made_region, future)
        accepted, share = future.columns["accepted_hours"][1], future.columns["baseline_exposure"][1]
        assert found.accepted_hours[1] == accepted
        np.testing.assert_allclose(found.exposure[1], accepted * share, rtol=1e-12)
        assert np.array_equal(found.exposure[[0, 2, 3]], made_region.exposure[[0, 2, 3]])


def test_a_place_without_accepted_hours_has_no_exposure_in_any_future():
    places = [{"id": "a", "lat": 0.0, "lon": 0.0, "baseline_exposure": 0.5, "accepted_hours": 0.0}]
    made_region = with_ends(region(places), baseline_exposure={"a": (0.3, 0.7)})
    for number in range(5):
        assert np.all(applied(made_region, draw(made_region, number, 0)).exposure == 0.0)


def test_a_risk_of_0_takes_the_drawn_number_in_every_month():
    places = [{"id": "a", "lat": 0.0, "lon": 0.0, "contamination_risk": 0.0}]
    made_region = with_ends(region(places), contamination_risk={"a": (0.0, 0.4)})
    future = draw(made_region, 1, 1)
    drawn = future.columns["contamination_risk"][0]
    assert 0.0 < drawn < 0.4
    assert np.all(applied(made_region, future).risk == drawn)


def test_a_contamination_of_0_that_grows_is_that_of_the_first_tracer_alone():
    """Ends are in the unit of the first tracer; a size of another one in another unit says nothing of it."""
    places = [{"id": "a", "lat": 0.0, "lon": 0.0, "contamination_size": 0.0}]
    made_region = region(places, tracers=[CO2, {"name": "CH4", "unit": "ppb", "scale": "invented"}])
    size = made_region.size.copy()
    size[1] = 30.0
    made_region = with_ends(dataclasses.replace(made_region, size=size), contamination_size={"a": (0.0, 2.0)})
    future = draw(made_region, 1, 1)
    found = applied(made_region, future)
    assert np.all(found.size[0] == future.columns["contamination_size"][0])
    assert np.all(found.size[1] == 30.0)


def test_months_of_preparation_are_whole_and_late_starts_come_on_top():
    made_region = with_ends(region(stress={"late_start_months": 4.0}), lead_months={"elm": (2.0, 9.0)})
    late = 0
    for number in range(20):
        future = draw(made_region, number, 6)
        found = applied(made_region, future)
        drawn = np.rint(future.columns["lead_months"]).astype(int)
        assert found.candidates.lead_months.dtype == np.int64
        assert found.candidates.lead_months[:3].tolist() == (drawn + future.delay)[:3].tolist()
        # A station that runs already has begun.
        assert found.candidates.lead_months[3] == made_region.candidates.lead_months[3]
        late += int(future.delay[:3].sum())
    assert late > 0


def test_a_late_start_moves_the_first_month_by_its_delay():
    made_region = region(stress={"late_start_months": 3.0})
    usual = plan_region(made_region).deployments
    moved = 0
    for number in range(5):
        future = draw(made_region, number, 1)
        late = plan_region(applied(made_region, future)).deployments
        for k in range(len(late)):
            i = late.candidate[k]
            was = usual.find(int(i), int(late.plan[k]), int(late.start_year[k]))
            delay = 0 if made_region.candidates.status[i] == "running" else int(future.delay[i])
            assert late.first_month[k] == usual.first_month[was] + delay
            moved += delay
        assert set(late.candidate.tolist()) <= set(usual.candidate.tolist())
    assert moved > 0


def test_a_noise_factor_multiplies_the_noise_of_days_and_months_and_nothing_else():
    made_region = region(stress={"noise_factor": 2.0})
    future = draw(made_region, 0, 0)
    assert future.noise > 1.0
    usual = air_of(made_region.settings.tracers[0])
    noisy = air_of(applied(made_region, future).settings.tracers[0])
    assert noisy.synoptic_sd == pytest.approx(future.noise * usual.synoptic_sd, rel=1e-14)
    assert noisy.slow_sd == pytest.approx(future.noise * usual.slow_sd, rel=1e-14)
    assert set(same_content(usual, noisy)) == {"synoptic_sd", "slow_sd", "origins"}


def test_a_gas_of_which_nothing_is_known_stays_unknown():
    made_region = region(stress={"noise_factor": 2.0}, tracers=[{"name": "XX", "unit": "ppb", "scale": "invented"}])
    found = applied(made_region, draw(made_region, 0, 0))
    assert found.settings.tracers == made_region.settings.tracers


LEGS = [
    {"from": "laboratory", "to": "port", "mode": "road", "days": 1, "cost_a_box": 2.35},
    *(
        {"from": "port", "to": name, "mode": "ship", "days": 3, "cost_a_box": 5.5}
        | {"fixed_cost_a_year": 1000, "voyage": "v"}
        for name in ("ash", "elm", "fir")
    ),
]


@pytest.mark.parametrize("contingency", [0.0, 0.15])
def test_all_prices_are_multiplied_by_the_factor_to_rounding(contingency):
    """Every amount is rounded once to hundredths, so both may be half a hundredth off."""
    budget = {"total": 1e7, "contingency": contingency, "overhead": 0.2, "price_growth": 0.03}
    plans = [
        made.FLASK | {"setup_cost": 10.0, "annual_cost": 20.0, "sample_cost": 0.33},
        made.ANALYZER | {"capital_cost": 333.3, "setup_cost": 15.0, "annual_cost": 33.3},
    ]
    stock = {"analyzers": 1, "buy_price": 777.0}
    made_region = region(stress={"price_sd": 0.3}, plans=plans, legs=LEGS, budget=budget, stock=stock)
    usual, tried = plan_region(made_region), set()
    for number in range(6):
        future = draw(made_region, number, 0)
        changed = plan_region(applied(made_region, future))
        p = future.price
        most = 0.5 + 0.5 * p + 1e-6
        # Kinds of cost are shares of a whole that add up to it, each less than a hundredth off.
        kinds, changed_kinds = usual.deployments.cost_cents, changed.deployments.cost_cents
        assert np.all(np.abs(changed_kinds - p * kinds) <= 1.0 + p)
        for old, new in (
            (kinds.sum(axis=2), changed_kinds.sum(axis=2)),
            (usual.supply.cents, changed.supply.cents),
            (usual.supply.shared_cents, changed.supply.shared_cents),
        ):
            assert old.sum() > 0
            assert np.all(np.abs(new - p * old) <= most)
        picked = made.picks(usual, ("ash", "a", 2030), ("elm", "a", 2030), ("fir", "f", 2031))
        before, after = np.array(cost_by_year(usual, picked)), np.array(cost_by_year(changed, picked))
        # Each deployment and its way, then the shared voyage and an analyzer that is bought.
        amounts = 2 * picked.size + 2
        assert np.all(np.abs(after - p * before) <= amounts * most)
        assert before[0] > 77_700
        tried.add(p > 1.0)
    assert tried == {True, False}


def test_what_is_not_drawn_stays_as_it_is():
    made_region = wide()
    future = draw(made_region, 0, 0)
    found = applied(made_region, future)
    assert found.settings.budget.total == made_region.settings.budget.total
    assert found.settings.stress == made_region.settings.stress
    assert found.what_ifs == made_region.what_ifs
    assert found.candidates.ids == made_region.candidates.ids
    moved = set(same_content(made_region.candidates, found.candidates))
    assert moved == {"annual_cost", "lead_months"}
    assert np.array_equal(found.working, future.working)
    assert isinstance(found, Region)


def test_the_number_a_region_goes_by_is_the_peak_of_the_triangle():
    """The mean of a triangle is (low + peak + high) / 3; where months differ, the peak is their mean."""
    months = {("ash", m): {"exposure": 0.2 if m < 7 else 0.4} for m in range(1, 13)}
    made_region = with_ends(region(months=months), baseline_exposure={"ash": (0.1, 0.9), "elm": (0.8, 1.0)})
    assert nominal(made_region)["baseline_exposure"][:2] == pytest.approx([0.3, 0.9], rel=1e-14)
    drawn = np.array([draw(made_region, k, 0).columns["baseline_exposure"] for k in range(1000)])
    near(drawn[:, 0], (0.1 + 0.3 + 0.9) / 3.0)
    near(drawn[:, 1], (0.8 + 0.9 + 1.0) / 3.0)
