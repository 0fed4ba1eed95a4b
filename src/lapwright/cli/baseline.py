"""``lapwright baseline TRACK VEHICLE``: the quasi-steady lap of a line, its tables and figures."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_files, add_margin, add_out, add_talk
from lapwright.cli.report import Report

if TYPE_CHECKING:
    from lapwright.baseline.path import Offsets
    from lapwright.baseline.solve import BaselineResult
    from lapwright.lap.lap import Lap
    from lapwright.outputs.summary import SummaryHead
    from lapwright.track.track import Track
    from lapwright.vehicle.parameters import AnyVehicle

CENTRE = "centre"


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "baseline",
        help="the quasi-steady lap: as fast as steady cornering, drive and brakes allow on a given line",
        description="The quasi-steady lap of a given line, by forward and backward passes through the car's envelope: "
        "baseline.csv, corners.csv, summary.json and figures.",
    )
    add_files(parser)
    add_out(parser)
    parser.add_argument(
        "--line",
        default=CENTRE,
        metavar="centre|FILE",
        help="the line that is driven: the centreline (default), or a CSV file with the columns distance_m and "
        "lateral_offset_m, and curvature_1pm when it is known, such as target.csv",
    )
    parser.add_argument(
        "--line-smoothing-m",
        type=float,
        default=0.03,
        metavar="M",
        help="root mean square in m that a line without a column curvature_1pm may stray from the points of its file "
        "(default 0.03)",
    )
    for which in ("start", "end"):
        parser.add_argument(
            f"--{which}-speed-mps",
            type=float,
            metavar="V",
            help=f"open roads: speed at the {which} in m/s (free when left out)",
        )
    add_margin(parser)
    parser.add_argument("--no-figures", action="store_true", help="tables and traces only")
    add_talk(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; see ``main`` for the exit status."""
    began = time.perf_counter()
    from lapwright.outputs.folder import check_output

    if args.out:
        check_output(args.out, args.force)
    from lapwright.baseline.solve import solve_baseline
    from lapwright.cli.lap import load_both
    from lapwright.cli.progress import ProgressLine
    from lapwright.errors import InputError
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.inputs.line_file import load_line
    from lapwright.vehicle.margin import with_margin

    if not 0.0 <= args.line_smoothing_m <= 1.0:
        raise InputError(f"--line-smoothing-m is {args.line_smoothing_m:g}: allowed are 0 to 1 m")
    with ProgressLine(args.quiet) as line:
        line.say("reading files")
        track, vehicle = load_both(load_track, load_vehicle, args.track, args.vehicle)
        vehicle = with_margin(vehicle, args.grip_margin)
        driven: Offsets | None = None
        notices: list[str] = []
        if args.line != CENTRE:
            driven, notices = load_line(args.line, track, args.line_smoothing_m)
        line.say("baseline")
        result = solve_baseline(
            track, vehicle, line=driven, start_speed=args.start_speed_mps, end_speed=args.end_speed_mps
        )
        report = _BaselineReport(args, track, vehicle, result, notices, began)
        if args.out:
            line.say("writing")
            report.write(Path(args.out), line)
    report.show()
    return 0


class _BaselineReport(Report):
    """What a baseline is told as."""

    def __init__(
        self,
        args: argparse.Namespace,
        track: Track,
        vehicle: AnyVehicle,
        result: BaselineResult,
        notices: list[str],
        began: float,
    ) -> None:
        super().__init__(args, track, vehicle, result.lap, [*notices, *result.notices], began)
        self.result, self.on_centreline = result, args.line == CENTRE

    def traces(self) -> dict[str, Lap]:
        """The baseline."""
        return {"baseline.csv": self.lap}

    def inputs(self) -> dict[str, Path]:
        """The two files and that of the line."""
        return super().inputs() | ({} if self.on_centreline else {"line": Path(self.args.line)})

    def head(self, wall_time: float) -> SummaryHead:
        """The fixed keys of summary.json."""
        from lapwright.outputs.summary import SummaryHead

        time_on_centreline = self.result.time if self.on_centreline else None
        return SummaryHead(
            status="solved",
            lap_time_s=self.result.time,
            baseline_lap_time_s=time_on_centreline,
            wall_time_s=wall_time,
        )

    def details(self) -> dict[str, Any]:
        """Line, envelope and the points that shape the lap."""
        result = self.result
        return {
            "kind": "quasi-steady",
            "line": "centreline" if self.on_centreline else "file",
            "envelope_shortfall": result.shortfall,
            "brake_points_m": result.switches,
            "slowest_points": [
                {"at_m": apex.station, "speed_mps": apex.speed, "curvature_1pm": apex.curvature}
                for apex in result.apexes
            ],
        }
