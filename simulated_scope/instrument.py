"""The instrument behind every dialect: settings, run control, memory."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .adc import Adc, RawCodes
from .clock import Clock
from .front_end import CHANNELS, ChannelSettings, Front
from .sampler import Trace, record
from .signals import trace
from .trigger import Trigger, first_crossing
from .unit import ROLES, Unit

AUTO_WAIT_S = 0.1
"""How long the AUTO mode waits for a trigger."""

TRIGGER_JITTER_S = 0.3e-9
"""Rms error of the trigger instant."""

MIN_SAMPLES, MAX_SAMPLES = 1000, 10_000_000


@dataclass(frozen=True)
class Horizontal:
    """The time base: `position_s` is the instant of the middle of the record against the trigger."""

    divisions: int
    seconds_per_div: float = 25e-6
    position_s: float = 0.0
    samples: int = 12_000

    @property
    def length_s(self) -> float:
        """The record's duration."""
        return self.seconds_per_div * self.divisions

    @property
    def step_s(self) -> float:
        """The sample interval."""
        return self.length_s / self.samples

    @property
    def first_s(self) -> float:
        """The first sample's instant against the trigger."""
        return self.position_s - self.length_s / 2


@dataclass(frozen=True)
class Acquisition:
    """One filled memory: what was sampled and when. The codes of all channels are computed when first asked for: of a
    single acquisition at the real clock before it is said to be complete, as a scope has them in its memory then.

    `step_s` is what truly passes from sample to sample, where the horizontal's is what the scope believes.
    """

    number: int
    seed: int
    start_s: float
    step_s: float
    horizontal: Horizontal
    adc: Adc
    channels: dict[int, ChannelSettings]
    traces: dict[int, Trace]

    @cached_property
    def codes(self) -> dict[int, RawCodes]:
        """Raw codes of every channel that was on."""
        rows = record(
            list(self.traces.values()),
            self.adc,
            self.start_s,
            self.step_s,
            self.horizontal.samples,
            (self.seed, self.number),
        )
        return dict(zip(self.traces, rows, strict=True))


@dataclass
class _Armed:
    """A single acquisition that is under way: when it ends, None while no trigger is in sight."""

    trigger_s: float | None = None
    timer: asyncio.TimerHandle | None = None


class Instrument:
    """One scope. All methods are called from the event loop's thread."""

    def __init__(
        self, adc: Adc, clock: Clock, seed: int, unit: Unit, divisions: int, channel_count: int = len(CHANNELS)
    ) -> None:
        self.channel_count = channel_count
        self.adc = adc
        self.clock = clock
        self.seed = seed
        self.unit = unit
        self.front = Front()
        self.acquisitions = 0
        self.memory: Acquisition | None = None
        self.running = True
        self.armed_at_s = 0.0
        self.switched_on_s = 0.0
        self.knobs_turned = False
        """V/div was turned while the record was held, whose preambles follow the knob."""
        self._divisions = divisions
        self._armed: _Armed | None = None
        self._idle = asyncio.Event()
        self._idle.set()
        self._then: list[Callable[[], None]] = []
        self._random = np.random.default_rng(seed)
        self.reset()

    def reset(self) -> None:
        """The factory settings: channel 1 on, free running."""
        self.channels = {channel: ChannelSettings(on=channel == 1) for channel in CHANNELS}
        self._traces: dict[int, Trace] = {}
        self.horizontal = Horizontal(self._divisions)
        self.trigger = Trigger()
        self._disarm()
        self.running = True

    # ------------------------------------------------------------------ settings

    def set_unit(self, unit: Unit) -> None:
        """Another state of the unit; an acquisition that waits looks again for its trigger.

        A unit that is to warm up otherwise than before has just been switched on.
        """
        if [unit.warm_up_of(role) for role in ROLES] != [self.unit.warm_up_of(role) for role in ROLES]:
            self.switched_on_s = self.clock.now_s()
        self.unit = unit
        self._traces.clear()
        self._look_again()

    def set_front(self, front: Front) -> None:
        """Another state of the bench."""
        self.front = front
        self._traces.clear()
        self._look_again()

    def set_channel(self, channel: int, **values: object) -> None:
        """Changes settings of one channel. A new probe ratio rescales the range, as scopes do."""
        before = self.channels[channel]
        probe = values.get("probe", before.probe)
        if isinstance(probe, float) and probe != before.probe:
            values.setdefault("volts_per_div", before.volts_per_div * probe / before.probe)
        self.channels[channel] = replace(before, **values)  # type: ignore[arg-type]
        self._traces.pop(channel, None)
        self._look_again()

    def set_horizontal(self, **values: float) -> None:
        """Changes settings of the time base."""
        self.horizontal = replace(self.horizontal, **values)  # type: ignore[arg-type]

    def set_trigger(self, **values: object) -> None:
        """Changes settings of the trigger."""
        self.trigger = replace(self.trigger, **values)  # type: ignore[arg-type]
        self._look_again()

    # ------------------------------------------------------------------ run control

    @property
    def switched_on_for_s(self) -> float:
        """How long the unit has been warming up."""
        return self.clock.now_s() - self.switched_on_s

    @property
    def armed(self) -> bool:
        """Whether a single acquisition is under way."""
        return self._armed is not None

    @property
    def waiting(self) -> bool:
        """Whether that has no trigger in sight yet."""
        return self._armed is not None and self._armed.trigger_s is None

    async def idle(self) -> None:
        """Returns when no single acquisition is under way."""
        await self._idle.wait()

    def when_idle(self, then: Callable[[], None]) -> None:
        """Calls `then` when no single acquisition is under way, at once if so."""
        if self._idle.is_set():
            then()
        else:
            self._then.append(then)

    def run(self) -> None:
        """Free running: every look at the memory finds another record."""
        self._disarm()
        self.running = True

    def stop(self) -> None:
        """Keeps the last record."""
        if self.running:
            self._refresh()
        self._disarm()
        self.running = False

    def single(self) -> None:
        """Arms one acquisition; `idle` returns when it is complete."""
        self._disarm()
        self.running = False
        self._armed = _Armed()
        self._idle.clear()
        if not self.clock.waits:  # the scene has gone on while nobody looked
            self.clock.advance_to(self.clock.now_s() + self._random.uniform(0.0, 0.02))
        self.armed_at_s = self.clock.now_s()
        self._look_again()

    def force(self) -> None:
        """Triggers now, if an acquisition waits."""
        if self._armed is not None and self._armed.trigger_s is None:
            self._schedule(self._earliest_trigger_s(self.clock.now_s()))

    def latest(self) -> Acquisition | None:
        """The record in memory; while running a fresh one."""
        if self.running:
            self._refresh()
        return self.memory

    # ------------------------------------------------------------------ what others do to it

    def forget(self) -> None:
        """Nothing is in the memory, as after switching on."""
        self.memory = None
        self.knobs_turned = False

    def turn_ranges(self, factor: float) -> None:
        """Somebody turns V/div of every channel; the record that is held is then described by the new range."""
        for channel, settings in self.channels.items():
            self.set_channel(channel, volts_per_div=settings.volts_per_div * factor)
        self.knobs_turned = True

    def meddle(self, turn: int) -> None:
        """One of the things that another client does, by its number."""
        match turn % 7:
            case 0:
                self.run()
            case 1 | 4:
                for channel, settings in self.channels.items():
                    factor = 2.0 if turn % 7 == 1 else 0.5
                    self.set_channel(channel, volts_per_div=settings.volts_per_div * factor)
            case 2:
                self.single()
            case 3:
                self.set_trigger(level_v=self.trigger.level_v + 0.05)
            case 5:
                self.set_channel(1, on=False)
            case 6:
                self.stop()

    # ------------------------------------------------------------------ inside

    def _disarm(self) -> None:
        if self._armed is not None and self._armed.timer is not None:
            self._armed.timer.cancel()
        self._armed = None
        self._settle()

    def _settle(self) -> None:
        self._idle.set()
        waiting, self._then = self._then, []
        for then in waiting:
            then()

    def _trace(self, channel: int) -> Trace:
        if channel not in self._traces:
            self._traces[channel] = trace(self.unit, self.front, channel, self.channels[channel], self.adc)
        return self._traces[channel]

    def _true_s(self, seconds: float) -> float:
        """What truly passes while the time base counts `seconds`."""
        return seconds * self.front.true_seconds

    def _find_trigger(self, after_s: float) -> float | None:
        source = self.channels[self.trigger.channel]
        middle = self.adc.middle + round(source.position_div * self.adc.codes_per_div)
        sign = -1.0 if source.inverted else 1.0
        level = middle + sign * self.trigger.level_v / source.volts_per_div * self.adc.codes_per_div
        seen = self._trace(self.trigger.channel).after(after_s - self.switched_on_s)
        return first_crossing(seen, level, self.trigger.rising, after_s)

    def _earliest_trigger_s(self, from_s: float) -> float:
        """The first instant a trigger may have when the memory starts to fill at `from_s`."""
        return from_s + self._true_s(max(-self.horizontal.first_s, 0.0))

    def _look_again(self) -> None:
        """Looks for the trigger of an acquisition that waits, from now on."""
        if self._armed is None or self._armed.trigger_s is not None:
            return
        now_s = self.clock.now_s()
        trigger_s = self._find_trigger(self._earliest_trigger_s(now_s))
        if trigger_s is not None:
            self._schedule(trigger_s)
        elif self.trigger.mode == "AUTO":
            self._schedule(self._earliest_trigger_s(now_s) + AUTO_WAIT_S)

    def _schedule(self, trigger_s: float) -> None:
        """Completes the acquisition when its memory is full."""
        if self._armed is None:
            return
        self._armed.trigger_s = trigger_s
        end_s = trigger_s + self._true_s(max(self.horizontal.first_s + self.horizontal.length_s, 0.0))
        wait_s = end_s - self.clock.now_s()
        if self.clock.waits and wait_s > 0:
            self._armed.timer = asyncio.get_running_loop().call_later(wait_s, self._complete)
        else:
            self.clock.advance_to(end_s)
            self._complete()

    def _complete(self) -> None:
        if self._armed is not None and self._armed.trigger_s is not None:
            acquired = self._fill(self._armed.trigger_s)
            if self.clock.waits:
                _ = acquired.codes
            self._armed = None
            self._settle()

    def _fill(self, trigger_s: float) -> Acquisition:
        """The memory around a trigger."""
        self.acquisitions += 1
        self.knobs_turned = False
        on = {channel: settings for channel, settings in self.channels.items() if settings.on}
        self.memory = Acquisition(
            number=self.acquisitions,
            seed=self.seed,
            start_s=trigger_s + self._true_s(self.horizontal.first_s) + self._random.normal(0.0, TRIGGER_JITTER_S),
            step_s=self._true_s(self.horizontal.step_s),
            horizontal=self.horizontal,
            adc=self.adc,
            channels=on,
            traces={channel: self._trace(channel).after(trigger_s - self.switched_on_s) for channel in on},
        )
        return self.memory

    def _refresh(self) -> None:
        """While running: the memory as the last trigger left it."""
        if not self.clock.waits:
            self.clock.advance_to(self.clock.now_s() + self._random.uniform(0.0, 0.02))
        after_s = self.clock.now_s()
        trigger_s = self._find_trigger(after_s)
        if trigger_s is not None:
            self._fill(trigger_s)
        elif self.trigger.mode == "AUTO":
            self._fill(after_s)
