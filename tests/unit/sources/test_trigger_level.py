"""Where to trigger on sync that a picture rides on, tried on the simulated unit: what moves, and what a filter would do."""

import contextlib
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from family_rig import LEVELS, Rig, SimulatedScope, volts_of
from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import Clip, Hookup, Role
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.sources.scope import ScopeSource, open_scope
from peakwhite.drivers.capture import Capture
from peakwhite.drivers.families import family_named
from peakwhite.drivers.family import ChannelPlan

DIALECTS = {"tektronix-tds": "curve", "rigol-1000z": "preamble"}
SYNC_V = 0.2857
LOCKED = ("locked", "vertical-interval")


@pytest.fixture(scope="module", params=DIALECTS)
def scope(request: pytest.FixtureRequest) -> Iterator[SimulatedScope]:
    started = SimulatedScope(DIALECTS[request.param])
    yield started
    started.end()


@pytest.fixture
def unit(scope: SimulatedScope) -> Iterator[SimulatedScope]:
    yield scope
    scope.as_at_first()


@contextlib.contextmanager
def source_on(unit: SimulatedScope, role: Role) -> Iterator[tuple[ScopeSource, Conditions]]:
    conditions = Conditions(Hookup((Clip("CH1", role),)))
    source = open_scope(unit.resource)
    source.configure(Task.LEVELS, Setup(conditions=conditions))
    yield source, conditions
    source.close()


def caught(source: ScopeSource) -> Capture:
    capture = source.capture(2.0)
    assert isinstance(capture, Capture)
    return capture


@pytest.mark.parametrize("picture", [("black", "white"), ("white", "black")])
def test_a_coupled_picture_that_changes_its_average_is_followed_within_two_captures(
    unit: SimulatedScope, picture: tuple[str, str]
) -> None:
    first, then = picture
    unit.tell(set={"format": "composite", "pattern": first, "composite": {"coupling_ms": 20.0}})
    with source_on(unit, "composite") as (source, conditions):
        for _ in range(4):
            before = caught(source)
        unit.tell(set={"pattern": then})
        captures = [caught(source) for _ in range(6)]
        assert before.triggered_by == "CH1"
        assert [capture.triggered_by for capture in captures[2:]] == ["CH1"] * 4
        for capture in captures:
            assert measure_capture(capture, conditions).sync.state in LOCKED


@pytest.mark.parametrize(("offset_mv", "probe_ratio"), [(-2000.0, 1.0), (0.0, 10.0), (5000.0, 1.0), (2000.0, 10.0)])
def test_wherever_the_signal_lies_the_fourth_capture_is_locked(
    unit: SimulatedScope, offset_mv: float, probe_ratio: float
) -> None:
    unit.tell(set={"format": "composite", "pattern": "bars-75", "composite": {"dc_offset_mv": offset_mv}})
    unit.tell(front={"CH1": {"probe_ratio": probe_ratio}})
    with source_on(unit, "composite") as (source, conditions):
        measured: list[Any] = [measure_capture(caught(source), conditions) for _ in range(6)]
        assert [one.sync.state in LOCKED for one in measured[3:]] == [True] * 3
        assert not any(one.channels[0].clipped for one in measured[3:])


def through_one_pole(volts: NDArray[np.float64], step_s: float, corner_hz: float) -> NDArray[np.float64]:
    share = -np.expm1(-2.0 * np.pi * corner_hz * step_s)
    return np.asarray(lfilter([share], [1.0, share - 1.0], volts))


@pytest.mark.parametrize(("corner_hz", "depth"), [(80e3, 0.78), (50e3, 0.40)])
def test_high_frequency_reject_would_lift_sync_behind_white_off_the_trigger_level(
    unit: SimulatedScope, corner_hz: float, depth: float
) -> None:
    """How deep sync tips behind white lines come, of their depth: with 85 % to be reached, hardly any triggers."""
    unit.tell(set={"format": "composite", "pattern": "white"})
    made = Rig(
        family_named(
            next(
                family
                for family, dialect in DIALECTS.items()
                if dialect == str(unit.tell(get="state")["state"]["dialect"])
            )
        ),
        unit,
    )
    made.driver.configure(
        replace(LEVELS, channels=(ChannelPlan("CH1", 0.2, 0.3),), trigger_channel="CH1", trigger_level_v=-0.25)
    )
    record = made.caught_with_white("CH1")
    volts, step_s = volts_of(record.channels[0]), record.seconds_per_sample
    slow = through_one_pole(volts, step_s, corner_hz)
    low = volts < -0.75 * SYNC_V
    begins = np.flatnonzero(low[1:] & ~low[:-1])
    begins = begins[(begins * step_s > 100e-6) & (begins * step_s < 400e-6)]
    depths = [-slow[begin : begin + round(5.5e-6 / step_s)].min() / SYNC_V for begin in begins]
    assert np.median(depths) == pytest.approx(depth, abs=0.03)
    made.end()
