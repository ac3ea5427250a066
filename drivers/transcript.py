"""A conversation with an instrument as a file: what was asked, what came back, with the serial number replaced.

From it a driver can be tested again without the instrument. Schema `peakwhite.transcript/1`: `family`, `identity`,
`options`, `link` (the kind), `error` (what ended it early, or null), `record` (what the driver made of the block, or null),
and `exchanges` in order: `sent` with `text` or `block` (base64), neither for a message without an answer.
"""

import base64
import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from .identity import Identity
from .links import Link
from .records import Record

SCHEMA = "peakwhite.transcript/1"
SHORTEST_SERIAL = 4
"""A shorter third field is no serial number; to replace it would spoil the answers."""


@dataclass
class RecordingLink:
    """A link that keeps what goes over another."""

    link: Link
    exchanges: list[dict[str, str]] = field(default_factory=list)

    @property
    def resource(self) -> str:
        return self.link.resource

    @property
    def dirty(self) -> bool:
        return self.link.dirty

    def write(self, command: str) -> None:
        self.exchanges.append({"sent": command})
        self.link.write(command)

    def query(self, command: str) -> str:
        self.exchanges.append({"sent": command})
        reply = self.link.query(command)
        self.exchanges[-1]["text"] = reply
        return reply

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        self.exchanges.append({"sent": command})
        block = self.link.query_block(command, limit_bytes)
        self.exchanges[-1]["block"] = base64.b64encode(block).decode("ascii")
        return block

    def clear(self) -> None:
        self.link.clear()

    def close(self) -> None:
        self.link.close()


def transcript_of(
    exchanges: list[dict[str, str]],
    identity: Identity,
    *,
    family: str,
    link: str,
    record: Record | None,
    error: str | None,
) -> dict[str, Any]:
    """The file's object. Every occurrence of the serial number is replaced by one of the same length and shape."""
    serial = identity.serial

    def clean(text: str) -> str:
        return re.sub(re.escape(serial), replaced(serial), text, flags=re.IGNORECASE)

    scrub = clean if len(serial) >= SHORTEST_SERIAL else str
    return {
        "schema": SCHEMA,
        "family": family,
        "identity": scrub(identity.text),
        "options": list(identity.options),
        "link": link,
        "error": None if error is None else scrub(error),
        "record": None if record is None else summary_of(record),
        "exchanges": [
            {key: value if key == "block" else scrub(value) for key, value in exchange.items()}
            for exchange in exchanges
        ],
    }


def replaced(serial: str) -> str:
    """A serial number of the same length and shape that belongs to nobody."""
    return re.sub(r"[A-Za-z]", "X", re.sub(r"\d", "0", serial))


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
