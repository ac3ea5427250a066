"""A conversation with an instrument as a file: what was asked, what came back, with the serial number replaced.

From it a driver can be tested again without the instrument. Schema `peakwhite.transcript/1`: `family` (null where none
knows it), `identity` (null where it said none), `options`, `link` (the kind), `error` (what ended it early, or null),
`record` (what the driver made of the block, or null), and `exchanges` in order: `sent`, when it was over (`at_ms`, from the
beginning) and `text` or `block` (base64), or how it `failed`; none of these for a message without an answer.
"""

import base64
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypedDict

import numpy as np

from .errors import PeakwhiteError
from .identity import Identity, options_in
from .links import Link
from .records import Record
from .scrubbing import scrubbed_options, scrubber_of
from .waiting import Clock

SCHEMA = "peakwhite.transcript/1"
IDENTITY, OPTIONS = "*IDN?", "*OPT?"


class Exchange(TypedDict, total=False):
    """One message and what became of it; `sent` is always there."""

    sent: str
    at_ms: int
    text: str
    block: str
    failed: str


class ConversationTime:
    """Time as the driver sees it: when the last exchange was over, and what was slept since.

    So the file holds all of it, and a replayed driver waits and gives up where it did.
    """

    def __init__(self, now_s: float = 0.0) -> None:
        self._now_s = now_s

    def over(self, at_ms: int) -> None:
        """An exchange was over then."""
        self._now_s = max(self._now_s, at_ms / 1000.0)

    def clock(self, real: Clock) -> Clock:
        """This time for a driver; sleeping takes `real` time too."""

        def sleep(seconds: float) -> None:
            real.sleep(seconds)
            self._now_s += seconds

        return Clock(lambda: self._now_s, sleep)


@dataclass
class RecordingLink:
    """A link that keeps what goes over another. Its `clock` is the one that the driver must have."""

    link: Link
    exchanges: list[Exchange] = field(default_factory=list)
    _time: ConversationTime = field(default_factory=ConversationTime)
    _begun_s: float = field(default_factory=time.monotonic)

    @property
    def resource(self) -> str:
        return self.link.resource

    @property
    def dirty(self) -> bool:
        return self.link.dirty

    @property
    def clock(self) -> Clock:
        return self._time.clock(Clock())

    def write(self, command: str) -> None:
        with self._exchange(command):
            self.link.write(command)

    def query(self, command: str) -> str:
        with self._exchange(command) as exchange:
            exchange["text"] = self.link.query(command)
            return exchange["text"]

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        with self._exchange(command) as exchange:
            block = self.link.query_block(command, limit_bytes)
            exchange["block"] = base64.b64encode(block).decode("ascii")
            return block

    def clear(self) -> None:
        self.link.clear()

    def close(self) -> None:
        self.link.close()

    @contextmanager
    def _exchange(self, command: str) -> Iterator[Exchange]:
        exchange: Exchange = {"sent": command}
        self.exchanges.append(exchange)
        try:
            yield exchange
        except PeakwhiteError as error:
            exchange["failed"] = error.what
            raise
        finally:
            exchange["at_ms"] = round((time.monotonic() - self._begun_s) * 1000.0)
            self._time.over(exchange["at_ms"])


def transcript_of(
    exchanges: list[Exchange], *, family: str | None, link: str, record: Record | None, error: str | None
) -> dict[str, Any]:
    """The file's object.

    Every occurrence of the serial number that an identity states is replaced by one of the same length and shape, and of
    the options only short names are left (`scrubbed_options`).
    """
    identities = [exchange["text"] for exchange in exchanges if exchange["sent"] == IDENTITY and "text" in exchange]
    options = next((each["text"] for each in exchanges if each["sent"] == OPTIONS and "text" in each), "")
    scrub = scrubber_of(Identity(identity).serial for identity in identities)

    def clean(exchange: Exchange) -> Exchange:
        cleaned = exchange.copy()
        cleaned["sent"] = scrub(exchange["sent"])
        if "text" in exchange:
            text = exchange["text"]
            cleaned["text"] = scrub(scrubbed_options(text) if OPTIONS in exchange["sent"].upper() else text)
        if "failed" in exchange:
            cleaned["failed"] = scrub(exchange["failed"])
        return cleaned

    return {
        "schema": SCHEMA,
        "family": family,
        "identity": scrub(identities[0]) if identities else None,
        "options": list(options_in(scrub(scrubbed_options(options)))),
        "link": link,
        "error": None if error is None else scrub(error),
        "record": None if record is None else summary_of(record),
        "exchanges": [clean(exchange) for exchange in exchanges],
    }


def summary_of(record: Record) -> dict[str, Any]:
    """What the driver made of a record: its time axis, and of every channel how many samples, their extremes and mean."""
    channels = {}
    for channel in record.channels:
        ends = np.array([channel.codes.min(), channel.codes.mean(), channel.codes.max()], np.float64)
        low_v, mean_v, high_v = (float(f"{v:.6g}") for v in ends * channel.volts_per_code + channel.volts_at_code_zero)
        samples = int(channel.codes.size)
        channels[channel.name] = {"samples": samples, "low_v": low_v, "mean_v": mean_v, "high_v": high_v}
    return {
        "seconds_per_sample": record.seconds_per_sample,
        "first_sample_s": record.first_sample_s,
        "channels": channels,
    }
