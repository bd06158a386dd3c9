"""What is known beforehand of the usual gases, for settings that region.toml leaves empty.

Every number carries where it comes from. "common practice" marks a fact of the trade without a single
source; such numbers are starting points for a plan, to be replaced by one's own (`siting noise`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

PRACTICE = "common practice, no single source"
OPEN_RECORD = "computed from the open weekly CO2 record that ships with statsmodels"
OPEN_CO2 = "computed from public CO2 records, 2010-19"
GOALS = "network compatibility goals, WMO GAW reports 255 (2019) and 292 (2022); value from memory"
READ = "read in published method descriptions"


@dataclass(frozen=True)
class Known:
    """A number and where it comes from."""

    value: float
    source: str = PRACTICE


@dataclass(frozen=True)
class Triple:
    """Numbers for level, growth and season, and where they come from."""

    level: float
    growth: float
    season: float
    source: str = PRACTICE


@dataclass(frozen=True)
class Gas:
    """Defaults of one gas in its `unit`; see the fields of the same names under [[tracers]] and [[plans]].

    `season` holds (latitude, peak to trough, month of maximum) and `gradient` (latitude, yearly mean).
    `source_sd` is the strength of the sources behind the field: level in unit a year, growth in unit a
    year squared, season in unit a year.
    """

    unit: str
    synoptic_sd: Known
    memory_days: Known
    slow_sd: Known
    slow_phi: Known
    episode_days: Known
    growth: Known
    growth_anomaly_sd: Known
    scale_drift_sd: Known
    monthly_anomaly_sd: Known
    method_offset_sd: Known
    method_drift_sd: Known
    altitude_level_sd: Known
    intake_level_sd: Known
    storage_days: Known
    representation_sd: Triple
    cell_sd: Triple
    beyond_degree_sd: Triple
    source_sd: Triple
    season: tuple[tuple[float, float, float], ...]
    season_source: str
    gradient: tuple[tuple[float, float], ...]
    gradient_source: str
    repeatability_analyzer: Known
    repeatability_flask: Known
    calibration_error: Known


GASES: Mapping[str, Gas] = MappingProxyType({
    "CO2": Gas(
        unit="ppm",
        synoptic_sd=Known(0.40, OPEN_RECORD),
        memory_days=Known(3.0),
        slow_sd=Known(0.33, OPEN_RECORD),
        slow_phi=Known(0.54, OPEN_RECORD),
        episode_days=Known(1.5),
        growth=Known(2.4, OPEN_CO2),
        growth_anomaly_sd=Known(0.5, OPEN_RECORD),
        scale_drift_sd=Known(0.01),
        monthly_anomaly_sd=Known(0.4),
        method_offset_sd=Known(0.1, GOALS),
        method_drift_sd=Known(0.02),
        altitude_level_sd=Known(0.2),
        intake_level_sd=Known(0.2),
        storage_days=Known(365.0),
        representation_sd=Triple(0.3, 0.02, 0.2),
        cell_sd=Triple(0.3, 0.02, 0.2),
        beyond_degree_sd=Triple(0.3, 0.02, 0.3),
        source_sd=Triple(12.0, 0.25, 90.0),
        season=(
            (-90.0, 1.2, 10.0), (-41.0, 1.5, 9.5), (-29.0, 1.2, 9.5), (-14.0, 1.4, 6.0), (2.0, 2.6, 4.5),
            (19.5, 8.8, 5.2), (33.0, 11.6, 4.9), (71.0, 18.9, 4.6), (82.0, 16.9, 4.6), (90.0, 16.9, 4.6),
        ),
        season_source=f"sizes {OPEN_CO2}; months {PRACTICE}",
        gradient=((-90.0, 0.0), (-45.0, 0.2), (-20.0, 0.7), (0.0, 2.0), (20.0, 3.6), (45.0, 5.0), (90.0, 4.8)),
        gradient_source=f"far north minus far south 4.84 ppm in 2010, {OPEN_CO2}; shape {PRACTICE}",
        repeatability_analyzer=Known(0.03, READ),
        repeatability_flask=Known(0.07, READ),
        calibration_error=Known(0.03),
    ),
    "CH4": Gas(
        unit="ppb",
        synoptic_sd=Known(9.0), memory_days=Known(3.0), slow_sd=Known(4.0), slow_phi=Known(0.55),
        episode_days=Known(1.5), growth=Known(8.0), growth_anomaly_sd=Known(4.0), scale_drift_sd=Known(0.1),
        monthly_anomaly_sd=Known(4.0), method_offset_sd=Known(2.0, GOALS), method_drift_sd=Known(0.2),
        altitude_level_sd=Known(3.0), intake_level_sd=Known(2.0), storage_days=Known(365.0),
        representation_sd=Triple(4.0, 0.3, 2.0), cell_sd=Triple(3.0, 0.2, 1.5),
        beyond_degree_sd=Triple(4.0, 0.3, 2.0), source_sd=Triple(260.0, 3.0, 250.0),
        season=(
            (-90.0, 28.0, 9.2), (-40.0, 27.0, 9.2), (-14.0, 22.0, 9.0), (0.0, 22.0, 1.5), (20.0, 32.0, 1.5),
            (45.0, 40.0, 2.0), (75.0, 50.0, 1.8), (90.0, 48.0, 1.8),
        ),
        season_source=PRACTICE,
        gradient=((-90.0, 0.0), (-50.0, 1.0), (-25.0, 5.0), (0.0, 35.0), (20.0, 80.0), (45.0, 115.0), (90.0, 135.0)),
        gradient_source=PRACTICE,
        repeatability_analyzer=Known(0.5), repeatability_flask=Known(1.2), calibration_error=Known(0.4),
    ),
    "N2O": Gas(
        unit="ppb",
        synoptic_sd=Known(0.15), memory_days=Known(3.0), slow_sd=Known(0.10), slow_phi=Known(0.55),
        episode_days=Known(1.5), growth=Known(0.95), growth_anomaly_sd=Known(0.15), scale_drift_sd=Known(0.01),
        monthly_anomaly_sd=Known(0.1), method_offset_sd=Known(0.1, GOALS), method_drift_sd=Known(0.02),
        altitude_level_sd=Known(0.1), intake_level_sd=Known(0.05), storage_days=Known(365.0),
        representation_sd=Triple(0.10, 0.01, 0.06), cell_sd=Triple(0.08, 0.008, 0.05),
        beyond_degree_sd=Triple(0.10, 0.01, 0.06), source_sd=Triple(3.0, 0.06, 6.5),
        season=((-90.0, 0.5, 11.0), (-40.0, 0.5, 11.5), (0.0, 0.3, 2.0), (45.0, 0.9, 3.0), (90.0, 1.1, 3.0)),
        season_source=PRACTICE,
        gradient=((-90.0, 0.0), (-40.0, 0.0), (0.0, 0.6), (30.0, 1.2), (90.0, 1.3)),
        gradient_source=PRACTICE,
        repeatability_analyzer=Known(0.10), repeatability_flask=Known(0.20), calibration_error=Known(0.08),
    ),
    "SF6": Gas(
        unit="ppt",
        synoptic_sd=Known(0.04), memory_days=Known(3.0), slow_sd=Known(0.02), slow_phi=Known(0.55),
        episode_days=Known(1.5), growth=Known(0.33), growth_anomaly_sd=Known(0.02), scale_drift_sd=Known(0.002),
        monthly_anomaly_sd=Known(0.02), method_offset_sd=Known(0.02, GOALS), method_drift_sd=Known(0.004),
        altitude_level_sd=Known(0.02), intake_level_sd=Known(0.01), storage_days=Known(365.0),
        representation_sd=Triple(0.02, 0.002, 0.01), cell_sd=Triple(0.02, 0.002, 0.01),
        beyond_degree_sd=Triple(0.02, 0.002, 0.01), source_sd=Triple(1.0, 0.02, 0.6),
        season=((-90.0, 0.03, 6.0), (0.0, 0.10, 2.0), (90.0, 0.05, 1.0)),
        season_source=PRACTICE,
        gradient=((-90.0, 0.0), (-30.0, 0.02), (0.0, 0.17), (30.0, 0.36), (90.0, 0.40)),
        gradient_source=PRACTICE,
        repeatability_analyzer=Known(0.03), repeatability_flask=Known(0.04), calibration_error=Known(0.02),
    ),
    "CO": Gas(
        unit="ppb",
        synoptic_sd=Known(7.0), memory_days=Known(3.0), slow_sd=Known(5.0), slow_phi=Known(0.5),
        episode_days=Known(1.5), growth=Known(-0.5), growth_anomaly_sd=Known(2.5), scale_drift_sd=Known(0.2),
        monthly_anomaly_sd=Known(5.0), method_offset_sd=Known(2.0, GOALS), method_drift_sd=Known(0.3),
        altitude_level_sd=Known(4.0), intake_level_sd=Known(2.0), storage_days=Known(180.0),
        representation_sd=Triple(4.0, 0.3, 3.0), cell_sd=Triple(4.0, 0.3, 3.0),
        beyond_degree_sd=Triple(5.0, 0.4, 4.0), source_sd=Triple(200.0, 3.0, 400.0),
        season=((-90.0, 22.0, 9.5), (-40.0, 24.0, 9.8), (0.0, 20.0, 2.5), (30.0, 60.0, 3.2), (90.0, 80.0, 2.8)),
        season_source=PRACTICE,
        gradient=((-90.0, 0.0), (-40.0, 3.0), (0.0, 25.0), (30.0, 70.0), (60.0, 85.0), (90.0, 80.0)),
        gradient_source=PRACTICE,
        repeatability_analyzer=Known(0.5), repeatability_flask=Known(1.0), calibration_error=Known(0.6),
    ),
})  # fmt: skip
