"""A course of the window in which single months are lost, against rows that are dropped, stations that are not there,
thinner plans, hand sums and a dense implementation that knows no factor and no elimination.

Every place and every outage is invented.
"""

import dataclasses
import importlib.util
import pickle
import subprocess
import sys
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.assessment.precision import target_errors
from siting.deployments import build_deployments
from siting.field.joint import JointState
from siting.field.model import tracer_models
from siting.field.targets import monthly_shares
from siting.planning import plan_region
from siting.region.model import Candidates, Region
from siting.region.reading import read_region
from siting.selection.precision import aims_of, picked_errors
from siting.selection.score import layout_score

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
net = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(net)

ROOT = Path(__file__).parents[1]
SMALLSEA = ROOT / "regions" / "smallsea"
ANALYZER, FLASK = 0, 1
# Three tenths of a month are no sum of powers of two, so sums of them are rounded.
SHARES = (0.0, 0.1, 0.3, 0.5, 1.0)
ASKED = [
    {"id": "g", "kind": "realised_growth", "goal": 0.03},
    {"id": "d", "kind": "level_difference", "band": "north", "minus": "south", "goal": 0.2},
    {"id": "s", "kind": "season", "band": "north", "goal": 0.3},
    {"id": "m", "kind": "monthly_anomaly", "band": "north", "goal": 0.4},
]
HALVED = [{**plan, "samples_per_month": plan["samples_per_month"] / 2} if "samples_per_month" in plan else plan
          for plan in net.PLANS]  # fmt: skip


def made_region(sites=net.SITES, **given):
    given = {"plans": net.PLANS, "bands": net.BANDS, "tracers": [net.CO2], "mixing": {"degree": 3}} | given
    return net.made.region(sites, targets=ASKED, **given)


def all_ones(region):
    return np.ones((2, len(region.candidates), 12 * region.settings.years))


def working(region, shares):
    return dataclasses.replace(region, working=shares)


def model_working(model, shares):
    """Return the same model in a window of which some months are lost."""
    return dataclasses.replace(model, planning=plan_region(working(model.planning.region, shares)))


def drawn(region, seed):
    """Return shares of months drawn from none, some and all of a month."""
    return np.random.default_rng(seed).choice(SHARES, size=all_ones(region).shape)


def arrays(one):
    return {name: value for name, value in vars(one).items() if isinstance(value, np.ndarray)}


# -- nothing lost ----------------------------------------------------------------------------------


def test_where_every_month_is_worked_nothing_changes():
    region = made_region()
    full = working(region, all_ones(region))
    before, after = build_deployments(region), build_deployments(full)
    assert before.ids == after.ids
    for name, value in arrays(before).items():
        assert np.array_equal(value, getattr(after, name)), name
        assert value.dtype == getattr(after, name).dtype, name
    one, other = plan_region(region), plan_region(full)
    picked = net.made.picks(one, *net.PICKS)
    assert layout_score(one, picked) == layout_score(other, picked)
    assert target_errors(other, picked) == pytest.approx(target_errors(one, picked), rel=1e-12)


def test_the_region_of_a_folder_tells_of_no_lost_month(smallsea):
    assert smallsea.working.shape == (2, 0, 0)
    assert smallsea.work("analyzer") is None
    assert smallsea.work("flask") is None


def test_work_is_told_by_instrument():
    region = made_region()
    shares = drawn(region, 1)
    told = working(region, shares)
    assert np.array_equal(told.work("analyzer"), shares[ANALYZER])
    assert np.array_equal(told.work("flask"), shares[FLASK])
    with pytest.raises(ValueError, match="telescope"):
        told.work("telescope")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda a: a[:, 1:], r"shape \(2, 9, 36\), not \(2, 8, 36\)"),
        (lambda a: a[:, :, 1:], r"shape \(2, 9, 36\), not \(2, 9, 35\)"),
        (lambda a: a * 1.01, "between 0 and 1"),
        (lambda a: -a, "between 0 and 1"),
        (lambda a: a * np.nan, "between 0 and 1"),
    ],
)
def test_shares_that_do_not_fit_the_region_are_refused(change, said):
    region = made_region()
    with pytest.raises(ValueError, match=said):
        working(region, change(all_ones(region)))


# -- stations that never work ----------------------------------------------------------------------


@pytest.mark.parametrize("site", [pick[0] for pick in net.PICKS])
def test_a_deployment_that_never_works_adds_nothing(site):
    # Source: the layout without it. An upgrade of a running station loses what is new, so its flasks go on.
    region = made_region()
    shares = all_ones(region)
    i = region.candidates.index(site)
    shares[ANALYZER, i] = 0.0
    if site != "up":
        shares[FLASK, i] = 0.0
    planning = plan_region(working(region, shares))
    picked = net.made.picks(planning, *net.PICKS)
    less = net.made.picks(planning, *(pick for pick in net.PICKS if pick[0] != site))
    assert target_errors(planning, picked) == pytest.approx(target_errors(planning, less), rel=1e-9)
    if site != "up":
        assert planning.deployments.worth[np.setdiff1d(picked, less)] == pytest.approx(0.0, abs=0.0)


def test_a_running_station_without_older_years_that_never_works_adds_nothing():
    # Source: the region without it.
    sites = [s for s in net.SITES if s["id"] in ("both", "late", "summer")]
    runs = {"id": "run", "lat": -41.0, "lon": 145.0, "status": "running", "running_since": 2030.0, "running_plan": "f"}
    with_it, without = made_region([*sites, runs]), made_region(sites)
    shares = all_ones(with_it)
    shares[:, with_it.candidates.index("run")] = 0.0
    picks = [pick for pick in net.PICKS if pick[0] in ("both", "late", "summer")]
    one, other = plan_region(working(with_it, shares)), plan_region(without)
    assert target_errors(one, net.made.picks(one, *picks)) == pytest.approx(
        target_errors(other, net.made.picks(other, *picks)), rel=1e-9
    )


def test_a_running_station_that_fails_keeps_its_older_years():
    # Source: the same station taken away altogether, and the same station that works.
    region = made_region()
    shares = all_ones(region)
    shares[:, region.candidates.index("run")] = 0.0
    running = plan_region(region)
    picked = net.made.picks(running, *net.PICKS)
    less = made_region([s for s in net.SITES if s["id"] != "run"])
    gone = plan_region(less)
    works, fails, none = (
        np.array(list(target_errors(*one).values()))
        for one in (
            (running, picked),
            (plan_region(working(region, shares)), picked),
            (gone, net.made.picks(gone, *net.PICKS)),
        )
    )
    assert np.all(works < fails)
    assert np.all(fails <= none * (1 + 1e-9))
    assert np.any(fails < none)


@pytest.mark.parametrize(("site", "plan", "alone", "dead"), [("both", "b", "f", ANALYZER), ("both", "b", "a", FLASK),
                                                            ("ship", "b", "f", ANALYZER)])  # fmt: skip
def test_two_instruments_of_which_one_never_works_are_the_other_alone(site, plan, alone, dead):
    # Source: the plan with one instrument, its contamination included.
    region = made_region()
    shares = all_ones(region)
    shares[dead, region.candidates.index(site)] = 0.0
    one, other = plan_region(working(region, shares)), plan_region(region)
    assert target_errors(one, net.made.picks(one, (site, plan, 2030))) == pytest.approx(
        target_errors(other, net.made.picks(other, (site, alone, 2030))), rel=1e-9
    )


# -- months lost, against the dense implementation -------------------------------------------------


def check_against_dense(model, picked):
    dense = net.Dense(model, picked)
    layout = model.layout(picked)
    assert layout.state.size == dense.n
    sigma = dense.sigma()
    for target, c in zip(net.TARGETS, net.vectors(model, layout.state), strict=True):
        assert layout.given.variance(c) == pytest.approx(c @ sigma @ c, rel=1e-8), target.kind


@pytest.mark.parametrize(("site", "plan", "row"), [("late", "f", FLASK), ("near", "a", ANALYZER),
                                                  ("both", "b", ANALYZER), ("both", "b", FLASK),
                                                  ("phase", "p", ANALYZER), ("phase", "p", FLASK),
                                                  ("ship", "b", ANALYZER), ("run", None, FLASK), ("up", "p", ANALYZER),
                                                  ("up", "p", FLASK)])  # fmt: skip
def test_lost_months_are_rows_that_are_dropped(site, plan, row):
    # Source: plain numpy, R and rows written out without those months.
    model = net.model_of(net.SITES)
    region = model.planning.region
    shares = all_ones(region)
    i = region.candidates.index(site)
    shares[row, i, 4] = 0.0
    shares[row, i, 21:26] = 0.0
    broken = model_working(model, shares)
    wanted = [("late", "f", 2030)] + ([(site, plan, 2030)] if plan and site != "late" else [])
    picked = net.made.picks(broken.planning, *wanted)
    check_against_dense(broken, picked)
    assert np.all(net.errors(broken, picked) >= net.errors(model, picked) * (1 - 1e-9))
    assert np.any(net.errors(broken, picked) > net.errors(model, picked) * (1 + 1e-6))


@pytest.mark.parametrize("seed", [5, 6])
def test_months_worked_in_part_at_all_sites_equal_the_dense_implementation(seed):
    # Source: plain numpy; nothing, some or all of each month at each instrument, running stations and a ship too.
    model = net.model_of(net.SITES)
    broken = model_working(model, drawn(model.planning.region, seed))
    check_against_dense(broken, net.made.picks(broken.planning, *net.PICKS))


def test_the_typical_month_is_the_mean_over_all_months_of_the_window():
    # Source: hand sum over months of 1 / (own + syn^2 V + slow^2), a month without a flask saying nothing.
    model = net.model_of(net.SITES)
    broken = model_working(model, drawn(model.planning.region, 9))
    picked = net.made.picks(broken.planning, ("late", "f", 2030), ("near", "a", 2030), ("summer", "f", 2031))
    dense, told = net.Dense(broken, picked), monthly_shares(broken, picked)
    region, air = broken.planning.region, broken.air
    plans = {plan.id: plan for plan in region.settings.plans}
    for site, plan in (("late", "f"), ("near", "a"), ("summer", "f")):
        i, total = region.candidates.index(site), 0.0
        for month in range(36):
            share = dense.share(plans[plan], i, month + 12 * dense.older)
            if share > 0.0 and region.open_months[i, month % 12]:
                own, v, empty, _ = dense.numbers(plans[plan], i, month % 12, share)
                total += (1.0 - empty) / (own + air.synoptic_sd**2 * v + air.slow_sd**2)
        assert told[i] == pytest.approx(total / 36, rel=1e-12), site


def test_the_search_sees_the_errors_of_the_assessment_where_months_are_lost():
    # Source: the state of one layout alone, which knows nothing of the joint one.
    region = made_region()
    shares = drawn(region, 3)
    shares[:, region.candidates.index("cond")] = 0.0
    planning = plan_region(working(region, shares))
    picked = net.made.picks(planning, *net.PICKS)
    aims, stated = aims_of(planning), target_errors(planning, picked)
    assert picked_errors(aims, picked) == pytest.approx([stated[one] for one in aims.ids], rel=1e-8)
    joint = JointState(tracer_models(planning)[0])
    dead = np.flatnonzero(planning.deployments.candidate == region.candidates.index("cond"))
    assert np.intersect1d(np.concatenate([batch.columns for batch in joint.batches()]), dead).size == 0


@pytest.mark.parametrize("years", [2, 3, 5])
def test_another_length_of_window_cuts_the_lost_months_or_goes_on_without_any(years):
    # Source: a region of that length whose shares are written out.
    sites = [s for s in net.SITES if s["id"] in ("both", "near", "run")]
    picks = [("both", "b", 2030), ("near", "a", 2030)]
    region, long = made_region(sites), made_region(sites, years=years)
    shares = drawn(region, 4)
    told = all_ones(long)
    told[:, :, : min(36, 12 * years)] = shares[:, :, : 12 * years]
    here = tracer_models(plan_region(working(region, shares)))[0]
    there = tracer_models(plan_region(working(long, told)))[0]
    asked = [t for t in net.TARGETS if t.kind != "year_growth"]
    assert net.errors(
        dataclasses.replace(here, years=years), net.made.picks(here.planning, *picks), asked
    ) == pytest.approx(net.errors(there, net.made.picks(there.planning, *picks), asked), rel=1e-12)


# -- samples lost ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("site", "plan"), [("late", "f"), ("summer", "f"), ("cond", "f"), ("ship", "f")])
def test_half_of_the_samples_of_every_month_lost_is_half_the_cadence(site, plan):
    # Source: the plan with half the samples a month. Halves are exact in binary.
    sites = [{key: value for key, value in s.items() if key != "lead_months"} for s in net.SITES if s["id"] == site]
    region = made_region(sites)
    one, other = plan_region(working(region, all_ones(region) * 0.5)), plan_region(made_region(sites, plans=HALVED))
    picked = net.made.picks(one, (site, plan, 2030))
    assert np.array_equal(picked, net.made.picks(other, (site, plan, 2030)))
    assert target_errors(one, picked) == target_errors(other, picked)


def test_an_analyzer_that_works_half_of_every_month_is_one_on_a_platform_that_works_half_the_time():
    # Source: the candidate with half the duty cycle, which has half the hours and half the clean spells.
    site = {"id": "near", "lat": 52.005, "lon": -10.0}
    region = made_region([site])
    one = plan_region(working(region, all_ones(region) * 0.5))
    other = plan_region(made_region([site | {"duty_cycle": 0.5}]))
    picked = net.made.picks(one, ("near", "a", 2030))
    assert target_errors(one, picked) == pytest.approx(target_errors(other, picked), rel=1e-12)


LOST = st.lists(st.tuples(st.integers(0, 1), st.integers(0, 8), st.integers(0, 35)), min_size=1, max_size=60)


@settings(max_examples=12, deadline=None)
@given(first=LOST, then=LOST)
def test_losing_more_months_never_lowers_an_error(first, then):
    # Source: fewer rows of the same R tell no more. Running stations lose months too.
    region = made_region()
    found = []
    shares = all_ones(region)
    for lost in (first, then):
        for row, i, month in lost:
            shares[row, i, month] = 0.0
        planning = plan_region(working(region, shares.copy()))
        found.append(target_errors(planning, net.made.picks(planning, *net.PICKS)))
    for name, error in found[0].items():
        assert found[1][name] >= error * (1 - 1e-9), name


@settings(max_examples=12, deadline=None)
@given(data=st.data())
def test_losing_more_of_the_samples_of_one_instrument_never_lowers_an_error(data):
    # Source: a month with fewer samples has a larger error, and nothing else of R changes.
    sites = [s for s in net.SITES if s["id"] in ("cond", "late", "near")]
    region = made_region(sites)
    shape = all_ones(region).shape
    unit = st.floats(0.0, 1.0).map(lambda x: 0.0 if x < 1e-6 else x)
    seen = np.array(data.draw(st.lists(unit, min_size=36, max_size=36)))
    more = seen * np.array(data.draw(st.lists(unit, min_size=36, max_size=36)))
    found = []
    for shares in (seen, more):
        planning = plan_region(working(region, np.broadcast_to(shares, shape).copy()))
        picked = net.made.picks(planning, ("cond", "c", 2030), ("late", "f", 2030), ("near", "a", 2030))
        found.append(target_errors(planning, picked))
    for name, error in found[0].items():
        assert found[1][name] >= error * (1 - 1e-9), name


# -- worth and money -------------------------------------------------------------------------------


def test_the_share_of_the_window_is_the_hand_sum_of_worked_months():
    """Flasks from month 0, an analyzer from month 11 on: the better one of each month, 36 months in all.

    Plan p has flasks for months 0-10 and the analyzer for 11-35; plan b has both from month 0.
    """
    region = made_region([{"id": "x", "lat": 10.0, "lon": 20.0}])
    shares = all_ones(region)
    shares[FLASK, 0, :] = 0.5
    shares[FLASK, 0, 3] = 0.0
    shares[ANALYZER, 0, 20:26] = 0.25
    d = build_deployments(working(region, shares))
    left = dict(zip(d.ids, d.left, strict=True))
    assert left["x|f|2030"] == pytest.approx(35 * 0.5 / 36)
    assert left["x|f|2031"] == pytest.approx(24 * 0.5 / 36)
    assert left["x|a|2030"] == pytest.approx((30 + 6 * 0.25) / 36)
    assert left["x|b|2030"] == pytest.approx((30 + 6 * 0.5) / 36)
    assert left["x|p|2030"] == pytest.approx((10 * 0.5 + 19 + 6 * 0.25) / 36)


def test_worth_and_coverage_follow_the_worked_months_and_money_does_not():
    region = made_region()
    shares = drawn(region, 2)
    before, after = plan_region(region), plan_region(working(region, shares))
    one, other = before.deployments, after.deployments
    assert np.all(other.left < one.left)
    assert other.worth == pytest.approx(one.worth * other.left / one.left, rel=1e-12)
    for name in sorted(set(arrays(one)) - {"left", "worth"}):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name
    picked = net.made.picks(before, *net.PICKS)
    assert layout_score(after, picked).worth < layout_score(before, picked).worth
    assert np.sum(layout_score(after, picked).coverage) < np.sum(layout_score(before, picked).coverage)


# -- other processes -------------------------------------------------------------------------------

WORKER = """
import multiprocessing
import pickle
import sys

import numpy as np

from siting.planning import plan_region
from siting.selection.score import layout_score


def score(region, picked):
    return layout_score(plan_region(region), picked)


if __name__ == "__main__":
    with open(sys.argv[1], "rb") as file:
        region, picked = pickle.load(file)
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        print(repr(pool.apply(score, (region, picked))))
"""


@pytest.fixture(scope="module")
def smallsea():
    return read_region(SMALLSEA)


@pytest.fixture(scope="module")
def some_picks(smallsea):
    d = plan_region(smallsea).deployments
    return np.unique(d.candidate, return_index=True)[1][:3].astype(np.int64)


def test_a_region_comes_back_from_a_pickle_as_it_was(smallsea):
    sent = working(smallsea, drawn(smallsea, 8))
    back = pickle.loads(pickle.dumps(sent))
    assert isinstance(back, Region)
    assert isinstance(back.candidates, Candidates)
    for one, other in ((sent, back), (sent.candidates, back.candidates)):
        for name, value in vars(one).items():
            got = getattr(other, name)
            if isinstance(value, np.ndarray):
                assert np.array_equal(value, got, equal_nan=True), name
                assert not got.flags.writeable, name
            elif isinstance(value, MappingProxyType):
                assert isinstance(got, MappingProxyType), name
                assert list(got) == list(value), name
                for key, item in value.items():
                    assert np.all(np.asarray(got[key] == item) | _both_nan(got[key], item)), (name, key)
            elif name != "candidates":
                assert got == value, name


def _both_nan(one, other):
    if not isinstance(one, np.ndarray) or one.dtype.kind != "f":
        return False
    assert not one.flags.writeable
    return np.isnan(one) & np.isnan(other)


def test_a_worker_that_is_spawned_finds_the_same_score(smallsea, some_picks, tmp_path):
    sent = working(smallsea, drawn(smallsea, 8))
    expected = layout_score(plan_region(sent), some_picks)
    assert expected != layout_score(plan_region(smallsea), some_picks)
    (tmp_path / "worker.py").write_text(WORKER)
    (tmp_path / "sent.pickle").write_bytes(pickle.dumps((sent, some_picks)))
    run = subprocess.run(
        [sys.executable, str(tmp_path / "worker.py"), str(tmp_path / "sent.pickle")],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.strip() == repr(expected)
