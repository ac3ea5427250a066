"""The scope source against the simulated scope, a process of its own, in every dialect that we drive."""

import contextlib
import itertools
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from peakwhite.daemon.acquisition import NoTrigger, Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup, Role
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import ScopeSource, open_scope
from peakwhite.daemon.sources.scope_ranges import BACK_AFTER_S
from peakwhite.daemon.sources.users_setup import UsersSetup
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.errors import (
    InstrumentError,
    InstrumentRejected,
    LinkLost,
    LinkTimeout,
    ReplyError,
    UnknownInstrument,
    UsageError,
)
from peakwhite.drivers.family import Plan
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.links import identify, open_link
from peakwhite.drivers.tektronix_tds import TektronixTds, abilities_of
from peakwhite.drivers.waiting import Clock

SHORT_S = 0.5


class Bench:
    """The simulated scope with its control port."""

    def __init__(self, *arguments: str) -> None:
        command = [sys.executable, "-m", "peakwhite.simulated_scope", "--clock", "fast", "--seed", "5", *arguments]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        assert self.process.stdout is not None
        first_line = self.process.stdout.readline()
        if not first_line:
            self._end_process()
            raise RuntimeError("the simulated scope did not start")
        started = json.loads(first_line)
        self.resource: str = started["scpi"]
        self._control = socket.create_connection(("127.0.0.1", started["control"]), timeout=10.0)
        self._lines = self._control.makefile("rb")
        self._sources: list[ScopeSource] = []
        self._first = self.tell(get="state")["state"]

    def tell(self, **request: Any) -> Any:
        self._control.sendall(json.dumps(request).encode() + b"\n")
        answer = json.loads(self._lines.readline())
        assert "error" not in answer, answer
        return answer

    def white_mv(self, role: str) -> float:
        return float(self.tell(get="truth")["truth"]["signals"][role]["peak_white_mv"])

    def open(self, timeout_s: float = 5.0, family: str | None = None) -> ScopeSource:
        self._sources.append(open_scope(self.resource, family=family, timeout_s=timeout_s))
        return self._sources[-1]

    def restore(self) -> None:
        """Unit and bench as they were at the start, no faults, every source closed."""
        self.tell(fault=None)
        self.tell(set=self._first["unit"])
        self.tell(front=self._first["front"])
        self._close_sources()

    def end(self) -> None:
        self._close_sources()
        self._lines.close()
        self._control.close()
        self._end_process()

    def _close_sources(self) -> None:
        while self._sources:
            self._sources.pop().close()

    def _end_process(self) -> None:
        self.process.kill()
        self.process.wait(10.0)
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            pipe.close()


@pytest.fixture
def start() -> Iterator[Callable[..., Bench]]:
    """Start a simulated scope for this test alone."""
    benches: list[Bench] = []

    def begin(*arguments: str) -> Bench:
        benches.append(Bench(*arguments))
        return benches[-1]

    yield begin
    for bench in benches:
        bench.end()


@pytest.fixture(scope="module")
def shared() -> Iterator[Callable[[str], Bench]]:
    """The one simulated scope of a dialect that the tests of this file share."""
    benches: dict[str, Bench] = {}

    def of(dialect: str) -> Bench:
        if dialect not in benches:
            benches[dialect] = Bench("--dialect", dialect)
        return benches[dialect]

    yield of
    for bench in benches.values():
        bench.end()


@pytest.fixture(params=["curve", "preamble"])
def bench(request: pytest.FixtureRequest, shared: Callable[[str], Bench]) -> Iterator[Bench]:
    yield shared(request.param)
    shared(request.param).restore()


@pytest.fixture
def curve(shared: Callable[[str], Bench]) -> Iterator[Bench]:
    yield shared("curve")
    shared("curve").restore()


def setup(hookup: Hookup = BENCH_DEFAULT) -> Setup:
    return Setup(conditions=Conditions(hookup))


def caught(source: ScopeSource) -> Capture:
    capture = source.capture(2.0)
    assert isinstance(capture, Capture)
    return capture


def settled(source: ScopeSource) -> Capture:
    """A capture after range and trigger have found their place."""
    for _ in range(3):
        caught(source)
    return showing_white(source)


def showing_white(source: ScopeSource) -> Capture:
    """A capture with picture lines: of free captures some fall into the vertical interval, where there is no white."""
    for _ in range(20):
        capture = caught(source)
        if np.mean(millivolts(capture, capture.channels[0].name) > 300.0) > 0.3:
            return capture
    raise AssertionError("no white in twenty captures")


def millivolts(capture: Capture, channel: str) -> NDArray[np.float64]:
    record = capture.channel(channel)
    assert record is not None
    return record.codes.astype(np.float64) * record.mv_per_code + record.mv_at_code_zero


def white_of(capture: Capture, channel: str) -> float:
    """Median of the upper half: the white of a white field."""
    level = millivolts(capture, channel)
    return float(np.median(level[level > level.max() / 2]))


def test_every_channel_has_its_true_volts(bench: Bench) -> None:
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    capture = settled(source)
    for role, channel in (("red", "CH1"), ("green", "CH2"), ("blue", "CH3")):
        assert white_of(capture, channel) == pytest.approx(bench.white_mv(role), abs=8.0)  # one code
    assert np.quantile(millivolts(capture, "CH4"), 0.02) == pytest.approx(-300.0, abs=8.0)


def test_a_levels_capture_has_seven_lines_and_is_sampled_often_enough(bench: Bench) -> None:
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    capture = caught(source)
    assert 100e-9 >= capture.seconds_per_sample * (1 - 1e-6)
    assert capture.samples <= 30_000
    assert capture.samples * capture.seconds_per_sample >= 7 * 63.6e-6
    assert capture.identity.startswith("PEAKWHITE,SIM-")
    assert capture.gain_spec is not None
    assert capture.bandwidth_mhz == 20.0


def test_a_field_capture_holds_more_than_a_field(bench: Bench) -> None:
    source = bench.open()
    source.configure(Task.FIELD, setup())
    capture = caught(source)
    assert capture.samples >= 250_000
    assert capture.samples * capture.seconds_per_sample >= 24e-3


def test_the_trigger_is_the_falling_edge_of_sync(bench: Bench) -> None:
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    capture = settled(source)
    sync = millivolts(capture, "CH4")
    trigger = round(-capture.first_sample_s / capture.seconds_per_sample)
    assert sync[trigger - 20 : trigger - 10].min() > -100.0
    assert sync[trigger + 10 : trigger + 20].max() < -200.0


def test_all_channels_are_of_one_trigger(bench: Bench) -> None:
    """An interference that is not locked to the line has one phase on all channels of a trigger, another in the next."""
    bench.tell(set={"pattern": "black", "interference": {"mv_pp": 200.0, "frequency_hz": 1_234_567.0}})
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    rows = [
        [millivolts(capture, channel) for channel in ("CH1", "CH2", "CH3")]
        for capture in (caught(source) for _ in range(3))
    ]
    for row in rows:
        assert np.corrcoef(row).min() > 0.98
    across = [np.corrcoef(first[0], second[0])[0, 1] for first, second in itertools.combinations(rows, 2)]
    assert min(across) < 0.95


def test_a_level_beyond_the_range_is_caught_by_a_coarser_one(bench: Bench) -> None:
    bench.tell(set={"red": {"gain_percent": 300.0}})
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    capture = settled(source)
    assert white_of(capture, "CH1") == pytest.approx(bench.white_mv("red"), abs=20.0)
    full_scales = [channel.full_scale_v for channel in capture.channels[:3]]
    assert full_scales == pytest.approx([4.0] * 3)  # the colours stay on one range
    bench.tell(set={"red": {"gain_percent": 100.0}})
    assert showing_white(source).channels[0].full_scale_v == pytest.approx(4.0)  # not at once finer again …
    source.configure(Task.LEVELS, setup(Hookup(BENCH_DEFAULT.clips[:3])))
    assert caught(source).channels[0].full_scale_v == pytest.approx(1.6)  # … unless the hookup changes


def test_a_widened_range_comes_back_and_is_told_until_then(curve: Bench) -> None:
    clock = Clock(now=lambda: now_s)
    now_s = 100.0
    curve.tell(set={"red": {"gain_percent": 300.0}})
    source = open_scope(curve.resource, clock=clock)
    source.configure(Task.LEVELS, setup())
    assert not list(source.notes)
    settled(source)
    (note,) = source.notes
    assert (note.code, note.text.split(": ")[0]) == ("range-widened", "red, green and blue")
    curve.tell(set={"red": {"gain_percent": 100.0}})
    showing_white(source)
    now_s += BACK_AFTER_S
    caught(source)
    assert white_of(showing_white(source), "CH1") == pytest.approx(curve.white_mv("red"), abs=8.0)
    assert caught(source).channels[0].full_scale_v == pytest.approx(1.6)
    assert not list(source.notes)
    source.close()


def test_channels_are_checked_without_asking_the_scope(bench: Bench) -> None:
    source = bench.open()
    source.close()
    source.check(BENCH_DEFAULT)
    with pytest.raises(UsageError, match="no channel 'CH9'"):
        source.check(Hookup((Clip("CH9", "red"),)))


def test_a_ttl_sync_finds_its_range_and_trigger(bench: Bench) -> None:
    bench.tell(set={"sync_level": "ttl"})
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    capture = settled(source)
    sync = millivolts(capture, "CH4")
    assert sync.max() - sync.min() > 1000.0
    assert capture.channels[3].codes.max() < (capture.channels[3].high_rail_code or 0)
    trigger = round(-capture.first_sample_s / capture.seconds_per_sample)
    assert sync[trigger - 20] - sync[trigger + 20] > 0.8 * (sync.max() - sync.min())


def test_without_sync_a_record_is_forced(bench: Bench) -> None:
    bench.tell(set={"sync": {"disconnected": True}})
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    assert white_of(showing_white(source), "CH1") == pytest.approx(bench.white_mv("red"), abs=8.0)
    bench.tell(set={"sync": {"disconnected": False}})
    capture = settled(source)
    trigger = round(-capture.first_sample_s / capture.seconds_per_sample)
    assert millivolts(capture, "CH4")[trigger + 10] < -200.0


@pytest.mark.parametrize(
    ("form", "role"), [("composite", "composite"), ("luma-sync", "luma"), ("sync-on-green", "green")]
)
def test_sync_on_the_picture_is_triggered_on_its_falling_edge(curve: Bench, form: str, role: Role) -> None:
    curve.tell(set={"format": form, "pattern": "bars-75"})
    channel = curve.tell(get="truth")["truth"]["signals"][role]["channel"]
    source = curve.open()
    source.configure(Task.LEVELS, setup(Hookup((Clip(channel, role),))))
    for _ in range(3):
        caught(source)
    for _ in range(5):
        capture = caught(source)
        level = millivolts(capture, channel)
        trigger = round(-capture.first_sample_s / capture.seconds_per_sample)
        assert level[trigger - 15] - level[trigger + 15] > 200.0


HAND = {"curve": b"CH1:SCA 0.5;POS 1;*OPC?\n", "preamble": b":CHAN1:SCAL 0.5\n*OPC?\n"}


def turned_by_hand(bench: Bench, message: bytes | None = None) -> None:
    """Somebody at the front panel changes a setting."""
    host, port = bench.resource.split("::")[1:3]
    dialect = bench.tell(get="state")["state"]["dialect"]
    with socket.create_connection((host, int(port)), timeout=5.0) as hand:
        hand.sendall(message or HAND[dialect])
        with hand.makefile("rb") as answers:
            assert answers.readline().strip().endswith(b"1")


def test_a_capture_during_which_a_knob_was_turned_is_withheld_and_the_scope_set_up_anew(bench: Bench) -> None:
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    settled(source)
    assert not source.notes
    turned_by_hand(bench)
    assert source.capture(2.0) == NoTrigger(0.0, disturbed=True)
    assert [note.code for note in source.notes] == ["scope-disturbed"]
    capture = showing_white(source)
    assert capture.channels[0].full_scale_v == pytest.approx(1.6)
    assert white_of(capture, "CH1") == pytest.approx(bench.white_mv("red"), abs=8.0)


@pytest.mark.parametrize("knob", [b"CH2:INV ON", b"CH3:COUP AC", b"HOR:MAI:SCA 1E-3", b"TRIG:MAI:LEV 0.3"])
def test_other_knobs_are_noticed_where_one_message_asks_for_all(curve: Bench, knob: bytes) -> None:
    source = curve.open()
    source.configure(Task.LEVELS, setup())
    caught(source)
    turned_by_hand(curve, knob + b";*OPC?\n")
    assert source.capture(2.0) == NoTrigger(0.0, disturbed=True)
    caught(source)


class Turned(TektronixTds):
    """A driver at whose scope somebody does something after the first channel of a record has been fetched."""

    meanwhile: Callable[[], None] | None = None

    def _fetch_codes(self, channel: str) -> Any:
        fetched = super()._fetch_codes(channel)
        if self.meanwhile is not None:
            meanwhile, self.meanwhile = self.meanwhile, None
            meanwhile()
        return fetched


@pytest.mark.parametrize("deed", ["CH2:SCA 1", ":ACQ:STOPA RUNST;STATE RUN"])
def test_what_happens_between_two_channels_of_a_record_is_noticed(curve: Bench, deed: str) -> None:
    with contextlib.closing(open_link(curve.resource)) as link:
        driver = Turned(link, Identity("PEAKWHITE,SIM-CURVE,SIM000001,1.0"), Clock())
        source = ScopeSource(link, "SCOPE", driver, None, lambda: 0)
        source.configure(Task.LEVELS, setup())
        caught(source)
        driver.meanwhile = lambda: turned_by_hand(curve, f"{deed};*IDN?;*OPC?\n".encode())
        assert source.capture(2.0) == NoTrigger(0.0, disturbed=True)
        caught(source)


class Drifting(TektronixTds):
    """A driver of a scope that answers otherwise about its trigger level as soon as it has triggered once."""

    armed = False

    def acquire(self, trigger_wait_s: float) -> bool:
        self.armed = True
        return super().acquire(trigger_wait_s)

    def configure(self, plan: Plan) -> None:
        self.armed = False
        super().configure(plan)

    def watched(self, channels: Sequence[str]) -> tuple[str, ...]:
        return (*super().watched(channels), str(self.armed))


def test_a_setting_that_answers_otherwise_once_it_is_in_force_does_not_withhold_captures_for_ever(curve: Bench) -> None:
    with contextlib.closing(open_link(curve.resource)) as link:
        driver = Drifting(link, Identity("PEAKWHITE,SIM-CURVE,SIM000001,1.0"), Clock())
        source = ScopeSource(link, "SCOPE", driver, None, lambda: 0)
        source.configure(Task.LEVELS, setup())
        assert [isinstance(source.capture(2.0), Capture) for _ in range(4)] == [False, False, True, True]


def test_twelve_bits_are_seen_as_such(start: Callable[..., Bench]) -> None:
    bench = start("--dialect", "curve", "--bits", "12")
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    capture = settled(source)
    assert {(channel.codes.dtype, channel.code_step) for channel in capture.channels} == {(np.dtype(np.uint16), 16)}
    assert white_of(capture, "CH1") == pytest.approx(bench.white_mv("red"), abs=1.0)


def test_a_stopped_scope_is_a_time_out_and_a_killed_one_a_lost_link(start: Callable[..., Bench]) -> None:
    bench = start()
    source = bench.open(timeout_s=SHORT_S)
    source.configure(Task.LEVELS, setup())
    caught(source)
    os.kill(bench.process.pid, signal.SIGSTOP)
    with pytest.raises(LinkTimeout):
        source.capture(2.0)
    os.kill(bench.process.pid, signal.SIGCONT)
    source.close()
    again = bench.open()
    again.configure(Task.LEVELS, setup())
    caught(again)
    bench.process.kill()
    bench.process.wait(10.0)
    with pytest.raises(LinkLost):
        again.capture(2.0)
    with pytest.raises(LinkLost):
        bench.open()


LINK_FAULTS = {
    "drop-mid-block": LinkLost,
    "stall-once": LinkTimeout,
    "silent": LinkTimeout,
    "answer-late": LinkTimeout,
    "truncate-block": LinkTimeout,
    "header-too-long": ReplyError,  # refused: longer than what was asked for
    "header-too-short": ReplyError,
}
DIALECT_FAULTS = ("preamble-field-missing", "scale-zero", "scale-nan", "empty-record")


def see_fault_and_recovery(bench: Bench, fault: str, error: type[InstrumentError]) -> None:
    source = bench.open(timeout_s=SHORT_S)
    source.configure(Task.LEVELS, setup())
    caught(source)
    bench.tell(fault=fault)
    with pytest.raises(error):
        source.capture(2.0)
    bench.tell(fault=None)
    source.close()
    again = bench.open()
    again.configure(Task.LEVELS, setup())
    assert white_of(showing_white(again), "CH1") == pytest.approx(bench.white_mv("red"), abs=8.0)


@pytest.mark.parametrize("fault", LINK_FAULTS)
def test_a_broken_answer_is_a_typed_error_and_the_scope_comes_right_when_reopened(curve: Bench, fault: str) -> None:
    see_fault_and_recovery(curve, fault, LINK_FAULTS[fault])


@pytest.mark.parametrize("fault", DIALECT_FAULTS)
def test_a_senseless_record_is_a_reply_error_and_the_scope_comes_right_when_reopened(bench: Bench, fault: str) -> None:
    see_fault_and_recovery(bench, fault, ReplyError)


@pytest.mark.parametrize("habit", ["text-before-block", "extra-line-feed"])
def test_text_before_a_block_and_line_feeds_after_it_do_no_harm(bench: Bench, habit: str) -> None:
    bench.tell(fault=habit)
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    assert white_of(showing_white(source), "CH1") == pytest.approx(bench.white_mv("red"), abs=8.0)


def test_a_time_step_printed_as_zero_is_taken_from_the_sample_rate(shared: Callable[[str], Bench]) -> None:
    bench = shared("preamble")
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    before = caught(source)
    bench.tell(fault="time-step-zero")
    assert caught(source).seconds_per_sample == pytest.approx(before.seconds_per_sample)
    bench.restore()


def test_a_preamble_of_more_points_than_came_is_a_reply_error(curve: Bench) -> None:
    see_fault_and_recovery(curve, "points-disagree", ReplyError)


def test_garbage_is_never_taken_for_an_answer(curve: Bench) -> None:
    source = curve.open(timeout_s=SHORT_S)
    source.configure(Task.LEVELS, setup())
    curve.tell(fault="garbage")
    with pytest.raises(ReplyError):
        source.capture(2.0)
    with pytest.raises((ReplyError, UnknownInstrument)):
        curve.open(timeout_s=SHORT_S)


def test_a_full_error_queue_is_a_refusal(bench: Bench) -> None:
    source = bench.open()
    bench.tell(fault="error-queue-overflow")
    with pytest.raises(InstrumentRejected):
        source.configure(Task.LEVELS, setup())


def test_an_unknown_instrument_can_be_forced_and_has_no_gain_specification(start: Callable[..., Bench]) -> None:
    bench = start("--identity", "PEAKWHITE,OTHER,SIM000003,1.0")
    with pytest.raises(UnknownInstrument, match="tektronix-tds"):
        bench.open()
    source = bench.open(family="tektronix-tds")
    source.configure(Task.LEVELS, setup())
    capture = caught(source)
    assert capture.gain_spec is None
    assert capture.identity == "PEAKWHITE,OTHER,SIM000003,1.0"


def test_an_unknown_family_is_refused_before_the_scope_is_touched() -> None:
    with pytest.raises(UsageError, match="tektronix-tds"):
        open_scope("TCPIP0::host.invalid::5025::SOCKET", family="tektronix")


def test_a_channel_that_the_scope_has_not_is_refused(bench: Bench) -> None:
    source = bench.open()
    with pytest.raises(InstrumentRejected, match="no channel 'CH9'"):
        source.configure(Task.LEVELS, setup(Hookup((Clip("CH9", "red"),))))


def test_an_empty_hookup_is_refused(curve: Bench) -> None:
    with pytest.raises(InstrumentError, match="set the hookup"):
        curve.open().configure(Task.LEVELS, setup(Hookup(())))


KNOBS = "*RST;:HEAD OFF;:CH1:SCA 0.5;:CH2:POS 1;:HOR:MAI:SCA 1E-3;:TRIG:MAI:LEV 0.2;:ACQ:STOPA RUNST;STATE RUN"
LOOK = ":CH1:SCA?;:CH2:POS?;:HOR:MAI:SCA?;:TRIG:MAI:LEV?;:TRIG:MAI:MOD?;:ACQ:STOPA?;STATE?"


def said(resource: str, message: str) -> str:
    """What the scope answers to another client."""
    link = open_link(resource)
    try:
        return link.query(f"{message};*IDN?").rpartition(";")[0]
    finally:
        link.close()


@pytest.mark.parametrize("restore", [True, False])
def test_a_closed_source_gives_the_scope_back_as_its_user_had_it_or_lets_it_run(curve: Bench, restore: bool) -> None:
    said(curve.resource, KNOBS)
    users = said(curve.resource, LOOK)
    source = open_scope(curve.resource, users=UsersSetup(restore=restore))
    source.configure(Task.LEVELS, setup())
    caught(source)
    source.close()
    now = said(curve.resource, LOOK)
    assert (now == users) is restore
    assert now.endswith(";AUTO;RUNSTOP;1")


def test_a_link_that_broke_and_came_back_does_not_change_what_is_given_back(curve: Bench) -> None:
    said(curve.resource, KNOBS)
    before = said(curve.resource, LOOK)
    users = UsersSetup()
    source = open_scope(curve.resource, users=users, timeout_s=SHORT_S)
    source.configure(Task.LEVELS, setup())
    curve.tell(fault="drop-mid-block")
    with pytest.raises(LinkLost):
        source.capture(1.0)
    source.close()
    curve.tell(fault=None)
    assert said(curve.resource, LOOK) != before
    source = open_scope(curve.resource, users=users)
    source.configure(Task.LEVELS, setup())
    caught(source)
    source.close()
    assert said(curve.resource, LOOK) == before


def test_edges_are_captured_with_the_whole_bandwidth_at_the_highest_rate(bench: Bench) -> None:
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    levels = caught(source)
    source.configure(Task.EDGE, setup())
    edges = caught(source)
    assert edges.seconds_per_sample < levels.seconds_per_sample / 10
    assert (levels.bandwidth_mhz, edges.bandwidth_mhz) == (20.0, None)


EXT_HOOKUP = Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "blue"), Clip("EXT", "sync")))


@pytest.mark.parametrize("sync_level", ["75-ohm", "ttl"])
def test_sync_on_ext_triggers_and_is_not_recorded(curve: Bench, sync_level: str) -> None:
    curve.tell(set={"sync_level": sync_level})
    source = curve.open()
    source.check(EXT_HOOKUP)
    source.configure(Task.LEVELS, setup(EXT_HOOKUP))
    caught(source)  # with a TTL sync this finds the other trigger level
    capture = showing_white(source)
    assert [record.name for record in capture.channels] == ["CH1", "CH2", "CH3"]
    assert capture.triggered_by == "EXT"
    measured = measure_capture(capture, Conditions(EXT_HOOKUP))
    assert (measured.sync.state, measured.sync.channel) == ("locked", "EXT")
    for reading in measured.channels:
        assert reading.peak_white_mv == pytest.approx(curve.white_mv(str(reading.role)), abs=3.0)


def test_a_family_whose_ext_is_not_driven_says_so(shared: Callable[[str], Bench]) -> None:
    source = shared("preamble").open()
    with pytest.raises(UsageError, match="EXT is not driven"):
        source.check(EXT_HOOKUP)
    shared("preamble").restore()


def test_a_capture_says_what_triggered_it_or_that_nothing_did(bench: Bench) -> None:
    source = bench.open()
    source.configure(Task.LEVELS, setup())
    assert settled(source).triggered_by == "CH4"
    bench.tell(set={"sync": {"disconnected": True}})
    assert caught(source).triggered_by == "forced"
    bench.tell(set={"sync": {"disconnected": False}})


def test_a_scope_that_can_not_even_be_forced_has_no_trigger_as_long_as_it_is_the_same(curve: Bench) -> None:
    class Deaf:
        """A driver of a scope whose acquisitions never end."""

        abilities = abilities_of(Identity("DEAF"))

        def configure(self, plan: object) -> None: ...
        def acquire(self, trigger_wait_s: float) -> bool:
            return False

        def force(self, wait_s: float) -> bool:
            return False

        def fetch(self, channels: object, most_points: int | None = None) -> Any:
            raise AssertionError("nothing to fetch")

        def watched(self, channels: object) -> tuple[str, ...]:
            return ()

        def is_stopped(self) -> bool:
            return True

        def read_transfer(self) -> Any: ...
        def read_setup(self) -> Any: ...
        def restore(self, setup: object) -> None: ...
        def restore_transfer(self, kept: object) -> None: ...
        def release(self) -> None: ...

    link = open_link(curve.resource)
    source = ScopeSource(link, identify(link), Deaf(), None, lambda: 0)
    source.configure(Task.LEVELS, setup())
    assert isinstance(source.capture(1.0), NoTrigger)
    source.close()
    link = open_link(curve.resource)
    source = ScopeSource(link, "ANOTHER,SCOPE,1,1", Deaf(), None, lambda: 0)
    source.configure(Task.LEVELS, setup())
    with pytest.raises(LinkLost, match="another instrument answers"):
        source.capture(1.0)
    source.close()


def test_a_scope_that_was_only_opened_is_left_as_it_is(curve: Bench) -> None:
    said(curve.resource, ":ACQ:STOPA RUNST;STATE RUN")
    said(curve.resource, ":ACQ:STATE STOP")
    source = open_scope(curve.resource, users=UsersSetup(restore=False))
    source.close()
    assert said(curve.resource, ":ACQ:STATE?") == "0"
