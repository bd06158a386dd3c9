"""What a layout will show: standard errors, detection, where the error comes from, what each site is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from siting.arrays import Floats, Ints
from siting.field.harmonics import band_means, harmonics
from siting.field.model import LayoutState, TracerModel, tracer_models
from siting.field.posterior import (
    NEEDED,
    detection_error,
    detection_information,
    detection_probability,
    season_probability,
)
from siting.field.state import BLOCKS, State
from siting.field.targets import GROWTHS, Asked, ask, monthly_information, monthly_variance, targets_of
from siting.planning import Planning
from siting.record.air import Air
from siting.region.schema.air import Mixing, Target

MOST_YEARS = 50
# What a belief is about, in the order in which it is told.
BAND, CIRCLE, ACROSS = "band", "along a circle of latitude", "across latitude"
BELIEFS = (BAND, CIRCLE, ACROSS)
QUANTITIES = ("level", "growth", "season")
QUARTER = 90.0


@dataclass(frozen=True)
class Share:
    """A part of a target's variance: what it comes from and how large it is, in squares of the unit."""

    source: str
    variance: float


@dataclass(frozen=True)
class Shown:
    """What a layout shows of one target.

    `error` is the standard error (with the scale-drift floor in it for growth), `floor` that part of
    it which no network lowers; `detection_error` does not use the prior on the target; `probability` is
    that of detection at 95 % confidence, `years` the length of record at which it is 90 % (None: never
    within 50 years, `never` says why). `shares` add up to the variance without the floor. `prior_error`
    is what was known before; `known_before` says that this met the goal already.
    """

    tracer: str
    id: str
    kind: str
    words: str
    unit: str
    goal: float
    weight: float
    default: bool
    signal: float
    error: float
    floor: float
    detection_error: float
    probability: float
    years: float | None
    never: str
    shares: tuple[Share, ...]
    prior_error: float
    known_before: bool

    @property
    def met(self) -> bool:
        """Whether the goal is met."""
        return self.error <= self.goal

    @property
    def signal_to_error(self) -> float:
        """Expected signal in units of the detection error; 0 where nothing is seen."""
        return abs(self.signal) / self.detection_error if np.isfinite(self.detection_error) else 0.0


@dataclass(frozen=True)
class Worth:
    """What one picked site is worth: by target the error without it, in the unit of the target."""

    id: str
    tracer: str
    without: tuple[tuple[str, float], ...]
    shortfall_loss: float


@dataclass(frozen=True)
class Believed:
    """What was believed of the field before any measurement, and what the network leaves of it.

    `quantity` is "level", "growth" or "season" (highest minus lowest month at the expected dates), `what`
    one of `BELIEFS`: the mean of a band (its level against the global mean), the difference of two points
    of one latitude 90 degrees of longitude apart (mean over four such pairs), or that of two band means.
    `before` and `after` are standard deviations in `unit`, of the field's modes alone.
    """

    tracer: str
    what: str
    place: str
    quantity: str
    unit: str
    before: float
    after: float

    @property
    def removed(self) -> float:
        """Share of the prior variance that the network removes, 0 to 1."""
        return 1.0 - min(1.0, (self.after / self.before) ** 2) if self.before > 0.0 else 0.0


@dataclass(frozen=True)
class Contrast:
    """Yearly-mean difference of two sites as expected, and its standard error from the network."""

    tracer: str
    one: str
    other: str
    expected: float
    error: float

    @property
    def significance(self) -> float:
        """Expected difference in standard errors."""
        return abs(self.expected) / self.error if self.error > 0.0 else float("inf")


@dataclass(frozen=True)
class Precision:
    """All that a layout shows, tracer by tracer; `shortfall`: over missed goals, of weight x ((error / goal)^2 - 1)."""

    shown: tuple[Shown, ...]
    worth: tuple[Worth, ...]
    believed: tuple[Believed, ...]
    contrasts: tuple[Contrast, ...]
    shortfall: float


def precision(
    planning: Planning,
    picked: Ints,
    mixing: Mixing | None = None,
    given_airs: Sequence[Air] | None = None,
    *,
    years: bool = True,
) -> Precision:
    """Return what picked deployments (k,) show together with the running stations.

    `mixing` and `given_airs` replace the region's own; without `years` the years to detection are left
    out (they take most of the time). Raises `UnknownGasError` where a tracer's numbers are missing.
    """
    ordered = np.sort(np.asarray(picked, dtype=np.int64))
    shown: list[Shown] = []
    worth: list[Worth] = []
    believed: list[Believed] = []
    contrasts: list[Contrast] = []
    for model in tracer_models(planning, mixing, given_airs):
        layout = model.layout(ordered)
        asked, monthly = asked_of(model, layout.state)
        detection = YearsToDetect(model, layout, ordered) if years else None
        shown += [_shown(model, layout, one, detection) for one in asked]
        shown += [_monthly(model, ordered, t) for t in monthly]
        worth += _worth(model, layout, ordered, asked)
        believed += _believed(model, layout)
        contrasts += _contrasts(model, layout, ordered)
    shortfall = sum(s.weight * max(0.0, (s.error / s.goal) ** 2 - 1.0) for s in shown)
    return Precision(tuple(shown), tuple(worth), tuple(believed), tuple(contrasts), shortfall)


def target_errors(
    planning: Planning, picked: Ints, mixing: Mixing | None = None, given_airs: Sequence[Air] | None = None
) -> dict[tuple[str, str], float]:
    """Return the standard errors that `precision` states, and nothing else, by (tracer, target)."""
    ordered = np.sort(np.asarray(picked, dtype=np.int64))
    found: dict[tuple[str, str], float] = {}
    for model in tracer_models(planning, mixing, given_airs):
        layout = model.layout(ordered)
        asked, monthly = asked_of(model, layout.state)
        name = model.air.name
        found |= {(name, one.id): _error(model, layout, one) for one in asked}
        found |= {(name, t.id): _monthly(model, ordered, t).error for t in monthly}
    return found


def asked_of(model: TracerModel, state: State) -> tuple[list[Asked], list[Target]]:
    """Return a tracer's targets as functionals of the state, and those of single months beside them."""
    region, air = model.planning.region, model.air
    targets, default = targets_of(region, model.tracer, air)
    asked = [ask(state, region, air, t, default) for t in targets if t.kind != "monthly_anomaly"]
    return asked, [t for t in targets if t.kind == "monthly_anomaly"]


def floor_of(model: TracerModel, one: Asked) -> float:
    """Return the part of an error that no network lowers: the scale's drift, for growth."""
    return model.air.scale_drift_sd if one.kind in GROWTHS else 0.0


def _error(model: TracerModel, layout: LayoutState, one: Asked) -> float:
    return float(np.sqrt(layout.given.variance(one.vector) + floor_of(model, one) ** 2))


def _shown(model: TracerModel, layout: LayoutState, one: Asked, detection: YearsToDetect | None) -> Shown:
    half = layout.state.root.T @ one.vector
    prior = float(np.sqrt(half @ half))
    floor = floor_of(model, one)
    information = float(detection_information(layout.state, layout.given, one.vector[:, None])[0, 0])
    plain = detection_error(information)
    error_det = float(np.hypot(plain, floor))
    if one.harmonics is not None and one.expected is not None:
        probability = season_probability(one.expected, detection_information(layout.state, layout.given, one.harmonics))
    else:
        probability = detection_probability(one.signal, error_det)
    years, never = detection.of(one) if detection is not None else (None, "")
    return Shown(
        tracer=model.air.name,
        id=one.id,
        kind=one.kind,
        words=one.words,
        unit=one.unit,
        goal=one.goal,
        weight=one.weight,
        default=one.default,
        signal=one.signal,
        error=_error(model, layout, one),
        floor=floor,
        detection_error=error_det,
        probability=probability,
        years=years,
        never=never,
        shares=_shares(model, layout, one.vector),
        prior_error=prior,
        known_before=prior <= one.goal,
    )


def _shares(model: TracerModel, layout: LayoutState, vector: Floats) -> tuple[Share, ...]:
    """Return where a target's variance comes from; the parts add up exactly."""
    blocks, records = layout.given.shares(vector)
    words = {
        "field": "what the prior leaves open between sites",
        "years": "change between years",
        "methods": "offsets and drifts of methods",
        "cells": "air shared within a cell",
        "places": "the places themselves",
    }
    ids = model.planning.region.candidates.ids
    found = [Share(words[BLOCKS[b]], float(v)) for b, v in enumerate(blocks)]
    by_site: dict[str, float] = {}
    for candidate, value in zip(layout.candidates, records, strict=True):
        by_site[ids[candidate]] = by_site.get(ids[candidate], 0.0) + float(value)
    found += [Share(f"sampling at {name}", value) for name, value in sorted(by_site.items())]
    return tuple(found)


class YearsToDetect:
    """Years of record until a target is detected with 90 % probability; every record is rebuilt for each length."""

    def __init__(self, model: TracerModel, layout: LayoutState, picked: Ints) -> None:
        """`layout` is that of the picked deployments over the window as it is."""
        self._model, self._picked = model, picked
        self._layouts = {model.axis.years: (model, layout)}

    def of(self, one: Asked) -> tuple[float | None, str]:
        """Return years (linear between whole ones), or None and the floor that stands in the way."""
        if one.signal == 0.0:
            return None, "no signal is expected"
        wanted = abs(one.signal) / NEEDED
        low, high = 0, min(self._model.axis.years, MOST_YEARS)
        while self._error(one, high) > wanted:
            if high == MOST_YEARS:
                return None, self._obstacle(one)
            low, high = high, min(2 * high, MOST_YEARS)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if self._error(one, middle) <= wanted else (middle, high)
        after = self._error(one, high)
        before = self._error(one, low) if low else float("inf")
        if not np.isfinite(before) or before <= after:
            return float(high), ""
        return float(high - (wanted - after) / (before - after)), ""

    def _error(self, one: Asked, years: int) -> float:
        model, layout = self._layout(years)
        vector = _same_target(model, layout, one)
        error = detection_error(float(detection_information(layout.state, layout.given, vector[:, None])[0, 0]))
        return float(np.hypot(error, floor_of(model, one)))

    def _layout(self, years: int) -> tuple[TracerModel, LayoutState]:
        if years not in self._layouts:
            model = replace(self._model, years=years)
            self._layouts[years] = (model, model.layout(self._picked))
        return self._layouts[years]

    def _obstacle(self, one: Asked) -> str:
        """Name what keeps a target from ever being seen."""
        model, layout = self._layout(MOST_YEARS)
        if floor_of(model, one) > abs(one.signal) / NEEDED:
            return "drift of the scale"
        blocks, records = layout.given.shares(_same_target(model, layout, one))
        parts = {**dict(zip(BLOCKS, blocks.tolist(), strict=False)), "sampling": float(records.sum())}
        names = {
            "field": "too few sites",
            "years": "change between years",
            "methods": "offset and drift of methods",
            "cells": "the sites' own air",
            "places": "the places themselves",
            "sampling": "noise of the samples",
        }
        return names[max(parts, key=lambda name: parts[name])]


def _same_target(model: TracerModel, layout: LayoutState, one: Asked) -> Floats:
    """Return a target's functional for another length of window; growth then means the underlying one."""
    region = model.planning.region
    targets, _ = targets_of(region, model.tracer, model.air)
    target = next(t for t in targets if t.id == one.id)
    if target.kind in GROWTHS:
        target = target.model_copy(update={"kind": "underlying_growth"})
    return ask(layout.state, region, model.air, target).vector


def _worth(model: TracerModel, layout: LayoutState, picked: Ints, asked: Sequence[Asked]) -> list[Worth]:
    """Return for each picked deployment the errors without it."""
    if not asked:
        return []
    d, ids = model.planning.deployments, model.planning.region.candidates.ids
    vectors = np.column_stack([one.vector for one in asked])
    floors = np.array([floor_of(model, one) ** 2 for one in asked])
    goals, weights = np.array([one.goal for one in asked]), np.array([one.weight for one in asked])

    def shortfall(variance: Floats) -> float:
        return float((weights * np.maximum(0.0, variance / goals**2 - 1.0)).sum())

    now = np.diag(layout.given.covariance(vectors)) + floors
    found = []
    for k, position in zip(picked, layout.position, strict=True):
        after = now if position is None else layout.given.without(position, vectors) + floors
        without = tuple((one.id, float(np.sqrt(v))) for one, v in zip(asked, after, strict=True))
        found.append(Worth(ids[d.candidate[k]], model.air.name, without, shortfall(after) - shortfall(now)))
    return found


def _believed(model: TracerModel, layout: LayoutState) -> list[Believed]:
    """Return prior and posterior sd of level, growth and season: of bands, along circles, across latitude."""
    bands = sorted((b for b in model.planning.region.settings.bands if b.coverage), key=lambda b: (b.south, b.id))
    degree, air = layout.state.prior.degree, model.air
    means = [band_means(band.south, band.north, degree) for band in bands]
    middles = [(band.south + band.north) / 2.0 for band in bands]
    # Each entry: what, place, and pairs of (weights over the modes, latitude whose dates of the season count).
    asked: list[tuple[str, str, list[list[tuple[Floats, float]]]]] = []
    for band, mean, middle in zip(bands, means, middles, strict=True):
        asked.append((BAND, band.id, [[(mean, middle)]]))
    for middle in dict.fromkeys(middles):
        points = harmonics(np.full(4, middle), np.arange(4) * QUARTER, degree)
        pairs = [[(points[(k + 1) % 4] - points[k], middle)] for k in range(4)]
        asked.append((CIRCLE, _latitude(middle), pairs))
    steps = [(k + 1, k) for k in range(len(bands) - 1)]
    if len(bands) > 2:
        steps.append((len(bands) - 1, 0))
    for a, b in steps:
        place = f"{bands[a].id} minus {bands[b].id}"
        asked.append((ACROSS, place, [[(means[a], middles[a]), (-means[b], middles[b])]]))
    found = []
    for what, place, pairs in asked:
        for function, quantity in enumerate(QUANTITIES):
            vectors = np.column_stack([_belief(layout, air, terms, function) for terms in pairs])
            half = layout.state.root.T @ vectors
            after = float(np.diag(layout.given.covariance(vectors)).mean())
            unit = f"{air.unit} a year" if quantity == "growth" else air.unit
            before = float((half**2).sum(axis=0).mean())
            found.append(Believed(air.name, what, place, quantity, unit, float(np.sqrt(before)), float(np.sqrt(after))))
    return found


def _belief(layout: LayoutState, air: Air, terms: Sequence[tuple[Floats, float]], function: int) -> Floats:
    """Return the functional (n,) of level (0, the global mean taken off), growth (1) or season (2)."""
    out = np.zeros(layout.state.size)
    for weights, lat in terms:
        if function < 2:
            out += layout.state.field_vector(weights, function)
            continue
        expected = air.expected_season(np.array([lat]))[0]
        phase = float(np.arctan2(expected[1], expected[0]))
        out += layout.state.field_vector(2.0 * np.cos(phase) * weights, 2)
        out += layout.state.field_vector(2.0 * np.sin(phase) * weights, 3)
    if function == 0:
        out[0] = 0.0
    return out


def _latitude(lat: float) -> str:
    return "the equator" if lat == 0.0 else f"{abs(lat):g} {'N' if lat > 0.0 else 'S'}"


def _contrasts(model: TracerModel, layout: LayoutState, picked: Ints) -> list[Contrast]:
    """Return the expected difference of every pair of picked sites, field and cells together, with its error."""
    d, c = model.planning.deployments, model.planning.region.candidates
    sites = [int(d.candidate[k]) for k, p in zip(picked, layout.position, strict=True) if p is not None]
    sites = sorted(set(sites))
    if len(sites) < 2:
        return []
    y = harmonics(c.lat[sites], c.lon[sites], layout.state.prior.degree)
    vectors = np.column_stack(
        [layout.state.field_vector(y[row], 0) + _cell_vector(model, layout, site) for row, site in enumerate(sites)]
    )
    covariance = layout.given.covariance(vectors)
    level = model.air.expected_level(c.lat[sites])
    found = []
    for a in range(len(sites)):
        for b in range(a + 1, len(sites)):
            variance = covariance[a, a] + covariance[b, b] - 2.0 * covariance[a, b]
            found.append(
                Contrast(
                    model.air.name,
                    c.ids[sites[a]],
                    c.ids[sites[b]],
                    float(level[a] - level[b]),
                    float(np.sqrt(max(0.0, variance))),
                )
            )
    return found


def _cell_vector(model: TracerModel, layout: LayoutState, site: int) -> Floats:
    out = np.zeros(layout.state.size)
    cell = int(model.cells[site])
    if cell in layout.state.cells:
        out[layout.state.begin("cells") + 6 * layout.state.cells.index(cell)] = 1.0
    return out


def _monthly(model: TracerModel, picked: Ints, target: Target) -> Shown:
    """Return a monthly anomaly: a block of its own, modes l <= 2 of one typical month."""
    air, region = model.air, model.planning.region
    band = next(b for b in region.settings.bands if b.id == target.band)
    before, after = monthly_variance(model, band, monthly_information(model, picked))
    plain = detection_error(1.0 / after - 1.0 / before if after < before else 0.0)
    signal = air.monthly_anomaly_sd if target.expected is None else target.expected
    return Shown(
        tracer=air.name,
        id=target.id,
        kind=target.kind,
        words=f"anomaly of {air.name} in one month in {band.id}",
        unit=air.unit,
        goal=target.goal,
        weight=target.weight,
        default=False,
        signal=signal,
        error=float(np.sqrt(after)),
        floor=0.0,
        detection_error=plain,
        probability=detection_probability(signal, plain),
        years=None,
        never="it is a matter of one month",
        shares=(Share("one typical month", after),),
        prior_error=float(np.sqrt(before)),
        known_before=bool(np.sqrt(before) <= target.goal),
    )
