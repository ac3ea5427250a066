"""The Hookup view in a real browser: roles, hints, scope and control, against the daemon and a simulated scope."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Route, expect

from peakwhite.daemon.http.models import ClipBody
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT

WRITES = "[data-hookup-use]"
SAID = "[data-hookup-say]"
FORM = "JSON.stringify([...document.querySelector('[data-hookup-form]').elements].map(e => [e.name, e.value]))"


def clips(**roles: str | None) -> dict[str, Any]:
    """The bench's hookup with other roles on some channels, as PUT takes it."""
    wanted = {clip.channel: str(clip.role) for clip in BENCH_DEFAULT.clips} | roles
    given = [
        ClipBody.model_validate({"channel": channel, "role": role}).model_dump()
        for channel, role in wanted.items()
        if role
    ]
    return {"clips": given}


def roles_in_force(daemon: Any) -> dict[str, str]:
    return {clip["channel"]: clip["role"] for clip in daemon.json("GET", "api/v1/hookup")["clips"]}


def role_select(seen: Any, channel: str) -> Any:
    return seen.page.get_by_role("group", name=channel, exact=True).get_by_label("Signal")


@pytest.fixture(scope="module")
def lasting_page(lasting_bench: Any, open_lasting_page: Any) -> Any:
    """A page of the module's daemon at its hookup."""
    seen = open_lasting_page(lasting_bench.daemon.url)
    show(seen)
    return seen


@pytest.fixture(scope="module")
def usual_form(lasting_page: Any) -> str:
    """What stands in the form while the usual hookup is in force, as `FORM` gives it."""
    form: str = lasting_page.page.evaluate(f"() => {FORM}")
    return form


@pytest.fixture
def hooked(lasting_bench: Any, lasting_page: Any, usual_form: str) -> Any:
    """That page with the usual hookup and picture, nothing edited and nobody in control."""
    assert "error" not in lasting_bench.scope.ask({"set": {"pattern": "white"}})
    lasting_page.page.set_viewport_size({"width": 1280, "height": 800})
    if lasting_bench.daemon.json("GET", "api/v1/hookup")["clips"] != clips()["clips"]:
        lasting_bench.daemon.json("PUT", "api/v1/hookup", clips())  # which the page then asks for, in its own time
    lasting_page.page.wait_for_selector('[data-clip="CH4"]')
    lasting_page.page.evaluate("document.querySelector('[data-hookup-drop]').click()")
    lasting_page.page.wait_for_function(f"usual => {FORM} === usual", arg=usual_form)
    wait(lasting_page, "document.querySelector('[data-hookup-use]').disabled")
    wait(lasting_page, "document.querySelector('[data-clip=CH1] .hints').textContent !== ''")
    return lasting_page


def wait(seen: Any, condition: str) -> None:
    """Until the JavaScript expression is true: as a function, for the page's policy forbids eval."""
    seen.page.wait_for_function(f"() => {condition}")


def show(seen: Any) -> None:
    """Go to the hookup and wait until its form and the readings are there."""
    seen.page.click('[data-view-link="hookup"]')
    seen.page.wait_for_selector('[data-clip="CH4"]')
    wait(seen, "document.querySelector('[data-scope-identity]').textContent !== ''")


def test_roles_are_exchanged_by_keyboard_and_the_readings_have_them(
    hooked: Any, lasting_bench: Any, eventually: Any
) -> None:
    page, daemon = hooked.page, lasting_bench.daemon
    for channel, letter in (("CH1", "b"), ("CH3", "r")):
        role_select(hooked, channel).focus()
        page.keyboard.press(letter)
    assert "CH1: red → blue; CH3: blue → red" in hooked.text(SAID)
    assert roles_in_force(daemon)["CH1"] == "red"
    page.locator(WRITES).focus()
    page.keyboard.press("Enter")
    wait(hooked, "document.querySelector('[data-hookup-say]').textContent.startsWith('In force since')")

    def roles() -> list[str]:
        status, _, content = daemon.request("GET", "api/v1/reading")
        return [one["role"] for one in json.loads(content)["channels"]] if status == 200 else []

    eventually(lambda: roles() == ["blue", "green", "red", "sync"])
    assert "Blue at the output connector" in hooked.text('[data-clip="CH1"] p')


def test_what_is_no_hookup_is_said_at_its_fields_and_cannot_be_used(hooked: Any) -> None:
    role_select(hooked, "CH2").select_option("red")
    hooked.page.fill('[name="pattern"]', "abc")
    assert (
        hooked.text(SAID) == "Red can be on one channel only. White of the pattern, %: a number from 1 to 100, please."
    )
    assert hooked.page.is_disabled(WRITES)
    marked = hooked.page.locator('[aria-invalid="true"]').evaluate_all("all => all.map(e => e.name)")
    assert marked == ["CH1 role", "CH2 role", "pattern"]
    role_select(hooked, "CH2").select_option("luma")
    hooked.page.fill('[name="pattern"]', "75")
    assert hooked.page.is_enabled(WRITES) and not hooked.page.locator('[aria-invalid="true"]').count()


def test_what_the_daemon_refuses_is_said_beside_the_form(hooked: Any, lasting_bench: Any) -> None:
    def refuse(route: Route) -> None:
        if route.request.method == "PUT":
            route.fulfill(status=422, json={"detail": "no such target"})
        else:
            route.continue_()

    hooked.page.route("**/api/v1/hookup", refuse)
    role_select(hooked, "CH2").select_option("luma")
    hooked.page.click(WRITES)
    wait(hooked, "document.querySelector('[data-hookup-say]').textContent.startsWith('Not taken: no such target')")
    hooked.page.unroute("**/api/v1/hookup")
    assert roles_in_force(lasting_bench.daemon)["CH2"] == "green"
    assert role_select(hooked, "CH2").input_value() == "luma"
    hooked.complaints[:] = [text for text in hooked.complaints if "422" not in text]


def test_hints_show_only_while_the_form_is_the_hookup_in_force(hooked: Any) -> None:
    hints = hooked.page.locator('[data-clip="CH1"] .hints')
    assert hints.is_visible()
    role_select(hooked, "CH1").select_option("luma")
    assert hints.is_hidden()
    hooked.page.click("[data-hookup-drop]")
    assert hints.is_visible()


def test_probing_point_load_and_link_are_kept_with_the_channel_and_drawn(hooked: Any, lasting_bench: Any) -> None:
    card = hooked.page.get_by_role("group", name="CH1", exact=True)
    card.get_by_text("Probing point, load, link").click()
    card.get_by_label("Probed at").select_option("before-series-resistor")
    card.get_by_label("Loaded by").select_option("monitor")
    card.get_by_label("Load, Ω").fill("74,5")
    card.get_by_label("Link").select_option("probe-10x")
    assert {"unit", "monitor", "10:1"} <= set(card.locator("svg text").all_text_contents())
    hooked.page.click(WRITES)
    wait(hooked, "document.querySelector('[data-hookup-say]').textContent.startsWith('In force since')")
    first = lasting_bench.daemon.json("GET", "api/v1/hookup")["clips"][0]
    assert (first["point"], first["load"], first["load_ohm"], first["link"]) == (
        "before-series-resistor",
        "monitor",
        74.5,
        "probe-10x",
    )


def test_a_hookup_changed_elsewhere_is_shown_and_while_editing_it_is_said_instead(
    hooked: Any, lasting_bench: Any
) -> None:
    daemon = lasting_bench.daemon
    daemon.json("PUT", "api/v1/hookup", clips(CH3=None))
    wait(hooked, "document.querySelector('[data-clip=CH3] select').value === ''")
    role_select(hooked, "CH1").select_option("luma")
    daemon.json("PUT", "api/v1/hookup", clips(CH2=None))
    hooked.page.wait_for_selector(f'{SAID}[data-kind="act"]')
    assert "Changed elsewhere meanwhile" in hooked.text(SAID)
    assert role_select(hooked, "CH1").input_value() == "luma"
    hooked.page.click("[data-hookup-drop]")
    assert [role_select(hooked, f"CH{n}").input_value() for n in (1, 2, 3)] == ["red", "", "blue"]


def test_bars_offer_the_roles_with_one_press_and_hints_stand_with_their_channel(
    hooked: Any, lasting_bench: Any, eventually: Any
) -> None:
    page, daemon = hooked.page, lasting_bench.daemon
    lasting_bench.scope.ask({"set": {"pattern": "bars-100"}})
    daemon.json("PUT", "api/v1/hookup", clips(CH1="blue", CH3="red"))
    page.wait_for_selector("[data-bars-use]", state="visible")
    assert hooked.text("[data-bars-words]") == "These look like colour bars: CH1 red, CH2 green, CH3 blue."
    hints = page.locator('[data-clip="CH1"] .hints')
    expect(hints).to_contain_text(re.compile("exchanged.*Ten-second test: Show a full red field"), timeout=30_000)
    assert "exchanged" not in hooked.text('[data-clip="CH2"] .hints')
    page.click("[data-bars-use]")
    eventually(lambda: roles_in_force(daemon) == {"CH1": "red", "CH2": "green", "CH3": "blue", "CH4": "sync"})
    page.wait_for_selector("[data-bars]", state="hidden")


def test_a_take_over_is_noticed_and_what_writes_says_who_holds_control(
    hooked: Any, lasting_bench: Any, open_page: Any, eventually: Any
) -> None:
    daemon, page = lasting_bench.daemon, hooked.page
    page.fill("[data-control-name]", "bench laptop")
    page.click("[data-control-take]")
    page.wait_for_selector("[data-control-back]", state="visible")
    assert daemon.json("GET", "api/v1/control")["holder"] == "bench laptop"
    role_select(hooked, "CH3").select_option("")
    page.click(WRITES)
    eventually(lambda: "CH3" not in roles_in_force(daemon))

    other = open_page(daemon.url, width=320, height=700)
    show(other)
    assert other.page.get_attribute(WRITES, "data-held") == "Bench laptop holds control"
    assert other.text("[data-control-words]").startswith("Bench laptop holds control.")
    other.page.fill("[data-control-name]", "phone")
    other.page.click("[data-control-take]")
    other.page.wait_for_selector("[data-control-back]", state="visible")

    expect(page.locator("[data-toast-title]:visible")).to_have_text("Phone took control", timeout=30_000)
    assert page.get_attribute(WRITES, "data-held") == "Phone holds control"
    expect(page.locator("[data-control-words]")).to_contain_text("2 pages are open", timeout=30_000)
    role_select(hooked, "CH3").select_option("blue")
    page.locator(WRITES).focus()
    page.keyboard.press("Enter")
    page.wait_for_selector(f'{SAID}[data-kind="act"]')
    assert "Phone holds control. Ask them, or take control" in hooked.text(SAID)
    other.page.click("[data-control-back]")
    page.wait_for_selector(f"{WRITES}:not([data-held])")
    hooked.complaints[:] = [text for text in hooked.complaints if "409" not in text]


def test_a_reload_keeps_control(hooked: Any, lasting_bench: Any) -> None:
    page = hooked.page
    page.click("[data-control-take]")
    page.wait_for_selector("[data-control-back]", state="visible")
    page.reload()
    page.wait_for_selector("[data-control-back]", state="visible")
    page.click("[data-control-back]")
    page.wait_for_selector("[data-control-take]", state="visible")
    assert lasting_bench.daemon.json("GET", "api/v1/control")["holder"] is None


def test_looking_for_scopes_says_that_it_takes_seconds_and_lists_what_it_found(
    hooked: Any, lasting_bench: Any, eventually: Callable[..., Any]
) -> None:
    page = hooked.page
    one = {"id": "1", "resource": lasting_bench.scope.resource, "identity": "ONE", "problem": None, "in_use": True}
    broken = {"id": None, "resource": "USB?*::INSTR", "identity": None, "problem": "no libusb", "in_use": False}
    found = {"scopes": [one, broken]}
    page.route("**/api/v1/scopes/scan", lambda route: waiting.append(route))
    waiting: list[Any] = []
    page.click("[data-scan]")
    wait(hooked, "document.querySelector('[data-scan-said]').textContent.includes('some seconds')")
    assert page.is_disabled("[data-scan]")
    eventually(lambda: waiting)
    waiting[0].fulfill(json=found)
    page.wait_for_selector("[data-scan]:enabled")
    listed = [item.strip() for item in page.locator("[data-scopes] li").all_inner_texts()]
    assert listed == [f"ONE {lasting_bench.scope.resource}, in use", "no libusb USB?*::INSTR"]
    assert page.locator("[data-scopes] button").count() == 0
    assert hooked.text("[data-scan-said]") == "1 found."
    expect(page.locator("[data-scope-state]")).to_have_text(re.compile("^Connected since"), timeout=30_000)


def test_the_view_fits_with_its_reminder_in_sight_and_text_of_14_pixels(hooked: Any) -> None:
    page = hooked.page
    for summary in page.locator(".clip summary:visible").all():
        summary.click()
    for width, height in ((320, 700), (390, 844), (1280, 800), (1920, 1080)):
        page.set_viewport_size({"width": width, "height": height})
        page.evaluate("scrollTo(0, 0)")
        assert inside(page, ".use", height)
        page.evaluate("scrollTo(0, 1e6)")
        assert inside(page, ".earth", height)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        small, cut = page.evaluate(
            """() => { const view = document.querySelector('.hookup-view');
            const all = [...view.querySelectorAll('*')].filter(e => e.checkVisibility() && e.textContent.trim());
            return [all.filter(e => parseFloat(getComputedStyle(e).fontSize) < 14).map(e => e.textContent),
              all.filter(e => e.matches('button, label, p:not(.use p)') && e.scrollWidth > e.clientWidth + 1)
                .map(e => e.textContent)]; }"""
        )
        assert small == [] and cut == []


def inside(page: Any, selector: str, height: int) -> bool:
    """Whether all of it is in the viewport."""
    box = page.locator(selector).bounding_box()
    return bool(box and box["y"] >= 0 and box["y"] + box["height"] <= height)


def test_a_suspicion_is_said_on_trim_and_on_its_card_until_the_colours_agree_and_outlives_a_reload(
    bench: Any, open_page: Any
) -> None:
    seen = open_page(bench.url)
    seen.wait_for_levels()
    turn: Callable[[float], object] = lambda percent: bench.json(
        "PUT", "api/v1/demo/trimmers/red", {"percent": percent}
    )
    turn(80.0)
    seen.wait_for_words("red", "check this channel’s hookup first")
    turn(83.0)
    seen.wait_for_level("red", 592.9)
    seen.page.reload()
    seen.wait_for_levels()
    seen.wait_for_words("red", "check this channel’s hookup first")
    seen.page.click('[data-view-link="hookup"]')
    seen.page.wait_for_function(
        "() => /This colour alone is off/.test(document.querySelector('[data-clip=CH1] .hints')?.textContent)"
    )
    expect(seen.page.locator('[data-clip="CH2"] .hints')).to_contain_text("Nothing suspicious", timeout=30_000)
    expect(seen.page.locator("[data-hookup-hints]")).to_have_text("See the hints at the channels.", timeout=30_000)
    turn(90.0)
    seen.page.wait_for_function(
        "() => /Nothing suspicious/.test(document.querySelector('[data-clip=CH1] .hints')?.textContent)"
    )
    seen.page.click('[data-view-link="trim"]')
    seen.wait_for_words("red", "in, but dim: leave it")
