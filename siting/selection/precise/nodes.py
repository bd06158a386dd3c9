"""The nodes of a search: what tells them apart, and the points that bound them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from siting.arrays import Floats, Ints

# Features that differ by less than this (they are of size 1) are the same.
SAME = 1e-6


@dataclass(frozen=True, eq=False)
class Point:
    """What bounds a node: a sparse point over all columns, theta (T,), sparse row multipliers.

    `local` (m,) are the multipliers of the sides on the way from the root, m of them; `basis` numbers the
    basis in which its targets were solved for.
    """

    columns: Ints
    y: Floats
    theta: Floats
    rows: Ints
    multipliers: Floats
    local: Floats
    basis: int = 0


@dataclass(frozen=True, eq=False)
class Side:
    """What tells a node from its parent: sum of sign x columns <= limit (whole columns only)."""

    columns: Ints
    sign: float
    limit: float


@dataclass(eq=False)
class Node:
    """One node: its parent, what tells it from its parent (None for the root), its bound and its points."""

    number: int
    parent: int
    side: Side | None
    bound: float
    points: list[Point] = field(default_factory=list)
    children: tuple[int, ...] = ()
    closed: str = ""


def split_multipliers(multipliers: Floats, sides: int) -> tuple[Ints, Floats, Floats]:
    """Return the rows with a multiplier, those multipliers, and the multipliers of the sides."""
    common = multipliers[: multipliers.size - sides]
    rows = np.flatnonzero(common > 0.0)
    return rows, common[rows], multipliers[multipliers.size - sides :]


def spread(point: Point, rows: int) -> Floats:
    """Return the row multipliers of a point over all rows (their number is given), the sides last."""
    out = np.zeros(rows)
    out[point.rows] = point.multipliers
    begin = out.size - point.local.size
    out[begin:] = point.local
    return out


def alike(features: Floats, turns: int = 0) -> list[list[Ints]]:
    """Return nested groups of rows of `features` (n, f), coarse first: parts along the widest direction.

    A group is parted where values differ, as near to its middle as can be, so that equal rows stay together. `turns`
    more nestings come from the features turned at random, so that what one of them parts another may keep together.
    """
    levels = _nested(features)
    generator = np.random.default_rng(0)
    for _ in range(turns):
        turned, _ = np.linalg.qr(generator.standard_normal((features.shape[1],) * 2))
        levels += _nested(features @ turned)
    return levels


def _nested(features: Floats) -> list[list[Ints]]:
    levels: list[list[Ints]] = []
    level = [np.arange(features.shape[0])]
    while level:
        levels.append([np.sort(group) for group in level])
        following: list[Ints] = []
        for group in level:
            mine = features[group]
            reach = mine.max(axis=0) - mine.min(axis=0) if group.size > 1 else np.zeros(features.shape[1])
            widest = int(np.argmax(reach)) if reach.size else 0
            if not reach.size or reach[widest] <= SAME:
                continue
            order = group[np.argsort(mine[:, widest], kind="stable")]
            gaps = np.diff(features[order, widest])
            steps = np.flatnonzero(gaps >= min(SAME, gaps.max())) + 1
            cut = int(steps[np.argmin(np.abs(steps - order.size / 2.0))])
            following += [order[:cut], order[cut:]]
        level = following
    return levels
