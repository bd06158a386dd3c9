"""The vocabulary of region.toml as a whole."""

from __future__ import annotations

from siting.region.schema.air import Band, Geography, Mixing, Stress, Target, Tracer
from siting.region.schema.common import NotNegative, Text, Vocabulary, described
from siting.region.schema.network import Budget, Laboratory, Method, Plan, Score, Stock, Supply
from siting.region.schema.rules import Rule

SCHEMA_VERSION = 1

DEFAULT_BANDS: tuple[Band, ...] = (
    Band(id="far south", south=-90.0, north=-60.0),
    Band(id="mid south", south=-60.0, north=-30.0),
    Band(id="low south", south=-30.0, north=0.0),
    Band(id="low north", south=0.0, north=30.0),
    Band(id="mid north", south=30.0, north=60.0),
    Band(id="far north", south=60.0, north=90.0),
)


class Settings(Vocabulary):
    """Everything that region.toml may say."""

    schema_version: int = described(
        about="Version of this vocabulary that the folder was written for.", shown=str(SCHEMA_VERSION), ge=1
    )
    title: Text = described(about="Title of the plan, for maps and pages.", shown='"Our network"')
    summary: str = described("", about="A few words about it.")
    currency: Text = described(about="Currency of all money.", shown='"crowns"')
    first_year: int = described(about="First calendar year of the window.", ge=1900, le=2200, shown="2027")
    years: int = described(about="Length of the window.", unit="years", ge=1, le=50, shown="5")
    last_start_year: int | None = described(
        None,
        about="Last calendar year in which a site may open; empty: the last of the window.",
        ge=1900,
        le=2200,
        shown="2029",
    )
    pair_km: NotNegative = described(
        0.0,
        about="Distance within which a flask site checks an analyzer; 0: the same site.",
        unit="km",
        le=20_000.0,
    )
    budget: Budget = described(about="The grant.")
    stock: Stock = described(Stock(), about="Analyzers and flasks at hand.")
    laboratory: Laboratory = described(Laboratory(), about="The laboratory at home.")
    supply: Supply = described(Supply(), about="How flasks and cylinders travel.")
    tracers: tuple[Tracer, ...] = described(about="The gases; the first one leads.", min_length=1, max_length=20)
    plans: tuple[Plan, ...] = described(about="The sampling plans.", min_length=1, max_length=50)
    methods: tuple[Method, ...] = described((), about="Laboratory and instrument chains.")
    bands: tuple[Band, ...] = described(
        DEFAULT_BANDS, about="Bands of latitude.", why="six bands of 30 degrees", min_length=1, max_length=60
    )
    rules: tuple[Rule, ...] = described((), about="Conditions that a layout must meet.", max_length=1000)
    targets: tuple[Target, ...] = described((), about="What the network must show.")
    score: Score = described(Score(), about="How a deployment is valued.")
    mixing: Mixing = described(Mixing(), about="How the atmosphere mixes.")
    geography: Geography = described(Geography(), about="How attributes are derived.")
    stress: Stress = described(Stress(), about="What many futures are drawn from.")
