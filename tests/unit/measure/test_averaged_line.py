"""The averaged line, and the budget in words."""

import numpy as np
import pytest

from made_video import Made, digitised, rgb_sync, steps, white
from peakwhite.daemon.measure.averaged_line import BEFORE_SYNC_US, AveragedLine, LinesUnderSync, LineView
from peakwhite.daemon.measure.engine import measure_capture, measuring_of
from peakwhite.daemon.measure.evidence import NO_EVIDENCE
from peakwhite.daemon.measure.explain import explain
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.drivers.capture import Capture

BENCH = Conditions(BENCH_DEFAULT)
BARS = steps([700.0, 350.0, 0.0, 500.0])


def capture() -> Capture:
    return rgb_sync(Made(), BARS, white(714.3), white(700.0))


def drawn(of: Capture, view: LineView) -> AveragedLine:
    line = LinesUnderSync(measuring_of(of, BENCH)).drawn(view)
    assert line is not None
    return line


def level_mv(line: AveragedLine, channel: int, time_us: float, of: int = 0) -> float:
    trace = line.traces[channel]
    return float(trace.pairs[of, round((time_us - line.start_us) / line.us_per_column)].mean()) * trace.mv_per_count


@pytest.mark.parametrize("columns", [1, 100, 390, 100_000])
def test_every_channel_has_a_pair_a_column(columns: int) -> None:
    line = drawn(capture(), LineView(columns))
    assert [trace.role for trace in line.traces] == ["red", "green", "blue", "sync"]
    shapes = {trace.pairs.shape for trace in line.traces}
    assert len(shapes) == 1
    assert 1 <= shapes.pop()[1] <= columns
    for trace in line.traces:
        assert np.all(trace.pairs[..., 0] <= trace.pairs[..., 1])


def test_the_line_shows_sync_where_it_is_and_bars_at_their_levels() -> None:
    line = drawn(capture(), LineView(780))
    assert line.start_us == -BEFORE_SYNC_US
    assert level_mv(line, 3, 2.4) == pytest.approx(-285.7, abs=6.0)
    assert level_mv(line, 3, 20.0) == pytest.approx(0.0, abs=6.0)
    for time_us, expected_mv in ((15.0, 700.0), (29.0, 350.0), (42.0, 0.0), (55.0, 500.0)):
        assert level_mv(line, 0, time_us) == pytest.approx(expected_mv, abs=6.0)


def test_levels_of_many_volts_are_drawn_in_coarser_counts() -> None:
    made = Made(lsb_mv=80.0, centre_mv=4000.0, noise_mv=20.0)
    line = drawn(rgb_sync(made, white(7000.0), white(7000.0), white(7000.0), 3000.0), LineView(200))
    trace = line.traces[0]
    assert float(trace.pairs.max()) * trace.mv_per_count == pytest.approx(7000.0, rel=0.02)


def test_without_sync_there_is_no_line() -> None:
    made = Made()
    silence = digitised(made, "CH4", np.zeros(made.samples), 4)
    nothing = measuring_of(Capture((silence,), 40e-9, 0.0, "made", 0), BENCH)
    assert LinesUnderSync(nothing).drawn(LineView(100)) is None


def test_a_window_shows_the_records_own_samples_and_where_they_are() -> None:
    line = drawn(capture(), LineView(400, 8.0, 20.0))
    assert line.start_us == 8.0
    assert line.us_per_column == pytest.approx(0.04, rel=1e-6)
    assert line.traces[0].pairs.shape[1] == 300
    assert level_mv(line, 0, 15.0) == pytest.approx(700.0, abs=6.0)
    assert level_mv(line, 0, 8.2) == pytest.approx(0.0, abs=6.0)


@pytest.mark.parametrize("window", [(-1e4, 1e4), (-500.0, -400.0), (900.0, 901.0), (30.0, 30.0001)])
def test_a_window_ends_where_the_line_does_and_is_never_empty(window: tuple[float, float]) -> None:
    line = drawn(capture(), LineView(400, *window))
    first_us, last_us = line.whole_us
    end_us = line.start_us + line.us_per_column * line.traces[0].pairs.shape[1]
    assert first_us <= line.start_us < end_us <= last_us + 1e-6


def test_single_lines_stand_beside_the_averaged_one_and_are_noisier() -> None:
    line = drawn(capture(), LineView(780, singles=2))
    assert line.singles == (0, line.lines - 1)
    assert line.traces[1].pairs.shape[0] == 3
    flat = slice(300, 600)
    averaged, single, _ = line.traces[1].pairs[:, flat, :].astype(float).mean(axis=2).std(axis=1)
    assert single > 1.3 * averaged
    assert level_mv(line, 1, 30.0, of=2) == pytest.approx(714.3, abs=12.0)


def test_no_more_single_lines_come_than_there_are() -> None:
    line = drawn(capture(), LineView(100, singles=8))
    assert line.singles == tuple(range(line.lines))


def test_the_flats_that_made_the_level_lie_where_the_bar_is() -> None:
    red = drawn(capture(), LineView(100)).traces[0].evidence
    assert [round(flat.level_mv, -1) for flat in red.flats] == [700.0, 500.0, 350.0, 0.0]
    top = red.flats[0]
    assert [flat.made_level for flat in red.flats] == [True, False, False, False]
    assert red.level_mv == top.level_mv
    assert 9.0 < top.from_us < 12.0
    assert 20.0 < top.to_us < 24.0
    assert top.lines == red.looked_at


def test_the_level_told_with_the_line_is_the_readings() -> None:
    of = capture()
    readings = {one.channel: one for one in measure_capture(of, BENCH).channels}
    for trace in drawn(of, LineView(100)).traces[:3]:
        assert trace.evidence.level_mv == readings[trace.channel].peak_white_mv
        assert trace.evidence.blanking_mv == readings[trace.channel].blanking_mv


def test_blanking_is_clamped_between_sync_and_the_picture() -> None:
    line = drawn(capture(), LineView(100))
    red = line.traces[0].evidence
    assert red.clamp_us is not None
    assert red.active_us is not None
    assert 4.7 < red.clamp_us[0] < red.clamp_us[1] <= red.active_us[0] < 12.0
    assert 55.0 < red.active_us[1] < line.whole_us[1]


def test_a_picture_without_white_has_flats_but_none_that_made_a_level() -> None:
    dark = drawn(rgb_sync(Made(), white(0.0), white(0.0), white(0.0)), LineView(100)).traces[0].evidence
    assert dark.level_mv is None
    assert dark.flats
    assert not any(flat.made_level for flat in dark.flats)


def test_sync_has_no_level_and_says_so() -> None:
    assert drawn(capture(), LineView(100)).traces[3].evidence == NO_EVIDENCE


def test_the_budget_names_its_items_largest_first() -> None:
    text = explain(capture(), BENCH)
    assert "CH1 red: " in text
    assert text.index("scope gain ±3 %") < text.index("termination") < text.index("noise")
    assert "together: ±" in text


def test_without_a_white_there_is_no_budget() -> None:
    assert "no budget" in explain(rgb_sync(Made(), white(0.0), white(0.0), white(0.0)), BENCH)
