"""The score objective: worth of each deployment plus coverage of the bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from siting.arrays import Bools, Floats, Ints
from siting.geography.bands import area_share
from siting.planning import Planning
from siting.selection.program import LinearObjective, ProgramBuilder

COVERAGE = "coverage"
# Coefficients are rounded to this many decimals, so that equal layouts have equal values.
DECIMALS = 9


@dataclass(frozen=True)
class LayoutScore:
    """Score of a layout: `worth` of its deployments, `coverage` points by band, and their sum."""

    worth: float
    coverage: tuple[float, ...]
    total: float


def site_counts(planning: Planning) -> tuple[Ints, Ints]:
    """Return what counts for coverage in thousandths of a site: (D, bands) new, (bands,) already running.

    A deployment counts with the share of the window it works and the share of time its candidate
    spends in the band, if the candidate's exposure is enough and nothing runs there yet.
    """
    d, region = planning.deployments, planning.region
    counting, runs = planning.counting(), region.candidates.running()
    used = np.array([band.coverage for band in region.settings.bands], dtype=bool)
    share = planning.band_share * used
    fresh = (counting & ~runs)[d.candidate]
    new = np.rint(1000.0 * d.left[:, None] * share[d.candidate] * fresh[:, None]).astype(np.int64)
    standing = np.rint(1000.0 * share[counting & runs]).astype(np.int64).sum(axis=0)
    return new, np.asarray(standing, dtype=np.int64)


def band_weights(planning: Planning) -> Floats:
    """Return the points (bands,) of the first site in a band: coverage weight x share of the earth's area."""
    south, north = planning.region.band_edges
    return np.asarray(planning.region.settings.score.coverage_weight * area_share(south, north), dtype=float)


def harmonic(count: float) -> float:
    """Return 1 + 1/2 + ... + 1/count, linear between whole counts (count >= 0)."""
    whole = int(np.floor(count))
    return sum(1.0 / k for k in range(1, whole + 1)) + (count - whole) / (whole + 1)


def add_score(builder: ProgramBuilder, planning: Planning, counted: Bools | None = None) -> tuple[Floats, list[float]]:
    """Add the coverage columns and rows; return the worth (D,) and the coefficients of the new columns.

    `counted` (D,) names the deployments that count, all of them if None. A band's points are concave in its count,
    so one continuous column a whole count, each with its own slope, fills in the right order by itself when points
    are made large.
    """
    new, standing = site_counts(planning)
    worth = np.round(planning.deployments.worth, DECIMALS)
    if counted is not None:
        new, worth = np.where(counted[:, None], new, 0), np.where(counted, worth, 0.0)
    weights = band_weights(planning)
    most = _most_sites(planning)
    slopes: list[float] = []
    for b, band in enumerate(planning.region.settings.bands):
        columns = np.flatnonzero(new[:, b])
        if columns.size == 0 or weights[b] == 0.0:
            continue
        reach = int(standing[b] + min(most * 1000, _greatest(planning, new[:, b])))
        pieces: list[int] = []
        begin = int(standing[b])
        while begin < reach:
            count = begin // 1000 + 1
            end = min(1000 * count, reach)
            pieces.append(
                builder.add_column(
                    f"{COVERAGE} of {band.id}, site {count}",
                    upper=float(end - begin),
                    integer=False,
                    family=COVERAGE,
                )
            )
            slopes.append(float(weights[b] / (1000.0 * count)))
            begin = end
        builder.add_row(
            "",
            np.concatenate([np.array(pieces, dtype=np.int64), columns]),
            np.concatenate([np.ones(len(pieces), dtype=np.int64), -new[columns, b]]),
            upper=0,
        )
    return worth, slopes


def score_objective(builder: ProgramBuilder, planning: Planning, counted: Bools | None = None) -> LinearObjective:
    """Add what the score needs to the builder and return the objective; call it last before `build`.

    `counted` (D,) names the deployments that count, all of them if None.
    """
    before = builder.width
    worth, slopes = add_score(builder, planning, counted)
    coefficients = np.concatenate([worth, np.zeros(before - worth.size), np.array(slopes)])
    return LinearObjective("score", coefficients, maximise=True, floor=1.0)


def layout_score(planning: Planning, picked: Ints) -> LayoutScore:
    """Return the score of picked deployments (k,) straight from its definition, without a program."""
    new, standing = site_counts(planning)
    weights = band_weights(planning)
    worth = float(np.round(planning.deployments.worth[picked], DECIMALS).sum())
    counts = new[picked].sum(axis=0)
    coverage = tuple(
        float(weights[b]) * (harmonic((standing[b] + counts[b]) / 1000.0) - harmonic(standing[b] / 1000.0))
        for b in range(weights.size)
    )
    return LayoutScore(worth, coverage, worth + sum(coverage))


def _most_sites(planning: Planning) -> int:
    """Return a number of sites that no affordable layout exceeds: the cheapest ones under the total budget."""
    d = planning.deployments
    totals = d.yearly_cents().sum(axis=1)
    cheapest = np.full(len(planning.region.candidates), np.iinfo(np.int64).max)
    np.minimum.at(cheapest, d.candidate, totals)
    affordable = np.sort(cheapest[cheapest < np.iinfo(np.int64).max])
    budget = planning.region.settings.budget.total * 100.0 + 1.0
    return int(np.searchsorted(np.cumsum(affordable), budget, side="right"))


def _greatest(planning: Planning, new: Ints) -> int:
    """Return the greatest sum of thousandths that one deployment a candidate can give."""
    best = np.zeros(len(planning.region.candidates), dtype=np.int64)
    np.maximum.at(best, planning.deployments.candidate, new)
    return int(best.sum())
