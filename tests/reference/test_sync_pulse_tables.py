"""The published pulses of both systems through the engine's pulses and sync.

SMPTE 170M-2004 table 2 and figure 7 [S]; ITU-R BT.1700 Part B and BT.470-6 tables 1-1, 1-2 [S].
"""

import numpy as np
import pytest

from broadcast_sync import BROADCAST_525, BROADCAST_625, Broadcast
from made_video import Made, capture_of, digitised
from peakwhite.daemon.measure.binning import binned_mv, samples_per_bin
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.pulses import Pulses, low_pulses
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

SAMPLE_NS = 40.0
SYNC_MV = 300.0
FRAME_AT_US = 700.0


def frame_capture(system: Broadcast, samples: int) -> Capture:
    """Composite sync from a little before a frame on, 12 bits, quiet."""
    made = Made(sample_ns=SAMPLE_NS, samples=samples, noise_mv=1.0, lsb_mv=0.25, bits=12, centre_mv=-100.0)
    t_us = np.arange(samples, dtype=np.float64) * SAMPLE_NS * 1e-3
    return capture_of(made, digitised(made, "CH1", -SYNC_MV * system.wave(t_us, FRAME_AT_US)))


def found_pulses(system: Broadcast, samples: int) -> Pulses:
    capture = frame_capture(system, samples)
    count = samples_per_bin(capture.seconds_per_sample)
    bin_us = count * SAMPLE_NS * 1e-3
    found = low_pulses(binned_mv(capture.channels[0], count), -0.5 * SYNC_MV, 0.1 * SYNC_MV, bin_us)
    return Pulses(found.start_us + (count - 1) / 2 * SAMPLE_NS * 1e-3, found.width_us)


@pytest.mark.parametrize("system", [BROADCAST_525, BROADCAST_625], ids=lambda one: one.name)
def test_every_pulse_of_the_first_vertical_interval_has_its_published_place_and_width(system: Broadcast) -> None:
    start_us, width_us = system.frame()
    found = found_pulses(system, 50_000)
    of_frame = found.start_us > FRAME_AT_US - 1.0
    pulses = int(np.count_nonzero(of_frame))
    assert pulses > 25
    np.testing.assert_allclose(found.start_us[of_frame] - FRAME_AT_US, start_us[:pulses], atol=0.01)
    np.testing.assert_allclose(found.width_us[of_frame], width_us[:pulses], atol=0.015)


@pytest.mark.parametrize(
    ("system", "sync_us", "equalising_us", "broad_us", "equalising", "broad"),
    [(BROADCAST_525, 4.70, 2.30, 27.08, 24, 12), (BROADCAST_625, 4.7, 2.35, 27.3, 20, 10)],
    ids=["525/60", "625/50"],
)
def test_a_frame_holds_the_published_number_of_each_pulse(
    system: Broadcast, sync_us: float, equalising_us: float, broad_us: float, equalising: int, broad: int
) -> None:
    frame_us = 0.5 * system.half_lines * system.line_us
    found = found_pulses(system, int((FRAME_AT_US + frame_us + 200.0) / (SAMPLE_NS * 1e-3)))
    inside = (found.start_us > FRAME_AT_US - 1.0) & (found.start_us < FRAME_AT_US + frame_us - 1.0)
    width_us = found.width_us[inside]
    assert np.count_nonzero(np.abs(width_us - broad_us) < 0.02) == broad
    assert np.count_nonzero(np.abs(width_us - equalising_us) < 0.02) == equalising
    assert np.count_nonzero(np.abs(width_us - sync_us) < 0.02) == width_us.size - broad - equalising


@pytest.mark.parametrize(
    ("system", "rate_hz", "field_hz", "lines"),
    [(BROADCAST_525, 15_734.265, 59.94005994, 262.5), (BROADCAST_625, 15_625.0, 50.0, 312.5)],
    ids=["525/60", "625/50"],
)
def test_a_record_of_two_fields_has_the_published_rates(
    system: Broadcast, rate_hz: float, field_hz: float, lines: float
) -> None:
    samples = int((FRAME_AT_US + 0.5 * system.half_lines * system.line_us + 700.0) / (SAMPLE_NS * 1e-3))
    sync = measure_capture(frame_capture(system, samples), Conditions(Hookup((Clip("CH1", "sync"),)))).sync
    assert sync.state == "locked"
    assert sync.system == system.name
    assert sync.line_rate_hz == pytest.approx(rate_hz, rel=2e-6)
    assert sync.sync_width_us == pytest.approx(4.7, abs=0.01)
    assert sync.field is not None
    assert sync.field.lines_per_field == lines
    assert sync.field.field_rate_hz == pytest.approx(field_hz, rel=2e-6)
    assert sync.field.scan == "interlaced"
