"""cases.csv and cases.parquet: a row for every case, empty cells for what there is not, the same bytes again.

The form of the CSV is that of RFC 4180 (Shafranovich, 2005), read back by Python's csv and by pandas; the parquet file is
read back by pyarrow where it is installed.
"""

import csv
import importlib.util
import io
from dataclasses import replace

import pandas as pd
import pytest
from made_sweep import BRAKES, LOCK, MASS, TYPES, grid, made_study, made_time, one_in

from lapwright.outputs.sweep_table import CASE_COLUMNS, axis_columns, corner_columns, table_of, write_cases
from lapwright.study.cases import FAULT, LOST, NO_SOLUTION, SOLVED, Axis

AXES = (BRAKES, LOCK)
LEVELS = ((0.5, 0.6, 0.7), TYPES)


@pytest.fixture(scope="module")
def case(circuit):
    return made_study(circuit, AXES, grid(*LEVELS), fate=one_in(3))


@pytest.fixture(scope="module")
def frame(case):
    return table_of(*case)


def written(frame, folder):
    write_cases(folder, frame)
    return (folder / "cases.csv").read_bytes()


def test_every_case_has_its_row(frame, case):
    study, _ = case
    assert frame["case"].tolist() == list(range(10)) == [one.number for one in study.cases]
    assert frame["status"].tolist() == [SOLVED] * 3 + [FAULT] + [SOLVED] * 2 + [LOST] + [SOLVED] * 2 + [
        NO_SOLUTION
    ]
    assert (frame["circuit"] == "fen-loop").all() and (frame["car"] == "cup-coupe").all()


def test_a_missing_result_is_refused(case):
    study, results = case
    with pytest.raises(ValueError):
        table_of(study, results[:-1])


def test_numbers_are_those_of_the_results(frame, circuit):
    """The expected ones are worked out here from the formula and by hand from its corners."""
    row = frame[frame["case"] == 5].iloc[0]
    assert (row["brakes.front_share"], row["driveline.differential.type"]) == (0.6, "limited slip")
    time = made_time({BRAKES.name: 0.6, LOCK.name: "limited slip"})
    base = made_time({BRAKES.name: 0.58, LOCK.name: "open"})
    assert row["lap_time_s"] == pytest.approx(time, abs=1e-12)
    assert row["change_s"] == pytest.approx(time - base, abs=1e-12)
    first, second = list(corner_columns_of(circuit))[:2]
    assert row[f"{first}_time_s"] == pytest.approx(0.05 * time)
    assert row[f"{first}_slowest_kmh"] == pytest.approx(72.0)
    assert row[f"{first}_brake_on_before_m"] == pytest.approx(80.0 - 0.5 * time)
    assert pd.isna(row[f"{second}_brake_on_before_m"]) and row[f"{second}_slowest_kmh"] == pytest.approx(81.0)
    assert row["iterations"] == 45 and row["begun"] == "neighbour"
    current = frame[frame["case"] == 0].iloc[0]
    assert (current["brakes.front_share"], current["change_s"], current["begun"]) == (0.58, 0.0, "cold")


def corner_columns_of(circuit):
    """Column names made here by another road than the program's: letters kept, the rest joined by an underscore."""
    for corner in circuit.corners:
        yield "_".join("".join(c if c.isalnum() else " " for c in corner.name.lower()).split())


def test_rows_without_an_answer_are_empty_and_say_why(case, tmp_path):
    rows = read(written(table_of(*case), tmp_path))
    kept = {"case", "circuit", "car", "brakes.front_share", "driveline.differential.type", "status", "words"}
    for row in rows:
        if row["status"] == NO_SOLUTION:
            assert (row["iterations"], row["begun"]) == ("400", "cold")
            assert row["words"].startswith("no lap was found") and "leaves the road" in row["words"]
        elif row["status"] in (FAULT, LOST):
            assert {name for name, cell in row.items() if cell} == kept
        else:
            assert row["words"] == "" and float(row["lap_time_s"]) > 80.0


def read(data):
    return list(csv.DictReader(io.StringIO(data.decode("ascii"), newline="")))


def test_form_of_the_csv(frame, tmp_path):
    """RFC 4180: lines end with CR LF, the last one too; equal fields in all; quotes doubled inside quotes."""
    data = written(frame, tmp_path)
    assert data.endswith(b"\r\n") and data.count(b"\n") == data.count(b"\r\n") == 11
    rows = list(csv.reader(io.StringIO(data.decode("ascii"), newline=""), strict=True))
    assert {len(row) for row in rows} == {len(frame.columns)}
    assert b'"brakes.front_share, ""rear"" and front: together more than 1"' in data


def test_decimals_are_fixed_and_the_bytes_the_same(case, tmp_path):
    first = written(table_of(*case), tmp_path)
    assert written(table_of(*case), tmp_path) == first
    rows = read(first)
    assert {len(row["lap_time_s"].split(".")[1]) for row in rows if row["lap_time_s"]} == {4}
    assert {row["change_s"] for row in rows if row["case"] == "0"} == {"0.0000"}
    assert {len(row["brakes.front_share"].split(".")[1]) for row in rows} == {2}
    study, results = case
    slightly = [replace(r, lap_time=r.lap_time + 1e-3) if r.key == "0-4" else r for r in results]
    assert written(table_of(study, slightly), tmp_path) != first


def test_values_survive_the_table_to_nine_digits(circuit, tmp_path):
    """Thirds and sums of tenths: as many decimals as the column needs, no dust of binary numbers."""
    rows = [(1240.0 / 3.0, 0.1 + 0.2), (1250.0, 0.7)]
    text = read(written(table_of(*made_study(circuit, (MASS, BRAKES), rows)), tmp_path))
    assert [row["brakes.front_share"] for row in text] == ["0.58", "0.30", "0.70"]
    assert float(text[1]["chassis.mass_kg"]) == pytest.approx(1240.0 / 3.0, abs=1240e-9)


def test_pandas_reads_it_back(frame, tmp_path):
    written(frame, tmp_path)
    back = pd.read_csv(tmp_path / "cases.csv", dtype=str, keep_default_na=False)
    assert list(back.columns) == list(frame.columns)
    numbers = pd.read_csv(tmp_path / "cases.csv")
    assert numbers["lap_time_s"].to_numpy() == pytest.approx(
        frame["lap_time_s"].to_numpy(), abs=5e-5, nan_ok=True
    )
    assert numbers["lap_time_s"].isna().sum() == 3 == numbers["mesh_error_s"].isna().sum()


def test_parquet_when_its_library_is_there(frame, tmp_path):
    """Same rows and columns, missing cells missing; without the library nothing is written and that is said."""
    wrote = write_cases(tmp_path, frame)
    assert wrote == (importlib.util.find_spec("pyarrow") is not None)
    assert (tmp_path / "cases.parquet").exists() == wrote
    if not wrote:
        pytest.skip("pyarrow is not installed")
    import pyarrow.parquet

    table = pyarrow.parquet.read_table(tmp_path / "cases.parquet")
    assert table.column_names == list(frame.columns) and table.num_rows == 10
    assert table["lap_time_s"].null_count == 3 and table["iterations"].null_count == 2
    assert table["lap_time_s"].to_pylist()[5] == frame["lap_time_s"][5]
    assert table["status"].to_pylist() == frame["status"].tolist()
    assert table["words"].null_count == 7


def test_parquet_of_columns_with_nothing_in_them(circuit, tmp_path):
    pytest.importorskip("pyarrow")
    frame = table_of(*made_study(circuit, AXES, grid(*LEVELS), fate=lambda number: FAULT))
    assert write_cases(tmp_path, frame)
    back = pd.read_parquet(tmp_path / "cases.parquet")
    assert back["lap_time_s"].isna().all() and str(back["lap_time_s"].dtype) == "float64" and len(back) == 10


def test_two_axes_of_one_name_keep_what_tells_them_apart(case):
    study, _ = case
    axes = (
        Axis("vehicle.track.width_m", "axles [m]", False, 1.0, 2.0),
        Axis("track.width_m", "road [m]", False, 9.0, 12.0),
        BRAKES,
        Axis("vehicle.status", "status", True, 0.0, 0.0),
    )
    assert axis_columns(replace(study, axes=axes)) == [
        "vehicle.track.width_m", "track.width_m", "brakes.front_share", "vehicle.status",
    ]  # fmt: skip


def test_only_the_corners_asked_for(circuit):
    wanted = (circuit.corners[2].name, circuit.corners[0].name)
    study, results = made_study(circuit, AXES, grid(*LEVELS), corners=wanted)
    assert list(corner_columns(study)) == [circuit.corners[0].name, circuit.corners[2].name]
    frame = table_of(study, results)
    assert sum(name.endswith("_slowest_kmh") for name in frame.columns) == 2


def test_corners_that_are_spelled_alike_get_columns_of_their_own(case, circuit):
    study, _ = case
    names = ("Mere Bend", "mere-bend", "\u00c9cluse", "!")
    corners = tuple(replace(circuit.corners[0], name=name) for name in names)
    made = corner_columns(replace(study, tracks=(replace(circuit, corners=corners),)))
    assert list(made.values()) == ["mere_bend", "mere_bend_2", "ecluse", "unnamed"]


def test_change_is_against_the_same_circuit_and_car(circuit):
    pairs = (("fen-loop", "cup-coupe"), ("fen-loop", "sports-prototype"), ("hill", "cup-coupe"))
    study, results = made_study(circuit, AXES, grid(*LEVELS), pairs=pairs)
    results = [replace(r, status=NO_SOLUTION, lap_time=None) if r.key == "2-0" else r for r in results]
    frame = table_of(study, results)
    changes = [group["change_s"].tolist() for _, group in frame.groupby(["circuit", "car"], sort=False)]
    assert changes[0] == pytest.approx(changes[1]) and changes[0][0] == 0.0 and changes[0][5] != 0.0
    assert all(pd.isna(value) for value in changes[2]) and len(changes[2]) == 10


def test_what_the_file_does_not_say_is_empty(circuit, tmp_path):
    """Row 0 of a number and of a word that the vehicle file leaves to the program."""
    study, results = made_study(circuit, AXES, grid(*LEVELS), base=(None, None))
    row = read(written(table_of(study, results), tmp_path))[0]
    assert (row["brakes.front_share"], row["driveline.differential.type"]) == ("", "")
    assert float(row["lap_time_s"]) > 80.0


def test_columns_are_the_documented_ones(frame, circuit):
    """Each column is one of the list, or a ``*`` of it: axes and corners; in that order, the words last."""
    names = [name for name, _ in CASE_COLUMNS]
    plain = [name for name in frame.columns if name in names]
    assert plain == [name for name in names if "*" not in name] and frame.columns[-1] == "words"
    starts = [name.removesuffix("_time_s") for name in frame.columns if name.endswith("_time_s")]
    starts.remove("lap")
    ends = [name[1:] for name in names if name.startswith("*_")]
    assert list(corner_columns_of(circuit)) == starts
    made = {start + end for start in starts for end in ends}
    left = [name for name in frame.columns if name not in names and name not in made]
    assert left == ["brakes.front_share", "driveline.differential.type"]
