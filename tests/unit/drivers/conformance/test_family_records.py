"""What every family has to do with records: start, wait, force, fetch; volts, seconds and rails are right."""

from dataclasses import replace

import numpy as np
import pytest

from family_rig import LEVELS, LINE_S, Rig, falling_edges_s, volts_of
from peakwhite.drivers.capture import ChannelRecord
from peakwhite.drivers.family import ChannelPlan

WIDE = tuple(ChannelPlan(f"CH{number}", 0.2, 0.35) for number in (1, 2, 3))


def top_v(channel: ChannelRecord) -> float:
    """The state of white: the median of all that lies above half of it."""
    volts = volts_of(channel)
    return float(np.median(volts[volts > 0.35]))


@pytest.mark.parametrize(("channel", "role"), [("CH1", "red"), ("CH2", "green"), ("CH3", "blue")])
def test_the_volts_of_a_known_flat_are_right_within_a_code(rig: Rig, channel: str, role: str) -> None:
    rig.scope.tell(front={"noise_mv_rms": 0})
    rig.driver.configure(LEVELS)
    flat = rig.caught_with_white(channel).channels[0]
    assert top_v(flat) == pytest.approx(rig.white_v(role), abs=abs(flat.volts_per_code) * flat.code_step)


def test_one_code_is_fine_enough_for_the_bits_that_the_model_has(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    channel = rig.caught("CH1").channels[0]
    assert channel.full_scale_v is not None
    assert channel.full_scale_v / 0.2 == pytest.approx(8) or channel.full_scale_v / 0.2 == pytest.approx(10)
    states = channel.full_scale_v / (abs(channel.volts_per_code) * channel.code_step)
    assert 0.6 * 2**rig.driver.abilities.bits <= states <= 2**rig.driver.abilities.bits


def test_the_trigger_is_at_zero_seconds_and_lines_are_as_long_as_they_are(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    record = rig.caught("CH4")
    edges_s = falling_edges_s(record, record.channels[0], LEVELS.trigger_level_v)
    assert np.min(np.abs(edges_s)) < 2 * record.seconds_per_sample
    assert float(np.median(np.diff(edges_s))) == pytest.approx(LINE_S, rel=1e-3)


def test_a_record_is_as_long_and_as_fine_as_was_planned(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    record = rig.caught("CH1", "CH4")
    samples = record.channels[0].codes.size
    assert samples >= LEVELS.points
    assert samples * record.seconds_per_sample >= LEVELS.span_s * 0.999
    assert [channel.name for channel in record.channels] == ["CH1", "CH4"]


def test_channels_of_one_capture_are_of_one_trigger(rig: Rig) -> None:
    rig.scope.tell(front={"noise_mv_rms": 0})
    rig.scope.tell(set={"interference": {"mv_pp": 120, "frequency_hz": 1_234_567.0}})
    rig.driver.configure(LEVELS)
    for _ in range(4):
        record = rig.caught_with_white("CH1", "CH2", "CH3")
        volts = np.array([volts_of(channel) for channel in record.channels])
        white = volts[:, (volts > 0.5).all(axis=0)]
        assert np.corrcoef(white).min() > 0.9


def test_two_captures_are_of_two_triggers(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    first, second = rig.caught("CH1").channels[0], rig.caught("CH1").channels[0]
    assert not np.array_equal(first.codes, second.codes)


def test_a_record_can_be_fetched_twice(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    rig.caught()  # a driver may find out with the first one how many bits there are
    first = rig.caught("CH1").channels[0]
    again = rig.driver.fetch(("CH1",)).channels[0]
    assert np.array_equal(first.codes, again.codes)


def test_a_level_beyond_the_screen_is_at_the_upper_rail(rig: Rig) -> None:
    rig.scope.tell(set={"red": {"gain_percent": 300}})
    rig.driver.configure(replace(LEVELS, channels=(*WIDE, LEVELS.channels[3])))
    channel = rig.caught_with_white("CH1", "CH2").channels[0]
    assert channel.high_rail_code is not None and channel.low_rail_code is not None
    assert np.mean(channel.codes >= channel.high_rail_code) > 0.3
    assert not np.any(channel.codes <= channel.low_rail_code)


def test_a_level_below_the_screen_is_at_the_lower_rail(rig: Rig) -> None:
    rig.driver.configure(replace(LEVELS, channels=(ChannelPlan("CH1", 0.1, 0.6), *LEVELS.channels[1:])))
    channel = rig.caught_with_white("CH1").channels[0]
    assert channel.high_rail_code is not None and channel.low_rail_code is not None
    assert np.mean(channel.codes <= channel.low_rail_code) > 0.1
    assert not np.any(channel.codes >= channel.high_rail_code)


def test_levels_on_the_screen_touch_no_rail(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    for channel in rig.caught_with_white("CH1", "CH2", "CH3", "CH4").channels:
        assert channel.high_rail_code is not None and channel.low_rail_code is not None
        assert not np.any((channel.codes >= channel.high_rail_code) | (channel.codes <= channel.low_rail_code))


def test_without_a_trigger_the_wait_ends_and_the_capture_can_be_forced(rig: Rig) -> None:
    rig.driver.configure(replace(LEVELS, trigger_level_v=0.25))
    assert not rig.driver.acquire(0.1)
    assert rig.time.now_s < 2.0
    assert rig.driver.force(0.5)
    assert rig.driver.fetch(("CH1", "CH4")).channels[0].codes.size >= LEVELS.points


def test_the_next_capture_after_one_without_a_trigger_is_as_good(rig: Rig) -> None:
    rig.driver.configure(replace(LEVELS, trigger_level_v=0.25))
    assert not rig.driver.acquire(0.1)
    rig.driver.configure(LEVELS)
    record = rig.caught("CH4")
    edges_s = falling_edges_s(record, record.channels[0], LEVELS.trigger_level_v)
    assert np.min(np.abs(edges_s)) < 2 * record.seconds_per_sample


def test_a_long_record_comes_whole(rig: Rig) -> None:
    rig.scope.tell(front={"noise_mv_rms": 0})
    rig.driver.configure(replace(LEVELS, span_s=42e-3, points=600_000))
    record = rig.caught("CH1", "CH4")
    sync = record.channels[1]
    assert sync.codes.size >= 600_000
    lines = np.diff(falling_edges_s(record, sync, -0.15)) / LINE_S
    assert np.allclose(lines, np.round(lines), atol=0.02)
    assert lines.sum() == pytest.approx(sync.codes.size * record.seconds_per_sample / LINE_S, abs=2.0)


def test_edges_are_sampled_no_more_coarsely_than_levels(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    levels = rig.caught("CH1")
    rig.driver.configure(replace(LEVELS, span_s=50e-6, limiter=False))
    edges = rig.caught("CH1")
    assert edges.seconds_per_sample <= levels.seconds_per_sample
    assert edges.channels[0].codes.size * edges.seconds_per_sample >= 50e-6 * 0.999


def test_a_stopped_record_is_read_without_configuring_anything(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    held = rig.caught_with_white("CH1")
    stranger = rig.connect()
    setup = stranger.read_setup()
    assert not setup.running
    record = stranger.fetch(("CH1", "CH4"))
    assert np.allclose(volts_of(record.channels[0]), volts_of(held.channels[0]))
    assert record.first_sample_s == pytest.approx(held.first_sample_s)
    assert stranger.read_setup() == setup


def test_one_channel_of_a_running_scope_is_read_without_stopping_it(rig: Rig) -> None:
    rig.driver.configure(LEVELS)
    rig.driver.release()
    stranger = rig.connect()
    setup = stranger.read_setup()
    record = stranger.fetch(("CH1",))
    assert setup.running
    assert record.channels[0].codes.size * record.seconds_per_sample == pytest.approx(setup.span_s, rel=0.01)
    assert stranger.read_setup() == setup
