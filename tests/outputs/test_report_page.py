"""The report as a file: alone, small, whole, all of the record in it, and text that stays text."""

import html
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from made_comparison import HAVE, even, invented_drive, made_record, running

from lapwright.outputs.report.columns import traces
from lapwright.outputs.report.markup import escaped, json_script, tag
from lapwright.outputs.report.page import report_text, write_report
from lapwright.quantities import CAUTION

SMALLEST_SCREEN_FILE = 4e6
"""Bytes that a report may have at most: it is sent round by mail."""


@pytest.fixture(scope="module")
def case(lap, circuit):
    target = even(lap)
    bare = HAVE - {"line", "brake", "steering", "accel_lat"}
    drives = [invented_drive(target, circuit), invented_drive(target, circuit, "Ben Tarn", 0.6, bare)]
    return made_record(circuit, target, drives), target, drives, [running(target, drive) for drive in drives]


@pytest.fixture(scope="module")
def text(case, circuit):
    record, target, drives, run = case
    return report_text(record, target, circuit, drives, run)


class Reader(HTMLParser):
    """The standard library's parser: what stands outside scripts and styles, and whether elements close in order."""

    def __init__(self, text):
        super().__init__()
        self.open, self.words, self.wrong, self.links = [], [], [], []
        self.feed(text)

    def handle_starttag(self, name, attributes):
        self.links += [
            value for key, value in attributes if key in ("src", "href", "srcset", "action", "data")
        ]
        if name not in ("meta", "input", "br", "img", "link"):
            self.open.append(name)

    def handle_endtag(self, name):
        if not self.open or self.open.pop() != name:
            self.wrong.append(name)

    def handle_data(self, data):
        if not {"script", "style"} & set(self.open):
            self.words.append(data)


def words(text):
    return " ".join(" ".join(Reader(text).words).split())


def test_one_file_that_asks_for_nothing(text):
    """No element names a file or an address, no stylesheet imports one (WHATWG HTML: src, href; CSS: url, @import)."""
    read = Reader(text)
    assert read.links == [] and read.wrong == [] and read.open == []
    style = "".join(re.findall(r"<style>(.*?)</style>", text, re.S))
    assert "url(" not in style and "@import" not in style
    assert "default-src" in text and "connect-src" not in text
    assert len(text.encode()) < SMALLEST_SCREEN_FILE


def signed(value):
    shown = f"{value:+.3f} s"
    return shown[1:] if round(value, 3) == 0.0 else shown


def test_everything_of_the_record_is_said(text, case):
    record, *_ = case
    said = words(text)
    assert CAUTION in said and record["notices"][0] in said
    for driver in record["drivers"]:
        assert driver["name"] in said and driver["log"] in said
        assert all(finding["words"] in said and finding["corner"] in said for finding in driver["findings"])
        assert all(one["words"] in said for one in driver["try_next"])
        assert all(one["words"] in said and one["goes_with"] in said for one in driver["along"])
        rows = [*driver["parts"], *(phase for part in driver["parts"] for phase in part.get("phases", ()))]
        assert all(row["name"] in said for row in rows)
        assert all(signed(row[key]) in said for row in rows for key in ("difference_s", "caused_s"))
        assert driver["line_words"] in said and driver["smoothness"]["definition"] in said
        assert all(lap["status"] in said for lap in driver["laps"])
        assert driver["notices"][0] in said
        assert all(
            one["words"] in said and one["kind"] in said
            for key, one in driver["fit"].items()
            if isinstance(one, dict)
        )
        assert driver["fit"]["asks_more"][0]["words"] in said and driver["several"]["trend"]["words"] in said
    assert "58.002 s" in said and "+1.32 s" in said and "reference 56.682 s" in said


def test_findings_come_before_pictures_and_tables(text):
    places = [
        text.index(mark)
        for mark in ('class="caution"', 'id="findings"', 'id="show"', 'id="parts"', 'id="corners"')
    ]
    assert places == sorted(places)


def test_what_was_not_logged_is_said(text):
    said = words(text)
    for missing in ("no brake", "no steering", "no place on the road", "no acceleration"):
        assert f"Ben Tarn: {missing} in the log" in said
    assert "No place was logged: nothing is said about the line." in said
    assert "Ada Quill: no brake" not in said


def test_a_report_without_findings_or_several_laps_is_whole(case, circuit):
    record, target, drives, run = case
    bare = {**record["drivers"][0], "findings": [], "style": [], "try_next": [], "several": None, "fit": None}
    bare["smoothness"] = {"definition": "", "brake": [], "steering": []}
    made = report_text({**record, "drivers": [bare]}, target, circuit, drives[:1], run[:1])
    read = Reader(made)
    assert read.wrong == [] and "No difference costs more than the threshold." in words(made)


def test_columns_are_the_laps_and_nothing_that_was_not_logged(case, circuit):
    record, target, drives, run = case
    found = traces(record, target, circuit, drives, run)
    assert found.rows == target.s.size
    assert not any(found.has(f"d2_{name}") for name in ("brake", "wheel", "n", "x", "y", "g"))
    assert found.values["d1_speed"] == pytest.approx(3.6 * drives[0].lap.speed, rel=1e-6)
    assert found.values["d1_difference"] == pytest.approx(run[0], abs=1e-6)
    x = found.values["ref_x"] + found.origin[0]
    assert x == pytest.approx(target.x, abs=1e-3)


def test_a_corner_across_the_line_has_its_road_in_one_piece(case, circuit):
    """Rows after the line repeat the beginning of the lap; the running difference goes on from what it was."""
    record, target, drives, run = case
    part = {**record["drivers"][0]["parts"][1], "start_m": circuit.length - 60.0, "end_m": 120.0}
    moved = {**record, "drivers": [{**record["drivers"][0], "parts": [part]}]}
    found = traces(moved, target, circuit, drives[:1], run[:1])
    assert found.values["s"][-1] == pytest.approx(circuit.length + 200.0, abs=1.5)
    assert (np.diff(found.values["s"]) > 0).all()
    assert (np.diff(found.values["ref_t"]) > 0).all() and (np.diff(found.values["d1_t"]) > 0).all()
    more = found.values["s"].size - found.rows
    assert found.values["d1_difference"][-1] == pytest.approx(run[0][-1] + run[0][more], abs=1e-4)


def test_laps_on_other_stations_are_refused(case, circuit, tmp_path):
    record, target, drives, run = case
    path = tmp_path / "report.html"
    with pytest.raises(ValueError, match="running"):
        write_report(path, record, target, circuit, drives, [one[:-1] for one in run])
    assert not path.exists()


HOSTILE = "</script><script>alert(1)</script><!-- ]]> \" ' & \u2028\u2029\u202e\x00 $$x$$"


def test_text_stays_text():
    """Against the standard library: unescaping gives the text back, and the parser sees one element only."""
    made = tag("p", HOSTILE, title=HOSTILE)
    kept = HOSTILE.replace("\u2028\u2029\u202e\x00", "  ")
    read = Reader(made)
    assert read.wrong == [] and "".join(read.words) == kept
    assert html.unescape(escaped(HOSTILE)) == kept
    data = json_script("x", {HOSTILE: [HOSTILE, 1.5, None]})
    inside = data.removeprefix('<script type="application/json" id="x">').removesuffix("</script>")
    assert not set("<>&\u2028\u2029") & set(inside)
    assert json.loads(inside) == {HOSTILE: [HOSTILE, 1.5, None]}


def test_a_name_meets_no_element_anywhere_in_the_file(case, circuit):
    _, target, drives, run = case
    names = {
        key: f"<i>{key}</i>\"'</script>" for key in ("driver", "log", "track", "vehicle", "Gate", "Weir")
    }
    made = report_text(made_record(circuit, target, drives, names), target, circuit, drives, run)
    assert "<i>driver" not in made and "<i>Gate" not in made and "<i>log" not in made
    assert Reader(made).wrong == []
