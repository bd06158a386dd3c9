"""Plan observing networks for trace gases in background air.

The Python interface mirrors the commands: `read_region`, `plan`, `assess`, `compare`, `frontier`,
`build_order`, `alternatives`, `stress`, `make_report`. Names are looked up on
first use, so that importing the package costs next to nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from siting.api import (
        GivenResult,
        OrderResult,
        PlanResult,
        alternatives,
        assess,
        build_order,
        compare,
        derive,
        frontier,
        frontier_both,
        make_report,
        plan,
        stress,
    )
    from siting.region import Fault, InputError, Region, read_region
    from siting.region.layouts import read_layout

__version__ = "0.1.0"

_HOMES = {
    "plan": "siting.api",
    "assess": "siting.api",
    "derive": "siting.api",
    "alternatives": "siting.api",
    "build_order": "siting.api",
    "compare": "siting.api",
    "frontier": "siting.api",
    "stress": "siting.api",
    "frontier_both": "siting.api",
    "make_report": "siting.api",
    "PlanResult": "siting.api",
    "GivenResult": "siting.api",
    "OrderResult": "siting.api",
    "read_region": "siting.region",
    "Region": "siting.region",
    "InputError": "siting.region",
    "Fault": "siting.region",
    "read_layout": "siting.region.layouts",
}

__all__ = [
    "Fault",
    "GivenResult",
    "InputError",
    "OrderResult",
    "PlanResult",
    "Region",
    "alternatives",
    "assess",
    "build_order",
    "compare",
    "derive",
    "frontier",
    "frontier_both",
    "make_report",
    "plan",
    "read_layout",
    "read_region",
    "stress",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'siting' has no attribute '{name}'")
    return getattr(importlib.import_module(_HOMES[name]), name)
