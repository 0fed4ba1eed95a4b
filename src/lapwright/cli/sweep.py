"""``lapwright sweep STUDY``: a lap for every setup of a study, over all cores or on a cluster, gone on with after a stop."""

from __future__ import annotations

import argparse
import shutil
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.cli.options import add_out, add_talk

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lapwright.cli.progress import ProgressLine
    from lapwright.errors import Fault
    from lapwright.study.cases import CaseResult, Study
    from lapwright.study.crews import Crew
    from lapwright.study.journal import Journal, Notes
    from lapwright.study.run import Standing

WIDEST = 120
"""Characters in a line on the terminal at most."""


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "sweep",
        help="a lap for each of many setups: what each number of the car or the road is worth",
        description="Solve a lap for every case of a study file, on all processor cores or on a Dask cluster, and write "
        "cases.csv, sweep.json and figures. A sweep that was stopped, in whatever way, goes on where it was: what is "
        "finished lies in DIR.unfinished until everything is.",
    )
    parser.add_argument("study", metavar="STUDY", help="study file (YAML); see docs/files.md")
    add_out(parser)
    parser.add_argument(
        "--fresh",
        action="store_true",
        help="solve every case anew, also those that an unfinished sweep or the replaced result has already",
    )
    parser.add_argument(
        "--workers", type=int, metavar="N", help="processes (default: one for each core that may be used)"
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="solve on the workers of the Dask cluster with this scheduler, such as tcp://10.0.0.5:8786",
    )
    parser.add_argument("--no-figures", action="store_true", help="tables only")
    add_talk(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run the command; see ``main`` for the exit status."""
    began = time.perf_counter()
    from lapwright.errors import InputError
    from lapwright.outputs.folder import check_output

    faults = _faults(args)
    if faults:
        raise InputError(faults)
    if args.out:
        check_output(args.out, args.force)
    from lapwright.cli.progress import ProgressLine
    from lapwright.inputs.study_file import load_study
    from lapwright.study.journal import Notes

    with ProgressLine(args.quiet) as line:
        line.say("reading files")
        # Kept as it is now: a study may well be edited while it runs.
        text = Path(args.study).read_bytes() if Path(args.study).is_file() else b""
        study = load_study(args.study)
        report = _Report(args, study, text, began, line)
        if not args.out:
            report.sweep(Notes())
        else:
            with _journal(args) as journal:
                report.sweep(journal)
                report.write(Path(args.out), journal)
                journal.discard()
    return report.show()


def _faults(args: argparse.Namespace) -> list[Fault]:
    """Everything wrong with the options together."""
    from lapwright.errors import Fault

    faults = []
    if args.workers is not None and args.workers < 1:
        faults.append(Fault(f"--workers is {args.workers}: at least 1"))
    if args.workers is not None and args.scheduler:
        faults.append(
            Fault("--workers are processes here, --scheduler solves elsewhere: leave one of them out")
        )
    if args.fresh and not args.out:
        faults.append(
            Fault("--fresh forgets what an earlier sweep left at --out: give --out, or leave it out")
        )
    return faults


def _journal(args: argparse.Namespace) -> Journal:
    """What is finished already, from the unfinished sweep and from the result that is to be replaced."""
    from lapwright.study.journal import CASES, open_journal, work_folder

    earlier = Path(args.out) / CASES if args.force else None
    return open_journal(work_folder(args.out), earlier, args.fresh)


def _crew(args: argparse.Namespace, study: Study) -> Crew:
    if args.scheduler:
        from lapwright.study.cluster import ClusterCrew

        return ClusterCrew(study, args.scheduler)
    from lapwright.study.crews import LocalCrew

    return LocalCrew(study, args.workers)


class _Report:
    """A sweep that is run, written and shown."""

    def __init__(
        self, args: argparse.Namespace, study: Study, text: bytes, began: float, line: ProgressLine
    ) -> None:
        from lapwright.outputs.summary import file_hashes

        self.args, self.study, self.text, self.began, self.line = args, study, text, began, line
        self.inputs = file_hashes(_files(Path(args.study), text))
        self.results: Sequence[CaseResult] = ()
        self.standing: Standing | None = None
        self.notices: list[str] = []

    def sweep(self, notes: Notes) -> None:
        """Solve what is left."""
        from lapwright.study.run import run_sweep

        known = sum(case.key in notes.results for case in self.study.cases)
        if known and not self.args.quiet:
            print(f"{known} of {len(self.study.cases)} cases are solved already", file=sys.stderr)
        try:
            self.results = run_sweep(self.study, notes, _crew(self.args, self.study), self._progress)
        except KeyboardInterrupt:
            self.line.clear()
            print(self._stopped(), file=sys.stderr)
            raise

    def _progress(self, standing: Standing) -> None:
        self.standing = standing
        words = f"{standing.done}/{standing.total} cases, {standing.not_solved} without an answer"
        if standing.seconds_left is not None:
            words += f", {duration(standing.seconds_left)} left"
        self.line.say("solving", words)

    def _stopped(self) -> str:
        """What a user has to know who stopped the sweep."""
        from lapwright.study.journal import work_folder

        if not self.args.out:
            return "stopped: without --out nothing is kept"
        done = self.standing.done if self.standing else 0
        but = " without --fresh" if self.args.fresh else ""
        return (
            f"stopped after {done} of {len(self.study.cases)} cases, which are kept in {work_folder(self.args.out)}: "
            f"the same command{but} goes on from there"
        )

    def write(self, folder: Path, notes: Notes) -> None:
        """Everything into ``folder``, all or nothing."""
        from lapwright.outputs.folder import output_folder
        from lapwright.outputs.sweep_table import table_of, write_cases
        from lapwright.study.journal import CASES, journal_text

        with output_folder(folder, self.args.force) as work:
            self.line.say("writing", "tables")
            if not write_cases(work, table_of(self.study, self.results)):
                self.notices.append("no cases.parquet: that needs pip install 'lapwright[parquet]'")
            (work / "study.yaml").write_bytes(self.text)
            # What a longer study need not solve again.
            known = [notes.results[case.key] for case in self.study.cases if case.key in notes.results]
            (work / CASES).write_text(journal_text(known), encoding="ascii", newline="\n")
            if not self.args.no_figures:
                self._draw(work)
            (work / "sweep.json").write_text(self._record_text(), encoding="ascii")

    def _draw(self, work: Path) -> None:
        # Not needed without figures, and matplotlib takes its time to import.
        from lapwright.outputs.figures.style import save
        from lapwright.outputs.figures.sweep_figures import sweep_figures

        for name, draw in sweep_figures(self.study, self.results).items():
            self.line.say("drawing", name)
            save(draw(), work, name)

    def _record_text(self) -> str:
        """sweep.json, with what is needed to make it again."""
        from lapwright.cli.options import asked_options
        from lapwright.outputs.summary import SummaryHead, summary_text, versions
        from lapwright.outputs.sweep_text import sweep_record

        # The caution stands at the end of every summary.
        record = sweep_record(self.study, self.results)
        rest = {key: value for key, value in record.items() if key != "caution"} | {
            "notices": self.notices,
            "options": asked_options(self.args),
            "inputs": self.inputs,
            "versions": versions(),
        }
        head = SummaryHead(
            status="solved" if self._solved() else "no solution",
            iterations=sum(result.iterations for result in self.results),
            wall_time_s=time.perf_counter() - self.began,
        )
        return summary_text(head, rest)

    def _solved(self) -> int:
        from lapwright.study.cases import SOLVED

        return sum(result.status == SOLVED for result in self.results)

    def show(self) -> int:
        """On standard output: the JSON object, or the text; notices on standard error. The exit status."""
        from lapwright.cli.main import DONE, NO_SOLUTION
        from lapwright.outputs.sweep_text import sweep_terminal

        if self.args.json:
            print(self._record_text(), end="")
        else:
            if not self.args.quiet:
                for notice in self.notices:
                    print(f"notice: {notice}", file=sys.stderr)
            width = min(WIDEST, shutil.get_terminal_size((WIDEST, 24)).columns)
            print(sweep_terminal(self.study, self.results, width), end="")
            if self.args.out:
                print(f"Written to {self.args.out}")
        return DONE if self._solved() else NO_SOLUTION


def duration(seconds: float) -> str:
    """A time in words that are short enough for the progress: "40 s", "7 min", "2 h 05 min"."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _files(study: Path, text: bytes) -> dict[str, Path]:
    """The study file and the files that it names; it has been read without a fault."""
    import yaml

    content = yaml.load(text, Loader=yaml.BaseLoader)
    found = {"study": study}
    for word, key in (("circuit", "circuits"), ("car", "cars")):
        found |= {f"{word}_{k}": study.parent / name.strip() for k, name in enumerate(content[key], 1)}
    return found
