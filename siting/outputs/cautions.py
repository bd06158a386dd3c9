"""The usual cautions that the picked sites call for.

The limits are common practice, no single source, unless a comment names one.
"""

from __future__ import annotations

import re

from siting.assessment.coverage import reach
from siting.assessment.layout import Assessment
from siting.planning import Planning

# Altitude sickness becomes common above about 2,500 m.
HIGH_M = 2500.0
# Polar circle in the north; in the south the Antarctic Treaty area begins at 60 S (Antarctic Treaty 1959, article VI).
POLAR_NORTH, POLAR_SOUTH = 66.5, -60.0
# Poleward of about 60 degrees a float or ship may meet sea ice in some season.
ICE_LAT = 60.0
# An inlet as high as this stands on a mast that somebody climbs.
MAST_M = 20.0
CLOSING = (
    "Local codes, permits, carriers' dangerous-goods rules and licensed practice decide; this list is a reminder, "
    "not advice."
)
_AFLOAT = ("ship", "drifting", "moored")
_ICE = re.compile(r"\b(sea ice|pack ice|ice ?floes?|ice ?breakers?|fast ice)\b")
_VOLCANO = re.compile(r"\b(volcan\w*|fumarol\w*|solfatar\w*|crater\w*|caldera\w*)")


def cautions(planning: Planning, assessment: Assessment) -> list[str]:
    """Return the cautions for a layout as sentences; each names the ids of the sites it is about (or all)."""
    c = planning.region.candidates
    at = [c.index(pick.id) for pick in assessment.picks]
    south, north = reach(planning)
    afloat = [i for i in at if c.platform[i] in _AFLOAT]
    told = {i: f"{c.access[i]} {' '.join(c.group[i])} {c.names[i]}".lower() for i in at}
    kinds = {c.index(pick.id): pick.kind for pick in assessment.picks}
    words: list[str] = []

    def say(sites: list[int], text: str) -> None:
        if sites:
            every = len(sites) == len(at) > 1
            words.append(f"{text} {'All new sites' if every else 'Sites: ' + ', '.join(c.ids[i] for i in sites)}.")

    say(
        [i for i in at if c.elevation_m[i] > HIGH_M],
        "Above 2,500 m: altitude sickness, cold and sun; acclimatise, never work alone, have a way down and oxygen.",
    )
    say(
        [i for i in at if north[i] >= POLAR_NORTH or south[i] <= POLAR_SOUTH],
        "Polar work: cold injury, whiteout, crevasses and long rescue times; trained guides and a field plan.",
    )
    say(
        [i for i in at if (i in afloat and max(north[i], -south[i]) >= ICE_LAT) or _ICE.search(told[i])],
        "Sea ice and cold water: ice breaks and drifts; immersion suits, ice checks and a rescue plan.",
    )
    say(afloat, "Work on ships and floats: moving decks, lines and cold water; the master decides.")
    say(
        [i for i in at if _VOLCANO.search(told[i])],
        "Volcanic gas: carbon dioxide and sulfur gases collect in hollows; gas alarms, wind, and the warden's word.",
    )
    say(
        [i for i in at if c.intake_m[i] >= MAST_M],
        "Inlets at 20 m or higher: masts are climbed by trained people only, with fall protection and a rescue plan.",
    )
    say(
        [i for i in at if kinds[i] != "analyzer"],
        "Evacuated glass can implode: tape or net the flasks, wear eye protection, pack for pressure changes in "
        "flight.",
    )
    cylinders = [i for i in at if kinds[i] != "flask"]
    say(
        cylinders,
        "Compressed gas: secure cylinders upright, keep caps on in transport, check regulators; declare them as "
        "dangerous goods.",
    )
    say(
        cylinders,
        "Cryogens, where air is dried cold: ventilate against lack of oxygen, never seal a cold trap, protect hands "
        "and eyes.",
    )
    words.append(CLOSING)
    return words
