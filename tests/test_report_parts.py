"""Charts and paper tables of a report: what they draw is what the files hold; any text is harmless in them."""

import dataclasses
import html
import itertools
import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from siting.outputs.maplabels import clean
from siting.report import charts
from siting.report.drawing import svg, tip
from siting.report.members import RUNNING, Loss, Member
from siting.report.papers import latex, markdown
from siting.report.tables import Cell, Head, Line, Table

TEXT = st.text(st.characters(codec="utf-8"), max_size=30)
HOSTILE = [
    "<script>alert('x')</script>",
    "quotes \" and ' and `ticks`",
    "a | b | c",
    "# not a head, *not* _bold_, [no](link) ![no](picture) ~~no~~",
    "\\input{/etc/passwd} $x^2$ 5 % of #1 & {more} ~ ^",
    "two\nlines",
    "\u05e9\u05dc\u05d5\u05dd \u202e turned",
    "--- -- -",
]


def member(key="a", lat=10.0, **more):
    plain = Member(
        id=key,
        name=f"Place {key}",
        picked=True,
        kind="flask",
        plan="f",
        start_year=2030,
        first_month="2030-03",
        lat=lat,
        lon=0.0,
        spread=0.0,
        south=lat,
        north=lat,
        score=50.0,
        cost=1000.0,
        losses=(Loss("XX", "growth", 3.0),),
        shortfall_loss=0.1,
        swap=None,
        station={},
    )
    return dataclasses.replace(plain, **more)


def layers_of(chart, mark):
    return [one for one in chart["layer"] if one["mark"]["type"] == mark]


# -- ladder -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wide", [True, False])
def test_marks_of_the_ladder_stand_at_the_sine_of_their_latitude(wide):
    # Source: the area of the earth south of a latitude grows with its sine (Archimedes' theorem of the sphere).
    found = [member(str(k), lat) for k, lat in enumerate((-90.0, -30.0, 0.0, 30.0, 77.6, 90.0))]
    (points,) = layers_of(charts.ladder(found, [], [], wide), "point")
    heights = sorted(row["y"] for row in points["data"]["values"])
    assert heights == pytest.approx([-1.0, -0.5, 0.0, 0.5, math.sin(math.radians(77.6)), 1.0])


def test_a_track_reaches_over_its_latitudes():
    chart = charts.ladder([member("t", 10.0, south=-30.0, north=50.0)], [], [], True)
    (row,) = next(layer for layer in layers_of(chart, "rule") if "y2" in layer["encoding"])["data"]["values"]
    assert (row["y1"], row["y2"]) == pytest.approx((-0.5, math.sin(math.radians(50.0))))


def test_a_gap_of_the_ladder_says_its_degrees():
    chart = charts.ladder([member()], [], [charts.Gap(-90.0, 10.0)], True)
    (gap,) = layers_of(chart, "rect")[0]["data"]["values"]
    assert gap["words"] == "100° without a site"
    assert (gap["y"], gap["y2"]) == pytest.approx((-1.0, math.sin(math.radians(10.0))))


@settings(deadline=None)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=40), st.floats(0.001, 0.05))
def test_names_are_pushed_apart_in_order_and_stay_on_the_page(places, room):
    ordered = sorted(places)
    moved = charts._apart(ordered, room)
    assert all(b - a >= room - 1e-9 for a, b in itertools.pairwise(moved))
    assert max(moved) <= 1.0 + 1e-9
    if len(places) * room <= 2.0:
        assert min(moved) >= -1.0 - 1e-9
    assert charts._apart([-0.5, 0.5], 0.1) == [-0.5, 0.5], "where there is room nothing moves"


def test_each_kind_has_a_shape_and_a_fill_of_its_own():
    shapes = list(charts.SHAPES.values())
    assert len(set(shapes)) == len(shapes) == len(charts.KINDS)
    assert set(charts.KINDS) == {"analyzer", "flask", "both", RUNNING}


# -- targets, money, signals --------------------------------------------------------------------------------


def target(error, goal, prior, met):
    return {
        "words": "growth",
        "unit": "ppb a year",
        "goal": str(goal),
        "error": str(error),
        "prior_error": str(prior),
        "met": met,
    }


def test_a_target_stands_at_its_error_over_its_goal():
    chart = charts.targets([target(2.0, 4.0, 40.0, "yes"), target(8.0, 4.0, 8.5, "no")], True)
    rows = chart["data"]["values"]
    assert [row["ratio"] for row in rows] == [0.5, 2.0]
    assert [row["prior"] for row in rows] == [10.0, 2.125]
    assert [row["state"] for row in rows] == ["goal met", "goal missed"]


def test_an_error_of_zero_can_be_drawn_on_the_logarithmic_axis():
    drawn = svg(charts.targets([target(0.0, 4.0, 40.0, "yes")], True), "t", "d")
    assert "NaN" not in drawn
    assert "Infinity" not in drawn


def test_bars_of_a_year_add_up_to_what_the_file_says():
    rows = [
        {"year": "2030", "setup": "100", "running": "50.5", "total": "150.5"},
        {"year": "2031", "setup": "0", "running": "70", "total": "70"},
    ]
    chart = charts.money(rows, ["setup", "running"], "crowns", {"2030": 200.0}, True)
    bars = layers_of(chart, "bar")[0]["data"]["values"]
    for row in rows:
        assert sum(bar["amount"] for bar in bars if bar["year"] == row["year"]) == float(row["total"])
    assert [row["amount"] for row in layers_of(chart, "tick")[0]["data"]["values"]] == [200.0]


@pytest.mark.parametrize("kinds", [[], ["setup"]])
@pytest.mark.parametrize("wide", [True, False])
def test_money_of_a_network_that_costs_nothing_has_a_size(kinds, wide):
    rows = [{"year": str(2030 + k), "setup": "0", "total": "0"} for k in range(3)]
    root = ET.fromstring(svg(charts.money(rows, kinds, "crowns", {}, wide), "t", "d"))
    assert 100 < float(root.get("width")) < 1000
    assert 100 < float(root.get("height")) < 1000


def record(name, months):
    return [
        {
            "id": name,
            "unit": "ppm",
            "year": str(2030 + m // 12),
            "month": str(m % 12 + 1),
            "expected": str(5.0 + math.sin(m)),
            "error": "0.25",
        }
        for m in months
    ]


def test_a_record_is_drawn_about_its_mean_with_its_error_on_both_sides():
    rows = record("a", range(36))
    values = charts.signals(rows, [member()], True)["data"]["values"]
    assert np.mean([row["v"] for row in values]) == pytest.approx(0.0, abs=1e-3)
    for row, drawn in zip(rows, values, strict=True):
        mean = sum(float(r["expected"]) for r in rows) / 36
        assert drawn["v"] == pytest.approx(float(row["expected"]) - mean, abs=1e-3)
        assert drawn["high"] - drawn["low"] == pytest.approx(0.5, abs=1e-3)


def test_months_without_a_sample_leave_a_gap_in_the_line():
    values = charts.signals(record("a", [0, 1, 10, 11, 12, 13, 22]), [member()], True)["data"]["values"]
    parts = [row["part"] for row in values]
    assert [parts.index(part) for part in parts] == [0, 0, 2, 2, 2, 2, 6]


def test_two_sites_of_one_name_get_a_panel_each():
    found = [member("a", name="Twin"), member("b", name="Twin")]
    chart = charts.signals(record("a", range(3)) + record("b", range(3)), found, True)
    assert len({row["site"] for row in chart["data"]["values"]}) == 2


# -- colours ------------------------------------------------------------------------------------------------

# Full protanopia, deuteranopia and tritanopia in linear RGB: Machado, Oliveira and Fernandes, A Physiologically-based
# Model for Simulation of Color Vision Deficiency, IEEE TVCG 15 (2009), table of severity 1.0 (from memory).
EYES = {
    "all cones": np.eye(3),
    "no red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.01182, 0.04294, 0.968881]],
    "no blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.3039]],
}
# sRGB to CIE XYZ under D65 (IEC 61966-2-1), and CIE L*a*b* (CIE 15).
TO_XYZ = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]


def linear(colour):
    channel = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)


def lab(colour, eye):
    xyz = TO_XYZ @ np.clip(np.array(EYES[eye]) @ linear(colour), 0, 1) / np.array([0.9505, 1.0, 1.089])
    x, y, z = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("colours", [charts._MONEY, tuple(charts.COLOURS.values()), ("#00735c", "#b3261e")])
def test_colours_that_stand_for_something_differ_to_every_eye(eye, colours):
    # A difference of 2.3 is just noticed (Mahy, Van Eycken and Oosterlinck 1994); wanted is three times that.
    pairs = itertools.combinations(colours, 2)
    assert min(float(np.linalg.norm(lab(a, eye) - lab(b, eye))) for a, b in pairs) > 7.0


def test_neighbours_of_a_stacked_bar_differ_in_light_and_dark_too():
    # WCAG 2.2, relative luminance; so that a copy in grey still tells them apart.
    light = [float(linear(colour) @ (0.2126, 0.7152, 0.0722)) + 0.05 for colour in charts._MONEY]
    assert all(max(a, b) / min(a, b) > 2.0 for a, b in itertools.pairwise(light))


# -- drawing ------------------------------------------------------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(st.text("\"'<>&=; abc\u05e9\u00e9-.", min_size=1, max_size=20), TEXT)
def test_any_words_go_through_a_drawing_and_come_out_as_text(name, words):
    chart = {
        "data": {"values": [{"x": 1, "t": tip(0, [words, "12.3456 ppm"])}]},
        "mark": "point",
        "encoding": {"x": {"field": "x", "type": "quantitative"}, "description": {"field": "t"}},
    }
    root = ET.fromstring(svg(chart, words, words, [name]))
    (marked,) = [one for one in root.iter() if one.get("data-tip")]
    assert marked.get("data-tip").split() == [*clean(words).split(), "12.3456", "ppm"], "numbers keep their digits"
    assert marked.get("data-site") == name


# -- paper --------------------------------------------------------------------------------------------------


def table(texts):
    rows = tuple(Line((Cell(text), Cell("1.5", 1.5))) for text in texts)
    return Table("sites", "Sites & more", (Head("site"), Head("ppm", True)), rows, note="A note with 5 %.")


def cells_of(text):
    """The cells of a pipe table as another library reads them."""
    read = MarkdownIt("commonmark").enable("table").render(text)
    return [html.unescape(re.sub("<[^>]*>", "", cell)) for cell in re.findall(r"<td[^>]*>(.*?)</td>", read, re.DOTALL)]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_markdown_table_shows_names_as_they_are_written(text):
    # Source: markdown-it, a library that follows the CommonMark standard.
    assert cells_of(markdown(table([text, "plain"]))) == [clean(text), "1.5", "plain", "1.5"]


@settings(deadline=None)
@given(st.lists(TEXT, min_size=1, max_size=4))
def test_any_text_keeps_its_cell_in_markdown(texts):
    found = cells_of(markdown(table(texts)))
    assert found[::2] == [clean(text).strip() for text in texts]
    assert set(found[1::2]) == {"1.5"}


LATEX_READ = {
    r"\textbackslash{}": "\\",
    r"\textasciicircum{}": "^",
    r"\textasciitilde{}": "~",
    r"\textless{}": "<",
    r"\textgreater{}": ">",
    r"\textbar{}": "|",
    r"\textquotedbl{}": '"',
    r"\textdegree{}": "°",
    r"\textasciigrave{}": "`",
    r"\textquotesingle{}": "'",
    **{f"\\{sign}": sign for sign in "{}$&#_%"},
    "-{}-": "--",
}


def read_latex(text):
    """Text of LaTeX that holds nothing but plain letters and the commands above."""
    pattern = "|".join(re.escape(key) for key in sorted(LATEX_READ, key=len, reverse=True))
    rest = re.sub(pattern, "", text)
    assert not set(rest) & set("\\{}$&#_%^~"), "nothing that LaTeX would take for a command"
    return re.sub(pattern, lambda found: LATEX_READ[found.group()], text)


@settings(deadline=None)
@given(st.lists(TEXT | st.sampled_from(HOSTILE), min_size=1, max_size=4))
def test_any_text_is_text_in_latex(texts):
    # Source: the ten special characters of LaTeX and their commands (LaTeX2e reference manual, "Special characters").
    lines = latex(table(texts)).split("\n")
    body = [line for line in lines if line.endswith(" \\\\")][1:]
    assert len(body) == len(texts)
    for line, text in zip(body, texts, strict=True):
        name, value = line.removesuffix(" \\\\").rsplit(" & ", 1)
        assert value == "1.5"
        assert read_latex(name) == clean(text)


def test_a_latex_table_has_as_many_columns_as_heads():
    lines = latex(table(["a"])).split("\n")
    assert "\\begin{tabular}{lr}" in lines
    assert lines.count("\\hline") == 3
    assert "\\caption{Sites \\& more. A note with 5 \\%.}" in lines
