"""Captures from a scope that only its user sets: nothing is changed, and what a level lacks is said.

The records of several channels are of one trigger only while the scope is stopped. A single channel is read from a
running scope too.
"""

import time
from collections.abc import Callable, Iterator

import numpy as np

from ...drivers.capture import Capture
from ...drivers.errors import InstrumentError
from ...drivers.links import CONNECT_TIMEOUT_S, TIMEOUT_S
from ...drivers.present_setup import ScopeSetup
from ...drivers.records import Record
from ...drivers.waiting import Clock
from ..acquisition import Note, NoTrigger, Task
from ..config import Setup
from ..measure.hookup import Hookup
from .reached_scope import ReachedScope, check_hookup, reach

SHORTEST_SPAN_S = 150e-6
"""Two whole lines of 15 kHz, wherever the record begins."""
LONGEST_STEP_S = 200e-9
"""Five million samples a second are the fewest that a level is measured with."""
LIMITER_MHZ = 20.0


def open_hands_off(
    resource: str,
    *,
    family: str | None = None,
    timeout_s: float = TIMEOUT_S,
    connect_timeout_s: float = CONNECT_TIMEOUT_S,
    now_ns: Callable[[], int] = time.time_ns,
) -> "HandsOffSource":
    """Open the scope to read what it is set to. Raises as `reach` does."""
    return HandsOffSource(
        reach(resource, family, Clock(), timeout_s=timeout_s, connect_timeout_s=connect_timeout_s), now_ns
    )


class HandsOffSource:
    """A scope as a Source that changes none of its settings, nor whether it runs."""

    def __init__(self, scope: ReachedScope, now_ns: Callable[[], int] = time.time_ns) -> None:
        self._scope = scope
        self._now_ns = now_ns
        self._hookup: Hookup | None = None
        self._notes: tuple[Note, ...] = ()
        self._last: Capture | None = None

    @property
    def identity(self) -> str:
        return self._scope.identity

    @property
    def resource(self) -> str | None:
        return self._scope.link.resource

    @property
    def notes(self) -> tuple[Note, ...]:
        return self._notes

    def check(self, hookup: Hookup) -> None:
        check_hookup(hookup, self._scope.driver, where=self._scope.link.resource)

    def configure(self, task: Task, setup: Setup) -> None:
        hookup = setup.conditions.hookup
        if not hookup.recorded.clips:
            raise InstrumentError(
                "no channel is clipped to anything", where=self._scope.link.resource, do="set the hookup"
            )
        self._hookup = hookup

    def capture(self, deadline_s: float) -> Capture | NoTrigger:
        if self._hookup is None:
            raise RuntimeError("configure comes before capture")
        present = self._scope.driver.read_setup()
        shown = tuple(
            name for name in self._hookup.recorded.channels if (channel := present.channel(name)) and channel.on
        )
        self._notes = tuple(lacking(present, self._hookup, shown))
        if not shown or (present.running and len(shown) > 1):
            return NoTrigger(0.0)
        record = self._scope.driver.fetch(shown)
        if record.seconds_per_sample > LONGEST_STEP_S:
            self._notes += (_too_coarse(record.seconds_per_sample),)
        return self._captured(record, present)

    def close(self) -> None:
        """Give the link back; the scope is as its user left it."""
        self._scope.link.close()

    def _captured(self, record: Record, present: ScopeSetup) -> Capture:
        """The record as a capture. A stopped scope gives the same one again: it keeps the time at which it was first seen."""
        again = self._last is not None and _same(record, self._last)
        captured_at_ns = self._last.captured_at_ns if again and self._last else self._now_ns()
        limited = all(channel.limiter for channel in present.channels if channel.on)
        self._last = Capture(
            channels=record.channels,
            seconds_per_sample=record.seconds_per_sample,
            first_sample_s=record.first_sample_s,
            identity=self._scope.identity,
            captured_at_ns=captured_at_ns,
            gain_spec=self._scope.gain_spec,
            bandwidth_mhz=LIMITER_MHZ if limited else None,
            triggered_by=present.trigger_source if present.falling and present.normal_mode else None,
        )
        return self._last


def lacking(present: ScopeSetup, hookup: Hookup, shown: tuple[str, ...]) -> Iterator[Note]:
    """What the scope's present set-up lacks for a level of every channel of the hookup; `shown` are switched on."""
    clips = hookup.recorded.clips
    off = [f"{clip.channel} ({clip.role})" for clip in clips if clip.channel not in shown]
    if off:
        yield Note("hands-off-channel-off", f"{' and '.join(off)} switched off on the scope", "switch it on there")
    if present.running and len(shown) > 1:
        text = "the scope runs, so that its channels would come from several triggers"
        yield Note("hands-off-running", text, "press Run/Stop or Single on the scope for a reading")
    for name in shown:
        channel = present.channel(name)
        if channel is not None and not channel.coupling.startswith("D"):
            text = f"{name} is coupled {channel.coupling} on the scope: blanking moves with the picture"
            yield Note("hands-off-coupling", text, "set its coupling to DC")
        if channel is not None and channel.inverted:
            yield Note("hands-off-inverted", f"{name} is inverted on the scope", "switch its inversion off")
    if present.span_s < SHORTEST_SPAN_S:
        text = (
            f"the scope's record lasts {present.span_s * 1e6:.3g} us; two whole lines take {SHORTEST_SPAN_S * 1e6:g} us"
        )
        yield Note("hands-off-span", text, "turn its time base to 20 us a division or slower")


def _too_coarse(seconds_per_sample: float) -> Note:
    text = (
        f"the scope samples every {seconds_per_sample * 1e9:.3g} ns; a level needs {LONGEST_STEP_S * 1e9:g} ns or less"
    )
    return Note("hands-off-rate", text, "turn its time base faster, or its memory longer")


def _same(record: Record, last: Capture) -> bool:
    return len(record.channels) == len(last.channels) and all(
        new.name == old.name and np.array_equal(new.codes, old.codes)
        for new, old in zip(record.channels, last.channels, strict=True)
    )
