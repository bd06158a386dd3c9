"""Rows on demand for places that clash in pairs: sets of mutually clashing places (cliques).

Pairs are far too many to write down and give weak bounds; "the columns of a clique sum to at most 1"
holds for every layout, implies all its pairs and bounds the relaxation much better (Padberg 1973,
On the facial structure of set packing polyhedra, Math. Programming 5).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from siting.arrays import Floats, Ints
from siting.selection.program import Exclusions

VIOLATED = 1e-6


class Cliques:
    """Finds clique rows of one set of exclusions; near places are looked up once and kept."""

    def __init__(self, exclusion: Exclusions, promise: Floats) -> None:
        """`promise` (N,): places with columns of greater promise enter a clique first."""
        self._exclusion = exclusion
        self._near: dict[int, Ints] = {}
        order = np.argsort(exclusion.node, kind="stable")
        self._nodes, begin = np.unique(exclusion.node[order], return_index=True)
        self._columns = np.split(exclusion.columns[order], begin[1:]) if self._nodes.size else []
        self._place = {int(node): k for k, node in enumerate(self._nodes)}
        self._known = np.zeros(1 + int(self._nodes.max(initial=0)), dtype=bool)
        self._known[self._nodes] = True
        best = np.array([promise[columns].max() for columns in self._columns]) if self._nodes.size else np.empty(0)
        # Rank of each place by promise, ties to the smaller place.
        self._rank = dict(zip(self._nodes[np.lexsort((self._nodes, -best))].tolist(), range(best.size), strict=True))

    def near(self, nodes: Iterable[int]) -> list[Ints]:
        """Return the clashing places of each place, only those that have columns, sorted."""
        asked = [int(node) for node in nodes]
        new = sorted({node for node in asked if node not in self._near})
        if new:
            for node, found in zip(new, self._exclusion.near(np.array(new, dtype=np.int64)), strict=True):
                possible = found[found < self._known.size]
                self._near[node] = possible[self._known[possible]].astype(np.int32)
        return [self._near[node] for node in asked]

    def separate(self, values: Floats) -> list[Ints]:
        """Return columns of cliques whose sum at `values` (N,) is above 1, each grown to a maximal one."""
        load = np.array([values[columns].sum() for columns in self._columns])
        busy = np.flatnonzero(load > VIOLATED)
        if busy.size == 0:
            return []
        weight = {int(self._nodes[k]): float(load[k]) for k in busy}
        order = sorted(weight, key=lambda node: (-weight[node], node))
        self.near(order)
        found: list[list[int]] = []
        covered: set[int] = set()
        for seed in order:
            if seed in covered:
                continue
            rivals = [int(n) for n in self._near[seed] if int(n) in weight]
            clique = [seed]
            for node in sorted(rivals, key=lambda n: (-weight[n], n)):
                if all(_holds(self._near[node], other) for other in clique):
                    clique.append(node)
            if sum(weight[node] for node in clique) > 1.0 + VIOLATED:
                found.append(clique)
                covered.update(clique)
        return [self._columns_of(self._grown(clique)) for clique in found]

    def cover(self, columns: Ints) -> list[Ints]:
        """Return cliques among some columns that together imply every clash between them."""
        member = set(columns.tolist())
        nodes = [
            int(n) for n, own in zip(self._nodes, self._columns, strict=True) if not member.isdisjoint(own.tolist())
        ]
        inside = np.zeros_like(self._known)
        inside[nodes] = True
        self.near(nodes)
        open_pairs = {node: set(self._near[node][inside[self._near[node]]].tolist()) for node in nodes}
        rows: list[Ints] = []
        for node in sorted(nodes, key=lambda n: self._rank[n]):
            while open_pairs[node]:
                clique = [node]
                common = self._near[node][inside[self._near[node]]]
                wanted = open_pairs[node]
                for rival in sorted(common.tolist(), key=lambda n: (n not in wanted, self._rank[n])):
                    if all(_holds(self._near[rival], other) for other in clique):
                        clique.append(rival)
                for a in clique:
                    open_pairs[a].difference_update(clique)
                kept = self._columns_of(clique)
                rows.append(kept[np.isin(kept, columns)])
        return rows

    def _grown(self, clique: list[int]) -> list[int]:
        """Add places to a clique until none fits any more, those of greatest promise first."""
        common = self._near[clique[0]]
        for node in clique[1:]:
            common = np.intersect1d(common, self._near[node], assume_unique=True)
        grown = list(clique)
        while common.size:
            best = min(common.tolist(), key=lambda n: self._rank[n])
            grown.append(best)
            common = np.intersect1d(common, self.near([best])[0], assume_unique=True)
        return grown

    def _columns_of(self, nodes: list[int]) -> Ints:
        return np.sort(np.concatenate([self._columns[self._place[node]] for node in nodes]))


def _holds(sorted_nodes: Ints, node: int) -> bool:
    """Say whether a sorted array holds a value."""
    k = int(np.searchsorted(sorted_nodes, node))
    return k < sorted_nodes.size and int(sorted_nodes[k]) == node
