"""Searches in stages: least shortfall, then least cost, then least variance; each stage with its own proof."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Floats
from siting.selection.precise.criteria import LogDeterminant, Variances
from siting.selection.precise.descent import Outcome, Proof, descend
from siting.selection.precise.problem import build_problem
from siting.selection.precision import Aims
from siting.selection.program import (
    Ended,
    Limits,
    Program,
    Progress,
    Report,
    Selection,
    Stage,
    relative_gap,
)
from siting.selection.settle import settled

NOT_EXAMINED = "layouts of equal value were not examined"
CENTS = 100.0
# Goals are called out of reach when the best error of a target is known this well.
LOOSE_GAP = 1e-2
# Whether all goals can be met is asked this exactly.
PROBE_GAP = 1e-6


@dataclass(frozen=True, eq=False)
class Proven:
    """A selection with the proof of each of its stages, and by stage what the layout may cost at most (hundredths).

    `bounds` are what the proofs give by stage where that may be less than the bounds of the search; empty elsewhere.
    """

    selection: Selection
    proofs: tuple[Proof, ...]
    most_costs: tuple[int | None, ...]
    attainable: tuple[tuple[str, str, float, float], ...] = ()
    bounds: tuple[float, ...] = ()


def least_shortfall(
    program: Program, aims: Aims, limits: Limits, start: Floats | None = None, progress: Report | None = None
) -> Proven:
    """Return the layout with the least shortfall; where all goals are met the cheapest, then the most precise one."""
    run = _Run(program, limits, progress)
    floor = 0.01 * float(aims.weights.sum())
    first = run.stage("shortfall", program, aims.shortfall(), None, floor, start)
    if first is None or run.value > 0.0:
        return run.answer()
    return _refined(run, program, aims)


def cheapest(
    program: Program, aims: Aims, limits: Limits, start: Floats | None = None, progress: Report | None = None
) -> Proven:
    """Return the cheapest layout that meets every goal, then the most precise of that cost.

    Where there is none the result is infeasible and names by target the best error that can be had: the
    least known (tracer, id, bound, reached), in the target's unit.
    """
    run = _Run(program, limits, progress)
    floor = 0.01 * float(aims.weights.sum())
    probe = _Run(program, replace(limits, gap=PROBE_GAP), progress)
    met = probe.stage("shortfall", program, aims.shortfall(), None, floor, start)
    if met is not None and probe.value == 0.0:
        run.point = probe.point
        return _refined(run, program, aims)
    return replace(probe.refused(), attainable=_attainable(program, aims, limits) if met is not None else ())


def _refined(run: _Run, program: Program, aims: Aims) -> Proven:
    """Go on from a layout that meets every goal: least cost, then least variance at that cost."""
    cost = program.cost.astype(float) / CENTS
    found = run.stage("cost", program, aims.limits(), cost, 1.0, run.point)
    if found is None or run.ended is not Ended.GAP:
        return run.answer()
    assert run.point is not None
    total = int(np.rint(program.cost @ run.point))
    capped = program.with_cost(total)
    run.stage("variance", capped, aims.both(), None, 0.01 * float(aims.weights.sum()), run.point, total)
    return run.answer()


def least(program: Program, criterion: Variances | LogDeterminant, name: str, floor: float, limits: Limits) -> Proven:
    """Return the layout with the least value of one criterion."""
    run = _Run(program, limits, None)
    run.stage(name, program, criterion, None, floor, None)
    return run.answer()


def _attainable(program: Program, aims: Aims, limits: Limits) -> tuple[tuple[str, str, float, float], ...]:
    """Return by target (tracer, id, what no layout is below, what one reaches) in the target's unit."""
    found = []
    for position, (tracer, name) in enumerate(aims.ids):
        seconds = None if limits.seconds is None else limits.seconds / len(aims.ids)
        run = _Run(program, replace(limits, gap=LOOSE_GAP, seconds=seconds), None)
        outcome = run.stage(name, program, aims.one(position), None, 1e-6, None)
        if outcome is None:
            continue
        size, floor = aims.goals[position] ** 2, aims.floors[position] ** 2
        low, high = (float(np.sqrt(max(0.0, v) * size + floor)) for v in (outcome.bound, outcome.value))
        found.append((tracer, name, low, high))
    return tuple(found)


class _Run:
    """One search in stages under common limits."""

    def __init__(self, program: Program, limits: Limits, progress: Report | None) -> None:
        self._program, self._limits, self._progress = program, limits, progress
        self._began = time.monotonic()
        self.point: Floats | None = None
        self.value = np.inf
        self.ended = Ended.GAP
        self._stages: list[Stage] = []
        self._proofs: list[Proof] = []
        self._most_costs: list[int | None] = []
        self._nodes = 0
        self._log: tuple[Progress, ...] = ()

    def stage(
        self,
        name: str,
        program: Program,
        criterion: Variances | LogDeterminant,
        cost: Floats | None,
        floor: float,
        start: Floats | None,
        most_cost: int | None = None,
    ) -> Outcome | None:
        """Search one stage; None if it found no layout. Its value and layout become those of the run."""
        limits = self._limits
        left = limits.seconds
        if left is not None:
            left = max(0.01, left - (time.monotonic() - self._began))
        problem = build_problem(program, criterion, cost)
        outcome = descend(problem, replace(limits, seconds=left), floor=floor, progress=self._named(name), start=start)
        self._nodes += outcome.nodes
        self.ended = outcome.ended
        self._log = (*self._log, *outcome.log)
        if outcome.point is None:
            return None
        assert outcome.proof is not None
        self._proofs.append(outcome.proof)
        self._most_costs.append(most_cost)
        self.point, self.value = outcome.point, outcome.value
        gap = relative_gap(outcome.value, outcome.bound, floor)
        self._stages.append(Stage(name, outcome.value, outcome.bound, gap, bool(gap <= limits.gap)))
        return outcome

    def _named(self, stage: str) -> Report | None:
        """Return a report that tells the name of the stage."""
        progress = self._progress
        if progress is None:
            return None

        def report(state: Progress) -> None:
            progress(replace(state, stage=stage))

        return report

    def answer(self) -> Proven:
        """Return the selection: the layout of the last stage with the value and bound of the first."""
        limits, seconds = self._limits, time.monotonic() - self._began
        if not self._stages or self.point is None:
            return self.refused()
        values = settled(self._program, self.point)
        picked = tuple(int(k) for k in np.flatnonzero(values[: self._program.deployments] > 0.5))
        first, gap = self._stages[0], max(stage.gap for stage in self._stages)
        selection = Selection(
            picked,
            values,
            first.value,
            first.bound,
            gap,
            limits.gap,
            bool(gap <= limits.gap),
            self.ended,
            self._nodes,
            seconds,
            NOT_EXAMINED,
            tuple(self._stages),
            log=self._log,
        )
        return Proven(selection, tuple(self._proofs), tuple(self._most_costs))

    def refused(self) -> Proven:
        """Return the answer without a layout: none was found, or none meets the goals."""
        selection = Selection(
            (),
            None,
            None,
            None,
            None,
            self._limits.gap,
            False,
            Ended.INFEASIBLE if self.ended in (Ended.GAP, Ended.INFEASIBLE) else self.ended,
            self._nodes,
            time.monotonic() - self._began,
            "",
            log=self._log,
        )
        return Proven(selection, tuple(self._proofs), tuple(self._most_costs))
