"""What a network must show, as linear functionals of the state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats, Ints
from siting.deployments import parts_of, running_plan, simple_parts
from siting.field.harmonics import band_means
from siting.field.model import TracerModel
from siting.field.posterior import joint_information
from siting.field.state import State
from siting.record.air import FUNCTIONS, HARMONICS, Air
from siting.record.months import Months
from siting.region.expected import season_in_band
from siting.region.model import Region
from siting.region.schema.air import Band, Target
from siting.region.schema.network import Plan

DAYS_PER_YEAR = 365.25
LEVEL_TOLERANCE = 1e-12
# The anomaly of a month is made of modes up to this degree, or that of the field where it is less.
LOW_DEGREE = 2
# Targets to whose error the drift of the scale adds.
GROWTHS = ("realised_growth", "year_growth", "underlying_growth")


@dataclass(frozen=True, eq=False)
class Asked:
    """One target as the models take it.

    `vector` (n,) is the functional c over the state; `signal` its expected size; `harmonics` (n, 4) and
    `expected` (4,) are set for a season, whose detection looks at all four coefficients. `unit` is that
    of goal, signal and error.
    """

    id: str
    kind: str
    words: str
    goal: float
    weight: float
    unit: str
    signal: float
    vector: Floats
    harmonics: Floats | None = None
    expected: Floats | None = None
    default: bool = False


def default_targets(region: Region, tracer: int, air: Air) -> tuple[Target, ...]:
    """Return the tracer's three defaults: realised growth, season of the northern band, poleward difference.

    Goals are a fifth of the expected growth, a tenth of the expected season and of the difference. Bands are those
    that count for coverage, or all where none does. Where there is one only, no difference is asked for; without
    any, no season either.
    """
    bands = [band for band in region.settings.bands if band.coverage] or list(region.settings.bands)
    name = air.name
    growth = Target(id=f"{name} growth", kind="realised_growth", tracer=name, goal=max(abs(air.growth) / 5.0, 1e-9))
    if not bands:
        return (growth,)
    south, north = min(bands, key=lambda b: b.south), max(bands, key=lambda b: b.north)
    middle = np.array([(north.south + north.north) / 2.0])
    season = 2.0 * float(np.hypot(*air.expected_season(middle)[0, :2]))
    swing = Target(id=f"{name} season", kind="season", tracer=name, band=north.id, goal=max(season / 10.0, 1e-9))
    if (north.south, north.north) == (south.south, south.north):
        return growth, swing
    gap = abs(float(air.expected_level(middle)[0] - air.expected_level(np.array([(south.south + south.north) / 2]))[0]))
    return (
        growth,
        swing,
        Target(
            id=f"{name} difference",
            kind="level_difference",
            tracer=name,
            band=north.id,
            minus=south.id,
            goal=max(gap / 10.0, 1e-9),
        ),
    )


def targets_of(region: Region, tracer: int, air: Air) -> tuple[tuple[Target, ...], bool]:
    """Return the region's targets of one tracer, or its defaults and True where the region names none at all."""
    leading = region.tracers[0]
    if not region.settings.targets:
        return default_targets(region, tracer, air), True
    return tuple(t for t in region.settings.targets if (t.tracer or leading) == air.name), False


def ask(state: State, region: Region, air: Air, target: Target, default: bool = False) -> Asked:
    """Return a target as a functional of the state; monthly anomalies are another block and raise KeyError."""
    bands = {band.id: band for band in region.settings.bands}
    make = {
        "realised_growth": _realised_growth,
        "year_growth": _year_growth,
        "underlying_growth": _underlying_growth,
        "level_difference": _level_difference,
        "season": _season,
        "season_timing": _timing,
    }[target.kind]
    asked = make(state, air, target, bands, default)
    # The global level has an arbitrary prior; a target that loads on it would show nothing but that.
    if abs(asked.vector[0]) > LEVEL_TOLERANCE:
        raise ValueError(f"target '{target.id}' loads on the global level, which no network can be judged by")
    return asked


def _mean(state: State, band: Band) -> Floats:
    return band_means(band.south, band.north, state.prior.degree)


def _growth_vector(state: State) -> Floats:
    weights = np.zeros(state.mode_count)
    weights[0] = 1.0
    return state.field_vector(weights, 1)


def _growth(target: Target, air: Air, words: str, vector: Floats, default: bool) -> Asked:
    signal = air.growth if target.expected is None else target.expected
    return Asked(
        target.id, target.kind, words, target.goal, target.weight, f"{air.unit} a year", signal, vector, default=default
    )


def _realised_growth(state: State, air: Air, target: Target, bands: dict[str, Band], default: bool) -> Asked:
    """Underlying growth plus h_k times each year's anomaly, h_k the least-squares slope of its ramp over the window."""
    del bands
    axis = state.axis
    t = axis.time()[axis.window()]
    slopes = (t - t.mean()) @ axis.ramps()[axis.window()] / ((t - t.mean()) ** 2).sum()
    vector = _growth_vector(state)
    begin = state.begin("growth_anomalies")
    vector[begin : begin + axis.all_years] = slopes
    return _growth(target, air, f"growth of {air.name} over {axis.years} years", vector, default)


def _year_growth(state: State, air: Air, target: Target, bands: dict[str, Band], default: bool) -> Asked:
    del bands
    axis = state.axis
    year = axis.first_year if target.year is None else target.year
    vector = _growth_vector(state)
    vector[state.begin("growth_anomalies") + axis.older + min(year - axis.first_year, axis.years - 1)] = 1.0
    return _growth(target, air, f"growth of {air.name} in {year}", vector, default)


def _underlying_growth(state: State, air: Air, target: Target, bands: dict[str, Band], default: bool) -> Asked:
    del bands
    return _growth(target, air, f"underlying growth of {air.name}", _growth_vector(state), default)


def _level_difference(state: State, air: Air, target: Target, bands: dict[str, Band], default: bool) -> Asked:
    """Difference of band means over the window, the anomalies of its years averaged in."""
    one, other = bands[target.band or ""], bands[target.minus or ""]
    weights = _mean(state, one) - _mean(state, other)
    vector = state.field_vector(weights, 0)
    axis = state.axis
    begin = state.begin("level_anomalies")
    low = state.low_modes
    levels = vector[begin : begin + low * axis.all_years].reshape(low, axis.all_years)
    levels[:, axis.older :] = weights[1 : 1 + low, None] / axis.years
    middles = np.array([(one.south + one.north) / 2.0, (other.south + other.north) / 2.0])
    level = air.expected_level(middles)
    signal = float(level[0] - level[1]) if target.expected is None else target.expected
    return Asked(
        target.id,
        target.kind,
        f"{air.name} in {one.id} minus {other.id}",
        target.goal,
        target.weight,
        air.unit,
        signal,
        vector,
        default=default,
    )


def _harmonic_vectors(state: State, band: Band) -> Floats:
    weights = _mean(state, band)
    return np.column_stack([state.field_vector(weights, function) for function in range(2, FUNCTIONS)])


def _expected(air: Air, band: Band) -> Floats:
    """Return the expected harmonics (4,) of a band: area mean over its latitudes."""
    first = season_in_band(air.season, band.south, band.north)
    return np.concatenate([first, np.zeros(HARMONICS - first.size)])


def _season(state: State, air: Air, target: Target, bands: dict[str, Band], default: bool) -> Asked:
    """Highest minus lowest value at the expected dates; a fitted peak-to-trough is biased upward by noise."""
    band = bands[target.band or ""]
    expected = _expected(air, band)
    phase = float(np.arctan2(expected[1], expected[0]))
    at = np.array([phase, phase + np.pi])
    basis = np.column_stack([np.cos(at), np.sin(at), np.cos(2 * at), np.sin(2 * at)])
    difference = basis[0] - basis[1]
    signal = float(difference @ expected) if target.expected is None else target.expected
    if target.expected is not None and difference @ expected != 0.0:
        expected = expected * (target.expected / float(difference @ expected))
    harmonics = _harmonic_vectors(state, band)
    return Asked(
        target.id,
        target.kind,
        f"season of {air.name} in {band.id}",
        target.goal,
        target.weight,
        air.unit,
        signal,
        harmonics @ difference,
        harmonics,
        expected,
        default,
    )


def _timing(state: State, air: Air, target: Target, bands: dict[str, Band], default: bool) -> Asked:
    """Date of the first harmonic's maximum in days: 365.25 / (2 pi) x the part across it, over its amplitude."""
    band = bands[target.band or ""]
    a, b = _expected(air, band)[:2]
    square = float(a * a + b * b)
    if square <= 0.0:
        raise ValueError(f"target '{target.id}': no season is expected in band '{band.id}', so it has no date")
    turned = np.array([-b, a, 0.0, 0.0]) / square * DAYS_PER_YEAR / (2.0 * np.pi)
    signal = DAYS_PER_YEAR / 4.0 if target.expected is None else target.expected
    return Asked(
        target.id,
        target.kind,
        f"date of the season of {air.name} in {band.id}",
        target.goal,
        target.weight,
        "days",
        signal,
        _harmonic_vectors(state, band) @ turned,
        default=default,
    )


def monthly_information(model: TracerModel, picked: Ints) -> Floats:
    """Return the information (p, p) on the modes of one typical month's anomaly: its prior, and that of all records.

    p = 9 modes of degree 2 at most, 4 where the field's degree is 1; the prior has the tracer's
    `monthly_anomaly_sd` at every point. Each site adds b b' times the mean over the months of 1' R^-1 1, R the
    error covariance of the monthly means of its instruments (k picked deployments and the running stations).
    """
    modes = (anomaly_degree(model) + 1) ** 2
    told = monthly_shares(model, picked)
    sites, shares = np.array(sorted(told), dtype=np.int64), np.array([told[i] for i in sorted(told)], dtype=float)
    y = model.modes[sites, :modes]
    return np.asarray(np.eye(modes) * modes / model.air.monthly_anomaly_sd**2 + (y * shares[:, None]).T @ y)


def monthly_shares(model: TracerModel, picked: Ints) -> dict[int, float]:
    """Return by candidate 1' R^-1 1 of one typical month, the mean over the calendar months, of all its instruments.

    Those of picked deployments (k,) and running stations that measure the tracer at the end of the window. Where
    not every month is worked (`Region.working`), the mean over all months of the window, 0 in those lost.
    """
    stands = _typical_month(model, picked)
    used = {plan.id: plan for plans in stands.values() for plan in plans}
    found = {name: model.records.months_of(plan) for name, plan in used.items()}
    return {i: _month_share(model, i, [found[plan.id] for plan in plans]) for i, plans in sorted(stands.items())}


def monthly_variance(model: TracerModel, band: Band, information: Floats) -> tuple[float, float]:
    """Return the variance of a month's anomaly in a band before and after any record, in squares of the unit."""
    weights = band_means(band.south, band.north, anomaly_degree(model))
    before = float((weights**2).sum()) * model.air.monthly_anomaly_sd**2 / weights.size
    return before, float(weights @ np.linalg.solve(information, weights))


def anomaly_degree(model: TracerModel) -> int:
    """Return the degree up to which modes make up the anomaly of a month."""
    return min(LOW_DEGREE, model.mixing.degree)


def _typical_month(model: TracerModel, picked: Ints) -> dict[int, list[Plan]]:
    """Return by site the instruments that measure the tracer at the end of the window, one of a kind.

    Where a station already runs with an instrument, another one of its kind adds nothing.
    """
    region, d = model.planning.region, model.planning.deployments
    plans = region.settings.plans
    lasting = model.planning.lasting_flasks()
    stands: dict[int, dict[str, Plan]] = {}
    offered = [(int(i), simple_parts(running_plan(region, int(i)), plans)) for i in _running(region)]
    for k in picked:
        analyzer, flask = parts_of(plans[d.plan[k]], plans)
        there = [analyzer, flask if lasting[k] else None]
        offered.append((int(d.candidate[k]), [part for part in there if part is not None]))
    for i, parts in offered:
        for part in parts:
            if model.records.measures(part):
                stands.setdefault(i, {}).setdefault(part.kind, part)
    return {i: [parts[kind] for kind in sorted(parts)] for i, parts in stands.items()}


def _running(region: Region) -> Ints:
    return np.flatnonzero(region.candidates.running())


def _month_share(model: TracerModel, i: int, instruments: list[Months]) -> float:
    """Return the mean over the months of 1' R^-1 1 at one site, 0 in months in which it is closed."""
    air = model.site_air
    syn, slow = air.synoptic_variance[i], air.slow_variance[i]
    least = np.min([m.spread[i] for m in instruments], axis=0)
    own = np.array([m.own[i] + syn * (m.spread[i] - least) for m in instruments])
    chance = np.array([1.0 - m.empty[i] for m in instruments])
    told = joint_information(own, syn * least, slow, chance)
    is_open = np.tile(model.planning.region.open_months[i], told.size // 12)
    return float((is_open * told).mean())
