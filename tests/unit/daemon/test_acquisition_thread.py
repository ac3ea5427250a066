"""The acquisition thread: it begins anew whatever fails, and says how the scope is."""

import logging
import random
import threading
from collections.abc import Iterator

import pytest

from peakwhite.daemon.acquisition import Acquisition, Origin, pace, thread
from peakwhite.daemon.acquisition.fields import LOWER_SHARE, RECORDS
from peakwhite.daemon.acquisition.pace import RETRY_S, SLOW_RETRY_S, USB_REST_S, Pace, retry_delay_s
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import Measured
from peakwhite.drivers.errors import (
    InstrumentError,
    LinkLost,
    LinkTimeout,
    PeakwhiteError,
    UnknownInstrument,
    UsageError,
)
from scripted import Hand, Outlet, ScriptedSource, a_capture, a_job, a_measured, a_source

SOON_S = 30.0
WHERE = "TCPIP0::192.0.2.7::5025::SOCKET"


def gone() -> LinkLost:
    return LinkLost("connection refused", where=WHERE, do="switch it on")


class End(BaseException):
    """Ends a script: no error of a scope, and nothing that supervision may catch."""


class Bench:
    """Acquisition run in the test's own thread over a script of sources; it ends when the script does."""

    def __init__(self, *opened: ScriptedSource | Exception) -> None:
        self.hand = Hand()
        self.outlet = Outlet()
        self.opened: Iterator[ScriptedSource | Exception] = iter(opened)

    def run(self, measured: object = None) -> None:
        job = a_job(self.hand, self.outlet, measured or (lambda capture: a_measured()))  # type: ignore[arg-type]
        with pytest.raises(End):
            Acquisition(Origin(self._open, WHERE), job, self.hand.wait).run()

    def _open(self) -> ScriptedSource:
        item = next(self.opened, None)
        if item is None:
            raise End
        if isinstance(item, Exception):
            raise item
        return item


def test_a_scope_that_appears_is_used() -> None:
    bench = Bench(gone(), gone(), a_source(a_capture(), gone()))
    bench.run()
    assert bench.outlet.states == ["connecting", "absent", "ready", "lost"]
    assert len(bench.outlet.readings) == 1


def test_a_lost_scope_is_lost_until_it_has_answered_again() -> None:
    first = a_source(a_capture(), LinkTimeout("no answer", where=WHERE, do="look at it"))
    bench = Bench(first, gone(), a_source(gone()), a_source(a_capture(), a_capture(), gone()))
    bench.run()
    assert bench.outlet.states == ["connecting", "ready", "lost", "lost", "ready", "lost"]
    assert first.closed
    scope, problems = bench.outlet.told[2]
    assert (scope.text, scope.do) == (f"{WHERE}: no answer", "look at it")
    assert [problem.code for problem in problems] == ["link-timeout"]
    assert bench.outlet.told[3][0].since_ns == scope.since_ns


def test_it_is_logged_once_that_the_scope_is_lost_and_once_that_it_is_back(caplog: pytest.LogCaptureFixture) -> None:
    bench = Bench(a_source(a_capture(), gone()), *[gone()] * 5, a_source(a_capture(), a_capture(), End()))
    with caplog.at_level(logging.INFO), pytest.raises(End):
        Acquisition(
            Origin(bench._open, WHERE), a_job(bench.hand, bench.outlet, lambda capture: a_measured()), bench.hand.wait
        ).run()
    told = [record.getMessage() for record in caplog.records]
    assert len(told) == 2
    assert told[0].startswith("scope lost: ")
    assert told[1].startswith("scope back after ")


@pytest.mark.parametrize("rate_hz", [3.0, 20.0, 30.0, 60.0, 100.0])
def test_captures_do_not_run_in_step_with_the_fields_of_the_picture(rate_hz: float) -> None:
    chance, pace = random.Random(5), Pace()
    at_s = [0.0]
    for _ in range(40 * 50):
        at_s.append(at_s[-1] + pace.delay_s(at_s[-1], rate_hz, chance.random()))
    in_vertical_interval = [seconds * 60.05 % 1.0 < 0.1 for seconds in at_s]
    most = max(sum(in_vertical_interval[n : n + 40]) for n in range(0, 40 * 50, 40))
    assert at_s[-1] == pytest.approx(len(at_s) / rate_hz, rel=0.02)
    assert most < LOWER_SHARE * RECORDS, "so many of the last records would be taken for a picture of few white lines"


@pytest.mark.parametrize("uniform", [0.0, 0.5, 1.0])
def test_a_missing_scope_is_tried_every_half_second_give_or_take_a_fifth(uniform: float) -> None:
    assert retry_delay_s(gone(), uniform) == pytest.approx(RETRY_S * (0.8 + 0.4 * uniform))


@pytest.mark.parametrize("uniform", [0.0, 0.5, 1.0])
def test_a_usb_scope_is_left_alone_for_five_seconds_after_a_time_out_and_after_nothing_else(uniform: float) -> None:
    usb = "USB0::0x1234::0x5678::SERIAL::INSTR"
    assert USB_REST_S == 5.0
    assert retry_delay_s(LinkTimeout("no answer", where=usb, do="look"), uniform) >= USB_REST_S
    assert retry_delay_s(LinkLost("unplugged", where=usb, do="plug it in"), uniform) < 1.0
    assert retry_delay_s(LinkTimeout("no answer", where=WHERE, do="look"), uniform) < 1.0


def test_an_unknown_instrument_is_asked_again_slowly_and_its_text_is_the_status() -> None:
    error = UnknownInstrument("calls itself 'TOASTER'", where=WHERE, do="force a family")
    bench = Bench(error, error)
    bench.run()
    assert bench.hand.waits == pytest.approx([SLOW_RETRY_S, SLOW_RETRY_S])
    assert bench.outlet.told[-1][0].text == f"{WHERE}: calls itself 'TOASTER'"
    assert bench.outlet.told[-1][1][0].code == "unknown-instrument"


def test_retries_do_not_repeat_the_status() -> None:
    bench = Bench(*[gone() for _ in range(10)])
    bench.run()
    assert bench.outlet.states == ["connecting", "absent"]


@pytest.mark.parametrize("error", [subclass for subclass in InstrumentError.__subclasses__()])
def test_no_trouble_with_the_scope_ends_the_thread(error: type[PeakwhiteError]) -> None:
    bench = Bench(a_source(error("trouble", where=WHERE, do="look")), a_source(a_capture(), gone()))
    bench.run()
    assert len(bench.outlet.readings) == 1


def test_a_defect_is_logged_with_its_traceback_shown_and_acquisition_begins_anew(
    caplog: pytest.LogCaptureFixture,
) -> None:
    measured = iter([ZeroDivisionError("by zero"), ZeroDivisionError("by zero"), a_measured()])

    def measure(capture: object) -> object:
        step = next(measured)
        if isinstance(step, Exception):
            raise step
        return step

    sources = [a_source(a_capture()), a_source(a_capture()), a_source(a_capture(), gone())]
    bench = Bench(*sources)
    bench.run(measure)
    assert all(source.closed for source in sources)
    shown = [[problem.code for problem in problems] for _, problems in bench.outlet.told]
    assert ["internal"] in shown
    assert shown[-2] == []
    assert len(bench.outlet.readings) == 1
    logged = [record for record in caplog.records if record.exc_info]
    assert len(logged) == 1
    assert "ZeroDivisionError" in str(logged[0].exc_info)


def test_only_an_open_scope_is_asked_whether_it_has_the_channels_of_a_hookup() -> None:
    hand, outlet = Hand(), Outlet()
    asked: list[str] = []
    unknown = Hookup((Clip("CH9", "red"),))

    def measure(capture: object) -> Measured:
        acquisition.check(BENCH_DEFAULT)
        with pytest.raises(UsageError, match="CH9"):
            acquisition.check(unknown)
        asked.append("while open")
        return a_measured()

    sources = iter([a_source(a_capture(), gone())])

    def open_source() -> ScriptedSource:
        acquisition.check(unknown)
        for source in sources:
            return source
        raise End

    acquisition = Acquisition(Origin(open_source, WHERE), a_job(hand, outlet, measure), hand.wait)
    with pytest.raises(End):
        acquisition.run()
    assert asked == ["while open"]


USB = "USB0::0x1234::0x5678::SERIAL::INSTR"


@pytest.mark.parametrize(
    ("error", "rest_s"),
    [
        (LinkTimeout("no answer", where=USB, do="look"), USB_REST_S),
        (LinkLost("unplugged", where=USB, do="plug it in"), 0.0),
        (LinkTimeout("no answer", where=WHERE, do="look"), 0.0),
    ],
)
def test_what_is_to_be_done_at_the_end_is_done_though_the_link_is_broken_and_told_how_long_to_rest(
    error: InstrumentError, rest_s: float
) -> None:
    hand, outlet, source, done = Hand(), Outlet(), a_source(a_capture(), error), list[float]()

    def at_end(seconds: float) -> None:
        assert source.closed
        done.append(seconds)

    waits = iter([False, True])
    job = a_job(hand, outlet, lambda capture: a_measured())
    Acquisition(Origin(lambda: source, WHERE, at_end), job, lambda seconds: next(waits)).run()
    assert outlet.states[-1] == "lost"
    assert done == [pytest.approx(rest_s)]


def test_what_is_to_be_done_at_the_end_is_done_where_the_scope_was_open_until_then() -> None:
    source, done = a_source(a_capture()), list[float]()
    job = a_job(Hand(), Outlet(), lambda capture: a_measured())
    Acquisition(Origin(lambda: source, WHERE, done.append), job, lambda seconds: True).run()
    assert source.closed
    assert done == [0.0]


def test_another_source_is_gone_over_to_once_the_call_is_done_and_the_old_one_is_left_for_good() -> None:
    hand, outlet, done = Hand(), Outlet(), list[str]()
    first, second = a_source(a_capture()), a_source(a_capture())
    following = Origin(lambda: second, "another", lambda seconds: done.append("second left"))

    def measure(capture: object) -> Measured:
        if not done:
            acquisition.change_to(following)
            assert not first.closed
        return a_measured()

    def left(seconds: float) -> None:
        assert first.closed and not second.closed
        done.append("first left")

    acquisition = Acquisition(Origin(lambda: first, WHERE, left), a_job(hand, outlet, measure), lambda seconds: True)
    acquisition.run()
    assert (done, second.closed) == (["first left", "second left"], True)
    assert [(scope.state, scope.text) for scope, _ in outlet.told] == [
        ("connecting", f"connecting to {WHERE}"),
        ("ready", "capturing"),
        ("connecting", "connecting to another"),
        ("ready", "capturing"),
    ]
    assert [reading.seq for reading in outlet.readings] == [1, 2]


def test_a_set_up_of_the_next_source_is_not_used_on_the_one_before_though_its_wait_was_just_over() -> None:
    hand, outlet, setup = Hand(), Outlet(), SetupInForce(Setup())
    first, second = a_source(*[a_capture()] * 3), a_source(a_capture())
    waits = list[float]()

    def wait(seconds: float) -> bool:
        waits.append(seconds)
        if len(waits) == 1:
            acquisition.change_to(Origin(lambda: second, "another"))
            setup.swap(setup.current.conditions)
        return len(waits) > 1

    job = a_job(hand, outlet, lambda capture: a_measured(), setup)
    acquisition = Acquisition(Origin(lambda: first, WHERE), job, wait)
    acquisition.run()
    assert [reading.setup for reading in outlet.readings] == [1, 2]
    assert (first.closed, second.closed) == (True, True)


def test_a_choice_ends_the_wait_for_a_scope_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pace, "USB_REST_S", 1_000.0)
    hand, outlet, source, tried = Hand(), Outlet(), a_source(a_capture()), threading.Event()

    def open_source() -> ScriptedSource:
        tried.set()
        raise LinkTimeout("no answer", where=USB, do="look")  # which is left alone for so long

    acquisition = Acquisition(Origin(open_source, USB), a_job(hand, outlet, lambda capture: a_measured()))
    acquisition.start()
    assert tried.wait(SOON_S)
    captured = threading.Event()

    def captures() -> Iterator[object]:
        captured.set()
        while True:
            yield a_capture()

    source = ScriptedSource(captures())  # type: ignore[arg-type]
    acquisition.change_to(Origin(lambda: source, "another"))
    assert captured.wait(SOON_S)
    assert acquisition.stop()
    assert source.closed


def test_where_no_scope_is_named_it_says_so_shows_that_it_lives_and_waits_for_a_choice() -> None:
    hand, outlet, source = Hand(), Outlet(), a_source(a_capture())
    job = a_job(hand, outlet, lambda capture: a_measured())
    waits = list[float]()

    def wait(seconds: float) -> bool:
        waits.append(seconds)
        if len(waits) == 3:
            acquisition.change_to(Origin(lambda: source, WHERE))
        return len(waits) >= 3

    acquisition = Acquisition(None, job, wait)
    acquisition.run()
    assert (outlet.states, len(outlet.readings)) == (["absent", "connecting", "ready"], 1)
    assert outlet.told[0][0].text == "no scope is named"
    assert job.tally.beat_s is not None


def test_stop_ends_the_thread_and_closes_the_source() -> None:
    hand, outlet, captured = Hand(), Outlet(), threading.Event()

    def forever() -> Iterator[object]:
        while True:
            captured.set()
            yield a_capture()

    source = ScriptedSource(forever())  # type: ignore[arg-type]
    acquisition = Acquisition(Origin(lambda: source, WHERE), a_job(hand, outlet, lambda capture: a_measured()))
    acquisition.start()
    assert captured.wait(SOON_S)
    assert acquisition.stop()
    assert source.closed


def test_stop_leaves_an_opening_behind_that_does_not_return(monkeypatch: pytest.MonkeyPatch) -> None:
    looking_up, found = threading.Event(), threading.Event()

    def open_source() -> ScriptedSource:
        looking_up.set()
        found.wait(2.0 * SOON_S)
        raise gone()

    monkeypatch.setattr(thread, "STOP_DEADLINE_S", 0.05)
    acquisition = Acquisition(Origin(open_source, WHERE), a_job(Hand(), Outlet(), lambda capture: a_measured()))
    acquisition.start()
    assert looking_up.wait(SOON_S)
    assert not acquisition.stop()
    assert acquisition._thread.daemon, "which the end of the process does not wait for"
    found.set()
    acquisition._thread.join(SOON_S)
    assert not acquisition._thread.is_alive()
