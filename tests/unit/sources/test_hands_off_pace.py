"""How much of a record that only its user takes is read, and how often again."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.acquisition import Task
from peakwhite.daemon.sources.hands_off_pace import (
    FEWEST_POINTS,
    FIRST_POINTS,
    LONGEST_PAUSE_S,
    MOST_POINTS,
    SHORTEST_PAUSE_S,
    SlowPace,
    most_points,
)
from peakwhite.drivers.capture import Capture, ChannelRecord


def last(seconds_per_sample: float = 4e-9, fetch_ms: float = 1.0, samples: int = 100_000) -> Capture:
    """A capture of two channels."""
    codes = np.zeros(samples, np.uint8)
    channels = tuple(ChannelRecord(name, codes, 0.008, 0.0) for name in ("CH1", "CH2"))
    return Capture(channels, seconds_per_sample, 0.0, "scope", 1, fetch_ms=fetch_ms)


def test_a_few_lines_are_read_for_a_level_and_two_fields_for_a_field() -> None:
    assert most_points(Task.LEVELS, last(4e-9), 2.0, 2) == 125_000
    assert most_points(Task.FIELD, last(100e-9), 2.0, 2) == pytest.approx(420_000, abs=1)


def test_a_slow_link_gives_as_many_points_as_half_of_the_deadline_has_room_for() -> None:
    assert most_points(Task.LEVELS, last(4e-9, fetch_ms=4000.0), 2.0, 2) == 25_000


@given(
    st.sampled_from(Task),
    st.one_of(st.none(), st.builds(last, st.floats(1e-10, 1.0), st.floats(0.0, 1e6), st.just(1000))),
    st.integers(1, 4),
)
def test_a_part_is_never_empty_nor_without_bounds(task: Task, before: Capture | None, channels: int) -> None:
    assert FEWEST_POINTS <= most_points(task, before, 2.0, channels) <= MOST_POINTS
    assert FEWEST_POINTS <= FIRST_POINTS <= MOST_POINTS


@pytest.mark.parametrize(("took_s", "pause_s"), [(0.001, SHORTEST_PAUSE_S), (0.2, 1.8), (3.0, LONGEST_PAUSE_S)])
def test_what_was_found_is_taken_for_known_ten_times_as_long_as_finding_it_took(took_s: float, pause_s: float) -> None:
    pace = SlowPace[str, int]()
    pace.took("as it was", 7, 100.0, 100.0 + took_s)
    assert pace.known("as it was", 100.0 + took_s + pause_s - 1e-6) == 7
    assert pace.known("as it was", 100.0 + took_s + pause_s + 1e-6) is None


def test_what_has_changed_is_not_known() -> None:
    pace = SlowPace[str, int]()
    pace.took("as it was", 7, 100.0, 100.0)
    assert pace.known("turned", 100.1) is None
    pace.forget()
    assert pace.known("as it was", 100.1) is None
