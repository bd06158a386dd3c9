"""Straight lines below the variances of targets, one for any point whatever it is.

With the information L(z) = I + sum of z_d A_d A_d', A_d = [F_d, G_d]' on common coordinates and on the block of its
cell, and the occupancy s_b of block b (1 where something of it is picked, else 0), for any u and any v_b

    variance_t(z) >= 2 c_t'u - |u|^2 - sum_d z_d |F_d u + G_d v_b(d)|^2 - sum_b s_b |v_b|^2,

since c' L^-1 c is the maximum of 2 c'x - x'L x over x = [u, v]. The point only suggests good u and v.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from siting.arrays import Bools, Floats, Ints
from siting.selection.precise.information import Part

# Where a block is used less than this, its own solution says little and a steadier v is looked for.
QUIET = 1e-3
MIXTURES = 8


@dataclass(frozen=True, eq=False)
class Cut:
    """Variances of one part below which no layout is: constants (T,) - z . seen (m, T) - s . own (b, T).

    `columns` (m,) are deployments, `blocks` (b,) the part's own numbers of its blocks.
    """

    constants: Floats
    columns: Ints
    seen: Floats
    blocks: Ints
    own: Floats


@dataclass(frozen=True, eq=False)
class _Batch:
    """Factors of equal rank: `where` (m,) of the kept columns, `common` (m, r, j) in the basis, `local` (m, r, l)."""

    where: Ints
    common: Floats
    local: Floats


class Held:
    """A part over some deployments, its common coordinates held to a basis (k, j) or free (None)."""

    def __init__(self, part: Part, columns: Ints, basis: Floats | None) -> None:
        self.columns = columns
        place = np.full(part.block.size, -1, dtype=np.int64)
        place[columns] = np.arange(columns.size)
        block = part.block[columns]
        self.blocks = np.unique(block[block >= 0])
        self.block = np.where(block >= 0, np.searchsorted(self.blocks, block), -1)
        self.size = part.size
        self.targets = part.targets if basis is None else basis.T @ part.targets
        self.gram = np.eye(part.targets.shape[0]) if basis is None else basis.T @ basis
        self.inner = np.zeros((columns.size, part.size, part.size))
        self.batches: list[_Batch] = []
        for group in part.groups:
            mine = np.flatnonzero(place[group.columns] >= 0)
            if mine.size == 0:
                continue
            where = place[group.columns[mine]]
            common = group.common[mine] if basis is None else group.common[mine] @ basis
            local = group.local[mine]
            self.inner[where] = local.swapaxes(1, 2) @ local
            self.batches.append(_Batch(where, common, local))

    def cut(self, z: Floats, occupancy: Floats, weights: Floats, prices: Floats, open_columns: Bools) -> Cut:
        """Return the cut at weights z (m,) and occupancies (b,).

        Where a block is hardly used, its v is chosen so that the open columns' worth for weights (T,) of the targets
        stands as little as can be above their prices (m,).
        """
        j, b, t = self.targets.shape[0], self.blocks.size, self.targets.shape[1]
        total = self.gram.copy()
        inner = np.zeros((b, self.size, self.size))
        cross = np.zeros((b, j, self.size))
        used = np.flatnonzero((z > 0.0) & (self.block >= 0))
        np.add.at(inner, self.block[used], z[used, None, None] * self.inner[used])
        for batch in self.batches:
            mine = np.flatnonzero(z[batch.where] > 0.0)
            if mine.size == 0:
                continue
            weight = z[batch.where[mine]]
            common = batch.common[mine]
            flat = (common * np.sqrt(weight)[:, None, None]).reshape(-1, j)
            total += flat.T @ flat
            inside = np.flatnonzero(self.block[batch.where[mine]] >= 0)
            if inside.size:
                local = batch.local[mine[inside]] * weight[inside, None, None]
                np.add.at(cross, self.block[batch.where[mine[inside]]], common[inside].swapaxes(1, 2) @ local)
        if self.size:
            diagonal = np.arange(self.size)
            inner[:, diagonal, diagonal] += np.where(occupancy > 0.0, occupancy, 1.0)[:, None]
        busy = np.flatnonzero(np.any(cross != 0.0, axis=(1, 2)))
        v = np.zeros((b, self.size, t))
        if busy.size:
            answer = np.linalg.solve(inner[busy], cross[busy].swapaxes(1, 2))
            total -= np.einsum("bjl,blk->jk", cross[busy], answer)
        u = cho_solve(cho_factor(0.5 * (total + total.T), lower=True), self.targets)
        if busy.size:
            v[busy] = -answer @ u
        base, drive = np.zeros((self.columns.size, t)), np.zeros((self.columns.size, self.size, t))
        rests: list[Floats] = []
        for batch in self.batches:
            m, r, _ = batch.common.shape
            rest = (batch.common.reshape(m * r, j) @ u).reshape(m, r, t)
            rests.append(rest)
            base[batch.where] = (rest * rest).sum(axis=1)
            drive[batch.where] = batch.local.swapaxes(1, 2) @ rest
        quiet = np.zeros(b, dtype=bool) if self.size == 0 else occupancy < QUIET
        if quiet.any():
            v = self._steadied(v, quiet, base, drive, weights, prices, open_columns)
        seen = np.zeros_like(base)
        for batch, rest in zip(self.batches, rests, strict=True):
            block = self.block[batch.where]
            inside = np.flatnonzero(block >= 0)
            if inside.size:
                rest[inside] += batch.local[inside] @ v[block[inside]]
            seen[batch.where] = (rest * rest).sum(axis=1)
        constants = 2.0 * (self.targets * u).sum(axis=0) - (u * (self.gram @ u)).sum(axis=0)
        return Cut(constants, self.columns, seen, self.blocks, (v * v).sum(axis=1))

    def _steadied(
        self, v: Floats, quiet: Bools, base: Floats, drive: Floats, weights: Floats, prices: Floats, open_columns: Bools
    ) -> Floats:
        """Return v (b, l, T) with that of quiet blocks set against those of their open columns that see most.

        Each block's worth above the prices, sum of max(0, weights . (|F u + G v|^2 + |v|^2) - price), is convex
        in v; tried are mixtures of the answers of single columns, the worst column joining each time.
        """
        these = np.flatnonzero((self.block >= 0) & open_columns & np.append(quiet, False)[self.block])
        if these.size == 0:
            return v
        number, block = np.unique(self.block[these], return_inverse=True)
        inner, push, plain, price = self.inner[these], drive[these], base[these], prices[these]

        def above(trial: Floats) -> tuple[Floats, Floats]:
            mine = trial[block]
            sees = plain + 2.0 * (mine * push).sum(axis=1) + (mine * (inner @ mine)).sum(axis=1)
            excess = (sees + (mine * mine).sum(axis=1)) @ weights - price
            left = np.bincount(block, weights=np.maximum(excess, 0.0), minlength=number.size)
            return excess, left.astype(float)

        def worst(excess: Floats) -> Ints:
            order = np.lexsort((these, -excess, block))
            return np.asarray(order[np.searchsorted(block[order], np.arange(number.size))], dtype=np.int64)

        eye = np.eye(self.size)
        best: Floats = v[number]
        excess, least = above(best)
        alone = (plain - (push * np.linalg.solve(eye + inner, push)).sum(axis=1)) @ weights - price
        share = np.zeros(these.size)
        rival = worst(alone)
        for step in range(MIXTURES):
            if not least.any():
                break
            share *= step / (step + 1.0)
            share[rival] += 1.0 / (step + 1.0)
            total, pull = np.zeros((number.size, self.size, self.size)), np.zeros(best.shape)
            mixed = np.flatnonzero(share > 0.0)
            np.add.at(total, block[mixed], share[mixed, None, None] * inner[mixed])
            np.add.at(pull, block[mixed], share[mixed, None, None] * push[mixed])
            trial: Floats = np.asarray(-np.linalg.solve(eye + total, pull), dtype=float)
            excess, left = above(trial)
            best = np.where((left < least)[:, None, None], trial, best)
            least = np.minimum(left, least)
            rival = worst(excess)
        out = v.copy()
        out[number] = best
        return out


def exact(parts: Sequence[Part], picked: Ints) -> Floats:
    """Return the variances (T,) of one layout: there the cut touches them, for every block used is wholly used."""
    found = []
    for part in parts:
        held = Held(part, picked, None)
        ones = np.ones(picked.size)
        t = part.targets.shape[1]
        cut = held.cut(ones, np.ones(held.blocks.size), np.zeros(t), np.zeros(picked.size), np.zeros(picked.size, bool))
        found.append(cut.constants - cut.seen.sum(axis=0) - cut.own.sum(axis=0))
    return np.concatenate(found) if found else np.zeros(0)
