"""The sites of a network as a report tells of them: picked ones and running stations, with what each is worth."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from siting.outputs.worldmap import KIND_TEXT
from siting.report.reading import Content, Row, Run

ROLE_KINDS = {"analyzer": "analyzer", "flask": "flask", "both": "both", "flask_then_analyzer": "both"}
RUNNING = "running"


@dataclass(frozen=True)
class Loss:
    """By how many per cent a target's error grows without a site."""

    tracer: str
    target: str
    percent: float


@dataclass(frozen=True)
class Swap:
    """The best replacement of a site that keeps every rule.

    `change` is that of the layout's score, or by "error" that of its shortfall (above 0: worse), `cost` that of its
    cost.
    """

    id: str
    plan: str
    start_year: int
    change: float
    cost: float
    by: str
    complete: bool


@dataclass(frozen=True)
class Member:
    """A picked site or a running station.

    `kind` is one of the map's kinds, `plan` the plan that is picked (or runs) there, `cost` money over the
    window, `lat` and `lon` its middle, `south`, `north` and `spread` (of longitude) how far it reaches (degrees).
    `losses` are ordered as targets are; `swap` is None where no replacement keeps the rules or none was looked for.
    """

    id: str
    name: str
    picked: bool
    kind: str
    plan: str
    start_year: int | None
    first_month: str
    lat: float
    lon: float
    spread: float
    south: float
    north: float
    score: float | None
    cost: float | None
    losses: tuple[Loss, ...]
    shortfall_loss: float | None
    swap: Swap | None
    station: Mapping[str, str]

    @property
    def kind_words(self) -> str:
        """The kind in words."""
        return KIND_TEXT[self.kind]

    @property
    def greatest(self) -> Loss | None:
        """What the network loses most without the site, None where nothing is known."""
        return max(self.losses, key=lambda loss: loss.percent, default=None)


def members(run: Run) -> tuple[Member, ...]:
    """Return picked sites and running stations from north to south, equal latitudes by id."""
    features = run.layers["network.geojson"]["features"]
    sites = {row["id"]: row for row in run.rows("sites.csv")}
    stations = {row["id"]: row for row in run.rows("stations.csv")}
    losses, shortfalls = _losses(run)
    swaps = {row["id"]: found for row in run.rows("swaps.csv") if (found := _swap(row)) is not None}
    made = []
    for one in features:
        name = str(one["properties"]["id"])
        made.append(_member(one, sites.get(name), stations.get(name, {}), losses, shortfalls, swaps))
    return tuple(sorted(made, key=lambda m: (-m.lat, m.id)))


def _member(
    feature: Content,
    row: Row | None,
    station: Row,
    losses: Mapping[str, tuple[Loss, ...]],
    shortfalls: Mapping[str, float],
    swaps: Mapping[str, Swap],
) -> Member:
    told = feature["properties"]
    name = str(told["id"])
    picked = told["role"] == "picked"
    west, south, east, north = feature["bbox"]
    # A box that crosses 180 degrees has its east below its west (RFC 7946, 5.2).
    east += 360.0 if east < west else 0.0
    middle = ((south + north) / 2.0, (west + east) / 2.0)
    lat, lon = (float(row["lat"]), float(row["lon"])) if row is not None else middle
    lon = (lon + 180.0) % 360.0 - 180.0
    return Member(
        id=name,
        name=str(told["name"] or name),
        picked=picked,
        kind=ROLE_KINDS[told["kind"]] if picked else RUNNING,
        plan=str((told["plan"] if picked else told["running_plan"]) or ""),
        start_year=told["start_year"],
        first_month=str((told["first_month"] if picked else told["running_since"]) or ""),
        lat=lat,
        lon=lon,
        spread=east - west,
        south=float(row["lat_south"]) if row is not None else south,
        north=float(row["lat_north"]) if row is not None else north,
        score=told["score"],
        cost=float(row["cost_total"]) if row is not None else None,
        losses=losses.get(name, ()),
        shortfall_loss=shortfalls.get(name),
        swap=swaps.get(name),
        station=station,
    )


def _losses(run: Run) -> tuple[dict[str, tuple[Loss, ...]], dict[str, float]]:
    found: dict[str, list[Loss]] = {}
    shortfalls: dict[str, dict[str, float]] = {}
    for row in run.rows("why.csv"):
        found.setdefault(row["id"], []).append(Loss(row["tracer"], row["target"], float(row["loss_percent"])))
        shortfalls.setdefault(row["id"], {})[row["tracer"]] = float(row["shortfall_loss"])
    losses = {name: tuple(rows) for name, rows in found.items()}
    return losses, {name: sum(parts.values()) for name, parts in shortfalls.items()}


def _swap(row: Row) -> Swap | None:
    if not row["other_id"]:
        return None
    return Swap(
        row["other_id"],
        row["other_plan"],
        int(row["other_start_year"]),
        float(row["value_change"]) if row["by"] == "score" else -float(row["value_change"]),
        float(row["cost_change"]),
        row["by"],
        row["complete"] == "yes",
    )
