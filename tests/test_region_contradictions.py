"""Contradictions that one look shows: settings against each other, rules and candidates against each other."""

import pytest

TOML_CASES = [
    # plans
    ('kind = "both"', 'kind = "flask_then_analyzer"', "plan 'both', analyzer_after_months",
     "a plan of kind flask_then_analyzer needs it", "give the months of flasks before the analyzer comes"),
    ('analyzer_plan = "line"', "", "plan 'both', analyzer_plan", "a plan of kind both needs it",
     "name a plan of kind analyzer"),
    ('analyzer_plan = "line"', 'analyzer_plan = "lnie"', "plan 'both', analyzer_plan",
     "no plan of kind analyzer has this name", "write 'line'"),
    ('analyzer_plan = "line"', 'analyzer_plan = "weekly"', "plan 'both', analyzer_plan", "is a plan of kind flask",
     "name a plan of kind analyzer"),
    ('analyzer_plan = "line"', 'analyzer_plan = "both"', "plan 'both', analyzer_plan", "is a plan of kind both",
     "name a plan of kind analyzer"),
    ('kind = "analyzer"', 'kind = "analyzer"\nflask_plan = "weekly"', "plan 'line', flask_plan",
     "a plan of kind analyzer has no parts", "take it out"),
    ("samples_per_month = 4.35", "", "plan 'weekly', samples_per_month", "a flask plan needs it",
     "give samples a month, such as 4.35 for one a week"),
    ('kind = "analyzer"', 'kind = "analyzer"\nsamples_per_month = 2', "plan 'line', samples_per_month",
     "a plan of kind analyzer takes no samples itself", "take it out"),
    ('kind = "both"', 'kind = "both"\nsamples_per_month = 2', "plan 'both', samples_per_month",
     "a plan of kind both takes no samples itself", "take it out; it stands in the flask plan"),
    ('kind = "both"', 'kind = "both"\nflasks_go_on = true', "plan 'both', flasks_go_on",
     "has no meaning in a plan of kind both", "take it out"),
    ('kind = "analyzer"', 'kind = "analyzer"\nanalyzer_after_months = 3', "plan 'line', analyzer_after_months",
     "has no meaning in a plan of kind analyzer", "take it out"),
    ('method = "glass"', 'method = "glas"', "plan 'weekly', method", "no method of this name", "write 'glass'"),
    ('kind = "analyzer"', 'kind = "analyzer"\ngases = ["CH4", "SF6"]', "plan 'line', gases no. 2",
     "no tracer of this name", "name a tracer of the region, or add it under [[tracers]]"),
    # names
    ('id = "both"', 'id = "Weekly"', "plan 'Weekly', id", "an earlier one has this id already ('weekly')",
     "rename one of the two"),
    ('name = "CO2"', 'name = "ch4"', "tracer 'ch4', name", "an earlier one has this name already ('CH4')",
     "rename one of the two"),
    ('id = "north"', 'id = "south"', "band 'south', id", "an earlier one has this id already ('south')",
     "rename one of the two"),
    ('band = "each"', 'band = "each"\nname = "few"', "rule 'few', name",
     "an earlier one has this name already ('few')", "rename one of the two"),
    # money and stock
    ("per_year = 40000.0", "per_year = [1, 2, 3]", "budget, per_year", "there must be one number for each year",
     "give one for each year"),
    ("spare_analyzers = 1", "spare_analyzers = 3", "stock, spare_analyzers",
     "more spare analyzers than there are analyzers", "count the spare ones in `analyzers`, or lower it"),
    ("years = 4", "years = 4\nlast_start_year = 2034", "last_start_year", "not in the window",
     "name a year of the window, or change first_year or years"),
    # score
    ("[stock]", "[score.weights]\nhost = 0.2\n\n[stock]", "score, weights", "the weights do not sum to 1",
     "give all five: exposure, contamination, clean_samples, data_return, host"),
    ("[stock]", "[score.values]\nhost = [[0, 0], [0.5, 1], [0.5, 1]]\n\n[stock]", "score, values, host",
     "the first numbers of the pairs do not rise", "sort them, each attribute once"),
    # bands
    ("south = -90.0\nnorth = 0.0", "south = 0.0\nnorth = -90.0", "band 'south', south",
     "does not lie south of the northern edge", "swap the two edges"),
    ("south = 0.0\nnorth = 90.0", "south = -10.0\nnorth = 90.0", "band 'north'",
     "overlaps band 'south' (-90 to 0)", "move an edge, or set coverage = false"),
    # targets
    ('kind = "realised_growth"', 'kind = "season"', "target 'growth', band", "a target of kind season needs it",
     "add it"),
    ('kind = "realised_growth"', 'kind = "year_growth"', "target 'growth', year",
     "a target of kind year_growth needs it", "add it"),
    ('kind = "realised_growth"', 'kind = "year_growth"\nyear = 2034', "target 'growth', year", "not in the window",
     "name a year of the window, or change first_year or years"),
    ('kind = "realised_growth"', 'kind = "level_difference"\nband = "north"\nminus = "north"',
     "target 'growth', minus", "a band has no difference against itself", "name the other band"),
    ('kind = "realised_growth"', 'kind = "season"\nband = "nort"', "target 'growth', band",
     "no band of this name", "write 'north'"),
    ('kind = "realised_growth"', 'kind = "realised_growth"\ntracer = "CH5"', "target 'growth', tracer",
     "no tracer of this name", "write 'CH4'"),
    # rules alone
    ('band = "each"', 'band = "norht"', "rule 2 (band_at_least), band", "no band of this name", "write 'north'"),
    ('band = "each"\ncount = 1', 'band = "each"\ncount = 1.2345', "rule 2 (band_at_least), count",
     "finer than a thousandth", "write 1.234"),
    ('kind = "band_at_least"\nband = "each"\ncount = 1', 'kind = "comparison"\ncount = -1',
     "rule 2 (comparison), count", "out of range", "check the number"),
]  # fmt: skip


def test_rates_that_leave_no_room_for_whole_hundredths_of_money_are_refused(make_region):
    """Eight years of doubling prices make the last one 2^7 = 128 times as dear."""
    maker = make_region().setting("years = 4", "years = 8").setting("per_year = 40000.0", "price_growth = 1.0")
    (fault,) = maker.faults()
    assert fault.field == "budget, price_growth"
    assert fault.problem == "with contingency and overhead it makes prices 128 times as high in the last year"


@pytest.mark.parametrize(("old", "new", "field", "problem", "mend"), TOML_CASES)
def test_settings_that_contradict_each_other_are_named_once(make_region, old, new, field, problem, mend):
    maker = make_region().setting(old, new)
    (fault,) = maker.faults()
    assert (fault.file, fault.field, fault.problem, fault.mend) == ("region.toml", field, problem, mend)
    assert fault.allowed
    table = new.split("\n")[0] if new else old
    assert fault.row is not None
    assert abs(fault.row - (maker.line_of(table) if new else fault.row)) <= 6


def test_the_whole_sentence_names_file_line_setting_value_allowed_and_mend(make_region):
    maker = make_region().setting("spare_analyzers = 1", "spare_analyzers = 3")
    assert maker.sentences() == [
        f"region.toml, line {maker.line_of('spare_analyzers')}, stock, spare_analyzers: more spare analyzers than "
        "there are analyzers (found '3'); allowed: 0 to 2; mend: count the spare ones in `analyzers`, or lower it"
    ]


def test_every_count_in_thousandths_is_fine_enough(make_region):
    for thousandths in range(1, 1000, 7):
        maker = make_region().setting('band = "each"\ncount = 1', f'band = "each"\ncount = {thousandths / 1000}')
        assert maker.sentences() == []


@pytest.mark.parametrize(
    "change",
    [
        lambda m: m.append('[[bands]]\nid = "tropics"\nsouth = -30.0\nnorth = 30.0\ncoverage = false'),
        lambda m: m.append("[score.weights]\nexposure = 0.35\ncontamination = 0.25\nclean_samples = 0.2\n"
                           "data_return = 0.1\nhost = 0.1"),
        lambda m: m.setting('method = "glass"\n', 'method = "other"\n').setting('[[methods]]\nid = "glass"\n', ""),
        lambda m: m.setting('kind = "both"', 'kind = "flask_then_analyzer"\nanalyzer_after_months = 12'),
        lambda m: m.append('[[rules]]\nkind = "comparison"\ncount = "all"'),
        lambda m: m.append('[[rules]]\nkind = "spacing"\nkm = 300.0'),
        lambda m: m.append('[[rules]]\nkind = "only_with"\nsite = "brisa"\nneeds = "corvo"'),
        lambda m: m.append('[[rules]]\nkind = "only_with"\nsite = "alba"\nneeds = "dusk"'),
        lambda m: m.append('[[rules]]\nkind = "at_least"\ncount = 2\ngroup = "isles"'),
        lambda m: m.append('[[rules]]\nkind = "at_most_sites"\ncount = 1'),
        lambda m: m.setting("count = 3", "count = 1"),
        lambda m: m.setting("count = 3", 'count = 0\ninstrument = "analyzer"'),
        lambda m: m.setting("years = 4", "years = 4\nlast_start_year = 2033"),
    ],
)  # fmt: skip
def test_what_only_looks_like_a_contradiction_is_let_through(make_region, change):
    maker = make_region()
    change(maker)
    assert maker.sentences() == []


RULES = [
    ("at_most", 'count = 0\ngroup = "isles"', "count", "1 of the candidates meant are required: brisa",
     "raise count, or require fewer"),
    ("at_most", 'count = 0\nsites = ["alba", "brisa"]', "count", "1 of the candidates meant are required: brisa",
     "raise count, or require fewer"),
    ("at_most_sites", "count = 0", "count", "1 of the candidates meant are required: brisa",
     "raise count, or require fewer"),
    ("at_least", 'count = 3\ngroup = "isles"', "count", "only 2 of the candidates meant can be picked or run already",
     "lower count, or change the status of a candidate"),
    ("at_least", 'count = 1\nsites = ["dusk", "corvo"]\nnew_only = true', "count",
     "only 0 of the candidates meant can be picked", "lower count, or change the status of a candidate"),
    ("at_least", "count = 4", "count", "only 3 of the candidates meant can be picked or run already",
     "lower count, or change the status of a candidate"),
    ("only_with", 'site = "brisa"\nneeds = "dusk"', "needs", "'brisa' is required and 'dusk' is excluded",
     "change the status of one of the two"),
    ("only_with", 'site = "alba"\nneeds = "alba"', "needs", "a candidate cannot need itself",
     "name the other candidate, or take the rule out"),
    ("at_most", 'count = 1\nsites = ["alba", "brissa"]', "sites no. 2", "no candidate has this id", "write 'brisa'"),
    ("at_least", 'count = 1\nsites = ["nobody"]', "sites no. 1", "no candidate has this id",
     "name a candidate of the region"),
    ("at_least", 'count = 0\ngroup = "isle"', "group", "no candidate is in this group", "write 'isles'"),
    ("at_most", 'count = 1\ngroup = "far isles"', "group", "no candidate is in this group",
     "name the group without spaces, for a space ends a name in the column `group`"),
    ("only_with", 'site = "albatross"\nneeds = "corvo"', "site", "no candidate has this id",
     "write 'alba'"),
    ("only_with", 'site = "alba"\nneeds = "Corvo"', "needs", "no candidate has this id", "write 'corvo'"),
    ("band_at_least", 'band = "isles"\ncount = 1', "band", "no band of this name",
     "name a band of the region, or add it under [[bands]]"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "settings", "field", "problem", "mend"), RULES)
def test_a_rule_that_cannot_hold_is_named_with_its_line(make_region, kind, settings, field, problem, mend):
    maker = make_region().append(f'[[rules]]\nkind = "{kind}"\nname = "mine"\n{settings}')
    (fault,) = maker.faults()
    assert (fault.file, fault.field, fault.problem, fault.mend) == (
        "region.toml",
        f"rule 'mine', {field}",
        problem,
        mend,
    )
    assert fault.row > maker.line_of('name = "mine"')
    assert fault.allowed


def test_the_sentence_of_an_impossible_rule_is_whole(make_region):
    maker = make_region().setting("count = 3", "count = 0")
    assert maker.sentences() == [
        f"region.toml, line {maker.line_of('count = 0')}, rule 'few', count: 1 of the candidates meant are required: "
        "brisa (found '0'); allowed: 1 or more; mend: raise count, or require fewer"
    ]


@pytest.mark.parametrize(
    ("plans", "instrument", "clash"),
    [
        ("weekly", "flask", True),
        ("weekly both", "flask", True),
        ("weekly line", "flask", False),
        ("", "flask", False),
        ("line both", "analyzer", True),
        ("weekly", "analyzer", False),
    ],
)
def test_a_limit_on_an_instrument_clashes_only_if_every_offered_plan_has_it(make_region, plans, instrument, clash):
    maker = make_region().setting("count = 3", f'count = 0\ninstrument = "{instrument}"').cell("brisa", "plans", plans)
    assert bool(maker.sentences()) == clash


def test_at_least_with_an_instrument_counts_the_sites_that_can_have_it(make_region):
    maker = make_region().append('[[rules]]\nkind = "at_least"\ncount = 2\ninstrument = "analyzer"\nnew_only = true')
    assert maker.sentences() == []
    maker.cell("alba", "plans", "weekly")
    (fault,) = maker.faults()
    assert fault.problem == "only 1 of the candidates meant can be picked"


def test_a_running_station_that_offers_plans_can_be_picked(make_region):
    maker = make_region().append('[[rules]]\nkind = "at_least"\ncount = 1\nsites = ["corvo"]\nnew_only = true')
    assert len(maker.faults()) == 1
    assert maker.cell("corvo", "plans", "line").faults() == []


CANDIDATE_CASES = [
    ("corvo", {"running_since": ""}, "running_since", "a running station needs the year its record began",
     "a year such as 2019 or 2019.5"),
    ("corvo", {"running_since": "2034"}, "running_since", "a running station cannot begin after the window",
     "before 2034"),
    ("corvo", {"running_plan": "weakly"}, "running_plan", "no plan of this name", "both, line, weekly"),
    ("corvo", {"method": "glas"}, "method", "no method of this name", "both, glass, line, weekly"),
    ("alba", {"setup_cost_low": "6000"}, "setup_cost_low", "the low end lies above setup_cost", "5000 or less"),
    ("alba", {"setup_cost_low": "6000", "setup_cost_high": "7000"}, "setup_cost",
     "does not lie between its low and high ends", "6000 to 7000"),
    ("alba", {"setup_cost_low": "6000", "setup_cost_high": "4000"}, "setup_cost_low",
     "the low end lies above the high end", "4000 or less"),
    ("brisa", {"baseline_exposure_low": "0.6", "baseline_exposure_high": "0.9"}, "baseline_exposure",
     "is not given, and its default of 0.5 does not lie between its low and high ends", "0.6 to 0.9"),
    ("alba", {"contamination_size.ch4": "4"}, "contamination_size.ch4",
     "differs from contamination_size, which belongs to the same tracer", "3, or an empty cell"),
]  # fmt: skip


@pytest.mark.parametrize(("candidate", "cells", "field", "problem", "allowed"), CANDIDATE_CASES)
def test_cells_of_a_candidate_that_contradict_each_other_are_named(
    make_region, candidate, cells, field, problem, allowed
):
    maker = make_region()
    for column, text in cells.items():
        maker.cell(candidate, column, text)
    (fault,) = maker.faults()
    row = {"alba": 2, "brisa": 3, "corvo": 4}[candidate]
    assert (fault.file, fault.row, fault.field, fault.problem, fault.allowed) == (
        "candidates.csv",
        row,
        field,
        problem,
        allowed,
    )
    assert fault.mend


def test_a_running_station_runs_one_kind_of_plan(make_region):
    maker = make_region().setting('kind = "both"', 'kind = "flask_then_analyzer"\nanalyzer_after_months = 12')
    (fault,) = maker.cell("corvo", "running_plan", "both").faults()
    assert (fault.field, fault.allowed) == ("running_plan", "a plan of kind analyzer, flask or both")


def test_a_plan_with_a_space_in_its_id_cannot_stand_in_a_cell_of_plans(make_region):
    maker = make_region().setting('id = "weekly"', 'id = "weekly flask"')
    maker.setting('flask_plan = "weekly"', 'flask_plan = "weekly flask"').cell("alba", "plans", "weekly flask")
    assert {fault.mend for fault in maker.faults()} == {
        "rename the plan without spaces, for a space ends a name in this column"
    }


@pytest.mark.parametrize(
    ("geometry", "platform", "problem"),
    [
        ('{"type": "LineString", "coordinates": [[0, 0], [9, 9]]}', "fixed", "a line is a ship track or a drift"),
        ('{"type": "LineString", "coordinates": [[0, 0], [9, 9]]}', "moored", "a line is a ship track or a drift"),
        (
            '{"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 9], [0, 0]]]}',
            "ship",
            "an area belongs to a drifting or moored platform",
        ),
        ('{"type": "LineString", "coordinates": [[0, 0], [9, 9]]}', "drifting", None),
        ('{"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 9], [0, 0]]]}', "moored", None),
    ],
)
def test_a_platform_must_fit_its_geometry(make_region, geometry, platform, problem):
    feature = f'{{"type": "Feature", "geometry": {geometry}, "properties": {{"id": "x", "platform": "{platform}"}}}}'
    maker = make_region().file("candidates.geojson", f'{{"type": "FeatureCollection", "features": [{feature}]}}')
    found = maker.faults()
    assert [fault.problem for fault in found] == ([] if problem is None else [problem])
    assert all(fault.field == "platform" and fault.value == platform for fault in found)


def test_cells_that_hold_for_running_stations_only_are_noted(make_region):
    region = make_region().cell("alba", "running_since", "2020").cell("alba", "method", "glass").read()
    said = [w.sentence() for w in region.warnings if "running stations only" in w.problem]
    assert said == [
        "candidates.csv, row 2, running_since: holds for running stations only and is not used here (found '2020')",
        "candidates.csv, row 2, method: holds for running stations only and is not used here (found 'glass')",
    ]


def test_contradictions_of_several_files_come_out_together(make_region):
    maker = make_region().setting("spare_analyzers = 1", "spare_analyzers = 3").setting("count = 3", "count = 0")
    maker.cell("corvo", "running_since", "").cell("alba", "plans", "nothing")
    maker.file("layouts/a.csv", "id,plan\nalba,nothing\n")
    assert [(f.file, f.field) for f in maker.faults()] == [
        ("candidates.csv", "plans"),
        ("candidates.csv", "running_since"),
        ("layouts/a.csv", "plan"),
        ("region.toml", "stock, spare_analyzers"),
        ("region.toml", "rule 'few', count"),
    ]
