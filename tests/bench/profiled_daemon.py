"""The daemon as it is, but that it counts the processor time of a reading's stages, and asks for as many samples a channel as
its second argument says. It writes what it counted to its first argument when it ends; SIGUSR1 begins anew.

`python -m tests.bench.profiled_daemon FILE 10000 serve --config …`
"""

import functools
import json
import signal
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from importlib import import_module
from operator import attrgetter
from pathlib import Path
from typing import Any

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.cli import main
from peakwhite.daemon.sources import scope

STAGES = {
    "trigger": "drivers.tektronix:TektronixDriver.acquire",
    "records": "drivers.tektronix:TektronixDriver.fetch",
    "watched": "drivers.scpi_driver:ScpiDriver.watched",
    "ranges and trigger learnt": "daemon.sources.scope:ScopeSource._learn",
    "scope plan, rest of fetch": "daemon.sources.scope:ScopeSource.capture",
    "sync": "daemon.measure.engine:find_sync",
    "lines, flats, levels": "daemon.measure.channels:measure_levels",
    "budget, verdict": "daemon.measure.channels:Measuring._judged",
    "other of a channel": "daemon.measure.channels:Measuring.channels",
    "bars": "daemon.measure.engine:roles_by_bars",
    "swapped probes": "daemon.measure.engine:swapped_channels",
    "limiter": "daemon.measure.engine:limited_channels",
    "match": "daemon.measure.engine:match",
    "rest of measure": "daemon.compose:measure_capture",
    "held and highest": "daemon.acquisition.session:Session._measure",
    "encode": "daemon.live.hub:reading_json",
    "publish": "daemon.live.hub:Hub.publish",
    "marks, log, watch": "daemon.compose:Parts.on_reading",
    "lines asked for": "daemon.compose:lines_of",
    "rest of a step": "daemon.acquisition.session:Session.step",
}
"""Stages by the function that does it. What a stage spends in another counts there alone."""
PART = {
    "fetch": ("trigger", "records", "watched", "ranges and trigger learnt", "scope plan, rest of fetch"),
    "measure": (
        *("sync", "lines, flats, levels", "budget, verdict", "other of a channel", "bars", "swapped probes", "limiter"),
        *("match", "rest of measure"),
    ),
    "keep": ("held and highest", "marks, log, watch", "rest of a step"),
    "publish": ("encode", "publish", "lines asked for"),
}
"""What the stages are parts of; the loop's thread and what is left are added as `send` and `else`."""
COUNTED = "encode"
"""Called once a reading."""


class Spent:
    """Processor time by stage, in ns, of whatever thread."""

    def __init__(self) -> None:
        self._own = threading.local()
        self.begin()

    def begin(self) -> None:
        """Count anew; on the main thread."""
        self._ns: Counter[str] = Counter()
        self._calls: Counter[str] = Counter()
        self._process_ns, self._loop_ns = time.process_time_ns(), time.thread_time_ns()

    def counted(self, stage: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """`work`, whose time counts for that stage, less what other stages spend within it."""

        @functools.wraps(work)
        def timed(*arguments: Any, **named: Any) -> Any:
            outside_ns = getattr(self._own, "within_ns", 0)
            self._own.within_ns = 0
            began_ns = time.thread_time_ns()
            try:
                return work(*arguments, **named)
            finally:
                took_ns = time.thread_time_ns() - began_ns
                self._ns[stage] += took_ns - self._own.within_ns
                self._calls[stage] += 1
                self._own.within_ns = outside_ns + took_ns

        return timed

    def ms_per_reading(self) -> dict[str, float]:
        """Of each stage, of the loop's thread and of all else; on the main thread."""
        loop_ns = time.thread_time_ns() - self._loop_ns
        rest_ns = time.process_time_ns() - self._process_ns - loop_ns - self._ns.total()
        readings = max(self._calls[COUNTED], 1)
        every = {stage: self._ns[stage] for stage in STAGES} | {"the loop's thread": loop_ns, "other threads": rest_ns}
        return {stage: spent_ns / 1e6 / readings for stage, spent_ns in every.items()} | {"readings": readings}


def count_stages(spent: Spent) -> None:
    """Put the counting about the functions of STAGES."""
    for stage, place in STAGES.items():
        module, _, name = place.partition(":")
        owner: Any = import_module(f"peakwhite.{module}")
        *path, last = name.split(".")
        owner = attrgetter(".".join(path))(owner) if path else owner
        setattr(owner, last, spent.counted(stage, getattr(owner, last)))


if __name__ == "__main__":
    into, samples = Path(sys.argv.pop(1)), int(sys.argv.pop(1))
    if samples > scope.POINTS[Task.LEVELS]:
        scope.POINTS = scope.POINTS | {Task.LEVELS: samples}
        scope.ENOUGH_HZ = 1e9
    counting = Spent()
    count_stages(counting)
    signal.signal(signal.SIGUSR1, lambda number, frame: counting.begin())
    try:
        main()
    finally:
        into.write_text(json.dumps(counting.ms_per_reading()))
