"""The meeting point of rules, objectives and solvers: an integer program, what is asked of it, and the answer."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Protocol

import numpy as np
import scipy.sparse as sp

from siting.arrays import Bools, Floats, Ints, read_only

# A row without a lower or upper limit holds this number in its place; no sum of cents comes near it.
NO_LIMIT = 2**62


@dataclass(frozen=True, eq=False)
class Exclusions:
    """Pairs of places that may not both be used, too many to write down: rows that are made on demand.

    `columns` (k,) are program columns, `node` (k,) the place that each belongs to; `near(nodes)`
    returns for every given place the sorted places that clash with it (itself not among them). A set
    of places that clash with each other gives the row "sum of their columns at most 1".
    """

    rule: str
    columns: Ints
    node: Ints
    near: Callable[[Ints], Sequence[Ints]]


@dataclass(frozen=True, eq=False)
class Program:
    """An integer program: one binary column per deployment, then named auxiliary columns.

    `names` (N,) of the columns, the first `deployments` of them binary deployments; `lower`, `upper`
    (N,) finite bounds; `integer` (N,); `cost` (N,) in hundredths of the currency (what a unit of the
    column costs in all); `preference` (N,) decides among auxiliary values of equal cost, smaller sums
    win. `matrix` (M, N) CSR of whole numbers (cents, days, counts, thousandths) with limits
    `row_lower`, `row_upper` (M,), `NO_LIMIT` where there is none; `row_rule` (M,) names the rule as
    the user wrote it, empty for rows that only define a column. `exclusions` are rows made on demand.
    `defaults` names by deployment the auxiliary columns that go to 1 with it where nothing better is
    known; quick choices of layouts look at them, bounds never do.
    """

    names: tuple[str, ...]
    deployments: int
    lower: Floats
    upper: Floats
    integer: Bools
    cost: Ints
    preference: Ints
    matrix: sp.csr_array
    row_lower: Ints
    row_upper: Ints
    row_rule: tuple[str, ...]
    exclusions: tuple[Exclusions, ...]
    columns_of: Mapping[str, Ints]
    defaults: Mapping[int, Ints] = field(default_factory=dict)

    @property
    def rules(self) -> tuple[str, ...]:
        """Names of the rules in the order in which they were added."""
        named = [rule for rule in self.row_rule if rule] + [e.rule for e in self.exclusions]
        return tuple(dict.fromkeys(named))

    @property
    def prices(self) -> Ints:
        """Cost (deployments,) of each deployment with the columns that go to 1 with it by default."""
        price = self.cost[: self.deployments].copy()
        for column, more in self.defaults.items():
            price[column] += self.cost[more].sum()
        return price

    def with_row(self, columns: Ints, coefficients: Ints, *, lower: int = -NO_LIMIT, upper: int = NO_LIMIT) -> Program:
        """Return the program with one more row, lower <= whole coefficients x columns <= upper; it is no rule."""
        row = sp.csr_array(
            (coefficients.astype(np.int64), (np.zeros(columns.size, dtype=np.int64), columns)),
            shape=(1, len(self.names)),
        )
        return replace(
            self,
            matrix=sp.csr_array(sp.vstack([self.matrix, row]).astype(np.int64)),
            row_lower=np.append(self.row_lower, lower),
            row_upper=np.append(self.row_upper, upper),
            row_rule=(*self.row_rule, ""),
        )

    def with_cost(self, most: int) -> Program:
        """Return the program with one more row: the cost of all columns at most a sum in hundredths."""
        used = np.flatnonzero(self.cost)
        return self.with_row(used, self.cost[used], upper=most)

    def without(self, rules: Iterable[str]) -> Program:
        """Return the program without the rows of some rules."""
        dropped = set(rules)
        keep = np.array([rule not in dropped for rule in self.row_rule], dtype=bool)
        return Program(
            self.names,
            self.deployments,
            self.lower,
            self.upper,
            self.integer,
            self.cost,
            self.preference,
            self.matrix[np.flatnonzero(keep)],
            self.row_lower[keep],
            self.row_upper[keep],
            tuple(rule for rule in self.row_rule if rule not in dropped),
            tuple(e for e in self.exclusions if e.rule not in dropped),
            self.columns_of,
            self.defaults,
        )

    def restricted(self, columns: Ints, deployments: int) -> Program:
        """Return the program of some columns, `deployments` of them first; those left out are 0 for good."""
        place = np.full(len(self.names), -1)
        place[columns] = np.arange(columns.size)

        def near(exclusion: Exclusions) -> Exclusions:
            inside = place[exclusion.columns] >= 0
            return Exclusions(exclusion.rule, place[exclusion.columns[inside]], exclusion.node[inside], exclusion.near)

        return Program(
            tuple(self.names[int(c)] for c in columns),
            deployments,
            self.lower[columns],
            self.upper[columns],
            self.integer[columns],
            self.cost[columns],
            self.preference[columns],
            sp.csr_array(self.matrix[:, columns]),
            self.row_lower,
            self.row_upper,
            self.row_rule,
            tuple(near(e) for e in self.exclusions),
            {},
            {int(place[k]): place[more[place[more] >= 0]] for k, more in self.defaults.items() if place[k] >= 0},
        )

    def broken(self, values: Floats, tolerance: float = 1e-6) -> tuple[str, ...]:
        """Return the rules (or column definitions) that column values break; exact on whole columns.

        Rows in which only integer columns stand are summed in whole numbers; a row with a continuous
        column is allowed `tolerance`, relative to its largest term.
        """
        whole = np.rint(values).astype(np.int64)
        real = ~self.integer
        exact = np.where(self.integer, whole, 0)
        sums = self.matrix @ exact
        rest = self.matrix @ np.where(real, values, 0.0) if real.any() else np.zeros(sums.shape)
        scale = np.maximum(1.0, abs(self.matrix) @ np.abs(values)) if real.any() else np.ones(sums.shape)
        slack = np.where(rest != 0.0, tolerance * scale, 0.0)
        low = (self.row_lower != -NO_LIMIT) & (sums + rest < self.row_lower - slack)
        high = (self.row_upper != NO_LIMIT) & (sums + rest > self.row_upper + slack)
        found = [self.row_rule[m] or "definition of a column" for m in np.flatnonzero(low | high)]
        found += [e.rule for e in self.exclusions if clashes(e, whole)]
        return tuple(dict.fromkeys(found))


def summed(positions: Ints, amounts: Ints) -> tuple[Ints, Ints]:
    """Return positions, each once and ascending, with the sums of their amounts; sums of 0 are left out."""
    every, place = np.unique(positions, return_inverse=True)
    total = np.zeros(every.size, dtype=np.int64)
    np.add.at(total, place, amounts)
    return every[total != 0], total[total != 0]


def clashes(exclusion: Exclusions, whole: Ints) -> list[tuple[int, int]]:
    """Return the pairs of columns in use (whole values above 0) that may not both be used."""
    used = np.flatnonzero(whole[exclusion.columns] > 0)
    nodes = exclusion.node[used]
    columns = exclusion.columns[used]
    distinct, first = np.unique(nodes, return_index=True)
    pairs = [
        (int(columns[first[np.searchsorted(distinct, node)]]), int(columns[k]))
        for k, node in enumerate(nodes)
        if first[np.searchsorted(distinct, node)] != k
    ]
    for here, others in zip(distinct, exclusion.near(distinct), strict=True):
        for other in np.intersect1d(distinct, others):
            if other > here:
                a, b = first[np.searchsorted(distinct, here)], first[np.searchsorted(distinct, other)]
                pairs.append((int(columns[a]), int(columns[b])))
    return pairs


class ProgramBuilder:
    """Collects columns and rows; rule kinds and objectives write into it, `build` freezes it."""

    def __init__(self, names: Sequence[str], cost: Ints) -> None:
        n = len(names)
        self.deployments = n
        self._names = list(names)
        self._lower, self._upper = [0.0] * n, [1.0] * n
        self._integer = [True] * n
        self._cost, self._preference = [int(c) for c in cost], [0] * n
        self._columns: list[Ints] = []
        self._coefficients: list[Ints] = []
        self._row_lower: list[int] = []
        self._row_upper: list[int] = []
        self._row_rule: list[str] = []
        self._exclusions: list[Exclusions] = []
        self._named: dict[str, list[int]] = {}
        self._defaults: dict[int, list[int]] = {}

    def add_column(
        self,
        name: str,
        *,
        lower: float = 0.0,
        upper: float = 1.0,
        integer: bool = True,
        cost: int = 0,
        preference: int = 0,
        family: str = "",
    ) -> int:
        """Add an auxiliary column with finite bounds and return its position.

        `family` lets others find it again in `Program.columns_of`.
        """
        if not (np.isfinite(lower) and np.isfinite(upper) and lower <= upper):
            raise ValueError(f"column {name}: bounds must be finite and in order")
        self._names.append(name)
        self._lower.append(lower)
        self._upper.append(upper)
        self._integer.append(integer)
        self._cost.append(cost)
        self._preference.append(preference)
        if family:
            self._named.setdefault(family, []).append(len(self._names) - 1)
        return len(self._names) - 1

    def add_row(
        self,
        rule: str,
        columns: Iterable[int] | Ints,
        coefficients: Iterable[int] | Ints,
        *,
        lower: int | None = None,
        upper: int | None = None,
    ) -> None:
        """Add lower <= sum of whole coefficients x columns <= upper for a rule."""
        cols = np.asarray(list(columns) if not isinstance(columns, np.ndarray) else columns, dtype=np.int64)
        coefs = np.asarray(
            list(coefficients) if not isinstance(coefficients, np.ndarray) else coefficients, dtype=np.int64
        )
        if cols.shape != coefs.shape:
            raise ValueError(f"rule {rule}: {cols.size} columns but {coefs.size} coefficients")
        if np.unique(cols).size != cols.size:
            raise ValueError(f"rule {rule}: a column stands twice in one row")
        self._columns.append(cols)
        self._coefficients.append(coefs)
        self._row_lower.append(-NO_LIMIT if lower is None else int(lower))
        self._row_upper.append(NO_LIMIT if upper is None else int(upper))
        self._row_rule.append(rule)

    def add_exclusions(self, exclusion: Exclusions) -> None:
        """Add rows that are made on demand."""
        self._exclusions.append(exclusion)

    def add_default(self, deployment: int, columns: Iterable[int]) -> None:
        """Name auxiliary columns that go to 1 with a deployment where nothing better is known."""
        self._defaults.setdefault(deployment, []).extend(columns)

    @property
    def width(self) -> int:
        """Number of columns so far."""
        return len(self._names)

    def family(self, name: str) -> list[int]:
        """Return the columns that were added under a family name so far."""
        return list(self._named.get(name, []))

    def build(self) -> Program:
        """Return the frozen program."""
        sizes = [c.size for c in self._columns]
        pointers = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
        index = np.concatenate(self._columns) if sizes else np.empty(0, dtype=np.int64)
        data = np.concatenate(self._coefficients) if sizes else np.empty(0, dtype=np.int64)
        matrix = sp.csr_array((data, index, pointers), shape=(len(sizes), len(self._names)), dtype=np.int64)
        matrix.sort_indices()
        return Program(
            names=tuple(self._names),
            deployments=self.deployments,
            lower=read_only(np.array(self._lower, dtype=float)),
            upper=read_only(np.array(self._upper, dtype=float)),
            integer=read_only(np.array(self._integer, dtype=bool)),
            cost=read_only(np.array(self._cost, dtype=np.int64)),
            preference=read_only(np.array(self._preference, dtype=np.int64)),
            matrix=matrix,
            row_lower=read_only(np.array(self._row_lower, dtype=np.int64)),
            row_upper=read_only(np.array(self._row_upper, dtype=np.int64)),
            row_rule=tuple(self._row_rule),
            exclusions=tuple(self._exclusions),
            columns_of={name: np.array(columns, dtype=np.int64) for name, columns in self._named.items()},
            defaults={k: np.array(columns, dtype=np.int64) for k, columns in self._defaults.items()},
        )


class Objective(Protocol):
    """What is to be made small: value and a subgradient at any point y (N,) between the bounds.

    A linear objective is a `LinearObjective`; a convex one only has these two.
    """

    @property
    def name(self) -> str:
        """What is made best, in a word."""

    def value(self, y: Floats) -> float:
        """Return the value at y."""

    def subgradient(self, y: Floats) -> Floats:
        """Return a subgradient (N,) at y."""


@dataclass(frozen=True, eq=False)
class LinearObjective:
    """constant + coefficients (N,) . y, to be made large (`maximise`) or small.

    `floor` is the size below which the gap is no longer taken relative to the value.
    """

    name: str
    coefficients: Floats
    maximise: bool = True
    constant: float = 0.0
    floor: float = 1.0

    def value(self, y: Floats) -> float:
        """Return the value at y."""
        return self.constant + float(self.coefficients @ y)

    def subgradient(self, y: Floats) -> Floats:
        """Return the coefficients, whatever y."""
        del y
        return self.coefficients


class Ended(StrEnum):
    """Why a search ended."""

    GAP = "reached the asked gap"
    TIME = "time limit"
    MEMORY = "memory limit"
    NODES = "node limit"
    INTERRUPTED = "interrupted"
    INFEASIBLE = "no layout satisfies the rules"


@dataclass(frozen=True)
class Limits:
    """When a search may end: relative gap, seconds, nodes, or `stop()` returning True; and its seed.

    `memory_mb` is the resident memory of the process, in megabytes, past which it ends; a search then stays in one
    process. `workers` is the greatest number of processes that bound nodes of a search by precision, None for as many
    as the machine has cores; what is found does not depend on it, unless a limit of time ends the search.
    """

    gap: float = 1e-3
    seconds: float | None = None
    nodes: int | None = None
    seed: int = 0
    stop: Callable[[], bool] | None = None
    memory_mb: float | None = None
    workers: int | None = None

    def __post_init__(self) -> None:
        if not self.gap >= 0.0:
            raise ValueError("gap must be 0 or more")
        if self.workers is not None and self.workers < 1:
            raise ValueError("workers must be 1 or more, or None for as many as the machine has cores")
        if self.memory_mb is not None and not self.memory_mb > 0.0:
            raise ValueError("memory_mb must be above 0 megabytes, or None for no limit")


@dataclass(frozen=True)
class Progress:
    """What a search reports while it runs; `value` is None before a first layout is found.

    `gap` is that of the objective, None where the search gives none; `stage` names a stage of a search in stages.
    """

    seconds: float
    value: float | None
    bound: float | None
    nodes: int
    gap: float | None = None
    stage: str = ""


Report = Callable[[Progress], None]


@dataclass(frozen=True)
class Stage:
    """One stage of a search: its own value, bound, gap and proof."""

    name: str
    value: float
    bound: float
    gap: float
    proved: bool


@dataclass(frozen=True, eq=False)
class Selection:
    """The answer: picked deployments (positions, ascending) with value, bound and why the search ended.

    `values` (N,) are the columns' values, None where no layout was found; `value` and `gap` are None
    then, too. `proved` is True only if gap <= the asked gap. `ties` says in words whether equal optima
    were examined. `clash` names an irreducible set of rules that no layout satisfies.
    """

    picked: tuple[int, ...]
    values: Floats | None
    value: float | None
    bound: float | None
    gap: float | None
    asked_gap: float
    proved: bool
    ended: Ended
    nodes: int
    seconds: float
    ties: str
    stages: tuple[Stage, ...] = ()
    clash: tuple[str, ...] = ()
    log: tuple[Progress, ...] = field(default=(), repr=False)


def relative_gap(value: float, bound: float, floor: float) -> float:
    """Return |value - bound| / max(|value|, floor), 0 if equal."""
    return 0.0 if value == bound else abs(value - bound) / max(abs(value), floor, 1e-300)
