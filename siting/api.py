"""The Python interface: what the commands do, with results as frozen dataclasses."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from siting.arrays import Ints
from siting.assessment.comparison import Comparison, compared
from siting.assessment.layout import Assessment, assess_layout
from siting.assessment.precision import target_errors
from siting.assessment.schedule import Schedule, schedule_of
from siting.field.model import tracer_models
from siting.field.targets import targets_of
from siting.futures.outcome import Outcome
from siting.futures.run import StressResult
from siting.futures.run import stress as many_futures
from siting.judging.frontier import BudgetFrontier, budget_frontier, change_frontier, even_budgets
from siting.judging.order import BuildOrder
from siting.judging.order import build_order as nested_order
from siting.judging.reasons import Asked, Reasons, reasons
from siting.judging.search import By
from siting.options import OBJECTIVES
from siting.outputs.manifest import Certificate
from siting.planning import Planning, plan_region
from siting.region.changes import changed
from siting.region.expected import missing_air
from siting.region.faults import Fault, Findings, InputError
from siting.region.layouts import GivenLayout
from siting.region.model import Region
from siting.region.plain import Spelling
from siting.selection.both import BothFrontier
from siting.selection.both import frontier_both as search_both
from siting.selection.program import Ended, Limits, Report, Selection
from siting.selection.registry import demands, judge, start_program
from siting.selection.score import layout_score, score_objective
from siting.selection.solve import clashing_rules, solve_proven
from siting.selection.stages import Proven
from siting.selection.standing import cents, with_best_ways
from siting.verification.verdict import Verification

if TYPE_CHECKING:
    from siting.derive.files import Derived
    from siting.report.making import Made

# Answers that fail the independent re-check before the search gives up.
MOST_RETRIES = 10


class RecheckError(AssertionError):
    """No layout that the solver returned holds up in the independent re-check; a defect of ours."""


@dataclass(frozen=True, eq=False)
class PlanResult:
    """A chosen layout: the planning it was chosen in, the search's answer, and the layout's assessment.

    `assessment` is None where no layout was found (see `selection.ended` and `selection.clash`); for
    "cheapest" `attainable` then tells by (tracer, target) the error that no layout is below and the best one
    found. `proven` carries the proof of the search, None where it kept none.
    """

    planning: Planning
    selection: Selection
    assessment: Assessment | None
    certificate: Certificate | None
    clash: tuple[tuple[str, str], ...] = ()
    attainable: tuple[tuple[str, str, float, float], ...] = ()
    proven: Proven | None = None


@dataclass(frozen=True, eq=False)
class GivenResult:
    """The assessment of a layout that the user gave."""

    planning: Planning
    assessment: Assessment


@dataclass(frozen=True, eq=False)
class OrderResult:
    """A build order with the planning it was decided in (ways of supply chosen) and its schedule month by month."""

    planning: Planning
    order: BuildOrder
    schedule: Schedule


def plan(
    region: Region,
    *,
    by: str = "precision",
    budget: float | None = None,
    require: Sequence[str] = (),
    exclude: Sequence[str] = (),
    analyzers: int | None = None,
    gap: float = 1e-3,
    time_limit: float | None = None,
    memory_mb: float | None = None,
    workers: int | None = None,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
    progress: Report | None = None,
    state: bool = True,
) -> PlanResult:
    """Choose the best layout of a region.

    `by` is "precision" (least shortfall of the targets; where all goals are met the cheapest, then the most
    precise), "cheapest" (least cost with every goal met) or "score". `gap` is the relative gap at which the
    search may end, `time_limit` in seconds; `memory_mb` is the resident memory of this process, in megabytes (2^20
    bytes), past which it ends; it then starts no other. `workers` is the greatest number of processes that a long
    search by precision works in, None for as many as the machine has cores; the answer does not depend on it, unless
    a limit of time ends the search. `stop` is polled. A search that ends early hands back the best layout so far.
    Without `state` nothing is said of what the layout will show (which takes a few seconds). Raises
    `InputError` for what-ifs that cannot be, and, but by score, for a gas of which numbers are missing or
    candidates that tell nothing of any target; ValueError for an unknown `by`, `RecheckError` if the answer
    fails the independent re-check.
    """
    if by not in OBJECTIVES:
        raise ValueError(f"by must be one of {', '.join(OBJECTIVES)}")
    planning = plan_region(changed(region, budget=budget, require=require, exclude=exclude, analyzers=analyzers))
    limits = Limits(gap, time_limit, None, seed, stop, memory_mb, workers)
    proven = _checked_search(planning, limits, progress) if by == "score" else _precise(planning, by, limits, progress)
    selection = proven.selection
    if selection.value is not None:
        planning = with_best_ways(planning, np.array(selection.picked, dtype=np.int64))
    if selection.value is None:
        attainable = proven.attainable
        clash = () if attainable else _clash(planning, selection, limits)
        return PlanResult(planning, selection, None, None, clash, attainable)
    picked = np.array(selection.picked, dtype=np.int64)
    certificate = Certificate(
        objective=by,
        value=selection.value,
        bound=selection.bound,
        gap=selection.gap,
        asked_gap=gap,
        proved=selection.proved,
        ended=selection.ended.value,
        ties=selection.ties,
        nodes=selection.nodes,
        stages=tuple(
            {"name": s.name, "value": s.value, "bound": s.bound, "gap": s.gap, "proved": s.proved}
            for s in selection.stages
        ),
        seed=seed,
        ways=_ways(planning),
    )
    assessment = assess_layout(planning, picked, state=state, by="score" if by == "score" else "error")
    return PlanResult(planning, selection, assessment, certificate, (), (), proven if proven.proofs else None)


def derive(
    region: Region,
    *,
    old: tuple[Sequence[dict[str, str]], Sequence[dict[str, str]]] = ((), ()),
    progress: Callable[[int, int], None] | None = None,
) -> Derived:
    """Derive exposure, contamination, heights, assumed prices and distances of a region's candidates.

    Returns rows of candidates.derived.csv and monthly.derived.csv; `old` are rows of an
    earlier run, reused where nothing they rest on has changed, `progress(done, all)` is told after every batch.
    """
    from siting.derive.files import derive_region

    return derive_region(region, old, progress)


def frontier_both(
    region: Region,
    *,
    points: int = 5,
    budget: float | None = None,
    require: Sequence[str] = (),
    exclude: Sequence[str] = (),
    analyzers: int | None = None,
    gap: float = 1e-3,
    time_limit: float | None = None,
    memory_mb: float | None = None,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
    progress: Report | None = None,
) -> BothFrontier:
    """Return the frontier between score and shortfall at the region's budget: what precision costs in score.

    The ends are the best score and the least shortfall (where every goal can be met, the best score of those that
    meet them); between them the shortfall is made least at evenly spaced scores, `points` (2 or more) with the ends.
    `gap` holds for each point, `time_limit` (s) and `memory_mb` for all searches together. Raises `InputError`
    as `plan` by precision does, ValueError for less than 2 points, `RecheckError` if a layout fails the
    independent re-check.
    """
    planning = plan_region(changed(region, budget=budget, require=require, exclude=exclude, analyzers=analyzers))
    Findings(faults=_missing_air(planning)).raise_if_any()
    found = search_both(planning, points, Limits(gap, time_limit, None, seed, stop, memory_mb), progress)
    for point in found.points:
        picked = np.array(point.picked, dtype=np.int64)
        fault = _recheck(planning, picked, point.score) or _recheck_shortfall(planning, picked, point.shortfall)
        if fault is not None:
            raise RecheckError(fault)
    return found


def _missing_air(planning: Planning) -> list[Fault]:
    """Return the faults of a gas of which numbers are missing that errors need."""
    return [replace(one, mend=f"{one.mend}, or plan --by score") for one in missing_air(planning.region)]


def _ways(planning: Planning) -> float:
    """Return the power of ten of the number of ways to choose at most one deployment a candidate."""
    _, counts = np.unique(planning.deployments.candidate, return_counts=True)
    return float(np.log10(1.0 + counts).sum())


def _precise(planning: Planning, by: str, limits: Limits, progress: Report | None) -> Proven:
    """Search by what the network will show, and judge the answer by code that shares nothing with the search."""
    from siting.selection.precision import aims_of
    from siting.selection.stages import cheapest, least_shortfall

    findings = Findings(faults=_missing_air(planning))
    findings.raise_if_any()
    program, aims = start_program(planning).build(), aims_of(planning)
    told = any(bool(np.any(g.common) or np.any(g.local)) for part in aims.parts for g in part.groups)
    if not told and not clashing_rules(program, limits):
        findings.fault(
            "region.toml",
            None,
            "targets",
            None,
            "no candidate on offer has a plan that tells anything of a target, so every layout has the same errors",
            allowed="candidates that can be used, with plans that measure a target's tracer",
            mend="`siting check` says what is not on offer and why; mend that, or plan --by score",
        )
        findings.raise_if_any()
    search = least_shortfall if by == "precision" else cheapest
    proven = search(program, aims, limits, progress=progress)
    selection = proven.selection
    if selection.value is not None:
        picked = np.array(selection.picked, dtype=np.int64)
        claimed = selection.value if by == "precision" else 0.0
        wrong = _broken(planning, picked) or _recheck_shortfall(planning, picked, claimed)
        if wrong is not None:
            raise RecheckError(wrong)
    return proven


def _checked_search(planning: Planning, limits: Limits, progress: Report | None) -> Proven:
    """Search, judge the answer by code that shares nothing with the solver, and go on without it if it fails."""
    forbidden: list[Ints] = []
    fault: str | None = None
    while len(forbidden) <= MOST_RETRIES:
        builder = start_program(planning)
        for picked in forbidden:
            signs = np.ones(builder.deployments, dtype=np.int64)
            signs[picked] = -1
            builder.add_row("", np.arange(signs.size), signs, lower=1 - picked.size)
        objective = score_objective(builder, planning)
        proven = solve_proven(builder.build(), objective, limits, progress=progress)
        selection = proven.selection
        if selection.value is None:
            return proven
        picked = np.array(selection.picked, dtype=np.int64)
        fault = _recheck(planning, picked, selection.value)
        if fault is None:
            # Rows that forbid single layouts are no rules, so nobody could build this program again.
            return Proven(selection, (), ()) if forbidden else proven
        forbidden.append(picked)
    raise RecheckError(fault)


def _clash(planning: Planning, selection: Selection, limits: Limits) -> tuple[tuple[str, str], ...]:
    """Return the clashing rules with their conditions; excluded and vetoed sites take part in the clash."""
    region = planning.region
    plans = {plan.id: p for p, plan in enumerate(region.settings.plans)}
    barred = frozenset(
        (region.candidates.index(left.candidate), p)
        for left in planning.deployments.left_out
        if left.rule
        for name, p in plans.items()
        if left.plan in ("", name)
    )
    whole = plan_region(region, barred) if barred else planning
    clash = selection.clash
    if barred or (selection.ended is Ended.INFEASIBLE and not clash):
        clash = clashing_rules(start_program(whole).build(), limits)
    words = {demand.label: demand.words for demand in demands(whole)}
    return tuple((label, words.get(label, "")) for label in clash)


def assess(region: Region, layout: GivenLayout, *, state: bool = True) -> GivenResult:
    """Assess a layout that the user gave; rules that it breaks are shown, not refused.

    Raises `InputError` where a deployment could not begin within the window.
    """
    planning, picked = _given(region, layout)
    return GivenResult(planning, assess_layout(planning, picked, state=state))


def _given(region: Region, layout: GivenLayout) -> tuple[Planning, Ints]:
    """Return the planning in which a given layout can be judged, with its ways of supply, and its deployments."""
    settings, ids = region.settings, region.candidates.ids
    plans = [plan.id for plan in settings.plans]
    pairs = [
        (ids.index(row.id), plans.index(row.plan), int(row.start_year or settings.first_year)) for row in layout.rows
    ]
    planning = plan_region(region, frozenset((i, p) for i, p, _ in pairs))
    findings = Findings()
    found: list[int] = []
    for i, p, year in pairs:
        k = planning.deployments.find(i, p, year)
        if k is None:
            findings.fault(
                layout.name,
                None,
                "start_year",
                year,
                f"{ids[i]} with plan {plans[p]} could not begin within the window",
                mend="start earlier, or check lead_months, permit_months and open_months",
            )
        else:
            found.append(k)
    findings.raise_if_any()
    picked = np.sort(np.array(found, dtype=np.int64))
    return with_best_ways(planning, picked), picked


def compare(region: Region, layouts: Sequence[GivenLayout]) -> Comparison:
    """Compare given layouts on the same assumptions; rules that they break are shown, not refused.

    Layouts of the same name are told apart by numbers. Raises `InputError` for less than two layouts, or where a
    deployment could not begin within the window.
    """
    findings = Findings()
    if len(layouts) < 2:
        problem, mend = "a comparison needs two layouts or more", "name another one"
        findings.fault("LAYOUT", None, None, None, problem, allowed="two or more", mend=mend)
    entries: list[tuple[str, Planning, Ints]] = []
    for name, layout in zip(_distinct([one.name for one in layouts]), layouts, strict=True):
        try:
            entries.append((name, *_given(region, layout)))
        except InputError as error:
            findings.faults += error.faults
    findings.raise_if_any()
    return compared(entries)


def _distinct(names: Sequence[str]) -> list[str]:
    """Return names with numbers behind those that came before."""
    found: list[str] = []
    for name in names:
        number = 2
        told = name
        while told in found or (told != name and told in names):
            told, number = f"{name} ({number})", number + 1
        found.append(told)
    return found


def frontier(
    region: Region,
    *,
    by: By = "score",
    points: int = 9,
    low: float = 0.5,
    high: float = 1.5,
    budgets: Sequence[float] | None = None,
    every_change: bool = False,
    gap: float = 1e-2,
    time_limit: float | None = None,
    stop: Callable[[], bool] | None = None,
    progress: Report | None = None,
) -> BudgetFrontier:
    """Return the best layouts at several total budgets, all else as it is.

    `points` budgets lie evenly from `low` to `high` times the region's own, unless `budgets` (currency) names them;
    `every_change` asks, by score, for each budget up to `high` times the own one where the best layout changes.
    `gap` holds for each search, `time_limit` (s) for all together. Raises `InputError` for budgets that cannot
    be, as `plan` does by precision, ValueError for `every_change` by precision.
    """
    own = cents(region.settings.budget.total)
    if every_change and by != "score":
        raise ValueError("changes of the best layout are followed by score only")
    wanted = even_budgets(own, points, low, high) if budgets is None else tuple(cents(b) for b in budgets)
    most = max((round(own * high),) if every_change else wanted)
    planning = _asked_by(changed(region, budget=most / 100.0), by)
    limits = Limits(gap, time_limit, None, 0, stop)
    if every_change:
        return change_frontier(planning, max(1, round(own * low)), limits, progress, own)
    return budget_frontier(planning, wanted, by, limits, progress, own)


def build_order(
    region: Region,
    *,
    by: By = "score",
    gap: float = 1e-2,
    time_limit: float | None = None,
    stop: Callable[[], bool] | None = None,
    progress: Report | None = None,
) -> OrderResult:
    """Return what opens in which year, decided year by year, with the price of that, and its schedule month by month.

    `gap` holds for each search, `time_limit` (s) for all together. Raises `InputError` as `plan` by precision does.
    """
    planning = _asked_by(region, by)
    order = nested_order(planning, by, Limits(gap, time_limit, None, 0, stop), progress)
    picked = np.array(order.picked, dtype=np.int64)
    planning = with_best_ways(planning, picked)
    return OrderResult(planning, order, schedule_of(planning, picked))


def alternatives(
    region: Region,
    layout: GivenLayout | None = None,
    *,
    by: By = "score",
    ties: int = 5,
    apart: int = 2,
    within: float = 0.05,
    sites: Sequence[str] | None = None,
    gap: float = 1e-2,
    time_limit: float | None = None,
    stop: Callable[[], bool] | None = None,
    progress: Report | None = None,
    counter: Callable[[int, int], None] | None = None,
) -> Reasons:
    """Return why each site is in a layout (the best one if None) and why others are not, and near ties.

    `ties` layouts at most that differ in `apart` sites or more (in one and not in the other, both ways) and lose at
    most the share `within`; `sites` limits the questions to some candidates. `gap` holds for each search,
    `time_limit` (s) for all together. Raises `InputError` for unknown sites and as `plan` and `assess` do.
    """
    spelling, findings = Spelling(region.candidates.ids), Findings()
    for name in dict.fromkeys(sites or ()):
        if name not in region.candidates.ids:
            mend = spelling.mend(name, "name a candidate of the region")
            problem = "no candidate has this id"
            findings.fault("--site", None, None, name, problem, allowed=spelling.allowed, mend=mend)
    findings.raise_if_any()
    asked = Asked(ties, apart, within, None if sites is None else tuple(sites))
    limits = Limits(gap, time_limit, None, 0, stop)
    if layout is None:
        return reasons(_asked_by(region, by), by, limits, asked, None, progress, counter)
    planning, picked = _given(region, layout)
    if by == "precision":
        Findings(faults=_missing_air(planning)).raise_if_any()
    return reasons(planning, by, limits, asked, picked.tolist(), progress, counter)


def stress(
    region: Region,
    layout: GivenLayout,
    *,
    by: By = "score",
    futures: int | None = None,
    seed: int = 0,
    gap: float = 1e-2,
    nodes: int | None = None,
    workers: int = 1,
    executor: Callable[[], Executor] | None = None,
    done: Sequence[Outcome] = (),
    keep: Callable[[Outcome], None] | None = None,
    stop: Callable[[], bool] | None = None,
    counter: Callable[[int, int], None] | None = None,
) -> StressResult:
    """Return how a layout fares in many futures drawn from the spreads of a region.

    `executor` makes one of `concurrent.futures` to work on (a Dask client's `get_executor`, say); without it
    `workers` local processes do. Each future is searched to a `gap` or through so many `nodes`, never for a time: the
    result depends on the seed alone. `done` are outcomes of an earlier run of the same task, `keep` is told each new
    one. Raises `InputError` as `assess` does.
    """
    _given(region, layout)
    first = region.settings.first_year
    picks = [(row.id, row.plan, int(row.start_year or first)) for row in layout.rows]
    return many_futures(
        region,
        picks,
        by=by,
        futures=futures,
        seed=seed,
        gap=gap,
        nodes=nodes,
        workers=workers,
        make=executor,
        done=done,
        keep=keep,
        stop=stop,
        counter=counter,
    )


def _asked_by(region: Region, by: By) -> Planning:
    """Return the planning of a region, once it is clear that layouts can be made best by something."""
    planning = plan_region(region)
    if by == "precision":
        Findings(faults=_missing_air(planning)).raise_if_any()
    return planning


def verify(run: str | Path, *, region: str | Path | None = None) -> Verification:
    """Check a finished run (a result folder) by code that shares nothing with the search.

    `region` is the folder of its region, by default regions/NAME or NAME in the working folder. Raises `InputError`
    where the run or the region cannot be read.
    """
    from siting.verification.verify import verify_run

    return verify_run(Path(run), None if region is None else Path(region))


def make_report(run: str | Path, *, site: str | None = None) -> Made:
    """Make page, figures and tables of a finished run anew from its folder alone; return the paths that were made.

    What frontier, order, alternatives and stress found on the same inputs in folders beside is shown, too. With
    `site` only a sheet for the host of that site is made. Raises `InputError` where the run cannot be read or written.
    """
    from siting.report import making

    return making.make_report(Path(run), site)


def _recheck(planning: Planning, picked: Ints, value: float) -> str | None:
    """Judge an answer by every rule and by its value; return what is wrong with it, None if nothing is."""
    fault = _broken(planning, picked)
    if fault is not None:
        return fault
    again = layout_score(planning, picked).total
    if abs(again - value) > 1e-6 * max(1.0, abs(value)):
        return f"the chosen layout is worth {again!r}, the search said {value!r}"
    return None


def _recheck_shortfall(planning: Planning, picked: Ints, value: float) -> str | None:
    """Work a layout's shortfall out anew; return what is wrong with the one that was told, None if nothing is."""
    errors = target_errors(planning, picked)
    again = 0.0
    for model in tracer_models(planning):
        for target in targets_of(planning.region, model.tracer, model.air)[0]:
            error = errors[(model.air.name, target.id)]
            again += target.weight * max(0.0, (error / target.goal) ** 2 - 1.0)
    if abs(again - value) > 1e-6 * max(1.0, abs(value)):
        return f"the chosen layout has a shortfall of {again!r}, the search said {value!r}"
    return None


def _broken(planning: Planning, picked: Ints) -> str | None:
    """Judge an answer by every rule; return what it breaks, None if nothing."""
    broken = [one for one in judge(with_best_ways(planning, picked), picked) if not one.holds]
    return "the chosen layout breaks " + "; ".join(f"{j.label} ({j.found})" for j in broken) if broken else None


__all__ = [
    "BothFrontier",
    "BudgetFrontier",
    "BuildOrder",
    "Comparison",
    "GivenResult",
    "Limits",
    "OrderResult",
    "Outcome",
    "PlanResult",
    "Reasons",
    "RecheckError",
    "StressResult",
    "alternatives",
    "assess",
    "build_order",
    "compare",
    "derive",
    "frontier",
    "frontier_both",
    "make_report",
    "plan",
    "stress",
    "verify",
]
