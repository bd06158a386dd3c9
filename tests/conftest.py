"""Fixtures for all tests."""

import importlib.util
import itertools
import os
from pathlib import Path

import pytest
from hypothesis import settings

# A busy machine must not fail a test for the time that one example took.
settings.register_profile("whole", deadline=None)
settings.load_profile("whole")

# As the command line does: our matrices are small, and threads would only wait for each other.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def _beside(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def strict_geojson():
    """Return `check(text) -> list of violations`, the strict reader of RFC 7946 in rfc7946.py."""
    return _beside("rfc7946").check


@pytest.fixture
def make_region(tmp_path):
    """Return `make() -> RegionMaker` of regionmaker.py: a small valid region to change and write.

    Each call gives a maker with a folder of its own in tmp_path: `make_region().cell("alba", "lat", "95").faults()`,
    `make_region().setting("years = 4", "years = 0").sentences()`, `make_region().read()`.
    """
    count = itertools.count(1)
    return lambda: _beside("regionmaker").RegionMaker(tmp_path / f"region{next(count)}")
