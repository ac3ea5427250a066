"""The page in Debian's Chromium: what it logs and asks for is kept and judged."""

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, WebSocket, sync_playwright

CHROMIUM_ARGUMENTS = (
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--disable-quic",
)


@dataclass
class Seen:
    """A page with all that it complained of and asked for."""

    page: Page
    url: str
    complaints: list[str] = field(default_factory=list)
    hosts: set[str] = field(default_factory=set)

    def hears(self, message: ConsoleMessage) -> None:
        if urlsplit(message.location["url"]).path.endswith("/api/v1/book"):
            return  # a daemon without a bench book says 404, and the page then offers no marks
        if message.type in ("error", "warning"):
            self.complaints.append(f"{message.type}: {message.text}")

    def asks(self, request: Request | WebSocket) -> None:
        if urlsplit(request.url).scheme != "data":
            self.hosts.add(urlsplit(request.url).netloc)

    def situation(self, code: str, timeout_s: float = 30.0) -> None:
        """Wait until the notice says `code`."""
        self.page.wait_for_selector(f'[data-notice][data-situation="{code}"]', timeout=timeout_s * 1000)

    def reset(self) -> None:
        """As it was opened: no sheet, the first size, the first channel large."""
        self.page.evaluate("document.querySelectorAll('dialog[open]').forEach(e => e.close())")
        self.page.set_viewport_size({"width": 1280, "height": 800})
        self.page.emulate_media(color_scheme="light")
        self.page.keyboard.press("1")

    def is_cut(self, selector: str) -> bool:
        """Whether the words of the first such element do not all show."""
        return bool(
            self.page.eval_on_selector(
                selector, "e => e.scrollWidth > e.clientWidth || e.scrollHeight > e.clientHeight + 1"
            )
        )

    def text(self, selector: str) -> str:
        """What stands there, with plain spaces."""
        return self.page.inner_text(selector).replace("\u00a0", " ").replace("\u202f", " ")

    def number(self, role: str) -> int:
        """The large number of a channel in mV."""
        return int(self.text(f'[data-channel="{role}"] [data-number]').replace("−", "-"))

    def wait_for_levels(self) -> None:
        """Wait until every ruler has a number."""
        self.page.wait_for_function(
            "() => [...document.querySelectorAll('[data-number]')].every(e => /\\d/.test(e.textContent))"
            " && document.querySelector('[data-slider]')?.offsetWidth > 0",
            timeout=30_000,
        )

    def wait_for_level(self, role: str, mv: float) -> None:
        """Wait until a channel's number is within 2 mV of `mv`."""
        self.page.wait_for_function(
            "([role, mv]) => Math.abs(parseInt("
            "document.querySelector(`[data-channel=${role}] [data-number]`).textContent) - mv) <= 2",
            arg=[role, mv],
            timeout=30_000,
        )

    def wait_for_words(self, role: str, words: str) -> None:
        """Wait until the main words of a channel match the JavaScript pattern."""
        self.page.wait_for_function(
            "([role, words]) => new RegExp(words).test("
            "document.querySelector(`[data-channel=${role}] [data-words]`).textContent.replace(/\\s/g, ' '))",
            arg=[role, words],
            timeout=30_000,
        )


def _chromium() -> str | None:
    return next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium as the system has it; without one the tests skip, or fail where PEAKWHITE_REQUIRE_BROWSER=1."""
    path = _chromium()
    if path is None:
        reason = "no Chromium on this machine (Debian: chromium, fonts-dejavu-core): the page was not tested"
        if os.environ.get("PEAKWHITE_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=list(CHROMIUM_ARGUMENTS))
        yield chromium
        chromium.close()


@pytest.fixture
def bench(lasting_demo: Any) -> Any:
    """The module's demo with its trimmers as at the start."""
    for role, percent in (("red", 105.0), ("green", 100.0), ("blue", 98.0)):
        lasting_demo.json("PUT", f"api/v1/demo/trimmers/{role}", {"percent": percent})
    return lasting_demo


@pytest.fixture
def eventually(browser: Browser, eventually: Callable[..., Any]) -> Callable[..., Any]:
    """As elsewhere; and what a page asks of a route of the test is answered, for which Playwright must be called."""

    def wait(condition: Callable[[], Any], timeout_s: float = 15.0) -> Any:
        def answered() -> Any:
            browser.contexts[0].pages[0].wait_for_timeout(1)
            return condition()

        return eventually(answered, timeout_s)

    return wait


OpenPage = Callable[..., Seen]


@dataclass
class Pages:
    """Pages of one browser; at the end none of them may have complained or asked any other host."""

    browser: Browser
    opened: list[Seen] = field(default_factory=list)

    def open(self, url: str, *, width: int = 1280, height: int = 800, read: bool = True, before: object = None) -> Seen:
        context = self.browser.new_context(
            viewport={"width": width, "height": height}, timezone_id="UTC", locale="de-DE"
        )
        page = context.new_page()
        seen = Seen(page, url)
        page.on("console", seen.hears)
        page.on("pageerror", lambda error: seen.complaints.append(str(error)))
        page.on("request", seen.asks)
        page.on("websocket", seen.asks)
        self.opened.append(seen)
        if callable(before):
            before(page)
        page.goto(url)
        if read:
            page.wait_for_selector("dialog[data-cautions][open]")
            page.click("[data-close-cautions]")
        return seen

    def end(self) -> None:
        """Judge and close them."""
        try:
            for seen in self.opened:
                assert seen.complaints == []
                assert seen.hosts <= {urlsplit(seen.url).netloc}
        finally:
            for seen in self.opened:
                seen.page.context.close()


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    """Opens a page of a daemon for one test."""
    pages = Pages(browser)
    yield pages.open
    pages.end()


@pytest.fixture(scope="module")
def open_lasting_page(browser: Browser) -> Iterator[OpenPage]:
    """Opens a page of a daemon for all tests of a module that leave it as it was."""
    pages = Pages(browser)
    yield pages.open
    pages.end()
