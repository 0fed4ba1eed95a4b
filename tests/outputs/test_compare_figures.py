"""The figures of a comparison: complete, readable, nothing over anything, truthful about what was not logged."""

import copy
import warnings
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from made_comparison import HAVE, even, invented_drive, made_record, running
from matplotlib.colors import to_hex
from matplotlib.text import Text

from lapwright.outputs.figures.compare_corner import draw_corner_overlay
from lapwright.outputs.figures.compare_difference import draw_difference
from lapwright.outputs.figures.compare_findings import draw_findings
from lapwright.outputs.figures.compare_lines import draw_lines
from lapwright.outputs.figures.compare_overlay import draw_overlay, page_cuts
from lapwright.outputs.figures.style import renderer
from lapwright.outputs.figures.traces import PAGE_LENGTH
from lapwright.quantities import CAUTION

SMALLEST_TYPE = 11.0
"""Points; below that a page on a pit wall cannot be read [common practice]."""

FIGURES = ("difference", "overlay", "findings", "lines", "corner")


@pytest.fixture(autouse=True)
def no_warnings():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


@pytest.fixture(scope="module")
def case(lap, circuit):
    target = even(lap)
    bare = HAVE - {"line", "brake"}
    drives = [invented_drive(target, circuit), invented_drive(target, circuit, "Ben Tarn", 0.6, bare)]
    return made_record(circuit, target, drives), target, drives


def drawn(record, target, track, drives, corner="Ferry Hairpin"):
    run = [running(target, drive) for drive in drives]
    return {
        "difference": draw_difference(record, target, track, drives, run),
        "overlay": draw_overlay(record, target, track, drives)[0],
        "findings": draw_findings(record, target),
        "lines": draw_lines(record, target, track, drives),
        "corner": draw_corner_overlay(record, target, track, drives, corner),
    }


@pytest.fixture(scope="module")
def figures(case, circuit):
    record, target, drives = case
    return drawn(record, target, circuit, drives)


def texts(figure, gid=None):
    found = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    return [t for t in found if gid is None or t.get_gid() == gid]


def words(figure):
    return " ".join(" ".join(t.get_text() for t in texts(figure)).split())


def overlaps(figure, gid):
    boxes = [(t.get_text(), t.get_window_extent(renderer(figure)).padded(-0.5)) for t in texts(figure, gid)]
    return [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if one.overlaps(other)]


def off_the_page(figure):
    figure.canvas.draw()
    found = [(axes.get_title(), axes.get_tightbbox(renderer(figure))) for axes in figure.axes]
    found += [(text.get_text(), text.get_window_extent(renderer(figure))) for text in figure.texts]
    found += [("legend", legend.get_window_extent(renderer(figure))) for legend in figure.legends]
    page = figure.bbox
    inside = [
        box is None or (box.x0 >= 0 and box.y0 >= 0 and box.x1 <= page.x1 and box.y1 <= page.y1)
        for _, box in found
    ]
    return [what for (what, _), good in zip(found, inside, strict=True) if not good]


@pytest.mark.parametrize("name", FIGURES)
def test_each_page_says_whose_lap_it_is_and_warns(figures, name):
    said = words(figures[name])
    assert CAUTION in said
    assert "Ada Quill lap 4 58.002 s" in said and "reference 56.682 s" in said
    assert "Fen Loop (invented)" in said


@pytest.mark.parametrize("name", FIGURES)
def test_type_is_large_and_nothing_leaves_the_page(figures, name):
    assert [t.get_text() for t in texts(figures[name]) if t.get_fontsize() < SMALLEST_TYPE] == []
    assert off_the_page(figures[name]) == []


@pytest.mark.parametrize(("name", "gid"), [
    ("difference", "corner"), ("difference", "lost"), ("overlay", "corner"), ("findings", "finding"), ("lines", "corner"),
    ("corner", "found"),
])  # fmt: skip
def test_no_word_lies_over_another(figures, name, gid):
    assert texts(figures[name], gid)
    assert overlaps(figures[name], gid) == []


@pytest.mark.parametrize("name", ("difference", "overlay", "lines"))
def test_every_corner_has_its_name(figures, circuit, name):
    said = words(figures[name])
    assert [corner.name for corner in circuit.corners if corner.name not in said] == []


def test_strokes_and_colours_as_everywhere(figures):
    """Reference solid blue, driver dashed orange, second driver dash-dot green (Okabe & Ito 2008)."""
    speed = figures["overlay"].axes[0].get_lines()
    assert [to_hex(line.get_color()) for line in speed] == ["#0072b2", "#e69f00", "#009e73"]
    assert speed[0].get_linestyle() == "-"
    assert (
        speed[1].get_linestyle() == "--" == speed[2].get_linestyle()
    )  # matplotlib's word for any dash pattern
    assert speed[1]._dash_pattern != speed[2]._dash_pattern


def test_what_was_not_logged_is_said_and_not_drawn(figures):
    brake = figures["overlay"].axes[1]
    assert [to_hex(line.get_color()) for line in brake.get_lines()] == ["#0072b2", "#e69f00"]
    assert any("not in the log of Ben Tarn" in t.get_text() for t in brake.texts)
    assert "Ben Tarn: no place logged" in words(figures["lines"])


def test_a_brake_that_is_a_switch_is_told(case, circuit):
    record, target, drives = case
    switched = [replace(drives[0], brake_switch=True), drives[1]]
    brake = draw_overlay(record, target, circuit, switched)[0].axes[1]
    assert any("only on or off: Ada Quill" in t.get_text() for t in brake.texts)


def test_six_laps_have_their_names_under_the_panels(lap, circuit):
    """Two rows of names, clear of the scale above them and of the caution below."""
    target = even(lap)
    drives = [invented_drive(target, circuit, f"Driver of number {k}", 0.2 * k) for k in range(1, 7)]
    record = made_record(circuit, target, drives)
    run = [running(target, drive) for drive in drives]
    pages = [
        draw_overlay(record, target, circuit, drives)[0],
        draw_difference(record, target, circuit, drives, run),
    ]
    for figure in pages:
        measure = renderer(figure)
        assert off_the_page(figure) == []
        foot = min(axes.get_tightbbox(measure).y0 for axes in figure.axes)
        caution = next(t for t in texts(figure, "caution")).get_window_extent(measure)
        boxes = [legend.get_window_extent(measure) for legend in figure.legends]
        assert all(caution.y1 < box.y0 and box.y1 < foot for box in boxes)
        assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))
        assert "Driver of number 6" in {t.get_text() for t in figure.legends[0].get_texts()}


def test_the_curve_of_the_difference_ends_at_the_difference_of_the_laps(figures, case):
    record, target, _ = case
    curve = figures["difference"].axes[0].get_lines()[0]
    assert curve.get_ydata()[-1] == pytest.approx(record["drivers"][0]["difference_s"], abs=1e-4)
    assert curve.get_xdata()[-1] == pytest.approx(target.s[-1])


def test_blocks_add_up_to_the_difference(figures, case):
    """Line and inputs of all parts together are the difference of the laps: the parts cover the lap."""
    record, _, _ = case
    heights = [patch.get_height() for patch in figures["difference"].axes[1].patches if patch.get_width() > 0
               and patch.get_y() == 0.0 and patch.get_facecolor()[:3] != (239 / 255, 235 / 255, 221 / 255)]  # fmt: skip
    assert sum(heights) == pytest.approx(record["drivers"][0]["difference_s"], abs=1e-3)


def test_bars_are_the_worths_of_the_findings(figures, case):
    record, _, _ = case
    bars = sorted(patch.get_width() for patch in figures["findings"].axes[0].patches)
    assert bars == pytest.approx(sorted(finding["loss_s"] for finding in record["drivers"][0]["findings"]))
    assert "off the road" in words(figures["findings"])


def test_long_words_are_wrapped_and_stay_clear_of_the_bars(case):
    record, target, _ = case
    said = "Brake off 17 m early, the trail is too short: 44 m before the slowest point instead of 29 m before that"
    driver = record["drivers"][0]
    many = [{**driver["findings"][0], "words": said, "rank": rank} for rank in range(1, 16)]
    figure = draw_findings({**record, "drivers": [{**driver, "findings": many}]}, target)
    assert "?" not in words(figure) and said in words(figure) and "3 more in compare.json" in words(figure)
    assert overlaps(figure, "finding") == [] and off_the_page(figure) == []
    left = figure.axes[0].get_window_extent(renderer(figure)).x0
    assert max(t.get_window_extent(renderer(figure)).x1 for t in texts(figure, "finding")) < left


@pytest.mark.parametrize("name", ("difference", "overlay", "corner"))
def test_labels_of_panels_stay_clear_of_the_scales(figures, name):
    figure = figures[name]
    measure = renderer(figure)
    for axes in figure.axes:
        label = axes.yaxis.label
        if label.get_text():
            ticks = [t.get_window_extent(measure) for t in axes.get_yticklabels() if t.get_text()]
            assert not any(label.get_window_extent(measure).overlaps(box) for box in ticks), label.get_text()


def test_corner_page_names_what_was_found_there(figures, case):
    record, _, _ = case
    here = [f for f in record["drivers"][0]["findings"] if f["corner"] == "Ferry Hairpin"]
    said = words(figures["corner"])
    assert all(f["words"] in said for f in here) and here


def test_an_unknown_corner_is_refused(case, circuit):
    record, target, drives = case
    with pytest.raises(ValueError, match="Nowhere"):
        draw_corner_overlay(record, target, circuit, drives, "Nowhere")


def test_a_corner_across_the_line_is_drawn_in_one_piece(lap, case, circuit):
    """Its part runs from before the line to after it; the page's scale runs on past the line."""
    record, target, drives = case
    moved = copy.deepcopy(record)
    for driver in moved["drivers"]:
        part = next(p for p in driver["parts"] if p["kind"] == "corner")
        part["start_m"], part["end_m"] = circuit.length - 50.0, 130.0
    figure = draw_corner_overlay(moved, target, circuit, drives, part["name"])
    low, high = figure.axes[0].get_xlim()
    assert low == pytest.approx(circuit.length - 90.0) and high == pytest.approx(circuit.length + 170.0)
    line = figure.axes[0].get_lines()[0]
    seen = (line.get_xdata() > low) & (line.get_xdata() < high)
    assert np.isfinite(line.get_ydata()[seen]).all() and seen.sum() > 250


def test_names_of_any_kind_are_drawn_as_they_are(case, circuit):
    _, target, drives = case
    names = {"driver": "$x_1$ <b> " + "very long name " * 6, "Ferry Hairpin": "100 $ corner \u2603"}
    hostile = made_record(circuit, target, drives, names)
    for name, figure in drawn(
        hostile, replace(target, track_name="A $5 track"), circuit, drives, "100 $ corner \u2603"
    ).items():
        assert off_the_page(figure) == [], name


def test_long_laps_are_cut_on_straights(case, circuit):
    record, _, _ = case
    length = 2.0 * PAGE_LENGTH
    parts = [{"kind": "straight", "start_m": 0.0, "end_m": 0.45 * length}, {"kind": "corner", "start_m": 0.45 * length,
             "end_m": 0.52 * length}, {"kind": "straight", "start_m": 0.52 * length, "end_m": 0.6 * length}]  # fmt: skip
    cuts = page_cuts({"drivers": [{**record["drivers"][0], "parts": parts}]}, 0.0, length)
    assert cuts == pytest.approx([0.0, 0.56 * length, length])
