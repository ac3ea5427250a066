"""Where things stand on a small screen, and that nothing moves: the page's files from the real demo, the frames said by the test."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page

from said import Said

PHONES = [(390, 844), (360, 740), (320, 700)]
COUNT_SHIFTS = """window.moved = []; new PerformanceObserver(list => { for (const entry of list.getEntries())
    window.moved.push(...entry.sources.map(s => s.node?.className?.baseVal ?? s.node?.className ?? '')); })
    .observe({ type: 'layout-shift', buffered: true });"""


@pytest.fixture(scope="module")
def lasting_page(lasting_demo: Any, open_lasting_page: Callable[..., Any]) -> tuple[Said, Any]:
    """A page that hears the test's frames, goes by the test's clock, and keeps what it saw move.

    By its own clock two seconds between a reading and what is asked of it, on a busy machine, would make the reading late.
    """
    said = Said.of(lasting_demo)

    def before(page: Page) -> None:
        page.clock.install(time="2026-01-02T14:03:22Z")
        page.add_init_script(COUNT_SHIFTS)
        said.route(page)

    seen = open_lasting_page(lasting_demo.url, before=before)
    seen.page.clock.pause_at(seen.page.evaluate("Date.now()") / 1000 + 1)
    said.say_for_a_while(seen.page)
    seen.wait_for_levels()
    return said, seen


@pytest.fixture
def told(lasting_page: tuple[Said, Any]) -> tuple[Said, Any]:
    """That page without a question."""
    said, seen = lasting_page
    seen.reset()
    said.question(None)
    said.say_for_a_while(seen.page)
    seen.page.wait_for_selector("[data-question]", state="hidden")
    return lasting_page


def box(page: Page, selector: str) -> tuple[float, float, float, float]:
    """Left, top, right, bottom of the first one."""
    found = page.locator(selector).first.bounding_box()
    assert found is not None, selector
    return found["x"], found["y"], found["x"] + found["width"], found["y"] + found["height"]


def ask(said: Said, page: Page) -> None:
    """The question comes up."""
    said.question("sync was away for 12 s, and red comes 96 mV lower than before")
    page.wait_for_selector("[data-question]")


def at_size(page: Page, width: int, height: int) -> None:
    """The window has that size, and the page has heard of it."""
    page.set_viewport_size({"width": width, "height": height})
    page.evaluate("scrollTo(0, 0)")
    painted(page)
    page.clock.run_for(600)
    painted(page)


def painted(page: Page) -> None:
    """What stands on the page now has been laid out and painted, and what moved is known: a picture of it was taken."""
    page.screenshot()


@pytest.mark.parametrize("size", PHONES)
def test_on_a_phone_the_match_is_in_sight_with_number_rule_and_keep(
    told: tuple[Said, Any], size: tuple[int, int]
) -> None:
    _, seen = told
    at_size(seen.page, *size)
    seen.page.wait_for_function("() => /lowest/.test(document.querySelector('[data-match]').textContent)")
    match, keep = box(seen.page, "[data-match]"), box(seen.page, '[data-action="mark"]')
    assert not seen.is_cut("[data-match]")
    assert match[3] <= keep[1] and keep[3] <= size[1]
    for part in ("number", "words", "rule"):
        assert box(seen.page, f".large [data-{part}]")[3] <= match[1], part


@pytest.mark.parametrize("size", [*PHONES, (740, 360), (844, 390)])
def test_the_rule_in_focus_lies_whole_inside_its_panel(told: tuple[Said, Any], size: tuple[int, int]) -> None:
    _, seen = told
    at_size(seen.page, *size)
    assert box(seen.page, ".large [data-rule]")[3] <= box(seen.page, ".large")[3]


@pytest.mark.parametrize("size", [*PHONES, (844, 390), (1280, 800)])
def test_the_question_covers_nothing_of_the_channel_in_focus_and_can_be_answered(
    told: tuple[Said, Any], size: tuple[int, int]
) -> None:
    said, seen = told
    at_size(seen.page, *size)
    ask(said, seen.page)
    question = box(seen.page, "[data-question]")
    assert box(seen.page, ".large [data-rule]")[3] <= question[1]
    for part in ('[data-action="same"]', '[name="serial"]', '[value="next"]'):
        left, top, right, bottom = box(seen.page, f"[data-question] {part}")
        assert question[0] <= left and right <= question[2] and question[1] <= top and bottom <= question[3], part
        assert right - left >= 40 and bottom <= size[1]


@pytest.mark.parametrize("size", [(844, 390), (1280, 800), (1920, 1080)])
def test_nothing_moves_when_the_question_comes_and_goes(told: tuple[Said, Any], size: tuple[int, int]) -> None:
    said, seen = told
    at_size(seen.page, *size)
    seen.page.wait_for_timeout(100)
    seen.page.evaluate("window.moved.length = 0")  # what a new size moves is not the question's
    ask(said, seen.page)
    seen.page.clock.run_for(100)
    painted(seen.page)
    said.question(None)
    seen.page.wait_for_selector("[data-question]", state="hidden")
    seen.page.clock.run_for(100)
    painted(seen.page)
    assert seen.page.evaluate("window.moved") == []


def test_no_trail_is_seen_to_move_while_the_page_is_opened(lasting_demo: Any, open_page: Callable[..., Any]) -> None:
    seen = open_page(lasting_demo.url, before=lambda page: page.add_init_script(COUNT_SHIFTS), width=390, height=844)
    seen.wait_for_levels()
    seen.page.wait_for_timeout(300)
    assert not {"trail", "trimmers-say"} & set(seen.page.evaluate("window.moved"))
