"""What people see and keep of a build order."""

from __future__ import annotations

from typing import Any

from siting.assessment.schedule import Schedule
from siting.judging.order import BuildOrder, OrderStep
from siting.outputs.columns import text_table
from siting.outputs.documents import (
    VALUE,
    content,
    document,
    finite,
    headed,
    joined,
    loss_words,
    money,
    picks_words,
    section,
    target_words,
    value_words,
)
from siting.outputs.lines import wrapped
from siting.outputs.schedule import TABLE, schedule_csv, schedule_lines
from siting.outputs.tables import amount, csv_text
from siting.region.model import Region
from siting.region.plain import listed


def order_content(region: Region, order: BuildOrder, schedule: Schedule) -> dict[str, Any]:
    """Return what order.json holds; positions of deployments are left out, they mean nothing outside."""
    found = content(region, order, schedule=schedule)
    found["picked"] = [{"id": i, "plan": plan, "start_year": year} for i, plan, year in _last(order)]
    return found


def order_files(region: Region, order: BuildOrder, schedule: Schedule) -> dict[str, str]:
    """Return the files of a build order by name; layout.csv can be judged by `siting assess`."""
    rows = [
        [
            s.year,
            picks_words(s.opens),
            len(s.stands),
            finite(s.value),
            finite(s.bound),
            finite(s.gap),
            s.proved,
            finite(s.free_value),
            amount(s.spent_cents),
            amount(s.committed_cents),
        ]
        for s in order.steps
    ]
    heads = ["year", "opens", "sites", "value", "bound", "gap", "proved", "free_value", "spent", "committed"]
    return {
        "order.json": document(order_content(region, order, schedule)),
        "order.csv": csv_text(heads, rows),
        "layout.csv": csv_text(["id", "plan", "start_year"], _last(order)),
        TABLE: schedule_csv(schedule),
        "order.txt": order_lines(region, order, schedule, 80),
    }


def order_lines(region: Region, order: BuildOrder, schedule: Schedule, width: int) -> str:
    """Return a build order for the terminal, words first."""
    title = headed(region, f"build order by {order.by}, year by year.")
    currency, what = region.settings.currency, VALUE[order.by]
    lines = [
        "Whatever year new money stops after, what stands by then is the best that could, given the years before; it "
        "runs on to the end of the window and its cost is within the budget.",
    ]
    lines += [_step(s, order, what, currency) for s in order.steps]
    if order.whole:
        best = f"The best layout without such an order has a {what} of {value_words(order.by, order.free_value)}"
        price = loss_words(order.by, order.price)
        lines.append(f"{best}: the order costs {price}{_gap(order)}.")
    else:
        lines.append("NOT every year was decided: the search was stopped.")
    if not all(s.proved for s in order.steps):
        lines.append(f"NOT every search reached the gap that was asked for, {100 * order.asked_gap:.3g} %.")
    if order.unstated:
        lines.append(f"Errors of targets cannot be told: {order.unstated}")
    rows = [
        [
            str(s.year),
            str(len(s.opens)),
            str(len(s.stands)),
            value_words(order.by, s.value),
            value_words(order.by, s.free_value),
            f"{100 * s.gap:.2g}",
            money(s.spent_cents),
            money(s.committed_cents),
        ]
        for s in order.steps
    ]
    heads = ["year", "opens", "stand", what, "best by then", "gap %", "spent in it", "committed"]
    table = text_table(heads, rows, width, left=1, drop=(5, 6), instead="order.csv")
    calendar = "\n".join(schedule_lines(schedule, width))
    return joined([section(title, lines, width), f"{table}\n{wrapped(f'Money in {currency}.', width)}", calendar])


def _step(s: OrderStep, order: BuildOrder, what: str, currency: str) -> str:
    opens = listed([f"{site} ({plan})" for site, plan, _ in s.opens], 30) or "nothing new"
    told = f"{s.year}: {opens}. What stands then has a {what} of {value_words(order.by, s.value)}"
    told += f" and costs {money(s.committed_cents)} {currency} to the end"
    return f"{told}; {target_words(s.targets)}." if s.targets else f"{told}."


def _gap(order: BuildOrder) -> str:
    worst = max((s.gap for s in order.steps), default=0.0)
    return f", within gaps of {100 * worst:.3g} %" if worst > 0.0 else ""


def _last(order: BuildOrder) -> tuple[tuple[str, str, int], ...]:
    return order.steps[-1].stands if order.steps else ()
