"""The one place that speaks to the HiGHS library: linear programs with duals, and integer programs."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import highspy
import numpy as np
import scipy.sparse as sp
from highspy import cb

from siting.region.model import Bools, Floats, Ints

INFINITY = float(highspy.kHighsInf)
_CALLBACKS = (
    cb.HighsCallbackType.kCallbackMipInterrupt,
    cb.HighsCallbackType.kCallbackSimplexInterrupt,
    cb.HighsCallbackType.kCallbackMipImprovingSolution,
    cb.HighsCallbackType.kCallbackMipLogging,
)


@dataclass(frozen=True, eq=False)
class LpResult:
    """A linear program's answer: point (N,) and row multipliers (M,); `status` is optimal, infeasible or stopped."""

    status: str
    point: Floats
    duals: Floats


@dataclass(frozen=True, eq=False)
class MipResult:
    """An integer program's answer; `point` is None where no solution was found.

    `status` is optimal, infeasible, time, nodes or interrupted; `value` and `bound` are those of the
    solver, in the sense of the objective that was given.
    """

    status: str
    point: Floats | None
    value: float | None
    bound: float
    nodes: int


class _Quiet(highspy.Highs):
    """A HiGHS model that prints nothing.

    The library's own constructor turns callbacks on before output can be turned off, and so prints its
    banner on standard output, where our data go; here output goes off first.
    """

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)


class Solver:
    """One HiGHS model with rows that can be added; single thread, fixed seed, silent.

    `maximise` coefficients . x subject to row limits and column bounds. `stop` is polled while HiGHS
    works; `report(value, bound, nodes)` is called with whatever is known.
    """

    def __init__(
        self,
        objective: Floats,
        lower: Floats,
        upper: Floats,
        matrix: sp.csr_array,
        row_lower: Floats,
        row_upper: Floats,
        *,
        maximise: bool = True,
        seed: int = 0,
        stop: Callable[[], bool] | None = None,
        report: Callable[[float | None, float | None, int], None] | None = None,
    ) -> None:
        self._stop, self._report = stop, report
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
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = objective.size, matrix.shape[0]
        lp.sense_ = highspy.ObjSense.kMaximize if maximise else highspy.ObjSense.kMinimize
        lp.col_cost_, lp.col_lower_, lp.col_upper_ = objective, lower, upper
        lp.row_lower_, lp.row_upper_ = row_lower, row_upper
        rows = matrix.tocsr()
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = rows.indptr.astype(np.int32)
        lp.a_matrix_.index_ = rows.indices.astype(np.int32)
        lp.a_matrix_.value_ = rows.data.astype(float)
        self._h.passModel(lp)
        self._columns = objective.size
        self._h.setCallback(self._called, None)
        for kind in _CALLBACKS:
            self._h.startCallback(kind)

    def _called(self, kind: cb.HighsCallbackType, message: str, out: object, back: object, data: object) -> None:
        """Answer HiGHS: pass on what it found, and ask it to stop where the user wants that."""
        del message, data
        improving = kind in _CALLBACKS[2:]
        if improving and self._report is not None:
            value, bound = out.mip_primal_bound, out.mip_dual_bound  # type: ignore[attr-defined]
            self._report(
                float(value) if abs(value) < INFINITY else None,
                float(bound) if abs(bound) < INFINITY else None,
                int(out.mip_node_count),  # type: ignore[attr-defined]
            )
        if not improving and self._stop is not None and self._stop():
            back.user_interrupt = True  # type: ignore[attr-defined]

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

    def change_objective(self, objective: Floats) -> None:
        """Replace the objective's coefficients (N,)."""
        index = np.arange(self._columns, dtype=np.int32)
        self._h.changeColsCost(self._columns, index, objective)

    def fix(self, columns: Ints, values: Floats) -> None:
        """Fix columns at values."""
        self._h.changeColsBounds(columns.size, columns.astype(np.int32), values, values)

    def solve_lp(self, seconds: float | None = None) -> LpResult:
        """Solve the linear program, warm from where the last call ended."""
        self._limit_time(seconds)
        self._h.run()
        solution = self._h.getSolution()
        status = {
            highspy.HighsModelStatus.kOptimal: "optimal",
            highspy.HighsModelStatus.kInfeasible: "infeasible",
        }.get(self._h.getModelStatus(), "stopped")
        return LpResult(status, np.array(solution.col_value, dtype=float), np.array(solution.row_dual, dtype=float))

    def make_integer(self, integer: Bools) -> None:
        """Make columns integer for `solve_mip`."""
        columns = np.flatnonzero(integer).astype(np.int32)
        kinds = np.full(columns.size, highspy.HighsVarType.kInteger)
        if columns.size:
            self._h.changeColsIntegrality(columns.size, columns, kinds)

    def solve_mip(
        self,
        *,
        gap: float,
        seconds: float | None = None,
        nodes: int | None = None,
        start: Floats | None = None,
    ) -> MipResult:
        """Solve the integer program to a relative gap; `start` (N,) is offered as a first solution."""
        self._h.clearSolver()
        self._limit_time(seconds)
        self._h.setOptionValue("mip_rel_gap", float(gap))
        self._h.setOptionValue("mip_max_nodes", 2**31 - 1 if nodes is None else int(nodes))
        if start is not None:
            given = highspy.HighsSolution()
            given.col_value = start
            self._h.setSolution(given)
        self._h.run()
        info, model = self._h.getInfo(), self._h.getModelStatus()
        kinds = highspy.HighsModelStatus
        status = {
            kinds.kOptimal: "optimal",
            kinds.kInfeasible: "infeasible",
            kinds.kTimeLimit: "time",
            kinds.kInterrupt: "interrupted",
            kinds.kSolutionLimit: "nodes",
            kinds.kModelEmpty: "optimal",
        }.get(model, "nodes")
        found = info.primal_solution_status == 2
        point = np.array(self._h.getSolution().col_value, dtype=float) if found else None
        return MipResult(
            status,
            point,
            float(info.objective_function_value) if found else None,
            float(info.mip_dual_bound),
            max(0, int(info.mip_node_count)),
        )

    def _limit_time(self, seconds: float | None) -> None:
        # HiGHS counts its time from the first run of a model on.
        self._h.setOptionValue("time_limit", INFINITY if seconds is None else self._h.getRunTime() + max(0.01, seconds))


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

    def over(self) -> bool:
        """Say whether the time is used up."""
        left = self.left()
        return left is not None and left <= 0.0
