"""Whether the calendar is set is asked of the kernel, and not guessed."""

import ctypes
import sys

import pytest

from peakwhite.daemon.keeping import synced_clock
from peakwhite.daemon.keeping.synced_clock import STA_UNSYNC, TIME_ERROR, clock_is_synced, synced_by


@pytest.mark.parametrize(
    ("returned", "status", "synced"),
    [(0, 0, True), (0, STA_UNSYNC, False), (TIME_ERROR, STA_UNSYNC, False), (TIME_ERROR, 0, False), (1, 0x2001, True)],
)
def test_the_kernels_answer_is_understood(returned: int, status: int, synced: bool) -> None:
    assert synced_by(returned, status) is synced


def test_a_refused_question_is_not_taken_for_an_answer() -> None:
    assert synced_by(-1, 0) is None


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="adjtimex is Linux's")
def test_the_status_stands_where_it_is_read() -> None:
    """Python's own time.clock_gettime cannot tell; the kernel's answer and its status word must agree."""
    asked = synced_clock.Timex(modes=0)
    call = synced_clock._adjtimex()
    assert call is not None
    returned = call(ctypes.byref(asked))
    assert returned in range(6)
    assert (returned == TIME_ERROR) >= bool(asked.status & STA_UNSYNC)
    assert clock_is_synced() is (returned != TIME_ERROR and not asked.status & STA_UNSYNC)


def test_another_system_does_not_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "other")
    synced_clock._adjtimex.cache_clear()
    told = clock_is_synced()
    synced_clock._adjtimex.cache_clear()
    assert told is None
