"""The commands that judge layouts among others: compare, frontier, order, alternatives, stress."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from siting.talk import (
    NO_LAYOUT,
    STOPPED,
    JsonOption,
    OutOption,
    RegionArgument,
    is_utf,
    print_json,
    put,
    read,
    refuse,
    say,
    say_notes,
    width,
    written_words,
)

if TYPE_CHECKING:
    from siting.futures.outcome import Task
    from siting.region import Region
    from siting.region.layouts import GivenLayout
    from siting.selection.program import Ended

LayoutArgument = Annotated[
    str, typer.Argument(metavar="LAYOUT", help="Name in the region's layouts, or a .csv, .json or .geojson.")
]
ByOption = Annotated[str, typer.Option("--by", metavar="WHAT", help="What is made best: score or precision.")]
GapOption = Annotated[
    str, typer.Option("--gap", metavar="SHARE", help="Each search stops once nothing is better by this share, 0 to 1.")
]
LimitOption = Annotated[
    str | None, typer.Option("--time-limit", metavar="S", help="Seconds after which to stop, all searches together.")
]


def register(app: typer.Typer) -> None:
    """Add the commands to an app."""
    for command in (compare, frontier, order, alternatives, stress):
        app.command()(command)


def compare(
    region: RegionArgument,
    layouts: Annotated[
        list[str],
        typer.Argument(metavar="LAYOUT LAYOUT...", help="Two or more: names, .csv, .json or .geojson files."),
    ],
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Set layouts side by side on the same assumptions: cost, errors, coverage, rules, and which beats which."""
    found = read(region, as_json)
    from siting import api
    from siting.outputs.comparison import comparison_lines
    from siting.outputs.comparison_files import comparison_content, comparison_files
    from siting.outputs.folder import check_target
    from siting.outputs.naming import folder_name
    from siting.region.faults import InputError
    from siting.report.comparing import comparison_report

    try:
        given = _layouts(found, layouts)
        target = _target(found, out, folder_name("comparison", ["-".join(one.name for one in given)]))
        for one in given:
            check_target(target, one.path)
        say_notes(found)
        result = api.compare(found, given)
    except InputError as error:
        refuse(error, as_json)
    text = comparison_lines(result, width(), not is_utf(sys.stdout))
    files = comparison_files(result)
    _finish(target, {**files, **comparison_report(files)}, comparison_content(result), text, as_json)


def frontier(
    region: RegionArgument,
    by: Annotated[
        str, typer.Option("--by", metavar="WHAT", help="What is made best: score, precision, or both at one budget.")
    ] = "score",
    points: Annotated[
        str, typer.Option("--points", metavar="N", help="Number of budgets (of layouts, by both).")
    ] = "9",
    low: Annotated[
        str, typer.Option("--from", metavar="MONEY", help="Least budget; by default half of the region's.")
    ] = "",
    high: Annotated[
        str, typer.Option("--to", metavar="MONEY", help="Largest budget; by default one and a half of the region's.")
    ] = "",
    changes: Annotated[
        bool, typer.Option("--changes", metavar="", help="Every budget where the best layout changes; by score only.")
    ] = False,
    gap: GapOption = "0.01",
    time_limit: LimitOption = None,
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what money buys: the best layout at each of several budgets, and which sites stay in all along."""
    from siting.options import frontier_options
    from siting.region.faults import InputError

    try:
        asked = frontier_options(by, points, low, high, changes, gap, time_limit)
    except InputError as error:
        refuse(error, as_json)
    found = read(region, as_json)
    from siting import api
    from siting.outputs import frontier as shown
    from siting.outputs.folder import check_target
    from siting.outputs.progress import ProgressLine
    from siting.selection.program import Ended

    own = found.settings.budget.total
    name = f"frontier-by-{asked.by}" + ("-changes" if asked.changes else "")
    try:
        least, most = asked.ends(own)
        target = _target(found, out, name)
        check_target(target)
        say_notes(found)
        with _interrupt() as interrupt, ProgressLine() as line:
            limits: dict[str, Any] = {"gap": asked.gap, "time_limit": asked.time_limit, "stop": interrupt.asked}
            if asked.by == "both":
                both = api.frontier_both(found, points=asked.points, progress=line.update, **limits)
            else:
                result = api.frontier(
                    found,
                    by="score" if asked.by == "score" else "precision",
                    points=asked.points,
                    low=least / own,
                    high=most / own,
                    every_change=asked.changes,
                    progress=line.update,
                    **limits,
                )
    except InputError as error:
        refuse(error, as_json)
    if asked.by == "both":
        if not both.points:
            _nothing(both.ended, as_json)
        content, text = shown.frontier_content(found, both), shown.both_lines(found, both, width())
        _finish(target, shown.both_files(found, both), content, text, as_json)
        proved = all(p.proved for p in both.points)
    else:
        kept = [p for p in result.points if p.found]
        if not kept:
            proofs = [p.ended for p in result.points if p.ended is not Ended.INFEASIBLE]
            _nothing(proofs[0] if proofs else Ended.INFEASIBLE, as_json, " at any of these budgets")
        content, text = shown.frontier_content(found, result), shown.frontier_lines(found, result, width())
        _finish(target, shown.frontier_files(found, result), content, text, as_json)
        # That no layout keeps the rules counts as proved; a budget that a limit left undecided does not.
        proved = result.whole and all(p.proved for p in result.points)
    if not proved:
        raise typer.Exit(STOPPED)


def order(
    region: RegionArgument,
    by: ByOption = "score",
    gap: GapOption = "0.01",
    time_limit: LimitOption = None,
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Stage the work: what opens in which year, so that what stands is the best that could, and when to order."""
    from siting.options import judging_options
    from siting.region.faults import InputError

    try:
        asked = judging_options(by, gap, time_limit)
    except InputError as error:
        refuse(error, as_json)
    found = read(region, as_json)
    from siting import api
    from siting.outputs.folder import check_target
    from siting.outputs.order import order_content, order_files, order_lines
    from siting.outputs.progress import ProgressLine

    try:
        target = _target(found, out, f"order-by-{by}")
        check_target(target)
        say_notes(found)
        with _interrupt() as interrupt, ProgressLine() as line:
            result = api.build_order(
                found,
                by=asked.by,
                gap=asked.gap,
                time_limit=asked.time_limit,
                stop=interrupt.asked,
                progress=line.update,
            )
    except InputError as error:
        refuse(error, as_json)
    made, schedule = result.order, result.schedule
    if not made.steps:
        _nothing(made.ended, as_json)
    text = order_lines(found, made, schedule, width())
    _finish(target, order_files(found, made, schedule), order_content(found, made, schedule), text, as_json)
    if not made.whole or not all(s.proved for s in made.steps):
        raise typer.Exit(STOPPED)


def alternatives(
    region: RegionArgument,
    layout: Annotated[
        str | None,
        typer.Argument(metavar="[LAYOUT]", help="Layout to ask about; by default the best one."),
    ] = None,
    by: ByOption = "score",
    ties: Annotated[str, typer.Option("--ties", metavar="N", help="Near ties to look for, at most.")] = "5",
    apart: Annotated[
        str, typer.Option("--apart", metavar="N", help="Sites in which near ties differ: in one, not in the other.")
    ] = "2",
    within: Annotated[
        str, typer.Option("--within", metavar="SHARE", help="Share of the value that a near tie may lose, 0 to 1.")
    ] = "0.05",
    site: Annotated[
        list[str] | None, typer.Option("--site", metavar="ID", help="Ask about this site only; may be repeated.")
    ] = None,
    gap: GapOption = "0.01",
    time_limit: LimitOption = None,
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say why each site is in and others are not: what its loss costs, what having it costs, and near ties."""
    from siting.options import alternatives_options
    from siting.region.faults import InputError

    try:
        asked = alternatives_options(by, ties, apart, within, gap, time_limit)
    except InputError as error:
        refuse(error, as_json)
    found = read(region, as_json)
    from siting import api
    from siting.outputs.alternatives import alternatives_content, alternatives_files, alternatives_lines
    from siting.outputs.folder import check_target
    from siting.outputs.naming import folder_name
    from siting.outputs.progress import Counter
    from siting.region.layouts import read_layout

    try:
        given = None if layout is None else read_layout(found, layout, state=by == "precision")
        target = _target(found, out, folder_name(f"alternatives-by-{by}", [given.name] if given else ()))
        check_target(target, given.path if given else None)
        say_notes(found)
        with _interrupt() as interrupt, Counter("searching") as counter:
            result = api.alternatives(
                found,
                given,
                by=asked.by,
                ties=asked.ties,
                apart=asked.apart,
                within=asked.within,
                sites=site or None,
                gap=asked.gap,
                time_limit=asked.time_limit,
                stop=interrupt.asked,
                counter=counter.update,
            )
    except InputError as error:
        refuse(error, as_json)
    if not result.base.found:
        _nothing(result.base.ended, as_json)
    text = alternatives_lines(found, result, width())
    _finish(target, alternatives_files(found, result), alternatives_content(found, result), text, as_json)
    if not result.whole:
        raise typer.Exit(STOPPED)


def stress(
    region: RegionArgument,
    layout: LayoutArgument,
    by: ByOption = "score",
    futures: Annotated[
        str | None, typer.Option("--futures", metavar="N", help="Number of futures in place of the region's.")
    ] = None,
    seed: Annotated[str, typer.Option("--seed", metavar="N", help="Seed of the draws.")] = "0",
    gap: GapOption = "0.01",
    nodes: Annotated[
        str | None,
        typer.Option("--nodes", metavar="N", help="Nodes after which a future's search ends; by precision 2."),
    ] = None,
    workers: Annotated[
        str | None, typer.Option("--workers", metavar="N", help="Local processes; by default one for each processor.")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", metavar="ADDRESS", help="Work on a Dask cluster (extra `dask`), tcp://HOST:PORT."),
    ] = None,
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Try a layout in many futures: prices, failures, late starts, noisier air; what it loses, what breaks first."""
    from siting.options import stress_options
    from siting.region.faults import InputError

    try:
        asked = stress_options(by, futures, seed, gap, nodes, workers)
    except InputError as error:
        refuse(error, as_json)
    found = read(region, as_json)
    from siting import __version__, api
    from siting.futures.outcome import Task
    from siting.futures.pool import PoolError, dask_pool
    from siting.futures.store import Store, key_of
    from siting.outputs.folder import check_target
    from siting.outputs.futures import futures_content, futures_files, futures_lines
    from siting.outputs.naming import folder_name
    from siting.outputs.progress import Counter
    from siting.region.layouts import read_layout

    try:
        given = read_layout(found, layout, state=by == "precision")
        target = _target(found, out, folder_name(f"stress-by-{by}", [given.name]))
        check_target(target, given.path)
        executor = None if scheduler is None else dask_pool(scheduler)
        first = found.settings.first_year
        picks = tuple(sorted((row.id, row.plan, int(row.start_year or first)) for row in given.rows))
        task: Task = Task(found, picks, asked.by, asked.gap, asked.nodes, asked.seed)
        say_notes(found)
        store = Store(target.with_name(f".{target.name}.siting-done"), key_of(task, __version__))
        if store.done:
            say(f"Going on after {len(store.done)} futures that an earlier run has done.")
        words = "Stopping; futures that are under way are waited for"
        with _interrupt(words) as interrupt, store, Counter("futures") as counter:
            result = api.stress(
                found,
                given,
                by=asked.by,
                futures=asked.futures,
                seed=asked.seed,
                gap=asked.gap,
                nodes=asked.nodes,
                workers=asked.workers,
                executor=executor,
                done=tuple(store.done.values()),
                keep=store.add,
                stop=interrupt.asked,
                counter=counter.update,
            )
    except InputError as error:
        refuse(error, as_json)
    except PoolError as error:
        say(f"fault: {error}; futures that are done are kept, nothing written.")
        raise typer.Exit(STOPPED) from None
    if not result.outcomes:
        if as_json:
            print_json({"status": "stopped", "ended": "interrupted"})
        say("Stopped before a first future was done; nothing written.")
        raise typer.Exit(STOPPED)
    text = futures_lines(found, result, width())
    _finish(target, futures_files(found, result), futures_content(found, result), text, as_json)
    if not result.whole:
        say("The same command goes on where this one stopped.")
        raise typer.Exit(STOPPED)
    store.remove()


def _layouts(region: Region, names: list[str]) -> list[GivenLayout]:
    """Read layouts; what is wrong with any of them comes out together."""
    from siting.region.faults import Findings, InputError
    from siting.region.layouts import read_layout

    given, findings = [], Findings()
    for name in names:
        try:
            given.append(read_layout(region, name, state=False))
        except InputError as error:
            findings.faults += error.faults
    findings.raise_if_any()
    return given


def _target(region: Region, out: str | None, name: str) -> Path:
    return Path(out) if out else Path("outputs") / region.name / name


def _interrupt(words: str = "Stopping; what was found so far is kept") -> Any:
    """Return what turns Ctrl-C into a wish to stop."""
    from siting.outputs.progress import Interrupt

    return Interrupt(lambda: put(sys.stderr, f"\n{words} (Ctrl-C again to leave at once).\n"))


def _nothing(ended: Ended, as_json: bool, where: str = "") -> NoReturn:
    """Say that there is no layout, or that none was found before a limit; nothing was written."""
    from siting.selection.program import Ended

    none = ended is Ended.INFEASIBLE
    if as_json:
        print_json({"status": "no layout"} if none else {"status": "stopped", "ended": ended.value})
    if none:
        say(f"NO LAYOUT keeps the rules{where}. Nothing written; `siting plan` tells which of them clash.")
    else:
        say(f"Stopped ({ended.value}) before a first layout was found; nothing written.")
    raise typer.Exit(NO_LAYOUT if none else STOPPED)


def _finish(
    target: Path, files: Mapping[str, str | bytes], content: Mapping[str, Any], text: str, as_json: bool
) -> None:
    """Write the files, print the result, and say where it is."""
    import datetime
    import shlex

    from siting.outputs.folder import FolderError, write_folder

    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    log = f"{now}\nsiting {shlex.join(sys.argv[1:])}\n"
    try:
        paths = write_folder(target, {**files, "run.log": log})
    except FolderError as error:
        refuse(error, as_json)
    try:
        if as_json:
            print_json(dict(content))
        else:
            put(sys.stdout, text)
    finally:
        say("")
        say(written_words(target, paths))
        if "report.html" in files:
            say(f"The page to read and to send: {target / 'report.html'}")
