"""Time the proof of exact designs that have many equal choices: determinants of sign matrices, slopes of a cubic.

Run by hand with one BLAS thread: `OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_exact.py [seconds]`, seconds
being what each search may take at most (default 120).
"""

from __future__ import annotations

import sys
from itertools import product

import numpy as np

from siting.selection import LogDet, RowLimits, WeightedVariance, exact_design

FLAT = 1e-8
# On-Line Encyclopedia of Integer Sequences A003433, from memory.
GREATEST = {5: 48.0, 6: 160.0, 7: 576.0}


def main() -> None:
    """Print the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 120.0
    print("| what | known | found | bound | gap % | nodes | seconds |\n|-|-|-|-|-|-|-|")
    for n, known in GREATEST.items():
        signs = np.array(list(product([1.0, -1.0], repeat=n - 1)))
        vectors = np.concatenate([np.ones((signs.shape[0], 1)), signs], axis=1)[:, None, :]
        rows = RowLimits(np.ones((1, vectors.shape[0])), [-np.inf], [n])
        found = exact_design(vectors, np.full(n, FLAT), LogDet(), rows, gap=1e-3, time_limit=seconds)
        value, bound = (float(np.exp(x / 2.0)) if x is not None else np.nan for x in (found.value, found.bound))
        _tell(f"sign matrix of {n}", known, value, bound, found.gap, found.nodes, found.seconds)
    for levels, picks, known in ((5, 4, 65.0 / 18.0), (9, 4, 65.0 / 18.0), (17, 18, 0.5)):
        x = np.repeat(np.linspace(-1.0, 1.0, levels), min(picks, 8))
        rows = RowLimits(np.ones((1, x.size)), [-np.inf], [picks])
        factors = np.vander(x, 4, increasing=True)[:, None, :]
        slope = WeightedVariance([0.0, 1.0, 0.0, 0.0])
        found = exact_design(factors, np.full(4, FLAT), slope, rows, gap=1e-3, time_limit=seconds)
        value, bound = found.value or np.nan, found.bound or np.nan
        _tell(f"slope of a cubic, {picks} of {x.size}", known, value, bound, found.gap, found.nodes, found.seconds)


def _tell(what: str, known: float, value: float, bound: float, gap: float | None, nodes: int, seconds: float) -> None:
    share = "" if gap is None else f"{100.0 * gap:.3f}"
    print(f"| {what} | {known:.5g} | {value:.5g} | {bound:.5g} | {share} | {nodes} | {seconds:.1f} |", flush=True)


if __name__ == "__main__":
    main()
