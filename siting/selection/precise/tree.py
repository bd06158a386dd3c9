"""Best-first branch and bound over the relaxations of a convex criterion, with bounds that need no trust.

Every node is bounded by multipliers of its relaxation (see `interior.bound`); columns whose reduced cost lifts
that bound above the best layout are fixed. What is needed to check the proof without searching again is
kept node by node.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Floats, Ints
from siting.processes import cores
from siting.selection.precise.bounding import Answer, Bounding, Open, Place, Question, Start
from siting.selection.precise.crew import Asked, Crew
from siting.selection.precise.criteria import Criterion
from siting.selection.precise.ledger import Ledger
from siting.selection.precise.nodes import Node, Point
from siting.selection.precise.problem import Problem
from siting.selection.precise.seek import Seeker
from siting.selection.program import Ended

# Nodes that are under way at one time.
AHEAD = 8
# Whole layouts are looked for at the first nodes and then now and then.
EARLY, EVERY = 12, 4
# While the gap is as large as this, layouts are looked for farther away, too: after so many nodes, and so many times
# as many if nothing was found.
FAR_GAP, FAR_EVERY, FAR_SLOWER = 0.05, 20, 2


@dataclass(frozen=True, eq=False)
class Found:
    """The tree of a search and why it ended, None after the root alone; `root` is what is left open after it."""

    ended: Ended | None
    nodes: tuple[Node, ...]
    root: tuple[Floats, Floats, Floats] | None


class Search:
    """One search for the least value of a problem; `groups` and `finer` are as in `Bounding`, `lift` as in `Seeker`."""

    def __init__(
        self,
        problem: Problem,
        ledger: Ledger,
        lift: Callable[[Floats], tuple[Floats, float] | None],
        groups: list[list[Ints]] | None = None,
        finer: Criterion | None = None,
    ) -> None:
        self._bounding = Bounding(problem, groups, finer)
        self._relaxing = self._bounding.relaxing
        # Rows of cliques found so far, in the order of their numbers in points.
        self.cliques: list[Ints] = []
        self.seeker = Seeker(self._relaxing, ledger, lift, self.cliques)
        self._problem, self._ledger = problem, ledger
        self._open_ways = self._relaxing.choices.open
        self._far_step = self._far_at = FAR_EVERY
        self._nodes: list[Node] = []
        self._root: tuple[Floats, Floats, Floats] | None = None

    def run(self, *, only_root: bool = False) -> Found:
        """Search within the limits and return what was found; `only_root` ends after the first node."""
        problem = self._problem
        bounds = problem.propagated(problem.lower, problem.upper)
        root = Node(0, -1, None, -np.inf)
        self._nodes.append(root)
        if bounds is None:
            root.closed = "rows"
            return Found(Ended.INFEASIBLE, tuple(self._nodes), None)
        if self.seeker.best is None:
            self.seeker.first(*bounds)
            if self.seeker.best is None and self._ledger.stopped() is None:
                root.closed = "rows"
                return Found(Ended.INFEASIBLE, tuple(self._nodes), None)
        active = self._relaxing.first_active(*bounds, self.seeker.best)
        with Crew(self._bounding, 1 if only_root else self._workers(), self._ledger.began) as crew:
            ended = self._descend(crew, Place(*bounds, None, active, ()), only_root)
        if ended is not None:
            self._ledger.tell()
        return Found(ended, tuple(self._nodes), self._root)

    def _workers(self) -> int:
        """Return how many processes may bound nodes; a limit of memory is watched in one process only."""
        limits = self._ledger.limits
        if limits.memory_mb is not None:
            return 1
        return limits.workers or cores()

    def _descend(self, crew: Crew, root: Place, only_root: bool) -> Ended | None:
        """Bound node after node, the least bound first, and return why that ended, None after the root alone."""
        ledger = self._ledger
        waiting: dict[int, Place] = {0: root}
        heap: list[tuple[float, int]] = [(-np.inf, 0)]
        under_way: deque[tuple[Node, Asked]] = deque()
        pruned = np.inf
        try:
            while heap or under_way:
                least = [heap[0][0]] if heap else []
                ledger.raise_bound(min([*least, *(node.bound for node, _ in under_way), pruned]))
                if ledger.gap <= ledger.limits.gap:
                    return Ended.GAP
                ended = ledger.stopped()
                if ended is not None:
                    return ended
                while heap and len(under_way) < AHEAD:
                    bounded, number = heapq.heappop(heap)
                    if bounded >= ledger.target:
                        pruned = min(pruned, bounded)
                        continue
                    node = self._nodes[number]
                    under_way.append((node, crew.ask(self._question(node, waiting.pop(number)))))
                if not under_way:
                    continue
                node, asked = under_way.popleft()
                if node.bound >= ledger.target:
                    pruned = min(pruned, node.bound)
                    asked.dropped()
                    continue
                answer = asked.answer(lambda: ledger.stopped() is not None, ledger.left)
                if answer is None:
                    under_way.appendleft((node, asked))
                    continue
                for child, new in self._taken(node, asked.question, answer):
                    waiting[child.number] = new
                    heapq.heappush(heap, (child.bound, child.number))
                if node.closed != "rows" and not node.children:
                    pruned = min(pruned, node.bound)
                if only_root and heap:
                    ledger.raise_bound(min(node.bound, pruned))
                    return None
        finally:
            for _, asked in under_way:
                asked.dropped()
        ledger.raise_bound(pruned)
        return Ended.GAP if ledger.gap <= ledger.limits.gap else ledger.stopped() or Ended.GAP

    def _question(self, node: Node, place: Place) -> Question:
        ledger = self._ledger
        return Question(place, node.bound, ledger.target, tuple(self.cliques), self._open_ways, ledger.left())

    def _taken(self, node: Node, question: Question, answer: Answer) -> list[tuple[Node, Place]]:
        """Take in what is known of a node, look for layouts near it, and return its children."""
        ledger = self._ledger
        ledger.processed += 1
        numbers = self._numbers(len(question.cliques), answer.cliques)
        node.points += [_renumbered(point, numbers) for point in answer.points]
        node.bound, node.closed = answer.bound, answer.closed
        self._open_ways = answer.open_ways
        left = answer.left
        if left is None:
            return []
        self._look(node, left)
        if node.bound >= ledger.target:
            node.closed = "bound"
            return []
        if not left.sides:
            # Everything is decided: the node is one layout.
            self.seeker.took(np.flatnonzero(left.lower[: self._problem.deployments] > 0.5))
            if ledger.stopped() is None:
                # With no time left its auxiliary columns need not be at their best.
                node.closed = "whole"
                node.bound = max(node.bound, min(ledger.value, ledger.target))
            return []
        rows = self._problem.limits.size + len(self.cliques)
        start = None if left.start is None else _moved(left.start, numbers, rows)
        children: list[tuple[Node, Place]] = []
        for side, bounds in left.sides:
            child = Node(len(self._nodes), node.number, side, node.bound)
            self._nodes.append(child)
            node.children += (child.number,)
            if bounds is None:
                child.closed = "rows"
                continue
            children.append((child, Place(*bounds, start, left.active, (*question.place.sides, side))))
        return children

    def _look(self, node: Node, left: Open) -> None:
        """Look for whole layouts: near a relaxed point, at the root and now and then farther away."""
        ledger, seeker = self._ledger, self.seeker
        place = (left.y, left.reduced)
        if ledger.processed <= EARLY or ledger.processed % EVERY == 0:
            seeker.near(*place, left.lower, left.upper)
        if ledger.processed >= self._far_at and ledger.gap > FAR_GAP:
            before = ledger.value
            seeker.stir(*place)
            seeker.outer(*place, left.theta, left.lower, left.upper)
            self._far_step = FAR_EVERY if ledger.value < before else FAR_SLOWER * self._far_step
            self._far_at = ledger.processed + self._far_step
        if node.number == 0 and node.bound < ledger.target:
            self._root = (left.y, left.lower, left.upper)
            ledger.raise_bound(node.bound)
            seeker.stir(*place)
            seeker.outer(*place, left.theta, left.lower, left.upper)
        seeker.exchange(*place)

    def _numbers(self, known: int, found: tuple[Ints, ...]) -> Ints | None:
        """Keep rows found at a node, and return the numbers of its rows here, None if they are the same.

        Another node may have found the same or other rows since this one was asked about.
        """
        own = self._problem.limits.size
        if not found:
            return None
        place = {row.tobytes(): number for number, row in enumerate(self.cliques)}
        numbers = list(range(own + known))
        for row in found:
            key = row.tobytes()
            if key not in place:
                place[key] = len(self.cliques)
                self.cliques.append(row)
            numbers.append(own + place[key])
        return np.array(numbers, dtype=np.int64)


def _renumbered(point: Point, numbers: Ints | None) -> Point:
    return point if numbers is None else replace(point, rows=numbers[point.rows])


def _moved(start: Start, numbers: Ints | None, rows: int) -> Start:
    """Return where children begin, in the rows as they are numbered here, so many of them."""
    if numbers is None:
        return start
    multipliers = np.zeros(rows)
    multipliers[numbers[: start.multipliers.size]] = start.multipliers
    return replace(start, multipliers=multipliers)
