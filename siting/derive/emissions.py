"""What towns emit: emission per head and molar mass of the gases that the tool knows, with their sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

PER_HEAD = "man-made emission of the world over 8 thousand million people, rounded; common practice, no single source"
# People on a square kilometre of a town; gives the width of a town from its people (common practice, no single source).
PEOPLE_PER_KM2 = 3000.0


@dataclass(frozen=True)
class Emitted:
    """A gas: molar mass in g/mol and emission per head in kg a year."""

    molar_mass_g_mol: float
    kg_per_head_a_year: float


EMITTED: Mapping[str, Emitted] = MappingProxyType(
    {
        "CO2": Emitted(44.010, 4700.0),
        "CH4": Emitted(16.043, 45.0),
        "N2O": Emitted(44.013, 1.4),
        "CO": Emitted(28.010, 75.0),
        "SF6": Emitted(146.055, 0.0011),
        "H2": Emitted(2.016, 1.4),
    }
)


def town_width_m(population: ArrayLike) -> NDArray[np.float64]:
    """Return the width in m of a square town of so many people at 3,000 to the square kilometre."""
    return np.asarray(np.sqrt(np.asarray(population, dtype=float) / PEOPLE_PER_KM2) * 1000.0)
