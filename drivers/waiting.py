"""Waiting for an instrument: how often to ask, when to believe, when to give up."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Progress = Literal["stopped", "waiting", "busy"]
"""How an acquisition stands: over, without a trigger so far, or anything else."""

POLL_S = 0.005


@dataclass(frozen=True)
class Clock:
    """Time as a driver uses it, in seconds; tests pass their own."""

    now: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


def settles(
    done: Callable[[], bool], clock: Clock, *, wait_s: float, pause_s: float = POLL_S, longest_s: float = POLL_S
) -> bool:
    """Ask until it is done, or for the last time after `wait_s`; pauses double from `pause_s` up to `longest_s`."""
    end_s = clock.now() + wait_s
    while not done():
        left_s = end_s - clock.now()
        if left_s <= 0.0:
            return False
        clock.sleep(min(pause_s, left_s))
        pause_s = min(2 * pause_s, longest_s)
    return True


def stops_anew(
    progress: Callable[[], Progress], clock: Clock, *, old_stop_s: float, record_s: float, trigger_wait_s: float
) -> bool:
    """Whether the acquisition that was armed just now completes, by a state that lags behind arming.

    "stopped" may still be the acquisition before: it is believed once another state was seen, or `old_stop_s` and the
    record's duration have passed. False when no trigger came within `trigger_wait_s`.
    """
    armed_s = clock.now()
    trusted_s = armed_s + old_stop_s + record_s
    seen_other = False
    while True:
        state = progress()
        if state == "stopped" and (seen_other or clock.now() >= trusted_s):
            return True
        seen_other = seen_other or state != "stopped"
        if state == "waiting" and clock.now() - armed_s >= trigger_wait_s:
            return False
        if clock.now() >= trusted_s + trigger_wait_s:
            return False
        clock.sleep(POLL_S)


class ArmedRun:
    """Whether the acquisition that was armed last is complete, by a run flag that lags behind arming.

    A cleared flag may still be that of the acquisition before: it is believed once it was seen set, or once `triggered`,
    which latches and is cleared before arming, has told of a trigger and the record's duration has passed since.
    """

    def __init__(self, running: Callable[[], bool], triggered: Callable[[], bool], clock: Clock) -> None:
        self._running = running
        self._triggered = triggered
        self._clock = clock
        self.arm(0.0)

    def arm(self, record_s: float) -> None:
        """An acquisition of that duration is about to be armed."""
        self._record_s = record_s
        self._ran = False

    def complete(self) -> bool:
        """Asks once."""
        if self._running():
            self._ran = True
            return False
        if self._ran:
            return True
        if not self._triggered():
            return False
        self._ran = True
        if self._record_s > 0.0:
            self._clock.sleep(self._record_s)
        return not self._running()
