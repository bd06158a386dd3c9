"""Values of layouts near a picked one: what the score or the errors gain if deployments go and others come."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.linalg import cho_factor, solve_triangular

from siting.arrays import Bools, Floats, Ints
from siting.assessment.precision import asked_of, floor_of
from siting.field.model import TracerModel, tracer_models
from siting.field.targets import monthly_information, monthly_variance
from siting.planning import Planning
from siting.region.schema.air import Band, Target
from siting.selection.kinds import Demand, Judgement, RuleKind, SpacingKind
from siting.selection.score import DECIMALS, band_weights, site_counts
from siting.selection.standing import AnalyzersKind, BudgetKind

# Rules whose label begins like this are about money.
MONEY = "budget."
# Additions that are looked at as other uses of money when layouts are compared by their errors.
MOST_ADDED = 120
# What a list of replacements does not hold: later starts of what it does, or whole places.
LeftAside = Literal["none", "later starts", "places"]
# Two values nearer than this, of their size, are equal.
EQUAL = 1e-9


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


class Value:
    """A value of layouts that is to grow; changes are counted from the picked one."""

    def change(self, out: Sequence[int], into: Sequence[int]) -> float:
        """Return the exact change if some picked deployments go and others come."""
        raise NotImplementedError

    def single(self) -> tuple[Ints, Floats]:
        """Return deployments (m,) that may come alone, each in place of what stands there, and their gains (m,)."""
        raise NotImplementedError

    def replacements(self, k: int) -> tuple[Ints, Floats, LeftAside]:
        """Return deployments (m,) at other places that may stand for k, the changes (m,), and what is left aside."""
        raise NotImplementedError

    def slack(self, k: int, gain: float) -> float:
        """Return by how much two changes together may beat the sum of both, where one of them swaps k out."""
        raise NotImplementedError


class ScoreValue(Value):
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
        replaced = replaced_by(self._planning, self._picked)
        there = np.setdiff1d(np.arange(replaced.size), self._picked)
        old = replaced[there]
        counts, gain = self._base + self._new[there], self._worth[there].copy()
        counts[old >= 0] -= self._new[old[old >= 0]]
        gain[old >= 0] -= self._worth[old[old >= 0]]
        gain += (self._harmonic(counts) - self._harmonic(self._base)) @ self._weights
        return there, gain

    def replacements(self, k: int) -> tuple[Ints, Floats, LeftAside]:
        """Return every deployment at a place that is not picked."""
        there = np.flatnonzero(replaced_by(self._planning, self._picked) < 0)
        counts = self._base - self._new[k] + self._new[there]
        coverage = (self._harmonic(counts) - self._harmonic(self._base)) @ self._weights
        return there, np.asarray(self._worth[there] - self._worth[k] + coverage, dtype=float), "none"

    def slack(self, k: int, gain: float) -> float:
        """Return the coverage that k itself gives: points of a band only fall with the count."""
        del gain
        return float(self._weights @ (self._harmonic(self._base) - self._harmonic(self._base - self._new[k])))


def replaced_by(planning: Planning, picked: Ints) -> Ints:
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


class ErrorValue(Value):
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
        replaced = replaced_by(self._planning, self._picked)[self._single]
        swaps, added = self._single[replaced >= 0], self._single[replaced < 0]
        cost = np.maximum(self._planning.deployments.cost_cents[added].sum(axis=(1, 2)), 1)
        weight = [np.array([one.weight / one.goal**2 for one in field.asked]) for field in self._fields]
        promise = np.array(
            [sum(float(w @ f.bound(int(k))) for w, f in zip(weight, self._fields, strict=True)) for k in added]
        )
        best = np.sort(added[np.argsort(-promise / cost, kind="stable")[:MOST_ADDED]])
        every = np.concatenate([swaps, best]).astype(np.int64)
        old = replaced_by(self._planning, self._picked)[every]
        gains = [self.change([int(o)] if o >= 0 else [], [int(k)]) for k, o in zip(every, old, strict=True)]
        return every, np.array(gains, dtype=float)

    def replacements(self, k: int) -> tuple[Ints, Floats, LeftAside]:
        """Return the earliest deployment of each plan at places that are not picked, those that promise most."""
        free = replaced_by(self._planning, self._picked) < 0
        there = self._single[free[self._single]]
        aside: LeftAside = "later starts" if there.size < int(free.sum()) else "none"
        if there.size > MOST_ADDED:
            promise = np.array([sum(float(f.bound(int(j)).sum()) for f in self._fields) for j in there])
            there = np.sort(there[np.argsort(-promise, kind="stable")[:MOST_ADDED]])
            aside = "places"
        return there, np.array([self.change([k], [int(j)]) for j in there], dtype=float), aside

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


class RulesAfter:
    """Which rules a change breaks that held before."""

    def __init__(self, planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind]) -> None:
        self._planning, self._picked = planning, picked
        every = [(kind, demand) for kind in kinds.values() for demand in kind.demands(planning)]
        self._held: list[tuple[RuleKind, Demand]] = [
            (kind, demand) for kind, demand in every if kind.judge(planning, picked, demand).holds
        ]
        # Money is added up and distances are measured last.
        self._quick_first = sorted(self._held, key=lambda one: isinstance(one[0], (BudgetKind, SpacingKind)))

    def _after(self, out: Sequence[int], into: Sequence[int]) -> Ints:
        stays = np.setdiff1d(self._picked, np.array(out, dtype=np.int64))
        return np.sort(np.concatenate([stays, np.array(into, dtype=np.int64)]))

    def broken(self, out: Sequence[int], into: Sequence[int]) -> tuple[Judgement, ...]:
        """Return the judgements of rules that held and no longer do."""
        after = self._after(out, into)
        judged = [kind.judge(self._planning, after, demand) for kind, demand in self._held]
        return tuple(judgement for judgement in judged if not judgement.holds)

    def keeps(self, out: Sequence[int], into: Sequence[int]) -> bool:
        """Say whether every rule that held still does."""
        after = self._after(out, into)
        return all(kind.judge(self._planning, after, demand).holds for kind, demand in self._quick_first)

    def shut(self, out: Sequence[int], of: type[SpacingKind] | type[AnalyzersKind]) -> Bools:
        """Return a mask of deployments that alone break a rule of one kind that held; looked up for all at once."""
        found = np.zeros(len(self._planning.deployments), dtype=bool)
        stays = self._after(out, [])
        for kind, demand in self._held:
            if isinstance(kind, of):
                found |= kind.shut(self._planning, stays, demand)
        return found

    def holds_money(self) -> bool:
        """Say whether the total budget is a rule that held before."""
        return any(demand.label == f"{MONEY}total" for _, demand in self._held)

    def allows(self, out: Sequence[int], into: Sequence[int]) -> bool:
        """Say whether every rule but those on money still holds."""
        after = self._after(out, into)
        return all(
            kind.judge(self._planning, after, demand).holds
            for kind, demand in self._held
            if not demand.label.startswith(MONEY)
        )
