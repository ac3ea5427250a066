"""The daemon's end of the live socket for a page: what a healthy demo does not say."""

import copy
import json
import time
from collections.abc import Callable
from typing import Any

from playwright.sync_api import Page, WebSocketRoute

SINCE = "2026-01-02T03:04:05.678Z"


def reading_of(demo: Any, red_percent: float) -> dict[str, Any]:
    """A reading of the real demo with red at that, in which every white was seen: on a busy machine some captures miss it."""
    until = time.monotonic() + 30.0
    while True:
        content = demo.request("GET", "api/v1/reading")[2]
        reading: dict[str, Any] | None = json.loads(content) if content else None
        if reading and _all_is_seen(reading) and abs(_red(reading)["peak_white_mv"] - 7.143 * red_percent) < 2.0:
            return reading
        assert time.monotonic() < until, f"the demo never measured {red_percent} %; last {reading}"
        time.sleep(0.05)


def _all_is_seen(reading: dict[str, Any]) -> bool:
    """Whether every white is of this very record, and nothing is suspected."""
    channels = reading["channels"]
    hints = [*reading["hints"], *(hint for one in channels for hint in one["hints"])]
    fresh = not any(one["held"] for one in channels) and bool(reading["match"])
    return fresh and reading["sync"]["state"] == "locked" and not hints


def _red(reading: dict[str, Any]) -> dict[str, Any]:
    channel: dict[str, Any] = next(one for one in reading["channels"] if one["role"] == "red")
    return channel


class Said:
    """The daemon's end of the live socket: says hello, then what the test says."""

    def __init__(self, reading: dict[str, Any]) -> None:
        self.reading: dict[str, Any] = {"seq": 0}
        self.take(reading)
        self.version = "1.0"
        self.run = 0
        self.sockets: list[WebSocketRoute] = []

    def take(self, reading: dict[str, Any]) -> None:
        """From now on say that one: again and again, so it is as late as it likes."""
        self.reading = reading | {"captured_at": None, "seq": max(reading["seq"], self.reading["seq"])}

    @classmethod
    def of(cls, demo: Any, red_percent: float = 105.0) -> "Said":
        """With a reading of the real demo, whose red trimmer stands there: see `reading_of`."""
        return cls(reading_of(demo, red_percent))

    def open(self, open_page: Callable[..., Any], url: str, before: Callable[[Page], object] = lambda _: None) -> Any:
        """A page that hears these frames and goes by the test's clock, so that a busy machine makes no reading late.

        Its clock stands unless it is run on, from before the page is there.
        """

        def prepare(page: Page) -> None:
            page.clock.install(time="2026-01-02T13:03:22Z")
            page.clock.pause_at("2026-01-02T14:03:22Z")
            before(page)
            self.route(page)

        return open_page(url, before=prepare)

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

    def show(self, page: Page, change: Callable[[dict[str, Any]], None] = lambda _: None) -> None:
        """The next reading, and time for the page, whose clock is the test's, to draw it and put it into words."""
        self.say_reading(change)
        page.clock.run_for(300)

    def say_for_a_while(self, page: Page, change: Callable[[dict[str, Any]], None] = lambda _: None) -> None:
        """Such readings over four seconds by the page's clock, which is the test's: what lasts has then been said."""
        for _ in range(10):
            page.clock.fast_forward(400)
            self.say_reading(change)
        page.clock.run_for(300)
