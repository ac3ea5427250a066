"""Codes to short block means: the one pass over a whole record.

Everything that looks for sync, flats and clamps works on means of a power of two of neighbouring samples, 50 to 100 ns
long where the sample rate allows. The sums are made on the integer codes, eight bytes at a time in one 64-bit word, so
a record is never converted to floating point as a whole.
"""

import numpy as np
from numpy.typing import NDArray

from ...drivers.capture import ChannelRecord, Codes

LONGEST_BIN_S = 100e-9
MOST_SAMPLES = 64

_BYTES_EVEN = np.uint64(0x00FF00FF00FF00FF)
_WORDS_EVEN = np.uint64(0x0000FFFF0000FFFF)
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
    if codes.dtype == np.uint16:
        sums, summed = _pairs_of_words(codes), 2
    else:
        sums, summed = _bytes(codes, count)
    while summed < count:
        usable = sums.size // 2 * 2
        sums = sums[0:usable:2] + sums[1:usable:2]
        summed *= 2
    means = sums.astype(np.float32)
    means *= np.float32(1.0 / count)
    if codes.dtype == np.int8:
        means -= np.float32(128.0)
    return means


def binned_mv(record: ChannelRecord, count: int, probe_ratio: float = 1.0) -> NDArray[np.float32]:
    """The binned record in millivolts at the point of measurement, shape (bins,)."""
    means = bin_means(record.codes, count)
    means *= np.float32(record.mv_per_code * probe_ratio)
    means += np.float32(record.mv_at_code_zero * probe_ratio)
    return means


def _words(codes: Codes) -> NDArray[np.uint64]:
    per_word = 8 // codes.itemsize
    whole = np.ascontiguousarray(codes[: codes.size // per_word * per_word])
    return whole.view(np.uint64)


def _pairs_of_words(codes: Codes) -> NDArray[np.uint32]:
    words = _words(codes)
    sums = words & _WORDS_EVEN
    sums += (words >> np.uint64(16)) & _WORDS_EVEN
    return sums.view(np.uint32)


def _bytes(codes: Codes, count: int) -> tuple[NDArray[np.unsignedinteger], int]:
    """Sums over 2, 4 or 8 bytes: as far as one word carries them. Signed bytes are summed with 128 added."""
    words = _words(codes)
    if codes.dtype == np.int8:
        words = words ^ _SIGN_BITS
    sums = words & _BYTES_EVEN
    sums += (words >> np.uint64(8)) & _BYTES_EVEN
    if count == 2:
        return sums.view(np.uint16), 2
    fours = sums & _WORDS_EVEN
    fours += (sums >> np.uint64(16)) & _WORDS_EVEN
    if count == 4:
        return fours.view(np.uint32), 4
    eights = fours >> np.uint64(32)
    eights += fours & np.uint64(0xFFFFFFFF)
    return eights.astype(np.uint32), 8
