"""The vocabulary of region.toml that describes the air: tracers, targets, bands, mixing, geography, futures."""

from __future__ import annotations

from typing import Literal

from siting.region.schema.common import (
    Latitude,
    Name,
    NotNegative,
    Positive,
    Share,
    Text,
    Vocabulary,
    described,
)


class Parts(Vocabulary):
    """One number each for level, growth and season."""

    level: NotNegative | None = described(None, about="For the level.", unit="unit of the tracer", shown="4.0")
    growth: NotNegative | None = described(None, about="For the growth.", unit="unit of the tracer a year", shown="0.3")
    season: NotNegative | None = described(
        None, about="For each season coefficient.", unit="unit of the tracer", shown="2.0"
    )


class SeasonPoint(Vocabulary):
    """The season that is expected at one latitude."""

    lat: Latitude = described(about="Latitude.", unit="degrees north")
    peak_to_trough: NotNegative = described(about="Highest minus lowest month.", unit="unit of the tracer")
    month_of_maximum: float = described(
        about="Month of the highest value, 1 to 12, fractions allowed.", ge=1.0, lt=13.0
    )


class LevelPoint(Vocabulary):
    """The yearly mean that is expected at one latitude."""

    lat: Latitude = described(about="Latitude.", unit="degrees north")
    value: float = described(about="Yearly mean, against any common zero.", unit="unit of the tracer")


class Tracer(Vocabulary):
    """A trace gas: unit, scale, and what is expected of its variability."""

    name: Name = described(about="Name of the gas.", shown='"CH4"')
    unit: Literal["ppm", "ppb", "ppt"] = described(about="Unit of all its mole fractions (dry air).", shown='"ppb"')
    scale: Text = described(about="Calibration scale of its mole fractions.", shown='"our own scale"')
    storage_days: Positive | None = described(
        None, about="Days that a sample keeps in a flask.", unit="days", shown="300.0"
    )
    growth: float | None = described(None, about="Expected growth.", unit="unit a year", shown="8.0")
    season: tuple[SeasonPoint, ...] = described(
        (),
        about="Expected season by latitude.",
        shown="[{ lat = -45.0, peak_to_trough = 25.0, month_of_maximum = 9.2 }, "
        "{ lat = 45.0, peak_to_trough = 40.0, month_of_maximum = 2.3 }]",
    )
    gradient: tuple[LevelPoint, ...] = described(
        (),
        about="Expected yearly mean by latitude.",
        shown="[{ lat = -45.0, value = 0.0 }, { lat = 0.0, value = 30.0 }, { lat = 45.0, value = 110.0 }]",
    )
    synoptic_sd: NotNegative | None = described(
        None,
        about="Variability from day to day of background air.",
        unit="unit of the tracer",
        shown="9.0",
    )
    memory_days: Positive | None = described(
        None, about="Memory (e-folding time) of that variability.", unit="days", shown="3.0"
    )
    slow_sd: NotNegative | None = described(
        None, about="Variability from month to month.", unit="unit of the tracer", shown="4.0"
    )
    slow_phi: float | None = described(
        None, about="Autocorrelation of it from one month to the next.", ge=0.0, lt=1.0, shown="0.5"
    )
    spell_days: Positive = described(4.0, about="Length of a spell of clean air.", unit="days", why="assumed", le=31.0)
    episode_days: Positive | None = described(
        None, about="Length of an episode of contamination.", unit="days", shown="1.5"
    )
    growth_anomaly_sd: NotNegative | None = described(
        None, about="Change of the global growth from year to year.", unit="unit a year", shown="4.0"
    )
    scale_drift_sd: NotNegative | None = described(
        None, about="Drift of the scale common to all methods.", unit="unit a year", shown="0.1"
    )
    monthly_anomaly_sd: NotNegative | None = described(
        None, about="Anomaly of one month in a band.", unit="unit of the tracer", shown="4.0"
    )
    method_offset_sd: NotNegative | None = described(
        None,
        about="Persistent offset between methods that say nothing themselves.",
        unit="unit of the tracer",
        shown="2.0",
    )
    method_drift_sd: NotNegative | None = described(
        None,
        about="Drift of the offset of methods that say nothing themselves.",
        unit="unit a year",
        shown="0.02",
    )
    repeatability_analyzer: NotNegative | None = described(
        None,
        about="Repeatability of one analyzer hour, where the plan does not say or measures this gas second.",
        unit="unit of the tracer",
        shown="0.03",
    )
    repeatability_flask: NotNegative | None = described(
        None,
        about="Repeatability of one flask sample, where the plan does not say or measures this gas second.",
        unit="unit of the tracer",
        shown="0.07",
    )
    calibration_error: NotNegative | None = described(
        None,
        about="Standard error of one calibration, where the plan does not say or measures this gas second.",
        unit="unit of the tracer",
        shown="0.03",
    )
    local_growth: float = described(
        0.02,
        about="Growth of local emissions, as a share a year.",
        why="assumed",
        ge=-0.5,
        le=0.5,
    )
    altitude_damping: NotNegative = described(
        0.07, about="Loss of seasonal amplitude per km of height, as a share.", why="assumed"
    )
    altitude_level_sd: NotNegative | None = described(
        None, about="Offset of the level per km of height.", unit="unit a km", shown="3.0"
    )
    intake_level_sd: NotNegative | None = described(
        None,
        about="Offset of the level for an intake near the ground.",
        unit="unit of the tracer",
        shown="1.5",
    )
    representation_sd: Parts = described(
        Parts(),
        about="What a site does not share with the background around it.",
        shown="{ level = 4.0, growth = 0.3, season = 2.0 }",
    )
    cell_sd: Parts = described(
        Parts(),
        about="What a cell of 800 km does not share with the field.",
        shown="{ level = 3.0, growth = 0.2, season = 1.5 }",
    )
    beyond_degree_sd: Parts = described(
        Parts(),
        about="Variance of the field beyond the modes.",
        shown="{ level = 4.0, growth = 0.3, season = 2.0 }",
    )
    source_sd: Parts = described(
        Parts(),
        about="Strength of the sources behind the field.",
        shown="{ level = 60.0, growth = 1.5, season = 40.0 }",
    )


class Band(Vocabulary):
    """A band of latitude, from `south` to `north`."""

    id: Name = described(about="Short name of the band.", shown='"north"')
    south: Latitude = described(about="Southern edge.", unit="degrees north")
    north: Latitude = described(about="Northern edge.", unit="degrees north")
    coverage: bool = described(
        True, about="Counts for coverage; false: only a name for rules and targets, and may overlap others."
    )


class Target(Vocabulary):
    """A quantity that the network must show, with the standard error that is wanted."""

    id: Name = described(about="Short name of the target.")
    kind: Literal[
        "realised_growth",
        "year_growth",
        "underlying_growth",
        "level_difference",
        "season",
        "season_timing",
        "monthly_anomaly",
    ] = described(about="What is to be shown.")
    tracer: Name | None = described(None, about="Tracer; empty: the first.", shown='"CH4"')
    band: Name | None = described(None, about="Band, for season and anomaly.", shown='"mid north"')
    minus: Name | None = described(None, about="Second band, for a difference.", shown='"mid south"')
    year: int | None = described(None, about="Year, for the growth of a single year.", shown="2028")
    goal: Positive = described(about="Wanted standard error.")
    weight: Positive = described(1.0, about="Weight in the shortfall.")
    expected: float | None = described(None, about="Expected size of the signal.", shown="8.0")


class Mixing(Vocabulary):
    """How the atmosphere mixes, from which the prior of the field follows."""

    tau_exchange: Positive = described(
        1.0,
        about="Exchange time between the hemispheres.",
        unit="years",
        why="about 1 year (Jacob 1999, ch. 4; value from memory)",
    )
    tau_zonal: Positive = described(
        0.04,
        about="Mixing time along a circle of latitude.",
        unit="years",
        why="about 2 weeks (Jacob 1999, ch. 4; value from memory)",
    )
    degree: int = described(6, about="Greatest degree of the field's modes.", ge=1, le=12, why="about 3,000 km")
    envelope: tuple[LevelPoint, ...] = described(
        (),
        about="Strength of sources by latitude, symmetric; empty: the built-in one.",
        shown="[{ lat = 0.0, value = 1.0 }, { lat = 60.0, value = 0.6 }, { lat = 90.0, value = 0.1 }]",
    )
    spectrum: NotNegative = described(
        1.0, about="Fall of the sources' strength with the degree, as a power.", why="assumed"
    )


class Geography(Vocabulary):
    """Thresholds by which attributes are derived from the geography of a place."""

    fetch_km: Positive = described(300.0, about="Least way over water of a clean sector.", unit="km", why="assumed")
    least_wind: NotNegative = described(2.0, about="Least wind of a clean hour.", unit="m/s", why="assumed")
    source_reach_km: Positive = described(50.0, about="Reach of a listed source.", unit="km", why="assumed")
    mixing_height_m: Positive = described(800.0, about="Mixing height.", unit="m", why="assumed")
    land_steadiness: Share = described(0.5, about="Steadiness of the wind over land.", why="assumed")
    sectors: int = described(16, about="Wind sectors.", ge=4, le=72)
    islet_km2: NotNegative = described(
        200.0, about="An own island smaller than this does not end the fetch.", unit="km2", why="assumed"
    )
    town_reach_km: Positive = described(50.0, about="Reach of a town.", unit="km", why="assumed")
    mountain_above_m: Positive = described(
        500.0,
        about="Height above the surrounding grid from which a place counts as a mountain.",
        unit="m",
        why="assumed",
    )
    mountain_hours: Share = described(0.45, about="Share of hours kept on a mountain.", why="assumed")
    bare_setup_cost: NotNegative = described(
        20000.0, about="Cost of opening a place that has no price.", unit="currency", why="assumed"
    )
    bare_annual_cost: NotNegative = described(
        8000.0, about="Yearly cost of a place that has no price.", unit="currency a year", why="assumed"
    )
    bare_cost_per_km: NotNegative = described(
        10.0,
        about="Yearly cost added per km to the nearest supply port or airport, at a place that has no price.",
        unit="currency a year",
        why="assumed",
    )


class Stress(Vocabulary):
    """What many futures are drawn from."""

    futures: int = described(200, about="Number of futures.", ge=1, le=100_000)
    spread: Literal["triangular", "uniform", "ends"] = described(
        "triangular",
        about="Distribution of a column between its `_low` and `_high` ends: `triangular` with its peak at the own "
        "number of the column, `uniform`, or `ends` (one of the two, each with chance one half).",
    )
    yearly_failure: Share = described(
        0.1, about="Chance that an instrument at a station fails within a year; failures come at random.", why="assumed"
    )
    repair_months: Positive = described(
        4.0,
        about="Mean time to repair it; where a spare analyzer is at home it is sent at once, if that is sooner.",
        unit="months",
        why="assumed",
        le=600.0,
    )
    lost_shipments: Share = described(
        0.02, about="Share of calls at which the flasks that go home are lost.", why="assumed"
    )
    late_start_months: NotNegative = described(
        3.0,
        about="Delay of a start, one standard deviation; no start is early.",
        unit="months",
        why="assumed",
        le=600.0,
    )
    price_sd: NotNegative = described(0.1, about="Spread of all prices together, as a share.", why="assumed", le=10.0)
    noise_factor: Positive = described(
        1.5,
        about="By how much the air may be noisier, day by day and month by month: a factor evenly between 1 and this.",
        why="assumed",
        le=100.0,
    )
