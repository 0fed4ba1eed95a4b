"""A lap cut into pieces: nothing lost, nothing twice, whatever lies across the line."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapwright.lap.spans import LEAST, Span, growth, leaves, spans_of, split_up


@dataclass(frozen=True)
class Corner:
    """What spans need of a corner report."""

    name: str
    start: float
    end: float
    turn_in: float | None
    slowest_at: float
    lift_at: float | None = None
    brake_on: float | None = None
    entry: str = "brake"


@dataclass(frozen=True)
class Road:
    length: float
    closed: bool


def measure(span, length):
    return (span.end - span.start) % length if span.start > span.end else span.end - span.start


def check_whole(spans, length, closed):
    """Pieces follow one another; lengths of all, and of the phases of each, add up."""
    pieces = [leaf for _, leaf in leaves(spans)]
    assert sum(measure(p, length) for p in pieces) == pytest.approx(length, abs=1e-6)
    for before, after in zip(pieces, pieces[1:] + (pieces[:1] if closed else []), strict=False):
        gap = (
            (after.start - before.end + 0.5 * length) % length - 0.5 * length
            if closed
            else after.start - before.end
        )
        assert gap == pytest.approx(0.0, abs=1e-9)
    for span in spans:
        if span.phases:
            assert span.phases[0].start == span.start and span.phases[-1].end == span.end
            assert all(measure(phase, length) > LEAST - 1e-9 for phase in span.phases)


def corners_of(starts, gaps, length):
    """Corners from sorted places, each with a brake point some way before it."""
    found = []
    for k, (start, ahead) in enumerate(zip(starts, gaps, strict=True)):
        end = start + 0.5 * min((starts[(k + 1) % len(starts)] - start) % length or length, 200.0)
        slowest = start + 0.6 * (end - start)
        found.append(
            Corner(f"corner {k}", start % length, end % length, (start + 0.1 * (end - start)) % length,
                slowest % length, None, (start - ahead) % length)
        )  # fmt: skip
    return found


@given(
    st.lists(st.floats(0.02, 1.0), min_size=2, max_size=9),
    st.floats(0.0, 1.0),
    st.lists(st.floats(0.0, 300.0), min_size=9, max_size=9),
)
def test_closed_laps_are_cut_without_a_rest(shares, shift, ahead):
    length = 3000.0
    starts = np.cumsum(shares) / np.sum(shares) * length + shift * length
    corners = corners_of(list(starts), ahead[: len(starts)], length)
    corners.sort(key=lambda c: c.start)
    spans = spans_of(Road(length, True), corners, corners)
    check_whole(spans, length, True)
    assert [s.name for s in spans if s.kind == "corner"] == [c.name for c in corners]


def test_open_roads_begin_and_end_where_they_do():
    corners = [
        Corner("first", 120.0, 200.0, 130.0, 170.0, None, 40.0),
        Corner("second", 420.0, 500.0, 430.0, 460.0, None, 350.0),
    ]
    spans = spans_of(Road(800.0, False), corners, corners)
    check_whole(spans, 800.0, False)
    assert [s.name for s in spans] == ["to first", "first", "to second", "second", "to the end"]
    assert (spans[0].start, spans[-1].end) == (0.0, 800.0)
    assert [p.name for p in spans[1].phases] == ["braking", "entry", "exit"]
    assert [p.start for p in spans[1].phases] == [35.0, 130.0, 170.0]


def test_one_corner_and_none():
    one = [Corner("only", 990.0, 60.0, 5.0, 30.0, None, 930.0)]
    spans = spans_of(Road(1000.0, True), one, one)
    check_whole(spans, 1000.0, True)
    assert [s.name for s in spans] == ["to only", "only"]
    assert spans[1].start == 925.0 and spans[1].end == 60.0
    (whole,) = spans_of(Road(1000.0, True), [], [])
    assert (whole.kind, whole.start, whole.end) == ("straight", 0.0, 1000.0)


def test_two_drivers_share_a_piece_from_where_the_first_foot_moves():
    late = [Corner("bend", 300.0, 400.0, 310.0, 350.0, None, 260.0)]
    early = [replace(late[0], brake_on=240.0)]
    spans = spans_of(Road(1000.0, True), early, late)
    assert next(s for s in spans if s.kind == "corner").start == 235.0


def test_a_sum_along_the_road_is_split_without_a_rest():
    rng = np.random.default_rng(1)
    nodes = np.concatenate([[0.0], np.sort(rng.uniform(0.0, 1000.0, 99)), [1000.0]])
    steps = rng.normal(size=100)
    one = [Corner("only", 990.0, 60.0, 5.0, 30.0, None, 930.0)]
    spans = spans_of(Road(1000.0, True), one, one)
    parts = split_up(nodes, steps, spans)
    assert len(parts) == len(leaves(spans)) == 4
    assert parts.sum() == pytest.approx(steps.sum(), abs=1e-12)


def test_growth_round_the_line():
    s, values = np.array([0.0, 40.0, 100.0]), np.array([0.0, 4.0, 10.0])
    assert growth(s, values, 20.0, 60.0) == pytest.approx(4.0)
    assert growth(s, values, 90.0, 30.0) == pytest.approx(4.0)
    assert growth(s, values, 0.0, 100.0) == pytest.approx(10.0)


def test_a_span_without_phases_is_its_own_leaf():
    plain = Span("straight", "straight", 0.0, 10.0)
    assert leaves([plain]) == ((plain, plain),)
