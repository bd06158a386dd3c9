"""The latitude ladder: what stands in which row, and that no name can break a line."""

import re
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from siting.geography.bands import Gap, band_of, largest_gap
from siting.outputs.ladder import MARKS, LadderBand, LadderSite, clean_text, ladder

# All sites, tracks and bands here are invented.
BANDS = (
    LadderBand(30, 90, "upper band"),
    LadderBand(-23.5, 30, "middle band"),
    LadderBand(-90, -23.5, "lower band"),
)
SITES = (
    LadderSite(90, 90, "A", "Ice rise"),
    LadderSite(19.5, 19.5, "o", "Lava slope"),
    LadderSite(-8, -8, "f", "Mid-ocean islet"),
    LadderSite(-45, 25, "=", "Long haul"),
    LadderSite(-90, -90, "B", "Far plateau"),
)

whole = st.integers(-90, 90).map(float)
nasty = st.one_of(
    st.text(max_size=60),
    st.sampled_from(
        [
            "",
            "\x1b[31mred\x1b[0m\r\nsecond line\u2028third",
            "観測点の名前がとても長い場合にはどうなるでしょうか観測点",
            "תחנה דמיונית 12",
            "محطة خيالية",
            "a" * 300,
            "e\u0301" * 50,
            "Z" + "\u0301" * 80,
            "\u202eesrever\u202c",
            "👨\u200d👩\u200d👧 ☀\ufe0f 🇦🇶",
            "tab\tand\x00nul\x9b31m",
        ]
    ),
)
points = st.builds(lambda lat, mark, name: LadderSite(lat, lat, mark, name), whole, st.sampled_from("AfBo"), nasty)
tracks = st.builds(
    lambda one, other, name: LadderSite(min(one, other), max(one, other), "=", name), whole, whole, nasty
)
bands = st.builds(
    lambda low, extent, name: LadderBand(low, min(90.0, low + extent), name),
    st.integers(-90, 89).map(float),
    st.integers(1, 180).map(float),
    nasty,
)


def row(lines, label):
    """Return the line whose label is exactly this."""
    (found,) = [line for line in lines if re.match(rf"\s*{re.escape(label)} \S", line)]
    return found


def rows(lines):
    """Return the lines that are steps of latitude, by their label."""
    return {line[:7].strip(): line for line in lines if re.match(r" *\d+-\d+ [NS] ", line)}


def test_rows_are_equal_steps_from_pole_to_pole():
    labels = list(rows(ladder(SITES, BANDS, None)))
    assert labels[0] == "90-80 N"
    assert labels[8:10] == ["10-0 N", "0-10 S"]
    assert labels[-1] == "80-90 S"
    assert len(labels) == 18
    assert len(rows(ladder(SITES, BANDS, None, step_deg=5))) == 36
    assert list(rows(ladder([], [], None, step_deg=90))) == ["90-0 N", "0-90 S"]


def test_each_site_stands_in_the_row_of_its_latitude_with_mark_and_latitude():
    lines = ladder(SITES, BANDS, None)
    assert "A Ice rise 90 N" in row(lines, "90-80 N")
    assert "o Lava slope 19.5 N" in row(lines, "20-10 N")
    assert "f Mid-ocean islet 8 S" in row(lines, "0-10 S")
    assert "B Far plateau 90 S" in row(lines, "80-90 S")
    assert "= Long haul 25 N to 45 S" in row(lines, "30-20 N")


@pytest.mark.parametrize("lat", [-90.0, -80.0, -0.5, 0.0, 9.999, 10.0, 80.0, 90.0])
def test_a_row_holds_what_a_band_of_its_limits_holds(lat):
    lines = rows(ladder([LadderSite(lat, lat, "A", "here")], [], None))
    for label, line in lines.items():
        ends = [float(number) for number in re.findall(r"\d+", label)]
        low, high = sorted(ends) if label.endswith("N") else sorted(-end for end in ends)
        assert ("here" in line) == bool(band_of(lat, low, high)[0, 0])


def test_a_track_is_drawn_through_every_row_it_touches_and_no_other():
    drawn = [label for label, line in rows(ladder(SITES, [], None)).items() if line[10:11] == "="]
    assert drawn == [
        "30-20 N",
        "20-10 N",
        "10-0 N",
        "0-10 S",
        "10-20 S",
        "20-30 S",
        "30-40 S",
        "40-50 S",
    ]


def test_tracks_side_by_side_take_their_own_columns_and_those_far_apart_share_one():
    lines = rows(
        ladder(
            [
                LadderSite(50, 70, "=", "first"),
                LadderSite(55, 65, "f", "second"),
                LadderSite(-70, -50, "=", "third"),
            ],
            [],
            None,
        )
    )
    assert lines["80-70 N"][10:11] == "="  # a track that ends at 70 N touches the row from there to 80 N
    assert lines["70-60 N"][10:13] == "=f "
    assert lines["60-50 N"][10:13].rstrip() == "=f"
    assert lines["50-60 S"][10:] == "="
    assert lines["10-0 N"].rstrip().endswith("│")


def test_tracks_without_a_column_are_counted_and_still_named():
    many = [LadderSite(-40 - k, 40 + k, "=", f"track {k}") for k in range(8)]
    text = "\n".join(ladder(many, [], None, width=400))
    assert "tracks named but not drawn: 2" in text
    assert all(f"track {k} " in text for k in range(8))
    assert "not drawn" not in "\n".join(ladder(many[:6], [], None))


def test_limits_of_bands_stand_between_the_rows_with_the_bands_on_either_side():
    lines = ladder([], BANDS, None)
    at = lines.index(row(lines, "30 N"))
    assert "┼ upper band above, middle band below" in lines[at]
    assert lines[at - 1].lstrip().startswith("40-30 N")
    assert lines[at + 1].lstrip().startswith("30-20 N")
    assert not any(re.match(r"\s*90 [NS] ┼", line) for line in lines)


def test_a_limit_inside_a_row_says_so():
    lines = ladder([], BANDS, None)
    at = lines.index(row(lines, "23.5 S"))
    assert lines[at].endswith("middle band above, lower band below (in row above)")
    assert lines[at - 1].lstrip().startswith("20-30 S")


@pytest.mark.parametrize("width", [40, 60, 80])
def test_the_largest_gap_is_told_in_words_at_its_middle(width):
    lines = ladder([SITES[0], SITES[1]], BANDS, largest_gap([90, 19.5, -90]), width=width)
    told = [line for line in lines if "largest gap:" in line]
    assert len(told) == 1
    assert told[0].lstrip().startswith("30-40 S")
    assert "109.5 deg" in told[0]
    if width == 80:
        assert "109.5 degrees without a site, 19.5 N to 90 S" in told[0]


def test_rows_wholly_inside_the_gap_have_their_own_axis():
    lines = rows(ladder([], [], Gap(-35.0, 0.0, 35.0), ascii_only=True))
    assert [label for label, line in lines.items() if line[8] == ":"] == ["0-10 S", "10-20 S", "20-30 S"]


def test_a_gap_whose_middle_row_is_named_gets_a_line_of_its_own():
    # Neighbours 2 S and 8 S in one row: the words stand below their names.
    lines = ladder(
        [LadderSite(-2, -2, "A", "one"), LadderSite(-8, -8, "A", "two")],
        [],
        Gap(-8.0, -2.0, 6.0),
        ascii_only=True,
    )
    at = lines.index(row(lines, "0-10 S"))
    assert "one" in lines[at]
    assert "two" in lines[at]
    assert lines[at + 1].strip() == "| <- largest gap: 6 degrees without a site, 2 S to 8 S"


def test_names_that_do_not_fit_are_counted():
    crowd = [LadderSite(35 + k / 100, 35 + k / 100, "f", f"invented hill number {k:02d}") for k in range(30)]
    line = row(ladder(crowd, [], None), "40-30 N")
    named = len(re.findall(r"35(?:\.\d+)? N", line))
    (more,) = re.findall(r" \+(\d+) more$", line)
    assert named >= 2
    assert named + int(more) == 30


def test_names_are_shortened_before_a_site_is_left_out():
    pair = [LadderSite(35, 35, "A", "x" * 70), LadderSite(34, 34, "f", "y" * 70)]
    line = row(ladder(pair, [], None), "40-30 N")
    assert "x… 35 N; f y" in line
    assert line.endswith("y… 34 N")
    assert "more" not in line


def test_one_long_name_is_cut_with_a_sign_and_keeps_its_latitude():
    for ascii_only, sign in ((False, "…"), (True, "...")):
        line = row(ladder([LadderSite(35, 35, "A", "x" * 200)], [], None, ascii_only=ascii_only), "40-30 N")
        assert line.endswith(f"x{sign} 35 N")
        assert cell_len(line) == 80


def test_wide_characters_count_as_two_cells():
    # Unicode Standard Annex 11: CJK ideographs are wide.
    line = row(ladder([LadderSite(5, 5, "A", "観" * 100)], [], None), "10-0 N")
    assert 79 <= cell_len(line) <= 80
    assert line.count("観") == (80 - len("10-0 N │ ") - 1 - len("A ") - len("… 5 N")) // 2


def test_a_right_to_left_name_is_isolated_and_the_latitude_follows_it():
    # Unicode Standard Annex 9, FSI U+2068 and PDI U+2069.
    line = row(ladder([LadderSite(5, 5, "A", "מגדל")], [], None), "10-0 N")
    assert line.endswith("A \u2068מגדל\u2069 5 N")


def test_control_characters_and_line_ends_are_taken_out():
    assert clean_text(" a\x1b[31m\r\nb\u2028c\t\x00d\x9b \u202ee\u200d\ufe0f ") == "a [31m b c d e"
    assert clean_text("Z" + "\u0301" * 9) == "Z\u0301\u0301"
    assert clean_text("São [bold]") == "São [bold]"
    line = row(ladder([LadderSite(5, 5, "A", "\x1b\n\x00")], [], None), "10-0 N")
    assert line.endswith("A (no name) 5 N")


def test_ascii_only_keeps_letters_and_admits_the_rest():
    lines = ladder([LadderSite(5, 5, "A", "São ½ 観測")], BANDS, Gap(-90, 5, 95), ascii_only=True)
    assert "A Sao 1?2 ?? 5 N" in row(lines, "10-0 N")
    assert all(line.isascii() for line in lines)


def test_the_legend_explains_the_marks_in_use_and_no_others():
    legend = " ".join(ladder([LadderSite(5, 5, "f", "one")], BANDS, None)[-1:])
    assert "f flask" in legend
    assert "limit of a band" in legend
    assert not any(f"{mark} {meaning}" in legend for mark, meaning in MARKS.items() if mark != "f")
    assert "gap" not in legend
    everything = " ".join(ladder([LadderSite(5, 5, mark, "x") for mark in MARKS], BANDS, Gap(-90, 5, 95), width=40))
    assert all(f"{mark} {meaning}" in everything for mark, meaning in MARKS.items())


@settings(deadline=None, max_examples=150)
@given(
    st.lists(st.one_of(points, tracks), max_size=25),
    st.lists(bands, max_size=6),
    st.integers(40, 100),
    st.booleans(),
    st.sampled_from([5, 10, 15]),
)
def test_no_line_is_wider_than_the_terminal_or_holds_a_control_character(sites, some_bands, width, ascii_only, step):
    gap = largest_gap([lat for site in sites for lat in (site.lat_south, site.lat_north)])
    lines = ladder(sites, some_bands, gap, width, ascii_only, step)
    assert len(rows(lines)) == 180 // step
    for line in lines:
        assert cell_len(line) <= width
        assert line == line.rstrip()
        assert len(line.splitlines()) == 1
        assert not any(unicodedata.category(c) in ("Cc", "Zl", "Zp", "Cs") for c in line)
        assert line.count("\u2068") == line.count("\u2069")
        assert not ascii_only or line.isascii()
    assert sum("largest gap: " in line for line in lines) == 1


@settings(deadline=None)
@given(st.lists(st.one_of(points, tracks), max_size=20), st.randoms())
def test_every_site_is_named_or_counted_and_order_does_not_matter(sites, random):
    plain = [LadderSite(s.lat_south, s.lat_north, s.mark, f"n{k}") for k, s in enumerate(sites)]
    lines = ladder(plain, [], None, width=60)
    text = "\n".join(rows(lines).values())
    named = len(re.findall(r"\bn\d+ ", text))
    left_out = sum(int(number) for number in re.findall(r" \+(\d+) more", text))
    assert named + left_out == len(plain)
    random.shuffle(plain)
    assert ladder(plain, [], None, width=60) == lines


def test_a_crowd_of_sites_and_endless_names_is_drawn_quickly_and_within_width():
    crowd = [LadderSite(5, 5, "A", "x" * 20_000) for _ in range(100)]
    assert all(cell_len(line) <= 80 for line in ladder(crowd, BANDS, None))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: ladder([], [], None, width=39), "at least 40 columns; found 39"),
        (lambda: ladder([], [], None, step_deg=7), "divides 90; found 7"),
        (lambda: ladder([], [], None, step_deg=0), "divides 90; found 0"),
        (lambda: LadderSite(5, 4, "A", "x"), "found 5 and 4"),
        (lambda: LadderSite(float("nan"), 4, "A", "x"), "found nan and 4"),
        (lambda: LadderSite(4, 91, "A", "x"), "found 4 and 91"),
        (lambda: LadderSite(4, 4, "Q", "x"), "one of A f B o =; found 'Q'"),
        (lambda: LadderBand(4, 4, "x"), "found 4 and 4"),
    ],
)
def test_impossible_input_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
