"""What is wrong with an input: collected first, told all at once.

A `Fault` keeps its facts as attributes (file, row, field, value), so that the command line, the
Python interface and the tests read the same thing; its sentence is made last.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

NOT_USED = "not used yet"
"""What warnings say of inputs that are accepted and checked but change no answer yet."""


@dataclass(frozen=True, order=True)
class Fault:
    """One thing that is wrong (or, in a warning, doubtful) in an input file.

    `row` counts as a spreadsheet shows it (the heading is row 1), for a TOML file it is the line and
    for a GeoJSON or GeoPackage file the number of the feature, from 1. `value` is what stands there,
    `allowed` what may stand there, `mend` what the user should do.
    """

    file: str
    row: int | None
    field: str | None
    value: str | None
    problem: str
    allowed: str | None = None
    mend: str | None = None

    @property
    def may_change_answer(self) -> bool:
        """Say whether an answer can depend on it; it does not on what is not used yet."""
        return NOT_USED not in self.problem

    def sentence(self) -> str:
        """Return the fault as one plain line."""
        place = self.file
        if self.row is not None:
            place += f", {'line' if self.file.endswith('.toml') else 'row'} {self.row}"
        if self.field is not None:
            place += f", {self.field}"
        text = f"{place}: {self.problem}"
        if self.value is not None:
            text += f" (found {_shown(self.value)})"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.mend:
            text += f"; mend: {self.mend}"
        return text

    def as_dict(self) -> dict[str, str | int | None]:
        """Return the facts under their names, for `--json`."""
        return {
            "file": self.file,
            "row": self.row,
            "field": self.field,
            "value": self.value,
            "problem": self.problem,
            "allowed": self.allowed,
            "mend": self.mend,
        }


def _shown(value: str) -> str:
    """Quote a found value: one line, at most 60 characters, control characters made visible."""
    text = value if value.isprintable() else value.encode("unicode_escape").decode("ascii")
    return f"'{text}'" if len(text) <= 60 else f"'{text[:57]}...'"


class InputError(Exception):
    """The input cannot be used; `faults` holds every reason, in the order of files and rows."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(fault.sentence() for fault in self.faults))


@dataclass
class Findings:
    """The faults and warnings met while a region folder is read."""

    faults: list[Fault] = field(default_factory=list)
    warnings: list[Fault] = field(default_factory=list)

    def fault(
        self,
        file: str,
        row: int | None,
        field: str | None,
        value: object,
        problem: str,
        *,
        allowed: str | None = None,
        mend: str | None = None,
    ) -> None:
        """Note something that makes the input unusable."""
        self.faults.append(Fault(file, row, field, _text(value), problem, allowed, mend))

    def warn(
        self,
        file: str,
        row: int | None,
        field: str | None,
        value: object,
        problem: str,
        *,
        allowed: str | None = None,
        mend: str | None = None,
    ) -> None:
        """Note something that the user should know but that does not stop the work."""
        self.warnings.append(Fault(file, row, field, _text(value), problem, allowed, mend))

    def raise_if_any(self) -> None:
        """Raise `InputError` with all faults found so far, if there are any."""
        if self.faults:
            raise InputError(self.ordered())

    def ordered(self) -> Iterator[Fault]:
        """Yield the faults without repeats, by file in the order met, then by row."""
        rank = {name: position for position, name in enumerate(dict.fromkeys(f.file for f in self.faults))}
        seen: set[Fault] = set()
        for fault in sorted(self.faults, key=lambda f: (rank[f.file], f.row or 0)):
            if fault not in seen:
                seen.add(fault)
                yield fault


def _text(value: object) -> str | None:
    return None if value is None else str(value)
