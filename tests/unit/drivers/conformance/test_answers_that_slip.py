"""Every family over a link that pairs no answers: one comes twice, and every later question gets the one before's.

No set-up of a user is believed that is not his, no level is wrong, and it does not stay unnoticed.
"""

from collections import deque

import pytest

from family_rig import Rig
from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import ScopeSource
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.errors import InstrumentError, ReplyError
from peakwhite.drivers.links import Link

CONDITIONS = Conditions(BENCH_DEFAULT)
CAPTURES = 3
PLACES = 8
"""So many questions of a conversation, evenly spread, are answered twice in turn."""


class SlippingLink:
    """Another link whose answer to question number `twice` comes again, too late to be seen before the next question.

    What a raw socket says where a block comes for a text, or a text for a block, it says too.
    """

    def __init__(self, link: Link, twice: int | None = None) -> None:
        self.resource = link.resource
        self.dirty = False
        self.asked = 0
        self._link = link
        self._twice = twice
        self._coming: deque[str | memoryview] = deque()

    def write(self, command: str) -> None:
        self._link.write(command)

    def query(self, command: str) -> str:
        answer = self._next(self._link.query(command))
        if not isinstance(answer, str):
            raise ReplyError("more than one line of answer", where=self.resource, do="")
        return answer

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        answer = self._next(self._link.query_block(command, limit_bytes))
        if isinstance(answer, str):
            raise ReplyError("a line of text in place of a block", where=self.resource, do="")
        return answer

    def clear(self) -> None:
        raise AssertionError("no driver clears its link")

    def close(self) -> None:
        raise AssertionError("no driver closes its link")

    def _next(self, answer: str | memoryview) -> str | memoryview:
        self._coming += [answer] * (2 if self.asked == self._twice else 1)
        self.asked += 1
        return self._coming.popleft()


def slipping(rig: Rig, twice: int | None) -> SlippingLink:
    """Such a link for the rig's driver."""
    link = SlippingLink(rig.link, twice)
    rig.driver = rig.family.driver(link, rig.identity, rig.time.clock)
    return link


def spread(asked: int) -> range:
    return range(0, asked, max(asked // PLACES, 1))


def test_a_users_set_up_is_his_or_an_error_whichever_answer_comes_twice(rig: Rig) -> None:
    link = slipping(rig, None)
    right, refused = rig.driver.read_setup(), 0
    for twice in spread(link.asked):
        slipping(rig, twice)
        try:
            assert rig.driver.read_setup().kept == right.kept, twice
        except InstrumentError:
            refused += 1
    assert refused


def levels_mv(rig: Rig, link: SlippingLink) -> dict[str, float]:
    """Levels of three captures that are believed, by channel and number. Raises InstrumentError."""
    source = ScopeSource(link, rig.identity.text, rig.driver, None, lambda: 0, rig.time.clock.now)
    source.configure(Task.LEVELS, Setup(conditions=CONDITIONS))
    seen = {}
    for number in range(CAPTURES):
        capture = source.capture(2.0)
        if isinstance(capture, Capture):
            for channel in measure_capture(capture, CONDITIONS).channels[:3]:
                if channel.peak_white_mv is not None and not channel.clipped:
                    seen[f"{channel.role} {number}"] = channel.peak_white_mv
                    right_mv = 1e3 * rig.white_v(str(channel.role))
                    assert channel.peak_white_mv == pytest.approx(right_mv, abs=channel.u95_mv)
    return seen


def test_no_level_is_wrong_and_it_is_noticed_whichever_answer_comes_twice(rig: Rig) -> None:
    link = slipping(rig, None)
    assert levels_mv(rig, link)
    *_, last = places = spread(link.asked * (CAPTURES - 1) // CAPTURES)
    for twice in places:
        again = slipping(rig, twice)
        with pytest.raises(InstrumentError):
            levels_mv(rig, again)
            pytest.fail(f"answer {twice} of {last} came twice and nobody noticed")
