"""Faults of region.toml that the models would stumble over: numbers, dates and errors that are not there."""

import numpy as np
import pytest

from siting import api
from siting.region import InputError
from siting.region.expected import season_in_band
from siting.region.layouts import read_layout

H2 = '\n[[tracers]]\nname = "H2"\nunit = "ppb"\nscale = "a third invented scale"\n'
TIMING = '\n[[targets]]\nid = "date"\nkind = "season_timing"\nband = "south"\ngoal = 5.0\n'


def of(faults, word):
    return [fault for fault in faults if word in fault.problem]


def test_a_target_of_a_gas_of_which_nothing_is_known_names_all_numbers_that_are_missing_at_once(make_region):
    maker = make_region().append(H2 + '[[targets]]\nid = "h"\nkind = "realised_growth"\ntracer = "H2"\ngoal = 1.0')
    (fault,) = maker.faults()
    assert (fault.file, fault.field) == ("region.toml", "tracer 'H2'")
    assert maker.toml.splitlines()[fault.row - 1] in ("[[tracers]]", 'name = "H2"')
    for name in ("synoptic_sd", "slow_phi", "representation_sd.season", "season", "gradient", "repeatability_flask"):
        assert name in fault.problem
    assert "CO2 in ppm" in fault.allowed
    assert fault.mend == "give them in its [[tracers]], or take its targets out"


def test_a_known_gas_in_another_unit_is_told_its_unit(make_region):
    (fault,) = make_region().setting('name = "CH4"\nunit = "ppb"', 'name = "CH4"\nunit = "ppm"').faults()
    assert fault.problem.startswith("this gas is known beforehand in ppb only, not in ppm; target 'growth' needs ")


def test_a_region_without_targets_for_such_a_gas_can_be_planned_and_says_what_cannot_be_stated(make_region):
    region = make_region().append(H2).read()
    assert [w for w in region.warnings if "nothing can be stated" in w.problem]
    result = api.plan(region, by="score")
    assert result.assessment.statement is None
    assert "synoptic_sd" in result.assessment.unstated


def test_a_layout_to_be_judged_needs_the_numbers_and_all_faults_are_told_together(make_region):
    region = make_region().append(H2).read()
    with pytest.raises(InputError) as error:
        read_layout(region, str(layout_file(make_region, "id,plan\nabla,weekly\n")))
    assert [fault.field for fault in error.value.faults] == ["tracer 'H2'", "id"]
    assert read_layout(region, str(layout_file(make_region, "id,plan\nalba,weekly\n")), state=False).rows


def layout_file(make_region, text):
    folder = make_region().folder
    folder.mkdir(exist_ok=True)
    (folder / "own.csv").write_text(text)
    return folder / "own.csv"


def test_a_date_of_a_season_that_is_not_expected_is_a_fault_of_region_toml(make_region):
    flat = "season = [{ lat = 0.0, peak_to_trough = 0.0, month_of_maximum = 5.0 }]"
    maker = make_region().setting('unit = "ppb"', f'unit = "ppb"\n{flat}').append(TIMING)
    (fault,) = maker.faults()
    assert (fault.file, fault.field, fault.value) == ("region.toml", "target 'date', kind", "season_timing")
    assert fault.problem == "no season of CH4 is expected in band 'south', so it has no date"
    assert "give the `season` of tracer 'CH4'" in fault.mend


def test_two_halves_of_a_band_with_opposite_seasons_have_no_date_together(make_region):
    # Sines of the latitudes are symmetric about the equator, and half a year apart cos and sin change their sign.
    opposite = (
        "season = [{ lat = -1.0, peak_to_trough = 9.0, month_of_maximum = 1.0 }, "
        "{ lat = 1.0, peak_to_trough = 9.0, month_of_maximum = 7.0 }]"
    )
    maker = make_region().setting('unit = "ppb"', f'unit = "ppb"\n{opposite}')
    maker.append(TIMING.replace('"south"', '"all"') + '[[bands]]\nid = "all"\nsouth = -90.0\nnorth = 90.0\n'
                 "coverage = false")  # fmt: skip
    (fault,) = maker.faults()
    assert "so it has no date" in fault.problem


def test_a_season_in_a_band_is_that_of_a_fine_sum():
    # Source: a midpoint sum over a million equal areas of the band.
    points = [(-40.0, 2.0, 9.0), (10.0, 4.0, 4.0), (60.0, 15.0, 5.0)]
    x = -0.2 + 1.1 * (np.arange(1_000_000) + 0.5) / 1_000_000
    lat = np.degrees(np.arcsin(x))
    expected = [
        np.interp(lat, [p[0] for p in points], [p[1] / 2 * turn(2 * np.pi * (p[2] - 0.5) / 12) for p in points]).mean()
        for turn in (np.cos, np.sin)
    ]
    band = np.degrees(np.arcsin([-0.2, 0.9]))
    assert season_in_band(points, *band) == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize("kind", ["line", "weekly"])
def test_an_instrument_without_any_error_is_a_fault_not_a_division_by_zero(make_region, kind):
    maker = make_region().setting(f'id = "{kind}"', f'id = "{kind}"\nrepeatability = 0.0\ncalibration_error = 0.0')
    (fault,) = maker.faults()
    assert (fault.file, fault.field) == ("region.toml", f"plan '{kind}'")
    assert fault.problem == "measures CH4 without any error: repeatability and calibration_error are both 0"


def test_air_without_noise_and_exact_instruments_of_a_tracer_are_told_for_every_plan(make_region):
    zero = "synoptic_sd = 0.0\nslow_sd = 0.0\nrepeatability_flask = 0.0\nrepeatability_analyzer = 0.0\n"
    maker = make_region().setting('unit = "ppm"', f'unit = "ppm"\n{zero}calibration_error = 0.0')
    found = maker.faults()
    assert [fault.field for fault in found] == ["plan 'weekly'", "plan 'line'"]
    assert all("measures CO2 without any error" in fault.problem for fault in found)


def test_a_plans_own_numbers_are_for_its_first_gas_only(make_region):
    # CO2 comes second in a plan of all gases, so the plan's zeros leave the tracer's own numbers alone.
    maker = make_region().setting('id = "line"', 'id = "line"\nrepeatability = 0.0\ncalibration_error = 0.0')
    assert not of(maker.faults(), "CO2")


def test_one_number_above_zero_is_enough(make_region):
    make_region().setting('id = "line"', 'id = "line"\nrepeatability = 0.0\ncalibration_error = 0.1').read()


def test_no_anomaly_can_be_shown_where_none_is_expected(make_region):
    maker = make_region().setting('unit = "ppb"', 'unit = "ppb"\nmonthly_anomaly_sd = 0.0')
    maker.append('[[targets]]\nid = "m"\nkind = "monthly_anomaly"\nband = "south"\ngoal = 1.0')
    (fault,) = maker.faults()
    assert fault.field == "target 'm', kind"
    assert "is 0, so there is no anomaly to be shown" in fault.problem


def test_an_unknown_id_is_told_once_a_file_with_its_first_row_and_count(make_region):
    maker = make_region().file("monthly.csv", "id,month\nalba,1\nbrissa,1\nbrissa,2\nbrissa,3\n")
    maker.file("layouts/a.csv", "id,plan\nbrissa,weekly\n")
    found = maker.faults()
    assert [(f.file, f.row, f.value, f.problem) for f in found] == [
        ("monthly.csv", 3, "brissa", "no candidate has this id, found in 3 rows"),
        ("layouts/a.csv", 2, "brissa", "no candidate has this id"),
    ]
    assert found[0].mend == "write 'brisa'"


def test_a_file_of_candidates_is_suspected_missing_where_most_ids_are_unknown(make_region):
    names = ("erle", "fjell", "gull", "holm")
    maker = make_region().file("monthly.csv", "id,month\n" + "".join(f"{n},{m}\n" for n in names for m in range(1, 13)))
    maker.file("layouts/a.csv", "id,plan\nalba,weekly\nerle,weekly\n")
    first, *rest = maker.faults()
    assert first.file == "candidates.csv"
    assert first.problem == (
        "4 of the 5 ids that the other files name stand in no file of candidates (they are in layouts/a.csv, "
        "monthly.csv): is candidates.geojson or candidates.gpkg missing?"
    )
    assert len(rest) == 5


def test_no_file_is_suspected_for_a_few_slips(make_region):
    maker = make_region().file("monthly.csv", "id,month\nxx,1\nyy,1\n")
    assert not of(maker.faults(), "missing?")
