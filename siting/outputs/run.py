"""All files of one layout, and the writing of them."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np

from siting.arrays import Ints
from siting.assessment.layout import Assessment
from siting.assessment.schedule import schedule_of
from siting.outputs import layers, schedule, shown, stations, supply, tables
from siting.outputs.cautions import cautions
from siting.outputs.folder import write_folder
from siting.outputs.manifest import Certificate, layout_json
from siting.outputs.picture import map_svg
from siting.outputs.proof import NAME, digest, proof_json
from siting.outputs.terminal import answer_words
from siting.planning import Planning
from siting.selection.stages import Proven


def layout_files(
    planning: Planning, assessment: Assessment, certificate: Certificate | None, proven: Proven | None = None
) -> dict[str, str]:
    """Return the text of every file of a layout by name; the same input gives the same bytes."""
    # A search that was stopped before it knew any bound has proved nothing.
    bounded = proven is not None and all(math.isfinite(stage.bound) for stage in proven.selection.stages)
    proof = proof_json(proven) if proven is not None and bounded else None
    if proof is not None and certificate is not None:
        certificate = replace(certificate, proof_sha256=digest(proof))
    files = {
        "layout.json": layout_json(planning, assessment, certificate, answer_words(planning, assessment, certificate)),
        "network.geojson": layers.network(planning, assessment),
        "candidates.geojson": layers.candidates(planning, assessment),
        "bands.geojson": layers.bands(assessment),
        "sites.csv": tables.sites(assessment),
        "coverage.csv": tables.coverage(assessment),
        "gaps.csv": tables.gaps(assessment),
        "profiles.csv": tables.profiles(assessment),
        "costs.csv": tables.costs(assessment),
        supply.TABLE: supply.supply_csv(assessment.supply),
        schedule.TABLE: schedule.schedule_csv(schedule_of(planning, _picked(planning, assessment))),
        "stations.csv": stations.stations_csv(planning, assessment),
        "cautions.txt": "".join(f"{line}\n" for line in cautions(planning, assessment)),
    }
    if assessment.supply.any_legs:
        files[supply.NAME] = supply.supply_geojson(assessment.supply)
    read = {name: json.loads(text) for name, text in files.items() if name.endswith("json")}
    files["map.svg"] = map_svg(
        read["layout.json"],
        read["network.geojson"],
        read["candidates.geojson"],
        read["bands.geojson"],
        read.get(supply.NAME),
    )
    if proof is not None:
        files[NAME] = proof
    if assessment.statement is not None:
        files |= shown.statement_files(assessment.statement)
        files["signals.csv"] = stations.signals_csv(assessment.statement.signals, planning.region.settings.first_year)
        files["swaps.csv"] = stations.swaps_csv(assessment.statement.swaps)
    return files


def _picked(planning: Planning, assessment: Assessment) -> Ints:
    """Return the deployments (k,) that were assessed."""
    plans = [plan.id for plan in planning.region.settings.plans]
    index, find = planning.region.candidates.index, planning.deployments.find
    found = [find(index(pick.id), plans.index(pick.plan), pick.start_year) for pick in assessment.picks]
    if None in found:
        raise ValueError("the assessment is of another planning")
    return np.array(found, dtype=np.int64)


def with_proof(certificate: Certificate | None, paths: tuple[Path, ...]) -> Certificate | None:
    """Return a certificate with the SHA-256 of the proof among the files just written, as their layout.json has it."""
    written = [path for path in paths if path.name == NAME]
    if certificate is None or not written:
        return certificate
    return replace(certificate, proof_sha256=digest(written[0].read_text(encoding="utf-8")))


def write_layout(
    target: Path,
    planning: Planning,
    assessment: Assessment,
    certificate: Certificate | None,
    log: str,
    proven: Proven | None = None,
    report: Callable[[Mapping[str, str | bytes]], Mapping[str, str | bytes]] | None = None,
) -> tuple[Path, ...]:
    """Write a layout's folder; `log` (clock times, outside the promise of equal bytes) goes to run.log.

    `report` makes further files from them (the report page; it imports from here, so it comes as an argument).
    Raises `FolderError` where the folder cannot be written; then the old result stands as it was.
    """
    files: dict[str, str | bytes] = {**layout_files(planning, assessment, certificate, proven)}
    made = report(files) if report is not None else {}
    return write_folder(target, {**files, **made, "run.log": log})
