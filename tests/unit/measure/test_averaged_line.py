"""The averaged line, and the budget in words."""

import numpy as np
import pytest

from made_video import Made, digitised, rgb_sync, steps, white
from peakwhite.daemon.measure.averaged_line import BEFORE_SYNC_US, averaged_line
from peakwhite.daemon.measure.explain import explain
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

BENCH = Conditions(BENCH_DEFAULT)
BARS = steps([700.0, 350.0, 0.0, 500.0])


def capture() -> Capture:
    return rgb_sync(Made(), BARS, white(714.3), white(700.0))


@pytest.mark.parametrize("columns", [1, 100, 390, 100_000])
def test_every_channel_has_a_pair_a_column(columns: int) -> None:
    line = averaged_line(capture(), BENCH, columns)
    assert line is not None
    assert [trace.role for trace in line.traces] == ["red", "green", "blue", "sync"]
    shapes = {trace.pairs.shape for trace in line.traces}
    assert len(shapes) == 1
    assert 1 <= shapes.pop()[0] <= columns
    for trace in line.traces:
        assert np.all(trace.pairs[:, 0] <= trace.pairs[:, 1])


def test_the_line_shows_sync_where_it_is_and_bars_at_their_levels() -> None:
    line = averaged_line(capture(), BENCH, 780)
    assert line is not None

    def level_mv(trace_index: int, time_us: float) -> float:
        trace = line.traces[trace_index]
        return float(trace.pairs[round((time_us - line.start_us) / line.us_per_column)].mean()) * trace.mv_per_count

    assert line.start_us == -BEFORE_SYNC_US
    assert level_mv(3, 2.4) == pytest.approx(-285.7, abs=6.0)
    assert level_mv(3, 20.0) == pytest.approx(0.0, abs=6.0)
    for time_us, expected_mv in ((15.0, 700.0), (29.0, 350.0), (42.0, 0.0), (55.0, 500.0)):
        assert level_mv(0, time_us) == pytest.approx(expected_mv, abs=6.0)


def test_levels_of_many_volts_are_drawn_in_coarser_counts() -> None:
    made = Made(lsb_mv=80.0, centre_mv=4000.0, noise_mv=20.0)
    line = averaged_line(rgb_sync(made, white(7000.0), white(7000.0), white(7000.0), 3000.0), BENCH, 200)
    assert line is not None
    trace = line.traces[0]
    assert float(trace.pairs.max()) * trace.mv_per_count == pytest.approx(7000.0, rel=0.02)


def test_without_sync_there_is_no_line() -> None:
    made = Made()
    silence = digitised(made, "CH4", np.zeros(made.samples), 4)
    assert averaged_line(Capture((silence,), 40e-9, 0.0, "made", 0), BENCH, 100) is None


def test_the_budget_names_its_items_largest_first() -> None:
    text = explain(capture(), BENCH)
    assert "CH1 red: " in text
    assert text.index("scope gain ±3 %") < text.index("termination") < text.index("noise")
    assert "together: ±" in text


def test_without_a_white_there_is_no_budget() -> None:
    assert "no budget" in explain(rgb_sync(Made(), white(0.0), white(0.0), white(0.0)), BENCH)
