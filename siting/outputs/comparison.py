"""What people read of a comparison of layouts: words first, then the tables side by side."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

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
)
from siting.assessment.precision import Shown
from siting.outputs.columns import text_table
from siting.outputs.ladder import MIN_WIDTH, clean_text
from siting.outputs.lines import counted, number, what_if_words, wrapped
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
        for label in broken_labels(c):
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


def broken_labels(comparison: Comparison) -> list[str]:
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
