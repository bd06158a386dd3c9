"""The air that all records of a cell have in common, as the error of its six coefficients that stays in the cell."""

from __future__ import annotations

import numpy as np

from siting.arrays import Floats, Ints
from siting.record.air import FUNCTIONS
from siting.record.axis import Axis
from siting.record.own import SharedAir, SiteAir
from siting.record.statistics import mean_variance


def endless_variance(air: SiteAir) -> Floats:
    """Return syn^2 V(inf, tau) (n,): the synoptic part of a monthly mean that no number of samples removes."""
    return np.asarray(air.synoptic_variance * mean_variance(np.inf, air.memory_days), dtype=float)


def shared_covariance(axis: Axis, slow_variance: float, slow_phi: float, endless: float, begin: int) -> Floats:
    """Return C_s (6, 6): how well even endless samples of a cell's air give its level, growth and season.

    (Fᵀ R_s⁻¹ F)⁻¹ with R_s = slow^2 phi^|i - j| + syn^2 V(inf, tau) I over all months from `begin` of the axis
    on, mostly those of the window; `endless` is the second part's variance.
    """
    if slow_variance == 0.0 and endless == 0.0:
        return np.zeros((FUNCTIONS, FUNCTIONS))
    f = axis.functions()[begin:]
    lag = np.abs(np.subtract.outer(np.arange(f.shape[0]), np.arange(f.shape[0])))
    r = slow_variance * slow_phi**lag
    r[np.diag_indices_from(r)] += endless
    return np.asarray(np.linalg.inv(f.T @ np.linalg.solve(r, f)), dtype=float)


def left_to_the_cell(axis: Axis, here: SiteAir, cell: SharedAir, begin: Ints) -> Floats:
    """Return E (n, 6, 6) of n sites: E Eᵀ is the part of its cell's C_s that is taken out of each site's record.

    It is C_s itself for a site alone in its cell, and for all sites of a cell that have its noise and begin when
    it does (`begin` (n,) is the first month of the axis that a site can have). A record's R less F E Eᵀ Fᵀ must
    stay positive semidefinite. With older months than its neighbours or another phi than the cell's, endless
    samples of the site's own air can tell some direction of the coefficients better than C_s says; there only
    that smaller variance is taken out. The cell keeps all of C_s, so such a record counts the difference twice:
    it says less than its own R would allow, never more.
    """
    numbers = np.column_stack(
        [
            *(cell.slow_variance, cell.slow_phi, cell.endless, cell.begin),
            *(here.slow_variance, here.slow_phi, endless_variance(here), begin),
        ]
    )
    # Most sites have the tracer's numbers, so each set of numbers is worked out once.
    kinds, which = np.unique(numbers, axis=0, return_inverse=True)
    made = np.zeros((kinds.shape[0], FUNCTIONS, FUNCTIONS))
    for k, (slow, phi, endless, first, *own) in enumerate(kinds.tolist()):
        shared = shared_covariance(axis, slow, phi, endless, int(first))
        if own != [slow, phi, endless, first]:
            own_slow, own_phi, own_endless, own_first = own
            shared = lesser(shared, shared_covariance(axis, own_slow, own_phi, own_endless, int(own_first)))
        made[k] = _root(shared)
    return np.asarray(made[which.reshape(-1)], dtype=float)


def lesser(one: Floats, other: Floats) -> Floats:
    """Return the largest matrix that both covariances (k, k) exceed or equal, in the axes that make both diagonal.

    `other` must be positive definite, or 0; `one` positive semidefinite.
    """
    if not other.any() or not one.any():
        return np.zeros_like(one)
    root = _root(one)
    values, vectors = np.linalg.eigh(root.T @ np.linalg.solve(other, root))
    turned = root @ vectors
    return np.asarray((turned / np.maximum(1.0, values)) @ turned.T)


def _root(covariance: Floats) -> Floats:
    return np.asarray(np.linalg.cholesky(covariance) if covariance.any() else np.zeros_like(covariance), dtype=float)
