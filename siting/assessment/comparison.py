"""Several layouts of one region side by side: facts of each, which dominates which, what they have in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from siting.arrays import Floats, Ints, read_only
from siting.assessment.layout import Assessment, assess_layout
from siting.assessment.precision import Precision, Shown, precision, target_errors
from siting.assessment.statement import MOST_SITES
from siting.planning import Planning
from siting.record.air import UnknownGasError
from siting.region.model import Region
from siting.selection.score import layout_score

# Two values nearer than this, of their size, are equal.
EQUAL = 1e-9
# Shortfalls are told apart to this many decimals when the worst loss is looked for.
DECIMALS = 9

COST, SCORE, RULES, ERROR = "cost", "score", "rules", "error"

ONLY_KEEPER = "the only one that keeps every rule"
BEST_OF_ALL = "dominates every other"
BEST_OF_KEEPERS = "dominates every other that keeps every rule"
ALL_EQUAL = "equal in every criterion"
TRADE_OFF = "trade-off"
# A site as a layout has it: its (plan id, start year), empty where it is not picked; two of them break a rule.
Held = tuple[tuple[str, int], ...]
# A target by (tracer, id).
Key = tuple[str, str]


@dataclass(frozen=True)
class Criterion:
    """What layouts are compared by: `kind` is COST, SCORE, RULES or ERROR; `target` is the (tracer, id) of an error.

    With `less` a smaller value is the better one.
    """

    kind: str
    less: bool
    target: Key | None = None


@dataclass(frozen=True)
class Loss:
    """A layout without one of its sites: score, errors by target, shortfall, and the goals missed.

    `errors` are in the units of the targets, `missed` the targets whose goal is then missed, `newly` those of them
    whose goal the whole layout meets. Without targets `errors` is empty and `shortfall` None.
    """

    id: str
    score: float
    errors: tuple[tuple[Key, float], ...]
    shortfall: float | None
    missed: tuple[Key, ...]
    newly: tuple[Key, ...]


@dataclass(frozen=True, eq=False)
class Judged:
    """One layout of a comparison.

    `precision` is None where what the layout shows cannot be told; `unstated` then says why. `losses` has one entry
    a picked site, in the order of ids; `worst` is the one that adds most to the shortfall, then the one with
    most goals newly missed, then with the least score left; None where nothing is picked.
    """

    name: str
    planning: Planning
    assessment: Assessment
    precision: Precision | None
    unstated: str
    losses: tuple[Loss, ...]
    worst: Loss | None

    @property
    def keeps(self) -> bool:
        """Whether the layout keeps every rule."""
        return not self.assessment.broken

    @property
    def shown(self) -> dict[Key, Shown]:
        """What the layout shows by target, empty where it cannot be told."""
        return {} if self.precision is None else {(s.tracer, s.id): s for s in self.precision.shown}


@dataclass(frozen=True)
class Member:
    """A site that some layout picks: `held` tells for each layout what it has there."""

    id: str
    name: str
    held: tuple[Held, ...]

    @property
    def in_all(self) -> bool:
        """Whether every layout picks the site."""
        return all(self.held)

    @property
    def same(self) -> bool:
        """Whether every layout picks the site with the same plan from the same year."""
        return self.in_all and len(set(self.held)) == 1


@dataclass(frozen=True)
class Advice:
    """What follows from the criteria alone.

    `finding` is one of ONLY_KEEPER, BEST_OF_ALL, BEST_OF_KEEPERS, ALL_EQUAL and TRADE_OFF. `layout` is the name of
    the layout that stands out, None for the last two; `among` are the layouts between which the choice lies: of
    those that keep every rule (of all, if none does) the ones that no other dominates. `keepers` keep every rule.
    """

    finding: str
    layout: str | None
    among: tuple[str, ...]
    keepers: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Layouts of one region in the order given.

    `values` (layouts, criteria) holds cost in hundredths, score, number of broken conditions and errors in the
    units of the targets; errors take part where they are known of every layout. `dominated` has the
    (dominator, dominated) names, in the order of the layouts.
    """

    judged: tuple[Judged, ...]
    criteria: tuple[Criterion, ...]
    values: Floats
    dominated: tuple[tuple[str, str], ...]
    members: tuple[Member, ...]
    advice: Advice

    @property
    def region(self) -> Region:
        """The region of all layouts."""
        return self.judged[0].planning.region

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the layouts."""
        return tuple(judged.name for judged in self.judged)

    @property
    def common(self) -> tuple[Member, ...]:
        """Sites that all layouts pick with one plan from one year."""
        return tuple(member for member in self.members if member.same)

    @property
    def differing(self) -> tuple[Member, ...]:
        """Sites that all layouts pick, but with another plan or from another year."""
        return tuple(member for member in self.members if member.in_all and not member.same)

    @property
    def partial(self) -> tuple[Member, ...]:
        """Sites that only some layouts pick."""
        return tuple(member for member in self.members if not member.in_all)

    @cached_property
    def targets(self) -> tuple[Shown, ...]:
        """The targets, as the first layout shows them of which that is known."""
        known = (judged.precision.shown for judged in self.judged if judged.precision is not None)
        return next(known, ())

    def better_in(self, one: int, other: int) -> tuple[Criterion, ...]:
        """Return the criteria in which a layout (by position) is better than another."""
        pairs = zip(self.criteria, self.values[one], self.values[other], strict=True)
        return tuple(criterion for criterion, a, b in pairs if _better(float(a), float(b), criterion.less))

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with one row a layout, index `layout`; errors and years by "tracer target"."""
        import pandas as pd

        rows = []
        for judged in self.judged:
            a, worst = judged.assessment, judged.worst
            gap = a.coverage.gaps[0].width_deg if a.coverage.gaps else 0.0
            row: dict[str, Any] = {
                "sites": len(a.picks),
                "cost_total": a.money.total / 100,
                "score": a.score.total,
                "conditions_broken": len(a.broken),
                "dominated_by": "; ".join(one for one, other in self.dominated if other == judged.name),
                "goals_met": sum(s.met for s in judged.shown.values()),
                "shortfall": math.nan if judged.precision is None else judged.precision.shortfall,
                "widest_gap_deg": gap,
                "worst_loss": None if worst is None else worst.id,
                "worst_loss_score": math.nan if worst is None else worst.score,
                "worst_loss_shortfall": math.nan if worst is None or worst.shortfall is None else worst.shortfall,
            }
            row |= {f"cost_{y}": c / 100 for y, c in zip(a.money.years, a.money.by_year, strict=True)}
            for key in ((s.tracer, s.id) for s in self.targets):
                s = judged.shown.get(key)
                row[f"error {key[0]} {key[1]}"] = math.nan if s is None else s.error
                row[f"years {key[0]} {key[1]}"] = math.nan if s is None or s.years is None else s.years
            row |= {f"sites {band.band}": band.sites for band in a.coverage.bands}
            rows.append(row)
        return pd.DataFrame(rows, index=pd.Index(self.names, name="layout", dtype=object))


def compared(entries: Sequence[tuple[str, Planning, Ints]]) -> Comparison:
    """Return the comparison of two or more layouts: (name, planning with its ways chosen, picked deployments (k,)).

    The plannings are of one region; they may differ in which deployments are in the table. With a layout of more
    than `MOST_SITES` sites years to detection are left out for all. Where a gas lacks numbers the targets of that
    layout are left out, and `unstated` says why. Raises ValueError for fewer than two layouts, for names that are not
    distinct and for plannings of several regions.
    """
    names = [name for name, _, _ in entries]
    if len(names) < 2:
        raise ValueError("a comparison needs at least two layouts")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"names of layouts must be distinct; found twice: {', '.join(twice)}")
    first = entries[0][1].region
    strange = [name for name, planning, _ in entries if not _same_region(planning.region, first)]
    if strange:
        raise ValueError(f"layouts must be of one region; another one: {', '.join(strange)}")
    years = max(np.asarray(picked).size for _, _, picked in entries) <= MOST_SITES
    judged = tuple(_judged(name, planning, picked, years) for name, planning, picked in entries)
    criteria = _criteria(judged)
    values = np.array([[_value(one, criterion) for criterion in criteria] for one in judged], dtype=np.float64)
    less = [criterion.less for criterion in criteria]
    pairs = [
        (a, b)
        for a in range(len(judged))
        for b in range(len(judged))
        if a != b and dominates(values[a], values[b], less)
    ]
    return Comparison(
        judged=judged,
        criteria=criteria,
        values=read_only(values),
        dominated=tuple((names[a], names[b]) for a, b in pairs),
        members=_members(judged),
        advice=_advice(judged, values, less, pairs),
    )


def dominates(one: Sequence[float] | Floats, other: Sequence[float] | Floats, less: Sequence[bool]) -> bool:
    """Say whether values (criteria,) are no worse than others in all and better in at least one.

    `less` says by criterion whether a smaller value is better; values within `EQUAL` of their size are equal.
    """
    pairs = [(float(a), float(b), small) for a, b, small in zip(one, other, less, strict=True)]
    return any(_better(a, b, small) for a, b, small in pairs) and not any(_better(b, a, small) for a, b, small in pairs)


def _better(a: float, b: float, less: bool) -> bool:
    return not math.isclose(a, b, rel_tol=EQUAL) and (a < b) == less


def _same_region(one: Region, other: Region) -> bool:
    return one is other or (
        (one.name, one.settings, one.candidates.ids, one.inputs, one.what_ifs)
        == (other.name, other.settings, other.candidates.ids, other.inputs, other.what_ifs)
    )


def _judged(name: str, planning: Planning, picked: Ints, years: bool) -> Judged:
    ordered = np.sort(np.asarray(picked, dtype=np.int64))
    given: Precision | None = None
    unstated = ""
    try:
        given = precision(planning, ordered, years=years)
    except UnknownGasError as error:
        unstated = str(error)
    losses = _losses(planning, ordered, given)
    return Judged(
        name=name,
        planning=planning,
        assessment=assess_layout(planning, ordered),
        precision=given,
        unstated=unstated,
        losses=losses,
        worst=_worst(losses, 0.0 if given is None else given.shortfall),
    )


def _losses(planning: Planning, picked: Ints, given: Precision | None) -> tuple[Loss, ...]:
    """Return the layout without each of its sites in turn."""
    d, ids = planning.deployments, planning.region.candidates.ids
    shown = () if given is None else given.shown
    without = {} if given is None else _errors_without(planning, picked, given)
    found = []
    for i in np.unique(d.candidate[picked]).tolist():
        errors = without.get(i, {})
        missed = tuple((s.tracer, s.id) for s in shown if errors[s.tracer, s.id] > s.goal)
        met = {(s.tracer, s.id) for s in shown if s.met}
        shortfall = sum(s.weight * max(0.0, (errors[s.tracer, s.id] / s.goal) ** 2 - 1.0) for s in shown)
        found.append(
            Loss(
                id=ids[i],
                score=layout_score(planning, picked[d.candidate[picked] != i]).total,
                errors=tuple(((s.tracer, s.id), errors[s.tracer, s.id]) for s in shown),
                shortfall=None if given is None else float(shortfall),
                missed=missed,
                newly=tuple(key for key in missed if key in met),
            )
        )
    return tuple(found)


def _errors_without(planning: Planning, picked: Ints, given: Precision) -> dict[int, dict[Key, float]]:
    """Return by candidate the errors of all targets without it."""
    candidates = planning.deployments.candidate[picked]
    sites = np.unique(candidates).tolist()
    if any(s.kind == "monthly_anomaly" for s in given.shown) or len(sites) < picked.size:
        # Single months, and sites that are picked twice, are not among the losses that `precision` tells.
        return {i: target_errors(planning, picked[candidates != i]) for i in sites}
    index = planning.region.candidates.index
    found: dict[int, dict[Key, float]] = {i: {} for i in sites}
    for worth in given.worth:
        found[index(worth.id)] |= {(worth.tracer, target): error for target, error in worth.without}
    return found


def _worst(losses: Sequence[Loss], now: float) -> Loss | None:
    def badness(loss: Loss) -> tuple[float, int, float, str]:
        rise = 0.0 if loss.shortfall is None else round(loss.shortfall - now, DECIMALS)
        return (-rise, -len(loss.newly), round(loss.score, DECIMALS), loss.id)

    return min(losses, key=badness, default=None)


def _criteria(judged: Sequence[Judged]) -> tuple[Criterion, ...]:
    """Return cost, score and rules, and each target's error where every layout tells it."""
    plain = (Criterion(COST, True), Criterion(SCORE, False), Criterion(RULES, True))
    if any(one.precision is None for one in judged):
        return plain
    return (*plain, *(Criterion(ERROR, True, key) for key in judged[0].shown))


def _value(judged: Judged, criterion: Criterion) -> float:
    if criterion.target is not None:
        return judged.shown[criterion.target].error
    plain = {
        COST: float(judged.assessment.money.total),
        SCORE: judged.assessment.score.total,
        RULES: float(len(judged.assessment.broken)),
    }
    return plain[criterion.kind]


def _members(judged: Sequence[Judged]) -> tuple[Member, ...]:
    """Return every site of any layout in the order of ids."""
    names: dict[str, str] = {}
    held: list[dict[str, list[tuple[str, int]]]] = []
    for one in judged:
        here: dict[str, list[tuple[str, int]]] = {}
        for pick in one.assessment.picks:
            names[pick.id] = pick.name
            here.setdefault(pick.id, []).append((pick.plan, pick.start_year))
        held.append(here)
    return tuple(Member(i, names[i], tuple(tuple(sorted(here.get(i, []))) for here in held)) for i in sorted(names))


def _advice(judged: Sequence[Judged], values: Floats, less: Sequence[bool], pairs: Sequence[tuple[int, int]]) -> Advice:
    """Return what stands out: a layout that breaks a rule never dominates one that keeps all, so keepers come first."""
    everyone = range(len(judged))
    kept = [k for k in everyone if judged[k].keeps]
    choice = kept or list(everyone)
    beaten = {b for a, b in pairs if a in choice}
    among = [k for k in choice if k not in beaten] or choice
    keepers = tuple(judged[k].name for k in kept)

    def advice(finding: str, layout: int | None = None) -> Advice:
        return Advice(
            finding, None if layout is None else judged[layout].name, tuple(judged[k].name for k in among), keepers
        )

    if len(kept) == 1:
        return advice(ONLY_KEEPER, kept[0])
    for a in among:
        beats = {b for one, b in pairs if one == a}
        if beats >= set(everyone) - {a}:
            return advice(BEST_OF_ALL, a)
        if kept and beats >= set(kept) - {a}:
            return advice(BEST_OF_KEEPERS, a)
    alike = all(
        not _better(float(x), float(y), small)
        for k in among
        for x, y, small in zip(values[k], values[among[0]], less, strict=True)
    )
    return advice(ALL_EQUAL if alike else TRADE_OFF)
