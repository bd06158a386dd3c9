"""Information that adds up over columns: L(z) = I + sum of z_d A_d A_d', what it leaves open, and how that moves.

A column's information stands on `common` coordinates and on a small `local` block that few columns
share (the air of a cell). Everything here works with the joint matrix but eliminates the local blocks.
A block's own prior is the identity times an occupancy s_b: 0 where nothing of the block is picked, 1 where
something is. With s_b = min(1, sum of its z) a lone column counts as z times its information, which is
the tightest that any relaxation can say of it; with s_b = 1 throughout, a tenth of a station would know
nearly as much as a whole one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import solve_triangular

from siting.arrays import Floats, Ints

# Columns of smaller weight than this add nothing that double precision shows.
NOTHING = 1e-13
# Blocks of smaller occupancy are idle: their own solution is hardly defined there.
IDLE = 1e-3
# Mixtures of columns tried for the v of an idle block.
MIXES = 6
# Columns that are worked on at one time, for the sake of memory.
CHUNK = 2000


def block_count(block: Ints) -> int:
    """Return how many local blocks are numbered in `block` (N,), -1 standing for none."""
    return int(block.max(initial=-1)) + 1


@dataclass(frozen=True, eq=False)
class Group:
    """Columns (m,) of equal rank with their factors: `common` (m, r, k) and `local` (m, r, l)."""

    columns: Ints
    common: Floats
    local: Floats

    @cached_property
    def answer(self) -> Floats:
        """(I + local' local)^-1 local' (m, l, r): how the block of a column that is alone in it answers."""
        turned = self.local.swapaxes(1, 2)
        return np.asarray(np.linalg.solve(np.eye(self.local.shape[2]) + turned @ self.local, turned))


@dataclass(frozen=True, eq=False)
class Part:
    """One block of coefficients with its own columns' factors; the prior is the identity.

    J_d = A_d A_d', A_d = [common_d, local_d]' of the column's group; a column in no group tells nothing.
    `block` (N,) numbers the local block of each column, -1 for none; `targets` (k, T) are functionals over
    the common coordinates, `size` l is that of a local block.
    """

    groups: tuple[Group, ...]
    block: Ints
    targets: Floats
    size: int

    @property
    def width(self) -> int:
        """Number k of common coordinates."""
        return int(self.targets.shape[0])

    @property
    def blocks(self) -> int:
        """Number of local blocks."""
        return block_count(self.block)

    def take(self, columns: Ints, basis: Floats | None = None) -> tuple[Part, Ints]:
        """Return the part of some columns (sorted), its blocks numbered anew, and the old numbers of those blocks.

        Blocks that only one of the columns uses are integrated out. `basis` is as in `projected`.
        """
        if columns.size == self.block.size:
            return self if basis is None else self.projected(basis), np.arange(self.blocks)
        block = self.block[columns]
        users = np.bincount(block[block >= 0], minlength=self.blocks)
        lone = np.append(users == 1, False)[block]
        old = np.flatnonzero(users > 1)
        new = np.where((block >= 0) & ~lone, np.searchsorted(old, block), -1)
        place = np.full(self.block.size, -1)
        place[columns] = np.arange(columns.size)
        groups = []
        for group in self.groups:
            mine = np.flatnonzero(place[group.columns] >= 0)
            if mine.size == 0:
                continue
            where, local = place[group.columns[mine]], group.local[mine]
            common = group.common[mine] if basis is None else _held(group.common, mine, basis)
            single = np.flatnonzero(lone[where])
            if single.size:
                common[single] = alone(common[single], local[single])
                local[single] = 0.0
            groups.append(Group(where, common, local))
        part = Part(tuple(groups), new, self.targets if basis is None else basis.T @ self.targets, self.size)
        return (part if basis is None else part.shortened()), old

    def projected(self, basis: Floats) -> Part:
        """Return the part with its common coordinates held to the span of a basis (k, j)."""
        groups = tuple(Group(group.columns, group.common @ basis, group.local) for group in self.groups)
        return Part(groups, self.block, basis.T @ self.targets, self.size).shortened()

    def shortened(self) -> Part:
        """Return the part with factors of no more rows than there are coordinates, where no local block is seen."""
        groups = []
        for group in self.groups:
            common, local = group.common, group.local
            if common.shape[1] > common.shape[2] and not np.any(self.block[group.columns] >= 0):
                common = np.linalg.qr(common)[1]
                local = local[:, : common.shape[1]]
            groups.append(Group(group.columns, common, local))
        return Part(tuple(groups), self.block, self.targets, self.size)

    def folded(self, site: Ints) -> Part:
        """Return the part with local blocks integrated out that only one site uses; its own arrays are changed.

        At most one column of a `site` (N,) may ever be picked, so that the block is that column's own:
        A (I + local local')^-1/2 says the same.
        """
        users = np.zeros(self.blocks, dtype=np.int64)
        for number, _ in {(int(b), int(s)) for b, s in zip(self.block, site, strict=True) if b >= 0}:
            users[number] += 1
        lone = np.append(users == 1, False)[self.block]
        block = np.where(lone, -1, self.block)
        kept = np.unique(block[block >= 0])
        block = np.where(block >= 0, np.searchsorted(kept, block), -1)
        size = self.size if kept.size else 0
        groups = []
        for group in self.groups:
            common, local = group.common, group.local
            every = np.flatnonzero(lone[group.columns])
            for begin in range(0, every.size, CHUNK):
                where = every[begin : begin + CHUNK]
                common[where] = alone(common[where], local[where])
                local[where] = 0.0
            groups.append(Group(group.columns, common, local[:, :, :size]))
        return Part(tuple(groups), block, self.targets, size)


def _held(common: Floats, these: Ints, basis: Floats) -> Floats:
    """Return factors (m, r, j) of some columns on a basis, without a copy of all of them as they were."""
    out = np.empty((these.size, common.shape[1], basis.shape[1]))
    for at in range(0, these.size, CHUNK):
        out[at : at + CHUNK] = common[these[at : at + CHUNK]] @ basis
    return out


def alone(common: Floats, local: Floats) -> Floats:
    """Return factors (m, r, k) of columns that are alone in their block: (I + local local')^-1/2 common."""
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


def evaluate(part: Part, z: Floats, occupied: Floats) -> At:
    """Return a part at weights z (N,) and occupancies (B,)."""
    k, size, blocks = part.width, part.size, part.blocks
    total = np.eye(k)
    inner = np.zeros((blocks, size, size))
    cross = np.zeros((blocks, k, size))
    for group in part.groups:
        weights = z[group.columns]
        every = np.flatnonzero(weights > NOTHING)
        for begin in range(0, every.size, CHUNK):
            used = every[begin : begin + CHUNK]
            root = np.sqrt(weights[used])[:, None, None]
            common = group.common[used] * root
            flat = common.reshape(-1, k)
            total += flat.T @ flat
            number = part.block[group.columns[used]]
            inside = np.flatnonzero(number >= 0)
            if inside.size:
                inside = inside[np.argsort(number[inside], kind="stable")]
                seen, first = np.unique(number[inside], return_index=True)
                local = group.local[used[inside]] * root[inside]
                inner[seen] += np.add.reduceat(local.swapaxes(1, 2) @ local, first)
                cross[seen] += np.add.reduceat(common[inside].swapaxes(1, 2) @ local, first)
    if blocks:
        index = np.arange(size)
        inner[:, index, index] += np.where(occupied > 0.0, occupied, 1.0)[:, None]
        seen = np.flatnonzero(np.any(cross != 0.0, axis=(1, 2)))
        if seen.size:
            answer = np.linalg.solve(np.linalg.cholesky(inner[seen]), cross[seen].swapaxes(1, 2)).reshape(-1, k)
            total -= answer.T @ answer
    lower = np.asarray(np.linalg.cholesky(total), dtype=float)
    half: Floats = solve_triangular(lower, part.targets, lower=True, check_finite=False)
    u: Floats = solve_triangular(lower, half, lower=True, trans=1, check_finite=False)
    v: Floats = np.zeros((0, size, u.shape[1]))
    if blocks:
        v = np.asarray(-np.linalg.solve(inner, cross.swapaxes(1, 2) @ u), dtype=float)
    return At(lower, inner, cross, u, v, np.asarray((half * half).sum(axis=0)))


def rests(part: Part, at: At, seen: list[Floats] | None = None) -> list[Floats]:
    """Return group by group A_d' [u; v] (m, r, T): how each column sees the solutions of a point.

    `seen` is what `common_rests` returned, if that is known.
    """
    seen = common_rests(part, at) if seen is None else seen
    return [
        _rest(part, at, group, np.arange(group.columns.size), one) for group, one in zip(part.groups, seen, strict=True)
    ]


def common_rests(part: Part, at: At) -> list[Floats]:
    """Return group by group (m, r, T) how each column sees the common part u of the solutions alone."""
    return [_common_rest(group.common, at) for group in part.groups]


def _common_rest(common: Floats, at: At) -> Floats:
    n, r, k = common.shape
    return np.asarray((common.reshape(n * r, k) @ at.u).reshape(n, r, at.u.shape[1]))


def _rest(part: Part, at: At, group: Group, these: Ints, seen: Floats) -> Floats:
    """Return what some columns of a group see; `seen` (m, r, T) is their share of the common coordinates."""
    number = part.block[group.columns[these]]
    inside = np.flatnonzero(number >= 0)
    if inside.size == 0:
        return seen
    out = seen.copy()
    out[inside] += group.local[these[inside]] @ at.v[number[inside]]
    return out


def squares(part: Part, rest: list[Floats]) -> Floats:
    """Return (N, T) |A_d' [u; v]|^2 of all columns."""
    t = part.targets.shape[1]
    out = np.zeros((part.block.size, t))
    for group, one in zip(part.groups, rest, strict=True):
        out[group.columns] = (one * one).sum(axis=1)
    return out


@dataclass(frozen=True, eq=False)
class Pushes:
    """How columns and occupancies push on the targets, in half-solved coordinates.

    `common` (N + B, k, T) is lower^-1 of each one's push on the common coordinates with local blocks
    eliminated, `local` (N + B, l, T) that on its block after half a solve, `block` (N + B,) its block.
    """

    common: Floats
    local: Floats
    block: Ints


def pushes(part: Part, at: At, rest: list[Floats]) -> Pushes:
    """Return the pushes of all columns of a part, then of its occupancies."""
    n, k, size, t = part.block.size, part.width, part.size, part.targets.shape[1]
    block = np.concatenate([part.block, np.arange(part.blocks)])
    common = np.zeros((block.size, k, t))
    local = np.zeros((block.size, size, t))
    for group, one in zip(part.groups, rest, strict=True):
        common[group.columns] = group.common.swapaxes(1, 2) @ one
        if part.blocks:
            local[group.columns] = group.local.swapaxes(1, 2) @ one
    if part.blocks:
        local[n:] = at.v
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
    flat = (push.common * scale).reshape(push.common.shape[0], push.common.shape[1] * scale.size)
    out = flat @ flat.T
    if push.block.size == 0:
        return np.asarray(out)
    order = np.argsort(push.block, kind="stable")
    number, begin = np.unique(push.block[order], return_index=True)
    for b, these in zip(number, np.split(order, begin[1:]), strict=True):
        if b >= 0:
            own = (push.local[these] * scale).reshape(these.size, push.local.shape[1] * scale.size)
            out[np.ix_(these, these)] += own @ own.T
    return np.asarray(out)


def lowered(part: Part, at: At, columns: Ints) -> Floats:
    """Return (m, T) by how much each of some columns would lower the variances, picked whole in addition.

    `at` must stand at a point with whole blocks: occupancy 1, also of blocks that nothing uses yet.
    """
    out = np.zeros((part.block.size, part.targets.shape[1]))
    wanted = np.zeros(part.block.size, dtype=bool)
    wanted[columns] = True
    for group in part.groups:
        these = np.flatnonzero(wanted[group.columns])
        if these.size:
            out[group.columns[these]] = _lowered(part, at, group, these)
    return np.asarray(out[columns])


def _lowered(part: Part, at: At, group: Group, these: Ints) -> Floats:
    halves = halves_of(part, at, group, these)
    return np.asarray((halves.rest * np.linalg.solve(halves.own, halves.rest)).sum(axis=1))


@dataclass(frozen=True, eq=False)
class Halves:
    """Columns (m,) of a group at a point: their factors on the common coordinates after half a solve (m, r, k).

    Two columns share A_d' L^-1 A_e = common_d common_e', and what their local factors say within a block of both;
    `own` (m, r, r) is I + A_d' L^-1 A_d and `rest` (m, r, T) is A_d' [u; v].
    """

    common: Floats
    own: Floats
    rest: Floats


def halves_of(part: Part, at: At, group: Group, these: Ints) -> Halves:
    """Return how some columns of a group stand at a point with whole blocks."""
    effective = group.common[these]
    n, r, k = effective.shape
    rest = _rest(part, at, group, these, _common_rest(effective, at))
    block = part.block[group.columns[these]]
    inside = np.flatnonzero(block >= 0)
    own = np.broadcast_to(np.eye(r), (n, r, r)).copy()
    if inside.size:
        local = group.local[these[inside]]
        solved = np.linalg.solve(at.inner[block[inside]], local.swapaxes(1, 2))
        effective = effective.copy()
        effective[inside] -= (at.cross[block[inside]] @ solved).swapaxes(1, 2)
        own[inside] += local @ solved
    wide = solve_triangular(at.lower, effective.reshape(n * r, k).T, lower=True, check_finite=False)
    half = wide.T.reshape(n, r, k)
    own += half @ half.swapaxes(1, 2)
    return Halves(half, own, rest)


def idle(
    part: Part, at: At, seen: list[Floats], occupied: Floats, weights: Floats, price: Floats
) -> tuple[Ints, Floats, Ints, Floats]:
    """Return for blocks that hardly anything uses a steadier v than the point's own: what they would add.

    Any v gives a valid linear bound on what a block's columns tell: column d then sees
    |A_d' [u; v]|^2 + |v|^2 at its `price` (N,). Tried are the point's own v, that of the column which alone
    in its block is worth most against its price, and mixtures of that one with those it leaves worst; the v
    that leaves the least above the prices is kept. `weights` (T,) are those of the targets, `seen` as in
    `common_rests`. Returns the blocks (b,), |v|^2 (b, T), their columns (m,) and the squares (m, T) that these see.
    """
    t = at.u.shape[1]
    quiet = np.append(occupied < IDLE, False)
    found = [
        _Quiet.of(group, one, np.flatnonzero(quiet[part.block[group.columns]]))
        for group, one in zip(part.groups, seen, strict=True)
    ]
    found = [one for one in found if one.columns.size]
    if not found:
        return np.empty(0, dtype=np.int64), np.zeros((0, t)), np.empty(0, dtype=np.int64), np.zeros((0, t))
    columns = np.concatenate([one.columns for one in found])
    number: Ints
    number, block = np.unique(part.block[columns], return_inverse=True)
    begin = np.cumsum([0] + [one.columns.size for one in found])
    cost = price[columns]

    def judged(v: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        seen = np.concatenate(
            [
                ((one.rest + one.local @ v[block[a:b]]) ** 2).sum(axis=1)
                for one, a, b in zip(found, begin[:-1], begin[1:], strict=True)
            ]
        )
        own = (v * v).sum(axis=1)
        above = (seen + own[block]) @ weights - cost
        loss = np.bincount(block, weights=np.maximum(0.0, above), minlength=number.size).astype(float)
        return seen, own, above, loss

    def worst(above: Floats) -> Ints:
        order = np.lexsort((columns, -above, block))
        return np.asarray(order[np.searchsorted(block[order], np.arange(number.size))], dtype=np.int64)

    def mixed(share: Floats) -> Floats:
        """Return v of blocks whose columns stand with shares that sum to 1 in each."""
        total = np.zeros((number.size, part.size, part.size))
        pull = np.zeros((number.size, part.size, t))
        for one, a, b in zip(found, begin[:-1], begin[1:], strict=True):
            used = np.flatnonzero(share[a:b] > 0.0)
            turned = one.local[used].swapaxes(1, 2) * share[a:b][used, None, None]
            np.add.at(total, block[a:b][used], turned @ one.local[used])
            np.add.at(pull, block[a:b][used], turned @ one.rest[used])
        return np.asarray(-np.linalg.solve(np.eye(part.size) + total, pull))

    alone_worth = np.concatenate([one.worth(weights) for one in found]) - cost
    share = np.zeros(columns.size)
    rival = worst(alone_worth)
    share[rival] = 1.0
    v = at.v[number]
    result = judged(v)
    for step in range(MIXES + 1):
        if step:
            share *= 1.0 - 1.0 / (step + 1.0)
            share[rival] += 1.0 / (step + 1.0)
        trial = mixed(share)
        again = judged(trial)
        v = np.where((again[3] < result[3])[:, None, None], trial, v)
        result = judged(v)
        if not result[3].any():
            break
        rival = worst(again[2])
    return number, result[1], columns, result[0]


@dataclass(frozen=True, eq=False)
class _Quiet:
    """Columns of one group that stand in idle blocks."""

    columns: Ints
    rest: Floats
    local: Floats
    answer: Floats

    @classmethod
    def of(cls, group: Group, seen: Floats, these: Ints) -> _Quiet:
        answer = group.answer[these] if these.size else group.local[:0]
        return cls(group.columns[these], seen[these], group.local[these], answer)

    def worth(self, weights: Floats) -> Floats:
        """Return (m,) what each column sees when it is alone in its block."""
        return np.asarray((self.rest * (self.rest - self.local @ (self.answer @ self.rest))).sum(axis=1) @ weights)


def span(part: Part, at: At, weights: Floats) -> Floats:
    """Return (k, k) the sum of squares of what each column does to the targets at a point, and the solutions there."""
    own = at.u * weights
    total = part.block.size * (own @ own.T)
    for group in part.groups:
        for begin in range(0, group.columns.size, CHUNK):
            these = np.arange(begin, min(begin + CHUNK, group.columns.size))
            common = group.common[these]
            push = (common.swapaxes(1, 2) @ _rest(part, at, group, these, _common_rest(common, at))) * weights
            flat = push.transpose(0, 2, 1).reshape(-1, part.width)
            total += flat.T @ flat
    return np.asarray(total)
