"""``lapwright lap TRACK VEHICLE``: the reference lap, its baseline, tables and figures."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_ends, add_files, add_margin, add_out, add_talk
from lapwright.cli.report import Report

if TYPE_CHECKING:
    from lapwright.baseline.solve import BaselineResult
    from lapwright.lap.lap import Lap
    from lapwright.outputs.summary import SummaryHead
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
        help="mean length of a mesh interval in m (default: from the length of the road, 2 to 5.5)",
    )
    parser.add_argument(
        "--degree", type=int, default=2, metavar="D", help="collocation points an interval (default 2)"
    )
    parser.add_argument(
        "--tolerance-s",
        type=float,
        default=0.01,
        metavar="S",
        help="largest mesh error of the lap time in s (default 0.01)",
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
    parser.add_argument(
        "--solver",
        choices=("structured", "ipopt"),
        default="structured",
        help="structured: this program's own, with IPOPT when that finds no answer (default); ipopt: IPOPT alone",
    )
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
    from lapwright.errors import NoSolutionError
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.reference.solve import LapOptions, solve_lap
    from lapwright.vehicle.margin import with_margin

    options = LapOptions(
        mesh=args.mesh_m,
        degree=args.degree,
        tolerance=args.tolerance_s,
        uniform=args.even_mesh,
        max_iterations=args.max_iterations,
        solver=args.solver,
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
        baseline, notices = None, []
        try:
            baseline = solve_baseline(
                track, vehicle, start_speed=start.speed, end_speed=end.speed, at_most=True
            )
            notices = list(baseline.notices)
        except NoSolutionError as error:
            # The target stands without it: the centreline may be too tight where a free line is not.
            notices = [f"no baseline: {error}"]
        report = _LapReport(args, track, vehicle, result, baseline, notices, began)
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


class _LapReport(Report):
    """What a solved lap is told as."""

    def __init__(
        self,
        args: argparse.Namespace,
        track: Track,
        vehicle: AnyVehicle,
        result: ReferenceLap,
        baseline: BaselineResult | None,
        notices: list[str],
        began: float,
    ) -> None:
        from lapwright.lap.corners import corner_sectors, sector_times

        super().__init__(args, track, vehicle, result.lap, notices, began)
        self.result = result
        if baseline is not None:
            self.baseline = baseline.lap
            sectors = corner_sectors(self.corners, result.lap)
            self.loss = list(sector_times(baseline.lap, sectors) - sector_times(result.lap, sectors))

    def traces(self) -> dict[str, Lap]:
        """The target and, when there is one, the baseline."""
        found = {"target.csv": self.lap}
        return found if self.baseline is None else found | {"baseline.csv": self.baseline}

    def figures(self) -> dict[str, Callable[[], Any]]:
        """The common figures and the page for the sceptic."""
        from lapwright.outputs.figures.limits import draw_limits
        from lapwright.reference.evidence import evidence_of

        own = {"limits": lambda: draw_limits(self.lap, evidence_of(self.result), self.corners)}
        return super().figures() | own

    def texts(self) -> dict[str, str]:
        """The log of the solver."""
        return {"solver.txt": self.result.log}

    def keep(self, folder: Path) -> None:
        """The solution, for ``lapwright corner --lap``."""
        from lapwright.outputs.kept_file import NAME, write_kept
        from lapwright.reference.kept import keep

        write_kept(folder / NAME, keep(self.result, self.track))

    def head(self, wall_time: float) -> SummaryHead:
        """The fixed keys of summary.json."""
        from lapwright.outputs.summary import SummaryHead

        result = self.result
        return SummaryHead(
            status="solved",
            lap_time_s=result.time,
            baseline_lap_time_s=None if self.baseline is None else self.baseline.time,
            mesh_error_s=result.mesh_error.total,
            intervals=result.solution.nlp.mesh.intervals,
            iterations=result.iterations,
            solve_time_s=result.solve_seconds,
            wall_time_s=wall_time,
        )

    def details(self) -> dict[str, Any]:
        """Solver and limits."""
        import numpy as np

        from lapwright.compiled import backend

        result = self.result
        return {
            "mesh_error_net_s": result.mesh_error.net,
            "barrier_gap_s": result.solution.barrier_gap,
            "effort_cost_s": result.effort_cost,
            "solver": {
                "name": result.solver,
                "evaluation": backend(),
                "unknowns": result.solution.nlp.layout.size,
                "rows": result.solution.nlp.layout.rows,
                "intervals_breaking_a_limit_inside": int(np.count_nonzero(result.mesh_error.broken)),
                "last_barrier": float(result.solution.history["barrier"][-1]),
                "stages": result.stages,
            },
            "limits": [
                {"name": use.name, "active_m": use.length, "worth_s": use.cost, "stretches_m": use.stretches}
                for use in result.limits
            ],
        }
