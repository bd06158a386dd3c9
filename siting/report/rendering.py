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


@cache
def _templates() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("siting.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def rendered(template: str, context: Mapping[str, Any]) -> str:
    """Return a template of ours filled in; every text is escaped but `Markup`."""
    made: str = _templates().get_template(template).render(**context)
    return made
