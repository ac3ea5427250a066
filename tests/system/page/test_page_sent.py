"""What a real browser gets of the page: as little as was promised, and the same modules as on disk."""

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Response, Route

PAGE = Path(str(files("peakwhite.web"))) / "static"


def test_the_first_load_is_less_than_150_kb_with_all_that_is_asked_of_the_daemon(
    lasting_demo: Any, open_page: Callable[..., Any]
) -> None:
    answers: list[Response] = []
    seen = open_page(lasting_demo.url, before=lambda page: page.on("response", lambda one: answers.append(one)))
    seen.wait_for_levels()
    sizes = {answer.url.removeprefix(lasting_demo.url): len(answer.body()) for answer in answers}
    assert {"", "main.js", "look.css", "favicon.svg", "api/v1/cautions"} <= set(sizes)
    assert not set(sizes) & {"line.js", "line.css", "hookup.js", "hookup.css", "procedures.js"}
    assert 90_000 < sum(sizes.values()) < 140_000, sizes


def test_a_view_shows_when_its_style_sheet_is_there_and_not_before(
    lasting_demo: Any, open_page: Callable[..., Any]
) -> None:
    held: list[Route] = []
    seen = open_page(lasting_demo.url, before=lambda page: page.route("**/line.css", lambda route: held.append(route)))
    with seen.page.expect_request("**/line.css"):
        seen.page.click('[data-view-link="line"]')
    seen.page.wait_for_function("() => performance.getEntriesByName(new URL('linedraw.js', location)).length")
    assert not seen.page.is_visible('[data-view="line"]')
    held[0].continue_()
    seen.page.wait_for_selector('[data-view="line"]')
    assert seen.page.locator("[data-line-plate]").bounding_box()["height"] > 300
    assert seen.page.locator("[data-view=trim]").is_hidden()


@pytest.mark.parametrize("file", ["hookup.js", "hookupdata.js", "procedures.css"])
def test_a_view_that_cannot_be_fetched_says_so_and_is_tried_again_when_it_is_opened_again(
    lasting_demo: Any, open_page: Callable[..., Any], file: str
) -> None:
    seen = open_page(lasting_demo.url, before=lambda page: page.route(f"**/{file}", lambda route: route.abort()))
    seen.page.click('[data-view-link="hookup"]')
    seen.page.wait_for_function(
        "() => /could not be fetched/.test(document.querySelector('[data-view-says]').textContent)"
    )
    assert not seen.page.is_visible('[data-view="hookup"]')
    assert [one for one in seen.complaints if "ERR_FAILED" not in one] == []
    seen.complaints.clear()
    seen.page.unroute(f"**/{file}")
    seen.page.click('[data-view-link="hookup"]')
    seen.page.wait_for_selector('[data-clip="CH4"]')
    assert seen.text("[data-view-says]") == ""


def test_every_module_is_understood_as_it_is_sent_and_exports_what_it_does_on_disk(
    lasting_demo: Any, open_page: Callable[..., Any]
) -> None:
    def as_on_disk(route: Route) -> None:
        route.fulfill(path=PAGE / route.request.url.rsplit("/", 1)[1], content_type="text/javascript")

    names = sorted(file.name for file in PAGE.glob("*.js") if file.name != "main.js")
    seen = open_page(lasting_demo.url, before=lambda page: page.route("**/on-disk/*.js", as_on_disk))
    exported = seen.page.evaluate(
        "names => Promise.all(names.map(async name => [name, ...await Promise.all(["
        "new URL(name, location), new URL(`on-disk/${name}`, location)].map(async url => Object.keys(await import(url))))]))",
        names,
    )
    assert len(exported) == len(names) > 20
    for name, sent, on_disk in exported:
        assert sent == on_disk and sent, name
