"""Bytes of files as text: encodings, binaries, folders, names that are nearly right."""

import os
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_files import TRACK, VEHICLE

import lapwright
from lapwright.errors import InputError
from lapwright.inputs.files import load_any
from lapwright.inputs.source import read_text


def fault_of(path, **options):
    with pytest.raises(InputError) as caught:
        read_text(path, **options)
    (fault,) = caught.value.faults
    assert fault.file == str(path)
    return fault


@pytest.mark.parametrize(
    "data",
    [
        "a: ü\nb: 1\n".encode(),
        "\ufeffa: ü\nb: 1\n".encode(),
        "a: ü\r\nb: 1\r\n".encode(),
        "a: ü\rb: 1\r".encode(),
        "a: ü\nb: 1\n".encode("utf-16"),
        "\ufeffa: ü\nb: 1\n".encode("utf-16-be"),
    ],
    ids=["utf-8", "bom", "crlf", "cr", "utf-16", "utf-16-be"],
)
def test_encodings_and_line_ends(tmp_path, data):
    path = tmp_path / "f.yaml"
    path.write_bytes(data)
    assert read_text(path) == "a: ü\nb: 1\n"


def test_latin_1_is_told_with_its_place(tmp_path):
    path = tmp_path / "f.yaml"
    path.write_bytes("a: 1\nname: Pfälzer\n".encode("latin-1"))
    fault = fault_of(path)
    assert (fault.line, fault.column) == (2, 9)
    assert "0xE4" in fault.message and "UTF-8" in fault.message
    assert "Pfälzer" in read_text(path, latin=True)


@pytest.mark.parametrize(
    ("data", "place"),
    [(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", (3, 1)), (b"a: 1\nb: \0", (2, 4)), (bytes(range(256)), (1, 1))],
)
def test_binary_files(tmp_path, data, place):
    path = tmp_path / "f.yaml"
    path.write_bytes(data)
    fault = fault_of(path)
    assert (fault.line, fault.column) == place
    assert "binary" in fault.message


def test_broken_utf_16(tmp_path):
    path = tmp_path / "f.yaml"
    path.write_bytes("a: 1\n".encode("utf-16") + b"\x00")
    assert "UTF-16" in fault_of(path).message


def test_a_missing_file_names_the_nearest(tmp_path):
    (tmp_path / "cup-coupe.yaml").write_text("a: 1\n")
    fault = fault_of(tmp_path / "cup-cupe.yaml")
    assert "no such file" in fault.message and "cup-coupe.yaml" in fault.message
    assert "folder" in fault_of(tmp_path / "nowhere" / "x.yaml").message


def test_a_folder_and_other_things(tmp_path):
    assert "folder" in fault_of(tmp_path).message
    os.mkfifo(tmp_path / "pipe")
    assert "not an ordinary file" in fault_of(tmp_path / "pipe").message
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    assert fault_of(loop).message
    assert fault_of("a\0b").message


def test_a_file_that_is_too_large(tmp_path):
    path = tmp_path / "f.yaml"
    path.write_text("a" * 2000)
    assert "are read" in fault_of(path, max_bytes=1000).message


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path):
    path = tmp_path / "f.yaml"
    path.write_text("a: 1\n")
    path.chmod(0)
    assert "cannot be read" in fault_of(path).message


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_text_or_a_fault(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any.bin"
    path.write_bytes(data)
    for latin in (False, True):
        try:
            assert isinstance(read_text(path, latin=latin), str)
        except InputError as error:
            assert error.faults[0].message


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from([VEHICLE.encode(), TRACK.encode()]),
    st.integers(0, 1500),
    st.integers(0, 12),
    st.binary(max_size=4)
    | st.sampled_from([b"\t", b"*a", b"&a ", b"- ", b": ", b"[", b"}", b"#", b"'", b"|\n", b"1e9"]),
)
def test_files_spoilt_anywhere_never_raise_anything_else(tmp_path_factory, data, at, length, patch):
    path = tmp_path_factory.getbasetemp() / "spoilt.yaml"
    path.write_bytes(data[:at] + patch + data[at + length :])
    for load in (lapwright.load_vehicle, lapwright.load_track, load_any):
        try:
            load(path)
        except InputError as error:
            assert all(fault.file and fault.message for fault in error.faults)
        except UserWarning:
            pass


KEYS = """
name closed centreline elements points_m csv width_m left right at_m value elevation_m bank_deg grip
from_m to_m scale corners landmarks straight_m radius_m angle_deg turn ramp_m chassis mass_kg aero tyres
front rear model driveline driven engine_rpm gear_ratios differential type brakes grip_g power_kW
"""


def test_floods_and_monsters_end_soon_and_briefly(tmp_path):
    path = tmp_path / "f.yaml"
    texts = {
        "unknown keys": VEHICLE + "".join(f"key{i}: 1\n" for i in range(100_000)),
        "only unknown keys": "".join(f"kee{i}: 1\n" for i in range(100_000)),
        "items with unknown keys": TRACK.replace(
            "[{name: board, at_m: 50}]", "[" + "{nam: x, at: 5}, " * 50_000 + "]"
        ),
        "a long key": TRACK + "k" * 100_000 + ": 1\n",
        "a long value": TRACK.replace("true", "t" * 1_000_000),
        "a long number": TRACK.replace("11", "1_" * 500_000 + "x"),
        "many digits": TRACK.replace("11", "1" * 1_000_000),
        "a long text": TRACK.replace("Sample ring", "n" * 1_000_000),
    }
    for name, text in texts.items():
        path.write_text(text)
        start = time.perf_counter()
        with pytest.raises(InputError) as caught:
            load_any(path)
        assert time.perf_counter() - start < 15.0, name
        assert len(caught.value.faults) <= 102, name
        assert max(len(str(fault)) for fault in caught.value.faults) < 1000, name


_keys = st.sampled_from(KEYS.split())
_scalars = st.sampled_from(
    [
        "1",
        "-1",
        "0",
        "1e3",
        "1e308",
        "1e999",
        ".nan",
        "true",
        "yes",
        "left",
        "all",
        "friction_circle",
        "x",
        "''",
        "~",
    ]
)
_nodes = st.recursive(
    _scalars,
    lambda inner: (
        st.lists(inner, max_size=5).map(lambda items: "[" + ", ".join(items) + "]")
        | st.lists(st.tuples(_keys, inner), max_size=6).map(
            lambda pairs: "{" + ", ".join(f"{key}: {value}" for key, value in pairs) + "}"
        )
    ),
    max_leaves=25,
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(_keys, _nodes), min_size=1, max_size=8))
def test_known_keys_in_any_arrangement_never_raise_anything_else(tmp_path_factory, pairs):
    path = tmp_path_factory.getbasetemp() / "arranged.yaml"
    path.write_text("".join(f"{key}: {value}\n" for key, value in pairs))
    for load in (lapwright.load_vehicle, lapwright.load_track, load_any):
        try:
            load(path)
        except InputError as error:
            assert all(fault.line and fault.column for fault in error.faults)
