"""Codes to short block means: the one pass over a whole record.

Everything that looks for sync, flats and clamps works on means of a power of two of neighbouring samples, 50 to 100 ns
long where the sample rate allows. The sums are made on the integer codes, eight bytes at a time in one 64-bit word, so
a record is never converted to floating point as a whole; where samples are 50 ns and more apart, each is a bin.
"""

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord, Codes

LONGEST_BIN_S = 100e-9
MOST_SAMPLES = 64
PIECE_SAMPLES = 1 << 18
"""A record is summed in pieces that stay in the processor's cache."""

_BYTES_EVEN = np.uint64(0x00FF00FF00FF00FF)
_WORDS_EVEN = np.uint64(0x0000FFFF0000FFFF)
_LANES_TO_TOP = np.uint64(0x0001000100010001)
"""A word times this has the sum of its four lanes of 16 bits in the highest one (as long as that fits)."""
_SIGN_BITS = np.uint64(0x8080808080808080)


def samples_per_bin(seconds_per_sample: float) -> int:
    """The largest power of two of samples that lasts 100 ns at most; at least 1, at most 64."""
    count = 1
    while count < MOST_SAMPLES and 2 * count * seconds_per_sample <= LONGEST_BIN_S:
        count *= 2
    return count


def bin_means(codes: Codes, count: int) -> NDArray[np.float32]:
    """Mean code of each `count` (a power of two) neighbouring samples, shape (samples // count,) or up to 7 samples less."""
    if count == 1:
        return codes.astype(np.float32)
    usable = usable_samples(codes.size, count)
    means = np.empty(usable // count, dtype=np.float32)
    for start in range(0, usable, PIECE_SAMPLES):
        piece = codes[start : min(start + PIECE_SAMPLES, usable)]
        means[start // count : (start + piece.size) // count] = _sums(piece, count)
    means *= np.float32(1.0 / count)
    if codes.dtype == np.int8:
        means -= np.float32(128.0)
    return means


def usable_samples(samples: int, count: int) -> int:
    """How many of a record's samples are binned: whole bins, and whole 64-bit words."""
    whole = max(count, 8) if count > 1 else 1
    return samples // whole * whole


def binned_mv(record: ChannelRecord, count: int, probe_ratio: float = 1.0) -> NDArray[np.float32]:
    """The binned record in millivolts at the point of measurement, shape (bins,)."""
    means = bin_means(record.codes, count)
    means *= np.float32(record.mv_per_code * probe_ratio)
    means += np.float32(record.mv_at_code_zero * probe_ratio)
    return means


def running_sums(values: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """Sums over every `width` neighbours along the last axis, shape (..., values - width + 1).

    Sums over 1, 2, 4, ... neighbours are joined as the binary digits of the width ask: as many passes as it has digits.
    """
    places = values.shape[-1] - width + 1
    sums = np.zeros((*values.shape[:-1], places), dtype=np.float32)
    spans, length, joined = values, 1, 0
    while True:
        if width & length:
            sums += spans[..., joined : joined + places]
            joined += length
        if 2 * length > width:
            return sums
        spans = spans[..., length:] + spans[..., :-length]
        length *= 2


def _sums(codes: Codes, count: int) -> NDArray[np.unsignedinteger]:
    """Sums over `count` neighbouring samples; signed bytes are summed with 128 added to each."""
    words = np.ascontiguousarray(codes).view(np.uint64)
    if codes.dtype == np.uint16:
        sums: NDArray[np.unsignedinteger] = _halves(words, _WORDS_EVEN, 16).view(np.uint32)
        summed = 2
    else:
        sums, summed = _byte_sums(words ^ _SIGN_BITS if codes.dtype == np.int8 else words, count)
    while summed < count:
        sums = sums[0::2] + sums[1::2]
        summed *= 2
    return sums


def _byte_sums(words: NDArray[np.uint64], count: int) -> tuple[NDArray[np.unsignedinteger], int]:
    """Sums over 2, 4 or 8 bytes: as far as one word carries them."""
    twos = _halves(words, _BYTES_EVEN, 8)
    if count == 2:
        return twos.view(np.uint16), 2
    if count == 4:
        return _halves(twos, _WORDS_EVEN, 16).view(np.uint32), 4
    twos *= _LANES_TO_TOP
    twos >>= np.uint64(48)
    return twos.astype(np.uint16), 8


def _halves(words: NDArray[np.uint64], even: np.uint64, width: int) -> NDArray[np.uint64]:
    """Each lane of `width` bits added to its neighbour, in lanes twice as wide."""
    sums = words >> np.uint64(width)
    sums &= even
    sums += words & even
    return sums
