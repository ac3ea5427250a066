"""A scope that only its user sets: what is read of it, what is said to be lacking, and that nothing is changed."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any, cast

import pytest

from family_rig import LEVELS, Rig, SimulatedScope, SleepingTime, volts_of
from peakwhite.daemon.acquisition import NoTrigger, Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.hands_off import HandsOffSource, open_hands_off
from peakwhite.daemon.sources.hands_off_pace import FIRST_POINTS, LONGEST_PAUSE_S
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.families import family_named
from peakwhite.drivers.family import Driver
from peakwhite.drivers.records import Record
from peakwhite.drivers.scpi_driver import ScpiDriver

DIALECTS = {"tektronix-tds": "curve", "tektronix-mso": "outgoing", "rigol-1000z": "preamble"}
DIALECTS |= {"rigol-dho": "words", "rigol-mso5000": "settling"}
DIALECTS |= {"keysight-infiniivision": "register", "rohde-schwarz-rtb": "header"}
DIALECTS |= {"siglent-1000xe": "sparsed", "siglent-2000xplus": "descriptor"}
SEND_NO_PART = ("keysight-infiniivision", "rohde-schwarz-rtb")
TRIGGERED_BY = {"siglent-1000xe": None}
"""Its trigger mode, once stopped, is STOP and no other."""
LUMA = Hookup((Clip("CH1", "luma"),))
Open = Callable[[Hookup], HandsOffSource]


@pytest.fixture(scope="module")
def scopes() -> Iterator[dict[str, SimulatedScope]]:
    started = {family: SimulatedScope(dialect) for family, dialect in DIALECTS.items()}
    yield started
    for scope in started.values():
        scope.end()


@pytest.fixture(params=DIALECTS)
def rig(request: pytest.FixtureRequest, scopes: dict[str, SimulatedScope]) -> Iterator[Rig]:
    """The user, who sets the scope through a driver of its own."""
    made = Rig(family_named(request.param), scopes[request.param])
    yield made
    made.end()


@pytest.fixture
def hands_off(rig: Rig) -> Iterator[Open]:
    """Open a hands-off source on the same scope, set up for that hookup."""
    sources: list[HandsOffSource] = []

    def begin(hookup: Hookup) -> HandsOffSource:
        clock = SleepingTime().clock
        sources.append(open_hands_off(rig.scope.resource, timeout_s=20.0, clock=clock, now_s=lambda: rig.time.now_s))
        sources[-1].configure(Task.LEVELS, Setup(conditions=Conditions(hookup)))
        return sources[-1]

    yield begin
    for source in sources:
        source.close()


def codes(source: HandsOffSource) -> list[str]:
    return [note.code for note in source.notes]


def test_the_record_of_a_stopped_scope_is_measured_and_nothing_is_changed(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(LEVELS)
    rig.caught_with_white("CH1")
    before = rig.driver.read_setup()
    source = hands_off(BENCH_DEFAULT)
    capture = source.capture(1.0)
    assert isinstance(capture, Capture)
    measured = measure_capture(capture, Conditions(BENCH_DEFAULT))
    for channel in measured.channels[:3]:
        assert channel.peak_white_mv == pytest.approx(1e3 * rig.white_v(str(channel.role)), abs=4.0)
    assert not source.notes
    assert (capture.triggered_by, capture.bandwidth_mhz) == (TRIGGERED_BY.get(rig.family.name, "CH4"), 20.0)
    source.close()
    assert rig.driver.read_setup() == before


def answers(rig: Rig) -> list[str]:
    """What another client hears of every setting, and of whether the scope runs."""
    driver = rig.connect()
    assert isinstance(driver, ScpiDriver)
    channels = driver.abilities.channels
    tree = type(driver).tree
    headers = [header for group in tree.groups(channels) for header in group]
    return [*(rig.link.query(f"{header}?") for header in headers), str(driver.read_setup().running)]


@pytest.mark.parametrize("stopped", [True, False], ids=["stopped", "running"])
def test_every_answer_about_the_set_up_is_the_same_before_and_after_a_session(
    rig: Rig, hands_off: Open, stopped: bool
) -> None:
    rig.driver.configure(LEVELS)
    rig.caught("CH1")
    if not stopped:
        rig.driver.release()
    before = answers(rig)
    for hookup in (BENCH_DEFAULT, LUMA):
        source = hands_off(hookup)
        for task in (Task.LEVELS, Task.FIELD, Task.EDGE):
            source.configure(task, Setup(conditions=Conditions(hookup)))
            source.capture(1.0)
        assert answers(rig) == before
        source.close()
    assert answers(rig) == before
    assert len(before) > 30


def test_the_users_knobs_are_followed(rig: Rig, hands_off: Open) -> None:
    source = hands_off(BENCH_DEFAULT)
    for volts_per_div in (0.2, 0.5):
        rig.driver.configure(
            replace(LEVELS, channels=tuple(replace(one, volts_per_div=volts_per_div) for one in LEVELS.channels))
        )
        record = rig.caught_with_white("CH1")
        capture = source.capture(1.0)
        assert isinstance(capture, Capture)
        assert capture.channels[0].full_scale_v == pytest.approx(8 * volts_per_div)
        assert volts_of(capture.channels[0]).max() == pytest.approx(volts_of(record.channels[0]).max(), abs=1e-6)


def test_a_signal_off_the_range_is_said_to_be(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(
        replace(LEVELS, channels=(replace(LEVELS.channels[0], volts_per_div=0.05), *LEVELS.channels[1:]))
    )
    rig.caught_with_white("CH2")
    source = hands_off(BENCH_DEFAULT)
    assert isinstance(source.capture(1.0), Capture)
    assert codes(source) == ["hands-off-clipped"]


class FollowsTheKnob:
    """A driver of a model whose preamble follows the knob, whatever record it holds."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver
        self.factor = 1.0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._driver, name)

    def fetch(self, channels: Sequence[str], most_points: int | None = None) -> Record:
        record = self._driver.fetch(channels, most_points)
        turned = [replace(one, volts_per_code=one.volts_per_code * self.factor) for one in record.channels]
        return replace(record, channels=tuple(turned))


def test_a_record_that_is_said_to_be_other_volts_than_before_is_believed_no_longer(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(LEVELS)
    rig.caught("CH1")
    source = hands_off(BENCH_DEFAULT)
    scope = FollowsTheKnob(source._scope.driver)
    source._scope = replace(source._scope, driver=cast(Driver, scope))
    assert isinstance(source.capture(1.0), Capture)
    scope.factor = 2.5
    rig.time.now_s += LONGEST_PAUSE_S
    assert source.capture(1.0) == NoTrigger(0.0, disturbed=True)
    assert codes(source) == ["hands-off-turned"]


def test_the_same_record_read_again_keeps_its_time(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(LEVELS)
    rig.caught()
    source = hands_off(BENCH_DEFAULT)
    first = source.capture(1.0)
    rig.time.now_s += LONGEST_PAUSE_S
    again = source.capture(1.0)
    assert isinstance(first, Capture) and isinstance(again, Capture)
    assert first is not again and first.captured_at_ns == again.captured_at_ns
    assert rig.driver.acquire(0.1)
    rig.time.now_s += LONGEST_PAUSE_S
    new = source.capture(1.0)
    assert isinstance(new, Capture)
    assert new.captured_at_ns > first.captured_at_ns


def counted(source: HandsOffSource) -> list[int | None]:
    """How many points are asked for, at every fetching from now on."""
    asked: list[int | None] = []
    driver = source._scope.driver

    class Counted:
        def __getattr__(self, name: str) -> Any:
            return getattr(driver, name)

        def fetch(self, channels: Sequence[str], most_points: int | None = None) -> Record:
            asked.append(most_points)
            return driver.fetch(channels, most_points)

    source._scope = replace(source._scope, driver=cast(Driver, Counted()))
    return asked


def test_a_stopped_scope_that_stays_as_it_is_is_read_again_at_a_slow_pace(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(LEVELS)
    rig.caught("CH1")
    source = hands_off(BENCH_DEFAULT)
    asked = counted(source)
    first = source.capture(1.0)
    assert isinstance(first, Capture)
    assert source.capture(1.0) is first
    assert len(asked) == 1
    rig.time.now_s += LONGEST_PAUSE_S
    again = source.capture(1.0)
    assert isinstance(again, Capture)
    assert len(asked) == 2
    rig.driver.configure(replace(LEVELS, trigger_level_v=-0.1))
    rig.caught("CH1")
    assert isinstance(source.capture(1.0), Capture)
    assert len(asked) == 3, "what was turned is followed at once"


def test_of_a_long_record_a_few_lines_are_read_and_that_is_said(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(replace(LEVELS, span_s=24e-3, points=600_000))
    rig.caught("CH1")
    source = hands_off(BENCH_DEFAULT)
    asked = counted(source)
    capture = source.capture(1.0)
    rig.time.now_s += LONGEST_PAUSE_S
    again = source.capture(1.0)
    assert all(points is not None and points <= FIRST_POINTS for points in asked)
    assert isinstance(capture, Capture) and isinstance(again, Capture)
    assert again.captured_at_ns == capture.captured_at_ns
    if rig.family.name in SEND_NO_PART:
        assert again.seconds_per_sample <= 200e-9
    else:
        assert again.samples * again.seconds_per_sample <= 1e-3 * 1.001
        assert codes(source) == ["hands-off-part"]


def test_a_channel_that_was_switched_on_after_stop_is_said_to_have_no_record(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(replace(LEVELS, channels=(LEVELS.channels[0], LEVELS.channels[3])))
    assert rig.driver.acquire(0.1)
    assert isinstance(rig.driver, ScpiDriver)
    rig.link.write(f"{rig.driver.tree.channel['on'].format(n=2)} ON")
    rig.link.query("*IDN?")
    source = hands_off(Hookup((Clip("CH1", "red"), Clip("CH2", "green"))))
    assert source.capture(1.0) == NoTrigger(0.0)
    note = source.notes[-1]
    assert note.code == "hands-off-no-record"
    assert "CH2" in note.text and "Stop" in note.text
    assert "press Run" in note.do
    asked = counted(source)
    assert source.capture(1.0) == NoTrigger(0.0)
    assert asked == [], "and it is not asked at once again"
    assert rig.driver.acquire(0.1)
    rig.time.now_s += LONGEST_PAUSE_S
    assert isinstance(source.capture(1.0), Capture)
    assert "hands-off-no-record" not in codes(source)


def test_fetching_a_record_again_takes_as_long_as_it_takes_however_old_it_is(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(LEVELS)
    rig.caught("CH1")
    source = hands_off(BENCH_DEFAULT)
    assert isinstance(source.capture(1.0), Capture)
    rig.time.now_s += 100.0
    again = source.capture(1.0)
    assert isinstance(again, Capture)
    assert again.fetch_ms == 0.0, "the test's clock stands still meanwhile"


def test_several_channels_of_a_running_scope_are_not_taken_for_one_trigger(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(LEVELS)
    rig.driver.release()
    source = hands_off(BENCH_DEFAULT)
    assert isinstance(source.capture(1.0), NoTrigger)
    assert codes(source) == ["hands-off-running"]
    assert rig.driver.read_setup().running


def test_a_single_channel_of_a_running_scope_is_followed(rig: Rig, hands_off: Open) -> None:
    rig.scope.tell(set={"format": "luma-sync"})
    rig.driver.configure(LEVELS)
    rig.driver.release()
    source = hands_off(LUMA)
    captures = [source.capture(1.0) for _ in range(3)]
    assert len({capture.captured_at_ns for capture in captures if isinstance(capture, Capture)}) == 3
    assert rig.driver.read_setup().running


def test_a_channel_that_is_off_is_named_and_the_others_are_read(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(LEVELS)
    rig.driver.configure(replace(LEVELS, channels=LEVELS.channels[:2]))
    assert rig.driver.acquire(0.1)
    source = hands_off(Hookup((Clip("CH1", "red"), Clip("CH3", "blue"))))
    capture = source.capture(1.0)
    assert isinstance(capture, Capture)
    assert [channel.name for channel in capture.channels] == ["CH1"]
    assert [note.text for note in source.notes] == ["CH3 (blue) switched off on the scope"]


def test_a_record_that_is_too_short_is_said_to_be(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(replace(LEVELS, span_s=50e-6))
    rig.caught("CH1")
    source = hands_off(BENCH_DEFAULT)
    assert isinstance(source.capture(1.0), Capture)
    assert codes(source) == ["hands-off-span"]


def test_a_rate_that_is_too_low_is_said_to_be(rig: Rig, hands_off: Open) -> None:
    rig.driver.configure(replace(LEVELS, span_s=0.42))
    rig.caught("CH1")
    source = hands_off(BENCH_DEFAULT)
    assert isinstance(source.capture(1.0), Capture)
    assert codes(source) == ["hands-off-rate"]
