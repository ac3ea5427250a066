"""The composition root: puts the daemon together and runs it. `serve` and `demo` differ in source and trimmers only."""

import asyncio
import contextlib
import logging
import os
import secrets
import socket
import time
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed_version

from ..drivers.capture import Capture
from ..drivers.errors import UsageError
from ..drivers.families import family_named
from ..drivers.links import parse_resource
from .access import Admission
from .access.outside import outside
from .access.reach import refuse_without_token, url_here, url_on_network
from .acquisition import Acquisition, Job, Source, Suspicions
from .book import BookKeeper, BookPlace, Marking, PresentStage
from .book_in_use import book_place, temporary_book
from .calibrations import StoredCalibrations
from .config import Setup, SetupInForce
from .config.complaints import Complaint
from .config.keys import KeyPath
from .config.live_changes import WATCH, changed_setup
from .config.model import BookTable, HttpTable, ScopeTable
from .config.settings import Load, Settings, default_path
from .connections import Door
from .counting import CaptureTally, ConnectionTally, Tallies
from .demo import SimulatedScope
from .http.app import create_app
from .http.cautions import cautions_for_terminal
from .http.pages import PAGE
from .http.services import Services, Trimmers
from .keeping import Bench, Keeping, KeepingSettings
from .last_good import LastGood
from .live import ControlLease, Hub, ScopeStatus
from .live.lines import lines_of
from .logs import LogLines, logging_to_stderr
from .measure.engine import measure_capture
from .measure.hookup import Hookup
from .measure.reading import Reading
from .notify import ServiceManager
from .places import state_folder
from .procedures import Procedures
from .recalibration import Recalibration
from .scanning import scan
from .serving import Server, address_up, ending, hosts_of, listen, on_hangup
from .settings_in_force import SettingsInForce
from .sources.borrowed_scope import BorrowedScope, borrowed_scope
from .sources.scope import open_scope
from .surroundings import Surroundings

RESTART_S = 1.0
"""Between a defect of ours and the next attempt."""

NOT_KEPT = "peakwhite: what the demo keeps is gone when it ends; give --book FILE to keep it"

log = logging.getLogger(__name__)

ABSENT = ScopeStatus(
    "absent",
    time.time_ns(),
    "no scope is named",
    "start with --scope RESOURCE, or put resource under [scope] in the settings file",
)


@dataclass(frozen=True)
class Origin:
    """Where captures come from: how to open it, what to call it until then, and whose it is, where it is somebody's."""

    open_source: Callable[[], Source]
    where: str
    borrowed: BorrowedScope | None = None


def serve(load: Load, *, book: str | None = None, browser: bool = True) -> int:
    """Run the daemon on a real scope until SIGINT or SIGTERM; gives the exit status. `load` gives the settings, also anew.

    Without a scope the page is up and says how to name one. As a service it starts by the settings that last were in order
    where those of the file are not.
    Raises MalformedResource, UsageError, PortTaken, BookInUse, BookNewer before anything has started.
    """
    last_good = LastGood.of(os.environ)
    settings = last_good.settings(load, check)
    origin = _origin(settings.tables.scope)
    place, notice = book_place(settings, book), cautions_for_terminal()
    return _run(settings, load, last_good, origin, None, place, notice, browser)


def check(settings: Settings) -> Iterator[Complaint]:
    """What `serve` would refuse to start with."""
    tables = settings.tables
    book = tables.book.place if ("book", "place") in settings.options else None
    uses: dict[KeyPath, Callable[[], object]] = {
        ("scope", "family"): lambda: tables.scope.family and family_named(tables.scope.family),
        ("scope", "resource"): lambda: tables.scope.resource and parse_resource(tables.scope.resource),
        ("book", "place"): lambda: book_place(settings, book),
        ("http", "host"): lambda: _refuse_open_door(tables.http),
    }
    for path, use in uses.items():
        try:
            use()
        except UsageError as error:
            yield Complaint(path, f"cannot be: {error.what}, {error.do}")


def demo(settings: Settings, *, load: Load, book: str | None = None, browser: bool = True) -> int:
    """Run the daemon on the simulated scope until SIGINT or SIGTERM; gives the exit status. Raises UsageError, PortTaken.

    Unless a book is given, what is kept goes to a temporary one: a demo fills nobody's own.
    """
    simulated = SimulatedScope()
    origin = Origin(lambda: open_scope(simulated.resource), "the simulated scope")
    with contextlib.ExitStack() as stack:
        place = stack.enter_context(temporary_book()) if book is None else book_place(settings, book)
        notice = NOT_KEPT if book is None else ""
        return _run(settings, load, LastGood(None), origin, simulated, place, notice, browser)


def _origin(table: ScopeTable) -> Origin | None:
    """The scope of that name, None where none is named. Raises MalformedResource, UsageError for an unknown family."""
    resource, family = table.resource, table.family
    if family is not None:
        family_named(family)
    if resource is None:
        return None
    parse_resource(resource)
    borrowed = borrowed_scope(table, resource, family=family, hands_off=table.hands_off, tell=log.warning)
    return Origin(borrowed.open, resource, borrowed)


def _run(
    settings: Settings,
    load: Load,
    last_good: LastGood,
    origin: Origin | None,
    simulated: SimulatedScope | None,
    place: BookPlace,
    notice: str,
    browser: bool,
) -> int:
    """Run until the server ends. `notice` is for the terminal, once nothing stands in the way of starting."""
    http = settings.tables.http
    _refuse_open_door(http)
    stored = StoredCalibrations()
    setup = _setup_of(settings, stored)
    with contextlib.ExitStack() as stack:
        lines = stack.enter_context(logging_to_stderr(settings.tables.log.format, settings.tables.log.level))
        listening = stack.enter_context(listen(http.host, http.port))
        parts = Parts(settings, load, last_good, setup, stored, origin, simulated, listening, place, lines)
        if on_network := url_on_network(http.host, parts.port):
            log.info("on the network at %s", on_network)
        lines.say(notice)
        manager = ServiceManager.of(os.environ)
        server = Server(parts.app, Door(parts.connections), lambda: _up(parts, manager, browser), manager.stopping)
        stack.enter_context(ending(server))
        stack.callback(parts.end_keeping)
        parts.keeper.start()
        if simulated is not None:
            stack.callback(simulated.close)
            simulated.start()
        if origin is not None and parts.acquisition is not None:
            stack.callback(_stop, parts.acquisition, origin)
            parts.acquisition.start()
        if last_good.mistake is None:
            last_good.keep(settings)
        else:
            parts.settings.refused(last_good.mistake)
        asyncio.run(_serve(server, listening, parts, manager))
    return 0


def _up(parts: "Parts", manager: ServiceManager, browser: bool) -> None:
    """The page is up: say so to whoever started the daemon."""
    address_up(parts.url, browser)
    manager.ready(parts.status())


def _refuse_open_door(http: HttpTable) -> None:
    """Raises UsageError where others could reach the daemon and nobody has an access token."""
    refuse_without_token(
        state_folder(), http.host, trusts_loopback=http.trust_loopback, has_other_addresses=bool(http.addresses)
    )


def _stop(acquisition: Acquisition, origin: Origin) -> None:
    """End acquisition, and say where its scope has not got back the set-up that its user had."""
    acquisition.stop()
    if origin.borrowed is not None and origin.borrowed.not_given_back is not None:
        log.error(origin.borrowed.not_given_back)


def _setup_of(settings: Settings, stored: StoredCalibrations) -> Setup:
    """The set-up to start with, calibrations included. Raises UnreadableInput for a damaged file of them."""
    setup = settings.setup()
    return replace(setup, conditions=replace(setup.conditions, calibrations=stored.load()))


async def _serve(server: Server, listening: socket.socket, parts: "Parts", manager: ServiceManager) -> None:
    """Serve until the server ends; meanwhile take up calibrations, the stage that is chosen, and tokens that are revoked, watch
    disk and clock, and say that all goes on."""
    watch = partial(manager.follow, (lambda: parts.captures.beat_age_s(time.monotonic()),), parts.status)
    follows: tuple[Callable[[], Awaitable[None]], ...] = (
        *(parts.recalibration.follow, parts.bench.follow, parts.admission.follow, parts.surroundings.follow),
        watch,
    )
    followed = [asyncio.create_task(_for_ever(one)) for one in follows]
    try:
        with on_hangup(parts.settings.on_signal, server):
            await server.serve(sockets=[listening])
    finally:
        for one in followed:
            one.cancel()
        await asyncio.gather(*followed, return_exceptions=True)


async def _for_ever(follow: Callable[[], Awaitable[None]]) -> None:
    """What goes on beside the server until that ends, begun anew where a defect of ours ends it."""
    told = ""
    while True:
        try:
            await follow()
        except Exception as error:
            if told != (told := repr(error)):
                log.exception("begun anew")
            await asyncio.sleep(RESTART_S)


class Parts:
    """The parts of one run, joined."""

    def __init__(
        self,
        settings: Settings,
        load: Load,
        last_good: LastGood,
        setup: Setup,
        stored: StoredCalibrations,
        origin: Origin | None,
        trimmers: Trimmers | None,
        listening: socket.socket,
        place: BookPlace,
        lines: LogLines,
    ) -> None:
        book, http = settings.tables.book, settings.tables.http
        in_force = SetupInForce(setup)
        lease = ControlLease(time.monotonic)
        hub = Hub(lease, lambda: in_force.current.generation, time.monotonic)
        self.recalibration = Recalibration(stored, in_force, hub)
        suspicions = Suspicions()
        self.procedures = Procedures(in_force, hub, self.recalibration.look, on_loads_tested=suspicions.forget)
        run = secrets.token_hex(2)
        host, self.port = listening.getsockname()[:2]
        self.url = url_here(host, self.port)
        self.admission = Admission(state_folder(), trusts_loopback=http.trust_loopback, session_days=http.session_days)
        self.keeper = BookKeeper(
            place, run, bench=book.bench, tell=lambda problems: hub.announce_beside("book", problems), address=self.url
        )
        self.keeping = Keeping(
            self.keeper,
            in_force,
            _keeping_settings(book),
            tell=lambda problems: hub.announce_beside("bench", problems),
            changed=hub.bench_changed,
        )
        self.marking = Marking(
            self.keeper,
            PresentStage(place),
            in_force,
            warmth=lambda: self.keeping.warmth(self.keeping.now()).of_mark,
            may_keep=self.keeping.may_keep,
        )
        self.bench = Bench(self.keeping, self.marking, hub.bench_changed)
        hub.tell_bench(self.bench.object)
        self.settings = SettingsInForce(
            settings,
            load,
            check,
            put_in_force=partial(_put_in_force, in_force, hub, self.bench),
            tell=lambda problems: hub.announce_beside("settings", problems),
            keep=last_good.keep,
            locked=None if trimmers is None else _locked_in_demo(settings),
        )
        self.disk = None if place.path is None else place.path.parent
        self.surroundings = Surroundings(hub, self.disk)
        self.acquisition: Acquisition | None = None
        self.captures = CaptureTally()
        self.connections = ConnectionTally()
        self.status: Callable[[], str] = lambda: f"{self.url} {hub.scope.state}: {hub.scope.text}"
        if origin is None:
            hub.announce(ABSENT, ())
        else:
            job = Job(
                measure_capture,
                lines_of,
                in_force,
                hub,
                run,
                suspicions=suspicions,
                on_reading=self.on_reading,
                on_scope=self.keeping.on_scope,
                tally=self.captures,
            )
            at_end = None if origin.borrowed is None else origin.borrowed.give_back
            self.acquisition = Acquisition(origin.open_source, origin.where, job, at_end=at_end)
        self.app = create_app(
            Services(
                hub=hub,
                lease=lease,
                setup=in_force,
                version=_version(),
                run=run,
                hosts=hosts_of(self.port),
                page=PAGE,
                scan=scan,
                check_hookup=_any_hookup if self.acquisition is None else self.acquisition.check,
                trimmers=trimmers,
                now_s=time.monotonic,
                tallies=self._tallies(lines),
                book=self.marking,
                bench=self.bench,
                procedures=self.procedures,
                outside=outside(http.addresses),
                admission=self.admission,
                settings=self.settings,
            )
        )

    def on_reading(self, reading: Reading, capture: Capture) -> None:
        """Whoever beside the viewers wants every reading is given it here, on the acquisition's thread."""
        self.marking.on_reading(reading, capture)
        self.keeping.on_reading(reading, capture)
        self.procedures.on_reading(reading, capture)

    def _tallies(self, lines: LogLines) -> Tallies:
        return Tallies(
            captures=self.captures,
            connections=self.connections,
            book=self.keeper.tally,
            book_waiting=lambda: self.keeper.waiting,
            log_lines_dropped=lambda: lines.dropped,
            disk=self.disk,
            began_s=time.monotonic(),
        )

    def end_keeping(self) -> None:
        """Write what waits and let the book go. Acquisition and server have ended: nothing new comes."""
        self.keeping.stop()
        self.marking.close()
        if not self.keeper.stop():
            log.error("%s: what waits to be kept is given up, the book does not answer", self.keeper.place)


def _locked_in_demo(settings: Settings) -> UsageError | None:
    """Why a demo writes no settings: whoever only looks around has none of the user's own changed."""
    if settings.path not in (None, default_path()):
        return None
    what = "a demo changes nobody's own settings"
    return UsageError(what, where=str(default_path()), do="start it with --config and a file that it may change")


def _put_in_force(
    in_force: SetupInForce, hub: Hub, bench: Bench, changed: frozenset[KeyPath], settings: Settings
) -> None:
    """Let the keys that changed count from the next capture on."""
    setup = changed_setup(in_force.current, changed, settings)
    if setup is not in_force.current:
        in_force.change(setup)
        hub.setup_changed()
    if changed & WATCH:
        bench.keeping.set_watch(settings.tables.book.watch, settings.tables.book.watch_band_mv)
        hub.bench_changed()


def _keeping_settings(book: BookTable) -> KeepingSettings:
    return KeepingSettings(book.watch, book.watch_band_mv, book.log, book.log_period_s, book.log_batch_s)


def _any_hookup(hookup: Hookup) -> None:
    """Without a scope nobody knows which channels there are."""


def _version() -> str:
    try:
        return installed_version("peakwhite")
    except PackageNotFoundError:
        return "not installed"
