"""The rows that every layout keeps, in the form "at most", and what follows from them by whole-number arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.planning import Planning
from siting.selection.program import NO_LIMIT, Program
from siting.verification.certificate import FalseProofError, Side, StageProof

# Rows in which continuous columns stand are summed in double precision; this much of them is left free.
ROUNDING = 1e-9
MOST_PASSES = 50


@dataclass(frozen=True, eq=False)
class Conditions:
    """Rows matrix (R, C) . y <= limits over deployments (n), auxiliary columns (a) and occupancies, each in [0, 1].

    The upper limits of the program's rows stand first, then their lower ones, then for each occupancy "at most
    the sum of its block", then cliques. `whole` (R,) marks rows of whole numbers over whole columns; `scale`
    (R,) is the power of two by which the proof's multipliers see a row multiplied. `occupancy_rows` (C,) is
    the row of each occupancy, -1 for other columns; `known_choices` what `choices` found before columns closed.
    """

    deployments: int
    matrix: sp.csr_array
    limits: Floats
    scale: Floats
    whole: Bools
    lower: Floats
    upper: Floats
    integer: Bools
    occupancy_rows: Ints
    known_choices: tuple[Ints, Ints, Ints, Ints] | None = None

    @cached_property
    def choices(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Rows "deployment at most the sum of its ways": (Q,) rows, (Q,) deployments, (W,) ways, (W,) which of the Q.

        A way is an auxiliary column that stands negative in no other row of the program.
        """
        if self.known_choices is not None:
            return self.known_choices
        own = np.flatnonzero(self.occupancy_rows >= 0)
        every = int(own[0]) if own.size else self.upper.size
        count = int(self.occupancy_rows[own[0]]) if own.size else self.limits.size
        negative = np.asarray((self.matrix[:count] < 0).sum(axis=0)).ravel()
        rows: list[int] = []
        deployments: list[int] = []
        ways: list[int] = []
        which: list[int] = []
        for r in range(count):
            span = slice(self.matrix.indptr[r], self.matrix.indptr[r + 1])
            columns, values = self.matrix.indices[span], self.matrix.data[span]
            up, down = columns[values == 1.0], columns[values == -1.0]
            if self.limits[r] != 0.0 or up.size != 1 or down.size < 2 or up.size + down.size != columns.size:
                continue
            if up[0] < self.deployments and np.all((down >= self.deployments) & (down < every) & (negative[down] == 1)):
                which += [len(rows)] * down.size
                rows.append(r)
                deployments.append(int(up[0]))
                ways += sorted(down.tolist())
        found = [np.array(one, dtype=np.int64) for one in (rows, deployments, ways, which)]
        return found[0], found[1], found[2], found[3]

    def choice_prices(self, slopes: Floats, lower: Floats, upper: Floats) -> Floats:
        """Return (Q,) multipliers of the rows of choice: the least slope of the open ways, 0 where one is taken."""
        rows, _, ways, which = self.choices
        least = np.full(rows.size, np.inf)
        usable = upper[ways] > 0.5
        np.minimum.at(least, which[usable], slopes[ways[usable]])
        least[which[lower[ways] > 0.5]] = 0.0
        return np.where(np.isfinite(least), np.maximum(least, 0.0), 0.0)

    @cached_property
    def _entries(self) -> tuple[Ints, Ints, Floats]:
        """Row, column and value of each entry of the matrix."""
        row = np.repeat(np.arange(self.matrix.shape[0]), np.diff(self.matrix.indptr))
        return row, np.asarray(self.matrix.indices, dtype=np.int64), np.asarray(self.matrix.data, dtype=float)

    def price(self, rows: Ints, multipliers: Floats) -> tuple[Floats, float]:
        """Return what multipliers of rows put on every column, and on the limits."""
        scaled = multipliers * self.scale[rows]
        return np.asarray(self.matrix[rows].T @ scaled, dtype=float), float(scaled @ self.limits[rows])

    def without(self, closed: Bools) -> Conditions:
        """Return the conditions with the entries of columns (C,) that are 0 for good left out."""
        matrix = sp.csr_array(self.matrix @ sp.diags_array((~closed).astype(float)))
        matrix.eliminate_zeros()
        return Conditions(
            self.deployments,
            matrix,
            self.limits,
            self.scale,
            self.whole,
            self.lower,
            self.upper,
            self.integer,
            self.occupancy_rows,
            # Rows of choice stay what they are when all but one of their ways are closed.
            self.choices,
        )

    def forced(self, lower: Floats, upper: Floats, sides: Sequence[Side]) -> tuple[Floats, Floats] | None:
        """Return bounds (C,) with what the rows and sides force, None if nothing between the bounds keeps them.

        Whole numbers below 2^53 are exact in double precision, and so are their sums.
        """
        row, column, value = self._entries
        limits, whole = self.limits, self.whole
        if sides:
            sizes = [side.columns.size for side in sides]
            row = np.concatenate([row, limits.size + np.repeat(np.arange(len(sides)), sizes)])
            column = np.concatenate([column, *(side.columns for side in sides)])
            value = np.concatenate([value, np.repeat([float(side.sign) for side in sides], sizes)])
            limits = np.concatenate([limits, [float(side.limit) for side in sides]])
            whole = np.concatenate([whole, np.ones(len(sides), dtype=bool)])
        # Rows that cannot bind need no second look.
        most = np.bincount(
            row, weights=np.where(value > 0.0, value * upper[column], value * lower[column]), minlength=limits.size
        )
        slack = np.where(whole, 0.0, ROUNDING * (1.0 + np.abs(limits)))
        filled = np.bincount(row, minlength=limits.size) > 0
        if np.any(~filled & (limits < -slack)):
            return None
        binding = (most > limits) & filled
        keep = binding[row]
        row, column, value = row[keep], column[keep], value[keep]
        positive = value > 0.0
        loose, in_row = slack[row], whole[row] & self.integer[column]
        low, high = lower.copy(), upper.copy()
        for _ in range(MOST_PASSES):
            least = np.bincount(
                row, weights=np.where(positive, value * low[column], value * high[column]), minlength=limits.size
            )
            room = limits - least
            if np.any(room[binding] < -slack[binding]):
                return None
            reach = (np.maximum(room[row], 0.0) + loose) / np.abs(value)
            reach = np.where(in_row, np.floor(reach), reach)
            new_high, new_low = high.copy(), low.copy()
            np.minimum.at(new_high, column[positive], (low[column] + reach)[positive])
            np.maximum.at(new_low, column[~positive], (high[column] - reach)[~positive])
            new_high = np.where(self.integer, np.floor(new_high + ROUNDING), new_high)
            new_low = np.where(self.integer, np.ceil(new_low - ROUNDING), new_low)
            if np.any(new_low > new_high + ROUNDING):
                return None
            new_high = np.maximum(new_high, new_low)
            moved = float((high - new_high).max(initial=0.0) + (new_low - low).max(initial=0.0))
            low, high = new_low, new_high
            if moved < 1e-6:
                break
        return low, high


def conditions_of(
    program: Program, blocks: Sequence[Ints], most_cost: int | None, cliques: Sequence[Ints]
) -> Conditions:
    """Return the conditions of a program, local blocks (n,) part by part, a cap on the cost and cliques."""
    n, every = program.deployments, len(program.names)
    matrix, low, high = program.matrix, program.row_lower, program.row_upper
    if most_cost is not None:
        matrix = sp.csr_array(sp.vstack([matrix, sp.csr_array(program.cost.reshape(1, -1))]))
        low, high = np.append(low, -NO_LIMIT), np.append(high, most_cost)
    scale = _powers(matrix)
    above, below = np.flatnonzero(high != NO_LIMIT), np.flatnonzero(low != -NO_LIMIT)
    parts = [matrix[above].astype(float), -matrix[below].astype(float)]
    fractional = np.asarray(abs(matrix) @ (~program.integer).astype(float)) > 0.0
    counts = [int(block.max(initial=-1)) + 1 for block in blocks]
    width = every + sum(counts)
    occupancy_rows = np.full(width, -1, dtype=np.int64)
    occupancy_rows[every:] = above.size + below.size + np.arange(sum(counts))
    row, column, value = [], [], []
    begin = 0
    for block, count in zip(blocks, counts, strict=True):
        inside = np.flatnonzero(block >= 0)
        row += [begin + block[inside], begin + np.arange(count)]
        column += [inside, every + begin + np.arange(count)]
        value += [-np.ones(inside.size), np.ones(count)]
        begin += count
    links = sp.coo_array(
        (
            np.concatenate([*value, []]),
            (np.concatenate([*row, []]).astype(int), np.concatenate([*column, []]).astype(int)),
        ),
        shape=(begin, width),
    )
    sizes = [clique.size for clique in cliques]
    packed = sp.coo_array(
        (
            np.ones(sum(sizes)),
            (np.repeat(np.arange(len(cliques)), sizes), np.concatenate([np.empty(0, dtype=np.int64), *cliques])),
        ),
        shape=(len(cliques), width),
    )
    own = sp.hstack([sp.vstack(parts), sp.csr_array((above.size + below.size, begin))])
    joined = sp.csr_array(sp.vstack([own, links, packed]))
    joined.sum_duplicates()
    return Conditions(
        n,
        joined,
        np.concatenate([high[above], -low[below], np.zeros(begin), np.ones(len(cliques))]).astype(float),
        np.concatenate([scale[above], scale[below], np.ones(begin + len(cliques))]),
        np.concatenate(
            [~fractional[above], ~fractional[below], np.zeros(begin, dtype=bool), np.ones(len(cliques), dtype=bool)]
        ),
        np.concatenate([program.lower, np.zeros(begin)]),
        np.concatenate([program.upper, np.ones(begin)]),
        np.concatenate([program.integer, np.zeros(begin, dtype=bool)]),
        occupancy_rows,
    )


def _powers(matrix: sp.csr_array) -> Floats:
    """Return for each row the power of two that brings a greatest coefficient above 1024 to 512-1024."""
    out = np.ones(matrix.shape[0])
    for i in range(out.size):
        greatest = int(np.abs(matrix.data[matrix.indptr[i] : matrix.indptr[i + 1]]).max(initial=0))
        if greatest > 1024:
            out[i] = 2.0 ** (10 - greatest.bit_length())
    return out


def check_columns(stage: StageProof, planning: Planning, program: Program, conditions: Conditions) -> None:
    """Refuse a proof with columns or rows that are not there, a split of part columns, or a clique that is none."""
    width, rows = conditions.upper.size, conditions.limits.size
    candidate = planning.deployments.candidate
    for number, clique in enumerate(stage.cliques):
        if not _clash_pairwise(clique, candidate, program):
            raise FalseProofError(f"stage {stage.name!r}, clique {number} holds columns that may stand together")
    for number, node in enumerate(stage.nodes):
        where = f"stage {stage.name!r}, node {number}"
        if node.side is not None:
            columns = node.side.columns
            if columns.min() < 0 or columns.max() >= width or not conditions.integer[columns].all():
                raise FalseProofError(f"{where} splits columns that are not whole")
        for point in node.points:
            if np.any((point.columns < 0) | (point.columns >= width)) or np.any(
                (point.rows < 0) | (point.rows >= rows)
            ):
                raise FalseProofError(f"{where} has a point with columns or rows that are not there")
            if not 0 <= point.basis < len(stage.bases):
                raise FalseProofError(f"{where} has a point in a basis that is not there")


def _clash_pairwise(clique: Ints, candidate: Ints, program: Program) -> bool:
    if np.any((clique < 0) | (clique >= program.deployments)):
        return False
    site = candidate[clique]
    apart = site[:, None] == site[None, :]
    for exclusion in program.exclusions:
        node = np.full(len(program.names), -1, dtype=np.int64)
        node[exclusion.columns] = exclusion.node
        mine = node[clique]
        places = np.unique(mine[mine >= 0])
        if places.size == 0:
            continue
        for place, near in zip(places, exclusion.near(places), strict=True):
            apart |= (mine == place)[:, None] & (np.isin(mine, near) & (mine >= 0))[None, :]
    # a pair may be told from either end
    return bool((apart | apart.T).all())
