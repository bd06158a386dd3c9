"""The vocabulary of `[[rules]]`: conditions that a layout must meet, one model per kind."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from siting.region.schema.common import Instrument, Name, NotNegative, Vocabulary, described


class _Rule(Vocabulary):
    name: str = described("", about="Name of the rule as messages show it; empty: its kind and place.")


class _Counted(_Rule):
    count: int = described(about="How many.", ge=0, le=100_000)
    sites: tuple[Name, ...] = described(
        (), about="Ids of the candidates meant; empty: all.", shown='["first-site", "second-site"]'
    )
    group: Name | None = described(None, about="Candidates of this `group` only.", shown='"a-group"')
    instrument: Instrument | None = described(
        None, about="Count only sites with this instrument; `both` counts as either.", shown='"flask"'
    )
    new_only: bool = described(
        False, about="Count new sites only; else stations that already run are counted with them."
    )


class AtMost(_Counted):
    """At most `count` of the named sites or of the group; stations that already run are counted, too."""

    kind: Literal["at_most"]


class AtLeast(_Counted):
    """At least `count` of the named sites or of the group; stations that already run are counted, too."""

    kind: Literal["at_least"]


class OnlyWith(_Rule):
    """Site A only together with site B, in whichever year each opens; a running B is there."""

    kind: Literal["only_with"]
    site: Name = described(about="The candidate that depends on the other.")
    needs: Name = described(about="The candidate that must be picked or running.")


class BandAtLeast(_Rule):
    """At least `count` sites in a band; running stations count, a track by its share of time."""

    kind: Literal["band_at_least"]
    count: NotNegative = described(about="How many sites, in thousandths at the finest.", le=100_000.0)
    band: Name = described(about="Id of the band, or `each` for every band.")
    instrument: Instrument | None = described(None, about="Count only sites with this instrument.", shown='"flask"')


class Spacing(_Rule):
    """Sites with the same kind of instrument stand at least `km` apart (geodesic, nearest points)."""

    kind: Literal["spacing"]
    km: float = described(about="Least distance.", unit="km", gt=0.0, le=20_000.0)
    instrument: Instrument | None = described(
        None, about="Only this instrument; empty: each kind in turn.", shown='"flask"'
    )


class Comparison(_Rule):
    """At least `count` analyzer sites have a flask site within `km` (a plan `both` is its own pair).

    Flasks that stop when an analyzer comes compare nothing.
    """

    kind: Literal["comparison"]
    count: int | Literal["all"] = described(about="How many pairs, or `all` analyzer sites.")
    km: NotNegative | None = described(
        None, about="Greatest distance; empty: `pair_km` of the region.", unit="km", le=20_000.0, shown="50.0"
    )


class AtMostSites(_Rule):
    """At most `count` new sites in all."""

    kind: Literal["at_most_sites"]
    count: int = described(about="How many.", ge=0, le=100_000)


Rule = Annotated[
    AtMost | AtLeast | OnlyWith | BandAtLeast | Spacing | Comparison | AtMostSites,
    Field(discriminator="kind"),
]
RULE_MODELS: tuple[type[_Rule], ...] = (
    AtMost,
    AtLeast,
    OnlyWith,
    BandAtLeast,
    Spacing,
    Comparison,
    AtMostSites,
)
