"""Layouts that are better by one to three changes at once, guessed from what each change does by itself.

Where money is short, a better layout often needs a change that costs more and another that pays for it: one site opens
sooner and another later, or an analyzer moves from one to the other. Swaps one by one do not get there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.layouts import LocalSearch, least_gain

# Combinations that are worked out, the best guesses first, and how many are looked at at one time.
TRIED, CHUNK = 50, 200
# A combination that breaks a row by this share of its limit is worth e times less, as other ways of supply may mend
# that; by more than so many times as much it is not tried.
NEARLY, MOST = 0.005, 4.0
# Changes within sites of which three are combined: those after which the layout is best.
AMONG = 150


@dataclass(frozen=True, eq=False)
class Moves:
    """Changes (m,) of a layout: who leaves and who comes, -1 for nobody, and what moves by each alone.

    `values` (m, T) are those of the targets, `costs` (m,) linear costs, `loads` (m, rows) what rows carry.
    """

    out: Ints
    add: Ints
    values: Floats
    costs: Floats
    loads: Floats


def moves_of(search: LocalSearch, picked: Bools, held: Bools) -> Moves:
    """Return what each swap, loss and addition does to a layout by itself, whether it keeps the rows or not."""
    cost, load = search.cost_of(picked), search.load(picked)
    changes = search.changes(picked)
    others = np.flatnonzero(~picked)
    found: list[tuple[Ints, Ints, Floats, Floats, Floats]] = []
    for leaves in (-1, *np.flatnonzero(picked & ~held).tolist()):
        without = picked.copy()
        if leaves >= 0:
            without[leaves] = False
        alone, both = changes(leaves)
        less, saved = search.load(without) - load, search.cost_of(without) - cost
        if leaves >= 0:
            found.append((np.array([leaves]), np.array([-1]), alone[None], np.array([saved]), less[None]))
        costs, loads = search.cost_with(without, others) - cost, less + search.more(without)[:, others].T
        found.append((np.full(others.size, leaves), others, both[others], costs, loads))
    return Moves(*(np.concatenate(part) for part in zip(*found, strict=True)))


class Exchange:
    """Several changes at once of one layout `picked` (pool,) over the pool of a local search.

    `held` (pool,) deployments stay, `place` (pool,) numbers sites.
    """

    def __init__(self, search: LocalSearch, picked: Bools, held: Bools, place: Ints) -> None:
        self._search, self._picked, self._place = search, picked, place
        self._now = search.merit_of(picked)
        self._base, _ = search.values(picked)
        self._cost, self._load = search.cost_of(picked), search.load(picked)
        self._moves = moves_of(search, picked, held)

    def better(self, count: int, allowed: Callable[[Bools], Bools]) -> list[Bools]:
        """Return layouts (pool,) that are better by `count` changes at once, one to three, the best guesses first.

        A change is a swap, a loss or an addition; one of two changes, and each of three, stays within a site. What they
        do together is guessed from what each does alone; that a layout is better has been worked out. It may break rows
        by little. `allowed` says which of some layouts (m, pool) are worth it.
        """
        search, now = self._search, self._now
        out: list[Bools] = []
        tried = 0
        which = self._promising(count)
        for begin in range(0, which.shape[0], CHUNK):
            trials = _changed(self._moves, self._picked, which[begin : begin + CHUNK])
            for trial in trials[allowed(trials)]:
                if search.merit_of(trial) < now - least_gain(now):
                    out.append(trial)
                tried += 1
                if tried == TRIED:
                    return out
        return out

    def _promising(self, count: int) -> Ints:
        """Return combinations (m, count) that make the layout better and nearly keep its rows by guess, the best first.

        What a combination gains counts the less the more it breaks a row.
        """
        search, moves = self._search, self._moves
        room, scale = search.room - self._load, 1.0 / np.maximum(np.abs(search.room), 1e-12)

        def merit(values: Floats, costs: Floats) -> Floats:
            return search.merit(self._base + values, self._cost + costs)

        worths, found = [np.empty(0)], [np.empty((0, count), dtype=np.int64)]
        for which in _combinations(moves, self._place, count, merit(moves.values, moves.costs)):
            guess = merit(np.add.reduce([moves.values[change] for change in which.T]), moves.costs[which].sum(axis=1))
            better = np.flatnonzero(guess < self._now)
            better = better[_apart(moves.out[which[better]]) & _apart(moves.add[which[better]])]
            over = np.add.reduce([moves.loads[change] for change in which[better].T]) - room
            broken = (over * scale).max(axis=1, initial=0.0)
            nearly = broken <= MOST * NEARLY
            better = better[nearly]
            worths.append((self._now - guess[better]) * np.exp(-broken[nearly] / NEARLY))
            found.append(which[better])
        every = np.concatenate(found)
        return every[np.lexsort((*every.T[::-1], -np.concatenate(worths)))]


def _combinations(moves: Moves, place: Ints, count: int, alone: Floats) -> Iterator[Ints]:
    """Yield numbers (m, count) of changes that are to be combined; `alone` (m,) ranks changes."""
    every = np.arange(moves.out.size)
    if count == 1:
        yield every[:, None]
        return
    within = np.flatnonzero((moves.out >= 0) & ((moves.add < 0) | (place[moves.out] == place[moves.add])))
    if count == 2:
        for one in within.tolist():
            yield np.column_stack([np.full(every.size, one), every])
        return
    within = np.sort(within[np.argsort(alone[within], kind="stable")[:AMONG]])
    for turn, one in enumerate(within.tolist()):
        rest = within[turn + 1 :]
        first, second = np.triu_indices(rest.size, 1)
        yield np.column_stack([np.full(first.size, one), rest[first], rest[second]])


def _apart(who: Ints) -> Bools:
    """Say which rows (m, count) name nobody twice; -1 is nobody."""
    out = np.ones(who.shape[0], dtype=bool)
    for a in range(who.shape[1]):
        for b in range(a):
            out &= (who[:, a] != who[:, b]) | (who[:, a] < 0)
    return out


def _changed(moves: Moves, picked: Bools, which: Ints) -> Bools:
    """Return the layouts (m, pool) after combinations (m, count) of changes."""
    trials = np.tile(np.append(picked, False), (which.shape[0], 1))
    row = np.arange(which.shape[0])
    for change in which.T:
        trials[row, moves.out[change]] = False
        trials[row, moves.add[change]] = True
    # The last place stands for nobody.
    return trials[:, :-1]
