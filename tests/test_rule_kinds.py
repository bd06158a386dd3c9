"""Each kind of rule three times: its rows, its judgement of a layout, and a reading of its sentence by brute force.

The reading is `rules_by_sentence.py`, written from the sentences alone (distances by PROJ geodesics). All
regions are invented.
"""

import importlib.util
import itertools
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from siting.planning import plan_region
from siting.selection.kinds import Demand, verdict
from siting.selection.program import Limits, clashes
from siting.selection.registry import RULE_KINDS, demands, judge, start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.solve import solve
from siting.selection.standing import bought_by_year, cost_by_year, purchase_cents


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made, sentences = _load("made_region"), _load("rules_by_sentence")
GEOD = Geod(ellps="WGS84")
PLANS = [made.FLASK, made.ANALYZER, made.BOTH]
ENOUGH = {"analyzers": 50}


def on_equator(name, km, **more):
    """Return a candidate so many km east of 0 N 0 E along the equator."""
    lon, lat, _ = GEOD.fwd(0.0, 0.0, 90.0, 1000.0 * km)
    return {"id": name, "lat": lat, "lon": lon} | more


def running(name, plan="f", **more):
    return {"id": name, "status": "running", "running_since": 2015, "running_plan": plan} | more


def rows_allow(program, X):
    """Say which subsets X the rows of a program allow, with some choice of its auxiliary columns (all whole)."""
    d = program.deployments
    matrix = program.matrix.toarray()
    assert program.integer.all()
    aux = len(program.names) - d
    assert aux <= 12
    good = np.zeros(len(X), dtype=bool)
    for values in itertools.product((0, 1), repeat=aux):
        sums = X @ matrix[:, :d].T + np.array(values, dtype=np.int64) @ matrix[:, d:].T
        good |= ((sums >= program.row_lower) & (sums <= program.row_upper)).all(axis=1)
    for k, x in enumerate(X):
        whole = np.concatenate([x.astype(np.int64), np.zeros(aux, dtype=np.int64)])
        good[k] &= not any(clashes(e, whole) for e in program.exclusions)
    return good


def agree(region, kind, *labels):
    """Compare rows, judge and sentence of one kind on all subsets; return (planning, subsets, truths)."""
    planning = plan_region(region)
    d = planning.deployments
    reading = sentences.Reading(region, d)
    X = sentences.subsets(len(d))
    X = X[reading.one_each(X)]
    truths = reading.rules(X)
    want = np.logical_and.reduce([truths[label][1] for label in labels])
    only = {kind: RULE_KINDS[kind]}
    assert {demand.label for demand in demands(planning, only)} == set(labels)
    np.testing.assert_array_equal(rows_allow(start_program(planning, only).build(), X), want)
    judged = [all(j.holds for j in judge(planning, np.flatnonzero(x), only)) for x in X]
    np.testing.assert_array_equal(judged, want)
    return planning, X, want


def both_happen(truths):
    assert truths.any()
    assert not truths.all()


# -- counts ------------------------------------------------------------------------------------------

FIVE = [
    {"id": "a", "group": "g", "plans": "f"},
    {"id": "b", "group": "g h", "plans": "f a"},
    {"id": "c", "group": "h", "plans": "b"},
    {"id": "d", "plans": "a"},
    running("e", "b", group="g", plans="f"),
]


@pytest.mark.parametrize("kind", ["at_most", "at_least"])
@pytest.mark.parametrize(
    "meant",
    [
        {},
        {"group": "g"},
        {"sites": ["a", "c", "d"]},
        {"sites": ["b", "c"], "group": "h"},
        {"instrument": "analyzer"},
        {"instrument": "flask", "group": "g"},
    ],
)
def test_at_most_and_at_least_count_the_picked_sites_that_are_meant(kind, meant):
    # The running station e counts wherever it is meant, so that 2 asks for one more site there.
    count = 2 if meant in ({}, {"group": "g"}, {"instrument": "analyzer"}) or "flask" in meant.values() else 1
    rule = {"kind": kind, "name": "rule", "count": count} | meant
    _, _, truths = agree(made.region(FIVE, years=1, plans=PLANS, rules=[rule]), kind, "rule")
    both_happen(truths)


def test_a_plan_both_counts_as_either_instrument_and_a_site_counts_once():
    rules = [
        {"kind": "at_least", "name": "flasks", "count": 1, "instrument": "flask"},
        {"kind": "at_least", "name": "analyzers", "count": 1, "instrument": "analyzer"},
        {"kind": "at_least", "name": "two", "count": 2},
    ]
    planning = plan_region(made.region([{"id": "c", "plans": "b"}], years=1, plans=PLANS, rules=rules))
    held = {j.label: j.holds for j in judge(planning, np.array([0]))}
    assert (held["flasks"], held["analyzers"], held["two"]) == (True, True, False)


@pytest.mark.parametrize("new_only", [False, True])
def test_running_stations_count_towards_at_least_unless_new_sites_are_asked_for(new_only):
    rules = [{"kind": "at_least", "name": "rule", "count": 1, "new_only": new_only}]
    planning = plan_region(made.region([running("r"), {"id": "x"}], years=1, rules=rules))
    assert {j.label: j.holds for j in judge(planning, np.array([], dtype=int))}["rule"] is not new_only


def test_running_stations_that_are_too_many_leave_room_for_none_but_break_nothing():
    rules = [{"kind": "at_most", "name": "rule", "count": 1}]
    region = made.region([running("r"), running("s"), {"id": "x"}], years=1, rules=rules)
    _, X, truths = agree(region, "at_most", "rule")
    assert truths.tolist() == [not x.any() for x in X]


def test_at_most_sites_counts_every_new_site():
    rule = {"kind": "at_most_sites", "name": "rule", "count": 2}
    _, _, truths = agree(made.region(FIVE, years=1, plans=PLANS, rules=[rule]), "at_most_sites", "rule")
    both_happen(truths)


@pytest.mark.parametrize(("site", "needs"), [("a", "b"), ("d", "c"), ("a", "e"), ("e", "a"), ("a", "a")])
def test_only_with_needs_the_other_site_picked_or_running(site, needs):
    rule = {"kind": "only_with", "name": "rule", "site": site, "needs": needs}
    _, _, truths = agree(made.region(FIVE, years=1, plans=PLANS, rules=[rule]), "only_with", "rule")
    assert truths.all() == (needs in (site, "e"))


def test_only_with_holds_whichever_year_each_site_opens():
    rule = {"kind": "only_with", "name": "rule", "site": "a", "needs": "b"}
    planning, X, truths = agree(made.region([{"id": "a"}, {"id": "b"}], years=2, rules=[rule]), "only_with", "rule")
    late = made.picks(planning, ("a", "f", 2030), ("b", "f", 2031))
    assert truths[next(k for k, x in enumerate(X) if set(np.flatnonzero(x)) == set(late))]


def test_required_sites_must_be_picked_with_any_plan_and_year():
    places = [
        {"id": "a", "status": "required", "plans": "f a"},
        {"id": "b"},
        {"id": "c", "status": "required", "plans": "f"},
    ]
    region = made.region(places, years=2, plans=[made.FLASK, made.ANALYZER])
    _, _, truths = agree(region, "required", "status required: a", "status required: c")
    both_happen(truths)


def test_a_required_site_that_cannot_be_picked_says_why():
    region = made.region([{"id": "a", "status": "required", "baseline_exposure": 0.1}], score={"least_exposure": 0.2})
    planning = plan_region(region)
    words = {d.label: d.words for d in demands(planning)}["status required: a"]
    assert "nothing can be picked there" in words
    assert "exposure 0.10 is below the least of 0.2" in words


def test_what_is_not_offered_is_closed_and_named_in_a_given_layout():
    places = [{"id": "a", "status": "excluded"}, {"id": "b", "plans": "a"}, {"id": "c", "power": "none"}, {"id": "d"}]
    region = made.region(places, years=1, plans=[made.FLASK, made.ANALYZER])
    planning = plan_region(region, frozenset({(0, 0), (1, 0), (2, 1), (3, 0)}))
    only = {"offered": RULE_KINDS["offered"]}
    X = sentences.subsets(len(planning.deployments))
    barred = {"a|f|2030", "b|f|2030", "c|a|2030"}
    want = np.array([barred.isdisjoint(planning.deployments.ids[k] for k in np.flatnonzero(x)) for x in X])
    np.testing.assert_array_equal(rows_allow(start_program(planning, only).build(), X), want)
    judged = [judge(planning, np.flatnonzero(x), only) for x in X]
    assert [all(j.holds for j in verdicts) for verdicts in judged] == want.tolist()
    found = {j.label: j.found for j in judged[-1]}
    assert "a: excluded by its status" in found["status excluded: a"]
    assert "b: is not among the plans offered here" in found["plans that fit"]
    assert "c: needs power" in found["plans that fit"]


def test_one_deployment_a_candidate():
    region = made.region([{"id": "a"}, {"id": "b"}], years=2, plans=[made.FLASK, made.ANALYZER])
    planning = plan_region(region)
    only = {"one_each": RULE_KINDS["one_each"]}
    X = sentences.subsets(len(planning.deployments))
    want = sentences.Reading(region, planning.deployments).one_each(X)
    both_happen(want)
    np.testing.assert_array_equal(rows_allow(start_program(planning, only).build(), X), want)
    assert [judge(planning, np.flatnonzero(x), only)[0].holds for x in X] == want.tolist()


# -- bands -------------------------------------------------------------------------------------------

BANDS = [
    {"id": "south", "south": -90.0, "north": 0.0},
    {"id": "north", "south": 0.0, "north": 90.0},
    {"id": "belt", "south": -20.0, "north": 20.0, "coverage": False},
]
TRACK = {"platform": "ship", "geometry": shapely.LineString([(178.0, -5.0), (-178.0, 10.0)])}
SPREAD = [
    {"id": "a", "lat": 50.0, "plans": "f a"},
    {"id": "b", "lat": -10.0, "plans": "b"},
    {"id": "c", "lat": 0.0, "plans": "f"},
    {"id": "d", "plans": "a"} | TRACK,
    running("e", "f", lat=10.0, plans="a"),
    {"id": "g", "lat": 90.0, "plans": "f"},
]


@pytest.mark.parametrize("instrument", [None, "analyzer", "flask"])
@pytest.mark.parametrize(
    ("band", "count"), [("north", 2.0), ("belt", 1.667), ("belt", 2.334), ("south", 1.0), ("each", 0.5)]
)
def test_a_band_counts_picked_and_running_sites_and_a_track_by_its_share_of_time(instrument, band, count):
    rule = {"kind": "band_at_least", "name": "rule", "band": band, "count": count}
    rule |= {"instrument": instrument} if instrument else {}
    labels = ["rule, band south", "rule, band north"] if band == "each" else ["rule"]
    region = made.region(SPREAD, years=1, plans=PLANS, bands=BANDS, rules=[rule])
    agree(region, "band_at_least", *labels)


def test_two_thirds_of_a_track_count_as_667_thousandths():
    """A track from 5 S to 10 N spends about two thirds of its way, so of its time, in the north."""
    places = [{"id": "d"} | TRACK]
    for count, holds in [(0.667, True), (0.668, False)]:
        rule = {"kind": "band_at_least", "name": "rule", "band": "north", "count": count}
        planning = plan_region(made.region(places, years=1, bands=BANDS, rules=[rule]))
        steps = planning.places.lat
        assert round(1000 * (steps > 0).mean()) == 667
        assert {j.label: j.holds for j in judge(planning, np.array([0]))}["rule"] == holds


def test_an_analyzer_beside_running_flasks_counts_as_an_analyzer_but_not_as_a_second_site():
    for instrument, count, holds in [({}, 1.0, True), ({}, 2.0, False), ({"instrument": "analyzer"}, 1.0, True)]:
        rule = {"kind": "band_at_least", "name": "rule", "band": "north", "count": count} | instrument
        places = [running("e", "f", lat=10.0, plans="a")]
        planning = plan_region(made.region(places, years=1, plans=PLANS, bands=BANDS, rules=[rule]))
        assert {j.label: j.holds for j in judge(planning, np.array([0]))}["rule"] == holds


# -- spacing -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("instrument", [None, "analyzer", "flask"])
def test_spacing_holds_between_picked_and_with_running_sites_of_the_same_kind(instrument):
    places = [
        on_equator("a", 0, plans="f a"),
        on_equator("b", 90, plans="f"),
        on_equator("c", 180, plans="b"),
        on_equator("d", 260, plans="a"),
        running("e", "f", plans="a") | on_equator("e", 330),
        on_equator("g", 3000, plans="f"),
        on_equator("h", 370, plans="f a"),
    ]
    rule = {"kind": "spacing", "name": "rule", "km": 100.0} | ({"instrument": instrument} if instrument else {})
    _, _, truths = agree(made.region(places, years=1, plans=PLANS, rules=[rule]), "spacing", "rule")
    both_happen(truths)


def test_sites_at_exactly_the_stated_distance_are_far_enough():
    """100 km measured by PROJ; asked 99.999 and 100.001 km."""
    places = [on_equator("a", 0), on_equator("b", 100)]
    for km, holds in [(99.999, True), (100.001, False)]:
        rule = {"kind": "spacing", "name": "rule", "km": km}
        planning = plan_region(made.region(places, years=1, rules=[rule]))
        assert {j.label: j.holds for j in judge(planning, np.array([0, 1]))}["rule"] == holds


def test_a_track_across_180_is_near_to_places_on_both_sides():
    """The nearest position of the track counts: 3 degrees of the equator are 334 km, 362 degrees are not."""
    places = [
        {"id": "t", "platform": "ship", "geometry": shapely.LineString([(177.0, 0.0), (-177.0, 0.0)])},
        {"id": "u", "lat": 0.0, "lon": -174.0},
        {"id": "v", "lat": 0.0, "lon": 174.0},
        {"id": "w", "lat": 0.0, "lon": 0.0},
    ]
    rule = {"kind": "spacing", "name": "rule", "km": 450.0}
    _planning, X, truths = agree(made.region(places, years=1, rules=[rule]), "spacing", "rule")
    both_happen(truths)
    picked = {tuple(np.flatnonzero(x)): bool(t) for x, t in zip(X, truths, strict=True)}
    assert [picked[0, 1], picked[0, 2], picked[0, 3], picked[1, 2]] == [False, False, True, True]


@settings(max_examples=12)
@given(st.lists(st.tuples(st.floats(-89, 89), st.floats(-180, 180)), min_size=2, max_size=6), st.floats(100, 9000))
def test_spacing_agrees_with_geodesics_anywhere_on_earth(spots, km):
    places = [{"id": f"p{k}", "lat": lat, "lon": lon} for k, (lat, lon) in enumerate(spots)]
    rule = {"kind": "spacing", "name": "rule", "km": km}
    agree(made.region(places, years=1, rules=[rule]), "spacing", "rule")


# -- comparison --------------------------------------------------------------------------------------

COMPARED = [
    on_equator("a", 0, plans="a f"),
    on_equator("b", 90, plans="f"),
    on_equator("c", 180, plans="a b"),
    running("d", "f") | on_equator("d", 400, plans="a"),
    running("e", "a") | on_equator("e", 600, plans="f"),
    on_equator("g", 690, plans="f"),
]


@pytest.mark.parametrize("count", [0, 1, 2, 3, "all"])
@pytest.mark.parametrize("km", [0.0, 100.0, 250.0])
def test_comparison_pairs_an_analyzer_with_flasks_within_the_distance(count, km):
    rule = {"kind": "comparison", "name": "rule", "count": count, "km": km}
    agree(made.region(COMPARED, years=1, plans=PLANS, rules=[rule]), "comparison", "rule")


def test_the_distance_of_a_comparison_is_that_of_the_region_unless_the_rule_says_another():
    rule = {"kind": "comparison", "name": "rule", "count": "all"}
    region = made.region(COMPARED, years=1, plans=PLANS, rules=[rule], pair_km=100.0)
    _, X, near = agree(region, "comparison", "rule")
    _, Y, same = agree(made.region(COMPARED, years=1, plans=PLANS, rules=[rule]), "comparison", "rule")
    assert np.array_equal(X, Y)
    assert (near & ~same).any()
    assert not (same & ~near).any()


def test_a_flask_site_at_exactly_the_distance_is_near_enough():
    places = [on_equator("a", 0, plans="a"), on_equator("b", 100, plans="f")]
    rule = {"kind": "comparison", "name": "rule", "count": 1, "km": 100.0}
    planning = plan_region(made.region(places, years=1, plans=PLANS, rules=[rule]))
    assert {j.label: j.holds for j in judge(planning, np.array([0, 1]))}["rule"]


def test_a_plan_both_is_its_own_pair():
    rule = {"kind": "comparison", "name": "rule", "count": "all"}
    planning = plan_region(made.region([{"id": "a", "plans": "b"}], years=1, plans=PLANS, rules=[rule]))
    assert all(j.holds for j in judge(planning, np.array([0])) if j.label == "rule")


# -- money and stock ---------------------------------------------------------------------------------

PRICED = [
    made.FLASK | {"setup_cost": 10.0, "annual_cost": 20.0, "sample_cost": 0.5},
    made.ANALYZER | {"setup_cost": 5.0, "annual_cost": 30.0},
    {
        "id": "ph",
        "kind": "flask_then_analyzer",
        "analyzer_plan": "a",
        "flask_plan": "f",
        "analyzer_after_months": 12,
    },
]
MONEY = [{"id": "a", "plans": "a"}, {"id": "b", "plans": "a", "annual_cost": 7.25}, {"id": "c", "plans": "ph"}]
BUY = {"analyzers": 1, "buy_price": 60.0, "buy_most": 2}


@pytest.mark.parametrize("stock", [{"analyzers": 3}, {"analyzers": 2, "spare_analyzers": 1} | BUY])
@pytest.mark.parametrize(
    ("budget", "years"),
    [
        ({"total": 330.0}, None),
        ({"total": 5000.0, "per_year": [120.0, 150.0, 150.0], "carry_over": True}, True),
        ({"total": 5000.0, "per_year": [120.0, 150.0, 150.0], "carry_over": False}, True),
        ({"total": 5000.0, "per_year": 140.0, "carry_over": False, "price_growth": 0.05, "contingency": 0.1}, True),
    ],
)
def test_budgets_count_sites_and_bought_analyzers_in_the_years_in_which_they_are_paid(stock, budget, years):
    """Purchases are bound to the rule on analyzers, so both kinds are looked at together."""
    region = made.region(MONEY, years=3, plans=PRICED, budget=budget, stock=stock)
    planning = plan_region(region)
    reading = sentences.Reading(region, planning.deployments)
    X = sentences.subsets(len(planning.deployments))
    X = X[reading.one_each(X)]
    labels = ["budget.total", "stock.analyzers"]
    labels += [f"budget.per_year, {y}" for y in (2030, 2031, 2032)] if years else []
    want = reading.hold(X, labels)
    both_happen(want)
    only = {kind: RULE_KINDS[kind] for kind in ("budget", "analyzers")}
    np.testing.assert_array_equal(rows_allow(start_program(planning, only).build(), X), want)
    judged = [all(j.holds for j in judge(planning, np.flatnonzero(x), only)) for x in X]
    np.testing.assert_array_equal(judged, want)


def test_carrying_over_lets_a_cheap_year_pay_for_a_dear_one_but_not_the_other_way_round():
    plans = [made.FLASK | {"setup_cost": 100.0}]
    for year, carry, holds in [(2030, True, False), (2030, False, False), (2031, True, True), (2031, False, False)]:
        budget = {"total": 1000.0, "per_year": [60.0, 60.0], "carry_over": carry}
        planning = plan_region(made.region([{"id": "a"}], years=2, plans=plans, budget=budget))
        picked = made.picks(planning, ("a", "f", year))
        assert all(j.holds for j in judge(planning, picked)) == holds


def test_an_analyzer_is_bought_in_the_year_in_which_it_is_first_needed():
    """One in stock: the first site takes it, the second, a year later, needs a bought one at 3 % more."""
    region = made.region(
        MONEY,
        plans=PRICED,
        stock=BUY,
        budget={"total": 9999.0, "price_growth": 0.03, "contingency": 0.1, "overhead": 0.2},
    )
    planning = plan_region(region)
    picked = made.picks(planning, ("a", "a", 2030), ("c", "ph", 2030))
    assert bought_by_year(planning, picked) == [0, 1, 0]
    # 60 x 1.1 x 1.2 = 79.20, a year later 81.576, then 84.02328, in cents half up.
    assert purchase_cents(planning) == [7920, 8158, 8402]
    sites = planning.deployments.yearly_cents()[picked].sum(axis=0)
    assert cost_by_year(planning, picked) == [sites[0], sites[1] + 8158, sites[2]]


def test_an_analyzer_cannot_be_bought_early_from_money_of_a_rich_year():
    """The analyzer of 2031 costs 60 in 2031, where 100 - 80 are left; the 100 of 2030 do not help."""
    plans = [made.FLASK | {"annual_cost": 20.0}, made.ANALYZER | {"annual_cost": 80.0}, PRICED[2]]
    budget = {"total": 1000.0, "per_year": 100.0, "carry_over": False}
    for price, want in [(60.0, ()), (20.0, ("a|ph|2030",))]:
        region = made.region(
            [{"id": "a", "plans": "ph"}],
            years=2,
            plans=plans,
            budget=budget,
            stock={"analyzers": 0, "buy_price": price},
            score={"worth_from": 0.0},
        )
        planning = plan_region(region)
        builder = start_program(planning)
        objective = score_objective(builder, planning)
        selection = solve(builder.build(), objective)
        assert tuple(planning.deployments.ids[k] for k in selection.picked) == want
        assert all(j.holds for j in judge(planning, np.array(selection.picked, dtype=int)))


def test_no_more_analyzers_are_bought_than_may_be():
    places = [{"id": name, "plans": "a"} for name in "abcd"]
    region = made.region(places, years=2, plans=[made.FLASK, made.ANALYZER], stock=BUY, budget={"total": 1e6})
    _, X, truths = (None, *agree(region, "analyzers", "stock.analyzers")[1:])
    np.testing.assert_array_equal(truths, X.sum(axis=1) <= 3)


@pytest.mark.parametrize("stock", [{"flasks": 40}, {"flasks": 65}])
def test_flasks_in_circulation_stay_within_the_stock_in_every_year(stock):
    places = [{"id": "a"}, {"id": "b", "visits_per_year": 2, "lead_months": 14}, {"id": "c", "plans": "ph"}]
    plans = [made.FLASK, made.ANALYZER, PRICED[2]]
    region = made.region([p | {"plans": p.get("plans", "f")} for p in places], years=2, plans=plans, stock=stock)
    _, _, truths = agree(region, "flasks", "stock.flasks")
    both_happen(truths)


@pytest.mark.parametrize("limit", [48, 80, 96])
def test_samples_for_the_laboratory_stay_within_its_limit_in_every_year(limit):
    places = [{"id": "a"}, {"id": "b", "lead_months": 5}, {"id": "c", "plans": "ph"}]
    plans = [made.FLASK, made.ANALYZER, PRICED[2]]
    region = made.region(
        [p | {"plans": p.get("plans", "f")} for p in places],
        years=2,
        plans=plans,
        laboratory={"samples_per_year": limit},
    )
    _, _, truths = agree(region, "laboratory", "laboratory.samples_per_year")
    both_happen(truths)


def test_running_stations_use_neither_budget_nor_stock_nor_laboratory():
    places = [running("r", "b"), running("s", "a"), {"id": "x", "plans": "a"}]
    region = made.region(
        places,
        plans=PLANS,
        stock={"analyzers": 1, "flasks": 0},
        laboratory={"samples_per_year": 0},
        budget={"total": 1.0},
    )
    planning = plan_region(region)
    assert all(j.holds for j in judge(planning, made.picks(planning, ("x", "a", 2030))))


def test_every_demand_has_its_own_label_so_that_a_clash_names_one_rule():
    rules = [
        {"kind": "at_most", "count": 3},
        {"kind": "at_most", "count": 2, "group": "g"},
        {"kind": "band_at_least", "band": "each", "count": 0.0},
        {"kind": "band_at_least", "band": "belt", "count": 0.0, "name": "mine"},
        {"kind": "spacing", "km": 5.0},
    ]
    region = made.region(FIVE, plans=PLANS, bands=BANDS, rules=rules, budget={"total": 1e6, "per_year": 1e5})
    labels = [demand.label for demand in demands(plan_region(region))]
    assert len(labels) == len(set(labels))
    assert {
        "at_most (rule 1)",
        "at_most (rule 2)",
        "band_at_least (rule 3), band north",
        "mine",
        "spacing (rule 5)",
    } <= set(labels)


# -- a new kind --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class HutKind:
    """A kind that only this test knows: a crew hut is built once, at a price, if any site of a group is picked."""

    group: str
    price_cents: int

    def _members(self, planning):
        groups = planning.region.candidates.group
        return np.flatnonzero([self.group in groups[i] for i in planning.deployments.candidate])

    def demands(self, planning):
        limit = round(planning.region.settings.budget.total * 100)
        return [Demand("hut", "sites and hut within the budget", limit)]

    def add(self, builder, planning, demand):
        hut = builder.add_column("crew hut", cost=self.price_cents, family="huts")
        for k in self._members(planning):
            builder.add_row("", [int(k), hut], [1, -1], upper=0)
        totals = planning.deployments.yearly_cents().sum(axis=1)
        columns = np.append(np.flatnonzero(totals), hut)
        builder.add_row(
            demand.label, columns, np.append(totals[np.flatnonzero(totals)], self.price_cents), upper=demand.data
        )

    def judge(self, planning, picked, demand):
        spent = int(planning.deployments.yearly_cents()[picked].sum())
        spent += self.price_cents if np.isin(picked, self._members(planning)).any() else 0
        return verdict(demand, spent <= demand.data, f"{spent}")


def test_a_new_kind_with_a_column_of_its_own_needs_no_change_of_a_solver():
    """Two sites of the group share one hut; a hut for one of them alone is not worth it."""
    places = [
        {"id": "a", "group": "g", "setup_cost": 30, "baseline_exposure": 0.50},
        {"id": "b", "group": "g", "setup_cost": 30, "baseline_exposure": 0.50},
        {"id": "c", "setup_cost": 60, "baseline_exposure": 0.69},
    ]
    score = {"coverage_weight": 0.0, "worth_from": 0.0}
    for total, price, want in [
        (100.0, 40, "ab"),
        (100.0, 41, "c"),
        (160.0, 100, "ab"),
        (89.0, 30, "c"),
        (90.0, 30, "ab"),
    ]:
        planning = plan_region(made.region(places, years=1, budget={"total": total}, score=score))
        kinds = MappingProxyType(dict(RULE_KINDS) | {"hut": HutKind("g", 100 * price)})
        builder = start_program(planning, kinds)
        objective = score_objective(builder, planning)
        program = builder.build()
        selection = solve(program, objective, Limits(gap=0.0))
        assert "".join(planning.deployments.ids[k][0] for k in selection.picked) == want
        picked = np.array(selection.picked, dtype=np.int64)
        assert all(j.holds for j in judge(planning, picked, kinds))
        assert selection.value == pytest.approx(layout_score(planning, picked).total)
        # The hut's column is settled at the least cost: built only where somebody needs it.
        assert selection.values[program.columns_of["huts"]].tolist() == [1.0 if "a" in want or "b" in want else 0.0]


def test_a_clash_names_the_new_kind_too():
    places = [{"id": "a", "group": "g", "setup_cost": 30, "status": "required"}]
    planning = plan_region(made.region(places, years=1, budget={"total": 100.0}))
    kinds = dict(RULE_KINDS) | {"hut": HutKind("g", 10**6)}
    builder = start_program(planning, kinds)
    objective = score_objective(builder, planning)
    selection = solve(builder.build(), objective)
    assert selection.clash == ("status required: a", "hut")
