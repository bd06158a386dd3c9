"""Best designs of linear experiments with a proof: which columns to pick where their informations add up.

A face on arrays for the search that plans networks by precision. It knows nothing of regions, years or money.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.linalg import solve_triangular

from siting.arrays import Bools, Floats, read_only
from siting.selection.precise.criteria import LogDeterminant, Variances, Weights
from siting.selection.precise.descent import Outcome, descend
from siting.selection.precise.information import Group, Part
from siting.selection.precise.layouts import completed
from siting.selection.precise.problem import Problem, build_problem
from siting.selection.program import NO_LIMIT, Ended, Limits, Program, Progress, Report, relative_gap

# Sums of a row's whole numbers stay below this, so that doubles hold them exactly.
LARGEST = 2**53
# Nodes are closed a little before the asked gap, so that rounding cannot leave it just missed.
SHARE_OF_GAP = 0.999
NO_WEIGHT = 1e-12


@dataclass(frozen=True, eq=False)
class Shortfall:
    """Sum over targets of weight x max(0, variance / goal^2 - 1), to be made small; 0 where every goal is met.

    `targets` (n, T) or (n,) are functionals of the coefficients, `goals` (T,) or one number the wanted standard
    errors in the targets' units, above 0; `weights` (T,) or one number, 0 or more, without unit.
    """

    targets: npt.ArrayLike
    goals: npt.ArrayLike
    weights: npt.ArrayLike = 1.0


@dataclass(frozen=True, eq=False)
class WeightedVariance:
    """Sum over targets of weight x variance / goal^2, to be made small (c-, A- and L-optimal designs).

    `targets`, `weights` and `goals` as in `Shortfall`. Targets that are the unit vectors, with weights 1,
    give the trace of the covariance (A-optimal).
    """

    targets: npt.ArrayLike
    weights: npt.ArrayLike = 1.0
    goals: npt.ArrayLike = 1.0


@dataclass(frozen=True)
class LogDet:
    """ln det of the information, prior included, to be made large (D-optimal designs)."""


@dataclass(frozen=True, eq=False)
class RowLimits:
    """Conditions lower <= matrix . y <= upper on N picks, each 0 or 1, and on A auxiliary columns after them.

    `matrix` (M, N + A), dense or sparse; `lower`, `upper` (M,), -inf or inf where there is none. The auxiliary
    columns run from `auxiliary_lower` (A,) to `auxiliary_upper` (A,), finite, in whole steps where
    `auxiliary_integer` (A,) says so (default: all of them).
    """

    matrix: npt.ArrayLike | sp.csr_array | sp.csr_matrix
    lower: npt.ArrayLike
    upper: npt.ArrayLike
    auxiliary_lower: npt.ArrayLike = ()
    auxiliary_upper: npt.ArrayLike = ()
    auxiliary_integer: npt.ArrayLike | None = None


@dataclass(frozen=True, eq=False)
class ExactDesign:
    """What a search found: `picked` columns (0 to N - 1, ascending), value, bound, gap and why it ended.

    `auxiliary` (A,) are values of the auxiliary columns that keep the rows. `value`, `bound` and `gap` are None where
    no design keeps the rows or none was found in time. `proved` is True only if gap <= the asked gap. `log`
    holds (seconds, value, bound) as they came, value and bound None before there was one.
    """

    picked: tuple[int, ...]
    auxiliary: Floats
    value: float | None
    bound: float | None
    gap: float | None
    proved: bool
    ended: Ended
    seconds: float
    nodes: int
    log: tuple[tuple[float, float | None, float | None], ...] = field(default=(), repr=False)


def exact_design(
    factors: Sequence[npt.ArrayLike] | Floats,
    prior_precision: npt.ArrayLike,
    criterion: Shortfall | WeightedVariance | LogDet,
    rows: RowLimits,
    *,
    gap: float = 1e-4,
    time_limit: float | None = None,
    start: Sequence[int] | None = None,
    progress: Report | None = None,
    workers: int | None = None,
) -> ExactDesign:
    """Pick columns whose informations add up so that a criterion is best, with a bound on every other choice.

    The information of picks S is prior_precision + sum of J_d over d in S, J_d = F_d' F_d with `factors` F_d
    (r_d, n): N arrays, or one (N, r, n). `prior_precision` (n, n) is positive definite; (n,) is its diagonal.
    Units are the caller's: 1 / unit^2 of the coefficients. `gap` is the asked relative gap, from 0 to below 1:
    |value - bound| / max(|value|, 1 % of the sum of weights); for LogDet of n coefficients
    1 - exp(-(bound - value) / n), the share of efficiency that may be missing. `time_limit` in seconds; a search that
    must stop hands back its best design with its true gap. `start` are picks that keep the rows. `progress` is
    called with every better design or bound. `workers` is the greatest number of processes that a search longer than a
    second works in, None for as many as the machine has cores; the design does not depend on it, unless `time_limit`
    ends the search.

    Real coefficients and limits of rows become whole numbers by a power of two or of ten.

    Raises ValueError for shapes that do not fit, numbers that are not finite, a prior that is not positive
    definite, rows that no such power makes whole below 2^53, and a start that breaks the rows.

    Source of the criteria: Pukelsheim 1993, Optimal Design of Experiments, chapters 6 and 9 (A-, D- and
    c-optimality; efficiency as the n-th root of a ratio of determinants). The prior acts as observations
    made before (ibid., chapter 11, Bayes designs).
    """
    if not 0.0 <= gap < 1.0:
        raise ValueError(f"gap is {gap}; it must be 0 or more and below 1")
    if time_limit is not None and not time_limit >= 0.0:
        raise ValueError(f"time_limit is {time_limit}; it must be 0 s or more, or None")
    began = time.monotonic()
    root = _root(prior_precision)
    n = root.shape[0]
    whitened = [_whitened(root, factor, d) for d, factor in enumerate(factors)]
    program = _program(rows, len(whitened))
    asked: Variances | LogDeterminant
    if isinstance(criterion, LogDet):
        asked, floor, judge = _log_determinant(whitened, n), 1.0, _efficiency(n)
        shift = 2.0 * float(np.log(np.diag(root)).sum())
        turn = -1.0
    else:
        asked, floor = _variances(whitened, root, criterion)
        judge, shift, turn = None, 0.0, 1.0
    problem = build_problem(program, asked)

    def told(state: Progress) -> Progress:
        return replace(state, value=_turned(state.value, turn, shift), bound=_turned(state.bound, turn, shift))

    outcome = descend(
        problem,
        Limits(gap=gap, seconds=time_limit, workers=workers),
        floor=floor,
        gap=judge,
        target=_closing(n, gap) if judge is not None else None,
        progress=None if progress is None else lambda state: progress(told(state)),
        start=None if start is None else _start(problem, start),
    )
    return _design(
        outcome, problem, judge or (lambda v, b: relative_gap(v, b, floor)), gap, told, time.monotonic() - began
    )


def _design(
    outcome: Outcome,
    problem: Problem,
    judge: Callable[[float, float], float],
    gap: float,
    told: Callable[[Progress], Progress],
    seconds: float,
) -> ExactDesign:
    states = [told(state) for state in outcome.log]
    log = tuple((state.seconds, state.value, state.bound) for state in states)
    n = problem.deployments
    if outcome.point is None:
        ended = Ended.INFEASIBLE if outcome.ended is Ended.GAP else outcome.ended
        return ExactDesign((), np.empty(0), None, None, None, False, ended, seconds, outcome.nodes, log)
    last = told(Progress(seconds, outcome.value, outcome.bound, outcome.nodes))
    reached = judge(outcome.value, outcome.bound)
    return ExactDesign(
        tuple(int(d) for d in np.flatnonzero(outcome.point[:n] > 0.5)),
        read_only(outcome.point[n:].copy()),
        last.value,
        last.bound,
        reached,
        bool(reached <= gap),
        outcome.ended,
        seconds,
        outcome.nodes,
        log,
    )


def _turned(value: float | None, turn: float, shift: float) -> float | None:
    return None if value is None else turn * value + shift


def _efficiency(n: int) -> Callable[[float, float], float]:
    """Return the gap of a value and a bound of -ln det over n coefficients."""

    def gap(value: float, bound: float) -> float:
        return -float(np.expm1((bound - value) / n)) if np.isfinite(value) and np.isfinite(bound) else np.inf

    return gap


def _closing(n: int, gap: float) -> Callable[[float], float]:
    """Return from what bound on a node can be closed when the best -ln det so far is known."""
    step = n * float(np.log1p(-SHARE_OF_GAP * gap))
    return lambda value: value + step


def _root(prior_precision: npt.ArrayLike) -> Floats:
    """Return the Cholesky factor (n, n) of the prior precision."""
    prior = np.asarray(prior_precision, dtype=float)
    if prior.ndim == 1:
        prior = np.diag(prior)
    if prior.ndim != 2 or prior.shape[0] != prior.shape[1] or prior.shape[0] == 0:
        raise ValueError(f"prior_precision has shape {prior.shape}; it must be (n, n), or (n,) for a diagonal")
    if not np.all(np.isfinite(prior)) or not np.allclose(prior, prior.T, rtol=1e-9, atol=0.0):
        raise ValueError("prior_precision must be symmetric, of finite numbers")
    try:
        return np.asarray(np.linalg.cholesky(prior))
    except np.linalg.LinAlgError:
        raise ValueError("prior_precision must be positive definite; give every coefficient some precision") from None


def _whitened(root: Floats, factor: npt.ArrayLike, d: int) -> Floats:
    """Return a factor (r, k) in coordinates in which the prior precision is the identity."""
    array = np.atleast_2d(np.asarray(factor, dtype=float))
    if array.ndim != 2 or array.shape[1] != root.shape[0]:
        raise ValueError(f"factor {d} has shape {array.shape}; it must be (r, {root.shape[0]})")
    if not np.all(np.isfinite(array)):
        raise ValueError(f"factor {d} holds a number that is not finite")
    return np.asarray(solve_triangular(root, array.T, lower=True).T)


def _seen(whitened: list[Floats], targets: Floats) -> tuple[list[Floats], Floats]:
    """Return factors (r, j) and targets (j, T) in the j directions that any of them sees, if those are fewer than n.

    In all others the information stays that of the prior, the identity, whatever is picked.
    """
    every = np.concatenate([*whitened, targets.T])
    if every.shape[0] == 0 or every.shape[0] >= every.shape[1]:
        return whitened, targets
    basis = np.linalg.qr(every.T)[0]
    return [factor @ basis for factor in whitened], basis.T @ targets


def _log_determinant(whitened: list[Floats], n: int) -> LogDeterminant:
    whitened, _ = _seen(whitened, np.zeros((n, 0)))
    n = whitened[0].shape[1] if whitened else n
    rank = max((factor.shape[0] for factor in whitened), default=0)
    common = np.zeros((len(whitened), rank, n))
    for d, factor in enumerate(whitened):
        common[d, : factor.shape[0]] = factor
    return LogDeterminant(common, Weights(np.ones(1), np.full(1, -np.inf)))


def _variances(
    whitened: list[Floats], root: Floats, criterion: Shortfall | WeightedVariance
) -> tuple[Variances, float]:
    """Return the criterion in whitened coordinates and the size below which its gap is not relative."""
    targets = np.asarray(criterion.targets, dtype=float)
    targets = targets[:, None] if targets.ndim == 1 else targets
    n, count = root.shape[0], targets.shape[-1]
    if targets.shape != (n, count):
        raise ValueError(f"targets have shape {targets.shape}; they must be ({n}, T) or ({n},)")
    goals = _one_each(criterion.goals, count, "goals")
    weights = _one_each(criterion.weights, count, "weights")
    if not np.all(np.isfinite(targets)) or not np.all(goals > 0.0) or not np.all(weights >= 0.0):
        raise ValueError("targets must be finite, goals above 0 and weights 0 or more")
    gamma = goals**2 if isinstance(criterion, Shortfall) else np.full(count, -np.inf)
    whitened, known = _seen(whitened, solve_triangular(root, targets, lower=True))
    groups = []
    for rank in sorted({factor.shape[0] for factor in whitened}):
        columns = [d for d, factor in enumerate(whitened) if factor.shape[0] == rank]
        common = np.stack([whitened[d] for d in columns])
        groups.append(Group(np.array(columns, dtype=np.int64), common, np.zeros((len(columns), rank, 0))))
    block = np.full(len(whitened), -1, dtype=np.int64)
    part = Part(tuple(groups), block, known, 0)
    floor = max(0.01 * float(weights.sum()), NO_WEIGHT)
    return Variances((part,), Weights(weights / goals**2, gamma)), floor


def _one_each(numbers: npt.ArrayLike, count: int, name: str) -> Floats:
    array = np.asarray(numbers, dtype=float)
    if array.shape not in ((), (count,)) or not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be one finite number, or one for each of the {count} targets")
    return np.array(np.broadcast_to(array, (count,)))


def _start(problem: Problem, start: Sequence[int]) -> Floats:
    picked = np.unique(np.asarray(start, dtype=np.int64))
    if np.any((picked < 0) | (picked >= problem.deployments)):
        raise ValueError(f"start must hold columns from 0 to {problem.deployments - 1}")
    point = completed(problem, picked)
    if point is None:
        raise ValueError("start breaks the rows; give picks that keep them, or none")
    return point


def _program(rows: RowLimits, count: int) -> Program:
    """Return rows over `count` picks and their auxiliary columns in whole numbers."""
    given = rows.matrix if sp.issparse(rows.matrix) else np.asarray(rows.matrix, dtype=float)
    matrix = sp.csr_array(given, copy=True)
    matrix.sum_duplicates()
    matrix.eliminate_zeros()
    low, high = (np.asarray(bounds, dtype=float).reshape(-1) for bounds in (rows.auxiliary_lower, rows.auxiliary_upper))
    integer = np.ones(low.size, dtype=bool)
    if rows.auxiliary_integer is not None:
        integer = np.asarray(rows.auxiliary_integer, dtype=bool)
    lower, upper = np.asarray(rows.lower, dtype=float), np.asarray(rows.upper, dtype=float)
    m, width = matrix.shape[0], count + low.size
    if high.shape != low.shape or integer.shape != low.shape or not np.all(np.isfinite(np.r_[low, high])):
        raise ValueError("auxiliary columns need a finite lower and upper bound each")
    if np.any(low > high):
        raise ValueError("the lower bound of an auxiliary column is above its upper one")
    if matrix.shape[1] != width or lower.shape != (m,) or upper.shape != (m,):
        raise ValueError(
            f"rows have shape {matrix.shape} with {lower.size} lower and {upper.size} upper limits; there must be "
            f"{width} columns ({count} picks, {low.size} auxiliary) and a lower and upper limit for each row"
        )
    if np.isnan(lower).any() or np.isnan(upper).any() or not np.all(np.isfinite(matrix.data)):
        raise ValueError("coefficients of rows must be finite and their limits numbers")
    low, high = np.where(integer, np.ceil(low), low), np.where(integer, np.floor(high), high)
    largest = np.concatenate([np.ones(count), np.maximum(np.abs(low), np.abs(high))])
    data = np.zeros(matrix.nnz, dtype=np.int64)
    whole_lower, whole_upper = np.full(m, -NO_LIMIT), np.full(m, NO_LIMIT)
    for row in range(m):
        span = slice(int(matrix.indptr[row]), int(matrix.indptr[row + 1]))
        limits = [x for x in (lower[row], upper[row]) if np.isfinite(x)]
        reach = float(np.abs(matrix.data[span]) @ largest[matrix.indices[span]])
        whole = _whole([*matrix.data[span].tolist(), *limits], max([reach, *np.abs(limits)]))
        if whole is None:
            raise ValueError(
                f"row {row}: no power of two or of ten makes its numbers whole below 2^53; round them to fewer digits"
            )
        size = span.stop - span.start
        data[span] = whole[:size]
        rest = iter(whole[size:])
        if np.isfinite(lower[row]):
            whole_lower[row] = next(rest)
        if np.isfinite(upper[row]):
            whole_upper[row] = next(rest)
        if lower[row] == np.inf or upper[row] == -np.inf:
            raise ValueError(f"row {row}: nothing keeps a lower limit of inf or an upper one of -inf")
    names = tuple(f"{kind} {k}" for kind, size in (("pick", count), ("auxiliary", low.size)) for k in range(size))
    return Program(
        names=names,
        deployments=count,
        lower=np.concatenate([np.zeros(count), low]),
        upper=np.concatenate([np.ones(count), high]),
        integer=_joined(np.ones(count, dtype=bool), integer),
        cost=np.zeros(width, dtype=np.int64),
        preference=np.zeros(width, dtype=np.int64),
        matrix=sp.csr_array((data, matrix.indices.astype(np.int64), matrix.indptr.astype(np.int64)), shape=(m, width)),
        row_lower=whole_lower,
        row_upper=whole_upper,
        row_rule=tuple(f"row {row}" for row in range(m)),
        exclusions=(),
        columns_of={},
    )


def _joined(first: Bools, second: Bools) -> Bools:
    return np.concatenate([first, second])


def _whole(numbers: list[float], reach: float) -> list[int] | None:
    """Return numbers times the least power of two, or of ten, that makes all whole; None if a sum could pass 2^53."""
    binary = [Fraction(x) for x in numbers]
    two = max((x.denominator for x in binary), default=1)
    if two * Fraction(reach) < LARGEST:
        return [int(x * two) for x in binary]
    # A decimal stands for itself, not for the double nearest to it.
    decimal = [Fraction(repr(float(x))) for x in numbers]
    ten = 1
    while any((x * ten).denominator != 1 for x in decimal):
        ten *= 10
        if ten * Fraction(reach) >= LARGEST:
            return None
    return [int(x * ten) for x in decimal]
