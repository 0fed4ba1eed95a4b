"""Bytes of a log as UTF-8: encoding found, binary files refused."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from lapwright.errors import Fault, InputError
from lapwright.inputs.source import read_text

HEAD = 1 << 20
"""Bytes at the beginning of a log in which its titles are looked for."""

_STRANGE = re.compile("[\x00-\x08\x0e-\x19\x1b-\x1f]")
MAX_LOG_BYTES = 4 * 1024**3
EXPORT = (
    "this is a binary file. What is read is text (CSV), ASAM MDF 4 (.mf4) and GPX 1.1 (.gpx): have the program that wrote it "
    "export the log as CSV"
)


@dataclass(frozen=True)
class LogBytes:
    """A log's text as UTF-8, from a file or, where it had to be recoded, from memory.

    Attributes
    ----------
    path : the file
    head : text of its beginning, whole lines, without byte-order mark
    skip : bytes before the text: a byte-order mark
    recoded : the whole text as UTF-8, None when the file itself is read
    size : bytes of the text
    latin : the text is Latin-1 (only titles and preamble have letters, so the numbers are read as they are)
    """

    path: Path
    head: str
    skip: int
    recoded: bytes | None
    size: int
    latin: bool

    def open(self) -> BinaryIO:
        """The bytes from the start of the text; close it after use."""
        if self.recoded is not None:
            return io.BytesIO(self.recoded)
        handle = self.path.open("rb")
        handle.seek(self.skip)
        return handle

    def width(self, text: str) -> int:
        """Bytes that a piece of ``head`` takes in the file."""
        return len(text.encode("latin-1" if self.latin else "utf-8"))


def lines_of(text: str) -> list[str]:
    """Lines with their ends; only line feeds and carriage returns end one, as in the numbers below them."""
    return re.findall(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+", text)


def check_file(path: Path) -> None:
    """Raise InputError for what is no file, cannot be read, is empty or too large."""
    file = str(path)
    try:
        if not path.is_file():
            read_text(path)
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(Fault(f"the file cannot be read: {reason}", file=file)) from error
    if size == 0:
        raise InputError(Fault("the file is empty", file=file))
    if size > MAX_LOG_BYTES:
        most = MAX_LOG_BYTES / 1e9
        message = (
            f"the file has {size / 1e9:.1f} GB; at most {most:.1f} GB are read: cut the session into pieces"
        )
        raise InputError(Fault(message, file=file))


def log_bytes(path: Path) -> LogBytes:
    """The text of a log: UTF-8, UTF-16 (with or without byte-order mark) or Latin-1.

    Raises
    ------
    InputError
        No such file, empty, too large, binary.
    """
    check_file(path)
    size = path.stat().st_size
    with path.open("rb") as handle:
        start = handle.read(HEAD)
    encoding = _wide_encoding(start)
    if encoding:
        return _recoded(path, encoding)
    if b"\0" in start:
        raise InputError(Fault(EXPORT, file=str(path)))
    skip = 3 if start.startswith(b"\xef\xbb\xbf") else 0
    start = _whole_lines(start[skip:], size > HEAD)
    try:
        text, latin = start.decode("utf-8"), False
    except UnicodeDecodeError:
        text, latin = start.decode("latin-1"), True
    strange = len(_STRANGE.findall(text))
    if strange > 0.01 * len(text):
        raise InputError(Fault(EXPORT, file=str(path)))
    if not text.strip():
        raise InputError(Fault("the file is empty: there is nothing but blanks in it", (), str(path), 1, 1))
    return LogBytes(path, text, skip, None, size - skip, latin)


def _whole_lines(data: bytes, cut: bool) -> bytes:
    """The bytes up to the last end of a line when more follow."""
    if not cut:
        return data
    end = max(data.rfind(b"\n"), data.rfind(b"\r"))
    return data[: end + 1] if end >= 0 else data


def _wide_encoding(start: bytes) -> str:
    """UTF-16 by its byte-order mark, or by zeros in every second place; '' for anything else."""
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    piece = start[:4000]
    if len(piece) < 8 or b"\0" not in piece:
        return ""
    odd, even = piece[1::2].count(0) / len(piece[1::2]), piece[::2].count(0) / len(piece[::2])
    if odd > 0.9 and even < 0.05:
        return "utf-16-le"
    return "utf-16-be" if even > 0.9 and odd < 0.05 else ""


def _recoded(path: Path, encoding: str) -> LogBytes:
    try:
        text = path.read_bytes().decode(encoding).removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        message = f"the file begins as UTF-16 but is broken at byte {error.start}; export it again as UTF-8"
        raise InputError(Fault(message, (), str(path), 1, 1)) from error
    if not text.strip():
        raise InputError(Fault("the file is empty: there is nothing but blanks in it", (), str(path), 1, 1))
    data = text.encode("utf-8", "replace")
    head = _whole_lines(data[:HEAD], len(data) > HEAD).decode("utf-8", "ignore")
    return LogBytes(path, head, 0, data, len(data), False)
