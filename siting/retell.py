"""The command that tells a finished run again: siting report."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from siting.talk import JsonOption, print_json, put, refuse, say


def register(app: typer.Typer) -> None:
    """Add the command to an app."""
    app.command()(report)


def report(
    run: Annotated[str, typer.Argument(metavar="RUN", help="Result folder of a layout or a comparison.")],
    site: Annotated[
        str | None, typer.Option("--site", metavar="ID", help="Only a one-page sheet for the host of this site.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make page, figures and tables of a finished run anew, with what frontier, order, alternatives and stress found.

    Nothing is searched for, and the region is not read: the files of the run are enough.
    """
    from siting import api
    from siting.outputs.lines import counted
    from siting.region.faults import InputError

    try:
        made = api.make_report(run, site=site)
    except InputError as error:
        refuse(error, as_json)
    names = [path.relative_to(Path(run).resolve()).as_posix() for path in made.paths]
    if as_json:
        print_json({"run": run, "made": names, "left_out": list(made.left_out)})
        return
    put(sys.stdout, "".join(f"{Path(run) / name}\n" for name in names if name.endswith(".html")))
    for words in made.left_out:
        say(f"Left out: {words}.")
    say(f"Made {counted(len(names), 'file')} in {run} from what the run wrote, without a search.")
