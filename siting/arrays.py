"""Names of the arrays that pass between modules, and how frozen results hold them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.uint8]


def read_only(array: NDArray[Any]) -> NDArray[Any]:
    """Return the array with writing switched off, as frozen results hold it."""
    array.setflags(write=False)
    return array
