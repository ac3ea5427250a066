"""Vertical sync on a wire of its own: it gives the field, and says which lines are no picture."""

from dataclasses import replace

import numpy as np
import pytest

from made_video import Made, Raster, capture_of, digitised, picture_wave, step, times
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.found_sync import find_sync
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.reading import Measured
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

SEPARATE = Conditions(Hookup((Clip("CH1", "red"), Clip("CH2", "hsync"), Clip("CH3", "vsync"))))
COMPUTER = Raster(period_us=31.778, sync_us=3.8, blanking_end_us=5.7, front_porch_us=0.64)
TELEVISION = Raster()


def horizontal(made: Made) -> np.ndarray:
    """1 during line sync, every line without exception."""
    raster = made.raster
    _, after_us, _ = times(made)
    pulse = step(after_us, 0.0, 0.1) - step(after_us, raster.sync_us, 0.1)
    return np.asarray(pulse + step(after_us - raster.period_us, 0.0, 0.1))


def vertical(made: Made, starts_h: list[float], long_h: float) -> np.ndarray:
    """1 during vertical sync, which begins so many lines after the first 0H."""
    t_us = times(made)[0] - made.raster.first_us
    period_us = made.raster.period_us
    wave = np.zeros(made.samples)
    for start_h in starts_h:
        wave += step(t_us, start_h * period_us, 0.3) - step(t_us, (start_h + long_h) * period_us, 0.3)
    return wave


def captured(
    raster: Raster, starts_h: list[float], *, lines: float, sign: float = -1.0, long_h: float = 3.0, blank_h: int = 0
) -> Capture:
    """Red white but for `blank_h` lines from each vertical sync, with TTL syncs; 100 ns a sample."""
    made = Made(raster, sample_ns=100.0, samples=round(lines * raster.period_us * 10.0))
    ttl = replace(made, lsb_mv=25.0, centre_mv=0.0, noise_mv=10.0)

    def picture(t_us: np.ndarray, line: np.ndarray) -> np.ndarray:
        blank = np.zeros(line.shape, dtype=bool)
        for start in starts_h:
            blank |= (line >= start) & (line < start + blank_h)
        return np.where(blank, 900.0, 700.0)

    return capture_of(
        made,
        digitised(replace(made, centre_mv=500.0), "CH1", picture_wave(made, picture), 1),
        digitised(ttl, "CH2", -2500.0 * horizontal(made), 2),
        digitised(ttl, "CH3", sign * 2500.0 * vertical(made, starts_h, long_h), 3),
    )


@pytest.mark.parametrize("sign", [-1.0, 1.0], ids=["low", "high"])
@pytest.mark.parametrize(
    ("raster", "field_h", "long_h", "scan"),
    [
        (COMPUTER, 525.0, 2.0, "progressive"),
        (COMPUTER, 449.0, 2.0, "progressive"),
        (TELEVISION, 262.0, 3.0, "progressive"),
        (TELEVISION, 263.0, 3.0, "progressive"),
        (TELEVISION, 262.5, 3.0, "interlaced"),
    ],
)
def test_two_vertical_syncs_give_the_field(
    raster: Raster, field_h: float, long_h: float, scan: str, sign: float
) -> None:
    starts_h = [10.3, 10.3 + field_h]
    field = measure_capture(
        captured(raster, starts_h, lines=field_h + 40, sign=sign, long_h=long_h), SEPARATE
    ).sync.field
    assert field is not None
    assert (field.lines_per_field, field.scan) == (field_h, scan)
    assert field.field_rate_hz == pytest.approx(1e6 / (field_h * raster.period_us), rel=1e-5)


def test_one_vertical_sync_gives_no_field() -> None:
    assert measure_capture(captured(TELEVISION, [10.0], lines=60.0), SEPARATE).sync.field is None


def test_two_vertical_syncs_that_are_both_cut_short_give_no_field() -> None:
    assert measure_capture(captured(TELEVISION, [-1.5, 261.0], lines=262.0), SEPARATE).sync.field is None


def test_a_vertical_sync_in_which_the_record_begins_is_as_long_as_the_others() -> None:
    field = measure_capture(captured(TELEVISION, [-1.5, 260.5], lines=275.0), SEPARATE).sync.field
    assert field is not None
    assert field.lines_per_field == 262.0


@pytest.mark.parametrize("sign", [-1.0, 1.0], ids=["low", "high"])
def test_lines_about_a_vertical_sync_are_no_picture(sign: float) -> None:
    """Nine lines after its beginning hold pulses above white, which would else be the highest state."""

    def white_mv(conditions: Conditions) -> float | None:
        return level(measure_capture(captured(TELEVISION, [20.0], lines=60.0, sign=sign, blank_h=9), conditions))

    assert white_mv(SEPARATE) == pytest.approx(700.0, abs=2.0)
    unknown = Conditions(Hookup(SEPARATE.hookup.clips[:2]))
    assert (white_mv(unknown) or 0.0) > 720.0


def level(measured: Measured) -> float | None:
    return measured.channels[0].peak_white_mv


@pytest.mark.parametrize("starts_h", [[-2.0], [6.0]], ids=["its end", "its beginning"])
def test_a_short_record_that_shows_one_change_leaves_the_lines_after_it_out(starts_h: list[float]) -> None:
    capture = captured(TELEVISION, starts_h, lines=8.0)
    found = find_sync(capture, SEPARATE)
    change_h = starts_h[0] + 3.0 if starts_h[0] < 0 else starts_h[0]
    expected_us = TELEVISION.first_us + change_h * TELEVISION.period_us
    assert found.lines.vertical_us == pytest.approx([expected_us], abs=0.1)


def test_a_record_between_vertical_syncs_is_all_picture() -> None:
    found = find_sync(captured(TELEVISION, [], lines=30.0), SEPARATE)
    assert found.lines.vertical_us.size == 0
    assert found.grid is not None
    assert found.grid.number.size >= 28


def test_vertical_sync_counts_lines_found_by_blanking_alone_too() -> None:
    capture = captured(TELEVISION, [10.0, 272.0], lines=300.0)
    blind = Conditions(Hookup((Clip("CH1", "red"), Clip("CH3", "vsync"))))
    sync = measure_capture(capture, blind).sync
    assert sync.state == "blanking-only"
    assert sync.field is not None
    assert sync.field.lines_per_field == 262.0
