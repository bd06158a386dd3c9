"""Read and check a region folder: every fault of every file at once, or a frozen Region."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from siting.arrays import read_only
from siting.region import fingerprints
from siting.region.candidates import Entry, build, check_entries, monthly_arrays, read_entries
from siting.region.crosschecks import SettingsCheck, check_settings
from siting.region.derived import distances_of, fill_derived, name_prices, take_months
from siting.region.expected import check_expected
from siting.region.faults import NOT_USED, Findings
from siting.region.folder import (
    CANDIDATE_FILES,
    DERIVED_FILE,
    name_strange_files,
    open_folder,
    read_candidate_files,
    read_optional,
)
from siting.region.further_tables import Context, FurtherTables, read_further_tables
from siting.region.model import Origin, Region, frozen_mapping
from siting.region.references import KnownIds, check_against_candidates
from siting.region.rows import Raw
from siting.region.same_place import name_doubtful_places
from siting.region.schema.lookups import unused_settings
from siting.region.schema.settings import Settings
from siting.region.settings_file import TOML, TomlFile, read_settings
from siting.region.transport import name_transport


def read_region(folder: str | Path) -> Region:
    """Read a region folder.

    Raises `InputError` with every fault of every file (file, row, field, value, what is allowed, the
    mend). Warnings are kept on the Region.
    """
    findings = Findings()
    path = open_folder(folder, findings)
    file = read_settings(path, findings)
    tracers = _tracer_names(file)
    raws, lost = read_candidate_files(path, findings)
    name_strange_files(path, findings)
    entries = read_entries(raws, tracers, findings)
    derived = read_optional(path, DERIVED_FILE, findings)
    if derived is not None:
        fill_derived(entries, derived, tracers, findings)
    check_entries(entries, findings)

    complete = bool(entries) and sum(len(raw.rows) for raw in raws) == len(entries)
    known = KnownIds((entry.row.id for entry in entries), lost if entries else None, complete=complete)
    context = Context(tracers, known, file.plan_ids(), _window(file))
    tables = read_further_tables(path, context, findings)
    if file.settings is not None:
        check = SettingsCheck(file, file.settings, findings)
        check_settings(check)
        check_expected(check)
        check_against_candidates(check, entries, known, findings)
        _name_unused(file.settings, findings)
    present = [raw.file for raw in raws]
    known.suspect_missing_file(findings, present, [name for name in CANDIDATE_FILES if not (path / name).exists()])
    findings.raise_if_any()
    if file.settings is None:
        raise AssertionError("settings are missing although no fault was found")

    name_prices(entries, derived, findings)
    name_doubtful_places(entries, findings)
    name_transport(file.settings, entries, tables.hubs, tables.legs, findings)
    _name_running_kinds(entries, file.settings, findings)
    take_months(entries, tables.months, tables.derived_months)
    all_raws = [*raws, *tables.raws]
    by_derive = [raw for raw in (derived, tables.derived_raw) if raw is not None]
    hashes = {raw.file: fingerprints.of_rows(raw) for raw in [*all_raws, *by_derive]}
    hashes[TOML] = fingerprints.of_settings(file.content)
    return _region(path.resolve().name, file.settings, entries, tables, tracers, hashes, all_raws, findings, derived)


def _region(
    name: str,
    settings: Settings,
    entries: Sequence[Entry],
    tables: FurtherTables,
    tracers: Sequence[str],
    hashes: dict[str, str],
    raws: Sequence[Raw],
    findings: Findings,
    derived: Raw | None,
) -> Region:
    supply = settings.supply
    visits_origin = Origin.GIVEN if "visits_per_year" in supply.model_fields_set else Origin.ASSUMED
    return Region(
        name=name,
        settings=settings,
        candidates=build(entries, supply.visits_per_year, tracers=tracers, visits_origin=visits_origin),
        winds=tables.winds,
        sources=tables.sources,
        source_strength=read_only(tables.source_strength),
        hubs=tables.hubs,
        distances_km=read_only(distances_of(entries, derived)),
        legs=tables.legs,
        layouts=frozen_mapping(tables.layouts),
        records=frozen_mapping(tables.records),
        record_values=frozen_mapping(tables.record_values),
        inputs=tuple(sorted(hashes.items())),
        rows_read=sum(len(raw.rows) for raw in raws),
        warnings=tuple(findings.warnings),
        **monthly_arrays(entries, tracers, tables.months, tables.derived_months),
    )


def _tracer_names(file: TomlFile) -> list[str]:
    """Return the names of the tracers in their order, also of those whose other settings are faulty."""
    found = file.content.get("tracers")
    names = [t.get("name") for t in found if isinstance(t, dict)] if isinstance(found, list) else []
    return [name for name in names if isinstance(name, str)] or ["tracer"]


def _window(file: TomlFile) -> tuple[int, int] | None:
    settings = file.settings
    if settings is None or file.doubtful(("first_year",)) or file.doubtful(("years",)):
        return None
    return settings.first_year, settings.first_year + settings.years - 1


def _name_unused(settings: Settings, findings: Findings) -> None:
    """Warn of settings that are accepted and checked but change no answer yet."""
    names = unused_settings(settings)
    if names:
        findings.warn(TOML, None, None, None, f"{NOT_USED}: {', '.join(names)}")


def _name_running_kinds(entries: Sequence[Entry], settings: Settings, findings: Findings) -> None:
    """Say where nothing tells what a running station measures with, since flasks are then taken for granted."""
    methods = {plan.record_method for plan in settings.plans if plan.kind != "flask_then_analyzer"}
    for entry in entries:
        row = entry.row
        if row.status == "running" and row.running_plan is None and row.method not in methods:
            problem = "not given for a running station, which is then taken for one with flasks"
            findings.warn(entry.file, entry.number, "running_plan", None, problem, mend="name the plan that it runs")
