"""Cylinders of analyzer sites: how long they last, how many travel, what they cost, what they add to an error.

Hand sums have no source but arithmetic. That cylinders go out full, come home at the end of their life to be measured
once more, and that a value given by the laboratory stays for the life of a cylinder is common practice, no single
source. Every region here is invented.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.calibration import calibration_plan, cylinder_life
from siting.deployments import COST_KINDS, build_deployments
from siting.record.records import RecordModel
from siting.region.schema.network import Plan, Supply

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
net = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(net)
made, model_of, errors = net.made, net.model_of, net.errors

FLOW = {"flow_l_per_minute": 0.3, "calibration_minutes": 15.0, "calibrations_per_month": 8.0}
CYLINDERS = COST_KINDS.index("cylinders")
PLACE = {"id": "p", "lat": 10, "lon": 20}
# Four cylinders that last a year each: three working ones and the target gas.
YEARLY = made.ANALYZER | {"cylinder_life_months": 12.0, "target_checks_per_month": 8.0}
PHASES = {"id": "ph", "kind": "flask_then_analyzer", "analyzer_plan": "a", "flask_plan": "f",
          "analyzer_after_months": 18}  # fmt: skip


def analyzer(**given):
    return Plan.model_validate(made.ANALYZER | given)


def one(place, plan, year=2030, **given):
    """Return the deployments of a single place and the position of its plan and start year."""
    d = build_deployments(made.region([PLACE | place], **given))
    return d, d.ids.index(f"p|{plan}|{year}")


# -- life and number -------------------------------------------------------------------------------


def test_4000_litres_at_300_ml_a_minute_15_minutes_twice_a_week_last_111_months():
    """0.3 x 15 x 8 = 36 L a month; 4000 / 36 = 111.1 months; three of them are 0.324 cylinders a year."""
    found = calibration_plan(analyzer(**FLOW), Supply(cylinder_litres=4000.0))
    assert found.life_months == pytest.approx(111.111, abs=1e-3)
    assert (found.working, found.first_set, found.target_months) == (3, 3, None)
    assert found.a_year == pytest.approx(0.324)


def test_the_target_gas_lasts_by_its_own_checks():
    """Two checks a day are 60 a month: 0.3 x 15 x 60 = 270 L a month; 4000 / 270 = 14.81 months, 0.81 a year."""
    found = calibration_plan(analyzer(**FLOW, target_checks_per_month=60.0), Supply(cylinder_litres=4000.0))
    assert found.target_months == pytest.approx(14.815, abs=1e-3)
    assert found.life_months == pytest.approx(111.111, abs=1e-3)
    assert found.first_set == 4
    assert found.a_year == pytest.approx(0.324 + 0.81)


def test_the_life_that_is_given_wins_over_the_flow_and_the_target_gas_keeps_its_own():
    found = calibration_plan(analyzer(**FLOW, cylinder_life_months=20.0, target_checks_per_month=60.0), Supply())
    assert found.life_months == 20.0
    assert found.target_months == pytest.approx(14.815, abs=1e-3)
    assert found.a_year == pytest.approx(3 * 0.6 + 0.81)


def test_without_a_flow_the_target_gas_lasts_as_long_as_the_working_cylinders():
    found = calibration_plan(Plan.model_validate(YEARLY), Supply())
    assert (found.life_months, found.target_months, found.first_set, found.a_year) == (12.0, 12.0, 4, 4.0)


def test_calibrations_that_are_not_counted_are_one_a_month():
    """As in the error of a month: 4000 / (0.5 x 20 x 1) = 400 months."""
    assert cylinder_life(analyzer(flow_l_per_minute=0.5, calibration_minutes=20.0), Supply()) == pytest.approx(400.0)


def test_nothing_is_counted_without_life_or_flow_nor_for_flasks():
    assert calibration_plan(analyzer(calibrations_per_month=8.0, target_checks_per_month=60.0), Supply()) is None
    assert calibration_plan(Plan.model_validate(made.FLASK | {"cylinder_life_months": 12.0}), Supply()) is None


def test_a_site_may_have_a_target_gas_alone():
    found = calibration_plan(analyzer(working_cylinders=0, cylinder_life_months=6.0), Supply())
    assert (found.first_set, found.a_year) == (0, 0.0)
    found = calibration_plan(Plan.model_validate(YEARLY | {"working_cylinders": 0}), Supply())
    assert (found.first_set, found.a_year) == (1, 1.0)


def test_the_cylinders_of_a_long_time_are_those_of_a_site_followed_run_by_run():
    """A site of two cylinders and a target gas followed for 300 years; a run may use the last of one and the next."""
    plan = analyzer(flow_l_per_minute=0.7, calibration_minutes=25.0, calibrations_per_month=30.0, working_cylinders=2,
                    target_checks_per_month=45.0)  # fmt: skip
    left, sent = [1300.0] * 3, 3
    for _month in range(12 * 300):
        for cylinder, runs in enumerate((30, 30, 45)):
            for _run in range(runs):
                left[cylinder] -= 0.7 * 25.0
                if left[cylinder] <= 0.0:
                    left[cylinder] += 1300.0
                    sent += 1
    found = calibration_plan(plan, Supply(cylinder_litres=1300.0))
    assert abs(found.first_set + 300 * found.a_year - sent) <= 3  # each of three may be just before its end


@given(
    st.floats(0.01, 50.0),
    st.floats(1.0, 700.0),
    st.floats(0.1, 100.0),
    st.just(0.0) | st.floats(0.01, 100.0),
    st.floats(10.0, 1e5),
)
def test_twice_the_flow_is_half_the_life_and_twice_the_cylinders(flow, minutes, calibrations, checks, litres):
    supply = Supply(cylinder_litres=litres)
    numbers = {"calibrations_per_month": calibrations, "target_checks_per_month": checks}
    slow = calibration_plan(analyzer(flow_l_per_minute=flow, calibration_minutes=minutes, **numbers), supply)
    for faster in (
        analyzer(flow_l_per_minute=2.0 * flow, calibration_minutes=minutes, **numbers),
        analyzer(flow_l_per_minute=flow, calibration_minutes=2.0 * minutes, **numbers),
    ):
        fast = calibration_plan(faster, supply)
        assert fast.life_months == pytest.approx(slow.life_months / 2.0)
        assert fast.a_year == pytest.approx(2.0 * slow.a_year)
        assert fast.first_set == slow.first_set


# -- cylinders and money by year -------------------------------------------------------------------


def test_the_first_set_goes_out_in_the_year_in_which_the_analyzer_starts():
    """Started July 2031: four cylinders, and half a year's four; then four a year."""
    d, k = one({"lead_months": 6}, "a", 2031, plans=[YEARLY], supply={"cylinder_cost": 100.0})
    assert d.analyzer_month[k] == 18
    assert d.cylinders[k].tolist() == [0.0, 6.0, 4.0]
    assert d.cost_cents[k, :, CYLINDERS].tolist() == [0, 60000, 40000]


def test_the_first_set_waits_for_permits_that_last_beyond_the_start_year():
    d, k = one({"permit_months": 15}, "a", 2030, plans=[YEARLY])
    assert d.cylinders[k].tolist() == [0.0, 4 + 4 * 9 / 12, 4.0]


def test_the_first_set_of_a_second_phase_goes_out_with_its_analyzer():
    plans = [made.FLASK, YEARLY, PHASES]
    d, k = one({}, "ph", plans=plans, supply={"cylinder_cost": 100.0})
    assert d.analyzer_month[k] == 18
    assert d.cylinders[k].tolist() == [0.0, 6.0, 4.0]
    assert d.cost_cents[k, :, CYLINDERS].tolist() == [0, 60000, 40000]
    d, k = one({}, "f", plans=plans, supply={"cylinder_cost": 100.0})
    assert not d.cylinders[k].any()


def test_cylinders_bear_contingency_overhead_and_the_growth_of_prices():
    """8 x 100 x 1.1 x 1.2 = 1056 in the first year; 4 x 100 x 1.32 x 1.05 = 554.40 in the second."""
    budget = {"total": 1e9, "contingency": 0.1, "overhead": 0.2, "price_growth": 0.05}
    d, k = one({}, "a", years=2, plans=[YEARLY], supply={"cylinder_cost": 100.0}, budget=budget)
    assert d.cost_cents[k, :, CYLINDERS].tolist() == [105600, 55440]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**5), st.integers(0, 14), st.floats(3.0, 60.0))
def test_cylinders_add_their_price_to_the_other_kinds_and_to_nothing_else(price, lead, life):
    plans = [
        made.FLASK | {"sample_cost": 3.0, "setup_cost": 7.0},
        made.ANALYZER | {"cylinder_life_months": life, "annual_cost": 120.0, "capital_cost": 11.0},
        made.BOTH,
        PHASES,
    ]
    place = {"lead_months": lead, "setup_cost": 5.0}
    free, _ = one(place, "a", plans=plans)
    paid, _ = one(place, "a", plans=plans, supply={"cylinder_cost": price})
    assert not free.cost_cents[:, :, CYLINDERS].any()
    np.testing.assert_array_equal(free.cylinders, paid.cylinders)
    np.testing.assert_array_equal(paid.yearly_cents(), paid.cost_cents.sum(axis=2))
    more = paid.yearly_cents() - free.yearly_cents()
    assert np.abs(more - 100.0 * price * paid.cylinders).max() <= 1.0  # rounded once a year in both


# -- flasks that compare methods -------------------------------------------------------------------


def test_comparison_flasks_travel_and_enter_the_laboratorys_samples_in_pairs():
    """48 samples of two flasks and 5 to compare: 101 flasks; 48 + 2.5 samples, so 51."""
    plans = [made.FLASK, made.ANALYZER, made.BOTH]
    d, k = one({}, "b", plans=plans, supply={"comparison_flasks_per_year": 5})
    assert d.travelling[k].tolist() == [101.0, 101.0, 101.0]
    assert d.laboratory[k].tolist() == [51, 51, 51]
    a = d.ids.index("p|a|2030")
    assert d.travelling[a].tolist() == [5.0, 5.0, 5.0]
    assert d.laboratory[a].tolist() == [3, 3, 3]
    f = d.ids.index("p|f|2030")
    assert d.travelling[f].tolist() == [96.0, 96.0, 96.0]
    assert d.laboratory[f].tolist() == [48, 48, 48]


def test_comparison_flasks_are_those_of_the_share_of_the_year_in_which_the_analyzer_works():
    """From July 2031 on, when the flasks of the first phase stop: 24 samples and 12 / 2 flasks to compare."""
    d, k = one({}, "ph", plans=[made.FLASK, made.ANALYZER, PHASES], supply={"comparison_flasks_per_year": 12})
    assert d.travelling[k].tolist() == [96.0, 48.0 + 6.0, 12.0]
    assert d.laboratory[k].tolist() == [48, 24 + 3, 6]


def test_without_comparison_only_filled_flasks_travel():
    d, k = one({}, "b", plans=[made.FLASK | {"flasks_per_sample": 3}, made.ANALYZER, made.BOTH])
    assert d.travelling[k].tolist() == [144.0, 144.0, 144.0]
    assert d.laboratory[k].tolist() == [48, 48, 48]


# -- what a cylinder adds to an error --------------------------------------------------------------


def cylinders(plan, months=36, first=0, **given):
    """Return what the record model says of the cylinders of a plan."""
    model = model_of([PLACE], plans=[plan], **given)
    records: RecordModel = model.records
    return records.cylinders(model.planning.region.settings.plans[0], months, first)


def test_the_offset_of_a_cylinder_is_its_transfer_error_and_its_drift_in_squares():
    """Drift .3 a year for 20 months ends at .5, mean square .25 / 3; transfer error .2 adds .04."""
    plan = made.ANALYZER | {"cylinder_life_months": 20.0}
    blocks, variance = cylinders(plan | {"cylinder_drift": 0.3, "transfer_error": 0.2})
    assert variance == pytest.approx(0.25 / 3 + 0.04)
    assert blocks.sum(axis=0).tolist() == [20, 16]
    assert cylinders(plan | {"cylinder_drift": 0.3})[1] == pytest.approx(0.25 / 3)
    blocks, variance = cylinders(plan | {"transfer_error": 0.2})
    assert variance == pytest.approx(0.04)
    assert blocks.sum(axis=0).tolist() == [20, 16]
    assert cylinders(plan) is None
    assert cylinders(made.ANALYZER | {"transfer_error": 0.2}) is None


def test_a_life_below_a_month_is_one_cylinder_a_month():
    blocks, _ = cylinders(made.ANALYZER | {"cylinder_life_months": 1e-9, "transfer_error": 0.2})
    np.testing.assert_array_equal(blocks, np.eye(36))


def test_the_error_of_a_cylinder_is_that_of_the_first_gas_only():
    plan = made.ANALYZER | {"cylinder_life_months": 20.0, "transfer_error": 0.2}
    other = net.CO2 | {"name": "CH4", "unit": "ppb"}
    region = made.region([PLACE], plans=[plan | {"gases": ["CH4", "CO2"]}], tracers=[net.CO2, other])
    for tracer, counts in ((0, False), (1, True)):
        model = net.TracerModel(net.plan_region(region), tracer, net.airs(region)[tracer], net.Mixing(degree=3))
        assert (model.records.cylinders(region.settings.plans[0], 36, 0) is not None) == counts


def with_analyzer(**changes):
    return [net.PLANS[0] | changes, *net.PLANS[1:]]


@pytest.fixture(scope="module")
def wide():
    """Return the errors of every target of a whole layout (fixed sites, a ship, two phases) for an analyzer plan."""

    def found(plans, **given):
        model = model_of(net.SITES, plans=plans, **given)
        return errors(model, made.picks(model.planning, *net.PICKS))

    return found


def test_a_transfer_error_is_a_drift_of_equal_mean_square_for_fixed_sites_and_ships(wide):
    """Life 10 months: drift d ends at 10 d / 12, mean square (10 d / 12)^2 / 3, so transfer error t is a drift of
    1.2 sqrt(3) t. The drift itself is checked against a dense implementation in test_field_posterior."""
    drift = 1.2 * np.sqrt(3.0) * 0.15
    alone = wide(with_analyzer(cylinder_drift=None, transfer_error=0.15))
    assert alone == pytest.approx(wide(with_analyzer(cylinder_drift=drift)), rel=1e-9)
    joined = wide(with_analyzer(cylinder_drift=0.1, transfer_error=0.15))
    assert joined == pytest.approx(wide(with_analyzer(cylinder_drift=float(np.hypot(0.1, drift)))), rel=1e-9)
    assert (joined > alone).all()


def test_a_life_that_follows_from_the_flow_counts_as_one_that_is_given(wide):
    """4000 L / (1 L/min x 20 min x 20 a month) = 10 months; the calibrations average down alike in both."""
    numbers = {"calibrations_per_month": 20.0, "transfer_error": 0.1}
    flow = with_analyzer(cylinder_life_months=None, flow_l_per_minute=1.0, calibration_minutes=20.0, **numbers)
    assert wide(flow) == pytest.approx(wide(with_analyzer(**numbers)), rel=1e-12)


def test_cylinders_that_begin_later_are_told_apart_where_only_their_value_is_uncertain():
    """Two sites alike but for the month in which their analyzer starts: each has the error that it has alone."""
    plan = made.ANALYZER | {"cylinder_life_months": 7.0, "transfer_error": 0.4}
    sites = [PLACE, PLACE | {"id": "q", "lat": -60.0, "lead_months": 5}]
    model = model_of(sites, plans=[plan])
    picked = made.picks(model.planning, ("p", "a", 2030), ("q", "a", 2030))
    together = model.records.fixed(picked)
    for k, record in zip(picked, together, strict=True):
        alone = model.records.fixed(np.array([k]))[0]
        assert record.factor.T @ record.factor == pytest.approx(alone.factor.T @ alone.factor, rel=1e-9, abs=1e-9)


@settings(max_examples=12, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(2.0, 40.0))
def test_drift_and_transfer_error_only_ever_add_error(drift, transfer, more, life):
    def found(**changes):
        plan = made.ANALYZER | {"cylinder_life_months": life} | changes
        model = model_of([PLACE], plans=[plan])
        return errors(model, made.picks(model.planning, ("p", "a", 2030)))

    base = found(cylinder_drift=drift, transfer_error=transfer)
    for greater in (
        found(cylinder_drift=drift + more, transfer_error=transfer),
        found(cylinder_drift=drift, transfer_error=transfer + more),
    ):
        assert (greater >= base * (1.0 - 1e-9)).all()
