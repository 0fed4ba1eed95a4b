"""Makes otter-heath.csv, the survey of an invented circuit as a person with a receiver would bring it home.

The road is built from straights and bends, walked at uneven steps, and every reading gets an error. Run it
with ``python otter_heath_survey.py``; the random numbers are always the same.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from lapwright.track.build import build_track
from lapwright.track.definition import Arc, ElementLine, Station, Straight, TrackDefinition
from lapwright.track.transform import placed

DEG = math.pi / 180.0
POSITION_ERROR, HEIGHT_ERROR, WIDTH_ERROR, BANK_ERROR = 0.06, 0.03, 0.05, 0.15
"""Standard deviations: m, m, m and degrees. Invented, of the size of a good satellite receiver and a tape."""

ELEMENTS = (
    Straight(37.13),
    Arc(45.0, -100.0 * DEG, 20.0, 20.0),
    Straight(77.08),
    Arc(80.0, 60.0 * DEG, 25.0, 25.0),
    Straight(32.61),
    Arc(80.0, -60.0 * DEG, 25.0, 25.0),
    Straight(97.04),
    Arc(28.0, -130.0 * DEG, 14.0, 14.0),
    Straight(226.39),
    Arc(55.0, 90.0 * DEG, 20.0, 20.0),
    Straight(65.82),
    Arc(22.0, -140.0 * DEG, 12.0, 12.0),
    Straight(185.88),
    Arc(120.0, -80.0 * DEG, 35.0, 35.0),
    Straight(57.02),
)
HEIGHTS = (
    (0, 31), (150, 33.5), (330, 38), (470, 36.5), (600, 32), (780, 27.5), (920, 28.5), (1070, 27),
    (1290, 29.5),
)  # fmt: skip
BANKS = (
    (0, 0), (85, 2), (180, 0), (267, -2), (338, 0), (408, 2.5), (510, 0), (598, 3), (740, 0), (917, -2.5),
    (1000, 0), (1068, 2), (1190, 0), (1390, 4), (1500, 1),
)  # fmt: skip
LEFTS = ((0, 5.2), (250, 4.6), (600, 5.4), (850, 4.8), (1070, 5.0), (1400, 5.6))
RIGHTS = ((0, 5.2), (250, 4.6), (600, 5.0), (850, 4.8), (1070, 5.4), (1400, 5.2))


GRID = (0.83, 1500.0, 2200.0)
"""How the road lies on the surveyor's grid: turned [rad], moved east and north [m]."""


def definition() -> TrackDefinition:
    """The road before it is surveyed."""
    return TrackDefinition(
        "Otter Heath",
        True,
        ElementLine(ELEMENTS),
        width_left=tuple(Station(s, w) for s, w in LEFTS),
        width_right=tuple(Station(s, w) for s, w in RIGHTS),
        elevation=tuple(Station(s, z) for s, z in HEIGHTS),
        bank=tuple(Station(s, b * DEG) for s, b in BANKS),
    )


def main() -> None:
    """Write the survey beside this file."""
    track = placed(build_track(definition()), *GRID)
    random = np.random.default_rng(1947)
    steps = random.uniform(1.2, 3.2, 2000)
    s = np.concatenate([[0.0], np.cumsum(steps)])
    points = track.road(s[s < track.length - 1.0])
    size = len(points.s)
    columns = (
        points.x + POSITION_ERROR * random.normal(size=size),
        points.y + POSITION_ERROR * random.normal(size=size),
        points.z + HEIGHT_ERROR * random.normal(size=size),
        points.width_left + WIDTH_ERROR * random.normal(size=size),
        points.width_right + WIDTH_ERROR * random.normal(size=size),
        points.bank / DEG + BANK_ERROR * random.normal(size=size),
    )
    lines = ["x_m,y_m,z_m,width_left_m,width_right_m,bank_deg"]
    lines += [",".join(f"{value:.2f}" for value in row) for row in zip(*columns, strict=True)]
    Path(__file__).with_name("otter-heath.csv").write_text("\n".join(lines) + "\n", encoding="ascii")


if __name__ == "__main__":
    main()
