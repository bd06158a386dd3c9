"""Builds small invented regions for tests: settings and candidates in memory, checked by the same models as files.

Everything that comes out is invented. Load it with `load()` of the few lines that stand in each test file.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import shapely

from siting.region.candidates import Entry, build, monthly_arrays
from siting.region.model import Region, frozen_mapping
from siting.region.schema.settings import Settings
from siting.region.schema.tables import CandidateRow, HubRow, LegRow

FLASK = {"id": "f", "kind": "flask", "samples_per_month": 4.0}
ANALYZER = {"id": "a", "kind": "analyzer"}
BOTH = {"id": "b", "kind": "both", "analyzer_plan": "a", "flask_plan": "f"}


def _tuples(value):
    if isinstance(value, (list, tuple)):
        return tuple(_tuples(item) for item in value)
    return {key: _tuples(item) for key, item in value.items()} if isinstance(value, dict) else value


def settings(**given):
    """Return settings; what is not given is the least that a region needs (one flask plan, a large budget)."""
    content = {
        "schema_version": 1,
        "title": "invented",
        "currency": "crowns",
        "first_year": 2030,
        "years": 3,
        "budget": {"total": 1e9},
        "tracers": [{"name": "XX", "unit": "ppb", "scale": "invented"}],
        "plans": [FLASK],
    }
    return Settings.model_validate(_tuples(content | given))


def _cell(value):
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return " ".join(str(item) for item in value)
    return value if isinstance(value, str) else repr(value)


def _rows(model, rows):
    return tuple(model.model_validate({name: _cell(value) for name, value in row.items()}) for row in rows)


def region(candidates, *, months=None, legs=(), hubs=(), distances_km=None, **given):
    """Return a region of candidates (dictionaries of columns, `geometry` for a track) and settings.

    `months` maps (id, month) to {"exposure": ..., "risk": ...} as monthly.csv does; `legs` and `hubs` are rows of
    legs.csv and hubs.csv, `distances_km` those to airport and supply port by id.
    """
    made = given.pop("settings", None) or settings(**given)
    entries = []
    for k, cells in enumerate(candidates):
        cells = dict(cells)
        shape = cells.pop("geometry", None)
        row = CandidateRow.model_validate({name: _cell(value) for name, value in cells.items()})
        if shape is None:
            shape = shapely.Point(row.lon or 0.0, row.lat or 0.0)
        entries.append(Entry(row, "candidates.csv", k + 2, shape, {}, {}))
    entries.sort(key=lambda entry: entry.row.id)
    return Region(
        name="made",
        settings=made,
        candidates=build(entries, made.supply.visits_per_year),
        winds=(),
        sources=(),
        hubs=_rows(HubRow, hubs),
        legs=_rows(LegRow, legs),
        distances_km=np.array([(distances_km or {}).get(e.row.id, (np.nan, np.nan)) for e in entries]).reshape(-1, 2),
        layouts=frozen_mapping({}),
        records=frozen_mapping({}),
        inputs=(),
        rows_read=len(entries),
        warnings=(),
        **monthly_arrays(entries, [t.name for t in made.tracers], months or {}),
    )


def with_risk(made, risk):
    """Return the region with other contamination risks (tracers, n, 12)."""
    return dataclasses.replace(made, risk=np.asarray(risk, dtype=float))


def picks(planning, *wanted):
    """Return the positions of deployments given as (candidate id, plan id, start year)."""
    ids, plans = planning.region.candidates.ids, [plan.id for plan in planning.region.settings.plans]
    found = [planning.deployments.find(ids.index(c), plans.index(p), y) for c, p, y in wanted]
    assert None not in found, "the test asks for a deployment that is not offered"
    return np.array(sorted(found), dtype=np.int64)
