"""Every hint has a capture that raises it and one close by that does not, here or in the file named for it."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from made_video import Made, capture_of, composite, digitised, rgb_sync, steps, white
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hints import HINTS
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture, GainSpec

BENCH = Conditions(BENCH_DEFAULT)
COMPOSITE = Conditions(Hookup((Clip("CH1", "composite"),)))
FOLDER = Path(__file__).parent
ELSEWHERE = {
    "sync-not-found": "test_engine.py",
    "channel-dead": "test_engine.py",
    "calibration-refused": "test_calibration_applied.py",
    "one-channel-off": "test_suspicions.py",
    "range-too-coarse": "test_suspicions.py",
    "dc-on-output": "test_suspicions.py",
    "ac-coupled-input": "test_suspicions.py",
    "ttl-rgb": "test_suspicions.py",
    "high-impedance-output": "test_suspicions.py",
    "ttl-sync-into-75-ohm": "test_suspicions.py",
    "probe-compensation": "test_suspicions.py",
    "burst-pedestal": "test_suspicions.py",
    "may-be-blanking-line": "test_suspicions.py",
    "no-back-termination": "test_suspicions.py",
    "channels-swapped": "test_swapped.py",
    "colour-bars-roles": "test_colour_bars.py",
    "bandwidth-limited": "test_edge_rise.py",
    "burst-through-limiter": "test_subcarrier.py",
}


@dataclass(frozen=True)
class Case:
    """Two captures: one that raises the hint, and one that does not."""

    raises: Capture
    does_not: Capture
    conditions: Conditions = BENCH


def rgb(white_mv: float, sync_mv: float = 285.7, **made: float) -> Capture:
    wide = Made(**{"lsb_mv": 12.0, "centre_mv": 700.0, "noise_mv": 6.0, **made})  # type: ignore[arg-type]
    return rgb_sync(wide, white(white_mv), white(white_mv), white(white_mv), sync_mv)


def loaded(factor: float) -> Capture:
    """What a unit of 714.3 and 285.7 mV shows by that factor."""
    grain = max(1.0, factor / 2.0) if factor > 1.0 else factor
    return rgb(714.3 * factor, 285.7 * factor, lsb_mv=12.0 * grain, noise_mv=6.0 * grain, centre_mv=350.0 * factor)


def coloured(sample_ns: float) -> Capture:
    made = Made(sample_ns=sample_ns, samples=round(480_000 / sample_ns))
    wave = composite(made, steps([714.0, 350.0, 0.0]), white(0.0))
    return capture_of(made, digitised(made, "CH1", wave))


GOOD = rgb(714.3)
CASES = {
    "no-sync": Case(
        capture_of(Made(), *(digitised(Made(), f"CH{n}", np.zeros(12_000), n) for n in (1, 2, 3, 4))), GOOD
    ),
    "scope-clipping": Case(rgb(714.3, centre_mv=-900.0), GOOD),
    "white-not-in-record": Case(rgb(0.0), GOOD),
    "accuracy-assumed": Case(GOOD, replace(GOOD, gain_spec=GainSpec(3.0))),
    "sample-rate-too-low": Case(coloured(80.0), coloured(60.0), COMPOSITE),
    "termination-missing": Case(loaded(2.0), rgb(1000.0)),
    "fifty-ohm-load": Case(loaded(0.8), rgb(0.8 * 714.3)),
    "terminated-twice": Case(loaded(2.0 / 3.0), loaded(0.74)),
    "loads-75-and-50": Case(loaded(4.0 / 7.0), loaded(0.62)),
    "pattern-white": Case(rgb(0.75 * 714.3), rgb(0.85 * 714.3)),
    "probe-ratio": Case(loaded(10.0), loaded(5.0)),
}


def codes_of(capture: Capture, conditions: Conditions) -> set[str]:
    measured = measure_capture(capture, conditions)
    return {hint.code for hint in (*measured.hints, *(hint for one in measured.channels for hint in one.hints))}


@pytest.mark.parametrize("code", list(CASES))
def test_a_hint_is_raised_where_it_should_be_and_not_close_by(code: str) -> None:
    case = CASES[code]
    assert code in codes_of(case.raises, case.conditions)
    assert code not in codes_of(case.does_not, case.conditions)


def test_a_good_capture_of_a_known_scope_raises_none() -> None:
    assert codes_of(replace(GOOD, gain_spec=GainSpec(3.0)), BENCH) == set()


def test_no_hint_is_without_its_test() -> None:
    assert set(CASES) | set(ELSEWHERE) == set(HINTS)
    for code, name in ELSEWHERE.items():
        assert f'"{code}"' in (FOLDER / name).read_text(encoding="utf-8"), (code, name)
