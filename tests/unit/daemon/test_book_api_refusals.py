"""What the bench book refuses over REST, and that nothing is changed by it."""

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import Connection

from book_bench import BOOK, HOST, Bench, open_bench, problem
from peakwhite.daemon.book import place
from peakwhite.daemon.book.keeper import MOST_WAITING
from told import SOON_S


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_bench(tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def lasting_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One with a unit and a mark, for all tests that refuse something."""
    with open_bench(tmp_path_factory.mktemp("bench")) as made:
        made.unit()
        made.show()
        made.ask("POST", "/marks", {})
        yield made


WRITES = [
    ("POST", "/jobs", {"name": "x"}),
    ("PUT", "/jobs/1", {"name": "x"}),
    ("POST", "/jobs/1/units", {"serial": "x"}),
    ("PUT", "/units/1", {"serial": "x"}),
    ("POST", "/units/1/stages", {"name": "x"}),
    ("PUT", "/stages/1", {"name": "x"}),
    ("PUT", "/present", {"stage": 1}),
    ("POST", "/marks", {}),
    ("PUT", "/marks/1", {"note": "x"}),
    ("DELETE", "/marks/1", None),
    ("POST", "/marks/1/restore", None),
    ("POST", "/undo", None),
]


def test_every_route_that_writes_is_tried_here(bench: Bench) -> None:
    paths = bench.client.get("/openapi.json").json()["paths"]
    writing = {
        (method.upper(), path.removeprefix(BOOK))
        for path, methods in paths.items()
        for method in methods
        if path.startswith(BOOK) and method != "get"
    }
    assert {(method, _pattern(path)) for method, path, _ in WRITES} == {(one, _pattern(path)) for one, path in writing}


def _pattern(path: str) -> str:
    return "/".join("N" if part == "1" or part.startswith("{") else part for part in path.split("/"))


@pytest.mark.parametrize(("method", "path", "body"), WRITES)
def test_while_somebody_holds_control_others_write_nothing(
    lasting_bench: Bench, method: str, path: str, body: object
) -> None:
    bench = lasting_bench
    token = bench.client.post("/api/v1/control", json={"name": "phone"}).json()["token"]
    assert "phone holds control" in problem(bench.ask(method, path, body, 409), "control-held")
    mine = {"Peakwhite-Control": token}
    answer = bench.client.request(method, f"{BOOK}{path}", json=body, headers=mine)
    assert answer.status_code == 200, answer.text
    bench.client.delete("/api/v1/control", headers=mine)


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("POST", "/jobs", {"name": ""}),
        ("POST", "/jobs", {"name": "x" * 201}),
        ("POST", "/jobs", {"name": "a\0b"}),
        ("POST", "/jobs", {"name": "x", "more": 1}),
        ("POST", "/jobs/1/units", {"note": "of nothing"}),
        ("POST", "/jobs/1/units", {"serial": "x", "choose": 1}),
        ("POST", "/units/1/stages", {"name": "  "}),
        ("PUT", "/marks/1", {"note": "x" * 4001}),
        ("PUT", f"/marks/{2**63}", {"note": "x"}),
        ("PUT", "/present", {}),
        ("PUT", "/present", {"stage": True}),
        ("POST", "/marks", {"stage": 1.5}),
        ("POST", "/marks", {"stage": True}),
        ("GET", "/marks?most=1001", None),
        ("GET", f"/marks?stage={2**64}", None),
        ("GET", "/compare?before=1", None),
        ("GET", "/marks/0", None),
    ],
)
def test_what_cannot_be_meant_is_refused_and_changes_nothing(
    lasting_bench: Bench, method: str, path: str, body: object
) -> None:
    before = [lasting_bench.ask("GET", asked) for asked in ("/jobs", "/jobs/1/units", "/marks", "")]
    problem(lasting_bench.ask(method, path, body, 422), "usage")
    assert [lasting_bench.ask("GET", asked) for asked in ("/jobs", "/jobs/1/units", "/marks", "")] == before


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("GET", "/marks/9", None),
        ("GET", "/jobs/9/units", None),
        ("GET", "/units/9/stages", None),
        ("GET", "/compare?before=9&after=9", None),
        ("POST", "/jobs/9/units", {"serial": "x"}),
        ("POST", "/units/9/stages", {"name": "x"}),
        ("PUT", "/marks/9", {"note": "x"}),
        ("DELETE", "/marks/9", None),
    ],
)
def test_what_is_not_in_the_book_is_said(lasting_bench: Bench, method: str, path: str, body: object) -> None:
    problem(lasting_bench.ask(method, path.replace("9", "99"), body, 404), "not-in-book")


def test_a_full_book_refuses_a_mark_whole_and_the_status_says_why_until_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(place, "DURABLE", (*place.DURABLE, "max_page_count = 60"))
    with open_bench(tmp_path) as bench:
        bench.show()
        kept = 0
        while (answer := bench.client.post(f"{BOOK}/marks", json={})).status_code == 200:
            kept += 1
        assert kept > 0 and answer.status_code == 507
        assert "it is full" in problem(answer.json(), "book-full")
        with bench.client.websocket_connect(f"ws://{HOST}/api/v1/live") as socket:
            status = socket.receive_json()
            while status["type"] != "status":
                status = socket.receive_json()
        assert [one["code"] for one in status["problems"]] == ["book-full"]
        assert len(bench.ask("GET", "/marks")["marks"]) == kept
        with closing(sqlite3.connect(str(bench.place))) as other, other:
            other.execute("DELETE FROM codes")
        bench.ask("POST", "/marks", {})
        assert bench.keeper.problems == ()


def test_when_too_much_waits_a_mark_is_refused_at_once(bench: Bench) -> None:
    bench.show()
    begun, go_on = threading.Event(), threading.Event()

    def hold(connection: Connection, run: int) -> bool:
        begun.set()
        return go_on.wait(SOON_S)

    held = bench.keeper.submit(hold)
    assert begun.wait(SOON_S)
    for _ in range(MOST_WAITING):
        bench.keeper.submit(lambda connection, run: None)
    problem(bench.ask("POST", "/marks", {}, 503), "book-busy")
    go_on.set()
    assert held.result(SOON_S)
