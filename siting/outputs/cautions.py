"""The usual cautions that the picked sites call for (design, section 12)."""

from __future__ import annotations

from siting.assessment.layout import Assessment
from siting.selection.planning import Planning

HIGH_M = 2500.0
# Polar circle in the north; in the south the Antarctic Treaty area begins at 60 S.
POLAR_NORTH, POLAR_SOUTH = 66.5, -60.0
CLOSING = (
    "Local codes, permits, carriers' dangerous-goods rules and licensed practice decide; this list is a reminder, "
    "not advice."
)


def cautions(planning: Planning, assessment: Assessment) -> list[str]:
    """Return the cautions for a layout as sentences; each names the sites it is about."""
    c = planning.region.candidates
    at = [c.index(pick.id) for pick in assessment.picks]
    words: list[str] = []

    def say(sites: list[int], text: str) -> None:
        if sites:
            words.append(f"{text} Sites: {', '.join(c.ids[i] for i in sites)}.")

    say(
        [i for i in at if c.elevation_m[i] > HIGH_M],
        "Above 2,500 m: altitude sickness, cold and sun; acclimatise, never work alone, have a way down and oxygen.",
    )
    say(
        [i for i in at if c.lat[i] >= POLAR_NORTH or c.lat[i] <= POLAR_SOUTH],
        "Polar work: cold injury, whiteout, crevasses and long rescue times; trained guides and a field plan.",
    )
    say(
        [i for i in at if c.platform[i] in ("drifting", "moored") and abs(c.lat[i]) >= 60.0],
        "Sea ice and cold water: ice breaks and drifts; immersion suits, ice checks and a rescue plan.",
    )
    say(
        [i for i in at if c.platform[i] in ("ship", "drifting", "moored")],
        "Work on ships and floats: moving decks, lines and cold water; the master decides.",
    )
    say(
        [i for i in at if "volcan" in f"{c.access[i]} {' '.join(c.group[i])} {c.names[i]}".lower()],
        "Volcanic gas: carbon dioxide and sulfur gases collect in hollows; gas alarms, wind, and the warden's word.",
    )
    if any(pick.kind != "analyzer" for pick in assessment.picks):
        words.append(
            "Evacuated glass can implode: tape or net the flasks, wear eye protection, pack for pressure "
            "changes in flight."
        )
    if any(pick.kind != "flask" for pick in assessment.picks):
        words.append(
            "Compressed gas: secure cylinders upright, keep caps on in transport, check regulators; "
            "declare them as dangerous goods."
        )
        words.append(
            "Cryogens, where air is dried cold: ventilate against lack of oxygen, never seal a cold trap, "
            "protect hands and eyes."
        )
    words.append(CLOSING)
    return words
