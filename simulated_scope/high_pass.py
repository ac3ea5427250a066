"""Single high-pass poles in their periodic steady state: coupling capacitors and probe compensation."""

import numpy as np
from numpy.typing import NDArray

from .canvas import POINTS
from .layout import Layout

Floats = NDArray[np.float32]


def shares(
    coupling_s: float | None, compensation: float, compensation_s: float
) -> tuple[float, tuple[tuple[float, float], ...]]:
    """A signal through a coupling capacitor and a probe as a sum: the share that passes straight, and of every
    high-passed copy its time constant and its share.

    A probe adds to a step the share k of it, which dies away: y = x + k HPb x. Behind a coupling HPa with the rates a
    and b (1/s) the product of both is HPa HPb = (b HPb - a HPa) / (b - a), by partial fractions.
    """
    if not compensation:
        return (1.0, ()) if coupling_s is None else (0.0, ((coupling_s, 1.0),))
    if coupling_s is None:
        return 1.0, ((compensation_s, compensation),)
    a, b = 1 / coupling_s, 1 / compensation_s
    return 0.0, ((coupling_s, 1 - compensation * a / (b - a)), (compensation_s, compensation * b / (b - a)))


def droop(rows: NDArray[np.floating], plan: Layout, time_s: float) -> tuple[NDArray[np.float64], Floats, Floats]:
    """What one high pass takes from the signal.

    The pole's state follows ds/dt = (x - s)/tau. Returns what each row alone builds up along its line, the state at
    the start of every line of the raster, and how that state decays along a line.
    """
    step_s = plan.line_s / POINTS
    decay = np.exp(-step_s * np.arange(POINTS + 1) / time_s)
    weighted = rows / decay
    built = np.zeros_like(rows, dtype=np.float64)
    built[:, 1:] = np.cumsum((weighted[:, 1:] + weighted[:, :-1]) / 2, axis=1) * (step_s / time_s)
    built *= decay
    gained = built[plan.row_of_line, -1]
    kept = float(decay[-1])
    state = 0.0
    for gain in gained:  # once round the raster from rest ...
        state = state * kept + float(gain)
    state /= 1 - kept**gained.size  # ... and the state that reproduces itself
    states = np.empty(gained.size, dtype=np.float32)
    for line, gain in enumerate(gained):
        states[line] = state
        state = state * kept + float(gain)
    return built, states, decay.astype(np.float32)
