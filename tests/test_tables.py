"""The CSV tables: sums agree to the cent, numbers parse back, no text runs as a formula.

Formula injection after the OWASP page "CSV Injection" (value from memory): dangerous are cells that begin with
`=`, `+`, `-`, `@`, tab or carriage return, also in their full-width forms, and such characters after a field
separator or quote; a single quote in front makes a cell plain text.
"""

import csv
import importlib.util
import io
import json
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from siting import api
from siting.assessment.layout import assess_layout
from siting.outputs import tables
from siting.outputs.run import layout_files
from siting.planning import plan_region
from siting.region import read_region
from siting.region.layouts import read_layout

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

REGIONS = Path(__file__).parents[1] / "regions"
KINDS = ("capital", "setup", "yearly", "samples", "cylinders", "transport", "transport_fixed")


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def bought_region():
    """Three places for analyzers and one analyzer in stock: two must be bought."""
    places = [{"id": f"p{k}", "lat": 20 * k - 30, "lon": 10 * k, "baseline_exposure": 0.7} for k in range(3)]
    return made.region(
        places,
        plans=[made.FLASK, made.ANALYZER | {"setup_cost": 333.33, "annual_cost": 77.77}],
        stock={"analyzers": 1, "spare_analyzers": 0, "buy_price": 12345.67, "buy_most": 3},
        budget={"total": 1e6, "contingency": 0.07, "overhead": 0.13, "price_growth": 0.031},
    )


def judged(name):
    if name == "bought":
        planning = plan_region(bought_region())
        picked = made.picks(planning, ("p0", "a", 2030), ("p1", "a", 2031), ("p2", "a", 2032))
        assessment = assess_layout(planning, picked)
    else:
        region = read_region(REGIONS / "farwinds")
        result = api.assess(region, read_layout(region, "first-idea"))
        planning, assessment = result.planning, result.assessment
    return planning, assessment, layout_files(planning, assessment, None)


@pytest.fixture(scope="module", params=["farwinds", "bought"])
def layout(request):
    return judged(request.param)


def test_sites_costs_and_layout_json_agree_to_the_cent(layout):
    _, _, files = layout
    costs, sites, content = rows_of(files["costs.csv"]), rows_of(files["sites.csv"]), json.loads(files["layout.json"])
    total = next(row for row in costs if row["what"] == "total")
    assert Decimal(total["total"]) == Decimal(str(content["cost_total"]))
    purchases = sum(Decimal(row["purchases"]) for row in costs if row["what"] == "purchase")
    shared = sum(Decimal(row["transport_fixed"]) for row in costs if row["what"] == "transport")
    assert sum(Decimal(row["cost_total"]) for row in sites) + purchases + shared == Decimal(total["total"])
    years = {row["year"]: Decimal(row["total"]) for row in costs if row["what"] == "year"}
    assert years == {year: Decimal(str(amount)) for year, amount in content["cost_by_year"].items()}
    assert sum(years.values()) == Decimal(total["total"])


def test_every_row_of_costs_adds_up_and_every_sum_is_the_sum_of_its_rows(layout):
    costs = rows_of(layout[2]["costs.csv"])
    columns = (*KINDS, "purchases")
    for row in costs:
        assert sum(Decimal(row[c]) for c in columns) == Decimal(row["total"])
    parts = [row for row in costs if row["what"] in ("site", "purchase", "transport")]
    for row in (r for r in costs if r["what"] == "year"):
        for column in (*columns, "total", "analyzers_bought"):
            same = [Decimal(p[column]) for p in parts if p["year"] == row["year"]]
            assert sum(same, Decimal(0)) == Decimal(row[column])
    total = next(row for row in costs if row["what"] == "total")
    for column in (*columns, "total", "analyzers_bought"):
        assert sum(Decimal(p[column]) for p in parts) == Decimal(total[column])


def test_a_site_costs_in_costs_what_it_costs_in_sites(layout):
    costs, sites = rows_of(layout[2]["costs.csv"]), rows_of(layout[2]["sites.csv"])
    for site in sites:
        own = [Decimal(row["total"]) for row in costs if row["what"] == "site" and row["id"] == site["id"]]
        assert sum(own) == Decimal(site["cost_total"])


def test_bought_analyzers_stand_in_the_year_in_which_they_are_first_needed():
    # Hand sum: price 12,345.67 x 1.07 x 1.13 x 1.031^y: 14,927.15 in 2030, 15,389.89 in 2031, 15,866.98 in 2032.
    _, _, files = judged("bought")
    bought = [row for row in rows_of(files["costs.csv"]) if row["what"] == "purchase"]
    assert [(row["year"], row["analyzers_bought"], row["purchases"]) for row in bought] == [
        ("2031", "1", "15389.89"),
        ("2032", "1", "15866.98"),
    ]


def test_the_numbers_of_sites_parse_back_to_those_of_the_assessment(layout):
    _, assessment, files = layout
    for row, pick in zip(rows_of(files["sites.csv"]), assessment.picks, strict=True):
        assert (row["id"], row["plan"], int(row["start_year"])) == (pick.id, pick.plan, pick.start_year)
        for column, value in (
            ("lat", pick.lat),
            ("lon", pick.lon),
            ("lat_south", pick.south),
            ("lat_north", pick.north),
            ("score", pick.score),
            ("worth", pick.worth),
            ("share_of_window", pick.left),
            ("clean_samples_per_month", pick.samples),
        ):
            assert float(row[column]) == pytest.approx(value, rel=1e-9, abs=1e-12), column
        for part, attribute, value in pick.parts:
            assert float(row[f"{part}_attribute"]) == pytest.approx(attribute, rel=1e-9)
            assert float(row[f"{part}_value"]) == pytest.approx(value, rel=1e-9)
        assert (int(row["flasks_at_peak"]), int(row["samples_per_year"])) == (pick.flasks, pick.laboratory)


def test_the_numbers_of_coverage_parse_back_to_those_of_the_assessment(layout):
    _, assessment, files = layout
    bands = rows_of(files["coverage.csv"])
    for row, band in zip(bands, assessment.coverage.bands, strict=True):
        assert row["band"] == band.band
        numbers = [float(row[c]) for c in ("south", "north", "area_share", "analyzers", "flasks", "both", "running")]
        expected = [band.south, band.north, band.area_share, band.analyzers, band.flasks, band.both, band.running]
        assert numbers == pytest.approx(expected, rel=1e-9)
        assert float(row["sites"]) == pytest.approx(sum(numbers[3:]), rel=1e-9)
        assert float(row["baseline_hours_per_year"]) == pytest.approx(band.baseline_hours, rel=1e-9)
        assert row["best_site"] == (band.best_site or "")
    gaps = [(float(r["south"]), float(r["north"]), float(r["degrees"])) for r in rows_of(files["gaps.csv"])]
    assert gaps == [pytest.approx((g.from_lat, g.to_lat, g.width_deg)) for g in assessment.coverage.gaps]
    # Poles count as ends, so the gaps fill the whole circle from pole to pole.
    assert sum(width for _, _, width in gaps) == pytest.approx(180.0)
    values = {r["profile"]: float(r["efficiency"]) for r in rows_of(files["profiles.csv"])}
    assert values == {e.name: pytest.approx(e.value, rel=1e-9) for e in assessment.coverage.efficiencies}


DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        '=HYPERLINK("http://example.invalid";"x")',
        "+1+1",
        "-2+3",
        "@SUM(1,1)",
        "\t=1+1",
        "\r=1+1",
        "\n=1+1",
        "  =1+1",
        "\u00a0=1+1",
        "\ufeff=1+1",
        "\u200b=1+1",
        "\u202e=1+1",
        "\x00=1+1",
        "\uff1d1+1",
        "\uff20SUM(1)",
    ],
)
def test_a_formula_becomes_plain_text(text):
    cell = next(csv.reader(io.StringIO(tables.csv_text(["a"], [[text]]).split("\n", 1)[1])))[0]
    assert cell.startswith("'")
    assert len(cell) > 4, "the text is kept for the reader"


@pytest.mark.parametrize("separator", [";", "\t", "|", ","])
@pytest.mark.parametrize("between", ["", " ", '"', "'\" "])
def test_a_formula_after_a_separator_of_another_country_is_harmless_too(separator, between):
    text = f"islet{separator}{between}=cmd|calc"
    line = tables.csv_text(["a", "b"], [["x", text]]).split("\n")[1]
    for reading in (",", ";", "\t", "|"):
        for cell in line.split(reading):
            assert not cell.strip(" \"'\t").startswith("=") or "'=" in cell, (reading, cell)


@given(st.text(max_size=40))
def test_no_text_at_all_comes_out_as_a_formula(text):
    cell = tables.harmless(text)
    assert not cell.startswith(DANGEROUS)
    assert "\n" not in cell
    assert "\r" not in cell
    rows = list(csv.reader(io.StringIO(tables.csv_text(["a", "b"], [[text, 1]]))))
    assert rows[1] == [cell, "1"]


@given(
    st.text(alphabet="abc XYZ-'.,()\u00e9\u05d0\u4e2d", min_size=1, max_size=30).filter(
        lambda t: t.strip()[:1] not in "-"
    )
)
def test_an_innocent_name_is_kept_but_for_its_spaces(text):
    if ",-" in text.replace(" ", "").replace("'", ""):
        return
    assert tables.harmless(text) == " ".join(text.split())


@given(st.one_of(st.floats(-1e300, 1e300), st.integers(-(10**12), 10**12)))
def test_a_number_is_never_taken_for_text_and_parses_back(number):
    cell = tables.csv_text(["a"], [[number]]).split("\n")[1]
    assert float(cell) == pytest.approx(number, rel=1e-9)


def test_numbers_of_numpy_are_numbers():
    assert tables.csv_text(["a"], [[np.int64(-5)], [np.float64(-0.5)]]) == "a\n-5\n-0.5\n"


@pytest.mark.parametrize("number", [float("nan"), float("inf"), np.float64("nan")])
def test_a_number_that_is_missing_is_refused_not_written(number):
    with pytest.raises(ValueError, match="give None for a missing value"):
        tables.csv_text(["a"], [[number]])
    assert tables.csv_text(["a", "b"], [[None, True]]) == "a,b\n,yes\n"


@pytest.mark.parametrize(
    ("hundredths", "words"),
    [(0, "0.00"), (5, "0.05"), (100, "1.00"), (123456789, "1234567.89"), (-5, "-0.05"), (-12345, "-123.45")],
)
def test_money_has_two_decimals_and_is_exact(hundredths, words):
    assert str(tables.amount(hundredths)) == words
    assert tables.csv_text(["a"], [[tables.amount(hundredths)]]) == f"a\n{words}\n"
