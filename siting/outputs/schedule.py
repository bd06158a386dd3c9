"""What people see of the schedule: schedule.csv, and a calendar with the length of each record for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from siting.assessment.schedule import ACTIONS, Schedule, Step, month_words
from siting.outputs.columns import text_table
from siting.outputs.lines import month_spans, wrapped
from siting.outputs.tables import csv_text
from siting.region.plain import listed

TABLE = "schedule.csv"
_COLUMNS = ("year", "month", "date", "id", "name", "plan", "action", "until", "note")
_HEADS = ("site", "plan", "first", "months", "years", "share", "open", "open share", "analyzer")
_INDENT = " " * len("2028-03  ")


def schedule_csv(schedule: Schedule) -> str:
    """Return schedule.csv: one row a step."""
    names = {record.id: record.name for record in schedule.records}
    rows = [
        [
            step.year,
            step.calendar_month,
            month_words(step.month, schedule.first_year),
            step.id,
            names[step.id],
            step.plan,
            step.action,
            None if step.until is None else month_words(step.until, schedule.first_year),
            note_words(step),
        ]
        for step in schedule.steps
    ]
    return csv_text(_COLUMNS, rows)


def note_words(step: Step) -> str:
    """Return the note of a step with the months in which a place is open that had to be waited for."""
    opens = f"place opens {month_spans(step.opens)}" if step.opens else ""
    return ": ".join(part for part in (opens, step.note) if part)


def schedule_lines(schedule: Schedule, width: int) -> list[str]:
    """Return the schedule for the terminal, in lines of at most `width` cells.

    A calendar with the months in which something happens, what to know of waits and ways that are too long, and the
    record that each start leaves.
    """
    if not schedule.records:
        return ["Nothing is picked, so nothing is scheduled."]
    lines = ["Schedule"]
    for month in sorted({step.month for step in schedule.steps}):
        steps = [step for step in schedule.steps if step.month == month]
        lines += _hanging(month_words(month, schedule.first_year), _month(steps), width)
    for words in _notes(schedule):
        lines += wrapped(f"- {words}", width).split("\n")
    last = schedule.first_year + schedule.years - 1
    title = (
        f"Records by the end of {last} (months from the first one on, also in years and as a share of the window; "
        "those of them in which the place is open, as a share of its open months in the window; months with an "
        "analyzer)"
    )
    return [*lines, "", *wrapped(title, width).split("\n"), *_records(schedule, width).split("\n")]


def _month(steps: Sequence[Step]) -> str:
    """Return the actions of one month in words: sites that do the same stand together."""
    actions: dict[tuple[str, str], list[str]] = {}
    for step in steps:
        actions.setdefault((step.id, step.plan), []).append(step.action)
    groups: dict[tuple[str, ...], list[str]] = {}
    for name, _ in sorted(actions):
        groups.setdefault(tuple(actions[name, _]), []).append(name)
    order = sorted(groups, key=lambda group: [ACTIONS.index(action) for action in group])
    return "; ".join(f"{', '.join(group)}: {', '.join(groups[group])}" for group in order)


def _notes(schedule: Schedule) -> list[str]:
    """Return what a planner must not overlook, said once for all sites that it holds for."""
    found: dict[str, list[str]] = {}
    for step in schedule.steps:
        if step.clash or step.opens:
            found.setdefault(f"{step.action}: {note_words(step)}", []).append(step.id)
    return [f"{listed(found[words])}, {words}." for words in found]


def _records(schedule: Schedule, width: int) -> str:
    rows = [
        (
            record.id,
            record.plan,
            month_words(record.first_month, schedule.first_year),
            f"{record.months}",
            f"{record.years:.1f}",
            f"{100.0 * record.share:.0f} %",
            f"{record.open_months}",
            f"{100.0 * record.open_share:.0f} %",
            f"{record.analyzer_months}" if record.analyzer_months else "-",
        )
        for record in schedule.records
    ]
    return text_table(_HEADS, rows, width, left=2, fold=(0, 1), drop=(4, 8, 1, 7, 6, 5), instead=TABLE)


def _hanging(head: str, text: str, width: int) -> list[str]:
    """Return a text that hangs under its first word behind a head."""
    lines = wrapped(text, max(1, width - len(_INDENT))).split("\n")
    return [f"{_INDENT if number else f'{head}  '}{line}" for number, line in enumerate(lines)]
