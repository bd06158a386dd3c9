"""The charts of a layout as Vega-Lite: ladder of latitudes, targets, money by year, what each site would see.

Each function takes what it shows and `wide`: for a page of paper or a desktop, else for 400 pixels. Kinds differ by
shape and fill and never by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from siting.outputs.lines import number
from siting.outputs.maplabels import LABEL_SIZE, clean, shorten
from siting.outputs.worldmap import KIND_TEXT
from siting.report.drawing import INK, SOFT, Chart, tip
from siting.report.members import RUNNING, Member
from siting.report.reading import Row

WIDE, NARROW = 720, 340
KINDS = ("analyzer", "flask", "both", RUNNING)
COLOURS = {"analyzer": "#0072b2", "flask": "#c85400", "both": "#00735c", RUNNING: INK}
# A square in a ring, as on the map.
_BOTH = "M1.1,0A1.1,1.1,0,1,1,-1.1,0A1.1,1.1,0,1,1,1.1,0ZM-.4,-.4H.4V.4H-.4Z"
SHAPES = {"analyzer": "square", "flask": "circle", "both": _BOTH, RUNNING: "triangle-up"}
_FILLED = ("analyzer",)
MOST_NAMED = 45
"""Sites that a ladder names; with more it shows marks alone."""
MOST_SIGNALS = 24
"""Sites whose expected record is drawn; the file holds all."""

# Kinds of cost from below upwards; a pattern of light and dark keeps neighbours apart without colour.
_MONEY = ("#12344d", "#9cc5d9", "#5a6f1e", "#d9c66b", "#8c3b2a", "#efb79f", "#6b3f8f", "#a98fb5")


@dataclass(frozen=True)
class Gap:
    """A span of latitude without a site, degrees."""

    south: float
    north: float


def _sine(lat: float) -> float:
    return math.sin(math.radians(lat))


def _side(lat: float) -> str:
    return f"{abs(lat):.3g}° {'N' if lat > 0 else 'S'}" if lat else "0°"


def where(member: Member) -> str:
    """Return a member's latitude, for a track both ends."""
    if member.north - member.south > 0.5:
        return f"{_side(member.north)} to {_side(member.south)}"
    return _side(round(member.lat, 1))


def ladder(
    members: Sequence[Member], bands: Sequence[tuple[str, float, float]], gaps: Sequence[Gap], wide: bool
) -> Chart:
    """Return sites from pole to pole, equal heights for equal areas, with band limits and the widest gaps."""
    width, height = (540, 600) if wide else (NARROW - 60, 560)
    axis = {
        "values": [_sine(lat) for lat in (-90, -60, -40, -20, 0, 20, 40, 60, 90)],
        "labelExpr": "format(abs(asin(datum.value) * 180 / PI), '.0f') + '°'"
        " + (datum.value > 0.01 ? ' N' : datum.value < -0.01 ? ' S' : '')",
        "grid": False,
        "title": "latitude; equal heights are equal areas of the earth",
    }
    y: Chart = {"field": "y", "type": "quantitative", "scale": {"domain": [-1, 1], "nice": False}, "axis": axis}
    x_scale = {"domain": [0, 10], "nice": False}
    step = 1.1 if wide else 1.3
    offset = step * len(KINDS) + 0.5
    layers: list[Chart] = []
    if gaps:
        rows = [
            {
                "y": _sine(gap.south),
                "y2": _sine(gap.north),
                "x": 0,
                "x2": offset,
                "words": f"{gap.north - gap.south:.0f}° without a site"
                if wide
                else f"gap {gap.north - gap.south:.0f}°",
                "middle": (_sine(gap.south) + _sine(gap.north)) / 2.0,
                "tip": tip(
                    None,
                    [f"No site from {_side(gap.south)} to {_side(gap.north)}: {gap.north - gap.south:.1f} degrees"],
                ),
            }
            for gap in gaps
        ]
        plain = {"x": {"field": "x", "type": "quantitative", "scale": x_scale, "axis": None}, "x2": {"field": "x2"}}
        layers.append(
            {
                "data": {"values": rows},
                "mark": {"type": "rect", "color": "#f3e3c8", "stroke": "#b98a3a", "strokeDash": [2, 3]},
                "encoding": {**plain, "y": y, "y2": {"field": "y2"}, "description": {"field": "tip"}},
            }
        )
        layers.append(
            {
                "data": {"values": rows},
                "mark": {"type": "text", "align": "right", "color": "#6b4a0e", "fontStyle": "italic"},
                "encoding": {
                    "x": {"datum": offset - 0.1, "type": "quantitative", "scale": x_scale, "axis": None},
                    "y": {"field": "middle", "type": "quantitative"},
                    "text": {"field": "words"},
                },
            }
        )
    limits = sorted({lat for _, south, north in bands for lat in (south, north) if abs(lat) < 90.0})
    if limits:
        layers.append(
            {
                "data": {"values": [{"y": _sine(lat), "x": 0, "x2": offset} for lat in limits]},
                "mark": {"type": "rule", "color": SOFT, "strokeDash": [8, 3], "strokeWidth": 0.8},
                "encoding": {
                    "y": y,
                    "x": {"field": "x", "type": "quantitative", "scale": x_scale, "axis": None},
                    "x2": {"field": "x2"},
                },
            }
        )
    rows = _ladder_rows(members, step, height, wide)
    plot = {"x": {"field": "x", "type": "quantitative", "scale": x_scale, "axis": None}, "y": y}
    said = {"description": {"field": "tip"}}
    tracks = [row for row, m in zip(rows, _south_first(members), strict=True) if m.north > m.south]
    layers.append(
        {
            "data": {"values": tracks},
            "mark": {"type": "rule", "strokeWidth": 3},
            "encoding": {
                "x": plot["x"],
                "y": {**y, "field": "y1"},
                "y2": {"field": "y2"},
                "color": _colour(),
                **said,
            },
        }
    )
    layers.append({"data": {"values": rows}, **_points(plot | said)})
    named = [row for row in rows if row["name"]]
    if named:
        layers += [
            {
                "data": {"values": named},
                "mark": {"type": "rule", "color": "#9aa0a6", "strokeWidth": 0.7},
                "encoding": {
                    "x": plot["x"],
                    "x2": {"field": "x_name"},
                    "y": y,
                    "y2": {"field": "y_name"},
                },
            },
            {
                "data": {"values": named},
                "mark": {"type": "text", "align": "left", "dx": 3},
                "encoding": {
                    "x": {**plot["x"], "field": "x_name"},
                    "y": {**y, "field": "y_name"},
                    "text": {"field": "name"},
                    **said,
                },
            },
        ]
    return {"width": width, "height": height, "layer": [layer for layer in layers if layer["data"]["values"]]}


def _ladder_rows(members: Sequence[Member], step: float, height: int, wide: bool) -> list[Chart]:
    """Return a row a member; names are pushed apart so that none covers another."""
    room = 2.0 * 12.5 / height
    ordered = _south_first(members)
    named = has_names(members)
    places = _apart([_sine(m.lat) for m in ordered], room)
    offset = step * len(KINDS) + 0.5
    rows = []
    for index, (m, place) in enumerate(zip(ordered, places, strict=True)):
        rows.append(
            {
                "x": 0.6 + step * KINDS.index(m.kind),
                "y": _sine(m.lat),
                "y1": _sine(m.south),
                "y2": _sine(m.north),
                "kind": KIND_TEXT[m.kind],
                "x_name": offset,
                "y_name": place,
                "name": shorten(f"{m.name} {where(m)}", 250.0 if wide else 150.0, LABEL_SIZE) if named else "",
                "tip": tip(index, site_words(m)),
            }
        )
    return rows


def has_names(members: Sequence[Member]) -> bool:
    """Say whether a ladder has room to name its sites."""
    return len(members) <= MOST_NAMED


def _south_first(members: Sequence[Member]) -> list[Member]:
    return sorted(members, key=lambda m: (_sine(m.lat), m.id))


def ladder_ids(members: Sequence[Member]) -> list[str]:
    """Return the ids that a ladder's tips number."""
    return [m.id for m in _south_first(members)]


def site_words(member: Member) -> list[str]:
    """Return what a hover tells of a site."""
    since = f"from {member.first_month}" if member.first_month else ""
    words = [member.name, f"{member.kind_words}, {where(member)}", f"{member.plan} {since}".strip()]
    if member.cost is not None:
        words.append(f"costs {member.cost:,.0f}")
    loss = member.greatest
    if loss is not None:
        words.append(f"without it the error of {loss.target} grows by {number(loss.percent)} %")
    return [word for word in words if word]


def _apart(places: Sequence[float], room: float) -> list[float]:
    """Return places, which rise, moved as little as a pass from below and one from above need, within -1 to 1."""
    moved: list[float] = []
    for place in places:
        moved.append(max(place, moved[-1] + room if moved else -1.0))
    top = 1.0
    for i in range(len(moved) - 1, -1, -1):
        moved[i] = min(moved[i], top)
        top = moved[i] - room
    return moved


def _colour(legend: bool = False) -> Chart:
    """Return the colours of the kinds."""
    domain = [KIND_TEXT[kind] for kind in KINDS]
    shown = {"title": None, "orient": "top", "columns": 2} if legend else None
    return {
        "field": "kind",
        "type": "nominal",
        "legend": shown,
        "scale": {"domain": domain, "range": [COLOURS[kind] for kind in KINDS]},
    }


def _points(encoding: Chart, size: int = 90) -> Chart:
    """Return marks of sites by kind: filled squares, open rings, a square in a ring, open triangles."""
    domain = [KIND_TEXT[kind] for kind in KINDS]
    filled = [COLOURS[kind] if kind in _FILLED else "white" for kind in KINDS]
    shown = {"title": None, "orient": "top", "columns": 2, "symbolSize": size}
    return {
        "mark": {"type": "point", "size": size, "strokeWidth": 2, "opacity": 1},
        "encoding": {
            **encoding,
            "shape": {
                "field": "kind",
                "type": "nominal",
                "legend": shown,
                "scale": {"domain": domain, "range": [SHAPES[kind] for kind in KINDS]},
            },
            "stroke": {**_colour(), "legend": shown},
            "fill": {
                "field": "kind",
                "type": "nominal",
                "legend": shown,
                "scale": {"domain": domain, "range": filled},
            },
        },
    }


def targets(rows: Sequence[Row], wide: bool) -> Chart:
    """Return each target's error in units of its goal, now and before the network, on a logarithmic axis."""
    values: list[Chart] = []
    for row in rows:
        goal, error, prior = (float(row[name]) for name in ("goal", "error", "prior_error"))
        met = row["met"] == "yes"
        words = [
            row["words"],
            f"standard error {number(error)} {row['unit']}, goal {number(goal)}: {'met' if met else 'missed'}",
            f"known before any measurement: {number(prior)}",
        ]
        # Two long names may begin alike: blanks that nobody sees keep their rows apart.
        name = shorten(row["words"], 330.0 if wide else 150.0, LABEL_SIZE) + "\u200a" * len(values)
        base = {"target": name, "tip": tip(None, words), "ratio": error / goal, "prior": prior / goal}
        values.append(base | {"state": "goal met" if met else "goal missed"})
    names = [value["target"] for value in values]
    ratios = [v for value in values for v in (value["ratio"], value["prior"]) if v > 0.0]
    low, high = min([0.3, *ratios]) / 1.3, max([3.0, *ratios]) * 1.3
    y = {
        "field": "target",
        "type": "nominal",
        "sort": names,
        "title": None,
        "axis": {"labelLimit": 360 if wide else 160, "domain": False, "ticks": False},
    }
    x: Chart = {
        "field": "ratio",
        "type": "quantitative",
        "title": "standard error / goal (left of 1: met)",
        "scale": {"type": "log", "domain": [low, high], "nice": False},
        "axis": {
            "values": [v for v in (0.01, 0.03, 0.1, 0.3, 1, 3, 10, 30, 100, 300, 1000) if low <= v <= high],
            "format": "~g",
        },
    }
    data = {"values": values}
    said = {"description": {"field": "tip"}}
    return {
        "width": 360 if wide else 150,
        "height": {"step": 26},
        "data": data,
        "layer": [
            {"mark": {"type": "rule", "color": INK, "strokeWidth": 1.4}, "encoding": {"x": {"datum": 1}}},
            {
                "mark": {"type": "rule", "color": "#b4bcc2", "strokeWidth": 5},
                "encoding": {"y": y, "x": x, "x2": {"field": "prior"}, **said},
            },
            {
                "mark": {"type": "tick", "color": SOFT, "thickness": 2, "size": 14},
                "encoding": {"y": y, "x": {**x, "field": "prior"}, **said},
            },
            {
                "mark": {"type": "point", "size": 130, "strokeWidth": 2, "opacity": 1},
                "encoding": {
                    "y": y,
                    "x": x,
                    **said,
                    "shape": _states(["circle", "cross"]),
                    "fill": _states(["#00735c", "white"]),
                    "stroke": _states(["#00735c", "#b3261e"]),
                },
            },
        ],
    }


def _states(shown: Sequence[str]) -> Chart:
    return {
        "field": "state",
        "type": "nominal",
        "scale": {"domain": ["goal met", "goal missed"], "range": list(shown)},
        "legend": {"title": None, "orient": "top", "symbolSize": 110},
    }


def money(rows: Sequence[Row], kinds: Sequence[str], currency: str, limits: dict[str, float], wide: bool) -> Chart:
    """Return money by year and kind as stacked bars; `limits` are lines of the budget where years stand alone."""
    values: list[Chart] = []
    kinds = kinds or ("total",)
    for row in rows:
        for order, kind in enumerate(kinds):
            amount = float(row[kind])
            # A year that costs nothing keeps its place on the axis.
            if amount or order == 0:
                words = [
                    f"{row['year']}: {kind.replace('_', ' ')} {amount:,.0f} {currency}",
                    f"the year in all {float(row['total']):,.0f}",
                ]
                values.append(
                    {
                        "year": row["year"],
                        "kind": kind.replace("_", " "),
                        "order": order,
                        "amount": amount,
                        "tip": tip(None, words),
                    }
                )
    names = [kind.replace("_", " ") for kind in kinds]
    x = {"field": "year", "type": "ordinal", "title": None, "axis": {"labelAngle": 0 if wide else -45}}
    y: Chart = {"field": "amount", "type": "quantitative", "title": currency, "stack": "zero"}
    y["axis"] = {"format": ",.0f"}
    if not any(value["amount"] for value in values):
        # Without any money the scale has no length, and the picture no size.
        y["scale"] = {"domain": [0, 1]}
    layers: list[Chart] = [
        {
            "data": {"values": values},
            "mark": {"type": "bar", "stroke": "white", "strokeWidth": 0.7},
            "encoding": {
                "x": x,
                "y": y,
                "order": {"field": "order"},
                "description": {"field": "tip"},
                "color": {
                    "field": "kind",
                    "type": "nominal",
                    "sort": names,
                    "scale": {"domain": names, "range": [_MONEY[i % len(_MONEY)] for i in range(len(names))]},
                    "legend": {
                        "title": None,
                        "orient": "top" if not wide else "right",
                        "columns": 2 if not wide else 1,
                    },
                },
            },
        }
    ]
    totals = [
        {"year": row["year"], "amount": float(row["total"]), "words": f"{float(row['total']):,.0f}"}
        for row in rows
        if float(row["total"])
    ]
    if wide and totals and len(rows) <= 12:
        layers.append(
            {
                "data": {"values": totals},
                "mark": {"type": "text", "dy": -7},
                "encoding": {"x": x, "y": {"field": "amount", "type": "quantitative"}, "text": {"field": "words"}},
            }
        )
    if limits:
        told = [
            {"year": year, "amount": amount, "tip": tip(None, [f"{year}: at most {amount:,.0f} {currency}"])}
            for year, amount in limits.items()
        ]
        layers.append(
            {
                "data": {"values": told},
                "mark": {"type": "tick", "color": INK, "thickness": 2, "width": {"band": 0.95}},
                "encoding": {"x": x, "y": {"field": "amount", "type": "quantitative"}, "description": {"field": "tip"}},
            }
        )
    return {"width": 470 if wide else 250, "height": 280, "layer": layers}


def signals(rows: Sequence[Row], members: Sequence[Member], wide: bool) -> Chart:
    """Return what sites would see of one gas: expected monthly values against their own mean, with their error.

    `rows` are those of signals.csv for one tracer and for at most `MOST_SIGNALS` members, in whose order they stand.
    """
    ids = [m.id for m in members]
    titles = {m.id: shorten(m.name, 165.0, LABEL_SIZE) for m in members}
    # Two places may have one name: blanks that nobody sees keep them apart.
    seen: dict[str, int] = {}
    for name, title in titles.items():
        seen[title] = seen.get(title, 0) + 1
        titles[name] = title + "\u200a" * (seen[title] - 1)
    by_site: dict[str, list[Row]] = {name: [] for name in ids}
    for row in rows:
        if row["id"] in by_site:
            by_site[row["id"]].append(row)
    values: list[Chart] = []
    unit = rows[0]["unit"] if rows else ""
    for index, name in enumerate(ids):
        mine = by_site[name]
        if not mine:
            continue
        mean = sum(float(row["expected"]) for row in mine) / len(mine)
        sizes = [float(row["error"]) for row in mine]
        words = [
            clean(members[index].name),
            f"expected record, {min(float(r['expected']) for r in mine) - mean:+.3g} to "
            f"{max(float(r['expected']) for r in mine) - mean:+.3g} {unit} about its mean",
            f"error of a month {number(min(sizes))} to {number(max(sizes))} {unit}",
        ]
        for row in mine:
            year, month = int(row["year"]), int(row["month"])
            middle, error = float(row["expected"]) - mean, float(row["error"])
            values.append(
                {
                    "site": titles[name],
                    "t": round(year + (month - 0.5) / 12.0, 3),
                    "tip": tip(index, words),
                    "v": round(middle, 4),
                    "low": round(middle - error, 4),
                    "high": round(middle + error, 4),
                    "part": _part(mine, row),
                }
            )
    columns = 4 if wide else 2
    years = sorted({int(row["year"]) for mine in by_site.values() for row in mine}) or [0]
    step = -(-(years[-1] + 1 - years[0]) // 4)
    x = {
        "field": "t",
        "type": "quantitative",
        "title": None,
        # Whole years, each tick at its first of January.
        "scale": {"domain": [years[0], years[-1] + 1], "nice": False, "zero": False},
        "axis": {"format": "d", "values": list(range(years[0], years[-1] + 2, step)), "grid": False},
    }
    y: Chart = {"field": "low", "type": "quantitative", "title": unit, "axis": {"tickCount": 4}}
    part = {"detail": {"field": "part"}, "description": {"field": "tip"}}
    return {
        "data": {"values": values},
        "facet": {
            "field": "site",
            "type": "nominal",
            "sort": [titles[name] for name in ids],
            "title": None,
            "header": {"labelLimit": 170},
        },
        "columns": columns,
        "spacing": 14,
        "spec": {
            "width": 142 if wide else 115,
            "height": 92,
            "layer": [
                {
                    "mark": {"type": "area", "color": "#9cc5d9", "opacity": 0.9},
                    "encoding": {"x": x, "y": y, "y2": {"field": "high"}, **part},
                },
                {
                    "mark": {"type": "line", "color": "#1b4965", "strokeWidth": 1.3},
                    "encoding": {"x": x, "y": {**y, "field": "v"}, **part},
                },
            ],
        },
    }


def _part(mine: Sequence[Row], row: Row) -> int:
    """Return the first month of the unbroken run of months that a month belongs to, so that gaps stay open."""
    months = [12 * int(r["year"]) + int(r["month"]) for r in mine]
    at = 12 * int(row["year"]) + int(row["month"])
    present = set(months)
    while at - 1 in present:
        at -= 1
    return at


def signal(rows: Sequence[Row], member: Member, wide: bool) -> Chart:
    """Return what one site would see of one gas, `rows` those of signals.csv, as one larger chart."""
    many = signals(rows, [member], wide)
    spec = dict(many["spec"]) | {"width": 330 if wide else 250, "height": 150}
    return {"data": many["data"], **spec}
