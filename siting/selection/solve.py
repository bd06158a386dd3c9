"""`solve`: one door to every engine, and the set of clashing rules where no layout exists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from siting.arrays import Floats
from siting.selection.certificate import certify
from siting.selection.linear import LinearEngine
from siting.selection.program import (
    Ended,
    Limits,
    LinearObjective,
    Objective,
    Program,
    Report,
    Selection,
)
from siting.selection.stages import Proven


def solve(
    program: Program,
    objective: Objective,
    limits: Limits | None = None,
    start: Floats | None = None,
    progress: Report | None = None,
) -> Selection:
    """Find the best layout of a program.

    `start` (N,) is a first point to begin from (ignored if it breaks a rule), `progress` is called
    with what is known so far. Where no layout satisfies the rules the result carries an irreducible
    set of clashing rules. Raises TypeError for an objective that no engine takes yet.
    """
    return _searched(program, objective, limits or Limits(), start, progress)[1]


def solve_proven(
    program: Program,
    objective: Objective,
    limits: Limits | None = None,
    start: Floats | None = None,
    progress: Report | None = None,
) -> Proven:
    """Find the best layout as `solve` does, and keep what proves its bound, or as much of it as a small tree can.

    Without a layout, or without columns, there is no proof.
    """
    engine, selection = _searched(program, objective, limits or Limits(), start, progress)
    found = certify(engine)
    if found is None:
        return Proven(selection, (), ())
    return Proven(selection, (found.proof,), (None,), bounds=(found.bound,))


def _searched(
    program: Program, objective: Objective, limits: Limits, start: Floats | None, progress: Report | None
) -> tuple[LinearEngine, Selection]:
    if not isinstance(objective, LinearObjective):
        raise TypeError(f"objective '{objective.name}' is not linear; only linear objectives are solved so far")
    engine = LinearEngine(program, objective, limits, progress)
    selection = engine.search(start)
    if selection.ended is Ended.INFEASIBLE:
        selection = replace(selection, clash=clashing_rules(program, limits))
    return engine, selection


def clashing_rules(program: Program, limits: Limits | None = None) -> tuple[str, ...]:
    """Return an irreducible set of rules that cannot hold together: without any one of them all others can.

    Rules are tried out in turn, later ones first, and stay out if the rest still clashes (deletion
    filter; Chinneck and Dravnieks 1991, ORSA J. Computing 3). Empty if the program has a layout. The time
    limit holds for each trial; a trial that it ends keeps its rule, so the set always clashes but may then
    hold more than it must.
    """
    limits = limits or Limits()
    names = list(program.rules)
    if _feasible(program, limits):
        return ()
    # Halving first: most rules of a long list have no part in the clash.
    kept = _narrowed(program, names, limits)
    for name in sorted(kept, key=names.index, reverse=True):
        trial = [other for other in kept if other != name]
        if not _feasible(_only(program, trial), limits):
            kept = trial
    return tuple(sorted(kept, key=names.index))


def _narrowed(program: Program, names: Sequence[str], limits: Limits) -> list[str]:
    """Drop blocks of rules, smaller and smaller, while the others still clash."""
    kept = list(names)
    block = max(1, len(kept) // 2)
    while block >= 2:
        for begin in range(0, len(kept), block):
            trial = kept[:begin] + kept[begin + block :]
            if not _feasible(_only(program, trial), limits):
                kept = trial
                break
        else:
            block //= 2
    return kept


def _only(program: Program, rules: Sequence[str]) -> Program:
    wanted = set(rules)
    return program.without(rule for rule in program.rules if rule not in wanted)


def _feasible(program: Program, limits: Limits) -> bool:
    """Say whether any layout may satisfy the rules; also True where the time limit ends before that is known."""
    nothing = LinearObjective("any layout", np.zeros(len(program.names)))
    engine = LinearEngine(program, nothing, replace(limits, gap=1.0, nodes=None))
    return engine.any_layout()
