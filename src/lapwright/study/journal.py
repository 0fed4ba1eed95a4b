"""What an unfinished sweep has finished, on the disk from the moment it is known.

A folder with one line of JSON for each finished case, ``cases.jsonl``, which only grows, and in ``starts/`` what other cases
begin from. A process that is killed, or a machine that loses power, can spoil the last line and nothing else; it is cut off
when the folder is opened again. Every line and every start carries a checksum.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import warnings
import zlib
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from lapwright.errors import Fault, InputError, InputNotice
from lapwright.study.cases import Answer, CaseResult, CornerNumbers

CASES, STARTS, LOCK = "cases.jsonl", "starts", "lock"
UNFINISHED = ".unfinished"
SUM = 32
"""Bytes of the SHA-256 before a start."""

_KEPT, _NONE, _NOT_ASKED = "kept", "none", ""
"""What a line says of the start of its case: it was written, the solve gave none, or nobody asked for it."""


class Notes:
    """What is known of the cases of a sweep, in memory.

    Attributes
    ----------
    results : by key of the case
    without_start : keys of cases that were solved with ``keep`` and gave nothing to begin from
    """

    def __init__(self) -> None:
        self.results: dict[str, CaseResult] = {}
        self.without_start: set[str] = set()
        self._starts: dict[str, bytes] = {}

    def add(self, answer: Answer, keep: bool = False) -> None:
        """Take an answer in; a result that is there already stays as it is, its start is taken.

        Parameters
        ----------
        answer
            Of a step.
        keep
            Whether the step asked for a start.
        """
        key = answer.result.key
        self._write(answer, keep)
        self.results.setdefault(key, answer.result)
        if keep and answer.start is None:
            self.without_start.add(key)

    def start(self, key: str) -> bytes | None:
        """What other cases begin from; None when it is not there, or damaged."""
        return self._starts.get(key)

    def _write(self, answer: Answer, keep: bool) -> None:
        if answer.start is not None:
            self._starts[answer.result.key] = answer.start


class Journal(Notes):
    """The same in a folder, which is locked as long as the journal is open; see ``open_journal``."""

    def __init__(self, folder: Path, lock: FileLock) -> None:
        super().__init__()
        self.folder = folder
        self._lock = lock
        self._file: int | None = None

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def start(self, key: str) -> bytes | None:
        """As ``Notes.start``, from the disk."""
        try:
            data = (self.folder / STARTS / f"{key}.bin").read_bytes()
        except FileNotFoundError:
            return None
        body = data[SUM:]
        return body if hashlib.sha256(body).digest() == data[:SUM] else None

    def close(self) -> None:
        """Give the folder free."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
        self._lock.release()

    def discard(self) -> None:
        """Remove the folder, when what it holds is in a finished result; closes the journal."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
        shutil.rmtree(self.folder / STARTS, ignore_errors=True)
        for name in (CASES, LOCK):
            with suppress(OSError):
                (self.folder / name).unlink()
        self._lock.release()
        # On Windows a file that is open cannot be removed before.
        with suppress(OSError):
            (self.folder / LOCK).unlink()
        with suppress(OSError):
            self.folder.rmdir()

    def _open(self, earlier: Path | None, fresh: bool) -> None:
        """Read what is there, or throw it away."""
        path = self.folder / CASES
        if fresh:
            shutil.rmtree(self.folder / STARTS, ignore_errors=True)
            path.unlink(missing_ok=True)
        (self.folder / STARTS).mkdir(exist_ok=True)
        self._file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o666)
        data = path.read_bytes()
        whole = data.rfind(b"\n") + 1
        if whole < len(data):
            os.ftruncate(self._file, whole)
            os.fsync(self._file)
        self._take(path, data[:whole])
        _settle(self.folder)
        if earlier is not None and not fresh and earlier.is_file():
            self._take(earlier, earlier.read_bytes())

    def _take(self, path: Path, data: bytes) -> None:
        for result, start in _read(path, data):
            self.results.setdefault(result.key, result)
            if start == _NONE:
                self.without_start.add(result.key)

    def _write(self, answer: Answer, keep: bool) -> None:
        """The start before its line: a line that can be read promises that its start was there."""
        key = answer.result.key
        if answer.start is not None:
            _put(self.folder / STARTS / f"{key}.bin", hashlib.sha256(answer.start).digest() + answer.start)
        start = _KEPT if answer.start is not None else _NONE if keep else _NOT_ASKED
        if key not in self.results or start == _NONE:
            assert self._file is not None, "the journal is closed"
            _write_all(self._file, _line(self.results.get(key, answer.result), start))
            os.fsync(self._file)


def open_journal(folder: Path | str, earlier: Path | str | None = None, fresh: bool = False) -> Journal:
    """Open the folder of an unfinished sweep, or make it; what it holds is read.

    A last line that was not written to its end is cut off. A damaged line is left out with a notice, so that its case is
    solved again.

    Parameters
    ----------
    folder
        See ``work_folder``.
    earlier
        A ``cases.jsonl`` of a finished sweep, whose cases need not be solved again either.
    fresh
        Forget what is in ``folder`` and in ``earlier``.

    Raises
    ------
    InputError
        When another run works in the folder, or the folder holds files that no sweep wrote.
    """
    place = Path(folder)
    _check(place)
    place.mkdir(parents=True, exist_ok=True)
    lock = FileLock(place / LOCK)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise InputError(
            Fault(
                "another sweep is writing here: wait until it is done, or give another folder as --out",
                file=str(place),
            )
        ) from error
    journal = Journal(place, lock)
    try:
        journal._open(None if earlier is None else Path(earlier), fresh)
    except BaseException:
        journal.close()
        raise
    return journal


def work_folder(destination: Path | str) -> Path:
    """The folder of an unfinished sweep beside its destination: ``DIR.unfinished``."""
    target = Path(os.path.abspath(destination))
    if target.is_symlink():
        target = target.resolve()
    return target.with_name(target.name + UNFINISHED)


def journal_text(results: Iterable[CaseResult]) -> str:
    """``cases.jsonl`` of a finished sweep: a line for each result, in the order given, each key once.

    The processor's seconds are left out, so equal answers make equal files.
    """
    lines: dict[str, bytes] = {}
    for result in results:
        # Its starts stay behind in the work folder: nobody asked for them is what a later sweep has to know.
        lines.setdefault(result.key, _line(result, _NOT_ASKED, timed=False))
    return b"".join(lines.values()).decode("ascii")


def _check(place: Path) -> None:
    """Refuse a folder with anything in it that is not ours: it will be removed when the sweep is done."""
    if not os.path.lexists(place):
        return
    if not place.is_dir():
        raise InputError(
            Fault("is a file, and a sweep keeps what is unfinished in a folder of this name", file=str(place))
        )
    strange = sorted(path.name for path in place.iterdir() if path.name not in (CASES, STARTS, LOCK))
    if strange:
        raise InputError(
            Fault(
                f"a sweep keeps what is unfinished here, but the folder holds other files ({', '.join(strange[:3])}): "
                "move them, or give another folder as --out",
                file=str(place),
            )
        )


def _line(result: CaseResult, start: str, timed: bool = True) -> bytes:
    """A result as a line that ends with the CRC-32 (ITU-T V.42) of what stands before it."""
    fields = asdict(result)
    if not timed:
        del fields["seconds"]
    body = json.dumps({**fields, "start": start}, allow_nan=False, separators=(",", ":")).encode("ascii")
    return body[:-1] + _seal(body[:-1]) + b"\n"


def _seal(body: bytes) -> bytes:
    return b',"crc32":"%08x"}' % zlib.crc32(body)


def _read(path: Path, data: bytes) -> Iterator[tuple[CaseResult, str]]:
    """The results of whole lines and what each says of its start; damaged ones as notices."""
    for number, line in enumerate(data.split(b"\n"), 1):
        if not line:
            continue
        found = _result(line)
        if found is None:
            warnings.warn(
                InputNotice(
                    Fault("this line is damaged: its case is solved again", file=str(path), line=number)
                ),
                stacklevel=2,
            )
        else:
            yield found


def _result(line: bytes) -> tuple[CaseResult, str] | None:
    tail = len(_seal(b""))
    if line[-tail:] != _seal(line[:-tail]):
        return None
    try:
        fields: dict[str, Any] = json.loads(line)
        start = fields.pop("start")
        del fields["crc32"]
        corners = tuple(CornerNumbers(**corner) for corner in fields.pop("corners"))
        return CaseResult(**fields, corners=corners), start
    except (ValueError, KeyError, TypeError):
        # Whole, but written by a version with other fields.
        return None


def _put(path: Path, data: bytes) -> None:
    """A file that is whole or not there, and on the disk when this returns."""
    part = path.with_suffix(".part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o666)
    try:
        _write_all(handle, data)
        os.fsync(handle)
    finally:
        os.close(handle)
    os.replace(part, path)
    _settle(path.parent)


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def _settle(folder: Path) -> None:
    """Have the names in a folder written to the disk (POSIX: fsync of the directory)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
