"""``lapwright corner TRACK VEHICLE NAME``: an ideal braking trace for one corner, what it is worth and what mistakes cost."""

from __future__ import annotations

import argparse
import difflib
import re
import shutil
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_ends, add_files, add_margin, add_out, add_talk

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from lapwright.cli.progress import ProgressLine
    from lapwright.corner.card import CornerCard
    from lapwright.corner.confidence import Learner, OwnLaps
    from lapwright.lap.corners import CornerReport
    from lapwright.reference.kept import KeptLap
    from lapwright.track.track import Track
    from lapwright.vehicle.parameters import AnyVehicle

WIDEST = 120
"""Characters in a line on the terminal at most."""

STEP = 1.0
"""Distance between the rows of a corner's target [m]."""


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "corner",
        help="one corner: where to brake, how to release, what it is worth, what mistakes cost",
        description="Solve a corner of the reference lap again on a fine mesh, and again with habits and mistakes imposed, "
        "and write a card for the driver: card.md, card.json, card.pdf, card.png, target.csv. With --all a booklet of "
        "every corner.",
    )
    add_files(parser)
    parser.add_argument("name", metavar="NAME", nargs="?", help="name of the corner, as in the track file")
    parser.add_argument("--all", action="store_true", help="every corner of the lap, and a booklet")
    parser.add_argument(
        "--lap",
        metavar="DIR",
        help="a lap solved earlier: the folder that lapwright lap made (default: solve it here)",
    )
    add_out(parser)
    add_ends(parser)
    add_margin(parser)
    parser.add_argument(
        "--mesh-m",
        type=float,
        metavar="M",
        help="length of a mesh interval in the corner in m, 0.25 to 5 (default: 1 to 2, from the length of the corner)",
    )
    parser.add_argument(
        "--degree", type=int, default=2, metavar="D", help="collocation points an interval (default 2)"
    )
    group = parser.add_argument_group(
        "another driver", "for whom target-learner.csv is made, besides the file's driver"
    )
    group.add_argument(
        "--slower-foot", type=float, default=2.0, metavar="F", help="times slower on the pedals (default 2)"
    )
    group.add_argument(
        "--slower-hands", type=float, default=2.0, metavar="F", help="times slower at the wheel (default 2)"
    )
    group.add_argument(
        "--learner-margin", type=float, default=0.05, metavar="SHARE", help="grip left unused (default 0.05)"
    )
    parser.add_argument("--no-figures", action="store_true", help="words and traces only")
    add_talk(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; see ``main`` for the exit status."""
    began = time.perf_counter()
    from lapwright.cli.progress import ProgressLine
    from lapwright.errors import InputError
    from lapwright.outputs.folder import check_output

    faults = _faults(args)
    if faults:
        raise InputError(faults)
    if args.out:
        check_output(args.out, args.force)
    from lapwright.cli.lap import load_both
    from lapwright.corner.confidence import Learner
    from lapwright.inputs.files import load_track, load_vehicle

    learner = Learner(args.slower_foot, args.slower_hands, args.learner_margin)
    with ProgressLine(args.quiet) as line:
        line.say("reading files")
        track, vehicle = load_both(load_track, load_vehicle, args.track, args.vehicle)
        if not args.all:
            corner_called(track, args.name)
        known, laps = _known(args, track, vehicle, line)
        work = _Work(args, track, known, laps, learner, began, line)
        work.make()
        if args.out:
            work.write(Path(args.out))
    return work.show()


def _faults(args: argparse.Namespace) -> list[Any]:
    """Everything wrong with the options together."""
    from lapwright.errors import Fault

    faults = []
    if args.all and args.name:
        faults.append(Fault(f"--all makes every corner: leave out the name {args.name}, or leave out --all"))
    if not args.all and not args.name:
        faults.append(Fault("which corner? Give its name, or --all"))
    if args.mesh_m is not None and not 0.25 <= args.mesh_m <= 5.0:
        faults.append(Fault(f"--mesh-m is {args.mesh_m:g}: 0.25 to 5 m are allowed"))
    if args.lap:
        given = {"--grip-margin": args.grip_margin}
        for which in ("start", "end"):
            for what in ("speed_mps", "offset_m", "heading_deg"):
                given[f"--{which}-{what.replace('_', '-')}"] = getattr(args, f"{which}_{what}")
        faults += [
            Fault(f"{option} belongs to the lap, which --lap has already: leave one of them out")
            for option, value in given.items()
            if value is not None
        ]
        if args.degree != 2:
            faults.append(
                Fault("--degree belongs to the lap, which --lap has already: leave one of them out")
            )
    return faults


def corner_called(track: Track, name: str) -> str:
    """The corner of a track by its name, in any case of letters.

    Raises
    ------
    InputError
        For an unknown name: with the nearest known ones, and all of them.
    """
    from lapwright.errors import InputError

    names = [corner.name for corner in track.corners]
    found = [known for known in names if known.casefold() == name.casefold().strip()]
    if found:
        return found[0]
    if not names:
        raise InputError(f"{track.name} has no corners: it is straight")
    lower = {known.casefold(): known for known in names}
    near = [lower[word] for word in difflib.get_close_matches(name.casefold(), lower, n=3, cutoff=0.4)]
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    raise InputError(f"{track.name} has no corner {name}{hint} (known: {', '.join(names)})")


def _known(
    args: argparse.Namespace, track: Track, vehicle: AnyVehicle, line: ProgressLine
) -> tuple[KeptLap, OwnLaps]:
    """The lap to cut corners from: read from a folder, or solved."""
    from lapwright.cli.options import end_states
    from lapwright.corner.confidence import OwnLaps

    if args.lap:
        from lapwright.inputs.kept_file import load_kept

        files = {"track": Path(args.track), "vehicle": Path(args.vehicle)}
        known = load_kept(args.lap, track, vehicle, files)
        return known, OwnLaps(track, known)
    from lapwright.reference.kept import keep
    from lapwright.reference.solve import LapOptions, solve_lap

    start, end = end_states(args)
    result = solve_lap(
        track,
        vehicle,
        start=start,
        end=end,
        options=LapOptions(degree=args.degree),
        grip_margin=args.grip_margin,
        progress=lambda stage, p: line.say(
            f"lap, {stage}",
            f"iteration {p.iteration}, lap {p.objective:.3f} s, rows off by {p.violation:.1e}",
        ),
    )
    known = keep(result, track)
    return known, OwnLaps(track, known, result)


class _Work:
    """The cards of a run: made, written, shown."""

    def __init__(
        self,
        args: argparse.Namespace,
        track: Track,
        known: KeptLap,
        laps: OwnLaps,
        learner: Learner,
        began: float,
        line: ProgressLine,
    ) -> None:
        self.args, self.track, self.known, self.laps, self.learner = args, track, known, laps, learner
        self.began, self.line = began, line
        self.cards: list[CornerCard] = []
        self.records: list[dict[str, Any]] = []
        self.pages: list[Figure] = []
        self.unsolved: list[str] = []

    def make(self) -> None:
        """Work out the cards; a corner of a booklet that is not solved is noted and left out."""
        from lapwright.corner.card import make_card
        from lapwright.errors import NoSolutionError
        from lapwright.outputs.card_record import card_record

        functions = None
        for report in self._reports():
            try:
                card, functions = make_card(
                    self.track,
                    self.known,
                    report,
                    step=self.args.mesh_m,
                    learner=self.learner,
                    laps=self.laps,
                    functions=functions,
                    progress=self.line.say,
                )
            except NoSolutionError as error:
                if not self.args.all:
                    raise
                self.unsolved.append(str(error))
                continue
            self.cards.append(card)
            self.records.append(card_record(card, self.track, self.known.vehicle))
        if not self.cards:
            raise NoSolutionError("\n".join(self.unsolved))

    def _reports(self) -> Sequence[CornerReport]:
        from lapwright.errors import InputError
        from lapwright.lap.corners import corner_reports

        reports = corner_reports(self.known.lap, self.track)
        if not self.args.all:
            name = corner_called(self.track, self.args.name)
            reports = tuple(report for report in reports if report.name == name)
        if not reports:
            what = self.args.name or "a corner"
            raise InputError(f"the lap does not drive {what} from its start to its end")
        return reports

    # -- results ---------------------------------------------------------------------------------------------------

    def write(self, folder: Path) -> None:
        """Everything into ``folder``, all or nothing."""
        from lapwright.outputs.folder import output_folder

        with output_folder(folder, self.args.force) as work:
            for place, card, record in self._places(work):
                self._write_card(place, card, record)
            if self.args.all:
                self._write_booklet(work)

    def _places(self, work: Path) -> Iterator[tuple[Path, CornerCard, dict[str, Any]]]:
        """Where each card goes: the folder itself, or one folder a corner."""
        for number, (card, record) in enumerate(zip(self.cards, self.records, strict=True), start=1):
            place = work
            if self.args.all:
                place = work / f"{number:02d}-{slug(card.name)}"
                place.mkdir()
            yield place, card, record

    def _write_card(self, place: Path, card: CornerCard, record: dict[str, Any]) -> None:
        from lapwright.lap.resample import resample
        from lapwright.outputs.card_text import card_markdown
        from lapwright.outputs.traces import write_trace

        (place / "card.md").write_text(card_markdown(record), encoding="ascii")
        (place / "card.json").write_text(self._text(record), encoding="ascii")
        write_trace(place / "target.csv", resample(card.drive.lap, STEP))
        learner = next((v.lap for v in card.human if v.key == "learner"), None)
        if learner is not None:
            write_trace(place / "target-learner.csv", resample(learner, STEP))
        if not self.args.no_figures:
            # Not needed without figures, and matplotlib takes its time to import.
            from lapwright.outputs.figures.card import draw_card
            from lapwright.outputs.figures.style import save, save_picture

            self.line.say(card.name, "drawing")
            self.pages.append(draw_card(card, self.track, self.known.vehicle))
            # Of a booklet the document has all pages; fonts make up half of the time that one takes.
            (save_picture if self.args.all else save)(self.pages[-1], place, "card")

    def _write_booklet(self, work: Path) -> None:
        from lapwright.outputs.card_text import booklet_markdown

        (work / "booklet.md").write_text(booklet_markdown(self.records), encoding="ascii")
        (work / "booklet.json").write_text(self._text(self.records), encoding="ascii")
        if not self.args.no_figures and self.cards:
            from lapwright.outputs.figures.card import draw_card
            from lapwright.outputs.figures.style import save_pages

            self.line.say("booklet", "drawing")
            save_pages(
                [draw_card(card, self.track, self.known.vehicle) for card in self.cards], work, "booklet"
            )

    def _text(self, content: dict[str, Any] | list[dict[str, Any]]) -> str:
        """A card or a booklet as JSON, with what is needed to make it again."""
        from lapwright.cli.options import asked_options
        from lapwright.outputs.summary import SummaryHead, file_hashes, summary_text, versions

        inputs = {"track": Path(self.args.track), "vehicle": Path(self.args.vehicle)}
        booklet = isinstance(content, list)
        lap = self.known.lap
        rest = {
            "track": {"name": self.track.name, "length_m": self.track.length, "closed": self.track.closed},
            "vehicle": {"name": self.known.vehicle.name},
            "corners" if booklet else "corner": content,
            "not_solved": self.unsolved,
            "notices": list(self.track.report.notices),
            "options": asked_options(self.args),
            "inputs": file_hashes(inputs),
            "versions": versions(),
        }
        head = SummaryHead(
            status="solved" if not self.unsolved else "not solved in part",
            lap_time_s=lap.time,
            mesh_error_s=self.known.mesh_error,
            iterations=sum(card.iterations for card in self.cards),
            solve_time_s=sum(card.seconds for card in self.cards),
            wall_time_s=time.perf_counter() - self.began,
        )
        return summary_text(head, rest)

    def show(self) -> int:
        """On standard output: the JSON object, or the cards; what was not solved on standard error. The exit status."""
        from lapwright.errors import NoSolutionError

        if self.args.json:
            print(self._text(self.records if self.args.all else self.records[0]), end="")
        else:
            from lapwright.outputs.card_text import card_terminal

            width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)
            if not self.args.quiet:
                for notice in self.track.report.notices:
                    print(f"notice: {notice}", file=sys.stderr)
            print("\n".join(card_terminal(record, width) for record in self.records))
            if self.args.out:
                print(f"Written to {self.args.out}")
        if self.unsolved and not self.args.json:
            sys.stdout.flush()
            raise NoSolutionError("\n".join(self.unsolved))
        return 3 if self.unsolved else 0


def slug(name: str) -> str:
    """A corner's name as part of a file name: plain small letters, digits and hyphens."""
    from lapwright.outputs.words import ascii_only

    return re.sub(r"[^a-z0-9]+", "-", ascii_only(name).lower()).strip("-") or "corner"
