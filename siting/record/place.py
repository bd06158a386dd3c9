"""What a site as a place does not share with the background: the matrix D of its record."""

from __future__ import annotations

import numpy as np

from siting.arrays import Floats
from siting.record.air import FUNCTIONS, Air
from siting.region.model import Region

# Below about this height an intake sees the ground's own exchange (common practice, no single source).
INTAKE_SCALE_M = 30.0
# The second harmonic of a local season is taken as half of the first one (assumed).
SECOND_HARMONIC = 0.5


def place_variance(region: Region, air: Air) -> Floats:
    """Return D without contamination (n, 6) as variances of the coefficients of F.

    Representation, height (level per km; a share of the expected amplitude of the season per km, since
    the season is damped with height by an amount that is not known well) and intake near the ground.
    """
    c = region.candidates
    km = np.maximum(0.0, c.elevation_m) / 1000.0
    level, growth, season = air.representation
    out = np.zeros((len(c), FUNCTIONS))
    out[:, 0] = level**2 + (air.altitude_level_sd * km) ** 2
    out[:, 0] += (air.intake_level_sd * np.exp(-c.intake_m / INTAKE_SCALE_M)) ** 2
    out[:, 1] = growth**2
    amplitude = np.hypot(*air.expected_season(c.lat)[:, :2].T)
    damping = (air.altitude_damping * km * amplitude) ** 2
    out[:, 2] = out[:, 3] = season**2 + damping / 2.0
    out[:, 4] = out[:, 5] = (SECOND_HARMONIC * season) ** 2
    return out


def contamination_columns(bias: Floats, growth_of_emissions: float) -> Floats:
    """Return E (n, 6, 2) with E E' = gamma gamma' + (g x mean bias)^2 on growth, from monthly bias (n, 12).

    gamma are the coefficients of the bias on [1, cos, sin, cos, sin] of the calendar year; g the yearly
    growth of local emissions. The bias has one sign and is not corrected, so it counts in full.
    """
    phase = 2.0 * np.pi * (np.arange(12) + 0.5) / 12.0
    design = np.column_stack([np.ones(12), np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase)])
    gamma = np.asarray(bias @ np.linalg.pinv(design).T, dtype=float)
    out = np.zeros((bias.shape[0], FUNCTIONS, 2))
    out[:, [0, 2, 3, 4, 5], 0] = gamma
    out[:, 1, 1] = growth_of_emissions * bias.mean(axis=1)
    return out
