"""``lapwright balance TRACK VEHICLE``: what each setup number is worth, and how the car balances on its way into corners."""

from __future__ import annotations

import argparse
import re
import shutil
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_ends, add_files, add_margin, add_out, add_talk

if TYPE_CHECKING:
    from lapwright.cli.progress import ProgressLine
    from lapwright.errors import Fault
    from lapwright.reference.solve import ReferenceLap
    from lapwright.study.balance import Balance
    from lapwright.track.track import Track

WIDEST = 120
"""Characters in a line on the terminal at most."""

BEST_VEHICLE = "best-vehicle.yaml"
"""File with the best setup."""


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "balance",
        help="what each setup number is worth, which axle limits each entry, which brake share suits, the best setup",
        description="Solve the lap, tell what a step of every number of the car does to it and where, check the largest by "
        "solves with the number changed, and look into each entry: which axle and wheel limits it, how stable the car is "
        "there, which brake share suits it, with hot tyres and with cold ones. Writes balance.json, effects.csv, "
        "entries.csv, a table for each entry and figures.",
    )
    add_files(parser)
    parser.add_argument("--corner", metavar="NAME", help="the entry of this corner alone")
    parser.add_argument(
        "--checks", type=int, default=12, metavar="N",
        help="how many of the largest effects are checked by two solves each (default 12; 0 for none)",
    )  # fmt: skip
    group = parser.add_argument_group("best setup")
    group.add_argument(
        "--best",
        metavar="KEYS",
        help="find the quickest setup of these numbers, keys of the vehicle file with commas between them; bounds as in "
        "brakes.front_share=0.58:0.72 (default: as far from the car's own value as one would usually go)",
    )
    group.add_argument(
        "--most-doublings",
        type=float,
        metavar="N",
        help="a deviation that nobody catches, brake and wheel held, may double so often on the entries of that setup, all "
        "together, and no oftener",
    )
    group.add_argument(
        "--no-less-stable",
        action="store_true",
        help="its entries, all in all, may be no less stable than those of the car as it is",
    )
    group = parser.add_argument_group("tyres")
    group.add_argument(
        "--cold-grip",
        type=float,
        default=0.9,
        metavar="SHARE",
        help="grip of a cold tyre, hot 1 (default 0.9)",
    )
    group.add_argument("--no-tyres", action="store_true", help="leave out the laps with cold tyres")
    add_margin(parser)
    add_ends(parser)
    add_out(parser)
    parser.add_argument("--no-figures", action="store_true", help="tables only")
    add_talk(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; see ``main`` for the exit status."""
    began = time.perf_counter()
    from lapwright.errors import InputError
    from lapwright.outputs.folder import check_output

    faults, best = _faults(args)
    if faults:
        raise InputError(faults)
    if args.out:
        check_output(args.out, args.force)
    from lapwright.cli.lap import load_both
    from lapwright.cli.progress import ProgressLine
    from lapwright.inputs.files import load_track, load_vehicle
    from lapwright.study.make import BalanceOptions, make_balance

    with ProgressLine(args.quiet) as line:
        line.say("reading files")
        # Kept as it is now: the best setup is written into the file that was solved.
        source = _source(args.vehicle)
        track, vehicle = load_both(load_track, load_vehicle, args.track, args.vehicle)
        options = BalanceOptions(
            corner=_corner(args, track),
            checks=args.checks,
            tyres=not args.no_tyres,
            cold=args.cold_grip,
            best=best,
            most_doublings=args.most_doublings,
            no_less_stable=args.no_less_stable,
        )
        _check_numbers(vehicle, best)
        result = _solve(args, track, vehicle, line)
        balance = make_balance(result, track, options, line.say)
        work = _Work(args, track, result, balance, source, began, line)
        if args.out:
            work.write(Path(args.out))
    return work.show()


def _faults(
    args: argparse.Namespace,
) -> tuple[list[Fault], tuple[tuple[str, tuple[float, float] | None], ...]]:
    """Everything wrong with the options together, and the numbers of the best setup."""
    from lapwright.errors import Fault

    faults = []
    if args.checks < 0:
        faults.append(Fault(f"--checks is {args.checks}: 0 or more"))
    if not 0.3 <= args.cold_grip < 1.0:
        faults.append(Fault(f"--cold-grip is {args.cold_grip:g}: a share from 0.3 to below 1 is allowed"))
    if args.most_doublings is not None and not 0.0 < args.most_doublings <= 1e6:
        faults.append(
            Fault(f"--most-doublings is {args.most_doublings:g}: above 0 and at most 1000000 is allowed")
        )
    for option, given in (
        ("--most-doublings", args.most_doublings is not None),
        ("--no-less-stable", args.no_less_stable),
    ):
        if given and not args.best:
            faults.append(Fault(f"{option} limits the best setup: say with --best which numbers may change"))
    best, more = best_numbers(args.best) if args.best is not None else ((), [])
    return faults + more, best


def best_numbers(text: str) -> tuple[tuple[tuple[str, tuple[float, float] | None], ...], list[Fault]]:
    """Keys with bounds, None where none are given, from words like ``brakes.front_share=0.58:0.72,chassis.cg_height_m``."""
    from lapwright.errors import Fault

    found: list[tuple[str, tuple[float, float] | None]] = []
    faults = []
    for part in text.split(","):
        key, equals, bounds = (piece.strip() for piece in part.partition("="))
        if not key:
            faults.append(
                Fault(
                    "--best wants keys of the vehicle file with commas between them, such as brakes.front_share"
                )
            )
        elif not equals:
            found.append((key, None))
        else:
            ends = re.fullmatch(r"([-+.\deE]+)\s*:\s*([-+.\deE]+)", bounds)
            try:
                low, high = (float(end) for end in ends.groups()) if ends else (None, None)
            except ValueError:
                low = high = None
            if low is None or high is None:
                faults.append(
                    Fault(
                        f"the bounds of {key} are {bounds or 'missing'}: write them as low:high, e.g. {key}=0.55:0.75"
                    )
                )
            else:
                found.append((key, (low, high)))
    return tuple(found), faults


def _source(path: str) -> str:
    """The text of the vehicle file; '' when it cannot be read, which is told when it is loaded."""
    from lapwright.errors import InputError
    from lapwright.inputs.source import read_text

    try:
        return read_text(path)
    except InputError:
        return ""


def _corner(args: argparse.Namespace, track: Track) -> str:
    from lapwright.cli.corner import corner_called

    return corner_called(track, args.corner) if args.corner else ""


def _check_numbers(vehicle: Any, best: Sequence[tuple[str, tuple[float, float] | None]]) -> None:
    """What is wrong with the numbers of the best setup, all of it, before anything is solved.

    Bounds are refused in the words of the vehicle file, which know the unit that was likely meant.
    """
    from lapwright.errors import Fault, InputError
    from lapwright.inputs.numbers import Number
    from lapwright.inputs.overrides import find_spot
    from lapwright.inputs.vehicle_keys import VEHICLE
    from lapwright.study.make import bounded_numbers, four_wheels

    faults: list[Fault] = []
    rest: list[tuple[str, tuple[float, float] | None]] = []
    for key, bounds in best:
        spot = find_spot(VEHICLE, key)
        wrong: list[Fault] = []
        if spot is not None and isinstance(spot.kind, Number):
            refused = [bound for bound in bounds or () if not spot.kind.allows(bound)]
            wrong = [Fault(spot.kind.refusal(f"a bound of {key}", f"{b:g}", b)) for b in refused]
        faults += wrong
        rest.append((key, None if wrong else bounds))
    try:
        bounded_numbers(four_wheels(vehicle), rest)
    except InputError as error:
        faults += error.faults
    if faults:
        raise InputError(faults)


def _solve(args: argparse.Namespace, track: Track, vehicle: Any, line: ProgressLine) -> ReferenceLap:
    from lapwright.cli.options import end_states
    from lapwright.reference.solve import solve_lap

    start, end = end_states(args)
    return solve_lap(
        track,
        vehicle,
        start=start,
        end=end,
        grip_margin=args.grip_margin,
        progress=lambda stage, p: line.say(
            f"lap, {stage}",
            f"iteration {p.iteration}, lap {p.objective:.3f} s, rows off by {p.violation:.1e}",
        ),
    )


class _Work:
    """A balance that is written and shown."""

    def __init__(
        self,
        args: argparse.Namespace,
        track: Track,
        result: ReferenceLap,
        balance: Balance,
        source: str,
        began: float,
        line: ProgressLine,
    ) -> None:
        from lapwright.outputs.balance_record import balance_record

        self.args, self.track, self.result, self.balance = args, track, result, balance
        self.source, self.began, self.line = source, began, line
        self.record = balance_record(balance)

    def write(self, folder: Path) -> None:
        """Everything into ``folder``, all or nothing."""
        from lapwright.outputs.balance_files import write_balance
        from lapwright.outputs.folder import output_folder

        with output_folder(folder, self.args.force) as work:
            write_balance(work, self.record, self.balance)
            if self.balance.best is not None and self.balance.best.held:
                from lapwright.outputs.best_vehicle import best_text

                text = best_text(self.source, self.balance.best, self.track.name, self.args.vehicle)
                (work / BEST_VEHICLE).write_text(text, encoding="utf-8")
            if not self.args.no_figures:
                # Not needed without figures, and matplotlib takes its time to import.
                from lapwright.outputs.figures.balance_figures import balance_figures
                from lapwright.outputs.figures.style import save

                for name, draw in balance_figures(self.balance).items():
                    self.line.say("drawing", name)
                    save(draw(), work, name)
            (work / "balance.json").write_text(self._text(), encoding="ascii")

    def _text(self) -> str:
        """The balance as JSON, with what is needed to make it again."""
        from lapwright.cli.options import asked_options
        from lapwright.outputs.summary import SummaryHead, file_hashes, summary_text, versions

        inputs = {"track": Path(self.args.track), "vehicle": Path(self.args.vehicle)}
        rest = {
            name: value
            for name, value in self.record.items()
            if name not in ("caution", "lap_time_s", "mesh_error_s")
        }
        head = SummaryHead(
            status="solved",
            lap_time_s=self.result.time,
            mesh_error_s=self.result.mesh_error.total,
            intervals=self.result.solution.nlp.mesh.intervals,
            iterations=self.result.iterations,
            solve_time_s=self.result.solve_seconds,
            wall_time_s=time.perf_counter() - self.began,
        )
        more = {"options": asked_options(self.args), "inputs": file_hashes(inputs), "versions": versions()}
        return summary_text(head, rest | more)

    def show(self) -> int:
        """On standard output: the JSON object, or the tables; notices on standard error."""
        if self.args.json:
            print(self._text(), end="")
            return 0
        from lapwright.outputs.balance_text import balance_terminal

        width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)
        if not self.args.quiet:
            for notice in (*self.track.report.notices, *self.balance.notices):
                print(f"notice: {notice}", file=sys.stderr)
        print(balance_terminal(self.record, width))
        if self.args.out:
            print(f"Written to {self.args.out}")
        return 0
