"""Taking one probe's colours one after the other: which is due, what takes whose place, what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.measure.level_budget import LevelBudget
from peakwhite.daemon.measure.one_probe import ORDER, what_is_due, with_next
from peakwhite.drivers.errors import UsageError


def took(*roles: str) -> tuple[LevelBudget, ...]:
    """What is there after these were taken on one channel, levels counting up from 1 mV."""
    taken: tuple[LevelBudget, ...] = ()
    for number, role in enumerate(roles, start=1):
        taken = with_next(taken, LevelBudget("red", float(number), channel="CH1"), role)
    return taken


@pytest.mark.parametrize(
    ("roles", "levels_mv", "due"),
    [
        ((), [], "red"),
        (("red",), [1.0], "green"),
        (("red", "green", "blue", "red"), [1.0, 2.0, 3.0, 4.0], "red"),
        (("red", "red", "green"), [2.0, 3.0], "blue"),
        (("red", "green", "green"), [1.0, 3.0], "blue"),
        (("red", "green", "blue", "green"), [1.0, 4.0], "blue"),
        (("red", "green", "red"), [3.0], "green"),
        (("red", "green", "blue", "red", "red"), [5.0], "green"),
    ],
)
def test_what_was_taken_last_counts(roles: tuple[str, ...], levels_mv: list[float], due: str) -> None:
    taken = took(*roles)
    assert [one.level_mv for one in taken] == levels_mv
    assert [one.role for one in taken] == list(ORDER[: len(taken)])
    assert what_is_due(taken) == due


@pytest.mark.parametrize(
    ("roles", "told"),
    [
        (("green",), "green is not due; take red first"),
        (("red", "blue"), "blue is not due; take green first"),
        (("red", "green", "blue", "red", "green"), "green is not due; take red first"),
        (("luma",), "luma is no colour"),
    ],
)
def test_a_colour_out_of_turn_is_refused(roles: tuple[str, ...], told: str) -> None:
    with pytest.raises(UsageError, match=told):
        took(*roles)


def test_another_channel_is_refused() -> None:
    with pytest.raises(UsageError, match="green was taken on CH2, the first reading on CH1"):
        with_next(took("red"), LevelBudget("green", 2.0, channel="CH2"), "green")


@given(st.lists(st.sampled_from(["red", "green", "blue"]), max_size=12))
def test_however_they_are_taken_they_stand_in_their_order(roles: list[str]) -> None:
    taken: tuple[LevelBudget, ...] = ()
    for role in roles:
        try:
            taken = with_next(taken, LevelBudget("red", 700.0, channel="CH1"), role)
        except UsageError:
            continue
        assert taken[-1].role == role
        assert [one.role for one in taken] == list(ORDER[: len(taken)])
