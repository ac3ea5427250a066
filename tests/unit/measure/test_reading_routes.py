"""What may not change a reading: the polarity that codes are stored in, a sync upside down, the route by file; and its
uncertainty, held from both sides by an independent calculation."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal, cast

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from bench_signals import Wired, any_bench_signal
from made_video import Made, Raster, capture_of, digitised, picture_wave, rgb_sync, sync_wave, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.reading import Measured, plain
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.capture_file import read_capture, write_capture
from peakwhite.drivers.capture import Capture, ChannelRecord, Codes, GainSpec

BENCH = Conditions(BENCH_DEFAULT)

levels_mv = st.tuples(*[st.floats(300.0, 800.0)] * 3)
seeds = st.integers(0, 2**31)


def three_whites(levels: Sequence[float], seed: int, samples: int = 6_000) -> Capture:
    red, green, blue = (white(level) for level in levels)
    return rgb_sync(Made(sample_ns=80.0, samples=samples, seed=seed), red, green, blue)


def assert_same(one: object, other: object, where: str = "reading") -> None:
    """Alike in every key; numbers to a millionth, or to a nanounit where they are about 0."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        assert one.keys() == other.keys()
        for key in one:
            assert_same(one[key], other[key], f"{where}.{key}")
    elif isinstance(one, list) and isinstance(other, list):
        assert len(one) == len(other), where
        for index, (left, right) in enumerate(zip(one, other, strict=True)):
            assert_same(left, right, f"{where}[{index}]")
    elif isinstance(one, float) and isinstance(other, float):
        assert other == pytest.approx(one, rel=2e-6, abs=2e-4), where
    else:
        assert one == other, where


def same(one: Measured, other: Measured) -> None:
    """Alike in all that a reading shows."""
    assert_same(*(plain(replace(measured, budgets=(), basis=None)) for measured in (one, other)))


def stored_upside_down(record: ChannelRecord) -> ChannelRecord:
    """The same volts in codes that fall as the voltage rises."""
    top = record.high_rail_code or 0
    return replace(
        record,
        codes=cast("Codes", (top - record.codes.astype(np.int64)).astype(record.codes.dtype)),
        volts_per_code=-record.volts_per_code,
        volts_at_code_zero=record.volts_at_code_zero + top * record.volts_per_code,
    )


def as_signed_bytes(record: ChannelRecord) -> ChannelRecord:
    """The same volts in int8, as some scopes send them."""
    return replace(
        record,
        codes=(record.codes.astype(np.int16) - 128).astype(np.int8),
        volts_at_code_zero=record.volts_at_code_zero + 128 * record.volts_per_code,
        low_rail_code=-128,
        high_rail_code=127,
    )


def filled_from_the_left(record: ChannelRecord) -> ChannelRecord:
    """The same volts in 16-bit words of which the codes take the upper bits, so that neighbouring states lie apart."""
    step = 65_536 // ((record.high_rail_code or 0) + 1)
    return replace(
        record,
        codes=(record.codes.astype(np.int64) * step).astype(np.uint16),
        volts_per_code=record.volts_per_code / step,
        high_rail_code=(record.high_rail_code or 0) * step,
        code_step=step,
    )


def with_records(one: Wired, changed: Callable[[ChannelRecord], ChannelRecord], which: set[int]) -> Capture:
    channels = [changed(record) if index in which else record for index, record in enumerate(one.capture.channels)]
    return replace(one.capture, channels=tuple(channels))


@settings(deadline=None, max_examples=40, derandomize=True)
@given(any_bench_signal(), st.sets(st.integers(0, 2), min_size=1))
def test_codes_stored_in_reverse_give_the_same_reading(one: Wired, which: set[int]) -> None:
    reversed_codes = with_records(one, stored_upside_down, which)
    same(measure_capture(one.capture, one.conditions), measure_capture(reversed_codes, one.conditions))


@settings(deadline=None, max_examples=30, derandomize=True)
@given(any_bench_signal(), st.sets(st.integers(0, 2), min_size=1))
def test_signed_bytes_and_words_filled_from_the_left_give_the_same_reading(one: Wired, which: set[int]) -> None:
    bits_8 = one.capture.channels[0].codes.dtype == np.uint8
    stored_otherwise = with_records(one, as_signed_bytes if bits_8 else filled_from_the_left, which)
    same(measure_capture(one.capture, one.conditions), measure_capture(stored_otherwise, one.conditions))


@settings(deadline=None, max_examples=15)
@given(levels_mv, seeds)
def test_a_sync_channel_upside_down_gives_the_same_levels(levels: tuple[float, ...], seed: int) -> None:
    made = Made(sample_ns=80.0, samples=10_000, seed=seed, centre_mv=150.0)
    pictures = [digitised(made, f"CH{n}", picture_wave(made, white(one)), n) for n, one in enumerate(levels, start=1)]
    upright, inverted = (
        measure_capture(capture_of(made, *pictures, digitised(made, "CH4", sign * sync_wave(made), 4)), BENCH)
        for sign in (-285.7, 285.7)
    )
    assert inverted.sync.state == "locked"
    assert inverted.sync.line_period_us == pytest.approx(upright.sync.line_period_us, rel=2e-4)
    assert inverted.sync.sync_width_us == pytest.approx(upright.sync.sync_width_us, abs=0.03)
    for one, other in zip(upright.channels[:3], inverted.channels[:3], strict=True):
        assert other.peak_white_mv == pytest.approx(one.peak_white_mv, abs=1.0)


@settings(deadline=None, max_examples=15, derandomize=True)
@given(any_bench_signal())
def test_a_reading_is_identical_from_an_archive(one: Wired) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "capture.npz"
        write_capture(path, one.capture)
        from_file = measure_capture(read_capture(path), one.conditions)
    direct = measure_capture(one.capture, one.conditions)
    assert plain(replace(from_file, basis=None)) == plain(replace(direct, basis=None))


@settings(deadline=None, max_examples=12, derandomize=True)
@given(any_bench_signal(longest=9_000))
def test_a_reading_is_identical_from_comma_separated_text(one: Wired) -> None:
    sync_channels = [clip.channel for clip in one.conditions.hookup.clips if clip.role in ("sync", "hsync", "vsync")]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        path.write_text(as_csv(one.capture))
        from_file = read_capture(path, sync_channels=sync_channels)
    for of_file, of_scope in zip(from_file.channels, one.capture.channels, strict=True):
        steps = of_scope.codes.astype(int) - int(of_scope.codes.min())
        grid = max(1, int(np.gcd.reduce(steps)))
        assert np.array_equal(of_file.codes.astype(int), steps // grid)
    same(measure_capture(one.capture, one.conditions), measure_capture(from_file, one.conditions))


def test_flats_and_few_of_the_codes_between_them_are_codes_still() -> None:
    """Of white at 796 mV, 34 codes occur: eight neighbours on the two flats, and single ones on the edges."""
    one = three_whites((300.0, 300.0, 796.0), 13722670)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        path.write_text(as_csv(one))
        blue = read_capture(path, sync_channels=("CH4",)).channels[2]
    assert np.array_equal(blue.codes, one.channels[2].codes - one.channels[2].codes.min())


def as_csv(capture: Capture) -> str:
    """Time and volts with twelve figures, which is more than 8-bit codes need."""
    time_s = capture.first_sample_s + capture.seconds_per_sample * np.arange(capture.samples)
    volts = [one.codes * one.volts_per_code + one.volts_at_code_zero for one in capture.channels]
    rows = np.column_stack((time_s, *volts))
    header = ",".join(["time", *(one.name for one in capture.channels)])
    return "\n".join([header, *(",".join(f"{value:.12g}" for value in row) for row in rows.tolist())]) + "\n"


def convolved_u95_mv(rectangles_mv: Sequence[float], normal_mv: float) -> float:
    """Two-sided 95 % half-width of a sum of rectangles ±a and one normal part, convolved numerically on a fine grid."""
    step_mv = 0.01
    reach_mv = sum(rectangles_mv) + 6.0 * normal_mv
    density: NDArray[np.float64] = np.ones(1)
    for half_mv in rectangles_mv:
        density = np.convolve(density, np.full(max(1, round(2.0 * half_mv / step_mv)), 1.0))
        density /= density.sum()
    x_mv = step_mv * np.arange(-round(reach_mv / step_mv), round(reach_mv / step_mv) + 1)
    density = np.convolve(density, np.exp(-0.5 * (x_mv / max(normal_mv, step_mv)) ** 2))
    below = np.cumsum(density) / density.sum()
    place_mv = step_mv * (np.arange(density.size) - 0.5 * (density.size - 1))
    return float(np.interp(0.975, below, place_mv))


@settings(deadline=None, max_examples=20, derandomize=True)
@given(
    st.floats(0.3, 3.0),
    st.sampled_from(["reading", "full-scale"]),
    st.floats(0.5, 5.0),
    st.sampled_from(["coax", "probe-10x"]),
    st.floats(400.0, 800.0),
    seeds,
)
def test_u95_is_neither_smaller_nor_larger_than_a_numerical_convolution_of_what_is_stated(
    gain_pct: float, of: Literal["reading", "full-scale"], load_pct: float, link: str, level_mv: float, seed: int
) -> None:
    """Stated: gain of the reading or of the screen's eight divisions, half of the terminator's tolerance (75 ohm into 75), ±2 % of a 10x probe, ±0.5 LSB of each of two
    states, and noise, here by its Cramér-Rao bound: 8 mV over the flats and clamps of seven lines."""
    made = Made(Raster(first_us=3.0), seed=seed, noise_mv=8.0)
    clips = (Clip("CH1", "red", link=link, load_tolerance_pct=load_pct), Clip("CH4", "sync"))  # type: ignore[arg-type]
    capture = rgb_sync(made, white(level_mv), white(700.0), white(700.0))
    reading = measure_capture(capture, Conditions(Hookup(clips), gain_spec=GainSpec(gain_pct, of))).channels[0]
    of_mv = level_mv if of == "reading" else 8 * 25 * made.lsb_mv
    stated_mv = [gain_pct / 100.0 * of_mv, 0.5 * load_pct / 100.0 * level_mv, 0.5 * made.lsb_mv, 0.5 * made.lsb_mv]
    stated_mv += [0.02 * level_mv] if link == "probe-10x" else []
    noise_mv = float(np.hypot(made.noise_mv, made.lsb_mv / np.sqrt(12.0))) * np.sqrt(1.0 / 9_000 + 1.0 / 640)
    assert reading.u95_mv == pytest.approx(convolved_u95_mv(stated_mv, noise_mv), rel=0.02)
