"""Ways of supply: against shortest ways of scipy, and against every simple path walked day by day.

Time-dependent shortest ways as in Dreyfus 1969 (Operations Research 17, 395); all simple paths by networkx. Networks,
prices and timetables are invented.
"""

import dataclasses
import datetime
import importlib.util
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from siting.api import assess
from siting.deployments import build_deployments
from siting.planning import plan_region
from siting.region.layouts import GivenLayout
from siting.region.schema.tables import LayoutRow
from siting.supply.network import build_network
from siting.supply.rounds import rounds_of
from siting.supply.table import build_supply
from siting.supply.ways import ways

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

LAB = "laboratory"
OPEN_DAYS = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]


def leg(begin, end, days=1, price=1, **more):
    return {"from": begin, "to": end, "mode": "ship", "days": days, "cost_a_box": price} | more


def sites(*names, **more):
    return [{"id": name, "lat": 0, "lon": 10 * k} | more for k, name in enumerate(names)]


def any_day_legs(seed, places):
    """Return random legs of any day, some in one direction, some twice between the same places."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(int(rng.integers(len(places), 3 * len(places)))):
        a, b = rng.choice(places, 2, replace=False)
        found.append(
            leg(str(a), str(b), int(rng.integers(1, 40)), int(rng.integers(1, 60)), both_ways=bool(rng.random() < 0.6))
        )
    return found


def shortest(region, places, weight):
    """Return a matrix of shortest ways between places by scipy, on the least weight of parallel legs."""
    number = {name: k for k, name in enumerate(places)}
    least = {}
    for one in region.legs:
        ends = [(one.from_, one.to), (one.to, one.from_)] if one.both_ways else [(one.from_, one.to)]
        for a, b in ends:
            key = (number[a], number[b])
            least[key] = min(least.get(key, np.inf), getattr(one, weight))
    rows, columns = zip(*least, strict=True)
    return dijkstra(coo_array((list(least.values()), (rows, columns)), shape=(len(places),) * 2).tocsr())


@pytest.mark.parametrize("seed", range(40))
def test_on_any_day_the_cheapest_and_the_fastest_way_are_those_of_dijkstra(seed):
    names = ["s0", "s1", "s2", "s3"]
    places = [LAB, *names, "h0", "h1"]
    region = made.region(sites(*names), legs=any_day_legs(seed, places))
    prices, days = shortest(region, places, "cost_a_box"), shortest(region, places, "days")
    network = build_network(region)
    for home in (True, False):
        found = ways(network, home=home)
        assert found.whole
        for k, name in enumerate(places[1:], 1):
            begin, end = (k, 0) if home else (0, k)
            here = found.at.get(name, ())
            assert bool(here) == np.isfinite(prices[begin, end])
            if here:
                assert here[0].price == min(way.price for way in here) == prices[begin, end]
                assert min(way.longest for way in here) == days[begin, end]


def month(day):
    return (datetime.date(2030, 1, 1) + datetime.timedelta(days=int(day) % 365)).month


class Walk:
    """One direction of a leg as its row tells it, for walks from day to day; even intervals are whole days."""

    def __init__(self, row, back):
        self.days, self.price = int(row.days), row.cost_a_box
        self.months = row.months_open
        self.dates = sorted((d + self.days if back else d) % 365 for d in row.departures)
        opened = sum(month(d) in self.months for d in range(365))
        self.interval = 0
        if row.departures_a_year is not None:
            self.interval = round((365.25 if opened == 365 else opened) / row.departures_a_year)

    def sets_out(self, day):
        return month(day) in self.months

    def begins(self):
        """Return the days on which it may set out."""
        return self.dates or [d for d in range(365) if self.sets_out(d)]

    def leaves(self, t):
        """Return the day by which what is ready on day t has left for certain."""
        if self.dates:
            while t % 365 not in self.dates:
                t += 1
            return t
        if not self.interval:
            while not self.sets_out(t):
                t += 1
            return t
        passed = 0
        while passed < self.interval:
            passed += self.sets_out(t)
            t += 1
        return t

    def ends(self):
        """Return the moments at which it may arrive: the day of a named ship, else the end of an open day."""
        return [d + self.days for d in self.dates] or [d + 1 + self.days for d in range(365) if self.sets_out(d)]

    def arrives(self, deadline):
        """Return the latest day by which one has arrived for certain, no later than the deadline."""
        t = deadline - self.days
        if self.dates:
            while t % 365 not in self.dates:
                t -= 1
        elif not self.interval:
            while not (self.sets_out(t) or self.sets_out(t - 1)):
                t -= 1
        else:
            passed = 0
            while passed < self.interval:
                t -= 1
                passed += self.sets_out(t)
        return t + self.days


def longest_home(walks):
    """Return the most days from leaving the place to the laboratory, over all days of leaving."""
    most = 0
    for begin in walks[0].begins():
        t = begin + walks[0].days
        for walk in walks[1:]:
            t = walk.leaves(t) + walk.days
        most = max(most, t - begin)
    return most


def longest_out(walks):
    """Return the most days before the arrival at the place at which a box must leave the laboratory."""
    most = 0
    for end in walks[-1].ends():
        t = end - walks[-1].days
        for walk in walks[-2::-1]:
            t = walk.arrives(t) - walk.days
        most = max(most, end - t)
    return most


def timed_legs(seed, places):
    """Return random legs with named days, even departures, closed months, fixed costs, and one-way legs among them."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(int(rng.integers(len(places), 2 * len(places) + 2))):
        a, b = rng.choice(places, 2, replace=False)
        row = leg(str(a), str(b), int(rng.integers(0, 40)), int(rng.integers(0, 30)))
        row["both_ways"] = bool(rng.random() < 0.75)
        kind = rng.random()
        months = frozenset(range(1, 13))
        if kind < 0.35:
            row["departures"] = [
                f"{month(d):02d}-{(datetime.date(2030, 1, 1) + datetime.timedelta(days=int(d))).day:02d}"
                for d in sorted(rng.choice(365, int(rng.integers(1, 6)), replace=False))
            ]
        elif kind < 0.75:
            if rng.random() < 0.6:
                months = frozenset(int(m) for m in rng.choice(12, int(rng.integers(2, 9)), replace=False) + 1)
                row["months_open"] = sorted(months)
            if rng.random() < 0.6:
                opened = sum(OPEN_DAYS[m - 1] for m in months)
                row["departures_a_year"] = (365.25 if len(months) == 12 else opened) / int(rng.choice([7, 15, 30]))
        fixed = rng.random()
        if fixed < 0.2:
            row |= {"voyage": "v", "fixed_cost_a_year": 100}
        elif fixed < 0.4:
            row["fixed_cost_a_year"] = int(rng.integers(1, 500))
        found.append(row)
    return found


def every_path(region, place, home):
    """Return {(legs, directions): (price, fixed costs, longest days)} of all simple paths, from rows of legs alone."""
    graph = nx.MultiDiGraph()
    graph.add_nodes_from([LAB, place])
    for k, row in enumerate(region.legs):
        graph.add_edge(row.from_, row.to, key=(k, False))
        if row.both_ways:
            graph.add_edge(row.to, row.from_, key=(k, True))
    begin, end = (place, LAB) if home else (LAB, place)
    paths = {}
    for edges in nx.all_simple_edge_paths(graph, begin, end):
        keys = tuple(key for _, _, key in edges)
        walks = [Walk(region.legs[k], back) for k, back in keys]
        fixed = frozenset(
            region.legs[k].voyage or k for k, _ in keys if region.legs[k].voyage or region.legs[k].fixed_cost_a_year
        )
        days = longest_home(walks) if home else longest_out(walks)
        paths[keys] = (sum(walk.price for walk in walks), fixed, days)
    return paths


def described(region, network, way):
    """Return a way as legs with directions, and its fixed costs as `every_path` has them."""
    keys = tuple(
        (network.arcs[a].leg, (network.arcs[a].begin, network.arcs[a].end) != _ends(region.legs[network.arcs[a].leg]))
        for a in way.arcs
    )
    fixed = frozenset(
        region.legs[network.shared[s].legs[0]].voyage or network.shared[s].legs[0] for s in sorted(way.shared)
    )
    return keys, fixed


def _ends(row):
    return row.from_, row.to


@pytest.mark.parametrize("home", [True, False])
@pytest.mark.parametrize("seed", range(30))
def test_with_timetables_ways_are_paths_with_their_price_and_days_and_no_path_beats_them_all(seed, home):
    names = ["s0", "s1", "s2"]
    region = made.region(sites(*names), legs=timed_legs(seed, [LAB, *names, "h0"]))
    network = build_network(region)
    found = ways(network, home=home)
    assert found.whole
    for name in names:
        paths = every_path(region, name, home)
        kept = found.at.get(name, ())
        assert bool(kept) == bool(paths)
        for way in kept:
            keys, fixed = described(region, network, way)
            assert paths[keys] == (pytest.approx(way.price), fixed, pytest.approx(way.longest))
            assert way.mean <= way.longest + 1e-6
        for price, fixed, days in paths.values():
            assert any(
                way.price <= price + 1e-9 and described(region, network, way)[1] <= fixed and way.longest <= days + 1e-6
                for way in kept
            )


def walk_of(legs, *, home, place="s"):
    network = build_network(made.region(sites("s"), legs=legs))
    return network, ways(network, home=home).at[place]


def test_a_missed_ship_costs_the_wait_for_the_next_by_hand_sum():
    """Left on February 1 (day 31) for 10 days, the ship of February 5 is missed; June 1 (day 151) and 20 days: 140."""
    legs = [
        leg("s", "h", 10, departures=["02-01"], both_ways=False),
        leg("h", LAB, 20, departures=["02-05", "06-01"], both_ways=False),
        leg(LAB, "s", both_ways=False),
    ]
    _, found = walk_of(legs, home=True)
    assert [way.longest for way in found] == [151 - 31 + 20]


def test_a_box_must_leave_for_the_last_ship_that_meets_the_next_by_hand_sum():
    """To reach s on June 11 one sails from h on June 1; the ship of January 1 is there on January 31: 161 - 0 days."""
    legs = [
        leg(LAB, "h", 30, departures=["01-01", "05-15"], both_ways=False),
        leg("h", "s", 10, departures=["06-01"], both_ways=False),
        leg("s", LAB, both_ways=False),
    ]
    _, found = walk_of(legs, home=False)
    assert [way.longest for way in found] == [161]


def test_a_box_that_leaves_on_the_first_open_day_meets_the_ship_of_the_next_day():
    """A road open in June, 1 day, for the ship of June 2: leave on June 1, not in the season before."""
    legs = [
        leg(LAB, "h", 1, months_open=[6], both_ways=False),
        leg("h", "s", 5, departures=["06-02"], both_ways=False),
        leg("s", LAB, both_ways=False),
    ]
    _, found = walk_of(legs, home=False)
    assert [way.longest for way in found] == [6]


def test_one_ship_in_a_summer_comes_in_the_next_summer_for_certain():
    """Ready on May 1 (day 120), one ship in June or July: gone by July 31 (moment 212), home 10 days later: 102."""
    legs = [
        leg("s", "h", 0, departures=["05-01"], both_ways=False),
        leg("h", LAB, 10, departures_a_year=1, months_open=[6, 7], both_ways=False),
        leg(LAB, "s", both_ways=False),
    ]
    _, found = walk_of(legs, home=True)
    assert found[0].longest == pytest.approx(212 - 120 + 10)


def test_fractions_of_days_are_never_rounded_to_an_earlier_arrival():
    """Half a day, then a ship each 11.4 days and another half: at least that long, at most a day a leg more."""
    legs = [leg("s", "h", 0.5), leg("h", LAB, 0.5, departures_a_year=32, months_open=list(range(1, 12)))]
    for home in (True, False):
        _, found = walk_of(legs, home=home)
        least = 0.5 + 334 / 32 + 31 + 0.5
        assert least - 1e-9 <= found[0].longest <= least + 2


def test_legs_of_one_direction_are_only_used_in_it():
    legs = [leg("s", LAB, 3, both_ways=False), leg(LAB, "h", 4, both_ways=False), leg("h", "s", 5, both_ways=False)]
    network, home = walk_of(legs, home=True)
    _, out = walk_of(legs, home=False)
    assert [network.route_words(way.arcs) for way in home] == [f"s > {LAB}"]
    assert [network.route_words(way.arcs) for way in out] == [f"{LAB} > h > s"]
    one = made.region(sites("s"), legs=[leg(LAB, "s", both_ways=False)])
    assert ways(build_network(one), home=True).at == {}
    # Without a way home the place is supplied as without legs.
    assert plan_region(one).supply.words(0) == ("", "")


def test_a_named_departure_comes_back_on_arrival():
    """Out on January 10 (day 9) for 20 days: calls at the place on day 29, and the way home leaves then."""
    network, home = walk_of([leg(LAB, "s", 20, departures=["01-10", "12-31"])], home=True)
    _, out = walk_of([leg(LAB, "s", 20, departures=["01-10", "12-31"])], home=False)
    assert home[0].timetable.dates == (19.0, 29.0)  # December 31 and 20 days: January 20
    assert out[0].timetable.dates == (19.0, 29.0)
    assert {arc.begin: arc.timetable.dates for arc in network.arcs} == {LAB: (9.0, 364.0), "s": (19.0, 29.0)}
    (one,) = rounds_of(home, out, network.arcs)
    assert (one.home_days, one.out_days, one.calls.longest_gap) == (20, 20, 355)


def test_where_ways_out_and_home_meet_at_different_legs_the_wait_between_them_counts():
    """Out on January 1 (10 days, so a call on day 10), home on July 1 and December 1 (10 days): a sample of a year
    waits from day 10 to day 181 more, so 365 + 171 + 10 days.
    """
    legs = [
        leg(LAB, "s", 10, departures=["01-01"], both_ways=False),
        leg("s", LAB, 10, departures=["07-01", "12-01"], both_ways=False),
    ]
    network, home = walk_of(legs, home=True)
    _, out = walk_of(legs, home=False)
    (one,) = rounds_of(home, out, network.arcs)
    assert (one.calls.dates, one.calls.longest_gap, one.home_days, one.out_days) == ((10.0,), 365.0, 181.0, 10.0)


SLOW = [leg(LAB, "far", 100, 5, departures=["01-01"]), leg(LAB, "near", 5, 5, departures_a_year=12)]
KEEPING = {"tracers": [{"name": "XX", "unit": "ppb", "scale": "invented", "storage_days": 300.0}]}


def test_a_plan_whose_samples_come_home_too_old_is_not_offered_and_the_reason_is_told():
    """A yearly ship of 100 days brings samples of up to 365 + 100 days; the gas keeps 300."""
    planning = plan_region(made.region(sites("far", "near"), legs=SLOW, **KEEPING))
    assert set(planning.deployments.candidate.tolist()) == {1}
    (left,) = planning.deployments.left_out
    assert (left.candidate, left.plan, left.rule) == ("far", "f", "tracers.storage_days")
    assert "465 days" in left.reason
    assert "XX keeps 300" in left.reason
    assert len(planning.supply.first) == len(planning.deployments) + 1


@pytest.mark.parametrize(("keeps", "offered"), [(464.0, False), (465.0, True), (None, True)])
def test_a_sample_may_be_just_as_old_as_it_keeps(keeps, offered):
    tracer = {"name": "XX", "unit": "ppb", "scale": "invented"} | ({} if keeps is None else {"storage_days": keeps})
    planning = plan_region(made.region(sites("far"), legs=[*SLOW[:1], leg(LAB, "h")], tracers=[tracer]))
    assert bool(len(planning.deployments)) == offered


def test_analyzers_and_gases_that_a_plan_does_not_take_are_not_held_to_storage():
    tracers = [*KEEPING["tracers"], {"name": "YY", "unit": "ppb", "scale": "invented"}]
    plans = [made.FLASK, made.FLASK | {"id": "other", "gases": ["YY"]}, made.ANALYZER]
    planning = plan_region(made.region(sites("far"), legs=SLOW[:1], tracers=tracers, plans=plans))
    assert {plans[p]["id"] for p in planning.deployments.plan.tolist()} == {"other", "a"}
    assert [(left.candidate, left.plan) for left in planning.deployments.left_out] == [("far", "f")]


def test_a_slow_way_is_left_out_where_another_keeps_the_samples():
    """The yearly ship for 1 a box is too slow; the flight for 50 on any day brings samples of 365.25 / 12 + 2 days."""
    legs = [leg(LAB, "s", 100, 1, departures=["01-01"]), leg(LAB, "s", 2, 50) | {"mode": "aircraft"}]
    region = made.region(sites("s"), legs=legs, **KEEPING)
    supply = plan_region(region).supply
    assert supply.too_long == ()
    for way in range(len(supply.oldest)):
        assert supply.oldest[way] <= 300
        one = supply.rounds[supply.round_of[way]]
        assert supply.network.arcs[one.home[0]].mode == "aircraft"
    assert supply.oldest.min() == pytest.approx(365.25 / 12 + 2)


def test_a_given_layout_with_samples_too_old_is_judged_and_named_as_broken():
    region = made.region(sites("far", "near"), legs=SLOW, **KEEPING)
    rows = tuple(LayoutRow.model_validate({"id": n, "plan": "f", "start_year": "2030"}) for n in ("far", "near"))
    result = assess(region, GivenLayout("given", rows, None), state=False)
    broken = [one for one in result.assessment.rules if not one.holds]
    assert [one.label for one in broken] == ["tracers.storage_days"]
    assert "far" in broken[0].found
    assert "near" not in broken[0].found
    assert "465 days" in broken[0].found


HUBS = [{"id": "east", "lat": 1, "lon": 1}, {"id": "west", "lat": 2, "lon": 2}]
TWO_HUBS = [leg(LAB, "east", 2, 1), leg("east", "s", 2, 1), leg(LAB, "west", 1, 10), leg("west", "s", 1, 10)]


@pytest.mark.parametrize(
    ("hub", "passed"), [("east", {"east"}), ("west", {"west"}), (None, {"east", "west"}), ("nowhere", {"east", "west"})]
)
def test_ways_pass_the_hub_of_a_candidate_where_any_does(hub, passed):
    candidates = sites("s", **({} if hub is None else {"hub": hub}))
    planning = plan_region(made.region(candidates, legs=TWO_HUBS, hubs=HUBS, supply={"routes": 20}))
    supply = planning.supply
    words = [supply.words(way) for way in supply.of(0)]
    seen = {name for out, home in words for name in ("east", "west") if f"> {name} >" in out or f"> {name} >" in home}
    assert seen <= passed
    assert hub not in ("east", "west") or all(f"> {hub} >" in out and f"> {hub} >" in home for out, home in words)
    assert bool(words)


def many_ways(routes):
    """Return a planning of one place that several ways reach, cheap ones with a fixed cost and little glass."""
    legs = []
    for k in range(5):
        legs += [leg(LAB, f"h{k}", 30 * (5 - k), 4 + 6 * k), leg(f"h{k}", "s", 1, 1, fixed_cost_a_year=900 - 200 * k)]
    return plan_region(made.region(sites("s"), legs=legs, years=1, supply={"routes": routes}))


def alone(planning, way):
    supply = planning.supply
    return int(supply.cents[way].sum() + supply.shared_cents[supply.uses[way]].sum())


@pytest.mark.parametrize("routes", [1, 2, 3, 5, 20])
def test_no_more_ways_than_asked_for_are_kept_and_the_first_is_the_cheapest_alone(routes):
    planning, every = many_ways(routes), many_ways(20)
    found = planning.supply.of(0)
    assert len(found) == min(routes, len(every.supply.of(0)))
    assert len(every.supply.of(0)) > 3
    costs = [alone(every, way) for way in every.supply.of(0)]
    assert alone(planning, found[0]) == min(costs) == costs[0]
    # By hand: by hub k a year costs 12 boxes each way at 5 + 6 k, and its ship 900 - 200 k.
    assert min(costs) == min(100 * (24 * (5 + 6 * k) + 900 - 200 * k) for k in range(5))
    words = {every.supply.words(way) for way in every.supply.of(0)}
    assert {planning.supply.words(way) for way in found} <= words
    if routes >= 3:
        assert planning.supply.flasks[list(found)].max(axis=1).min() == every.supply.flasks.max(axis=1).min()
        assert planning.supply.cents[list(found)].sum(axis=1).min() == every.supply.cents.sum(axis=1).min()


@pytest.mark.parametrize("visits", [1, 4, 12])
@pytest.mark.parametrize(("way", "stay"), [(30.0, 60.0), (10.0, 0.0), (200.0, 90.0)])
def test_a_region_without_legs_has_one_way_each_with_whole_intervals_of_flasks(visits, way, stay):
    """48 flasks a year: (48 / visits) x ceil(W / I), I = 365.25 / visits, W = I + both ways + stay."""
    laboratory = {"way_days": way, "turnaround_days": stay}
    plans = [made.FLASK | {"flasks_per_sample": 1}]
    region = made.region(sites("a", "b", visits_per_year=visits), laboratory=laboratory, plans=plans, years=1)
    planning = plan_region(region)
    supply, interval = planning.supply, 365.25 / visits
    assert np.diff(supply.first).tolist() == [1] * len(planning.deployments)
    assert planning.deployments.full_year_flasks.tolist() == [48.0, 48.0]
    assert supply.flasks[:, 0].tolist() == [48 / visits * np.ceil((interval + 2 * way + stay) / interval)] * 2
    assert supply.mean_flasks == pytest.approx(48 / 365.25 * (interval + 2 * way + stay))
    assert [supply.words(w) for w in range(2)] == [("", "")] * 2


def test_taking_deployments_out_of_a_table_of_ways_gives_the_table_of_those_that_are_left():
    """`plan_region` leaves out what comes home too late; the ways of the rest stay as they were."""
    legs = [*SLOW, leg("near", "far", 3, 9, departures_a_year=6), leg(LAB, "near", 2, 40)]
    region = made.region(
        sites("far", "near"), legs=legs, plans=[made.FLASK, made.ANALYZER | {"cylinder_life_months": 9.0}]
    )
    d = build_deployments(region)
    whole, keep = build_supply(region, d), np.arange(1, len(d), 2)
    taken, again = whole.take(keep), build_supply(region, d.take(keep))
    for one in dataclasses.fields(again):
        here, there = getattr(taken, one.name), getattr(again, one.name)
        if isinstance(here, np.ndarray):
            np.testing.assert_array_equal(here, there, err_msg=one.name)
    assert [taken.words(w) for w in range(taken.owner.size)] == [again.words(w) for w in range(again.owner.size)]
    assert taken.owner.size > keep.size, "some deployments have several ways"
