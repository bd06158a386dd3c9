"""What the template shows: invented places, prices and conditions, put on the vocabulary by name."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

Values = Mapping[str, Any]

# Active values of the single tables; what is required and not named here takes the sample of the vocabulary.
TABLE_VALUES: Mapping[str, Values] = {
    "budget": {"total": 500000, "contingency": 0.05},
    "stock": {"analyzers": 2, "spare_analyzers": 1},
}

# Active blocks of the tables that may stand several times: (words about the block, its values).
BLOCKS: Mapping[str, Sequence[tuple[str, Values]]] = {
    "tracers": [("", {})],
    "plans": [
        (
            "A pair of glass flasks filled once a week at a fixed hour. Prices are invented.",
            {
                "id": "weekly-flask",
                "kind": "flask",
                "samples_per_month": 4.35,
                "capital_cost": 2000,
                "setup_cost": 1000,
                "annual_cost": 1500,
                "sample_cost": 55,
            },
        ),
        (
            "A continuous analyzer, taken from the stock. Prices are invented.",
            {
                "id": "analyzer",
                "kind": "analyzer",
                "capital_cost": 9000,
                "setup_cost": 7000,
                "annual_cost": 9500,
            },
        ),
    ],
}

# Blocks that stand in the template as samples only, commented out.
SHOWN_BLOCKS: Mapping[str, Sequence[tuple[str, Values]]] = {
    "plans": [
        (
            "Both at one place: the flasks check the analyzer. Each part costs what its plan says.",
            {"id": "analyzer-and-flask", "kind": "both", "analyzer_plan": "analyzer", "flask_plan": "weekly-flask"},
        ),
        (
            "Flasks first, an analyzer when the place has shown its worth.",
            {
                "id": "flask-first",
                "kind": "flask_then_analyzer",
                "analyzer_plan": "analyzer",
                "flask_plan": "weekly-flask",
                "analyzer_after_months": 24,
                "flasks_go_on": True,
            },
        ),
    ],
    "targets": [
        ("Growth over the whole window.", {"id": "growth", "kind": "realised_growth", "goal": 0.4, "weight": 2.0}),
        ("Growth in one year.", {"id": "growth in one year", "kind": "year_growth", "year": 2028, "goal": 1.0}),
        ("Growth behind the changes from year to year.", {"id": "trend", "kind": "underlying_growth", "goal": 1.0}),
        (
            "Difference between two bands.",
            {
                "id": "north to south",
                "kind": "level_difference",
                "band": "mid north",
                "minus": "mid south",
                "goal": 4.0,
            },
        ),
        ("Season of a band.", {"id": "season", "kind": "season", "band": "mid north", "goal": 4.0}),
        (
            "Timing of a season; the goal is in days.",
            {"id": "timing", "kind": "season_timing", "band": "mid north", "goal": 5.0},
        ),
        (
            "One unusual month in a band.",
            {"id": "odd month", "kind": "monthly_anomaly", "band": "mid north", "goal": 3.0},
        ),
    ],
}


def rule_values(first: str, second: str) -> Mapping[str, Values]:
    """Return sample values for each kind of rule; `first` and `second` are ids of two candidates."""
    return {
        "at_most": {"count": 1, "sites": (first, second)},
        "at_least": {"count": 1, "sites": (first, second)},
        "only_with": {"site": first, "needs": second},
        "band_at_least": {"count": 1, "band": "mid south"},
        "spacing": {"km": 500.0},
        "comparison": {"count": 1, "km": 0.0},
        "at_most_sites": {"count": 5},
    }


_HUT = {"power": "solar", "staffed": "no"}
# Invented places. Latitudes and longitudes are real numbers, and most lie where a chart shows open water.
CANDIDATES: Sequence[Mapping[str, str]] = (
    {
        "id": "quellamar",
        "name": "Quellamar Head",
        "lat": "72.4",
        "lon": "-4.5",
        "elevation_m": "35",
        "access": "supply boat May-Oct",
        "baseline_exposure": "0.6",
        "contamination_risk": "0.04",
        "contamination_size": "8",
        "open_months": "all",
        "visits_per_year": "8",
        "lead_months": "6",
        "permit_months": "3",
        "host": "weather watch of Quellamar",
        "host_strength": "0.7",
        "setup_cost": "16000",
        "annual_cost": "12000",
    },
    {
        "id": "darromere",
        "name": "Darromere Point",
        "lat": "47.3",
        "lon": "-36.2",
        "elevation_m": "60",
        "access": "road",
        "baseline_exposure": "0.45",
        "contamination_risk": "0.12",
        "contamination_size": "20",
        "host": "light of Darromere",
        "host_strength": "0.8",
        "group": "home-coast",
        "setup_cost": "6000",
        "annual_cost": "4000",
    },
    {
        "id": "ennisquay",
        "name": "Ennisquay",
        "lat": "44.9",
        "lon": "-33.1",
        "elevation_m": "12",
        "access": "road",
        "baseline_exposure": "0.15",
        "contamination_risk": "0.35",
        "contamination_size": "30",
        "host": "school of Ennisquay",
        "host_strength": "0.6",
        "group": "home-coast",
        "setup_cost": "4000",
        "annual_cost": "3000",
    },
    {
        "id": "osprillon",
        "name": "Osprillon Cay",
        "lat": "17.6",
        "lon": "-48.9",
        "elevation_m": "5",
        "status": "running",
        "running_since": "2019",
        "running_plan": "weekly-flask",
        "operator": "a partner",
        "baseline_exposure": "0.7",
        "contamination_risk": "0.05",
        "contamination_size": "5",
    },
    {
        "id": "tessarune",
        "name": "Tessarune Ridge",
        "lat": "-4.1",
        "lon": "72.8",
        "elevation_m": "2900",
        "access": "track for mules",
        "baseline_exposure": "0.7",
        "contamination_risk": "0.05",
        "contamination_size": "10",
        "accepted_hours": "0.5",
        "data_return": "0.8",
        "lead_months": "9",
        **_HUT,
        "host": "hut keepers",
        "host_strength": "0.4",
        "setup_cost": "30000",
        "annual_cost": "9000",
    },
    {
        "id": "vellipur",
        "name": "Vellipur Islet",
        "lat": "-24.7",
        "lon": "-20.3",
        "elevation_m": "18",
        "access": "ship in Mar and Sep",
        "baseline_exposure": "0.8",
        "contamination_risk": "0.03",
        "contamination_size": "5",
        "data_return": "0.8",
        "visits_per_year": "4",
        "lead_months": "6",
        **_HUT,
        "host": "islanders of Vellipur",
        "host_strength": "0.5",
        "setup_cost": "14000",
        "annual_cost": "7000",
    },
    {
        "id": "marrikane",
        "name": "Marrikane Bluff",
        "lat": "-46.2",
        "lon": "64.0",
        "elevation_m": "90",
        "access": "ship twice a year",
        "baseline_exposure": "0.85",
        "contamination_risk": "0.02",
        "contamination_size": "5",
        "visits_per_year": "4",
        "lead_months": "8",
        "permit_months": "2",
        "power": "generator",
        "host": "wardens of Marrikane",
        "host_strength": "0.8",
        "setup_cost": "25000",
        "annual_cost": "14000",
    },
    {
        "id": "skarnolt",
        "name": "Skarnolt Ice",
        "lat": "-70.6",
        "lon": "21.5",
        "elevation_m": "1500",
        "access": "ski aircraft Nov-Feb",
        "baseline_exposure": "0.95",
        "contamination_risk": "0.01",
        "contamination_size": "5",
        "open_months": "Nov-Feb",
        "visits_per_year": "2",
        "lead_months": "10",
        "permit_months": "6",
        "power": "generator",
        "host": "summer camp",
        "host_strength": "0.5",
        "setup_cost": "80000",
        "annual_cost": "40000",
    },
)

_README = """\
# {title}

{origin}

| file | what it holds |
|-|-|
| `region.toml` | the gas, the grant, the sampling plans, conditions and how the score is made |
| `candidates.csv` | the places to choose from, one a row |
| `FIELDS.md` | every file and every field: what it is, unit, limits, default |

## How to go on

1. Open `candidates.csv` in a table program and fill in what you know, {rows}. An empty cell takes
   the default that `FIELDS.md` names; "assumed" there means a guess. Save as CSV UTF-8 with a decimal point.
2. Open `region.toml` in a text editor. A line `name = value` holds: change the value. A line `#name = value` is the
   default: take away the `#` and change it. A line `#e.g. name = value` is only a sample for something that is empty:
   take away the `#e.g.` and give your own value.
3. `siting check FOLDER` names everything that is wrong, with file, row and mend.
4. `siting plan FOLDER` chooses the network and writes a page (`report.html`), maps, figures and tables to `outputs/`.
5. `siting report RUN --site ID`, with the folder of that result, makes a page for the host of a site.

## Caution

A layout on paper sends people to heights, ice, open sea and remote coasts, with glass vessels and compressed gas.
Ask for permits and medical advice first; local codes, carriers' dangerous-goods rules and licensed practice decide.
"""


def readme(sites: int | None) -> str:
    """Return the README of a new region; `sites` counts the user's places, None if the rows are samples."""
    if sites is None:
        return _README.format(
            title="A new region",
            origin="Made by `siting new`. Everything here is invented as a sample: places, hosts, prices, scale and "
            "grant. Only\nlatitudes and longitudes are real numbers, and most of them lie in open water. Do not plan "
            "with it as it is.",
            rows="in place of the invented rows",
        )
    return _README.format(
        title="A new region from a list of places",
        origin=f"Made by `siting new` from a list of {sites} place{'s' * (sites != 1)}. The places are yours, as you "
        "gave them. Grant, prices, plans and gas in\n`region.toml` are invented samples. Do not plan with them as "
        "they are.",
        rows="column by column.\n   `siting derive FOLDER` fills the rest from land, wind and towns, and says what is "
        "assumed",
    )
