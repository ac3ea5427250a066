"""A published sampled line through our sync and burst code.

Source: SMPTE 244M-2003 table 5, the digital blanking interval of a 525-line composite signal at four samples a
subcarrier cycle (14.318 18 MHz, 910 samples a line, 5.6 codes an IRE, blanking at code 0F0h), 0 degree column; the 180
degree column is the same mirrored about blanking. The answers (standards.md 1.5) were computed from that table by
band-limited interpolation, and lie inside SMPTE 170M-2004 table 2.
"""

import numpy as np
import pytest

from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.line_sync import find_line_sync
from peakwhite.daemon.measure.reading import ChannelReading, Measured
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture, ChannelRecord

SAMPLES_A_LINE = 910
SAMPLE_S = 88.0 / 315e6 / 4.0
MV_PER_CODE = 1000.0 / 140.0 / 5.6
BLANKING = 0x0F0
ZERO_H_WORD = 784.36

BLANKING_INTERVAL = {
    768: [0x0F0] * 15,
    783: [0x0E9, 0x0A4, 0x044, 0x011],
    787: [0x010] * 63,
    850: [0x017, 0x05C, 0x0BC, 0x0EF],
    854: [0x0F0] * 4,
    858: [0x0F4, 0x0DC, 0x0D6, 0x12C, 0x123, 0x096],
    864: [0x0B3, 0x14E, 0x12D, 0x092] * 7 + [0x0B3, 0x14E],
    894: [0x129, 0x0A6, 0x0CD, 0x112, 0x0FA, 0x0EC],
    900: [0x0F0] * 10,
}


def published_line(*, mirrored: bool) -> np.ndarray:
    """One line of 910 words; the picture is blanking. The burst of every other line is mirrored about blanking."""
    line = np.full(SAMPLES_A_LINE, BLANKING)
    for first, words in BLANKING_INTERVAL.items():
        line[first : first + len(words)] = words
    if mirrored:
        line[858:900] = 2 * BLANKING - line[858:900]
    return line


@pytest.fixture(scope="module")
def capture() -> Capture:
    codes = np.concatenate([published_line(mirrored=bool(number % 2)) for number in range(12)])
    record = ChannelRecord("CH1", codes.astype(np.uint16), MV_PER_CODE * 1e-3, -BLANKING * MV_PER_CODE * 1e-3)
    return Capture((record,), SAMPLE_S, 0.0, "SMPTE 244M table 5", 0)


@pytest.fixture(scope="module")
def measured(capture: Capture) -> Measured:
    return measure_capture(capture, Conditions(Hookup((Clip("CH1", "composite"),))))


@pytest.fixture(scope="module")
def reading(measured: Measured) -> ChannelReading:
    return measured.channels[0]


def test_the_leading_edge_lies_at_word_784_36(capture: Capture) -> None:
    found = find_line_sync(capture.channels[0], SAMPLE_S, 1.0, alone=False)
    word = found.edges_us / (SAMPLE_S * 1e6) % SAMPLES_A_LINE
    np.testing.assert_allclose(word, ZERO_H_WORD, atol=0.05)


def test_the_sync_is_67_samples_wide(measured: Measured) -> None:
    assert measured.sync.sync_width_us == pytest.approx(67.00 * SAMPLE_S * 1e6, abs=0.05 * SAMPLE_S * 1e6)


def test_the_line_is_910_samples_long(measured: Measured) -> None:
    assert measured.sync.line_period_us == pytest.approx(910 * SAMPLE_S * 1e6, rel=2e-6)
    assert measured.sync.system == "525/60"


def test_the_sync_is_40_ire_deep(reading: ChannelReading) -> None:
    assert reading.sync_mv == pytest.approx(40.0 * 1000.0 / 140.0, abs=0.7)


def test_the_burst_is_40_ire_peak_to_peak(reading: ChannelReading) -> None:
    assert reading.burst_mv_pp == pytest.approx(40.02 * 1000.0 / 140.0, rel=0.01)


def test_blanking_is_zero(reading: ChannelReading) -> None:
    assert reading.blanking_mv == pytest.approx(0.0, abs=0.7)
