"""Walk the tree of a proof and work out anew below which value no layout is; nothing is searched for.

A layout keeps one of the two sides at every node, so it ends in some leaf. Every node is bounded by its
points; a column whose other value would lift the bound above the claim is fixed, for what that leaves out is
no better than the claim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.information import Part
from siting.verification.certificate import ROUNDED, FalseProofError, Point, Side, StageProof
from siting.verification.conditions import Conditions
from siting.verification.cuts import QUIET, Held, exact

# Sums of terms that cancel are trusted to this share of their size.
UNSURE = 1e-13
MOST_ROUNDS = 10
# Numbers the basis that leaves nothing out.
WHOLE = -1
# Bases stand at right angles to this, so that no digit is lost in them.
CROOKED = 1e-5


@dataclass(frozen=True, eq=False)
class Aim:
    """What is made small: cost . y + sum of kappa_i max(0, variance_of(i) - gamma_i).

    `parts` hold the variances (T,) part by part; `of` (I,) names the variance of each term, `kappa` (I,) infinite for
    a limit variance <= gamma, `gamma` (I,) minus infinity for a term without kink. `cost` (program columns,).
    """

    parts: tuple[Part, ...]
    of: Ints
    kappa: Floats
    gamma: Floats
    cost: Floats

    @property
    def targets(self) -> int:
        """Number T of variances."""
        return sum(int(part.targets.shape[1]) for part in self.parts)

    def value(self, variances: Floats) -> float:
        """Return the sum for variances (T,), infinite where a limit is broken."""
        mine = variances[self.of]
        hard = np.isinf(self.kappa)
        if np.any(mine[hard] > self.gamma[hard] + ROUNDED * np.abs(self.gamma[hard])):
            return np.inf
        floor = np.where(np.isneginf(self.gamma), 0.0, self.gamma)
        return float((self.kappa * np.maximum(0.0, mine - floor))[~hard].sum())


@dataclass(frozen=True)
class Covered:
    """What a tree proves: no layout has a value below `bound`; `leaves` cover every layout."""

    bound: float
    leaves: int
    points: int


@dataclass(frozen=True, eq=False)
class _State:
    number: int
    lower: Floats
    upper: Floats
    sides: tuple[Side, ...]
    bound: float


class Cover:
    """The tree of one stage with what its nodes are bounded by."""

    def __init__(
        self, stage: StageProof, aim: Aim, conditions: Conditions, claim: float, *, every_direction: bool = False
    ) -> None:
        """`claim` is the bound at which columns are fixed and leaves are closed.

        With `every_direction` each point is worked out without its basis as well: that takes longer, and holds
        where the proof's bases are turned against the coordinates of this machine.
        """
        self.stage, self.aim, self.conditions, self.claim = stage, aim, conditions, claim
        self._every_direction = every_direction
        self._helds: dict[int, tuple[Bools, list[Held]]] = {}
        self._used = self._columns_in_use()
        self._cost = np.zeros(conditions.upper.size)
        self._cost[: aim.cost.size] = aim.cost

    def walked(self) -> Covered:
        """Return what the tree proves; raises `FalseProofError` for a point whose numbers are out of range."""
        rows, nodes = self.conditions, self.stage.nodes
        root = rows.forced(rows.lower, rows.upper, ())
        least, leaves, points = self.claim, 0, 0
        stack = [] if root is None else [_State(0, *root, (), -np.inf)]
        leaves += root is None
        while stack:
            state = stack.pop()
            node = nodes[state.number]
            points += len(node.points)
            left = self._bounded(state, node.points)
            if left is None or left.bound >= self.claim:
                leaves += 1
                continue
            if state.number == 0:
                self.conditions = rows.without((left.lower == 0.0) & (left.upper == 0.0))
            if not node.children:
                leaves += 1
                least = min(least, self._leaf(left))
                continue
            for child in reversed(node.children):
                side = nodes[child].side
                assert side is not None
                sides = (*left.sides, side)
                bounds = self.conditions.forced(left.lower, left.upper, sides)
                if bounds is None:
                    leaves += 1
                else:
                    stack.append(_State(child, *bounds, sides, left.bound))
        return Covered(float(least), leaves, points)

    def _bounded(self, state: _State, points: Sequence[Point]) -> _State | None:
        """Return a node with its bound and what that fixes, None if nothing below the claim is left."""
        lower, upper, bound = state.lower, state.upper, state.bound
        integer = self.conditions.integer
        tried = [(point, basis) for point in points for basis in self._bases(point)]
        for point, basis in tried:
            constant, reduced, unsure = self._line(point, basis, state, lower, upper)
            for _ in range(MOST_ROUNDS):
                terms = np.minimum(reduced * lower, reduced * upper)
                here = constant + float(terms.sum()) - unsure - UNSURE * float(np.abs(terms).sum())
                bound = max(bound, here)
                if bound >= self.claim:
                    break
                free = integer & (upper - lower > 0.5) & (upper - lower < 1.5) & (here + np.abs(reduced) >= self.claim)
                if not free.any():
                    break
                lower = np.where(free & (reduced < 0.0), upper, lower)
                upper = np.where(free & (reduced > 0.0), lower, upper)
                forced = self.conditions.forced(lower, upper, state.sides)
                if forced is None:
                    return None
                lower, upper = forced
            if bound >= self.claim:
                break
        return _State(state.number, lower, upper, state.sides, bound)

    def _bases(self, point: Point) -> tuple[int, ...]:
        return (point.basis, WHOLE) if self._every_direction and point.theta.any() else (point.basis,)

    def _line(
        self, point: Point, basis: int, state: _State, lower: Floats, upper: Floats
    ) -> tuple[float, Floats, float]:
        """Return constant and slopes (C,) of a line below the objective wherever the rows hold, and its rounding."""
        aim, rows = self.aim, self.conditions
        where = f"stage {self.stage.name!r}, node {state.number}"
        if point.theta.size != aim.kappa.size or point.local.size != len(state.sides):
            raise FalseProofError(f"{where} has a point with too few or too many multipliers")
        if np.any(point.theta > aim.kappa * (1.0 + ROUNDED)):
            raise FalseProofError(f"{where} has a point with a multiplier above the weight of its target")
        theta = np.minimum(point.theta, aim.kappa)
        gamma = np.where(np.isneginf(aim.gamma), 0.0, aim.gamma)
        weights = np.bincount(aim.of, weights=theta, minlength=aim.targets).astype(float)
        every = aim.cost.size
        own = np.isin(point.rows, rows.occupancy_rows[every:])
        choice, chooser, ways, which = rows.choices
        own |= np.isin(point.rows, choice)
        slopes, constant = rows.price(point.rows[~own], point.multipliers[~own])
        slopes += self._cost
        constant = -constant - float(theta @ gamma)
        size = float(
            np.abs(point.multipliers * (rows.scale * rows.limits)[point.rows]).sum() + np.abs(theta * gamma).sum()
        )
        for side, multiplier in zip(state.sides, point.local, strict=True):
            slopes[side.columns] += side.sign * multiplier
            constant -= multiplier * side.limit
            size += abs(multiplier * side.limit)
        # Any multiplier of a row of choice is as true as another; these are the best, whatever the point says.
        chosen = rows.choice_prices(slopes, lower, upper)
        slopes[chooser] += chosen
        slopes[ways] -= chosen[which]
        # The multipliers of "occupancy at most the sum of its block".
        given = np.zeros(rows.limits.size)
        given[point.rows[own]] = point.multipliers[own]
        if weights.any():
            y = np.zeros(slopes.size)
            y[point.columns] = point.y
            begin, first = every, 0
            prices = slopes.copy()
            for part, held in zip(aim.parts, self._held(basis, upper), strict=True):
                count = int(part.block.max(initial=-1)) + 1
                mine = weights[first : first + part.targets.shape[1]]
                first += part.targets.shape[1]
                where_blocks = begin + held.blocks
                begin += count
                occupancy = y[where_blocks]
                cut = held.cut(
                    y[held.columns], occupancy, mine, prices[held.columns], upper[held.columns] > lower[held.columns]
                )
                # Any multiplier is true; where the point has none and the block is not full, all of its worth is best.
                told = given[rows.occupancy_rows[where_blocks]]
                bare = (occupancy < QUIET) | ((told == 0.0) & (occupancy < 1.0))
                lam = np.where(bare, cut.own @ mine, told)
                slopes[where_blocks] += lam - cut.own @ mine
                inside = held.block >= 0
                shared = np.zeros(held.columns.size)
                shared[inside] = lam[held.block[inside]]
                slopes[held.columns] -= cut.seen @ mine + shared
                constant += float(mine @ cut.constants)
                size += float(np.abs(mine * cut.constants).sum() + (cut.seen @ mine) @ upper[held.columns])
        if not (np.isfinite(constant) and np.isfinite(slopes).all()):
            raise FalseProofError(f"{where} has a point with numbers beyond use")
        return constant, slopes, UNSURE * size

    def _held(self, basis: int, upper: Floats) -> list[Held]:
        """Return the parts in a basis over every deployment that is open here or that some point uses."""
        n = self.conditions.deployments
        known = self._helds.get(basis)
        wanted = upper[:n] > 0.0
        if known is None or np.any(wanted & ~known[0]):
            have = wanted | self._used[basis] | (known[0] if known is not None else False)
            columns = np.flatnonzero(have)
            matrices = None if basis == WHOLE else self.stage.bases[basis]
            parts = self.aim.parts
            if matrices is not None and (
                len(matrices) != len(parts)
                or any(m.shape[0] != p.targets.shape[0] for m, p in zip(matrices, parts, strict=True))
            ):
                raise FalseProofError(f"stage {self.stage.name!r}, basis {basis} does not fit the targets")
            if matrices is not None and any(
                np.abs(m.T @ m - np.eye(m.shape[1])).max(initial=0.0) > CROOKED for m in matrices
            ):
                raise FalseProofError(
                    f"stage {self.stage.name!r}, basis {basis} does not hold unit vectors at right angles"
                )
            helds = [Held(part, columns, None if matrices is None else matrices[i]) for i, part in enumerate(parts)]
            known = (have, helds)
            self._helds[basis] = known
        return known[1]

    def _columns_in_use(self) -> dict[int, Bools]:
        n = self.conditions.deployments
        out = {basis: np.zeros(n, dtype=bool) for basis in range(len(self.stage.bases))}
        for node in self.stage.nodes:
            for point in node.points:
                out[point.basis][point.columns[point.columns < n]] = True
        out[WHOLE] = np.logical_or.reduce(list(out.values())) if out else np.zeros(n, dtype=bool)
        return out

    def _leaf(self, left: _State) -> float:
        """Return below which value nothing in a leaf is: its bound, or the value of the one layout that is left."""
        n = self.conditions.deployments
        if np.any(left.upper[:n] - left.lower[:n] > 0.5):
            return left.bound
        value = self.aim.value(exact(self.aim.parts, np.flatnonzero(left.lower[:n] > 0.5)))
        rest = np.minimum(self._cost * left.lower, self._cost * left.upper)
        return max(left.bound, value + float(rest.sum()))
