"""What a corner card costs after the lap is solved: the numbers alone, and with its page drawn and saved; and a booklet.

Medians of a few runs in one process and one thread, point functions and machine code ready, as for the second corner of a
booklet; the first card of a process is shown too. ``--booklet`` times the command itself from start to end.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # read when numpy is imported

from cases import ROOT, car, circuit, entry, environment, medians, names, table, timed, title
from lapwright.corner.card import CornerCard, make_card
from lapwright.corner.confidence import OwnLaps
from lapwright.lap.corners import CornerReport, corner_reports
from lapwright.reference.kept import KeptLap, keep
from lapwright.reference.solve import ReferenceLap, solve_lap
from lapwright.track.track import Track
from lapwright.transcription.pointfunctions import PointFunctions

AIM_NUMBERS, AIM_PAGE, AIM_BOOKLET = 4.0, 6.0, 60.0
"""Seconds that a card, a card with its page and a booklet of twelve corners may take on two cores."""


def main() -> int:
    """Print the tables; 1 when an aim was missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--circuit", default="marrow-fen", help=f"one of {', '.join(names('tracks'))}")
    parser.add_argument("--car", default="cup-coupe", help=f"one of {', '.join(names('vehicles'))}")
    parser.add_argument("--repeat", type=int, default=3, help="runs of each card (default 3)")
    parser.add_argument("--booklet", action="store_true", help="the command with --all, as a process")
    args = parser.parse_args()
    environment()
    fine = table_booklet(args.circuit, args.car) if args.booklet else table_cards(args)
    return 0 if fine else 1


def table_cards(args: argparse.Namespace) -> bool:
    """Each corner of a lap by itself."""
    track, vehicle = circuit(args.circuit), car(args.car)
    result = solve_lap(track, vehicle, start=entry(track))
    known = keep(result, track)
    reports = corner_reports(known.lap, track)
    (_, functions), first = timed(partial(make_card, track, known, reports[0]))
    title(
        f"Cards: {args.circuit}, {args.car}, medians of {args.repeat}, one thread, everything ready. own: whole laps solved "
        f"for changed cars. The first card of the process took {first.wall:.2f} s"
    )
    row = table(
        ("corner", "entry", "solves", "own", "iterations", "failed", "wall_s", "cpu_s", "page_s"),
        words=(14, 8),
    )
    worst, drawn_worst = 0.0, 0.0
    for report in reports:
        runs = [card_alone(track, known, result, report, functions) for _ in range(args.repeat)]
        card, laps = runs[0][0]
        took = medians([t for _, t in runs])
        page = medians([timed(partial(drawn, card, track, known))[1] for _ in range(args.repeat)])
        failed = sum(m.status == "not solved" for m in card.mistakes)
        row(
            card.name, card.reading.entry, card.solves, len(laps.solved), card.iterations, failed,
            took.wall, took.cpu, page.wall,
        )  # fmt: skip
        worst, drawn_worst = max(worst, took.wall), max(drawn_worst, took.wall + page.wall)
    print(
        f"worst card {worst:.2f} s (aim {AIM_NUMBERS:g}), with its page {drawn_worst:.2f} s (aim {AIM_PAGE:g})"
    )
    return worst <= AIM_NUMBERS and drawn_worst <= AIM_PAGE


def card_alone(
    track: Track, known: KeptLap, result: ReferenceLap, report: CornerReport, functions: PointFunctions
) -> tuple[tuple[CornerCard, OwnLaps], object]:
    """A card that shares nothing but machine code with the others."""
    laps = OwnLaps(track, known, result)
    (card, _), took = timed(partial(make_card, track, known, report, laps=laps, functions=functions))
    return (card, laps), took


def drawn(card: CornerCard, track: Track, known: KeptLap) -> None:
    """The page of a card, drawn and saved."""
    from lapwright.outputs.figures.card import draw_card
    from lapwright.outputs.figures.style import save

    with tempfile.TemporaryDirectory() as folder:
        save(draw_card(card, track, known.vehicle), Path(folder), "card")


def table_booklet(track: str, vehicle: str) -> bool:
    """The command for all corners, from start to end of the process, with figures and without."""
    title(f"Booklet: every corner of {track}, {vehicle}, whole processes, the lap solved in them")
    row = table(("figures", "corners", "wall_s", "each_s"), words=(10,))
    corners = len(circuit(track).corners)
    seconds = []
    for words in ((), ("--no-figures",)):
        took = process(track, vehicle, words)
        row("no" if words else "yes", corners, took, took / corners)
        seconds.append(took)
    print(f"for twelve corners {12 * seconds[0] / corners:.1f} s (aim {AIM_BOOKLET:g})")
    return 12 * seconds[0] / corners <= AIM_BOOKLET


def process(track: str, vehicle: str, words: Sequence[str]) -> float:
    """Seconds of the command as a process."""
    files = [str(ROOT / "tracks" / f"{track}.yaml"), str(ROOT / "vehicles" / f"{vehicle}.yaml")]
    with tempfile.TemporaryDirectory() as folder:
        line = [
            sys.executable,
            "-m",
            "lapwright",
            "corner",
            *files,
            "--all",
            "--quiet",
            "--out",
            f"{folder}/b",
            *words,
        ]
        call: Callable[[], object] = partial(subprocess.run, line, check=True, stdout=subprocess.DEVNULL)
        return timed(call)[1].wall


if __name__ == "__main__":
    raise SystemExit(main())
