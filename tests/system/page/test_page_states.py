"""States of the page that a healthy demo does not reach: the page's files from the real demo, the live frames said by the test."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from playwright.sync_api import Page

from said import Said


@pytest.fixture
def said(bench: Any) -> Said:
    """Frames with the demo's own reading at rest, for a page of the test's own."""
    return Said.of(bench)


@pytest.fixture
def own_page(bench: Any, said: Said, open_page: Any) -> Any:
    """A page of the test's own that hears those frames."""
    page = open_page(bench.url, before=said.route)
    said.say_reading()
    page.wait_for_levels()
    return page


@pytest.fixture(scope="module")
def lasting_page(lasting_demo: Any, open_lasting_page: Any) -> tuple[Said, Any]:
    """The page that most tests of this module tell their frames; it goes by the test's clock."""
    said = Said.of(lasting_demo)
    return said, said.open(open_lasting_page, lasting_demo.url)


@pytest.fixture
def told(lasting_page: tuple[Said, Any]) -> tuple[Said, Any]:
    """What tells that page its frames, and the page, which has heard some readings of a daemon just started."""
    said, seen = lasting_page
    seen.reset()
    said.begin_anew()
    said.say_for_a_while(seen.page)
    return lasting_page


def red_at(mv: float) -> Callable[[dict[str, Any]], None]:
    """So high red."""
    return lambda reading: reading["channels"][0].update(peak_white_mv=mv)


def test_no_sync_is_said_and_the_level_is_no_zero(told: tuple[Said, Any]) -> None:
    said, seen = told

    def without_sync(reading: dict[str, Any]) -> None:
        reading["sync"].update(state="none", channel=None, line_rate_hz=None, system=None, field=None)
        for channel in reading["channels"]:
            for key in ("peak_white_mv", "low_mv", "high_mv", "u95_mv", "aim_mv", "off_aim_mv", "zone", "verdict"):
                channel[key] = None
        reading["match"] = None

    said.say_for_a_while(seen.page, without_sync)
    seen.situation("sync-none")
    assert seen.text('[data-channel="red"] [data-number]') == "–"
    assert seen.text('[data-channel="red"] [data-words]') == "no level without sync"
    assert not seen.page.locator('[data-channel="red"] [data-slider]').is_visible()


@pytest.mark.parametrize(
    ("state", "title"), [("blanking-only", "Looks like blanking"), ("vertical-interval", "Vertical interval")]
)
def test_a_doubtful_sync_is_said(told: tuple[Said, Any], state: str, title: str) -> None:
    said, seen = told
    said.say_for_a_while(seen.page, lambda reading: reading["sync"].update(state=state))
    seen.situation(f"sync-{state}")
    assert seen.text("[data-notice-title]").startswith(title)


def test_captures_that_miss_the_picture_now_and_then_change_no_word_on_the_page(
    bench: Any, said: Said, open_page: Any
) -> None:
    seen = said.open(open_page, bench.url)
    hint = {
        "code": "white-not-in-record",
        "text": "No flat white was seen: likely a dark picture.",
        "test": "Show white.",
    }

    def missed(reading: dict[str, Any]) -> None:
        reading["sync"].update(state="vertical-interval")
        reading["match"] = None
        for channel in reading["channels"]:
            channel.update(peak_white_mv=None, low_mv=None, high_mv=None, zone=None, verdict=None, hints=[hint])

    def swinging(reading: dict[str, Any]) -> None:
        reading["channels"][0]["peak_white_mv"] = 750.0 + (0.5 if reading["seq"] % 8 < 4 else -0.5)

    said.say_for_a_while(seen.page)
    for mv in (753.0, 750.0):
        said.say_reading(red_at(mv))
        seen.page.clock.run_for(1500)  # as long as a rule glides
    seen.situation("clear")
    seen.page.evaluate(
        """() => { window.changed = []; new MutationObserver(all => { for (const one of all)
        window.changed.push(one.target.textContent); }).observe(document.body, { subtree: true, characterData: true, childList: true });
        new MutationObserver(all => window.changed.push(all[0].target.dataset.situation))
        .observe(document.querySelector('[data-notice]'), { attributes: true }); }"""
    )
    of_red = (f'[data-channel="red"] [data-{part}]' for part in ("number", "words", "detail", "beside", "rule"))
    steady = ("[data-notice-title]", "[data-sync-line]", "[data-match]", *of_red)
    before = [seen.text(selector) for selector in steady]
    for n in range(60):
        said.say_reading(swinging if n % 4 == 0 else missed)
        seen.page.clock.run_for(40)
    assert [seen.text(selector) for selector in steady] == before
    tells_time = re.compile(r"\d readings?/s|^(steady|rising|falling) .*live$|^lowest ")
    changed = {
        words for words in seen.page.evaluate("window.changed") if not tells_time.search(words.replace("\u00a0", " "))
    }
    assert changed <= {seen.page.text_content("[data-announcer]")}


def test_a_hint_on_the_hookup_leads_the_words_and_its_cause_is_read_on_a_phone(told: tuple[Said, Any]) -> None:
    said, seen = told
    seen.page.set_viewport_size({"width": 390, "height": 844})
    hint = {
        "code": "termination-missing",
        "text": "Sync and white are about twice nominal: likely no 75-ohm termination.",
        "test": "Put a 75-ohm terminator on the tee: the level should halve.",
    }
    said.say_for_a_while(seen.page, lambda reading: reading.update(hints=[hint]))
    seen.situation("termination-missing")
    seen.wait_for_words("red", "^check the terminator first$")
    assert "above aim" in seen.text('[data-channel="red"] [data-detail]')
    assert seen.text("[data-notice-title]") == "Likely no 75-ohm termination."
    assert not seen.is_cut("[data-notice-title]")
    seen.page.click("[data-open-notes]")
    assert "about twice nominal" in seen.text("[data-notes-items]")


def test_the_notice_offers_more_only_where_there_is_more(told: tuple[Said, Any]) -> None:
    said, seen = told
    said.say_for_a_while(seen.page)
    seen.situation("clear")
    assert seen.text("[data-notice-title]") == "Nothing speaks against the hookup"
    seen.page.wait_for_selector("[data-open-notes]", state="hidden")
    seen.page.set_viewport_size({"width": 320, "height": 700})
    seen.page.click("[data-open-notes]")
    assert "Trim each level to its aim." in seen.text("[data-notes-items]")
    seen.page.keyboard.press("Escape")
    problem = {"code": "a", "text": "no such target", "do": "choose another", "since": None}
    said.status("ready", problems=[problem, problem | {"code": "b", "text": "no such channel"}])
    seen.page.clock.run_for(300)
    seen.situation("a")
    assert seen.text("[data-open-notes]") == "Read all (2)"


def test_what_else_was_measured_stands_on_the_plate_and_a_scaled_level_says_so(
    bench: Any, said: Said, open_page: Any
) -> None:
    hookup = bench.json("GET", "api/v1/hookup")

    def before(page: Page) -> None:
        page.route("**/api/v1/hookup", lambda route: route.fulfill(json=hookup | {"pattern_white_pct": 75.0}))
        said.route(page)

    seen = open_page(bench.url, before=before)
    said.say_reading(lambda reading: reading["channels"][0].update(black_mv=53.6, sync_mv=286.2, average_mv=318.2))
    seen.page.wait_for_function("() => /black/.test(document.querySelector('[data-beside]').textContent)")
    seen.page.wait_for_function("() => /75/.test(document.querySelector('[data-channel=red] .unit').textContent)")
    assert seen.text('[data-channel="red"] .unit') == "mV from 75 % white"
    assert seen.text('[data-channel="red"] [data-beside]') == "black 54 · sync 286 · average 318 mV"
    assert not seen.is_cut('[data-channel="red"] [data-beside]')


def test_a_held_level_is_dimmed_and_carries_its_age(told: tuple[Said, Any]) -> None:
    said, seen = told
    said.say_for_a_while(seen.page, lambda reading: reading["channels"][0].update(held=True, age_s=12.0))
    seen.situation("held")
    assert "stale" in seen.page.get_attribute('[data-channel="red"]', "class")
    assert "stale" not in seen.page.get_attribute('[data-channel="green"]', "class")
    assert seen.text('[data-channel="red"] [data-words]') == "held 12 s: no white seen"


def test_a_clipped_level_is_a_lower_bound(told: tuple[Said, Any]) -> None:
    said, seen = told
    said.show(seen.page, lambda reading: reading["channels"][0].update(clipped=True, decidable=False, verdict="unsure"))
    seen.situation("clipped")
    assert seen.text('[data-channel="red"] .unit') == "mV or more"
    assert "volts per division" in seen.text("[data-notice-do]")


def test_an_undecidable_level_says_the_way_out(told: tuple[Said, Any]) -> None:
    said, seen = told
    change = {"peak_white_mv": 760.0, "decidable": False, "verdict": "unsure"}
    said.show(seen.page, lambda reading: reading["channels"][0].update(change))
    seen.wait_for_words("red", "^cannot be judged$")
    assert "calibrate, or state the gain accuracy" in seen.text('[data-channel="red"] [data-detail]')


def test_waiting_for_a_trigger_is_said_in_the_daemons_words(told: tuple[Said, Any]) -> None:
    said, seen = told
    said.status("waiting-for-trigger", "no edge came on CH4", "is the unit on?")
    seen.page.clock.run_for(300)
    seen.situation("scope-waiting-for-trigger")
    assert seen.text("[data-notice-do]") == "Is the unit on? No edge came on CH4."


def test_hints_come_with_their_test_in_one_place_and_all_of_them_in_a_sheet(told: tuple[Said, Any]) -> None:
    said, seen = told
    before = seen.page.locator("[data-channels]").bounding_box()
    hints = [{"code": f"hint-{n}", "text": f"Likely cause {n}. " * 8, "test": f"do this {n}. " * 8} for n in range(3)]
    said.say_for_a_while(seen.page, lambda reading: reading.update(hints=hints))
    seen.situation("hint-0")
    assert "Test: do this 0" in seen.text("[data-notice-do]")
    assert seen.page.locator("[data-channels]").bounding_box() == before
    seen.page.click("[data-open-notes]")
    assert seen.page.locator("[data-notes-items] li").count() == 3


def test_words_in_a_hint_are_never_taken_for_markup(told: tuple[Said, Any]) -> None:
    said, seen = told
    hint = {"code": "x", "text": "<img src=x onerror=alert(1)>", "test": "<b>bold</b>"}
    said.say_for_a_while(seen.page, lambda reading: reading.update(hints=[hint]))
    seen.situation("x")
    assert seen.text("[data-notice-title]") == hint["text"]


def test_the_question_whether_it_is_the_same_unit_shows_whole_and_covers_nothing(said: Said, own_page: Any) -> None:
    page = own_page.page
    said.question("sync was away for 12 s and is back")
    page.wait_for_selector("[data-question]")
    page.evaluate("document.querySelector('[data-bench-line]').classList.remove('away')")
    for width, height in ((1280, 800), (844, 390), (390, 844), (320, 700)):
        page.set_viewport_size({"width": width, "height": height})
        assert not own_page.is_cut("[data-question]")
        around = page.locator("[data-question]").bounding_box()
        for inside in page.locator("[data-question] :is(p, button, input)").all():
            box = inside.bounding_box()
            assert around["x"] <= box["x"] and box["x"] + box["width"] <= around["x"] + around["width"]
            assert around["y"] <= box["y"] and box["y"] + box["height"] <= around["y"] + around["height"]
        match = page.locator("[data-match]").bounding_box()
        assert around["y"] + around["height"] <= match["y"] and match["y"] + match["height"] <= height
        assert page.locator("[data-bench-line]").is_hidden(), "its place is the question's until that is answered"


def test_readings_that_come_late_are_no_live_ones(told: tuple[Said, Any]) -> None:
    said, seen = told

    def captured(ago_s: float) -> Callable[[dict[str, Any]], None]:
        at = datetime.fromtimestamp(seen.page.evaluate("Date.now()") / 1000, UTC) - timedelta(seconds=ago_s)
        return lambda reading: reading.update(captured_at=at.isoformat())

    said.show(seen.page, captured(0.0))
    said.show(seen.page, captured(3.4))
    seen.situation("late")
    seen.page.wait_for_selector('[data-channel="red"].stale')
    said.show(seen.page, captured(0.0))
    seen.page.wait_for_selector('[data-channel="red"]:not(.stale)')


def test_a_reading_older_than_the_one_shown_is_dropped(told: tuple[Said, Any]) -> None:
    said, seen = told
    said.show(seen.page, lambda reading: reading["channels"][0].update(peak_white_mv=600.0))
    seen.wait_for_level("red", 600.0)
    said.show(seen.page, lambda reading: reading.update(seq=1))
    assert seen.number("red") == 600
    said.show(seen.page, lambda reading: reading["channels"][1].update(peak_white_mv=650.0))
    seen.wait_for_level("green", 650.0)


def test_a_hookup_with_luma_only_gets_one_rule(told: tuple[Said, Any]) -> None:
    said, seen = told

    def luma(reading: dict[str, Any]) -> None:
        reading["channels"] = [reading["channels"][0] | {"role": "luma"}]

    said.show(seen.page, luma)
    seen.page.wait_for_selector('[data-channel="luma"].focused')
    assert seen.page.locator("[data-rule]").count() == 1


def test_a_daemon_of_another_version_reloads_the_page_once(said: Said, own_page: Any) -> None:
    page = own_page.page
    loads: list[str] = []
    page.on("load", lambda _: loads.append(page.url))
    said.version = "1.1"
    with page.expect_event("load"):
        said.sockets[-1].close()
    page.wait_for_function("() => document.querySelector('[data-notice]').dataset.situation !== 'connecting'")
    connections = len(said.sockets)
    said.version = "1.2"
    with page.expect_event("load"):
        said.sockets[-1].close()
    said.version = "1.1"
    page.wait_for_function("() => document.querySelector('[data-notice]').dataset.situation !== 'connecting'")
    assert len(said.sockets) > connections
    assert len(loads) == 2


def test_a_hundred_readings_a_second_draw_the_newest_and_let_no_frame_wait(told: tuple[Said, Any]) -> None:
    said, seen = told

    parts = []
    for _ in range(2):
        for n in range(300):
            said.say_reading(red_at(650.0 + n * 0.2))
            if n % 5 == 4:
                seen.page.clock.run_for(50)
        seen.wait_for_level("red", 709.8)
        for n in range(300):
            said.say_reading()
            if n % 5 == 4:
                seen.page.clock.run_for(50)
        seen.wait_for_level("red", 750.0)
        seen.page.clock.run_for(1500)  # as long as a rule glides
        parts.append(seen.page.evaluate("document.querySelectorAll('[data-rule] *').length"))
    assert parts[0] == parts[1]


def test_reduced_motion_is_honoured(bench: Any, said: Said, open_page: Any) -> None:
    def before(page: Page) -> None:
        page.emulate_media(reduced_motion="reduce")
        said.route(page)

    seen = open_page(bench.url, before=before)
    said.say_reading()
    seen.wait_for_levels()
    far = {"peak_white_mv": 1400.0, "low_mv": 1360.0, "high_mv": 1440.0}
    frames = seen.page.evaluate_handle(
        """() => { window.ends = new Set(); const look = () => { const all = document.querySelectorAll('[data-channel=red] [data-tick]');
        window.ends.add(all[all.length - 1].textContent); requestAnimationFrame(look); }; look(); return window.ends; }"""
    )
    said.say_reading(lambda reading: reading["channels"][0].update(far))
    seen.wait_for_level("red", 1400.0)
    assert seen.page.evaluate("ends => ends.size", frames) <= 2
