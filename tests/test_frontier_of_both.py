"""The frontier between score and shortfall against all layouts of small invented regions."""

from __future__ import annotations

import numpy as np
import pytest

from siting import read_region
from siting.api import frontier_both
from siting.planning import plan_region
from siting.selection.precision import aims_of
from siting.selection.registry import judge
from siting.selection.score import layout_score

TOML = """schema_version = 1
title = "Invented"
currency = "crowns"
first_year = 2030
years = 4
last_start_year = 2030
[budget]
total = 260000
[stock]
analyzers = 2
spare_analyzers = 1
[[tracers]]
name = "CO2"
unit = "ppm"
scale = "invented"
[[plans]]
id = "flask"
kind = "flask"
samples_per_month = 4.35
sample_cost = 60
annual_cost = 3000
[[plans]]
id = "analyzer"
kind = "analyzer"
capital_cost = 30000
annual_cost = 12000
[[bands]]
id = "north"
south = 30.0
north = 90.0
[[bands]]
id = "south"
south = -90.0
north = -30.0
[[targets]]
id = "growth"
kind = "realised_growth"
goal = 0.1
[[targets]]
id = "difference"
kind = "level_difference"
band = "north"
minus = "south"
goal = 0.2
"""


def region_of(folder, seed):
    rng = np.random.default_rng(seed)
    folder.mkdir()
    (folder / "region.toml").write_text(TOML)
    lines = ["id,lat,lon,baseline_exposure,host_strength,setup_cost,annual_cost"]
    for i in range(6):
        lat = rng.uniform(-80, 80)
        lines.append(
            f"s{i},{lat:.2f},{rng.uniform(-170, 170):.2f},{rng.uniform(0.2, 0.95):.2f},{rng.uniform(0, 1):.2f},"
            f"{int(rng.uniform(5000, 20000))},{int(rng.uniform(3000, 9000))}"
        )
    (folder / "candidates.csv").write_text("\n".join(lines) + "\n")
    return read_region(folder)


def every_layout(planning):
    """Score and shortfall of every layout that keeps the rules, told by rule and by plain matrices."""
    aims = aims_of(planning)
    criterion = aims.shortfall()
    d = planning.deployments
    found = []
    for code in range(2 ** len(d)):
        picked = np.flatnonzero((code >> np.arange(len(d))) & 1)
        if np.unique(d.candidate[picked]).size < picked.size or not all(r.holds for r in judge(planning, picked)):
            continue
        shortfall = criterion.weights.total(criterion.whole(picked))
        found.append((layout_score(planning, picked).total, float(shortfall)))
    return np.array(found)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_point_is_the_least_shortfall_of_all_layouts_with_its_score(tmp_path, seed):
    region = region_of(tmp_path / "r", seed)
    every = every_layout(plan_region(region))
    found = frontier_both(region, points=4, gap=1e-6)
    for point in found.points:
        least = every[every[:, 0] >= max(point.level, -1e300) - 1e-6 * abs(point.score), 1].min()
        assert point.shortfall == pytest.approx(least, rel=1e-5, abs=1e-7)
        assert point.shortfall_bound <= least + 1e-9
        assert point.proved
    assert found.points[-1].score == pytest.approx(every[:, 0].max(), rel=1e-6)
    assert found.points[0].shortfall == pytest.approx(every[:, 1].min(), rel=1e-5, abs=1e-7)


def test_more_score_costs_more_shortfall_along_the_frontier_and_the_frame_holds_every_point(tmp_path):
    found = frontier_both(region_of(tmp_path / "r", 4), points=5, gap=1e-6)
    scores, shortfalls = [p.score for p in found.points], [p.shortfall for p in found.points]
    assert scores == sorted(scores)
    assert shortfalls == sorted(shortfalls)
    frame = found.to_frame()
    assert frame["score"].tolist() == scores
    assert frame["sites"].tolist() == [len(p.picked) for p in found.points]


def test_a_frontier_of_one_point_is_refused(tmp_path):
    with pytest.raises(ValueError, match="2 or more"):
        frontier_both(region_of(tmp_path / "r", 5), points=1)
