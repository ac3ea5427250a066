"""The page where it is not looked at on its own address: behind a proxy, on paper, in two browsers."""

import os
import re
from pathlib import Path
from typing import Any

import pytest

from sub_path_proxy import sub_path_proxy


def test_behind_a_proxy_under_a_path_of_its_own_everything_works(bench: Any, open_page: Any) -> None:
    with sub_path_proxy("/bench/peakwhite/", bench.port) as url:
        seen = open_page(url)
        seen.wait_for_level("red", 750.0)
        seen.page.locator('[data-trimmer="red"] input').fill("100")
        seen.wait_for_level("red", 714.3)
        seen.page.keyboard.press(" ")
        seen.page.wait_for_selector("[data-toast]:not([hidden])")
        assert "kept" in seen.text("[data-toast]")
        seen.page.click('[data-view-link="line"]')
        seen.page.wait_for_function("() => /lines/.test(document.querySelector('[data-line-why]').textContent)")
        assert seen.page.evaluate("location.pathname") == "/bench/peakwhite/"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_printed_it_is_a_sheet_for_a_folder(
    bench: Any, open_page: Any, eventually: Any, tmp_path: Path, scheme: str
) -> None:
    seen = open_page(bench.url)
    page = seen.page
    page.emulate_media(color_scheme=scheme)
    seen.wait_for_level("red", 750.0)
    seen.wait_for_words("red", "too high")
    seen.situation("clear")
    page.wait_for_function("() => document.querySelector('link[href=\"print.css\"]')?.sheet")
    folder = Path(os.environ.get("PEAKWHITE_ARTEFACTS") or tmp_path)
    page.pdf(path=folder / f"sheet-{scheme}.pdf", format="A4")
    page.set_viewport_size({"width": 718, "height": 1000})
    page.emulate_media(media="print", color_scheme=scheme)
    page.screenshot(path=folder / f"sheet-{scheme}.png")
    words = ("Red (CH1)", "over", "too high", "69", "PEAKWHITE,SIM-", "locked on CH4", "rgb-525", "apart (untied)")

    def is_said() -> bool:
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        said = seen.text("[data-paper]")
        day = bench.json("GET", "api/v1/reading")["captured_at"][:10]
        return all(one in said for one in (*words, day)) and bool(re.search("\u00b12[345] mV", said))

    eventually(is_said)  # what is printed is of that moment, and a reading may just be late
    assert not [button for button in page.get_by_role("button").all() if button.is_visible()]
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.eval_on_selector("[data-paper]", "e => getComputedStyle(e).color") == "rgb(0, 0, 0)"


def test_a_second_viewer_is_said_quietly_and_gone_when_he_leaves(bench: Any, open_page: Any) -> None:
    seen = open_page(bench.url)
    seen.wait_for_levels()
    # the viewer of the test before may still be counted
    seen.page.wait_for_function("() => document.querySelector('[data-viewers]').textContent === ''")
    place = seen.page.locator("[data-rate]").bounding_box()
    other = open_page(bench.url)
    other.page.wait_for_function("() => /^2.viewers$/.test(document.querySelector('[data-viewers]').textContent)")
    seen.page.wait_for_function("() => /^2.viewers$/.test(document.querySelector('[data-viewers]').textContent)")
    assert seen.page.locator("[data-rate]").bounding_box() == place
    other.page.goto("about:blank")
    seen.page.wait_for_function("() => document.querySelector('[data-viewers]').textContent === ''")
