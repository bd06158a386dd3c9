"""A quick first layout, so that a search that must stop early has something to hand back."""

from __future__ import annotations

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.program import NO_LIMIT, Program, summed


def first_layout(program: Program, gain: Floats) -> Floats:
    """Return a point (N,) that greedy choice reaches: no bound goes with it, and it may break rules.

    Deployments that a lower limit still asks for come first, then those of greatest gain per money, as
    long as no upper limit and no clash forbids them. Auxiliary columns that are a deployment's default go
    with it, others stay at their lower bounds, so rules that need them may not hold.
    """
    picker = _Picker(program)
    d = program.deployments
    worth = gain[:d] / np.maximum(program.prices, 1)
    order = np.lexsort((np.arange(d), -worth))
    rank = np.empty(d, dtype=np.int64)
    rank[order] = np.arange(d)
    rows = program.matrix
    for m in np.flatnonzero((program.row_lower != -NO_LIMIT) & (program.row_lower > 0)):
        columns = rows.indices[rows.indptr[m] : rows.indptr[m + 1]]
        amounts = rows.data[rows.indptr[m] : rows.indptr[m + 1]]
        helpful = columns[(columns < d) & (amounts > 0)]
        for column in helpful[np.argsort(rank[helpful], kind="stable")]:
            if picker.activity[m] >= program.row_lower[m]:
                break
            picker.add(int(column))
    for column in order:
        if gain[column] > 0.0:
            picker.add(int(column))
    return picker.point


class _Picker:
    """Adds deployments one by one while no upper limit is passed and nothing clashes."""

    def __init__(self, program: Program) -> None:
        self._columns = program.matrix.tocsc()
        self._upper = program.row_upper
        self._program = program
        self.point = program.lower.copy()
        self.activity: Ints = np.asarray(program.matrix @ np.rint(self.point).astype(np.int64), dtype=np.int64)
        self._node = [dict(zip(e.columns.tolist(), e.node.tolist(), strict=True)) for e in program.exclusions]
        self._shut: list[Bools] = [np.zeros(1 + int(e.node.max(initial=0)), dtype=bool) for e in program.exclusions]

    def _entries(self, column: int) -> tuple[Ints, Ints]:
        begin, end = self._columns.indptr[column : column + 2]
        rows, amounts = self._columns.indices[begin:end], self._columns.data[begin:end]
        return np.asarray(rows, dtype=np.int64), np.asarray(amounts, dtype=np.int64)

    def add(self, column: int) -> bool:
        """Add a deployment if it fits; say whether it did."""
        if self.point[column] > 0.5:
            return False
        rows, amounts = self._entries(column)
        more = self._program.defaults.get(column)
        with_it = np.empty(0, dtype=np.int64) if more is None else more[self.point[more] < 0.5]
        if with_it.size:
            parts = [(rows, amounts), *(self._entries(int(one)) for one in with_it)]
            rows, amounts = summed(np.concatenate([r for r, _ in parts]), np.concatenate([a for _, a in parts]))
        after = self.activity[rows] + amounts
        # Only rows that the column makes worse may forbid it.
        if np.any((amounts > 0) & (self._upper[rows] != NO_LIMIT) & (after > self._upper[rows])):
            return False
        nodes = [node.get(column) for node in self._node]
        if any(n is not None and shut[n] for n, shut in zip(nodes, self._shut, strict=True)):
            return False
        self.point[column] = 1.0
        self.point[with_it] = 1.0
        self.activity[rows] = after
        for n, shut, exclusion in zip(nodes, self._shut, self._program.exclusions, strict=True):
            if n is not None:
                near = exclusion.near(np.array([n], dtype=np.int64))[0]
                shut[near[near < shut.size]] = True
                shut[n] = True
        return True
