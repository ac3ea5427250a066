"""The subcarrier's frequency through the simulated scope and its driver: every number of cycles a line that it knows."""

from typing import Any

import pytest

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.capture import Capture

COMPOSITE = Conditions(Hookup((Clip("CH1", "composite"),)))
FSC_HZ = {"525/60": 315e6 / 88.0, "625/50": 4_433_618.75}


@pytest.mark.parametrize(
    ("system", "cycles"),
    [("525/60", None), ("525/60", 228.0), ("525/60", 227.0 + 1.0 / 3.0), ("625/50", None), ("625/50", 284.0)],
)
def test_the_frequency_is_right_whatever_the_cycles_a_line(
    lasting_fast_scope: Any, system: str, cycles: float | None
) -> None:
    lasting_fast_scope.ask({"set": {"subcarrier_cycles": None}})
    unit = {"system": system, "scan": "progressive", "format": "composite", "pattern": "bars-75"}
    answer = lasting_fast_scope.ask({"set": {**unit, "subcarrier_cycles": cycles}})
    assert "error" not in answer, answer
    source = open_scope(lasting_fast_scope.resource)
    try:
        source.configure(Task.LEVELS, Setup(1, COMPOSITE))
        for _ in range(12):
            capture = source.capture(2.0)
            assert isinstance(capture, Capture)
            measured = measure_capture(capture, COMPOSITE)
            if measured.channels[0].burst_mv_pp is not None and measured.sync.lines >= 4:
                break
        assert measured.sync.system == system
        assert measured.channels[0].subcarrier_hz == pytest.approx(FSC_HZ[system], rel=5e-6)
    finally:
        source.close()
