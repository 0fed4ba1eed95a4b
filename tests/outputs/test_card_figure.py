"""The page of a corner card: whole, legible, nothing over anything, told apart without colour."""

from __future__ import annotations

import warnings
from dataclasses import replace
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
from corner_cards import card, lap
from matplotlib.text import Text

from lapwright.outputs.figures.card import draw_card
from lapwright.outputs.figures.style import A4, renderer, save, save_pages
from lapwright.outputs.words import landmark_phrase
from lapwright.quantities import CAUTION

SMALLEST = 8.5
"""Points; an A4 page held at arm's length is read down to about this size (common practice)."""

CASES = [
    ("cup-coupe", "Gate"),
    ("cup-coupe", "Heron"),
    ("cup-coupe", "Kiln"),
    ("cup-coupe", "Long Acre"),
    ("teaching-car", "Gate"),
]


@pytest.fixture(autouse=True)
def no_warnings():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def page(car, corner, **changes):
    track, vehicle, _, _ = lap(car)
    figure = draw_card(replace(card(car, corner), **changes), track, vehicle)
    figure.canvas.draw()
    return figure


@pytest.fixture(scope="module")
def pages():
    return {case: page(*case) for case in CASES}


def texts(figure, gid=None):
    found = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    return [t for t in found if gid is None or t.get_gid() == gid]


def words(figure):
    return " ".join(" ".join(t.get_text() for t in texts(figure)).split())


def unseen(figure):
    """Labels of ticks beyond the ends of a scale: matplotlib keeps them and does not draw them."""
    found = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not low - 1e-9 <= tick.get_loc() <= high + 1e-9 or not axes.axison:
                    found |= {tick.label1, tick.label2}
    return found


def boxes(figure):
    hidden = unseen(figure)
    return [(t.get_text(), t.get_window_extent(renderer(figure))) for t in texts(figure) if t not in hidden]


def overlapping(figure):
    return [
        (one, other)
        for (one, a), (other, b) in combinations(boxes(figure), 2)
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 1.0 and min(a.y1, b.y1) - max(a.y0, b.y0) > 1.0
    ]


@pytest.mark.parametrize("case", CASES)
def test_the_page_is_a_4_on_its_side(pages, case):
    assert tuple(pages[case].get_size_inches()) == pytest.approx(A4)
    paper = 297 / 25.4, 210 / 25.4  # ISO 216
    assert pytest.approx(paper, abs=0.01) == A4


@pytest.mark.parametrize("case", CASES)
def test_nothing_runs_off_the_page(pages, case):
    figure = pages[case]
    edge = figure.bbox
    for text, box in boxes(figure):
        assert edge.x0 <= box.x0 and box.x1 <= edge.x1 and edge.y0 <= box.y0 and box.y1 <= edge.y1, text


@pytest.mark.parametrize("case", CASES)
def test_no_text_lies_on_another(pages, case):
    assert overlapping(pages[case]) == []


@pytest.mark.parametrize("case", CASES)
def test_type_is_large_enough_for_a_page_in_the_hand(pages, case):
    assert min(t.get_fontsize() for t in texts(pages[case])) >= SMALLEST


@pytest.mark.parametrize("case", CASES)
def test_corner_car_track_and_caution_are_on_it(pages, case):
    track, vehicle, _, _ = lap(case[0])
    said = words(pages[case])
    for part in (case[1], track.name, vehicle.name, CAUTION):
        assert part in said
    assert f"{card(*case).reading.time:.3f} s" in said


def test_the_key_numbers_are_those_of_the_reading(pages):
    read = card("cup-coupe", "Gate").reading
    said = words(pages["cup-coupe", "Gate"])
    for part in (
        f"{read.braking.before_turn_in:.0f} m before turn-in",
        f"{100 * read.braking.peak:.0f} %",
        f"{read.braking.pressure / 1e5:.0f} bar",
        f"{3.6 * read.slowest.speed:.0f} km/h",
        f"{abs(read.braking.off_past_slowest):.0f} m before the slowest",
    ):
        assert part in said, part


def test_the_landmark_is_told_as_on_the_terminal(pages):
    from lapwright.lap.corners import corner_reports

    track, _, _, known = lap("cup-coupe")
    report = next(r for r in corner_reports(known.lap, track) if r.name == "Gate")
    assert landmark_phrase(report) in words(pages["cup-coupe", "Gate"])


@pytest.mark.parametrize("case", CASES)
def test_every_phase_is_named(pages, case):
    named = [t.get_text() for t in texts(pages[case], "phase")]
    for phase in card(*case).phases:
        assert named.count(phase.span.name) == 1


def test_every_mistake_has_its_seconds(pages):
    said = words(pages["cup-coupe", "Gate"])
    for made in card("cup-coupe", "Gate").mistakes:
        assert made.words.split(" (")[0] in said
        if made.loss is not None:
            assert f"{made.loss:+.3f}" in said


def test_what_was_not_driven_says_so():
    made = card("cup-coupe", "Gate").mistakes
    worse = [
        replace(made[3], status="off the road", loss=None, off_by=1.73, off_at=838.0),
        replace(made[4], status="not solved", loss=None),
    ]
    said = words(page("cup-coupe", "Gate", mistakes=(*made[:3], *worse, *made[5:])))
    assert "off the road" in said and "1.7 m" in said
    assert "not solved" in said


@pytest.mark.parametrize(("name", "said"), [("Heron", "flat"), ("Kiln", "lift")])
def test_a_corner_without_a_braking_says_so(pages, name, said):
    figure = pages["cup-coupe", name]
    assert said in words(figure)
    assert texts(figure, "no-trail") and not texts(figure, "best")


def test_a_light_brake_is_told(pages):
    light = card("cup-coupe", "Kiln").reading.light_brake
    assert f"{100 * light.peak:.0f} % of brake" in words(pages["cup-coupe", "Kiln"])


def test_a_point_mass_has_no_bar_and_no_wheel(pages):
    said = words(pages["teaching-car", "Gate"])
    assert " bar" not in said and "gear" not in said


def test_the_axles_are_told_apart_without_colour(pages):
    figure = pages["cup-coupe", "Gate"]
    axes = next(a for a in figure.axes if "lateral" in a.get_xlabel())
    styles = {line.get_linestyle() for line in axes.lines if len(line.get_xdata()) > 30}
    assert {"-", "--"} <= styles
    assert {"front", "rear"} <= {t.get_text() for t in axes.texts}


def test_the_two_branches_of_the_trail_are_told_apart_without_colour(pages):
    axes = next(a for a in pages["cup-coupe", "Gate"].axes if "Brake off" in a.get_xlabel())
    before, past = (
        next(line for line in axes.lines if line.get_label() == label)
        for label in ("brake off by here", "brake held to here")
    )
    assert before.get_linestyle() != past.get_linestyle() and before.get_marker() != past.get_marker()
    worth = card("cup-coupe", "Gate").trail
    np.testing.assert_allclose(
        np.append(before.get_ydata(), past.get_ydata()[1:]), [p.loss for p in worth.points], atol=1e-12
    )


def test_the_speed_on_the_page_is_the_channel(pages):
    drive = card("cup-coupe", "Gate").drive.lap
    axes = next(a for a in pages["cup-coupe", "Gate"].axes if _curve(a, drive) is not None)
    shown = _curve(axes, drive)
    assert np.all(np.isin(np.round(shown, 6), np.round(3.6 * drive.speed, 6)))


def _curve(axes, drive):
    for line in axes.lines:
        values = np.asarray(line.get_ydata(), dtype=float)
        if (
            len(values) > 50
            and np.nanmin(values) > 80.0
            and np.nanmax(values) <= 3.6 * drive.speed.max() + 1e-6
        ):
            return values
    return None


@pytest.mark.parametrize("name", ["Corner with a name that goes on and on " * 3, "K$ve_{3} ^2", "Süd-Kurve"])
def test_any_name_fits(name):
    figure = page("cup-coupe", "Heron", name=name)
    edge = figure.bbox
    for text, box in boxes(figure):
        assert box.x1 <= edge.x1, text
    title, time = (texts(figure, gid)[0].get_window_extent(renderer(figure)) for gid in ("title", "time"))
    assert not title.overlaps(time)


def test_saved_as_one_page_and_as_pages_of_a_booklet(pages, tmp_path):
    figure = pages["cup-coupe", "Heron"]
    assert [path.name for path in save(figure, tmp_path, "card")] == ["card.png", "card.pdf"]
    both = save_pages([figure, pages["cup-coupe", "Kiln"]], tmp_path, "booklet")
    assert both.read_bytes().count(b"/Type /Page ") == 2 or both.read_bytes().count(b"/Type /Page\n") == 2


def test_the_settings_of_the_user_stay_as_they_are():
    with mpl.rc_context({"font.size": 5.0, "lines.linewidth": 9.0}):
        page("cup-coupe", "Heron")
        assert mpl.rcParams["font.size"] == 5.0 and mpl.rcParams["lines.linewidth"] == 9.0
