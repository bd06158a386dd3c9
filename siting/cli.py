"""The command line: thin, heavy things are imported inside commands."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from siting.region import InputError, Region

DONE, BAD_INPUT, NO_LAYOUT, STOPPED = 0, 2, 3, 4
MOST_FAULTS = 200

app = typer.Typer(
    name="siting",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Plan an observing network for trace gases in background air: choose sites, prove the choice, map it.",
    epilog="Exit codes: 0 done; 2 bad input, nothing written; 3 no layout satisfies the rules; 4 stopped early.",
)


class By(StrEnum):
    """What `plan` makes best."""

    SCORE = "score"


RegionArgument = Annotated[str, typer.Argument(metavar="REGION", help="Folder of input files.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for machines on standard output.")]
OutOption = Annotated[
    str | None, typer.Option("--out", metavar="DIR", help="Result folder; default outputs/REGION/LAYOUT.")
]


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
        files = new_region(Path(name), demo=demo, sites=Path(sites) if sites else None)
    except InputError as error:
        _refuse(error)
    _say(f"Made {name} with {', '.join(files)}. Next: siting check {name}")


@app.command()
def check(region: RegionArgument, as_json: JsonOption = False) -> None:
    """Read and check a region folder; all faults of all files come out at once."""
    found = _read(region, as_json)
    from siting.region.model import Origin
    from siting.selection.planning import plan_region

    planning = plan_region(found)
    d = planning.deployments
    if as_json:
        _print_json(
            {
                "region": found.name,
                "candidates": len(found.candidates),
                "rows_read": found.rows_read,
                "deployments": len(d),
                "warnings": [w.as_dict() for w in found.warnings],
                "not_offered": [{"id": x.candidate, "plan": x.plan, "reason": x.reason} for x in d.left_out],
                "inputs": dict(found.inputs),
            }
        )
        return
    for warning in found.warnings:
        _say(f"note: {warning.sentence()}")
    given = sum(int((codes == Origin.GIVEN).sum()) for codes in found.candidates.origin.values())
    cells = sum(codes.size for codes in found.candidates.origin.values())
    sys.stdout.write(
        f"{found.settings.title}: {len(found.candidates)} candidates, {len(found.settings.plans)} plans, "
        f"{len(found.settings.rules)} rules; no fault.\n"
        f"{given} of {cells} cells of candidates are given, the others take defaults.\n"
        f"{len(d)} deployments can be picked; not offered:{'' if d.left_out else ' none'}\n"
    )
    for left in d.left_out:
        sys.stdout.write(f"  {left.candidate}{f' with {left.plan}' if left.plan else ''}: {left.reason}\n")


@app.command()
def plan(
    region: RegionArgument,
    by: Annotated[By, typer.Option("--by", help="What is made best.")] = By.SCORE,
    budget: Annotated[float | None, typer.Option("--budget", help="Total budget in place of the region's.")] = None,
    require: Annotated[list[str] | None, typer.Option("--require", metavar="ID", help="Must be picked.")] = None,
    exclude: Annotated[list[str] | None, typer.Option("--exclude", metavar="ID", help="Must not be picked.")] = None,
    analyzers: Annotated[
        int | None, typer.Option("--analyzers", help="Analyzers in stock, spare ones included.")
    ] = None,
    gap: Annotated[float, typer.Option("--gap", min=0.0, max=1.0, help="Relative gap at which to stop.")] = 1e-4,
    time_limit: Annotated[
        float | None, typer.Option("--time-limit", min=0.0, metavar="S", help="Seconds after which to stop.")
    ] = None,
    out: OutOption = None,
    as_json: JsonOption = False,
) -> None:
    """Choose the best network that the rules and the money allow, and write maps and tables."""
    found = _read(region, as_json)
    from siting import api
    from siting.outputs.progress import Interrupt, ProgressLine
    from siting.region.faults import InputError

    try:
        with Interrupt() as interrupt, ProgressLine() as line:
            result = api.plan(
                found,
                by=by.value,
                budget=budget,
                require=require or (),
                exclude=exclude or (),
                analyzers=analyzers,
                gap=gap,
                time_limit=time_limit,
                stop=interrupt.asked,
                progress=line.update,
            )
    except InputError as error:
        _refuse(error, as_json)
    selection = result.selection
    if result.assessment is None or result.certificate is None:
        _no_layout(result, as_json)
    target = Path(out) if out else Path("outputs") / found.name / f"best-by-{by.value}"
    _finish(result.planning, result.assessment, result.certificate, target, as_json, selection.seconds)
    if not selection.proved:
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
    found = _read(region, as_json)
    from siting import api
    from siting.region.faults import InputError
    from siting.region.layouts import read_layout

    try:
        given = read_layout(found, layout)
        result = api.assess(found, given)
    except InputError as error:
        _refuse(error, as_json)
    target = Path(out) if out else Path("outputs") / found.name / given.name
    _finish(result.planning, result.assessment, None, target, as_json, 0.0)


def _read(folder: str, as_json: bool) -> Region:
    """Read a region, or say everything that is wrong with it and leave."""
    from siting.region import InputError, read_region

    try:
        return read_region(folder)
    except InputError as error:
        _refuse(error, as_json)


def _refuse(error: InputError, as_json: bool = False) -> NoReturn:
    """Print every fault and leave with the code for bad input; nothing was written."""
    if as_json:
        _print_json({"faults": [fault.as_dict() for fault in error.faults]})
    for fault in error.faults[:MOST_FAULTS]:
        _say(f"fault: {fault.sentence()}")
    more = len(error.faults) - MOST_FAULTS
    if more > 0:
        _say(f"... and {more} more; --json names them all")
    count = len(error.faults)
    _say(f"{count} fault{'s' if count != 1 else ''}, nothing written.")
    raise typer.Exit(BAD_INPUT)


def _no_layout(result: object, as_json: bool) -> NoReturn:
    """Say that there is no layout, and why; nothing was written."""
    from siting.api import PlanResult
    from siting.selection.program import Ended

    assert isinstance(result, PlanResult)
    selection = result.selection
    if selection.ended is Ended.INFEASIBLE:
        if as_json:
            _print_json({"status": "no layout", "clash": [{"rule": r, "condition": w} for r, w in result.clash]})
        _say("No layout satisfies the rules. These clash; without any one of them the others can hold:")
        for label, words in result.clash:
            _say(f"  {label}: {words}")
        raise typer.Exit(NO_LAYOUT)
    if as_json:
        _print_json({"status": "stopped", "ended": selection.ended.value})
    _say(f"Stopped ({selection.ended.value}) before a first layout was found; nothing written.")
    raise typer.Exit(STOPPED)


def _finish(
    planning: object, assessment: object, certificate: object, target: Path, as_json: bool, seconds: float
) -> None:
    """Write the files of a layout, print it, and close with what was read, dropped, proved and written."""
    import datetime

    from siting.assessment.layout import Assessment
    from siting.outputs.folder import FolderError
    from siting.outputs.manifest import Certificate, layout_json
    from siting.outputs.run import write_layout
    from siting.outputs.terminal import layout_text
    from siting.selection.planning import Planning

    assert isinstance(planning, Planning)
    assert isinstance(assessment, Assessment)
    assert certificate is None or isinstance(certificate, Certificate)
    closing = _closing(planning, certificate, seconds)
    log = f"{datetime.datetime.now(datetime.UTC).isoformat(timespec='seconds')}\n{' '.join(sys.argv[1:])}\n{closing}\n"
    try:
        paths = write_layout(target, planning, assessment, certificate, log)
    except FolderError as error:
        _say(f"fault: {error}")
        raise typer.Exit(BAD_INPUT) from None
    if as_json:
        sys.stdout.write(layout_json(planning.region, assessment, certificate))
    else:
        encoding = (sys.stdout.encoding or "ascii").lower()
        text = layout_text(planning, assessment, certificate, ascii_only="utf" not in encoding)
        sys.stdout.write(text.encode(encoding, "replace").decode(encoding))
        sys.stdout.flush()
    _say("")
    _say(closing)
    shown = target if not target.is_absolute() else Path(target)
    _say(f"Wrote {len(paths)} files to {shown}: {', '.join(p.name for p in paths)}")


def _closing(planning: object, certificate: object, seconds: float) -> str:
    """Return the closing line: rows read, dropped and why, solver status, gap."""
    from siting.outputs.manifest import Certificate
    from siting.selection.planning import Planning

    assert isinstance(planning, Planning)
    region, d = planning.region, planning.deployments
    words = [f"Read {region.rows_read} rows, {len(region.candidates)} candidates"]
    whole = sorted({left.candidate for left in d.left_out if not left.plan})
    single = sum(1 for left in d.left_out if left.plan)
    if whole:
        reasons = {left.candidate: left.reason for left in d.left_out if not left.plan}
        words.append(
            "dropped "
            + ", ".join(f"{name} ({reasons[name]})" for name in whole[:5])
            + (f" and {len(whole) - 5} more" if len(whole) > 5 else "")
        )
    if single:
        words.append(f"{single} plans that do not fit a site")
    words.append(f"{len(d)} deployments")
    if isinstance(certificate, Certificate):
        gap = "unknown" if certificate.gap is None else f"{100 * certificate.gap:.3g} %"
        words.append(f"{certificate.ended}, gap {gap}, {certificate.ties}, {certificate.nodes} nodes, {seconds:.1f} s")
    count = len(region.warnings)
    if count:
        words.append(f"{count} notes (siting check shows them)")
    return "; ".join(words) + "."


def _say(text: str) -> None:
    """Talk goes to standard error."""
    encoding = sys.stderr.encoding or "ascii"
    sys.stderr.write(f"{text}\n".encode(encoding, "replace").decode(encoding))


def _print_json(content: object) -> None:
    import json

    sys.stdout.write(json.dumps(content, indent=1, ensure_ascii=False) + "\n")


def main() -> None:
    """Run the command line."""
    try:
        app()
    except KeyboardInterrupt:
        _say("Interrupted; nothing written.")
        raise SystemExit(STOPPED) from None
    except BrokenPipeError:
        sys.stderr.close()
        raise SystemExit(DONE) from None
