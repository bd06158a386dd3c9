"""What a region's targets ask of a network, as a convex criterion over its deployments."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.field.harmonics import band_means
from siting.field.joint import JointState
from siting.field.model import TracerModel, tracer_models
from siting.field.targets import GROWTHS, anomaly_degree, ask, monthly_information, monthly_shares, targets_of
from siting.planning import Planning
from siting.region.schema.air import Target
from siting.selection.precise.criteria import Variances, Weights
from siting.selection.precise.information import Group, Part

# Factors of ranks up to each of these are worked on together.
RANKS = (20, 40, 80, 160, 320, 640, 1280, 10**9)


@dataclass(frozen=True, eq=False)
class Aims:
    """The targets of all tracers as the precise search takes them.

    `parts` carry their variances in squares of their units; by target `ids` (tracer, id), `goals` in the
    unit, `floors` what no network lowers (drift of the scale), `weights`.
    """

    parts: tuple[Part, ...]
    ids: tuple[tuple[str, str], ...]
    goals: Floats
    floors: Floats
    weights: Floats

    @property
    def wanted(self) -> Floats:
        """Variances (T,) at which the goals are met; below 0 where the floor alone is above the goal."""
        return np.asarray(self.goals**2 - self.floors**2)

    def counting(self, deployments: Bools) -> Aims:
        """Return the aims as they are if only some deployments (D,) tell anything."""

        def kept(group: Group) -> Group:
            tells = deployments[group.columns][:, None, None]
            return Group(group.columns, np.where(tells, group.common, 0.0), np.where(tells, group.local, 0.0))

        return replace(self, parts=tuple(replace(p, groups=tuple(kept(g) for g in p.groups)) for p in self.parts))

    def shortfall(self) -> Variances:
        """Return sum of weight x max(0, (error / goal)^2 - 1)."""
        return Variances(self.parts, Weights(self.weights / self.goals**2, self.wanted))

    def variance(self) -> Variances:
        """Return sum of weight x (error / goal)^2, without what the floors add."""
        always = np.full(self.goals.size, -np.inf)
        return Variances(self.parts, Weights(self.weights / self.goals**2, always))

    def limits(self) -> Variances:
        """Return the demand that every target's goal is met."""
        return Variances(self.parts, Weights(np.full(self.goals.size, np.inf), self.wanted))

    def one(self, position: int) -> Variances:
        """Return the variance of one target alone, in squares of its goal."""
        kappa = np.zeros(self.goals.size)
        kappa[position] = 1.0 / self.goals[position] ** 2
        return Variances(self.parts, Weights(kappa, np.full(self.goals.size, -np.inf)))

    def both(self) -> Variances:
        """Return the weighted variance of layouts that meet every goal: each target stands twice."""
        parts = tuple(
            replace(part, targets=np.concatenate([part.targets, part.targets], axis=1)) for part in self.parts
        )
        kappa, gamma, begin = [], [], 0
        for part in self.parts:
            mine = slice(begin, begin + part.targets.shape[1])
            begin += part.targets.shape[1]
            kappa += [(self.weights / self.goals**2)[mine], np.full(part.targets.shape[1], np.inf)]
            gamma += [np.full(part.targets.shape[1], -np.inf), self.wanted[mine]]
        return Variances(parts, Weights(np.concatenate(kappa), np.concatenate(gamma)))


def aims_of(planning: Planning) -> Aims:
    """Return what the region's targets ask, over the deployments of a planning.

    Raises `UnknownGasError` where a tracer's numbers are missing.
    """
    site = planning.deployments.candidate
    parts: list[Part] = []
    ids: list[tuple[str, str]] = []
    goals: list[float] = []
    floors: list[float] = []
    weights: list[float] = []
    for model in tracer_models(planning):
        targets, default = targets_of(planning.region, model.tracer, model.air)
        steady = [t for t in targets if t.kind != "monthly_anomaly"]
        single = [t for t in targets if t.kind == "monthly_anomaly"]
        if steady:
            parts.append(_steady_part(model, steady, default).folded(site))
        if single:
            parts.append(_monthly_part(model, single))
        for target in [*steady, *single]:
            ids.append((model.air.name, target.id))
            goals.append(target.goal)
            floors.append(model.air.scale_drift_sd if target.kind in GROWTHS else 0.0)
            weights.append(target.weight)
    return Aims(tuple(parts), tuple(ids), np.array(goals), np.array(floors), np.array(weights))


def _steady_part(model: TracerModel, targets: list[Target], default: bool) -> Part:
    """Return the information of all deployments on the field, with the targets' functionals."""
    joint = JointState(model)
    region = model.planning.region
    asked = [ask(joint.state, region, model.air, target, default) for target in targets]
    ranks = joint.ranks()
    limits = np.array(RANKS)[np.searchsorted(RANKS, ranks)]
    place = np.empty(ranks.size, dtype=np.int64)
    groups: dict[int, Group] = {}
    for limit in np.unique(limits[ranks > 0]).tolist():
        columns = np.flatnonzero((limits == limit) & (ranks > 0))
        place[columns] = np.arange(columns.size)
        rank = int(ranks[columns].max())
        groups[limit] = Group(
            columns,
            np.zeros((columns.size, rank, joint.whiten.shape[1])),
            np.zeros((columns.size, rank, joint.local_size)),
        )
    for batch in joint.batches():
        # The smaller ranks are filled up with rows of 0.
        group, rank = groups[int(limits[batch.columns[0]])], batch.common.shape[1]
        group.common[place[batch.columns], :rank] = batch.common
        group.local[place[batch.columns], :rank] = batch.local
    targets_of_state = joint.functional(np.column_stack([one.vector for one in asked]))
    return Part(tuple(groups[limit] for limit in sorted(groups)), joint.block, targets_of_state, joint.local_size)


def _monthly_part(model: TracerModel, targets: list[Target]) -> Part:
    """Return the information of all deployments on the anomaly of one typical month."""
    d, region = model.planning.deployments, model.planning.region
    none = np.empty(0, dtype=np.int64)
    known = monthly_information(model, none)
    before = monthly_shares(model, none)
    share = np.zeros(len(d))
    lasting = model.planning.lasting_flasks()
    keys = np.stack([d.plan, lasting.astype(np.int64)], axis=1)
    for key in np.unique(keys, axis=0):
        these = np.flatnonzero((keys == key).all(axis=1))
        _, first = np.unique(d.candidate[these], return_index=True)
        told = monthly_shares(model, these[first])
        share[these] = [max(0.0, told.get(int(i), 0.0) - before.get(int(i), 0.0)) for i in d.candidate[these]]
    whiten = np.linalg.inv(np.linalg.cholesky(known))
    modes = known.shape[0]
    y = model.modes[d.candidate, :modes] @ whiten.T
    bands = {band.id: band for band in region.settings.bands}
    degree = anomaly_degree(model)
    means = np.column_stack([band_means(bands[t.band or ""].south, bands[t.band or ""].north, degree) for t in targets])
    common = (np.sqrt(share)[:, None] * y)[:, None, :]
    group = Group(np.arange(len(d)), common, np.zeros((len(d), 1, 0)))
    return Part((group,), np.full(len(d), -1, dtype=np.int64), whiten @ means, 0)


def picked_errors(aims: Aims, picked: Ints) -> Floats:
    """Return the standard errors (T,) of picked deployments, floors included, by plain matrices."""
    return np.asarray(np.sqrt(aims.shortfall().whole(picked) + aims.floors**2))
