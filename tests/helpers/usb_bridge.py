"""An emulated USB scope whose answers are those of the simulated scope behind its raw socket."""

import socket

from emulated_usb import Device


class Bridge:
    """Carries messages to the raw socket and answers back. A message with a question mark has an answer."""

    def __init__(self, resource: str) -> None:
        _, host, port, _ = resource.split("::")
        self._socket = socket.create_connection((host, int(port)), timeout=10.0)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._stream = self._socket.makefile("rb")

    def device(self, serial: str) -> Device:
        return Device(self.answer, serial=serial)

    def answer(self, message: bytes) -> bytes:
        self._socket.sendall(message + b"\n")
        if b"?" not in message:
            return b""
        first = self._stream.read(2)
        if first[:1] != b"#":
            return first if first.endswith(b"\n") else first + self._stream.readline()
        digits = self._stream.read(int(first[1:]))
        return first + digits + self._stream.read(int(digits)) + self._stream.readline()

    def close(self) -> None:
        self._stream.close()
        self._socket.close()
