"""The TCP side: SCPI over a raw socket, JSON lines over another."""

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Awaitable, Callable

from .control import Control
from .face import Face
from .faults import LATE_S, STALL_S, TWICE_S, Fault

HOST = "127.0.0.1"
LINE_LIMIT = 1 << 16
GRACE_S = 1.0
"""How long what a client asked goes on being answered after it closed its side."""


class Listener:
    """A port that can stop listening and start again on the same number."""

    def __init__(self, serve: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]) -> None:
        self._serve = serve
        self._server: asyncio.Server | None = None
        self._clients: set[asyncio.Task[None]] = set()
        self.port = 0

    async def open(self, port: int | None = None) -> None:
        """Listens; port 0 is any free one, None the one it had. Raises OSError where it is taken."""
        if self._server is None:
            wanted = self.port if port is None else port
            self._server = await asyncio.start_server(self._client, HOST, wanted, limit=LINE_LIMIT)
            self.port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Listens no more; connections that stand are kept."""
        if self._server is not None:
            self._server.close()
            self._server = None

    async def end(self) -> None:
        """Closes the port and every connection."""
        await self.close()
        for client in self._clients:
            client.cancel()
        await asyncio.gather(*self._clients, return_exceptions=True)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._clients.add(task)
        try:
            writer.get_extra_info("socket").setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            await self._serve(reader, writer)
        except (ConnectionError, asyncio.CancelledError):
            pass  # the client went away, or the instrument is being switched off
        finally:
            self._clients.discard(task)
            writer.close()


async def lines_of(reader: asyncio.StreamReader) -> AsyncIterator[bytes]:
    """Lines until the client closes; one that is too long ends the connection."""
    with contextlib.suppress(ValueError):
        while line := await reader.readline():
            yield line


def scpi_listener(face: Face) -> Listener:
    """The SCPI port."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        messages: asyncio.Queue[bytes] = asyncio.Queue(maxsize=256)
        worker = asyncio.create_task(_answer_all(face, messages, writer))
        try:
            async for line in lines_of(reader):
                await messages.put(line)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(GRACE_S):
                    await messages.join()
        finally:
            worker.cancel()
            await asyncio.gather(worker, return_exceptions=True)

    return Listener(serve)


def control_listener(control: Control) -> Listener:
    """The control port."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        async for line in lines_of(reader):
            writer.write(await control.respond(line))
            await writer.drain()

    return Listener(serve)


async def _answer_all(face: Face, messages: asyncio.Queue[bytes], writer: asyncio.StreamWriter) -> None:
    while True:
        line = await messages.get()
        try:
            async for piece, _ in pieces(face, line):
                if face.replies_are_interrupted and not messages.empty():
                    face.status.report(-410, "Query INTERRUPTED")
                    break
                writer.write(piece)
                await writer.drain()
        except ConnectionAbortedError:
            writer.close()
            return
        finally:
            messages.task_done()


async def pieces(face: Face, message: bytes) -> AsyncIterator[tuple[bytes, bool]]:
    """What goes out for a message, as the faults have it: none or some pieces, each with whether it is the last.

    Raises:
        ConnectionAbortedError: the connection is to end here.
    """
    response = await face.respond(message.decode("latin-1").strip())
    faults = face.faults
    if response is None or Fault.SILENT in faults:
        return
    answer, has_block = response
    if Fault.ANSWER_LATE in faults:
        await asyncio.sleep(LATE_S)
    answer = faults.garbled(answer)
    half = len(answer) // 2
    if has_block and Fault.DROP_MID_BLOCK in faults:
        yield answer[:half], False
        raise ConnectionAbortedError
    if faults.take(Fault.STALL_ONCE):
        yield answer[:half], False
        await asyncio.sleep(STALL_S)
        answer = answer[half:]
    yield answer, True
    if Fault.ANSWER_TWICE in faults:
        await asyncio.sleep(TWICE_S)
        yield answer, True
