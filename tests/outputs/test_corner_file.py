"""corners.csv and the records of summary.json."""

import csv
import json

import pytest

from lapwright.outputs.corner_file import BASELINE_LOSS, CORNER_COLUMNS, corner_records, write_corners
from lapwright.quantities import G


def test_records_are_in_the_units_of_their_names(reports):
    record = corner_records(reports)[0]
    report = reports[0]
    assert record["slowest_speed_kmh"] == pytest.approx(report.slowest_speed * 3.6, abs=0.05)
    assert record["lateral_max_g"] == pytest.approx(report.lateral_max / G, abs=5e-4)
    assert record["landmark"] == "100 m board" and record["landmark_distance_m"] == pytest.approx(
        23.8, abs=0.1
    )
    json.dumps(corner_records(reports), allow_nan=False)


def test_file_reads_back(reports, tmp_path):
    write_corners(tmp_path / "corners.csv", reports, [0.25] * len(reports))
    with (tmp_path / "corners.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert list(rows[0]) == [column.name for column in CORNER_COLUMNS] + [BASELINE_LOSS]
    assert [row["corner"] for row in rows] == [report.name for report in reports]
    flat = next(row for row in rows if row["entry"] == "flat")
    assert flat["brake_on_m"] == "" and flat["pick_up_m"] == "" and flat[BASELINE_LOSS] == "0.250"
    assert float(rows[0]["brake_on_m"]) == pytest.approx(reports[0].brake_on, abs=0.05)


def test_a_name_with_a_comma_stays_one_field(reports, tmp_path):
    from dataclasses import replace

    write_corners(tmp_path / "corners.csv", [replace(reports[0], name='Old "Mill", upper')])
    with (tmp_path / "corners.csv").open(encoding="utf-8", newline="") as handle:
        assert next(csv.DictReader(handle))["corner"] == 'Old "Mill", upper'
