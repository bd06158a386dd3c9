"""Labels of the world map: harmless text, its width without a font at hand, and a greedy placement.

Places beside a point come before those above or below it (Imhof 1975, The American Cartographer 2, 128-144).
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LABEL_SIZE", "Array", "Label", "Request", "Row", "clean", "place", "shorten", "text_width"]

Array = NDArray[np.float64]
Row = tuple[float, float, float, float]
"""Left, top, right and bottom of a box, or both ends of a line, in pixels."""

LABEL_SIZE = 10.5


def clean(text: str, limit: int = 400) -> str:
    """Text on one line, legal in XML 1.0 (section 2.2), without direction marks, at most `limit` long."""
    kept: list[str] = []
    marks = 0
    for char in str(text):
        category, code = unicodedata.category(char), ord(char)
        if char.isspace() or category in ("Zl", "Zp"):
            char = " "
        elif category in ("Cc", "Cs") or code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF:
            continue
        elif code in (0x61C, 0x200E, 0x200F) or 0x202A <= code <= 0x202E or 0x2066 <= code <= 0x2069:
            continue  # marks that would set the direction of the text that follows
        marks = marks + 1 if unicodedata.combining(char) else 0
        if marks <= 2:  # a pile of accents would reach into other rows
            kept.append(char)
    line = " ".join("".join(kept).split())
    return line if len(line) <= limit else line[: limit - 1].rstrip() + "…"


_CHAR_WIDTHS = {
    191: "'", 222: "ijl", 260: "|", 278: " !,./:;I[\\]ft·", 333: "()-`r", 334: "{}", 355: '"', 389: "*",
    400: "°", 469: "^", 500: "Jcksvxyz", 556: "#$0123456789?L_abdeghnopqu–", 584: "+<=>~×", 611: "FTZ",
    667: "&ABEKPSVXY", 722: "CDHNRUw", 778: "GOQ", 833: "Mm", 889: "%", 944: "W", 1000: "…", 1015: "@",
}  # fmt: skip
_CHAR_WIDTH = {char: width for width, chars in _CHAR_WIDTHS.items() for char in chars}


def text_width(text: str, size_px: float) -> float:
    """Width of a line of text in pixels, from the widths of Helvetica (1/1000 of the size), 4 % to spare.

    Letters with accents count as their base letter, wide East Asian ones as a full square, others as 0.7.
    """
    total = 0
    for char in text:
        if unicodedata.combining(char):
            continue
        base = unicodedata.normalize("NFD", char)[0]
        wide = unicodedata.east_asian_width(char) in "WF"
        total += 1000 if wide else _CHAR_WIDTH.get(base, 700)
    return 1.04 * size_px * total / 1000.0


def shorten(text: str, width_px: float, size_px: float) -> str:
    """The text on one line, cut and closed with an ellipsis where it is wider than `width_px` pixels."""
    line = clean(text)
    if text_width(line, size_px) <= width_px:
        return line
    while line and text_width(line + "…", size_px) > width_px:
        line = line[:-1]
    return line.rstrip() + "…"


@dataclass(frozen=True, slots=True)
class Request:
    """A label wanted: text, possible anchors (n, 2), radius kept clear, frame to stay in (pixels)."""

    text: str
    anchors: Array
    radius: float
    frame: Row
    italic: bool = False


@dataclass(frozen=True, slots=True)
class Label:
    """A label placed: what was asked, its box, and a line that leads to it if it is not beside its anchor."""

    request: Request
    box: Row
    leader: Row | None


_ANGLES = np.radians(
    [
        0.0,
        -40.0,
        40.0,
        180.0,
        -140.0,
        140.0,
        -90.0,
        90.0,
        -20.0,
        20.0,
        -65.0,
        65.0,
        -115.0,
        115.0,
        160.0,
        -160.0,
    ]
)
_DISTANCES = (3.0, 11.0, 19.0, 28.0, 38.0, 50.0, 64.0, 80.0, 98.0, 118.0)
_PAD = np.array([-1.2, -1.2, 1.2, 1.2])
_PASSES = 8
_NO_BOX = np.empty((0, 4))


def _meets(boxes: Array, others: Array) -> NDArray[np.bool_]:
    """Whether boxes (k, 4) and boxes (m, 4) share an inner point: (k, m)."""
    a, b = boxes[:, None, :], others[None, :, :]
    apart = (a[..., :2] >= b[..., 2:]) | (b[..., :2] >= a[..., 2:])
    return np.asarray(~apart.any(axis=2))


def _passes_through(lines: Array, boxes: Array) -> NDArray[np.bool_]:
    """Whether lines (k, 4) enter boxes (m, 4), by slabs: (k, m); a line of NaN enters none."""
    start, step = lines[:, None, :2], (lines[:, 2:] - lines[:, :2])[:, None, :]
    step = np.where(np.abs(step) < 1e-9, 1e-9, step)
    one, two = (boxes[None, :, :2] - start) / step, (boxes[None, :, 2:] - start) / step
    enter = np.maximum(np.minimum(one, two).max(axis=2), 0.0)
    leave = np.minimum(np.maximum(one, two).min(axis=2), 1.0)
    return np.asarray(enter < leave)


def _crosses(lines: Array, others: Array) -> NDArray[np.bool_]:
    """Whether lines (k, 4) cross lines (m, 4), by the sides on which their ends lie: (k, m)."""

    def side(line: Array, x: Array, y: Array) -> Array:
        return np.asarray(
            (line[..., 2] - line[..., 0]) * (y - line[..., 1]) - (line[..., 3] - line[..., 1]) * (x - line[..., 0])
        )

    a, b = lines[:, None, :], others[None, :, :]
    across = side(a, b[..., 0], b[..., 1]) * side(a, b[..., 2], b[..., 3]) < 0.0
    return np.asarray(across & (side(b, a[..., 0], a[..., 1]) * side(b, a[..., 2], a[..., 3]) < 0.0))


def _counts(dots: Array, boxes: Array) -> NDArray[np.int64]:
    """How many of the dots (n, 2) lie inside each of the boxes (m, 4)."""
    by_x = dots[np.argsort(dots[:, 0], kind="stable")]
    begin = np.searchsorted(by_x[:, 0], boxes[:, 0], side="right")
    end = np.searchsorted(by_x[:, 0], boxes[:, 2], side="left")
    heights = [by_x[a:b, 1] for a, b in zip(begin, end, strict=True)]
    inside = [np.count_nonzero((y > box[1]) & (y < box[3])) for y, box in zip(heights, boxes, strict=True)]
    return np.array(inside, dtype=np.int64)


def _options(request: Request, marks: Array, texts: Array, soft: Array) -> tuple[Array, Array]:
    """Possible boxes (k, 4) and leaders (k, 4; NaN where none is needed) of one label, the best first.

    A box meets neither marks nor texts and a leader no text; what it costs are
    `soft` points under a box, marks under a leader, and distance.
    """
    size = np.array([text_width(request.text, LABEL_SIZE) + 3.0, LABEL_SIZE + 2.0])
    boxes, leaders, costs = [], [], []
    for turn, anchor in enumerate(request.anchors):
        for ring, distance in enumerate(_DISTANCES):
            unit = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])
            corner = anchor + (request.radius + distance) * unit - size * (1.0 - unit) / 2.0
            near = np.clip(anchor, corner, corner + size)
            gap = np.maximum(np.hypot(*(near - anchor).T), 1e-9)[:, None]
            leader = np.hstack([anchor + (near - anchor) * request.radius / gap, near])
            leader[gap[:, 0] < request.radius + 7.0] = np.nan
            boxes.append(np.hstack([corner, corner + size]))
            leaders.append(leader)
            costs.append(0.8 * turn + 0.16 * distance * (ring > 0) + 0.12 * np.arange(len(_ANGLES)))
    box, leader, cost = np.vstack(boxes), np.vstack(leaders), np.concatenate(costs)
    x0, y0, x1, y1 = request.frame
    free = (box[:, 0] >= x0) & (box[:, 1] >= y0) & (box[:, 2] <= x1) & (box[:, 3] <= y1)
    free &= ~_meets(np.add(box, _PAD), np.vstack([marks, texts])).any(axis=1)
    free &= ~_passes_through(leader, texts).any(axis=1)
    box, leader, cost = box[free], leader[free], cost[free]
    if not len(box):
        return box, leader
    cost = cost + 2.5 * _passes_through(leader, marks).sum(axis=1)
    low, high = box[:, :2].min(axis=0), box[:, 2:].max(axis=0)
    dots = soft[((soft > low) & (soft < high)).all(axis=1)]
    covered = _counts(dots, box)
    order = np.argsort(np.round(cost + 0.45 * np.minimum(covered, 12), 6), kind="stable")
    return box[order], leader[order]


def _greedy(options: list[tuple[Array, Array]], order: list[int], far: set[int]) -> dict[int, int]:
    """For each label, in the given order, its best option clear of those before it (in `far`: the last)."""
    boxes, lines = _NO_BOX, _NO_BOX
    chosen: dict[int, int] = {}
    for index in order:
        box, leader = options[index]
        padded = np.add(box, _PAD)
        blocked = _meets(padded, boxes).any(axis=1) | _passes_through(lines, padded).any(axis=0)
        blocked |= _passes_through(leader, boxes).any(axis=1) | _crosses(leader, lines).any(axis=1)
        if blocked.all():
            continue
        clear = np.flatnonzero(~blocked)
        best = int(clear[-1] if index in far else clear[0])
        chosen[index] = best
        boxes = np.vstack([boxes, box[best]])
        if not np.isnan(leader[best]).any():
            lines = np.vstack([lines, leader[best]])
    return chosen


def place(requests: list[Request], marks: list[Row], texts: list[Row], soft: Array) -> list[Label]:
    """Place labels clear of each other, of marks and of other texts; one without a free place is left out.

    The most hemmed-in label goes first; labels for which no place was left go first in the next of a few
    passes, and the pass that places most counts. `soft` (n, 2) are points better left uncovered. The order of
    the requests breaks ties, so that sorted requests give the same answer every time.
    """
    solid = np.array(marks, dtype=np.float64).reshape(-1, 4)
    fixed = np.array(texts, dtype=np.float64).reshape(-1, 4)
    options = [_options(request, solid, fixed, soft) for request in requests]
    order = sorted(range(len(requests)), key=lambda i: (len(options[i][0]), i))
    best = trial = _greedy(options, order, set())
    far: set[int] = set()
    for _ in range(_PASSES - 1):
        failed = [i for i in order if i not in trial and len(options[i][0])]
        if not failed:
            break
        order = failed + [i for i in order if i not in failed]
        far.update(failed)  # at the end of a long leader they leave the near places to others
        trial = _greedy(options, order, far)
        best = max(best, trial, key=len)
    labels = []
    for index, option in sorted(best.items()):
        box, leader = options[index][0][option], options[index][1][option]
        line: Row | None = None if np.isnan(leader).any() else tuple(leader.tolist())
        labels.append(Label(requests[index], tuple(box.tolist()), line))
    return labels
