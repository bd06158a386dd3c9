"""Many futures of a layout: against the region as it is, counts of draws, and workers that may be many, few or dying.

Every place is invented.
"""

import dataclasses
import importlib.util
import json
import math
import os
import signal
from concurrent.futures import BrokenExecutor, Executor, Future
from pathlib import Path

import numpy as np
import pytest
from distributed import Client, LocalCluster
from hypothesis import given, settings
from hypothesis import strategies as st

import siting.api as api
from siting.assessment.precision import target_errors
from siting.futures import outcome as outcomes_of
from siting.futures.drawing import draw
from siting.futures.outcome import Outcome, Task, outcome
from siting.futures.pool import AHEAD, MOST_BREAKS, PoolError, dask_pool, local_pool, packed, run
from siting.futures.run import CUTS, stress
from siting.futures.store import Store, key_of
from siting.judging.search import Search, named
from siting.planning import plan_region
from siting.region.faults import InputError
from siting.region.layouts import GivenLayout
from siting.region.model import frozen_mapping
from siting.region.schema.tables import LayoutRow
from siting.selection.program import Limits
from siting.selection.score import layout_score
from siting.selection.standing import cost_by_year, with_best_ways
from siting.supply.ways import transport_of


def _load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made = _load("made_region")

CALM = {
    "yearly_failure": 0.0,
    "lost_shipments": 0.0,
    "late_start_months": 0.0,
    "price_sd": 0.0,
    "noise_factor": 1.0,
}
WILD = {"yearly_failure": 0.4, "repair_months": 3.0, "lost_shipments": 0.1, "price_sd": 0.3, "late_start_months": 2.0}
IDS = ("a1", "a2", "b1", "b2", "c1", "c2")


def tiny(seed=0, told=CALM, **given):
    """Return a region of six places whose money is enough for about three."""
    rng = np.random.default_rng(seed)
    places = [
        {
            "id": name,
            "lat": round(float(rng.uniform(-70, 70)), 1),
            "lon": round(float(rng.uniform(-170, 170)), 1),
            "baseline_exposure": round(float(rng.uniform(0.2, 0.9)), 2),
            "contamination_risk": round(float(rng.uniform(0.0, 0.3)), 2),
            "setup_cost": int(rng.integers(10, 120)),
            "annual_cost": int(rng.integers(5, 60)),
            "plans": ["f"] if k % 2 else ["f", "a"],
        }
        for k, name in enumerate(IDS)
    ]
    return made.region(
        places,
        **{
            "plans": [made.FLASK, made.ANALYZER | {"capital_cost": 50.0}],
            "years": 2,
            "last_start_year": 2030,
            "stock": {"analyzers": 2, "spare_analyzers": 1},
            "budget": {"total": 400.0},
            "stress": told,
        }
        | given,
    )


def precise(told=CALM):
    """Return a region of three places with a goal for the difference between two bands."""
    places = [
        {"id": name, "lat": lat, "lon": 20.0 * lat, "baseline_exposure": share, "setup_cost": cost, "plans": ["f"]}
        for name, lat, share, cost in (("a", -60.0, 0.8, 100), ("b", 5.0, 0.5, 80), ("c", 50.0, 0.7, 120))
    ]
    return made.region(
        places,
        years=1,
        last_start_year=2030,
        plans=[made.FLASK | {"method": "glass"}],
        mixing={"degree": 2},
        tracers=[{"name": "CO2", "unit": "ppm", "scale": "invented"}],
        bands=[{"id": "south", "south": -90.0, "north": 0.0}, {"id": "north", "south": 0.0, "north": 90.0}],
        targets=[{"id": "d", "kind": "level_difference", "band": "north", "minus": "south", "goal": 0.5}],
        budget={"total": 230.0},
        stress=told,
    )


def best_of(region, by="score", gap=0.0):
    """Return the best layout of a region as it is."""
    planning = plan_region(region)
    found = Search(planning, by).best(Limits(gap))
    assert found.any
    return named(planning, found.picked)


def with_ends(region, column, site, low, high):
    """Return the region where a column of one site has low and high ends."""
    c = region.candidates
    lows, highs = dict(c.low), dict(c.high)
    lows[column], highs[column] = lows[column].copy(), highs[column].copy()
    lows[column][c.index(site)], highs[column][c.index(site)] = low, high
    changed = dataclasses.replace(c, low=frozen_mapping(lows), high=frozen_mapping(highs))
    return dataclasses.replace(region, candidates=changed)


def dicts(found):
    return [one.as_dict() for one in sorted(found, key=lambda one: one.number)]


# -- a region in which nothing is uncertain ----------------------------------------------------------------


@pytest.mark.parametrize(("make", "by"), [(tiny, "score"), (precise, "score"), (precise, "precision")])
def test_where_nothing_has_a_spread_every_future_is_the_region_as_it_is(make, by):
    region = make()
    layout = best_of(region, by)
    planning = plan_region(region)
    picked = made.picks(planning, *layout)
    result = stress(region, layout, by=by, futures=3, seed=4, gap=0.0)
    cents = sum(cost_by_year(with_best_ways(planning, picked), picked))
    errors = target_errors(planning, picked) if make is precise else {}
    assert len(result.outcomes) == 3
    for one in result.outcomes:
        assert (one.price, one.noise, one.down) == (1.0, 1.0, 0.0)
        if by == "score":
            assert one.given.value == layout_score(planning, picked).total
        else:
            assert one.given.value == pytest.approx(max(0.0, (errors["CO2", "d"] / 0.5) ** 2 - 1.0), rel=1e-12)
            assert one.given.value > 0.0
        assert one.given.value == pytest.approx(one.kept.value, rel=1e-9)
        assert one.given.cents == one.kept.cents == cents
        assert one.given.layout == one.kept.layout == tuple(sorted(layout))
        assert {(t, g): e for t, g, e in one.given.errors} == errors
        assert one.broken == ()
        assert one.regret == pytest.approx(0.0, abs=1e-9)
        assert one.best.value == pytest.approx(one.given.value, rel=1e-9)
    assert result.value == result.values.least == result.values.greatest == result.outcomes[0].given.value
    assert result.values.mean == pytest.approx(result.value, rel=1e-14)
    assert result.costs.least == result.costs.greatest == cents / 100
    assert (result.within, result.broken, result.unkept, result.without, result.down) == (1.0, (), 0, 0, 0.0)
    assert {s.id for s in result.sites if s.share == 1.0} == set(dict.fromkeys(i for i, _, _ in result.layout))
    assert [t.spread.mean for t in result.targets] == pytest.approx([t.error for t in result.targets_now], rel=1e-12)
    assert [c.share for c in result.cuts] == list(CUTS)


def test_a_worse_layout_regrets_what_the_best_one_has_more_in_every_future():
    region = tiny()
    planning = plan_region(region)
    best = layout_score(planning, made.picks(planning, *best_of(region))).total
    poor = [("c1", "f", 2030)]
    alone = layout_score(planning, made.picks(planning, *poor)).total
    result = stress(region, poor, futures=2, gap=0.0)
    assert best - alone > 1.0
    for one in result.outcomes:
        assert one.regret == pytest.approx(best - alone, rel=1e-9)


def test_a_layout_that_breaks_the_budget_is_told_and_its_best_part_is_what_regret_goes_by():
    region = tiny(budget={"total": 150.0})
    planning = plan_region(region)
    layout = [(name, "f", 2030) for name in IDS]
    result = stress(region, layout, futures=2, gap=0.0)
    d, worth = planning.deployments, []
    cents = d.cost_cents.sum(axis=(1, 2))
    positions = made.picks(planning, *layout)
    for mask in range(2 ** len(positions)):
        part = positions[[bool(mask >> k & 1) for k in range(len(positions))]]
        if cents[part].sum() <= 15_000:
            worth.append(layout_score(planning, part).total)
    assert result.within == 0.0
    assert result.broken == (("budget.total", 1.0),)
    assert result.broken_now == ("budget.total",)
    for one in result.outcomes:
        assert one.given.value == layout_score(planning, positions).total
        assert one.kept.value == pytest.approx(max(worth), rel=1e-9)
        assert 0 < len(one.kept.layout) < len(IDS)


# -- one thing is uncertain --------------------------------------------------------------------------------


@pytest.mark.parametrize("column", ["baseline_exposure", "annual_cost"])
def test_a_site_is_best_in_exactly_the_futures_whose_draw_fell_on_its_good_end(column):
    """One site may be built. x is the better one where its exposure is high, or where its cost lets it be paid."""
    places = [
        {"id": "x", "lat": 0.0, "lon": 0.0, "baseline_exposure": 0.7, "annual_cost": 30.0},
        {"id": "y", "lat": 0.0, "lon": 0.0, "baseline_exposure": 0.5, "annual_cost": 30.0},
        {"id": "z", "lat": 0.0, "lon": 0.0, "baseline_exposure": 0.1, "annual_cost": 30.0},
    ]
    region = made.region(
        [place | {"plans": ["f"], "contamination_risk": 0.1, "setup_cost": 10.0} for place in places],
        years=1,
        budget={"total": 45.0},
        rules=[{"kind": "at_most_sites", "count": 1}],
        score={"worth_from": 0.0},
        stress=CALM | {"spread": "ends"},
    )
    good, ends = {"baseline_exposure": (0.9, (0.2, 0.9)), "annual_cost": (20.0, (20.0, 80.0))}[column]
    region = with_ends(region, column, "x", *ends)
    count = 100
    result = stress(region, [("x", "f", 2030)], futures=count, seed=1, gap=0.0)
    fell = [bool(draw(region, k, 1).columns[column][0] == good) for k in range(count)]
    assert 0 < sum(fell) < count
    assert [one.best.sites == ("x",) for one in result.outcomes] == fell
    shares = {s.id: s.share for s in result.sites}
    assert shares == {"x": sum(fell) / count, "y": (count - sum(fell)) / count}
    # Four standard deviations of a binomial share.
    assert abs(shares["x"] - 0.5) <= 4.0 * math.sqrt(0.25 / count)
    for one, well in zip(result.outcomes, fell, strict=True):
        assert (one.regret > 1e-6) is not well
    if column == "annual_cost":
        # The site alone is beyond the budget: nothing of the layout is left.
        assert result.within == sum(fell) / count
        assert dict(result.broken) == {"budget.total": (count - sum(fell)) / count}


# -- whatever is drawn -------------------------------------------------------------------------------------


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0.0, 1e-2, 0.3]))
def test_no_regret_is_a_gain_and_no_layout_betters_its_bound(seed, gap):
    region = tiny(seed, WILD)
    layout = [(name, "f", 2030) for name in np.random.default_rng(seed).choice(IDS, 3, replace=False)]
    for number in range(2):
        one = outcome(Task(region, tuple(sorted(layout)), "score", gap, None, seed), number)
        size = 1e-9 * max(1.0, abs(one.best.value))
        assert one.regret >= -gap * max(abs(one.best.value), 1.0) - size
        assert one.best.value >= one.kept.value - size
        assert one.bound >= one.best.value - size
        assert one.gap <= gap
        assert set(one.kept.layout) <= set(one.given.layout) <= set(layout)
        assert 0.0 <= one.down <= 1.0
        assert one.regret == one.best.value - one.kept.value
        assert one.best.cents <= 40_000
        if not one.broken:
            assert one.kept.layout == one.given.layout or one.kept.value >= one.given.value


def test_an_outcome_comes_back_from_json_as_it_was():
    for region, by in ((tiny(3, WILD), "score"), (precise(WILD), "score")):
        task = Task(region, best_of(region, by), by, 1e-2, None, 2)
        for number in range(3):
            one = outcome(task, number)
            again = Outcome.of_dict(json.loads(json.dumps(one.as_dict())))
            assert again == one
            assert isinstance(hash(again), int)
            assert again.as_dict() == one.as_dict()
    assert one.given.errors != ()


def test_what_is_no_outcome_is_refused():
    whole = outcome(Task(tiny(), (("a1", "f", 2030),), "score", 1e-2, None, 0), 0).as_dict()
    with pytest.raises(KeyError):
        Outcome.of_dict({k: v for k, v in whole.items() if k != "kept"})
    for broken in ({k: v for k, v in whole.items() if k != "price"}, whole | {"further": 1}):
        with pytest.raises(TypeError):
            Outcome.of_dict(broken)


def test_an_instrument_that_stands_still_is_counted_in_the_months_from_its_start():
    """Flasks alone, half of the shipments lost in whole months: the share is that of the drawn months."""
    region = tiny(told=CALM | {"lost_shipments": 0.5})
    task = Task(region, (("a2", "f", 2030), ("b2", "f", 2030)), "score", 1e-2, None, 7)
    for number in range(3):
        future = draw(region, number, 7)
        i = [region.candidates.index(name) for name in ("a2", "b2")]
        expected = float((1.0 - future.working[1, i]).mean())
        assert expected > 0.0
        assert outcome(task, number).down == pytest.approx(expected, rel=1e-12)


def test_what_legs_say_is_the_same_in_every_future_and_may_be_worked_out_once():
    """A worker keeps it from one future to the next; prices, delays and outages must not change it."""
    legs = [{"from": "laboratory", "to": "port", "mode": "road", "days": 1, "cost_a_box": 2}]
    legs += [
        {"from": "port", "to": name, "mode": "ship", "days": 3, "cost_a_box": 5, "departures_a_year": 12}
        | {"fixed_cost_a_year": 20, "voyage": "v"}
        for name in IDS
    ]
    region = with_ends(tiny(2, WILD, legs=legs), "annual_cost", "b1", 5.0, 60.0)
    task, known = Task(region, best_of(region), "score", 1e-2, None, 1), transport_of(region)
    seen = set()
    for number in range(4):
        one = outcome(task, number)
        assert outcome(task, number, known) == one
        seen.add(one.given.cents)
    assert len(seen) > 1


# -- workers -----------------------------------------------------------------------------------------------


def wild_task():
    region = tiny(5, WILD)
    return Task(region, best_of(region), "score", 1e-2, None, 3)


@pytest.fixture(scope="module")
def twelve():
    """Return a task and its first twelve outcomes, worked out one by one in this process."""
    task = wild_task()
    return task, [outcome(task, number) for number in range(12)]


def test_results_do_not_depend_on_the_number_of_workers(twelve):
    task, want = twelve
    assert len({one.given.value for one in want}) == 12
    for workers in (1, 2, 4):
        found = list(run(packed(task), range(6), workers))
        assert dicts(found) == dicts(want[:6])


def test_results_on_a_dask_cluster_are_the_same(twelve):
    task, want = twelve
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        make = dask_pool(cluster.scheduler_address)
        try:
            assert dicts(run(packed(task), range(6), 2, make)) == dicts(want[:6])
        finally:
            Client.current().close()


def test_an_address_where_no_scheduler_answers_is_a_fault_of_the_user(monkeypatch):
    monkeypatch.setattr("siting.futures.pool.CONNECT_SECONDS", 0.5)
    with pytest.raises(InputError) as caught:
        dask_pool("tcp://127.0.0.1:1")
    (fault,) = caught.value.faults
    assert fault.file == "--scheduler"
    assert "no Dask scheduler answers there" in fault.problem


def test_a_worker_that_is_killed_changes_nothing(twelve):
    task, want = twelve
    pools, found = [], []

    def make():
        pools.append(local_pool(2))
        return pools[-1]

    for one in run(packed(task), range(12), 2, make):
        found.append(one)
        if len(found) == 1:
            os.kill(next(iter(pools[0]._processes)), signal.SIGKILL)
    assert len(pools) == 2
    assert sorted(one.number for one in found) == list(range(12))
    assert dicts(found) == dicts(want)


class Breaking(Executor):
    """Works at once in this process; the future of one number breaks it, as a worker that dies would."""

    def __init__(self, number, breaks):
        self.number, self.breaks, self.down = number, breaks, False

    def submit(self, fn, /, *args, **kwargs):
        if self.down:
            raise BrokenExecutor("it broke before")
        future = Future()
        if self.breaks and args[1] == self.number:
            future.set_exception(BrokenExecutor("a worker died"))
            self.down = True
        else:
            future.set_result(fn(*args, **kwargs))
        return future

    def shutdown(self, wait=True, *, cancel_futures=False):
        self.down = True


def collect(found, kept):
    """Put what is found into a list one by one, so that it has what came before an error."""
    for one in found:
        kept.append(one)


def breaking(number, times):
    """Return what makes executors of which the first so many break at a number, and the list of those made."""
    pools = []

    def make():
        pools.append(Breaking(number, len(pools) < times))
        return pools[-1]

    return make, pools


def test_a_future_that_breaks_its_pool_less_often_than_the_most_is_done_all_the_same(twelve):
    task, want = twelve
    make, pools = breaking(4, MOST_BREAKS - 1)
    found = list(run(packed(task), range(8), 1, make))
    assert len(pools) == MOST_BREAKS
    assert dicts(found) == dicts(want[:8])
    assert all(pool.down for pool in pools)


def test_a_future_that_breaks_its_pool_each_time_is_named_and_those_before_it_are_kept(twelve):
    task, want = twelve
    (make, pools), kept = breaking(4, 100), []
    with pytest.raises(PoolError, match=f"worker processes died {MOST_BREAKS} times while they worked on futures 5$"):
        collect(run(packed(task), range(8), 1, make), kept)
    assert len(pools) == MOST_BREAKS
    assert dicts(kept) == dicts(want[:4])


def test_a_future_that_a_cluster_gives_up_is_named_and_any_other_error_is_shown_as_it_is(twelve):
    class GivingUp(Breaking):
        def submit(self, fn, /, *args, **kwargs):
            future = Future()
            future.set_exception(self.breaks)
            return future

    killed = type("KilledWorker", (Exception,), {"__module__": "distributed.scheduler"})("its workers died")
    with pytest.raises(PoolError, match="the cluster gave up future 3: "):
        list(run(packed(twelve[0]), [2], 1, lambda: GivingUp(2, killed)))
    with pytest.raises(ZeroDivisionError):
        list(run(packed(twelve[0]), [2], 1, lambda: GivingUp(2, ZeroDivisionError("a defect"))))


def test_less_than_one_worker_is_refused():
    with pytest.raises(ValueError, match="workers is 0; it must be 1 or more"):
        next(run(b"", [0], 0))


def test_by_precision_with_few_nodes_results_do_not_depend_on_workers():
    region = precise({"price_sd": 0.2, "lost_shipments": 0.3})
    task = Task(region, (("a", "f", 2030), ("c", "f", 2030)), "precision", 1e-2, 3, 0)
    want = [outcome(task, number) for number in range(2)]
    assert want[0].given.value != want[1].given.value
    assert dicts(run(packed(task), range(2), 1)) == dicts(want)
    assert dicts(run(packed(task), range(2), 2)) == dicts(want)


# -- what is kept of an interrupted run --------------------------------------------------------------------


def counted(monkeypatch):
    """Return the list of numbers whose futures are worked out in this process from now on."""
    numbers, plain = [], outcomes_of.outcome

    def counting(task, number, *rest, **named):
        numbers.append(number)
        return plain(task, number, *rest, **named)

    monkeypatch.setattr(outcomes_of, "outcome", counting)
    return numbers


def test_an_interrupted_run_goes_on_where_it_ended(twelve, monkeypatch, tmp_path):
    task, want = twelve
    numbers, path, key = counted(monkeypatch), tmp_path / "run" / "futures.jsonl", key_of(task, "1")
    options = {"futures": 6, "seed": task.seed, "gap": task.gap}
    with Store(path, key) as store:
        told = []
        first = stress(
            task.region, task.layout, **options, keep=store.add, stop=lambda: len(numbers) >= 2,
            counter=lambda done, every: told.append((done, every)),
        )  # fmt: skip
    assert numbers == [0, 1]
    assert not first.whole
    assert told == [(0, 6), (1, 6), (2, 6)]
    assert dicts(first.outcomes) == dicts(want[:2])
    with Store(path, key) as store:
        assert sorted(store.done) == [0, 1]
        second = stress(task.region, task.layout, **options, done=list(store.done.values()), keep=store.add)
    assert numbers == [0, 1, 2, 3, 4, 5]
    assert second.whole
    assert dicts(second.outcomes) == dicts(want[:6])
    with Store(path, key) as store:
        assert dicts(store.done.values()) == dicts(want[:6])
        # Fewer futures than are known: the rest of them does not count.
        fewer = stress(task.region, task.layout, **options | {"futures": 3}, done=store.done.values())
        store.remove()
    assert numbers == [0, 1, 2, 3, 4, 5]
    assert dicts(fewer.outcomes) == dicts(want[:3])
    assert not path.exists()


def test_a_pool_that_is_told_to_stop_begins_no_further_future(twelve):
    task, want = twelve
    make, _ = breaking(-1, 0)
    found = []
    collect(run(packed(task), range(12), 1, make, lambda: True), found)
    assert found == []
    collect(run(packed(task), range(12), 1, make, lambda: len(found) >= 1), found)
    assert 1 <= len(found) <= AHEAD + 1
    assert dicts(found) == dicts(want[: len(found)])


def test_a_torn_last_line_is_a_future_that_is_not_done(twelve, tmp_path):
    task, want = twelve
    path, key = tmp_path / "futures.jsonl", key_of(task, "1")
    with Store(path, key) as store:
        for one in want[:4]:
            store.add(one)
    text = path.read_text()
    for end in range(len(text) - 1, len(text) - 60, -7):
        path.write_text(text[: end - 1])
        assert sorted(Store(path, key).done) == [0, 1, 2]
    path.write_text(text[:-20] + "\n[1, 2]\n{}\nnull\n")
    with Store(path, key) as store:
        assert sorted(store.done) == [0, 1, 2]
        store.add(want[3])
    assert path.read_text() == text


def test_a_file_of_another_task_is_begun_anew(twelve, tmp_path):
    task, want = twelve
    path, key = tmp_path / "futures.jsonl", key_of(task, "1")
    others = [
        dataclasses.replace(task, seed=task.seed + 1),
        dataclasses.replace(task, layout=task.layout[:-1]),
        dataclasses.replace(task, by="precision"),
        dataclasses.replace(task, gap=0.02),
        dataclasses.replace(task, nodes=5),
        dataclasses.replace(task, region=dataclasses.replace(task.region, what_ifs=("--budget 5",))),
        dataclasses.replace(task, region=dataclasses.replace(task.region, inputs=(("region.toml", "00"),))),
    ]
    keys = [key, key_of(task, "2"), *(key_of(other, "1") for other in others)]
    assert len(set(keys)) == len(keys)
    assert key_of(wild_task(), "1") == key
    for other in keys[1:]:
        with Store(path, key) as store:
            store.add(want[0])
        with Store(path, other) as store:
            assert store.done == {}
        assert path.read_text() == json.dumps({"key": other}) + "\n"


@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"not json\n{}\n", b"[]\n", b'{"key": 3}\n'])
def test_a_strange_file_is_begun_anew(content, tmp_path):
    path = tmp_path / "futures.jsonl"
    path.write_bytes(content)
    assert Store(path, "k").done == {}


# -- the interface -----------------------------------------------------------------------------------------


def given_layout(picks):
    rows = tuple(LayoutRow.model_validate({"id": i, "plan": p, "start_year": str(y)}) for i, p, y in picks)
    return GivenLayout("chosen", rows)


def test_the_interface_gives_what_the_futures_give_and_a_table_with_one_row_each(twelve):
    task, want = twelve
    result = api.stress(task.region, given_layout(task.layout), futures=4, seed=task.seed, gap=task.gap)
    assert dicts(result.outcomes) == dicts(want[:4])
    frame = result.to_frame()
    assert frame["future"].tolist() == [1, 2, 3, 4]
    assert frame["value"].tolist() == [one.given.value for one in want[:4]]
    assert frame["cost"].tolist() == [one.given.cents / 100 for one in want[:4]]
    assert frame["within_rules"].tolist() == [not one.broken for one in want[:4]]
    values = [one.given.value for one in want[:4]]
    assert result.values.mean == pytest.approx(sum(values) / 4, rel=1e-14)
    assert (result.values.least, result.values.greatest) == (min(values), max(values))
    assert result.values.median == pytest.approx(sum(sorted(values)[1:3]) / 2, rel=1e-14)
    assert result.regret.greatest == max(one.regret for one in want[:4])
    for site in result.sites:
        assert site.share == sum(site.id in one.best.sites for one in want[:4]) / 4
        assert site.picked is (site.id in {i for i, _, _ in task.layout})


def test_the_number_of_futures_is_that_of_the_region_if_none_is_asked_for():
    region = tiny(told=CALM | {"futures": 3})
    assert stress(region, [("a1", "f", 2030)]).futures == 3


def test_no_future_and_an_empty_layout_are_refused():
    for layout, futures in (([], 3), ([("a1", "f", 2030)], 0)):
        with pytest.raises(ValueError, match="futures must be 1 or more, and the layout must pick something"):
            stress(tiny(), layout, futures=futures)
