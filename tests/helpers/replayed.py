"""A transcript as a link: it answers the conversation that it holds and no other, at the times that it holds."""

import base64
import json
from pathlib import Path
from typing import Any

from peakwhite.drivers.identity import Identity
from peakwhite.drivers.transcript import SCHEMA, ConversationTime, Exchange
from peakwhite.drivers.waiting import Clock

OF_A_SIMULATED_SCOPE = "record it anew from the simulated scope: DEVELOPERS.md, 'Add a scope family', says how"
OF_AN_INSTRUMENT = (
    "nobody can ask that instrument again here. Where its manual leaves no doubt that it would answer the same, change "
    "this exchange in the file and say so in the commit; where it does, have it recorded anew, and until then take the "
    "file out, and tried_on_hardware with it if it was the family's last"
)


class ReplayedLink:
    """Exactly the exchanges of a transcript, what is only written included; the first that differs is told ever after."""

    dirty = False

    def __init__(self, path: Path) -> None:
        self.resource = path.name
        self.transcript: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        assert self.transcript["schema"] == SCHEMA
        self._exchanges: list[Exchange] = self.transcript["exchanges"]
        self._next = 0
        self._difference: AssertionError | None = None
        self._time = ConversationTime()

    @property
    def clock(self) -> Clock:
        """What the driver has to go by: the time of the conversation, in which sleeping takes no time."""
        return self._time.clock(Clock(now=lambda: 0.0, sleep=lambda _: None))

    def write(self, command: str) -> None:
        self._exchange(command, None)

    def query(self, command: str) -> str:
        return self._exchange(command, "text")["text"]

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        block = base64.b64decode(self._exchange(command, "block")["block"])
        assert len(block) <= limit_bytes
        return memoryview(block)

    def clear(self) -> None:
        raise self._difference or AssertionError("no driver clears its link")

    def close(self) -> None: ...

    def finish(self) -> None:
        """Nothing of the conversation may be left."""
        if self._next < len(self._exchanges):
            self._differ("the driver is done")

    def _exchange(self, command: str, answer: str | None) -> Exchange:
        if self._difference is not None:
            raise self._difference
        exchange: Exchange = self._exchanges[self._next] if self._next < len(self._exchanges) else {}
        if exchange.get("sent") != command or _answer_of(exchange) != answer:
            self._differ(f"the driver {_told(command, answer)}")
        self._next += 1
        self._time.over(exchange.get("at_ms", 0))
        return exchange

    def _differ(self, now: str) -> None:
        ended = self._next == len(self._exchanges)
        exchange = self._exchanges[-1 if ended else self._next]
        then = "it ended" if ended else f"it {_told(exchange['sent'], _answer_of(exchange))}"
        simulated = Identity(self.transcript["identity"] or "").is_simulated
        do = OF_A_SIMULATED_SCOPE if simulated else OF_AN_INSTRUMENT
        self._difference = AssertionError(
            f"{self.resource}, exchange {self._next + 1} of {len(self._exchanges)}: now {now}, "
            f"when it was recorded {then}. If the driver is meant to do so, {do}"
        )
        raise self._difference


def _answer_of(exchange: Exchange) -> str | None:
    """What answered: `text` or `block`, None for a message that is only written."""
    return next((kind for kind in ("text", "block", "failed") if kind in exchange), None)


def _told(command: str, answer: str | None) -> str:
    return f"writes {command!r}" if answer is None else f"asks {command!r} for a {answer}"
