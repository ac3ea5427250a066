"""The web face over a real socket: who may come in, how much may be sent, and how it ends."""

import json
import socket
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from live_client import LiveClient, live_client


def gone_for_bad_messages(daemon: Any) -> float:
    told = daemon.request("GET", "metrics")[2].decode()
    line = next(
        one for one in told.splitlines() if one.startswith('peakwhite_viewers_gone_total{reason="bad-message"}')
    )
    return float(line.split()[-1])


def test_text_that_is_no_utf_8_is_counted_as_a_bad_message(lasting_demo: Any, eventually: Callable[..., Any]) -> None:
    before = gone_for_bad_messages(lasting_demo)
    with live_client(lasting_demo) as client:
        client.frame()
        client.socket.send(b"\xff", text=True)
        assert client.closed_with() == 1007
    eventually(lambda: gone_for_bad_messages(lasting_demo) == before + 1.0)


@pytest.fixture
def live(lasting_demo: Any) -> Iterator[LiveClient]:
    with live_client(lasting_demo) as client:
        yield client


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "evil.example"}, 421),
        ({"Host": "127.0.0.1:1"}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
    ],
)
def test_requests_from_elsewhere_are_refused(lasting_demo: Any, headers: dict[str, str], status: int) -> None:
    answered, answer_headers, _ = lasting_demo.request("GET", "api/v1/hookup", headers=headers)
    assert answered == status
    assert answer_headers["content-type"] == "application/problem+json"
    assert answer_headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(("origin", "status"), [("http://evil.example", 403), ("null", 403)])
def test_an_upgrade_from_a_foreign_page_is_refused(lasting_demo: Any, origin: str, status: int) -> None:
    with pytest.raises(InvalidStatus) as refused, connect(lasting_demo.live_url, additional_headers={"Origin": origin}):
        pass
    assert refused.value.response.status_code == status


def test_an_upgrade_from_the_own_page_is_welcome(lasting_demo: Any) -> None:
    with connect(lasting_demo.live_url, additional_headers={"Origin": lasting_demo.url.rstrip("/")}) as client:
        assert json.loads(client.recv())["type"] == "hello"


def test_an_upgrade_to_a_rebound_name_is_refused(lasting_demo: Any) -> None:
    with socket.create_connection(("127.0.0.1", lasting_demo.port)) as raw:
        raw.sendall(
            b"GET /api/v1/live HTTP/1.1\r\nHost: evil.example\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
            b"Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n"
        )
        assert raw.recv(64).startswith(b"HTTP/1.1 421 ")


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ('{"type":"nonsense"}', 1008),
        ('{"type":"control","token":"' + "x" * 4096 + '"}', 1008),
        (b"\x00\x01", 1008),
        ("x" * 65_537, 1009),
    ],
)
def test_a_message_that_may_not_be_sent_closes_the_socket(live: LiveClient, message: str | bytes, code: int) -> None:
    live.send(message)
    assert live.closed_with() == code


def test_a_request_without_end_is_cut_off_at_the_limit(lasting_demo: Any) -> None:
    with socket.create_connection(("127.0.0.1", lasting_demo.port)) as raw:
        raw.settimeout(30.0)
        raw.sendall(
            f"PUT /api/v1/hookup HTTP/1.1\r\nHost: 127.0.0.1:{lasting_demo.port}\r\n"
            "Transfer-Encoding: chunked\r\n\r\n".encode()
        )
        for _ in range(17):
            raw.sendall(b"1000\r\n" + b" " * 4096 + b"\r\n")
        assert raw.recv(64).startswith(b"HTTP/1.1 413 ")


def test_the_page_its_modules_and_its_icon_are_served(lasting_demo: Any) -> None:
    for path, kind in (("", "text/html"), ("main.js", "text/javascript"), ("favicon.svg", "image/svg+xml")):
        status, headers, body = lasting_demo.request("GET", path)
        assert (status, headers["content-type"].split(";")[0]) == (200, kind)
        assert headers["cache-control"] == "no-cache"
        assert body
        assert lasting_demo.request("GET", path, headers={"If-None-Match": headers["etag"]})[0] == 304


def test_the_holder_of_control_is_told_on_every_page_and_the_others_cannot_write(lasting_demo: Any) -> None:
    token = lasting_demo.json("POST", "api/v1/control", {"name": "phone"})["token"]
    mine = {"Peakwhite-Control": token}
    with live_client(lasting_demo) as holder, live_client(lasting_demo) as other:
        holder.send({"type": "control", "token": token})
        holder.until("status", lambda frame: frame["control"] == {"holder": "phone", "mine": True})
        other.until("status", lambda frame: frame["control"] == {"holder": "phone", "mine": False})
        turned = {"percent": 101.0}
        status, _, body = lasting_demo.request("PUT", "api/v1/demo/trimmers/red", turned)
        assert (status, b"phone" in body) == (409, True)
        assert lasting_demo.json("PUT", "api/v1/demo/trimmers/red", turned, mine) == turned
        assert lasting_demo.json("DELETE", "api/v1/control", headers=mine) == {"holder": None}
        other.until("status", lambda frame: frame["control"]["holder"] is None)


def test_the_schemas_name_every_frame(lasting_demo: Any) -> None:
    schema = lasting_demo.json("GET", "api/v1/schema/live.json")
    assert set(schema["server"]) == {"hello", "status", "bench", "reading", "mark", "lines"}
    assert set(schema["client"]) == {"lines", "control"}
