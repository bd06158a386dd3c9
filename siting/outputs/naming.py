"""The default name of a result folder."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence

MOST_LETTERS = 60
_SAFE = re.compile(r"[^a-z0-9._]+")
_OPTION = re.compile(r"-(require|exclude|analyzers)-")


def folder_name(base: str, what_ifs: Sequence[str] = ()) -> str:
    """Return `base` with the changes of a what-if, as "best-by-score-budget-600000-exclude-dateline".

    Small letters, digits, points, hyphens and _ only, at most `MOST_LETTERS` after the base. Where that loses
    something (length, capitals, other signs), a short hash of the changes keeps the names apart.
    """
    if not what_ifs:
        return base
    told = [text.removeprefix("--").replace(" ", "-", 1) for text in what_ifs]
    exact = "-".join(told)
    safe = _SAFE.sub("-", exact.lower())
    if safe != exact or len(safe) > MOST_LETTERS or safe.endswith(".") or any(map(_OPTION.search, told)):
        digest = hashlib.sha256("\n".join(what_ifs).encode()).hexdigest()[:8]
        safe = f"{safe[: MOST_LETTERS - 9].rstrip('-.')}-{digest}"
    return f"{base}-{safe}"
