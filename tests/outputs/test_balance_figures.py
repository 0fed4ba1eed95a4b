"""The figures of a balance: complete, readable, nothing over anything, every mark where its number is."""

import warnings
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from made_balance import made_balance
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_hex
from matplotlib.patches import Polygon, Rectangle
from matplotlib.text import Text

from lapwright.lap.spans import leaves
from lapwright.outputs.balance_files import entry_slugs
from lapwright.outputs.balance_words import entry_words, limit_stretches
from lapwright.outputs.figures.balance_brakes import draw_brakes, trace_points
from lapwright.outputs.figures.balance_effects import both_ways, draw_effects, drawn
from lapwright.outputs.figures.balance_entry import draw_entry
from lapwright.outputs.figures.balance_figures import balance_figures
from lapwright.outputs.figures.balance_tyres import draw_tyres
from lapwright.outputs.figures.style import renderer, save
from lapwright.outputs.words import lap_time
from lapwright.quantities import CAUTION, DEG, KMH
from lapwright.study.adhesion import LINE_RANGE

SMALLEST_TYPE = 11.0
"""Points; below that a page on a pit wall cannot be read [common practice]."""

GATE, POUND, REEDS = 0, 3, 4
"""Entries: of the figures most tests look at, a slow one, one without a brake."""

PAGES = ("effects", "entry", "entry without a brake", "brakes", "tyres")


@pytest.fixture(autouse=True)
def no_warnings():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


@pytest.fixture(scope="module")
def balance():
    return made_balance()


def all_pages(balance):
    return {
        "effects": draw_effects(balance),
        "entry": draw_entry(balance, GATE),
        "entry without a brake": draw_entry(balance, REEDS),
        "brakes": draw_brakes(balance, GATE),
        "tyres": draw_tyres(balance, GATE),
    }


@pytest.fixture(scope="module")
def figures(balance):
    return all_pages(balance)


def texts(figure, gid=None):
    found = [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    return [t for t in found if gid is None or t.get_gid() == gid]


def words(figure):
    return " ".join(" ".join(t.get_text() for t in texts(figure)).split())


def overlaps(figure, gids):
    found = [t for gid in gids for t in texts(figure, gid)]
    boxes = [(t.get_text(), t.get_window_extent(renderer(figure)).padded(-0.5)) for t in found]
    return [(a, b) for (a, one), (b, other) in combinations(boxes, 2) if one.overlaps(other)]


def off_the_page(figure):
    figure.canvas.draw()
    found = [(axes.get_ylabel(), axes.get_tightbbox(renderer(figure))) for axes in figure.axes]
    found += [(text.get_text(), text.get_window_extent(renderer(figure))) for text in figure.texts]
    found += [("legend", legend.get_window_extent(renderer(figure))) for legend in figure.legends]
    page = figure.bbox
    return [
        what
        for what, box in found
        if box is not None and not (box.x0 >= 0 and box.y0 >= 0 and box.x1 <= page.x1 and box.y1 <= page.y1)
    ]


def panel(figure, label):
    return next(axes for axes in figure.axes if axes.get_ylabel().startswith(label))


# -- every page --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAGES)
def test_each_page_says_whose_lap_it_is_and_warns(figures, name):
    said = words(figures[name])
    assert CAUTION in said and "Marrow Fen Cup coupe" in said and "lap 1:27.572" in said


@pytest.mark.parametrize("name", PAGES)
def test_type_is_large_and_nothing_leaves_the_page(figures, name):
    assert [t.get_text() for t in texts(figures[name]) if t.get_fontsize() < SMALLEST_TYPE] == []
    assert off_the_page(figures[name]) == []


@pytest.mark.parametrize(("name", "gids"), [
    ("effects", ("name", "subtitle", "note")), ("effects", ("value",)), ("effects", ("cell",)),
    ("entry", ("key", "note", "change", "subtitle")), ("entry", ("nervous", "mean")),
    ("entry without a brake", ("key", "note", "change")), ("brakes", ("value", "note")),
    ("tyres", ("cell", "head", "said", "key", "note")),
])  # fmt: skip
def test_no_word_lies_over_another(figures, name, gids):
    assert all(texts(figures[name], gid) for gid in gids if gid != "nervous")
    assert overlaps(figures[name], gids) == []


@pytest.mark.parametrize("name", PAGES)
def test_labels_of_panels_stay_clear_of_scales_and_of_each_other(figures, name):
    figure = figures[name]
    figure.canvas.draw()
    measure = renderer(figure)
    labels = []
    for axes in figure.axes:
        for axis in (axes.yaxis, axes.xaxis):
            if not axis.label.get_text() or not axis.label.get_visible():
                continue
            box = axis.label.get_window_extent(measure).padded(-0.5)
            ticks = [
                t.get_window_extent(measure)
                for t in axis.get_ticklabels()
                if t.get_text() and t.get_visible()
            ]
            assert not any(box.overlaps(tick) for tick in ticks), axis.label.get_text()
            labels.append((axis.label.get_text(), box))
    assert [(a, b) for (a, one), (b, other) in combinations(labels, 2) if one.overlaps(other)] == []


@pytest.mark.parametrize("name", PAGES)
def test_keys_lie_clear_of_panels_and_caution(figures, name):
    figure = figures[name]
    figure.canvas.draw()
    measure = renderer(figure)
    caution = texts(figure, "caution")[0].get_window_extent(measure)
    feet = [axes.get_tightbbox(measure).y0 for axes in figure.axes]
    for legend in figure.legends:
        box = legend.get_window_extent(measure)
        assert caution.y1 <= box.y0 and box.y1 <= min(feet)
    assert caution.y1 <= min(feet)


def test_names_of_any_kind_are_drawn_as_they_are(balance):
    hostile = "$x_1$ <b> \u2603 " + "and a long name"

    def named(items):
        return tuple(replace(one, corner=hostile) if one.corner == "Gate" else one for one in items)

    spans = tuple(replace(span, name=hostile) if span.name == "Gate" else span for span in balance.spans)
    tyres = tuple(replace(state, entries=named(state.entries)) for state in balance.tyres)
    lap = replace(balance.known.lap, track_name="A $5 track")
    other = replace(
        balance, entries=named(balance.entries), brakes=named(balance.brakes), spans=spans, tyres=tyres,
        known=replace(balance.known, lap=lap),
    )  # fmt: skip
    for name, figure in all_pages(other).items():
        assert off_the_page(figure) == [], name
        assert "A \\$5 track" in words(figure)
    assert entry_slugs(other)[GATE] == "x-1-b-and-a-long-name"


# -- effects -----------------------------------------------------------------------------------------------------------------


def test_bars_are_the_worth_of_a_step(figures, balance):
    bars = [
        p for p in figures["effects"].axes[0].patches if isinstance(p, Rectangle) and p.get_height() < 0.5
    ]
    told = drawn([effect for effect in balance.effects if abs(effect.per_step) >= 1e-3])
    wanted = [value for effect in told for value in both_ways(effect) if value is not None]
    assert sorted(bar.get_width() for bar in bars) == pytest.approx(sorted(wanted))
    middles = [bar.get_y() + 0.5 * bar.get_height() for bar in bars]
    for row, effect in enumerate(told):
        found = [bar.get_width() for bar, y in zip(bars, middles, strict=True) if abs(y - row) < 0.5]
        assert found == pytest.approx([value for value in both_ways(effect) if value is not None])
    assert len({bar.get_hatch() for bar in bars}) == 2


def test_the_largest_are_drawn_and_those_that_were_checked(balance):
    told = list(balance.effects)
    shown = drawn(told)
    assert shown[:14] == told[:14] and len(shown) == 18
    late = [replace(effect, check=told[0].check if k == 30 else None) for k, effect in enumerate(told)]
    assert late[30] in drawn(late)
    assert drawn(told[:5]) == told[:5]


def test_only_a_check_that_disagrees_is_flagged(figures, balance):
    axes = figures["effects"].axes[0]
    flags = [line for line in axes.get_lines() if line.get_gid() == "flag"]
    wrong = [
        k for k, effect in enumerate(drawn(list(balance.effects))) if effect.check and not effect.check.agrees
    ]
    assert [int(line.get_ydata()[0]) for line in flags] == wrong and len(wrong) == 1
    assert "solves and first order do not agree" in words(figures["effects"])
    assert "not solved" in words(figures["effects"])


def test_cells_of_a_row_add_up_to_the_effect(figures, balance):
    """Thousandths of a second with one decimal, rounded a dozen times; whole ones from ten on."""
    rows = {}
    for cell in texts(figures["effects"], "cell"):
        rows.setdefault(round(cell.get_position()[1]), []).append(float(cell.get_text()))
    for row, effect in enumerate(drawn(list(balance.effects))):
        assert len(rows[row]) == 12
        assert sum(rows[row]) == pytest.approx(1e3 * effect.per_step, abs=12 * 0.5)


def test_few_corners_are_told_phase_by_phase():
    small = made_balance("tarn-bowl")
    figure = draw_effects(small)
    names = [tick.get_text() for tick in figure.axes[1].get_xticklabels()]
    phases = [f"{span.name}\n{leaf.name}" for span, leaf in leaves(small.spans) if span.kind == "corner"]
    assert names == [*phases, "straights"]
    assert off_the_page(figure) == []


def test_many_corners_leave_a_column_for_the_rest(balance):
    spans = tuple(
        replace(span, name=f"{span.name} {k}") for k in range(2) for span in balance.spans
    )  # fmt: skip
    effects = tuple(
        replace(effect, parts=tuple(0.5 * part for part in effect.parts) * 2) for effect in balance.effects
    )
    figure = draw_effects(replace(balance, spans=spans, effects=effects))
    names = [tick.get_text() for tick in figure.axes[1].get_xticklabels()]
    assert len(names) == 14 and names[-2:] == ["other corners", "straights"]
    assert off_the_page(figure) == [] and overlaps(figure, ("cell",)) == []


def test_nothing_to_draw_is_said(balance):
    assert "No number makes 1 ms of a step" in words(draw_effects(replace(balance, effects=())))


# -- entries -----------------------------------------------------------------------------------------------------------------


def test_the_page_of_an_entry_says_its_sentence(figures, balance):
    assert entry_words(balance.entries[GATE]) in words(figures["entry"])


def test_curves_are_those_of_the_entry(figures, balance):
    gate, figure = balance.entries[GATE], figures["entry"]
    x = gate.s - gate.turn_in
    for label, curves in {
        "Pedals": (100 * gate.brake, 100 * gate.throttle),
        "Grip": (100 * gate.use_front, 100 * gate.use_rear),
        "Spare": (gate.spare_front / 1e3, gate.spare_rear / 1e3),
        "Road wheels": (gate.steer / DEG, gate.neutral_steer / DEG),
        "Growth": (gate.growth,),
        "Static": (100 * gate.static_margin,),
        "Yaw moment": (gate.turn_moment / 1e3, gate.hold_moment / 1e3),
    }.items():
        lines = panel(figure, label).get_lines()
        for line, values in zip(lines, curves, strict=False):
            assert line.get_xdata() == pytest.approx(x) and line.get_ydata() == pytest.approx(values), label
        styles = [(line.get_linestyle(), line._dash_pattern) for line in lines[: len(curves)]]
        assert len({str(style) for style in styles}) == len(curves), "told apart by their strokes"


def test_the_least_stable_point_is_marked_where_it_is(figures, balance):
    gate = balance.entries[GATE]
    axes = panel(figures["entry"], "Growth")
    mark = next(line for line in axes.get_lines() if line.get_gid() == "nervous")
    assert mark.get_xdata()[0] == pytest.approx(gate.nervous.to_turn_in)
    assert mark.get_ydata()[0] == pytest.approx(gate.nervous.growth)
    assert texts(figures["entry"], "nervous")[0].get_text() == "doubles in 0.29 s, 46 % brake"
    bare = panel(figures["entry without a brake"], "Growth")
    assert [line for line in bare.get_lines() if line.get_gid() == "nervous"] == []
    assert "least stable" not in words(figures["entry without a brake"])


def test_doubling_times_stand_at_their_growth(figures):
    """A deviation that grows by exp(g t) doubles in ln 2 / g."""
    axes = next(a for a in figures["entry"].axes if a.get_ylabel().startswith("halves"))
    for place, label in zip(axes.get_yticks(), axes.get_yticklabels(), strict=True):
        if label.get_text() == "never":
            assert place == 0.0
        else:
            assert np.exp(abs(place) * float(label.get_text())) == pytest.approx(2.0)
    assert axes.get_ylim() == panel(figures["entry"], "Growth").get_ylim()


def test_stretches_at_the_limit_are_hatched_each_in_its_way(figures, balance):
    gate = balance.entries[GATE]
    axes = panel(figures["entry"], "Grip")
    spans = [p for p in axes.patches if isinstance(p, (Rectangle, Polygon)) and p.get_hatch()]
    found = [(p.get_extents().transformed(axes.transData.inverted()), p.get_hatch()) for p in spans]
    wanted = [one for one in limit_stretches(gate) if one[0] != "none"]
    assert [box.x0 for box, _ in found] == pytest.approx([a - gate.turn_in for _, a, _ in wanted])
    assert [box.x1 for box, _ in found] == pytest.approx([b - gate.turn_in for _, _, b in wanted])
    hatches = {axle: hatch for (axle, _, _), (_, hatch) in zip(wanted, found, strict=True)}
    assert len(set(hatches.values())) == len(hatches) == 3
    marks = sorted(line.get_xdata()[0] for line in axes.get_lines() if line.get_gid() == "change")
    assert marks == pytest.approx([change.station - gate.turn_in for change in gate.changes])


def test_key_points_are_named_above_both_columns(figures):
    names = [t.get_text() for t in texts(figures["entry"], "key")]
    assert sorted(names) == sorted(2 * ["brake-on", "turn-in", "brake-off", "slowest"])


# -- brakes ------------------------------------------------------------------------------------------------------------------


def test_adhesion_and_the_limit_line_of_the_regulation(figures, balance):
    """UN R13-H: z = 0.1 + 0.7 (k - 0.2) for adhesions k from 0.2 to 0.8, so from z 0.10 to 0.52 [from memory]."""
    one, axes = balance.brakes[GATE], figures["brakes"].axes[0]
    front, rear, limit = axes.get_lines()[:3]
    assert np.allclose(front.get_ydata(), one.used_front, equal_nan=True)
    assert np.allclose(rear.get_ydata(), one.used_rear, equal_nan=True)
    known = np.isfinite(limit.get_ydata())
    z, k = limit.get_xdata()[known], limit.get_ydata()[known]
    assert (z[0], z[-1]) == pytest.approx((0.10, 0.52)) and (k[0], k[-1]) == pytest.approx(LINE_RANGE)
    assert len({line.get_linestyle() for line in (front, rear, limit)}) == 3


def test_where_the_rear_uses_more_is_hatched(balance):
    one = balance.brakes[GATE]
    more = replace(one, used_rear=np.where(one.z > 1.0, one.used_front + 0.1, one.used_rear))
    figure = draw_brakes(replace(balance, brakes=(more,)), 0)
    areas = [c for c in figure.axes[0].collections if isinstance(c, PolyCollection)]
    assert len(areas) == 1 and areas[0].get_hatch()
    assert areas[0].get_paths()[0].vertices[:, 0].min() == pytest.approx(one.z[one.z > 1.0][0])
    assert "rear uses more than front" in words(figure)


def test_ideal_shares_the_cars_and_the_rows_of_the_lap(figures, balance):
    one, axes = balance.brakes[GATE], figures["brakes"].axes[1]
    labels = [line.get_label() for line in axes.get_lines()]
    assert labels == [
        "0.0 g lateral",
        "0.4 g lateral",
        "0.8 g lateral",
        "1.1 g lateral",
        "car 0.650",
        "rows of the lap",
    ]
    curves = axes.get_lines()[:4]
    for line, ideal in zip(curves, one.ideal, strict=True):
        known = np.isfinite(line.get_ydata())
        assert line.get_ydata()[known] == pytest.approx(ideal[known]) and known.sum() > 20
    assert len({str(line._dash_pattern) for line in curves}) == 4
    assert set(axes.get_lines()[4].get_ydata()) == {0.65}
    gate, lap = balance.entries[GATE], balance.known.lap
    z, ideal, _ = trace_points(balance, one)
    rows = (lap.s >= gate.start) & (lap.s <= gate.slowest) & (lap.brake >= 0.05)
    assert z == pytest.approx(-lap.accel_long[rows] / 9.80665) and ideal == pytest.approx(
        one.trace.ideal[rows]
    )


def test_shares_stand_at_their_values(figures, balance):
    one, axes = balance.brakes[GATE], figures["brakes"].axes[2]
    marks = [line.get_xdata()[0] for line in axes.get_lines() if line.get_gid() == "share"]
    best = balance.scan.best_entries["Gate"]
    wanted = [0.65, one.locks_straight, one.locks_turn, balance.scan.best_share, best]
    assert marks == pytest.approx(wanted)
    assert [t.get_text() for t in texts(figures["brakes"], "value")] == [f"{value:.3f}" for value in wanted]


def test_what_is_not_known_of_the_share_is_not_drawn(balance):
    bare = replace(balance.brakes[GATE], locks_turn=None)
    figure = draw_brakes(replace(balance, brakes=(bare,), scan=None), 0)
    names = [tick.get_text() for tick in figure.axes[2].get_yticklabels()]
    assert names[:2] == ["car", "both lock together, straight"] and len(names) == 3
    assert "Other shares were not tried." in words(figure) and off_the_page(figure) == []


def test_lap_times_over_the_share(figures, balance):
    scan, axes = balance.scan, figures["brakes"].axes[3]
    by_name = {line.get_gid(): line for line in axes.get_lines() if line.get_gid()}
    known = np.isfinite(scan.lap_times)
    assert by_name["scan"].get_xdata() == pytest.approx(scan.shares[known])
    assert by_name["scan"].get_ydata() == pytest.approx(scan.lap_times[known] - scan.best_time)
    assert by_name["best"].get_xdata()[0] == pytest.approx(scan.best_share)
    assert by_name["car"].get_ydata()[0] == pytest.approx(balance.known.lap.time - scan.best_time)
    assert "no solution" in words(figures["brakes"])


# -- tyres -------------------------------------------------------------------------------------------------------------------


def test_traces_are_those_of_each_tyre(figures, balance):
    axes = panel(figures["tyres"], "Speed")
    lines = [line for line in axes.get_lines() if len(line.get_xdata()) > 2]
    for line, state in zip(lines, balance.tyres, strict=True):
        assert line.get_ydata() == pytest.approx(KMH * state.entries[GATE].speed)
        assert line.get_xdata() == pytest.approx(state.entries[GATE].s - balance.entries[GATE].turn_in)
    assert (
        len({str(line._dash_pattern) for line in lines})
        == len({to_hex(line.get_color()) for line in lines})
        == 4
    )


def test_the_table_has_every_tyre_with_its_lap(figures, balance):
    cells = [t.get_text() for t in texts(figures["tyres"], "cell")]
    for state in balance.tyres:
        assert state.name in cells and lap_time(state.lap_time) in cells
    assert "+6" in cells and "+12" in cells


def test_a_corner_without_other_tyres_is_refused(balance):
    with pytest.raises(ValueError, match="Gate"):
        draw_tyres(replace(balance, tyres=()), GATE)


# -- which there are ---------------------------------------------------------------------------------------------------------


def test_figures_are_named_after_their_corners(balance):
    names = list(balance_figures(balance))
    assert names[0] == "effects" and names[1:4] == ["entry-gate", "brakes-gate", "tyres-gate"]
    assert "brakes-reeds" not in names and "entry-reeds" in names and "entry-long-acre" in names
    assert list(balance_figures(replace(balance, tyres=(), brakes=(), entries=balance.entries[:1]))) == [
        "effects", "entry-gate",
    ]  # fmt: skip


def test_figures_draw_what_their_name_says(balance, tmp_path):
    figure = balance_figures(balance)["entry-pound"]()
    assert "Entry of Pound" in words(figure) and off_the_page(figure) == []
    assert overlaps(figure, ("key", "note", "change")) == []
    save(figure, tmp_path, "entry-pound")
    assert {path.name for path in tmp_path.iterdir()} == {"entry-pound.png", "entry-pound.pdf"}
    assert draw_entry(balance, POUND).axes[0].get_xlim() == figure.axes[0].get_xlim()
