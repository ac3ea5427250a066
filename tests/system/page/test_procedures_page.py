"""Terminator test and tie on the page, by hand and by keyboard alone."""

from typing import Any

import pytest


@pytest.fixture
def hookup(lasting_bench: Any, open_page: Any) -> Any:
    """The Hookup view of a daemon whose procedures are at their start."""
    lasting_bench.scope.ask({"front": {"terminated": True, "CH2": {"clipped_to": None}, "CH3": {"clipped_to": None}}})
    for name in ("terminator", "tie"):
        lasting_bench.daemon.json("DELETE", f"api/v1/procedures/{name}")
    seen = open_page(f"{lasting_bench.daemon.url}#hookup")
    wait_for(seen, "[data-live]", "^Steady: red 7")
    for press in ("[data-press=first]", "[data-press=learn]"):
        seen.page.wait_for_selector(f"{press}:enabled")  # the daemon has told how far the procedures are
    return seen


def wait_for(seen: Any, selector: str, words: str) -> None:
    """Wait until what stands there matches the JavaScript pattern."""
    seen.page.wait_for_function(
        "([selector, words]) => new RegExp(words).test(document.querySelector(selector).textContent)",
        arg=[f"[data-procedures] {selector}", words],
        timeout=30_000,
    )


TERMINATOR, TIE = ("[data-procedure=terminator]", "[data-procedure=tie]")


def test_the_terminator_test_is_done_by_keyboard_alone(lasting_bench: Any, hookup: Any) -> None:
    page = hookup.page
    page.focus(f"{TERMINATOR} select")
    page.keyboard.press("Tab")
    assert page.inner_text(":focus") == "Press as it is"
    page.keyboard.press("Enter")
    wait_for(hookup, f"{TERMINATOR} [data-told]", "^Taken, good for 5")
    assert page.inner_text(":focus") == "Press again", "the keyboard is where the next press is"
    assert page.is_disabled(f"{TERMINATOR} select")
    lasting_bench.scope.ask({"front": {"terminated": False}})
    wait_for(hookup, "[data-live]", "^Steady: red 1[45]")
    page.keyboard.press("Space")
    wait_for(hookup, f"{TERMINATOR} [data-found]", "Blue 7")
    for role in ("Red", "Green", "Blue"):
        wait_for(
            hookup, f"{TERMINATOR} [data-found]", rf"{role} 7[45]\.\d ± [12]\.\d ohm: back-terminated as it should be"
        )
    wait_for(hookup, f"{TERMINATOR} [data-told]", "^When done put the terminators back")
    page.reload()
    wait_for(hookup, f"{TERMINATOR} [data-found]", "Red 7")
    lasting_bench.scope.ask({"front": {"terminated": True}})
    page.click(f"{TERMINATOR} [data-again]")
    page.wait_for_selector(f"{TERMINATOR} [data-press=first]:enabled")
    assert page.inner_text(f"{TERMINATOR} [data-found]") == ""


def test_what_the_daemon_refuses_is_said_and_the_press_stays_due(lasting_bench: Any, hookup: Any) -> None:
    lasting_bench.scope.ask({"set": {"pattern": "black"}})
    wait_for(hookup, "[data-live]", "^Waiting for white")
    hookup.page.click(f"{TERMINATOR} [data-press=first]")
    wait_for(hookup, f"{TERMINATOR} [data-told]", "^No white is seen on CH1 and CH2 and CH3; show a full white field")
    lasting_bench.scope.ask({"set": {"pattern": "white"}})
    assert hookup.page.is_enabled(f"{TERMINATOR} [data-press=first]")
    hookup.complaints[:] = [one for one in hookup.complaints if "422" not in one]


def test_a_tie_is_compared_and_then_kept(lasting_bench: Any, hookup: Any) -> None:
    lasting_bench.scope.ask({"front": {"CH2": {"clipped_to": "red"}, "CH3": {"clipped_to": "red"}}})
    wait_for(hookup, "[data-live]", r"^Steady: red 7[45]\d.*green 7[45]\d.*blue 7[45]\d")
    hookup.page.click(f"{TIE} [data-press=learn]")
    wait_for(hookup, f"{TIE} [data-found]", "CH2 reads .* of CH1.*Match known to")
    hookup.page.click(f"{TIE} [data-press=keep]")
    wait_for(hookup, f"{TIE} [data-told]", "^Kept, in force until 20")
