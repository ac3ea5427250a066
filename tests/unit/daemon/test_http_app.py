"""The web face over a hub without a scope: refusals, problems, pages, REST and the live socket's rules."""

import asyncio
import json
from collections.abc import Iterator, Mapping, MutableMapping
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from jsonschema import Draft202012Validator
from starlette.websockets import WebSocket, WebSocketDisconnect

from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.body import BODY_LIMIT_BYTES
from peakwhite.daemon.http.services import Found, Services
from peakwhite.daemon.live import ControlLease, Hub, ScopeStatus
from peakwhite.daemon.live.schema import live_schema
from peakwhite.daemon.measure.hookup import Hookup
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag
from peakwhite.drivers.errors import LinkLost, UsageError
from scripted import a_measured

HOST = "127.0.0.1:8714"
LIVE = f"ws://{HOST}/api/v1/live"
CLIP = {"channel": "CH2", "role": "green"}


class Trimmers:
    def __init__(self) -> None:
        self.turned = {"red": 105.0, "green": 100.0}
        self.broken = False

    def percent(self) -> Mapping[str, float]:
        return dict(self.turned)

    def turn(self, role: str, percent: float) -> None:
        if self.broken:
            raise LinkLost("is not running", where="simulated scope", do="wait")
        self.turned[role] = percent


class Face:
    """The application and what it was given."""

    def __init__(self, folder: Path, trimmers: Trimmers | None = None, send_deadline_s: float = 10.0) -> None:
        self.now_s = 50.0
        self.lease = ControlLease(lambda: self.now_s)
        self.setup = SetupInForce(Setup())
        self.hub = Hub(self.lease, lambda: self.setup.current.generation, lambda: self.now_s)
        self.hub.announce(ScopeStatus("absent", 1_000_000_000, "no scope is named", "name one"), ())
        self.trimmers = trimmers
        self.scans = 0
        folder.mkdir()
        (folder / "index.html").write_text("<!doctype html><title>Peakwhite</title>")
        (folder / "main.js").write_text("export {};")
        (folder / "notes.txt").write_text("not for serving")
        (folder.parent / "secret.js").write_text("outside")
        self.app = create_app(
            Services(
                hub=self.hub,
                lease=self.lease,
                setup=self.setup,
                version="1.2.3",
                run="abcd",
                hosts=frozenset({HOST, "localhost:8714"}),
                page=folder,
                scan=self.scan,
                check_hookup=self.check_hookup,
                trimmers=trimmers,
                now_s=lambda: self.now_s,
                send_deadline_s=send_deadline_s,
            )
        )

    def check_hookup(self, hookup: Hookup) -> None:
        """The open scope has eight channels."""
        if hookup.of_channel("CH9"):
            raise UsageError("it has no channel 'CH9'", where="scope", do="it has CH1 to CH8")

    async def scan(self) -> list[Found]:
        self.scans += 1
        return [Found("USB0::1::2::3::INSTR", "MAKER,MODEL", None), Found("TCPIP?*", None, "no network")]

    def publish(self, sync: str = "locked") -> None:
        self.hub.announce(ScopeStatus("ready", 1_000_000_000, "capturing"), ())
        measured = a_measured(sync=sync)
        self.hub.publish(Reading("abcd", 1, 1, 1_000_000_000, LatencyMs(1.0, 2.0), ScopeTag("x", None), measured))


@pytest.fixture
def face(tmp_path: Path) -> Face:
    return Face(tmp_path / "static", Trimmers())


@pytest.fixture
def client(face: Face) -> Iterator[TestClient]:
    with TestClient(face.app, base_url=f"http://{HOST}", raise_server_exceptions=False) as client:
        yield client


def problem_of(response: Any, status: int, code: str) -> dict[str, Any]:
    assert response.status_code == status
    assert response.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = response.json()
    assert (body["status"], body["code"]) == (status, code)
    assert body["detail"]
    assert body["do"]
    return body


@pytest.mark.parametrize("host", ["evil.example:8714", "127.0.0.1", "127.0.0.1:80", "localhost:8714.evil.example", ""])
def test_a_foreign_host_is_refused(client: TestClient, host: str) -> None:
    problem_of(client.get("/healthz", headers={"Host": host}), 421, "foreign-host")


def test_a_browser_is_told_in_a_sentence_which_address_to_add_to_the_settings(client: TestClient) -> None:
    told = client.get("/", headers={"Host": "bench.lan:8714", "Accept": "text/html,*/*"})
    assert (told.status_code, told.headers["content-type"]) == (421, "text/html; charset=utf-8")
    assert "addresses = [&quot;http://bench.lan:8714&quot;]" in told.text
    assert told.headers["content-security-policy"] and told.headers["cache-control"] == "no-store"
    foreign = client.get("/", headers={"Host": "<script>", "Accept": "text/html"})
    assert foreign.status_code == 421 and "<script>" not in foreign.text and "addresses" not in foreign.text


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:8714", "http://127.0.0.1:8715"])
@pytest.mark.parametrize("method", ["GET", "POST", "PUT"])
def test_a_foreign_origin_is_refused(client: TestClient, origin: str, method: str) -> None:
    problem_of(client.request(method, "/api/v1/control", headers={"Origin": origin}), 403, "foreign-origin")


@pytest.mark.parametrize("headers", [{}, {"Origin": f"http://{HOST}"}, {"Origin": "http://localhost:8714"}])
def test_own_and_absent_origins_pass(client: TestClient, headers: dict[str, str]) -> None:
    assert client.get("/healthz", headers=headers).status_code == 200


@pytest.mark.parametrize("headers", [{"Host": "evil.example"}, {"Origin": "http://evil.example"}])
def test_an_upgrade_from_elsewhere_is_refused(client: TestClient, headers: dict[str, str]) -> None:
    with pytest.raises(WebSocketDisconnect), client.websocket_connect(LIVE, headers=headers):
        pass


def test_a_body_over_the_limit_is_refused_announced_or_not(client: TestClient) -> None:
    body = b" " * (BODY_LIMIT_BYTES + 1)
    problem_of(client.put("/api/v1/hookup", content=body), 413, "too-large")
    problem_of(client.put("/api/v1/hookup", content=iter([body[:1000], body[1000:]])), 413, "too-large")


@pytest.mark.parametrize("path", ["/", "/api/v1/control", "/api/v1/nothing", "/openapi.json"])
def test_every_answer_carries_the_safety_headers_and_none_allows_others(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert not [name for name in headers if name.startswith("access-control-")]


def test_what_is_not_there_and_what_may_not_be_done_are_problems(client: TestClient) -> None:
    problem_of(client.get("/api/v1/nothing"), 404, "not-found")
    answer = client.delete("/api/v1/hookup")
    problem_of(answer, 405, "method-not-allowed")
    problem_of(client.post("/api/v1/control", content=b"{"), 422, "usage")


def test_a_defect_is_a_problem_too(client: TestClient, face: Face, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(face.hub, "_latest", object())
    problem_of(client.get("/api/v1/reading"), 500, "internal")


def test_the_page_is_asked_again_and_not_sent_again(client: TestClient, face: Face, tmp_path: Path) -> None:
    first = client.get("/")
    assert first.text.startswith("<!doctype html>")
    assert first.headers["cache-control"] == "no-cache"
    again = client.get("/", headers={"If-None-Match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    (tmp_path / "static" / "index.html").write_text("other")
    assert client.get("/", headers={"If-None-Match": first.headers["etag"]}).text == "other"


def test_modules_are_served_as_scripts(client: TestClient) -> None:
    assert client.get("/main.js").headers["content-type"].startswith("text/javascript")
    assert client.head("/main.js").content == b""


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.js",
        "/%2e%2e/secret.js",
        "/..%2fsecret.js",
        "/%2fetc%2fpasswd",
        "/notes.txt",
        "/.hidden.js",
        "/main.js/x",
    ],
)
def test_nothing_outside_the_page_is_served(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


def test_the_newest_reading_is_served_and_before_the_first_there_is_a_problem(client: TestClient, face: Face) -> None:
    body = problem_of(client.get("/api/v1/reading"), 503, "no-reading")
    assert "no scope is named" in body["detail"]
    assert client.get("/api/v1/reading").headers["retry-after"] == "1"
    face.publish()
    reading = client.get("/api/v1/reading").json()
    assert (reading["schema"], reading["seq"]) == ("peakwhite.reading/1", 1)


def test_ready_means_fresh_readings_with_sync(client: TestClient, face: Face) -> None:
    assert client.get("/healthz").json() == {"status": "alive", "version": "1.2.3", "run": "abcd"}
    problem_of(client.get("/readyz"), 503, "no-reading")
    face.publish("none")
    problem_of(client.get("/readyz"), 503, "no-reading")
    face.publish()
    assert client.get("/readyz").status_code == 200
    face.hub.announce(ScopeStatus("lost", 1_000_000_000, "gone", "switch it on"), ())
    assert "gone" in problem_of(client.get("/readyz"), 503, "no-reading")["detail"]
    face.publish()
    face.now_s += 3.1
    problem_of(client.get("/readyz"), 503, "no-reading")


def test_a_hookup_is_put_in_force_whole_and_answered_with_its_generation(client: TestClient, face: Face) -> None:
    before = client.get("/api/v1/hookup").json()
    assert before["setup"] == 1
    assert [clip["role"] for clip in before["clips"]] == ["red", "green", "blue", "sync"]
    body = {"clips": [CLIP | {"load_ohm": 50.0}], "target_of": {"green": "rgb-700"}, "pattern_white_pct": 75.0}
    after = client.put("/api/v1/hookup", json=body).json()
    assert after["setup"] == 2
    conditions = face.setup.current.conditions
    assert conditions.hookup.clips[0].load_ohm == 50.0
    assert (conditions.chosen, conditions.pattern_white_pct) == ({"green": "rgb-700"}, 75.0)
    assert client.get("/api/v1/hookup").json() == after
    assert client.get("/api/v1/targets").json()["target_of"] == {"green": "rgb-700"}


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"clips": [CLIP], "resource": "TCPIP::evil::INSTR"},
        {"clips": [{"channel": "CH1", "role": "mauve"}]},
        {"clips": [CLIP, CLIP]},
        {"clips": [CLIP | {"channel": "CH1;*RST"}]},
        {"clips": [CLIP | {"channel": "CH1\n"}]},
        {"clips": [CLIP], "target_of": {"green": "rgb-70"}},
        {"clips": [CLIP], "pattern_white_pct": 0},
        {"clips": [CLIP | {"load_ohm": -75}]},
        {"clips": [CLIP, {"channel": "CH9", "role": "red"}]},
        {"clips": [CLIP], "target_of": {"green": "luma-525"}},
        {"clips": [CLIP], "target_of": {"sync": "rgb-700"}},
    ],
)
def test_a_hookup_that_cannot_be_changes_nothing(client: TestClient, face: Face, body: object) -> None:
    problem_of(client.put("/api/v1/hookup", json=body), 422, "usage")
    assert face.setup.current.generation == 1


def test_a_target_of_another_role_is_refused_with_the_roles_that_it_is_for(client: TestClient) -> None:
    body = {"clips": [CLIP], "target_of": {"green": "luma-525"}}
    told = problem_of(client.put("/api/v1/hookup", json=body), 422, "usage")
    assert told["detail"] == "target_of.green: names the target 'luma-525', which is for luma"


def test_an_empty_hookup_is_allowed(client: TestClient) -> None:
    assert client.put("/api/v1/hookup", json={"clips": []}).json()["clips"] == []


def test_the_reading_of_a_dropped_hookup_is_served_no_more(client: TestClient, face: Face) -> None:
    face.publish()
    client.put("/api/v1/hookup", json={"clips": [CLIP]})
    told = problem_of(client.get("/api/v1/reading"), 503, "no-reading")
    assert told["do"] == "wait for the next capture"
    problem_of(client.get("/readyz"), 503, "no-reading")


def test_the_reading_of_a_lost_scope_is_served_for_two_seconds_and_no_more(client: TestClient, face: Face) -> None:
    face.publish()
    face.hub.announce(ScopeStatus("lost", 1_000_000_000, "gone", "switch it on"), ())
    assert client.get("/api/v1/reading").status_code == 200
    face.now_s += 2.1
    told = problem_of(client.get("/api/v1/reading"), 503, "no-reading")
    assert ("gone" in told["detail"], told["do"]) == (True, "switch it on")


@pytest.mark.parametrize("take", [1, "yes", "true", None])
def test_control_is_taken_by_true_alone(client: TestClient, take: object) -> None:
    problem_of(client.post("/api/v1/control", json={"name": "phone", "take": take}), 422, "usage")


@pytest.mark.parametrize("name", ["", "   ", "x" * 41, "a\nb", "a\x1b[2J", "a\u202eb"])
def test_a_name_that_cannot_be_shown_gets_no_control(client: TestClient, name: str) -> None:
    problem_of(client.post("/api/v1/control", json={"name": name}), 422, "usage")
    assert client.get("/api/v1/control").json() == {"holder": None}


@pytest.mark.parametrize("name", ["  phone ", "Grüße 1", " " * 50 + "x" * 40])
def test_a_name_is_shown_without_the_blanks_around_it(client: TestClient, name: str) -> None:
    assert client.post("/api/v1/control", json={"name": name}).json()["holder"] == name.strip()


def test_the_targets_are_listed_with_their_edges(client: TestClient) -> None:
    targets = {target["name"]: target for target in client.get("/api/v1/targets").json()["targets"]}
    assert targets["rgb-525"]["over_above_mv"] == 714.3
    assert targets["rgb-525"]["windows"][0]["name"] == "VSIS"


def test_scopes_are_looked_for_only_when_asked(client: TestClient, face: Face) -> None:
    assert client.get("/api/v1/scopes").json() == {"scopes": None}
    assert face.scans == 0
    found = client.post("/api/v1/scopes/scan").json()
    assert found["scopes"][0].items() >= {"resource": "USB0::1::2::3::INSTR", "identity": "MAKER,MODEL"}.items()
    assert client.get("/api/v1/scopes").json() == found
    assert face.scans == 1


def test_while_somebody_holds_control_a_write_without_their_token_is_refused_with_their_name(
    client: TestClient,
) -> None:
    token = client.post("/api/v1/control", json={"name": "phone"}).json()["token"]
    assert client.get("/api/v1/control").json() == {"holder": "phone"}
    for method, path, body in (
        ("PUT", "/api/v1/hookup", {"clips": []}),
        ("POST", "/api/v1/scopes/scan", None),
        ("PUT", "/api/v1/demo/trimmers/red", {"percent": 100}),
        ("POST", "/api/v1/control", {"name": "laptop"}),
    ):
        assert "phone" in problem_of(client.request(method, path, json=body), 409, "control-held")["detail"]
    mine = {"Peakwhite-Control": token}
    assert client.put("/api/v1/hookup", json={"clips": []}, headers=mine).status_code == 200
    taken = client.post("/api/v1/control", json={"name": "laptop", "take": True}).json()
    assert (taken["holder"], taken["taken_from"]) == ("laptop", "phone")
    assert client.put("/api/v1/hookup", json={"clips": []}, headers=mine).status_code == 409
    problem_of(client.delete("/api/v1/control", headers=mine), 409, "control-held")
    assert client.delete("/api/v1/control", headers={"Peakwhite-Control": taken["token"]}).json() == {"holder": None}


def test_a_trimmer_is_turned_and_stands_where_it_was_turned(client: TestClient, face: Face) -> None:
    assert client.put("/api/v1/demo/trimmers/red", json={"percent": 98.5}).json() == {"percent": 98.5}
    assert client.get("/api/v1/demo").json()["trimmers"]["red"] == {"percent": 98.5}
    problem_of(client.put("/api/v1/demo/trimmers/mauve", json={"percent": 100}), 404, "not-found")
    for percent in (49.9, 150.1, "x", None):
        problem_of(client.put("/api/v1/demo/trimmers/red", json={"percent": percent}), 422, "usage")
    assert face.trimmers is not None
    face.trimmers.broken = True
    problem_of(client.put("/api/v1/demo/trimmers/red", json={"percent": 100}), 503, "link-lost")
    assert face.trimmers.turned["red"] == 98.5


def test_a_real_scope_has_no_trimmers(tmp_path: Path) -> None:
    with TestClient(Face(tmp_path / "static").app, base_url=f"http://{HOST}") as client:
        problem_of(client.get("/api/v1/demo"), 404, "not-found")
        assert client.put("/api/v1/demo/trimmers/red", json={"percent": 100}).status_code == 405


def test_the_cautions_are_there_to_read(client: TestClient) -> None:
    cautions = client.get("/api/v1/cautions").json()
    assert "earth" in " ".join(cautions["items"])
    assert "licensed" in cautions["note"]


def test_openapi_describes_every_route_and_every_error_it_gives(client: TestClient) -> None:
    document = client.get("/openapi.json").json()
    operations = [
        (method, path, operation)
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]
    assert len(operations) >= 14
    for method, path, operation in operations:
        assert operation["summary"], (method, path)
        assert operation["description"], (method, path)
        errors = {status: answer for status, answer in operation["responses"].items() if status != "200"}
        assert "421" in errors
        for status, answer in errors.items():
            assert list(answer["content"]) == ["application/problem+json"], (method, path, status)
    assert client.get("/docs").status_code == client.get("/redoc").status_code == 404


def test_openapi_says_how_to_be_let_in_and_what_is_answered_to_what_is_no_request(client: TestClient) -> None:
    document = client.get("/openapi.json").json()
    assert document["security"] == [{"bearer": []}, {"session": []}]
    assert document["paths"]["/healthz"]["get"]["security"] == []
    put = document["paths"]["/api/v1/hookup"]["put"]["responses"]
    get = document["paths"]["/api/v1/hookup"]["get"]["responses"]
    assert {"400", "422"} <= put.keys() and not {"400", "422"} & get.keys()
    assert put["422"]["content"]["application/problem+json"]["schema"] == {"$ref": "#/components/schemas/Problem"}
    assert "Retry-After" in document["paths"]["/api/v1/reading"]["get"]["responses"]["503"]["headers"]
    assert "HTTPValidationError" not in document["components"]["schemas"]


@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("OPTIONS", "/api/v1/control", "DELETE, GET, POST"),
        ("GET", "/api/v1/scopes/scan", "POST"),
        ("PATCH", "/api/v1/demo/trimmers/red", "PUT"),
    ],
)
def test_a_method_that_a_path_does_not_take_is_told_all_that_it_takes(
    client: TestClient, method: str, path: str, allow: str
) -> None:
    answer = client.request(method, path)
    assert (answer.status_code, answer.headers["allow"]) == (405, allow)
    assert answer.json()["code"] == "method-not-allowed"


def test_hello_comes_first_and_then_the_status(client: TestClient, face: Face) -> None:
    face.publish()
    with client.websocket_connect(LIVE) as socket:
        frames = [socket.receive_json() for _ in range(3)]
    assert [frame["type"] for frame in frames] == ["hello", "status", "reading"]
    assert (frames[0]["version"], frames[0]["run"], frames[0]["demo"]) == ("1.2.3", "abcd", True)
    for frame in frames:
        Draft202012Validator(live_schema()["server"][frame["type"]]).validate(frame)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "hello",
        "[]",
        "null",
        '{"type":"reading"}',
        '{"type":"lines"}',
        '{"type":"lines","width":"800"}',
        '{"type":"lines","width":-1}',
        '{"type":"lines","width":1e9}',
        '{"type":"lines","width":800,"more":1}',
        '{"type":["lines"]}',
        '{"type":"control","token":5}',
        "[" * 4000,
        json.dumps({"type": "control", "token": "x" * 4096}),
    ],
)
def test_any_message_but_lines_and_control_closes_with_1008(client: TestClient, text: str) -> None:
    with client.websocket_connect(LIVE) as socket:
        socket.send_text(text)
        with pytest.raises(WebSocketDisconnect) as closed:
            while True:
                socket.receive_text()
    assert closed.value.code == 1008


def test_a_binary_message_closes_with_1008(client: TestClient) -> None:
    with client.websocket_connect(LIVE) as socket:
        socket.send_bytes(b"{}")
        with pytest.raises(WebSocketDisconnect) as closed:
            while True:
                socket.receive_text()
    assert closed.value.code == 1008


def test_a_socket_that_shows_the_holders_token_has_control_and_its_end_lets_the_lease_run_out(
    client: TestClient, face: Face
) -> None:
    token = client.post("/api/v1/control", json={"name": "phone"}).json()["token"]
    with client.websocket_connect(LIVE) as socket:
        socket.send_json({"type": "control", "token": token})
        while not (frame := socket.receive_json()).get("control", {}).get("mine"):
            assert frame["type"] in ("hello", "status")
        face.now_s += 100.0
        assert face.lease.holder == "phone"
    face.now_s += 15.0
    assert client.get("/api/v1/control").json() == {"holder": None}


def test_a_client_that_does_not_read_is_closed_with_1013(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    face = Face(tmp_path / "static", send_deadline_s=0.4)
    send = WebSocket.send

    async def send_only_hello(self: WebSocket, message: MutableMapping[str, Any]) -> None:
        if message["type"] == "websocket.send" and "hello" not in message["text"]:
            face.now_s += 10.0
            await asyncio.Event().wait()
        await send(self, message)

    monkeypatch.setattr(WebSocket, "send", send_only_hello)
    with TestClient(face.app, base_url=f"http://{HOST}") as client, client.websocket_connect(LIVE) as socket:
        assert socket.receive_json()["type"] == "hello"
        with pytest.raises(WebSocketDisconnect) as closed:
            socket.receive_json()
    assert closed.value.code == 1013
