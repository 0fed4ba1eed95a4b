"""``lapwright lap TRACK VEHICLE``: the reference lap, its baseline, tables and figures."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_ends, add_files, add_margin, add_out, add_talk

if TYPE_CHECKING:
    from lapwright.baseline.solve import BaselineResult
    from lapwright.reference.solve import ReferenceLap
    from lapwright.track.track import Track
    from lapwright.vehicle.parameters import AnyVehicle


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "lap",
        help="the reference lap: the fastest way round within grip, engine, driver and road",
        description="Find the fastest lap of a circuit, or the fastest run over an open road, and write it as a target: "
        "target.csv, baseline.csv, corners.csv, summary.json and figures.",
    )
    add_files(parser)
    add_out(parser)
    add_ends(parser)
    add_margin(parser)
    parser.add_argument(
        "--mesh-m",
        type=float,
        metavar="M",
        help="mean length of a mesh interval in m (default: from the length of the road, 2.5 to 7)",
    )
    parser.add_argument(
        "--degree", type=int, default=2, metavar="D", help="collocation points an interval (default 2)"
    )
    parser.add_argument(
        "--tolerance-s",
        type=float,
        default=0.015,
        metavar="S",
        help="largest mesh error of the lap time in s (default 0.015)",
    )
    parser.add_argument(
        "--even-mesh",
        action="store_true",
        help="intervals of equal length instead of a mesh that follows the driving",
    )
    parser.add_argument(
        "--max-iterations", type=int, default=400, metavar="N", help="of one solve (default 400)"
    )
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
    from lapwright.cli.options import end_states
    from lapwright.cli.progress import ProgressLine
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.reference.solve import LapOptions, solve_lap, with_margin

    options = LapOptions(
        mesh=args.mesh_m,
        degree=args.degree,
        tolerance=args.tolerance_s,
        uniform=args.even_mesh,
        max_iterations=args.max_iterations,
    )
    with ProgressLine(args.quiet) as line:
        line.say("reading files")
        track, vehicle = load_both(load_track, load_vehicle, args.track, args.vehicle)
        vehicle = with_margin(vehicle, args.grip_margin)
        start, end = end_states(args)
        result = solve_lap(
            track,
            vehicle,
            start=start,
            end=end,
            options=options,
            progress=lambda stage, p: line.say(
                stage, f"iteration {p.iteration}, lap {p.objective:.3f} s, rows off by {p.violation:.1e}"
            ),
        )
        line.say("baseline")
        baseline = solve_baseline(track, vehicle, start_speed=start.speed, end_speed=end.speed)
        report = _Report(args, track, vehicle, result, baseline, began)
        if args.out:
            line.say("writing")
            report.write(Path(args.out), line)
    report.show()
    return 0


def load_both(
    load_track: Any, load_vehicle: Any, track_path: str, vehicle_path: str
) -> tuple[Track, AnyVehicle]:
    """Both files, with the faults of both when both have some."""
    from lapwright.errors import Fault, InputError

    faults: list[Fault] = []
    loaded: list[Any] = []
    for load, path in ((load_track, track_path), (load_vehicle, vehicle_path)):
        try:
            loaded.append(load(path))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return loaded[0], loaded[1]


class _Report:
    """What a solved lap is told as: files, table, JSON."""

    def __init__(
        self,
        args: argparse.Namespace,
        track: Track,
        vehicle: AnyVehicle,
        result: ReferenceLap,
        baseline: BaselineResult,
        began: float,
    ) -> None:
        from lapwright.lap.corners import corner_reports, corner_sectors, sector_times

        self.args, self.track, self.vehicle, self.result = args, track, vehicle, result
        self.baseline, self.began = baseline, began
        self.corners = corner_reports(result.lap, track)
        sectors = corner_sectors(self.corners, result.lap)
        self.loss = list(sector_times(baseline.lap, sectors) - sector_times(result.lap, sectors))

    def write(self, folder: Path, line: Any) -> None:
        """Everything into ``folder``, all or nothing."""
        from lapwright.outputs.corner_file import write_corners
        from lapwright.outputs.folder import output_folder
        from lapwright.outputs.traces import write_trace

        with output_folder(folder, self.args.force) as work:
            write_trace(work / "target.csv", self.result.lap)
            write_trace(work / "baseline.csv", self.baseline.lap)
            write_corners(work / "corners.csv", self.corners, self.loss)
            if not self.args.no_figures:
                self._draw(work, line)
            (work / "summary.json").write_text(self.summary(), encoding="ascii")

    def _draw(self, work: Path, line: Any) -> None:
        from lapwright.outputs.figures.friction import draw_friction
        from lapwright.outputs.figures.limits import draw_limits
        from lapwright.outputs.figures.map import draw_map
        from lapwright.outputs.figures.style import save
        from lapwright.outputs.figures.traces import draw_traces
        from lapwright.reference.evidence import evidence_of

        lap, corners = self.result.lap, self.corners
        margin = getattr(getattr(self.vehicle, "driver", None), "grip_margin", 0.0)
        for name, draw in (
            ("map", lambda: draw_map(lap, self.track, corners)),
            ("traces", lambda: draw_traces(lap, self.track, corners, self.baseline.lap)),
            ("friction", lambda: draw_friction(lap, margin)),
            ("limits", lambda: draw_limits(lap, evidence_of(self.result), corners)),
        ):
            line.say("drawing", name)
            save(draw(), work, name)

    def summary(self) -> str:
        """The text of summary.json."""
        from lapwright.cli.options import asked_options
        from lapwright.outputs.corner_file import corner_records
        from lapwright.outputs.summary import SummaryHead, file_hashes, summary_text, versions

        result = self.result
        head = SummaryHead(
            status="solved",
            lap_time_s=result.time,
            baseline_lap_time_s=self.baseline.lap.time,
            mesh_error_s=result.mesh_error.total,
            intervals=result.solution.nlp.mesh.intervals,
            iterations=result.iterations,
            solve_time_s=result.solve_seconds,
            wall_time_s=time.perf_counter() - self.began,
        )
        report = self.track.report
        rest = {
            "track": {"name": self.track.name, "length_m": self.track.length, "closed": self.track.closed},
            "vehicle": {"name": self.vehicle.name},
            "mesh_error_net_s": result.mesh_error.net,
            "effort_cost_s": result.effort_cost,
            "solver": {
                "name": "IPOPT",
                "unknowns": result.solution.nlp.layout.size,
                "rows": result.solution.nlp.layout.rows,
                "last_barrier": float(result.solution.history["barrier"][-1]),
                "stages": result.stages,
            },
            "limits": [
                {"name": use.name, "active_m": use.length, "worth_s": use.cost, "stretches_m": use.stretches}
                for use in result.limits
            ],
            "corners": corner_records(self.corners, self.loss),
            "notices": [*report.notices, *getattr(self.baseline, "notices", ())],
            "options": asked_options(self.args),
            "inputs": file_hashes({"track": Path(self.args.track), "vehicle": Path(self.args.vehicle)}),
            "versions": versions(),
        }
        return summary_text(head, rest)

    def show(self) -> None:
        """On standard output: the JSON object, or the table."""
        if self.args.json:
            print(self.summary(), end="")
            return
        from lapwright.outputs.table import lap_text

        print(lap_text(self.result.lap, self.corners, self.baseline.lap))
        if self.args.out:
            print(f"\nWritten to {self.args.out}")
