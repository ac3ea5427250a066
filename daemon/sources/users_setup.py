"""What a scope had before we touched it, to be given back to its user: its set-up, and how it sends records."""

import logging
from collections.abc import Callable

from ...drivers.errors import InstrumentRejected, PeakwhiteError
from ...drivers.family import Driver

GiveBack = Callable[[Driver], None]
"""Gives a scope back what was read of it. Raises LinkError, ReplyError; InstrumentRejected after all of it."""

log = logging.getLogger(__name__)


class UsersSetup:
    """What a scope was set to before it was first configured; a link that broke and came back does not change that.

    `restore` False: nothing is read, and the scope is left running freely with what it was set to last.
    `hands_off`: only how records are sent is read and given back, for nothing else is changed.
    `tell`: takes a line on what the scope refused.
    """

    def __init__(
        self, *, restore: bool = True, hands_off: bool = False, tell: Callable[[str], None] = log.warning
    ) -> None:
        self._read = _transfer if hands_off else _all if restore else _nothing
        self._tell = tell
        self._of: dict[str, GiveBack] = {}
        self._why = "it could not be reached"

    @property
    def owed(self) -> str | None:
        """Why a scope has not got back what is its user's; None where it has, or was never touched."""
        return self._why if self._of else None

    def remember(self, identity: str, driver: Driver) -> None:
        """The scope of that identity is about to be configured: read what it has, unless that is known.

        Raises LinkError, ReplyError.
        """
        if identity not in self._of:
            self._of[identity] = self._read(driver)

    def give_back(self, identity: str, driver: Driver) -> None:
        """Give the scope back as far as it still listens; one that was never configured is left alone. Never raises.

        Only a scope that answered after all of it is looked at anew when it is configured next.
        """
        back = self._of.get(identity)
        if back is None:
            return
        try:
            back(driver)
        except InstrumentRejected as error:
            self._tell(f"{error.where}: as its set-up was given back, {error.what}; set that by hand")
        except PeakwhiteError as error:
            self.failed(error)
            return
        del self._of[identity]

    def failed(self, error: PeakwhiteError) -> None:
        """It could not be given back now, and that is why."""
        self._why = error.what


def _all(driver: Driver) -> GiveBack:
    transfer, setup = driver.read_transfer(), driver.read_setup()

    def back(driver: Driver) -> None:
        try:
            driver.restore(setup)
        except InstrumentRejected:
            driver.restore_transfer(transfer)
            raise
        driver.restore_transfer(transfer)

    return back


def _transfer(driver: Driver) -> GiveBack:
    transfer = driver.read_transfer()
    return lambda driver: driver.restore_transfer(transfer)


def _nothing(driver: Driver) -> GiveBack:
    return lambda driver: driver.release()
