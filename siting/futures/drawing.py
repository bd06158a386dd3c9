"""Futures: what a region may turn out to be, drawn from stated spreads with fixed seeds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from siting.arrays import Floats, Ints, read_only
from siting.futures.outages import shipments_home, spare_chance, spells, up_share
from siting.record.air import UnknownGasError, air_of
from siting.region.model import Region, open_mean
from siting.region.schema.air import Stress, Tracer

# Aspects of a future; each draws from a stream of its own, so that one that is switched off moves no other.
ASPECTS = ("candidates", "prices", "air", "starts", "failures", "shipments")
# Columns of candidates that hold months.
_MONTHS = ("lead_months", "permit_months")


@dataclass(frozen=True, eq=False)
class Future:
    """One future, by candidates (n,) in the order of ids.

    `columns` holds the drawn numbers of the columns that have a spread, `price` and `noise` multiply all prices and
    the noise of the air, `delay` (n,) are months by which a start comes later, `working` (2, n, months) is the share
    of each month of the window in which the analyzer (row 0) and the flasks (row 1) work.
    """

    number: int
    columns: dict[str, Floats]
    price: float
    noise: float
    delay: Ints
    working: Floats


def draw(region: Region, number: int, seed: int) -> Future:
    """Return the future of a number (from 0) of a region; the same number and seed always give the same.

    Spreads are those of `[stress]`: a column between its low and high end by the stated distribution; prices
    lognormal with median 1 and `price_sd`; noise of the air evenly between 1 and `noise_factor`; delays the
    absolute value of a normal number with `late_start_months`, in whole months; failures and repairs as
    `outages.spells`, shipments as `outages.shipments_home`.
    """
    stress, c = region.settings.stress, region.candidates
    n, months = len(c), 12 * region.settings.years
    streams = {name: np.random.default_rng([seed, number, position]) for position, name in enumerate(ASPECTS)}
    failing = streams["failures"]
    chance = spare_chance(region)
    up = [
        up_share(spells(failing, n, months, stress.yearly_failure, stress.repair_months, with_spare, shipping), months)
        for with_spare, shipping in ((chance, max(0.5, region.settings.laboratory.way_days / 30.4375)), (0.0, 0.0))
    ]
    home = shipments_home(streams["shipments"], c.visits_per_year, months, stress.lost_shipments)
    delay = np.rint(np.abs(streams["starts"].normal(0.0, 1.0, n)) * stress.late_start_months).astype(np.int64)
    return Future(
        number,
        _columns(region, stress, streams["candidates"]),
        float(np.exp(streams["prices"].normal() * np.log1p(stress.price_sd))),
        float(1.0 + streams["air"].uniform() * (stress.noise_factor - 1.0)),
        delay,
        read_only(np.stack([up[0], up[1] * home])),
    )


def nominal(region: Region) -> dict[str, Floats]:
    """Return by column with a spread the number (n,) that the region goes by; monthly numbers by their mean."""
    c = region.candidates
    accepted = np.where(region.accepted_hours > 0.0, region.accepted_hours, 1.0)
    found = {
        "baseline_exposure": open_mean(region.exposure, region.open_months) / accepted,
        "contamination_risk": open_mean(region.risk[0], region.open_months),
        "contamination_size": open_mean(region.size[0], region.open_months),
        "accepted_hours": region.accepted_hours,
    }
    for column in c.low:
        if column not in found:
            found[column] = np.asarray(getattr(c, column), dtype=float)
    return found


def applied(region: Region, future: Future) -> Region:
    """Return the region as it is in a future; `what_ifs` stay those of the region."""
    c, columns, usual = region.candidates, future.columns, nominal(region)

    def scaled(values: Floats, column: str, most: Floats | float) -> Floats:
        """Move monthly numbers (..., n, 12) as their mean is moved, in proportion where that is above 0."""
        if column not in columns:
            return values
        old, new = usual[column][:, None], columns[column][:, None]
        moved = np.where(old > 0.0, values * (new / np.where(old > 0.0, old, 1.0)), new + 0.0 * values)
        return np.asarray(np.where(new == old, values, np.clip(moved, 0.0, most)), dtype=float)

    accepted = columns.get("accepted_hours", region.accepted_hours)
    kept = np.where(region.accepted_hours > 0.0, region.accepted_hours, 1.0)
    # Exposure holds the accepted hours already; both may move.
    exposure = scaled(region.exposure, "baseline_exposure", kept[:, None])
    other = exposure / kept[:, None] * accepted[:, None]
    as_before = (accepted == region.accepted_hours) & (accepted > 0.0)
    exposure = np.where(as_before[:, None], exposure, other)
    changes: dict[str, Any] = {
        column: read_only(
            np.rint(columns[column]).astype(np.int64) if column in _MONTHS else np.asarray(columns[column], dtype=float)
        )
        for column in columns
        if hasattr(c, column)
    }
    size = scaled(region.size, "contamination_size", np.inf)
    # A size of 0 that grows is told in the unit of the first tracer; of the others it says nothing.
    size = np.concatenate([size[:1], np.where(usual["contamination_size"][:, None] > 0.0, size[1:], region.size[1:])])
    lead = np.asarray(changes.get("lead_months", c.lead_months), dtype=np.int64)
    changes["lead_months"] = read_only(lead + np.where(c.running(), 0, future.delay))
    settings = region.settings
    budget = settings.budget
    # Contingency is what every price is multiplied by, whatever it is for.
    contingency = (1.0 + budget.contingency) * future.price - 1.0
    settings = settings.model_copy(
        update={
            "budget": budget.model_copy(update={"contingency": contingency}) if future.price != 1.0 else budget,
            "tracers": tuple(_noisier(tracer, future.noise) for tracer in settings.tracers),
        }
    )
    return replace(
        region,
        settings=settings,
        candidates=replace(c, **changes),
        exposure=read_only(exposure),
        accepted_hours=read_only(np.asarray(accepted, dtype=float)),
        risk=read_only(scaled(region.risk, "contamination_risk", 1.0)),
        size=read_only(size),
        working=future.working if np.any(future.working < 1.0) else region.working,
    )


def _columns(region: Region, stress: Stress, stream: np.random.Generator) -> dict[str, Floats]:
    """Return the drawn numbers of every column in which some candidate has a spread."""
    found: dict[str, Floats] = {}
    usual = nominal(region)
    for column in sorted(region.candidates.low):
        low, high = region.candidates.low[column], region.candidates.high[column]
        u = stream.uniform(size=low.size)
        if not np.any(high > low):
            continue
        middle = np.clip(usual[column], low, high)
        drawn = between(low, middle, high, u, stress.spread)
        found[column] = np.where(high > low, drawn, usual[column])
    return found


def between(low: Floats, middle: Floats, high: Floats, u: Floats, spread: str) -> Floats:
    """Return numbers (n,) between low and high for shares u (n,) of probability.

    "triangular" has its mode at `middle` (inverse of its distribution function), "uniform" is even, "ends" takes the
    low or the high end, each with chance one half. Raises ValueError for another name.
    """
    width = high - low
    if spread == "uniform":
        return np.asarray(low + u * width)
    if spread == "ends":
        return np.where(u < 0.5, low, high)
    if spread != "triangular":
        raise ValueError(f"spread is {spread!r}; it must be triangular, uniform or ends")
    left = middle - low
    share = np.where(width > 0.0, left / np.where(width > 0.0, width, 1.0), 0.0)
    return np.where(
        u < share, low + np.sqrt(u * width * left), high - np.sqrt(np.maximum(0.0, (1.0 - u) * width * (high - middle)))
    )


def _noisier(tracer: Tracer, factor: float) -> Tracer:
    """Return a tracer whose air is so much noisier day by day and month by month; unknown gases stay as they are."""
    if factor == 1.0:
        return tracer
    try:
        air = air_of(tracer)
    except UnknownGasError:
        return tracer
    return tracer.model_copy(update={"synoptic_sd": air.synoptic_sd * factor, "slow_sd": air.slow_sd * factor})
