"""The bench book over REST: what is kept is durable and told, by whom it may be, and what is refused."""

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from sqlalchemy import Connection

from book_bench import BOOK, HOST, Bench, open_bench, problem
from kept_marks import CONDITIONS, made_capture, made_reading, moment
from peakwhite.daemon.book import BookReader, Marking, PresentStage
from peakwhite.daemon.book.records import EventCapture, NewEvent
from peakwhite.daemon.live.schema import live_schema
from peakwhite.drivers.errors import BookUnreachable, UsageError
from told import SOON_S


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with open_bench(tmp_path) as made:
        yield made


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


def test_a_mark_that_is_kept_and_cannot_be_read_back_is_answered_with_its_number(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Who was told of an error would keep it once more."""
    bench.show()

    def unreadable(reader: BookReader, number: int) -> None:
        raise BookUnreachable("it cannot be opened", where="book", do="see that its folder is there")

    with monkeypatch.context() as patched:
        patched.setattr(BookReader, "line", unreadable)
        assert bench.ask("POST", "/marks", {}) == {"id": 1}
    assert _numbers(bench.ask("GET", "/marks")) == [1]


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


def test_what_the_api_answers_is_what_it_says_it_answers(bench: Bench) -> None:
    described = bench.client.get("/openapi.json").json()
    for path, methods in described["paths"].items():
        if path.startswith(BOOK):
            for method in methods.values():
                assert method["summary"] and method["responses"]["200"]["content"]["application/json"]["schema"]
                assert {"403", "421", "422"} <= set(method["responses"])
