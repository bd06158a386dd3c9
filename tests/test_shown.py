"""What is said of a layout's precision: sentences, tables, doubts and sensitivity (invented regions)."""

import csv
import io
import math
from pathlib import Path

import numpy as np
import pytest

from siting.api import assess
from siting.assessment.doubts import discoveries, pair_offsets
from siting.assessment.precision import precision
from siting.assessment.sensitivity import scaled, sensitivity
from siting.assessment.statement import statement
from siting.field.posterior import NEEDED
from siting.outputs import shown
from siting.record.air import UnknownGasError, air_of, airs
from siting.region import read_region
from siting.region.layouts import read_layout
from siting.region.schema.air import Tracer

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
