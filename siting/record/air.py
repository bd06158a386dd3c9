"""The numbers of one tracer as the models use them: the region's own, else those known of the gas."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from siting.arrays import Floats
from siting.record.gases import GASES, Gas, Known, Triple
from siting.region.model import Region
from siting.region.schema.air import Parts, Tracer

HARMONICS = 4
FUNCTIONS = 2 + HARMONICS


class UnknownGasError(ValueError):
    """A tracer's numbers are missing and nothing is known of the gas beforehand; `missing` names them."""

    def __init__(self, text: str, missing: tuple[str, ...] = ()) -> None:
        self.missing = missing
        super().__init__(text)


class ErrorlessPlanError(UnknownGasError):
    """A plan measures a tracer without any error, which no instrument does; says which and what to give."""


@dataclass(frozen=True)
class Where:
    """A number's name as region.toml has it, its value, and where it comes from."""

    name: str
    value: float
    origin: str


@dataclass(frozen=True, eq=False)
class Air:
    """What is assumed of one tracer.

    Standard deviations in the tracer's unit (a year, a km, where the name says so). `representation`,
    `cell`, `beyond` and `source` are (3,) for level, growth, season; `season` is (k, 3) latitude, peak
    to trough, month of maximum; `gradient` (k, 2) latitude and yearly mean. `origins` lists every
    number with "given in region.toml" or the source of its default.
    """

    name: str
    unit: str
    synoptic_sd: float
    memory_days: float
    slow_sd: float
    slow_phi: float
    spell_days: float
    episode_days: float
    growth: float
    growth_anomaly_sd: float
    scale_drift_sd: float
    monthly_anomaly_sd: float
    method_offset_sd: float
    method_drift_sd: float
    local_growth: float
    altitude_damping: float
    altitude_level_sd: float
    intake_level_sd: float
    representation: Floats
    cell: Floats
    beyond: Floats
    source: Floats
    season: Floats
    gradient: Floats
    repeatability_analyzer: float
    repeatability_flask: float
    calibration_error: float
    origins: tuple[Where, ...]

    def expected_season(self, lat: Floats) -> Floats:
        """Return the expected harmonics (n, 4) at latitudes (n,): cos, sin of one cycle a year, then 0, 0.

        The two coefficients are interpolated linearly in latitude, flat beyond the ends. The phase is
        that of the calendar year; month 1 means the middle of January.
        """
        amplitude = self.season[:, 1] / 2.0
        phase = 2.0 * np.pi * (self.season[:, 2] - 0.5) / 12.0
        out = np.zeros((np.size(lat), HARMONICS))
        out[:, 0] = np.interp(lat, self.season[:, 0], amplitude * np.cos(phase))
        out[:, 1] = np.interp(lat, self.season[:, 0], amplitude * np.sin(phase))
        return out

    def expected_level(self, lat: Floats) -> Floats:
        """Return the expected yearly mean (n,) at latitudes (n,), against the region's own zero."""
        return np.asarray(np.interp(lat, self.gradient[:, 0], self.gradient[:, 1]), dtype=float)


def airs(region: Region) -> tuple[Air, ...]:
    """Return the air of every tracer of a region; raises `UnknownGasError` where numbers are missing."""
    return tuple(air_of(tracer) for tracer in region.settings.tracers)


def air_of(tracer: Tracer) -> Air:
    """Return one tracer's air; raises `UnknownGasError` naming every number that is missing."""
    gas = next((g for name, g in GASES.items() if name.lower() == tracer.name.lower()), None)
    if gas is not None and gas.unit != tracer.unit:
        gas = None
    origins: list[Where] = []
    missing: list[str] = []

    def number(name: str) -> float:
        given = getattr(tracer, name, None)
        if given is not None and (name in tracer.model_fields_set or gas is None or not hasattr(gas, name)):
            word = "given in region.toml" if name in tracer.model_fields_set else "assumed"
            origins.append(Where(name, float(given), word))
            return float(given)
        known: Known | None = getattr(gas, name, None)
        if known is None:
            missing.append(name)
            return float("nan")
        origins.append(Where(name, known.value, known.source))
        return known.value

    def triple(name: str) -> Floats:
        parts: Parts = getattr(tracer, name)
        known: Triple | None = getattr(gas, name, None)
        found = []
        for part in ("level", "growth", "season"):
            given = getattr(parts, part)
            if given is None and known is None:
                missing.append(f"{name}.{part}")
                found.append(float("nan"))
                continue
            value = float(given) if given is not None else float(getattr(known, part))
            source = "given in region.toml" if given is not None else (known.source if known else "")
            origins.append(Where(f"{name}.{part}", value, source))
            found.append(value)
        return np.array(found)

    numbers: dict[str, Any] = {f.name: number(f.name) for f in fields(Air) if f.type == "float"}
    triples: dict[str, Any] = {
        "representation": triple("representation_sd"),
        "cell": triple("cell_sd"),
        "beyond": triple("beyond_degree_sd"),
        "source": triple("source_sd"),
    }
    season, gradient = _curves(tracer, gas)
    if season.size == 0:
        missing.append("season")
    if gradient.size == 0:
        missing.append("gradient")
    if missing:
        raise UnknownGasError(
            f"tracer '{tracer.name}' ({tracer.unit}): nothing is known beforehand of this gas in this unit, so these "
            f"must be given in region.toml: {', '.join(missing)}",
            tuple(missing),
        )
    return Air(
        name=tracer.name,
        unit=tracer.unit,
        season=season,
        gradient=gradient,
        origins=tuple(origins),
        **numbers,
        **triples,
    )


def _curves(tracer: Tracer, gas: Gas | None) -> tuple[Floats, Floats]:
    """Return season and gradient as arrays sorted by latitude, the region's own first."""
    season = [(p.lat, p.peak_to_trough, p.month_of_maximum) for p in tracer.season] or (list(gas.season) if gas else [])
    gradient = [(p.lat, p.value) for p in tracer.gradient] or (list(gas.gradient) if gas else [])
    return np.array(sorted(season), dtype=float), np.array(sorted(gradient), dtype=float)
