"""The vocabulary of region.toml that says what may be built: plans, methods, stock, laboratory, money, score."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from siting.region.schema.common import (
    MOST_ANALYZERS,
    MOST_MONEY,
    Latitude,
    Longitude,
    Money,
    Name,
    NotNegative,
    Positive,
    Share,
    Text,
    UnitPrice,
    Vocabulary,
    described,
)

Point = Annotated[tuple[float, Share], Field()]


class Plan(Vocabulary):
    """A sampling plan: one way to equip a candidate, with cadence, precision and prices.

    A plan that joins two others costs what its two parts cost, each for the months in which it works,
    and its own prices on top.
    """

    id: Name = described(about="Short name of the plan, used in layouts and tables.", shown='"weekly-flask"')
    kind: Literal["analyzer", "flask", "both", "flask_then_analyzer"] = described(
        about="What stands at the site; `both` and `flask_then_analyzer` join two other plans.",
        shown='"flask"',
    )
    gases: tuple[Name, ...] = described(
        (), about="Tracers that this plan measures; empty: all of the region.", shown='["CH4"]'
    )
    instrument: str = described("", about="Name of the instrument, for tables.", shown='"pair of glass flasks"')
    method: Name | None = described(
        None,
        about="Method (laboratory and instrument chain) that its records belong to; empty: the plan's id.",
        shown='"flask-home"',
    )
    analyzer_plan: Name | None = described(
        None,
        about="For `both` and `flask_then_analyzer`: the plan that describes the analyzer part.",
        shown='"analyzer"',
    )
    flask_plan: Name | None = described(
        None,
        about="For `both` and `flask_then_analyzer`: the plan that describes the flask part.",
        shown='"weekly-flask"',
    )
    analyzer_after_months: int | None = described(
        None, about="For `flask_then_analyzer`: months of flasks before the analyzer comes.", ge=1, le=600, shown="12"
    )
    flasks_go_on: bool = described(
        False, about="For `flask_then_analyzer`: flasks go on beside the analyzer when it has come."
    )
    flask_mode: Literal["fixed", "on_condition"] = described(
        "fixed", about="Flasks are filled at fixed times, or on condition that the air is clean."
    )
    samples_per_month: float | None = described(
        None,
        about="Flask samples (a pair counts once) a month of 30.4 days; a flask plan needs it.",
        unit="samples a month",
        gt=0.0,
        le=3000.0,
        shown="4.35",
    )
    flasks_per_sample: int = described(
        2, about="Glass flasks filled for one sample.", why="pairs are common practice", ge=1, le=20
    )
    repeatability: NotNegative | None = described(
        None,
        about="Repeatability of one sample (flask) or one hour (analyzer), for the first gas of the plan.",
        unit="unit of the tracer",
        shown="1.2",
    )
    calibration_error: NotNegative | None = described(
        None,
        about="Standard error of one calibration, for the first gas of the plan.",
        unit="unit of the tracer",
        shown="0.5",
    )
    calibrations_per_month: Positive | None = described(
        None, about="Calibrations a month that average down.", shown="4.0"
    )
    cylinder_life_months: Positive | None = described(
        None, about="Months that one working cylinder lasts.", unit="months", shown="20.0"
    )
    cylinder_drift: NotNegative | None = described(
        None,
        about="Drift of a working cylinder, one standard deviation.",
        unit="unit of the tracer a year",
        shown="0.2",
    )
    screening_share: Share = described(0.0, about="Share of contaminated samples that screening finds and drops.")
    pass_chance: Share | None = described(
        None, about="Chance that a contaminated sample passes the screening.", shown="0.3"
    )
    needs_power: bool | None = described(
        None,
        about="Needs mains, generator or solar power; not offered where `power` is none. Empty: yes with an analyzer.",
        shown="true",
    )
    needs_staff: bool = described(False, about="Needs people at the site; not offered where `staffed` is no.")
    platforms: tuple[Literal["fixed", "ship", "drifting", "moored"], ...] = described(
        (), about="Kinds of platform that can carry it; empty: all.", shown='["fixed", "ship"]'
    )
    capital_cost: Money = described(
        0.0, about="Equipment bought for the site, paid in the start year.", unit="currency"
    )
    setup_cost: Money = described(
        0.0, about="Installation, paid in the start year, beside the candidate's own.", unit="currency"
    )
    annual_cost: Money = described(0.0, about="Cost of running it, from the first month on.", unit="currency a year")
    sample_cost: UnitPrice = described(
        0.0, about="Cost of one sample: filling, shipping, analysis.", unit="currency a sample"
    )
    crew_days: NotNegative = described(0.0, about="Days of work by a crew.", unit="days a year", le=10_000.0)
    flow_l_per_minute: Positive | None = described(
        None,
        about="Flow of calibration gas, from which the life of a cylinder follows where it is not given.",
        unit="L/min",
        le=100.0,
        shown="0.3",
    )
    calibration_minutes: Positive = described(
        15.0, about="Minutes that one cylinder runs at one calibration.", unit="min", why="assumed", le=1440.0
    )
    working_cylinders: int = described(
        3, about="Working cylinders at the site, all run at each calibration.", why="assumed", ge=0, le=20
    )
    target_checks_per_month: NotNegative = described(
        0.0, about="Checks a month with the target gas, a cylinder of its own.", unit="checks a month", le=3000.0
    )
    transfer_error: NotNegative = described(
        0.0,
        about="Error with which the laboratory gives one cylinder its value, one standard deviation, for the first gas "
        "of the plan; it stays for the life of the cylinder.",
        unit="unit of the tracer",
    )

    @property
    def record_method(self) -> str:
        """Method that its records belong to."""
        return self.method or self.id

    @property
    def has_analyzer(self) -> bool:
        """Say whether an analyzer stands at the site in the end."""
        return self.kind != "flask"

    @property
    def has_flask(self) -> bool:
        """Say whether flasks are filled at the site, be it at first only."""
        return self.kind != "analyzer"

    @property
    def draws_power(self) -> bool:
        """Say whether the site must have power."""
        return self.needs_power if self.needs_power is not None else self.has_analyzer


class Method(Vocabulary):
    """A laboratory and instrument chain whose records share an offset and a drift."""

    id: Name = described(about="Name of the method, as plans and candidates use it.", shown='"flask-home"')
    offset_sd: NotNegative | None = described(
        None,
        about="Persistent offset against other methods, one standard deviation.",
        unit="unit of the tracer",
        shown="1.0",
    )
    drift_sd: NotNegative | None = described(
        None,
        about="Drift of that offset, one standard deviation.",
        unit="unit of the tracer a year",
        shown="0.1",
    )


class Budget(Vocabulary):
    """The grant and the rates that turn a price into a cost."""

    total: Positive = described(
        about="All that may be spent in the window.", unit="currency", le=MOST_MONEY, shown="1000000"
    )
    per_year: Annotated[float, Field(gt=0.0, le=MOST_MONEY)] | tuple[Money, ...] | None = described(
        None,
        about="Limit of each year: one number for all, or a list with one number a year.",
        unit="currency",
        shown="300000",
    )
    carry_over: bool = described(
        True, about="Money that a year leaves may be spent later; false: each year stands alone."
    )
    contingency: NotNegative = described(0.0, about="Reserve on every direct cost, as a share.", le=2.0)
    overhead: NotNegative = described(0.0, about="Overhead on direct cost and contingency, as a share.", le=3.0)
    price_growth: float = described(
        0.0, about="Yearly growth of prices, as a share, from the first year on.", ge=-0.5, le=1.0
    )
    crew_day_price: UnitPrice = described(0.0, about="Price of a crew day.", unit="currency a day")


class Stock(Vocabulary):
    """What is at hand before anything is bought."""

    analyzers: int = described(0, about="Continuous analyzers at hand.", ge=0, le=MOST_ANALYZERS)
    spare_analyzers: int = described(
        0, about="Analyzers that stay at home as reference and spare.", ge=0, le=MOST_ANALYZERS
    )
    buy_price: Positive | None = described(
        None,
        about="Price of one more analyzer; empty: none can be bought.",
        unit="currency",
        le=MOST_MONEY,
        shown="60000",
    )
    buy_most: int = described(3, about="Most analyzers that may be bought.", why="assumed", ge=0, le=50)
    flasks: int | None = described(
        None, about="Glass flasks at hand; empty: enough for any layout.", ge=0, le=10_000_000, shown="300"
    )


class Laboratory(Vocabulary):
    """The laboratory at home where flasks are analysed."""

    lat: Latitude | None = described(None, about="Latitude.", unit="degrees north", shown="45.0")
    lon: Longitude | None = described(None, about="Longitude.", unit="degrees east", shown="-30.0")
    samples_per_year: int | None = described(
        None, about="Samples it can analyse in a year; empty: as many as come.", ge=0, le=10_000_000, shown="900"
    )
    turnaround_days: NotNegative = described(
        30.0, about="Days from a flask's arrival to its leaving again.", unit="days", why="assumed", le=3650.0
    )
    way_days: NotNegative = described(
        30.0,
        about="Days of each way, home and out, where legs.csv does not tell.",
        unit="days",
        why="assumed",
        le=3650.0,
    )


class Weights(Vocabulary):
    """Weights of the five parts of the score; they sum to 1."""

    exposure: Share = described(0.35, about="Weight of baseline exposure.", why="assumed")
    contamination: Share = described(0.25, about="Weight of contamination risk.", why="assumed")
    clean_samples: Share = described(0.20, about="Weight of accepted samples a month.", why="assumed")
    data_return: Share = described(0.10, about="Weight of data return.", why="assumed")
    host: Share = described(0.10, about="Weight of host strength.", why="assumed")


class ValueFunctions(Vocabulary):
    """Piecewise linear value functions: pairs of (attribute, value 0-1), flat beyond their ends."""

    exposure: tuple[Point, ...] = described(
        ((0.0, 0.0), (0.7, 1.0)), about="Value of baseline exposure (0-1).", why="assumed", min_length=2
    )
    contamination: tuple[Point, ...] = described(
        ((0.0, 1.0), (0.5, 0.0)), about="Value of contamination risk (0-1).", why="assumed", min_length=2
    )
    clean_samples: tuple[Point, ...] = described(
        ((0.0, 0.0), (2.0, 0.4), (8.0, 0.6), (100.0, 0.8), (400.0, 1.0)),
        about="Value of accepted samples in an open month.",
        unit="samples a month",
        why="assumed",
        min_length=2,
    )
    data_return: tuple[Point, ...] = described(
        ((0.4, 0.0), (0.95, 1.0)), about="Value of data return (0-1).", why="assumed", min_length=2
    )
    host: tuple[Point, ...] = described(
        ((0.0, 0.0), (1.0, 1.0)), about="Value of host strength (0-1).", why="assumed", min_length=2
    )


class Score(Vocabulary):
    """The transparent score of a deployment and what it is worth to the layout."""

    weights: Weights = described(Weights(), about="Weights of the parts.")
    values: ValueFunctions = described(ValueFunctions(), about="Value functions of the parts.")
    least_exposure: Share = described(
        0.0, about="Veto: a candidate below this mean exposure is not offered.", why="no veto"
    )
    greatest_risk: Share = described(
        1.0, about="Veto: a candidate above this mean contamination risk is not offered.", why="no veto"
    )
    worth_from: float = described(
        50.0, about="Score from which a deployment is worth having at all.", why="assumed", ge=0.0, le=100.0
    )
    coverage_weight: NotNegative = described(
        100.0,
        about="Points for the first full-window site of a band that holds the whole earth; the second "
        "gives a half, the third a third.",
        why="assumed",
        le=1e6,
    )
    counts_from: Share = described(0.2, about="Mean exposure from which a site counts for coverage.", why="assumed")


class Supply(Vocabulary):
    """How flasks and cylinders travel, where legs.csv does not say otherwise."""

    visits_per_year: Positive = described(
        12.0,
        about="Calls a year at which flasks are exchanged, where the candidate does not say.",
        why="assumed",
        le=366.0,
    )
    routes: int = described(3, about="Alternative ways kept per deployment.", why="assumed", ge=1, le=20)
    sharing: bool = described(
        True, about="Fixed costs of legs and voyages are paid once by all who use them; false: by each site alone."
    )
    box_flasks: int = described(12, about="Flasks in one box.", why="assumed", ge=1, le=1000)
    breakage: Share = described(0.01, about="Share of flasks broken on one round.", why="assumed")
    flask_price: UnitPrice = described(0.0, about="Price of a flask that replaces a broken one.", unit="currency")
    cylinder_boxes: Positive = described(1.0, about="Boxes that one cylinder takes.", why="assumed", le=1000.0)
    cylinder_cost: UnitPrice = described(
        0.0,
        about="Price of one filling, with the calibration before it leaves and when it is back; on top of the "
        "`annual_cost` of the plan, which should then hold no cylinders.",
        unit="currency",
    )
    cylinder_litres: Positive = described(
        4000.0,
        about="Gas that one cylinder gives before it must go back, at the pressure of the air.",
        unit="L",
        why="assumed: some 30 L from 150 bar down to 20 bar",
        le=100_000.0,
    )
    comparison_flasks_per_year: int = described(
        0,
        about="Flasks a year exchanged between each analyzer site and the laboratory, to compare the methods.",
        ge=0,
        le=10_000,
    )
    estimate: bool = described(
        True,
        about="Where legs.csv does not lead and `siting derive` has run: estimate ways and freight from the distance.",
    )
    estimate_box: UnitPrice = described(
        40.0, about="Estimate: price of a box, one way, whatever the distance.", unit="currency", why="assumed"
    )
    estimate_box_per_1000_km: UnitPrice = described(
        15.0,
        about="Estimate: price of a box for each 1,000 km to the laboratory.",
        unit="currency",
        why="assumed",
    )
    estimate_box_per_local_km: UnitPrice = described(
        0.5,
        about="Estimate: price of a box for each km to the nearest airport or supply port.",
        unit="currency",
        why="assumed",
    )
    estimate_air_days: NotNegative = described(
        10.0, about="Estimate: days of one way by air.", unit="days", why="assumed", le=400.0
    )
    estimate_ship_days: NotNegative = described(
        45.0, about="Estimate: days of one way by ship.", unit="days", why="assumed", le=400.0
    )
    estimate_air_within_km: NotNegative = described(
        100.0,
        about="Estimate: goods go by air where an airport is as near as this.",
        unit="km",
        why="assumed",
        le=2000.0,
    )


__all__ = [
    "Budget",
    "Laboratory",
    "Method",
    "Plan",
    "Score",
    "Stock",
    "Supply",
    "Text",
    "ValueFunctions",
    "Weights",
]
