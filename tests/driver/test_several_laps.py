"""Several laps side by side, made by stretching and moving a known one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from faulty_laps import driven, reference, target

from lapwright.driver.several import several_laps

SPANS = [("first", 0.0, 1000.0), ("second", 1000.0, 3000.0), ("third", 3000.0, 0.0)]


def spans():
    length = reference()[0].length
    return [(name, start, end or length) for name, start, end in SPANS]


def lap(number, slower=1.0, where=(0.0, 5000.0), moved=0.0):
    """The reference, slower by a factor on a stretch of road, its pedals moved down the road."""
    base = target()
    pace = np.gradient(base.t, base.s) * np.where((base.s >= where[0]) & (base.s <= where[1]), slower, 1.0)
    t = np.concatenate([[0.0], np.cumsum(0.5 * (pace[1:] + pace[:-1]) * np.diff(base.s))])
    brake = np.interp(base.s - moved, base.s, base.brake)
    speed = base.speed / np.where((base.s >= where[0]) & (base.s <= where[1]), slower, 1.0)
    return driven(replace(base, t=t, speed=speed, brake=brake), number=number, time=float(t[-1]))


def test_best_sections_are_the_least_of_each_and_add_up():
    laps = [lap(2, 1.02, (0.0, 1000.0)), lap(3, 1.02, (1000.0, 3000.0)), lap(4, 1.01)]
    found = several_laps(reference()[0], laps, spans())
    assert [section.lap for section in found.sections] == [3, 2, 2]
    assert found.best_sections == pytest.approx(target().time, abs=0.05)
    assert found.best_sections < min(found.times)
    assert found.trend is None


def test_a_section_across_the_line():
    laps = [lap(1), lap(2, 1.05)]
    length = reference()[0].length
    found = several_laps(reference()[0], laps, [("round the line", 3900.0, 600.0), ("rest", 600.0, 3900.0)])
    assert found.best_sections == pytest.approx(laps[0].time, abs=1e-6)
    assert 0.0 < found.sections[0].best_s < laps[0].time * (600.0 + length - 3900.0) / length


def test_spread_of_brake_points():
    """Brake points moved by -3, 0 and 3 m: a standard deviation of 3 m."""
    found = several_laps(reference()[0], [lap(i, moved=m) for i, m in enumerate((-3.0, 0.0, 3.0))], spans())
    gate = next(one for one in found.spreads if one.corner == "Gate" and one.what == "brake_on")
    assert gate.spread == pytest.approx(3.0, abs=0.05)
    assert (gate.least, gate.most) == (pytest.approx(-3.0, abs=0.1), pytest.approx(3.0, abs=0.1))
    slowest = next(one for one in found.spreads if one.corner == "Gate" and one.what == "slowest")
    assert slowest.spread == pytest.approx(0.0, abs=1e-6)


def test_trend_of_tyres_that_come_in_and_of_none():
    better = [lap(i, 1.02 - 0.003 * i) for i in range(6)]
    found = several_laps(reference()[0], better, spans()).trend
    assert found.s_per_lap == pytest.approx(-0.003 * target().time, rel=0.02)
    assert "tyres coming in" in found.words
    scattered = [lap(i, 1.01 + e) for i, e in enumerate((0.0, 0.003, -0.002, 0.001, -0.001, 0.002))]
    found = several_laps(reference()[0], scattered, spans()).trend
    assert "no trend" in found.words and found.low < 0.0 < found.high


def test_the_record_is_plain():
    import json

    record = several_laps(reference()[0], [lap(i, 1.0 + 0.002 * i) for i in range(4)], spans()).record()
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    assert record["laps"] == [0, 1, 2, 3]
