"""What an instrument family is, and what its driver has to do."""

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from .capture import GainSpec
from .errors import InstrumentRejected
from .identity import Identity
from .kept import Kept
from .links import Link
from .present_setup import ScopeSetup
from .records import Record
from .replies import short
from .waiting import Clock

_CHANNEL = re.compile(r"CH(?:AN|ANNEL)?([1-9]\d?)", re.IGNORECASE)


@dataclass(frozen=True)
class ChannelPlan:
    """How one channel is to be set, in volts at the probe tip: range, and what stands in the middle of the screen."""

    name: str
    volts_per_div: float
    centre_v: float


@dataclass(frozen=True)
class Plan:
    """What the next captures are to be: DC coupled, triggered by a falling edge in normal mode.

    `span_s` and `points` are what is wanted of the record at least; a family gives the nearest that it has, and its
    longest memory where that holds fewer. Where `enough_hz` is given, fewer points do as well that come at such a rate: a
    family whose memory has steps takes the smallest such. `limiter`: the 20 MHz limiter of every channel is on.
    """

    channels: tuple[ChannelPlan, ...]
    trigger_channel: str
    trigger_level_v: float
    span_s: float
    points: int
    limiter: bool = True
    enough_hz: float | None = None

    def fewest_points(self, span_s: float) -> int:
        """How many points a memory has to hold at least that lasts `span_s`."""
        if self.enough_hz is None:
            return self.points
        return min(self.points, math.ceil(self.enough_hz * span_s * (1 - 1e-6)))


@dataclass(frozen=True)
class Abilities:
    """What a model can do, as its maker states it.

    Attributes:
        channels: analogue inputs.
        bits: of the converter in its normal mode.
        memory_points: record lengths to choose from with one channel on; empty where any length or its own choice goes.
        gain_spec: DC gain accuracy at the ranges that a video level needs; the driver says where its figure is from.
        video_trigger: it has a video trigger of its own (a help, never needed here).
        ext_input: a plan's trigger channel may be EXT, the external trigger input.
        fifty_ohm_input: its inputs can be switched to 50 ohm, which is no load for video.
        offset_divisions: so far from 0 V the middle of the screen may lie, at any range; cautious where nobody looked.
    """

    channels: int
    bits: int
    memory_points: tuple[int, ...]
    gain_spec: GainSpec
    video_trigger: bool = False
    ext_input: bool = False
    fifty_ohm_input: bool = False
    offset_divisions: float = 4.0


class Driver(Protocol):
    """One instrument. Every method raises LinkError, ReplyError or InstrumentRejected, and none waits for ever."""

    @property
    def abilities(self) -> Abilities:
        """What this instrument can do."""
        ...

    def read_transfer(self) -> Kept:
        """How records are sent now: of which channel, which part, in what form. Ask before anything else changes it."""
        ...

    def read_setup(self) -> ScopeSetup:
        """The present set-up. Changes nothing but how records are sent; `fetch` may follow at once."""
        ...

    def configure(self, plan: Plan) -> None:
        """Set everything that the plan names, and read the error queue."""
        ...

    def acquire(self, trigger_wait_s: float) -> bool:
        """Start one capture of all channels; True when it is complete, False if no trigger came in that time."""
        ...

    def force(self, wait_s: float) -> bool:
        """Trigger the capture that `acquire` left waiting; True when it is complete."""
        ...

    def fetch(self, channels: Sequence[str], most_points: int | None = None) -> Record:
        """Codes and scales of the record that the instrument holds, all of the same trigger.

        `most_points`: of a longer record only so many of each channel, from its beginning, or where a dialect sends no
        part, coarser. Raises NoRecord, besides what all methods do, for a channel without a record, or a record of which
        no part can be had. After `read_setup` of an instrument that runs, each channel is of the trigger that it had when
        its turn came.
        """
        ...

    def watched(self, channels: Sequence[str]) -> tuple[str, ...]:
        """Answers that stay the same as long as nobody else changes how these channels are recorded."""
        ...

    def is_stopped(self) -> bool:
        """Whether the record that `acquire` took still stands, as far as the instrument tells: nobody let it run again."""
        ...

    def restore(self, setup: ScopeSetup) -> None:
        """Give back the set-up that `read_setup` read, whether it ran, and the front panel to its user.

        It ends with a question, whose answer says that all has been carried out. Raises InstrumentRejected after all of it
        where a setting was refused.
        """
        ...

    def restore_transfer(self, kept: Kept) -> None:
        """Give back what `read_transfer` read; the last thing to be said. It ends and raises as `restore` does."""
        ...

    def release(self) -> None:
        """Let the instrument run freely with the set-up that it has, and give the front panel to its user."""
        ...


@dataclass(frozen=True)
class Family:
    """Instruments that one driver serves.

    Attributes:
        name: how settings and command line call it.
        series: which instruments these are, in words.
        identities: patterns that an instrument's answer to `*IDN?` begins with, whatever its case.
        ways: kinds of link to it, in words.
        abilities: what the instrument of that identity can do.
        driver: makes the driver of one instrument.
        has_options: it may be asked `*OPT?`. One that refuses is taken to have none.
        unsure_of: questions to ask at first where the model does not tell what it can do: `abilities` finds those that
            were answered in the identity.
        tried_on_hardware: somebody has run the driver on an instrument.
    """

    name: str
    series: str
    identities: tuple[str, ...]
    ways: tuple[str, ...]
    abilities: Callable[[Identity], Abilities]
    driver: Callable[[Link, Identity, Clock], Driver]
    has_options: bool = False
    unsure_of: Callable[[Identity], tuple[str, ...]] = lambda identity: ()
    tried_on_hardware: bool = False

    def gain_spec_of(self, identity: Identity) -> GainSpec | None:
        """The specification of the instrument of that identity, None where it is none of the family's.

        Peakwhite's own simulated scope is made to its figure.
        """
        if not self.knows(identity.text):
            return None
        spec = self.abilities(identity).gain_spec
        return replace(spec, from_data_sheet=True) if identity.is_simulated else spec

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


def step_up(value: float, mantissas: Sequence[float]) -> float:
    """The smallest mantissa × 10^n that is not below a positive `value`, within a part in a million."""
    decade = 10.0 ** math.floor(math.log10(value))
    return min(
        step
        for scale in (1.0, 10.0)
        for mantissa in mantissas
        if (step := mantissa * scale * decade) >= value * (1 - 1e-6)
    )
