"""solution.npz: the unknowns of a solved lap, so that sections of it can be solved later without solving it again."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np

from lapwright.reference.kept import KeptLap, to_arrays

NAME = "solution.npz"


def write_kept(path: Path, kept: KeptLap) -> None:
    """Write a kept lap in numpy's own archive form (``numpy.load`` reads it); the same lap gives the same bytes."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as archive:
        for name, values in to_arrays(kept).items():
            text = io.BytesIO()
            np.lib.format.write_array(text, np.ascontiguousarray(values), allow_pickle=False)
            archive.writestr(zipfile.ZipInfo(f"{name}.npy"), text.getvalue())
