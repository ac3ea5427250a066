"""Which scope captures come from: the one that is named, and the change over to another."""

import asyncio
import logging
import time
from dataclasses import replace
from functools import partial

from ..drivers.errors import PeakwhiteError
from ..drivers.families import family_named
from ..drivers.links import parse_resource
from .acquisition import Acquisition, Origin
from .config import SetupInForce
from .config.keys import KeyPath
from .config.model import ScopeTable
from .live import Hub, Problem
from .settings_in_force import SettingsInForce
from .sources.borrowed_scope import BorrowedScope, borrowed_scope
from .sources.users_setup import UsersSetup

PART = "scope before"
RESOURCE: KeyPath = ("scope", "resource")
FAMILY: KeyPath = ("scope", "family")

log = logging.getLogger(__name__)


class ScopeInUse:
    """For the loop's thread, but for what an origin does. Each scope of a run keeps what its user had set before.

    `table` is that of the settings at the start. Raises MalformedResource, UsageError for an unknown family.
    """

    def __init__(self, table: ScopeTable) -> None:
        self._table = table
        self._users: dict[str, UsersSetup] = {}
        self._choosing = asyncio.Lock()
        self._now = self._borrowed(table.resource, table.family)

    def join(self, acquisition: Acquisition, settings: SettingsInForce, setup: SetupInForce, hub: Hub) -> None:
        """What another scope is put in force with."""
        self._acquisition, self._settings, self._setup, self._hub = acquisition, settings, setup, hub

    @property
    def origin(self) -> Origin | None:
        """Where captures come from; None where no scope is named."""
        borrowed = self._now
        if borrowed is None:
            return None
        return Origin(borrowed.open, borrowed.resource, partial(self._give_back, borrowed))

    @property
    def resource(self) -> str | None:
        """Of the scope in use."""
        return None if self._now is None else self._now.resource

    @property
    def named(self) -> tuple[str, ...]:
        """Resources of all scopes that were in use in this run."""
        return tuple(self._users)

    @property
    def not_given_back(self) -> str | None:
        """A line that says so, where the scope in use has not got its set-up back."""
        return None if self._now is None else self._now.not_given_back

    async def choose(self, resource: str) -> str | None:
        """Change over to this scope, and name it in the settings file. Gives why that could not be, None where it was.

        A family is forced on the scope that the settings named with it, and on no other.
        """
        family = self._table.family if resource == self._table.resource else None
        async with self._choosing:
            why = await self._why_not_kept(resource, family)
            self.change_to(resource, family)
        return why

    def change_to(self, resource: str | None, family: str | None) -> None:
        """Change over to this scope, or to none, where it is not in use already. What was learnt of levels begins anew."""
        before = self._now
        if resource == self.resource and (before is None or before.family == family):
            return
        self._now = self._borrowed(resource, family)
        log.warning("scope changed over: %s after %s", resource or "none", before.resource if before else "none")
        self._acquisition.change_to(self.origin)
        setup = self._setup.current
        hold_since = None if setup.conditions.hold_since is None else setup.generation + 1
        self._setup.swap(replace(setup.conditions, one_probe=(), hold_since=hold_since))
        self._hub.setup_changed()

    async def _why_not_kept(self, resource: str, family: str | None) -> str | None:
        """Write it to the settings file, which puts it in force. Gives why it does not stand there, None where it does."""
        for path in (RESOURCE, FAMILY):
            if above := self._settings.above_file(path):
                return f"{above} goes before the settings file"
        try:
            await self._settings.change(self._settings.digest, {RESOURCE: resource, FAMILY: family})
        except PeakwhiteError as error:
            return f"{error.where}: {error.what}"
        return None

    def _borrowed(self, resource: str | None, family: str | None) -> BorrowedScope | None:
        if family is not None:
            family_named(family)
        if resource is None:
            return None
        parse_resource(resource)
        table = self._table
        borrowed = borrowed_scope(table, resource, family=family, hands_off=table.hands_off, tell=log.warning)
        return replace(borrowed, users=self._users.setdefault(resource, borrowed.users))

    def _give_back(self, borrowed: BorrowedScope, rest_s: float) -> None:
        """The scope is left: log and page say where it has not got its set-up back. On the acquisition's thread."""
        borrowed.give_back(rest_s)
        line = borrowed.not_given_back
        if line is None:
            self._hub.announce_beside(PART, ())
            return
        log.error(line)
        text, _, do = line.rpartition("; ")
        self._hub.announce_beside(PART, (Problem("not-given-back", text, do, time.time_ns()),))
