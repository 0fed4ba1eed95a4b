"""The journal of a sweep: what is written stays, what is damaged is told and left out.

The line of a case is checked against JSON as the standard library reads it and against its CRC-32 (zlib, as gzip has it).
"""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
import zlib

import pytest

from lapwright.errors import InputError, InputNotice
from lapwright.study.cases import COLD, NO_SOLUTION, SOLVED, Answer, CaseResult, CornerNumbers
from lapwright.study.journal import journal_text, open_journal, work_folder

CORNERS = (CornerNumbers("Löss", 4.1 / 3, None, 21.0), CornerNumbers('"T2"', 1e-17, 81.25, 0.1 + 0.2))
RESULTS = (
    CaseResult("aa", SOLVED, "", 71.1 / 7, 1e-3 / 3, 41, COLD, 0.7, CORNERS),
    CaseResult("bb", NO_SOLUTION, "no way\nround", iterations=9, begun=COLD, seconds=0.3),
    CaseResult("cc", SOLVED, "", 70.0, 0.002, 12, "neighbour", 0.2, CORNERS[:1]),
)


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "out.unfinished"
    with open_journal(place) as journal:
        for result in RESULTS:
            journal.add(
                Answer(result, b"begin " + result.key.encode() if result.lap_time else None), keep=True
            )
    return place


@pytest.fixture(autouse=True)
def _notices_are_errors():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def test_what_was_added_is_there_again(folder):
    with open_journal(folder) as journal:
        assert tuple(journal.results.values()) == RESULTS
        assert journal.start("aa") == b"begin aa"
        assert journal.start("bb") is None
        assert journal.without_start == {"bb"}


def test_lines_are_json_with_the_checksum_of_what_stands_before_it(folder):
    lines = (folder / "cases.jsonl").read_bytes().splitlines()
    assert len(lines) == 3
    for line, result in zip(lines, RESULTS, strict=True):
        fields = json.loads(line)
        assert (fields["key"], fields["lap_time"], fields["words"]) == (
            result.key,
            result.lap_time,
            result.words,
        )
        before = line[: line.rindex(b',"crc32"')]
        assert fields["crc32"] == f"{zlib.crc32(before):08x}"


@pytest.mark.parametrize("cut", [1, 2, 30, 150])
def test_a_torn_last_line_is_cut_off(folder, cut):
    path = folder / "cases.jsonl"
    data = path.read_bytes()
    path.write_bytes(data[:-cut])
    with open_journal(folder) as journal:
        assert list(journal.results) == ["aa", "bb"]
        journal.add(Answer(RESULTS[2], b"again"), keep=True)
    assert path.read_bytes() == data
    with open_journal(folder) as journal:
        assert tuple(journal.results.values()) == RESULTS
        assert journal.start("cc") == b"again"


def test_zeros_of_a_lost_power_are_cut_off(folder):
    with (folder / "cases.jsonl").open("ab") as handle:
        handle.write(bytes(4096))
    with open_journal(folder) as journal:
        assert tuple(journal.results.values()) == RESULTS


@pytest.mark.parametrize("where", ["digit", "word", "seal", "zeros"])
def test_a_damaged_line_is_told_and_left_out(folder, where):
    path = folder / "cases.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    old, new = {
        "digit": (b'"iterations":9', b'"iterations":8'),
        "word": (b'"no way', b'"No way'),
        "seal": (b'"crc32"', b'"crc33"'),
        "zeros": (lines[1][10:20], bytes(10)),
    }[where]
    assert old in lines[1]
    path.write_bytes(lines[0] + lines[1].replace(old, new) + lines[2])
    with pytest.warns(InputNotice, match=r"cases\.jsonl:2: this line is damaged") as told:
        journal = open_journal(folder)
    with journal:
        assert len(told) == 1
        assert list(journal.results) == ["aa", "cc"]


@pytest.mark.parametrize("harm", ["short", "long", "bit", "empty"])
def test_a_damaged_start_is_none(folder, harm):
    path = folder / "starts" / "aa.bin"
    data = path.read_bytes()
    path.write_bytes(
        {"short": data[:-1], "long": data + b"\0", "bit": data[:-1] + bytes([data[-1] ^ 4]), "empty": b""}[
            harm
        ]
    )
    with open_journal(folder) as journal:
        assert journal.start("aa") is None
        assert journal.start("cc") == b"begin cc"


def test_a_start_made_again_leaves_the_result_as_it_was(folder):
    before = (folder / "cases.jsonl").read_bytes()
    (folder / "starts" / "aa.bin").unlink()
    other = CaseResult("aa", SOLVED, lap_time=1.0)
    with open_journal(folder) as journal:
        journal.add(Answer(other, b"begin aa"), keep=True)
        assert journal.results["aa"] == RESULTS[0]
        assert journal.start("aa") == b"begin aa"
    assert (folder / "cases.jsonl").read_bytes() == before


def test_a_second_run_on_the_same_folder_is_refused(folder):
    with open_journal(folder):
        with pytest.raises(InputError, match="another sweep is writing here"):
            open_journal(folder)
        program = f"from lapwright.study.journal import open_journal; open_journal({str(folder)!r})"
        other = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
        assert "another sweep is writing here" in other.stderr
    open_journal(folder).close()


def test_fresh_forgets(folder, tmp_path):
    earlier = tmp_path / "cases.jsonl"
    earlier.write_text(journal_text(RESULTS), encoding="ascii")
    with open_journal(folder, earlier, fresh=True) as journal:
        assert journal.results == {}
        assert journal.start("aa") is None


def test_a_finished_result_is_known_without_its_starts(tmp_path):
    earlier = tmp_path / "cases.jsonl"
    earlier.write_text(journal_text([*RESULTS, RESULTS[0]]), encoding="ascii")
    assert len(earlier.read_text().splitlines()) == 3
    with open_journal(tmp_path / "work", earlier) as journal:
        assert [r.lap_time for r in journal.results.values()] == [r.lap_time for r in RESULTS]
        assert journal.results["aa"].corners == CORNERS
        assert {r.seconds for r in journal.results.values()} == {0.0}
        assert journal.start("aa") is None
        # Nobody asked for the start of bb there, so it is not known that there is none.
        assert journal.without_start == set()


def test_discarding_removes_the_folder(folder):
    open_journal(folder).discard()
    assert not folder.exists()


def test_a_folder_of_somebody_else_is_refused(tmp_path):
    folder = tmp_path / "out.unfinished"
    folder.mkdir()
    (folder / "thesis.tex").write_text("years of work")
    with pytest.raises(InputError, match=r"other files \(thesis\.tex\)"):
        open_journal(folder)
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="is a file"):
        open_journal(tmp_path / "file")


def test_the_work_folder_is_beside_the_destination_and_follows_a_link(tmp_path):
    assert work_folder(tmp_path / "out") == tmp_path / "out.unfinished"
    (tmp_path / "disk").mkdir()
    (tmp_path / "disk" / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "disk" / "real")
    assert work_folder(tmp_path / "link") == tmp_path.resolve() / "disk" / "real.unfinished"
