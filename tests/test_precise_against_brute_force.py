"""The search by precision against every layout written out, on random small programs (all numbers invented)."""

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.selection import LogDet, RowLimits, Shortfall, WeightedVariance, exact_design
from siting.selection.precise.criteria import LogDeterminant, Variances, Weights
from siting.selection.precise.information import Group, Part
from siting.selection.precision import Aims
from siting.selection.program import NO_LIMIT, Ended, Exclusions, Limits, ProgramBuilder
from siting.selection.stages import cheapest, least, least_shortfall

CLOSE = 1e-8


@dataclass(frozen=True, eq=False)
class Instance:
    """A program with aims, and every layout that keeps its rules with its least cost in hundredths."""

    program: object
    aims: Aims

    @cached_property
    def layouts(self):
        """Layouts (m, n) of 0 and 1 that keep all rules, and their least costs (m,)."""
        p = self.program
        n, every = p.deployments, len(p.names)
        layouts = np.array(list(product((0, 1), repeat=n)), dtype=float)
        for exclusion in p.exclusions:
            place = dict(zip(exclusion.columns.tolist(), exclusion.node.tolist(), strict=True))
            near = {node: set(exclusion.near(np.array([node]))[0].tolist()) for node in set(place.values())}
            for a in place:
                for b in place:
                    if a < b and (place[b] in near[place[a]] or place[a] == place[b]):
                        layouts = layouts[layouts[:, a] + layouts[:, b] < 1.5]
        matrix = p.matrix.toarray().astype(float)
        low = np.where(p.row_lower == -NO_LIMIT, -np.inf, p.row_lower.astype(float))
        high = np.where(p.row_upper == NO_LIMIT, np.inf, p.row_upper.astype(float))
        layouts = layouts[(layouts >= p.lower[:n]).all(axis=1) & (layouts <= p.upper[:n]).all(axis=1)]
        best = np.full(layouts.shape[0], np.inf)
        whole = [c for c in range(n, every) if p.integer[c]]
        real = [c for c in range(n, every) if not p.integer[c]]
        assert len(real) <= 1
        for values in product(*(np.arange(p.lower[c], p.upper[c] + 1) for c in whole)):
            sums = layouts @ matrix[:, :n].T + matrix[:, whole] @ np.array(values)
            cost = layouts @ p.cost[:n] + p.cost[whole] @ np.array(values)
            if real:
                column = matrix[:, real[0]]
                with np.errstate(divide="ignore", invalid="ignore"):
                    ends = np.stack([(low - sums) / column, (high - sums) / column])
                used = column != 0
                least_of = np.maximum(ends.min(axis=0)[:, used].max(axis=1, initial=-np.inf), p.lower[real[0]])
                most_of = np.minimum(ends.max(axis=0)[:, used].min(axis=1, initial=np.inf), p.upper[real[0]])
                plain = ((sums >= low) & (sums <= high))[:, ~used].all(axis=1)
                fine = plain & (least_of <= most_of + 1e-9)
                assert p.cost[real[0]] >= 0
                cost = cost + p.cost[real[0]] * least_of
            else:
                fine = ((sums >= low) & (sums <= high)).all(axis=1)
            best = np.where(fine, np.minimum(best, cost), best)
        return layouts[np.isfinite(best)], best[np.isfinite(best)]

    def errors(self, layouts):
        """Return the variances (m, T) of layouts, floors included, by inverses of the whole information."""
        found = [variances(part, layouts) for part in self.aims.parts]
        return np.concatenate(found, axis=1) + self.aims.floors**2

    def shortfalls(self):
        """Return the shortfalls (m,) of all layouts."""
        over = self.errors(self.layouts[0]) / self.aims.goals**2 - 1.0
        return np.maximum(over, 0.0) @ self.aims.weights

    @property
    def floor(self):
        """Return the size below which a shortfall's gap is not relative."""
        return 0.01 * float(self.aims.weights.sum())


def blocks_of(part):
    """Return the factor of every deployment over the common coordinates and all local blocks, as a list."""
    k, size = part.width, part.size
    out = [np.zeros((0, k + size * part.blocks)) for _ in range(part.block.size)]
    for group in part.groups:
        for column, common, local in zip(group.columns, group.common, group.local, strict=True):
            wide = np.zeros((common.shape[0], k + size * part.blocks))
            wide[:, :k] = common
            if part.block[column] >= 0:
                begin = k + size * part.block[column]
                wide[:, begin : begin + size] = local
            out[column] = wide
    return out


def variances(part, layouts):
    """Return the variances (m, T) of a part's targets for layouts (m, n)."""
    factors = blocks_of(part)
    width = factors[0].shape[1] if factors else part.width
    told = np.array([f.T @ f for f in factors]).reshape(len(factors), -1)
    total = np.eye(width) + (layouts @ told).reshape(-1, width, width)
    targets = np.zeros((width, part.targets.shape[1]))
    targets[: part.width] = part.targets
    wide = np.broadcast_to(targets, (len(total), *targets.shape))
    return np.einsum("kt,mkt->mt", targets, np.linalg.solve(total, wide))


def random_part(rng, n, scale):
    """Return a part of n deployments with random low ranks and, half of the time, local blocks."""
    k = int(rng.integers(1, 7))
    size = int(rng.integers(1, 4)) if rng.random() < 0.5 else 0
    block = np.full(n, -1)
    if size:
        block = np.unique(rng.integers(-1, max(1, n // 2), n), return_inverse=True)[1] - 1
        if block.max() < 0:
            size = 0
    groups = []
    rank_of = rng.integers(0, 4, n)
    for rank in range(1, 4):
        columns = np.flatnonzero(rank_of == rank)
        if columns.size:
            common = rng.normal(size=(columns.size, rank, k)) * scale * rng.uniform(0.2, 1.5, (columns.size, 1, 1))
            local = rng.normal(size=(columns.size, rank, size)) * scale
            local[block[columns] < 0] = 0.0
            groups.append(Group(columns, common, local))
    return Part(tuple(groups), block.astype(np.int64), rng.normal(size=(k, int(rng.integers(1, 4)))), size)


def random_instance(seed, most=10):
    """Return a random program of 3 to `most` deployments with aims, rows of many kinds and auxiliary columns."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, most + 1))
    cost = rng.integers(50, 5000, n)
    if rng.random() < 0.15:
        cost[:] = 100
    builder = ProgramBuilder([f"d{i}" for i in range(n)], cost)
    opened = real = None
    if rng.random() < 0.4:
        opened = builder.add_column("opened", cost=int(rng.integers(0, 3000)))
        mine = rng.choice(n, size=max(1, n // 2), replace=False)
        for column in mine:
            builder.add_row("", [int(column), opened], [1, -1], upper=0)
        if rng.random() < 0.3:
            steps = builder.add_column("units", upper=3.0, cost=int(rng.integers(1, 2000)))
            builder.add_row("units", np.append(np.arange(n), steps), np.append(rng.integers(0, 3, n), -2), upper=1)
    if rng.random() < 0.4:
        most_of = float(rng.integers(1, 9)) / 2
        real = builder.add_column("amount", upper=most_of, integer=False, cost=int(rng.integers(0, 900)))
        builder.add_row("", np.append(np.arange(n), real), np.append(rng.integers(0, 4, n), -3), upper=2)
    if rng.random() < 0.8:
        columns = np.arange(builder.width)
        prices = np.concatenate([cost, rng.integers(0, 2000, builder.width - n)])
        builder.add_row("budget", columns, prices, upper=int(cost.sum() * rng.uniform(0.15, 0.8)))
    if rng.random() < 0.5:
        builder.add_row("count", np.arange(n), np.ones(n, dtype=np.int64), upper=int(rng.integers(1, n + 1)))
    if rng.random() < 0.5:
        group = rng.choice(n, size=int(rng.integers(1, n + 1)), replace=False)
        builder.add_row("least", group, np.ones(group.size, dtype=np.int64), lower=int(rng.integers(1, 3)))
    if rng.random() < 0.2:
        builder.add_row("weighty", np.arange(n), rng.integers(-3, 7, n), lower=int(rng.integers(-2, 6)), upper=12)
    if rng.random() < 0.3 and n > 2:
        a, b = rng.choice(n, size=2, replace=False)
        builder.add_row("with", [int(a), int(b)], [1, -1], upper=0)
    if rng.random() < 0.15:
        builder.add_row("required", [int(rng.integers(n))], [1], lower=1)
    if rng.random() < 0.4:
        node = rng.integers(0, n, n) if rng.random() < 0.5 else np.arange(n)
        clash = rng.random((n, n)) < 0.25
        clash = np.triu(clash, 1) | np.triu(clash, 1).T
        # A place clashes with itself by an own row, so that every place has one deployment here at most.
        for place in np.unique(node):
            mine = np.flatnonzero(node == place)
            builder.add_row("one", mine, np.ones(mine.size, dtype=np.int64), upper=1)
        builder.add_exclusions(
            Exclusions("apart", np.arange(n), node, lambda nodes: [np.flatnonzero(clash[int(k)]) for k in nodes])
        )
    scale = 10.0 ** rng.uniform(-0.5, 1.0)
    parts = tuple(random_part(rng, n, scale) for _ in range(int(rng.integers(1, 3))))
    count = sum(part.targets.shape[1] for part in parts)
    weights = rng.choice([0.5, 1.0, 1.0, 2.5], count)
    # Goals between what nothing and what everything would show.
    before = np.concatenate([variances(part, np.zeros((1, n)))[0] for part in parts])
    after = np.concatenate([variances(part, np.ones((1, n)))[0] for part in parts])
    goals = np.sqrt(before ** (1 - (share := rng.uniform(0.0, 1.1, count))) * after**share)
    floors = np.where(rng.random(count) < 0.2, 0.3 * goals, 0.0)
    ids = tuple(("gas", f"t{t}") for t in range(count))
    return Instance(builder.build(), Aims(parts, ids, goals, floors, weights))


def gap_of(found, true, floor):
    """Return how far a value lies above the least one, relative."""
    return (found - true) / max(abs(found), floor)


def checked(instance, proven, values, floor, gap, stage=0, units=1.0):
    """Check a result against the values (m,) of all layouts: the value is that of its layout, the bound holds."""
    layouts = instance.layouts[0]
    selection = proven.selection
    true = values.min(initial=np.inf)
    if selection.value is None:
        assert selection.ended is not Ended.INFEASIBLE or not np.isfinite(true), "called infeasible"
        return None
    found = selection.stages[stage]
    picked = np.zeros(layouts.shape[1])
    picked[list(selection.picked)] = 1.0
    mine = np.flatnonzero((layouts == picked).all(axis=1))
    assert mine.size == 1, "the layout breaks a rule"
    assert not instance.program.broken(selection.values)
    if stage == len(selection.stages) - 1 or stage == 0:
        size = CLOSE * max(abs(found.value), floor)
        assert found.bound <= true * units + size, "the bound is above the best value"
        assert found.bound <= found.value
        assert found.value >= true * units - size
        if selection.ended is Ended.GAP:
            assert gap_of(found.value, true * units, floor) <= gap + CLOSE, "not the best"
            assert found.gap <= gap
    return values[mine[0]]


def log_determinants(part, layouts):
    """Return -ln det (m,) of the information over the common coordinates of a part without blocks."""
    factors = blocks_of(part)
    told = np.array([f.T @ f for f in factors]).reshape(len(factors), -1)
    total = np.eye(part.width) + (layouts @ told).reshape(-1, part.width, part.width)
    return -np.linalg.slogdet(total)[1]


def log_determinant(part):
    """Return the criterion of a part without blocks."""
    factors = blocks_of(part)
    common = np.zeros((len(factors), 3, part.width))
    for d, factor in enumerate(factors):
        common[d, : factor.shape[0]] = factor
    return LogDeterminant(common, Weights(np.ones(1), np.full(1, -np.inf)))


def check_shortfall(seed, limits, most=10):
    instance = random_instance(seed, most)
    proven = least_shortfall(instance.program, instance.aims, limits)
    value = checked(instance, proven, instance.shortfalls(), instance.floor, limits.gap)
    if value is not None:
        assert value == pytest.approx(proven.selection.value, rel=1e-8, abs=CLOSE * instance.floor)


def check_variance(seed, limits, most=10):
    instance = random_instance(seed, most)
    # Without floors, and one target that does not count.
    weights = instance.aims.weights.copy()
    weights[seed % weights.size] *= float(weights.size == 1)
    aims = replace(instance.aims, floors=np.zeros(weights.size), weights=weights)
    instance = Instance(instance.program, aims)
    values = (instance.errors(instance.layouts[0]) / aims.goals**2) @ aims.weights
    proven = least(instance.program, aims.variance(), "variance", instance.floor, limits)
    value = checked(instance, proven, values, instance.floor, limits.gap)
    if value is not None:
        assert value == pytest.approx(proven.selection.value, rel=1e-8, abs=CLOSE * instance.floor)


def check_determinant(seed, limits, most=10):
    instance = random_instance(seed, most)
    part = replace(instance.aims.parts[0], block=np.full(instance.program.deployments, -1), size=0)
    part = replace(part, groups=tuple(Group(g.columns, g.common, g.local[:, :, :0]) for g in part.groups))
    values = log_determinants(part, instance.layouts[0])
    proven = least(instance.program, log_determinant(part), "determinant", 1.0, limits)
    value = checked(instance, proven, values, 1.0, limits.gap)
    if value is not None:
        assert value == pytest.approx(proven.selection.value, rel=1e-8, abs=CLOSE)


def check_cost(seed, limits, most=10):
    """The least cost with every goal met, then the least variance at that cost."""
    instance = random_instance(seed, most)
    aims = instance.aims
    layouts, costs = instance.layouts
    met = (instance.errors(layouts) <= aims.goals**2 * (1 + 1e-12)).all(axis=1)
    values = np.where(met, costs / 100.0, np.inf)
    proven = cheapest(instance.program, aims, limits)
    selection = proven.selection
    value = checked(instance, proven, values, 1.0, limits.gap)
    if value is None:
        return
    if len(selection.stages) < 2:
        return
    cost, variance = selection.stages
    assert value <= cost.value * (1 + 1e-9)
    mine = costs <= np.rint(100.0 * cost.value) + 1e-6
    weighted = ((instance.errors(layouts) - aims.floors**2) / aims.goals**2) @ aims.weights
    true = weighted[mine & met].min()
    assert variance.bound <= true + CLOSE * max(true, instance.floor)
    if variance.proved:
        assert gap_of(variance.value, true, instance.floor) <= limits.gap + CLOSE


CHECKS = {
    "shortfall": check_shortfall,
    "variance": check_variance,
    "determinant": check_determinant,
    "cost": check_cost,
}

# A search to the gap, one that wants nothing left, and three that are stopped at once.
STOPPED = [
    Limits(gap=1e-4, nodes=1),
    Limits(gap=0.0, nodes=2),
    Limits(gap=1e-3, nodes=3),
    Limits(gap=1e-3, seconds=0.004),
]
LIMITS = [Limits(gap=1e-3), Limits(gap=1e-4), Limits(gap=1e-3), Limits(gap=1e-6), *STOPPED]


@pytest.mark.parametrize("name", CHECKS)
@pytest.mark.parametrize("limits", LIMITS, ids=["3", "4", "3 larger", "6", "1 node", "2 nodes", "3 nodes", "4 ms"])
def test_the_best_of_random_programs_is_that_of_all_their_layouts(name, limits):
    number = LIMITS.index(limits)
    for seed in range(7 * number, 7 * number + 7):
        CHECKS[name](seed, limits, 13 if number == 2 and seed % 7 == 0 else 8)


def affordable(n, picks):
    return RowLimits(np.ones((1, n)), [-np.inf], [picks])


CRITERIA = {
    "shortfall": Shortfall(np.eye(2), 0.5),
    "variance": WeightedVariance(np.eye(2)),
    "determinant": LogDet(),
}
LINE = np.stack([np.ones(9), np.linspace(-1.0, 1.0, 9)], axis=1)[:, None, :]


@pytest.mark.parametrize("name", CRITERIA)
def test_nothing_is_picked_where_nothing_is_affordable(name):
    found = exact_design(LINE, np.ones(2), CRITERIA[name], affordable(9, 0))
    assert found.picked == ()
    assert found.proved
    # The prior alone: sd 1 of two coefficients, goals of 0.5; ln 1.
    assert found.value == pytest.approx({"shortfall": 6.0, "variance": 2.0, "determinant": 0.0}[name])


@pytest.mark.parametrize("name", ["variance", "determinant"])
def test_everything_is_picked_where_everything_is_affordable(name):
    found = exact_design(LINE, np.ones(2), CRITERIA[name], affordable(9, 9), gap=1e-6)
    assert found.picked == tuple(range(9))
    assert found.proved


@pytest.mark.parametrize("name", CRITERIA)
def test_a_single_candidate_is_picked(name):
    found = exact_design(LINE[:1], np.ones(2), CRITERIA[name], affordable(1, 1))
    assert found.picked == (0,)
    assert found.proved


@pytest.mark.parametrize("name", CRITERIA)
def test_of_candidates_at_one_place_as_many_are_picked_as_are_affordable(name):
    found = exact_design(np.repeat(LINE[:1], 12, axis=0), np.ones(2), CRITERIA[name], affordable(12, 5))
    assert found.proved
    assert len(found.picked) == 5


@pytest.mark.parametrize("criterion", [Shortfall(np.eye(2), 0.5, 0.0), WeightedVariance(np.eye(2), 0.0)])
def test_without_weights_every_design_is_worth_nothing_and_as_good(criterion):
    found = exact_design(LINE, np.ones(2), criterion, affordable(9, 3))
    assert found.proved
    assert found.value == found.bound == 0.0


def test_a_target_that_no_candidate_sees_keeps_the_variance_of_the_prior():
    factors = np.concatenate([LINE, np.zeros((9, 1, 1))], axis=2)
    found = exact_design(factors, [1.0, 1.0, 0.25], WeightedVariance([0.0, 0.0, 1.0]), affordable(9, 3))
    assert found.value == pytest.approx(4.0)
    assert found.proved


def test_candidates_that_see_one_direction_only_leave_the_others_to_the_prior():
    factors = np.outer(np.linspace(0.5, 2.0, 8), [1.0, 2.0, -1.0])[:, None, :]
    for criterion in (WeightedVariance(np.eye(3)), LogDet()):
        found = exact_design(factors, np.ones(3), criterion, affordable(8, 3), gap=1e-6)
        assert found.picked == (5, 6, 7)
        assert found.proved


def test_a_nearly_flat_prior_leaves_bound_and_value_in_order():
    # Precisions of 1e-12 beside 1: factors of a million in the search's coordinates.
    x = np.linspace(-1.0, 1.0, 11)
    factors = np.vander(x, 3, increasing=True)[:, None, :]
    layouts = np.array([np.eye(11)[list(c)].sum(axis=0) for c in combinations(range(11), 4)])
    prior = np.diag([1e-12, 1e-12, 1.0])
    every = prior + np.einsum("md,dk,dl->mkl", layouts, factors[:, 0], factors[:, 0])
    for criterion, turn, values in [
        (WeightedVariance([0.0, 1.0, 0.0]), 1.0, np.linalg.inv(every)[:, 1, 1]),
        (LogDet(), -1.0, -np.linalg.slogdet(every)[1]),
    ]:
        found = exact_design(factors, np.diag(prior), criterion, affordable(11, 4), gap=1e-5)
        assert found.proved
        assert turn * found.value == pytest.approx(values.min(), rel=2e-5)
        assert turn * found.bound <= values.min() + 1e-9 * abs(values.min())


@pytest.mark.parametrize("name", ["variance", "determinant"])
def test_hundreds_of_equal_sites_are_no_harder_than_one_of_each(name):
    # Slope and level from 6 picks with equal information: 3 at each end.
    found = exact_design(np.repeat(LINE, 40, axis=0), np.full(2, 1e-6), CRITERIA[name], affordable(360, 6), gap=1e-3)
    assert found.proved
    assert sorted(d // 40 for d in found.picked) == [0, 0, 0, 8, 8, 8]


@pytest.mark.parametrize("name", ["variance", "determinant"])
@pytest.mark.parametrize("coefficients", [1, 500])
def test_one_and_five_hundred_coefficients(name, coefficients):
    # Each candidate sees a coefficient of its own, so that the best are those that see most.
    size = np.array([0.3, 2.0, 1.0, 0.1, 3.0, 0.6, 0.2, 1.5, 0.4])
    factors = np.zeros((9, 1, coefficients))
    factors[np.arange(9), 0, np.arange(9) % coefficients] = size
    targets = np.eye(coefficients)[:, : min(9, coefficients)]
    criterion = LogDet() if name == "determinant" else WeightedVariance(targets)
    found = exact_design(factors, np.ones(coefficients), criterion, affordable(9, 3), gap=1e-5)
    assert found.proved
    assert found.picked == (1, 4, 7)
    told = size[[1, 4, 7]] ** 2
    if name == "determinant":
        known = np.log1p(told.sum()) if coefficients == 1 else np.log1p(told).sum()
    else:
        known = 1.0 / (1.0 + told.sum()) if coefficients == 1 else (1.0 / (1.0 + told)).sum() + 6.0
    assert found.value == pytest.approx(known, rel=1e-9)


@pytest.mark.parametrize("name", ["variance", "determinant"])
def test_many_coefficients_that_all_candidates_see_are_carried_too(name):
    # 60 rows on 40 coefficients: nothing to leave out; the best of all 20 triples by plain matrices.
    rng = np.random.default_rng(8)
    factors, prior = rng.normal(size=(6, 10, 40)), rng.uniform(0.5, 2.0, 40)
    criterion = LogDet() if name == "determinant" else WeightedVariance(np.eye(40))
    found = exact_design(factors, prior, criterion, affordable(6, 3), gap=1e-6)
    every = np.array([np.diag(prior) + sum(factors[d].T @ factors[d] for d in c) for c in combinations(range(6), 3)])
    known = np.linalg.slogdet(every)[1].max() if name == "determinant" else np.linalg.inv(every).trace(0, 1, 2).min()
    assert found.proved
    assert found.value == pytest.approx(known, rel=1e-9)


def random_criterion(seed, n=7):
    rng = np.random.default_rng(seed)
    parts = tuple(random_part(rng, n, 1.0) for _ in range(2))
    count = sum(part.targets.shape[1] for part in parts)
    return rng, Variances(parts, Weights(np.ones(count), np.full(count, -np.inf))), n + sum(p.blocks for p in parts)


def random_point(rng, criterion, width):
    """Return a point with occupancies above 0 and at most what each block allows."""
    y = rng.uniform(0.05, 1.0, width)
    begin = criterion.count
    for block in criterion.blocks:
        for b in range(int(block.max(initial=-1)) + 1):
            y[begin + b] = min(1.0, y[: criterion.count][block == b].sum()) * rng.uniform(0.3, 1.0)
        begin += int(block.max(initial=-1)) + 1
    return y


@pytest.mark.parametrize("seed", range(12))
def test_slopes_are_those_of_finite_differences(seed):
    rng, variance, width = random_criterion(seed)
    flat = LogDeterminant(rng.normal(size=(width, 2, 4)), Weights(np.ones(1), np.full(1, -np.inf)))
    for criterion in (variance, flat):
        y = random_point(rng, criterion, width)
        measured = criterion.measure(y)
        step = 1e-5
        for column in range(width):
            there, back = y.copy(), y.copy()
            there[column] += step
            back[column] -= step
            slope = (criterion.measure(there).values - criterion.measure(back).values) / (2 * step)
            assert measured.gradient[:, column] == pytest.approx(slope, rel=2e-5, abs=1e-7)


@pytest.mark.parametrize("seed", range(12))
def test_curvatures_are_those_of_finite_differences(seed):
    rng, variance, width = random_criterion(seed)
    flat = LogDeterminant(rng.normal(size=(width, 2, 4)), Weights(np.ones(1), np.full(1, -np.inf)))
    for criterion in (variance, flat):
        y = random_point(rng, criterion, width)
        weights = rng.uniform(0.5, 2.0, criterion.measure(y).values.size)
        second = criterion.measure(y).curvature(weights)
        step = 1e-5
        for column in range(width):
            there, back = y.copy(), y.copy()
            there[column] += step
            back[column] -= step
            change = weights @ (criterion.measure(there).gradient - criterion.measure(back).gradient) / (2 * step)
            assert second[column] == pytest.approx(change, rel=1e-4, abs=1e-6 * max(1.0, np.abs(second).max()))


@pytest.mark.parametrize("seed", range(20))
def test_values_are_convex_and_their_tangent_planes_lie_below(seed):
    rng, variance, width = random_criterion(seed)
    flat = LogDeterminant(rng.normal(size=(width, 2, 4)), Weights(np.ones(1), np.full(1, -np.inf)))
    for criterion in (variance, flat):
        one, other = (random_point(rng, criterion, width) for _ in range(2))
        here, there = criterion.measure(one), criterion.measure(other)
        middle = criterion.measure((one + other) / 2).values
        assert np.all(middle <= (here.values + there.values) / 2 + 1e-10)
        assert here.constants + here.gradient @ one == pytest.approx(here.values, rel=1e-9)
        assert np.all(here.constants + here.gradient @ other <= there.values + 1e-10)
        # The steadier slopes of hardly used blocks are slopes of a plane below as well.
        quiet = one.copy()
        quiet[criterion.count :] *= 1e-4
        moved, _ = (low := criterion.measure(quiet)).idle(np.ones(low.values.size), rng.uniform(0.0, 2.0, width))
        assert np.all(low.constants + moved @ other <= there.values + 1e-10)


@pytest.mark.parametrize("seed", range(10))
def test_values_at_whole_points_are_those_of_the_layout_by_plain_matrices(seed):
    rng, criterion, width = random_criterion(seed)
    picked = np.flatnonzero(rng.random(criterion.count) < 0.5)
    y = np.zeros(width)
    y[picked] = 1.0
    begin = criterion.count
    for block in criterion.blocks:
        used = np.unique(block[picked][block[picked] >= 0])
        y[begin + used] = 1.0
        begin += int(block.max(initial=-1)) + 1
    layout = np.zeros((1, criterion.count))
    layout[0, picked] = 1.0
    own = np.concatenate([variances(part, layout)[0] for part in criterion.parts])
    assert criterion.measure(y).values == pytest.approx(own, rel=1e-9)
    assert criterion.whole(picked) == pytest.approx(own, rel=1e-9)


def small(seed, n):
    rng = np.random.default_rng(seed)
    return rng.normal(size=(n, 1, 3)), rng.integers(1, 10, n).astype(float)


KINDS = [Shortfall(np.eye(3), 0.6), WeightedVariance(np.eye(3)), LogDet()]


def best(factors, price, budget, criterion):
    """Return the value of the best design, to be made small."""
    found = exact_design(factors, np.ones(3), criterion, RowLimits(price[None], [-np.inf], [budget]), gap=1e-5)
    assert found.proved
    return -found.value if isinstance(criterion, LogDet) else found.value


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 7), st.integers(3, 25), st.integers(0, 12), st.sampled_from(KINDS))
def test_a_larger_budget_never_hurts(seed, n, budget, more, criterion):
    factors, price = small(seed, n)
    less = best(factors, price, budget, criterion)
    assert best(factors, price, budget + more, criterion) <= less + 4e-5 * max(1.0, abs(less))


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 7), st.integers(3, 25), st.sampled_from(KINDS))
def test_a_further_candidate_never_hurts(seed, n, budget, criterion):
    factors, price = small(seed, n)
    fewer = best(factors[:-1], price[:-1], budget, criterion)
    assert best(factors, price, budget, criterion) <= fewer + 4e-5 * max(1.0, abs(fewer))


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10**6), st.integers(4, 7), st.integers(3, 25), st.sampled_from(KINDS))
def test_the_order_of_candidates_does_not_matter(seed, n, budget, criterion):
    factors, price = small(seed, n)
    order = np.random.default_rng(seed).permutation(n)
    one = best(factors, price, budget, criterion)
    assert best(factors[order], price[order], budget, criterion) == pytest.approx(one, rel=4e-5, abs=4e-5)
