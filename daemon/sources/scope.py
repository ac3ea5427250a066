"""Captures from an oscilloscope, through the driver of its family.

A record is believed where nobody else turned anything: what the scope answers about ranges and time base after the record
has been fetched is what it answered before the record was taken, and it is still stopped. So the preamble belongs to the
codes, whichever of both a model lets follow its knobs. Another record is withheld and the scope set up anew.
"""

import time
from collections.abc import Callable
from dataclasses import replace

from ...drivers.capture import EXT, FORCED, Capture, GainSpec
from ...drivers.errors import InstrumentError, LinkLost, SettingsTurned
from ...drivers.family import Driver, Plan
from ...drivers.links import CONNECT_TIMEOUT_S, TIMEOUT_S, Link, identify
from ...drivers.records import Record
from ...drivers.replies import short
from ...drivers.waiting import Clock
from ..acquisition import Note, NoTrigger, Task
from ..config import Setup
from ..measure.hookup import Hookup
from ..measure.targets import Conditions
from .reached_scope import check_hookup, reach
from .scope_plan import FIRST_TRIGGER_V, channel_plans, on_screen_v, trigger_clip, trigger_level_v
from .scope_ranges import Ranges
from .users_setup import UsersSetup

TRIGGER_WAIT_S = 0.1
"""Two lines take 128 us at most: whatever has not triggered by then will not."""
FORCE_WAIT_S = 0.5
SPAN_S = {Task.LEVELS: 500e-6, Task.FIELD: 42e-3, Task.EDGE: 150e-6}
"""Seven or eight lines; two fields of 50 Hz and a little, so that two vertical syncs are always in it; two whole lines."""
POINTS = {Task.LEVELS: 10_000, Task.FIELD: 250_000, Task.EDGE: 150_000}
"""For edges a billion samples a second, or what the scope has. Ten thousand for levels is a step of many memories."""
ENOUGH_HZ, COMPOSITE_ENOUGH_HZ = 10e6, 20e6
"""For levels: ten samples in the shortest flat that counts, 1 us, and behind the limiter more tell little; on composite
four a cycle of any subcarrier. Memories of few steps would else be five times as long as need be."""
COMPOSITE_FIELD_POINTS = 1_000_000
"""Five samples a subcarrier cycle over a field record."""
BANDWIDTH_MHZ = 20.0
"""The limiter is on but for edges: levels want no more, and with less noise their uncertainty is smaller."""
DISTURBED = Note(
    "scope-disturbed",
    "the scope's settings were changed on its panel or by another program, and were set again; that capture was withheld",
    "leave its knobs alone while Peakwhite sets it, or start with --hands-off and set it by hand",
)
DISTURBED_FOR_S = 10.0
"""So long it is told."""
EXT_LEVELS_V = (FIRST_TRIGGER_V, 1.0)
"""What is tried in turn on EXT, which no record shows: below blanking for a 75-ohm sync, the middle of a TTL one."""


def open_scope(
    resource: str,
    *,
    family: str | None = None,
    timeout_s: float = TIMEOUT_S,
    connect_timeout_s: float = CONNECT_TIMEOUT_S,
    clock: Clock | None = None,
    now_ns: Callable[[], int] = time.time_ns,
    users: UsersSetup | None = None,
) -> "ScopeSource":
    """Open the scope and find its driver, by its identity or by the name of a family that is forced on it.

    The set-up that it has is read before it is first configured, and given back when the source is closed. `users` keeps
    it over several openings of the same scope; None: for this one.
    Raises MalformedResource, UsageError for an unknown family, UnknownInstrument, LinkError, ReplyError.
    """
    clock = clock or Clock()
    scope = reach(resource, family, clock, timeout_s=timeout_s, connect_timeout_s=connect_timeout_s)
    return ScopeSource(scope.link, scope.identity, scope.driver, scope.gain_spec, now_ns, clock.now, users)


class ScopeSource:
    """An open scope as a Source.

    LEVELS asks for 10 000 points over 500 us, FIELD for 250 000 over 42 ms (a million where composite is in the hookup),
    EDGE for 150 000 over 150 us without the limiter; a family with fixed memory gives what it has.
    With 2500 points a FIELD capture lies far below the sample rate that finds a line sync: such a scope has levels only.
    """

    def __init__(
        self,
        link: Link,
        identity: str,
        driver: Driver,
        gain_spec: GainSpec | None,
        now_ns: Callable[[], int],
        now_s: Callable[[], float] = time.monotonic,
        users: UsersSetup | None = None,
    ) -> None:
        self._link = link
        self._identity = identity
        self._driver = driver
        self._gain_spec = gain_spec
        self._now_ns = now_ns
        self._task = Task.LEVELS
        self._setup: Setup | None = None
        self._recorded: Conditions | None = None
        self._now_s = now_s
        self._users = UsersSetup() if users is None else users
        self._ranges = self._no_ranges()
        self._trigger_v = FIRST_TRIGGER_V
        self._configured: Plan | None = None
        self._configured_for: tuple[object, ...] = ()
        self._watched: tuple[str, ...] = ()
        self._odd: tuple[str, ...] | None = None
        self._disturbed_s: float | None = None

    @property
    def identity(self) -> str:
        return self._identity

    @property
    def resource(self) -> str | None:
        return self._link.resource

    @property
    def notes(self) -> tuple[Note, ...]:
        if self._recorded is None:
            return ()
        lately = self._disturbed_s is not None and self._now_s() - self._disturbed_s < DISTURBED_FOR_S
        return (*((DISTURBED,) if lately else ()), *self._ranges.notes(self._recorded))

    def check(self, hookup: Hookup) -> None:
        check_hookup(hookup, self._driver, where=self._link.resource)

    def configure(self, task: Task, setup: Setup) -> None:
        hookup = setup.conditions.hookup
        if not hookup.recorded.clips:
            raise InstrumentError("no channel is clipped to anything", where=self._link.resource, do="set the hookup")
        if self._setup is not None:
            self._must_answer_as_at_first()
        if self._setup is None or self._setup.conditions.hookup != hookup:
            self._ranges = self._no_ranges()
            self._trigger_v = FIRST_TRIGGER_V / trigger_clip(hookup).probe_ratio
        self._task, self._setup, self._configured = task, setup, None
        self._recorded = replace(setup.conditions, hookup=hookup.recorded)
        self._bring_up_to_date(setup, self._recorded)

    def capture(self, deadline_s: float) -> Capture | NoTrigger:
        if self._setup is None or self._recorded is None:
            raise RuntimeError("configure comes before capture")
        setup = self._setup
        self._bring_up_to_date(setup, self._recorded)
        triggered = self._driver.acquire(min(TRIGGER_WAIT_S, deadline_s))
        if not triggered and not self._driver.force(FORCE_WAIT_S):
            self._must_answer_as_at_first()
            return NoTrigger(TRIGGER_WAIT_S + FORCE_WAIT_S)
        captured_at_ns, complete_s = self._now_ns(), self._now_s()
        trigger = trigger_clip(setup.conditions.hookup).channel
        if trigger == EXT and not triggered:
            self._trigger_v = next(level_v for level_v in EXT_LEVELS_V if level_v != self._trigger_v)
        record = self._fetched(setup)
        if record is None:
            return NoTrigger(0.0, disturbed=True)
        fetch_ms = 1e3 * (self._now_s() - complete_s)
        self._learn(record, setup, self._recorded)
        return Capture(
            channels=record.channels,
            seconds_per_sample=record.seconds_per_sample,
            first_sample_s=record.first_sample_s,
            identity=self._identity,
            captured_at_ns=captured_at_ns,
            gain_spec=self._gain_spec,
            bandwidth_mhz=None if self._task is Task.EDGE else BANDWIDTH_MHZ,
            triggered_by=trigger if triggered else FORCED,
            fetch_ms=fetch_ms,
        )

    def close(self) -> None:
        """Give the scope back to its user, as far as it still listens, and the link.

        What could not be given back over a broken link is still kept by `users`.
        """
        self._users.give_back(self._identity, self._driver)
        self._link.close()

    def _bring_up_to_date(self, setup: Setup, recorded: Conditions) -> None:
        """Configure the scope where what was learned since asks for another range or trigger level."""
        learnt = (self._ranges.own, self._trigger_v)
        if self._configured is not None and learnt == self._configured_for:
            return
        self._configured_for = learnt
        channels = channel_plans(recorded, self._ranges.own)
        trigger_channel = trigger_clip(setup.conditions.hookup).channel
        plan = Plan(
            channels=channels,
            trigger_channel=trigger_channel,
            trigger_level_v=on_screen_v(self._trigger_v, trigger_channel, channels),
            span_s=SPAN_S[self._task],
            points=self._points(setup),
            limiter=self._task is not Task.EDGE,
            enough_hz=self._enough_hz(setup),
        )
        if plan != self._configured:
            self._configured = None
            self._users.remember(self._identity, self._driver)
            self._driver.configure(plan)
            self._watched = self._driver.watched(setup.conditions.hookup.recorded.channels)
            self._configured = plan

    def _fetched(self, setup: Setup) -> Record | None:
        """The record, None where it is to be withheld. Raises InstrumentError."""
        try:
            record = self._driver.fetch(setup.conditions.hookup.recorded.channels)
        except SettingsTurned:
            self._disturbed_s, self._configured = self._now_s(), None
            return None
        return None if self._was_disturbed(setup) else record

    def _was_disturbed(self, setup: Setup) -> bool:
        """Whether somebody else changed something since the scope was set up or the last record was believed.

        It is then set up anew. Where the same answers stand there again right after that, they are what the next record
        has to keep: some setting may answer otherwise once it is in force.
        """
        watched, stopped = self._driver.watched(setup.conditions.hookup.recorded.channels), self._driver.is_stopped()
        if stopped and watched == self._watched:
            self._odd = None
            return False
        self._disturbed_s = self._now_s()
        if stopped and watched == self._odd:
            self._watched = watched
        else:
            self._odd, self._configured = watched, None
        return True

    def _no_ranges(self) -> Ranges:
        return Ranges(self._driver.abilities.offset_divisions)

    def _must_answer_as_at_first(self) -> None:
        """Raises LinkLost where another instrument answers than at first: what is known of that one is not true of this.

        So it does where the link's answers have slipped behind their questions, by which a capture might never end.
        """
        identity = identify(self._link)
        if identity != self._identity:
            slipped = "" if "," in identity else ", or an answer to another question comes"
            what = f"another instrument answers{slipped}: {short(identity)}"
            raise LinkLost(what, where=self._link.resource, do="nothing if that is meant, it is taken up by itself")

    def _points(self, setup: Setup) -> int:
        return COMPOSITE_FIELD_POINTS if _carries_colour(setup) and self._task is Task.FIELD else POINTS[self._task]

    def _enough_hz(self, setup: Setup) -> float | None:
        if self._task is not Task.LEVELS:
            return None
        return COMPOSITE_ENOUGH_HZ if _carries_colour(setup) else ENOUGH_HZ

    def _learn(self, record: Record, setup: Setup, recorded: Conditions) -> None:
        """What the next capture can do better: ranges that hold the signal, a trigger level that fits."""
        hookup = setup.conditions.hookup
        self._ranges.learn(record.channels, recorded, self._now_s())
        trigger = trigger_clip(hookup)
        if trigger.channel != EXT:
            channel = record.channels[hookup.recorded.channels.index(trigger.channel)]
            self._trigger_v = trigger_level_v(channel, record.seconds_per_sample, trigger.role, self._trigger_v)


def _carries_colour(setup: Setup) -> bool:
    return setup.conditions.hookup.of_role("composite") is not None
