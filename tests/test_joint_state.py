"""The state of all deployments at once, against the state of each layout and the assessment, which know nothing of it.

`TracerModel.layout` and `precision` build a state and a posterior for one layout alone and are themselves checked
against plain numpy in test_field_posterior.py. Places are invented.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from siting.assessment.precision import precision, target_errors
from siting.field.joint import JointState
from siting.field.model import tracer_models
from siting.planning import plan_region
from siting.region.reading import read_region
from siting.selection.precision import aims_of, picked_errors

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
net = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(net)

FARWINDS = Path(__file__).parents[1] / "regions" / "farwinds"
CH4 = {"name": "CH4", "unit": "ppb", "scale": "invented"}
ASKED = [
    {"id": "g", "kind": "realised_growth", "goal": 0.03, "weight": 2.0},
    {"id": "d", "kind": "level_difference", "band": "north", "minus": "south", "goal": 0.2},
    {"id": "s", "kind": "season", "band": "north", "goal": 0.3, "weight": 0.5},
    {"id": "m", "kind": "monthly_anomaly", "band": "north", "goal": 0.4},
    {"id": "mg", "tracer": "CH4", "kind": "monthly_anomaly", "band": "south", "goal": 6.0, "weight": 3.0},
    {"id": "gg", "tracer": "CH4", "kind": "realised_growth", "goal": 0.5},
    {"id": "dg", "tracer": "CH4", "kind": "level_difference", "band": "middle", "minus": "south", "goal": 2.0},
]


@pytest.fixture(scope="module")
def made_model():
    """Running stations with upgrades, two in a place, two in a cell, a ship, flasks on condition."""
    return net.model_of(
        [*net.SITES, {"id": "cell", "lat": 52.9, "lon": -9.0}, {"id": "run2", "lat": -41.1, "lon": 145.2}],
        methods=[{"id": "elder", "offset_sd": 0.3}, {"id": "laser"}, {"id": "glass"}],
    )


@pytest.fixture(scope="module")
def farwinds_model():
    return tracer_models(plan_region(read_region(FARWINDS)))[0]


@pytest.fixture(scope="module", params=["made", "farwinds"])
def model(request, made_model, farwinds_model):
    return made_model if request.param == "made" else farwinds_model


@pytest.fixture(scope="module")
def joint(model):
    return JointState(model)


@pytest.fixture(scope="module")
def batches(joint):
    return list(joint.batches())


def random_layout(model, rng, most=9):
    """Return deployments of distinct candidates, drawn at random."""
    candidate = model.planning.deployments.candidate
    places = rng.choice(np.unique(candidate), size=int(rng.integers(0, most)), replace=False)
    return np.sort([rng.choice(np.flatnonzero(candidate == place)) for place in places]).astype(np.int64)


def joined(joint, batches, picked, functionals):
    """Return variances (q,) of functionals over common coordinates from the factors of picked deployments."""
    k, size = functionals.shape[0], joint.local_size
    blocks = sorted({int(joint.block[d]) for d in picked} - {-1})
    total = np.eye(k + size * len(blocks))
    for batch in batches:
        for column, common, local in zip(batch.columns, batch.common, batch.local, strict=True):
            if column in picked:
                rows = np.zeros((common.shape[0], total.shape[0]))
                rows[:, :k] = common
                if joint.block[column] >= 0:
                    begin = k + size * blocks.index(int(joint.block[column]))
                    rows[:, begin : begin + size] = local
                total += rows.T @ rows
    wide = np.zeros((total.shape[0], functionals.shape[1]))
    wide[:k] = functionals
    return np.einsum("kq,kq->q", wide, np.linalg.solve(total, wide))


def test_layouts_have_the_posterior_of_their_own_state(model, joint, batches):
    # Functionals over everything that every state holds: field, growth anomalies, level anomalies.
    rng = np.random.default_rng(7)
    shared = joint.state.begin("methods")
    for _ in range(12):
        picked = random_layout(model, rng)
        layout = model.layout(picked)
        assert layout.state.begin("methods") == shared
        scale = np.sqrt((layout.state.root[:shared] ** 2).sum(axis=1))
        # Sizes of all coordinates alike, so that the vague global level does not drown the others.
        vectors = rng.normal(size=(shared, 5)) / np.where(scale > 0.0, scale, 1.0)[:, None]
        theirs = np.zeros((layout.state.size, 5))
        theirs[:shared] = vectors
        mine = np.zeros((joint.state.size, 5))
        mine[:shared] = vectors
        expected = [layout.given.variance(c) for c in theirs.T]
        assert joined(joint, batches, set(picked.tolist()), joint.functional(mine)) == pytest.approx(expected, rel=1e-9)


def test_random_layouts_of_the_made_region_hold_upgrades_a_ship_a_shared_place_and_a_shared_cell(made_model):
    # Or the test above would be an empty one.
    joint, d = JointState(made_model), made_model.planning.deployments
    ids = made_model.planning.region.candidates.ids
    rng = np.random.default_rng(7)
    seen = {ids[d.candidate[k]] for _ in range(12) for k in random_layout(made_model, rng)}
    assert {"up", "ship", "near", "both", "cell", "run2"} <= seen
    where = {name: int(joint.block[np.flatnonzero(d.candidate == ids.index(name))[0]]) for name in seen}
    assert where["near"] == where["both"] == where["cell"] >= 0
    assert where["ship"] == -1
    assert made_model.place_groups[ids.index("near")] == made_model.place_groups[ids.index("both")] >= 0


def test_batches_on_a_basis_are_the_full_ones_times_the_basis(joint, batches):
    basis = np.random.default_rng(3).normal(size=(joint.state.size, 11))
    for full, held in zip(batches, joint.batches(basis), strict=True):
        assert np.array_equal(full.columns, held.columns)
        assert np.abs(held.common - full.common @ basis).max() <= 1e-9 * np.abs(held.common).max()
        assert np.array_equal(full.local, held.local)


def test_every_deployment_stands_in_at_most_one_batch_and_those_asked_for_equal_them(model, joint, batches):
    every = {int(c): (a, b) for batch in batches for c, a, b in zip(*_fields(batch), strict=True)}
    assert len(every) == sum(batch.columns.size for batch in batches)
    some = np.sort(np.random.default_rng(4).choice(len(model.planning.deployments), size=8, replace=False))
    asked = {int(c): (a, b) for batch in joint.batches(columns=some) for c, a, b in zip(*_fields(batch), strict=True)}
    assert set(asked) == set(every) & set(some.tolist())
    for column, (common, local) in asked.items():
        assert np.allclose(common, every[column][0], rtol=1e-9, atol=1e-12)
        assert np.allclose(local, every[column][1], rtol=1e-9, atol=1e-12)


def _fields(batch):
    return batch.columns, batch.common, batch.local


@pytest.fixture(scope="module")
def asked_planning():
    """Two gases with targets of many kinds, single months among them."""
    region = net.made.region(
        [*net.SITES, {"id": "cell", "lat": 52.9, "lon": -9.0}],
        plans=net.PLANS,
        bands=net.BANDS,
        tracers=[net.CO2, CH4],
        targets=ASKED,
        mixing={"degree": 3},
    )
    return plan_region(region)


def test_the_shortfall_of_the_search_is_that_of_the_assessment(asked_planning):
    aims = aims_of(asked_planning)
    assert len(aims.ids) == len(ASKED)
    model = tracer_models(asked_planning)[0]
    rng = np.random.default_rng(11)
    found = []
    for _ in range(8):
        picked = random_layout(model, rng)
        criterion = aims.shortfall()
        value = criterion.weights.total(criterion.whole(picked))
        assert value == pytest.approx(precision(asked_planning, picked, years=False).shortfall, rel=1e-8, abs=1e-8)
        found.append(value)
    assert min(found) > 0.0
    assert len(set(found)) == len(found)


def test_the_errors_of_the_search_are_those_of_the_assessment_target_by_target(asked_planning):
    aims = aims_of(asked_planning)
    model = tracer_models(asked_planning)[0]
    rng = np.random.default_rng(12)
    for _ in range(4):
        picked = random_layout(model, rng)
        stated = target_errors(asked_planning, picked)
        assert set(stated) == set(aims.ids)
        mine = picked_errors(aims, picked)
        assert mine == pytest.approx([stated[one] for one in aims.ids], rel=1e-8)
