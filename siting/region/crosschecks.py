"""What only several places of a region can show: unknown ids, and contradictions that one look finds."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence

from siting.region.candidates import Entry
from siting.region.faults import Findings
from siting.region.plain import listed, nearest
from siting.region.schema.network import Plan, ValueFunctions
from siting.region.schema.rules import AtLeast, AtMost, AtMostSites, BandAtLeast, OnlyWith
from siting.region.schema.settings import Settings

TOML = "region.toml"
Line = Callable[[tuple[str | int, ...]], int | None]


def check_settings(settings: Settings, line: Line, findings: Findings) -> None:
    """Check region.toml against itself."""
    _check_names(settings, line, findings)
    _check_plans(settings, line, findings)
    _check_window(settings, line, findings)
    _check_money(settings, line, findings)
    _check_score(settings, line, findings)
    _check_bands_and_targets(settings, line, findings)
    _check_rules_alone(settings, line, findings)


def _check_names(settings: Settings, line: Line, findings: Findings) -> None:
    groups: dict[str, list[str]] = {
        "tracers": [tracer.name for tracer in settings.tracers],
        "plans": [plan.id for plan in settings.plans],
        "methods": [method.id for method in settings.methods],
        "bands": [band.id for band in settings.bands],
        "targets": [target.id for target in settings.targets],
    }
    for table, names in groups.items():
        for i, name in enumerate(names):
            if name.lower() in (other.lower() for other in names[:i]):
                findings.fault(
                    TOML,
                    line((table, i)),
                    f"{table} id" if table != "tracers" else "tracers name",
                    name,
                    "stands twice",
                    allowed="a name once",
                    mend="rename one of the two",
                )
    used = [rule.name for rule in settings.rules if rule.name]
    for name, count in sorted(Counter(used).items()):
        if count > 1:
            at = max(i for i, rule in enumerate(settings.rules) if rule.name == name)
            findings.fault(
                TOML,
                line(("rules", at, "name")),
                "rules name",
                name,
                "two rules have this name",
                mend="rename one of the two",
            )


def _check_plans(settings: Settings, line: Line, findings: Findings) -> None:
    plans = {plan.id: plan for plan in settings.plans}
    tracers = {tracer.name for tracer in settings.tracers}
    methods = {method.id for method in settings.methods}
    for i, plan in enumerate(settings.plans):

        def fault(
            field: str,
            value: object,
            problem: str,
            allowed: str | None,
            mend: str,
            i: int = i,
            plan: Plan = plan,
        ) -> None:
            findings.fault(
                TOML,
                line(("plans", i, field)),
                f"plan '{plan.id}', {field}",
                value,
                problem,
                allowed=allowed,
                mend=mend,
            )

        for gas in plan.gases:
            if gas not in tracers:
                fault(
                    "gases",
                    gas,
                    "no tracer of this name",
                    listed(sorted(tracers)),
                    "name a tracer of the region",
                )
        if plan.method is not None and methods and plan.method not in methods:
            fault(
                "method",
                plan.method,
                "no method of this name",
                listed(sorted(methods)),
                "name a method, or add it under [[methods]]",
            )
        joined = plan.kind in ("both", "flask_then_analyzer")
        for field, kind in (("analyzer_plan", "analyzer"), ("flask_plan", "flask")):
            name = getattr(plan, field)
            fitting = sorted(p.id for p in settings.plans if p.kind == kind)
            if joined and name is None:
                fault(
                    field,
                    None,
                    f"a plan of kind {plan.kind} needs it",
                    listed(fitting) or f"a plan of kind {kind}",
                    f"name the plan that describes the {kind} part",
                )
            elif joined and (name not in plans or plans[name].kind != kind):
                fault(field, name, f"no plan of kind {kind} has this name", listed(fitting), "name such a plan")
            elif not joined and name is not None:
                fault(field, name, f"a plan of kind {plan.kind} has no parts", None, "take it out")
        if plan.kind == "flask" and plan.samples_per_month is None:
            fault(
                "samples_per_month",
                None,
                "a flask plan needs it",
                "more than 0",
                "give samples a month, as 4.35",
            )
        if plan.kind != "flask" and plan.samples_per_month is not None:
            fault(
                "samples_per_month",
                plan.samples_per_month,
                f"a plan of kind {plan.kind} takes no samples itself",
                "flask plans only",
                "take it out" + (", it stands in the flask plan" if joined else ""),
            )
        if plan.kind == "flask_then_analyzer" and plan.analyzer_after_months is None:
            fault(
                "analyzer_after_months",
                None,
                "a plan of kind flask_then_analyzer needs it",
                "1 or more",
                "add it",
            )
        if plan.kind != "flask_then_analyzer":
            for field in ("analyzer_after_months", "flasks_go_on"):
                if field in plan.model_fields_set:
                    fault(field, getattr(plan, field), "holds for flask_then_analyzer only", None, "take it out")


def _check_window(settings: Settings, line: Line, findings: Findings) -> None:
    last = settings.first_year + settings.years - 1
    if settings.last_start_year is not None and not settings.first_year <= settings.last_start_year <= last:
        findings.fault(
            TOML, line(("last_start_year",)), "last_start_year", settings.last_start_year, "not in the window",
            allowed=f"{settings.first_year} to {last}", mend="name a year of the window, or leave it out",
        )


def _check_money(settings: Settings, line: Line, findings: Findings) -> None:
    budget, stock = settings.budget, settings.stock
    if isinstance(budget.per_year, tuple) and len(budget.per_year) != settings.years:
        findings.fault(
            TOML,
            line(("budget", "per_year")),
            "budget per_year",
            f"{len(budget.per_year)} numbers",
            "there must be one number a year",
            allowed=f"{settings.years} numbers",
            mend="give one for each year",
        )
    if stock.spare_analyzers > stock.analyzers:
        findings.fault(
            TOML,
            line(("stock", "spare_analyzers")),
            "stock spare_analyzers",
            stock.spare_analyzers,
            "more spare analyzers than analyzers",
            allowed=f"0 to {stock.analyzers}",
            mend="check both numbers",
        )
    if not budget.carry_over and budget.per_year is None:
        findings.warn(
            TOML,
            line(("budget", "carry_over")),
            "budget carry_over",
            "false",
            "has no effect without per_year",
        )


def _check_score(settings: Settings, line: Line, findings: Findings) -> None:
    score = settings.score
    total = sum(getattr(score.weights, name) for name in type(score.weights).model_fields)
    if abs(total - 1.0) > 1e-9:
        findings.fault(
            TOML,
            line(("score", "weights")),
            "score weights",
            f"sum {total:g}",
            "must sum to 1",
            allowed="five weights that sum to 1",
            mend="give all five: exposure, contamination, clean_samples, data_return, host",
        )
    for name in ValueFunctions.model_fields:
        points = getattr(score.values, name)
        xs = [x for x, _ in points]
        if any(b <= a for a, b in itertools.pairwise(xs)):
            findings.fault(
                TOML,
                line(("score", "values", name)),
                f"score values {name}",
                str([list(p) for p in points]),
                "the first numbers must rise",
                allowed="pairs [attribute, value] in rising order",
                mend="sort them, each attribute once",
            )


def _check_bands_and_targets(settings: Settings, line: Line, findings: Findings) -> None:
    bands = {band.id for band in settings.bands}
    tracers = {tracer.name for tracer in settings.tracers}
    for i, band in enumerate(settings.bands):
        if band.south >= band.north:
            findings.fault(
                TOML,
                line(("bands", i, "south")),
                f"band '{band.id}', south",
                band.south,
                "does not lie south of its northern edge",
                allowed=f"less than {band.north:g}",
                mend="swap the two edges",
            )
        for other in settings.bands[:i]:
            if not (band.coverage and other.coverage) or other.south >= other.north:
                continue
            if band.south < other.north and other.south < band.north:
                findings.fault(
                    TOML,
                    line(("bands", i)),
                    f"band '{band.id}'",
                    f"{band.south:g} to {band.north:g}",
                    f"overlaps band '{other.id}'",
                    allowed="bands that only touch",
                    mend="move an edge, or set coverage = false",
                )
    needed = {
        "level_difference": ("band", "minus"),
        "season": ("band",),
        "season_timing": ("band",),
        "monthly_anomaly": ("band",),
        "year_growth": ("year",),
    }
    for i, target in enumerate(settings.targets):
        where = f"target '{target.id}'"
        for field in needed.get(target.kind, ()):
            if getattr(target, field) is None:
                findings.fault(
                    TOML,
                    line(("targets", i)),
                    f"{where}, {field}",
                    None,
                    f"a target of kind {target.kind} needs it",
                    mend="add it",
                )
        for field in ("band", "minus"):
            name = getattr(target, field)
            if name is not None and name not in bands:
                findings.fault(
                    TOML,
                    line(("targets", i, field)),
                    f"{where}, {field}",
                    name,
                    "no band of this name",
                    allowed=listed(sorted(bands)),
                    mend="name a band of the region",
                )
        if target.tracer is not None and target.tracer not in tracers:
            findings.fault(
                TOML,
                line(("targets", i, "tracer")),
                f"{where}, tracer",
                target.tracer,
                "no tracer of this name",
                allowed=listed(sorted(tracers)),
                mend="name a tracer",
            )
        last = settings.first_year + settings.years - 1
        if target.year is not None and not settings.first_year <= target.year <= last:
            findings.fault(
                TOML,
                line(("targets", i, "year")),
                f"{where}, year",
                target.year,
                "not in the window",
                allowed=f"{settings.first_year} to {last}",
                mend="name a year of the window",
            )


def _check_rules_alone(settings: Settings, line: Line, findings: Findings) -> None:
    bands = {band.id for band in settings.bands}
    for i, rule in enumerate(settings.rules):
        if isinstance(rule, BandAtLeast) and rule.band != "each" and rule.band not in bands:
            findings.fault(
                TOML,
                line(("rules", i, "band")),
                rule_place(settings, i) + ", band",
                rule.band,
                "no band of this name",
                allowed=listed([*sorted(bands), "each"]),
                mend=_or_nearest(rule.band, bands, "name a band of the region"),
            )
        if isinstance(rule, BandAtLeast) and round(rule.count * 1000) != rule.count * 1000:
            findings.fault(
                TOML,
                line(("rules", i, "count")),
                rule_place(settings, i) + ", count",
                rule.count,
                "finer than a thousandth",
                allowed="thousandths at the finest",
                mend="round it",
            )


def rule_place(settings: Settings, i: int) -> str:
    """Return how messages call a rule: its name, or its kind and number."""
    rule = settings.rules[i]
    return f"rule '{rule.name}'" if rule.name else f"rule {i + 1} ({rule.kind})"


def _or_nearest(word: str, known: Iterable[str], otherwise: str) -> str:
    lowered = {name.lower(): name for name in known}
    near = nearest(word, lowered)
    return f"write '{lowered[near]}'" if near else otherwise


def check_against_candidates(settings: Settings, entries: Sequence[Entry], line: Line, findings: Findings) -> None:
    """Check plans and rules against the candidates, both ways."""
    _check_candidate_words(settings, entries, findings)
    status = {entry.row.id: entry.row.status for entry in entries}
    groups = {group for entry in entries for group in entry.row.group}
    for i, rule in enumerate(settings.rules):
        place = rule_place(settings, i)
        named: list[tuple[str, str]] = []
        if isinstance(rule, AtMost | AtLeast):
            named = [("sites", name) for name in rule.sites]
            if rule.group is not None and rule.group not in groups:
                findings.fault(
                    TOML,
                    line(("rules", i, "group")),
                    f"{place}, group",
                    rule.group,
                    "no candidate is in this group",
                    allowed=listed(sorted(groups)) or None,
                    mend=_or_nearest(rule.group, groups, "check the group column"),
                )
        if isinstance(rule, OnlyWith):
            named = [("site", rule.site), ("needs", rule.needs)]
        for field, name in named:
            if name not in status:
                findings.fault(
                    TOML,
                    line(("rules", i, field)),
                    f"{place}, {field}",
                    name,
                    "no candidate has this id",
                    mend=_or_nearest(name, status, "check the id"),
                )
    _check_contradictions(settings, entries, status, line, findings)


def _check_candidate_words(settings: Settings, entries: Sequence[Entry], findings: Findings) -> None:
    plans = {plan.id: plan for plan in settings.plans}
    methods = {method.id for method in settings.methods} | {plan.method or plan.id for plan in settings.plans}
    for entry in entries:
        for column, names in (("plans", entry.row.plans), ("running_plan", (entry.row.running_plan,))):
            for name in names:
                if name is not None and name not in plans:
                    findings.fault(
                        entry.file,
                        entry.number,
                        column,
                        name,
                        "no plan of this name",
                        allowed=listed(sorted(plans)),
                        mend=_or_nearest(name, plans, "name a plan"),
                    )
        running = entry.row.running_plan
        if running in plans and plans[running].kind == "flask_then_analyzer":
            findings.fault(
                entry.file,
                entry.number,
                "running_plan",
                running,
                "a running station runs one thing",
                allowed="a plan of kind analyzer, flask or both",
                mend="name what it runs now",
            )
        if entry.row.method is not None and entry.row.method not in methods:
            findings.fault(
                entry.file,
                entry.number,
                "method",
                entry.row.method,
                "no method of this name",
                allowed=listed(sorted(methods)),
                mend="name a method, or add it under [[methods]]",
            )


def _members(rule: AtMost | AtLeast, entries: Sequence[Entry]) -> list[Entry]:
    return [
        entry
        for entry in entries
        if (not rule.sites or entry.row.id in rule.sites) and (rule.group is None or rule.group in entry.row.group)
    ]


def _check_contradictions(
    settings: Settings, entries: Sequence[Entry], status: Mapping[str, str], line: Line, findings: Findings
) -> None:
    """Find rules that cannot hold whatever is picked, without solving anything."""
    required = [entry.row.id for entry in entries if entry.row.status == "required"]
    for i, rule in enumerate(settings.rules):
        place = rule_place(settings, i)

        def fault(field: str, value: object, problem: str, mend: str, i: int = i, place: str = place) -> None:
            findings.fault(TOML, line(("rules", i, field)), f"{place}, {field}", value, problem, mend=mend)

        if isinstance(rule, AtMostSites) and len(required) > rule.count:
            fault(
                "count",
                rule.count,
                f"{len(required)} candidates are required: {listed(required)}",
                "raise count, or require fewer",
            )
        if isinstance(rule, AtMost) and rule.instrument is None:
            bound = [entry.row.id for entry in _members(rule, entries) if entry.row.status == "required"]
            if len(bound) > rule.count:
                fault(
                    "count",
                    rule.count,
                    f"{len(bound)} of them are required: {listed(bound)}",
                    "raise count, or require fewer",
                )
        if isinstance(rule, AtLeast) and all(name in status for name in rule.sites):
            free = [e for e in _members(rule, entries) if e.row.status in ("open", "required") or e.row.plans]
            free = [e for e in free if e.row.status != "excluded"]
            if len(free) < rule.count:
                fault(
                    "count",
                    rule.count,
                    f"only {len(free)} of them can be picked",
                    "lower count, or free a site",
                )
        if isinstance(rule, OnlyWith) and status.get(rule.site) == "required" and status.get(rule.needs) == "excluded":
            fault(
                "needs",
                rule.needs,
                f"'{rule.site}' is required and '{rule.needs}' is excluded",
                "change one of the two",
            )


def check_layout_words(
    settings: Settings,
    ids: Iterable[str],
    rows: Sequence[tuple[int, str, str, int | None]],
    file: str,
    findings: Findings,
) -> None:
    """Check a layout's (row, id, plan, start year) against the region."""
    known, plans = set(ids), {plan.id for plan in settings.plans}
    seen: dict[str, int] = {}
    last = settings.first_year + settings.years - 1
    for number, candidate, plan, year in rows:
        if candidate not in known:
            findings.fault(
                file,
                number,
                "id",
                candidate,
                "no candidate has this id",
                mend=_or_nearest(candidate, known, "check the id"),
            )
        if candidate in seen:
            findings.fault(
                file,
                number,
                "id",
                candidate,
                f"stands already in row {seen[candidate]}",
                mend="one deployment a candidate",
            )
        seen.setdefault(candidate, number)
        if plan not in plans:
            findings.fault(
                file,
                number,
                "plan",
                plan,
                "no plan of this name",
                allowed=listed(sorted(plans)),
                mend=_or_nearest(plan, plans, "name a plan of the region"),
            )
        if year is not None and not settings.first_year <= year <= last:
            findings.fault(
                file,
                number,
                "start_year",
                year,
                "not in the window",
                allowed=f"{settings.first_year} to {last}",
                mend="name a year of the window",
            )
