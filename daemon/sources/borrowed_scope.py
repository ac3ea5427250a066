"""A scope by its resource, opened as the settings say, as often as need be, and given back to its user at the end."""

from collections.abc import Callable
from dataclasses import dataclass, field

from ...drivers.errors import PeakwhiteError
from ...drivers.links import CONNECT_TIMEOUT_S, TIMEOUT_S
from ...drivers.waiting import Clock
from ..acquisition import Source
from ..config.model import ScopeTable
from .hands_off import open_hands_off
from .reached_scope import reach
from .scope import open_scope
from .users_setup import UsersSetup


@dataclass(frozen=True)
class BorrowedScope:
    """The scope that `resource` names.

    Attributes:
        family: that is forced on it, or None.
        hands_off: only its user sets it.
        users: what it had before, over all openings.
    """

    resource: str
    family: str | None
    hands_off: bool
    users: UsersSetup
    clock: Clock = field(default_factory=Clock)

    def open(self) -> Source:
        """Open it. Raises as `reach` does."""
        opener = open_hands_off if self.hands_off else open_scope
        return opener(self.resource, family=self.family, users=self.users)

    def give_back(self, rest_s: float = 0.0) -> None:
        """Where closing it did not give all back, as the link was broken: once more over a new link. Never raises.

        `rest_s`: so long it has to be left alone first. Every call that this takes is bounded.
        """
        if self.users.owed is None:
            return
        self.clock.sleep(rest_s)
        try:
            scope = reach(
                self.resource, self.family, self.clock, timeout_s=TIMEOUT_S, connect_timeout_s=CONNECT_TIMEOUT_S
            )
        except PeakwhiteError as error:
            self.users.failed(error)
            return
        self.users.give_back(scope.identity, scope.driver)
        scope.link.close()

    @property
    def not_given_back(self) -> str | None:
        """A line that says so, where it has not got its set-up back."""
        if self.users.owed is None:
            return None
        return f"{self.resource}: its set-up could not be given back ({self.users.owed}); set it by hand"


def borrowed_scope(
    table: ScopeTable, resource: str, *, family: str | None, hands_off: bool, tell: Callable[[str], None]
) -> BorrowedScope:
    """The scope of that name, with what the settings say of giving back; `tell` takes a line on what it then refused."""
    users = UsersSetup(restore=table.restore, hands_off=hands_off, tell=tell)
    return BorrowedScope(resource, family, hands_off, users)
