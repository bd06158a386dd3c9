"""Numbers of candidates that nobody gave, halved and doubled: what they move and what they leave (all invented)."""

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import pytest

from siting.arrays import read_only
from siting.assessment.precision import precision, target_errors
from siting.assessment.sensitivity import sensitivity
from siting.planning import plan_region
from siting.region.model import Origin, frozen_mapping

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

CO2 = [{"name": "CO2", "unit": "ppm", "scale": "invented"}]
PLANS = [{"id": "f", "kind": "flask", "samples_per_month": 4.0, "sample_cost": 10.0}, {"id": "a", "kind": "analyzer"}]
GIVEN = {"baseline_exposure": 0.8, "contamination_risk": 0.2, "contamination_size": 0.5, "data_return": 0.7,
         "intake_m": 20.0, "elevation_m": 100.0}  # fmt: skip
PICKS = [("east", "f", 2030), ("west", "f", 2030)]


def region_of(east, west, **more):
    sites = [{"id": "east", "lat": 40.0, "lon": 20.0, **east}, {"id": "west", "lat": -30.0, "lon": -100.0, **west}]
    return made.region(sites, tracers=CO2, plans=PLANS, mixing={"degree": 2}, **more)


def moved_of(region, picks=PICKS):
    planning = plan_region(region)
    picked = made.picks(planning, *picks)
    base = precision(planning, picked, years=False)
    return {m.name: m for m in sensitivity(planning, picked, base)}


def errors_of(region):
    planning = plan_region(region)
    return {target: e for (_, target), e in target_errors(planning, made.picks(planning, *PICKS)).items()}


def without(cells, *columns):
    return {name: value for name, value in cells.items() if name not in columns}


COLUMNS = {"baseline_exposure", "contamination_risk", "contamination_size", "data_return", "intake_m", "elevation_m",
           "accepted_hours", "duty_cycle", "setup_cost", "annual_cost"}  # fmt: skip


def test_what_is_given_everywhere_is_not_moved():
    assert not COLUMNS & set(moved_of(region_of(GIVEN, GIVEN)))


@pytest.mark.parametrize(
    ("column", "default", "halved", "doubled"),
    [("baseline_exposure", 0.5, 0.25, 1.0), ("contamination_risk", 0.1, 0.05, 0.2), ("data_return", 0.9, 0.45, 1.0),
     ("intake_m", 10.0, 5.0, 20.0)],
)  # fmt: skip
def test_an_assumed_column_moves_errors_as_a_region_with_half_or_double_of_it_has_them(
    column, default, halved, doubled
):
    # Independent: the same region written with the number in the cell, through the reading of candidates.
    moved = moved_of(region_of(without(GIVEN, column), GIVEN))
    assert COLUMNS & set(moved) == {column}
    one = moved[column]
    assert one.value == pytest.approx(default)
    assert one.origin == "assumed at east"
    for told, value in ((one.halved, halved), (one.doubled, doubled)):
        assert dict(told) == pytest.approx(errors_of(region_of(GIVEN | {column: value}, GIVEN)), rel=1e-12)
    now = errors_of(region_of(GIVEN | {column: default}, GIVEN))
    changes = [abs(e / now[t] - 1) for told in (one.halved, one.doubled) for t, e in told]
    assert one.largest == pytest.approx(max(changes))
    assert one.largest > 0.0


def test_all_cells_that_were_not_given_move_together_and_both_sites_are_named():
    bare = without(GIVEN, "data_return")
    one = moved_of(region_of(bare, bare))["data_return"]
    assert one.origin == "assumed at east, west"
    low = GIVEN | {"data_return": 0.45}
    assert dict(one.halved) == pytest.approx(errors_of(region_of(low, low)))


def test_exposure_given_by_the_month_stays_as_it_is():
    bare = without(GIVEN, "baseline_exposure")
    months = {("east", month): {"exposure": 0.3} for month in range(1, 7)}
    one = moved_of(region_of(bare, GIVEN, months=months))["baseline_exposure"]
    half = region_of(GIVEN | {"baseline_exposure": 0.25}, GIVEN, months=months)
    assert dict(one.halved) == pytest.approx(errors_of(half))
    all_year = {("east", month): {"exposure": 0.3} for month in range(1, 13)}
    assert "baseline_exposure" not in moved_of(region_of(bare, GIVEN, months=all_year))


def test_doubled_exposure_never_exceeds_the_accepted_hours():
    bare = without(GIVEN, "baseline_exposure") | {"accepted_hours": 0.4}
    one = moved_of(region_of(bare, GIVEN))["baseline_exposure"]
    assert one.value == pytest.approx(0.5)
    most = region_of(GIVEN | {"accepted_hours": 0.4, "baseline_exposure": 1.0}, GIVEN)
    assert dict(one.doubled) == pytest.approx(errors_of(most))


def test_a_site_that_is_not_picked_does_not_count_but_one_that_runs_does():
    bare = without(GIVEN, "data_return")
    assert "data_return" not in moved_of(region_of(bare, GIVEN), [("west", "f", 2030)])
    runs = bare | {"status": "running", "running_since": 2025.0, "running_plan": "f"}
    assert moved_of(region_of(runs, GIVEN), [("west", "f", 2030)])["data_return"].origin == "assumed at east"


def derived(region, column, values):
    """Return the region as if candidates.derived.csv had given a column."""
    c = region.candidates
    origin = dict(c.origin) | {column: np.full(len(c), Origin.DERIVED, dtype=np.uint8)}
    cells = {column: read_only(np.array(values, dtype=float)), "origin": frozen_mapping(origin)}
    return dataclasses.replace(region, candidates=dataclasses.replace(c, **cells))


def test_derived_prices_move_the_cost_of_their_sites_and_no_error():
    # Hand sum: 4 samples a month x 36 months x 10 crowns x 2 sites = 2,880; setup 1000 + 3000, halved and doubled.
    moved = moved_of(derived(region_of(GIVEN, GIVEN), "setup_cost", [1000.0, 3000.0]))
    one = moved["setup_cost"]
    assert "annual_cost" not in moved  # it is 0, which halving leaves as it is
    assert one.origin == "derived at east, west"
    assert one.value == pytest.approx(2000.0)
    assert one.halved == (("cost", pytest.approx(2880.0 + 2000.0)),)
    assert one.doubled == (("cost", pytest.approx(2880.0 + 8000.0)),)
    assert one.largest == pytest.approx(4000.0 / 6880.0)


def test_the_most_weighty_stands_first():
    bare = without(GIVEN, "data_return", "intake_m")
    found = list(moved_of(region_of(bare, bare)).values())
    assert [m.largest for m in found] == sorted((m.largest for m in found), reverse=True)
