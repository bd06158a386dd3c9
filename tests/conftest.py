"""Fixtures for all tests."""

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def strict_geojson():
    """Return `check(text) -> list of violations`, the strict reader of RFC 7946 in rfc7946.py."""
    spec = importlib.util.spec_from_file_location("rfc7946", Path(__file__).with_name("rfc7946.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.check
