"""The anomaly of one month: what two instruments at one place say together, and modes of the right degree."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.special import eval_legendre

from siting.field.harmonics import harmonics
from siting.field.posterior import joint_information
from siting.field.targets import monthly_information, monthly_variance
from siting.region.schema.air import Band

_spec = importlib.util.spec_from_file_location("dense_network", Path(__file__).with_name("dense_network.py"))
dense = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(dense)

NORTH = Band(id="north", south=30.0, north=90.0)
SITES = [
    {"id": "both", "lat": 52.0, "lon": -10.0, "contamination_risk": 0.2, "contamination_size": 0.8,
     "baseline_exposure": 0.05},
    {"id": "cond", "lat": -20.0, "lon": 60.0, "baseline_exposure": 0.3},
    {"id": "only", "lat": 20.0, "lon": -155.0, "open_months": "3-9"},
    {"id": "phase", "lat": -12.0, "lon": -75.0},
    {"id": "run", "lat": -41.0, "lon": 145.0, "status": "running", "running_since": 2027.0, "running_plan": "f",
     "plans": "a"},
]  # fmt: skip
PICKS = [("both", "b", 2030), ("cond", "c", 2030), ("only", "a", 2030), ("phase", "p", 2030), ("run", "a", 2030)]
# What measures at each site at the end of the window; the flasks of plan p stop when its analyzer comes.
STANDS = {"both": "af", "cond": "c", "only": "a", "phase": "a", "run": "af"}


def model_and_picks(degree=3, picks=PICKS):
    model = dense.model_of(SITES, degree=degree)
    return model, dense.made.picks(model.planning, *picks)


def dense_information(model, stands, degree):
    """Modes x modes, from R written out for every month and every set of instruments that may have a sample."""
    numbers = dense.Dense(*model_and_picks(2))
    plans = {plan.id: plan for plan in model.planning.region.settings.plans}
    c, air = model.planning.region.candidates, model.air
    count = (degree + 1) ** 2
    total = np.eye(count) * count / air.monthly_anomaly_sd**2
    for site, parts in stands.items():
        i = c.ids.index(site)
        b = harmonics([c.lat[i]], [c.lon[i]], degree)[0]
        for month in range(12):
            if not model.planning.region.open_months[i, month]:
                continue
            told = [numbers.numbers(plans[p], i, month)[:3] for p in parts]
            for there in np.ndindex(*(2,) * len(told)):
                who = [k for k in range(len(told)) if there[k]]
                if not who:
                    continue
                chance = np.prod([1 - q if on else q for (_, _, q), on in zip(told, there, strict=True)])
                r = np.full((len(who), len(who)), air.slow_sd**2)
                for x, k in enumerate(who):
                    for y in range(len(who)):
                        r[x, y] += air.synoptic_sd**2 * min(t[1] for t in told) if x != y else 0.0
                    r[x, x] += air.synoptic_sd**2 * told[k][1] + told[k][0]
                total += chance * np.linalg.inv(r).sum() / 12 * np.outer(b, b)
    return total


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_the_information_on_a_month_is_that_of_a_dense_computation(degree):
    model, picked = model_and_picks(degree)
    assert monthly_information(model, picked) == pytest.approx(
        dense_information(model, STANDS, min(degree, 2)), rel=1e-9, abs=1e-9
    )


@pytest.mark.parametrize(("degree", "used"), [(1, 1), (2, 2), (6, 2)])
def test_the_prior_of_an_anomaly_has_modes_of_degree_two_or_those_of_the_field(degree, used):
    # Band means of Y_l0 by quadrature; scipy.special.eval_legendre.
    model, _ = model_and_picks(degree)
    before, after = monthly_variance(model, NORTH, monthly_information(model, np.array([], dtype=np.int64)))
    x, w = np.polynomial.legendre.leggauss(12)
    mu = 0.75 + 0.25 * x
    means = [np.sqrt(2 * l + 1) * (w / 2 @ eval_legendre(l, mu)) for l in range(used + 1)]
    assert before == pytest.approx(model.air.monthly_anomaly_sd**2 * np.sum(np.square(means)) / (used + 1) ** 2)
    assert after < before  # by the station that runs


def test_two_instruments_say_more_than_the_better_and_less_than_both_apart():
    rng = np.random.default_rng(3)
    own, shared, slow = rng.uniform(0.01, 2.0, (2, 40)), rng.uniform(0.0, 1.0, 40), 0.3
    chance = np.ones((2, 40))
    both = joint_information(own, shared, slow, chance)
    each = [joint_information(own[k : k + 1], shared, slow, chance[:1]) for k in (0, 1)]
    assert np.all(both >= np.max(each, axis=0))
    assert np.all(both <= np.sum(each, axis=0))
    assert np.all(both <= 1.0 / (shared + slow))


def test_without_air_in_common_precisions_add_up():
    # Hand sum: 1/2 + 1/4; an instrument that never has a month says nothing.
    own = np.array([[2.0], [4.0]])
    assert joint_information(own, np.zeros(1), 0.0, np.ones((2, 1)))[0] == pytest.approx(0.75)
    assert joint_information(own, np.zeros(1), 0.0, np.array([[1.0], [0.0]]))[0] == pytest.approx(0.5)
    assert joint_information(own, np.zeros(1), 0.0, np.array([[0.5], [1.0]]))[0] == pytest.approx(0.5)


def test_an_exact_instrument_leaves_the_air_that_all_of_them_miss():
    own = np.array([[0.0], [4.0]])
    assert joint_information(own, np.ones(1), 1.0, np.ones((2, 1)))[0] == pytest.approx(0.5)
    with pytest.raises(ValueError, match="above 0"):
        joint_information(own, np.zeros(1), 0.0, np.ones((2, 1)))


def test_a_second_instrument_of_a_kind_that_already_runs_adds_nothing():
    # The flasks that run at "run" stay one instrument, whatever is picked beside them.
    model = dense.model_of([dict(SITES[-1], plans="f a")])
    none = monthly_information(model, np.array([], dtype=np.int64))
    same = monthly_information(model, dense.made.picks(model.planning, ("run", "f", 2030)))
    more = monthly_information(model, dense.made.picks(model.planning, ("run", "a", 2030)))
    assert same == pytest.approx(none)
    assert np.trace(more) > np.trace(none)
