"""Logs in ASAM MDF 4, read by asammdf."""

from __future__ import annotations

import gc
import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lapwright.errors import Fault, InputError
from lapwright.inputs.log_clock import Array
from lapwright.inputs.log_layout import Title
from lapwright.inputs.log_names import guesses
from lapwright.inputs.log_proposal import Proposal, propose
from lapwright.inputs.log_signals import Raw

LOOKED_AT = 5000
"""Samples of a channel that are looked at for a proposal."""


@dataclass
class MdfSource:
    """An open MDF file: its channels as columns, numbered in the order of the file.

    Attributes
    ----------
    file, driver : its name, and the driver that its header names ('' without)
    titles : of the channels that are not times
    """

    file: str
    driver: str
    titles: tuple[Title, ...]
    handle: Any
    places: dict[int, tuple[int, int]]

    def read(self, column: int) -> Raw:
        """A channel: times that rise strictly and values, NaN where the file marks them invalid or they are no numbers.

        Raises
        ------
        InputError
            Text instead of numbers, or a time that runs backwards.
        """
        title = next(title for title in self.titles if title.column == column)
        signal = self._signal(column)
        if not _plain(signal.samples):
            raise InputError(Fault(f"the channel {title.text} does not hold plain numbers", file=self.file))
        t = np.asarray(signal.timestamps, dtype=float)
        values = np.asarray(signal.samples, dtype=float)
        back = np.flatnonzero(np.diff(t) < 0.0)
        if back.size:
            k = int(back[0])
            message = f"the time of {title.text} runs backwards: {t[k + 1]:.3f} s after {t[k]:.3f} s"
            raise InputError(Fault(message, file=self.file))
        fresh = np.concatenate([[True], np.diff(t) > 0.0]) if t.size else np.zeros(0, bool)
        values[~np.isfinite(values)] = np.nan
        return Raw(t[fresh], values[fresh], np.flatnonzero(fresh).astype(np.int64))

    def proposal(self) -> Proposal:
        """A channel map from names, units and values."""
        return propose(self.file, self.titles, self._looked_at, driver=self.driver, timed=False)

    def _looked_at(self, column: int) -> Array:
        title = next(title for title in self.titles if title.column == column)
        # Others are not looked at: a file may hold thousands of channels.
        if not guesses(title.name):
            return np.empty(0)
        samples = self._signal(column).samples
        if not _plain(samples):
            return np.empty(0)
        return np.asarray(samples[:: max(len(samples) // LOOKED_AT, 1)], dtype=float)

    def _signal(self, column: int) -> Any:
        group, index = self.places[column]
        try:
            with _quiet():
                return self.handle.get(group=group, index=index, ignore_invalidation_bits=False)
        except Exception as error:  # the library raises whatever a broken block leads to
            name = next(title.text for title in self.titles if title.column == column)
            message = f"the channel {name} cannot be read: {_reason(error)}"
            raise InputError(Fault(message, file=self.file)) from error


def _plain(samples: Any) -> bool:
    return np.asarray(samples).dtype.kind in "fiub" and np.ndim(samples) == 1


@contextmanager
def open_mdf(path: Path) -> Iterator[MdfSource]:
    """An ASAM MDF 4 file, open.

    Raises
    ------
    InputError
        asammdf is not installed, or the file is broken, or of MDF 3.
    """
    file = str(path)
    with path.open("rb") as stream:
        start = stream.read(68)
    _check_start(start, file)
    try:
        from asammdf import MDF
    except ImportError as error:
        message = "ASAM MDF 4 is read by asammdf, which is not installed: pip install 'lapwright[mdf]'"
        raise InputError(Fault(message, file=file)) from error
    handle = _opened(MDF, path)
    try:
        yield _source(handle, file)
    finally:
        handle.close()


def _opened(library: Any, path: Path) -> Any:
    with _quiet():
        try:
            return library(path)
        except Exception as error:  # the library raises whatever a broken block leads to
            reason = _reason(error)
        # What it had begun falls over itself when it is thrown away: now, while that is not shown.
        gc.collect()
    raise InputError(Fault(f"the file cannot be read as ASAM MDF 4: {reason}", file=str(path)))


@contextmanager
def _quiet() -> Iterator[None]:
    """Nothing of the library's own on standard error: its faults are told in our words."""
    logger = logging.getLogger("asammdf")
    level, hook = logger.level, sys.unraisablehook
    logger.setLevel(logging.CRITICAL + 1)
    sys.unraisablehook = lambda _: None
    try:
        yield
    finally:
        logger.setLevel(level)
        sys.unraisablehook = hook


def _check_start(start: bytes, file: str) -> None:
    """Raise InputError for what does not begin as MDF 4: identification block, then the header block at byte 64."""
    if not start.startswith((b"MDF ", b"UnFinMF")):
        message = "the file does not begin as ASAM MDF does; export the log again, or as CSV"
        raise InputError(Fault(message, file=file))
    version = start[8:12].decode("latin-1").strip(" \0")
    if version and not version.startswith("4"):
        raise InputError(
            Fault(f"this is MDF {version}; MDF 4 is read: export it as .mf4, or as CSV", file=file)
        )
    if start[64:68] != b"##HD":
        message = (
            "the file cannot be read as ASAM MDF 4: its header block is not there; export or copy it again"
        )
        raise InputError(Fault(message, file=file))


def _reason(error: Exception) -> str:
    """What a library says, in a line; its own words about streams are of no use."""
    text = " ".join(str(error).split())
    return text if text and "<" not in text else "a block in it is broken"


def _source(handle: Any, file: str) -> MdfSource:
    titles: list[Title] = []
    places = {}
    for group, content in enumerate(handle.groups):
        master = handle.masters_db.get(group)
        for index, channel in enumerate(content.channels):
            if index == master:
                continue
            column = len(titles) + 1
            conversion = channel.conversion
            unit = channel.unit or (conversion.unit if conversion is not None else "") or ""
            titles.append(Title(channel.name, channel.name, str(unit), column, 0))
            places[column] = (group, index)
    author = str(getattr(handle.header, "author", "") or "")
    return MdfSource(file, author.strip()[:120], tuple(titles), handle, places)
