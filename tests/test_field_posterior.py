"""What records leave unknown of the field, against a dense implementation that knows no factor and no elimination."""

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.field.cells import cell_of
from siting.field.harmonics import harmonics
from siting.field.model import TracerModel
from siting.field.posterior import (
    NEEDED,
    detection_error,
    detection_information,
    detection_probability,
    season_probability,
)
from siting.field.prior import field_prior
from siting.field.targets import ask
from siting.record.air import airs
from siting.record.statistics import inverse_count, mean_variance
from siting.region.schema.air import Mixing, Target
from siting.selection.planning import plan_region

_spec = importlib.util.spec_from_file_location("made_region", Path(__file__).with_name("made_region.py"))
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

CO2 = {"name": "CO2", "unit": "ppm", "scale": "invented"}
BANDS = [
    {"id": "south", "south": -90.0, "north": -30.0},
    {"id": "middle", "south": -30.0, "north": 30.0},
    {"id": "north", "south": 30.0, "north": 90.0},
]
PLANS = [
    {"id": "a", "kind": "analyzer", "method": "laser", "cylinder_life_months": 10.0, "cylinder_drift": 0.1},
    {"id": "f", "kind": "flask", "samples_per_month": 4.35, "method": "glass", "screening_share": 0.6},
    {"id": "c", "kind": "flask", "samples_per_month": 2.5, "method": "glass", "flask_mode": "on_condition"},
    {"id": "b", "kind": "both", "analyzer_plan": "a", "flask_plan": "f"},
    {"id": "p", "kind": "flask_then_analyzer", "analyzer_plan": "a", "flask_plan": "c", "analyzer_after_months": 11},
]
DIRTY = {"contamination_risk": 0.2, "contamination_size": 0.8, "baseline_exposure": 0.4}
SITES = [
    {"id": "both", "lat": 52.0, "lon": -10.0, **DIRTY},
    {"id": "cond", "lat": -20.0, "lon": 60.0, "baseline_exposure": 0.3, "elevation_m": 2000.0},
    {"id": "late", "lat": 20.0, "lon": -155.0, "lead_months": 14, "elevation_m": 3400.0},
    {"id": "near", "lat": 52.005, "lon": -10.0, "elevation_m": 300.0},
    {"id": "phase", "lat": -12.0, "lon": -75.0},
    {"id": "run", "lat": -41.0, "lon": 145.0, "status": "running", "running_since": 2027.5, "running_plan": "f"},
    {"id": "ship", "platform": "ship", "open_months": "2-11",
     "geometry": shapely.LineString([(10.0, 40.0), (20.0, 5.0), (25.0, -30.0)])},
    {"id": "summer", "lat": -75.0, "lon": 20.0, "open_months": "11-2"},
    {"id": "up", "lat": 71.0, "lon": -155.0, "status": "running", "running_since": 2029.0, "running_plan": "f",
     "method": "elder", "plans": "a p"},
]  # fmt: skip
PICKS = [("both", "b", 2030), ("cond", "c", 2030), ("late", "f", 2030), ("near", "a", 2030), ("phase", "p", 2030),
         ("ship", "b", 2030), ("summer", "f", 2031), ("up", "p", 2030)]  # fmt: skip
TARGETS = [
    Target(id="g", kind="realised_growth", goal=0.1),
    Target(id="y", kind="year_growth", year=2031, goal=0.1),
    Target(id="u", kind="underlying_growth", goal=0.1),
    Target(id="d", kind="level_difference", band="north", minus="south", goal=0.1),
    Target(id="s", kind="season", band="north", goal=0.1),
    Target(id="t", kind="season_timing", band="north", goal=0.1),
]


def model_of(sites, *, plans=PLANS, degree=3, bands=BANDS, tracer=CO2, numbers=None, **given):
    region = made.region(sites, plans=plans, bands=bands, tracers=[tracer], **given)
    mixing = Mixing(degree=degree)
    air = airs(region)[0]
    air = dataclasses.replace(air, **numbers) if numbers else air
    return TracerModel(plan_region(region), 0, air, mixing)


def vectors(model, state, targets=TARGETS):
    return [ask(state, model.planning.region, model.air, t).vector for t in targets]


def errors(model, picked, targets=TARGETS):
    layout = model.layout(picked)
    return np.sqrt([layout.given.variance(c) for c in vectors(model, layout.state, targets)])


class Dense:
    """Rows, R, H and P0 of a layout, written out from the region's own numbers (sections 5 and 6 of the design)."""

    def __init__(self, model, picked):
        self.m, self.region, self.air = model, model.planning.region, model.air
        s = self.region.settings
        since = [y for y in self.region.candidates.running_since if y is not None]
        self.older = max(0, int(s.first_year - np.floor(min(since)))) if since else 0
        self.years, self.first = s.years, s.first_year
        self.total = 12 * (self.older + self.years)
        month = np.arange(self.total)
        t = (month + 0.5) / 12 - self.older - self.years / 2
        p = 2 * np.pi * (month % 12 + 0.5) / 12
        self.t = t
        self.f = np.array([np.ones_like(t), t, np.cos(p), np.sin(p), np.cos(2 * p), np.sin(2 * p)]).T
        self.plans = {plan.id: plan for plan in s.plans}
        self.records = self.build_records(picked)
        self.assemble()

    def parts(self, plan):
        if plan.kind in ("analyzer", "flask"):
            return {plan.kind: plan}
        return {"analyzer": self.plans[plan.analyzer_plan], "flask": self.plans[plan.flask_plan]}

    def build_records(self, picked):
        """Return {site: [(plan, months, method, month of the first cylinder)]}."""
        c, d = self.region.candidates, self.m.planning.deployments
        window = 12 * self.older
        out = {}
        for i in range(len(c)):
            if c.status[i] == "running":
                begin = round(12 * (c.running_since[i] - (self.first - self.older)))
                plan = self.plans[c.running_plan[i]]
                months = [m for m in range(self.total) if m >= begin and self.region.open_months[i, m % 12]]
                out[i] = [(part, months, c.method[i] or part.method, begin) for part in self.parts(plan).values()]
        for k in picked:
            i = int(d.candidate[k])
            plan = s_plan = self.region.settings.plans[d.plan[k]]
            first, arrival = window + int(d.first_month[k]), window + int(d.analyzer_month[k])
            there = out.setdefault(i, [])
            kinds = [part.kind for part, *_ in there]
            for kind, part in self.parts(s_plan).items():
                if kind in kinds:
                    continue
                end = arrival if plan.kind == "flask_then_analyzer" and kind == "flask" else self.total
                begin = arrival if kind == "analyzer" else first
                months = [m for m in range(begin, end) if self.region.open_months[i, m % 12]]
                there.append((part, months, part.method, arrival if kind == "analyzer" else 0))
        return out

    def numbers(self, part, i, m):
        """Return own variance, V, chance of an empty month and bias of one month."""
        a, c = self.air, self.region.candidates
        exposure, risk, size = (self.region.exposure[i, m], self.region.risk[0, i, m], self.region.size[0, i, m])
        passing = 1 - part.screening_share
        kept = 1 - risk * (1 - passing)
        spells = exposure * 30.4375 / a.spell_days * c.duty_cycle[i]
        if part.kind == "analyzer":
            n = 730.5 * exposure * c.data_return[i] * c.duty_cycle[i] * kept
            inverse, empty, repeat = 1 / n, 0.0, a.repeatability_analyzer
        else:
            condition = part.flask_mode == "on_condition"
            visits = (min(part.samples_per_month, exposure * 30.4375 / a.spell_days) if condition
                      else part.samples_per_month) * c.duty_cycle[i]  # fmt: skip
            chance = (1.0 if condition else exposure) * c.data_return[i] * kept
            inverse, empty = (float(x) for x in inverse_count(visits, chance))
            repeat = a.repeatability_flask
        v = float(mean_variance(max(1.0, min(1 / inverse, spells)), a.memory_days))
        carried = risk * passing / kept
        own = repeat**2 * inverse + a.calibration_error**2
        own += size**2 * carried * (2 - carried) * float(mean_variance(1 / inverse, a.episode_days))
        return own, v, empty, carried * size

    def place(self, i):
        """Return the variances D (6,) of a place."""
        a, c = self.air, self.region.candidates
        km = c.elevation_m[i] / 1000
        amplitude = np.linalg.norm(a.expected_season(np.array([c.lat[i]]))[0])
        level = a.representation[0] ** 2 + (a.altitude_level_sd * km) ** 2
        level += (a.intake_level_sd * np.exp(-c.intake_m[i] / 30.0)) ** 2
        first = a.representation[2] ** 2 + (a.altitude_damping * km * amplitude) ** 2 / 2
        second = a.representation[2] ** 2 / 4
        return np.array([level, a.representation[1] ** 2, first, first, second, second])

    def contamination(self, i, equipment):
        """Return gamma gamma' + (g mean bias)^2 on growth, fitted to the year's months."""
        bias = np.array([min(self.numbers(e[0], i, m)[3] for e in equipment) for m in range(12)])
        p = 2 * np.pi * (np.arange(12) + 0.5) / 12
        x = np.array([np.ones(12), np.cos(p), np.sin(p), np.cos(2 * p), np.sin(2 * p)]).T
        gamma = np.insert(np.linalg.solve(x.T @ x, x.T @ bias), 1, 0.0)
        out = np.outer(gamma, gamma)
        out[1, 1] += (self.air.local_growth * bias.mean()) ** 2
        return out

    def stops(self, i):
        """Return [(cell, lat, lon, share)] of a way."""
        where = self.m.planning.places
        mine = where.owner == i
        lat, lon, weight = where.lat[mine], where.lon[mine], where.weight[mine]
        out = []
        for cell in sorted(set(cell_of(lat, lon).tolist())):
            inside = cell_of(lat, lon) == cell
            la, lo, w = np.radians(lat[inside]), np.radians(lon[inside]), weight[inside]
            x = np.array(
                [(w * np.cos(la) * np.cos(lo)).sum(), (w * np.cos(la) * np.sin(lo)).sum(), (w * np.sin(la)).sum()]
            )
            x /= np.linalg.norm(x)
            out.append((cell, np.degrees(np.arcsin(x[2])), np.degrees(np.arctan2(x[1], x[0])), w.sum()))
        return out

    def assemble(self):
        a, c, all_years = self.air, self.region.candidates, self.older + self.years
        syn, slow = a.synoptic_sd**2, a.slow_sd**2
        endless = float(mean_variance(np.inf, a.memory_days))
        near = [{"both", "near"}] if {"both", "near"} <= set(c.ids) else []
        methods = sorted({e[2] for equipment in self.records.values() for e in equipment})
        ways = {}
        for i in self.records:
            still = [(int(cell_of(c.lat[i], c.lon[i])), c.lat[i], c.lon[i], 1.0)]
            ways[i] = self.stops(i) if c.platform[i] == "ship" else still
        cells = sorted({stop[0] for way in ways.values() for stop in way})
        groups = [g for g in near if any(c.ids[i] in g for i in self.records)]
        prior = field_prior(self.m.mixing, a)
        n_modes = (self.m.mixing.degree + 1) ** 2
        at_years = 6 * n_modes
        at_levels = at_years + all_years
        at_methods = at_levels + 8 * all_years
        at_cells = at_methods + 2 * len(methods)
        at_places = at_cells + 6 * len(cells)
        n = at_places + 6 * len(groups)
        p0 = np.zeros((n, n))
        p0[:at_years, :at_years] = prior.modes.reshape(at_years, at_years)
        for y in range(all_years):
            p0[at_years + y, at_years + y] = a.growth_anomaly_sd**2
            for j in range(8):
                p0[at_levels + j * all_years + y, at_levels + j * all_years + y] = prior.level_anomaly_sd[j] ** 2
        for k, name in enumerate(methods):
            given_sd = next((x for x in self.region.settings.methods if x.id == name), None)
            offset = given_sd.offset_sd if given_sd and given_sd.offset_sd is not None else a.method_offset_sd
            p0[at_methods + 2 * k, at_methods + 2 * k] = offset**2
            p0[at_methods + 2 * k + 1, at_methods + 2 * k + 1] = a.method_drift_sd**2
        w = self.f[12 * self.older :]
        lag = np.abs(np.subtract.outer(np.arange(len(w)), np.arange(len(w))))
        shared = np.linalg.inv(w.T @ np.linalg.inv(slow * a.slow_phi**lag + syn * endless * np.eye(len(w))) @ w)
        level, growth, season = a.cell**2 + a.beyond**2
        for k in range(len(cells)):
            at = slice(at_cells + 6 * k, at_cells + 6 * k + 6)
            p0[at, at] = shared + np.diag([level, growth, season, season, season / 4, season / 4])
        common = {}
        for k, group in enumerate(groups):
            d = np.min([self.place(c.ids.index(name)) for name in group], axis=0)
            for name in group:
                common[c.ids.index(name)] = (k, d)
            at = slice(at_places + 6 * k, at_places + 6 * k + 6)
            p0[at, at] = np.diag(d)
        blocks, rows = [], []
        for i, equipment in sorted(self.records.items()):
            way = ways[i]
            moving = c.platform[i] == "ship"
            index = [(e, m, s) for e in range(len(equipment)) for m in equipment[e][1] for s in range(len(way))]
            values = {(e, m): self.numbers(equipment[e][0], i, m) for e in range(len(equipment)) for m in range(12)}
            f = np.array([self.f[m] for _, m, _ in index])
            r = np.zeros((len(index), len(index)))
            base = 0.0 if moving else endless
            for x, (e, m, s) in enumerate(index):
                for z, (e2, m2, s2) in enumerate(index):
                    if moving:
                        u = [np.radians(way[q][1:3]) for q in (s, s2)]
                        cosine = np.sin(u[0][0]) * np.sin(u[1][0]) + np.cos(u[0][0]) * np.cos(u[1][0]) * np.cos(
                            u[0][1] - u[1][1]
                        )
                        r[x, z] += (
                            slow * a.slow_phi ** abs(m - m2) * np.exp(-6371.0 * np.arccos(min(1.0, cosine)) / 800.0)
                        )
                    if (m, s) == (m2, s2) and e != e2:
                        least = min(values[q, m % 12][1] for q in range(len(equipment)))
                        r[x, z] += syn * (least - base) / way[s][3]
                own, v, empty, _ = values[e, m % 12]
                lost = empty * (slow + syn * base)
                r[x, x] += (own + syn * (v - base) + lost) / (1 - empty) / way[s][3]
            d = np.diag(self.place(i) - (common[i][1] if i in common else 0.0))
            r += f @ (d + self.contamination(i, equipment)) @ f.T
            for e, (part, _, _, first) in enumerate(equipment):
                if part.kind == "analyzer":
                    life = np.array([np.floor((m - first) / 10.0) if q == e else np.nan for q, m, _ in index])
                    r += np.where(life[:, None] == life[None, :], (0.1 * 10 / 12) ** 2 / 3, 0.0)
            h = np.zeros((len(index), n))
            for x, (e, m, s) in enumerate(index):
                y = harmonics([way[s][1]], [way[s][2]], self.m.mixing.degree)[0]
                h[x, :at_years] = np.outer(y, self.f[m]).ravel()
                for q in range(all_years):
                    begin = q - self.older - self.years / 2
                    h[x, at_years + q] = min(max(self.t[m] - begin, 0.0), 1.0)
                h[x, [at_levels + j * all_years + m // 12 for j in range(8)]] = y[1:9]
                k = at_methods + 2 * methods.index(equipment[e][2])
                h[x, k : k + 2] = self.f[m, :2]
                k = at_cells + 6 * cells.index(way[s][0])
                h[x, k : k + 6] = self.f[m]
                if i in common:
                    k = at_places + 6 * common[i][0]
                    h[x, k : k + 6] = self.f[m]
            blocks.append(r)
            rows.append(h)
        self.p0, self.r, self.h = p0, blocks, rows
        self.at_years, self.at_levels, self.n = at_years, at_levels, n

    def sigma(self):
        """Return (P0^-1 + H' R^-1 H)^-1, scaled to a unit diagonal so that plain inversion keeps its digits."""
        scale = np.sqrt(np.diag(self.p0))
        information = np.linalg.inv(self.p0 / np.outer(scale, scale)) / np.outer(scale, scale)
        for r, h in zip(self.r, self.h, strict=True):
            information = information + h.T @ np.linalg.solve(r, h)
        size = np.sqrt(np.diag(information))
        return np.linalg.inv(information / np.outer(size, size)) / np.outer(size, size)

    def functionals(self):
        """Return the six targets as vectors, by quadrature and by fitted lines."""
        years, older = self.older + self.years, self.older
        window = self.t[12 * older :]
        growth = np.zeros(self.n)
        growth[1] = 1.0
        realised, single = growth.copy(), growth.copy()
        for q in range(years):
            ramp = np.clip(window - (q - older - self.years / 2), 0.0, 1.0)
            realised[self.at_years + q] = np.polyfit(window, ramp, 1)[0]
        single[self.at_years + older + 1] = 1.0
        degree = self.m.mixing.degree

        def mean(south, north):
            x = np.linspace(np.sin(np.radians(south)), np.sin(np.radians(north)), 20_001)
            x = (x[1:] + x[:-1]) / 2
            y = np.mean([harmonics(np.degrees(np.arcsin(x)), np.full(x.size, lo), degree).mean(axis=0)
                         for lo in np.arange(8) * 45.0], axis=0)  # fmt: skip
            return y

        north, south = mean(30.0, 90.0), mean(-90.0, -30.0)
        difference = np.zeros(self.n)
        difference[: self.at_years : 6] = north - south
        for q in range(older, years):
            for j in range(8):
                difference[self.at_levels + j * years + q] = (north - south)[1 + j] / self.years
        x = np.sin(np.radians(np.linspace(30.0, 90.0, 100_001)))
        lat = np.degrees(np.arcsin((x[1:] + x[:-1]) / 2))
        expected = np.average(self.air.expected_season(lat), axis=0, weights=np.diff(x))
        angle, square = np.arctan2(expected[1], expected[0]), expected[0] ** 2 + expected[1] ** 2
        season, timing = np.zeros(self.n), np.zeros(self.n)
        season[2 : self.at_years : 6], season[3 : self.at_years : 6] = (
            2 * np.cos(angle) * north,
            2 * np.sin(angle) * north,
        )
        days = 365.25 / 2 / np.pi / square
        timing[2 : self.at_years : 6], timing[3 : self.at_years : 6] = (
            -days * expected[1] * north,
            days * expected[0] * north,
        )
        return [realised, single, growth, difference, season, timing]


@pytest.fixture(scope="module")
def large():
    model = model_of(SITES, methods=[{"id": "elder", "offset_sd": 0.3}, {"id": "laser"}, {"id": "glass"}])
    return model, made.picks(model.planning, *PICKS)


@pytest.fixture(scope="module")
def large_dense(large):
    return Dense(*large)


def test_all_targets_equal_the_dense_implementation(large, large_dense):
    # Source: plain numpy from the region's own numbers; running stations with older years, an upgrade in two
    # phases, analyzer with flasks, flasks on condition, a season of four months, a late start, a ship, two in a place.
    model, picked = large
    layout = model.layout(picked)
    sigma = large_dense.sigma()
    assert layout.state.size == large_dense.n
    mine = layout.state.root @ layout.state.root.T
    assert mine == pytest.approx(large_dense.p0, rel=1e-9, abs=1e-9)
    for target, c, v in zip(TARGETS, large_dense.functionals(), vectors(model, layout.state), strict=True):
        assert v == pytest.approx(c, abs=1e-4 * np.abs(c).max()), target.kind
        assert layout.given.variance(v) == pytest.approx(v @ sigma @ v, rel=1e-8), target.kind


def test_shares_of_an_error_add_up(large):
    # Source: Sigma = Sigma Lambda Sigma, an identity.
    model, picked = large
    layout = model.layout(picked)
    for c in vectors(model, layout.state):
        blocks, records = layout.given.shares(c)
        assert blocks.sum() + records.sum() == pytest.approx(layout.given.variance(c), rel=1e-10)
        assert blocks.min() >= 0.0
        assert records.min() >= 0.0


def test_a_record_taken_away_is_a_layout_without_it(large):
    # Source: the layout built anew.
    model, picked = large
    layout = model.layout(picked)
    c = np.column_stack(vectors(model, layout.state))
    for number, position in enumerate(layout.position):
        less = errors(model, np.delete(picked, number))
        assert np.sqrt(layout.given.without(position, c)) == pytest.approx(less, rel=1e-8)


def test_the_only_record_taken_away_leaves_the_prior():
    model = model_of([s for s in SITES if s["id"] == "both"])
    layout = model.layout(made.picks(model.planning, ("both", "b", 2030)))
    c = np.column_stack(vectors(model, layout.state))
    assert layout.given.without(0, c) == pytest.approx(errors(model, np.array([], dtype=int)) ** 2, rel=1e-8)


def test_an_instrument_that_runs_already_adds_nothing_and_an_unknown_beginning_is_the_first_year():
    # Source: J(both) - J(running) = 0 when both are the same; the dense implementation knows no older years either.
    sites = [{"id": "r", "lat": 10.0, "lon": 0.0, "status": "running", "running_plan": "f", "plans": "f b"}]
    model = model_of(sites)
    same = model.layout(made.picks(model.planning, ("r", "f", 2030)))
    assert same.position == (None,)
    added = errors(model, made.picks(model.planning, ("r", "b", 2030)))
    fresh = model_of([{"id": "r", "lat": 10.0, "lon": 0.0}])
    assert added == pytest.approx(errors(fresh, made.picks(fresh.planning, ("r", "b", 2030))), rel=1e-8)


def test_a_ship_that_sails_already_has_one_record_for_its_whole_way():
    # Source: a picked ship with the same plan over the same window.
    way = shapely.LineString([(10.0, 40.0), (20.0, 5.0), (25.0, -30.0)])
    ship = {"id": "s", "platform": "ship", "geometry": way}
    new = model_of([ship])
    old = model_of([{**ship, "status": "running", "running_since": 2030.0, "running_plan": "f", "plans": "b"}])
    none = np.array([], dtype=int)
    assert errors(old, none) == pytest.approx(errors(new, made.picks(new.planning, ("s", "f", 2030))), rel=1e-8)
    both = errors(new, made.picks(new.planning, ("s", "b", 2030)))
    assert errors(old, made.picks(old.planning, ("s", "b", 2030))) == pytest.approx(both, rel=1e-8)


def test_an_empty_network_detects_nothing(large):
    # Source: a test at 95 % confidence finds what is not there once in twenty times.
    model, _ = large
    sites = [{k: v for k, v in s.items() if not k.startswith("running")} | {"status": "open"} for s in SITES]
    model = model_of(sites)
    layout = model.layout(np.array([], dtype=int))
    for target in TARGETS:
        one = ask(layout.state, model.planning.region, model.air, target)
        found = detection_information(layout.state, layout.given, one.vector[:, None])
        assert not found.any()
        assert np.isinf(detection_error(float(found[0, 0])))
        assert detection_probability(one.signal, np.inf) == pytest.approx(0.05, abs=1e-12)
        if one.harmonics is not None:
            information = detection_information(layout.state, layout.given, one.harmonics)
            assert season_probability(one.expected, information) == 0.05


def test_detection_does_not_use_the_prior_on_the_target():
    # Source: records alone. With the prior sd of global growth a hundred times as wide the detection error stays.
    model = model_of(SITES)
    picked = made.picks(model.planning, *PICKS)
    wide = dataclasses.replace(model, air=dataclasses.replace(model.air, growth=model.air.growth * 100.0))
    found = []
    for m in (model, wide):
        layout = m.layout(picked)
        c = ask(layout.state, m.planning.region, m.air, TARGETS[2]).vector
        found.append(detection_error(float(detection_information(layout.state, layout.given, c[:, None])[0, 0])))
    assert found[0] == pytest.approx(found[1], rel=1e-6)
    assert found[0] > errors(model, picked)[2]


def test_detection_at_the_needed_ratio_has_the_agreed_power():
    # Source: 90 % power at 95 % confidence: 1.960 + 1.282 (normal tables).
    assert pytest.approx(3.2415, abs=1e-3) == NEEDED
    assert detection_probability(NEEDED, 1.0) == pytest.approx(0.9, abs=1e-4)
    assert detection_probability(-NEEDED, 1.0) == pytest.approx(0.9, abs=1e-4)
    # One harmonic alone: the chi-square with one degree of freedom is the two-sided normal test.
    one = season_probability(np.array([2.0, 0.0, 0.0, 0.0]), np.diag([1.0, 0.0, 0.0, 0.0]))
    assert one == pytest.approx(detection_probability(2.0, 1.0), abs=1e-9)


@given(st.integers(0, 10**6))
@settings(max_examples=15, deadline=None)
def test_more_data_never_raise_a_standard_error(seed):
    # Source: property of conditioning.
    rng = np.random.default_rng(seed)
    sites = [{"id": f"s{k}", "lat": float(rng.uniform(-80, 80)), "lon": float(rng.uniform(0, 12)),
              "baseline_exposure": float(rng.uniform(0.05, 1.0)), "lead_months": int(rng.integers(0, 20)),
              **DIRTY} for k in range(5)]  # fmt: skip
    model = model_of(sites, degree=2)
    d = model.planning.deployments
    offers = [rng.choice(np.flatnonzero(d.candidate == k)) for k in rng.permutation(5)]
    before = errors(model, np.array([], dtype=int))
    for count in range(1, 5):
        after = errors(model, np.sort(offers[:count]))
        assert np.all(after <= before * (1 + 1e-9))
        before = after


def turned(sites, angle):
    return [
        {**s, "geometry": shapely.affinity.translate(s["geometry"], angle)} if "geometry" in s
        else {**s, "lon": (s["lon"] + angle + 180.0) % 360.0 - 180.0}
        for s in sites
    ]  # fmt: skip


def test_a_quarter_turn_of_the_earth_changes_no_number(large):
    # Source: symmetry (section 6 of the design), cells included.
    _model, picked = large
    wanted = errors(model_of(SITES), picked)
    for angle in (90.0, -90.0):
        other = model_of(turned(SITES, angle))
        assert errors(other, made.picks(other.planning, *PICKS)) == pytest.approx(wanted, rel=1e-9)


def test_any_turn_changes_no_number_without_variance_of_cells():
    # Source: symmetry; fixed sites, with nothing that the air of a cell has of its own.
    numbers = {"cell": np.zeros(3), "beyond": np.zeros(3), "slow_sd": 0.0, "synoptic_sd": 0.0}
    sites = [s for s in SITES if s["id"] != "ship"]
    picks = [p for p in PICKS if p[0] != "ship"]
    model, other = (model_of(turned(sites, angle), numbers=numbers) for angle in (0.0, 33.7))
    found = [errors(m, made.picks(m.planning, *picks)) for m in (model, other)]
    assert found[1] == pytest.approx(found[0], rel=1e-9)


def test_the_hemispheres_may_be_swapped():
    # Source: symmetry; places, bands, the expected season (half a year later) and levels are mirrored.
    def mirrored(s):
        if "geometry" in s:
            return {**s, "geometry": shapely.LineString([(x, -y) for x, y in s["geometry"].coords])}
        return {**s, "lat": -s["lat"]}

    model = model_of(SITES)
    season, gradient = model.air.season, model.air.gradient
    later = (season[:, 2] - 1.0 + 6.0) % 12.0 + 1.0
    numbers = {
        "season": np.column_stack([-season[:, 0], season[:, 1], later])[::-1],
        "gradient": np.column_stack([-gradient[:, 0], gradient[:, 1]])[::-1],
    }
    bands = [{"id": "north", "south": -90.0, "north": -30.0}, BANDS[1], {"id": "south", "south": 30.0, "north": 90.0}]
    other = model_of([mirrored(s) for s in SITES], bands=bands, numbers=numbers)
    layouts = [m.layout(made.picks(m.planning, *PICKS)) for m in (model, other)]
    for target in TARGETS:
        one, two = (
            ask(x.state, m.planning.region, m.air, target) for x, m in zip(layouts, (model, other), strict=True)
        )
        assert two.signal == pytest.approx(one.signal, rel=1e-9)
        found = [x.given.variance(c.vector) for x, c in zip(layouts, (one, two), strict=True)]
        assert found[1] == pytest.approx(found[0], rel=1e-9), target.kind


def quiet(sd):
    """A site on the equator over which the air is mixed along the circle at once, so that it sees the global mode.

    Monthly flasks for two years with method errors of `sd`; no other noise, no place of its own; a season of 6.3 ppm
    everywhere and a growth of .75 ppm a year that varies by .5 (the open record of checks.md section 1).
    """
    zero = ("synoptic_sd", "slow_sd", "method_offset_sd", "method_drift_sd", "intake_level_sd", "altitude_level_sd")
    numbers = dict.fromkeys(zero, 0.0) | {name: np.zeros(3) for name in ("representation", "cell", "beyond")}
    numbers |= {"growth": 0.75, "season": np.array([[-90.0, 6.3, 5.0], [90.0, 6.3, 5.0]])}
    plan = {"id": "f", "kind": "flask", "samples_per_month": 1.0, "repeatability": sd, "calibration_error": 0.0}
    site = {"id": "x", "lat": 0.0, "lon": 0.0, "baseline_exposure": 1.0, "data_return": 1.0, "contamination_risk": 0.0}
    model = model_of([site], plans=[plan], numbers=numbers, degree=1, years=2)
    model = dataclasses.replace(model, mixing=Mixing(degree=1, tau_zonal=1e-7))
    layout = model.layout(made.picks(model.planning, ("x", "f", 2030)))
    found = {}
    for target in (TARGETS[0], TARGETS[2], Target(id="s", kind="season", band="middle", goal=0.1)):
        one = ask(layout.state, model.planning.region, model.air, target)
        error = detection_error(float(detection_information(layout.state, layout.given, one.vector[:, None])[0, 0]))
        chance = detection_probability(one.signal, error)
        if one.harmonics is not None:
            information = detection_information(layout.state, layout.given, one.harmonics)
            chance = season_probability(one.expected, information)
        found[one.kind] = (one.signal / error, chance)
    return found


def test_a_method_of_six_ppm_shows_neither_season_nor_growth():
    # Source: common practice, no single source (checks.md section 1, last row).
    found = quiet(6.0)
    assert all(chance < 0.5 for _, chance in found.values())


def test_a_method_of_a_third_of_a_ppm_shows_both():
    # Source: checks.md section 1, last row, computed: realised growth 6.3 sigma, underlying growth 2.0.
    found = quiet(0.3)
    assert found["realised_growth"][0] == pytest.approx(6.3, abs=0.1)
    assert found["realised_growth"][1] > 0.99
    assert found["season"][1] > 0.99
    assert found["underlying_growth"][0] == pytest.approx(2.0, abs=0.1)


def test_ten_analyzers_on_one_islet_learn_little_more_of_growth_than_one():
    # Source: common practice: neighbours breathe the same air; a naive sum would divide by the root of ten.
    sites = [{"id": f"i{k}", "lat": -8.0 + 0.02 * k, "lon": -14.4, "baseline_exposure": 0.8} for k in range(10)]
    model = model_of(sites, plans=[{"id": "a", "kind": "analyzer"}], years=10, numbers={"representation": np.zeros(3)})
    one, ten = (errors(model, made.picks(model.planning, *[(f"i{k}", "a", 2030) for k in range(n)])) for n in (1, 10))
    assert ten[0] <= one[0]
    assert ten[0] > 0.95 * one[0]
    assert ten[0] > 2.0 * one[0] / np.sqrt(10.0)


def test_realised_growth_is_the_slope_of_the_histories_that_the_prior_draws():
    # Source: simulation; lines are fitted to monthly global means summed up month by month, without the season.
    model = model_of(SITES, degree=1)
    layout = model.layout(np.array([], dtype=int))
    axis, state = model.axis, layout.state
    c = vectors(model, state, TARGETS[:1])[0]
    rng = np.random.default_rng(1)
    fine = 600
    for _ in range(20):
        x = state.root @ rng.normal(size=state.size)
        rate = x[1] + np.repeat(x[state.begin("growth_anomalies") :][: axis.all_years], fine)
        history = np.cumsum(rate) / fine
        monthly = history.reshape(-1, fine // 12).mean(axis=1)[12 * axis.older :]
        slope = np.polyfit(np.arange(monthly.size) / 12.0, monthly, 1)[0]
        # Means over a month round the two corners of a year's ramp a little.
        assert slope == pytest.approx(c @ x, abs=2e-3)


def test_simulated_networks_err_as_much_as_the_posterior_says():
    # Source: Monte Carlo, 2,000 worlds with fields, methods and noise drawn from the prior; 4 standard errors.
    sites = [s for s in SITES if s["id"] in ("cond", "late", "run", "summer")]
    model = model_of(sites, degree=2)
    picked = made.picks(model.planning, *[p for p in PICKS if p[0] in ("cond", "late", "summer")])
    layout, dense = model.layout(picked), Dense(model, picked)
    rng = np.random.default_rng(9)
    draws = 2000
    # The global level is free of any target; a narrow one keeps the digits of the estimate.
    x = np.array(layout.state.root @ rng.normal(size=(layout.state.size, draws)))
    x[0] = rng.normal(size=draws)
    sigma = dense.sigma()
    gathered = np.zeros_like(x)
    for r, h in zip(dense.r, dense.h, strict=True):
        y = h @ x + np.linalg.cholesky(r) @ rng.normal(size=(len(r), draws))
        gathered += h.T @ np.linalg.solve(r, y)
    estimate = sigma @ gathered
    for target, c in zip(TARGETS, vectors(model, layout.state), strict=True):
        found = c @ (estimate - x)
        assert found.std() == pytest.approx(np.sqrt(layout.given.variance(c)), rel=4 / np.sqrt(2 * draws)), target.kind
        assert abs(found.mean()) < 4 * found.std() / np.sqrt(draws)


def test_a_fitted_peak_to_trough_is_biased_upward_and_the_season_at_expected_dates_is_not():
    # Source: delta method against simulation of estimates with the errors that the records alone leave.
    plans = [{"id": "f", "kind": "flask", "samples_per_month": 2.0, "repeatability": 1.5}]
    sites = [{"id": f"s{k}", "lat": -45.0 - 10 * k, "lon": 90.0 * k} for k in range(3)]
    model = model_of(sites, plans=plans, degree=2)
    layout = model.layout(made.picks(model.planning, *[(f"s{k}", "f", 2030) for k in range(3)]))
    one = ask(layout.state, model.planning.region, model.air, Target(id="s", kind="season", band="south", goal=0.1))
    covariance = np.linalg.inv(detection_information(layout.state, layout.given, one.harmonics))
    rng = np.random.default_rng(10)
    seen = rng.multivariate_normal(one.expected, covariance, 4000)
    t = 2 * np.pi * np.arange(365) / 365
    curve = seen @ np.array([np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)])
    fitted = curve.max(axis=1) - curve.min(axis=1)
    true = one.expected @ np.array([np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)])
    angle = np.arctan2(one.expected[1], one.expected[0])
    at_dates = 2 * (seen[:, 0] * np.cos(angle) + seen[:, 1] * np.sin(angle))
    assert true.max() - true.min() == pytest.approx(one.signal, rel=1e-3)
    error = at_dates.std()
    assert at_dates.mean() == pytest.approx(one.signal, abs=4 * error / np.sqrt(4000))
    d = np.array([2 * np.cos(angle), 2 * np.sin(angle), 0.0, 0.0])
    assert error == pytest.approx(np.sqrt(d @ covariance @ d), rel=4 / np.sqrt(8000))
    assert fitted.mean() > one.signal + 10 * fitted.std() / np.sqrt(4000)


def test_a_target_that_loads_on_the_global_level_is_refused(large, monkeypatch):
    # Source: the prior of the global level is arbitrary (section 6 of the design).
    model, _ = large
    state = model.empty()
    assert all(c[0] == 0.0 for c in vectors(model, state))
    level = np.eye(1, state.mode_count)[0]
    monkeypatch.setattr("siting.field.targets._growth_vector", lambda s: s.field_vector(level, 0))
    with pytest.raises(ValueError, match="target 'u' loads on the global level"):
        ask(state, model.planning.region, model.air, TARGETS[2])
