"""The schedule of a layout: months worked out by hand, properties of any schedule, its table and its lines.

Everything is invented. Hand sums have no source but arithmetic; a month has 30.4375 days on average.
"""

import csv
import importlib.util
import io
import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from siting.assessment.layout import assess_layout
from siting.assessment.schedule import ACTIONS, last_departure, month_words, schedule_of
from siting.outputs.run import layout_files
from siting.outputs.schedule import note_words, schedule_csv, schedule_lines
from siting.planning import plan_region
from siting.selection.standing import with_best_ways

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

LAB = "laboratory"
SUMMER = {"id": "s", "name": "South Cape", "lat": -70, "lon": 10, "open_months": "Nov-Feb", "permit_months": 5,
          "lead_months": 4}  # fmt: skip
PHASES = {"id": "ph", "kind": "flask_then_analyzer", "analyzer_plan": "a", "flask_plan": "f",
          "analyzer_after_months": 12}  # fmt: skip
PLANS = [made.FLASK, made.ANALYZER, made.BOTH, PHASES]


def scheduled(places, *wanted, **given):
    """Return planning, picked deployments and their schedule."""
    planning = plan_region(made.region(places, **({"first_year": 2028, "plans": PLANS} | given)))
    picked = made.picks(planning, *wanted)
    planning = with_best_ways(planning, picked)
    return planning, picked, schedule_of(planning, picked)


def months_of(schedule, name="s"):
    """Return {action: month as 2028-03} of a site; actions of a site are all different."""
    steps = [step for step in schedule.steps if step.id == name]
    found = {step.action: month_words(step.month, schedule.first_year) for step in steps}
    assert len(found) == len(steps)
    return found


def step_of(schedule, action, name="s"):
    return next(step for step in schedule.steps if (step.id, step.action) == (name, action))


# -- hand sums -------------------------------------------------------------------------------------


def test_a_summer_place_with_5_months_of_permits_and_4_of_lead_is_installed_in_november():
    """Permits Jan-May, order in June, ready in October, open from November; 30 days out are one month."""
    _, _, found = scheduled([SUMMER], ("s", "f", 2028))
    assert months_of(found) == {
        "apply for permits": "2028-01",
        "order": "2028-06",
        "ship": "2028-10",
        "install": "2028-11",
        "first sample": "2028-11",
    }
    apply, order, install = (step_of(found, action) for action in ("apply for permits", "order", "install"))
    assert (apply.year, apply.calendar_month, apply.until) == (2028, 1, 4), "until May"
    assert order.until == 8, "buying, building and testing from June to September"
    assert note_words(install) == "place opens Nov-Feb: ready 2028-10, waits 1 month"
    assert not any(step.clash for step in found.steps)


def test_a_later_start_year_moves_every_month_by_a_year():
    _, _, one = scheduled([SUMMER], ("s", "f", 2028))
    _, _, other = scheduled([SUMMER], ("s", "f", 2029))
    assert [(s.month + 12, s.action) for s in one.steps] == [(s.month, s.action) for s in other.steps]


def test_a_place_without_permits_or_wait_asks_for_none_and_says_nothing_of_opening():
    place = {"id": "s", "lat": 0, "lon": 0, "lead_months": 3}
    _, _, found = scheduled([place], ("s", "a", 2029))
    assert months_of(found) == {
        "order": "2029-01",
        "ship": "2029-03",
        "install": "2029-04",
        "first sample": "2029-04",
    }
    assert step_of(found, "install").opens == ()
    assert "1 of them for the way" in step_of(found, "order").note


def test_the_record_that_a_start_leaves_is_counted_by_hand():
    """Nov 2028 to Dec 2030 are 26 of 36 months; open are Nov, Dec, then 4 a year: 10 of 12."""
    _, _, found = scheduled([SUMMER], ("s", "f", 2028))
    (record,) = found.records
    assert (record.first_month, record.months, record.open_months, record.analyzer_months) == (10, 26, 10, 0)
    assert record.share == pytest.approx(26 / 36)
    assert record.open_share == pytest.approx(10 / 12)
    assert record.years == pytest.approx(26 / 12)
    assert step_of(found, "first sample").note == "leaves 26 months of record, 10 of them open"


def test_after_a_trial_year_of_flasks_the_analyzer_has_its_own_order_way_and_installation():
    """Flasks from Nov 2028; the analyzer in Nov 2029, ordered 4 months before, a month under way."""
    _, _, found = scheduled([SUMMER], ("s", "ph", 2028))
    late = {action: date for action, date in months_of(found).items() if "analyzer" in action or "flasks" in action}
    assert late == {
        "flasks alone": "2028-11",
        "order analyzer": "2029-07",
        "ship analyzer": "2029-10",
        "install analyzer": "2029-11",
        "flasks stop": "2029-11",
    }
    assert step_of(found, "flasks alone").note == "trial year before the analyzer"
    assert step_of(found, "flasks alone").until == 21, "Oct 2029 is the last month of flasks alone"
    assert "the analyzer comes in 2029-11" in step_of(found, "order").note
    assert found.records[0].analyzer_months == 14


def test_an_analyzer_that_is_due_while_the_place_is_closed_waits_for_the_next_open_month():
    """Due in Nov 2028 + 6 = May 2029; open again in Nov 2029: 6 months of waiting, 12 of flasks alone."""
    plans = [made.FLASK, made.ANALYZER, PHASES | {"analyzer_after_months": 6}]
    _, _, found = scheduled([SUMMER], ("s", "ph", 2028), plans=plans)
    install = step_of(found, "install analyzer")
    assert (month_words(install.month, 2028), note_words(install)) == (
        "2029-11",
        "place opens Nov-Feb: due 2029-05, waits 6 months",
    )
    assert step_of(found, "flasks alone").note == "trial of 6 months before the analyzer, 12 months as it turns out"
    assert step_of(found, "flasks stop").note == "12 months of flasks alone"


def test_flasks_that_go_on_beside_the_analyzer_do_not_stop():
    _, _, found = scheduled(
        [SUMMER], ("s", "ph", 2028), plans=[made.FLASK, made.ANALYZER, PHASES | {"flasks_go_on": True}]
    )
    assert "flasks stop" not in months_of(found)
    assert "flasks go on beside it" in step_of(found, "install analyzer").note


def test_cylinders_travel_with_the_analyzer_and_only_with_it():
    """Three working cylinders of known life; in two phases they go with the analyzer that comes later."""
    plans = [made.FLASK, made.ANALYZER | {"cylinder_life_months": 20.0}, made.BOTH, PHASES]
    for plan, action in (("a", "ship"), ("b", "ship"), ("ph", "ship analyzer")):
        _, _, found = scheduled([SUMMER], ("s", plan, 2028), plans=plans)
        assert [s.action for s in found.steps if "3 cylinders" in s.note] == [action]
    _, _, found = scheduled([SUMMER], ("s", "f", 2028), plans=plans)
    assert not any("cylinder" in step.note for step in found.steps)


# -- the way out -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("days", "before"), [(0.0, 0), (0.2, 1), (30.4375, 1), (30.5, 2), (60.875, 2), (61.0, 3)])
def test_days_of_the_way_out_are_rounded_up_to_whole_months(days, before):
    place = {"id": "s", "lat": 0, "lon": 0, "lead_months": 6}
    _, _, found = scheduled([place], ("s", "f", 2028), laboratory={"way_days": days})
    assert step_of(found, "install").month - step_of(found, "ship").month == before
    assert "(assumed)" in step_of(found, "ship").note


def test_a_way_out_longer_than_the_lead_time_is_said_to_leave_before_the_order():
    """Order in March, first month in April; 100 days are four months: it would have to leave in December."""
    place = {"id": "s", "lat": 0, "lon": 0, "permit_months": 2, "lead_months": 1}
    _, _, found = scheduled([place], ("s", "f", 2028), laboratory={"way_days": 100.0})
    ship = step_of(found, "ship")
    assert month_words(ship.month, 2028) == "2028-03", "never before the order"
    assert ship.clash
    assert ship.note == (
        "way out 100 days (assumed) but 1 month from order to installation: leaves before the order, by 2027-12"
    )
    assert f"- s, ship: {ship.note}." in " ".join(line.strip() for line in schedule_lines(found, 80))


def test_where_the_way_takes_all_of_the_lead_time_the_order_says_so():
    place = {"id": "s", "lat": 0, "lon": 0, "lead_months": 2}
    _, _, found = scheduled([place], ("s", "f", 2028), laboratory={"way_days": 45.0})
    assert step_of(found, "order").note == "lead time 2 months, all of it for the way"
    assert step_of(found, "ship").month == step_of(found, "order").month
    assert not step_of(found, "ship").clash


def test_the_way_out_goes_by_the_legs_where_they_lead():
    """50 days by legs are two months; no leg leads to t, so its 30 days are assumed: one month."""
    places = [{"id": name, "lat": 0, "lon": lon, "lead_months": 6} for name, lon in (("s", 0), ("t", 20))]
    legs = [{"from": LAB, "to": "s", "mode": "ship", "days": 50}]
    _, _, found = scheduled(places, ("s", "f", 2028), ("t", "f", 2028), legs=legs)
    assert [months_of(found, name)["ship"] for name in "st"] == ["2028-05", "2028-06"]
    assert step_of(found, "ship", "s").note == "way out 50 days (by legs)"
    assert step_of(found, "ship", "t").note == "way out 30 days (assumed)"


def test_a_way_guessed_from_distances_is_said_to_be_estimated():
    place = {"id": "s", "lat": 0, "lon": 0, "lead_months": 6}
    given = {"laboratory": {"lat": 45.0, "lon": -60.0}, "distances_km": {"s": (10.0, 10.0)}}
    planning, _, found = scheduled([place], ("s", "f", 2028), **given)
    days = planning.region.settings.supply.estimate_air_days
    assert step_of(found, "ship").note.startswith(f"way out {days:g} days (estimated)")


def test_a_ship_that_calls_once_a_year_takes_the_goods_long_before_the_place_opens():
    """It leaves on 10 January for 20 days and the place opens in November: what is there by then left in January."""
    legs = [{"from": LAB, "to": "s", "mode": "ship", "days": 20, "departures": "01-10"}]
    _, _, found = scheduled([SUMMER], ("s", "f", 2028), legs=legs)
    ship = step_of(found, "ship")
    assert ship.note == "way out 20 days (by legs); by the timetable of its legs it leaves before the order, by 2028-01"
    assert ship.clash
    _, _, found = scheduled([SUMMER | {"permit_months": 0}], ("s", "f", 2028), legs=legs)
    assert step_of(found, "ship").note.endswith("by the timetable of its legs it leaves by 2028-01")


def _latest_by_walking(legs, month):
    """Return the last month in which a day of leaving still brings goods before the end of a month, day by day.

    Legs are (days of the year on which it departs, days on the way), in the order of travel.
    """
    ends = list(itertools.accumulate([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]))
    end = 365 * (month // 12) + ends[month % 12]
    for left in range(end - 1, end - 3 * 365, -1):
        if left % 365 not in legs[0][0]:
            continue
        day = left
        for departs, days in legs:
            while day % 365 not in departs:
                day += 1
            day += days
        if day < end:
            year, rest = divmod(left, 365)
            return 12 * year + next(m for m, last in enumerate(ends) if rest < last)
    raise AssertionError("nothing arrives")


def _day(text):
    month, day = (int(part) for part in text.split("-"))
    return sum([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][: month - 1]) + day - 1


@settings(max_examples=40, deadline=None)
@given(
    dates=st.lists(st.sets(st.sampled_from(["01-01", "01-31", "03-15", "07-01", "10-12", "12-31"]), min_size=1),
                   min_size=2, max_size=2),
    days=st.tuples(st.integers(1, 40), st.integers(1, 40)),
)  # fmt: skip
def test_the_last_departure_by_named_days_is_the_one_found_by_walking_every_day(dates, days):
    legs = [
        {"from": begin, "to": end, "mode": "ship", "days": n, "departures": " ".join(sorted(named))}
        for begin, end, n, named in ((LAB, "port", days[0], dates[0]), ("port", "s", days[1], dates[1]))
    ]
    hubs = [{"id": "port", "lat": 1, "lon": 1}]
    place = {"id": "s", "lat": 0, "lon": 0}
    planning = plan_region(made.region([place], legs=legs, hubs=hubs, first_year=2028))
    way = int(planning.ways_of(made.picks(planning, ("s", "f", 2028)))[0])
    walked = [({_day(text) for text in named}, n) for named, n in zip(dates, days, strict=True)]
    for month in range(0, 30, 5):
        assert last_departure(planning, way, month) == _latest_by_walking(walked, month)


def test_the_last_departure_of_a_leg_with_an_open_season_is_in_that_season():
    """Open from May to September, 10 days: for November by September, for June by June, for March the year before."""
    legs = [{"from": LAB, "to": "s", "mode": "ship", "days": 10, "months_open": "May-Sep"}]
    planning = plan_region(made.region([{"id": "s", "lat": 0, "lon": 0}], legs=legs, first_year=2028))
    way = int(planning.ways_of(made.picks(planning, ("s", "f", 2028)))[0])
    assert [last_departure(planning, way, month) for month in (10, 5, 2, 14)] == [8, 5, -4, 8]


# -- properties ------------------------------------------------------------------------------------

OPEN = st.sets(st.integers(1, 12), min_size=1)
PLACE = st.tuples(OPEN, st.integers(0, 14), st.integers(0, 14))


@settings(max_examples=60, deadline=None)
@given(
    places=st.lists(PLACE, min_size=1, max_size=3),
    way=st.integers(0, 2000).map(lambda tenths: tenths / 10),
    after=st.integers(1, 15),
    data=st.data(),
)
def test_steps_of_every_deployment_are_in_order_and_agree_with_the_table_of_deployments(places, way, after, data):
    rows = [
        {"id": f"p{n}", "lat": 10 * n, "lon": 0, "open_months": sorted(months), "permit_months": p, "lead_months": lead}
        for n, (months, p, lead) in enumerate(places)
    ]
    plans = [made.FLASK, made.ANALYZER, made.BOTH, PHASES | {"analyzer_after_months": after}]
    planning = plan_region(made.region(rows, plans=plans, years=6, first_year=2028, laboratory={"way_days": way}))
    d, c = planning.deployments, planning.region.candidates
    picked = [data.draw(st.sampled_from(np.flatnonzero(d.candidate == i).tolist())) for i in range(len(rows))]
    found = schedule_of(planning, np.array(picked[::-1]))
    assert len(found.records) == len(picked)
    window, order = 72, {action: n for n, action in enumerate(ACTIONS)}
    assert list(found.steps) == sorted(found.steps, key=lambda s: (s.month, order[s.action], s.id))
    for n, k in enumerate(picked):
        steps = [s for s in found.steps if s.id == f"p{n}"]
        month = {s.action: s.month for s in steps}
        assert len(month) == len(steps), "every action once, so one installation and one first sample"
        months, permit, lead = places[n]
        first, start = int(d.first_month[k]), 12 * (int(d.start_year[k]) - 2028)
        assert ("apply for permits" in month) == (permit > 0)
        assert month.get("apply for permits", start) == start >= 0
        assert start + permit == month["order"] <= month["ship"] <= month["install"] == month["first sample"] == first
        assert first % 12 + 1 in months
        assert first == next(m for m in itertools.count(start + permit + lead) if m % 12 + 1 in months)
        assert (step_of(found, "ship", f"p{n}").clash) == (first - np.ceil(way / 30.4375) < month["order"])
        phases = planning.region.settings.plans[d.plan[k]].kind == "flask_then_analyzer"
        assert {a for a in month if "analyzer" in a or "flasks" in a} == (
            {"flasks alone", "order analyzer", "ship analyzer", "install analyzer", "flasks stop"} if phases else set()
        )
        if phases:
            at = int(d.analyzer_month[k])
            assert start <= month["order analyzer"] == at - lead <= month["ship analyzer"] <= at
            assert month["install analyzer"] == month["flasks stop"] == at
            assert at == next(m for m in itertools.count(first + after) if m % 12 + 1 in months)
        for step in steps:
            assert divmod(step.month, 12) == (step.year - 2028, step.calendar_month - 1)
            assert step.until is None or step.until >= step.month
        record = next(r for r in found.records if r.id == c.ids[n])
        assert record.first_month == first
        assert record.months == sum(1 for m in range(window) if m >= first)
        assert record.open_months == sum(1 for m in range(window) if m >= first and m % 12 + 1 in months)
        assert record.share == pytest.approx(record.months / window)
        assert record.open_share == pytest.approx(record.open_months / (6 * len(months)))
        assert record.share == pytest.approx(d.left[k])
    assert all(cell_len(line) <= 80 for line in schedule_lines(found, 80))


def test_the_order_of_rows_and_picks_changes_nothing():
    places = [SUMMER, {"id": "t", "lat": 0, "lon": 0, "lead_months": 9}, {"id": "u", "lat": 9, "lon": 0}]
    wanted = [("s", "ph", 2028), ("t", "b", 2028), ("u", "f", 2029)]
    planning, picked, one = scheduled(places, *wanted)
    _, _, other = scheduled(places[::-1], *wanted[::-1])
    assert one == other == schedule_of(planning, picked[::-1])


def test_a_deployment_that_is_picked_twice_is_refused():
    planning, picked, _ = scheduled([SUMMER], ("s", "f", 2028))
    with pytest.raises(ValueError, match="a deployment is picked twice"):
        schedule_of(planning, np.repeat(picked, 2))


# -- the file and the lines ------------------------------------------------------------------------


def test_the_table_has_a_row_for_every_step_and_stands_in_every_layout_folder():
    planning, picked, found = scheduled([SUMMER], ("s", "ph", 2028))
    text = layout_files(planning, assess_layout(planning, picked), None)["schedule.csv"]
    assert text == schedule_csv(found)
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0]) == ["year", "month", "date", "id", "name", "plan", "action", "until", "note"]
    assert [row["action"] for row in rows] == [step.action for step in found.steps]
    first = rows[0]
    assert (first["year"], first["month"], first["date"], first["until"]) == ("2028", "1", "2028-01", "2028-05")
    assert (first["id"], first["name"], first["plan"]) == ("s", "South Cape", "ph")


def test_no_cell_of_the_table_is_a_formula():
    _, _, found = scheduled([SUMMER | {"name": "=2+2"}], ("s", "f", 2028))
    rows = list(csv.DictReader(io.StringIO(schedule_csv(found))))
    assert {row["name"] for row in rows} == {"'=2+2"}


def test_a_layout_without_sites_has_an_empty_schedule():
    planning, _, _ = scheduled([SUMMER], ("s", "f", 2028))
    found = schedule_of(planning, np.empty(0, dtype=np.int64))
    assert (found.steps, found.records) == ((), ())
    assert schedule_csv(found) == "year,month,date,id,name,plan,action,until,note\n"
    assert schedule_lines(found, 80) == ["Nothing is picked, so nothing is scheduled."]


def test_the_calendar_has_one_entry_for_each_month_in_which_something_happens():
    places = [SUMMER, {"id": "t", "lat": 0, "lon": 0, "permit_months": 5, "lead_months": 4}]
    _, _, found = scheduled(places, ("s", "f", 2028), ("t", "f", 2028))
    assert schedule_lines(found, 80)[:6] == [
        "Schedule",
        "2028-01  apply for permits: s, t",
        "2028-06  order: s, t",
        "2028-09  ship: t",
        "2028-10  ship: s; install, first sample: t",
        "2028-11  install, first sample: s",
    ]
    assert "- s, install: place opens Nov-Feb: ready 2028-10, waits 1 month." in schedule_lines(found, 80)


@pytest.mark.parametrize("width", [40, 60, 80])
def test_many_sites_with_long_names_fit_any_width(width):
    places = [
        {"id": f"far-away-islet-{n:02d}", "lat": n, "lon": 0, "open_months": "Nov-Feb", "lead_months": n % 5}
        for n in range(30)
    ]
    _, _, found = scheduled(places, *[(place["id"], "ph", 2028) for place in places])
    lines = schedule_lines(found, width)
    assert max(cell_len(line) for line in lines) <= width
    entries = "".join(line.strip() for line in lines[1 : next(n for n, line in enumerate(lines) if line[0] == "-")])
    assert all(place["id"] in entries for place in places), "no site is left out of the calendar"
