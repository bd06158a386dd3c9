"""The first guess of freight and ways from distances: sums by hand, where it holds and what it changes.

Distances are arcs of the equator of WGS 84 (semi-major axis 6378.137 km), so that prices can be added up by hand; the
rule itself is our own, assumed. The peak of flasks in circulation is whole intervals between calls times the flasks of
one call (Little 1961, Operations Research 9, 383, rounded up to calls). Places and prices are invented.
"""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting.planning import plan_region
from siting.supply.estimate import estimates, rule_words

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

KM_PER_DEGREE = math.pi / 180.0 * 6378.137  # of the equator
LABORATORY = {"lat": 0.0, "lon": 0.0}
SITE = {"id": "s", "lat": 0, "lon": 90}
LEG = {"from": "laboratory", "to": "s", "mode": "ship", "days": 20, "cost_a_box": 7}


def guess(lon=90.0, km=(80.0, 30.0), **given):
    """Return the guess for one site on the equator: known, days, price of a box one way."""
    region = made.region([SITE | {"lon": lon}], **{"laboratory": LABORATORY, "distances_km": {"s": km}} | given)
    found = estimates(region)
    return bool(found.known[0]), float(found.days[0]), float(found.box_price[0])


def supplied(*sites, plan="f", **given):
    """Return the supply of sites with distances of 80 and 30 km, and the first way of the first year's deployments."""
    distances = {site["id"]: (80.0, 30.0) for site in sites}
    planning = plan_region(made.region(sites, **{"laboratory": LABORATORY, "distances_km": distances} | given))
    d = planning.deployments
    at = [d.ids.index(f"{site['id']}|{plan}|2030") for site in sites]
    return planning.supply, at


# -- the rule --------------------------------------------------------------------------------------


def test_price_and_days_of_a_box_are_the_hand_sum():
    """A quarter of the equator is 10,018.754 km: 40 + 15 x 10.018754 + 0.5 x 30 = 205.2813; 80 km to an airport."""
    known, days, price = guess()
    assert known
    assert days == 10.0
    assert price == pytest.approx(205.281315, abs=1e-5)


def test_a_site_beside_the_laboratory_pays_the_fixed_price_and_the_way_to_the_port():
    assert guess(lon=0.0, km=(500.0, 120.0)) == (True, 45.0, pytest.approx(40.0 + 0.5 * 120.0, abs=1e-9))


@pytest.mark.parametrize(("km", "near"), [((80.0, 30.0), 30.0), ((30.0, 80.0), 30.0), ((0.0, 900.0), 0.0)])
def test_the_nearer_of_airport_and_port_counts_for_the_local_way(km, near):
    assert guess(lon=0.0, km=km)[2] == pytest.approx(40.0 + 0.5 * near, abs=1e-9)


@pytest.mark.parametrize(("airport", "days"), [(0.0, 10.0), (100.0, 10.0), (100.001, 45.0), (5000.0, 45.0)])
def test_goods_go_by_air_where_an_airport_is_as_near_as_the_setting(airport, days):
    assert guess(km=(airport, 10.0))[1] == days


def test_every_setting_of_the_rule_is_used():
    """A degree of the equator is 111.3195 km: 1 + 2 x 0.1113195 + 3 x 4 = 13.222639."""
    own = {
        "estimate_box": 1.0,
        "estimate_box_per_1000_km": 2.0,
        "estimate_box_per_local_km": 3.0,
        "estimate_air_days": 6.0,
        "estimate_ship_days": 70.0,
        "estimate_air_within_km": 5.0,
    }
    assert guess(1.0, (5.0, 4.0), supply=own) == (True, 6.0, pytest.approx(13.222639, abs=1e-6))
    assert guess(1.0, (5.1, 4.0), supply=own)[1] == 70.0


@given(
    lon=st.floats(-179.0, 179.0),
    airport=st.floats(0.0, 5000.0),
    port=st.floats(0.0, 5000.0),
    prices=st.tuples(st.floats(0.0, 1e4), st.floats(0.0, 1e4), st.floats(0.0, 1e3)),
)
def test_the_price_is_the_rule_and_grows_with_every_distance(lon, airport, port, prices):
    names = ("estimate_box", "estimate_box_per_1000_km", "estimate_box_per_local_km")
    supply = dict(zip(names, prices, strict=True))
    price = guess(lon, (airport, port), supply=supply)[2]
    want = prices[0] + prices[1] * abs(lon) * KM_PER_DEGREE / 1000.0 + prices[2] * min(airport, port)
    assert price == pytest.approx(want, rel=1e-9, abs=1e-6)
    assert guess(lon, (airport + 10.0, port + 10.0), supply=supply)[2] >= price


def test_the_longitude_of_the_laboratory_may_be_given_in_either_way():
    west = guess(laboratory={"lat": 0.0, "lon": -30.0})
    assert guess(laboratory={"lat": 0.0, "lon": 330.0}) == pytest.approx(west, abs=1e-9)


def test_the_rule_in_words_holds_the_region_s_own_numbers():
    supply = {"estimate_box": 41.5, "estimate_box_per_1000_km": 16.25, "estimate_air_days": 9.0}
    words = rule_words(made.region([SITE], supply=supply))
    for piece in ("41.5 + 16.25 for each 1,000 km", "0.5 for each km", "9 days by air", "within 100 km", "45 by ship"):
        assert piece in words


# -- where it holds --------------------------------------------------------------------------------


def test_candidates_without_distances_are_left_alone():
    sites = [SITE | {"id": name} for name in "abcd"]
    nan = math.nan
    km = {"a": (80.0, 30.0), "b": (nan, nan), "c": (nan, 30.0), "d": (80.0, nan)}
    found = estimates(made.region(sites, laboratory=LABORATORY, distances_km=km))
    assert found.known.tolist() == [True, False, False, False]
    assert (found.box_price[1:] == 0.0).all()
    assert np.isfinite(found.days).all()


@pytest.mark.parametrize(
    "given",
    [
        {"supply": {"estimate": False}},
        {"laboratory": {"samples_per_year": 900}},
        {"distances_km": {}},
    ],
    ids=["not wanted", "laboratory without a place", "no distances"],
)
def test_nothing_is_guessed_where_it_is_not_wanted_or_cannot_be_told(given):
    assert guess(**given) == (False, 0.0, 0.0)
    supply, (k,) = supplied(SITE, **given)
    assert not supply.estimated.any()
    way = supply.first[k]
    # as the candidate's own columns have it: 30 days each way, freight within its yearly cost
    assert supply.home_days[way] == supply.out_days[way] == 30.0
    assert supply.cents[way].tolist() == [0, 0, 0]
    assert supply.flasks[way].tolist() == [32, 32, 32]


@pytest.mark.parametrize("order", [1, -1])
def test_a_guess_belongs_to_its_id_whatever_the_order_of_candidates(order):
    sites = [SITE | {"id": "a", "lon": 10}, SITE | {"id": "b", "lon": 20}, SITE | {"id": "c", "lon": 30}][::order]
    km = {"a": (1.0, 5.0), "c": (900.0, 3.0)}
    found = estimates(made.region(sites, laboratory=LABORATORY, distances_km=km))
    thousands = KM_PER_DEGREE / 100.0
    want = [40.0 + 15.0 * thousands + 0.5, 0.0, 40.0 + 15.0 * 3.0 * thousands + 1.5]
    np.testing.assert_allclose(found.box_price, want, atol=1e-6)
    assert found.days[[0, 2]].tolist() == [10.0, 45.0]


# -- what follows from it --------------------------------------------------------------------------


def test_freight_of_a_year_is_boxes_there_and_back():
    """8 flasks a month in one box of 12: 12 boxes each way x 205.281315 x 2 = 4926.75 a year."""
    supply, (k,) = supplied(SITE)
    way = supply.first[k]
    assert supply.boxes[way].tolist() == [12, 12, 12]
    assert supply.cents[way].tolist() == [492675] * 3
    assert supply.estimated[k]


def test_broken_flasks_growth_contingency_and_overhead_come_on_top():
    """(4926.75156 + 0.01 x 96 x 20) x 1.1 x 1.2 = 6528.65606, x 1.05 a year: 6855.08886 and 7197.84331."""
    budget = {"total": 1e9, "contingency": 0.1, "overhead": 0.2, "price_growth": 0.05}
    supply, (k,) = supplied(SITE, supply={"flask_price": 20.0}, budget=budget)
    assert supply.cents[supply.first[k]].tolist() == [652866, 685509, 719784]


def test_smaller_boxes_and_fewer_calls_change_the_boxes():
    """Four calls a year with 24 flasks each are 3 boxes of 8, so 12 a year; in boxes of 12 they are 8."""
    supply, (k,) = supplied(SITE | {"visits_per_year": 4}, supply={"box_flasks": 8})
    assert supply.boxes[supply.first[k]].tolist() == [12] * 3
    supply, (k,) = supplied(SITE | {"visits_per_year": 4})
    assert supply.boxes[supply.first[k]].tolist() == [8] * 3
    assert supply.cents[supply.first[k]].tolist() == [round(8 * 2 * 20528.1315)] * 3


@pytest.mark.parametrize(
    ("km", "days", "flasks"),
    [((80.0, 30.0), 10.0, 24), ((800.0, 30.0), 45.0, 40), (None, 30.0, 32)],
    ids=["by air", "by ship", "by the settings"],
)
def test_flasks_at_the_peak_follow_the_days_of_the_way(km, days, flasks):
    """8 flasks a call, calls each 30.4375 days, 30 days in the laboratory.

    By air 30.4375 + 2 x 10 + 30 = 80.4 days are 3 intervals; by ship 150.4 are 5; 30 days each way are 120.4: 4.
    """
    supply, (k,) = supplied(SITE, distances_km={"s": km} if km else {})
    way = supply.first[k]
    assert supply.home_days[way] == supply.out_days[way] == days
    assert supply.flasks[way].tolist() == [flasks] * 3
    assert supply.mean_flasks[way] == pytest.approx(96.0 * (365.25 / 12 + 2 * days + 30.0) / 365.25)
    assert supply.oldest[way] == pytest.approx(365.25 / 12 + days)
    assert supply.words(way) == ("", "")


def test_a_later_start_pays_no_freight_before_it():
    planning = plan_region(made.region([SITE], laboratory=LABORATORY, distances_km={"s": (80.0, 30.0)}))
    k = planning.deployments.ids.index("s|f|2031")
    assert planning.supply.cents[planning.supply.first[k]].tolist() == [0, 492675, 492675]


def test_an_analyzer_that_nothing_travels_to_pays_no_freight_and_is_not_marked():
    supply, (f, a) = supplied(SITE, SITE | {"id": "t"}, plans=[made.ANALYZER], plan="a")
    for k in (f, a):
        assert supply.cents[supply.first[k]].tolist() == [0, 0, 0]
        assert supply.flasks[supply.first[k]].tolist() == [0, 0, 0]
    assert not supply.estimated.any()


def test_flasks_that_compare_an_analyzer_pay_freight_by_the_guess():
    """12 flasks a year at 12 calls: a box at each, 12 boxes."""
    given = {"plans": [made.ANALYZER], "supply": {"comparison_flasks_per_year": 12}}
    supply, (k,) = supplied(SITE, plan="a", **given)
    assert supply.estimated[k]
    assert supply.cents[supply.first[k]].tolist() == [492675] * 3


# -- legs win --------------------------------------------------------------------------------------


def test_legs_win_over_the_guess():
    """The leg costs 7 a box: 12 boxes there and back are 168 a year."""
    other = SITE | {"id": "t"}
    supply, (k, beside) = supplied(SITE, other, legs=[LEG])
    way = supply.first[k]
    assert supply.cents[way].tolist() == [16800] * 3
    assert supply.words(way) == ("laboratory > s", "s > laboratory")
    assert not supply.estimated[k]
    # a site beside it that no leg reaches keeps its guess
    assert supply.estimated[beside]
    assert supply.cents[supply.first[beside]].tolist() == [492675] * 3


def test_a_leg_that_leads_there_and_not_back_leaves_the_guess():
    supply, (k,) = supplied(SITE, legs=[LEG | {"both_ways": "no"}])
    assert supply.estimated[k]
    assert supply.cents[supply.first[k]].tolist() == [492675] * 3


def test_marks_are_one_for_each_deployment():
    sites = [SITE | {"id": "a"}, SITE | {"id": "b"}, SITE | {"id": "s"}]
    km = {"a": (80.0, 30.0), "s": (80.0, 30.0)}
    planning = plan_region(made.region(sites, laboratory=LABORATORY, distances_km=km, legs=[LEG]))
    d, supply = planning.deployments, planning.supply
    assert supply.estimated.shape == (len(d),)
    assert {d.ids[k][0] for k in np.flatnonzero(supply.estimated)} == {"a"}
    assert {d.ids[k][0] for k in np.flatnonzero(~supply.estimated)} == {"b", "s"}


# -- read from the derived file --------------------------------------------------------------------


def test_distances_are_those_of_the_derived_file_by_id(make_region):
    derived = "id,port_km,airport_km\nbrisa,7,900\nalba,30,80\ngone,1,2\n"
    region = make_region().file("candidates.derived.csv", derived).read()
    np.testing.assert_array_equal(region.distances_km, [[80.0, 30.0], [900.0, 7.0], *[[math.nan] * 2] * 2])
    with pytest.raises(ValueError, match="read-only"):
        region.distances_km[0, 0] = 1.0


@pytest.mark.parametrize("cell", ["", "nan", "inf", "-1", "-", "1,5", "far"])
def test_a_cell_that_is_no_distance_tells_none(make_region, cell):
    derived = f'id,airport_km,port_km\nalba,"{cell}",30\nbrisa,80,30\n'
    maker = make_region().file("candidates.derived.csv", derived).append("[laboratory]\nlat = 1.0\nlon = 2.0")
    region = maker.read()
    assert math.isnan(region.distances_km[0, 0])
    assert estimates(region).known.tolist() == [False, True, False, False]


@pytest.mark.parametrize("derived", [None, "id,coast_km\nalba,3\n", "id,airport_km\nalba,3\n"])
def test_without_a_derived_file_of_both_distances_there_are_none(make_region, derived):
    maker = make_region()
    if derived:
        maker.file("candidates.derived.csv", derived)
    region = maker.read()
    assert region.distances_km.shape == (4, 2)
    assert np.isnan(region.distances_km).all()
