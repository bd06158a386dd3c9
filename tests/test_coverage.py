"""Coverage of hand-made layouts against hand sums, and profile efficiencies against published designs.

The D-optimal support of a polynomial of degree d on -1 <= x <= 1 is at the roots of (1 - x^2) P'_d(x) with equal
weights: Guest 1958, Ann. Math. Stat. 29, 294-299; Hoel 1958, Ann. Math. Stat. 29, 1134-1145.
"""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import legendre
from pyproj import Geod

from siting.assessment.coverage import coverage, reach
from siting.assessment.layout import assess_layout
from siting.assessment.money import money_of
from siting.assessment.profiles import profile_efficiencies
from siting.outputs.terminal import layout_text
from siting.planning import plan_region

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

PLANS = [made.FLASK, made.ANALYZER, made.BOTH]
# A mean month has 365.25 x 24 / 12 hours.
MONTH = 730.5
HALVES = [{"id": "south", "south": -90, "north": 0}, {"id": "north", "south": 0, "north": 90}]


def place(name, lat, lon=0.0, **more):
    return {"id": name, "lat": lat, "lon": lon, "baseline_exposure": 0.5} | more


def covered(places, wanted, bands=HALVES, months=None, plans=PLANS):
    planning = plan_region(made.region(places, months=months, plans=plans, bands=bands))
    return coverage(planning, made.picks(planning, *((i, p, 2030) for i, p in wanted)))


def test_bands_count_analyzers_flasks_both_and_running_apart():
    found = covered(
        [
            place("a1", -10),
            place("a2", -20, 40),
            place("f1", -30),
            place("b1", 10),
            place("left out", 50),
            place("runs", 60, status="running", running_since="2020.0", running_plan="f"),
        ],
        [("a1", "a"), ("a2", "a"), ("f1", "f"), ("b1", "b")],
    )
    south, north = found.bands
    assert (south.analyzers, south.flasks, south.both, south.running, south.sites) == (2, 1, 0, 0, 3)
    assert (north.analyzers, north.flasks, north.both, north.running, north.sites) == (0, 0, 1, 1, 2)
    assert (south.band, south.south, south.north, south.area_share) == ("south", -90, 0, 0.5)


def test_hours_of_baseline_air_are_a_hand_sum():
    # a: 12 open months of exposure .5: 12 x 730.5 x .5 = 4383; b: Nov-Feb (4 months) of .8: 4 x 730.5 x .8 = 2337.6.
    found = covered(
        [place("a", 10), place("b", 20, baseline_exposure=0.8, open_months="Nov-Feb")], [("a", "f"), ("b", "f")]
    )
    assert found.bands[1].baseline_hours == pytest.approx(4383.0 + 2337.6)
    assert found.bands[0].baseline_hours == 0.0


def test_hours_use_the_exposure_of_each_month_and_only_of_open_ones():
    months = {("a", m): {"exposure": m / 20} for m in range(1, 13)}
    found = covered([place("a", 10, open_months="3-5")], [("a", "f")], months=months)
    assert found.bands[1].baseline_hours == pytest.approx(MONTH * (3 + 4 + 5) / 20)
    assert found.bands[1].best_exposure == pytest.approx(4 / 20)


def test_a_float_counts_hours_for_the_share_of_time_it_works():
    found = covered([place("float", 10, platform="moored", duty_cycle=0.6)], [("float", "f")])
    assert found.bands[1].baseline_hours == pytest.approx(12 * MONTH * 0.5 * 0.6)
    assert found.bands[1].sites == 1.0


def test_running_stations_give_hours_without_being_picked():
    found = covered([place("runs", 10, status="running", running_since="2020.0"), place("p", -10)], [("p", "f")])
    assert found.bands[1].baseline_hours == pytest.approx(12 * MONTH * 0.5)
    assert (found.bands[1].running, found.bands[1].best_site) == (1.0, "runs")


def test_a_running_station_that_gets_a_new_plan_counts_once_as_running():
    places = [place("runs", 10, status="running", running_since="2020.0", running_plan="f", plans="b")]
    north = covered(places, [("runs", "b")]).bands[1]
    assert (north.sites, north.running, north.both) == (1.0, 1.0, 0.0)
    assert north.baseline_hours == pytest.approx(12 * MONTH * 0.5)


def test_a_track_counts_in_each_band_by_its_share_of_time():
    # Along a meridian from 20 S to 40 N, on the WGS 84 ellipsoid, from pole quadrant 10,001.966 km: the meridian arc
    # from 0 to 20 is 2,212.366 km, to 40 is 4,429.529 km (Vincenty-type series, computed with PROJ).

    geod = Geod(ellps="WGS84")
    south_km = geod.inv(0, -20, 0, 0)[2]
    north_km = geod.inv(0, 0, 0, 40)[2]
    track = place("ship", 0, platform="ship", geometry=shapely.LineString([(0, -20), (0, 40)]))
    south, north = covered([track], [("ship", "f")]).bands
    assert north.sites == pytest.approx(north_km / (north_km + south_km), abs=0.01)
    assert south.sites + north.sites == pytest.approx(1.0)
    assert south.baseline_hours + north.baseline_hours == pytest.approx(12 * MONTH * 0.5)
    assert north.baseline_hours / south.baseline_hours == pytest.approx(north.sites / south.sites)


def test_the_best_site_of_a_band_has_the_greatest_exposure_and_equal_ones_go_by_id():
    places = [place("c", 5, 10, baseline_exposure=0.7), place("b", 6, 40, baseline_exposure=0.7), place("a", 7, 80)]
    north = covered(places, [("a", "f"), ("b", "f"), ("c", "f")]).bands[1]
    assert (north.best_site, north.best_exposure) == ("b", pytest.approx(0.7))
    assert covered(places, [("a", "f")]).bands[1].best_site == "a"
    assert covered(places, [("a", "f")]).bands[0].best_site is None
    assert covered(places, [("a", "f")]).bands[0].best_exposure is None


def test_a_band_that_is_not_for_coverage_is_not_shown():
    bands = [*HALVES, {"id": "target only", "south": -30, "north": 30, "coverage": False}]
    assert [b.band for b in covered([place("a", 10)], [("a", "f")], bands=bands).bands] == ["south", "north"]


def test_gaps_count_the_poles_as_ends_and_come_widest_first():
    found = covered([place("a", -30), place("b", 10, 30), place("c", 12, 90)], [("a", "f"), ("b", "f"), ("c", "f")])
    assert [(g.from_lat, g.to_lat) for g in found.gaps] == [(12, 90), (-90, -30), (-30, 10), (10, 12)]
    assert [g.width_deg for g in found.gaps] == [78, 60, 40, 2]


def test_a_running_station_closes_a_gap_and_an_unpicked_candidate_does_not():
    places = [place("a", -30), place("runs", 50, status="running", running_since="2020.0"), place("idle", 0, 90)]
    assert [(g.from_lat, g.to_lat) for g in covered(places, [("a", "f")]).gaps] == [(-30, 50), (-90, -30), (50, 90)]


def test_a_track_leaves_no_gap_between_its_two_ends():
    track = place("ship", 0, platform="ship", geometry=shapely.LineString([(0, -20), (0, 40)]))
    found = covered([track, place("a", 10, 90), place("b", 60)], [("ship", "f"), ("a", "f"), ("b", "f")])
    assert [(g.from_lat, g.to_lat) for g in found.gaps] == [(-90, -20), (60, 90), (40, 60)]


def test_two_tracks_that_overlap_leave_the_gaps_around_both():
    ships = [
        place("one", 0, platform="ship", geometry=shapely.LineString([(0, -20), (0, 10)])),
        place("two", 0, platform="ship", geometry=shapely.LineString([(90, 5), (90, 30)])),
    ]
    assert [(g.from_lat, g.to_lat) for g in covered(ships, [("one", "f"), ("two", "f")]).gaps] == [(-90, -20), (30, 90)]


def test_a_track_from_pole_to_pole_leaves_no_gap_and_can_still_be_shown():
    ship = place("ship", 0, platform="ship", geometry=shapely.LineString([(0, -90), (0, 0), (0, 90)]))
    planning = plan_region(made.region([ship], plans=PLANS, bands=HALVES))
    assessment = assess_layout(planning, made.picks(planning, ("ship", "f", 2030)))
    assert assessment.coverage.gaps == ()
    assert "gap" not in layout_text(planning, assessment, None)


def test_an_area_round_a_pole_reaches_beyond_the_vertices_of_its_ring():
    ring = shapely.Polygon([(lon, 80) for lon in range(-180, 180, 30)])
    planning = plan_region(made.region([place("floes", 85, platform="drifting", geometry=ring)], bands=HALVES))
    south, north = reach(planning)
    assert south[0] == 80.0
    # Positions stand in the middle of steps of 100 km, about one degree.
    assert 88.5 < north[0] <= 90.0


def test_an_empty_layout_is_one_gap_from_pole_to_pole_and_resolves_nothing():
    found = covered([place("a", 10)], [])
    assert [(g.from_lat, g.to_lat, g.width_deg) for g in found.gaps] == [(-90, 90, 180)]
    assert all(e.value == 0.0 and not e.resolved for e in found.efficiencies)
    assert all(b.sites == 0 and b.baseline_hours == 0 for b in found.bands)


def optimal_latitudes(degree):
    """Latitudes of the D-optimal support, from the definition alone: the roots of (1 - x^2) P'_d(x)."""
    inner = legendre.legroots(legendre.legder([0] * degree + [1])) if degree > 1 else []
    return [math.degrees(math.asin(x)) for x in sorted([-1.0, *np.real(inner), 1.0])]


@pytest.mark.parametrize("sites", [2, 3, 4, 5, 6])
def test_sites_on_the_d_optimal_support_are_fully_efficient(sites):
    degree = sites - 1
    places = [place(f"p{k}", lat, 30 * k) for k, lat in enumerate(optimal_latitudes(degree))]
    found = covered(places, [(p["id"], "f") for p in places])
    by_degree = {e.degree: e for e in found.efficiencies if "profile" in e.name}
    assert by_degree[degree].value == pytest.approx(1.0, abs=1e-9)
    assert by_degree[degree].resolved
    for higher in range(degree + 1, 6):
        assert by_degree[higher].value == 0.0, "fewer sites than coefficients"
        assert not by_degree[higher].resolved


def test_the_known_supports_are_those_of_the_literature():
    # Guest 1958, table 1 (values from memory, and exact: 0; 1/sqrt 5; 0 and sqrt(3/7)).
    sines = {d: [math.sin(math.radians(lat)) for lat in optimal_latitudes(d)] for d in (1, 2, 3, 4)}
    assert sines[1] == pytest.approx([-1, 1])
    assert sines[2] == pytest.approx([-1, 0, 1], abs=1e-12)
    assert sines[3] == pytest.approx([-1, -(5**-0.5), 5**-0.5, 1])
    assert sines[4] == pytest.approx([-1, -((3 / 7) ** 0.5), 0, (3 / 7) ** 0.5, 1], abs=1e-12)


def test_two_sites_at_the_poles_see_the_pole_to_pole_difference_best_and_half_way_ones_a_quarter():
    # Straight line in x = sin(latitude): two sites at +-x give variance ~ 1/x^2, so 30 N and 30 S (x = .5) give 1/4.
    at_poles = covered([place("n", 90), place("s", -90)], [("n", "f"), ("s", "f")])
    at_30 = covered([place("n", 30), place("s", -30)], [("n", "f"), ("s", "f")])
    assert at_poles.efficiencies[0].value == pytest.approx(1.0, abs=1e-9)
    assert at_30.efficiencies[0].value == pytest.approx(0.25, abs=1e-9)


def test_efficiencies_are_those_of_the_same_latitudes_with_running_stations_and_tracks_in_them():
    track = shapely.LineString([(0, -20), (0, 40)])
    places = [
        place("a", -70),
        place("runs", 33, 60, status="running", running_since="2020.0"),
        place("ship", 0, platform="ship", geometry=track),
        place("idle", 80),
    ]
    planning = plan_region(made.region(places, plans=PLANS, bands=HALVES))
    found = coverage(planning, made.picks(planning, ("a", "a", 2030), ("ship", "f", 2030)))
    where = planning.places
    ship = planning.region.candidates.index("ship")
    lat = [-70.0, 33.0, *where.lat[where.owner == ship]]
    weight = [1.0, 1.0, *where.weight[where.owner == ship]]
    assert sum(weight) == pytest.approx(3.0)
    expected = profile_efficiencies(np.array(lat), np.array(weight))
    for ours, theirs in zip(found.efficiencies, expected, strict=True):
        assert (ours.name, ours.resolved) == (theirs.name, theirs.resolved)
        assert ours.value == pytest.approx(theirs.value, rel=1e-9)


LAYOUT = st.lists(st.tuples(st.integers(-90, 90), st.sampled_from("fab")), min_size=0, max_size=6)


@settings(max_examples=25, deadline=None)
@given(LAYOUT)
def test_counts_hours_and_gaps_always_add_up(layout):
    places = [place(f"p{k}", lat, 20 * k) for k, (lat, _) in enumerate(layout)] or [place("none", 0)]
    found = covered(places, [(f"p{k}", plan) for k, (_, plan) in enumerate(layout)])
    assert sum(b.sites for b in found.bands) == pytest.approx(len(layout))
    assert sum(b.baseline_hours for b in found.bands) == pytest.approx(len(layout) * 12 * MONTH * 0.5)
    assert sum(g.width_deg for g in found.gaps) == pytest.approx(180.0)
    assert [g.width_deg for g in found.gaps] == sorted((g.width_deg for g in found.gaps), reverse=True)
    assert all(0.0 <= e.value <= 1.0 for e in found.efficiencies)


def test_the_order_in_which_deployments_are_given_changes_nothing():
    places = [place(f"p{k}", 25 * k - 60, 40 * k) for k in range(5)]
    planning = plan_region(made.region(places, plans=PLANS, bands=HALVES))
    picked = made.picks(planning, *((f"p{k}", "fabfa"[k], 2030 + k % 3) for k in range(5)))
    once, again = assess_layout(planning, picked), assess_layout(planning, picked[::-1].copy())
    assert once.coverage == again.coverage
    assert once.money == again.money
    assert [p.id for p in once.picks] == [p.id for p in again.picks] == sorted(p.id for p in once.picks)


def test_a_pick_tells_where_a_track_reaches_and_when_it_begins():
    places = [
        place("fixed", 12.5, lead_months=2, permit_months=3),
        place("ship", 0, platform="ship", geometry=shapely.LineString([(0, -20), (0, 40)])),
    ]
    planning = plan_region(made.region(places, plans=PLANS, bands=HALVES))
    fixed, ship = assess_layout(planning, made.picks(planning, ("fixed", "f", 2031), ("ship", "f", 2030))).picks
    assert (fixed.south, fixed.lat, fixed.north) == (12.5, 12.5, 12.5)
    # Lead and permit months run one after the other from January: 2 + 3 months, so June is the first month.
    assert fixed.first_month == (2031, 6)
    # 36 months in the window, 17 are over before June 2031.
    assert fixed.left == pytest.approx(19 / 36)
    assert ship.south == -20
    assert ship.north == 40


def test_money_is_a_hand_sum_by_year_and_kind():
    # Setup 1,000 in 2030; 100 a year; 48 samples a year at 2.50 = 120; contingency 10 %, overhead 20 %: x 1.32;
    # prices grow 5 % a year. 2030: (1000 + 100 + 120) x 1.32 = 1,610.40; 2031: 220 x 1.32 x 1.05 = 304.92;
    # 2032: 220 x 1.32 x 1.1025 = 320.166.
    planning = plan_region(
        made.region(
            [place("p", 10, setup_cost=1000, annual_cost=100)],
            plans=[made.FLASK | {"sample_cost": 2.5}],
            budget={"total": 1e6, "contingency": 0.1, "overhead": 0.2, "price_growth": 0.05},
        )
    )
    money = money_of(planning, made.picks(planning, ("p", "f", 2030)))
    assert money.years == (2030, 2031, 2032)
    assert money.by_year == pytest.approx((161040, 30492, 32017), abs=1)
    assert money.total == sum(money.by_year)
    assert money.total == sum(sum(site.by_kind) for site in money.sites)
    first = dict(zip(money.kinds, money.sites[0].by_kind, strict=True))
    assert first == {
        "capital": 0,
        "setup": 132000,
        "yearly": 13200,
        "samples": pytest.approx(15840, abs=1),
        "cylinders": 0,
        "transport": 0,
    }
