"""Every key of a track file: unit, range, default and meaning. The one place where they are written down."""

from __future__ import annotations

from lapwright.inputs.csv_points import BANK, SIDE, CsvFile
from lapwright.inputs.kinds import Choice, Either, Flag, Group, Key, ListOf, Text
from lapwright.inputs.numbers import Number
from lapwright.inputs.points import Points
from lapwright.inputs.track_rules import (
    check_band,
    check_centreline,
    check_element,
    check_names,
    check_sorted,
    check_track,
    make_element,
)
from lapwright.track.definition import CornerSpec, GripPatch, Landmark, Station

STATION = Number("m", 0, 200_000)
HEIGHT = Number("m", -1000, 10_000, (-450, 5000))

ELEMENT = Group(
    (
        Key(
            "straight_m",
            Number("m", 0, 100_000, (1, 5000), above=True),
            "length of a straight (alone in its element)",
            "straight",
            default=None,
        ),
        Key(
            "radius_m",
            Number(
                "m",
                0.5,
                100_000,
                (5, 20_000),
                advice="A radius is a positive length; for a right turn write turn: right.",
            ),
            "radius of a bend on the centreline",
            "radius",
            default=None,
        ),
        Key(
            "angle_deg",
            Number("deg", 0, 720, (0.5, 400), above=True, advice="For a right turn write turn: right."),
            "whole change of heading of the bend, ramps included",
            "angle",
            default=None,
        ),
        Key("turn", Choice(("left", "right")), "side to which the bend turns", "turn", default=None),
        Key(
            "ramp_m",
            Number("m", 0, 5000, (0, 500)),
            "length of the clothoid at either end of the bend",
            "ramp",
            default=0.0,
        ),
        Key(
            "ramp_in_m",
            Number("m", 0, 5000, (0, 500)),
            "length of the clothoid before the bend (instead of ramp_m)",
            "ramp_in",
            default=None,
        ),
        Key(
            "ramp_out_m",
            Number("m", 0, 5000, (0, 500)),
            "length of the clothoid after the bend (instead of ramp_m)",
            "ramp_out",
            default=None,
        ),
    ),
    make=make_element,
    check=check_element,
    extra_schema={
        "oneOf": [
            {"required": ["straight_m"], "maxProperties": 1},
            {"required": ["radius_m", "angle_deg", "turn"], "properties": {"straight_m": False}},
        ],
        "dependentSchemas": {
            "ramp_in_m": {"properties": {"ramp_m": False}},
            "ramp_out_m": {"properties": {"ramp_m": False}},
        },
    },
    noun="an element",
)

CENTRELINE = Group(
    (
        Key(
            "elements",
            ListOf(ELEMENT, 1, noun="elements"),
            "straights and bends in driving order",
            "elements",
            default=None,
        ),
        Key("points_m", Points(), "surveyed points in driving order", "points", default=None),
        Key(
            "csv",
            CsvFile(),
            "table of points beside this file: x_m, y_m, perhaps z_m, width_left_m, width_right_m, bank_deg",
            "csv",
            default=None,
        ),
        Key(
            "tolerance_m",
            Number("m", 0, 20, (0.02, 2)),
            "points and csv: how far the smoothed line may stray from a point",
            "tolerance",
            default=0.25,
        ),
    ),
    check=check_centreline,
    extra_schema={
        "oneOf": [{"required": ["elements"]}, {"required": ["points_m"]}, {"required": ["csv"]}],
    },
    noun="centreline",
)


def _station_list(value: Number, what: str) -> ListOf:
    keys = (Key("at_m", STATION, "station", "at"), Key("value", value, what, "value"))
    group = Group(keys, make=lambda values: Station(**values), noun="a station")
    return ListOf(group, 1, check_sorted, noun="stations")


WIDTH_PAIR = (
    Key("left", SIDE, "from the centreline to the left edge, in m", "left"),
    Key("right", SIDE, "from the centreline to the right edge, in m", "right"),
)

WIDTH = Either(
    scalar=Number("m", 0.4, 200, (2, 60)),
    mapping=Group(WIDTH_PAIR, noun="width_m"),
    sequence=ListOf(
        Group((Key("at_m", STATION, "station", "at"), *WIDTH_PAIR), noun="a width station"),
        1,
        check_sorted,
        noun="stations",
    ),
)

GRIP_PATCH = Group(
    (
        Key("from_m", STATION, "where the patch begins", "start"),
        Key("to_m", STATION, "where it ends (less than from_m: it runs across the line)", "end"),
        Key("scale", Number("share", 0.05, 3, (0.2, 1.3)), "factor on the friction coefficient", "scale"),
        Key(
            "band_right_m",
            Number("m", -100, 100),
            "right limit of the patch, offset from the centreline, positive to the left",
            "band_right",
            default=None,
        ),
        Key(
            "band_left_m",
            Number("m", -100, 100),
            "left limit of the patch, offset from the centreline, positive to the left",
            "band_left",
            default=None,
        ),
    ),
    make=lambda values: GripPatch(**values),
    check=check_band,
    noun="a grip patch",
)

CORNER = Group(
    (
        Key("name", Text(60), "name of the corner", "name"),
        Key("from_m", STATION, "where the corner begins", "start"),
        Key("to_m", STATION, "where it ends (less than from_m: it runs across the line)", "end"),
    ),
    make=lambda values: CornerSpec(**values),
    noun="a corner",
)

LANDMARK = Group(
    (
        Key("name", Text(60), "what the driver sees", "name"),
        Key("at_m", STATION, "where it stands", "at"),
    ),
    make=lambda values: Landmark(**values),
    noun="a landmark",
)

TRACK = Group(
    (
        Key("name", Text(), "name of the circuit or road", "name"),
        Key("closed", Flag(), "true for a circuit, false for a section of road", "closed"),
        Key("centreline", CENTRELINE, "the line from which all else is measured", "centreline"),
        Key(
            "width_m",
            WIDTH,
            "whole width (half on each side), or left and right of the centreline, or stations; "
            "needed unless the csv has widths",
            "width",
            default=None,
        ),
        Key(
            "elevation_m",
            Either(scalar=HEIGHT, sequence=_station_list(HEIGHT, "height above any level, in m")),
            "height at stations, smooth between them; level when left out",
            "elevation",
            default=None,
        ),
        Key(
            "bank_deg",
            Either(scalar=BANK, sequence=_station_list(BANK, "bank in degrees, positive = left edge higher")),
            "bank at stations (positive = left edge higher), smooth between them; none when left out",
            "bank",
            default=None,
        ),
        Key("grip", ListOf(GRIP_PATCH, 0, noun="patches"), "stretches with another grip", "grip", default=()),
        Key(
            "corners",
            ListOf(CORNER, 0, check_names, noun="corners"),
            "named corners; found from the curvature when left out",
            "corners",
            default=None,
        ),
        Key(
            "landmarks",
            ListOf(LANDMARK, 0, noun="landmarks"),
            "things that a driver can see",
            "landmarks",
            (),
        ),
    ),
    check=check_track,
    noun="a track file",
)
