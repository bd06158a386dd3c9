"""The one list of rule kinds; a new kind is added here, or passed in, and no solver is touched."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from siting.arrays import Ints
from siting.planning import Planning
from siting.region.schema.rules import AtLeast, AtMost
from siting.selection.kinds import (
    AtMostSitesKind,
    BandKind,
    ComparisonKind,
    CountKind,
    Demand,
    Judgement,
    OnlyWithKind,
    RuleKind,
    SpacingKind,
)
from siting.selection.program import ProgramBuilder
from siting.selection.shipping import CapacityKind, own_cents
from siting.selection.standing import (
    AnalyzersKind,
    BudgetKind,
    FlasksKind,
    LaboratoryKind,
    OfferedKind,
    OneEachKind,
    RequiredKind,
)

RULE_KINDS: Mapping[str, RuleKind] = MappingProxyType(
    {
        "one_each": OneEachKind(),
        "offered": OfferedKind(),
        "budget": BudgetKind(),
        "analyzers": AnalyzersKind(),
        "flasks": FlasksKind(),
        "capacity": CapacityKind(),
        "laboratory": LaboratoryKind(),
        "required": RequiredKind(),
        "at_most": CountKind(AtMost),
        "at_least": CountKind(AtLeast),
        "only_with": OnlyWithKind(),
        "band_at_least": BandKind(),
        "spacing": SpacingKind(),
        "comparison": ComparisonKind(),
        "at_most_sites": AtMostSitesKind(),
    }
)


def start_program(planning: Planning, kinds: Mapping[str, RuleKind] = RULE_KINDS) -> ProgramBuilder:
    """Return a builder with one column a deployment and the rows of every rule of the region."""
    builder = ProgramBuilder(
        planning.deployments.ids, planning.deployments.yearly_cents().sum(axis=1) + own_cents(planning)
    )
    for kind in kinds.values():
        for demand in kind.demands(planning):
            kind.add(builder, planning, demand)
    return builder


def demands(planning: Planning, kinds: Mapping[str, RuleKind] = RULE_KINDS) -> tuple[Demand, ...]:
    """Return every demand of the region, in the order of the kinds."""
    return tuple(demand for kind in kinds.values() for demand in kind.demands(planning))


def judge(planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind] = RULE_KINDS) -> tuple[Judgement, ...]:
    """Judge picked deployments (k,) by every rule, without rows or solver."""
    return tuple(kind.judge(planning, picked, demand) for kind in kinds.values() for demand in kind.demands(planning))
