"""One search under further conditions: what every question about alternatives asks of the one selection engine."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.assessment.precision import target_errors
from siting.field.model import tracer_models
from siting.field.targets import targets_of
from siting.planning import Planning
from siting.selection.both import with_score
from siting.selection.linear import EQUAL, LinearEngine
from siting.selection.precision import Aims, aims_of
from siting.selection.program import NO_LIMIT, Ended, Limits, LinearObjective, Program, Report, Selection, relative_gap
from siting.selection.registry import judge, start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.stages import least_shortfall
from siting.selection.standing import cost_by_year, with_best_ways

By = Literal["score", "precision"]
# How exactly a known layout is fitted into a program.
FIT_GAP = 1e-9
# A value may be told by the search and by its definition with so much difference (relative).
SAME = 1e-6


class FalseAnswerError(AssertionError):
    """A layout that a search returned does not hold up when it is judged anew; a defect of ours."""


@dataclass(frozen=True, eq=False)
class Condition:
    """One more row: lower <= whole coefficients (k,) x deployments (k,) <= upper, NO_LIMIT where there is none."""

    deployments: Ints
    coefficients: Ints
    lower: int = -NO_LIMIT
    upper: int = NO_LIMIT


@dataclass(frozen=True, eq=False)
class Found:
    """What one search ended with.

    `picked` are positions of deployments, ascending; `point` (columns,) the program's columns, None without a layout;
    `value` in the sense of the objective (score: large is good; precision: shortfall, small is good); no layout under
    the conditions has a better value than `bound` (infinite on the bad side where there is none, on the good side where
    nothing is known). `cents` is its cost; `ended` says why the search ended.
    """

    picked: tuple[int, ...]
    point: Floats | None
    value: float
    bound: float
    gap: float
    cents: int
    proved: bool
    ended: Ended

    @property
    def any(self) -> bool:
        """Whether a layout was found."""
        return self.point is not None


def named(planning: Planning, picked: Sequence[int]) -> tuple[tuple[str, str, int], ...]:
    """Return (candidate id, plan id, start year) of picked deployments, in their order."""
    d, region = planning.deployments, planning.region
    ids, plans = region.candidates.ids, region.settings.plans
    return tuple((ids[d.candidate[k]], plans[d.plan[k]].id, int(d.start_year[k])) for k in picked)


def shortfall_of(planning: Planning, errors: dict[tuple[str, str], float]) -> float:
    """Return the shortfall of target errors by (tracer, target): sum of weight x max(0, (error / goal)^2 - 1)."""
    total = 0.0
    for tracer, target, goal, weight in goals_of(planning):
        total += weight * max(0.0, (errors[(tracer, target)] / goal) ** 2 - 1.0)
    return total


def goals_of(planning: Planning) -> tuple[tuple[str, str, float, float], ...]:
    """Return (tracer, target, goal, weight) of every target; raises `UnknownGasError` where numbers are missing."""
    return tuple(
        (model.air.name, target.id, target.goal, target.weight)
        for model in tracer_models(planning)
        for target in targets_of(planning.region, model.tracer, model.air)[0]
    )


class Search:
    """The program of a planning with one objective; every question adds conditions to it.

    `by` is "score" or "precision"; `counted` (D,) names the deployments that count in the objective, all if None
    (rules hold for all of them whatever counts). Raises `UnknownGasError` by precision where a gas is unknown.
    """

    def __init__(self, planning: Planning, by: By, counted: Bools | None = None) -> None:
        self.planning, self.by, self.counted = planning, by, counted
        builder = start_program(planning)
        # Columns of the rules; those of the objective come after them and follow from them.
        self._leading = builder.width
        self._objective: LinearObjective | None = None
        self._aims: Aims | None = None
        if by == "score":
            self._objective = score_objective(builder, planning, counted)
            self.floor = self._objective.floor
        else:
            aims = aims_of(planning)
            self._aims = aims if counted is None else aims.counting(counted)
            self.floor = 0.01 * float(aims.weights.sum())
        self.program = builder.build()

    @property
    def sign(self) -> float:
        """1 where large values are good, -1 where small ones are."""
        return 1.0 if self.by == "score" else -1.0

    def loss(self, before: float, after: float) -> float:
        """Return how much worse a value is than another one; above 0 is worse."""
        return self.sign * (before - after)

    def best(
        self,
        limits: Limits,
        conditions: Sequence[Condition] = (),
        *,
        most_cents: int | None = None,
        start: Found | None = None,
        progress: Report | None = None,
    ) -> Found:
        """Return the best layout under further conditions and a limit of cost (hundredths).

        `start` is a first layout, of this search or another one of the same planning, ignored if it breaks something.
        Raises `FalseAnswerError` if the answer does not hold up when it is judged by every rule and by the definition
        of its value.
        """
        program = self._under(conditions, most_cents)
        point = self._start(start)
        if self._objective is not None:
            answer = LinearEngine(program, self._objective, limits, progress).search(point)
        else:
            assert self._aims is not None
            answer = least_shortfall(program, self._aims, limits, point, progress).selection
        if answer.values is None or answer.value is None:
            return self._nothing(answer)
        bound = answer.value if answer.bound is None else answer.bound
        return self._told(answer, answer.value, bound, limits)

    def _nothing(self, answer: Selection) -> Found:
        """Return that no layout was found; a search that a limit ended says nothing beyond the bound it has."""
        worst = -self.sign * np.inf
        none = answer.ended is Ended.INFEASIBLE
        bound = worst if none else -worst if answer.bound is None else float(answer.bound)
        return Found((), None, worst, bound, np.inf, 0, none, answer.ended)

    def cheapest(self, found: Found, limits: Limits, progress: Report | None = None) -> Found:
        """Return the cheapest layout with a score at least as good as that of a layout found without conditions.

        `ended` tells of the search for the score where a limit ended it, else of that for the cost. Raises ValueError
        by precision, `FalseAnswerError` as `best` does.
        """
        if self._objective is None:
            raise ValueError("only scores are linear, so that one of them can be asked for")
        program = with_score(self.program, self._objective, found.value)
        cost = LinearObjective("cost", program.cost.astype(float) / 100.0, maximise=False)
        answer = LinearEngine(program, cost, replace(limits, gap=0.0), progress).search(self._start(found))
        ended = answer.ended if found.ended is Ended.GAP else found.ended
        if answer.values is None:
            return replace(found, ended=ended)
        cheap = self._told(answer, self._one(self.value_of(answer.picked), found.value), found.bound, limits)
        return replace(cheap if cheap.cents <= found.cents else found, ended=ended)

    def _told(self, answer: Selection, value: float, bound: float, limits: Limits) -> Found:
        """Return an answer with its cost and gap, once it has been judged anew."""
        value, bound = float(value), float(bound)
        gap = relative_gap(value, bound, self.floor)
        cost, proved = self._cents(answer.picked), bool(gap <= limits.gap)
        found = Found(answer.picked, answer.values, value, bound, gap, cost, proved, answer.ended)
        self._check(found)
        return found

    def fitted(self, picked: Sequence[int], limits: Limits, conditions: Sequence[Condition] = ()) -> Found:
        """Return the best layout that keeps to some picked deployments: all of them, or as many as the rules bear.

        By score the search goes to its end whatever nodes `limits` allow: it is a small one.
        """
        exact = replace(limits, gap=min(limits.gap, FIT_GAP))
        if self._objective is not None:
            few = np.unique(np.array(picked, dtype=np.int64))
            return self._fitted_score(few, replace(exact, nodes=None), conditions)
        others = np.setdiff1d(np.arange(self.program.deployments), np.array(picked, dtype=np.int64))
        only = Condition(others, np.ones(others.size, dtype=np.int64), upper=0)
        return self.best(exact, [*conditions, only])

    def _fitted_score(self, picked: Ints, limits: Limits, conditions: Sequence[Condition]) -> Found:
        """Return the best part of picked deployments by score: a program of them and the auxiliary columns alone."""
        assert self._objective is not None
        whole, n = self._under(conditions, None), self.program.deployments
        columns = np.concatenate([picked, np.arange(n, len(whole.names))])
        objective = replace(self._objective, coefficients=self._objective.coefficients[columns])
        answer = LinearEngine(whole.restricted(columns, picked.size), objective, limits).search()
        if answer.values is None or answer.value is None:
            return self._nothing(answer)
        values = np.zeros(len(whole.names))
        values[columns] = answer.values
        kept = tuple(int(picked[k]) for k in answer.picked)
        bound = answer.value if answer.bound is None else answer.bound
        return self._told(replace(answer, picked=kept, values=values), answer.value, bound, limits)

    def given(self, picked: Sequence[int], bound: float, limits: Limits) -> Found:
        """Return picked deployments as they are, whatever rules they break, with a bound that is known for all layouts.

        Where they are better than the bound (they break rules), the bound is their own value.
        """
        value = self._one(self.value_of(picked), bound)
        bound = self.sign * max(self.sign * bound, self.sign * value)
        gap = relative_gap(value, bound, self.floor)
        point = np.zeros(len(self.program.names))
        point[list(picked)] = 1.0
        those, proved = tuple(sorted(int(k) for k in picked)), bool(gap <= limits.gap)
        return Found(those, point, value, bound, gap, self._cents(picked), proved, Ended.GAP)

    def value_of(self, picked: Sequence[int]) -> float:
        """Return the value of picked deployments by its definition, whatever rules they break."""
        those = np.array(picked, dtype=np.int64)
        if self.counted is not None:
            those = those[self.counted[those]]
        if self.by == "score":
            return float(layout_score(self.planning, those).total)
        return float(shortfall_of(self.planning, target_errors(self.planning, those)))

    def _one(self, value: float, known: float) -> float:
        """Return the known score where a score differs from it by rounding only, else the score itself."""
        if self.by != "score" or not np.isfinite(known):
            return value
        return known if abs(value - known) <= EQUAL * max(1.0, abs(known)) else value

    def at(self, candidate: int) -> Ints:
        """Return the deployments of a candidate."""
        begin, end = np.searchsorted(self.planning.deployments.candidate, [candidate, candidate + 1])
        return np.arange(int(begin), int(end))

    def without(self, candidate: int) -> Condition:
        """Return the condition that nothing is picked at a candidate."""
        here = self.at(candidate)
        return Condition(here, np.ones(here.size, dtype=np.int64), upper=0)

    def containing(self, candidate: int) -> Condition:
        """Return the condition that something is picked at a candidate."""
        here = self.at(candidate)
        return Condition(here, np.ones(here.size, dtype=np.int64), lower=1)

    def differing(self, picked: Sequence[int], sites: int) -> Condition:
        """Return the condition that at least so many sites are in a layout and not in the other one, or the reverse."""
        d = self.planning.deployments
        theirs = np.unique(d.candidate[np.array(picked, dtype=np.int64)])
        signs = np.where(np.isin(d.candidate, theirs), -1, 1).astype(np.int64)
        return Condition(np.arange(len(d)), signs, lower=sites - int(theirs.size))

    def _start(self, start: Found | None) -> Floats | None:
        if start is None or start.point is None:
            return None
        point = np.zeros(len(self.program.names))
        point[: self._leading] = start.point[: self._leading]
        return point

    def _under(self, conditions: Sequence[Condition], most_cents: int | None) -> Program:
        program = self.program
        for one in conditions:
            program = program.with_row(one.deployments, one.coefficients, lower=one.lower, upper=one.upper)
        return program if most_cents is None else program.with_cost(most_cents)

    def _cents(self, picked: Sequence[int]) -> int:
        those = np.array(picked, dtype=np.int64)
        return sum(cost_by_year(with_best_ways(self.planning, those), those))

    def _check(self, found: Found) -> None:
        """Judge an answer by every rule and by the definition of its value."""
        those = np.array(found.picked, dtype=np.int64)
        broken = [one for one in judge(with_best_ways(self.planning, those), those) if not one.holds]
        if broken:
            raise FalseAnswerError("the layout breaks " + "; ".join(f"{one.label} ({one.found})" for one in broken))
        again = self.value_of(found.picked)
        if abs(again - found.value) > SAME * max(1.0, abs(found.value)):
            raise FalseAnswerError(f"the layout is worth {again!r}, the search said {found.value!r}")


def shared(limits: Limits, began: float, left: int) -> Limits:
    """Return the limits of the next of `left` searches that share the time left since `began` (monotonic, s)."""
    if limits.seconds is None:
        return limits
    seconds = limits.seconds - (time.monotonic() - began)
    return replace(limits, seconds=max(0.01, seconds / max(1, left)))
