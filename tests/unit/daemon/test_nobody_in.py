"""While nobody gets in from elsewhere log and page say so, each once, and the log says when somebody does again."""

import pytest

from peakwhite.daemon.live import ControlLease, Hub
from peakwhite.daemon.nobody_in import NobodyIn
from peakwhite.drivers.errors import PeakwhiteError, UsageError

WHY = UsageError("there is no access token that holds", where="host", do="make one")


def test_it_is_told_once_when_nobody_gets_in_and_once_when_somebody_does(caplog: pytest.LogCaptureFixture) -> None:
    hub, found = Hub(ControlLease(lambda: 0.0), lambda: 1, lambda: 0.0), list[PeakwhiteError | None]()
    nobody = NobodyIn(hub, lambda: found.pop(0))
    found += [None, WHY, WHY]
    for _ in range(3):
        nobody.look()
    assert [(one.code, one.text, one.do) for one in hub.all_problems] == [
        ("nobody-in", "nobody gets in from elsewhere: there is no access token that holds", "make one")
    ]
    found += [None, None]
    for _ in range(2):
        nobody.look()
    assert hub.all_problems == () and nobody.text == ""
    assert [record.getMessage() for record in caplog.records] == [
        "nobody gets in from elsewhere: there is no access token that holds; make one",
        "there is an access token again",
    ]
