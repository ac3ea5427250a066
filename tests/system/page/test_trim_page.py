"""Trimming by the page, in real Chromium: keys and pedals, focus, freeze, marks, tone, on a laptop and on a phone."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, Route

from said import Said, reading_of

MARK = {
    "id": 17,
    "at": "2026-01-02T03:04:05.678Z",
    "job": {"name": "Quayside batch"},
    "unit": {"maker": "Tamarisk", "model": "TM-2", "serial": "TM2-0017"},
    "stage": {"name": "as found"},
    "levels": [{"channel": "CH1", "role": "red", "peak_white_mv": 749.6, "held": False}],
}


class Book:
    """The bench book's end of REST, as the page uses it; keeps what it was asked."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def route(self, page: Page) -> None:
        """Stand in for the daemon's bench book."""
        page.route("**/api/v1/book", lambda route: route.fulfill(status=200, json={"place": "bench book"}))
        page.route("**/api/v1/book/marks**", self._answer)

    def _answer(self, route: Route) -> None:
        self.asked.append(f"{route.request.method} {route.request.url.rsplit('/api/v1/', 1)[1]}")
        route.fulfill(status=200, content_type="application/json", body=json.dumps(MARK))


@pytest.fixture(scope="module")
def lasting_page(lasting_demo: Any, open_lasting_page: Any) -> tuple[Any, Book]:
    """A page of the module's demo beside a bench book of the test's own."""
    book = Book()
    return open_lasting_page(lasting_demo.url, before=book.route), book


@pytest.fixture
def shown(bench: Any, lasting_page: tuple[Any, Book]) -> Any:
    """That page as it was opened."""
    seen, book = lasting_page
    seen.reset()
    seen.page.evaluate("document.activeElement.blur()")
    for action in ("freeze", "abreast", "tone"):
        button = f'[data-action="{action}"]'
        if seen.page.get_attribute(button, "aria-pressed") == "true":
            # while the browser has yet to let the tone sound, the key would ask for it once more
            seen.page.wait_for_function("() => document.querySelector('[data-tone]').textContent !== 'Tone: tap'")
            seen.page.keyboard.press({"freeze": "f", "abreast": "0", "tone": "t"}[action])
            seen.page.wait_for_selector(f'{button}:not([aria-pressed="true"])')
    seen.wait_for_levels()
    forget_what_was_told(seen.page)
    book.asked.clear()
    return seen


def forget_what_was_told(page: Page) -> None:
    """Take away what the toast says: its words stay when it is hidden."""
    page.evaluate(
        """() => { document.querySelector('[data-toast]').hidden = true;
        for (const part of ['title', 'more']) document.querySelector(`[data-toast-${part}]`).textContent = ''; }"""
    )


def focused(seen: Any) -> str:
    """Role of the channel that is large."""
    return str(seen.page.get_attribute(".channel.focused", "data-channel"))


def height_of_figures(page: Page) -> float:
    """Height in pixels of the figures of the large number."""
    return float(
        page.evaluate(
            """() => { const e = document.querySelector('.focused [data-number]'), s = getComputedStyle(e);
            const pen = document.createElement('canvas').getContext('2d');
            pen.font = `${s.fontWeight} ${s.fontSize} ${s.fontFamily}`;
            return pen.measureText('1').actualBoundingBoxAscent; }"""
        )
    )


def test_digits_arrows_and_taps_choose_the_channel_in_focus(shown: Any) -> None:
    press = shown.page.keyboard.press
    press("3")
    assert focused(shown) == "blue"
    press("ArrowRight")
    assert focused(shown) == "red"
    press("PageUp")
    assert focused(shown) == "blue"
    press("9")
    assert focused(shown) == "blue"
    shown.page.click('[data-channel="green"] [data-words]')
    assert focused(shown) == "green"
    assert shown.page.get_attribute('[data-channel="green"] [data-focus]', "aria-pressed") == "true"


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080), (390, 844), (320, 700)])
def test_the_number_in_focus_is_an_eighth_of_the_viewport_high_and_lies_inside_its_panel(
    shown: Any, size: tuple[int, int]
) -> None:
    shown.page.set_viewport_size({"width": size[0], "height": size[1]})
    assert height_of_figures(shown.page) >= 0.12 * size[1]
    panel = shown.page.locator(".focused").bounding_box()
    number = shown.page.locator(".focused [data-number]").bounding_box()
    assert panel["x"] <= number["x"] and number["x"] + number["width"] <= panel["x"] + panel["width"]


@pytest.mark.parametrize("size", [(390, 844), (320, 700)])
def test_on_a_phone_name_motion_and_unit_stand_whole_beside_four_figures(shown: Any, size: tuple[int, int]) -> None:
    shown.page.set_viewport_size({"width": size[0], "height": size[1]})
    spans = """() => { const span = e => { const r = document.createRange(); r.selectNodeContents(e); return r.getBoundingClientRect(); };
        const number = document.querySelector('.large [data-number]'), kept = [number.textContent, number.className];
        number.textContent = '1428'; number.classList.add('long');
        const found = ['number', 'name', 'motion', 'unit'].map(n => span(document.querySelector(`.large [data-${n}]`)));
        [number.textContent, number.className] = kept;
        return found.map(r => [r.left, r.right]); }"""
    (_, end), *beside = shown.page.evaluate(spans)
    assert height_of_figures(shown.page) >= 0.12 * size[1]
    assert all(end <= left and right <= size[0] - 10 for left, right in beside)


def test_side_by_side_all_numbers_are_large_and_stand_in_a_row_and_the_key_puts_it_back(shown: Any) -> None:
    shown.page.keyboard.press("0")
    assert len({round(e.bounding_box()["y"]) for e in shown.page.locator("[data-number]").all()}) == 1
    assert height_of_figures(shown.page) >= 0.12 * 800
    shown.page.keyboard.press("0")
    assert len({round(e.bounding_box()["y"]) for e in shown.page.locator("[data-number]").all()}) == 3


def test_frozen_the_number_stands_though_the_level_goes_on_and_the_page_says_so(bench: Any, shown: Any) -> None:
    shown.wait_for_level("red", 750.0)
    shown.page.keyboard.press("f")
    shown.situation("frozen")
    bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": 100.0})
    shown.page.wait_for_timeout(700)
    assert shown.number("red") == pytest.approx(750, abs=2)
    assert "Frozen at" in shown.text("[data-notice-title]")
    shown.page.keyboard.press(" ")
    shown.page.wait_for_selector("[data-toast]:not([hidden])")
    assert "No mark was kept" in shown.text("[data-toast]")
    shown.page.click('[data-action="freeze"]')
    shown.wait_for_level("red", 714.3)
    assert shown.page.get_attribute("[data-notice]", "data-situation") != "frozen"


def test_frozen_every_panel_is_dimmed_and_says_for_how_long(bench: Any, open_page: Any) -> None:
    said = Said.of(bench)
    seen = said.open(open_page, bench.url)
    motions = seen.page.locator("[data-motion]")
    said.say_for_a_while(seen.page)
    assert all(words.endswith("live") for words in motions.all_inner_texts())
    seen.page.keyboard.press("f")
    said.say_for_a_while(seen.page)
    assert [words.replace("\u00a0", " ") for words in motions.all_inner_texts()] == ["frozen 4 s"] * 3
    assert seen.page.locator(".channel.stale").count() == 3
    seen.page.keyboard.press("f")
    said.say_for_a_while(seen.page)
    assert all(words.endswith("live") for words in motions.all_inner_texts())
    assert seen.page.locator(".channel.stale").count() == 0


@pytest.mark.parametrize("view", ["line", "hookup"])
def test_pedals_for_mark_tone_and_help_work_in_the_other_views_too(
    shown: Any, lasting_page: tuple[Any, Book], eventually: Any, view: str
) -> None:
    _, book = lasting_page
    shown.page.click(f'[data-view-link="{view}"]')
    shown.page.wait_for_selector(f'[data-view="{view}"]')
    try:
        shown.page.keyboard.press(" ")
        eventually(lambda: "Mark 17 kept" in shown.text("[data-toast]"))
        assert book.asked == ["POST book/marks"]
        shown.page.keyboard.press("f")
        shown.page.keyboard.press("t")
        shown.page.keyboard.press("h")
        shown.page.wait_for_selector("dialog[data-cautions][open]")
        assert shown.page.evaluate("scrollY") == 0
    finally:
        shown.page.evaluate("document.querySelectorAll('dialog[open]').forEach(e => e.close())")
        shown.page.click('[data-view-link="trim"]')
    assert shown.page.get_attribute('[data-action="tone"]', "aria-pressed") == "true"
    assert shown.page.get_attribute('[data-action="freeze"]', "aria-pressed") != "true"


def test_space_keeps_one_mark_and_the_page_says_what_was_stored_and_where(
    shown: Any, lasting_page: tuple[Any, Book], eventually: Any
) -> None:
    _, book = lasting_page
    shown.page.keyboard.down(" ")
    shown.page.keyboard.down(" ")  # a second keydown of a key that is held is a repeat
    shown.page.keyboard.up(" ")
    eventually(lambda: "Mark 17 kept" in shown.text("[data-toast]"))
    assert "Red 750 mV · in Quayside batch, Tamarisk TM-2 TM2-0017, as found" in shown.text("[data-toast]")
    shown.page.click("[data-toast-undo]")
    eventually(lambda: "taken back" in shown.text("[data-toast]"))
    assert book.asked == ["POST book/marks", "DELETE book/marks/17"]


def test_the_channel_in_focus_and_side_by_side_outlive_a_reload(shown: Any) -> None:
    shown.page.keyboard.press("2")
    shown.page.keyboard.press("0")
    shown.page.reload()
    shown.wait_for_levels()
    assert focused(shown) == "green"
    assert shown.page.get_attribute('[data-action="abreast"]', "aria-pressed") == "true"


def test_a_button_that_was_tapped_leaves_space_to_the_mark_and_one_reached_by_tab_keeps_it(
    shown: Any, lasting_page: tuple[Any, Book], eventually: Any
) -> None:
    _, book = lasting_page
    shown.page.click('[data-action="abreast"]')
    shown.page.keyboard.press(" ")
    eventually(lambda: "Mark 17 kept" in shown.text("[data-toast]"))
    assert book.asked == ["POST book/marks"]
    assert shown.page.get_attribute('[data-action="abreast"]', "aria-pressed") == "true"
    shown.page.focus('[data-action="abreast"]')
    shown.page.keyboard.press(" ")
    assert shown.page.get_attribute('[data-action="abreast"]', "aria-pressed") == "false"
    assert book.asked == ["POST book/marks"]


def test_a_daemon_without_a_bench_book_offers_no_marks(bench: Any, open_page: Any) -> None:
    def without(page: Page) -> None:
        page.route("**/api/v1/book", lambda route: route.fulfill(status=404, json={"detail": "no such page"}))

    seen = open_page(bench.url, before=without)
    seen.wait_for_levels()
    assert seen.page.locator('[data-action="mark"]').is_hidden()
    assert "no bench book" in seen.text("[data-no-book]")


def count_notes(page: Page) -> None:
    """Keep the frequency of every note that is started."""
    page.add_init_script(
        """window.notes = []; const start = OscillatorNode.prototype.start;
        OscillatorNode.prototype.start = function (at) { window.notes.push(this.frequency.value); start.call(this, at); };"""
    )


def test_the_tone_is_off_until_asked_for_and_then_says_where_the_level_lies(bench: Any, open_page: Any) -> None:
    said = Said.of(bench)
    seen = said.open(open_page, bench.url, before=count_notes)
    said.say_for_a_while(seen.page)
    assert seen.text("[data-tone]") == "Tone off"
    assert seen.page.evaluate("window.notes") == []
    seen.page.keyboard.press("t")
    seen.page.wait_for_function("() => document.querySelector('[data-tone]').textContent === 'Tone on'")

    def heard(test: str, percent: float = 105.0) -> None:
        """Until such a note was started: its moments are those of the sound, which goes by no clock of the test."""
        for _ in range(600):
            said.take(reading_of(bench, percent))
            said.say_reading()
            seen.page.clock.run_for(50)
            if seen.page.evaluate(f"window.notes.some(hz => {test})"):
                return
        raise AssertionError(f"{test}: {seen.page.evaluate('window.notes')}")

    heard("hz > 1000")
    assert seen.page.evaluate("window.notes.every(hz => hz > 1000)")
    for percent, test in ((75.0, "hz < 350"), (97.2, "hz === 880")):
        bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": percent})
        heard(test, percent)
    seen.page.keyboard.press("t")
    seen.page.wait_for_function("() => document.querySelector('[data-tone]').textContent === 'Tone off'")


def test_lowest_mean_and_highest_are_said_and_begin_anew_with_a_key(bench: Any, open_page: Any) -> None:
    said = Said.of(bench)
    seen = said.open(open_page, bench.url)

    def swinging_about(mv: float) -> Callable[[dict[str, Any]], None]:
        return lambda reading: reading["channels"][0].update(peak_white_mv=mv + 0.6 * (reading["seq"] % 2 * 2 - 1))

    def extremes() -> str:
        return str(seen.text('[data-channel="red"] [data-extremes]'))

    said.say_for_a_while(seen.page)
    seen.page.keyboard.press("r")
    said.say_for_a_while(seen.page, swinging_about(750.0))
    assert extremes() == "lowest 749.4 · mean 750.0 · highest 750.6 mV in 4 s"
    said.say_for_a_while(seen.page, swinging_about(714.4))
    assert re.fullmatch("lowest 713.8 · mean 732.2 · highest 750.6 mV in [89] s", extremes())
    seen.page.click('[data-channel="red"] [data-reset]')
    said.say_for_a_while(seen.page, swinging_about(714.4))
    assert extremes() == "lowest 713.8 · mean 714.4 · highest 715.0 mV in 4 s"


def test_the_help_lists_every_key_and_opens_and_closes_by_keyboard(shown: Any) -> None:
    shown.page.keyboard.press("h")
    said = shown.text("dialog[data-cautions]")
    for words in ("1 to 9", "Space", "Page Down", "keep a mark", "Silence never means good", "screen"):
        assert words in said
    shown.page.keyboard.press("3")
    assert focused(shown) == "red"
    shown.page.keyboard.press("Escape")
    assert not shown.page.locator("dialog[data-cautions]").is_visible()


def test_on_a_phone_the_large_buttons_stay_in_reach(shown: Any) -> None:
    shown.page.set_viewport_size({"width": 390, "height": 844})
    for action in ("mark", "tone", "freeze", "abreast"):
        box = shown.page.locator(f'[data-action="{action}"]').bounding_box()
        assert box["height"] >= 44 and box["y"] + box["height"] <= 844
        assert box["x"] >= 0 and box["x"] + box["width"] <= 390


def test_rate_and_lag_are_stated(shown: Any) -> None:
    shown.page.wait_for_function(
        "() => /readings\\/s · \\d+(\\sms|\\.\\d\\ss) behind/.test(document.querySelector('[data-rate]').textContent)"
    )


def test_no_fresh_reading_is_heard_as_three_falling_notes_again_and_again(bench: Any, open_page: Any) -> None:
    said = Said.of(bench)

    def before(page: Page) -> None:
        count_notes(page)
        said.route(page)

    seen = open_page(bench.url, before=before)
    said.say_reading()
    seen.wait_for_levels()
    seen.page.keyboard.press("t")
    seen.page.wait_for_function("() => window.notes.slice(-6).join() === '784,587,440,784,587,440'")
