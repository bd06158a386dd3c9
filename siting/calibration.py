"""The calibration plan of an analyzer: how long cylinders last, how many travel, what they cost the record.

Common practice, no single source: an analyzer runs each of a few working cylinders at every calibration and a
target gas between; a cylinder that is used up goes back to the laboratory, is measured there against its standards
once more, filled, given a value and sent out again. Litres are at the pressure of the air (ideal gas: volume of the
cylinder x the pressure that may be used, in bar).
"""

from __future__ import annotations

from dataclasses import dataclass

from siting.region.schema.network import Plan, Supply


@dataclass(frozen=True)
class CalibrationPlan:
    """Cylinders of one analyzer: `working` ones with a life of `life_months`, a target gas of `target_months` if any.

    `first_set` cylinders go out when the analyzer starts, `a_year` more in every year that it works.
    """

    working: int
    life_months: float
    target_months: float | None
    first_set: int
    a_year: float


def calibration_plan(plan: Plan, supply: Supply) -> CalibrationPlan | None:
    """Return the calibration plan of a simple analyzer plan; None for flasks, or where cylinders have no known life.

    A life that is given wins over the one that follows from flow, minutes and calibrations a month.
    """
    if plan.kind != "analyzer":
        return None
    life = cylinder_life(plan, supply)
    if life is None:
        return None
    target = None
    if plan.target_checks_per_month > 0.0:
        target = life
        if plan.flow_l_per_minute is not None:
            target = supply.cylinder_litres / (
                plan.flow_l_per_minute * plan.calibration_minutes * plan.target_checks_per_month
            )
    a_year = plan.working_cylinders * 12.0 / life + (12.0 / target if target is not None else 0.0)
    return CalibrationPlan(plan.working_cylinders, life, target, plan.working_cylinders + (target is not None), a_year)


def cylinder_life(plan: Plan, supply: Supply) -> float | None:
    """Return the months that a working cylinder lasts: as given, else gas over what calibrations use a month."""
    if plan.cylinder_life_months is not None:
        return plan.cylinder_life_months
    if plan.flow_l_per_minute is None:
        return None
    each = plan.flow_l_per_minute * plan.calibration_minutes
    return supply.cylinder_litres / (each * (plan.calibrations_per_month or 1.0))
