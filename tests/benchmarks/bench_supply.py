"""Time `siting plan` on 300 invented candidates x 2 plans with and without 400 legs and 3 ways a deployment.

Run by hand: `python tests/benchmarks/bench_supply.py [--by score precision] [--gap 0.02] [--time-limit 120]`.
Prints one row a case: seconds of the whole command, the greatest memory of the process, value, gap. Each case runs in a
process of its own, as a user would run it.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

COUNT, HUBS, LEGS = 300, 30, 400
TOML = """schema_version = 1
title = "Benchmark, invented"
currency = "crowns"
first_year = 2030
years = 5
last_start_year = 2030
[budget]
total = {total}
[stock]
analyzers = 6
spare_analyzers = 2
flasks = 900
[supply]
routes = 3
[[tracers]]
name = "CO2"
unit = "ppm"
scale = "invented"
[[plans]]
id = "flask"
kind = "flask"
samples_per_month = 4.35
sample_cost = 40
annual_cost = 3000
[[plans]]
id = "analyzer"
kind = "analyzer"
capital_cost = 30000
annual_cost = 12000
cylinder_life_months = 18
[[targets]]
kind = "realised_growth"
id = "growth"
goal = 0.05
[[targets]]
kind = "level_difference"
id = "north-south"
band = "north"
minus = "south"
goal = 0.15
[[bands]]
id = "south"
south = -90.0
north = 0.0
[[bands]]
id = "north"
south = 0.0
north = 90.0
"""


def write_region(folder: Path, legs: bool, seed: int = 1) -> None:
    """Write an invented region; sites hang at their nearest hubs, voyages join others."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    (folder / "region.toml").write_text(TOML.format(total=1_500_000))
    lat = np.degrees(np.arcsin(rng.uniform(-0.98, 0.98, COUNT)))
    lon = rng.uniform(-180, 180, COUNT)
    exposure = np.round(rng.beta(2, 3, COUNT), 3)
    rows = [
        f"s{k:03d},{lat[k]:.3f},{lon[k]:.3f},{exposure[k]},{rng.integers(2, 30) * 1000},{rng.integers(1, 9) * 1000},"
        f"{rng.choice([4, 12, 26])}"
        for k in range(COUNT)
    ]
    head = "id,lat,lon,baseline_exposure,setup_cost,annual_cost,visits_per_year\n"
    (folder / "candidates.csv").write_text(head + "\n".join(rows) + "\n")
    if not legs:
        return
    hub_lat, hub_lon = np.degrees(np.arcsin(rng.uniform(-0.9, 0.9, HUBS))), rng.uniform(-180, 180, HUBS)
    hubs = [f"h{j:02d},{hub_lat[j]:.3f},{hub_lon[j]:.3f}" for j in range(HUBS)]
    (folder / "hubs.csv").write_text("id,lat,lon\n" + "\n".join(hubs) + "\n")
    lines = ["from,to,mode,days,departures_a_year,cost_a_box,fixed_cost_a_year,capacity_in_boxes,voyage"]
    for j in range(HUBS):
        lines.append(f"laboratory,h{j:02d},ship,{rng.integers(15, 40)},52,{rng.integers(10, 40)},,,")
        lines.append(f"laboratory,h{j:02d},aircraft,3,,{rng.integers(60, 140)},,,")
    near = (lat[:, None] - hub_lat) ** 2 + (((lon[:, None] - hub_lon + 180) % 360 - 180) / 2) ** 2
    for k in range(COUNT):
        fixed = rng.choice(["", "2000", "6000"], p=[0.6, 0.25, 0.15])
        lines.append(
            f"h{int(near[k].argmin()):02d},s{k:03d},ship,{rng.integers(3, 12)},26,{rng.integers(10, 60)},{fixed},,"
        )
    while len(lines) - 1 < LEGS:
        k = int(rng.integers(0, COUNT))
        voyage = f"v{int(rng.integers(0, 6))}"
        j = int(near[k].argsort()[1])
        lines.append(
            f"h{j:02d},s{k:03d},ship,{rng.integers(4, 14)},12,{rng.integers(8, 30)},,{rng.choice(['', '60'])},{voyage}"
        )
    lines = [line.replace(",,60,v", ",9000,60,v").replace(",,,v", ",9000,,v") for line in lines]
    (folder / "legs.csv").write_text("\n".join(lines) + "\n")


def run(folder: Path, by: str, gap: float, limit: float) -> dict[str, object]:
    """Run the command once and return seconds, memory in GB, value, gap and why it ended."""
    out = folder.parent / f"out-{folder.name}-{by}"
    command = [sys.executable, "-c", "from siting.cli import main; main()", "plan", str(folder), "--by", by]
    command += ["--gap", str(gap), "--time-limit", str(limit), "--out", str(out), "--json"]
    began = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    seconds = time.monotonic() - began
    if done.returncode not in (0, 4):
        raise RuntimeError(done.stderr[-2000:])
    told = json.loads((out / "layout.json").read_text(encoding="utf-8"))
    memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024**2
    return {"seconds": seconds, "gb": memory, "value": told["value"], "gap": told["gap"], "ended": told["ended"]}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--by", nargs="*", default=["score", "precision"])
    parser.add_argument("--gap", type=float, default=0.02)
    parser.add_argument("--time-limit", type=float, default=120.0)
    asked = parser.parse_args()
    print("| by | legs | seconds | GB at most so far | value | gap | ended |\n|-|-|-|-|-|-|-|")
    with tempfile.TemporaryDirectory() as place:
        for by in asked.by:
            for legs in (False, True):
                folder = Path(place) / f"{by}-{'legs' if legs else 'none'}"
                write_region(folder, legs)
                one = run(folder, by, asked.gap, asked.time_limit)
                print(
                    f"| {by} | {LEGS if legs else 0} | {one['seconds']:.1f} | {one['gb']:.2f} | {one['value']:.4f} "
                    f"| {100 * float(str(one['gap'])):.2f} % | {one['ended']} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
