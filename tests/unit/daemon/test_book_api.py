"""The bench book over REST: what is kept is durable and told, by whom it may be, and what is refused."""

import asyncio
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from jsonschema import Draft202012Validator
from sqlalchemy import Connection

from kept_marks import CONDITIONS, made_capture, made_reading, moment
from peakwhite.daemon.book import BookKeeper, BookPlace, Marking, PresentStage, place
from peakwhite.daemon.book.keeper import MOST_WAITING
from peakwhite.daemon.book.records import EventCapture, NewEvent
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.services import Services
from peakwhite.daemon.live import ControlLease, Hub, ScopeStatus
from peakwhite.daemon.live.schema import live_schema
from peakwhite.daemon.measure.reading import Reading
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.errors import UsageError
from told import SOON_S

HOST = "127.0.0.1:8714"
BOOK = "/api/v1/book"


class Bench:
    """The application over a real book, and readings as the acquisition would hand them over."""

    def __init__(self, folder: Path) -> None:
        self.now_ns = 10**9
        self.setup = SetupInForce(Setup(conditions=CONDITIONS))
        lease = ControlLease(lambda: 0.0)
        self.hub = Hub(lease, lambda: self.setup.current.generation, lambda: 0.0)
        self.place = BookPlace(folder / "book.sqlite")
        self.keeper = BookKeeper(
            self.place, "abcd", bench="left", tell=lambda problems: self.hub.announce_beside("book", problems)
        )
        self.keeper.start()
        self.marking = Marking(self.keeper, PresentStage(self.place), self.setup, monotonic_ns=lambda: self.now_ns)
        services = Services(
            hub=self.hub,
            lease=lease,
            setup=self.setup,
            version="1.2.3",
            run="abcd",
            hosts=frozenset({HOST}),
            page=folder,
            scan=self.scan,
            check_hookup=lambda hookup: None,
            trimmers=None,
            now_s=lambda: 0.0,
            book=self.marking,
        )
        self.client = TestClient(create_app(services), base_url=f"http://{HOST}", raise_server_exceptions=False)

    async def scan(self) -> list[Any]:
        return []

    def show(self, red_mv: float = 750.0, *, held: bool = False, after_ns: int = 50_000_000) -> tuple[Reading, Capture]:
        """A reading is published, some time after the one before."""
        self.now_ns += after_ns
        reading, capture = replace(made_reading(red_mv), setup=self.setup.current.generation), made_capture(red_mv)
        if held:
            channels = tuple(replace(channel, held=True) for channel in reading.measured.channels)
            reading = replace(reading, measured=replace(reading.measured, channels=channels))
        self.hub.announce(ScopeStatus("ready", 1, "capturing"), ())
        self.hub.publish(reading)
        self.marking.on_reading(reading, capture)
        return reading, capture

    def ask(self, method: str, path: str, body: object = None, status: int = 200) -> Any:
        """The body of the answer, which has that status."""
        answer = self.client.request(method, f"{BOOK}{path}", json=body)
        assert answer.status_code == status, answer.text
        return answer.json()

    def unit(self, serial: str = "TM2-0017") -> Any:
        """A new job with a unit, which is on the bench then."""
        job = self.ask("POST", "/jobs", {"name": "Quayside batch"})
        return self.ask("POST", f"/jobs/{job['id']}/units", {"model": "TM-2", "serial": serial})


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    with made.client:
        yield made
    made.marking.close()
    assert made.keeper.stop()


@pytest.fixture(scope="module")
def lasting_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One with a unit and a mark, for all tests that refuse something."""
    made = Bench(tmp_path_factory.mktemp("bench"))
    with made.client:
        made.unit()
        made.show()
        made.ask("POST", "/marks", {})
        yield made
    made.marking.close()
    assert made.keeper.stop()


def problem(body: Any, code: str) -> str:
    assert body["code"] == code and body["do"]
    return str(body["detail"])


def test_a_mark_is_kept_with_its_capture_and_set_up_in_the_stage_on_the_bench(bench: Bench) -> None:
    there = bench.unit()
    reading, capture = bench.show()
    mark = bench.ask("POST", "/marks", {"note": "hot on red", "who": "Ada"})
    assert (mark["stage"], mark["unit"]["serial"]) == (there["stage"], "TM2-0017")
    assert (mark["note"], mark["who"], mark["bench"], mark["has_capture"]) == ("hot on red", "Ada", "left", True)
    shown = bench.ask("GET", f"/marks/{mark['id']}")
    assert shown["reading"] == bench.client.get("/api/v1/reading").json()
    assert shown["setup"]["hookup"]["clips"][0]["role"] == "red"
    with bench.keeper.reader() as reader:
        kept = reader.capture(mark["id"])
        assert kept is not None and reader.show(mark["id"]).budgets == reading.measured.budgets
    np.testing.assert_array_equal(kept.channels[0].codes, capture.channels[0].codes)


def test_without_a_unit_a_mark_is_a_loose_one_of_the_day(bench: Bench) -> None:
    bench.show()
    first, second = (bench.ask("POST", "/marks", {}) for _ in range(2))
    assert first["stage"] == second["stage"]
    assert (first["job"]["name"], first["stage"]["name"]) == ("Loose marks", "loose")
    assert bench.ask("GET", "/present") == {"present": None}


def test_a_stage_that_is_not_in_this_book_loses_no_mark(bench: Bench) -> None:
    bench.marking.present.choose(77)
    bench.show()
    assert bench.ask("POST", "/marks", {})["job"]["name"] == "Loose marks"
    assert bench.ask("GET", "")["present"] is None
    problem(bench.ask("POST", "/marks", {"stage": 78}, 404), "not-in-book")


def test_viewers_are_told_of_a_mark_once_it_can_be_read(bench: Bench) -> None:
    bench.show()
    with bench.client.websocket_connect(f"ws://{HOST}/api/v1/live") as socket:
        number = bench.ask("POST", "/marks", {})["id"]
        frame = socket.receive_json()
        while frame["type"] != "mark":
            frame = socket.receive_json()
        Draft202012Validator(live_schema()["server"]["mark"]).validate(frame)
        assert frame == {"type": "mark", "id": number}


def test_nothing_is_answered_before_the_book_has_it(bench: Bench) -> None:
    bench.show()
    begun, go_on = threading.Event(), threading.Event()

    def hold(connection: Connection, run: int) -> bool:
        begun.set()
        return go_on.wait(SOON_S)

    bench.keeper.submit(hold)
    assert begun.wait(SOON_S)

    async def keep_with_the_writer_held() -> tuple[bool, int]:
        keeping = asyncio.ensure_future(bench.marking.keep())
        await asyncio.sleep(0)
        answered = keeping.done()
        go_on.set()
        return answered, await keeping

    assert asyncio.run(keep_with_the_writer_held()) == (False, 1)


def test_levels_that_are_held_are_kept_with_the_capture_that_they_are_of(bench: Bench) -> None:
    bench.show(750.0)
    bench.show(700.0, held=True)
    kept = bench.ask("POST", "/marks", {})
    assert kept["levels"][0]["peak_white_mv"] == pytest.approx(750.0, abs=2.0)
    assert not kept["levels"][0]["held"]
    bench.show(700.0, held=True, after_ns=600_000_000)
    kept = bench.ask("POST", "/marks", {})
    assert kept["levels"][0]["held"], "the one before is too old to be what the page shows"


def test_there_is_no_mark_without_a_reading_under_the_set_up_in_force(bench: Bench) -> None:
    problem(bench.ask("POST", "/marks", {}, 503), "no-reading")
    bench.show()
    bench.setup.swap(CONDITIONS)
    problem(bench.ask("POST", "/marks", {}, 503), "no-reading")
    assert bench.ask("GET", "/marks")["marks"] == []


def test_nothing_goes_to_a_stage_of_which_it_is_not_known_that_it_is_on_the_bench(bench: Bench) -> None:
    stage = bench.unit()["stage"]["id"]
    bench.show()

    def doubt() -> None:
        raise UsageError("it may be another unit", where="bench", do="say which")

    bench.marking = Marking(bench.keeper, bench.marking.present, bench.setup, may_keep=doubt)
    bench.marking.on_reading(*bench.show())
    with pytest.raises(UsageError, match="another unit"):
        asyncio.run(bench.marking.keep())
    with pytest.raises(UsageError, match="another unit"):
        asyncio.run(bench.marking.keep(stage_id=stage))
    other = bench.unit()["stage"]["id"]
    bench.marking.present.choose(stage)
    assert asyncio.run(bench.marking.keep(stage_id=other)) == 1, "the user says which other unit"


def test_the_stage_on_the_bench_stays_there_when_the_daemon_is_started_again(bench: Bench) -> None:
    stage = bench.unit()["stage"]["id"]
    assert PresentStage(bench.place).stage_id == stage
    assert bench.ask("PUT", "/present", {"stage": None}) == {"present": None}
    assert PresentStage(bench.place).stage_id is None
    assert bench.ask("PUT", "/present", {"stage": stage})["present"]["stage"]["id"] == stage
    problem(bench.ask("PUT", "/present", {"stage": 99}, 404), "not-in-book")
    assert bench.ask("GET", "/present")["present"]["stage"]["id"] == stage


def test_jobs_units_and_stages_are_added_listed_and_renamed(bench: Bench) -> None:
    there = bench.unit()
    job, unit, first = (there[name]["id"] for name in ("job", "unit", "stage"))
    second = bench.ask("POST", f"/units/{unit}/stages", {"name": "as left", "choose": False})["stage"]["id"]
    assert bench.ask("GET", "/present")["present"]["stage"]["id"] == first
    assert [one["name"] for one in bench.ask("GET", f"/units/{unit}/stages")["stages"]] == ["as found", "as left"]
    bench.ask("PUT", f"/stages/{second}", {"name": "after the trimmer"})
    bench.ask("PUT", f"/units/{unit}", {"serial": "TM2-0018", "revision": "C"})
    bench.ask("PUT", f"/jobs/{job}", {"name": "Harbour order", "note": "by Friday"})
    assert [one["note"] for one in bench.ask("GET", "/jobs")["jobs"]] == ["by Friday"]
    units = bench.ask("GET", f"/jobs/{job}/units")["units"]
    assert [(one["serial"], one["model"]) for one in units] == [("TM2-0018", "")]
    assert bench.ask("GET", f"/units/{unit}/stages")["stages"][1]["name"] == "after the trimmer"


def test_a_mark_is_annotated_moved_taken_back_and_put_back(bench: Bench) -> None:
    stage = bench.unit()["stage"]["id"]
    bench.ask("PUT", "/present", {"stage": None})
    bench.show()
    number = bench.ask("POST", "/marks", {"note": "before"})["id"]
    changed = bench.ask("PUT", f"/marks/{number}", {"note": "after", "stage": stage})
    assert (changed["note"], changed["stage"]["id"]) == ("after", stage)
    assert bench.ask("POST", "/undo") == {"id": number}
    assert bench.ask("POST", "/undo") == {"id": None}
    assert bench.ask("GET", "/marks")["marks"] == []
    assert bench.ask("GET", "/marks?removed=true")["marks"][0]["removed_at"]
    assert bench.ask("POST", f"/marks/{number}/restore")["removed_at"] is None
    assert bench.ask("DELETE", f"/marks/{number}")["removed_at"]


def test_marks_are_listed_by_place_page_and_words(bench: Bench) -> None:
    bench.show()
    loose = bench.ask("POST", "/marks", {"note": "striped"})["id"]
    there = bench.unit()
    found = [bench.ask("POST", "/marks", {})["id"] for _ in range(3)]
    for of in ("job", "unit", "stage"):
        assert _numbers(bench.ask("GET", f"/marks?{of}={there[of]['id']}")) == found[::-1]
    assert _numbers(bench.ask("GET", "/marks?most=2")) == found[:0:-1]
    assert _numbers(bench.ask("GET", f"/marks?most=2&before={found[1]}")) == [found[0], loose]
    assert _numbers(bench.ask("GET", "/search?words=stri")) == [loose]
    assert _numbers(bench.ask("GET", "/search?words=tm2-00 quay")) == found[::-1]


def _numbers(body: Any) -> list[int]:
    return [mark["id"] for mark in body["marks"]]


def test_two_marks_are_compared(bench: Bench) -> None:
    bench.show(750.0)
    before = bench.ask("POST", "/marks", {})["id"]
    bench.show(700.0)
    after = bench.ask("POST", "/marks", {})["id"]
    compared = bench.ask("GET", f"/compare?before={before}&after={after}")
    red = compared["levels"][0]
    assert (red["role"], red["change_mv"]) == ("red", pytest.approx(-50.0, abs=2.0))
    assert red["percent"] == pytest.approx(93.3, abs=0.4) and red["u95_percent"] > 0.0
    assert compared["match_after"]["method"] == "untied"


def test_events_are_listed_and_shown(bench: Bench) -> None:
    around = tuple(EventCapture(at, made_capture(), made_reading()) for at in (-1, 0))
    event = NewEvent(moment(9.0), "level", "red left its band", CONDITIONS, around, "CH1")
    number = bench.keeper.keep_event(event).result(SOON_S)
    assert [(one["id"], one["text"]) for one in bench.ask("GET", "/events")["events"]] == [
        (number, "red left its band")
    ]
    captures = bench.ask("GET", f"/events/{number}")["captures"]
    assert [one["position"] for one in captures] == [-1, 0]
    assert captures[0]["reading"]["schema"] == "peakwhite.reading/1"
    problem(bench.ask("GET", "/events/77", status=404), "not-in-book")


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
    bench = Bench(tmp_path)
    with bench.client:
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
    bench.marking.close()
    assert bench.keeper.stop()


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


def test_what_the_api_answers_is_what_it_says_it_answers(bench: Bench) -> None:
    described = bench.client.get("/openapi.json").json()
    for path, methods in described["paths"].items():
        if path.startswith(BOOK):
            for method in methods.values():
                assert method["summary"] and method["responses"]["200"]["content"]["application/json"]["schema"]
                assert {"403", "421", "422"} <= set(method["responses"])
