"""How many samples one instrument takes at a place in each calendar month, before any screening."""

from __future__ import annotations

import numpy as np

from siting.arrays import Floats
from siting.region.schema.network import Plan

HOURS_PER_MONTH = 730.5
DAYS_PER_MONTH = 30.4375


def clean_spells(exposure: Floats, spell_days: float) -> Floats:
    """Return the spells of clean air (n, 12) in a month from the share of clean hours (n, 12) and a spell's length."""
    return exposure * DAYS_PER_MONTH / spell_days


def flask_visits(plan: Plan, exposure: Floats, duty_cycle: Floats, spell_days: float) -> Floats:
    """Return the samples (n, 12) that a flask plan fills in a month in which the place is open.

    `exposure` (n, 12) is the share of clean hours, `duty_cycle` (n,) the share of time that the platform
    works. On condition a flask is filled in a clean spell only, at fixed times whatever the air.
    """
    cadence = np.full(exposure.shape, plan.samples_per_month or 0.0)
    if plan.flask_mode == "on_condition":
        cadence = np.minimum(cadence, clean_spells(exposure, spell_days))
    return np.asarray(cadence * duty_cycle[:, None], dtype=float)


def flask_chance(plan: Plan, exposure: Floats, data_return: Floats) -> Floats:
    """Return the chance (n, 12) that a filled sample is clean and comes home; `data_return` is (n,).

    On condition exposure limits how many flasks are filled, not how many are kept.
    """
    kept = np.ones(exposure.shape) if plan.flask_mode == "on_condition" else exposure
    return np.asarray(kept * data_return[:, None], dtype=float)


def analyzer_hours(exposure: Floats, duty_cycle: Floats, data_return: Floats) -> Floats:
    """Return the clean hours (n, 12) that an analyzer brings home in a month in which the place is open."""
    return np.asarray(HOURS_PER_MONTH * exposure * data_return[:, None] * duty_cycle[:, None], dtype=float)
