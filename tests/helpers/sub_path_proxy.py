"""A reverse proxy that serves a daemon under a path of its own: HTTP, and the upgrade to a WebSocket passed through.

Its Host, and its pages' Origin, say the daemon's address. One that `passes_on` leaves both as they are, and says by
X-Forwarded-For and X-Forwarded-Proto whom it speaks for, as one that ends TLS does.
"""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

HEAD_LIMIT = 65536


async def _pump(source: asyncio.StreamReader, drain: asyncio.StreamWriter) -> None:
    with suppress(ConnectionError):
        while piece := await source.read(65536):
            drain.write(piece)
            await drain.drain()


class _Proxy:
    def __init__(self, path: str, port: int, passes_on: bool) -> None:
        self.path = path
        self.port = port
        self.passes_on = passes_on

    def rewrite(self, head: bytes) -> bytes | None:
        """The request's head as the daemon gets it: without the path; one request a connection, unless it is upgraded."""
        request, *rows = head.decode("latin-1").removesuffix("\r\n\r\n").split("\r\n")
        method, target, protocol = request.split(" ")
        if not target.startswith(self.path):
            return None
        fields = {name.lower(): value for name, value in (row.split(": ", 1) for row in rows)}
        if self.passes_on:
            before = [fields[name] for name in ("x-forwarded-for",) if name in fields]
            fields |= {"x-forwarded-for": ", ".join([*before, "192.0.2.77"]), "x-forwarded-proto": "https"}
        elif fields.get("origin") == f"http://{fields['host']}":
            fields["origin"] = f"http://127.0.0.1:{self.port}"
        if not self.passes_on:
            fields["host"] = f"127.0.0.1:{self.port}"
        if "upgrade" not in fields:
            fields["connection"] = "close"
        lines = [f"{method} /{target.removeprefix(self.path)} {protocol}", *map(": ".join, fields.items())]
        return "\r\n".join([*lines, "", ""]).encode("latin-1")

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection of a browser."""
        ends = [writer]
        try:
            head = self.rewrite(await reader.readuntil(b"\r\n\r\n"))
            if head is None:
                writer.write(b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
                return
            answers, asks = await asyncio.open_connection("127.0.0.1", self.port)
            ends.append(asks)
            asks.write(head)
            pumps = [asyncio.create_task(_pump(reader, asks)), asyncio.create_task(_pump(answers, writer))]
            await asyncio.wait(pumps, return_when=asyncio.FIRST_COMPLETED)
            for pump in pumps:
                pump.cancel()
        except (asyncio.IncompleteReadError, ConnectionError):
            return
        finally:
            for end in ends:
                end.close()
                with suppress(ConnectionError):
                    await end.wait_closed()


@contextmanager
def sub_path_proxy(path: str, port: int, *, passes_on: bool = False) -> Iterator[str]:
    """Serve the daemon on `port` of loopback under `path` ("/bench/"); gives the address of its page there."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()

    server = asyncio.run_coroutine_threadsafe(
        asyncio.start_server(_Proxy(path, port, passes_on).serve, "127.0.0.1", 0, limit=HEAD_LIMIT), loop
    ).result(10)
    try:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}{path}"
    finally:
        asyncio.run_coroutine_threadsafe(_end(server), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()


async def _end(server: asyncio.Server) -> None:
    server.close()
    others = asyncio.all_tasks() - {asyncio.current_task()}
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
