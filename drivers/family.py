"""What an instrument family is, and the least that its driver has to do."""

import math
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from .capture import ChannelRecord, GainSpec
from .errors import InstrumentRejected
from .links import Link
from .replies import short

SIMULATED = "PEAKWHITE,"
_CHANNEL = re.compile(r"CH(?:AN|ANNEL)?([1-9]\d?)", re.IGNORECASE)


@dataclass(frozen=True)
class Clock:
    """Time as a driver uses it, in seconds; tests pass their own."""

    now: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


@dataclass(frozen=True)
class ChannelPlan:
    """How one channel is to be set, in volts at the probe tip: range, and what stands in the middle of the screen."""

    name: str
    volts_per_div: float
    centre_v: float


@dataclass(frozen=True)
class Plan:
    """What the next captures are to be: DC coupled, 20 MHz limiter on, triggered by a falling edge in normal mode.

    `span_s` and `points` are what is wanted of the record at least; a family gives the nearest that it has.
    """

    channels: tuple[ChannelPlan, ...]
    trigger_channel: str
    trigger_level_v: float
    span_s: float
    points: int


@dataclass(frozen=True)
class Record:
    """The channels of one trigger."""

    channels: tuple[ChannelRecord, ...]
    seconds_per_sample: float
    first_sample_s: float


class Driver(Protocol):
    """One instrument. Every method raises LinkError, ReplyError or InstrumentRejected.

    `has_ext` says whether a plan's trigger channel may be EXT, the external trigger input.
    """

    has_ext: bool

    def configure(self, plan: Plan) -> None:
        """Set everything that the plan names, and read the error queue."""
        ...

    def acquire(self, trigger_wait_s: float) -> bool:
        """Start one capture of all channels; True when it is complete, False if no trigger came in that time."""
        ...

    def force(self, wait_s: float) -> bool:
        """Trigger the capture that `acquire` left waiting; True when it is complete."""
        ...

    def fetch(self, channels: Sequence[str]) -> Record:
        """Codes and scales of the capture that is complete, all of the same trigger."""
        ...

    def release(self) -> None:
        """Let the instrument run freely again, as its user expects to find it."""
        ...


@dataclass(frozen=True)
class Family:
    """Instruments that one driver serves.

    Attributes:
        name: how settings and command line call it.
        identities: patterns that an instrument's answer to `*IDN?` begins with, whatever its case.
        gain_spec: DC gain accuracy at the ranges that a video level needs; each driver says where its figure is from.
        driver: makes the driver of one instrument from its link, its identity and the clock.
    """

    name: str
    identities: tuple[str, ...]
    gain_spec: GainSpec
    driver: Callable[[Link, str, Clock], Driver]

    def gain_spec_of(self, identity: str) -> GainSpec | None:
        """The specification of the instrument that calls itself so, None where it is none of the family's.

        Peakwhite's own simulated scope is made to its figure.
        """
        if not self.knows(identity):
            return None
        return replace(self.gain_spec, from_data_sheet=True) if identity.startswith(SIMULATED) else self.gain_spec

    def knows(self, identity: str) -> bool:
        """Whether that answer to `*IDN?` is one of the family's."""
        return any(re.match(pattern, identity, re.IGNORECASE) for pattern in self.identities)


def channel_number(name: str, count: int, *, where: str) -> int:
    """The number in `CH1`, `CHAN1` or `CHANNEL1`. Raises InstrumentRejected if the instrument has no such channel."""
    match = _CHANNEL.fullmatch(name.strip())
    if match is None or int(match[1]) > count:
        has = ", ".join(f"CH{number}" for number in range(1, count + 1))
        raise InstrumentRejected(
            f"it has no channel '{short(name)}'", where=where, do=f"change the hookup; it has {has}"
        )
    return int(match[1])


def channel_count(identity: str) -> int:
    """How many channels the model has, from the last digit of its number (2024 and 1104 have four); 4 where unclear."""
    model = identity.split(",")[1] if "," in identity else identity
    number = re.search(r"\d{3,4}", model)
    return int(number[0][-1]) if number and number[0][-1] in "24" else 4


def step_up(value: float, mantissas: Sequence[float]) -> float:
    """The smallest mantissa × 10^n that is not below a positive `value`, within a part in a million."""
    decade = 10.0 ** math.floor(math.log10(value))
    return min(
        step
        for scale in (1.0, 10.0)
        for mantissa in mantissas
        if (step := mantissa * scale * decade) >= value * (1 - 1e-6)
    )
