"""Facts about the files of `siting derive` in a region: given wins, months count, assumed prices are said to be so.

The numbers are invented; what is checked follows from the words of the page of fields, not from a model.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from siting.cli import app
from siting.outputs.terminal import check_text
from siting.planning import plan_region
from siting.region import Origin, read_region
from siting.region.derived import HINT_COLUMNS, derivable
from siting.region.schema.air import Geography
from siting.region.template import new_region

DERIVED, MONTHLY = "candidates.derived.csv", "monthly.derived.csv"


def said(region, words):
    return [w.sentence() for w in region.warnings if words in w.sentence()]


def code(region, candidate, column):
    return Origin(region.candidates.origin[column][region.candidates.index(candidate)])


# candidates.derived.csv ------------------------------------------------------------------------------------------


def test_sources_and_hints_in_the_derived_file_are_passed_over_without_a_word(make_region):
    heading = ["id", "elevation_m", "elevation_m_source", "contamination_size.co2", "contamination_size.co2_source"]
    row = ["brisa", "12", "grid", "3", "towns"]
    text = ",".join([*heading, *HINT_COLUMNS]) + "\n" + ",".join([*row, *("x" for _ in HINT_COLUMNS)]) + "\n"
    region = make_region().file(DERIVED, text).read()
    assert said(region, DERIVED) == []
    assert region.candidates.elevation_m[1] == 12.0
    assert dict(region.candidates.extra) == {}


@pytest.mark.parametrize("column", ["elevation_n_source", "colour", "coast", "elevatoin_m"])
def test_other_strange_columns_of_the_derived_file_are_still_named(make_region, column):
    region = make_region().file(DERIVED, f"id,{column}\nbrisa,1\n").read()
    (found,) = said(region, "unknown column")
    assert f"{DERIVED}, row 1, {column}" in found


def test_hints_have_no_place_in_the_users_own_file(make_region):
    assert said(make_region().cell("alba", "coast_km", "3").read(), "coast_km: unknown column")


def test_prices_from_the_derived_file_are_assumed_and_other_numbers_derived(make_region):
    maker = make_region().cell("alba", "setup_cost", "").cell("brisa", "annual_cost", "")
    maker.file(DERIVED, "id,setup_cost,annual_cost,elevation_m\nalba,20000,8000,7\nbrisa,20000,9000,8\n")
    region = maker.read()
    assert code(region, "alba", "setup_cost") is Origin.ASSUMED
    assert code(region, "alba", "annual_cost") is Origin.GIVEN
    assert code(region, "brisa", "annual_cost") is Origin.ASSUMED
    assert code(region, "brisa", "elevation_m") is Origin.DERIVED
    assert region.candidates.setup_cost.tolist()[:2] == [20000.0, 7000.0]
    assert region.candidates.annual_cost.tolist()[:2] == [1000.0, 9000.0]


def test_assumed_prices_are_warned_of_in_place_of_bare_ones(make_region):
    maker = make_region().cell("alba", "setup_cost", "").cell("brisa", "setup_cost", "")
    maker.file(DERIVED, "id,setup_cost\nalba,20000\n")
    region = maker.read()
    assert [w for w in said(region, "counted as 0") if "setup_cost" in w] == [
        "candidates.csv, setup_cost: not given for 1 candidate, counted as 0 there; mend: fill it in"
    ]
    (assumed,) = said(region, "assumed for")
    assert assumed.startswith(f"{DERIVED}, setup_cost: assumed for 1 candidate,")
    assert assumed.endswith("mend: give real prices in candidates.csv")
    assert all(w.may_change_answer for w in region.warnings if "assumed for" in w.problem)


def test_prices_that_the_user_gave_are_neither_changed_nor_called_assumed(make_region):
    region = make_region().file(DERIVED, "id,setup_cost,annual_cost\nalba,1,2\nbrisa,3,4\n").read()
    assert region.candidates.setup_cost.tolist()[:2] == [5000.0, 7000.0]
    assert said(region, "assumed for") == []


# monthly.derived.csv ---------------------------------------------------------------------------------------------


def test_a_derived_month_counts_only_where_the_user_gives_neither_month_nor_year(make_region):
    maker = make_region().file("monthly.csv", "id,month,exposure\nbrisa,1,0.3\n")
    # alba's own column gives 0.7; brisa's is empty, and January is in monthly.csv
    maker.file(MONTHLY, "id,month,exposure\nalba,1,0.1\nbrisa,1,0.2\nbrisa,2,0.4\n")
    region = maker.read()
    np.testing.assert_allclose(region.exposure[0], 0.7)
    assert set(region.exposure_origin[0].tolist()) == {Origin.GIVEN}
    np.testing.assert_allclose(region.exposure[1, :3], [0.3, 0.4, 0.5])
    assert region.exposure_origin[1, :3].tolist() == [Origin.GIVEN, Origin.DERIVED, Origin.ASSUMED]


def test_a_derived_month_stands_above_a_derived_year(make_region):
    maker = make_region().file(DERIVED, "id,baseline_exposure,contamination_size\nbrisa,0.6,4\n")
    maker.file(MONTHLY, "id,month,exposure,size\nbrisa,2,0.4,9\n")
    region = maker.read()
    np.testing.assert_allclose(region.exposure[1, :3], [0.6, 0.4, 0.6])
    np.testing.assert_allclose(region.size[0, 1, :3], [4.0, 9.0, 4.0])
    assert set(region.exposure_origin[1].tolist()) == {Origin.DERIVED}


def test_accepted_hours_multiply_a_derived_month_as_any_other(make_region):
    maker = make_region().cell("brisa", "accepted_hours", "0.5").file(MONTHLY, "id,month,exposure\nbrisa,2,0.4\n")
    assert maker.read().exposure[1, 1] == pytest.approx(0.2)


def test_derived_risk_and_sizes_go_by_tracer(make_region):
    maker = make_region().cell("brisa", "contamination_risk", "").cell("brisa", "contamination_size.co2", "0.25")
    maker.file("monthly.csv", "id,month,size\nbrisa,3,7\n")
    maker.file(MONTHLY, "id,month,risk,size.ch4,size.co2\nbrisa,2,0.2,5,6\nbrisa,3,0.3,5,6\n")
    region = maker.read()
    np.testing.assert_allclose(region.risk[:, 1, 1:3], [[0.2, 0.3], [0.2, 0.3]])
    assert region.risk_origin[1, :3].tolist() == [Origin.ASSUMED, Origin.DERIVED, Origin.DERIVED]
    # CH4 is the first tracer: its derived month 2 counts, month 3 is the user's; CO2 has a number of its own
    np.testing.assert_allclose(region.size[0, 1, 1:3], [5.0, 7.0])
    assert region.size_origin[0, 1, 1:3].tolist() == [Origin.DERIVED, Origin.GIVEN]
    np.testing.assert_allclose(region.size[1, 1], 0.25)
    assert set(region.size_origin[1, 1].tolist()) == {Origin.GIVEN}


def test_derived_months_alone_make_the_yearly_number_derived_where_they_fill_all_open_months(make_region):
    months = [1, 2, 11, 12]  # brisa is open from November to February
    text = "id,month,exposure\n" + "".join(f"brisa,{m},0.4\n" for m in months)
    assert code(make_region().file(MONTHLY, text).read(), "brisa", "baseline_exposure") is Origin.DERIVED
    fewer = text.replace("brisa,11,0.4\n", "")
    assert code(make_region().file(MONTHLY, fewer).read(), "brisa", "baseline_exposure") is Origin.ASSUMED


def test_derived_months_of_candidates_that_are_gone_are_named_but_do_no_harm(make_region):
    region = make_region().file(MONTHLY, "id,month,exposure\nold place,1,0.5\nbrisa,2,0.4\n").read()
    (found,) = said(region, "not there any more")
    assert found.startswith(MONTHLY)
    assert "old place" in found
    assert "siting derive" in found
    assert region.exposure[1, 1] == 0.4


@pytest.mark.parametrize(
    ("text", "row", "field"),
    [
        ("id,month,exposure\nbrisa,1,1.5\n", 2, "exposure"),
        ("id,month,exposure\nbrisa,13,0.5\n", 2, "month"),
        ("id,month,size.co2\nbrisa,1,-2\n", 2, "size.co2"),
        ("id,month,exposure\nbrisa,1,0.5\nbrisa,1,0.6\n", 3, "month"),
    ],
)
def test_derived_months_are_checked_like_other_input(make_region, text, row, field):
    (fault,) = make_region().file(MONTHLY, text).faults()
    assert (fault.file, fault.row, fault.field) == (MONTHLY, row, field)


def test_both_derived_files_have_hashes_that_follow_their_content(make_region):
    one, other = "id,elevation_m\nbrisa,3\ndusk,4\n", "id,elevation_m\ndusk,4\nbrisa,3\n"
    months = "id,month,exposure\nbrisa,1,0.5\n"
    first = dict(make_region().file(DERIVED, one).file(MONTHLY, months).read().inputs)
    same = dict(make_region().file(DERIVED, other).file(MONTHLY, months).read().inputs)
    changed = dict(make_region().file(DERIVED, one).file(MONTHLY, months.replace("0.5", "0.6")).read().inputs)
    assert {DERIVED, MONTHLY} <= first.keys()
    assert first == same
    assert [name for name in first if first[name] != changed[name]] == [MONTHLY]


def test_a_derived_file_is_no_strange_file(make_region):
    region = make_region().file(DERIVED, "id\nbrisa\n").file(MONTHLY, "id,month\nbrisa,1\n").read()
    assert said(region, "not read") == []


# what could be derived ------------------------------------------------------------------------------------------


def test_derivable_counts_what_neither_the_user_nor_a_derived_file_gave(make_region):
    # in the small region brisa lacks exposure, size of both gases and height; corvo runs and needs no prices
    maker = make_region().cell("alba", "setup_cost", "").cell("alba", "contamination_risk", "")
    assert dict(derivable(maker.read())) == {
        "baseline_exposure": 1,
        "contamination_risk": 1,
        "contamination_size": 1,
        "contamination_size.co2": 1,
        "elevation_m": 1,
        "setup_cost": 1,
    }
    maker.file(DERIVED, "id,elevation_m,contamination_size.co2,setup_cost\nbrisa,1,2,\nalba,,,20000\n")
    maker.file("monthly.csv", "id,month,size\n" + "".join(f"brisa,{m},3\n" for m in (1, 2, 11, 12)))
    maker.file(MONTHLY, "id,month,exposure\n" + "".join(f"brisa,{m},0.4\n" for m in (1, 2, 11, 12)))
    assert dict(derivable(maker.read())) == {"contamination_risk": 1}


def test_check_says_in_one_line_what_could_be_derived(make_region):
    region = make_region().cell("alba", "setup_cost", "").read()
    text = " ".join(check_text(plan_region(region)).split())
    assert (
        "`siting derive` could fill: baseline exposure of 1, contamination size of 1, contamination size (CO2) of 1, "
        "elevation of 1, setup cost of 1."
    ) in text


def test_check_says_nothing_of_it_where_all_is_there(make_region):
    maker = make_region()
    for column in ("elevation_m", "baseline_exposure", "contamination_size", "contamination_size.co2"):
        maker.cell("brisa", column, "0.5")
    region = maker.read()
    assert dict(derivable(region)) == {}
    assert "could fill" not in check_text(plan_region(region))


def test_check_tells_assumed_prices_as_they_are_and_not_their_default(make_region):
    maker = make_region().cell("alba", "setup_cost", "").cell("brisa", "setup_cost", "")
    text = check_text(plan_region(maker.file(DERIVED, "id,setup_cost\nalba,20000\nbrisa,25000\n").read()))
    assert "- assumed: setup_cost 20,000 to 25,000 at 2 of 4 candidates: alba, brisa" in text


# settings and winds ----------------------------------------------------------------------------------------------


def test_settings_of_geography_are_used_and_have_the_defaults_of_the_page(make_region):
    region = make_region().append("[geography]\nislet_km2 = 50.0\nbare_setup_cost = 0.0").read()
    assert said(region, "not used yet") == []
    assert (region.settings.geography.islet_km2, region.settings.geography.bare_setup_cost) == (50.0, 0.0)
    plain = Geography()
    assert (plain.islet_km2, plain.town_reach_km, plain.mountain_above_m, plain.mountain_hours) == (200, 50, 500, 0.45)
    assert (plain.bare_setup_cost, plain.bare_annual_cost, plain.bare_cost_per_km) == (20000, 8000, 10)


@pytest.mark.parametrize("line", ["islet_km2 = -1.0", "town_reach_km = 0.0", "mountain_hours = 1.1"])
def test_settings_of_geography_have_limits(make_region, line):
    (fault,) = make_region().append(f"[geography]\n{line}").faults()
    assert line.split()[0] in str(fault.field)


def winds(*shares):
    rows = "".join(f"alba,2,{30 * k},5,{share}\n" for k, share in enumerate(shares))
    return "site,month,sector,speed,frequency\n" + rows


@pytest.mark.parametrize("shares", [("0.5", "0.5"), ("0.49", "0.49"), ("0.51", "0.51"), ("0.333", "0.333", "0.333")])
def test_shares_of_wind_that_are_rounded_pass_and_are_used(make_region, shares):
    region = (
        make_region().file("winds.csv", winds(*shares)).file("sources.csv", "id,lat,lon,strength\na,1,2,3\n").read()
    )
    assert len(region.winds) == len(shares)
    assert [w for w in region.warnings if w.file in ("winds.csv", "sources.csv")] == []


@pytest.mark.parametrize("shares", [("0.5", "0.47"), ("0.5", "0.53"), ("0.2",)])
def test_shares_of_wind_that_do_not_sum_to_1_are_named_with_site_month_sum_and_mend(make_region, shares):
    (fault,) = make_region().file("winds.csv", winds(*shares)).faults()
    assert (fault.file, fault.field) == ("winds.csv", "frequency")
    assert fault.value == f"a sum of {sum(map(float, shares)):g}"
    assert "month 2 of 'alba'" in fault.problem
    assert fault.mend


def test_a_faulty_share_is_not_blamed_for_the_sum_too(make_region):
    (fault,) = make_region().file("winds.csv", winds("0.5", "x")).faults()
    assert fault.row == 3


# from a bare list to a region -------------------------------------------------------------------------------------


def test_a_bare_list_is_checked_and_says_what_could_be_derived(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sites.csv").write_text("id,lat,lon,elevation_m\none,-8,-14,\ntwo,60,5,30\n", encoding="utf-8")
    run = CliRunner()
    assert run.invoke(app, ["new", "mine", "--sites", "sites.csv"]).exit_code == 0
    told = run.invoke(app, ["check", "mine"])
    assert told.exit_code == 0
    assert "baseline exposure of 2" in " ".join(told.stdout.split())
    machine = json.loads(run.invoke(app, ["check", "mine", "--json"]).stdout)
    assert machine["derivable"]["elevation_m"] == 1
    assert machine["derivable"]["annual_cost"] == 2
    assert "siting derive" in (tmp_path / "mine" / "README.md").read_text(encoding="utf-8")


def test_the_settings_of_a_bare_list_are_those_of_the_template_and_its_sample_places_are_gone(tmp_path):
    (tmp_path / "sites.csv").write_text("id,lat,lon\none,-8,-14\ntwo,60,5\n", encoding="utf-8")
    new_region(tmp_path / "plain")
    new_region(tmp_path / "mine", sites=tmp_path / "sites.csv")
    plain, mine = read_region(tmp_path / "plain"), read_region(tmp_path / "mine")
    assert mine.settings == plain.settings
    assert mine.candidates.ids == ("one", "two")
