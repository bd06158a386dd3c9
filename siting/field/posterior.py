"""What a set of records leaves unknown: standard errors, shares, detection, what each record is worth."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.stats import chi2, ncx2, norm

from siting.arrays import Floats
from siting.field.state import State

# 1.96 + 1.282: detected at 95 % confidence with 90 % probability.
NEEDED = float(norm.ppf(0.975) + norm.ppf(0.9))
CONFIDENT = float(norm.ppf(0.975))


@dataclass(frozen=True, eq=False)
class Posterior:
    """The state given records: `reduced` holds S' A of each record, the factor is that of I + sum of them."""

    state: State
    reduced: tuple[Floats, ...]
    cholesky: tuple[Floats, bool]

    def solve(self, functionals: Floats) -> Floats:
        """Return u (n, q) = (I + S' J S)^-1 S' C for functionals C (n, q); Sigma C = S u."""
        return np.asarray(cho_solve(self.cholesky, self.state.root.T @ functionals))

    def covariance(self, functionals: Floats) -> Floats:
        """Return C' Sigma C (q, q)."""
        return np.asarray((self.state.root.T @ functionals).T @ self.solve(functionals))

    def variance(self, functional: Floats) -> float:
        """Return c' Sigma c."""
        return float(self.covariance(functional[:, None])[0, 0])

    def without(self, position: int, functionals: Floats) -> Floats:
        """Return the variances (q,) of functionals C (n, q) if one record is taken away (Woodbury)."""
        factor = self.reduced[position]
        u = self.solve(functionals)
        reach = cho_solve(self.cholesky, factor)
        inner = np.eye(factor.shape[1]) - factor.T @ reach
        part = factor.T @ u
        more = np.einsum("rq,rq->q", part, np.linalg.solve(inner, part))
        return np.asarray(np.einsum("nq,nq->q", self.state.root.T @ functionals, u) + more, dtype=float)

    def shares(self, functional: Floats) -> tuple[Floats, Floats]:
        """Return the parts of c' Sigma c: (blocks,) left to the prior of each block, (records,) to sampling.

        s' P_B^-1 s_B for each block and s' J_d s for each record with s = Sigma c; they add up exactly.
        """
        u = self.solve(functional[:, None])[:, 0]
        block = self.state.block_of()
        blocks = np.array([float((u[block == b] ** 2).sum()) for b in range(int(block.max()) + 1)])
        records = np.array([float(((factor.T @ u) ** 2).sum()) for factor in self.reduced])
        return blocks, records


def posterior(state: State, factors: Sequence[Floats]) -> Posterior:
    """Return the posterior of a state given records' factors A (n, r)."""
    reduced = tuple(np.asarray(state.root.T @ factor) for factor in factors)
    total = np.eye(state.size)
    if reduced:
        every = np.concatenate(reduced, axis=1)
        total += every @ every.T
    return Posterior(state, reduced, cho_factor(total, lower=True))


def detection_information(state: State, given: Posterior, functionals: Floats) -> Floats:
    """Return I_det (q, q) = (C' Sigma C)^-1 - (C' P0 C)^-1: what the records alone say of the targets.

    The prior on the target itself is taken out; directions in which the records say nothing give 0.
    """
    after = given.covariance(functionals)
    half = state.root.T @ functionals
    before = half.T @ half
    scale = np.sqrt(np.diag(before))
    if not np.all(scale > 0.0):
        raise ValueError("a target has no prior variance, so nothing can be said of it")
    a, b = after / scale[:, None] / scale[None, :], before / scale[:, None] / scale[None, :]
    information = np.linalg.inv(a) - np.linalg.inv(b)
    values, vectors = np.linalg.eigh((information + information.T) / 2.0)
    # A difference below the rounding of its two terms is no information.
    values = np.where(values > 1e-9 * np.abs(np.linalg.inv(a)).max(), values, 0.0)
    cleaned = (vectors * values) @ vectors.T
    return np.asarray(cleaned / scale[:, None] / scale[None, :])


def detection_error(information: float) -> float:
    """Return se_det, infinite where the records say nothing."""
    return float("inf") if information <= 0.0 else float(information**-0.5)


def detection_probability(signal: float, error: float) -> float:
    """Return the chance to find a signal at 95 % confidence: Phi(|w|/se - 1.96) + Phi(-|w|/se - 1.96)."""
    ratio = 0.0 if not np.isfinite(error) else abs(signal) / error
    return float(norm.cdf(ratio - CONFIDENT) + norm.cdf(-ratio - CONFIDENT))


def season_probability(expected: Floats, information: Floats) -> float:
    """Return the chance to find a season: noncentral chi-square with mu' I mu and rank I (mu the harmonics)."""
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    safe = np.where(scale > 0.0, scale, 1.0)
    values = np.linalg.eigvalsh(information / safe[:, None] / safe[None, :])
    rank = int((values > 1e-9 * max(float(values.max()), 0.0)).sum()) if scale.any() else 0
    if rank == 0:
        return 0.05
    return float(ncx2.sf(chi2.ppf(0.95, rank), rank, float(expected @ information @ expected)))


def joint_information(own: Floats, shared: Floats, slow: float, chance: Floats) -> Floats:
    """Return the expected 1' R^-1 1 (m,) of what k instruments at one place say together of the air of m months.

    R = diag(own) + shared + slow: `own` (k, m) are the variances that each instrument has for itself, `shared`
    (m,) that of the synoptic air which all of them miss, `slow` that of the slow air of the place, which is the
    same for all; squares of the tracer's unit. `chance` (k, m) is that of an instrument to have a month at
    all, independently of the others. By Sherman and Morrison 1' R^-1 1 = 1 / (1 / sum of 1 / own + shared +
    slow). Raises ValueError where R would have no inverse.
    """
    weights = np.broadcast_to(shared + slow, own.shape[1:])
    if np.any((own < 0.0) | ((own == 0.0) & (weights == 0.0))):
        raise ValueError("every month needs an error above 0")
    total = np.zeros(own.shape[1:])
    for there in itertools.product((False, True), repeat=own.shape[0]):
        these = np.array(there)[:, None]
        if not these.any():
            continue
        probability = np.where(these, chance, 1.0 - chance).prod(axis=0)
        exact = np.any(these & (own == 0.0), axis=0)
        precision = np.where(these, 1.0 / np.where(own > 0.0, own, 1.0), 0.0).sum(axis=0)
        rest = np.where(exact, 0.0, 1.0 / precision)
        total += probability / (rest + weights)
    return total
