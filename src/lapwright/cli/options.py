"""Options that several commands have."""

from __future__ import annotations

import argparse


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
