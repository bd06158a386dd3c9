"""Better layouts by chance: change the best one a little at random, fill up, swap, and go on from what comes out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.layouts import LocalSearch
from siting.selection.precise.supports import Supports

MOST_ROUNDS = 400
# A layout that is worse than the best by no more than this share is gone on from, for so many rounds.
WORSE, AWAY = 0.05, 8


class Stirring:
    """One such search over a pool of deployments (p,).

    `local()` is a local search over the pool with the ways of the best layout; `required` (p,) stay, `used` (p,)
    are those of a relaxed point, `promise` (p,) weighs what may come in; `took(picked)` says whether a layout is
    the best so far, which `best()` returns.
    """

    def __init__(
        self,
        local: Callable[[], LocalSearch],
        required: Bools,
        used: Bools,
        promise: Floats,
        supports: Supports,
        took: Callable[[Ints], bool],
        best: Callable[[], Floats | None],
        generator: np.random.Generator,
    ) -> None:
        self._local, self._required, self._used, self._promise = local, required, used, promise
        self._search = local()
        self._supports, self._took, self._best, self._generator = supports, took, best, generator
        self._able = supports.able[self._search.pool]

    def run(self, rounds: int, stopped: Callable[[], bool]) -> None:
        """Search until `stopped()` or so many rounds in a row have found nothing better."""
        best, held, value = self._now()
        # Another beginning: what the relaxed point uses, thinned out.
        begin = self._search.improved(self._search.thinned(held | self._used, held), held, 1)
        if self._worth(begin) < value and self._taken(begin):
            best, held, value = self._now()
        here, kept = best, held
        last = away = 0
        for turn in range(MOST_ROUNDS):
            if stopped() or turn - last > rounds or not (best & ~self._required).any():
                return
            if turn - away > AWAY:
                here, kept, away = best, held, turn
            trial, hold = self._changed(here, kept, turn)
            trial = self._search.improved(trial, hold, 1)
            worth = self._worth(trial)
            if worth < value:
                if self._taken(trial):
                    best, held, value = self._now()
                    here, kept, last, away = best, held, turn, turn
            elif worth < value + WORSE * abs(value):
                here, kept = trial, hold

    def _now(self) -> tuple[Bools, Bools, float]:
        """Return the best layout over the pool, what of it has to stay, and its value."""
        point = self._best()
        assert point is not None
        pool = self._search.pool
        best = point[pool] > 0.5
        return best, self._required | self._supports.of(point)[pool], self._search.merit_of(best)

    def _worth(self, trial: Bools) -> float:
        return self._search.merit_of(trial) if self._search.keeps(trial) else np.inf

    def _taken(self, trial: Bools) -> bool:
        """Offer a layout; if it is the best so far, go on with its ways."""
        taken = self._took(self._search.pool[trial])
        if taken:
            self._search = self._local()
        return taken

    def _changed(self, here: Bools, held: Bools, turn: int) -> tuple[Bools, Bools]:
        """Return a layout changed at random, and what has to stay in it: each kind of change in its turn."""
        generator, trial = self._generator, here.copy()
        carriers = np.flatnonzero(held & ~self._required)
        others = np.where(here | ~self._able, 0.0, self._promise)
        if turn % 3 == 2 and carriers.size and others.any():
            # What another column stands on goes, and another comes for it.
            out, add = generator.choice(carriers), self._drawn(others)
            hold = held.copy()
            trial[out] = hold[out] = False
            trial[add] = hold[add] = True
            return self._search.thinned(trial, hold), hold
        strange = np.where(here, 0.0, self._promise)
        if turn % 3 and strange.any():
            # What costs much comes in only where several others leave for it.
            add = self._drawn(strange)
            trial[add] = True
            return self._search.thinned(trial, held | (np.arange(here.size) == add)), held
        loose = np.flatnonzero(here & ~held)
        out = generator.choice(loose, size=min(loose.size, int(generator.integers(2, 5))), replace=False)
        trial[out] = False
        # One site that would not have been chosen next brings the search elsewhere.
        fits = np.flatnonzero(self._search.fits(trial))
        fits = fits[~np.isin(fits, out)]
        if fits.size:
            trial[generator.choice(fits)] = True
        return trial, held

    def _drawn(self, weights: Floats) -> int:
        return int(self._generator.choice(weights.size, p=weights / weights.sum()))
