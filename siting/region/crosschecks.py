"""Check region.toml against itself: names that must be there, settings that belong together."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from siting.region.faults import Findings
from siting.region.plain import Spelling, listed, quoted
from siting.region.schema.common import MOST_GROWTH
from siting.region.schema.network import Plan, ValueFunctions
from siting.region.schema.rules import BandAtLeast, Comparison
from siting.region.schema.settings import Settings
from siting.region.settings_file import TOML, Place, TomlFile
from siting.region.tables import column_name
from siting.region.wanted import wanted


class SettingsCheck:
    """The sound part of region.toml while it is checked; what rests on a faulty setting is not blamed.

    `names` holds the names of tracers, plans, methods and bands of the whole file: that an entry is
    faulty does not make its name unknown. It holds no plans where two share an id.
    """

    def __init__(self, file: TomlFile, settings: Settings, findings: Findings) -> None:
        self.settings = settings
        self.doubtful = file.doubtful
        self.names: Mapping[str, frozenset[str]] = {
            "tracers": file.names("tracers", "name") | {tracer.name for tracer in settings.tracers},
            "plans": file.plan_ids(),
            "methods": file.names("methods"),
            "bands": file.names("bands") | {band.id for band in settings.bands},
        }
        self._file, self._findings = file, findings

    def fault(
        self,
        place: Place,
        value: object,
        problem: str,
        *,
        allowed: str | None = None,
        mend: str,
        rests_on: Sequence[Place] = (),
    ) -> None:
        """Note a fault at a place of the settings, unless this place or what it rests on is faulty itself."""
        if any(self.doubtful(other) for other in (place, *rests_on)):
            return
        place = self._file.in_file(place)
        line, words = self._file.line(place), self._file.words(place)
        self._findings.fault(TOML, line, words, value, problem, allowed=allowed, mend=mend)

    def warn(self, place: Place, value: object, problem: str, *, mend: str) -> None:
        """Note something doubtful at a place of the settings."""
        place = self._file.in_file(place)
        self._findings.warn(TOML, self._file.line(place), self._file.words(place), value, problem, mend=mend)

    def unknown_name(self, place: Place, name: str, table: str, one: str) -> None:
        """Note a fault if no entry of a table has this name."""
        known = Spelling(self.names[table])
        if name not in self.names[table]:
            mend = known.mend(name, f"name a {one} of the region, or add it under [[{table}]]")
            self.fault(place, name, f"no {one} of this name", allowed=known.allowed, mend=mend)

    def year_outside(self, place: Place, year: int | None) -> None:
        """Note a fault if a year is not in the window."""
        first, last = self.settings.first_year, self.settings.first_year + self.settings.years - 1
        if year is not None and not first <= year <= last:
            self.fault(
                place,
                year,
                "not in the window",
                allowed=f"{first} to {last}",
                mend="name a year of the window, or change first_year or years",
                rests_on=(("first_year",), ("years",)),
            )


def check_settings(check: SettingsCheck) -> None:
    """Check region.toml against itself."""
    _check_names(check)
    for i, plan in enumerate(check.settings.plans):
        _check_plan(check, i, plan)
    check.year_outside(("last_start_year",), check.settings.last_start_year)
    _check_money(check)
    _check_score(check)
    _check_bands(check)
    _check_targets(check)
    _check_rules(check)


def _check_names(check: SettingsCheck) -> None:
    s = check.settings
    # tracers name columns, so that two names which make the same column are the same
    _each_once(check, "tracers", "name", [column_name(tracer.name) for tracer in s.tracers])
    _each_once(check, "plans", "id", [plan.id.lower() for plan in s.plans])
    _each_once(check, "methods", "id", [method.id.lower() for method in s.methods])
    _each_once(check, "bands", "id", [band.id.lower() for band in s.bands])
    _each_once(check, "targets", "id", [target.id.lower() for target in s.targets])
    _each_once(check, "rules", "name", [rule.name for rule in s.rules])


def _each_once(check: SettingsCheck, table: str, field: str, names: Sequence[str]) -> None:
    first: dict[str, int] = {}
    for i, name in enumerate(names):
        if name and first.setdefault(name, i) != i:
            earlier = getattr(getattr(check.settings, table)[first[name]], field)
            check.fault(
                (table, i, field),
                getattr(getattr(check.settings, table)[i], field),
                f"an earlier one has this {field} already ({quoted(earlier)})",
                allowed=f"each {field} once, capitals make no difference" if field == "id" else f"each {field} once",
                mend="rename one of the two",
            )


def _check_plan(check: SettingsCheck, i: int, plan: Plan) -> None:
    at: Place = ("plans", i)
    for place, gas in enumerate(plan.gases):
        check.unknown_name((*at, "gases", place), gas, "tracers", "tracer")
    if plan.method is not None and check.names["methods"]:
        check.unknown_name((*at, "method"), plan.method, "methods", "method")
    _check_parts(check, i, plan)
    if plan.kind == "flask" and plan.samples_per_month is None:
        check.fault(
            (*at, "samples_per_month"),
            None,
            "a flask plan needs it",
            allowed=wanted(Plan, "samples_per_month"),
            mend="give samples a month, such as 4.35 for one a week",
        )
    if plan.kind != "flask" and plan.samples_per_month is not None:
        check.fault(
            (*at, "samples_per_month"),
            plan.samples_per_month,
            f"a plan of kind {plan.kind} takes no samples itself",
            allowed="in plans of kind flask only",
            mend="take it out" if plan.kind == "analyzer" else "take it out; it stands in the flask plan",
        )
    if plan.kind == "analyzer" and plan.cylinder_life_months is None and plan.flow_l_per_minute is None:
        _name_lost_cylinders(check, i, plan)
    if plan.kind == "flask_then_analyzer":
        if plan.analyzer_after_months is None:
            check.fault(
                (*at, "analyzer_after_months"),
                None,
                "a plan of kind flask_then_analyzer needs it",
                allowed=wanted(Plan, "analyzer_after_months"),
                mend="give the months of flasks before the analyzer comes",
            )
        return
    for field in ("analyzer_after_months", "flasks_go_on"):
        if field in plan.model_fields_set:
            check.fault(
                (*at, field),
                getattr(plan, field),
                f"has no meaning in a plan of kind {plan.kind}",
                allowed="in plans of kind flask_then_analyzer only",
                mend="take it out",
            )


def _name_lost_cylinders(check: SettingsCheck, i: int, plan: Plan) -> None:
    """Warn where cylinders have a price or an error that cannot count, since nothing tells how long they last."""
    if plan.target_checks_per_month or plan.transfer_error or check.settings.supply.cylinder_cost:
        problem = "nothing tells how long cylinders last, so none are counted, paid or sent"
        mend = "give cylinder_life_months, or flow_l_per_minute"
        check.warn(("plans", i, "cylinder_life_months"), None, problem, mend=mend)


def _check_parts(check: SettingsCheck, i: int, plan: Plan) -> None:
    """Check that a plan that joins two others names one of each kind."""
    if not check.names["plans"]:
        return
    plans = {other.id: other for other in check.settings.plans}
    joined = plan.kind in ("both", "flask_then_analyzer")
    for field, kind in (("analyzer_plan", "analyzer"), ("flask_plan", "flask")):
        place: Place = ("plans", i, field)
        name = getattr(plan, field)
        fitting = sorted(other.id for other in check.settings.plans if other.kind == kind)
        allowed = listed(fitting) or f"the id of a plan of kind {kind}"
        mend = f"name a plan of kind {kind}" if fitting else f"add a plan of kind {kind} and name it"
        if not joined:
            if name is not None:
                problem = f"a plan of kind {plan.kind} has no parts"
                check.fault(place, name, problem, allowed="in plans that join two others", mend="take it out")
        elif name is None:
            check.fault(place, None, f"a plan of kind {plan.kind} needs it", allowed=allowed, mend=mend)
        elif name not in check.names["plans"]:
            mend = Spelling(fitting).mend(name, mend)
            check.fault(place, name, f"no plan of kind {kind} has this name", allowed=allowed, mend=mend)
        elif name in plans and plans[name].kind != kind:
            check.fault(place, name, f"is a plan of kind {plans[name].kind}", allowed=allowed, mend=mend)


def _check_money(check: SettingsCheck) -> None:
    settings, budget, stock = check.settings, check.settings.budget, check.settings.stock
    if isinstance(budget.per_year, tuple) and len(budget.per_year) != settings.years:
        check.fault(
            ("budget", "per_year"),
            f"a list of {len(budget.per_year)}",
            "there must be one number for each year",
            allowed=f"a list of {settings.years}, or one number for all years",
            mend="give one for each year",
            rests_on=(("years",),),
        )
    if stock.spare_analyzers > stock.analyzers:
        check.fault(
            ("stock", "spare_analyzers"),
            stock.spare_analyzers,
            "more spare analyzers than there are analyzers",
            allowed=f"0 to {stock.analyzers}",
            mend="count the spare ones in `analyzers`, or lower it",
            rests_on=(("stock", "analyzers"),),
        )
    rates = (1.0 + budget.contingency) * (1.0 + budget.overhead)
    factor = rates * max(1.0, (1.0 + budget.price_growth) ** (settings.years - 1))
    if factor > MOST_GROWTH:
        check.fault(
            ("budget", "price_growth"),
            budget.price_growth,
            f"with contingency and overhead it makes prices {factor:.3g} times as high in the last year",
            allowed=f"{MOST_GROWTH:g} times at most",
            mend="lower a rate, or `years`",
            rests_on=(("years",), ("budget", "contingency"), ("budget", "overhead")),
        )
    if not budget.carry_over and budget.per_year is None:
        check.warn(
            ("budget", "carry_over"),
            "false",
            "has no effect without `per_year`",
            mend="give `per_year`, or take it out",
        )


def _check_score(check: SettingsCheck) -> None:
    score = check.settings.score
    names = list(type(score.weights).model_fields)
    total = sum(getattr(score.weights, name) for name in names)
    if abs(total - 1.0) > 1e-9:
        check.fault(
            ("score", "weights"),
            f"a sum of {total:.10g}",
            "the weights do not sum to 1",
            allowed="five weights that sum to 1",
            mend=f"give all five: {', '.join(names)}",
        )
    for name in ValueFunctions.model_fields:
        points = getattr(score.values, name)
        if any(b <= a for (a, _), (b, _) in itertools.pairwise(points)):
            check.fault(
                ("score", "values", name),
                str([list(point) for point in points]),
                "the first numbers of the pairs do not rise",
                allowed="pairs [attribute, value] in rising order of the attribute",
                mend="sort them, each attribute once",
            )


def _check_bands(check: SettingsCheck) -> None:
    bands = check.settings.bands
    for i, band in enumerate(bands):
        if band.south >= band.north:
            check.fault(
                ("bands", i, "south"),
                f"{band.south:g}",
                "does not lie south of the northern edge",
                allowed=f"less than {band.north:g}",
                mend="swap the two edges" if band.south > band.north else "move one edge",
                rests_on=(("bands", i, "north"),),
            )
        for j, other in enumerate(bands[:i]):
            if not (band.coverage and other.coverage):
                continue
            if band.south < other.north and other.south < band.north and other.south < other.north:
                check.fault(
                    ("bands", i),
                    f"{band.south:g} to {band.north:g}",
                    f"overlaps band {quoted(other.id)} ({other.south:g} to {other.north:g})",
                    allowed="bands that only touch",
                    mend="move an edge, or set coverage = false",
                    rests_on=(("bands", j),),
                )


_NEEDED = {
    "level_difference": ("band", "minus"),
    "season": ("band",),
    "season_timing": ("band",),
    "monthly_anomaly": ("band",),
    "year_growth": ("year",),
}


def _check_targets(check: SettingsCheck) -> None:
    for i, target in enumerate(check.settings.targets):
        at: Place = ("targets", i)
        for field in _NEEDED.get(target.kind, ()):
            if getattr(target, field) is None:
                check.fault(
                    (*at, field),
                    None,
                    f"a target of kind {target.kind} needs it",
                    allowed="a year of the window" if field == "year" else listed(sorted(check.names["bands"])),
                    mend="add it",
                )
        for field in ("band", "minus"):
            name = getattr(target, field)
            if name is not None:
                check.unknown_name((*at, field), name, "bands", "band")
        if target.minus is not None and target.minus == target.band:
            check.fault(
                (*at, "minus"),
                target.minus,
                "a band has no difference against itself",
                allowed="another band than the one in `band`",
                mend="name the other band",
            )
        if target.tracer is not None:
            check.unknown_name((*at, "tracer"), target.tracer, "tracers", "tracer")
        check.year_outside((*at, "year"), target.year)


def _check_rules(check: SettingsCheck) -> None:
    for i, rule in enumerate(check.settings.rules):
        if isinstance(rule, BandAtLeast):
            if rule.band != "each":
                check.unknown_name(("rules", i, "band"), rule.band, "bands", "band")
            if abs(rule.count - round(rule.count, 3)) > 1e-9:
                check.fault(
                    ("rules", i, "count"),
                    rule.count,
                    "finer than a thousandth",
                    allowed="0 or more, in thousandths at the finest",
                    mend=f"write {rule.count:.3f}",
                )
        if isinstance(rule, Comparison) and isinstance(rule.count, int) and rule.count < 0:
            check.fault(
                ("rules", i, "count"),
                rule.count,
                "out of range",
                allowed="a whole number, 0 or more, or all",
                mend="check the number",
            )
