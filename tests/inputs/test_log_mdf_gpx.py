"""MDF 4 files written by asammdf and GPX written by gpxpy, read back."""

import datetime
import gc
import sys

import numpy as np
import pytest
from made_tables import drive, plain, save, table

from lapwright.errors import InputError
from lapwright.inputs.channel_map import read_channel_map
from lapwright.inputs.log_file import load_log, propose_map
from lapwright.inputs.log_gpx import smooth_speed

START = datetime.datetime(2031, 5, 4, 14, 15, tzinfo=datetime.UTC)


def mdf(folder, channels, version="4.10", name="log.mf4"):
    """A file of channels (name, unit, times, values), each in a group of its own."""
    from asammdf import MDF, Signal

    handle = MDF(version=version)
    for title, unit, t, values in channels:
        encoding = "latin-1" if values.dtype.kind == "S" else None
        handle.append([Signal(samples=values, timestamps=t, name=title, unit=unit, encoding=encoding)])
    path = folder / name
    handle.save(path, overwrite=True)
    handle.close()
    return path if path.exists() else next(folder.glob("log.*"))


def channels(made):
    return [
        ("Speed", "km/h", made.t + 5.0, made.speed * 3.6),
        ("Throttle", "%", made.t[::2] + 5.0, (made.throttle * 100.0)[::2]),
        ("Oil temp", "C", made.t + 5.0, made.t),
        ("State", "", made.t + 5.0, np.full(made.t.size, b"abc")),
    ]


def test_mdf_channels_keep_their_own_times(tmp_path):
    made = drive()
    log = load_log(mdf(tmp_path, channels(made)))
    assert set(log.signals) == {"speed", "throttle"}
    assert np.allclose(log.signals["speed"].values, made.speed)
    assert np.allclose(log.signals["speed"].t, made.t)
    assert np.allclose(log.signals["throttle"].t, made.t[::2])
    assert log.place("speed", 0) == (0, 0) and log.driver == "log"


def test_mdf_by_the_map_that_is_proposed(tmp_path):
    made = drive()
    path = mdf(tmp_path, channels(made))
    proposal = propose_map(path)
    assert proposal.sure and proposal.time is None
    assert set(read_channel_map(proposal.text).channels) == {"speed", "throttle"}
    chart = save(tmp_path, proposal.text, "map.yaml")
    assert np.array_equal(
        load_log(path, chart).signals["speed"].values, load_log(path).signals["speed"].values
    )


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
def test_mdf_faults(tmp_path):
    made = drive()
    chart = save(tmp_path, "channels: {speed: {column: State, unit: km/h}}", "map.yaml")
    with pytest.raises(InputError, match="does not hold plain numbers"):
        load_log(mdf(tmp_path, channels(made)), chart)
    broken = tmp_path / "broken.mf4"
    broken.write_bytes((tmp_path / "log.mf4").read_bytes()[:300])
    with pytest.raises(InputError, match="cannot be read as ASAM MDF 4"):
        load_log(broken)
    with pytest.raises(InputError, match="does not begin as ASAM MDF"):
        load_log(save(tmp_path, "abc", "no.mf4"))


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
def test_spoilt_mdf_gives_a_log_or_faults_and_nothing_on_standard_error(tmp_path, capfd):
    made, random = drive(), np.random.default_rng(5)
    good = mdf(tmp_path, channels(made)).read_bytes()
    broken = tmp_path / "broken.mf4"
    told = set()
    for number in range(24):
        data = bytearray(good)
        if number % 2:
            data = data[: int(random.integers(64, len(data)))]
        else:
            for place in random.integers(64, len(data), 20):
                data[place] = int(random.integers(256))
        broken.write_bytes(data)
        try:
            assert load_log(broken).has("speed")
        except InputError as error:
            told.add(error.faults[0].message.split(":")[0])
    assert "the file cannot be read as ASAM MDF 4" in told
    gc.collect()
    assert capfd.readouterr().err == ""


def test_mdf_3_is_refused_in_words(tmp_path):
    path = mdf(tmp_path, channels(drive())[:1], "3.30", "old.mdf")
    with pytest.raises(InputError, match=r"MDF 3\.30; MDF 4 is read"):
        load_log(path)


def gpx(folder, made, every=2, speed=False, change=None):
    """A track of every so many places, one of them changed."""
    import gpxpy.gpx

    content, track = gpxpy.gpx.GPX(), gpxpy.gpx.GPXTrack()
    segment = gpxpy.gpx.GPXTrackSegment()
    for k in range(0, made.t.size, every):
        point = gpxpy.gpx.GPXTrackPoint(
            47.0 + made.y[k] / 111_170.0,
            -24.0 + made.x[k] / 76_060.0,
            time=START + datetime.timedelta(seconds=float(made.t[k])),
        )
        if speed:
            point.speed = float(made.speed[k])
        segment.points.append(point)
    if change is not None:
        change(segment.points)
    track.segments.append(segment)
    content.tracks.append(track)
    return save(folder, content.to_xml("1.0" if speed else "1.1"), "log.gpx")


def test_gpx_places_and_speed_from_them(tmp_path):
    made = drive()
    log = load_log(gpx(tmp_path, made))
    assert set(log.signals) == {"speed", "x", "y"} and log.geographic
    assert np.allclose(log.signals["speed"].t, made.t[::2], atol=1e-6)
    # A kilometre of degrees of fixed size is not quite a kilometre: 2 parts in a thousand, and the window rounds the peaks.
    inner = slice(10, -10)
    assert np.max(np.abs(log.signals["speed"].values - made.speed[::2])[inner]) < 0.4
    assert any("made from the places" in str(notice) for notice in log.notices)


def test_gpx_with_speeds_of_its_own(tmp_path):
    made = drive()
    log = load_log(gpx(tmp_path, made, speed=True))
    assert np.allclose(log.signals["speed"].values, made.speed[::2], atol=1e-4)
    assert log.notices == ()


def test_gpx_with_speeds_in_another_unit(tmp_path):
    made = drive()

    def spoil(points):
        for point in points:
            point.speed *= 3.6

    log = load_log(gpx(tmp_path, made, speed=True, change=spoil))
    assert np.max(np.abs(log.signals["speed"].values - made.speed[::2])[10:-10]) < 0.4
    # 1 / 3.6 is 0.278; the degrees of fixed size cost the rest.
    assert "the places go 0.277 times as fast" in log.notices[0].message


def test_gpx_places_that_are_not_on_the_globe(tmp_path):
    def spoil(points):
        points[5].latitude, points[9].longitude = 95.0, float("nan")

    log = load_log(gpx(tmp_path, drive(), change=spoil))
    assert log.signals["x"].t.size == 398
    message = log.notices[0].message
    assert "2 impossible places" in message and "point 6: latitude 95.0" in message


def test_speed_of_a_parabola_is_exact_and_noise_is_made_less():
    # Closed form: constant acceleration on a straight. Savitzky and Golay's quadratic slope over n points has the variance
    # 12 sigma2 / (n (n2 - 1) h2) (Anal. Chem. 36 (1964) 1627; it is that of a straight line's slope in least squares).
    t = np.arange(0.0, 30.0, 0.1)
    speed = smooth_speed(t, 20.0 * t + 0.5 * t**2, np.zeros(t.size))
    assert np.allclose(speed, 20.0 + t, atol=1e-8)
    noise = np.random.default_rng(5).normal(0.0, 0.5, (2, 20_000))
    t = np.arange(20_000) * 0.1
    error = smooth_speed(t, 30.0 * t + noise[0], noise[1])[20:-20] - 30.0
    assert np.std(error) == pytest.approx(np.sqrt(12.0 * 0.25 / (11 * 120 * 0.01)), rel=0.08)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda points: setattr(points[5], "time", None), "1 of 400 points have no time: 6"),
        (lambda points: setattr(points[7], "time", START), "runs backwards at point 8"),
        (lambda points: points.__delitem__(slice(50, None)), "has 50 points; at least 100"),
        (lambda points: points.clear(), "there is no track"),
    ],
)
def test_gpx_faults(tmp_path, change, words):
    with pytest.raises(InputError) as error:
        load_log(gpx(tmp_path, drive(), change=change))
    assert words in str(error.value)


def test_gpx_that_is_broken_or_has_a_map(tmp_path):
    path = gpx(tmp_path, drive())
    chart = save(tmp_path, "driver: Ada Quill\nchannels: {speed: {column: V, unit: km/h}}", "map.yaml")
    log = load_log(path, chart)
    assert log.driver == "Ada Quill" and "is not used but for the driver" in str(log.notices[0])
    with pytest.raises(InputError, match="needs no channel map"):
        propose_map(path)
    path.write_text(path.read_text()[:4000])
    with pytest.raises(InputError, match=r"cannot be read as GPX 1\.1"):
        load_log(path)


@pytest.mark.parametrize(("library", "extra", "suffix"), [("asammdf", "mdf", "mf4"), ("gpxpy", "gpx", "gpx")])
def test_a_missing_extra_is_told(tmp_path, monkeypatch, library, extra, suffix):
    made = drive()
    path = mdf(tmp_path, channels(made)) if suffix == "mf4" else gpx(tmp_path, made)
    for name in [name for name in sys.modules if name.split(".")[0] == library]:
        monkeypatch.delitem(sys.modules, name)
    # None in sys.modules makes the import fail (the Python Language Reference, 5.3.1).
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(InputError) as error:
        load_log(path)
    assert f"pip install 'lapwright[{extra}]'" in str(error.value)
    assert set(load_log(save(tmp_path, table(plain()))).signals) >= {"speed"}
