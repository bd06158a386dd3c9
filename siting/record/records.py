"""Region and deployments -> what each record tells, ready to be placed into the state of a tracer."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.calibration import calibration_plan
from siting.deployments import Deployments, parts_of, running_plan, simple_parts
from siting.record.air import FUNCTIONS, Air
from siting.record.axis import Axis, beginning, first_months, work_of
from siting.record.information import Instrument, factor, information, integrate_out, with_place, without_shared
from siting.record.months import Months, instrument_months, leads, worked_months
from siting.record.own import SharedAir, SiteAir, site_air
from siting.record.place import contamination_columns, place_variance
from siting.record.shared import endless_variance, left_to_the_cell
from siting.region.model import Region
from siting.region.schema.network import Plan

# A working cylinder drifts linearly from 0; the mean square of that over its life is a third of the end's.
RAMP = 1.0 / np.sqrt(3.0)


@dataclass(frozen=True, eq=False)
class Record:
    """What one record tells: U (r, k) with Uᵀ U = Kᵀ R⁻¹ K, the names of its methods, and its candidate.

    K = [F, ramps, indicators, offset and drift of each method]; `window_only` says whether the years
    are those of the window (a new deployment) or of the whole axis (a running station).
    """

    candidate: int
    factor: Floats
    methods: tuple[str, ...]
    window_only: bool

    @property
    def told(self) -> Floats:
        """U without its rows of 0, which tell nothing."""
        return self.factor[np.any(self.factor != 0.0, axis=1)]


@dataclass(frozen=True, eq=False)
class Equipment:
    """One instrument at a site: its plan, its months (M,) of the whole axis, its method.

    `first` is the month of the axis from which the lives of its working cylinders count.
    """

    part: Plan
    present: Bools
    method: str
    first: int


@dataclass(frozen=True, eq=False)
class RecordModel:
    """The record model of one tracer of a region.

    `shared_place` (n, 6) are variances of a place that candidates within 1 km share; the state carries them.
    `sites` is the air at each candidate, that of the tracer where it is not given.

    The error F C_s Fᵀ that even endless samples of a cell's air would leave in its level, growth and season
    (`shared_air`, the site's own where that is not given) is left out of the records: the state of the cell
    carries it, once for all records that breathe the same air. All the rest of the error of a month stays
    in its record, so a site alone in its cell has exactly its own R. The rests of neighbours count as
    independent.
    """

    region: Region
    deployments: Deployments
    tracer: int
    air: Air
    axis: Axis
    shared_place: Floats | None = None
    sites: SiteAir | None = None
    shared_air: SharedAir | None = None

    @cached_property
    def here(self) -> SiteAir:
        """The air at each candidate."""
        return site_air(self.region, self.air) if self.sites is None else self.sites

    @cached_property
    def _shared(self) -> SharedAir:
        """The part of it that the state of each candidate's cell carries."""
        if self.shared_air is not None:
            return self.shared_air
        begin = first_months(self.region, self.axis)
        return SharedAir(self.here.slow_variance, self.here.slow_phi, endless_variance(self.here), begin)

    @cached_property
    def _left(self) -> Floats:
        """E (n, 6, 6) with E Eᵀ the part of each site's error that the state of its cell carries."""
        return left_to_the_cell(self.axis, self.here, self._shared, first_months(self.region, self.axis))

    @cached_property
    def _months(self) -> dict[str, Months]:
        plans = self.region.settings.plans
        return {
            plan.id: instrument_months(self.region, plan, self.tracer, self.air, self.here)
            for plan in plans
            if plan.kind in ("analyzer", "flask") and self.measures(plan)
        }

    @cached_property
    def all_work(self) -> bool:
        """Say that every month is worked whenever a place is open."""
        return self.region.work("analyzer") is None

    @cached_property
    def months(self) -> dict[str, Months]:
        """Monthly errors of each simple plan that measures the tracer.

        Of calendar months (n, 12) where all works, else of every single month of the axis (n, M).
        """
        found = {}
        for plan in self.region.settings.plans:
            every = self._months.get(plan.id)
            if every is None:
                continue
            share = work_of(self.region, self.axis, plan.kind)
            if share is not None:
                every = worked_months(self.region, plan, self.tracer, self.air, self.here, every, share)
            found[plan.id] = every
        return found

    def months_of(self, part: Plan, *, whole: bool = False) -> Months:
        """Return `months` of a simple plan, without older years unless it is the `whole` axis that is asked for."""
        found = self.months[part.id]
        return found if whole or self.all_work else found.span(self.axis.window())

    @cached_property
    def _place(self) -> Floats:
        """Variances (n, 6) of what each place has for itself alone."""
        every = place_variance(self.region, self.air)
        return every if self.shared_place is None else np.maximum(0.0, every - self.shared_place)

    def measures(self, plan: Plan) -> bool:
        """Say whether a plan measures this tracer."""
        return not plan.gases or self.air.name in plan.gases

    def fixed(self, picked: Ints) -> list[Record | None]:
        """Return the record of each picked deployment (k,), None where it does not measure the tracer."""
        d, plans = self.deployments, self.region.settings.plans
        out: list[Record | None] = [None] * picked.size
        groups: dict[tuple[int, int], list[int]] = {}
        for position, k in enumerate(picked):
            plan = plans[d.plan[k]]
            if any(self.measures(part) for part in simple_parts(plan, plans)):
                # Only the life of cylinders makes the first month matter; without it plans stay together.
                groups.setdefault(
                    (int(d.plan[k]), int(d.analyzer_month[k]) if self._has_cylinders(plan) else -1), []
                ).append(position)
        for (p, _), positions in sorted(groups.items()):
            these = picked[positions]
            factors, methods = self._group(plans[p], these)
            for position, one in zip(positions, factors, strict=True):
                if self.all_work or one.any():
                    out[position] = Record(int(d.candidate[picked[position]]), one, methods, True)
        return out

    def running(self, sites: Ints | None = None) -> list[Record]:
        """Return the records of the running stations (or of some of them), older years included."""
        running = np.flatnonzero(self.region.candidates.running()) if sites is None else sites
        found = []
        for i in running:
            standing = self.standing(int(i))
            if standing:
                one = factor(self._of(int(i), standing, standing))[0]
                if self.all_work or one.any():
                    found.append(self._record(int(i), one, standing))
        return found

    def upgrade(self, k: int) -> Record | None:
        """Return what a new deployment at a running station adds: J(both together) - J(running).

        An instrument of a kind that already runs there adds no rows of its own.
        """
        i = int(self.deployments.candidate[k])
        old, both = self.standing(i), self.together(k)
        if len(both) == len(old):
            return None
        matrix = self._of(i, both, both)
        if old:
            kinds = {one.part.kind for one in old}
            matrix = matrix - self._of(i, both, [one for one in both if one.part.kind in kinds])
        one = factor(matrix)[0]
        return self._record(i, one, both) if self.all_work or one.any() else None

    def standing(self, i: int) -> list[Equipment]:
        """Return what a running station measures the tracer with, from the beginning of its record."""
        plan, c = running_plan(self.region, i), self.region.candidates
        every = simple_parts(plan, self.region.settings.plans)
        # Only a station with one instrument can say with one word by which method it works.
        method = c.method[i] if len(every) == 1 else None
        begin = beginning(self.region, self.axis, i)
        present = (np.arange(self.axis.months) >= begin) & np.tile(self.region.open_months[i], self.axis.all_years)
        return [Equipment(p, present, method or p.record_method, max(0, begin)) for p in every if self.measures(p)]

    def added(self, k: int) -> list[Equipment]:
        """Return what a deployment measures the tracer with."""
        these = np.array([k], dtype=np.int64)
        plan = self.region.settings.plans[self.deployments.plan[k]]
        before = 12 * self.axis.older
        found = []
        for part, present in zip(*self._presence(plan, these), strict=True):
            whole = np.concatenate([np.zeros(before, dtype=bool), present[0]])
            first = before + int(self.deployments.analyzer_month[k] if part.kind == "analyzer" else 0)
            found.append(Equipment(part, whole, part.record_method, first))
        return found

    def together(self, k: int) -> list[Equipment]:
        """Return the equipment of a running station with that of a deployment there, analyzer first."""
        old = self.standing(int(self.deployments.candidate[k]))
        kinds = {one.part.kind for one in old}
        return sorted([*old, *(e for e in self.added(k) if e.part.kind not in kinds)], key=lambda e: e.part.kind)

    def _of(self, i: int, every: list[Equipment], working: list[Equipment]) -> Floats:
        """Return Kᵀ R⁻¹ K (1, k, k) of the working part of some equipment, with columns for all of it."""
        site = np.array([i], dtype=np.int64)
        present = [(e.present if e in working else np.zeros_like(e.present))[None, :] for e in every]
        parts = [e.part for e in every]
        matrix = self._information(parts, site, present, whole=True, first=every[0].first)
        rows = [e.present[None, :] for e in working]
        return with_place(matrix, self._place_factor([e.part for e in working], site, rows, whole=True))

    def _record(self, i: int, one: Floats, equipment: list[Equipment]) -> Record:
        return Record(i, one, tuple(e.method for e in equipment), False)

    def difference_weights(self, analyzer: Plan, i: int, flask: Plan, j: int, same_place: bool) -> Floats:
        """Return (12,) 1 / variance of the monthly difference of an analyzer at i and flasks at j.

        At the same place both see the same air, and only what the flasks miss of it counts; at two places
        their synoptic air is independent. 0 in months without both. Where not all works, the mean over the years
        of the window.
        """
        a, f = self.months_of(analyzer), self.months_of(flask)
        syn = self.here.synoptic_variance
        if same_place:
            air = syn[i] * np.maximum(0.0, f.spread[j] - a.spread[i])
        else:
            air = syn[j] * f.spread[j] + syn[i] * a.spread[i]
        variance = a.own[i] + f.own[j] + air
        is_open = np.tile(self.region.open_months[i] * self.region.open_months[j], variance.size // 12)
        both = is_open * (1.0 - a.empty[i]) * (1.0 - f.empty[j])
        return np.asarray((both / variance).reshape(-1, 12).mean(axis=0), dtype=float)

    def _flask_end(self, these: Ints) -> Ints:
        """Return the month before which flasks stop; those that go on do so for any length of window."""
        end = self.deployments.flask_end[these]
        return np.asarray(np.where(end >= 12 * self.region.settings.years, 12 * self.axis.years, end), dtype=np.int64)

    def _has_cylinders(self, plan: Plan) -> bool:
        analyzer = parts_of(plan, self.region.settings.plans)[0]
        return analyzer is not None and self._cylinder(analyzer) is not None

    def _cylinder(self, part: Plan) -> tuple[float, float] | None:
        """Return the life in months of a working cylinder and the variance of its mean offset, None without error."""
        cylinders = calibration_plan(part, self.region.settings.supply)
        if cylinders is None:
            return None
        drift = (part.cylinder_drift or 0.0) * cylinders.life_months / 12.0 * RAMP
        variance = float(drift**2 + part.transfer_error**2)
        # An error so small that one over its square overflows is none.
        return (cylinders.life_months, variance) if variance > np.finfo(float).tiny else None

    def _group(self, plan: Plan, these: Ints) -> tuple[Floats, tuple[str, ...]]:
        """Return U (D, k, k) of deployments of one plan, and the names of their methods."""
        d = self.deployments
        sites = d.candidate[these]
        parts, present = self._presence(plan, these)
        matrix = self._information(parts, sites, present, whole=False, first=int(d.analyzer_month[these[0]]))
        place = self._place_factor(parts, sites, present, whole=False)
        return factor(with_place(matrix, place)), tuple(p.record_method for p in parts)

    def _presence(self, plan: Plan, these: Ints) -> tuple[list[Plan], list[Bools]]:
        """Return the parts of a plan that measure the tracer and their months (D, M) of the window."""
        d = self.deployments
        analyzer, flask = parts_of(plan, self.region.settings.plans)
        sites, months = d.candidate[these], np.arange(12 * self.axis.years)
        is_open = np.tile(self.region.open_months[sites], self.axis.years)
        parts: list[Plan] = []
        present: list[Bools] = []
        for part, begin, end in (
            (analyzer, d.analyzer_month[these], np.full(these.size, months.size)),
            (flask, d.first_month[these], self._flask_end(these)),
        ):
            if part is not None and self.measures(part):
                parts.append(part)
                present.append((months >= begin[:, None]) & (months < end[:, None]) & is_open)
        return parts, present

    def _place_factor(self, parts: list[Plan], sites: Ints, present: list[Bools], *, whole: bool) -> Floats:
        """Return E (D, 6, 8) with D = E Eᵀ: the place's own, and contamination of the cleanest instrument."""
        each = np.array([self._months[part.id].bias[sites] for part in parts])
        if not self.all_work:
            # Without any row an instrument tells nothing of contamination.
            chance = [1.0 - self.months_of(part, whole=whole).empty[sites] for part in parts]
            rows = np.any(np.array(present) & (np.array(chance) > 0.0), axis=2, keepdims=True)
            each = np.where(rows | ~np.any(rows, axis=0), each, np.inf)
        bias = np.min(each, axis=0)
        own = np.zeros((sites.size, FUNCTIONS, FUNCTIONS))
        index = np.arange(FUNCTIONS)
        own[:, index, index] = np.sqrt(self._place[sites])
        return np.concatenate([own, contamination_columns(bias, self.air.local_growth)], axis=2)

    def columns(self, whole: bool, instruments: int) -> Floats:
        """Return K (M, k) of one instrument without its method columns filled: [F, ramps, indicators, 0...]."""
        months = slice(None) if whole else self.axis.window()
        years = slice(None) if whole else slice(self.axis.older, None)
        f = self.axis.functions()[months]
        parts = [f, self.axis.ramps()[months][:, years], self.axis.indicators()[months][:, years]]
        return np.concatenate([*parts, np.zeros((f.shape[0], 2 * instruments))], axis=1)

    def _information(
        self, parts: list[Plan], sites: Ints, present: list[Bools], *, whole: bool, first: int = 0
    ) -> Floats:
        """Return Kᵀ R₀⁻¹ K (D, k, k), R₀ the error of all rows without the air that the cell carries."""
        here, left = self.here.at(sites), self._left[sites]
        syn, slow = here.synoptic_variance[:, None], here.slow_variance[:, None]
        months = [self.months_of(part, whole=whole).at(sites) for part in parts]
        least = np.min([m.spread for m in months], axis=0)
        common = syn * least
        base = self.columns(whole, len(parts))
        years = base.shape[0] // least.shape[1]
        instruments = []
        for position, (month, there) in enumerate(zip(months, present, strict=True)):
            some = 1.0 - month.empty
            rest = syn * (month.spread - least) + month.own
            # A month that may be empty tells its share of all its error, the air of the cell included.
            lost = (rest + common + slow) * month.empty / np.where(some > 0.0, some, 1.0)
            variance = rest + lost
            columns = base.copy()
            at = base.shape[1] - 2 * (len(parts) - position)
            columns[:, at : at + 2] = base[:, :2]
            instruments.append(
                Instrument(
                    variance=np.tile(variance, years),
                    shared=np.tile(common, years),
                    present=there & np.tile(some > 0.0, years),
                    columns=columns,
                )
            )
        extra = self.cylinders(parts[0], base.shape[0], first)
        if extra is None:
            return without_shared(information(instruments, here.slow_variance, here.slow_phi), left)
        blocks, variance_of = extra
        none = np.zeros_like(blocks)
        wide = [
            Instrument(
                one.variance,
                one.shared,
                one.present,
                np.concatenate([one.columns, blocks if position == 0 else none], axis=1),
            )
            for position, one in enumerate(instruments)
        ]
        matrix = information(wide, here.slow_variance, here.slow_phi)
        matrix = integrate_out(matrix, base.shape[1], np.full(blocks.shape[1], variance_of))
        return without_shared(matrix, left)

    def cylinders(self, part: Plan, months: int, first: int) -> tuple[Floats, float] | None:
        """Return (M, c) indicators of each working cylinder's life and the variance of its mean offset.

        The offset is the drift over the life and the error of the value that the laboratory gave (`transfer_error`),
        independent of each other and from cylinder to cylinder. Both are in the unit of the first gas that the plan
        measures and are counted for that one only. Lives below a month count as a month each.
        """
        cylinder = self._cylinder(part)
        if cylinder is None or not leads(self.region, part, self.air.name):
            return None
        life, variance = cylinder
        number = np.floor((np.arange(months) - max(0, first)) / max(life, 1.0)).astype(int)
        number -= number.min()
        blocks = np.eye(number.max() + 1)[number]
        return blocks, variance
