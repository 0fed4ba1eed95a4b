"""The figures: drawn without a screen and without a warning, readable, complete, nothing over anything."""

import subprocess
import sys
import warnings
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from handmade_lap import bend_road, handmade_lap
from invented_evidence import invented_evidence
from matplotlib.colors import to_hex
from matplotlib.text import Text

from lapwright.lap.corners import corner_reports
from lapwright.lap.phases import phases
from lapwright.outputs.figures.friction import draw_friction, shares
from lapwright.outputs.figures.limits import draw_limits
from lapwright.outputs.figures.map import draw_map
from lapwright.outputs.figures.style import A3, renderer, save
from lapwright.outputs.figures.traces import PAGE_LENGTH, draw_traces, page_cuts
from lapwright.quantities import CAUTION
from lapwright.reference.evidence import Evidence, LimitUse, active_stretches

SMALLEST_TYPE = 11.0
"""Points; below that a page on a pit wall cannot be read [common practice]."""


@pytest.fixture(autouse=True)
def no_warnings():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


@pytest.fixture(scope="module")
def figures(lap, circuit, reports, baseline):
    return {
        "map": draw_map(lap, circuit, reports),
        "traces": draw_traces(lap, circuit, reports, baseline)[0],
        "friction": draw_friction(lap, 0.03),
        "limits": draw_limits(lap, invented_evidence(lap), reports),
    }


FIGURES = ("map", "traces", "friction", "limits")


def texts(figure, gid=None):
    found = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    return [t for t in found if gid is None or t.get_gid() == gid]


def words(figure):
    return " ".join(" ".join(t.get_text() for t in texts(figure)).split())


def box(figure, text):
    plate = text.get_bbox_patch()
    if plate is None:
        return text.get_window_extent(renderer(figure))
    text.update_bbox_position_size(renderer(figure))
    return plate.get_window_extent(renderer(figure))


def overlaps(figure, found):
    boxes = [(t.get_text(), box(figure, t).padded(-0.5)) for t in found]
    return [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if one.overlaps(other)]


@pytest.mark.parametrize("name", FIGURES)
def test_title_lap_time_and_caution(figures, name):
    said = words(figures[name])
    assert "Fen Loop (invented)" in said and "Cup coupe (invented)" in said
    assert "56.682 s" in said
    assert CAUTION in said


@pytest.mark.parametrize("name", FIGURES)
def test_type_is_large(figures, name):
    small = [
        (t.get_text(), t.get_fontsize()) for t in texts(figures[name]) if t.get_fontsize() < SMALLEST_TYPE
    ]
    assert not small


def off_the_page(figure):
    figure.canvas.draw()
    found = [(axes.get_title(), axes.get_tightbbox(renderer(figure))) for axes in figure.axes]
    found += [(text.get_text(), text.get_window_extent(renderer(figure))) for text in figure.texts]
    found += [("legend", legend.get_window_extent(renderer(figure))) for legend in figure.legends]
    page = figure.bbox
    return [
        what
        for what, box in found
        if box is not None and not (box.x0 >= 0 and box.y0 >= 0 and box.x1 <= page.x1 and box.y1 <= page.y1)
    ]


@pytest.mark.parametrize("name", FIGURES)
def test_nothing_runs_off_the_page(figures, name):
    assert off_the_page(figures[name]) == []


@pytest.mark.parametrize("words_in_name", [1, 12, 80])
def test_long_names_stay_clear_of_the_rest_of_the_heading(lap, circuit, reports, words_in_name):
    long = replace(lap, track_name="Long " * words_in_name, vehicle_name="Heavy " * words_in_name)
    for figure in (
        draw_map(long, circuit, reports),
        draw_traces(long, circuit, reports)[0],
        draw_friction(long),
    ):
        assert off_the_page(figure) == []
        assert "56.682 s" in words(figure)
        title, subtitle = (box(figure, texts(figure, gid)[0]) for gid in ("title", "subtitle"))
        legends = [legend.get_window_extent(renderer(figure)) for legend in figure.legends]
        others = legends + [axes.get_tightbbox(renderer(figure)) for axes in figure.axes]
        for other in others:
            assert other is None or not (title.overlaps(other) or subtitle.overlaps(other))


@pytest.mark.parametrize(
    "name, units",
    [
        ("map", ["Speed [km/h]", "km/h", "m before"]),
        (
            "traces",
            ["[km/h]", "[% of peak]", "[%]", "[deg, + left]", "[m]", "Distance along the centreline [m]"],
        ),
        ("friction", ["force / peak [-]", "%"]),
        ("limits", ["[s]", "[m]", "[microseconds]", "[-]"]),
    ],
)
def test_units(figures, name, units):
    for unit in units:
        assert unit in words(figures[name]), unit


@pytest.mark.parametrize("name", ["map", "traces"])
def test_every_corner_is_named_once(figures, reports, name):
    named = sorted(t.get_text().split("\n")[0] for t in texts(figures[name], "corner"))
    assert named == sorted(report.name for report in reports)


def test_the_map_tells_every_brake_point(figures, reports, circuit):
    plates = {t.get_text() for t in texts(figures["map"], "brake-on")}
    for report in reports:
        if report.brake_on is not None:
            before = round(report.brake_on_before_start)
            metres = f"{before} m" if before >= 0 else f"{-before} m in"
            assert f"{metres}, {report.brake_on_speed * 3.6:.0f} km/h" in plates
    assert {t.get_text() for t in texts(figures["map"], "landmark")} == {m.name for m in circuit.landmarks}


LABELS = ("corner", "brake-on", "landmark", "line")


def test_labels_of_the_map_are_apart(figures):
    found = [t for gid in LABELS for t in texts(figures["map"], gid)]
    assert len(found) > 15
    assert overlaps(figures["map"], found) == []


def test_labels_of_the_map_are_off_the_road(figures, circuit):
    figure = figures["map"]
    axes = next(a for a in figure.axes if a.get_aspect() != "auto")
    s = np.arange(0.0, circuit.length, 0.5)
    for side in (-5.4, -2.7, 0.0, 2.7, 5.4):
        x, y, _ = circuit.to_world(s, np.full(s.size, side))
        pixels = axes.transData.transform(np.column_stack([x, y]))
        for gid in LABELS:
            for text in texts(figure, gid):
                covered = box(figure, text).padded(-0.5)
                inside = (pixels > [covered.x0, covered.y0]) & (pixels < [covered.x1, covered.y1])
                assert not np.any(inside.all(axis=1)), text.get_text()


def test_strips_of_the_traces_are_apart(figures):
    for gid in ("corner", "brake-on", "landmark"):
        assert overlaps(figures["traces"], texts(figures["traces"], gid)) == []


def lines_of(figure, label):
    return [line for axes in figure.axes for line in axes.lines if axes.get_ylabel().startswith(label)]


def test_target_is_solid_blue_and_baseline_dotted_grey(figures):
    for label in ("Speed", "Brake", "Throttle", "Hand wheel"):
        styles = {
            (to_hex(line.get_color()).upper(), line.get_linestyle())
            for line in lines_of(figures["traces"], label)
        }
        assert {("#0072B2", "-"), ("#7F7F7F", ":")} <= styles, label


def test_front_and_rear_axle_differ_by_more_than_colour(figures, lap):
    curves = [line for line in lines_of(figures["traces"], "Grip use") if len(line.get_xdata()) == lap.s.size]
    assert len(curves) == 2 and curves[0].get_linestyle() != curves[1].get_linestyle()
    np.testing.assert_allclose(curves[0].get_ydata(), 100 * lap.grip_use_front)
    np.testing.assert_allclose(curves[1].get_ydata(), 100 * lap.grip_use_rear)


def test_curves_are_the_channels(figures, lap):
    for label, values in [("Speed", lap.speed * 3.6), ("Brake", 100 * lap.brake), ("Elevation", lap.z)]:
        curve = next(line for line in lines_of(figures["traces"], label) if line.get_color() == "#0072B2")
        np.testing.assert_allclose(curve.get_xdata(), lap.s)
        np.testing.assert_allclose(curve.get_ydata(), values)


def stretched(lap, circuit, laps):
    """An open road of several laps: only its length matters here."""
    many = {}
    for name, value in vars(lap).items():
        if isinstance(value, np.ndarray):
            step = {"s": circuit.length, "t": lap.time}.get(name, 0)
            rows = [value[:-1] + k * step if step else value[:-1] for k in range(laps)]
            last = value[-1:] + (laps - 1) * step if step else value[-1:]
            many[name] = np.concatenate([*rows, last])
    return replace(lap, closed=False, **many)


def test_a_long_road_takes_several_pages(lap, circuit):
    long = stretched(lap, circuit, 4)
    reports = corner_reports(long, circuit)
    cuts = page_cuts(long, reports)
    assert cuts[0] == 0.0 and cuts[-1] == pytest.approx(4 * circuit.length)
    assert len(cuts) == 5 and max(np.diff(cuts)) <= 1.3 * PAGE_LENGTH
    for cut in cuts[1:-1]:
        for report in reports:
            assert not report.start < cut < report.end, report.name
    pages = draw_traces(long, circuit, reports)
    assert len(pages) == 4
    spans = {round(float(np.ptp(page.axes[0].get_xlim())), 6) for page in pages}
    assert len(spans) == 1, "the same scale on every page"
    assert "page 4 of 4" in words(pages[3])


def test_a_short_lap_takes_one_page(lap, circuit, reports):
    assert len(draw_traces(lap, circuit, reports)) == 1


def test_friction_diagram_reads_as_the_driver_sits(figures, lap):
    front, rear = figures["friction"].axes[:2]
    for axes, axle in ((front, "front"), (rear, "rear")):
        assert axes.get_title() == f"{axle.capitalize()} axle"
        left, right = axes.get_xlim()
        assert left > right, "positive lateral force, a left turn, is drawn on the left"
        along, across = lap.axle_force_use(axle)
        track = next(line for line in axes.lines if len(line.get_xdata()) == lap.s.size)
        np.testing.assert_allclose(track.get_xdata(), across)
        np.testing.assert_allclose(track.get_ydata(), along)
        radii = sorted(
            {
                round(float(np.hypot(*line.get_xydata()[0])), 6)
                for line in axes.lines
                if len(line.get_xdata()) == 361
            }
        )
        assert radii == [0.97, 1.0]


def test_phases_are_told_apart_by_their_markers(figures, lap):
    front = figures["friction"].axes[0]
    drawn = [line for line in front.lines if line.get_linestyle() == "None"]
    assert len({line.get_marker() for line in drawn}) == 4
    assert sum(len(line.get_xdata()) for line in drawn) == lap.s.size


def test_shares_of_the_time():
    """0, 1, 2, 3 s: a row counts for half the time to either neighbour, so weights are 0.5, 1, 1, 0.5 s."""
    use = np.array([0.99, 0.90, 0.97, 0.50])[:, None] * np.ones((4, 4))
    use[:, 2:] = 0.2
    lap = handmade_lap(
        bend_road(),
        [0.0, 30.0, 60.0, 90.0],
        t=np.array([0.0, 1.0, 2.0, 3.0]),
        brake=np.array([1.0, 1.0, 0.0, 0.0]),
        grip_use=use,
    )
    table = shares(lap, phases(lap), 0.0)
    assert table["braking"] == pytest.approx((1.5 / 3, 0.5 / 3, 0.0))
    assert table["throttle"] == pytest.approx((1.5 / 3, 1.0 / 3, 0.0))
    assert table["whole"] == pytest.approx((1.0, 1.5 / 3, 0.0))
    wide = shares(lap, phases(lap), 0.06)
    assert wide["whole"] == pytest.approx((1.0, 2.5 / 3, 0.0)), "0.90 is above 95 % of the 94 % allowed"


def test_shares_add_up(lap):
    table = shares(lap, phases(lap), 0.0)
    for column in range(3):
        parts = sum(table[name][column] for name in table if name != "whole")
        assert parts == pytest.approx(table["whole"][column])


def test_active_stretches():
    s = np.array([0.0, 10.0, 20.0, 30.0, 40.0])
    flags = np.array([True, False, True, True, False])
    assert active_stretches(s, flags) == ((0.0, 5.0), (15.0, 35.0))
    assert active_stretches(s, np.zeros(5, bool)) == ()
    assert active_stretches(s, np.ones(5, bool)) == ((0.0, 40.0),)


def test_limits_are_listed_dearest_first_with_their_cost(figures, lap):
    strips = next(axes for axes in figures["limits"].axes if axes.get_title(loc="left").startswith("Where"))
    names = [label.get_text() for label in strips.get_yticklabels()][::-1]
    ordered = sorted(invented_evidence(lap).limits, key=lambda limit: -limit.cost)
    assert names == [limit.name for limit in ordered]
    bars = next(axes for axes in figures["limits"].axes if axes.get_title(loc="left").startswith("What it"))
    assert [bar.get_width() for bar in bars.patches][::-1] == pytest.approx([limit.cost for limit in ordered])


def test_limits_of_a_solver_that_tells_little(lap, reports):
    """One iteration, no barrier, no mesh error, no costs: still a page."""
    bare = Evidence(
        "another", np.array([60.0]), np.array([0.0]), np.array([0.0]), np.array([]), lap.s[::10],
        np.zeros(lap.s[::10].size - 1), 0.005, (LimitUse("grip, front left", ()),),
    )  # fmt: skip
    figure = draw_limits(lap, bare, reports)
    figure.canvas.draw()
    assert "not known" in words(figure)
    assert draw_limits(lap, replace(bare, limits=()), ())


def point_mass(lap):
    """What a car without wheels, gears and hand wheel leaves in a lap."""
    zero = np.zeros(lap.s.size)
    names = (
        "steering_wheel",
        "engine_speed",
        "brake_pressure",
        "sideslip",
        "slip_angle_front",
        "slip_angle_rear",
    )
    return replace(lap, gear=np.zeros(lap.s.size, dtype=int), **dict.fromkeys(names, zero))


def test_point_mass(lap, circuit, baseline):
    simple = point_mass(lap)
    reports = corner_reports(simple, circuit)
    assert {report.turn_in_by for report in reports} == {"curvature"}
    figure = draw_map(simple, circuit, reports)
    assert "gear" not in words(figure)
    for each in (*draw_traces(simple, circuit, reports, baseline), draw_friction(simple)):
        each.canvas.draw()


def test_open_road_without_corners_or_braking():
    track = bend_road(())
    lap = handmade_lap(track, np.arange(0.0, 1051.0, 5.0))
    figure = draw_map(lap, track, ())
    assert "Start" in words(figure) and "Finish" in words(figure) and "finish" not in words(figure)
    for each in (*draw_traces(lap, track, ()), draw_friction(lap, 0.05)):
        each.canvas.draw()


@pytest.mark.parametrize("high", [False, True])
def test_the_page_stands_or_lies_as_the_circuit_does(high):
    from lapwright.track.build import build_track
    from lapwright.track.definition import Arc, CornerSpec, ElementLine, Station, Straight, TrackDefinition

    elements = (Straight(150.0), Arc(30.0, np.pi / 2), Straight(900.0 if high else 40.0))
    corner = (CornerSpec("Gate", 150.0, 197.0),)
    edge = (Station(0.0, 5.0),)
    road = build_track(TrackDefinition("North", False, ElementLine(elements), edge, edge, corners=corner))
    lap = handmade_lap(road, np.arange(0.0, road.length, 5.0))
    figure = draw_map(lap, road, corner_reports(lap, road))
    assert tuple(figure.get_size_inches()) == (A3[::-1] if high else A3)
    assert "Gate" in words(figure)
    assert off_the_page(figure) == []


NAMES = ["Pay $5 or $6", "Hausstraße", r"back\slash_and^hat", "見晴", "100 % {brace}"]


@pytest.mark.parametrize("name", NAMES)
def test_names_are_drawn_as_they_are(name, circuit, lap, reports, tmp_path):
    """No markup hides in a user's name, and a character that the font lacks does not warn."""
    named = [replace(reports[0], name=name), *reports[1:]]
    save(draw_map(replace(lap, track_name=name), circuit, named), tmp_path, "map")


def test_saved_as_png_and_pdf_with_the_same_bytes_each_time(lap, tmp_path):
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        written = save(draw_friction(lap), tmp_path / folder, "friction")
        assert [path.name for path in written] == ["friction.png", "friction.pdf"]
    for name in ("friction.png", "friction.pdf"):
        one, two = ((tmp_path / folder / name).read_bytes() for folder in ("one", "two"))
        assert one == two
    assert (tmp_path / "one" / "friction.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert (tmp_path / "one" / "friction.pdf").read_bytes()[:5] == b"%PDF-"


def test_png_has_150_dots_an_inch(lap, tmp_path):
    from PIL import Image

    save(draw_friction(lap), tmp_path, "friction")
    with Image.open(tmp_path / "friction.png") as image:
        assert image.size == (int(A3[0] * 150), int(A3[1] * 150))


def test_several_pages_make_several_pictures_and_one_document(lap, circuit, tmp_path):
    long = stretched(lap, circuit, 2)
    written = save(draw_traces(long, circuit, corner_reports(long, circuit)), tmp_path, "traces")
    assert [path.name for path in written] == ["traces-1.png", "traces-2.png", "traces.pdf"]
    assert written[-1].read_bytes().count(b"/Count 2") == 1


def test_the_settings_of_the_user_stay_as_they_are(lap):
    import matplotlib as mpl

    with mpl.rc_context({"font.size": 30, "axes.grid": True}):
        before = dict(mpl.rcParams)
        figure = draw_friction(lap)
        assert dict(mpl.rcParams) == before
    assert max(t.get_fontsize() for t in texts(figure)) < 30


def test_no_window_system_is_touched():
    """pyplot keeps figures alive and may open windows: the figures do without it."""
    code = (
        "import sys; import lapwright.outputs.figures.map, lapwright.outputs.figures.traces,"
        "lapwright.outputs.figures.friction, lapwright.outputs.figures.limits;"
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, cwd=Path(__file__).parents[2])
    assert done.returncode == 0
