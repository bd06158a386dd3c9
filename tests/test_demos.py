"""The two shipped regions are what their README files say (invented from first to last)."""

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
import shapely

from siting.api import assess, plan
from siting.assessment.precision import target_errors
from siting.planning import plan_region
from siting.region import read_region
from siting.region.layouts import read_layout

REGIONS = Path(__file__).parent.parent / "regions"
pytestmark = pytest.mark.skipif(not REGIONS.is_dir(), reason="the shipped regions are not beside the tests")


@pytest.fixture(scope="module")
def small():
    return read_region(REGIONS / "smallsea")


@pytest.fixture(scope="module")
def farwinds():
    return read_region(REGIONS / "farwinds")


def test_the_small_region_has_the_layout_that_its_readme_finds_by_hand(small):
    text = " ".join((REGIONS / "smallsea" / "README.md").read_text().split())
    words = re.search(r"Expected: (\w+) with the analyzer, (\w+) and (\w+) with flasks, .*? = ([\d.]+) for", text)
    analyzer, one, other, value = words.groups()
    result = plan(small, by="score", gap=0.0, state=False)
    picks = {(p.id, p.plan, p.start_year) for p in result.assessment.picks}
    assert picks == {(analyzer, "analyzer", 2030), (one, "flask", 2030), (other, "flask", 2030)}
    assert result.selection.value == pytest.approx(float(value), abs=5e-5)
    assert result.assessment.money.total == 40_000 * 100
    assert result.selection.gap == 0.0


def test_no_other_affordable_layout_of_the_small_region_is_better(small):
    """Every choice of one deployment or none in each of ten places, first year only, by plain counting."""
    planning = plan_region(small)
    d = planning.deployments
    first = [np.flatnonzero((d.candidate == i) & (d.start_year == 2030)) for i in range(len(small.candidates))]
    cost, worth = d.yearly_cents().sum(axis=1), d.worth
    band = planning.band_share.argmax(axis=1)
    best = []
    for choice in itertools.product(*[[None, *map(int, options)] for options in first]):
        picked = [k for k in choice if k is not None]
        if sum(cost[picked]) > 4_000_000 or sum(d.has_analyzer[picked]) > 1:
            continue
        if len({int(band[d.candidate[k]]) for k in picked}) == 3:
            best.append(round(float(worth[picked].sum()), 6))
    best.sort(reverse=True)
    assert best[0] == pytest.approx(plan(small, by="score", gap=0.0, state=False).selection.value, abs=1e-6)
    # Starting later never adds worth, for the share of the window left is smaller.
    assert all(worth[k] <= worth[first[d.candidate[k]]].max() for k in range(len(d)) if worth[k] > 0.0)
    assert best[0] - best[1] > 1.0


def test_the_readme_of_the_small_region_names_the_cheapest_layout_that_meets_both_goals(small):
    """Every cheaper choice of sites, plans and years by plain counting; a further site never raises an error."""
    text = " ".join((REGIONS / "smallsea" / "README.md").read_text().split())
    words = re.search(r"By precision: (\w+), (\w+) and (\w+) with flasks, .*? ([\d,]+) crowns", text).groups()
    best = plan(small, state=False)
    assert {(p.id, p.plan) for p in best.assessment.picks} == {(name, "flask") for name in words[:3]}
    assert best.assessment.money.total == int(words[3].replace(",", "")) * 100
    assert best.selection.proved

    planning = plan_region(small)
    goals = {target.id: target.goal for target in small.settings.targets}

    def met(picked):
        errors = target_errors(planning, np.array(picked, dtype=np.int64))
        return all(error <= goals[name] for (_, name), error in errors.items())

    assert met(best.selection.picked)
    d, cost = planning.deployments, planning.deployments.yearly_cents().sum(axis=1)
    band = planning.band_share.argmax(axis=1)
    cheaper = [()]
    for i in range(len(small.candidates)):
        options = [(), *((int(k),) for k in np.flatnonzero(d.candidate == i))]
        longer = (picked + one for picked in cheaper for one in options)
        cheaper = [x for x in longer if cost[list(x)].sum() < best.assessment.money.total]
    cheaper = [x for x in cheaper if d.has_analyzer[list(x)].sum() <= 1]
    allowed = [frozenset(x) for x in cheaper if len({int(band[d.candidate[k]]) for k in x}) == 3]
    whole = [x for x in allowed if not any(x < y for y in allowed)]
    assert len(allowed) > 400
    assert not any(met(sorted(x)) for x in whole)


def test_the_main_region_has_what_a_planner_meets(farwinds):
    c, settings = farwinds.candidates, farwinds.settings
    assert 65 <= len(c) <= 80
    assert [t.name for t in settings.tracers] == ["CH4"]
    assert settings.years == 6
    assert (settings.stock.analyzers, settings.stock.spare_analyzers) == (5, 2)
    assert [c.status.count(word) for word in ("running", "required", "excluded")] == [2, 1, 1]
    for west in range(-180, 180, 60):
        assert ((c.lon >= west) & (c.lon < west + 60)).sum() >= 5
    assert (c.lat > 0).sum() >= 25
    assert (c.lat < 0).sum() >= 25
    (ship,) = [shape for shape, kind in zip(c.geometry, c.platform, strict=True) if kind == "ship"]
    lon = shapely.get_coordinates(ship)[:, 0]
    assert np.abs(np.diff(lon)).max() > 180 or (lon.max() > 180 > lon.min())
    assert "moored" in c.platform
    assert (farwinds.open_months.sum(axis=1) < 12).sum() >= 5
    tempting = (farwinds.mean_exposure() < 0.2) & (c.host_strength > 0.7)
    assert tempting.sum() >= 2


def test_tempting_bad_sites_are_not_picked_and_the_bad_layout_is_worth_less(farwinds):
    best = plan(farwinds, by="score", state=False)
    exposure = dict(zip(farwinds.candidates.ids, farwinds.mean_exposure(), strict=True))
    required = {i for i, s in zip(farwinds.candidates.ids, farwinds.candidates.status, strict=True) if s == "required"}
    assert all(exposure[p.id] >= 0.3 for p in best.assessment.picks if p.id not in required)
    idea = assess(farwinds, read_layout(farwinds, "first-idea"), state=False)
    assert idea.assessment.score.total < 0.7 * best.assessment.score.total


@pytest.mark.parametrize("name", ["farwinds", "smallsea"])
def test_each_region_says_that_it_is_invented(name):
    assert "invented" in (REGIONS / name / "README.md").read_text().lower()
    assert "invented" in read_region(REGIONS / name).settings.title.lower()
