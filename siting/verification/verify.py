"""The whole check of a run: inputs, layout, claims about better layouts, and the proof of its bound."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from siting.arrays import Floats, Ints
from siting.assessment.precision import target_errors
from siting.outputs.manifest import versions
from siting.planning import Planning, plan_region
from siting.record.air import UnknownGasError
from siting.region.faults import InputError
from siting.region.model import Region
from siting.selection.precision import Aims, aims_of
from siting.selection.registry import start_program
from siting.selection.score import layout_score, score_objective
from siting.verification.certificate import FalseProofError, StageProof, read_proof
from siting.verification.conditions import check_columns, conditions_of
from siting.verification.cover import Aim, Cover
from siting.verification.run import Run, as_asked, read_run, region_of
from siting.verification.told import (
    MissingError,
    cost_cents,
    inputs_check,
    key,
    layout_checks,
    number,
    pairs_of,
    same,
    ways_of,
)
from siting.verification.verdict import Check, Rederived, Verification

# A bound that comes out lower than claimed by no more than this, relative to it, is rounding.
ALLOWED = 1e-6
# Columns are fixed at the claim less this share of it, so that rounding cannot leave a leaf just missed.
BELOW = 1e-8
NAMES = {"precision": ("shortfall", "cost", "variance"), "cheapest": ("cost", "variance")}
TAKEN = "taken as told, for nothing in the folder shows them: nodes, ties, ended, asked_gap, random_seed"


def verify_run(folder: Path, region: Path | None = None) -> Verification:
    """Return what an independent check of a finished run finds.

    `region` is the folder of its region; where it is None, regions/NAME and NAME in the working folder are looked at.
    Raises `InputError` where the run or the region cannot be read.
    """
    run = read_run(folder)
    place, found = region_of(run, region)
    told = run.told
    checks: list[Check] = []
    stages: list[Rederived] = []
    notes = [*_versions(told), TAKEN]
    try:
        checks.append(inputs_check(told, found))
        if checks[-1].holds:
            if told["region"] != found.name:
                notes.append(f"the run calls the region {told['region']!r}, its folder is {found.name!r} now")
            asked = _asked(told, found)
            pairs = pairs_of(told, asked)
            searched = key(told, "objective") is not None
            planning = plan_region(asked, frozenset() if searched else frozenset((i, p) for i, p, _ in pairs))
            picked = _picks(planning, pairs)
            planning = ways_of(told, planning, pairs)
            checks += layout_checks(told, planning, picked)
            _claims(run, planning, picked, checks, stages)
    except MissingError as error:
        checks.append(Check("layout.json", False, str(error)))
    return Verification(str(folder), str(place), tuple(checks), tuple(stages), tuple(notes))


def _asked(told: dict[str, Any], found: Region) -> Region:
    try:
        return as_asked(found, key(told, "changes"))
    except (ValueError, InputError) as error:
        raise MissingError(f"its what-ifs cannot be made: {error}") from None


def _versions(told: dict[str, Any]) -> list[str]:
    before, now = told.get("versions"), versions()
    if not isinstance(before, dict):
        return ["the run does not tell with which versions it was made"]
    other = [f"{name} {before.get(name)} then, {now[name]} now" for name in now if before.get(name) != now[name]]
    return [f"made with other versions: {'; '.join(other)}"] if other else []


def _picks(planning: Planning, pairs: list[tuple[int, int, int]]) -> Ints:
    found = []
    for i, p, year in pairs:
        k = planning.deployments.find(i, p, year)
        if k is None:
            name, plan = planning.region.candidates.ids[i], planning.region.settings.plans[p].id
            raise MissingError(f"{plan!r} at {name!r} from {year} is not on offer")
        found.append(k)
    return np.sort(np.array(found, dtype=np.int64))


def _claims(run: Run, planning: Planning, picked: Ints, checks: list[Check], stages: list[Rederived]) -> None:
    """Check what the run says of its value and of better layouts."""
    told = run.told
    objective = told["objective"]
    if objective in NAMES:
        _proven(run, planning, picked, checks, stages)
        return
    if objective not in (None, "score"):
        checks.append(Check("objective", False, f"{objective!r} is not something that can be made best"))
        return
    if objective is None and (key(told, "proof_sha256") is not None or run.proof is not None):
        checks.append(Check("proof file", False, "there is a proof, or its name, where such a run has none"))
    value, total = number(key(told, "value"), "value"), layout_score(planning, picked).total
    if not same(value, total):
        checks.append(Check("value", False, f"the layout has a network score of {total!r}, not {value!r}"))
    elif objective is None:
        claims = [name for name in ("bound", "gap", "asked_gap", "nodes", "random_seed") if key(told, name) is not None]
        if claims or key(told, "proved") is not False:
            checks.append(Check("value", False, "a layout that was given claims to be proved"))
        else:
            checks.append(Check("value", True, "the layout was given; nothing is claimed about better ones"))
    else:
        checks.append(Check("value", True, f"a network score of {total:.9g}, worked out again"))
        told_stages = _stages(told, ("score",))
        checks.append(_gap(told, told_stages, [1.0], True))
        _scored(run, planning, told_stages, checks, stages)


def _scored(
    run: Run, planning: Planning, told: list[dict[str, Any]], checks: list[Check], found: list[Rederived]
) -> None:
    """Check the bound of a score: the proof must give what it says itself, which may be less than the search says."""
    claimed = number(key(told[0], "bound"), "bound")
    if key(run.told, "proof_sha256") is None and run.proof is None:
        checks.append(
            Check("bound", None, f"{claimed!r} is the solver's bound, not re-derived: there is no proof.json")
        )
        return
    try:
        (proof,) = _read(run, told, "score")
    except FalseProofError as error:
        checks.append(Check("proof file", False, str(error)))
        return
    checks.append(Check("proof file", True, "its SHA-256 and its claims are those that layout.json names"))
    try:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            one = rederived_score(proof, planning)
    except FalseProofError as error:
        checks.append(Check("bound", False, str(error)))
        return
    except ValueError:
        checks.append(Check("bound", False, "its numbers cannot be worked with"))
        return
    found.append(one)
    leaves = f"{one.leaves:,} lea{'f covers' if one.leaves == 1 else 'ves cover'} every layout"
    if not one.holds:
        words = f"proof.json claims {proof.bound:.9g}, but re-derived only: no layout scores above {one.bound:.9g}"
        checks.append(Check("bound", False, f"{words}; {leaves}"))
    elif one.bound - claimed <= ALLOWED * max(abs(claimed), 1.0):
        checks.append(Check("bound", True, f"re-derived: no layout scores above {one.bound:.9g}; {leaves}"))
    else:
        share = math.ceil(1e5 * (one.bound - one.value) / max(abs(one.value), 1.0)) / 1e3
        words = f"{claimed!r} is the solver's bound, re-derived to {share:.3f} %"
        checks.append(Check("bound", None, f"{words}: no layout scores above {one.bound:.9g}; {leaves}"))


def _gap(told: dict[str, Any], stages: list[dict[str, Any]], floors: list[float], maximised: bool) -> Check:
    """Check value, bound, gap and "proved" against each other, stage by stage and in all."""
    every = stages or [told]
    gaps = []
    for one, floor in zip(every, floors, strict=True):
        value, bound, gap = (number(key(one, name), name) for name in ("value", "bound", "gap"))
        ahead = value - bound if maximised else bound - value
        if ahead > 1e-9 * max(abs(value), floor):
            return Check("gap", False, f"the bound {bound!r} is beyond the value {value!r}")
        found = 0.0 if value == bound else abs(value - bound) / max(abs(value), floor)
        if not same(gap, found, 1e-6):
            return Check("gap", False, f"the gap of {value!r} and {bound!r} is {found!r}, not {gap!r}")
        gaps.append(gap)
        if key(one, "proved") is not (gap <= number(key(told, "asked_gap"), "asked_gap")):
            return Check("gap", False, f"a gap of {gap!r} is said to be proved or not where it is the other way")
    worst = max(gaps)
    asked = number(key(told, "asked_gap"), "asked_gap")
    if key(told, "gap") != worst or key(told, "proved") is not (worst <= asked):
        return Check("gap", False, f"the largest gap is {worst!r}, not {told['gap']!r}, or proved where it is not")
    if stages and (key(told, "value") != stages[0]["value"] or key(told, "bound") != stages[0]["bound"]):
        return Check("gap", False, "value and bound are not those of the first stage")
    if told["proved"]:
        return Check("gap", True, f"{100 * worst:.4g} %, within the {100 * asked:.4g} % that were asked for")
    return Check("gap", True, f"{100 * worst:.4g} %, not proved, as told")


def _proven(run: Run, planning: Planning, picked: Ints, checks: list[Check], found: list[Rederived]) -> None:
    told = run.told
    try:
        aims = aims_of(planning)
        errors = target_errors(planning, picked)
    except UnknownGasError as error:
        raise MissingError(f"the targets cannot be stated: {error}") from None
    own = _own_values(planning, picked, aims, np.array([errors[name] for name in aims.ids]))
    stages = _stages(told, NAMES[told["objective"]])
    names = [one["name"] for one in stages]
    floors = [1.0 if name == "cost" else 0.01 * float(aims.weights.sum()) for name in names]
    checks.append(_values(stages, own, floors))
    checks.append(_gap(told, stages, floors, False))
    try:
        proofs = _read(run, stages)
    except FalseProofError as error:
        checks.append(Check("proof file", False, str(error)))
        return
    checks.append(Check("proof file", True, "its SHA-256 and its claims are those that layout.json names"))
    for proof, floor in zip(proofs, floors, strict=True):
        name = f"bound of the {proof.name}"
        try:
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                one = rederived(proof, planning, aims, floor)
        except FalseProofError as error:
            checks.append(Check(name, False, str(error)))
        except (np.linalg.LinAlgError, ValueError):
            checks.append(Check(name, False, "its numbers cannot be worked with"))
        else:
            found.append(one)
            checks.append(Check(name, one.holds, _words(one, proof, planning)))


def _stages(told: dict[str, Any], names: tuple[str, ...]) -> list[dict[str, Any]]:
    """Return the stages of the search; raises `MissingError` where they are not the first ones of `names`."""
    stages = key(told, "stages")
    if not isinstance(stages, list) or not stages or not all(isinstance(one, dict) for one in stages):
        raise MissingError("layout.json tells no stages of its search")
    found = tuple(one.get("name") for one in stages)
    if found != names[: len(found)]:
        raise MissingError(f"a search for {told['objective']!r} has no stages {found!r}")
    return stages


@dataclass(frozen=True)
class _Own:
    """The layout's own values by stage."""

    shortfall: float
    cost: float
    variance: float


def _own_values(planning: Planning, picked: Ints, aims: Aims, errors: Floats) -> _Own:
    excess = (errors / aims.goals) ** 2 - 1.0
    return _Own(
        float((aims.weights * np.maximum(0.0, excess)).sum()),
        cost_cents(planning, picked)[0] / 100,
        float((aims.weights * (errors**2 - aims.floors**2) / aims.goals**2).sum()),
    )


def _values(stages: list[dict[str, Any]], own: _Own, floors: list[float]) -> Check:
    """Compare the layout's own values with those told: equal in the last stage, no worse in those before."""
    for i, (one, floor) in enumerate(zip(stages, floors, strict=True)):
        name, value = one["name"], number(key(one, "value"), "value")
        mine = getattr(own, name)
        last = i == len(stages) - 1
        if not same(mine, value, floor) and (last or mine > value):
            return Check("value", False, f"the layout has a {name} of {mine!r}, not {value!r}")
    if (stages[0]["name"] == "cost" or len(stages) > 1) and own.shortfall > 1e-9:
        return Check("value", False, f"the layout does not meet every goal: shortfall {own.shortfall!r}")
    name = stages[-1]["name"]
    return Check("value", True, f"a {name} of {getattr(own, name):.9g}, worked out again from the records")


def _read(run: Run, stages: list[dict[str, Any]], objective: str = "") -> tuple[StageProof, ...]:
    """Return the proof; raises `FalseProofError` where it is not the one that layout.json names.

    That of a score may prove less than the search says, and never more.
    """
    if run.proof is None:
        raise FalseProofError("proof.json is not there")
    if hashlib.sha256(run.proof).hexdigest() != run.told.get("proof_sha256"):
        raise FalseProofError("proof.json is not the file that layout.json names by its SHA-256")
    try:
        proofs = read_proof(run.proof.decode("utf-8"))
    except (UnicodeDecodeError, RecursionError):
        raise FalseProofError("proof.json is not JSON") from None
    less = objective == "score" and len(proofs) == 1 and proofs[0].bound >= stages[0]["bound"]
    bounds = [p.bound if less else s["bound"] for p, s in zip(proofs, stages, strict=False)]
    if [(p.name, p.value, p.bound) for p in proofs] != [
        (s["name"], s["value"], bound) for s, bound in zip(stages, bounds, strict=False)
    ] or len(proofs) != len(stages):
        raise FalseProofError("its stages are not those of layout.json")
    costs = {p.name: round(100 * p.value) for p in proofs}
    for proof in proofs:
        if proof.most_cost != (costs["cost"] if proof.name == "variance" else None):
            raise FalseProofError(f"stage {proof.name!r} caps the cost at {proof.most_cost}, not at that of its stage")
    return proofs


def rederived(proof: StageProof, planning: Planning, aims: Aims, floor: float) -> Rederived:
    """Return the bound of one stage, worked out again from its proof; raises `FalseProofError` where it is none.

    `floor` is the size below which differences are no longer taken relative to the bound.
    """
    program = start_program(planning).build()
    conditions = conditions_of(program, [part.block for part in aims.parts], proof.most_cost, proof.cliques)
    check_columns(proof, planning, program, conditions)
    size = max(abs(proof.bound), floor)
    claim = proof.bound - BELOW * size
    aim = aim_of(proof.name, aims, program.cost.astype(float) / 100.0)
    cover = Cover(proof, aim, conditions, claim).walked()
    if cover.bound < claim:
        again = Cover(proof, aim, conditions, claim, every_direction=True).walked()
        cover = max(cover, again, key=lambda one: one.bound)
    # A shortfall is never below 0, whatever a tree says.
    least = proof.bound if cover.bound >= claim else cover.bound
    if proof.name != "cost":
        least = max(least, 0.0)
    holds = bool(proof.bound - least <= ALLOWED * size)
    return Rederived(proof.name, proof.value, proof.bound, least, cover.leaves, cover.points, holds)


def rederived_score(proof: StageProof, planning: Planning) -> Rederived:
    """Return the bound of a score, worked out again from its proof; raises `FalseProofError` where it is none.

    The score is made small with its sign turned, its rows and coefficients built anew from the region.
    """
    builder = start_program(planning)
    objective = score_objective(builder, planning)
    program = builder.build()
    conditions = conditions_of(program, [], proof.most_cost, proof.cliques)
    check_columns(proof, planning, program, conditions)
    size = max(abs(proof.bound), 1.0)
    claim = -proof.bound - BELOW * size
    none = np.zeros(0)
    aim = Aim((), np.zeros(0, dtype=np.int64), none, none, -objective.coefficients)
    cover = Cover(proof, aim, conditions, claim).walked()
    most = proof.bound if cover.bound >= claim else -cover.bound
    holds = bool(most - proof.bound <= ALLOWED * size)
    return Rederived(proof.name, proof.value, proof.bound, most, cover.leaves, cover.points, holds)


def aim_of(name: str, aims: Aims, cost: Floats) -> Aim:
    """Return what a stage makes small; `cost` (program columns,) is what a unit of each costs."""
    t = aims.goals.size
    kappa, gamma, none = aims.weights / aims.goals**2, aims.goals**2 - aims.floors**2, np.zeros(cost.size)
    if name == "shortfall":
        return Aim(aims.parts, np.arange(t), kappa, gamma, none)
    if name == "cost":
        return Aim(aims.parts, np.arange(t), np.full(t, np.inf), gamma, cost)
    # The variance counts throughout, and every goal is a limit beside it; part by part, as the proof's theta stand.
    of, weight, level = [], [], []
    begin = 0
    for part in aims.parts:
        mine = np.arange(begin, begin + part.targets.shape[1])
        begin += mine.size
        of += [mine, mine]
        weight += [kappa[mine], np.full(mine.size, np.inf)]
        level += [np.full(mine.size, -np.inf), gamma[mine]]
    return Aim(aims.parts, np.concatenate(of), np.concatenate(weight), np.concatenate(level), none)


def _words(one: Rederived, proof: StageProof, planning: Planning) -> str:
    currency = planning.region.settings.currency
    cap = f" for at most {(proof.most_cost or 0) / 100:,.2f} {currency}"
    said = {
        "shortfall": f"no layout has a shortfall below {one.bound:.9g}",
        "cost": f"no layout that meets every goal costs less than {one.bound:,.2f} {currency}",
        "variance": f"no layout that meets every goal{cap} has a weighted variance below {one.bound:.9g}",
    }[one.stage]
    leaves = f"{one.leaves:,} lea{'f covers' if one.leaves == 1 else 'ves cover'} every layout"
    if one.holds:
        return f"re-derived: {said}; {leaves}"
    return f"claimed is {one.claimed:.9g}, but re-derived only: {said}; {leaves}"
