"""A phone signs in by its link, in a real browser against a daemon that listens beyond loopback."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, Request, expect

from bench_network import on_network, state_of

MEANT = ("status of 401", "status of 403")
"""A refusal that was meant is logged by the browser."""
UNENCRYPTED = "Cross-Origin-Opener-Policy header has been ignored"
"""Chromium says so of every page beyond loopback that comes without TLS."""


@pytest.fixture(scope="module")
def away(lasting_children: Any) -> Iterator[Any]:
    """A demo on the network, with one operator's and one viewer's token, as `.operator` and `.viewer`."""
    tokens = state_of(lasting_children.folder)
    operator, viewer = tokens.add("phone", "operator")[1], tokens.add("shop screen", "viewer")[1]
    daemon = on_network(lasting_children, "demo")
    daemon.operator, daemon.viewer, daemon.tokens = operator, viewer, tokens
    yield daemon
    for child in lasting_children.started:
        assert operator not in child.stderr and viewer not in child.stderr


@pytest.fixture
def open_page(open_page: Callable[..., Any]) -> Iterator[Callable[..., Any]]:
    """Opens a page, whose browser may say what was meant."""
    opened: list[Any] = []

    def open_and_remember(*arguments: Any, **more: Any) -> Any:
        opened.append(open_page(*arguments, **more))
        return opened[-1]

    yield open_and_remember
    for seen in opened:
        seen.complaints[:] = [
            one for one in seen.complaints if not any(words in one for words in (*MEANT, UNENCRYPTED))
        ]


def linked(daemon: Any, secret: str) -> str:
    return f"{daemon.url}#sign-in={secret}"


def phone(open_page: Callable[..., Any], url: str, before: Callable[[Page], object] | None = None, **more: Any) -> Any:
    return open_page(url, width=390, height=844, before=before, **more)


def test_a_link_signs_a_phone_in_and_leaves_its_secret_nowhere(away: Any, open_page: Callable[..., Any]) -> None:
    asked: list[Request] = []
    seen = phone(open_page, linked(away, away.operator), lambda page: page.on("request", lambda one: asked.append(one)))
    seen.wait_for_levels()
    page = seen.page
    assert page.evaluate("location.href") == away.url
    page.click('[data-view-link="hookup"]')
    page.go_back()
    assert page.evaluate("location.href") == away.url
    stored = page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}, document.cookie, history.state])")
    assert away.operator not in stored
    assert away.operator not in page.content()
    posts = [one for one in asked if away.operator in (one.post_data or "")]
    assert [one.url for one in posts] == [f"{away.url}api/v1/sign-in"]
    for one in asked:
        headers = one.all_headers()
        assert away.operator not in str(headers) and not headers.get("referer")
        assert away.operator not in one.url or one.is_navigation_request()


def test_the_cookie_is_no_scripts_and_no_other_sites_business_and_lasts(
    away: Any, open_page: Callable[..., Any]
) -> None:
    seen = phone(open_page, linked(away, away.operator))
    seen.wait_for_levels()
    (cookie,) = seen.page.context.cookies()
    assert (cookie["httpOnly"], cookie["sameSite"], cookie["secure"]) == (True, "Strict", False)
    assert cookie["value"] != away.operator
    assert seen.page.evaluate("document.cookie") == ""
    seen.page.reload()
    seen.wait_for_levels()
    assert seen.page.evaluate("location.hash") == ""


def test_who_has_no_link_types_the_code_and_a_wrong_one_is_said_in_words(
    away: Any, open_page: Callable[..., Any]
) -> None:
    seen = phone(open_page, away.url, read=False)
    page = seen.page
    page.wait_for_selector("dialog[data-sign-in][open]")
    page.keyboard.press("Escape")
    page.wait_for_selector("dialog[data-sign-in][open]")
    page.fill("[data-sign-in] input", "not-it")
    page.keyboard.press("Enter")
    page.wait_for_function("() => /not known here/.test(document.querySelector('[data-sign-in]').textContent)")
    page.fill("[data-sign-in] input", linked(away, away.operator))
    page.click("[data-sign-in] button")
    page.wait_for_selector("dialog[data-cautions][open]")
    page.click("[data-close-cautions]")
    seen.wait_for_levels()
    assert page.query_selector("[data-sign-in]") is None


def test_a_viewer_sees_levels_and_can_press_nothing_that_changes_them(away: Any, open_page: Callable[..., Any]) -> None:
    seen = phone(open_page, linked(away, away.viewer))
    seen.wait_for_levels()
    page = seen.page
    page.wait_for_selector('[data-action="mark"][data-held="View only"]')
    assert page.eval_on_selector_all("[data-writes]", "all => all.every(one => one.inert)")
    page.keyboard.press(" ")
    expect(page.locator("[data-toast]:visible")).to_contain_text("look on only", timeout=30_000)
    page.click('[data-view-link="hookup"]')
    page.wait_for_selector('[data-clip="CH4"]')
    expect(page.locator("[data-control-words]")).to_contain_text("signed in as viewer", timeout=30_000)
    assert not page.is_visible("[data-control-take]")
    assert "Signed in as shop screen, viewer." in seen.text("[data-signed-in]")


def test_whose_token_is_revoked_is_asked_for_a_code_at_once(away: Any, open_page: Callable[..., Any]) -> None:
    seen = phone(open_page, linked(away, away.tokens.add("lost phone", "operator")[1]))
    seen.wait_for_levels()
    away.tokens.revoke("lost phone")
    seen.page.wait_for_selector("dialog[data-sign-in][open]")


def test_signing_out_ends_the_session_and_another_link_in_the_same_page_begins_one(
    away: Any, open_page: Callable[..., Any], eventually: Callable[..., Any]
) -> None:
    seen = phone(open_page, linked(away, away.viewer))
    seen.wait_for_levels()
    page = seen.page
    page.click('[data-view-link="hookup"]')
    page.click("[data-signed-in] button")
    page.wait_for_selector("dialog[data-sign-in][open]")
    eventually(lambda: page.context.cookies() == [])
    with page.expect_event("load"):
        page.evaluate("code => { location.hash = `sign-in=${code}` }", away.operator)
    seen.wait_for_levels()
    assert page.evaluate("location.href") == away.url
