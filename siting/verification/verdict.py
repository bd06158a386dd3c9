"""What an independent check found, and how it is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Check:
    """One thing that was looked at: whether it holds (None: it cannot be told) and what was found, in words."""

    name: str
    holds: bool | None
    words: str


@dataclass(frozen=True)
class Rederived:
    """The bound of one stage: as claimed, and as worked out again from the proof; `leaves` cover every layout."""

    stage: str
    value: float
    claimed: float
    bound: float
    leaves: int
    points: int
    holds: bool


@dataclass(frozen=True)
class Verification:
    """The result of a check: `checks` in order, `stages` with their bounds, `notes` that change no verdict."""

    run: str
    region: str
    checks: tuple[Check, ...]
    stages: tuple[Rederived, ...]
    notes: tuple[str, ...]

    @property
    def true(self) -> bool:
        """True if nothing was found false."""
        return all(check.holds is not False for check in self.checks)

    def as_dict(self) -> dict[str, Any]:
        """Return the result for machines."""
        return {
            "run": self.run,
            "region": self.region,
            "true": self.true,
            "checks": [{"check": c.name, "holds": c.holds, "found": c.words} for c in self.checks],
            "stages": [
                {
                    "name": s.stage,
                    "value": s.value,
                    "bound": s.claimed,
                    "rederived": s.bound,
                    "leaves": s.leaves,
                    "points": s.points,
                    "holds": s.holds,
                }
                for s in self.stages
            ],
            "notes": list(self.notes),
        }

    def lines(self) -> list[str]:
        """Return the result in plain words, one line a check."""
        marks = {True: "true", False: "NOT TRUE", None: "not wholly checked"}
        wrong = sum(check.holds is False for check in self.checks)
        verdict = (
            "Nothing in this run was found false."
            if self.true
            else f"THIS RUN IS NOT TRUE: {wrong} of {len(self.checks)} checks failed."
        )
        return [
            verdict,
            *(f"- {c.name}: {marks[c.holds]}; {c.words}." for c in self.checks),
            *(f"Note: {note}." for note in self.notes),
        ]
