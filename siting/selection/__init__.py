"""Rules, programs and the engines that choose a layout and prove the choice."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from siting.selection.exact import ExactDesign, LogDet, RowLimits, Shortfall, WeightedVariance, exact_design

__all__ = ["ExactDesign", "LogDet", "RowLimits", "Shortfall", "WeightedVariance", "exact_design"]


def __getattr__(name: str) -> object:
    """Load the search on arrays when it is first asked for; most of the package can do without it."""
    if name in __all__:
        from siting.selection import exact

        return getattr(exact, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
