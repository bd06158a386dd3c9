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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.linalg import cho_factor, solve_triangular

from siting.assessment.costchange import CostChange
from siting.assessment.precision import asked_of, floor_of
from siting.field.model import TracerModel, tracer_models
from siting.field.targets import monthly_information, monthly_variance
from siting.planning import Planning
from siting.region.model import Floats, Ints
from siting.region.schema.air import Band, Target
from siting.selection.kinds import Demand, Judgement, RuleKind
from siting.selection.registry import RULE_KINDS
from siting.selection.score import DECIMALS, band_weights, site_counts

By = Literal["score", "error"]
# Rules whose label begins like this are about money.
MONEY = "budget."
# Other moves that are judged by the rules for one question, at most; the best come first.
MOST_JUDGED = 60
# Additions that are looked at as other uses of money when layouts are compared by their errors.
MOST_ADDED = 120
# Two values nearer than this, of their size, are equal.
EQUAL = 1e-9

BETTER = "the other plan is better"
FORBIDDEN = "a rule stands against it"
DEAR = "too dear for what it adds"
NOTHING = "adds nothing"
LITTLE = "saves too little for what it loses"
SPARES = "the money saved does more elsewhere"


@dataclass(frozen=True)
class Change:
    """Standard error of one target now and with the other plan; `asked` is False where nobody asked for it."""

    tracer: str
    target: str
    words: str
    now: float
    then: float
    asked: bool = True

    @property
    def share(self) -> float:
        """Relative change of the error: below 0 it falls."""
        return self.then / self.now - 1.0 if self.now > 0.0 else 0.0


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
    d = planning.deployments
    ordered = np.sort(np.asarray(picked, dtype=np.int64))
    pairs = [(int(k), int(j)) for k in ordered for j in _others(planning, int(k))]
    money, rules = CostChange(planning, ordered), _Rules(planning, ordered, kinds)
    spent = _Score(planning, ordered)
    errors = _Errors(planning, ordered, np.array([j for _, j in pairs], dtype=np.int64), by == "error")
    value: _Value = errors if by == "error" else spent
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


class _Value:
    """A value of layouts that is to grow; changes are counted from the picked one."""

    def change(self, out: Sequence[int], into: Sequence[int]) -> float:
        """Return the exact change if some picked deployments go and others come."""
        raise NotImplementedError

    def single(self) -> tuple[Ints, Floats]:
        """Return deployments (m,) that may come alone, each in place of what stands there, and their gains (m,)."""
        raise NotImplementedError

    def slack(self, k: int, gain: float) -> float:
        """Return by how much two changes together may beat the sum of both, where one of them swaps k out."""
        raise NotImplementedError


class _Score(_Value):
    """The score of layouts as sums: worth of each deployment, and coverage by the counts of each band."""

    def __init__(self, planning: Planning, picked: Ints) -> None:
        self._planning, self._picked = planning, picked
        self._new, standing = site_counts(planning)
        self._worth = np.round(planning.deployments.worth, DECIMALS)
        self._weights = band_weights(planning)
        self._base = standing + self._new[picked].sum(axis=0)
        most = int((self._base + 2 * self._new.max(axis=0, initial=0)).max(initial=0)) // 1000 + 2
        self._points = np.concatenate([[0.0], np.cumsum(1.0 / np.arange(1, most + 1))])

    def _harmonic(self, thousandths: Ints) -> Floats:
        return np.asarray(np.interp(thousandths / 1000.0, np.arange(self._points.size), self._points), dtype=float)

    def change(self, out: Sequence[int], into: Sequence[int]) -> float:
        """Return the change of the score."""
        gone, come = list(out), list(into)
        counts = self._base - self._new[gone].sum(axis=0) + self._new[come].sum(axis=0)
        coverage = float(self._weights @ (self._harmonic(counts) - self._harmonic(self._base)))
        change = float(self._worth[come].sum() - self._worth[gone].sum()) + coverage
        return 0.0 if abs(change) < EQUAL else change

    def single(self) -> tuple[Ints, Floats]:
        """Return every deployment that is not picked."""
        replaced = _replaced(self._planning, self._picked)
        there = np.setdiff1d(np.arange(replaced.size), self._picked)
        old = replaced[there]
        counts, gain = self._base + self._new[there], self._worth[there].copy()
        counts[old >= 0] -= self._new[old[old >= 0]]
        gain[old >= 0] -= self._worth[old[old >= 0]]
        gain += (self._harmonic(counts) - self._harmonic(self._base)) @ self._weights
        return there, gain

    def slack(self, k: int, gain: float) -> float:
        """Return the coverage that k itself gives: points of a band only fall with the count."""
        del gain
        return float(self._weights @ (self._harmonic(self._base) - self._harmonic(self._base - self._new[k])))


def _replaced(planning: Planning, picked: Ints) -> Ints:
    """Return (D,) the picked deployment at the candidate of each deployment, -1 where none is."""
    d = planning.deployments
    at = np.full(len(planning.region.candidates), -1, dtype=np.int64)
    at[d.candidate[picked]] = picked
    return at[d.candidate]


class _Field:
    """The targets of one tracer with records taken away and put in, by low-rank updates of the posterior."""

    def __init__(self, model: TracerModel, picked: Ints, others: Ints) -> None:
        every = np.concatenate([picked, others])
        found = zip(every, model.records.fixed(every), strict=True)
        records = [model.picked(int(k), fixed) for k, fixed in found]
        state = model.state_of([*model.standing_records, *(one for one in records if one is not None)])
        root = state.root.T
        self.model = model
        self.asked, self.months = asked_of(model, state)
        self.floors = np.array([floor_of(model, one) ** 2 for one in self.asked])
        placed = [None if one is None else model.placed(state, one) for one in records]
        standing = [model.placed(state, one) for one in model.standing_records]
        now = [factor for factor in (*standing, *placed[: picked.size]) if factor is not None]
        total = np.eye(state.size)
        if now:
            joined = root @ np.concatenate(now, axis=1)
            total += joined @ joined.T
        lower: Floats = cho_factor(total, lower=True, check_finite=False)[0]

        def reach(columns: Floats) -> Floats:
            return np.asarray(solve_triangular(lower, columns, lower=True, check_finite=False))

        vectors = np.column_stack([one.vector for one in self.asked]) if self.asked else np.zeros((state.size, 0))
        self._half = reach(root @ vectors)
        moved = {int(k): factor for k, factor in zip(every, placed, strict=True) if factor is not None}
        ends = np.cumsum([0, *(factor.shape[1] for factor in moved.values())])
        columns = np.concatenate([*moved.values()], axis=1) if moved else np.zeros((state.size, 0))
        far = reach(root @ columns)
        self._reach = {k: far[:, a:b] for k, a, b in zip(moved, ends[:-1], ends[1:], strict=True)}
        self._variance: Floats = (self._half**2).sum(axis=0) + self.floors

    def variance(self, out: Sequence[int], into: Sequence[int]) -> Floats:
        """Return the variances (q,) of the targets, floors included (Woodbury)."""
        parts = [
            (self._reach[k], sign) for group, sign in ((out, -1.0), (into, 1.0)) for k in group if k in self._reach
        ]
        if not parts:
            return self._variance
        columns = np.concatenate([part for part, _ in parts], axis=1)
        signs = np.concatenate([np.full(part.shape[1], sign) for part, sign in parts])
        inner = np.diag(signs) + columns.T @ columns
        cross = columns.T @ self._half
        return np.asarray(self._variance - (cross * np.linalg.solve(inner, cross)).sum(axis=0), dtype=float)

    def bound(self, k: int) -> Floats:
        """Return what a record can lower the variances (q,) by at most."""
        here = self._reach.get(k)
        return np.zeros(len(self.asked)) if here is None else np.asarray(((here.T @ self._half) ** 2).sum(axis=0))


class _Month:
    """The anomaly of one typical month of a tracer with records taken away and put in: sites add up."""

    def __init__(self, model: TracerModel, picked: Ints) -> None:
        self._model = model
        self._base = monthly_information(model, picked)
        self._nothing = monthly_information(model, picked[:0])
        self._parts: dict[int, Floats] = {}

    def _part(self, k: int) -> Floats:
        if k not in self._parts:
            self._parts[k] = monthly_information(self._model, np.array([k], dtype=np.int64)) - self._nothing
        return self._parts[k]

    def variance(self, band: Band, out: Sequence[int], into: Sequence[int]) -> float:
        """Return the variance of a band's anomaly."""
        information = self._base.copy()
        for k in out:
            information -= self._part(k)
        for k in into:
            information += self._part(k)
        return monthly_variance(self._model, band, information)[1]


class _Errors(_Value):
    """The errors of all targets, and the weighted squared error over goal as a value."""

    def __init__(self, planning: Planning, picked: Ints, others: Ints, additions: bool) -> None:
        self._planning, self._picked = planning, picked
        added = _first_additions(planning, picked) if additions else np.zeros(0, dtype=np.int64)
        self._single = np.concatenate([np.unique(others), added]).astype(np.int64)
        models = tracer_models(planning)
        self._fields = [_Field(model, picked, self._single) for model in models]
        self._months = [_Month(model, picked) if model.air.monthly_anomaly_sd > 0.0 else None for model in models]
        self._bands = {band.id: band for band in planning.region.settings.bands}
        self._unmet = True
        self._unmet = self._total([], []) < 0.0
        self._base = self._total([], [])

    def change(self, out: Sequence[int], into: Sequence[int]) -> float:
        """Return by how much the shortfall falls, or the weighted squared error over goal if every goal is met."""
        change = float(self._total(out, into) - self._base)
        return 0.0 if abs(change) < EQUAL else change

    def _total(self, out: Sequence[int], into: Sequence[int]) -> float:
        """Return minus the shortfall, or minus the weighted squared errors over goal where all goals are met."""
        total = 0.0
        for field, month in zip(self._fields, self._months, strict=True):
            variances = field.variance(out, into)
            terms = [(one.weight, v / one.goal**2) for one, v in zip(field.asked, variances, strict=True)]
            if month is not None:
                terms += [(t.weight, month.variance(self._band(t), out, into) / t.goal**2) for t in field.months]
            total -= sum(w * (max(0.0, r - 1.0) if self._unmet else r) for w, r in terms)
        return total

    def _band(self, target: Target) -> Band:
        return self._bands[target.band or ""]

    def single(self) -> tuple[Ints, Floats]:
        """Return the swaps and, of the additions, those that promise most for their money."""
        replaced = _replaced(self._planning, self._picked)[self._single]
        swaps, added = self._single[replaced >= 0], self._single[replaced < 0]
        cost = np.maximum(self._planning.deployments.cost_cents[added].sum(axis=(1, 2)), 1)
        weight = [np.array([one.weight / one.goal**2 for one in field.asked]) for field in self._fields]
        promise = np.array(
            [sum(float(w @ f.bound(int(k))) for w, f in zip(weight, self._fields, strict=True)) for k in added]
        )
        best = np.sort(added[np.argsort(-promise / cost, kind="stable")[:MOST_ADDED]])
        every = np.concatenate([swaps, best]).astype(np.int64)
        old = _replaced(self._planning, self._picked)[every]
        gains = [self.change([int(o)] if o >= 0 else [], [int(k)]) for k, o in zip(every, old, strict=True)]
        return every, np.array(gains, dtype=float)

    def slack(self, k: int, gain: float) -> float:
        """Return no limit: records may add to each other."""
        del k, gain
        return float("inf")

    def changes(self, k: int, j: int) -> tuple[Change, ...]:
        """Return the errors now and with j in place of k; a month's anomaly of the site's band comes last, unasked."""
        found: list[Change] = []
        d, share = self._planning.deployments, self._planning.band_share
        here = next((b for b in np.argsort(-share[d.candidate[k]], kind="stable")), None)
        for field, month in zip(self._fields, self._months, strict=True):
            air = field.model.air
            now, then = np.sqrt(field.variance([], [])), np.sqrt(field.variance([k], [j]))
            found += [
                Change(air.name, one.id, one.words, float(a), float(b))
                for one, a, b in zip(field.asked, now, then, strict=True)
            ]
            if month is None:
                continue
            asked = [(t.id, self._band(t), True) for t in field.months]
            bands = self._planning.region.settings.bands
            if here is not None and bands[here].id not in {band.id for _, band, _ in asked}:
                asked.append((f"month in {bands[here].id}", bands[here], False))
            for name, band, wanted in asked:
                before, after = (month.variance(band, *both) ** 0.5 for both in (([], []), ([k], [j])))
                words = f"anomaly of {air.name} in one month in {band.id}"
                found.append(Change(air.name, name, words, before, after, wanted))
        return tuple(found)


def _first_additions(planning: Planning, picked: Ints) -> Ints:
    """Return the earliest deployment of every plan at candidates that are not picked."""
    d = planning.deployments
    free = np.flatnonzero(~np.isin(d.candidate, d.candidate[picked]))
    keys = np.column_stack([d.candidate[free], d.plan[free]])
    _, first = np.unique(keys, axis=0, return_index=True)
    return np.sort(free[first])


class _Rules:
    """Which rules a change breaks that held before."""

    def __init__(self, planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind]) -> None:
        self._planning, self._picked = planning, picked
        every = [(kind, demand) for kind in kinds.values() for demand in kind.demands(planning)]
        self._held: list[tuple[RuleKind, Demand]] = [
            (kind, demand) for kind, demand in every if kind.judge(planning, picked, demand).holds
        ]

    def _after(self, out: Sequence[int], into: Sequence[int]) -> Ints:
        stays = np.setdiff1d(self._picked, np.array(out, dtype=np.int64))
        return np.sort(np.concatenate([stays, np.array(into, dtype=np.int64)]))

    def broken(self, out: Sequence[int], into: Sequence[int]) -> tuple[Judgement, ...]:
        """Return the judgements of rules that held and no longer do."""
        after = self._after(out, into)
        judged = [kind.judge(self._planning, after, demand) for kind, demand in self._held]
        return tuple(judgement for judgement in judged if not judgement.holds)

    def allows(self, out: Sequence[int], into: Sequence[int]) -> bool:
        """Say whether every rule but those on money still holds."""
        after = self._after(out, into)
        return all(
            kind.judge(self._planning, after, demand).holds
            for kind, demand in self._held
            if not demand.label.startswith(MONEY)
        )


class _Moves:
    """Other uses of money: single moves that bring a gain and cost something."""

    def __init__(self, planning: Planning, picked: Ints, money: CostChange, rules: _Rules, value: _Value) -> None:
        self._planning, self._money, self._rules, self._value = planning, money, rules, value
        self._there, self._gain = value.single()
        self._old = _replaced(planning, picked)[self._there]
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
