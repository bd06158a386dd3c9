"""What people see and keep of a comparison of layouts: words first, then the tables and files side by side."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

from rich.cells import cell_len

from siting.assessment.comparison import (
    ALL_EQUAL,
    BEST_OF_ALL,
    COST,
    ONLY_KEEPER,
    RULES,
    SCORE,
    Comparison,
    Criterion,
    Held,
    Judged,
    Key,
    Loss,
    Member,
)
from siting.assessment.precision import Shown
from siting.outputs import tables
from siting.outputs.columns import text_table
from siting.outputs.geojson import dumps, feature, feature_collection
from siting.outputs.ladder import MIN_WIDTH, clean_text
from siting.outputs.lines import counted, number, what_if_words, wrapped
from siting.outputs.manifest import versions
from siting.outputs.shown import target_content
from siting.outputs.tables import amount, csv_text, harmless
from siting.outputs.terminal import latitude
from siting.region.plain import listed, quoted

MOST_COLUMNS = 4
# Sites that differ and are listed on the terminal; sites.csv has all.
MOST_SITES_SHOWN = 40
# Cells that the first column of the table keeps for its words, and that an id may fill in the others.
_FIRST, _SHORT = 24, 12
# Kinds of target of which no length of record is told.
_TIMELESS = ("monthly_anomaly", "season_timing")


def comparison_lines(comparison: Comparison, width: int = 80, ascii_only: bool = False) -> str:
    """Return the comparison for the terminal, words first, no line wider than `width` (at least 40)."""
    words = _Words(comparison, max(width, MIN_WIDTH), ascii_only)
    parts = [words.opening(), words.rules(), words.dominance(), *words.pairs(), words.common(), *words.blocks()]
    return "\n\n".join(part.rstrip("\n") for part in parts if part) + "\n"


def letter(position: int) -> str:
    """Return the short sign of a layout in tables: A to Z, then L27 and so on."""
    return chr(ord("A") + position) if position < 26 else f"L{position + 1}"


class _Words:
    """Makes the sections of the text of one comparison."""

    def __init__(self, comparison: Comparison, width: int, ascii_only: bool) -> None:
        self.c, self.width, self.ascii_only = comparison, width, ascii_only
        self.currency = comparison.region.settings.currency
        self.at = {name: k for k, name in enumerate(comparison.names)}
        self.labels = [f"{letter(k)} {quoted(name)}" for k, name in enumerate(comparison.names)]

    def _plain(self, text: str) -> str:
        return clean_text(text).encode("ascii", "replace").decode() if self.ascii_only else text

    def _line(self, text: str) -> str:
        return wrapped(self._plain(text), self.width)

    def _section(self, title: str, lines: Sequence[str]) -> str:
        return "\n".join([self._line(title), *(self._line(f"- {line}") for line in lines)])

    def _label(self, name: str) -> str:
        return self.labels[self.at[name]]

    def opening(self) -> str:
        """Say what is compared, each layout in one line, and what follows."""
        settings, judged = self.c.region.settings, self.c.judged
        what_if = what_if_words(self.c.region.what_ifs)
        title = f"{settings.title}, {what_if}" if what_if else settings.title
        first, last = judged[0].assessment.money.years[0], judged[0].assessment.money.years[-1]
        head = (
            f"{title}: {len(judged)} layouts compared on the same assumptions, {first}-{last}, "
            f"budget {settings.budget.total:,.0f} {self.currency}."
        )
        lines = []
        for k, one in enumerate(judged):
            a, shown = one.assessment, one.shown.values()
            goals = f", {sum(s.met for s in shown)} of {counted(len(shown), 'goal')} met" if shown else ""
            broken = f"BREAKS {_broken_words(one)}" if a.broken else "keeps every rule"
            lines.append(
                f"{self.labels[k]}: {counted(len(a.picks), 'new site')}, {a.money.total / 100:,.0f} {self.currency}, "
                f"score {a.score.total:.2f}{goals}; {broken}."
            )
        return f"{self._section(head, lines)}\n\n{self._section('In short', self._advice())}"

    def _advice(self) -> list[str]:
        advice = self.c.advice
        out = [] if advice.keepers else ["NO LAYOUT KEEPS EVERY RULE; what follows compares them as they are."]
        among = _and([self._label(name) for name in advice.among])
        why = "it dominates every other layout that keeps the rules"
        if advice.finding in (ONLY_KEEPER, BEST_OF_ALL):
            why = "it alone keeps every rule" if advice.finding == ONLY_KEEPER else "it dominates every other layout"
        if advice.layout is not None:
            beats = {other for one, other in self.c.dominated if one == advice.layout}
            if advice.finding == ONLY_KEEPER and len(beats) == len(self.c.judged) - 1:
                why += " and dominates every other layout"
            out.append(f"{self._label(advice.layout)} is the one to fund, by these criteria: {why}.")
            missed = [s.words for s in self.c.judged[self.at[advice.layout]].shown.values() if not s.met]
            out += [f"Yet it misses {counted(len(missed), 'goal')}: {listed(missed)}."] if missed else []
        elif advice.finding == ALL_EQUAL:
            out.append(f"{among} are equal in cost, score, rules and every error.")
        else:
            out.append(f"A trade-off between {among}: none dominates another. {self._bests()}")
        for k, one in enumerate(self.c.judged):
            if one.unstated:
                out.append(f"What {self.labels[k]} will show cannot be told: {one.unstated.rstrip('.')}.")
        if any(one.unstated for one in self.c.judged):
            out.append("Errors of targets therefore take no part in saying which layout dominates another.")
        elif any(s.years is None and not s.never for one in self.c.judged for s in one.shown.values()):
            out.append("With so many sites, years to detection are left out.")
        return out

    def _bests(self) -> str:
        """Say which of the undominated layouts is best in what."""
        among = [self.at[name] for name in self.c.advice.among]
        best: dict[tuple[int, ...], list[str]] = {}
        for criterion in self.c.criteria:
            top = tuple(k for k in among if not any(criterion in self.c.better_in(j, k) for j in among))
            if len(top) < len(among):
                best.setdefault(top, []).append(self._criterion(criterion))
        return " ".join(
            f"{_and([letter(k) for k in top])} {'is' if len(top) == 1 else 'are'} best in {_and(what)}."
            for top, what in best.items()
        )

    def _criterion(self, criterion: Criterion) -> str:
        if criterion.target is None:
            return {COST: "cost", SCORE: "score", RULES: "rules kept"}[criterion.kind]
        return f"the error of {next(s.words for s in self.c.targets if (s.tracer, s.id) == criterion.target)}"

    def rules(self) -> str:
        """Say which layouts keep every rule, and what the others break and have instead."""
        keepers = [self._label(name) for name in self.c.advice.keepers]
        if len(keepers) == len(self.c.judged):
            return self._section("Rules", ["Every layout keeps every rule."])
        lines = [f"{_and(keepers)} {'keeps' if len(keepers) == 1 else 'keep'} every rule."] if keepers else []
        for k, one in enumerate(self.c.judged):
            lines += [f"{self.labels[k]} BREAKS {j.label}: {j.words}. Here: {j.found}." for j in one.assessment.broken]
        return self._section("Rules", lines)

    def dominance(self) -> str:
        """Say which layout dominates which, and what that means."""
        errors = "" if any(one.unstated for one in self.c.judged) else " and every target's error"
        title = f"Which dominates which (no worse in cost, score, rules broken{errors}, and better in at least one)"
        lines = []
        for name in dict.fromkeys(one for one, _ in self.c.dominated):
            beaten = [self._label(other) for one, other in self.c.dominated if one == name]
            lines.append(f"{self._label(name)} dominates {_and(beaten)}.")
        return self._section(title, lines or ["No layout dominates another."])

    def pairs(self) -> list[str]:
        """Return what sets layouts apart: along rising cost those that none dominates, and each dominated one."""
        beaten = {other for _, other in self.c.dominated}
        free = [k for k, name in enumerate(self.c.names) if name not in beaten]
        free.sort(key=lambda k: (self.c.judged[k].assessment.money.total, k))
        out = [self._pair(dear, cheap, "") for cheap, dear in pairwise(free)]
        told: set[str] = set()
        for one, other in self.c.dominated:
            if other not in told and one not in beaten:
                told.add(other)
                out.append(self._pair(self.at[one], self.at[other], ", which it dominates"))
        return out

    def _pair(self, a: int, b: int, note: str) -> str:
        one, other = self.c.judged[a], self.c.judged[b]
        lines = [_money(one, other, letter(a), letter(b), self.currency), self._sites(a, b)]
        scores = one.assessment.score.total, other.assessment.score.total
        lines.append(f"Network score: {scores[0]:.2f} against {scores[1]:.2f}.")
        if one.assessment.broken or other.assessment.broken:
            parts = [f"{letter(k)} breaks {_broken_words(self.c.judged[k])}" for k in (a, b)]
            lines.append(f"Rules: {', '.join(parts)}.")
        shown = other.shown
        lines += [_target(s, shown[key], letter(a), letter(b)) for key, s in one.shown.items() if key in shown]
        lines.append(_coverage(one, other))
        lines.append(f"Loss of the one site that hurts most: {self._loss(a)}; {self._loss(b)}.")
        return self._section(f"{self.labels[a]} against {self.labels[b]}{note}", lines)

    def _sites(self, a: int, b: int) -> str:
        only_a = [m.id for m in self.c.members if m.held[a] and not m.held[b]]
        only_b = [m.id for m in self.c.members if m.held[b] and not m.held[a]]
        other = [m for m in self.c.members if m.held[a] and m.held[b] and m.held[a] != m.held[b]]
        parts = [f"only {letter(k)} has {listed(ids)}" for k, ids in ((a, only_a), (b, only_b)) if ids]
        if other:
            told = [f"{m.id} ({_held(m.held[a])} in {letter(a)}, {_held(m.held[b])} in {letter(b)})" for m in other]
            parts.append(f"another plan or year at {listed(told, 4)}")
        return f"Sites: {'; '.join(parts) or 'the same, with the same plans and years'}."

    def _loss(self, k: int) -> str:
        one, worst = self.c.judged[k], self.c.judged[k].worst
        if worst is None:
            return f"{letter(k)} has none to lose"
        parts = [f"score {one.assessment.score.total:.2f} to {worst.score:.2f}"]
        if one.precision is not None and worst.shortfall is not None:
            parts.append(f"shortfall {number(one.precision.shortfall)} to {number(worst.shortfall)}")
            missed = [one.shown[key].words for key in worst.newly]
            parts.append(f"goals then missed, too: {listed(missed)}" if missed else "no further goal is missed")
        return f"{letter(k)} without {worst.id}: {', '.join(parts)}"

    def common(self) -> str:
        """Say which sites all layouts have, and show those that differ."""
        c, lines = self.c, []
        if c.common:
            same = f"{counted(len(c.common), 'site')} in every layout with the same plan and start year"
            lines.append(f"{same}: {listed((member.id for member in c.common), 12)}.")
        else:
            lines.append("No site is in every layout with the same plan and start year.")
        unlike = [member for member in c.members if not member.same]
        for member in unlike[:MOST_SITES_SHOWN]:
            where: dict[str, list[str]] = {}
            for k, held in enumerate(member.held):
                if held:
                    where.setdefault(_held(held), []).append(letter(k))
            lines.append(f"{member.id}: {'; '.join(f'{plan} in {_and(signs)}' for plan, signs in where.items())}.")
        if len(unlike) > MOST_SITES_SHOWN:
            lines.append(f"And {counted(len(unlike) - MOST_SITES_SHOWN, 'more site')}: sites.csv.")
        return self._section("Sites in common, and those that are not the same in every layout", lines)

    def blocks(self) -> list[str]:
        """Return the tables, so many layouts side by side as have room."""
        rows = [(self._plain(words), [self._plain(cell) for cell in cells]) for words, cells in self._rows()]
        widest = max(cell_len(cell) for _, cells in rows for cell in cells)
        beside = min(MOST_COLUMNS, max(1, (self.width - _FIRST) // (widest + 2)))
        out = []
        for begin in range(0, len(self.labels), beside):
            part = range(len(self.labels))[begin : begin + beside]
            body = [(words, *(cells[k] if cells else "" for k in part)) for words, cells in rows]
            table = text_table(["", *map(letter, part)], body, self.width, left=1)
            out.append(f"{self._line('Side by side: ' + ', '.join(self.labels[k] for k in part))}\n{table}")
        return out

    def _rows(self) -> list[tuple[str, list[str]]]:
        """Return the rows of the table: words and a cell a layout; none for a heading."""
        c, judged = self.c, self.c.judged
        given = [one.assessment for one in judged]
        money, scores = [a.money for a in given], [a.score for a in given]
        rows = [("New sites", [str(len(a.picks)) for a in given]), (f"Cost, {self.currency}", [])]
        for y, year in enumerate(money[0].years):
            rows.append((f"- {year}", [f"{m.by_year[y] / 100:,.0f}" for m in money]))
        rows.append(("- all years", [f"{m.total / 100:,.0f}" for m in money]))
        rows.append(("Network score", [f"{score.total:.2f}" for score in scores]))
        rows.append(("- from the sites", [f"{score.worth:.2f}" for score in scores]))
        rows.append(("- from covering bands", [f"{sum(score.coverage):.2f}" for score in scores]))
        for s in c.targets:
            rows += self._target_rows(s)
        if c.targets:
            rows.append(("Goals met", [str(sum(s.met for s in k.shown.values())) if k.shown else "-" for k in judged]))
            rows.append(("Shortfall", [number(k.precision.shortfall) if k.precision else "-" for k in judged]))
        rows.append(("Sites by band, new and running", []))
        for b, band in reversed(list(enumerate(given[0].coverage.bands))):
            rows.append((f"- {band.band}", [f"{a.coverage.bands[b].sites:.3g}" for a in given]))
        gaps = [a.coverage.gaps[0] if a.coverage.gaps else None for a in given]
        rows.append(("Widest gap in latitude, degrees", [f"{g.width_deg:.1f}" if g else "none" for g in gaps]))
        rows.append(("- from", [latitude(g.from_lat) if g else "-" for g in gaps]))
        rows.append(("- to", [latitude(g.to_lat) if g else "-" for g in gaps]))
        worst = [one.worst for one in judged]
        rows.append(("Worst loss of one site", [_brief(w.id) if w else "-" for w in worst]))
        rows.append(("- score then", [f"{w.score:.2f}" if w else "-" for w in worst]))
        if c.targets:
            known = [w if w is not None and w.shortfall is not None else None for w in worst]
            rows.append(("- shortfall then", [number(w.shortfall or 0.0) if w else "-" for w in known]))
            rows.append(("- goals missed then", [str(len(w.missed)) if w else "-" for w in known]))
        rows.append(("Conditions broken", [f"{len(a.broken)} of {len(a.rules)}" for a in given]))
        for label in _broken_labels(c):
            breaks = [any(j.label == label for j in a.broken) for a in given]
            rows.append((f"- {label}", ["BROKEN" if broken else "holds" for broken in breaks]))
        return rows

    def _target_rows(self, s: Shown) -> list[tuple[str, list[str]]]:
        mine = [one.shown.get((s.tracer, s.id)) for one in self.c.judged]
        cells = [f"{_error(one)} {'met' if one.met else 'MISSED'}" if one else "-" for one in mine]
        rows = [(f"{_capital(s.words)}: error, {s.unit}, goal {number(s.goal)}", cells)]
        if s.kind not in _TIMELESS:
            never = ["never" if one and one.never else "-" for one in mine]
            years = [one.years if one else None for one in mine]
            cells = [no if y is None else f"{y:.1f}" for y, no in zip(years, never, strict=True)]
            rows.append(("- years to detect it", cells))
        return rows


def _and(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _held(held: Held) -> str:
    """Return what a layout has at a site in words, empty for nothing."""
    return " and ".join(f"{plan} {year}" for plan, year in held)


def _brief(text: str) -> str:
    return text if cell_len(clean_text(text)) <= _SHORT else "(see above)"


def _broken_words(one: Judged) -> str:
    """Return how many conditions a layout breaks."""
    broken = len(one.assessment.broken)
    return f"{broken} of {counted(len(one.assessment.rules), 'condition')}" if broken else "none"


def _broken_labels(comparison: Comparison) -> list[str]:
    """Return the labels of the conditions that any layout breaks, each once, in the order of rules and layouts."""
    return list(dict.fromkeys(j.label for one in comparison.judged for j in one.assessment.broken))


def _capital(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}"


def _money(one: Judged, other: Judged, a: str, b: str, currency: str) -> str:
    mine, theirs = one.assessment.money.total, other.assessment.money.total
    if mine == theirs:
        return f"Money: the same, {mine / 100:,.0f} {currency}."
    share = f", {100.0 * abs(mine / theirs - 1.0):.0f} %" if theirs > 0 else ""
    more = "more" if mine > theirs else "less"
    return (
        f"Money: {a} costs {abs(mine - theirs) / 100:,.0f} {currency} {more}{share} "
        f"({mine / 100:,.0f} against {theirs / 100:,.0f})."
    )


def _target(mine: Shown, theirs: Shown, a: str, b: str) -> str:
    met = {
        (True, True): "both meet it",
        (True, False): f"only {a} meets it",
        (False, True): f"only {b} meets it",
        (False, False): "neither meets it",
    }[mine.met, theirs.met]
    change = 100.0 * (mine.error / theirs.error - 1.0) if theirs.error > 0.0 else 0.0
    moved = (
        f", {abs(change):.0f} % {'more' if change > 0.0 else 'less'}" if abs(change) >= 0.5 else ", as good as equal"
    )
    words = (
        f"{_capital(mine.words)}: error {_error(mine)} against {_error(theirs)} "
        f"{mine.unit}{moved} (goal {number(mine.goal)}: {met})"
    )
    one, other = _years(mine), _years(theirs)
    if mine.kind in _TIMELESS or not (one and other):
        return f"{words}."
    if one == other:
        return f"{words}; with 90 % probability found {one} by both."
    return f"{words}; with 90 % probability found by {a} {one}, by {b} {other}."


def _error(s: Shown) -> str:
    """Return an error with three digits, more where it would else look like a goal that it misses."""
    if s.met or number(s.error) != number(s.goal):
        return number(s.error)
    return next((told for d in range(4, 10) if (told := f"{s.error:.{d}g}") != f"{s.goal:.{d}g}"), number(s.error))


def _years(s: Shown) -> str:
    if s.years is not None:
        return f"after {s.years:.1f} years"
    return f"never within 50 years ({s.never})" if s.never else ""


def _coverage(one: Judged, other: Judged) -> str:
    pairs = zip(one.assessment.coverage.bands, other.assessment.coverage.bands, strict=True)
    moved = [f"{x.band} {x.sites:.3g} against {y.sites:.3g}" for x, y in pairs if f"{x.sites:.3g}" != f"{y.sites:.3g}"]
    bands = f"sites by band {', '.join(moved)}" if moved else "the same number of sites in every band"
    gaps = [k.assessment.coverage.gaps[:1] for k in (one, other)]
    told = [
        ", ".join(f"{g.width_deg:.1f} degrees ({latitude(g.from_lat)} to {latitude(g.to_lat)})" for g in gap) or "none"
        for gap in gaps
    ]
    gap = f"the same widest gap, {told[0]}" if told[0] == told[1] else f"widest gap {told[0]} against {told[1]}"
    return f"Coverage: {bands}; {gap}."


def comparison_content(comparison: Comparison) -> dict[str, Any]:
    """Return what comparison.json holds, of JSON's own types; None stands for what is not known or never."""
    region, advice = comparison.region, comparison.advice
    content = {
        "region": region.name,
        "title": region.settings.title,
        "changes": list(region.what_ifs),
        "currency": region.settings.currency,
        "layouts": [_layout(comparison, k) for k in range(len(comparison.judged))],
        "criteria": [
            {"kind": one.kind, "better": "less" if one.less else "more", "target": _target_name(one.target)}
            for one in comparison.criteria
        ],
        "dominated": [{"dominator": one, "dominated": other} for one, other in comparison.dominated],
        "sites": [
            {
                "id": member.id,
                "name": member.name,
                "membership": "all" if member.in_all else "some",
                "same": member.same,
                "held": [[{"plan": plan, "start_year": year} for plan, year in held] for held in member.held],
            }
            for member in comparison.members
        ],
        "advice": {
            "finding": advice.finding,
            "layout": advice.layout,
            "among": list(advice.among),
            "keepers": list(advice.keepers),
        },
        "inputs": dict(region.inputs),
        "versions": versions(),
    }
    return dict(json.loads(_json(content)))


def _json(content: Any) -> str:
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False, sort_keys=True)
    # A file name may hold bytes that are no text; they must not keep the file from being written.
    return text.encode("utf-8", "replace").decode("utf-8") + "\n"


def _target_name(key: Key | None) -> dict[str, str] | None:
    return None if key is None else {"tracer": key[0], "id": key[1]}


def _layout(comparison: Comparison, position: int) -> dict[str, Any]:
    one = comparison.judged[position]
    a, given = one.assessment, one.precision
    money = a.money
    bands = [band.id for band in comparison.region.settings.bands]
    shown = {} if given is None else one.shown
    return {
        "name": one.name,
        "sign": letter(position),
        "picked": [{"id": p.id, "plan": p.plan, "start_year": p.start_year} for p in a.picks],
        "cost_total": money.total / 100,
        "cost_by_year": {str(y): c / 100 for y, c in zip(money.years, money.by_year, strict=True)},
        "score": {
            "worth": a.score.worth,
            "coverage": dict(zip(bands, a.score.coverage, strict=True)),
            "total": a.score.total,
        },
        "targets": [] if given is None else target_content(given),
        "shortfall": None if given is None else given.shortfall,
        "goals_met": None if given is None else sum(s.met for s in shown.values()),
        "unstated": one.unstated or None,
        "coverage": tables.band_rows(a),
        "gaps": tables.gap_rows(a),
        "efficiencies": tables.profile_rows(a),
        "keeps_every_rule": one.keeps,
        "rules_broken": [j.label for j in a.broken],
        "rules": [{"rule": j.label, "condition": j.words, "holds": j.holds, "found": j.found} for j in a.rules],
        "assumed": {column: list(ids) for column, ids in a.assumed.items()},
        "losses": [_loss_content(loss) for loss in one.losses],
        "worst_loss": None if one.worst is None else one.worst.id,
    }


def _loss_content(loss: Loss) -> dict[str, Any]:
    return {
        "id": loss.id,
        "score": loss.score,
        "shortfall": loss.shortfall,
        "errors": [{"tracer": key[0], "id": key[1], "error": error} for key, error in loss.errors],
        "missed": [_target_name(key) for key in loss.missed],
        "newly_missed": [_target_name(key) for key in loss.newly],
    }


def comparison_files(comparison: Comparison) -> dict[str, str]:
    """Return the files of a comparison by name; the same comparison gives the same bytes."""
    return {
        "comparison.csv": _quantities(comparison),
        "comparison.geojson": _places(comparison),
        "comparison.json": _json(comparison_content(comparison)),
        "comparison.txt": comparison_lines(comparison),
        "costs.csv": _costs(comparison),
        "sites.csv": _site_table(comparison),
    }


def _columns(comparison: Comparison, *before: str) -> list[str]:
    """Return headings of one column a layout, which no name can make look like one of ours or like a formula."""
    return [harmless(clean_text(f"{what} {name}")) for name in comparison.names for what in before]


def _quantities(comparison: Comparison) -> str:
    """Return comparison.csv: one row a quantity, one column a layout."""
    judged, settings = comparison.judged, comparison.region.settings
    rows: list[list[object]] = []

    def row(group: str, quantity: str, unit: str, values: Iterable[object], goal: float | None = None) -> None:
        rows.append([group, quantity, unit, goal, *values])

    given, known = [one.assessment for one in judged], [one.precision for one in judged]
    row("sites", "new sites", "", (len(a.picks) for a in given))
    for y, year in enumerate(given[0].money.years):
        row("cost", str(year), settings.currency, (amount(a.money.by_year[y]) for a in given))
    row("cost", "total", settings.currency, (amount(a.money.total) for a in given))
    row("score", "total", "points", (a.score.total for a in given))
    row("score", "from the sites", "points", (a.score.worth for a in given))
    for b, band in enumerate(settings.bands):
        row("score", f"band {band.id}", "points", (a.score.coverage[b] for a in given))
    content = [{(t["tracer"], t["id"]): t for t in target_content(p)} if p else {} for p in known]
    for s in comparison.targets:
        mine = [found.get((s.tracer, s.id), {}) for found in content]
        units = {"error": s.unit, "signal": s.unit, "detection_error": s.unit, "years": "years"}
        for name in ("error", "met", "signal", "detection_error", "probability", "years", "never"):
            goal = s.goal if name == "error" else None
            row(f"target {s.tracer} {s.id}", name, units.get(name, ""), (t.get(name) for t in mine), goal)
    row("targets", "goals met", "", (sum(s.met for s in p.shown) if p else None for p in known))
    row("targets", "shortfall", "", (p.shortfall if p else None for p in known))
    row("targets", "not told because", "", (one.unstated or None for one in judged))
    for b, covered in enumerate(given[0].coverage.bands):
        row(f"band {covered.band}", "sites", "", (a.coverage.bands[b].sites for a in given))
        row(f"band {covered.band}", "clean hours a year", "h", (a.coverage.bands[b].baseline_hours for a in given))
    gaps = [a.coverage.gaps[0] if a.coverage.gaps else None for a in given]
    row("latitude", "widest gap", "degrees", (g.width_deg if g else None for g in gaps))
    row("latitude", "its south end", "degrees", (g.from_lat if g else None for g in gaps))
    row("latitude", "its north end", "degrees", (g.to_lat if g else None for g in gaps))
    worst = [one.worst for one in judged]
    row("worst loss of one site", "site", "", (w.id if w else None for w in worst))
    row("worst loss of one site", "score", "points", (w.score if w else None for w in worst))
    row("worst loss of one site", "shortfall", "", (w.shortfall if w else None for w in worst))
    missed = (len(w.missed) if w and w.shortfall is not None else None for w in worst)
    row("worst loss of one site", "goals missed", "", missed)
    row("rules", "conditions", "", (len(a.rules) for a in given))
    row("rules", "conditions broken", "", (len(a.broken) for a in given))
    for label in _broken_labels(comparison):
        found = ("; ".join(j.found for j in a.broken if j.label == label) for a in given)
        row("rule broken", label, "", (text or None for text in found))
    return csv_text(["group", "quantity", "unit", "goal", *_columns(comparison, "layout")], rows)


def _site_table(comparison: Comparison) -> str:
    """Return sites.csv: one row a site with plan and start year in each layout."""
    rows: list[list[object]] = []
    for member in comparison.members:
        cells: list[object] = []
        for held in member.held:
            cells += [" and ".join(plan for plan, _ in held) or None, " and ".join(str(y) for _, y in held) or None]
        membership = "same in all" if member.same else "all" if member.in_all else "some"
        rows.append([member.id, member.name, membership, *cells])
    return csv_text(["id", "name", "membership", *_columns(comparison, "plan in", "start year in")], rows)


def _costs(comparison: Comparison) -> str:
    """Return costs.csv: year, layout, kind, amount; the rows of a layout add up to its cost."""
    rows: list[list[object]] = []
    for y, year in enumerate(comparison.judged[0].assessment.money.years):
        for one in comparison.judged:
            money = one.assessment.money
            sums: Counter[str] = Counter()
            for site in money.sites:
                if site.year == year:
                    sums.update(dict(zip(money.kinds, site.by_kind, strict=True)))
            kinds = [(kind, sums[kind]) for kind in money.kinds]
            kinds.append(("transport_fixed", sum(f.cents for f in money.fixed if f.year == year)))
            kinds.append(("purchases", money.purchases[y]))
            rows += [[year, clean_text(one.name), kind, amount(cents)] for kind, cents in kinds]
    return csv_text(["year", "layout", "kind", "amount"], rows)


def _places(comparison: Comparison) -> str:
    """Return comparison.geojson: every site or track of any layout, and the running stations."""
    c = comparison.region.candidates
    members = {member.id: member for member in comparison.members}
    kinds = {plan.id: plan.kind for plan in comparison.region.settings.plans}

    def kind_of(held: Held) -> str:
        """Return the kind of what stands there: several plans of different kinds are both."""
        found = {kinds[plan] for plan, _ in held}
        return found.pop() if len(found) == 1 else "both"

    names = [clean_text(name) for name in comparison.names]
    features = []
    for i, candidate in enumerate(c.ids):
        runs = c.status[i] == "running"
        if candidate not in members and not runs:
            continue
        member = members.get(candidate, Member(candidate, c.names[i], ((),) * len(names)))
        properties: dict[str, Any] = {
            "id": candidate,
            "name": c.names[i],
            "role": "picked" if candidate in members else "running",
            "platform": c.platform[i],
            "already_running": runs,
            "membership": ("all" if member.in_all else "some") if candidate in members else None,
            "same_in_all": member.same if candidate in members else None,
            "layouts": "; ".join(name for name, held in zip(names, member.held, strict=True) if held) or None,
        }
        for k, (name, held) in enumerate(zip(names, member.held, strict=True), start=1):
            properties |= {
                f"layout_{k}": name,
                f"in_{k}": bool(held),
                f"plan_{k}": " and ".join(plan for plan, _ in held) or None,
                f"kind_{k}": kind_of(held) if held else None,
                f"start_year_{k}": held[0][1] if len(held) == 1 else " and ".join(str(y) for _, y in held) or None,
            }
        features.append(feature(c.geometry[i], properties, candidate))
    return dumps(feature_collection(features))
