"""Object code kept on disk, so that a function is translated once on a computer and not once a run.

An entry is a file of its own. It carries a checksum over its key and its content; a file that does not fit it, whatever the
reason, counts as not there and is written anew. Files are written under another name and then moved, so that a
reader finds a whole entry or none. Nothing here raises an error for a disk that cannot be read or written.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import sys
import tempfile
import time
from pathlib import Path

VARIABLE = "LAPWRIGHT_CACHE"
OFF = "off"
MAGIC = b"lapwright program\n"
DIGEST = 32
ENDING = ".program"
PARTIAL = ".partial"
LIMIT = 200 * 2**20
"""Bytes on disk above which the entries that were not used for longest are dropped."""
DAY = 86400.0


def folder() -> Path | None:
    """Where entries are kept; None if that is switched off or there is no such place."""
    asked = os.environ.get(VARIABLE, "")
    if asked == OFF:
        return None
    if asked:
        return Path(asked) / "programs"
    base: Path | None
    try:
        if sys.platform == "win32":
            base = _absolute("LOCALAPPDATA")
        elif sys.platform == "darwin":
            base = Path.home() / "Library" / "Caches"
        else:
            base = _absolute("XDG_CACHE_HOME") or Path.home() / ".cache"
    except RuntimeError:  # no home folder
        return None
    return base / "lapwright" / "programs" if base else None


def _absolute(variable: str) -> Path | None:
    """A folder from the environment; one that is not absolute is to be ignored (XDG Base Directory Specification)."""
    found = Path(os.environ.get(variable) or ".")
    return found if found.is_absolute() else None


def _digest(key: str, content: bytes) -> bytes:
    return hashlib.blake2b(key.encode() + b"\0" + content, digest_size=DIGEST).digest()


def read(key: str) -> bytes | None:
    """Content of an entry, or None if there is none that is sound.

    Parameters
    ----------
    key
        A word of letters and digits.
    """
    place = folder()
    if place is None:
        return None
    path = place / (key + ENDING)
    try:
        with path.open("rb") as file:
            if not _own(os.fstat(file.fileno())):
                return None
            whole = file.read()
    except OSError:
        return None
    start = len(MAGIC) + DIGEST
    content = whole[start:]
    if whole[:start] != MAGIC + _digest(key, content):
        return None
    with contextlib.suppress(OSError):
        if time.time() - path.stat().st_mtime > DAY:
            os.utime(path)
    return content


def _own(found: os.stat_result) -> bool:
    """Whether no other user of the computer can have written a file."""
    if not hasattr(os, "geteuid"):
        return True
    return found.st_uid == os.geteuid() and not found.st_mode & 0o022


def write(key: str, content: bytes) -> None:
    """Keep an entry."""
    place = folder()
    if place is None:
        return
    with contextlib.suppress(OSError):
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, partial = tempfile.mkstemp(PARTIAL, key[:16], place)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(MAGIC + _digest(key, content) + content)
            os.replace(partial, place / (key + ENDING))
        except BaseException:
            os.unlink(partial)
            raise
        _drop_oldest(place)


def _drop_oldest(place: Path) -> None:
    """Keep within ``LIMIT``; what a broken run left half-written goes after a day."""
    found = []
    for path in place.iterdir():
        with contextlib.suppress(OSError):
            about = path.stat()
            if path.suffix == PARTIAL and time.time() - about.st_mtime > DAY:
                path.unlink()
            elif path.suffix == ENDING:
                found.append((about.st_mtime, about.st_size, path))
    size = sum(each for _, each, _ in found)
    for _, each, path in sorted(found, key=lambda entry: entry[0]):
        if size <= LIMIT:
            break
        with contextlib.suppress(OSError):
            path.unlink()
            size -= each
