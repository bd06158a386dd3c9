"""A finished run as its folder holds it, and the region that it was made from."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from siting.region import Region, read_region
from siting.region.changes import changed
from siting.region.faults import Findings, InputError

LAYOUT, PROOF = "layout.json", "proof.json"


@dataclass(frozen=True, eq=False)
class Run:
    """What layout.json tells (`told`), and the bytes of proof.json, None where there is none."""

    folder: Path
    told: dict[str, Any]
    proof: bytes | None


def read_run(folder: Path) -> Run:
    """Return a finished run; raises `InputError` where the folder does not hold one."""
    path = folder / LAYOUT
    if not folder.is_dir():
        _refuse(folder, "is not a folder", "name the folder of a run, such as outputs/REGION/best-by-precision")
    try:
        told = json.loads(path.read_bytes().decode("utf-8"), parse_constant=_no_constant)
    except OSError:
        _refuse(folder, f"holds no {LAYOUT} that can be read", "name the folder that `siting plan` wrote")
    except (ValueError, RecursionError):
        _refuse(path, "is not JSON", "name the folder that `siting plan` wrote, or plan again")
    if (
        not isinstance(told, dict)
        or not isinstance(told.get("region"), str)
        or not isinstance(told.get("picked"), list)
    ):
        _refuse(path, "does not tell a region and what was picked", "name the folder that `siting plan` wrote")
    try:
        proof = (folder / PROOF).read_bytes()
    except FileNotFoundError:
        proof = None
    except OSError as error:
        _refuse(folder / PROOF, f"cannot be read: {error.strerror or error}", "check the permissions")
    return Run(folder, told, proof)


def region_of(run: Run, given: Path | None) -> tuple[Path, Region]:
    """Return the folder of the run's region and the region as it is there, without what-ifs.

    Looked for are, where none is given, regions/NAME and NAME in the working folder. Raises `InputError` where there
    is none, or it has faults.
    """
    name = str(run.told["region"])
    if given is not None:
        return given, read_region(given)
    tried = [Path("regions") / name, Path(name)] if Path(name).name == name else []
    for folder in tried:
        if (folder / "region.toml").is_file():
            return folder, read_region(folder)
    words = " nor ".join(str(folder) for folder in tried) or "no such folder"
    _refuse(
        run.folder / LAYOUT, f"names the region {name!r}, found neither as {words}", "name its folder with --region"
    )


def as_asked(region: Region, changes: Any) -> Region:
    """Return the region with the run's what-ifs, as `changes` of layout.json names them.

    Raises ValueError for one that is not a what-if, `InputError` for one that the region refuses.
    """
    if not isinstance(changes, list) or not all(isinstance(text, str) for text in changes):
        raise ValueError("its what-ifs are not a list of texts")
    require: list[str] = []
    exclude: list[str] = []
    budget: float | None = None
    analyzers: int | None = None
    for text in changes:
        option, _, value = text.partition(" ")
        if option == "--require":
            require.append(value)
        elif option == "--exclude":
            exclude.append(value)
        elif option == "--budget":
            budget = float(value)
        elif option == "--analyzers":
            analyzers = int(value)
        else:
            raise ValueError(f"{text!r} is not a what-if")
    asked = changed(region, budget=budget, require=require, exclude=exclude, analyzers=analyzers)
    if list(asked.what_ifs) != changes:
        raise ValueError("its what-ifs are not as the program writes them")
    return asked


def _refuse(path: Path, problem: str, mend: str) -> NoReturn:
    findings = Findings()
    findings.fault(str(path), None, None, None, problem, mend=mend)
    raise InputError(findings.faults)


def _no_constant(text: str) -> float:
    raise ValueError(text)
