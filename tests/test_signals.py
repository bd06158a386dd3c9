"""What each site would see month by month, against hand sums and sums written a second time."""

import csv
import importlib.util
import io
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.assessment.signals import expected_record, signals
from siting.outputs.stations import signals_csv
from siting.planning import plan_region
from siting.record.air import air_of

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

DAYS = 365.25 / 12.0
AIR = {
    "name": "CO2",
    "unit": "ppm",
    "scale": "invented",
    "growth": 2.0,
    "season": [
        {"lat": -30.0, "peak_to_trough": 2.0, "month_of_maximum": 10.0},
        {"lat": 50.0, "peak_to_trough": 12.0, "month_of_maximum": 4.5},
    ],
    "gradient": [{"lat": -90.0, "value": 0.0}, {"lat": 90.0, "value": 0.0}],
    "synoptic_sd": 1.2,
    "memory_days": 3.0,
    "slow_sd": 0.5,
    "slow_phi": 0.4,
}
FLASK = made.FLASK | {"repeatability": 0.2, "calibration_error": 0.1, "calibrations_per_month": 4.0}
ANALYZER = made.ANALYZER | {"repeatability": 0.05, "calibration_error": 0.04, "calibrations_per_month": 2.0}
CLEAN = {"baseline_exposure": 1.0, "contamination_risk": 0.0, "data_return": 1.0, "accepted_hours": 1.0}


def planned(rows, **more):
    rows = [{**CLEAN, "lat": 50.0, "lon": 10.0 * n, **row} for n, row in enumerate(rows)]
    return plan_region(made.region(rows, tracers=[AIR], plans=[FLASK, ANALYZER], **more))


def spread(samples, memory):
    """Variance of the mean of evenly spaced values of a chain of one day's memory, summed pair by pair."""
    gap = DAYS / samples
    pairs = np.abs(np.subtract.outer(np.arange(samples), np.arange(samples)))
    return float(np.exp(-gap * pairs / memory).sum()) / samples**2


def test_the_error_of_a_month_of_four_flasks_is_the_hand_sum():
    # Source: design of the record: repeatability^2 / n + calibration^2 / k + weather that n samples miss, by hand.
    planning = planned([{"id": "a"}])
    (one,) = signals(planning, made.picks(planning, ("a", "f", 2030)))
    wanted = math.sqrt(0.2**2 / 4 + 0.1**2 / 4 + 1.2**2 * spread(4, 3.0))
    assert one.error == pytest.approx(np.full(36, wanted), rel=1e-9)
    assert one.scatter == pytest.approx(np.sqrt(one.error**2 + 0.5**2), rel=1e-12)


def test_flasks_that_may_miss_a_month_count_by_the_chances_of_each_number():
    # Source: binomial sums by hand, four visits of which each gives a sample with the chance 1/2.
    planning = planned([{"id": "a", "data_return": 0.5}])
    (one,) = signals(planning, made.picks(planning, ("a", "f", 2030)))
    chance = [math.comb(4, n) * 0.5**4 for n in range(5)]
    inverse = sum(chance[n] / n for n in range(1, 5)) / (1.0 - chance[0])
    own = 0.2**2 * inverse + 0.1**2 / 4
    n = 1.0 / inverse
    a = math.exp(-DAYS / (n * 3.0))
    weather = ((1 + a) / (1 - a) - 2 * a * (1 - a**n) / (n * (1 - a) ** 2)) / n
    wanted = math.sqrt((own + 1.2**2 * weather + 0.5**2 * chance[0]) / (1.0 - chance[0]))
    assert one.error[0] == pytest.approx(wanted, rel=1e-9)


def test_the_expected_record_holds_growth_and_season_as_they_were_assumed():
    # Source: least squares by another library; the season of the place in the table of the tracer.
    planning = planned([{"id": "a"}], years=4)
    (one,) = signals(planning, made.picks(planning, ("a", "f", 2030)))
    t = (one.month + 0.5) / 12.0
    p = 2.0 * np.pi * t
    (_, growth, cos, sin), *_ = np.linalg.lstsq(
        np.column_stack([np.ones(t.size), t, np.cos(p), np.sin(p)]), one.expected, rcond=None
    )
    assert growth == pytest.approx(2.0)
    assert 2.0 * math.hypot(cos, sin) == pytest.approx(12.0)
    assert math.atan2(sin, cos) * 12.0 / (2.0 * math.pi) + 0.5 == pytest.approx(4.5), "month of the maximum"


def test_a_site_shows_its_place_in_the_gradient_against_the_mean_of_the_earth():
    # Source: a straight line in latitude is antisymmetric: its mean over the earth is its value at the equator.
    rows = [{"id": "s", "lat": -90.0}, {"id": "e", "lat": 0.0}, {"id": "n", "lat": 60.0}]
    air = AIR | {"growth": 0.0, "gradient": [{"lat": -90.0, "value": -4.5}, {"lat": 90.0, "value": 4.5}]}
    planning = plan_region(made.region(rows, tracers=[air], plans=[FLASK]))
    found = signals(planning, made.picks(planning, *((row["id"], "f", 2030) for row in rows)))
    assert {one.id: round(float(one.expected.mean()), 6) for one in found} == {"s": -4.5, "e": 0.0, "n": 3.0}


def test_only_months_with_a_sample_have_a_value():
    planning = planned([{"id": "a", "open_months": "Nov-Feb"}])
    (one,) = signals(planning, made.picks(planning, ("a", "f", 2031)))
    assert [int(m) for m in one.month] == [m for m in range(12, 36) if m % 12 in (10, 11, 0, 1)]


def test_a_running_station_is_told_and_with_a_new_instrument_the_better_of_both():
    place = {**CLEAN, "id": "r", "lat": 50.0, "lon": 0.0}
    running = {**place, "status": "running", "running_since": 2020.0, "running_plan": "f", "plans": "a"}
    planning = plan_region(made.region([running], tracers=[AIR], plans=[FLASK, ANALYZER], stock={"analyzers": 1}))
    none = np.empty(0, dtype=np.int64)
    (old,) = signals(planning, none)
    (new,) = signals(planning, made.picks(planning, ("r", "a", 2031)))
    assert (old.picked, new.picked) == (False, True)
    assert new.month.size == old.month.size == 36
    assert new.error[:12] == pytest.approx(old.error[:12]), "flasks alone in the first year"
    assert (new.error[12:] < old.error[12:]).all()


def test_of_two_instruments_the_better_one_tells_the_month():
    both = made.BOTH
    rows = [{**CLEAN, "id": "a", "lat": 50.0, "lon": 0.0}]
    planning = plan_region(made.region(rows, tracers=[AIR], plans=[FLASK, ANALYZER, both], stock={"analyzers": 1}))
    errors = {plan: signals(planning, made.picks(planning, ("a", plan, 2030)))[0].error for plan in ("f", "a", "b")}
    assert errors["b"] == pytest.approx(np.minimum(errors["a"], errors["f"]))
    assert (errors["a"] < errors["f"]).all()


@settings(deadline=None, max_examples=30)
@given(st.lists(st.tuples(st.floats(-90, 90), st.floats(0.1, 1.0)), min_size=1, max_size=5), st.integers(1, 6))
def test_a_track_sees_the_mean_of_its_positions_weighted_by_time(positions, years):
    # Source: the record of each position alone, averaged.
    air = air_of(made.settings(tracers=[AIR]).tracers[0])
    lat = np.array([p[0] for p in positions])
    weight = np.array([p[1] for p in positions])
    weight /= weight.sum()
    whole = expected_record(air, lat, weight, 12 * years)
    alone = sum(
        w * expected_record(air, np.array([x]), np.ones(1), 12 * years) for x, w in zip(lat, weight, strict=True)
    )
    assert whole == pytest.approx(alone, abs=1e-9)
    assert whole[12:] - whole[:-12] == pytest.approx(np.full(12 * years - 12, 2.0))


def test_the_file_holds_a_row_for_each_site_and_month():
    planning = planned([{"id": "b"}, {"id": "a", "lat": -30.0}])
    found = signals(planning, made.picks(planning, ("a", "f", 2030), ("b", "a", 2031)))
    rows = list(csv.DictReader(io.StringIO(signals_csv(found, 2030))))
    assert [one.id for one in found] == ["a", "b"]
    assert len(rows) == 36 + 24
    assert rows[36]["id"] == "b"
    assert rows[36]["date"] == "2031-01"
    assert {row["role"] for row in rows} == {"picked"}
    for row, value in zip(rows, np.concatenate([one.error for one in found]), strict=True):
        assert float(row["error"]) == pytest.approx(value, abs=1e-6)
