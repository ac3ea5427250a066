"""All that a waveform depends on but gain, load and what is not locked to the line."""

from dataclasses import dataclass

from .disturbances import Kind
from .ladder import Ladder
from .layout import RasterPlan
from .patterns import PatternName, Rgb
from .raster import SyncForm


@dataclass(frozen=True)
class Recipe:
    """Millivolts are those into 75 ohm (of logic levels: open-circuit) ahead of the output stage's gain.

    Attributes:
        kinds: the disturbances that lines of this signal may suffer.
        white_bar: level of the white bar, as a share of white.
        weights: shares of red, green and blue; all zero: no picture.
        picture_mv: black to white.
        sync_mv: depth; negative where the pulses rise.
        ladder: the converter that makes the picture; None: exact levels.
        knee_mv, slope: compression; None: none.
        coupling_s: time constant of all series capacitors together; None: DC coupled.
        compensation: what a probe adds to every step, as a share of it; `compensation_s` is how long it lasts.
    """

    raster: RasterPlan
    kinds: tuple[Kind, ...]
    pattern: PatternName
    white_bar: float
    weights: Rgb
    picture_mv: float
    setup_mv: float
    sync_mv: float
    sync_form: SyncForm
    burst_mv_pp: float
    ladder: Ladder | None
    bandwidths_hz: tuple[float, ...]
    knee_mv: float | None
    slope: float
    coupling_s: float | None
    compensation: float
    compensation_s: float
