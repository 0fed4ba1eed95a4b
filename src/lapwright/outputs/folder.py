"""An output folder that is either whole or not there."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from lapwright.errors import Fault, InputError

CHECKSUMS = "checksums.sha256"
"""Sum of every file of a result, in the form that ``sha256sum -c`` reads. It also tells which files are
ours."""


@contextmanager
def output_folder(destination: Path | str, force: bool = False) -> Iterator[Path]:
    """Write a set of files that appears all at once, or not at all.

    The body writes into a temporary folder beside the destination. When it ends well, ``checksums.sha256`` is
    added, the files are flushed to the disk and the folder is renamed into place. When it ends in any other
    way (an error, a full disk, Ctrl-C) the temporary folder is removed and what was there before stays.

    With ``force`` an older result is replaced: it keeps its place until the new one is complete. Only a
    folder that lapwright wrote itself, with nothing else in it, is replaced, so a wrong path cannot cost
    anybody's files.

    Parameters
    ----------
    destination
        The folder to make; its parents are made when they are missing.
    force
        Replace an older result.

    Yields
    ------
    Path
        The temporary folder to write into.

    Raises
    ------
    InputError
        When the destination cannot be used, or a file cannot be written (disk full, no permission).
    """
    target = Path(os.path.abspath(destination))
    if target.is_symlink():
        target = target.resolve()
    _check(target, str(destination), force)
    made = _make_parents(target, str(destination))
    work: Path | None = None
    try:
        work = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
        yield work
        _seal(work)
        _put(work, target, str(destination), force)
        work, made = None, []
    except OSError as error:
        raise InputError(Fault(_sentence(error), file=str(destination))) from error
    finally:
        if work is not None:
            shutil.rmtree(work, ignore_errors=True)
        for parent in made:
            with suppress(OSError):
                parent.rmdir()


def check_output(destination: Path | str, force: bool = False) -> None:
    """Say at once what would stop ``output_folder``, before any long work.

    Raises
    ------
    InputError
        As ``output_folder``.
    """
    target = Path(os.path.abspath(destination))
    if target.is_symlink():
        target = target.resolve()
    _check(target, str(destination), force)
    parent = target.parent
    while not parent.exists():
        parent = parent.parent
    if not parent.is_dir():
        raise InputError(Fault(f"{parent} is a file, so no folder can be made in it", file=str(destination)))
    if not os.access(parent, os.W_OK | os.X_OK):
        raise InputError(Fault(f"no permission to write into {parent}", file=str(destination)))


def _check(target: Path, named: str, force: bool) -> None:
    message = _obstacle(target, force)
    if message:
        raise InputError(Fault(message, file=named))


def _obstacle(target: Path, force: bool) -> str:
    if not target.name:
        return "is the root of the disk: name a folder to be made"
    if not os.path.lexists(target):
        return ""
    if not target.is_dir():
        return "is a file: name a folder to be made"
    if not force:
        return "exists already: give another folder, or --force to replace the result in it"
    if Path.cwd() == target or target in Path.cwd().parents:
        return "is the folder this command runs in, or holds it: give another folder"
    strange = foreign_files(target)
    if strange:
        shown = ", ".join(strange[:3]) + (f" and {len(strange) - 3} more" if len(strange) > 3 else "")
        return f"holds what lapwright did not write ({shown}), so it is not replaced: give another folder"
    return ""


def foreign_files(folder: Path) -> list[str]:
    """Names in a folder that its ``checksums.sha256`` does not list; every name when there is no such
    list.
    """
    ours = {CHECKSUMS}
    with suppress(OSError, UnicodeDecodeError):
        for line in (folder / CHECKSUMS).read_text(encoding="utf-8").splitlines():
            ours.add(line[66:])
    names = []
    for path in sorted(folder.rglob("*")):
        if path.is_symlink() or not path.is_dir():
            name = path.relative_to(folder).as_posix()
            if name not in ours or (name == CHECKSUMS and path.is_symlink()):
                names.append(name)
        elif not any(path.iterdir()):
            names.append(path.relative_to(folder).as_posix() + "/")
    return names


def _make_parents(target: Path, named: str) -> list[Path]:
    """Make the missing parents; those made, innermost first."""
    missing = []
    parent = target.parent
    while not parent.exists():
        missing.append(parent)
        parent = parent.parent
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        for made in missing:
            with suppress(OSError):
                made.rmdir()
        raise InputError(Fault(_sentence(error), file=named)) from error
    return missing


def _seal(work: Path) -> None:
    """Add the checksums, flush everything and give the folder the permissions that mkdir would have given."""
    lines = []
    for path in sorted(path for path in work.rglob("*") if path.is_file()):
        data = path.read_bytes()
        lines.append(f"{hashlib.sha256(data).hexdigest()}  {path.relative_to(work).as_posix()}\n")
    (work / CHECKSUMS).write_text("".join(lines), encoding="utf-8", newline="\n")
    for path in work.rglob("*"):
        if path.is_file():
            with path.open("rb+") as handle:
                os.fsync(handle.fileno())
    mask = os.umask(0)
    os.umask(mask)
    work.chmod(0o777 & ~mask)


def _put(work: Path, target: Path, named: str, force: bool) -> None:
    """Rename into place; an older result moves aside first and comes back when the rename fails."""
    if not os.path.lexists(target):
        work.rename(target)
        return
    _check(target, named, force)
    aside = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".old", dir=target.parent))
    moved = False
    try:
        old = aside / target.name
        target.rename(old)
        moved = True
        work.rename(target)
    except BaseException:
        if moved and not os.path.lexists(target):
            old.rename(target)
        raise
    finally:
        if os.path.lexists(target):
            shutil.rmtree(aside, ignore_errors=True)


def _sentence(error: OSError) -> str:
    kept = "; nothing was written"
    where = f" ({error.filename})" if error.filename else ""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"the disk is full{where}{kept}: free some space or give a folder on another disk"
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return f"no permission to write{where}{kept}: give a folder that you may write to"
    if error.errno in (errno.ENOTDIR, errno.EEXIST):
        return f"a file stands where a folder is needed{where}{kept}"
    return f"cannot be written: {error.strerror or error}{where}{kept}"
