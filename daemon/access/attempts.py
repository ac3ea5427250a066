"""How often somebody may sign in with a wrong code: few times from one address, and not too often from all of them."""

import math
from collections import OrderedDict, deque
from collections.abc import Callable

WINDOW_S = 60.0
WRONG_PER_ADDRESS = 5
WRONG_IN_ALL = 100
MOST_ADDRESSES = 1024


class Attempts:
    """Wrong codes within the last minute. Holds 1024 addresses at most; the one that was wrong longest ago goes first."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._of_address: OrderedDict[str, deque[float]] = OrderedDict()
        self._in_all: deque[float] = deque(maxlen=WRONG_IN_ALL)

    def wait_s(self, address: str) -> int:
        """For how many whole seconds that address has to wait; 0 where it may try."""
        return max(
            self._wait_s(self._of_address.get(address, deque(maxlen=WRONG_PER_ADDRESS))), self._wait_s(self._in_all)
        )

    def wrong(self, address: str) -> None:
        """Note a wrong code."""
        now_s = self._now_s()
        self._of_address.setdefault(address, deque(maxlen=WRONG_PER_ADDRESS)).append(now_s)
        self._of_address.move_to_end(address)
        self._in_all.append(now_s)
        if len(self._of_address) > MOST_ADDRESSES:
            self._of_address.popitem(last=False)

    def _wait_s(self, wrong: deque[float]) -> int:
        if len(wrong) < (wrong.maxlen or 0):
            return 0
        return max(0, math.ceil(wrong[0] + WINDOW_S - self._now_s()))
