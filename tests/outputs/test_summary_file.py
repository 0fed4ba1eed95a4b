"""summary.json: fixed keys first, JSON that any reader takes, and what makes a lap again."""

import hashlib
import json
import platform
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest

from lapwright.outputs.summary import SummaryHead, file_hashes, plain, summary_text, versions, write_summary
from lapwright.quantities import CAUTION

FIXED = [
    "status",
    "lap_time_s",
    "baseline_lap_time_s",
    "mesh_error_s",
    "intervals",
    "iterations",
    "solve_time_s",
    "wall_time_s",
]
"""The first keys, in this order; scripts of users depend on them."""

HEAD = SummaryHead("solved", 103.2104, 108.9, 0.0021, 600, 62, 4.2, 6.1)


def strict(text):
    """Read as RFC 8259 says: NaN and Infinity are not JSON."""

    def refuse(word):
        raise AssertionError(f"{word} is not JSON")

    return json.loads(text, parse_constant=refuse)


def test_fixed_keys_come_first_and_the_caution_last(tmp_path):
    write_summary(tmp_path / "summary.json", HEAD, {"versions": versions(), "options": {"mesh_m": 5.0}})
    data = strict((tmp_path / "summary.json").read_bytes().decode("ascii"))
    keys = list(data)
    assert keys[:8] == FIXED
    assert keys[8:] == ["versions", "options", "caution"]
    assert data["lap_time_s"] == 103.2104 and data["caution"] == CAUTION


def test_what_did_not_happen_is_null():
    data = strict(summary_text(SummaryHead("no path inside the road edges near 1203 m")))
    assert data["lap_time_s"] is None and data["iterations"] is None


def test_no_number_outside_json():
    rest = {
        "a": float("nan"),
        "b": [np.inf, -np.inf, 1.5],
        "c": np.array([[1.0, np.nan]]),
        "d": {"e": np.float32(2)},
    }
    data = strict(summary_text(HEAD, rest))
    assert (data["a"], data["b"], data["c"], data["d"]) == (
        None,
        [None, None, 1.5],
        [[1.0, None]],
        {"e": 2.0},
    )


def test_plain_values():
    @dataclass(frozen=True)
    class Limit:
        name: str
        cost: float
        places: tuple

    value = {
        "limit": Limit("grip", np.float64(0.1), ((1.0, 2.0),)),
        3: np.int64(4),
        "p": Path("a/b"),
        "t": np.True_,
    }
    assert plain(value) == {
        "limit": {"name": "grip", "cost": 0.1, "places": [[1.0, 2.0]]}, "3": 4, "p": "a/b", "t": True,
    }  # fmt: skip
    with pytest.raises(ValueError, match="object has no form in JSON"):
        plain({"x": object()})


@pytest.mark.parametrize("key", ["status", "wall_time_s", "caution"])
def test_fixed_keys_cannot_be_overwritten(key):
    with pytest.raises(ValueError, match=key):
        summary_text(HEAD, {key: 1})


def test_names_outside_ascii_survive():
    data = strict(summary_text(HEAD, {"track": "Dünenring"}))
    assert data["track"] == "Dünenring"


def test_versions_and_hashes(tmp_path):
    found = versions()
    assert list(found) == ["python", "lapwright", "casadi", "llvmlite", "numpy", "scipy"]
    assert found["numpy"] == np.__version__
    assert found == {"python": platform.python_version()} | {n: metadata.version(n) for n in list(found)[1:]}
    path = tmp_path / "fen.yaml"
    path.write_bytes(b"name: Fen\n")
    assert file_hashes({"track": path}) == {
        "track": {"file": "fen.yaml", "sha256": hashlib.sha256(b"name: Fen\n").hexdigest()}
    }
