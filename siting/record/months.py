"""The error of one monthly mean: parts that fall with the number of samples and parts that do not."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Floats, Ints
from siting.record.air import Air, ErrorlessPlanError
from siting.record.own import SiteAir
from siting.record.statistics import contamination_variance, inverse_count, mean_variance
from siting.region.model import Region
from siting.region.schema.network import Plan
from siting.sampling import DAYS_PER_MONTH, analyzer_hours, clean_spells, flask_chance, flask_visits


@dataclass(frozen=True, eq=False)
class Months:
    """Monthly errors of one instrument at n sites, calendar months in columns (n, 12).

    Where months differ from year to year (`worked_months`) the columns are single months (n, m), from January on.
    `own` is the variance that belongs to this instrument alone (repeatability, calibration,
    contamination), `spread` the part V(n, tau) of the synoptic variance that its samples leave, `empty`
    the chance of a month without a sample, `bias` the one-signed mean contamination in the tracer's
    unit, `count` the mean number of accepted samples.
    """

    own: Floats
    spread: Floats
    empty: Floats
    bias: Floats
    count: Floats

    def at(self, sites: Ints) -> Months:
        """Return the rows of some sites."""
        return replace(self, **{name: getattr(self, name)[sites] for name in _NUMBERS})

    def span(self, months: slice) -> Months:
        """Return some of the columns."""
        return replace(self, **{name: getattr(self, name)[:, months] for name in _NUMBERS})


_NUMBERS = ("own", "spread", "empty", "bias", "count")


@dataclass(frozen=True, eq=False)
class _There:
    """What months of one instrument depend on: numbers of the air (k, m), of the place (k,), and the share worked."""

    exposure: Floats
    risk: Floats
    size: Floats
    duty_cycle: Floats
    data_return: Floats
    memory_days: Floats
    share: Floats | float = 1.0


def leads(region: Region, plan: Plan, tracer: str) -> bool:
    """Say whether a tracer is the one that a plan's own numbers are for: the first gas that it measures."""
    return (plan.gases[0] if plan.gases else region.tracers[0]) == tracer


def instrument_months(region: Region, plan: Plan, tracer: int, air: Air, here: SiteAir) -> Months:
    """Return the monthly errors of a simple plan (analyzer or flask) at every candidate of the region.

    Fixed flasks are binomial (visits, exposure x return); on condition they are filled in clean spells
    only, so exposure limits the visits instead. No more samples of air are independent in a month than
    there are clean spells, and their memory is that of the air at each site (`here`). Screening drops the
    share of contaminated samples that it finds.

    A plan's own repeatability and calibration error, and the drift of its cylinders, are in the unit of the
    first gas that it measures and hold for that gas only. For every further gas of a plan the tracer's
    repeatability and calibration error hold (region.toml, else the defaults of the gas), whatever the plan
    says, and no drift of cylinders is counted.

    Raises `ErrorlessPlanError` where repeatability, calibration error and contamination are all 0.
    """
    c = region.candidates
    there = _There(
        region.exposure, region.risk[tracer], region.size[tracer], c.duty_cycle, c.data_return, here.memory_days
    )
    return _errors(plan, air, leads(region, plan, air.name), there)


def worked_months(
    region: Region, plan: Plan, tracer: int, air: Air, here: SiteAir, every: Months, share: Floats
) -> Months:
    """Return the errors of single months (n, m) of which only a `share` (n, m) from 0 to 1 is worked.

    `every` (n, 12) are the errors of the same plan where all works; months run from January. A month that is not
    worked at all is empty for certain. An analyzer that works for a share of a month has that share of its
    hours and of the month's clean spells, as on a platform with a smaller duty cycle. Lost flasks are
    scattered over the month: that share of the visits is left, as with a smaller cadence.
    """
    years = share.shape[1] // 12
    out = {name: np.tile(getattr(every, name), years) for name in _NUMBERS}
    none = share == 0.0
    out["empty"][none], out["count"][none] = 1.0, 0.0
    site, month = np.nonzero((share > 0.0) & (share < 1.0))
    if site.size:
        c, calendar = region.candidates, month % 12
        there = _There(
            exposure=region.exposure[site, calendar][:, None],
            risk=region.risk[tracer][site, calendar][:, None],
            size=region.size[tracer][site, calendar][:, None],
            duty_cycle=c.duty_cycle[site],
            data_return=c.data_return[site],
            memory_days=here.memory_days[site],
            share=share[site, month][:, None],
        )
        found = _errors(plan, air, leads(region, plan, air.name), there)
        for name in _NUMBERS:
            out[name][site, month] = getattr(found, name)[:, 0]
    return Months(**out)


def _errors(plan: Plan, air: Air, first: bool, there: _There) -> Months:
    """Return the errors of months (k, m); `first` says whether the plan's own numbers are for this tracer."""
    exposure, risk, size, share = there.exposure, there.risk, there.size, there.share
    passing = plan.pass_chance if plan.pass_chance is not None else 1.0 - plan.screening_share
    kept = 1.0 - risk * (1.0 - passing)
    spells = clean_spells(exposure, air.spell_days) * there.duty_cycle[:, None]
    if plan.kind == "analyzer":
        count = analyzer_hours(exposure, there.duty_cycle, there.data_return) * kept * share
        spells = spells * share
        inverse = 1.0 / np.maximum(count, 1.0)
        empty = np.where(count > 0.0, 0.0, 1.0)
        repeatability = plan.repeatability if first and plan.repeatability is not None else air.repeatability_analyzer
    else:
        visits = flask_visits(plan, exposure, there.duty_cycle, air.spell_days) * share
        chance = flask_chance(plan, exposure, there.data_return) * kept
        inverse, empty = inverse_count(visits, chance)
        count = visits * chance
        repeatability = plan.repeatability if first and plan.repeatability is not None else air.repeatability_flask
    samples = np.maximum(1.0, 1.0 / inverse)
    calibration = plan.calibration_error if first and plan.calibration_error is not None else air.calibration_error
    calibrations = 1.0 if plan.calibrations_per_month is None else plan.calibrations_per_month
    carried = np.clip(risk * passing / np.where(kept > 0.0, kept, 1.0), 0.0, 1.0)
    contamination = contamination_variance(carried, size, mean_variance(samples, air.episode_days, DAYS_PER_MONTH))
    spread = mean_variance(np.maximum(1.0, np.minimum(samples, spells)), there.memory_days[:, None], DAYS_PER_MONTH)
    own = repeatability**2 * inverse + calibration**2 / calibrations + contamination
    # Two months without any error, or two instruments that agree exactly, could not be weighed.
    if np.any((own <= 0.0) & (empty < 1.0)):
        raise ErrorlessPlanError(
            f"plan '{plan.id}' measures {air.name} without any error: repeatability and calibration_error are 0; give "
            f"one of them above 0 (for the first gas of a plan under [[plans]], else under [[tracers]])"
        )
    return Months(
        own=own,
        spread=spread,
        empty=empty,
        bias=carried * size,
        count=count,
    )
