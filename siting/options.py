"""The command line's options in our own words: texts to numbers, and what the command-line library refuses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from siting.processes import cores
from siting.region.cells import CellError, integer, number
from siting.region.faults import Findings, InputError
from siting.region.schema.common import MOST_MONEY

OBJECTIVES = ("precision", "cheapest", "score")
By = Literal["score", "precision"]
BY = ("score", "precision")
NODES_BY_PRECISION = 2


@dataclass(frozen=True)
class PlanOptions:
    """What `plan` was asked for; money, stock and ids are checked against the region later."""

    by: str
    budget: float | None
    analyzers: int | None
    gap: float
    time_limit: float | None
    memory_mb: float | None
    workers: int | None


def plan_options(
    by: str,
    budget: str | None,
    analyzers: str | None,
    gap: str,
    time_limit: str | None,
    memory_limit: str | None = None,
    workers: str | None = None,
) -> PlanOptions:
    """Return the options of `plan` from their texts; raises `InputError` with all faults at once."""
    findings = Findings()
    _check_by(by, OBJECTIVES, findings)
    money = _value("--budget", budget, number, findings)
    stock = _value("--analyzers", analyzers, integer, findings)
    share = _gap(gap, findings)
    seconds = _seconds(time_limit, findings)
    megabytes = _value("--memory-limit", memory_limit, number, findings)
    if megabytes is not None and not megabytes > 0.0:
        allowed, mend = "more than 0 megabytes", "write 4000 for about 4 gigabytes, or leave it out"
        findings.fault("--memory-limit", None, None, memory_limit, "out of range", allowed=allowed, mend=mend)
    hands = None if workers is None else _whole("--workers", workers, 1, 1000, findings)
    findings.raise_if_any()
    whole = None if stock is None else int(stock)
    return PlanOptions(by, money, whole, share, seconds, megabytes, hands)


@dataclass(frozen=True)
class JudgingOptions:
    """What every search among alternatives was asked for."""

    by: By
    gap: float
    time_limit: float | None


@dataclass(frozen=True)
class FrontierOptions:
    """What `frontier` was asked for; `by` may be "both" here, money is None where it was left out."""

    by: str
    points: int
    low: float | None
    high: float | None
    changes: bool
    gap: float
    time_limit: float | None

    def ends(self, own: float) -> tuple[float, float]:
        """Return the least and the largest budget; raises `InputError` where they do not rise."""
        low = 0.5 * own if self.low is None else self.low
        high = max(1.5 * own, low * 1.5) if self.high is None else self.high
        findings = Findings()
        _check_rise(low, high, findings)
        findings.raise_if_any()
        return low, high


@dataclass(frozen=True)
class AlternativesOptions:
    """What `alternatives` was asked for."""

    by: By
    ties: int
    apart: int
    within: float
    gap: float
    time_limit: float | None


@dataclass(frozen=True)
class StressOptions:
    """What `stress` was asked for."""

    by: By
    futures: int | None
    seed: int
    gap: float
    nodes: int | None
    workers: int


def judging_options(by: str, gap: str, time_limit: str | None) -> JudgingOptions:
    """Return the options of a search among alternatives; raises `InputError` with all faults at once."""
    findings = Findings()
    _check_by(by, BY, findings)
    share, seconds = _gap(gap, findings), _seconds(time_limit, findings)
    findings.raise_if_any()
    return JudgingOptions(_by(by), share, seconds)


def frontier_options(
    by: str, points: str, low: str, high: str, changes: bool, gap: str, time_limit: str | None
) -> FrontierOptions:
    """Return the options of `frontier`; raises `InputError` with all faults at once."""
    findings = Findings()
    _check_by(by, (*BY, "both"), findings)
    count = _whole("--points", points, 2, 1000, findings)
    least, most = _positive("--from", low or None, findings), _positive("--to", high or None, findings)
    if changes and by in ("precision", "both"):
        findings.fault(
            "--changes",
            None,
            None,
            by,
            "changes of the best layout are followed by score only",
            allowed="--by score",
            mend="leave --changes out, or take --by score",
        )
    if by == "both" and (low or high):
        findings.fault(
            "--from" if low else "--to",
            None,
            None,
            low or high,
            "the frontier of both is that at the region's own budget",
            allowed="--by score, --by precision",
            mend="leave it out",
        )
    if least is not None and most is not None and min(least, most) > 0.0:
        _check_rise(least, most, findings)
    share, seconds = _gap(gap, findings), _seconds(time_limit, findings)
    findings.raise_if_any()
    return FrontierOptions(by, count, least, most, changes, share, seconds)


def alternatives_options(
    by: str, ties: str, apart: str, within: str, gap: str, time_limit: str | None
) -> AlternativesOptions:
    """Return the options of `alternatives`; raises `InputError` with all faults at once."""
    findings = Findings()
    _check_by(by, BY, findings)
    count, differ = _whole("--ties", ties, 0, 1000, findings), _whole("--apart", apart, 1, 100_000, findings)
    share = _share("--within", within, "write 0.05 for five per cent", findings)
    most, seconds = _gap(gap, findings), _seconds(time_limit, findings)
    findings.raise_if_any()
    return AlternativesOptions(_by(by), count, differ, share, most, seconds)


def stress_options(
    by: str, futures: str | None, seed: str, gap: str, nodes: str | None, workers: str | None
) -> StressOptions:
    """Return the options of `stress`; raises `InputError` with all faults at once."""
    findings = Findings()
    _check_by(by, BY, findings)
    count = None if futures is None else _whole("--futures", futures, 1, 100_000, findings)
    start = _whole("--seed", seed, 0, 2**32 - 1, findings)
    # By precision the gap may be out of reach: a search ends after its first nodes unless told otherwise.
    few = NODES_BY_PRECISION if by == "precision" else None
    most = few if nodes is None else _whole("--nodes", nodes, 1, 10**9, findings)
    hands = cores() if workers is None else _whole("--workers", workers, 1, 1000, findings)
    share = _gap(gap, findings)
    findings.raise_if_any()
    return StressOptions(_by(by), count, start, share, most, hands)


def _check_rise(low: float, high: float, findings: Findings) -> None:
    if not low < high:
        problem, mend = "is not above the least budget", "raise --to, or lower --from"
        allowed = f"more than {_money(low)}"
        findings.fault("--to", None, None, _money(high), problem, allowed=allowed, mend=mend)


def _money(value: float) -> str:
    return f"{value:.2f}".removesuffix(".00")


def _by(by: str) -> By:
    return "score" if by == "score" else "precision"


def _check_by(by: str, known: tuple[str, ...], findings: Findings) -> None:
    if by not in known:
        problem, mend = "not something that can be made best", f"write {known[0]}"
        findings.fault("--by", None, None, by, problem, allowed=", ".join(known), mend=mend)


def _gap(text: str, findings: Findings) -> float:
    return _share("--gap", text, "write 0.001 for a tenth of a per cent", findings)


def _share(option: str, text: str, mend: str, findings: Findings) -> float:
    share = _value(option, text, number, findings)
    if share is not None and not 0.0 <= share <= 1.0:
        findings.fault(option, None, None, text, "out of range", allowed="a share from 0 to 1", mend=mend)
    return 0.0 if share is None else share


def _seconds(text: str | None, findings: Findings) -> float | None:
    seconds = _value("--time-limit", text, number, findings)
    if seconds is not None and seconds < 0.0:
        allowed, mend = "0 or more seconds", "leave out the sign"
        findings.fault("--time-limit", None, None, text, "out of range", allowed=allowed, mend=mend)
    return seconds


def _positive(option: str, text: str | None, findings: Findings) -> float | None:
    value = _value(option, text, number, findings)
    if value is not None and not 0.0 < value <= MOST_MONEY:
        allowed, mend = f"more than 0, at most {MOST_MONEY:.0f}", "give a sum of money"
        findings.fault(option, None, None, text, "out of range", allowed=allowed, mend=mend)
    return value


def _whole(option: str, text: str, least: int, most: int, findings: Findings) -> int:
    value = _value(option, text, integer, findings)
    if value is not None and not least <= value <= most:
        allowed, mend = f"a whole number from {least} to {most}", f"write {least} or more"
        findings.fault(option, None, None, text, "out of range", allowed=allowed, mend=mend)
    return least if value is None else int(value)


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
