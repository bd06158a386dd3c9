"""Everything that can be said of what a layout shows, in one frozen result."""

from __future__ import annotations

from dataclasses import dataclass

from siting.assessment.doubts import Discovery, PairOffset, discoveries, pair_offsets
from siting.assessment.precision import Precision, precision
from siting.assessment.sensitivity import Moved, sensitivity
from siting.region.model import Ints
from siting.selection.planning import Planning

# With more sites than this the years to detection and the sensitivity take minutes and are left out.
MOST_SITES = 80


@dataclass(frozen=True)
class Statement:
    """Errors and detection of each target, what pairs and records reveal, and what rests on assumptions.

    `whole` is False for a layout of more than `MOST_SITES` sites: then the years to detection and the
    sensitivity to assumed numbers were left out.
    """

    precision: Precision
    offsets: tuple[PairOffset, ...]
    discoveries: tuple[Discovery, ...]
    moved: tuple[Moved, ...]
    whole: bool


def statement(planning: Planning, picked: Ints) -> Statement:
    """Return what picked deployments (k,) show together with the running stations.

    Raises `UnknownGasError` where a tracer's numbers are neither given nor known beforehand.
    """
    whole = picked.size <= MOST_SITES
    shown = precision(planning, picked, years=whole)
    moved = sensitivity(planning, picked, shown) if whole else ()
    return Statement(shown, pair_offsets(planning, picked), discoveries(planning, picked), moved, whole)
