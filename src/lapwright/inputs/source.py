"""Bytes of a user's file as text, or a fault that says what is wrong with it."""

from __future__ import annotations

import difflib
from pathlib import Path

from lapwright.errors import Fault, InputError
from lapwright.inputs.tree import MAX_BYTES, place_of


def read_text(path: str | Path, max_bytes: int = MAX_BYTES, latin: bool = False) -> str:
    """The text of a file, without byte-order mark and with plain line feeds.

    Parameters
    ----------
    path
        File to read; UTF-8, or UTF-16 with a byte-order mark.
    max_bytes
        Larger files are refused.
    latin
        Read bytes that are not UTF-8 as Latin-1 instead of refusing them (tables of numbers).

    Raises
    ------
    InputError
        Missing file (with the nearest names that exist), folder, unreadable, too large, binary, not UTF-8.
    """
    path = Path(path)
    data = _read_bytes(path, max_bytes)
    text = _decode(data, str(path), latin)
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _read_bytes(path: Path, max_bytes: int) -> bytes:
    try:
        if path.is_dir():
            raise InputError(Fault("this is a folder, not a file", file=str(path)))
        if not path.exists():
            raise InputError(Fault("there is no such file" + _nearest_files(path), file=str(path)))
        if not path.is_file():
            raise InputError(Fault("this is not an ordinary file", file=str(path)))
        size = path.stat().st_size
        if size > max_bytes:
            message = f"the file has {size / 1e6:.0f} MB; at most {max_bytes / 1e6:.0f} MB are read"
            raise InputError(Fault(message, file=str(path)))
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(Fault(f"the file cannot be read: {reason}", file=str(path))) from error


def _nearest_files(path: Path) -> str:
    folder = path.parent
    if not folder.is_dir():
        return f"; the folder {folder} does not exist either"
    names = sorted(entry.name for entry in folder.iterdir() if not entry.name.startswith("."))
    near = difflib.get_close_matches(path.name, names, n=3, cutoff=0.6)
    return f"; did you mean {' or '.join(str(folder / name) for name in near)}?" if near else ""


def _decode(data: bytes, file: str, latin: bool) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return data.decode("utf-16")
        except UnicodeDecodeError as error:
            message = f"the file begins as UTF-16 but is broken at byte {error.start}; save it as UTF-8"
            raise InputError(Fault(message, (), file, 1, 1)) from error
    if b"\0" in data:
        where = data.index(b"\0")
        line, column = place_of(data[:where].decode("latin-1") + " ", where)
        raise InputError(Fault("zero bytes found: this is a binary file, not text", (), file, line, column))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if latin:
            return data.decode("latin-1")
        before = data[: error.start].decode("utf-8-sig")
        line, column = place_of(before + " ", len(before))
        message = f"the byte 0x{data[error.start]:02X} is not UTF-8; save the file with the encoding UTF-8"
        raise InputError(Fault(message, (), file, line, column)) from error
