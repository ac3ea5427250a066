"""The composition root: puts the daemon together and runs it. `serve` and `demo` differ in source and trimmers only."""

import asyncio
import contextlib
import logging
import os
import secrets
import socket
import time
from collections.abc import Awaitable, Callable
from dataclasses import replace
from functools import partial
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed_version

from ..drivers.capture import Capture
from ..drivers.errors import UsageError
from .access import Admission
from .access.outside import outside
from .access.reach import url_here, url_on_network, urls_for_others
from .acquisition import Acquisition, Job, Origin, Suspicions
from .book import BookKeeper, BookPlace, Marking, PresentStage
from .book.clock import clock_synced
from .book_in_use import book_place, temporary_book
from .calibrations import StoredCalibrations
from .config import Setup, SetupInForce
from .config.keys import KeyPath
from .config.live_changes import SCOPE, WATCH, changed_setup
from .config.model import BookTable, HttpTable
from .config.settings import Load, Settings, default_path
from .connections import Door
from .counting import CaptureTally, ConnectionTally, Tallies
from .demo import SimulatedScope
from .http.app import create_app
from .http.cautions import cautions_for_terminal
from .http.pages import PAGE
from .http.services import Services
from .keeping import Bench, Keeping, KeepingSettings
from .last_good import LastGood
from .live import ControlLease, Hub
from .live.lines import lines_of
from .logs import LogLines, logging_to_stderr
from .measure.engine import measure_capture
from .measure.reading import Reading
from .nobody_in import NobodyIn
from .notify import ServiceManager
from .places import state_folder
from .procedures import Procedures
from .recalibration import Recalibration
from .refusals import check_of, refuse_open_door, why_nobody_gets_in
from .scanning import scan
from .scope_in_use import ScopeInUse
from .serving import Server, address_up, ending, hosts_of, listen, on_hangup
from .settings_in_force import SettingsInForce
from .sources.scope import open_scope
from .surroundings import Surroundings

RESTART_S = 1.0
"""Between a defect of ours and the next attempt."""

NOT_KEPT = "peakwhite: what the demo keeps is gone when it ends; give --book FILE to keep it"

log = logging.getLogger(__name__)


def serve(load: Load, *, book: str | None = None, browser: bool = True) -> int:
    """Run the daemon on a real scope until SIGINT or SIGTERM; gives the exit status. `load` gives the settings, also anew.

    Without a scope the page is up and says how to choose one. As a service it starts by the settings that last were in order
    where those of the file are not, and also where nobody has an access token: it lets nobody in then, and says so.
    Raises MalformedResource, UsageError, PortTaken, BookInUse, BookNewer before anything has started.
    """
    last_good = LastGood.of(os.environ)
    settings = last_good.settings(load, check_of(last_good))
    scope = ScopeInUse(settings.tables.scope)
    place, notice = book_place(settings, book), cautions_for_terminal()
    return _run(settings, load, last_good, scope, None, place, notice, browser)


def demo(settings: Settings, *, load: Load, book: str | None = None, browser: bool = True) -> int:
    """Run the daemon on the simulated scope until SIGINT or SIGTERM; gives the exit status. Raises UsageError, PortTaken.

    Unless a book is given, what is kept goes to a temporary one: a demo fills nobody's own.
    """
    simulated = SimulatedScope()
    with contextlib.ExitStack() as stack:
        place = stack.enter_context(temporary_book()) if book is None else book_place(settings, book)
        notice = NOT_KEPT if book is None else ""
        return _run(settings, load, LastGood(None), None, simulated, place, notice, browser)


def _run(
    settings: Settings,
    load: Load,
    last_good: LastGood,
    scope: ScopeInUse | None,
    simulated: SimulatedScope | None,
    place: BookPlace,
    notice: str,
    browser: bool,
) -> int:
    """Run until the server ends. `notice` is for the terminal, once nothing stands in the way of starting."""
    http = settings.tables.http
    if not last_good.is_of_service:
        refuse_open_door(http, state_folder())
    stored = StoredCalibrations()
    setup = _setup_of(settings, stored)
    with contextlib.ExitStack() as stack:
        lines = stack.enter_context(logging_to_stderr(settings.tables.log.format, settings.tables.log.level))
        listening = stack.enter_context(listen(http.host, http.port))
        parts = Parts(settings, load, last_good, setup, stored, scope, simulated, listening, place, lines)
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
        stack.callback(_stop, parts.acquisition, scope)
        parts.acquisition.start()
        if last_good.mistake is None:
            last_good.keep(settings)
        else:
            parts.settings.refused(last_good.mistake)
        parts.nobody_in.look()
        asyncio.run(_serve(server, listening, parts, manager))
    return 0


def _up(parts: "Parts", manager: ServiceManager, browser: bool) -> None:
    """The page is up: say so to whoever started the daemon."""
    address_up(parts.url, browser)
    manager.ready(parts.status())


def _stop(acquisition: Acquisition, scope: ScopeInUse | None) -> None:
    """End acquisition; where that hangs, say that its scope has not got back the set-up that its user had."""
    if not acquisition.stop() and scope is not None and scope.not_given_back is not None:
        log.error(scope.not_given_back)


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
        parts.nobody_in.follow,
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
        scope: ScopeInUse | None,
        simulated: SimulatedScope | None,
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
        self.admission = Admission(
            state_folder(),
            trusts_loopback=http.trust_loopback,
            session_days=http.session_days,
            clock_is_set=clock_synced,
        )
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
            check_of(last_good, held=self.port),
            put_in_force=partial(_put_in_force, in_force, hub, self.bench, scope),
            tell=lambda problems: hub.announce_beside("settings", problems),
            keep=last_good.keep,
            locked=None if simulated is None else _locked_in_demo(settings),
        )
        self.disk = None if place.path is None else place.path.parent
        self.surroundings = Surroundings(hub, self.disk)
        self.nobody_in = NobodyIn(hub, partial(why_nobody_gets_in, http, state_folder()))
        self.captures = CaptureTally()
        self.connections = ConnectionTally()
        self.status = partial(self._status, hub, http)
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
        self.acquisition = Acquisition(_origin(scope, simulated), job)
        if scope is not None:
            scope.join(self.acquisition, self.settings, in_force, hub)
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
                check_hookup=self.acquisition.check,
                trimmers=simulated,
                now_s=time.monotonic,
                tallies=self._tallies(lines),
                book=self.marking,
                bench=self.bench,
                procedures=self.procedures,
                outside=outside(http.addresses),
                admission=self.admission,
                settings=self.settings,
                scope=scope,
            )
        )

    def _status(self, hub: Hub, http: HttpTable) -> str:
        """How it stands, for who asks the service manager: where the page is, how the scope is, whether somebody gets in."""
        others = urls_for_others(http.host, self.port, http.addresses)
        where = f"{self.url} (others: {' '.join(others)})" if others else self.url
        return "; ".join(filter(None, (f"{where} {hub.scope.state}: {hub.scope.text}", self.nobody_in.text)))

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


def _origin(scope: ScopeInUse | None, simulated: SimulatedScope | None) -> Origin | None:
    """Where captures come from first."""
    if simulated is not None:
        return Origin(lambda: open_scope(simulated.resource), "the simulated scope")
    return None if scope is None else scope.origin


def _put_in_force(
    in_force: SetupInForce,
    hub: Hub,
    bench: Bench,
    scope: ScopeInUse | None,
    changed: frozenset[KeyPath],
    settings: Settings,
) -> None:
    """Let the keys that changed count from the next capture on."""
    setup = changed_setup(in_force.current, changed, settings)
    if setup is not in_force.current:
        in_force.change(setup)
        hub.setup_changed()
    if scope is not None and changed & SCOPE:
        scope.change_to(settings.tables.scope.resource, settings.tables.scope.family)
    if changed & WATCH:
        bench.keeping.set_watch(settings.tables.book.watch, settings.tables.book.watch_band_mv)
        hub.bench_changed()


def _keeping_settings(book: BookTable) -> KeepingSettings:
    return KeepingSettings(book.watch, book.watch_band_mv, book.log, book.log_period_s, book.log_batch_s)


def _version() -> str:
    try:
        return installed_version("peakwhite")
    except PackageNotFoundError:
        return "not installed"
