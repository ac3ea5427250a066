"""The binary descriptor that newer Siglent scopes send for a preamble, and the codes that it describes.

Source: "Digital Oscilloscopes SDS Series" programming guide, EN11D, :WAVeform:PREamble (offsets, time steps, formulas).
"""

import math
import struct
from dataclasses import dataclass

import numpy as np

from .capture import ChannelRecord, Codes
from .errors import ReplyError
from .records import Scale, channel_record, scale_of

PREAMBLE_BYTES, PREAMBLE_LIMIT_BYTES = 346, 1024
"""What is read of it, and what is taken at most."""
DIVISIONS, SCREEN_DIVISIONS = 10, 8
TIME_STEPS_S = tuple(float(f"{step}e{decade}") for decade in range(-10, 4) for step in (1, 2, 5))[1:-2]
"""From 200 ps to 1000 s a division: what the descriptor's index counts."""
MIDDLE = 0x8000
"""Signed words are kept as unsigned ones, with code 0 here."""

_FIELDS = struct.Struct("<32xh122xfff4xhxxfd136xhxxf")
"""At 0x20 width - 1; at 0x9C volts a division, offset, codes a division; at 0xAC bits; at 0xB0 interval, delay; at 0x144
index of the time step; at 0x148 probe."""


@dataclass(frozen=True)
class Preamble:
    """What the descriptor says: how codes scale, how many bits the converter has, and codes a division."""

    scale: Scale
    bits: int
    codes_per_div: float


def read_preamble(block: bytes | memoryview, *, where: str) -> Preamble:
    """volts = code / codes_per_div volts_per_div probe - offset probe, of signed codes, as the descriptor has both without
    the probe; seconds = -5 time_per_div + i interval + delay. Raises ReplyError for a descriptor that cannot be.
    """
    if len(block) < PREAMBLE_BYTES:
        raise _unfit(f"a block of {len(block)} bytes for a preamble where {PREAMBLE_BYTES} were meant", where)
    wide, volts_per_div, offset_v, codes_per_div, bits, interval_s, delay_s, step, probe = _FIELDS.unpack_from(block)
    numbers = (volts_per_div, offset_v, codes_per_div, interval_s, delay_s, probe)
    if not all(map(math.isfinite, numbers)):
        raise _unfit(f"a preamble with '{'NAN' if any(map(math.isnan, numbers)) else 'INF'}', not a number", where)
    if wide not in (0, 1) or not 0 <= step < len(TIME_STEPS_S):
        raise _unfit("a preamble with a field that cannot be", where)
    if not (8 <= bits <= 16 and 1.0 <= codes_per_div <= 65_536 / SCREEN_DIVISIONS and probe > 0.0):
        raise _unfit(f"a preamble of {bits} bits, {codes_per_div:g} codes a division and a probe of {probe:g}", where)
    volts, first_s = volts_per_div * probe / codes_per_div, delay_s - TIME_STEPS_S[step] * DIVISIONS / 2
    scale = scale_of(volts, -offset_v * probe, interval_s, first_s, where=where, bytes_per_code=wide + 1)
    return Preamble(scale, bits, codes_per_div)


def decoded(name: str, data: bytes | memoryview, preamble: Preamble, *, where: str) -> ChannelRecord:
    """The samples of one channel: signed bytes of an 8-bit converter, or signed words, the low byte first.

    Not verified on an instrument is where in a word the code stands. It follows from the codes a division: eight divisions
    of more codes than the converter has are codes that were moved to the upper end of 16 bits. Words that do not
    fit that raise ReplyError.
    """
    scale, bits = preamble.scale, preamble.bits
    screen_codes = round(SCREEN_DIVISIONS * preamble.codes_per_div)
    if scale.bytes_per_code == 1:
        return channel_record(name, np.frombuffer(data, np.int8), scale, (-128, 127), screen_codes=screen_codes)
    step = 1 << (16 - bits) if screen_codes > 1 << bits else 1
    codes: Codes = np.frombuffer(data, "<u2") ^ np.uint16(MIDDLE)
    half = step << (bits - 1)
    low, high = MIDDLE - half, MIDDLE + half - step
    if codes.min() < low or codes.max() > high or int(np.bitwise_or.reduce(codes)) % step:
        raise _unfit(f"words that are no codes of {bits} bits at {preamble.codes_per_div:g} a division", where)
    lifted = scale_of(
        scale.volts_per_code,
        scale.volts_at_code_zero - MIDDLE * scale.volts_per_code,
        scale.seconds_per_sample,
        scale.first_sample_s,
        where=where,
        bytes_per_code=2,
    )
    return channel_record(name, codes, lifted, (low, high), screen_codes=screen_codes, code_step=step)


def _unfit(what: str, where: str) -> ReplyError:
    return ReplyError(what, where=where, do="check that the right instrument family is in use, then capture again")
