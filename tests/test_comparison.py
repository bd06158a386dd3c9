"""Layouts compared on the same assumptions, against each layout alone and against cases by hand (invented)."""

import csv
import importlib.util
import io
import json
import math
import random
from pathlib import Path

import numpy as np
import pytest
import shapely
from rich.cells import cell_len

from siting.assessment.comparison import (
    ALL_EQUAL,
    BEST_OF_ALL,
    BEST_OF_KEEPERS,
    ONLY_KEEPER,
    TRADE_OFF,
    compared,
    dominates,
)
from siting.assessment.layout import assess_layout
from siting.assessment.precision import precision, target_errors
from siting.outputs.comparison import comparison_lines
from siting.outputs.comparison_files import comparison_content, comparison_files
from siting.planning import plan_region
from siting.region import read_region
from siting.region.layouts import read_layout
from siting.selection.standing import with_best_ways

REGIONS = Path(__file__).parent.parent / "regions"
_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

CO2 = {"name": "CO2", "unit": "ppm", "scale": "invented"}
BANDS = [
    {"id": "south", "south": -90.0, "north": 0.0},
    {"id": "north", "south": 0.0, "north": 90.0},
]
FLASK = {**made.FLASK, "method": "glass", "capital_cost": 1000.0, "annual_cost": 300.0}
ANALYZER = {**made.ANALYZER, "capital_cost": 9000.0, "annual_cost": 700.0}
TARGETS = [
    {"id": "growth", "kind": "realised_growth", "goal": 0.2},
    {"id": "gradient", "kind": "level_difference", "band": "north", "minus": "south", "goal": 1.5},
]
MONTH = {"id": "month", "kind": "monthly_anomaly", "band": "north", "goal": 0.5}
PLACES = [("ada", 60.0, 10.0), ("bel", 20.0, -150.0), ("cor", -5.0, 100.0), ("dun", -45.0, -60.0), ("eld", -70.0, 0.0)]
TRACK = {"id": "fer", "platform": "ship", "geometry": shapely.LineString([(170.0, -30.0), (190.0, 20.0)])}
RUNNING = {"id": "gar", "lat": -80.0, "lon": 20.0, "status": "running", "running_since": 2020, "running_plan": "f"}


def places(**more):
    # Each place has an exposure of its own, so that no two layouts tie by chance.
    return [
        {"id": i, "lat": lat, "lon": lon, "baseline_exposure": 0.5 + 0.07 * k, "annual_cost": 100.0 * k, **more}
        for k, (i, lat, lon) in enumerate(PLACES)
    ]


def made_region(candidates=None, **given):
    content = {"bands": BANDS, "plans": [FLASK, ANALYZER], "tracers": [CO2], "targets": TARGETS} | given
    return made.region(places() if candidates is None else candidates, stock={"analyzers": 2}, **content)


def entries(region, **layouts):
    """Return entries from layouts of (id, plan, start year), each in a planning that offers all of it."""
    ids, plans = region.candidates.ids, [plan.id for plan in region.settings.plans]
    out = []
    for name, picks in layouts.items():
        planning = plan_region(region, frozenset((ids.index(i), plans.index(p)) for i, p, _ in picks))
        picked = made.picks(planning, *picks)
        out.append((name, with_best_ways(planning, picked), picked))
    return out


ONE = [("ada", "f", 2030), ("dun", "a", 2030)]
TWO = [("ada", "f", 2030), ("bel", "f", 2030), ("dun", "f", 2030)]
THREE = [("cor", "f", 2030)]


@pytest.fixture(scope="module")
def three():
    return compared(entries(made_region(), one=ONE, two=TWO, three=THREE))


def judged_alone(planning, picked):
    """Return cost, score, broken conditions and errors by target of one layout, none of it from a comparison."""
    alone = assess_layout(planning, picked)
    errors = target_errors(planning, picked)
    return alone.money.total, alone.score.total, len(alone.broken), [errors[key] for key in sorted(errors)]


def test_facts_of_each_layout_are_those_of_the_layout_alone():
    region = made_region(targets=[*TARGETS, MONTH])
    given = entries(region, one=ONE, two=TWO)
    for judged, (name, planning, picked) in zip(compared(given).judged, given, strict=True):
        alone = assess_layout(planning, picked, state=True)
        assert judged.name == name
        assert judged.assessment.money == alone.money
        assert judged.assessment.score == alone.score
        assert judged.assessment.rules == alone.rules
        assert judged.assessment.coverage == alone.coverage
        assert judged.precision == alone.statement.precision
        for key, error in target_errors(planning, picked).items():
            assert judged.shown[key].error == pytest.approx(error, rel=1e-12)


def test_dominance_is_a_direct_pareto_filter_of_the_raw_numbers():
    region = made_region(rules=[{"kind": "band_at_least", "band": "each", "count": 1}])
    ids = region.candidates.ids
    drawn = random.Random(11)
    seen_pairs = 0
    for _ in range(12):
        layouts = {}
        for k in range(5):
            sites = sorted(drawn.sample(ids, drawn.randint(1, 3)))
            layouts[f"layout {k}"] = [(i, drawn.choice(["f", "f", "a"]), 2030) for i in sites]
        given = entries(region, **layouts)
        raw = {name: judged_alone(planning, picked) for name, planning, picked in given}

        def worse_or_equal(x, y):
            """Whether y is nowhere better than x (numbers of equal layouts are equal to the last bit)."""
            return (
                x[0] <= y[0] and x[1] >= y[1] and x[2] <= y[2] and all(a <= b for a, b in zip(x[3], y[3], strict=True))
            )

        expected = {(a, b) for a in raw for b in raw if a != b and worse_or_equal(raw[a], raw[b]) and raw[a] != raw[b]}
        found = compared(given).dominated
        order = [(a, b) for a in raw for b in raw if (a, b) in expected]
        assert list(found) == order
        seen_pairs += len(order)
    assert seen_pairs > 5


def test_a_layout_dominates_by_each_criterion_in_its_own_direction():
    less = [True, False]
    assert dominates([1.0, 5.0], [2.0, 5.0], less)
    assert dominates([1.0, 6.0], [1.0, 5.0], less)
    assert not dominates([1.0, 5.0], [1.0, 5.0], less)
    assert not dominates([1.0, 4.0], [2.0, 5.0], less)


def test_values_within_a_billionth_of_their_size_are_equal():
    assert not dominates([1e6, 1.0], [1e6 * (1 + 5e-10), 1.0], [True, True])
    assert dominates([1e6, 1.0], [1e6 * (1 + 5e-9), 1.0], [True, True])
    # A rounding error in one criterion does not take a real gain in another away.
    assert dominates([1.0, 1.0 + 1e-12], [2.0, 1.0], [True, True])


def test_dominance_of_random_numbers_is_irreflexive_and_transitive_and_leaves_somebody():
    draw = np.random.default_rng(3)
    for _ in range(300):
        values = draw.integers(0, 3, (6, 4)).astype(float)
        less = draw.random(4) < 0.5
        signed = np.where(less, values, -values)
        beats = np.array([[dominates(a, b, less) for b in values] for a in values])
        direct = (signed[:, None] <= signed[None]).all(axis=2) & (signed[:, None] < signed[None]).any(axis=2)
        assert (beats == direct).all()
        assert not beats.all(axis=0).any()
        assert not beats.diagonal().any()


@pytest.mark.parametrize("targets", [TARGETS, [*TARGETS, MONTH]], ids=["whole records", "with a single month"])
def test_the_loss_of_a_site_is_a_fresh_assessment_without_it(targets):
    region = made_region(targets=targets)
    ((name, planning, picked), _) = given = entries(region, two=TWO, three=THREE)
    judged = compared(given).judged[0]
    d, ids = planning.deployments, region.candidates.ids
    assert name == "two"
    assert [loss.id for loss in judged.losses] == ["ada", "bel", "dun"]
    for loss in judged.losses:
        rest = np.array([k for k in picked if ids[d.candidate[k]] != loss.id])
        fresh = precision(planning, rest)
        shown = {(s.tracer, s.id): s for s in fresh.shown}
        assert loss.score == pytest.approx(assess_layout(planning, rest).score.total, rel=1e-12)
        assert loss.shortfall == pytest.approx(fresh.shortfall, rel=1e-9)
        assert dict(loss.errors).keys() == shown.keys()
        for key, error in loss.errors:
            assert error == pytest.approx(shown[key].error, rel=1e-9)
        assert set(loss.missed) == {key for key, s in shown.items() if not s.met}
        assert set(loss.newly) == set(loss.missed) & {key for key, s in judged.shown.items() if s.met}


def test_the_worst_loss_is_the_one_with_the_greatest_shortfall(three):
    for judged in three.judged:
        assert judged.worst.shortfall == max(loss.shortfall for loss in judged.losses)
    # One site alone: without it the prior is left, and no site is picked.
    (only,) = three.judged[2].losses
    prior = {(s.tracer, s.id): math.hypot(s.prior_error, s.floor) for s in three.judged[2].precision.shown}
    for key, error in only.errors:
        assert error == pytest.approx(prior[key], rel=1e-9)


def test_without_targets_the_worst_loss_is_that_of_the_score():
    region = made_region(tracers=[{"name": "XX", "unit": "ppb", "scale": "invented"}], targets=[])
    judged = compared(entries(region, two=TWO, three=THREE)).judged[0]
    assert judged.worst.score == min(loss.score for loss in judged.losses)
    assert judged.worst.shortfall is None


def test_an_unknown_gas_leaves_the_targets_out_and_says_why():
    region = made_region(tracers=[{"name": "XX", "unit": "ppb", "scale": "invented"}], targets=[])
    found = compared(entries(region, one=ONE, two=TWO))
    assert [criterion.kind for criterion in found.criteria] == ["cost", "score", "rules"]
    assert all("XX" in judged.unstated and judged.precision is None for judged in found.judged)
    text = comparison_lines(found)
    assert "cannot be told" in text
    assert "take no part" in text
    content = comparison_content(found)
    assert [layout["targets"] for layout in content["layouts"]] == [[], []]
    assert all("XX" in layout["unstated"] for layout in content["layouts"])


def test_membership_by_hand():
    region = made_region(last_start_year=2031)
    found = compared(
        entries(
            region,
            one=[("ada", "f", 2030), ("bel", "f", 2030), ("cor", "f", 2030), ("eld", "f", 2031)],
            two=[("ada", "f", 2030), ("bel", "a", 2030), ("dun", "f", 2030), ("eld", "f", 2030)],
        )
    )
    held = {member.id: member.held for member in found.members}
    assert held == {
        "ada": ((("f", 2030),), (("f", 2030),)),
        "bel": ((("f", 2030),), (("a", 2030),)),
        "cor": ((("f", 2030),), ()),
        "dun": ((), (("f", 2030),)),
        "eld": ((("f", 2031),), (("f", 2030),)),
    }
    assert [member.id for member in found.common] == ["ada"]
    assert [member.id for member in found.differing] == ["bel", "eld"]
    assert [member.id for member in found.partial] == ["cor", "dun"]
    rows = list(csv.DictReader(io.StringIO(comparison_files(found)["sites.csv"])))
    assert [row["membership"] for row in rows] == ["same in all", "all", "some", "some", "all"]
    assert [row["plan in one"] for row in rows] == ["f", "f", "f", "", "f"]
    assert [row["start year in two"] for row in rows] == ["2030", "2030", "", "2030", "2030"]


def test_a_layout_that_breaks_rules_is_shown_with_them_and_not_refused():
    rules = [{"kind": "at_least", "name": "somebody at ada", "sites": ["ada"], "count": 1}]
    barred = [{**row, "status": "excluded"} if row["id"] == "eld" else row for row in places()]
    region = made_region(barred, rules=rules)
    found = compared(entries(region, good=ONE, bad=[("cor", "f", 2030), ("eld", "f", 2030)]))
    good, bad = found.judged
    assert good.keeps
    assert not bad.keeps
    labels = [judgement.label for judgement in bad.assessment.broken]
    assert "somebody at ada" in labels
    assert any("eld" in judgement.found for judgement in bad.assessment.broken)
    assert found.advice.finding == ONLY_KEEPER
    assert found.advice.layout == "good"
    flat = " ".join(comparison_lines(found).split())
    assert "A 'good' is the one to fund, by these criteria: it alone keeps every rule" in flat
    for judgement in bad.assessment.broken:
        assert f"BREAKS {judgement.label}: {judgement.words}. Here: {judgement.found}." in flat
    told = comparison_content(found)["layouts"][1]
    assert told["rules_broken"] == labels
    assert {rule["rule"] for rule in told["rules"] if not rule["holds"]} == set(labels)


def test_advice_follows_from_rules_first_and_then_from_dominance():
    # By hand: the same sites with and without waste. `dear` pays more for the same plan, so it is dominated.
    plans = [FLASK, {**FLASK, "id": "g", "capital_cost": 5000.0}]
    rules = [{"kind": "at_least", "name": "ada", "sites": ["ada"], "count": 1}]
    region = made_region(plans=plans, rules=rules)
    lean = [("ada", "f", 2030), ("dun", "f", 2030)]
    dear = [("ada", "g", 2030), ("dun", "f", 2030)]
    more = [("ada", "f", 2030), ("bel", "f", 2030), ("dun", "f", 2030)]
    poor = [("dun", "f", 2030)]

    def advice(**layouts):
        return compared(entries(region, **layouts)).advice

    found = compared(entries(region, dear=dear, lean=lean))
    assert found.dominated == (("lean", "dear"),)
    assert (found.advice.finding, found.advice.layout) == (BEST_OF_ALL, "lean")
    assert "B 'lean' dominates A 'dear'." in comparison_lines(found)
    beside_a_breaker = advice(lean=lean, dear=dear, poor=poor)
    assert (beside_a_breaker.finding, beside_a_breaker.layout) == (BEST_OF_KEEPERS, "lean")
    assert beside_a_breaker.keepers == ("lean", "dear")
    trade = advice(lean=lean, dear=dear, more=more)
    assert (trade.finding, trade.layout, trade.among) == (TRADE_OFF, None, ("lean", "more"))
    twins = advice(lean=lean, again=lean)
    assert (twins.finding, twins.layout, twins.among) == (ALL_EQUAL, None, ("lean", "again"))
    none = advice(poor=poor, other=[("cor", "f", 2030), ("bel", "f", 2030)])
    assert none.keepers == ()
    assert "NO LAYOUT KEEPS EVERY RULE" in comparison_lines(
        compared(entries(region, poor=poor, other=[("cor", "f", 2030)]))
    )


def test_order_of_layouts_changes_no_fact_of_any():
    given = entries(made_region(), one=ONE, two=TWO, three=THREE)
    there, back = compared(given), compared(given[::-1])
    for judged, again in zip(there.judged, back.judged[::-1], strict=True):
        assert judged.name == again.name
        assert judged.assessment == again.assessment
        assert judged.precision == again.precision
        assert judged.losses == again.losses
        assert judged.worst == again.worst
    assert set(there.dominated) == set(back.dominated)
    assert there.advice.finding == back.advice.finding
    assert [(m.id, m.held) for m in there.members] == [(m.id, m.held[::-1]) for m in back.members]


def test_names_must_be_distinct_and_the_region_one():
    one, two = entries(made_region(), one=ONE, two=TWO)
    with pytest.raises(ValueError, match="names of layouts must be distinct; found twice: one"):
        compared([one, ("one", *two[1:])])
    with pytest.raises(ValueError, match="at least two layouts"):
        compared([one])
    (other,) = entries(made_region(years=4), other=TWO)
    with pytest.raises(ValueError, match="of one region; another one: other"):
        compared([one, other])


def test_costs_add_up_to_each_layout_and_year(three):
    rows = list(csv.DictReader(io.StringIO(comparison_files(three)["costs.csv"])))
    for judged in three.judged:
        money = judged.assessment.money
        for year, cents in zip(money.years, money.by_year, strict=True):
            mine = [row for row in rows if row["layout"] == judged.name and int(row["year"]) == year]
            assert sum(round(float(row["amount"]) * 100) for row in mine) == cents
    assert sum(round(float(row["amount"]) * 100) for row in rows) == sum(j.assessment.money.total for j in three.judged)


def test_tables_hold_the_numbers_of_the_layouts(three):
    rows = {
        (row["group"], row["quantity"]): row
        for row in csv.DictReader(io.StringIO(comparison_files(three)["comparison.csv"]))
    }
    frame = three.to_frame()
    assert list(frame.index) == ["one", "two", "three"]
    for judged in three.judged:
        column = f"layout {judged.name}"
        assert float(rows["cost", "total"][column]) == judged.assessment.money.total / 100
        assert float(rows["score", "total"][column]) == pytest.approx(judged.assessment.score.total, rel=1e-9)
        assert float(rows["worst loss of one site", "shortfall"][column]) == pytest.approx(judged.worst.shortfall)
        assert frame.loc[judged.name, "cost_total"] == judged.assessment.money.total / 100
        for (tracer, target), s in judged.shown.items():
            assert float(rows[f"target {tracer} {target}", "error"][column]) == pytest.approx(s.error, rel=1e-9)
            assert float(rows[f"target {tracer} {target}", "error"]["goal"]) == s.goal
            assert frame.loc[judged.name, f"error {tracer} {target}"] == s.error
        for band in judged.assessment.coverage.bands:
            assert float(rows[f"band {band.band}", "sites"][column]) == pytest.approx(band.sites)


def no_constant(name):
    raise AssertionError(f"{name} is not JSON")


def test_json_is_strict_sorted_and_what_the_machine_gets(three):
    text = comparison_files(three)["comparison.json"]
    content = json.loads(text, parse_constant=no_constant)
    assert content == comparison_content(three)
    assert list(content) == sorted(content)
    assert [layout["name"] for layout in content["layouts"]] == ["one", "two", "three"]
    # With one site the gradient is seen by nobody: what is infinite stands as null.
    lone = {t["id"]: t for t in content["layouts"][2]["targets"]}["gradient"]
    assert not math.isfinite(three.judged[2].shown["CO2", "gradient"].detection_error)
    assert lone["detection_error"] is None
    assert lone["years"] is None
    assert content["layouts"][0]["worst_loss"] == three.judged[0].worst.id
    assert content["dominated"] == [{"dominator": a, "dominated": b} for a, b in three.dominated]


def test_the_map_keeps_to_the_standard_and_tells_who_has_what(strict_geojson):
    candidates = [*places(), {**TRACK, "baseline_exposure": 0.9}, {**RUNNING, "baseline_exposure": 0.9}]
    region = made_region(candidates)
    found = compared(entries(region, one=[*ONE, ("fer", "f", 2030)], two=TWO))
    text = comparison_files(found)["comparison.geojson"]
    assert strict_geojson(text) == []
    features = {f["id"]: f for f in json.loads(text)["features"]}
    assert sorted(features) == ["ada", "bel", "dun", "fer", "gar"]
    assert features["fer"]["geometry"]["type"] == "MultiLineString"
    told = {i: f["properties"] for i, f in features.items()}
    assert (told["ada"]["membership"], told["ada"]["same_in_all"], told["ada"]["layouts"]) == ("all", True, "one; two")
    assert (told["dun"]["membership"], told["dun"]["same_in_all"]) == ("all", False)
    assert (told["dun"]["plan_1"], told["dun"]["plan_2"], told["dun"]["start_year_1"]) == ("a", "f", 2030)
    assert (told["bel"]["membership"], told["bel"]["in_1"], told["bel"]["in_2"]) == ("some", False, True)
    assert (told["gar"]["role"], told["gar"]["membership"], told["gar"]["layouts"]) == ("running", None, None)
    assert len({tuple(properties) for properties in told.values()}) == 1


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("width", [40, 80, 132])
def test_no_line_is_wider_than_the_terminal(width, ascii_only, three):
    for found in (three, compared(entries(made_region(), **{f"number {k}": TWO for k in range(9)}))):
        text = comparison_lines(found, width, ascii_only)
        assert max(map(cell_len, text.split("\n"))) <= width
        # Every layout has its column, however many blocks that takes.
        assert sum(line.startswith("Side by side") for line in text.split("\n")) >= math.ceil(len(found.names) / 4)
        assert all(f"'{name}'" in " ".join(text.split()) for name in found.names)


HOSTILE = [
    "=HYPERLINK(1)",
    '<script>alert("x")</script>',
    "[bold]a[/bold]\x1b[31m\nb;=1+1",
    "\u202eabc",
    "n" * 300,
    "\udcff bytes",
    "日本" * 20,
]


def test_hostile_names_do_no_harm(strict_geojson):
    given = entries(made_region(), **dict.fromkeys(HOSTILE, TWO))
    found = compared(given)
    files = comparison_files(found)
    for text in files.values():
        text.encode("utf-8")
        assert "\x1b" not in text.replace("\\u001b", "")
    assert strict_geojson(files["comparison.geojson"]) == []
    for name in ("comparison.csv", "sites.csv", "costs.csv"):
        for row in csv.reader(io.StringIO(files[name])):
            assert not any(cell.startswith(("=", "+", "@")) or ";=" in cell for cell in row)
    text = comparison_lines(found)
    assert max(map(cell_len, text.split("\n"))) <= 80
    assert "\u202e" not in text
    assert not text.isascii()
    plain = comparison_lines(found, ascii_only=True)
    assert plain.isascii()
    assert max(map(cell_len, plain.split("\n"))) <= 80
    names = [layout["name"] for layout in json.loads(files["comparison.json"])["layouts"]]
    assert names == [name.replace("\udcff", "?") for name in HOSTILE]


def test_the_same_input_gives_the_same_bytes():
    first, again = (comparison_files(compared(entries(made_region(), one=ONE, two=TWO, three=THREE))) for _ in range(2))
    assert first == again
    assert sorted(first) == [
        *("comparison.csv", "comparison.geojson", "comparison.json", "comparison.txt", "costs.csv", "sites.csv"),
    ]


def test_an_error_that_rounds_to_the_goal_it_misses_is_told_with_more_digits():
    region = made_region()
    ((_, planning, picked), _) = entries(region, two=TWO, three=THREE)
    error = next(s.error for s in precision(planning, picked).shown if s.id == "growth")
    tight = [{**TARGETS[0], "goal": error * (1.0 - 2e-5)}, TARGETS[1]]
    text = comparison_lines(compared(entries(made_region(targets=tight), two=TWO, three=THREE)))
    (row,) = [line for line in text.split("\n") if line.startswith("Growth of CO2 over 3 years: error,")]
    assert "MISSED" in row
    assert f"{error:.3g} MISSED" not in row


@pytest.mark.parametrize("name", ["smallsea", "farwinds"])
def test_the_shipped_regions_compare(name, strict_geojson):
    if not REGIONS.is_dir():
        pytest.skip("the shipped regions are not beside the tests")
    region = read_region(REGIONS / name)
    if name == "farwinds":
        whole = [(row.id, row.plan, row.start_year) for row in read_layout(region, "first-idea").rows]
    else:
        whole = [(i, "flask", 2030) for i in ("corvath", "ovenne", "maroth")]
    found = compared(entries(region, whole=whole, less=whole[:-1]))
    assert found.judged[0].assessment.money.total > found.judged[1].assessment.money.total
    # With a record more no error grows.
    for key, s in found.judged[0].shown.items():
        assert s.error <= found.judged[1].shown[key].error * (1.0 + 1e-9)
    dropped = next(loss for loss in found.judged[0].losses if loss.id == whole[-1][0])
    less = found.judged[1]
    assert dropped.score == pytest.approx(less.assessment.score.total, rel=1e-9)
    assert dropped.shortfall == pytest.approx(less.precision.shortfall, rel=1e-6, abs=1e-9)
    files = comparison_files(found)
    assert strict_geojson(files["comparison.geojson"]) == []
    assert max(map(cell_len, files["comparison.txt"].split("\n"))) <= 80
