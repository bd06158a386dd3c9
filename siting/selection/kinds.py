"""What a rule kind is, and the kinds that are written under [[rules]]."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol

import numpy as np

from siting.arrays import Bools, Ints
from siting.planning import INSTRUMENTS, Planning, columns_at
from siting.region.schema.rules import (
    AtLeast,
    AtMost,
    AtMostSites,
    BandAtLeast,
    Comparison,
    OnlyWith,
    Spacing,
)
from siting.selection.program import Exclusions, ProgramBuilder

# A comparison site at exactly the stated distance is near enough; 1 mm allows for rounding.
TOUCH_KM = 1e-6


@dataclass(frozen=True)
class Demand:
    """One condition of a kind: the label that rows and messages carry, the condition in words, its data."""

    label: str
    words: str
    data: Any = None


@dataclass(frozen=True)
class Judgement:
    """Does a given layout hold to a demand; `found` says in words what it has."""

    label: str
    words: str
    holds: bool
    found: str


class RuleKind(Protocol):
    """A kind of rule: what a region demands of it, its rows, and how a given layout is judged.

    `add` writes rows (and auxiliary columns) for one demand into the builder; `judge` looks at picked
    deployments directly and shares nothing with rows or solver.
    """

    def demands(self, planning: Planning) -> Iterable[Demand]:
        """Return the conditions of this kind that the region asks for."""

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Write the rows of one demand."""

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Judge picked deployments (k,) by one demand."""


def verdict(demand: Demand, holds: bool, found: str) -> Judgement:
    """Return the judgement of a demand."""
    return Judgement(demand.label, demand.words, bool(holds), found)


def written(planning: Planning, model: type) -> list[tuple[str, Any]]:
    """Return (label, rule) of the [[rules]] of one model, in the order of the file."""
    found = []
    for i, rule in enumerate(planning.region.settings.rules):
        if isinstance(rule, model):
            found.append((rule.name or f"{rule.kind} (rule {i + 1})", rule))
    return found


def _members(planning: Planning, rule: AtMost | AtLeast) -> Bools:
    c = planning.region.candidates
    return np.array(
        [
            (not rule.sites or c.ids[i] in rule.sites) and (rule.group is None or rule.group in c.group[i])
            for i in range(len(c))
        ],
        dtype=bool,
    )


def _subject(rule: AtMost | AtLeast) -> str:
    what = {"analyzer": "sites with an analyzer", "flask": "sites with flasks", None: "sites"}[rule.instrument]
    if rule.group is not None:
        what += f" of group '{rule.group}'"
    if rule.sites:
        shown = ", ".join(rule.sites[:6]) + (", ..." if len(rule.sites) > 6 else "")
        what += f" among {shown}"
    return what


@dataclass(frozen=True)
class CountKind:
    """At most, or at least, so many sites of a group or a list."""

    model: type[AtMost] | type[AtLeast]

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each rule."""
        word = "at most" if self.model is AtMost else "at least"
        return [
            Demand(label, f"{word} {rule.count} {_subject(rule)}", rule)
            for label, rule in written(planning, self.model)
        ]

    @staticmethod
    def _standing(planning: Planning, rule: AtMost | AtLeast) -> Bools:
        """Mask (n,) of the running stations that count; a new instrument there is no further site."""
        if rule.new_only:
            return np.zeros(len(planning.region.candidates), dtype=bool)
        return _members(planning, rule) & planning.runs(rule.instrument)

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Sum of the members' deployments against the count, less what runs already.

        Running stations that are too many among themselves leave room for none, but are no clash.
        """
        rule, standing = demand.data, self._standing(planning, demand.data)
        columns = columns_at(planning, _members(planning, rule) & ~standing, rule.instrument)
        ones = np.ones(columns.size, dtype=np.int64)
        left = rule.count - int(standing.sum())
        if self.model is AtMost:
            builder.add_row(demand.label, columns, ones, upper=max(0, left))
        else:
            builder.add_row(demand.label, columns, ones, lower=left)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Count the members among the picked and the running."""
        rule, standing = demand.data, self._standing(planning, demand.data)
        new = set(columns_at(planning, _members(planning, rule) & ~standing, rule.instrument).tolist())
        running = int(standing.sum())
        count = running + sum(int(d) in new for d in picked)
        holds = count <= max(rule.count, running) if self.model is AtMost else count >= rule.count
        return verdict(demand, holds, f"{count}" + (f", {running} of them running" if running else ""))


@dataclass(frozen=True)
class OnlyWithKind:
    """Site A only together with site B."""

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each rule."""
        return [
            Demand(label, f"{rule.site} only with {rule.needs}", rule) for label, rule in written(planning, OnlyWith)
        ]

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Picks at A at most picks at B."""
        c, d = planning.region.candidates, planning.deployments
        a, b = c.index(demand.data.site), c.index(demand.data.needs)
        if c.status[b] == "running" or a == b:
            return
        first, second = np.flatnonzero(d.candidate == a), np.flatnonzero(d.candidate == b)
        signs = np.concatenate([np.ones(first.size, dtype=np.int64), -np.ones(second.size, dtype=np.int64)])
        builder.add_row(demand.label, np.concatenate([first, second]), signs, upper=0)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Look both sites up among the picked."""
        c = planning.region.candidates
        at = {c.ids[i] for i in planning.deployments.candidate[picked]}
        there = demand.data.needs in at or c.status[c.index(demand.data.needs)] == "running"
        holds = demand.data.site not in at or there
        return verdict(
            demand,
            holds,
            f"{demand.data.site} {'in' if demand.data.site in at else 'out'}, "
            f"{demand.data.needs} {'in' if there else 'out'}",
        )


@dataclass(frozen=True)
class BandKind:
    """At least so many sites in a band; running stations count, a track by its share of time."""

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each rule and band."""
        found = []
        for label, rule in written(planning, BandAtLeast):
            for b, band in enumerate(planning.region.settings.bands):
                if rule.band in (band.id, "each") and (band.coverage or rule.band == band.id):
                    name = f"{label}, band {band.id}" if rule.band == "each" else label
                    what = {"analyzer": " with an analyzer", "flask": " with flasks", None: ""}[rule.instrument]
                    sites = "site" if rule.count == 1 else "sites"
                    found.append(
                        Demand(
                            name,
                            f"at least {rule.count:g} {sites}{what} in band '{band.id}'",
                            (rule, b),
                        )
                    )
        return found

    def _thousandths(self, planning: Planning, demand: Demand) -> tuple[Ints, int]:
        """Return the share of each candidate in thousandths (n,) and what runs there already."""
        rule, b = demand.data
        share = np.rint(1000.0 * planning.band_share[:, b]).astype(np.int64)
        return share, int(share[planning.runs(rule.instrument)].sum())

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Shares in thousandths, running ones first."""
        rule, _ = demand.data
        share, running = self._thousandths(planning, demand)
        d = planning.deployments
        new = ~planning.runs(rule.instrument)[d.candidate]
        columns = np.flatnonzero(planning.has(rule.instrument) & (share[d.candidate] > 0) & new)
        builder.add_row(demand.label, columns, share[d.candidate[columns]], lower=round(1000 * rule.count) - running)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Add up the shares."""
        rule, _ = demand.data
        share, total = self._thousandths(planning, demand)
        runs, has = planning.runs(rule.instrument), planning.has(rule.instrument)
        for d in picked:
            i = planning.deployments.candidate[d]
            total += int(share[i]) if has[d] and not runs[i] else 0
        return verdict(demand, total >= round(1000 * rule.count), f"{total / 1000:g}")


@dataclass(frozen=True)
class SpacingKind:
    """Sites with the same kind of instrument stand at least so far apart."""

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each rule; both kinds of instrument in turn where none is named."""
        found = []
        for label, rule in written(planning, Spacing):
            kinds = (rule.instrument,) if rule.instrument else INSTRUMENTS
            name = f"sites with the same kind of instrument ({' or '.join(kinds)}) at least {rule.km:g} km apart"
            found.append(Demand(label, name, (rule.km, kinds)))
        return found

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Rows on demand; sites too near to a running station are closed at once."""
        km, kinds = demand.data
        d, neighbours = planning.deployments, planning.neighbours
        for instrument in kinds:
            columns = np.flatnonzero(planning.has(instrument))
            if columns.size == 0:
                continue
            running = np.flatnonzero(planning.runs(instrument))
            closed = set(running.tolist())
            for near in neighbours.within(running, km):
                closed.update(near.tolist())
            shut = columns[np.isin(d.candidate[columns], sorted(closed))]
            for column in shut:
                builder.add_row(demand.label, [int(column)], [1], upper=0)
            free = np.setdiff1d(columns, shut)
            if free.size == 0:
                continue
            builder.add_exclusions(Exclusions(demand.label, free, d.candidate[free], partial(neighbours.within, km=km)))

    def shut(self, planning: Planning, picked: Ints, demand: Demand) -> Bools:
        """Return a mask of the deployments that stand too near to picked (k,) or running sites to come besides."""
        km, kinds = demand.data
        d = planning.deployments
        found = np.zeros(len(d), dtype=bool)
        for instrument in kinds:
            has = planning.has(instrument)
            there = np.union1d(d.candidate[picked[has[picked]]], np.flatnonzero(planning.runs(instrument)))
            near = [there, *planning.neighbours.within(there, km)]
            found |= has & np.isin(d.candidate, np.concatenate(near))
        return found

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Measure every pair of picked sites, and of picked and running sites."""
        km, kinds = demand.data
        c, d = planning.region.candidates, planning.deployments
        pairs: set[tuple[str, str]] = set()
        for instrument in kinds:
            new = np.unique(d.candidate[picked[planning.has(instrument)[picked]]])
            standing = np.flatnonzero(planning.runs(instrument))
            both = np.intersect1d(new, standing)
            pairs |= {(c.ids[i], c.ids[i]) for i in both}
            for i, near in zip(new, planning.neighbours.within(new, km), strict=True):
                for j in np.intersect1d(near, np.union1d(new, standing)):
                    pairs.add((min(c.ids[i], c.ids[j]), max(c.ids[i], c.ids[j])))
        words = "; ".join(f"{a} and {b}" for a, b in sorted(pairs)[:5])
        return verdict(demand, not pairs, f"{len(pairs)} pairs too near" + (f": {words}" if pairs else ""))


@dataclass(frozen=True)
class ComparisonKind:
    """At least so many analyzer sites have flasks within a distance, to compare the methods."""

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each rule."""
        found = []
        for label, rule in written(planning, Comparison):
            km = planning.region.settings.pair_km if rule.km is None else rule.km
            where = f"within {km:g} km" if km else "at the same site"
            count = "every analyzer site has" if rule.count == "all" else f"at least {rule.count} analyzer sites have"
            found.append(Demand(label, f"{count} flasks {where}", (rule.count, km)))
        return found

    def _near(self, planning: Planning, sites: Ints, km: float) -> Sequence[Ints]:
        """Return for each site the sites within `km`, itself among them."""
        if km == 0.0:
            return [np.array([site]) for site in sites]
        return [
            np.union1d(near, [site])
            for site, near in zip(sites, planning.neighbours.within(sites, km + TOUCH_KM), strict=True)
        ]

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """One auxiliary column a pair: at most its analyzer, at most the flasks near it."""
        count, km = demand.data
        d = planning.deployments
        standing = planning.runs("analyzer")
        sites = np.union1d(np.unique(d.candidate[d.has_analyzer]), np.flatnonzero(standing)).astype(np.int64)
        flasks_run = planning.runs("flask")
        pairs: list[int] = []
        ready = 0
        for site, near in zip(sites, self._near(planning, sites, km), strict=True):
            here = np.flatnonzero((d.candidate == site) & d.has_analyzer)
            served = bool(flasks_run[near].any())
            flasks = np.flatnonzero(np.isin(d.candidate, near) & planning.lasting_flasks())
            if count == "all" or not standing[site]:
                # A site holds one deployment: flasks alone shut a new analyzer out there, and a relaxation that may
                # halve both must not take the halves for a pair.
                flasks = flasks[(d.candidate[flasks] != site) | d.has_analyzer[flasks]]
            if count == "all":
                if not served:
                    only = np.setdiff1d(here, flasks)
                    others = np.setdiff1d(flasks, here)
                    for column in only:
                        signs = np.concatenate([[1], -np.ones(others.size, dtype=np.int64)])
                        builder.add_row(demand.label, np.concatenate([[column], others]), signs, upper=0)
                continue
            if served and standing[site]:
                ready += 1
                continue
            pair = builder.add_column(f"{demand.label}: pair at {planning.region.candidates.ids[site]}")
            pairs.append(pair)
            if not standing[site]:
                builder.add_row("", np.append(here, pair), np.append(-np.ones(here.size, dtype=np.int64), 1), upper=0)
            if not served:
                builder.add_row(
                    "", np.append(flasks, pair), np.append(-np.ones(flasks.size, dtype=np.int64), 1), upper=0
                )
        if count != "all":
            builder.add_row(demand.label, pairs, np.ones(len(pairs), dtype=np.int64), lower=count - ready)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Count the analyzer sites with flasks near."""
        count, km = demand.data
        d = planning.deployments
        new = np.unique(d.candidate[picked[d.has_analyzer[picked]]])
        sites = np.union1d(new, np.flatnonzero(planning.runs("analyzer"))).astype(np.int64)
        flask_sites = set(d.candidate[picked[planning.lasting_flasks()[picked]]].tolist())
        flask_sites |= set(np.flatnonzero(planning.runs("flask")).tolist())
        alone = [
            site
            for site, near in zip(sites, self._near(planning, sites, km), strict=True)
            if not flask_sites & set(near.tolist())
        ]
        if count == "all":
            bad = [planning.region.candidates.ids[site] for site in alone if site in new]
            return verdict(demand, not bad, "all" if not bad else f"without flasks: {', '.join(bad)}")
        return verdict(demand, len(sites) - len(alone) >= count, f"{len(sites) - len(alone)}")


@dataclass(frozen=True)
class AtMostSitesKind:
    """At most so many new sites in all."""

    def demands(self, planning: Planning) -> list[Demand]:
        """One demand for each rule."""
        return [
            Demand(label, f"at most {rule.count} new sites", rule) for label, rule in written(planning, AtMostSites)
        ]

    def add(self, builder: ProgramBuilder, planning: Planning, demand: Demand) -> None:
        """Sum of all deployments."""
        n = len(planning.deployments)
        builder.add_row(demand.label, np.arange(n), np.ones(n, dtype=np.int64), upper=demand.data.count)

    def judge(self, planning: Planning, picked: Ints, demand: Demand) -> Judgement:
        """Count the picked."""
        del planning
        return verdict(demand, picked.size <= demand.data.count, f"{picked.size}")
