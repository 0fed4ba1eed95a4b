"""``lapwright schema track|vehicle|study``: the JSON Schema of a file, for editors."""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Any

from lapwright.errors import Fault, InputError


def register(subparsers: Any) -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "schema",
        help="print the JSON Schema of a track, vehicle or study file",
        description="JSON Schema (draft 2020-12) of a track, vehicle or study file: editors that know it complete "
        "keys and mark mistakes.",
    )
    parser.add_argument("kind", choices=("track", "vehicle", "study"), help="which file")
    parser.add_argument("--out", metavar="FILE", help="write to this file instead of standard output")
    parser.add_argument("--force", action="store_true", help="replace the file if it is already there")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print or write the schema."""
    from lapwright.inputs.schema import study_schema, track_schema, vehicle_schema

    make = {"track": track_schema, "vehicle": vehicle_schema, "study": study_schema}[args.kind]
    text = json.dumps(make(), indent=2) + "\n"
    if args.out is None:
        print(text, end="")
    else:
        write_whole(Path(args.out), text, args.force)
    return 0


def write_whole(path: Path, text: str, force: bool) -> None:
    """Write a text file that is either whole or not there.

    Raises
    ------
    InputError
        When the file exists and ``force`` is not given, or when it cannot be written.
    """
    if path.is_dir():
        raise InputError(Fault("this is a folder; --out wants a file here", file=str(path)))
    if path.exists() and not force:
        raise InputError(Fault("the file exists already; --force replaces it", file=str(path)))
    work = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, work = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with open(handle, "w", encoding="utf-8") as file:
            file.write(text)
        os.chmod(work, 0o666 & ~_umask())
        os.replace(work, path)
    except OSError as error:
        raise InputError(Fault(f"cannot be written: {error.strerror}", file=str(path))) from error
    finally:
        if work is not None:
            with suppress(OSError):
                os.unlink(work)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
