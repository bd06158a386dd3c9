"""Read region.toml: every fault in one go, and as much of the settings as is sound.

What is faulty is left out and the rest is taken as it stands, so that the rest can still be checked against
itself and against the other files. `TomlFile` remembers what was left out: nothing that rests on it is blamed.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from siting.region.faults import Findings
from siting.region.plain import plain, quoted, swap_suspected
from siting.region.schema.lookups import kind_of, model_at
from siting.region.schema.rules import RULE_MODELS
from siting.region.schema.settings import SCHEMA_VERSION, Settings
from siting.region.toml import LineIndex, read_toml
from siting.region.wanted import wanted_inside

TOML = "region.toml"
Place = tuple[str | int, ...]

_ONE_OF = {
    "tracers": "tracer",
    "plans": "plan",
    "methods": "method",
    "bands": "band",
    "rules": "rule",
    "targets": "target",
}
# What stands in for a required setting that is missing or faulty while the rest is checked.
_STAND_INS: dict[Place, Any] = {
    ("schema_version",): SCHEMA_VERSION,
    ("title",): "-",
    ("currency",): "-",
    ("first_year",): 2000,
    ("years",): 1,
    ("budget",): {"total": 1.0},
    ("budget", "total"): 1.0,
    ("tracers",): [{"name": "tracer", "unit": "ppm", "scale": "-"}],
    ("plans",): [{"id": "plan", "kind": "flask", "samples_per_month": 1.0}],
}
# The same for required settings of an entry in a list, by their name; without name or kind the entry is left out.
_ENTRY_STAND_INS: dict[str, Any] = {
    "goal": 1.0,
    "count": 1,
    "km": 1.0,
    "unit": "ppm",
    "scale": "-",
    "south": -90.0,
    "north": 90.0,
}
_MOST_ROUNDS = 25  # enough for a fault deep in a list to be left out level by level


_MAYBE_NEWER = ("extra_forbidden", "literal_error", "union_tag_invalid")  # a newer version may know these words


class _Gone:
    """Marks an entry of a list that was left out, so that the places of the others stay known."""


_GONE = _Gone()


@dataclass
class TomlFile:
    """What region.toml holds: `settings` as far as they are sound, None if nothing can be told.

    `content` is the file as it was parsed, `kept` the part that the settings were made from, `left_out`
    the places that were not.
    """

    settings: Settings | None = None
    content: dict[str, Any] = field(default_factory=dict)
    kept: dict[str, Any] = field(default_factory=dict)
    left_out: set[Place] = field(default_factory=set)
    index: LineIndex | None = None

    def line(self, place: Place) -> int | None:
        """Return the line of a place of the file; a top-level setting that is missing belongs into line 1."""
        return (self.index.line_of(place) or 1) if self.index is not None else None

    def doubtful(self, place: Place) -> bool:
        """Say whether something at, above or below a place of the settings was left out."""
        here = self.in_file(place)
        return any(out[: len(here)] == here[: len(out)] for out in self.left_out)

    def in_file(self, place: Place) -> Place:
        """Return the place in the file of a place in the settings, which count without what was left out."""
        return _in_file(place, self.kept)

    def words(self, place: Place) -> str:
        """Return a place of the file in words: plan 'weekly', kind."""
        words: list[str] = []
        here: Any = self.content
        for part in place:
            here = _below(here, part)
            if isinstance(part, str):
                words.append(quoted(part)[1:-1])
            elif len(words) == 1 and words[0] in _ONE_OF:
                words[0] = _entry(_ONE_OF[words[0]], part, here)
            else:
                words[-1] += f" no. {part + 1}"
        return ", ".join(words)

    def names(self, table: str, key: str = "id") -> frozenset[str]:
        """Return the names that the entries of a list of tables have in the file, also of faulty ones."""
        entries = self.content.get(table)
        found = [entry.get(key) for entry in entries if isinstance(entry, dict)] if isinstance(entries, list) else []
        return frozenset(name for name in found if isinstance(name, str))

    def plan_ids(self) -> frozenset[str]:
        """Return the ids of the plans; none if two share one, for then nobody knows which id was meant."""
        found = self.content.get("plans")
        entries = found if isinstance(found, list) else []
        count = sum(isinstance(entry, dict) and isinstance(entry.get("id"), str) for entry in entries)
        ids = self.names("plans")
        return ids if len({name.lower() for name in ids}) == count else frozenset()


def read_settings(path: Path, findings: Findings) -> TomlFile:
    """Read and check region.toml in itself; faults of syntax, names, types and ranges go to `findings`."""
    read = read_toml(path / TOML, TOML, findings)
    if read is None:
        return TomlFile()
    content, index = read
    file = TomlFile(content=content, index=index)
    _refuse_long_numbers(file, findings)
    told = frozenset(file.left_out)
    newer = _check_version(file, findings)
    file.kept = copy.deepcopy(content)
    for round_ in range(_MOST_ROUNDS):
        try:
            file.settings = Settings.model_validate(_as_tuples(file.kept))
            break
        except ValidationError as error:
            details = error.errors(include_url=False)
        # what the later rounds find follows from what was left out before
        for place, detail in _told_once(details, file) if round_ == 0 else ():
            if place not in told and not (newer and detail["type"] in _MAYBE_NEWER):
                _fault(place, detail, file, findings)
        _leave_out(details, file)
    return file


def _refuse_long_numbers(file: TomlFile, findings: Findings) -> None:
    """Refuse whole numbers of more than 64 bits, which TOML 1.0.0 (Integer) need not hold."""
    for place in list(_clip_long_numbers(file.content, ())):
        file.left_out.add(place)
        findings.fault(
            TOML,
            file.line(place),
            file.words(place),
            None,
            "a number has too many digits",
            allowed="whole numbers of 64 bits",
            mend="shorten the number",
        )


def _clip_long_numbers(value: Any, place: Place) -> Iterator[Place]:
    """Put the largest number of 64 bits for each whole number beyond it, and yield their places."""
    for key, item in list(value.items() if isinstance(value, dict) else enumerate(value)):
        if isinstance(item, dict | list):
            yield from _clip_long_numbers(item, (*place, key))
        elif isinstance(item, int) and not -(2**63) <= item < 2**63:
            value[key] = 2**63 - 1
            yield (*place, key)


def _check_version(file: TomlFile, findings: Findings) -> bool:
    """Say whether the folder is newer than this program, in which case names it does not know are no faults."""
    version = file.content.get("schema_version")
    if not isinstance(version, int) or isinstance(version, bool) or version <= SCHEMA_VERSION:
        return False
    findings.fault(
        TOML,
        file.line(("schema_version",)),
        "schema_version",
        version,
        "the folder was written for a newer version of this program",
        allowed=f"1 to {SCHEMA_VERSION}" if SCHEMA_VERSION > 1 else "1",
        mend="install a newer version of siting",
    )
    return True


def _told_once(details: Sequence[ErrorDetails], file: TomlFile) -> Iterator[tuple[Place, ErrorDetails]]:
    """Yield one error a place: where several kinds of value are allowed, each of them complains."""
    best: dict[Place, ErrorDetails] = {}
    for detail in details:
        place = _clean(detail, file.content)
        if place not in best or _rank(detail) < _rank(best[place]):
            best[place] = detail
    for place, detail in best.items():
        deeper = any(len(other) > len(place) and other[: len(place)] == place for other in best)
        if not (deeper and detail["type"] != "extra_forbidden"):
            yield place, detail


def _rank(detail: ErrorDetails) -> int:
    if detail["type"] == "literal_error":
        return 0 if isinstance(detail["input"], str) else 3
    return 2 if detail["type"].endswith("_type") else 1


def _fault(place: Place, detail: ErrorDetails, file: TomlFile, findings: Findings) -> None:
    if detail["type"] in ("union_tag_invalid", "union_tag_not_found"):
        place = (*place, "kind")
    table, below = _table_of(place)
    model = model_at(table, file.content)
    known: tuple[str, ...] = ()
    may = ""
    if model is not None:
        may = wanted_inside(model, below)
        if detail["type"] == "extra_forbidden":
            known = tuple(model.model_fields)
        elif detail["type"].startswith("union_tag"):
            may = ", ".join(kind_of(rule) for rule in RULE_MODELS)
    words = plain(detail, wanted=may, known=known)
    problem, mend = words.problem, words.mend
    if _swapped(place, file.content):
        problem, mend = f"{problem}; perhaps lat and lon are swapped", "swap lat and lon"
    findings.fault(TOML, file.line(place), file.words(place), words.value, problem, allowed=words.allowed, mend=mend)


def _table_of(place: Place) -> tuple[Place, Place]:
    """Split a place into the table of settings that it belongs to and the field, with places in its list."""
    cut = len(place) - 1
    while cut > 0 and isinstance(place[cut], int):
        cut -= 1
    return place[:cut], place[cut:]


def _swapped(place: Place, content: Mapping[str, Any]) -> bool:
    table = _at(place[:-1], content)
    if place[-1:] != ("lat",) or not isinstance(table, dict):
        return False
    lat, lon = table.get("lat"), table.get("lon")
    return isinstance(lat, int | float) and isinstance(lon, int | float) and swap_suspected(lat, lon)


def _clean(detail: ErrorDetails, content: Any) -> Place:
    """Return the place of an error without what pydantic adds: the kind of a rule, the halves of a union."""
    place: list[str | int] = []
    here: Any = content
    last = len(detail["loc"]) - 1
    for i, part in enumerate(detail["loc"]):
        added_kind = i == 2 and detail["loc"][0] == "rules" and isinstance(part, str)
        missing = i == last and detail["type"] == "missing" and isinstance(here, dict)
        fits = isinstance(part, str) and isinstance(here, dict) and part in here
        if added_kind or not (fits or missing or isinstance(part, int)):
            continue
        place.append(part)
        here = _below(here, part)
    return tuple(place)


def _leave_out(details: Sequence[ErrorDetails], file: TomlFile) -> None:
    """Take the faulty things out of the kept part; where one is required and missing, the table around it."""
    seen = _without_gone(file.kept)
    places = [_in_file(_clean(detail, seen), file.kept) for detail in details]
    for place, detail in zip(places, details, strict=True):
        if _stand_in(place) is None and (detail["type"] == "missing" or place[-1:] == ("kind",)):
            place = place[:-1]
        if place:
            file.left_out.add(place)
            _cut(place, file.kept)


def _cut(place: Place, kept: dict[str, Any]) -> None:
    parent, key = _at(place[:-1], kept), place[-1]
    stand_in = _stand_in(place)
    if stand_in is not None and isinstance(parent, dict):
        parent[key] = copy.deepcopy(stand_in)
    elif isinstance(parent, dict):
        parent.pop(key, None)
    elif isinstance(parent, list) and isinstance(key, int) and key < len(parent):
        parent[key] = _GONE


def _stand_in(place: Place) -> Any:
    entry = len(place) == 3 and place[0] in _ONE_OF
    return _ENTRY_STAND_INS.get(str(place[2])) if entry else _STAND_INS.get(place)


def _in_file(place: Place, kept: Any) -> Place:
    found: list[str | int] = []
    here = kept
    for part in place:
        if isinstance(part, int) and isinstance(here, list):
            left = [i for i, item in enumerate(here) if item is not _GONE]
            part = left[part] if part < len(left) else len(here)
        found.append(part)
        here = _below(here, part)
    return tuple(found)


def _without_gone(value: Any) -> Any:
    if isinstance(value, list):
        return [_without_gone(item) for item in value if item is not _GONE]
    if isinstance(value, dict):
        return {key: _without_gone(item) for key, item in value.items()}
    return value


def _as_tuples(value: Any) -> Any:
    """Turn lists into tuples all the way down, as the frozen models hold them."""
    if isinstance(value, list):
        return tuple(_as_tuples(item) for item in value if item is not _GONE)
    if isinstance(value, dict):
        return {key: _as_tuples(item) for key, item in value.items()}
    return value


def _at(place: Place, content: Any) -> Any:
    here = content
    for part in place:
        here = _below(here, part)
    return here


def _below(here: Any, part: str | int) -> Any:
    if isinstance(here, dict):
        return here.get(part)
    if isinstance(here, list) and isinstance(part, int) and part < len(here):
        return here[part]
    return None


def _entry(one: str, place: int, here: Any) -> str:
    """Return how messages call an entry of a list: by its name, a rule also by its kind, else by its number."""
    table = here if isinstance(here, dict) else {}
    name = table.get("name") if one in ("rule", "tracer") else table.get("id")
    if isinstance(name, str) and name:
        return f"{one} {quoted(name)}"
    kind = table.get("kind")
    return f"{one} {place + 1}" + (f" ({quoted(kind)[1:-1]})" if one == "rule" and isinstance(kind, str) else "")
