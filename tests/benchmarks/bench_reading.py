"""Print how long reading and checking a region of 10,000 candidates takes (wanted: under 3 s).

Run from the checkout: python tests/benchmarks/bench_reading.py [candidates]
"""

import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from regionmaker import RegionMaker

from siting.region import read_region


def large_region(folder: Path, count: int) -> Path:
    """Write a region of `count` invented candidates with monthly numbers for a tenth of them."""
    draw = random.Random(1)
    maker = RegionMaker(folder)
    for i in range(count - len(maker.rows)):
        maker.candidate(
            f"place-{i:05d}",
            name=f"Place {i}",
            lat=f"{draw.uniform(-90, 90):.4f}",
            lon=f"{draw.uniform(-180, 180):.4f}",
            elevation_m=f"{draw.uniform(0, 4000):.0f}",
            status="open",
            baseline_exposure=f"{draw.random():.3f}",
            contamination_risk=f"{draw.random():.3f}",
            contamination_size=f"{10 * draw.random():.2f}",
            open_months=draw.choice(["", "Nov-Feb", "4-9", "Jan Mar May"]),
            lead_months=str(draw.randrange(24)),
            group=draw.choice(["", "isles", "reef"]),
            setup_cost=f"{draw.uniform(1000, 9000):.2f}",
            annual_cost=f"{draw.uniform(1000, 9000):.2f}",
        )
    months = [f"place-{i:05d},{month},{draw.random():.3f}" for i in range(0, count - 10, 10) for month in range(1, 13)]
    maker.file("monthly.csv", "id,month,exposure\n" + "\n".join(months) + "\n")
    return maker.write()


if __name__ == "__main__":
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    with tempfile.TemporaryDirectory() as scratch:
        path = large_region(Path(scratch) / "large", wanted)
        start = time.perf_counter()
        region = read_region(path)
        print(f"{len(region.candidates)} candidates, {region.rows_read} rows: {time.perf_counter() - start:.2f} s")
