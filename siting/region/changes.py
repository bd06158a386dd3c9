"""What-if changes of a region: another budget, other stock, sites forced in or out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from siting.region.faults import Findings
from siting.region.model import Region
from siting.region.plain import nearest


def changed(
    region: Region,
    *,
    budget: float | None = None,
    require: Sequence[str] = (),
    exclude: Sequence[str] = (),
    analyzers: int | None = None,
) -> Region:
    """Return the region as it would be with another total budget, other stock, sites required or excluded.

    `analyzers` is the number in stock, spare ones included. Raises `InputError` for an unknown id, a
    site both required and excluded, a running station, a budget that is not positive, or fewer
    analyzers than are kept as spare.
    """
    findings = Findings()
    c = region.candidates
    for option, names in (("--require", require), ("--exclude", exclude)):
        for name in names:
            if name not in c.ids:
                near = nearest(name, c.ids)
                findings.fault(
                    option,
                    None,
                    None,
                    name,
                    "no candidate has this id",
                    mend=f"if you meant '{near}', write that" if near else "check the id",
                )
            elif c.status[c.index(name)] == "running" and not c.plans[c.index(name)]:
                findings.fault(
                    option,
                    None,
                    None,
                    name,
                    "this station already runs, it is neither picked nor left out",
                    mend="name a candidate",
                )
    for name in sorted(set(require) & set(exclude)):
        findings.fault("--require", None, None, name, "is both required and excluded", mend="choose one")
    for name in sorted(set(require) - set(exclude)):
        if name in c.ids and c.status[c.index(name)] == "excluded":
            findings.fault(
                "--require",
                None,
                None,
                name,
                "is excluded by its status in the region",
                mend="change its status, or do not require it",
            )
    for name in sorted(set(exclude) - set(require)):
        if name in c.ids and c.status[c.index(name)] == "required":
            findings.fault(
                "--exclude",
                None,
                None,
                name,
                "is required by its status in the region",
                mend="change its status, or do not exclude it",
            )
    if budget is not None and not 0.0 < budget < float("inf"):
        findings.fault(
            "--budget",
            None,
            None,
            budget,
            "not a budget",
            allowed="a number above 0",
            mend="give the total money",
        )
    stock = region.settings.stock
    if analyzers is not None and analyzers < stock.spare_analyzers:
        findings.fault(
            "--analyzers",
            None,
            None,
            analyzers,
            "fewer than the analyzers kept at home",
            allowed=f"{stock.spare_analyzers} or more",
            mend="count the spare ones in",
        )
    findings.raise_if_any()
    settings = region.settings
    if budget is not None:
        settings = settings.model_copy(update={"budget": settings.budget.model_copy(update={"total": float(budget)})})
    if analyzers is not None:
        settings = settings.model_copy(update={"stock": stock.model_copy(update={"analyzers": int(analyzers)})})
    status = list(c.status)
    for name in require:
        status[c.index(name)] = "required"
    for name in exclude:
        status[c.index(name)] = "excluded"
    return replace(region, settings=settings, candidates=replace(c, status=tuple(status)))
