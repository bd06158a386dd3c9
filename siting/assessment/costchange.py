"""What a change of a layout costs: deployments out and in, transport that sites share and bought analyzers included."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from siting.arrays import Ints
from siting.planning import Planning
from siting.selection.standing import purchase_cents


class CostChange:
    """Costs over the window in hundredths, bought analyzers included, as changes from the picked layout."""

    def __init__(self, planning: Planning, picked: Ints) -> None:
        d, stock = planning.deployments, planning.region.settings.stock
        supply = self._supply = planning.supply
        self._ways = planning.ways_of(np.arange(len(d)))
        self._totals = d.yearly_cents().sum(axis=1) + supply.cents[self._ways].sum(axis=1)
        self._users = self._using(picked).sum(axis=0)
        self._fixed = int(((self._users > 0) * supply.shared_cents).sum())
        self._prices = np.array(purchase_cents(planning), dtype=np.int64)
        self._need, self._free = d.analyzers, stock.analyzers - stock.spare_analyzers
        self._use = d.analyzers[picked].sum(axis=0)
        self._bought = self._purchases(self._use[None, :])[0]
        spent = int(self._totals[picked].sum() + self._bought) + self._fixed
        self.leftover = round(planning.region.settings.budget.total * 100.0) - spent

    def _using(self, deployments: Ints) -> Ints:
        """Return (m, S, Y) which fixed costs of supply deployments (m,) ask for in which years, 0 or 1."""
        return np.asarray(self._supply.asks(self._ways[deployments]), dtype=np.int64)

    def _purchases(self, use: Ints) -> Ints:
        """Return what analyzers beyond the stock cost for use (m, Y), as `bought_by_year` counts them."""
        if self._prices.size == 0:
            return np.zeros(use.shape[0], dtype=np.int64)
        grown = np.maximum.accumulate(np.maximum(0, use - self._free), axis=1)
        return np.asarray(np.diff(grown, axis=1, prepend=0) @ self._prices, dtype=np.int64)

    def change(self, out: Sequence[int], into: Sequence[int]) -> int:
        """Return the change of the cost of the layout."""
        gone, come = list(out), list(into)
        use = self._use - self._need[gone].sum(axis=0) + self._need[come].sum(axis=0)
        bought = int(self._purchases(use[None, :])[0] - self._bought)
        users = self._users - self._using(np.array(gone, dtype=np.int64)).sum(axis=0)
        users = users + self._using(np.array(come, dtype=np.int64)).sum(axis=0)
        fixed = int(((users > 0) * self._supply.shared_cents).sum()) - self._fixed
        return int(self._totals[come].sum() - self._totals[gone].sum()) + bought + fixed

    def singles(self, there: Ints, old: Ints) -> Ints:
        """Return the change for each deployment (m,) that comes in place of `old` (m,), -1 for none."""
        swapped = old >= 0
        total, use = self._totals[there].copy(), self._use + self._need[there]
        total[swapped] -= self._totals[old[swapped]]
        use[swapped] -= self._need[old[swapped]]
        users = self._users + self._using(there)
        users[swapped] -= self._using(old[swapped])
        fixed = ((users > 0) * self._supply.shared_cents).sum(axis=(1, 2)) - self._fixed
        return np.asarray(total + self._purchases(use) - self._bought + fixed, dtype=np.int64)
