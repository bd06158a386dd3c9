"""Region -> table of deployments: candidate x sampling plan x start year, with samples, cost and score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from siting.arrays import Bools, Floats, Ints, read_only
from siting.calibration import calibration_plan
from siting.region.model import Region, open_mean
from siting.region.schema.network import Plan
from siting.region.schema.settings import Settings
from siting.sampling import DAYS_PER_MONTH as DAYS_PER_MONTH
from siting.sampling import HOURS_PER_MONTH as HOURS_PER_MONTH
from siting.sampling import analyzer_hours, flask_chance, flask_visits

DAYS_PER_YEAR = 365.25
COST_KINDS = ("capital", "setup", "yearly", "samples", "cylinders")
SCORE_PARTS = ("exposure", "contamination", "clean_samples", "data_return", "host")
NEVER = -1
# What stands in the way where a plan's needs are not met, as messages name it.
FIT = "plans that fit"
# Means of monthly numbers are compared with the user's limits at this many decimals.
MEAN_DECIMALS = 9


@dataclass(frozen=True, order=True)
class LeftOut:
    """A candidate and plan that cannot be picked, and why; `plan` is empty where no plan can.

    `rule` names what the user wrote that stands in the way (empty where no rule but time or place does).
    """

    candidate: str
    plan: str
    reason: str
    rule: str = ""


@dataclass(frozen=True, eq=False)
class Deployments:
    """All deployments that may be picked, sorted by candidate id, plan id and start year.

    D deployments, Y years of the window. `candidate`, `plan` (D,) are positions in the region's candidates and plans,
    `start_year` calendar years, `first_month` and `analyzer_month` months from January of the first year
    (`analyzer_month` is -1 without an analyzer, `flask_end` the month in which the flasks of a two-phase plan stop,
    else the end of the window). `left` is the share of the window left from the first month; where the region tells
    which months are worked (`Region.working`), the share of the window that is worked from then on, by the better
    instrument of each month. `samples` are accepted samples in an open month that is worked in full; `attributes`,
    `values` (D, 5) the parts of the score before and after the value functions, in the order of `SCORE_PARTS`; `score`
    0-100; `worth` = left x (score - worth_from). `cost_cents` (D, Y, kinds) by the kinds of `COST_KINDS`, in hundredths
    of the currency. `analyzers` and `laboratory` (samples) are (D, Y). `full_year_flasks` (D,) travel in a year in
    which all of it works from January to December; `travelling` and `cylinders` (D, Y) are the flasks and cylinders
    sent out in each year. No cost and no number of things sent hangs on which months are worked: money is spent whether
    or not an instrument works.
    """

    ids: tuple[str, ...]
    candidate: Ints
    plan: Ints
    start_year: Ints
    first_month: Ints
    analyzer_month: Ints
    flask_end: Ints
    has_analyzer: Bools
    has_flask: Bools
    left: Floats
    samples: Floats
    attributes: Floats
    values: Floats
    score: Floats
    worth: Floats
    cost_cents: NDArray[np.int64]
    analyzers: Ints
    laboratory: Ints
    full_year_flasks: Floats
    travelling: Floats
    cylinders: Floats
    left_out: tuple[LeftOut, ...]

    def __len__(self) -> int:
        return len(self.ids)

    def yearly_cents(self) -> Ints:
        """Cost (D, Y) of each year over all kinds, in hundredths of the currency."""
        return np.asarray(self.cost_cents.sum(axis=2), dtype=np.int64)

    def take(self, positions: Ints, left_out: Sequence[LeftOut] = ()) -> Deployments:
        """Return some deployments (k,), ascending; `left_out` says why others are not among them."""
        if np.any(np.diff(positions) <= 0):
            raise ValueError("positions must ascend")
        kept = {
            one.name: read_only(getattr(self, one.name)[positions])
            for one in fields(self)
            if isinstance(getattr(self, one.name), np.ndarray)
        }
        return replace(
            self,
            ids=tuple(self.ids[int(k)] for k in positions),
            left_out=tuple(sorted({*self.left_out, *left_out})),
            **kept,
        )

    def find(self, candidate: int, plan: int, start_year: int) -> int | None:
        """Return the position of a deployment, None if it may not be picked."""
        match = np.flatnonzero((self.candidate == candidate) & (self.plan == plan) & (self.start_year == start_year))
        return int(match[0]) if match.size else None


def parts_of(plan: Plan, plans: Sequence[Plan]) -> tuple[Plan | None, Plan | None]:
    """Return the plans that describe the analyzer and the flask part of a plan (None where it has none)."""
    by_id = {p.id: p for p in plans}
    if plan.kind == "analyzer":
        return plan, None
    if plan.kind == "flask":
        return None, plan
    return by_id[plan.analyzer_plan or ""], by_id[plan.flask_plan or ""]


def simple_parts(plan: Plan | None, plans: Sequence[Plan]) -> list[Plan]:
    """Return the simple plans that a plan consists of, analyzer first; none for None."""
    return [] if plan is None else [part for part in parts_of(plan, plans) if part is not None]


def running_plan(region: Region, i: int) -> Plan | None:
    """Return the plan by which a running station works: its own, the one of its method, or the first flask plan."""
    plans = region.settings.plans
    named, method = region.candidates.running_plan[i], region.candidates.method[i]
    if named is not None:
        return next(plan for plan in plans if plan.id == named)
    for plan in plans:
        # A running station runs one thing, never a plan that changes.
        if method is not None and method == plan.record_method and plan.kind != "flask_then_analyzer":
            return plan
    return next((plan for plan in plans if plan.kind == "flask"), None)


def running_instruments(region: Region) -> Bools:
    """Return (n, 2): does a running station have an analyzer, flasks; all False where none runs."""
    found = np.zeros((len(region.candidates), 2), dtype=bool)
    for i in np.flatnonzero(region.candidates.running()):
        plan = running_plan(region, int(i))
        found[i] = (
            plan is not None and plan.has_analyzer,
            plan is None or plan.has_flask,
        )
    return read_only(found)


def build_deployments(region: Region, forced: frozenset[tuple[int, int]] = frozenset()) -> Deployments:
    """Return every deployment that a region offers, and why the others are not offered.

    `forced` pairs (candidate, plan) are offered whatever status, vetoes and fit say, so that a given
    layout can be judged.
    """
    settings, n = region.settings, len(region.candidates)
    plans = sorted(range(len(settings.plans)), key=lambda p: settings.plans[p].id)
    offered, left_out = _offers(region)
    reasons = {(left.candidate, left.plan) for left in left_out}
    for c, p in sorted(forced):
        candidate, plan = region.candidates.ids[c], settings.plans[p].id
        if not offered[c, p] and reasons.isdisjoint({(candidate, ""), (candidate, plan)}):
            left_out.append(LeftOut(candidate, plan, "is not among the plans offered here", FIT))
        offered[c, p] = True
    years = np.arange(_start_years(settings))
    ci, pi, yi = (a.ravel() for a in np.meshgrid(np.arange(n), np.array(plans), years, indexing="ij"))
    keep = offered[ci, pi]
    first = _first_months(region)[ci, yi]
    window = 12 * settings.years
    analyzer_month, flask_end = _phases(region, ci, pi, first)
    analyzer_part = np.array([plan.has_analyzer for plan in settings.plans])
    flask_part = np.array([plan.has_flask for plan in settings.plans])
    in_time = (first != NEVER) & (first < window) & (~analyzer_part[pi] | (analyzer_month < window))
    left_out += _too_late(region, keep & ~in_time, keep & in_time, ci, pi)
    keep &= in_time
    ci, pi, yi, first = ci[keep], pi[keep], yi[keep], first[keep]
    analyzer_month, flask_end = analyzer_month[keep], flask_end[keep]

    sampling = _Sampling(region, ci, pi, first, analyzer_month, flask_end)
    samples = sampling.accepted_per_month()
    attributes = _attributes(region, ci, pi, samples)
    values = np.column_stack(
        [
            np.interp(attributes[:, k], *np.array(getattr(settings.score.values, part)).T)
            for k, part in enumerate(SCORE_PARTS)
        ]
    )
    weights = np.array([getattr(settings.score.weights, part) for part in SCORE_PARTS])
    score = 100.0 * values @ weights
    left = _months_left(region, ci, first, analyzer_month, flask_end, analyzer_part[pi], flask_part[pi]) / window
    filled = sampling.filled_by_year()
    working = share_of_year(analyzer_month, settings.years) * analyzer_part[pi][:, None]
    compared = settings.supply.comparison_flasks_per_year * working
    per_sample = _flasks_per_sample(settings)[pi]
    travelling = filled * per_sample[:, None] + compared
    # A full year sets the peak, also where the first year is a short one.
    full_year = sampling.filled_in_full_year() * per_sample
    full_year += np.where(analyzer_part[pi], settings.supply.comparison_flasks_per_year, 0)
    # Flasks that compare methods come in pairs, as samples do.
    laboratory = np.ceil(np.round(filled + compared / 2.0, 9)).astype(np.int64)
    cylinders = _cylinders(settings, pi, analyzer_month, working)
    ids = region.candidates.ids
    first_year = settings.first_year
    plan_ids = [plan.id for plan in settings.plans]
    return Deployments(
        ids=tuple(f"{ids[c]}|{plan_ids[p]}|{first_year + y}" for c, p, y in zip(ci, pi, yi, strict=True)),
        candidate=read_only(ci),
        plan=read_only(pi),
        start_year=read_only(first_year + yi),
        first_month=read_only(first),
        analyzer_month=read_only(analyzer_month),
        flask_end=read_only(flask_end),
        has_analyzer=read_only(analyzer_part[pi]),
        has_flask=read_only(flask_part[pi]),
        left=read_only(left),
        samples=read_only(samples),
        attributes=read_only(attributes),
        values=read_only(values),
        score=read_only(score),
        worth=read_only(left * (score - settings.score.worth_from)),
        cost_cents=read_only(_costs(region, ci, pi, yi, first, analyzer_month, flask_end, filled, cylinders)),
        analyzers=read_only(_analyzers(settings, pi, yi, analyzer_month, analyzer_part)),
        laboratory=read_only(laboratory),
        full_year_flasks=read_only(full_year),
        travelling=read_only(travelling),
        cylinders=read_only(cylinders),
        left_out=tuple(sorted(left_out)),
    )


def _start_years(settings: Settings) -> int:
    """Return in how many years of the window, from the first on, a site may open."""
    if settings.last_start_year is None:
        return settings.years
    return min(settings.years, settings.last_start_year - settings.first_year + 1)


def _offers(region: Region) -> tuple[Bools, list[LeftOut]]:
    """Return which plans (n, P) each candidate may have before dates are looked at, and why not."""
    c, settings = region.candidates, region.settings
    offered = np.zeros((len(c), len(settings.plans)), dtype=bool)
    # Means are cleared of float noise, so that a place at the very limit is not lost to it.
    exposure = np.round(region.mean_exposure(), MEAN_DECIMALS)
    risk = np.round(open_mean(region.risk.max(axis=0), region.open_months), MEAN_DECIMALS)
    open_count = region.open_months.sum(axis=1)
    score = settings.score
    left_out: list[LeftOut] = []
    for i, (candidate, status) in enumerate(zip(c.ids, c.status, strict=True)):
        if status == "running" and not c.plans[i]:
            continue
        reason, rule = "", ""
        if status == "excluded":
            typed = f"--exclude {candidate}"
            by_option = typed in region.what_ifs
            reason = "excluded by --exclude" if by_option else "excluded by its status"
            rule = typed if by_option else f"status excluded: {candidate}"
        elif open_count[i] == 0:
            reason = "open in no month"
        elif exposure[i] < score.least_exposure:
            reason = f"exposure {exposure[i]:.2f} is below the least of {score.least_exposure:g}"
            rule = "score.least_exposure"
        elif risk[i] > score.greatest_risk:
            reason = f"contamination risk {risk[i]:.2f} is above the greatest of {score.greatest_risk:g}"
            rule = "score.greatest_risk"
        if reason:
            left_out.append(LeftOut(candidate, "", reason, rule))
            continue
        for p, plan in enumerate(settings.plans):
            if c.plans[i] and plan.id not in c.plans[i]:
                continue
            if plan.draws_power and c.power[i] == "none":
                left_out.append(LeftOut(candidate, plan.id, "needs power and there is none", FIT))
            elif plan.needs_staff and not c.staffed[i]:
                left_out.append(LeftOut(candidate, plan.id, "needs people and there are none", FIT))
            elif plan.platforms and c.platform[i] not in plan.platforms:
                left_out.append(LeftOut(candidate, plan.id, f"does not fit a platform of kind {c.platform[i]}", FIT))
            else:
                offered[i, p] = True
    return offered, left_out


def _wait(open_months: Bools) -> Ints:
    """Return (n, 12) the months from each month of the year to the next open one, `NEVER` where none is."""
    wait = np.full(open_months.shape, NEVER)
    for month in range(12):
        for ahead in range(11, -1, -1):
            wait[open_months[:, (month + ahead) % 12], month] = ahead
    return wait


def _first_months(region: Region) -> Ints:
    """Return (n, Y) the first month of work for each start year: permits, preparation, next open month."""
    c, years = region.candidates, region.settings.years
    ready = 12 * np.arange(years)[None, :] + (c.permit_months + c.lead_months)[:, None]
    months = np.take_along_axis(_wait(region.open_months), ready % 12, axis=1)
    return np.where(months == NEVER, NEVER, ready + months)


def _phases(region: Region, ci: Ints, pi: Ints, first: Ints) -> tuple[Ints, Ints]:
    """Return the month in which the analyzer starts (-1: none) and in which flasks end.

    An analyzer that comes later comes in an open month, as every first month does.
    """
    plans, window = region.settings.plans, 12 * region.settings.years
    delay = np.array([p.analyzer_after_months or 0 for p in plans])
    with_analyzer = np.array([p.has_analyzer for p in plans])
    stops = np.array([p.kind == "flask_then_analyzer" and not p.flasks_go_on for p in plans])
    due = first + delay[pi]
    due += np.maximum(0, _wait(region.open_months)[ci, due % 12])
    analyzer = np.where(with_analyzer[pi], due, NEVER)
    return analyzer, np.where(stops[pi], np.minimum(analyzer, window), window)


def _months_left(
    region: Region, ci: Ints, first: Ints, analyzer_month: Ints, flask_end: Ints, has_analyzer: Bools, has_flask: Bools
) -> Floats:
    """Return the months (D,) of the window from the first month on, each with the share that is worked.

    That of the instrument that works most of it, of those that are there: flasks until `flask_end`, an analyzer from
    `analyzer_month` on. Closed months count as they do where all works.
    """
    window = 12 * region.settings.years
    analyzer, flask = region.work("analyzer"), region.work("flask")
    if analyzer is None or flask is None:
        return np.asarray(window - first, dtype=float)
    total = np.zeros(first.shape)
    for month in range(window):
        by_analyzer = np.where(has_analyzer & (analyzer_month <= month), analyzer[ci, month], 0.0)
        by_flask = np.where(has_flask & (first <= month) & (month < flask_end), flask[ci, month], 0.0)
        total += np.maximum(by_analyzer, by_flask)
    return total


def _too_late(region: Region, late: Bools, in_time: Bools, ci: Ints, pi: Ints) -> list[LeftOut]:
    """Name candidate and plan where no start year of the window is early enough."""
    some = set(zip(ci[in_time].tolist(), pi[in_time].tolist(), strict=True))
    never = sorted(set(zip(ci[late].tolist(), pi[late].tolist(), strict=True)) - some)
    return [
        LeftOut(region.candidates.ids[c], region.settings.plans[p].id, "could not begin within the window")
        for c, p in never
    ]


class _Sampling:
    """Samples by month of the window for a set of deployments; (D, 12) numbers repeat each year."""

    def __init__(self, region: Region, ci: Ints, pi: Ints, first: Ints, analyzer_month: Ints, flask_end: Ints) -> None:
        settings, c = region.settings, region.candidates
        parts = [parts_of(plan, settings.plans) for plan in settings.plans]
        self._years = settings.years
        self._open = region.open_months[ci]
        self._first, self._analyzer, self._end = first, analyzer_month, flask_end
        self._has_analyzer = np.array([plan.has_analyzer for plan in settings.plans])[pi]
        exposure, duty, returned = region.exposure[ci], c.duty_cycle[ci], c.data_return[ci]
        self._filled = np.zeros((ci.size, 12))
        self._flask_accepted = np.zeros((ci.size, 12))
        for p, (_, flask) in enumerate(parts):
            rows = np.flatnonzero(pi == p)
            if flask is None or rows.size == 0:
                continue
            filled = flask_visits(flask, exposure[rows], duty[rows], settings.tracers[0].spell_days)
            self._filled[rows] = filled
            self._flask_accepted[rows] = filled * flask_chance(flask, exposure[rows], returned[rows])
        self._analyzer_accepted = analyzer_hours(exposure, duty, returned) * self._has_analyzer[:, None]

    def _months(self, begin: Ints, end: Ints) -> Bools:
        """Mask (D, Y, 12) of open months from `begin` until before `end`."""
        month = np.arange(12 * self._years).reshape(1, self._years, 12)
        return (month >= begin[:, None, None]) & (month < end[:, None, None]) & self._open[:, None, :]

    def accepted_per_month(self) -> Floats:
        """Mean accepted samples (D,) of an open month in which the deployment works."""
        window = np.full(self._first.shape, 12 * self._years)
        working = self._months(self._first, window)
        flask = np.einsum("dym,dm->d", self._months(self._first, self._end), self._flask_accepted)
        begin = np.where(self._has_analyzer, self._analyzer, window)
        analyzer = np.einsum("dym,dm->d", self._months(begin, window), self._analyzer_accepted)
        return np.asarray((flask + analyzer) / working.sum(axis=(1, 2)), dtype=float)

    def filled_by_year(self) -> Floats:
        """Flask samples filled (D, Y) in each year."""
        return np.asarray(np.einsum("dym,dm->dy", self._months(self._first, self._end), self._filled), dtype=float)

    def filled_in_full_year(self) -> Floats:
        """Flask samples (D,) of a year in which flasks are filled from January to December."""
        return np.asarray((self._filled * self._open).sum(axis=1), dtype=float)


def _attributes(region: Region, ci: Ints, pi: Ints, samples: Floats) -> Floats:
    """Return the five attributes (D, 5) that the value functions judge, means over the open months."""
    tracers = list(region.tracers)
    by_tracer = np.array([open_mean(risk, region.open_months) for risk in region.risk])
    risk_of_plan = np.array(
        [
            by_tracer[[tracers.index(gas) for gas in plan.gases] or slice(None)].max(axis=0)
            for plan in region.settings.plans
        ]
    )
    c = region.candidates
    return np.column_stack(
        [
            region.mean_exposure()[ci],
            risk_of_plan[pi, ci],
            samples,
            c.data_return[ci],
            c.host_strength[ci],
        ]
    )


def _costs(
    region: Region,
    ci: Ints,
    pi: Ints,
    yi: Ints,
    first: Ints,
    analyzer_month: Ints,
    flask_end: Ints,
    filled: Floats,
    cylinders: Floats,
) -> NDArray[np.int64]:
    """Return costs (D, Y, kinds) in hundredths: price growth, contingency and overhead in, rounded once a year.

    The candidate and the plan's own prices count from the start; a joined plan adds the prices of its
    two parts, each for the months in which that part works.
    """
    settings, c = region.settings, region.candidates
    budget, plans, window = settings.budget, settings.plans, 12 * settings.years
    years = np.arange(settings.years)
    direct = np.zeros((ci.size, settings.years, len(COST_KINDS)))

    def add(owners: Sequence[Plan | None], opened: Ints, begin: Ints, end: Ints) -> None:
        """Add the prices of one part; `opened` is the year of its capital and setup."""

        def price(field: str) -> Floats:
            return np.array([getattr(p, field) if p is not None else 0.0 for p in owners], dtype=float)[pi]

        opening = years[None, :] == opened[:, None]
        last = np.minimum(end[:, None], 12 * (years[None, :] + 1))
        share = np.clip(last - np.maximum(begin[:, None], 12 * years[None, :]), 0, 12) / 12.0
        yearly = price("annual_cost") + price("crew_days") * budget.crew_day_price
        direct[:, :, 0] += opening * price("capital_cost")[:, None]
        direct[:, :, 1] += opening * price("setup_cost")[:, None]
        direct[:, :, 2] += share * yearly[:, None]
        direct[:, :, 3] += filled * price("sample_cost")[:, None]

    whole = np.full(first.shape, window)
    add(plans, yi, first, whole)
    parts = [parts_of(plan, plans) if plan.kind not in ("analyzer", "flask") else (None, None) for plan in plans]
    add([flask for _, flask in parts], yi, first, flask_end)
    late = np.array([plan.kind == "flask_then_analyzer" for plan in plans])[pi]
    opened = np.where(late, analyzer_month // 12, yi)
    add([_without_samples(analyzer) for analyzer, _ in parts], opened, analyzer_month, whole)
    running = share_of_year(first, settings.years)
    direct[:, :, 1] += (years[None, :] == yi[:, None]) * c.setup_cost[ci][:, None]
    direct[:, :, 2] += running * c.annual_cost[ci][:, None]
    direct[:, :, 4] += cylinders * settings.supply.cylinder_cost
    return whole_cents(direct * price_factors(settings)[None, :, None])


def _without_samples(plan: Plan | None) -> Plan | None:
    """Return an analyzer part without a price for samples: only flasks are paid by the sample."""
    return plan.model_copy(update={"sample_cost": 0.0}) if plan is not None else None


def whole_cents(amounts: Floats) -> NDArray[np.int64]:
    """Round money (D, Y, K) so that each deployment and year is rounded half up once.

    The kinds K get whole hundredths that add up to that total (largest remainders first, ties to the
    first kind).
    """
    exact = np.round(amounts * 100.0, 6)
    # The sum is cleared of float noise after adding, so that three thirds of a cent are a whole one.
    total = hundredths(amounts.sum(axis=2))
    base = np.floor(exact).astype(np.int64)
    missing = total - base.sum(axis=2)
    rank = np.argsort(np.argsort(-(exact - base), axis=2, kind="stable"), axis=2, kind="stable")
    return np.asarray(base + (rank < missing[:, :, None]), dtype=np.int64)


def _analyzers(settings: Settings, pi: Ints, yi: Ints, month: Ints, analyzer_part: Bools) -> Ints:
    """Return analyzers (D, Y) taken from the stock: from the start year, or the year a second phase begins."""
    late = np.array([plan.kind == "flask_then_analyzer" for plan in settings.plans])[pi]
    begin = np.where(late, month // 12, yi)
    years = np.arange(settings.years)[None, :]
    return np.asarray(analyzer_part[pi][:, None] & (years >= begin[:, None]), dtype=np.int64)


def _flasks_per_sample(settings: Settings) -> Ints:
    """Return the flasks filled for one sample by plan (P,), 0 without flasks."""
    flasks = [parts_of(plan, settings.plans)[1] for plan in settings.plans]
    return np.array([flask.flasks_per_sample if flask else 0 for flask in flasks], dtype=np.int64)


def share_of_year(month: Ints, years: int) -> Floats:
    """Return the share (D, Y) of each of the window's years in which what begins in a month (D,) works."""
    ends = 12 * (np.arange(years)[None, :] + 1)
    return np.asarray(np.clip(ends - month[:, None], 0, 12) / 12.0, dtype=float)


def price_factors(settings: Settings) -> Floats:
    """Return by what a price is multiplied in each year (Y,): contingency, overhead and growth of prices."""
    budget = settings.budget
    rate = (1.0 + budget.contingency) * (1.0 + budget.overhead)
    return np.asarray(rate * (1.0 + budget.price_growth) ** np.arange(settings.years), dtype=float)


def hundredths(amounts: Floats | float) -> Ints:
    """Return money (any shape) in whole hundredths, rounded half up; float noise is cleared first."""
    return np.asarray(np.floor(np.round(np.asarray(amounts) * 100.0, 6) + 0.5), dtype=np.int64)


def _cylinders(settings: Settings, pi: Ints, month: Ints, working: Floats) -> Floats:
    """Return the cylinders (D, Y) sent out in each year: the first set when the analyzer starts, then replacements."""
    analyzers = [parts_of(plan, settings.plans)[0] for plan in settings.plans]
    plans = [None if part is None else calibration_plan(part, settings.supply) for part in analyzers]
    first = np.array([0 if one is None else one.first_set for one in plans])[pi]
    a_year = np.array([0.0 if one is None else one.a_year for one in plans])[pi]
    begins = (np.arange(settings.years)[None, :] == (month // 12)[:, None]) & (working > 0.0)
    return np.asarray(begins * first[:, None] + working * a_year[:, None], dtype=float)
