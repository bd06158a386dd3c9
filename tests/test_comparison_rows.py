"""The rows of the comparison rule where a relaxation may mix layouts. All regions are invented."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from siting.planning import plan_region
from siting.selection.registry import start_program

SPEC = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(made)


@pytest.mark.parametrize(("km", "count", "least"), [(0.0, 1, 1.0), (100.0, 1, 0.0), (0.0, "all", 0.5)])
def test_half_an_analyzer_and_half_the_flasks_of_a_site_are_no_pair_even_where_halves_are_allowed(km, count, least):
    # By hand: the layouts of a site are nothing, an analyzer, flasks, or both; of their mixtures only those with both
    # count. One pair needs a whole one, together, unless flasks stand near; where the first site has at least half an
    # analyzer of some kind and all of them must have flasks, that half is of both.
    places = [
        {"id": "a", "lat": 0.0, "lon": 0.0, "plans": "a f b"},
        {"id": "near", "lat": 0.0, "lon": 0.5, "plans": "f"},
        {"id": "far", "lat": 40.0, "lon": 90.0, "plans": "a f b"},
    ]
    rule = {"kind": "comparison", "name": "rule", "count": count, "km": km}
    planning = plan_region(
        made.region(
            places, years=1, plans=[made.FLASK, made.ANALYZER, made.BOTH], rules=[rule], stock={"analyzers": 50}
        )
    )
    program = start_program(planning).build()
    site = np.array([name.split("|")[:2] for name in program.names[: program.deployments]])
    cost, analyzers = np.zeros(len(program.names)), np.zeros(len(program.names))
    cost[: site.shape[0]] = site[:, 1] == "b"
    analyzers[: site.shape[0]] = (site[:, 0] == "a") & (site[:, 1] != "f")
    found = milp(
        cost,
        constraints=[
            LinearConstraint(program.matrix, program.row_lower, program.row_upper),
            LinearConstraint(analyzers, 0.5, np.inf),
        ],
        bounds=Bounds(program.lower, program.upper),
        integrality=np.zeros(cost.size),
    )
    assert found.success
    assert found.fun == pytest.approx(least, abs=1e-9)
