"""Pieces that all parts of the file vocabulary share: the base model and the way a field is described."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints


class Vocabulary(BaseModel):
    """Base of everything a region folder may hold: frozen, without unknown names, finite numbers only."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, arbitrary_types_allowed=True
    )


Later = Literal["", "record"]


def described(
    default: Any = ...,
    *,
    about: str,
    unit: str = "",
    why: str = "",
    later: Later = "",
    shown: str = "",
    **limits: Any,
) -> Any:
    """Return a pydantic field that carries what template, page and warnings say about it.

    `about` is one sentence, `unit` the unit of the number, `why` the reason for the default (its
    source or "assumed"), `later` names the part of the work that will use a field which is accepted
    and checked but changes no answer yet, and `shown` is a sample for the template. `limits` go to
    pydantic (`ge`, `le`, `gt`, `lt`, `min_length`, `max_length`).
    """
    extra: dict[str, Any] = {"unit": unit, "why": why, "later": later, "shown": shown}
    return Field(default, description=about, json_schema_extra=extra, **limits)


Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=r"^[^\W_][\w .\-]*$")]
Text = Annotated[str, StringConstraints(min_length=1, max_length=2000)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Latitude = Annotated[float, Field(ge=-90.0, le=90.0)]
Longitude = Annotated[float, Field(ge=-180.0, le=360.0)]
# Money is counted in whole hundredths of 64 bits. These limits, with `MOST_GROWTH` on all rates together, keep the
# cost of a deployment over the longest window below 2**63 of them; they are far above any real price.
MOST_MONEY = 1e12
MOST_UNIT_PRICE = 1e8
MOST_GROWTH = 100.0
MOST_ANALYZERS = 10_000
Money = Annotated[float, Field(ge=0.0, le=MOST_MONEY)]
UnitPrice = Annotated[float, Field(ge=0.0, le=MOST_UNIT_PRICE)]
Instrument = Literal["analyzer", "flask"]
