"""The command ``lapwright``: finds the subcommand, turns errors into sentences and exit statuses.

Each command is a module of this package with ``register(subparsers)`` (quick: no heavy import) and
``run(args) -> int``, named in ``COMMANDS`` in the order in which the help shows it.
"""

from __future__ import annotations

import argparse
import difflib
import json
import os
import signal
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any, NoReturn, TextIO

from lapwright.errors import Fault, InputError, NoSolutionError

COMMANDS = ("check", "baseline", "lap", "corner", "compare", "balance", "sweep", "schema")

DONE, FAULT, NO_SOLUTION, INTERRUPTED = 0, 2, 3, 130
PIPE_CLOSED = 128 + 13
"""What a shell shows for a program that SIGPIPE ended."""


class Parser(argparse.ArgumentParser):
    """An argument parser that never abbreviates and names the nearest word that it knows."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("allow_abbrev", False)
        super().__init__(*args, **kwargs)

    def error(self, message: str) -> NoReturn:
        """Print the usage and the sentence on standard error; exit status 2."""
        self.print_usage(sys.stderr)
        self.exit(FAULT, f"{self.prog}: {message}\n")

    def refuse(self, words: list[str]) -> NoReturn:
        """Complain about arguments that nobody asked for, with the nearest known option."""
        known = [option for action in self._actions for option in action.option_strings]
        self.error(
            "; ".join(f"unknown argument {word}{_nearest(word.split('=')[0], known)}" for word in words)
        )


class _Version(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        # The package's metadata is read from disk, so only when it is asked for.
        from importlib.metadata import version

        print(f"lapwright {version('lapwright')}")
        parser.exit(DONE)


def build_parser() -> Parser:
    """The parser with every command of ``COMMANDS``."""
    parser = Parser(
        prog="lapwright",
        description="A reference lap for this car on this circuit: where to brake, how hard, how to release, "
        "where the throttle comes back.",
        epilog="Exit status: 0 done, 2 a fault in what was given, 3 no solution to the problem asked, "
        "130 interrupted.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and exit")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    for name in COMMANDS:
        import_module(f"lapwright.cli.{name}").register(subparsers)
    for command in subparsers.choices.values():
        command.set_defaults(command_parser=command)
    return parser


def parse(argv: list[str]) -> argparse.Namespace:
    """Arguments of one command, or exit with status 2 and the nearest words."""
    parser = build_parser()
    first = next((word for word in argv if not word.startswith("-")), None)
    if first is not None and first not in COMMANDS:
        parser.error(f"there is no command {first}{_nearest(first, COMMANDS)} (known: {', '.join(COMMANDS)})")
    args, unknown = parser.parse_known_args(argv)
    if args.command is None:
        if unknown:
            parser.refuse(unknown)
        parser.print_help(sys.stderr)
        parser.exit(FAULT)
    if unknown:
        args.command_parser.refuse(unknown)
    return args


def _nearest(word: str, known: list[str] | tuple[str, ...]) -> str:
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; did you mean {near[0]}?" if near else ""


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit status and never raises for what a user or the machine did.

    Parameters
    ----------
    argv
        Arguments without the program's name; those of the process when left out.
    """
    args = None
    try:
        args = parse(sys.argv[1:] if argv is None else argv)
        with notices_on_stderr(getattr(args, "quiet", False)):
            status = int(args.run(args))
        sys.stdout.flush()
        return status
    except InputError as error:
        return _fail(args, FAULT, "fault in the input", list(error.faults))
    except NoSolutionError as error:
        return _fail(args, NO_SOLUTION, "no solution", [Fault(str(error))])
    except KeyboardInterrupt:
        return _fail(args, INTERRUPTED, "interrupted", [Fault("interrupted")])
    except BrokenPipeError:
        _give_up_stdout()
        return PIPE_CLOSED
    except OSError as error:
        what = error.strerror or str(error)
        return _fail(args, FAULT, "fault of the machine", [Fault(what, file=str(error.filename or "output"))])
    except MemoryError:
        return _fail(args, FAULT, "fault of the machine", [Fault("not enough memory for this")])


def _fail(args: argparse.Namespace | None, status: int, word: str, faults: list[Fault]) -> int:
    """Say what went wrong on standard error, and on standard output as JSON when that was asked for."""
    try:
        for fault in faults:
            print(fault, file=sys.stderr)
        if getattr(args, "json", False):
            print(json.dumps({"status": word, "faults": [fault_fields(fault) for fault in faults]}, indent=2))
        sys.stdout.flush()
    except OSError:
        _give_up_stdout()
    return status


def fault_fields(fault: Fault) -> dict[str, Any]:
    """A fault as plain values for JSON."""
    return {
        "file": fault.file,
        "line": fault.line,
        "column": fault.column,
        "key": list(fault.key),
        "message": fault.message,
    }


def _give_up_stdout() -> None:
    """Send what is still buffered to nowhere, or the interpreter would complain about it while it ends."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115


@contextmanager
def notices_on_stderr(quiet: bool) -> Iterator[None]:
    """Show notices about input files as one line each on standard error, or not at all."""
    with warnings.catch_warnings():
        show = warnings.showwarning

        def show_notice(
            message: Warning | str,
            category: type[Warning],
            filename: str,
            lineno: int,
            file: TextIO | None = None,
            line: str | None = None,
        ) -> None:
            fault = getattr(message, "fault", None)
            if fault is None:
                show(message, category, filename, lineno, file, line)
            elif not quiet:
                print(notice_line(fault), file=sys.stderr)

        from lapwright.errors import InputNotice

        warnings.simplefilter("always", InputNotice)
        warnings.showwarning = show_notice
        yield


def notice_line(notice: Fault) -> str:
    """A notice as a line: its place, the word notice, the message."""
    return str(Fault(f"notice: {notice.message}", notice.key, notice.file, notice.line, notice.column))


def entry() -> NoReturn:
    """The console script."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        # The dense blocks of the linear systems are small: a second thread only waits, and takes a core from others.
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        # A name that the terminal's encoding lacks must not stop the work.
        getattr(stream, "reconfigure", lambda **_: None)(errors="backslashreplace")
    if hasattr(signal, "SIGTERM"):
        # Ends as Ctrl-C does, so that half-written folders are removed.
        signal.signal(signal.SIGTERM, lambda *_: _interrupt())
    sys.exit(main())


def _interrupt() -> NoReturn:
    raise KeyboardInterrupt
