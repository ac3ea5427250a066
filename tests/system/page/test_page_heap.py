"""The page after a quarter of an hour of readings holds no more than it did after three minutes."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import CDPSession

from live_client import channel_of, is_fresh, live_client

READINGS = 18_000
EACH, TIMES = 20, 3
"""So many readings of a kind, and how often before the next kind comes; a round of the five kinds divides 20 % of all."""
HEAP_GROWTH_BYTES = 20 * READINGS * 4 // 5
"""Less than the smallest object kept of every reading."""


A_FEW = 20
"""What shows or is announced just then may be a few nodes more; kept at every change of kind it would be hundreds."""

Frames = tuple[list[dict[str, Any]], list[dict[str, Any]]]


@dataclass(frozen=True)
class Held:
    """What the page holds after the garbage was collected."""

    heap_bytes: int
    nodes: int
    listeners: int


@pytest.fixture
def frames(lasting_demo: Any) -> Frames:
    """What the daemon greets with, and readings of every kind in turn: over, left alone, too low, no sync, fewer channels."""
    readings: list[dict[str, Any]] = []
    with live_client(lasting_demo) as client:
        greeting = [client.until("hello", bool), client.status("ready")]
        for percent in (105.0, 96.0, 70.0):
            lasting_demo.json("PUT", "api/v1/demo/trimmers/red", {"percent": percent})
            client.until("reading", partial(_is_near, 7.143 * percent))
            readings += [client.until("reading", bool)["reading"] for _ in range(EACH)] * TIMES
    *_, last = readings
    unlocked = last | {"sync": last["sync"] | {"state": "none"}, "channels": [_unseen(one) for one in last["channels"]]}
    fewer = last | {"channels": last["channels"][1:]}
    return greeting, [*readings, *[unlocked] * EACH * TIMES, *[fewer] * EACH * TIMES]


def _is_near(red_mv: float, frame: dict[str, Any]) -> bool:
    """Whether red is fresh and within 3 mV of that."""
    return is_fresh(frame["reading"], "red") and abs(channel_of(frame["reading"], "red")["peak_white_mv"] - red_mv) < 3


def _unseen(channel: dict[str, Any]) -> dict[str, Any]:
    """A channel of which nothing was measured."""
    kept = ("channel", "role", "held", "clipped", "samples", "top_checked", "hints", "age_s", "target", "edges_mv")
    return {key: value if key in kept else None for key, value in channel.items()}


@pytest.mark.timeout(600)
def test_eighteen_thousand_readings_leave_the_heap_as_it_was(
    lasting_demo: Any, open_page: Callable[..., Any], frames: Frames
) -> None:
    greeting, readings = frames
    fed = Path(__file__).with_name("fed.js")
    seen = open_page(lasting_demo.url, width=390, read=False, before=lambda page: page.add_init_script(path=fed))
    page = seen.page
    page.evaluate("(greeting) => greeting.forEach(say)", greeting)
    page.click("[data-close-cautions]")
    page.wait_for_selector("[data-trimmers]:not([hidden]) [data-trimmer]")
    page.wait_for_function(  # the last thing that is fetched; looked for by time, for the animation frames are the test's
        "() => document.querySelector('link[href=\"print.css\"]')?.sheet", polling=100
    )
    devtools = page.context.new_cdp_session(page)

    def after(count: int) -> Held:
        page.evaluate("([readings, count]) => feed(readings, count)", [readings, count])
        return _held(devtools)

    early = after(READINGS // 5)
    late = after(READINGS - READINGS // 5)

    assert page.text_content('[data-channel="green"] [data-number]').isdigit()
    assert late.heap_bytes < early.heap_bytes + HEAP_GROWTH_BYTES, (early, late)
    assert late.nodes < early.nodes + A_FEW, (early, late)
    assert late.listeners < early.listeners + A_FEW, (early, late)


def _held(devtools: CDPSession) -> Held:
    for _ in range(3):
        devtools.send("HeapProfiler.collectGarbage")
    counters = devtools.send("Memory.getDOMCounters")
    heap_bytes = int(devtools.send("Runtime.getHeapUsage")["usedSize"])
    return Held(heap_bytes, counters["nodes"], counters["jsEventListeners"])
