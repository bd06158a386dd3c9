"""Why and why not: what each site is worth to a layout, what each site left out would cost, and near ties."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from siting.judging.frontier import TargetAt, targets_at
from siting.judging.search import By, Found, Search, named, shared
from siting.planning import Planning
from siting.record.air import UnknownGasError
from siting.selection.program import Ended, Limits, Report
from siting.selection.registry import judge
from siting.selection.standing import with_best_ways


@dataclass(frozen=True)
class Alternative:
    """A layout beside the best one.

    `layout` are (candidate id, plan id, start year), empty where the rules allow none; `value` its score or shortfall,
    `bound` what no such layout betters, `loss` by how much it is worse than the base, `least_loss` what the
    bound says of that at least (both above 0 where worse), `cents` its cost; `comes` and `goes` are sites that
    it has beyond, and lacks against, the base, `changes` those that it has with another plan or start year.
    """

    layout: tuple[tuple[str, str, int], ...]
    value: float
    bound: float
    loss: float
    least_loss: float
    cents: int
    proved: bool
    ended: Ended
    comes: tuple[str, ...]
    goes: tuple[str, ...]
    changes: tuple[str, ...]
    targets: tuple[TargetAt, ...]

    @property
    def found(self) -> bool:
        """Whether there is such a layout."""
        return bool(np.isfinite(self.value))


@dataclass(frozen=True)
class WhyIn:
    """What a picked site is worth: `loss` of the value if it just goes, `after` the best layout without it.

    `broken` are the rules that the rest would then break, by label; `targets` the errors that the rest leaves.
    """

    id: str
    loss: float
    broken: tuple[str, ...]
    targets: tuple[TargetAt, ...]
    after: Alternative


@dataclass(frozen=True)
class WhyNot:
    """The best layout that must contain a site left out; `reason` says why none could, empty where one could."""

    id: str
    best: Alternative
    reason: str


@dataclass(frozen=True, eq=False)
class Reasons:
    """A base layout with what speaks for each of its sites and against each of the others.

    `base` is the layout asked about (`given`) or the best one found; `ties` are the best layouts that differ from it
    and from each other in at least `apart` sites (in one and not in the other, both ways) and lose at most
    `within` of the base's value, best first; `ties_whole` says that no further one was left out for their number.
    `whole` is False where a limit ended the work: what is missing was not looked at.
    """

    by: By
    base: Alternative
    given: bool
    why_in: tuple[WhyIn, ...]
    why_not: tuple[WhyNot, ...]
    ties: tuple[Alternative, ...]
    apart: int
    within: float
    ties_whole: bool
    asked_gap: float
    whole: bool
    unstated: str

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with one row a site: loss at once, loss or price after a new search."""
        import pandas as pd

        rows: list[dict[str, Any]] = [
            {"id": w.id, "picked": True, "loss": w.loss, "loss_after": w.after.loss, "least_loss": w.after.least_loss}
            for w in self.why_in
        ]
        rows += [
            {"id": w.id, "picked": False, "loss": np.nan, "loss_after": w.best.loss, "least_loss": w.best.least_loss}
            for w in self.why_not
        ]
        return pd.DataFrame(rows, columns=["id", "picked", "loss", "loss_after", "least_loss"])


@dataclass(frozen=True)
class Asked:
    """What is asked of near ties and of sites: `ties` layouts, `apart` sites, `within` a share; None: every site."""

    ties: int = 5
    apart: int = 2
    within: float = 0.05
    sites: tuple[str, ...] | None = None


def reasons(
    planning: Planning,
    by: By,
    limits: Limits,
    asked: Asked | None = None,
    picked: Sequence[int] | None = None,
    progress: Report | None = None,
    counter: Callable[[int, int], None] | None = None,
) -> Reasons:
    """Return why sites are in a layout and others are not, and which layouts are nearly as good.

    `picked` is the layout to ask about, the best one if None; with one that breaks rules, losses are against it all
    the same. `limits` hold for all searches together, its gap for each; `counter(done, all)` is told after every
    search. Raises ValueError for less than 1 site apart or a share below 0, `FalseAnswerError` if an answer does not
    hold up.
    """
    asked = asked or Asked()
    if asked.apart < 1 or asked.within < 0.0 or asked.ties < 0:
        raise ValueError("apart must be 1 or more, within and ties 0 or more")
    return _Asking(planning, by, limits, asked, progress, counter).run(picked)


class _Asking:
    def __init__(
        self,
        planning: Planning,
        by: By,
        limits: Limits,
        asked: Asked,
        progress: Report | None,
        counter: Callable[[int, int], None] | None,
    ) -> None:
        self._planning, self._limits, self._asked = planning, limits, asked
        self._progress, self._counter = progress, counter
        self._search = Search(planning, by)
        self._began = time.monotonic()
        self._unstated = ""
        self._done, self._all = 0, 1

    def run(self, picked: Sequence[int] | None) -> Reasons:
        search, ids = self._search, self._planning.region.candidates.ids
        best = self._next(start=None if picked is None else search.fitted(picked, self._limits))
        base = best.picked if picked is None else tuple(sorted(int(k) for k in picked))
        d = self._planning.deployments
        if picked is None and not best.any:
            return self._answer(self._told(best, best, ()), False, (), (), (), True, False)
        inside = sorted({int(i) for i in d.candidate[list(base)]})
        outside = sorted({int(i) for i in d.candidate} - set(inside))
        wanted = None if self._asked.sites is None else set(self._asked.sites)
        inside = [i for i in inside if wanted is None or ids[i] in wanted]
        outside = [i for i in outside if wanted is None or ids[i] in wanted]
        self._all = self._done + len(inside) + len(outside) + self._asked.ties
        reference = self._of(base, best)
        why_in = [self._why_in(i, base, reference, best) for i in inside if not self._over()]
        why_not = [self._why_not(i, reference, best) for i in outside if not self._over()]
        ties, ties_whole = self._ties(reference, best)
        whole = len(why_in) == len(inside) and len(why_not) == len(outside) and not self._over()
        return self._answer(
            self._told(reference, reference, base), picked is not None, why_in, why_not, ties, ties_whole, whole
        )

    def _answer(
        self,
        base: Alternative,
        given: bool,
        why_in: Sequence[WhyIn],
        why_not: Sequence[WhyNot],
        ties: Sequence[Alternative],
        ties_whole: bool,
        whole: bool,
    ) -> Reasons:
        return Reasons(
            self._search.by,
            base,
            given,
            tuple(why_in),
            tuple(why_not),
            tuple(ties),
            self._asked.apart,
            self._asked.within,
            ties_whole,
            self._limits.gap,
            whole,
            self._unstated,
        )

    def _of(self, base: tuple[int, ...], best: Found) -> Found:
        """Return the base as a found layout: the best one itself, or a given one with the best one's bound."""
        if best.any and base == best.picked:
            return best
        return self._search.given(base, best.bound, self._limits)

    def _next(self, conditions: Sequence[Any] = (), start: Found | None = None) -> Found:
        found = self._search.best(
            shared(self._limits, self._began, self._all - self._done),
            conditions,
            start=start,
            progress=self._progress,
        )
        self._done += 1
        if self._counter is not None:
            self._counter(self._done, self._all)
        return found

    def _over(self) -> bool:
        stop = self._limits.stop is not None and self._limits.stop()
        seconds = self._limits.seconds
        return stop or (seconds is not None and time.monotonic() - self._began > seconds)

    def _why_in(self, i: int, base: tuple[int, ...], reference: Found, best: Found) -> WhyIn:
        search = self._search
        rest = np.array([k for k in base if self._planning.deployments.candidate[k] != i], dtype=np.int64)
        condition = search.without(i)
        start = search.fitted(rest.tolist(), self._limits, [condition])
        after = self._next([condition], start)
        held = {one.label for one in self._judged(np.array(base, dtype=np.int64)) if not one.holds}
        broken = [one.label for one in self._judged(rest) if not one.holds and one.label not in held]
        return WhyIn(
            self._planning.region.candidates.ids[i],
            search.loss(reference.value, search.value_of(rest.tolist())),
            tuple(broken),
            self._targets(rest.tolist()),
            self._told(after, reference, base),
        )

    def _why_not(self, i: int, reference: Found, best: Found) -> WhyNot:
        found = self._next([self._search.containing(i)])
        reason = "no layout within the rules has it" if found.ended is Ended.INFEASIBLE else ""
        if not found.any and not reason:
            reason = f"none was found ({found.ended.value})"
        return WhyNot(self._planning.region.candidates.ids[i], self._told(found, reference, reference.picked), reason)

    def _ties(self, reference: Found, best: Found) -> tuple[list[Alternative], bool]:
        """Return the best layouts that differ from all before, as long as they lose no more than the stated share."""
        search, found = self._search, [reference.picked]
        out: list[Alternative] = []
        most = self._asked.within * max(abs(reference.value), search.floor)
        while len(out) < self._asked.ties:
            if self._over():
                return out, False
            one = self._next([search.differing(other, self._asked.apart) for other in found])
            if not one.any or search.loss(reference.value, one.value) > most:
                self._done = self._all
                # Within the gap one that loses less may have been missed.
                return out, one.ended is Ended.INFEASIBLE or search.loss(reference.value, one.bound) > most
            found.append(one.picked)
            out.append(self._told(one, reference, reference.picked))
        return out, False

    def _judged(self, picked: Any) -> Any:
        return judge(with_best_ways(self._planning, picked), picked)

    def _targets(self, picked: Sequence[int]) -> tuple[TargetAt, ...]:
        try:
            return targets_at(self._planning, np.array(picked, dtype=np.int64))
        except UnknownGasError as error:
            self._unstated = str(error)
            return ()

    def _told(self, one: Found, reference: Found, base: Sequence[int]) -> Alternative:
        mine, its = set(named(self._planning, one.picked)), set(named(self._planning, base))
        sites, before = {site for site, _, _ in mine}, {site for site, _, _ in its}
        loss = self._search.loss
        return Alternative(
            named(self._planning, one.picked),
            one.value,
            one.bound,
            loss(reference.value, one.value) if one.any else np.inf,
            loss(reference.value, one.bound) if one.any or one.ended is not Ended.INFEASIBLE else np.inf,
            one.cents,
            one.proved,
            one.ended,
            tuple(sorted(sites - before)) if one.any else (),
            tuple(sorted(before - sites)) if one.any else (),
            tuple(sorted(sites & before & {site for site, _, _ in mine - its})),
            self._targets(one.picked) if one.any else (),
        )
