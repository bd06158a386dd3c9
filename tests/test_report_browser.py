"""The report page in headless Chromium: no request, picking works both ways, it prints, it is accessible.

Skipped where there is no Chromium, unless SITING_BROWSER is set (as the checks of the project do): then it fails.
"""

import csv
import importlib.util
import json
import math
import os
import random
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from siting import api, read_region
from siting.assessment.layout import assess_layout
from siting.outputs.run import write_layout
from siting.planning import plan_region
from siting.report.making import make_report, report_files
from siting.selection.standing import with_best_ways

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
REQUIRED = bool(os.environ.get("SITING_BROWSER"))
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None and not REQUIRED, reason="no Chromium on this machine"),
    pytest.mark.xdist_group("browser"),
]
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
RUN = [sys.executable, "-c", "from siting.cli import main; main()"]
REGIONS = Path(__file__).parents[1] / "regions"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A run of the tiny example by score, with its page; by score its answer is known by hand."""
    result = api.plan(read_region(REGIONS / "smallsea"), by="score", gap=0.0)
    target = tmp_path_factory.mktemp("run") / "best-by-score"
    write_layout(target, result.planning, result.assessment, result.certificate, "log\n", result.proven, report_files)
    return target


@pytest.fixture(scope="module")
def comparison(tmp_path_factory):
    """Two layouts of the tiny example compared."""
    here = tmp_path_factory.mktemp("compared")
    for name, rows in (("a", "dabrin,flask,2030\nmaroth,flask,2030\n"), ("b", "dabrin,flask,2031\n")):
        (here / f"{name}.csv").write_text(f"id,plan,start_year\n{rows}", encoding="utf-8")
    args = ["compare", str(REGIONS / "smallsea"), "a.csv", "b.csv"]
    done = subprocess.run([*RUN, *args], cwd=here, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    return here / "outputs" / "smallsea" / "comparison-a-b"


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None, "SITING_BROWSER is set, but there is no Chromium"
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def page(browser, folder):
    opened = browser.new_page(viewport={"width": 1400, "height": 900})
    opened.said, opened.asked = [], []
    opened.on("console", lambda message: opened.said.append(message.text))
    opened.on("pageerror", lambda error: opened.said.append(str(error)))
    opened.on("request", lambda request: opened.asked.append(request.url))
    opened.goto((folder / "report.html").as_uri())
    yield opened
    opened.close()


def chosen(page):
    """Return the ids that are marked, by the name of the element that holds them."""
    found = page.evaluate(
        "[...document.querySelectorAll('.chosen-one')].map(e => [e.closest('.map,table,.chart').id, e.dataset.site])"
    )
    return {(where, site) for where, site in found}


def test_the_page_asks_for_nothing_but_itself_and_says_nothing_on_the_console(page, folder):
    assert page.asked == [(folder / "report.html").as_uri()]
    assert page.said == []
    assert page.evaluate("document.querySelectorAll('[src],link,object,iframe').length") == 0


def test_numbers_on_the_page_are_those_of_layout_json_and_of_the_tables(page, folder):
    layout = json.loads((folder / "layout.json").read_text(encoding="utf-8"))
    facts = page.locator(".facts").inner_text()
    assert f"{layout['cost_total']:,.0f}" in facts
    assert f"{len(layout['picked'])}" in facts
    met = sum(target["met"] for target in layout["targets"])
    assert f"{met} of {len(layout['targets'])}" in facts
    assert layout["answer"] in page.locator(".answer").inner_text()
    with (folder / "sites.csv").open(encoding="utf-8") as stream:
        sites = {row["id"]: row for row in csv.DictReader(stream)}
    shown = page.evaluate(
        "[...document.querySelectorAll('#table-sites tbody tr')].map(r => [...r.cells].map(c => c.innerText.trim()))"
    )
    assert {row[1] for row in shown} == set(sites)
    for row in shown:
        assert float(row[7].replace(",", "")) == pytest.approx(float(sites[row[1]]["cost_total"]), abs=0.5)
        assert float(row[6]) == pytest.approx(float(sites[row[1]]["score"]), rel=5e-3)
    with (folder / "costs.csv").open(encoding="utf-8") as stream:
        totals = {row["year"]: float(row["total"]) for row in csv.DictReader(stream) if row["what"] == "year"}
    money = page.evaluate(
        "[...document.querySelectorAll('#table-money tbody tr')].map(r => [...r.cells].map(c => c.innerText))"
    )
    assert {row[0]: float(row[-1].replace(",", "")) for row in money if row[0].isdigit()} == pytest.approx(
        totals, abs=0.5
    )


def test_a_site_chosen_in_the_table_is_marked_on_map_and_charts_and_the_other_way_round(page):
    page.locator("#table-sites button.pick").first.click()
    first = page.locator("#table-sites button.pick").first.get_attribute("data-site")
    places = {where for where, site in chosen(page)}
    assert {site for _, site in chosen(page)} == {first}
    assert {"map", "table-sites", "table-why", "figure-ladder", "figure-signals"} <= places
    assert first in page.evaluate("document.querySelector('#table-sites button[aria-pressed=true]').dataset.site")
    other = page.locator("#table-sites button.pick").nth(1).get_attribute("data-site")
    page.locator(f"#map .world g[data-site='{other}']").first.click()
    assert {site for _, site in chosen(page)} == {other}
    assert "table-sites" in {where for where, _ in chosen(page)}
    page.keyboard.press("Escape")
    assert chosen(page) == set()


def test_the_site_table_is_worked_with_the_keyboard_alone(page):
    page.locator("#table-sites button.pick").first.focus()
    page.keyboard.press("Enter")
    assert len({site for _, site in chosen(page)}) == 1
    assert page.locator("#chosen").inner_text().strip()


def test_tables_sort_by_number_up_and_down(page):
    head = page.locator("#table-sites thead button", has_text="crowns")

    def costs():
        texts = page.evaluate("[...document.querySelectorAll('#table-sites tbody tr')].map(r => r.cells[7].innerText)")
        return [float(text.replace(",", "")) for text in texts]

    head.click()
    assert costs() == sorted(costs())
    head.click()
    assert costs() == sorted(costs(), reverse=True)


def test_a_hover_tells_the_numbers_of_a_mark(page):
    page.locator("#figure-money .wide [data-tip]").first.hover()
    words = page.locator("#hover").inner_text()
    assert "crowns" in words
    assert any(sign.isdigit() for sign in words)


def test_on_paper_every_chart_is_there(page, tmp_path):
    charts = page.locator("figure.chart").count()
    page.emulate_media(media="print")
    shown = page.evaluate(
        "[...document.querySelectorAll('figure.chart .wide svg')]"
        ".filter(s => s.getBoundingClientRect().height > 40).length"
    )
    assert shown == charts >= 4
    assert page.pdf(path=tmp_path / "page.pdf", format="A4")[:4] == b"%PDF"


@pytest.mark.parametrize("width", [400, 1400])
def test_the_page_fits_its_window(page, width):
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [400, 1400])
def test_axe_finds_no_serious_fault_of_accessibility(page, width):
    from axe_playwright_python.sync_playwright import Axe

    page.set_viewport_size({"width": width, "height": 900})
    found = Axe().run(page).response["violations"]
    grave = [(one["id"], one["nodes"][0]["html"][:120]) for one in found if one["impact"] in ("serious", "critical")]
    assert grave == []


HOSTILE = (
    "<img src=x onerror=document.title='hit'>",
    "</script><script>document.title='hit'</script>",
    "quotes \" ' and & = {{ 7*7 }} {% raw %}",
    "\u05e9\u05dc\u05d5\u05dd \u202e right to left",
    "x" * 300,
)


def test_hostile_names_are_plain_text_on_page_and_sheet(browser, tmp_path):
    rows = [
        {"id": f"s{n}", "name": name, "lat": -60 + 30 * n, "lon": 20 * n, "host": name}
        for n, name in enumerate(HOSTILE)
    ]
    planning = plan_region(made.region(rows, tracers=[{"name": "CO2", "unit": "ppm", "scale": "invented"}]))
    picked = made.picks(planning, *((f"s{n}", "f", 2030) for n in range(len(HOSTILE))))
    planning = with_best_ways(planning, picked)
    target = tmp_path / "hostile"
    write_layout(target, planning, assess_layout(planning, picked, state=True), None, "log\n", None, report_files)
    (sheet,) = make_report(target, "s1").paths
    for path in (target / "report.html", sheet):
        opened = browser.new_page(viewport={"width": 400, "height": 900})
        said = []
        opened.on("pageerror", lambda error, said=said: said.append(str(error)))
        opened.goto(path.as_uri())
        assert opened.title() != "hit"
        assert said == []
        assert opened.evaluate("document.querySelectorAll('img').length") == 0
        assert opened.evaluate("document.documentElement.scrollWidth") <= 400
        text = opened.locator("body").inner_text()
        assert HOSTILE[1] in text, "a name is shown as it was written"
        opened.close()


def test_a_page_of_ten_thousand_candidates_is_small_and_soon_answers(browser, folder, tmp_path):
    # The candidates of the run and copies of one that was left out, at invented places all over the earth.
    many = Path(shutil.copytree(folder, tmp_path / "many"))
    layer = json.loads((many / "candidates.geojson").read_text(encoding="utf-8"))
    left = next(one for one in layer["features"] if not one["properties"]["picked"])
    draw = random.Random(2)
    for k in range(10_000 - len(layer["features"])):
        lat, lon = math.degrees(math.asin(draw.uniform(-1, 1))), draw.uniform(-180, 180)
        point = {"type": "Point", "coordinates": [lon, lat]}
        told = left["properties"] | {"id": f"more{k}", "name": f"More {k}", "lat": lat, "lon": lon}
        layer["features"].append(left | {"geometry": point, "properties": told, "bbox": [lon, lat, lon, lat]})
    (many / "candidates.geojson").write_text(json.dumps(layer), encoding="utf-8")
    make_report(many)
    assert (many / "report.html").stat().st_size < 6e6
    opened = browser.new_page(viewport={"width": 1400, "height": 900})
    opened.goto("about:blank")
    begin = time.monotonic()
    opened.goto((many / "report.html").as_uri())
    opened.locator("#table-sites button.pick").first.click()
    opened.wait_for_selector("#map .chosen-one", state="attached")
    assert time.monotonic() - begin < 3.0
    note = opened.locator("body").inner_text()
    drawn = int(re.search(r"candidates left out ([\d,]+) are drawn, spread evenly", note).group(1).replace(",", ""))
    assert 1000 < drawn <= 2000
    opened.close()


# -- the page of a comparison -------------------------------------------------------------------------------


def test_layouts_of_a_comparison_are_switched_on_one_map_and_sites_stay_marked(browser, comparison):
    opened = browser.new_page(viewport={"width": 1400, "height": 900})
    said, asked = [], []
    opened.on("console", lambda message: said.append(message.text))
    opened.on("pageerror", lambda error: said.append(str(error)))
    opened.on("request", lambda request: asked.append(request.url))
    opened.goto((comparison / "report.html").as_uri())

    def shown():
        return opened.evaluate(
            "[...document.querySelectorAll('[data-layout]')].filter(e => e.offsetHeight).map(e => e.dataset.layout)"
        )

    assert shown() == ["1"]
    opened.locator("#table-sites button.pick", has_text="Dabrin").click()
    opened.locator("input[name=layout][value='2']").check()
    assert shown() == ["2"]
    assert ("map-2", "dabrin") in chosen(opened)
    opened.locator("input[name=layout][value='2']").press("ArrowUp")
    assert shown() == ["1"], "the keyboard switches too"
    opened.emulate_media(media="print")
    assert shown() == ["1", "2"], "paper shows every layout"
    assert said == []
    assert len(asked) == 1
    opened.close()


def test_numbers_of_a_comparison_are_those_of_its_table(browser, comparison):
    opened = browser.new_page(viewport={"width": 1400, "height": 900})
    opened.goto((comparison / "report.html").as_uri())
    with (comparison / "comparison.csv").open(encoding="utf-8") as stream:
        rows = {(row["group"], row["quantity"]): row for row in csv.DictReader(stream)}
    told = opened.evaluate(
        "[...document.querySelectorAll('#table-differences tbody tr')].map(r => [...r.cells].map("
        "c => [c.innerText, c.dataset.order ?? null]))"
    )
    assert told
    for cells in told:
        row = rows[cells[0][0], cells[1][0]]
        values = [text for name, text in row.items() if name.startswith("layout ")]
        for (text, order), value in zip(cells[4:], values, strict=True):
            assert text == (value or "-") or float(order) == pytest.approx(float(value), rel=1e-9)
    opened.close()


@pytest.mark.parametrize("width", [400, 1400])
def test_the_page_of_a_comparison_fits_and_is_accessible(browser, comparison, width):
    from axe_playwright_python.sync_playwright import Axe

    opened = browser.new_page(viewport={"width": width, "height": 900})
    opened.goto((comparison / "report.html").as_uri())
    assert opened.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(opened).response["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    opened.close()


def test_a_sheet_for_a_host_is_one_page_of_paper_and_accessible(browser, folder, tmp_path):
    from axe_playwright_python.sync_playwright import Axe

    copy = Path(shutil.copytree(folder, tmp_path / "copy"))
    with (copy / "stations.csv").open(encoding="utf-8") as stream:
        site = next(csv.DictReader(stream))["id"]
    (path,) = make_report(copy, site).paths
    opened = browser.new_page(viewport={"width": 400, "height": 900})
    opened.goto(path.as_uri())
    found = Axe().run(opened).response["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    pages = re.findall(rb"/Type\s*/Page\b", opened.pdf(format="A4"))
    assert len(pages) == 1
    opened.close()
