"""What a real browser gets of the page: as little as was promised, and the same document as on disk."""

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Response, Route

PAGE = Path(str(files("peakwhite.web"))) / "static"


def test_the_first_load_is_less_than_150_kb_with_all_that_is_asked_of_the_daemon(
    lasting_demo: Any, open_page: Callable[..., Any], eventually: Callable[..., Any]
) -> None:
    answers: list[Response] = []
    seen = open_page(lasting_demo.url, before=lambda page: page.on("response", lambda one: answers.append(one)))
    seen.wait_for_levels()

    def asked_for() -> set[str]:
        return {answer.url.removeprefix(lasting_demo.url) for answer in answers}

    eventually(lambda: {"", "main.js", "look.css", "favicon.svg", "api/v1/cautions"} <= asked_for())
    sizes = {answer.url.removeprefix(lasting_demo.url): len(answer.body()) for answer in answers}
    assert not set(sizes) & {"line.js", "line.css", "hookup.js", "hookup.css", "procedures.js"}
    assert 90_000 < sum(sizes.values()) < 140_000, sizes


def test_a_view_shows_when_its_style_sheet_is_there_and_not_before(
    lasting_demo: Any, open_page: Callable[..., Any], eventually: Callable[..., Any]
) -> None:
    held: list[Route] = []
    seen = open_page(lasting_demo.url, before=lambda page: page.route("**/line.css", lambda route: held.append(route)))
    with seen.page.expect_request("**/line.css"):
        seen.page.click('[data-view-link="line"]')
    seen.page.wait_for_function("() => performance.getEntriesByName(new URL('line.js', location)).length")
    assert not seen.page.is_visible('[data-view="line"]')
    eventually(lambda: held)
    held[0].continue_()
    seen.page.wait_for_selector('[data-view="line"]')
    assert seen.page.locator("[data-line-plate]").bounding_box()["height"] > 300
    assert seen.page.locator("[data-view=trim]").is_hidden()


@pytest.mark.parametrize("file", ["hookup.js", "procedures.js", "procedures.css"])
def test_a_view_that_cannot_be_fetched_says_so_and_is_tried_again_when_it_is_opened_again(
    lasting_demo: Any, open_page: Callable[..., Any], file: str
) -> None:
    seen = open_page(lasting_demo.url, before=lambda page: page.route(f"**/{file}", lambda route: route.abort()))
    seen.page.click('[data-view-link="hookup"]')
    seen.page.wait_for_function(
        "() => /could not be fetched/.test(document.querySelector('[data-view-says]').textContent)"
    )
    assert not seen.page.is_visible('[data-view="hookup"]')
    seen.page.unroute(f"**/{file}")
    seen.page.click('[data-view-link="hookup"]')
    seen.page.wait_for_selector('[data-clip="CH4"]')
    assert seen.text("[data-view-says]") == ""
    seen.complaints[:] = [one for one in seen.complaints if "ERR_FAILED" not in one]


def test_the_document_as_it_is_sent_is_that_on_disk(lasting_demo: Any, open_page: Callable[..., Any]) -> None:
    """All elements with all attributes, and all words."""
    told = """text => [...new DOMParser().parseFromString(text, "text/html").querySelectorAll("*")].flatMap(function told(one) {
      const own = [...one.childNodes].filter(node => node.nodeType === 3).map(node => node.data.replace(/\\s+/g, " ").trim());
      const attributes = [...one.attributes].map(({ name, value }) => `${name}=${name === "content" ? "" : value}`);
      const inside = one.localName === "template" ? [...one.content.querySelectorAll("*")].flatMap(told) : [];
      return [[one.localName, ...attributes.filter(one => !/^d=/.test(one)), ...own.filter(Boolean)].join("|"), ...inside];
    })"""
    seen = open_page(lasting_demo.url)
    sent = seen.page.evaluate("async () => (await fetch('.')).text()")
    on_disk = (PAGE / "index.html").read_text(encoding="utf-8")
    assert len(sent) < len(on_disk)
    elements = seen.page.evaluate(told, sent)
    assert elements == seen.page.evaluate(told, on_disk)
    assert len(elements) > 200
