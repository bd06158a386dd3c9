"""What-if changes of a region: another budget, other stock, sites forced in or out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from siting.region.faults import Findings
from siting.region.model import Candidates, Region
from siting.region.plain import Spelling
from siting.region.schema.common import MOST_ANALYZERS, MOST_MONEY
from siting.region.schema.rules import AtLeast
from siting.region.schema.settings import Settings


def changed(
    region: Region,
    *,
    budget: float | None = None,
    require: Sequence[str] = (),
    exclude: Sequence[str] = (),
    analyzers: int | None = None,
) -> Region:
    """Return the region as it would be with another total budget, other stock, sites required or excluded.

    `analyzers` is the number in stock, spare ones included. At a running station that offers plans it is
    the new deployment that is required or excluded, the station runs on. Raises `InputError` for an
    unknown id, a site both required and excluded, a running station that offers no plan, a budget that
    is not positive, fewer analyzers than are kept as spare, or numbers beyond those of region.toml.
    The result's `what_ifs` names the changes.
    """
    findings = Findings()
    _check_ids(region.candidates, "--require", require, findings)
    _check_ids(region.candidates, "--exclude", exclude, findings)
    _check_clashes(region.candidates, require, exclude, findings)
    _check_means(region.settings, budget, analyzers, findings)
    findings.raise_if_any()
    settings = _settings(region, budget, require, analyzers)
    return replace(
        region,
        settings=settings,
        candidates=_candidates(region.candidates, require, exclude),
        what_ifs=_what_ifs(region.what_ifs, budget, require, exclude, analyzers),
    )


def _what_ifs(
    before: Sequence[str], budget: float | None, require: Sequence[str], exclude: Sequence[str], analyzers: int | None
) -> tuple[str, ...]:
    """Name the changes as they are typed; a second budget or stock takes the place of the first."""
    new = [f"--require {name}" for name in require] + [f"--exclude {name}" for name in exclude]
    if budget is not None:
        new.append(f"--budget {budget:.15g}")
    if analyzers is not None:
        new.append(f"--analyzers {analyzers}")
    replaced = {text.split()[0] for text in new} & {"--budget", "--analyzers"}
    kept = [text for text in before if text.split()[0] not in replaced]
    return tuple(sorted({*kept, *new}, key=lambda text: (_ORDER.index(text.split()[0]), text)))


_ORDER = ("--budget", "--require", "--exclude", "--analyzers")


def _check_ids(c: Candidates, option: str, names: Sequence[str], findings: Findings) -> None:
    spelling = Spelling(c.ids)
    for name in dict.fromkeys(names):
        if name not in c.ids:
            mend = spelling.mend(name, "name a candidate of the region")
            findings.fault(option, None, None, name, "no candidate has this id", allowed=spelling.allowed, mend=mend)
        elif _runs(c, name) and not c.plans[c.index(name)]:
            findings.fault(
                option,
                None,
                None,
                name,
                "this station already runs, it is neither picked nor left out",
                allowed="candidates that do not run yet, or offer plans",
                mend="name another candidate",
            )


def _check_clashes(c: Candidates, require: Sequence[str], exclude: Sequence[str], findings: Findings) -> None:
    both = sorted(set(require) & set(exclude))
    for name in both:
        findings.fault(
            "--require",
            None,
            None,
            name,
            "is both required and excluded",
            allowed="each id in one of the two options",
            mend="choose one",
        )
    for option, names, status, done in (
        ("--require", require, "excluded", "require"),
        ("--exclude", exclude, "required", "exclude"),
    ):
        for name in sorted(set(names).intersection(c.ids).difference(both)):
            if c.status[c.index(name)] == status:
                findings.fault(
                    option,
                    None,
                    None,
                    name,
                    f"is {status} by its status in the region",
                    allowed="candidates with status open",
                    mend=f"change its status, or do not {done} it",
                )


def _check_means(settings: Settings, budget: float | None, analyzers: int | None, findings: Findings) -> None:
    if budget is not None and not (budget > 0.0 and math.isfinite(budget)):
        findings.fault(
            "--budget", None, None, budget, "not a budget", allowed="a number above 0", mend="give the total money"
        )
    elif budget is not None and budget > MOST_MONEY:
        allowed = f"{MOST_MONEY:.0f} or less"
        findings.fault("--budget", None, None, budget, "out of range", allowed=allowed, mend="check the number")
    spare = settings.stock.spare_analyzers
    if analyzers is not None and analyzers < spare:
        findings.fault(
            "--analyzers",
            None,
            None,
            analyzers,
            "fewer than the analyzers kept at home",
            allowed=f"{spare} or more",
            mend="count the spare ones in",
        )
    elif analyzers is not None and analyzers > MOST_ANALYZERS:
        allowed = f"{MOST_ANALYZERS} or less"
        findings.fault("--analyzers", None, None, analyzers, "out of range", allowed=allowed, mend="check the number")


def _runs(c: Candidates, name: str) -> bool:
    return c.status[c.index(name)] == "running"


def _settings(region: Region, budget: float | None, require: Sequence[str], analyzers: int | None) -> Settings:
    settings, c = region.settings, region.candidates
    if budget is not None:
        settings = settings.model_copy(update={"budget": settings.budget.model_copy(update={"total": float(budget)})})
    if analyzers is not None:
        stock = settings.stock.model_copy(update={"analyzers": int(analyzers)})
        settings = settings.model_copy(update={"stock": stock})
    # a running station keeps its status, so that a rule must ask for the new deployment there
    rules = tuple(
        AtLeast(kind="at_least", name=f"--require {name}", count=1, sites=(name,), new_only=True)
        for name in sorted(set(require))
        if _runs(c, name)
    )
    return settings.model_copy(update={"rules": (*settings.rules, *rules)}) if rules else settings


def _candidates(c: Candidates, require: Sequence[str], exclude: Sequence[str]) -> Candidates:
    status, plans = list(c.status), list(c.plans)
    for names, word in ((require, "required"), (exclude, "excluded")):
        for name in names:
            if not _runs(c, name):
                status[c.index(name)] = word
            elif word == "excluded":
                plans[c.index(name)] = ()
    return replace(c, status=tuple(status), plans=tuple(plans))
