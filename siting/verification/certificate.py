"""proof.json as numbers: stages, bases, cliques and the tree, checked for form before anything is worked out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from siting.arrays import Floats, Ints

FORMAT = 1
# A number in [0, kappa] that was rounded on the way may stand this far above kappa, relative to it.
ROUNDED = 1e-9


class FalseProofError(Exception):
    """A proof does not hold; the message says where and why."""


@dataclass(frozen=True, eq=False)
class Point:
    """A sparse point with its multipliers; `basis` numbers the basis in which the targets are solved for.

    `columns` and `y` (c,), `theta` (T,) of the targets, `rows` and `multipliers` (r,), `local` (depth,) of the
    sides on the way from the root.
    """

    basis: int
    columns: Ints
    y: Floats
    theta: Floats
    rows: Ints
    multipliers: Floats
    local: Floats


@dataclass(frozen=True, eq=False)
class Side:
    """sign x sum of columns <= limit, in whole numbers."""

    columns: Ints
    sign: int
    limit: int


@dataclass(frozen=True, eq=False)
class Node:
    """A node of the tree: what tells it from its parent (None for the root), its points and its children."""

    side: Side | None
    points: tuple[Point, ...]
    children: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class StageProof:
    """The proof of one stage. `bases` hold a matrix (k, j) a part, None where a basis is the whole space."""

    name: str
    value: float
    bound: float
    most_cost: int | None
    bases: tuple[tuple[Floats, ...] | None, ...]
    cliques: tuple[Ints, ...]
    nodes: tuple[Node, ...]


def read_proof(text: str) -> tuple[StageProof, ...]:
    """Return the stages of a proof.json; raises `FalseProofError` where the text is not one."""
    try:
        content = json.loads(text, parse_constant=_no_constant)
    except ValueError as error:
        raise FalseProofError(f"proof.json is not JSON: {error}") from None
    top = _keys(content, "proof.json", ("format", "stages"))
    if top["format"] != FORMAT or isinstance(top["format"], bool):
        raise FalseProofError(f"proof.json has format {top['format']!r}; this program reads format {FORMAT}")
    return tuple(_stage(one, f"stage {i + 1}") for i, one in enumerate(_list(top["stages"], "stages")))


def _stage(content: Any, where: str) -> StageProof:
    keys = ("name", "value", "bound", "most_cost", "bases", "cliques", "nodes")
    stage = _keys(content, where, keys)
    if not isinstance(stage["name"], str):
        raise FalseProofError(f"{where}: its name is not a text")
    where = f"stage {stage['name']!r}"
    most = None if stage["most_cost"] is None else _whole(stage["most_cost"], f"{where}, most_cost")
    bases = tuple(
        None if one is None else tuple(_matrix(part, f"{where}, basis {i}") for part in _list(one, f"{where}, basis"))
        for i, one in enumerate(_list(stage["bases"], f"{where}, bases"))
    )
    cliques = tuple(
        _wholes(one, f"{where}, clique {i}") for i, one in enumerate(_list(stage["cliques"], f"{where}, cliques"))
    )
    nodes = _nodes(_list(stage["nodes"], f"{where}, nodes"), where)
    value, bound = (_number(stage[key], f"{where}, {key}") for key in ("value", "bound"))
    return StageProof(stage["name"], value, bound, most, bases, cliques, nodes)


def _nodes(content: list[Any], where: str) -> tuple[Node, ...]:
    """Return the nodes of a tree, every one but the root the child of exactly the parent that it names."""
    if not content:
        raise FalseProofError(f"{where}: there is no node")
    nodes: list[Node] = []
    parents: list[int] = []
    for number, one in enumerate(content):
        here = f"{where}, node {number}"
        node = _keys(one, here, ("parent", "side", "points", "children"))
        parents.append(_whole(node["parent"], f"{here}, parent"))
        side = None if node["side"] is None else _side(node["side"], here)
        points = tuple(_point(point, here) for point in _list(node["points"], f"{here}, points"))
        children = tuple(int(x) for x in _wholes(node["children"], f"{here}, children"))
        nodes.append(Node(side, points, children))
    if parents[0] != -1 or nodes[0].side is not None:
        raise FalseProofError(f"{where}: node 0 is not the root")
    seen = np.zeros(len(nodes), dtype=np.int64)
    for number, mine in enumerate(nodes):
        if len(mine.children) not in (0, 2):
            raise FalseProofError(f"{where}, node {number} has {len(mine.children)} children; allowed: none or two")
        for child in mine.children:
            if not number < child < len(nodes) or parents[child] != number:
                raise FalseProofError(f"{where}, node {number} names {child} as a child, which it is not")
            seen[child] += 1
        if mine.children:
            _complementary(nodes[mine.children[0]].side, nodes[mine.children[1]].side, f"{where}, node {number}")
    if np.any(seen[1:] != 1):
        raise FalseProofError(f"{where}, node {1 + int(np.argmax(seen[1:] != 1))} is not the child of one other node")
    return tuple(nodes)


def _complementary(one: Side | None, other: Side | None, where: str) -> None:
    """Refuse two sides that do not cover every whole layout: sum <= k, and sum >= k + 1 of the same columns."""
    if one is None or other is None:
        raise FalseProofError(f"{where}: a child is not told from its parent")
    if not np.array_equal(one.columns, other.columns):
        raise FalseProofError(f"{where}: its children split different columns")
    # s x <= a and -s x <= -(a + 1), for either sign s
    if one.sign + other.sign != 0 or one.limit + other.limit != -1:
        raise FalseProofError(f"{where}: its children leave layouts out")


def _side(content: Any, where: str) -> Side:
    parts = _list(content, f"{where}, side")
    if len(parts) != 3:
        raise FalseProofError(f"{where}: its side is not columns, sign and limit")
    columns = _wholes(parts[0], f"{where}, side")
    sign = _whole(parts[1], f"{where}, sign")
    if sign not in (1, -1) or columns.size == 0:
        raise FalseProofError(f"{where}: its side has sign {sign} and {columns.size} columns")
    return Side(columns, sign, _whole(parts[2], f"{where}, limit"))


def _point(content: Any, where: str) -> Point:
    where = f"{where}, point"
    parts = _list(content, where)
    if len(parts) != 7:
        raise FalseProofError(f"{where}: it has {len(parts)} parts; there must be 7")
    basis = _whole(parts[0], where)
    columns, rows = _wholes(parts[1], where), _wholes(parts[4], where)
    y, theta, multipliers, local = (_numbers(parts[i], where) for i in (2, 3, 5, 6))
    if columns.size != y.size or rows.size != multipliers.size:
        raise FalseProofError(f"{where}: its lists differ in length")
    for name, numbers in (("y", y), ("theta", theta), ("a row multiplier", multipliers), ("a side multiplier", local)):
        if np.any(numbers < 0.0):
            raise FalseProofError(f"{where}: {name} is below 0")
    return Point(basis, columns, y, theta, rows, multipliers, local)


def _keys(content: Any, where: str, keys: Sequence[str]) -> dict[str, Any]:
    if not isinstance(content, dict) or set(content) != set(keys):
        raise FalseProofError(f"{where} does not hold exactly {', '.join(keys)}")
    return content


def _list(content: Any, where: str) -> list[Any]:
    if not isinstance(content, list):
        raise FalseProofError(f"{where} is not a list")
    return content


def _whole(content: Any, where: str) -> int:
    if isinstance(content, bool) or not isinstance(content, int) or abs(content) >= 2**53:
        raise FalseProofError(f"{where}: {content!r} is not a whole number")
    return content


def _wholes(content: Any, where: str) -> Ints:
    """Return distinct whole numbers."""
    numbers = [_whole(one, where) for one in _list(content, where)]
    if len(set(numbers)) != len(numbers):
        raise FalseProofError(f"{where}: a number stands twice")
    return np.array(numbers, dtype=np.int64)


def _number(content: Any, where: str) -> float:
    if isinstance(content, bool) or not isinstance(content, int | float) or not abs(content) < 1e300:
        raise FalseProofError(f"{where}: {content!r} is not a number that can be used")
    return float(content)


def _numbers(content: Any, where: str) -> Floats:
    return np.array([_number(one, where) for one in _list(content, where)], dtype=float)


def _matrix(content: Any, where: str) -> Floats:
    rows = [_numbers(one, where) for one in _list(content, where)]
    if not rows or rows[0].size == 0 or any(row.size != rows[0].size for row in rows):
        raise FalseProofError(f"{where} is not a matrix")
    return np.stack(rows)


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not allowed")
