"""The report in a real browser: opens alone, one cursor everywhere, zoom, replay, telephone, paper, hostile names."""

import os
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from made_comparison import even, invented_drive, made_record, running

from lapwright.outputs.report.page import write_report
from lapwright.outputs.report.panels import LEFT, RIGHT

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
SWITCHES = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
HOSTILE = {
    "driver": "<script>window.caught=1</script> \"Ada' </script><img src=x onerror='window.caught=2'>",
    "log": "a\u2028b\u2029c&amp;</title>.csv",
    "Gate": "Gate</script><script>window.caught=3</script>",
    "Kiln": "$$\\frac{1}{2}$$ \"Kiln\" ' onclick=window.caught=4 x='",
    "track": "Fen <b>Loop</b> ]]> --> <!--",
    "vehicle": "Cup\u202e coupe \x00\x07",
}
"""Names that would run, break the page or call for a typesetter if they were not kept as text."""


def without_browser(words):
    if os.environ.get("LAPWRIGHT_BROWSER_REQUIRED") == "1":
        pytest.fail(words)
    pytest.skip(words)


@pytest.fixture(scope="module")
def browser():
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        without_browser("no playwright here: the report is not tried in a browser")
    named = os.environ.get("LAPWRIGHT_BROWSER")
    path = named or next((found for name in BROWSERS if (found := shutil.which(name))), None)
    with sync_playwright() as play:
        try:
            opened = play.chromium.launch(executable_path=path, args=list(SWITCHES))
        except Error as error:
            without_browser(f"no browser here, set LAPWRIGHT_BROWSER to one: {str(error).splitlines()[0]}")
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def made(lap, circuit):
    target = even(lap)
    return target, invented_drive(target, circuit)


@pytest.fixture(scope="module")
def report(made, circuit, tmp_path_factory):
    target, drive = made
    path = tmp_path_factory.mktemp("report") / "report.html"
    record = made_record(circuit, target, [drive], HOSTILE)
    write_report(path, record, target, circuit, [drive], [running(target, drive)])
    return path


@pytest.fixture(scope="module")
def page(browser, report):
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    opened.heard, opened.asked = [], []
    opened.on(
        "console", lambda said: opened.heard.append(said.text) if said.type in ("error", "warning") else None
    )
    opened.on("pageerror", lambda error: opened.heard.append(str(error)))
    opened.on("request", lambda request: opened.asked.append(request.url))
    opened.goto(report.as_uri())
    opened.wait_for_selector("html[data-ready=yes]", state="attached", timeout=20_000)
    return opened


def cursors(page):
    """Where the cursor of each panel is, in the panel's own scale."""
    return page.evaluate(
        "() => lapReport.facts.panels.map((panel) => lapReport.model('cursor-' + panel.name).location)"
    )


def mark(page, who):
    data = page.evaluate(
        f"() => {{ const d = lapReport.model('mark-{who}').data; return [d.x[0], d.y[0]]; }}"
    )
    return np.array(data, dtype=float)


def settle(page):
    """Wait until what was asked for is drawn."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def test_opens_alone_and_without_a_complaint(page, report):
    assert page.asked == [Path(report).as_uri()]
    assert page.heard == []


def test_names_are_text_and_nothing_else(page):
    assert page.evaluate("() => window.caught") is None
    assert "<script>window.caught=1</script>" in page.inner_text("header")
    assert page.locator("header img, main img").count() == 0
    assert "Gate</script>" in page.inner_text(".corners")
    assert page.title().startswith("Fen <b>Loop</b>")


def test_every_panel_is_painted(page):
    """Each canvas has dots of the reference's blue in it."""
    painted = page.evaluate(
        """() => Array.from(document.querySelectorAll('.plot')).filter((one) => one.id !== 'panel-names').map((one) => {
            const canvases = [];
            const walk = (node) => {
              for (const part of node.querySelectorAll('*')) {
                if (part.tagName === 'CANVAS') canvases.push(part);
                if (part.shadowRoot) walk(part.shadowRoot);
              }
            };
            walk(one);
            let blue = 0;
            for (const canvas of canvases) {
              if (!canvas.width || !canvas.height) continue;
              const dots = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
              for (let i = 0; i < dots.length; i += 4) {
                if (dots[i] < 40 && Math.abs(dots[i + 1] - 114) < 40 && Math.abs(dots[i + 2] - 178) < 40) blue += 1;
              }
            }
            return [one.id, blue];
          })"""
    )
    assert len(painted) == 8  # seven panels and the map
    blank = [name for name, blue in painted if blue < 50 and name != "panel-difference"]
    assert blank == []


def test_one_cursor_in_all_panels_and_on_the_map(page, made):
    """Pointing at a panel: its frame is linear from the first to the last station."""
    target, drive = made
    page.locator("#panel-speed").scroll_into_view_if_needed()
    box = page.locator("#panel-speed").bounding_box()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    settle(page)
    found = cursors(page)
    assert max(found) == min(found)
    share = (0.5 * box["width"] - LEFT) / (box["width"] - LEFT - RIGHT)
    assert found[0] == pytest.approx(share * target.s[-1], abs=0.01 * target.s[-1])
    assert float(page.get_attribute("#where", "data-station")) == pytest.approx(found[0], abs=0.01)
    moved = mark(page, "d1") - mark(page, "ref")
    both = [
        np.array([np.interp(found[0], one.s, one.x), np.interp(found[0], one.s, one.y)])
        for one in (drive.lap, target)
    ]
    assert moved == pytest.approx(both[0] - both[1], abs=0.02)
    shown = float(page.inner_text("[data-value=d1_speed]"))
    assert shown == pytest.approx(3.6 * np.interp(found[0], drive.lap.s, drive.lap.speed), abs=0.6)


def test_the_edges_of_the_road_are_in_sight(page, circuit, made):
    low, high = page.evaluate(
        "() => { const r = lapReport.model('panel-n').y_range; return [r.start, r.end]; }"
    )
    road = circuit.road(made[0].s)
    assert low < -road.width_right.max() and high > road.width_left.max()


def test_arrow_keys_move_the_cursor(page):
    page.locator("body").focus()
    before = cursors(page)[0]
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    settle(page)
    assert cursors(page)[0] == pytest.approx(before + 22.0, abs=1e-3)


def test_zoom_to_a_corner_and_back(page, circuit, made):
    target, _ = made
    corner = circuit.corners[3]
    page.locator("button.corner", has_text=corner.name).click()
    settle(page)
    ends = page.evaluate(
        "() => lapReport.facts.panels.map((p) => { const r = lapReport.model(p.name).x_range; return [r.start, r.end]; })"
    )
    for start, end in ends:
        assert corner.start - 120.0 < start < corner.start and corner.end < end < corner.end + 60.0
    apex = circuit.to_world(np.array([corner.apex]), np.zeros(1))
    middle = np.array([np.mean(circuit.road(target.s).x), np.mean(circuit.road(target.s).y)])
    wide = page.evaluate(
        "() => { const m = lapReport.model('map'); return [m.x_range.start, m.x_range.end, m.y_range.start, m.y_range.end,"
        " m.inner_width, m.inner_height]; }"
    )
    x, y = float(apex[0][0]) - middle[0], float(apex[1][0]) - middle[1]
    assert wide[0] < x < wide[1] and wide[2] < y < wide[3]
    assert (wide[1] - wide[0]) / wide[4] == pytest.approx(
        (wide[3] - wide[2]) / wide[5], rel=1e-6
    )  # a metre is a metre
    page.get_by_role("button", name="Whole lap").click()
    settle(page)
    assert page.evaluate("() => lapReport.model('across').end") == pytest.approx(target.s[-1], abs=0.01)


def test_show_me_goes_to_the_finding(page):
    button = page.locator("button.show").first
    at = float(button.get_attribute("data-at"))
    button.click()
    settle(page)
    assert cursors(page)[0] == pytest.approx(at, abs=0.01)
    start, end = page.evaluate("() => [lapReport.model('across').start, lapReport.model('across').end]")
    assert start <= at <= end
    page.get_by_role("button", name="Whole lap").click()


def test_replay_runs_in_real_time_and_stops(page, made):
    """A second of the wall clock is a second of the lap, for both cars at once."""
    target, drive = made
    page.evaluate("() => lapReport.toMoment(10)")
    begun = page.evaluate(
        "() => { document.getElementById('play').click(); return [performance.now(), lapReport.state.moment]; }"
    )
    page.wait_for_timeout(1200)
    ended = page.evaluate(
        "() => { document.getElementById('play').click(); const s = lapReport.state;"
        " return [performance.now(), s.moment, s.at.ref, s.at.d1, s.playing]; }"
    )
    assert ended[4] is False
    passed = (ended[0] - begun[0]) / 1000.0
    assert passed > 1.0
    assert ended[1] - begun[1] == pytest.approx(passed, abs=0.25)
    assert ended[2] == pytest.approx(np.interp(ended[1], target.t - target.t[0], target.s), abs=0.5)
    assert ended[3] == pytest.approx(np.interp(ended[1], drive.lap.t - drive.lap.t[0], drive.lap.s), abs=0.5)
    assert ended[3] < ended[2]  # the driver is behind
    page.wait_for_timeout(150)
    assert page.evaluate("() => lapReport.state.moment") == ended[1]


def test_replay_at_half_speed_ends_with_the_lap(page, made):
    _, drive = made
    page.get_by_role("button", name="1/2x").click()
    page.evaluate(f"() => lapReport.toMoment({drive.time - 0.2})")
    began = time.perf_counter()
    page.evaluate("() => document.getElementById('play').click()")
    page.wait_for_function("() => !lapReport.state.playing", timeout=5000)
    assert 0.35 < time.perf_counter() - began < 2.5
    assert page.evaluate("() => lapReport.state.at.d1") == pytest.approx(drive.lap.s[-1], abs=0.01)


def test_replay_of_a_corner_begins_and_ends_with_it(page, circuit, made):
    """Both cars at its beginning at once; after that as long on the way, by the clocks of their logs."""
    target, drive = made
    page.get_by_role("button", name="1x").first.click()
    page.locator("button.corner", has_text=circuit.corners[3].name).click()
    begun = page.evaluate(
        "() => { lapReport.play(true); lapReport.play(false); lapReport.toMoment(0); const r = lapReport.model('across');"
        " return [lapReport.state.at.ref, lapReport.state.at.d1, r.start, r.end]; }"
    )
    start, end = begun[2:]
    assert begun[:2] == pytest.approx([start, start], abs=0.01)
    took = np.diff(np.interp([start, end], drive.lap.s, drive.lap.t))[0]
    page.evaluate(
        "() => { lapReport.toMoment(1e9); lapReport.toMoment(lapReport.state.moment - 0.3); lapReport.play(true); }"
    )
    page.wait_for_function("() => !lapReport.state.playing", timeout=5000)
    both = page.evaluate("() => [lapReport.state.at.ref, lapReport.state.at.d1]")
    ahead = np.interp(np.interp(start, target.s, target.t) + took, target.t, target.s)
    assert both == pytest.approx([ahead, end], abs=0.5)
    page.get_by_role("button", name="Whole lap").click()


def test_wheel_and_pedals_follow_the_log(page, made):
    _, drive = made
    s = float(drive.lap.s[np.argmax(drive.lap.steering_wheel)])
    page.evaluate(f"() => lapReport.toPlace({s})")
    settle(page)
    turned = page.get_attribute("[data-turn=d1_wheel]", "transform")
    angle = float(turned.removeprefix("rotate(").split()[0])
    assert angle == pytest.approx(
        -np.degrees(drive.lap.steering_wheel.max()), abs=0.3
    )  # left: against the clock
    width = page.evaluate("() => document.querySelector('[data-level=d1_throttle]').style.width")
    assert float(width.removesuffix("%")) == pytest.approx(
        100.0 * np.interp(s, drive.lap.s, drive.lap.throttle), abs=0.2
    )


def test_a_telephone_shows_it_without_moving_it_sideways(page):
    page.set_viewport_size({"width": 360, "height": 740})
    page.wait_for_timeout(200)
    wide, room = page.evaluate("() => [document.documentElement.scrollWidth, window.innerWidth]")
    assert wide <= room
    assert page.evaluate("() => parseFloat(getComputedStyle(document.body).fontSize)") >= 16.0
    small = page.evaluate(
        "() => Array.from(document.querySelectorAll('button')).filter((b) => b.offsetParent && b.offsetHeight < 40).length"
    )
    assert small == 0  # a finger needs about 9 mm (common practice)
    names = (
        "() => ['strip-names', 'map-names'].map((n) => lapReport.model(n).data.shown.filter(Boolean).length)"
    )
    few = page.evaluate(names)
    assert min(few) > 0
    page.set_viewport_size({"width": 1280, "height": 900})
    page.wait_for_timeout(200)
    assert all(more > fewer for more, fewer in zip(page.evaluate(names), few, strict=True))


def test_paper_has_findings_tables_and_still_traces(page):
    page.emulate_media(media="print")
    assert page.is_visible("#findings table") and page.is_visible("#parts table")
    assert page.is_visible(".still") and not page.is_visible("#show")
    assert page.locator(".still path").count() >= 14  # two laps in seven panels
    assert not page.is_visible("#corners")
    page.evaluate("() => { document.querySelector('#corners details').open = true; }")
    assert page.is_visible("#corners h2") and page.locator("#corners table").first.is_visible()
    page.emulate_media(media="screen")
    assert not page.is_visible(".still") and page.is_visible("#show")
    assert page.heard == []
