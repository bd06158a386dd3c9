"""The engine for linear objectives: relaxation over all columns, then the integer program on those that matter.

The relaxation is solved over all columns with clique rows made on demand. Its multipliers give a
bound for every column (Lagrangian relaxation: for any multipliers of the right sign,
lam . limits + sum of the best of each reduced cost times its column bounds the objective; Geoffrion
1974, Math. Programming Study 2). Columns that cannot be in a layout better than the best known one
are left out; the integer program runs on the rest.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints
from siting.selection.cliques import Cliques
from siting.selection.greedy import first_layout
from siting.selection.highs import Clock, MipResult, Solver
from siting.selection.memory import MemoryWatch
from siting.selection.program import (
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
from siting.selection.relaxation import Relaxation, judged
from siting.selection.rows import INFINITY, Rows, packing, scaled_rows
from siting.selection.settle import filled, settled

MOST_ROUNDS = 80
# Values nearer than this (relative) are one value: coefficients have nine decimals.
EQUAL = 1e-9
# Columns of the first integer program beside those that the relaxation uses.
FIRST_COLUMNS = 1500
# Where a small gap is asked for, a program of at most this many deployments is first tried to be closed
# whole, within so many nodes.
SMALL_GAP = 1e-3
SMALL_PROGRAM = 5000
WHOLE_NODES = 1500

# A further row: columns, coefficients, lower and upper limit.
Cut = tuple[Ints, Floats, float, float]
_ENDED = {"time": Ended.TIME, "interrupted": Ended.INTERRUPTED, "nodes": Ended.NODES}


class LinearEngine:
    """One search: a program and a linear objective, brought to the sense "maximise".

    `best` (N,) is the best layout so far (None before the first), `best_gain` its value in that sense,
    `bound` what no layout exceeds, `relaxation` that over all columns once it was solved.
    """

    def __init__(
        self, program: Program, objective: LinearObjective, limits: Limits, progress: Report | None = None
    ) -> None:
        self.program, self.objective, self.limits = program, objective, limits
        self.sign = 1.0 if objective.maximise else -1.0
        self.gain = self.sign * objective.coefficients
        self.best: Floats | None = None
        self.best_gain = -np.inf
        self.bound = np.inf
        self.relaxation: Relaxation | None = None
        self._nodes = 0
        self._clock = Clock(limits.seconds)
        self._memory = MemoryWatch(limits.memory_mb)
        self._log: list[Progress] = []
        self._progress = progress
        self._rows = scaled_rows(program)
        self._cliques = [Cliques(exclusion, self.gain) for exclusion in program.exclusions]
        self._clique_rows: list[Ints] = []
        # What a layout with any of the columns left out could reach; None while that is not asked.
        self._outside: float | None = None
        # The best bound told so far; for progress only.
        self._told = np.inf

    # -- solving ----------------------------------------------------------------------------------

    def relax(self) -> Relaxation:
        """Solve the relaxation over all columns, adding clique rows until none is violated."""
        solver = self._solver(self._rows, self.gain, slice(None))
        result = solver.solve_lp(self._clock.left())
        last = np.inf
        for turn in range(MOST_ROUNDS):
            if result.status != "optimal":
                break
            found = [row for cliques in self._cliques for row in cliques.separate(result.point)]
            value = float(self.gain @ result.point)
            # Late rounds that hardly move the bound are left to the integer program.
            if not found or (turn > 20 and last - value < 1e-6 * max(1.0, abs(value))):
                break
            last = value
            self._clique_rows += found
            solver.add_rows(packing(found, self.gain.size), np.full(len(found), -INFINITY), np.ones(len(found)))
            result = solver.solve_lp(self._clock.left())
        self.relaxation = judged(
            self.program, self.gain, self._rows, self._clique_rows, result.duals, result.point, result.status
        )
        return self.relaxation

    def restricted(
        self,
        keep: Bools,
        gap: float,
        *,
        wish: Floats | None = None,
        cuts: list[Cut] | None = None,
        nodes: int | None = None,
        fixed: tuple[Ints, Floats] | None = None,
        until: float | None = None,
    ) -> MipResult:
        """Solve the integer program on the columns in `keep` (N,), the others at their lower bound.

        `wish` (N,) replaces the objective, `cuts` are further rows, `fixed` columns with their values;
        `until` lets it end when no solution can be as good as that. The point that comes back is over
        all N columns.
        """
        program, columns = self.program, np.flatnonzero(keep)
        offset = np.where(keep, 0.0, program.lower)
        covers = [row for cliques in self._cliques for row in cliques.cover(columns)]
        rows = self._rows.with_cliques(self._clique_rows + covers)
        for cut in cuts or []:
            rows = rows.with_row(*cut)
        moved = rows.matrix @ offset
        part = Rows(sp.csr_array(rows.matrix[:, columns]), rows.low - moved, rows.high - moved)
        objective = self.gain if wish is None else wish
        # A search with another objective tells nothing about how this one stands.
        solver = self._solver(part, objective[columns], columns, silent=wish is not None)
        if fixed is not None:
            place = np.full(keep.size, -1)
            place[columns] = np.arange(columns.size)
            solver.fix(place[fixed[0]], fixed[1])
        solver.make_integer(program.integer[columns])
        constant = float(objective @ offset)
        inside = self.best is not None and wish is None and np.array_equal(self.best[~keep], offset[~keep])
        result = solver.solve_mip(
            gap=gap,
            seconds=self._clock.left(),
            nodes=nodes,
            start=self.best[columns] if inside and self.best is not None else None,
            until=None if until is None else until - constant,
        )
        self._nodes += result.nodes
        point = None
        if result.point is not None:
            point = offset.copy()
            point[columns] = result.point
            point[program.integer] = np.rint(point[program.integer])
        value = None if result.value is None else result.value + constant
        return MipResult(result.status, point, value, result.bound + constant, result.nodes)

    def _solver(self, rows: Rows, gain: Floats, columns: Ints | slice, silent: bool = False) -> Solver:
        return Solver(
            gain,
            self.program.lower[columns],
            self.program.upper[columns],
            rows,
            seed=self.limits.seed,
            stop=self._stopped,
            report=None if silent else self._report(),
        )

    # -- what is known ----------------------------------------------------------------------------

    def accept(self, point: Floats) -> bool:
        """Take a point as the best so far if it holds every rule and is better; False if it breaks one."""
        point = self.filled(point)
        if self.program.broken(point):
            return False
        gain = float(self.gain @ point)
        if gain > self.best_gain:
            self.best, self.best_gain = point, gain
            self._note()
        return True

    def filled(self, point: Floats) -> Floats:
        """Return the point with its continuous columns at their best."""
        return filled(self.program, self.gain, self._rows, point)

    def replace_best(self, point: Floats) -> None:
        """Take another point of equal value as the best one."""
        if not self.program.broken(point):
            self.best, self.best_gain = point, float(self.gain @ point)
            # Equal to the decimals that coefficients have; the last bit must not look like a gap.
            if self.bound <= self._same(self.best_gain):
                self.bound = self.best_gain

    def bounded(self, bound: float) -> None:
        """Note a bound over all columns, if it is better than the one known.

        A bound within the solver's own tolerance of the best value is taken for that value.
        """
        if bound <= self._same(self.best_gain):
            bound = self.best_gain
        if bound < self.bound:
            self.bound = bound
            self._note()

    def gap(self) -> float:
        """Return the relative gap over all columns, infinite before a first layout."""
        if self.best is None or not np.isfinite(self.bound):
            return np.inf
        return relative_gap(self._value(self.best_gain), self._value(self.bound), self.objective.floor)

    def cut_off(self, point: Floats) -> Cut:
        """Return the row that forbids exactly this choice of the binary columns."""
        binary = self.program.integer & (self.program.lower == 0.0) & (self.program.upper == 1.0)
        return differs(point, np.flatnonzero(binary))

    @staticmethod
    def _same(gain: float) -> float:
        """Return the greatest value that still counts as equal."""
        return gain + EQUAL * max(1.0, abs(gain))

    def _value(self, gain: float) -> float:
        return self.objective.constant + self.sign * gain

    def _state(self, nodes: int, found: float | None = None, inside: float | None = None) -> Progress:
        """Return how the search stands; `found` and `inside` are value and bound of the columns being solved."""
        gain = max(self.best_gain, -np.inf if found is None else found)
        if inside is not None and self._outside is not None:
            self._told = min(self._told, max(inside, self._outside))
        bound = max(gain, min(self.bound, self._told))
        return Progress(
            self._clock.elapsed(),
            self._value(gain) if np.isfinite(gain) else None,
            self._value(bound) if np.isfinite(bound) else None,
            nodes,
        )

    def _note(self) -> None:
        self._log.append(self._state(self._nodes))
        if self._progress is not None:
            self._progress(self._log[-1])

    def _report(self) -> Callable[[float | None, float | None, int], None] | None:
        progress = self._progress
        if progress is None:
            return None

        def report(value: float | None, bound: float | None, nodes: int) -> None:
            progress(self._state(self._nodes + nodes, value, bound))

        return report

    # -- search -----------------------------------------------------------------------------------

    def search(self, start: Floats | None = None) -> Selection:
        """Run the search to its limits and return what was found."""
        from siting.selection.ties import NOT_EXAMINED, break_ties

        if not self.program.names:
            return self._without_columns()
        for point in (start, first_layout(self.program, self.gain)):
            if point is not None:
                self.accept(point)
        relaxation = self.relax()
        if relaxation.status == "infeasible":
            return self._answer(Ended.INFEASIBLE, "")
        self.bounded(relaxation.bound)
        if relaxation.status != "optimal":
            return self._answer(self._halted() or Ended.TIME, "")
        ended = self._narrow(relaxation)
        if ended is not Ended.GAP:
            return self._answer(ended, NOT_EXAMINED)
        return self._answer(ended, break_ties(self, relaxation))

    def _narrow(self, relaxation: Relaxation) -> Ended:
        """Solve on ever more columns until those left out cannot matter."""
        cuts: list[Cut] = []
        keep = self._first_columns(relaxation)
        while True:
            outside = -np.inf if keep.all() else relaxation.bound - float(relaxation.to_one[~keep].min())
            self._outside = outside
            result = self._solve_kept(keep, cuts, outside)
            self._outside = None
            if result.point is not None and not self.accept(result.point):
                # The solver's tolerance let a broken layout pass: cut it off exactly and go on.
                cuts.append(self.cut_off(result.point))
                self._add_broken_pairs(result.point)
                continue
            inside = -np.inf if result.status == "infeasible" else result.bound
            self.bounded(max(inside, outside, self.best_gain))
            halted = self._halted()
            if halted is not None:
                return halted
            if self.gap() <= self.limits.gap:
                return Ended.GAP
            if result.status in _ENDED:
                return _ENDED[result.status]
            wider = keep | (relaxation.bound - relaxation.to_one >= self.best_gain)
            if np.array_equal(wider, keep):
                return Ended.GAP if self.best is not None else Ended.INFEASIBLE
            keep = wider

    def _solve_kept(self, keep: Bools, cuts: list[Cut], outside: float) -> MipResult:
        """Try to close a small program whole within some nodes; else go to the asked gap.

        `outside` is what no layout with any of the columns left out exceeds.
        """
        left = self._nodes_left()
        if self.program.deployments <= SMALL_PROGRAM and 0.0 < self.limits.gap <= SMALL_GAP:
            nodes = WHOLE_NODES if left is None else min(left, WHOLE_NODES)
            result = self.restricted(keep, 0.0, cuts=cuts, nodes=nodes)
            if result.status != "nodes" or (left is not None and left <= WHOLE_NODES):
                return result
            if result.point is not None and self.accept(result.point):
                within = relative_gap(self._value(self.best_gain), self._value(result.bound), self.objective.floor)
                if within <= self.limits.gap:
                    return result
            left = self._nodes_left()
        # Half of the gap for the columns kept, half for those left out, if these still matter.
        share = 0.999 if outside <= self.best_gain else 0.5
        return self.restricted(keep, share * self.limits.gap, cuts=cuts, nodes=left)

    def _without_columns(self) -> Selection:
        """Answer for a program in which nothing can be picked: the empty layout, or none."""
        if not self.accept(np.empty(0)):
            return self._answer(Ended.INFEASIBLE, "")
        self.bounded(self.best_gain)
        return self._answer(Ended.GAP, "no other layout has this value")

    def any_layout(self) -> bool:
        """Say whether any layout satisfies the rules, whatever the objective."""
        if not self.program.names:
            return self.accept(np.empty(0))
        if self.relax().status == "infeasible":
            return False
        everything = np.ones(self.gain.size, dtype=bool)
        cuts: list[Cut] = []
        while True:
            result = self.restricted(everything, self.limits.gap, cuts=cuts)
            if result.point is None:
                return result.status != "infeasible"
            if self.accept(result.point):
                return True
            cuts.append(self.cut_off(result.point))
            self._add_broken_pairs(result.point)

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
        return None if self.limits.nodes is None else max(0, self.limits.nodes - self._nodes)

    def out_of_time(self) -> bool:
        """Say whether the search was stopped or its seconds are used up."""
        return self._stopped() or self._clock.left() == 0.0

    def _halted(self) -> Ended | None:
        """Say what from outside ends the search: the user's wish, or memory past its limit."""
        if self.limits.stop is not None and self.limits.stop():
            return Ended.INTERRUPTED
        return Ended.MEMORY if self._memory.passed() else None

    def _stopped(self) -> bool:
        return self._halted() is not None

    def _add_broken_pairs(self, point: Floats) -> None:
        """Add the pairs that a point breaks, should a clash have slipped between the clique rows."""
        whole = np.rint(point).astype(np.int64)
        for exclusion in self.program.exclusions:
            self._clique_rows += [np.array(sorted(pair), dtype=np.int64) for pair in clashes(exclusion, whole)]

    def _answer(self, ended: Ended, ties: str) -> Selection:
        asked, seconds, log = self.limits.gap, self._clock.elapsed(), tuple(self._log)
        if self.best is None:
            bound = self._value(self.bound) if np.isfinite(self.bound) else None
            return Selection((), None, None, bound, None, asked, False, ended, self._nodes, seconds, ties, log=log)
        values = settled(self.program, self.best)
        value, bound, gap = self._value(self.best_gain), self._value(self.bound), self.gap()
        picked = tuple(int(k) for k in np.flatnonzero(values[: self.program.deployments] > 0.5))
        proved = bool(gap <= asked)
        stages = (Stage(self.objective.name, value, bound, gap, proved),)
        return Selection(
            picked, values, value, bound, gap, asked, proved, ended, self._nodes, seconds, ties, stages, log=log
        )


def differs(point: Floats, columns: Ints) -> Cut:
    """Return the row that asks binary columns to differ from a point in at least one place."""
    ones = point[columns] > 0.5
    return columns, np.where(ones, -1.0, 1.0), 1.0 - float(ones.sum()), INFINITY
