"""The figures of a sweep: readable, nothing over anything, everything at its place."""

import warnings
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from made_sweep import (
    BRAKES,
    GRIP,
    LEAST,
    LOCK,
    MASS,
    MORE,
    REAR_WING,
    SHARE,
    TYPES,
    WING,
    grid,
    hypercube,
    made_study,
    made_time,
    one_in,
)
from matplotlib.text import Text

from lapwright.outputs.figures.style import renderer
from lapwright.outputs.figures.sweep_contour import draw_contour, sheet_of
from lapwright.outputs.figures.sweep_figures import sweep_figures
from lapwright.outputs.figures.sweep_lines import draw_lines, lower_edge, series_of
from lapwright.outputs.figures.sweep_parallel import broken, draw_parallel, fastest_tenth
from lapwright.outputs.sweep_fit import Surface, importance, parabola, surface, terms_of
from lapwright.outputs.sweep_groups import figure_of, groups_of
from lapwright.quantities import CAUTION
from lapwright.study.cases import FAULT, SOLVED, Axis

SMALLEST_TYPE = 11.0
"""Points; below that a page on a pit wall cannot be read [common practice]."""

FIVE = (BRAKES, REAR_WING, MASS, LOCK, GRIP)
SHARES, WINGS = (0.5, 0.55, 0.6, 0.65, 0.7), (2.0, 4.5, 7.0, 9.5, 12.0)
FIGURES = (
    "lines", "many lines", "cloud", "one", "grid", "plate", "quadratic", "best of others", "parallel", "ten", "two",
)  # fmt: skip


@pytest.fixture(autouse=True)
def no_warnings():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


@pytest.fixture(scope="module")
def on_grid(circuit):
    """Five by five cases, four of them without an answer."""
    return made_study(circuit, (BRAKES, REAR_WING), grid(SHARES, WINGS), fate=one_in(6))


@pytest.fixture(scope="module")
def scattered(circuit):
    return made_study(circuit, FIVE, hypercube(FIVE, 60), "hypercube", fate=one_in(13))


@pytest.fixture(scope="module")
def flat(circuit):
    """Two numbers, scattered."""
    return made_study(circuit, FIVE[:2], hypercube(FIVE[:2], 40), "hypercube", fate=one_in(11))


@pytest.fixture(scope="module")
def in_turn(circuit):
    rows = [(v, 1240.0) for v in (0.5, 0.54, 0.62, 0.7)] + [(0.58, m) for m in (1180.0, 1320.0)]
    return made_study(circuit, (BRAKES, MASS), rows, "one at a time")


@pytest.fixture(scope="module")
def with_types(circuit):
    return made_study(circuit, (BRAKES, REAR_WING, LOCK), grid(SHARES, (4.0, 8.0), TYPES))


@pytest.fixture(scope="module")
def twelve(circuit):
    """More axes than a page has room for, with long names and great numbers that do not matter."""
    more = [Axis(f"vehicle.suspension_and_springs.number_{k}_rate", f"suspension_and_springs.number_{k} [N/mm]",
                 False, 1e5, 2e5) for k in range(7)]  # fmt: skip
    axes = (*FIVE, *more)
    rows = [tuple(row) for row in hypercube(axes, 60)]
    return made_study(circuit, axes, rows, "hypercube", base=(0.58, 5.0, 1240.0, "open", 1.0, *[1.5e5] * 7))


@pytest.fixture(scope="module")
def figures(on_grid, scattered, flat, in_turn, with_types, twelve):
    return {
        "lines": draw_lines(*on_grid, 0),
        "many lines": draw_lines(*with_types, 0),
        "cloud": draw_lines(*scattered, 0),
        "one": draw_lines(*in_turn, 0),
        "grid": draw_contour(*on_grid, 0, 1),
        "plate": draw_contour(*flat, 0, 1),
        "quadratic": draw_contour(*scattered, 0, 1),
        "best of others": draw_contour(*with_types, 0, 1),
        "parallel": draw_parallel(*scattered),
        "ten": draw_parallel(*twelve),
        "two": draw_parallel(*on_grid),
    }


def texts(figure, gid=None):
    found = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    return [t for t in found if gid is None or t.get_gid() == gid]


def words(figure):
    return " ".join(" ".join(t.get_text() for t in texts(figure)).split())


def box_of(figure, artist):
    return artist.get_window_extent(renderer(figure))


def overlaps(figure, found):
    boxes = [(t.get_text(), box_of(figure, t).padded(-0.5)) for t in found]
    return [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if one.overlaps(other)]


def off_the_page(figure):
    figure.canvas.draw()
    found = [(axes.get_label(), axes.get_tightbbox(renderer(figure))) for axes in figure.axes]
    found += [(t.get_text(), box_of(figure, t)) for t in figure.texts]
    found += [(t.get_text(), box_of(figure, t)) for axes in figure.axes for t in axes.texts]
    found += [("legend", box_of(figure, legend)) for legend in figure.legends]
    page = figure.bbox
    return [w for w, b in found if b.x0 < 0 or b.y0 < 0 or b.x1 > page.x1 or b.y1 > page.y1]


def tick_labels(axes):
    """Those that are drawn: matplotlib keeps some beyond the ends of a scale."""
    found = []
    for axis in (axes.xaxis, axes.yaxis) if axes.axison else ():
        low, high = sorted(axis.get_view_interval())
        found += [tick.label1 for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
        found += [tick.label2 for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    return [label for label in found if label.get_visible()]


def marked(figure, marker):
    """Data coordinates of the marks of one shape in the panel."""
    lines = [line for line in figure.axes[0].get_lines() if line.get_marker() == marker]
    return [(float(x), float(y)) for line in lines for x, y in zip(*line.get_data(), strict=True)]


@pytest.mark.parametrize("name", FIGURES)
def test_each_page_says_what_it_is_and_warns(figures, name):
    said = words(figures[name])
    assert CAUTION in said and "fen-loop cup-coupe" in said and "Brakes and wing (invented)" in said


@pytest.mark.parametrize("name", FIGURES)
def test_type_is_large_and_nothing_leaves_the_page(figures, name):
    assert [t.get_text() for t in texts(figures[name]) if t.get_fontsize() < SMALLEST_TYPE] == []
    assert off_the_page(figures[name]) == []


@pytest.mark.parametrize("name", FIGURES)
def test_no_word_lies_over_another(figures, name):
    """Heading, note, names and ticks of the scales, key, caution, seconds of the lines, names of the setups."""
    figure = figures[name]
    figure.canvas.draw()
    found = list(figure.texts) + [t for legend in figure.legends for t in legend.get_texts()]
    for axes in figure.axes:
        found += [*axes.texts, axes.xaxis.label, axes.yaxis.label, *tick_labels(axes)]
        for child in axes.child_axes:
            found += [child.yaxis.label, *tick_labels(child)]
    found = [t for t in found if t.get_text().strip()]
    assert len(found) > 8 and overlaps(figure, found) == []
    key, caution = box_of(figure, figure.legends[0]), box_of(figure, texts(figure, "caution")[0])
    assert not key.overlaps(caution)
    assert not any(key.overlaps(axes.get_tightbbox(renderer(figure))) for axes in figure.axes if axes.axison)


def test_fastest_and_current_stand_at_their_values(figures):
    """The fastest of the grid is (0.6, 7): nearest to the formula's least at (0.62, 7); the files have (0.58, 5)."""
    best = made_time({BRAKES.name: 0.6, REAR_WING.name: 7.0})
    assert marked(figures["lines"], "*") == [pytest.approx((0.6, best))]
    assert marked(figures["lines"], "D") == [pytest.approx((0.58, made_time({})))]
    assert marked(figures["grid"], "*") == [(0.6, 7.0)] and marked(figures["grid"], "D") == [(0.58, 5.0)]
    assert {t.get_text() for t in texts(figures["grid"], "setup")} == {"fastest", "current"}


def test_one_mark_when_nothing_is_faster(circuit):
    case = made_study(circuit, (BRAKES, REAR_WING), grid(SHARES, WINGS), base=(SHARE, WING))
    figure = draw_contour(*case, 0, 1)
    assert [t.get_text() for t in texts(figure, "setup")] == ["current and fastest"]
    assert marked(figure, "*") == [(SHARE, WING)] and marked(figure, "D") == []


@pytest.mark.parametrize("name", ("lines", "grid"))
def test_cases_without_an_answer_are_crosses(figures, on_grid, name):
    study, results = on_grid
    gone = [c.values for c, r in zip(study.cases, results, strict=True) if r.status != SOLVED]
    crosses = marked(figures[name], "x")
    assert len(gone) == 4 and "no answer (4)" in words(figures[name])
    if name == "grid":
        assert sorted(crosses) == sorted(gone)
    else:
        assert sorted(x for x, _ in crosses) == sorted(v for v, _ in gone)
        assert {y for _, y in crosses} == {0.025}


def test_a_line_breaks_where_there_is_no_answer(figures, on_grid):
    """A wing of 2 deg has no answer at a share of 0.55 (case 6): its line is not drawn across that."""
    line = next(one for one in figures["lines"].axes[0].get_lines() if one.get_label() == "rear_wing [deg] 2")
    x, y = line.get_data()
    assert np.isnan(y[list(x).index(0.55)]) and np.isfinite(y).sum() == 4
    expected = [made_time({BRAKES.name: v, REAR_WING.name: 2.0}) for v in (0.5, 0.6, 0.65, 0.7)]
    assert y[np.isfinite(y)] == pytest.approx(expected)


def test_lines_differ_in_stroke_and_marker_and_colour(figures):
    lines = [line for line in figures["many lines"].axes[0].get_lines() if len(line.get_xdata()) > 4]
    assert len(lines) == 6
    for look in (lambda line: line.get_marker(), lambda line: line.get_color()):
        assert len({look(line) for line in lines}) == 6
    assert len({str(line._dash_pattern) for line in lines}) == 6
    assert "differential.type limited slip" in words(figures["many lines"])


def test_one_at_a_time_draws_the_line_through_the_current_setup(in_turn):
    study, results = in_turn
    [series] = series_of(groups_of(study, results)[0], 0, study.plan)
    assert [study.cases[k].values[0] for k in series.places] == [0.5, 0.54, 0.58, 0.62, 0.7]
    assert "cases that vary another number are left out" in words(draw_lines(study, results, 0))


def test_side_by_side_is_one_line_and_has_no_surface(circuit):
    rows = [(0.5 + 0.02 * k, 1180.0 + 10.0 * k) for k in range(11)]
    case = made_study(circuit, (BRAKES, MASS), rows, "side by side")
    figure = draw_lines(*case, 0)
    assert "change together" in words(figure) and len(figure.axes[0].get_lines()[0].get_xdata()) == 11
    with pytest.raises(ValueError, match="span an area"):
        draw_contour(*case, 0, 1)
    assert list(sweep_figures(*case)) == ["lines-brakes-front-share", "lines-chassis-mass-kg", "parallel"]


def test_a_setup_far_off_does_not_spoil_the_scale(circuit):
    axes = (BRAKES, REAR_WING, GRIP)
    case = made_study(circuit, axes, hypercube(axes, 30), "hypercube", base=(0.2, None, 1.0))
    figure = draw_lines(*case, 0)
    assert figure.axes[0].get_xlim()[0] > 0.45 and marked(figure, "D") == []
    assert "brakes.front_share 0.2, outside this scale" in words(figure)
    assert "does not give rear_wing [deg]" in words(draw_contour(*case, 0, 1))
    assert off_the_page(draw_parallel(*case)) == []


def test_grid_is_drawn_as_it_is(on_grid, with_types):
    """Seconds behind the fastest at each point; a gap without an answer; of further axes the best (limited slip)."""
    best = made_time({BRAKES.name: 0.6, REAR_WING.name: 7.0})
    sheet = sheet_of(groups_of(*on_grid)[0], 0, 1, "grid")
    assert sheet.behind[2, 2] == 0.0 and np.isnan(sheet.behind[0, 1]) and np.isnan(sheet.behind).sum() == 4
    expected = made_time({BRAKES.name: 0.7, REAR_WING.name: 2.0}) - best
    assert sheet.behind[0, 4] == pytest.approx(expected)
    kind = sheet_of(groups_of(*with_types)[0], 0, 1, "grid")
    slip = {LOCK.name: "limited slip"}
    times = [[made_time({BRAKES.name: v, REAR_WING.name: w, **slip}) for v in SHARES] for w in (4.0, 8.0)]
    assert kind.behind == pytest.approx(np.array(times) - np.min(times)) and "differential.type" in kind.how


@pytest.mark.parametrize("name", ("flat", "scattered"))
def test_smooth_surface_finds_the_formula_again(name, request):
    """Thin plate within 20 ms of the formula that made the cases, the quadratic to rounding: the formula is one."""
    study, results = request.getfixturevalue(name)
    group = groups_of(study, results)[0]
    sheet = sheet_of(group, 0, 1, "hypercube")
    best = group.cases[group.best]
    others = {axis.name: v for axis, v in zip(study.axes[2:], best.values[2:], strict=True)}
    time = np.array([[made_time({BRAKES.name: v, REAR_WING.name: w, **others}) for v in sheet.x[::8]]
                     for w in sheet.y[::8]])  # fmt: skip
    missed = sheet.behind[::8, ::8] - (time - group.times[group.best])
    inside = np.isfinite(missed)
    assert 0.6 < inside.mean() < 1.0
    assert np.abs(missed[inside]).max() < (0.02 if name == "flat" else 1e-9)
    assert ("Thin plate" if name == "flat" else "Least-squares quadratic") in sheet.how
    low = np.unravel_index(np.nanargmin(sheet.behind), sheet.behind.shape)
    assert (sheet.x[low[1]], sheet.y[low[0]]) == (
        pytest.approx(SHARE, abs=0.005),
        pytest.approx(WING, abs=0.3),
    )


def test_contour_lines_have_their_seconds(figures):
    for name in ("grid", "plate", "quadratic"):
        levels = [float(t.get_text()) for t in texts(figures[name], "level")]
        assert len(levels) >= 3 and set(levels) <= set(np.round(np.arange(-2.0, 4.0, 0.05), 2))


def test_parabola_against_numpy():
    """numpy.polyfit at the same points; a known parabola comes back."""
    x = np.array([1180.0, 1200.0, 1250.0, 1300.0, 1320.0])
    y = 3e-5 * (x - 1234.0) ** 2 + 87.0
    a, b, _ = parabola(x, y)
    assert (-0.5 * b / a, a) == (pytest.approx(1234.0), pytest.approx(3e-5))
    rough = y + np.array([0.1, -0.2, 0.05, 0.0, 0.07])
    assert np.polyval(parabola(x, rough), x) == pytest.approx(
        np.polyval(np.polyfit(x, rough, 2), x), abs=1e-9
    )
    with pytest.raises(ValueError, match="three places"):
        parabola(np.array([1.0, 2.0, 1.0]), np.zeros(3))


def test_lower_edge_is_below_every_case():
    x = np.random.default_rng(2).random(300)
    times = 80.0 + x + np.random.default_rng(3).random(300)
    edge_x, edge = lower_edge(x, times)
    assert edge_x.size == 12 and (np.diff(edge_x) > 0).all()
    slices = np.minimum((12 * (x - x.min()) / np.ptp(x)).astype(int), 11)
    assert edge == pytest.approx([times[slices == k].min() for k in range(12)])


def test_plane_and_curved_surface(scattered, on_grid):
    """A sum of a bowl, two slopes and steps: slopes and steps come back; R2 against numpy's corrcoef (R2 is its square)."""
    group = groups_of(*scattered)[0]
    found = surface(group, terms_of(group, 2, [(0, 1)]))
    assert isinstance(found, Surface) and found.r_squared == pytest.approx(1.0) and found.misfit < 1e-9
    mass = group.column(2)[group.solved & group.planned]
    assert found.slope(2) == pytest.approx(0.004 * np.ptp(mass)) and found.swing(2) == pytest.approx(
        found.slope(2)
    )
    assert found.of_words(3, TYPES) == pytest.approx([MORE[kind] for kind in TYPES])
    plane = surface(groups_of(*on_grid)[0], terms_of(groups_of(*on_grid)[0], 1))
    use = groups_of(*on_grid)[0].solved & groups_of(*on_grid)[0].planned
    times = groups_of(*on_grid)[0].times[use]
    fitted = plane.at([groups_of(*on_grid)[0].column(k)[use] for k in (0, 1)])
    assert plane.r_squared == pytest.approx(np.corrcoef(fitted, times)[0, 1] ** 2)


def test_a_bowl_matters_although_its_plane_is_level(circuit):
    """A share on both sides of its best: no slope, but a swing of 40 x 0.1^2 s."""
    rows = grid(tuple(SHARE + d for d in (-0.1, -0.05, 0.0, 0.05, 0.1)), (1240.0, 1241.0))
    group = groups_of(*made_study(circuit, (BRAKES, MASS), rows, base=(SHARE, 1240.0)))[0]
    plane = surface(group, terms_of(group, 1))
    wing = 0.3 * (5.0 - WING)  # the wing of the files adds a slope to the share
    assert plane.slope(0) == pytest.approx(0.2 * wing)
    least = -wing / 80.0
    assert importance(group)[0] == pytest.approx(40.0 * (0.1 + abs(least)) ** 2)
    assert importance(group)[1] == pytest.approx(0.004)


def test_numbers_that_change_together_cannot_be_told_apart(circuit):
    rows = [(0.5 + 0.02 * k, 1180.0 + 10.0 * k) for k in range(11)]
    group = groups_of(*made_study(circuit, (BRAKES, MASS), rows, "side by side"))[0]
    assert "change together" in surface(group, terms_of(group, 1))
    few = groups_of(*made_study(circuit, (BRAKES, MASS), rows[:3], "hypercube"))[0]
    assert "too few" in surface(few, terms_of(few, 1))


def test_parallel_lines_by_how_fast_they_are(figures, scattered):
    """A tenth of the solved cases is strong; fastest and current once each, through their own values."""
    study, results = scattered
    group = groups_of(study, results)[0]
    lines = {}
    for line in figures["parallel"].axes[0].get_lines():
        lines.setdefault(line.get_gid(), []).append(line)
    solved = int(group.solved.sum())
    assert len(fastest_tenth(group.times)) == -(-solved // 10)
    assert len(lines["fast"]) == -(-solved // 10) - 1 and len(lines["best"]) == len(lines["current"]) == 1
    assert sum(len(lines[gid]) for gid in ("fast", "case", "best", "current")) == solved
    assert lines["current"][0].get_linestyle() == "--" and lines["best"][0].get_linestyle() == "-"
    assert (
        lines["best"][0].get_linewidth() > lines["fast"][0].get_linewidth() > lines["case"][0].get_linewidth()
    )
    heights = [line.get_ydata()[-1] for line in lines["fast"] + lines["best"]]
    assert max(heights) < min(line.get_ydata()[-1] for line in lines["case"])
    poles = [t for t in texts(figures["parallel"], "tick") if t.get_text() in TYPES]
    at = {t.get_text(): t.get_position()[1] for t in poles}
    assert lines["current"][0].get_ydata()[3] == at["open"] and len(at) == 3
    low = next(t for t in texts(figures["parallel"], "tick") if t.get_text() == "0.95")
    high = next(t for t in texts(figures["parallel"], "tick") if t.get_text() == "1.05")
    share = (1.0 - 0.95) / (1.05 - 0.95)
    expected = low.get_position()[1] + share * (high.get_position()[1] - low.get_position()[1])
    assert lines["current"][0].get_ydata()[4] == pytest.approx(expected)


def test_ten_axes_at_most_and_those_that_matter(figures):
    names = {" ".join(t.get_text().split()) for t in texts(figures["ten"], "pole name")}
    assert len(names) == 11 and {"mass [kg]", "grip_scale", "Lap time [s]"} <= names
    assert "Left out, because the lap time hangs on them least" in words(figures["ten"])


def test_which_figures_suit(on_grid, scattered, circuit):
    assert list(sweep_figures(*on_grid)) == [
        "lines-brakes-front-share", "lines-aero-rear-wing-deg", "contour-brakes-front-share-aero-rear-wing-deg",
        "parallel",
    ]  # fmt: skip
    many = list(sweep_figures(*scattered))
    assert [sum(name.startswith(kind) for name in many) for kind in ("lines", "contour", "parallel")] == [
        4,
        6,
        1,
    ]
    alone = made_study(circuit, (BRAKES,), [(v,) for v in SHARES])
    assert list(sweep_figures(*alone)) == ["lines-brakes-front-share"]
    nothing = made_study(circuit, (BRAKES, MASS), grid(SHARES, (1200.0,)), fate=lambda n: FAULT)
    assert sweep_figures(*nothing) == {}


def test_each_circuit_and_car_has_figures_of_its_own(circuit):
    pairs = (("fen-loop", "cup-coupe"), ("Hill \u00c9", "cup-coupe"))
    made = sweep_figures(*made_study(circuit, (BRAKES, MASS), grid(SHARES, (1200.0, 1300.0)), pairs=pairs))
    assert len(made) == 8 and list(made)[4] == "hill-e-cup-coupe-lines-brakes-front-share"
    figure = made["hill-e-cup-coupe-lines-brakes-front-share"]()
    assert "Hill \u00c9 cup-coupe" in words(figure)
    least = min(y for _, y in marked(figure, "*"))
    assert LEAST + 4.0 < least < LEAST + 6.0  # the second pair is 5 s slower


def test_what_cannot_be_drawn_is_refused(scattered, circuit):
    with pytest.raises(ValueError, match="words"):
        draw_lines(*scattered, 3)
    with pytest.raises(ValueError, match="words"):
        draw_contour(*scattered, 0, 3)
    nothing = made_study(circuit, (BRAKES, MASS), grid(SHARES, (1200.0,)), fate=lambda n: FAULT)
    for draw in (draw_parallel, lambda *case: draw_lines(*case, 0), lambda *case: draw_contour(*case, 0, 1)):
        with pytest.raises(ValueError, match="solved"):
            draw(*nothing)
    two = made_study(circuit, (BRAKES,), [(v,) for v in SHARES], pairs=(("a", "b"), ("a", "c")))
    with pytest.raises(ValueError, match="2 pairs"):
        draw_lines(*two, 0)


def test_names_of_any_kind_are_drawn_as_they_are(scattered):
    study, results = scattered
    strange = "a $x_1$ \u2603 " + "very long name " * 8
    axes = tuple(replace(axis, label=f"$label \u2603 {axis.label}") for axis in study.axes)
    cases = tuple(replace(case, circuit=strange, car=strange) for case in study.cases)
    named = replace(study, name=strange, axes=axes, cases=cases)
    for name, draw in sweep_figures(named, results).items():
        if not name.startswith("contour") or name == "contour-brakes-front-share-aero-rear-wing-deg":
            assert off_the_page(draw()) == [], name


def test_flat_times_are_drawn_too(circuit):
    """All cases equally fast, to the last digit."""
    study, results = made_study(circuit, (BRAKES, REAR_WING), grid(SHARES, WINGS))
    same = [replace(result, lap_time=87.5) for result in results]
    for draw in sweep_figures(study, same).values():
        assert off_the_page(draw()) == []


def test_long_labels_are_broken_where_one_may():
    assert broken("suspension_and_springs.rate [N/mm]", 12).split("\n") == [
        "suspension_", "and_springs.", "rate [N/mm]",
    ]  # fmt: skip
    assert max(map(len, broken("x" * 31, 12).split("\n"))) == 12


@pytest.mark.parametrize(("value", "said"), [
    (0.58, "0.58"), (120000.0, "120000"), (1234.567, "1234.6"), (-0.0001234567, "-0.00012346"), (0.0, "0"), ("open", "open"),
    (None, "not given"),
])  # fmt: skip
def test_values_as_people_read_them(value, said):
    assert figure_of(value) == said
