"""What `--json` prints of a layout: layout.json and the tables beside it as one document for machines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from siting.assessment.layout import Assessment
from siting.outputs import tables
from siting.outputs.cautions import cautions
from siting.outputs.manifest import Certificate, layout_content
from siting.outputs.supply import supply_rows
from siting.outputs.terminal import answer_words
from siting.planning import Planning


def machine_content(planning: Planning, assessment: Assessment, certificate: Certificate | None) -> dict[str, Any]:
    """Return layout.json's content with sites, coverage, gaps, efficiencies, cautions and notes on the inputs."""
    region = planning.region
    notes = [warning for warning in region.warnings if warning.may_change_answer]
    return {
        **layout_content(planning, assessment, certificate, answer_words(planning, assessment, certificate)),
        "sites": _plain(tables.site_rows(assessment)),
        "coverage": _plain(tables.band_rows(assessment)),
        "gaps": _plain(tables.gap_rows(assessment)),
        "efficiencies": _plain(tables.profile_rows(assessment)),
        "supply": _plain(supply_rows(assessment.supply)),
        "cautions": cautions(planning, assessment),
        "notes": [note.as_dict() for note in notes],
    }


def _plain(rows: Sequence[Mapping[str, object]]) -> list[dict[str, object]]:
    """Return rows with money as a number."""
    return [{k: float(v) if isinstance(v, Decimal) else v for k, v in row.items()} for row in rows]
