"""What-if changes of a region: budget, stock, sites forced in or out."""

import re

import numpy as np
import pytest

from siting.outputs.naming import folder_name
from siting.region import InputError
from siting.region.changes import changed
from siting.region.schema.rules import AtLeast


@pytest.fixture
def region(make_region):
    return make_region().read()


def sentences(region, **changes):
    with pytest.raises(InputError) as error:
        changed(region, **changes)
    return [fault.sentence() for fault in error.value.faults]


def status(region):
    return dict(zip(region.candidates.ids, region.candidates.status, strict=True))


def test_nothing_asked_for_changes_nothing(region):
    same = changed(region)
    assert same.settings == region.settings
    assert same.candidates.status == region.candidates.status
    assert same.inputs == region.inputs


def test_only_what_was_asked_for_changes_and_the_given_region_stays_as_it_is(region):
    other = changed(region, budget=5.0, require=["alba"], analyzers=7)
    assert other.settings.budget.total == 5.0
    assert other.settings.budget.per_year == region.settings.budget.per_year
    assert other.settings.stock.analyzers == 7
    assert other.settings.stock.spare_analyzers == 1
    assert status(other) == status(region) | {"alba": "required"}
    assert region.settings.budget.total == 100000.0
    assert status(region)["alba"] == "open"
    assert np.shares_memory(other.exposure, region.exposure)


def test_an_excluded_site_has_that_status(region):
    assert status(changed(region, exclude=["alba"]))["alba"] == "excluded"


def test_what_is_so_already_may_be_asked_for_again(region):
    assert status(changed(region, require=["brisa", "brisa"], exclude=["dusk"])) == status(region)


def test_an_unknown_id_is_named_with_the_nearest_one(region):
    assert sentences(region, require=["albo"], exclude=["x"]) == [
        "--require: no candidate has this id (found 'albo'); allowed: alba, brisa, corvo, dusk; mend: write 'alba'",
        "--exclude: no candidate has this id (found 'x'); allowed: alba, brisa, corvo, dusk; "
        "mend: name a candidate of the region",
    ]


def test_a_site_cannot_be_both_required_and_excluded(region):
    assert sentences(region, require=["alba"], exclude=["alba"]) == [
        "--require: is both required and excluded (found 'alba'); allowed: each id in one of the two options; "
        "mend: choose one"
    ]


def test_the_status_in_the_region_is_not_overruled(region):
    assert sentences(region, require=["dusk"], exclude=["brisa"]) == [
        "--require: is excluded by its status in the region (found 'dusk'); allowed: candidates with status open; "
        "mend: change its status, or do not require it",
        "--exclude: is required by its status in the region (found 'brisa'); allowed: candidates with status open; "
        "mend: change its status, or do not exclude it",
    ]


@pytest.mark.parametrize("option", ["require", "exclude"])
def test_a_station_that_only_runs_is_neither_required_nor_excluded(region, option):
    (sentence,) = sentences(region, **{option: ["corvo"]})
    assert sentence.startswith(f"--{option}: this station already runs")


def test_a_new_deployment_at_a_running_station_is_excluded_and_the_station_runs_on(make_region):
    region = make_region().cell("corvo", "plans", "line").read()
    other = changed(region, exclude=["corvo"])
    at = other.candidates.index("corvo")
    assert other.candidates.status[at] == "running"
    assert other.candidates.plans[at] == ()
    assert region.candidates.plans[at] == ("line",)


def test_a_new_deployment_at_a_running_station_is_required_by_a_rule(make_region):
    region = make_region().cell("corvo", "plans", "line").read()
    other = changed(region, require=["corvo"])
    assert status(other)["corvo"] == "running"
    added = other.settings.rules[len(region.settings.rules) :]
    assert added == (AtLeast(kind="at_least", name="--require corvo", count=1, sites=("corvo",), new_only=True),)


@pytest.mark.parametrize("budget", [0, -1, float("nan"), float("inf"), float("-inf")])
def test_a_budget_must_be_positive_and_finite(region, budget):
    assert sentences(region, budget=budget) == [
        f"--budget: not a budget (found '{budget}'); allowed: a number above 0; mend: give the total money"
    ]


def test_the_stock_must_hold_the_spare_analyzers(region):
    assert changed(region, analyzers=1).settings.stock.analyzers == 1
    assert sentences(region, analyzers=0) == [
        "--analyzers: fewer than the analyzers kept at home (found '0'); allowed: 1 or more; "
        "mend: count the spare ones in"
    ]


def test_numbers_that_region_toml_would_refuse_are_refused_in_options_too(region):
    assert sentences(region, budget=1e30, analyzers=10**20) == [
        "--budget: out of range (found '1e+30'); allowed: 1000000000000 or less; mend: check the number",
        f"--analyzers: out of range (found '{10**20}'); allowed: 10000 or less; mend: check the number",
    ]


def test_all_that_is_wrong_is_said_at_once(region):
    assert len(sentences(region, require=["x", "corvo"], exclude=["brisa"], budget=-1, analyzers=-3)) == 5


def test_the_changes_are_named_as_typed_in_one_order(region):
    other = changed(region, require=["alba"], budget=600000.0, analyzers=4)
    assert other.what_ifs == ("--budget 600000", "--require alba", "--analyzers 4")
    assert region.what_ifs == ()
    assert changed(other).what_ifs == other.what_ifs
    assert changed(other, budget=5.5).what_ifs == ("--budget 5.5", "--require alba", "--analyzers 4")


def test_names_of_result_folders_are_short_safe_and_differ():
    assert folder_name("best") == "best"
    assert folder_name("best", ("--budget 600000", "--exclude date_line")) == "best-budget-600000-exclude-date_line"
    odd = [("--exclude A",), ("--exclude a",), ("--exclude a b",), ("--exclude a-b",), ("--exclude a", "--exclude b")]
    odd += [("--exclude a-exclude-b",), tuple(f"--exclude {k:03d}" for k in range(99))]
    names = [folder_name("best", what_ifs) for what_ifs in odd]
    assert len({name.lower() for name in names}) == len(names)
    for name in names:
        assert len(name) <= 70
        assert re.fullmatch(r"[a-z0-9._-]*[a-z0-9_]", name)
