"""The list of found scopes in a real browser: one is picked by keyboard, and every page says so."""

import os
from pathlib import Path
from typing import Any

import pytest

HELPERS = str(Path(__file__).parents[2] / "helpers")
SECOND = "PEAKWHITE,SIM-CURVE,SECOND,1"


def test_another_scope_is_picked_from_the_list_by_keyboard_and_every_page_says_so(
    children: Any, open_page: Any, eventually: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, [HELPERS, os.environ.get("PYTHONPATH")])))
    first, second = children.scope("--seed", "1"), children.scope("--seed", "2", "--identity", SECOND)
    assert second.ask({"set": {"red": {"gain_percent": 90.0}}})["ok"]
    announced = children.folder / "announced.txt"
    announced.write_text(f"{first.resource} {second.resource}")
    daemon = children.daemon(str(announced), "serve", "--scope", first.resource, module="announced")
    seen, viewer = open_page(daemon.url), open_page(daemon.url)
    for page in (seen, viewer):
        page.wait_for_levels()
    seen.page.click('[data-view-link="hookup"]')
    seen.page.wait_for_selector('[data-clip="CH4"]')
    seen.page.locator("[data-scan]").focus()
    seen.page.keyboard.press("Enter")
    button = seen.page.locator("[data-scopes] li", has_text=SECOND).get_by_role("button")
    button.wait_for()
    assert seen.page.locator("[data-scopes] button").count() == 1, "the one in use cannot be picked"
    seen.page.wait_for_selector("[data-scan]:focus:enabled")
    seen.page.keyboard.press("Tab")
    assert seen.text(":focus") == "Use this scope"
    seen.page.keyboard.press("Enter")
    seen.page.wait_for_function(
        "() => document.querySelector('[data-scan-said]').textContent"
        " === 'Until the daemon ends: --scope goes before the settings file.'"
    )
    for page in (seen, viewer):
        page.page.wait_for_selector("[data-toast]:visible")
        assert page.text("[data-toast-title]") == "Another scope in use"
        assert page.text("[data-toast-more]") == SECOND
    viewer.wait_for_level("red", float(second.ask({"get": "truth"})["truth"]["signals"]["red"]["peak_white_mv"]))
    in_use = seen.page.locator("[data-scopes] li", has_text=", in use")
    eventually(lambda: [second.resource in words for words in in_use.all_inner_texts()] == [True])
    eventually(lambda: seen.text("[data-scope-identity]") == f"{SECOND}, {second.resource}")
