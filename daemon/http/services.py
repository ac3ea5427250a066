"""What the web face needs of the rest of the daemon. `compose` hands it over."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from ..access import Admission
from ..access.outside import NOWHERE_ELSE, Outside
from ..book import Marking
from ..config import SetupInForce
from ..counting import Tallies
from ..keeping import Bench
from ..live import ControlLease, Hub
from ..measure.hookup import Hookup
from ..procedures import Procedures
from ..settings_in_force import SettingsInForce

SEND_DEADLINE_S = 10.0


@dataclass(frozen=True)
class Found:
    """What a scan found: a resource and what it calls itself, or why that is not known."""

    resource: str
    identity: str | None
    problem: str | None


class ScopeChoice(Protocol):
    """The scope in use, which may be changed for one that the daemon itself found. For the loop's thread."""

    @property
    def resource(self) -> str | None:
        """Of the scope in use; None where no scope is named."""
        ...

    @property
    def named(self) -> Sequence[str]:
        """Resources of all scopes that were in use in this run."""
        ...

    async def choose(self, resource: str) -> str | None:
        """Change over to it, and keep that in the settings file. Gives why it is not kept there, None where it is."""
        ...


class Trimmers(Protocol):
    """The trimmers of the demo's simulated unit. Calls may block for two seconds; raises InstrumentError."""

    def percent(self) -> Mapping[str, float]:
        """How far each role's trimmer is turned; 100 is nominal."""
        ...

    def turn(self, role: str, percent: float) -> None:
        """Turn one."""
        ...


@dataclass(frozen=True)
class Services:
    """Everything that the application uses and does not own.

    Attributes:
        hub, lease, setup: live readings, who may write, the set-up in force.
        version, run: of the program, and the name of this run.
        hosts: `host:port` as a browser may write them in Host; Origin is one of these behind `http://`.
        outside: other addresses under which browsers reach it, such as that of a proxy.
        admission: who may come in; None where everybody may.
        page: folder of the page's files.
        scan: looks for scopes, for some seconds. Raises InstrumentError where it could not.
        check_hookup: raises UsageError where the open scope lacks a channel of it.
        trimmers: the demo's, None where the scope is real.
        now_s: monotonic clock.
        tallies: what the daemon counts of itself, for `/metrics`.
        book, bench: the bench book, and what is kept unasked; None where there is no book to write to.
        procedures: terminator test and tie; None where no readings come to them.
        settings: what the daemon runs by, and its file; None where there are none to change.
        scope: the scope in use; None where it is not to be changed, as in a demo.
        send_deadline_s: how long one frame of the live socket may take before its reader is given up.
    """

    hub: Hub
    lease: ControlLease
    setup: SetupInForce
    version: str
    run: str
    hosts: frozenset[str]
    page: Path
    scan: Callable[[], Awaitable[Sequence[Found]]]
    check_hookup: Callable[[Hookup], None]
    trimmers: Trimmers | None
    now_s: Callable[[], float]
    tallies: Tallies = field(default_factory=Tallies)
    book: Marking | None = None
    bench: Bench | None = None
    procedures: Procedures | None = None
    outside: Outside = NOWHERE_ELSE
    admission: Admission | None = None
    settings: SettingsInForce | None = None
    scope: ScopeChoice | None = None
    send_deadline_s: float = SEND_DEADLINE_S
