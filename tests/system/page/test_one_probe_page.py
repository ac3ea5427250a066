"""One probe moved over the colours of a two-channel scope, guided by the page."""

from typing import Any

import pytest


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (360, 740)])
def test_the_page_names_the_next_colour_takes_it_and_ends_with_the_match(
    children: Any, open_page: Any, width: int, height: int
) -> None:
    scope = children.scope("--clock", "fast", "--seed", "3", "--channels", "2")
    signals = scope.ask({"get": "truth"})["truth"]["signals"]
    true_mv = {role: signals[role]["peak_white_mv"] for role in ("red", "green", "blue")}
    scope.ask({"front": {"CH2": {"clipped_to": "sync"}}})
    daemon = children.daemon("serve", "--scope", scope.resource, "--role", "CH1=red", "--role", "CH2=sync")
    seen = open_page(daemon.url, width=width, height=height)
    seen.wait_for_levels()
    for due, then in (("red", "to green"), ("green", "to blue"), ("blue", "back to red"), ("red", "one-probe")):
        scope.ask({"front": {"CH1": {"clipped_to": due}}})
        seen.page.wait_for_function(
            "due => document.querySelector('[data-take]').textContent === `Take as ${due}`", arg=due
        )
        assert seen.page.evaluate("document.documentElement.scrollHeight <= innerHeight")
        seen.wait_for_level("red", true_mv[due])
        assert not seen.is_cut("[data-match]")
        seen.page.click("[data-take]")
        seen.page.wait_for_function(
            "then => document.querySelector('[data-match]').textContent.includes(then)", arg=then
        )
    seen.page.wait_for_function(
        "() => document.querySelector('[data-match]').textContent.includes('Red is highest, blue lowest: ')"
    )
