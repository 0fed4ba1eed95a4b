"""What a result is told as: files in a folder, a table on the terminal, one JSON object."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lapwright.lap.corners import CornerReport
    from lapwright.lap.lap import Lap
    from lapwright.outputs.summary import SummaryHead
    from lapwright.track.track import Track
    from lapwright.vehicle.parameters import AnyVehicle

WIDEST = 120
"""Characters in a line of the table at most."""


class Report(ABC):
    """The common part of the reports; a command says what is its own.

    Parameters
    ----------
    args
        Arguments of the command.
    track, vehicle
        What it ran on.
    lap
        The lap that is told.
    notices
        Sentences for the user.
    began
        ``time.perf_counter()`` at the start of the command.
    """

    def __init__(
        self,
        args: argparse.Namespace,
        track: Track,
        vehicle: AnyVehicle,
        lap: Lap,
        notices: Sequence[str],
        began: float,
    ) -> None:
        from lapwright.lap.corners import corner_reports

        self.args, self.track, self.vehicle, self.lap = args, track, vehicle, lap
        self.notices = [*track.report.notices, *notices]
        self.began = began
        self.corners: tuple[CornerReport, ...] = corner_reports(lap, track)
        self.loss: list[float] | None = None
        self.baseline: Lap | None = None

    @abstractmethod
    def traces(self) -> dict[str, Lap]:
        """Trace files by name."""

    def figures(self) -> dict[str, Callable[[], Any]]:
        """Figures by name."""
        from lapwright.outputs.figures.friction import draw_friction
        from lapwright.outputs.figures.map import draw_map
        from lapwright.outputs.figures.traces import draw_traces

        margin = getattr(getattr(self.vehicle, "driver", None), "grip_margin", 0.0)
        return {
            "map": lambda: draw_map(self.lap, self.track, self.corners),
            "traces": lambda: draw_traces(self.lap, self.track, self.corners, self.baseline),
            "friction": lambda: draw_friction(self.lap, margin),
        }

    def texts(self) -> dict[str, str]:
        """Further texts by file name."""
        return {}

    def keep(self, folder: Path) -> None:  # noqa: B027
        """Write what a later command may need."""

    @abstractmethod
    def head(self, wall_time: float) -> SummaryHead:
        """The fixed keys of summary.json."""

    @abstractmethod
    def details(self) -> dict[str, Any]:
        """The command's own keys of summary.json."""

    def inputs(self) -> dict[str, Path]:
        """Input files by word."""
        return {"track": Path(self.args.track), "vehicle": Path(self.args.vehicle)}

    def write(self, folder: Path, line: Any) -> None:
        """Everything into ``folder``, all or nothing; ``line`` shows the progress."""
        from lapwright.outputs.corner_file import write_corners
        from lapwright.outputs.folder import output_folder
        from lapwright.outputs.traces import write_trace

        with output_folder(folder, self.args.force) as work:
            for name, lap in self.traces().items():
                write_trace(work / name, lap)
            write_corners(work / "corners.csv", self.corners, self.loss)
            if not self.args.no_figures:
                # Not needed without figures, and matplotlib takes its time to import.
                from lapwright.outputs.figures.style import save

                for name, draw in self.figures().items():
                    line.say("drawing", name)
                    save(draw(), work, name)
            for name, text in self.texts().items():
                (work / name).write_text(text, encoding="ascii")
            self.keep(work)
            (work / "summary.json").write_text(self.summary(), encoding="ascii")

    def summary(self) -> str:
        """The text of summary.json."""
        from lapwright.cli.options import asked_options
        from lapwright.outputs.corner_file import corner_records
        from lapwright.outputs.summary import file_hashes, summary_text, versions

        track = self.track
        rest = {
            "track": {"name": track.name, "length_m": track.length, "closed": track.closed},
            "vehicle": {"name": self.vehicle.name},
            **self.details(),
            "corners": corner_records(self.corners, self.loss),
            "notices": self.notices,
            "options": asked_options(self.args),
            "inputs": file_hashes(self.inputs()),
            "versions": versions(),
        }
        return summary_text(self.head(time.perf_counter() - self.began), rest)

    def show(self) -> None:
        """On standard output: the JSON object, or the table; notices on standard error."""
        if self.args.json:
            print(self.summary(), end="")
            return
        from lapwright.outputs.table import lap_text

        if not self.args.quiet:
            for notice in self.notices:
                print(f"notice: {notice}", file=sys.stderr)
        width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)
        print(lap_text(self.lap, self.corners, self.baseline, width))
        if self.args.out:
            print(f"Written to {self.args.out}")
