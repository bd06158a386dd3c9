"""What a record cannot tell apart because of its length, its gaps and the distance of its samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from siting.arrays import Floats
from siting.noise.design import LEAST_VALUES, MONTH_DAYS, YEAR_DAYS, Design
from siting.noise.likelihood import Noise

SYNOPTIC_DAYS = 10.0  # samples further apart than this share no weather
SLOW_YEARS, ANOMALY_YEARS = 2.0, 3.0
# White noise is told from synoptic variability by samples closer together than this share of its memory.
WHITE_WITHIN = 0.25
GAP_DAYS = 60.0
MONTHS = "January February March April May June July August September October November December".split()  # noqa: SIM905


@dataclass(frozen=True, slots=True, eq=False)
class Cadence:
    """How a record was sampled: length, distances of samples, gaps, months of the year that have none.

    `distances` holds the days between neighbouring samples, pairs taken at one time among them,
    `spacing_days` the median of those above 0.
    """

    span_years: float
    spacing_days: float
    distances: Floats
    gaps: tuple[tuple[float, float], ...]
    empty_months: tuple[int, ...]
    apart: tuple[tuple[str, str], ...]

    @property
    def tells_synoptic(self) -> bool:
        """Whether enough samples stand close enough to share weather."""
        return int(np.sum((self.distances > 0.0) & (self.distances <= SYNOPTIC_DAYS))) >= LEAST_VALUES

    def pairs_within(self, days: float) -> int:
        """Count neighbouring samples that stand within so many days."""
        return int(np.sum(self.distances <= days))

    @property
    def tells_slow(self) -> bool:
        """Whether the record is long enough to tell the month-to-month part from season and growth."""
        return self.span_years >= SLOW_YEARS - 0.03

    @property
    def tells_anomalies(self) -> bool:
        """Whether the record is long enough for change of growth between years."""
        return self.span_years >= ANOMALY_YEARS - 0.03

    @property
    def why_no_anomalies(self) -> str | None:
        """Why change of growth is not told, None if it may be."""
        return None if self.tells_anomalies else f"the record is shorter than {ANOMALY_YEARS:.0f} years"


def cadence_of(days: Floats, methods: Sequence[str]) -> Cadence:
    """Return how a record was sampled; `days` (n,) in any order, one method each."""
    t = np.unique(days)
    distance = np.diff(t)
    wide = np.flatnonzero(distance > max(GAP_DAYS, 3.0 * float(np.median(distance))))
    names = np.array(list(methods), dtype=object)
    spans = {name: (float(days[names == name].min()), float(days[names == name].max())) for name in sorted(set(names))}
    apart = tuple(
        (a, b)
        for a in spans
        for b in spans
        if a < b and (spans[a][1] < spans[b][0] - MONTH_DAYS or spans[b][1] < spans[a][0] - MONTH_DAYS)
    )
    present = set(_months(t).tolist())
    return Cadence(
        span_years=float(t[-1] - t[0]) / YEAR_DAYS,
        spacing_days=float(np.median(distance)),
        distances=np.diff(np.sort(days)),
        gaps=tuple((float(t[i]), float(t[i + 1])) for i in wide),
        empty_months=tuple(m for m in range(12) if m not in present),
        apart=apart,
    )


def harmonics_told(days: Floats) -> int:
    """Return how many cycles a year the sampled months can carry: k months carry level and (k - 1) / 2, at most 2."""
    return min(2, (len(set(_months(days).tolist())) - 1) // 2)


def _months(days: Floats) -> np.ndarray:
    """Return the month of the year, 0 to 11, in twelve equal parts."""
    return np.floor((np.asarray(days) % YEAR_DAYS) / MONTH_DAYS).astype(int) % 12


def reason_of_part(
    name: str, cadence: Cadence, noise: Noise, unseen_sd: float | None, *, slow_told: bool = True
) -> str:
    """Say why a part of the noise is not determined; `unseen_sd` is its one-sigma limit if it was not seen."""
    apart = f"samples are {cadence.spacing_days:.3g} days apart"
    not_seen = None if unseen_sd is None else f"no sign of it; it may still be as large as {2.0 * unseen_sd:.2g}"
    if name == "growth_anomaly_sd":
        return cadence.why_no_anomalies or not_seen or "too few years to tell its size"
    if name in ("synoptic_sd", "memory_days"):
        if not cadence.tells_synoptic:
            return f"{apart}; within {SYNOPTIC_DAYS:.0f} days weather could be told from white noise"
        return not_seen or f"{apart}, too far to tell it from the white part"
    if name == "white_sd":
        if not cadence.tells_synoptic:
            return f"{apart}; it holds the day-to-day variability as well"
        near = f"within {WHITE_WITHIN * noise.memory_days:.2g} days" if noise.synoptic_sd > 0.0 else "at one time"
        return f"told from day-to-day variability only by two dozen samples taken {near} of another"
    if name == "fast_sd":
        return "the slow part explains nearly all of the record"
    if name == "slow_phi":
        return "too few months to tell it" if slow_told else "the month-to-month part itself is not determined"
    if not cadence.tells_slow:
        return f"the record is shorter than {SLOW_YEARS:.0f} years: it mixes with season and growth"
    return not_seen or "too few months to tell it from the faster parts"


def doubts(cadence: Cadence, design: Design) -> tuple[str, ...]:
    """Return plain sentences on what the record cannot separate, and why."""
    found: list[str] = []
    years = f"{cadence.span_years:.1f} years"
    if not cadence.tells_slow:
        found.append(f"The record has {years}: under 2 years season and growth cannot be separated well.")
    if not cadence.tells_anomalies:
        found.append(f"The record has {years}: under 3 years nothing can be said on change of growth between years.")
    elif cadence.span_years < 6.0:
        found.append(f"The record has {years}: change of growth between years rests on as few years as that.")
    if not cadence.tells_synoptic:
        found.append(
            f"Samples are {cadence.spacing_days:.3g} days apart: they cannot tell the air's day-to-day variability "
            "from the month-to-month part or from repeatability; the white part holds what has no memory of a month."
        )
    elif cadence.spacing_days > 2.0:
        found.append(
            f"Samples are {cadence.spacing_days:.3g} days apart: a memory of few days shows only weakly, so synoptic "
            "and white part lean on each other; their sum of squares is told better."
        )
    if cadence.spacing_days < 0.3:
        found.append("Samples are hours apart: a daily cycle, if there is one, counts as synoptic variability.")
    if cadence.gaps:
        days = sum(end - start for start, end in cadence.gaps)
        longest = max(end - start for start, end in cadence.gaps)
        count = len(cadence.gaps)
        found.append(
            f"{count} gap{'s' * (count > 1)} of more than {GAP_DAYS:.0f} days ({days:.0f} days in all, the longest "
            f"{longest:.0f}): memory is not told across {'them' if count > 1 else 'it'}."
        )
    if cadence.empty_months:
        names = ", ".join(MONTHS[m] for m in cadence.empty_months)
        found.append(f"No sample in {names}: the season there is a guess of the fitted curve.")
    if design.harmonics < 2:
        found.append(
            "The samples stand in too few months of the year for two cycles a year: "
            + ("one is fitted." if design.harmonics else "no season is fitted.")
        )
    for a, b in cadence.apart:
        found.append(f"Methods '{a}' and '{b}' never ran side by side: their offset mixes with growth.")
    return tuple(found)
