"""From blocks and preambles to the channels of one trigger."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from .capture import ChannelRecord, Codes
from .errors import ReplyError
from .links import Link
from .replies import whole_number

BLOCK_SLACK_BYTES = 64
"""A block that is a little too long is read whole and refused, which leaves the link in order."""


MOST_POINTS = 250_000_000
"""More than the longest memory of any family; a count beyond it is no count."""
MOST_VOLTS_PER_CODE, MOST_VOLTS, MOST_SECONDS = 1e3, 1e6, 1e4
"""Beyond 10 V a division behind a probe of 1000 (400 V a code), what such a range shows, and the slowest sampling."""


@dataclass(frozen=True)
class Scale:
    """What a preamble says: volts = code volts_per_code + volts_at_code_zero, seconds = first_sample_s + i seconds_per_sample.

    `points` and `bytes_per_code` are those of the record that it describes, where the dialect tells them.
    """

    volts_per_code: float
    volts_at_code_zero: float
    seconds_per_sample: float
    first_sample_s: float
    points: int = 0
    bytes_per_code: int = 1


@dataclass(frozen=True)
class Record:
    """The channels of one trigger."""

    channels: tuple[ChannelRecord, ...]
    seconds_per_sample: float
    first_sample_s: float


def scale_of(
    volts_per_code: float,
    volts_at_code_zero: float,
    seconds_per_sample: float,
    first_sample_s: float,
    *,
    where: str,
    points: int = 0,
    bytes_per_code: int = 1,
) -> Scale:
    """A scale that can be.

    Raises ReplyError for volts per code of 0 or beyond what any input stands, a time step that is not positive or longer
    than any scope's, a negative count.
    """
    absurd = (
        abs(volts_per_code) > MOST_VOLTS_PER_CODE
        or abs(volts_at_code_zero) > MOST_VOLTS
        or seconds_per_sample > MOST_SECONDS
    )
    if absurd or volts_per_code == 0.0 or seconds_per_sample <= 0.0 or points < 0:
        raise ReplyError(
            f"a preamble with {volts_per_code:g} volts a code, {seconds_per_sample:g} s a sample and {points} points",
            where=where,
            do="start an acquisition by hand, or capture again",
        )
    return Scale(volts_per_code, volts_at_code_zero, seconds_per_sample, first_sample_s, points, bytes_per_code)


def channel_record(
    name: str, codes: Codes, scale: Scale, rails: tuple[int, int], *, screen_codes: int, code_step: int = 1
) -> ChannelRecord:
    """The samples of one channel. `rails`: codes at or beyond which the ADC is at its rail; `screen_codes`: from bottom
    to top of the screen."""
    return ChannelRecord(
        name=name,
        codes=codes,
        volts_per_code=scale.volts_per_code,
        volts_at_code_zero=scale.volts_at_code_zero,
        low_rail_code=rails[0],
        high_rail_code=rails[1],
        code_step=code_step,
        full_scale_v=abs(scale.volts_per_code) * screen_codes,
    )


def block_of(link: Link, command: str, length_bytes: int) -> memoryview:
    """The block that answers `command`, of exactly that length. Raises ReplyError for another, LinkError."""
    block = link.query_block(command, length_bytes + BLOCK_SLACK_BYTES)
    if block.nbytes != length_bytes:
        raise ReplyError(
            f"a block of {block.nbytes} bytes where {length_bytes} were meant", where=link.resource, do="capture again"
        )
    return block


def codes_in(block: memoryview, kind: str) -> Codes:
    """The codes that a block holds, by numpy's name of their type: `u1`, `i1`, `<u2`.

    Words may be copied, as a block may begin at an odd address.
    """
    codes: Codes = np.require(np.frombuffer(block, kind), None, "A")
    return codes


def code_step(records: Sequence[Codes], steps: Sequence[int]) -> int:
    """Distance of neighbouring converter states: the first of `steps` that divides every code; the last is 1."""
    used = reduce(int.__or__, (int(np.bitwise_or.reduce(codes)) for codes in records))
    return next(step for step in steps if used % step == 0)


def record_points(reply: str, *, of: str, where: str) -> int:
    """A record length that can be. Raises ReplyError."""
    points = whole_number(reply, of=of, where=where)
    if not 0 < points <= MOST_POINTS:
        raise ReplyError(f"a record of {points} points", where=where, do="start an acquisition by hand")
    return points


def sample_interval(points: int, rate_hz: float, *, most_s: float, where: str) -> float:
    """Seconds from sample to sample. Raises ReplyError if the record would last longer than `most_s`, or not at all."""
    lasts_s = points / rate_hz if rate_hz > 0.0 else 0.0
    if not 0.0 < lasts_s <= most_s:
        what = f"a record of {points} points at {rate_hz:g} Hz, where {most_s:g} s is the longest that can be"
        raise ReplyError(what, where=where, do="start an acquisition by hand")
    return 1.0 / rate_hz


def pieces(points: int, most: int) -> Iterator[tuple[int, int]]:
    """The record in pieces of at most `most` points: first and last sample of each, the record's first is 0."""
    for first in range(0, points, most):
        yield first, min(first + most, points) - 1


def one_trigger(fetched: Sequence[tuple[ChannelRecord, Scale]], *, where: str) -> Record:
    """The channels as one record. Raises ReplyError where they do not share one time axis and length."""
    axes = {(scale.seconds_per_sample, scale.first_sample_s, record.codes.size) for record, scale in fetched}
    if len(axes) != 1:
        raise ReplyError("its channels do not share one time axis", where=where, do="capture again")
    seconds_per_sample, first_sample_s, _ = axes.pop()
    return Record(tuple(record for record, _ in fetched), seconds_per_sample, first_sample_s)
