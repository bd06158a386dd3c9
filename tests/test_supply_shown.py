"""What is told of the supply of a layout: costs alone and beside others, legs in use, tables, layer and map.

Everything is invented. RFC 7946 (section 3.1.9) is the source of the cut at 180 degrees.
"""

import csv
import importlib.util
import io
import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely.geometry import shape

from siting.assessment.layout import assess_layout
from siting.assessment.supply import supply_statement
from siting.outputs.run import layout_files
from siting.outputs.supply import sentences, supply_csv, supply_geojson, supply_text
from siting.planning import plan_region
from siting.selection.shipping import best_ways
from siting.selection.standing import with_best_ways

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

LAB = "laboratory"
VOYAGE = {"fixed_cost_a_year": 1000, "voyage": "v"}
LEGS = [
    {"from": LAB, "to": "port", "mode": "road", "days": 1, "cost_a_box": 2},
    {"from": "port", "to": "a", "mode": "ship", "days": 3, "cost_a_box": 5} | VOYAGE,
    {"from": "port", "to": "b", "mode": "ship", "days": 4, "cost_a_box": 6} | VOYAGE,
]
PLACES = [{"id": "a", "lat": 0, "lon": -175}, {"id": "b", "lat": 5, "lon": 178}, {"id": "c", "lat": 20, "lon": 0}]
HUBS = [{"id": "port", "lat": 0, "lon": 175}]


def layout(*, budget=1e9, legs=LEGS, places=PLACES, picks=("a", "b"), **more):
    """Return the planning of a layout of flask sites with the best ways, and its picks."""
    given = {"years": 1, "supply": {"breakage": 0.0}, "laboratory": {"lat": 45.0, "lon": -60.0}} | more
    region = made.region(places, legs=legs, hubs=HUBS, budget={"total": budget}, **given)
    planning = plan_region(region)
    picked = made.picks(planning, *((name, "f", 2030) for name in picks))
    return with_best_ways(planning, picked), picked


def test_transport_alone_and_beside_the_others_are_the_hand_sums():
    """12 calls of a box each way: a 12 x 2 x 7 = 168, b 12 x 2 x 8 = 192; the ship costs 1,000 a year, once."""
    found = supply_statement(*layout())
    a, b = found.sites
    assert (a.alone, a.beside, a.freight) == (116800, 16800, 16800)
    assert (b.alone, b.beside, b.freight) == (119200, 19200, 19200)
    assert (a.shared_with, b.shared_with) == (("b",), ("a",))
    assert found.fixed_by_name == (("voyage v", 100000, ("a", "b")),)


def test_a_site_that_the_budget_bears_only_beside_its_neighbour_is_said_to_be_so():
    """Both cost 1,360. If a paid 1,168 alone and b its 1,192, that would be 2,360."""
    for budget, expected in ((2000.0, False), (3000.0, True)):
        planning, picked = layout(budget=budget)
        found = supply_statement(planning, picked)
        assert [site.affordable_alone for site in found.sites] == [expected] * 2
        said = " ".join(sentences(planning, found))
        assert ("the budget would not bear it alone" in said) is not expected
        assert "a: transport costs 1,168 alone, 168 beside b" in said


def test_without_a_partner_alone_and_beside_are_the_same():
    found = supply_statement(*layout(picks=("a", "c")))
    assert [(site.id, site.shared_with, site.alone == site.beside) for site in found.sites] == [
        ("a", (), True),
        ("c", (), True),
    ]
    assert found.sites[1].way_home == "", "no leg leads to c"


def test_boxes_and_money_of_the_legs_add_up_to_those_of_the_sites():
    planning, picked = layout()
    found = supply_statement(planning, picked)
    assert [(leg.begin, leg.end, leg.boxes_out, leg.boxes_home, leg.users) for leg in found.legs] == [
        (LAB, "port", 24, 24, ("a", "b")),
        ("port", "a", 12, 12, ("a",)),
        ("port", "b", 12, 12, ("b",)),
    ]
    assert sum(leg.freight for leg in found.legs) == sum(site.freight for site in found.sites)
    assert sum(leg.fixed for leg in found.legs) == 100000
    money = assess_layout(planning, picked).money
    assert sum(f.cents for f in money.fixed) == 100000
    assert money.total == sum(sum(s.by_kind) for s in money.sites) + 100000


def test_the_layer_of_legs_is_cut_at_180_degrees_and_has_its_ends_where_the_places_are():
    planning, picked = layout()
    content = json.loads(supply_geojson(supply_statement(planning, picked)))
    by_end = {one["properties"]["to"]: one for one in content["features"]}
    over = shape(by_end["a"]["geometry"])
    assert over.geom_type == "MultiLineString"
    assert {abs(x) for part in over.geoms for x, _ in (part.coords[0], part.coords[-1])} == {175.0, 180.0}
    assert shape(by_end["b"]["geometry"]).geom_type == "LineString"
    assert np.abs(shapely.get_coordinates([shape(one["geometry"]) for one in content["features"]])[:, 0]).max() <= 180.0
    assert by_end["a"]["properties"]["fixed_cost"] + by_end["b"]["properties"]["fixed_cost"] == 1000.0


def test_a_leg_to_a_laboratory_without_a_place_has_no_geometry():
    planning, picked = layout(laboratory={})
    content = json.loads(supply_geojson(supply_statement(planning, picked)))
    assert [one["geometry"] is None for one in content["features"]] == [True, False, False]


def test_the_table_has_a_row_a_site_and_the_text_fits_80_columns():
    planning, picked = layout()
    found = supply_statement(planning, picked)
    rows = list(csv.DictReader(io.StringIO(supply_csv(found))))
    assert [row["id"] for row in rows] == ["a", "b"]
    assert [row["way_home"] for row in rows] == ["a > port > laboratory", "b > port > laboratory"]
    assert [row["flasks_at_peak"] for row in rows] == [str(site.peak_flasks) for site in found.sites]
    text = supply_text(planning, found, 80)
    assert max(map(len, text.splitlines())) <= 80
    assert "flasks are in circulation on average" in " ".join(text.split())


def test_the_map_draws_every_leg_in_use_and_says_what_the_lines_are():
    planning, picked = layout()
    svg = layout_files(planning, assess_layout(planning, picked), None)["map.svg"]
    assert svg.count('class="wm-leg-shared"') >= 2  # the road for both, and its line in the key
    assert "Leg of supply for several sites" in svg
    assert "port - a by ship: 12 boxes a year, for a" in svg
    alone, only = layout(picks=("c",))
    assert "wm-leg" not in layout_files(alone, assess_layout(alone, only), None)["map.svg"]


def test_a_scarce_stock_of_flasks_asks_for_the_dearer_but_faster_way():
    slow_and_fast = [
        {"from": LAB, "to": "a", "mode": "ship", "days": 60, "departures_a_year": 12, "cost_a_box": 1},
        {"from": LAB, "to": "a", "mode": "aircraft", "days": 1, "departures_a_year": 12, "cost_a_box": 50},
    ]
    free, picked = layout(legs=slow_and_fast, picks=("a",))
    plenty = int(free.supply.flasks[free.ways_of(picked)].max())
    scarce, same = layout(legs=slow_and_fast, picks=("a",), stock={"flasks": plenty - 1})
    assert scarce.supply.flasks[scarce.ways_of(same)].max() < plenty
    assert scarce.supply.cents[scarce.ways_of(same)].sum() > free.supply.cents[free.ways_of(picked)].sum()


def test_a_capacity_is_kept_by_the_ways_if_any_ways_keep_it():
    legs = [
        {"from": LAB, "to": "port", "mode": "ship", "days": 9, "departures_a_year": 12, "cost_a_box": 1,
         "capacity_in_boxes": 1},
        {"from": LAB, "to": "port", "mode": "aircraft", "days": 9, "departures_a_year": 12, "cost_a_box": 30},
        {"from": "port", "to": "a", "mode": "road", "days": 1},
        {"from": "port", "to": "b", "mode": "road", "days": 1},
    ]  # fmt: skip
    planning, picked = layout(legs=legs)
    chosen = best_ways(planning, picked)
    full = planning.supply.fills[list(chosen.values())].sum(axis=0)
    assert full.max() == 1, "12 boxes a year fill the ship each way"
    # Each way 12 boxes sail and 12 fly: 2 x (12 x 1 + 12 x 30).
    assert planning.supply.cents[list(chosen.values())].sum() == 74400


@pytest.mark.parametrize("share", [True, False])
def test_costs_by_year_hold_the_fixed_costs_whether_shared_or_not(share):
    planning, picked = layout(supply={"breakage": 0.0, "sharing": share})
    assert assess_layout(planning, picked).money.total == (136000 if share else 236000)


def test_the_wait_of_a_sample_for_its_call_is_half_of_even_gaps_and_more_of_uneven_ones():
    """Common practice (renewal theory): half the gap for even calls, sum(I^2) / (2 sum I) for uneven ones."""
    even, picked = layout(
        legs=[{"from": LAB, "to": "a", "mode": "ship", "days": 5, "departures_a_year": 4}], picks=("a",)
    )
    assert supply_statement(even, picked).sites[0].mean_wait == pytest.approx(365.25 / 8)
    named = [{"from": LAB, "to": "a", "mode": "ship", "days": 5, "departures": "01-01 03-02"}]
    uneven, same = layout(legs=named, picks=("a",))
    assert supply_statement(uneven, same).sites[0].mean_wait == pytest.approx((60**2 + 305**2) / (2 * 365))


def test_an_estimate_that_only_lacks_the_place_of_the_laboratory_is_offered():
    known = {"distances_km": {"c": (40.0, 300.0)}, "picks": ("c",), "legs": ()}
    for laboratory, offered in (({}, True), ({"lat": 45.0, "lon": -60.0}, False)):
        planning, picked = layout(laboratory=laboratory, **known)
        said = " ".join(sentences(planning, supply_statement(planning, picked)))
        assert ("with laboratory.lat and laboratory.lon they would be estimated" in said) is offered
        assert ("Assumed for c, where no leg leads" in said) is not offered
