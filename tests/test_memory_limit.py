"""A search that holds more memory than allowed ends with what it has and says so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from siting import plan, read_region
from siting.options import plan_options
from siting.region.faults import InputError
from siting.selection.memory import MemoryWatch, resident_mb
from siting.selection.program import Ended, Limits

REGIONS = Path(__file__).parent.parent / "regions"


def test_the_memory_told_grows_by_what_an_array_takes():
    before = resident_mb()
    held = np.ones(16 * 2**20)
    after = resident_mb()
    assert before is not None
    assert after is not None
    assert 100.0 < after - before < 200.0
    assert held.size


def test_a_limit_below_what_is_held_has_passed_and_one_far_above_has_not():
    assert MemoryWatch(1.0).passed()
    assert not MemoryWatch(1e9).passed()
    assert not MemoryWatch(None).passed()


@pytest.mark.parametrize("by", ["precision", "score"])
def test_a_search_past_its_memory_ends_with_that_reason_and_a_true_gap(by):
    result = plan(read_region(REGIONS / "farwinds"), by=by, memory_mb=1.0)
    assert result.selection.ended is Ended.MEMORY
    assert not result.selection.proved


def test_a_memory_limit_that_is_no_number_above_0_is_refused():
    for wrong in ("0", "-5", "much"):
        with pytest.raises(InputError):
            plan_options("precision", None, None, None, None, wrong)
    with pytest.raises(ValueError, match="above 0"):
        Limits(memory_mb=0.0)
