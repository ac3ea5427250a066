"""The daemon's end of the live socket for a page: what a healthy demo does not say."""

import copy
import json
import time
from collections.abc import Callable
from typing import Any

from playwright.sync_api import Page, WebSocketRoute

SINCE = "2026-01-02T03:04:05.678Z"


class Said:
    """The daemon's end of the live socket: says hello, then what the test says."""

    def __init__(self, reading: dict[str, Any]) -> None:
        self.reading = reading | {"captured_at": None}  # what is said again and again is as late as it likes
        self.version = "1.0"
        self.run = 0
        self.sockets: list[WebSocketRoute] = []

    @classmethod
    def of(cls, demo: Any) -> "Said":
        """With a reading of the real demo in which every white was seen: on a busy machine some captures miss it."""
        until = time.monotonic() + 30.0
        while True:
            content = demo.request("GET", "api/v1/reading")[2]
            reading = json.loads(content) if content else None
            if reading and not any(one["held"] for one in reading["channels"]) and reading["match"]:
                return cls(reading)
            assert time.monotonic() < until, "the demo never measured"
            time.sleep(0.05)

    def route(self, page: Page) -> None:
        """Stand in for the daemon on the page's live socket."""
        page.route_web_socket("**/api/v1/live", self._greet)

    def _greet(self, socket: WebSocketRoute) -> None:
        self.sockets.append(socket)
        self.begin_anew()

    def begin_anew(self) -> None:
        """Say hello as a daemon that was started again: the page forgets what it knew."""
        self.run += 1
        run = {"version": self.version, "run": f"test-{self.run}", "rate_hz": 20}
        hello = {"type": "hello", "schema": "peakwhite.live/1"} | run
        self._say(hello | {"demo": False})
        self.status("ready")

    def _say(self, frame: dict[str, Any]) -> None:
        self.sockets[-1].send(json.dumps(frame))

    def status(self, state: str, text: str = "", do: str | None = None, **more: Any) -> None:
        """A status frame."""
        scope = {"state": state, "since": SINCE, "text": text, "do": do}
        rest = {"problems": [], "control": {"holder": None, "mine": False}, "viewers": 1, "setup": 1}
        self._say({"type": "status", "scope": scope} | rest | more)

    def question(self, text: str | None) -> None:
        """What is on the bench, and the question whether it is still that, if there is a `text`."""
        unit = {"maker": "Tamarisk", "model": "TM-2", "serial": "1042", "id": 1}
        present = {"job": {"id": 1, "name": "Quayside batch"}, "unit": unit, "stage": {"id": 1, "name": "as found"}}
        warmth: dict[str, Any] = {"unit_on_min": 12.3, "scope_on_min": 130.0, "why_cold": None, "drifts": []}
        seen = {"level": 3, "sync-lost": 1, "channel-dead": 0}
        watch = {"on": True, "band_mv": 10.0, "seen": seen, "kept": 0, "not_kept": 0}
        asked = None if text is None else {"text": text, "since": SINCE, "is_back": True}
        self._say({"type": "bench", "present": present, "warmth": warmth, "watch": watch, "question": asked})

    def say_reading(self, change: Callable[[dict[str, Any]], None] = lambda _: None) -> None:
        """The next reading, changed by `change`; the red channel is `channels[0]`."""
        self.reading["seq"] += 1
        reading = copy.deepcopy(self.reading)
        change(reading)
        self._say({"type": "reading", "reading": reading})

    def say_until(self, seen: Any, situation: str, change: Callable[[dict[str, Any]], None]) -> None:
        """Say such readings as a scope would, one after the other, until the notice has taken up their `situation`."""
        give_up = time.monotonic() + 30.0
        while seen.page.get_attribute("[data-notice]", "data-situation") != situation:
            assert time.monotonic() < give_up, f"the page never said {situation}"
            self.say_reading(change)
            seen.page.wait_for_timeout(40)
        self.say_reading(change)

    def say_for_a_while(self, page: Page, change: Callable[[dict[str, Any]], None] = lambda _: None) -> None:
        """Such readings over four seconds by the page's clock, which is the test's: what lasts has then been said."""
        for _ in range(10):
            page.clock.fast_forward(400)
            self.say_reading(change)
        page.clock.run_for(200)
