"""Every rule read straight from its sentence, over all subsets of deployments at once; used by several tests.

Nothing here comes from siting.selection: distances are PROJ geodesics between positions, money is exact
decimal arithmetic, and a rule is judged on a table of subsets (rows) by deployments (columns).
"""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

import numpy as np
from pyproj import Geod

from siting.geography.tracks import positions

GEOD = Geod(ellps="WGS84")
LARGE = 10**9


def subsets(count):
    """Return all subsets of `count` things as a table (2**count, count) of True and False."""
    return (np.arange(2**count)[:, None] >> np.arange(count)) & 1 == 1


class Reading:
    """What the sentences need to know of a region and its deployments."""

    def __init__(self, region, deployments):
        self.region, self.d = region, deployments
        self.s, self.c = region.settings, region.candidates
        self.n = len(self.c)
        self.at = [positions(shape) for shape in self.c.geometry]
        kinds = [self.s.plans[p].kind for p in deployments.plan]
        self.analyzer = np.array([k in ("analyzer", "both", "flask_then_analyzer") for k in kinds], dtype=bool)
        self.flask = np.array([k in ("flask", "both", "flask_then_analyzer") for k in kinds], dtype=bool)
        self.site = np.asarray(deployments.candidate)
        by_id = {plan.id: plan.kind for plan in self.s.plans}
        self.runs = [status == "running" for status in self.c.status]
        # A running station without a plan has flasks.
        kind = [by_id.get(plan or "", "flask") for plan in self.c.running_plan]
        self.runs_analyzer = [r and k in ("analyzer", "both") for r, k in zip(self.runs, kind, strict=True)]
        self.runs_flask = [r and k in ("flask", "both") for r, k in zip(self.runs, kind, strict=True)]
        # Without legs: so many batches are away as visits fall into the time away.
        visits = self.c.visits_per_year[self.site]
        away = 365.25 / visits + 2 * self.s.laboratory.way_days + self.s.laboratory.turnaround_days
        batches = np.ceil(np.round(away * visits / 365.25, 9))
        peak = np.ceil(np.round(deployments.full_year_flasks / visits * batches, 9))
        self.peaks = np.where(deployments.travelling > 0, peak[:, None], 0).astype(int)
        self._km = {}

    def km(self, i, j):
        """Geodesic between the nearest positions of two candidates."""
        key = (min(i, j), max(i, j))
        if key not in self._km:
            a, b = self.at[i], self.at[j]
            pairs = [(p, q) for p in range(a.lat.size) for q in range(b.lat.size)]
            p, q = (np.array(side) for side in zip(*pairs, strict=True))
            self._km[key] = float(GEOD.inv(a.lon[p], a.lat[p], b.lon[q], b.lat[q])[2].min() / 1000.0)
        return self._km[key]

    def share(self, i, band):
        """Share of a candidate's time in a band, in whole thousandths."""
        return round(1000.0 * self.time_in(i, band))

    def time_in(self, i, band):
        """Share of a candidate's time in a band."""
        here = self.at[i]
        inside = (here.lat >= band.south) & ((here.lat < band.north) | (band.north == 90.0))
        return float(here.weight[inside].sum())

    # -- each rule as a column of truths over subsets X ---------------------------------------------

    def sites_in(self, X, wanted):
        """Say (S, n) which candidates have a picked deployment among the wanted ones."""
        table = np.zeros((X.shape[0], self.n), dtype=bool)
        for k in np.flatnonzero(wanted):
            table[:, self.site[k]] |= X[:, k]
        return table

    def one_each(self, X):
        counts = np.zeros((X.shape[0], self.n), dtype=int)
        for k in range(X.shape[1]):
            counts[:, self.site[k]] += X[:, k]
        return (counts <= 1).all(axis=1)

    def bought(self, X):
        """Analyzers to be bought (S, Y): what is in the field beyond stock less spare, when first needed."""
        free = self.s.stock.analyzers - self.s.stock.spare_analyzers
        beyond = np.maximum(0, X.astype(np.int64) @ self.d.analyzers - free)
        bought, so_far = np.zeros_like(beyond), np.zeros(X.shape[0], dtype=np.int64)
        for y in range(beyond.shape[1]):
            bought[:, y] = np.maximum(0, beyond[:, y] - so_far)
            so_far += bought[:, y]
        return bought

    def price(self, y):
        """Price of one analyzer in a year, in whole cents, half up."""
        b = self.s.budget
        rate = (1 + Decimal(str(b.contingency))) * (1 + Decimal(str(b.overhead)))
        exact = Decimal(str(self.s.stock.buy_price)) * 100 * rate * (1 + Decimal(str(b.price_growth))) ** y
        return int(exact.quantize(Decimal(1), rounding=ROUND_HALF_UP))

    def spent(self, X):
        """Money (S, Y) in cents, bought analyzers in."""
        money = X.astype(np.int64) @ self.d.cost_cents.sum(axis=2)
        if self.s.stock.buy_price is not None:
            money = money + self.bought(X) * np.array([self.price(y) for y in range(self.s.years)])
        return money

    def rules(self, X, *, stock_rule=True):
        """Return {label as messages carry it: (kind, truths (S,))} of every rule of the region.

        Without the rule on analyzers in stock none need be bought, so none are paid (`stock_rule`).
        """
        s = self.s
        spent = self.spent(X) if stock_rule else X.astype(np.int64) @ self.d.cost_cents.sum(axis=2)
        found = {"budget.total": ("budget", spent.sum(axis=1) <= round(s.budget.total * 100))}
        if s.budget.per_year is not None:
            yearly = s.budget.per_year
            yearly = list(yearly) if isinstance(yearly, tuple) else [yearly] * s.years
            for y in range(s.years):
                label = f"budget.per_year, {s.first_year + y}"
                if s.budget.carry_over:
                    good = spent[:, : y + 1].sum(axis=1) <= sum(round(100 * v) for v in yearly[: y + 1])
                    found[label] = ("per_year, carried over", good)
                else:
                    found[label] = ("per_year, each alone", spent[:, y] <= round(100 * yearly[y]))
        allowed = s.stock.buy_most if s.stock.buy_price is not None else 0
        if self.analyzer.any():
            found["stock.analyzers"] = ("analyzers", self.bought(X).sum(axis=1) <= allowed)
        if s.stock.flasks is not None:
            found["stock.flasks"] = ("flasks", (X.astype(int) @ self.peaks <= s.stock.flasks).all(axis=1))
        if s.laboratory.samples_per_year is not None:
            use = X.astype(int) @ self.d.laboratory
            found["laboratory.samples_per_year"] = ("laboratory", (use <= s.laboratory.samples_per_year).all(axis=1))
        there = self.sites_in(X, np.ones(X.shape[1], dtype=bool))
        for i, status in enumerate(self.c.status):
            if status == "required":
                found[f"status required: {self.c.ids[i]}"] = ("required", there[:, i])
        for number, rule in enumerate(s.rules):
            label = rule.name or f"{rule.kind} (rule {number + 1})"
            for name, good in getattr(self, f"_{rule.kind}")(X, rule, label):
                found[name] = (rule.kind, good)
        return found

    def hold(self, X, labels):
        """Say which subsets (S,) keep to all of some rules, given by their labels."""
        table = self.rules(X, stock_rule="stock.analyzers" in labels)
        return np.logical_and.reduce([np.ones(len(X), dtype=bool), *(table[name][1] for name in labels)])

    def clash_faults(self, X, clash):
        """Return what is wrong with a set of clashing rules: it can hold, or a part of it already clashes."""
        if not clash:
            return ["empty"]
        faults = ["it can hold"] if self.hold(X, clash).any() else []
        parts = [(name, [other for other in clash if other != name]) for name in clash]
        return faults + [f"it clashes without {name}" for name, rest in parts if not self.hold(X, rest).any()]

    def _instrument(self, name):
        return {"analyzer": self.analyzer, "flask": self.flask, None: np.ones(len(self.site), dtype=bool)}[name]

    def _running(self, name):
        return {"analyzer": self.runs_analyzer, "flask": self.runs_flask, None: self.runs}[name]

    def _counted(self, X, rule):
        there = self.sites_in(X, self._instrument(rule.instrument))
        if not rule.new_only:
            there = there | np.array(self._running(rule.instrument))
        meant = [
            (not rule.sites or self.c.ids[i] in rule.sites) and (rule.group is None or rule.group in self.c.group[i])
            for i in range(self.n)
        ]
        return there[:, meant].sum(axis=1)

    def _at_most(self, X, rule, label):
        # Running stations that are too many among themselves leave room for none, but break nothing.
        count = self._counted(X, rule)
        yield label, count <= max(rule.count, self._counted(np.zeros((1, X.shape[1]), dtype=X.dtype), rule)[0])

    def _at_least(self, X, rule, label):
        yield label, self._counted(X, rule) >= rule.count

    def _only_with(self, X, rule, label):
        there = self.sites_in(X, self._instrument(None))
        a, b = self.c.ids.index(rule.site), self.c.ids.index(rule.needs)
        yield label, ~there[:, a] | there[:, b] | (self.c.status[b] == "running")

    def _band_at_least(self, X, rule, label):
        for band in self.s.bands:
            if rule.band not in ("each", band.id) or (rule.band == "each" and not band.coverage):
                continue
            there = self.sites_in(X, self._instrument(rule.instrument)) | np.array(self._running(rule.instrument))
            shares = np.array([self.share(i, band) for i in range(self.n)])
            name = f"{label}, band {band.id}" if rule.band == "each" else label
            yield name, there @ shares >= round(1000 * rule.count)

    def _spacing(self, X, rule, label):
        good = np.ones(X.shape[0], dtype=bool)
        for instrument in (rule.instrument,) if rule.instrument else ("analyzer", "flask"):
            new = self.sites_in(X, self._instrument(instrument))
            runs = self._running(instrument)
            for i in range(self.n):
                # A new instrument beside a running one of the same kind is 0 km from it.
                if runs[i]:
                    good &= ~new[:, i]
                for j in range(self.n):
                    if i != j and self.km(i, j) < rule.km:
                        good &= ~(new[:, i] & (new[:, j] | runs[j]))
        yield label, good

    def _comparison(self, X, rule, label):
        km = self.s.pair_km if rule.km is None else rule.km
        new = self.sites_in(X, self.analyzer)
        # Flasks that stop when the analyzer comes compare nothing.
        plans = [self.s.plans[p] for p in self.d.plan]
        stop = np.array([p.kind == "flask_then_analyzer" and not p.flasks_go_on for p in plans], dtype=bool)
        flasks = self.sites_in(X, self.flask & ~stop) | np.array(self.runs_flask)
        near = np.array([[i == j or (km > 0 and self.km(i, j) <= km) for j in range(self.n)] for i in range(self.n)])
        compared = flasks @ near.T
        if rule.count == "all":
            yield label, (compared | ~new).all(axis=1)
        else:
            yield label, (compared & (new | np.array(self.runs_analyzer))).sum(axis=1) >= rule.count

    def _at_most_sites(self, X, rule, label):
        yield label, X.sum(axis=1) <= rule.count

    # -- score --------------------------------------------------------------------------------------

    def value(self, X):
        """Worth of each deployment (left x (score - worth_from), nine decimals) plus coverage of the bands."""
        s, d = self.s, self.d
        worth = X @ np.round(d.left * (d.score - s.score.worth_from), 9)
        for band in s.bands:
            if not band.coverage:
                continue
            area = (np.sin(np.radians(band.north)) - np.sin(np.radians(band.south))) / 2.0
            points = s.score.coverage_weight * area
            open_mean = [
                float(self.region.exposure[i][self.region.open_months[i]].mean())
                if self.region.open_months[i].any()
                else 0.0
                for i in range(self.n)
            ]
            counts = [value >= s.score.counts_from - 1e-12 for value in open_mean]
            stands = sum(self.share(i, band) for i in range(self.n) if self.runs[i] and counts[i])
            fresh = [
                round(1000.0 * d.left[k] * self.time_in(i, band)) if counts[i] and not self.runs[i] else 0
                for k, i in enumerate(self.site)
            ]
            gained = X.astype(np.int64) @ np.array(fresh, dtype=np.int64)
            table = {int(g): _harmonic((stands + g) / 1000) - _harmonic(stands / 1000) for g in np.unique(gained)}
            worth = worth + points * np.array([table[int(g)] for g in gained])
        return worth


def _harmonic(x):
    """1 + 1/2 + 1/3 + ... linear between whole counts."""
    total, k = 0.0, 1
    while x > 0:
        total += min(1.0, x) / k
        x, k = x - 1.0, k + 1
    return total


def best_subset(X, allowed, value, cost=None):
    """Return (best value, picked positions, number of equal optima); of equals the cheapest, then the earlier ids."""
    rows = np.flatnonzero(allowed)
    if rows.size == 0:
        return None, (), 0
    best = value[rows].max()
    equal = rows[value[rows] >= best - 1e-9 * max(1.0, abs(best))]
    cost = np.zeros(len(X)) if cost is None else cost
    picked = max(equal, key=lambda r: (-cost[r], *X[r]))
    return float(best), tuple(int(k) for k in np.flatnonzero(X[picked])), equal.size
