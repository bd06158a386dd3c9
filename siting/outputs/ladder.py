"""A latitude ladder for the terminal: which sites stand where from pole to pole, in plain text.

Each row is an equal step of latitude, north at the top, and holds what a band of those limits would hold
(south <= lat < north; the top row holds 90 N too). Sites at one latitude are named in their row; a track is
drawn as an upright line through its rows and named, before the fixed sites, at its north end. The lines are
plain text: print them without markup, for a name may contain square brackets. Widths are counted with
ambiguous characters narrow; a terminal that shows them wide needs `ascii_only`.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from rich.cells import cell_len

from siting.geography.bands import Gap

MARKS: Mapping[str, str] = MappingProxyType(
    {
        "A": "analyzer",
        "f": "flask",
        "B": "analyzer and flask",
        "o": "already running",
        "=": "ship track or drifting platform",
    }
)
"""The marks a site may have and what the legend says of them."""

MIN_WIDTH = 40
MAX_DRAWN_TRACKS = 6
"""Tracks that can be drawn side by side; further ones are named only, and the ladder says so."""

_LABEL_CELLS = 7
_NAME_LIMITS = (24, 16, 10)
_NO_NAME = "(no name)"


@dataclass(frozen=True, slots=True)
class LadderSite:
    """One site or track: south and north end in degrees north (equal for a fixed site), mark and name.

    Raises:
        ValueError: an end is missing or outside -90 to 90, the ends are swapped, or the mark is unknown.

    """

    lat_south: float
    lat_north: float
    mark: str
    name: str

    def __post_init__(self) -> None:
        if not -90.0 <= self.lat_south <= self.lat_north <= 90.0:
            raise ValueError(
                "a site on the ladder needs -90 <= south end <= north end <= 90; "
                f"found {self.lat_south} and {self.lat_north}"
            )
        if self.mark not in MARKS:
            raise ValueError(f"a mark must be one of {' '.join(MARKS)}; found {self.mark!r}")


@dataclass(frozen=True, slots=True)
class LadderBand:
    """One latitude band: south and north end in degrees north, and its name.

    Raises:
        ValueError: an end is missing or outside -90 to 90, or the band does not end north of its beginning.

    """

    lat_south: float
    lat_north: float
    name: str

    def __post_init__(self) -> None:
        if not -90.0 <= self.lat_south < self.lat_north <= 90.0:
            raise ValueError(
                "a band on the ladder needs -90 <= south end < north end <= 90; "
                f"found {self.lat_south} and {self.lat_north}"
            )


@dataclass(frozen=True, slots=True)
class _Signs:
    """The characters that a ladder is drawn with."""

    axis: str
    limit: str
    empty: str
    arrow: str
    ellipsis: str
    encode: Callable[[str], str]


@dataclass(frozen=True, slots=True)
class _Entry:
    """A text whose middle part, a name, may be shortened."""

    before: str
    name: str
    after: str

    def text(self, limit: int | None, signs: _Signs) -> str:
        name = self.name
        if limit is not None and cell_len(name) > limit:
            name = _cut(name, limit, signs.ellipsis)
        return self.before + _isolated(name) + self.after


def ladder(
    sites: Iterable[LadderSite],
    bands: Iterable[LadderBand],
    gap: Gap | None,
    width: int = 80,
    ascii_only: bool = False,
    step_deg: int = 10,
) -> list[str]:
    """Return the lines of a latitude ladder, from 90 N to 90 S.

    Args:
        sites: fixed sites and tracks, in any order.
        bands: latitude bands, whose limits between the poles are marked; they may overlap.
        gap: the widest gap, told in words at its middle; None leaves it out.
        width: cells of the terminal that a line may fill, 40 or more.
        ascii_only: use ASCII characters alone; accents are dropped, other characters become `?`.
        step_deg: degrees of latitude in a row, a whole number that divides 90.

    Returns:
        Lines without line ends; none fills more than `width` cells (wide characters fill two).

    Raises:
        ValueError: width or step_deg is out of range.

    """
    if width < MIN_WIDTH:
        raise ValueError(f"a ladder needs at least {MIN_WIDTH} columns; found {width}")
    if step_deg < 1 or 90 % step_deg != 0:
        raise ValueError(f"the step must be a whole number of degrees that divides 90; found {step_deg}")
    signs = _ASCII if ascii_only else _UNICODE
    sites = sorted(sites, key=lambda s: (-s.lat_north, -s.lat_south, s.name, s.mark))
    tracks = [site for site in sites if site.lat_south < site.lat_north]
    sites = [*tracks, *(site for site in sites if site.lat_south == site.lat_north)]
    lanes, undrawn = _lanes(tracks, 2 * step_deg)
    lane_cells = len(lanes) + 1 if lanes else 0
    room = width - _LABEL_CELLS - 3 - lane_cells

    def line(label: str, axis: str, drawn: str, text: str) -> str:
        blank = " " if lanes else ""
        whole = f"{label:>{_LABEL_CELLS}} {axis} {drawn}{blank}{text}".rstrip()
        # Every text has been fitted to its room already; this holds the promise in any case.
        return _cut(whole, width, signs.ellipsis)

    lines = [line("Lat", signs.axis, " " * len(lanes), "sites, north at the top")]
    limits = _band_limits(bands, signs)
    shows_gap = False
    for north in range(90, -90, -step_deg):
        south = north - step_deg
        label = f"{north}-{south} N" if south >= 0 else f"{-north}-{-south} S"
        axis = signs.axis
        if gap is not None and gap.from_lat <= south and north <= gap.to_lat:
            axis, shows_gap = signs.empty, True
        drawn = _tracks_in_row(lanes, south, north)
        named = [_entry(site, signs) for site in sites if _in_row(site.lat_north, south, north)]
        texts = [_packed(named, room, "; ", signs)] if named else []
        if gap is not None and _in_row((gap.from_lat + gap.to_lat) / 2.0, south, north):
            texts.append(_gap_words(gap, room, signs))
        lines.append(line(label, axis, drawn, texts[0] if texts else ""))
        lines.extend(line("", axis, drawn, text) for text in texts[1:])
        for lat in sorted((lat for lat in limits if south <= lat < north), reverse=True):
            crossing = _tracks_across(lanes, lat)
            after = "" if lat == south else " (in row above)"
            words = _packed(limits[lat], room - len(after), ", ", signs) + after
            lines.append(line(_degrees(lat), signs.limit, crossing, words))
    return lines + _legend({site.mark for site in sites}, undrawn, bool(limits), shows_gap, width, signs)


def clean_text(text: str) -> str:
    """Return a name on one line, without characters that steer a terminal or have no shape of their own.

    Control characters and line ends become spaces; format characters (also direction marks and joiners),
    variation selectors, unassigned, private and surrogate code points are dropped, as are more than two
    combining marks in a row. Runs of spaces become one.
    """
    kept: list[str] = []
    marks = 0
    for character in text:
        category = unicodedata.category(character)
        if category in ("Cc", "Zl", "Zp", "Zs"):
            kept.append(" ")
            marks = 0
        elif category[0] == "C" or "\ufe00" <= character <= "\ufe0f":
            continue
        elif category[0] == "M":
            marks += 1
            if marks <= 2:
                kept.append(character)
        else:
            marks = 0
            kept.append(character)
    return " ".join("".join(kept).split())


def _to_ascii(text: str) -> str:
    parts = unicodedata.normalize("NFKD", text)
    bare = "".join(character for character in parts if not unicodedata.combining(character))
    return bare.encode("ascii", "replace").decode("ascii")


def _as_given(text: str) -> str:
    return text


_UNICODE = _Signs("│", "┼", "┊", "◄", "…", _as_given)
_ASCII = _Signs("|", "+", ":", "<-", "...", _to_ascii)


def _cut(text: str, cells: int, ellipsis: str) -> str:
    """Return a text that fills at most `cells` cells, with a sign of what was cut off.

    Never cuts between a letter and its combining marks.
    """
    if cell_len(text) <= cells:
        return text
    # A cell never takes more than four characters of a cleaned text; this spares very long names the loop.
    end = min(len(text) - 1, 4 * cells + 4)
    while end > 0 and (cell_len(text[:end].rstrip() + ellipsis) > cells or unicodedata.category(text[end])[0] == "M"):
        end -= 1
    return text[:end].rstrip() + ellipsis


def _isolated(name: str) -> str:
    """Wrap a name with right-to-left letters so that it does not turn the rest of its line around.

    FIRST STRONG ISOLATE and POP DIRECTIONAL ISOLATE fill no cell (Unicode Standard Annex 9).
    """
    if any(unicodedata.bidirectional(character) in ("R", "AL", "AN") for character in name):
        return f"\u2068{name}\u2069"
    return name


def _shown_name(name: str, signs: _Signs) -> str:
    return clean_text(signs.encode(clean_text(name))) or _NO_NAME


def _degrees(lat: float) -> str:
    """Return a latitude such as `12.3 S`, to two decimals at most; the equator is `0`."""
    rounded = round(lat, 2) + 0.0
    side = " N" if rounded > 0 else " S" if rounded < 0 else ""
    return f"{abs(rounded):g}{side}"


def _entry(site: LadderSite, signs: _Signs) -> _Entry:
    where = _degrees(site.lat_north)
    if site.lat_south < site.lat_north:
        where = f"{where} to {_degrees(site.lat_south)}"
    return _Entry(f"{site.mark} ", _shown_name(site.name, signs), f" {where}")


def _in_row(lat: float, south: int, north: int) -> bool:
    return south <= lat < north or lat == north == 90


def _lanes(tracks: Sequence[LadderSite], apart_deg: float) -> tuple[list[list[LadderSite]], int]:
    """Put tracks, sorted from the north, into as few upright lanes as keep them `apart_deg` apart.

    Returns the lanes and how many tracks found no place.
    """
    lanes: list[list[LadderSite]] = []
    undrawn = 0
    for track in tracks:
        free = next((lane for lane in lanes if lane[-1].lat_south - track.lat_north >= apart_deg), None)
        if free is not None:
            free.append(track)
        elif len(lanes) < MAX_DRAWN_TRACKS:
            lanes.append([track])
        else:
            undrawn += 1
    return lanes, undrawn


def _tracks_in_row(lanes: Sequence[Sequence[LadderSite]], south: int, north: int) -> str:
    return "".join(
        next((track.mark for track in lane if south <= track.lat_north and track.lat_south < north), " ")
        for lane in lanes
    )


def _tracks_across(lanes: Sequence[Sequence[LadderSite]], lat: float) -> str:
    return "".join(
        next((track.mark for track in lane if track.lat_south < lat < track.lat_north), " ") for lane in lanes
    )


def _packed(entries: Sequence[_Entry], room: int, separator: str, signs: _Signs) -> str:
    """Join entries into `room` cells: whole if they fit, else with shorter names, else with `+n more`."""

    def joined(count: int, limit: int | None) -> str:
        text = separator.join(entry.text(limit, signs) for entry in entries[:count])
        return text if count == len(entries) else f"{text} +{len(entries) - count} more"

    if not entries:
        return ""
    for limit in (None, *_NAME_LIMITS) if len(entries) > 1 else (None,):
        if cell_len(joined(len(entries), limit)) <= room:
            return joined(len(entries), limit)
    for count in range(min(len(entries) - 1, room // 4), 0, -1):  # no entry fills less than four cells
        if cell_len(joined(count, _NAME_LIMITS[1])) <= room:
            return joined(count, _NAME_LIMITS[1])
    bare = cell_len(joined(1, 0)) - cell_len(signs.ellipsis)
    if room - bare >= cell_len(signs.ellipsis):
        return joined(1, room - bare)
    return _cut(f"{len(entries)} here", room, signs.ellipsis)


def _band_limits(bands: Iterable[LadderBand], signs: _Signs) -> dict[float, list[_Entry]]:
    """Return, for each limit of a band between the poles, what lies above and what lies below."""
    limits: dict[float, list[_Entry]] = {}
    ordered = sorted(bands, key=lambda band: (-band.lat_north, -band.lat_south, band.name))
    for side in ("above", "below"):
        for band in ordered:
            lat = (band.lat_south if side == "above" else band.lat_north) + 0.0
            if abs(lat) < 90.0:
                limits.setdefault(lat, []).append(_Entry("", _shown_name(band.name, signs), f" {side}"))
    return limits


def _gap_words(gap: Gap, room: int, signs: _Signs) -> str:
    size = f"{round(gap.width_deg, 2):g}"
    ends = f"{_degrees(gap.to_lat)} to {_degrees(gap.from_lat)}"
    choices = (
        f"{signs.arrow} largest gap: {size} degrees without a site, {ends}",
        f"{signs.arrow} largest gap: {size} degrees, {ends}",
        f"largest gap: {size} deg",
    )
    return next((words for words in choices if cell_len(words) <= room), _cut(choices[-1], room, signs.ellipsis))


def _legend(used: set[str], undrawn: int, has_limits: bool, shows_gap: bool, width: int, signs: _Signs) -> list[str]:
    """Explain the signs in use, and say what is not shown."""
    items = [f"{mark} {meaning}" for mark, meaning in MARKS.items() if mark in used]
    if has_limits:
        items.append(f"{signs.limit} limit of a band")
    if shows_gap:
        items.append(f"{signs.empty} inside the largest gap")
    if undrawn:
        items.append(f"tracks named but not drawn: {undrawn}")
    if not items:
        return []
    lines = ["Marks:"]
    for number, item in enumerate(items):
        joint = " " if number == 0 else ", "
        if cell_len(lines[-1] + joint + item) <= width - 1:
            lines[-1] += joint + item
        else:
            lines[-1] += "," if number else ""
            lines.append(f"  {item}")
    return lines
