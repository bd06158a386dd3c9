"""stations.csv and signals.csv: what will stand where, and what each site would see month by month."""

from __future__ import annotations

from siting.assessment.layout import Assessment, Pick
from siting.assessment.signals import Signal
from siting.assessment.swaps import SiteSwap
from siting.deployments import parts_of
from siting.outputs.lines import month_spans
from siting.outputs.tables import amount, csv_text, table
from siting.planning import Planning
from siting.region.model import Origin
from siting.region.schema.network import Plan

_COLUMNS = [
    *("id", "name", "lat", "lon", "elevation_m", "intake_m", "platform", "plan", "kind", "instruments", "gases"),
    *("methods", "flask_samples_per_month", "flasks_per_sample", "calibrations_per_month", "crew_days_per_year"),
    *("power", "needs_power", "staffed", "needs_staff", "host", "operator", "access", "hub", "open_months"),
    *("lead_months", "permit_months", "first_month", "last_month", "analyzer_from", "samples_per_year"),
    *("flasks_at_peak", "calls_per_year", "boxes_per_year", "cylinders_per_year", "assumed"),
]
_GUESSED = (
    "elevation_m",
    "intake_m",
    "visits_per_year",
    "power",
    "staffed",
    "lead_months",
    "permit_months",
    "open_months",
)
"""Columns that a sheet for a host tells, where it matters whether somebody gave them."""
_WORDS = {"analyzer": "continuous analyzer", "flask": "glass flasks"}


def stations_csv(planning: Planning, assessment: Assessment) -> str:
    """Return stations.csv: one row a picked site with instruments, visits, power, staff, host and what travels."""
    travels = {site.id: site for site in assessment.supply.sites}
    rows = []
    for pick in assessment.picks:
        row = _station(planning, pick)
        site = travels.get(pick.id)
        row["calls_per_year"] = round(site.calls, 3) if site is not None else None
        row["boxes_per_year"] = site.boxes if site is not None else None
        row["cylinders_per_year"] = round(site.cylinders, 2) if site is not None else None
        rows.append(row)
    return table(rows, _COLUMNS)


def _station(planning: Planning, pick: Pick) -> dict[str, object]:
    region = planning.region
    c, i = region.candidates, region.candidates.index(pick.id)
    plans = region.settings.plans
    plan = next(one for one in plans if one.id == pick.plan)
    parts = [part for part in parts_of(plan, plans) if part is not None]
    analyzer = next((part for part in parts if part.kind == "analyzer"), None)
    flask = next((part for part in parts if part.kind == "flask"), None)
    k = planning.deployments.find(i, plans.index(plan), pick.start_year)
    later = None
    if plan.kind == "flask_then_analyzer" and k is not None:
        year, month = divmod(int(planning.deployments.analyzer_month[k]), 12)
        later = f"{region.settings.first_year + year}-{month + 1:02d}"
    return {
        "id": pick.id,
        "name": pick.name,
        "lat": pick.lat,
        "lon": pick.lon,
        "elevation_m": float(c.elevation_m[i]),
        "intake_m": float(c.intake_m[i]),
        "platform": pick.platform,
        "plan": plan.id,
        "kind": plan.kind,
        "instruments": " and ".join(part.instrument or _WORDS[part.kind] for part in parts),
        "gases": " ".join(dict.fromkeys(gas for part in parts for gas in (part.gases or region.tracers))),
        "methods": " ".join(dict.fromkeys(part.record_method for part in parts)),
        "flask_samples_per_month": flask.samples_per_month if flask is not None else None,
        "flasks_per_sample": flask.flasks_per_sample if flask is not None else None,
        "calibrations_per_month": analyzer.calibrations_per_month if analyzer is not None else None,
        "crew_days_per_year": plan.crew_days + sum(part.crew_days for part in parts if part is not plan),
        "power": c.power[i],
        "needs_power": _any(plan, parts, "draws_power"),
        "staffed": bool(c.staffed[i]),
        "needs_staff": _any(plan, parts, "needs_staff"),
        "host": c.host[i] or None,
        "operator": c.operator[i] or None,
        "access": c.access[i] or None,
        "hub": c.hub[i] or None,
        "open_months": month_spans(pick.open_months),
        "lead_months": int(c.lead_months[i]),
        "permit_months": int(c.permit_months[i]),
        "first_month": f"{pick.first_month[0]}-{pick.first_month[1]:02d}",
        "last_month": f"{region.settings.first_year + region.settings.years - 1}-12",
        "analyzer_from": later,
        "samples_per_year": pick.laboratory,
        "flasks_at_peak": pick.flasks,
        "assumed": " ".join(name for name in _GUESSED if c.origin[name][i] in (Origin.ASSUMED, Origin.DEFAULTED)),
    }


def _any(plan: Plan, parts: list[Plan], name: str) -> bool:
    return any(bool(getattr(one, name)) for one in (plan, *parts))


def signals_csv(signals: tuple[Signal, ...], first_year: int) -> str:
    """Return signals.csv: one row a gas, site and month in which it has a sample; numbers in the gas's unit."""
    header = ["tracer", "id", "role", "unit", "year", "month", "date", "expected", "error", "scatter"]
    rows: list[list[object]] = []
    for one in signals:
        role = "picked" if one.picked else "running"
        for at, expected, error, scatter in zip(one.month, one.expected, one.error, one.scatter, strict=True):
            year, month = first_year + int(at) // 12, int(at) % 12 + 1
            date = f"{year}-{month:02d}"
            numbers = [round(float(number), 6) for number in (expected, error, scatter)]
            rows.append([one.tracer, one.id, role, one.unit, year, month, date, *numbers])
    return csv_text(header, rows)


def swaps_csv(swaps: tuple[SiteSwap, ...]) -> str:
    """Return swaps.csv: one row a picked site with its best replacement."""
    header = ["id", "plan", "start_year", "other_id", "other_plan", "other_start_year", "value_change", "cost_change"]
    rows = [
        [
            *(swap.id, swap.plan, swap.start_year),
            *(swap.other if swap.other is not None else (None, None, None)),
            *((swap.change, amount(swap.cents)) if swap.other is not None else (None, None)),
            *(swap.by, swap.complete),
        ]
        for swap in swaps
    ]
    return csv_text([*header, "by", "complete"], rows)
