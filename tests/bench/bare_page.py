"""The floor under the page: a bare page that paints a bare WebSocket message, nothing else."""

import random
import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event, Thread

from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response
from websockets.sync.server import ServerConnection, serve

from peakwhite.daemon.measure.reading import iso_utc

PAGE = b"""<!doctype html><title>floor</title><p></p><script>
const socket = new WebSocket(location.href.replace("http", "ws") + "live");
const text = document.querySelector("p");
let newest = "";
socket.onmessage = ({ data }) => { newest = data; };
const draw = () => {
  if (newest) text.textContent = newest;
  newest = "";
  requestAnimationFrame(draw);
};
requestAnimationFrame(draw);
</script>"""


@contextmanager
def bare_page(rate_hz: float, jitter: tuple[float, float]) -> Iterator[str]:
    """Serves it, and tells it the time at jittered intervals; gives its address."""
    ended = Event()

    def tell(socket: ServerConnection) -> None:
        try:
            while not ended.wait(random.uniform(*jitter) / rate_hz):
                socket.send(f'{{"type":"reading","captured_at":"{iso_utc(time.time_ns())}"}}')
        except ConnectionClosed:
            pass

    def answer(socket: ServerConnection, request: Request) -> Response | None:
        if request.path != "/":
            return None
        headers = {"Content-Type": "text/html", "Content-Length": str(len(PAGE)), "Connection": "close"}
        return Response(200, "OK", Headers(headers), PAGE)

    with serve(tell, "127.0.0.1", 0, process_request=answer, compression=None) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        try:
            yield f"http://127.0.0.1:{server.socket.getsockname()[1]}/"
        finally:
            ended.set()
