"""Measure the report page: time to make it, its size, and how soon it answers in headless Chromium.

Run by hand: `python tests/benchmarks/bench_report.py [CANDIDATES]` (10,000 invented places by default). It needs the
test extra and Chromium. The table of results stands in README.md beside this file.
"""

from __future__ import annotations

import importlib.util
import math
import random
import shutil
import sys
import tempfile
import time
from pathlib import Path

from siting.assessment.layout import assess_layout
from siting.outputs.run import write_layout
from siting.planning import plan_region
from siting.report.making import make_report, report_files
from siting.selection.standing import with_best_ways

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).parents[1] / "made_region.py")
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

PICKED = 60
FLAGS = ["--no-sandbox", "--disable-gpu"]


def places(count: int) -> list[dict]:
    """Return invented places, evenly over the earth."""
    draw = random.Random(11)
    return [
        {
            "id": f"p{k:05d}",
            "name": f"Place {k}",
            "lat": round(math.degrees(math.asin(draw.uniform(-1, 1))), 3),
            "lon": round(draw.uniform(-180, 180), 3),
            "baseline_exposure": round(draw.uniform(0.3, 0.95), 3),
            "contamination_risk": round(draw.uniform(0.0, 0.2), 3),
            "setup_cost": draw.randrange(2000, 9000),
            "annual_cost": draw.randrange(300, 2500),
        }
        for k in range(count)
    ]


def written(count: int, folder: Path) -> float:
    """Write a run of `count` candidates and return the seconds that its page took when made again."""
    region = made.region(
        places(count),
        last_start_year=2030,
        tracers=[{"name": "CO2", "unit": "ppm", "scale": "invented"}],
        bands=[
            {"id": "south", "south": -90.0, "north": -30.0},
            {"id": "tropics", "south": -30.0, "north": 30.0},
            {"id": "north", "south": 30.0, "north": 90.0},
        ],
        targets=[{"id": "growth", "kind": "realised_growth", "goal": 0.1}],
    )
    planning = plan_region(region)
    ids = region.candidates.ids[:: max(1, count // PICKED)][:PICKED]
    picked = made.picks(planning, *((name, "f", 2030) for name in ids))
    planning = with_best_ways(planning, picked)
    write_layout(folder, planning, assess_layout(planning, picked, state=True), None, "", None, report_files)
    begin = time.perf_counter()
    make_report(folder)
    return time.perf_counter() - begin


def interactive(page: Path) -> tuple[float, float]:
    """Return seconds until a site can be picked in the table and is marked on the map, and those of a second pick."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        opened = browser.new_page(viewport={"width": 1400, "height": 900})
        opened.goto("about:blank")
        found = []
        begin = time.perf_counter()
        opened.goto(page.as_uri())
        for at in (0, 1):
            opened.locator("#table-sites button.pick").nth(at).click()
            opened.wait_for_selector("#map .chosen-one", state="attached")
            found.append(time.perf_counter() - begin)
            begin = time.perf_counter()
        browser.close()
    return found[0], found[1]


def main() -> None:
    """Print one row."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as here:
        folder = Path(here) / "run"
        making = written(count, folder)
        page = folder / "report.html"
        first, second = interactive(page)
        print(f"| {count:,} | {making:.1f} s | {page.stat().st_size / 1e6:.2f} MB | {first:.2f} s | {second:.2f} s |")


if __name__ == "__main__":
    main()
