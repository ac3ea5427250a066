"""What the daemon counts of itself, where it is counted: hub, session, watch, keeper."""

import asyncio
from itertools import accumulate
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.acquisition import NoTrigger
from peakwhite.daemon.acquisition.session import Session
from peakwhite.daemon.acquisition.thread import Acquisition, Origin
from peakwhite.daemon.acquisition.watch import ScopeWatch
from peakwhite.daemon.book import BookKeeper, BookPlace
from peakwhite.daemon.book.keeper import MOST_WAITING
from peakwhite.daemon.book.records import JobText
from peakwhite.daemon.counting import LATENCY_BOUNDS_S, MOST_PLACES, STALE_S, CaptureTally, Histogram
from peakwhite.daemon.live import ControlLease, Hub, ScopeStatus
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag
from peakwhite.drivers.errors import BookBusy, BookFull, LinkLost, LinkTimeout
from scripted import Hand, Outlet, a_capture, a_job, a_measured, a_source
from told import SOON_S

LOST = LinkLost("gone", where="scope", do="switch it on")


@given(st.lists(st.floats(min_value=0.0, max_value=10.0)))
def test_a_histogram_counts_everything_once_and_at_the_bound_that_holds_it(seconds: list[float]) -> None:
    histogram = Histogram(LATENCY_BOUNDS_S)
    for one in seconds:
        histogram.add(one)
    up_to = list(accumulate(histogram.counts()))
    assert up_to[-1] == len(seconds)
    for bound_s, count in zip(LATENCY_BOUNDS_S, up_to, strict=False):
        assert count == sum(one <= bound_s for one in seconds)
    assert histogram.sum_s == pytest.approx(sum(seconds))


def test_captures_readings_and_their_times_are_counted() -> None:
    hand, outlet = Hand(), Outlet()
    job = a_job(hand, outlet, [a_measured(), a_measured()])
    session = Session(
        a_source(a_capture(), NoTrigger(1.0), a_capture()), job, ScopeWatch(outlet.announce, hand.time.wall_ns)
    )
    for _ in range(3):
        session.step()
    tally = job.tally
    assert (tally.captured, tally.untriggered, tally.readings) == (2, 1, 2) == (2, 1, len(outlet.readings))
    assert (sum(tally.measure.counts()), sum(tally.publish.counts())) == (2, 2)
    assert sum(tally.fetch.counts()) == 0, "what comes from no scope was not fetched"


def test_a_scope_that_was_lost_and_is_back_is_one_reconnect_and_one_that_comes_late_is_none() -> None:
    tally = CaptureTally()
    watch = ScopeWatch(lambda scope, problems: None, lambda: 1, tally)
    watch.failed(LOST)
    watch.caught()
    assert tally.reconnects == 0
    for _ in range(3):
        watch.failed(LinkTimeout("nothing came", where="scope", do="wait"))
    watch.caught()
    watch.caught()
    assert tally.reconnects == 1
    assert tally.failures == {"link-lost": 1, "link-timeout": 3}


def test_acquisition_beats_while_it_waits_for_a_scope_that_is_not_there() -> None:
    hand = Hand()
    job = a_job(hand, Outlet(), [])
    attempts = 0

    def open_source() -> object:
        nonlocal attempts
        attempts += 1
        assert job.tally.beat_s == hand.s
        raise LOST

    def wait(seconds: float) -> bool:
        hand.wait(seconds)
        return attempts >= 4

    Acquisition(Origin(open_source, "scope"), job, wait).run()  # type: ignore[arg-type]
    assert job.tally.is_alive(hand.s)
    assert not job.tally.is_alive(hand.s + STALE_S + 1.0)


def test_frames_that_are_replaced_are_counted_by_kind_and_by_the_viewers_place() -> None:
    async def scenario() -> None:
        hub = Hub(ControlLease(lambda: 0.0), lambda: 1, lambda: 0.0)
        hub.attach()
        hub.announce(ScopeStatus("ready", 1, "capturing"), ())
        await asyncio.sleep(0)
        quick, slow = hub.join(), hub.join()
        for viewer in (quick, slow):
            viewer.slots.clear()
        hub.tally.dropped_of = [0] * (MOST_PLACES + 1)
        for payload in ("1", "2", "3"):
            for viewer in (quick, slow):
                viewer.put("reading", payload)
            assert await quick.take() == payload
        assert hub.tally.dropped["reading"] == 2
        assert hub.tally.sent["reading"] == 3
        assert (hub.tally.dropped_of[quick.place], hub.tally.dropped_of[slow.place]) == (0, 2)

    asyncio.run(scenario())


def test_a_place_is_given_back_and_beyond_the_last_all_viewers_share_one() -> None:
    async def scenario() -> None:
        hub = Hub(ControlLease(lambda: 0.0), lambda: 1, lambda: 0.0)
        viewers = [hub.join() for _ in range(MOST_PLACES + 2)]
        assert [viewer.place for viewer in viewers] == [*range(MOST_PLACES), MOST_PLACES, MOST_PLACES]
        hub.leave(viewers[3])
        hub.leave(viewers[-1])
        assert (hub.join().place, hub.join().place) == (3, MOST_PLACES)
        assert len(hub.tally.dropped_of) == MOST_PLACES + 1

    asyncio.run(scenario())


def test_writes_failures_and_refusals_of_the_book_are_counted(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    keeper = BookKeeper(BookPlace(tmp_path / "book.sqlite"), "9f3c")
    waiting = [keeper.add_job(JobText(f"job {number}")) for number in range(MOST_WAITING)]
    for _ in range(3):
        with pytest.raises(BookBusy):
            keeper.add_job(JobText("one too many"))
    assert keeper.waiting == {"writes": MOST_WAITING, "log": 0}
    keeper.start()
    for one in waiting:
        one.result(SOON_S)

    def full(connection: object, run_id: int) -> None:
        raise BookFull("no room", where="book", do="make some")

    with pytest.raises(BookFull):
        keeper.submit(full).result(SOON_S)
    assert keeper.stop()
    tally = keeper.tally
    assert (tally.written, tally.failed, tally.refused) == (MOST_WAITING, 1, 3)
    assert sum(tally.write.counts()) == MOST_WAITING
    told = [record.getMessage() for record in caplog.records]
    assert sum("more waits to be kept" in line for line in told) == 1
    assert told.count("the book keeps up again") == 1


def test_a_reading_that_the_loop_was_too_late_for_is_counted() -> None:
    async def scenario() -> None:
        hub = Hub(ControlLease(lambda: 0.0), lambda: 1, lambda: 0.0)
        hub.attach()
        for seq in range(3):
            hub.publish(Reading("test", seq, 1, 1, LatencyMs(1.0, None), ScopeTag("x", None), a_measured()))
        assert hub.tally.overtaken == 2
        await asyncio.sleep(0)
        hub.publish(Reading("test", 3, 1, 1, LatencyMs(1.0, None), ScopeTag("x", None), a_measured()))
        assert hub.tally.overtaken == 2

    asyncio.run(scenario())
