"""Everything that can be said of what a layout shows, in one frozen result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from siting.arrays import Ints
from siting.assessment.assumed import noise_lines
from siting.assessment.doubts import Discovery, PairOffset, discoveries, pair_offsets
from siting.assessment.precision import Precision, precision
from siting.assessment.sensitivity import Moved, sensitivity
from siting.assessment.signals import Signal, signals
from siting.assessment.swaps import SiteSwap
from siting.assessment.tradeoff import By, PlanChoices, choices_and_swaps
from siting.planning import Planning
from siting.record.air import Air, airs
from siting.record.gases import GASES
from siting.region.model import Region
from siting.region.schema.air import Mixing, Tracer
from siting.selection.kinds import RuleKind
from siting.selection.registry import RULE_KINDS

# With more sites than this the years to detection and the sensitivity take minutes and are left out, and with
# them the swaps of plans.
MOST_SITES = 80
GIVEN = "given in region.toml"
EVERY_GAS = "all gases"
# Numbers of a plan that a gas only fills in where the plan leaves them empty.
_OF_PLANS = ("repeatability_analyzer", "repeatability_flask", "calibration_error")


@dataclass(frozen=True)
class Defaulted:
    """A number or a curve that the region left empty, what was taken, and where that comes from."""

    tracer: str
    name: str
    value: str
    source: str


@dataclass(frozen=True)
class Statement:
    """Errors and detection of each target, what pairs and records reveal, and what rests on assumptions.

    `choices` compares the plans of the picked sites with others, `swaps` tells the best replacement of each site,
    `signals` what each site would see month by month, `defaults` are the numbers that nobody gave,
    `noise` tells of each site with a record of its own what that gave for its noise.
    `whole` is False for a layout of more than `MOST_SITES` sites: then the years to detection, the
    sensitivity to assumed numbers and the choice of plans were left out.
    """

    precision: Precision
    offsets: tuple[PairOffset, ...]
    discoveries: tuple[Discovery, ...]
    moved: tuple[Moved, ...]
    choices: PlanChoices | None
    swaps: tuple[SiteSwap, ...]
    signals: tuple[Signal, ...]
    defaults: tuple[Defaulted, ...]
    noise: tuple[str, ...]
    whole: bool


def statement(
    planning: Planning, picked: Ints, kinds: Mapping[str, RuleKind] = RULE_KINDS, by: By = "score"
) -> Statement:
    """Return what picked deployments (k,) show together with the running stations.

    `by` is the value by which plans are compared, `kinds` the rules that they must hold.
    Raises `UnknownGasError` where a tracer's numbers are neither given nor known beforehand.
    """
    whole = picked.size <= MOST_SITES
    shown = precision(planning, picked, years=whole)
    moved = sensitivity(planning, picked, shown) if whole else ()
    choices, swaps = choices_and_swaps(planning, picked, kinds, by) if whole else (None, ())
    return Statement(
        precision=shown,
        offsets=pair_offsets(planning, picked),
        discoveries=discoveries(planning, picked),
        moved=moved,
        choices=choices,
        swaps=swaps,
        signals=signals(planning, picked),
        defaults=defaulted(planning.region, moved),
        noise=noise_lines(planning, picked),
        whole=whole,
    )


def defaulted(region: Region, moved: Sequence[Moved] = ()) -> tuple[Defaulted, ...]:
    """Return every number and curve of the air and of the mixing that the region left empty, with its source.

    `moved` tells which numbers of plans no plan of the layout took from its gas; those are left out.
    """
    idle = {(m.tracer, m.name) for m in moved if m.largest == 0.0 and m.name in _OF_PLANS}
    found: list[Defaulted] = []
    for tracer, air in zip(region.settings.tracers, airs(region), strict=True):
        numbers = [
            Defaulted(air.name, one.name, f"{one.value:g}", one.origin)
            for one in air.origins
            if one.origin != GIVEN and (air.name, one.name) not in idle
        ]
        told = {one.name for one in air.origins}
        found += numbers + [one for one in _curves(tracer, air) if one.name not in told]
    mixing = region.settings.mixing
    for name, field in Mixing.model_fields.items():
        if name in mixing.model_fields_set:
            continue
        extra = field.json_schema_extra
        why = str(extra.get("why", "")) if isinstance(extra, dict) else ""
        value = getattr(mixing, name)
        words = "the built-in curve" if isinstance(value, tuple) else f"{value:g}"
        found.append(Defaulted(EVERY_GAS, f"mixing.{name}", words, why or "assumed"))
    return tuple(found)


def _curves(tracer: Tracer, air: Air) -> list[Defaulted]:
    """Return season and gradient where the gas stands in for an empty one."""
    gas = next((g for name, g in GASES.items() if name.lower() == tracer.name.lower()), None)
    found: list[Defaulted] = []
    if gas is None:
        return found
    if not tracer.season:
        told = "; ".join(f"lat {lat:g}: {size:g} in month {month:g}" for lat, size, month in air.season)
        found.append(Defaulted(air.name, "season", told, gas.season_source))
    if not tracer.gradient:
        told = "; ".join(f"lat {lat:g}: {value:g}" for lat, value in air.gradient)
        found.append(Defaulted(air.name, "gradient", told, gas.gradient_source))
    return found
