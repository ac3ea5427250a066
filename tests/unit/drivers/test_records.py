"""From blocks and preambles to the channels of one trigger."""

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.drivers.capture import ChannelRecord
from peakwhite.drivers.errors import ReplyError
from peakwhite.drivers.links import Link
from peakwhite.drivers.records import Scale, block_of, channel_record, one_trigger, pieces, record_points, scale_of

Script = Callable[[Sequence[tuple[str, str | bytes | None]]], Link]

SCALE = Scale(0.01, -1.0, 1e-6, -1e-3)


def of(name: str, samples: int = 10) -> ChannelRecord:
    return channel_record(name, np.zeros(samples, np.uint8), SCALE, (0, 255), screen_codes=200)


@given(points=st.integers(1, 5000), most=st.integers(1, 700))
def test_pieces_follow_on_each_other_and_make_the_whole(points: int, most: int) -> None:
    cut = list(pieces(points, most))
    assert [first for first, _ in cut] == [0, *(last + 1 for _, last in cut[:-1])]
    assert cut[-1][1] == points - 1
    assert all(0 < last - first + 1 <= most for first, last in cut)


def test_a_channel_has_the_scale_of_its_preamble_and_the_rails_of_its_family() -> None:
    record = of("CH1")
    assert (record.volts_per_code, record.volts_at_code_zero) == (0.01, -1.0)
    assert (record.low_rail_code, record.high_rail_code) == (0, 255)
    assert record.full_scale_v == pytest.approx(2.0)


@pytest.mark.parametrize("length", [9, 11, 60])
def test_a_block_of_another_length_than_was_meant_is_refused(script: Script, length: int) -> None:
    with pytest.raises(ReplyError, match=f"{length} bytes where 10"):
        block_of(script([("D?", bytes(length))]), "D?", 10)


@pytest.mark.parametrize("reply", ["0", "-1", "1E12", "12.5", "many", ""])
def test_a_record_length_that_cannot_be_is_refused(reply: str) -> None:
    with pytest.raises(ReplyError):
        record_points(reply, of="LEN?", where="scope")


@pytest.mark.parametrize(
    ("volts", "seconds", "points"),
    [(0.0, 1e-6, 5), (0.01, 0.0, 5), (0.01, -1e-6, 5), (1, 1, -1), (1e4, 1e-6, 5), (-1e6, 1e-6, 5), (0.01, 1e5, 5)],
)
def test_a_scale_that_cannot_be_is_refused(volts: float, seconds: float, points: int) -> None:
    with pytest.raises(ReplyError, match="a preamble with"):
        scale_of(volts, 0.0, seconds, 0.0, where="scope", points=points)


def test_channels_that_share_their_time_axis_are_one_record() -> None:
    record = one_trigger([(of("CH1"), SCALE), (of("CH2"), SCALE)], where="scope")
    assert [channel.name for channel in record.channels] == ["CH1", "CH2"]
    assert (record.seconds_per_sample, record.first_sample_s) == (1e-6, -1e-3)


@pytest.mark.parametrize(
    "other",
    [(of("CH2"), Scale(0.01, -1.0, 2e-6, -1e-3)), (of("CH2"), Scale(0.01, -1.0, 1e-6, 0.0)), (of("CH2", 11), SCALE)],
    ids=["step", "start", "length"],
)
def test_channels_that_do_not_are_refused(other: tuple[ChannelRecord, Scale]) -> None:
    with pytest.raises(ReplyError, match="one time axis"):
        one_trigger([(of("CH1"), SCALE), other], where="scope")
