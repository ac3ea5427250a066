"""Who may come in from elsewhere: whole daemons, real sockets. DEVELOPERS.md says which threat each of these stands against."""

import json
import socket
from collections.abc import Iterator
from http.client import HTTPConnection
from typing import Any

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus

from bench_network import access, bearer, command, live, on_network, own_address, sign_in, state_of
from sub_path_proxy import sub_path_proxy

pytestmark = pytest.mark.timeout(400)
"""A busy machine takes ten seconds to start each process."""

OUTSIDE = "https://bench.example"
OPEN = {("get", "/healthz"), ("post", "/api/v1/sign-in"), ("post", "/api/v1/sign-out")}
SIGN_IN = "api/v1/sign-in"


@pytest.fixture(scope="module")
def away(lasting_children: Any) -> Iterator[Any]:
    """A daemon on the network, without a scope; `.operator` and `.viewer` are secrets, `.tokens` the file."""
    tokens = state_of(lasting_children.folder)
    operator, viewer = tokens.add("phone", "operator")[1], tokens.add("shop screen", "viewer")[1]
    daemon = on_network(lasting_children, addresses=[f"{OUTSIDE}/levels/"])
    daemon.operator, daemon.viewer, daemon.tokens = operator, viewer, tokens
    daemon.folder = lasting_children.folder
    yield daemon
    assert operator not in daemon.child.stderr and viewer not in daemon.child.stderr


@pytest.fixture(scope="module")
def routes(away: Any) -> list[tuple[str, str]]:
    """Method and path of all that the daemon says it has, with numbers in the place of parameters."""
    described = away.json("GET", "openapi.json", headers=bearer(away.operator))["paths"]
    found = [(method, path) for path, methods in described.items() for method in methods]
    assert len(found) > 30
    return [(method, path.replace("{role}", "red")) for method, path in found]


def asked(daemon: Any, method: str, path: str, headers: dict[str, str] | None = None) -> int:
    """Status of a request; what stands in braces is 1."""
    while "{" in path:
        path = path[: path.index("{")] + "1" + path[path.index("}") + 1 :]
    status: int = daemon.request(method.upper(), path.removeprefix("/"), headers=headers)[0]
    return status


def closed(daemon: Any, headers: dict[str, str]) -> tuple[int, str]:
    """Code and reason with which a live socket is closed, after what it was sent."""
    with live(daemon, headers) as client, pytest.raises(ConnectionClosed) as ended:
        while True:
            client.recv(20)
    assert ended.value.rcvd is not None
    return ended.value.rcvd.code, ended.value.rcvd.reason


def hello(daemon: Any, headers: dict[str, str]) -> dict[str, Any]:
    with live(daemon, headers) as client:
        frame: dict[str, Any] = json.loads(client.recv(20))
    return frame


def test_beyond_loopback_it_does_not_start_without_a_token(children: Any) -> None:
    child = children.start("daemon", "peakwhite.daemon", "serve", "--host", "0.0.0.0", "--port", "0", "--no-browser")
    assert child.wait(60) == 2
    assert child.process.stdout.read() == b""
    assert child.stderr == (
        "peakwhite: host: '0.0.0.0' can be reached by others, and there is no access token that holds; "
        "make one: peakwhite access new --role operator --name NAME\n"
    )


def test_without_a_token_nothing_that_holds_data_is_answered(away: Any, routes: list[tuple[str, str]]) -> None:
    closed_ones = [one for one in routes if one not in OPEN]
    assert {asked(away, *one) for one in closed_ones} == {401}
    for path in ("openapi.json", "metrics", "readyz", "api/v1/live", "docs", "nothing", "api/v1/schema/live.json"):
        status, headers, body = away.request("GET", path)
        assert (status, headers["www-authenticate"], json.loads(body)["code"]) == (401, "Bearer", "not-signed-in"), path
    assert closed(away, {}) == (1008, "sign in first")
    for path in ("", "main.js", "signin.js", "healthz"):
        assert away.request("GET", path)[0] == 200
    for headers in (
        bearer("x"),
        bearer(""),
        {"Authorization": f"Basic {away.operator}"},
        {"Cookie": f"peakwhite-{away.port}=x"},
    ):
        assert asked(away, "get", "/api/v1/hookup", headers) == 401


def test_who_may_not_come_in_is_told_so_before_his_body_is_read(away: Any) -> None:
    for headers, status in (({}, 401), (bearer(away.viewer), 403)):
        with socket.create_connection((host_of(away), away.port)) as raw:
            raw.settimeout(20.0)
            told = "".join(f"{name}: {value}\r\n" for name, value in headers.items())
            raw.sendall(
                f"PUT /api/v1/hookup HTTP/1.1\r\nHost: {host_of(away)}:{away.port}\r\n{told}"
                "Content-Length: 65000\r\n\r\nhalf".encode()
            )
            assert raw.recv(64).startswith(f"HTTP/1.1 {status} ".encode())


def test_a_viewer_is_refused_every_route_that_writes(away: Any, routes: list[tuple[str, str]]) -> None:
    writes = [one for one in routes if one[0] != "get" and one not in OPEN]
    assert len(writes) > 10
    for headers in (bearer(away.viewer), sign_in(away, away.viewer)):
        assert {asked(away, *one, headers) for one in writes} == {403}
        assert asked(away, "get", "/api/v1/hookup", headers) == 200
        greeting = hello(away, headers)
        assert (greeting["role"], greeting["signed_in_as"]) == ("viewer", "shop screen")


def test_a_viewer_hears_of_a_method_that_nobody_may_use_that_it_is_none(away: Any) -> None:
    for path, allow in (("/healthz", "GET"), ("/", "GET, HEAD"), ("/api/v1/hookup", "GET, PUT")):
        for method in ("TRACE", "PATCH"):
            status, headers, _ = away.request(method, path.lstrip("/"), headers=bearer(away.viewer))
            assert (status, headers["allow"]) == (405, allow)
    assert away.request("TRACE", "no/such/path", headers=bearer(away.viewer))[0] == 403


def test_an_operator_writes_by_token_or_by_session(away: Any) -> None:
    for headers in (bearer(away.operator), sign_in(away, away.operator)):
        assert away.json("PUT", "api/v1/hookup", {"clips": []}, headers)["clips"] == []
        assert hello(away, headers)["role"] == "operator"


def test_a_name_that_is_rebound_to_the_address_is_refused(away: Any) -> None:
    for headers in ({"Host": f"evil.example:{away.port}"}, {"Host": "evil.example"}):
        assert away.request("GET", "api/v1/hookup", headers=bearer(away.operator) | headers)[0] == 421
    upgrade = (
        f"GET /api/v1/live HTTP/1.1\r\nHost: evil.example:{away.port}\r\nAuthorization: Bearer {away.operator}\r\n"
    )
    with socket.create_connection((host_of(away), away.port), 20) as raw:
        raw.sendall(
            f"{upgrade}Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
            "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode()
        )
        assert raw.recv(64).startswith(b"HTTP/1.1 421 ")


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://bench.example", "https://bench.example:444"])
def test_a_foreign_page_may_neither_write_nor_open_a_socket_with_somebodys_cookie(away: Any, origin: str) -> None:
    cookie = sign_in(away, away.operator)
    foreign = cookie | {"Origin": origin}
    assert away.request("PUT", "api/v1/hookup", {"clips": []}, foreign)[0] == 403
    assert away.request("POST", SIGN_IN, {"secret": away.operator}, {"Origin": origin})[0] == 403
    with pytest.raises(InvalidStatus) as refused, live(away, foreign):
        pass
    assert refused.value.response.status_code == 403
    assert hello(away, cookie | {"Origin": away.url.rstrip("/")})["role"] == "operator"
    assert "handshake" not in away.child.stderr


def test_no_answer_lets_another_origin_read_it(away: Any, routes: list[tuple[str, str]]) -> None:
    asking = {"Origin": away.url.rstrip("/"), "Access-Control-Request-Method": "PUT"} | bearer(away.operator)
    for method, path in (
        ("GET", "api/v1/hookup"),
        ("OPTIONS", "api/v1/hookup"),
        ("GET", "main.js"),
        ("GET", "nothing"),
    ):
        _, headers, _ = away.request(method, path, headers=asking)
        assert not [name for name in headers if name.startswith("access-control-")]
        assert headers["cross-origin-resource-policy"] == "same-origin"
        assert headers["referrer-policy"] == "no-referrer"


def test_wrong_codes_have_one_answer_and_soon_a_wait(children: Any) -> None:
    tokens = state_of(children.folder)
    secret = tokens.add("phone", "operator")[1]
    gone = tokens.add("gone", "operator")[1]
    tokens.revoke("gone")
    daemon = on_network(children)
    tries = [daemon.request("POST", SIGN_IN, {"secret": one}) for one in ("x", gone, secret[:-1], secret + "x", "é")]
    assert {status for status, _, _ in tries} == {401}
    assert len({body for _, _, body in tries}) == 1
    for code in ("x", secret):  # nor does the wait tell a right one
        status, headers, _ = daemon.request("POST", SIGN_IN, {"secret": code})
        assert status == 429
        assert 1 <= int(headers["retry-after"]) <= 60
    assert asked(daemon, "get", "/api/v1/hookup", bearer(secret)) == 200  # who is in stays in
    daemon.process.terminate()
    assert daemon.child.wait() == 0  # with all of its log written
    assert daemon.child.stderr.count("wrong codes") == 1


def test_a_revoked_token_ends_its_sessions_and_closes_its_sockets(away: Any) -> None:
    secret = away.tokens.add("lost", "operator")[1]
    ways = [bearer(secret), sign_in(away, secret)]
    with live(away, ways[0]) as first, live(away, ways[1]) as second:
        for client in (first, second):
            assert json.loads(client.recv(20))["type"] == "hello"
        away.tokens.revoke("lost")
        assert [asked(away, "get", "/api/v1/hookup", way) for way in ways] == [401, 401]
        for client in (first, second):
            with pytest.raises(ConnectionClosed) as ended:
                while True:
                    client.recv(20)
            assert ended.value.rcvd is not None
            assert (ended.value.rcvd.code, ended.value.rcvd.reason) == (1008, "signed out")
    away.tokens.add("lost", "operator")  # another secret under the same name brings nothing back
    assert [asked(away, "get", "/api/v1/hookup", way) for way in ways] == [401, 401]
    away.tokens.revoke("lost")


def test_signing_out_ends_this_session_and_its_sockets_and_no_other(away: Any) -> None:
    mine, other = sign_in(away, away.viewer), sign_in(away, away.viewer)
    with live(away, mine) as client:
        client.recv(20)
        status, headers, _ = away.request("POST", "api/v1/sign-out", headers=mine)
        assert status == 200
        assert "Max-Age=0" in headers["set-cookie"]
        with pytest.raises(ConnectionClosed):
            while True:
                client.recv(20)
    assert asked(away, "get", "/api/v1/hookup", mine) == 401
    assert asked(away, "get", "/api/v1/hookup", other) == 200


def test_a_session_outlives_the_daemon_that_is_switched_off_with_the_bench(children: Any) -> None:
    secret = state_of(children.folder).add("phone", "operator")[1]
    daemon = on_network(children)
    cookie = sign_in(daemon, secret)["Cookie"].split("=")[1]
    daemon.process.kill()
    daemon.process.wait()
    again = on_network(children)
    assert asked(again, "get", "/api/v1/hookup", {"Cookie": f"peakwhite-{again.port}={cookie}"}) == 200


def test_the_files_hold_hashes_only_and_nobody_else_may_read_them(away: Any) -> None:
    value = sign_in(away, away.operator)["Cookie"].split("=")[1]
    for name in ("access.json", "sessions.json"):
        file = away.folder / "peakwhite" / name
        text = file.read_text()
        assert file.stat().st_mode & 0o777 == 0o600
        assert not [secret for secret in (away.operator, away.viewer, value) if secret in text]
    assert not list((away.folder / "peakwhite").glob("*.part"))


@pytest.fixture(scope="module")
def here(lasting_children: Any, away: Any) -> Any:
    """A daemon on loopback with a proxy's address in its settings, and the same tokens."""
    config = lasting_children.folder / "here.toml"
    config.write_text(f'[http]\naddresses = ["{OUTSIDE}/levels/"]\n')
    return lasting_children.daemon("serve", "--config", str(config), "--book", str(config.with_suffix(".sqlite")))


@pytest.mark.parametrize(
    "told",
    [
        {"X-Forwarded-For": "127.0.0.1"},
        {"Forwarded": "for=127.0.0.1"},
        {"X-Forwarded-Proto": "https"},
        {"X-Real-IP": "127.0.0.1"},
        {"X-Forwarded-Server": "proxy"},
        {"X-Forwarded-Port": "443"},
        {"X-Client-IP": "127.0.0.1"},
        {"X-Original-Host": "bench"},
        {"CF-Connecting-IP": "127.0.0.1"},
        {"True-Client-IP": "127.0.0.1"},
        {"Via": "1.1 proxy"},
        {"Host": "bench.example"},
    ],
    ids=lambda told: next(iter(told)),
)
def test_what_a_proxy_passes_on_is_not_this_computer(here: Any, away: Any, told: dict[str, str]) -> None:
    assert asked(here, "get", "/api/v1/hookup") == 200
    assert asked(here, "get", "/api/v1/hookup", told) == 401
    assert asked(here, "get", "/api/v1/hookup", told | bearer(away.viewer)) == 200


def test_this_computer_is_an_operator_with_nothing_to_sign_out_of(here: Any) -> None:
    greeting = hello(here, {})
    assert (greeting["role"], greeting["signed_in_as"]) == ("operator", None)
    assert here.json("PUT", "api/v1/hookup", {"clips": []})["clips"] == []


def test_behind_a_tls_proxy_under_a_path_a_browser_signs_in_and_its_cookie_is_secure(here: Any, away: Any) -> None:
    with sub_path_proxy("/levels/", here.port, passes_on=True) as url:
        browser = {"Host": "bench.example", "Origin": OUTSIDE}
        link = HTTPConnection(url.split("/")[2], timeout=20)
        link.request(
            "POST",
            "/levels/api/v1/sign-in",
            json.dumps({"secret": away.operator}),
            browser | {"Content-Type": "application/json"},
        )
        answer = link.getresponse()
        assert answer.status == 200, answer.read()
        cookie = answer.headers["set-cookie"]
        link.close()
    assert "; Secure" in cookie and "; HttpOnly" in cookie and "SameSite=strict" in cookie


def test_a_page_behind_the_proxy_opens_its_socket_and_one_of_another_site_does_not(here: Any, away: Any) -> None:
    # as the proxy passes an upgrade on: Host is left as the browser wrote it
    def answered(origin: str) -> bytes:
        with socket.create_connection(("127.0.0.1", here.port), 20) as raw:
            raw.sendall(
                f"GET /api/v1/live HTTP/1.1\r\nHost: bench.example\r\nOrigin: {origin}\r\nX-Forwarded-For: 192.0.2.77\r\n"
                f"Authorization: Bearer {away.viewer}\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n"
                "Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n".encode()
            )
            return raw.recv(64)

    assert answered(OUTSIDE).startswith(b"HTTP/1.1 101 ")
    assert answered("http://bench.example").startswith(b"HTTP/1.1 403 ")


def test_forwarded_headers_from_elsewhere_open_nothing(away: Any) -> None:
    if own_address() is None:
        pytest.skip("this machine has no address beyond loopback")
    for told in ({"X-Forwarded-For": "127.0.0.1"}, {"X-Real-IP": "127.0.0.1"}, {"Forwarded": "for=127.0.0.1"}):
        assert asked(away, "get", "/api/v1/hookup", told) == 401
    assert away.request("GET", "api/v1/hookup", headers={"Host": f"127.0.0.1:{away.port}"})[0] == 401


def test_loopback_is_trusted_no_more_than_others_where_the_settings_say_so(children: Any) -> None:
    config = children.folder / "shared.toml"
    config.write_text("[http]\ntrust_loopback = false\n")
    child = children.start(
        "daemon", "peakwhite.daemon", "serve", "--config", str(config), "--port", "0", "--no-browser"
    )
    assert (child.wait(60), child.stderr.count("there is no access token")) == (2, 1)
    secret = state_of(children.folder).add("phone", "operator")[1]
    daemon = children.daemon("serve", "--config", str(config))
    assert asked(daemon, "get", "/api/v1/hookup") == 401
    assert asked(daemon, "get", "/api/v1/hookup", bearer(secret)) == 200


PATHS = (
    "/../../../../etc/passwd",
    "/%2e%2e/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
    "//etc/passwd",
    "/..%2f..%2f..%2fpyproject.toml",
    "/..%5c..%5cpyproject.toml",
    "/main.js/../../__init__.py",
    "/%00main.js",
    "/.hidden.js",
    "/file:///etc/passwd",
    "/api/v1/book/marks/..%2f..%2fetc/passwd",
)


def test_a_path_from_a_client_reaches_no_file_outside_the_page(away: Any) -> None:
    for secret, wanted in ((None, {401}), (away.operator, {400, 404, 422})):
        for path in PATHS:
            link = HTTPConnection(host_of(away), away.port, timeout=20)
            link.request("GET", path, headers={} if secret is None else bearer(secret))
            answer = link.getresponse()
            body = answer.read()
            link.close()
            assert answer.status in wanted, (path, answer.status)
            assert b"root:" not in body and b"[project]" not in body


def test_no_word_of_a_client_becomes_a_resource_or_a_command_for_the_scope(
    away: Any, routes: list[tuple[str, str]]
) -> None:
    described = away.request("GET", "openapi.json", headers=bearer(away.operator))[2].decode()
    asked_for = json.loads(described)
    names = {
        one["name"]
        for path in asked_for["paths"].values()
        for way in path.values()
        for one in way.get("parameters", [])
    }
    bodies = [
        way["requestBody"]["content"]["application/json"]["schema"]["$ref"].rsplit("/", 1)[1]
        for path in asked_for["paths"].values()
        for way in path.values()
        if "$ref" in str(way.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema", {}))
        and "$ref" in way["requestBody"]["content"]["application/json"]["schema"]
    ]
    assert len(bodies) > 5
    names |= {name for body in bodies for name in asked_for["components"]["schemas"][body]["properties"]}
    assert not names & {
        "resource",
        "address",
        "host",
        "path",
        "file",
        "folder",
        "url",
        "command",
        "scpi",
        "query",
        "visa",
    }
    with socket.create_server(("127.0.0.1", 0)) as bait:
        bait.settimeout(0.5)
        resource = f"TCPIP0::127.0.0.1::{bait.getsockname()[1]}::SOCKET"
        for channel in (resource, "CH1;*RST", "CH1\n:SYST:RES", "../CH1", "USB0::1::2::3::INSTR"):
            body = {"clips": [{"channel": channel, "role": "red"}]}
            assert away.request("PUT", "api/v1/hookup", body, bearer(away.operator))[0] == 422
        assert away.request("PUT", "api/v1/scopes/in-use", {"id": resource}, bearer(away.operator))[0] == 404
        for method, path in (
            ("GET", f"api/v1/scopes?resource={resource}"),
            ("GET", f"api/v1/reading?resource={resource}"),
        ):
            away.request(method, path, {"resource": resource}, bearer(away.operator))
        with pytest.raises(TimeoutError):
            bait.accept()


def test_a_token_made_by_the_command_line_works_at_once_and_is_shown_this_once(away: Any) -> None:
    made = access(
        away.folder, "new", "--role", "viewer", "--name", "wall", "--days", "3", "--address", "http://bench.local:8714"
    )
    assert made["link"] == f"http://bench.local:8714/#sign-in={made['secret']}"
    assert asked(away, "get", "/api/v1/hookup", bearer(made["secret"])) == 200
    listed = access(away.folder, "list")
    assert [(one["name"], one["role"]) for one in listed][-1] == ("wall", "viewer")
    assert made["secret"] not in json.dumps(listed)
    access(away.folder, "revoke", "wall")
    assert asked(away, "get", "/api/v1/hookup", bearer(made["secret"])) == 401


def test_a_command_that_asks_a_daemon_beyond_loopback_sends_the_token_of_its_environment(away: Any) -> None:
    refused = command(away.folder, "book", "bench")
    assert (refused.returncode, refused.stdout) == (3, "")
    assert "only who has signed in" in refused.stderr
    told = command(away.folder, "book", "bench", token=away.operator)
    assert told.returncode == 0, told.stderr


def host_of(daemon: Any) -> str:
    host: str = daemon.url.split("/")[2].rsplit(":", 1)[0]
    return host
