"""A client of the live socket that validates every frame against the schema that the daemon serves."""

import json
import struct
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from jsonschema import Draft202012Validator
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import ClientConnection, connect

DEADLINE_S = 40.0


class LiveClient:
    """Frames as they come. `schema` is what `schema/live.json` answered."""

    def __init__(self, socket: ClientConnection, schema: dict[str, Any]) -> None:
        self.socket = socket
        self._validators = {kind: Draft202012Validator(one) for kind, one in schema["server"].items()}

    def send(self, message: object) -> None:
        self.socket.send(message if isinstance(message, (str, bytes)) else json.dumps(message))

    def frame(self, timeout_s: float = DEADLINE_S) -> dict[str, Any]:
        """The next frame, valid; of a binary one the header with its pairs under `payload`."""
        data = self.socket.recv(timeout_s)
        if isinstance(data, str):
            frame: dict[str, Any] = json.loads(data)
            self._validators[frame["type"]].validate(frame)
            return frame
        (length,) = struct.unpack_from("<I", data)
        header: dict[str, Any] = json.loads(data[4 : 4 + length])
        self._validators[header["type"]].validate(header)
        return header | {"payload": data[4 + length :]}

    def frames(self, timeout_s: float = DEADLINE_S) -> Iterator[dict[str, Any]]:
        """Frames until the time is over, which fails the test."""
        end_s = time.monotonic() + timeout_s
        last: dict[str, Any] = {}
        while (left_s := end_s - time.monotonic()) > 0.0:
            try:
                last = self.frame(left_s)
            except TimeoutError:
                break
            yield last
        raise AssertionError(f"not seen within {timeout_s} s; the last frame was {last}")

    def until(
        self, kind: str, wanted: Callable[[dict[str, Any]], bool], timeout_s: float = DEADLINE_S
    ) -> dict[str, Any]:
        """The first frame of that kind that is wanted."""
        return next(frame for frame in self.frames(timeout_s) if frame["type"] == kind and wanted(frame))

    def status(self, state: str, timeout_s: float = DEADLINE_S) -> dict[str, Any]:
        """The first status in which the scope is in that state."""
        return self.until("status", lambda frame: frame["scope"]["state"] == state, timeout_s)

    def reading(self, wanted: Callable[[dict[str, Any]], bool] = lambda reading: True) -> dict[str, Any]:
        """The first reading that is wanted."""
        frame = self.until("reading", lambda frame: wanted(frame["reading"]))
        reading: dict[str, Any] = frame["reading"]
        return reading

    def taken_in(self) -> dict[str, Any]:
        """A reading with all levels that was published since this client came, once book and bench have it too.

        They are given it after the viewers, and before the next one is captured.
        """
        first = self.reading()
        found = self.reading(lambda reading: reading["seq"] > first["seq"] and is_fresh(reading))
        self.reading(lambda reading: reading["seq"] > found["seq"])
        return found

    def closed_with(self) -> int:
        """Read until the socket closes; the code."""
        try:
            while True:
                self.frame()
        except ConnectionClosed as closed:
            return closed.rcvd.code if closed.rcvd else 1006


@contextmanager
def live_client(daemon: Any) -> Iterator[LiveClient]:
    """A client of that daemon's live socket."""
    schema = daemon.json("GET", "api/v1/schema/live.json")
    with connect(daemon.live_url, max_size=None) as socket:
        yield LiveClient(socket, schema)


def channel_of(reading: dict[str, Any], role: str) -> dict[str, Any]:
    """The channel with that role."""
    channel: dict[str, Any] = next(channel for channel in reading["channels"] if channel["role"] == role)
    return channel


def is_fresh(reading: dict[str, Any], *roles: str) -> bool:
    """Whether these channels were seen in this very record."""
    channels = [channel_of(reading, role) for role in roles or ("red", "green", "blue")]
    return all(channel["peak_white_mv"] is not None and not channel["held"] for channel in channels)
