"""Tables of points: every way in which a spreadsheet writes them, and every bad cell with its place."""

import csv
import io
import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from lapwright.errors import InputError
from lapwright.inputs.csv_points import parse_points
from lapwright.inputs.files import read_definition
from lapwright.track.definition import PointLine, Station

PLAIN = """\
# an invented square
x_m,y_m,width_left_m,width_right_m,bank_deg
0,0,5,6,0

100,0,5,6,0
100,100,4.5,6.5,3
# half way
0,100,5,6,0
"""


def faults_of(text):
    with pytest.raises(InputError) as caught:
        parse_points(text, "p.csv")
    return list(caught.value.faults)


def only_fault(text):
    faults = faults_of(text)
    assert len(faults) == 1, [str(fault) for fault in faults]
    assert faults[0].file == "p.csv"
    return faults[0]


def test_points_lines_and_stations():
    table, notices = parse_points(PLAIN, "p.csv")
    assert notices == []
    assert table.points == ((0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0))
    assert table.lines == (3, 5, 6, 8)
    assert table.width_left == tuple(
        Station(*pair) for pair in ((0.0, 5.0), (100.0, 5.0), (200.0, 4.5), (300.0, 5.0))
    )
    assert [station.value for station in table.width_right] == [6.0, 6.0, 6.5, 6.0]
    assert table.bank[2].value == pytest.approx(math.pi / 60)


SPELLINGS = {
    "semicolons": PLAIN.replace(",", ";"),
    "tabs": PLAIN.replace(",", "\t"),
    "decimal commas": PLAIN.replace(",", ";").replace("4.5", "4,5").replace("6.5", "6,5"),
    "decimal commas and tabs": PLAIN.replace(",", "\t").replace("4.5", "4,5").replace("6.5", "6,5"),
    "blanks": PLAIN.replace(",", " , "),
    "trailing separators": "".join(
        f"{line},\n" if line and line[0] in "x01" else line + "\n" for line in PLAIN.split("\n")
    ),
    "quotes": PLAIN.replace("100", '"100"').replace("x_m", '"x_m"'),
    "other order": "y_m,x_m,bank_deg,width_right_m,width_left_m\n"
    "0,0,0,6,5\n0,100,0,6,5\n100,100,3,6.5,4.5\n100,0,0,6,5\n",
}


@pytest.mark.parametrize("text", SPELLINGS.values(), ids=SPELLINGS)
def test_other_spellings_of_the_same_table(text):
    table, notices = parse_points(text)
    expected, _ = parse_points(PLAIN)
    assert notices == []
    assert table.points == expected.points
    assert (table.width_left, table.width_right, table.bank) == (
        expected.width_left,
        expected.width_right,
        expected.bank,
    )


_coordinate = st.floats(-1e5, 1e5, allow_nan=False)


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(_coordinate, _coordinate, _coordinate), min_size=4, max_size=20),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_what_the_csv_library_writes_is_read_exactly(points, separator, line_end, quoting):
    spans = [max(axis) - min(axis) for axis in zip(*points, strict=True)]
    if max(spans[:2]) < 1.0:
        return
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=separator, lineterminator=line_end, quoting=quoting)
    writer.writerows([["x_m", "y_m", "z_m"], *points])
    table, _ = parse_points(buffer.getvalue().replace("\r\n", "\n"))
    assert table.points == tuple(points)


def test_height_is_the_third_coordinate():
    table, _ = parse_points("z_m,x_m,y_m\n1,0,0\n2,9,0\n3,9,9\n4,0,9\n")
    assert table.points == ((0.0, 0.0, 1.0), (9.0, 0.0, 2.0), (9.0, 9.0, 3.0), (0.0, 9.0, 4.0))


def test_a_last_point_that_repeats_the_first_has_no_station_of_its_own():
    table, _ = parse_points(PLAIN + "0,0,5,6,0\n")
    assert len(table.points) == 5
    assert len(table.width_left) == len(table.bank) == 4


def test_a_repeated_point_has_no_station_of_its_own():
    table, _ = parse_points(PLAIN.replace("100,0,5,6,0\n", "100,0,5,6,0\n100,0,5,6,0\n"))
    assert len(table.points) == 5
    assert [station.at for station in table.width_left] == [0.0, 100.0, 200.0, 300.0]


def test_other_columns_are_told_not_silently_dropped():
    table, notices = parse_points(PLAIN.replace("bank_deg", "remark"))
    assert table.bank == ()
    assert (notices[0].line, notices[0].column) == (2, 36)
    assert "remark is not used" in notices[0].message


@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ("x_m,y_m", "x,y_m", (2, 1), ["x is not a column", "did you mean x_m"]),
        ("width_left_m", "width_lft_m", (2, 9), ["did you mean width_left_m"]),
        ("bank_deg", "bank_rad", (2, 36), ["did you mean bank_deg"]),
        ("bank_deg", "x_m", (2, 36), ["there twice"]),
        ("100,100,4.5", "100,1OO,4.5", (6, 5), ["y_m is 1OO", "must be a number"]),
        ("100,100,4.5", "100, nan ,4.5", (6, 6), ["y_m is nan", "finite"]),
        ("100,100,4.5", "100,-inf,4.5", (6, 5), ["finite"]),
        ("100,100,4.5", "100,1e999,4.5", (6, 5), ["too large"]),
        ("100,100,4.5", "100,,4.5", (6, 5), ["y_m is empty"]),
        ("100,100,4.5", "100,100,-4.5", (6, 9), ["width_left_m is -4.5", "did you mean 4.5?"]),
        ("100,100,4.5", "100,100,4500", (6, 9), ["looks like mm"]),
        ("6.5,3", "6.5,95", (6, 17), ["bank_deg is 95", "-60 to 60 deg"]),
        ("6.5,3", "6.5", (6, 1), ["4 cells", "header has 5"]),
        ("6.5,3", "6.5,3,7,8", (6, 1), ["7 cells", "header has 5"]),
        ("100,100,4.5", "100,1\x0700,4.5", (6, 6), ["U+0007"]),
    ],
)
def test_bad_names_and_cells(old, new, place, words):
    assert PLAIN.count(old) == 1
    faults = faults_of(PLAIN.replace(old, new))
    assert (faults[0].line, faults[0].column) == place
    for word in words:
        assert word in faults[0].message


def test_all_bad_cells_up_to_a_number():
    text = "x_m,y_m\n" + "".join(f"{i},x\n" for i in range(100))
    faults = faults_of(text)
    assert [fault.line for fault in faults[:20]] == list(range(2, 22))
    assert len(faults) == 21 and "and 80 more faults" in faults[-1].message


def test_decimal_commas_between_commas():
    fault = faults_of("x_m,y_m\n1,5,2,5\n2,5,3,5\n3,5,4,5\n4,5,5,5\n")[0]
    assert (fault.line, fault.column) == (2, 1)
    assert "4 cells" in fault.message and "semicolons" in fault.message


def test_one_width_alone():
    fault = only_fault("x_m,y_m,width_left_m\n0,0,5\n9,0,5\n9,9,5\n0,9,5\n")
    assert "without width_right_m" in fault.message


@pytest.mark.parametrize("text", ["", "\n\n", "# nothing\n", ";;;\n"])
def test_an_empty_table(text):
    assert "empty" in only_fault(text).message


def test_no_header():
    fault = only_fault("0,0\n1,0\n1,1\n0,1\n")
    assert (fault.line, fault.column) == (1, 1)
    assert "first line must name the columns" in fault.message
    assert "#" in only_fault("# x_m,y_m\n0,0\n1,0\n1,1\n0,1\n").message


def test_too_few_points():
    assert "at least 4" in only_fault("x_m,y_m\n0,0\n10,0\n").message


def test_degrees_are_recognised():
    text = "x_m,y_m\n11.5,48.1\n11.501,48.1\n11.501,48.101\n11.5,48.101\n"
    assert "latitude and longitude" in only_fault(text).message


def _track(tmp_path, data, extra=""):
    (tmp_path / "points.csv").write_bytes(data)
    text = f"name: x\nclosed: true\ncentreline:\n  csv: points.csv\n{extra}"
    return read_definition(text, str(tmp_path / "t.yaml"))[0].value


@pytest.mark.parametrize(
    "data",
    [
        PLAIN.encode(),
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.replace("\n", "\r").encode(),
        PLAIN.encode("utf-16"),
        PLAIN.replace("an invented", "a Pfälzer").encode("latin-1"),
    ],
    ids=["utf-8", "bom", "crlf", "cr", "utf-16", "latin-1"],
)
def test_a_track_from_a_csv_beside_it(tmp_path, data):
    track = _track(tmp_path, data)
    assert isinstance(track.centreline, PointLine)
    assert track.centreline.points[2] == (100.0, 100.0)
    assert track.centreline.source == str(tmp_path / "points.csv")
    assert track.centreline.source_lines == (3, 5, 6, 8)
    assert track.width_left[2] == Station(200.0, 4.5)
    assert track.bank[2].value == pytest.approx(math.pi / 60)


def test_faults_of_the_table_carry_its_name_and_come_with_those_of_the_track(tmp_path):
    with pytest.raises(InputError) as caught:
        _track(tmp_path, PLAIN.replace("4.5", "four").encode(), "grip: [{from_m: 1, to_m: 2, scale: 90}]\n")
    told = [(fault.file.rpartition("/")[2], fault.line) for fault in caught.value.faults]
    assert told == [("t.yaml", 5), ("points.csv", 6)]


@pytest.mark.parametrize(("extra", "word"), [("width_m: 5\n", "width_m"), ("bank_deg: 0\n", "bank_deg")])
def test_what_the_table_has_may_not_be_given_twice(tmp_path, extra, word):
    with pytest.raises(InputError, match=f"{word} stands beside points"):
        _track(tmp_path, PLAIN.encode(), extra)


def test_a_table_without_widths_needs_them_in_the_track(tmp_path):
    data = b"x_m,y_m\n0,0\n9,0\n9,9\n0,9\n"
    with pytest.raises(InputError, match="width_m is missing"):
        _track(tmp_path, data)
    assert _track(tmp_path, data, "width_m: 4\n").width_left == (Station(0.0, 2.0),)


def test_a_missing_table(tmp_path):
    (tmp_path / "pointz.csv").write_text("x")
    with pytest.raises(InputError) as caught:
        read_definition(
            "name: x\nclosed: true\nwidth_m: 5\ncentreline: {csv: points.csv}\n", str(tmp_path / "t.yaml")
        )
    (fault,) = caught.value.faults
    assert (fault.line, fault.column) == (4, 19)
    assert "no such file" in fault.message and "pointz.csv" in fault.message


@example('\r"')
@settings(max_examples=300, deadline=None)
@given(st.text(st.sampled_from('xym_0123456789.,;\t\n#"-e nan') | st.characters(), max_size=60))
def test_any_text_is_a_table_or_faults(text):
    for whole in (text, "x_m,y_m\n0,0\n9,0\n9,9\n" + text, "x_m;y_m\n" + text):
        try:
            table, _ = parse_points(whole, "p.csv")
        except InputError as error:
            assert all(fault.file == "p.csv" and fault.message for fault in error.faults)
        else:
            assert all(math.isfinite(value) for point in table.points for value in point)
