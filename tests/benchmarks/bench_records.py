"""Time the information of 30,000 deployments (10,000 fixed sites x 3 plans, 5 years) and an assessment among them.

Run by hand with one BLAS thread: `OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_records.py`.
"""

from __future__ import annotations

import importlib.util
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from siting.assessment.precision import precision
from siting.field.model import TracerModel
from siting.planning import plan_region
from siting.record.air import airs
from siting.region import read_region


def main() -> None:
    """Print the table."""
    spec = importlib.util.spec_from_file_location("bench_plan", Path(__file__).with_name("bench_plan.py"))
    assert spec is not None
    assert spec.loader is not None
    plans = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(plans)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "region"
        plans.write_region(folder, 10_000, 300.0, False)
        planning = plan_region(read_region(folder))
    region = planning.region
    model = TracerModel(planning, 0, airs(region)[0], region.settings.mixing)
    began = time.monotonic()
    records = model.records.fixed(np.arange(len(planning.deployments)))
    taken = time.monotonic() - began
    rng = np.random.default_rng(3)
    sites = rng.choice(10_000, 40, replace=False)
    picked = np.array([np.flatnonzero(planning.deployments.candidate == site)[0] for site in sites])
    began = time.monotonic()
    precision(planning, picked, years=False)
    plain = time.monotonic() - began
    began = time.monotonic()
    precision(planning, picked)
    whole = time.monotonic() - began
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print("| what | seconds |\n|-|-|")
    print(f"| information of {len(records):,} deployments, {region.settings.years} years | {taken:.2f} |")
    print(f"| assessment of 40 sites without years to detection | {plain:.2f} |")
    print(f"| assessment of 40 sites with them | {whole:.2f} |")
    print(f"\nGreatest memory {memory:.0f} MB.")


if __name__ == "__main__":
    main()
