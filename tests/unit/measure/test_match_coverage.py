"""Whole benches drawn from the stated distributions, tied and then measured: does the match hold what it states?"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from made_video import Made, Picture, digitised, picture_wave, rgb_sync, sync_wave, white
from peakwhite.daemon.measure.calibration import Calibration
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip, Hookup
from peakwhite.daemon.measure.one_probe import ORDER, one_probe
from peakwhite.daemon.measure.reading import MatchReading
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.measure.tie_learnt import learn_tie
from peakwhite.drivers.capture import Capture, GainSpec

DRAWS = 150
IDENTITY = "MAKER,MODEL-4,SN77,1.0"
HERE = Conditions(BENCH_DEFAULT)
LSB_MV = 8.0
KNOTS_MV = np.arange(-400.0, 1400.0, 8 * LSB_MV)
"""The line of an ADC bends over eight states here, up to half a state each way."""


@dataclass(frozen=True)
class Channel:
    """A drawn channel: what it makes of a level."""

    gain: float
    bends_mv: NDArray[np.float64]

    def reads(self, level_mv: float) -> Picture:
        read_mv = level_mv * self.gain
        return white(
            read_mv + float(np.interp(read_mv, KNOTS_MV, self.bends_mv) - np.interp(0.0, KNOTS_MV, self.bends_mv))
        )


def drawn(rng: np.random.Generator) -> Channel:
    return Channel(1.0 + rng.uniform(-0.03, 0.03), rng.uniform(-0.5, 0.5, KNOTS_MV.size) * LSB_MV)


def terminated(rng: np.random.Generator) -> float:
    """What a 75-ohm terminator of ±1 % makes of a level: half of its error."""
    return float(1.0 + 0.5 * rng.uniform(-0.01, 0.01))


def capture(channels: list[Channel], levels_mv: list[float], seed: int) -> Capture:
    pictures = [channel.reads(level_mv) for channel, level_mv in zip(channels, levels_mv, strict=True)]
    made = rgb_sync(Made(seed=seed, noise_mv=6.0, samples=8_000), pictures[0], pictures[1], pictures[2])
    return replace(made, identity=IDENTITY, gain_spec=GainSpec(3.0))


def holds(match: MatchReading | None, true_mv: float) -> bool:
    assert match is not None and match.spread_mv is not None and match.u95_mv is not None
    return abs(match.spread_mv - true_mv) <= match.u95_mv


def test_a_tied_match_holds_the_true_difference_in_95_of_100_benches() -> None:
    rng = np.random.default_rng(31)
    inside, u95_mv = [], []
    for draw in range(DRAWS):
        channels = [drawn(rng) for _ in range(3)]
        level_mv = rng.uniform(680.0, 720.0)
        one_output = [level_mv * terminated(rng)] * 3
        ties = learn_tie([capture(channels, one_output, 2 * draw)], HERE)
        true_mv = [level_mv + away_mv for away_mv in (12.0, -12.0, 0.0)]
        seen = capture(channels, [mv * terminated(rng) for mv in true_mv], 2 * draw + 1)
        made = tuple(Calibration("tie", seen.captured_at_ns, "SN77", channel, tie=tie) for channel, tie in ties.items())
        match = measure_capture(seen, replace(HERE, calibrations=made)).match
        assert match is not None and (match.method, match.highest, match.lowest) == ("tied", "red", "green")
        inside.append(holds(match, true_mv[0] - true_mv[1]))
        u95_mv.append(match.u95_mv)
    assert 0.92 <= np.mean(inside) <= 0.99, np.mean(inside)
    assert 5.4 < np.mean(np.array(u95_mv, dtype=float)) < 8.0


def test_one_probe_holds_the_true_difference_in_95_of_100_benches() -> None:
    rng = np.random.default_rng(32)
    hookup = Conditions(Hookup((Clip("CH1", "red"), Clip("CH4", "sync"))))
    inside, u95_mv = [], []
    for draw in range(DRAWS):
        channel, terminator = drawn(rng), terminated(rng)
        true_mv = [700.0 + away_mv for away_mv in (12.0, -12.0, 0.0, 12.0)]
        drift = 1.0 + rng.uniform(-0.004, 0.004) * np.array([0.0, 1.0, 2.0, 3.0]) / 3.0
        taken = []
        for number, (role, mv) in enumerate(zip(ORDER, true_mv, strict=True)):
            made = Made(seed=4 * draw + number, noise_mv=6.0, samples=8_000)
            picture = digitised(made, "CH1", picture_wave(made, channel.reads(mv * terminator * drift[number])), 1)
            sync = digitised(made, "CH4", -285.7 * sync_wave(made), 4)
            at_ns = 1_767_323_045_678_000_000 + number * 15_000_000_000
            seen = Capture((picture, sync), made.sample_ns * 1e-9, 0.0, IDENTITY, at_ns, GainSpec(3.0))
            taken.append(replace(measure_capture(seen, hookup).budgets[0], role=role))
        match = one_probe(taken)
        assert match is not None and (match.highest, match.lowest) == ("red", "green")
        inside.append(holds(match, (true_mv[0] - true_mv[1]) * terminator * float(drift.mean())))
        u95_mv.append(match.u95_mv)
    assert 0.92 <= np.mean(inside) <= 1.0, np.mean(inside)
    assert np.mean(np.array(u95_mv, dtype=float)) < 6.0


@pytest.mark.parametrize("bent", [False, True])
def test_what_the_adc_bends_at_the_working_level_is_learnt_with_the_tie(bent: bool) -> None:
    """A channel bent by half a state at white reads 4 mV high there, in the tie as in the measurement."""
    straight = Channel(1.0, np.zeros(KNOTS_MV.size))
    other = replace(straight, bends_mv=np.where(KNOTS_MV > 500.0, 0.5 * LSB_MV, 0.0)) if bent else straight
    channels = [straight, other, straight]
    ties = learn_tie([capture(channels, [700.0] * 3, 1)], HERE)
    seen = capture(channels, [700.0] * 3, 2)
    made = tuple(Calibration("tie", seen.captured_at_ns, "SN77", name, tie=tie) for name, tie in ties.items())
    tied, untied = (measure_capture(seen, replace(HERE, calibrations=some)).match for some in (made, ()))
    assert tied is not None and untied is not None
    assert tied.spread_mv is not None and tied.spread_mv < 1.5
    assert (untied.spread_mv or 0.0) == pytest.approx(4.0 if bent else 0.0, abs=1.5)
