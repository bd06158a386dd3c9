"""Cautions appear exactly for the sites that call for them.

The limits are common practice, no single source: altitude sickness above about 2,500 m; the polar circle at
66.5 N; in the south the area of the Antarctic Treaty (1959, article VI) south of 60 S.
"""

import importlib.util
from pathlib import Path

import pytest
import shapely

from siting.assessment.layout import assess_layout
from siting.outputs.cautions import CLOSING, cautions
from siting.outputs.run import layout_files
from siting.outputs.terminal import layout_text
from siting.planning import plan_region

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

PLAIN = {"id": "plain", "lat": 10, "lon": 20, "elevation_m": 15, "intake_m": 10, "access": "road", "group": "g"}
PLANS = {"flask": "f", "analyzer": "a", "both": "b"}
OPENING = {
    "altitude": "Above 2,500 m",
    "polar": "Polar work",
    "ice": "Sea ice",
    "afloat": "Work on ships",
    "volcano": "Volcanic gas",
    "mast": "Inlets at 20 m",
    "glass": "Evacuated glass",
    "cylinders": "Compressed gas",
    "cryogens": "Cryogens",
}


def told(places, plan="f", picked=None):
    """Return {caution: ids} for a layout of places that all have one plan; the closing line is checked here."""
    region = made.region(places, plans=[made.FLASK, made.ANALYZER, made.BOTH])
    planning = plan_region(region)
    chosen = [p["id"] for p in places] if picked is None else picked
    assessment = assess_layout(planning, made.picks(planning, *((i, plan, 2030) for i in chosen)))
    lines = cautions(planning, assessment)
    assert lines[-1] == CLOSING
    found = {}
    for line in lines[:-1]:
        (name,) = [name for name, opening in OPENING.items() if line.startswith(opening)]
        assert name not in found, "said once"
        if line.endswith(" All new sites."):
            found[name] = set(chosen)
        else:
            found[name] = set(line.rpartition("Sites: ")[2].rstrip(".").split(", "))
    return found


def test_a_plain_coast_needs_only_the_cautions_of_its_instrument():
    assert told([PLAIN], "f") == {"glass": {"plain"}}
    assert told([PLAIN], "a") == {"cylinders": {"plain"}, "cryogens": {"plain"}}
    assert told([PLAIN], "b") == {"glass": {"plain"}, "cylinders": {"plain"}, "cryogens": {"plain"}}


LINE_TO_70 = shapely.LineString([(0, 40), (5, 70)])


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"elevation_m": 2501}, {"altitude"}),
        ({"elevation_m": 2500}, set()),
        ({"elevation_m": 4350}, {"altitude"}),
        ({"lat": 66.5}, {"polar"}),
        ({"lat": 66.4}, set()),
        ({"lat": 89}, {"polar"}),
        ({"lat": -60}, {"polar"}),
        ({"lat": -59.9}, set()),
        ({"lat": -89, "elevation_m": 2800}, {"polar", "altitude"}),
        ({"platform": "ship"}, {"afloat"}),
        ({"platform": "moored"}, {"afloat"}),
        ({"platform": "drifting", "lat": 85}, {"afloat", "ice", "polar"}),
        ({"platform": "moored", "lat": -62}, {"afloat", "ice", "polar"}),
        ({"platform": "moored", "lat": 59}, {"afloat"}),
        ({"platform": "ship", "geometry": LINE_TO_70}, {"afloat", "ice", "polar"}),
        ({"access": "icebreaker in Aug; pack ice closes it in winter"}, {"ice"}),
        ({"access": "over sea ice in spring"}, {"ice"}),
        ({"access": "no ice at all, says the pilot"}, set()),
        ({"access": "coaster; volcanic gas in calms"}, {"volcano"}),
        ({"name": "Volcan Invented"}, {"volcano"}),
        ({"name": "Crater Rim"}, {"volcano"}),
        ({"group": "volcanoes"}, {"volcano"}),
        ({"access": "past the fumaroles"}, {"volcano"}),
        ({"intake_m": 20}, {"mast"}),
        ({"intake_m": 19}, set()),
    ],
)
@pytest.mark.parametrize("plan", ["f", "a"])
def test_each_caution_has_its_own_cause(change, expected, plan):
    instrument = {"glass"} if plan == "f" else {"cylinders", "cryogens"}
    odd = PLAIN | {"id": "odd"} | change
    assert told([odd], plan) == {name: {"odd"} for name in expected | instrument}
    # Beside a plain site, the caution names the one that calls for it and not the other.
    both = told([PLAIN, odd], plan)
    assert {name: ids for name, ids in both.items() if name not in instrument} == {name: {"odd"} for name in expected}
    assert all(both[name] == {"plain", "odd"} for name in instrument)


def test_sites_that_are_not_picked_call_for_nothing():
    high = PLAIN | {"id": "high", "elevation_m": 4000, "lat": 80, "access": "beside a volcano"}
    assert told([PLAIN, high], picked=["plain"]) == {"glass": {"plain"}}


def test_an_empty_layout_has_the_closing_line_only():
    assert told([PLAIN], picked=[]) == {}


def test_the_closing_line_says_who_decides():
    for word in ("codes", "permits", "dangerous-goods", "licensed"):
        assert word in CLOSING


def test_terminal_and_folder_carry_every_caution():
    places = [PLAIN, PLAIN | {"id": "high", "lat": -75, "elevation_m": 3200}]
    planning = plan_region(made.region(places, plans=[made.FLASK, made.ANALYZER]))
    assessment = assess_layout(planning, made.picks(planning, ("plain", "f", 2030), ("high", "a", 2030)))
    lines = cautions(planning, assessment)
    assert layout_files(planning, assessment, None)["cautions.txt"].splitlines() == lines
    shown = " ".join(layout_text(planning, assessment, None).split())
    for line in lines:
        assert line in shown
