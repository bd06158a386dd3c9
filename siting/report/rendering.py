"""Templates filled in: everything that is not markup of ours is escaped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import jinja2
from markupsafe import Markup


@dataclass(frozen=True)
class Figure:
    """A figure of a page: name, title, caption, and its SVG for desktop and paper and for a narrow screen."""

    name: str
    title: str
    caption: str
    drawing: str
    small: str

    @property
    def wide(self) -> Markup:
        """The drawing as markup."""
        return Markup(self.drawing)

    @property
    def narrow(self) -> Markup:
        """The drawing for a narrow screen as markup."""
        return Markup(self.small)


LONG_WORD, SHORT_TEXT, SENTENCE = 24, 20, 40
"""Words of more letters may be broken anywhere; texts of fewer stay on one line, longer ones get room."""


def wrapping(text: str) -> str:
    """Return the class of a table's text by how it may be broken."""
    if len(text) <= SHORT_TEXT:
        return "short"
    if any(len(word) > LONG_WORD for word in text.split()):
        return "long"
    return "sentence" if len(text) > SENTENCE else ""


@cache
def _templates() -> jinja2.Environment:
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("siting.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["wrapping"] = wrapping
    return made


def rendered(template: str, context: Mapping[str, Any]) -> str:
    """Return a template of ours filled in; every text is escaped but `Markup`."""
    made: str = _templates().get_template(template).render(**context)
    return made
