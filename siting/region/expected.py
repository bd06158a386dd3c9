"""What the models need of the air: numbers that are missing, seasons without a date, records without error.

The numbers that are known of a gas beforehand stand in `siting.record`; what a tracer lacks is asked there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from siting.arrays import Floats
from siting.record.gases import GASES
from siting.region.crosschecks import SettingsCheck
from siting.region.faults import Fault
from siting.region.model import Region
from siting.region.plain import listed, quoted
from siting.region.schema.air import Target, Tracer
from siting.region.schema.network import Plan
from siting.region.schema.settings import Settings
from siting.region.settings_file import TOML

if TYPE_CHECKING:
    from siting.record.air import Air

# What is known of a tracer, or the names of the numbers that are missing.
Known: TypeAlias = "Air | tuple[str, ...]"
# A mean season below this share of its largest local amplitude is rounding and has no date.
NO_SEASON = 1e-9
_NOISE = ("repeatability", "calibration_error")


def season_in_band(points: ArrayLike, south: float, north: float) -> Floats:
    """Return the area mean (2,) over a band of the cos and sin of one cycle a year, in the tracer's unit.

    `points` (k, 3) are latitude, peak to trough and month of maximum, sorted by latitude; between them the
    coefficients are linear in latitude, beyond them flat. Month 1 means the middle of January. A mean that
    is nothing but rounding is 0.
    """
    lat, size, month = np.asarray(points, dtype=float).reshape(-1, 3).T
    nodes, weights = np.polynomial.legendre.leggauss(16)
    a, b = np.sin(np.radians([south, north]))
    here = np.degrees(np.arcsin(np.clip((a + b) / 2.0 + (b - a) / 2.0 * nodes, -1.0, 1.0)))
    phase = 2.0 * np.pi * (month - 0.5) / 12.0
    parts = [np.interp(here, lat, size / 2.0 * turn(phase)) for turn in (np.cos, np.sin)]
    mean = np.array([weights / 2.0 @ part for part in parts])
    if np.hypot(*mean) <= NO_SEASON * np.hypot(*parts).max():
        return np.zeros(2)
    return mean


def check_expected(check: SettingsCheck) -> None:
    """Check what the models need of each tracer; numbers may be missing where no target asks for them."""
    settings = check.settings
    known = [_air(tracer) for tracer in settings.tracers]
    for t, (tracer, air) in enumerate(zip(settings.tracers, known, strict=True)):
        if isinstance(air, tuple):
            _missing_numbers(check, t, tracer, air)
    for i, target in enumerate(settings.targets):
        if target.kind == "season_timing":
            _check_date(check, i, target, known)
        if target.kind == "monthly_anomaly":
            _check_anomaly(check, i, target, known)
    for t, air in enumerate(known):
        _check_noise(check, t, air)


def missing_air(region: Region) -> tuple[Fault, ...]:
    """Return a fault for each tracer of which numbers are missing that are needed to say what a layout shows."""
    found = []
    for tracer in region.settings.tracers:
        air = _air(tracer)
        if isinstance(air, tuple):
            problem = f"{_unknown(tracer)}; what a layout will show needs {_words(air)}"
            found.append(Fault(TOML, None, f"tracer {quoted(tracer.name)}", None, problem, _KNOWN, _MEND))
    return tuple(found)


_KNOWN = "a gas that is known (" + ", ".join(f"{name} in {gas.unit}" for name, gas in sorted(GASES.items())) + ")"
_KNOWN += ", or all of these numbers given"
_MEND = "give them in its [[tracers]]"


def _air(tracer: Tracer) -> Known:
    # The numbers of a gas are put together where they are used, and that place knows regions.
    from siting.record.air import UnknownGasError, air_of

    try:
        return air_of(tracer)
    except UnknownGasError as error:
        return error.missing


def _unknown(tracer: Tracer) -> str:
    for name, gas in GASES.items():
        if name.lower() == tracer.name.lower():
            return f"this gas is known beforehand in {gas.unit} only, not in {tracer.unit}"
    return "nothing is known of this gas beforehand"


def _words(missing: tuple[str, ...]) -> str:
    return listed(missing, len(missing))


def _missing_numbers(check: SettingsCheck, t: int, tracer: Tracer, missing: tuple[str, ...]) -> None:
    """A target that asks for a tracer makes missing numbers a fault; without one a score can do without them."""
    settings, place = check.settings, ("tracers", t)
    asking = [target for target in settings.targets if _tracer_of(target, settings) == tracer.name]
    if asking:
        names = listed(quoted(target.id) for target in asking)
        check.fault(
            place,
            None,
            f"{_unknown(tracer)}; target{'s' * (len(asking) > 1)} {names} need{'s' * (len(asking) == 1)} "
            f"{_words(missing)}",
            allowed=_KNOWN,
            mend=f"{_MEND}, or take its targets out",
        )
    elif settings.targets and not check.doubtful(place):
        check.warn(
            place,
            None,
            f"{_unknown(tracer)}, so that nothing can be stated of what a layout will show, of other tracers neither; "
            f"missing are {_words(missing)}",
            mend=_MEND,
        )


def _tracer_of(target: Target, settings: Settings) -> str:
    return target.tracer or settings.tracers[0].name


def _check_date(check: SettingsCheck, i: int, target: Target, known: list[Known]) -> None:
    """A season has a date only where one is expected."""
    settings = check.settings
    band = next((band for band in settings.bands if band.id == target.band), None)
    name = _tracer_of(target, settings)
    t = next((t for t, tracer in enumerate(settings.tracers) if tracer.name == name), None)
    if band is None or t is None or band.south >= band.north:
        return
    air, given = known[t], settings.tracers[t].season
    points: ArrayLike = sorted((p.lat, p.peak_to_trough, p.month_of_maximum) for p in given)
    if not given:
        if isinstance(air, tuple):
            return  # the season itself is missing, which is told
        points = air.season
    if not season_in_band(points, band.south, band.north).any():
        check.fault(
            ("targets", i, "kind"),
            target.kind,
            f"no season of {name} is expected in band {quoted(band.id)}, so it has no date",
            allowed="season_timing where the `season` of the tracer gives a season in the band",
            mend=f"give the `season` of tracer {quoted(name)} at these latitudes, name another band, or take it out",
            rests_on=(("bands", settings.bands.index(band)), ("tracers", t)),
        )


def _check_anomaly(check: SettingsCheck, i: int, target: Target, known: list[Known]) -> None:
    """The anomaly of a month is nothing to be shown where none is expected."""
    settings = check.settings
    name = _tracer_of(target, settings)
    for t, tracer in enumerate(settings.tracers):
        if tracer.name == name and _number(tracer, known[t], "monthly_anomaly_sd") == 0.0:
            check.fault(
                ("targets", i, "kind"),
                target.kind,
                f"the monthly_anomaly_sd of {name} is 0, so there is no anomaly to be shown",
                allowed="monthly_anomaly where monthly_anomaly_sd is above 0",
                mend="give the tracer's monthly_anomaly_sd, or take the target out",
                rests_on=(("tracers", t),),
            )


def _check_noise(check: SettingsCheck, t: int, air: Known) -> None:
    """Refuse instruments without any error: their months could not be weighed against others.

    The variability of the air is no error of theirs, for all records of a cell share it.
    """
    settings = check.settings
    tracer = settings.tracers[t]
    for p, plan in enumerate(settings.plans):
        if _is_exact(plan, settings, tracer, air):
            check.fault(
                ("plans", p),
                None,
                f"measures {tracer.name} without any error: {' and '.join(_NOISE)} are both 0",
                allowed="one of them above 0, for each gas of the plan",
                mend=f"give the real ones (in [[plans]] for its first gas, else in tracer {quoted(tracer.name)}), "
                "or leave out what you do not know",
                rests_on=(("tracers", t),),
            )


def _is_exact(plan: Plan, settings: Settings, tracer: Tracer, air: Known) -> bool:
    """Say whether a simple plan measures a tracer without any error; its own numbers are for its first gas."""
    if plan.kind not in ("analyzer", "flask") or (plan.gases and tracer.name not in plan.gases):
        return False
    first = (plan.gases[0] if plan.gases else settings.tracers[0].name) == tracer.name
    for name in _NOISE:
        own = getattr(plan, name) if first else None
        field = name if name == "calibration_error" else f"{name}_{plan.kind}"
        if (own if own is not None else _number(tracer, air, field)) != 0.0:
            return False
    return True


def _number(tracer: Tracer, air: Known, name: str) -> float | None:
    """Return a tracer's number as the models take it, None where it is missing."""
    value = getattr(tracer if isinstance(air, tuple) else air, name)
    return None if value is None else float(value)
