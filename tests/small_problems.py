"""Small invented problems of layouts by precision, and their variances by plain matrices."""

import numpy as np

from siting.selection.precise.criteria import Variances, Weights
from siting.selection.precise.information import Group, Part
from siting.selection.precise.problem import build_problem
from siting.selection.program import ProgramBuilder


def part_of(rng, n, k, *, rank=2, size=0, blocks=0, targets=2, scale=1.0):
    """Return a part of n deployments with random factors, in random local blocks if there are any."""
    block = rng.integers(0, blocks, n) if blocks else np.full(n, -1)
    block = np.unique(block, return_inverse=True)[1] if blocks else block
    common = scale * rng.normal(size=(n, rank, k))
    local = scale * rng.normal(size=(n, rank, size if blocks else 0))
    group = Group(np.arange(n), common, local)
    return Part((group,), block.astype(np.int64), rng.normal(size=(k, targets)), size if blocks else 0)


def plain(part, picked):
    """Return a layout's variances (T,) by the inverse of its whole information, every block written out."""
    k, size = part.width, part.size
    total = np.eye(k + size * part.blocks)
    (group,) = part.groups
    for d in picked:
        wide = np.zeros((group.common.shape[1], total.shape[0]))
        wide[:, :k] = group.common[d]
        if part.block[d] >= 0:
            begin = k + size * part.block[d]
            wide[:, begin : begin + size] = group.local[d]
        total += wide.T @ wide
    return np.diag(part.targets.T @ np.linalg.inv(total)[:k, :k] @ part.targets)


def sites_of(rng, n, part, *, sites, most, gamma=None):
    """Return a problem in which at most one deployment of a site and `most` of all may stand."""
    builder = ProgramBuilder([f"d{i}" for i in range(n)], np.full(n, 100))
    site = np.arange(n) % sites
    for one in range(sites):
        mine = np.flatnonzero(site == one)
        builder.add_row("one", mine, np.ones(mine.size, dtype=np.int64), upper=1)
    builder.add_row("most", np.arange(n), np.ones(n, dtype=np.int64), upper=most)
    targets = part.targets.shape[1]
    kappa = rng.uniform(0.5, 2.0, targets)
    weights = Weights(kappa, np.full(targets, -np.inf) if gamma is None else gamma)
    return build_problem(builder.build(), Variances((part,), weights)), site
