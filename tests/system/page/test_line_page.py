"""The Line view of the real demo in a real browser: what it says, and how hands and keys move it."""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

WHOLE_US = 63.5


@dataclass
class LinePage:
    """The page with the Line view open, and what it asked the daemon for."""

    seen: Any
    asked: list[dict[str, Any]]

    @property
    def page(self) -> Any:
        return self.seen.page

    def window_us(self) -> tuple[float, float]:
        """From where to where the line shows."""
        from_us, to_us = self.page.eval_on_selector(
            "[data-line-plate]", "({ dataset }) => [dataset.fromUs, dataset.toUs]"
        )
        return float(from_us), float(to_us)

    def window_at_rest_us(self) -> tuple[float, float]:
        """From where to where it shows once it glides no further: it was said twice, and is the same."""
        self.page.eval_on_selector(
            "[data-line-plate]",
            """plate => new Promise(rests => { let last = null; new MutationObserver((_, observer) => {
            const now = `${plate.dataset.fromUs} ${plate.dataset.toUs}`;
            if (now === last) { observer.disconnect(); rests(); }
            last = now; }).observe(plate, { attributeFilter: ['data-to-us'] }); })""",
        )
        return self.window_us()

    def wait_for_span(self, least_us: float, most_us: float) -> tuple[float, float]:
        """Wait until so much of the line shows, and rests."""
        self.page.wait_for_function(
            "([least, most]) => { const { fromUs, toUs } = document.querySelector('[data-line-plate]').dataset;"
            " return toUs - fromUs >= least && toUs - fromUs <= most; }",
            arg=[least_us, most_us],
        )
        return self.window_at_rest_us()

    def wait_for_text(self, part: str, pattern: str) -> str:
        """Wait until that part's words match; gives those that did, which may be others a moment later."""
        words = self.page.wait_for_function(
            "([part, pattern]) => { const words = document.querySelector(`[data-line-${part}]`).textContent.replace(/\\s/g, ' ');"
            " return new RegExp(pattern).test(words) && words; }",
            arg=[part, pattern],
            timeout=30_000,
        )
        return str(words.json_value())

    def at(self, part: float) -> tuple[float, float]:
        """The point in the first lane where that part of the canvas's width is."""
        box = self.page.locator("[data-line-canvas]").bounding_box()
        return box["x"] + part * box["width"], box["y"] + 60

    def wait_until_asked(self, wanted: str) -> None:
        """Wait until the last request to the daemon matches."""
        for _ in range(400):
            if self.asked and re.search(wanted, json.dumps(self.asked[-1])):
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"{wanted}: {self.asked[-3:]}")


@pytest.fixture(scope="module")
def opened(lasting_demo: Any, open_lasting_page: Any) -> LinePage:
    asked: list[dict[str, Any]] = []

    def listen(page: Any) -> None:
        page.on("websocket", lambda socket: socket.on("framesent", lambda data: asked.append(json.loads(data))))

    seen = open_lasting_page(f"{lasting_demo.url}#line", before=listen)
    seen.url = lasting_demo.url
    return LinePage(seen, asked)


@pytest.fixture
def line(opened: LinePage) -> Iterator[LinePage]:
    """The Line view as it was opened, with a line on it."""
    opened.wait_for_text("why", "mean of its highest flat")
    yield opened
    opened.page.set_viewport_size({"width": 1280, "height": 800})
    opened.page.click('[data-view-link="line"]')
    opened.page.click('[data-line-zoom="0"]')
    opened.page.click('[data-line-role="red"]')
    opened.wait_for_span(WHOLE_US - 0.1, WHOLE_US + 0.1)


def test_it_says_what_made_the_level_that_trim_shows(line: LinePage, lasting_demo: Any) -> None:
    reading = lasting_demo.json("GET", "api/v1/reading")
    level_mv = next(one["peak_white_mv"] for one in reading["channels"] if one["role"] == "red")
    pattern = r"^Red (\d+) mV: mean of its highest flat, ([\d.]+) to ([\d.]+) us, on (\d+) of \4 lines"
    words = line.wait_for_text("why", pattern)
    said = re.match(pattern, words)
    assert said, words
    assert abs(int(said[1]) - level_mv) <= 3
    assert 9.0 < float(said[2]) < 12.0
    assert 58.0 < float(said[3]) < 62.5
    assert "Sync carries no picture level" in line.page.text_content("[data-line-told]")


def test_the_picture_of_the_line_is_drawn(line: LinePage) -> None:
    # a line that is two seconds old is drawn pale
    inks = line.page.wait_for_function(
        "() => { const canvas = document.querySelector('[data-line-canvas]'); const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);"
        " const inks = new Map(); for (let n = 0; n < data.length; n += 4) if (data[n + 3] === 255) {"
        " const ink = data.slice(n, n + 3).join(); inks.set(ink, (inks.get(ink) ?? 0) + 1); }"
        " const many = Object.fromEntries([...inks].filter(([, count]) => count > 300));"
        " return many['240,228,66'] > 3000 && many; }",
        polling=250,
    )
    assert len(inks.json_value()) >= 6


def test_keys_move_the_readout_and_zoom_about_it(line: LinePage) -> None:
    line.page.focus("[data-line-canvas]")
    line.page.keyboard.press("Home")
    for _ in range(4):
        line.page.keyboard.press("Shift+ArrowRight")
    words = line.wait_for_text("readout", r"^24\.\d+ us · Red 7\d\d\.\d mV · Green [67]\d\d\.\d mV · Blue")
    assert words.split(" · ")[-1].startswith("Sync")
    assert line.page.text_content("[data-line-said]").replace("\u00a0", " ").startswith("24.")
    line.page.keyboard.press("+")
    line.page.keyboard.press("+")
    from_us, to_us = line.wait_for_span(WHOLE_US / 4 - 0.1, WHOLE_US / 4 + 0.1)
    assert from_us < 24.4 < to_us
    line.page.keyboard.press("-")
    line.wait_for_span(WHOLE_US / 2 - 0.1, WHOLE_US / 2 + 0.1)
    line.page.keyboard.press("0")
    line.wait_for_span(WHOLE_US - 0.1, WHOLE_US + 0.1)
    line.page.keyboard.press("Escape")
    line.wait_for_text("readout", "^Mean of")


def test_up_and_down_choose_the_channel_that_is_explained(line: LinePage) -> None:
    line.page.focus("[data-line-canvas]")
    line.page.keyboard.press("ArrowDown")
    line.wait_for_text("why", "^Green ")
    assert line.page.get_attribute('[data-line-role="green"]', "aria-pressed") == "true"
    line.page.keyboard.press("ArrowUp")
    line.wait_for_text("why", "^Red ")
    assert line.page.get_attribute('[data-line-role="green"]', "aria-pressed") == "false"


def test_the_wheel_zooms_where_it_points_and_the_daemon_is_asked_for_that_window(line: LinePage) -> None:
    line.page.mouse.move(*line.at(0.25))
    for _ in range(8):
        line.page.mouse.wheel(0, -240)
    from_us, to_us = line.wait_for_span(1.9, 2.1)
    assert 10.0 < from_us < to_us < 20.0
    line.wait_until_asked('"from_us"')
    last = line.asked[-1]
    assert last["from_us"] < from_us
    assert to_us < last["to_us"]


def test_dragging_moves_the_line_with_the_hand(line: LinePage) -> None:
    line.page.click('[data-line-zoom="0.5"]')
    line.page.click('[data-line-zoom="0.5"]')
    from_us, _ = line.wait_for_span(WHOLE_US / 4 - 0.1, WHOLE_US / 4 + 0.1)
    line.page.mouse.move(*line.at(0.6))
    line.page.mouse.down()
    line.page.mouse.move(*line.at(0.5), steps=4)
    line.page.mouse.up()
    moved_us = line.window_at_rest_us()[0] - from_us
    width = line.page.locator("[data-line-canvas]").bounding_box()["width"]
    assert moved_us == pytest.approx(0.1 * width / (width - 84) * WHOLE_US / 4, rel=0.05)


def test_two_fingers_zoom(line: LinePage) -> None:
    session = line.page.context.new_cdp_session(line.page)

    def touch(kind: str, *parts: float) -> None:
        points = [dict(zip(("x", "y"), line.at(part), strict=True)) | {"id": n} for n, part in enumerate(parts)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", 0.45, 0.55)
    for apart in (0.08, 0.12, 0.16, 0.2):
        touch("touchMove", 0.5 - apart, 0.5 + apart)
    touch("touchEnd")
    session.detach()
    from_us, to_us = line.wait_for_span(WHOLE_US / 5, WHOLE_US / 3)
    assert from_us < 30.0 < to_us


def test_single_lines_are_asked_for(line: LinePage) -> None:
    line.page.select_option("[data-line-singles]", "4")
    line.wait_until_asked('"single": 4')
    line.page.select_option("[data-line-singles]", "0")
    line.wait_until_asked('"single": 0')


def test_while_another_view_shows_the_daemon_computes_no_line(line: LinePage) -> None:
    line.page.click('[data-view-link="trim"]')
    line.wait_until_asked('"width": 0')
    line.page.click('[data-view-link="line"]')
    line.wait_until_asked('"width": [1-9]')


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (390, 844), (320, 700)])
def test_nothing_is_cut_at_any_size(line: LinePage, width: int, height: int) -> None:
    line.page.set_viewport_size({"width": width, "height": height})
    line.page.wait_for_function(
        "() => { const plate = document.querySelector('[data-line-plate]'), canvas = document.querySelector('[data-line-canvas]');"
        " return canvas.width === Math.round(plate.clientWidth * devicePixelRatio)"
        " && canvas.height === Math.round(plate.clientHeight * devicePixelRatio); }"
    )
    box = line.page.locator("section.line-view").bounding_box()
    assert box["x"] >= 0 and box["x"] + box["width"] <= width
    assert line.page.eval_on_selector("section.line-view", "e => e.scrollWidth <= e.clientWidth")
    assert not line.seen.is_cut("[data-line-why]")
    box = line.page.locator("[data-line-canvas]").bounding_box()
    assert box["height"] >= 280
    assert box["width"] >= width - 60
