"""What only several files together can show: names of one that stand in another, and plain contradictions."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

from siting.region.candidates import Entry
from siting.region.crosschecks import SettingsCheck
from siting.region.faults import Fault, Findings
from siting.region.plain import Spelling, listed, quoted
from siting.region.schema.network import Plan
from siting.region.schema.rules import AtLeast, AtMost, AtMostSites, OnlyWith
from siting.region.schema.settings import Settings
from siting.region.schema.tables import LayoutRow
from siting.region.settings_file import TOML, Place

# Fewer unknown ids than this are slips, not a file that is missing.
LEAST_UNKNOWN = 3


class KnownIds:
    """The ids of the candidates, and how an id that none has is blamed.

    Where rows of a candidate file could not be told, `lost` holds that file's text: an id that stands in
    it is not called unknown; with None no id is. `complete` says that every row became a candidate.
    """

    def __init__(self, ids: Iterable[str], lost: str | None = "", *, complete: bool = True) -> None:
        self.ids = frozenset(ids)
        self.complete = complete and lost == ""
        self._lost = lost
        self._spelling = Spelling(self.ids)
        self._met: dict[str, set[str]] = {}

    def unknown(self, name: str) -> bool:
        """Say whether no candidate has this id."""
        return name not in self.ids and self._lost is not None and name not in self._lost

    def mend(self, name: str) -> str:
        """Return the mend for an id that no candidate has."""
        return self._spelling.mend(name, "name a candidate of the region")

    def check(self, file: str, column: str, named: Sequence[tuple[int | None, str]], findings: Findings) -> None:
        """Note a fault for each id (with its row) that no candidate has, once a file, at the first row with it."""
        rows: dict[str, list[int | None]] = {}
        for row, name in named:
            self.meet(file, name)
            if self.unknown(name):
                rows.setdefault(name, []).append(row)
        for name, found in rows.items():
            more = f", found in {len(found)} rows" if len(found) > 1 else ""
            findings.fault(
                file,
                found[0],
                column,
                name,
                f"no candidate has this id{more}",
                allowed=self._spelling.allowed,
                mend=self.mend(name),
            )

    def meet(self, file: str, name: str) -> None:
        """Remember that a file names this id."""
        self._met.setdefault(name, set()).add(file)

    def suspect_missing_file(self, findings: Findings, present: Collection[str], others: Sequence[str]) -> None:
        """Note first of all, where most ids are unknown, that a file of candidates may be missing.

        `present` are the files of candidates that are there, `others` those that could be there too.
        """
        unknown = sorted(name for name in self._met if self.unknown(name))
        if not present or not others or len(unknown) < LEAST_UNKNOWN or 2 * len(unknown) <= len(self._met):
            return
        files = listed(sorted({file for name in unknown for file in self._met[name]}))
        fault = Fault(
            listed(sorted(present)),
            None,
            None,
            None,
            f"{len(unknown)} of the {len(self._met)} ids that the other files name stand in no file of candidates "
            f"(they are in {files}): is {' or '.join(others)} missing?",
            allowed=f"{listed(sorted([*present, *others]))}, side by side",
            mend="put the missing file back, or correct the ids",
        )
        findings.faults.insert(0, fault)


def check_against_candidates(
    check: SettingsCheck, entries: Sequence[Entry], known: KnownIds, findings: Findings
) -> None:
    """Check settings and candidates against each other, both ways."""
    _check_candidate_words(check, entries, findings)
    _check_years(check, entries, findings)
    _check_rule_words(check, entries, known)
    _check_contradictions(check, entries, known)


def _check_candidate_words(check: SettingsCheck, entries: Sequence[Entry], findings: Findings) -> None:
    plans = check.names["plans"]
    kinds = {plan.id: plan.kind for plan in check.settings.plans}
    methods = check.names["methods"] | plans | {plan.method for plan in check.settings.plans if plan.method}
    of_plans, of_methods = Spelling(plans), Spelling(methods)
    spaced = sorted(name for name in plans if " " in name)
    for entry in entries:
        row, at = entry.row, (entry.file, entry.number)
        named = [("plans", name) for name in row.plans]
        if row.running_plan is not None:
            named.append(("running_plan", row.running_plan))
        for column, name in named:
            if plans and name not in plans:
                mend = of_plans.mend(name, "name a plan of region.toml")
                if column == "plans" and any(name in plan.split() for plan in spaced):
                    mend = "rename the plan without spaces, for a space ends a name in this column"
                findings.fault(*at, column, name, "no plan of this name", allowed=of_plans.allowed, mend=mend)
        if row.running_plan is not None and kinds.get(row.running_plan) == "flask_then_analyzer":
            findings.fault(
                *at,
                "running_plan",
                row.running_plan,
                "a running station runs one thing",
                allowed="a plan of kind analyzer, flask or both",
                mend="name what it runs now",
            )
        if row.method is not None and plans and row.method not in methods:
            mend = of_methods.mend(row.method, "name a method, or add it under [[methods]]")
            findings.fault(*at, "method", row.method, "no method of this name", allowed=of_methods.allowed, mend=mend)


def _check_years(check: SettingsCheck, entries: Sequence[Entry], findings: Findings) -> None:
    """Refuse running stations whose record begins after the window."""
    if check.doubtful(("first_year",)) or check.doubtful(("years",)):
        return
    end = check.settings.first_year + check.settings.years
    for entry in entries:
        since = entry.row.running_since
        if entry.row.status == "running" and since is not None and since >= end:
            findings.fault(
                entry.file,
                entry.number,
                "running_since",
                f"{since:g}",
                "a running station cannot begin after the window",
                allowed=f"before {end}",
                mend="correct the year, or make it a candidate with status open",
            )


def _check_rule_words(check: SettingsCheck, entries: Sequence[Entry], known: KnownIds) -> None:
    """Check that the candidates and groups that rules name are there."""
    groups = {group for entry in entries for group in entry.row.group}
    spelling = Spelling(groups)
    unsure = not known.complete or any("group" in entry.doubtful for entry in entries)
    for i, rule in enumerate(check.settings.rules):
        if isinstance(rule, AtMost | AtLeast):
            for k, name in enumerate(rule.sites):
                _check_id(check, ("rules", i, "sites", k), name, known)
            if rule.group is not None and rule.group not in groups and not unsure:
                _unknown_group(check, i, rule.group, spelling)
        if isinstance(rule, OnlyWith):
            _check_id(check, ("rules", i, "site"), rule.site, known)
            _check_id(check, ("rules", i, "needs"), rule.needs, known)


def _check_id(check: SettingsCheck, place: Place, name: str, known: KnownIds) -> None:
    known.meet(TOML, name)
    if known.unknown(name):
        problem, allowed = "no candidate has this id", listed(sorted(known.ids))
        check.fault(place, name, problem, allowed=allowed, mend=known.mend(name))


def _unknown_group(check: SettingsCheck, i: int, group: str, spelling: Spelling) -> None:
    mend = spelling.mend(group, "write this group into the column `group` of its candidates")
    if " " in group:
        mend = "name the group without spaces, for a space ends a name in the column `group`"
    check.fault(
        ("rules", i, "group"),
        group,
        "no candidate is in this group",
        allowed=spelling.allowed or "a group that stands in the column `group`",
        mend=mend,
    )


def _check_contradictions(check: SettingsCheck, entries: Sequence[Entry], known: KnownIds) -> None:
    """Find rules that the status of the candidates makes impossible, without solving anything."""
    status = {entry.row.id: entry.row.status for entry in entries if "status" not in entry.doubtful}
    required = [name for name, word in status.items() if word == "required"]
    no_plans = check.doubtful(("plans",)) or not check.names["plans"]
    for i, rule in enumerate(check.settings.rules):
        if check.doubtful(("rules", i)) or (isinstance(rule, AtMost | AtLeast) and rule.instrument and no_plans):
            continue
        if isinstance(rule, AtMostSites) and len(required) > rule.count:
            _too_many(check, i, rule.count, required)
        if isinstance(rule, AtMost):
            members = [e for e in _members(rule, entries) if status.get(e.row.id) == "required"]
            bound = [e.row.id for e in members if _always_with(rule.instrument, e, check.settings)]
            if len(bound) > rule.count:
                _too_many(check, i, rule.count, bound)
        if isinstance(rule, AtLeast) and known.complete and len(status) == len(entries):
            _too_few(check, i, rule, entries, known)
        if isinstance(rule, OnlyWith):
            _only_with(check, i, rule, status)


def _too_many(check: SettingsCheck, i: int, count: int, required: Sequence[str]) -> None:
    check.fault(
        ("rules", i, "count"),
        count,
        f"{len(required)} of the candidates meant are required: {listed(required)}",
        allowed=f"{len(required)} or more",
        mend="raise count, or require fewer",
    )


def _too_few(check: SettingsCheck, i: int, rule: AtLeast, entries: Sequence[Entry], known: KnownIds) -> None:
    if any(known.unknown(name) for name in rule.sites):
        return
    members = _members(rule, entries)
    if rule.group is not None and not members:
        return
    running = [e for e in members if e.row.status == "running"]
    free = [e for e in members if e.row.status in ("open", "required")]
    if rule.new_only:
        free += [e for e in running if e.row.plans]
    free = [e for e in free if _can_have(rule.instrument, e, check.settings)]
    free += [] if rule.new_only else running
    if len(free) < rule.count:
        check.fault(
            ("rules", i, "count"),
            rule.count,
            f"only {len(free)} of the candidates meant can be picked{'' if rule.new_only else ' or run already'}",
            allowed=f"0 to {len(free)}",
            mend="lower count, or change the status of a candidate",
        )


def _only_with(check: SettingsCheck, i: int, rule: OnlyWith, status: Mapping[str, str]) -> None:
    if rule.site == rule.needs:
        check.fault(
            ("rules", i, "needs"),
            rule.needs,
            "a candidate cannot need itself",
            allowed="another candidate than `site`",
            mend="name the other candidate, or take the rule out",
        )
    elif status.get(rule.site) == "required" and status.get(rule.needs) == "excluded":
        check.fault(
            ("rules", i, "needs"),
            rule.needs,
            f"{quoted(rule.site)} is required and {quoted(rule.needs)} is excluded",
            allowed="a candidate that can be picked or runs",
            mend="change the status of one of the two",
        )


def _members(rule: AtMost | AtLeast, entries: Sequence[Entry]) -> list[Entry]:
    return [
        entry
        for entry in entries
        if (not rule.sites or entry.row.id in rule.sites) and (rule.group is None or rule.group in entry.row.group)
    ]


def _offered(entry: Entry, settings: Settings) -> list[Plan]:
    return [plan for plan in settings.plans if not entry.row.plans or plan.id in entry.row.plans]


def _always_with(instrument: str | None, entry: Entry, settings: Settings) -> bool:
    """Say whether every plan of a candidate has the instrument (`both` has either)."""
    plans = _offered(entry, settings)
    return instrument is None or (bool(plans) and all(_has(plan, instrument) for plan in plans))


def _can_have(instrument: str | None, entry: Entry, settings: Settings) -> bool:
    return instrument is None or any(_has(plan, instrument) for plan in _offered(entry, settings))


def _has(plan: Plan, instrument: str) -> bool:
    return plan.has_analyzer if instrument == "analyzer" else plan.has_flask


def check_layout_words(
    rows: Sequence[tuple[int, LayoutRow]],
    file: str,
    plans: Collection[str],
    window: tuple[int, int] | None,
    findings: Findings,
) -> None:
    """Check a layout's rows, each with its number, against plans and window.

    No plans, or no window: they are not known for a fault elsewhere, and nothing is blamed for them.
    """
    seen: dict[str, int] = {}
    spelling = Spelling(plans)
    for number, row in rows:
        if row.id in seen:
            findings.fault(
                file,
                number,
                "id",
                row.id,
                f"stands in row {seen[row.id]} already",
                allowed="one deployment a candidate",
                mend="take one of the two out",
            )
        seen.setdefault(row.id, number)
        if plans and row.plan not in plans:
            mend = spelling.mend(row.plan, "name a plan of the region")
            findings.fault(file, number, "plan", row.plan, "no plan of this name", allowed=spelling.allowed, mend=mend)
        if window is not None and row.start_year is not None and not window[0] <= row.start_year <= window[1]:
            findings.fault(
                file,
                number,
                "start_year",
                row.start_year,
                "not in the window",
                allowed=f"{window[0]} to {window[1]}",
                mend="name a year of the window",
            )
