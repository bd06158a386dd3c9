"""A fitted noise in words, as lines for region.toml and as JSON."""

from __future__ import annotations

import datetime
import math
from dataclasses import asdict

from siting.noise.fit import Estimate, NoiseFit
from siting.outputs.lines import counted

_PARTS = ("synoptic_sd", "memory_days", "slow_sd", "slow_phi", "growth_anomaly_sd")
_MOST_NAMED = 5


def rounded(value: float, error: float | None = None) -> str:
    """Return a number with the digits that its error leaves (two of the error), three if there is none."""
    if error is not None and error > 0.0:
        digits = max(0, 1 - math.floor(math.log10(error)))
        return f"{value:.{min(digits, 9)}f}"
    return f"{value:.3g}"


def with_error(estimate: Estimate) -> str:
    """Return value +- standard error."""
    if estimate.se is None:
        return rounded(estimate.value)
    return f"{rounded(estimate.value, estimate.se)} +- {rounded(estimate.se, estimate.se)}"


def noise_paragraphs(fit: NoiseFit, *, name: str, flagged: int = 0, empty: int = 0) -> list[str]:
    """Return what a record tells as paragraphs, words first; lines that begin with `- ` are a list."""
    found = [_opening(fit, name, flagged, empty), _curve(fit), _noise(fit)]
    if fit.offsets:
        pairs = [f"{_method(method)} {with_error(e)}" for method, e in fit.offsets]
        found.append(f"Methods: offset from {_method(fit.reference)}: {', '.join(pairs)}.")
    if fit.outliers:
        far = sorted(fit.outliers, key=lambda o: -abs(o.sds))[:_MOST_NAMED]
        named = [
            f"{_date(o.day)} ({o.value:.6g}, {abs(o.sds):.1f} sd {'above' if o.sds > 0 else 'below'})" for o in far
        ]
        more = f" and {len(fit.outliers) - len(far)} more" if len(fit.outliers) > len(far) else ""
        found.append(
            f"Far from the curve, kept in the fit: {', '.join(named)}{more}. If they are faults or local air, flag "
            "them and run again: they swell every part of the noise."
        )
    if fit.doubts:
        found += ["What this record cannot separate:", *(f"- {line}" for line in fit.doubts)]
    return found


def _opening(fit: NoiseFit, name: str, flagged: int, empty: int) -> str:
    years = (fit.last_day - fit.first_day) / 365.25
    aside = [f"{flagged} put aside by their flag"] if flagged else []
    aside += [f"{fit.copies} copies"] if fit.copies else []
    aside += [f"{empty} without a value"] if empty else []
    rest = f" ({', '.join(aside)})" if aside else ""
    return (
        f"{name}: {counted(fit.count, 'value')}{rest} from {_date(fit.first_day)} to {_date(fit.last_day)}, "
        f"{years:.1f} years, {fit.spacing_days:.3g} days apart as a rule. Errors are one standard error."
    )


def _curve(fit: NoiseFit) -> str:
    words = f"Growth {with_error(fit.growth)} a year{_why(fit.growth)}"
    if fit.underlying_growth.determined:
        words += f" in these years, {with_error(fit.underlying_growth)} as the growth around which years vary"
    if fit.peak_to_trough.determined:
        words += f"; season {with_error(fit.peak_to_trough)} from trough to peak"
        if fit.month_of_maximum.determined:
            words += f", highest in month {with_error(fit.month_of_maximum)} (1.0 is the start of January)"
    else:
        words += f"; season not determined: {fit.peak_to_trough.reason}"
    return f"{words}; level {with_error(fit.level)} on {_date(fit.mid_day)}."


def _noise(fit: NoiseFit) -> str:
    def part(what: str, estimate: Estimate, more: str = "") -> str:
        return f"{what} {with_error(estimate)}{more}" if estimate.determined else f"{what} not determined"

    memory = f" with a memory of {with_error(fit.memory_days)} days" if fit.memory_days.determined else ""
    phi = f" (from one month to the next {with_error(fit.slow_phi)})" if fit.slow_phi.determined else ""
    return (
        "Noise, as standard deviations: "
        + "; ".join(
            (
                part("from day to day", fit.synoptic_sd, memory),
                part("from month to month", fit.slow_sd, phi),
                part("without memory (repeatability and all that is faster)", fit.white_sd),
                part("the fast parts together", fit.fast_sd),
                part("change of growth from year to year", fit.growth_anomaly_sd),
            )
        )
        + f". Around the curve of level, growth and season: {fit.residual_sd:.3g}."
    )


def _why(estimate: Estimate) -> str:
    return f" (not determined: {estimate.reason})" if estimate.reason else ""


def toml_lines(fit: NoiseFit) -> list[str]:
    """Return the lines to paste below [[tracers]]: what is determined as settings, the rest as comments with why."""
    found = [_line("growth", fit.growth)]
    season = [rounded(e.value, e.se) for e in (fit.peak_to_trough, fit.month_of_maximum)]
    row = (
        f"season = [{{ lat = LATITUDE, peak_to_trough = {_point(season[0])}, month_of_maximum = {_point(season[1])} }}]"
    )
    why = fit.peak_to_trough.reason or fit.month_of_maximum.reason or "put in the latitude; other latitudes beside it"
    found.append(f"# {row}  # {why}")
    found += [_line(name, getattr(fit, name)) for name in _PARTS]
    if not fit.synoptic_sd.determined and fit.fast_sd.determined:
        upper = _point(rounded(fit.fast_sd.value, fit.fast_sd.se))
        found.append(f"# synoptic_sd is {upper} at most: with the white part it makes {with_error(fit.fast_sd)}")
    if fit.white_sd.determined:
        found.append(f"# without memory: {with_error(fit.white_sd)}; compare the plan's repeatability")
    if fit.growth_anomaly_sd.determined:
        found.append("# growth_anomaly_sd is that of this one place, not of the globe")
    return found


def _line(name: str, estimate: Estimate) -> str:
    value = _point(rounded(estimate.value, estimate.se))
    if estimate.determined:
        error = rounded(estimate.se, estimate.se) if estimate.se else "unknown"
        return f"{name} = {value}  # +- {error}"
    return f"# {name}: not determined ({estimate.reason})"


def _point(text: str) -> str:
    """Write a whole number as TOML's fractions are written; small ones never as 0."""
    return text if "." in text or "e" in text else f"{text}.0"


def noise_json(fit: NoiseFit) -> dict[str, object]:
    """Return all of a fit for machines: every estimate with value, se, determined and reason."""

    def plain(value: object) -> object:
        if isinstance(value, Estimate):
            return {
                "value": value.value,
                "standard_error": value.se,
                "determined": value.determined,
                "reason": value.reason,
            }
        return value

    found: dict[str, object] = {}
    for name in fit.__dataclass_fields__:
        value = getattr(fit, name)
        if name == "harmonics":
            value = [plain(item) for item in value]
        elif name == "offsets":
            value = {method: plain(item) for method, item in value}
        elif name == "noise":
            value = asdict(value)
        elif name == "outliers":
            value = [asdict(item) | {"date": _date(item.day)} for item in value]
        elif name == "gaps":
            value = [[_date(start), _date(end)] for start, end in value]
        elif name == "doubts":
            value = list(value)
        found[name] = plain(value)
    found["first_date"], found["last_date"] = _date(fit.first_day), _date(fit.last_day)
    found["toml"] = toml_lines(fit)
    return found


def _method(name: str) -> str:
    return f"'{name}'" if name else "rows that name none"


def _date(day: float) -> str:
    return (datetime.date(1970, 1, 1) + datetime.timedelta(days=math.floor(day))).isoformat()
