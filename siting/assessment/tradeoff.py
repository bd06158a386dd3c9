"""Flasks or an analyzer: what another plan at a picked site would change, and what would turn the choice.

Every picked deployment is swapped in turn for a plan of another kind with the same start year. Layouts are
compared by one value that is to grow: the score, or less error (`by`). A swap that costs more money x and
brings a gain g pays if no other single move (a site added, or another deployment at a picked site) that
costs at most x brings more per money than g / x. A swap that loses w and saves money pays if a single move
that only the money saved, with what the budget leaves, can buy makes up for more than w. Other moves must break no
rule that held before; rules on money are left aside there, for the money is what is asked about. All other
prices stay as they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from siting.arrays import Ints
from siting.assessment.costchange import CostChange
from siting.assessment.swaps import SiteSwap, site_swaps
from siting.assessment.values import Change, ErrorValue, RulesAfter, ScoreValue, Value, replaced_by
from siting.planning import Planning
from siting.selection.kinds import Judgement, RuleKind
from siting.selection.registry import RULE_KINDS

By = Literal["score", "error"]
# Other moves that are judged by the rules for one question, at most; the best come first.
MOST_JUDGED = 60

BETTER = "the other plan is better"
FORBIDDEN = "a rule stands against it"
DEAR = "too dear for what it adds"
NOTHING = "adds nothing"
LITTLE = "saves too little for what it loses"
SPARES = "the money saved does more elsewhere"


@dataclass(frozen=True)
class Move:
    """Another use of money: deployment `plan` at `id` from `start_year`, what it gains and costs (hundredths).

    `instead` is the (plan, start year) that is picked there now, None for a site that is added.
    """

    id: str
    plan: str
    start_year: int
    instead: tuple[str, int] | None
    gain: float
    cents: int


@dataclass(frozen=True)
class PlanChoice:
    """A picked plan against another one at the same site from the same year.

    `gain` is the change of the value (score points, or weighted squared error over goal), `score` that of
    the score, `cents` that of the cost over the window in hundredths, `plan_cents` what the other plan there
    costs now over the window; `years` how long the site works. `broken` are rules that the swap
    breaks and that held before. `turn_cents` is the cost over the window below which the other plan there would pay
    (None: no price does, or any does, as `verdict` says), found with `rival`, the other use of the money.
    """

    id: str
    plan: str
    kind: str
    other: str
    other_kind: str
    start_year: int
    changes: tuple[Change, ...]
    gain: float
    score: float
    cents: int
    plan_cents: int
    years: float
    broken: tuple[Judgement, ...]
    verdict: str
    turn_cents: float | None
    rival: Move | None

    @property
    def cents_a_year(self) -> float:
        """Change of the cost for each year of work."""
        return self.cents / self.years

    @property
    def pays(self) -> bool:
        """Whether the other plan would pay at its price, rules aside."""
        return self.verdict in (BETTER, SPARES, FORBIDDEN)


@dataclass(frozen=True)
class PlanChoices:
    """All swaps of a layout in the order of ids; `by` says by which value, `leftover_cents` what the budget leaves."""

    by: By
    currency: str
    leftover_cents: int
    choices: tuple[PlanChoice, ...]


def plan_choices(
    planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind] = RULE_KINDS, by: By = "score"
) -> PlanChoices:
    """Return what another plan at each picked deployment (k,) would change, and what would turn the choice.

    `by` is the value by which the layout was picked: "score", or "error" (the shortfall of the targets, or
    with all goals met the weighted squared error over goal). Raises `UnknownGasError` where a tracer's
    numbers are missing.
    """
    return _choices(planning, _near(planning, picked, kinds, by), by)


def choices_and_swaps(
    planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind] = RULE_KINDS, by: By = "score"
) -> tuple[PlanChoices, tuple[SiteSwap, ...]]:
    """Return `plan_choices`, and for each picked deployment (k,) what its best replacement would cost."""
    near = _near(planning, picked, kinds, by)
    swaps = site_swaps(planning, near.picked, near.money, near.rules, near.value, by)
    return _choices(planning, near, by), swaps


@dataclass(frozen=True, eq=False)
class _Near:
    """What layouts near a picked one are judged by; `pairs` are picked deployments with other plans there."""

    picked: Ints
    pairs: list[tuple[int, int]]
    money: CostChange
    rules: RulesAfter
    spent: ScoreValue
    errors: ErrorValue
    value: Value


def _near(planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind], by: By) -> _Near:
    ordered = np.sort(np.asarray(picked, dtype=np.int64))
    pairs = [(int(k), int(j)) for k in ordered for j in _others(planning, int(k))]
    spent = ScoreValue(planning, ordered)
    errors = ErrorValue(planning, ordered, np.array([j for _, j in pairs], dtype=np.int64), by == "error")
    money, rules = CostChange(planning, ordered), RulesAfter(planning, ordered, kinds)
    return _Near(ordered, pairs, money, rules, spent, errors, errors if by == "error" else spent)


def _choices(planning: Planning, near: _Near, by: By) -> PlanChoices:
    d, ordered, pairs = planning.deployments, near.picked, near.pairs
    money, rules, spent, errors, value = near.money, near.rules, near.spent, near.errors, near.value
    moves = _Moves(planning, ordered, money, rules, value)
    found = []
    for k, j in pairs:
        gain = value.change([k], [j])
        cents = money.change([k], [j])
        broken = rules.broken([k], [j])
        verdict, limit, rival = _judged(moves, k, j, gain, cents, bool(broken))
        plan_cents = int(d.cost_cents[j].sum())
        turn = None if limit is None else plan_cents + limit - cents
        plans = planning.region.settings.plans
        found.append(
            PlanChoice(
                id=planning.region.candidates.ids[d.candidate[k]],
                plan=plans[d.plan[k]].id,
                kind=plans[d.plan[k]].kind,
                other=plans[d.plan[j]].id,
                other_kind=plans[d.plan[j]].kind,
                start_year=int(d.start_year[k]),
                changes=errors.changes(k, j),
                gain=gain,
                score=spent.change([k], [j]),
                cents=cents,
                plan_cents=plan_cents,
                years=(12 * planning.region.settings.years - int(d.first_month[k])) / 12.0,
                broken=broken,
                verdict=verdict,
                turn_cents=turn if turn is not None and turn > 0.0 else None,
                rival=rival,
            )
        )
    return PlanChoices(by, planning.region.settings.currency, money.leftover, tuple(found))


def _others(planning: Planning, k: int) -> list[int]:
    """Return the deployments of another kind of plan at the same candidate from the same year, in order."""
    d, plans = planning.deployments, planning.region.settings.plans
    begin, end = np.searchsorted(d.candidate, [d.candidate[k], d.candidate[k] + 1])
    here = range(int(begin), int(end))
    return [j for j in here if d.start_year[j] == d.start_year[k] and plans[d.plan[j]].kind != plans[d.plan[k]].kind]


def _judged(
    moves: _Moves, k: int, j: int, gain: float, cents: int, broken: bool
) -> tuple[str, float | None, Move | None]:
    """Return the verdict, the greatest change of cost at which the swap pays (None: none or any), and the rival."""
    if gain > 0.0:
        limit, rival = moves.most_for_gain(k, j, gain)
        if limit is not None and cents > limit:
            return DEAR, limit, rival
        return (FORBIDDEN if broken else BETTER), limit, rival
    limit, rival = (0.0, None) if gain == 0.0 else moves.least_saving(k, j, gain)
    if limit is not None and cents <= limit and cents < 0:
        return (FORBIDDEN if broken else BETTER if gain == 0.0 else SPARES), limit, rival
    return (NOTHING if cents >= 0 else LITTLE), limit, rival


class _Moves:
    """Other uses of money: single moves that bring a gain and cost something."""

    def __init__(self, planning: Planning, picked: Ints, money: CostChange, rules: RulesAfter, value: Value) -> None:
        self._planning, self._money, self._rules, self._value = planning, money, rules, value
        self._there, self._gain = value.single()
        self._old = replaced_by(planning, picked)[self._there]
        self._cents = money.singles(self._there, self._old)
        self._allowed: dict[int, bool] = {}

    @cached_property
    def _best_rate(self) -> Ints:
        """Positions of moves with a gain for money, most per money first."""
        useful = np.flatnonzero((self._gain > 0.0) & (self._cents > 0))
        rate = self._gain[useful] / self._cents[useful]
        return useful[np.argsort(-rate, kind="stable")]

    @cached_property
    def _cheapest(self) -> Ints:
        """Positions of moves with a gain, the cheapest first, of equal cost those that gain most."""
        useful = np.flatnonzero(self._gain > 0.0)
        return useful[np.lexsort((-self._gain[useful], self._cents[useful]))]

    def _own(self, position: int, j: int) -> bool:
        """Say whether a move is the swap itself, or the same plan there from another year: its price is in question."""
        d, there = self._planning.deployments, int(self._there[position])
        return bool(d.candidate[there] == d.candidate[j] and d.plan[there] == d.plan[j])

    def most_for_gain(self, k: int, j: int, gain: float) -> tuple[float | None, Move | None]:
        """Return the most that a gain may cost, and the move that brings as much for its money; None without one.

        The best rate among moves that cost at most x rises in steps with x, and gain / x falls: they cross once.
        """
        del k
        steps: list[int] = []
        cheapest: float = float("inf")
        judged = 0
        for position in self._best_rate.tolist():
            if self._cents[position] >= cheapest or self._own(position, j):
                continue
            judged += position not in self._allowed
            if judged > MOST_JUDGED:
                break
            if self._may(position):
                steps.append(position)
                cheapest = float(self._cents[position])
        above, dearer = float("inf"), -1
        # From the dearest step down: each holds for costs from its own up to that of the next dearer one.
        for position in steps:
            own, most = float(self._cents[position]), gain * self._cents[position] / self._gain[position]
            if most >= own:
                return float(min(most, above)), self._move(position if most < above else dearer)
            above, dearer = own, position
        return (None, None) if not steps else (above, self._move(steps[-1]))

    def least_saving(self, k: int, j: int, gain: float) -> tuple[float | None, Move | None]:
        """Return the greatest change of cost, below 0, at which another move makes up for a loss, and it."""
        d = self._planning.deployments
        leftover, slack = max(0, self._money.leftover), self._value.slack(k, gain)
        judged = 0
        order = self._cheapest
        for position in order[self._gain[order] + slack > -gain].tolist():
            there, old = int(self._there[position]), int(self._old[position])
            if d.candidate[there] == d.candidate[j]:
                continue
            if judged >= MOST_JUDGED:
                break
            out, into = [k, *([old] if old >= 0 else [])], [j, there]
            judged += np.isinf(slack)
            together = self._value.change(out, into)
            if together <= 0.0:
                continue
            judged += not np.isinf(slack)
            cents = self._money.change(out, into) - self._money.change([k], [j])
            # What the budget leaves can be spent without giving anything up.
            if cents <= leftover or not self._rules.allows(out, into):
                continue
            return float(leftover - cents), self._move(position, together - gain, cents)
        return None, None

    def _may(self, position: int) -> bool:
        if position not in self._allowed:
            old = int(self._old[position])
            self._allowed[position] = self._rules.allows([old] if old >= 0 else [], [int(self._there[position])])
        return self._allowed[position]

    def _move(self, position: int, gain: float | None = None, cents: int | None = None) -> Move:
        d, region = self._planning.deployments, self._planning.region
        there, old = int(self._there[position]), int(self._old[position])
        plans = region.settings.plans
        return Move(
            region.candidates.ids[d.candidate[there]],
            plans[d.plan[there]].id,
            int(d.start_year[there]),
            (plans[d.plan[old]].id, int(d.start_year[old])) if old >= 0 else None,
            float(self._gain[position]) if gain is None else gain,
            int(self._cents[position]) if cents is None else cents,
        )
