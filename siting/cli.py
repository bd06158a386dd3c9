"""The command line: thin, heavy things are imported inside commands."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer
from typer.core import TyperGroup

from siting import __version__, judge, retell
from siting.talk import (
    BAD_INPUT,
    DONE,
    FALSE_RUN,
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
    silence,
    width,
    written_words,
)

if TYPE_CHECKING:
    from siting.api import PlanResult
    from siting.assessment.layout import Assessment
    from siting.outputs.manifest import Certificate
    from siting.planning import Planning
    from siting.region import Region
    from siting.selection.stages import Proven


class _Commands(TyperGroup):
    """The commands, with Ctrl-C outside a search as a plain line in place of a traceback."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            say("Interrupted; nothing written.")
            raise typer.Exit(STOPPED) from None


app = typer.Typer(
    name="siting",
    cls=_Commands,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Plan an observing network for trace gases in background air: choose sites, prove the choice, map it.",
    epilog="Exit codes: 0 done; 1 a run that verify finds false; 2 bad input, nothing written; 3 no layout satisfies "
    "the rules; 4 stopped early.",
)


def _show_version(wanted: bool) -> None:
    if wanted:
        put(sys.stdout, f"siting {__version__}\n")
        raise typer.Exit


@app.callback()
def siting(
    version: Annotated[
        bool,
        typer.Option(
            "--version", metavar="", callback=_show_version, is_eager=True, help="Print the version and leave."
        ),
    ] = False,
) -> None:
    """Take the options that stand before a command."""


@app.command()
def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Folder to make.")],
    demo: Annotated[str | None, typer.Option("--from", metavar="DEMO", help="Copy a shipped example.")] = None,
    sites: Annotated[
        str | None, typer.Option("--sites", metavar="CSV", help="Start from a bare list: id, lat, lon.")
    ] = None,
) -> None:
    """Make a region folder: a commented template, a copy of an example, or one from a list of places."""
    from siting.region.faults import InputError
    from siting.region.template import new_region

    try:
        files = new_region(Path(name), demo=demo, sites=Path(sites) if sites is not None else None)
    except InputError as error:
        refuse(error)
    typed = f'"{name}"' if " " in name else name
    say(f"Made {name} with {', '.join(files)}. Next: siting check {typed}")


@app.command()
def check(region: RegionArgument, as_json: JsonOption = False) -> None:
    """Read and check a region folder; all faults of all files come out at once."""
    found = read(region, as_json)
    from siting.outputs.terminal import check_text
    from siting.planning import plan_region
    from siting.region.derived import derivable

    planning = plan_region(found)
    if as_json:
        left_out = [{"id": x.candidate, "plan": x.plan, "reason": x.reason} for x in planning.deployments.left_out]
        print_json(
            {
                "region": found.name,
                "candidates": len(found.candidates),
                "rows_read": found.rows_read,
                "deployments": len(planning.deployments),
                "warnings": [w.as_dict() for w in found.warnings],
                "not_offered": left_out,
                "derivable": dict(derivable(found)),
                "inputs": dict(found.inputs),
            }
        )
        return
    for warning in found.warnings:
        say(f"note: {warning.sentence()}")
    put(sys.stdout, check_text(planning, width=width()))


@app.command()
def derive(
    region: RegionArgument,
    explain: Annotated[
        str | None, typer.Option("--explain", metavar="ID", help="Explain one site; nothing is written.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Fill what the files leave open from land, wind and towns: beside them, never over them."""
    found = read(region, as_json)
    from siting.derive.files import derive_region, old_rows, write_derived
    from siting.outputs.progress import Counter
    from siting.region.faults import InputError

    if explain is not None:
        _explain(found, explain, as_json)
        return
    folder = Path(region)
    try:
        with Counter("deriving") as counter:
            derived = derive_region(found, old_rows(folder), counter.update)
        paths = write_derived(folder, derived)
    except InputError as error:
        refuse(error, as_json)
    fresh = len(derived.rows) - derived.reused
    if as_json:
        print_json(
            {
                "region": found.name,
                "candidates": len(derived.rows),
                "derived": fresh,
                "reused": derived.reused,
                "columns": dict(derived.filled),
                "written": [path.name for path in paths],
            }
        )
        return
    for column, count in derived.filled:
        put(sys.stdout, f"{column:<28} {count:>6} candidate{'s' * (count != 1)}\n")
    say(f"Derived {fresh} candidates, reused {derived.reused} whose inputs have not changed.")
    say(f"Wrote {paths[0].name} and {paths[1].name} in {folder}. They fill empty cells only; your own numbers stand.")
    say(f"Next: siting derive {region} --explain ID, siting check {region}")


def _explain(found: Region, candidate: str, as_json: bool) -> None:
    """Print how the numbers of one site come about."""
    from siting.derive.asked import asked_of
    from siting.derive.earth import read_earth
    from siting.derive.explain import explanation
    from siting.outputs.lines import wrapped
    from siting.region.faults import Findings, InputError
    from siting.region.plain import nearest

    try:
        row = found.candidates.index(candidate)
    except KeyError:
        findings = Findings()
        near = nearest(candidate, found.candidates.ids)
        mend = f"did you mean '{near}'?" if near else "see the ids in the candidate files"
        findings.fault(
            "--explain", None, None, candidate, "no such candidate", allowed="an id of the region", mend=mend
        )
        refuse(InputError(findings.faults), as_json)
    lines = explanation(asked_of(found), read_earth(), row)
    if as_json:
        print_json({"id": candidate, "lines": lines})
        return
    put(sys.stdout, "\n".join(line if len(line) <= width() else wrapped(line, width()) for line in lines) + "\n")


@app.command()
def plan(
    region: RegionArgument,
    by: Annotated[
        str, typer.Option("--by", metavar="WHAT", help="What is made best: precision, cheapest or score.")
    ] = "precision",
    budget: Annotated[
        str | None, typer.Option("--budget", metavar="MONEY", help="Total budget in place of the region's.")
    ] = None,
    require: Annotated[
        list[str] | None, typer.Option("--require", metavar="ID", help="Must be picked; may be repeated.")
    ] = None,
    exclude: Annotated[
        list[str] | None, typer.Option("--exclude", metavar="ID", help="Must not be picked; may be repeated.")
    ] = None,
    analyzers: Annotated[
        str | None, typer.Option("--analyzers", metavar="N", help="Analyzers in stock, spare ones included.")
    ] = None,
    gap: Annotated[
        str,
        typer.Option(
            "--gap", metavar="SHARE", help="Stop once no layout can be better by more than this share, 0 to 1."
        ),
    ] = "0.001",
    time_limit: Annotated[
        str | None, typer.Option("--time-limit", metavar="S", help="Seconds after which to stop.")
    ] = None,
    memory_limit: Annotated[
        str | None,
        typer.Option(
            "--memory-limit",
            metavar="MB",
            help="Stop once the program holds more megabytes than this; it then works in one process.",
        ),
    ] = None,
    workers: Annotated[
        str | None,
        typer.Option(
            "--workers",
            metavar="N",
            help="Processes that a long search by precision works in, at most 8; by default one a core.",
        ),
    ] = None,
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Choose the best network that the rules and the money allow, and write page, maps and tables.

    What-ifs (--budget, --require, --exclude, --analyzers) change no file.
    """
    from siting.options import plan_options
    from siting.region.faults import InputError

    try:
        asked = plan_options(by, budget, analyzers, gap, time_limit, memory_limit, workers)
    except InputError as error:
        refuse(error, as_json)
    found = read(region, as_json)
    from siting import api
    from siting.outputs.folder import check_target
    from siting.outputs.naming import folder_name
    from siting.outputs.progress import Interrupt, ProgressLine
    from siting.region.changes import changed

    def said() -> None:
        put(sys.stderr, "\nStopping; the best layout so far is kept (Ctrl-C again to leave at once).\n")

    try:
        found = changed(
            found,
            budget=asked.budget,
            require=require or (),
            exclude=exclude or (),
            analyzers=asked.analyzers,
        )
        name = folder_name(f"best-by-{asked.by}", found.what_ifs)
        target = Path(out) if out else Path("outputs") / found.name / name
        check_target(target)
        say_notes(found)
        with Interrupt(said) as interrupt, ProgressLine() as line:
            result = api.plan(
                found,
                by=asked.by,
                gap=asked.gap,
                time_limit=asked.time_limit,
                memory_mb=asked.memory_mb,
                workers=asked.workers,
                stop=interrupt.asked,
                progress=line.update,
            )
    except InputError as error:
        refuse(error, as_json)
    if result.assessment is None or result.certificate is None:
        _no_layout(result, as_json)
    seconds = result.selection.seconds
    _finish(result.planning, result.assessment, result.certificate, target, as_json, seconds, result.proven)
    if not result.selection.proved:
        raise typer.Exit(STOPPED)


@app.command()
def assess(
    region: RegionArgument,
    layout: Annotated[
        str,
        typer.Argument(metavar="LAYOUT", help="Name in the region's layouts, or a .csv, .json or .geojson."),
    ],
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Judge a given layout: coverage, cost, score, and every rule that it breaks."""
    found = read(region, as_json)
    from siting import api
    from siting.outputs.folder import check_target
    from siting.region.faults import InputError
    from siting.region.layouts import read_layout

    try:
        given = read_layout(found, layout)
        target = Path(out) if out else Path("outputs") / found.name / f"assessed-{given.name}"
        check_target(target, given.path)
        say_notes(found)
        result = api.assess(found, given)
    except InputError as error:
        refuse(error, as_json)
    _finish(result.planning, result.assessment, None, target, as_json, 0.0)


@app.command()
def verify(
    run: Annotated[str, typer.Argument(metavar="RUN", help="Result folder of a plan.")],
    region: Annotated[
        str | None,
        typer.Option("--region", metavar="DIR", help="Folder of its region; by default regions/NAME, then NAME."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Check a finished run anew: inputs, rules, money, value, and its bound without a search."""
    from siting import api
    from siting.outputs.lines import wrapped
    from siting.region.faults import InputError

    try:
        found = api.verify(run, region=region)
    except InputError as error:
        refuse(error, as_json)
    if as_json:
        print_json(found.as_dict())
    else:
        put(sys.stdout, "\n".join(wrapped(line, width()) for line in found.lines()) + "\n")
    if not found.true:
        raise typer.Exit(FALSE_RUN)


@app.command()
def noise(
    record: Annotated[str, typer.Argument(metavar="RECORD", help="CSV file: time, value, optional method and flag.")],
    column: Annotated[
        str | None, typer.Option("--column", metavar="NAME", help="Values of another tracer: value.NAME.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Tell growth, season and noise of a record of your own, as lines for region.toml."""
    from siting.noise.reading import noise_of_record, read_record
    from siting.noise.words import noise_json, noise_paragraphs, toml_lines
    from siting.outputs.lines import wrapped
    from siting.region.faults import InputError

    try:
        samples, warnings = read_record(record, column=column)
        fit = noise_of_record(samples, record)
    except InputError as error:
        refuse(error, as_json)
    for warning in warnings:
        say(f"note: {warning.sentence()}")
    if as_json:
        print_json({"record": record, "flagged": samples.flagged, "empty": samples.empty} | noise_json(fit))
        return
    paragraphs = noise_paragraphs(fit, name=Path(record).stem, flagged=samples.flagged, empty=samples.empty)
    text = "\n".join(wrapped(line, width()) for line in paragraphs)
    block = "\n".join(toml_lines(fit))
    put(sys.stdout, f"{text}\n\nTo paste below [[tracers]] of region.toml:\n\n{block}\n")


def _no_layout(result: PlanResult, as_json: bool) -> NoReturn:
    """Say that there is no layout, and why; nothing was written."""
    from siting.selection.program import Ended

    ended = result.selection.ended
    if result.attainable:
        from siting.outputs.answer import attainable_lines, attainable_rows

        goals = attainable_rows(result.planning, result.attainable)
        proved = ended is Ended.INFEASIBLE
        if as_json:
            status = {"status": "no layout"} if proved else {"status": "stopped", "ended": ended.value}
            print_json({**status, "attainable": goals})
        if proved:
            say("NO LAYOUT within the rules meets every goal. What can be had of each target by itself:")
        else:
            say(
                f"Stopped ({ended.value}) before a layout that meets every goal was found. What is known of each "
                "target by itself:"
            )
        for line in attainable_lines(goals):
            say(line)
        say(
            "Nothing written. Raise goals or the budget in region.toml, or take plan --by precision: it comes as near "
            "to all goals as can be."
        )
        raise typer.Exit(NO_LAYOUT if proved else STOPPED)
    if ended is Ended.INFEASIBLE:
        if as_json:
            print_json({"status": "no layout", "clash": [{"rule": r, "condition": w} for r, w in result.clash]})
        say("NO LAYOUT satisfies the rules. These clash; without any one of them the others can hold:")
        for label, words in result.clash:
            say(f"- {label}: {words}")
        say("Nothing written.")
        raise typer.Exit(NO_LAYOUT)
    if as_json:
        print_json({"status": "stopped", "ended": ended.value})
    say(f"Stopped ({ended.value}) before a first layout was found; nothing written.")
    raise typer.Exit(STOPPED)


def _finish(
    planning: Planning,
    assessment: Assessment,
    certificate: Certificate | None,
    target: Path,
    as_json: bool,
    seconds: float,
    proven: Proven | None = None,
) -> None:
    """Write the files of a layout, print it, and close with what was read, dropped, proved and written."""
    import datetime
    import shlex

    from siting.outputs.folder import FolderError
    from siting.outputs.machine import machine_content
    from siting.outputs.run import with_proof, write_layout
    from siting.outputs.terminal import closing_lines, layout_text
    from siting.report.making import report_files

    closing = closing_lines(planning, certificate, seconds)
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    log = "\n".join([now, f"siting {shlex.join(sys.argv[1:])}", *closing]) + "\n"
    try:
        paths = write_layout(target, planning, assessment, certificate, log, proven, report_files)
    except FolderError as error:
        refuse(error, as_json)
    try:
        try:
            if as_json:
                print_json(machine_content(planning, assessment, with_proof(certificate, paths)))
            else:
                ascii_only = not is_utf(sys.stdout)
                put(sys.stdout, layout_text(planning, assessment, certificate, width=width(), ascii_only=ascii_only))
        finally:
            say("")
            for line in closing:
                say(line)
            say(written_words(target, paths))
            say(f"The page to read and to send: {target / 'report.html'}")
    except KeyboardInterrupt:
        say(f"Interrupted; the {len(paths)} files in {target} are whole.")
        raise typer.Exit(STOPPED) from None


judge.register(app)
retell.register(app)


def _run() -> int:
    """Run the command line and return the exit code; what it may not hold is said in our own words."""
    try:
        return int(app(prog_name="siting", standalone_mode=False) or DONE)
    except OSError as error:
        # Help goes past `_put`; a stream that is full shows here.
        silence(sys.stdout)
        if isinstance(error, BrokenPipeError):
            return DONE
        say(f"fault: {error.strerror or error}")
        return BAD_INPUT
    except _USAGE as error:
        if type(error).__name__ == "NoArgsIsHelpError":
            error.show()
            return BAD_INPUT
        from siting.options import usage_fault

        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else "siting"
        try:
            refuse(usage_fault(path, error.format_message()), "--json" in sys.argv[1:])
        except typer.Exit as left:
            return int(left.exit_code)


# The library's fault for a wrong command line, whichever package of it holds the class.
_USAGE: Any = typer.BadParameter.__bases__[0]


def main() -> None:
    """Run the command line."""
    # Our matrices are small: several threads only wait for each other, and one gives the same bytes anywhere.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    sys.exit(_run())
