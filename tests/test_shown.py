"""What is said of a layout's precision: sentences, tables, doubts and sensitivity (invented regions)."""

import csv
import dataclasses
import importlib.util
import io
import math
from pathlib import Path

import numpy as np
import pytest

from siting.api import assess
from siting.assessment.doubts import discoveries, pair_offsets
from siting.assessment.precision import precision
from siting.assessment.sensitivity import Moved, scaled, sensitivity
from siting.assessment.statement import statement
from siting.field.model import tracer_models
from siting.field.posterior import NEEDED
from siting.outputs import shown
from siting.planning import plan_region
from siting.record.air import UnknownGasError, air_of, airs
from siting.record.months import instrument_months
from siting.region import read_region
from siting.region.layouts import read_layout
from siting.region.schema.air import Tracer

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

REGIONS = Path(__file__).parent.parent / "regions"


@pytest.fixture(scope="module")
def idea():
    """Return planning, picked and statement of the committee's layout in the main demo."""
    if not REGIONS.is_dir():
        pytest.skip("the shipped regions are not beside the tests")
    region = read_region(REGIONS / "farwinds")
    result = assess(region, read_layout(region, "first-idea"))
    d = result.planning.deployments
    ids = region.candidates.ids
    wanted = {(p.id, p.plan, p.start_year) for p in result.assessment.picks}
    plans = region.settings.plans
    picked = np.array(
        [k for k in range(len(d)) if (ids[d.candidate[k]], plans[d.plan[k]].id, int(d.start_year[k])) in wanted]
    )
    return result.planning, picked, statement(result.planning, picked)


def rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_the_parts_of_an_error_add_up_to_it(idea):
    for s in idea[2].precision.shown:
        total = sum(share.variance for share in s.shares)
        assert total == pytest.approx(s.error**2 - s.floor**2, rel=1e-9)
        assert all(share.variance >= 0.0 for share in s.shares)


def test_tables_agree_with_the_statement(idea):
    given = idea[2]
    targets, found = rows(shown.targets_csv(given.precision)), rows(shown.detection_csv(given.precision))
    for s in given.precision.shown:
        mine = [r for r in targets if r["target"] == s.id]
        assert float(mine[0]["error"]) == pytest.approx(s.error, rel=1e-9)
        assert sum(float(r["variance_share"]) for r in mine) == pytest.approx(1.0, rel=1e-8)
        (one,) = [r for r in found if r["target"] == s.id]
        assert float(one["probability_95"]) == pytest.approx(s.probability, rel=1e-9)
    assert len(rows(shown.contrasts_csv(given.precision))) == len(given.precision.contrasts)
    assert {r["id"] for r in rows(shown.why_csv(given))} == {w.id for w in given.precision.worth}


def test_every_sentence_is_whole_and_every_target_has_one(idea):
    told = shown.sentences(idea[2])
    assert all(line.endswith(".") and "nan" not in line and "{" not in line for line in told)
    for s in idea[2].precision.shown:
        assert any(line.lower().startswith(s.words.lower()) and "standard error" in line for line in told)


def test_a_site_that_is_taken_away_never_helps(idea):
    given = idea[2].precision
    now = {s.id: s.error for s in given.shown}
    for worth in given.worth:
        assert worth.shortfall_loss >= -1e-12
        assert all(without >= now[target] * (1.0 - 1e-9) for target, without in worth.without)


def test_worth_equals_the_layout_without_the_site(idea):
    planning, picked, given = idea
    less = precision(planning, picked[1:], years=False)
    first = planning.region.candidates.ids[planning.deployments.candidate[picked[0]]]
    (worth,) = [w for w in given.precision.worth if w.id == first]
    for s in less.shown:
        # The state then has one cell less, which no target touches.
        assert dict(worth.without)[s.id] == pytest.approx(s.error, rel=1e-6)


def test_the_least_significant_pair_is_told_as_invisible_where_it_is(idea):
    least = min(idea[2].precision.contrasts, key=lambda c: c.significance)
    (line,) = [line for line in shown.sentences(idea[2]) if "least significant" in line]
    assert least.one in line
    assert least.other in line
    assert ("no real difference" in line) == (least.significance < shown.SEEN)


def test_an_offset_between_methods_shrinks_with_the_root_of_the_months_compared(idea):
    """Hand sum: offset = 3.242 / sqrt(sum of 1 / variance of the monthly difference)."""
    planning, picked, _ = idea
    (offset,) = pair_offsets(planning, picked)
    from siting.field.model import TracerModel

    region = planning.region
    model = TracerModel(planning, 0, airs(region)[0], region.settings.mixing)
    plans = {p.id: p for p in region.settings.plans}
    total = sum(
        model.records.difference_weights(plans["analyzer"], i, plans["weekly-flask"], i, True).sum()
        for i in (region.candidates.index(name) for name in offset.pairs)
    )
    assert offset.offset == pytest.approx(NEEDED / math.sqrt(total), rel=1e-12)


def test_without_a_pair_an_offset_is_never_seen(idea):
    planning, picked, _ = idea
    flasks = picked[~planning.deployments.has_analyzer[picked]]
    (offset,) = pair_offsets(planning, flasks)
    assert offset.pairs == ()
    assert offset.offset == math.inf


def test_an_analyzer_discovers_smaller_contamination_than_flasks_at_the_same_place(idea):
    planning, _, _ = idea
    d, region = planning.deployments, planning.region
    plans = [p.id for p in region.settings.plans]
    both = [
        (d.find(i, plans.index("analyzer"), 2028), d.find(i, plans.index("weekly-flask"), 2028))
        for i in range(len(region.candidates))
    ]
    pairs = [(a, f) for a, f in both if a is not None and f is not None]
    assert len(pairs) > 10
    for a, f in pairs:
        (one,), (other,) = discoveries(planning, np.array([a])), discoveries(planning, np.array([f]))
        assert one.size < other.size


def test_two_instruments_at_a_place_discover_together_what_their_months_say_together(idea):
    # Source: generalised least squares for one month, 1' R^-1 1 with R = [[a + s, s], [s, f + s]] + slow, 12 months.
    planning, _, _ = idea
    region, d = planning.region, planning.deployments
    plans = {p.id: k for k, p in enumerate(region.settings.plans)}
    i = region.candidates.index("auberel")
    picks = [d.find(i, plans[name], 2028) for name in ("analyzer", "weekly-flask", "analyzer-and-flask")]
    one, other, both = (discoveries(planning, np.array([k]))[0].size for k in picks)
    assert both < min(one, other)
    (model,) = tracer_models(planning)
    parts = [region.settings.plans[plans[name]] for name in ("analyzer", "weekly-flask")]
    a, f = (instrument_months(region, part, 0, model.air, model.site_air).at(np.array([i])) for part in parts)
    syn, slow = model.air.synoptic_sd**2, model.air.slow_sd**2
    told = 0.0
    for m in np.flatnonzero(region.open_months[i]):
        r = np.full((2, 2), slow + syn * min(a.spread[0, m], f.spread[0, m]))
        r += np.diag([x.own[0, m] + syn * (x.spread[0, m] - min(a.spread[0, m], f.spread[0, m])) for x in (a, f)])
        empty = f.empty[0, m]
        told += (1.0 - empty) * np.linalg.inv(r).sum() + empty / r[0, 0]
    assert both == pytest.approx(NEEDED / math.sqrt(told), rel=1e-9)


def test_prices_that_nobody_gave_are_said_to_change_the_cost_and_no_error(idea):
    given = idea[2]
    price = Moved("all gases", "setup_cost", 900.0, "assumed at alba", (("cost", 1.0),), (("cost", 4.0),), 1.0)
    small = dataclasses.replace(price, name="annual_cost", largest=0.001)
    told = shown.sentences(dataclasses.replace(given, moved=(price, small, *given.moved)))
    (line,) = [line for line in told if line.startswith("Prices that nobody gave")]
    assert line.endswith("changes the cost by - setup_cost = 900 (assumed at alba): up to 100 %.")
    (line,) = [line for line in told if line.startswith("What rests on a guess")]
    assert "setup_cost" not in line
    only = shown.sentences(dataclasses.replace(given, moved=(small,)))
    assert not any("guess" in line or "Prices that" in line or "Halving" in line for line in only)
    (row,) = [r for r in rows(shown.assumptions_csv(dataclasses.replace(given, moved=(price,)))) if r["target"]]
    assert row["target"] == "cost (no error)"


@pytest.mark.parametrize("coverage", [True, False])
def test_a_region_of_one_band_from_pole_to_pole_asks_for_no_difference_and_says_so(coverage):
    bands = [{"id": "earth", "south": -90.0, "north": 90.0, "coverage": coverage}]
    sites = [{"id": "x", "lat": 40.0, "lon": 0.0}, {"id": "y", "lat": -20.0, "lon": 90.0}]
    tracers = [{"name": "CH4", "unit": "ppb", "scale": "invented"}]
    region = made.region(sites, plans=[{"id": "a", "kind": "analyzer"}], bands=bands, tracers=tracers)
    planning = plan_region(region)
    given = statement(planning, made.picks(planning, ("x", "a", 2030), ("y", "a", 2030)))
    assert [s.id for s in given.precision.shown] == ["CH4 growth", "CH4 season"]
    told = shown.sentences(given)
    assert "A difference between bands is not among them, for that takes two bands." in told[0]
    assert not any("nan" in line or "inf" in line.split() for line in told)


def test_halving_and_doubling_move_errors_to_opposite_sides_or_not_at_all(idea):
    planning, picked, given = idea
    moved = sensitivity(planning, picked, given.precision)
    assert {m.name for m in moved} >= {"mixing.tau_exchange", "mixing.tau_zonal", "repeatability_flask"}
    now = {s.id: s.error for s in given.precision.shown}
    noise = [m for m in moved if m.name in ("repeatability_flask", "repeatability_analyzer", "calibration_error")]
    for m in noise:
        for (target, low), (_, high) in zip(m.halved, m.doubled, strict=True):
            assert low <= now[target] * (1 + 1e-12) <= high * (1 + 2e-12)
    assert [m.largest for m in moved] == sorted((m.largest for m in moved), reverse=True)


def test_an_unknown_number_of_the_air_cannot_be_scaled():
    air = air_of(Tracer(name="CO2", unit="ppm", scale="any"))
    with pytest.raises(KeyError):
        scaled(air, "no_such_number", 2.0)
    assert scaled(air, "representation_sd.level", 2.0).representation[0] == pytest.approx(2 * air.representation[0])
    assert scaled(air, "slow_phi", 2.0).slow_phi <= 0.95


def test_a_gas_of_which_nothing_is_known_needs_its_numbers_and_all_are_named():
    with pytest.raises(UnknownGasError) as caught:
        air_of(Tracer(name="H2", unit="ppb", scale="any"))
    for name in ("synoptic_sd", "slow_phi", "representation_sd.season", "season", "gradient"):
        assert name in str(caught.value)
    assert "spell_days" not in str(caught.value)


def test_a_number_given_in_the_region_wins_over_the_gas():
    air = air_of(Tracer(name="CO2", unit="ppm", scale="any", synoptic_sd=1.5))
    assert air.synoptic_sd == 1.5
    assert {w.name: w.origin for w in air.origins}["synoptic_sd"] == "given in region.toml"
    assert "statsmodels" in {w.name: w.origin for w in air.origins}["slow_sd"]


def test_a_very_large_layout_leaves_out_what_would_take_minutes_and_says_so(idea, monkeypatch):
    planning, picked, _ = idea
    monkeypatch.setattr("siting.assessment.statement.MOST_SITES", 3)
    large = statement(planning, picked)
    assert not large.whole
    assert large.moved == ()
    assert all(s.years is None for s in large.precision.shown)
    assert any("left out" in line for line in shown.sentences(large))
