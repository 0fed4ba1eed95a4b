"""A lap read back from the folder of an earlier run: the same lap, or a sentence that says why not."""

import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from lapwright.cli import main as cli
from lapwright.errors import InputError
from lapwright.inputs.files import load_track, load_vehicle
from lapwright.inputs.kept_file import load_kept
from lapwright.outputs.traces import read_trace

ROOT = Path(__file__).parents[2]
FILES = {"track": ROOT / "tracks" / "cinder-yard.yaml", "vehicle": ROOT / "vehicles" / "teaching-car.yaml"}
WORDS = [str(FILES["track"]), str(FILES["vehicle"])]


@pytest.fixture(scope="module")
def solved(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kept") / "lap"
    options = ["--grip-margin", "0.04", "--no-figures", "--quiet", "--json"]
    assert cli.main(["lap", *WORDS, "--out", str(folder), *options]) == 0
    return folder


@pytest.fixture
def folder(solved, tmp_path):
    """A copy to be spoilt."""
    return shutil.copytree(solved, tmp_path / "lap")


def read(folder, files=None):
    files = files or FILES
    return load_kept(folder, load_track(files["track"]), load_vehicle(files["vehicle"]), files)


def sentences(folder, files=None):
    with pytest.raises(InputError) as caught:
        read(folder, files)
    return [str(fault) for fault in caught.value.faults]


def seal(folder):
    """Write the sums anew, as somebody would who edits a result and covers it up."""
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n"
        for path in sorted(folder.iterdir())
        if path.name != "checksums.sha256"
    ]
    (folder / "checksums.sha256").write_text("".join(lines))


def test_the_lap_comes_back_with_all_its_channels(solved):
    kept = read(solved)
    trace = read_trace(solved / "target.csv")
    summary = json.loads((solved / "summary.json").read_text())
    assert kept.lap.time == pytest.approx(summary["lap_time_s"], abs=1e-9)
    assert kept.mesh_error == pytest.approx(summary["mesh_error_s"], abs=1e-12)
    np.testing.assert_allclose(kept.lap.speed, trace["speed_mps"], rtol=0.0, atol=6e-4)
    np.testing.assert_allclose(kept.lap.n, trace["lateral_offset_m"], rtol=0.0, atol=6e-4)
    assert kept.lap.closed
    assert kept.vehicle.grip == pytest.approx(0.96 * load_vehicle(FILES["vehicle"]).grip)
    assert kept.worth.shape == (kept.nodes.size, 3)
    # Under the brake more speed is more to be got rid of; on the whole it is worth something.
    assert np.mean(kept.worth[:, 2]) < 0.0


def test_the_guess_of_a_closed_lap_goes_on_past_the_line(solved):
    kept = read(solved)
    guess, length = kept.guess(), kept.lap.s[-1]
    for values in guess.states:
        early, late = (np.interp(20.0 + turn * length, guess.s, values) for turn in (0, 1))
        assert early == pytest.approx(late, abs=1e-9)


def test_a_node_is_found_from_any_lap(solved):
    kept = read(solved)
    station = float(kept.nodes[7])
    here, there = kept.at_node(station), kept.at_node(station - kept.lap.s[-1])
    np.testing.assert_array_equal(here[0], there[0])
    np.testing.assert_array_equal(here[0], kept.states[:, 7 * kept.degree])


def test_the_same_lap_gives_the_same_bytes(solved, tmp_path):
    options = ["--grip-margin", "0.04", "--no-figures", "--quiet", "--json"]
    assert cli.main(["lap", *WORDS, "--out", str(tmp_path / "again"), *options]) == 0
    assert (tmp_path / "again" / "solution.npz").read_bytes() == (solved / "solution.npz").read_bytes()


def test_a_folder_without_a_lap(tmp_path):
    (said,) = sentences(tmp_path)
    assert "holds no solved lap" in said and "solution.npz" in said and "lapwright lap" in said
    (said,) = sentences(tmp_path / "nowhere")
    assert "is no folder" in said


def test_a_lap_of_other_files_is_refused_with_both_names(folder, tmp_path):
    other = {word: tmp_path / path.name for word, path in FILES.items()}
    for word, path in FILES.items():
        other[word].write_text(path.read_text() + "\n# another state\n")
    track, vehicle = sentences(folder, other)
    assert "another track file (cinder-yard.yaml" in track
    assert "another vehicle file (teaching-car.yaml" in vehicle


def test_a_damaged_lap_is_told_apart_from_a_lap(folder):
    data = bytearray((folder / "solution.npz").read_bytes())
    data[len(data) // 2] ^= 0xFF
    (folder / "solution.npz").write_bytes(bytes(data))
    (said,) = sentences(folder)
    assert "solution.npz" in said and "is not as lapwright wrote it" in said


@pytest.mark.parametrize("spoil", ["no archive", "other shape", "pickled"])
def test_a_solution_that_is_none_ends_in_a_sentence(folder, spoil):
    path = folder / "solution.npz"
    if spoil == "no archive":
        path.write_bytes(b"nothing of the kind")
    else:
        with np.load(path) as archive:
            arrays = {name: archive[name] for name in archive}
        arrays["states"] = arrays["states"][:2] if spoil == "other shape" else np.array([object()])
        np.savez(path, **arrays)
    seal(folder)
    (said,) = sentences(folder)
    assert "solution.npz" in said and "lapwright lap" in said


def test_a_summary_that_is_none_ends_in_a_sentence(folder):
    (folder / "summary.json").write_text("{")
    seal(folder)
    (said,) = sentences(folder)
    assert "summary.json" in said and "cannot be read" in said
