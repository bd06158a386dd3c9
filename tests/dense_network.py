"""A dense implementation of records and field for tests: plain numpy, no factors, no elimination; and its region.

All places are invented. Load it as made_region.py is loaded.
"""

import dataclasses
import importlib.util
from pathlib import Path

import numpy as np
import scipy.linalg
import shapely

from siting.field.cells import cell_of
from siting.field.harmonics import harmonics
from siting.field.model import TracerModel
from siting.field.prior import field_prior
from siting.field.targets import ask
from siting.planning import plan_region
from siting.record.air import airs
from siting.record.own import OwnNoise
from siting.record.statistics import inverse_count, mean_variance
from siting.region.schema.air import Mixing, Target

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


def model_of(sites, *, plans=PLANS, degree=3, bands=BANDS, tracer=CO2, numbers=None, own=(), **given):
    region = made.region(sites, plans=plans, bands=bands, tracers=[tracer], **given)
    mixing = Mixing(degree=degree)
    air = airs(region)[0]
    air = dataclasses.replace(air, **numbers) if numbers else air
    told = tuple(OwnNoise(name, tuple(sorted(values.items()))) for name, values in sorted(dict(own).items()))
    return TracerModel(plan_region(region), 0, air, mixing, own=told)


def vectors(model, state, targets=TARGETS):
    return [ask(state, model.planning.region, model.air, t).vector for t in targets]


def errors(model, picked, targets=TARGETS):
    layout = model.layout(picked)
    return np.sqrt([layout.given.variance(c) for c in vectors(model, layout.state, targets)])


class Dense:
    """Rows, R, H and P0 of a layout, written out from the region's own numbers."""

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
        self.own = {one.id: dict(one.values) for one in model.own}
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
                out[i] = [
                    (part, self.worked(part, i, months), c.method[i] or part.method, begin)
                    for part in self.parts(plan).values()
                ]
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
                there.append((part, self.worked(part, i, months), part.method, arrival if kind == "analyzer" else 0))
        # What never has a row is not there.
        left = {i: [e for e in equipment if e[1]] for i, equipment in out.items()}
        return {i: equipment for i, equipment in left.items() if equipment}

    def share(self, part, i, m):
        """Return the share of a month of the axis that an instrument works; older years are history."""
        told = self.region.working[0 if part.kind == "analyzer" else 1]
        month = m - 12 * self.older
        return float(told[i, month]) if told.size and month >= 0 else 1.0

    def worked(self, part, i, months):
        return [m for m in months if self.share(part, i, m) > 0.0]

    def noise(self, i):
        """Return synoptic variance, memory, slow variance and phi of the air at a site, its own before the tracer's."""
        a, own = self.air, self.own.get(self.region.candidates.ids[i], {})
        syn, memory, slow, phi = (
            own.get(name, getattr(a, name)) for name in ("synoptic_sd", "memory_days", "slow_sd", "slow_phi")
        )
        return syn**2, memory, slow**2, phi

    def cell_noise(self, cell):
        """Return least slow variance with its phi, least syn^2 V(inf) and latest first month of all candidates."""
        c = self.region.candidates
        inside = [i for i in range(len(c)) if cell in {stop[0] for stop in self.way(i)}]
        slow, phi = min(self.noise(i)[2:] for i in inside)
        endless = min(self.noise(i)[0] * float(mean_variance(np.inf, self.noise(i)[1])) for i in inside)
        return slow, phi, endless, max(self.first_month(i) for i in inside)

    def first_month(self, i):
        """Return the first month that a site can have: that of the window, or an earlier one of a running station."""
        c, window = self.region.candidates, 12 * self.older
        since = c.running_since[i] if c.status[i] == "running" else None
        return window if since is None else min(window, round(12 * (since - (self.first - self.older))))

    def common_air(self, i, cell):
        """Return the error of the six coefficients that the cell carries for a site and its record leaves out.

        C_s of the cell, or what endless samples of the site's own air over its own months would leave, where
        that is less: the least of both in the axes that make both diagonal.
        """
        shared = self.endless_samples(*self.cell_noise(cell))
        syn, memory, slow, phi = self.noise(i)
        own = self.endless_samples(slow, phi, syn * float(mean_variance(np.inf, memory)), self.first_month(i))
        ratio, w = scipy.linalg.eigh(shared, own)
        return own @ w @ np.diag(np.minimum(1.0, ratio)) @ w.T @ own

    def endless_samples(self, slow, phi, endless, begin):
        f = self.f[begin:]
        lag = np.abs(np.subtract.outer(np.arange(len(f)), np.arange(len(f))))
        return np.linalg.inv(f.T @ np.linalg.inv(slow * phi**lag + endless * np.eye(len(f))) @ f)

    def way(self, i):
        c = self.region.candidates
        still = [(int(cell_of(c.lat[i], c.lon[i])), c.lat[i], c.lon[i], 1.0)]
        return self.stops(i) if c.platform[i] == "ship" else still

    def numbers(self, part, i, m, worked=1.0):
        """Return own variance, V, chance of an empty month and bias of one calendar month worked in part."""
        a, c = self.air, self.region.candidates
        exposure, risk, size = (self.region.exposure[i, m], self.region.risk[0, i, m], self.region.size[0, i, m])
        passing = 1 - part.screening_share
        kept = 1 - risk * (1 - passing)
        spells = exposure * 30.4375 / a.spell_days * c.duty_cycle[i]
        if part.kind == "analyzer":
            n = 730.5 * exposure * c.data_return[i] * c.duty_cycle[i] * kept * worked
            spells *= worked
            inverse, empty, repeat = 1 / n, 0.0, a.repeatability_analyzer
        else:
            condition = part.flask_mode == "on_condition"
            visits = (min(part.samples_per_month, exposure * 30.4375 / a.spell_days) if condition
                      else part.samples_per_month) * c.duty_cycle[i] * worked  # fmt: skip
            chance = (1.0 if condition else exposure) * c.data_return[i] * kept
            inverse, empty = (float(x) for x in inverse_count(visits, chance))
            repeat = a.repeatability_flask
        v = float(mean_variance(max(1.0, min(1 / inverse, spells)), self.noise(i)[1]))
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
        near = [{"both", "near"}] if {"both", "near"} <= set(c.ids) else []
        methods = sorted({e[2] for equipment in self.records.values() for e in equipment})
        ways = {i: self.way(i) for i in self.records}
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
        level, growth, season = a.cell**2 + a.beyond**2
        for k, cell in enumerate(cells):
            shared = self.endless_samples(*self.cell_noise(cell))
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
            values = {
                (e, m): self.numbers(equipment[e][0], i, m % 12, self.share(equipment[e][0], i, m))
                for e in range(len(equipment))
                for m in equipment[e][1]
            }
            f = np.array([self.f[m] for _, m, _ in index])
            r = np.zeros((len(index), len(index)))
            syn, _, slow, phi = self.noise(i)
            for x, (e, m, s) in enumerate(index):
                for z, (e2, m2, s2) in enumerate(index):
                    if moving:
                        u = [np.radians(way[q][1:3]) for q in (s, s2)]
                        cosine = np.sin(u[0][0]) * np.sin(u[1][0]) + np.cos(u[0][0]) * np.cos(u[1][0]) * np.cos(
                            u[0][1] - u[1][1]
                        )
                        r[x, z] += slow * phi ** abs(m - m2) * np.exp(-6371.0 * np.arccos(min(1.0, cosine)) / 800.0)
                    else:
                        r[x, z] += slow * phi ** abs(m - m2)
                    if (m, s) == (m2, s2) and e != e2:
                        least = min(values[q, m][1] for q in range(len(equipment)))
                        r[x, z] += syn * least / way[s][3]
                own, v, empty, _ = values[e, m]
                r[x, x] += (own + syn * v + empty * slow) / (1 - empty) / way[s][3]
            if not moving:
                r -= f @ self.common_air(i, way[0][0]) @ f.T
            d = np.diag(self.place(i) - (common[i][1] if i in common else 0.0))
            r += f @ (d + self.contamination(i, equipment)) @ f.T
            for e, (part, _, _, first) in enumerate(equipment):
                if part.kind == "analyzer" and part.cylinder_drift:
                    lasts = part.cylinder_life_months
                    life = np.array([np.floor((m - first) / lasts) if q == e else np.nan for q, m, _ in index])
                    drift = (part.cylinder_drift * lasts / 12) ** 2 / 3
                    r += np.where(life[:, None] == life[None, :], drift, 0.0)
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
