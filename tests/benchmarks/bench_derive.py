"""Time `siting derive` on 1,000 invented places, many of them near towns; run by hand.

`OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_derive.py [COUNT]` prints seconds and greatest memory.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from siting.derive.files import derive_region, write_derived
from siting.geography.opendata import read_towns
from siting.region import read_region
from siting.region.template import new_region


def main() -> None:
    """Print one row of the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rng = np.random.default_rng(1)
    towns = read_towns()
    near = rng.integers(0, len(towns.names), count)
    lat = np.clip(towns.lat[near] + rng.normal(0.0, 0.2, count), -89.0, 89.0)
    lon = (towns.lon[near] + rng.normal(0.0, 0.2, count) + 180.0) % 360.0 - 180.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "region"
        sites = Path(name) / "sites.csv"
        lines = [f"s{i:05d},{lat[i]:.4f},{lon[i]:.4f}" for i in range(count)]
        sites.write_text("id,lat,lon\n" + "\n".join(lines) + "\n")
        new_region(folder, sites=sites)
        began = time.monotonic()
        found = derive_region(read_region(folder))
        write_derived(folder, found)
        seconds = time.monotonic() - began
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"| {count:,} | {seconds:.1f} | {memory:.2f} |")


if __name__ == "__main__":
    main()
