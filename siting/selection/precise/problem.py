"""A program joined with a criterion: all columns, all rows in the form "at most", and what follows from bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.criteria import Criterion, Variances
from siting.selection.precise.information import block_count
from siting.selection.program import Program
from siting.selection.rows import packing, scaled_rows

# Rows are scaled by powers of two to coefficients below 1024, so that this is far below one cent of them.
ROUNDING = 1e-9
MOST_PASSES = 8


@dataclass(frozen=True, eq=False)
class Problem:
    """Columns: deployments (n), auxiliary columns (a), then one occupancy in [0, 1] a local block.

    `matrix` (R, columns) and `limits` (R,) are rows matrix . y <= limits: the upper limits of the program's
    rows, then their lower ones, then "occupancy <= sum of its block" (`own_rows` so far), then cliques.
    `cost` (columns,) is a linear part of the objective.
    """

    program: Program
    criterion: Criterion
    cost: Floats
    matrix: sp.csr_array
    limits: Floats
    lower: Floats
    upper: Floats
    integer: Bools
    own_rows: int

    @property
    def deployments(self) -> int:
        """Number of deployments."""
        return self.criterion.count

    @property
    def width(self) -> int:
        """Number of columns."""
        return int(self.lower.size)

    @property
    def auxiliary(self) -> int:
        """Number of the program's auxiliary columns."""
        return len(self.program.names) - self.program.deployments

    def seen(self) -> Ints:
        """Return the columns that the criterion looks at: deployments and occupancies."""
        n = self.deployments
        return np.concatenate([np.arange(n), np.arange(n + self.auxiliary, self.width)])

    def with_cliques(self, cliques: Sequence[Ints]) -> Problem:
        """Return the problem with rows that allow at most one column of each clique."""
        if not cliques:
            return self
        more = packing(list(cliques), self.width)
        return replace(
            self,
            matrix=sp.csr_array(sp.vstack([self.matrix, more])),
            limits=np.concatenate([self.limits, np.ones(len(cliques))]),
        )

    def with_sides(self, sides: Sequence[tuple[Ints, float, float]]) -> Problem:
        """Return the problem with rows sign x sum of columns <= limit at its end."""
        if not sides:
            return self
        more = packing([columns for columns, _, _ in sides], self.width)
        signs = np.array([sign for _, sign, _ in sides])
        return replace(
            self,
            matrix=sp.csr_array(sp.vstack([self.matrix, sp.diags_array(signs) @ more])),
            limits=np.concatenate([self.limits, [limit for _, _, limit in sides]]),
        )

    def narrowed(self, lower: Floats, upper: Floats, bases: Sequence[Floats] | None) -> tuple[Problem, Ints, Ints]:
        """Return the problem of the columns that bounds leave open or at 1, and its columns and rows in this one.

        Deployments that are shut are left out (auxiliary columns stay); `bases` hold the criterion's common
        coordinates to subspaces, which can only lower values.
        """
        n, every = self.deployments, len(self.program.names)
        keep = np.flatnonzero((upper[:n] > lower[:n]) | (lower[:n] > 0.5))
        criterion: Criterion
        if bases is not None and isinstance(self.criterion, Variances):
            criterion, kept = self.criterion.take(keep, bases)
        else:
            criterion, kept = self.criterion.take(keep)
        program = self.program.restricted(np.concatenate([keep, np.arange(n, every)]), keep.size)
        columns = np.concatenate([keep, np.arange(n, every), every + kept])
        cliques = np.arange(self.own_rows, self.matrix.shape[0])
        rows = np.concatenate([np.arange(self.program_rows), self.program_rows + kept, cliques]).astype(np.int64)
        # Rows keep the scale that they have here, so that multipliers there are multipliers here.
        inner = Problem(
            program,
            criterion,
            self.cost[columns],
            sp.csr_array(self.matrix[rows][:, columns]),
            self.limits[rows],
            lower[columns],
            upper[columns],
            self.integer[columns],
            self.program_rows + kept.size,
        )
        return inner, columns, rows

    @property
    def program_rows(self) -> int:
        """Number of rows that stand for the program's own."""
        return self.own_rows - sum(block_count(block) for block in self.criterion.blocks)

    @property
    def level_rows(self) -> Ints:
        """The program's rows with limit 0: some columns stand only on others."""
        return np.flatnonzero(self.limits[: self.program_rows] == 0.0)

    def propagated(self, lower: Floats, upper: Floats) -> tuple[Floats, Floats] | None:
        """Return bounds with what the rows force, None if no point keeps the rows."""
        return propagate(self.matrix, self.limits, lower, upper, self.integer)


def propagate(
    matrix: sp.csr_array, limits: Floats, lower: Floats, upper: Floats, integer: Bools
) -> tuple[Floats, Floats] | None:
    """Return bounds (N,) with what rows matrix . y <= limits force, None if no point keeps the rows."""
    low, high = lower.copy(), upper.copy()
    positive, negative = matrix.maximum(0), matrix.minimum(0)
    entry_row = np.repeat(np.arange(matrix.shape[0]), np.diff(matrix.indptr))
    column, value = matrix.indices, matrix.data
    slackness = ROUNDING * (1.0 + np.abs(limits))
    for _ in range(MOST_PASSES):
        room = limits - (positive @ low + negative @ high)
        if np.any(room < -slackness):
            return None
        room = np.maximum(room, 0.0) + slackness
        reach = room[entry_row] / np.abs(value)
        width = (high - low)[column]
        tight = (reach < width) & (width > 0.0)
        if not tight.any():
            break
        up, down = tight & (value > 0.0), tight & (value < 0.0)
        new_high, new_low = high.copy(), low.copy()
        np.minimum.at(new_high, column[up], (low[column] + reach)[up])
        np.maximum.at(new_low, column[down], (high[column] - reach)[down])
        new_high = np.where(integer, np.floor(new_high + ROUNDING), new_high)
        new_low = np.where(integer, np.ceil(new_low - ROUNDING), new_low)
        if np.any(new_low > new_high + ROUNDING):
            return None
        new_high = np.maximum(new_high, new_low)
        moved = (high - new_high).max(initial=0.0) + (new_low - low).max(initial=0.0)
        low, high = new_low, new_high
        if moved < 1e-6:
            break
    return low, high


def build_problem(program: Program, criterion: Criterion, cost: Floats | None = None) -> Problem:
    """Join a program and a criterion over its deployments; `cost` (program columns,) is a linear objective beside it.

    Raises ValueError if their numbers of deployments differ.
    """
    n, every = program.deployments, len(program.names)
    if criterion.count != n:
        raise ValueError(f"the criterion has {criterion.count} deployments, the program {n}")
    rows = scaled_rows(program)
    above, below = np.flatnonzero(np.isfinite(rows.high)), np.flatnonzero(np.isfinite(rows.low))
    blocks = [block_count(block) for block in criterion.blocks]
    occupancies = sum(blocks)
    own = sp.csr_array(sp.vstack([rows.matrix[above], -rows.matrix[below]]))
    wide = sp.csr_array(sp.hstack([own, sp.csr_array((own.shape[0], occupancies))]))
    links = []
    begin = every
    for block, count in zip(criterion.blocks, blocks, strict=True):
        inside = np.flatnonzero(block >= 0)
        data = np.concatenate([-np.ones(inside.size), np.ones(count)])
        at = np.concatenate([block[inside], np.arange(count)])
        columns = np.concatenate([inside, begin + np.arange(count)])
        links.append(sp.csr_array((data, (at, columns)), shape=(count, every + occupancies)))
        begin += count
    matrix = sp.csr_array(sp.vstack([wide, *links]))
    matrix.sort_indices()
    return Problem(
        program,
        criterion,
        np.concatenate([np.zeros(every) if cost is None else cost, np.zeros(occupancies)]),
        matrix,
        np.concatenate([rows.high[above], -rows.low[below], np.zeros(occupancies)]),
        np.concatenate([program.lower, np.zeros(occupancies)]),
        np.concatenate([program.upper, np.ones(occupancies)]),
        np.concatenate([program.integer, np.zeros(occupancies, dtype=bool)]),
        matrix.shape[0],
    )


def occupied(problem: Problem, point: Floats) -> Floats:
    """Return a point over all columns with every occupancy as large as its block allows."""
    out = np.zeros(problem.width)
    out[: min(point.size, problem.deployments + problem.auxiliary)] = point[: problem.deployments + problem.auxiliary]
    begin = problem.deployments + problem.auxiliary
    for block in problem.criterion.blocks:
        count = block_count(block)
        inside = block >= 0
        total = np.bincount(block[inside], weights=out[: problem.deployments][inside], minlength=count)
        out[begin : begin + count] = np.minimum(1.0, total)
        begin += count
    return out
