"""Hands the newest of each kind to every viewer: one slot a viewer and kind, nothing queues, nobody waits for the slow."""

import asyncio
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from ..counting import FRAME_KINDS, ViewerTally
from ..measure.averaged_line import LineView
from ..measure.reading import Reading
from .frames import bench_frame, mark_frame, reading_frame, reading_json, status_frame
from .lease import ControlLease
from .schema import BenchObject
from .status import Problem, ScopeStatus

Payload = str | bytes
AtOnce = Callable[[Payload], bool]
"""Writes a frame to a connection without waiting; False where that would leave more on its way than the client has read."""
AT_ONCE = "peakwhite.at-once"
"""Under this name, as `write`, a connection offers it among its extensions."""

STATUS_EVERY_S = 2.0
FRESH_S = 3.0
"""A viewer that joins is not given an older reading: it would take it for new."""
KEPT_S = 2.0
"""So long a reading may be asked for after the scope has gone."""


@dataclass(frozen=True)
class Latest:
    """The newest reading, its encoding, and when it came on the monotonic clock."""

    reading: Reading
    json: str
    at_s: float


_ORDER = FRAME_KINDS


@dataclass(eq=False)
class Viewer:
    """One connection: its slots, what it asked for, since when the frame in hand is being sent, and the short way to it, if any."""

    slots: dict[str, Payload] = field(default_factory=dict)
    filled: asyncio.Event = field(default_factory=asyncio.Event)
    view: LineView | None = None
    token: str | None = None
    sending_since_s: float | None = None
    tally: ViewerTally = field(default_factory=ViewerTally)
    place: int = 0
    write: AtOnce | None = None

    def give(self, kind: str, payload: Payload) -> None:
        """Write it at once where nothing is on its way and the connection takes it, else let it wait."""
        idle = not self.slots and self.sending_since_s is None
        if idle and self.write is not None and self.write(payload):
            self.tally.sent[kind] += 1
        else:
            self.put(kind, payload)

    def put(self, kind: str, payload: Payload) -> None:
        """Replace what waits of this kind."""
        if kind in self.slots:
            self.tally.drop(kind, self.place)
        self.slots[kind] = payload
        self.filled.set()

    def forget(self, *kinds: str) -> None:
        """Send nothing of what waits of these kinds."""
        for kind in kinds:
            self.slots.pop(kind, None)

    async def take(self) -> Payload:
        """The next payload to send: status before bench before marks before readings before lines. Waits for one."""
        while not self.slots:
            self.filled.clear()
            await self.filled.wait()
        kind = min(self.slots, key=_ORDER.index)
        self.tally.sent[kind] += 1
        return self.slots.pop(kind)


class Hub:
    """From the acquisition thread to the viewers.

    `publish`, `publish_lines` and both `announce` may be called from any thread; everything else belongs to the loop's.
    """

    def __init__(self, lease: ControlLease, generation: Callable[[], int], now_s: Callable[[], float]) -> None:
        self.tally = ViewerTally()
        self._lease = lease
        self._generation = generation
        self._now_s = now_s
        self._loop: asyncio.AbstractEventLoop | None = None
        self._viewers: set[Viewer] = set()
        self._scope = ScopeStatus("absent", 0, "not started yet")
        self._problems: tuple[Problem, ...] = ()
        self._beside: dict[str, tuple[Problem, ...]] = {}
        self._bench: Callable[[], BenchObject] | None = None
        self._latest: Latest | None = None
        self._views: frozenset[LineView] = frozenset()
        self._lock = threading.Lock()
        self._waiting: dict[LineView | str, Payload] = {}

    # From any thread.

    def publish(self, reading: Reading) -> None:
        """Hand a new reading to all viewers, encoded once, here."""
        encoded = reading_json(reading)
        self._latest = Latest(reading, encoded, self._now_s())
        self._pass_on("reading", reading_frame(encoded))

    def publish_lines(self, view: LineView, payload: bytes) -> None:
        """Hand the averaged line to the viewers that asked for this view of it."""
        self._pass_on(view, payload)

    def announce(self, scope: ScopeStatus, problems: Sequence[Problem]) -> None:
        """Say how the scope is and what is wrong."""
        self._scope, self._problems = scope, tuple(problems)
        self._on_loop(self.tell_status)

    def announce_beside(self, part: str, problems: Sequence[Problem]) -> None:
        """Say what is wrong with a part beside the scope, nothing once all is well again."""
        with self._lock:
            self._beside = self._beside | {part: tuple(problems)}
        self._on_loop(self.tell_status)

    def tell_bench(self, bench: Callable[[], BenchObject]) -> None:
        """From now on say with every status what goes on at the bench: `bench` gives it."""
        self._bench = bench

    def bench_changed(self) -> None:
        """Something goes on at the bench that viewers are told at once."""
        self._on_loop(self.tell_status)

    @property
    def views_wanted(self) -> frozenset[LineView]:
        """Views of the averaged line that somebody asks for now."""
        return self._views

    @property
    def latest(self) -> Latest | None:
        """The newest reading, while it stands: made under the set-up in force, by a scope that is there or just was."""
        latest = self._latest
        if latest is None or latest.reading.setup != self._generation():
            return None
        gone = self._scope.state != "ready" and self._now_s() - latest.at_s > KEPT_S
        return None if gone else latest

    @property
    def scope(self) -> ScopeStatus:
        """How the scope is."""
        return self._scope

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What is wrong with the scope, or should be known of it."""
        return self._problems

    @property
    def all_problems(self) -> tuple[Problem, ...]:
        """What is wrong with the scope, and with every part beside it."""
        return (*self._problems, *(problem for part in self._beside.values() for problem in part))

    @property
    def viewers(self) -> int:
        """How many look on now."""
        return len(self._viewers)

    # On the loop.

    def attach(self) -> None:
        """Begin to hand out on the running loop."""
        self._loop = asyncio.get_running_loop()

    async def beat(self) -> None:
        """Repeat the status every two seconds, for ever."""
        while True:
            await asyncio.sleep(STATUS_EVERY_S)
            self.tell_status()

    def join(self) -> Viewer:
        """A new viewer, with the present status waiting for it, and the newest reading where it is fresh."""
        viewer = Viewer(tally=self.tally, place=self.tally.take_place())
        self._viewers.add(viewer)
        latest = self.latest
        if latest is not None and self._scope.state == "ready" and self._now_s() - latest.at_s <= FRESH_S:
            viewer.put("reading", reading_frame(latest.json))
        self.tell_status()
        return viewer

    def leave(self, viewer: Viewer) -> None:
        """The viewer is gone."""
        self._viewers.discard(viewer)
        self.tally.give_back(viewer.place)
        if viewer.token is not None:
            self._lease.leave(viewer.token)
        self._count_views()
        self.tell_status()

    def ask_lines(self, viewer: Viewer, view: LineView | None) -> None:
        """From now on send this viewer that view of the averaged line; None ends it."""
        viewer.view = view
        viewer.forget("lines")
        self._count_views()

    def claim_control(self, viewer: Viewer, token: str) -> None:
        """This viewer says that it belongs to the holder of control."""
        if viewer.token is not None:
            self._lease.leave(viewer.token)
        viewer.token = token if self._lease.arrive(token) else None
        self.tell_status()

    def setup_changed(self) -> None:
        """Another set-up is in force: what waits was made under the old one and is not sent any more."""
        for viewer in self._viewers:
            viewer.forget("reading", "lines")
        self.tell_status()

    def tell_mark(self, mark_id: int) -> None:
        """A mark is in the book: say so to all viewers."""
        payload = mark_frame(mark_id)
        for viewer in self._viewers:
            viewer.put("mark", payload)

    def tell_status(self) -> None:
        """Put the present status into every viewer's slot, encoded at most twice: for the holder and for the others."""
        texts: dict[bool, str] = {}
        for viewer in self._viewers:
            mine = self._lease.is_held_by(viewer.token)
            if mine not in texts:
                texts[mine] = self._status_text(mine)
            viewer.put("status", texts[mine])
        if self._bench is not None and self._viewers:
            frame = bench_frame(self._bench())
            for viewer in self._viewers:
                viewer.put("bench", frame)

    def _status_text(self, mine: bool) -> str:
        return status_frame(
            scope=self._scope,
            problems=self.all_problems,
            holder=self._lease.holder,
            mine=mine,
            viewers=len(self._viewers),
            setup=self._generation(),
        )

    def _count_views(self) -> None:
        self._views = frozenset(viewer.view for viewer in self._viewers if viewer.view)

    def _pass_on(self, key: LineView | str, payload: Payload) -> None:
        """Leave a payload for the loop; only the first since it last looked wakes it."""
        with self._lock:
            wake = not self._waiting
            self.tally.overtaken += key == "reading" and key in self._waiting
            self._waiting[key] = payload
        if wake and not self._on_loop(self._hand_out):
            with self._lock:
                self._waiting.clear()

    def _hand_out(self) -> None:
        with self._lock:
            waiting, self._waiting = self._waiting, {}
        if self.latest is None:  # made under another set-up meanwhile
            waiting.pop("reading", None)
        for key, payload in waiting.items():
            for viewer in self._viewers:
                if key == "reading":
                    viewer.give("reading", payload)
                elif key == viewer.view:
                    viewer.put("lines", payload)

    def _on_loop(self, action: Callable[[], None]) -> bool:
        """Run on the loop soon. False where there is no loop (any longer): then there are no viewers either."""
        loop = self._loop
        if loop is None or loop.is_closed():
            return False
        try:
            loop.call_soon_threadsafe(action)
        except RuntimeError:  # closed since we looked
            return False
        return True
