"""The set-up that a scope had before we touched it, to be given back to its user."""

from ...drivers.errors import PeakwhiteError
from ...drivers.family import Driver
from ...drivers.present_setup import ScopeSetup


class UsersSetup:
    """What a scope was set to before it was first configured; a link that broke and came back does not change that.

    `restore` False: nothing is read, and the scope is left running freely with what it was set to last.
    """

    def __init__(self, *, restore: bool = True) -> None:
        self._restore = restore
        self._of: dict[str, ScopeSetup | None] = {}

    def remember(self, identity: str, driver: Driver) -> None:
        """The scope of that identity is about to be configured: read its set-up, unless it is known.

        Raises LinkError, ReplyError.
        """
        if identity not in self._of:
            self._of[identity] = driver.read_setup() if self._restore else None

    def give_back(self, identity: str, driver: Driver) -> None:
        """Give the scope back as far as it still listens; one that was never configured is left alone. Never raises.

        Only a scope that took all of it is looked at anew when it is configured next.
        """
        if identity not in self._of:
            return
        setup = self._of[identity]
        try:
            if setup is None:
                driver.release()
            else:
                driver.restore(setup)
        except PeakwhiteError:
            return
        del self._of[identity]
