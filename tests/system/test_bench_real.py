"""A whole daemon knows its bench: cold marks, another unit, the watch, the running log, over REST and the live socket."""

import json
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from live_client import channel_of, is_fresh, live_client

pytestmark = pytest.mark.timeout(400)
"""A busy machine takes ten seconds to start each process."""

BOOK, BENCH = "api/v1/book", "api/v1/bench"
SIGNALS = ("red", "green", "blue", "sync")


class Bench:
    """A daemon with a book, on a simulated scope whose unit can be unplugged."""

    def __init__(self, scope: Any, daemon: Any, book: Path) -> None:
        self.scope, self.daemon, self.book = scope, daemon, book

    def ask(self, method: str, path: str, body: object = None) -> tuple[int, Any]:
        status, _, text = self.daemon.request(method, path, body)
        return status, json.loads(text)

    def plug(self, is_in: bool, gain_percent: float = 100.0) -> None:
        each = {"disconnected": not is_in, "gain_percent": gain_percent}
        assert self.scope.ask({"set": dict.fromkeys(SIGNALS, each)})["ok"]

    def add_unit(self, serial: str) -> int:
        """A unit that is on the bench from now on; gives its stage."""
        _, jobs = self.ask("GET", f"{BOOK}/jobs")
        job = jobs["jobs"][0] if jobs["jobs"] else self.ask("POST", f"{BOOK}/jobs", {"name": "Quayside batch"})[1]
        _, there = self.ask("POST", f"{BOOK}/jobs/{job['id']}/units", {"model": "TM-2", "serial": serial})
        return int(there["stage"]["id"])


@pytest.fixture
def bench(children: Any, simulated_scope: Any, tmp_path: Path) -> Iterator[Bench]:
    book, settings = tmp_path / "book.sqlite", tmp_path / "settings.toml"
    settings.write_text("[book]\nlog_batch_s = 1.0\nwatch_band_mv = 20.0\n")
    arguments = ("--scope", simulated_scope.resource, "--book", str(book), "--config", str(settings))
    yield Bench(simulated_scope, children.daemon("serve", *arguments), book)


def test_a_mark_is_cold_until_unit_and_scope_are_said_to_have_been_on_for_long(bench: Bench) -> None:
    with live_client(bench.daemon) as live:
        live.taken_in()
        assert bench.ask("POST", f"{BOOK}/marks", {})[1]["cold"] is True
        told = live.until("bench", lambda frame: frame["warmth"]["why_cold"] is not None)
        assert told["warmth"]["why_cold"].startswith("The unit has been seen to be on for 0 min")
        for what in ("unit", "scope"):
            assert bench.ask("PUT", f"{BENCH}/{what}-on", {"minutes_ago": 45})[0] == 200
        live.until("bench", lambda frame: frame["warmth"]["why_cold"] is None)
    _, mark = bench.ask("POST", f"{BOOK}/marks", {})
    assert (mark["cold"], round(mark["unit_on_min"]), round(mark["scope_on_min"])) == (False, 45, 45)


def test_after_the_plugs_were_pulled_nothing_is_kept_before_the_next_serial_is_named(bench: Bench) -> None:
    first = bench.add_unit("TM2-0017")
    with live_client(bench.daemon) as live:
        live.taken_in()
        assert bench.ask("POST", f"{BOOK}/marks", {})[1]["stage"]["id"] == first
        bench.plug(False)
        live.until("bench", lambda frame: frame["question"] is not None)
        bench.plug(True, 96.0)
        asked = live.until("bench", lambda frame: frame["question"] is not None and frame["question"]["is_back"])
        assert asked["question"]["text"].startswith("sync was away for")
        status, refused = bench.ask("POST", f"{BOOK}/marks", {})
        assert (status, refused["code"]) == (409, "unit-in-question")
        live.until("status", lambda frame: [one["code"] for one in frame["problems"]] == ["unit-in-question"])
        second = bench.add_unit("TM2-0018")
        live.until("bench", lambda frame: frame["question"] is None)
        live.reading()
        assert bench.ask("POST", f"{BOOK}/marks", {})[1]["stage"]["id"] == second != first


def test_the_same_unit_plugged_in_again_keeps_its_name(bench: Bench) -> None:
    stage = bench.add_unit("TM2-0017")
    with live_client(bench.daemon) as live:
        live.taken_in()
        bench.plug(False)
        live.until("bench", lambda frame: frame["question"] is not None)
        bench.plug(True)
        live.until("bench", lambda frame: frame["question"] is not None and frame["question"]["is_back"])
        assert bench.ask("POST", f"{BENCH}/same-unit")[1]["question"] is None
        assert bench.ask("POST", f"{BOOK}/marks", {})[1]["stage"]["id"] == stage


def test_the_watch_counts_a_fault_at_once_and_the_book_has_its_captures(
    bench: Bench, eventually: Callable[..., Any]
) -> None:
    stage = bench.add_unit("TM2-0017")
    with live_client(bench.daemon) as live:
        assert bench.ask("PUT", f"{BENCH}/watch", {"on": True})[1]["watch"]["band_mv"] == 20.0
        first = live.reading()
        live.reading(lambda reading: reading["seq"] >= first["seq"] + 30)
        assert bench.scope.ask({"set": {"red": {"gain_percent": 90.0}}})["ok"]
        told = live.until("bench", lambda frame: frame["watch"]["seen"]["level"] > 0)
        assert told["watch"]["on"] is True
        assert bench.scope.ask({"set": {"red": {"gain_percent": 100.0}}})["ok"]
        live.until("bench", lambda frame: frame["watch"]["kept"] == 1)
    (event,) = eventually(lambda: bench.ask("GET", f"{BOOK}/events")[1]["events"])
    assert (event["kind"], event["stage"]) == ("level", stage)
    _, shown = bench.ask("GET", f"{BOOK}/events/{event['id']}")
    positions = [one["position"] for one in shown["captures"]]
    assert min(positions) < 0 < max(positions)


def test_the_running_log_goes_on_by_itself_and_belongs_to_the_stage_on_the_bench(
    bench: Bench, eventually: Callable[..., Any]
) -> None:
    stage = bench.add_unit("TM2-0017")

    def logged() -> list[Any]:
        with closing(sqlite3.connect(f"file:{bench.book}?mode=ro", uri=True)) as book:
            return book.execute("SELECT DISTINCT stage_id FROM log WHERE stage_id IS NOT NULL").fetchall()

    assert eventually(logged) == [(stage,)]


def test_after_a_restart_it_is_asked_whether_the_unit_on_the_bench_is_still_there(bench: Bench, children: Any) -> None:
    stage = bench.add_unit("TM2-0017")
    bench.daemon.process.terminate()
    assert bench.daemon.child.wait() == 0
    bench.daemon = children.daemon("serve", "--scope", bench.scope.resource, "--book", str(bench.book))
    with live_client(bench.daemon) as live:
        live.taken_in()
        asked = live.until("bench", lambda frame: frame["question"] is not None)
        assert asked["question"]["text"].startswith("Peakwhite was started anew")
        assert bench.ask("POST", f"{BOOK}/marks", {})[0] == 409
        assert bench.ask("POST", f"{BOOK}/marks", {"stage": stage})[0] == 409
        assert bench.ask("POST", f"{BENCH}/same-unit")[0] == 200
        assert bench.ask("POST", f"{BOOK}/marks", {})[1]["stage"]["id"] == stage


def is_held_for_a_second(reading: dict[str, Any]) -> bool:
    """Longer than a mark is still of the capture before; levels are held for ten seconds."""
    red = channel_of(reading, "red")
    return reading["sync"]["state"] == "none" and bool(red["held"]) and red["age_s"] > 1.0


def test_a_level_from_before_sync_went_away_is_not_kept(bench: Bench) -> None:
    with live_client(bench.daemon) as live:
        live.reading(is_fresh)
        bench.plug(False)
        live.reading(is_held_for_a_second)
        status, told = bench.ask("POST", f"{BOOK}/marks", {})
    assert status == 503 and "sync is away" in told["detail"]
    _, marks = bench.ask("GET", f"{BOOK}/marks")
    assert not any(level["held"] for mark in marks["marks"] for level in mark["levels"])


def test_a_band_that_is_none_is_refused_with_a_sentence(bench: Bench) -> None:
    status, refused = bench.ask("PUT", f"{BENCH}/watch", {"on": True, "band_mv": 0})
    assert status == 422 and "band_mv" in refused["detail"]


def test_the_command_line_asks_and_sets_the_bench_of_the_daemon(bench: Bench) -> None:
    def peakwhite(*arguments: str) -> str:
        command = (sys.executable, "-m", "peakwhite.daemon", *arguments, "--book", str(bench.book))
        return subprocess.run(command, capture_output=True, encoding="utf-8", check=True, timeout=60).stdout

    with live_client(bench.daemon) as live:
        live.reading()
    told = peakwhite("book", "bench", "--watch", "on", "--band-mv", "15", "--unit-on", "40", "--scope-on", "50")
    assert "watch     on, band 15 mV; 0 level, 0 sync lost, 0 dead; 0 kept" in told
    assert "unit on   40 min" in told and "scope on  50 min" in told and "cold      no" in told
    assert json.loads(peakwhite("book", "bench", "--watch", "off", "--json"))["watch"]["on"] is False


def test_every_viewer_hears_at_once_what_is_on_the_bench_whoever_chose_it_and_what_it_is_called_now(
    bench: Bench,
) -> None:
    def called(frame: Any) -> str | None:
        there = frame["present"]
        return there and f"{there['job']['name']}, {there['unit']['serial']}, {there['stage']['name']}"

    with live_client(bench.daemon) as live:
        assert called(live.until("bench", lambda frame: True)) is None
        stage = bench.add_unit("TM2-0017")
        told = live.until("bench", lambda frame: called(frame) == "Quayside batch, TM2-0017, as found")
        assert told["present"] == bench.ask("GET", f"{BOOK}/present")[1]["present"]
        assert bench.ask("PUT", f"{BOOK}/units/{told['present']['unit']['id']}", {"serial": "TM2-0071"})[0] == 200
        assert bench.ask("PUT", f"{BOOK}/stages/{stage}", {"name": "as left"})[0] == 200
        live.until("bench", lambda frame: called(frame) == "Quayside batch, TM2-0071, as left")
        bench.book.with_name(f"{bench.book.name}.present").write_text("\n")  # as another process does
        live.until("bench", lambda frame: frame["present"] is None)
