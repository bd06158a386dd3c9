"""The frontier between score and shortfall: the least shortfall that layouts of a given score can have.

The ends are the layout of the best score and that of the least shortfall. Between them the score is a row of the
program (the epsilon-constraint method; Haimes, Lasdon and Wismer 1971, IEEE Trans. Syst. Man Cybern. 1; citation
from memory), so that layouts inside the convex hull of the others are found, too.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from siting.arrays import Floats, Ints
from siting.planning import Planning
from siting.selection.precise.descent import Outcome, descend
from siting.selection.precise.problem import build_problem
from siting.selection.precision import Aims, aims_of
from siting.selection.program import (
    Ended,
    Limits,
    LinearObjective,
    Program,
    Report,
    relative_gap,
)
from siting.selection.registry import start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.solve import solve

# Coefficients of the score row become whole by a power of ten, the largest of these with which sums stay whole.
MOST_DIGITS = 12
LARGEST_SUM, LARGEST = 2**60, 2**53
# Layouts may miss a level of the score by this share of it: so exactly rows with continuous columns are kept.
CLOSE = 1e-6


@dataclass(frozen=True)
class BothPoint:
    """One layout of the frontier.

    `picked` are positions of deployments, ascending, `layout` their (candidate id, plan id, start year).
    `shortfall_bound`: no layout with a score of at least `level` (-inf: none at all) has a smaller shortfall.
    `score_bound`, None between the ends: no layout at all (at the upper end), or none that meets every goal
    (where the shortfall is 0), has a higher score. `gap` is the larger relative gap of those that are told;
    `proved` says that it is at most the asked one, `ended` why the search of this point ended.
    """

    picked: tuple[int, ...]
    layout: tuple[tuple[str, str, int], ...]
    score: float
    shortfall: float
    level: float
    shortfall_bound: float
    score_bound: float | None
    gap: float
    proved: bool
    ended: Ended


@dataclass(frozen=True, eq=False)
class BothFrontier:
    """The points by rising score and rising shortfall: none is as good as another in one and worse in the other.

    Scores within one part in a million are one score. `levels` are the scores that were asked for. Without a point
    `ended` says why. `clash` names rules that no layout satisfies together.
    """

    points: tuple[BothPoint, ...]
    levels: tuple[float, ...]
    asked_gap: float
    ended: Ended
    seconds: float
    clash: tuple[str, ...] = ()

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with one row a point; sites are counted and named in `layout`."""
        import pandas as pd

        return pd.DataFrame(
            {
                "score": [p.score for p in self.points],
                "shortfall": [p.shortfall for p in self.points],
                "level": [p.level for p in self.points],
                "shortfall_bound": [p.shortfall_bound for p in self.points],
                "score_bound": [np.nan if p.score_bound is None else p.score_bound for p in self.points],
                "gap": [p.gap for p in self.points],
                "proved": np.array([p.proved for p in self.points], dtype=bool),
                "ended": [p.ended.value for p in self.points],
                "sites": np.array([len(p.picked) for p in self.points], dtype=np.int64),
                "layout": ["; ".join(f"{i} {plan} {year}" for i, plan, year in p.layout) for p in self.points],
            }
        )


@dataclass(frozen=True, eq=False)
class _Found:
    """A layout (program columns,) that a search at a level ended with, and its bounds."""

    point: Floats
    picked: tuple[int, ...]
    score: float
    shortfall: float
    level: float
    bound: float
    score_bound: float | None
    ended: Ended


def frontier_both(planning: Planning, points: int, limits: Limits, progress: Report | None = None) -> BothFrontier:
    """Return the frontier between score and shortfall, with `points` levels of the score, 2 or more, ends included.

    `limits` hold for all searches together: each gets an even share of the time that is left. Raises ValueError
    for less than 2 points, `UnknownGasError` where a tracer's numbers are missing.
    """
    if points < 2:
        raise ValueError(f"points is {points}; it must be 2 or more, one for each end")
    return _Frontier(planning, points, limits, progress).run()


def with_score(program: Program, objective: LinearObjective, level: float) -> Program:
    """Return the program with one more row: score at least a level, kept by every layout that reaches it.

    Coefficients are rounded up and the level down to whole multiples of a power of ten.
    """
    used = np.flatnonzero(objective.coefficients)
    coefficients = objective.coefficients[used]
    digits = _digits(program, used, coefficients)
    whole = np.ceil(coefficients * 10.0**digits).astype(np.int64)
    floor = int(np.floor((level - objective.constant) * 10.0**digits))
    return program.with_row(used, whole, lower=floor)


def _digits(program: Program, used: Ints, coefficients: Floats) -> int:
    largest = np.maximum(np.abs(program.lower[used]), np.abs(program.upper[used]))
    reach = float(np.abs(coefficients) @ largest) + 1.0
    single = float(np.abs(coefficients).max(initial=1.0))
    digits = MOST_DIGITS
    while digits > 0 and (reach * 10.0**digits >= LARGEST_SUM or single * 10.0**digits >= LARGEST):
        digits -= 1
    return digits


class _Frontier:
    """The searches of one frontier under common limits."""

    def __init__(self, planning: Planning, points: int, limits: Limits, progress: Report | None) -> None:
        self._planning, self._points, self._limits, self._progress = planning, points, limits, progress
        self._began = time.monotonic()
        self._aims: Aims = aims_of(planning)
        builder = start_program(planning)
        self._objective = score_objective(builder, planning)
        self._program = builder.build()
        self._floor = 0.01 * float(self._aims.weights.sum())
        self._found: list[_Found] = []
        # Searches still to come: one a level, the best score, and that where every goal is met.
        self._left = points + 2

    def run(self) -> BothFrontier:
        """Search the ends, then the levels between them from the highest down."""
        best = solve(self._program, self._objective, self._share(), progress=self._named("score"))
        if best.values is None or best.value is None:
            return BothFrontier((), (), self._limits.gap, best.ended, time.monotonic() - self._began, best.clash)
        assert best.bound is not None
        top = self._layout(best.values, best.value, -np.inf, best.bound, best.ended)
        self._found.append(top)
        low = self._lower_end()
        levels = self._levels(low.score, max(f.score for f in self._found))
        for level in levels[:0:-1]:
            self._search(level, best.bound if level == levels[-1] else None)
        return BothFrontier(
            self._kept(), tuple(levels), self._limits.gap, self._told_end(), time.monotonic() - self._began
        )

    def _lower_end(self) -> _Found:
        """Find the least shortfall; if it is 0, the best score of the layouts that meet every goal."""
        self._search(-np.inf, None)
        low = min(self._found, key=lambda f: (f.shortfall, -f.score))
        if low.shortfall > 0.0:
            return low
        cost = -self._objective.coefficients
        problem = build_problem(self._program, self._aims.limits(), cost)
        outcome = descend(
            problem, self._share(), floor=self._objective.floor, progress=self._named("score"), start=low.point
        )
        if outcome.point is None:
            return low
        bound = self._objective.constant - outcome.bound
        found = self._layout(outcome.point, -np.inf, 0.0, max(bound, low.score), outcome.ended)
        self._found.append(found)
        return max(found, low, key=lambda f: f.score)

    def _levels(self, low: float, top: float) -> list[float]:
        """Return the levels, rising; the ends alone where the best score has the least shortfall, too."""
        if top - low <= CLOSE * max(1.0, abs(top)):
            return [low, top]
        return [float(level) for level in np.linspace(low, top, self._points)]

    def _search(self, level: float, score_bound: float | None) -> None:
        """Find the least shortfall of layouts of a score, from the best known layout that has it."""
        finite = np.isfinite(level)
        program = with_score(self._program, self._objective, level) if finite else self._program
        known = [f for f in self._found if f.score >= level]
        start = min(known, key=lambda f: (f.shortfall, -f.score), default=None)
        outcome: Outcome = descend(
            build_problem(program, self._aims.shortfall()),
            self._share(),
            floor=self._floor,
            progress=self._named("shortfall"),
            start=None if start is None else start.point,
        )
        if outcome.point is None:
            # A level was reached by a known layout, whose last digits the row may have lost.
            return
        self._found.append(self._layout(outcome.point, level, outcome.bound, score_bound, outcome.ended))

    def _layout(self, point: Floats, level: float, bound: float, score_bound: float | None, ended: Ended) -> _Found:
        picked = np.flatnonzero(point[: self._program.deployments] > 0.5)
        criterion = self._aims.shortfall()
        return _Found(
            point,
            tuple(int(d) for d in picked),
            layout_score(self._planning, picked).total,
            criterion.weights.total(criterion.whole(picked)),
            level,
            bound,
            score_bound,
            ended,
        )

    def _kept(self) -> tuple[BothPoint, ...]:
        """Return the layouts that no other one dominates, with every bound that is known for them."""
        out: list[BothPoint] = []
        for f in sorted(self._found, key=lambda f: (-f.score, f.shortfall, f.picked)):
            if out and f.shortfall >= out[-1].shortfall:
                continue
            if out and out[-1].score - f.score <= CLOSE * max(1.0, abs(f.score)):
                out.pop()
            out.append(self._told(f))
        return tuple(out[::-1])

    def _told(self, f: _Found) -> BothPoint:
        # What no layout of a lower level undercuts, none of this layout's score does.
        below = [g for g in self._found if g.level <= f.score + CLOSE * max(1.0, abs(f.score))]
        best = max(below, key=lambda g: (g.bound, -g.level))
        bound = min(max(0.0, best.bound), f.shortfall)
        gap = relative_gap(f.shortfall, bound, self._floor)
        scores = [g.score_bound for g in self._found if g.score_bound is not None and g.shortfall == f.shortfall]
        score_bound = max(min(scores), f.score) if scores else None
        if score_bound is not None:
            gap = max(gap, relative_gap(f.score, score_bound, self._objective.floor))
        return BothPoint(
            f.picked,
            self._named_layout(f.picked),
            f.score,
            f.shortfall,
            best.level,
            bound,
            score_bound,
            gap,
            bool(gap <= self._limits.gap),
            f.ended,
        )

    def _named_layout(self, picked: tuple[int, ...]) -> tuple[tuple[str, str, int], ...]:
        d, region = self._planning.deployments, self._planning.region
        ids, plans = region.candidates.ids, region.settings.plans
        return tuple((ids[d.candidate[k]], plans[d.plan[k]].id, int(d.start_year[k])) for k in picked)

    def _told_end(self) -> Ended:
        """Return why the first search that was cut short ended, else that all reached the gap."""
        return next((f.ended for f in self._found if f.ended is not Ended.GAP), Ended.GAP)

    def _share(self) -> Limits:
        """Return the limits of the next search."""
        self._left = max(1, self._left - 1)
        if self._limits.seconds is None:
            return self._limits
        seconds = self._limits.seconds - (time.monotonic() - self._began)
        return replace(self._limits, seconds=max(0.01, seconds / (self._left + 1)))

    def _named(self, stage: str) -> Report | None:
        """Return a report that tells the name of the stage."""
        progress = self._progress
        return None if progress is None else lambda state: progress(replace(state, stage=stage))
