"""The command line's options in our own words: texts to numbers, and what the command-line library refuses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from siting.region.cells import CellError, integer, number
from siting.region.faults import Findings, InputError

OBJECTIVES = ("precision", "cheapest", "score")


@dataclass(frozen=True)
class PlanOptions:
    """What `plan` was asked for; money, stock and ids are checked against the region later."""

    by: str
    budget: float | None
    analyzers: int | None
    gap: float
    time_limit: float | None
    memory_mb: float | None


def plan_options(
    by: str,
    budget: str | None,
    analyzers: str | None,
    gap: str,
    time_limit: str | None,
    memory_limit: str | None = None,
) -> PlanOptions:
    """Return the options of `plan` from their texts; raises `InputError` with all faults at once."""
    findings = Findings()
    if by not in OBJECTIVES:
        findings.fault(
            "--by",
            None,
            None,
            by,
            "not something that can be made best",
            allowed=", ".join(OBJECTIVES),
            mend=f"write {OBJECTIVES[0]}",
        )
    money = _value("--budget", budget, number, findings)
    stock = _value("--analyzers", analyzers, integer, findings)
    share = _value("--gap", gap, number, findings)
    seconds = _value("--time-limit", time_limit, number, findings)
    megabytes = _value("--memory-limit", memory_limit, number, findings)
    if share is not None and not 0.0 <= share <= 1.0:
        allowed, mend = "a share from 0 to 1", "write 0.001 for a tenth of a per cent"
        findings.fault("--gap", None, None, gap, "out of range", allowed=allowed, mend=mend)
    if seconds is not None and seconds < 0.0:
        findings.fault(
            "--time-limit",
            None,
            None,
            time_limit,
            "out of range",
            allowed="0 or more seconds",
            mend="leave out the sign",
        )
    if megabytes is not None and not megabytes > 0.0:
        allowed, mend = "more than 0 megabytes", "write 4000 for about 4 gigabytes, or leave it out"
        findings.fault("--memory-limit", None, None, memory_limit, "out of range", allowed=allowed, mend=mend)
    findings.raise_if_any()
    whole = None if stock is None else int(stock)
    return PlanOptions(by, money, whole, 0.0 if share is None else share, seconds, megabytes)


def _value(option: str, text: str | None, parse: Callable[[str], float], findings: Findings) -> float | None:
    if text is None:
        return None
    try:
        return parse(text)
    except CellError as error:
        # cells may be empty; an option is left out
        mend = error.mend.replace("leave the cell empty", f"leave {option} out")
        findings.fault(option, None, None, text, error.problem, allowed=error.allowed, mend=mend)
        return None


def usage_fault(command: str, message: str) -> InputError:
    """Return what the command-line library found wrong with a command line, as a fault of ours."""
    findings = Findings()
    said = message.strip().rstrip(".")
    findings.fault(
        command, None, None, None, said[:1].lower() + said[1:], mend=f"`{command} --help` shows how it is written"
    )
    return InputError(findings.faults)
