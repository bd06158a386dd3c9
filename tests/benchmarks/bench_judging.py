"""Times judging on the demo farwinds: 12 budgets, 200 futures on 1 and 2 workers. Run by hand, a quarter of an hour.

OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_judging.py [FUTURES]
"""

import sys
import time
from pathlib import Path

import siting
from siting.region.layouts import GivenLayout
from siting.region.schema.tables import LayoutRow

REGION = Path(__file__).parents[2] / "regions" / "farwinds"


def main():
    futures = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    region = siting.read_region(REGION)
    begin = time.perf_counter()
    frontier = siting.frontier(region, points=12)
    seconds = time.perf_counter() - begin
    print(f"frontier of 12 budgets: {seconds:.1f} s, largest gap {max(p.gap for p in frontier.points):.4f}", flush=True)
    own = next(p for p in frontier.points if p.budget_cents == frontier.own_cents)
    rows = tuple(LayoutRow(id=i, plan=plan, start_year=str(year)) for i, plan, year in own.layout)
    layout = GivenLayout("own", rows)
    taken = {}
    for workers in (2, 1):
        begin = time.perf_counter()
        result = siting.stress(region, layout, futures=futures, workers=workers)
        taken[workers] = time.perf_counter() - begin
        gap = max(one.gap or 0.0 for one in result.outcomes)
        print(f"{futures} futures, {workers} workers: {taken[workers]:.1f} s, largest gap {gap:.4f}", flush=True)
    print(f"speed-up with 2 workers: {taken[1] / taken[2]:.2f}")


if __name__ == "__main__":
    main()
