"""Information that adds up over columns: L(z) = I + sum of z_d A_d A_d', what it leaves open, and how that moves.

A column's information stands on `common` coordinates and on a small `local` block that few columns
share (the air of a cell). Everything here works with the joint matrix but eliminates the local blocks.
A block's own prior is the identity times an occupancy s_b: 0 where nothing of the block is picked, 1 where
something is. With s_b = min(1, sum of its z) a lone column counts as z times its information, which is
the tightest that any relaxation can say of it; with s_b = 1 throughout, a tenth of a station would know
nearly as much as a whole one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import solve_triangular

from siting.region.model import Floats, Ints

# Columns of smaller weight than this add nothing that double precision shows.
NOTHING = 1e-13
# Blocks of smaller occupancy are idle: their own solution is hardly defined there.
IDLE = 1e-3
# Mixtures of columns tried for the v of an idle block.
MIXES = 6


@dataclass(frozen=True, eq=False)
class Part:
    """One block of coefficients with its own columns' factors; the prior is the identity.

    `common` (N, r, k) and `local` (N, r, l) give J_d = A_d A_d', A_d = [common_d, local_d]'; `block`
    (N,) numbers the local block of each column, -1 for none; `targets` (k, T) are functionals over
    the common coordinates.
    """

    common: Floats
    local: Floats
    block: Ints
    targets: Floats

    @property
    def blocks(self) -> int:
        """Number of local blocks."""
        return int(self.block.max(initial=-1)) + 1

    @cached_property
    def answer(self) -> Floats:
        """(I + local' local)^-1 local' (N, l, r): how the block of a column that is alone in it answers."""
        turned = self.local.swapaxes(1, 2)
        return np.asarray(np.linalg.solve(np.eye(self.local.shape[2]) + turned @ self.local, turned))

    def take(self, columns: Ints) -> tuple[Part, Ints]:
        """Return the part of some columns with its blocks numbered anew, and the old numbers of those blocks."""
        block = self.block[columns]
        old = np.unique(block[block >= 0])
        new = np.where(block >= 0, np.searchsorted(old, block), -1)
        return Part(self.common[columns], self.local[columns], new, self.targets), old

    def folded(self, site: Ints) -> Part:
        """Return the part with local blocks integrated out that only one site uses.

        At most one column of a `site` (N,) may ever be picked, so that the block is that column's own:
        A (I + local local')^-1/2 says the same.
        """
        users = np.zeros(self.blocks, dtype=np.int64)
        for number in {(int(b), int(s)) for b, s in zip(self.block, site, strict=True) if b >= 0}:
            users[number[0]] += 1
        lone = np.append(users == 1, False)[self.block]
        where = np.flatnonzero(lone)
        common, local, block = self.common.copy(), self.local.copy(), self.block.copy()
        if where.size:
            common[where] = alone(self.common[where], self.local[where])
            local[where], block[where] = 0.0, -1
        kept = np.unique(block[block >= 0])
        block = np.where(block >= 0, np.searchsorted(kept, block), -1)
        if kept.size == 0:
            local = np.zeros((local.shape[0], local.shape[1], 0))
        return Part(common, local, block, self.targets)


def alone(common: Floats, local: Floats) -> Floats:
    """Return factors (N, r, k) of columns that are alone in their block: (I + local local')^-1/2 common."""
    if local.shape[2] == 0:
        return common
    total = np.eye(local.shape[1]) + local @ local.swapaxes(1, 2)
    return np.asarray(np.linalg.solve(np.linalg.cholesky(total), common))


@dataclass(frozen=True, eq=False)
class At:
    """A part at one point: what its information leaves open there.

    `lower` (k, k) is the Cholesky factor of the common information with local blocks eliminated, `inner`
    (B, l, l) the information within each block, `cross` (B, k, l) between both; `u` (k, T) and `v`
    (B, l, T) solve L [u; v] = [targets; 0], `values` (T,) are the targets' variances.
    """

    lower: Floats
    inner: Floats
    cross: Floats
    u: Floats
    v: Floats
    values: Floats


def evaluate(part: Part, z: Floats, occupied: Floats, directions: Floats | None = None) -> At:
    """Return a part at weights z (N,) and occupancies (B,); `directions` (k, T) replace the targets."""
    k, size, blocks = part.common.shape[2], part.local.shape[2], part.blocks
    used = np.flatnonzero(z > NOTHING)
    root = np.sqrt(z[used])[:, None, None]
    common = part.common[used] * root
    flat = common.reshape(-1, k)
    total = np.eye(k) + flat.T @ flat
    inner = np.zeros((blocks, size, size))
    cross = np.zeros((blocks, k, size))
    if blocks:
        inside = part.block[used] >= 0
        number = part.block[used][inside]
        local = part.local[used][inside] * root[inside]
        order = np.argsort(number, kind="stable")
        seen, begin = np.unique(number[order], return_index=True)
        local = local[order]
        if seen.size:
            inner[seen] = np.add.reduceat(local.swapaxes(1, 2) @ local, begin)
            cross[seen] = np.add.reduceat(common[inside][order].swapaxes(1, 2) @ local, begin)
        live = occupied > 0.0
        index = np.arange(size)
        inner[:, index, index] += np.where(live, occupied, 1.0)[:, None]
        if seen.size:
            root_inner = np.linalg.cholesky(inner[seen])
            answer = np.linalg.solve(root_inner, cross[seen].swapaxes(1, 2)).reshape(-1, k)
            total -= answer.T @ answer
    lower = np.linalg.cholesky(total)
    wanted = part.targets if directions is None else directions
    half = solve_triangular(lower, wanted, lower=True, check_finite=False)
    u = solve_triangular(lower, half, lower=True, trans=1, check_finite=False)
    v = -np.linalg.solve(inner, cross.swapaxes(1, 2) @ u) if blocks else np.zeros((0, size, u.shape[1]))
    return At(lower, inner, cross, u, v, np.asarray((half * half).sum(axis=0)))


def rests(part: Part, at: At, columns: Ints | None = None) -> Floats:
    """Return A_d' [u; v] (N, r, T) of columns: how each sees the solutions of a point."""
    every = slice(None) if columns is None else columns
    common, block = part.common[every], part.block[every]
    n, r, k = common.shape
    out = (common.reshape(n * r, k) @ at.u).reshape(n, r, at.u.shape[1])
    inside = np.flatnonzero(block >= 0)
    if inside.size:
        out[inside] += part.local[every][inside] @ at.v[block[inside]]
    return np.asarray(out)


@dataclass(frozen=True, eq=False)
class Pushes:
    """How columns and occupancies push on the targets, in half-solved coordinates.

    `common` (N + B, k, T) is lower^-1 of each one's push on the common coordinates with local blocks
    eliminated, `local` (N + B, l, T) that on its block after half a solve, `block` (N + B,) its block.
    """

    common: Floats
    local: Floats
    block: Ints


def pushes(part: Part, at: At, rest: Floats) -> Pushes:
    """Return the pushes of all columns of a part, then of its occupancies."""
    k, size, t = part.common.shape[2], part.local.shape[2], rest.shape[2]
    common = part.common.swapaxes(1, 2) @ rest
    block = np.concatenate([part.block, np.arange(part.blocks)])
    local = np.zeros((block.size, size, t))
    n = part.block.size
    if part.blocks:
        local[:n] = part.local.swapaxes(1, 2) @ rest
        local[n:] = at.v
        common = np.concatenate([common, np.zeros((part.blocks, k, t))])
        inside = np.flatnonzero(block >= 0)
        solved = np.linalg.solve(at.inner[block[inside]], local[inside])
        common[inside] -= at.cross[block[inside]] @ solved
        local[inside] = np.linalg.solve(np.linalg.cholesky(at.inner)[block[inside]], local[inside])
    wide = common.transpose(1, 0, 2).reshape(k, -1)
    half = solve_triangular(at.lower, wide, lower=True, check_finite=False)
    return Pushes(np.ascontiguousarray(half.reshape(k, block.size, t).transpose(1, 0, 2)), local, block)


def curvature(push: Pushes, weights: Floats) -> Floats:
    """Return the second derivative (N + B, N + B) of the sum of weights (T,) x variances."""
    scale = np.sqrt(2.0 * weights)
    flat = (push.common * scale).reshape(push.common.shape[0], -1)
    out = flat @ flat.T
    order = np.argsort(push.block, kind="stable")
    number, begin = np.unique(push.block[order], return_index=True)
    for b, these in zip(number, np.split(order, begin[1:]), strict=True):
        if b >= 0:
            own = (push.local[these] * scale).reshape(these.size, -1)
            out[np.ix_(these, these)] += own @ own.T
    return np.asarray(out)


def lowered(part: Part, at: At, columns: Ints) -> Floats:
    """Return (m, T) by how much each of some columns would lower the variances, picked whole in addition.

    `at` must stand at a point with whole blocks: occupancy 1, also of blocks that nothing uses yet.
    """
    common, block = part.common[columns], part.block[columns]
    n, r, k = common.shape
    rest = rests(part, at, columns)
    inside = np.flatnonzero(block >= 0)
    effective = common
    own = np.broadcast_to(np.eye(r), (n, r, r)).copy()
    if inside.size:
        local = part.local[columns][inside]
        solved = np.linalg.solve(at.inner[block[inside]], local.swapaxes(1, 2))
        effective = common.copy()
        effective[inside] -= (at.cross[block[inside]] @ solved).swapaxes(1, 2)
        own[inside] += local @ solved
    half = solve_triangular(at.lower, effective.reshape(n * r, k).T, lower=True, check_finite=False)
    half = half.T.reshape(n, r, k)
    own += half @ half.swapaxes(1, 2)
    return np.asarray((rest * np.linalg.solve(own, rest)).sum(axis=1))


def idle(part: Part, at: At, occupied: Floats, weights: Floats, price: Floats) -> tuple[Ints, Floats, Ints, Floats]:
    """Return for blocks that hardly anything uses a steadier v than the point's own: what they would add.

    Any v gives a valid linear bound on what a block's columns tell: column d then sees
    |A_d' [u; v]|^2 + |v|^2 at its `price` (N,). Tried are the point's own v, that of the column which alone
    in its block is worth most against its price, and those of that column mixed with the one it leaves
    worst; the v that leaves the least above the prices is kept. `weights` (T,) are those of the targets.
    Returns the blocks (b,), |v|^2 (b, T), their columns (m,) and the squares (m, T) that these see.
    """
    t = at.u.shape[1]
    quiet = np.append(occupied < IDLE, False)
    inside = np.flatnonzero(quiet[part.block])
    if inside.size == 0:
        return np.empty(0, dtype=np.int64), np.zeros((0, t)), inside, np.zeros((0, t))
    n, r, k = inside.size, part.common.shape[1], part.common.shape[2]
    local = part.local[inside]
    rest = (part.common[inside].reshape(n * r, k) @ at.u).reshape(n, r, t)
    number, block = np.unique(part.block[inside], return_inverse=True)
    cost = price[inside]
    answers = -(part.answer[inside] @ rest)

    def judged(v: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        seen = ((rest + local @ v[block]) ** 2).sum(axis=1)
        own = (v * v).sum(axis=1)
        above = (seen + own[block]) @ weights - cost
        return seen, own, above, np.bincount(block, weights=np.maximum(0.0, above), minlength=number.size)

    def worst(above: Floats) -> Ints:
        order = np.lexsort((inside, -above, block))
        return np.asarray(order[np.searchsorted(block[order], np.arange(number.size))], dtype=np.int64)

    alone_worth = (rest * (rest + local @ answers)).sum(axis=1) @ weights - cost
    leader = worst(alone_worth)
    tried = [at.v[number], answers[leader]]
    best_v, best = tried[0], judged(tried[0])
    other = judged(tried[1])
    better = other[3] < best[3]
    v = np.where(better[:, None, None], tried[1], best_v)
    result = judged(v)
    inner, drive = local.swapaxes(1, 2) @ local, local.swapaxes(1, 2) @ rest
    share = np.zeros(n)
    share[leader] = 1.0
    for step in range(MIXES):
        if not result[3].any():
            break
        rival = worst(judged(_mixed(number.size, block, share, inner, drive))[2] if step else other[2])
        share *= 1.0 - 1.0 / (step + 2.0)
        share[rival] += 1.0 / (step + 2.0)
        mixed = _mixed(number.size, block, share, inner, drive)
        better = judged(mixed)[3] < result[3]
        v = np.where(better[:, None, None], mixed, v)
        result = judged(v)
    return number, result[1], inside, result[0]


def _mixed(count: int, block: Ints, share: Floats, inner: Floats, drive: Floats) -> Floats:
    """Return v (b, l, T) for blocks whose columns stand with shares (m,) that sum to 1 in each."""
    used = np.flatnonzero(share > 0.0)
    total = np.zeros((count, *inner.shape[1:]))
    pull = np.zeros((count, *drive.shape[1:]))
    np.add.at(total, block[used], inner[used] * share[used, None, None])
    np.add.at(pull, block[used], drive[used] * share[used, None, None])
    return np.asarray(-np.linalg.solve(np.eye(inner.shape[1]) + total, pull))


def span(part: Part, at: At, weights: Floats) -> Floats:
    """Return (k, k) the sum of squares of what each column does to the targets at a point, and the solutions there."""
    rest = rests(part, at)
    push = (part.common.swapaxes(1, 2) @ rest) * weights
    flat = push.transpose(0, 2, 1).reshape(-1, part.common.shape[2])
    own = at.u * weights
    return np.asarray(flat.T @ flat + part.block.size * (own @ own.T))
