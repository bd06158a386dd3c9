"""The one place that speaks to the HiGHS library: linear programs with duals, and integer programs."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
import scipy.sparse as sp
from highspy import cb

from siting.arrays import Bools, Floats, Ints
from siting.selection.rows import INFINITY, Rows

_MIP_INTERRUPT = cb.HighsCallbackType.kCallbackMipInterrupt
_INTERRUPTS = (_MIP_INTERRUPT, cb.HighsCallbackType.kCallbackSimplexInterrupt)
_NEWS = (cb.HighsCallbackType.kCallbackMipImprovingSolution, cb.HighsCallbackType.kCallbackMipLogging)
_KINDS = highspy.HighsModelStatus
_STATUS = {
    _KINDS.kOptimal: "optimal",
    _KINDS.kModelEmpty: "optimal",
    _KINDS.kInfeasible: "infeasible",
    # Every column is bounded, so nothing is unbounded.
    _KINDS.kUnboundedOrInfeasible: "infeasible",
    _KINDS.kTimeLimit: "time",
    _KINDS.kInterrupt: "interrupted",
    _KINDS.kSolutionLimit: "nodes",
}
_MOST_NODES = 2**31 - 1
_FEASIBLE = 2
# Value told and value of the solution handed back differ by no more than this, relative to 1 or more.
_AGREE = 1e-5


@dataclass(frozen=True, eq=False)
class LpResult:
    """A linear program's answer: point (N,) and row multipliers (M,); `status` is optimal, infeasible or stopped."""

    status: str
    point: Floats
    duals: Floats


@dataclass(frozen=True, eq=False)
class MipResult:
    """An integer program's answer; `point` is None where no solution was found.

    `status` is optimal, infeasible, time, nodes, interrupted or bound (see `Solver.solve_mip`); `value`
    and `bound` are those of the solver, in the sense of the objective that was given.
    """

    status: str
    point: Floats | None
    value: float | None
    bound: float
    nodes: int


class _Quiet(highspy.Highs):  # type: ignore[misc]
    """A HiGHS model that prints nothing.

    The library's own constructor turns callbacks on before output can be turned off, and so prints its
    banner on standard output, where our data go; here output goes off first.
    """

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)


class Solver:
    """One HiGHS model with rows that can be added; single thread, fixed seed, silent.

    `objective` . x is made large (`maximise`) or small, subject to rows and column bounds. `stop` is
    polled while HiGHS works; `report(value, bound, nodes)` is called with whatever is known.
    """

    def __init__(
        self,
        objective: Floats,
        lower: Floats,
        upper: Floats,
        rows: Rows,
        *,
        maximise: bool = True,
        seed: int = 0,
        stop: Callable[[], bool] | None = None,
        report: Callable[[float | None, float | None, int], None] | None = None,
    ) -> None:
        self._stop, self._report = stop, report
        self._sign = 1.0 if maximise else -1.0
        self._enough: float | None = None
        self._bound_fell = False
        # Without columns the library does not look at the rows: each sum is 0.
        self._holds_empty = bool(np.all((rows.low <= 0.0) & (rows.high >= 0.0)))
        self._columns = objective.size
        self._objective = objective
        self._h = _Quiet()
        for name, value in (
            ("threads", 1),
            ("random_seed", seed),
            ("parallel", "off"),
            ("primal_feasibility_tolerance", 1e-9),
            ("dual_feasibility_tolerance", 1e-9),
            ("mip_feasibility_tolerance", 1e-9),
            ("mip_abs_gap", 0.0),
        ):
            self._h.setOptionValue(name, value)
        matrix = sp.csr_array(rows.matrix)
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = objective.size, matrix.shape[0]
        lp.sense_ = highspy.ObjSense.kMaximize if maximise else highspy.ObjSense.kMinimize
        lp.col_cost_, lp.col_lower_, lp.col_upper_ = objective, lower, upper
        lp.row_lower_, lp.row_upper_ = rows.low, rows.high
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = matrix.indptr.astype(np.int32)
        lp.a_matrix_.index_ = matrix.indices.astype(np.int32)
        lp.a_matrix_.value_ = matrix.data.astype(float)
        self._h.passModel(lp)
        self._h.setCallback(self._called, None)
        for kind in (*_INTERRUPTS, *_NEWS):
            self._h.startCallback(kind)

    def _called(self, kind: cb.HighsCallbackType, message: str, out: Any, back: Any, data: object) -> None:
        """Answer HiGHS: pass on what it found, and ask it to stop where the user wants that."""
        del message, data
        if kind in _NEWS:
            if self._report is not None:
                value, bound = float(out.mip_primal_bound), float(out.mip_dual_bound)
                self._report(_finite(value), _finite(bound), int(out.mip_node_count))
            return
        if self._stop is not None and self._stop():
            back.user_interrupt = True
        elif kind == _MIP_INTERRUPT and self._enough is not None:
            bound = float(out.mip_dual_bound)
            if np.isfinite(bound) and self._sign * bound < self._enough:
                self._bound_fell = True
                back.user_interrupt = True

    def add_rows(self, rows: sp.csr_array, lower: Floats, upper: Floats) -> None:
        """Add rows (m, N) with limits to the model."""
        self._h.addRows(
            rows.shape[0],
            lower,
            upper,
            rows.nnz,
            rows.indptr[:-1].astype(np.int32),
            rows.indices.astype(np.int32),
            rows.data.astype(float),
        )

    def fix(self, columns: Ints, values: Floats) -> None:
        """Fix columns at values."""
        if columns.size:
            self._h.changeColsBounds(columns.size, columns.astype(np.int32), values, values)

    def make_integer(self, integer: Bools) -> None:
        """Make columns integer for `solve_mip`."""
        columns = np.flatnonzero(integer).astype(np.int32)
        if columns.size:
            kinds = np.full(columns.size, highspy.HighsVarType.kInteger)
            self._h.changeColsIntegrality(columns.size, columns, kinds)

    def solve_lp(self, seconds: float | None = None) -> LpResult:
        """Solve the linear program, warm from where the last call ended."""
        self._limit_time(seconds)
        self._h.run()
        solution = self._h.getSolution()
        status = _STATUS.get(self._h.getModelStatus(), "stopped")
        return LpResult(
            status if status in ("optimal", "infeasible") else "stopped",
            np.array(solution.col_value, dtype=float),
            np.array(solution.row_dual, dtype=float),
        )

    def solve_mip(
        self,
        *,
        gap: float,
        seconds: float | None = None,
        nodes: int | None = None,
        start: Floats | None = None,
        until: float | None = None,
    ) -> MipResult:
        """Solve the integer program to a relative gap; `start` (N,) is offered as a first solution.

        With `until` the search may end, with status "bound", when it is clear that no solution is as
        good as that value. Raises RuntimeError if the library fails.
        """
        if self._columns == 0:
            if self._holds_empty:
                return MipResult("optimal", np.empty(0), 0.0, 0.0, 0)
            return MipResult("infeasible", None, None, -self._sign * INFINITY, 0)
        self._h.clearSolver()
        self._enough, self._bound_fell = (None if until is None else self._sign * until), False
        self._limit_time(seconds)
        self._h.setOptionValue("mip_rel_gap", float(gap))
        self._h.setOptionValue("mip_max_nodes", _MOST_NODES if nodes is None else int(nodes))
        if start is not None:
            given = highspy.HighsSolution()
            given.col_value = start
            self._h.setSolution(given)
        self._h.run()
        info, model = self._h.getInfo(), self._h.getModelStatus()
        if model not in _STATUS:
            raise RuntimeError(f"the solver library ended with status {self._h.modelStatusToString(model)}")
        found = info.primal_solution_status == _FEASIBLE
        point = np.array(self._h.getSolution().col_value, dtype=float) if found else None
        value = float(info.objective_function_value) if found else None
        if point is not None and value is not None and not self._agrees(point, value):
            # Where presolve alone solves a program, the library (seen with 1.16) may tell the value of its solution
            # and hand back the start that it was given.
            if start is None:
                raise RuntimeError("the solver library handed back a solution that has another value than it says")
            return self.solve_mip(gap=gap, seconds=seconds, nodes=nodes, until=until)
        return MipResult(
            "bound" if self._bound_fell else _STATUS[model],
            point,
            value,
            float(info.mip_dual_bound),
            max(0, int(info.mip_node_count)),
        )

    def _agrees(self, point: Floats, value: float) -> bool:
        """Say whether a solution has the value that the library tells of it."""
        return abs(float(self._objective @ point) - value) <= _AGREE * max(1.0, abs(value))

    def _limit_time(self, seconds: float | None) -> None:
        # HiGHS counts its time from the first run of a model on.
        limit = INFINITY if seconds is None else self._h.getRunTime() + max(0.01, seconds)
        self._h.setOptionValue("time_limit", limit)


def _finite(number: float) -> float | None:
    return number if np.isfinite(number) else None


class Clock:
    """Seconds since the start of a search, and how many are left."""

    def __init__(self, seconds: float | None) -> None:
        self._begin = time.monotonic()
        self._limit = seconds

    def elapsed(self) -> float:
        """Return the seconds since the start."""
        return time.monotonic() - self._begin

    def left(self) -> float | None:
        """Return the seconds left, None without a limit."""
        return None if self._limit is None else max(0.0, self._limit - self.elapsed())
