"""Charts of what was asked beside a layout: what money buys, and in how many futures a site is picked."""

from __future__ import annotations

from collections.abc import Sequence

from siting.outputs.documents import VALUE
from siting.outputs.lines import number
from siting.outputs.maplabels import LABEL_SIZE, shorten
from siting.report.drawing import INK, SOFT, Chart, tip
from siting.report.reading import Content

# Lines of targets: dashes and marks tell them apart without colour.
_DASHES = ([1, 0], [7, 3], [2, 2], [9, 3, 2, 3], [4, 4], [1, 3])
_LINES = ("#0072b2", "#c85400", "#00735c", "#7a5a9e", "#8a6d00", "#1a1a1a")
_MARKS = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down")
MOST_LINES = len(_LINES)
MOST_FREQUENT = 40


def frontier(content: Content, wide: bool) -> Chart:
    """Return what money buys: the value at each budget with its bound, below it each target's error over goal."""
    currency, by = content["currency"], content["by"]
    points = [p for p in content["points"] if p["value"] is not None]
    values: list[Chart] = []
    lines: list[Chart] = []
    titles: dict[str, str] = {}
    for p in points:
        words = [f"{p['budget']:,.0f} {currency}: {VALUE[by]} {number(p['value'])}", f"{len(p['layout'])} new sites"]
        if p["bound"] is not None:
            words.append(f"no layout at this budget gets beyond {number(p['bound'])}")
        own = abs(p["budget"] - content["own"]) < 0.005
        values.append(
            {
                "budget": p["budget"],
                "value": p["value"],
                "bound": p["bound"],
                "tip": tip(None, words),
                "which": "the region's own budget" if own else "another budget",
            }
        )
        for target in p["targets"]:
            key = f"{target['target']} ({target['tracer']})"
            if key not in titles:
                # Two long names may begin alike: blanks that nobody sees keep their lines apart.
                titles[key] = shorten(key, 170.0 if wide else 130.0, LABEL_SIZE) + "\u200a" * len(titles)
            name = titles[key]
            line_words = tip(
                None,
                [
                    f"{p['budget']:,.0f} {currency}",
                    f"{key}: error {number(target['error'])}, goal {number(target['goal'])}",
                ],
            )
            lines.append(
                {"budget": p["budget"], "target": name, "ratio": target["error"] / target["goal"], "tip": line_words}
            )
    names = list(titles.values())[:MOST_LINES]
    lines = [line for line in lines if line["target"] in names]
    x: Chart = {
        "field": "budget",
        "type": "quantitative",
        "scale": {"zero": False, "nice": False, "padding": 12},
        "axis": {"format": ",.0f", "labelAngle": 0 if wide else -40, "tickCount": 6 if wide else 4},
        "title": None,
    }
    said = {"description": {"field": "tip"}}
    size = {"width": 480 if wide else 250}
    y: Chart = {"field": "value", "type": "quantitative", "title": VALUE[by], "scale": {"zero": False}}
    upper: Chart = {
        **size,
        "height": 170,
        "data": {"values": values},
        "layer": [
            {
                "transform": [{"filter": "datum.bound !== null"}],
                "mark": {"type": "rule", "color": "#9aa0a6", "strokeWidth": 1.5},
                "encoding": {"x": x, "y": y, "y2": {"field": "bound"}, **said},
            },
            {
                "transform": [{"filter": "datum.bound !== null"}],
                "mark": {"type": "tick", "color": SOFT, "thickness": 1.5, "size": 9},
                "encoding": {"x": x, "y": {**y, "field": "bound"}, **said},
            },
            {"mark": {"type": "line", "color": INK, "strokeWidth": 1.2}, "encoding": {"x": x, "y": y}},
            {
                "mark": {"type": "point", "size": 80, "opacity": 1, "stroke": INK, "strokeWidth": 1.6},
                "encoding": {
                    "x": x,
                    "y": y,
                    **said,
                    "shape": _own(["circle", "diamond"]),
                    "fill": _own(["white", INK]),
                },
            },
        ],
    }
    if not lines:
        return upper
    shared = {"field": "target", "type": "nominal", "sort": names, "legend": _lines_legend(wide)}
    ratio = {
        "field": "ratio",
        "type": "quantitative",
        "title": "error / goal",
        "scale": {"type": "log", "nice": False, "padding": 8},
        "axis": {"format": "~g", "tickCount": 5},
    }
    below: Chart = {
        **size,
        "height": 150,
        "layer": [
            {
                "data": {"values": [{"goal": 1}]},
                "mark": {"type": "rule", "color": INK, "strokeWidth": 1.2},
                "encoding": {"y": {"field": "goal", "type": "quantitative"}},
            },
            {
                "data": {"values": lines},
                "mark": {"type": "line", "strokeWidth": 1.8},
                "encoding": {
                    "x": {**x, "title": f"total budget, {currency}"},
                    "y": ratio,
                    "color": {**shared, "scale": {"domain": names, "range": list(_LINES)[: len(names)]}},
                    "strokeDash": {**shared, "scale": {"domain": names, "range": list(_DASHES)[: len(names)]}},
                },
            },
            {
                "data": {"values": lines},
                "mark": {"type": "point", "size": 50, "filled": True, "opacity": 1},
                "encoding": {
                    "x": {**x, "title": f"total budget, {currency}"},
                    "y": ratio,
                    **said,
                    "color": {**shared, "scale": {"domain": names, "range": list(_LINES)[: len(names)]}},
                    "shape": {**shared, "scale": {"domain": names, "range": list(_MARKS)[: len(names)]}},
                },
            },
        ],
    }
    # Each chart has scales and a legend of its own, but the same axis of money.
    apart = {channel: "independent" for channel in ("color", "fill", "shape", "strokeDash")}
    return {"vconcat": [upper, below], "spacing": 12, "resolve": {"scale": apart}}


def _own(shown: Sequence[str]) -> Chart:
    return {
        "field": "which",
        "type": "nominal",
        "scale": {"domain": ["another budget", "the region's own budget"], "range": list(shown)},
        "legend": {"title": None, "orient": "top"},
    }


def _lines_legend(wide: bool) -> Chart:
    return {"title": None, "orient": "top", "columns": 3 if wide else 1, "symbolSize": 60}


def both(content: Content, wide: bool) -> Chart:
    """Return layouts between the best score and the least shortfall at one budget."""
    values = [
        {
            "score": p["score"],
            "shortfall": p["shortfall"],
            "tip": tip(
                None,
                [f"score {number(p['score'])}, shortfall {number(p['shortfall'])}", f"{len(p['layout'])} new sites"],
            ),
        }
        for p in content["points"]
    ]
    x = {"field": "score", "type": "quantitative", "scale": {"zero": False}, "title": "network score (more is better)"}
    y = {"field": "shortfall", "type": "quantitative", "scale": {"zero": False}, "title": "shortfall (less is better)"}
    return {
        "width": 480 if wide else 240,
        "height": 220,
        "data": {"values": values},
        "layer": [
            {"mark": {"type": "line", "color": INK, "strokeWidth": 1.2}, "encoding": {"x": x, "y": y}},
            {
                "mark": {"type": "point", "size": 80, "fill": "white", "stroke": INK, "strokeWidth": 1.6, "opacity": 1},
                "encoding": {"x": x, "y": y, "description": {"field": "tip"}},
            },
        ],
    }


def frequency(content: Content, names: dict[str, str], ids: Sequence[str], wide: bool) -> Chart:
    """Return in which share of futures each site is in the best layout; `ids` are those that tips number."""
    place = {site: i for i, site in enumerate(ids)}
    rows = sorted(content["sites"], key=lambda s: (-s["share"], s["id"]))[:MOST_FREQUENT]
    values = [
        {
            "site": shorten(names.get(row["id"], row["id"]), 200.0 if wide else 130.0, LABEL_SIZE) + "\u200a" * i,
            "share": row["share"],
            "state": "in this layout" if row["picked"] else "not in it",
            "tip": tip(
                place.get(row["id"]),
                [names.get(row["id"], row["id"]), f"in the best layout of {100 * row['share']:.0f} % of futures"],
            ),
        }
        for i, row in enumerate(rows)
    ]
    return {
        "width": 400 if wide else 160,
        "height": {"step": 17},
        "data": {"values": values},
        "mark": {"type": "bar", "stroke": INK, "strokeWidth": 1, "height": 10},
        "encoding": {
            "y": {"field": "site", "type": "nominal", "sort": [v["site"] for v in values], "title": None},
            "x": {
                "field": "share",
                "type": "quantitative",
                "scale": {"domain": [0, 1]},
                "title": "share of futures",
                "axis": {"format": ".0%"},
            },
            "fill": {
                "field": "state",
                "type": "nominal",
                "legend": {"title": None, "orient": "top"},
                "scale": {"domain": ["in this layout", "not in it"], "range": ["#1b4965", "white"]},
            },
            "description": {"field": "tip"},
        },
    }
