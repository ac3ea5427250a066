"""What a line of the vertical interval may carry: data, or pulses above white."""

import numpy as np
from numpy.typing import NDArray

from .canvas import Canvas
from .systems import System

PULSE_LEVEL = 1.2
"""Height of the pulses, as a share of white (practice)."""

PULSES, PULSE_S, PULSE_EVERY_S = 5, 4.5e-6, 9.5e-6
"""How many, how wide, how far apart (practice)."""

DATA_EDGE_S = 120e-9
RUN_IN_BITS = 16


def draw_interval(canvas: Canvas, content: int, system: System, start_s: float, stop_s: float) -> None:
    """Draws what LineSpec.interval says into a picture of white 1, from `start_s` to `stop_s`."""
    if content < 0:
        for pulse in range(PULSES):
            first_s = start_s + 2e-6 + pulse * PULSE_EVERY_S
            canvas.pulse(first_s, first_s + PULSE_S, system.picture_edge_s, PULSE_LEVEL)
    elif content > 0:
        points = np.arange(canvas.values.size) * canvas.step_s + canvas.start_s
        place = np.floor((points - start_s) * system.data_hz).astype(np.int64)
        bits = data_bits(content, int((stop_s - start_s) * system.data_hz) - 1)
        inside = (place >= 0) & (place < bits.size)
        canvas.values[inside] += system.data_level * bits[place[inside]]
        canvas.smooth(DATA_EDGE_S)


def data_bits(content: int, count: int) -> NDArray[np.int64]:
    """A run-in of alternating ones and zeros, then data that the seed `content` draws."""
    run_in = np.arange(RUN_IN_BITS) % 2 == 0
    drawn = np.random.default_rng(content).integers(0, 2, count - RUN_IN_BITS)
    return np.concatenate([run_in.astype(np.int64), drawn.astype(np.int64)])
