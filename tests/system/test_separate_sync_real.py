"""Separate horizontal and vertical sync through the simulated scope and its driver: the field of every system that has them."""

from typing import Any

import pytest

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import open_scope
from peakwhite.drivers.capture import Capture

SEPARATE = Conditions(Hookup((Clip("CH1", "red"), Clip("CH2", "green"), Clip("CH3", "hsync"), Clip("CH4", "vsync"))))


@pytest.mark.parametrize(
    ("system", "scan", "field_h"),
    [
        ("31k", "progressive", 525.0),
        ("31k-70", "progressive", 449.0),
        ("24k", "progressive", 440.0),
        ("525/60", "progressive", 262.0),
        ("525/60", "interlaced", 262.5),
        ("625/50", "interlaced", 312.5),
    ],
)
def test_the_field_comes_from_vertical_sync(lasting_fast_scope: Any, system: str, scan: str, field_h: float) -> None:
    answer = lasting_fast_scope.ask({"set": {"system": system, "scan": scan, "format": "rgb-hv", "pattern": "white"}})
    assert "error" not in answer, answer
    truth = lasting_fast_scope.ask({"get": "truth"})["truth"]
    source = open_scope(lasting_fast_scope.resource)
    try:
        source.configure(Task.LEVELS, Setup(1, SEPARATE))
        for _ in range(4):  # ranges and trigger find the TTL syncs
            source.capture(2.0)
        source.configure(Task.FIELD, Setup(2, SEPARATE))
        capture = source.capture(2.0)
        assert isinstance(capture, Capture)
        measured = measure_capture(capture, SEPARATE)
    finally:
        source.close()
    assert (measured.sync.state, measured.sync.channel) == ("locked", "CH3")
    assert measured.sync.field is not None
    assert (measured.sync.field.lines_per_field, measured.sync.field.scan) == (field_h, scan)
    true_mv = truth["signals"]["red"]["peak_white_mv"]
    assert measured.channels[0].peak_white_mv == pytest.approx(true_mv, abs=3.0)
