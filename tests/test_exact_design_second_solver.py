"""Exact designs against a second general solver, SCIP, among 50 to 300 candidates (all numbers invented).

SCIP (through pyscipopt) shares no code with the search: it gets tangent planes of the variances, worked out here by
plain inverses, one a target and round, until its own bound meets the best design that it has found.
"""

import numpy as np
import pytest

from siting.selection import RowLimits, WeightedVariance, exact_design

pyscipopt = pytest.importorskip(
    "pyscipopt", reason="pyscipopt, the second solver, has no wheel for this machine or is not installed"
)

COEFFICIENTS, BUDGET = 3, 36
CLOSE = 1e-5


def variances(factors, prior, z):
    """Return the variances (k,) of all coefficients at weights z (n,), and their slopes (n, k)."""
    total = np.diag(prior) + np.einsum("i,irk,irl->kl", z, factors, factors)
    inverse = np.linalg.inv(total)
    seen = np.einsum("irk,kt->irt", factors, inverse)
    return np.diag(inverse), -(seen**2).sum(axis=1)


def by_scip(factors, prior, weights, prices):
    """Return the least weighted variance that SCIP finds, and its bound."""
    n = len(factors)
    model = pyscipopt.Model()
    model.hideOutput()
    z = [model.addVar(vtype="B") for _ in range(n)]
    above = [model.addVar(lb=0.0) for _ in weights]
    model.addCons(pyscipopt.quicksum(int(price) * one for price, one in zip(prices, z, strict=True)) <= BUDGET)
    model.setObjective(pyscipopt.quicksum(float(w) * one for w, one in zip(weights, above, strict=True)))
    y, best, bound = np.full(n, BUDGET / prices.sum()), np.inf, -np.inf
    for _ in range(100):
        values, slopes = variances(factors, prior, y)
        for t, one in enumerate(above):
            line = pyscipopt.quicksum(float(slopes[i, t]) * z[i] for i in range(n))
            model.addCons(one >= float(values[t] - slopes[:, t] @ y) + line)
        model.optimize()
        bound = model.getDualbound()
        y = np.round([model.getVal(one) for one in z])
        best = min(best, float(weights @ variances(factors, prior, y)[0]))
        model.freeTransform()
        if bound >= best * (1.0 - CLOSE):
            break
    return best, bound


@pytest.mark.parametrize("seed", range(20))
def test_a_second_solver_finds_the_same_best_design(seed):
    rng = np.random.default_rng(seed)
    n = 50 + 13 * seed
    dear = rng.random(n) < 0.2
    factors = rng.normal(size=(n, 1, COEFFICIENTS)) * np.where(dear, 2.0, 1.0)[:, None, None]
    prices = rng.integers(5, 12, n) * np.where(dear, 3, 1)
    prior, weights = np.full(COEFFICIENTS, 0.3), rng.uniform(0.5, 2.0, COEFFICIENTS)
    rows = RowLimits(prices[None].astype(float), [-np.inf], [float(BUDGET)])
    ours = exact_design(factors, prior, WeightedVariance(np.eye(COEFFICIENTS), weights), rows, gap=1e-5)
    value, bound = by_scip(factors, prior, weights, prices)
    assert bound >= value * (1.0 - CLOSE)
    assert ours.proved
    assert ours.value == pytest.approx(value, rel=2e-5)
    assert ours.bound <= value * (1.0 + 1e-9)
    picked = np.zeros(n)
    picked[list(ours.picked)] = 1.0
    assert prices @ picked <= BUDGET
    assert ours.value == pytest.approx(float(weights @ variances(factors, prior, picked)[0]), rel=1e-9)
