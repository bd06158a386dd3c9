"""The ways of supply that each deployment may choose from, with what they cost and how much glass they bind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from siting.arrays import Bools, Floats, Ints, read_only
from siting.deployments import DAYS_PER_YEAR, Deployments, LeftOut, hundredths, price_factors, share_of_year
from siting.region.model import Region
from siting.supply.circulation import even_circulation
from siting.supply.estimate import Estimates, estimates
from siting.supply.network import Network
from siting.supply.rounds import Round, Turnaround, rounds_of, turnaround
from siting.supply.timetable import Timetable
from siting.supply.ways import Transport, transport_of

KEEPS = "tracers.storage_days"
_OF_WAYS = (
    *("cents", "flasks", "boxes", "uses", "fills", "mean_flasks", "calls", "mean_wait", "longest_gap", "oldest"),
    *("home_days", "out_days", "round_of"),
)


@dataclass(frozen=True, eq=False)
class Supply:
    """Ways of supply of all deployments; those of deployment d are `first[d]` up to `first[d + 1]`.

    `candidate` (D,) is the place of each deployment.

    R ways, Y years, S fixed costs that can be shared, C arcs of limited capacity. `cents` (R, Y) is what a way costs
    by itself (freight, broken flasks, and fixed costs where they are not shared), in hundredths; `flasks` (R, Y) in
    circulation at the peak, `mean_flasks` (R,), `boxes` (R, Y) each way; `uses` (R, S) and `fills` (R, C) say which
    fixed costs it asks for and which arcs it fills; `round_of` (R,) its round in `rounds`, -1 where no leg leads;
    `calls` (R,) a year, `mean_wait`, `longest_gap`, `oldest` (R,) days as in `Turnaround`, `home_days` and `out_days`
    (R,) on the longest. `since` (D,) is the year, from 0, in which a deployment begins to use its way. `shared_cents`
    (S, Y) are the fixed costs, `capacity` (C,) boxes a year of arcs `limited` (C,). The first way of a deployment is
    the one that is cheapest alone. `too_long` names what no way keeps.
    """

    network: Network
    candidate: Ints
    first: Ints
    cents: Ints
    flasks: Ints
    boxes: Ints
    uses: Bools
    fills: Bools
    mean_flasks: Floats
    calls: Floats
    mean_wait: Floats
    longest_gap: Floats
    oldest: Floats
    home_days: Floats
    out_days: Floats
    round_of: Ints
    rounds: tuple[Round, ...]
    since: Ints
    shared_cents: Ints
    limited: Ints
    capacity: Ints
    estimated: Bools
    too_long: tuple[LeftOut, ...]
    whole: bool

    @cached_property
    def owner(self) -> Ints:
        """Deployment (R,) of each way."""
        return np.repeat(np.arange(self.first.size - 1), np.diff(self.first))

    @cached_property
    def joint(self) -> Bools:
        """Mask (S,) of the fixed costs that deployments at two candidates or more can share."""
        places = self.candidate[self.owner]
        return np.array([np.unique(places[self.uses[:, s]]).size > 1 for s in range(self.uses.shape[1])], dtype=bool)

    @cached_property
    def carried(self) -> Ints:
        """Hundredths (R, Y) of each way with the fixed costs that only its own candidate can have."""
        lone = self.uses & ~self.joint
        begun = self.since[self.owner][:, None] <= np.arange(self.cents.shape[1])[None, :]
        return np.asarray(self.cents + (lone.astype(np.int64) @ self.shared_cents) * begun, dtype=np.int64)

    def asks(self, ways: Ints) -> Bools:
        """Return (k, S, Y) which fixed costs ways (k,) ask for in which years."""
        begun = self.since[self.owner[ways]][:, None] <= np.arange(self.cents.shape[1])[None, :]
        return np.asarray(self.uses[ways][:, :, None] & begun[:, None, :], dtype=bool)

    def take(self, deployments: Ints) -> Supply:
        """Return the ways of some deployments (k,), ascending."""
        counts = np.diff(self.first)[deployments]
        ways = np.flatnonzero(np.isin(self.owner, deployments))
        of_deployments = {"candidate": deployments, "since": deployments, "estimated": deployments}
        of_ways = dict.fromkeys(_OF_WAYS, ways)
        every = of_deployments | of_ways
        kept: dict[str, Any] = {name: read_only(getattr(self, name)[at]) for name, at in every.items()}
        return replace(self, first=read_only(np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)), **kept)

    def of(self, deployment: int) -> range:
        """Return the ways of a deployment."""
        return range(int(self.first[deployment]), int(self.first[deployment + 1]))

    def words(self, way: int) -> tuple[str, str]:
        """Return a way out and a way home as places, empty where no leg leads."""
        if self.round_of[way] < 0:
            return "", ""
        one = self.rounds[self.round_of[way]]
        return self.network.route_words(one.out), self.network.route_words(one.home)

    def find(self, deployment: int, out: str, home: str) -> int | None:
        """Return the way of a deployment with these places, None if it has none such."""
        return next((way for way in self.of(deployment) if self.words(way) == (out, home)), None)


@dataclass(frozen=True, eq=False)
class _Choice:
    """One way of one deployment while the table is put together."""

    cents: Ints
    flasks: Ints
    boxes: Ints
    round_of: int
    shared: frozenset[int]
    limited: frozenset[int]
    turn: Turnaround
    home_days: float
    out_days: float


def build_supply(region: Region, d: Deployments, transport: Transport | None = None) -> Supply:
    """Return the ways of supply of a region's deployments.

    Where legs lead to a candidate and back, its deployments choose among rounds; elsewhere there is one way without
    legs: estimated from distances if `siting derive` has run, else as the candidate's own columns have it.
    `transport` is what the region's legs say, worked out if None.
    """
    transport = transport_of(region) if transport is None else transport
    network, home, out = transport.network, transport.home, transport.out
    maker = _Maker(region, d, network)
    served: dict[int, list[_Choice]] = {}
    rounds: list[Round] = []
    too_long: list[LeftOut] = []
    whole = True
    if network.arcs:
        whole = home.whole and out.whole
        for i in np.unique(d.candidate).tolist():
            name = region.candidates.ids[i]
            found = _through(
                rounds_of(home.at.get(name, ()), out.at.get(name, ()), network.arcs), network, region.candidates.hub[i]
            )
            if not found:
                continue
            begin = len(rounds)
            rounds += found
            for k in np.flatnonzero(np.asarray(d.candidate == i)).tolist():
                if maker.moves[k]:
                    served[k], reason = maker.choices(k, found, begin)
                    if reason:
                        too_long.append(LeftOut(name, region.settings.plans[d.plan[k]].id, reason, KEEPS))
    return maker.table(served, tuple(rounds), tuple(sorted(set(too_long))), whole)


def _through(rounds: Sequence[Round], network: Network, hub: str) -> tuple[Round, ...]:
    """Return the rounds that pass a hub both ways; all where none does or no hub is asked for."""

    def passes(arcs: tuple[int, ...]) -> bool:
        return any(hub in (network.arcs[a].begin, network.arcs[a].end) for a in arcs)

    chosen = tuple(one for one in rounds if hub and passes(one.home) and passes(one.out))
    return chosen or tuple(rounds)


class _Maker:
    """Evaluates rounds for deployments and puts the table together."""

    def __init__(self, region: Region, d: Deployments, network: Network) -> None:
        self._region, self._d, self._network = region, d, network
        settings = region.settings
        self._settings = settings
        self._factor = price_factors(settings)
        self._shared = np.array([s.cost_a_year for s in network.shared])[:, None] * self._factor
        self._shared_cents = hundredths(self._shared)
        self._share = share_of_year(d.first_month, settings.years)
        self._cylinder_boxes = np.ceil(np.round(d.cylinders * settings.supply.cylinder_boxes, 9))
        self.moves: Bools = np.asarray(d.travelling.any(axis=1) | d.cylinders.any(axis=1))
        self._broken = settings.supply.breakage * d.travelling * settings.supply.flask_price
        self._keeps = [self._storage(p) for p in range(len(settings.plans))]
        self._turns: dict[tuple[int, int, int], Turnaround] = {}
        self._calls: dict[tuple[int, int], Timetable] = {}
        self._limited = np.array([arc.number for arc in network.capacities], dtype=np.int64)

    def _storage(self, p: int) -> tuple[float, str]:
        """Return how long a sample of a plan keeps, in days, and which gas says so."""
        plan = self._settings.plans[p]
        keeps = [
            (tracer.storage_days, tracer.name)
            for tracer in self._settings.tracers
            if tracer.storage_days is not None and (not plan.gases or tracer.name in plan.gases)
        ]
        return min(keeps, default=(np.inf, "")) if plan.has_flask else (np.inf, "")

    def _boxes(self, k: Ints, calls: Floats) -> Floats:
        """Return boxes (k, Y) each way of deployments (k,) with so many calls a year (k,)."""
        flasks, share = self._d.travelling[k], self._share[k]
        trips = np.maximum(np.ceil(np.round(calls[:, None] * share, 9)), 1.0)
        each = np.ceil(np.round(flasks / trips / self._settings.supply.box_flasks, 9))
        # A box a call at least, but no more calls than there are flasks to carry.
        return np.asarray(np.minimum(trips * each, np.ceil(np.round(flasks, 9))) + self._cylinder_boxes[k])

    def choices(self, k: int, rounds: Sequence[Round], begin: int) -> tuple[list[_Choice], str]:
        """Return the ways of a deployment, the one that is cheapest alone first; and why none keeps its samples."""
        d, i = self._d, int(self._d.candidate[k])
        most = float(self._region.candidates.visits_per_year[i])
        keeps, gas = self._keeps[int(d.plan[k])]
        found: list[_Choice] = []
        turns = [self._turn(k, number, one, most) for number, one in enumerate(rounds)]
        every = self._boxes(np.full(len(rounds), k), np.array([turn.calls for turn in turns]))
        amounts = every * np.array([[one.price] for one in rounds]) + self._broken[k]
        monies, on = amounts * self._factor, d.travelling[k] > 0.0
        cents = hundredths(monies)
        for number, (one, turn, boxes) in enumerate(zip(rounds, turns, every, strict=True)):
            shared, paid = one.shared, cents[number]
            if not self._settings.supply.sharing and shared:
                fixed = self._shared[sorted(shared)].sum(axis=0) * (self._share[k] > 0.0)
                shared, paid = frozenset(), hundredths(monies[number] + fixed)
            found.append(
                _Choice(
                    paid,
                    (on * turn.peak).astype(np.int64),
                    boxes.astype(np.int64),
                    begin + number,
                    shared,
                    one.limited,
                    turn,
                    one.home_days,
                    one.out_days,
                )
            )
        kept = [one for one in found if one.turn.oldest <= keeps + 1e-9]
        if not kept:
            best = min(found, key=lambda one: one.turn.oldest)
            return [best], _too_old(best.turn.oldest, keeps, gas)
        return self._few(kept, k), ""

    def _exchanged(self, i: int, number: int, one: Round, most: float) -> Timetable:
        """Return the calls at which flasks are exchanged; one object serves all plans of a place."""
        key = (i, number)
        if key not in self._calls:
            self._calls[key] = one.calls.thinned(most)
        return self._calls[key]

    def _turn(self, k: int, number: int, one: Round, most: float) -> Turnaround:
        d, i = self._d, int(self._d.candidate[k])
        key = (i, int(d.plan[k]), number)
        if key not in self._turns:
            laboratory = self._settings.laboratory
            self._turns[key] = turnaround(
                self._exchanged(i, number, one, most),
                most,
                float(d.full_year_flasks[k]),
                self._region.open_months[i],
                one.out_days,
                one.home_days,
                one.mean_days,
                laboratory.turnaround_days,
            )
        return self._turns[key]

    def _few(self, found: list[_Choice], k: int) -> list[_Choice]:
        """Return the undominated ways, as many as are asked for: cheapest alone, cheapest by itself, least glass."""
        # Whole lists of plain numbers: arrays of a few years take longer to compare than to make.
        fixed = (self._shared_cents * (self._share[k] > 0.0)).tolist()
        cents = {one.round_of: one.cents.tolist() for one in found}
        flasks = {one.round_of: one.flasks.tolist() for one in found}
        alone = {n: sum(cents[n]) + sum(sum(fixed[s]) for s in one.shared) for one in found for n in [one.round_of]}

        def beats(one: _Choice, other: _Choice) -> bool:
            """Say whether one way is never worse than another, whatever fixed costs others pay."""
            pairs = zip(flasks[one.round_of], flasks[other.round_of], strict=True)
            if not (one.limited <= other.limited and all(mine <= its for mine, its in pairs)):
                return False
            more = [fixed[s] for s in one.shared - other.shared]
            own = [sum(year) for year in zip(cents[one.round_of], *more, strict=True)]
            return all(mine <= its for mine, its in zip(own, cents[other.round_of], strict=True))

        kept: list[_Choice] = []
        for one in sorted(found, key=lambda one: (alone[one.round_of], one.round_of)):
            if not any(beats(other, one) for other in kept):
                kept.append(one)
        most = self._settings.supply.routes
        if len(kept) <= most:
            return kept
        first = [
            kept[0],
            min(kept, key=lambda one: (sum(cents[one.round_of]), one.round_of)),
            min(kept, key=lambda one: (max(flasks[one.round_of]), alone[one.round_of], one.round_of)),
        ]
        chosen: list[_Choice] = []
        for one in [*first, *kept]:
            if one not in chosen and len(chosen) < most:
                chosen.append(one)
        return chosen

    def table(
        self, served: dict[int, list[_Choice]], rounds: tuple[Round, ...], too_long: tuple[LeftOut, ...], whole: bool
    ) -> Supply:
        """Return the table of all deployments."""
        d, settings = self._d, self._settings
        n, c = len(d), self._region.candidates
        counts = np.ones(n, dtype=np.int64)
        for k, choices in served.items():
            counts[k] = len(choices)
        first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        r, years = int(first[-1]), settings.years
        guess = estimates(self._region)
        visits = c.visits_per_year[d.candidate]
        boxes_alone = self._boxes(np.arange(n), visits)
        flasks_alone, mean_alone, way_days, freight = self._without_legs(guess, visits)
        cents = np.zeros((r, years), dtype=np.int64)
        flasks, boxes = np.zeros_like(cents), np.zeros_like(cents)
        uses = np.zeros((r, len(self._network.shared)), dtype=bool)
        fills = np.zeros((r, self._limited.size), dtype=bool)
        mean, calls, wait, gap, oldest, home, out = (np.zeros(r) for _ in range(7))
        round_of = np.full(r, -1, dtype=np.int64)
        alone = np.array([k for k in range(n) if k not in served], dtype=np.int64)
        at = first[alone]
        moved = self.moves[alone]
        boxes[at] = boxes_alone[alone] * moved[:, None]
        cents[at] = hundredths((boxes_alone * freight[:, None] + self._broken)[alone] * self._factor) * moved[:, None]
        flasks[at] = flasks_alone[alone]
        interval = DAYS_PER_YEAR / visits[alone]
        calls[at], wait[at], gap[at] = visits[alone], interval / 2.0, interval
        home[at] = out[at] = way_days[alone]
        oldest[at] = interval + way_days[alone]
        too_long = tuple(sorted({*too_long, *self._too_late(alone, oldest[at])}))
        mean[at] = mean_alone[alone]
        place = {int(number): j for j, number in enumerate(self._limited)}
        for k, choices in served.items():
            for j, one in enumerate(choices):
                w = int(first[k]) + j
                cents[w], flasks[w], boxes[w] = one.cents, one.flasks, one.boxes
                uses[w, sorted(one.shared)] = True
                fills[w, [place[a] for a in sorted(one.limited)]] = True
                turn = one.turn
                mean[w], calls[w], wait[w] = turn.mean, turn.calls, turn.mean_wait
                gap[w], oldest[w] = turn.longest_gap, turn.oldest
                home[w], out[w], round_of[w] = one.home_days, one.out_days, one.round_of
        estimated = guess.known[d.candidate] & (round_of[first[:-1]] < 0) & self.moves
        return Supply(
            network=self._network,
            candidate=read_only(d.candidate),
            first=read_only(first),
            cents=read_only(cents),
            flasks=read_only(flasks),
            boxes=read_only(boxes),
            uses=read_only(uses),
            fills=read_only(fills),
            mean_flasks=read_only(mean),
            calls=read_only(calls),
            mean_wait=read_only(wait),
            longest_gap=read_only(gap),
            oldest=read_only(oldest),
            home_days=read_only(home),
            out_days=read_only(out),
            round_of=read_only(round_of),
            rounds=rounds,
            since=read_only(d.first_month // 12),
            shared_cents=read_only(self._shared_cents),
            limited=read_only(self._limited),
            capacity=read_only(
                np.array([int(np.floor(arc.capacity or 0.0)) for arc in self._network.capacities], dtype=np.int64)
            ),
            estimated=read_only(estimated),
            too_long=too_long,
            whole=whole,
        )

    def _too_late(self, alone: Ints, oldest: Floats) -> list[LeftOut]:
        """Name deployments (k,) without legs whose samples do not keep until they come home."""
        d, ids, plans = self._d, self._region.candidates.ids, self._settings.plans
        found = []
        for k, age in zip(alone.tolist(), oldest.tolist(), strict=True):
            keeps, gas = self._keeps[int(d.plan[k])]
            if age > keeps + 1e-9:
                reason = _too_old(age, keeps, gas)
                found.append(LeftOut(ids[d.candidate[k]], plans[d.plan[k]].id, reason, KEEPS))
        return found

    def _without_legs(self, guess: Estimates, visits: Floats) -> tuple[Ints, Floats, Floats, Floats]:
        """Return what deployments (D,) have without legs.

        Flasks at the peak (D, Y) and on average (D,), days of one way (D,) and the price of a box both ways (D,).
        """
        d, laboratory = self._d, self._settings.laboratory
        known = guess.known[d.candidate]
        way = np.where(known, guess.days[d.candidate], laboratory.way_days)
        freight = np.where(known, 2.0 * guess.box_price[d.candidate], 0.0)
        mean, peak = even_circulation(d.full_year_flasks, visits, 2.0 * way + laboratory.turnaround_days)
        return ((d.travelling > 0.0) * peak[:, None]).astype(np.int64), mean, way, freight


def _too_old(age: float, keeps: float, gas: str) -> str:
    """Say why samples of an age (days) are of no use where a gas keeps for less."""
    return f"a sample is up to {age:.0f} days old when it comes home and {gas} keeps {keeps:g}"
