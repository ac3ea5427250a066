"""What a real browser gets of the page: as little as was promised, and the same modules as on disk."""

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

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
    assert {file.name for file in PAGE.glob("*.js")} <= set(sizes)
    assert sum(sizes.values()) < 150_000, sizes


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
