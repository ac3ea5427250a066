"""The bench on the page, in real Chromium against a daemon with a book: unit, warm-up, question, watch."""

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

SIGNALS = ("red", "green", "blue", "sync")


BOXES = """async all => { for (const _ of [1, 2]) await new Promise(requestAnimationFrame);
    return all.map(one => document.querySelector(one).getBoundingClientRect().toJSON()); }"""
"""Where these are at one time, once the page has heard of a new size."""


def plug(bench: Any, signals: tuple[str, ...], is_in: bool) -> None:
    """Plug these outputs of the unit in, or pull their plugs."""
    assert bench.scope.ask({"set": {signal: {"disconnected": not is_in} for signal in signals}})["ok"]


def keep_notes(page: Page) -> None:
    """Keep the frequency at which every note begins."""
    page.add_init_script(
        """window.notes = []; const start = OscillatorNode.prototype.start;
        OscillatorNode.prototype.start = function (at) { window.notes.push(this.frequency.value); start.call(this, at); };"""
    )


@pytest.fixture(scope="module")
def lasting_page(lasting_bench: Any, open_lasting_page: Any) -> Any:
    """A page of the module's daemon."""
    return open_lasting_page(lasting_bench.daemon.url, before=keep_notes)


@pytest.fixture
def shown(lasting_bench: Any, lasting_page: Any) -> Iterator[Any]:
    """That page, with all plugged in and unit 1042 on the bench."""
    daemon = lasting_bench.daemon
    plug(lasting_bench, SIGNALS, True)
    unit = {"maker": "Tamarisk", "model": "TM-2", "serial": "1042"}
    job = daemon.json("POST", "api/v1/book/jobs", {"name": "Quayside batch"})["id"]
    daemon.json("POST", f"api/v1/book/jobs/{job}/units", unit)
    lasting_page.page.reload()
    lasting_page.wait_for_levels()
    says(lasting_page, "present", "^TM-2, serial 1042, as found$")
    yield lasting_page
    lasting_page.reset()


def says(seen: Any, part: str, pattern: str) -> None:
    """Wait until a part of the page that shows matches the JavaScript pattern."""
    seen.page.wait_for_function(
        "([part, pattern]) => { const e = document.querySelector(`[data-${part}]`);"
        " return e.checkVisibility() && new RegExp(pattern).test(e.innerText.replace(/\\s/g, ' ')); }",
        arg=[part, pattern],
        timeout=30_000,
    )


def keep(seen: Any, pattern: str) -> None:
    """Press Space; wait until what became of the mark matches."""
    seen.page.keyboard.press(" ")
    says(seen, "toast", pattern)


def put(seen: Any, place: str) -> None:
    """Wait until that is on the bench, and the press that put it there is answered: until then the page takes no other."""
    says(seen, "present", f"^{place}$")
    says(seen, "toast", f"On the bench.*{place}")


def unplug_for_long(bench: Any, seen: Any) -> None:
    """Pull all plugs until the page asks, and put them in again."""
    plug(bench, SIGNALS, False)
    says(seen, "question", "same unit\\? sync has been away for")
    plug(bench, SIGNALS, True)
    says(seen, "question", "sync was away for \\d+ s and is back")


def test_the_unit_and_stage_that_are_put_on_the_bench_are_where_a_mark_goes(shown: Any) -> None:
    shown.page.click("[data-present]")
    shown.page.fill('[data-bench-form] [name="stage"]', "after first change")
    shown.page.keyboard.press("Enter")
    put(shown, "TM-2, serial 1042, after first change")
    keep(shown, "Mark \\d+ kept .* in Quayside batch, Tamarisk TM-2 1042, after first change")


def test_a_unit_that_the_book_does_not_have_is_added_and_one_that_it_has_is_not_added_again(
    lasting_bench: Any, shown: Any
) -> None:
    for serial in ("1050", "1042", "1050"):
        shown.page.click("[data-present]")
        shown.page.fill('[data-bench-form] [name="serial"]', serial)
        shown.page.click('[data-bench-form] [value="put"]')
        put(shown, f"TM-2, serial {serial}, as found")
    job = lasting_bench.daemon.json("GET", "api/v1/book/present")["present"]["job"]["id"]
    units = lasting_bench.daemon.json("GET", f"api/v1/book/jobs/{job}/units")["units"]
    assert [unit["serial"] for unit in units] == ["1042", "1050"]


def test_without_a_job_nothing_is_named_on_the_bench(shown: Any) -> None:
    shown.page.click("[data-present]")
    shown.page.fill('[data-bench-form] [name="job"]', "")
    shown.page.keyboard.press("Enter")
    put(shown, "No unit named")
    keep(shown, "in Loose marks")


def test_cold_is_said_with_why_until_unit_and_scope_have_been_on_for_long(lasting_bench: Any, shown: Any) -> None:
    shown.page.click("[data-warmth]")
    shown.page.click('[data-bench] [value="unit"]')
    says(shown, "warmth", "^Warming up · .*unit on for \\d+ s · scope on for")
    shown.page.click("[data-warmth]")
    assert "levels may move until 20 min" in shown.text("[data-why-cold]")
    shown.page.keyboard.press("Escape")
    for what in ("unit", "scope"):
        lasting_bench.daemon.json("PUT", f"api/v1/bench/{what}-on", {"minutes_ago": 45})
    says(shown, "warmth", "^(?!Warming).*unit on for 45 min · scope on for 45 min$")


def test_after_sync_was_away_no_mark_is_kept_until_it_is_said_that_it_is_the_same_unit(
    lasting_bench: Any, shown: Any
) -> None:
    unplug_for_long(lasting_bench, shown)
    keep(shown, "No mark was kept .*another unit")
    assert "409" in shown.complaints.pop()  # which Chromium logs by itself
    shown.page.keyboard.press("s")
    shown.page.wait_for_selector("[data-question]", state="hidden")
    keep(shown, "Mark \\d+ kept .*1042")


def test_another_unit_is_named_by_its_serial_and_marks_go_to_it(lasting_bench: Any, shown: Any) -> None:
    unplug_for_long(lasting_bench, shown)
    shown.page.fill('[data-question] [name="serial"]', "1043")
    shown.page.keyboard.press("Enter")
    put(shown, "TM-2, serial 1043, as found")
    shown.page.wait_for_selector("[data-question]", state="hidden")
    shown.page.click("[data-channel] [data-name]")
    keep(shown, "Mark \\d+ kept .* in Quayside batch, Tamarisk TM-2 1043, as found")


def test_the_watch_counts_and_sounds_a_channel_that_fails_and_its_captures_can_be_opened(
    lasting_bench: Any, shown: Any, eventually: Any
) -> None:
    def seq() -> int:
        return int(lasting_bench.daemon.json("GET", "api/v1/reading")["seq"])

    shown.page.keyboard.press("w")
    says(shown, "caught", "^nothing beyond ±10 mV so far$")
    first = seq()
    eventually(lambda: seq() >= first + 5, 60.0)
    assert shown.page.evaluate("window.notes") == []
    plug(lasting_bench, ("red",), False)
    says(shown, "caught", "^1 channel dead")
    plug(lasting_bench, ("red",), True)
    assert shown.page.evaluate("window.notes.length") > 0
    says(shown, "caught", "^1 channel dead · \\d\\d:\\d\\d:\\d\\d Red died")
    shown.page.keyboard.press("w")
    shown.page.wait_for_selector('[data-watch][aria-pressed="false"]')
    shown.page.click("[data-caught]")
    shown.page.click("[data-events-items] summary")
    rows = shown.page.locator("[data-events-items] tr")
    rows.nth(2).wait_for()
    words = rows.all_inner_texts()
    assert words[0].split("\t")[:2] == ["Time", "Red, mV"]
    (event,) = [n for n, row in enumerate(words) if row.startswith("event")]
    assert words[event - 1].startswith("−") and words[event + 1].startswith("+")


def test_another_page_or_program_that_chooses_a_stage_shows_at_once_without_a_request(
    lasting_bench: Any, shown: Any
) -> None:
    asked: list[str] = []
    shown.page.on("request", lambda request: asked.append(request.url))
    stage = lasting_bench.daemon.json("GET", "api/v1/book/present")["present"]["stage"]["id"]
    lasting_bench.daemon.json("PUT", f"api/v1/book/stages/{stage}", {"name": "as left"})
    says(shown, "present", "^TM-2, serial 1042, as left$")
    lasting_bench.daemon.json("PUT", "api/v1/book/present", {"stage": None})
    says(shown, "present", "^No unit named$")
    assert not [url for url in asked if "/book" in url]


def test_the_band_of_the_watch_is_set_on_the_page_and_one_that_is_none_is_refused(
    lasting_bench: Any, shown: Any
) -> None:
    def use(band: str) -> None:
        shown.page.click("[data-warmth]")
        shown.page.fill("[data-watch-band]", band)
        shown.page.keyboard.press("Enter")

    use("12,5")
    says(shown, "toast", "watch ±12.5 mV")
    assert lasting_bench.daemon.json("GET", "api/v1/bench")["watch"]["band_mv"] == 12.5
    use("much")
    says(shown, "toast", "The bench is as it was .*band_mv")
    assert "422" in shown.complaints.pop()  # which Chromium logs by itself
    lasting_bench.daemon.json("PUT", "api/v1/bench/watch", {"on": False, "band_mv": 10})


@pytest.mark.parametrize("size", [(320, 700), (390, 844), (844, 390)])
def test_on_a_phone_the_bench_and_the_buttons_are_in_sight_below_the_ruler_in_focus(
    shown: Any, size: tuple[int, int]
) -> None:
    width, height = size
    shown.page.set_viewport_size({"width": width, "height": height})
    names = ("present", "warmth", "watch", "caught", "action=mark")
    rule, *boxes = shown.page.evaluate(BOXES, [".large [data-rule]", *(f"[data-{name}]" for name in names)])
    for name, box in zip(names, boxes, strict=True):
        assert rule["bottom"] <= box["top"] and box["bottom"] <= height, name
        assert 0 <= box["left"] and box["right"] <= width, name
    assert shown.page.evaluate("document.documentElement.scrollWidth") <= width
