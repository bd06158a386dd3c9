"""The world map: projection, harmless texts, shapes, labels, bytes. All places in here are invented."""

import random
import re
import time
import xml.etree.ElementTree as ET
from itertools import combinations, pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from siting.outputs.maplabels import Request, clean, place, shorten, text_width
from siting.outputs.mapplane import INSET_LAT, INSET_RADIUS, world_and_insets
from siting.outputs.worldmap import KIND_TEXT, MapBand, MapContent, MapPoint, MapTrack, draw

NS = "{http://www.w3.org/2000/svg}"
NUMBER = r"-?\d*\.?\d+(?:e-?\d+)?"
NAMED = ("analyzer", "flask", "both", "running")
A, E2 = 6378137.0, 0.00669437999014133  # WGS 84 semi-major axis, first eccentricity squared


def sphere_point(rng):
    return float(np.degrees(np.arcsin(rng.uniform(-1, 1)))), float(rng.uniform(-180, 180))


def invented(seed=4, left_out=40):
    rng = np.random.default_rng(seed)
    kinds = ["analyzer"] * 7 + ["flask"] * 9 + ["both"] * 4 + ["running"] * 5 + ["excluded"] * 6
    kinds += ["left_out"] * left_out
    points = tuple(
        MapPoint(*sphere_point(rng), kind, f"Invented place {i}", kind in NAMED, f"row {i}")
        for i, kind in enumerate(kinds)
    )
    tracks = (
        MapTrack(
            (np.array([[140.0, 35], [165, 20], [180, 8]]), np.array([[-180.0, 8], [-150, -10], [-80, -30]])),
            "flask",
            "Invented liner",
        ),
        MapTrack((np.array([[-40.0, -30], [-15, -30], [-15, -12], [-40, -12]]),), "analyzer", "Moored", True),
    )
    bands = (
        MapBand("North", 53.1, 90, "note"),
        MapBand("Middle north", 30, 53.1),
        MapBand("Tropics", -30, 30),
        MapBand("Middle south", -53.1, -30),
        MapBand("South", -90, -53.1),
    )
    land = (np.array([[0.0, 5], [0, 70], [30, 70], [45, 10]]), np.array([[-120.0, 35], [-95, 70], [-80, 28]]))
    return MapContent("An invented network", "nothing in here is real", points, tracks, bands, land)


def parsed(content):
    return ET.fromstring(draw(content))


def by_class(root, name):
    return [e for e in root.iter() if e.get("class") == name]


def subpaths(path):
    """Vertices of path data that has only absolute M and L and z."""
    parts = [part for part in re.split("M", path.replace("z", "")) if part]
    return [np.array(re.findall(NUMBER, part), dtype=float).reshape(-1, 2) for part in parts]


def label_boxes(root):
    values = [[float(r.get(k)) for k in ("x", "y", "width", "height")] for r in by_class(root, "wm-label")]
    return [shapely.box(x, y, x + w, y + h) for x, y, w, h in values]


def mark_spots(root, kind):
    spots = []
    for group in by_class(root, f"wm-{kind}"):
        x, y = re.match(rf"translate\(({NUMBER}) ({NUMBER})\)", group.get("transform")).groups()
        spots.append((float(x), float(y)))
    return spots


# ----------------------------------------------------------------------------------------- projection


def authalic(lat):
    """Authalic latitude and radius: Snyder 1987 (USGS Professional Paper 1395), equations 3-11 to 3-13."""
    e = np.sqrt(E2)

    def q(phi):
        s = np.sin(phi)
        return (1 - E2) * (s / (1 - E2 * s * s) - np.log((1 - e * s) / (1 + e * s)) / (2 * e))

    q_pole = q(np.pi / 2)
    return np.arcsin(q(np.radians(lat)) / q_pole), A * np.sqrt(q_pole / 2)


@pytest.mark.parametrize(("lat", "lon"), [(0, 0), (0, 180), (45, 90), (-60, -120), (90, 180), (-33.3, 17.7)])
def test_the_world_follows_the_published_equal_earth_polynomial(lat, lon):
    # Savric, Patterson and Jenny 2018, Int. J. Geogr. Inf. Sci. 33, 454-465;
    # coefficients A1 to A4 written down from memory.
    a1, a2, a3, a4 = 1.340264, -0.081106, 0.000893, 0.003796
    beta, radius = authalic(lat)
    t = np.arcsin(np.sqrt(3) / 2 * np.sin(beta))
    x = 2 * np.sqrt(3) * np.radians(lon) * np.cos(t) / (3 * (9 * a4 * t**8 + 7 * a3 * t**6 + 3 * a2 * t**2 + a1))
    y = a4 * t**9 + a3 * t**7 + a2 * t**3 + a1 * t
    panel = world_and_insets(54.0)[0]
    got = panel.pixels(np.array([[float(lon), float(lat)]]))[0]
    expected = (panel.x0 + panel.scale * radius * x, panel.y0 - panel.scale * radius * y)
    np.testing.assert_allclose(got, expected, atol=1e-3)


@pytest.mark.parametrize("lat", [0.0, 60.0, 85.0, -72.0])
def test_a_small_cell_keeps_its_area_on_every_map(lat):
    geod = Geod(ellps="WGS84")
    ring = np.array([[20.0, lat], [20.5, lat], [20.5, lat + 0.5], [20.0, lat + 0.5]])
    dense = shapely.get_coordinates(shapely.segmentize(shapely.polygons(ring), 0.01))
    true = abs(geod.polygon_area_perimeter(dense[:, 0], dense[:, 1])[0])
    for panel in world_and_insets(54.0):
        if panel.inside(np.array([lat])).all():
            area = shapely.area(shapely.polygons(panel.pixels(dense))) / panel.scale**2
            assert area == pytest.approx(true, rel=2e-4)


def test_the_inset_disc_has_the_area_of_the_polar_cap():
    # A cap poleward of a latitude has the area 2 pi R^2 (1 - sin(authalic latitude)).
    beta, radius = authalic(INSET_LAT)
    for panel in world_and_insets(54.0)[1:]:
        disc = np.pi * (INSET_RADIUS / panel.scale) ** 2
        assert disc == pytest.approx(2 * np.pi * radius**2 * (1 - np.sin(beta)), rel=1e-6)


def test_insets_show_greenwich_toward_the_middle_of_the_page_as_atlases_do():
    # Common practice, no single source: seen from above the pole, east runs anticlockwise in the north.
    _, north, south = world_and_insets(54.0)
    assert north.pixels(np.array([[0.0, 70.0]]))[0, 1] > north.y0
    assert north.pixels(np.array([[90.0, 70.0]]))[0, 0] > north.x0
    assert south.pixels(np.array([[0.0, -70.0]]))[0, 1] < south.y0
    assert south.pixels(np.array([[90.0, -70.0]]))[0, 0] > south.x0


# ---------------------------------------------------------------------------------- lines and areas


def test_a_long_segment_bends_with_the_map():
    meridian = np.array([[150.0, -80.0], [150.0, 80.0]])
    root = parsed(MapContent("t", "", tracks=(MapTrack((meridian,), "analyzer", "x"),)))
    drawn = shapely.LineString(subpaths(by_class(root, "wm-track-analyzer")[0].get("d"))[0])
    panel = world_and_insets(100.0)[0]
    true = shapely.LineString(panel.pixels(np.column_stack([np.full(400, 150.0), np.linspace(-80, 80, 400)])))
    assert drawn.hausdorff_distance(true) < 0.4
    assert drawn.length > 1.02 * shapely.LineString([drawn.coords[0], drawn.coords[-1]]).length


def test_a_track_cut_at_180_does_not_streak_across_the_map():
    root = parsed(invented())
    lines = subpaths(by_class(root, "wm-track-flask")[0].get("d"))
    assert len(lines) == 2
    assert max(np.ptp(line[:, 0]) for line in lines) < 250  # at most 100 of 360 degrees across 800 pixels
    ends = sorted((line[0, 0], line[-1, 0]) for line in lines)
    outline = subpaths(by_class(root, "wm-outline")[0].get("d"))[0]
    assert ends[0][0] < outline[:, 0].min() + 5
    assert ends[1][1] > outline[:, 0].max() - 5


def test_an_area_about_the_pole_is_filled_whole_and_its_seam_is_not_drawn():
    ring = np.array([[-180.0, 80], [-90, 80], [0, 80], [90, 80], [180, 80], [180, 90], [-180, 90]])
    panel = world_and_insets(54.0)[1]
    area = shapely.area(shapely.polygons(subpaths(panel.fills([ring]))[0]))
    beta, radius = authalic(80.0)
    assert area == pytest.approx(2 * np.pi * (radius * panel.scale) ** 2 * (1 - np.sin(beta)), rel=0.01)
    path, lines = panel.strokes([ring], closed=True)
    assert len(lines) == 1
    around = np.hypot(lines[0][:, 0] - panel.x0, lines[0][:, 1] - panel.y0)
    assert np.ptp(around) < 0.01
    assert path


def test_land_that_reaches_beyond_an_inset_is_cut_at_its_rim():
    ring = np.array([[0.0, 20], [90, 20], [90, 75], [0, 75]])
    _, north, south = world_and_insets(54.0)
    drawn = subpaths(north.fills([ring]))[0]
    assert np.hypot(*(drawn - (north.x0, north.y0)).T).max() <= INSET_RADIUS + 0.1
    low, radius = authalic(INSET_LAT)
    high, _ = authalic(75.0)
    quarter = np.pi / 2 * (radius * north.scale) ** 2 * (np.sin(high) - np.sin(low))
    assert shapely.area(shapely.polygons(drawn)) == pytest.approx(quarter, rel=0.01)
    assert south.fills([ring]) == ""


def test_every_picked_place_lies_inside_the_outline():
    corners = [(lat, lon) for lat in (-90, -60, 0, 60, 90) for lon in (-180, 0, 180, 181, 359.9)]
    points = tuple(MapPoint(float(lat), float(lon), "flask", f"p {lat} {lon}") for lat, lon in corners)
    content = MapContent("t", "", points)
    root = parsed(content)
    spots = mark_spots(root, "flask")
    polar = sum(abs(lat) >= 60 for lat, _ in corners)
    assert len(spots) == len(corners) + polar
    outline = shapely.Polygon(subpaths(by_class(root, "wm-outline")[0].get("d"))[0]).buffer(0.3)
    discs = [
        shapely.Point(float(c.get("cx")), float(c.get("cy"))).buffer(INSET_RADIUS + 0.3, 64)
        for c in by_class(root, "wm-inset")
    ]
    assert sum(outline.contains(shapely.Point(s)) for s in spots) == len(corners)
    assert sum(any(d.contains(shapely.Point(s)) for d in discs) for s in spots) == polar


# ------------------------------------------------------------------------------------------- texts


HOSTILE = [
    "<script>alert(1)</script>",
    '"><image href=x onerror=y>',
    "a & b ]]> c",
    "line\nbreak\r\n\ttab",
    "nul\x00bell\x07esc\x1bffff\uffff lone \ud800 end",
    "\u202eturned\u2066 שלום عالم",
    "long " * 60,
    "e" + "\u0301" * 200,
    "",
]


def hostile_content(names):
    points = tuple(MapPoint(5.0 * i - 20, 20.0 * i, "both", n, True, n) for i, n in enumerate(names))
    line = np.array([[0.0, 0.0], [10.0, 10.0]])
    tracks = tuple(MapTrack((line + i,), "flask", n) for i, n in enumerate(names))
    bands = tuple(MapBand(n, -10.0 * i - 5, 10.0 * i + 5, n) for i, n in enumerate(names[:8]))
    return MapContent(names[0], names[-1], points, tracks, bands)


def assert_harmless(svg):
    svg.encode("utf-8")
    # XML 1.0 (fifth edition), section 2.2, production 2: the legal characters.
    assert not re.search("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", svg)
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", svg)
    root = ET.fromstring(svg)
    allowed = {"svg", "title", "desc", "text", "path", "circle", "rect", "g"}
    assert {e.tag.removeprefix(NS) for e in root.iter()} <= allowed
    attributes = {key for e in root.iter() for key in e.attrib}
    assert not attributes & {"id", "style", "href"}
    assert not any(key.startswith("on") for key in attributes)
    return root


def test_hostile_names_are_harmless_and_keep_their_visible_text():
    root = assert_harmless(draw(hostile_content(HOSTILE)))
    assert len(by_class(root, "wm-both")) == len(HOSTILE)
    tips = [g.find(f"{NS}title").text for g in by_class(root, "wm-both")]
    assert any(t.startswith("<script>alert(1)</script>\n") for t in tips)
    shown = [t.text for t in root.iter(f"{NS}text") if t.text]
    assert "line break tab" in shown
    assert max(map(len, shown)) < 120
    assert any(t.endswith("…") for t in shown)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.text(max_size=40), min_size=1, max_size=4))
def test_any_text_gives_well_formed_xml(names):
    assert_harmless(draw(hostile_content(names)))


def test_a_long_name_is_cut_to_its_width_with_an_ellipsis():
    cut = shorten("An invented place with a name that nobody would want on a map", 120.0, 10.5)
    assert cut.endswith("…")
    assert 90.0 < text_width(cut, 10.5) <= 120.0
    assert shorten("Short", 120.0, 10.5) == "Short"
    assert len(clean("x" * 5000)) == 400


def test_text_width_is_the_sum_of_the_widths_of_helvetica():
    # Adobe core 14 font metrics, Helvetica: M 833, a 556, s 500, space 278, degree 400
    # (of 1000); 4 % are to spare.
    assert text_width("Mass a°", 10.0) == pytest.approx(1.04 * (833 + 556 + 500 + 500 + 278 + 556 + 400) / 100)
    assert text_width("é", 10.0) == text_width("e", 10.0) == text_width("e\u0301", 10.0)


# --------------------------------------------------------------------------------- shapes and colours


def bare(element):
    """An element without its place and colours: what a black-and-white print shows."""
    drop = {"class", "transform", "stroke"}
    fill = {"fill": "open" if element.get("fill") == "#ffffff" else "solid"}
    own = [(k, fill.get(k, v)) for k, v in element.attrib.items() if k not in drop]
    return element.tag, tuple(sorted(own)), tuple(bare(c) for c in element if c.tag != f"{NS}title")


def test_each_kind_has_a_shape_of_its_own_without_colour():
    kinds = list(KIND_TEXT)
    points = tuple(MapPoint(0.0, 0.0, kind, kind) for kind in kinds)
    root = parsed(MapContent("t", "", points))
    shapes = [bare(by_class(root, f"wm-{kind}")[0]) for kind in kinds]
    assert len(set(map(repr, shapes))) == len(kinds)
    root = parsed(MapContent("t", "", tracks=tuple(MapTrack((np.eye(2),), k, k) for k in kinds)))
    pens = [by_class(root, f"wm-track-{k}")[0] for k in kinds]
    assert len({(p.get("stroke-dasharray"), p.get("stroke-width")) for p in pens}) == len(kinds)


def luminance(colour):
    """Relative luminance, WCAG 2.2 (definition in the glossary; threshold of the linear part 0.04045)."""
    channel = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast(one, two):
    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_texts_and_marks_keep_the_contrast_of_wcag():
    # WCAG 2.2, success criteria 1.4.3 (text, 4.5 to 1) and 1.4.11 (graphical objects, 3 to 1).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    root = parsed(invented())
    land = by_class(root, "wm-land")[0].get("fill")
    sea = next(e.get("fill") for e in root.iter(f"{NS}path") if e.get("fill") not in (None, "none"))
    grounds = {"#ffffff", land, sea}
    assert len(grounds) == 3
    inks = {t.get("fill") for t in root.iter(f"{NS}text")}
    assert min(contrast(i, g) for i in inks for g in grounds) >= 4.5
    pens = set()
    for kind in KIND_TEXT:
        for mark in by_class(root, f"wm-{kind}")[:1]:
            pens |= {v for e in mark.iter() for k, v in e.attrib.items() if k in ("fill", "stroke")}
    pens -= {"none", "#ffffff"}
    assert len(pens) >= 5
    assert min(contrast(p, g) for p in pens for g in grounds) >= 3.0


# ------------------------------------------------------------------------------------------- labels


def test_no_two_labels_overlap_and_all_find_room_in_a_moderate_case():
    for seed in (1, 2, 3):
        content = invented(seed)
        root = parsed(content)
        boxes = label_boxes(root)
        assert len(boxes) == sum(p.label for p in content.points) + 2  # and two picked tracks
        assert max(a.intersection(b).area for a, b in combinations(boxes, 2)) == 0.0
        spots = [shapely.Point(s).buffer(3) for kind in NAMED for s in mark_spots(root, kind)]
        assert not any(box.intersects(spot) for box in boxes for spot in spots)


def test_texts_of_graticule_bands_and_labels_do_not_meet():
    root = parsed(invented())
    boxes = []
    for text in root.iter(f"{NS}text"):
        words = "".join(text.itertext()) if text.find(f"{NS}title") is None else text.find(f"{NS}title").tail
        size, x, y = (float(text.get(k)) for k in ("font-size", "x", "y"))
        width = text_width(words, size) / 1.04 * (1.08 if text.get("font-weight") else 1.0)
        left = x - width * {"middle": 0.5, "end": 1.0}.get(text.get("text-anchor"), 0.0)
        boxes.append((words, shapely.box(left, y - 0.72 * size, left + width, y)))
    key = {words for group in by_class(root, "wm-key") for words in group.itertext()}
    outside = [(w, b) for w, b in boxes if w not in key]
    assert len(outside) > 60
    met = [(v, w) for (v, a), (w, b) in combinations(outside, 2) if a.intersection(b).area > 0]
    assert met == []
    assert min(b.bounds[0] for _, b in outside) >= 0
    assert max(b.bounds[2] for _, b in outside) <= 1000


def test_leaders_cross_neither_labels_nor_each_other():
    rng = np.random.default_rng(2)
    points = tuple(
        MapPoint(float(rng.normal(0, 8)), float(rng.normal(20, 12)), NAMED[i % 4], f"Invented place {i}", True)
        for i in range(24)
    )
    root = parsed(MapContent("t", "", points))
    boxes = [b.buffer(-0.3) for b in label_boxes(root)]
    leaders = [shapely.LineString(p).buffer(0) if len(p) < 2 else shapely.LineString(p)
               for p in subpaths(by_class(root, "wm-leaders")[0].get("d"))]  # fmt: skip
    assert len(leaders) >= 5
    assert len(boxes) >= 15
    assert not any(line.intersects(box) for line in leaders for box in boxes)
    assert not any(a.crosses(b) for a, b in combinations(leaders, 2))


def test_a_label_is_beside_its_point_where_there_is_room():
    request = Request("Alone", np.array([[200.0, 200.0]]), 5.0, (0.0, 0.0, 400.0, 400.0))
    (label,) = place([request], [(195.0, 195.0, 205.0, 205.0)], [], np.empty((0, 2)))
    assert label.leader is None
    assert 205.0 < label.box[0] < 215.0
    assert label.box[1] < 200.0
    assert label.box[3] > 200.0


def test_names_without_room_are_counted_in_the_key():
    points = tuple(MapPoint(0.0, 0.0, "flask", f"Twin number {i}", True) for i in range(150))
    root = parsed(MapContent("t", "", points))
    shown = len(by_class(root, "wm-label"))
    assert 10 < shown < 150
    said = [t.text for t in root.iter(f"{NS}text") if t.text and "left out for want of room" in t.text]
    assert said == [f"{150 - shown} names left out for want of room."]
    assert len(by_class(root, "wm-flask")) == 150


@pytest.mark.parametrize("count", [1, 6, 18, 30, 60])
def test_names_of_bands_do_not_meet_however_many_there_are(count):
    edges = np.linspace(-90, 90, count + 1)
    bands = tuple(MapBand(f"Band {i}", float(edges[i]), float(edges[i + 1]), "n") for i in range(count))
    root = parsed(MapContent("t", "", bands=bands))
    names = [t for t in root.iter(f"{NS}text") if t.get("font-weight") and float(t.get("x")) > 500]
    rows = sorted(float(t.get("y")) for t in names)
    assert all(b - a >= 10 for a, b in pairwise(rows))
    assert rows[-1] < 480
    more = [t.text for t in names if t.text and t.text.startswith("and ")]
    assert len(names) == count if not more else more == [f"and {count - len(names) + 1} more bands"]


# ---------------------------------------------------------------------------------- the whole document


def test_screen_readers_get_a_title_a_description_and_a_role():
    root = parsed(invented())
    assert root.get("role") == "img"
    assert root.get("viewBox").startswith("0 0 1000 ")
    assert root[0].tag == f"{NS}title"
    assert root[0].text == "An invented network"
    assert root[1].tag == f"{NS}desc"
    assert "Flask sampling: 10;" in root[1].text  # nine sites and a track
    assert "Invented place 0 (continuous analyzer" in root[1].text


def test_the_key_counts_sites_and_tracks_of_each_kind():
    (key,) = by_class(parsed(invented(left_out=1234)), "wm-key")
    texts = [t.text for t in key.iter(f"{NS}text")]
    expected = {
        "Continuous analyzer": ("7", "1"),
        "Flask sampling": ("9", "1"),
        "Analyzer and flasks": ("4", "0"),
        "Already running": ("5", "0"),
        "Candidate left out": ("1,234", "0"),
        "Excluded": ("6", "0"),
    }
    for text, counts in expected.items():
        at = texts.index(text)
        assert tuple(texts[at + 1 : at + 3]) == counts


def test_the_order_of_the_input_does_not_change_a_byte():
    content = invented()
    svg = draw(content)
    for seed in range(3):
        rng = random.Random(seed)

        def mixed(items, rng=rng):
            return tuple(rng.sample(items, len(items)))

        tracks = tuple(MapTrack(mixed(t.parts), t.kind, t.name, t.closed) for t in mixed(content.tracks))
        other = MapContent(
            content.title,
            content.subtitle,
            mixed(content.points),
            tracks,
            mixed(content.bands),
            mixed(content.land),
        )
        assert draw(other) == svg


def test_an_empty_content_is_still_a_map():
    root = parsed(MapContent("", ""))
    assert root[0].text == "Map of the network"
    assert "No sites" in root[1].text
    assert by_class(root, "wm-outline")


def test_ten_thousand_places_left_out_are_quick_and_small():
    content = invented(left_out=10_000)
    spent = []
    for _ in range(3):  # the least of three: other work on the machine is not the map's
        start = time.process_time()
        svg = draw(content)
        spent.append(time.process_time() - start)
    assert min(spent) < 1.0
    assert len(svg.encode()) < 400_000
    dots = [e for e in by_class(ET.fromstring(svg), "wm-left_out") if len(e.get("d")) > 20]
    assert sum(d.get("d").count("M") for d in dots) > 10_000  # those poleward of 60 degrees twice


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: MapPoint(float("nan"), 0.0, "flask", "x"), "lat in -90..90"),
        (lambda: MapPoint(0.0, 361.0, "flask", "x"), "lon in -180..360"),
        (lambda: MapPoint(0.0, 0.0, "balloon", "x"), "is one of"),
        (lambda: MapTrack((np.array([[0.0, 0.0], [190.0, 0.0]]),), "flask", "x"), "cut them at 180"),
        (lambda: MapTrack((np.array([[0.0, np.nan], [1.0, 0.0]]),), "flask", "x"), "cut them at 180"),
        (lambda: MapTrack((np.zeros((1, 2)),), "flask", "x"), "n >= 2"),
        (lambda: MapBand("x", 10.0, 10.0), "south < north"),
    ],
)
def test_bad_content_is_refused_in_a_plain_sentence(make, says):
    with pytest.raises(ValueError, match=re.escape(says)):
        make()


def test_arrays_of_the_content_cannot_be_changed():
    own = np.array([[0.0, 0.0], [10.0, 10.0]])
    track = MapTrack((own,), "flask", "x")
    own[0, 0] = 5.0
    assert track.parts[0][0, 0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        track.parts[0][0, 0] = 1.0
