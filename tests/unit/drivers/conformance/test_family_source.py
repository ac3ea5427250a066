"""The scope source with every family: ranges, trigger, and captures that somebody else disturbs."""

from collections.abc import Callable, Iterator
from itertools import islice

import pytest

from family_rig import Rig
from peakwhite.daemon.acquisition import NoTrigger, Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import ChannelReading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import ScopeSource, open_scope
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.scpi_driver import ScpiDriver

COMPOSITE = Hookup((Clip("CH1", "composite"),))
Open = Callable[[Hookup], ScopeSource]


@pytest.fixture
def opened(rig: Rig) -> Iterator[Open]:
    sources: list[ScopeSource] = []

    def begin(hookup: Hookup) -> ScopeSource:
        sources.append(open_scope(rig.scope.resource, clock=rig.time.clock))
        sources[-1].configure(Task.LEVELS, Setup(conditions=Conditions(hookup)))
        return sources[-1]

    yield begin
    for source in sources:
        source.close()


def caught(source: ScopeSource) -> Capture:
    capture = source.capture(2.0)
    assert isinstance(capture, Capture)
    return capture


def white(source: ScopeSource, hookup: Hookup) -> ChannelReading:
    """The first channel of the next capture that shows white."""
    for _ in range(20):
        channel = measure_capture(caught(source), Conditions(hookup)).channels[0]
        if channel.peak_white_mv is not None:
            return channel
    raise AssertionError("no white in twenty captures")


def turn(rig: Rig, channel: int, volts_per_div: float) -> None:
    """Somebody at the panel turns V/div."""
    driver = rig.connect()
    assert isinstance(driver, ScpiDriver)
    rig.link.write(f"{driver.tree.channel['scale'].format(n=channel)} {volts_per_div:g}")
    rig.link.query("*IDN?")


def test_undisturbed_captures_are_believed_and_no_note_is_made(rig: Rig, opened: Open) -> None:
    source = opened(BENCH_DEFAULT)
    for _ in range(4):
        caught(source)
    for task in (Task.EDGE, Task.LEVELS):
        source.configure(task, Setup(conditions=Conditions(BENCH_DEFAULT)))
        caught(source)
    assert white(source, BENCH_DEFAULT).peak_white_mv == pytest.approx(1e3 * rig.white_v("red"), abs=4.0)
    assert not source.notes


def test_a_range_turned_by_hand_withholds_one_capture_and_the_next_is_right(rig: Rig, opened: Open) -> None:
    source = opened(BENCH_DEFAULT)
    caught(source)
    turn(rig, 1, 0.5)
    assert source.capture(2.0) == NoTrigger(0.0, disturbed=True)
    assert white(source, BENCH_DEFAULT).peak_white_mv == pytest.approx(1e3 * rig.white_v("red"), abs=4.0)


def test_a_level_far_beyond_the_range_is_in_the_fourth_capture(rig: Rig, opened: Open) -> None:
    rig.scope.tell(set={"red": {"gain_percent": 1000.0}})
    source = opened(BENCH_DEFAULT)
    read = (measure_capture(caught(source), Conditions(BENCH_DEFAULT)).channels for _ in range(40))
    with_picture = (red for red, green, *_ in read if green.peak_white_mv is not None)  # not of the vertical interval
    from_the_fourth = list(islice(with_picture, 3, 10))
    assert not any(red.clipped for red in from_the_fourth)
    levels_mv = [red.peak_white_mv for red in from_the_fourth]
    assert levels_mv == pytest.approx([1e3 * rig.white_v("red")] * 7, rel=0.01)


def test_composite_through_a_tenfold_probe_that_nobody_told_of_is_soon_locked_on_a_finer_range(
    rig: Rig, opened: Open
) -> None:
    rig.scope.tell(set={"format": "composite", "pattern": "bars-75"})
    rig.scope.tell(front={"CH1": {"probe_ratio": 10.0}})
    source = opened(COMPOSITE)
    captures = [caught(source) for _ in range(18)][9:]  # some of the first may be of the vertical interval
    assert len({capture.channels[0].volts_per_code for capture in captures}) == 1
    states = [measure_capture(capture, Conditions(COMPOSITE)).sync.state for capture in captures]
    assert states.count("locked") >= 4
    assert [note.code for note in source.notes] == ["range-finer"]
