"""The few directions of the common coordinates in which a search solves for the targets.

Whatever the directions, bounds stay bounds, for what lies outside them is taken as known. They are chosen so that
layouts near the best known one are worth what they are but for a small share.
"""

from __future__ import annotations

import numpy as np

from siting.arrays import Floats, Ints
from siting.selection.precise.criteria import Variances
from siting.selection.precise.problem import Problem
from siting.selection.precise.relaxing import IN_USE, first_theta

# Numbers of directions that are tried, and the mean share of a layout's value that may be lost outside them; more
# from several directions on, since each costs time.
COUNTS = (40, 60, 80, 110, 150, 200, 250, 300)
SEVERAL, MOST = 80, 300
LOSS, FAIR_LOSS = 1e-3, 2e-2
# The same where bounds come near the target; coarser where so many deployments are open, for the sake of memory.
FINE_LOSS, LARGE = 1e-4, 10_000
# Layouts near the best one from which directions are learnt and by which they are judged, this many sites exchanged.
LEARNT, JUDGED, EXCHANGED = 6, 6, 3
# Picks of a layout where none is known.
PICKS = 15
# The least share of its full weight with which a target has a say.
LEAST_SHARE = 0.05
# Solutions that lie in the span of others but for this add no direction.
SPANNED = 1e-6


def directions(
    problem: Problem,
    points: list[Floats],
    theta: Floats | None,
    lower: Floats,
    upper: Floats,
    best: Floats | None,
) -> tuple[list[Floats] | None, list[Floats] | None]:
    """Return for each part a basis (k, j) of few directions and a finer one, None where nothing can be left out.

    `points` (columns,) are relaxed points and `theta` (T,) the multipliers of the targets there; columns between
    `lower` and `upper` are open; `best` is the best known layout.
    """
    criterion = problem.criterion
    if not isinstance(criterion, Variances):
        return None, None
    n, a = problem.deployments, problem.auxiliary
    keep = np.flatnonzero((upper[:n] > lower[:n]) | (lower[:n] > 0.5))
    if keep.size == 0:
        return None, None
    # A target that a relaxation meets with ease may be the one that a layout misses.
    kappa = criterion.weights.kappa
    theta = first_theta(criterion.weights) if theta is None else theta
    weights = np.maximum(theta, LEAST_SHARE * np.where(np.isfinite(kappa), kappa, theta.max(initial=0.0)))
    taken, kept = criterion.take(keep)
    spans = [taken.spans(np.concatenate([point[keep], point[n + a + kept]]), weights) for point in points]
    layouts = _near(keep, points[0], None if best is None else np.flatnonzero(best[:n] > 0.5))
    solutions = [criterion.solutions(picked) for picked in layouts[:-JUDGED]]
    bases = []
    for number, part in enumerate(criterion.parts):
        # The targets themselves stand first, so that nothing of their prior is lost.
        basis, _ = np.linalg.qr(part.targets)
        learnt = np.concatenate([one[number] for one in solutions], axis=1)
        learnt = learnt / np.maximum(np.linalg.norm(learnt, axis=0), 1e-300)
        left, size, _ = np.linalg.svd(learnt - basis @ (basis.T @ learnt), full_matrices=False)
        _, vectors = np.linalg.eigh(sum((one[number] for one in spans), np.zeros((part.width,) * 2)))
        for more in (left[:, size > SPANNED], vectors[:, ::-1]):
            whole, _ = np.linalg.qr(np.concatenate([basis, more - basis @ (basis.T @ more)], axis=1))
            basis = np.ascontiguousarray(whole[:, : part.width])
        bases.append(basis)
    fine = FINE_LOSS if keep.size < LARGE else LOSS
    judged = layouts[-JUDGED:]
    return _short(criterion, bases, judged, LOSS, FAIR_LOSS), _short(criterion, bases, judged, fine, fine)


def _near(keep: Ints, y: Floats, best: Ints | None) -> list[Ints]:
    """Return the best layout and others near it: some of its sites exchanged for such as a relaxed point uses."""
    generator = np.random.default_rng(0)
    used = keep[y[keep] > IN_USE]
    layouts = [] if best is None else [best]
    for _ in range(LEARNT + JUDGED):
        if best is None:
            layouts.append(np.sort(generator.choice(keep, size=min(keep.size, PICKS), replace=False)))
            continue
        others = np.setdiff1d(used, best)
        count = min(EXCHANGED, best.size, others.size)
        left = np.setdiff1d(best, generator.choice(best, size=count, replace=False))
        layouts.append(np.union1d(left, generator.choice(others, size=count, replace=False)))
    return layouts


def _short(criterion: Variances, bases: list[Floats], layouts: list[Ints], loss: float, fair: float) -> list[Floats]:
    """Return the first columns of bases, as many as layouts need to be worth what they are but for a share.

    The share is `loss`, from `SEVERAL` directions on `fair`.
    """
    weights = criterion.weights
    limited = ~np.isfinite(weights.kappa)
    kappa = np.where(limited, 1.0 / np.maximum(np.abs(weights.gamma), 1e-300), weights.kappa)
    exact = [criterion.whole(picked) for picked in layouts]
    for count in sorted({*COUNTS, max(basis.shape[1] for basis in bases)}):
        held = [basis[:, :count] for basis in bases]
        shares = []
        for picked, values in zip(layouts, exact, strict=True):
            near, _ = criterion.take(picked)
            lost = values - near.projected(held).whole(np.arange(picked.size))
            # What is lost of a target far below its goal costs nothing there.
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(weights.gamma > 0.0, values / weights.gamma, 1.0)
            counted = np.where(weights.always, 1.0, np.clip(share, 0.0, 1.0) ** 8)
            scale = 1.0 if limited.any() else max(weights.total(values), 0.05 * float(kappa @ values))
            shares.append(float((kappa * counted) @ lost) / max(scale, 1e-300))
        if np.mean(shares) < (loss if count < SEVERAL else fair) or count >= MOST:
            break
    return [_digits(basis) for basis in held]


def _digits(basis: Floats) -> Floats:
    """Return a basis with nine digits, as the proof file holds it; any basis gives valid bounds."""
    return np.array([[float(f"{x:.9g}") for x in row] for row in basis])
