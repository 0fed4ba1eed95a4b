"""Options that several commands have."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lapwright.problem.lap import EndState


def add_out(parser: argparse.ArgumentParser, required: bool = False) -> None:
    """``--out DIR`` and ``--force``."""
    parser.add_argument(
        "--out",
        metavar="DIR",
        required=required,
        help="folder for the results; it is created, and never overwritten without --force",
    )
    parser.add_argument("--force", action="store_true", help="replace results that are already there")


def add_talk(parser: argparse.ArgumentParser) -> None:
    """``--json`` and ``--quiet``."""
    parser.add_argument(
        "--json",
        action="store_true",
        help="print one JSON object on standard output and nothing else there",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress and no notices")


def add_files(parser: argparse.ArgumentParser) -> None:
    """The two files that most commands work on, ``track`` and ``vehicle``."""
    parser.add_argument("track", metavar="TRACK", help="track file (YAML)")
    parser.add_argument("vehicle", metavar="VEHICLE", help="vehicle file (YAML)")


def add_margin(parser: argparse.ArgumentParser) -> None:
    """``--grip-margin``."""
    parser.add_argument(
        "--grip-margin",
        type=float,
        metavar="SHARE",
        help="share of the peak grip left unused, 0 to 0.5, in place of the vehicle file's",
    )


def add_ends(parser: argparse.ArgumentParser) -> None:
    """How an open road is entered and left."""
    group = parser.add_argument_group(
        "open roads",
        "how the road is entered and left; what is not given is free, except the start heading, which is 0",
    )
    for which in ("start", "end"):
        group.add_argument(
            f"--{which}-speed-mps", type=float, metavar="V", help=f"speed at the {which} in m/s"
        )
        group.add_argument(
            f"--{which}-offset-m",
            type=float,
            metavar="N",
            help=f"distance left of the centreline at the {which} in m",
        )
        group.add_argument(
            f"--{which}-heading-deg",
            type=float,
            metavar="A",
            help=f"heading at the {which} in degrees, left of the road's direction",
        )


def end_states(args: argparse.Namespace) -> tuple[EndState, EndState]:
    """The two ends as the problem takes them."""
    from lapwright.problem.lap import EndState
    from lapwright.quantities import DEG

    def state(which: str) -> EndState:
        heading = getattr(args, f"{which}_heading_deg")
        return EndState(
            speed=getattr(args, f"{which}_speed_mps"),
            offset=getattr(args, f"{which}_offset_m"),
            heading=None if heading is None else heading * DEG,
        )

    return state("start"), state("end")


def asked_options(args: argparse.Namespace) -> dict[str, Any]:
    """Every option of a command as it was run, for the summary."""
    return {
        name: value
        for name, value in sorted(vars(args).items())
        if name not in ("run", "command_parser") and not callable(value)
    }
