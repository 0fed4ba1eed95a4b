"""summary.json: what a script, or the next year's engineer, needs to know about a result."""

from __future__ import annotations

import hashlib
import json
import math
import platform
import sys
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lapwright.quantities import CAUTION

PACKAGES = ("lapwright", "casadi", "llvmlite", "numpy", "scipy")


@dataclass(frozen=True)
class SummaryHead:
    """The keys that a script may rely on, in the order of the file; None (null in the file) for what there is
    not.

    Attributes
    ----------
    status : "solved", or what went wrong
    lap_time_s : the lap, or the section of an open track
    baseline_lap_time_s : quasi-steady, on the centreline
    mesh_error_s : estimated error of the lap time from the mesh
    intervals, iterations : of the last mesh; of the solver over all meshes
    solve_time_s, wall_time_s : inside the solver; from reading the files to writing the results
    """

    status: str
    lap_time_s: float | None = None
    baseline_lap_time_s: float | None = None
    mesh_error_s: float | None = None
    intervals: int | None = None
    iterations: int | None = None
    solve_time_s: float | None = None
    wall_time_s: float | None = None


def summary_text(head: SummaryHead, rest: Mapping[str, Any] | None = None) -> str:
    """The summary as JSON (RFC 8259): the keys of ``head`` first, then ``rest`` in its order, then the
    caution.

    NaN and infinity, which JSON does not know, become null; dataclasses become objects, arrays lists.

    Raises
    ------
    ValueError
        When ``rest`` names a key of ``head``, or holds something that has no form in JSON.
    """
    content = {item.name: getattr(head, item.name) for item in fields(head)}
    for key, value in (rest or {}).items():
        if key in content or key == "caution":
            raise ValueError(f"{key} stands in the fixed part of the summary")
        content[key] = value
    content["caution"] = CAUTION
    return json.dumps(plain(content), indent=2, allow_nan=False, ensure_ascii=True) + "\n"


def write_summary(path: Path, head: SummaryHead, rest: Mapping[str, Any] | None = None) -> None:
    """Write ``summary.json`` (see ``summary_text``)."""
    path.write_bytes(summary_text(head, rest).encode("ascii"))


def plain(value: Any) -> Any:
    """A value as JSON knows it: None, bool, int, finite float, str, list or dict."""
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, (np.bool_, np.str_)):
        return value.item()
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    if isinstance(value, Path):
        return value.as_posix()
    raise ValueError(f"{type(value).__name__} has no form in JSON")


def versions() -> dict[str, str | None]:
    """Versions of Python and of the packages that the numbers depend on; None for one that is not
    installed.
    """
    return {"python": platform.python_version(), **{name: _version(name) for name in PACKAGES}}


def _version(package: str) -> str | None:
    """Version of an installed package, from the name of the folder that an installer leaves beside it.

    Such a folder is called ``name-version.dist-info`` (PyPA, Recording installed projects, from memory). Importing
    ``importlib.metadata`` takes longer than writing all the files of a lap; it is asked where there is no such folder.
    """
    for place in sys.path:
        for folder in Path(place or ".").glob(f"{package}-*.dist-info"):
            return folder.name.removesuffix(".dist-info").removeprefix(f"{package}-")
    from importlib import metadata

    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return None


def file_hashes(paths: Mapping[str, Path]) -> dict[str, dict[str, str]]:
    """Name and SHA-256 of each input file, under the word it is given here, e.g. ``{"track": path}``."""
    return {
        word: {"file": path.name, "sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
        for word, path in paths.items()
    }
