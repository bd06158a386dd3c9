"""proof.json: the tree of a finished search with the points that bound its nodes, for `siting verify`.

The file holds numbers only; whoever checks it works out every bound anew.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

from siting.arrays import Floats, Ints
from siting.selection.precise.nodes import Node, Point
from siting.selection.stages import Proven

NAME = "proof.json"
FORMAT = 1


def proof_json(proven: Proven) -> str:
    """Return the text of proof.json: for each stage its name, value, bound, cost cap, bases, cliques and nodes.

    The bound is what the proof gives: for a score it may stand above the bound of the search, which layout.json tells.
    """
    bounds = proven.bounds or tuple(stage.bound for stage in proven.selection.stages)
    stages = [
        {
            "name": stage.name,
            "value": stage.value,
            "bound": bound,
            "most_cost": most,
            "bases": [None if basis is None else [_rows(one) for one in basis] for basis in proof.bases],
            "cliques": [_whole(clique) for clique in proof.cliques],
            "nodes": [_node(node) for node in proof.nodes],
        }
        for stage, bound, proof, most in zip(
            proven.selection.stages, bounds, proven.proofs, proven.most_costs, strict=True
        )
    ]
    return json.dumps({"format": FORMAT, "stages": stages}, separators=(",", ":"), allow_nan=False) + "\n"


def digest(text: str) -> str:
    """Return the SHA-256 of a text in UTF-8."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _node(node: Node) -> dict[str, Any]:
    side = node.side
    return {
        "parent": node.parent,
        "side": None if side is None else [_whole(side.columns), int(side.sign), int(side.limit)],
        "points": [_point(point) for point in node.points],
        "children": list(node.children),
    }


def _point(point: Point) -> list[Any]:
    return [
        point.basis,
        _whole(point.columns),
        point.y.tolist(),
        point.theta.tolist(),
        _whole(point.rows),
        point.multipliers.tolist(),
        point.local.tolist(),
    ]


def _rows(matrix: Floats) -> list[list[float]]:
    return [[float(f"{x:.9g}") for x in row] for row in matrix]


def _whole(numbers: Ints) -> list[int]:
    return [int(x) for x in numbers]
