"""The sheet of settings on the page: what it says of every key, saving, what is refused, a file changed by hand meanwhile."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

TEXT = """# the Quayside bench
[live]
rate_hz = 10 # slow
[book]
place = "BOOK"
[hookup.CH1]
role = "red"
"""
RATE, GAIN, SAVE, SAID = (
    '[name="live rate_hz"]',
    '[name="measure gain_spec"]',
    ".settings .strong",
    ".settings [role=status]",
)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(TEXT.replace("BOOK", str(tmp_path / "book.sqlite")))
    return path


@pytest.fixture
def sheet(children: Any, open_page: Any, file: Path) -> Iterator[Any]:
    """A page with the sheet open, of a daemon without a scope."""
    daemon = children.daemon("serve", "--config", str(file))
    seen = open_page(f"{daemon.url}#hookup")
    open_sheet(seen)
    yield seen
    seen.complaints[:] = [
        one for one in seen.complaints if "(Unprocessable Entity)" not in one and "(Conflict)" not in one
    ]


def open_sheet(seen: Any) -> None:
    seen.page.click("[data-open-settings]")
    seen.page.wait_for_selector(".settings[open] fieldset")


def wait_for_words(seen: Any, words: str) -> None:
    seen.page.wait_for_function(
        "([where, words]) => new RegExp(words).test(document.querySelector(where).textContent)",
        arg=[SAID, words],
        timeout=20_000,
    )


def about(seen: Any, name: str) -> str:
    """All that stands at a key."""
    return str(seen.page.inner_text(f'.setting:has([name="{name}"])'))


def test_settings_are_changed_on_the_page_and_refusals_stand_beside_their_fields(sheet: Any, file: Path) -> None:
    page = sheet.page
    assert page.input_value(RATE) == "10"
    assert "1 to 100 Hz. Default 20." in about(sheet, "live rate_hz")
    assert "Needs a restart." in about(sheet, "book log")
    assert page.is_disabled('[name="scope resource"]') and "file only" in about(sheet, "scope resource")
    assert "file only" in about(sheet, "http port") and page.is_disabled('[name="http port"]')
    assert page.is_disabled(SAVE)

    page.fill(RATE, "400")
    page.fill(GAIN, "3")
    page.select_option('[name="book log"]', "no")
    wait_for_words(sheet, "^3 changed")
    page.click(SAVE)
    wait_for_words(sheet, "^Not saved: see what is marked, 2 in all")
    assert "Must be at most 100, not 400." in about(sheet, "live rate_hz")
    assert page.evaluate("document.activeElement.name") == "live rate_hz"
    assert page.get_attribute(GAIN, "aria-invalid") == "true"

    page.fill(RATE, "30")
    page.fill(GAIN, "3%")
    page.keyboard.press("Enter")
    wait_for_words(sheet, r"^Saved. In force now: \[live\] rate_hz and \[measure\] gain_spec. Needs a restart")
    text = file.read_text()
    assert "rate_hz = 30 # slow" in text and text.startswith("# the Quayside bench") and "log = false" in text
    assert "In force until the restart: yes." in about(sheet, "book log")

    page.fill(RATE, "")
    page.click(SAVE)
    wait_for_words(sheet, "^Saved. In force now: .live. rate_hz")
    assert "[live]\n# slow\n" in file.read_text()


def test_a_file_changed_by_hand_meanwhile_is_not_written_over_and_what_was_typed_stays(sheet: Any, file: Path) -> None:
    sheet.page.fill(RATE, "30")
    by_hand = file.read_text().replace("# slow", "# by hand") + "[measure]\nhold = true\n"
    file.write_text(by_hand)
    sheet.page.click(SAVE)
    wait_for_words(sheet, "was changed otherwise")
    assert file.read_text() == by_hand
    sheet.page.click(".settings button:text('Read the file anew')")
    sheet.page.wait_for_function("() => document.querySelector('[name=\"measure hold\"]').value === 'yes'")
    assert sheet.page.input_value(RATE) == "30"
    sheet.page.click(SAVE)
    wait_for_words(sheet, "^Saved. In force now: .live. rate_hz")
    assert file.read_text() == by_hand.replace("= 10", "= 30")


SMALL = """() => [...document.querySelectorAll('.settings *')].filter(e => e.getClientRects().length
  && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()) && parseFloat(getComputedStyle(e).fontSize) < 14).length"""


FIT = "(({scrollWidth, clientWidth}) => scrollWidth - clientWidth)(document.querySelector('.settings'))"


def test_the_sheet_fits_every_width_and_its_buttons_are_in_sight(sheet: Any) -> None:
    for width in (320, 390, 1280):
        sheet.page.set_viewport_size({"width": width, "height": 640})
        assert sheet.page.evaluate(FIT) == 0, width
        assert sheet.page.evaluate("document.documentElement.scrollWidth") == width
        assert sheet.page.evaluate(SMALL) == 0
        box = sheet.page.locator(SAVE).bounding_box()
        assert 0 <= box["x"] and box["x"] + box["width"] <= width and box["y"] + box["height"] <= 640
        assert box["height"] >= 44


def test_a_page_that_only_looks_on_sees_who_holds_control(sheet: Any, children: Any) -> None:
    url = sheet.url.split("#")[0]
    sheet.page.evaluate(
        "url => fetch(url, {method: 'POST', headers: {'Content-Type': 'application/json'}, body: '{\"name\": \"tablet\"}'})",
        f"{url}api/v1/control",
    )
    sheet.page.wait_for_selector(f'{SAVE}[data-held="Tablet holds control"]', timeout=20_000)
    sheet.page.fill(RATE, "30")
    sheet.page.keyboard.press("Enter")
    wait_for_words(sheet, "Tablet holds control")
