"""Everything that can be said of a layout, in one frozen result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, Ints
from siting.assessment.assumed import assumed_at_picks
from siting.assessment.coverage import Coverage, coverage, reach
from siting.assessment.money import Money, money_of
from siting.assessment.statement import Statement, statement
from siting.assessment.supply import SupplyStatement, supply_statement
from siting.assessment.tradeoff import By
from siting.deployments import SCORE_PARTS
from siting.planning import Planning
from siting.record.air import UnknownGasError
from siting.selection.kinds import Judgement, RuleKind
from siting.selection.registry import RULE_KINDS, judge
from siting.selection.score import LayoutScore, layout_score


@dataclass(frozen=True)
class Pick:
    """One picked deployment: where, what, from when, and each part of its score.

    `lat` and `lon` are the place, for a track or area its middle, `south` and `north` how far it reaches (all degrees
    WGS 84). `first_month` is a calendar month as (year, month); `left` the share of the window that is left from then
    on; `worth` = left x (score - worth_from); `parts` holds (name, attribute, value 0-1) for the five parts;
    `samples` accepted samples in an open month; `open_months` (1-12) when the place can be worked; `cost_by_year`
    hundredths of the currency, without fixed costs of supply that sites share; `flasks` in circulation at the peak;
    `laboratory` samples in the busiest year; `way_out` and `way_home` the places of its supply, empty where no legs
    lead.
    """

    id: str
    name: str
    plan: str
    kind: str
    platform: str
    start_year: int
    first_month: tuple[int, int]
    lat: float
    lon: float
    south: float
    north: float
    score: float
    worth: float
    left: float
    samples: float
    open_months: tuple[int, ...]
    parts: tuple[tuple[str, float, float], ...]
    cost_by_year: tuple[int, ...]
    flasks: int
    laboratory: int
    way_out: str
    way_home: str


@dataclass(frozen=True)
class Assessment:
    """A layout's picks in the order of ids, its score, coverage, cost and how it stands to every rule.

    `assumed` names by column the picks at which an assumed value counts. `statement` says what the
    network will show; it is None where it was not asked for or, as `unstated` then says, cannot be given.
    """

    picks: tuple[Pick, ...]
    score: LayoutScore
    coverage: Coverage
    money: Money
    rules: tuple[Judgement, ...]
    assumed: Mapping[str, tuple[str, ...]]
    supply: SupplyStatement
    statement: Statement | None = None
    unstated: str = ""

    @property
    def broken(self) -> tuple[Judgement, ...]:
        """The rules that the layout breaks."""
        return tuple(judgement for judgement in self.rules if not judgement.holds)


def assess_layout(
    planning: Planning,
    picked: Ints,
    kinds: Mapping[str, RuleKind] = RULE_KINDS,
    *,
    state: bool = False,
    by: By = "score",
) -> Assessment:
    """Return the assessment of picked deployments (k,), in any order; with `state` also what it will show.

    `by` is the value by which the plan of each site is compared with others.
    """
    ordered = np.sort(np.asarray(picked, dtype=np.int64))
    ends = reach(planning)
    stated, unstated = _stated(planning, ordered, kinds, by) if state else (None, "")
    return Assessment(
        picks=tuple(_pick(planning, int(k), ends) for k in ordered),
        score=layout_score(planning, ordered),
        coverage=coverage(planning, ordered),
        money=money_of(planning, ordered),
        rules=judge(planning, ordered, kinds),
        assumed=assumed_at_picks(planning, ordered),
        supply=supply_statement(planning, ordered),
        statement=stated,
        unstated=unstated,
    )


def _stated(planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind], by: By) -> tuple[Statement | None, str]:
    """Return the statement, or None and why there is none."""
    try:
        return statement(planning, picked, kinds, by), ""
    except UnknownGasError as error:
        return None, str(error)


def _pick(planning: Planning, k: int, ends: tuple[Floats, Floats]) -> Pick:
    d, region = planning.deployments, planning.region
    c, i, plan = region.candidates, int(d.candidate[k]), region.settings.plans[d.plan[k]]
    year, month = divmod(int(d.first_month[k]), 12)
    way = int(planning.ways_of(np.array([k]))[0])
    out, home = planning.supply.words(way)
    return Pick(
        id=c.ids[i],
        name=c.names[i],
        plan=plan.id,
        kind=plan.kind,
        platform=c.platform[i],
        start_year=int(d.start_year[k]),
        first_month=(region.settings.first_year + year, month + 1),
        lat=float(c.lat[i]),
        lon=float(c.lon[i]),
        south=float(ends[0][i]),
        north=float(ends[1][i]),
        score=float(d.score[k]),
        worth=float(d.worth[k]),
        left=float(d.left[k]),
        samples=float(d.samples[k]),
        open_months=tuple(int(month) + 1 for month in np.flatnonzero(region.open_months[i])),
        parts=tuple((part, float(d.attributes[k, j]), float(d.values[k, j])) for j, part in enumerate(SCORE_PARTS)),
        cost_by_year=tuple(int(amount) for amount in d.cost_cents[k].sum(axis=1) + planning.supply.cents[way]),
        flasks=int(planning.supply.flasks[way].max(initial=0)),
        laboratory=int(d.laboratory[k].max(initial=0)),
        way_out=out,
        way_home=home,
    )
