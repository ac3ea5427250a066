"""Exchanged probes through the simulated scope: the same captures under the right hookup and under a wrong one."""

from typing import Any

import pytest

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import ScopeSource, open_scope
from peakwhite.drivers.capture import Capture

RIGHT = Conditions(BENCH_DEFAULT)
RED_AND_BLUE = Hookup((Clip("CH1", "blue"), Clip("CH2", "green"), Clip("CH3", "red"), Clip("CH4", "sync")))
NO_RED = Hookup((Clip("CH1", "luma"), Clip("CH2", "green"), Clip("CH3", "blue"), Clip("CH4", "sync")))
GREEN_AND_SYNC = Hookup((Clip("CH1", "red"), Clip("CH2", "sync"), Clip("CH3", "blue"), Clip("CH4", "green")))


def suspected(capture: Capture, conditions: Conditions) -> set[str]:
    readings = measure_capture(capture, conditions).channels
    return {one.channel for one in readings if "channels-swapped" in {hint.code for hint in one.hints}}


def with_picture(source: ScopeSource) -> Capture:
    """A capture with levels: a free one may fall into the vertical interval."""
    for _ in range(12):
        capture = source.capture(2.0)
        assert isinstance(capture, Capture)
        if measure_capture(capture, RIGHT).channels[0].peak_white_mv is not None:
            return capture
    raise AssertionError("no level in twelve captures")


@pytest.mark.parametrize("pattern", ["bars-75", "bars-100"])
@pytest.mark.parametrize("system", ["525/60", "625/50"])
def test_exchanged_probes_are_told_by_bars_and_by_sync(lasting_fast_scope: Any, system: str, pattern: str) -> None:
    unit = {"system": system, "scan": "progressive", "format": "rgb-sync", "pattern": pattern}
    assert "error" not in lasting_fast_scope.ask({"set": unit})
    source = open_scope(lasting_fast_scope.resource)
    try:
        source.configure(Task.LEVELS, Setup(1, RIGHT))
        capture = with_picture(source)
    finally:
        source.close()
    assert suspected(capture, RIGHT) == set()
    assert suspected(capture, Conditions(RED_AND_BLUE)) == {"CH1", "CH3"}
    assert suspected(capture, Conditions(GREEN_AND_SYNC)) == {"CH2", "CH4"}
    for conditions in (RIGHT, Conditions(RED_AND_BLUE), Conditions(NO_RED)):
        measured = measure_capture(capture, conditions)
        assert [one.role_by_bars for one in measured.channels] == ["red", "green", "blue", None]
        hinted = [hint.text for hint in measured.hints if hint.code == "colour-bars-roles"]
        assert len(hinted) == (1 if conditions.hookup is NO_RED else 0)
