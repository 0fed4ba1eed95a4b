"""``lapwright baseline TRACK VEHICLE``: the quasi-steady lap of a line, its tables and figures."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_files, add_margin, add_out, add_talk

if TYPE_CHECKING:
    from lapwright.baseline.path import Offsets
    from lapwright.baseline.solve import BaselineResult
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
        "lateral_offset_m, such as target.csv",
    )
    parser.add_argument(
        "--line-smoothing-m",
        type=float,
        default=0.03,
        metavar="M",
        help="root mean square in m that the line may stray from the points of its file (default 0.03)",
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
    from lapwright.reference.solve import with_margin

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
        report = _Report(args, track, vehicle, result, notices, began)
        if args.out:
            line.say("writing")
            report.write(Path(args.out), line)
    report.show()
    return 0


class _Report:
    """What a baseline is told as: files, table, JSON."""

    def __init__(
        self,
        args: argparse.Namespace,
        track: Track,
        vehicle: AnyVehicle,
        result: BaselineResult,
        notices: list[str],
        began: float,
    ) -> None:
        from lapwright.lap.corners import corner_reports

        self.args, self.track, self.vehicle, self.result = args, track, vehicle, result
        self.notices = [*track.report.notices, *notices, *result.notices]
        self.began = began
        self.corners = corner_reports(result.lap, track)

    def write(self, folder: Path, line: Any) -> None:
        """Everything into ``folder``, all or nothing."""
        from lapwright.outputs.corner_file import write_corners
        from lapwright.outputs.folder import output_folder
        from lapwright.outputs.traces import write_trace

        with output_folder(folder, self.args.force) as work:
            write_trace(work / "baseline.csv", self.result.lap)
            write_corners(work / "corners.csv", self.corners)
            if not self.args.no_figures:
                self._draw(work, line)
            (work / "summary.json").write_text(self.summary(), encoding="ascii")

    def _draw(self, work: Path, line: Any) -> None:
        from lapwright.outputs.figures.friction import draw_friction
        from lapwright.outputs.figures.map import draw_map
        from lapwright.outputs.figures.style import save
        from lapwright.outputs.figures.traces import draw_traces

        lap, corners = self.result.lap, self.corners
        margin = getattr(getattr(self.vehicle, "driver", None), "grip_margin", 0.0)
        for name, draw in (
            ("map", lambda: draw_map(lap, self.track, corners)),
            ("traces", lambda: draw_traces(lap, self.track, corners)),
            ("friction", lambda: draw_friction(lap, margin)),
        ):
            line.say("drawing", name)
            save(draw(), work, name)

    def summary(self) -> str:
        """The text of summary.json."""
        from lapwright.cli.options import asked_options
        from lapwright.outputs.corner_file import corner_records
        from lapwright.outputs.summary import SummaryHead, file_hashes, summary_text, versions

        result, args = self.result, self.args
        centre = args.line == CENTRE
        head = SummaryHead(
            status="solved",
            lap_time_s=result.time,
            baseline_lap_time_s=result.time if centre else None,
            wall_time_s=time.perf_counter() - self.began,
        )
        files = {"track": Path(args.track), "vehicle": Path(args.vehicle)}
        if not centre:
            files["line"] = Path(args.line)
        rest = {
            "kind": "quasi-steady",
            "line": "centreline" if centre else "file",
            "track": {"name": self.track.name, "length_m": self.track.length, "closed": self.track.closed},
            "vehicle": {"name": self.vehicle.name},
            "envelope_shortfall": result.shortfall,
            "brake_points_m": result.switches,
            "slowest_points": [
                {"at_m": apex.station, "speed_mps": apex.speed, "curvature_1pm": apex.curvature}
                for apex in result.apexes
            ],
            "corners": corner_records(self.corners),
            "notices": self.notices,
            "options": asked_options(args),
            "inputs": file_hashes(files),
            "versions": versions(),
        }
        return summary_text(head, rest)

    def show(self) -> None:
        """On standard output: the JSON object, or the table."""
        import sys

        if self.args.json:
            print(self.summary(), end="")
            return
        from lapwright.outputs.table import lap_text

        if not self.args.quiet:
            for notice in self.notices:
                print(f"notice: {notice}", file=sys.stderr)
        print(lap_text(self.result.lap, self.corners))
        if self.args.out:
            print(f"\nWritten to {self.args.out}")
