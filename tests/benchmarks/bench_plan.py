"""Time `siting plan --by score` on 10,000 invented candidates x 3 plans x 1 start year.

Run by hand: `python tests/benchmarks/bench_plan.py [--count 10000] [--km 300 1000] [--gap 0.001]`.
Prints one row for each kind of places (even, clustered) and spacing: seconds of the whole command,
of reading alone, the greatest memory of the process, value, gap and what was proved. Each case runs
in a process of its own, as a user would run it.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

TOML = """schema_version = 1
title = "Benchmark, invented"
currency = "crowns"
first_year = 2030
years = 5
last_start_year = 2030
[budget]
total = {total}
contingency = 0.05
[stock]
analyzers = 12
spare_analyzers = 2
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
[[plans]]
id = "both"
kind = "both"
analyzer_plan = "analyzer"
flask_plan = "flask"
[[rules]]
kind = "band_at_least"
band = "each"
count = 2
[[rules]]
kind = "at_most"
group = "g1"
count = 6
[[rules]]
kind = "at_most"
group = "g2"
count = 6
[[rules]]
kind = "at_least"
group = "g3"
count = 2
[[rules]]
kind = "spacing"
km = {km}
"""


def write_region(folder: Path, count: int, km: float, clustered: bool, seed: int = 1) -> None:
    """Write an invented region with places spread evenly over the sphere or in 60 clusters."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    (folder / "region.toml").write_text(TOML.format(km=km, total=count * 1500.0))
    if clustered:
        centre_lat = np.degrees(np.arcsin(rng.uniform(-0.95, 0.95, 60)))
        centre_lon = rng.uniform(-180, 180, 60)
        which = rng.integers(0, 60, count)
        lat = np.clip(centre_lat[which] + rng.normal(0, 5, count), -89.9, 89.9)
        lon = (centre_lon[which] + rng.normal(0, 7, count) + 180) % 360 - 180
    else:
        lat = np.degrees(np.arcsin(rng.uniform(-1, 1, count)))
        lon = rng.uniform(-180, 180, count)
    exposure = rng.beta(2, 3, count)
    risk = np.clip(0.5 - 0.5 * exposure + rng.normal(0, 0.1, count), 0, 1)
    setup = rng.lognormal(9.5, 0.7, count)
    annual = rng.lognormal(8.5, 0.6, count)
    lines = [
        "id,lat,lon,elevation_m,baseline_exposure,contamination_risk,data_return,host_strength,"
        "group,setup_cost,annual_cost,visits_per_year"
    ]
    lines += [
        f"p{i:05d},{lat[i]:.4f},{lon[i]:.4f},{rng.integers(0, 3000)},{exposure[i]:.4f},{risk[i]:.4f},"
        f"{rng.uniform(0.6, 0.98):.3f},{rng.uniform(0, 1):.2f},g{rng.integers(0, 40)},{setup[i]:.0f},{annual[i]:.0f},12"
        for i in range(count)
    ]
    (folder / "candidates.csv").write_text("\n".join(lines) + "\n")


def run_case(folder: Path, gap: float, out: Path) -> dict[str, object]:
    """Run the command on a region in a process of its own and return what is printed in the table."""
    code = (
        "import time,resource,sys;t=time.time()\n"
        "from siting.region import read_region\n"
        f"u=time.time();read_region({str(folder)!r});read=time.time()-u\n"
        "from siting.cli import app\n"
        f"sys.argv=['siting','plan',{str(folder)!r},'--by','score','--gap',{str(gap)!r},'--json','--out',{str(out)!r}]\n"
        "v=time.time()\n"
        "try: app()\n"
        "except SystemExit: pass\n"
        "print('##', time.time()-v, read, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss/1024, file=sys.stderr)\n"
    )
    began = time.monotonic()
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=dict(os.environ))
    seconds = time.monotonic() - began
    marks = [line for line in done.stderr.splitlines() if line.startswith("## ")]
    if not marks or not (out / "layout.json").exists():
        raise SystemExit(done.stderr)
    _, read, memory = (float(x) for x in marks[0][3:].split())
    layout = json.loads((out / "layout.json").read_text())
    return {
        "seconds": seconds - read,
        "read": read,
        "memory": memory,
        **{key: layout[key] for key in ("value", "gap", "proved", "nodes")},
        "sites": len(layout["picked"]),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--km", type=float, nargs="+", default=[300.0, 1000.0])
    parser.add_argument("--gap", type=float, default=0.001)
    given = parser.parse_args()
    print("| places | spacing km | whole command s | reading s | memory MB | sites | value | gap % | proved |")
    print("|-|-|-|-|-|-|-|-|-|")
    for clustered in (False, True):
        for km in given.km:
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name) / "region"
                write_region(folder, given.count, km, clustered)
                r = run_case(folder, given.gap, Path(name) / "out")
                print(
                    f"| {given.count} {'clustered' if clustered else 'even'} | {km:g} | {r['seconds']:.1f} | "
                    f"{r['read']:.2f} | {r['memory']:.0f} | {r['sites']} | {r['value']:.2f} | "
                    f"{100 * float(str(r['gap'])):.4f} | {r['proved']} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
