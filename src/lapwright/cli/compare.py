"""``lapwright compare TRACK VEHICLE LOG...``: a driver's real lap held against the optimum."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_ends, add_files, add_margin, add_out, add_talk

if TYPE_CHECKING:
    from lapwright.cli.progress import ProgressLine
    from lapwright.driver.compare import Comparison
    from lapwright.driver.log import Log
    from lapwright.driver.session import Session
    from lapwright.errors import Fault
    from lapwright.problem.lap import EndState
    from lapwright.reference.kept import KeptLap
    from lapwright.track.track import Track
    from lapwright.vehicle.parameters import AnyVehicle

WIDEST = 120
"""Characters in a line on the terminal at most."""


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "compare",
        help="a driver's real lap against the optimum: where the time is, why, what to try next",
        description="Read one log or several, lay their laps on the circuit and hold the best lap of each against the "
        "reference: where the time is, what was done otherwise, and what each difference is worth. Writes report.html, "
        "compare.json, corners.csv, aligned.csv and figures.",
    )
    add_files(parser)
    parser.add_argument(
        "logs",
        metavar="LOG",
        nargs="+",
        help="log of a driver: CSV, ASAM MDF 4 (.mf4) or GPX 1.1; see docs/logs.md",
    )
    group = parser.add_argument_group("logs")
    group.add_argument(
        "--map", metavar="FILE", action="append", dest="maps",
        help="channel map (YAML) that says which column is what; once for all logs, or once for each",
    )  # fmt: skip
    group.add_argument(
        "--write-map",
        metavar="FILE",
        help="write the channel map that is proposed for the first log, to be looked at, and stop",
    )
    group.add_argument(
        "--lap-number", type=int, metavar="N", help="compare lap N of each log (default: the best)"
    )
    group.add_argument(
        "--all-laps", action="store_true", help="compare every whole lap of the logs, at most five in all"
    )
    group = parser.add_argument_group("reference")
    group.add_argument(
        "--lap",
        metavar="DIR",
        help="a lap solved earlier: the folder that lapwright lap made (default: solve it here)",
    )
    add_margin(parser)
    group.add_argument(
        "--fit-car",
        metavar="FILE",
        help="write a vehicle file with the grip, power and drag that the logs show, changes stated in it",
    )
    group.add_argument(
        "--priced", type=int, default=24, metavar="N",
        help="how many differences of a lap are priced by imposing each on the reference (default 24, at least 10)",
    )  # fmt: skip
    add_out(parser)
    add_ends(parser)
    parser.add_argument("--no-figures", action="store_true", help="report and tables only")
    add_talk(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; see ``main`` for the exit status."""
    began = time.perf_counter()
    from lapwright.cli.lap import load_both
    from lapwright.cli.progress import ProgressLine
    from lapwright.driver.compare import compare
    from lapwright.errors import InputError
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.outputs.folder import check_output

    faults = _faults(args)
    if faults:
        raise InputError(faults)
    if args.out:
        check_output(args.out, args.force)
    if args.write_map:
        return _write_map(args)
    with ProgressLine(args.quiet) as line:
        line.say("reading files")
        track, vehicle = load_both(load_track, load_vehicle, args.track, args.vehicle)
        logs = _logs(args, line)
        known = _known(args, track, vehicle, logs, line)
        sessions = _sessions(logs, track, vehicle, known, line)
        comparison = compare(
            track,
            known,
            sessions,
            number=args.lap_number,
            every=args.all_laps,
            most=args.priced,
            progress=lambda driver, what: line.say(driver, what),
        )
        work = _Work(args, comparison, began, line)
        if args.fit_car:
            work.fit_car(Path(args.fit_car))
        if args.out:
            work.write(Path(args.out))
    return work.show()


def _faults(args: argparse.Namespace) -> list[Fault]:
    """Everything wrong with the options together."""
    from lapwright.errors import Fault

    faults = []
    if args.maps and len(args.maps) not in (1, len(args.logs)):
        faults.append(
            Fault(
                f"--map is given {len(args.maps)} times for {len(args.logs)} logs: once for all, or once for each"
            )
        )
    if args.lap_number is not None and args.lap_number < 1:
        faults.append(Fault(f"--lap-number is {args.lap_number}: laps are counted from 1"))
    if args.all_laps and args.lap_number is not None:
        faults.append(Fault("--all-laps compares every lap: leave out --lap-number"))
    if args.priced < 10:
        faults.append(Fault(f"--priced is {args.priced}: at least 10"))
    if args.lap and args.grip_margin is not None:
        faults.append(
            Fault("--grip-margin belongs to the lap, which --lap has already: leave one of them out")
        )
    if args.write_map and args.maps:
        faults.append(Fault("--write-map proposes what --map already says: leave one of them out"))
    for option, path in (("--fit-car", args.fit_car), ("--write-map", args.write_map)):
        if path and Path(path).exists() and not args.force:
            faults.append(Fault(f"{option}: {path} exists already; --force replaces it"))
    return faults


def _write_map(args: argparse.Namespace) -> int:
    """The channel map that is proposed for the first log, shown and written; it has to be looked at before it is used."""
    from lapwright.cli.schema import write_whole
    from lapwright.inputs.log_file import propose_map

    proposal = propose_map(args.logs[0])
    write_whole(Path(args.write_map), proposal.text, args.force)
    if not args.quiet:
        print(proposal.text, end="")
    told = "" if proposal.sure else " Something in it is in doubt: look at the comments."
    print(f"Written to {args.write_map}.{told} Pass it as --map {args.write_map}", file=sys.stderr)
    return 0 if proposal.sure else 2


def _map_of(args: argparse.Namespace, number: int) -> str | None:
    if not args.maps:
        return None
    return str(args.maps[number if len(args.maps) > 1 else 0])


def _logs(args: argparse.Namespace, line: ProgressLine) -> list[Log]:
    """All logs, with the faults of all of them when several have some."""
    from lapwright.errors import InputError
    from lapwright.inputs.log_file import load_log

    logs: list[Log] = []
    faults: list[Fault] = []
    for number, path in enumerate(args.logs):
        line.say("reading logs", path)
        try:
            logs.append(load_log(path, _map_of(args, number)))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return logs


def _known(
    args: argparse.Namespace, track: Track, vehicle: AnyVehicle, logs: list[Log], line: ProgressLine
) -> KeptLap:
    """The reference: read from a folder, or solved."""
    if args.lap:
        from lapwright.inputs.kept_file import load_kept

        files = {"track": Path(args.track), "vehicle": Path(args.vehicle)}
        return load_kept(args.lap, track, vehicle, files)
    from lapwright.reference.kept import keep
    from lapwright.reference.solve import solve_lap

    start, end = _ends(args, track, vehicle, logs, line)
    result = solve_lap(
        track,
        vehicle,
        start=start,
        end=end,
        grip_margin=args.grip_margin,
        progress=lambda stage, p: line.say(
            f"reference, {stage}",
            f"iteration {p.iteration}, lap {p.objective:.3f} s, rows off by {p.violation:.1e}",
        ),
    )
    return keep(result, track)


def _ends(
    args: argparse.Namespace, track: Track, vehicle: AnyVehicle, logs: list[Log], line: ProgressLine
) -> tuple[EndState, EndState]:
    """How an open road is entered and left: as asked; what was not said of the start is as the first driver had it."""
    from dataclasses import replace

    from lapwright.cli.options import end_states
    from lapwright.driver.compare import chosen_lap
    from lapwright.driver.sessions import session_of

    start, end = end_states(args)
    if track.closed or start.speed is not None:
        return start, end
    line.say("laying the log on the road", logs[0].file)
    lap = chosen_lap(session_of(logs[0], track, vehicle), args.lap_number).lap
    assert lap is not None
    return replace(start, speed=float(lap.speed[0])), end


def _sessions(
    logs: list[Log], track: Track, vehicle: AnyVehicle, known: KeptLap, line: ProgressLine
) -> list[Session]:
    """All logs laid on the road, with the faults of all of them when several have some."""
    from lapwright.driver.sessions import session_of
    from lapwright.errors import InputError

    sessions: list[Session] = []
    faults: list[Fault] = []
    for log in logs:
        line.say("laying the log on the road", log.file)
        try:
            sessions.append(session_of(log, track, vehicle, known.lap))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return sessions


class _Work:
    """A comparison written and shown."""

    def __init__(
        self, args: argparse.Namespace, comparison: Comparison, began: float, line: ProgressLine
    ) -> None:
        from lapwright.outputs.compare_record import compare_record

        self.args, self.comparison, self.began, self.line = args, comparison, began, line
        self.record = compare_record(comparison)
        self.fitted = ""

    def write(self, folder: Path) -> None:
        """Everything into ``folder``, all or nothing."""
        from lapwright.outputs.compare_files import aligned_text, parts_text
        from lapwright.outputs.folder import output_folder
        from lapwright.outputs.report.page import write_report

        comparison = self.comparison
        with output_folder(folder, self.args.force) as work:
            self.line.say("writing", "tables")
            (work / "corners.csv").write_text(parts_text(self.record), encoding="ascii")
            (work / "aligned.csv").write_text(aligned_text(comparison), encoding="ascii")
            self.line.say("writing", "report")
            drives = [one.drive for one in comparison.drivers]
            running = [one.run.time for one in comparison.drivers]
            write_report(
                work / "report.html", self.record, comparison.target, comparison.track, drives, running
            )
            if not self.args.no_figures:
                self._draw(work)
            (work / "compare.json").write_text(self._text(), encoding="ascii")

    def _draw(self, work: Path) -> None:
        # Not needed without figures, and matplotlib takes its time to import.
        from lapwright.outputs.figures.compare_corner import draw_corner_overlay
        from lapwright.outputs.figures.compare_difference import draw_difference
        from lapwright.outputs.figures.compare_findings import draw_findings
        from lapwright.outputs.figures.compare_lines import draw_lines
        from lapwright.outputs.figures.compare_overlay import draw_overlay
        from lapwright.outputs.figures.style import save, save_pages, save_picture

        record, target, track = self.record, self.comparison.target, self.comparison.track
        drivers = self.comparison.drivers
        drives = [one.drive for one in drivers]
        self.line.say("drawing", "difference")
        save(
            draw_difference(record, target, track, drives, [one.run.time for one in drivers]),
            work,
            "difference",
        )
        self.line.say("drawing", "overlay")
        pages = list(draw_overlay(record, target, track, drives))
        for number, page in enumerate(pages, 1):
            save_picture(page, work, f"overlay-{number}" if len(pages) > 1 else "overlay")
        save_pages(pages, work, "overlay")
        for number, one in enumerate(drivers):
            mark = f"-{number + 1}" if len(drivers) > 1 else ""
            self.line.say("drawing", "findings")
            save(draw_findings(record, target, number), work, f"findings{mark}")
            if "line" in one.drive.has:
                self.line.say("drawing", "lines")
                save(draw_lines(record, target, track, drives, number), work, f"lines{mark}")
        names = dict.fromkeys(one["corner"] for driver in record["drivers"] for one in driver["try_next"])
        if names:
            self.line.say("drawing", "corners")
            save_pages(
                [draw_corner_overlay(record, target, track, drives, name) for name in names], work, "corners"
            )

    def fit_car(self, path: Path) -> None:
        """The vehicle file with what the logs show of the car."""
        from lapwright.cli.schema import write_whole
        from lapwright.inputs.source import read_text
        from lapwright.outputs.fitted_vehicle import fitted_text

        fit = self.comparison.drivers[0].fit
        logs = [Path(one.session.log.file).name for one in self.comparison.drivers[:1]]
        write_whole(
            path,
            fitted_text(read_text(self.args.vehicle), fit, logs, str(self.args.vehicle)),
            self.args.force,
        )
        self.fitted = f"{fit.words}\nWritten to {path}: the vehicle file with these numbers."

    def _text(self) -> str:
        """compare.json, with what is needed to make it again."""
        from lapwright.cli.options import asked_options
        from lapwright.outputs.summary import SummaryHead, file_hashes, summary_text, versions

        inputs = {"track": Path(self.args.track), "vehicle": Path(self.args.vehicle)}
        inputs |= {f"log_{number}": Path(path) for number, path in enumerate(self.args.logs, 1)}
        known = self.comparison.known
        # The caution stands at the end of every summary.
        rest = {key: value for key, value in self.record.items() if key != "caution"} | {
            "options": asked_options(self.args),
            "inputs": file_hashes(inputs),
            "versions": versions(),
        }
        head = SummaryHead(
            status="compared",
            lap_time_s=known.lap.time,
            mesh_error_s=known.mesh_error,
            iterations=0,
            solve_time_s=0.0,
            wall_time_s=time.perf_counter() - self.began,
        )
        return summary_text(head, rest)

    def show(self) -> int:
        """On standard output: the JSON object, or the text; notices on standard error. The exit status."""
        if self.args.json:
            print(self._text(), end="")
            return 0
        from lapwright.outputs.compare_text import compare_terminal

        if not self.args.quiet:
            for notice in self.comparison.track.report.notices:
                print(f"notice: {notice}", file=sys.stderr)
            for one in self.record["drivers"]:
                for notice in one["notices"]:
                    print(f"notice: {one['log']}: {notice}", file=sys.stderr)
        width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)
        print(compare_terminal(self.record, width))
        if self.fitted:
            print(f"\n{self.fitted}")
        if self.args.out:
            print(f"Written to {self.args.out}")
        return 0
