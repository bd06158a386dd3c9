"""stations.csv: what will stand at each picked site, against what its plan and its row say (invented places)."""

import csv
import importlib.util
import io
from pathlib import Path

from siting.assessment.layout import assess_layout
from siting.outputs.stations import stations_csv
from siting.planning import plan_region

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

FLASK = {**made.FLASK, "flasks_per_sample": 2, "method": "glass", "crew_days": 3.0, "samples_per_month": 2.0}
ANALYZER = {
    **made.ANALYZER,
    "method": "laser",
    "instrument": "laser cavity",
    "calibrations_per_month": 3.0,
    "crew_days": 10.0,
}
LATER = {
    "id": "later",
    "kind": "flask_then_analyzer",
    "analyzer_plan": "a",
    "flask_plan": "f",
    "analyzer_after_months": 12,
    "crew_days": 1.0,
}
PLACE = {
    "id": "p",
    "name": "Invented point",
    "lat": -10.0,
    "lon": 20.0,
    "elevation_m": 300.0,
    "intake_m": 12.0,
    "power": "mains",
    "staffed": True,
    "host": "a lighthouse",
    "access": "boat",
    "permit_months": 2,
    "lead_months": 3,
    "open_months": "Jan-Dec",
}


def rows_of(*picks, **more):
    plans = [FLASK, ANALYZER, LATER]
    tracers = [{"name": "CO2", "unit": "ppm", "scale": "invented"}]
    places = [PLACE, {"id": "q", "lat": 30.0, "lon": 40.0, "power": "none"}]
    planning = plan_region(made.region(places, plans=plans, tracers=tracers, stock={"analyzers": 2}, **more))
    picked = made.picks(planning, *picks)
    return list(csv.DictReader(io.StringIO(stations_csv(planning, assess_layout(planning, picked)))))


def test_a_row_repeats_place_plan_and_host_as_the_region_has_them():
    (row,) = rows_of(("p", "a", 2030))
    told = {name: row[name] for name in ("name", "power", "staffed", "host", "access", "plan", "kind", "instruments")}
    assert told == {
        "name": "Invented point",
        "power": "mains",
        "staffed": "yes",
        "host": "a lighthouse",
        "access": "boat",
        "plan": "a",
        "kind": "analyzer",
        "instruments": "laser cavity",
    }
    assert (float(row["elevation_m"]), float(row["intake_m"])) == (300.0, 12.0)
    assert float(row["calibrations_per_month"]) == 3.0
    assert row["flask_samples_per_month"] == ""
    assert row["first_month"] == "2030-06", "January, two months of permits and three of lead"


def test_an_analyzer_that_comes_after_flasks_has_its_own_month_and_both_instruments():
    (row,) = rows_of(("p", "later", 2030))
    assert set(row["instruments"].split(" and ")) == {"glass flasks", "laser cavity"}
    assert row["first_month"] == "2030-06"
    assert row["analyzer_from"] == "2031-06"
    assert set(row["methods"].split()) == {"glass", "laser"}
    assert float(row["crew_days_per_year"]) == 1.0 + 10.0 + 3.0
    assert int(row["flasks_per_sample"]) == 2


def test_a_year_of_two_samples_a_month_brings_24_to_the_laboratory_and_needs_no_host():
    (row,) = rows_of(("q", "f", 2030))
    assert float(row["samples_per_year"]) == 24, "by hand: 2 x 12, the flasks of a pair are one sample"
    assert row["host"] == row["access"] == ""
    assert row["needs_power"] == "no"
