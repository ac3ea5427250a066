"""The set-up that a scope had before we touched it, to be given back to its user."""

from ...drivers.errors import PeakwhiteError
from ...drivers.family import Driver
from ...drivers.present_setup import ScopeSetup


class UsersSetup:
    """What a scope was set to when it was first opened; a link that broke and came back does not change that.

    `restore` False: nothing is read, and the scope is left running freely with what it was set to last.
    """

    def __init__(self, *, restore: bool = True) -> None:
        self._restore = restore
        self._of: dict[str, ScopeSetup] = {}

    def remember(self, identity: str, driver: Driver) -> None:
        """Read the set-up of the scope of that identity, unless it is known. Raises LinkError, ReplyError."""
        if self._restore and identity not in self._of:
            self._of[identity] = driver.read_setup()

    def give_back(self, identity: str, driver: Driver) -> None:
        """Give the scope back as far as it still listens. Never raises.

        Only a scope that took all of it is looked at anew when it is opened next.
        """
        setup = self._of.get(identity)
        try:
            if setup is None:
                driver.release()
            else:
                driver.restore(setup)
                del self._of[identity]
        except PeakwhiteError:
            pass
