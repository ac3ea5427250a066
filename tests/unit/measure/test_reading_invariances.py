"""What may not change a reading but in step with itself: scale, time, the order of channels. On any signal of the bench."""

import math
import random
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench_signals import RASTER_525, RASTER_625, Wired, any_bench_signal, wired
from made_video import Made
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Hookup
from peakwhite.daemon.measure.reading import ChannelReading, Measured, plain
from peakwhite.daemon.measure.targets import Conditions

VOLTAGES = (
    "u95_repeat_mv",
    "blanking_mv",
    "black_mv",
    "sync_mv",
    "burst_mv_pp",
    "swing_mv",
    "average_mv",
    "noise_mv_rms",
)

SCATTER = ("u95_repeat_mv", "noise_mv_rms")


def read(one: Wired) -> Measured:
    return measure_capture(one.capture, one.conditions)


@settings(deadline=None, max_examples=40, derandomize=True)
@given(any_bench_signal(), st.floats(0.3, 4.0))
def test_scaling_a_capture_scales_every_voltage_of_it(one: Wired, factor: float) -> None:
    scaled = replace(
        one.capture,
        channels=tuple(
            replace(
                record,
                volts_per_code=factor * record.volts_per_code,
                volts_at_code_zero=factor * record.volts_at_code_zero,
                full_scale_v=factor * record.full_scale_v if record.full_scale_v else None,
            )
            for record in one.capture.channels
        ),
    )
    before, after = read(one), read(Wired(scaled, one.conditions))
    assert (after.sync.state, after.sync.system, after.sync.lines) == (
        before.sync.state,
        before.sync.system,
        before.sync.lines,
    )
    assert after.sync.line_period_us == pytest.approx(before.sync.line_period_us, rel=1e-6)
    assert after.sync.sync_width_us == pytest.approx(before.sync.sync_width_us, rel=1e-4)
    for was, now in zip(before.channels, after.channels, strict=True):
        assert_scaled(was, now, factor)


def assert_scaled(was: ChannelReading, now: ChannelReading, factor: float) -> None:
    """Levels to a part of their repeatability, what is told from the scatter of few samples to a half, the rest to 1 %.

    What is too little to tell two steps apart is in mV and does not scale, so flats may end a bin elsewhere.
    """
    if was.peak_white_mv is not None:
        assert was.u95_repeat_mv is not None
        assert now.peak_white_mv == pytest.approx(factor * was.peak_white_mv, abs=0.3 * factor * was.u95_repeat_mv)
        assert now.u95_mv == pytest.approx(
            factor * (was.u95_mv or math.nan), rel=0.015, abs=0.3 * factor * was.u95_repeat_mv
        )
    for name in VOLTAGES:
        value = getattr(was, name)
        close = 0.5 if name in SCATTER else 0.01
        expected = None if value is None else pytest.approx(factor * value, rel=close, abs=0.05 * factor)
        assert getattr(now, name) == expected, name


@settings(deadline=None, max_examples=15, derandomize=True)
@given(any_bench_signal(), st.floats(-1.0, 1.0), st.integers(0, 2**62))
def test_when_a_capture_was_taken_does_not_matter(one: Wired, first_sample_s: float, captured_ns: int) -> None:
    later = replace(one.capture, first_sample_s=first_sample_s, captured_at_ns=captured_ns)
    assert said(read(Wired(later, one.conditions))) == said(read(one))


@settings(deadline=None, max_examples=25, derandomize=True)
@given(
    st.sampled_from(["525/60", "625/50"]),
    st.sampled_from(["sync", "hsync", "luma", "green", "composite"]),
    st.floats(2.0, 66.0),
    st.integers(0, 2**31),
    st.floats(math.log10(18.0), 2.5),
)
def test_where_in_its_lines_a_record_begins_does_not_change_the_level(
    system: str, signal: str, first_us: float, seed: int, log_rate: float
) -> None:
    """Two records of the same picture, one begun later: they differ by their noise, of which their u95_repeat knows."""
    raster, rate_ms = RASTER_525 if system == "525/60" else RASTER_625, 10.0**log_rate
    samples = math.ceil(9.2 * raster.period_us * rate_ms)
    readings = []
    for place, begin_us in enumerate((3.0, first_us)):
        made = Made(replace(raster, first_us=begin_us), 1e3 / rate_ms, samples, 3.0, 8.0, 400.0, 8, seed + place)
        readings.append(read(wired(signal, made, 650.0, system=system)))
    one, other = (reading.channels[0] for reading in readings)
    assert one.peak_white_mv is not None
    assert one.u95_repeat_mv is not None
    assert other.u95_repeat_mv is not None
    both_mv = 2.0 * math.hypot(one.u95_repeat_mv, other.u95_repeat_mv)
    assert other.peak_white_mv == pytest.approx(one.peak_white_mv, abs=both_mv + 0.6)
    assert readings[1].sync.line_period_us == pytest.approx(readings[0].sync.line_period_us, rel=2e-4)


@settings(deadline=None, max_examples=30, derandomize=True)
@given(any_bench_signal(colours=True), st.randoms(use_true_random=False))
def test_permuting_channels_permutes_the_reading(one: Wired, shuffled: random.Random) -> None:
    channels, clips = list(one.capture.channels), list(one.conditions.hookup.clips)
    shuffled.shuffle(channels)
    shuffled.shuffle(clips)
    turned = Wired(replace(one.capture, channels=tuple(channels)), Conditions(Hookup(tuple(clips))))
    before, after = said(read(one)), said(read(turned))
    assert [channel["channel"] for channel in after["channels"]] == [record.name for record in channels]
    assert by_name(after) == by_name(before)
    for key in ("sync", "match", "hints"):
        assert after[key] == before[key]


def said(measured: Measured) -> dict[str, Any]:
    """What a reading says; its budgets carry the time of the capture beside it."""
    whole = plain(measured)
    return {key: whole[key] for key in ("sync", "channels", "match", "hints")}


def by_name(reading: Mapping[str, list[Mapping[str, object]]]) -> dict[object, Mapping[str, object]]:
    return {channel["channel"]: channel for channel in reading["channels"]}
