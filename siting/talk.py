"""How the command line speaks: its streams, exit codes, and the words in which it refuses."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, TextIO

import typer

if TYPE_CHECKING:
    from siting.region import InputError, Region

DONE, FALSE_RUN, BAD_INPUT, NO_LAYOUT, STOPPED = 0, 1, 2, 3, 4
MOST_FAULTS = 200
WIDTH = 80

RegionArgument = Annotated[str, typer.Argument(metavar="REGION", help="Folder of input files.")]
JsonOption = Annotated[bool, typer.Option("--json", metavar="", help="Print JSON for machines on standard output.")]
OutOption = Annotated[
    str | None, typer.Option("--out", metavar="DIR", help="Result folder; by default one below outputs/REGION.")
]


def read(folder: str, as_json: bool) -> Region:
    """Read a region, or say everything that is wrong with it and leave."""
    from siting.region import InputError, read_region

    try:
        return read_region(folder)
    except InputError as error:
        refuse(error, as_json)


def say_notes(region: Region) -> None:
    """Say on standard error what was noticed in the inputs and can change the answer."""
    from siting.outputs.terminal import notes_lines

    for line in notes_lines(region):
        say(line)


def refuse(error: InputError, as_json: bool = False) -> NoReturn:
    """Print every fault and leave with the code for bad input; nothing was written."""
    if as_json:
        print_json({"faults": [fault.as_dict() for fault in error.faults]})
    for fault in error.faults[:MOST_FAULTS]:
        say(f"fault: {fault.sentence()}")
    more = len(error.faults) - MOST_FAULTS
    if more > 0:
        say(f"... and {more} more; --json names them all")
    count = len(error.faults)
    say(f"{count} fault{'s' if count != 1 else ''}, nothing written.")
    raise typer.Exit(BAD_INPUT)


def written_words(target: Path, paths: Sequence[Path]) -> str:
    """Return what was written: files by name, folders with the number of their files."""
    tops: dict[str, int] = {}
    root = Path(os.path.realpath(target))
    for path in paths:
        top, *below = path.relative_to(root).parts
        name = f"{top}/" if below else top
        tops[name] = tops.get(name, 0) + 1
    told = [f"{name} ({count})" if name.endswith("/") else name for name, count in tops.items()]
    return f"Wrote {len(paths)} files to {target}: {', '.join(told)}"


def width() -> int:
    """Return the width of the terminal, 80 at most."""
    return min(WIDTH, shutil.get_terminal_size((WIDTH, 24)).columns)


def is_utf(stream: TextIO) -> bool:
    """Say whether a stream can show every sign."""
    return "utf" in (stream.encoding or "ascii").lower()


def say(text: str) -> None:
    """Talk goes to standard error, in lines of the terminal's width; paths are never broken."""
    from siting.outputs.lines import wrapped

    put(sys.stderr, wrapped(text, width(), fold=False) + "\n")


def print_json(content: dict[str, Any]) -> None:
    """Print JSON, with escapes where the terminal has no Unicode."""
    import json

    put(sys.stdout, json.dumps(content, indent=1, ensure_ascii=not is_utf(sys.stdout), allow_nan=False) + "\n")


def put(stream: TextIO, text: str) -> None:
    """Write text as far as the stream can show it; a reader that has gone away is no fault, a full disk is one."""
    encoding = stream.encoding or "ascii"
    try:
        stream.write(text.encode(encoding, "replace").decode(encoding))
        stream.flush()
    except BrokenPipeError:
        silence(stream)
    except OSError as error:
        silence(stream)
        if stream is sys.stdout:
            say(f"fault: standard output cannot be written: {error.strerror or error}")
            raise typer.Exit(BAD_INPUT) from None


def silence(stream: TextIO) -> None:
    """Send a stream nowhere: Python would complain again when it closes it, so nothing may be left in it."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
