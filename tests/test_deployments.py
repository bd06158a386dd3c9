"""Deployments: cost, first month, samples, flasks, score, and what is left out, against sums done by hand.

Hand sums have no source but arithmetic; where a check comes from outside it stands beside it. Every region
here is invented.
"""

import dataclasses
import importlib.util
import itertools
import json
import os
import subprocess
import sys
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from math import ceil, floor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.deployments import COST_KINDS, SCORE_PARTS, build_deployments, running_instruments, whole_cents
from siting.planning import plan_region

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

PLACE = {"id": "p", "lat": 10, "lon": 20}


def at(deployments, name):
    return deployments.ids.index(name)


def one(place, plan, year=2030, **given):
    """Return the deployments of a single place and the position of its plan and start year."""
    d = build_deployments(made.region([PLACE | place], **given))
    return d, at(d, f"p|{plan}|{year}")


def peaks(place, plan, year=2030, **given):
    """Return the flasks in circulation at the peak in each year of a single place's plan and start year."""
    planning = plan_region(made.region([PLACE | place], **given))
    k = at(planning.deployments, f"p|{plan}|{year}")
    return planning.supply.flasks[planning.supply.first[k]]


# -- cost ------------------------------------------------------------------------------------------


def test_cost_of_each_year_and_kind_is_the_hand_sum():
    """Opened 2031 with 3 months of preparation: 9/12 of the yearly cost in 2031, all of it in 2032."""
    plan = made.FLASK | {
        "capital_cost": 100.0,
        "setup_cost": 50.0,
        "annual_cost": 120.0,
        "sample_cost": 2.0,
        "crew_days": 3.0,
    }
    d, k = one(
        {"setup_cost": 30, "annual_cost": 24, "lead_months": 3},
        "f",
        2031,
        plans=[plan],
        budget={"total": 1e9, "crew_day_price": 8.0},
    )
    yearly = 120 + 24 + 3 * 8
    want = np.zeros((3, 4))
    want[1] = [100, 50 + 30, yearly * 9 / 12, 9 * 4 * 2]
    want[2] = [0, 0, yearly, 12 * 4 * 2]
    assert COST_KINDS == ("capital", "setup", "yearly", "samples", "cylinders")
    assert d.first_month[k] == 12 + 3
    np.testing.assert_array_equal(d.cost_cents[k, :, :4], (want * 100).astype(int))
    np.testing.assert_array_equal(d.yearly_cents()[k], (want.sum(axis=1) * 100).astype(int))


def test_prices_grow_each_year_and_contingency_and_overhead_multiply():
    """1000 a year x 1.1 x 1.2 is 1320.00 in the first year, x 1.05 each year: 1386.00 and 1455.30."""
    d, k = one(
        {},
        "f",
        plans=[made.FLASK | {"annual_cost": 1000.0}],
        budget={"total": 1e9, "contingency": 0.1, "overhead": 0.2, "price_growth": 0.05},
    )
    assert d.yearly_cents()[k].tolist() == [132000, 138600, 145530]


def test_prices_grow_from_the_first_year_of_the_window_not_from_the_start():
    d, k = one({}, "f", 2032, plans=[made.FLASK | {"setup_cost": 1000.0}], budget={"total": 1e9, "price_growth": 0.1})
    assert d.yearly_cents()[k].tolist() == [0, 0, 121000]


def test_setup_and_capital_fall_in_the_start_year_although_work_begins_later():
    plan = made.FLASK | {"setup_cost": 10.0, "capital_cost": 20.0, "annual_cost": 120.0}
    d, k = one({"permit_months": 14, "setup_cost": 5}, "f", plans=[plan])
    assert d.first_month[k] == 14
    assert d.cost_cents[k, :, :4].tolist() == [[2000, 1500, 0, 0], [0, 0, 10000, 0], [0, 0, 12000, 0]]


def test_money_is_rounded_half_up_once_for_all_kinds_together():
    """Two kinds of 0.005 are one cent, not two and not none; 0.125 and 0.12 are 0.245, half up 0.25."""
    amounts = np.array([[[0.005, 0.005, 0.0, 0.0], [0.125, 0.12, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0]]])
    cents = whole_cents(amounts)
    assert cents.sum(axis=2).tolist() == [[1, 25, 0]]
    assert cents.tolist() == [[[1, 0, 0, 0], [13, 12, 0, 0], [0, 0, 0, 0]]]


def test_thirds_of_a_cent_add_up_before_they_are_rounded():
    """Three kinds of 1/3 cent and one of half a cent are 1.5 cents: two cents, half up."""
    cents = whole_cents(np.array([[[1 / 300, 1 / 300, 1 / 300, 0.005]]]))
    assert cents.sum() == 2


@given(
    st.lists(
        st.lists(st.integers(0, 10**11), min_size=4, max_size=4),
        min_size=1,
        max_size=4,
    ),
    st.integers(1, 12),
)
def test_rounded_kinds_add_up_to_the_total_rounded_half_up(rows, parts):
    """Amounts in millionths of the currency over a whole number; against exact decimal arithmetic."""
    amounts = np.array([rows], dtype=float) / 1e6 / parts
    cents = whole_cents(amounts)
    for y, row in enumerate(rows):
        exact = Fraction(sum(row), 10**4 * parts)
        assert cents[0, y].sum() == floor(exact + Fraction(1, 2))
        for k, amount in enumerate(row):
            assert abs(cents[0, y, k] - Fraction(amount, 10**4 * parts)) <= 1


@settings(max_examples=40)
@given(
    st.integers(0, 10**7),
    st.integers(0, 200),
    st.integers(0, 300),
    st.integers(-50, 100),
    st.integers(0, 30),
)
def test_a_growing_price_is_the_exact_decimal_rounded_half_up(price, contingency, overhead, growth, lead):
    """Against Python's decimal module, an exact arithmetic outside the project."""
    d, _k = one(
        {"lead_months": lead},
        "f",
        plans=[made.FLASK | {"setup_cost": price / 100}],
        budget={
            "total": 1e9,
            "contingency": contingency / 100,
            "overhead": overhead / 100,
            "price_growth": 0.01 * growth,
        },
    )
    for year in range(3):
        d_k = at(d, f"p|f|{2030 + year}") if f"p|f|{2030 + year}" in d.ids else None
        if d_k is None:
            continue
        exact = Decimal(price) * (100 + contingency) * (100 + overhead) / 10**4
        exact *= (Decimal(100 + growth) / 100) ** year
        tie = exact * 2 % 1 == 0 and exact % 1 != 0
        want = int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP))
        assert d.yearly_cents()[d_k, year] == want or (not tie and abs(exact % 1 - Decimal("0.5")) < Decimal("1e-6"))


def test_a_joined_plan_costs_its_two_parts_and_its_own_prices_on_top():
    plans = [
        made.FLASK
        | {"capital_cost": 10.0, "setup_cost": 1.0, "annual_cost": 12.0, "sample_cost": 3.0, "crew_days": 1.0},
        made.ANALYZER | {"capital_cost": 200.0, "setup_cost": 20.0, "annual_cost": 120.0, "crew_days": 2.0},
        made.BOTH | {"capital_cost": 5.0, "setup_cost": 6.0, "annual_cost": 7.0, "sample_cost": 0.5, "crew_days": 4.0},
    ]
    d, k = one({}, "b", years=1, plans=plans, budget={"total": 1e9, "crew_day_price": 10.0})
    samples = 12 * 4
    assert d.cost_cents[k, :, :4].tolist() == [
        [100 * 215, 100 * 27, 100 * (12 + 120 + 7 + 10 * (1 + 2 + 4)), int(100 * samples * 3.5)]
    ]


def phased(**more):
    return {
        "id": "ph",
        "kind": "flask_then_analyzer",
        "analyzer_plan": "a",
        "flask_plan": "f",
        "analyzer_after_months": 18,
    } | more


PRICED = [
    made.FLASK | {"capital_cost": 10.0, "setup_cost": 1.0, "annual_cost": 12.0, "sample_cost": 3.0},
    made.ANALYZER | {"capital_cost": 200.0, "setup_cost": 20.0, "annual_cost": 120.0, "sample_cost": 1e6},
]


def test_a_plan_of_two_phases_pays_each_part_for_the_months_in_which_it_works():
    """Flasks January 2030 to June 2031, the analyzer from July 2031 on; its capital is paid in 2031."""
    d, k = one({}, "ph", plans=[*PRICED, phased()])
    assert (d.first_month[k], d.analyzer_month[k], d.flask_end[k]) == (0, 18, 18)
    assert d.cost_cents[k, :, :4].tolist() == [
        [1000, 100, 1200, 12 * 4 * 300],
        [20000, 2000, 600 + 6000, 6 * 4 * 300],
        [0, 0, 12000, 0],
    ]
    assert d.analyzers[k].tolist() == [0, 1, 1]
    assert (peaks({}, "ph", plans=[*PRICED, phased()]) > 0).tolist() == [True, True, False]
    assert d.laboratory[k].tolist() == [48, 24, 0]


def test_flasks_that_go_on_stay_beside_the_analyzer():
    d, k = one({}, "ph", plans=[*PRICED, phased(flasks_go_on=True)])
    assert (d.analyzer_month[k], d.flask_end[k]) == (18, 36)
    assert d.cost_cents[k, :, :4].tolist() == [
        [1000, 100, 1200, 14400],
        [20000, 2000, 1200 + 6000, 14400],
        [0, 0, 1200 + 12000, 14400],
    ]
    assert d.laboratory[k].tolist() == [48, 48, 48]


def test_the_analyzer_of_a_second_phase_comes_in_an_open_month():
    """Open January and February: 18 months after January 2030 is July 2031, so it comes in January 2032."""
    d, k = one({"open_months": "1,2"}, "ph", plans=[*PRICED, phased()])
    assert d.analyzer_month[k] == 24
    assert d.analyzers[k].tolist() == [0, 0, 1]
    assert d.cost_cents[k, :, 0].tolist() == [1000, 0, 20000]
    assert d.laboratory[k].tolist() == [8, 8, 0]
    d = build_deployments(made.region([PLACE | {"open_months": "1,2"}], years=2, plans=[*PRICED, phased()]))
    assert "p|ph|2030" not in d.ids  # an analyzer that stands there and never works is not offered


def test_a_second_phase_that_would_come_after_the_window_is_not_offered():
    d, _ = one({}, "f", years=2, plans=[*PRICED, phased()])
    assert f"p|ph|{2030}" in d.ids
    assert "p|ph|2031" not in d.ids  # its analyzer would come in July 2032
    d, _ = one({}, "f", years=1, plans=[*PRICED, phased()])
    assert [(x.plan, x.reason) for x in d.left_out] == [("ph", "could not begin within the window")]


@settings(max_examples=30)
@given(
    st.sampled_from(["capital_cost", "setup_cost", "annual_cost", "sample_cost", "crew_days"]),
    st.sampled_from(["f", "a", "b", "ph"]),
    st.floats(0, 5000),
    st.integers(0, 11),
)
def test_no_cost_falls_when_a_price_rises(field, plan, more, lead):
    plans = [made.FLASK, made.ANALYZER, made.BOTH, phased()]
    budget = {"total": 1e9, "crew_day_price": 3.0, "contingency": 0.07}
    place = [PLACE | {"lead_months": lead}]
    raised = [p | {field: more} if p["id"] == plan else p for p in plans]
    before = build_deployments(made.region(place, plans=plans, budget=budget))
    after = build_deployments(made.region(place, plans=raised, budget=budget))
    assert before.ids == after.ids
    assert (after.cost_cents >= before.cost_cents).all()


# -- first month -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("permit", "lead", "months", "year", "want"),
    [
        (0, 0, "all", 2030, 0),
        (2, 3, "all", 2030, 5),
        (2, 3, "Jun", 2030, 5),
        (2, 4, "Jun", 2030, 12 + 5),  # ready in July, so June of the next year
        (0, 0, "Nov-Feb", 2030, 0),
        (0, 2, "Nov-Feb", 2030, 10),
        (11, 0, "Nov-Feb", 2030, 11),
        (12, 0, "Nov-Feb", 2030, 12),
        (0, 11, "Jan", 2031, 24),
        (0, 12, "Dec", 2030, 23),
        (10, 15, "Feb", 2030, 25),
    ],
)
def test_the_first_month_is_january_plus_permits_plus_preparation_then_the_next_open_month(
    permit, lead, months, year, want
):
    d, k = one({"permit_months": permit, "lead_months": lead, "open_months": months}, "f", year)
    assert d.first_month[k] == want
    assert d.left[k] == pytest.approx((36 - want) / 36)


def test_a_start_beyond_the_window_is_left_out_and_a_place_without_any_start_is_named():
    d = build_deployments(made.region([PLACE | {"lead_months": 24}]))
    assert d.ids == ("p|f|2030",)
    assert d.left_out == ()
    d = build_deployments(made.region([PLACE | {"lead_months": 36}]))
    assert d.ids == ()
    assert [(x.candidate, x.plan, x.reason) for x in d.left_out] == [("p", "f", "could not begin within the window")]


def test_a_wait_for_the_next_open_month_can_go_over_the_end_of_the_window():
    """Ready in December 2032, open in January only: January 2033 is outside 2030-2032."""
    d = build_deployments(made.region([PLACE | {"lead_months": 35, "open_months": "Jan"}]))
    assert d.ids == ()


# -- samples ---------------------------------------------------------------------------------------


def test_an_analyzer_keeps_the_clean_hours_that_come_home():
    """A month has 365.25 x 24 / 12 = 730.5 hours."""
    d, k = one({"baseline_exposure": 0.4, "data_return": 0.9}, "a", plans=[made.ANALYZER])
    assert d.samples[k] == pytest.approx(365.25 * 24 / 12 * 0.4 * 0.9, rel=1e-12)
    assert d.laboratory[k].tolist() == [0, 0, 0]
    assert peaks({}, "a", plans=[made.ANALYZER]).tolist() == [0, 0, 0]


def test_fixed_flasks_are_filled_in_any_air_and_kept_in_clean_air():
    d, k = one({"baseline_exposure": 0.25, "data_return": 0.8}, "f")
    assert d.samples[k] == pytest.approx(4 * 0.25 * 0.8, rel=1e-12)
    assert d.laboratory[k].tolist() == [48, 48, 48]


CONDITION = made.FLASK | {"flask_mode": "on_condition", "samples_per_month": 6.0}


@pytest.mark.parametrize(("exposure", "filled"), [(0.9, 6.0), (0.5, 0.5 * 30.4375 / 4.0)])
def test_flasks_on_condition_are_as_many_as_there_are_spells_of_clean_air(exposure, filled):
    """A spell lasts 4 days: exposure .5 leaves 3.80 spells in a month of 30.4375 days, fewer than the 6 wanted."""
    d, k = one(
        {"baseline_exposure": exposure, "data_return": 0.8}, "f", plans=[CONDITION | {"sample_cost": 1.0}], years=1
    )
    assert d.samples[k] == pytest.approx(filled * 0.8, rel=1e-12)
    assert d.laboratory[k, 0] == ceil(12 * filled - 1e-9)
    assert d.cost_cents[k, 0, 3] == round(1200 * filled)


def test_spells_follow_the_exposure_of_each_month():
    """Six months at .9 fill the wanted 6, six at .2 only .2 x 30.4375 / 4 = 1.522."""
    months = {("p", m): {"exposure": 0.9 if m <= 6 else 0.2} for m in range(1, 13)}
    d = build_deployments(made.region([PLACE | {"data_return": 1.0}], months=months, plans=[CONDITION]))
    assert d.samples[0] == pytest.approx((6 * 6.0 + 6 * 0.2 * 30.4375 / 4) / 12, rel=1e-12)


def test_a_duty_cycle_thins_flasks_and_hours_alike():
    place = {"duty_cycle": 0.5, "baseline_exposure": 0.6, "data_return": 1.0}
    plans = [made.FLASK | {"sample_cost": 1.0}, made.ANALYZER]
    d, k = one(place, "a", plans=plans)
    assert d.samples[k] == pytest.approx(730.5 * 0.6 / 2)
    f = at(d, "p|f|2030")
    assert d.samples[f] == pytest.approx(4 * 0.6 / 2)
    assert d.laboratory[f].tolist() == [24, 24, 24]
    assert d.cost_cents[f, 0, 3] == 2400


def test_a_seasonal_place_is_judged_on_its_open_months_only():
    """Open January and February; clean in those, dirty in the rest of the year."""
    months = {("p", m): {"exposure": 0.8 if m <= 2 else 0.1, "risk": 0.02 if m <= 2 else 0.6} for m in range(1, 13)}
    place = PLACE | {"open_months": "1,2", "data_return": 0.5}
    d = build_deployments(made.region([place], months=months, plans=[made.FLASK | {"sample_cost": 1.0}]))
    assert d.samples[0] == pytest.approx(4 * 0.8 * 0.5)
    assert d.attributes[0].tolist() == pytest.approx([0.8, 0.02, 1.6, 0.5, 0.5])
    assert d.laboratory[0].tolist() == [8, 8, 8]
    assert d.cost_cents[0, :, 3].tolist() == [800, 800, 800]


def test_a_short_first_year_fills_fewer_flasks():
    d, k = one({"lead_months": 7, "open_months": "May-Sep"}, "f", plans=[made.FLASK])
    assert d.laboratory[k].tolist() == [2 * 4, 5 * 4, 5 * 4]  # August and September, then whole seasons


def test_samples_of_two_phases_are_the_mean_over_all_open_months():
    """18 months of flasks, then 18 of an analyzer."""
    d, k = one({"baseline_exposure": 0.5, "data_return": 1.0}, "ph", plans=[made.FLASK, made.ANALYZER, phased()])
    assert d.samples[k] == pytest.approx((18 * 4 * 0.5 + 18 * 730.5 * 0.5) / 36)
    d, k = one(
        {"baseline_exposure": 0.5, "data_return": 1.0},
        "ph",
        plans=[made.FLASK, made.ANALYZER, phased(flasks_go_on=True)],
    )
    assert d.samples[k] == pytest.approx((36 * 4 * 0.5 + 18 * 730.5 * 0.5) / 36)


def test_both_instruments_add_their_samples():
    d, k = one({"baseline_exposure": 0.5, "data_return": 1.0}, "b", plans=[made.FLASK, made.ANALYZER, made.BOTH])
    assert d.samples[k] == pytest.approx((4 + 730.5) * 0.5)
    assert d.has_analyzer[k]
    assert d.has_flask[k]


@settings(max_examples=40)
@given(
    st.integers(0, 30), st.integers(0, 12), st.sets(st.integers(1, 12), min_size=1), st.sampled_from(["f", "a", "b"])
)
def test_a_later_start_never_brings_more_samples_or_more_of_the_window(lead, permit, months, plan):
    plans = [made.FLASK | {"sample_cost": 1.0}, made.ANALYZER, made.BOTH]
    place = PLACE | {
        "lead_months": lead,
        "permit_months": permit,
        "open_months": ",".join(map(str, sorted(months))),
    }
    d = build_deployments(made.region([place], plans=plans, years=4))
    mine = [k for k, name in enumerate(d.ids) if name.split("|")[1] == plan]
    assert [d.start_year[k] for k in mine] == sorted(d.start_year[k] for k in mine)
    for early, late in itertools.pairwise(mine):
        assert d.first_month[early] <= d.first_month[late]
        assert d.left[early] >= d.left[late]
        assert (d.laboratory[early] >= d.laboratory[late]).all()
        working = [sum((m % 12) + 1 in months for m in range(d.first_month[k], 48)) for k in (early, late)]
        assert d.samples[early] * working[0] >= d.samples[late] * working[1] - 1e-9
    assert ((d.left > 0) & (d.left <= 1)).all()


# -- flasks ----------------------------------------------------------------------------------------


def on_the_road(rate, visits, way_days, laboratory_days, years=40):
    """Simulate flasks day by day: (mean, peak) in circulation once the round is under way.

    At each call the flasks for the time until the next call are put ashore and the filled ones taken
    along; home by `way_days`, back out after the laboratory, so that each is away for the interval,
    two ways and the laboratory. Independent of the formula: events only.
    """
    interval = Fraction(1461, 4) / visits
    batch = Fraction(rate) / visits
    events = []
    calls = int(years * visits)
    for n in range(calls):
        put = n * interval
        events.append((put, batch))  # ashore, empty and then full
        events.append((put + interval + 2 * way_days + laboratory_days, -batch))
    # A flask that comes back at the very moment of a call is there for it: returns first.
    events.sort()
    begin, end = years * Fraction(1461, 4) / 2, (calls - 1) * interval
    now, since, area, peak = Fraction(0), Fraction(0), Fraction(0), Fraction(0)
    for when, change in events:
        if when > end:
            break
        if when > begin:
            area += now * (when - max(since, begin))
        now, since = now + change, when
        if when >= begin:
            peak = max(peak, now)
    area += now * (end - since)
    return float(area / (end - begin)), float(peak)


def test_a_yearly_call_keeps_138_flasks_on_the_road_and_208_at_the_peak():
    """104 flasks a year, one call a year, 30 days each way, 60 in the laboratory.

    Mean = rate x time away (Little 1961, Operations Research 9, 383): 104 x (365.25 + 60 + 60) / 365.25 =
    138.2; the peak is two batches of 104. Checked by the simulation, too.
    """
    mean, peak = on_the_road(104, 1, 30, 60)
    assert mean == pytest.approx(104 * (365.25 + 120) / 365.25, rel=2e-3)
    assert round(mean) == 138
    assert peak == 208
    plan = made.FLASK | {"samples_per_month": 104 / 2 / 12}
    laboratory = {"turnaround_days": 60.0, "way_days": 30.0}
    assert peaks({"visits_per_year": 1}, "f", plans=[plan], laboratory=laboratory).tolist() == [208, 208, 208]


@pytest.mark.parametrize(
    ("visits", "way", "laboratory", "per_month", "per_sample"),
    [
        (12, 30, 30, 4.0, 2),
        (1, 30, 60, 4.5, 2),
        (2, 0, 0, 4.0, 2),
        (4, 45, 20, 8.0, 1),
        (6, 120, 90, 2.0, 3),
        (26, 10, 20, 4.0, 2),
    ],
)
def test_the_peak_of_flasks_is_that_of_a_simulation_by_days(visits, way, laboratory, per_month, per_sample):
    plan = made.FLASK | {"samples_per_month": per_month, "flasks_per_sample": per_sample}
    found = peaks(
        {"visits_per_year": visits},
        "f",
        plans=[plan],
        laboratory={"turnaround_days": float(laboratory), "way_days": float(way)},
    )
    mean, peak = on_the_road(Fraction(per_month).limit_denominator(100) * 12 * per_sample, visits, way, laboratory)
    assert found[1] == ceil(peak - 1e-9)
    assert found[1] >= mean


def test_flasks_of_a_place_are_in_use_from_its_first_year_with_the_peak_of_a_full_year():
    found = peaks({"lead_months": 20}, "f", plans=[made.FLASK])
    assert found.tolist() == [0, found[2], found[2]]
    assert found[2] > 0


# -- what is not offered ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("place", "plan", "reason"),
    [
        ({"status": "excluded"}, "", "excluded by its status"),
        ({"baseline_exposure": 0.05}, "", "exposure 0.05 is below the least of 0.1"),
        ({"contamination_risk": 0.7}, "", "contamination risk 0.70 is above the greatest of 0.6"),
        ({"power": "none"}, "a", "needs power and there is none"),
        ({"staffed": False}, "f", "needs people and there are none"),
        ({"platform": "moored"}, "a", "does not fit a platform of kind moored"),
    ],
)
def test_what_is_not_offered_is_named_with_its_reason(place, plan, reason):
    plans = [made.FLASK | {"needs_staff": True}, made.ANALYZER | {"platforms": ["fixed", "ship"]}]
    d = build_deployments(
        made.region([PLACE | place], plans=plans, score={"least_exposure": 0.1, "greatest_risk": 0.6})
    )
    assert [(x.candidate, x.plan, x.reason) for x in d.left_out] == [("p", plan, reason)]
    offered = {name.split("|")[1] for name in d.ids}
    assert offered == (set() if plan == "" else {"a", "f"} - {plan})


@pytest.mark.parametrize("limit", [0.1, 0.2, 0.3, 0.6, 0.7])
@pytest.mark.parametrize("months", ["all", "1-7", "2,5,9"])
def test_a_place_at_the_very_limit_of_a_veto_is_offered(limit, months):
    """The mean of equal months is that number, whatever the last bits of the sum are."""
    place = PLACE | {"baseline_exposure": limit, "contamination_risk": limit, "open_months": months}
    d = build_deployments(made.region([place], score={"least_exposure": limit, "greatest_risk": limit}))
    assert len(d) == 3


def test_flasks_need_no_power_unless_the_plan_says_so_and_an_analyzer_may_do_without():
    plans = [made.FLASK | {"needs_power": True}, made.ANALYZER | {"needs_power": False}, made.FLASK | {"id": "g"}]
    d = build_deployments(made.region([PLACE | {"power": "none"}], plans=plans))
    assert {name.split("|")[1] for name in d.ids} == {"a", "g"}


def test_a_place_offers_the_plans_that_its_row_names():
    plans = [made.FLASK, made.ANALYZER, made.BOTH]
    d = build_deployments(made.region([PLACE | {"plans": ["b", "f"]}], plans=plans, years=1))
    assert d.ids == ("p|b|2030", "p|f|2030")
    assert d.left_out == ()


def test_running_stations_are_sunk_and_offer_only_the_plans_that_they_name():
    places = [
        PLACE | {"status": "running", "running_since": 2010},
        PLACE | {"id": "q", "status": "running", "running_since": 2010, "plans": "a", "annual_cost": 5},
    ]
    d = build_deployments(made.region(places, plans=[made.FLASK, made.ANALYZER], years=1))
    assert d.ids == ("q|a|2030",)
    assert d.left_out == ()


def test_a_running_station_has_the_instruments_of_its_plan_or_method_else_flasks():
    plans = [made.FLASK | {"method": "glass"}, made.ANALYZER | {"method": "laser"}, made.BOTH]
    run = {"status": "running", "running_since": 2010}
    places = [
        PLACE | run | {"id": "by plan", "running_plan": "b"},
        PLACE | run | {"id": "by method", "method": "laser"},
        PLACE | run | {"id": "unknown"},
        PLACE | {"id": "not running"},
    ]
    made_region = made.region(places, plans=plans, methods=[{"id": "glass"}, {"id": "laser"}])
    found = dict(zip(made_region.candidates.ids, running_instruments(made_region).tolist(), strict=True))
    assert found == {
        "by plan": [True, True],
        "by method": [True, False],
        "unknown": [False, True],
        "not running": [False, False],
    }


def test_a_layout_that_was_given_is_offered_whatever_the_veto_says_and_the_reason_is_kept():
    region = made.region(
        [PLACE | {"status": "excluded"}, PLACE | {"id": "q", "plans": "a"}], plans=[made.FLASK, made.ANALYZER]
    )
    d = build_deployments(region, frozenset({(0, 0), (1, 0)}))
    assert "p|f|2030" in d.ids
    assert "q|f|2030" in d.ids
    assert {(x.candidate, x.plan) for x in d.left_out} == {("p", ""), ("q", "f")}


# -- gases -----------------------------------------------------------------------------------------


def test_contamination_counts_for_the_gases_that_a_plan_measures():
    tracers = [{"name": n, "unit": "ppb", "scale": "invented"} for n in ("XX", "YY", "ZZ")]
    plans = [
        made.FLASK | {"id": "all"},
        made.FLASK | {"id": "x", "gases": ["XX"]},
        made.FLASK | {"id": "yz", "gases": ["ZZ", "YY"]},
    ]
    region = made.region([PLACE], tracers=tracers, plans=plans, years=1)
    region = made.with_risk(region, np.array([0.1, 0.2, 0.4])[:, None, None] * np.ones((3, 1, 12)))
    d = build_deployments(region)
    risk = {name.split("|")[1]: d.attributes[k, 1] for k, name in enumerate(d.ids)}
    assert risk == pytest.approx({"all": 0.4, "x": 0.1, "yz": 0.4})


def test_spells_of_clean_air_are_those_of_the_first_tracer():
    tracers = [
        {"name": "XX", "unit": "ppb", "scale": "invented", "spell_days": 10.0},
        {"name": "YY", "unit": "ppb", "scale": "invented", "spell_days": 2.0},
    ]
    d, k = one({"baseline_exposure": 0.5, "data_return": 1.0}, "f", tracers=tracers, plans=[CONDITION])
    assert d.samples[k] == pytest.approx(0.5 * 30.4375 / 10)


# -- score -----------------------------------------------------------------------------------------


def test_the_score_of_a_flask_site_is_the_hand_sum():
    """Exposure .35 is worth .5; risk .1 .8; 4 x .35 x .95 = 1.33 samples .266; return .95 1; host .6 .6."""
    place = {"baseline_exposure": 0.35, "contamination_risk": 0.1, "data_return": 0.95, "host_strength": 0.6}
    d, k = one(place, "f", 2031)
    assert SCORE_PARTS == ("exposure", "contamination", "clean_samples", "data_return", "host")
    assert d.attributes[k] == pytest.approx([0.35, 0.1, 1.33, 0.95, 0.6])
    assert d.values[k] == pytest.approx([0.5, 0.8, 0.266, 1.0, 0.6])
    score = 100 * (0.35 * 0.5 + 0.25 * 0.8 + 0.20 * 0.266 + 0.10 * 1.0 + 0.10 * 0.6)
    assert d.score[k] == pytest.approx(score)
    assert d.worth[k] == pytest.approx((score - 50) * 2 / 3)


def test_value_functions_are_straight_between_their_points_and_flat_beyond():
    weights = {"exposure": 1.0, "contamination": 0.0, "clean_samples": 0.0, "data_return": 0.0, "host": 0.0}
    values = {"exposure": [(0.2, 0.1), (0.4, 0.5), (0.6, 0.3)]}
    for exposure, want in [(0.0, 10), (0.2, 10), (0.3, 30), (0.4, 50), (0.5, 40), (0.6, 30), (0.9, 30)]:
        d, k = one({"baseline_exposure": exposure}, "f", score={"weights": weights, "values": values})
        assert d.score[k] == pytest.approx(want)


@settings(max_examples=60)
@given(
    st.floats(0, 1),
    st.floats(0, 1),
    st.floats(0, 1),
    st.floats(0, 1),
    st.floats(0, 1),
    st.sampled_from(["f", "a", "b"]),
)
def test_scores_lie_between_0_and_100(exposure, risk, back, host, duty, plan):
    place = {
        "baseline_exposure": exposure,
        "contamination_risk": risk,
        "data_return": back,
        "host_strength": host,
        "duty_cycle": duty,
    }
    d, k = one(place, plan, plans=[made.FLASK, made.ANALYZER, made.BOTH])
    assert -1e-9 <= d.score[k] <= 100 + 1e-9
    assert ((d.values >= 0) & (d.values <= 1)).all()


# -- order -----------------------------------------------------------------------------------------


def several():
    rng = np.random.default_rng(5)
    return [
        {
            "id": name,
            "lat": float(rng.uniform(-80, 80)),
            "lon": float(rng.uniform(-180, 180)),
            "baseline_exposure": float(rng.uniform(0.1, 0.9)),
            "annual_cost": float(rng.integers(10, 99)),
            "lead_months": int(rng.integers(0, 20)),
        }
        for name in ("k", "b", "Z", "a", "10", "9", "ö")
    ]


@settings(max_examples=15)
@given(st.permutations(range(7)), st.permutations(range(3)))
def test_the_order_of_rows_changes_nothing(rows, plan_order):
    plans = [made.FLASK | {"annual_cost": 3.0}, made.ANALYZER, made.BOTH]
    places = several()
    first = build_deployments(made.region(places, plans=plans))
    other = build_deployments(made.region([places[i] for i in rows], plans=[plans[i] for i in plan_order]))
    assert first.ids == other.ids
    for field in dataclasses.fields(first):
        a, b = getattr(first, field.name), getattr(other, field.name)
        if isinstance(a, np.ndarray) and field.name != "plan":
            np.testing.assert_array_equal(a, b, err_msg=field.name)
    keys = [(name.split("|")[0], name.split("|")[1], int(name.split("|")[2])) for name in first.ids]
    assert keys == sorted(keys)


def test_arrays_cannot_be_written_to():
    d = build_deployments(made.region(several()))
    for field in dataclasses.fields(d):
        value = getattr(d, field.name)
        if isinstance(value, np.ndarray):
            assert not value.flags.writeable, field.name


SCRIPT = """
import importlib.util, json, sys
spec = importlib.util.spec_from_file_location("t", sys.argv[1])
t = importlib.util.module_from_spec(spec); spec.loader.exec_module(t)
from siting.deployments import build_deployments
d = build_deployments(t.made.region(t.several(), plans=[t.made.FLASK, t.made.ANALYZER, t.made.BOTH]))
print(json.dumps([d.ids, d.score.tolist(), d.cost_cents.tolist(), d.worth.tolist()]))
"""


def test_the_hash_seed_changes_nothing():
    told = []
    for seed in ("1", "2"):
        run = subprocess.run(
            [sys.executable, "-c", SCRIPT, __file__],
            env=os.environ | {"PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        )
        told.append(json.loads(run.stdout))
    assert told[0] == told[1]
    assert len(told[0][0]) > 20
