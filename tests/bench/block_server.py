"""Serves one block of 1 MB over raw socket, HiSLIP and VXI-11, with as little between it and the system as can be."""

import socket
import struct
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection

BLOCK_BYTES = 1_000_000
REPLY = b"#9%09d" % BLOCK_BYTES + bytes(range(250)) * (BLOCK_BYTES // 250) + b"\n"


def _call(procedure: int, arguments: bytes) -> bytes:
    call = struct.pack(">6I", 1, 0, 2, 0x0607AF, 1, procedure) + bytes(16) + arguments
    return struct.pack(">I", 0x8000_0000 | len(call)) + call


EXCHANGES = {
    "raw_socket": [(b"B?\n", len(REPLY))],
    "hislip": [(struct.pack("!2sBBIQ", b"HS", 7, 0, 0, 3) + b"B?\n", 16 + len(REPLY))],
    "vxi11": [
        (_call(11, struct.pack(">iIIiI", 1, 1000, 0, 8, 3) + b"B?\n\0"), 36),
        (_call(12, struct.pack(">iIIIii", 1, 2_000_000, 1000, 0, 0, 0)), 40 + len(REPLY) + -len(REPLY) % 4),
    ],
}
"""What a client of each transport sends for the block, and how many bytes come for it."""


def serve_blocks(parent: Connection) -> None:
    """Sends the port of every transport by name, then serves until it is ended."""
    ports = {}
    for name, handler in {"raw_socket": _raw, "hislip": _hislip, "vxi11": _vxi11}.items():
        listening = socket.create_server(("127.0.0.1", 0))
        ports[name] = listening.getsockname()[1]
        threading.Thread(target=_accept, args=(listening, handler), daemon=True).start()
    parent.send(ports)
    threading.Event().wait()


def _accept(listening: socket.socket, handler: Callable[[socket.socket], None]) -> None:
    while True:
        client, _ = listening.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        threading.Thread(target=_until_gone, args=(client, handler), daemon=True).start()


def _until_gone(client: socket.socket, handler: Callable[[socket.socket], None]) -> None:
    with client:
        try:
            while True:
                handler(client)
        except ConnectionError:
            pass


def _exactly(client: socket.socket, count: int) -> bytes:
    received = client.recv(count, socket.MSG_WAITALL)
    if len(received) < count:
        raise ConnectionError
    return received


def _raw(client: socket.socket) -> None:
    _exactly(client, 3)
    client.sendall(REPLY)


def _hislip(client: socket.socket) -> None:
    _, kind, _, number, length = struct.unpack("!2sBBIQ", _exactly(client, 16))
    if length:
        _exactly(client, length)
    if kind == 7:
        _send(client, struct.pack("!2sBBIQ", b"HS", 7, 0, number, len(REPLY)))
    else:
        answer, parameter, payload = {0: (1, 0x0100 << 16 | 1, b""), 17: (18, 0, b""), 15: (16, 0, bytes(8))}.get(
            kind, (11, 0, b"")
        )
        client.sendall(struct.pack("!2sBBIQ", b"HS", answer, 0, parameter, len(payload)) + payload)


def _vxi11(client: socket.socket) -> None:
    (mark,) = struct.unpack(">I", _exactly(client, 4))
    call = _exactly(client, mark & 0x7FFF_FFFF)
    transaction, procedure = struct.unpack_from(">I16xI", call)
    result = struct.pack(">i", 0)
    if procedure == 10:
        result = struct.pack(">iiII", 0, 1, 0, 1 << 20)
    elif procedure == 11:
        result = struct.pack(">iI", 0, struct.unpack_from(">I", call, 56)[0])
    elif procedure == 12:
        result = struct.pack(">iiI", 0, 4, len(REPLY))
    head = struct.pack(">6I", transaction, 1, 0, 0, 0, 0) + result
    if procedure == 12:
        padding = -len(REPLY) % 4
        _send(client, struct.pack(">I", 0x8000_0000 | len(head) + len(REPLY) + padding) + head, bytes(padding))
    else:
        client.sendall(struct.pack(">I", 0x8000_0000 | len(head)) + head)


def _send(client: socket.socket, head: bytes, tail: bytes = b"") -> None:
    """Sends the reply with its header in one go, and without copying it."""
    sent = client.sendmsg([head, REPLY, tail]) - len(head)
    assert sent >= 0
    client.sendall(memoryview(REPLY)[min(sent, len(REPLY)) :])
    client.sendall(tail[max(sent - len(REPLY), 0) :])
