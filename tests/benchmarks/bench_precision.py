"""Time the search for the least shortfall on invented regions, on the whole field model.

Run by hand with one BLAS thread: `OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_precision.py [COUNT ...]`.
Prints one row a region: seconds to each gap reached, and value, bound, gap and nodes at the time limit.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from siting.planning import plan_region
from siting.region import read_region
from siting.selection.precise.descent import descend
from siting.selection.precise.problem import build_problem
from siting.selection.precision import aims_of
from siting.selection.program import Limits, Progress
from siting.selection.registry import start_program

GAPS = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
# Candidates -> plans, seconds allowed.
CASES = {300: (2, 60.0), 1000: (2, 60.0), 3000: (2, 90.0), 10_000: (3, 120.0)}

TOML = """schema_version = 1
title = "Benchmark, invented"
currency = "crowns"
first_year = 2030
years = 5
last_start_year = 2030
[budget]
total = 1200000
[stock]
analyzers = 5
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
"""
BOTH = """[[plans]]
id = "both"
kind = "both"
analyzer_plan = "analyzer"
flask_plan = "flask"
"""
TARGETS = (
    ("growth", "realised_growth", 0.05, ""),
    ("season north", "season", 0.5, 'band = "northern high"'),
    ("season south", "season", 0.3, 'band = "southern high"'),
    ("poleward difference", "level_difference", 0.2, 'band = "northern high"\nminus = "southern high"'),
    ("tropical difference", "level_difference", 0.2, 'band = "northern tropics"\nminus = "southern tropics"'),
)
BANDS = (
    ("southern high", -90, -60),
    ("southern middle", -60, -30),
    ("southern tropics", -30, 0),
    ("northern tropics", 0, 30),
    ("northern middle", 30, 60),
    ("northern high", 60, 90),
)


def write_region(folder: Path, count: int, plans: int, seed: int = 1, toml: str = TOML) -> None:
    """Write an invented region with places spread evenly over the sphere; `toml` holds its settings."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    targets = "".join(
        f'[[targets]]\nid = "{name}"\nkind = "{kind}"\ngoal = {goal}\n{more}\n' for name, kind, goal, more in TARGETS
    )
    bands = "".join(f'[[bands]]\nid = "{name}"\nsouth = {a}.0\nnorth = {b}.0\n' for name, a, b in BANDS)
    (folder / "region.toml").write_text(toml + (BOTH if plans == 3 else "") + targets + bands)
    lat, lon = np.degrees(np.arcsin(rng.uniform(-1, 1, count))), rng.uniform(-180, 180, count)
    lines = [
        "id,name,lat,lon,elevation_m,intake_m,platform,status,baseline_exposure,contamination_risk,"
        "contamination_size,data_return,setup_cost,annual_cost"
    ]
    for i in range(count):
        far = rng.uniform(0.7, 1.8)
        lines.append(
            f"s{i:05d},Invented {i},{lat[i]:.4f},{lon[i]:.4f},{rng.choice([5, 50, 800, 3000])},10,fixed,open,"
            f"{rng.uniform(0.3, 0.95):.2f},{rng.uniform(0, 0.2):.2f},{rng.uniform(0.2, 2):.2f},"
            f"{rng.uniform(0.6, 0.98):.2f},{int(8000 * far)},{int(6000 * far)}"
        )
    (folder / "candidates.csv").write_text("\n".join(lines) + "\n")


def case(count: int) -> str:
    """Return the table's row for one number of candidates."""
    plans, seconds = CASES[count]
    with tempfile.TemporaryDirectory() as name:
        write_region(Path(name) / "region", count, plans)
        began = time.monotonic()
        planning = plan_region(read_region(Path(name) / "region"))
        aims = aims_of(planning)
        made = time.monotonic() - began
    problem = build_problem(start_program(planning).build(), aims.shortfall())
    reached: dict[float, float] = {}

    def told(state: Progress) -> None:
        for gap in GAPS:
            if state.gap is not None and state.gap <= gap:
                reached.setdefault(gap, state.seconds)

    found = descend(problem, Limits(1e-3, seconds), floor=0.01 * float(aims.weights.sum()), progress=told)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    gap = abs(found.value - found.bound) / max(abs(found.value), 0.01 * float(aims.weights.sum()))
    times = ", ".join(f"{100 * g:g} % in {s:.0f} s" for g, s in reached.items())
    return (
        f"| {count:,} x {plans} | {made:.1f} | {found.value:.4f} | {found.bound:.4f} | {100 * gap:.2f} % in "
        f"{found.log[-1].seconds:.0f} s | {times or '-'} | {found.nodes} | {memory:.1f} |"
    )


def main() -> None:
    """Print the table."""
    print("| candidates x plans | factors, s | value | bound | gap at the end | gaps on the way | nodes | GB |")
    print("|-|-|-|-|-|-|-|-|")
    for count in [int(word) for word in sys.argv[1:]] or list(CASES):
        print(case(count), flush=True)


if __name__ == "__main__":
    main()
