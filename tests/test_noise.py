"""`siting noise`: what is refused, what stays the same, the CSV reader, the words and the records of a region.

Sources: properties of the model (shift in time, change of unit, order of rows) hold for any Gaussian fit; exit codes
are those of README; other checks are hand sums on invented records.
"""

import csv
import io
import json
import re
import sys
import tomllib
from datetime import datetime, timedelta

import numpy as np
import pytest

from siting import cli
from siting.noise.fit import fit_noise
from siting.noise.reading import noise_of_records, read_record
from siting.noise.words import noise_paragraphs, toml_lines
from siting.region.faults import Findings, InputError

PLAIN = ("level", "growth", "peak_to_trough", "month_of_maximum", "slow_sd", "slow_phi", "white_sd", "fast_sd")


def weekly(seed=0, years=2.5, step=7.0):
    """An invented record: growth 2 a year, a season, AR(1) from week to week."""
    rng = np.random.default_rng(seed)
    days = 18000.0 + np.arange(0.0, years * 365.25, step)
    noise = np.zeros(days.size)
    for i in range(1, days.size):
        noise[i] = 0.6 * noise[i - 1] + 0.4 * rng.standard_normal()
    angle = 2.0 * np.pi * days / 365.25
    return days, 400.0 + 2.0 * (days - 18000.0) / 365.25 + 2.0 * np.cos(angle) + np.sin(2 * angle) + noise


def numbers(fit):
    return np.array([getattr(fit, name).value for name in PLAIN] + [fit.growth.se, fit.peak_to_trough.se])


# -- what stays the same ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "zero", "seed"), [(0.875, 0.0, 2), (1000.0, 0.0, 0), (1e-3, -350.0, 1), (37.7, 80.0, 3)]
)
def test_a_change_of_unit_or_zero_changes_nothing_else(unit, zero, seed):
    days, values = weekly(seed)
    here, there = fit_noise(days, values), fit_noise(days, unit * values + zero * unit)
    for name in PLAIN:
        a, b = getattr(here, name), getattr(there, name)
        scale = 1.0 if name in ("month_of_maximum", "slow_phi") else unit
        shift = zero * unit if name == "level" else 0.0
        assert b.value == pytest.approx(scale * a.value + shift, rel=2e-3, abs=2e-3 * unit * here.residual_sd)
        assert a.determined == b.determined


@pytest.mark.parametrize(("shift", "seed"), [(1.0, 2), (-1234.5, 0), (2999.25, 1), (0.03, 3)])
def test_a_shift_in_time_moves_the_season_and_nothing_else(shift, seed):
    days, values = weekly(seed)
    here, there = fit_noise(days, values), fit_noise(days + shift, values)
    same = [i for i, name in enumerate(PLAIN) if name != "month_of_maximum"]
    np.testing.assert_allclose(numbers(here)[same], numbers(there)[same], rtol=5e-3, atol=1e-3 * here.residual_sd)
    moved = here.month_of_maximum.value + 12.0 * shift / 365.25 - there.month_of_maximum.value
    assert abs((moved + 6.0) % 12.0 - 6.0) < 1e-3


def test_the_order_of_rows_changes_no_bit():
    days, values = weekly()
    order = np.random.default_rng(1).permutation(days.size)
    names = np.array(["a", "b"])[np.arange(days.size) % 2]
    assert toml_lines(fit_noise(days, values, methods=list(names))) == toml_lines(
        fit_noise(days[order], values[order], methods=list(names[order]))
    )


def test_copied_rows_count_once_and_pairs_that_differ_count_twice():
    days, values = weekly()
    single, double = fit_noise(days, values), fit_noise(np.repeat(days, 2), np.repeat(values, 2))
    assert (double.copies, double.count) == (days.size, days.size)
    np.testing.assert_array_equal(numbers(single), numbers(double))
    pairs = np.repeat(values, 2) + np.tile([0.05, -0.05], days.size)
    assert fit_noise(np.repeat(days, 2), pairs).count == 2 * days.size


def test_the_offset_of_a_second_method_is_found_and_taken_out():
    days, values = weekly()
    second = np.arange(days.size) % 2 == 1
    fit = fit_noise(days, values + 1.5 * second, methods=["b" if s else "a" for s in second])
    ((name, offset),) = fit.offsets
    assert (fit.reference, name) == ("a", "b")
    low, high = offset.interval(2.5)
    assert low < 1.5 < high
    assert offset.se < 0.15
    assert fit.growth.value == pytest.approx(fit_noise(days, values).growth.value, abs=0.05)


def test_methods_that_never_ran_together_are_named():
    days, values = weekly()
    first = days < days[0] + 400.0
    gap = (days < days[0] + 350.0) | (days > days[0] + 420.0)
    fit = fit_noise(days[gap], values[gap], methods=["old" if f else "new" for f in first[gap]])
    assert any("'new' and 'old' never ran side by side" in line for line in fit.doubts)
    assert fit.offsets[0][1].se > 0.2
    assert any("1 gap of more than 60 days" in line for line in fit.doubts)


def test_a_value_far_off_is_named_and_kept():
    days, values = weekly()
    values = values.copy()
    values[40] += 12.0
    fit = fit_noise(days, values)
    assert [(o.day, o.value) for o in fit.outliers] == [(days[40], values[40])]
    assert fit.outliers[0].sds > 5.0
    assert fit.count == days.size
    assert fit_noise(*weekly()).outliers == ()


def test_samples_of_few_months_carry_fewer_harmonics():
    days, values = weekly(years=3.5)
    for months, harmonics in ((2, 0), (4, 1), (6, 2)):
        inside = (days % 365.25) < months * 365.25 / 12.0 - 0.5
        fit = fit_noise(days[inside], values[inside])
        assert len(fit.harmonics) == 2 * harmonics
        assert any("No sample in" in line for line in fit.doubts)
        if harmonics == 0:
            assert not fit.peak_to_trough.determined


# -- what is refused -------------------------------------------------------------------------------


def test_records_that_cannot_be_fitted_are_refused_in_plain_words():
    days, values = weekly()
    with pytest.raises(ValueError, match="24 values or more; this one has 20"):
        fit_noise(days[:20], values[:20])
    with pytest.raises(ValueError, match="a year long or more"):
        fit_noise(days[:40], values[:40])
    with pytest.raises(ValueError, match="finite"):
        fit_noise(days, np.where(days == days[3], np.nan, values))
    with pytest.raises(ValueError, match="same length"):
        fit_noise(days, values[1:])
    with pytest.raises(ValueError, match="without any noise"):
        fit_noise(days, 400.0 + 0.0 * days)


# -- the CSV and the command -----------------------------------------------------------------------


def table(columns, separator=","):
    days, values = weekly()
    stream = io.StringIO()
    writer = csv.writer(stream, delimiter=separator)
    writer.writerow(columns)
    for i, (day, value) in enumerate(zip(days, values, strict=True)):
        moment = datetime(1970, 1, 1) + timedelta(days=float(day))
        cells = {
            "time": moment.date().isoformat(),
            "value": f"{value:.3f}",
            "value.co2": f"{value / 5:.4f}" if i % 3 else "",
            "flag": ("", "0", "ok", "x")[i % 4] if i < 40 else "",
            "method": "glass",
        }
        writer.writerow([cells[c] for c in columns])
    return stream.getvalue()


@pytest.fixture
def call(tmp_path, monkeypatch, capfd):
    def inner(*args):
        monkeypatch.chdir(tmp_path)
        monkeypatch.setenv("COLUMNS", "80")
        monkeypatch.setattr(sys, "argv", ["siting", "noise", *args])
        capfd.readouterr()
        code = 0
        try:
            cli.main()
        except SystemExit as left:
            code = left.code or 0
        return code, *capfd.readouterr()

    return inner


def test_flagged_rows_are_not_used_and_counted(tmp_path):
    (tmp_path / "a.csv").write_text(table(["time", "value", "method", "flag"], ";"))
    samples, warnings = read_record(tmp_path / "a.csv")
    assert samples.flagged == 10
    assert samples.days.size == weekly()[0].size - 10
    assert set(samples.methods) == {"glass"}
    assert samples.days[0] == 18000.0
    assert warnings == ()


def test_a_row_that_its_flag_puts_aside_may_lack_a_value(tmp_path, call):
    plain = table(["time", "value", "flag"])
    (tmp_path / "a.csv").write_text(plain + "2024-01-01,,x\n2024-01-02,,-99\n2024-01-03,,\n2024-01-04,,OK\n")
    code, _, err = call("a.csv")
    rows = plain.count("\n")
    assert code == 2
    assert [f"row {rows + k}, value: cell is empty" in " ".join(err.split()) for k in (1, 2, 3, 4)] == [False] * 2 + [
        True
    ] * 2
    (tmp_path / "a.csv").write_text(plain + "2024-01-01,,x\n2024-01-02,,-99\n")
    samples, warnings = read_record(tmp_path / "a.csv")
    assert (samples.flagged, samples.days.size) == (12, weekly()[0].size - 10)
    assert warnings == ()


def test_a_decimal_year_is_the_same_moment(tmp_path):
    (tmp_path / "a.csv").write_text("time,value\n2019.5,1\n2019-07-02T12:00,1\n")
    samples, _ = read_record(tmp_path / "a.csv")
    assert samples.days[0] == pytest.approx(samples.days[1], abs=1e-6)


def test_a_second_tracer_is_read_from_its_own_column(tmp_path):
    (tmp_path / "a.csv").write_text(table(["time", "value", "value.co2"]))
    for name in ("co2", "value.co2", "CO2"):
        samples, warnings = read_record(tmp_path / "a.csv", column=name)
        assert samples.empty + samples.days.size == weekly()[0].size
        assert 70.0 < np.median(samples.values) < 90.0
        assert warnings == ()


def test_words_come_first_then_lines_that_toml_reads(tmp_path, call):
    (tmp_path / "a.csv").write_text(table(["time", "value", "flag"]))
    code, out, err = call("a.csv")
    assert (code, err) == (0, "")
    words, block = out.split("To paste below [[tracers]] of region.toml:\n\n")
    assert re.search(r"Growth [12]\.\d+ \+- 0\.\d+ a year; season \d", " ".join(words.split()))
    assert "What this record cannot separate:" in words
    assert all(len(line) <= 80 for line in words.splitlines())
    read = tomllib.loads(block)
    assert read["growth"] == pytest.approx(2.0, abs=0.5)
    assert "growth_anomaly_sd" not in read
    assert "# growth_anomaly_sd: not determined (the record is shorter than 3 years)" in block
    assert "# season = [{ lat = LATITUDE, peak_to_trough = " in block


def test_the_lines_are_accepted_by_a_region(make_region):
    fit = fit_noise(*weekly(years=3.5))
    lines = "\n".join(line.replace("# season", "season").replace("LATITUDE", "-40.0") for line in toml_lines(fit))
    region = make_region().setting('scale = "invented scale"\n', f'scale = "invented scale"\n{lines}\n').read()
    tracer = region.settings.tracers[0]
    assert tracer.growth == pytest.approx(fit.growth.value, abs=fit.growth.se)
    assert tracer.season[0].month_of_maximum == pytest.approx(fit.month_of_maximum.value, abs=0.1)


def test_json_holds_every_estimate(tmp_path, call):
    (tmp_path / "a.csv").write_text(table(["time", "value"]))
    code, out, _ = call("a.csv", "--json")
    content = json.loads(out)
    assert code == 0
    assert content["growth"]["value"] == pytest.approx(2.0, abs=0.5)
    assert content["growth_anomaly_sd"]["determined"] is False
    assert "shorter than 3 years" in content["growth_anomaly_sd"]["reason"]
    assert content["first_date"] == "2019-04-14"
    assert len(content["harmonics"]) == 4


@pytest.mark.parametrize(
    ("text", "args", "said"),
    [
        ('time,value\n2020,4\n2020-13-01,1\n2020-01-01,"4,5"\n', (), ["row 2, time", "row 3, time", "row 4, value"]),
        ("time,value\n2020-01-01,\n", (), ["cell is empty", "take the row out"]),
        ("time,value.co2\n2020-01-01,3\n", (), ["name one with --column: value.co2"]),
        ("time,value.co2\n2020-01-01,x\n", ("--column", "co2"), ["row 2, value.co2", "is not a number"]),
        ("time,value\n2020-01-01,3\n", ("--column", "ch4"), ["no such column of values", "the file has value"]),
        ("time,value\n2020-01-01,3\n", (), ["needs 24 values or more; this one has 1"]),
        (None, (), ["no such file"]),
    ],
)
def test_a_faulty_file_is_refused_with_all_faults_at_once(tmp_path, call, text, args, said):
    if text is not None:
        (tmp_path / "a.csv").write_text(text)
    code, out, err = call("a.csv", *args)
    assert (code, out) == (2, "")
    words = " ".join(err.split())
    for part in said:
        assert part in words
    assert "Traceback" not in err


def test_paragraphs_name_what_was_put_aside_and_what_is_far_off():
    days, values = weekly()
    values = values.copy()
    values[40] += 12.0
    text = " ".join(noise_paragraphs(fit_noise(days, values), name="invented", flagged=3, empty=2))
    assert "3 put aside by their flag, 2 without a value" in text
    assert re.search(r"Far from the curve, kept in the fit: 2020-01-19 \(\d+\.\d+, \d+\.\d sd above\)", text)


# -- the records of a region -----------------------------------------------------------------------


def test_records_of_a_region_give_the_noise_of_their_sites(make_region, tmp_path):
    text = table(["time", "value", "flag"])
    maker = make_region().file("records/corvo.csv", text).file("records/nobody.csv", text)
    found = noise_of_records(maker.read())
    assert list(found) == ["corvo"]
    (tmp_path / "a.csv").write_text(text)
    samples, _ = read_record(tmp_path / "a.csv")
    alone = fit_noise(samples.days, samples.values)
    np.testing.assert_array_equal(numbers(found["corvo"]), numbers(alone))


def test_a_record_too_short_is_a_fault_or_a_warning_as_asked(make_region):
    region = make_region().file("records/corvo.csv", "time,value\n2027-01-01,1900\n").read()
    with pytest.raises(InputError, match=r"records/corvo.csv: a record needs 24 values"):
        noise_of_records(region)
    findings = Findings()
    assert dict(noise_of_records(region, findings=findings)) == {}
    assert [w.file for w in findings.warnings] == ["records/corvo.csv"]
