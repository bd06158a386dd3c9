"""The calibration plan of an analyzer: how long its cylinders last and how many travel.

Common practice, no single source: an analyzer runs each of a few working cylinders at every calibration and a
target gas between; a cylinder that is used up goes back to the laboratory, is measured there against its standards
once more, filled, given a value and sent out again. Gas is counted in litres at the pressure of the air: the inner
volume of the cylinder times the pressure that may be used, in bar (ideal gas law at one temperature), so that 30 L
used from 150 bar down to 20 bar give some 3,900 L.
"""

from __future__ import annotations

from dataclasses import dataclass

from siting.region.schema.network import Plan, Supply


@dataclass(frozen=True)
class CalibrationPlan:
    """Cylinders of one analyzer that works all year.

    `working` cylinders last `life_months` each, the target gas `target_months` (None without one). `first_set`
    cylinders go out when the analyzer starts and `a_year` (a mean, not whole) in every year that it works; as each
    goes out full and comes home at the end of its life, `a_year` is the number of trips each way.
    """

    working: int
    life_months: float
    target_months: float | None
    first_set: int
    a_year: float


def calibration_plan(plan: Plan, supply: Supply) -> CalibrationPlan | None:
    """Return the calibration plan of a simple analyzer plan; None for flasks, or where cylinders have no known life.

    The target gas lasts by its own checks where the flow is given, else as long as a working cylinder.
    """
    if plan.kind != "analyzer":
        return None
    life = cylinder_life(plan, supply)
    if life is None:
        return None
    target = None
    if plan.target_checks_per_month > 0.0:
        target = _months_of_gas(plan, supply, plan.target_checks_per_month) or life
    lives = [life] * plan.working_cylinders + ([] if target is None else [target])
    return CalibrationPlan(plan.working_cylinders, life, target, len(lives), sum((12.0 / one for one in lives), 0.0))


def cylinder_life(plan: Plan, supply: Supply) -> float | None:
    """Return the months that a working cylinder lasts: as given, else by the gas that calibrations use, else None.

    Calibrations that the plan does not count are one a month, as in the error of a month.
    """
    if plan.cylinder_life_months is not None:
        return plan.cylinder_life_months
    return _months_of_gas(plan, supply, plan.calibrations_per_month or 1.0)


def _months_of_gas(plan: Plan, supply: Supply, runs: float) -> float | None:
    """Return the months that one cylinder lasts at so many runs a month; None where the flow is not given."""
    if plan.flow_l_per_minute is None:
        return None
    return supply.cylinder_litres / plan.flow_l_per_minute / plan.calibration_minutes / runs
