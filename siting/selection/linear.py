"""The engine for linear objectives: relaxation over all columns, then the integer program on those that matter.

The relaxation is solved over all columns with clique rows made on demand. Its multipliers give a
bound for every column (Lagrangian relaxation: for any multipliers of the right sign,
lam . limits + sum of the best of each reduced cost times its column bounds the objective; Geoffrion
1974, Math. Programming Study 2). Columns that cannot be in a layout better than the best known one
are left out; the integer program runs on the rest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp

from siting.region.model import Bools, Floats, Ints
from siting.selection.cliques import Cliques
from siting.selection.highs import INFINITY, Clock, LpResult, MipResult, Solver
from siting.selection.program import (
    NO_LIMIT,
    Ended,
    Limits,
    LinearObjective,
    Program,
    Progress,
    Report,
    Selection,
    Stage,
    clashes,
    relative_gap,
)

MOST_ROUNDS = 80
# Columns of the first integer program beside those that the relaxation uses.
FIRST_COLUMNS = 1500
# A search for equal optima is made only while so few columns are undecided.
MOST_TIES = 240
TIE_BLOCK = 12
TIE_NODES = 5000


@dataclass(frozen=True, eq=False)
class Relaxation:
    """The solved relaxation in the sense "maximise": a bound and what each column would cost against it.

    `bound` holds for every layout; a layout with column j at 1 (0) is at most `bound - to_one[j]`
    (`bound - to_zero[j]`).
    """

    status: str
    point: Floats
    bound: float
    to_one: Floats
    to_zero: Floats


class LinearEngine:
    """One search: a program and a linear objective, brought to the sense "maximise"."""

    def __init__(
        self, program: Program, objective: LinearObjective, limits: Limits, progress: Report | None = None
    ) -> None:
        self.program, self.objective, self.limits = program, objective, limits
        self.sign = 1.0 if objective.maximise else -1.0
        self.gain = self.sign * objective.coefficients
        self.clock = Clock(limits.seconds)
        self.nodes = 0
        self.log: list[Progress] = []
        self._progress = progress
        self._best: Floats | None = None
        self._best_gain = -np.inf
        self._bound = np.inf
        scale = _row_scale(program.matrix)
        self._matrix = sp.csr_array(sp.diags_array(scale) @ program.matrix.astype(float))
        self._row_lower = np.where(program.row_lower == -NO_LIMIT, -INFINITY, program.row_lower * scale)
        self._row_upper = np.where(program.row_upper == NO_LIMIT, INFINITY, program.row_upper * scale)
        self._cliques = [Cliques(exclusion, self.gain) for exclusion in program.exclusions]
        self._extra: list[Ints] = []

    # -- relaxation -------------------------------------------------------------------------------

    def relax(self) -> Relaxation:
        """Solve the relaxation over all columns, adding clique rows until none is violated."""
        solver = self._solver(self._matrix, self._row_lower, self._row_upper, self.gain, slice(None))
        result = solver.solve_lp(self.clock.left())
        last = np.inf
        for round_ in range(MOST_ROUNDS):
            if result.status != "optimal":
                break
            rows = [row for cliques in self._cliques for row in cliques.separate(result.point)]
            value = float(self.gain @ result.point)
            # Late rounds that hardly move the bound are left to the integer program.
            if not rows or (round_ > 20 and last - value < 1e-6 * max(1.0, abs(value))):
                break
            last = value
            self._extra += rows
            matrix = _packing(rows, self.gain.size)
            solver.add_rows(matrix, np.full(len(rows), -INFINITY), np.ones(len(rows)))
            result = solver.solve_lp(self.clock.left())
        return self._judged(result)

    def _judged(self, result: LpResult) -> Relaxation:
        """Turn multipliers into a bound that holds for any multipliers, not read off the solver."""
        program = self.program
        matrix, low, high = self._all_rows()
        lam = result.duals if result.duals.size == matrix.shape[0] else np.zeros(matrix.shape[0])
        # In the sense "maximise" a positive multiplier belongs to an upper limit, a negative to a lower one.
        lam = np.where((lam > 0.0) & (high < INFINITY), lam, 0.0) + np.where((lam < 0.0) & (low > -INFINITY), lam, 0.0)
        limits = np.where(lam > 0.0, np.where(high < INFINITY, high, 0.0), np.where(low > -INFINITY, low, 0.0))
        reduced = self.gain - matrix.T @ lam
        best = np.maximum(reduced * program.lower, reduced * program.upper)
        bound = float(lam @ limits + best.sum())
        # Rounding in the sums above: a generous multiple of the unit roundoff of their terms.
        bound += 1e-13 * float(np.abs(lam * limits).sum() + np.abs(best).sum())
        return Relaxation(
            result.status, result.point, bound, best - reduced * program.upper, best - reduced * program.lower
        )

    def _all_rows(self) -> tuple[sp.csr_array, Floats, Floats]:
        """Return the program's rows and the clique rows found so far."""
        count = len(self._extra)
        matrix = sp.csr_array(sp.vstack([self._matrix, _packing(self._extra, self.gain.size)]))
        return (
            matrix,
            np.concatenate([self._row_lower, np.full(count, -INFINITY)]),
            np.concatenate([self._row_upper, np.ones(count)]),
        )

    def _solver(self, matrix: sp.csr_array, low: Floats, high: Floats, gain: Floats, columns: Ints | slice) -> Solver:
        return Solver(
            gain,
            self.program.lower[columns],
            self.program.upper[columns],
            matrix,
            low,
            high,
            maximise=True,
            seed=self.limits.seed,
            stop=self.limits.stop,
            report=self._report(),
        )

    # -- integer program --------------------------------------------------------------------------

    def restricted(
        self,
        keep: Bools,
        gap: float,
        *,
        gain: Floats | None = None,
        floor_gain: float | None = None,
        cuts: list[tuple[Ints, Floats, float, float]] | None = None,
        nodes: int | None = None,
        fixed: tuple[Ints, Floats] | None = None,
    ) -> MipResult:
        """Solve the integer program on the columns in `keep` (N,), the others at their lower bound.

        `gain` replaces the objective, `floor_gain` demands at least that value of the true one, `cuts`
        are further rows (columns, coefficients, lower, upper), `fixed` columns with their values. The
        point that comes back is over all N columns.
        """
        program = self.program
        columns = np.flatnonzero(keep)
        offset = np.where(keep, 0.0, program.lower)
        covers = [row for cliques in self._cliques for row in cliques.cover(columns)]
        matrix, low, high = self._all_rows()
        extra_rows = _packing(covers, self.gain.size)
        matrix = sp.csr_array(sp.vstack([matrix, extra_rows]))
        low = np.concatenate([low, np.full(len(covers), -INFINITY)])
        high = np.concatenate([high, np.ones(len(covers))])
        more = list(cuts or [])
        if floor_gain is not None:
            used = np.flatnonzero(self.gain)
            more.append((used, self.gain[used], floor_gain, INFINITY))
        for cols, coefs, least, most in more:
            row = sp.csr_array((coefs, (np.zeros(cols.size, dtype=int), cols)), shape=(1, self.gain.size))
            matrix = sp.csr_array(sp.vstack([matrix, row]))
            low, high = np.append(low, least), np.append(high, most)
        moved = matrix @ offset
        part = sp.csr_array(matrix[:, columns])
        low = np.where(low > -INFINITY, low - moved, low)
        high = np.where(high < INFINITY, high - moved, high)
        objective = self.gain if gain is None else gain
        solver = self._solver(part, low, high, objective[columns], columns)
        if fixed is not None:
            place = np.full(keep.size, -1)
            place[columns] = np.arange(columns.size)
            inside = place[fixed[0]] >= 0
            solver.fix(place[fixed[0]][inside], fixed[1][inside])
        solver.make_integer(program.integer[columns])
        start = (
            None
            if self._best is None or gain is not None or not _inside(self._best, keep, offset)
            else (self._best[columns])
        )
        result = solver.solve_mip(gap=gap, seconds=self.clock.left(), nodes=nodes, start=start)
        self.nodes += result.nodes
        point = None
        if result.point is not None:
            point = offset.copy()
            point[columns] = result.point
            point[program.integer] = np.rint(point[program.integer])
        constant = float(objective @ offset)
        bound = result.bound + constant if abs(result.bound) < INFINITY else result.bound
        value = None if result.value is None else result.value + constant
        return MipResult(result.status, point, value, bound, result.nodes)

    def _report(self) -> Callable[[float | None, float | None, int], None] | None:
        if self._progress is None:
            return None

        def report(value: float | None, bound: float | None, nodes: int) -> None:
            del value, bound  # those of a part of the columns; what is known of the whole is told
            self._tell(self.nodes + nodes)

        return report

    def _tell(self, nodes: int) -> None:
        state = Progress(
            self.clock.elapsed(),
            None if self._best is None else self._value(self._best_gain),
            None if not np.isfinite(self._bound) else self._value(self._bound),
            nodes,
        )
        if self._progress is not None:
            self._progress(state)

    def _value(self, gain: float) -> float:
        return self.objective.constant + self.sign * gain

    # -- search -----------------------------------------------------------------------------------

    def accept(self, point: Floats) -> bool:
        """Take a point as the best so far if it holds every rule and is better; False if it breaks one."""
        if self.program.broken(point):
            return False
        gain = float(self.gain @ point)
        if gain > self._best_gain:
            self._best, self._best_gain = point, gain
            self._note()
        return True

    def lower_bound_to(self, bound: float) -> None:
        """Note a bound over all columns, if it is better than the one known."""
        if bound < self._bound:
            self._bound = max(bound, self._best_gain)
            self._note()

    def _note(self) -> None:
        self.log.append(
            Progress(
                self.clock.elapsed(),
                None if self._best is None else self._value(self._best_gain),
                None if not np.isfinite(self._bound) else self._value(self._bound),
                self.nodes,
            )
        )
        self._tell(self.nodes)

    def search(self, start: Floats | None = None) -> Selection:
        """Run the search to its limits and return what was found."""
        if start is not None:
            self.accept(start)
        relaxation = self.relax()
        if relaxation.status == "infeasible":
            return self._answer(Ended.INFEASIBLE, "")
        self.lower_bound_to(relaxation.bound)
        cuts: list[tuple[Ints, Floats, float, float]] = []
        keep = self._first_columns(relaxation)
        ended = Ended.GAP
        while relaxation.status == "optimal":
            result = self.restricted(keep, self.limits.gap / 2.0, cuts=cuts, nodes=self._nodes_left())
            if result.point is not None and not self.accept(result.point):
                # The solver's tolerance let a broken layout pass: cut it off exactly and go on.
                cuts.append(self._cut_off(result.point))
                self._grow_cliques(result.point)
                continue
            outside = relaxation.bound - relaxation.to_one[~keep].min() if not keep.all() else -np.inf
            inside = result.bound if result.status != "infeasible" else -np.inf
            self.lower_bound_to(max(inside, outside, self._best_gain))
            ended = self._ended(result)
            if self._gap() <= self.limits.gap or result.status in ("time", "interrupted", "nodes"):
                break
            wider = relaxation.bound - relaxation.to_one >= self._best_gain
            if self._best is None and not wider.all():
                wider = np.ones_like(keep)
            if np.array_equal(wider | keep, keep):
                if result.status == "infeasible" and self._best is None:
                    return self._answer(Ended.INFEASIBLE, "")
                break
            keep = wider | keep
        if relaxation.status != "optimal":
            ended = Ended.INTERRUPTED if self._stopped() else Ended.TIME
        if self._best is None or ended in (Ended.TIME, Ended.INTERRUPTED, Ended.NODES):
            return self._answer(ended, "ties were not examined")
        ties = self._break_ties(relaxation)
        return self._answer(Ended.GAP if self._gap() <= self.limits.gap else ended, ties)

    def any_layout(self) -> bool:
        """Say whether any layout satisfies the rules, whatever the objective."""
        if self.relax().status == "infeasible":
            return False
        everything = np.ones(self.gain.size, dtype=bool)
        cuts: list[tuple[Ints, Floats, float, float]] = []
        while True:
            result = self.restricted(everything, self.limits.gap, cuts=cuts)
            if result.point is None:
                return result.status != "infeasible"
            if self.accept(result.point):
                return True
            cuts.append(self._cut_off(result.point))
            self._grow_cliques(result.point)

    def _first_columns(self, relaxation: Relaxation) -> Bools:
        """Choose the columns of the first integer program: those in use, then the least costly ones."""
        costs = np.where(relaxation.point > 1e-9, -1.0, relaxation.to_one)
        costs[self.program.deployments :] = -1.0
        order = np.argsort(costs, kind="stable")
        used = int((costs < 0.0).sum())
        keep = np.zeros(costs.size, dtype=bool)
        keep[order[: used + FIRST_COLUMNS]] = True
        return keep

    def _nodes_left(self) -> int | None:
        return None if self.limits.nodes is None else max(0, self.limits.nodes - self.nodes)

    def _stopped(self) -> bool:
        return self.limits.stop is not None and self.limits.stop()

    def _ended(self, result: MipResult) -> Ended:
        if self._stopped():
            return Ended.INTERRUPTED
        return {"time": Ended.TIME, "interrupted": Ended.INTERRUPTED, "nodes": Ended.NODES}.get(
            result.status, Ended.GAP
        )

    def _gap(self) -> float:
        if self._best is None or not np.isfinite(self._bound):
            return np.inf
        return relative_gap(self._value(self._best_gain), self._value(self._bound), self.objective.floor)

    def _cut_off(self, point: Floats) -> tuple[Ints, Floats, float, float]:
        """Return the row that forbids exactly this choice of the binary columns."""
        binary = np.flatnonzero(self.program.integer & (self.program.lower == 0.0) & (self.program.upper == 1.0))
        ones = point[binary] > 0.5
        return binary, np.where(ones, -1.0, 1.0), 1.0 - float(ones.sum()), INFINITY

    def _grow_cliques(self, point: Floats) -> None:
        """Add the pairs that a point breaks, should a clash have slipped between the clique rows."""
        whole = np.rint(point).astype(np.int64)
        for exclusion in self.program.exclusions:
            self._extra += [np.array(sorted(pair), dtype=np.int64) for pair in clashes(exclusion, whole)]

    # -- ties -------------------------------------------------------------------------------------

    def _break_ties(self, relaxation: Relaxation) -> str:
        """Close the last of the gap, then let the smaller ids win among equal optima, if both are quick."""
        slack = 1e-7 * max(1.0, abs(self._best_gain))
        d = self.program.deployments
        keep = relaxation.bound - relaxation.to_one >= self._best_gain - slack
        keep[d:] = True
        undecided = keep & (relaxation.bound - relaxation.to_zero >= self._best_gain - slack)
        free = np.flatnonzero(undecided[:d])
        if free.size > MOST_TIES:
            return "ties were not examined"
        if self._gap() > 0.0:
            exact = self.restricted(keep, 0.0, nodes=TIE_NODES)
            if exact.status != "optimal" or exact.point is None or not self.accept(exact.point):
                return "ties were not examined"
            # An optimal integer program leaves only the solver's own tolerance between value and bound.
            self.lower_bound_to(self._best_gain)
        assert self._best is not None
        decided_columns, decided_values = np.empty(0, dtype=np.int64), np.empty(0)
        least = self._best_gain - slack
        other = self.restricted(
            keep, 0.0, floor_gain=least, cuts=[self._other_deployments(self._best)], nodes=TIE_NODES
        )
        if other.status == "infeasible":
            return "no other layout has this value"
        if other.point is None or not self._equal(other.point):
            return (
                "ties were not examined"
                if other.status != "optimal" or other.point is None
                else ("no other layout has this value")
            )
        for begin in range(0, free.size, TIE_BLOCK):
            block = free[begin : begin + TIE_BLOCK]
            wish = np.zeros_like(self.gain)
            wish[block] = 2.0 ** np.arange(block.size - 1, -1, -1)
            found = self.restricted(
                keep,
                0.0,
                gain=wish,
                floor_gain=least,
                nodes=TIE_NODES,
                fixed=(decided_columns, decided_values),
            )
            if found.status != "optimal" or found.point is None or not self._equal(found.point):
                return "ties were not examined to the end"
            decided_columns = np.concatenate([decided_columns, block])
            decided_values = np.concatenate([decided_values, found.point[block]])
            if not self.program.broken(found.point):
                self._best, self._best_gain = found.point, float(self.gain @ found.point)
        return "among equal layouts the smaller ids were taken"

    def _other_deployments(self, point: Floats) -> tuple[Ints, Floats, float, float]:
        columns = np.arange(self.program.deployments)
        ones = point[columns] > 0.5
        return columns, np.where(ones, -1.0, 1.0), 1.0 - float(ones.sum()), INFINITY

    def _equal(self, point: Floats) -> bool:
        """Say whether a point's value equals the best one, to the decimals that coefficients have."""
        return abs(float(self.gain @ point) - self._best_gain) <= 1e-9 * max(1.0, abs(self._best_gain))

    # -- answer -----------------------------------------------------------------------------------

    def _answer(self, ended: Ended, ties: str) -> Selection:
        asked = self.limits.gap
        if self._best is None:
            bound = self._value(self._bound) if np.isfinite(self._bound) else None
            return Selection(
                (),
                None,
                None,
                bound,
                None,
                asked,
                False,
                ended,
                self.nodes,
                self.clock.elapsed(),
                ties,
                log=tuple(self.log),
            )
        values = settled(self.program, self._best)
        value, bound, gap = self._value(self._best_gain), self._value(self._bound), self._gap()
        picked = tuple(int(k) for k in np.flatnonzero(values[: self.program.deployments] > 0.5))
        proved = bool(gap <= asked)
        stage = Stage(self.objective.name, value, bound, gap, proved)
        return Selection(
            picked,
            values,
            value,
            bound,
            gap,
            asked,
            proved,
            ended,
            self.nodes,
            self.clock.elapsed(),
            ties,
            (stage,),
            log=tuple(self.log),
        )


def settled(program: Program, point: Floats) -> Floats:
    """Return the point with its whole auxiliary columns chosen anew: least cost, then least preference.

    The deployments stay. So a purchase falls in the year in which it is first needed, and an auxiliary
    column without a price takes the same value in every run.
    """
    d = program.deployments
    aux = np.flatnonzero(program.integer[d:]) + d
    if aux.size == 0:
        return point
    scale = _row_scale(program.matrix)
    matrix = sp.csr_array(sp.diags_array(scale) @ program.matrix.astype(float))
    low = np.where(program.row_lower == -NO_LIMIT, -INFINITY, program.row_lower * scale)
    high = np.where(program.row_upper == NO_LIMIT, INFINITY, program.row_upper * scale)
    decided = point
    rows = np.flatnonzero(abs(matrix[:, aux]).sum(axis=1) > 0)
    for wish in (program.cost, program.preference):
        if not wish[aux].any():
            continue
        solver = Solver(
            wish.astype(float),
            program.lower,
            program.upper,
            sp.csr_array(matrix[rows]),
            low[rows],
            high[rows],
            maximise=False,
        )
        held = np.setdiff1d(np.arange(point.size), aux)
        solver.fix(held, decided[held])
        if wish is program.preference:
            priced = aux[program.cost[aux] != 0]
            if priced.size:
                total = float(program.cost[priced] @ decided[priced])
                cost_row = sp.csr_array(
                    (program.cost[priced].astype(float), (np.zeros(priced.size, dtype=int), priced)),
                    shape=(1, point.size),
                )
                solver.add_rows(cost_row, np.array([-INFINITY]), np.array([total + 0.5]))
        solver.make_integer(program.integer)
        result = solver.solve_mip(gap=0.0)
        if result.point is None:
            return decided
        candidate = decided.copy()
        candidate[aux] = np.rint(result.point[aux])
        if program.broken(candidate):
            return decided
        decided = candidate
    return decided


def _row_scale(matrix: sp.csr_array) -> Floats:
    """Return a power of two for each row that brings its greatest coefficient to 512-1024.

    A power of two changes no digit; the solver's tolerance then stays far below one cent of a row.
    """
    if matrix.shape[0] == 0:
        return np.ones(0)
    greatest = np.asarray(abs(matrix).max(axis=1).todense()).ravel().astype(float)
    return np.where(greatest > 1024.0, 2.0 ** (9.0 - np.floor(np.log2(np.maximum(greatest, 1.0)))), 1.0)


def _packing(rows: list[Ints], width: int) -> sp.csr_array:
    """Return rows (m, width) with ones at the given columns."""
    sizes = [row.size for row in rows]
    index = np.concatenate(rows) if rows else np.empty(0, dtype=np.int64)
    pointers = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    return sp.csr_array((np.ones(index.size), index, pointers), shape=(len(rows), width))


def _inside(point: Floats, keep: Bools, offset: Floats) -> bool:
    """Say whether a point has the columns that are left out at their lower bounds."""
    return bool(np.all(point[~keep] == offset[~keep]))
