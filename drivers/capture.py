"""A capture: one record of all channels of one trigger, as the scope sent it."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint8] | NDArray[np.int8] | NDArray[np.uint16]

EXT = "EXT"
"""The external trigger input, as a channel."""
FORCED = "forced"
"""What triggered a capture for which no edge came in time."""
CODE_TYPES = (np.dtype(np.uint8), np.dtype(np.int8), np.dtype(np.uint16))


@dataclass(frozen=True)
class GainSpec:
    """How far a scope's gain may be off: ±`pct` per cent of the reading or of full scale (the maker says which).

    `from_data_sheet` is False where the figure was remembered, not read: a reading then says that it is assumed.
    """

    pct: float
    of: Literal["reading", "full-scale"] = "reading"
    from_data_sheet: bool = True


@dataclass(frozen=True, eq=False)
class ChannelRecord:
    """The samples of one channel.

    Attributes:
        name: the scope's name of the channel, or the column's header in a file.
        codes: integer codes, shape (samples,).
        volts_per_code: volts at the probe tip for one step of `codes`.
        volts_at_code_zero: volts at the probe tip where a code is 0.
        low_rail_code, high_rail_code: codes at or beyond which the ADC is at its rail; None where unknown.
        code_step: distance in codes between neighbouring states of the ADC (16 for 12 bits left-justified in 16).
        full_scale_v: volts from bottom to top of the screen at this range; None where unknown.
    """

    name: str
    codes: Codes
    volts_per_code: float
    volts_at_code_zero: float
    low_rail_code: int | None = None
    high_rail_code: int | None = None
    code_step: int = 1
    full_scale_v: float | None = None

    def __post_init__(self) -> None:
        if self.codes.ndim != 1 or self.codes.dtype not in CODE_TYPES:
            raise ValueError(f"{self.name}: codes must be one row of uint8, int8 or uint16, not {self.codes.dtype}")
        if not (math.isfinite(self.volts_per_code) and self.volts_per_code != 0.0):
            raise ValueError(f"{self.name}: a scale of {self.volts_per_code} volts per code cannot be")
        if not math.isfinite(self.volts_at_code_zero):
            raise ValueError(f"{self.name}: an offset of {self.volts_at_code_zero} volts cannot be")

    @cached_property
    def extreme_codes(self) -> tuple[int, int]:
        """The lowest and the highest code."""
        return int(self.codes.min()), int(self.codes.max())

    @property
    def mv_per_code(self) -> float:
        """Millivolts at the probe tip for one step of `codes`."""
        return self.volts_per_code * 1e3

    @property
    def mv_at_code_zero(self) -> float:
        """Millivolts at the probe tip where a code is 0."""
        return self.volts_at_code_zero * 1e3


@dataclass(frozen=True, eq=False)
class Capture:
    """All channels of one trigger.

    Attributes:
        channels: one record a channel, all of one length, at least one.
        seconds_per_sample: positive.
        first_sample_s: time of the first sample against the trigger.
        identity: what the instrument calls itself, or the file's name.
        captured_at_ns: when it was captured, nanoseconds since 1970 UTC; 0 where unknown.
        gain_spec: the scope's gain specification where the driver knows it.
        bandwidth_mhz: the analogue bandwidth in force where known (a limiter at 20, say).
        triggered_by: the channel, or EXT, whose falling edge came at time zero; FORCED where the scope was made to
            trigger without one, None where that is not known.
        fetch_ms: how long it took to fetch from the scope once it was there; None where it did not come from one.
    """

    channels: tuple[ChannelRecord, ...]
    seconds_per_sample: float
    first_sample_s: float
    identity: str
    captured_at_ns: int
    gain_spec: GainSpec | None = None
    bandwidth_mhz: float | None = None
    triggered_by: str | None = None
    fetch_ms: float | None = None

    def __post_init__(self) -> None:
        if not self.channels:
            raise ValueError("a capture needs at least one channel")
        if len({channel.codes.size for channel in self.channels}) != 1:
            raise ValueError("the channels of one trigger must be of one length")
        if len({channel.name for channel in self.channels}) != len(self.channels):
            raise ValueError("two channels bear the same name")
        if not (math.isfinite(self.seconds_per_sample) and self.seconds_per_sample > 0.0):
            raise ValueError(f"{self.seconds_per_sample} seconds per sample cannot be")
        if not math.isfinite(self.first_sample_s):
            raise ValueError(f"a first sample at {self.first_sample_s} s cannot be")

    @property
    def samples(self) -> int:
        """Samples per channel."""
        return int(self.channels[0].codes.size)

    def channel(self, name: str) -> ChannelRecord | None:
        """The channel of that name, or None."""
        return next((channel for channel in self.channels if channel.name == name), None)
